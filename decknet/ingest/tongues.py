"""Headers and words in other languages of the Latin script, and further English spellings, by our own name for them.

memory: everyday words of the trade in German, French, Spanish, Italian, Portuguese, Dutch, Danish, Norwegian and
Swedish; a header that is none of them can always be stated in a mapping file.
"""

from __future__ import annotations

__all__ = ["HEADERS", "KINDS_TOO", "METHOD_WORDS", "NAMES_TOO", "NO", "TREATMENTS_TOO", "YES"]

# In the form ``columns.normal`` gives, without units.
HEADERS: dict[str, tuple[str, ...]] = {
    "bridge_id": (
        "asset id", "asset no", "str no", "bridge key", "brücke", "bruecke", "brückennummer", "brücken nr",
        "bauwerk", "bauwerksnummer", "bauwerk nr", "bauwerksnr", "bw nr", "pont", "numéro du pont", "n° pont",
        "no pont", "ouvrage", "n° ouvrage", "numéro ouvrage", "puente", "número de puente", "n° puente", "ponte",
        "numero ponte", "brug", "brugnummer", "brug nr", "bro", "bro nr", "bronummer", "bro id", "bru", "bru nr",
        "brunummer", "broid",
    ),
    "name": (
        "brückenname", "bauwerksname", "bezeichnung", "nom", "nom du pont", "nom de l ouvrage", "nombre",
        "nombre del puente", "nome", "nome ponte", "naam", "brugnaam", "navn", "namn", "bronavn", "bronamn",
        "brunavn",
    ),
    "route": (
        "straße", "strasse", "route carried", "carretera", "strada", "estrada", "weg", "vej", "vei", "väg",
    ),
    "longitude_deg": (
        "länge geo", "geogr länge", "longitud", "longitudine", "lengtegraad", "længdegrad", "lengdegrad",
        "longitud este",
    ),
    "latitude_deg": (
        "breite geo", "geogr breite", "latitud", "latitudine", "breedtegraad", "breddegrad",
    ),
    "built_year": (
        "baujahr", "année de construction", "année construction", "año de construcción", "anno di costruzione",
        "ano de construção", "bouwjaar", "byggeår", "byggår", "opført",
    ),
    "length_m": (
        "länge", "brückenlänge", "gesamtlänge", "longueur", "longueur du tablier", "longitud total",
        "longitud del puente", "longitud del tablero", "lunghezza", "comprimento",
        "lengte", "længde", "lengde", "längd",
    ),
    "width_m": (
        "breite", "brückenbreite", "largeur", "largeur du tablier", "ancho", "anchura", "larghezza", "largura",
        "breedte", "bredde", "bredd",
    ),
    "aadt": (
        "dtv", "tmja", "tmda", "imd", "tgm", "ådt", "åmvd", "tmd", "etmaalintensiteit",
        "average annual daily traffic",
    ),
    "year": (
        "zähljahr", "année de comptage", "año de aforo", "teljaar", "telår", "tælleår", "count yr",
    ),
    "survey_date": (
        "datum", "prüfdatum", "aufnahmedatum", "date du relevé", "date de relevé", "date d inspection", "fecha",
        "fecha de inspección", "data", "data ispezione", "data di ispezione", "data da inspeção", "dato",
        "inspektionsdato", "inspeksjonsdato", "inspectiedatum", "survey day", "test date", "date of test",
    ),
    "repair_date": (
        "datum", "reparaturdatum", "instandsetzungsdatum", "date de réparation", "date de la réparation", "fecha",
        "fecha de reparación", "data", "data riparazione", "dato", "reparasjonsdato", "reparationsdato",
        "hersteldatum",
    ),
    "delaminated_m2": (
        "delamination area", "area delaminated", "hollow sounding", "hollow sounding area", "delams", "hohlstellen",
        "hohlstelle", "hohlfläche", "hohllage", "hohllagen", "ablösung", "ablösungen", "décollement", "décollements",
        "décollée", "surface décollée", "zone creuse", "delaminación", "delaminaciones", "huecos", "distacchi",
        "delaminazione", "delaminação", "delaminatie", "onthechting", "delaminering", "hulhed", "delaminerat",
        "hule felter",
    ),
    "spalled_m2": (
        "spalling", "spall area", "spalling area", "abplatzung", "abplatzungen", "éclat", "éclats", "éclatement",
        "éclatements", "desconchado", "desconchados", "desprendimiento", "sfondellamento", "destacamento",
        "afspatting", "afbrokkeling", "avskalling", "afskalning", "avspjälkning",
    ),
    "surveyed_m2": (
        "geprüfte fläche", "surface relevée", "superficie inspeccionada", "onderzocht oppervlak",
    ),
    "remarks": (
        "bemerkung", "bemerkungen", "anmerkung", "remarque", "remarques", "observation", "observations",
        "observaciones", "note", "osservazioni", "observações", "opmerking", "opmerkingen", "bemærkning",
        "bemærkninger", "merknad", "merknader", "anmärkning", "anmärkningar",
    ),
    "method": (
        "verfahren", "méthode", "método", "metodo", "methode", "metode", "metod",
    ),
    "crew": (
        "prüfer", "kolonne", "équipe", "cuadrilla", "squadra", "equipe", "ploeg", "hold", "lag",
    ),
    "kind": (
        "schaden", "schadensart", "type de défaut", "défaut", "tipo", "tipo de daño", "schade", "skade", "skadetype",
    ),
    "area_m2": (
        "fläche", "surface", "superficie", "área", "oppervlakte", "areal", "yta",
    ),
    "treatment": (
        "maßnahme", "massnahme", "instandsetzung", "reparatur", "réparation", "type de réparation", "travaux",
        "tratamiento", "reparación", "intervento", "riparazione", "reparação", "maatregel", "herstel", "tiltak",
        "åtgärd",
    ),
    "depth_mm": (
        "tiefe", "profondeur", "profundidad", "profondità", "diepte", "dybde", "djup",
    ),
}  # fmt: skip

# Words in names of sheets, layers and files, by the kind of record they tell of.
NAMES_TOO: dict[str, tuple[str, ...]] = {
    "defect": (
        "hohlstellen", "abplatzungen", "delaminierungen", "éclats", "delaminaciones", "desconchados", "schäden",
    ),
    "repair": (
        "reparaturen", "instandsetzungen", "réparations", "reparations", "reparaciones", "riparazioni",
    ),
    "survey": (
        "prüfungen", "aufnahmen", "relevés", "releves", "inspections", "inspecciones", "rilievi", "inspecties",
    ),
    "traffic": (
        "verkehr", "trafic", "comptages", "tráfico", "aforos", "traffico", "verkeer", "trafikk", "trafik",
    ),
    "bridge": (
        "brücken", "bruecken", "bauwerke", "ponts", "ouvrages", "inventaire", "puentes", "inventario", "ponti",
        "bruggen", "broer", "bruer", "broar",
    ),
}  # fmt: skip

KINDS_TOO = {
    "hohlstelle": "delamination", "hohlstellen": "delamination", "hohllage": "delamination", "ablösung": "delamination",
    "décollement": "delamination", "delaminación": "delamination", "distacco": "delamination",
    "delaminering": "delamination", "abplatzung": "spall", "abplatzungen": "spall", "éclat": "spall", "éclats": "spall",
    "desconchado": "spall", "avskalling": "spall", "afskalning": "spall", "loch": "hole", "durchbruch": "hole",
    "trou": "hole", "agujero": "hole", "foro": "hole", "hull": "hole", "hul": "hole", "gat": "hole",
    "freiliegende bewehrung": "exposed bar", "armature apparente": "exposed bar", "aciers apparents": "exposed bar",
    "armadura expuesta": "exposed bar",
}  # fmt: skip
TREATMENTS_TOO = {
    "betonersatz": "patch", "ausbesserung": "patch", "flickstelle": "patch", "ragréage": "patch", "rapiéçage": "patch",
    "bacheo": "patch", "parcheo": "patch", "rappezzo": "patch", "remendo": "patch", "lapning": "patch",
    "lapping": "patch", "lagning": "patch", "mill and replace": "rigid overlay", "neue fahrbahnplatte": "new deck",
    "nouveau tablier": "new deck", "tablero nuevo": "new deck", "nouvelle dalle": "new deck",
}  # fmt: skip
YES = ("ja", "oui", "sí", "si", "sim", "sì")
NO = ("nein", "non", "nej", "nei", "nee", "não")
METHOD_WORDS = {
    "chain": "chain drag", "chain dragging": "chain drag", "chaindrag": "chain drag", "chains": "chain drag",
    "hammer sounding": "hammer", "hammer tap": "hammer", "hammer tapping": "hammer", "hammering": "hammer",
    "sound": "sounding", "sounded": "sounding", "rod": "sounding", "rod sounding": "sounding", "acoustic": "sounding",
    "ie": "impact echo", "impactecho": "impact echo",
    "ir": "infrared", "thermography": "infrared", "infrared thermography": "infrared", "irt": "infrared",
    "thermal": "infrared", "gpr": "radar", "ground penetrating radar": "radar",
    "half cell": "half-cell", "halfcell": "half-cell", "half cell potential": "half-cell", "potential": "half-cell",
    "visual inspection": "visual", "look": "visual", "walk over": "visual",
}  # fmt: skip

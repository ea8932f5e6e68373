"""Which kind of record a table holds, by its headers, its name and its shapes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decknet.columns import METHODS, RECORDS, normal
from decknet.ingest.coded import once
from decknet.ingest.prepared import stated_for
from decknet.ingest.recognise import (
    CUT,
    DECK_KEYS,
    SIDES,
    STRIP,
    TOTALS,
    columns_for,
    fits,
    no_deck_number,
    places,
    spellings,
)
from decknet.ingest.structures import kind_of_words, tells_kind
from decknet.ingest.tongues import METHOD_WORDS, NAMES_TOO

if TYPE_CHECKING:
    from decknet.ingest.mapping import Stated
    from decknet.ingest.read import Table

__all__ = ["BASE_NAMES", "COVERAGE_WORDS", "NAMED_FOR", "base_kind", "is_coverage", "kind_of"]

METHOD_SAID = frozenset({normal(m) for m in (*METHODS, *METHOD_WORDS)})
_HOW = next(c for c in RECORDS["closing"].columns if c.name == "how")

# Words in the name of a sheet, layer or file, and the kind of record it then holds.
NAMED_FOR = {
    "defect": (
        "defect", "defects", "delamination", "delaminations", "distress", "distresses", "spall", "spalls", "hollow",
        "hollows", "décollement", "décollements", "decollement", "decollements", "polygons",
    ),
    "repair": ("repair", "repairs", "patch", "patches", "patching", "repaired"),
    "closing": ("closing", "closings", "closed"),
    "survey": ("survey", "surveys", "sounding", "soundings"),
    "traffic": ("traffic", "counts", "aadt", "adt"),
    "deck": ("deck", "decks", "outline", "outlines", "footprint", "footprints"),
    "bridge": ("bridge", "bridges", "inventory", "structures"),
}  # fmt: skip
BASE_NAMES = {
    "shoreline": ("shoreline", "shorelines", "coast", "coastline", "coastlines", "sea", "lake", "lakes"),
    "river": ("river", "rivers", "stream", "streams", "watercourse", "watercourses"),
    "route": ("route", "routes", "road", "roads", "highway", "highways"),
    "town": ("town", "towns", "city", "cities", "village", "villages", "settlement", "settlements", "places"),
    "boundary": ("boundary", "boundaries", "border", "borders", "district", "districts", "limits"),
}

# Words for a shape that draws what was looked at; in the form ``columns.normal`` gives.
COVERAGE_WORDS = frozenset(
    {
        "coverage", "covered", "covered area", "area covered", "surveyed", "surveyed area", "area surveyed",
        "survey area", "survey limits", "limits of survey", "survey extent", "extent of survey", "looked at",
        "area looked at", "ground looked at", "sounded area", "area sounded", "inspected area",
    }
)  # fmt: skip


def _named_for(table: Table, names: dict[str, tuple[str, ...]]) -> str:
    words = set(normal(table.name).split())
    more = NAMES_TOO if names is NAMED_FOR else {}
    return next((kind for kind, known in names.items() if words & {*known, *more.get(kind, ())}), "")


def is_coverage(name: str) -> bool:
    """Whether a sheet, layer or file is named for what was looked at.

    Examples
    --------
    >>> is_coverage("North_coverage"), is_coverage("Survey limits"), is_coverage("surveys")
    (True, True, False)
    """
    words = normal(name).split()
    every = {" ".join(words[i : i + k]) for k in (1, 2, 3) for i in range(len(words))}
    return bool(every & (COVERAGE_WORDS - {"surveyed", "covered"}))


def base_kind(table: Table) -> str:
    """The kind of base map the layer is named for; empty where for none."""
    return _named_for(table, BASE_NAMES)


def _own_layout(table: Table) -> str:
    """The kind whose own columns, key included, are all that a table named for it has; else empty."""
    headers, words = {h for h in table.headers if h}, set(normal(table.name).split())
    for kind, record in RECORDS.items():
        if set(normal(kind).split()) <= words and set(record.key) <= headers <= set(record.names()):
            return kind
    return ""


def kind_of(table: Table, stated: Stated) -> str:
    """The kind of record a table holds; empty where it cannot be told.

    Parameters
    ----------
    table : Table
    stated : Stated

    Returns
    -------
    str
        One of ``KINDS``, or empty.
    """
    if table.national:
        return "national"
    if own := _own_layout(table):
        return own

    taken = stated_for(table, stated)

    def has(kind: str) -> set[str]:
        seen: set[str] = set()
        for index, header in enumerate(table.headers):
            if index in taken:
                seen.add(taken[index].partition(" in ")[0].strip())
            elif header:
                seen |= {c.name for c in columns_for(kind) if fits(header, c) is not None}
                if table.cut and len(header) == CUT:
                    text = header.lower().replace("_", " ")
                    seen |= {c.name for c in columns_for(kind) if any(s.startswith(text) for s, _ in spellings(c))}
        return seen

    survey, repair, defect, bridge = has("survey"), has("repair"), has("defect"), has("bridge")
    if "deck_id" in bridge and "deck_id" not in {v.partition(" in ")[0].strip() for v in stated.columns.values()}:
        bridge -= {"deck_id"} if no_deck_number(table) is not None else set()
    key = bool(bridge & set(DECK_KEYS))
    name = _named_for(table, NAMED_FOR)
    words = {w for h in table.headers for w in normal(h).split()}
    drawn = "shape" in defect or set(STRIP) <= defect
    if table.shape is not None:
        import shapely

        drawn = drawn or bool((shapely.get_dimensions(table.shape) == 2).any())
    size = bool(bridge & {"length_m", "width_m"})
    told = bool(bridge & {"name", "longitude_deg", "latitude_deg", "built_year", "route", "detour_km"})
    if {"cs1", "cs2", "element"} <= has("element_quantity"):
        return "element_quantity"
    if table.shape is not None and base_kind(table) and not key:
        return "base"
    total = bool(survey & set(TOTALS))
    if key and not total and _is_closing(table, has("closing"), repair, named=name == "closing", drawn=drawn):
        return "closing"
    repairish = name == "repair" or bool(words & {"repair", "repaired", "treatment", "repairs"})
    if repairish and key and "repair_date" in repair:
        return "repair"
    named = key or "survey_id" in survey
    dated = "survey_date" in survey
    if named and drawn and not total and is_coverage(table.name):
        return "defect"
    if named and not total and (name == "defect" or (drawn and (dated or "survey_id" in defect) and name != "survey")):
        return "defect"
    if key and dated and not drawn and not total and "kind" in defect and "area_m2" in defect:
        return "defect"
    if key and dated and (total or bool({"surveyed_m2", "method"} & survey) or name == "survey"):
        return "survey"
    if key and dated and not total and "kind" in defect and set(SIDES) <= defect and "station" in words:
        return "defect"
    if not key and "survey_id" in survey and not drawn and (total or {"crew", "method"} & survey):
        return "survey"  # names surveys on record by their numbers; so below, repairs
    if not key and "repair_id" in repair and {"cost", "material", "volume_m3", "cure_h", "closure_h"} & repair:
        return "repair"
    rest = _rest_of(bridge, size=size, told=told, key=key)
    if not rest and key and (len(places(table)) == 2 or _says_what_it_is(table)):
        return "bridge"
    if not rest and key and table.shape is not None and name in ("bridge", "deck"):
        # An outline or a point with nothing but a bridge's number says where the bridge is.
        return name if "deck_id" in bridge else "bridge"
    return rest


# Words of headers by which a table tells of what was urgent and is dealt with.
_CLOSES = {"closed", "closing", "closings", "hazard", "hazards", "cause"}


def _says_what_it_is(table: Table) -> bool:
    """Whether a column of types or materials says of any row that it is a culvert, or what its deck is."""
    for index, header in enumerate(table.headers):
        of_deck = tells_kind(header)
        if of_deck is not None and any(kind_of_words(str(c), of_deck=of_deck) for c in once(table.cells[index])[1]):
            return True
    return False


def _is_closing(table: Table, closing: set[str], repair: set[str], *, named: bool, drawn: bool) -> bool:
    """Whether a table says what was dealt with, how and on whose word; a survey's "how" is a method."""
    if "closed_on" not in closing or "treatment" in repair or not {"how", "closed_by"} & closing:
        return False
    if named:
        return True
    how = next((i for i, h in enumerate(table.headers) if h and fits(h, _HOW) is not None), None)
    said = set() if how is None else {normal(str(c)) for c in table.cells[how].unique()} - {""}
    own = [h for h in table.headers if h and any(fits(h, c) is not None for c in RECORDS["closing"].columns)]
    if {w for h in own for w in normal(h).split()} & _CLOSES:
        return "closed_by" in closing or not said or not said <= METHOD_SAID
    return {"how", "closed_by"} <= closing and bool(said) and not said & METHOD_SAID and not drawn


def _rest_of(bridge: set[str], *, size: bool, told: bool, key: bool) -> str:
    if not key:
        return ""
    if "deck_rating" in bridge and not size and not told and ("rated_year" in bridge or "aadt" not in bridge):
        return "rating"
    if "aadt" in bridge and not size and not told:
        return "traffic"
    if "deck_id" in bridge and not told and (size or bool(bridge & {"centreline", "slab_mm", "bar_kind", "outline"})):
        return "deck"
    if size or told:
        return "bridge"
    return "condition" if "condition" in bridge else ""

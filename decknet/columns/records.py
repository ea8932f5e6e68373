"""Every kind of record: its columns and its key."""

from __future__ import annotations

from decknet.columns.choices import BAR_KINDS, BASE_KINDS, ENVIRONMENTS
from decknet.columns.column import CHOICE, DATE, FLAG, ID, NUMBER, SHAPE, TEXT, WHOLE, Column, Record
from decknet.columns.deck_kinds import DECK_KINDS
from decknet.columns.found import ACTIVE, CLOSING, DECK_ID, DEFECT, REPAIR, SURVEY

__all__ = ["BRIDGE", "RECORDS"]

_BRIDGE_ID = Column(
    "bridge_id",
    ID,
    "",
    "The owner's number for the bridge, kept as text with every leading zero.",
    required=True,
    also=(
        "bridge",
        "bridge no",
        "bridge number",
        "bridge nr",
        "structure number",
        "structure id",
        "structure no",
        "structure",
        "bridgeid",
        "bridge ref",
    ),
)
_LONGITUDE = Column(
    "longitude_deg",
    NUMBER,
    "deg",
    "Longitude of the middle of the deck, WGS 84, east positive.",
    -180,
    180,
    also=("longitude", "lon", "long", "lng", "x lon", "easting deg"),
)
_LATITUDE = Column(
    "latitude_deg",
    NUMBER,
    "deg",
    "Latitude of the middle of the deck, WGS 84, north positive.",
    -90,
    90,
    also=("latitude", "lat", "y lat", "northing deg"),
)

BRIDGE = Record(
    "bridge",
    "A bridge: what it is called, where it stands, what it carries.",
    ("bridge_id",),
    (
        _BRIDGE_ID,
        Column("name", TEXT, "", "What people call the bridge.", also=("bridge name", "structure name")),
        Column("route", TEXT, "", "Route carried.", also=("road", "route no", "route number", "highway", "carries")),
        Column(
            "district", TEXT, "", "District that answers for it.", also=("region", "division", "maintenance district")
        ),
        Column("place", TEXT, "", "Nearest town or a description of where it is.", also=("location", "town", "near")),
        _LONGITUDE,
        _LATITUDE,
        Column(
            "built_year",
            WHOLE,
            "yr",
            "Year the bridge was built.",
            1000,
            2100,
            also=("year built", "built", "construction year", "year of construction"),
        ),
        Column(
            "detour_km",
            NUMBER,
            "km",
            "Extra distance by the detour when the bridge is closed.",
            0,
            2000,
            also=("detour", "detour length", "bypass length"),
        ),
        Column("posted", FLAG, "", "Whether a load limit is posted.", also=("load posted", "posted for load")),
        Column("owner", TEXT, "", "Who owns it.", also=("owner name", "agency")),
        Column(
            "state_code",
            TEXT,
            "",
            "Code of its state in a national inventory, by which equal numbers of two states are told apart.",
            also=("state code",),
        ),
        Column("closed_to_traffic", FLAG, "", "Whether the bridge is closed to all traffic."),
    ),
)

DECK = Record(
    "deck",
    "A concrete deck: its size, make and place on the ground.",
    ("deck_id",),
    (
        DECK_ID,
        _BRIDGE_ID,
        Column(
            "length_m",
            NUMBER,
            "m",
            "Length along the centreline, first joint to last.",
            0.5,
            50_000,
            also=("deck length", "length", "structure length", "bridge length", "len", "deck len"),
        ),
        Column(
            "width_m",
            NUMBER,
            "m",
            "Width out to out, square to the centreline.",
            0.5,
            200,
            also=("deck width", "width", "out to out width", "deck width out to out", "wid", "deck wid"),
        ),
        Column(
            "outline",
            SHAPE,
            "m",
            "Deck edge as a polygon in station and offset, where it is not a rectangle.",
            also=("deck outline", "outline wkt"),
        ),
        Column(
            "slab_mm",
            NUMBER,
            "mm",
            "Slab thickness.",
            50,
            3000,
            also=("slab thickness", "slab", "deck thickness", "thickness"),
        ),
        Column(
            "cover_mm", NUMBER, "mm", "Concrete over the top bars.", 0, 300, also=("cover", "top cover", "bar cover")
        ),
        Column(
            "bar_kind",
            CHOICE,
            "",
            "Coating or kind of the top bars.",
            choices=BAR_KINDS,
            also=("bar", "bars", "rebar", "reinforcement", "bar type", "bar coating"),
        ),
        Column(
            "surface_kind",
            TEXT,
            "",
            "Bare, or the kind of overlay.",
            also=("surface", "overlay", "wearing surface", "overlay kind"),
        ),
        Column(
            "environment",
            CHOICE,
            "",
            "What the deck is exposed to.",
            choices=ENVIRONMENTS,
            also=("exposure", "environment class"),
        ),
        Column("lanes", WHOLE, "", "Traffic lanes on the deck.", 0, 30, also=("lanes on deck", "number of lanes")),
        Column("spans", WHOLE, "", "Spans.", 1, 500, also=("number of spans", "span count")),
        Column(
            "joints_m",
            TEXT,
            "m",
            "Stations of the joints between the first and the last, split by spaces.",
            also=("joints", "joint stations"),
        ),
        Column(
            "deck_built_year",
            WHOLE,
            "yr",
            "Year this deck was built, where it is younger than the bridge.",
            1800,
            2100,
            also=("deck year", "deck built", "deck year built"),
        ),
        _LONGITUDE,
        _LATITUDE,
        Column(
            "bearing_deg",
            NUMBER,
            "deg",
            "Direction of increasing station, clockwise from north.",
            0,
            360,
            also=("bearing", "azimuth", "heading", "direction deg"),
        ),
        Column(
            "centreline",
            SHAPE,
            "deg",
            "Centreline from the first joint on, a line in longitude and latitude.",
            also=("centerline", "alignment", "centreline wkt"),
        ),
        Column(
            "deck_kind",
            CHOICE,
            "",
            "What it is made of, or that it is a culvert; only concrete, or a kind not known, is ranked.",
            choices=DECK_KINDS,
        ),
        Column("kind_year", WHOLE, "yr", "Year of the inventory that says so.", 1900, 2100),
        Column("in_use", FLAG, "", "Whether it is in use; a retired deck is kept and not ranked."),
        Column("retired_on", DATE, "", "Day from which it is retired."),
        Column("retired_why", TEXT, "", "Why it is retired, and by which file."),
        Column(
            "deck_area_m2",
            NUMBER,
            "m2",
            "Area of the deck as the owner gives it, where length and width do not tell it.",
            0.25,
            10_000_000,
            also=("deck area", "area of deck", "bridge area", "deck surface", "deckarea", "fläche", "brückenfläche"),
        ),
    ),
)

TRAFFIC = Record(
    "traffic",
    "A traffic count or estimate for one year.",
    ("bridge_id", "year"),
    (
        _BRIDGE_ID,
        Column(
            "year",
            WHOLE,
            "yr",
            "Year the count stands for; missing where it was not given.",
            1900,
            2100,
            also=("count year", "traffic year", "aadt year", "year of count", "adt year"),
        ),
        Column(
            "aadt",
            NUMBER,
            "veh/day",
            "Annual average daily traffic, both directions.",
            0,
            500_000,
            required=True,
            also=(
                "adt",
                "traffic",
                "average daily traffic",
                "annual average daily traffic",
                "vehicles a day",
                "veh day",
                "vehicles per day",
            ),
        ),
        Column(
            "truck_share",
            NUMBER,
            "share",
            "Share of trucks in it.",
            0,
            1,
            also=("trucks", "truck", "heavy vehicles", "hgv", "percent trucks", "truck share"),
        ),
        Column(
            "speed_kmh", NUMBER, "km/h", "Usual or posted speed.", 0, 200, also=("speed", "posted speed", "speed limit")
        ),
        Column("source", TEXT, "", "Where the figure comes from.", also=("count source", "station name")),
    ),
)


RATING = Record(
    "rating",
    "A deck condition rating, 9 excellent to 0 failed, from an inventory.",
    ("bridge_id", "rated_year"),
    (
        _BRIDGE_ID,
        Column(
            "rated_year",
            WHOLE,
            "yr",
            "Year of the inventory or inspection; missing where it was not given.",
            1900,
            2100,
            also=("rating year",),
        ),
        Column(
            "deck_rating",
            WHOLE,
            "",
            "Deck condition rating.",
            0,
            9,
            required=True,
            also=("deck condition", "deck rating", "dk rating", "dkrating", "deck cond", "deck condition rating"),
        ),
    ),
)

CONDITION = Record(
    "condition",
    "What an owner says of a bridge's condition on a scale of its own: kept as written, and nothing is ranked on it.",
    ("bridge_id", "condition_year"),
    (
        _BRIDGE_ID,
        Column(
            "condition_year",
            WHOLE,
            "",
            "Year it is of; missing where it was not given.",
            1900,
            2100,
            also=("condition year", "index year"),
        ),
        Column(
            "condition",
            TEXT,
            "",
            "Condition of the bridge as written: a word, or a figure on the owner's scale.",
            required=True,
            also=(
                "bridge condition", "overall condition", "condition rating", "condition index", "condition score",
                "bridge condition index", "health index", "bridge rating", "poor status", "overall rating",
            ),
        ),
        Column(
            "condition_score",
            NUMBER,
            "share",
            "The figure between the worst end of its scale, 0, and the best, 1; missing where the ends are not stated.",
            0,
            1,
        ),
    ),
)  # fmt: skip

ELEMENT = Record(
    "element_quantity",
    "Quantities of a bridge element in condition states 1 to 4.",
    ("bridge_id", "quantity_date", "element", "parent_element"),
    (
        _BRIDGE_ID,
        Column("quantity_date", DATE, "", "Day of the inspection.", required=True, also=("date",)),
        Column("element", ID, "", "Element number.", required=True, also=("element number", "en")),
        Column(
            "parent_element", ID, "", "Element it belongs to; empty text where it stands alone.", also=("parent", "epn")
        ),
        Column("total", NUMBER, "", "Quantity in all.", 0, 1e9, also=("totalqty", "quantity")),
        Column("cs1", NUMBER, "", "Quantity in state 1.", 0, 1e9),
        Column("cs2", NUMBER, "", "Quantity in state 2.", 0, 1e9),
        Column("cs3", NUMBER, "", "Quantity in state 3.", 0, 1e9),
        Column("cs4", NUMBER, "", "Quantity in state 4.", 0, 1e9),
    ),
)

BASE = Record(
    "base",
    "A line, area or point of the district's own base map.",
    ("kind", "base_id"),
    (
        Column("base_id", ID, "", "The feature within its kind.", required=True, also=("id", "fid")),
        Column("kind", CHOICE, "", "What it is.", choices=BASE_KINDS, required=True),
        Column("name", TEXT, "", "What it is called.", also=("label",)),
        Column(
            "shape",
            SHAPE,
            "deg",
            "Where it is, in longitude and latitude.",
            required=True,
            also=("geometry", "geom", "wkt"),
        ),
    ),
)

RECORDS: dict[str, Record] = {
    r.kind: r
    for r in (BRIDGE, DECK, TRAFFIC, SURVEY, DEFECT, ACTIVE, REPAIR, CLOSING, RATING, CONDITION, ELEMENT, BASE)
}

"""Every kind of record: its columns and its key."""

from __future__ import annotations

from decknet.columns.choices import (
    BAR_KINDS,
    BASE_KINDS,
    DEFECT_KINDS,
    DEPTH_CLASSES,
    ENVIRONMENTS,
    METHODS,
    TREATMENTS,
)
from decknet.columns.column import CHOICE, DATE, FLAG, ID, NUMBER, SHAPE, TEXT, WHOLE, Column, Record

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
_DECK_ID = Column(
    "deck_id",
    ID,
    "",
    "The deck; a bridge with one deck lends it its own number.",
    required=True,
    also=("deck", "deck no", "deck number", "deckid"),
)
_SURVEY_ID = Column(
    "survey_id",
    ID,
    "",
    "The survey; made from deck, date and method where a file gives none.",
    required=True,
    also=("survey", "survey no", "survey number", "surveyid"),
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
            1800,
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
    ),
)

DECK = Record(
    "deck",
    "A concrete deck: its size, make and place on the ground.",
    ("deck_id",),
    (
        _DECK_ID,
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


def _area(name: str, meaning: str, *also: str) -> Column:
    return Column(name, NUMBER, "m2", meaning, 0, 1e6, also=also)


SURVEY = Record(
    "survey",
    "One survey of one deck: when, how, how much of it, and the totals found.",
    ("survey_id",),
    (
        _SURVEY_ID,
        _DECK_ID,
        Column(
            "survey_date",
            DATE,
            "",
            "Day of the survey.",
            required=True,
            also=("date", "date of survey", "surveyed", "inspection date", "surveyed on", "day"),
        ),
        Column(
            "method",
            CHOICE,
            "",
            "How the deck was surveyed.",
            choices=METHODS,
            also=("survey method", "technique", "how"),
        ),
        _area(
            "surveyed_m2",
            "Deck area surveyed; missing means the whole deck.",
            "surveyed",
            "area surveyed",
            "surveyed area",
            "inspected area",
        ),
        Column(
            "from_station_m",
            NUMBER,
            "m",
            "Surveyed strip: first station.",
            0,
            50_000,
            also=("surveyed from station", "from station"),
        ),
        Column(
            "to_station_m",
            NUMBER,
            "m",
            "Surveyed strip: last station.",
            0,
            50_000,
            also=("surveyed to station", "to station"),
        ),
        Column(
            "from_offset_m",
            NUMBER,
            "m",
            "Surveyed strip: left offset.",
            -200,
            200,
            also=("surveyed from offset", "from offset"),
        ),
        Column(
            "to_offset_m",
            NUMBER,
            "m",
            "Surveyed strip: right offset.",
            -200,
            200,
            also=("surveyed to offset", "to offset"),
        ),
        _area(
            "delaminated_m2",
            "Delaminated area found.",
            "delaminated",
            "delaminated area",
            "delamination",
            "delam",
            "hollow",
            "hollow area",
        ),
        _area("spalled_m2", "Spalled area found.", "spalled", "spalled area", "spall", "spalls"),
        _area("hole_m2", "Area of open full-depth holes.", "hole", "holes", "full depth holes"),
        _area("exposed_bar_m2", "Area with bars exposed.", "exposed bar", "exposed bars", "exposed rebar"),
        _area("failed_patch_m2", "Area of patches found unsound.", "failed patch", "failed patches", "unsound patches"),
        _area(
            "unsound_m2", "Unsound area in all, where the sheet states it.", "unsound", "unsound area", "total unsound"
        ),
        Column("crew", TEXT, "", "Who surveyed.", also=("survey crew", "inspector", "surveyed by", "team")),
        Column(
            "remarks", TEXT, "", "What the sheet says besides.", also=("remark", "notes", "note", "comment", "comments")
        ),
    ),
)

DEFECT = Record(
    "defect",
    "One defect found by a survey.",
    ("survey_id", "defect_id"),
    (
        _SURVEY_ID,
        Column(
            "defect_id",
            ID,
            "",
            "The defect within its survey; numbered in file order where none is given.",
            required=True,
            also=("polygon", "area no", "defect no", "defect number", "id", "mark", "polygon id"),
        ),
        Column(
            "kind",
            CHOICE,
            "",
            "What was found.",
            choices=DEFECT_KINDS,
            required=True,
            also=("defect kind", "defect type", "distress", "type", "defect"),
        ),
        Column("depth_mm", NUMBER, "mm", "Depth from the surface.", 0, 3000, also=("depth",)),
        _area("area_m2", "Area, where no shape is drawn.", "area", "defect area"),
        Column(
            "shape",
            SHAPE,
            "m",
            "Polygon in station and offset.",
            also=("wkt", "geometry", "geom", "polygon wkt", "outline wkt"),
        ),
    ),
)

ACTIVE = Record(
    "active_area",
    "An area where half-cell readings point to corroding bars; no hollow concrete, and no part of any share.",
    ("survey_id", "area_id"),
    (
        _SURVEY_ID,
        Column("area_id", ID, "", "The area within its survey.", required=True),
        Column("lowest_v", NUMBER, "V", "Lowest potential in it, against copper/copper sulfate.", -2, 2),
        _area("area_m2", "Area."),
        Column("shape", SHAPE, "m", "Polygon in station and offset.", also=("wkt", "geometry", "geom")),
    ),
)

REPAIR = Record(
    "repair",
    "One repair of one deck: what was done, where, with what, at what cost.",
    ("repair_id",),
    (
        Column(
            "repair_id",
            ID,
            "",
            "The repair; made from deck, date and order where a file gives none.",
            required=True,
            also=("repair", "repair no", "repair number", "job", "job no", "work order"),
        ),
        _DECK_ID,
        Column(
            "repair_date",
            DATE,
            "",
            "Day the repair was placed.",
            required=True,
            also=("date", "date of repair", "repaired", "repaired on", "placed", "day"),
        ),
        Column(
            "treatment",
            CHOICE,
            "",
            "What was done.",
            choices=TREATMENTS,
            required=True,
            also=("repair kind", "repair type", "work", "work done", "kind", "type"),
        ),
        Column(
            "depth_class", CHOICE, "", "Partial or full depth.", choices=DEPTH_CLASSES, also=("depth", "depth class")
        ),
        _area("area_m2", "Area repaired.", "area", "repaired", "repaired area", "patched", "patched area"),
        Column(
            "shape",
            SHAPE,
            "m",
            "Limits of the repair in station and offset.",
            also=("wkt", "geometry", "geom", "limits", "polygon wkt"),
        ),
        Column("volume_m3", NUMBER, "m3", "Concrete placed.", 0, 1e5, also=("volume", "concrete", "concrete placed")),
        Column("material", TEXT, "", "Patching material.", also=("mix", "patch material")),
        Column("cure_h", NUMBER, "h", "Cure before traffic.", 0, 10_000, also=("cure", "cure time", "curing")),
        Column("opened_at", TEXT, "", "When it was opened to traffic, ISO 8601.", also=("opened", "opened to traffic")),
        Column(
            "closure_h", NUMBER, "h", "Lane closure.", 0, 100_000, also=("closure", "lane closure", "closure hours")
        ),
        Column(
            "cost",
            NUMBER,
            "currency",
            "Cost in the money of its price year.",
            0,
            1e10,
            also=("cost total", "price", "amount"),
        ),
        Column("price_year", WHOLE, "yr", "Year of the cost's prices.", 1900, 2100, also=("cost year",)),
        Column("crew", TEXT, "", "Who did it.", also=("repair crew", "contractor", "done by", "team")),
        Column(
            "air_temperature_c",
            NUMBER,
            "°C",
            "Air temperature when placed.",
            -60,
            60,
            also=("air temperature", "temperature", "air temp"),
        ),
        Column(
            "remarks",
            TEXT,
            "",
            "What the record says besides.",
            also=("remark", "notes", "note", "comment", "comments"),
        ),
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
            "Year of the inventory or inspection.",
            1900,
            2100,
            required=True,
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
            also=("deck condition", "deck rating"),
        ),
    ),
)

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
    r.kind: r for r in (BRIDGE, DECK, TRAFFIC, SURVEY, DEFECT, ACTIVE, REPAIR, RATING, ELEMENT, BASE)
}

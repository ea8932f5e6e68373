"""What is found on decks and done to them: surveys, defects, repairs, closings."""

from __future__ import annotations

from decknet.columns.choices import CAUSES, DEFECT_KINDS, DEPTH_CLASSES, METHODS, TREATMENTS
from decknet.columns.column import CHOICE, DATE, ID, NUMBER, SHAPE, TEXT, WHOLE, Column, Record

__all__ = ["ACTIVE", "CLOSING", "DECK_ID", "DEFECT", "REPAIR", "SURVEY"]

DECK_ID = Column(
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


def _area(name: str, meaning: str, *also: str) -> Column:
    return Column(name, NUMBER, "m2", meaning, 0, 1e6, also=also)


SURVEY = Record(
    "survey",
    "One survey of one deck: when, how, how much of it, and the totals found.",
    ("survey_id",),
    (
        _SURVEY_ID,
        DECK_ID,
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
            "Deck area surveyed, where it is stated; missing means as far as the rest of the row says.",
            "surveyed",
            "area surveyed",
            "surveyed area",
            "inspected area",
            "coverage",
            "covered",
            "covered area",
            "area covered",
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
        Column(
            "coverage",
            SHAPE,
            "m",
            "Ground looked at, as a polygon in station and offset.",
            also=("coverage wkt", "area looked at", "area looked at wkt", "ground looked at", "survey limits"),
        ),
        Column(
            "looked_at",
            TEXT,
            "",
            "What was looked at in words: whole deck, or words that no place could be found for.",
            also=("part", "part surveyed", "looked at", "lane", "lanes", "span", "extent", "where", "part of deck"),
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
        DECK_ID,
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

CLOSING = Record(
    "closing",
    "Something urgent dealt with, on a named person's word.",
    ("closing_id",),
    (
        Column(
            "closing_id",
            ID,
            "",
            "The closing; made from deck, day, cause and place where a file gives none.",
            required=True,
            also=("closing", "closing no", "closing number"),
        ),
        DECK_ID,
        Column(
            "closed_on",
            DATE,
            "",
            "Day it was dealt with.",
            required=True,
            also=("closed", "date closed", "closing date", "date", "dealt with on", "day closed"),
        ),
        Column(
            "cause",
            CHOICE,
            "",
            "Which cause is dealt with.",
            choices=CAUSES,
            also=("hazard cause", "cause closed", "hazard kind", "hazard type"),
        ),
        Column(
            "hazard",
            TEXT,
            "",
            "Number of the hazard dealt with, as the list of hazards has it, or all.",
            also=("hazard no", "hazard number", "hazard id", "hazards"),
        ),
        Column(
            "station_m",
            NUMBER,
            "m",
            "Where: station.",
            0,
            50_000,
            also=("station", "at station", "sta"),
        ),
        Column(
            "offset_m",
            NUMBER,
            "m",
            "Where: offset, positive right looking up-station.",
            -200,
            200,
            also=("offset", "at offset"),
        ),
        Column(
            "shape",
            SHAPE,
            "m",
            "Where, as a polygon in station and offset.",
            also=("wkt", "geometry", "geom", "polygon wkt"),
        ),
        Column(
            "closed_by",
            TEXT,
            "",
            "Who says so.",
            required=True,
            also=("by", "by whom", "who", "closed by whom", "signed by", "signed"),
        ),
        Column(
            "how",
            TEXT,
            "",
            "What was done about it.",
            required=True,
            also=(
                "what was done",
                "action",
                "action taken",
                "how closed",
                "how it was closed",
                "dealt with how",
            ),
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

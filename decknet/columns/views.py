"""The views that queries read: each column's name, type, unit and meaning."""

from __future__ import annotations

from collections.abc import Iterable

from decknet.columns.column import CHOICE, DATE, NUMBER, SHAPE, TEXT, WHOLE, Column, Record
from decknet.columns.hazard import HAZARD
from decknet.columns.log import LOG
from decknet.columns.records import RECORDS
from decknet.columns.status import STATUS

__all__ = ["EVENTS", "SOURCE", "STORY", "VIEWS", "view_column", "view_reference"]

# Where a row comes from; every view of records ends with these.
SOURCE: tuple[Column, ...] = (
    Column("file", TEXT, "", "File that brought the record in, the newest one where several did."),
    Column("sheet", TEXT, "", "Sheet or layer of that file; empty where it has none."),
    Column("line", WHOLE, "", "Line in that file, the header being 1."),
)


def _of(kind: str, *names: str) -> tuple[Column, ...]:
    """Columns as the record of that kind has them, in the order named."""
    known = {c.name: c for c in RECORDS[kind].columns}
    return tuple(known[name] for name in names)


def _status(*names: str) -> tuple[Column, ...]:
    known = {c.name: c for c in STATUS}
    return tuple(known[name] for name in names)


_WHERE = (*_of("deck", "deck_id", "bridge_id"), *_of("bridge", "name", "route", "district"))
_WHERE_BRIDGE = _of("bridge", "bridge_id", "name", "route", "district")
_YEAR = Column("year", WHOLE, "yr", "Calendar year.")

_DECK_STATUS = Record(
    "deck_status",
    "Every deck as it stands on the day of the analysis: size, how it is known, share, growth, traffic, rank and why.",
    ("deck_id",),
    (*STATUS, Column("ground", SHAPE, "deg", "Middle of the deck as a point in longitude and latitude.")),
)

_SURVEY_HISTORY = Record(
    "survey_history",
    "Every survey that counts, with what it found. Areas drawn over one another count once, nothing beyond the edge.",
    ("survey_id",),
    (
        *_of("survey", "survey_id"),
        *_WHERE,
        *_of("survey", "survey_date", "method", "crew"),
        Column("covered_m2", NUMBER, "m2", "Deck area that the survey covered."),
        Column("covered_share", NUMBER, "share", "Part of the deck that it covered."),
        Column("unsound_m2", NUMBER, "m2", "Unsound area found: delaminated, spalled, holed, or a failed patch."),
        *_of("survey", "delaminated_m2", "spalled_m2", "hole_m2", "exposed_bar_m2", "failed_patch_m2"),
        Column("outside_m2", NUMBER, "m2", "Area drawn beyond the deck's edge, in no figure here."),
        Column("unsound_share", NUMBER, "share", "Unsound area over the area covered."),
        Column("delaminated_share", NUMBER, "share", "Delaminated area over the area covered."),
        Column("measured_from", TEXT, "", "Where the areas come from: polygons or totals; missing where neither is."),
        Column("defects", WHOLE, "", "Defects listed for the survey."),
        *_of("survey", "remarks"),
        *SOURCE,
        Column("ground", SHAPE, "deg", "Unsound areas drawn, laid on the ground in longitude and latitude."),
    ),
)

_REPAIR_HISTORY = Record(
    "repair_history",
    "Every repair that counts: what was done, where, with what, at what cost.",
    ("repair_id",),
    (
        *_of("repair", "repair_id"),
        *_WHERE,
        *_of("repair", "repair_date", "treatment", "depth_class", "area_m2", "volume_m3", "material", "cure_h"),
        *_of("repair", "opened_at", "closure_h", "cost", "price_year"),
        Column("cost_per_m2", NUMBER, "currency/m2", "Cost over area, in the money of its price year."),
        *_of("repair", "crew", "air_temperature_c", "remarks"),
        *SOURCE,
        Column("ground", SHAPE, "deg", "Limits of the repair, laid on the ground in longitude and latitude."),
    ),
)

_REPAIR_OUTCOME = Record(
    "repair_outcome",
    "What became of every repair: patches followed through later surveys, and the deck's share before and after.",
    ("repair_id",),
    (
        *_of("repair", "repair_id"),
        *_WHERE,
        *_of("repair", "repair_date", "treatment", "depth_class", "material"),
        Column("season", TEXT, "", "Season in which a followed patch was placed, by the side of the equator."),
        Column("temperature", TEXT, "", "Class of the air temperature when a followed patch was placed."),
        *_of("repair", "crew", "area_m2", "cost"),
        Column(
            "outcome",
            CHOICE,
            "",
            "What later surveys say of it. Only patches are followed.",
            choices=("held at last look", "failed", "not looked at", "not followed"),
        ),
        Column("looks", WHOLE, "", "Later surveys that looked at the patch."),
        Column("held_yr", NUMBER, "yr", "Age at which the patch was last seen to hold; 0 where it never was."),
        Column("failed_by_yr", NUMBER, "yr", "Age at which it was first seen failed; missing where it was not."),
        Column("followed_by", TEXT, "", "Followed by its polygons, or by the deck's stated area of failed patches."),
        Column("before_date", DATE, "", "Last survey of the deck before the repair."),
        Column("before_share", NUMBER, "share", "Unsound share it found."),
        Column("after_date", DATE, "", "First survey of the deck after the repair."),
        Column("after_share", NUMBER, "share", "Unsound share it found."),
    ),
)

_LINE = {c.name: c for c in LOG["programme_line"].columns}
_PROGRAMME = Column("programme", TEXT, "", "Name that the programme is kept under.")

_PROGRAMME_LINES = Record(
    "programme_lines",
    "Every line of every programme that is kept.",
    ("programme", "deck_id", "year"),
    (
        _PROGRAMME,
        Column("made_on", DATE, "", "Day the programme was made."),
        _LINE["year"],
        *_WHERE,
        *(c for c in _LINE.values() if c.name not in {"programme_id", "deck_id", "year"}),
    ),
)

_PROGRAMME_OUTCOME = Record(
    "programme_outcome",
    "Every line of every programme that is kept, held against the repairs recorded since it was made.",
    ("programme", "deck_id", "year"),
    (
        _PROGRAMME,
        _LINE["year"],
        *_WHERE,
        _LINE["treatment"],
        Column(
            "fate",
            CHOICE,
            "",
            "What became of the line; changed means that other works were done.",
            choices=("done", "changed", "not done", "not yet due"),
        ),
        Column("done_treatment", TEXT, "", "What was done instead or as planned."),
        Column("done_date", DATE, "", "Day the last of it was placed."),
        _LINE["cost"],
        Column("done_cost", NUMBER, "currency", "Cost recorded of what was done."),
        _LINE["repair_m2"],
        Column("done_m2", NUMBER, "m2", "Area recorded of what was done."),
    ),
)

_TRAFFIC_BY_YEAR = Record(
    "traffic_by_year",
    "Every count or estimate of traffic that counts; a count without a year is in the view traffic.",
    ("bridge_id", "year"),
    (
        *_WHERE_BRIDGE,
        *_of("traffic", "year", "aadt", "truck_share"),
        Column("trucks", NUMBER, "veh/day", "Trucks a day: traffic times share of trucks."),
        *_of("traffic", "speed_kmh", "source"),
        Column("change_per_yr", NUMBER, "share/yr", "Yearly change since the count before, compounded."),
    ),
)

_NETWORK_BY_YEAR = Record(
    "network_by_year",
    "Year by year, what was surveyed, found, repaired and counted. Shares are of what was surveyed that year, which is "
    "not the network: crews go where they are needed.",
    ("year",),
    (
        _YEAR,
        Column("surveys", WHOLE, "", "Surveys of that year."),
        Column("decks_surveyed", WHOLE, "", "Decks surveyed in it."),
        Column("decks_ever", WHOLE, "", "Decks surveyed at least once by its end."),
        Column("covered_m2", NUMBER, "m2", "Deck area covered, part surveys by their part."),
        Column("unsound_m2", NUMBER, "m2", "Unsound area found."),
        Column("unsound_share", NUMBER, "share", "Unsound area over area covered, of surveys that state both."),
        Column("failed_patch_m2", NUMBER, "m2", "Area of patches found unsound."),
        Column("repairs", WHOLE, "", "Repairs of that year, each area a repair where limits are drawn."),
        Column("decks_repaired", WHOLE, "", "Decks repaired in it."),
        Column("repaired_m2", NUMBER, "m2", "Area repaired, overlays and new decks included."),
        Column("patched_m2", NUMBER, "m2", "Area patched."),
        Column("repair_cost", NUMBER, "currency", "Cost recorded, each in the money of its own price year."),
        Column("counts", WHOLE, "", "Traffic counts of that year."),
    ),
)

_RECORDS = tuple(Record(r.kind, r.meaning, r.key, (*r.columns, *SOURCE)) for r in RECORDS.values())

# Name of a view -> its columns. First those made for questions, then the records as they count now.
VIEWS: dict[str, Record] = {
    view.kind: view
    for view in (
        _DECK_STATUS,
        HAZARD,
        _SURVEY_HISTORY,
        _REPAIR_HISTORY,
        _REPAIR_OUTCOME,
        _PROGRAMME_LINES,
        _PROGRAMME_OUTCOME,
        _TRAFFIC_BY_YEAR,
        _NETWORK_BY_YEAR,
        *_RECORDS,
    )
}

EVENTS = (
    "built", "rated", "counted", "surveyed", "repaired", "closed", "planned", "done", "corrected", "refused",
    "taken back",
)  # fmt: skip

# The frame of a deck's story.
STORY: tuple[Column, ...] = (
    Column("day", TEXT, "", "When, as far as it is known: a day, or a year alone."),
    Column("event", CHOICE, "", "What kind of event it is.", choices=EVENTS),
    Column("what", TEXT, "", "What happened, in words."),
    Column("unsound_share", NUMBER, "share", "Unsound share found, where the event is a survey."),
    Column("area_m2", NUMBER, "m2", "Unsound area found, or area repaired or planned."),
    Column("cost", NUMBER, "currency", "Cost recorded or planned."),
    Column("counts", TEXT, "", "Whether the row counts now: yes, corrected since, or taken back."),
    *SOURCE,
)  # fmt: skip


def view_column(name: str, views: Iterable[str] = ()) -> Column | None:
    """The column of that name in the views named, else in any.

    Examples
    --------
    >>> view_column("repaired_m2").unit
    'm2'
    """
    for view in (*views, *VIEWS):
        for column in VIEWS[view].columns if view in VIEWS else ():
            if column.name == name:
                return column
    return None


def view_reference() -> str:
    """The columns of the views made for questions, as Markdown tables.

    Examples
    --------
    >>> view_reference().startswith("**deck_status**")
    True
    """
    parts = []
    for view in VIEWS.values():
        if view.kind in RECORDS:
            continue
        lines = [
            f"**{view.kind}**: {view.meaning}",
            "",
            "| column | type | unit | meaning |",
            "| --- | --- | --- | --- |",
        ]
        for c in view.columns:
            words = f" One of: {', '.join(c.choices)}." if c.choices else ""
            lines.append(f"| `{c.name}` | {c.kind} | {c.unit} | {c.meaning}{words} |")
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"

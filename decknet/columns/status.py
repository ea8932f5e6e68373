"""The frames that travel between rooms: faults, and the status of decks; and the column reference."""

from __future__ import annotations

from decknet.columns.choices import BAR_KINDS, ENVIRONMENTS
from decknet.columns.column import CHOICE, DATE, FLAG, NUMBER, TEXT, WHOLE, Column
from decknet.columns.records import BRIDGE, RECORDS

__all__ = ["FAULT", "STATUS", "column", "reference"]

# Faults found while reading: what `load` prints and the intake log keeps.
FAULT = (
    "file",  # file name as given
    "sheet",  # sheet or layer, empty where the file has none
    "line",  # line as a text editor or sheet counts, the header being 1
    "column",  # header as written in the file; empty where the whole row is meant
    "value",  # as found
    "code",  # short code of the rule, e.g. R-UNKNOWN-DECK
    "rule",  # what is needed
    "remedy",  # what to do
    "severity",  # refuse | flag | set aside | repeat
    "row",  # the whole raw row as JSON
)

# The deck status frame, one row a deck: what flow hands to every output.
STATUS: tuple[Column, ...] = (
    RECORDS["deck"].columns[0],
    RECORDS["bridge"].columns[0],
    *(c for c in BRIDGE.columns if c.name in {"name", "route", "district", "place"}),
    Column("longitude_deg", NUMBER, "deg", "Longitude of the middle of the deck; missing where not known."),
    Column("latitude_deg", NUMBER, "deg", "Latitude of the middle of the deck; missing where not known."),
    Column("length_m", NUMBER, "m", "Deck length."),
    Column("width_m", NUMBER, "m", "Deck width."),
    Column("area_m2", NUMBER, "m2", "Deck area; missing where length or width is not known."),
    Column("built_year", WHOLE, "yr", "Year the deck was built."),
    Column("bar_kind", CHOICE, "", "Kind of the top bars.", choices=BAR_KINDS),
    Column("surface_kind", TEXT, "", "Bare, or the kind of overlay."),
    Column("environment", CHOICE, "", "Exposure.", choices=ENVIRONMENTS),
    Column("lanes", WHOLE, "", "Traffic lanes on the deck."),
    Column("deck_rating", WHOLE, "", "Latest deck condition rating, 9 to 0."),
    Column("aadt", NUMBER, "veh/day", "Traffic used in the ranking, brought to the year of the analysis."),
    Column("aadt_count", NUMBER, "veh/day", "The last count as counted; missing where the traffic was filled in."),
    Column("aadt_year", WHOLE, "yr", "Year of the count used; missing where it was filled in or not given."),
    Column(
        "aadt_from",
        TEXT,
        "",
        "Where the traffic comes from: count, old count, undated count, route, class, network, assumption.",
    ),
    Column("truck_share", NUMBER, "share", "Share of trucks."),
    Column("detour_km", NUMBER, "km", "Detour."),
    Column("posted", FLAG, "", "Load limit posted."),
    Column("surveys", WHOLE, "", "Surveys on record."),
    Column("survey_date", DATE, "", "Last survey."),
    Column("method", TEXT, "", "Method of the last survey."),
    Column("covered_share", NUMBER, "share", "Part of the deck that surveys have looked at; the rest is not known."),
    Column("fresh_share", NUMBER, "share", "Part of it looked at within a year of the last survey."),
    Column("oldest_look", DATE, "", "Oldest survey that still counts for some place on the deck."),
    Column("looked", TEXT, "", "How much of the deck was looked at, and when the rest; missing where all at one time."),
    Column("unsound_m2", NUMBER, "m2", "Unsound area of the deck as known at the last survey."),
    Column("delaminated_m2", NUMBER, "m2", "Delaminated area of the deck as known at the last survey."),
    Column("unsound_share", NUMBER, "share", "Unsound share of the area looked at, as known at the last survey."),
    Column(
        "delaminated_share", NUMBER, "share", "Delaminated share of the area looked at, as known at the last survey."
    ),
    Column(
        "found_grown",
        NUMBER,
        "share",
        "What was found, grown to the day of the analysis at the deck's own growth; missing where works since have "
        "changed it.",
    ),
    Column("hole_m2", NUMBER, "m2", "Open full-depth holes as known at the last survey."),
    Column("exposed_bar_m2", NUMBER, "m2", "Area with bars exposed as known at the last survey."),
    Column("share_now", NUMBER, "share", "Unsound share expected on the day of the analysis."),
    Column("share_low", NUMBER, "share", "10 % quantile of it."),
    Column("share_high", NUMBER, "share", "90 % quantile of it."),
    Column("share_from", TEXT, "", "What it rests on: survey, rating, network or assumption."),
    Column("growth_per_yr", NUMBER, "share/yr", "Growth of the unsound share in a year, as a share of the deck."),
    Column("growth_low", NUMBER, "share/yr", "10 % quantile of it."),
    Column("growth_high", NUMBER, "share/yr", "90 % quantile of it."),
    Column("growth_from", TEXT, "", "What it rests on: own surveys, network or assumption."),
    Column("rank", WHOLE, "", "Place in the ranking; 1 is first."),
    Column("rank_low", WHOLE, "", "Best place of its 80 % range of rank."),
    Column("rank_high", WHOLE, "", "Worst place of its 80 % range of rank."),
    Column("rank_mean", NUMBER, "", "Expected rank over the draws."),
    Column("rank_group", WHOLE, "", "Decks of one number cannot be told apart from the first of them."),
    Column("chance_first", NUMBER, "share", "Chance of belonging to the first so many (settings, rank.first)."),
    Column("priority", NUMBER, "points", "Priority, 0 to 100."),
    Column("points_share", NUMBER, "points", "Points from the delaminated share."),
    Column("points_growth", NUMBER, "points", "Points from growth."),
    Column("points_traffic", NUMBER, "points", "Points from traffic."),
    Column("points_other", NUMBER, "points", "Points from whatever else weighs."),
    Column("reason", TEXT, "", "Why the deck stands where it does, in a sentence."),
    Column("sound_due", DATE, "", "Day by which it is due to be sounded again."),
    Column("urgent", TEXT, "", "Why it cannot wait, where it cannot; else missing."),
    Column(
        "urgent_state",
        CHOICE,
        "",
        "Of a deck that cannot wait: whether any of it is open, or all of it to confirm.",
        choices=("open", "to confirm"),
    ),
)

_BY_NAME: dict[str, Column] = {c.name: c for c in STATUS}
for _record in RECORDS.values():
    for _column in _record.columns:
        _BY_NAME.setdefault(_column.name, _column)


def column(name: str) -> Column | None:
    """The column of that name, in any record or in the status frame."""
    return _BY_NAME.get(name)


def reference() -> str:
    """The columns of every record as Markdown tables: name, unit, meaning, headers recognised.

    Examples
    --------
    >>> reference().startswith("**bridge**")
    True
    """
    parts = []
    for record in RECORDS.values():
        lines = [
            f"**{record.kind.replace('_', ' ')}**: {record.meaning}",
            "",
            "| column | unit | meaning | also recognised as |",
            "| --- | --- | --- | --- |",
        ]
        for c in record.columns:
            need = " Needed." if c.required else ""
            words = f" One of: {', '.join(c.choices)}." if c.choices else ""
            lines.append(f"| `{c.name}` | {c.unit} | {c.meaning}{words}{need} | {', '.join(c.also)} |")
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"

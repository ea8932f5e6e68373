"""The hazards ledger as queries, the terminal and Python give it."""

from __future__ import annotations

from decknet.columns.choices import CAUSES
from decknet.columns.column import CHOICE, DATE, ID, NUMBER, SHAPE, TEXT, WHOLE, Column, Record
from decknet.columns.records import RECORDS

__all__ = ["HAZARD"]

_DECK = {c.name: c for c in RECORDS["deck"].columns}
_BRIDGE = {c.name: c for c in RECORDS["bridge"].columns}

HAZARD = Record(
    "hazard",
    "Every hazard that the records tell of: what opened it, what has become of it since, and what ends it.",
    ("hazard_id",),
    (
        Column("hazard_id", ID, "", "Its number, made from the record that opened it."),
        _DECK["deck_id"],
        _DECK["bridge_id"],
        *(_BRIDGE[name] for name in ("name", "route", "district")),
        Column("cause", CHOICE, "", "What it is.", choices=CAUSES),
        Column(
            "state", CHOICE, "",
            "Open; to confirm, where something may have dealt with it and does not say so; or closed.",
            choices=("open", "to confirm", "closed"),
        ),
        Column("what", TEXT, "", "What was found, in words."),
        Column("place", TEXT, "", "Where on the deck, in words; empty where it is not on record or is the deck."),
        Column("station_m", NUMBER, "m", "Station of the middle of it; missing where its place is not on record."),
        Column("offset_m", NUMBER, "m", "Offset of the middle of it, positive right; missing where not on record."),
        Column(
            "amount", NUMBER, "",
            "How much: m2 of a hole or of bars, share past the threshold, or rating; missing where not known.",
        ),
        Column("opened", DATE, "", "Day it was found."),
        Column("found_by", TEXT, "", "What found it."),
        Column("last_seen", DATE, "", "Day it was last found there."),
        Column("days_open", WHOLE, "days", "Days from then to its closing, else to the day asked about."),
        Column("days", WHOLE, "days", "Days allowed to deal with it."),
        Column("due", DATE, "", "Day by which it is to be dealt with."),
        Column("closed", DATE, "", "Day of its closing; missing where it is not closed."),
        Column("closed_by", TEXT, "", "What closed it: a repair, a later look, or a named person's word."),
        Column("doubts", TEXT, "", "Of one to confirm: why, such as what may have dealt with it."),
        Column("remark", TEXT, "", "The remark that it rests on, where it is one."),
        Column("settles", TEXT, "", "What ends it."),
        Column("shape", SHAPE, "m", "Where on the deck it still is, in station and offset; missing where not known."),
        Column(
            "ground", SHAPE, "deg",
            "Longitude and latitude: a point inside its place where that is known, else the middle of the deck.",
        ),
    ),
)  # fmt: skip

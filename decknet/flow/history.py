"""Use case of the record: what was found and done across the network; a deck's story is in ``story``."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from decknet import digits
from decknet.columns.views import VIEWS
from decknet.errors import RecordError
from decknet.flow.ask import Answer, query
from decknet.flow.reading import AsOf
from decknet.flow.story import Story, as_answer, deck_story
from decknet.keep.ask import ready_question
from decknet.settings import Settings

__all__ = ["OUTCOMES", "Filters", "Story", "as_answer", "deck_story", "for_print", "found_and_done", "in_words", "sums"]

OUTCOMES = next(c.choices for c in VIEWS["repair_outcome"].columns if c.name == "outcome")
_WHOLE_YEAR = re.compile(r"\d{4}")


@dataclass(frozen=True, slots=True)
class Filters:
    """Which of what was found and done is wanted; None means all.

    Attributes
    ----------
    deck : a deck, or a bridge with all its decks
    route, district : in full, capitals or not
    since, until : a day, or a year alone
    event : surveyed or repaired
    method, treatment, material, crew : any part of the words
    outcome : one of ``OUTCOMES``
    least_share : surveys that found at least this unsound share (0 to 1)
    """

    deck: str | None = None
    route: str | None = None
    district: str | None = None
    since: str | None = None
    until: str | None = None
    event: str | None = None
    method: str | None = None
    treatment: str | None = None
    material: str | None = None
    crew: str | None = None
    outcome: str | None = None
    least_share: float | None = None

    def given(self) -> dict[str, Any]:
        """Those that were given."""
        values = {name: getattr(self, name) for name in self.__slots__}
        return {name: value for name, value in values.items() if value is not None}


# ---- across the network -----------------------------------------------------------------------------


def _day(text: str | None, name: str, *, last: bool) -> str | None:
    """A day, or a year alone as its first or last day, in ISO form."""
    if text is None:
        return None
    if _WHOLE_YEAR.fullmatch(text):
        return f"{text}-12-31" if last else f"{text}-01-01"
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise RecordError(f"{name} {text!r}: not a day or a year. Write 2026-05-12 or 2026.") from None


def found_and_done(
    path: Path, filters: Filters, *, asked: AsOf, settings: Settings, rows: int = 100_000, wait_s: float = 0.0
) -> Answer:
    """What was found and done, when, by whom, at what cost, and whether it held.

    Returns
    -------
    Answer
        One row a survey or repair, by day: day, event, deck_id, name, route, what, material, crew, area_m2,
        unsound_share, cost, outcome, file, sheet, line.

    Raises
    ------
    RecordError
        A filter names what is not on record; what is, is listed.
    """
    for name, known in (("event", ("surveyed", "repaired")), ("outcome", OUTCOMES)):
        said = getattr(filters, name)
        if said is not None and said not in known:
            raise RecordError(f"{name} {said!r}: not known here. Say {', '.join(known)}.")
    values = {name: getattr(filters, name) for name in filters.__slots__}
    values["since"] = _day(filters.since, "since", last=False)
    values["until"] = _day(filters.until, "until", last=True)

    def ask(chosen: Mapping[str, Any], most: int) -> Answer:
        return query(
            path,
            ready_question("found_and_done"),
            asked=asked,
            settings=settings,
            params=chosen,
            rows=most,
            wait_s=wait_s,
        )

    found = ask(values, rows)
    if found.frame.empty:
        _say_what_is_known(ask, filters)
    return found


def _say_what_is_known(ask: Callable[[Mapping[str, Any], int], Answer], filters: Filters) -> None:
    """Raise where a filter by itself already finds nothing."""
    whole = ask(dict.fromkeys(filters.__slots__), 10_000_000).frame
    if whole.empty:
        return
    of = {
        "deck": "deck_id",
        "route": "route",
        "material": "material",
        "crew": "crew",
        "method": "what",
        "treatment": "what",
    }
    for name, column in of.items():
        said = getattr(filters, name)
        if said is None:
            continue
        rows = whole
        if name in {"method", "treatment"}:
            rows = whole[whole["event"] == ("surveyed" if name == "method" else "repaired")]
        known = sorted(rows[column].dropna().unique())
        near = [k for k in known if said.lower() in k.lower()]
        if not near:
            some = difflib.get_close_matches(said, known, n=5, cutoff=0.5) if len(known) > 12 else known
            raise RecordError(f"{name} {said!r}: none on record. Known: {', '.join(some or known[:12]) or 'none'}.")


def for_print(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with what belongs together in one column, and without columns that hold nothing."""
    place = frame["sheet"].fillna("").map(lambda s: f" {s} " if s else " line ")
    material = frame["material"].map(lambda m: f", {m}" if isinstance(m, str) else "")
    joined = frame.assign(what=frame["what"] + material, file=frame["file"] + place + frame["line"].astype("str"))
    names = [
        "day",
        "event",
        "deck_id",
        "what",
        "area_m2",
        "unsound_share",
        "cost",
        "outcome",
        "file",
        "crew",
        "route",
        "name",
    ]
    return joined[[n for n in names if joined[n].notna().any()]]


def sums(frame: pd.DataFrame) -> dict[str, float]:
    """What of the rows adds up: surveys and repairs, decks of each, area, cost, patches looked at and failed."""
    found, done = frame[frame["event"] == "surveyed"], frame[frame["event"] == "repaired"]
    looked = done["outcome"].isin(["held at last look", "failed"])
    return {
        "surveys": len(found), "decks_surveyed": found["deck_id"].nunique(), "repairs": len(done),
        "decks_repaired": done["deck_id"].nunique(), "repaired_m2": float(done["area_m2"].sum()),
        "cost": float(done["cost"].sum()), "looked_at": int(looked.sum()),
        "failed": int((done["outcome"] == "failed").sum()),
    }  # fmt: skip


def in_words(sums: Mapping[str, float], currency: str) -> str:
    """The sums as a sentence or two."""
    surveys = (
        f"{digits.counted(sums['surveys'], 'survey')} of {digits.counted(sums['decks_surveyed'], 'deck')}"
        if sums["surveys"]
        else ""
    )
    repairs = ""
    if sums["repairs"]:
        size = f"{digits.area(sums['repaired_m2'])} m², {digits.money(sums['cost'])} {currency}"
        repairs = f"{digits.counted(sums['repairs'], 'repair')} of {digits.counted(sums['decks_repaired'], 'deck')}: "
        repairs += f"{size} in the money of their years"
    looked = (
        f"Of {digits.counted(sums['looked_at'], 'patch', 'patches')} looked at since, {digits.count(sums['failed'])} "
        "had failed."
    )
    said = "; ".join(part for part in (surveys, repairs) if part)
    return f"{said}. {looked if sums['looked_at'] else ''}".rstrip() if said else "Nothing on record answers to this."

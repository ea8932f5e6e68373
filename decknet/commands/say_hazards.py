"""How what cannot wait is printed: the act-now lines, the hazards ledger, and what a closing does."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from decknet import digits

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.flow import Closes, Condition, Loaded

__all__ = ["closed", "counted", "hazards", "urgent"]

_HEADS = (("open", "Open"), ("to confirm", "To confirm"), ("closed", "Closed"))
_PLACED = ("open hole", "exposed bar")  # causes that lie somewhere on the deck


def counted(network: Condition) -> str:
    """How many decks cannot wait, and how many of them have something open."""
    counts = network.hazard_counts
    is_open, unsure = counts["decks_open"], counts["decks_to_confirm"]
    every = is_open + unsure
    return (
        f"{digits.counted(every, 'deck')} cannot wait: "
        f"{digits.count(is_open)} with something open, {digits.count(unsure)} to confirm"
    )


def _line(out: Console, words: str, indent: int) -> None:
    """A line, and what does not fit below it, as far in."""
    from rich.padding import Padding
    from rich.text import Text

    out.print(Padding(Text(words), (0, 0, 0, indent), expand=False))


def urgent(out: Console, network: Condition) -> None:
    """Print what cannot wait: open first, then what is to be confirmed."""
    if network.urgent.empty:
        return
    names = network.status.set_index("deck_id")["name"]
    out.print(f"Act now: {counted(network)}.")
    for state, head in _HEADS[:2]:
        rows = network.urgent[network.urgent["state"] == state]
        if len(rows):
            out.print(f"{head}:")
        for r in rows.itertuples():
            name = names.get(r.deck_id)
            called = f" {name}" if isinstance(name, str) else ""
            when = f"found {r.since:%Y-%m-%d}; due {r.due:%Y-%m-%d}"
            _line(out, f"{r.deck_id}{called}: {r.why}, {when}: {r.closed_by}.", 2)


def hazards(out: Console, network: Condition, rows: pd.DataFrame, *, every: bool) -> None:
    """Print the ledger, state by state, with the number that a closing names."""
    for state, head in _HEADS:
        mine = rows[rows["state"] == state]
        if len(mine):
            out.print(f"{head}: {digits.count(len(mine))}")
        for r in mine.itertuples():
            _one(out, r, state)
    live = int((rows["state"] != "closed").sum())
    told = "" if live else "Nothing is open or to confirm. That is not a finding that any deck is safe. "
    gone = int((network.ledger["state"] == "closed").sum())
    more = f"{digits.count(gone)} closed in the district: --all lists them too. " if gone and not every else ""
    out.print(f"{told}{more}Figures of {network.today}. Close one with: decknet close STORE DECK --hazard NUMBER")


def _one(out: Console, r: Any, state: str) -> None:
    name = f" {r.name}" if isinstance(r.name, str) and r.name else ""
    _line(out, f"{r.deck_id}{name}: {r.what}{_where(r)}. Number {r.hazard_id}", 2)
    days = digits.counted(r.days_open, "day")
    if state == "closed":
        out.print(
            f"    Found {r.opened:%Y-%m-%d} by {r.found_by}; closed {r.closed:%Y-%m-%d} after {days}: {r.closed_by}."
        )
        return
    seen = f", last seen {r.last_seen:%Y-%m-%d}" if r.last_seen > r.opened else ""
    _line(out, f"Found {r.opened:%Y-%m-%d} by {r.found_by}{seen}; open {days}, due {r.due:%Y-%m-%d}.", 4)
    if state == "to confirm":
        _line(out, f"To confirm because: {r.doubts}.", 4)
    _line(out, f"{r.settles[0].upper()}{r.settles[1:]}.", 4)


def _where(r: Any) -> str:
    if r.place:
        return f", {r.place}"
    return ", place not on record" if r.cause in _PLACED else ""


def closed(out: Console, one: Loaded, store: Path) -> None:
    """Print that a closing is stored, or was before, and what it does to the hazards of its deck."""
    from decknet.commands.say import faults

    if one.closes is not None:
        for line in _does(one.closes):
            out.print(line)
    if one.intake is None or one.intake.intake_id is None:
        said = f" as intake {one.already}" if one.already is not None else ""
        out.print(f"Recorded before{said}. Nothing changed.")
        return
    number = one.intake.intake_id
    out.print(f"Recorded as intake {number}. Take it back with: decknet undo {store} {number}")
    if one.reading is not None:
        faults(out, one.reading.faults, every=True, number=number, store=store)


def _does(closes: Closes) -> Iterable[str]:
    for r in closes.closed.itertuples():
        yield f"Closes {r.hazard_id}: {r.what}{_where(r)}, found {r.opened:%Y-%m-%d}."
    for r in closes.doubtful.itertuples():
        yield f"Leaves {r.hazard_id} to confirm: {r.what}{_where(r)}. {r.doubts[0].upper()}{r.doubts[1:]}."
    for r in closes.already.itertuples():
        yield f"{r.hazard_id} is closed already, since {r.closed:%Y-%m-%d}: {r.closed_by}."
    if len(closes.closed) or len(closes.doubtful):
        return
    rows = [f"{r.hazard_id} ({r.what}{_where(r)}, found {r.opened:%Y-%m-%d})" for r in closes.untouched.itertuples()]
    if rows:
        yield f"It closes nothing: what is open there is another, at another place or found later: {'; '.join(rows)}."
    elif not len(closes.already):
        yield "It closes nothing: nothing is open or to confirm on the deck."

"""Use cases of the hazards ledger: the list as it is printed, and what a closing would do to it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from decknet.errors import RecordError
from decknet.flow.condition import Condition
from decknet.flow.reading import Records
from decknet.rank import CLOSED, TO_CONFIRM
from decknet.settings import Settings

__all__ = ["Closes", "ledger_of", "what_closes"]

ALL = "all"


def ledger_of(condition: Condition, *, deck: str | None = None, every: bool = False) -> pd.DataFrame:
    """The ledger in the order in which it is printed, columns of the view ``hazard``.

    Parameters
    ----------
    condition : Condition
    deck : str or None
        Only this deck, or the decks of this bridge.
    every : bool
        Those that are closed too, the last closed first.

    Raises
    ------
    RecordError
        There is no such deck or bridge.
    """
    rows = condition.ledger
    if deck is not None:
        of = condition.decks
        known = of.loc[(of["deck_id"] == deck) | (of["bridge_id"] == deck), "deck_id"]
        if known.empty:
            raise RecordError(
                f"{condition.path}: deck {deck!r} is not in the store. Numbers are text, with every leading zero; "
                f"list them with: decknet rank {condition.path} --first 0"
            )
        rows = rows[rows["deck_id"].isin(set(known))]
    return (rows if every else rows[rows["state"] != CLOSED]).reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class Closes:
    """What a closing does to the hazards of its deck.

    Attributes
    ----------
    closed, doubtful, untouched : DataFrame
        Rows of the ledger as they are with the closing: those it closes, those it leaves to confirm, and those that it
        might have been meant for and leaves as they were.
    already : DataFrame
        Where it names a hazard that something else closed before: that one.
    """

    closed: pd.DataFrame
    doubtful: pd.DataFrame
    untouched: pd.DataFrame
    already: pd.DataFrame


def what_closes(records: Records, closing: pd.DataFrame, settings: Settings) -> Closes:
    """What a closing would do, worked out from the records with it and without it.

    Parameters
    ----------
    records : Records
        Without the closing.
    closing : DataFrame, one row
        As it would be stored, columns of ``columns.RECORDS``.
    settings : Settings

    Raises
    ------
    RecordError
        It names a hazard that its deck never had.
    """
    deck, named = str(closing["deck_id"].iloc[0]), closing["hazard"].iloc[0]
    own = _of_deck(records, deck)
    joined = pd.concat([own["closing"], closing[own["closing"].columns.tolist()]], ignore_index=True)
    joined = joined.drop_duplicates("closing_id", keep="last", ignore_index=True)
    with_it = replace(own, frames={**own.frames, "closing": joined})
    before = Condition(own, settings).ledger.set_index("hazard_id", drop=False)
    after = Condition(with_it, settings).ledger.set_index("hazard_id", drop=False)
    live = before[before["state"] != CLOSED]
    if isinstance(named, str) and named.lower() != ALL and named not in before.index:
        raise RecordError(
            f"close {deck}: nothing is stored. hazard {named!r}: deck {deck} has no hazard of that number. "
            f"{_listed(live)}"
        )
    then = after.loc[live.index]
    closed = then[then["state"] == CLOSED]
    doubtful = then[
        (then["state"] == TO_CONFIRM) & (then["doubts"].to_numpy() != live["doubts"].to_numpy())
    ]  # fmt: skip
    rest = then.drop(index=closed.index.union(doubtful.index))
    gone = before[(before["state"] == CLOSED) & (before["hazard_id"] == named)] if isinstance(named, str) else live[:0]
    return Closes(closed, doubtful, rest, gone)


def _listed(live: pd.DataFrame) -> str:
    if live.empty:
        return "It has none that is open or to confirm."
    rows = [f"{r.hazard_id} ({r.what}{f', {r.place}' if r.place else ''}; {r.state})" for r in live.itertuples()]
    return f"Open or to confirm there: {'; '.join(rows)}."


def _of_deck(records: Records, deck: str) -> Records:
    """The records that the hazards of one deck rest on."""
    decks = records["deck"][records["deck"]["deck_id"] == deck]
    bridges = set(decks["bridge_id"])
    surveys = records["survey"][records["survey"]["deck_id"] == deck]
    frames = dict(records.frames)
    for kind, chosen in (
        ("deck", decks), ("survey", surveys),
        ("bridge", _where(records, "bridge", "bridge_id", bridges)),
        ("rating", _where(records, "rating", "bridge_id", bridges)),
        ("defect", _where(records, "defect", "survey_id", set(surveys["survey_id"]))),
        ("repair", _where(records, "repair", "deck_id", {deck})),
        ("closing", _where(records, "closing", "deck_id", {deck})),
    ):  # fmt: skip
        frames[kind] = chosen.reset_index(drop=True)
    return replace(records, frames=frames)


def _where(records: Records, kind: str, name: str, values: set[str]) -> pd.DataFrame:
    frame = records[kind]
    return frame[frame[name].isin(values)]

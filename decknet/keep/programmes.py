"""Programmes that are kept: whole, as they were made, and withdrawn but never wiped out."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from string import Template
from typing import Any

import pandas as pd

from decknet.columns.log import LOG
from decknet.errors import StoreError
from decknet.keep.frames import typed
from decknet.keep.statements import sql
from decknet.keep.store import Store

__all__ = ["PARTS", "add_programme", "programme_parts", "programmes", "withdraw_programme"]

# Frame of a programme -> table that holds it, and the order it is read back in.
PARTS = {
    "lines": ("programme_line", ("year", "deck_id")),
    "years": ("programme_year", ("year",)),
    "waiting": ("programme_waiting", ("place",)),
    "yardsticks": ("programme_baseline", ("place",)),
    "shares": ("programme_share", ("year", "deck_id")),
}


def programmes(store: Store) -> pd.DataFrame:
    """Programmes kept, one row each in the order they were kept; ``withdrawn_at`` where one was withdrawn."""
    return store.connection.execute(sql("programmes")).df()


def _number_of(store: Store, name: str) -> int:
    kept = programmes(store).set_index("name")["programme_id"]
    if name not in kept.index:
        raise StoreError(
            f"Programme {name!r}: none of that name is kept. Kept: {', '.join(kept.index) or 'none'}. "
            "Keep one with: decknet programme STORE --budget SUM --save NAME"
        )
    return int(kept[name])


def add_programme(store: Store, name: str, frames: Mapping[str, pd.DataFrame], values: Mapping[str, Any]) -> int:
    """Keep a programme under a name.

    Parameters
    ----------
    store : Store
        Open for writing.
    name : str
    frames : mapping
        Keys of ``PARTS``; columns that the store has none for are left out.
    values : mapping
        Columns of ``programme``, but its number and name.

    Returns
    -------
    int
        Its number.

    Raises
    ------
    StoreError
        The name is taken, by a withdrawn programme too.
    """
    if (programmes(store)["name"] == name).any():
        raise StoreError(f"Programme {name!r}: a programme of that name is kept already. Choose another name.")
    db = store.connection
    given = {c.name: values.get(c.name) for c in LOG["programme"].columns}
    with store.transaction():
        number = int(db.execute("SELECT nextval('programme_number')").fetchall()[0][0])
        db.execute(sql("add_programme"), {**given, "programme_id": number, "name": name})
        for part, (table, _) in PARTS.items():
            frame = frames.get(part)
            if frame is None or frame.empty:
                continue
            own = [c.name for c in LOG[table].columns]
            shown = frame.assign(programme_id=number, place=range(len(frame)))
            db.register("incoming", shown[[n for n in own if n in shown]])
            db.execute(Template(sql("fill_table")).substitute(table=table))
            db.unregister("incoming")
    return number


def programme_parts(store: Store, name: str) -> dict[str, pd.DataFrame]:
    """The frames of a programme that is kept, by the keys of ``PARTS``.

    Raises
    ------
    StoreError
        None of that name is kept.
    """
    number, out = _number_of(store, name), {}
    for part, (table, order) in PARTS.items():
        text = Template(sql("programme_part")).substitute(table=table, order=", ".join(f'"{n}"' for n in order))
        raw = store.connection.execute(text, {"programme": number}).df()
        frame = typed(raw, LOG[table].columns).drop(columns=["programme_id", "place"], errors="ignore")
        out[part] = frame
    return out


def withdraw_programme(store: Store, name: str, *, now: datetime, who: str) -> None:
    """Withdraw a programme: it stays on record, and no output is drawn from it unless it is named.

    Raises
    ------
    StoreError
        None of that name is kept, or it is withdrawn already.
    """
    number = _number_of(store, name)
    kept = programmes(store).set_index("name").loc[name]
    if pd.notna(kept["withdrawn_at"]):
        raise StoreError(
            f"Programme {name!r}: was withdrawn on {kept['withdrawn_at']:%Y-%m-%d} by {kept['withdrawn_by']} already."
        )
    with store.transaction():
        store.connection.execute(sql("withdraw_programme"), {"programme": number, "at": now, "by": who})

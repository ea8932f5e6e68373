"""Rows about a few things, out of all that was ever stored."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from string import Template

import pandas as pd

from decknet.columns import RECORDS, Record
from decknet.columns.cleared import cleared_in
from decknet.keep.frames import from_store, typed
from decknet.keep.store import Store

__all__ = ["refused_about", "rows_about"]


def _sql(name: str) -> str:
    return resources.files("decknet.keep").joinpath("queries", f"{name}.sql").read_text(encoding="utf-8")


def rows_about(store: Store, kind: str, column: str, ids: Sequence[str]) -> pd.DataFrame:
    """As ``Store.history``, of the rows whose column is one of the ids, each as the record stood with it.

    A row that gives less than an older one is filled from what was on record when it came, or is on record now.

    Parameters
    ----------
    store : Store
    kind : str
        Key of ``columns.RECORDS``.
    column : str
        One of its columns.
    ids : sequence of str
    """
    record = RECORDS[kind]
    if column not in record.names():
        raise KeyError(column)
    text = Template(_sql("history_of")).substitute(
        table=kind, of=column, columns=", ".join(f'r."{n}"' for n in record.names())
    )
    raw = store.connection.execute(text, {"ids": list(ids)}).df()
    lead = raw[["row_id", "intake_id", "file", "sheet", "line", "supersedes", "undone"]]
    given = from_store(raw, record.columns)
    return pd.concat([lead, _as_it_stood(given, raw, record)], axis=1)


def _as_it_stood(given: pd.DataFrame, raw: pd.DataFrame, record: Record) -> pd.DataFrame:
    key = list(record.key)
    if not given.duplicated(key).any():
        return given
    cleared, undone = cleared_in(raw), raw["undone"].to_numpy(dtype=bool)
    out = {name: given[name].astype("object").to_numpy(copy=True) for name in given}
    for at in given.groupby(key, sort=False, dropna=False).indices.values():
        for name in out.keys() - set(key):
            before = None
            for i in sorted(at):
                if pd.isna(given[name].iloc[i]) and not (name in cleared and cleared[name][i]):
                    out[name][i] = before
                before = before if undone[i] else out[name][i]
    return typed(pd.DataFrame(out, index=given.index), record.columns)


def refused_about(store: Store, things: Sequence[str]) -> pd.DataFrame:
    """Rows refused about some things, each named as kind|id; ``closed`` where a later file put the row right."""
    return store.connection.execute(_sql("faults_of"), {"things": list(things)}).df()

"""Rows about a few things, out of all that was ever stored."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from string import Template

import pandas as pd

from decknet.columns import RECORDS
from decknet.keep.frames import from_store
from decknet.keep.store import Store

__all__ = ["refused_about", "rows_about"]


def _sql(name: str) -> str:
    return resources.files("decknet.keep").joinpath("queries", f"{name}.sql").read_text(encoding="utf-8")


def rows_about(store: Store, kind: str, column: str, ids: Sequence[str]) -> pd.DataFrame:
    """As ``Store.history``, of the rows whose column is one of the ids.

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
    return pd.concat([lead, from_store(raw, record.columns)], axis=1)


def refused_about(store: Store, things: Sequence[str]) -> pd.DataFrame:
    """Rows refused about some things, each named as kind|id; ``closed`` where a later file put the row right."""
    return store.connection.execute(_sql("faults_of"), {"things": list(things)}).df()

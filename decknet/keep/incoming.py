"""Rows on their way in: laid beside what the store holds, numbered, and handed over part by part."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from decknet.columns import Column, Record
from decknet.columns.cleared import cleared_in
from decknet.errors import StoreError
from decknet.keep.frames import fingerprints, from_store, still_same, to_store

__all__ = ["Beside", "arrow", "lay_beside", "parts", "reject_twice", "says_nothing_new"]

PART = 122_880  # rows handed over at once: as many as the store keeps together, so that each can be packed by itself

_TYPES = {
    "id": pa.large_string(),
    "text": pa.large_string(),
    "choice": pa.large_string(),
    "number": pa.float64(),
    "whole": pa.int64(),
    "date": pa.date32(),
    "flag": pa.bool_(),
    "shape": pa.binary(),
}
_LEAD = {
    "row_id": pa.int64(), "intake_id": pa.int64(), "sheet": pa.large_string(), "line": pa.int64(),
    "supersedes": pa.int64(), "fingerprint": pa.uint64(),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Beside:
    """How incoming rows stand to what the store holds.

    Attributes
    ----------
    supersedes : array of int, shape (n,)
        The newest row of the same key; 0 where there is none.
    known : array of bool, shape (n,)
        The store holds the very same.
    """

    supersedes: np.ndarray[Any, np.dtype[np.int64]]
    known: np.ndarray[Any, np.dtype[np.bool_]]

    def counts(self) -> tuple[int, int, int]:
        """Rows that are new, correct a row held, and are known."""
        known, held = int(self.known.sum()), int((self.supersedes > 0).sum())
        return len(self.known) - held, held - known, known


def _column(values: pd.Series, of: Column) -> pa.Array:
    if of.kind == "date":
        return pa.array(values.to_numpy(dtype="datetime64[D]"), from_pandas=True)
    if of.kind == "number":
        return pa.array(values.to_numpy(dtype="float64"), from_pandas=True)
    made = pa.array(values.array, type=_TYPES[of.kind], from_pandas=True)
    return made.combine_chunks() if isinstance(made, pa.ChunkedArray) else made


def arrow(stored: pd.DataFrame, columns: tuple[Column, ...]) -> dict[str, pa.Array]:
    """Columns of a frame as ``to_store`` gives it, as the store takes them in."""
    return {c.name: _column(stored[c.name], c) for c in columns}


def reject_twice(db: duckdb.DuckDBPyConnection, query: str, record: Record, frame: pd.DataFrame) -> None:
    """StoreError where two rows of one file share a key; ``query`` gives a hash of the key of each row."""
    hashes = np.sort(db.execute(query).fetchnumpy()["hash"])
    if not (hashes[1:] == hashes[:-1]).any():
        return
    keys = list(record.key)
    twice = frame.duplicated(keys, keep=False)
    if twice.any():
        first = frame.loc[twice, keys].iloc[0].tolist()
        raise StoreError(f"Two {record.kind} rows of one file share {', '.join(keys)} = {first}. Keep one of them.")


def lay_beside(db: duckdb.DuckDBPyConnection, query: str, record: Record, frame: pd.DataFrame) -> Beside:
    """Rows laid beside the newest row of the same key.

    Parameters
    ----------
    db : connection
    query : str
        Gives position, newest row and its fingerprint of the incoming keys that are held.
    record : Record
    frame : DataFrame
        Columns of the record, one row a key.
    """
    supersedes, known = np.zeros(len(frame), dtype=np.int64), np.zeros(len(frame), dtype=bool)
    found = db.execute(query).fetchnumpy()
    at = np.asarray(found["n"], dtype=np.int64)
    if len(at):
        supersedes[at] = found["row_id"]
        known[at] = still_same(to_store(frame.iloc[at], record.stored), np.asarray(found["fingerprint"], np.uint64))
    return Beside(supersedes, known)


def says_nothing_new(held: pd.DataFrame, record: Record, frame: pd.DataFrame) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Whether rows leave what counts as it is.

    Parameters
    ----------
    held : DataFrame, shape (n, columns)
        What counts of each key, as the store gives it.
    record : Record
    frame : DataFrame, shape (n, columns)
        Incoming rows of the same keys, in the same order.
    """
    columns = tuple(c for c in record.stored if c.name != "cleared")
    before = to_store(from_store(held, columns), columns)
    after = to_store(frame.reset_index(drop=True), columns)
    cleared = cleared_in(frame)
    for name in after.columns:
        kept = before[name].mask(cleared[name]) if name in cleared else before[name]
        after[name] = after[name].where(after[name].notna(), kept).astype(after[name].dtype)
    same: np.ndarray[Any, np.dtype[np.bool_]] = fingerprints(after).to_numpy() == fingerprints(before).to_numpy()
    return same


def parts(record: Record, frame: pd.DataFrame, beside: Beside, *, intake: int, first: int) -> pa.RecordBatchReader:
    """The rows that are not known yet, in the order of the file, numbered from ``first``."""
    at = np.flatnonzero(~beside.known)
    line = frame["line"].to_numpy(dtype=np.int64)[at]
    sheet = frame["sheet"].iloc[at]
    if (np.diff(line) < 0).any() or (sheet != sheet.iloc[:1].squeeze()).any():
        at = at[pd.DataFrame({"sheet": sheet.to_numpy(), "line": line}).sort_values(["sheet", "line"]).index]
    whole = len(at) == len(frame) and bool((np.diff(at) > 0).all())
    schema = pa.schema({**_LEAD, **{c.name: _TYPES[c.kind] for c in record.stored}})

    def each() -> Iterator[pa.RecordBatch]:
        for start in range(0, len(at), PART):
            some = at[start : start + PART]
            part = frame.iloc[start : start + PART] if whole else frame.iloc[some]
            stored = to_store(part, record.stored)
            lead = {
                "row_id": pa.array(np.arange(first + start, first + start + len(some))),
                "intake_id": pa.array(np.full(len(some), intake, dtype=np.int64)),
                "sheet": _column(part["sheet"].astype("str"), _TEXT),
                "line": pa.array(part["line"].to_numpy(dtype=np.int64)),
                "supersedes": pa.array(beside.supersedes[some], mask=beside.supersedes[some] == 0),
                "fingerprint": pa.array(fingerprints(stored).to_numpy()),
            }
            yield pa.RecordBatch.from_arrays([*lead.values(), *arrow(stored, record.stored).values()], schema=schema)

    return pa.RecordBatchReader.from_batches(schema, each())


_TEXT = Column("sheet", "text", "", "Sheet of the file.")

"""Frames as the store takes and gives them: dtypes by column kind, shapes as bytes and back."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import Column

__all__ = ["fingerprints", "from_store", "still_same", "to_store", "typed"]

_DTYPES: dict[str, Any] = {
    "id": "str",
    "text": "str",
    "choice": "str",
    "number": "float64",
    "whole": "Int64",
    "date": "datetime64[us]",
    "flag": "boolean",
    "shape": "object",
}


def typed(frame: pd.DataFrame, columns: tuple[Column, ...]) -> pd.DataFrame:
    """The frame with each named column in the dtype of its kind; missing columns are added empty."""
    out: dict[str, pd.Series] = {}
    for column in columns:
        if column.name in frame:
            series = frame[column.name]
            if column.kind == "whole" and series.dtype == "float64":
                series = series.round()
        elif column.kind == "shape":
            series = pd.Series([None] * len(frame), index=frame.index, dtype="object")
        else:
            series = pd.Series(None, index=frame.index, dtype=_DTYPES[column.kind])
        out[column.name] = series.astype(_DTYPES[column.kind])
    return pd.DataFrame(out, index=frame.index, copy=False)


def to_store(frame: pd.DataFrame, columns: tuple[Column, ...]) -> pd.DataFrame:
    """As ``typed``, with shapes as well-known binary."""
    out = typed(frame, columns)
    for column in columns:
        if column.kind == "shape":
            shapes = out[column.name].to_numpy(dtype=object)
            given = np.array([isinstance(s, shapely.Geometry) for s in shapes], dtype=bool)
            data = np.full(len(out), None, dtype=object)
            data[given] = shapely.to_wkb(shapes[given])
            out[column.name] = pd.Series(data, index=out.index, dtype="object")
    return out


def from_store(frame: pd.DataFrame, columns: tuple[Column, ...]) -> pd.DataFrame:
    """A query's answer in our dtypes, shapes as geometries or None."""
    out = typed(frame, columns)
    for column in columns:
        if column.kind == "shape":
            data = [bytes(b) if isinstance(b, (bytes, bytearray, memoryview)) else None for b in out[column.name]]
            out[column.name] = pd.Series(
                shapely.from_wkb(np.array(data, dtype=object)), index=out.index, dtype="object"
            )
    return out


def fingerprints(stored: pd.DataFrame) -> pd.Series:
    """One number a row, the same for rows that are the same in every column.

    The numbers are those of ``pandas.util.hash_pandas_object``; what is the same in every row is worked out once.

    Parameters
    ----------
    stored : DataFrame
        As ``to_store`` gives it.

    Returns
    -------
    Series of uint64
    """
    out = np.full(len(stored), 0x345678, dtype=np.uint64)
    factor, left = 1_000_003, len(stored.columns)
    for name in stored.columns:
        out ^= _hashes(stored[name])
        out *= np.uint64(factor)
        factor += 82_520 + 2 * left
        left -= 1
    out += np.uint64(97_531)
    return pd.Series(out, index=stored.index)


def still_same(
    stored: pd.DataFrame, taken: np.ndarray[Any, np.dtype[np.uint64]]
) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Whether rows say what they said when their fingerprints were taken.

    A layout may have added columns at the end of a record since then: a row from before has nothing in them, and its
    fingerprint is that of the columns before.

    Parameters
    ----------
    stored : DataFrame, shape (n, columns)
        As ``to_store`` gives it.
    taken : array of uint64, shape (n,)
    """
    out: np.ndarray[Any, np.dtype[np.bool_]] = fingerprints(stored).to_numpy() == taken
    names = list(stored.columns)
    rest = np.flatnonzero(~out)
    for _ in range(_ADDED):
        rest = rest[stored[names.pop()].iloc[rest].isna().to_numpy(dtype=bool)]
        if not len(rest) or not names:
            break
        now = fingerprints(stored[names].iloc[rest]).to_numpy() == taken[rest]
        out[rest[now]] = True
        rest = rest[~now]
    return out


_ADDED = 10  # columns that layouts have added to one record, at most
_SAMPLE = 1000


def _hashes(column: pd.Series) -> np.ndarray[Any, np.dtype[np.uint64]] | np.uint64:
    """A number a cell; one number where every cell is missing."""
    gaps = column.isna().to_numpy(dtype=bool)
    if len(column) and gaps.all():
        column, gaps = column.iloc[:1], gaps[:1]
        return np.uint64(_hashed(column, gaps)[0])
    return _hashed(column, gaps)


def _hashed(column: pd.Series, gaps: np.ndarray[Any, np.dtype[np.bool_]]) -> np.ndarray[Any, np.dtype[np.uint64]]:
    kind, head = str(column.dtype), column.iloc[:_SAMPLE]
    body: Any
    each = True  # whether each different value is hashed once
    if kind == "object":
        body, each = np.array([b.hex() if isinstance(b, bytes) else "" for b in column], dtype=object), False
    elif kind in {"Int64", "boolean"}:
        body = column.astype("Float64").to_numpy(dtype="float64", na_value=np.nan)
    elif kind == "str" and not gaps.any() and head.nunique() > len(head) // 2:
        body, each = column.to_numpy(dtype=object), False
    elif kind == "str":
        body = column.array
    else:
        body = column.to_numpy()
    out: np.ndarray[Any, np.dtype[np.uint64]] = pd.util.hash_array(body, categorize=each)
    return out

"""Columns of text in which each different cell is held once: what is true of a cell is worked out once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["all_differ", "coded", "each", "filled", "is_coded", "numbered", "once", "shared", "spelled", "spread"]

Codes = np.ndarray[Any, np.dtype[np.signedinteger[Any]]]
_ROOM = 1 << 62  # combined numbers stay below this


def is_coded(text: pd.Series) -> bool:
    """Whether a column holds each different cell once."""
    return isinstance(text.dtype, pd.CategoricalDtype)


def coded(codes: Codes, seen: pd.Series) -> pd.Series:
    """A column of text out of its different cells.

    Parameters
    ----------
    codes : array of int, shape (n,)
        Position in ``seen`` of each cell.
    seen : Series of str, shape (k,)
        Different cells; brought into the order in which they first appear, those not used left out.
    """
    n, k = len(codes), len(seen)
    first = np.full(k, n, dtype=np.int64)
    first[codes[::-1]] = np.arange(n - 1, -1, -1)
    if k and (first[-1] == n or (first[1:] < first[:-1]).any()):
        order = np.argsort(first, kind="stable")[: int((first < n).sum())]
        new = np.zeros(k, dtype=np.int32)
        new[order] = np.arange(len(order))
        codes, seen = new[codes], seen.iloc[order]
    dtype = pd.CategoricalDtype(pd.Index(seen, dtype="str"))
    return pd.Series(pd.Categorical.from_codes(codes, dtype=dtype, validate=False))


def once(text: pd.Series) -> tuple[Codes, pd.Series]:
    """Codes and different cells of a column, in the order in which they first appear; a gap has code -1."""
    if is_coded(text):
        return text.cat.codes.to_numpy(), pd.Series(text.cat.categories, dtype="str")
    codes, seen = pd.factorize(text)
    return codes, pd.Series(seen, dtype="str")


def spread(each_: Any, codes: Codes) -> pd.Series:
    """Text by code, written out: a column of str; code -1 is missing."""
    import pyarrow as pa

    words = pa.array(pd.array(each_, dtype="str"))
    gaps = codes < 0
    at = pa.array(codes, mask=gaps if gaps.any() else None)
    return pd.Series(pd.array(words.take(at), dtype="str"))


def spelled(text: pd.Series) -> pd.Series:
    """A column with every cell written out."""
    if not is_coded(text):
        return text
    codes, seen = once(text)
    return spread(seen, codes)


def each(text: pd.Series, change: Callable[[pd.Series], pd.Series]) -> pd.Series:
    """A column with every cell changed alike, each different one once."""
    if not is_coded(text):
        return change(text)
    codes, seen = once(text)
    new = change(seen)
    if new is seen or new.equals(seen):
        return text
    to, kept = pd.factorize(new)
    return coded(to[codes], pd.Series(kept, dtype="str"))


def filled(text: pd.Series, where: np.ndarray[Any, np.dtype[np.bool_]], value: str) -> pd.Series:
    """A column with one value in the rows of a mask."""
    if not where.any():
        return text
    if not is_coded(text):
        return text.where(~where, value)
    codes, seen = once(text)
    to, kept = pd.factorize(pd.concat([seen, pd.Series([value], dtype="str")], ignore_index=True))
    return coded(to[np.where(where, len(seen), codes)], pd.Series(kept, dtype="str"))


def numbered(columns: Sequence[tuple[Codes, int]]) -> tuple[np.ndarray[Any, np.dtype[np.int64]], int]:
    """One number a row, the same for rows with the same codes in every column.

    Parameters
    ----------
    columns : sequence of (codes, k)
        Codes from -1 to k - 1, shape (n,).

    Returns
    -------
    key : array of int, shape (n,)
    size : int
        The keys lie from 0 to size - 1.
    """
    key = np.zeros(len(columns[0][0]), dtype=np.int64)
    size = 1
    for codes, k in columns:
        if size * (k + 1) >= _ROOM:
            key, seen = pd.factorize(key)
            size = len(seen)
        key = key * (k + 1) + codes + 1
        size *= k + 1
    return key, size


def all_differ(key: np.ndarray[Any, np.dtype[np.int64]], size: int) -> bool:
    """Whether no number comes twice; the numbers lie from 0 to ``size`` - 1."""
    n = len(key)
    if size < n:
        return False
    if size <= 16 * n:
        there = np.zeros(size, dtype=bool)
        there[key] = True
        return int(np.count_nonzero(there)) == n
    ordered = np.sort(key)
    return not bool((ordered[1:] == ordered[:-1]).any())


def shared(key: np.ndarray[Any, np.dtype[np.int64]], size: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Where a number comes more than once."""
    if all_differ(key, size):
        return np.zeros(len(key), dtype=bool)
    out: np.ndarray[Any, np.dtype[np.bool_]] = pd.Series(key).duplicated(keep=False).to_numpy(dtype=bool)
    return out

"""Frames as the store takes and gives them: dtypes by column kind, shapes as bytes and back."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import Column

__all__ = ["fingerprints", "from_store", "to_store", "typed"]

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
        else:
            series = pd.Series([None] * len(frame), index=frame.index, dtype="object")
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

    Parameters
    ----------
    stored : DataFrame
        As ``to_store`` gives it.

    Returns
    -------
    Series of uint64
    """
    plain = stored.copy()
    for name in plain.columns:
        if plain[name].dtype == "object":
            plain[name] = [b.hex() if isinstance(b, bytes) else "" for b in plain[name]]
        elif str(plain[name].dtype) in {"Int64", "boolean"}:
            plain[name] = plain[name].astype("Float64").to_numpy(dtype="float64", na_value=np.nan)
    return pd.util.hash_pandas_object(plain, index=False)

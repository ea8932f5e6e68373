"""Columns packed for a page: whole numbers in the fewest bytes that hold them, texts once each, then gzip and base64.

A block is the packed bytes of many columns and a list that says where each lies. The list holds names and
numbers only, never a text of the records; texts are UTF-8 inside the packed bytes. The page reads it back in
``page/map_data.js``.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Sequence
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from decknet.digits import PLACES

__all__ = ["LONGEST_TEXT", "Block", "digits_js", "texts_of", "values_of"]

LONGEST_TEXT = 600  # characters; a longer text is cut, with a mark
_KINDS: dict[str, Any] = {"i1": np.int8, "i2": np.int16, "i4": np.int32, "f8": np.float64}

Floats = npt.NDArray[np.float64]


def digits_js() -> str:
    """The rule of printed digits as a page's script, with its table."""
    code = (resources.files("decknet.show") / "page" / "digits.js").read_text(encoding="utf-8")
    return f'"use strict";\nconst PLACES = {json.dumps(PLACES)};\n{code}\n'


def values_of(frame: pd.DataFrame, name: str) -> Floats:
    """A column as numbers; NaN where missing, and all NaN where there is no such column."""
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    values: Floats = frame[name].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    return values


def texts_of(frame: pd.DataFrame, name: str) -> npt.NDArray[np.object_]:
    """A column as it is, to be packed as texts; None where there is no such column."""
    if name not in frame.columns:
        return np.full(len(frame), None, dtype=object)
    out: npt.NDArray[np.object_] = frame[name].to_numpy(dtype=object)
    return out


def _short(text: str) -> str:
    text = text.encode("utf-8", "replace").decode("utf-8")  # half characters become a mark
    return text if len(text) <= LONGEST_TEXT else text[:LONGEST_TEXT] + " … (cut)"


class Block:
    """Columns put together one by one."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._size = 0
        self.columns: list[list[Any]] = []

    def numbers(self, name: str, values: Any, digits: int = 0) -> None:
        """Add numbers, rounded to ``digits`` decimals; missing and endless ones are kept as missing.

        Parameters
        ----------
        name : str
        values : array of float, shape (n,)
        digits : int
            Negative: to tens, hundreds and so on.
        """
        array = np.asarray(values, dtype=np.float64)
        known = np.isfinite(array)
        whole = np.rint(np.where(known, array, 0.0) * 10.0**digits) + 0.0
        reach = float(np.abs(whole).max(initial=0.0))
        kind = next((k for k in ("i1", "i2", "i4") if reach <= np.iinfo(_KINDS[k]).max), "f8")
        if kind == "f8":
            packed = np.where(known, whole, np.nan)
        else:
            packed = np.where(known, whole, np.iinfo(_KINDS[kind]).min).astype(_KINDS[kind])
        self._add(name, kind, packed.astype(np.dtype(_KINDS[kind]).newbyteorder("<")).tobytes(), len(array), digits)

    def texts(self, name: str, texts: Sequence[Any] | npt.NDArray[np.object_]) -> None:
        """Add texts: each different one once, cut where very long, and which of them stands in each row."""
        code, different = pd.factorize(np.array(texts, dtype=object))
        raw = [_short(str(t)).encode("utf-8") for t in different]
        self._add(f"{name}.utf8", "i1", b"".join(raw), sum(map(len, raw)), 0)
        self.numbers(f"{name}.size", [len(r) for r in raw])
        if len(different) == len(code) and (code == np.arange(len(code))).all():
            self.columns.append([f"{name}.code", "row", 0, len(code), 0])
        else:
            self.numbers(f"{name}.code", np.where(code < 0, np.nan, code))

    def _add(self, name: str, kind: str, raw: bytes, count: int, digits: int) -> None:
        self.columns.append([name, kind, self._size, count, digits])
        padded = raw + bytes(-len(raw) % 8)
        self._parts.append(padded)
        self._size += len(padded)

    def packed(self) -> str:
        """All columns, gzipped, in base64; the same columns give the same text."""
        return base64.b64encode(gzip.compress(b"".join(self._parts), 6, mtime=0)).decode("ascii")

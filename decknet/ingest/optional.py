"""Cells beside a record that stands without them: what cannot be used is left out and flagged, the record stays."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd

from decknet.ingest import values
from decknet.ingest.coded import once, spread
from decknet.ingest.codes import CODES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from decknet.ingest.checks import Bools, Rows

__all__ = ["left_out", "optional", "posted_and_closed", "tolerant"]

T = TypeVar("T")

_SHUT = r"closed|close|gesperrt|fermée?|cerrado|chiuso|encerrada|gesloten|afgesloten|lukket|stengt|avstängd|通行止め?"
_LIMIT = (
    r"posted|posting|restrict\w*|weight|load limit|limited|limitée?|lastbeschränk\w*|beschränk\w*|limitado|limitato|"
    r"beperkt|\d+(?:[.,]\d+)?\s*(?:t|to|tons?|tonnes?|kips?|lbs?|kn|kg)"
)
_FREE = (
    r"not posted|no restrict\w*|unrestricted|no limit|not required|recommended|at above legal loads|legal loads|open|"
    r"offen|ouverte?|abierto|aperto|aberta"
)


def left_out(
    rows: Rows, found: int, refused: Bools, told: str = "it is left out, the record stays"
) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Turn what was refused since into flags: the cell is left out and the record stays.

    Parameters
    ----------
    rows : Rows
    found : int
        Faults there were before.
    refused : array of bool, shape (n,)
        Rows that were refused before.
    told : str
        What becomes of the cell.

    Returns
    -------
    array of int
        Rows whose cell is left out.
    """
    at = []
    for piece in rows.pieces[found:]:
        if piece["severity"] != "refuse":
            continue
        at.append(piece["at"])
        code = f"F{piece['code'][1:]}"
        piece["severity"], piece["code"] = "flag", code if code in CODES else "F-LEFT-OUT"
        piece["rule"] += f"; {told}"
    rows.refused[:] = refused
    return np.array(at, dtype=np.int64)


def tolerant(
    rows: Rows, read: Callable[[], T], told: str = "it is left out, the record stays"
) -> tuple[T, Bools]:  # fmt: skip
    """Cells read that no record may be lost for: what would refuse a row is a flag.

    Returns
    -------
    value
        As ``read`` gives it.
    lost : array of bool, shape (n,)
        Rows with a cell that cannot be used.
    """
    found, refused = len(rows.pieces), rows.refused.copy()
    value = read()
    lost = np.zeros(rows.n, dtype=bool)
    lost[left_out(rows, found, refused, told)] = True
    return value, lost


def optional(rows: Rows, read: Callable[[], T]) -> T:
    """A column read by its own rule; what breaks the rule is left out and flagged.

    Parameters
    ----------
    rows : Rows
    read : callable
        Gives the column, an array of floats or a Series, or None.
    """
    value, lost = tolerant(rows, read)
    at = np.flatnonzero(lost)
    if value is None or not len(at):
        return value
    if isinstance(value, pd.Series):
        out: Any = value.copy()
        out.iloc[at] = pd.NA if str(value.dtype) == "boolean" else None
        return out  # type: ignore[no-any-return]
    changed: Any = np.array(value, copy=True)
    changed[at] = np.datetime64("NaT") if changed.dtype.kind == "M" else np.nan
    return changed  # type: ignore[no-any-return]


def posted_and_closed(text: pd.Series, known: Mapping[str, str]) -> tuple[pd.Series, pd.Series, Bools]:
    """Whether a load limit is posted and whether the bridge is closed, out of what people write.

    Parameters
    ----------
    text : Series of str, shape (n,)
    known : mapping
        Words of yes and no, as ``values.words`` takes them.

    Returns
    -------
    posted, closed : Series of boolean, shape (n,)
        Missing where the cell does not say.
    bad : array of bool, shape (n,)
        Something is written that says neither.

    Examples
    --------
    >>> cells = ["Posted For Load", "Closed", "Open", "20 t", "N"]
    >>> posted, closed, bad = posted_and_closed(pd.Series(cells, dtype="str"), {"n": "0"})
    >>> posted.tolist(), closed.tolist()
    ([True, <NA>, False, True, False], [False, True, False, False, False])
    """
    codes, seen = once(values.clean(text))
    read, wrong = values.words(seen, known)
    said = []
    for cell, word, odd in zip(seen, read, wrong, strict=True):
        low = re.sub(r"[\s_\-/(),]+", " ", str(cell).casefold()).strip()
        if not odd:
            said.append("" if not isinstance(word, str) else word)
        elif _is(_SHUT, low) and not _is(r"not closed|not yet opened|to trucks", low):
            said.append("k")
        elif _is(r"not (?:yet )?open(?:ed)?|new structure", low):
            said.append("?")
        elif _is(_LIMIT, re.sub(rf"(?<!\w)(?:{_FREE})(?!\w)", " ", low)) and not _is("recommended", low):
            said.append("1")
        else:
            said.append("0" if _is(_FREE, low) else "!")
    word = spread(said, codes)
    posted = word.map({"1": True, "0": False}).astype("boolean").set_axis(text.index)
    closed = word.map({"1": False, "0": False, "k": True}).astype("boolean").set_axis(text.index)
    return posted, closed, (word == "!").to_numpy(dtype=bool)


def _is(pattern: str, text: str) -> bool:
    return re.search(rf"(?<!\w)(?:{pattern})(?!\w)", text) is not None

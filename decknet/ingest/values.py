"""Text to numbers, dates and words, by our own rules.

Nothing is guessed: what has two readings is reported as such, and what has none is marked, never
turned into zero or into nothing.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Dates", "Marks", "Numbers", "clean", "days", "is_missing", "marks", "numbers", "plain", "stations", "words"]

# Words that stand for "not given" in a cell that should hold a number, a date or a choice.
# Ids and names are never compared with them: a bridge may be called NA.
NOT_GIVEN = (
    "", "-", "--", "–", "—", "n/a", "n.a.", "n.a", "na", "nan", "none", "null", "#n/a", "not given", "not known",
    "unknown", "blank",
)  # fmt: skip

_PLAIN = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_GAP = r"[\s'’]"
_CLEAR_DOT = r"[+-]?\d{1,3}(?:,\d{3})+\.\d*|[+-]?\d{1,3}(?:,\d{3}){2,}|[+-]?\d*\.\d+"
_CLEAR_COMMA = r"[+-]?\d{1,3}(?:\.\d{3})+,\d*|[+-]?\d{1,3}(?:\.\d{3}){2,}|[+-]?\d*,\d+"
_EITHER_DOT = r"[+-]?[1-9]\d{0,2}\.\d{3}"
_EITHER_COMMA = r"[+-]?[1-9]\d{0,2},\d{3}"
_WITH_UNIT = re.compile(r"^([+-]?[\d.,\s'’]*\d)\s*([A-Za-z%°²³][\w\s%²³./°]*)$")

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]


def clean(text: pd.Series) -> pd.Series:
    """Cells without the blanks around them, hard blanks included."""
    return text.str.strip()


def is_missing(text: pd.Series) -> Bools:
    """Where a cell says that nothing is given."""
    out: Bools = clean(text).str.lower().isin(NOT_GIVEN).to_numpy(dtype=bool)
    return out


def plain(text: str) -> str:
    """A word for comparison: lower case, one blank between words, no marks.

    Examples
    --------
    >>> plain(" Part-Depth ")
    'part depth'
    """
    return " ".join("".join(c if c.isalnum() else " " for c in text.lower()).split())


@dataclass(frozen=True, slots=True)
class Marks:
    """What the cells of one or more columns say about their decimal mark."""

    dot: bool = False
    comma: bool = False

    def __or__(self, other: Marks) -> Marks:
        return Marks(self.dot or other.dot, self.comma or other.comma)

    def settled(self) -> str:
        """``.`` or ``,`` where only one is seen, else nothing."""
        return "" if self.dot == self.comma else ("." if self.dot else ",")


def _compact(text: pd.Series) -> pd.Series:
    out = clean(text)
    if out.str.contains(_GAP, regex=True).any():
        # Blanks and apostrophes are dropped only between digits, where they group thousands.
        out = out.str.replace(r"(?<=\d)[\s'’](?=\d{3}(?!\d))", "", regex=True)
    return out.str.replace("−", "-", regex=False)


def marks(text: pd.Series, typed: Bools | None = None) -> Marks:
    """Decimal marks that are beyond doubt in a column of text.

    Parameters
    ----------
    text : Series of str, shape (n,)
    typed : array of bool, shape (n,), optional
        Cells that were numbers in the file already; they say nothing.

    Examples
    --------
    >>> marks(pd.Series(["86,4", "1.034,5"], dtype="str"))
    Marks(dot=False, comma=True)
    """
    held = text if typed is None else text[~typed]
    held = _compact(held[held.str.contains(r"[.,]", regex=True)])
    if held.empty:
        return Marks()
    dot = held.str.fullmatch(_CLEAR_DOT) & ~held.str.fullmatch(_EITHER_DOT)
    comma = held.str.fullmatch(_CLEAR_COMMA) & ~held.str.fullmatch(_EITHER_COMMA)
    return Marks(bool(dot.any()), bool(comma.any()))


@dataclass(frozen=True, slots=True)
class Numbers:
    """Numbers out of text.

    Attributes
    ----------
    value : array of float, shape (n,)
        NaN where missing or not a number.
    bad : array of bool, shape (n,)
        A cell that holds something, and not a number.
    unit : dict of int to str
        Unit written in the cell itself, by position.
    either : array of bool, shape (n,)
        A cell with two readings that nothing settles, such as ``1,234``.
    """

    value: Floats
    bad: Bools
    unit: dict[int, str]
    either: Bools


def numbers(text: pd.Series, typed: Bools | None = None, column: Marks | None = None, mark: str = "") -> Numbers:
    """Numbers out of a column of text.

    Parameters
    ----------
    text : Series of str, shape (n,)
    typed : array of bool, shape (n,), optional
        Cells that were numbers in the file already, written with a dot.
    column : Marks, optional
        What this column says itself.
    mark : str
        Decimal mark stated by the user or settled by the other columns; used where the column
        itself does not say.

    Examples
    --------
    >>> numbers(pd.Series(["1.034,5", "86,4", "-"], dtype="str")).value.tolist()
    [1034.5, 86.4, nan]
    """
    n = len(text)
    lone = np.zeros(n, dtype=bool) if typed is None else typed
    missing = is_missing(text)
    body = _compact(text)
    own = (column if column is not None else marks(text, typed)).settled() or mark
    either = np.zeros(n, dtype=bool)
    has_comma = body.str.contains(",", regex=False).to_numpy(dtype=bool) & ~lone
    if own == "," or has_comma.any():
        either_comma = body.str.fullmatch(_EITHER_COMMA).to_numpy(dtype=bool) & ~lone
        either_dot = body.str.fullmatch(_EITHER_DOT).to_numpy(dtype=bool) & ~lone
        comma = body.str.fullmatch(_CLEAR_COMMA).to_numpy(dtype=bool) & ~lone & ~either_comma & ~either_dot
        comma |= (either_comma | either_dot) if own == "," else False
        either = either_comma if own == "" else either
        group = has_comma & ~comma & body.str.fullmatch(_CLEAR_DOT + "|" + _EITHER_COMMA).to_numpy(dtype=bool)
        body = body.where(~comma, body.str.replace(".", "", regex=False).str.replace(",", ".", regex=False))
        body = body.where(~group, body.str.replace(",", "", regex=False))
    good = body.str.fullmatch(_PLAIN).to_numpy(dtype=bool)
    value = np.full(n, np.nan)
    value[good] = body[good].astype("float64").to_numpy()
    endless = good & ~np.isfinite(value)
    value[endless] = np.nan
    bad = (~good & ~missing) | endless
    unit: dict[int, str] = {}
    for i in np.flatnonzero(bad & ~endless):
        found = _WITH_UNIT.match(str(text.iloc[i]).strip())
        if found is None:
            continue
        part = numbers(pd.Series([found[1]], dtype="str"), None, None, own)
        if not part.bad[0] and np.isfinite(part.value[0]):
            value[i], bad[i], either[i] = part.value[0], False, part.either[0]
            unit[int(i)] = found[2].strip()
    return Numbers(value, bad, unit, either)


_STATION = re.compile(r"^([+-]?)(\d+)\+(\d+(?:\.\d*)?)$")


def stations(text: pd.Series, step: float) -> pd.Series:
    """Stations written ``1+250.0`` as plain numbers; all else untouched.

    Parameters
    ----------
    text : Series of str, shape (n,)
    step : float
        What the part before the plus counts: 1000 for kilometres and metres, 100 where
        stations are counted in hundreds of feet.

    Examples
    --------
    >>> stations(pd.Series(["0+012.500", "3.5"], dtype="str"), 1000).tolist()
    ['12.5', '3.5']
    """
    body = clean(text)
    marked = body.str.fullmatch(_STATION).to_numpy(dtype=bool)
    if not marked.any():
        return text
    out = text.copy()
    for i in np.flatnonzero(marked):
        sign, whole, rest = _STATION.match(str(body.iloc[i])).groups()  # type: ignore[union-attr]
        out.iloc[i] = repr(float(f"{sign}1") * (int(whole) * step + float(rest)))
    return out


_MONTHS = {
    name: i
    for i, names in enumerate(
        (
            ("jan", "january"),
            ("feb", "february"),
            ("mar", "march"),
            ("apr", "april"),
            ("may",),
            ("jun", "june"),
            ("jul", "july"),
            ("aug", "august"),
            ("sep", "sept", "september"),
            ("oct", "october"),
            ("nov", "november"),
            ("dec", "december"),
        ),
        start=1,
    )
    for name in names
}
_ISO = re.compile(r"^(\d{4})([-/.]?)(\d{2})\2(\d{2})(?:[T ]\d{1,2}:\d{2}.*)?$")
_PAIR = re.compile(r"^(\d{1,2})([/.\-])(\d{1,2})\2(\d{4})(?: \d{1,2}:\d{2}.*)?$")
_NAMED = re.compile(r"^(\d{1,2})(?:st|nd|rd|th)?[\s.\-]+([A-Za-z]{3,9})[\s.,\-]+(\d{4})$")
_NAMED_US = re.compile(r"^([A-Za-z]{3,9})\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})$")


@dataclass(frozen=True, slots=True)
class Dates:
    """Dates out of text.

    Attributes
    ----------
    value : array of datetime64[us], shape (n,)
        NaT where missing or not a date.
    bad : array of bool, shape (n,)
        A cell that holds something, and not a date.
    order : str
        ``day first`` or ``month first`` where the column holds such dates and one order fits,
        ``either`` where both fit, ``neither`` where cells contradict each other, else empty.
    proof : tuple of int
        Positions of cells that show the order: one for a settled order, two for ``neither``.
    """

    value: np.ndarray[Any, np.dtype[np.datetime64]]
    bad: Bools
    order: str
    proof: tuple[int, ...]


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def days(text: pd.Series, order: str = "") -> Dates:
    """Dates out of a column of text; one order of day and month for the whole column.

    Parameters
    ----------
    text : Series of str, shape (n,)
    order : str
        ``day first`` or ``month first`` where it is stated; else the column decides.

    Examples
    --------
    >>> found = days(pd.Series(["03/04/2022", "27/04/2022"], dtype="str"))
    >>> found.order, found.value.astype("datetime64[D]").tolist()[0].isoformat()
    ('day first', '2022-04-03')
    """
    codes, seen = pd.factorize(clean(text))
    first = np.full(len(seen), -1)
    positions = np.arange(len(text))[::-1]
    first[codes[::-1]] = positions
    missing = is_missing(pd.Series(seen, dtype="str"))
    made: list[dt.date | None] = [None] * len(seen)
    pairs: dict[int, tuple[dt.date | None, dt.date | None]] = {}
    for i, cell in enumerate(str(x) for x in seen):
        if missing[i]:
            continue
        if found := _ISO.match(cell):
            made[i] = _day(int(found[1]), int(found[3]), int(found[4]))
        elif found := _PAIR.match(cell):
            a, b, year = int(found[1]), int(found[3]), int(found[4])
            pairs[i] = (_day(year, b, a), _day(year, a, b))
        elif found := _NAMED.match(cell):
            made[i] = _day(int(found[3]), _MONTHS.get(found[2].lower(), 0), int(found[1]))
        elif found := _NAMED_US.match(cell):
            made[i] = _day(int(found[3]), _MONTHS.get(found[1].lower(), 0), int(found[2]))
    only_day = [i for i, (d, m) in pairs.items() if d is not None and m is None]
    only_month = [i for i, (d, m) in pairs.items() if m is not None and d is None]
    open_ = [i for i, (d, m) in pairs.items() if d is not None and m is not None and d != m]
    proof: tuple[int, ...] = ()
    found_order = order
    if not order:
        if only_day and only_month:
            found_order, proof = "neither", (int(first[only_day[0]]), int(first[only_month[0]]))
        elif only_day or only_month:
            found_order = "day first" if only_day else "month first"
            proof = (int(first[(only_day or only_month)[0]]),)
        elif open_:
            found_order, proof = "either", (int(first[open_[0]]),)
        elif pairs:
            found_order = "day first"
    for i, (d, m) in pairs.items():
        made[i] = m if found_order == "month first" else d
    each = np.array([np.datetime64("NaT") if d is None else np.datetime64(d, "us") for d in made], "datetime64[us]")
    bad_each = np.array([d is None for d in made], dtype=bool) & ~missing
    if not len(seen):
        return Dates(np.zeros(0, "datetime64[us]"), np.zeros(0, bool), "", ())
    return Dates(each[codes], bad_each[codes], found_order if pairs else "", proof)


def words(text: pd.Series, known: Mapping[str, str]) -> tuple[pd.Series, Bools]:
    """Words of a fixed choice out of text.

    Parameters
    ----------
    text : Series of str, shape (n,)
    known : mapping of str to str
        Spelling, in the form ``plain`` gives, to the word stored.

    Returns
    -------
    value : Series of str, shape (n,)
        NaN where missing or not known.
    bad : array of bool, shape (n,)
        A cell that holds something, and none of the words.
    """
    codes, seen = pd.factorize(clean(text))
    missing = is_missing(pd.Series(seen, dtype="str"))
    each = [None if m else known.get(plain(str(s))) for s, m in zip(seen, missing, strict=True)]
    bad_each = np.array([e is None and not m for e, m in zip(each, missing, strict=True)], dtype=bool)
    value = pd.Series(pd.array([each[c] for c in codes], dtype="str"), index=text.index)
    return value, bad_each[codes] if len(seen) else np.zeros(0, dtype=bool)

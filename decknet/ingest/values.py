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

from decknet.ingest.coded import each, is_coded, once, spread

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "EITHER_DOT",
    "Dates",
    "Marks",
    "Numbers",
    "clean",
    "days",
    "degrees",
    "is_missing",
    "marks",
    "numbers",
    "plain",
    "stations",
    "words",
]

# Words that stand for "not given" in a cell that should hold a number, a date or a choice.
# Ids and names are never compared with them: a bridge may be called NA.
NOT_GIVEN = (
    "", "-", "--", "–", "—", "n/a", "n.a.", "n.a", "na", "nan", "none", "null", "#n/a", "not given", "not known",
    "unknown", "blank",
)  # fmt: skip

MANY = 2000  # cells from which each different one is read once
_PLAIN = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_GAP = r"[\s'’]"
_CLEAR_DOT = (
    r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]*|[+-]?[0-9]{1,3}(?:,[0-9]{3}){2,}|[+-]?[0-9]*\.[0-9]+(?:[eE][+-]?[0-9]+)?"
)
_CLEAR_COMMA = r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]*|[+-]?[0-9]{1,3}(?:\.[0-9]{3}){2,}|[+-]?[0-9]*,[0-9]+"
EITHER_DOT = r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}"
_EITHER_COMMA = r"[+-]?[1-9][0-9]{0,2},[0-9]{3}"
_WITH_UNIT = re.compile(r"^([+-]?[0-9.,\s'’]*[0-9])\s*([A-Za-z%°²³][\w\s%²³./°]*)$")

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]


def clean(text: pd.Series) -> pd.Series:
    """Cells without the blanks around them, hard blanks included."""
    return each(text, lambda cells: cells.str.strip())


def is_missing(text: pd.Series) -> Bools:
    """Where a cell says that nothing is given."""
    if is_coded(text):
        codes, seen = once(text)
        return _missing(seen)[codes]
    if len(text) > MANY:
        codes, seen = once(text)
        return _missing(seen)[codes] if len(seen) <= MANY else _missing(text)
    return _missing(text)


def _missing(text: pd.Series) -> Bools:
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
        out = out.str.replace(r"(?<=[0-9])[\s'’](?=[0-9]{3}(?![0-9]))", "", regex=True)
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
    _, held = once(text if typed is None else text[~typed])
    held = _compact(held[held.str.contains(r"[.,]", regex=True)])
    if held.empty:
        return Marks()
    dot = held.str.fullmatch(_CLEAR_DOT) & ~held.str.fullmatch(EITHER_DOT)
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
    own = (column if column is not None else marks(text, typed)).settled() or mark
    n = len(text)
    if is_coded(text) or (n > MANY and (typed is None or typed.all() or not typed.any())):
        codes, seen = once(text)
        if is_coded(text) or len(seen) < n // 2:
            one = numbers(seen, None if typed is None else typed[: len(seen)], Marks(), own)
            unit = {
                int(i): one.unit[int(codes[i])]
                for i in (np.flatnonzero(np.isin(codes, list(one.unit))) if one.unit else ())
            }
            return Numbers(one.value[codes], one.bad[codes], unit, one.either[codes])
    if own != "," and n > MANY:
        # What is a number as it stands means the same with or without the others: only the rest is looked at closely.
        body = clean(text)
        good = body.str.fullmatch(_PLAIN).to_numpy(dtype=bool)
        if good.any():
            return _some_plain(text, body, good, typed, own)
    return _numbers(text, typed, own)


def _some_plain(text: pd.Series, body: pd.Series, good: Bools, typed: Bools | None, own: str) -> Numbers:
    """As ``_numbers``, where some cells are numbers as they stand."""
    rest = np.flatnonzero(~good)
    value, bad, either = np.full(len(text), np.nan), np.zeros(len(text), dtype=bool), np.zeros(len(text), dtype=bool)
    value[good] = body[good].astype("float64").to_numpy()
    endless = good & ~np.isfinite(value)
    value[endless], bad[endless] = np.nan, True
    if not len(rest):
        return Numbers(value, bad, {}, either)
    other = _numbers(text.iloc[rest].reset_index(drop=True), None if typed is None else typed[rest], own)
    value[rest], bad[rest], either[rest] = other.value, other.bad, other.either
    return Numbers(value, bad, {int(rest[i]): unit for i, unit in other.unit.items()}, either)


def _numbers(text: pd.Series, typed: Bools | None, own: str) -> Numbers:
    n = len(text)
    lone = np.zeros(n, dtype=bool) if typed is None else typed
    missing = is_missing(text)
    body = _compact(text)
    either = np.zeros(n, dtype=bool)
    has_comma = body.str.contains(",", regex=False).to_numpy(dtype=bool) & ~lone
    if own == "," or has_comma.any():
        either_comma = body.str.fullmatch(_EITHER_COMMA).to_numpy(dtype=bool) & ~lone
        either_dot = body.str.fullmatch(EITHER_DOT).to_numpy(dtype=bool) & ~lone
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


_STATION = re.compile(r"^([+-]?)([0-9]+)\+([0-9]+(?:[.,][0-9]*)?)$")


def stations(text: pd.Series, unit: str) -> pd.Series:
    """Stations written ``1+250.0`` as plain numbers; all else untouched.

    Parameters
    ----------
    text : Series of str, shape (n,)
    unit : str
        Of the column. Where the digits do not tell, the part before the plus counts hundreds of feet, else thousands:
        with two digits before the point (12+45.3) it counts hundreds, with three (1+250) thousands, the same for the
        whole column.

    References
    ----------
    practice: stations of a hundred feet or metres are written with two digits after the plus, kilometres with three.

    Examples
    --------
    >>> stations(pd.Series(["0+012.500", "3.5"], dtype="str"), "m").tolist()
    ['12.5', '3.5']
    >>> stations(pd.Series(["12+45.3"], dtype="str"), "m").tolist()
    ['1245.3']
    """
    step = 100.0 if unit in ("ft", "feet", "foot") else 1000.0
    return each(text, lambda cells: _stations(cells, step))


def _stations(text: pd.Series, step: float) -> pd.Series:
    body = clean(text)
    marked = body.str.fullmatch(_STATION).to_numpy(dtype=bool)
    if not marked.any():
        return text
    out = text.copy()
    after = body[marked].str.extract(r"\+([0-9]+)", expand=False).str.len()
    most = int(after.max())
    step = 1000.0 if most == 3 else 100.0 if most == 2 else step
    for i in np.flatnonzero(marked):
        sign, whole, rest = _STATION.match(str(body.iloc[i])).groups()  # type: ignore[union-attr]
        out.iloc[i] = repr(float(f"{sign}1") * (float(whole) * step + float(rest.replace(",", "."))))
    return out


_DECIMAL_DEG = re.compile(r"([NSEWnsew])?\s*([+-]?[0-9]+(?:[.,][0-9]+)?)\s*(?:°|deg\.?)?\s*([NSEWnsew])?")
_PARTS_DEG = re.compile(
    r"""([NSEWnsew])?\s*([+-]?[0-9]{1,3})\s*(?:°|º|deg\.?|d|\s|:|-)\s*
        ([0-9]{1,2}(?:[.,][0-9]+)?)\s*(?:'|′|’|m|min\.?|:|-|\s|$)?\s*
        (?:([0-9]{1,2}(?:[.,][0-9]+)?)\s*(?:"|″|”|''|′′|’’|s|sec\.?)?)?\s*([NSEWnsew])?""",
    re.X,
)


# 84.26.6: degrees, minutes and a part of a minute, a stop between each
_STOPS_DEG = re.compile(r"([NSEWnsew])?\s*([+-]?[0-9]{1,3})\.([0-9]{1,2}\.[0-9]+)()\s*([NSEWnsew])?")


def degrees(text: pd.Series, north: bool) -> pd.Series:
    """Degrees with letters or signs as plain numbers; all else untouched.

    Parameters
    ----------
    text : Series of str, shape (n,)
    north : bool
        True for latitudes, False for longitudes; a letter of the other kind is left as it is.

    Examples
    --------
    >>> degrees(pd.Series(["10.5 W", "59 30 00 N", "7"], dtype="str"), False).tolist()
    ['-10.5', '59 30 00 N', '7']
    """
    return each(text, lambda cells: _degrees(cells, north))


def _degrees(text: pd.Series, north: bool) -> pd.Series:
    body = clean(text)
    odd = ~body.str.fullmatch(r"[+-]?[0-9]*(?:[.,][0-9]*)?").to_numpy(dtype=bool)
    if not odd.any():
        return text
    out = text.copy()
    for i in np.flatnonzero(odd):
        value = _degree(str(body.iloc[i]), "nsNS" if north else "ewEW")
        if value is not None:
            out.iloc[i] = repr(value)
    return out


def _degree(cell: str, letters: str) -> float | None:
    found = _DECIMAL_DEG.fullmatch(cell)
    if found:
        before, whole, after = found.groups()
        size = abs(float(whole.replace(",", ".")))
    else:
        parts = _PARTS_DEG.fullmatch(cell) or _STOPS_DEG.fullmatch(cell)
        if not parts:
            return None
        before, whole, minutes, seconds, after = parts.groups()
        m, s = (float(p.replace(",", ".")) if p else 0.0 for p in (minutes, seconds))
        if m > 60 or s > 60 or (m == 60 and s):  # 60.00 is carried
            return None
        size = abs(float(whole)) + m / 60 + s / 3600
    letter = before or after or ""
    if (before and after) or (letter and letter not in letters) or (letter and whole[0] in "+-"):
        return None
    negative = whole[0] == "-" or letter in ("S", "s", "W", "w")
    return -size if negative else size


# Names of months in the languages of the Latin script that district files are kept in.
_MONTHS = {
    name: i
    for i, names in enumerate(
        (
            "jan january januar januari janvier janv enero ene gennaio gen janeiro",
            "feb february februar februari février fevrier févr fevr fév febrero febbraio fevereiro fev",
            "mar march märz marz mrz maart mars marzo março marco mrt",
            "apr april avril avr abril abr aprile",
            "may mai mei maj mayo maggio mag maio",
            "jun june juni juin junio giugno giu junho",
            "jul july juli juillet juil julio luglio lug julho",
            "aug august augustus augusti août aout agosto ago",
            "sep sept september septembre septiembre settembre set setembro",
            "oct october oktober okt octobre octubre ottobre ott outubro out",
            "nov november novembre noviembre novembro",
            "dec december dezember dez desember des décembre decembre déc diciembre dic dicembre dezembro",
        ),
        start=1,
    )
    for name in names.split()
}
_TIME = r"(?:[T ,]+[0-9]{1,2}[:.h][0-9]{2}.*)?"
_ISO = re.compile(r"^([0-9]{4})([-/.]?)([0-9]{2})\2([0-9]{2})" + _TIME + "$")
_YEAR_FIRST = re.compile(r"^([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})" + _TIME + "$")
_PAIR = re.compile(r"^([0-9]{1,2})([/.\-])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})" + _TIME + "$")
_NAMED = re.compile(
    r"^(?:[^\W\d]+,? )?([0-9]{1,2})(?:st|nd|rd|th|er|\.)?[\s.\-/]*(?:de )?([^\W\d]{3,10})\.?[\s.,\-/]*(?:de )?"
    r"([0-9]{4}|[0-9]{2})" + _TIME + "$"
)
_NAMED_US = re.compile(
    r"^(?:[^\W\d]+,? )?([^\W\d]{3,10})\.?[\s\-]+([0-9]{1,2})(?:st|nd|rd|th)?,?[\s\-]+([0-9]{4}|[0-9]{2})" + _TIME + "$"
)


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
    short : array of bool, shape (n,)
        A cell whose year has two digits.
    """

    value: np.ndarray[Any, np.dtype[np.datetime64]]
    bad: Bools
    order: str
    proof: tuple[int, ...]
    short: Bools


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _full_year(text: str, latest: int) -> int:
    """Two digits as the latest year that is not after ``latest``."""
    year = int(text)
    if len(text) > 2:
        return year
    return year + (latest // 100 * 100 if year <= latest % 100 else latest // 100 * 100 - 100)


def _readings(found: re.Match[str], latest: int) -> dict[str, dt.date]:
    """The days a cell such as 03/04/22 can be, by the order that reads it so."""
    a, mark, b, c = found[1], found[2], found[3], found[4]
    year = _full_year(c, latest)
    out = {"day first": _day(year, int(b), int(a)), "month first": _day(year, int(a), int(b))}
    if len(c) == 2 and mark == "-" and len(a) == 2:
        out["year first"] = _day(_full_year(a, latest), int(b), int(c))
    return {order: day for order, day in out.items() if day is not None}


def days(text: pd.Series, order: str = "", latest: int = 2099) -> Dates:
    """Dates out of a column of text; one order of day, month and year for the whole column.

    Parameters
    ----------
    text : Series of str, shape (n,)
    order : str
        ``day first``, ``month first`` or ``year first`` where it is stated; else the column decides.
    latest : int
        Year that none of two digits may pass.

    Examples
    --------
    >>> found = days(pd.Series(["03/04/2022", "27/04/2022"], dtype="str"))
    >>> found.order, found.value.astype("datetime64[D]").tolist()[0].isoformat()
    ('day first', '2022-04-03')
    """
    codes, seen = once(clean(text))
    if not len(seen):
        none = np.zeros(0, bool)
        return Dates(np.zeros(0, "datetime64[us]"), none, "", (), none)
    first = np.full(len(seen), -1)
    first[codes[::-1]] = np.arange(len(text))[::-1]
    missing = is_missing(seen)
    made: list[dt.date | None] = [None] * len(seen)
    short = np.zeros(len(seen), dtype=bool)
    pairs: dict[int, dict[str, dt.date]] = {}
    for i, cell in enumerate(str(x) for x in seen):
        if missing[i]:
            continue
        if found := _ISO.match(cell) or _YEAR_FIRST.match(cell):
            made[i] = _day(int(found[1]), int(found[3]), int(found[4]))
        elif found := _PAIR.match(cell):
            pairs[i], short[i] = _readings(found, latest), len(found[4]) == 2
        elif found := _NAMED.match(cell):
            made[i] = _day(_full_year(found[3], latest), _MONTHS.get(found[2].lower(), 0), int(found[1]))
            short[i] = len(found[3]) == 2
        elif found := _NAMED_US.match(cell):
            made[i] = _day(_full_year(found[3], latest), _MONTHS.get(found[1].lower(), 0), int(found[2]))
            short[i] = len(found[3]) == 2
    settled, proof = (order, ()) if order else _one_order(pairs)
    for i, ways in pairs.items():
        made[i] = ways.get(settled) if settled not in ("either", "neither") else next(iter(ways.values()), None)
    day = np.array([np.datetime64("NaT") if d is None else np.datetime64(d, "us") for d in made], "datetime64[us]")
    bad = np.array([d is None for d in made], dtype=bool) & ~missing
    at = tuple(int(first[i]) for i in proof)
    return Dates(day[codes], bad[codes], settled if pairs else "", at, short[codes])


def _one_order(pairs: dict[int, dict[str, dt.date]]) -> tuple[str, tuple[int, ...]]:
    """The one order that reads every cell, with a cell that shows it; ``either`` or ``neither`` with theirs."""
    readable = {i: ways for i, ways in pairs.items() if ways}
    if not readable:
        return "day first", ()
    fits = [o for o in ("day first", "month first", "year first") if all(o in ways for ways in readable.values())]
    if not fits:
        one = next(i for i, ways in readable.items() if len(ways) == min(map(len, readable.values())))
        other = next((i for i, w in readable.items() if not set(w) & set(readable[one])), one)
        return "neither", (one, other)
    if any(len({ways[o] for o in fits}) > 1 for ways in readable.values()):
        return "either", (next(i for i, ways in readable.items() if len({ways[o] for o in fits}) > 1),)
    narrow = [i for i, ways in readable.items() if len(ways) == 1]
    return fits[0], tuple(narrow[:1])


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
    codes, seen = once(clean(text))
    missing = is_missing(seen)
    word = [None if m else known.get(plain(str(s))) for s, m in zip(seen, missing, strict=True)]
    bad = np.array([w is None and not m for w, m in zip(word, missing, strict=True)], dtype=bool)
    if not len(seen):
        return pd.Series(pd.array([None] * len(text), dtype="str"), index=text.index), np.zeros(len(text), dtype=bool)
    return spread([*word], codes).set_axis(text.index), bad[codes]

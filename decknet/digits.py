"""How many digits a printed figure carries: one rule for every output that a person reads.

A printed figure carries no more digits than it means. What is worked out (money, expected areas, area-years) has
three significant digits; shares and paces have two, since a second crew on the same deck seldom repeats the third;
hours go to the half hour; chances to the whole percent. What is on record, given in the settings or set out with a
tape is printed as it stands. The exact figure is in the JSON, in the cells of the workbook and in the GIS file.

Each figure is rounded by itself, sums from the exact sum, so the rounded rows of a table may differ from its last
row in the last digit (``ROUNDED`` says so). Halves go away from zero, after rounding to twelve significant digits,
so that no printed figure hangs on the last bit of a sum. The map's page holds the same rule (``page/digits.js``)
and is handed ``PLACES``; a test holds both to the same words.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = [
    "MISSING",
    "PLACES",
    "ROUNDED",
    "area",
    "as_printed",
    "chance",
    "column",
    "count",
    "counted",
    "crew_days",
    "degrees",
    "exposure",
    "factor",
    "gap",
    "given",
    "gradation",
    "hours",
    "hours_needed",
    "keyed",
    "kilograms",
    "length",
    "money",
    "number",
    "pace",
    "percent",
    "percent_given",
    "percent_needed",
    "points",
    "reached",
    "score",
    "set_out",
    "share",
    "signed",
    "size",
    "span",
    "times",
    "traffic",
    "volume",
    "weight",
    "years",
]

MISSING = "–"
MINUS = "−"
ROUNDED = "Figures are rounded one by one, sums from the exact sum."
_EXACT = 12  # significant digits that a worked-out figure is sure of
_MILLION = 1_000_000

# Quantity -> decimals below 1, from 1 to 10, from 10 on. From 100 on no more than three significant digits.
PLACES: dict[str, tuple[int, int, int]] = {
    "money": (0, 0, 0),  # never finer than the whole unit
    "area": (2, 1, 1),  # m²: a tape and a chalk line are good for a tenth; a spot hole is drawn to a hundredth
    "length": (2, 1, 1),  # m
    "exposure": (2, 1, 1),  # m²·yr
    "share": (1, 1, 0),  # percent
    "pace": (2, 1, 0),  # points of deck share a year
    "points": (1, 1, 1),  # of priority, 0 to 100: one decimal, so that its parts can be followed
    "score": (2, 2, 2),  # of forecasts, in points of deck share
    "factor": (2, 2, 2),
    "weight": (3, 3, 3),  # where a weight would turn the order, which follows exactly from it
    "days": (1, 1, 0),  # of a crew
    "years": (1, 1, 0),
    "times": (1, 1, 0),  # of an average
    "size": (1, 1, 0),  # of a file
    "whole": (0, 0, 0),  # vehicles, whole hours, days left
}


def _known(value: Any) -> bool:
    if isinstance(value, str):
        raise TypeError(f"{value!r} is a text, not a figure")
    try:
        return value is not None and math.isfinite(value)
    except TypeError:  # the frames' own mark of a missing value
        return False


def _steady(size: float) -> tuple[int, int]:
    """A positive number as whole number times ten to a power, to twelve significant digits."""
    digits, _, power = f"{size:.{_EXACT - 1}e}".partition("e")
    return int(digits.replace(".", "")), int(power) - (_EXACT - 1)


def _rounded(whole: int, shift: int, *, up: bool = False) -> int:
    """``whole`` times ten to the ``shift``, as a whole number: halves up, or any rest up."""
    if shift >= 0:
        return whole * int(10**shift)
    by = int(10**-shift)
    return int((whole + (by - 1 if up else by // 2)) // by)


def _places(size: int, power: int, places: tuple[int, int, int]) -> int:
    """Decimals (negative: tens, hundreds) that ``size`` times ten to the ``power`` is printed with."""
    top = len(str(size)) - 1 + power
    return places[0] if top < 0 else places[1] if top == 0 else min(places[2], 2 - top) if top > 1 else places[2]


def _text(whole: int, places: int) -> str:
    if places <= 0:
        return f"{whole * int(10**-places):,}"
    head, tail = divmod(whole, int(10**places))
    return f"{head:,}.{tail:0{places}d}"


def number(value: Any, quantity: str, missing: str = MISSING, *, up: bool = False) -> str:
    """A figure as printed, by the rule of its quantity.

    Parameters
    ----------
    value : number or None
    quantity : str
        One of ``PLACES``.
    missing : str
        What is printed where the value is missing or endless.
    up : bool
        Rounded up: of a bound, or of what must be reached.

    Examples
    --------
    >>> number(12.349, "area"), number(0.004, "area"), number(0, "area"), number(None, "area")
    ('12.3', 'under 0.01', '0', '–')
    """
    if not _known(value):
        return missing
    size = abs(float(value))
    if size == 0.0:
        return "0"
    places, (whole, power) = PLACES[quantity], _steady(size)
    decimals = _places(whole, power, places)
    rounded = _rounded(whole, power + decimals, up=up)
    if not rounded:
        return f"under {_text(1, decimals)}"
    further = _places(rounded, -decimals, places)
    if further < decimals:  # rounded up into the next power of ten: 9.96 is 10, not 10.0
        rounded, decimals = rounded // int(10 ** (decimals - further)), further
    sign = MINUS if value < 0 else ""
    if decimals <= 0 and rounded * 10**-decimals >= _MILLION:
        # three significant digits: 1.23, 12.3 or 123 million, then 1,230 million
        millions = max(0, 6 + decimals)
        return f"{sign}{_text(_rounded(rounded, millions - 6 - decimals), millions)} million"
    return sign + _text(rounded, decimals)


def as_printed(values: Floats, quantity: str) -> Floats:
    """The numbers that the printed figures stand for; zero where a figure is too small to print.

    Parameters
    ----------
    values : array, shape (n,)
        In the unit printed (a share in percent).
    quantity : str

    Examples
    --------
    >>> import numpy as np
    >>> as_printed(np.array([12.349, 9.96, 0.004]), "area").tolist()
    [12.3, 10.0, 0.0]
    """
    import numpy as np  # only here: the commands' help loads nothing heavy

    size = np.abs(values)
    known = np.isfinite(size) & (size > 0)
    safe = np.where(known, size, 1.0)
    top = np.floor(np.log10(safe * (1 + 1e-12)))
    below, units, tens = PLACES[quantity]
    decimals = np.where(top < 0, below, np.where(top < 1, units, np.where(top < 2, tens, np.minimum(tens, 2 - top))))
    scale = 10.0**decimals
    rounded = np.floor(safe * scale * (1 + 1e-12) + 0.5) / scale
    out: Floats = np.where(known, np.copysign(rounded, values), values)
    return out


def texts(values: Floats, quantity: str, say: Callable[[Any], str], *, times: float = 1.0) -> list[str]:
    """What ``say`` prints of each of many values; each printed figure is made once.

    Parameters
    ----------
    values : array, shape (n,)
    quantity : str
        By whose rule ``say`` prints.
    say : callable
    times : float
        From the value to the unit printed: 100 for a share in percent.

    Examples
    --------
    >>> import numpy as np
    >>> texts(np.array([0.0512, 0.05124, 0.0, 0.00004, np.nan]), "share", percent, times=100)
    ['5.1 %', '5.1 %', '0 %', 'under 0.1 %', 'not known']
    """
    import numpy as np

    key = as_printed(times * values, quantity)
    key = np.where((key == 0) & (values != 0), np.copysign(1e-300, values), key)  # too small to print is not nothing
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    words = [say(v) for v in values[first].tolist()]
    return [words[i] for i in which.tolist()]


# ---- quantities ---------------------------------------------------------------------------------


def money(value: Any, missing: str = MISSING) -> str:
    """An amount of money: three significant digits, never finer than the whole unit.

    Examples
    --------
    >>> money(8_472_298), money(247_116), money(1_234), money(999_500), money(-12.4)
    ('8.47 million', '247,000', '1,230', '1.00 million', '−12')
    """
    return number(value, "money", missing)


def area(value: Any, missing: str = MISSING) -> str:
    """An area in m²: to 0.1 below 100, three significant digits above; below 1 to 0.01.

    Examples
    --------
    >>> area(0.354), area(9.96), area(99.96), area(123.4), area(36_912)
    ('0.35', '10.0', '100', '123', '36,900')
    """
    return number(value, "area", missing)


def length(value: Any, missing: str = MISSING) -> str:
    """A length in m that is worked out. One on record is printed by ``given``, one to saw by ``set_out``."""
    return number(value, "length", missing)


def exposure(value: Any, missing: str = MISSING) -> str:
    """Unsound area over time in m²·yr: three significant digits."""
    return number(value, "exposure", missing)


def _percent(value: Any) -> float | None:
    return 100 * float(value) if _known(value) else None


def share(value: Any, missing: str = MISSING) -> str:
    """A share (0 to 1) in percent, without the sign: to 0.1 below 10 %, whole above.

    Examples
    --------
    >>> share(0.0512), share(0.1249), share(0.0004), share(1)
    ('5.1', '12', 'under 0.1', '100')
    """
    return number(_percent(value), "share", missing)


def percent(value: Any, missing: str = "not known") -> str:
    """A share in percent, with its sign.

    Examples
    --------
    >>> percent(0.0512), percent(None)
    ('5.1 %', 'not known')
    """
    return f"{share(value)} %" if _known(value) else missing


def percent_given(value: float) -> str:
    """A share from the settings in percent, as it was given.

    Examples
    --------
    >>> percent_given(0.07), percent_given(0.125)
    ('7 %', '12.5 %')
    """
    return f"{given(100 * value)} %"


def percent_needed(value: float) -> str:
    """A share that must be reached, rounded up.

    Examples
    --------
    >>> percent_needed(0.0871), percent_needed(0.1201)
    ('8.8 %', '13 %')
    """
    return f"{number(100 * value, 'share', up=True)} %"


def chance(value: Any, missing: str = MISSING) -> str:
    """A chance, or a part of cases (0 to 1): whole percent without the sign, its ends kept apart.

    Examples
    --------
    >>> chance(0.8163), chance(0.996), chance(1), chance(0.004), chance(0)
    ('82', 'over 99', '100', 'under 1', '0')
    """
    if not _known(value):
        return missing
    hundred = round(100 * float(value), 9)
    if 0 < hundred < 0.5 or 99.5 <= hundred < 100:
        return "under 1" if hundred < 1 else "over 99"
    return str(math.floor(hundred + 0.5))


def pace(value: Any, missing: str = MISSING) -> str:
    """A growth (share a year) in points a year: two significant digits.

    Examples
    --------
    >>> pace(0.00523), pace(0.01253), pace(0.00004)
    ('0.52', '1.3', 'under 0.01')
    """
    return number(_percent(value), "pace", missing)


def points(value: Any, missing: str = MISSING) -> str:
    """Points of priority, 0 to 100: one decimal, so that the parts can be followed to the sum."""
    return number(value, "points", missing)


def score(value: Any, missing: str = MISSING) -> str:
    """A score of forecasts in points of deck share: two decimals."""
    return number(value, "score", missing)


def weight(value: Any, missing: str = MISSING) -> str:
    """A weight, 0 to 1, at which an order turns: three decimals."""
    return number(value, "weight", missing)


def factor(value: Any, missing: str = MISSING) -> str:
    """A number of times: two decimals."""
    return number(value, "factor", missing)


def times(value: Any, missing: str = MISSING) -> str:
    """How many times an average: to 0.1 below 10, whole above.

    Examples
    --------
    >>> times(14.17), times(1.93)
    ('14', '1.9')
    """
    return number(value, "times", missing)


def hours(value: Any, missing: str = MISSING) -> str:
    """Hours: to the half below 10, whole above, three significant digits.

    Examples
    --------
    >>> hours(7.3), hours(9.8), hours(12.4), hours(0.1), hours(1_234)
    ('7.5', '10', '12', 'under 0.5', '1,230')
    """
    if not _known(value) or abs(float(value)) >= 10 or value == 0:
        return number(value, "whole", missing)
    whole, power = _steady(2 * abs(float(value)))
    halves = _rounded(whole, power)
    sign = MINUS if value < 0 else ""
    return sign + given(halves / 2) if halves else "under 0.5"


def hours_needed(value: float) -> str:
    """A least time with its unit, rounded up: to the half hour, from two days on to the half day.

    Examples
    --------
    >>> hours_needed(12.2), hours_needed(12.5), hours_needed(50)
    ('12.5 h', '12.5 h', '2.5 days')
    """
    amount, unit = (value, "h") if value < 48 else (value / 24, "days")
    return f"{given(math.ceil(round(2 * amount, 9)) / 2)} {unit}"


def crew_days(value: Any, missing: str = MISSING) -> str:
    """Days of a crew: to 0.1 below 10, whole above, three significant digits."""
    return number(value, "days", missing)


def years(value: Any, missing: str = MISSING) -> str:
    """A span of years: to 0.1 below 10, whole above.

    Examples
    --------
    >>> years(4.26), years(12.7)
    ('4.3', '13')
    """
    return number(value, "years", missing)


def traffic(value: Any, missing: str = MISSING) -> str:
    """Vehicles, a day or in a queue: three significant digits. A count on record is printed by ``count``."""
    return number(value, "whole", missing)


def kilograms(value: Any, missing: str = MISSING) -> str:
    """Sand, stone, cement and water in kg: three significant digits."""
    return number(value, "whole", missing)


def size(value: Any, missing: str = MISSING) -> str:
    """The size of a file: two significant digits."""
    return number(value, "size", missing)


def signed(value: Any, say: Callable[[Any], str]) -> str:
    """A difference with its sign.

    Examples
    --------
    >>> signed(0.25, score), signed(-0.25, score), signed(0, score)
    ('+0.25', '−0.25', '0')
    """
    return f"+{say(value)}" if _known(value) and value > 0 else say(value)


def span(low: Any, high: Any, say: Callable[[Any], str]) -> str:
    """A range, each end by the same rule.

    Examples
    --------
    >>> span(0.0821, 0.1234, share)
    '8.2 to 12'
    """
    return f"{say(low)} to {say(high)}"


# ---- what is exact ------------------------------------------------------------------------------


def count(value: Any, missing: str = MISSING) -> str:
    """How many there are, to the last one.

    Examples
    --------
    >>> count(12_345), count(None)
    ('12,345', '–')
    """
    if not _known(value):
        return missing
    return f"{round(float(value)):,}".replace("-", MINUS)


def counted(value: float, one: str, several: str = "") -> str:
    """How many of what; an ``s`` makes several of one unless told otherwise.

    Examples
    --------
    >>> counted(1, "deck"), counted(2_000, "deck"), counted(2, "survey of a deck", "surveys of a deck")
    ('1 deck', '2,000 decks', '2 surveys of a deck')
    """
    return f"{count(value)} {one if value == 1 else several or one + 's'}"


def given(value: Any, missing: str = MISSING) -> str:
    """A figure as it was given: of the settings, or of a record.

    Examples
    --------
    >>> given(45.25), given(12_000.0), given(0.1 + 0.2)
    ('45.25', '12,000', '0.3')
    """
    return f"{float(value) + 0.0:,.12g}".replace("-", MINUS) if _known(value) else missing


def _fixed(value: Any, places: int, missing: str) -> str:
    if not _known(value):
        return missing
    whole, power = _steady(abs(float(value))) if value else (0, 0)
    rounded = _rounded(whole, power + places)
    return (MINUS if value < 0 and rounded else "") + _text(rounded, places)


def set_out(value: Any, missing: str = MISSING) -> str:
    """What a crew sets out by tape or is paid for by the patch: m and m² to 0.01, the chalk step.

    Examples
    --------
    >>> set_out(1.005), set_out(-0.001), set_out(12)
    ('1.01', '0.00', '12.00')
    """
    return _fixed(value, 2, missing)


def keyed(value: Any) -> str:
    """As ``set_out``, with the minus that a keyboard has: what is typed back in from a return."""
    return set_out(value).replace(MINUS, "-")


def volume(value: Any, missing: str = MISSING) -> str:
    """Concrete of a patch in m³, to the litre."""
    return _fixed(value, 3, missing)


def degrees(value: Any, missing: str = MISSING) -> str:
    """Longitude or latitude, to about a metre."""
    return _fixed(value, 5, missing)


def gradation(values: list[float]) -> list[str]:
    """Marks of a scale, with as many decimals as the finest of them needs.

    Examples
    --------
    >>> gradation([0, 0.5, 1]), gradation([0, 2000])
    (['0.0', '0.5', '1.0'], ['0', '2,000'])
    """
    needed = max((len(given(v).partition(".")[2]) for v in values), default=0)
    return [_fixed(v, needed, MISSING) for v in values]


def gap(value: float) -> str:
    """A proven gap (0 to 1) in percent, rounded up to 0.01: a proof is never told closer than it is.

    Examples
    --------
    >>> gap(0.00361), gap(0.0036), gap(0)
    ('0.37', '0.36', '0.00')
    """
    return _fixed(_hundredths(value) / 100, 2, MISSING)


def reached(value: float) -> str:
    """What a proven gap (0 to 1) leaves of the best possible, in percent, rounded down to 0.01.

    Examples
    --------
    >>> reached(0.00361)
    '99.63'
    """
    return _fixed(100 - _hundredths(value) / 100, 2, MISSING)


def _hundredths(value: float) -> int:
    return math.ceil(round(float(value) * 1e4, 6))


def column(values: list[float], least: int = 0) -> list[str]:
    """The answers of a question in one column: four digits that count in the largest, one number of decimals.

    Parameters
    ----------
    values : list of float
    least : int
        Decimals at least.

    Examples
    --------
    >>> column([12.3456, 0.5, float("nan")]), column([12_345.0, 1.0])
    (['12.35', '0.50', '–'], ['12,345', '1'])
    """
    finite = [abs(v) for v in values if math.isfinite(v)]
    most = max(finite, default=0.0)
    places = max(0, min(6, 3 - math.floor(math.log10(most)))) if most > 0 else 0
    places = 0 if all(v == int(v) for v in finite) else max(places, least)
    plain = [_fixed(v, places, MISSING) for v in values]
    return plain if most >= 10_000 else [text.replace(",", "") for text in plain]

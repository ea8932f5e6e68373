"""How far a figure is kept, so that no answer hangs on the last bit, which differs between processors.

Rounded here is what a search found, what is handed on about a deck, and what is written as JSON; see DEVELOPERS.md,
"Decisions". Rounding is by decimals: exact operations, the same on every processor.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CHANCE_PLACES",
    "DEGREE_PLACES",
    "PACE_PLACES",
    "PARAMETER_PLACES",
    "POINT_PLACES",
    "SHARE_PLACES",
    "YEAR_PLACES",
    "for_json",
    "significant",
    "to_places",
]

Floats = NDArray[np.float64]

PARAMETER_PLACES = 6  # unknowns of a search, on a scale on which they are about 1
SHARE_PLACES = 6  # share of a deck: of 1,000 m2, 10 cm2
PACE_PLACES = 8  # share a year
DEGREE_PLACES = 9  # of longitude and latitude: a tenth of a millimetre
YEAR_PLACES = 3  # yr: nine hours
CHANCE_PLACES = 6
POINT_PLACES = 6  # points of priority, 0 to 100
_JSON_DIGITS = 9
_JSON_PLACES = 2  # money in full


def to_places(x: Floats, places: int) -> Floats:
    """Values rounded to decimals; NaN and infinities stay, and minus zero becomes zero.

    Examples
    --------
    >>> to_places(np.array([0.1 + 0.2, -1e-17]), 6).tolist()
    [0.3, 0.0]
    """
    return np.asarray(np.round(x, places) + 0.0, dtype=np.float64)


def significant(x: float, digits: int = 7) -> float:
    """A value rounded to significant digits.

    Examples
    --------
    >>> significant(8_472_297.61), significant(-0.00012345678)
    (8472298.0, -0.0001234568)
    """
    return float(f"{x:.{digits - 1}e}") + 0.0


def for_json(data: Any) -> Any:
    """Data with every fraction rounded to 9 significant digits, and money in full: never coarser than hundredths.

    Examples
    --------
    >>> for_json({"share": 0.1 + 0.2, "costs": [123_456_789_012.34, 2]})
    {'share': 0.3, 'costs': [123456789012.34, 2]}
    """
    if isinstance(data, float):
        if data == 0.0 or not math.isfinite(data):
            return data
        before = math.floor(math.log10(abs(data))) + 1
        return round(data, max(_JSON_DIGITS - before, _JSON_PLACES)) + 0.0
    if isinstance(data, dict):
        return {key: for_json(value) for key, value in data.items()}
    if isinstance(data, (list, tuple)):
        return [for_json(value) for value in data]
    return data

"""What a programme is chosen from, the rules beside the money, and the choice; and the whole numbers behind them.

The search works on whole numbers only: money in the smallest coin, crew days in tenths, benefit in thousandths of an
m2·yr. Sums are then exact whatever their order, and a difference in the last bit of a forecast changes no option.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = [
    "COINS",
    "DAY_PARTS",
    "GRAINS",
    "SAME",
    "Choice",
    "Options",
    "Rules",
    "on_benefit_grid",
    "total_value",
    "whole_amount",
    "whole_value",
]

COINS = 100  # smallest coins in a unit of money
DAY_PARTS = 10  # parts of a crew day that are told apart
GRAINS = 1_000  # parts of an m2·yr that are told apart: a few hundredths of a percent of the least works
SAME = 9  # decimals of a share or a priority beyond which two are one and the same


def on_benefit_grid(value: Floats) -> Floats:
    """Benefit, m2·yr, at the nearest step of the grid.

    Examples
    --------
    >>> on_benefit_grid(np.array([1.23449999, 1.2345, 1.2346])).tolist()
    [1.234, 1.234, 1.235]
    """
    return np.rint(value * GRAINS) / GRAINS


def whole_value(value: Floats) -> Floats:
    """Benefit, m2·yr, as a whole number of grains."""
    return np.rint(value * GRAINS)


def whole_amount(amount: Floats, parts: int) -> Floats:
    """An amount used, as a whole number of parts, rounded up; what a limit allows is rounded down.

    Examples
    --------
    >>> whole_amount(np.array([12.3, 0.1 + 0.2]), DAY_PARTS).tolist()
    [123.0, 3.0]
    """
    return np.ceil(np.round(amount * parts, 4))


def total_value(options: Options, taken: Whole) -> float:
    """Benefit of the options taken, m2·yr; `taken` as `Choice.taken`. An exact sum of grains."""
    return float(whole_value(options.value[taken[taken >= 0]]).sum()) / GRAINS


@dataclass(frozen=True, slots=True)
class Options:
    """What can be taken. Every array has shape (options,).

    Attributes
    ----------
    deck : whole number, index of the deck, 0 to decks - 1, never falling
    year : index of the year, 0 to years - 1
    money : currency, >= 0; counted in coins, rounded up
    days : crew days, >= 0; counted in tenths, rounded up
    value : m2·yr or any other measure of worth; counted in grains, rounded
    warm_days : days of them that need the warm season; None: none do
    later : index of the year of a second work on the deck, after `year`; -1 where there is none; or None
    later_money, later_days, later_warm_days : what the second work uses
    """

    deck: Whole
    year: Whole
    money: Floats
    days: Floats
    value: Floats
    warm_days: Floats | None = None
    later: Whole | None = None
    later_money: Floats | None = None
    later_days: Floats | None = None
    later_warm_days: Floats | None = None

    def __len__(self) -> int:
        return len(self.deck)


@dataclass(frozen=True, slots=True)
class Rules:
    """Limits beside each year's money and crew days.

    Attributes
    ----------
    carry_over : money that a year leaves may be spent in later years
    warm_days : array, shape (years,), crew days of the warm season, or None
    route : array, shape (decks,), whole number, the route of each deck, -1 for none; or None
    set_up : money paid once for all works on a route in a year
    most_on_route : works on a route in a year at most; 0 for no limit
    area : array, shape (decks,), whole number, the sub-area of each deck, -1 for none; or None
    kept : array, shape (areas, years), money of each year kept for the decks of each area, or None
    """

    carry_over: bool = False
    warm_days: Floats | None = None
    route: Whole | None = None
    set_up: float = 0.0
    most_on_route: int = 0
    area: Whole | None = None
    kept: Floats | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """What is taken, and how good it is.

    Attributes
    ----------
    taken : array, shape (decks,), index of the option taken; -1 for none
    value : sum of the values taken
    bound : proven upper bound of that sum, >= value
    gap : (bound - value) / bound, 0 to 1
    money_price : array, shape (years,), value bought by the next unit of money of a year in the relaxed problem
    days_price : array, shape (years,), the same for a crew day
    worth : array, shape (options,), value less all that an option uses at those prices, its set-up apart
    stopped : the user's clock ended the search, so that another run may find another programme
    lost : a child process of the search came to grief, with the same effect
    """

    taken: Whole
    value: float
    bound: float
    gap: float
    money_price: Floats
    days_price: Floats
    worth: Floats
    stopped: bool
    lost: bool

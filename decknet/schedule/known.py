"""The best programme known and the proven bound, in whole numbers, while a search goes on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.prices import Problem

    Whole = npt.NDArray[np.signedinteger]

__all__ = ["Known", "gap_between"]

SLACK = 1e-9  # part of a bound that the floating sums behind it may be off by


def gap_between(value: float, bound: float) -> float:
    """(bound - value) / bound, 0 to 1.

    Examples
    --------
    >>> gap_between(99.0, 100.0)
    0.01
    """
    return min(max(bound - value, 0.0) / bound, 1.0) if bound > 0 else 0.0


class Known:
    """The best picks so far and a bound that no picks can pass.

    Attributes
    ----------
    pick : array, shape (decks,), option of each deck, -1 for none
    value, bound : whole numbers of grains, beyond what is held in any case
    base : grains of what is held in any case
    lost : a part of the search came to grief, so that another run may find another programme
    """

    def __init__(self, problem: Problem, pick: Whole, base: float) -> None:
        self.problem = problem
        self.pick = pick
        self.value = self.value_of(pick)
        self.bound = math.inf
        self.base = base
        self.lost = False

    def value_of(self, pick: Whole) -> float:
        """Value of picks, an exact sum of whole numbers."""
        return float(self.problem.value[pick[pick >= 0]].sum())

    def offer(self, pick: Whole) -> bool:
        """Take picks that are worth more and pass no limit; of equals the first known stays."""
        value = self.value_of(pick)
        if value <= self.value or not self.problem.fits(pick[pick >= 0]):
            return False
        self.pick, self.value = pick, value
        return True

    def lower(self, bound: float) -> None:
        """Take a proven bound where it is lower. Values are whole, so it is rounded down."""
        if math.isfinite(bound):
            whole = math.floor(bound + SLACK * max(abs(bound), 1.0))
            self.bound = max(min(self.bound, float(whole)), self.value)

    def gap(self) -> float:
        """The proven gap, 0 to 1, with what is held in any case."""
        return gap_between(self.value + self.base, self.bound + self.base)

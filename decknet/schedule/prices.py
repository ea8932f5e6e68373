"""Prices of each year's money and crew days, and the upper bound that they prove.

At given prices the network falls apart into single decks: each takes what is worth most after paying, or
nothing. For any prices the worth of all decks plus the price of all limits is an upper bound of every
programme; the lowest one is sought with cutting planes inside a box round the best prices so far.

References
----------
Derived: Lagrangian relaxation of the yearly rows; with one choice a deck its best bound is the optimum of the
linear relaxation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import linprog

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["SAMPLE_DECKS", "Problem", "find_prices"]

DUAL_STEPS = 140
SAMPLE_DECKS = 12_000  # prices of larger networks are first sought on an even sample


@dataclass(slots=True)
class Problem:
    """Options that can matter, of the decks that have any; limits in their own units.

    `owner` is the place of the option's deck among those decks, `first` where each deck's options begin.
    Crew days are None where they are not limited.
    """

    origin: Whole
    owner: Whole
    first: Whole
    year: Whole
    money: Floats
    days: Floats | None
    value: Floats
    money_limit: Floats
    days_limit: Floats | None
    usable: Flags | None  # None: every option needs money and days >= 0

    @property
    def decks(self) -> int:
        return len(self.first)

    @property
    def years(self) -> int:
        return len(self.money_limit)

    @property
    def limits(self) -> Floats:
        return self.money_limit if self.days_limit is None else np.concatenate([self.money_limit, self.days_limit])

    def loads(self, picked: Whole) -> Floats:
        """Money, then days, of each year for the options picked."""
        money = np.bincount(self.year[picked], self.money[picked], self.years).astype(np.float64)
        if self.days is None:
            return money
        return np.concatenate([money, np.bincount(self.year[picked], self.days[picked], self.years)])

    def worth(self, prices: Floats) -> Floats:
        """Value of each option less its money and days at those prices."""
        worth = self.value - prices[: self.years][self.year] * self.money
        if self.days is not None:
            worth -= prices[self.years :][self.year] * self.days
        return worth

    def best(self, worth: Floats) -> tuple[Floats, Whole]:
        """Greatest worth of each deck, at least 0, and the option that has it (-1: nothing is worth more)."""
        best = np.maximum(np.maximum.reduceat(worth, self.first), 0.0)
        hits = np.flatnonzero((worth >= best[self.owner]) & (worth > 0))
        owner = self.owner[hits]
        hits = hits[np.diff(owner, prepend=-1) > 0]
        pick = np.full(self.decks, -1, dtype=np.intp)
        pick[self.owner[hits]] = hits
        return best, pick

    def part(self, keep: Flags) -> Problem:
        """The same problem with those options only."""
        owner = self.owner[keep]
        new = np.diff(owner, prepend=-1) > 0
        return Problem(
            self.origin[keep],
            np.cumsum(new) - 1,
            np.flatnonzero(new),
            self.year[keep],
            self.money[keep],
            None if self.days is None else self.days[keep],
            self.value[keep],
            self.money_limit,
            self.days_limit,
            None if self.usable is None else self.usable[keep],
        )


def find_prices(problem: Problem, tolerance: float) -> list[tuple[float, Floats]]:
    """Upper bounds and their prices, lowest first."""
    if problem.decks <= 2 * SAMPLE_DECKS:
        return _cutting_planes(problem, _one_price(problem), 1.0, tolerance, DUAL_STEPS)
    step = -(-problem.decks // SAMPLE_DECKS)
    sample = problem.part(problem.owner % step == 0)
    part = sample.decks / problem.decks
    sample.money_limit = problem.money_limit * part
    sample.days_limit = None if problem.days_limit is None else problem.days_limit * part
    near = _cutting_planes(sample, _one_price(sample), 1.0, tolerance, DUAL_STEPS)[0][1]
    return _cutting_planes(problem, near, 0.04, tolerance, DUAL_STEPS // 3)


def _one_price(problem: Problem) -> Floats:
    """Prices to start from: one price of money in all years, at which about all the money is asked for."""
    prices = np.zeros(len(problem.limits))
    total = problem.money_limit.sum()
    low, high = 0.0, float(np.max(problem.value / np.maximum(problem.money, 1e-9 * max(total, 1.0))))
    for _ in range(30):
        prices[: problem.years] = middle = (low * high) ** 0.5 if low > 0 else high * 1e-3
        _, pick = problem.best(problem.worth(prices))
        asked = problem.loads(pick[pick >= 0])[: problem.years].sum()
        low, high = (middle, high) if asked > total else (low, middle)
        if high <= 1.02 * low or high < 1e-30:
            break
    prices[: problem.years] = high
    return prices


def _cutting_planes(
    problem: Problem, prices: Floats, width: float, tolerance: float, steps: int
) -> list[tuple[float, Floats]]:
    """Lower the bound from those prices on; `width` is the first box as a part of the prices.

    Prices are per whole limit inside, so that every row has the right-hand side 1.
    """
    limits = problem.limits
    used = limits > 0
    scale = np.where(used, limits, 1.0)
    trials: list[tuple[float, Floats]] = []
    slopes: list[Floats] = []
    heads: list[float] = []

    def bound_at(at: Floats) -> float:
        best, pick = problem.best(problem.worth(at / scale))
        bound = float(best.sum() + at[used].sum())
        slope = np.where(used, 1.0 - problem.loads(pick[pick >= 0]) / scale, 0.0)
        trials.append((bound, at))
        slopes.append(slope)
        heads.append(bound - float(slope @ at))
        return bound

    centre = np.where(used, prices * scale, 0.0)
    lowest = bound_at(np.zeros_like(centre))
    if (slopes[0] >= 0).all():  # everything fits
        return [(b, at / scale) for b, at in trials]
    if (start := bound_at(centre)) < lowest:
        lowest = start
    else:
        centre = np.zeros_like(centre)
    typical = float(trials[1][1].sum()) / max(int(used.sum()), 1)
    box = width * np.maximum(trials[1][1], typical)
    unit = max(lowest, 1e-300)
    for _ in range(steps):
        low, high = np.maximum(centre - box, 0.0), np.where(used, centre + box, 0.0)
        rows = np.column_stack([np.array(slopes), np.full(len(slopes), -1.0)])
        master = linprog(
            np.append(np.zeros(len(centre)), 1.0),
            A_ub=rows,
            b_ub=-np.array(heads) / unit,
            bounds=[*zip(low / unit, np.maximum(high, low) / unit, strict=True), (None, None)],
            method="highs",
        )
        if master.status != 0:
            break
        at = np.clip(master.x[:-1] * unit, low, high)
        hoped = lowest - float(master.x[-1]) * unit
        edge = bool((used & ((at >= high - 1e-9 * box) | ((at <= low + 1e-9 * box) & (low > 0)))).any())
        if hoped <= tolerance * lowest:
            if not edge:
                break
            box = box * 3.0
        found = bound_at(at)
        gained = lowest - found >= 0.2 * hoped
        box = box * ((2.0 if edge else 1.0) if gained else 0.6)
        if found < lowest:
            lowest, centre = found, at
    order = sorted(range(len(trials)), key=lambda i: (trials[i][0], i))
    return [(trials[i][0], trials[i][1] / scale) for i in order]

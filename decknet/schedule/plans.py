"""Plans of single years put together: a close bound, and programmes, where a few jobs fill a year's money.

A price on each deck, for being worked on at all, and on each limit but money splits the programme into its years.
Each year is then filled as well as its money allows, exactly, by counting through its money (dynamic programming; a
shared set-up opens its route). For any prices the years' worth and the price of all decks and limits is an upper
bound; the lowest is sought with cutting planes. It is closer than that of prices on money, since a year's money holds
whole jobs only.

References
----------
Derived: Lagrangian relaxation of the choice of one option a deck; its best bound is that of the years' whole plans.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from decknet.schedule.fill import uses

if TYPE_CHECKING:
    from decknet.schedule.prices import Problem

__all__ = ["PlanTable", "Split", "YearLot", "by_year", "tabulate", "years_stand_apart"]

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.signedinteger]
Flags = npt.NDArray[np.bool_]
NEVER = -(1 << 60)


def years_stand_apart(problem: Problem) -> bool:
    """Whether each option works in one year and each year has its own money, none of it kept for an area."""
    years = problem.years
    own = problem.rows.shape[1] == 3 * years and bool((problem.rows[:years, :years] == np.eye(years)).all())
    single = problem.later is None or bool((problem.later < 0).all())
    return own and single and problem.room is None and bool((problem.amounts[0] >= 0).all())


@dataclass(frozen=True, slots=True)
class YearLot:
    """The options of one year, by route, then deck, with its money counted in steps.

    Attributes
    ----------
    options : array, shape (n,), places in the problem
    deck, group : arrays, shape (n,)
    cost : array, shape (n,), steps of money, rounded down
    opening : array, shape (groups,), steps of a set-up that is not yet paid, rounded down
    steps : whole number, steps of money there are
    """

    options: Whole
    deck: Whole
    group: Whole
    cost: Whole
    opening: Whole
    steps: int


def by_year(problem: Problem, cells: int) -> list[YearLot]:
    """The options of each year, its money in at most so many steps."""
    out = []
    for year in range(problem.years):
        money = int(problem.limits[year])
        step = max(-(-money // cells), 1)
        at = np.flatnonzero((problem.year == year) & (problem.amounts[0] <= money))
        deck = problem.owner[at]
        cost = problem.amounts[0][at].astype(np.int64) // step
        opening = problem.opening[:, year].astype(np.int64) // step
        out.append(YearLot(at, deck, problem.group[deck], cost, opening, money // step))
    return out


Turn = tuple[npt.NDArray[np.int64], list[tuple[int, int, int]]]


@dataclass(frozen=True, slots=True)
class PlanTable:
    """The most that a year's options gain by the steps of money spent, and how.

    Attributes
    ----------
    most : array, shape (steps + 1,)
    stages : for each route what was gained before it, its set-up, and for each deck of it what was gained before the
        deck, and its options as cost, gain, place in the lot
    """

    most: npt.NDArray[np.int64]
    stages: list[tuple[npt.NDArray[np.int64], int, list[Turn]]]

    def plan(self, at: int) -> Whole:
        """Places in the lot of the options that gain most for so many steps; nothing where that is as good."""
        worth, out = int(self.most[at]), []
        for shut, set_up, turns in reversed(self.stages):
            if set_up and shut[at] == worth:
                continue
            for before, lots in reversed(turns):
                if before[at] == worth:
                    continue
                by, gain, k = next(one for one in lots if one[0] <= at and before[at - one[0]] + one[1] == worth)
                at, worth = at - by, worth - gain
                out.append(k)
            at -= set_up
        return np.array(sorted(out), dtype=np.intp)


def tabulate(lot: YearLot, gain: Whole) -> PlanTable:
    """The best plan of a year for every amount of money.

    Costs are rounded down, so that at the whole of the money no plan gains more.

    Parameters
    ----------
    lot : YearLot
    gain : array, shape (n,), whole numbers; options that gain nothing are left out
    """
    top = lot.steps + 1
    some = np.flatnonzero((gain > 0) & (lot.cost < top))
    some = some[_can_be_best(lot, some, gain)]
    table = np.zeros(top, dtype=np.int64)
    stages: list[tuple[npt.NDArray[np.int64], int, list[Turn]]] = []
    for route in _runs(lot.group[some]):
        mine = some[route]
        group = int(lot.group[mine[0]])
        set_up = int(lot.opening[group]) if group >= 0 else 0
        shut, inside = table, table
        if set_up:
            inside = np.full(top, NEVER, dtype=np.int64)
            inside[set_up:] = shut[: max(top - set_up, 0)]
        turns: list[Turn] = []
        for run in _runs(lot.deck[mine]):
            lots = [(int(lot.cost[k]), int(gain[k]), int(k)) for k in mine[run]]
            turns.append((inside, lots))
            new = inside.copy()
            for by, worth, _ in lots:
                np.maximum(new[by:], inside[: top - by] + worth, out=new[by:])
            inside = new
        table = np.maximum(shut, inside) if set_up else inside
        stages.append((shut, set_up, turns))
    return PlanTable(table, stages)


def _can_be_best(lot: YearLot, some: Whole, gain: Whole) -> Flags:
    """Which of those options can be in the best plan: not those whose loss at one price of money is too great.

    At any price of a step of money the plan gains no more than the money at that price and the best of each deck
    beyond it; with an option in it, so much less as the option falls short of its deck's best.
    """
    if not len(some):
        return np.zeros(0, dtype=bool)
    worth, steps = gain[some].astype(np.float64), lot.cost[some].astype(np.float64)
    order = np.argsort(-worth / np.maximum(steps, 1e-9), kind="stable")
    critical = int(np.searchsorted(np.cumsum(steps[order]), lot.steps))
    price = 0.0
    if critical < len(order):
        price = float(worth[order[critical]] / max(steps[order[critical]], 1e-9))
    beyond = worth - price * steps
    heads = np.flatnonzero(np.diff(lot.deck[some], prepend=-1) != 0)
    best = np.maximum(np.maximum.reduceat(beyond, heads), 0.0)
    loss = np.repeat(best, np.diff(np.append(heads, len(some)))) - beyond
    most = price * lot.steps + float(best.sum())
    return np.asarray(most - loss >= _greedy(lot, some[order], gain) - 1.0)


def _greedy(lot: YearLot, order: Whole, gain: Whole) -> int:
    """Gain of a plan made by taking options in order while they fit, set-ups paid."""
    left, total = lot.steps, 0
    decks: set[int] = set()
    open_groups = {-1}
    columns = (lot.deck[order].tolist(), lot.group[order].tolist(), lot.cost[order].tolist(), gain[order].tolist())
    for deck, group, by, worth in zip(*columns, strict=True):
        need = by if group in open_groups else by + int(lot.opening[group])
        if deck not in decks and need <= left:
            left, total = left - need, total + worth
            decks.add(deck)
            open_groups.add(group)
    return total


def _runs(keys: Whole) -> list[slice]:
    """Runs of equal keys that stand side by side."""
    if not len(keys):
        return []
    heads = np.flatnonzero(np.diff(keys, prepend=keys[0] - 1) != 0).tolist()
    return [slice(a, b) for a, b in zip(heads, [*heads[1:], len(keys)], strict=True)]


class Split:
    """The problem split into years at prices of decks and of the limits that are not money.

    Attributes
    ----------
    lots : the options of each year
    limits : array, shape (rows,), of the limits that are not money
    use : array, shape (options, rows), what each option uses of them
    value : array, shape (options,), whole numbers
    """

    def __init__(self, problem: Problem, cells: int) -> None:
        self.problem = problem
        self.lots = by_year(problem, cells)
        years = problem.years
        self.limits = np.maximum(problem.limits[years:], 0.0)
        self.use = uses(problem, np.arange(len(problem.owner)))[:, years:]
        self.value = problem.value.astype(np.int64)

    def gains(self, lot: YearLot, deck_price: Whole, prices: Floats) -> Whole:
        """Gain of each option of a year at those prices, rounded up."""
        out = self.value[lot.options] - deck_price[lot.deck]
        if len(prices):
            out = out - np.floor((self.use[lot.options] * prices).sum(axis=1)).astype(np.int64)
        return out

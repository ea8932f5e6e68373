"""Plans of single years put together: a close bound, and programmes, where a few jobs fill a year.

A price on each deck, for being worked on at all, and on each limit but the scarcest (each year's money, or its crew
days) splits the programme into its years. Each year is then filled as well as the scarcest allows, exactly, by counting
through it (dynamic programming; a shared set-up opens its route). For any prices the years' worth and the price of all
decks and limits is an upper bound; the lowest is sought with cutting planes. It is closer than that of prices on limits
alone, since a year holds whole jobs only.

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

__all__ = ["PlanTable", "Split", "YearLot", "by_year", "scarcest", "tabulate", "years_stand_apart"]

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.signedinteger]
Flags = npt.NDArray[np.bool_]
NEVER = -(1 << 60)


def years_stand_apart(problem: Problem) -> bool:
    """Whether each option works in one year and each year has its own limits, no money kept for an area."""
    years = problem.years
    own = problem.rows.shape[1] == 3 * years and bool((problem.rows[:years, :years] == np.eye(years)).all())
    single = problem.later is None or bool((problem.later < 0).all())
    return own and single and problem.room is None


def scarcest(problem: Problem, use: Floats, prices: Floats) -> int:
    """Which limit of each year costs most in all at those prices: 0 money, 1 crew days, and so on.

    `use` has shape (options, rows). A limit of which some option uses less than nothing (an exchange) is not counted
    through.
    """
    years = problem.years
    worth = [
        float((prices * problem.limits)[a : a + years].sum()) if (use[:, a : a + years] >= 0).all() else -1.0
        for a in range(0, len(problem.limits), years)
    ]
    return int(np.argmax(worth))


@dataclass(frozen=True, slots=True)
class YearLot:
    """The options of one year, by route, then deck, with what it has of the scarcest counted in steps.

    Attributes
    ----------
    row : whole number, the limit that is counted through
    options : array, shape (n,), places in the problem
    deck, group : arrays, shape (n,)
    cost : array, shape (n,), steps used, rounded down
    opening : array, shape (groups,), steps of a set-up that is not yet paid, rounded down
    steps : whole number, steps there are
    """

    row: int
    options: Whole
    deck: Whole
    group: Whole
    cost: Whole
    opening: Whole
    steps: int


def by_year(problem: Problem, use: Floats, block: int, cells: int) -> list[YearLot]:
    """The options of each year, the limit of that block counted in at most so many steps."""
    out = []
    for year in range(problem.years):
        row = block * problem.years + year
        amount = int(problem.limits[row])
        step = max(-(-amount // cells), 1)
        at = np.flatnonzero((problem.year == year) & (use <= problem.limits).all(axis=1))
        deck = problem.owner[at]
        cost = use[at, row].astype(np.int64) // step
        paid_here = problem.rows[row][problem.opening_cell[:, year]]
        opening = (problem.opening[:, year] * paid_here).astype(np.int64) // step
        out.append(YearLot(row, at, deck, problem.group[deck], cost, opening, amount // step))
    return out


Turn = tuple[npt.NDArray[np.int64], list[tuple[int, int, int]]]


@dataclass(frozen=True, slots=True)
class PlanTable:
    """The most that a year's options gain by the steps of money spent, and how.

    Attributes
    ----------
    most : array, shape (steps + 1,)
    stages : for each route what was gained before it, steps and price of its set-up, and for each deck of it what was
        gained before the deck, and its options as cost, gain, place in the lot
    """

    most: npt.NDArray[np.int64]
    stages: list[tuple[npt.NDArray[np.int64], int, int, list[Turn]]]

    def plan(self, at: int) -> Whole:
        """Places in the lot of the options that gain most for so many steps; nothing where that is as good."""
        worth, out = int(self.most[at]), []
        for shut, set_up, toll, turns in reversed(self.stages):
            if set_up + toll and shut[at] == worth:
                continue
            for before, lots in reversed(turns):
                if before[at] == worth:
                    continue
                by, gain, k = next(one for one in lots if one[0] <= at and before[at - one[0]] + one[1] == worth)
                at, worth = at - by, worth - gain
                out.append(k)
            at, worth = at - set_up, worth + toll
        return np.array(sorted(out), dtype=np.intp)


def tabulate(lot: YearLot, gain: Whole, tolls: Whole) -> PlanTable:
    """The best plan of a year for every amount of what is counted.

    Costs are rounded down, so that with all that there is no plan gains more.

    Parameters
    ----------
    lot : YearLot
    gain : array, shape (n,), whole numbers; options that gain nothing are left out
    tolls : array, shape (groups,), whole numbers, what a set-up costs at the prices of the other limits
    """
    top = lot.steps + 1
    some = np.flatnonzero((gain > 0) & (lot.cost < top))
    some = some[_can_be_best(lot, some, gain, tolls)]
    table = np.zeros(top, dtype=np.int64)
    stages: list[tuple[npt.NDArray[np.int64], int, int, list[Turn]]] = []
    for route in _runs(lot.group[some]):
        mine = some[route]
        group = int(lot.group[mine[0]])
        set_up, toll = (int(lot.opening[group]), int(tolls[group])) if group >= 0 else (0, 0)
        shut, inside = table, table
        if set_up + toll:
            inside = np.full(top, NEVER, dtype=np.int64)
            inside[set_up:] = shut[: max(top - set_up, 0)] - toll
        turns: list[Turn] = []
        for run in _runs(lot.deck[mine]):
            lots = [(int(lot.cost[k]), int(gain[k]), int(k)) for k in mine[run]]
            turns.append((inside, lots))
            new = inside.copy()
            for by, worth, _ in lots:
                np.maximum(new[by:], inside[: top - by] + worth, out=new[by:])
            inside = new
        table = np.maximum(shut, inside) if set_up + toll else inside
        stages.append((shut, set_up, toll, turns))
    return PlanTable(table, stages)


def _can_be_best(lot: YearLot, some: Whole, gain: Whole, tolls: Whole) -> Flags:
    """Which of those options can be in the best plan: not those whose loss at one price of a step is too great.

    At any price of a step the plan gains no more than the steps at that price and the best of each deck
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
    return np.asarray(most - loss >= _greedy(lot, some[order], gain, tolls) - 1.0)


def _greedy(lot: YearLot, order: Whole, gain: Whole, tolls: Whole) -> int:
    """Gain of a plan made by taking options in order while they fit, set-ups paid."""
    left, total = lot.steps, 0
    decks: set[int] = set()
    open_groups = {-1}
    columns = (lot.deck[order].tolist(), lot.group[order].tolist(), lot.cost[order].tolist(), gain[order].tolist())
    for deck, group, by, worth in zip(*columns, strict=True):
        need, toll = (0, 0) if group in open_groups else (int(lot.opening[group]), int(tolls[group]))
        if deck not in decks and by + need <= left and toll < worth:
            left, total = left - by - need, total + worth - toll
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
    """The problem split into years at prices of decks and of all limits but the scarcest.

    Attributes
    ----------
    lots : the options of each year
    others : array, shape (k,), the limits that are priced
    limits : array, shape (k,), those limits
    """

    def __init__(self, problem: Problem, prices: Floats, cells: int) -> None:
        self.problem = problem
        use = uses(problem, np.arange(len(problem.owner)))
        block, years = scarcest(problem, use, prices), problem.years
        self.lots = by_year(problem, use, block, cells)
        self.others = np.array([r for r in range(len(problem.limits)) if r // years != block], dtype=np.intp)
        self.limits = np.maximum(problem.limits[self.others], 0.0)
        self._use = use[:, self.others]
        self._value = problem.value.astype(np.int64)

    def gains(self, lot: YearLot, deck_price: Whole, prices: Floats) -> Whole:
        """Gain of each option of a year at those prices, rounded up."""
        cost = np.floor((self._use[lot.options] * prices).sum(axis=1)).astype(np.int64)
        return np.asarray(self._value[lot.options] - deck_price[lot.deck] - cost)

    def tolls(self, year: int, prices: Floats) -> Whole:
        """What each set-up of a year costs at those prices, rounded down."""
        cells = self.problem.rows[self.others][:, self.problem.opening_cell[:, year]]
        return np.asarray(
            np.floor((cells * prices[:, None]).sum(axis=0) * self.problem.opening[:, year]), dtype=np.int64
        )

    def load(self, plan: Whole) -> Floats:
        """What a plan uses of the limits that are priced, set-ups with it."""
        return np.asarray(self.problem.loads(plan)[self.others])

"""Prices of what is limited, and the upper bound that they prove.

At given prices the network falls apart: each deck takes what is worth most after paying, or nothing; the decks of
a route that share a set-up first settle, over every set of years, in which years to pay for it. For any prices
the worth of all plus the price of all limits is an upper bound of every programme; the lowest one is sought with
cutting planes inside a box round the best prices so far.

References
----------
Derived: Lagrangian relaxation of the limits; with one choice a deck and no shared set-ups its best bound is the
optimum of the linear relaxation.

Values, amounts and limits are whole numbers. Prices are not; they are added up entry by entry in a fixed order, with
no linear algebra behind them, and rounded after every step, so that a last bit never becomes another programme.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import linprog

from decknet.clock import Clock

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["SAMPLE_DECKS", "Problem", "canonical", "find_prices"]

DUAL_STEPS = 140
SAMPLE_DECKS = 12_000  # prices of larger networks are first sought on an even sample
DIGITS = 10  # significant digits to which prices are rounded after every step
AT_ONCE = 20_000_000  # decks times sets of years looked at together, to bound memory


def canonical(prices: Floats) -> Floats:
    """Prices to ten significant digits.

    Examples
    --------
    >>> canonical(np.array([0.0, 1 / 3, 12345.678901234])).tolist()
    [0.0, 0.3333333333, 12345.6789]
    """
    return np.array([float(f"{price:.{DIGITS - 1}e}") for price in prices.tolist()])


@dataclass(slots=True)
class Problem:
    """Options that can matter, of the decks that have any.

    What an option uses it uses of cells (money of an area in a year, crew days of a year, ...); each limit, a row,
    adds up some of the cells. Decks of one route and area that share set-ups stand side by side, after all others.

    Attributes
    ----------
    origin : array, shape (options,), the option's number outside
    owner : array, shape (options,), the option's deck, never falling
    first : array, shape (decks,), where each deck's options begin
    value : array, shape (options,), whole numbers
    cells, amounts : arrays, shape (options,) each: how much, a whole number, is used of which cell
    year, later : arrays, shape (options,), years worked in; later is -1 where there is no second one, or None
    rows : array, shape (rows, cells), 0 or 1
    limits : array, shape (rows,), whole numbers
    years : number of years
    usable : array, shape (options,), flag; None: every amount is >= 0
    group : array, shape (decks,), the route that a deck shares set-ups with; -1 for none
    opening : array, shape (groups, years), money of a set-up that is not yet paid
    opening_cell : array, shape (groups, years)
    room : array, shape (groups, years), works that a route can still have; None for no limit
    """

    origin: Whole
    owner: Whole
    first: Whole
    value: Floats
    cells: tuple[Whole, ...]
    amounts: tuple[Floats, ...]
    year: Whole
    later: Whole | None
    rows: Floats
    limits: Floats
    years: int
    usable: Flags | None
    group: Whole
    opening: Floats
    opening_cell: Whole
    room: Whole | None
    _lots: tuple[Whole, Whole, Whole] | None = field(default=None, init=False)

    @property
    def decks(self) -> int:
        return len(self.first)

    @property
    def shares(self) -> bool:
        """Whether any set-up is shared."""
        return bool(len(self.opening)) and bool((self.group >= 0).any())

    def cell_loads(self, picked: Whole) -> Floats:
        """What the options picked use of each cell, without set-ups."""
        load = np.zeros(self.rows.shape[1])
        for cell, amount in zip(self.cells, self.amounts, strict=True):
            load += np.bincount(cell[picked], amount[picked], len(load))
        return load

    def open_pairs(self, picked: Whole) -> Flags:
        """Groups and years in which an option picked works, shape (groups, years)."""
        out = np.zeros(self.opening.shape, dtype=bool)
        if len(out):
            mine = picked[self.group[self.owner[picked]] >= 0]
            group = self.group[self.owner[mine]]
            out[group, self.year[mine]] = True
            if self.later is not None:
                two = self.later[mine] >= 0
                out[group[two], self.later[mine][two]] = True
        return out

    def set_up_loads(self, pairs: Flags) -> Floats:
        """What the set-ups of those groups and years use of each cell."""
        return np.bincount(self.opening_cell[pairs], self.opening[pairs], self.rows.shape[1]).astype(np.float64)

    def loads(self, picked: Whole) -> Floats:
        """What the options picked and their set-ups use of each limit."""
        cells = self.cell_loads(picked)
        if len(self.opening):
            cells = cells + self.set_up_loads(self.open_pairs(picked))
        return np.asarray(self.rows @ cells)

    def fits(self, picked: Whole) -> bool:
        """Whether the options picked pass no limit."""
        if not bool((self.loads(picked) <= self.limits).all()):
            return False
        return self.room is None or bool((self.works(picked) <= self.room).all())

    def works(self, picked: Whole) -> Whole:
        """Works of each group and year, shape (groups, years)."""
        out = np.zeros(self.opening.shape, dtype=np.intp)
        mine = picked[self.group[self.owner[picked]] >= 0]
        group = self.group[self.owner[mine]]
        np.add.at(out, (group, self.year[mine]), 1)
        if self.later is not None:
            two = self.later[mine] >= 0
            np.add.at(out, (group[two], self.later[mine][two]), 1)
        return out

    def per_cell(self, prices: Floats) -> Floats:
        """What each cell costs at those prices of the limits, added up limit by limit."""
        out = np.zeros(self.rows.shape[1])
        for row, price in zip(self.rows, prices.tolist(), strict=True):
            out += row * price
        return out

    def worth(self, prices: Floats) -> Floats:
        """Value of each option less what it uses at those prices, set-ups apart."""
        per_cell = self.per_cell(prices)
        worth = self.value.astype(np.float64, copy=True)
        for cell, amount in zip(self.cells, self.amounts, strict=True):
            worth -= per_cell[cell] * amount
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
            self.value[keep],
            tuple(cell[keep] for cell in self.cells),
            tuple(amount[keep] for amount in self.amounts),
            self.year[keep],
            None if self.later is None else self.later[keep],
            self.rows,
            self.limits,
            self.years,
            None if self.usable is None else self.usable[keep],
            self.group[owner[new]],
            self.opening,
            self.opening_cell,
            self.room,
        )

    # ---- shared set-ups -------------------------------------------------------------------------

    def _keys(self) -> Whole:
        """The set of years of each option as a whole number, one bit a year."""
        bits = np.left_shift(1, self.year.astype(np.int64))
        if self.later is not None:
            bits = bits | np.where(self.later >= 0, np.left_shift(1, np.maximum(self.later, 0).astype(np.int64)), 0)
        return bits

    def settle(self, worth: Floats, prices: Floats) -> tuple[float, Whole, Flags]:
        """The best picks at given prices with set-ups paid for.

        Returns
        -------
        worth of all, picks of each deck, and the groups and years for which a set-up is paid
        """
        pairs = np.zeros(self.opening.shape, dtype=bool)
        if not self.shares:
            best, pick = self.best(worth)
            return float(best.sum()), pick, pairs
        alone = self.group < 0
        total = float(np.maximum(np.maximum.reduceat(worth, self.first), 0.0)[alone].sum())
        per_cell = self.per_cell(prices)
        price = per_cell[self.opening_cell] * self.opening
        chosen = np.zeros(len(self.opening), dtype=np.int64)
        for begin, end in self._blocks():
            by_set = self._by_set(worth, begin, end)
            heads = np.flatnonzero(np.diff(self.group[begin:end], prepend=-1) > 0)
            groups = self.group[begin:end][heads]
            net = np.add.reduceat(by_set, heads, axis=1) - _sums_of_sets(price[groups])
            sets = np.argmax(net, axis=0)
            chosen[groups] = sets
            total += float(net[sets, np.arange(len(groups))].sum())
        pairs = (chosen[:, None] >> np.arange(self.years)) & 1 == 1
        # the group of a deck that stands alone is -1: it may take any year
        may = np.append(chosen, -1)[self.group][self.owner]
        _, pick = self.best(np.where(self._keys() & ~may == 0, worth, -np.inf))
        return total, pick, pairs

    def losses(self, worth: Floats, prices: Floats) -> Floats:
        """How much less the relaxed problem is worth at those prices with each option in it, shape (options,)."""
        best = np.maximum(np.maximum.reduceat(worth, self.first), 0.0)
        loss = best[self.owner] - worth
        if not self.shares:
            return loss
        price = self.per_cell(prices)[self.opening_cell] * self.opening
        keys = self._keys()
        for begin, end in self._blocks():
            by_set = self._by_set(worth, begin, end)
            heads = np.flatnonzero(np.diff(self.group[begin:end], prepend=-1) > 0)
            groups = self.group[begin:end][heads]
            net = np.add.reduceat(by_set, heads, axis=1) - _sums_of_sets(price[groups])
            top = net.max(axis=0)
            size = np.diff(np.append(heads, end - begin))
            others = np.repeat(net, size, axis=1) - by_set  # of the group without the deck, by set
            for bit in range(self.years):  # greatest over all sets that hold a set
                view = others.reshape(-1, 2, 1 << bit, end - begin)
                np.maximum(view[:, 0], view[:, 1], out=view[:, 0])
            some = np.flatnonzero((self.owner >= begin) & (self.owner < end))
            deck = self.owner[some] - begin
            loss[some] = np.repeat(top, size)[deck] - (others[keys[some], deck] + worth[some])
        return loss

    def _blocks(self) -> list[tuple[int, int]]:
        """Runs of whole groups, so that a run times the sets of years stays small."""
        start = int(np.argmax(self.group >= 0))
        most = max(AT_ONCE >> self.years, 1)
        heads = start + np.flatnonzero(np.diff(self.group[start:], prepend=-1) > 0)
        out, begin = [], start
        for head in [*heads[1:].tolist(), self.decks]:
            if head - begin >= most or head == self.decks:
                out.append((begin, head))
                begin = head
        return out

    def _by_set(self, worth: Floats, begin: int, end: int) -> Floats:
        """Greatest worth, at least 0, of decks begin to end by set of years allowed, shape (2 ** years, decks)."""
        if self._lots is None:
            keys = self._keys()
            # options of a deck stand in runs of one set of years
            heads = np.flatnonzero((np.diff(self.owner, prepend=-1) > 0) | (np.diff(keys, prepend=-1) != 0))
            self._lots = heads, self.owner[heads], keys[heads]
        heads, owner, keys = self._lots
        low, high = np.searchsorted(owner, [begin, end])
        stop = int(heads[high]) if high < len(heads) else len(worth)
        tops = np.maximum.reduceat(worth[heads[low] : stop], heads[low:high] - heads[low])
        single = np.full((1 << self.years, end - begin), -np.inf)
        np.maximum.at(single, (keys[low:high], owner[low:high] - begin), tops)
        single[0] = 0.0
        for bit in range(self.years):  # greatest over all subsets, one year after the other
            step = 1 << bit
            view = single.reshape(-1, 2, step, end - begin)
            np.maximum(view[:, 1], view[:, 0], out=view[:, 1])
        return single


def _sums_of_sets(price: Floats) -> Floats:
    """Sum of the prices of each set of years, shape (2 ** years, groups); price has shape (groups, years)."""
    groups, years = price.shape
    out = np.zeros((1 << years, groups))
    for bit in range(years):
        out[1 << bit : 2 << bit] = out[: 1 << bit] + price[:, bit]
    return out


def find_prices(
    problem: Problem, tolerance: float, near: Floats | None = None, clock: Clock | None = None
) -> list[tuple[float, Floats]]:
    """Upper bounds and their prices, lowest first; sought round prices that are known to be near, where given."""
    clock = clock or Clock()
    if near is not None:
        return _cutting_planes(problem, near, 0.5, tolerance, DUAL_STEPS // 3, clock)
    if problem.decks <= 2 * SAMPLE_DECKS:
        return _cutting_planes(problem, _one_price(problem), 1.0, tolerance, DUAL_STEPS, clock)
    step = -(-problem.decks // SAMPLE_DECKS)
    lot = np.where(problem.group >= 0, problem.group, np.arange(problem.decks))
    sample = problem.part((lot % step == 0)[problem.owner])
    sample.limits = np.floor(problem.limits * (sample.decks / problem.decks))
    near = _cutting_planes(sample, _one_price(sample), 1.0, tolerance, DUAL_STEPS, clock)[0][1]
    return _cutting_planes(problem, near, 0.04, tolerance, DUAL_STEPS // 3, clock)


def _one_price(problem: Problem) -> Floats:
    """Prices to start from: one price of money in all years, at which about all the money is asked for."""
    prices = np.zeros(len(problem.limits))
    total = problem.limits[: problem.years].sum()
    money = problem.amounts[0]
    low, high = 0.0, float(np.max(problem.value / np.maximum(money, 1e-9 * max(total, 1.0))))
    for _ in range(30):
        prices[: problem.years] = middle = math.sqrt(low * high) if low > 0 else high * 1e-3
        _, pick = problem.best(problem.worth(prices))
        asked = problem.loads(pick[pick >= 0])[: problem.years].sum()
        low, high = (middle, high) if asked > total else (low, middle)
        if high <= 1.02 * low or high < 1e-30:
            break
    prices[: problem.years] = high
    return canonical(prices)


def _cutting_planes(
    problem: Problem, prices: Floats, width: float, tolerance: float, steps: int, clock: Clock
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
        now = at / scale
        worth, pick, pairs = problem.settle(problem.worth(now), now)
        bound = worth + math.fsum(at[used].tolist())
        cells = problem.cell_loads(pick[pick >= 0]) + problem.set_up_loads(pairs)
        slope = np.where(used, 1.0 - (problem.rows @ cells) / scale, 0.0)
        trials.append((bound, at))
        slopes.append(slope)
        heads.append(bound - math.fsum((slope * at).tolist()))
        return bound

    centre = np.where(used, canonical(prices * scale), 0.0)
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
        if clock.struck():
            break
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
        at = np.clip(canonical(master.x[:-1] * unit), low, high)
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

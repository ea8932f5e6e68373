"""A programme within every limit, built at given prices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.prices import Problem

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Ledger", "polish", "programme_at", "uses"]

POOL = 300_000  # options looked at when filling
AT_ONCE = 20_000  # exchanges tried in a round


def uses(problem: Problem, options: Whole) -> Floats:
    """What options use of each limit without set-ups, shape (options, rows)."""
    per_cell = problem.rows.T
    out = per_cell[problem.cells[0][options]] * problem.amounts[0][options, None]
    for cell, amount in zip(problem.cells[1:], problem.amounts[1:], strict=True):
        out += per_cell[cell[options]] * amount[options, None]
    return out


class Ledger:
    """Picks with what they use, kept up to date while single decks change.

    Attributes
    ----------
    pick : array, shape (decks,), option of each deck, -1 for none
    load : array, shape (rows,)
    count : array, shape (groups, years), works of each group and year
    """

    def __init__(self, problem: Problem, pick: Whole) -> None:
        self.problem = problem
        self.pick = pick
        self.load = problem.loads(pick[pick >= 0])
        self.count = problem.works(pick[pick >= 0]) if problem.shares or problem.room is not None else None
        self._rows_of = [np.flatnonzero(column).tolist() for column in problem.rows.T]
        self._limits = problem.limits.tolist()
        self._load = self.load.tolist()

    def settle(self) -> None:
        """Add everything up anew, so that no rounding gathers."""
        self.load = self.problem.loads(self.pick[self.pick >= 0])
        self._load = self.load.tolist()

    def _change(self, option: int, sign: int) -> None:
        problem = self.problem
        for cell, amount in zip(problem.cells, problem.amounts, strict=True):
            by = sign * float(amount[option])
            for row in self._rows_of[int(cell[option])]:
                self._load[row] += by
        if self.count is None:
            return
        group = int(problem.group[problem.owner[option]])
        if group < 0:
            return
        years = [int(problem.year[option])]
        if problem.later is not None and problem.later[option] >= 0:
            years.append(int(problem.later[option]))
        for year in years:
            if self.count[group, year] == (0 if sign > 0 else 1):
                by = sign * float(problem.opening[group, year])
                for row in self._rows_of[int(problem.opening_cell[group, year])]:
                    self._load[row] += by
            self.count[group, year] += sign

    def put(self, deck: int, option: int) -> bool:
        """Give a deck another option, or none; undone where that passes a limit it did not pass before."""
        old = int(self.pick[deck])
        before = self._load.copy()
        if old >= 0:
            self._change(old, -1)
        if option >= 0:
            self._change(option, 1)
        over = any(now > limit and now > was for now, was, limit in zip(self._load, before, self._limits, strict=True))
        if not over and option >= 0 and self.problem.room is not None and self.count is not None:
            group = int(self.problem.group[deck])
            over = group >= 0 and bool((self.count[group] > self.problem.room[group]).any())
        if over:
            if option >= 0:
                self._change(option, -1)
            if old >= 0:
                self._change(old, 1)
            self._load = before
            return False
        self.pick[deck] = option
        return True

    def is_over(self, row: int) -> bool:
        """Whether a limit is passed."""
        return bool(self._load[row] > self._limits[row])

    def set_ups(self, options: Whole) -> Floats | None:
        """What set-ups not yet paid would add for options, shape (options, cells of money); None where none."""
        problem = self.problem
        if not problem.shares or self.count is None:
            return None
        group = problem.group[problem.owner[options]]
        out = np.zeros((len(options), len(problem.limits)))
        turns = [problem.year] if problem.later is None else [problem.year, problem.later]
        for turn in turns:
            year = turn[options]
            new = (group >= 0) & (year >= 0)
            new[new] = self.count[group[new], year[new]] == 0
            at = np.flatnonzero(new)
            cell = problem.opening_cell[group[at], year[at]]
            out[at] += problem.rows.T[cell] * problem.opening[group[at], year[at]][:, None]
        return out


def programme_at(problem: Problem, prices: Floats) -> Whole:
    """Picks within every limit, guided by the prices."""
    worth = problem.worth(prices)
    if problem.usable is not None:
        worth = np.where(problem.usable, worth, -np.inf)
    _, pick, _ = problem.settle(worth, prices)
    ledger = Ledger(problem, pick)
    _make_room(problem, worth, ledger)
    for drop_only in (False, True):
        for row in range(len(problem.limits)):
            _shift(problem, worth, prices, ledger, row, drop_only)
    ledger.settle()
    pool = np.arange(len(worth)) if problem.usable is None else np.flatnonzero(problem.usable)
    if len(worth) > POOL:
        loss = np.maximum(np.maximum.reduceat(worth, problem.first), 0.0)[problem.owner] - worth
        pool = np.flatnonzero(loss <= np.partition(loss, POOL)[POOL])
    _fill(problem, worth, prices, ledger, pool)
    return ledger.pick


def polish(problem: Problem, prices: Floats, pick: Whole) -> Whole:
    """A programme within every limit with what it leaves filled, and works exchanged for better ones."""
    ledger = Ledger(problem, pick.copy())
    pool = np.arange(len(problem.owner)) if problem.usable is None else np.flatnonzero(problem.usable)
    _fill(problem, problem.worth(prices), prices, ledger, pool)
    return ledger.pick


def _make_room(problem: Problem, worth: Floats, ledger: Ledger) -> None:
    """Take works away from routes that have too many in a year, those worth least first. In place."""
    if problem.room is None or ledger.count is None:
        return
    picked = np.flatnonzero(ledger.pick >= 0)
    for deck in picked[np.argsort(worth[ledger.pick[picked]], kind="stable")].tolist():
        group = int(problem.group[deck])
        if group >= 0 and (ledger.count[group] > problem.room[group]).any():
            option = int(ledger.pick[deck])
            years = [int(problem.year[option])]
            if problem.later is not None and problem.later[option] >= 0:
                years.append(int(problem.later[option]))
            if any(ledger.count[group, year] > problem.room[group, year] for year in years):
                ledger.put(deck, -1)


def _shift(problem: Problem, worth: Floats, prices: Floats, ledger: Ledger, row: int, drop_only: bool) -> None:
    """Move decks out of a limit that is passed, or drop them, at the least loss for what they free. In place."""
    if not ledger.is_over(row):
        return
    ledger.settle()
    slack = problem.limits - ledger.load
    over = np.maximum(-slack, 0.0)
    passed = over > 0
    pick = ledger.pick
    picked = np.flatnonzero(pick >= 0)
    mine_use = uses(problem, pick[picked])
    inside = mine_use[:, row] > 0
    picked, mine_use = picked[inside], mine_use[inside]
    current = pick[picked]
    weight = passed / np.where(passed, over, 1.0)
    weight = np.where((problem.rows[row] @ problem.rows.T) > 0, weight, 0.0)  # rows that have cells in common
    weight[row] = 1.0 / over[row]

    def freed(change: Floats) -> Floats:
        return np.asarray(np.clip(change * weight, 0.0, 1.0).sum(axis=1))

    score = worth[current] / np.maximum(freed(mine_use), 1e-12)
    move = np.full(len(picked), -1, dtype=np.intp)
    if not drop_only and len(picked):
        ends = np.append(problem.first[1:], len(problem.owner))
        sizes = ends[picked] - problem.first[picked]
        heads = np.cumsum(sizes) - sizes
        other = np.arange(int(sizes.sum())) - np.repeat(heads, sizes) + np.repeat(problem.first[picked], sizes)
        mine = np.repeat(current, sizes)
        change = uses(problem, other) - np.repeat(mine_use, sizes, axis=0)
        value = worth[other]
        extra = ledger.set_ups(other)
        if extra is not None:
            change += extra
            value = value - (extra * prices).sum(axis=1)
        gained = freed(-change)
        fits = (change <= np.maximum(slack, 0.0)).all(axis=1) & (change[:, row] < 0) & np.isfinite(value)
        cost = np.where(fits, (worth[mine] - value) / np.maximum(gained, 1e-12), np.inf)
        least = np.minimum.reduceat(cost, heads)
        at = np.flatnonzero(cost <= np.repeat(least, sizes))
        at = at[np.diff(np.repeat(np.arange(len(picked)), sizes)[at], prepend=-1) > 0]
        better = least < score
        move[better] = other[at][better]
        score = np.minimum(score, least)
    for place in np.argsort(score, kind="stable").tolist():
        ledger.put(int(picked[place]), int(move[place]))
        if not ledger.is_over(row):
            break


def _fill(problem: Problem, worth: Floats, prices: Floats, ledger: Ledger, pool: Whole) -> None:
    """Take further options and better ones while they fit, the least loss at the prices first. In place."""
    pick = ledger.pick
    owner = problem.owner[pool]
    pool_use = uses(problem, pool)
    for _ in range(60):
        slack = problem.limits - ledger.load
        current = pick[owner]
        has = current >= 0
        rises = problem.value[pool] - np.where(has, problem.value[current], 0.0) > 0
        at = np.flatnonzero(rises)
        if not len(at):
            return
        change = pool_use[at]
        held = has[at]
        change[held] -= uses(problem, current[at][held])
        gain = worth[pool[at]] - np.where(held, worth[current[at]], 0.0)
        extra = ledger.set_ups(pool[at])
        if extra is not None:
            change += extra
            gain = gain - (extra * prices).sum(axis=1)
        fits = (change <= slack).all(axis=1)
        at, gain = at[fits], gain[fits]
        done: set[int] = set()
        for place in at[np.argsort(-gain, kind="stable")][:AT_ONCE].tolist():
            deck = int(owner[place])
            if deck not in done and ledger.put(deck, int(pool[place])):
                done.add(deck)
        ledger.settle()
        if not done:
            return

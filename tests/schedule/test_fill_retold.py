"""A programme at given prices, told again step by step with plain loops over decks and options."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.schedule import fill
from decknet.schedule.fill import Ledger, polish, programme_at
from decknet.schedule.prices import Problem
from tests.schedule.test_prices import CASES, YEARS, loads, problem, works, worths, years_of


class Told:
    """Picks that are moved out of limits that are passed, and filled, one option after the other."""

    def __init__(self, task: Problem, prices: np.ndarray, pick: np.ndarray, *, pool: int | None = None) -> None:
        self.task, self.prices = task, prices
        self.worth = worths(task, prices)
        self.pick = [int(k) for k in pick]
        self.may = [True] * len(self.worth) if task.usable is None else task.usable.tolist()
        self.pool = [k for k in range(len(self.worth)) if self.may[k]]
        if pool is not None:
            best = [max(0.0, *self.worth[task.owner == d]) for d in range(task.decks)]
            loss = [best[task.owner[k]] - self.worth[k] for k in range(len(self.worth))]
            self.pool = [k for k in range(len(self.worth)) if loss[k] <= sorted(loss)[pool]]

    def held(self) -> list[int]:
        return [k for k in self.pick if k >= 0]

    def bare(self, k: int) -> np.ndarray:
        """What an option uses of each limit, its set-ups apart."""
        out = np.zeros(len(self.task.limits))
        for cell, amount in zip(self.task.cells, self.task.amounts, strict=True):
            out += self.task.rows[:, cell[k]] * amount[k]
        return out

    def new_set_ups(self, k: int) -> np.ndarray:
        """What it adds for set-ups that no work of its route has paid for yet."""
        out, group = np.zeros(len(self.task.limits)), self.task.group[self.task.owner[k]]
        if group >= 0:
            paid = works(self.task, self.held())[group] > 0
            for year in years_of(self.task, k):
                if not paid[year]:
                    out += self.task.rows[:, self.task.opening_cell[group, year]] * self.task.opening[group, year]
        return out

    def crowded(self, pick: list[int], group: int) -> list[int]:
        """Years in which a route has more works than it may."""
        if self.task.room is None or group < 0:
            return []
        count = works(self.task, [k for k in pick if k >= 0])[group]
        return np.flatnonzero(count > self.task.room[group]).tolist()

    def put(self, deck: int, option: int) -> bool:
        """Another option for a deck, unless that passes a limit further, or crowds its route."""
        after = self.pick.copy()
        after[deck] = option
        was, now = loads(self.task, self.held()), loads(self.task, [k for k in after if k >= 0])
        if ((now > self.task.limits) & (now > was)).any():
            return False
        if option >= 0 and self.crowded(after, int(self.task.group[deck])):
            return False
        self.pick = after
        return True

    def make_room(self) -> None:
        """Works of crowded years are taken away, those worth least first."""
        order = sorted((d for d, k in enumerate(self.pick) if k >= 0), key=lambda d: self.worth[self.pick[d]])
        for deck in order:
            if years_of(self.task, self.pick[deck]) & set(self.crowded(self.pick, int(self.task.group[deck]))):
                self.pick[deck] = -1

    def shift(self, row: int, drop_only: bool) -> None:
        """The least loss for a part of what is passed that is freed; a move must pass no limit and free some."""
        task, limits = self.task, self.task.limits
        load = loads(task, self.held())
        if load[row] <= limits[row]:
            return
        over, slack = np.maximum(load - limits, 0.0), np.maximum(limits - load, 0.0)
        shares_cells = [bool((task.rows[row] * task.rows[r]).sum() > 0) for r in range(len(limits))]

        def freed(change: np.ndarray) -> float:
            parts = [r for r in range(len(limits)) if over[r] > 0 and shares_cells[r]]
            return max(sum(min(max(change[r] / over[r], 0.0), 1.0) for r in parts), 1e-12)

        found = []
        for deck, k in enumerate(self.pick):
            if k < 0 or self.bare(k)[row] <= 0:
                continue
            score, to = self.worth[k] / freed(self.bare(k)), -1
            for other in np.flatnonzero(task.owner == deck).tolist() if not drop_only else []:
                change = self.bare(other) - self.bare(k) + self.new_set_ups(other)
                if not self.may[other] or (change > slack).any() or change[row] >= 0:
                    continue
                worth = self.worth[other] - (self.new_set_ups(other) * self.prices).sum()
                cost = (self.worth[k] - worth) / freed(-change)
                if cost < score:
                    score, to = cost, other
            found.append((score, deck, to))
        for _, deck, to in sorted(found, key=lambda one: one[:2]):
            self.put(deck, to)
            if loads(task, self.held())[row] <= limits[row]:
                return

    def fill(self, at_once: int = 10**9) -> None:
        """Options worth more than what a deck has, the greatest gain at the prices first, until none fits."""
        for _ in range(60):
            slack = self.task.limits - loads(self.task, self.held())
            found = []
            for k in self.pool:
                has = self.pick[self.task.owner[k]]
                if self.task.value[k] <= (self.task.value[has] if has >= 0 else 0.0):
                    continue
                change = self.bare(k) + self.new_set_ups(k) - (self.bare(has) if has >= 0 else 0.0)
                gain = self.worth[k] - (self.worth[has] if has >= 0 else 0.0)
                if (change <= slack).all():
                    found.append((gain - (self.new_set_ups(k) * self.prices).sum(), k))
            done: set[int] = set()
            for _, k in sorted(found, key=lambda one: (-one[0], one[1]))[:at_once]:
                deck = int(self.task.owner[k])
                if deck not in done and self.put(deck, k):
                    done.add(deck)
            if not done:
                return


def built(task: Problem, prices: np.ndarray, **more: int) -> list[int]:
    """The whole of it: the best at the prices, moved out of crowded routes and passed limits, then filled."""
    worth = task.worth(prices)
    if task.usable is not None:
        worth = np.where(task.usable, worth, -np.inf)
    told = Told(task, prices, task.settle(worth, prices)[1], pool=more.get("pool"))
    told.make_room()
    for drop_only in (False, True):
        for row in range(len(task.limits)):
            told.shift(row, drop_only)
    told.fill(more.get("at_once", 10**9))
    return told.pick


def carried(task: Problem) -> Problem:
    """Money counted up to each year, so that its rows have cells in common."""
    task.rows[:YEARS, :YEARS] = np.tril(np.ones((YEARS, YEARS)))
    task.limits[:YEARS] = np.cumsum(task.limits[:YEARS])
    return task


@pytest.mark.basis("derived", "every step told again by plain loops, at whole prices so that sums are exact")
@pytest.mark.parametrize("carry", [False, True])
@pytest.mark.parametrize("case", CASES)
def test_a_programme_at_prices_is_that_of_plain_loops(case, carry):
    for seed in range(5):
        task = problem(seed, 9, 2, **case)
        task = carried(task) if carry else task
        rng = np.random.default_rng(seed)
        for prices in (np.zeros(len(task.limits)), rng.integers(0, 9, len(task.limits)).astype(float)):
            assert programme_at(task, prices).tolist() == built(task, prices), seed


@pytest.mark.basis("derived", "every step told again by plain loops, with options that may not be used while building")
def test_options_that_free_what_another_uses_are_left_alone():
    for seed in range(6):
        task = problem(seed, 8, 2, shared=bool(seed % 2))
        task.usable = np.random.default_rng(seed).random(len(task.value)) < 0.7
        prices = np.random.default_rng(seed).integers(0, 6, len(task.limits)).astype(float)
        pick = programme_at(task, prices)
        assert pick.tolist() == built(task, prices)
        assert task.usable[pick[pick >= 0]].all()
        none = np.full(task.decks, -1, dtype=np.intp)
        told = Told(task, prices, none)
        told.fill()
        assert polish(task, prices, none).tolist() == told.pick


@pytest.mark.basis(
    "derived", "the same with only the options of the least losses looked at, and a few tried in a round"
)
def test_large_problems_look_at_the_options_of_the_least_losses(monkeypatch):
    for seed in range(6):
        task = problem(seed, 9, 2, two=bool(seed % 2))
        prices = np.random.default_rng(seed).integers(1, 9, len(task.limits)).astype(float)
        whole = programme_at(task, prices).tolist()
        monkeypatch.setattr(fill, "POOL", 10)
        few = programme_at(task, prices).tolist()
        assert few == built(task, prices, pool=10)
        monkeypatch.setattr(fill, "AT_ONCE", 2)
        assert programme_at(task, prices).tolist() == built(task, prices, pool=10, at_once=2)
        monkeypatch.undo()
        assert programme_at(task, prices).tolist() == whole
        monkeypatch.setattr(fill, "POOL", len(task.value))
        assert programme_at(task, prices).tolist() == whole
        monkeypatch.undo()


@pytest.mark.basis("derived", "every step told again by plain loops, from programmes that leave some of the money")
@pytest.mark.parametrize("case", CASES)
def test_a_programme_is_polished_as_by_plain_loops(case):
    for seed in range(3):
        task = problem(seed, 9, 2, **case)
        prices = np.random.default_rng(seed).integers(0, 5, len(task.limits)).astype(float)
        start = programme_at(task, prices)
        start[::2] = -1
        before = start.copy()
        told = Told(task, prices, start)
        told.fill()
        assert polish(task, prices, start).tolist() == told.pick
        assert (start == before).all()


@pytest.mark.basis("derived", "a limit passed by five with works of 3, 4 and 5: each rule of what is refused by hand")
def test_what_a_ledger_refuses_and_undoes():
    task = problem(0, 3, 1)
    task.amounts[0][:] = [3, 9, 9, 4, 9, 9, 5, 9, 9]
    task.amounts[1][:] = 1.0
    task.limits[:] = [7.0, 9.0, 0.0, 2.0, 9.0, 9.0]
    ledger = Ledger(task, np.array([0, 3, 6]))  # 12 of 7, and 3 of 2 days
    assert ledger.load.tolist() == [12, 0, 0, 3, 0, 0]
    assert [ledger.is_over(row) for row in range(6)] == [True, False, False, True, False, False]
    assert not ledger.put(0, 2)  # the last year has no money
    assert ledger.pick.tolist() == [0, 3, 6]
    assert ledger.put(2, 7)  # 9 of 9 in the second year
    assert not ledger.is_over(0)
    assert not ledger.put(0, 1)
    assert ledger.put(0, -1)
    assert not ledger.put(0, 1)
    assert ledger.put(0, 0)
    ledger.settle()
    assert ledger.load.tolist() == [7, 9, 0, 2, 1, 0]

"""Searching on where bound and programme are apart, against every combination and a search told as a recursion."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest

from decknet.clock import Clock
from decknet.schedule.effort import EFFORTS
from decknet.schedule.prices import Problem, find_prices
from decknet.schedule.search import improve, search
from tests.schedule.test_prices import CASES, YEARS, loads, problem, works, worths, years_of

QUICK = EFFORTS["quick"]


def fits(task: Problem, picked: list[int]) -> bool:
    """Whether options keep every limit, counted option by option."""
    if (loads(task, picked) > task.limits).any():
        return False
    return task.room is None or bool((works(task, picked) <= task.room).all())


def worth_of(task: Problem, pick: np.ndarray) -> float:
    return float(sum(task.value[k] for k in pick if k >= 0))


def best_way(task: Problem, lots: list[list[int]]) -> list[int]:
    """The options of greatest value over every combination of one of each lot (-1: none) that keeps every limit."""
    n, years = len(task.value), task.years
    use, turns = np.zeros((n + 1, len(task.limits))), np.zeros((n + 1, task.opening.size))
    for k in range(n):
        for cell, amount in zip(task.cells, task.amounts, strict=True):
            use[k] += task.rows[:, cell[k]] * amount[k]
        if task.group[task.owner[k]] >= 0 and len(turns[k]):
            turns[k, [int(task.group[task.owner[k]]) * years + year for year in years_of(task, k)]] = 1.0
    set_up = np.array(
        [task.rows[:, c] * o for c, o in zip(task.opening_cell.ravel(), task.opening.ravel(), strict=True)]
    )
    ways = np.array(list(itertools.product(*lots)))  # the last place of each array stands for none
    works_of = turns[ways].sum(axis=1)
    load = use[ways].sum(axis=1) + ((works_of > 0) @ set_up if len(set_up) else 0.0)
    good = (load <= task.limits).all(axis=1)
    if task.room is not None:
        good &= (works_of <= task.room.ravel()).all(axis=1)
    worth = np.append(task.value, 0.0)[ways].sum(axis=1)
    top = ways[np.where(good, worth, -np.inf).argmax()]
    return [int(k) for k in top if k >= 0]


def best_within(task: Problem, lots: list[list[int]]) -> float:
    return float(sum(task.value[k] for k in best_way(task, lots)))


def lots_of(task: Problem) -> list[list[int]]:
    return [[*np.flatnonzero(task.owner == deck).tolist(), -1] for deck in range(task.decks)]


def none_of(task: Problem) -> np.ndarray:
    return np.full(task.decks, -1, dtype=np.intp)


def steps_by_recursion(task: Problem, prices: np.ndarray, value: float) -> int:
    """How many choices a depth-first search tries: decks whose second choice loses most first, least losses first.

    A choice is tried only while the losses so far leave room for a programme worth one more than the best known.
    """
    worth = worths(task, prices)
    top = [max(0.0, *(worth[k] for k in np.flatnonzero(task.owner == deck))) for deck in range(task.decks)]
    bound = sum(top) + float((prices * task.limits).sum())
    lots = []
    for deck in range(task.decks):
        ways = [(top[deck] - worth[k], int(k)) for k in np.flatnonzero(task.owner == deck)] + [(top[deck], -1)]
        ways = sorted(way for way in ways if way[0] < bound - value)
        if not ways:
            return 0
        lots.append((-ways[1][0] if len(ways) > 1 else -math.inf, deck, ways))
    lots.sort()
    best, steps = value, 0

    def go(at: int, lost: float, picked: list[int]) -> None:
        nonlocal best, steps
        if at == len(lots):
            best = max(best, float(sum(task.value[k] for k in picked)))
            return
        for loss, k in lots[at][2]:
            if lost + loss > bound - best - 1 + 1e-6:
                return
            steps += 1
            further = [*picked, k] if k >= 0 else picked
            if k < 0 or fits(task, further):
                go(at + 1, lost + loss, further)

    go(0, 0.0, [])
    return steps


@pytest.mark.basis("derived", "every combination of options tried; the steps of the same search told as a recursion")
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(3))
def test_the_search_proves_the_best_of_all_combinations_in_as_many_steps_as_its_recursion(seed, case):
    task = problem(seed, 4, 1, **case)
    task.limits = np.floor(task.limits * 0.7)
    best = best_within(task, lots_of(task))
    for prices in (np.zeros(len(task.limits)), find_prices(task, 1e-9)[0][1]):
        steps = steps_by_recursion(task, prices, 0.0)
        assert steps > 4
        pick, proven = search(task, prices, none_of(task), steps, Clock())
        assert proven
        assert worth_of(task, pick) == best
        assert fits(task, pick[pick >= 0].tolist())
        assert (task.owner[pick[pick >= 0]] == np.flatnonzero(pick >= 0)).all()
        _, proven = search(task, prices, none_of(task), steps - 1, Clock())
        assert not proven
        again, proven = search(task, prices, pick, 10**6, Clock())
        assert proven
        assert (again == pick).all()


@pytest.mark.basis("derived", "one deck with works worth 10 and 9: the former is worth one more than the latter known")
def test_a_programme_worth_one_more_is_found_in_one_step():
    task = dataclasses.replace(
        problem(0, 1, 1),
        origin=np.arange(2), owner=np.zeros(2, dtype=int), first=np.zeros(1, dtype=int), value=np.array([10.0, 9.0]),
        cells=(np.zeros(2, dtype=int),), amounts=(np.array([5.0, 5.0]),), year=np.zeros(2, dtype=int),
        limits=np.full(2 * YEARS, 5.0), group=np.array([-1]),
    )  # fmt: skip
    nothing = np.zeros(2 * YEARS)
    pick, proven = search(task, nothing, np.array([1]), 1, Clock())
    assert (pick.tolist(), proven) == ([0], True)
    pick, proven = search(task, nothing, np.array([1]), 0, Clock())
    assert (pick.tolist(), proven) == ([1], False)
    pick, proven = search(task, nothing, np.array([0]), 0, Clock())  # nothing can be worth more than the bound
    assert (pick.tolist(), proven) == ([0], True)


class Counted(Clock):
    """A clock that strikes when it is looked at for the so many-th time."""

    def __init__(self, at: int) -> None:
        super().__init__()
        self.at, self.looks = at, 0

    def struck(self) -> bool:
        self.looks += 1
        return self.looks >= self.at


@pytest.mark.basis("derived", "the user's clock is looked at every 1,024 steps; struck, the best so far is given")
def test_the_users_clock_ends_the_search_at_one_of_its_looks():
    task = problem(1, 9, 2)
    nothing = np.zeros(len(task.limits))
    _, proven = search(task, nothing, none_of(task), 3 * 1_024, Clock())
    assert not proven
    clock = Counted(2)
    pick, proven = search(task, nothing, none_of(task), 10**9, clock)
    assert not proven
    assert clock.looks == 2
    short, _ = search(task, nothing, none_of(task), 2 * 1_024 - 1, Clock())
    assert (pick == short).all()
    never = Counted(10**9)
    search(task, nothing, none_of(task), 3_000, never)
    assert never.looks == 2  # at 1,024 and 2,048


def anew(task: Problem, pick: np.ndarray, group: tuple[int, ...]) -> float:
    """The best value of all choices for those years, works of other years as they are."""
    lots = []
    for deck in range(task.decks):
        has = int(pick[deck])
        inside = [
            int(k)
            for k in np.flatnonzero(task.owner == deck)
            if task.year[k] in group and (task.later is None or task.later[k] < 0 or task.later[k] in group)
        ]
        lots.append([has] if has >= 0 and has not in inside else [*inside, -1])
    return best_within(task, lots)


@pytest.mark.basis(
    "derived", "each two years chosen anew in turn by trying every combination; ends where none gives more"
)
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(2))
def test_years_chosen_anew_in_turn_are_each_the_best_of_all_combinations(seed, case):
    task = problem(20 + seed, 4, 1, **case)
    prices = find_prices(task, 1e-9)[0][1]
    start = none_of(task)
    groups = list(itertools.combinations(range(YEARS), 2))
    way = {"together": 2, "enough": math.inf, "clock": Clock()}
    pick, picks = start, []
    for n, group in enumerate(groups, start=1):
        value = anew(task, pick, group)
        one = dataclasses.replace(QUICK, groups=n, sweeps=1, group_steps=10**6)
        pick = improve(task, prices, start, effort=one, **way)
        assert worth_of(task, pick) == value
        assert fits(task, pick[pick >= 0].tolist())
        picks.append(pick)
    last = improve(task, prices, start, effort=dataclasses.replace(one, sweeps=9), **way)
    assert worth_of(task, last) == max(anew(task, last, group) for group in groups) >= value
    # no sweeps, no change; enough already after a group: the others are left
    assert (improve(task, prices, start, effort=dataclasses.replace(one, sweeps=0), **way) == start).all()
    for enough in (worth_of(task, picks[0]), worth_of(task, picks[0]) + 1.0):
        reached = next((p for p in picks if worth_of(task, p) >= enough), picks[-1])
        assert (improve(task, prices, start, effort=one, **way | {"enough": enough}) == reached).all()
    assert (improve(task, prices, start, effort=one, **way | {"clock": Counted(1)}) == start).all()

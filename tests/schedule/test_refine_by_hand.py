"""The order of what brings bound and programme together, and when each step is left out."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from decknet.clock import Clock
from decknet.schedule import refine as refining
from decknet.schedule.effort import EFFORTS, Runs
from decknet.schedule.known import Known
from decknet.schedule.prices import Problem, find_prices
from tests.schedule.test_prices import problem
from tests.schedule.test_search_by_trying import Counted, best_within, lots_of, none_of, worth_of

ONE, TWO, THREE = (Runs(n, n, n, n, n) for n in (1, 2, 3))
EFFORT = dataclasses.replace(EFFORTS["quick"], runs=(ONE, TWO), runs_after_plans=(THREE,))


class Steps:
    """Which steps are taken; each may lower the bound to a part of the value of the programme known."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, ends: dict[str, float]) -> None:
        self.taken: list[Any] = []
        self.gaps: list[float] = []
        self.ends = ends
        for name in ("_search", "close_by_plans", "_by_children"):
            monkeypatch.setattr(refining, name, self.step(name))
        monkeypatch.setattr(refining, "years_stand_apart", lambda task: task.room is None)

    def step(self, name: str) -> Any:
        def take(known: Known, prices: Any, gap: float, *more: Any) -> bool:
            key = name if name != "_by_children" else f"run {more[0].branches}"
            self.taken.append(key)
            self.gaps.append(gap)
            if key in self.ends:
                known.bound = known.value + self.ends[key]
            return self.ends.get(key) == 0.0

        return take


def known_at(task: Problem, room: float) -> Known:
    """A programme worth 1,000, with the bound so far above it."""
    known = Known(task, none_of(task), 0.0)
    known.value = 1_000.0
    known.bound = 1_000.0 + room
    return known


@pytest.mark.basis("derived", "gaps by hand: 11 of 1,011 is 1.09 %, 2 of 1,002 .20 %, .05 of 1,000.05 .005 %")
@pytest.mark.parametrize(
    ("gap", "room", "ends", "steps"),
    [
        (0.02, 11.0, {}, []),  # reached already
        (0.01, 11.0, {"_search": 0.0}, ["_search"]),
        (0.01, 11.0, {}, ["_search", "close_by_plans", "run 3"]),
        (0.01, 11.0, {"close_by_plans": 2.0}, ["_search", "close_by_plans"]),
        # below half a percent a small network goes on to a twentieth of the gap asked for
        (0.004, 2.0, {}, ["_search", "close_by_plans", "run 3"]),
        (0.004, 0.05, {}, []),
        (0.005, 2.0, {}, []),  # from half a percent on nothing finer is asked for
    ],
)
def test_the_steps_taken_where_years_stand_apart(monkeypatch, gap, room, ends, steps):
    done = Steps(monkeypatch, ends)
    refining.refine(known_at(problem(0, 4, 1), room), np.zeros(6), gap, EFFORT, Clock())
    assert done.taken == steps
    assert all(g == pytest.approx(gap * (0.05 if gap < 0.005 else 1.0)) for g in done.gaps)


@pytest.mark.basis(
    "derived", "where years hang together the runs of the effort follow one another until the gap is reached"
)
@pytest.mark.parametrize(
    ("ends", "steps"),
    [
        ({}, ["_search", "run 1", "run 2"]),
        ({"run 1": 2.0}, ["_search", "run 1"]),
        ({"_search": 0.0}, ["_search"]),
    ],
)
def test_the_steps_taken_where_years_hang_together(monkeypatch, ends, steps):
    done = Steps(monkeypatch, ends)
    refining.refine(known_at(problem(0, 4, 1, room=2), 11.0), np.zeros(6), 0.01, EFFORT, Clock())
    assert done.taken == steps


def test_no_step_is_taken_once_the_users_clock_has_struck(monkeypatch):
    done = Steps(monkeypatch, {})
    refining.refine(known_at(problem(0, 4, 1, room=2), 11.0), np.zeros(6), 0.01, EFFORT, Counted(1))
    assert done.taken == []
    refining.refine(known_at(problem(0, 4, 1, room=2), 11.0), np.zeros(6), 0.01, EFFORT, Counted(3))
    assert done.taken == ["_search", "run 1"]


def test_exchanges_are_not_searched(monkeypatch):
    done = Steps(monkeypatch, {})
    task = problem(0, 4, 1)
    task.usable = np.arange(len(task.value)) > 0
    refining.refine(known_at(task, 11.0), np.zeros(6), 0.01, EFFORT, Clock())
    assert done.taken == ["close_by_plans", "run 3"]


def test_networks_of_many_decks_go_no_further_than_the_gap_asked_for(monkeypatch):
    done = Steps(monkeypatch, {})
    monkeypatch.setattr(refining, "SMALL_BELOW", 4)
    refining.refine(known_at(problem(0, 4, 1), 2.0), np.zeros(6), 0.004, EFFORT, Clock())
    assert done.taken == []
    refining.refine(known_at(problem(0, 3, 1), 2.0), np.zeros(6), 0.004, EFFORT, Clock())
    assert done.taken == ["_search", "close_by_plans", "run 3"]


@pytest.mark.basis("derived", "every combination of options tried")
@pytest.mark.parametrize("seed", range(4))
def test_the_search_over_all_years_proves_the_best_or_two_and_three_years_are_chosen_anew(monkeypatch, seed):
    task = problem(seed, 5, 1, shared=True)
    bound, prices = find_prices(task, 1e-9)[0]
    best = best_within(task, lots_of(task))

    def begun() -> Known:
        known = Known(task, none_of(task), 10.0)
        known.lower(bound)
        return known

    known = begun()
    assert refining._search(known, prices, 0.0, dataclasses.replace(EFFORT, search_steps=10**6), Clock())
    assert (known.value, known.bound) == (best, best)
    tries: list[tuple[int, float]] = []

    def improve(_task: Any, _prices: Any, pick: Any, together: int, enough: float, *_more: Any) -> Any:
        tries.append((together, enough))
        return pick

    monkeypatch.setattr(refining, "improve", improve)
    short = begun()
    few = dataclasses.replace(EFFORT, search_steps=12)
    found, _ = refining.search(task, prices, none_of(task), 12, Clock())
    assert worth_of(task, found) > 0
    assert not refining._search(short, prices, 0.001, few, Clock())
    assert short.value == worth_of(task, found)  # what the search found is kept
    assert tries == [(2, pytest.approx(0.999 * (short.bound + 10.0) - 10.0))]  # two of three years
    struck = begun()
    assert refining._search(struck, prices, 0.001, few, Counted(1))
    wide = begun()
    assert refining._search(wide, prices, 1.0, few, Clock())
    tries.clear()
    five = dataclasses.replace(task, years=5)
    monkeypatch.setattr(refining, "search", lambda *_: (none_of(task), False))
    parts = {name: getattr(short, name) for name in ("pick", "value", "bound", "base", "offer", "gap")}
    refining._search(SimpleNamespace(**parts, problem=five), prices, 0.0, few, Clock())  # type: ignore[arg-type]
    assert [together for together, _ in tries] == [2, 3]

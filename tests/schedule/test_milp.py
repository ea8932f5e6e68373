"""The solver in its child process."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from decknet.clock import Clock
from decknet.schedule import Options, child, choose_options, milp
from decknet.schedule import choose as choosing
from decknet.schedule import refine as refining
from decknet.schedule.limits import pose_problem
from decknet.schedule.options import GRAINS, Rules
from decknet.schedule.prices import Problem
from tests.schedule.test_choose import network


def posed(options: Options, decks: int, money: np.ndarray, days: np.ndarray | None) -> Problem:
    none = np.full(decks, -1, dtype=np.intp)
    return pose_problem(options, decks, none, money, days, Rules())


def relaxed_and_solved(options: Options, decks: int, money: np.ndarray, days: np.ndarray | None) -> milp.Answer | None:
    none = np.zeros(0, dtype=np.intp)
    return milp.solve_in_child(
        posed(options, decks, money, days), none, gap=0.0, branches=100_000, checks=100_000, clock=Clock()
    )


@pytest.mark.basis("published", "scipy.optimize.milp of the installed scipy, the same rows")
@pytest.mark.parametrize("with_days", [False, True])
def test_the_child_agrees_with_another_way_into_the_solver(with_days: bool, capfd: pytest.CaptureFixture[str]):
    from scipy.optimize import Bounds, LinearConstraint
    from scipy.optimize import milp as reference

    options = network(21, 25, 2, 2)
    money = np.full(2, np.floor(0.2 * options.money.sum() / 4))
    days = np.full(2, np.floor(0.25 * options.days.sum() / 4)) if with_days else None
    answer = relaxed_and_solved(options, 25, money, days)
    assert capfd.readouterr().out == ""
    assert answer is not None
    rows = [(options.deck == deck).astype(float) for deck in range(25)]
    rows += [np.where(options.year == year, options.money, 0.0) for year in range(2)]
    tops = [*np.ones(25), *money]
    if days is not None:
        rows += [np.where(options.year == year, options.days, 0.0) for year in range(2)]
        tops += [*days]
    other = reference(
        -options.value,
        integrality=np.ones(len(options)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(np.array(rows), -np.inf, tops),
        options={"mip_rel_gap": 0.0},
    )
    value = posed(options, 25, money, days).value[answer.taken].sum()
    assert value / GRAINS == pytest.approx(-other.fun, rel=1e-6)
    assert answer.bound == pytest.approx(value, rel=1e-6)


def test_the_child_closes_what_the_prices_leave_open():
    options = network(22, 60, 3, 3)
    money = np.full(3, np.floor(0.05 * options.money.sum() / 9))
    alone = choose_options(options, decks=60, money_limit=money, gap=0.9)
    both = choose_options(options, decks=60, money_limit=money, gap=0.002)
    assert both.value >= alone.value
    assert both.bound <= alone.bound
    assert both.gap < alone.gap
    held = both.taken[both.taken >= 0]
    assert (np.bincount(options.year[held], options.money[held], 3) <= money).all()


@pytest.mark.basis("derived", "the best of all is no less than any part can give, and no more than the solver proves")
@pytest.mark.slow
def test_parts_chosen_anew_climb_to_what_the_solver_proves():
    for seed in range(2):
        options = network(30 + seed, 20, 3, 2)
        money = np.full(2, np.floor(0.08 * options.money.sum() / 6))
        problem, none = posed(options, 20, money, None), np.zeros(0, dtype=np.intp)
        proven = milp.solve_in_child(problem, none, gap=0.0, branches=100_000, checks=100_000, clock=Clock())
        few = milp.solve_in_child(problem, none, gap=0.0, branches=20, checks=100_000, clock=Clock(), rounds=2)
        many = milp.solve_in_child(problem, none, gap=0.0, branches=20_000, checks=100_000, clock=Clock(), rounds=30)
        assert proven is not None
        assert few is not None
        assert many is not None
        worth = [problem.value[a.taken].sum() for a in (few, many, proven)]
        assert 0 < worth[0] <= worth[1]
        assert problem.fits(few.taken)
        assert problem.fits(many.taken)
        assert few.bound == np.inf
        assert worth[1] == pytest.approx(worth[2], rel=1e-9)
        assert many.bound == pytest.approx(worth[2], rel=1e-6)


def test_parts_chosen_anew_keep_what_they_start_from():
    options = network(34, 40, 3, 2)
    money = np.full(2, np.floor(0.08 * options.money.sum() / 6))
    problem = posed(options, 40, money, None)
    first = milp.solve_in_child(
        problem, np.zeros(0, dtype=np.intp), gap=0.0, branches=50, checks=100_000, clock=Clock()
    )
    assert first is not None
    again = [
        milp.solve_in_child(problem, first.taken, gap=0.0, branches=1, checks=100_000, clock=Clock(), rounds=2)
        for _ in range(2)
    ]
    assert again[0] is not None
    assert again[1] is not None
    assert problem.value[again[0].taken].sum() >= problem.value[first.taken].sum()
    assert (again[0].taken == again[1].taken).all()


@pytest.mark.basis("published", "HiGHS through highspy on the whole problem, and the decomposition alone")
@pytest.mark.slow
def test_small_networks_are_never_worse_than_either_way_alone():
    for seed, carry in ((0, False), (1, True)):
        options = network(40 + seed, 24, 3, 3)
        money = np.full(3, np.floor(0.07 * options.money.sum() / 9))
        rules = Rules(route=np.arange(24) // 5, set_up=8.0, carry_over=carry)
        way = {"decks": 24, "money_limit": money, "rules": rules}
        both = choose_options(options, gap=0.001, **way)
        alone = choosing.solve_whole(options, days_limit=None, gap=0.001, seconds=20, **way)
        priced = choose_options(options, gap=1.0, **way)
        assert alone is not None
        assert both.value >= max(alone[0], priced.value) * (1 - 1e-9)
        assert both.bound <= priced.bound * (1 + 1e-9)
        assert both.bound >= alone[0] * (1 - 1e-9)


def test_a_child_past_its_time_is_killed_and_says_nothing(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(milp, "GRACE_S", 0.02)
    options = network(23, 300, 3, 3)
    money = np.full(3, np.floor(0.05 * options.money.sum() / 9))
    none, clock = np.zeros(0, dtype=np.intp), Clock(0.01)
    answer = milp.solve_in_child(
        posed(options, 300, money, None), none, gap=0.0, branches=10**6, checks=10**6, clock=clock
    )
    assert answer is None


def test_a_child_that_cannot_start_says_nothing(monkeypatch: pytest.MonkeyPatch):
    def refuse(*_: object, **__: object) -> None:
        raise OSError("no more processes")

    monkeypatch.setattr(subprocess, "run", refuse)
    options = network(24, 5, 1, 1)
    assert relaxed_and_solved(options, 5, np.array([50.0]), None) is None
    assert refining.solve_in_child is milp.solve_in_child


def test_a_child_loads_the_solver_and_little_else():
    """It is begun some dozens of times a programme, and what it loads costs more than most of what it is asked."""
    code = "import runpy, sys; runpy.run_path(sys.argv[1]); print(*sys.modules)"
    home = Path(child.__file__).parents[2]
    told = subprocess.run([sys.executable, "-P", "-c", code, child.__file__], capture_output=True, text=True, cwd=home,
                          env={"PYTHONPATH": str(home)}, check=True)  # fmt: skip
    loaded = set(told.stdout.split())
    assert {m for m in loaded if m.startswith("decknet")} == {"decknet", "decknet.clock"}
    assert not loaded & {"pandas", "scipy", "shapely"}

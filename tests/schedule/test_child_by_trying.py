"""What the solver is sent and what becomes of it, the child's part run in this process, against every combination."""

from __future__ import annotations

import io
import itertools
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from decknet.clock import Clock
from decknet.schedule import Rules, child, deck_figures, milp, work_out
from decknet.schedule.choose import solve_whole
from decknet.schedule.effort import Runs
from decknet.schedule.known import Known
from decknet.schedule.prices import Problem, find_prices
from decknet.schedule.programme import whole_by_solver
from decknet.schedule.refine import _by_children
from tests.schedule.plain import plain
from tests.schedule.test_choose import network
from tests.schedule.test_prices import CASES, problem, years_of
from tests.schedule.test_search_by_trying import best_way, best_within, fits, lots_of, none_of

NONE = np.zeros(0, dtype=np.intp)


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """The tasks sent to the child, whose whole life is lived in this process."""
    tasks: list[dict[str, Any]] = []

    def run(command: list[str], *, input: bytes, **more: Any) -> SimpleNamespace:  # noqa: A002
        with np.load(io.BytesIO(input)) as task:
            tasks.append({**dict(task), "timeout": more["timeout"], "command": command, "env": more["env"]})
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(input)))
        out = os.dup(1)
        try:
            with tempfile.TemporaryFile() as told:
                os.dup2(told.fileno(), 1)
                child.answer_parent()
                told.seek(0)
                return SimpleNamespace(returncode=0, stdout=told.read())
        finally:
            os.dup2(out, 1)
            os.close(out)

    monkeypatch.setattr(subprocess, "run", run)
    return tasks


def ask(task: Problem, begin: np.ndarray = NONE, **more: Any) -> milp.Answer:
    given = {"gap": 0.0, "branches": 10_000, "checks": 10_000, "clock": Clock()} | more
    answer = milp.solve_in_child(task, begin, **given)
    assert answer is not None
    return answer


@pytest.mark.basis(
    "derived", "each combination of options with each set-up it needs, counted row by row and one by one"
)
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(2))
def test_the_rows_sent_allow_just_the_combinations_that_keep_every_limit(seed, case):
    task = problem(seed, 4, 1, **case)
    task.limits[0] = 0.0  # a year without money
    n = len(task.value)
    starts, (rows, entries), worth, limits, start = milp._model(task, NONE)
    count = len(worth)
    dense = np.zeros((len(limits), count))
    for column in range(count):
        mine = slice(starts[column], starts[column + 1])
        assert len(set(rows[mine].tolist())) == len(rows[mine])  # one entry a row
        dense[rows[mine], column] = entries[mine]
    assert len(starts) == count + 1
    assert starts[-1] == len(rows)
    assert worth[:n].tolist() == task.value.tolist()
    assert not worth[n:].any()
    assert not start.any()
    # set-ups: one column for each route and year in which an option of its decks works
    pairs = sorted({(int(task.group[task.owner[k]]), y) for k in range(n) for y in years_of(task, k)})
    pairs = [pair for pair in pairs if pair[0] >= 0] if task.shares else []
    assert count == n + len(pairs)
    rng = np.random.default_rng(seed)
    kept = 0
    for _ in range(200):
        way = [int(rng.choice(lot, p=[0.5 / (len(lot) - 1)] * (len(lot) - 1) + [0.5])) for lot in lots_of(task)]
        picked = [k for k in way if k >= 0]
        if rng.random() < 0.1:
            picked = sorted({*picked, int(rng.integers(n))})
        x = np.zeros(count)
        x[picked] = 1.0
        needed = {(int(task.group[task.owner[k]]), y) for k in picked for y in years_of(task, k)}
        x[n:] = [pair in needed for pair in pairs]
        once = len({int(task.owner[k]) for k in picked}) == len(picked)
        good = once and fits(task, picked)
        assert bool((dense @ x <= limits + 1e-9).all()) == good
        kept += good
        for spot in np.flatnonzero(x[n:]):  # a work without its set-up is not allowed
            bare = x.copy()
            bare[n + spot] = 0.0
            assert (dense @ bare > limits + 1e-9).any()
    assert 10 < kept < 190


@pytest.mark.basis("derived", "the known programme as columns taken: its options, and each set-up they need")
@pytest.mark.parametrize("case", CASES)
def test_the_programme_known_is_sent_with_its_set_ups(case):
    task = problem(3, 4, 1, **case)
    begin = np.array([0, int(np.flatnonzero(task.owner == 3)[-1])])
    *_, worth, _, start = milp._model(task, begin)
    n = len(task.value)
    pairs = {(int(task.group[task.owner[k]]), y) for k in range(n) for y in years_of(task, k)}
    mine = {(int(task.group[task.owner[k]]), y) for k in begin.tolist() for y in years_of(task, k)}
    wanted = [float(pair in mine) for pair in sorted(pairs) if pair[0] >= 0] if task.shares else []
    assert np.flatnonzero(start[:n]).tolist() == begin.tolist()
    assert start[n:].tolist() == wanted
    assert len(worth) == len(start)


@pytest.mark.basis("derived", "every combination of options tried")
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("rounds", [0, 25])
def test_the_child_finds_and_proves_the_best_of_all_combinations(sent, rounds, case):
    task = problem(7, 4, 1, **case)
    task.limits = np.floor(task.limits * 0.8)
    best = best_within(task, lots_of(task))
    answer = ask(task, rounds=rounds)
    assert task.value[answer.taken].sum() == best
    assert fits(task, answer.taken.tolist())
    # parts grow by a quarter from 0.3 on each time: 0.3 x 1.25 ** 6 is past 1, and then the whole is solved
    assert answer.bound == pytest.approx(best, rel=1e-6)
    again = ask(task, answer.taken, rounds=rounds, branches=0)
    assert again.taken.tolist() == answer.taken.tolist()


@pytest.mark.basis("derived", "what is asked is sent as it is; the child may take the user's seconds and ten more")
def test_what_the_child_is_told(sent):
    task = problem(1, 4, 1, shared=True)
    first = int(np.flatnonzero(task.owner == 2)[0])
    ask(task, np.array([first]), gap=0.25, branches=7, checks=11, rounds=2, effort=0.4)
    ask(task, clock=Clock(5.0))
    one, two = sent
    assert one["stop"].tolist() == [0.25, 7.0, 11.0, 0.0, 0.4]
    assert one["timeout"] is None
    assert (one["rounds"], two["rounds"]) == (2, 0)
    assert one["deck"].tolist() == task.owner.tolist()
    assert one["group"].tolist() == task.group.tolist()
    assert two["stop"][4] == 0.3
    assert 4.0 < two["stop"][3] <= 5.0
    assert two["timeout"] == pytest.approx(two["stop"][3] + 10.0)
    assert one["command"] == [sys.executable, "-P", child.__file__]
    assert one["env"]["PYTHONPATH"].split(os.pathsep)[0] == str(Path(child.__file__).parents[2])
    struck = Clock(1e-9)
    while not struck.struck():
        pass
    assert milp.solve_in_child(task, NONE, gap=0.0, branches=1, checks=1, clock=struck) is None
    assert len(sent) == 2  # nothing is begun once the clock has struck


def test_a_child_whose_clock_strikes_says_so_and_keeps_what_it_began_with(sent):
    task = problem(2, 6, 2)
    first = int(np.flatnonzero(task.owner == 0)[0])
    for rounds in (0, 3):
        clock, late = Clock(60.0), SimpleNamespace(left=lambda: 1e-9, struck=lambda: False, hit=False)
        answer = ask(task, np.array([first]), clock=late, rounds=rounds)
        assert late.hit
        if rounds:
            assert answer.taken.tolist() == [first]
        ask(task, clock=clock, rounds=rounds)
        assert not clock.hit


def test_a_child_that_ends_badly_says_nothing(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(subprocess, "run", lambda *_, **__: SimpleNamespace(returncode=1, stdout=b""))
    task = problem(2, 4, 1)
    assert milp.solve_in_child(task, NONE, gap=0.0, branches=1, checks=1, clock=Clock()) is None


@pytest.mark.basis(
    "derived", "every combination tried; branches are options times branches over the options, at least 50"
)
@pytest.mark.parametrize("case", CASES)
def test_both_children_together_reach_the_best_from_any_programme(monkeypatch, case):
    task = problem(11, 4, 1, **case)
    prices = find_prices(task, 1e-9)[0][1]
    best = best_within(task, lots_of(task))
    asked = []

    def by_trying(small: Problem, begin: np.ndarray, **more: Any) -> milp.Answer:
        asked.append((small, begin, more))
        way = best_way(small, lots_of(small))
        return milp.Answer(np.array(sorted(way), dtype=np.intp), float(small.value[way].sum()) + 3.0)

    monkeypatch.setattr("decknet.schedule.refine.solve_in_child", by_trying)
    known = Known(task, none_of(task), 100.0)
    start = none_of(task)
    start[1] = int(np.flatnonzero(task.owner == 1)[0])
    known.offer(start)
    known.lower(find_prices(task, 1e-9)[0][0])
    held = known.value
    _by_children(known, prices, 0.01, Runs(900, 30, 4, 40, 20), Clock())
    assert known.value == best
    assert known.bound == best + 3
    assert fits(task, known.pick[known.pick >= 0].tolist())
    for small, begin, more in asked:
        assert small.value[begin].sum() == held  # both begin from the programme known
        assert more["gap"] == pytest.approx(0.01 * 0.5 * (held + 100.0) / held)
        parts = bool(more.get("rounds"))
        assert more["checks"] == (20 if parts else 30)
        assert more["branches"] == (40 if parts else max(900 // len(small.owner), 50))
        assert more.get("rounds", 0) == (4 if parts else 0)
    assert sorted(bool(more.get("rounds")) for *_, more in asked) == [False, True]


@pytest.mark.basis(
    "derived", "routes 0 and 1 and two decks of none; a part of .3 grows by a quarter where the solver ends"
)
def test_single_decks_and_whole_routes_are_chosen_anew_by_turns(sent, monkeypatch):
    task = problem(0, 60, 1, shared=True)
    task.group = np.concatenate([np.full(40, -1), np.repeat(np.arange(2), 10)])
    frees: list[np.ndarray] = []
    real, ended = child._run, [True]

    def watched(lp: Any, start: Any, stop: Any) -> Any:
        fixed = (np.array(lp.col_lower_) == np.array(lp.col_upper_))[: len(task.owner)]
        frees.append(np.array([not fixed[task.owner == deck].any() for deck in range(60)]))
        mixed = [fixed[task.owner == deck].any() and not fixed[task.owner == deck].all() for deck in range(60)]
        assert not any(mixed)  # all options of a deck are free, or none
        known = np.array(start)[: len(task.owner)]
        assert np.array(lp.col_lower_)[: len(task.owner)][fixed].tolist() == known[fixed].tolist()
        solver = real(lp, start, stop)
        return solver if ended[0] else SimpleNamespace(getSolution=solver.getSolution, getModelStatus=lambda: None)

    monkeypatch.setattr(child, "_run", watched)
    for ends in (True, False):
        frees.clear()
        ended[0] = ends
        ask(task, rounds=5)
        parts = [free.mean() for free in frees]
        sizes = [0.3 * (1.25 if ends else 0.9) ** turn for turn in range(5)]
        for turn, (free, size) in enumerate(zip(frees, sizes, strict=True)):
            assert 0 < free[:40].sum() < 40  # decks of no route go each for itself
            assert free[:40].mean() == pytest.approx(size, abs=0.25)
            routes = [free[40:50], free[50:]]
            if turn % 2:
                assert all(route.all() or not route.any() for route in routes)
        assert any(0 < free[40:50].sum() < 10 for free in frees[::2])
        assert (parts[-1] > parts[0]) == ends


@pytest.mark.basis("derived", "every combination tried; nothing but its end or the user's clock ends the solver alone")
@pytest.mark.parametrize("carry", [False, True])
def test_the_solver_alone_finds_and_proves_the_best(sent, carry):
    for seed in range(3):
        options = network(seed, 5, 1, 2)
        money = np.floor(np.full(2, 0.3 * options.money.sum() / 2))
        days = np.floor(np.full(2, 0.4 * options.days.sum() / 2))
        rules = Rules(carry_over=carry)
        got = solve_whole(
            options, decks=5, money_limit=money, days_limit=days, rules=rules, gap=0.0, seconds=60.0
        )  # fmt: skip
        assert got is not None
        best = 0.0
        for way in itertools.product(*[[*np.flatnonzero(options.deck == deck), -1] for deck in range(5)]):
            held = [k for k in way if k >= 0]
            spent, worked = (np.bincount(options.year[held], what[held], 2) for what in (options.money, options.days))
            upto = np.cumsum if carry else np.asarray
            if (upto(spent) <= upto(money)).all() and (worked <= days + 1e-9).all():
                best = max(best, float(options.value[held].sum()))
        assert got == pytest.approx((best, best), rel=1e-6)
        assert sent[-1]["stop"][1:3].min() >= 10**8  # branches and checks
        assert 50.0 < sent[-1]["stop"][3] <= 60.0
        assert sent[-1]["rounds"] == 0


def test_a_solver_alone_that_says_nothing_or_passes_a_limit_is_not_believed(monkeypatch):
    options = network(1, 5, 1, 2)
    way = {"decks": 5, "days_limit": None, "rules": Rules(), "gap": 0.0, "seconds": 60.0}
    for answer in (None, milp.Answer(np.arange(10), 1e9)):
        monkeypatch.setattr("decknet.schedule.choose.solve_in_child", lambda *_, _answer=answer, **__: _answer)
        assert solve_whole(options, money_limit=np.full(2, options.money.max()), **way) is None


@pytest.mark.basis("derived", "every treatment and year of each deck tried; B cannot wait, and gets no precedence")
def test_the_solver_alone_on_decks_and_their_treatments(sent):
    settings = plain(gap=0.0)
    frame = pd.DataFrame(
        {
            "deck_id": ["A", "B", "C"], "area_m2": [400.0, 500.0, 700.0], "share_now": [0.05, 0.02, 0.08],
            "growth_per_yr": 0.01, "aadt": [3_000.0, 100.0, 900.0], "urgent": ["", "open hole", ""],
        }
    )  # fmt: skip
    budgets = [60_000.0, 50_000.0]
    works = work_out(deck_figures(frame, settings), list(settings.treatment), 2, settings)
    lots = [[(None, 0), *zip(*np.nonzero(works.permitted[deck]), strict=True)] for deck in range(3)]
    best = 0.0
    for way in itertools.product(*lots):
        spent, value = [0.0, 0.0], 0.0
        for deck, (kind, year) in enumerate(way):
            if kind is not None:
                spent[year] += works.money[deck, kind, year]
                value += works.benefit[deck, kind, year]
        if spent[0] <= budgets[0] and spent[1] <= budgets[1]:
            best = max(best, value)
    got = whole_by_solver(frame, budgets=budgets, settings=settings, seconds=60.0)
    assert got == pytest.approx((best, best), rel=1e-6)
    assert best > 0
    assert len(sent) == 1

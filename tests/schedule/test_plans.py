"""Plans of single years, held against enumeration, and the bound that they prove."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from decknet.clock import Clock
from decknet.schedule.effort import EFFORTS
from decknet.schedule.known import Known
from decknet.schedule.limits import pose_problem
from decknet.schedule.options import GRAINS, Options, Rules
from decknet.schedule.plan_prices import find_deck_prices, first_prices
from decknet.schedule.plan_tries import close_by_plans, fill_in_turn
from decknet.schedule.plans import Split, YearLot, scarcest, tabulate, years_stand_apart
from decknet.schedule.prices import Problem, find_prices
from tests.quick import first
from tests.schedule.test_choose import best_of_all, network


def lot(rng: np.random.Generator, *, decks: int, steps: int) -> YearLot:
    """One or two options a deck; decks 0 and 1 stand alone, the others in pairs on routes with a set-up."""
    deck = np.sort(np.concatenate([np.arange(decks), rng.integers(0, decks, decks // 2)]))
    group = np.where(deck < 2, -1, (deck - 2) // 2)
    opening = rng.integers(0, 4, decks)
    return YearLot(0, np.arange(len(deck)), deck, group, rng.integers(0, 8, len(deck)), opening, steps)


def gain_of(one: YearLot, plan: tuple[int, ...], gain: np.ndarray, tolls: np.ndarray) -> int | None:
    """What a plan gains; None where it takes two options of a deck or more steps than there are."""
    picked = list(plan)
    if len({int(one.deck[k]) for k in picked}) < len(picked):
        return None
    routes = {int(one.group[k]) for k in picked} - {-1}
    if sum(int(one.cost[k]) for k in picked) + sum(int(one.opening[g]) for g in routes) > one.steps:
        return None
    return sum(int(gain[k]) for k in picked) - sum(int(tolls[g]) for g in routes)


def best_by_trying(one: YearLot, gain: np.ndarray, tolls: np.ndarray) -> int:
    n = len(one.deck)
    plans = itertools.chain.from_iterable(itertools.combinations(range(n), k) for k in range(n + 1))
    return max(g for plan in plans if (g := gain_of(one, plan, gain, tolls)) is not None)


@pytest.mark.basis("derived", "every combination of options of one year tried")
@pytest.mark.parametrize("with_tolls", [False, True])
def test_a_years_plan_is_the_best_of_all_its_combinations(with_tolls: bool):
    for seed in range(60):
        rng = np.random.default_rng(seed)
        one = lot(rng, decks=int(rng.integers(2, 8)), steps=int(rng.integers(0, 25)))
        gain = rng.integers(-5, 40, len(one.deck))
        tolls = rng.integers(0, 12, len(one.opening)) * with_tolls
        table = tabulate(one, gain, tolls)
        plan = tuple(table.plan(one.steps).tolist())
        assert table.most[-1] == best_by_trying(one, gain, tolls), seed
        assert gain_of(one, plan, gain, tolls) == table.most[-1], seed
        assert (np.diff(table.most) >= 0).all()


def test_a_plan_takes_nothing_where_nothing_gains():
    one = lot(np.random.default_rng(0), decks=4, steps=20)
    nothing = np.zeros(len(one.opening), dtype=np.int64)
    table = tabulate(one, np.full(len(one.deck), -3), nothing)
    assert table.most.tolist() == [0] * 21
    assert table.plan(20).tolist() == []


@pytest.mark.basis(
    "derived", "worked by hand: 7 steps; 4 + 3 gain 9 + 6, the denser 5 gains 12 and leaves room for none"
)
def test_a_plan_fills_the_year_where_taking_the_densest_first_would_not():
    deck = np.arange(3)
    one = YearLot(0, deck, deck, np.full(3, -1), np.array([5, 4, 3]), np.zeros(0, dtype=np.int64), 7)
    table = tabulate(one, np.array([12, 9, 6]), np.zeros(0, dtype=np.int64))
    assert table.most[-1] == 15
    assert table.plan(7).tolist() == [1, 2]
    assert table.plan(6).tolist() == [0]


def posed(seed: int, *, decks: int, years: int, with_days: bool, set_up: float = 0.0) -> tuple[Problem, Options]:
    rng = np.random.default_rng(seed)
    options = network(seed, decks, 2, years)
    money = np.floor(rng.uniform(0.15, 0.5, years) * options.money.sum() / (2 * years))
    days = np.round(rng.uniform(0.15, 0.5, years) * options.days.sum() / (2 * years), 1) if with_days else None
    rules = Rules(route=np.arange(decks) // 3, set_up=set_up) if set_up else Rules()
    return pose_problem(options, decks, np.full(decks, -1, dtype=np.intp), money, days, rules), options


def bound_by_plans(problem: Problem, *, cells: int = 10**9) -> tuple[Known, float]:
    lagrangian, prices = find_prices(problem, 1e-9)[0]
    known = Known(problem, np.full(problem.decks, -1, dtype=np.intp), 0.0)
    known.lower(lagrangian)
    split = Split(problem, prices, min(cells, int(problem.limits.max()) + 1))
    find_deck_prices(split, known, first_prices(split, prices), 0.05, 0.0, 60, Clock(), lambda *_: None)
    return known, lagrangian


@pytest.mark.basis("derived", "full enumeration; a bound of whole plans is no higher than one of prices on limits")
@pytest.mark.parametrize("with_days", first(1, [False, True]))
def test_the_bound_of_plans_holds_the_best_of_all_and_is_no_higher_than_that_of_prices(with_days: bool):
    closer = 0
    for seed in range(12):
        decks, years = 5, 2
        problem, options = posed(seed, decks=decks, years=years, with_days=with_days)
        known, lagrangian = bound_by_plans(problem, cells=5_000)
        money, days = problem.limits[:years] / 100, problem.limits[years:] / 10 if with_days else None
        best = best_of_all(options, decks, money, days, np.zeros(decks, dtype=bool))
        assert known.bound / GRAINS >= best - 1e-9, seed
        assert known.bound <= lagrangian + 1
        closer += known.bound < lagrangian - 1
    assert closer > 3


@pytest.mark.slow
def test_programmes_out_of_plans_pass_no_limit_with_set_ups_and_crew_days():
    for seed in range(6):
        problem, _ = posed(seed, decks=40, years=3, with_days=bool(seed % 2), set_up=9.0)
        assert years_stand_apart(problem)
        known, _ = bound_by_plans(problem, cells=2_000)
        prices = find_prices(problem, 1e-6)[0][1]
        split = Split(problem, prices, 700)
        pick = fill_in_turn(split, known.pick, [2, 0, 1], first_prices(split, prices))
        assert problem.fits(pick[pick >= 0])
        assert (pick >= 0).any()
        close_by_plans(known, prices, 0.0, EFFORTS["quick"], Clock())
        assert problem.fits(known.pick[known.pick >= 0])
        assert 0 < known.value <= known.bound


def test_years_filled_anew_leave_the_other_years_as_they_are():
    problem, _ = posed(3, decks=40, years=3, with_days=False)
    prices = find_prices(problem, 1e-6)[0][1]
    split = Split(problem, prices, 700)
    before = fill_in_turn(split, np.full(problem.decks, -1, dtype=np.intp), [0, 1, 2], first_prices(split, prices))
    after = fill_in_turn(split, before, [1], first_prices(split, prices))
    stays = (before >= 0) & (problem.year[before] != 1)
    assert stays.any()
    assert (after[stays] == before[stays]).all()


@pytest.mark.basis("derived", "worked by hand: money 10 a coin over 100 coins, days 3 a part over 400 parts")
def test_the_scarcest_limit_is_the_one_whose_whole_costs_most():
    problem, _ = posed(1, decks=10, years=2, with_days=True)
    problem.limits = np.array([100.0, 100.0, 400.0, 400.0])
    use = np.ones((len(problem.owner), 4))
    assert scarcest(problem, use, np.array([10.0, 10.0, 3.0, 3.0])) == 1
    assert scarcest(problem, use, np.array([10.0, 15.0, 3.0, 3.0])) == 0
    use[0, 2] = -1.0  # an exchange that takes fewer days than the option it stands for
    assert scarcest(problem, use, np.array([10.0, 10.0, 3.0, 3.0])) == 0


def test_years_hang_together_where_money_is_carried_on_or_an_area_keeps_some():
    options, none = network(2, 8, 1, 2), np.full(8, -1, dtype=np.intp)
    money = np.full(2, 500.0)
    apart = pose_problem(options, 8, none, money, None, Rules())
    carried = pose_problem(options, 8, none, money, None, Rules(carry_over=True))
    kept = Rules(area=np.arange(8) % 2, kept=np.full((2, 2), 50.0))
    full = Rules(route=np.zeros(8, dtype=np.int64), most_on_route=2)
    assert years_stand_apart(apart)
    assert not years_stand_apart(carried)
    assert not years_stand_apart(pose_problem(options, 8, none, money, None, kept))
    assert not years_stand_apart(pose_problem(options, 8, none, money, None, full))

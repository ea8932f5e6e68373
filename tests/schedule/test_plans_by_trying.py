"""Plans of single years, their prices and programmes out of them, against plain loops and every combination."""

from __future__ import annotations

import dataclasses
import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import linprog

from decknet.clock import Clock
from decknet.schedule.effort import EFFORTS
from decknet.schedule.fill import uses
from decknet.schedule.known import Known, gap_between
from decknet.schedule.plan_prices import DeckPrices, find_deck_prices, first_prices
from decknet.schedule.plan_tries import _plan_within, close_by_plans, fill_in_turn
from decknet.schedule.plans import Split, _can_be_best, _greedy, by_year, tabulate
from decknet.schedule.prices import Problem, find_prices
from tests.schedule.test_plans import best_by_trying, gain_of, lot
from tests.schedule.test_prices import YEARS, loads, problem, worths
from tests.schedule.test_search_by_trying import Counted, best_within, fits, lots_of, none_of, worth_of

QUICK = EFFORTS["quick"]


def posed(seed: int, decks: int = 5, kinds: int = 1, *, shared: bool = True) -> Problem:
    """Whole money and days by year; money is what is scarce."""
    task = problem(seed, decks, kinds, shared=shared)
    task.value = task.value * 100.0
    task.limits = np.concatenate([np.floor(task.limits[:YEARS] * 0.8), task.limits[YEARS:]])
    return task


def scarce_money(task: Problem) -> np.ndarray:
    return np.concatenate([np.full(YEARS, 1_000.0), np.full(YEARS, 1e-3)])


# ---- the years of a problem ------------------------------------------------------------------------------


@pytest.mark.basis(
    "derived", "option by option: steps of so much money that a year has no more than so many, rounded down"
)
@pytest.mark.parametrize("cells", [5, 7, 1_000])
@pytest.mark.parametrize("block", [0, 1])
def test_the_lots_of_years_option_by_option(cells, block):
    task = posed(4, 8, 2)
    task.limits[1] = 0.0
    task.limits[YEARS] = 9.0  # some options take more days than the year has
    lots = by_year(task, uses(task, np.arange(len(task.value))), block, cells)
    assert len(lots) == YEARS
    for year, one in enumerate(lots):
        row = block * YEARS + year
        there = task.limits[row]
        step = max(math.ceil(there / cells), 1)
        mine = [
            k
            for k in np.flatnonzero(task.year == year).tolist()
            if task.amounts[0][k] <= task.limits[year] and task.amounts[1][k] <= task.limits[YEARS + year]
        ]
        assert one.row == row
        assert one.options.tolist() == mine
        assert one.deck.tolist() == [task.owner[k] for k in mine]
        assert one.group.tolist() == [task.group[task.owner[k]] for k in mine]
        assert one.cost.tolist() == [task.amounts[block][k] // step for k in mine]
        assert one.steps == there // step
        assert one.opening.tolist() == [(o // step if block == 0 else 0) for o in task.opening[:, year]]


@pytest.mark.basis(
    "derived", "option by option: value less the price of its deck and of what it uses of the other limits"
)
def test_gains_tolls_and_loads_at_prices_option_by_option():
    task = posed(6, 8, 2)
    split = Split(task, scarce_money(task), 50)
    assert split.others.tolist() == [3, 4, 5]
    assert split.limits.tolist() == task.limits[3:].tolist()
    deck, limit = np.arange(8) * 7, np.array([1.25, 0.4, 2.0])
    for one in split.lots:
        wanted = [
            task.value[k] - deck[task.owner[k]] - math.floor(task.amounts[1][k] * limit[task.year[k]])
            for k in one.options
        ]
        assert split.gains(one, deck, limit).tolist() == wanted
        assert split.load(one.options).tolist() == loads(task, one.options.tolist())[3:].tolist()
    assert split.tolls(0, limit).tolist() == [0, 0]  # set-ups are of money alone
    by_days = Split(task, np.array([1.0] * 3 + [500.0] * 3), 50)
    assert by_days.others.tolist() == [0, 1, 2]
    for year in range(YEARS):
        assert by_days.tolls(year, limit).tolist() == [math.floor(o * limit[year]) for o in task.opening[:, year]]
    assert first_prices(split, np.array([9.0, 8, 7, 0.1, 0.2, 0.3])).limit.tolist() == [0.1, 0.2, 0.3]
    prices = np.array([9.0, 8, 7, 0.1, 0.2, 0.3])
    top = [round(max(0.0, *worths(task, prices)[task.owner == d])) for d in range(8)]
    assert first_prices(split, prices).deck.tolist() == top


# ---- one year --------------------------------------------------------------------------------------------


@pytest.mark.basis(
    "derived", "a plain loop: options in order while they fit, one a deck, the set-up where it is worth it"
)
def test_the_greedy_plan_of_a_year_is_that_of_a_plain_loop():
    for seed in range(40):
        rng = np.random.default_rng(seed)
        one = lot(rng, decks=int(rng.integers(2, 9)), steps=int(rng.integers(3, 25)))
        gain, tolls = rng.integers(1, 40, len(one.deck)), rng.integers(0, 25, len(one.opening))
        order = rng.permutation(len(one.deck))
        plan: list[int] = []
        for k in order.tolist():
            further = (*plan, k)
            alone = one.group[k] >= 0 and one.group[k] not in {one.group[p] for p in plan}
            if gain_of(one, further, gain, tolls) is not None and (not alone or tolls[one.group[k]] < gain[k]):
                plan.append(k)
        assert _greedy(one, order, gain, tolls) == (gain_of(one, tuple(plan), gain, tolls) or 0)


@pytest.mark.basis(
    "derived", "an option is in no best plan where the bound of linear parts without its loss is too low"
)
def test_options_left_out_of_a_year_are_in_no_best_plan_and_are_those_whose_loss_is_too_great():
    left_out = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        one = lot(rng, decks=int(rng.integers(3, 9)), steps=int(rng.integers(4, 16)))
        gain, tolls = rng.integers(1, 60, len(one.deck)), np.zeros(len(one.opening), dtype=np.int64)
        some = np.flatnonzero(one.cost <= one.steps)
        may = _can_be_best(one, some, gain, tolls)
        # the price of a step: gain for a step of the option with which the densest first use up all steps
        order = sorted(some.tolist(), key=lambda k: -gain[k] / max(one.cost[k], 1e-9))
        spent, price = 0, 0.0
        for k in order:
            spent += one.cost[k]
            if spent >= one.steps:
                price = gain[k] / max(one.cost[k], 1e-9)
                break
        beyond = {k: gain[k] - price * one.cost[k] for k in some.tolist()}
        best = {d: max(0.0, *(beyond[k] for k in beyond if one.deck[k] == d)) for d in set(one.deck[some].tolist())}
        bound = price * one.steps + sum(best.values())
        least = _greedy(one, np.array(order, dtype=int), gain, tolls) - 1
        assert may.tolist() == [bound - (best[one.deck[k]] - beyond[k]) >= least for k in some.tolist()], seed
        left_out += int((~may).sum())
    assert left_out > 20
    nothing = np.zeros(0, dtype=np.int64)
    assert _can_be_best(one, nothing, gain, tolls).tolist() == []


@pytest.mark.basis(
    "derived", "every combination of options of one year tried, for every number of steps there could be"
)
def test_the_plan_for_fewer_steps_gains_what_its_table_says():
    for seed in range(20):
        rng = np.random.default_rng(seed)
        one = lot(rng, decks=int(rng.integers(2, 7)), steps=int(rng.integers(0, 20)))
        gain, tolls = rng.integers(-5, 40, len(one.deck)), rng.integers(0, 12, len(one.opening))
        table = tabulate(one, gain, tolls)
        assert len(table.most) == one.steps + 1
        for steps in range(one.steps + 1):
            fewer = dataclasses.replace(one, steps=steps)
            plan = tuple(table.plan(steps).tolist())
            assert gain_of(fewer, plan, gain, tolls) == table.most[steps]
            assert all(gain[k] > 0 for k in plan)
        assert table.most[-1] == best_by_trying(one, gain, tolls)


# ---- prices of decks -------------------------------------------------------------------------------------


def plans_of(task: Problem, year: int) -> list[tuple[int, ...]]:
    """Every plan of a year within its money."""
    lots = [
        [*(k for k in np.flatnonzero(task.owner == d).tolist() if task.year[k] == year), -1] for d in range(task.decks)
    ]
    out = []
    for way in itertools.product(*lots):
        plan = tuple(k for k in way if k >= 0)
        if loads(task, list(plan))[year] <= task.limits[year]:
            out.append(plan)
    return out


@pytest.mark.basis("derived", "every plan of every year tried at the prices of each step")
@pytest.mark.parametrize("seed", range(3))
def test_the_bound_at_each_step_is_that_of_the_best_plans_of_the_years(seed):
    task = posed(seed, 4)
    split = Split(task, scarce_money(task), 10_000)
    bounds: list[float] = []
    at: list[DeckPrices] = []
    listener = SimpleNamespace(lower=bounds.append, gap=lambda: 1.0)
    start = DeckPrices(np.full(4, 900), np.array([3.0, 0.0, 1.5]))
    got = find_deck_prices(split, listener, start, 0.3, 0.0, 30, Clock(), lambda prices, _: at.append(prices))  # type: ignore[arg-type]
    assert 3 < len(at) == len(bounds) <= 30
    plans = [plans_of(task, year) for year in range(YEARS)]
    for prices, bound in zip(at, bounds, strict=True):
        assert (prices.deck >= 0).all()
        assert (prices.limit >= 0).all()
        total = float(prices.deck.sum()) + float((prices.limit * task.limits[3:]).sum())
        for year in range(YEARS):
            total += max(
                sum(
                    task.value[k] - prices.deck[task.owner[k]] - math.floor(task.amounts[1][k] * prices.limit[year])
                    for k in plan
                )
                for plan in plans[year]
            )
        assert bound == pytest.approx(total, abs=1e-3)
    low = int(np.argmin(bounds))
    assert got.deck.tolist() == at[low].deck.tolist()
    assert got.limit == pytest.approx(at[low].limit)
    assert at[0].deck.tolist() == [900] * 4
    assert at[0].limit == pytest.approx([3.0, 0.0, 1.5])
    one: list[int] = []
    find_deck_prices(split, listener, start, 0.3, 1.0, 30, Clock(), lambda _, step: one.append(step))  # type: ignore[arg-type]
    assert one == [0]  # the gap is reached
    find_deck_prices(split, listener, start, 0.3, 0.0, 30, Counted(1), lambda _, step: one.append(step))  # type: ignore[arg-type]
    assert one == [0, 0]


@pytest.mark.basis("derived", "the linear programme over all plans of all years, by a general solver")
@pytest.mark.parametrize("seed", range(4))
def test_the_lowest_bound_is_that_of_the_linear_programme_over_all_plans(seed):
    task = posed(seed, 4)
    rows, worth = [], []
    for year in range(YEARS):
        for plan in plans_of(task, year):
            row = np.zeros(task.decks + YEARS + YEARS)
            row[[task.owner[k] for k in plan]] = 1.0
            row[task.decks : task.decks + YEARS] = loads(task, list(plan))[YEARS:]
            row[task.decks + YEARS + year] = 1.0
            rows.append(row)
            worth.append(sum(task.value[k] for k in plan))
    tops = np.concatenate([np.ones(task.decks), task.limits[YEARS:], np.ones(YEARS)])
    linear = -linprog(-np.array(worth), A_ub=np.array(rows).T, b_ub=tops, method="highs").fun
    prices = find_prices(task, 1e-9)[0][1]
    split = Split(task, scarce_money(task), 10_000)
    known = Known(task, none_of(task), 0.0)
    find_deck_prices(split, known, first_prices(split, prices), 0.05, 0.0, 80, Clock(), lambda *_: None)
    assert known.bound >= linear - 1
    assert known.bound == pytest.approx(linear, rel=1e-4, abs=30)  # floors: a grain an option


# ---- programmes ------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "year after year the best plan of the decks left, by trying every combination")
@pytest.mark.parametrize("seed", range(6))
def test_years_filled_in_turn_take_each_the_best_plan_of_the_decks_left(seed):
    task = posed(seed, 5)
    task.limits[YEARS:] = 1e6  # days are no matter
    split = Split(task, scarce_money(task), 10_000)
    free = DeckPrices(np.zeros(5, dtype=np.int64), np.zeros(YEARS))
    pick = none_of(task)
    for order in ([2, 0, 1], [1], [0, 2]):
        wanted = np.array([-1 if k >= 0 and task.year[k] in order else k for k in pick])
        got = fill_in_turn(split, pick, order, free)
        for year in order:
            lots = [
                [int(wanted[d])]
                if wanted[d] >= 0
                else [*(k for k in np.flatnonzero(task.owner == d).tolist() if task.year[k] == year), -1]
                for d in range(5)
            ]
            value = best_within(task, lots)
            mine = np.where((got >= 0) & (task.year[got] == year), got, wanted)
            assert worth_of(task, mine) == value
            wanted = mine
        assert got.tolist() == wanted.tolist()
        pick = got
    # a deck too dear to be worked on is left
    dear = DeckPrices(np.array([10**9, 0, 0, 0, 0]), np.zeros(YEARS))
    assert fill_in_turn(split, none_of(task), [0, 1, 2], dear)[0] == -1


def cut_by_hand(task: Problem, year: int, taken: np.ndarray) -> tuple[list[int], int]:
    """The best plan of a year by trying; days passed are made dearer up to four times, then the least works dropped."""
    plans = [plan for plan in plans_of(task, year) if not any(taken[task.owner[k]] for k in plan)]
    price = 0.0
    for tries in range(4):
        gains = [sum(task.value[k] - math.floor(task.amounts[1][k] * price) for k in plan) for plan in plans]
        plan = plans[int(np.argmax(gains))]
        days = sum(task.amounts[1][k] for k in plan)
        if days <= task.limits[YEARS + year]:
            return list(plan), tries
        price = max(1.5 * price, sum(task.value[k] for k in plan) / days / 4)
    left = sorted(plan, key=lambda k: -task.value[k])
    while sum(task.amounts[1][k] for k in left) > task.limits[YEARS + year]:
        left = left[:-1]
    return sorted(left), 4


@pytest.mark.basis("derived", "every plan of the year tried at each price of days; then the least works dropped")
def test_a_plan_keeps_the_days_of_its_year():
    raised = []
    for seed in range(16):
        task = posed(seed, 7)
        task.limits[:YEARS] *= 2
        task.limits[YEARS:] = np.floor(task.limits[YEARS:] * (0.8 if seed % 2 else 0.5))
        free = DeckPrices(np.zeros(7, dtype=np.int64), np.zeros(YEARS))
        task.amounts[1][:] = np.minimum(task.amounts[1], task.limits[YEARS + task.year])
        split = Split(task, scarce_money(task), 10_000)
        for year in range(YEARS):
            taken = np.random.default_rng(seed).random(7) < 0.2
            plan, tries = cut_by_hand(task, year, taken)
            assert _plan_within(split, year, taken, free).tolist() == plan
            assert fits(task, plan)
            raised.append(tries)
    assert {0, 1, 2, 3, 4} <= set(raised)


@pytest.mark.basis("derived", "every combination of options tried")
@pytest.mark.parametrize("seed", range(6))
def test_plans_put_together_come_to_the_best_of_all_combinations(seed):
    task = posed(seed, 5)
    best = best_within(task, lots_of(task))
    lowest, prices = find_prices(task, 1e-9)[0]
    known = Known(task, none_of(task), 0.0)
    known.lower(lowest)
    close_by_plans(known, prices, 0.0, QUICK, Clock())
    assert known.value == best
    assert best <= known.bound <= lowest
    assert fits(task, known.pick[known.pick >= 0].tolist())
    start = Known(task, none_of(task), 0.0)
    start.lower(lowest)
    close_by_plans(start, prices, 0.0, QUICK, Counted(1))  # the user's clock strikes at once
    assert start.value <= best


# ---- what is known ---------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "the gap by hand; bounds of whole numbers are rounded down, but for a billionth of them")
def test_what_is_known_only_gets_better():
    task = posed(0, 4)
    known = Known(task, none_of(task), 50.0)
    assert (known.value, known.bound, known.gap()) == (0.0, math.inf, pytest.approx(math.nan, nan_ok=True))
    k = int(np.flatnonzero(task.owner == 2)[0])
    pick = none_of(task)
    pick[2] = k
    assert known.offer(pick)
    value = float(task.value[k])
    assert (known.value, known.value_of(pick)) == (value, value)
    assert not known.offer(pick.copy())  # of equals the first stays
    assert known.pick is pick
    assert not known.offer(none_of(task))
    dear = none_of(task)
    dear[:] = [int(np.flatnonzero((task.owner == d) & (task.year == 0))[0]) for d in range(4)]
    task.limits[0] = 1.0
    assert not known.offer(dear)
    known.lower(math.inf)
    assert known.bound == math.inf
    known.lower(value + 100.9)
    assert known.bound == value + 100
    known.lower(value + 120.0)
    assert known.bound == value + 100
    assert known.gap() == pytest.approx(100 / (value + 150))
    known.lower(value + 100 - 1e-10 * value)  # a last bit of the sums behind it
    assert known.bound == value + 100
    known.lower(value + 99 + 1e-10 * value)
    assert known.bound == value + 99
    known.lower(value - 5.0)  # never below what is held
    assert known.bound == value
    assert known.gap() == 0.0
    assert [gap_between(*pair) for pair in ((5, 0), (5, -1), (12, 10), (-30, 10), (8, 10))] == [0, 0, 0, 1, 0.2]

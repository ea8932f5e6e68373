"""What a choice tells of its prices, when its steps end, and how prices of large networks are found."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from decknet.clock import Clock
from decknet.schedule import Options, Rules, choose_options
from decknet.schedule import choose as choosing
from decknet.schedule import prices as pricing
from decknet.schedule.choose import _from_start, _tolerance, relaxed_worth
from decknet.schedule.effort import EFFORTS
from decknet.schedule.limits import pose_problem
from decknet.schedule.prices import find_prices
from tests.schedule.test_choose import four_decks
from tests.schedule.test_prices import linear, problem, relaxed, worths
from tests.schedule.test_search_by_trying import Counted

QUICK = EFFORTS["quick"]


def five(days: bool = False) -> Options:
    """The four decks, their money or their days being what is scarce, and a fifth of 5 for 7 that needs no days."""
    four = four_decks()
    deck, year = np.append(four.deck, 4), np.zeros(13, dtype=int)
    value, scarce, ones = np.append(four.value, 7.0), np.append(four.money, 0.0 if days else 5.0), np.ones(13)
    return Options(deck, year, ones, scarce, value) if days else Options(deck, year, scarce, 0 * ones, value)


@pytest.mark.basis("derived", "four decks and 80: hull increments 3, 3, 2, 2, then 1.2 split: the next unit buys 1.2")
def test_the_price_of_money_and_of_days_and_what_options_are_worth_at_it():
    money = choose_options(five(), decks=5, money_limit=np.array([85.0]), gap=0.0)
    assert money.money_price == pytest.approx([1.2])
    assert money.days_price.tolist() == [0.0]
    assert money.worth == pytest.approx(five().value - 1.2 * five().money)
    assert (money.value, money.bound, money.gap) == (173.0, 173.0, 0.0)
    days = choose_options(five(days=True), decks=5, money_limit=np.array([99.0]), days_limit=np.array([80.0]), gap=0.0)
    assert days.money_price.tolist() == [0.0]
    assert days.days_price == pytest.approx([1.2])
    assert days.worth == pytest.approx(five().value - 1.2 * five(days=True).days)
    assert days.value == 173.0


@pytest.mark.basis("derived", "30 of 110 kept for the fifth deck: 80 are left to the others, at 1.2")
@pytest.mark.parametrize("days", [False, True])
def test_the_price_of_money_that_others_may_not_have(days):
    options = five()
    rules = Rules(area=np.array([-1, -1, -1, -1, 0]), kept=np.array([[30.0]]))
    limit = np.array([9.0]) if days else None
    got = choose_options(options, decks=5, money_limit=np.array([110.0]), days_limit=limit, rules=rules, gap=0.0)
    assert got.money_price == pytest.approx([1.2])
    assert got.days_price.tolist() == [0.0]
    assert got.worth[:12] == pytest.approx(options.value[:12] - 1.2 * options.money[:12])
    assert got.worth[12] == pytest.approx(7.0)
    worth, near = relaxed_worth(options, 5, np.array([110.0]), limit, rules)
    assert worth == pytest.approx(got.worth, abs=0.1)
    assert near is not None
    again, _ = relaxed_worth(options, 5, np.array([110.0]), limit, rules, near)
    assert again == pytest.approx(got.worth, abs=0.1)
    scarce = dataclasses.replace(options, money=np.ones(13), days=five(days=True).days)
    both = choose_options(
        scarce, decks=5, money_limit=np.array([110.0]), days_limit=np.array([80.0]), rules=rules, gap=0.0
    )
    assert both.days_price == pytest.approx([1.2])
    assert both.money_price.tolist() == [0.0]


def test_options_of_which_none_can_be_paid_are_worth_what_they_are():
    options = five()
    worth, near = relaxed_worth(options, 5, np.zeros(1), None, Rules())
    assert (worth.tolist(), near) == (options.value.tolist(), None)
    held = np.array([True, False, False, False, False])
    got = choose_options(options, decks=5, money_limit=np.array([10.0]), forced=held)
    assert got.taken.tolist() == [0, -1, -1, -1, -1]
    assert (got.value, got.bound, got.gap) == (30.0, 30.0, 0.0)
    assert (got.money_price.tolist(), got.days_price.tolist(), got.worth.tolist()) == ([0], [0], options.value.tolist())
    assert (got.stopped, got.lost) == (False, False)


# ---- when the steps end ----------------------------------------------------------------------------------


class Watched:
    """How many programmes are built, each worth nothing, and whether the search goes on from there."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, bound: float) -> None:
        self.built: list[float] = []
        self.refined: list[tuple[Any, ...]] = []
        self.tolerance: list[float] = []

        def prices(task: Any, tolerance: float, clock: Any = None) -> Any:
            self.tolerance.append(tolerance)
            return [(bound, np.full(len(task.limits), float(n))) for n in range(20)]

        def build(task: Any, at: Any) -> Any:
            self.built.append(float(at[0]))
            return np.full(task.decks, -1, dtype=np.intp)

        monkeypatch.setattr(choosing, "find_prices", prices)
        monkeypatch.setattr(choosing, "programme_at", build)
        monkeypatch.setattr(choosing, "refine", lambda *given: self.refined.append(given))


@pytest.mark.basis("derived", "a start worth 90 of 100: half of the gap asked for ends it, or on few decks none")
@pytest.mark.parametrize(
    ("small_below", "sample", "gap", "built"),
    [
        (9, 9, 0.5, 6),  # few decks: a programme at each of the quick search's six price vectors
        (5, 9, 0.5, 1),
        (5, 9, 0.21, 1),
        (5, 9, 0.19, 6),
        (5, 5, 0.11, 1),  # on a large network the gap itself is enough
        (5, 5, 0.09, 6),
    ],
)
def test_how_many_programmes_are_built(monkeypatch, small_below, sample, gap, built):
    done = Watched(monkeypatch, 100_000.0)
    monkeypatch.setattr(choosing, "SMALL_BELOW", small_below)
    monkeypatch.setattr(choosing, "SAMPLE_DECKS", sample)
    options = Options(np.arange(5), np.zeros(5, dtype=int), np.ones(5), np.zeros(5), np.full(5, 18.0))
    way = {"decks": 5, "money_limit": np.array([5.0]), "gap": gap, "effort": QUICK}
    got = choose_options(options, start=np.arange(5), **way)
    assert got.value == 90.0
    assert done.built == [float(n) for n in range(built)]
    assert len(done.refined) == 1
    assert done.refined[0][1].tolist() == [0.0]  # from the prices of the lowest bound
    assert done.refined[0][2:4] == (gap, QUICK)
    assert done.tolerance == [_tolerance(SimpleNamespace(decks=5), gap)]  # type: ignore[arg-type]
    done.built.clear()
    choose_options(options, start=np.arange(5), clock=Counted(1), **way)
    assert done.built == [0.0]


@pytest.mark.parametrize(("below", "refined"), [(5, 0), (6, 1)])
def test_only_networks_of_fewer_decks_are_searched_on(monkeypatch, below, refined):
    done = Watched(monkeypatch, 100_000.0)
    monkeypatch.setattr(choosing, "REFINE_BELOW", below)
    options = Options(np.arange(5), np.zeros(5, dtype=int), np.ones(5), np.zeros(5), np.full(5, 18.0))
    choose_options(options, decks=5, money_limit=np.array([5.0]), gap=0.0)
    assert len(done.refined) == refined


@pytest.mark.parametrize(
    ("decks", "gap", "tolerance"),
    [
        (24_000, 0.0049, 1e-7), (24_001, 0.001, 1e-5), (24_001, 0.0001, 2e-6), (100, 0.005, 1e-5), (100, 0.0, 1e-7),
        (24_001, 0.0, 1e-7),
    ],
)  # fmt: skip
def test_prices_are_sought_the_finest_where_a_small_gap_is_asked_of_a_network_not_too_large(decks, gap, tolerance):
    assert _tolerance(SimpleNamespace(decks=decks), gap) == pytest.approx(tolerance)  # type: ignore[arg-type]


def test_a_start_past_a_limit_is_no_start_and_options_not_posed_are_left_out():
    options, none = five(), np.full(5, -1, dtype=np.intp)
    task = pose_problem(options, 5, none, np.array([40.0]), None, Rules())  # options of 60, 50, 70 and 40 or more
    start = np.array([0, 3, -1, -1, 12])
    pick = _from_start(task, options, start)
    assert task.origin[pick[pick >= 0]].tolist() == [0, 3, 12]
    assert (task.owner[pick[pick >= 0]] == np.flatnonzero(pick >= 0)).all()
    assert (_from_start(task, options, np.array([1, 4, -1, -1, -1])) == -1).all()  # 45 of 40
    assert task.origin[_from_start(task, options, np.array([2, 3, -1, -1, -1])).max()] == 3  # 60 is not posed
    assert (_from_start(task, options, None) == -1).all()


# ---- prices ----------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "linear relaxation by a general solver: the best bound of prices is its optimum")
@pytest.mark.parametrize("case", [{}, {"two": True}])
@pytest.mark.parametrize("seed", range(3))
def test_prices_of_a_large_network_are_first_sought_on_an_even_sample(monkeypatch, seed, case):
    task = problem(seed, 40, **case)
    task.limits *= 4
    whole = linear(task)
    parts = []
    real = pricing.Problem.part

    def part(self: Any, keep: Any) -> Any:
        parts.append(real(self, keep))
        return parts[-1]

    monkeypatch.setattr(pricing.Problem, "part", part)
    assert find_prices(task, 1e-9)[0][0] == pytest.approx(whole, rel=1e-7)
    assert not parts
    monkeypatch.setattr(pricing, "SAMPLE_DECKS", 20)
    assert find_prices(task, 1e-9)[0][0] == pytest.approx(whole, rel=1e-7)
    assert not parts  # twice as many decks are not too many
    monkeypatch.setattr(pricing, "SAMPLE_DECKS", 15)
    trials = find_prices(task, 1e-9)
    assert trials[0][0] == pytest.approx(whole, rel=1e-5)
    sample = parts[0]
    assert sample.decks == 14  # every third of forty
    assert [int(k) for k in sample.origin] == np.flatnonzero(task.owner % 3 == 0).tolist()
    assert sample.limits.tolist() == np.floor(task.limits * (14 / 40)).tolist()
    assert len(parts) == 1


def test_decks_of_a_route_stand_in_a_sample_together(monkeypatch):
    task = problem(1, 30, 1, shared=True)
    task.group = np.concatenate([np.full(10, -1), np.repeat(np.arange(4), 5)])
    task.opening = np.full((4, 3), 5.0)
    task.opening_cell = np.tile(np.arange(3), (4, 1))
    parts = []
    real = pricing.Problem.part
    monkeypatch.setattr(pricing.Problem, "part", lambda self, keep: parts.append(real(self, keep)) or parts[-1])
    monkeypatch.setattr(pricing, "SAMPLE_DECKS", 10)
    trials = find_prices(task, 1e-6)
    # every third deck of none, and routes 0 and 3
    decks = sorted({int(task.owner[k]) for k in parts[0].origin})
    assert decks == [0, 3, 6, 9, *range(10, 15), *range(25, 30)]
    for bound, prices in trials[:3]:
        again = relaxed(task, worths(task, prices), prices) + (prices * task.limits).sum()
        assert bound == pytest.approx(again)


@pytest.mark.basis("derived", "the bound at no price is all that could be had; each bound holds at its own prices")
def test_a_search_for_prices_begins_at_nothing_and_stops_at_the_users_clock():
    task = problem(2, 20)
    free = relaxed(task, worths(task, np.zeros(6)), np.zeros(6))
    trials = find_prices(task, 1e-9, clock=Counted(1))
    assert len(trials) == 2  # at no price, and at the one price of all money
    assert free in [bound for bound, _ in trials]
    assert any((prices == 0).all() for _, prices in trials)
    for limit in (3, 4):
        assert len(find_prices(task, 1e-9, clock=Counted(limit))) == limit + 1
    rough, fine = find_prices(task, 0.05), find_prices(task, 1e-9)
    assert rough[0][0] == pytest.approx(fine[0][0], rel=0.05)
    assert len(rough) < len(fine)
    near = find_prices(task, 1e-9, fine[0][1], clock=Clock())
    assert near[0][0] == pytest.approx(fine[0][0], rel=1e-9)
    assert len(near) < len(fine)
    # a limit of nothing has no price, and nothing is divided by it
    task.limits[1] = 0.0
    shut = find_prices(task, 1e-9)
    assert all(prices[1] == 0 for _, prices in shut)
    bound, prices = shut[0]
    assert bound == pytest.approx(relaxed(task, worths(task, prices), prices) + (prices * task.limits).sum())

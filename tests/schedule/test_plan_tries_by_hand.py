"""Which years are filled anew, at which prices, and what is gone on from: turn by turn."""

from __future__ import annotations

import dataclasses
import itertools
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from decknet.clock import Clock
from decknet.schedule import plan_tries
from decknet.schedule.effort import EFFORTS
from decknet.schedule.known import Known
from decknet.schedule.plan_prices import DeckPrices
from decknet.schedule.plan_tries import _fill_anew, _paid, _polished, close_by_plans
from decknet.schedule.plans import Split, tabulate
from tests.schedule.test_plans_by_trying import posed, scarce_money
from tests.schedule.test_prices import YEARS, loads
from tests.schedule.test_search_by_trying import Counted, none_of

QUICK = EFFORTS["quick"]


@pytest.mark.basis("derived", "steps rounded down: from all of them down, the first plan that the money pays in full")
def test_a_years_plan_is_paid_in_full(monkeypatch):
    looked = []
    for seed, cells in itertools.product(range(6), (4, 9, 1_000)):
        task = posed(seed, 8, 2)
        split = Split(task, scarce_money(task), cells)
        for year, lot in enumerate(split.lots):
            table = tabulate(
                lot, split.gains(lot, np.zeros(8, dtype=np.int64), np.zeros(3)), split.tolls(year, np.zeros(3))
            )
            down = [lot.options[table.plan(steps)].tolist() for steps in range(lot.steps, 0, -1)]
            paid = [loads(task, plan)[year] <= task.limits[year] for plan in down]
            first = paid.index(True) if any(paid) else len(down)
            looked.append(first)
            assert _paid(split, year, table).tolist() == (down[first] if first < len(down) else [])
            for few in (1, 2):
                monkeypatch.setattr(plan_tries, "LOOK_DOWN", few)
                assert _paid(split, year, table).tolist() == (down[first] if first < min(few, len(down)) else [])
                monkeypatch.undo()
    assert {0, 1, 2} <= set(looked)


def test_a_programme_is_polished_where_it_is_near_the_value(monkeypatch):
    task = posed(0, 4)
    known = SimpleNamespace(problem=task, value_of=lambda pick: float(pick[0]))
    monkeypatch.setattr(plan_tries, "polish", lambda *_: np.array([7.0]))
    for value, polished in ((996.0, True), (995.9, False), (1_200.0, True)):
        got = _polished(known, np.zeros(6), np.array([value]), 1_000.0)  # type: ignore[arg-type]
        assert got.tolist() == [7.0 if polished else value]


class Turns:
    """A programme whose years are filled anew with a list of values; what each turn begins from is kept."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, values: list[float], years: int = YEARS) -> None:
        self.begun: list[float] = []
        self.orders: list[list[int]] = []
        self.prices: list[DeckPrices] = []
        self.values = values
        self.split = SimpleNamespace(problem=SimpleNamespace(years=years))
        self.best: list[float] = []
        self.known = SimpleNamespace(
            pick=np.array([1_000.0]), value=1_000.0, gap=lambda: 1.0, value_of=lambda pick: float(pick[0]),
            offer=lambda pick: self.best.append(float(pick[0])),
        )  # fmt: skip
        monkeypatch.setattr(plan_tries, "fill_in_turn", self.fill)
        monkeypatch.setattr(plan_tries, "_polished", lambda _known, _prices, pick, _value: pick)

    def fill(self, _split: Any, pick: Any, order: Any, prices: DeckPrices) -> Any:
        self.begun.append(float(pick[0]))
        self.orders.append(list(order))
        self.prices.append(prices)
        return np.array([self.values[len(self.begun) - 1]])

    def go(self, tries: int, goal: float = 0.0, clock: Any = None, deck: Any = None) -> None:
        best = DeckPrices(np.full(200, 100_000) if deck is None else deck, np.array([1.5]))
        _fill_anew(self.split, self.known, np.zeros(6), best, goal, tries, clock or Clock())  # type: ignore[arg-type]


@pytest.mark.basis(
    "derived", "worse by .003 of 1,000 at first and evenly less: by 3, 2.25, 1.5 and .75 of what was last gone on from"
)
def test_a_little_worse_is_gone_on_from_less_and_less(monkeypatch):
    some = Turns(monkeypatch, [997.0, 994.8, 993.2, 994.1])
    some.go(4)
    assert some.begun == [1_000.0, 997.0, 994.8, 994.8]
    assert some.best == [997.0, 994.8, 994.1]
    none = Turns(monkeypatch, [996.9, 997.6, 998.4, 999.2])
    none.go(4)
    assert none.begun == [1_000.0, 1_000.0, 1_000.0, 1_000.0]
    assert none.best == []
    better = Turns(monkeypatch, [1_200.0, 1_197.8, 0.0])
    better.go(3)
    assert better.begun == [1_000.0, 1_200.0, 1_200.0]  # by 2 of the first value only


def test_two_or_three_years_are_filled_anew_at_prices_a_tenth_off_at_most(monkeypatch):
    many = Turns(monkeypatch, [1_000.0] * 80, years=5)
    many.go(80)
    assert {len(order) for order in many.orders} == {2, 3}
    assert all(len(set(order)) == len(order) for order in many.orders)
    assert {year for order in many.orders for year in order} == set(range(5))
    off = [(p.deck - 100_000) / 100_000 for p in many.prices]
    reach = [round(float(np.abs(o).max()), 2) for o in off]
    assert set(reach) <= {0.0, 0.02, 0.05, 0.10}  # hundredths by which prices are moved
    assert {0.0, 0.02, 0.05, 0.10} <= set(reach)
    assert all(abs(o.mean()) < 0.02 for o in off)
    assert all(o.max() > 0 > o.min() for o, r in zip(off, reach, strict=True) if r > 0)
    assert all(p.limit.tolist() == [1.5] for p in many.prices)
    one = Turns(monkeypatch, [1_000.0] * 9, years=1)
    one.go(9)
    assert one.orders == [[0]] * 9
    two = Turns(monkeypatch, [1_000.0] * 9, years=2)
    two.go(9)
    assert all(sorted(order) == [0, 1] for order in two.orders)


def test_turns_end_with_the_gap_or_the_users_clock(monkeypatch):
    done = Turns(monkeypatch, [1_000.0] * 9)
    done.known.gap = lambda: 0.01
    done.go(9, goal=0.01)
    assert done.begun == []
    done.go(3, goal=0.009)
    assert len(done.begun) == 3
    late = Turns(monkeypatch, [1_000.0] * 9)
    late.go(9, clock=Counted(3))
    assert len(late.begun) == 2


@pytest.mark.parametrize("years", [1, 3, 6, 8])
def test_each_order_of_the_years_is_tried_in_turn(monkeypatch, years):
    """All orders of few years; of more than five each year first once, the others after it in a ring."""
    task = dataclasses.replace(posed(0, 4), years=years)
    orders: list[tuple[int, ...]] = []
    steps: list[tuple[Any, ...]] = []

    def fill(_split: Any, pick: Any, order: Any, _now: Any) -> Any:
        assert (pick == -1).all()
        orders.append(tuple(int(year) for year in order))
        return pick

    count = {1: 1, 3: 6, 6: 6, 8: 8}[years]

    def search(split: Any, known: Any, best: Any, width: float, goal: float, most: int, _clock: Any, each: Any) -> Any:
        steps.append((split, best, width, goal, most))
        for step in range(count):
            each(best, step)
        return f"best {len(steps)}"

    ended: list[Any] = []
    monkeypatch.setattr(plan_tries, "fill_in_turn", fill)
    monkeypatch.setattr(plan_tries, "find_deck_prices", search)
    monkeypatch.setattr(plan_tries, "first_prices", lambda *_: "first")
    monkeypatch.setattr(plan_tries, "Split", lambda _task, _prices, cells: cells)
    monkeypatch.setattr(plan_tries, "_fill_anew", lambda *given: ended.append(given))
    known = Known(dataclasses.replace(task, years=YEARS), none_of(task), 0.0)
    known.problem = task
    close_by_plans(known, np.zeros(6), 0.01, QUICK, Clock())
    if years <= 5:
        assert sorted(orders[:count]) == sorted(itertools.permutations(range(years)))
    else:
        assert {order[0] for order in orders[:count]} == set(range(years))
        assert all((b - a) % years == 1 for order in orders for a, b in itertools.pairwise(order))
    assert orders[count:] == orders[:count]
    # first roughly, then finely from there; the tries with the rough steps and the last prices
    (rough, few), (fine, fewer) = QUICK.plan_steps
    assert steps == [(rough, "first", 0.05, 0.01, few), (fine, "best 1", 0.02, 0.01, fewer)]
    split, _, _, best, goal, tries, _ = ended[0]
    assert (split, best, goal, tries) == (QUICK.try_cells, "best 2", 0.01, QUICK.plan_tries)

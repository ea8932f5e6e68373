"""Shared set-ups, room on routes, kept money, the warm season, carried-over money, two works on a deck."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from decknet.clock import Clock
from decknet.schedule import Options, Rules, choose_options
from decknet.schedule import refine as refining
from decknet.schedule.fill import programme_at
from decknet.schedule.prices import Problem, find_prices
from decknet.schedule.search import search


def drawn_at_random(seed: int):
    """A tiny problem with some of the rules."""
    rng = np.random.default_rng(seed)
    decks, kinds, years = int(rng.integers(2, 5)), int(rng.integers(1, 3)), int(rng.integers(1, 4))
    size = rng.lognormal(3, 0.7, decks)
    two = seed % 3 == 0
    rows = []
    for deck, year, kind in itertools.product(range(decks), range(years), range(kinds)):
        money = np.ceil(4 + size[deck] * [1, 2.5][kind] * rng.uniform(0.8, 1.2))
        days = np.ceil(5 + 2 * size[deck] * rng.uniform(0.5, 1.5)) / 10
        value = round(size[deck] * [1, 1.7][kind] * rng.uniform(0.7, 1.3) * 0.97**year, 3)
        rows.append((deck, year, money, days, value, days * kind, -1, 0, 0, 0))
        if two:
            rows += [
                (deck, year, money, days, round(value * 1.8, 3), 0, later, np.ceil(money * 1.3), days, days)
                for later in range(year + 1, years)
            ]
    a = np.array(rows, dtype=float).T
    options = Options(
        a[0].astype(int), a[1].astype(int), a[2], a[3], a[4], a[5], a[6].astype(int) if two else None, a[7], a[8], a[9]
    )
    money = np.floor(rng.uniform(0.1, 0.7, years) * a[2].sum() / (kinds * years))
    days_limit = np.round(rng.uniform(0.3, 0.9, years) * a[3].sum() / (kinds * years), 1) if seed % 2 else None
    rules = Rules(
        carry_over=bool(rng.random() < 0.4),
        warm_days=days_limit * 0.5 if days_limit is not None and rng.random() < 0.5 else None,
        route=rng.integers(-1, 2, decks),
        set_up=float(rng.integers(0, 30)),
        most_on_route=int(rng.integers(0, 3)),
        area=rng.integers(-1, 2, decks),
        kept=np.floor(money * np.array([[0.3], [0.2]])) if rng.random() < 0.4 else None,
    )
    return options, decks, money, days_limit, rules


def keeps_all(options: Options, way, money, days_limit, rules) -> bool:
    """Whether a choice passes no limit, counted one by one."""
    years = len(money)
    spent, days, warm = np.zeros((3, years)), np.zeros(years), np.zeros(years)
    works: dict[tuple[int, int], int] = {}
    for k in (k for k in way if k >= 0):
        deck = options.deck[k]
        area = rules.area[deck] if rules.kept is not None else -1
        turns = [(options.year[k], options.money[k], options.days[k], options.warm_days[k])]
        if options.later is not None and options.later[k] >= 0:
            turns.append((options.later[k], options.later_money[k], options.later_days[k], options.later_warm_days[k]))
        for year, cost, time, in_warm in turns:
            spent[area + 1, year] += cost
            days[year] += time
            warm[year] += in_warm
            if rules.route[deck] >= 0:
                key = (int(rules.route[deck]), int(year))
                works[key] = works.get(key, 0) + 1
    for route, year in works:
        areas = set(rules.area[rules.route == route].tolist()) if rules.kept is not None else {-1}
        payer = areas.pop() if len(areas) == 1 else -1  # a route of several areas is set up on money kept for none
        spent[payer + 1, year] += rules.set_up
    if rules.most_on_route and any(count > rules.most_on_route for count in works.values()):
        return False
    upto = np.cumsum if rules.carry_over else np.asarray
    if (upto(spent.sum(axis=0)) > upto(money)).any():
        return False
    if days_limit is not None and (days > days_limit + 1e-9).any():
        return False
    if rules.warm_days is not None and (warm > rules.warm_days + 1e-9).any():
        return False
    return rules.kept is None or all(
        (upto(spent.sum(axis=0) - spent[a + 1]) <= np.maximum(upto(money) - upto(rules.kept[a]), 0)).all()
        for a in range(2)
    )


@pytest.mark.basis("derived", "full enumeration of every combination, each limit counted one by one")
@pytest.mark.slow
def test_a_hundred_small_problems_with_every_rule_get_the_best_of_all_combinations():
    shared = two_works = 0
    for seed in range(100):
        options, decks, money, days_limit, rules = drawn_at_random(seed)
        choice = choose_options(options, decks=decks, money_limit=money, days_limit=days_limit, gap=0.0, rules=rules)
        best = 0.0
        for way in itertools.product(*[[*np.flatnonzero(options.deck == deck), -1] for deck in range(decks)]):
            value = sum(options.value[k] for k in way if k >= 0)
            if value > best and keeps_all(options, way, money, days_limit, rules):
                best = value
        assert choice.value == pytest.approx(best, abs=1e-6), seed
        assert choice.bound == pytest.approx(best, abs=1e-5), seed
        assert keeps_all(options, choice.taken.tolist(), money, days_limit, rules), seed
        held = choice.taken[choice.taken >= 0]
        routes = rules.route[options.deck[held]] * 10 + options.year[held]
        shared += len(routes) > len(set(routes.tolist())) and rules.set_up > 0
        two_works += options.later is not None and bool((options.later[held] >= 0).any())
    assert shared > 5
    assert two_works > 5


def larger(seed: int, decks: int, years: int = 4):
    rng = np.random.default_rng(seed)
    size = rng.lognormal(3, 0.7, decks)
    deck, year = (a.ravel() for a in np.indices((decks, years)))
    money = np.ceil(4 + size[deck])
    value = size[deck] * rng.lognormal(0, 0.5, decks)[deck] * 0.97**year
    options = Options(deck, year, money, np.zeros(len(deck)), value)
    rules = Rules(route=rng.integers(0, decks // 6, decks), set_up=12.0, area=rng.integers(-1, 2, decks))
    return options, rules, np.full(years, np.floor(0.08 * money.sum() / years))


@pytest.mark.basis("derived", "a programme under all rules is one under fewer, so its bound cannot be lower")
@pytest.mark.slow
def test_one_rule_fewer_never_gives_less(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(refining, "solve_in_child", lambda *_, **__: None)
    for seed in range(2):
        options, rules, money = larger(seed, 40)
        whole = Rules(
            route=rules.route, set_up=12.0, most_on_route=1, area=rules.area, kept=np.floor(money * [[0.3], [0.3]])
        )
        strict = choose_options(options, decks=40, money_limit=money, rules=whole, gap=0.02)
        for fewer in (
            Rules(route=rules.route, set_up=12.0, area=rules.area, kept=whole.kept),
            Rules(route=rules.route, set_up=12.0, most_on_route=1),
            Rules(route=rules.route, most_on_route=1, area=rules.area, kept=whole.kept),
            Rules(route=rules.route, set_up=12.0, most_on_route=1, area=rules.area, kept=whole.kept, carry_over=True),
        ):
            loose = choose_options(options, decks=40, money_limit=money, rules=fewer, start=strict.taken, gap=0.02)
            assert loose.value >= strict.value - 1e-9
            assert loose.bound >= strict.value - 1e-9


def test_large_networks_keep_every_rule_and_prove_a_small_gap():
    options, rules, money = larger(9, 6_000)
    choice = choose_options(options, decks=6_000, money_limit=money, rules=rules)
    assert choice.gap <= 0.001
    held = choice.taken[choice.taken >= 0]
    pairs = {(int(rules.route[d]), int(y)) for d, y in zip(options.deck[held], options.year[held], strict=True)}
    spent = np.bincount(options.year[held], options.money[held], 4)
    spent += np.bincount([year for _, year in pairs], minlength=4) * 12.0
    assert (spent <= money).all()


# Six projects in ten resources: value, then use of each, then what there is.
SIX_VALUES = [100, 600, 1200, 2400, 500, 2000]
SIX_USES = [
    [8, 12, 13, 64, 22, 41],
    [8, 12, 13, 75, 22, 41],
    [3, 6, 4, 18, 6, 4],
    [5, 10, 8, 32, 6, 12],
    [5, 13, 8, 42, 6, 20],
    [5, 13, 8, 48, 6, 20],
    [0, 0, 0, 0, 8, 0],
    [3, 0, 4, 0, 8, 0],
    [3, 2, 4, 0, 8, 4],
    [3, 2, 4, 8, 8, 4],
]
SIX_LIMITS = [80, 96, 20, 36, 44, 48, 10, 18, 22, 24]


@pytest.mark.basis(
    "memory", "data of OR-Library mknap1, first problem; its optimum 3800 is published and its linear bound 4134.0741"
)
def test_a_published_knapsack_problem_reaches_its_optimum_by_the_same_steps():
    uses = np.array(SIX_USES, dtype=float)
    none = np.zeros((0, 1))
    problem = Problem(
        origin=np.arange(6),
        owner=np.arange(6),
        first=np.arange(6),
        value=np.array(SIX_VALUES, dtype=float),
        cells=tuple(np.full(6, k) for k in range(10)),
        amounts=tuple(uses),
        year=np.zeros(6, dtype=int),
        later=None,
        rows=np.eye(10),
        limits=np.array(SIX_LIMITS, dtype=float),
        years=1,
        usable=None,
        group=np.full(6, -1),
        opening=none,
        opening_cell=none.astype(int),
        room=None,
    )
    bound, prices = find_prices(problem, 1e-9)[0]
    assert bound == pytest.approx(4_134.0741, abs=5e-4)
    pick = programme_at(problem, prices)
    assert problem.fits(pick[pick >= 0])
    best, proven = search(problem, prices, pick, 10_000, Clock())
    assert proven
    assert problem.value[best[best >= 0]].sum() == 3_800

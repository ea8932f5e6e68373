"""The problem that the search works on, against the limits counted one by one with every rule and forced decks."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from decknet.schedule import Options, Rules
from decknet.schedule.limits import limit_rows, parts_of_rows, pose_problem, route_groups
from decknet.schedule.prices import Problem
from tests.schedule.test_rules import drawn_at_random, keeps_all

PER_OPTION = (
    "deck", "year", "money", "days", "value", "warm_days", "later", "later_money", "later_days", "later_warm_days"
)  # fmt: skip


def some(options: Options, keep: np.ndarray) -> Options:
    """Those options only."""
    return Options(*(None if (a := getattr(options, name)) is None else a[keep] for name in PER_OPTION))


def check(problem: Problem, options: Options, base: np.ndarray, asked: tuple[Any, ...], seed: int) -> int:
    """Random choices: the problem says that they fit just where no limit counted by hand is passed. How many do."""
    rng = np.random.default_rng(seed)
    place = {int(k): n for n, k in enumerate(problem.origin)}
    decks, kept = len(base), 0
    for _ in range(60):
        way = base.copy()
        for deck in range(decks):
            lot = [k for k in np.flatnonzero(options.deck == deck).tolist() if k in place]
            if lot and rng.random() < 0.5:
                way[deck] = int(rng.choice(lot))
        picked = np.array([place[k] for deck, k in enumerate(way.tolist()) if k >= 0 and k != base[deck]], dtype=int)
        good = keeps_all(options, way.tolist(), *asked)
        assert problem.fits(picked) == good
        kept += good
        held = base[base >= 0]
        gained = options.value[way[way >= 0]].sum() - options.value[held].sum()
        assert problem.value[picked].sum() == pytest.approx(1_000 * gained, abs=1e-6)
    return kept


@pytest.mark.basis("derived", "each limit counted one by one for random choices, with every rule there is")
def test_the_problem_lets_in_just_what_keeps_every_limit():
    fitting = tried = 0
    for seed in range(24):
        options, decks, *asked = drawn_at_random(seed)
        base = np.full(decks, -1, dtype=np.intp)
        problem = pose_problem(options, decks, base, *asked)
        fitting += check(problem, options, base, tuple(asked), seed)
        tried += 60
        # an option is left out just where it alone, set-ups apart, passes a limit
        rules = dataclasses.replace(asked[2], set_up=0.0, most_on_route=0)
        alone = [bool(keeps_all(options, [k], *asked[:2], rules)) for k in range(len(options))]
        sums = options.later is not None  # two works may pass a limit together that neither passes alone
        left_out = set(range(len(options))) - set(problem.origin.tolist())
        assert all(not alone[k] for k in left_out)
        assert sums or all(alone[k] for k in problem.origin)
        assert (np.diff(problem.owner) >= 0).all()
        assert problem.first.tolist() == [problem.owner.tolist().index(d) for d in range(problem.decks)]
        groups = problem.group[problem.owner].tolist()
        assert groups == sorted(groups)  # decks of a route side by side, after all others
        deck = options.deck[problem.origin]
        later = np.full(len(deck), -1) if options.later is None else options.later[problem.origin]
        keys = list(zip(groups, deck, options.year[problem.origin], later, strict=True))
        assert keys == sorted(keys)
        assert problem.usable is None
    assert 0.1 * tried < fitting < 0.9 * tried


@pytest.mark.basis(
    "derived", "each limit counted one by one; the forced deck's option as it is until another stands there"
)
def test_forced_decks_are_held_and_their_other_options_are_exchanges():
    fitting = tried = exchanges = rooms = 0
    for seed in range(60):
        whole, decks, *asked = drawn_at_random(seed)
        forced = seed % decks
        keep = (whole.deck != forced) | (whole.year == 0)
        options = some(whole, keep)
        mine = np.flatnonzero(options.deck == forced)
        if options.later is not None:
            mine = mine[options.later[mine] < 0]
        base = np.full(decks, -1, dtype=np.intp)
        base[forced] = mine[options.money[mine].argmin()]
        rules = asked[2]
        if not keeps_all(options, base.tolist(), *asked):
            continue
        problem = pose_problem(options, decks, base, *asked)
        assert base[forced] not in problem.origin
        if options.later is not None:
            held = options.deck[problem.origin] == forced
            assert (options.later[problem.origin][held] < 0).all()
        exchanges += int((options.deck[problem.origin] == forced).sum())
        rooms += bool(rules.most_on_route and rules.route[forced] >= 0)
        fitting += check(problem, options, base, tuple(asked), seed)
        tried += 60
        if problem.usable is not None:
            less = [
                options.days[k] < options.days[base[forced]] or options.warm_days[k] < options.warm_days[base[forced]]
                for k in problem.origin
            ]
            assert problem.usable.tolist() == [
                not (options.deck[k] == forced and (u or options.money[k] < options.money[base[forced]]))
                for k, u in zip(problem.origin, less, strict=True)
            ]
    assert exchanges > 8
    assert rooms > 3
    assert 0.1 * tried < fitting < 0.9 * tried


@pytest.mark.basis("derived", "two areas, two years: cells of money (none, A, B by year), crew days, warm days")
@pytest.mark.parametrize("carry", [False, True])
def test_the_rows_of_every_limit_by_hand(carry):
    rules = Rules(
        carry_over=carry,
        warm_days=np.array([3.0, 4.0]),
        area=np.array([0, 1]),
        kept=np.array([[10.0, 20.0], [95.0, 5.0]]),
    )
    rows, limits = limit_rows(np.array([100.0, 50.0]), np.array([7.0, 8.0]), rules)
    first, second = ([1, 0], [1, 1]) if carry else ([1, 0], [0, 1])
    none = [0, 0]
    assert rows.astype(int).tolist() == [
        [*first, *first, *first, *none, *none], [*second, *second, *second, *none, *none],
        [*none, *none, *none, 1, 0, *none], [*none, *none, *none, 0, 1, *none],
        [*none, *none, *none, *none, 1, 0], [*none, *none, *none, *none, 0, 1],
        [*first, *none, *first, *none, *none], [*second, *none, *second, *none, *none],
        [*first, *first, *none, *none, *none], [*second, *second, *none, *none, *none],
    ]  # fmt: skip
    money = [100, 150] if carry else [100, 50]
    left = [90, 120, 5, 50] if carry else [90, 30, 5, 45]  # less 10 and 20 (30 by then); less 95 and 5 (100)
    assert limits.tolist() == pytest.approx([*money, 7, 8, 3, 4, *left])
    assert (limits[2:6] > [7, 8, 3, 4]).all()  # a sum of tenths may pass by its last bit
    assert limits[:2].tolist() == money
    assert parts_of_rows(2, 10, np.array([7.0, 8.0]), rules).tolist() == [100, 100, 10, 10, 10, 10, 100, 100, 100, 100]
    assert parts_of_rows(2, 6, None, dataclasses.replace(rules, warm_days=None)).tolist() == [100] * 6
    assert parts_of_rows(2, 8, None, rules).tolist() == [100, 100, 10, 10, 100, 100, 100, 100]
    too_much = dataclasses.replace(rules, kept=np.array([[130.0, 120.0], [0.0, 0.0]]))
    assert limit_rows(np.array([100.0, 50.0]), None, too_much)[1][4:].tolist() == [0, 0, *money]


@pytest.mark.basis(
    "derived", "routes 2 and 5 of six decks; set up on the money of the area all their decks are in, or of none"
)
def test_routes_with_their_set_ups_by_hand():
    route = np.array([5, -1, 2, 2, 5, -1])
    area = np.array([1, 0, 0, 0, -1, 1])
    rules = Rules(route=route, set_up=40.0, most_on_route=3, area=area, kept=np.zeros((2, 2)))
    group, opening, cell, room = route_groups(rules, 6, 2)
    assert group.tolist() == [1, -1, 0, 0, 1, -1]
    assert opening.tolist() == [[40.0, 40.0], [40.0, 40.0]]
    assert cell.tolist() == [[2, 3], [0, 1]]  # route 2: money of area 0; route 5 has a deck of none
    assert room is not None
    assert room.tolist() == [[3, 3], [3, 3]]
    every, _, one_cell, _ = route_groups(dataclasses.replace(rules, area=np.array([1, 0, 0, 0, 1, 1])), 6, 2)
    assert one_cell.tolist() == [[2, 3], [4, 5]]
    assert every.tolist() == group.tolist()
    # nothing kept: one purse; no limit on works; either rule alone is enough
    *_, cell, room = route_groups(dataclasses.replace(rules, kept=None, most_on_route=0), 6, 2)
    assert (cell.tolist(), room) == ([[0, 1], [0, 1]], None)
    _, opening, _, room = route_groups(dataclasses.replace(rules, set_up=0.0, most_on_route=1), 6, 2)
    assert room is not None
    assert (opening.tolist(), room.tolist()) == ([[0, 0], [0, 0]], [[1, 1], [1, 1]])
    for blank in (
        dataclasses.replace(rules, set_up=0.0, most_on_route=0),
        dataclasses.replace(rules, route=None),
        dataclasses.replace(rules, route=np.full(6, -1)),
    ):
        group, opening, cell, room = route_groups(blank, 6, 2)
        assert (group.tolist(), opening.shape, cell.shape, room) == ([-1] * 6, (0, 2), (0, 2), None)
    one, opening, _, _ = route_groups(dataclasses.replace(rules, set_up=1.0, most_on_route=0), 6, 2)
    assert (one.tolist(), opening.tolist()) == ([1, -1, 0, 0, 1, -1], [[1, 1], [1, 1]])

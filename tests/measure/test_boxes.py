"""Sets of rectangles against plain loops over every pair."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from decknet.measure.boxes import TICKS_PER_M, Prices, around, cheapest, near_pairs, settle


def some(rng, n, spread, size):
    low = rng.integers(0, spread, (n, 2))
    return np.concatenate([low, low + rng.integers(1, size, (n, 2))], axis=1)


def apart(a, b):
    """Straight-line distance squared between two rectangles, and whether their insides overlap."""
    x, y = max(a[0], b[0]) - min(a[2], b[2]), max(a[1], b[1]) - min(a[3], b[3])
    return max(x, 0) ** 2 + max(y, 0) ** 2, x < 0 and y < 0


def near(a, b, gap):
    square, over = apart(a, b)
    return over or (gap > 0 and square < gap**2)


@pytest.mark.parametrize("gap", [0, 1, 3, 5, 13])
@pytest.mark.parametrize("seed", range(6))
def test_near_pairs_are_those_of_a_loop_over_all(seed, gap):
    rng = np.random.default_rng(seed)
    a, b = some(rng, 25, 60, 9), some(rng, 30, 60, 20)
    i, j = near_pairs(a, b, gap)
    want = {(m, n) for m in range(len(a)) for n in range(len(b)) if near(a[m].tolist(), b[n].tolist(), gap)}
    assert set(zip(i.tolist(), j.tolist(), strict=True)) == want
    assert len(i) == len(want)
    order = [(m, int(b[n, 0])) for m, n in zip(i.tolist(), j.tolist(), strict=True)]
    assert order == sorted(order)


@pytest.mark.basis("derived", "sides of 3, 4 and 5: the corners are exactly 5 apart")
def test_exactly_the_gap_apart_is_not_near():
    a, b = np.array([[0, 0, 10, 10]]), np.array([[13, 14, 20, 20]])
    assert len(near_pairs(a, b, 5)[0]) == 0
    assert len(near_pairs(a, b, 6)[0]) == 1
    touching = np.array([[10, 0, 20, 10]])
    assert len(near_pairs(a, touching, 0)[0]) == 0
    assert len(near_pairs(a, touching, 1)[0]) == 1


def test_around_is_the_extent_of_each_label():
    rng = np.random.default_rng(2)
    box, label = some(rng, 20, 90, 30), np.concatenate([np.arange(5), rng.integers(0, 5, 15)])
    got = around(box, label, 5)
    for n in range(5):
        mine = box[label == n]
        assert got[n].tolist() == [*mine[:, :2].min(axis=0), *mine[:, 2:].max(axis=0)]


def merged(boxes, gap):
    """Merge any two that are near until none is."""
    boxes = [tuple(b) for b in boxes]
    while True:
        pair = next(((a, b) for a, b in itertools.combinations(boxes, 2) if near(a, b, gap)), None)
        if pair is None:
            return sorted(boxes)
        a, b = pair
        boxes.remove(a)
        boxes.remove(b)
        boxes.append((min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])))


@pytest.mark.parametrize("seed", range(20))
def test_settling_is_merging_near_ones_until_none_is(seed):
    rng = np.random.default_rng(seed)
    box, gap = some(rng, int(rng.integers(1, 30)), 90, 14), int(rng.integers(0, 9))
    label, limit = settle(box, gap)
    assert sorted(map(tuple, limit.tolist())) == merged(box.tolist(), gap)
    assert (around(box, label, len(limit)) == limit).all()


@pytest.mark.basis("derived", "2 x 1 m and 3 x 2 m of deck 5 x 4 m; prices by hand")
def test_prices_of_limits_by_hand():
    prices = Prices(partial=600.0, full=1500.0, saw=15.0, set_up=120.0)
    metre = TICKS_PER_M
    box = np.array([[1, 1, 3, 2], [1, 1, 3, 2], [0, 0, 3, 2], [2, 2, 5, 4], [0, 0, 5, 4]]) * metre
    bounds = np.repeat([[0, 0, 5 * metre, 4 * metre]], 5, axis=0)
    full = np.array([False, True, False, False, False])
    want = [
        2 * 600 + 6 * 15 + 120,
        2 * 1500 + 6 * 15 + 120,
        6 * 600 + 5 * 15 + 120,  # two sides on the bounds are not sawn
        6 * 600 + 5 * 15 + 120,
        20 * 600 + 120,
    ]
    assert prices.of(box, full, bounds).tolist() == pytest.approx(want)


def plain_cost(box, full, bounds, prices):
    long, wide = (box[2] - box[0]) / TICKS_PER_M, (box[3] - box[1]) / TICKS_PER_M
    saw = wide * ((box[0] != bounds[0]) + (box[2] != bounds[2])) + long * (
        (box[1] != bounds[1]) + (box[3] != bounds[3])
    )
    return long * wide * (prices.full if full else prices.partial) + saw * prices.saw + prices.set_up


def grown(start, limits, gap):
    """The rectangle round some limits, with whatever it then stands too near to."""
    mine = set(start)
    while True:
        held = [limits[n] for n in mine]
        round_all = (
            min(b[0] for b in held), min(b[1] for b in held), max(b[2] for b in held), max(b[3] for b in held)
        )  # fmt: skip
        more = {n for n, b in enumerate(limits) if near(round_all, b, gap)} | mine
        if more == mine:
            return round_all, mine
        mine = more


@pytest.mark.parametrize("seed", range(30))
def test_no_merge_of_two_limits_nor_one_round_the_panel_would_cost_less(seed):
    rng = np.random.default_rng(seed)
    metre = TICKS_PER_M
    prices = Prices(
        partial=float(rng.choice([150, 600])), full=float(rng.choice([600, 900])), saw=float(rng.choice([0, 15, 60])),
        set_up=float(rng.choice([20, 120, 400, 900])),
    )  # fmt: skip
    gap, count = int(rng.choice([1, 3000])), int(rng.integers(1, 4))
    bounds = np.array([[n * 12 * metre, 0, (n + 1) * 12 * metre, 8 * metre] for n in range(count)])
    panel = np.sort(rng.integers(0, count, int(rng.integers(2, 25))))
    low = rng.integers(0, [105, 68], (len(panel), 2)) * 1000
    box = np.concatenate([low, low + rng.integers(3, 12, (len(panel), 2)) * 1000], axis=1)
    box[:, [0, 2]] += (panel * 12 * metre)[:, None]
    full = rng.random(len(panel)) < 0.2
    label, limit = cheapest(box, full, panel, bounds, gap, prices)
    assert (around(box, label, len(limit)) == limit).all()
    for at in range(count):
        mine = np.unique(label[panel == at])
        if not len(mine):
            continue
        limits = [tuple(b) for b in limit[mine].tolist()]
        deep = [bool(full[label == n].any()) for n in mine]
        assert not any(near(a, b, gap) for a, b in itertools.combinations(limits, 2))
        cost = [plain_cost(b, f, bounds[at], prices) for b, f in zip(limits, deep, strict=True)]
        for pair in itertools.combinations(range(len(limits)), 2):
            whole, members = grown(pair, limits, gap)
            instead = plain_cost(whole, any(deep[n] for n in members), bounds[at], prices)
            assert sum(cost[n] for n in members) <= instead + 1e-5
        whole = (*box[panel == at, :2].min(axis=0), *box[panel == at, 2:].max(axis=0))
        assert sum(cost) <= plain_cost(whole, any(deep), bounds[at], prices) + 1e-5


def test_merging_pays_where_a_set_up_costs_more_than_the_concrete_between():
    metre = TICKS_PER_M
    bounds = np.array([[0, 0, 40 * metre, 10 * metre]])
    box = np.array([[1, 1, 2, 2], [3, 1, 4, 2]]) * metre
    full, panel = np.zeros(2, dtype=bool), np.zeros(2, dtype=np.int64)
    # One limit saves a set-up and two sides of 1 m, and costs 1 m2 more and two pieces of side of 1 m: a tie at 600.
    for set_up, limits in ((599.0, 2), (601.0, 1)):
        label, limit = cheapest(box, full, panel, bounds, 3000, Prices(600.0, 1500.0, 15.0, set_up))
        assert len(limit) == limits
        assert len(set(label.tolist())) == limits
    # Free concrete: merging always pays, for sides are saved.
    assert len(cheapest(box, full, panel, bounds, 3000, Prices(0.0, 0.0, 15.0, 1.0))[1]) == 1


def test_no_boxes_give_no_limits():
    none = np.empty((0, 4), dtype=np.int64)
    label, limit = cheapest(
        none, np.empty(0, bool), np.empty(0, np.int64), np.array([[0, 0, 9, 9]]), 3, Prices(1, 1, 1, 1)
    )
    assert len(label) == len(limit) == 0


def test_of_two_merges_that_gain_the_same_the_one_nearer_the_first_joint_is_made():
    metre = TICKS_PER_M
    bounds = np.array([[-90, -90, 90, 90]]) * metre
    # Three squares on a slant: the middle one may go with either; all three in one would cost more.
    box = np.array([[4, 0, 5, 1], [2, 2, 3, 3], [0, 4, 1, 5]]) * metre
    prices = Prices(100.0, 200.0, 0.0, 1000.0)
    for order in itertools.permutations(range(3)):
        _, limit = cheapest(box[list(order)], np.zeros(3, bool), np.zeros(3, np.int64), bounds, 3000, prices)
        assert sorted((limit // metre).tolist()) == [[0, 2, 3, 5], [4, 0, 5, 1]]


def test_panels_far_before_the_first_joint_are_kept_apart_too():
    # Limits every 5 m from 3 km before the first joint on, in two panels: none may be merged with the other panel's.
    at = -30_000_000 + 50_000 * np.arange(60)
    one = np.column_stack([at, 0 * at, at + 10_000, 0 * at + 10_000])
    box, panel = np.concatenate([one, one]), np.repeat([0, 1], 60)
    bounds = np.array([[-40_000_000, -50_000, 0, 50_000]] * 2)
    label, limit = cheapest(box, np.zeros(120, dtype=bool), panel, bounds, 3_000, Prices(100.0, 200.0, 1.0, 1.0))
    assert len(limit) == 120
    assert sorted(label.tolist()) == list(range(120))


@pytest.mark.basis("derived", "by hand: a set-up of 50.007 buys 0.50007 m2 between two squares of 1 m, at 100 a m2")
@pytest.mark.parametrize(("apart", "limits"), [(3_000, 2), (5_000, 2), (5_001, 3)])
def test_two_limits_are_merged_as_long_as_the_set_up_buys_what_lies_between(apart, limits):
    box = np.array([[0, 0, 10_000, 10_000], [10_000 + apart, 0, 20_000 + apart, 10_000], [500_000, 0, 510_000, 10_000]])
    bounds = np.array([[-100_000, -50_000, 900_000, 50_000]])
    prices = Prices(100.0, 200.0, 0.0, 50.007)
    _, limit = cheapest(box, np.zeros(3, dtype=bool), np.zeros(3, dtype=np.int64), bounds, 3_000, prices)
    assert len(limit) == limits

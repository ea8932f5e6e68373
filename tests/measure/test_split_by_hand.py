"""Parts of a row of slabs by hand: least costs, what may stand beside what, where limits are joined or sought."""

from __future__ import annotations

import re
from itertools import product

import numpy as np
import pytest
import shapely

from decknet.measure.boxes import Grid, Prices, _reach, near_pairs
from decknet.measure.cells import Columns, shifts
from decknet.measure.limits import _wasteful
from decknet.measure.pieces import Pieces
from decknet.measure.split import _cuts, _joined, _least_area, _least_saw, _legal, _Shop, split_limit
from tests.measure.test_split import columns_of, plain_cost


def _shop(gap=2, side=2, walls=0b0000, ends=(False, False), saw=15.0, partial=60.0, full=150.0):
    """Cells of 0.1 m: 60 and 150 for a cell's height and a metre of slab."""
    return _Shop(0.1, partial, full, saw, 120.0, shifts(gap), side, shifts(side), 0b1111, walls, ends)


@pytest.mark.basis("derived", "by hand: cells times 0.1 m of slab, and what full depth costs beyond")
def test_breaking_out_that_no_row_can_do_without():
    columns = Columns([0b0011, 0b0111, 0b0001], [0, 0b0110, 0], [2, 3, 1], [0, 0, 0])
    assert _least_area(columns, _shop()) == pytest.approx([0.0, 12.0, 30.0 + 2 * 9.0 - 0.0, 36.0 + 18.0])
    shallow = columns._replace(deep=[0, 0, 0])
    assert _least_area(shallow, _shop()) == pytest.approx([0.0, 12.0, 30.0, 36.0])
    # Where full depth is the cheaper, that is the least that any cell costs.
    assert _least_area(columns, _shop(full=40.0)) == pytest.approx([0.0, 8.0, 20.0, 24.0])


@pytest.mark.basis("derived", "by hand: there and back over two columns used and three rows, but for sides on an edge")
@pytest.mark.parametrize(
    ("walls", "ends", "cells"),
    [(0, (False, False), 10), (0b0001, (False, False), 8), (0b1001, (False, False), 6), (0, (True, False), 7),
     (0, (True, True), 4), (0b1001, (True, True), 0)],
)  # fmt: skip
def test_saw_cut_that_no_row_can_do_without(walls, ends, cells):
    assert _least_saw([0b0011, 0, 0b0101], _shop(walls=walls, ends=ends)) == pytest.approx(cells * 0.1 * 15.0)


@pytest.mark.basis("derived", "by hand: set-ups, sides along the slab and across it, but for those on an edge")
def test_a_slab_standing_alone():
    shop = _shop(walls=0b1001, ends=(True, False))
    # Two runs of two cells and of one; the lowest cell and the topmost lie on an edge.
    assert shop.standing(0b1011, 2, 0.5, (False, False)) == pytest.approx(240 + 15 * ((4 - 2) * 0.5 + 3 * 0.1 * 2))
    assert shop.standing(0b1011, 2, 0.5, (True, False)) == pytest.approx(240 + 15 * (2 * 0.5 + 3 * 0.1))
    assert shop.standing(0b1011, 2, 0.5, (False, True)) == pytest.approx(240 + 15 * (2 * 0.5 + 3 * 0.1 * 2))
    assert shop.standing(0b0110, 1, 0.5, (False, False)) == pytest.approx(120 + 15 * (2 * 0.5 + 2 * 0.1 * 2))
    mixed = frozenset({(0, 2), (3, 4)})
    assert shop.mixed_area(mixed, 0b0000, 0.5) == pytest.approx(3 * 60 * 0.5)
    assert shop.mixed_area(mixed, 0b0010, 0.5) == pytest.approx((2 * 150 + 60) * 0.5)
    assert shop.mixed_area(mixed, 0b0100, 0.5) == pytest.approx(3 * 60 * 0.5)
    assert shop.mixed_area(mixed, 0b1000, 0.5) == pytest.approx((2 * 60 + 150) * 0.5)


def _runs(mask):
    return [m.span() for m in re.finditer("1+", f"{mask:06b}"[::-1])]


def _plainly(a, b, gap, side):
    """Each limit of one slab and each of the next: a shared side of fair length, or the gap between."""
    for (p, q), (r, s) in product(_runs(a), _runs(b)):
        both = min(q, s) - max(p, r)
        if both <= 0 and -both < gap:
            return False
        if 0 < both < side:
            return False
    return True


@pytest.mark.basis("derived", "each run of one slab beside each of the next, for every pair of masks of fair runs")
@pytest.mark.parametrize(("gap", "side"), [(1, 1), (2, 1), (1, 2), (2, 2), (3, 2)])
def test_neighbouring_slabs_share_a_fair_side_or_keep_the_gap(gap, side):
    shop = _shop(gap, side)
    fair = [
        m
        for m in range(1, 64)
        if all(q - p >= side for p, q in _runs(m))
        and all(b[0] - a[1] >= gap for a, b in zip(_runs(m), _runs(m)[1:], strict=False))
    ]
    said = 0
    for a, b in product(fair, fair):
        if _legal(a, b, shop):
            assert _plainly(a, b, gap, side), (bin(a), bin(b))
            said += 1
        elif len(_runs(a)) == len(_runs(b)) == 1:
            assert not _plainly(a, b, gap, side), (bin(a), bin(b))
    assert said > len(fair)
    assert _legal(0, fair[0], shop)
    assert _legal(fair[0], 0, shop)


def test_cuts_are_where_most_changes_and_at_both_ends():
    assert _cuts([9, 1, 5, 0, 5, 7], 3) == [0, 2, 4, 5, 6]
    assert _cuts([9, 1, 5, 0, 5, 7], 2) == [0, 2, 5, 6]
    assert _cuts([9, 1, 5], 40) == [0, 1, 2, 3]


def test_limits_that_line_up_are_made_one():
    a, b, c = (0, 0, 10, 5, False), (10, 0, 20, 5, False), (20, 0, 25, 5, False)
    assert _joined([c, a, b]) == [(0, 0, 25, 5, False)]
    for other in ((10, 0, 20, 6, False), (10, 1, 20, 5, False), (10, 0, 20, 5, True), (11, 0, 20, 5, False)):
        assert sorted(_joined([other, a])) == sorted([a, other])
    assert sorted(_joined([a, b, (0, 7, 10, 9, False), (10, 7, 12, 9, False)])) == [
        (0, 0, 20, 5, False), (0, 7, 12, 9, False)
    ]  # fmt: skip


@pytest.mark.basis("derived", "by hand: a set-up over the least side and two saw cuts, over the price of a m2")
def test_how_far_apart_two_limits_may_stand_and_still_be_merged():
    box = np.array([[0, 0, 5_000, 20_000], [0, 0, 40_000, 40_000]])
    far = (120 / 0.5 + 2 * 15) / 600
    assert _reach(Prices(600.0, 1500.0, 15.0, 120.0), box, 3_000) == int(far * 10_000) + 1
    assert _reach(Prices(1500.0, 600.0, 15.0, 120.0), box, 3_000) == int(far * 10_000) + 1
    assert _reach(Prices(600.0, 1500.0, 15.0, 120.0), box, 7_000) == 7_001
    assert _reach(Prices(1.0, 1500.0, 15.0, 120.0), box, 3_000) == 100_001  # no farther than 10 m
    assert _reach(Prices(0.0, 1500.0, 15.0, 120.0), box, 3_000) == 100_000
    # Limits of 3 m and more need no more than a set-up over 3 m.
    assert _reach(Prices(600.0, 1500.0, 0.0, 900.0), box[1:], 300) == int(900 / 3 / 600 * 10_000) + 1


def test_of_near_pairs_those_apart_along_and_across_are_by_the_straight_line():
    a = np.array([[0, 0, 10, 10]])
    for b, near in (
        ([13, 14, 20, 20], False), ([13, 13, 20, 20], True), ([-9, -9, -4, -3], False), ([-9, -9, -3, -3], True),
        ([15, 0, 20, 10], False), ([14, 0, 20, 10], True), ([0, -9, 10, -5], False), ([0, -9, 10, -4], True),
    ):  # fmt: skip
        assert bool(len(near_pairs(a, np.array([b]), 5)[0])) == near
    for b, near in (([10, 0, 20, 10], False), ([9, 9, 20, 20], True), ([0, 10, 10, 20], False)):
        assert bool(len(near_pairs(a, np.array([b]), 0)[0])) == near


def _wanted(shapes, full, label, prices, margin=1_000):
    """Whether each limit round some areas is worth cutting, areas a margin of 0.1 m from its sides."""
    shape = np.array(shapes, dtype=object)
    raw = np.round(shapely.bounds(shape) * 10_000).astype(np.int64)
    box = raw + np.array([-margin, -margin, margin, margin])
    label, full = np.array(label), np.array(full)
    limit = np.array([
        [*box[label == k, :2].min(axis=0), *box[label == k, 2:].max(axis=0)] for k in range(label.max() + 1)
    ])  # fmt: skip
    deep = np.bincount(label, weights=full) > 0
    pieces = Pieces(np.arange(len(shape)), np.zeros(len(shape), dtype=np.int64), shape, raw)
    return _wasteful(label, limit, deep, box, full, pieces, Grid(margin, 3_000, 3_000, 500, 0), prices).tolist()


@pytest.mark.basis(
    "derived", "by hand: what is broken out beyond the areas and a margin along their extents, twice a set-up"
)
def test_a_limit_is_worth_cutting_where_what_is_sound_in_it_is_dearer_than_two_set_ups():
    # An L of 2 m2 in 2 by 2 m needs 2 + 0.2 x (2 + 2 + 0.2) = 2.84 of 2.2 x 2.2 = 4.84 m2: 2 m2 beyond.
    ell = shapely.Polygon([(0, 0), (2, 0), (2, 0.5), (2 / 3, 0.5), (2 / 3, 2), (0, 2)])
    assert shapely.area(ell) == pytest.approx(2.0)
    for deep, price in ((False, 600.0), (True, 1500.0)):
        for by, wanted in ((0.999, True), (1.001, False)):
            assert _wanted([ell], [deep], [0], Prices(600.0, 1500.0, 15.0, price * by)) == [wanted]
    # Two squares 1 m apart: needs of 1.44 m2 each of 3.2 x 1.2 m2: 0.96 m2 beyond.
    near, far, over = shapely.box(0, 0, 1, 1), shapely.box(2, 0, 3, 1), shapely.box(1.1, 0, 2.1, 2)
    # The second through: its neighbour of 1.44 m2 would be cheaper apart. The third with the first: of 2.3 x 2.2 m2
    # they need 1.44 and 2.64 m2, of which 0.1 x 1.2 m2 both ask for.
    for shapes, deep, gain in (
        ([near, far], [False, False], 0.96 * 600), ([near, far], [False, True], 0.96 * 1500 + 1.44 * 900),
        ([near, far], [True, True], 0.96 * 1500), ([near, over], [False, False], (5.06 - 1.44 - 2.64 + 0.12) * 600),
    ):  # fmt: skip
        for by, wanted in ((0.999, True), (1.001, False)):
            got = _wanted(shapes, deep, [0, 0], Prices(600.0, 1500.0, 15.0, gain / 2 * by))
            assert got == [wanted], (deep, gain)
    # Each limit by itself, whatever stands beside it.
    prices = Prices(600.0, 1500.0, 15.0, 590.0)
    assert _wanted([near, ell, far], [False] * 3, [0, 1, 2], prices) == [False, True, False]


@pytest.mark.basis("derived", "by hand: 1.2 m2 and 4.6 m of saw cut less, and one set-up more, than one limit")
@pytest.mark.parametrize(("set_up", "parts"), [(796.0, 2), (797.9, 2), (798.1, 0)])
def test_two_areas_with_nothing_between_are_cut_apart_to_the_last_of_what_it_saves(set_up, parts):
    # Cells of 0.1 m: six columns of four, thirty of none, six of four.
    needed = [{0, 1, 2, 3}] * 6 + [set()] * 30 + [{0, 1, 2, 3}] * 6
    columns = columns_of(needed, [set()] * 42, 3_000)
    prices = Prices(600.0, 1500.0, 15.0, set_up)
    box, bounds = [0, 0, 42_000, 4_000], [-90_000, -90_000, 90_000, 90_000]
    whole = plain_cost([(*box, False)], bounds, prices)
    assert whole == pytest.approx(1.68 * 600 + 9.2 * 15 + set_up)
    got = split_limit(box, bounds, columns, 0, Grid(0, 3_000, 3_000, 1_000, 0), prices, whole)
    assert len(got) == parts
    if parts:
        assert sorted(got) == [(0, 0, 6_000, 4_000, False), (36_000, 0, 42_000, 4_000, False)]
        assert plain_cost(got, bounds, prices) == pytest.approx(0.48 * 600 + 4 * 15 + 2 * set_up)

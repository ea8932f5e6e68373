"""Decks cut at their joints, unsound areas cut at the joints, and the limit each needs alone."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.errors import RecordError
from decknet.measure.laid import drawn_defects, spalls_left_alone
from decknet.measure.pieces import deck_panels, depth_of, needed_boxes, panel_pieces, ticks
from decknet.settings import LimitSettings
from tests.frames import records

PLAIN = LimitSettings()
FAR = 40_000_000_000


def decks_of(**columns):
    n = len(next(iter(columns.values())))
    ids = [f"d{i}" for i in range(n)]
    return records("deck", deck_id=ids, bridge_id=ids, **columns)


def lows(value, wall, step, strip):
    """Where a low side may lie, the nearest first: on a step that leaves no narrow strip, or on the wall."""
    at = math.floor(value / step) * step
    return at if at - wall >= max(strip, 1) else wall


@pytest.mark.parametrize("seed", range(40))
def test_the_limit_an_area_needs_is_the_least_that_keeps_the_rules(seed):
    rng = np.random.default_rng(seed)
    settings = LimitSettings(
        margin_mm=float(rng.choice([0, 25, 60])), step_mm=float(rng.choice([1, 25, 50, 70])),
        side_mm=float(rng.choice([50, 300, 450])), edge_mm=float(rng.choice([0, 100, 200])),
    )  # fmt: skip
    margin, step, side, strip = (
        round(10 * v) for v in (settings.margin_mm, settings.step_mm, settings.side_mm, settings.edge_mm)
    )
    n = 60
    wall_low = rng.integers(-60_000, 60_000, (n, 2))
    wall_high = wall_low + rng.choice([2500, 20_000, 50_001], (n, 2))
    room = wall_high - wall_low
    low = wall_low + (rng.random((n, 2)) * room * 0.95).astype(np.int64)
    high = np.minimum(low + 1 + (rng.random((n, 2)) ** 2 * 9000).astype(np.int64), wall_high)
    raw, bounds = np.concatenate([low, high], axis=1), np.concatenate([wall_low, wall_high], axis=1)
    got = needed_boxes(raw, bounds, settings)
    for one, need, wall in zip(got.tolist(), raw.tolist(), bounds.tolist(), strict=True):
        for axis in (0, 1):
            a, b, first, last = one[axis], one[axis + 2], wall[axis], wall[axis + 2]
            at_least = lows(need[axis] - margin, first, step, strip)
            at_most = -lows(-need[axis + 2] - margin, -last, step, strip)
            assert first <= a <= at_least
            assert at_most <= b <= last
            for value, limit in ((a, first), (b, last)):
                assert value == limit or (value % step == 0 and abs(value - limit) >= max(strip, 1))
            if at_most - at_least >= side:
                assert (a, b) == (at_least, at_most)  # nothing more than the margin, the step and the strips
            else:
                assert b - a >= min(side, last - first)
                if a > first and b < last:  # clear of both walls it is short of a step longer, and about the middle
                    assert b - a < side + 2 * step
                    assert abs((a + b) - (at_least + at_most)) <= 4 * step


@pytest.mark.basis("derived", "stations in tenths of a millimetre, by hand")
def test_panels_run_from_joint_to_joint():
    decks = decks_of(
        length_m=[40.0, 30.0, None, 20.0], width_m=[10.0, 8.0, 10.0, None],
        joints_m=["24; 12, 24 0 40 55", None, "10 5", " "],
    )  # fmt: skip
    got = deck_panels(decks)
    assert got.deck.tolist() == [0, 0, 0, 1, 2, 2, 2, 3]
    assert got.bounds.tolist() == [
        [0, -50_000, 120_000, 50_000],
        [120_000, -50_000, 240_000, 50_000],
        [240_000, -50_000, 400_000, 50_000],
        [0, -40_000, 300_000, 40_000],
        [-FAR, -50_000, 50_000, 50_000],
        [50_000, -50_000, 100_000, 50_000],
        [100_000, -50_000, FAR, 50_000],
        [0, -FAR, 200_000, FAR],
    ]
    assert all(edge is None for edge in got.edge)
    for text in ("12 then 20", "5 inf", "nan"):
        with pytest.raises(RecordError, match="joints_m of deck d0"):
            deck_panels(decks_of(length_m=[40.0], width_m=[10.0], joints_m=[text]))


@pytest.mark.basis(
    "derived", "ends that run 0.5 and 0.1 up-station a metre; the joint half way between at 0.3; by hand"
)
def test_joints_turn_evenly_between_ends_of_different_skew():
    outline = shapely.Polygon([(2.5, -5), (49.5, -5), (50.5, 5), (7.5, 5)])
    got = deck_panels(decks_of(length_m=[53.0], width_m=[10.0], outline=[outline], joints_m=["26.5"]))
    assert got.deck.tolist() == [0, 0]
    assert sum(edge.area for edge in got.edge) == pytest.approx(outline.area)
    joint = shapely.intersection(*got.edge)
    (x0, y0), (x1, y1) = sorted(shapely.get_coordinates(joint).tolist(), key=lambda c: c[1])[:: len(joint.coords) - 1]
    assert (y0, y1) == pytest.approx((-5, 5))
    assert (x0 + x1) / 2 == pytest.approx(26.5)
    part = (26.5 - 2.5) / (50.5 - 2.5)
    assert (x1 - x0) / 10 == pytest.approx(0.5 + (0.1 - 0.5) * part, abs=1e-9)
    low = got.bounds[0]
    assert low.tolist()[:2] == [25_000, -50_000]
    assert (low[2:] / 1e4).tolist() == pytest.approx([max(x0, x1), 5.0], abs=1e-4)


def test_a_deck_out_of_square_by_a_hair_has_square_joints():
    outline = shapely.Polygon([(0.0, -5), (40.0, -5), (40.004, 5), (0.004, 5)])
    got = deck_panels(decks_of(length_m=[40.0], width_m=[10.0], outline=[outline], joints_m=["20"]))
    joint = shapely.get_coordinates(shapely.intersection(*got.edge))
    assert np.ptp(joint[:, 0]) == pytest.approx(0.0, abs=1e-9)
    more = shapely.Polygon([(0.0, -5), (40.0, -5), (40.05, 5), (0.05, 5)])
    got = deck_panels(decks_of(length_m=[40.0], width_m=[10.0], outline=[more], joints_m=["20"]))
    joint = shapely.get_coordinates(shapely.intersection(*got.edge))
    assert np.ptp(joint[:, 0]) == pytest.approx(0.05, abs=1e-6)


def test_joints_off_a_skewed_deck_leave_it_whole():
    outline = shapely.Polygon([(0, -5), (40, -5), (45, 5), (5, 5)])
    for text in ("-30", "90", None):
        got = deck_panels(decks_of(length_m=[45.0], width_m=[10.0], outline=[outline], joints_m=[text]))
        assert len(got.edge) == 1
        assert got.edge[0].area == pytest.approx(400.0)
    square = deck_panels(decks_of(length_m=[1.0], width_m=[1.0], outline=[shapely.box(1, -3, 31, 4)]))
    assert square.bounds.tolist() == [[10_000, -30_000, 310_000, 40_000]]
    assert square.edge[0] is None


def invented(rng, length, width):
    """A star of points, sometimes crossing itself, sometimes in two parts, sometimes past the edge."""
    middle = rng.uniform([-1, -width / 2 - 1], [length + 1, width / 2 + 1])
    ring = middle + rng.uniform(-3, 3, (int(rng.integers(3, 7)), 2))
    shape = shapely.Polygon(ring)
    return shapely.MultiPolygon([shape, shapely.box(*(middle + 4), *(middle + 5))]) if rng.random() < 0.2 else shape


@pytest.mark.parametrize("skewed", [False, True])
@pytest.mark.parametrize("seed", range(12))
def test_pieces_are_the_areas_cut_at_joints_and_edges(seed, skewed):
    rng = np.random.default_rng(seed)
    outline = shapely.Polygon([(0, -5), (40, -5), (45, 5), (5, 5)]) if skewed else None
    decks = decks_of(
        length_m=[30.0, 45.0, 12.0], width_m=[8.0, 10.0, 6.0], joints_m=["9 20", "14.5 30", None],
        outline=[None, outline, None],
    )  # fmt: skip
    panels = deck_panels(decks)
    edges = [e if e is not None else shapely.box(*(b / 1e4)) for e, b in zip(panels.edge, panels.bounds, strict=True)]
    deck = rng.integers(0, 3, 20)
    shapes = np.empty(20, dtype=object)
    shapes[:] = [invented(rng, [30, 45, 12][d], [8, 10, 6][d]) for d in deck]
    row = rng.permutation(100)[:20]
    got = panel_pieces(row, deck, shapes, panels)
    for n, (r, d) in enumerate(zip(row.tolist(), deck.tolist(), strict=True)):
        for at in np.flatnonzero(panels.deck == d):
            mine = got.shape[(got.row == r) & (got.panel == at)]
            want = shapely.intersection(shapely.make_valid(shapes[n]), edges[at])
            assert shapely.area(mine).sum() == pytest.approx(want.area, abs=1e-9)
            assert shapely.area(shapely.union_all(mine)) == pytest.approx(want.area, abs=1e-9)
    assert np.isin(got.row, row).all()
    assert (shapely.get_type_id(got.shape) == 3).all()
    assert (shapely.area(got.shape) > 0).all()
    extent = shapely.bounds(got.shape) * 1e4
    assert (np.abs(got.raw - extent) < 1.0).all()
    assert (got.raw[:, :2] <= extent[:, :2] + 0.006).all()
    assert (got.raw[:, 2:] >= extent[:, 2:] - 0.006).all()
    keys = np.column_stack([got.panel, got.raw]).tolist()
    assert keys == sorted(keys)


def test_shapes_that_only_touch_a_joint_belong_to_one_side():
    panels = deck_panels(decks_of(length_m=[40.0], width_m=[10.0], joints_m=["20"]))
    shapes = np.array([shapely.box(18, 0, 20, 1), shapely.box(20, 2, 22, 3), shapely.box(19, -2, 21, -1)])
    got = panel_pieces(np.arange(3), np.zeros(3, dtype=np.int64), shapes, panels)
    pairs = list(zip(got.row.tolist(), got.panel.tolist(), strict=True))
    assert sorted(pairs) == [(0, 0), (1, 1), (2, 0), (2, 1)]
    off = panel_pieces(
        np.arange(2),
        np.zeros(2, dtype=np.int64),
        np.array([shapely.box(41, 0, 42, 1), shapely.box(5, 5, 6, 7)]),
        panels,
    )
    assert len(off.row) == 0


@pytest.mark.basis("derived", "thresholds of the settings: bars, mid-depth, 75 mm left, least depth; by hand")
@pytest.mark.parametrize(
    ("kind", "depth", "slab", "cover", "full", "taken"),
    [
        ("spall", 49.9, 200, 50, False, 50.0),  # short of the bars: the least depth
        ("spall", 50.0, 200, 50, False, 86.0),  # at the bars: 16 mm bar and 20 mm clear
        ("spall", 60.0, 200, 70, False, 60.0),
        ("spall", 100.0, 200, 50, False, 100.0),  # mid-depth itself is not past it
        ("spall", 100.1, 200, 50, True, 200.0),
        ("spall", 75.0, 150, 40, False, 76.0),  # 75 mm left is enough
        ("spall", 70.0, 144, 40, True, 144.0),  # 74 mm is not
        ("spall", np.nan, 200, 50, False, 86.0),  # not measured: taken to reach the bars
        ("spall", np.nan, np.nan, np.nan, False, 86.0),  # 200 and 50 mm of the settings
        ("spall", 90.0, np.nan, 40, False, 90.0),
        ("exposed bar", 10.0, 200, 30, False, 66.0),
        ("hole", 10.0, 180, 30, True, 180.0),
        ("delamination", 20.0, np.nan, np.nan, False, 50.0),
        ("hole", np.nan, np.nan, 30, True, 200.0),
        ("exposed bar", 10.0, 95, 70, False, 95.0),  # never deeper than the slab
    ],
)
def test_depth_of_breaking_out_by_hand(kind, depth, slab, cover, full, taken):
    one = [np.array([float(v)]) for v in (depth, slab, cover)]
    got = depth_of(np.array([kind], dtype=object), *one, PLAIN)
    assert (bool(got[0][0]), float(got[1][0])) == (full, pytest.approx(taken))


def test_clearance_below_a_bar_leaves_room_for_the_aggregate():
    args = (np.array(["exposed bar"], dtype=object), np.array([10.0]), np.array([200.0]), np.array([50.0]))
    assert depth_of(*args, LimitSettings(aggregate_mm=25.0))[1].tolist() == [50 + 16 + 31]
    assert depth_of(*args, LimitSettings(clear_mm=40.0))[1].tolist() == [50 + 16 + 40]


def test_a_millimetre_is_ten_ticks():
    assert [ticks(v) for v in (0.0, 1.0, 76.2, 300.0)] == [0, 10, 762, 3000]


def found(**columns):
    return pd.DataFrame({"depth_mm": np.nan, **{k: pd.Series(v, dtype=object) for k, v in columns.items()}})


def test_defects_that_get_limits_are_ordered_by_deck():
    decks = records("deck", deck_id=["z", "a", "m"], bridge_id=["b"] * 3, length_m=[9.0] * 3, width_m=[9.0] * 3)
    square = shapely.box(1, 1, 2, 2)
    given = found(
        deck_id=["m", "z", "gone", "a", "m"], kind=["spall"] * 5, shape=[square, square, square, None, square]
    )
    kept, deck, where = drawn_defects(given, decks, PLAIN)
    assert kept.index.tolist() == [0, 4, 1]
    assert deck.tolist() == [0, 0, 1]
    assert where.tolist() == [2, 0]
    with pytest.raises(RecordError, match="deck_id a: given twice"):
        drawn_defects(given, pd.concat([decks, decks.iloc[[1]]]), PLAIN)


@pytest.mark.parametrize(
    ("settings", "left"),
    [
        ({}, [False] * 6),
        ({"leave_length_mm": 150.0}, [False] * 6),
        ({"leave_width_mm": 35.0}, [False] * 6),
        ({"leave_length_mm": 150.0, "leave_width_mm": 35.0}, [True, False, False, False, False, True]),
    ],
)
def test_only_spalls_both_short_and_narrow_are_left(settings, left):
    def turned(long_mm, wide_mm, by=0):
        return shapely.affinity.rotate(shapely.box(0, 0, long_mm / 1000, wide_mm / 1000), by)

    shapes = [turned(149, 34), turned(150, 34), turned(149, 35), turned(100, 20), None, turned(34, 149, 30)]
    given = found(deck_id=["d"] * 6, kind=["spall", "spall", "spall", "hole", "spall", "spall"], shape=shapes)
    given.index = pd.Index(range(10, 16))
    got = spalls_left_alone(given, LimitSettings(**settings))
    assert got.tolist() == left
    assert got.index.tolist() == list(range(10, 16))


def test_each_pair_of_panels_keeps_apart():
    """Panels of one deck tile it."""
    panels = deck_panels(decks_of(length_m=[40.0], width_m=[10.0], joints_m=["7 19 33"]))
    boxes = shapely.box(*(panels.bounds / 1e4).T)
    assert shapely.area(boxes).sum() == pytest.approx(400.0)
    assert all(shapely.area(shapely.intersection(a, b)) == 0 for a, b in itertools.combinations(boxes, 2))

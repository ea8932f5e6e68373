"""Rates by ring, pairs of looks and bands, cell by cell and point by point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.spatial import cKDTree

from decknet.predict import Nearness
from decknet.predict.near_bands import BANDS
from decknet.predict.near_cells import CELL_M, NEAR_M, grid_of, in_cells, joint_lines
from decknet.predict.nearness import (
    FORMS,
    RingTables,
    _combined,
    _fitted,
    _log_score,
    _lower_end,
    all_placed,
    first_tenth,
    learn_nearness,
)
from tests.predict.near_district import LENGTH, WIDTH, decks_of, district

K = len(NEAR_M) + 1


# ---- rates -----------------------------------------------------------------------------------------------------------


def _pooled(value, weight):
    """Blocks that rise are put together until none does."""
    blocks = []
    for v, w in zip(value, weight, strict=True):
        blocks.append([v, w, 1])
        while len(blocks) > 1 and blocks[-1][0] > blocks[-2][0]:
            b, a = blocks.pop(), blocks.pop()
            blocks.append([(a[0] * a[1] + b[0] * b[1]) / (a[1] + b[1]), a[1] + b[1], a[2] + b[2]])
    return np.concatenate([np.full(n, v) for v, _, n in blocks])


def _plainly(ground, new, form):
    """The rates by loops over pairs and rings."""
    pairs = len(ground)
    rate = [np.ones(K), np.ones(K)]
    for _ in range(30):
        for axis in (0, 1):
            if form == ("joints", "damage")[axis]:
                continue
            expected, found, there = np.zeros(K), np.zeros(K), np.zeros(K)
            for p in range(pairs):
                level = new[p].sum() / sum(
                    ground[p, i, j] * rate[0][i] * rate[1][j] for i in range(K) for j in range(K)
                )
                for i in range(K):
                    for j in range(K):
                        ring, other = ((i, rate[1][j]), (j, rate[0][i]))[axis]
                        expected[ring] += level * ground[p, i, j] * other
                        found[ring] += new[p, i, j]
                        there[ring] += ground[p, i, j]
            one = _pooled((found + 2.0) / (expected + 2.0), expected + 2.0)
            rate[axis] = one * there.sum() / (one * there).sum()
    return rate


@pytest.mark.basis("derived", "loops over pairs and rings, blocks pooled by hand; a pull of 2 m2 in each ring")
@pytest.mark.parametrize("form", ["damage", "joints", "product"])
def test_rates_are_those_of_loops_over_pairs_and_rings(form):
    rng = np.random.default_rng(7)
    ground, new = rng.uniform(2, 40, (3, K, K)), rng.gamma(0.6, 1.5, (3, K, K))
    new[:, 0] += 6  # most beside the damage
    got, wanted = _fitted(ground, new, form), _plainly(ground, new, form)
    for one, told in zip(got, wanted, strict=True):
        assert one == pytest.approx(told, abs=6e-4)  # rates are given to three decimals
    both = _fitted(ground, new, "sum")
    assert both[0].tolist() == _fitted(ground, new, "damage")[0].tolist()
    assert both[1].tolist() == _fitted(ground, new, "joints")[1].tolist()


@pytest.mark.basis("derived", "by hand: products and sums less one, of two rates each")
def test_rates_of_both_distances_multiplied_or_added():
    a, b = np.array([3.0, 1.0, 0.2, 0.1, 0.1]), np.array([2.0, 1.0, 1.0, 0.5, 0.3])
    product, added = _combined("product", a, b), _combined("sum", a, b)
    assert (product[0, 0], product[2, 3], product[4, 4]) == pytest.approx((6.0, 0.1, 0.03))
    assert (added[0, 0], added[0, 3], added[1, 4]) == pytest.approx((4.0, 2.5, 0.3))
    assert added[2, 3] == added[4, 4] == 0.02  # never next to nothing
    learnt = Nearness("sum", a, b, 0.5, 0.2, 8, 5, 8)
    assert learnt.rate.tolist() == added.tolist()


@pytest.mark.parametrize(
    ("pairs", "decks", "low", "shown"), [(8, 5, 0.11, True), (7, 5, 0.11, False), (8, 4, 0.11, False),
                                         (8, 5, 0.10, False), (8, 5, float("nan"), False)],
)  # fmt: skip
def test_it_is_shown_from_eight_pairs_of_five_decks_that_beat_an_even_guess(pairs, decks, low, shown):
    assert Nearness("damage", np.ones(K), np.ones(K), 0.3, low, pairs, decks, 20).shown == shown


@pytest.mark.basis("derived", "sums of new damage times the log of its rate over the ground's mean, by loops")
def test_the_score_of_rates_by_loops():
    rng = np.random.default_rng(3)
    ground, new, rate = rng.uniform(1, 5, (4, K, K)), rng.gamma(1.0, 1.0, (4, K, K)), rng.uniform(0.005, 4, (K, K))
    rate[1, 1] = 0.001
    wanted = []
    for p in range(4):
        mean = sum(ground[p, i, j] * rate[i, j] for i in range(K) for j in range(K)) / ground[p].sum()
        wanted.append(sum(new[p, i, j] * np.log(max(rate[i, j], 0.02) / mean) for i in range(K) for j in range(K)))
    assert _log_score(ground, new, rate) == pytest.approx(wanted)


@pytest.mark.basis("derived", "square metres laid out from the highest rate to the lowest and counted to a tenth")
def test_the_first_tenth_by_counting():
    rng = np.random.default_rng(8)
    ground, new = rng.integers(0, 7, (6, K, K)).astype(float), rng.uniform(0, 2, (6, K, K))
    new[ground == 0] = 0.0
    rate = rng.choice([0.5, 1.0, 2.0, 3.0], (K, K))
    for p, got in enumerate(first_tenth(ground, new, rate)):
        want, held = ground[p].sum() / 10, 0.0
        for level in (3.0, 2.0, 1.0, 0.5):
            here = ground[p][rate == level].sum()
            part = min(want / here, 1.0) if here else 0.0
            held, want = held + part * new[p][rate == level].sum(), want - part * here
        assert got == pytest.approx(held)
    # The tenth is full with the first ring, and there is no ground of the next rate.
    ground, new = np.zeros((1, K, K)), np.zeros((1, K, K))
    ground[0, 0, 0], ground[0, 4, 4], new[0, 0, 0], new[0, 4, 4] = 1.0, 9.0, 0.5, 3.0
    rate = np.ones((K, K))
    rate[0, 0], rate[0, 1] = 3.0, 2.0
    assert first_tenth(ground, new, rate).tolist() == [0.5]


@pytest.mark.basis("published", "Student's t at 95 %: 6.314 for one degree of freedom, 2.920 for two (any table)")
def test_the_lower_end_of_two_and_of_three_decks():
    # Decks hold 1 and 3 of 4 m2 each: a half; residuals of -1 and 1, error of the ratio 2 / 8.
    held, new = np.array([0.5, 3.0, 0.5]), np.array([1.0, 4.0, 3.0])
    assert _lower_end(np.array([4, 9, 4]), held, new) == pytest.approx(0.5 - 6.314 * 0.25, abs=2e-4)
    # 1 of 2, 2 of 2, 0 of 2: a half; residuals 0, 1, -1; error of the root of 3 / 2 x 2 over 6.
    got = _lower_end(np.array([0, 1, 2]), np.array([1.0, 2.0, 0.0]), np.full(3, 2.0))
    assert got == pytest.approx(0.5 - 2.920 * np.sqrt(3) / 6, abs=2e-4)
    assert np.isnan(_lower_end(np.array([7, 7]), held[:2], new[:2]))


def _years(seed=5, count=48):
    rng = np.random.default_rng(seed)
    ground = rng.uniform(5, 50, (count, K, K))
    rate = np.array([5.0, 2.0, 1.0, 0.5, 0.5])[:, None] * np.array([3.0, 1.5, 1.0, 1.0, 0.7])
    new = ground * rate * rng.uniform(0.01, 0.1, count)[:, None, None] * rng.gamma(1.0, 1.0, (count, K, K))
    day = np.datetime64("2010-05-01") + rng.integers(0, 8, count) * 366
    return RingTables(rng.integers(0, 12, count), day.astype("datetime64[D]"), ground, new)


@pytest.mark.basis("derived", "year by year, each form's score added up, the best so far held against the year")
def test_each_year_is_held_against_the_form_that_foretold_best_till_then():
    made = _years()
    year = made.day.astype("datetime64[Y]").astype(int) + 1970
    ground, new = made.ground_m2, made.new_m2
    merit, on, found, of, used = dict.fromkeys(FORMS, 0.0), [], [], [], []
    for one in range(2010, 2019):
        past, now = np.flatnonzero(year < one), np.flatnonzero(year == one)
        if len(past) < 8 or not len(now):
            continue
        rates = {f: _combined(f, *_fitted(ground[past], new[past], f)) for f in FORMS}
        best = max(FORMS, key=lambda f: round(merit[f], 6))
        used.append(best)
        on += first_tenth(ground[now], new[now], rates[best]).tolist()
        found += new[now].sum(axis=(1, 2)).tolist()
        of += made.deck[now].tolist()
        for f in FORMS:
            merit[f] += _log_score(ground[now], new[now], rates[f]).sum()
    assert used[0] == "damage"  # nothing has foretold yet: the first
    assert len(set(used)) > 1
    got = learn_nearness(made)
    assert got.form == max(FORMS, key=lambda f: merit[f])
    assert got.held == pytest.approx(sum(on) / sum(found), abs=2e-6)
    assert got.low == pytest.approx(_lower_end(np.array(of), np.array(on), np.array(found)), abs=2e-6)
    assert (got.pairs, got.decks, got.learnt) == (len(on), len(set(of)), 48)
    wanted = _fitted(ground, new, got.form)
    assert got.by_damage == pytest.approx(wanted[0])
    assert got.by_joint == pytest.approx(wanted[1])


@pytest.mark.parametrize(("before", "pairs"), [(7, 0), (8, 3)])
def test_eight_pairs_are_learnt_from_before_any_is_scored(before, pairs):
    made = _years(count=before + 3)
    day = np.array(["2012-06-01"] * before + ["2013-02-01"] * 3, dtype="datetime64[D]")
    got = learn_nearness(replace(made, day=day))
    assert (got.pairs, got.learnt) == (pairs, before + 3)
    assert np.isnan(got.held) == (pairs == 0)


# ---- pairs of looks --------------------------------------------------------------------------------------------------

OLD, NEW = shapely.box(10, 0, 12, 2), shapely.box(30, 0, 32, 2)


def _two(method="sounding", second="sounding", **more):
    return district(
        [("d00", "2018-05-10", method, [OLD]), ("d00", "2020-05-10", second, [OLD, NEW])], **more
    )  # fmt: skip


@pytest.mark.parametrize(("day", "pairs"), [("2018-05-09", 1), ("2018-05-10", 0), ("2020-05-10", 0), ("2020-05-11", 1)])
def test_an_overlay_from_the_day_of_one_look_to_the_day_of_the_next_parts_them(day, pairs):
    made = _two(repairs=[("d00", day, "rigid overlay", None)])
    assert len(made.pairs()) == pairs


def test_the_later_look_must_find_delaminations_and_draw_them():
    assert len(_two().pairs()) == 1
    assert _two(second="visual").pairs().empty
    third = district(
        [("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2020-05-10", "sounding", []),
         ("d01", "2018-05-10", "sounding", [OLD]), ("d01", "2021-05-10", "sounding", [OLD, NEW])],
        decks=decks_of(2),
    )  # fmt: skip
    assert third.pairs()["deck_id"].tolist() == ["d01"]
    assert third.pairs()[["before", "after"]].to_numpy().tolist() == [[2, 3]]


def test_the_newest_pairs_are_kept_in_the_order_of_decks(monkeypatch):
    from decknet.predict import nearness as module

    looks = [
        (f"d{d:02d}", f"{year}-05-10", "sounding", [OLD, NEW])
        for d, years in enumerate([(2010, 2011, 2020), (2010, 2019, 2021), (2008, 2009)])
        for year in years
    ]
    made = district(looks, decks=decks_of(3))
    assert made.pairs()[["before", "after"]].to_numpy().tolist() == [[0, 1], [1, 2], [3, 4], [4, 5], [6, 7]]
    monkeypatch.setattr(module, "MOST_PAIRS", 3)
    assert made.pairs()["after"].tolist() == [2, 4, 5]


def test_a_twentieth_of_what_is_unsound_may_be_without_a_place():
    series = pd.DataFrame({"undrawn_m2": [0.0, 0.25, 0.2501, 0.0], "unsound_m2": [5.0, 5.0, 5.0, 0.0]})
    assert all_placed(series).tolist() == [True, True, False, True]


def _cells(edge):
    on = in_cells(edge, None)
    s, o = np.meshgrid(on.grid.stations_m, on.grid.offsets_m)
    return s.ravel(), o.ravel()


def _inside(shape, s, o):
    return shapely.contains_xy(shape, s, o)


@pytest.mark.basis("derived", "every cell held against every cell of damage, and against the joints and ends")
def test_ground_and_new_damage_by_ring_cell_by_cell():
    old = [shapely.box(10, 0, 12, 2), shapely.Point(25, -2).buffer(0.7)]
    news = [shapely.box(12.2, 0, 12.6, 2), shapely.box(19, -3, 21, -2), shapely.box(38.5, 1, 39.5, 4),
            shapely.box(12.0, 0, 12.05, 2)]  # the last within a hand's breadth of the old  # fmt: skip
    patch, earlier, later = shapely.box(19, -3, 20, -1), shapely.box(2, 0, 4, 2), shapely.box(5, 0, 7, 2)
    made = district(
        [("d00", "2018-05-10", "sounding", old), ("d00", "2020-05-10", "sounding", [*old, *news])],
        decks=decks_of(1, joints_m="20"),
        repairs=[("d00", "2018-05-10", "patch", patch), ("d00", "2017-05-10", "patch", earlier),
                 ("d00", "2020-05-11", "patch", later), ("d00", "2020-05-10", "patch", shapely.box(30, 0, 31, 1))],
        from_offset_m=[None, -4.0], to_station_m=[39.0, None],
    )  # fmt: skip
    got = made.tables()
    s, o = _cells(shapely.box(0, -WIDTH / 2, LENGTH, WIDTH / 2))
    hit = np.any([_inside(x, s, o) for x in old], axis=0)
    away, _ = cKDTree(np.column_stack([s, o])[hit]).query(np.column_stack([s, o]))
    away = away - CELL_M / 4
    joint = np.min([np.abs(s - at) for at in (0.0, 20.0, LENGTH)], axis=0)
    looked = (s > 0) & (s < 39) & (o > -4) & (o < WIDTH / 2) & (away > 0.125) & ~hit
    for taken in (patch, shapely.box(30, 0, 31, 1)):
        looked &= ~_inside(taken, s, o)
    found = looked & np.any([_inside(x, s, o) for x in news], axis=0)
    ring = [np.searchsorted(NEAR_M, d, side="left") for d in (away, joint)]
    for mine, table in ((looked, got.ground_m2[0]), (found, got.new_m2[0])):
        wanted = np.zeros((K, K))
        np.add.at(wanted, (ring[0][mine], ring[1][mine]), CELL_M**2)
        assert table == pytest.approx(wanted)
    assert (got.deck.tolist(), got.day.astype(str).tolist()) == ([0], ["2020-05-10"])


@pytest.mark.parametrize(("across", "kept"), [(2 * CELL_M, True), (CELL_M, False)])
def test_pairs_with_less_than_a_twentieth_of_a_square_metre_new_say_nothing(across, kept):
    # Seven cells by two are 0.055 m2; seven by one are 0.027 m2.
    grid = grid_of(shapely.box(0, -WIDTH / 2, LENGTH, WIDTH / 2))
    s0, o0 = grid.first_m + 480 * CELL_M, grid.low_m + 40 * CELL_M
    little = shapely.box(s0, o0, s0 + 7 * CELL_M, o0 + across)
    made = district([("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2020-05-10", "sounding", [OLD, little])])
    assert len(made.pairs()) == 1
    assert len(made.tables().deck) == int(kept)
    if kept:
        assert made.tables().new_m2.sum() == pytest.approx(14 * CELL_M**2)


def test_ground_known_goes_back_to_the_last_look_at_the_whole_deck():
    south, north = shapely.box(10, -4, 12, -2), shapely.box(10, 2, 12, 4)
    late = shapely.box(30, -4, 32, 4)
    days = [("d00", "2014-05-10", "sounding", [south, north])]  # all of the deck, if it counts
    parts = [("d00", "2016-05-10", "sounding", [south]), ("d00", "2018-05-10", "sounding", [north]),
             ("d00", "2020-05-10", "sounding", [south, north, late])]  # fmt: skip
    ends = {"to_offset_m": [-1.0, None, None], "from_offset_m": [None, 1.0, None]}
    without = district(parts, **ends)
    assert len(without.pairs()) == 2
    # The lanes looked at in turn, and not the 2 m between; the second lane alone was never seen before.
    assert without.tables().new_m2.sum() == pytest.approx(2 * 6.0, abs=0.1)
    after = district([*days, *parts], **{k: [None, *v] for k, v in ends.items()})
    assert after.tables().new_m2.sum(axis=(1, 2)) == pytest.approx([16.0], abs=0.1)
    # A look that hears no hollow concrete makes no ground known.
    eyes = district([("d00", "2014-05-10", "visual", []), *parts], **{k: [None, *v] for k, v in ends.items()})
    assert eyes.tables().new_m2.sum() == pytest.approx(2 * 6.0, abs=0.1)


def test_a_deck_without_an_edge_is_passed_over():
    looks = [(d, f"{y}-05-10", "sounding", [OLD, NEW][: 1 + (y > 2018)]) for d in ("d00", "d01") for y in (2018, 2020)]
    made = district(looks, decks=decks_of(2))
    made.edges = made.edges.drop(index="d00")
    got = made.tables()
    assert got.deck.tolist() == [1]
    assert made.bands(["d00", "d01"], LEARNT)["deck_id"].unique().tolist() == ["d01"]


# ---- bands -----------------------------------------------------------------------------------------------------------

LEARNT = Nearness(
    "product", np.array([9.0, 4.0, 2.0, 1.0, 0.5]), np.array([3.0, 2.0, 1.0, 1.0, 1.0]), 0.5, 0.4, 20, 9, 30
)


@pytest.mark.basis("derived", "points of the deck by their own distance from damage and joints, times the rates")
@pytest.mark.parametrize("joints", [None, "20; 31"])
def test_bands_hold_the_points_whose_rate_they_name(joints):
    old = [shapely.box(10, 0, 12, 2), shapely.box(25, -3, 26, -2)]
    patch, before = shapely.box(12, 0, 13, 1), shapely.box(24, -3, 25, -2)
    made = district(
        [("d00", "2018-05-10", "sounding", old)], decks=decks_of(1, joints_m=joints),
        repairs=[("d00", "2018-05-10", "patch", patch), ("d00", "2018-05-09", "patch", before)],
    )  # fmt: skip
    got = made.bands(["d00"], LEARNT)
    s, o = _cells(shapely.box(0, -WIDTH / 2, LENGTH, WIDTH / 2))
    on = (s > 0) & (s < LENGTH) & (np.abs(o) < WIDTH / 2)
    s, o = s[on], o[on]
    points = shapely.points(s, o)
    away = shapely.distance(points, shapely.union_all(old))
    ends = [0.0, LENGTH, *([] if joints is None else [20.0, 31.0])]
    joint = np.min([np.abs(s - e) for e in ends], axis=0)
    i, j = np.searchsorted(NEAR_M, away), np.searchsorted(NEAR_M, joint)
    rate = LEARNT.rate[i, j]
    free = (away > 0) & ~_inside(patch, s, o)
    times = rate / rate[free].mean()
    band = np.where(free, np.select([times >= b for b in BANDS], [1, 2, 3], 0), 0)
    # Within 4 cm of a border the arcs, which are drawn in four pieces, and the cells may say otherwise.
    clear = np.min([np.abs(away - d) for d in (0.0, *NEAR_M)], axis=0) > 0.09
    clear &= np.min([np.abs(joint - d) for d in NEAR_M], axis=0) > 0.04
    clear &= shapely.distance(points, shapely.boundary(patch)) > 0.04
    assert got["band"].tolist() == sorted(set(band[band > 0].tolist()))
    for row in got.itertuples():
        shape = shapely.union_all(row.shape)
        assert np.array_equal(shapely.intersects(shape, points[clear]), band[clear] == row.band)
        assert row.times == pytest.approx(times[band == row.band].mean(), rel=0.03)


@pytest.mark.basis("derived", "by hand: the ground within half a metre of a joint at 45 degrees, cut by a box")
def test_bands_run_along_joints_as_they_lie():
    skew = shapely.Polygon([(0, -5), (40, -5), (50, 5), (10, 5)])
    lines = joint_lines(skew, [25.0])
    assert lines == pytest.approx(np.array([[5.0, 1.0], [25.0, 1.0], [45.0, 1.0]]))
    from decknet.predict.near_bands import _beside_joints

    beside = _beside_joints(lines, 0.5, skew)
    # Half a metre on one side at the ends and on both at the joint; each strip as long as the skew width.
    assert shapely.area(beside) == pytest.approx((0.5 + 1.0 + 0.5) * 10 * np.sqrt(2))
    assert shapely.intersects_xy(beside, 25.0 + 2 + 0.6, 2.0)  # 0.6 m along is 0.42 m square to it
    assert not shapely.intersects_xy(beside, 25.0 + 2 + 0.8, 2.0)


def test_which_decks_have_bands():
    def bands(*looks, repairs=(), nearness=LEARNT, ask=("d00",), **more):
        return district(list(looks), repairs=list(repairs), **more).bands(list(ask), nearness)

    old, clean = ("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2020-05-10", "sounding", [])
    assert len(bands(old))
    assert bands(old, nearness=replace(LEARNT, low=0.1)).empty
    assert bands(old, clean).empty
    # An overlay of that day or later ends what is known; one before does not.
    for day, some in (("2018-05-09", True), ("2018-05-10", False), ("2019-05-10", False)):
        assert bool(len(bands(old, repairs=[("d00", day, "thin overlay", None)]))) == some
    all_of_it = [("d00", "2018-05-10", "sounding", [shapely.box(0, -5, 40, 5)])]
    assert bands(*all_of_it).empty
    two = bands(old, ("d01", "2018-05-10", "sounding", [OLD]), decks=decks_of(2), ask=("d01", "d00"))
    assert two["deck_id"].drop_duplicates().tolist() == ["d01", "d00"]
    assert bands(old, ("d01", "2018-05-10", "sounding", [OLD]), decks=decks_of(2))["deck_id"].unique().tolist() == [
        "d00"
    ]
    even = replace(LEARNT, by_damage=np.ones(K), by_joint=np.ones(K))
    assert bands(old, nearness=even).empty

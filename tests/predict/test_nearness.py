"""Where the next damage comes: made districts with a share by hand, rings against shapes, and when nothing is shown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.predict.near_cells import (
    CELL_M,
    NEAR_M,
    covered_cells,
    damage_distance_m,
    grid_of,
    joint_distance_m,
    joint_lines,
    joint_stations,
    rings,
)
from decknet.predict.nearness import (
    DRAWN_M,
    FORMS,
    LEAST_PAIRS,
    PULL_M2,
    RingTables,
    _combined,
    _fitted,
    _lower_end,
    first_tenth,
    learn_nearness,
)
from tests.predict.near_district import LENGTH, WIDTH, decks_of, district, grown
from tests.quick import first

K = len(NEAR_M) + 1


# ---- districts -----------------------------------------------------------------------------------------


def beside_and_far(deck, look):
    """1.6 m2 within 0.5 m of the first square, and as much far from it and from the ends."""
    side = {1: (19.0, 1.1, 21.0, 1.5), 2: (19.0, -1.5, 21.0, -1.1), 3: (17.5, -1.0, 17.9, 1.0)}
    first_square = {1: (10.0, -3.0, 12.0, -2.6), 2: (28.0, 3.0, 30.0, 3.4), 3: (8.0, 3.0, 10.0, 3.4)}
    near, far = side[look], first_square[look]
    # Each step is away from what stands, so that only the rings of the look before it count.
    return [shapely.box(*near), shapely.box(*far)]


def one_square(deck):
    return [shapely.box(19.0, -1.0, 21.0, 1.0)]


@pytest.mark.basis("derived", "areas of a square, its rings and the deck, by hand")
def test_the_part_held_is_the_part_by_hand():
    """One look to the next: 0.8 m2 beside a square of 2 m, 0.8 m2 far away; so few pairs that rates stay ordered."""
    rows = []
    for d in range(12):
        day, name = f"{2008 + d}-05-10", f"d{d:02d}"
        square = shapely.box(19.0, -1.0, 21.0, 1.0)
        news = [shapely.box(19.0, 1.1, 21.0, 1.5), shapely.box(10.0, -3.0, 12.0, -2.6)]
        rows += [(name, f"{2006 + d}-05-10", "sounding", [square]), (name, day, "sounding", [square, *news])]
    learnt = district(rows, decks=decks_of(12)).learnt()
    assert learnt.pairs == 12 - LEAST_PAIRS
    # Ground: the deck without the square and the 0.1 m round it; all within 2 m of the square is looked at first
    # (sides, and a quarter circle at each corner), then evenly of the rest, where half of the new damage lies.
    rim, within = 4 * 2 * DRAWN_M + np.pi * DRAWN_M**2, 4 * 2 * 2 + np.pi * 4
    ground = LENGTH * WIDTH - 4 - rim
    rest = (0.1 * ground - (within - rim)) / (ground - (within - rim))
    assert learnt.held == pytest.approx((1 + rest) / 2, abs=0.004)


def test_a_district_whose_damage_comes_beside_the_old_is_shown():
    learnt = grown(beside_and_far, one_square).learnt()
    assert learnt.shown
    assert learnt.low > 0.2
    assert learnt.pairs >= LEAST_PAIRS
    assert learnt.by_damage[0] > 3 > learnt.by_damage[-1]


def anywhere(seed):
    rng = np.random.default_rng(seed)

    def box(deck, look=0):
        at = rng.uniform((0.0, -WIDTH / 2), (LENGTH - 1.5, WIDTH / 2 - 1.0), (3, 2))
        return [shapely.box(x, y, x + 1.5, y + 1.0) for x, y in at.round(2)]

    return box


@pytest.mark.parametrize("seed", first(2, range(6)))
def test_a_district_whose_damage_comes_anywhere_is_not_shown(seed):
    box = anywhere(seed)
    made = grown(box, box, decks=10, looks=4)
    learnt = made.learnt()
    assert learnt.pairs >= LEAST_PAIRS
    assert not learnt.shown
    assert made.bands(["d00"]).empty


def test_too_few_pairs_or_decks_show_nothing():
    assert not grown(beside_and_far, one_square, decks=4).learnt().shown
    few = grown(beside_and_far, one_square, decks=8, looks=2).learnt()
    assert few.pairs < LEAST_PAIRS
    assert not few.shown


def test_nothing_is_learnt_from_no_surveys():
    learnt = district([("d00", "2020-05-10", "sounding", [])]).learnt()
    assert learnt.learnt == learnt.pairs == 0
    assert not learnt.shown


def test_the_order_of_the_records_changes_nothing():
    made = grown(beside_and_far, one_square)
    one, other = made.learnt(), made.shuffled(np.random.default_rng(3)).learnt()
    assert one.held == other.held
    assert one.low == other.low
    assert np.array_equal(one.rate, other.rate)


def test_a_nudge_of_the_last_digits_changes_nothing():
    made = grown(beside_and_far, one_square)
    moved = made.defects.assign(shape=[shapely.transform(s, lambda c: c + 1e-12) for s in made.defects["shape"]])
    other = type(made)(made.decks, made.surveys, moved, made.repairs)
    for one, two in zip(made.bands(["d00", "d03"])["shape"], other.bands(["d00", "d03"])["shape"], strict=True):
        assert shapely.area(shapely.symmetric_difference(one, two)) < 1e-6
    assert made.learnt().held == other.learnt().held
    assert np.array_equal(made.learnt().rate, other.learnt().rate)


# ---- pairs ---------------------------------------------------------------------------------------------

OLD, NEW = shapely.box(10, 0, 12, 2), shapely.box(30, 0, 32, 2)


def new_m2(made):
    return float(made.tables().new_m2.sum())


def two_looks(*more, **columns):
    return district([("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2020-05-10", "sounding", [OLD, NEW])],
                    repairs=list(more), **columns)  # fmt: skip


def test_new_damage_is_what_was_not_there_before():
    assert new_m2(two_looks()) == pytest.approx(4.0, abs=0.05)


def test_what_was_patched_between_is_no_new_damage():
    made = two_looks(("d00", "2019-05-10", "patch", shapely.box(30, 0, 31, 2)))
    assert new_m2(made) == pytest.approx(2.0, abs=0.05)
    before = two_looks(("d00", "2017-05-10", "patch", shapely.box(30, 0, 31, 2)))
    assert new_m2(before) == pytest.approx(4.0, abs=0.05)


def test_an_overlay_between_makes_no_pair():
    assert two_looks(("d00", "2019-05-10", "rigid overlay", None)).pairs().empty
    assert len(two_looks(("d00", "2021-05-10", "rigid overlay", None)).pairs()) == 1


def test_only_ground_that_both_looked_at_counts():
    left = [None, 0.0]
    made = two_looks(to_offset_m=left)
    assert made.tables().ground_m2.sum() == 0
    other = district(
        [("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2020-05-10", "sounding", [OLD, NEW])],
        from_offset_m=[1.0, None],
    )
    assert new_m2(other) == pytest.approx(2.0, abs=0.05)
    assert other.tables().ground_m2.sum() == pytest.approx(40 * 4 - 2 - 0.1 * 4, abs=0.6)


def test_lanes_looked_at_in_turn_are_held_against_the_deck_as_known():
    made = district(
        [
            ("d00", "2017-05-10", "sounding", [shapely.box(10, -3, 12, -1)]), ("d00", "2018-05-10", "sounding", [OLD]),
            ("d00", "2020-05-10", "sounding", [shapely.box(10, -3, 12, -1), OLD, shapely.box(30, -2, 32, 2)]),
        ],
        to_offset_m=[0.0, None, None], from_offset_m=[None, 0.0, None],
    )  # fmt: skip
    assert new_m2(made) == pytest.approx(8.0, abs=0.1)


def test_a_look_after_one_without_drawings_makes_no_pair():
    made = district(
        [("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2019-05-10", "sounding", []),
         ("d00", "2020-05-10", "sounding", [OLD, NEW])],
        delaminated_m2=[None, 7.0, None],
    )  # fmt: skip
    made.surveys.loc[1, "unsound_m2"] = 7.0
    made = type(made)(made.decks, made.surveys, made.defects, made.repairs)
    assert made.pairs().empty


def test_how_a_second_crew_draws_the_same_place_is_no_new_damage():
    redrawn = shapely.buffer(OLD, 0.08, join_style="mitre")
    made = district([("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2020-05-10", "sounding", [redrawn])])
    assert new_m2(made) == 0


# ---- cells and rings -----------------------------------------------------------------------------------

SKEW = shapely.Polygon([(1, -4), (31, -4), (34, 4), (3, 4)])


def blobs(rng, count=5):
    at = rng.uniform((4, -4), (30, 4), (count, 2))
    radius = rng.uniform(0.2, 1.5, count)
    return np.array([shapely.Point(x, y).buffer(r, quad_segs=3) for (x, y), r in zip(at, radius, strict=True)])


@pytest.mark.parametrize("seed", first(1, range(4)))
def test_cells_are_those_whose_middle_lies_in_a_shape(seed):
    grid, shapes = grid_of(SKEW), blobs(np.random.default_rng(seed))
    ring = shapely.difference(shapes[0].buffer(1), shapes[0])  # one with a hole
    several = np.array([*shapes, ring, shapely.union_all(shapes[2:]), None], dtype=object)
    s, o = np.meshgrid(grid.stations_m, grid.offsets_m)
    for some in (several, np.array([SKEW]), several[:1], several[-1:]):
        wanted = np.any([shapely.contains_xy(one, s, o) for one in some if one is not None] or [s < -99], axis=0)
        assert np.array_equal(covered_cells(some, grid), wanted)


def test_a_side_at_a_simple_slope_between_centimetres_runs_through_no_middle():
    rng, edge = np.random.default_rng(8), shapely.box(0, -4.2, 24, 4.2)
    grid = grid_of(edge)
    s, o = np.meshgrid(grid.stations_m, grid.offsets_m)
    nearest = []
    for along, across in ((1, 1), (1, -1), (2, 1), (1, 2), (3, 1), (1, 3), (1, 0), (0, 1)):
        for s0, o0 in rng.integers((0, -420), (2400, 420), (20, 2)) / 100:
            nearest.append(np.abs((s - s0) * across - (o - o0) * along).min() / np.hypot(along, across))
    assert min(nearest) > 1e-5


def test_a_very_large_deck_has_larger_cells():
    small, large = grid_of(SKEW), grid_of(SKEW, most=20_000)
    assert (small.cell_m, large.cell_m) == (CELL_M, 2 * CELL_M)
    assert covered_cells(np.array([SKEW]), large).sum() * large.cell_m**2 == pytest.approx(SKEW.area, rel=0.01)
    assert np.prod(grid_of(shapely.box(0, -20, 50_000, 20)).shape) < 5_000_000


@pytest.mark.basis("derived", "areas of buffers by the geometry library, which knows nothing of cells")
@pytest.mark.parametrize("seed", first(1, range(4)))
def test_rings_of_cells_have_the_area_of_rings_of_shapes(seed):
    shapes, grid = blobs(np.random.default_rng(seed)), grid_of(SKEW)
    union = shapely.union_all(shapes)
    on = covered_cells(np.array([SKEW]), grid)
    lines = joint_lines(SKEW, [15.0])
    at = rings(damage_distance_m(covered_cells(shapes, grid), CELL_M)) * K + rings(joint_distance_m(grid, lines))
    found = np.bincount(at[on & ~covered_cells(shapes, grid)], minlength=K * K).reshape(K, K) * CELL_M**2
    ends = [shapely.LineString([(s - 9 * k, -9), (s + 9 * k, 9)]) for s, k in lines]
    bounds = [*NEAR_M, 99.0]

    def within(shape, k):
        return shapely.buffer(shape, bounds[k], cap_style="flat", quad_segs=16)

    whole = shapely.difference(SKEW, union)
    wanted = np.zeros((K, K))
    for i in range(K):
        for j in range(K):
            beside = shapely.union_all([within(e, j) for e in ends])
            wanted[i, j] = shapely.area(shapely.intersection(shapely.intersection(within(union, i), beside), whole))
    wanted = np.diff(np.diff(wanted, axis=0, prepend=0), axis=1, prepend=0)
    assert found.sum() == pytest.approx(shapely.area(whole), rel=0.005)
    assert found == pytest.approx(wanted, abs=0.25, rel=0.06)


@pytest.mark.basis("derived", "the ends of the outline, and half of the way from one to the other")
def test_joints_run_as_the_ends_do():
    lines = joint_lines(SKEW, [15.0, 99.0, -3.0])
    assert lines[0] == pytest.approx([2.0, 0.25])
    assert lines[2] == pytest.approx([32.5, 0.375])
    assert lines[1] == pytest.approx([15.0, 0.25 + 0.125 * 13 / 30.5])
    assert joint_lines(shapely.box(0, -4, 30, 4), [10.0]).tolist() == [[0, 0], [10, 0], [30, 0]]


def test_words_among_the_joints_are_passed_over():
    assert joint_stations("12.5; 30 about, 7") == [7.0, 12.5, 30.0]
    assert joint_stations(None) == joint_stations(pd.NA) == []


# ---- rates and their test ------------------------------------------------------------------------------


def tables(rng, count=30, near=4.0):
    ground = rng.uniform(5, 50, (count, K, K))
    rate = np.array([near, 2.0, 1.0, 0.5, 0.5])[:, None] * np.array([2.0, 1.5, 1.0, 1.0, 0.7])
    new = ground * rate * rng.uniform(0.01, 0.3, count)[:, None, None]
    day = np.datetime64("2010-05-01") + rng.integers(0, 10, count) * 365
    return RingTables(rng.integers(0, 12, count), day.astype("datetime64[D]"), ground, new), rate


def test_rates_are_found_again_whatever_the_level_of_a_deck():
    made, rate = tables(np.random.default_rng(1))
    r, s = _fitted(made.ground_m2, 100 * made.new_m2, "product")
    found = _combined("product", r, s)
    assert found / found[-1, -1] == pytest.approx(rate / rate[-1, -1], rel=0.02)


@pytest.mark.parametrize("form", FORMS)
def test_rates_never_rise_with_the_distance(form):
    rng = np.random.default_rng(2)
    ground, new = rng.uniform(5, 50, (20, K, K)), rng.gamma(0.3, 1.0, (20, K, K))
    rate = _combined(form, *_fitted(ground, new, form))
    assert (np.diff(rate, axis=0) <= 0).all()
    assert (np.diff(rate, axis=1) <= 0).all()


@pytest.mark.basis("derived", "(found + pull) / (expected + pull), before they are brought to a mean of 1")
def test_a_ring_with_little_new_damage_is_drawn_to_the_average():
    ground = np.zeros((1, K, K))
    ground[0, :, 0] = (1, 0, 0, 0, 99)
    new = np.zeros((1, K, K))
    new[0, :, 0] = (1, 0, 0, 0, 9)
    one, none = _fitted(ground, new, "damage")[0][[0, -1]]
    expected = 10 * ground[0, [0, -1], 0] / 100
    pulled = (np.array([1.0, 9.0]) + PULL_M2) / (expected + PULL_M2)
    assert 1.3 < one / none < 10 * 99 / 9 / 10
    assert one / none == pytest.approx(pulled[0] / pulled[1], rel=0.1)  # the level moves a little with the rates


@pytest.mark.basis("derived", "by hand: 6 of the tenth (10 m2) at rate 3, then 4 of the 20 m2 of rate 2")
def test_the_tenth_rated_highest_is_taken_to_the_square_metre():
    ground, new = np.zeros((1, K, K)), np.zeros((1, K, K))
    ground[0, 0, :2], ground[0, 1, 0], ground[0, 4, 4] = (6, 12), 8, 74
    new[0, 0, :2], new[0, 1, 0], new[0, 4, 4] = (5, 1), 3, 7
    rate = np.ones((K, K))
    rate[0, 0], rate[0, 1], rate[1, 0] = 3, 2, 2
    assert first_tenth(ground, new, rate).tolist() == pytest.approx([5 + 4 / 20 * 4])
    assert first_tenth(ground, new, np.ones((K, K))).tolist() == pytest.approx([1.6])


@pytest.mark.basis("derived", "decks drawn again and again with replacement")
def test_the_lower_end_is_that_of_decks_drawn_again():
    rng = np.random.default_rng(5)
    deck = rng.integers(0, 40, 160)
    new = rng.gamma(1.0, 4.0, 160)
    held = new * np.clip(rng.normal(0.5, 0.3, 160), 0, 1)
    h, n = np.bincount(deck, held), np.bincount(deck, new)
    draws = rng.integers(0, len(h), (20_000, len(h)))
    again = np.quantile(h[draws].sum(axis=1) / n[draws].sum(axis=1), 0.05)
    assert _lower_end(deck, held, new) == pytest.approx(again, abs=0.01)


def test_what_is_scored_was_not_learnt_from():
    """A district whose last year says another thing than those before is judged in it by what was learnt before."""
    made, _ = tables(np.random.default_rng(4), count=60, near=12.0)
    year, new = made.day.astype("datetime64[Y]"), made.new_m2.copy()
    last = year == year.max()
    new[last] = 0.0
    new[last, -1, -1] = 1.0
    whole = learn_nearness(RingTables(made.deck, made.day, made.ground_m2, new))
    before = learn_nearness(RingTables(made.deck[~last], made.day[~last], made.ground_m2[~last], new[~last]))
    assert whole.pairs == before.pairs + last.sum()
    rate = _combined(before.form, *_fitted(made.ground_m2[~last], new[~last], before.form))
    held = first_tenth(made.ground_m2[last], new[last], rate).sum()
    tested = ~last & np.array([(year < y).sum() >= LEAST_PAIRS for y in year])
    assert tested.sum() == before.pairs
    wanted = (before.held * new[tested].sum() + held) / (new[tested].sum() + new[last].sum())
    assert whole.held == pytest.approx(wanted, abs=3e-6)


# ---- bands ---------------------------------------------------------------------------------------------


def test_bands_lie_round_damage_and_take_in_neither_it_nor_patches():
    made = grown(beside_and_far, one_square)
    patch = shapely.box(19.0, 1.5, 21.0, 2.5)
    made.repairs = district([("d00", "2001-05-10", "sounding", [])],
                            repairs=[("d00", "2020-05-10", "patch", patch)]).repairs  # fmt: skip
    made = type(made)(made.decks, made.surveys, made.defects, made.repairs)
    bands = made.bands(["d01", "d00"])
    assert bands["deck_id"].drop_duplicates().tolist() == ["d01", "d00"]
    own = bands[bands["deck_id"] == "d00"]
    assert own["band"].is_monotonic_increasing
    assert own["times"].is_monotonic_decreasing
    assert (own["times"] >= 1.5).all()
    shapes = own["shape"].to_numpy(dtype=object)
    known = shapely.union_all(made.known.standing.query("deck_id == 'd00'")["shape"].to_numpy(dtype=object))
    for shape in shapes:
        assert shapely.area(shapely.intersection(shape, known)) < 0.05
        assert shapely.area(shapely.intersection(shape, patch)) < 0.05
    assert shapely.area(shapes).sum() - shapely.area(shapely.union_all(shapes)) < 0.05
    assert shapely.distance(shapes[0], known) < 0.02
    assert shapely.covers(shapely.buffer(known, 2.1), shapely.union_all(shapes))
    assert shapely.covers(shapely.box(-0.01, -5.01, 40.01, 5.01), shapely.union_all(shapes))


def test_a_deck_whose_damage_has_no_place_or_that_has_none_has_no_bands():
    learnt = grown(beside_and_far, one_square).learnt()
    assert learnt.shown
    drawn = two_looks()
    assert len(drawn.bands(["d00"], learnt))
    renewed = two_looks(("d00", "2021-05-10", "rigid overlay", None))
    assert renewed.bands(["d00"], learnt).empty
    clean = district([("d00", "2018-05-10", "sounding", [OLD]), ("d00", "2020-05-10", "sounding", [])])
    assert clean.bands(["d00"], learnt).empty
    stated = district([("d00", "2018-05-10", "sounding", [])], delaminated_m2=[5.0])
    stated.surveys["unsound_m2"] = 5.0
    stated = type(stated)(stated.decks, stated.surveys, stated.defects, stated.repairs)
    assert stated.bands(["d00"], learnt).empty

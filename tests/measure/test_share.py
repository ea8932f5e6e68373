"""Areas count once, inside the deck, and as a share of what was surveyed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.errors import RecordError
from decknet.measure import area_once, survey_shares, unsound_share
from tests.frames import records

DAY = pd.Timestamp("2024-05-01")


def _deck(length=40.0, width=10.0, **more):
    return records("deck", deck_id=["d"], bridge_id=["b"], length_m=[length], width_m=[width], **more)


def _survey(**totals):
    return records("survey", survey_id=["s"], deck_id=["d"], survey_date=[DAY], **{k: [v] for k, v in totals.items()})


def _defects(shapes, kinds="delamination", areas=None):
    n = len(shapes)
    return records(
        "defect", survey_id=["s"] * n, defect_id=[str(i) for i in range(n)],
        kind=[kinds] * n if isinstance(kinds, str) else kinds, shape=shapes, area_m2=areas or [None] * n,
    )  # fmt: skip


NONE = _defects([])


@pytest.mark.basis("derived", "4 + 4 - 1 = 7 m2 by hand")
def test_two_overlapping_squares_count_once():
    two = [shapely.box(1, 0, 3, 2), shapely.box(2, 1, 4, 3)]
    got = survey_shares(_survey(), _defects(two), _deck()).iloc[0]
    assert got["unsound_m2"] == pytest.approx(7.0, abs=1e-12)
    assert got["unsound_share"] == pytest.approx(7.0 / 400.0, abs=1e-12)
    assert got["measured_from"] == "polygons"


@pytest.mark.basis("derived", "by hand: rectangles of 24, 18, 4 and 2 m2 inside, overlap 0; 8 + 4 m2 beyond the edge")
def test_what_lies_beyond_the_edge_is_reported_not_counted():
    shapes = [
        shapely.box(0, 0, 6, 4),
        shapely.box(10, 0, 16, 3),
        shapely.box(36, -5, 44, -3),
        shapely.box(20, 4, 22, 7),
    ]
    got = survey_shares(_survey(), _defects(shapes), _deck()).iloc[0]
    assert got["unsound_m2"] == pytest.approx(24 + 18 + 8 + 2, abs=1e-12)
    assert got["outside_m2"] == pytest.approx(8 + 4, abs=1e-12)


def test_kinds_are_kept_apart_and_unsound_is_their_union():
    shapes = [shapely.box(0, 0, 4, 2), shapely.box(1, 0, 2, 1), shapely.box(10, 0, 11, 1)]
    got = survey_shares(_survey(), _defects(shapes, ["delamination", "spall", "hole"]), _deck()).iloc[0]
    assert got["delaminated_m2"] == pytest.approx(8.0)
    assert got["spalled_m2"] == pytest.approx(1.0)
    assert got["hole_m2"] == pytest.approx(1.0)
    assert got["unsound_m2"] == pytest.approx(9.0)


def test_totals_serve_where_nothing_is_drawn():
    got = survey_shares(_survey(delaminated_m2=20.0, spalled_m2=4.0), NONE, _deck()).iloc[0]
    assert got["unsound_m2"] == 24.0
    assert got["unsound_share"] == 0.06
    assert got["measured_from"] == "totals"


def test_a_stated_unsound_total_wins_over_the_sum():
    got = survey_shares(_survey(delaminated_m2=20.0, spalled_m2=4.0, unsound_m2=22.0), NONE, _deck()).iloc[0]
    assert got["unsound_m2"] == 22.0


def test_nothing_stated_is_not_zero():
    got = survey_shares(_survey(), NONE, _deck()).iloc[0]
    assert pd.isna(got["unsound_m2"])
    assert pd.isna(got["unsound_share"])
    assert pd.isna(got["measured_from"])


def test_a_stated_zero_is_a_real_survey():
    assert survey_shares(_survey(delaminated_m2=0.0), NONE, _deck()).iloc[0]["unsound_share"] == 0.0


@pytest.mark.basis("derived", "48 / (80 x 4) = 15 %")
def test_a_strip_is_shared_over_what_was_surveyed():
    got = survey_shares(_survey(delaminated_m2=48.0, from_offset_m=2.0, to_offset_m=6.0), NONE, _deck(80.0, 12.0)).iloc[
        0
    ]
    assert got["covered_m2"] == 320.0
    assert got["covered_share"] == pytest.approx(1 / 3)
    assert got["unsound_share"] == pytest.approx(0.15)


def test_more_unsound_than_surveyed_is_left_out_with_both_numbers_and_stops_no_other():
    two = records(
        "survey", survey_id=["s", "t"], deck_id=["d", "d"], survey_date=[DAY, DAY], delaminated_m2=[500.0, 40.0]
    )
    bad, good = (row for _, row in survey_shares(two, NONE, _deck()).iterrows())
    assert bad["fault"] == "500 m2 unsound does not fit on the 400 m2 looked at"
    assert bad[["unsound_m2", "delaminated_m2", "unsound_share", "measured_from"]].isna().all()
    assert pd.isna(good["fault"])
    assert good["unsound_share"] == 0.1


@pytest.mark.basis("derived", "a strip of 12 m2 with 2 m2 in it; 3 m2 drawn beyond the strip, 1 m2 beyond the deck")
def test_what_lies_beyond_the_strip_is_left_out_of_sums_whatever_its_size():
    shapes = [shapely.box(0, 0, 2, 1), shapely.box(10, 0, 13, 1), shapely.box(-2, 0, -1, 1)]
    got = survey_shares(
        _survey(from_station_m=0.0, to_station_m=6.0, from_offset_m=0.0, to_offset_m=2.0), _defects(shapes), _deck()
    ).iloc[0]
    assert (got["unsound_m2"], got["outside_m2"], got["covered_m2"]) == (2.0, 4.0, 12.0)
    assert pd.isna(got["fault"])


def test_a_deck_without_width_has_no_share():
    got = survey_shares(_survey(delaminated_m2=5.0), NONE, _deck(width=None)).iloc[0]
    assert got["unsound_m2"] == 5.0
    assert pd.isna(got["unsound_share"])


def test_a_drawn_outline_is_the_edge():
    outline = [shapely.Polygon([(0, -5), (40, -5), (44, 5), (4, 5)])]
    got = survey_shares(_survey(), _defects([shapely.box(0, 4, 4, 5)]), _deck(outline=outline)).iloc[0]
    assert got["covered_m2"] == pytest.approx(400.0)
    # the skewed end runs from station 3.6 at offset 4 to station 4 at offset 5: 0.2 m2 is left inside
    assert got["unsound_m2"] == pytest.approx(0.2)


@pytest.mark.basis("derived", "both lobes of a bow-tie by hand: 2 x 4.5 m2")
def test_a_bow_tie_keeps_both_lobes():
    tie = shapely.Polygon([(2, 0), (8, 3), (8, 0), (2, 3)])
    assert survey_shares(_survey(), _defects([tie]), _deck()).iloc[0]["unsound_m2"] == pytest.approx(9.0)


def test_areas_without_shapes_add_to_drawn_ones():
    got = survey_shares(_survey(), _defects([shapely.box(0, 0, 2, 2), None], areas=[None, 1.5]), _deck()).iloc[0]
    assert got["unsound_m2"] == pytest.approx(5.5)


def test_an_area_that_is_not_positive_is_refused():
    with pytest.raises(RecordError, match="must be above 0"):
        unsound_share(pd.Series([1.0]), pd.Series([0.0]))


@pytest.mark.basis("published", "shapely.union_all as the independent answer, group by group")
def test_areas_once_agree_with_one_union_a_group_on_random_shapes():
    rng = np.random.default_rng(5)
    n = 600
    group = rng.integers(0, 60, n)
    x, y = rng.uniform(0, 12, n), rng.uniform(-4, 4, n)
    shapes = shapely.buffer(shapely.points(x, y), rng.uniform(0.1, 1.2, n), quad_segs=3)
    got = area_once(group, shapes)
    for g in np.unique(group):
        assert got[g] == pytest.approx(shapely.area(shapely.union_all(shapes[group == g])), rel=1e-9)
    order = rng.permutation(n)
    assert np.allclose(area_once(group[order], shapes[order]).to_numpy(), got.to_numpy(), rtol=1e-9)


def test_no_surveys_give_an_empty_answer_with_every_column():
    got = survey_shares(_survey().iloc[:0], NONE, _deck())
    assert got.empty
    assert {"unsound_share", "covered_share", "outside_m2"} <= set(got.columns)


def test_a_share_may_pass_one_by_no_more_than_rounding():
    area = pd.Series([400.0, 400.0], index=["a", "b"])
    got = unsound_share(pd.Series([400.0 * (1 + 5e-10), 0.0], index=["a", "b"]), area)
    assert got.tolist() == [1.0, 0.0]
    assert got.name == "share"
    for wrong in (400.001, -0.001):
        with pytest.raises(RecordError, match=r"unsound_m2 at b: .* does not fit on 400 m2"):
            unsound_share(pd.Series([1.0, wrong], index=["a", "b"]), area)
    with pytest.raises(RecordError, match="area_m2 at b: -1 m2 is not a deck area"):
        unsound_share(pd.Series([1.0, 1.0], index=["a", "b"]), pd.Series([400.0, -1.0], index=["a", "b"]))
    assert unsound_share(pd.Series([1.0, np.nan]), pd.Series([np.nan, 400.0])).isna().all()


# Deck 40 x 10 m; strips by station and offset, in either order, stopped at the deck's ends and edges.
@pytest.mark.basis("derived", "length times width of the strip on the deck, by hand")
@pytest.mark.parametrize(
    ("strip", "covered"),
    [
        ({}, 400.0),
        ({"from_station_m": 10.0}, 300.0),
        ({"to_station_m": 15.0}, 150.0),
        ({"from_station_m": 10.0, "to_station_m": 15.0}, 50.0),
        ({"from_station_m": 15.0, "to_station_m": 10.0}, 50.0),
        ({"from_station_m": -3.0, "to_station_m": 45.0}, 400.0),
        ({"from_station_m": 30.0, "to_station_m": 45.0}, 100.0),
        ({"from_offset_m": 1.0}, 160.0),
        ({"to_offset_m": 1.0}, 240.0),
        ({"from_offset_m": -2.0, "to_offset_m": 1.0}, 120.0),
        ({"from_offset_m": 1.0, "to_offset_m": -2.0}, 120.0),
        ({"from_offset_m": -7.0, "to_offset_m": -2.0}, 120.0),
        ({"from_offset_m": 2.0, "to_offset_m": 9.0}, 120.0),
        ({"from_station_m": 10.0, "to_station_m": 20.0, "from_offset_m": 0.0, "to_offset_m": 4.0}, 40.0),
        ({"surveyed_m2": 77.0}, 77.0),
        ({"surveyed_m2": 77.0, "from_station_m": 10.0}, 77.0),
        ({"surveyed_m2": 299.0, "from_station_m": 10.0}, 300.0),
        ({"surveyed_m2": 0.0, "from_station_m": 10.0}, 300.0),
    ],
)
def test_area_covered_is_as_stated_or_the_strip_on_the_deck(strip, covered):
    got = survey_shares(_survey(delaminated_m2=8.0, **strip), NONE, _deck()).iloc[0]
    assert got["covered_m2"] == pytest.approx(covered)
    assert got["covered_share"] == pytest.approx(covered / 400.0)
    assert got["unsound_share"] == pytest.approx(8.0 / covered)


def test_a_strip_that_is_nowhere_on_the_deck_gives_no_share():
    got = survey_shares(_survey(delaminated_m2=8.0, from_station_m=41.0, to_station_m=45.0), NONE, _deck()).iloc[0]
    assert pd.isna(got["covered_m2"])
    assert pd.isna(got["unsound_share"])
    more = survey_shares(_survey(delaminated_m2=8.0, surveyed_m2=500.0), NONE, _deck()).iloc[0]
    assert more["covered_share"] == 1.0
    assert more["unsound_share"] == pytest.approx(8 / 500)


def test_each_survey_keeps_its_own_and_they_run_by_deck_and_date():
    surveys = records(
        "survey",
        survey_id=["late", "lost", "early", "other", "same day"],
        deck_id=["e", "nowhere", "e", "d", "d"],
        survey_date=[DAY, DAY, DAY - pd.Timedelta(days=400), DAY, DAY],
        delaminated_m2=[9.0, 1.0, None, 3.0, 2.0],
        spalled_m2=[1.0, None, None, None, None],
        crew=["p", "q", "r", "s", "t"],
        method=["chain", "chain", "radar", "hammer", "chain"],
    )
    decks = records("deck", deck_id=["e", "d"], bridge_id=["b", "b"], length_m=[20.0, 10.0], width_m=[10.0, 10.0])
    defects = records(
        "defect", survey_id=["early", "lost", "late", "early"], defect_id=list("1234"),
        kind=["spall", "spall", "hole", "delamination"],
        shape=[shapely.box(0, 0, 2, 2), shapely.box(0, 0, 9, 1), None, None], area_m2=[None, None, 4.0, 1.5],
    )  # fmt: skip
    got = survey_shares(surveys, defects, decks)
    assert got["survey_id"].tolist() == ["other", "same day", "early", "late"]
    assert got["crew"].tolist() == ["s", "t", "r", "p"]
    assert got["method"].tolist() == ["hammer", "chain", "radar", "chain"]
    assert got["covered_m2"].tolist() == [100.0, 100.0, 200.0, 200.0]
    # a survey with defects is measured from them, though it states totals
    assert got["unsound_m2"].tolist() == pytest.approx([3.0, 2.0, 5.5, 4.0])
    assert got["unsound_share"].tolist() == pytest.approx([0.03, 0.02, 0.0275, 0.02])
    assert got["measured_from"].tolist() == ["totals", "totals", "polygons", "polygons"]
    assert got["delaminated_m2"].fillna(-1).tolist() == pytest.approx([3.0, 2.0, 1.5, 0.0])
    assert got["delaminated_share"].tolist() == pytest.approx([0.03, 0.02, 0.0075, 0.0])
    assert got["spalled_m2"].fillna(-1).tolist() == pytest.approx([-1.0, -1.0, 4.0, 0.0])
    assert got["hole_m2"].fillna(-1).tolist() == pytest.approx([-1.0, -1.0, 0.0, 4.0])
    assert got["outside_m2"].tolist() == [0.0] * 4


def test_an_exposed_bar_total_is_shown_and_not_added():
    got = survey_shares(_survey(spalled_m2=4.0, exposed_bar_m2=3.0, failed_patch_m2=2.0), NONE, _deck()).iloc[0]
    assert got["exposed_bar_m2"] == 3.0
    assert got["unsound_m2"] == 6.0
    drawn = survey_shares(
        _survey(),
        _defects([shapely.box(0, 0, 2, 2), shapely.box(5, 0, 6, 1)], ["exposed bar", "failed patch"]),
        _deck(),
    ).iloc[0]
    assert (drawn["exposed_bar_m2"], drawn["failed_patch_m2"], drawn["unsound_m2"]) == (4.0, 1.0, 5.0)


def test_a_deck_without_width_is_measured_and_nothing_is_cut():
    got = survey_shares(_survey(), _defects([shapely.box(-1, 0, 3, 2)]), _deck(width=None)).iloc[0]
    assert got["unsound_m2"] == pytest.approx(8.0)
    assert got["outside_m2"] == 0.0
    assert pd.isna(got["unsound_share"])


@pytest.mark.basis("derived", "squares in a row, each over the next by half: 2 + 1 + 1; a pair beside: 4 + 4 - 2")
def test_shapes_that_hang_together_in_chains_count_once():
    chain = [shapely.box(n, 0, n + 2, 1) for n in range(3)]
    pair = [shapely.box(0, 5, 2, 7), shapely.box(1, 5, 3, 7)]
    alone = [shapely.box(20, 0, 21, 1)]
    shapes = np.array(chain + pair + alone, dtype=object)
    assert area_once(np.zeros(6, dtype=np.int64), shapes).to_dict() == {0: pytest.approx(4 + 6 + 1)}
    # the same shapes in two groups do not meet
    apart = area_once(np.array([7, 3, 7, 3, 7, 3]), shapes).to_dict()
    assert apart == {3: pytest.approx(2 + 4 + 1), 7: pytest.approx(2 + 2 - 0 + 4)}
    assert area_once(np.array([1, 1]), np.array(chain[::2], dtype=object)).to_dict() == {1: pytest.approx(4.0)}
    assert area_once(np.empty(0, dtype=np.int64), np.empty(0, dtype=object)).to_dict() == {}


@pytest.mark.parametrize(("over", "set_aside"), [(0.9e-9, False), (1.05e-9, True)])
def test_what_passes_the_area_by_a_thousand_millionth_is_rounding(over, set_aside):
    got = survey_shares(_survey(unsound_m2=400.0 * (1 + over)), NONE, _deck()).iloc[0]
    assert pd.isna(got["unsound_m2"]) == set_aside
    assert pd.notna(got["fault"]) == set_aside

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


def test_more_unsound_than_surveyed_is_refused_with_both_numbers():
    with pytest.raises(RecordError, match="500 m2 does not fit on 400 m2"):
        survey_shares(_survey(delaminated_m2=500.0), NONE, _deck())


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

"""Draws of shares, growth, traffic and weights, against the distributions that they are said to follow."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import kstest

from decknet.rank import draws as drawing
from decknet.rank.criteria import worth
from decknet.rank.draws import draw_weights, draws, tables, traffic_spread
from decknet.settings import RankSettings, relative_weights, weights_of
from tests.rank.decks import decks, straight

MANY = 40_000  # a mean of as many uniform draws is known to a 300th part of their range
ALL = slice(0, 1)


def one_deck(**columns: object) -> pd.DataFrame:
    """A deck whose share and growth may be a quarter more or less."""
    base = {
        "deck_id": ["A"], "share_now": 0.40, "share_low": 0.30, "share_high": 0.50,
        "growth_per_yr": 0.020, "growth_low": 0.015, "growth_high": 0.025, "aadt": 1_000.0, "aadt_from": "count",
    }  # fmt: skip
    return pd.DataFrame(base | columns)


def drawn(settings: RankSettings | None = None, **columns: object) -> list[np.ndarray]:
    """Share, growth and traffic of that deck, each as many times."""
    frame, rng = one_deck(**columns), np.random.default_rng(5)
    parts = draws(frame, settings or RankSettings())(slice(0, len(frame)), MANY, rng)
    return [part[:, 0].astype(float) for part in parts]


@pytest.mark.basis("derived", "10, 50 and 90 % quantiles as given: a count may be 1.15 times smaller or larger")
def test_share_growth_and_traffic_have_the_quantiles_given():
    share, growth, traffic = drawn()
    at = [0.1, 0.5, 0.9]
    assert np.quantile(share, at) == pytest.approx([0.30, 0.40, 0.50], abs=0.003)
    assert np.quantile(growth, at) == pytest.approx([0.015, 0.020, 0.025], abs=0.00015)
    assert np.quantile(traffic, at) == pytest.approx([1_000 / 1.15, 1_000, 1_150], abs=5)


@pytest.mark.basis("derived", "symmetric normal errors keep the correlation of their scores; traffic stands apart")
@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_share_and_growth_of_a_deck_are_correlated_as_the_settings_say(rho):
    settings = RankSettings(share_with_growth=rho, count_spread=1.02)
    share, growth, traffic = drawn(settings)
    assert np.corrcoef([share, growth, traffic])[[0, 0, 1], [1, 2, 2]] == pytest.approx([rho, 0.0, 0.0], abs=0.02)


def test_two_decks_are_drawn_apart():
    frame = pd.concat([one_deck(), one_deck(deck_id=["B"])], ignore_index=True)
    share, growth, _ = draws(frame, RankSettings())(slice(0, 2), MANY, np.random.default_rng(1))
    for part in (share, growth):
        assert abs(np.corrcoef(part.T)[0, 1]) < 0.02


@pytest.mark.parametrize(
    ("columns", "share"),
    [
        ({"share_low": np.nan}, [0.40, 0.40, 0.50]),
        ({"share_high": np.nan}, [0.30, 0.40, 0.40]),
        ({"share_low": 0.45}, [0.40, 0.40, 0.50]),  # a low above the middle is no low
        ({"share_high": 0.35}, [0.30, 0.40, 0.40]),
        ({"share_high": 0.95}, [0.30, 0.40, 0.95]),
    ],
)
def test_a_quantile_that_is_missing_or_on_the_wrong_side_is_taken_as_the_middle(columns, share):
    got = drawn(**columns)[0]
    assert np.quantile(got, [0.1, 0.5, 0.9]) == pytest.approx(share, abs=0.004)
    assert got.max() <= 1.0
    bare = one_deck().drop(columns=["share_low", "share_high"])
    alone, _, _ = draws(bare, RankSettings())(ALL, 50, np.random.default_rng(5))
    assert (alone == np.float32(0.40)).all()


def test_no_draw_leaves_what_can_be():
    share, growth, traffic = drawn(
        RankSettings(count_spread=20.0), share_low=0.0, share_high=0.9, growth_low=0.0, growth_high=0.2
    )
    assert (share.min(), share.max()) == (0.0, 1.0)
    assert (growth.min(), traffic.min()) == (0.0, 0.0)
    assert growth.max() > 0.2


def test_traffic_is_as_sure_as_where_it_comes_from():
    settings = RankSettings(count_spread=1.1, old_spread=1.5, filled_spread=2.0)
    source = pd.Series(["count", "old count", "undated count", "route", "class", "network", "assumption"])
    assert traffic_spread(source, settings).tolist() == [1.1, 1.5, 1.5, 2.0, 2.0, 2.0, 2.0]
    assert (drawn(RankSettings(count_spread=1.0))[2] == 1_000.0).all()
    frame = pd.concat([one_deck(), one_deck(deck_id=["B"], aadt_from="route")], ignore_index=True)
    traffic = draws(frame, RankSettings(count_spread=1.0))(slice(0, 2), MANY, np.random.default_rng(1))[2]
    assert (traffic[:, 0] == 1_000.0).all()
    assert np.quantile(traffic[:, 1], [0.1, 0.9]) == pytest.approx([400, 2_500], rel=0.02)


@pytest.mark.basis("derived", "quantiles of the standard normal distribution at the middles of equal steps")
def test_normal_scores_stand_in_equal_steps_about_0():
    scores = drawing._NORMAL.astype(float)
    assert scores == pytest.approx(-scores[::-1], abs=1e-6)
    assert (scores.mean(), scores.std()) == pytest.approx((0.0, 1.0), abs=2e-4)
    got = drawing._normal(np.random.default_rng(2), (200, 500)).ravel()
    assert kstest(got, "norm").pvalue > 0.001


# ---- weights ----------------------------------------------------------------------------------------


@pytest.mark.basis(
    "derived",
    "low ends .35 and .65 of two smaller weights add up within the largest's range: each is uniform by itself",
)
def test_weights_within_a_part_of_themselves_are_uniform():
    stated = np.array([0.3, 0.5, 0.2])
    got = draw_weights(stated, MANY, RankSettings(unsure="range", unsure_part=0.3), np.random.default_rng(3))
    for k, low, high in ((0, 0.21, 0.39), (2, 0.14, 0.26)):
        assert kstest(got[:, k], "uniform", args=(low, high - low)).pvalue > 0.001
    assert abs(np.corrcoef(got[:, 0], got[:, 2])[0, 1]) < 0.02


@pytest.mark.basis(
    "derived", "uniform on a triangle cut off by the largest weight's range: parts of an area by counting"
)
def test_weights_whose_range_is_cut_are_uniform_on_what_is_left():
    stated, part = np.array([0.34, 0.33, 0.33]), 0.6
    got = draw_weights(stated, MANY, RankSettings(unsure="range", unsure_part=part), np.random.default_rng(3))
    step = (np.arange(1_500) + 0.5) / 1_500
    one, two = np.meshgrid(step, step)
    inside = (abs(one - 0.33) <= 0.33 * part) & (abs(two - 0.33) <= 0.33 * part)
    inside &= abs(1 - one - two - 0.34) <= 0.34 * part
    assert got[:, 1].mean() == pytest.approx(one[inside].mean(), abs=0.002)
    assert got[:, 1].std() == pytest.approx(one[inside].std(), abs=0.002)
    assert np.cov(got[:, 1], got[:, 2])[0, 1] == pytest.approx(np.cov(one[inside], two[inside])[0, 1], abs=2e-4)


@pytest.mark.parametrize("stated", [[0.9996, 0.0002, 0.0002], [0.0002, 0.0002, 0.9996]])
def test_a_weight_that_counts_almost_alone_can_be_unsure(stated):
    got = draw_weights(np.array(stated), 200, RankSettings(unsure="range", unsure_part=0.3), np.random.default_rng(3))
    assert got.shape == (200, 3)
    assert got.sum(axis=1) == pytest.approx(1.0)
    assert (got <= np.array(stated) * 1.3 + 1e-12).all()


def test_as_many_draws_of_weights_as_the_settings_allow():
    settings = RankSettings(unsure="range", unsure_part=0.3)
    got = draw_weights(np.array([0.45, 0.30, 0.25]), 100_000, settings, np.random.default_rng(3))
    assert got.shape == (100_000, 3)
    assert len(np.unique(got[:, 0])) == 100_000


@pytest.mark.basis("derived", "uniform on all that add up to 1: means 1/K, variances (K - 1) / (K^2 (K + 1))")
@pytest.mark.parametrize("unsure", ["none", "range", "order", "any"])
def test_a_count_that_weighs_nothing_keeps_0_however_unsure(unsure):
    stated = np.array([0.5, 0.0, 0.3, 0.2])
    got = draw_weights(stated, MANY, RankSettings(unsure=unsure), np.random.default_rng(3))
    assert (got[:, 1] == 0).all()
    assert got.sum(axis=1) == pytest.approx(1.0)
    if unsure == "none":
        assert (got == stated).all()
    if unsure == "any":
        assert got[:, [0, 2, 3]].mean(axis=0) == pytest.approx([1 / 3] * 3, abs=0.005)
        assert got[:, [0, 2, 3]].var(axis=0) == pytest.approx([2 / 36] * 3, rel=0.03)
    alone = draw_weights(np.array([0.0, 1.0]), 5, RankSettings(unsure=unsure), np.random.default_rng(3))
    assert alone.tolist() == [[0.0, 1.0]] * 5


@pytest.mark.basis("derived", "rank-order-centroid weights: (1 + 1/2 + 1/3) / 3 and so on, and the same of five")
@pytest.mark.parametrize(
    ("stated", "centroid"),
    [
        ([0.5, 0.3, 0.2], [0.611111, 0.277778, 0.111111]),
        ([0.30, 0.25, 0.20, 0.15, 0.10], [0.456667, 0.256667, 0.156667, 0.09, 0.04]),
    ],
)
def test_weights_known_by_order_average_to_centroids_of_three_and_five(stated, centroid):
    got = draw_weights(np.array(stated), 100_000, RankSettings(unsure="order"), np.random.default_rng(7))
    assert got.mean(axis=0) == pytest.approx(centroid, abs=0.002)


@pytest.mark.basis("derived", "swing weighting: 100, 60 and 40 are .5, .3 and .2 of their sum")
def test_swings_rated_against_the_greatest_are_weights_in_proportion():
    got = weights_of(relative_weights(RankSettings(), {"share": 100.0, "growth": 60.0, "traffic": 40.0}))
    assert [got[name] for name in ("share", "growth", "traffic")] == pytest.approx([0.5, 0.3, 0.2], abs=1e-12)
    assert sum(got.values()) == pytest.approx(1.0, abs=1e-12)


def test_tables_of_values_follow_the_curves_between_their_ends():
    curves = worth(decks(4), straight(value_share=((0.1, 0.2), (0.3, 0.4), (0.5, 0.9)))).curves
    made = tables(curves, 401)
    assert len(made) == 3
    start, steps, values = made[0]
    assert (start, steps) == (0.1, pytest.approx(400 / 0.4))
    x = np.array([0.1, 0.2, 0.3, 0.35, 0.5])
    at = np.rint((x - start) * steps).astype(int)
    assert values[at] == pytest.approx(np.interp(x, [0.1, 0.3, 0.5], [0.2, 0.4, 0.9]), abs=1e-6)

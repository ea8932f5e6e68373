"""How sure the order is: against exact cases, against known truth, and always the same."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.errors import SettingsError
from decknet.rank import rank_decks, rank_groups, rank_ranges
from decknet.rank.draws import draw_weights, two_piece
from decknet.settings import RankSettings
from tests.rank.decks import alternatives, decks, straight

DRAWS = 9604  # bounds the error of a chance by 0.01 with 95 % confidence


def _rank_shares(frame, settings):
    """Chance of each rank, a row a deck."""
    upto = [rank_ranges(frame, _first(settings, k))["chance_first"].to_numpy() for k in range(1, len(frame) + 1)]
    return np.diff(np.column_stack([np.zeros(len(frame)), *upto]), axis=1)


def _first(settings, k):
    from dataclasses import replace

    return replace(settings, first=k)


@pytest.mark.basis(
    "derived", "values A (.9, .2), B (.6, .6), C (.1, .95), weight w uniform: turns at 4/7, 15/31 and 7/17"
)
def test_rank_shares_of_three_decks_on_two_counts_are_exact():
    settings = straight(weight_share=0.5, weight_growth=0.5, weight_traffic=0.0, unsure="any", draws=DRAWS)
    got = _rank_shares(alternatives([[0.9, 0.2], [0.6, 0.6], [0.1, 0.95]]), settings)
    a, b, c = 4 / 7, 15 / 31, 7 / 17
    exact = [[1 - a, a - b, b], [a - c, 1 - (a - c), 0.0], [c, b - c, 1 - b]]
    assert got == pytest.approx(np.array(exact), abs=0.01)
    assert got.sum(axis=0) == pytest.approx(1.0)
    assert got.sum(axis=1) == pytest.approx(1.0)


@pytest.mark.basis("derived", "three units and (.5, .5, .5): first where every weight is below 1/2, a quarter of them")
def test_a_compromise_is_first_for_a_quarter_of_all_weights():
    settings = straight(weight_share=0.4, weight_growth=0.3, weight_traffic=0.3, unsure="any", draws=DRAWS, first=1)
    got = rank_ranges(alternatives([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.5, 0.5, 0.5]]), settings)
    assert got["chance_first"].to_numpy() == pytest.approx([0.25] * 4, abs=0.01)


@pytest.mark.basis("derived", "rank-order-centroid weights of four: (1 + 1/2 + 1/3 + 1/4) / 4 and so on")
def test_weights_known_by_order_only_average_to_the_rank_order_centroid():
    stated = np.array([0.2, 0.4, 0.1, 0.3])
    rng = np.random.default_rng(3)
    got = draw_weights(stated, 200_000, RankSettings(unsure="order"), rng)
    assert (np.diff(got[:, [1, 3, 0, 2]], axis=1) <= 0).all()
    assert got.mean(axis=0)[[1, 3, 0, 2]] == pytest.approx([0.520833, 0.270833, 0.145833, 0.0625], abs=0.002)


def test_weights_within_a_part_of_themselves():
    stated = np.array([0.45, 0.30, 0.25, 0.0])
    got = draw_weights(stated, 5000, RankSettings(unsure="range", unsure_part=0.2), np.random.default_rng(3))
    assert got.shape == (5000, 4)
    assert got.sum(axis=1) == pytest.approx(1.0)
    assert (got >= stated * 0.8 - 1e-12).all()
    assert (got <= stated * 1.2 + 1e-12).all()
    assert got[:, 0].std() > 0.02


def test_counts_of_equal_weight_share_the_order():
    stated = np.array([0.4, 0.4, 0.2])
    got = draw_weights(stated, 50_000, RankSettings(unsure="order"), np.random.default_rng(3))
    assert got.mean(axis=0) == pytest.approx([4 / 9, 4 / 9, 1 / 9], abs=0.005)
    assert (got[:, 2] <= got[:, :2].min(axis=1)).all()


def test_a_way_of_being_unsure_that_is_not_known_is_refused():
    with pytest.raises(SettingsError, match="perhaps"):
        rank_ranges(decks(5), RankSettings(unsure="perhaps"))


@pytest.mark.basis("derived", "10 and 90 % quantiles of a normal distribution on either side of the median")
def test_draws_have_the_quantiles_given():
    f = np.float32
    z = np.random.default_rng(1).standard_normal((200_000, 1), dtype=np.float32)
    got = two_piece(z, f([0.10]), f([0.06]), f([0.20]))
    assert np.quantile(got, [0.1, 0.5, 0.9]) == pytest.approx([0.06, 0.10, 0.20], abs=0.001)


@pytest.mark.basis("derived", "truth drawn from the same ranges: an 80 % range holds it four times in five")
def test_ranges_of_rank_hold_the_true_rank_four_times_in_five():
    settings = RankSettings(draws=600)
    held = []
    for district in range(4):
        frame = decks(700, seed=district)
        rng = np.random.default_rng(100 + district)
        first, other = rng.standard_normal((2, len(frame)))
        second = settings.share_with_growth * first + np.sqrt(1 - settings.share_with_growth**2) * other
        truth = frame.assign(
            share_now=_at(frame, "share_now", "share_low", "share_high", first).clip(0, 1),
            growth_per_yr=_at(frame, "growth_per_yr", "growth_low", "growth_high", second).clip(0),
            aadt=_traffic(frame, settings, rng),
        )
        true_rank = rank_decks(truth, settings)["rank"]
        got = rank_ranges(frame, settings)
        held.append(((got["rank_low"] <= true_rank) & (true_rank <= got["rank_high"])).mean())
    assert 0.76 <= np.mean(held) <= 0.84


def _at(frame, middle, low, high, z):
    m, down, up = frame[middle], frame[middle] - frame[low], frame[high] - frame[middle]
    return m + (np.minimum(z, 0) * down + np.maximum(z, 0) * up) / 1.2815515655


def _traffic(frame, settings, rng):
    spread = np.where(frame["aadt_from"] == "count", settings.count_spread, settings.filled_spread)
    z, aadt = rng.standard_normal(len(frame)), frame["aadt"]
    return (
        aadt + (np.minimum(z, 0) * (aadt - aadt / spread) + np.maximum(z, 0) * (aadt * spread - aadt)) / 1.28155
    ).clip(0)


def test_ranges_are_the_same_for_any_order_of_rows_and_number_of_threads():
    frame = decks(6000, seed=4)  # more than are drawn together
    settings = RankSettings(draws=40)
    one = rank_ranges(frame, settings, threads=1).set_index("deck_id")
    four = rank_ranges(frame.sample(frac=1, random_state=2), settings, threads=4).set_index("deck_id")
    pd.testing.assert_frame_equal(one, four.loc[one.index], check_exact=True)


def test_the_seed_decides_the_draws():
    frame = decks(50)
    same = [rank_ranges(frame, RankSettings(draws=100, seed=s))["rank_mean"].tolist() for s in (5, 5, 6)]
    assert same[0] == same[1]
    assert same[0] != same[2]


def test_without_doubt_the_range_is_the_rank():
    frame = decks(60, spread=0.0).assign(aadt_from="count")
    settings = RankSettings(draws=20, count_spread=1.0, first=10)
    rank = rank_decks(frame, settings)["rank"]
    got = rank_ranges(frame, settings)
    assert (got["rank_low"] - rank).abs().max() <= 1  # two decks may share a step of the scale
    assert (got["rank_low"] == rank).mean() > 0.95
    assert got["chance_first"].sum() == pytest.approx(10.0)
    assert (got.loc[rank <= 9, "chance_first"] == 1.0).all()


def test_chances_add_up_to_the_number_of_places():
    got = rank_ranges(decks(300), RankSettings(draws=100, first=25))
    assert got["chance_first"].sum() == pytest.approx(25.0, abs=1e-9)
    assert got["rank_mean"].mean() == pytest.approx(150.5, abs=1e-9)
    assert got["rank_low"].between(1, 300).all()
    assert (got["rank_low"] <= got["rank_high"]).all()


def test_more_doubt_gives_wider_ranges():
    narrow, wide = (rank_ranges(decks(200, spread=s), RankSettings(draws=200)) for s in (0.3, 1.0))
    width = [(g["rank_high"] - g["rank_low"]).mean() for g in (narrow, wide)]
    assert width[1] > 1.5 * width[0]


def test_ranges_can_be_taken_from_a_joint_posterior_passed_in():
    frame = decks(30)
    ids = np.argsort(frame["deck_id"].to_numpy())
    share = frame["share_now"].to_numpy(dtype=np.float32)[ids]

    def known(rows, count, rng):
        size = (count, len(share[rows]))
        return np.broadcast_to(share[rows], size), np.zeros(size, np.float32), np.zeros(size, np.float32)

    got = rank_ranges(frame, RankSettings(draws=20), draw=known)
    assert got["rank_mean"].rank().tolist() == pytest.approx((-frame["share_now"]).rank().tolist(), abs=1)


def test_ranges_follow_the_way_decks_are_ranked():
    frame = decks(80, spread=0.0).assign(aadt_from="count")
    settings = RankSettings(draws=20, count_spread=1.0, by="distance")
    rank = rank_decks(frame, settings)["rank"]
    assert (rank_ranges(frame, settings)["rank_mean"] - rank).abs().max() <= 1


def test_a_network_without_decks_has_no_ranges():
    assert rank_ranges(decks(3).iloc[:0], RankSettings()).empty


@pytest.mark.basis("derived", "leads of 5, 30 and 31 points, spread 10 each: chance .64, .98, .99; then .53")
def test_decks_are_grouped_until_one_is_told_apart_from_the_first():
    mean, sd = np.array([80.0, 75.0, 50.0, 49.0]), np.full(4, 10.0)
    assert rank_groups(np.array([1, 2, 3, 4]), mean, sd, 0.8).tolist() == [1, 1, 2, 2]
    assert rank_groups(np.array([4, 3, 2, 1]), mean[::-1], sd, 0.8).tolist() == [2, 2, 1, 1]
    assert rank_groups(np.array([1, 2, 3, 4]), mean, np.full(4, 0.1), 0.8).tolist() == [1, 2, 3, 4]


def test_level_decks_are_not_told_apart():
    assert rank_groups(np.arange(1, 101), np.full(100, 40.0), np.zeros(100), 0.8).max() == 1

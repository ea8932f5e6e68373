"""Ranges of rank and groups of decks, counted draw by draw in another way."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from decknet.rank import rank_decks, rank_groups, rank_ranges
from decknet.rank.criteria import worth
from decknet.settings import RankSettings
from tests.rank.decks import alternatives, decks, straight

STEP = 100 / 16_383  # points, one step of the scale on which priorities are counted


class Kept:
    """A drawer of uniform shares, growths and traffic that remembers each draw by its stream."""

    def __init__(self) -> None:
        self.seen: dict[tuple[int, str], tuple[np.ndarray, ...]] = {}

    def __call__(self, rows: slice, count: int, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
        stream = (rows.start, str(rng.bit_generator.state["state"]))
        size = (count, rows.stop - rows.start)
        parts = tuple(rng.random(size, dtype=np.float32) * np.float32(top) for top in (0.5, 0.05, 50_000.0))
        again = self.seen.setdefault(stream, parts)
        assert all((a == b).all() for a, b in zip(again, parts, strict=True))
        return parts

    def drawn(self) -> list[np.ndarray]:
        """Share, growth and traffic, shape (draws, decks)."""
        return [np.concatenate([parts[k] for parts in self.seen.values()]).astype(float) for k in range(3)]


@pytest.mark.basis("derived", "every draw ranked by sorting, its places counted one by one; 10 and 90 % by sorting")
@pytest.mark.parametrize("by", ["sum", "distance"])
@pytest.mark.parametrize(("count", "first"), [(40, 5), (100, 1)])
def test_ranges_are_those_of_every_draw_sorted(by, count, first):
    frame = decks(23, seed=2)
    settings = RankSettings(
        draws=count, first=first, by=by, weight_share=0.35, weight_detour=0.1, value_share=((0.05, 0.1), (0.3, 0.9))
    )
    keeper = Kept()
    got = rank_ranges(frame, settings, draw=keeper, threads=1)
    shares, growths, aadts = keeper.drawn()
    assert shares.shape == (count, 23)
    assert len(np.unique(shares)) > 0.99 * shares.size  # no stream is used twice
    points = np.array(
        [
            worth(frame.assign(share_now=s, growth_per_yr=g, aadt=a), settings).points().sum(axis=1)
            for s, g, a in zip(shares, growths, aadts, strict=True)
        ]
    )
    ranks = (-points).argsort(axis=1).argsort(axis=1) + 1
    assert got["rank_mean"].to_numpy() == pytest.approx(ranks.mean(axis=0), abs=0.05)  # some share a step
    low, high = count // 10, count - 1 - count // 10
    for name, place in (("rank_low", low), ("rank_high", high)):
        assert (got[name] == np.sort(ranks, axis=0)[place]).mean() > 0.9
        assert (got[name] - np.sort(ranks, axis=0)[place]).abs().max() <= 1
    assert got["chance_first"].to_numpy() == pytest.approx((ranks <= first).mean(axis=0), abs=0.03)
    assert got["chance_first"].sum() == pytest.approx(first)
    assert got["priority_mean"].to_numpy() == pytest.approx(points.mean(axis=0), abs=2 * STEP)
    assert got["priority_sd"].to_numpy() == pytest.approx(points.std(axis=0), abs=2 * STEP)


@pytest.mark.basis(
    "derived", "four level decks share places 1 to 4: the middle 2.5, and a quarter of the first place each"
)
@pytest.mark.parametrize(("first", "chance"), [(1, 0.25), (2, 0.5), (3, 0.75), (4, 1.0), (9, 1.0)])
def test_level_decks_share_the_places_they_take_up(first, chance):
    got = rank_ranges(alternatives([[0.5, 0.5, 0.5]] * 4), straight(draws=20, first=first))
    assert got["rank_mean"].tolist() == [2.5] * 4
    assert got["rank_low"].tolist() == [2] * 4
    assert got["rank_high"].tolist() == [3] * 4
    assert got["chance_first"].tolist() == pytest.approx([chance] * 4)


@pytest.mark.basis("derived", "one ahead, three level on places 2 to 4, one behind: middle 3; of 2 places a third each")
def test_decks_ahead_of_and_behind_level_ones_keep_their_places():
    table = [[0.5, 0.5, 0.5], [0.9, 0.9, 0.9], [0.5, 0.5, 0.5], [0.1, 0.1, 0.1], [0.5, 0.5, 0.5]]
    got = rank_ranges(alternatives(table), straight(draws=20, first=2))
    for name in ("rank_mean", "rank_low", "rank_high"):
        assert got[name].tolist() == [3, 1, 3, 5, 3]
    assert got["chance_first"].tolist() == pytest.approx([1 / 3, 1, 1 / 3, 0, 1 / 3])


@pytest.mark.basis("derived", "the ends of the scale: no need at all is 0 points, the most on every count 100")
@pytest.mark.parametrize("by", ["sum", "distance"])
def test_priorities_over_the_draws_stand_on_the_same_scale_as_the_priority(by):
    frame = alternatives([[0, 0, 0], [1, 1, 1], [0.6, 0.3, 0.2], [0.2, 0.8, 0.5]])
    settings = straight(draws=20, by=by)
    got = rank_ranges(frame, settings)
    assert got["priority_mean"].to_numpy() == pytest.approx(rank_decks(frame, settings)["priority"], abs=STEP)
    assert got["priority_mean"].tolist()[:2] == pytest.approx([0.0, 100.0], abs=1e-9)
    assert got["priority_sd"].to_numpy() == pytest.approx([0.0] * 4, abs=1e-4)


@pytest.mark.basis(
    "derived", "the nearest steps of values and of the priority: half a step off each at most, over as under"
)
@pytest.mark.parametrize("by", ["sum", "distance"])
def test_priorities_over_the_draws_stand_at_the_nearest_step(by):
    rng = np.random.default_rng(8)
    frame, settings = alternatives(rng.uniform(0.1, 0.9, (26, 3)).tolist()), straight(draws=20, by=by)
    off = rank_ranges(frame, settings)["priority_mean"].to_numpy() - rank_decks(frame, settings)["priority"].to_numpy()
    assert np.abs(off).max() < 1.01 * STEP
    assert abs(off.mean()) < 0.25 * STEP


@pytest.mark.basis("derived", "a share alone, a little under and over the middle between two of 16,384 steps")
@pytest.mark.parametrize("off", [0.47, 0.53])
def test_a_value_is_read_at_the_nearest_step_of_its_table(off):
    steps = np.arange(300, 16_300, 640)[:26]
    frame = alternatives([[(k + off) / 16_383, 0.0, 0.0] for k in steps])
    got = rank_ranges(frame, straight(draws=20, weight_share=1.0, weight_growth=0.0, weight_traffic=0.0), threads=1)
    assert got["priority_mean"].to_numpy() == pytest.approx((steps + (off > 0.5)) * STEP, abs=1e-6)


@pytest.mark.parametrize("by", ["sum", "distance"])
def test_without_doubt_curves_that_begin_late_and_end_early_give_the_rank(by):
    frame = decks(80, spread=0.0).assign(aadt_from="count")
    settings = RankSettings(
        draws=20, count_spread=1.0, by=by, value_share=((0.03, 0.1), (0.05, 0.5), (0.12, 0.8)),
        value_growth=((0.002, 0.0), (0.01, 0.7)), value_traffic=((900, 0.05), (9_000, 1.0)),
        weight_share=0.25, weight_area=0.2,
    )  # fmt: skip
    ranked, got = rank_decks(frame, settings), rank_ranges(frame, settings)
    assert got["priority_mean"].to_numpy() == pytest.approx(ranked["priority"], abs=3 * STEP)
    assert (got["rank_mean"] - ranked["rank"]).abs().max() <= 1.5


@pytest.mark.basis("derived", "a sum of three independent draws: variances add up")
def test_the_spread_of_a_priority_is_that_of_what_it_adds_up():
    frame = alternatives([[0.5, 0.5, 0.5], [0.5, 0.5, 0.5]]).assign(
        share_low=0.4, share_high=0.6, growth_low=0.45, growth_high=0.55
    )
    settings = straight(draws=1_500, share_with_growth=0.4, weight_share=0.5, weight_growth=0.3, weight_traffic=0.2)
    got = rank_ranges(frame, settings)
    a, b = 50 * 0.1 / 1.2815516, 30 * 0.05 / 1.2815516
    assert got["priority_sd"].to_numpy() == pytest.approx([(a * a + b * b + 2 * 0.4 * a * b) ** 0.5] * 2, rel=0.06)
    assert got["priority_mean"].to_numpy() == pytest.approx([50.0] * 2, abs=0.4)
    assert got["chance_first"].tolist() == [1.0, 1.0]  # both are among the first twenty


def test_unsure_weights_are_drawn_once_for_all_decks():
    # B is A with every count a little higher: whatever the weights, B is before A
    frame = alternatives([[0.2, 0.7, 0.4], [0.22, 0.72, 0.42], [0.7, 0.2, 0.4]])
    for unsure in ("range", "order", "any"):
        got = rank_ranges(frame, straight(unsure=unsure, draws=200, first=1))
        assert got["chance_first"].iloc[0] == 0.0
        assert got["rank_mean"].iloc[0] > got["rank_mean"].iloc[1]
        assert got["priority_sd"].min() > 0.5


def groups_one_by_one(rank: np.ndarray, mean: np.ndarray, sd: np.ndarray, told_apart: float) -> list[int]:
    """A group ends where the next deck is told apart from its first."""
    order = rank.argsort()
    out, number, head = [0] * len(rank), 0, -1
    for place in order.tolist():
        if head >= 0:
            spread = (sd[head] ** 2 + sd[place] ** 2) ** 0.5
            apart = norm.cdf((mean[head] - mean[place]) / spread) >= told_apart
        if head < 0 or apart:
            number, head = number + 1, place
        out[place] = number
    return out


@pytest.mark.basis("derived", "each deck held against the first of its group, one by one")
@pytest.mark.parametrize(("decks_of_all", "told_apart"), [(1, 0.8), (30, 0.6), (400, 0.8), (400, 0.99)])
def test_groups_are_those_found_one_deck_after_the_other(decks_of_all, told_apart):
    rng = np.random.default_rng(decks_of_all)
    mean, sd = rng.uniform(0, 100, decks_of_all), rng.uniform(1, 8, decks_of_all)
    rank = pd.Series(-mean).rank().to_numpy(dtype=np.int64)
    got = rank_groups(rank, mean, sd, told_apart)
    assert got.tolist() == groups_one_by_one(rank, mean, sd, told_apart)
    assert got.min() == 1


def test_a_group_may_hold_very_many_decks():
    rank = np.arange(1, 2_001)
    mean = 50.0 - 0.002 * rank
    assert rank_groups(rank, mean, np.full(2_000, 5.0), 0.8).tolist() == [1] * 2_000
    assert rank_groups(rank, mean, np.full(2_000, 0.5), 0.8).tolist() == groups_one_by_one(
        rank, mean, np.full(2_000, 0.5), 0.8
    )


@pytest.mark.parametrize("by", ["sum", "distance"])
def test_further_counts_weigh_in_the_draws_as_in_the_rank(by):
    frame = decks(25, spread=0.0).assign(aadt_from="count")
    settings = RankSettings(
        draws=20, count_spread=1.0, by=by, weight_share=0.2, weight_trucks=0.2, weight_area=0.05, first=3
    )
    scale = worth(frame, settings)
    assert scale.names == ("share", "growth", "traffic", "trucks", "area")
    got = rank_ranges(frame, settings)
    assert got["priority_mean"].to_numpy() == pytest.approx(rank_decks(frame, settings)["priority"], abs=3 * STEP)

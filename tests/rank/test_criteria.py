"""Two ways to rank, against a general library for decisions; and what cannot be ranked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pymcdm.methods import TOPSIS, WSM
from pymcdm.normalizations import minmax_normalization

from decknet.errors import SettingsError
from decknet.rank import rank_decks
from decknet.rank.criteria import closeness, worth
from decknet.settings import RankSettings, relative_weights, reweighted, weights_of
from tests.rank.decks import alternatives, decks, straight

ALL = RankSettings(
    weight_share=0.3, weight_growth=0.2, weight_traffic=0.1, weight_trucks=0.1, weight_detour=0.1, weight_bars=0.05,
    weight_posted=0.05, weight_area=0.1,
)  # fmt: skip


@pytest.mark.basis("published", "pymcdm 1.4 package page, TOPSIS example: 0.6126, 0, 0.7829, 1 (second count a cost)")
def test_closeness_of_a_published_example():
    benefit = np.array([4.0, 1.0, 3.0, 4.0])
    cost = np.array([4.0, 5.0, 2.0, 2.0])
    values = np.column_stack([(benefit - 1) / 3, (5 - cost) / 3])
    assert closeness(values, np.array([0.5, 0.5])) == pytest.approx([0.6126, 0.0, 0.7829, 1.0], abs=5e-5)


@pytest.mark.basis("published", "pymcdm 1.4, TOPSIS on random tables whose worst and best rows stand at 0 and 1")
@pytest.mark.parametrize("seed", range(5))
def test_closeness_agrees_with_a_decision_library(seed):
    rng = np.random.default_rng(seed)
    values = np.vstack([rng.uniform(size=(40, 5)), np.zeros(5), np.ones(5)])
    weights = rng.dirichlet(np.ones(5))
    expected = TOPSIS(minmax_normalization)(values, weights, np.ones(5), validation=False)
    assert closeness(values, weights) == pytest.approx(expected, abs=1e-12)


@pytest.mark.basis("published", "pymcdm 1.4, weighted sum and TOPSIS on the same random values")
@pytest.mark.parametrize("seed", range(3))
def test_both_ways_to_rank_agree_with_a_decision_library(seed):
    rng = np.random.default_rng(seed)
    table = np.vstack([rng.uniform(size=(21, 3)), np.zeros(3), np.ones(3)])
    weights = rng.dirichlet(np.ones(3))
    settings = relative_weights(straight(), dict(zip(("share", "growth", "traffic"), weights, strict=True)))
    frame = alternatives(table.tolist())
    assert rank_decks(frame, settings)["priority"].to_numpy() == pytest.approx(
        100 * WSM(minmax_normalization)(table, weights, np.ones(3), validation=False), abs=1e-9
    )
    assert rank_decks(frame, replace(settings, by="distance"))["priority"].to_numpy() == pytest.approx(
        100 * TOPSIS(minmax_normalization)(table, weights, np.ones(3), validation=False), abs=1e-9
    )


@pytest.mark.parametrize("by", ["sum", "distance"])
def test_points_add_up_to_the_priority_with_everything_weighed(by):
    got = rank_decks(decks(), replace(ALL, by=by))
    parts = got[["points_share", "points_growth", "points_traffic", "points_other"]].sum(axis=1)
    assert (parts - got["priority"]).abs().max() < 1e-9
    assert got["priority"].between(0, 100).all()
    assert (got["points_other"] > 0).any()


@pytest.mark.parametrize("by", ["sum", "distance"])
@pytest.mark.parametrize(
    "column",
    ["share_now", "growth_per_yr", "aadt", "truck_share", "detour_km", "exposed_bar_m2", "posted", "area_m2"],
)
def test_worse_on_any_count_never_ranks_better(by, column):
    frame, settings = decks(), replace(ALL, by=by)
    frame["posted"] = frame["posted"].astype("float64")
    before = rank_decks(frame, settings)["rank"]
    for i in (3, 50, 120, 199):
        worse = frame.copy()
        worse.loc[i, column] = 1.0 if column == "posted" else worse.loc[i, column] * 1.5 + 0.001
        assert rank_decks(worse, settings)["rank"][i] <= before[i]


def test_scaling_all_weights_changes_nothing():
    frame = decks()
    given = {"share": 9.0, "growth": 6.0, "traffic": 5.0, "detour": 1.0}
    one = rank_decks(frame, relative_weights(RankSettings(), given))
    hundred = rank_decks(frame, relative_weights(RankSettings(), {n: 100 * w for n, w in given.items()}))
    assert one["rank"].tolist() == hundred["rank"].tolist()
    assert one["priority"].to_numpy() == pytest.approx(hundred["priority"].to_numpy(), abs=1e-9)


def test_a_weight_as_given_leaves_the_others_their_proportions():
    got = weights_of(reweighted(ALL, {"traffic": 0.55}))
    assert got["traffic"] == 0.55
    assert sum(got.values()) == pytest.approx(1.0, abs=1e-12)
    assert got["share"] / got["growth"] == pytest.approx(1.5)
    assert weights_of(reweighted(RankSettings(), {"share": 0.2, "growth": 0.3, "traffic": 0.5}))["growth"] == 0.3


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"share": 0.8, "traffic": 0.4}, r"1\.2"),
        ({"share": 0.5, "growth": 0.1, "traffic": 0.2}, r"0\.8"),
        ({"cost": 0.5}, "nothing of that name"),
        ({"share": -0.1}, "0 or more"),
        ({"share": float("nan")}, "0 or more"),
    ],
)
def test_weights_that_cannot_be_are_refused(given, words):
    with pytest.raises(SettingsError, match=words):
        reweighted(RankSettings(), given)


def test_proportions_of_nothing_are_refused():
    with pytest.raises(SettingsError, match="add up to 0"):
        relative_weights(RankSettings(), {"share": 0.0})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"by": "guess"}, "guess"),
        ({"value_share": ((0, 1.0), (1, 0.0))}, "value_share"),
        ({"value_growth": ((0, 0.0), (1, 1.2))}, "value_growth"),
        ({"weight_share": 0.35, "weight_soffit": 0.1}, "soffit_share"),
    ],
)
def test_settings_that_cannot_rank_are_refused(changes, words):
    with pytest.raises(SettingsError, match=words):
        worth(decks(5), replace(RankSettings(), **changes))


def test_what_is_not_known_takes_the_stated_value_and_says_so():
    frame = decks(20)
    frame.loc[4, "detour_km"] = np.nan
    settings = RankSettings(weight_share=0.35, weight_detour=0.1)
    got = rank_decks(frame, settings)
    assert got.loc[4, "points_other"] == pytest.approx(100 * 0.1 * settings.value_unknown)
    assert "the detour not known" in got.loc[4, "reason"]
    assert "a detour of" in got.loc[5, "reason"]


def test_by_distance_adding_a_deck_never_swaps_two_others():
    settings = RankSettings(by="distance")
    most = rank_decks(decks(), settings).sort_values("rank")["deck_id"].tolist()
    fewer = rank_decks(decks().drop(index=[7, 90]), settings).sort_values("rank")["deck_id"].tolist()
    assert [d for d in most if d not in {"D0007", "D0090"}] == fewer

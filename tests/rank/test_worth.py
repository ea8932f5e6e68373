"""Values, points and order, worked by hand; and the least that a curve or a weight must be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.errors import SettingsError
from decknet.rank import rank_decks, weight_moves
from decknet.rank.criteria import closeness, worth
from decknet.settings import RankSettings
from tests.rank.decks import alternatives, decks, straight


@pytest.mark.basis("derived", "(.6, .8) at weights .5: up .5, down sqrt(.05); split by the squares .09 and .16")
def test_points_by_distance_by_hand():
    settings = straight(weight_share=0.5, weight_growth=0.5, weight_traffic=0.0, by="distance")
    got = rank_decks(alternatives([[0.6, 0.8], [0.0, 0.0]]), settings)
    whole = 100 * 0.5 / (0.5 + 0.05**0.5)
    assert got[["points_share", "points_growth", "points_traffic", "points_other", "priority"]].iloc[
        0
    ].tolist() == pytest.approx([whole * 9 / 25, whole * 16 / 25, 0, 0, whole])
    assert got[["points_share", "points_growth", "priority"]].iloc[1].tolist() == [0, 0, 0]


def test_closeness_of_many_decks_at_once_is_that_of_each():
    rng = np.random.default_rng(4)
    values, weights = rng.uniform(size=(7, 5, 3)), rng.dirichlet(np.ones(3), 7)[:, None, :]
    got = closeness(values, weights)
    assert got.shape == (7, 5)
    for a, b in np.ndindex(7, 5):
        up = sum((w * v) ** 2 for w, v in zip(weights[a, 0], values[a, b], strict=True)) ** 0.5
        down = sum((w * (1 - v)) ** 2 for w, v in zip(weights[a, 0], values[a, b], strict=True)) ** 0.5
        assert got[a, b] == pytest.approx(up / (up + down))


def test_share_growth_and_traffic_are_always_there_and_others_where_they_weigh():
    settings = straight(weight_share=0.0, weight_growth=0.7, weight_traffic=0.0, weight_area=0.3)
    scale = worth(decks(5), settings)
    assert scale.names == ("share", "growth", "traffic", "area")
    assert scale.weights.tolist() == [0.0, 0.7, 0.0, 0.3]
    assert scale.values.shape == scale.known.shape == (5, 4)
    assert [len(curve) for curve in scale.curves] == [2, 2, 2, 4]
    none = worth(decks(5).iloc[:0], settings)
    assert none.values.shape == none.known.shape == (0, 4)
    assert none.known.dtype == bool


def test_what_is_not_known_is_marked_and_worth_what_the_settings_say():
    frame = decks(4).assign(detour_km=[5.0, np.nan, 0.0, 100.0])
    settings = RankSettings(weight_share=0.35, weight_detour=0.1, value_unknown=0.4)
    scale = worth(frame, settings)
    assert scale.known[:, 3].tolist() == [True, False, True, True]
    assert scale.values[:, 3].tolist() == pytest.approx([0.2, 0.4, 0.0, 1.0])
    assert scale.known[:, :3].all()
    points = rank_decks(frame, settings)["points_other"]
    assert points.tolist() == pytest.approx([2.0, 4.0, 0.0, 10.0])


@pytest.mark.parametrize(
    ("curve", "fine"),
    [
        (((0, 0.0), (1, 1.0)), True),
        (((0, 0.2), (1, 0.8)), True),
        (((0, 0.0), (0.5, 0.5), (1, 0.5)), True),  # level is not falling
        (((0, -0.1), (1, 1.0)), False),
        (((0, 0.0), (1, 1.1)), False),
        (((0, 0.0), (0.5, 0.6), (1, 0.5)), False),
    ],
)
def test_a_curve_may_be_level_but_not_fall_or_leave_0_to_1(curve, fine):
    settings = RankSettings(value_share=curve)
    if fine:
        assert worth(decks(5), settings).values[:, 0].max() <= curve[-1][1]
        return
    with pytest.raises(SettingsError, match=r"rank\.value_share: values must rise from 0 or more to 1 or less"):
        worth(decks(5), settings)


def test_something_that_weighs_without_any_record_is_refused_whether_there_is_a_column_or_not():
    settings = RankSettings(weight_share=0.35, weight_soffit=0.1)
    for frame in (decks(5), decks(5).assign(soffit_share=np.nan)):
        with pytest.raises(SettingsError, match=r"rank\.weight_soffit: soffit_share weighs, and no deck has a record"):
            worth(frame, settings)
    one = decks(5).assign(soffit_share=[np.nan, np.nan, 0.1, np.nan, np.nan])
    assert worth(one, settings).known[:, 3].sum() == 1


@pytest.mark.basis("derived", "level to a millionth of a point is level: the deck of the smaller number is first")
def test_level_decks_go_by_their_number_and_others_by_their_points():
    frame = alternatives([[0.5, 0.2, 0.2], [0.5, 0.2, 0.2], [0.5, 0.2, 0.2], [0.7, 0.2, 0.2]])
    frame["deck_id"] = ["10", "9", "A", "zz"]
    assert rank_decks(frame, straight())["rank"].tolist() == [2, 3, 4, 1]
    # 45 times 7e-9 is 3e-7 of a point, and 45 times 9e-8 is 4e-6
    nearly = frame.assign(share_now=[0.5, 0.5 + 7e-9, 0.5 + 9e-8, 0.5 + 1e-6])
    assert rank_decks(nearly, straight())["rank"].tolist() == [3, 4, 2, 1]


@pytest.mark.basis(
    "derived",
    "share weighs all: A .8, B .5; what is taken from it goes half to growth and half to traffic, where B leads",
)
def test_a_weight_that_is_all_there_is_gives_way_to_the_others_alike():
    settings = straight(weight_share=1.0, weight_growth=0.0, weight_traffic=0.0)
    frame = alternatives([[0.8, 0.0, 0.0], [0.5, 0.2, 1.0]])
    moves = weight_moves(frame, rank_decks(frame, settings), settings, first=1).set_index("weight")
    # .3 x = (.2 + 1.0) / 2 (1 - x): x = .6 / .9
    assert moves.loc["share", ["same_from", "order_from"]].tolist() == pytest.approx([2 / 3] * 2)
    assert moves.loc["share", ["out_below", "in_below"]].tolist() == ["A", "B"]
    # growth from 0 on, share giving way: .3 (1 - x) = .2 x: x = .6
    assert moves.loc["growth", ["same_to", "order_to"]].tolist() == pytest.approx([0.6] * 2)
    assert moves.loc["growth", ["out_above", "in_above"]].tolist() == ["A", "B"]
    assert moves.loc["traffic", "same_to"] == pytest.approx(0.3 / 1.3)


@pytest.mark.basis("derived", "A leads on every count: no weight of any takes its place")
def test_where_no_weight_moves_anything_the_whole_range_is_open():
    frame = alternatives([[0.9, 0.9, 0.9], [0.5, 0.5, 0.5], [0.4, 0.4, 0.4]])
    for first in (1, 2, 3, 10):
        moves = weight_moves(frame, rank_decks(frame, straight()), straight(), first=first)
        assert (moves[["same_from", "order_from"]] == 0).all(axis=None)
        assert (moves[["same_to", "order_to"]] == 1).all(axis=None)
        assert moves[["out_below", "in_below", "out_above", "in_above"]].isna().all(axis=None)
        assert moves["now"].tolist() == [0.45, 0.30, 0.25]


@pytest.mark.basis("derived", "A (.5, .5, .4) and B (.5, .5, .2): A leads by traffic alone, and not at all without it")
def test_a_lead_on_one_count_alone_is_lost_only_where_that_counts_for_nothing():
    frame = alternatives([[0.5, 0.5, 0.4], [0.5, 0.5, 0.2]])
    moves = weight_moves(frame, rank_decks(frame, straight()), straight(), first=1).set_index("weight")
    assert moves.loc["traffic", ["same_from", "same_to"]].tolist() == [0.0, 1.0]
    assert moves.loc["share", ["same_from", "same_to"]].tolist() == [0.0, 1.0]


def test_order_within_the_first_is_closer_than_which_they_are():
    frame = alternatives([[0.9, 0.2, 0.2], [0.3, 0.9, 0.3], [0.1, 0.1, 0.1]])
    moves = weight_moves(frame, rank_decks(frame, straight()), straight(), first=2).set_index("weight")
    assert (moves[["same_from", "same_to"]] == [0.0, 1.0]).all(axis=None)
    # .6 x = (.7 x .3 + .1 x .25) / .55 (1 - x)
    rest = (0.7 * 0.30 + 0.1 * 0.25) / 0.55
    assert moves.loc["share", "order_from"] == pytest.approx(rest / (rest + 0.6))
    assert moves.loc["share", "order_to"] == 1.0


@pytest.mark.basis("derived", "the nearest of several turns by hand, each deck behind held against each deck ahead")
@pytest.mark.parametrize("seed", range(4))
def test_ends_are_the_nearest_of_all_turns_found_pair_by_pair(seed):
    rng = np.random.default_rng(seed)
    table = rng.uniform(size=(9, 3)).round(2)
    frame, settings = alternatives(table.tolist()), straight()
    ranked = rank_decks(frame, settings)
    order = ranked["rank"].to_numpy().argsort()
    weights = np.array([0.45, 0.30, 0.25])
    for first in (1, 3):
        moves = weight_moves(frame, ranked, settings, first=first)
        for k, row in enumerate(moves.itertuples()):
            turns: dict[str, list[tuple[float, str, str]]] = {"order": [], "same": []}
            for i, ahead in enumerate(order[:first]):
                for j in range(i + 1, 9):
                    behind = order[j]
                    lead = table[ahead] - table[behind]
                    rest = np.delete(lead, k) @ np.delete(weights, k) / (1 - weights[k])
                    if lead[k] != rest and 0 <= (x := rest / (rest - lead[k])) <= 1:
                        names = (frame["deck_id"][ahead], frame["deck_id"][behind])
                        turns["order"].append((x, *names))
                        if j >= first:
                            turns["same"].append((x, *names))
            for kind, found in turns.items():
                below = max((t for t in found if t[0] < weights[k]), default=(0.0, None, None))
                above = min((t for t in found if t[0] > weights[k]), default=(1.0, None, None))
                got = getattr(row, f"{kind}_from"), getattr(row, f"{kind}_to")
                assert got == pytest.approx((below[0], above[0])), (first, k, kind)
                if kind == "same":
                    told = [row.out_below, row.in_below, row.out_above, row.in_above]
                    assert [None if pd.isna(t) else t for t in told] == [*below[1:], *above[1:]]

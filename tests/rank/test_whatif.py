"""What would change the order: ranges of weights with exact ends, and the words for them."""

from __future__ import annotations

import re

import numpy as np
import pytest

from decknet.errors import SettingsError
from decknet.rank import rank_decks, weight_moves
from decknet.rank.reasons import turning_weights
from decknet.settings import RankSettings, reweighted
from tests.rank.decks import alternatives, decks, straight


def _firsts(frame, settings, first):
    return rank_decks(frame, settings).sort_values("rank")["deck_id"].tolist()[:first]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", ["share", "growth", "traffic"])
def test_the_first_ten_change_just_past_the_ends_and_not_before(seed, name):
    frame, settings = decks(seed=seed), RankSettings()
    moves = weight_moves(frame, rank_decks(frame, settings), settings).set_index("weight").loc[name]
    now = _firsts(frame, settings, 10)
    for kind, alike in (("order", list), ("same", set)):
        low, high = moves[f"{kind}_from"], moves[f"{kind}_to"]
        for w in np.linspace(low + 1e-6, high - 1e-6, 9):
            assert alike(_firsts(frame, reweighted(settings, {name: w}), 10)) == alike(now)
        for past in (low - 1e-6, high + 1e-6):
            if 0 <= past <= 1:
                assert alike(_firsts(frame, reweighted(settings, {name: past}), 10)) != alike(now)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_decks_that_change_places_are_named(seed):
    frame, settings = decks(seed=seed), RankSettings()
    moves = weight_moves(frame, rank_decks(frame, settings), settings)
    now = set(_firsts(frame, settings, 10))
    checked = 0
    for m in moves.itertuples():
        for end, out, new in (
            (m.same_from - 1e-7, m.out_below, m.in_below),
            (m.same_to + 1e-7, m.out_above, m.in_above),
        ):
            if 0 <= end <= 1:
                then = set(_firsts(frame, reweighted(settings, {m.weight: end}), 10))
                assert (now - then, then - now) == ({out}, {new})
                checked += 1
    assert checked >= 3


@pytest.mark.basis("derived", "values A (.9, .2), B (.6, .6): level at weight 4/7; B and C (.1, .95): 7/17")
def test_turning_weights_by_hand():
    settings = straight(weight_share=0.5, weight_growth=0.5, weight_traffic=0.0)
    frame = alternatives([[0.9, 0.2], [0.6, 0.6], [0.1, 0.95]])
    moves = weight_moves(frame, rank_decks(frame, settings), settings, first=1).set_index("weight")
    assert moves.loc["share", ["same_from", "same_to"]].tolist() == pytest.approx([7 / 17, 4 / 7])
    assert moves.loc["share", ["out_below", "in_below", "out_above", "in_above"]].tolist() == ["B", "C", "B", "A"]


def test_decks_that_differ_alike_on_every_count_never_turn():
    got = turning_weights(np.array([0.9, 0.8, 0.7]), np.array([0.5, 0.4, 0.3]), np.array([0.5, 0.3, 0.2]))
    assert np.isnan(got).all()


def test_level_decks_leave_no_room_on_the_side_where_the_place_is_lost():
    settings = straight(weight_share=0.5, weight_growth=0.5, weight_traffic=0.0)
    frame = alternatives([[0.8, 0.4], [0.4, 0.8], [0.0, 0.0]])
    moves = weight_moves(frame, rank_decks(frame, settings), settings, first=1).set_index("weight").loc["share"]
    assert moves["same_from"] == 0.5
    assert moves["same_to"] == 1.0


def test_by_distance_there_are_no_exact_ends():
    frame, settings = decks(), RankSettings(by="distance")
    with pytest.raises(SettingsError, match="sum"):
        weight_moves(frame, rank_decks(frame, settings), settings)


def test_what_a_reason_promises_comes_true():
    frame, settings = decks(), RankSettings()
    got = rank_decks(frame, settings).sort_values("rank")
    kept = 0
    for deck, reason in zip(got["deck_id"].iloc[1:], got["reason"].iloc[1:], strict=True):
        if found := re.search(r"Before (D\d+) if (\w+) weighed ([\d.]+)", reason):
            rank = rank_decks(frame, reweighted(settings, {found[2]: float(found[3])})).set_index("deck_id")["rank"]
            assert rank[deck] < rank[found[1]]
            kept += 1
    assert kept > 100


@pytest.mark.parametrize(("ahead", "said"), [(0.6, True), (1.0, False)])
def test_a_deck_behind_on_every_count_is_told_the_share_that_would_do(ahead, said):
    frame, settings = alternatives([[ahead, ahead, ahead], [0.5, 0.5, 0.5], [0.0, 0.0, 0.0]]), straight()
    reason = rank_decks(frame, settings)["reason"].iloc[1]
    found = re.search(r"No one weight puts it before A; ([\d.]+) % expected unsound would", reason)
    assert (found is not None) == said
    if found:
        worse = frame.assign(share_now=[ahead, float(found[1]) / 100, 0.0])
        assert rank_decks(worse, settings)["rank"].iloc[1] == 1
        # From 10 % on it is told in whole percent, rounded up.
        assert float(found[1]) >= 10
        nearly = frame.assign(share_now=[ahead, float(found[1]) / 100 - 0.01, 0.0])
        assert rank_decks(nearly, settings)["rank"].iloc[1] == 2


def test_a_reason_says_the_place_and_level_decks_say_so():
    frame = decks(30)
    frame.loc[5:6, ["share_now", "growth_per_yr", "aadt"]] = [0.3, 0.03, 9000.0]
    got = rank_decks(frame, RankSettings()).set_index("deck_id")["reason"]
    assert any(r.startswith("Third of 30: ") for r in got)
    assert "Level with D0005" in got["D0006"]
    assert all(r.count(". ") == 1 and r.endswith(".") for r in got.str.replace(r"\d\.\d", "", regex=True))

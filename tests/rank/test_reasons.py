"""The words of a reason: what each figure rests on, and the nearest weight that would move a deck."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from decknet.rank import rank_decks
from decknet.rank.criteria import worth
from decknet.rank.reasons import place_words, share_words, turning_weights
from decknet.settings import RankSettings
from tests.rank.decks import alternatives, decks, straight


def reason(settings: RankSettings | None = None, **columns: object) -> str:
    """The reason of the only deck."""
    one = decks(1).assign(share_now=0.072, growth_per_yr=0.0062, aadt=8_400.0, aadt_year=2024, aadt_from="count")
    return str(rank_decks(one.assign(**columns), settings or RankSettings())["reason"].iloc[0])


@pytest.mark.parametrize(
    ("place", "words"),
    [
        (1, "First"), (2, "Second"), (4, "Fourth"), (9, "Ninth"), (10, "Tenth"), (11, "11th"), (12, "12th"),
        (13, "13th"), (14, "14th"), (20, "20th"), (21, "21st"), (22, "22nd"), (23, "23rd"), (24, "24th"),
        (101, "101st"), (110, "110th"), (111, "111th"), (112, "112th"), (113, "113th"), (121, "121st"),
        (1_013, "1,013th"), (1_022, "1,022nd"),
    ],
)  # fmt: skip
def test_places_in_english(place, words):
    assert place_words(place) == words


def test_shares_say_what_they_rest_on():
    frame = decks(6).assign(
        share_from=["survey", "works", "rating", "network", "assumption", "rating"], deck_rating=[5, 5, 4, 5, 5, 6.0]
    )
    assert share_words(frame) == [
        "survey of 2026-05-12",
        "no survey yet since the last overlay or new deck",
        "no survey yet: from deck rating 4",
        "no survey yet: from the network and the deck's age",
        "no survey yet: from an assumed growth and the deck's age",
        "no survey yet: from deck rating 6",
    ]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"share_now": 0.0516}, "5.2 % of the deck expected unsound ("),
        ({"growth_from": "own surveys"}, "growing 0.62 points a year;"),
        ({"growth_from": "network"}, "growing 0.62 points a year, the network's rate"),
        ({"growth_from": "assumption"}, "growing 0.62 points a year, an assumed rate"),
        ({}, "8,400 vehicles a day, 2024;"),
        ({"aadt_count": 8_400.0}, "8,400 vehicles a day, 2024;"),
        ({"aadt_count": 8_000.0}, "8,400 vehicles a day, from 8,000 counted 2024;"),
        ({"aadt_count": np.nan}, "8,400 vehicles a day, 2024;"),
        ({"aadt_from": "old count", "aadt_count": 7_000.0}, "from 7,000 counted 2024, an old count;"),
        ({"aadt_from": "old count"}, "8,400 vehicles a day, 2024, an old count;"),
        ({"aadt_from": "undated count", "aadt_year": np.nan}, "8,400 vehicles a day, counted in a year not given;"),
        ({"aadt_from": "count", "aadt_year": np.nan}, "8,400 vehicles a day;"),
        ({"aadt_from": "route"}, "8,400 vehicles a day, as on its route;"),
        ({"aadt_from": "class"}, "8,400 vehicles a day, as on routes of its class;"),
        ({"aadt_from": "network"}, "8,400 vehicles a day, as on the network;"),
        ({"aadt_from": "assumption"}, "8,400 vehicles a day, assumed;"),
    ],
)
def test_a_figure_is_told_with_what_it_rests_on(columns, words):
    settings = RankSettings(weight_share=0.3, weight_growth=0.3, weight_traffic=0.4)
    said = reason(settings, **columns)
    assert re.search(re.escape(words.rstrip(";")) + (r"[;.]( |$)" if words.endswith(";") else ""), said)


@pytest.mark.parametrize(
    ("values", "order"),
    [
        ((0.9, 0.2, 0.1), ["unsound", "growing", "vehicles"]),
        ((0.1, 0.2, 0.9), ["vehicles", "growing", "unsound"]),
        ((0.5, 0.9, 0.1), ["growing", "unsound", "vehicles"]),
    ],
)
def test_the_strongest_measure_is_told_first(values, order):
    third = 1 / 3
    settings = straight(weight_share=third, weight_growth=third, weight_traffic=1 - 2 * third)
    said = rank_decks(alternatives([list(values)]), settings)["reason"].iloc[0]
    assert sorted(order, key=said.index) == order
    assert said.startswith("First of 1: ")
    assert said.count(".") == said.count(".", 0, -1) + 1


def test_further_counts_are_told_where_they_give_points_or_are_not_known():
    settings = RankSettings(
        weight_share=0.2, weight_growth=0.1, weight_traffic=0.1, weight_trucks=0.1, weight_detour=0.1,
        weight_bars=0.1, weight_posted=0.1, weight_soffit=0.1, weight_area=0.1,
    )  # fmt: skip
    known = {
        "truck_share": 0.12, "detour_km": 12.3, "exposed_bar_m2": 0.456, "posted": True, "soffit_share": 0.0321,
        "area_m2": 1_230.0,
    }  # fmt: skip
    assert (
        "; 12 % trucks; a detour of 12.3 km; 0.46 m² with bars exposed; load limit posted; "
        "3.2 % of the soffit unsound; 1,230 m² of deck."
    ) in reason(settings, **known)
    nothing = dict.fromkeys(known, 0.0) | {"posted": False}
    for words in ("trucks", "detour", "bars", "posted", "soffit", "m²"):
        assert words not in reason(settings, **nothing)
    two = decks(2).assign(**known)
    two["posted"] = two["posted"].astype("boolean")
    two.loc[1, list(known)] = [np.nan, np.nan, np.nan, pd.NA, np.nan, np.nan]
    said = rank_decks(two, settings).set_index("deck_id")["reason"]["D0001"]
    for words in ("trucks", "the detour", "bars exposed", "a load limit", "the soffit", "the area"):
        assert f"; {words} not known" in said


# ---- what would move a deck ----------------------------------------------------------------------


def nearest_hundredth(ahead: np.ndarray, behind: np.ndarray, weights: np.ndarray) -> dict[int, float]:
    """Count -> the hundredth nearest to its weight at which the deck behind is before the other, tried one by one."""
    out = {}
    for k in range(len(weights)):
        best = None
        for x in np.arange(101) / 100:
            rest = np.delete(weights, k)
            tried = np.insert(rest / rest.sum() * (1 - x), k, x)
            if (behind - ahead) @ tried > 1e-9 and (best is None or abs(x - weights[k]) < abs(best - weights[k])):
                best = float(x)
        if best is not None:
            out[k] = best
    return out


@pytest.mark.basis("derived", "every hundredth of every weight tried, the others in proportion")
def test_the_weight_named_is_the_one_that_must_move_least():
    frame, settings = decks(60, seed=3), RankSettings()
    scale = worth(frame, settings)
    ranked = rank_decks(frame, settings)
    order = ranked["rank"].to_numpy().argsort()
    told = 0
    for first, second in itertools.pairwise(order):
        said = ranked["reason"].iloc[second]
        name = re.escape(frame["deck_id"].iloc[first])
        tries = nearest_hundredth(scale.values[first], scale.values[second], scale.weights)
        if found := re.search(rf"Before {name} if (\w+) weighed ([\d.]+) \(now ([\d.]+)\)\.$", said):
            k = scale.names.index(found[1])
            assert float(found[2]) == pytest.approx(tries[k]), said
            assert float(found[3]) == pytest.approx(scale.weights[k])
            least = min(abs(x - scale.weights[i]) for i, x in tries.items())
            assert abs(tries[k] - scale.weights[k]) == pytest.approx(least), said
            told += 1
        else:
            assert f"No one weight puts it before {frame['deck_id'].iloc[first]}" in said
            assert not tries
    assert told > 30
    top = re.search(r"Behind (D\d+) if (\w+) weighed ([\d.]+) \(now", ranked["reason"].iloc[order[0]])
    assert top is not None
    assert top[1] == frame["deck_id"].iloc[order[1]]
    tries = nearest_hundredth(scale.values[order[0]], scale.values[order[1]], scale.weights)
    assert float(top[3]) == pytest.approx(tries[scale.names.index(top[2])])


def test_the_first_deck_says_where_no_weight_would_move_it():
    said = rank_decks(alternatives([[0.9, 0.9, 0.9], [0.5, 0.5, 0.5]]), straight())["reason"]
    assert said.iloc[0].endswith("No one weight puts B before it.")
    level = rank_decks(alternatives([[0.5, 0.5, 0.5], [0.5, 0.5, 0.5]]), straight())["reason"]
    assert level.iloc[0].endswith("Level with B, and before it by its number only.")
    assert level.iloc[1].endswith("Level with A, which is before it by its number only.")


@pytest.mark.basis(
    "derived", "share 45, growth 30, traffic 25 points; A's lead over 45, added to the share, must be under 1"
)
def test_the_share_that_would_do_is_told_where_there_is_one():
    # A leads by 30 x .01 + 25 x .02 = .8 points beside the share; B needs .8 / 45 more than A's .06: 7.78 %, rounded up
    said = rank_decks(alternatives([[0.06, 0.6, 0.6], [0.06, 0.59, 0.58]]), straight())["reason"].iloc[1]
    assert said.endswith("No one weight puts it before A; 7.8 % expected unsound would.")
    # by 5.5 points here: .95 and 5.5 / 45 is more than there is
    said = rank_decks(alternatives([[0.95, 0.6, 0.6], [0.6, 0.5, 0.5]]), straight())["reason"].iloc[1]
    assert said.endswith("No one weight puts it before A.")
    no_share = straight(weight_share=0.0, weight_growth=0.5, weight_traffic=0.5)
    said = rank_decks(alternatives([[0.6, 0.6, 0.6], [0.6, 0.5, 0.5]]), no_share)["reason"].iloc[1]
    assert said.endswith("No one weight puts it before A.")


@pytest.mark.basis("derived", "closeness of (1, 0, 0) and of (0, 1, 0) with weights .5, .3, .2 worked by hand")
def test_by_distance_the_points_between_two_decks_are_told():
    settings = straight(weight_share=0.5, weight_growth=0.3, weight_traffic=0.2, by="distance")
    said = rank_decks(alternatives([[1, 0, 0], [0, 1, 0]]), settings)["reason"]
    # .5 / (.5 + sqrt(.09 + .04)) = .5810; .3 / (.3 + sqrt(.25 + .04)) = .3577
    assert said.iloc[0].endswith("22.3 points before B.")
    assert said.iloc[1].endswith("22.3 points behind A.")


def test_a_turn_lies_between_nothing_and_all_of_the_weight():
    # the lead on the first count is -1/3 of that on the others: level where it weighs 3/4, or 1/4 for the other way
    got = turning_weights(np.array([0.2, 0.6]), np.array([0.3, 0.3]), np.array([0.4, 0.6]))
    assert got == pytest.approx([0.75, 0.25])
    # level at a weight of 0 exactly, and of 1 exactly
    assert turning_weights(np.array([0.9, 0.4]), np.array([0.1, 0.4]), np.array([0.5, 0.5])) == pytest.approx(
        [0.0, 1.0]
    )
    assert np.isnan(turning_weights(np.array([0.9, 0.8]), np.array([0.1, 0.4]), np.array([0.5, 0.5]))).all()
    # a count that weighs all there is: the others share what is taken from it alike
    got = turning_weights(np.array([0.9, 0.1, 0.3]), np.array([0.5, 0.4, 0.8]), np.array([1.0, 0.0, 0.0]))
    assert got[0] == pytest.approx(0.5)  # .4 x = .4 (1 - x), of which .3 and .5 are the leads of the others


def test_one_deck_and_none_have_nothing_to_move_past():
    assert rank_decks(alternatives([[0.5, 0.5, 0.5]]), straight())["reason"].iloc[0].endswith("2024.")
    assert rank_decks(alternatives([[0.5, 0.5, 0.5]]).iloc[:0], replace(straight())).empty

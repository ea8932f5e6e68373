"""Repair limits worked by hand: what each holds, how deep it goes, what it costs."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import affinity

from decknet.measure import limits as limits_module
from decknet.measure import limits_cost, repair_limits
from decknet.settings import LimitSettings
from tests.frames import records
from tests.measure.test_limits import PLAIN, areas, decks_of, random_deck


@pytest.mark.parametrize("at_once", [1, 7, 30])
def test_decks_taken_a_few_at_a_time_give_the_same(monkeypatch, at_once):
    made = [random_deck(seed) for seed in range(5)]
    decks = pd.concat([deck.assign(deck_id=f"d{n}") for n, (deck, _, _) in enumerate(made)], ignore_index=True)
    found = pd.concat([one.assign(deck_id=f"d{n}") for n, (_, one, _) in enumerate(made)])
    want = repair_limits(found, decks, PLAIN)
    monkeypatch.setattr(limits_module, "_AT_ONCE", at_once)
    pd.testing.assert_frame_equal(repair_limits(found, decks, PLAIN).drop(columns="shape"), want.drop(columns="shape"))


@pytest.mark.basis("derived", "area, saw cut and set-up at prices of 2, 5, 3 and 7; by hand")
def test_cost_of_each_limit_by_hand():
    limits = pd.DataFrame(
        {"depth_class": ["partial", "full"], "area_m2": [10.0, 4.0], "saw_cut_m": [6.0, 8.0]}, index=[4, 9]
    )
    settings = LimitSettings(partial_per_m2=2.0, full_per_m2=5.0, saw_per_m=3.0, set_up=7.0)
    got = limits_cost(limits, settings)
    assert got.tolist() == [20 + 18 + 7, 20 + 24 + 7]
    assert got.index.tolist() == [4, 9]
    assert got.name == "cost"


def test_numbers_run_by_deck_and_what_a_limit_holds_is_told():
    decks = records(
        "deck", deck_id=["b", "a"], bridge_id=["x", "x"], length_m=[40.0, 40.0], width_m=[10.0, 10.0],
        slab_mm=[180.0, None], cover_mm=[None, 40.0],
    )  # fmt: skip
    found = pd.concat(
        [
            areas([shapely.box(20, 0, 21, 1), shapely.box(5, 3, 6, 4), shapely.box(5, -4, 6, -3)],
                  ["hole", "spall", "failed patch"], [np.nan, 30.0, 95.0], deck_id="a"),
            areas([shapely.box(8, 0, 9, 1), shapely.box(8.2, 0.2, 8.4, 0.4)], ["delamination", "spall"],
                  [np.nan, 70.0], deck_id="b"),
            areas([shapely.box(30, 0, 31, 1)], "hole", deck_id="b"),
        ]
    )  # fmt: skip
    got = repair_limits(found, decks, PLAIN)
    assert got["deck_id"].tolist() == ["a", "a", "a", "b", "b"]
    assert got["number"].tolist() == [1, 2, 3, 1, 2]
    assert got["from_station_m"].tolist() == pytest.approx([4.9, 4.9, 19.9, 7.9, 29.9])
    assert got["from_offset_m"].tolist() == pytest.approx([-4.1, 2.9, -0.1, -0.1, -0.1])
    assert got["kinds"].tolist() == ["failed patch", "spall", "hole", "delamination, spall", "hole"]
    # 40 mm cover, 16 mm bar, 20 mm clear; 95 mm as measured; the slab of the settings; 50 mm cover of the settings
    assert got["depth_mm"].tolist() == [95.0, 50.0, 200.0, 86.0, 180.0]
    assert got["depth_class"].tolist() == ["partial", "partial", "full", "partial", "full"]
    assert got["unsound_m2"].tolist() == pytest.approx([1.0] * 5)
    assert got["area_m2"].tolist() == pytest.approx([1.44] * 5)
    assert got["saw_cut_m"].tolist() == pytest.approx([4.8] * 5)
    assert got["outside_m2"].tolist() == [0.0] * 5


@pytest.mark.basis("derived", "an L of 8 x 1 and 1 x 5 m: cut in two it saves 7 x 4 m2 of sound concrete; by hand")
def test_a_corner_is_cut_in_two_only_where_that_pays():
    shape = shapely.union_all([shapely.box(5, -3, 13, -2), shapely.box(5, -3, 6, 2)])
    settings = LimitSettings(margin_mm=50.0, saw_per_m=0.0, partial_per_m2=100.0)
    for set_up, limits in ((500.0, 2), (2700.0, 1), (2900.0, 1)):
        got = repair_limits(areas([shape]), decks_of(), dataclasses.replace(settings, set_up=set_up))
        assert len(got) == limits
    turned = affinity.rotate(shape, 90, origin=(5, -3))
    moved = affinity.translate(turned, 8, 0.5)
    got = repair_limits(areas([moved]), decks_of(40.0, 20.0), dataclasses.replace(settings, set_up=500.0))
    assert len(got) == 2
    assert got["area_m2"].sum() == pytest.approx(1.1 * 8.1 + 1.1 * 4.0)
    assert got["saw_cut_m"].sum() == pytest.approx(2 * (8.1 + 5.1))
    assert got["unsound_m2"].sum() == pytest.approx(12.0)


@pytest.mark.basis("derived", "half of the rectangle round both lies past the skewed end; prices by hand")
def test_at_a_skewed_end_one_limit_may_beat_two_and_the_next_panel_is_left_as_it_is():
    outline = shapely.Polygon([(0, -5), (60, -5), (70, 5), (10, 5)])  # ends run 1 m up-station a metre
    deck = decks_of(70.0, 10.0, outline=[outline], joints_m=["30 45"])
    settings = LimitSettings(partial_per_m2=10.0, full_per_m2=10.0, saw_per_m=0.0, set_up=600.0)
    end = [shapely.box(1, -4.6, 2, -4), shapely.box(9.5, 3.6, 10.5, 4.2)]
    beyond = [shapely.box(33, 0, 34, 1), shapely.box(52, 0, 53, 1)]
    alone = repair_limits(areas(end), deck, settings)
    assert len(alone) == 1
    both = alone.iloc[0]
    rectangle = both["length_m"] * both["width_m"]
    assert rectangle * 10 > 600 > both["area_m2"] * 10  # it pays only because what lies past the end costs nothing
    assert both["area_m2"] + both["outside_m2"] == pytest.approx(rectangle)
    together = repair_limits(areas([*beyond, *end]), deck, settings)
    assert len(together) == 3
    columns = ["from_station_m", "to_station_m", "from_offset_m", "to_offset_m", "area_m2", "unsound_m2"]
    np.testing.assert_allclose(together.loc[0, columns].astype(float), both[columns].astype(float))
    assert together["from_station_m"].tolist()[1:] == pytest.approx([32.9, 51.9])
    assert together["area_m2"].tolist()[1:] == pytest.approx([1.44, 1.44])
    assert together["unsound_m2"].tolist() == pytest.approx([1.2, 1.0, 1.0])


def test_a_hole_the_margin_away_is_not_told_of_the_limit_beside_it():
    found = areas([shapely.box(5, -1, 11, 1), shapely.box(7.5, -0.3, 8.0, 0.3)], ["delamination", "hole"])
    got = repair_limits(found, decks_of(), LimitSettings(margin_mm=100.0))
    assert got["from_station_m"].tolist() == pytest.approx([4.9, 7.4, 8.1])
    assert got["depth_class"].tolist() == ["partial", "full", "partial"]
    assert got["kinds"].tolist() == ["delamination", "delamination, hole", "delamination"]
    assert got["unsound_m2"].sum() == pytest.approx(12.0)

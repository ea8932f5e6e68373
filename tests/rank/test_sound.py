"""Which decks to sound next."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from decknet.rank import rank_decks, sound_next, sounding_due
from decknet.rank.sound import expected_gain
from decknet.settings import GrowthSettings, RankSettings, SoundingSettings
from tests.frames import records
from tests.rank.decks import decks

TODAY = date(2026, 11, 25)
NO_REPAIRS = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])


@pytest.mark.basis("derived", "draws of the mean after a sounding: mean of the better choice less the better mean")
@pytest.mark.parametrize(("mean", "moved"), [(52.0, 8.0), (41.0, 8.0), (50.0, 3.0)])
def test_the_gain_agrees_with_draws(mean, moved):
    after = np.random.default_rng(1).normal(mean, moved, 2_000_000)
    by_draws = np.maximum(after, 50.0).mean() - max(mean, 50.0)
    assert expected_gain(np.array([mean]), 50.0, np.array([moved]))[0] == pytest.approx(by_draws, abs=0.02)


def test_nothing_is_gained_where_nothing_can_move():
    assert expected_gain(np.array([50.0, 90.0]), 50.0, np.array([0.0, 1.0])).tolist() == pytest.approx([0.0, 0.0])


def _ready(frame):
    frame = frame.merge(rank_decks(frame, RankSettings()), on="deck_id")
    due = sounding_due(frame, NO_REPAIRS, today=TODAY, settings=SoundingSettings())
    return frame.assign(sound_due=due["sound_due"].array)


def _next(frame, **changes):
    return sound_next(
        _ready(frame), today=TODAY, rank=RankSettings(**changes), sounding=SoundingSettings(), growth=GrowthSettings()
    )


def test_doubt_near_the_last_place_is_worth_most():
    frame = _ready(decks(200))
    got = sound_next(
        frame, today=TODAY, rank=RankSettings(), sounding=SoundingSettings(), growth=GrowthSettings()
    ).set_index("deck_id")
    ranks = frame.set_index("deck_id")["rank"].loc[got.index]
    assert (ranks.iloc[:10] - 20).abs().median() < 15
    assert (got["gain"] >= 0).all()
    assert got["gain"].loc[ranks.index[ranks > 150]].max() < 0.01 * got["gain"].max()


def test_without_doubt_or_with_room_for_all_nothing_is_gained():
    assert (_next(decks(50, spread=0.0))["gain"] == 0).all()
    assert (_next(decks(50), first=50)["gain"] == 0).all()


@pytest.mark.basis("derived", "1,000 m2 at 250 m2 an hour, and an hour for each of two lanes: 6 lane-hours")
def test_hours_of_closure_by_hand():
    got = _next(decks(30).assign(area_m2=1000.0, lanes=2))
    assert got["closure_h"].tolist() == [6.0] * 30
    assert got["gain_per_h"].to_numpy() == pytest.approx(got["gain"].to_numpy() / 6)
    assert got["gain_per_h"].is_monotonic_decreasing


def test_unknown_area_and_lanes_are_taken_from_the_middle():
    frame = decks(30).assign(area_m2=1000.0, lanes=2)
    frame.loc[3, ["area_m2", "lanes"]] = np.nan
    assert _next(frame)["closure_h"].tolist() == [6.0] * 30


@pytest.mark.basis("derived", "10 % asks for 3 years, 2 points a year for 3, clean for 8: the shortest counts")
def test_the_interval_is_the_shortest_that_anything_asks_for():
    frame = decks(3).assign(
        share_now=[0.10, 0.0, 0.0], growth_per_yr=[0.0, 0.03, 0.0], aadt=0.0, survey_date=pd.Timestamp("2024-01-01")
    )
    got = sounding_due(frame, NO_REPAIRS, today=TODAY, settings=SoundingSettings())
    assert got["interval_yr"].tolist() == [3.0, 2.5, 8.0]
    assert got["asked_by"].tolist() == ["share", "growth", "share"]
    assert got["sound_due"].dt.strftime("%Y-%m-%d").tolist() == ["2027-01-01", "2026-07-02", "2032-01-01"]


def test_an_overlay_begins_the_interval_anew_and_a_patch_does_not():
    frame = decks(3).assign(share_now=0.10, growth_per_yr=0.0, survey_date=pd.Timestamp("2020-01-01"))
    repairs = records(
        "repair", repair_id=["a", "b"], deck_id=["D0000", "D0001"], repair_date=[pd.Timestamp("2025-01-01")] * 2,
        treatment=["rigid overlay", "patch"],
    )  # fmt: skip
    got = sounding_due(frame, repairs, today=TODAY, settings=SoundingSettings())["sound_due"]
    assert got.dt.year.tolist() == [2028, 2023, 2023]


def test_a_deck_never_sounded_is_due_today_and_overdue_is_counted_in_years():
    frame = decks(3).assign(share_now=0.10, growth_per_yr=0.0)
    frame["survey_date"] = pd.to_datetime([pd.NaT, "2022-11-25", "2026-05-12"])
    got = _next(frame).set_index("deck_id").sort_index()
    assert got["sound_due"].iloc[0] == pd.Timestamp(TODAY)
    assert got["overdue_yr"].tolist() == pytest.approx([0.0, 1.0, 0.0], abs=0.01)
    assert got["why"].iloc[0].startswith("never sounded")
    assert got["why"].iloc[1].startswith("overdue by 1.0 years")


def test_order_of_rows_changes_nothing():
    frame = decks(120)
    mixed = frame.sample(frac=1, random_state=1).reset_index(drop=True)
    pd.testing.assert_frame_equal(_next(frame), _next(mixed))

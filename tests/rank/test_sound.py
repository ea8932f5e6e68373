"""When decks are to be sounded again, and how long that takes."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from decknet.rank import overdue, sounding_due
from decknet.rank.sound import closure_hours
from decknet.settings import SoundingSettings
from tests.frames import records
from tests.rank.decks import decks

TODAY = date(2026, 11, 25)
NO_REPAIRS = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])


@pytest.mark.basis("derived", "1,000 m2 at 250 m2 an hour, and an hour for each of two lanes: 6 lane-hours")
def test_hours_of_closure_by_hand():
    got = closure_hours(pd.Series([1000.0] * 3), pd.Series([2.0, np.nan, 0.0]), SoundingSettings())
    assert got.tolist() == [6.0] * 3


@pytest.mark.basis("derived", "500 and 1,000 m2 known: 750 in the middle; lanes not known count as two, and so do none")
def test_area_and_lanes_not_known():
    pace = SoundingSettings(m2_per_h=200.0, set_up_h=1.5)
    got = closure_hours(pd.Series([500.0, np.nan, 1_000.0]), pd.Series([np.nan, 0.0, 1.0]), pace)
    assert got.tolist() == [3 + 2.5, 3 + 3.75, 1.5 + 5.0]
    assert closure_hours(pd.Series([np.nan] * 2), pd.Series([np.nan] * 2), pace).tolist() == [3 + 1 / 200] * 2


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


@pytest.mark.basis("derived", "10 % asks for a survey after 3 years: 2022-11-25 was due on 2025-11-25")
def test_a_deck_never_sounded_is_due_today_and_overdue_is_counted_in_years():
    frame = decks(3).assign(share_now=0.10, growth_per_yr=0.0)
    frame["survey_date"] = pd.to_datetime([pd.NaT, "2022-11-25", "2026-05-12"])
    due = sounding_due(frame, NO_REPAIRS, today=TODAY, settings=SoundingSettings())
    frame = frame.assign(sound_due=due["sound_due"].array)
    got = overdue(frame, today=TODAY, settings=SoundingSettings())
    assert got["deck_id"].tolist() == ["D0001", "D0000", "D0002"]
    assert got["overdue_yr"].tolist() == pytest.approx([1.0, 0.0, 0.0], abs=0.01)
    assert got["why"].tolist() == ["overdue by 1.0 years", "never sounded", "not due yet"]
    mixed = overdue(frame.iloc[::-1], today=TODAY, settings=SoundingSettings())
    pd.testing.assert_frame_equal(got, mixed)


@pytest.mark.basis("derived", "731 and 365 days by 365.25; ties by number")
def test_the_most_overdue_come_first():
    frame = decks(3).assign(survey_date=pd.Timestamp("2020-01-01"))
    frame["sound_due"] = pd.to_datetime(["2026-11-25", "2025-11-25", "2024-11-24"])
    got = overdue(frame, today=TODAY, settings=SoundingSettings())
    assert got["deck_id"].tolist() == ["D0002", "D0001", "D0000"]
    assert got["overdue_yr"].tolist() == pytest.approx([731 / 365.25, 365 / 365.25, 0.0])
    assert overdue(frame.assign(sound_due=pd.Timestamp("2028-01-01")), today=TODAY, settings=SoundingSettings())[
        "deck_id"
    ].tolist() == ["D0000", "D0001", "D0002"]


@pytest.mark.basis("derived", "lanes that are not on record count as two")
def test_overdue_soundings_of_decks_whose_lanes_are_not_on_record():
    frame = decks(3).assign(sound_due=pd.Timestamp("2026-01-01"), survey_date=pd.Timestamp("2020-01-01"), lanes=2)
    without = overdue(frame.drop(columns="lanes"), today=TODAY, settings=SoundingSettings())
    pd.testing.assert_frame_equal(without, overdue(frame, today=TODAY, settings=SoundingSettings()))
    assert without["why"].str.startswith("overdue by ").all()
    never = overdue(frame.assign(survey_date=pd.NaT), today=TODAY, settings=SoundingSettings())
    assert (never["why"] == "never sounded").all()
    assert (never["overdue_yr"] > 0).all()
    assert set(overdue(frame.assign(lanes=4), today=TODAY, settings=SoundingSettings())["closure_h"]) == {
        h + 2 for h in without["closure_h"]
    }

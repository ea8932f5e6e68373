"""What one more sounding is worth, worked by hand for three decks; when it is due; and how it is told."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from decknet.rank import sound_next, sounding_due
from decknet.rank.sound import expected_gain
from decknet.settings import GrowthSettings, RankSettings, SoundingSettings
from tests.frames import records
from tests.rank.decks import alternatives, straight

TODAY = date(2026, 11, 25)
POINT = 6e-7  # points gained are kept to six decimals: half a unit


@pytest.mark.basis(
    "derived", "the better of two after the sounding less the better before, integrated over its outcomes"
)
@pytest.mark.parametrize(
    ("mean", "moved"), [(52.0, 8.0), (41.0, 8.0), (50.0, 3.0), (50.5, 0.2), (61.0, 3.0), (44.0, 2.0)]
)
def test_the_gain_is_the_integral_over_all_outcomes(mean, moved):
    def better(after: float) -> float:
        return max(after, 50.0) * norm.pdf(after, mean, moved)

    reach = (mean - 12 * moved, mean + 12 * moved)
    expected = quad(better, *reach, points=[min(max(50.0, reach[0]), reach[1])], epsabs=1e-12)[0] - max(mean, 50.0)
    assert expected_gain(np.array([mean]), 50.0, np.array([moved]))[0] == pytest.approx(expected, abs=POINT)


def three(**columns: object) -> pd.DataFrame:
    """Three decks of 40, 30 and 20 points, of which the share of the first two is in doubt."""
    base = {
        "priority": [40.0, 30.0, 20.0], "share_low": [0.20, 0.25, 0.10], "share_high": [0.40, 0.35, 0.10],
        "area_m2": [500.0, 1_000.0, 750.0], "lanes": [2.0, 3.0, 2.0], "sound_due": pd.Timestamp(TODAY),
    }  # fmt: skip
    return alternatives([[0.30, 0.1, 0.1], [0.30, 0.1, 0.1], [0.10, 0.1, 0.1]]).assign(**(base | columns))


def asked(frame: pd.DataFrame, first: int = 1) -> pd.DataFrame:
    return sound_next(
        frame,
        today=TODAY,
        rank=straight(first=first, weight_share=0.5, weight_growth=0.3, weight_traffic=0.2),
        sounding=SoundingSettings(m2_per_h=200.0, set_up_h=1.5),
        growth=GrowthSettings(survey_cv=0.3, survey_floor=0.05),
    ).set_index("deck_id")


@pytest.mark.basis(
    "derived",
    "threshold 35; doubt 50 (high - low) / 2; s = (high - low) / 2 / 1.28155; e = hypot(.3 x .3, .05); the share's "
    "part of its doubt may move by s / hypot(s, e); gain by the unit normal loss; 1.5 h a lane and 200 m2 an hour",
)
def test_what_a_sounding_is_worth_by_hand():
    got = asked(three())
    for deck, half, priority, area, lanes in (("A", 0.10, 40.0, 500.0, 2), ("B", 0.05, 30.0, 1_000.0, 3)):
        s, e = half / 1.2815516, np.hypot(0.3 * 0.30, 0.05)
        moved = 50 * half / 1.2815516 * s / np.hypot(s, e)
        u = abs(priority - 35.0) / moved
        points = moved * (norm.pdf(u) - u * norm.cdf(-u))
        assert got.loc[deck, "doubt"] == pytest.approx(50 * half)
        gain, hours, near = points / 100 * area, 1.5 * lanes + area / 200, POINT / 100 * area
        assert got.loc[deck, "gain"] == pytest.approx(gain, abs=near)
        assert got.loc[deck, "closure_h"] == pytest.approx(hours)
        assert got.loc[deck, "gain_per_h"] == pytest.approx(gain / hours, abs=near / hours)
    assert got.loc["C", ["doubt", "gain", "gain_per_h"]].tolist() == [0.0, 0.0, 0.0]


def test_a_clean_deck_of_which_nothing_is_in_doubt_gains_nothing_however_exact_a_survey_is():
    frame = three(
        share_now=[0.0, 0.3, 0.1], share_low=[0.0, 0.25, 0.1], share_high=[0.0, 0.35, 0.1], priority=[40.0, 39.0, 20.0]
    )  # fmt: skip
    got = sound_next(
        frame, today=TODAY, rank=straight(first=1), sounding=SoundingSettings(),
        growth=GrowthSettings(survey_cv=0.3, survey_floor=0.0),
    ).set_index("deck_id")  # fmt: skip
    assert got.loc["A", ["doubt", "gain"]].tolist() == [0.0, 0.0]
    assert got.loc["B", "gain"] > 0


def test_one_end_that_is_missing_is_taken_as_the_share_itself():
    got = asked(three(share_low=[np.nan, 0.25, 0.10], share_high=[0.40, np.nan, 0.10]))
    assert got["doubt"].loc[["A", "B", "C"]].tolist() == pytest.approx([50 * 0.10 / 2, 50 * 0.05 / 2, 0.0])


@pytest.mark.basis(
    "derived", "the first two of three: 25 lies midway between 30 and 20; with room for all, no threshold"
)
def test_the_threshold_lies_midway_between_the_last_in_and_the_next():
    got = asked(three(), first=2)
    assert got.loc["A", "why"].endswith(
        "its share is in doubt by 5.0 points either way, and place 2 lies 15.0 points below it"
    )
    assert got.loc["B", "why"].endswith("2.5 points either way, and place 2 lies 5.0 points below it")
    assert got.loc["C", "why"].endswith(" points either way, and place 2 lies 5.0 points above it")
    at = asked(three(priority=[40.0, 25.0, 10.0]), first=1)
    assert at.loc["B", "why"].endswith("place 1 lies 7.5 points above it")
    level = asked(three(priority=[30.0, 30.0, 10.0]), first=1)
    assert level.loc["A", "why"].endswith(" points below it")
    for first in (3, 4):
        with_room = asked(three(), first=first)
        assert (with_room["gain"] == 0).all()
        assert with_room["why"].tolist() == ["not overdue"] * 3


@pytest.mark.basis("derived", "500 and 1,000 m2 known: 750 in the middle; lanes not known count as two, and so do none")
def test_area_and_lanes_not_known():
    got = asked(three(area_m2=[500.0, np.nan, 1_000.0], lanes=[np.nan, 0.0, 1.0]))
    assert got["closure_h"].loc[["A", "B", "C"]].tolist() == [3 + 2.5, 3 + 3.75, 1.5 + 5.0]
    none = asked(three(area_m2=[np.nan] * 3).drop(columns="lanes"))
    assert none["closure_h"].tolist() == [3 + 1 / 200] * 3


@pytest.mark.basis("derived", "days overdue by 365.25; nothing in doubt: the most overdue first, then by number")
def test_where_nothing_is_gained_the_most_overdue_come_first():
    due = pd.to_datetime(["2026-11-25", "2025-11-25", "2024-11-24"])
    sure = three(sound_due=due, share_low=[0.3, 0.3, 0.1], share_high=[0.3, 0.3, 0.1])
    got = asked(sure)
    assert got.index.tolist() == ["C", "B", "A"]
    assert got["overdue_yr"].tolist() == pytest.approx([731 / 365.25, 365 / 365.25, 0.0])
    said = [words.split(";")[0] for words in got["why"]]
    assert said == ["overdue by 2.0 years", "overdue by 1.0 years", "not overdue"]
    later = asked(sure.assign(sound_due=pd.Timestamp("2028-01-01")))
    assert later.index.tolist() == ["A", "B", "C"]
    assert later["overdue_yr"].tolist() == [0.0] * 3
    never = asked(sure.assign(survey_date=pd.to_datetime([None, "2020-01-01", "2020-01-01"])))
    assert never.loc["A", "why"].startswith("never sounded; its share")
    assert got["survey_date"].notna().all()


# ---- when it is due ----------------------------------------------------------------------------------


def due(**columns: object) -> pd.Series:
    frame = alternatives([[0.0, 0.0, 0.0]]).assign(**columns)
    repairs = records(
        "repair", repair_id=["a", "b"], deck_id=["A", "A"], treatment=["rigid overlay", "new deck"],
        repair_date=pd.to_datetime(["2010-03-01", "2021-03-01"]),
    )  # fmt: skip
    got = sounding_due(frame, repairs, today=TODAY, settings=SoundingSettings())
    assert len(got) == 1
    return got.iloc[0]


@pytest.mark.basis("derived", "intervals read off their curves: straight between the points, the shortest counts")
@pytest.mark.parametrize(
    ("columns", "years", "asked_by"),
    [
        ({"share_now": 0.06}, 4.0, "share"),
        ({"share_now": 0.9}, 1.0, "share"),
        ({"growth_per_yr": 0.03}, 2.5, "growth"),
        ({"aadt": 6_000.0}, 6.5, "traffic"),
        ({"aadt": 6_000.0, "share_now": 0.01}, 6.5, "traffic"),  # both ask for 6.5; the share's own is 6.5 too
    ],
)
def test_the_interval_and_what_asks_for_it(columns, years, asked_by):
    got = due(**columns)
    assert got["interval_yr"] == pytest.approx(years)
    assert got["asked_by"] in ((asked_by,) if len(columns) == 1 else ("share", "traffic"))


@pytest.mark.basis(
    "derived", "eight years of 365.25 days are 2,922 days from the survey or the last renewal, whichever later"
)
@pytest.mark.parametrize(
    ("surveyed", "when"),
    [("2020-01-01", "2029-03-01"), ("2022-06-01", "2030-06-01"), ("2021-03-01", "2029-03-01"), (None, "2029-03-01")],
)
def test_a_renewal_after_the_survey_begins_the_interval_anew(surveyed, when):
    assert due(survey_date=pd.Timestamp(surveyed) if surveyed else pd.NaT)["sound_due"] == pd.Timestamp(when)


@pytest.mark.basis("derived", "6.5 years of 365.25 days are 2,374 days")
def test_a_part_of_a_year_is_counted_in_whole_days():
    got = due(survey_date=pd.Timestamp("2022-01-01"), aadt=6_000.0)
    assert got["sound_due"] == pd.Timestamp("2022-01-01") + pd.Timedelta(days=2_374)
    assert RankSettings().first == 20

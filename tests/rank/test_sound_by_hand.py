"""When a sounding is due, worked by hand."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from decknet.rank import sounding_due
from decknet.settings import SoundingSettings
from tests.frames import records
from tests.rank.decks import alternatives

TODAY = date(2026, 11, 25)


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

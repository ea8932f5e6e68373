"""Overbreak is a ratio estimator: the sum broken out over the sum found."""

from __future__ import annotations

import pandas as pd
import pytest

from decknet.schedule import overbreak, overbreak_found

# The first ten of the 49 cities: inhabitants in 1920 and in 1930, thousands.
CITIES_1920 = (138, 93, 61, 179, 48, 37, 29, 23, 30, 2)
CITIES_1930 = (143, 104, 69, 260, 75, 63, 50, 48, 111, 50)


def _jobs(found, broken):
    names = [f"d{n}" for n in range(len(found))]
    day = pd.Timestamp("2020-06-01")
    shares = pd.DataFrame(
        {"deck_id": names, "survey_date": day, "unsound_m2": [float(v) for v in found], "covered_share": 1.0}
    )
    repairs = pd.DataFrame(
        {
            "deck_id": names,
            "repair_date": day + pd.Timedelta(days=100),
            "treatment": "patch",
            "area_m2": [float(v) for v in broken],
        }
    )
    return repairs, shares, pd.DataFrame({"deck_id": names})


@pytest.mark.basis(
    "memory", "Cochran (1977), Sampling Techniques, ch. 6: the first ten of 49 cities, ratio 973 / 640 = 1.5203125"
)
def test_overbreak_is_the_ratio_of_the_sums(monkeypatch):
    # Cities grew as no repair does; the bounds on what is taken for one job are set aside for them.
    monkeypatch.setattr(overbreak, "HIGH", 30.0)
    assert overbreak_found(*_jobs(CITIES_1920, CITIES_1930), least=10) == (pytest.approx(1.5203125, abs=5e-8), 10)


@pytest.mark.basis("derived", "the eight cities that grew threefold at most: 812 / 608")
def test_a_job_far_larger_than_what_was_found_is_another_job():
    assert overbreak_found(*_jobs(CITIES_1920, CITIES_1930), least=8) == (pytest.approx(812 / 608), 8)

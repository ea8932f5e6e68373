"""What a deck may get: depth of what is unsound, age of the deck and of an overlay on it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import deck_figures, make_programme, work_out
from decknet.settings import Settings
from tests.schedule.plain import plain

NAMES = list(Settings().treatment)


def permitted(settings: Settings, drawn: pd.DataFrame | None = None, years: int = 1, **columns) -> list[set[str]]:
    """Treatments that one deck may get, year by year."""
    frame = pd.DataFrame({"deck_id": ["A"], "area_m2": [500.0], "growth_per_yr": [0.0]} | columns)
    fits = work_out(deck_figures(frame, settings, drawn, first_year=2027), NAMES, years, settings).permitted[0]
    return [{name for name, yes in zip(NAMES, fits[:, y], strict=True) if yes} for y in range(years)]


def drawn(**columns: list[float]) -> pd.DataFrame:
    none = {"repair_m2": [float("nan")], "saw_cut_m": [float("nan")]}
    return pd.DataFrame({"deck_id": ["A"]} | none | columns)


@pytest.mark.basis("memory", "limits on the soffit of a deck matrix: 2 % under a thin overlay, 25 % under others")
@pytest.mark.parametrize(
    ("share", "full_part", "fits"),
    [
        (0.08, 0.0, {"patch", "patch and seal", "thin overlay", "rigid overlay"}),
        (0.08, 0.20, {"patch", "patch and seal", "thin overlay", "rigid overlay"}),  # 1.6 % to full depth
        (0.08, 0.30, {"patch", "patch and seal", "rigid overlay"}),  # 2.4 %
        (0.30, 0.50, {"rigid overlay", "new deck"}),  # 15 %
        (0.30, 0.90, {"new deck"}),  # 27 %
    ],
)
def test_how_much_is_unsound_to_full_depth_rules_treatments_out(share, full_part, fits):
    assert permitted(plain(), drawn(full_part=[full_part]), share_now=[share]) == [fits]


def test_full_depth_over_a_quarter_of_the_deck_lets_a_new_deck_in_whatever_the_top_shows():
    settings = plain()
    deeper = dataclasses.replace(settings.treatment["new deck"], full_depth_from=0.05)
    changed = dataclasses.replace(settings, treatment={**settings.treatment, "new deck": deeper})
    assert "new deck" not in permitted(changed, drawn(full_part=[0.40]), share_now=[0.12])[0]
    assert "new deck" in permitted(changed, drawn(full_part=[0.45]), share_now=[0.12])[0]


def test_where_no_depth_was_drawn_it_is_not_asked():
    with_none = permitted(plain(), drawn(full_part=[float("nan")]), share_now=[0.30])
    assert with_none == permitted(plain(), None, share_now=[0.30]) == [{"rigid overlay", "new deck"}]


@pytest.mark.basis("published", "a thin overlay waits until the deck is a year old: Michigan briefing, 2016")
def test_a_deck_under_a_year_old_gets_no_thin_overlay():
    fits = permitted(plain(), None, years=2, share_now=[0.02], built_year=[2027.0])
    assert "thin overlay" not in fits[0]
    assert "thin overlay" in fits[1]
    assert "thin overlay" in permitted(plain(), None, share_now=[0.02], built_year=[None])[0]


def test_a_young_overlay_is_not_replaced_and_one_on_record_counts_as_one():
    laid = drawn(overlay_year=[2024.0])
    fits = permitted(plain(), laid, years=4, share_now=[0.12], surface_kind=["bare"])
    assert ["rigid overlay" in year for year in fits] == [False, False, True, True]
    assert not any("thin overlay" in year for year in permitted(plain(), laid, years=4, share_now=[0.05]))


def test_a_waiting_deck_says_how_much_is_unsound_to_full_depth():
    frame = pd.DataFrame({"deck_id": ["A"], "area_m2": [500.0], "growth_per_yr": [0.0], "share_now": [0.45]})
    made = make_programme(
        frame, first_year=2027, budgets=[1_000.0], settings=plain(gap=0.1), drawn=drawn(full_part=[0.8])
    )
    assert "45 % expected unsound, 36 % to full depth" in made.waiting["why"][0]
    assert np.isnan(made.waiting["enters_at"][0])  # it needs 610,000: no multiple looked at reaches that

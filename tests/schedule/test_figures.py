"""What a programme rests on: the figures of each deck, overbreak from closed repairs, and demands."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.errors import BudgetError, RecordError
from decknet.schedule import deck_figures, make_programme, overbreak_found, work_out
from decknet.schedule.demands import or_holding, urgent_decks
from decknet.settings import Settings
from tests.schedule.plain import plain

NAMES = list(Settings().treatment)
SURVEYED = pd.Timestamp("2025-05-01")


def figures(drawn: pd.DataFrame | None = None, first_year: int | None = 2027, **columns: object):
    frame = pd.DataFrame({"deck_id": ["A", "B"], "area_m2": [500.0, 800.0], "share_now": [0.1, 0.2]} | columns)
    return deck_figures(frame, Settings(), drawn, first_year=first_year)


def test_every_figure_of_a_deck_at_the_limits_of_what_can_be():
    got = figures(share_now=[0.0, 1.0], growth_per_yr=[0.0, 1.0], aadt=[0.0, 50.0], area_m2=[1e-6, 1e6])
    assert got.share.tolist() == [0.0, 1.0]
    assert got.growth_per_yr.tolist() == [0.0, 1.0]
    assert got.weight.tolist() == pytest.approx([0.05**0.4] * 2)
    assert len(got) == 2


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"area_m2": [500.0, 0.0]}, r"deck B, area_m2: 0 must be above 0\. Correct the deck's length and width"),
        ({"area_m2": [np.inf, 3.0]}, r"deck A, area_m2: inf must be above 0"),
        ({"share_now": [1.01, -0.1]}, r"deck A, share_now: 1\.01 must lie between 0 and 1 \(2 decks in all\)"),
        ({"growth_per_yr": [0.0, 1.1]}, r"deck B, growth_per_yr: 1\.1 must lie between 0 and 1\. Fit growth again"),
        ({"aadt": [np.inf, 1.0]}, r"deck A, aadt: inf must not be negative\. Correct the traffic"),
        ({"aadt": [1.0, -1.0]}, r"deck B, aadt: -1 must not be negative"),
    ],
)
def test_a_figure_out_of_range_is_named_with_how_many_there_are(columns, said):
    with pytest.raises(RecordError, match=said):
        figures(**columns)
    bare = pd.DataFrame({"area_m2": [3.0, -1.0], "share_now": [0.1, 0.1]})
    with pytest.raises(RecordError, match="deck row 2, area_m2"):
        deck_figures(bare, Settings())


@pytest.mark.parametrize(
    "surface", ["", " Bare", "bare concrete", "CONCRETE", "none", "no overlay", "sealed", "sealer", None]
)
def test_surfaces_that_are_no_overlay(surface):
    assert figures(surface_kind=[surface, "latex"]).overlaid.tolist() == [False, True]


@pytest.mark.basis("derived", "ages at the start of 2027: built 1985, overlaid 2019")
def test_ages_of_deck_and_overlay():
    laid = pd.DataFrame({"deck_id": ["B", "A"], "repair_m2": [np.nan, 7.0], "saw_cut_m": [np.nan, 9.0]})
    got = figures(laid.assign(overlay_year=[2019.0, np.nan], full_part=[0.3, np.nan]), built_year=[1985.0, None])
    assert got.deck_age[0] == 42.0
    assert np.isnan(got.deck_age[1])
    assert got.overlay_age[1] == 8.0
    assert np.isnan(got.overlay_age[0])
    assert got.overlaid.tolist() == [False, True]
    assert (got.drawn_m2[0], got.drawn_saw_m[0], got.full_part[1]) == (7.0, 9.0, 0.3)
    assert np.isnan([got.drawn_m2[1], got.drawn_saw_m[1], got.full_part[0]]).all()
    undated = figures(laid.assign(overlay_year=[2019.0, np.nan]), first_year=None, built_year=[1985.0, None])
    assert undated.deck_age is None
    assert undated.overlay_age is None
    assert undated.full_part is None
    assert undated.overlaid.tolist() == [False, True]
    second = got.part(np.array([1]))
    assert (second.area_m2.tolist(), second.share.tolist(), second.overlaid.tolist()) == ([800.0], [0.2], [True])
    assert (second.overlay_age.tolist(), second.full_part.tolist()) == ([8.0], [0.3])
    assert np.isnan([second.drawn_m2[0], second.drawn_saw_m[0], second.deck_age[0]]).all()
    assert second.roads.aadt.tolist() == [50.0]


def test_drawn_limits_that_cannot_be_are_named():
    twice = pd.DataFrame({"deck_id": ["A", "A"], "repair_m2": [1.0, 2.0], "saw_cut_m": [1.0, 2.0]})
    with pytest.raises(RecordError, match="drawn limits, deck A: stands twice"):
        figures(twice)
    below = pd.DataFrame({"deck_id": ["B", "A"], "repair_m2": [-1.0, 0.0], "saw_cut_m": [1.0, 2.0]})
    with pytest.raises(RecordError, match="drawn limits, deck B, repair_m2: must not be negative"):
        figures(below)


@pytest.mark.basis(
    "derived", "a work is permitted from the year in which deck and overlay reach the least age, not before"
)
def test_ages_are_counted_in_the_year_of_the_work():
    frame = pd.DataFrame({"deck_id": ["A"], "area_m2": [500.0], "share_now": [0.2], "growth_per_yr": 0.0})
    for laid, first in ((2021, 0), (2022, 0), (2023, 1), (2025, 3)):
        drawn = pd.DataFrame(
            {"deck_id": ["A"], "repair_m2": [np.nan], "saw_cut_m": [np.nan], "overlay_year": [float(laid)]}
        )
        decks = deck_figures(frame, plain(), drawn, first_year=2027)
        rigid = work_out(decks, NAMES, 4, plain()).permitted[0, NAMES.index("rigid overlay")]
        assert rigid.tolist() == [y >= first for y in range(4)]


# ---- overbreak ------------------------------------------------------------------------------------


def jobs(n: int, broken: float, *, days: int = 100, **changes: object):
    """So many decks surveyed once at 10 m2 unsound and patched once."""
    ids = pd.array([f"D{i}" for i in range(n)], dtype="str")
    shares = pd.DataFrame(
        {"deck_id": ids, "survey_date": [SURVEYED] * n, "unsound_m2": 10.0, "covered_share": 1.0}
    ).astype({"survey_date": "datetime64[us]"})
    repairs = pd.DataFrame(
        {
            "deck_id": ids, "repair_date": [SURVEYED + pd.Timedelta(days=days)] * n, "treatment": "patch",
            "area_m2": broken,
        }
    ).astype({"repair_date": "datetime64[us]"})  # fmt: skip
    for name, value in changes.items():
        (shares if name in shares and name != "deck_id" else repairs)[name] = value
    return repairs, shares, pd.DataFrame({"deck_id": ids})


@pytest.mark.basis("derived", "each job counts or does not by one figure at its limit")
@pytest.mark.parametrize(
    ("change", "counts"),
    [
        ({}, True),
        ({"treatment": "patch and seal"}, True),
        ({"treatment": "rigid overlay"}, False),
        ({"covered_share": 0.9}, True),
        ({"covered_share": 0.89}, False),
        ({"days": 547}, True),  # a year and a half is 547.875 days
        ({"days": 548}, False),
        ({"days": 0}, True),
        ({"days": -1}, False),
        ({"broken": 5.0}, True),
        ({"broken": 4.9}, False),
        ({"broken": 30.0}, True),
        ({"broken": 30.1}, False),
        ({"unsound_m2": 0.0}, False),
        ({"area_m2": np.nan}, False),
    ],
)
def test_what_counts_as_a_closed_job(change, counts):
    repairs, shares, decks = jobs(3, **({"broken": 13.0} | change))
    found, number = overbreak_found(repairs, shares, decks, least=1)
    assert number == (3 if counts else 0)
    assert (found is not None) == counts
    if counts:
        assert found == pytest.approx(max(repairs["area_m2"].iloc[0] / 10.0, 1.0))


@pytest.mark.basis("derived", "ratio of sums: (12 + 60) over (10 + 40), not the mean of 1.2 and 1.5")
def test_overbreak_is_a_ratio_of_sums_over_known_decks():
    repairs, shares, decks = jobs(2, 12.0)
    repairs.loc[1, "area_m2"], shares.loc[1, "unsound_m2"] = 60.0, 40.0
    assert overbreak_found(repairs, shares, decks, least=2) == (pytest.approx(1.44), 2)
    assert overbreak_found(repairs, shares, decks.iloc[:1], least=1) == (pytest.approx(1.2), 1)
    assert overbreak_found(repairs, shares, decks, least=3) == (None, 2)
    assert overbreak_found(repairs.iloc[:0], shares, decks, least=0) == (None, 0)
    assert overbreak_found(repairs, shares.iloc[:0], decks, least=0) == (None, 0)
    small = jobs(3, 0.6)
    assert overbreak_found(small[0], small[1].assign(unsound_m2=0.5), small[2], least=3) == (pytest.approx(1.2), 3)
    sound = shares.assign(unsound_m2=0.0)
    assert overbreak_found(repairs, sound, decks, least=0) == (None, 0)


def test_a_repair_belongs_to_the_last_survey_before_it():
    repairs, shares, decks = jobs(1, 13.0, days=200)
    again = shares.assign(survey_date=SURVEYED + pd.Timedelta(days=150), unsound_m2=6.5)
    after = shares.assign(survey_date=SURVEYED + pd.Timedelta(days=250), unsound_m2=1.0)
    found, number = overbreak_found(repairs, pd.concat([after, shares, again]), decks, least=1)
    assert (found, number) == (pytest.approx(2.0), 1)
    unsure = again.assign(covered_share=0.5)  # the last survey covered half the deck: the job is not counted
    assert overbreak_found(repairs, pd.concat([shares, unsure]), decks, least=1) == (None, 0)


# ---- demands ---------------------------------------------------------------------------------------


def test_urgent_words_that_say_nothing_are_none():
    frame = pd.DataFrame({"urgent": ["open hole", "", "  ", None, "x"]})
    assert urgent_decks(frame).tolist() == [True, False, False, False, True]
    assert urgent_decks(frame.drop(columns="urgent")).tolist() == [False] * 5


def test_the_holding_repair_stands_in_where_nothing_is_permitted():
    permitted = np.zeros((1, len(NAMES), 3), dtype=bool)
    permitted[0, NAMES.index("new deck"), 1] = True
    got = or_holding(permitted, NAMES)
    assert got[0, NAMES.index("patch")].tolist() == [True, False, True]
    assert got[0, NAMES.index("new deck")].tolist() == [False, True, False]
    assert got.sum() == 3
    assert permitted.sum() == 1


def small(**columns: object) -> pd.DataFrame:
    # one patch: 9,000 + 1,050 x 1.25 x .02 x 400 = 19,500
    base = {
        "deck_id": ["A", "B", "C"], "area_m2": 400.0, "share_now": 0.02, "growth_per_yr": 0.0, "aadt": 900.0,
        "surface_kind": "latex overlay",
    }  # fmt: skip
    return pd.DataFrame(base | columns)


EASY = plain(gap=0.1)


@pytest.mark.basis(
    "derived", "patches of 19,500 each, three pinned to a year of 39,000: one moved, dropped, or 19,500 more"
)
def test_pins_that_clash_by_money():
    pins = dict.fromkeys("ABC", (2027, "patch"))
    with pytest.raises(BudgetError) as clash:
        make_programme(small(), first_year=2026, budgets=[0.0, 39_000.0, 19_499.0, 19_500.0], settings=EASY, pins=pins)
    text = str(clash.value)
    assert text.startswith("pinned deck C: the pinned lines need 19,500 USD more in 2027 than there is. They are ")
    assert "A 19,500 USD, 1.7 crew days; B 19,500 USD, 1.7 crew days; C 19,500 USD, 1.7 crew days" in text
    assert text.endswith(
        "raise the limit by 19,500 USD, or take the pin of A away, or pin C to 2029, which has room for it."
    )
    made = make_programme(small(), first_year=2026, budgets=[0.0, 58_500.0], settings=EASY, pins=pins)
    assert made.years["left"].tolist() == [0.0, 0.0]


@pytest.mark.basis("derived", ".5 and 10 / 9 days a patch, 1.7 upwards: 3.4 for two; a limit of 3.0 lacks .4")
def test_pins_that_clash_by_crew_days():
    settings = plain(gap=0.1, crew_days_per_yr=3.0)
    pins = {"A": (2026, "patch"), "B": (2026, "patch")}
    with pytest.raises(BudgetError) as clash:
        make_programme(small(), first_year=2026, budgets=[90_000.0, 0.0], settings=settings, pins=pins)
    text = str(clash.value)
    assert "need 0.4 crew days more in 2026" in text
    assert "raise the limit by 0.4 crew days, or take the pin of A away." in text
    with pytest.raises(BudgetError, match="or pin B to 2027, which has room for it"):
        make_programme(small(), first_year=2026, budgets=[90_000.0] * 2, settings=settings, pins=pins)


def test_money_kept_for_an_area_is_named_in_a_clash():
    frame = small(district=["North", "South", "South"])
    with pytest.raises(
        BudgetError, match=r"need 9,500 USD more in 2026 than there is \(part of it is kept for an area\)"
    ):
        make_programme(
            frame,
            first_year=2026,
            budgets=[30_000.0],
            settings=EASY,
            pins={"A": (2026, "patch")},
            kept={"South": 20_000.0},
        )


def test_a_pin_without_a_treatment_that_is_meant_for_its_share_is_refused():
    frame = small(share_now=[0.0004, 0.02, 0.02])
    with pytest.raises(BudgetError, match=r"pinned deck A: no treatment is meant for 0\.0 % unsound in 2027"):
        make_programme(frame, first_year=2026, budgets=[90_000.0] * 2, settings=EASY, pins={"A": (2027, None)})


@pytest.mark.parametrize(("year", "fine"), [(2025, False), (2026, True), (2027, True), (2028, False)])
def test_a_pin_lies_in_a_year_of_the_programme(year, fine):
    ask = {"first_year": 2026, "budgets": [90_000.0] * 2, "settings": EASY, "pins": {"A": (year, "patch")}}
    if fine:
        assert make_programme(small(), **ask).lines.set_index("deck_id").loc["A", "year"] == year
        return
    with pytest.raises(BudgetError, match=rf"pinned deck A: {year} is no year of the programme \(2026 to 2027\)"):
        make_programme(small(), **ask)


@pytest.mark.basis("derived", "19,500 a year reaches one deck: by priority, then share, then number")
@pytest.mark.parametrize(
    ("columns", "order"),
    [
        ({"priority": [10.0, 30.0, 20.0]}, ["B", "C", "A"]),
        ({"priority": [10.0, np.nan, 10.0], "share_now": [0.02, 0.02, 0.021]}, ["C", "A", "B"]),
        ({"share_now": [0.019, 0.02, 0.021]}, ["C", "B", "A"]),
        ({}, ["A", "B", "C"]),
    ],
)
def test_decks_that_cannot_wait_are_served_by_priority_then_share_then_number(columns, order):
    frame = small(**columns).assign(urgent="open hole")
    made = make_programme(frame, first_year=2026, budgets=[21_000.0] * 3, settings=EASY)
    assert made.lines.sort_values("year")["deck_id"].tolist() == order
    assert made.lines["urgent"].all()

"""What a programme leaves behind: shares, backlog, money and lines of a few decks, added up by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import Choice, Options, Rules, deck_figures, make_programme, work_out
from decknet.schedule.lines import work_figures, years_of
from decknet.schedule.offers import Offers, Taken, two_works, works_taken
from decknet.schedule.yardsticks import end_shares, money_of, outcome, yardsticks
from decknet.schedule.yearly import shares_by_year
from decknet.settings import Settings
from tests.schedule.plain import plain

SETTINGS = plain()
NAMES = list(SETTINGS.treatment)
PATCH, RIGID = NAMES.index("patch"), NAMES.index("rigid overlay")


def decks(settings: Settings = SETTINGS, **columns: object):
    base = {
        "deck_id": ["A", "B", "C"], "area_m2": [500.0, 800.0, 1_000.0], "share_now": [0.04, 0.12, 0.30],
        "growth_per_yr": [0.01, 0.02, 0.0], "aadt": [1_000.0, 4_000.0, 9_000.0],
    }  # fmt: skip
    return deck_figures(pd.DataFrame(base | columns), settings)


def works(*rows: tuple[int, int, int, int, int, bool]) -> Taken:
    """Works of (deck, treatment, year, first year, second year or -1, whether it is the second)."""
    row, kind, year, begin, later, second = (np.array(column) for column in zip(*rows, strict=True))
    return Taken(row, kind, year, np.full(len(rows), -1), begin, later, second.astype(bool))


@pytest.mark.basis("derived", "a patch leaves a twentieth, then the deck's growth; an overlay rests six years")
def test_shares_when_each_year_is_over():
    done = works((0, PATCH, 1, 1, -1, False), (2, RIGID, 0, 0, -1, False))
    table = shares_by_year(["A", "B", "C"], decks(), done, NAMES, 2027, 3, SETTINGS)
    assert table["deck_id"].tolist() == ["A", "B", "C"] * 3
    assert table["year"].tolist() == [2027] * 3 + [2028] * 3 + [2029] * 3
    nothing = table.pivot_table(index="deck_id", columns="year", values="nothing")
    assert nothing.loc["A"].tolist() == pytest.approx([0.05, 0.06, 0.07])
    assert nothing.loc["B"].tolist() == pytest.approx([0.14, 0.16, 0.18])
    planned = table.pivot_table(index="deck_id", columns="year", values="planned")
    left = 0.05 * 0.05  # A stands at 5 % when its year begins
    assert planned.loc["A"].tolist() == pytest.approx([0.05, left + 0.01, left + 0.02])
    assert planned.loc["B"].tolist() == pytest.approx([0.14, 0.16, 0.18])
    assert planned.loc["C"].tolist() == [0.0, 0.0, 0.0]
    assert end_shares(decks(), done, NAMES, 3, SETTINGS) == pytest.approx([left + 0.02, 0.18, 0.0])


@pytest.mark.basis(
    "derived", "B patched at once: .006, then .02 a year; overlaid in year 2 at .046: nothing left, and it rests"
)
def test_a_patch_and_an_overlay_two_years_later():
    done = works((1, PATCH, 0, 0, 2, False), (1, RIGID, 2, 0, 2, True), (0, PATCH, 2, 2, -1, False))
    table = shares_by_year(["A", "B", "C"], decks(), done, NAMES, 2027, 4, SETTINGS)
    planned = table.pivot_table(index="deck_id", columns="year", values="planned")
    assert planned.loc["B"].tolist() == pytest.approx([0.026, 0.046, 0.0, 0.0])
    assert planned.loc["A"].tolist() == pytest.approx([0.05, 0.06, 0.003 + 0.01, 0.003 + 0.02])
    assert planned.loc["C"].tolist() == pytest.approx([0.30] * 4)
    for years, share in ((3, 0.0), (9, 0.02 * 0.35)):  # six years of rest from year 2 on
        assert end_shares(decks(), done, NAMES, years, SETTINGS)[1] == pytest.approx(share)
    assert shares_by_year(["A", "B", "C"], decks(), done, NAMES, 2027, 0, SETTINGS).empty


@pytest.mark.basis("derived", "areas past 10 %: 800 and 1,000 of 2,300 m2; backlog by the cheapest treatment of each")
def test_area_decks_and_money_past_the_threshold():
    some = decks()
    known = np.array([True, True, True])
    got = outcome(some, np.array([0.10, 0.12, 0.30]), known, SETTINGS)
    rigid = 45_000 + 235 * 1_000 + 600 * 1.25 * 300
    patch = 9_000 + 1_050 * 1.25 * 0.12 * 800
    assert got == pytest.approx(
        {
            "unsound_end_m2": 50 + 96 + 300, "past_m2": 1_800, "past_share": 1_800 / 2_300, "past_decks": 2,
            "backlog": round(patch + rigid),
        }
    )  # fmt: skip
    less = outcome(some, np.array([0.10, 0.12, 0.30]), np.array([True, False, True]), SETTINGS)
    assert less == pytest.approx(
        {"unsound_end_m2": 350, "past_m2": 1_000, "past_share": 1_000 / 1_500, "past_decks": 1, "backlog": round(rigid)}
    )
    none = outcome(some, np.array([0.10, 0.05, 0.0]), known, SETTINGS)
    assert (none["past_m2"], none["past_share"], none["past_decks"], none["backlog"]) == (0, 0, 0, 0)
    nobody = outcome(some, np.array([0.10, 0.12, 0.30]), np.zeros(3, dtype=bool), SETTINGS)
    assert (nobody["unsound_end_m2"], nobody["past_share"]) == (0.0, 0.0)


def offered(two: bool = False) -> Offers:
    """An option or two of each of three decks: money without what a route shares."""
    options = Options(
        np.array([0, 0, 1, 2]), np.array([0, 1, 0, 1]), np.array([10.0, 11.0, 20.0, 40.0]), np.ones(4),
        np.array([100.0, 90.0, 300.0, 700.0]), later=np.array([-1, -1, 1, -1]) if two else None,
        later_money=np.array([0, 0, 33.0, 0]) if two else None, later_days=np.zeros(4) if two else None,
    )  # fmt: skip
    second = np.array([-1, -1, RIGID, -1]) if two else None
    return Offers(options, np.array([PATCH, PATCH, PATCH, RIGID]), second, np.zeros(4))


@pytest.mark.basis("derived", "set-ups of 5 on route 0 in each year with a work of A or B; C stands on no route")
@pytest.mark.parametrize(
    ("taken", "two", "works", "set_ups"),
    [
        ([0, 2, 3], False, 10 + 20 + 40, 1),  # both in the first year: paid once
        ([1, 2, 3], False, 11 + 20 + 40, 2),
        ([-1, 2, -1], False, 20, 1),
        ([-1, -1, 3], False, 40, 0),
        ([-1, -1, -1], False, 0, 0),
        ([-1, 2, -1], True, 20 + 33, 2),  # a second work in the next year
        ([1, 2, -1], True, 11 + 20 + 33, 2),
        ([0, -1, 3], True, 10 + 40, 1),
    ],
)
def test_money_of_works_with_their_set_ups_once(taken, two, works, set_ups):
    rules = Rules(route=np.array([0, 0, -1]), set_up=5.0)
    assert money_of(offered(two), np.array(taken), rules, 2) == works + 5 * set_ups
    assert money_of(offered(two), np.array(taken), Rules(), 2) == works


@pytest.mark.basis(
    "derived", "means by money: B .12 at 20, C .30 at 40; 4,000 and 9,000 a day; lives of 7 and 26 years"
)
def test_yardsticks_of_three_decks_by_hand():
    ways = {"programme": np.array([-1, 2, 3]), "worst first": np.array([0, -1, -1])}
    rules = Rules()
    table = yardsticks(decks(), offered(), ways, rules, NAMES, 2, SETTINGS).set_index("way")
    assert table.index.tolist() == ["programme", "worst first", "nothing"]
    assert table.loc["programme", ["value", "cost", "works"]].tolist() == [1_000.0, 60.0, 2]
    assert table.loc["worst first", ["value", "cost", "works", "spent_life_yr"]].tolist() == [100.0, 10.0, 1, 7.0]
    assert table.loc["programme", "spent_share"] == pytest.approx((0.12 * 20 + 0.30 * 40) / 60)
    assert table.loc["programme", "spent_aadt"] == pytest.approx((4_000 * 20 + 9_000 * 40) / 60)
    assert table.loc["programme", "spent_life_yr"] == pytest.approx((7 * 20 + 26 * 40) / 60)
    # B patched: a twentieth of 12 % and two years; C overlaid in year 1; A two years on
    assert table.loc["programme", "unsound_end_m2"] == pytest.approx(500 * 0.06 + 800 * (0.006 + 0.04) + 0)
    assert table.loc["worst first", "unsound_end_m2"] == pytest.approx(500 * (0.002 + 0.02) + 800 * 0.16 + 300)
    assert table.loc["nothing", ["value", "cost", "works"]].tolist() == [0.0, 0.0, 0]
    assert table.loc["nothing", ["spent_share", "spent_aadt", "spent_life_yr"]].isna().all()
    assert table.loc["nothing", "past_m2"] == 1_800
    unknown = decks(share_now=[0.04, 0.12, None])
    half = yardsticks(unknown, offered(), {}, rules, NAMES, 2, SETTINGS).set_index("way")
    assert half.loc["nothing", ["past_m2", "unsound_end_m2"]].tolist() == pytest.approx([800, 500 * 0.06 + 800 * 0.16])
    two = yardsticks(decks(), offered(two=True), {"programme": np.array([-1, 2, 3])}, rules, NAMES, 2, SETTINGS)
    assert two["works"].tolist() == [3, 0]
    later = dataclasses.replace(offered(), options=dataclasses.replace(offered().options, year=np.array([0, 1, 1, 1])))
    later_on = yardsticks(decks(), later, {"programme": np.array([-1, 2, -1])}, rules, NAMES, 2, SETTINGS)
    assert later_on["spent_share"].iloc[0] == pytest.approx(0.14)


def test_works_taken_stand_by_year_then_deck_with_their_second_works():
    got = works_taken(offered(two=True), np.array([1, 2, 3]))
    assert got.year.tolist() == [0, 1, 1, 1]
    assert got.row.tolist() == [1, 0, 1, 2]
    assert got.kind.tolist() == [PATCH, PATCH, RIGID, RIGID]
    assert got.second.tolist() == [False, False, True, False]
    assert got.later.tolist() == [1, -1, 1, -1]
    assert got.begin.tolist() == [0, 1, 0, 1]
    assert got.option.tolist() == [2, 1, 2, 3]


def test_figures_of_works_are_those_of_each_deck_treatment_and_year():
    settings = plain(exposure_cost=150.0)
    some = decks(settings)
    table = work_out(some, NAMES, 3, settings)
    done = works((1, PATCH, 0, 0, -1, False), (2, RIGID, 0, 0, -1, False), (0, PATCH, 2, 2, -1, False))
    got = work_figures(some, done, NAMES, 3, settings)
    at = (done.row, done.kind, done.year)
    assert got.money.tolist() == table.money[at].tolist()
    assert got.crew_days.tolist() == table.crew_days[at].tolist()
    assert got.saved == pytest.approx(table.later_saved[at])
    assert got.spared == pytest.approx(table.benefit[at] - table.later_saved[at] / 150.0)
    assert got.fits.tolist() == table.permitted[at].tolist() == [True, True, True]
    for name in ("repair_m2", "share_before", "share_after"):
        assert got.columns[name].tolist() == pytest.approx(getattr(table, name)[at].tolist())
    high = works((2, PATCH, 0, 0, -1, False))  # 30 % is past what a patch is meant for
    assert not work_figures(some, high, NAMES, 3, settings).fits[0]


@pytest.mark.basis(
    "derived", "both works' parts add up to what they avoid together; the second finds what the first left"
)
def test_figures_of_two_works_on_a_deck():
    settings = plain(exposure_cost=150.0)
    some = decks(settings)
    done = works((1, PATCH, 0, 0, 2, False), (1, RIGID, 2, 0, 2, True))
    got = work_figures(some, done, NAMES, 3, settings)
    two = two_works(some.part(np.array([1])), 0, 2, NAMES, 3, settings)
    assert got.spared.sum() == pytest.approx(two.spared[0, RIGID])
    assert got.spared[0] == pytest.approx(two.early[0])
    assert got.saved.tolist() == pytest.approx([0.0, two.saved[0, RIGID]])
    assert got.columns["share_before"].tolist() == pytest.approx([0.12, 0.046])
    assert got.columns["share_after"].tolist() == pytest.approx([0.006, 0.0])
    repair = 1.25 * 0.046 * 800
    assert got.columns["repair_m2"].tolist() == pytest.approx([1.25 * 0.12 * 800, repair])
    assert got.money[1] == np.ceil(45_000 + 235 * 800 + 600 * repair)
    assert got.crew_days[1] == pytest.approx(np.ceil(10 * (3 + 800 / 120 + repair / 18)) / 10)
    assert got.fits.all()


# ---- lines and years ---------------------------------------------------------------------------------


@pytest.mark.basis(
    "derived", "a set-up of 4,000 on R 1 shared by three lines: 1,334, 1,333 and 1,333; the rest is each one's"
)
def test_a_shared_set_up_is_split_to_the_whole_unit():
    frame = pd.DataFrame(
        {
            "deck_id": ["A", "B", "C", "D"], "area_m2": 400.0, "share_now": 0.02, "growth_per_yr": 0.0, "aadt": 900.0,
            "route": ["R 1", "R 1", "R 1", "R 2"], "surface_kind": "latex overlay",
        }
    )  # fmt: skip
    settings = plain(gap=0.1, route_set_up=4_000.0)
    pins = dict.fromkeys("ABCD", (2027, "patch"))
    made = make_programme(frame, first_year=2026, budgets=[0.0, 90_000.0], settings=settings, pins=pins)
    lines = made.lines.set_index("deck_id")
    assert lines["cost"].tolist() == [15_500 + 1_334, 15_500 + 1_333, 15_500 + 1_333, 19_500]
    assert lines["shares_set_up"].tolist() == [2, 2, 2, 0]
    years = made.years.set_index("year")
    assert years.loc[2027, ["budget", "cost", "left", "decks"]].tolist() == [90_000, 70_000, 20_000, 4]
    assert years.loc[2026, ["budget", "cost", "left", "decks"]].tolist() == [0, 0, 0, 0]
    assert years.loc[2027, "repair_m2"] == pytest.approx(4 * 10.0)
    assert years.loc[2027, "crew_days"] == pytest.approx(4 * 1.7)
    assert years["carried_over"].tolist() == [0.0, 0.0]
    over = make_programme(
        frame, first_year=2026, budgets=[30_000.0, 90_000.0], settings=plain(gap=0.1, carry_over=1), pins=pins
    )
    assert over.years["carried_over"].tolist() == [30_000, 120_000 - 78_000]


@pytest.mark.basis("derived", "a price of .002 a unit of money is 2 for the next 1,000; sums of two lines in one year")
def test_years_add_up_their_lines():
    lines = pd.DataFrame(
        {
            "deck_id": ["A", "B", "C"], "year": pd.array([2028, 2026, 2028], dtype="Int64"),
            "cost": [100.0, 70.0, 30.0], "crew_days": [1.2, 0.3, 2.1], "repair_m2": [5.0, 7.0, 1.5],
            "user_cost": [10.0, 20.0, 30.0],
        }
    )  # fmt: skip
    none = np.full(3, -1)
    choice = Choice(none, 0.0, 0.0, 0.0, np.array([0.002, 0.0, 0.5]), np.zeros(3), np.zeros(0), False, False)
    limits = np.array([100.0, 50.0, 200.0])
    got = years_of(lines, limits, choice, 2026, plain(carry_over=1))
    assert got["year"].tolist() == [2026, 2027, 2028]
    assert got["budget"].tolist() == [100, 50, 200]
    assert got["cost"].tolist() == [70, 0, 130]
    assert got["left"].tolist() == [30, 50, 70]
    assert got["crew_days"].tolist() == [0.3, 0.0, 3.3]
    assert got["decks"].tolist() == [1, 0, 2]
    assert got["repair_m2"].tolist() == [7.0, 0.0, 6.5]
    assert got["user_cost"].tolist() == [20.0, 0.0, 40.0]
    assert got["carried_over"].tolist() == [30, 80, 150]
    assert got["buys_next"].tolist() == [2.0, 0.0, 500.0]
    assert years_of(lines, limits, choice, 2026, plain())["carried_over"].tolist() == [0, 0, 0]

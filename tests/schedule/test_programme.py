"""The programme: within its budgets, true to its rules, and explained."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from decknet.errors import BudgetError, RecordError
from decknet.schedule import deck_figures, make_programme, work_out
from tests.quick import first
from tests.schedule.plain import plain

LINES = [
    *("deck_id", "year", "treatment", "label", "deck_m2", "repair_m2", "crew_days", "cost", "benefit"),
    *("share_before", "share_after", "urgent", "pinned", "based_on", "shares_set_up", "window", "material"),
    *("closures", "closure_h", "queue_veh", "user_cost", "later_saved", "why", "why_not"),
]
YEARS = ["year", "budget", "cost", "left", "crew_days", "decks", "repair_m2", "user_cost", "carried_over", "buys_next"]


def network(decks: int, seed: int = 0, urgent_part: float = 0.05) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    share = np.minimum(rng.gamma(1.0, 0.05, decks), 0.8)
    surveyed = rng.random(decks) < 0.6
    return pd.DataFrame(
        {
            "deck_id": pd.array([f"D-{i:04d}" for i in range(decks)], dtype="str"),
            "area_m2": np.where(rng.random(decks) < 0.04, np.nan, rng.lognormal(6.5, 0.7, decks)),
            "share_now": share,
            "growth_per_yr": rng.lognormal(-5.1, 0.6, decks),
            "aadt": rng.lognormal(8.5, 1.0, decks),
            "urgent": pd.array(np.where(rng.random(decks) < urgent_part, "open hole", None), dtype="str"),
            "surface_kind": pd.array(rng.choice(["bare", "latex overlay"], decks), dtype="str"),
            "share_from": pd.array(np.where(surveyed, "survey", "rating"), dtype="str"),
            "survey_date": pd.Series(pd.to_datetime(np.where(surveyed, "2026-05-12", None))).astype("datetime64[us]"),
            "deck_rating": pd.array(rng.integers(3, 8, decks), dtype="Int64"),
            "priority": 100 * share,
        }
    )


EASY = plain(gap=0.1)  # wide enough that no child process is needed


def check_whole(programme, status: pd.DataFrame, budgets) -> None:
    """What holds for every programme."""
    lines, years, waiting, facts = programme.lines, programme.years, programme.waiting, programme.facts
    assert list(lines.columns) == LINES
    assert list(years.columns) == YEARS
    assert sorted([*lines["deck_id"], *waiting["deck_id"]]) == sorted(status["deck_id"])
    assert (years["cost"] <= years["budget"]).all()
    assert years["budget"].tolist() == list(budgets)
    by_year = lines.groupby("year")
    for column, how in (("cost", "sum"), ("crew_days", "sum"), ("repair_m2", "sum"), ("user_cost", "sum")):
        sums = by_year[column].agg(how).reindex(years["year"], fill_value=0.0)
        assert years[column].to_numpy() == pytest.approx(sums.to_numpy(dtype=float), abs=0.05)
    assert years["decks"].sum() == len(lines)
    assert years["left"].to_numpy() == pytest.approx((years["budget"] - years["cost"]).to_numpy())
    assert facts["value"] == pytest.approx(lines["benefit"].sum())
    assert facts["bound"] >= facts["value"] >= facts["value_worst_first"] - 1e-9
    assert 0 <= facts["gap"] <= 1
    assert facts["user_cost_total"] == pytest.approx(lines["user_cost"].sum())
    assert facts["cost_total"] == pytest.approx(lines["cost"].sum())
    assert facts["budget_total"] == pytest.approx(sum(budgets))
    assert facts["unsound_end_m2"] <= facts["unsound_end_nothing_m2"] + 1e-9
    ways = programme.yardsticks.set_index("way")
    assert ways.loc["programme", "cost"] == pytest.approx(facts["cost_total"])
    assert ways.loc["programme", "value"] == pytest.approx(facts["value"])
    assert ways.loc["programme", "works"] == len(lines)
    assert ways.loc["nothing", "unsound_end_m2"] == pytest.approx(facts["unsound_end_nothing_m2"])
    for text in [*lines["why"], *waiting["why"]]:
        assert text.endswith(".")
        assert "nan" not in text.lower()
        assert "safe" not in text.lower()


@pytest.mark.parametrize("seed", first(2, range(6)))
@pytest.mark.parametrize("crew_days", [0.0, 60.0])
def test_no_year_overspends_and_lines_add_up_to_years(seed, crew_days):
    rng = np.random.default_rng(seed)
    status = network(250, seed)
    budgets = [float(b) for b in np.floor(rng.uniform(0, 1_200_000, 4) * (rng.random(4) < 0.8))]
    settings = plain(gap=0.1, crew_days_per_yr=crew_days)
    before = status.copy(deep=True)
    programme = make_programme(status, first_year=2027, budgets=budgets, settings=settings)
    check_whole(programme, status, budgets)
    if crew_days:
        assert (programme.years["crew_days"] <= crew_days + 1e-6).all()
    pd.testing.assert_frame_equal(status, before)


@pytest.mark.basis("derived", "a loop over every treatment and year of four decks")
@pytest.mark.parametrize("seed", range(5))
def test_four_decks_in_three_years_get_the_best_of_every_choice(seed):
    status = network(4, 50 + seed, urgent_part=0.0).assign(area_m2=[400.0, 700.0, 1_000.0, 300.0])
    settings = plain(gap=0.0)
    budgets = [90_000.0, 60_000.0, 140_000.0]
    names = list(settings.treatment)
    works = work_out(deck_figures(status, settings), names, 3, settings)
    lots = [[None, *map(tuple, np.argwhere(works.permitted[deck]).tolist())] for deck in range(4)]
    best = 0.0
    for way in itertools.product(*lots):
        spent = [0.0, 0.0, 0.0]
        value = 0.0
        for deck, one in enumerate(way):
            if one is not None:
                spent[one[1]] += works.money[deck, one[0], one[1]]
                value += works.benefit[deck, one[0], one[1]]
        if all(s <= b for s, b in zip(spent, budgets, strict=True)):
            best = max(best, value)
    facts = make_programme(status, first_year=2026, budgets=budgets, settings=settings).facts
    assert facts["value"] == pytest.approx(best, rel=1e-12)
    assert facts["gap"] <= 1e-9


def test_the_order_of_rows_changes_nothing():
    status = network(150, 3)
    shuffled = status.sample(frac=1, random_state=1)
    one = make_programme(status, first_year=2026, budgets=[600_000, 500_000], settings=EASY)
    two = make_programme(shuffled, first_year=2026, budgets=[600_000, 500_000], settings=EASY)
    for name in ("lines", "years", "waiting"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    assert one.facts == two.facts


@pytest.mark.basis("derived", "value >= (1 - gap) bound, and the bound of more money is at least the value of less")
def test_more_money_never_lowers_the_value_beyond_the_gap_stated():
    status = network(200, 9, urgent_part=0.0)
    last = 0.0
    for budget in (100_000, 300_000, 900_000, 2_700_000):
        facts = make_programme(status, first_year=2026, budgets=[budget] * 3, settings=EASY).facts
        assert facts["bound"] >= last
        assert facts["value"] >= last * (1 - facts["gap"])
        last = facts["value"]


def test_the_programme_beats_the_worst_first():
    facts = make_programme(network(300, 2), first_year=2026, budgets=[800_000] * 3, settings=EASY).facts
    assert facts["value"] > 1.1 * facts["value_worst_first"] > 0


@pytest.mark.basis("derived", "worked by hand: one deck fits, the worse one")
def test_worst_first_takes_the_worst_share_with_its_cheapest_treatment():
    status = pd.DataFrame(
        {
            "deck_id": ["A", "B"],
            "area_m2": [100.0, 2_000.0],
            "share_now": [0.09, 0.03],
            "growth_per_yr": [0.0, 0.0],
            "aadt": [1_000.0, 1_000.0],
        }
    )
    settings = plain(gap=0.0, discount_per_yr=0.0)
    # A by patch: 9,000 + 1,050 * 1.25 * 9 = 20,812.5; B by patch: 9,000 + 1,050 * 1.25 * 60 = 87,750.
    facts = make_programme(status, first_year=2026, budgets=[90_000], settings=settings).facts
    assert facts["value_worst_first"] == pytest.approx(9 * 0.95 * 7)
    assert facts["value"] == pytest.approx(60 * 0.95 * 7)


def test_decks_that_cannot_wait_come_first_in_the_first_year():
    status = network(80, 5, urgent_part=0.1)
    programme = make_programme(status, first_year=2026, budgets=[3_000_000, 0], settings=EASY)
    urgent = set(status["deck_id"][status["urgent"].notna() & status["area_m2"].notna()])
    lines = programme.lines.set_index("deck_id")
    assert len(urgent) > 3
    assert urgent <= set(lines.index)
    assert (lines.loc[sorted(urgent), "year"] == 2026).all()
    assert lines.loc[sorted(urgent), "why"].str.startswith("Cannot wait (open hole)").all()
    check_whole(programme, status, [3_000_000, 0])


def three_urgent() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "deck_id": ["A", "B", "C"],
            "area_m2": [400.0, 400.0, 400.0],
            "share_now": [0.02, 0.02, 0.02],
            "growth_per_yr": [0.0, 0.0, 0.0],
            "urgent": ["open hole", "open hole", "open hole"],
            "priority": [10.0, 90.0, 50.0],
        }
    )


def test_short_money_goes_to_urgent_decks_by_priority_and_the_rest_wait_with_that_reason():
    # one patch: 9,000 + 1,050 * 1.25 * 8 = 19,500
    programme = make_programme(three_urgent(), first_year=2026, budgets=[39_000], settings=EASY)
    assert programme.lines["deck_id"].tolist() == ["B", "C"]
    assert programme.waiting["deck_id"].tolist() == ["A"]
    assert programme.waiting["why"][0].startswith("Cannot wait, but needs at least 19,500 USD (patch)")


def test_an_urgent_deck_the_first_year_cannot_pay_has_first_call_on_the_next():
    programme = make_programme(three_urgent(), first_year=2026, budgets=[39_000, 19_500], settings=EASY)
    late = programme.lines.set_index("deck_id").loc["A"]
    assert late["year"] == 2027
    assert "the money of earlier years did not reach" in late["why"]


def test_an_urgent_deck_with_hardly_any_unsound_area_gets_a_holding_patch():
    status = three_urgent().assign(share_now=[0.0001, 0.02, 0.02], surface_kind="latex overlay")
    lines = make_programme(status, first_year=2026, budgets=[60_000], settings=EASY).lines.set_index("deck_id")
    assert lines.loc["A", "treatment"] == "patch"
    assert "a holding repair" in lines.loc["A", "why"]


def test_pins_are_kept_and_bars_get_no_line():
    status = network(120, 6, urgent_part=0.0)
    free = status["deck_id"][status["area_m2"].notna() & (status["share_now"].between(0.01, 0.05))].tolist()
    pins = {free[0]: (2027, "new deck"), free[1]: (2026, None), free[2]: (2026, "patch")}
    programme = make_programme(
        status, first_year=2026, budgets=[800_000, 4_000_000], settings=EASY, pins=pins, bars={free[3]}
    )
    lines = programme.lines.set_index("deck_id")
    assert lines.loc[free[0], ["year", "treatment", "pinned"]].tolist() == [2027, "new deck", True]
    assert "outside the range the treatment is meant for" in lines.loc[free[0], "why"]
    assert lines.loc[free[1], "year"] == 2026
    assert lines.loc[free[2], ["year", "treatment"]].tolist() == [2026, "patch"]
    assert set(lines.index[lines["pinned"]]) == set(pins)
    waiting = programme.waiting.set_index("deck_id")
    assert waiting.loc[free[3], "why"] == "Barred by the engineer."
    check_whole(programme, status, [800_000, 4_000_000])


@pytest.mark.parametrize(
    ("pins", "bars", "message"),
    [
        ({"X": (2026, None)}, (), "pinned deck X: not among the decks"),
        ({"A": (2031, None)}, (), "2031 is no year of the programme"),
        ({"A": (2026, "paint")}, (), "'paint' is not a treatment"),
        ({"A": (2026, "new deck")}, (), "need 472,000 USD more in 2026"),
        ({"A": (2026, None)}, ("A",), "both pinned and barred"),
        ({}, ("X",), "barred deck X: not among the decks"),
    ],
)
def test_a_pin_or_bar_that_cannot_be_kept_is_refused(pins, bars, message):
    with pytest.raises(BudgetError, match=message):
        make_programme(three_urgent(), first_year=2026, budgets=[40_000], settings=EASY, pins=pins, bars=bars)


def test_a_pinned_deck_that_cannot_be_costed_is_refused():
    status = three_urgent().assign(area_m2=[None, 400.0, 400.0])
    with pytest.raises(BudgetError, match="pinned deck A: its area or unsound share is not known"):
        make_programme(status, first_year=2026, budgets=[1e6], settings=EASY, pins={"A": (2026, "patch")})


@pytest.mark.parametrize("budgets", [[], [-1.0], [100.0, float("nan")], [float("inf")], [1.0] * 21])
def test_budgets_that_are_no_amounts_are_refused(budgets):
    with pytest.raises(BudgetError):
        make_programme(three_urgent(), first_year=2026, budgets=budgets, settings=EASY)


def test_a_deck_twice_or_without_an_id_is_refused():
    with pytest.raises(RecordError, match="A stands twice"):
        make_programme(three_urgent().assign(deck_id=["A", "A", "B"]), first_year=2026, budgets=[1], settings=EASY)
    with pytest.raises(RecordError, match="row 2, deck_id: missing"):
        make_programme(three_urgent().assign(deck_id=["A", None, "B"]), first_year=2026, budgets=[1], settings=EASY)


def test_every_waiting_deck_says_why():
    status = pd.DataFrame(
        {
            "deck_id": ["costly", "no area", "no share", "sound", "covered", "beaten"],
            "area_m2": [5_000.0, None, 300.0, 300.0, 300.0, 300.0],
            "share_now": [0.5, 0.1, None, 0.0, 0.0004, 0.01],
            "growth_per_yr": [0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
            "surface_kind": ["bare", "bare", "bare", "bare", "latex overlay", "bare"],
            "aadt": [900.0] * 6,
        }
    )
    better = pd.DataFrame({"deck_id": ["winner"], "area_m2": [300.0], "share_now": [0.02], "aadt": [50_000.0]})
    status = pd.concat([status, better], ignore_index=True)
    programme = make_programme(status, first_year=2026, budgets=[17_000], settings=EASY)
    assert programme.lines["deck_id"].tolist() == ["winner"]
    why = programme.waiting.set_index("deck_id")["why"]
    assert why["costly"].startswith("Needs at least 5.02 million USD (new deck), more than any year's money")
    assert why["no area"] == "Cannot be costed: its length or width is not known."
    assert why["no share"] == "Cannot be costed: its unsound share is not known."
    assert why["sound"].startswith("Too little to treat yet: 0 % expected unsound")
    assert why["covered"] == "Too little to treat yet: under 0.1 % expected unsound."
    assert why["beaten"].startswith("Needs at least 12,900 USD (patch)")


def test_what_the_share_rests_on_is_said():
    status = three_urgent().assign(
        survey_date=pd.to_datetime(["2026-05-12", None, None]),
        share_from=["survey", "rating", "network"],
        deck_rating=pd.array([None, 5, None], dtype="Int64"),
    )
    lines = make_programme(status, first_year=2026, budgets=[1e6], settings=EASY).lines.set_index("deck_id")
    assert lines.loc["A", "based_on"] == "survey of 2026-05-12"
    assert lines.loc["B", "based_on"] == "no survey yet: from deck rating 5"
    assert lines.loc["C", "based_on"].startswith("no survey yet")


def test_a_network_without_decks_gives_an_empty_programme():
    programme = make_programme(network(5).iloc[:0], first_year=2026, budgets=[1.0, 2.0], settings=EASY)
    assert len(programme.lines) == len(programme.waiting) == 0
    assert list(programme.lines.columns) == LINES
    assert programme.years["decks"].tolist() == [0, 0]
    assert programme.facts["value"] == programme.facts["bound"] == programme.facts["gap"] == 0.0


@pytest.mark.basis("derived", "worked by hand: two years of growth, one deck patched in the first")
def test_unsound_area_at_the_end_counts_treated_and_waiting_decks():
    status = pd.DataFrame(
        {
            "deck_id": ["patched", "waits"],
            "area_m2": [1_000.0, 500.0],
            "share_now": [0.04, 0.10],
            "growth_per_yr": [0.01, 0.02],
        }
    )
    # patched: 4 % becomes 0.2 %, then two years of 1 point; waits: 10 % and two years of 2 points
    programme = make_programme(
        status, first_year=2026, budgets=[70_000, 0], settings=EASY, pins={"patched": (2026, "patch")}, bars={"waits"}
    )
    assert programme.facts["unsound_end_m2"] == pytest.approx(1_000 * 0.022 + 500 * 0.14)
    assert programme.facts["unsound_end_nothing_m2"] == pytest.approx(1_000 * 0.06 + 500 * 0.14)
    line = programme.lines.iloc[0]
    assert (line["share_before"], line["share_after"]) == pytest.approx((0.04, 0.002))
    assert line["cost"] == 9_000 + 1_050 * 50

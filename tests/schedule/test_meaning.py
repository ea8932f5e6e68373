"""What a programme means: yardsticks, the money at which decks enter, other treatments; and demands that clash."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.errors import BudgetError
from decknet.schedule import deck_figures, later_cost, make_programme, overbreak_found, share_at
from decknet.settings import Settings
from tests.schedule.plain import plain
from tests.schedule.test_programme import check_whole, network

EASY = plain(gap=0.1)


def on_routes(decks: int, seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed + 77)
    return network(decks, seed, urgent_part=0.03).assign(
        route=[f"R {r}" for r in rng.integers(0, decks // 8, decks)],
        district=[("North", "South")[r] for r in rng.integers(0, 2, decks)],
        lanes=rng.choice([2, 4], decks),
    )


def test_three_yardsticks_stand_on_the_same_forecast():
    status = network(200, 4)
    made = make_programme(status, first_year=2027, budgets=[700_000] * 3, settings=EASY)
    ways = made.yardsticks.set_index("way")
    assert set(ways.index) == {"programme", "worst first", "priority order", "nothing"}
    assert ways.loc["programme", "value"] == ways["value"].max()
    assert ways.loc["worst first", "value"] == pytest.approx(made.facts["value_worst_first"])
    assert (ways["cost"] <= 2_100_000).all()
    figures = deck_figures(status.sort_values("deck_id"), EASY)
    known = ~np.isnan(figures.area_m2)
    end = share_at(figures, 3.0)[known]
    area = figures.area_m2[known]
    assert ways.loc["nothing", "unsound_end_m2"] == pytest.approx((area * end).sum())
    assert ways.loc["nothing", "past_share"] == pytest.approx(area[end > 0.10].sum() / area.sum())
    assert ways.loc["nothing", "past_decks"] == (end > 0.10).sum()
    past = np.flatnonzero(known)[end > 0.10]
    cost = later_cost(figures.part(past), share_at(figures, 3.0)[past][:, None, None], EASY).sum()
    assert ways.loc["nothing", "backlog"] == pytest.approx(cost, abs=1)
    assert ways.loc["nothing", "backlog"] > ways.loc["programme", "backlog"]


def test_a_waiting_deck_that_would_enter_at_more_money_does():
    status = network(150, 8, urgent_part=0.0)
    made = make_programme(status, first_year=2027, budgets=[300_000] * 3, settings=EASY)
    waits = made.waiting.set_index("deck_id")
    soon = waits[waits["enters_at"] <= 1.5]
    late = waits[waits["enters_at"] >= 3]
    assert len(soon) >= 3
    assert len(late) > 3
    more = make_programme(status, first_year=2027, budgets=[600_000] * 3, settings=EASY)
    in_it = set(more.lines["deck_id"])
    assert np.mean([deck in in_it for deck in soon.index]) >= 0.7
    assert np.mean([deck in in_it for deck in late.index]) < 0.2
    assert soon["why"].str.contains("It would enter at about 1").all()
    assert soon["enters_year"].between(2027, 2029).all()


@pytest.mark.basis("derived", "unit costs of the patch at the share today and after three years")
def test_what_waiting_costs_is_how_much_dearer_the_cheapest_treatment_gets():
    status = pd.DataFrame(
        {"deck_id": ["A"], "area_m2": [1_000.0], "share_now": [0.04], "growth_per_yr": [0.01], "aadt": [900.0]}
    )
    made = make_programme(status, first_year=2027, budgets=[1_000.0] * 3, settings=EASY)
    assert made.waiting["wait_cost"][0] == pytest.approx(1_050 * 1.25 * 1_000 * 0.03)
    assert "Left until 2030, its cheapest treatment is 39,400 USD dearer." in made.waiting["why"][0]


def test_every_line_says_why_not_the_next_cheaper_or_dearer_treatment():
    made = make_programme(network(150, 3), first_year=2027, budgets=[900_000] * 3, settings=EASY)
    words = made.lines["why_not"]
    assert words.str.endswith(".").all()
    assert words.str.contains("would save|No cheaper", regex=True).all()
    assert words.str.contains("more; |no dearer one", regex=True).all()


def test_the_next_money_buys_less_where_there_is_more_of_it():
    status = network(200, 6, urgent_part=0.0)
    last = np.inf
    for budget in (200_000, 600_000, 1_800_000):
        made = make_programme(status, first_year=2027, budgets=[budget] * 3, settings=EASY, explain=False)
        assert (made.years["buys_next"] >= 0).all()
        assert made.years["buys_next"].mean() < last
        last = made.years["buys_next"].mean()


@pytest.mark.slow
def test_a_set_up_shared_along_a_route_is_paid_once_and_lines_still_add_up():
    status = on_routes(120, 2)
    settings = plain(gap=0.05, route_set_up=4_000.0)
    made = make_programme(status, first_year=2027, budgets=[600_000] * 3, settings=settings)
    check_whole(made, status, [600_000] * 3)
    lines = made.lines.merge(status[["deck_id", "route"]], on="deck_id")
    sizes = lines.groupby(["route", "year"])["deck_id"].transform("size")
    assert (lines["shares_set_up"] == sizes - 1).all()
    assert (sizes > 1).any()
    alone = make_programme(
        status, first_year=2027, budgets=[600_000] * 3, settings=plain(gap=0.05), like=made.lines, explain=False
    )
    assert made.facts["bound"] >= alone.facts["value"]


def test_no_route_has_more_works_in_a_year_than_allowed():
    status = on_routes(100, 3)
    settings = plain(gap=0.1, route_set_up=2_000.0, most_on_route=2)
    made = make_programme(status, first_year=2027, budgets=[2_000_000] * 3, settings=settings)
    check_whole(made, status, [2_000_000] * 3)
    lines = made.lines.merge(status[["deck_id", "route"]], on="deck_id")
    assert lines.groupby(["route", "year"]).size().max() == 2


@pytest.mark.slow
def test_money_left_over_may_be_carried_on_but_never_spent_before_it_is_there():
    status = network(80, 5, urgent_part=0.0)
    budgets = [900_000.0, 0.0, 100_000.0]
    strict = make_programme(status, first_year=2027, budgets=budgets, settings=plain(gap=0.05))
    loose = make_programme(
        status, first_year=2027, budgets=budgets, settings=plain(gap=0.05, carry_over=1), like=strict.lines
    )
    assert (loose.years["cost"].cumsum() <= np.cumsum(budgets)).all()
    assert loose.facts["value"] >= strict.facts["value"]
    assert loose.years["carried_over"].to_numpy() == pytest.approx(np.cumsum(budgets) - loose.years["cost"].cumsum())


def test_money_kept_for_a_district_is_spent_by_no_other():
    status = on_routes(120, 6)
    made = make_programme(status, first_year=2027, budgets=[500_000] * 3, settings=EASY, kept={"South": 300_000.0})
    check_whole(made, status, [500_000] * 3)
    lines = made.lines.merge(status[["deck_id", "district"]], on="deck_id")
    north = lines[lines["district"] == "North"].groupby("year")["cost"].sum()
    assert (north <= 200_000).all()
    with pytest.raises(BudgetError, match=r"no deck is in that district\. Known: North, South"):
        make_programme(status, first_year=2027, budgets=[1.0], settings=EASY, kept={"East": 1.0})
    with pytest.raises(BudgetError, match="Keep 100,000 less"):
        make_programme(status, first_year=2027, budgets=[500_000], settings=EASY, kept={"South": 600_000.0})


@pytest.mark.slow
def test_overlays_wait_for_the_warm_season():
    status = network(150, 7)
    settings = plain(gap=0.1, warm_crew_days_per_yr=15.0)
    made = make_programme(status, first_year=2027, budgets=[1_500_000] * 3, settings=settings)
    warm = made.lines["treatment"].isin(["thin overlay", "rigid overlay"])
    assert warm.any()
    assert (made.lines[warm].groupby("year")["crew_days"].sum() <= 15.0 + 1e-6).all()


def test_a_patch_now_and_an_overlay_later_adds_up():
    status = network(40, 10, urgent_part=0.0)
    budgets = [250_000.0, 600_000.0, 600_000.0]
    one = make_programme(status, first_year=2027, budgets=budgets, settings=plain(gap=0.02))
    two = make_programme(
        status, first_year=2027, budgets=budgets, settings=plain(gap=0.02, two_steps=1), like=one.lines
    )
    assert two.facts["value"] >= one.facts["value"] - 1e-9
    again = two.lines[two.lines["deck_id"].duplicated(keep=False)].sort_values(["deck_id", "year"])
    assert len(again) >= 2
    first, second = again.iloc[::2], again.iloc[1::2]
    assert (first["treatment"] == "patch").all()
    assert (second["year"].to_numpy() > first["year"].to_numpy()).all()
    assert (second["share_before"].to_numpy() < first["share_before"].to_numpy() + 0.05).all()
    assert two.facts["value"] == pytest.approx(two.lines["benefit"].sum())
    assert (two.years["cost"] <= two.years["budget"]).all()
    assert two.lines.groupby("year")["cost"].sum().to_numpy() == pytest.approx(
        two.years.loc[two.years["decks"] > 0, "cost"].to_numpy(dtype=float)
    )


def test_agency_cost_avoided_after_the_last_year_counts_at_its_rate():
    status = network(60, 11, urgent_part=0.0)
    rate = 120.0
    with_it = make_programme(
        status, first_year=2027, budgets=[400_000] * 3, settings=plain(gap=0.02, exposure_cost=rate)
    )
    assert (with_it.lines["later_saved"] > 0).any()
    figures = deck_figures(status, plain())
    line = with_it.lines.sort_values("later_saved").iloc[-1]
    row = status.index[status["deck_id"] == line["deck_id"]][0]
    nothing = later_cost(figures.part(np.array([row])), share_at(figures, 3.0)[row].reshape(1, 1, 1), plain())[0, 0, 0]
    assert 0 < line["later_saved"] <= nothing * 1.03**-3 + 0.005  # whole cents


def test_drawn_limits_give_the_quantities_of_the_first_year():
    status = pd.DataFrame(
        {"deck_id": ["A"], "area_m2": [500.0], "share_now": [0.05], "growth_per_yr": [0.0], "aadt": [900.0]}
    )
    drawn = pd.DataFrame({"deck_id": ["A"], "repair_m2": [40.0], "saw_cut_m": [55.0]})
    base = plain()
    patch = dataclasses.replace(base.treatment["patch"], per_saw_m=10.0, per_m3=500.0, depth_mm=100.0)
    settings = dataclasses.replace(base, treatment={**base.treatment, "patch": patch})
    pins = {"A": (2027, "patch")}
    made = make_programme(status, first_year=2027, budgets=[99_000] * 2, settings=settings, pins=pins, drawn=drawn)
    line = made.lines.iloc[0]
    assert line["repair_m2"] == 40.0
    assert line["cost"] == 9_000 + 1_050 * 40 + 10 * 55 + 500 * 4.0
    later = make_programme(
        status, first_year=2027, budgets=[99_000] * 2, settings=settings, pins={"A": (2028, "patch")}, drawn=drawn
    ).lines.iloc[0]
    assert later["repair_m2"] == pytest.approx(500 * 0.05 * 1.25)


def test_costs_rise_to_the_price_year():
    base = plain()
    kinds = {name: dataclasses.replace(kind, cost_year=2020) for name, kind in base.treatment.items()}
    settings = dataclasses.replace(base, treatment=kinds)
    status = pd.DataFrame(
        {"deck_id": ["A"], "area_m2": [500.0], "share_now": [0.05], "growth_per_yr": [0.0], "aadt": [900.0]}
    )
    pins = {"A": (2027, "patch")}
    now = make_programme(status, first_year=2027, budgets=[99_000], settings=base, pins=pins).lines["cost"][0]
    then = make_programme(status, first_year=2027, budgets=[99_000], settings=settings, pins=pins).lines["cost"][0]
    assert then == pytest.approx(now * 1.03**6, abs=1)


def pinnable() -> pd.DataFrame:
    # one patch: 9,000 + 1,050 * 1.25 * 8 = 19,500
    return pd.DataFrame(
        {
            "deck_id": ["A", "B", "C"],
            "area_m2": [400.0, 400.0, 800.0],
            "share_now": [0.02, 0.02, 0.02],
            "growth_per_yr": [0.0, 0.0, 0.0],
            "route": ["R 1", "R 1", "R 2"],
        }
    )


@pytest.mark.basis("derived", "19,500 + 19,500 + 30,000 against 50,000: 19,000 short, and B moved to 2028 fits")
def test_pins_that_clash_are_named_with_the_smallest_change_that_fits():
    pins = {"A": (2027, "patch"), "B": (2027, "patch"), "C": (2027, "patch")}
    with pytest.raises(BudgetError) as clash:
        make_programme(pinnable(), first_year=2027, budgets=[50_000, 60_000], settings=EASY, pins=pins)
    text = str(clash.value)
    assert "need 19,000 USD more in 2027" in text
    assert "A 19,500 USD" in text
    assert "C 30,000 USD" in text
    assert "raise the limit by 19,000 USD, or take the pin of A away" in text
    assert "to 2028, which has room for it" in text
    made = make_programme(pinnable(), first_year=2027, budgets=[69_000, 60_000], settings=EASY, pins=pins)
    assert made.lines["deck_id"].tolist() == ["A", "B", "C"]
    moved = make_programme(
        pinnable(), first_year=2027, budgets=[50_000, 60_000], settings=EASY, pins=pins | {"C": (2028, "patch")}
    )
    assert moved.lines["pinned"].all()


def test_pins_on_one_route_past_its_limit_are_named():
    pins = {"A": (2027, "patch"), "B": (2027, "patch")}
    settings = plain(gap=0.1, most_on_route=1)
    with pytest.raises(BudgetError, match=r"pinned deck B: its route has 1 works in 2027 already .*allow one more"):
        make_programme(pinnable(), first_year=2027, budgets=[90_000] * 2, settings=settings, pins=pins)


def test_a_pin_never_makes_the_programme_better():
    status = network(60, 12, urgent_part=0.0)
    budgets = [400_000.0] * 2
    pins = {status["deck_id"][i]: (2028, None) for i in (3, 9) if status["area_m2"].notna()[i]}
    with_pins = make_programme(status, first_year=2027, budgets=budgets, settings=EASY, pins=pins, explain=False)
    free = make_programme(status, first_year=2027, budgets=budgets, settings=EASY, like=with_pins.lines, explain=False)
    assert free.facts["value"] >= with_pins.facts["value"]


@pytest.mark.basis("derived", "ratio of sums: 12 jobs of 10 m2 found, 13 m2 broken out")
def test_overbreak_comes_from_closed_repairs_where_there_are_enough():
    n = 12
    ids = [f"D{i}" for i in range(n)]
    shares = pd.DataFrame(
        {
            "deck_id": pd.array(ids, dtype="str"),
            "survey_date": pd.to_datetime(["2025-05-01"] * n).astype("datetime64[us]"),
            "unsound_m2": 10.0,
            "covered_share": 1.0,
        }
    )
    repairs = pd.DataFrame(
        {
            "deck_id": pd.array([*ids, *ids], dtype="str"),
            "repair_date": pd.to_datetime(["2025-09-01"] * n + ["2025-09-20"] * n).astype("datetime64[us]"),
            "treatment": "patch",
            "area_m2": [6.0] * n + [7.0] * n,
        }
    )
    decks = pd.DataFrame({"deck_id": ids})
    assert overbreak_found(repairs, shares, decks, least=12) == (pytest.approx(1.3), 12)
    assert overbreak_found(repairs, shares, decks, least=13) == (None, 12)
    late = repairs.assign(repair_date=repairs["repair_date"] + pd.Timedelta(days=900))
    assert overbreak_found(late, shares, decks, least=1)[0] is None


def test_settings_of_programme_and_closures_say_where_they_come_from():
    for field in dataclasses.fields(Settings().closure):
        assert field.metadata["meaning"].endswith(".") or field.metadata["meaning"]
        assert field.metadata["basis"]

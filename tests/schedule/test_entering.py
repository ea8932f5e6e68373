"""The money at which a waiting deck enters, and the options worth a look, held against hand and plain loops."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import Choice, Options, Rules, Works, deck_figures, share_at, work_out
from decknet.schedule.meaning import TIMES, _within, budget_prices, entering
from decknet.schedule.offers import Offers, _beaten, make_offers, second_work, two_works
from decknet.settings import Settings
from tests.schedule.plain import plain
from tests.schedule.test_choose import four_decks

SETTINGS = plain()
NAMES = list(SETTINGS.treatment)
PATCH, SEAL, RIGID = (NAMES.index(name) for name in ("patch", "patch and seal", "rigid overlay"))


# ---- prices of more money ------------------------------------------------------------------------


@pytest.mark.basis(
    "derived", "four decks and 80: hull increments 3, 3, 2, 2, then 1.2 split, so a price of 1.2; with 220 none"
)
def test_worth_at_more_money_is_value_less_what_it_costs_at_its_price():
    options = four_decks()
    ladder = budget_prices(options, 4, np.array([73.0]), None, Rules())
    assert tuple(times for times, _ in ladder) == TIMES == (1.1, 1.25, 1.5, 2.0, 3.0, 5.0)
    at_80 = ladder[0][1]  # 1.1 times 73 is 80.3, in whole units 80
    assert at_80 == pytest.approx(options.value - 1.2 * options.money, abs=0.02)
    at_365 = ladder[-1][1]
    assert at_365 == pytest.approx(options.value, abs=1e-6)
    small = budget_prices(options, 4, np.array([20.0]), None, Rules())
    for times, worth in small:
        assert np.isinf(worth).tolist() == (options.money > np.floor(20 * times)).tolist()
    assert budget_prices(options, 4, np.zeros(1), None, Rules()) == []


@pytest.mark.basis(
    "derived", "each option against the money and days of its year, or up to it where money is carried over"
)
def test_options_that_a_years_money_and_days_could_pay_alone():
    years = np.array([0, 0, 1, 1, 1])
    options = Options(np.arange(5), years, np.array([50, 51, 30, 31, 80.0]), np.array([1, 1, 2, 2, 2.1]), np.ones(5))
    money, days = np.array([50.0, 30.0]), np.array([1.0, 2.0])
    assert _within(options, money, days, Rules()).tolist() == [True, False, True, False, False]
    assert _within(options, money, None, Rules(carry_over=True)).tolist() == [True, False, True, True, True]
    assert _within(options, money, days, Rules(carry_over=True)).tolist() == [True, False, True, True, False]
    two = dataclasses.replace(
        options, later=np.array([1, -1, -1, -1, -1]), later_money=np.array([30.0, 0, 0, 0, 0]),
        later_days=np.array([2.0, 0, 0, 0, 0]),
    )  # fmt: skip
    assert _within(two, money, days, Rules()).tolist() == [True, False, True, False, False]
    for change in ({"later_money": np.array([31.0, 0, 0, 0, 0])}, {"later_days": np.array([2.1, 0, 0, 0, 0])}):
        assert not _within(dataclasses.replace(two, **change), money, days, Rules())[0]


def enter(
    worths: dict[float, list[float]],
    now: list[float],
    *,
    barred: bool = False,
    growth: float = 0.0,
    first: float = 0.02,
) -> pd.Series:
    """What is told of deck B, of four options in two years, that waits behind A."""
    frame = pd.DataFrame(
        {"deck_id": ["A", "B"], "area_m2": [400.0, 400.0], "share_now": [0.02, first], "growth_per_yr": [0.0, growth]}
    )
    options = Options(
        np.array([0, 1, 1, 1, 1]), np.array([0, 0, 0, 1, 1]), np.array([9.0, 20, 30, 20, 30]), np.zeros(5),
        np.array([50.0, 10, 12, 9, 11]),
    )  # fmt: skip
    offers = Offers(options, np.array([PATCH, PATCH, SEAL, PATCH, SEAL]), None, np.zeros(5))
    choice = Choice(np.array([0, -1]), 0, 0, 0, np.zeros(2), np.zeros(2), np.array([5.0, *now]), False, False)
    ladder = [(times, np.array([5.0, *worth])) for times, worth in worths.items()]
    waiting = pd.DataFrame({"deck_id": ["B"], "why": ["Waits."]})
    got = entering(
        waiting, np.array([1]), deck_figures(frame, SETTINGS), offers, choice, ladder, np.array([False, barred]), 2027,
        NAMES, np.array([100_000.0, 200_000.0]), SETTINGS,
    )  # fmt: skip
    return got.iloc[0]


NOW = [-10.0, -8.0, -3.0, -9.0]  # of B's options: 20, 20, 12 and 20 are paid for 10, 12, 9 and 11
CASES = {1.25: [-5.0, -4.0, -1.0, -2.0], 1.5: [-1.0, -2.0, 0.0, 0.5], 2.0: [6.0, 7.0, 5.0, 4.0]}


@pytest.mark.basis(
    "derived",
    "at 1.5 times the money the last option is worth .5; its best now pays at 9 / 12 of the price: 25 % cheaper",
)
def test_a_deck_enters_at_the_first_money_at_which_an_option_is_worth_something():
    got = enter(CASES, NOW)
    assert got["enters_at"] == 1.5
    assert got["enters_year"] == 2028
    assert got["enters_budget"] == 300_000
    assert got["why"].startswith(
        "Waits. It would enter at about 1.5 times the money, 300,000 USD in 2028 (patch and seal then)"
    )
    assert got["why"].endswith(", or were it 25 % cheaper.")
    first = enter({2.0: CASES[2.0]}, NOW)
    assert first[["enters_at", "enters_year", "enters_budget"]].tolist() == [2.0, 2027, 200_000]
    assert "(patch and seal then)" in first["why"]  # worth 7, more than the patch's 6
    tie = enter({2.0: [6.0, 6.0, 5.0, 4.0]}, NOW)
    assert "(patch then)" in tie["why"]
    paid_now = enter(CASES, [-10.0, -8.0, 0.0, -9.0])  # as dear as its worth: no cheaper is told
    assert paid_now["why"].endswith("(patch and seal then).")


def test_a_deck_that_enters_at_no_money_looked_at():
    never = enter({1.1: [-5.0] * 4, 3.0: [-1.0, 0.0, -1.0, -2.0]}, NOW)
    assert np.isnan(never["enters_at"])
    assert np.isnan(never["enters_budget"])
    assert never["enters_year"] is pd.NA
    assert never["why"] == "Waits. It would not enter even at 3 times the money."
    assert enter({}, NOW)["why"] == "Waits."
    barred = enter(CASES, NOW, barred=True, growth=0.01)
    assert barred["why"] == "Waits."
    assert np.isnan([barred["enters_at"], barred["wait_cost"]]).all()


@pytest.mark.basis("derived", "a patch of 400 m2: 1,050 x 1.25 x 400 for each whole share; two years of growth dearer")
def test_what_waiting_costs_is_told_from_500_on():
    each = 1_050 * 1.25 * 400
    for growth in (0.000475, 0.00048):
        got = enter({}, NOW, growth=growth)
        assert got["wait_cost"] == round(each * 2 * growth)
        assert ("Left until 2029, its cheapest treatment is" in got["why"]) == (each * 2 * growth >= 500)
    assert enter({}, NOW, growth=0.004)["why"] == "Waits. Left until 2029, its cheapest treatment is 4,200 USD dearer."
    nothing = enter({}, NOW, growth=0.004, first=0.0)  # nothing is meant for it today: no difference is told
    assert np.isnan(nothing["wait_cost"])
    cheaper = enter({}, NOW, growth=0.05, first=0.149)  # past 15 % no patch, but an overlay, is meant for it
    before = 9_000 + each * 0.149
    overlay = 45_000 + 235 * 400 + 600 * 1.25 * 400 * 0.249
    assert cheaper["wait_cost"] == round(overlay - before)
    word = "dearer." if overlay > before else "cheaper (another treatment fits then)."
    assert cheaper["why"].endswith(word)


# ---- options worth a look ----------------------------------------------------------------------------


@pytest.mark.basis("derived", "every pair of treatments of a year compared one by one")
@pytest.mark.parametrize("seed", range(5))
def test_an_option_is_beaten_by_one_no_dearer_no_slower_and_no_worse(seed):
    rng = np.random.default_rng(seed)
    shape = (6, 4, 3)
    money, days, value = (rng.integers(1, 4, shape).astype(float) for _ in range(3))
    permitted = rng.random(shape) < 0.8
    warm = rng.integers(0, 2, 4).astype(float)
    none = np.zeros(shape)
    got = _beaten(Works(permitted, money, days, none, none, none, value, none), permitted, warm)
    for deck, a, year in np.ndindex(*shape):
        mine = (money[deck, a, year], days[deck, a, year], -value[deck, a, year])
        beaten = False
        for b in range(4):
            other = (money[deck, b, year], days[deck, b, year], -value[deck, b, year])
            no_worse = all(x <= y for x, y in zip(other, mine, strict=True)) and warm[b] <= warm[a]
            beaten |= b != a and permitted[deck, b, year] and no_worse and (other != mine or b < a)
        assert got[deck, a, year] == (permitted[deck, a, year] and beaten)
    assert got.any()


def network(settings: Settings):
    frame = pd.DataFrame(
        {
            "deck_id": list("ABCDEF"), "area_m2": [400.0, 700.0, None, 300.0, 900.0, 500.0],
            "share_now": [0.03, 0.09, 0.05, 0.12, 0.14, 0.06], "growth_per_yr": [0.01, 0.02, 0.01, 0.03, 0.02, 0.015],
            "aadt": [900.0, 5_000.0, 10.0, 20_000.0, 300.0, 2_000.0], "surface_kind": "bare",
        }
    )  # fmt: skip
    return deck_figures(frame, settings)


@pytest.mark.basis("derived", "every deck, year and later year tried one by one")
@pytest.mark.parametrize(("exposure_cost", "warm_days"), [(0.0, 0.0), (150.0, 20.0)])
def test_a_patch_and_a_longer_lived_work_later_are_offered_where_both_fit(exposure_cost, warm_days):
    settings = plain(two_steps=1, exposure_cost=exposure_cost, warm_crew_days_per_yr=warm_days)
    decks, years = network(settings), 9
    barred = np.array([False] * 5 + [True])
    urgent = np.array([True] + [False] * 5)
    shared = np.array([0, 500.0, 0, 250.0, 0, 0])
    got = make_offers(decks, NAMES, years, barred, {}, urgent, shared, settings)
    options = got.options
    assert (np.diff(options.deck) >= 0).all()
    found = {}
    for k in np.flatnonzero(options.later >= 0).tolist():
        key = (int(options.deck[k]), int(options.year[k]), int(options.later[k]), int(got.second[k]))
        assert got.treatment[k] == PATCH
        found[key] = k
    works = work_out(decks, NAMES, years, settings)
    longer = [k for k, name in enumerate(NAMES) if settings.treatment[name].life_yr > 7]
    tried = 0
    for deck in (1, 3, 4):  # not urgent, not barred, of known area
        one = decks.part(np.array([deck]))
        for begin in range(years):
            for later in range(begin + 1, years):
                two = two_works(one, begin, later, NAMES, years, settings) if later - begin < 7 else None
                for kind in range(len(NAMES)):
                    key = (deck, begin, later, kind)
                    if two is None or kind not in longer:
                        assert key not in found
                        continue
                    value = two.spared[0, kind] + (two.saved[0, kind] / exposure_cost if exposure_cost else 0.0)
                    fits = works.permitted[deck, PATCH, begin] and two.works.permitted[0, kind, 0] and value > 0
                    assert (key in found) == fits, key
                    if not fits:
                        continue
                    tried, k = tried + 1, found.pop(key)
                    assert options.value[k] == pytest.approx(value, abs=6e-4)
                    assert options.money[k] == works.money[deck, PATCH, begin] - shared[deck]
                    assert options.later_money[k] == two.works.money[0, kind, 0] - shared[deck]
                    assert options.days[k] == works.crew_days[deck, PATCH, begin]
                    assert options.later_days[k] == two.works.crew_days[0, kind, 0]
                    assert got.later_saved[k] == pytest.approx(two.saved[0, kind], abs=0.006)
                    if warm_days:
                        assert options.warm_days[k] == 0.0
                        warm = settings.treatment[NAMES[kind]].warm_only
                        assert options.later_warm_days[k] == warm * options.later_days[k]
    assert not found
    assert tried > 20


def test_single_options_leave_out_what_is_barred_or_beaten_and_keep_what_is_demanded():
    settings = plain(warm_crew_days_per_yr=10.0)
    decks = network(settings)
    nobody = np.zeros(6, dtype=bool)
    shared = np.array([0, 500.0, 0, 250.0, 0, 0])
    allowed = np.zeros((len(NAMES), 3), dtype=bool)
    allowed[RIGID, 2] = True
    barred = np.array([False, False, False, False, True, False])
    got = make_offers(decks, NAMES, 3, barred, {0: allowed}, nobody, shared, settings)
    options = got.options
    assert sorted(set(options.deck.tolist())) == [0, 1, 3, 5]  # C has no area, E is barred
    mine = np.flatnonzero(options.deck == 0)
    assert [(int(options.year[k]), int(got.treatment[k])) for k in mine] == [(2, RIGID)]
    works = work_out(decks, NAMES, 3, settings)
    at = (options.deck, got.treatment, options.year)
    assert options.money.tolist() == (works.money[at] - shared[options.deck]).tolist()
    assert options.days.tolist() == works.crew_days[at].tolist()
    assert options.value.tolist() == works.benefit[at].tolist()
    assert got.later_saved.tolist() == works.later_saved[at].tolist()
    kinds = np.array([settings.treatment[NAMES[k]].warm_only for k in got.treatment])
    assert options.warm_days.tolist() == (kinds * options.days).tolist()
    assert make_offers(decks, NAMES, 3, nobody, {}, nobody, shared, plain()).options.warm_days is None
    hurry = make_offers(decks, NAMES, 3, nobody, {}, np.ones(6, dtype=bool), shared, plain())
    assert sorted(set(hurry.options.deck.tolist())) == [0, 1, 3, 4, 5]


@pytest.mark.basis(
    "derived", "three years after a patch in year 1: a twentieth of what it was, two years' growth, ages three more"
)
def test_what_a_second_work_finds():
    settings = plain()
    frame = pd.DataFrame(
        {"deck_id": ["A"], "area_m2": [400.0], "share_now": [0.05], "growth_per_yr": [0.01], "built_year": [1990]}
    )
    drawn = pd.DataFrame({"deck_id": ["A"], "repair_m2": [9.0], "saw_cut_m": [30.0], "overlay_year": [2020.0]})
    decks = deck_figures(frame, settings, drawn, first_year=2027)
    then = second_work(decks, "patch", np.array([1.0]), 3, settings)
    assert then.share == pytest.approx([0.06 * 0.05 + 0.02])
    assert (then.deck_age.tolist(), then.overlay_age.tolist()) == ([40.0], [10.0])
    assert then.drawn_m2 is None
    assert then.drawn_saw_m is None
    assert share_at(then, 2.0) == pytest.approx([0.023 + 0.02])

"""Demands that do not fit, with the whole of what is said of them worked by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from decknet.errors import BudgetError
from decknet.schedule import Options, Rules, choose_options, make_programme
from tests.schedule.plain import plain

EASY = {"gap": 0.1}


def pinnable(**columns: Any) -> pd.DataFrame:
    """Patches of A and B cost 9,000 + 1,050 x 1.25 x 8 = 19,500 and take .5 + 10 / 9 = 1.7 days; C 30,000 and 2.8."""
    base = {
        "deck_id": ["A", "B", "C"], "area_m2": [400.0, 400.0, 800.0], "share_now": 0.02, "growth_per_yr": 0.0,
        "route": ["R 1", "R 1", "R 2"], "district": ["North", "North", "South"],
    }  # fmt: skip
    return pd.DataFrame(base | columns)


A, B, C = (
    "A 19,500 USD, 1.7 crew days",
    "B 19,500 USD, 1.7 crew days",
    "C 30,000 USD, 2.8 crew days",
)


@pytest.mark.basis("derived", "19,500, 19,500 and 30,000 and 1.7, 1.7 and 2.8 days against each year's money and days")
@pytest.mark.parametrize(
    ("years", "budgets", "more", "said"),
    [
        # 20,500 are left for C; A or B away gives 19,500, no less than the 9,500 it is short of; 2028 has too little
        (
            (2027, 2027, 2027), [59_500.0, 29_999.0], {},
            ("pinned deck C: the pinned lines need 9,500 USD more in 2027 than there is. "
            f"They are {A}; {B}; {C}. The smallest change that fits: raise the limit by 9,500 USD, "
            "or take the pin of A away."),
        ),
        # short by 9,000 at B, and C needs 30,000 besides; no one pin is as much
        (
            (2027, 2027, 2027), [30_000.0, 19_500.0], {},
            ("pinned deck B: the pinned lines need 39,000 USD more in 2027 than there is. "
            f"They are {A}; {B}; {C}. The smallest change that fits: raise the limit by 39,000 USD, "
            "or take several pins away, or pin B to 2028, which has room for it."),
        ),
        # in the second year: C alone is as much as is missing, and the first has room for it
        (
            (2027, 2028, 2028), [49_500.0, 20_000.0], {},
            ("pinned deck C: the pinned lines need 29,500 USD more in 2028 than there is. "
            f"They are {B}; {C}. The smallest change that fits: raise the limit by 29,500 USD, "
            "or take the pin of C away, or pin C to 2027, which has room for it."),
        ),
        # A and B come to 3.4 of 3.0 days; 2028 has room for B beside nothing
        (
            (2027, 2027, None), [90_000.0, 90_000.0], {"crew_days_per_yr": 3.0},
            ("pinned deck B: the pinned lines need 0.4 crew days more in 2027 than there is. "
            f"They are {A}; {B}. The smallest change that fits: raise the limit by 0.4 crew days, "
            "or take the pin of A away, or pin B to 2028, which has room for it."),
        ),
        # C is pinned to 2028 and leaves .2 days there
        (
            (2027, 2027, 2028), [90_000.0, 90_000.0], {"crew_days_per_yr": 3.0},
            ("pinned deck B: the pinned lines need 0.4 crew days more in 2027 than there is. "
            f"They are {A}; {B}. The smallest change that fits: raise the limit by 0.4 crew days, "
            "or take the pin of A away."),
        ),
        # one work a route and year: 2028 is full too where C stands on the route
        (
            (2027, 2027, None), [90_000.0, 90_000.0], {"most_on_route": 1},
            ("pinned deck B: its route has 1 works in 2027 already (programme.most_on_route). The smallest change that "
            "fits: allow one more, or pin B to 2028, which has room for it, or take a pin away."),
        ),
    ],
)  # fmt: skip
def test_pins_that_clash_with_all_that_is_said(years, budgets, more, said):
    pins = {deck: (year, "patch") for deck, year in zip("ABC", years, strict=True) if year}
    with pytest.raises(BudgetError) as clash:
        make_programme(pinnable(), first_year=2027, budgets=budgets, settings=plain(**EASY, **more), pins=pins)
    assert str(clash.value) == said


@pytest.mark.basis("derived", "one work a route and year; C of the same route is pinned to 2028")
def test_a_pin_is_not_moved_to_a_year_that_a_later_pin_fills():
    pins = {"A": (2027, "patch"), "B": (2027, "patch"), "C": (2028, "patch")}
    with pytest.raises(BudgetError) as clash:
        make_programme(
            pinnable(route="R 1"), first_year=2027, budgets=[90_000.0, 90_000.0],
            settings=plain(**EASY, most_on_route=1), pins=pins,
        )  # fmt: skip
    assert str(clash.value) == (
        "pinned deck B: its route has 1 works in 2027 already (programme.most_on_route). The smallest change that "
        "fits: allow one more, or take a pin away."
    )


@pytest.mark.basis("derived", "20,000 of 45,000 kept for South: 25,000 are left to A and B, who take 39,000")
def test_a_clash_with_money_kept_for_another_district_says_so():
    pins = {"A": (2027, "patch"), "B": (2027, "patch")}
    with pytest.raises(BudgetError) as clash:
        make_programme(
            pinnable(), first_year=2027, budgets=[45_000.0], settings=plain(**EASY), pins=pins, kept={"South": 20_000.0}
        )
    assert str(clash.value) == (
        "pinned deck B: the pinned lines need 14,000 USD more in 2027 than there is (part of it is kept for an area). "
        f"They are {A}; {B}. The smallest change that fits: raise the limit by 14,000 USD, or take the pin of A away."
    )


@pytest.mark.basis("derived", "60 and 50 against 100; 2.5 and 2.5 days against 3; kept 30 of 120 leaves 90 against 110")
@pytest.mark.parametrize(
    ("money", "days", "rules", "said"),
    [
        ([200.0, 100.0], None, Rules(), "year 2 of the programme: the lines that must be in it need 10 more money"),
        (
            [200.0, 110.0], np.array([9.0, 3.0]), Rules(),
            "year 2 of the programme: the lines that must be in it need 2 more crew days",
        ),
        (
            [200.0, 120.0], None, Rules(area=np.array([-1, -1]), kept=np.array([[0.0, 30.0]])),
            "year 2 of the programme: the lines that must be in it need 20 more money",
        ),
        (
            [200.0, 120.0], np.array([9.0, 5.0]), Rules(area=np.array([-1, -1]), kept=np.array([[0.0, 30.0]])),
            "year 2 of the programme: the lines that must be in it need 20 more money",
        ),
    ],
)  # fmt: skip
def test_lines_that_must_be_in_and_do_not_fit_together(money, days, rules, said):
    options = Options(np.arange(2), np.ones(2, dtype=int), np.array([60.0, 50.0]), np.full(2, 2.5), np.ones(2))
    with pytest.raises(BudgetError) as clash:
        choose_options(
            options, decks=2, money_limit=np.array(money), days_limit=days, forced=np.ones(2, dtype=bool), rules=rules
        )
    assert str(clash.value) == f"{said} than there is. Raise the limit or take a pin away."


@pytest.mark.basis("derived", "the cheapest of each forced deck; of as cheap ones the quicker, then the one worth more")
def test_the_forced_decks_hold_their_cheapest_option():
    options = Options(
        np.array([0, 0, 0, 0, 1, 2]), np.zeros(6, dtype=int), np.array([9.0, 5, 5, 5, 7, 8]),
        np.array([1.0, 3, 2, 2, 1, 1]), np.array([9.0, 1, 1, 2, 1, 0.5]),
    )  # fmt: skip
    forced = np.array([True, False, True])
    got = choose_options(options, decks=3, money_limit=np.array([13.0]), forced=forced, gap=0.0)
    assert got.taken.tolist() == [3, -1, 5]
    assert (got.value, got.bound) == (2.5, 2.5)
    more = choose_options(options, decks=3, money_limit=np.array([17.0]), forced=forced, gap=0.0)
    assert more.taken.tolist() == [0, -1, 5]  # the dearer one is worth 7 more for 4 more
    with pytest.raises(ValueError, match="a forced deck has no option"):
        choose_options(options, decks=4, money_limit=np.array([17.0]), forced=np.array([False, False, False, True]))
    spread = Options(np.array([0, 0]), np.array([0, 1]), np.ones(2), np.ones(2), np.ones(2))
    with pytest.raises(ValueError, match="more than one year"):
        choose_options(spread, decks=1, money_limit=np.ones(2), forced=np.ones(1, dtype=bool))


# ---- decks that cannot wait ----------------------------------------------------------------------------


def hurried(budgets: list[float], settings: Any = None, **columns: Any) -> dict[str, int]:
    frame = pinnable(urgent="open hole", **columns)
    made = make_programme(frame, first_year=2027, budgets=budgets, settings=settings or plain(**EASY))
    return {str(d): int(y) for d, y in zip(made.lines["deck_id"], made.lines["year"], strict=True)}


@pytest.mark.basis("derived", "patches of 19,500, 19,500 and 30,000 granted in order while the money of a year lasts")
def test_decks_that_cannot_wait_are_granted_in_order_of_priority_then_share_then_number():
    assert hurried([19_500.0], priority=[10.0, 30.0, 20.0]) == {"B": 2027}
    assert hurried([30_000.0], priority=[10.0, 20.0, 30.0]) == {"C": 2027}
    assert hurried([19_500.0]) == {"A": 2027}  # all alike: by number
    assert hurried([19_500.0], priority=[5.0, np.nan, 1.0]) == {"A": 2027}
    # B has more unsound: 9,000 + 1,050 x 1.25 x 12 = 24,750
    assert hurried([24_750.0], share_now=[0.02, 0.03, 0.02]) == {"B": 2027}
    assert hurried([24_749.0], share_now=[0.02, 0.03, 0.02]) == {"A": 2027}
    assert hurried([20_000.0, 50_000.0], priority=[3.0, 2.0, 1.0]) == {"A": 2027, "B": 2028, "C": 2028}
    assert hurried([69_000.0], plain(**EASY, most_on_route=1)) == {"A": 2027, "C": 2027}
    assert hurried([69_000.0, 69_000.0], plain(**EASY, most_on_route=1)) == {"A": 2027, "C": 2027, "B": 2028}
    assert hurried([69_000.0], plain(**EASY, crew_days_per_yr=4.5)) == {"A": 2027, "B": 2027}
    assert hurried([69_000.0], plain(**EASY, crew_days_per_yr=4.5), priority=[2, 1, 3]) == {"A": 2027, "C": 2027}

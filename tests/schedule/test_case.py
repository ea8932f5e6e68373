"""A programme's question: what is refused and with what words, and the limits that it is made into."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest

from decknet.errors import BudgetError, RecordError
from decknet.schedule import Options, make_programme
from decknet.schedule.case import _start_like, pose
from decknet.schedule.offers import Offers
from tests.schedule.plain import plain

SETTINGS = plain()
NAMES = list(SETTINGS.treatment)


def status(**columns: Any) -> pd.DataFrame:
    base = {
        "deck_id": ["C", "A", "B", "D"], "area_m2": [400.0, 500.0, 600.0, 700.0], "share_now": 0.05,
        "growth_per_yr": 0.0, "route": ["R 1", "R 2", "R 1", None], "district": ["South", "North", "South", None],
    }  # fmt: skip
    return pd.DataFrame(base | columns)


def asked(frame: pd.DataFrame | None = None, settings: Any = SETTINGS, **changes: Any):
    base: dict[str, Any] = {
        "first_year": 2027, "budgets": [100.0, 80.0], "pins": {}, "bars": (), "kept": {}, "drawn": None, "paths": None,
    }  # fmt: skip
    return pose(status() if frame is None else frame, settings=settings, **(base | changes))


def test_decks_stand_by_their_number_with_what_is_asked_of_each():
    case = asked(
        status(urgent=["", "open hole", None, "bar"]), pins={"C": (2028, "patch"), "A": (2027, None)}, bars=["B", "D"]
    )
    assert case.ids == ["A", "B", "C", "D"]
    assert case.decks.area_m2.tolist() == [500, 600, 400, 700]
    assert case.urgent.tolist() == [True, False, False, True]
    assert case.barred.tolist() == [False, True, False, True]
    assert case.pinned == {0: (0, -1), 2: (1, NAMES.index("patch"))}
    assert (case.years, case.first_year) == (2, 2027)
    assert case.money_limit.tolist() == [100, 80]
    assert case.days_limit is None
    assert case.names == NAMES
    assert asked(settings=plain(crew_days_per_yr=12.5)).days_limit.tolist() == [12.5, 12.5]


@pytest.mark.parametrize(
    ("budgets", "said"),
    [
        ([], "no budget is given"),
        ([1.0] * 21, r"21 yearly budgets, but benefit is counted over 20 years \(programme\.horizon_yr\)"),
        ([0.0, -0.5], r"budget of 2028: -0\.5 is not an amount of 0 or more"),
        ([float("nan")], "budget of 2027: nan is not an amount"),
        ([1.0, 1.0, float("inf")], "budget of 2029: inf is not an amount"),
    ],
)
def test_budgets_that_are_no_amounts_are_named_by_their_year(budgets, said):
    with pytest.raises(BudgetError, match=said):
        asked(budgets=budgets)


def test_budgets_at_their_limits_are_amounts():
    assert asked(budgets=[0.0] * 20).years == 20


@pytest.mark.parametrize(
    ("frame", "said"),
    [
        (status().drop(columns="deck_id"), "status has no column deck_id"),
        (status(deck_id=["C", None, "B", None]), "status row 2, deck_id: missing"),
        (status(deck_id=["C", "A", "A", "C"]), "status, deck_id: A stands twice"),
    ],
)
def test_decks_without_a_number_or_twice_are_named(frame, said):
    with pytest.raises(RecordError, match=said):
        asked(frame)


# ---- limits -----------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "money kept a year for two districts, of decks A (North), B and C (South), D (none)")
def test_money_kept_by_district():
    rules = asked(kept={"South": 50.0, "North": 30.0}).rules
    assert rules.area.tolist() == [0, 1, 1, -1]
    assert rules.kept.tolist() == [[30.0, 30.0], [50.0, 50.0]]
    assert asked().rules.area is None
    assert asked().rules.kept is None
    rounded = asked(kept={"South": 50.0, "North": 0.0}, budgets=[50.0, 80.0]).rules
    assert rounded.kept.tolist() == [[0.0, 0.0], [50.0, 50.0]]


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        ({"East": 1.0}, r"money kept for East: no deck is in that district\. Known: North, South\."),
        ({"South": -1.0}, r"money kept for South: -1\.0 is not an amount of 0 or more"),
        ({"South": float("nan")}, "money kept for South: nan is not an amount"),
        ({"South": 50.0, "North": 35.0}, r"North, South: 85 a year in all, and the poorest year has 80\. Keep 5 less"),
    ],
)
def test_money_that_cannot_be_kept_is_refused(kept, said):
    with pytest.raises(BudgetError, match=said):
        asked(kept=kept)
    with pytest.raises(BudgetError, match=r"Known: none\."):
        asked(status().drop(columns="district"), kept={"South": 1.0})


@pytest.mark.basis(
    "derived",
    "the set-up shared is no more than the least of all set-ups, 9,000 for a patch, at the prices of the year",
)
@pytest.mark.parametrize(
    ("programme", "set_up"),
    [
        ({"route_set_up": 4_000.0}, 4_000.0),
        ({"route_set_up": 4_000.9}, 4_000.0),
        ({"route_set_up": 12_000.0}, 9_000.0),
        ({"route_set_up": 12_000.0, "price_year": 2028}, 9_548.0),  # 9,000 x 1.03^2 = 9,548.1
        ({"route_set_up": 0.0, "most_on_route": 2}, 0.0),
    ],
)
def test_decks_that_share_a_route_share_a_set_up(programme, set_up):
    rules = asked(settings=plain(**programme)).rules
    assert rules.set_up == set_up
    assert rules.route.tolist() == [-1, 0, 0, -1]  # A is alone on R 2, D on none
    assert rules.most_on_route == programme.get("most_on_route", 0)


def test_where_nothing_hangs_on_routes_there_are_none():
    assert asked(settings=plain(route_set_up=0.0)).rules.route is None
    assert asked(status().drop(columns="route"), settings=plain(route_set_up=4_000.0)).rules.route is None
    nobody = asked(status(route=[None] * 4), settings=plain(route_set_up=4_000.0)).rules.route
    assert nobody.tolist() == [-1] * 4


def test_rules_follow_the_settings():
    rules = asked(settings=plain(carry_over=1, warm_crew_days_per_yr=7.5)).rules
    assert rules.carry_over is True
    assert rules.warm_days.tolist() == [7.5, 7.5]
    none = asked().rules
    assert none.carry_over is False
    assert none.warm_days is None


# ---- another programme to start from -----------------------------------------------------------------


def test_lines_of_another_programme_are_found_among_the_options():
    patch, rigid = NAMES.index("patch"), NAMES.index("rigid overlay")
    options = Options(
        np.array([0, 0, 1, 1, 1, 2]), np.array([0, 1, 0, 0, 1, 1]), np.ones(6), np.ones(6), np.ones(6),
        later=np.array([-1, -1, -1, 1, -1, -1]),
    )  # fmt: skip
    offers = Offers(
        options,
        np.array([patch, patch, patch, patch, rigid, rigid]),
        np.array([-1, -1, -1, rigid, -1, -1]),
        np.zeros(6),
    )
    worst = np.array([0, -1, -1])
    lines = pd.DataFrame(
        {
            "deck_id": ["B", "A", "C", "B", "Z"], "year": [2028, 2028, 2028, 2027, 2027],
            "treatment": ["rigid overlay", "patch", "patch", "patch", "patch"],
        }
    )  # fmt: skip
    ids = ["A", "B", "C"]
    taken, last = _start_like(lines, ids, offers, worst, NAMES, 2027)
    assert taken.tolist() == [1, 3, -1]  # C had a patch, which is not offered; B both its works
    assert last is worst
    single = _start_like(lines.iloc[[1, 3]], ids, offers, worst, NAMES, 2027)[0]
    assert single.tolist() == [1, 2, -1]
    old = lines.assign(treatment="paint")
    assert _start_like(old, ids, offers, worst, NAMES, 2027)[0].tolist() == [-1, -1, -1]
    plain_offers = dataclasses.replace(offers, options=dataclasses.replace(options, later=None), second=None)
    assert _start_like(lines.iloc[[1, 3]], ids, plain_offers, worst, NAMES, 2027)[0].tolist() == [1, 3, -1]
    assert _start_like(None, ids, offers, worst, NAMES, 2027) == [worst]
    assert _start_like(lines.iloc[:0], ids, offers, worst, NAMES, 2027) == [worst]


def test_a_deck_that_cannot_wait_and_is_barred_or_unknown_gets_no_line():
    frame = status(urgent="open hole", area_m2=[400.0, None, 600.0, 700.0], share_now=[0.05, 0.05, None, 0.05])
    made = make_programme(frame, first_year=2027, budgets=[99_000.0], settings=plain(gap=0.1), bars=["D"])
    assert made.lines["deck_id"].tolist() == ["C"]
    assert made.waiting["deck_id"].tolist() == ["A", "B", "D"]
    assert made.waiting["why"].str.contains("annot wait|though it cannot wait").all()

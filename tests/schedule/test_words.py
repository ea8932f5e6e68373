"""The sentences of a programme: each clause where it belongs, each figure as worked by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import Choice, Options, deck_figures
from decknet.schedule.meaning import next_treatments
from decknet.schedule.offers import Offers
from decknet.schedule.reasons import based_on, why_line, why_waiting
from tests.schedule.plain import plain

SETTINGS = plain()
NAMES = list(SETTINGS.treatment)


def test_what_a_share_rests_on():
    frame = pd.DataFrame(
        {
            "survey_date": ["2026-05-12 00:00:00", None, None, None, None, None, "2024-01-02", None],
            "share_from": ["survey", "rating", "rating", "network", "assumption", "survey", "rating", None],
            "deck_rating": [5.0, 6.0, None, 5.0, 5.0, 5.0, 4.0, None],
        }
    )
    assert based_on(frame) == [
        "survey of 2026-05-12",
        "no survey yet: from deck rating 6",
        "no survey yet: from the deck rating",
        "no survey yet: from the other decks of the network",
        "no survey yet: assumed",
        "survey, date not known",
        "survey of 2024-01-02; share from deck rating 4",
        "no survey yet: source of the share not given",
    ]
    assert based_on(pd.DataFrame({"deck_id": ["A"]})) == ["no survey yet: source of the share not given"]


def line(
    urgent_words: str | None = None,
    fits: bool = True,
    spared: float = 1_230.4,
    second: bool = False,
    worse: float = np.nan,
    **changes: Any,
) -> str:
    """The reason of one line, in a programme from 2027 on."""
    base = {
        "based_on": "survey of 2024-05-01",
        "label": "Patch", "year": 2028, "cost": 12_300.0, "share_before": 0.052, "share_after": 0.0026,
        "later_saved": 0.0, "shares_set_up": 0, "route": "R 1", "urgent": False, "pinned": False,
    }  # fmt: skip
    frame = pd.DataFrame({name: [value] for name, value in (base | changes).items()})
    words = pd.Series([urgent_words])
    return why_line(
        frame, words, np.array([fits]), np.array([spared]), np.array([second]), np.array([worse]), 2027, SETTINGS
    )[0]  # fmt: skip


PLAIN_LINE = (
    "Patch in 2028 for 12,300 USD takes an expected 5.2 % unsound to 0.3 % and spares 1,230 m²·yr of unsound deck "
    "(weighted by traffic)"
)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, PLAIN_LINE + "."),
        ({"later_saved": 1.0}, PLAIN_LINE + " and saves 1 USD after the last year."),
        ({"later_saved": 0.9}, PLAIN_LINE + "."),
        ({"second": True}, PLAIN_LINE + "; the second of two works, after a patch that holds until then."),
        (
            {"worse": 0.485},
            PLAIN_LINE + "; judged by what was found, by now 49 %, not by the less that is expected, until the deck is "
            "sounded again.",
        ),
        ({"shares_set_up": 1}, PLAIN_LINE + "; shares its set-up on R 1 with 1 more."),
        ({"pinned": True}, PLAIN_LINE + "; pinned by the engineer."),
        (
            {"based_on": "no survey yet: from deck rating 5"},
            PLAIN_LINE + "; sound the deck before the job is let, since no survey of it is on record.",
        ),
        (
            {"pinned": True, "fits": False},
            PLAIN_LINE + "; pinned by the engineer; the share lies outside the range the treatment is meant for.",
        ),
        ({"fits": False}, PLAIN_LINE + "; a holding repair, since no treatment is meant for this share."),
        (
            {"urgent": True, "urgent_words": " open hole. "},
            "Cannot wait (open hole), but the money of earlier years did not reach: p" + PLAIN_LINE[1:] + ".",
        ),
        (
            {"urgent": True, "urgent_words": "open hole", "year": 2027},
            "Cannot wait (open hole): p" + PLAIN_LINE[1:].replace("2028", "2027") + ".",
        ),
        (
            {"urgent": True, "urgent_words": "open hole", "pinned": True},
            "Cannot wait (open hole): p" + PLAIN_LINE[1:] + "; pinned by the engineer.",
        ),
        ({"share_after": 0.001}, PLAIN_LINE.replace("0.3 %", "0.1 %") + "."),
    ],
)
def test_a_line_says_each_thing_that_holds_of_it_and_no_other(changes, said):
    assert line(**changes) == said


# ---- why a deck waits ------------------------------------------------------------------------------


def waits(
    rows: list[tuple[float, float, float]],
    *,
    share: float | None = 0.05,
    area: float | None = 400.0,
    barred: bool = False,
    urgent: bool = False,
    full_part: float | None = None,
    money_price: float = 0.001,
    days_price: float = 0.0,
    richest: float = 20_000.0,
    crew_days: float = 0.0,
) -> str:
    """Why one deck waits that has options of (money, days, value) in the first of two years."""
    settings = plain(crew_days_per_yr=crew_days)
    frame = pd.DataFrame({"deck_id": ["A", "B"], "area_m2": [area, 1.0], "share_now": [share, 0.5]})
    limits = pd.DataFrame({"deck_id": ["A"], "repair_m2": [np.nan], "saw_cut_m": [np.nan], "full_part": [full_part]})
    decks = deck_figures(frame, settings, None if full_part is None else limits)
    table = np.array([*((0, *row) for row in rows), (1, 1.0, 0.1, 9_999.0)], dtype=float)
    options = Options(
        table[:, 0].astype(int), np.zeros(len(table), dtype=int), table[:, 1], table[:, 2], table[:, 3]
    )  # fmt: skip
    kinds = np.array([*range(len(rows)), 0])
    prices = np.array([money_price, 0.0]), np.array([days_price, 0.0])
    choice = Choice(np.full(2, -1), 0.0, 0.0, 0.0, *prices, np.zeros(len(table)), False, False)
    return why_waiting(
        np.array([0]), decks, options, kinds, choice, np.array([barred, False]), np.array([urgent, False]),
        np.array([richest, 100.0]), NAMES, settings,
    )[0]  # fmt: skip


PATCH, SEAL = (15_000.0, 2.0, 100.0), (18_000.0, 1.0, 130.0)
URGENT = (
    "Cannot wait, but needs at least 15,000 USD (patch and seal); what pinned and more pressing decks leave does "
    "not reach."
)
LESS = (
    "Needs at least 15,000 USD (patch); would buy less for the money and crew days than the lines chosen; "
    "5.0 % expected unsound."
)
ENOUGH = (
    "Needs at least 15,000 USD (patch); worth its money and crew days, but no year has enough left; "
    "5.0 % expected unsound."
)


@pytest.mark.basis("derived", "worth at prices by hand: value less money at .001 or .01 and days at 0 or 60")
@pytest.mark.parametrize(
    ("rows", "changes", "said"),
    [
        ([PATCH], {"barred": True}, "Barred by the engineer."),
        ([PATCH], {"barred": True, "urgent": True}, "Barred by the engineer, though it cannot wait."),
        ([], {"area": None}, "Cannot be costed: its length or width is not known."),
        ([], {"area": None, "urgent": True}, "Cannot wait, but cannot be costed: its length or width is not known."),
        ([], {"share": None}, "Cannot be costed: its unsound share is not known."),
        ([], {"share": None, "urgent": True}, "Cannot wait, but cannot be costed: its unsound share is not known."),
        ([], {"share": 0.001}, "No treatment is meant for it: 0.1 % expected unsound, in no year of the programme."),
        (
            [],
            {"share": 0.08, "full_part": 0.5},
            "No treatment is meant for it: 8.0 % expected unsound, 4.0 % to full depth, in no year of the programme.",
        ),
        (
            [],
            {"share": 0.08, "full_part": 0.0},
            "No treatment is meant for it: 8.0 % expected unsound, in no year of the programme.",
        ),
        (
            [SEAL, PATCH],
            {"urgent": True},
            URGENT,
        ),
        (
            [(15_000.0, 2.0, 0.0)],
            {},
            (
                "Too little to treat yet: 5.0 % expected unsound, and no treatment would spare anything within the "
                "horizon."
            ),
        ),
        (  # another option of it spares something
            [(15_000.0, 2.0, 0.0), (18_000.0, 1.0, 130.0)],
            {},
            "Needs at least 15,000 USD (patch); worth its money, but no year has enough left; 5.0 % expected unsound.",
        ),
        (
            [PATCH],
            {"richest": 14_999.0},
            "Needs at least 15,000 USD (patch), more than any year's money; 5.0 % expected unsound.",
        ),
        (
            [PATCH],
            {"richest": 15_000.0},
            "Needs at least 15,000 USD (patch); worth its money, but no year has enough left; 5.0 % expected unsound.",
        ),
        ([PATCH], {"crew_days": 1.9}, "Needs 2.0 crew days, more than any year has; 5.0 % expected unsound."),
        (
            [PATCH],
            {"crew_days": 2.0},
            ENOUGH,
        ),
        (
            [PATCH],
            {"money_price": 0.01},
            (
                "Needs at least 15,000 USD (patch); would buy less for the money than the lines chosen; "
                "5.0 % expected unsound."
            ),
        ),
        (
            [PATCH],
            {"crew_days": 5.0, "days_price": 60.0},
            LESS,
        ),
        (
            [PATCH, SEAL],  # the dearer one takes a day less and is worth it
            {"crew_days": 5.0, "days_price": 60.0},
            ENOUGH,
        ),
    ],
)
def test_a_deck_says_why_it_waits(rows, changes, said):
    assert waits(rows, **changes) == said


def test_a_share_below_the_least_of_any_treatment_is_too_little():
    assert waits([], share=0.0009).startswith("Too little to treat yet: ")


# ---- why not another treatment ----------------------------------------------------------------------


def not_else(
    rows: list[tuple[int, float, float, float]], taken: int, second: bool = False, later: list[int] | None = None
) -> str:
    """Why not another of one deck's options of (year, money, value, worth); a second deck stands behind it."""
    table = np.array([*rows, (0, 1.0, 1.0, 1.0)], dtype=float)
    n = len(table)
    options = Options(
        np.array([*[0] * (n - 1), 1]), table[:, 0].astype(int), table[:, 1], np.zeros(n), table[:, 2],
        later=None if later is None else np.array([*later, -1]),
    )  # fmt: skip
    kinds = np.array([*[k % len(NAMES) for k in range(n - 1)], 0])
    offers = Offers(options, kinds, None, np.zeros(n))
    choice = Choice(np.array([taken, -1]), 0.0, 0.0, 0.0, np.zeros(2), np.zeros(2), table[:, 3], False, False)
    return next_treatments(np.array([0]), np.array([taken]), np.array([second]), offers, choice, NAMES, SETTINGS)[0]


THREE = [
    (0, 10_000.0, 1_000.0, 600.0),
    (0, 14_000.0, 1_300.0, 740.0),
    (0, 30_000.0, 1_700.0, 500.0),
    (1, 9_000.0, 900.0, 540.0),
]


@pytest.mark.basis(
    "derived",
    "patch 1,000 for 10,000 and 400 of it paid at prices; patch and seal 1,300, 14,000, 560; thin overlay 1,700, "
    "30,000, 1,200: 4,000 less spares 300 less and buys 160 elsewhere; 16,000 more spares 400 more, elsewhere 640",
)
def test_the_next_cheaper_and_dearer_treatment_with_what_the_money_buys_elsewhere():
    assert not_else(THREE, 1) == (
        "Patch would save 4,000 USD and spare 300 m²·yr less; elsewhere that buys about 160; "
        "thin polymer overlay would cost 16,000 USD more and spare 400 m²·yr more; elsewhere that buys about 640."
    )
    assert not_else(THREE, 0) == (
        "No cheaper treatment worth a look is meant for it in that year; "
        "patch and seal would cost 4,000 USD more and spare 300 m²·yr more; worth it by price, but the year's "
        "money does not reach."
    )
    assert not_else(THREE, 2) == (
        "Patch and seal would save 16,000 USD and spare 400 m²·yr less; near enough the same by price, but what it "
        "saves fits nowhere else as well; no dearer one spares more."
    )
    assert not_else(THREE, 3) == (
        "No cheaper treatment worth a look is meant for it in that year; no dearer one spares more."
    )
    assert not_else(THREE, 1, second=True) == ""


@pytest.mark.basis("derived", "worth at prices is level: what is saved buys elsewhere just what is spared less")
def test_treatments_that_are_worth_the_same_at_the_prices():
    level = [(0, 10_000.0, 1_000.0, 600.0), (0, 14_000.0, 1_300.0, 600.0)]
    assert not_else(level, 1).startswith(
        "Patch would save 4,000 USD and spare 300 m²·yr less; elsewhere that buys about 300; "
    )
    assert not_else(level, 0).endswith(
        "patch and seal would cost 4,000 USD more and spare 300 m²·yr more; elsewhere that buys about 300."
    )
    # what is saved is worth nothing elsewhere
    free = [(0, 10_000.0, 1_000.0, 1_000.0), (0, 14_000.0, 1_300.0, 1_310.0)]
    assert "Patch would save 4,000 USD and spare 300 m²·yr less; elsewhere that buys about 0; " in not_else(free, 1)


def test_options_with_a_second_work_are_not_set_beside_single_ones():
    rows = [*THREE[:2], (0, 12_000.0, 1_200.0, 600.0)]
    assert "4,000 USD" in not_else(rows, 1, later=[-1, -1, 1])
    assert "2,000 USD" in not_else(rows, 1, later=[-1, -1, -1])
    assert not_else(rows, 2, later=[-1, -1, 1]) == ""  # a first of two works

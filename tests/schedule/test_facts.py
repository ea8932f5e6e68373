"""The facts of a programme and its yardsticks, of decks of which one alone can be paid."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import make_programme
from tests.schedule.plain import plain

SETTINGS = plain(gap=0.1, discount_per_yr=0.0)


def status(**columns: object) -> pd.DataFrame:
    # patches of 9,000 + 1,050 x 1.25 x 8, 9 and 7 m2: 19,500, 20,813 and 18,188
    base = {
        "deck_id": ["A", "B", "C", "D"], "area_m2": [400.0, 300.0, 350.0, 1_000.0],
        "share_now": [0.02, 0.03, 0.02, 0.4], "growth_per_yr": 0.0,
        "aadt": [20_000.0, 900.0, 2_000.0, 100.0], "surface_kind": "latex overlay",
    }  # fmt: skip
    return pd.DataFrame(base | columns)


def made(frame: pd.DataFrame, **more: object):
    return make_programme(frame, first_year=2026, budgets=[21_000.0], settings=SETTINGS, **more)


@pytest.mark.basis(
    "derived", "the worst that can be paid is B; the busiest by share and traffic A; priorities as given"
)
@pytest.mark.parametrize(
    ("columns", "first"),
    [({}, "A"), ({"priority": [1.0, 2.0, 3.0, 4.0]}, "C"), ({"priority": [1.0, None, 0.5, 0.0]}, "A")],
)
def test_yardsticks_take_the_worst_and_the_highest_in_rank(columns, first):
    frame = status(**columns)
    table = made(frame).yardsticks.set_index("way")
    aadt = frame.set_index("deck_id")["aadt"]
    assert table.loc["priority order", "spent_aadt"] == pytest.approx(aadt[first])
    assert table.loc["worst first", "spent_aadt"] == pytest.approx(aadt["B"])
    assert table["works"].tolist() == [1, 1, 1, 0]


@pytest.mark.basis(
    "derived", "400 x .02, 300 x .03, 350 x .02 and 1,000 x .4 m2, A's patched to a twentieth; D is past 10 %"
)
def test_facts_by_hand():
    frame = status()
    got = made(frame)
    assert got.lines["deck_id"].tolist() == ["A"]
    facts = got.facts
    assert facts["unsound_end_nothing_m2"] == pytest.approx(8 + 9 + 7 + 400)
    assert facts["unsound_end_m2"] == pytest.approx(0.4 + 9 + 7 + 400)
    assert facts["past_share"] == pytest.approx(1_000 / 2_050)
    assert facts["past_share_nothing"] == pytest.approx(1_000 / 2_050)
    assert (facts["cost_total"], facts["budget_total"]) == (19_500, 21_000)
    assert facts["value"] == pytest.approx(8 * 0.95 * 7 * 20**0.4, abs=0.001)
    assert facts["value_worst_first"] == pytest.approx(9 * 0.95 * 7 * 0.9**0.4, abs=0.001)
    assert facts["user_cost_total"] == pytest.approx(got.lines["user_cost"].sum())
    unknown = made(status(area_m2=[400.0, 300.0, None, 1_000.0], share_now=[0.02, None, 0.02, 0.4]))
    assert unknown.facts["past_share"] == pytest.approx(1_000 / 1_400)
    assert unknown.facts["unsound_end_nothing_m2"] == pytest.approx(408)


def test_what_is_not_asked_to_be_explained_is_left_out_and_the_choice_the_same():
    whole, short = made(status()), made(status(), explain=False)
    pd.testing.assert_frame_equal(whole.lines, short.lines)
    assert short.yardsticks.empty
    assert short.shares.empty
    assert list(short.waiting.columns) == ["deck_id", "why"]
    assert whole.waiting["deck_id"].tolist() == short.waiting["deck_id"].tolist() == ["B", "C", "D"]
    assert {"enters_at", "enters_year", "enters_budget", "wait_cost"} < set(whole.waiting.columns)
    assert whole.shares["planned"].notna().all()
    by_deck = whole.shares.set_index("deck_id")
    assert by_deck.loc["A", ["nothing", "planned"]].tolist() == pytest.approx([0.02, 0.001])
    assert np.isclose(by_deck.loc["D", "planned"], 0.4)

"""A programme over draws: each draw's costs and outcome worked out again from the shares and growth drawn."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.rank.draws import draws
from decknet.schedule import deck_figures, doubt_of, make_programme, share_at
from decknet.schedule.doubt import _works_of
from decknet.schedule.yardsticks import end_shares
from tests.schedule.plain import plain

COUNT, SEED = 9, 5
SETTINGS = plain(gap=0.1, discount_per_yr=0.0, traffic_power=0.0)
NAMES = list(SETTINGS.treatment)


def status(**columns: object) -> pd.DataFrame:
    base = {
        "deck_id": ["A", "B", "C"], "area_m2": [400.0, 600.0, 900.0], "share_now": [0.05, 0.08, 0.12],
        "growth_per_yr": [0.01, 0.02, 0.005], "aadt": 1_000.0, "share_low": [0.03, 0.08, 0.10],
        "share_high": [0.08, 0.08, 0.14], "growth_low": [0.005, 0.02, 0.004], "growth_high": [0.02, 0.02, 0.01],
        "surface_kind": "latex overlay",
    }  # fmt: skip
    return pd.DataFrame(base | columns)


def drawn(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """The shares and growths that the same seed gives."""
    known = frame.assign(aadt=0.0, aadt_from="count")
    share, growth, _ = draws(known, SETTINGS.rank)(slice(0, len(frame)), COUNT, np.random.default_rng(SEED))
    return share.astype(float), growth.astype(float)


def asked(frame: pd.DataFrame, budgets: list[float], settings=SETTINGS, **more):
    made = make_programme(frame, first_year=2027, budgets=budgets, settings=settings, **more)
    found = doubt_of(
        made, frame, first_year=2027, budgets=budgets, settings=settings, rng=np.random.default_rng(SEED), count=COUNT,
        **more,
    )  # fmt: skip
    return made, found


def patch_cost(area: float, share: float) -> float:
    return float(np.ceil(np.round(9_000 + 1_050 * min(1.25 * share, 1.0) * area, 6)))


@pytest.mark.basis(
    "derived", "A patched in 2027 and C in 2028: cost, benefit and end of every draw by hand, then their quantiles"
)
def test_costs_and_outcome_of_each_draw_by_hand():
    frame = status()
    pins = {"A": (2027, "patch"), "C": (2028, "patch")}
    budgets = [42_000.0, 165_000.0]
    made, found = asked(frame, budgets, pins=pins, bars=("B",))
    assert made.lines["deck_id"].tolist() == ["A", "C"]
    share, growth = drawn(frame)
    later = np.minimum(share[:, 2] + growth[:, 2], 1.0)
    a = np.array([patch_cost(400.0, s) for s in share[:, 0]])
    c = np.array([patch_cost(900.0, s) for s in later])
    years = found.years.set_index("year")
    for year, cost, limit in ((2027, a, 42_000.0), (2028, c, 165_000.0)):
        told = years.loc[year, ["cost_low", "cost_middle", "cost_high"]].tolist()
        assert told == pytest.approx(np.quantile(cost, [0.1, 0.5, 0.9]).tolist())
        assert years.loc[year, "over"] == pytest.approx((cost > limit).mean())
    assert 0 < years["over"].mean() < 1
    out = found.outcome.set_index("measure")[["low", "middle", "high"]]
    assert out.loc["cost"].tolist() == pytest.approx(np.quantile(a + c, [0.1, 0.5, 0.9]).tolist())
    # a patch takes .95 of the share at its time and holds for seven years
    value = 0.95 * 7 * (400 * share[:, 0] + 900 * later)
    assert out.loc["value"].tolist() == pytest.approx(np.quantile(value, [0.1, 0.5, 0.9]).tolist(), abs=0.01)
    area = np.array([400.0, 600.0, 900.0])
    nothing = np.minimum(share + 2 * growth, 1.0)
    end = nothing.copy()
    end[:, 0] = 0.05 * share[:, 0] + 2 * growth[:, 0]
    end[:, 2] = 0.05 * later + growth[:, 2]
    for name, shares in (("unsound_end_m2", end), ("unsound_end_nothing_m2", nothing)):
        assert out.loc[name].tolist() == pytest.approx(np.quantile(shares @ area, [0.1, 0.5, 0.9]).tolist())
    assert found.lines[["deck_id", "year"]].to_numpy().tolist() == [["A", 2027], ["C", 2028]]
    assert found.waiting["deck_id"].tolist() == ["B"]
    assert (found.waiting["chance_in"] == 0).all()
    assert found.draws == COUNT


@pytest.mark.basis("derived", "pinned lines that cost more than the year has are counted, and leave the other draws")
def test_draws_in_which_the_pins_cost_too_much_are_counted():
    frame = status()
    pins = {"A": (2027, "patch"), "C": (2028, "patch")}
    budgets = [42_000.0, 165_000.0]
    _, found = asked(frame, budgets, pins=pins, bars=("B",))
    share, growth = drawn(frame)
    a = np.array([patch_cost(400.0, s) for s in share[:, 0]])
    c = np.array([patch_cost(900.0, s) for s in np.minimum(share[:, 2] + growth[:, 2], 1.0)])
    assert found.unfit == ((a > budgets[0]) | (c > budgets[1])).sum()
    assert 0 < found.unfit < COUNT
    assert found.lines[["sure_year", "sure_any"]].to_numpy().tolist() == [[1.0, 1.0]] * 2  # in all that fit


@pytest.mark.basis("derived", "carried over, the money up to a year counts, not that of the year")
def test_carried_over_money_counts_up_to_each_year():
    settings = dataclasses.replace(SETTINGS, programme=dataclasses.replace(SETTINGS.programme, carry_over=1))
    frame = status()
    pins = {"A": (2027, "patch"), "C": (2028, "patch")}
    _, found = asked(frame, [60_000.0, 140_000.0], settings, pins=pins, bars=("B",))
    share, growth = drawn(frame)
    a = np.array([patch_cost(400.0, s) for s in share[:, 0]])
    c = np.array([patch_cost(900.0, s) for s in np.minimum(share[:, 2] + growth[:, 2], 1.0)])
    over = found.years["over"].tolist()
    assert over == pytest.approx([(a > 60_000).mean(), (a + c > 200_000).mean()])
    assert over[1] != (c > 140_000).mean()


@pytest.mark.basis(
    "derived", "money for one of two decks alike in all but number: sure by the draws in which each is worth more"
)
def test_how_sure_lines_are_and_how_often_the_others_come_in():
    frame = status(
        deck_id=["A", "B", "C"], area_m2=[600.0] * 3, share_now=[0.08, 0.075, 0.0],
        growth_per_yr=0.0, share_low=[0.05, 0.05, 0.0], share_high=[0.12, 0.12, 0.0], growth_low=0.0, growth_high=0.0,
    )  # fmt: skip
    free = dataclasses.replace(SETTINGS.treatment["patch"], set_up=0.0, per_repair_m2=0.0, per_deck_m2=100.0)
    settings = dataclasses.replace(SETTINGS, treatment={"patch": free})
    made, found = asked(frame, [60_000.0], settings)  # one patch, whatever the share
    assert made.lines["deck_id"].tolist() == ["A"]
    share, _ = drawn(frame)
    better = (share[:, 0] > share[:, 1]).mean()
    assert 0 < better < 1
    line = found.lines.iloc[0]
    assert (line["sure_year"], line["sure_any"]) == pytest.approx((better, better))
    chance = found.waiting.set_index("deck_id")["chance_in"]
    assert chance["B"] == pytest.approx(1 - better)
    assert chance["C"] == 0.0
    assert found.unfit == 0


def test_works_of_lines_know_their_first_and_second():
    lines = pd.DataFrame(
        {"deck_id": ["A", "B", "A"], "year": [2027, 2028, 2030], "treatment": ["patch", "rigid overlay", "new deck"]}
    )
    got = _works_of(lines, np.array([0, 1, 0]), NAMES, 2027)
    assert got.row.tolist() == [0, 1, 0]
    assert got.kind.tolist() == [NAMES.index(name) for name in lines["treatment"]]
    assert got.year.tolist() == [0, 1, 3]
    assert got.begin.tolist() == [0, 1, 0]
    assert got.later.tolist() == [3, -1, 3]
    assert got.second.tolist() == [False, False, True]
    decks = deck_figures(status(), SETTINGS)
    end = end_shares(decks, got, NAMES, 5, SETTINGS)
    assert end[2] == pytest.approx(share_at(decks, 5.0)[2])
    assert end[0] == pytest.approx(0.0)  # a new deck rests twenty years

"""What one more sounding is worth, told again deck by deck, share by share and reading by reading."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from decknet.rank.sound import closure_hours
from decknet.schedule import deck_figures, look_worth, work_out
from decknet.schedule.case import pose, solve
from decknet.schedule.doubt import redrawn
from decknet.schedule.looking import Likely, _commonest, _may_be, net_worth
from decknet.schedule.treatments import permitted
from tests.schedule.plain import plain

SETTINGS = plain(gap=0.1, discount_per_yr=0.0, traffic_power=0.0)
NAMES = list(SETTINGS.treatment)
ASKED: dict[str, Any] = {
    "first_year": 2027, "budgets": [70_000.0, 30_000.0], "pins": {}, "bars": (), "kept": {}, "drawn": None,
    "paths": None,
}  # fmt: skip


def status(**columns: Any) -> pd.DataFrame:
    base = {
        "deck_id": ["B", "A", "C", "D"], "area_m2": [600.0, 400.0, 900.0, 500.0],
        "share_now": [0.08, 0.09, 0.14, 0.03], "share_low": [0.05, 0.06, None, 0.02],
        "share_high": [0.15, 0.13, 0.22, 0.2], "growth_per_yr": [0.01, 0.02, 0.005, 0.01],
        "growth_low": [0.005, 0.01, 0.004, None], "growth_high": [0.03, 0.03, None, 0.02], "aadt": 3_000.0,
        "survey_date": pd.Timestamp("2024-05-01"), "lanes": [2.0, 4.0, None, 2.0], "surface_kind": "bare",
    }  # fmt: skip
    return pd.DataFrame(base | columns)


@pytest.mark.basis("derived", "the mean of each of 25 equal parts of the normal distribution, by the normal density")
def test_the_shares_that_a_deck_may_stand_at():
    case = pose(status(), settings=SETTINGS, **ASKED)
    mine = status().set_index("deck_id").reindex(case.ids)
    share, growth, now = _may_be(mine, case, SETTINGS)
    assert share.shape == growth.shape == (25, 4)
    assert now.tolist() == [0.09, 0.08, 0.14, 0.03]
    edges = norm.ppf(np.arange(26) / 25)
    z = 25 * (norm.pdf(edges[:-1]) - norm.pdf(edges[1:]))
    rho = SETTINGS.rank.share_with_growth
    for n, row in enumerate(mine.itertuples()):
        low, high = (row.share_now if np.isnan(v) else v for v in (row.share_low, row.share_high))
        ends = (row.share_now - low, high - row.share_now)
        wanted = [row.share_now + v * ends[int(v > 0)] / norm.ppf(0.9) for v in z]
        assert share[:, n] == pytest.approx(np.clip(wanted, 0.0, 1.0), abs=2e-6)
        low, high = (row.growth_per_yr if np.isnan(v) else v for v in (row.growth_low, row.growth_high))
        ends = (row.growth_per_yr - low, high - row.growth_per_yr)
        wanted = [row.growth_per_yr + rho * v * ends[int(v > 0)] / norm.ppf(0.9) for v in z]
        assert growth[:, n] == pytest.approx(np.maximum(wanted, 0.0), abs=2e-6)
    # ends on the wrong side of the middle, and none at all, leave no doubt; no share passes 0 or 1
    odd = status(share_low=0.5, share_high=0.01).drop(columns=["growth_low", "growth_high"]).set_index("deck_id")
    share, growth, _ = _may_be(odd.reindex(case.ids), case, SETTINGS)
    assert np.ptp(share, axis=0).tolist() == np.ptp(growth, axis=0).tolist() == [0.0] * 4
    wide = status(share_now=0.5, share_low=0.0, share_high=1.0).set_index("deck_id").reindex(case.ids)
    assert _may_be(wide, case, SETTINGS)[0][[0, -1], 0].tolist() == [0.0, 1.0]


@pytest.mark.basis("derived", "value less money and days at their prices; not allowed: the best that is, or none")
def test_what_works_are_worth_on_decks_as_they_stand():
    decks = deck_figures(status(), SETTINGS)
    works = work_out(decks, NAMES, 2, SETTINGS)
    changed = 0
    for price in ((np.array([0.01, 0.02]), np.array([1.0, 3.0])), (np.array([0.5, 0.0]), np.array([0.0, 900.0]))):
        got = net_worth(decks, NAMES, 2, price, SETTINGS)
        for n, k, y in np.ndindex(*got.shape):
            nets = [
                works.benefit[n, j, y] - works.money[n, j, y] * price[0][y] - works.crew_days[n, j, y] * price[1][y]
                for j in range(len(NAMES))
            ]
            allowed = [nets[j] for j in range(len(NAMES)) if works.permitted[n, j, y]]
            changed += not works.permitted[n, k, y]
            assert got[n, k, y] == pytest.approx(nets[k] if works.permitted[n, k, y] else max([0.0, *allowed]))
    assert changed > 10


def test_the_change_that_is_likeliest():
    chance = np.array([0.2, 0.3, 0.1, 0.4])
    assert _commonest(np.array([4, 7, 4, -2]), chance) == 4  # .3 and .3: the least
    assert _commonest(np.array([-1, 7, -1, -2]), chance) == -1
    assert _commonest(np.array([4, 7, 5, -2]), chance) == 7
    assert _commonest(np.array([-2, -2, -2, -2]), chance) == -2
    assert _commonest(np.array([3, 3, 3, 3]), chance) == 3


def one_deck(frame: pd.DataFrame, n: int, case: Any, price: tuple[np.ndarray, np.ndarray]) -> dict[str, Any]:
    """Gain, chance and choices of a deck, by loops over shares, readings and works."""
    share, growth, now = (a[..., n] for a in _may_be(frame.set_index("deck_id").reindex(case.ids), case, SETTINGS))
    one = case.decks.part(np.array([n]))
    works = [(k, y) for k in range(len(NAMES)) for y in range(2)]
    words = [f"{SETTINGS.treatment[NAMES[k]].label} in {2027 + y}" for k, y in works] + [""]

    def at(s: float, g: float) -> Any:
        return redrawn(one, np.array([s]), np.array([g]), np.array([now]))

    nets = [net_worth(at(s, g), NAMES, 2, price, SETTINGS)[0] for s, g in zip(share, growth, strict=True)]
    likely = Likely(share[:, None], SETTINGS.growth.survey_cv, SETTINGS.growth.survey_floor)

    def best(values: list[float], may: np.ndarray) -> tuple[int, float]:
        allowed = [(v, -w) for w, (v, (k, y)) in enumerate(zip(values, works, strict=True)) if may[k, y]]
        top = max(allowed, default=(-np.inf, 1))
        return (-top[1], top[0]) if top[0] > 0 or (case.urgent[n] and allowed) else (-1, 0.0)

    after, before = [], np.zeros(len(works))
    for r in range(len(likely.chance)):
        weight = likely.weight[r, :, 0]
        values = [round(sum(w * net[k, y] for w, net in zip(weight, nets, strict=True)), 3) for k, y in works]
        middle, pace = float(weight @ share), float(weight @ growth)
        above = np.array([likely.reading[r, 0] - middle])
        after.append(best(values, permitted(at(middle, pace), NAMES, 2, SETTINGS, above)[0]))
        before += likely.chance[r] * np.array(values)
    first, value = best(np.round(before, 3).tolist(), permitted(one, NAMES, 2, SETTINGS, one.found_above)[0])
    often: dict[int, float] = {}
    for (choice, _), p in zip(after, likely.chance, strict=True):
        if choice != first:
            often[choice] = often.get(choice, 0.0) + p
    then = min(often, key=lambda c: (-round(often[c], 6), c)) if often else None
    return {
        "gain": max(sum(p * v for (_, v), p in zip(after, likely.chance, strict=True)) - value, 0.0),
        "chance": sum(often.values()), "now": words[first], "then": "" if then is None else words[then],
    }  # fmt: skip


@pytest.mark.basis("derived", "each deck apart, by loops over 25 shares, 125 readings and every treatment and year")
@pytest.mark.parametrize("columns", [{}, {"found_grown": [0.13, 0.09, 0.2, 0.03], "urgent": ["hole", "", None, "bar"]}])
def test_what_one_more_sounding_is_worth_deck_by_deck(columns):
    frame = status(**columns)
    case = pose(frame, settings=SETTINGS, **ASKED)
    choice = solve(case, SETTINGS, gap=1.0).choice
    got = look_worth(frame, settings=SETTINGS, **ASKED).set_index("deck_id")
    hours = dict(zip(frame["deck_id"], closure_hours(frame["area_m2"], frame["lanes"], SETTINGS.sounding), strict=True))
    gains = []
    for n, deck in enumerate(case.ids):
        told = one_deck(frame, n, case, (choice.money_price, choice.days_price))
        row = got.loc[deck]
        assert row["gain"] == pytest.approx(told["gain"], abs=3e-3)
        assert row["chance"] == pytest.approx(told["chance"], abs=1e-4)
        assert (row["now"], row["then"]) == (told["now"], told["then"])
        assert row["closure_h"] == pytest.approx(hours[deck])
        assert row["gain_per_h"] == pytest.approx(told["gain"] / hours[deck], abs=2e-3)
        gains.append(told["gain"])
    assert sum(g > 1 for g in gains) >= 2
    assert got["gain_per_h"].is_monotonic_decreasing
    low = frame.set_index("deck_id").loc[got.index, "share_low"]
    assert got["share_low"].tolist() == pytest.approx(low.tolist(), nan_ok=True)
    assert (got["survey_date"] == pd.Timestamp("2024-05-01")).all()


def test_decks_looked_at_a_few_at_a_time_are_as_all_at_once(monkeypatch):
    frame = status().drop(columns="lanes")
    whole = look_worth(frame, settings=SETTINGS, **ASKED)
    monkeypatch.setattr("decknet.schedule.looking._AT_ONCE", 3)
    pd.testing.assert_frame_equal(look_worth(frame.assign(lanes=2.0), settings=SETTINGS, **ASKED), whole)

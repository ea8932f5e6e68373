"""What one more sounding could change in the choice: Bayes' rule retold, every choice by hand, and the closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from decknet.schedule import look_worth, make_programme, within_hours
from decknet.schedule.looking import SHARES, Likely, choice_after
from tests.schedule.plain import plain

SETTINGS = plain(gap=0.1, discount_per_yr=0.0, traffic_power=0.0)


def status(decks: int = 12, seed: int = 3, **columns: object) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    share = rng.uniform(0.03, 0.3, decks)
    base = {
        "deck_id": [f"D{i:02d}" for i in range(decks)], "area_m2": rng.uniform(200, 1_500, decks), "share_now": share,
        "growth_per_yr": 0.01, "aadt": 1_000.0, "share_low": share * 0.4, "share_high": np.minimum(share * 2.2, 1.0),
        "survey_date": pd.Timestamp("2024-05-01"), "lanes": 2.0, "surface_kind": "bare",
    }  # fmt: skip
    return pd.DataFrame(base | columns)


def asked(frame: pd.DataFrame, budget: float = 60_000.0, **more: object) -> pd.DataFrame:
    given = {"pins": {}, "bars": (), "kept": {}, "drawn": None, "paths": None} | more
    return look_worth(frame, settings=SETTINGS, first_year=2027, budgets=[budget] * 3, **given)


@pytest.mark.basis("derived", "Bayes' rule with the normal density of scipy, reading by reading")
def test_how_likely_each_share_is_after_a_reading():
    share = np.array([[0.02, 0.10], [0.05, 0.30], [0.20, 0.90]])
    got = Likely(share, cv=0.25, floor=0.01)
    assert got.reading.shape == (15, 2)
    assert got.weight.shape == (15, 3, 2)
    assert got.chance.sum() == pytest.approx(1.0)
    # 5 nodes: the readings of a share have its own mean and scatter
    assert (got.chance[5:10] * 3 * got.reading[5:10, 0]).sum() == pytest.approx(0.05)
    off = got.reading[5:10, 0] - 0.05
    assert (got.chance[5:10] * 3 * off**2).sum() == pytest.approx(0.0125**2 + 0.01**2)
    for r in range(15):
        for n in range(2):
            density = [norm.pdf(got.reading[r, n], s, np.hypot(0.25 * s, 0.01)) for s in share[:, n]]
            assert got.weight[r, :, n] == pytest.approx(np.array(density) / sum(density), abs=1e-12)
    assert got.after(share)[0, 0] == pytest.approx(float((got.weight[0, :, 0] * share[:, 0]).sum()))


@pytest.mark.basis(
    "published",
    "Raiffa and Schlaifer (1961), Applied Statistical Decision Theory: unit normal loss; worth a - b s of one work "
    "against none, s normal, one reading with normal scatter",
)
@pytest.mark.parametrize("pays_from", [0.26, 0.30, 0.35])
def test_knowing_more_is_worth_what_the_closed_form_says(pays_from):
    s, e = 0.05, 0.04
    share = norm.ppf((np.arange(400) + 0.5) / 400, 0.30, s)[:, None]
    likely = Likely(share, cv=0.0, floor=e)
    worth = likely.after((100_000.0 * (share - pays_from))[:, :, None])
    may = np.ones((1, 1), dtype=bool)
    then = np.ones((len(worth), 1, 1), dtype=bool)
    _, _, gain, _ = choice_after(worth, likely.chance, may, then, np.zeros(1, dtype=bool))
    moved = 100_000.0 * s * s / np.hypot(s, e)
    u = abs(100_000.0 * (0.30 - pays_from)) / moved
    assert gain[0] == pytest.approx(moved * (norm.pdf(u) - u * norm.sf(u)), rel=0.03)


def test_every_choice_against_all_works_one_by_one():
    rng = np.random.default_rng(11)
    worth = np.round(rng.normal(0, 10, (5, 40, 4)), 3)
    may_now, may_then = rng.uniform(size=(40, 4)) < 0.7, rng.uniform(size=(5, 40, 4)) < 0.7
    needed = rng.uniform(size=40) < 0.3
    likely = np.array([0.1, 0.2, 0.3, 0.25, 0.15])
    now, then, gain, chance = choice_after(worth, likely, may_now, may_then, needed)

    def best(values: list[float], may: list[bool], must: bool) -> tuple[int, float]:
        allowed = [(v, -o) for o, (v, m) in enumerate(zip(values, may, strict=True)) if m]
        top = max(allowed, default=None)
        return (-1, 0.0) if top is None or (top[0] <= 0 and not must) else (-top[1], top[0])

    for n in range(40):
        mean = [round(sum(likely[r] * worth[r, n, o] for r in range(5)), 3) for o in range(4)]
        first, value = best(mean, may_now[n].tolist(), bool(needed[n]))
        after = [best(worth[r, n].tolist(), may_then[r, n].tolist(), bool(needed[n])) for r in range(5)]
        assert now[n] == first
        assert then[:, n].tolist() == [a for a, _ in after]
        value_then = sum(p * v for p, (_, v) in zip(likely, after, strict=True))
        assert gain[n] == pytest.approx(max(value_then - value, 0.0), abs=2e-3)
        assert chance[n] == pytest.approx(sum(p for p, (a, _) in zip(likely, after, strict=True) if a != first))


def test_a_deck_known_for_sure_gains_nothing_and_doubt_about_the_works_does():
    frame = status()
    sure = asked(frame.assign(share_low=frame["share_now"], share_high=frame["share_now"]))
    assert (sure["gain"] == 0).all()
    got = asked(frame)
    assert (got["gain"] > 0).any()
    assert got.loc[got["gain"] > 0, "chance"].min() > 0
    assert (got["gain"] >= 0).all()
    assert got["gain_per_h"].is_monotonic_decreasing
    assert len(got) == len(frame)


def test_what_is_fixed_by_the_engineer_or_not_known_gains_nothing():
    frame = status()
    first = asked(frame)
    top = first["deck_id"].iloc[0]
    assert first["gain"].iloc[0] > 0, first
    row = frame.index[frame["deck_id"] == top]
    for more in ({"bars": (top,)}, {"pins": {top: (2028, None)}}):
        assert asked(frame, 600_000.0, **more).set_index("deck_id").loc[top, "gain"] == 0
    for column in ("area_m2", "share_now"):
        unknown = frame.copy()
        unknown.loc[row, column] = np.nan
        got = asked(unknown).set_index("deck_id").loc[top]
        assert (got["gain"], got["chance"], got["then"]) == (0, 0, "")


@pytest.mark.basis("derived", "two lanes at one hour each, and the area at 250 m2 an hour")
def test_hours_and_order():
    frame = status()
    got = asked(frame).set_index("deck_id")
    hours = 2.0 + frame.set_index("deck_id")["area_m2"] / 250.0
    assert got["closure_h"].to_numpy() == pytest.approx(hours.loc[got.index].to_numpy())
    assert got["gain_per_h"].to_numpy() == pytest.approx((got["gain"] / got["closure_h"]).to_numpy(), abs=6e-4)
    mixed = asked(frame.sample(frac=1, random_state=2).reset_index(drop=True))
    pd.testing.assert_frame_equal(got.reset_index(), mixed[got.reset_index().columns])


def test_the_soundings_that_fit_into_the_hours_are_taken_in_their_order():
    got = asked(status(12))
    some = within_hours(got, 12.0)
    assert some["closure_h"].sum() <= 12.0
    left = 12.0
    expected = []
    for row in got.itertuples():
        if row.gain > 0 and row.closure_h <= left:
            expected.append(row.deck_id)
            left -= row.closure_h
    assert some["deck_id"].tolist() == expected
    assert within_hours(got, 0.0).empty


def test_more_points_of_the_same_doubt_give_much_the_same_gain(monkeypatch):
    frame = status(20, seed=5)
    few = asked(frame).set_index("deck_id")["gain"].sort_index()
    monkeypatch.setattr("decknet.schedule.looking.SHARES", 4 * SHARES)
    many = asked(frame).set_index("deck_id")["gain"].sort_index()
    assert few.sum() == pytest.approx(many.sum(), rel=0.1)
    assert np.corrcoef(few, many)[0, 1] > 0.95


@pytest.mark.basis("derived", "a deck never surveyed says so in its line; one that was does not")
def test_a_line_without_a_survey_asks_for_one_first():
    frame = status()
    frame.loc[[0, 2], "survey_date"] = pd.NaT
    made = make_programme(
        frame.assign(share_from=["network", "survey"] * 6), first_year=2027, budgets=[900_000.0] * 3, settings=SETTINGS
    )
    assert len(made.lines) >= 5
    unseen = made.lines["deck_id"].isin(["D00", "D02"])
    assert (made.lines["why"].str.contains("sound the deck before the job is let") == unseen).all()
    assert unseen.any()

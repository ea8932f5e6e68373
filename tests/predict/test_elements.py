"""Element quantities followed from inspection to inspection."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.predict import element_pairs, element_states, forecast_states, states_ahead
from decknet.predict.states import chain, fit_share_states
from tests.frames import records

TRUE = np.array([0.06, 0.04, 0.09])  # chance of leaving states 1, 2, 3 in a year
NO_WORKS = pd.DataFrame({"bridge_id": pd.Series(dtype="str"), "date": pd.Series(dtype="datetime64[us]")})


def _quantities(bridges=60, years=(2014, 2016, 2018, 2021), scatter=0.0, seed=3, element="12"):
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(bridges):
        area, age = float(rng.uniform(200, 2000)), rng.uniform(5, 30)
        for year in years:
            share = forecast_states(np.eye(4)[0], chain(TRUE), round(age) + year - years[0])
            if scatter:
                share = rng.dirichlet(share / scatter)
            rows.append((f"b{i:03d}", f"{year}-06-01", *(area * share)))
    frame = pd.DataFrame(rows, columns=["bridge_id", "on", "cs1", "cs2", "cs3", "cs4"])
    return records(
        "element_quantity", bridge_id=frame["bridge_id"].tolist(), quantity_date=pd.to_datetime(frame["on"]),
        element=[element] * len(frame), parent_element=[""] * len(frame),
        **{k: frame[k].tolist() for k in ("cs1", "cs2", "cs3", "cs4")},
    )  # fmt: skip


def test_quantities_without_scatter_give_the_chain_back():
    pairs, left = element_pairs(_quantities(), NO_WORKS)
    assert len(pairs) == 180
    assert not any(left.values())
    got = element_states(pairs, pd.Series("all alike", index=pairs.index), 40)
    assert got["leave_per_yr"].to_numpy()[:3] == pytest.approx(TRUE, abs=1e-6)
    assert np.isnan(got["leave_per_yr"].to_numpy()[3])
    assert got["years"].to_numpy()[:3] == pytest.approx(1 / TRUE, abs=1e-3)
    assert got["own"].tolist() == [True] * 3 + [False]


def test_four_fifths_of_districts_hold_the_true_chance():
    inside = np.zeros(3)
    for seed in range(60):
        pairs, _ = element_pairs(_quantities(50, scatter=0.005, seed=seed), NO_WORKS)
        got = element_states(pairs, pd.Series("x", index=pairs.index), 40).iloc[:3]
        inside += (got["leave_low"].to_numpy() <= TRUE) & (got["leave_high"].to_numpy() >= TRUE)
    assert inside / 60 == pytest.approx(np.full(3, 0.8), abs=0.16)


def test_scatter_of_the_first_reading_is_not_taken_for_worsening():
    pairs, _ = element_pairs(_quantities(400, scatter=0.005), NO_WORKS)
    got = element_states(pairs, pd.Series("x", index=pairs.index), 40)["leave_per_yr"].to_numpy()[:3]
    assert got == pytest.approx(TRUE, rel=0.05)
    # A pair alone tells it too, if less surely.
    shares = [pairs[[f"{side}{k}" for k in range(1, 5)]].to_numpy() for side in "ba"]
    alone = fit_share_states(*shares, pairs["years"].to_numpy(), pairs["area"].to_numpy())
    assert alone.leaving() == pytest.approx(TRUE, rel=0.12)


@pytest.mark.basis("derived", "two states, one year, by hand: 10 of 100 and 30 of 300 left, so 0.1")
def test_one_year_by_hand():
    before = np.array([[1.0, 0.0], [1.0, 0.0]])
    after = np.array([[0.9, 0.1], [0.9, 0.1]])
    fit = fit_share_states(before, after, np.ones(2), np.array([100.0, 300.0]))
    assert fit.leaving()[0] == pytest.approx(0.1, abs=1e-7)
    # Area weights: 5 of 100 and 45 of 300 are 50 of 400.
    after = np.array([[0.95, 0.05], [0.85, 0.15]])
    fit = fit_share_states(before, after, np.ones(2), np.array([100.0, 300.0]))
    assert fit.leaving()[0] == pytest.approx(0.125, abs=0.002)  # the starts give a little, too
    assert fit.leaving(-1.0)[0] < 0.125 < fit.leaving(1.0)[0]


def test_what_is_no_pair_is_counted_and_left_out():
    held = records(
        "element_quantity",
        bridge_id=["a"] * 5 + ["b"] * 4 + ["c"],
        quantity_date=pd.to_datetime(
            [
                "2014-01-01", "2016-01-01", "2016-03-01", "2018-03-01", "2020-03-01", "2014-01-01", "2016-01-01",
                "2014-01-01", "2016-01-01", "2014-01-01",
            ]
        ),
        element=["12"] * 5 + ["12", "12", "1080", "1080"] + ["12"],
        parent_element=[""] * 5 + ["", "", "12", "12"] + [""],
        cs1=[100, 90, 90, 100, 70, 100, 150, 5, 9, 0], cs2=[0, 10, 10, 0, 30, 0, 0, 0, 0, 0],
        cs3=[0] * 10, cs4=[0] * 10,
    )  # fmt: skip
    works = pd.DataFrame({"bridge_id": ["a"], "date": pd.to_datetime(["2015-05-01"])})
    pairs, left = element_pairs(held, works)
    assert left == {"defects": 2, "empty": 1, "close": 1, "resized": 1, "works": 1, "better": 0}
    assert pairs["a2"].tolist() == [0.0, 0.3]
    held.loc[2, ["cs1", "cs2"]] = [70.0, 30.0]
    assert element_pairs(held, works)[1]["better"] == 1


def test_small_families_take_the_chances_of_all_and_unseen_states_have_none():
    q = _quantities(60)
    q[["cs3", "cs4"]] = 0.0
    pairs, _ = element_pairs(q, NO_WORKS)
    family = pd.Series(np.where(pairs["bridge_id"] < "b010", "few", "many"), index=pairs.index)
    got = element_states(pairs, family, 40).set_index(["family", "state"])
    assert not got.loc[("few", 1), "own"]
    assert got.loc[("few", 1), "leave_per_yr"] == got.loc[("all", 1), "leave_per_yr"]
    assert np.isnan(got.loc[("all", 3), "leave_per_yr"])


def test_shares_ahead_are_carried_by_area_and_sum_to_one():
    q = _quantities(30)
    pairs, _ = element_pairs(q, NO_WORKS)
    states = element_states(pairs, pd.Series("x", index=pairs.index), 40)
    latest = q[q["quantity_date"] == q["quantity_date"].max()].reset_index(drop=True)
    today = pd.Timestamp("2021-06-01")
    got = states_ahead(latest, pd.Series("all", index=latest.index), states, today, (0, 10))
    names = ["cs1", "cs2", "cs3", "cs4"]
    now = latest[names].sum() / latest[names].to_numpy().sum()
    assert got.loc[0, names].to_numpy(dtype=float) == pytest.approx(now.to_numpy(), abs=1e-9)
    later = forecast_states(now.to_numpy(), chain(TRUE), 10)
    assert got.loc[1, names].to_numpy(dtype=float) == pytest.approx(later, abs=1e-5)
    assert got[names].sum(axis=1).to_numpy() == pytest.approx([1.0, 1.0])

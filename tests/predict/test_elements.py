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


@pytest.mark.slow
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


# ---- pairs by hand --------------------------------------------------------------------------------------------------


def _held(rows, **more):
    """Records of one element from (bridge, day, cs1 to cs4)."""
    n = len(rows)
    return records(
        "element_quantity", bridge_id=[r[0] for r in rows], quantity_date=pd.to_datetime([r[1] for r in rows]),
        element=more.get("element", ["12"] * n), parent_element=more.get("parent", [""] * n),
        **{f"cs{k + 1}": [r[2 + k] for r in rows] for k in range(4)},
    )  # fmt: skip


@pytest.mark.basis("derived", "by hand: shares, whole years, and runs that break where a pair is left out")
def test_pairs_carry_shares_whole_years_and_runs():
    held = _held(
        [
            ("b", "2016-06-01", 150, 50, 0, 0), ("a", "2014-01-01", 80, 20, 0, 0), ("a", "2016-09-01", 60, 30, 10, 0),
            ("a", "2018-09-01", 55, 30, 10, 10), ("a", "2020-09-01", 5, 5, 10, 5), ("a", "2021-09-01", 4, 6, 10, 5),
            ("b", "2014-01-01", 180, 20, None, 0),
        ]
    )  # fmt: skip
    pairs, left = element_pairs(held, NO_WORKS)
    assert pairs["bridge_id"].tolist() == ["a", "a", "a", "b"]
    # 2014-01-01 to 2016-09-01 is 2.7 years; 105 to 25 m2 is another element's size.
    assert pairs["years"].tolist() == [3.0, 2.0, 1.0, 2.0]
    assert pairs["area"].tolist() == [100.0, 100.0, 25.0, 200.0]
    assert left["resized"] == 1
    assert pairs["run"].tolist() == [1, 1, 2, 3]
    assert pairs[["b1", "b2", "b3", "b4"]].iloc[0].tolist() == [0.8, 0.2, 0.0, 0.0]
    assert pairs[["a1", "a2", "a3", "a4"]].iloc[0].tolist() == [0.6, 0.3, 0.1, 0.0]
    assert pairs[["b1", "a1"]].iloc[3].tolist() == [0.9, 0.75]


@pytest.mark.parametrize(
    ("second", "reason"),
    [
        (("a", "2014-06-30", 90, 10, 0, 0), "close"),  # 0.49 years
        (("a", "2014-07-03", 90, 10, 0, 0), None),  # 0.501 years
        (("a", "2016-01-01", 100, 10.5, 0, 0), "resized"),  # 10.5 % more
        (("a", "2016-01-01", 99, 10.5, 0, 0), None),
        (("a", "2016-01-01", 89, 0, 0, 0), "resized"),
        (("a", "2016-01-01", 91, 0, 0, 0), None),
        (("a", "2016-01-01", 80, 0, 20, 0), None),
    ],
)
def test_the_ends_of_what_is_a_pair(second, reason):
    pairs, left = element_pairs(_held([("a", "2014-01-01", 90, 10, 0, 0), second]), NO_WORKS)
    assert len(pairs) == (reason is None)
    assert sum(left.values()) == (reason is not None)
    assert reason is None or left[reason] == 1


@pytest.mark.parametrize(("first", "better"), [((70, 30, 0, 0), 0), ((75, 25, 0, 0), 0), ((68, 32, 0, 0), 1)])
def test_more_than_a_fifth_of_a_state_better_is_works_that_nobody_recorded(first, better):
    second = (89, 11, 0, 0)  # mean state 0.11
    pairs, left = element_pairs(_held([("a", "2014-01-01", *first), ("a", "2016-01-01", *second)]), NO_WORKS)
    assert (left["better"], len(pairs)) == (better, 1 - better)


@pytest.mark.parametrize(
    ("day", "between"), [("2014-01-01", 0), ("2014-01-02", 1), ("2016-01-01", 1), ("2016-01-02", 0)]
)
def test_works_count_from_the_day_after_one_inspection_to_the_day_of_the_next(day, between):
    held = _held([("a", "2014-01-01", 90, 10, 0, 0), ("a", "2016-01-01", 85, 15, 0, 0)])
    works = pd.DataFrame({"bridge_id": ["a", "z", "a"], "date": pd.to_datetime([day, "2015-01-01", None])})
    pairs, left = element_pairs(held, works)
    assert (left["works"], len(pairs)) == (between, 1 - between)


def test_elements_of_one_bridge_and_of_different_parents_are_kept_apart():
    rows = [("a", "2014-01-01", 90, 10, 0, 0), ("a", "2016-01-01", 85, 15, 0, 0)] * 2
    pairs, _ = element_pairs(_held(rows, element=["12", "12", "16", "16"]), NO_WORKS)
    assert pairs["element"].tolist() == ["12", "16"]
    pairs, _ = element_pairs(_held(rows, parent=["12", "12", "16", "16"], element=["510"] * 4), NO_WORKS)
    assert len(pairs) == 2
    pairs, left = element_pairs(_held(rows, element=["999", "999", "1000", "1000"]), NO_WORKS)
    assert (pairs["element"].tolist(), left["defects"]) == (["999"], 2)
    pairs, left = element_pairs(_held(rows, element=["own", "own", "12", "12"]), NO_WORKS)
    assert (sorted(pairs["element"]), left["defects"]) == (["12", "own"], 0)


# ---- families and the years ahead -----------------------------------------------------------------------------------


def _two_families(bridges=60, seed=8):
    """Two families of the same element: the second leaves its states twice as fast."""
    frames = []
    for name, factor in (("slow", 1.0), ("fast", 2.0)):
        rng = np.random.default_rng(seed)
        for i in range(bridges):
            age = float(rng.integers(3, 20))
            for year in (2014, 2016, 2019):
                share = np.eye(4)[0] @ np.linalg.matrix_power(chain(factor * TRUE), int(age) + year - 2014)
                frames.append((f"{name}{i:02d}", f"{year}-06-01", *(500 * rng.dirichlet(200 * share + 0.1))))
    held = _held(frames)
    pairs, _ = element_pairs(held, NO_WORKS)
    return pairs, pairs["bridge_id"].str[:4].rename(None)


def test_each_family_says_how_fast_it_leaves_with_its_80_percent_range():
    pairs, family = _two_families()
    got = element_states(pairs, family, 40).set_index(["family", "state"])
    assert got.index.get_level_values(0).unique().tolist() == ["all", "fast", "slow"]
    for name, part in (("all", pairs), ("slow", pairs[family == "slow"]), ("fast", pairs[family == "fast"])):
        shares = [part[[f"{side}{k}" for k in range(1, 5)]].to_numpy() for side in "ba"]
        codes = pd.factorize(part["bridge_id"])[0]
        fit = fit_share_states(
            *shares, part["years"].to_numpy(), part["area"].to_numpy(), codes, part["run"].to_numpy()
        )
        for k in range(3):
            row = got.loc[(name, k + 1)]
            for column, normal in (("leave_per_yr", 0.0), ("leave_low", -1), ("leave_high", 1)):
                leaving = fit.leaving(normal * 1.2815515655446004)[k]
                assert row[column] == pytest.approx(leaving, abs=6e-7)  # a chance, to six decimals
            assert row["years"] == pytest.approx(1 / row["leave_per_yr"])
            assert row["own"]
        assert got.loc[(name, 1), "pairs"] == len(part)
        assert got.loc[(name, 1), "bridges"] == part["bridge_id"].nunique()
        assert got.loc[(name, 4), "shown_by"] == part.loc[part["b4"] > 0, "bridge_id"].nunique()
        assert not got.loc[(name, 4), "own"]
        assert np.isnan(got.loc[(name, 4), "leave_per_yr"])
    assert got.loc[("fast", 1), "leave_per_yr"] > 1.5 * got.loc[("slow", 1), "leave_per_yr"]
    # One bridge short of the least: the chances of all.
    few = element_states(pairs, family, 61).set_index(["family", "state"])
    for column in ("leave_per_yr", "leave_low", "leave_high"):
        assert few.loc[("slow", 2), column] == few.loc[("all", 2), column]
    assert not few.loc[("slow", 2), "own"]
    assert element_states(pairs, family, 60).set_index(["family", "state"]).loc[("slow", 2), "own"]


@pytest.mark.parametrize(("shown", "told"), [(2, False), (3, True)])
def test_a_state_shown_by_two_bridges_says_nothing_of_leaving_it(shown, told):
    rows = []
    rng = np.random.default_rng(3)
    for i in range(20):
        wet = 20.0 if i < shown else 0.0
        noise = rng.uniform(-0.5, 0.5)
        rows += [
            (f"b{i:02d}", "2014-06-01", 100 - wet, wet, 0, 0),
            (f"b{i:02d}", "2015-06-01", 95 - wet + noise, wet + 3 - noise, 2.0 if wet else 0.0, 0),
        ]
    pairs, _ = element_pairs(_held(rows), NO_WORKS)
    got = element_states(pairs, pd.Series("x", index=pairs.index), 40).set_index("state")
    assert got.loc[2, "shown_by"] == shown
    assert got.loc[1, "own"]
    assert bool(np.isfinite(got.loc[2, "leave_per_yr"])) == told


@pytest.mark.basis("derived", "by hand: amounts carried to the day and on, parts of a year straight between whole ones")
def test_the_years_ahead_begin_on_the_day_of_each_inspection():
    states = pd.DataFrame(
        {
            "element": ["12"] * 7, "family": ["all"] * 3 + ["wet"] * 4, "state": [1, 2, 3, 1, 2, 3, 4],
            "leave_per_yr": [0.2, 0.3, 0.4, 0.1, np.nan, 0.5, np.nan],
        }
    )  # fmt: skip
    held = _held(
        [("a", "2020-01-01", 100, 0, 0, 0), ("b", "2018-07-02", 0, 50, 50, None), ("c", "2021-06-01", 8, 2, 0, 0)]
    )
    family = pd.Series(["wet", "wet", "dry"], index=held.index)
    today = pd.Timestamp("2021-01-01")
    got = states_ahead(held, family, states, today, (0, 3)).set_index(["family", "years_ahead"])
    names = ["cs1", "cs2", "cs3", "cs4"]
    p = chain(np.array([0.1, 0.0, 0.5]))  # nobody shows state 2 being left: it is kept

    def carried(amount, years):
        whole = int(np.floor(years))
        ends = [np.array(amount) @ np.linalg.matrix_power(p, k) for k in (whole, whole + 1)]
        return (1 - (years - whole)) * ends[0] + (years - whole) * ends[1]

    since = [366 / 365.25, 914 / 365.25]
    for ahead in (0, 3):
        total = carried([100, 0, 0, 0], since[0] + ahead) + carried([0, 50, 50, 0], since[1] + ahead)
        row = got.loc[("wet", ahead)]
        assert row[names].tolist() == pytest.approx((total / 200).tolist())
        assert (row["bridges"], row["total"]) == (2, 200.0)
    # A family without chances of its own takes those of all; an inspection after today stands as of today.
    q = chain(np.array([0.2, 0.3, 0.4]))
    assert got.loc[("dry", 0), names].tolist() == pytest.approx([0.8, 0.2, 0, 0])
    later = np.array([0.8, 0.2, 0, 0]) @ np.linalg.matrix_power(q, 3)
    assert got.loc[("dry", 3), names].tolist() == pytest.approx(later.tolist())

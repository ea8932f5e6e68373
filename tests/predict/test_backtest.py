"""Forecasts held against what came, on truths that are not our own models'."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from decknet.columns import RECORDS
from decknet.demo import TODAY, make_records
from decknet.flow.condition import condition_of
from decknet.flow.reading import records_from
from decknet.predict import back_test_histories, skill, verdict
from decknet.predict.backtest import METHODS, BackTest
from decknet.predict.baselines import BASELINES, baseline_shares
from decknet.predict.history import Histories, SurveyError, learn_error
from decknet.predict.lines import Families
from decknet.predict.truths import TRUTHS, made_up_histories
from decknet.settings import Settings
from tests.frames import records

S = Settings()
SIX = 6e-7  # what is printed is kept to six decimals of a share: half a unit


@pytest.fixture(scope="module")
def district():
    """A gamma process seen through crews with bias: not our own model."""
    made = make_records(3000, 15, 11, drawn=0.2, every_yr=3.0)
    frames = {kind: made.get(kind, records(kind)) for kind in RECORDS}
    return condition_of(records_from(frames, title="", currency="USD", day=TODAY), S).back_test


def test_four_fifths_of_hidden_surveys_fall_in_their_interval(district):
    last = district.surveys
    assert 0.76 <= last["in_decknet"].mean() <= 0.84
    by = last.groupby("family")["in_decknet"].agg(["size", "mean"])
    big = by[by["size"] > 100]["mean"]
    assert len(big) >= 4
    assert big.between(0.70, 0.90).all()


def test_scores_beat_the_simple_methods(district):
    assert skill(district, "last value") >= 0.25
    assert skill(district, "line through the last two") >= 0.35
    assert skill(district, "own line") > 0.12
    assert skill(district, "pooled slope") > 0.3
    assert "bear forecasts" in verdict(district)


def test_the_tables_and_the_worst_misses(district):
    whole = district.table()
    assert whole["method"].tolist() == list(METHODS)
    spans = district.table("horizon")
    assert len(set(spans.groupby("method")["surveys"].sum())) == 1
    worst = district.worst()
    assert len(worst) == 10
    assert worst["survey_id"].is_unique
    assert worst["crps_decknet"].is_monotonic_decreasing
    assert {"deck_id", "survey_date", "crew", "found", "expected"} <= set(worst.columns)


def test_forecasts_run_neither_high_nor_low_by_level(district):
    last = district
    levels = last.levels().set_index("level")
    assert levels["surveys"].sum() == len(last.surveys)
    part = last.surveys[last.surveys["expected"].between(0.05, 0.0999999)]
    row = levels.loc["5 to 10 %"]
    assert row["too_high"] == pytest.approx((part["expected"] - part["found"]).mean() * 100)
    assert row["below"] == pytest.approx((part["found"] < part["expected"]).mean())
    assert (levels.iloc[:-1]["too_high"].abs() < 1.0).all()
    assert levels["too_high"].iloc[-1] < 4.5  # over 40 %: few decks, repaired ones among them
    assert levels["covered_80"].between(0.65, 0.95).all()


def test_each_side_of_the_range_is_missed_about_as_often_at_every_level(district):
    last = district.surveys
    level = np.digitize(last["expected"], [0.005, 0.02, 0.05, 0.1, 0.2, 0.4])
    for side in (last["found"] < last["low"], last["found"] > last["high"]):
        part = side.groupby(level).mean()
        assert part[last.groupby(level).size() > 100].between(0.02, 0.18).all()


@pytest.mark.parametrize("truth", TRUTHS)
def test_the_blend_is_as_good_as_the_better_model_alone(truth):
    h = made_up_histories(truth, 2000, np.random.default_rng(5))
    one = np.zeros(h.decks, dtype=np.int64)
    families = Families(one, one, ("all",), ("all",), 40)
    last = back_test_histories(h, families, S.growth, np.full(h.decks, 0.005)).surveys
    better = min(last["crps_paced"].mean(), last["crps_curved"].mean())
    assert last["crps_decknet"].mean() <= 1.03 * better
    assert 0.76 <= last["in_decknet"].mean() <= 0.84


def test_nothing_of_what_is_hidden_is_seen():
    h = made_up_histories("gamma process", 300, np.random.default_rng(6))
    one = np.zeros(h.decks, dtype=np.int64)
    families = Families(one, one, ("all",), ("all",), 40)

    def expected(histories):
        test = back_test_histories(histories, families, S.growth, np.full(h.decks, 0.005)).surveys
        return test[["expected", "low", "high", "true_low", "true_high"]].to_numpy()

    changed = h.some(np.ones(len(h.deck), dtype=bool))
    changed.damage[h.last()] = 0.5
    assert expected(changed) == pytest.approx(expected(h))


def test_bias_and_scatter_of_observers_are_learned_from_pairs():
    rng = np.random.default_rng(7)
    h = made_up_histories("Weibull curve", 4000, rng)
    factor, observer = np.array([0.8, 1.0, 1.25]), rng.integers(0, 3, len(h.deck))
    from dataclasses import replace

    seen = replace(h, damage=np.minimum(h.damage * factor[observer], 1.0), observer=observer, observers=3)
    got = learn_error(seen, S.growth)
    assert got.factor / got.factor[1] == pytest.approx(factor, rel=0.05)
    assert got.cv == pytest.approx([0.2, 0.2, 0.2], abs=0.07)


def test_too_few_surveys_are_not_judged():
    h = made_up_histories("gamma process", 20, np.random.default_rng(8))
    one = np.zeros(h.decks, dtype=np.int64)
    test = back_test_histories(h, Families(one, one, ("all",), ("all",), 40), S.growth, np.full(20, 0.005))
    assert verdict(test).startswith("Too early to say: 20 surveys")
    assert verdict(BackTest(test.surveys.iloc[:0])).startswith("Too early to say: 0")


# ---- tables and words by hand ---------------------------------------------------------------------------------------


def _hidden(n=4, **columns):
    """Hidden surveys made up by hand."""
    given = {
        "row": range(n), "deck": range(n), "family": ["x", "y"] * (n // 2), "trial": ["last survey"] * n,
        "horizon_yr": [1.0, 1.5, 3.0, 7.0] * (n // 4), "found": [0.10] * n, "expected": [0.08] * n,
        "in_decknet": [True] * n,
    }  # fmt: skip
    for m, method in enumerate(METHODS):
        given[f"crps_{method}"] = [0.01 * (m + 1) * (k + 1) for k in range(n)]
        given[f"width_{method}"] = [0.03 * (m + 1)] * n
        given[f"miss_{method}"] = [0.02 * (-1) ** k * (m + 1) for k in range(n)]
        given.setdefault(f"in_{method}", [k % 2 == 0 for k in range(n)])
    return BackTest(pd.DataFrame({**given, **columns}))


@pytest.mark.basis("derived", "means by hand, in points of deck share")
def test_the_table_is_means_of_scores_and_of_misses_without_their_sign():
    test = _hidden()
    whole = test.table().set_index("method")
    assert whole.loc["paced", ["surveys", "covered_80"]].tolist() == [4, 0.5]
    assert whole.loc["paced", ["crps", "mean_miss", "width"]].tolist() == pytest.approx([7.5, 6.0, 9.0])
    by = test.table("family").set_index(["family", "method"])
    assert by.index.get_level_values(0).unique().tolist() == ["x", "y"]
    assert by.loc[("y", "decknet"), "crps"] == pytest.approx(3.0)  # of 2 and 4
    assert by.loc[("y", "curved"), "covered_80"] == 0.0
    levels = _hidden(4, expected=[0.30, 0.001, 0.03, 0.5]).table("level")
    assert levels["level"].unique().tolist() == ["0 to 0.5 %", "2 to 5 %", "20 to 40 %", "over 40 %"]
    spans = test.table("horizon").set_index(["horizon", "method"])["surveys"].xs("decknet", level=1)
    assert spans.to_dict() == {"0 to 1.5 yr": 1, "1.5 to 3 yr": 1, "3 to 5 yr": 1, "over 5 yr": 1}
    crews = _hidden(4, crew_known=[True, True, True, False]).table("crew")
    assert crews.set_index(["crew", "method"])["surveys"].xs("decknet", level=1).tolist() == [3, 1]


@pytest.mark.basis("derived", "means, share below, and standard error by hand")
def test_levels_say_whether_forecasts_run_high():
    test = _hidden(
        8, expected=[0.0, 0.005, 0.06, 0.08, 0.09, 0.45, 1.0, 0.3], found=[0.01, 0.0, 0.05, 0.09, 0.07, 0.40, 0.7, 0.1],
        in_decknet=[True, True, True, False, False, True, False, True],
    )  # fmt: skip
    got = test.levels().set_index("level")
    assert got.index.tolist() == ["0 to 0.5 %", "0.5 to 2 %", "5 to 10 %", "20 to 40 %", "over 40 %"]
    row = got.loc["5 to 10 %"]
    assert (row["surveys"], row["expected"], row["found"]) == pytest.approx((3, 0.23 / 3, 0.07))
    over = [1.0, -1.0, 2.0]
    assert row["too_high"] == pytest.approx(2 / 3)
    assert row["too_high_se"] == pytest.approx(np.std(over, ddof=1) / np.sqrt(3))
    assert (row["below"], row["covered_80"]) == pytest.approx((2 / 3, 1 / 3))
    assert np.isnan(got.loc["0 to 0.5 %", "too_high_se"])
    assert got.loc["over 40 %", "surveys"] == 2


def test_the_worst_are_the_highest_scores():
    test = _hidden(8)
    assert test.worst(3)["row"].tolist() == [7, 6, 5]
    assert len(test.worst()) == 8


@pytest.mark.basis("derived", "by hand: mean score 0.025 against 0.125 is four fifths better")
def test_skill_is_the_part_by_which_the_score_is_lower():
    assert skill(_hidden(), "last value") == pytest.approx(0.8)  # the fifth method
    doubled = _hidden().surveys.assign(crps_curved=[0.03, 0.03, 0.07, 0.07])
    assert skill(BackTest(doubled), "curved") == pytest.approx(0.5)


def _judged(inside, ratio, n=100):
    """A district of 100 hidden surveys, so many within their range, with a score of so much of the last value's."""
    return _hidden(
        n, in_decknet=np.arange(n) < inside, **{"crps_decknet": np.full(n, ratio), "crps_last value": np.ones(n)}
    )


@pytest.mark.parametrize(
    ("inside", "ratio", "words"),
    [
        (80, 0.80, "80 % of 100 hidden surveys fell inside .* 20 % better .* bear forecasts"),
        (74, 0.80, "bear forecasts"),
        (86, 0.80, "bear forecasts"),
        (73, 0.80, "intervals are too narrow"),
        (87, 0.80, "intervals are too wide"),
        (80, 0.95, "is 5.0 % better .* do not yet tell growth from scatter"),
        (90, 0.95, "do not yet tell growth from scatter"),
        (80, 1.25, "25 % worse than carrying the last value forward. .*do not yet tell"),
        (80, 1.00, "is 0 % better"),
    ],
)
def test_the_verdict_asks_for_honest_ranges_and_a_tenth_of_gain(inside, ratio, words):
    assert re.search(words, verdict(_judged(inside, ratio)))


def test_a_hundred_hidden_surveys_are_enough_to_judge_and_99_are_not():
    assert verdict(_judged(80, 0.8)).startswith("80 %")
    few = BackTest(_judged(80, 0.8).surveys.iloc[:99])
    assert verdict(few).startswith("Too early to say: 99 surveys could be hidden and predicted; 100 are needed.")
    assert verdict(_judged(10, 0.8, 12), least=12).startswith("83 %")


# ---- one network, worked plainly ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def small():
    h = made_up_histories("Weibull curve", 150, np.random.default_rng(9))
    one = np.zeros(h.decks, dtype=np.int64)
    return h, back_test_histories(
        h, Families(one, one, ("all",), ("all",), 40), S.growth, np.full(h.decks, 0.005)
    ).surveys


def test_each_hidden_survey_is_held_beside_its_own_deck(small):
    h, got = small
    assert len(got) == h.decks  # two surveys or more each
    for row in got.sample(40, random_state=1).itertuples():
        mine = np.flatnonzero(h.deck == row.deck)
        assert row.row == mine[-1]
        assert row.found == pytest.approx(h.damage[row.row], abs=SIX)
        assert row.when_yr == h.when_yr[row.row]
        assert row.horizon_yr == pytest.approx(row.when_yr - h.when_yr[mine[-2]])
        assert got.loc[row.Index, "miss_decknet"] == pytest.approx(row.found - row.expected, abs=SIX)


def test_a_survey_is_inside_where_it_lies_between_the_ends(small):
    _, got = small
    inside = (got["found"] >= got["low"] - 1e-12) & (got["found"] <= got["high"] + 1e-12)
    assert (got["in_decknet"] == inside).all()
    assert 0.3 < got["pit"].mean() < 0.7
    # Simple methods get the range that held earlier surveys: no free lunch from a narrow range.
    for method in METHODS:
        assert got[f"in_{method}"].mean() == pytest.approx(0.8, abs=0.13)


@pytest.mark.basis(
    "derived", "by hand: lines through three surveys of one deck and two of another, the crew's factor out"
)
def test_simple_methods_by_hand():
    deck, when = np.array([0, 0, 0, 1, 1]), np.array([0.0, 2.0, 4.0, 1.0, 3.0])
    found = np.array([0.04, 0.06, 0.10, 0.02, 0.02])
    h = Histories(deck, when, found, np.zeros(5), np.ones(5), np.array([0, 0, 1, 0, 0]), 2, np.full(2, -20.0), 2)
    error = SurveyError(np.array([1.0, 1.25]), np.array([0.2, 0.2]), 0.004, 0.001, 0)
    got = baseline_shares(h, error, np.array([0, 1]), np.array([6.0, 5.0]))
    assert tuple(got) == BASELINES
    # The last of the first deck was read by a crew that finds a quarter more: 8 %.
    assert got["last value"] == pytest.approx([0.08, 0.02])
    assert got["line through the last two"] == pytest.approx([0.10, 0.02])
    assert got["own line"] == pytest.approx([0.10, 0.02])  # 4, 6, 8 % lie on one line
    slope = (2 * 2 * 0.02) / (8 + 2)
    assert got["pooled slope"] == pytest.approx([0.06 + 4 * slope, 0.02 + 3 * slope])
    # Growth by level: steps of 2, 2 and 0 points over means of 5, 7 and 2 % and a point, two years each.
    rate = (0.02 * 2 / 0.06 + 0.02 * 2 / 0.08) / 12
    assert got["last value and pooled growth"] == pytest.approx([0.08 + 2 * rate * 0.09, 0.02 + 2 * rate * 0.03])

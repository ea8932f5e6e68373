"""Forecasts held against what came, on truths that are not our own models'."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.demo import make_records
from decknet.measure import survey_shares
from decknet.predict import damage_account, hold_to_surveys, skill, verdict
from decknet.predict.backtest import METHODS, BackTest, back_test
from decknet.predict.history import learn_error
from decknet.predict.lines import Families
from decknet.predict.truths import TRUTHS, made_up_histories
from decknet.settings import Settings

S = Settings()


@pytest.fixture(scope="module")
def district():
    """A gamma process seen through crews with bias: not our own model."""
    made = make_records(3000, 15, 11, drawn=0.2, every_yr=3.0)
    decks = made["deck"].merge(made["bridge"], on="bridge_id", how="left", suffixes=("", "_b"))
    shares = survey_shares(made["survey"], made["defect"], decks)
    damage, _ = damage_account(shares, made["repair"], decks, overbreak=1.25, defects=made["defect"])
    return hold_to_surveys(damage, decks, made["repair"], settings=S.growth, treatments=S.treatment)


def test_four_fifths_of_hidden_surveys_fall_in_their_interval(district):
    last = district.surveys[district.surveys["trial"] == "last survey"]
    assert 0.76 <= last["in_decknet"].mean() <= 0.84
    by = last.groupby("family")["in_decknet"].agg(["size", "mean"])
    big = by[by["size"] > 100]["mean"]
    assert len(big) >= 4
    assert big.between(0.70, 0.90).all()


def test_scores_beat_the_simple_methods(district):
    assert skill(district, "last value") >= 0.25
    assert skill(district, "line through the last two") >= 0.35
    assert skill(district, "own line") > 0.12
    assert skill(district, "family curve") > 0.4
    assert "bear forecasts" in verdict(district)


def test_the_tables_and_the_worst_misses(district):
    whole = district.table()
    assert whole["method"].tolist() == list(METHODS)
    assert district.table("horizon")["surveys"].groupby(district.table("horizon")["method"]).sum().nunique() == 1
    worst = district.worst()
    assert len(worst) == 10
    assert worst["row"].is_unique
    assert worst["crps_decknet"].is_monotonic_decreasing
    assert {"deck_id", "survey_date", "crew", "found", "expected"} <= set(worst.columns)


def test_forecasts_run_neither_high_nor_low_by_level(district):
    last = district.of("last survey")
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
    last = district.surveys[district.surveys["trial"] == "last survey"]
    level = np.digitize(last["expected"], [0.005, 0.02, 0.05, 0.1, 0.2, 0.4])
    for side in (last["found"] < last["low"], last["found"] > last["high"]):
        part = side.groupby(level).mean()
        assert part[last.groupby(level).size() > 100].between(0.02, 0.18).all()


@pytest.mark.parametrize("truth", TRUTHS)
def test_the_blend_is_as_good_as_the_better_model_alone(truth):
    h = made_up_histories(truth, 2000, np.random.default_rng(5))
    one = np.zeros(h.decks, dtype=np.int64)
    families = Families(one, one, ("all",), ("all",), 40)
    test = back_test(h, families, S.growth, np.full(h.decks, 0.005))
    last = test.surveys[test.surveys["trial"] == "last survey"]
    better = min(last["crps_paced"].mean(), last["crps_curved"].mean())
    assert last["crps_decknet"].mean() <= 1.03 * better
    assert 0.76 <= last["in_decknet"].mean() <= 0.84


def test_nothing_of_what_is_hidden_is_seen():
    h = made_up_histories("gamma process", 300, np.random.default_rng(6))
    one = np.zeros(h.decks, dtype=np.int64)
    families = Families(one, one, ("all",), ("all",), 40)

    def expected(histories):
        test = back_test(histories, families, S.growth, np.full(h.decks, 0.005)).surveys
        return test.loc[test["trial"] == "last survey", ["expected", "low", "high"]].to_numpy()

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
    test = back_test(h, Families(one, one, ("all",), ("all",), 40), S.growth, np.full(20, 0.005))
    assert verdict(test).startswith("Too early to say: 20 surveys")
    assert verdict(BackTest(test.surveys.iloc[:0])).startswith("Too early to say: 0")

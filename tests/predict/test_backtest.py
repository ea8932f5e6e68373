"""Forecasts held against what came, on truths that are not our own models'."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from decknet.demo import make_records
from decknet.measure import survey_shares
from decknet.predict import damage_account, hold_to_surveys, skill, verdict
from decknet.predict.backtest import METHODS, BackTest, back_test
from decknet.predict.history import learn_error
from decknet.predict.lines import Families
from decknet.predict.scores import crps_fan
from decknet.predict.truths import TRUTHS, made_up_histories
from decknet.settings import Settings
from tests.predict.by_hand import Z

S = Settings()
NINE = 6e-10  # what is scored is kept to nine decimals of a share: half a unit


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
    spans = district.table("horizon")
    assert len(set(spans.groupby("method")["surveys"].sum())) == 1
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
        given[f"miss_{method}"] = [0.02 * (-1) ** k * (m + 1) for k in range(n)]
        given.setdefault(f"in_{method}", [k % 2 == 0 for k in range(n)])
    return BackTest(pd.DataFrame({**given, **columns}))


@pytest.mark.basis("derived", "means by hand, in points of deck share")
def test_the_table_is_means_of_scores_and_of_misses_without_their_sign():
    test = _hidden()
    whole = test.table().set_index("method")
    assert whole.loc["paced", ["surveys", "covered_80"]].tolist() == [4, 0.5]
    assert whole.loc["paced", ["crps", "mean_miss"]].tolist() == pytest.approx([5.0, 4.0])
    by = test.table("family").set_index(["family", "method"])
    assert by.index.get_level_values(0).unique().tolist() == ["x", "y"]
    assert by.loc[("y", "decknet"), "crps"] == pytest.approx(3.0)  # of 2 and 4
    assert by.loc[("y", "curved"), "covered_80"] == 0.0
    spans = test.table("horizon").set_index(["horizon", "method"])["surveys"].xs("decknet", level=1)
    assert spans.to_dict() == {"0 to 1.5 yr": 1, "1.5 to 3 yr": 1, "3 to 5 yr": 1, "over 5 yr": 1}
    assert len(test.of("last survey").surveys) == 4
    assert test.of("last two years").surveys.empty
    assert BackTest(pd.DataFrame()).of("last survey").surveys.empty


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


def test_the_worst_are_the_highest_scores_each_survey_once():
    test = _hidden(8, row=[0, 1, 2, 3, 0, 1, 2, 3])
    assert test.worst(3)["row"].tolist() == [3, 2, 1]
    assert len(test.worst()) == 4


@pytest.mark.basis("derived", "by hand: mean score 0.025 against 0.1 is three quarters better")
def test_skill_is_the_part_by_which_the_score_is_lower():
    assert skill(_hidden(), "last value") == pytest.approx(0.75)  # the fourth method
    both = _hidden(trial=["last survey", "last survey", "last two years", "last two years"])
    doubled = both.surveys.assign(crps_curved=[0.03, 0.03, 0.07, 0.07])
    assert skill(BackTest(doubled), "curved") == pytest.approx(0.5)
    assert skill(BackTest(doubled), "curved", "last two years") == pytest.approx(0.5)


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
    early = _judged(80, 0.8).surveys
    early.loc[0, "trial"] = "last two years"
    assert verdict(BackTest(early)).startswith("Too early to say: 99")
    assert verdict(_judged(10, 0.8, 12), least=12).startswith("83 %")


# ---- one network, worked plainly ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def small():
    h = made_up_histories("Weibull curve", 150, np.random.default_rng(9))
    one = np.zeros(h.decks, dtype=np.int64)
    return h, back_test(h, Families(one, one, ("all",), ("all",), 40), S.growth, np.full(h.decks, 0.005)).surveys


def test_each_hidden_survey_is_held_beside_what_simple_methods_say(small):
    h, got = small
    last = got[got["trial"] == "last survey"]
    assert len(last) == h.decks  # two surveys or more each
    for row in last.sample(40, random_state=1).itertuples():
        mine = np.flatnonzero(h.deck == row.deck)
        assert row.row == mine[-1]
        when, damage, came = h.when_yr[mine[:-1]], h.damage[mine[:-1]], h.damage[row.row]
        assert row.found == pytest.approx(came, abs=NINE)
        assert row.when_yr == h.when_yr[row.row]
        assert row.horizon_yr == pytest.approx(row.when_yr - when[-1])
        named = {m: got.loc[row.Index, f"miss_{m}"] for m in METHODS}
        assert named["last value"] == pytest.approx(came - damage[-1], abs=2 * NINE)
        assert named["decknet"] == pytest.approx(came - row.expected, abs=NINE)
        for method, some in (("own line", slice(None)), ("line through the last two", slice(-2, None))):
            t, y = when[some], damage[some]
            line = np.polyval(np.polyfit(t, y, 1), row.when_yr) if len(t) > 1 else y[-1]
            assert named[method] == pytest.approx(came - np.clip(line, 0, 1), abs=2 * NINE)


def test_every_survey_of_the_last_two_years_is_hidden_at_once(small):
    h, got = small
    late = got[got["trial"] == "last two years"]
    cut = h.when_yr.max() - 2.0
    known = np.bincount(h.deck[h.when_yr < cut], minlength=h.decks) > 0
    assert sorted(late["row"]) == np.flatnonzero((h.when_yr >= cut) & known[h.deck]).tolist()
    for row in late.head(30).itertuples():
        before = (h.deck == row.deck) & (h.when_yr < cut)
        assert row.horizon_yr == pytest.approx(row.when_yr - h.when_yr[before].max())
        assert got.loc[row.Index, "miss_last value"] == pytest.approx(row.found - h.damage[before][-1])


def test_a_survey_is_inside_where_it_lies_between_the_ends(small):
    _, got = small
    inside = (got["found"] >= got["low"] - 1e-12) & (got["found"] <= got["high"] + 1e-12)
    assert (got["in_decknet"] == inside).all()
    assert 0.3 < got["pit"].mean() < 0.7
    # Simple methods get the width that held 80 % of earlier surveys: no free lunch from a narrow range.
    last = got[got["trial"] == "last survey"]
    for method in METHODS:
        assert last[f"in_{method}"].mean() == pytest.approx(0.8, abs=0.13)


@pytest.mark.basis(
    "derived", "the variance of a least-squares line ahead of its readings; width and floor by the score"
)
@pytest.mark.parametrize("method", ["last value", "own line"])
def test_simple_methods_get_the_range_that_scored_best_on_earlier_surveys(small, method):
    h, got = small
    train = h.some(~h.last())
    newest = train.last()
    inner = train.some(~newest)

    def answers(past, rows, when):
        centre, lever = np.empty(len(rows)), np.ones(len(rows))
        for i, (row, ahead) in enumerate(zip(rows, when, strict=True)):
            t, y = past.when_yr[past.deck == row], past.damage[past.deck == row]
            centre[i] = y[-1]
            if method == "own line":
                dt, n = t - t.mean(), len(t)
                slope = (dt @ y) / (dt @ dt) if n > 1 else 0.0
                centre[i] = np.clip(y.mean() + slope * (ahead - t.mean()), 0, 1)
                lever[i] = 1 + 1 / n + ((ahead - t.mean()) ** 2 / (dt @ dt) if n > 1 else 0.0)
        return centre, np.sqrt(lever)

    earlier = newest & (inner.count()[train.deck] > 0)
    before, spread = answers(inner, train.deck[earlier], train.when_yr[earlier])
    came, cv, tried = train.damage[earlier], learn_error(train, S.growth).cv[0], []

    def fan(middle, spread, floor, width):
        reach = width * Z * np.hypot(cv * middle, floor) * spread
        return middle, np.clip(middle - reach, 0, 1), np.clip(middle + reach, 0, 1)

    for floor in (0.001, 0.003, 0.01):
        _, low, high = fan(before, spread, floor, 1.0)
        need = np.abs(came - before) / np.where(came < before, before - low, high - before)
        width = float(np.quantile(need, 0.8))
        tried.append((crps_fan(fan(before, spread, floor, width), came).mean(), floor, width))
    _, floor, width = min(tried)
    last = got[got["trial"] == "last survey"]
    middle, spread = answers(train, last["deck"], last["when_yr"])
    expected = fan(middle, spread, floor, width)
    found = last["found"].to_numpy()
    # The width is kept to six decimals: half a unit of it, times a reach of up to a fifth of the deck.
    assert last[f"crps_{method}"].to_numpy() == pytest.approx(crps_fan(expected, found), abs=1e-7)
    assert last[f"in_{method}"].tolist() == ((found >= expected[1] - 1e-12) & (found <= expected[2] + 1e-12)).tolist()


def test_the_family_curve_is_the_same_for_decks_of_one_age(small):
    h, got = small
    last = got[got["trial"] == "last survey"]
    curve = last["found"] - last["miss_family curve"]
    age = last["when_yr"] - h.start_yr[last["deck"]]
    order = np.argsort(age.to_numpy())
    assert (np.diff(curve.to_numpy()[order]) >= -1e-12).all()
    # Weibull curve of shape 3.2 and a middle scale of 62 years.
    old = (age > 25) & (age < 60)
    assert curve[old].to_numpy() == pytest.approx(-np.expm1(-((age[old] / 62) ** 3.2)), rel=0.25)


# ---- the made-up truths ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("truth", TRUTHS)
def test_made_up_histories_are_as_they_say(truth):
    h = made_up_histories(truth, 4000, np.random.default_rng(10))
    count = h.count()
    assert (count.min(), count.max()) == (2, 6)
    assert np.bincount(count, minlength=7)[2:] == pytest.approx(np.full(5, 800), abs=110)
    same = h.deck[1:] == h.deck[:-1]
    gap = np.diff(h.when_yr)[same]
    assert 1.0 <= gap.min() < 1.02
    assert 4.98 < gap.max() <= 5.0
    first = h.when_yr[np.append(True, ~same)]
    assert (first.min(), first.max()) == pytest.approx((8.0, 16.0), abs=0.05)
    assert (h.start_yr.min(), h.start_yr.max()) == pytest.approx((-45.0, 5.0), abs=0.1)
    assert h.damage.max() <= 1.0
    assert ((h.damage == 0) | (h.damage >= 0.001)).all()
    age = h.when_yr - h.start_yr[h.deck]
    if truth == "Weibull curve":
        middle = (age > 45) & (age < 55)
        assert np.median(h.damage[middle]) == pytest.approx(1 - np.exp(-((50 / 62) ** 3.2)), rel=0.08)
        hazard = -np.log1p(-np.minimum(h.damage[middle], 0.99)) / (age[middle] / 62) ** 3.2
        spread = np.std(np.log(hazard[hazard > 0]))
        assert spread == pytest.approx(np.hypot(3.2 * 0.3, 0.24), rel=0.15)
        assert (h.damage[age < 10] < 0.05).all()
    else:
        # Nothing but scatter before 8 years; from the mean onset of 16.5 on, 0.8 points a year.
        young, old = age < 8, (age > 40) & (age < 55)
        assert (h.damage[young] < 0.01).all()
        assert h.damage[old].mean() == pytest.approx(0.008 * (age[old] - 16.5).mean(), rel=0.06)
        if truth == "linear rates":
            # Rates differ by 0.7 of their mean; onsets and one survey's scatter add to that.
            ratio = h.damage[old] / (age[old] - 16.5)
            assert ratio.std() / ratio.mean() == pytest.approx(np.sqrt(0.7**2 + 0.2**2 + 0.16**2 + 0.15**2), rel=0.12)
    assert (h.observers, set(h.observer), set(h.covered), set(h.repaired)) == (1, {0}, {1.0}, {0.0})

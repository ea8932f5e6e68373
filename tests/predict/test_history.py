"""Surveys as arrays, and what they tell of their observers, against plain least squares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from decknet.predict.history import Histories, SurveyError, learn_error, years
from decknet.settings import Settings

S = replace(Settings().growth, least_decks=40)


def _histories(deck, when, damage, repaired=None, observer=None, start=None, covered=None):
    k = len(deck)
    decks = int(np.max(deck)) + 1
    observer = np.zeros(k, dtype=np.int64) if observer is None else np.asarray(observer)
    return Histories(
        np.asarray(deck), np.asarray(when, dtype=float), np.asarray(damage, dtype=float),
        np.zeros(k) if repaired is None else np.asarray(repaired, dtype=float),
        np.ones(k) if covered is None else np.asarray(covered, dtype=float), observer, int(observer.max()) + 1,
        np.full(decks, -20.0) if start is None else np.asarray(start, dtype=float), decks,
    )  # fmt: skip


def test_dates_are_years_of_365_and_a_quarter_days_from_2000():
    got = years(pd.Series(pd.to_datetime(["2000-01-01", "2004-01-01", None, "1999-01-01"])))
    assert got[[0, 1, 3]] == pytest.approx([0.0, 4.0, -365 / 365.25])
    assert np.isnan(got[2])


def test_each_deck_has_its_last_survey_its_count_and_its_gaps():
    h = _histories([0, 0, 2, 2, 2], [1.0, 4.0, -19.5, 3.0, 9.0], [0.1, 0.2, 0.3, 0.4, 0.5])
    assert h.last().tolist() == [False, True, False, False, True]
    assert h.count().tolist() == [2, 0, 3]
    assert h.gap_yr().tolist() == [3.0, 0.0, 28.5, 6.0, 0.0]
    assert h.age_yr().tolist() == [21.0, 24.0, 1.0, 23.0, 29.0]  # never under a year
    last = h.last_of(h.damage)
    assert last[[0, 2]].tolist() == [0.2, 0.5]
    assert np.isnan(last[1])
    kept = h.some(np.array([False, True, True, False, True]))
    assert kept.when_yr.tolist() == [4.0, -19.5, 9.0]
    assert (kept.count().tolist(), kept.decks) == ([1, 0, 2], 3)
    assert len(h.some(np.zeros(5, dtype=bool)).last()) == 0


@pytest.mark.basis("derived", "by hand: root of (0.3 x 0.1)^2 + 0.004^2, over the root of the part covered")
def test_the_scatter_of_a_survey():
    error = SurveyError(np.ones(2), np.array([0.3, 0.2]), 0.004, 0.001, 0)
    got = error.scatter(np.array([0.1, 0.1, 0.1, 0.0]), np.array([0, 1, 0, 0]), np.array([1.0, 1.0, 0.25, 0.01]))
    whole = np.hypot(0.03, 0.004)
    assert got == pytest.approx([whole, np.hypot(0.02, 0.004), 2 * whole, 0.004 / np.sqrt(0.05)])


def _small_pairs(n=50, step=0.001, gap=2.0):
    """Pairs on nearly clean decks that differ by a step up or down, half each."""
    deck = np.repeat(np.arange(n), 2)
    first = np.full(n, 0.004)
    second = first + step * np.where(np.arange(n) % 2, 1, -1)
    return _histories(deck, np.tile([10.0, 10.0 + gap], n), np.column_stack([first, second]).ravel())


@pytest.mark.basis(
    "derived", "median absolute deviation to a normal's: 1.4826 of it; one survey's is the root of a half"
)
def test_the_scatter_on_clean_decks_is_half_the_variance_of_steps_between_surveys():
    spread = 1.4826 * 0.001 / np.sqrt(2)
    got = learn_error(_small_pairs(), S)
    assert got.floor == pytest.approx(spread)
    assert (got.pairs, got.detect) == (0, S.detect_share)
    assert (got.factor.tolist(), got.cv.tolist()) == ([1.0], [S.survey_cv])
    # Never over the settings, nor under half of what can be detected.
    assert learn_error(_small_pairs(step=0.0039), S).floor == pytest.approx(min(3.9 * spread, S.survey_floor))
    assert learn_error(_small_pairs(step=0.0001), S).floor == pytest.approx(S.detect_share / 2)


@pytest.mark.parametrize(
    ("n", "gap", "learned"), [(40, 2.0, True), (39, 2.0, False), (50, 3.9, True), (50, 4.0, False)]
)
def test_only_enough_pairs_close_in_time_tell_it(n, gap, learned):
    assert (learn_error(_small_pairs(n, gap=gap), S).floor < S.survey_floor) == learned


def test_pairs_with_a_repair_between_or_with_more_than_thrice_the_floor_tell_nothing_of_clean_decks():
    h = _small_pairs()
    mended = replace(h, repaired=np.tile([0.0, 0.001], 50))
    assert learn_error(mended, S).floor == S.survey_floor
    assert learn_error(replace(h, damage=h.damage + 0.0075), S).floor == S.survey_floor
    assert learn_error(replace(h, damage=h.damage + 0.0065), S).floor < S.survey_floor


def _crews(seed=1, decks=300):
    rng = np.random.default_rng(seed)
    deck = np.repeat(np.arange(decks), 3)
    start = rng.uniform(-40, 0, decks)
    when = np.tile([10.0, 13.0, 17.0], decks) + rng.uniform(0, 2, 3 * decks)
    observer = rng.integers(0, 3, 3 * decks)
    true = 0.05 * rng.uniform(1, 6, decks)[deck] * ((when - start[deck]) / 30) ** 1.5
    bias, cv = np.array([0.8, 1.0, 1.3]), np.array([0.1, 0.2, 0.3])
    found = true * bias[observer] * np.exp(cv[observer] * rng.standard_normal(3 * decks))
    return _histories(deck, when, np.minimum(found, 0.9), observer=observer, start=start)


@pytest.mark.basis("derived", "the same problem as rows of a table, solved by numpy's least squares")
def test_bias_and_scatter_of_crews_are_least_squares_with_a_prior():
    h = _crews()
    got = learn_error(h, S)
    one, two = np.flatnonzero(~h.last()), np.flatnonzero(~h.last()) + 1
    use = np.minimum(h.damage[one], h.damage[two]) > 0.02  # five times the floor
    one, two = one[use], two[use]
    assert got.pairs == len(one)
    ratio = np.log(h.damage[two] / h.damage[one])
    grown = np.log(h.age_yr()[two] / h.age_yr()[one])
    row = np.arange(len(one))
    table = np.zeros((len(one), 4))
    table[row, h.observer[two]] += 1
    table[row, h.observer[one]] -= 1
    table[:, 3] = grown
    variance = (1.4826 * np.median(np.abs(ratio - np.median(ratio)))) ** 2
    prior = np.column_stack([np.eye(3) * np.sqrt(variance) / S.observer_spread, np.zeros(3)])
    solved = np.linalg.lstsq(np.vstack([table, prior]), np.append(ratio, np.zeros(3)), rcond=None)[0]
    # The mean observer, by surveys made, is the truth.
    log_factor = solved[:3] - np.average(solved[:3], weights=np.bincount(h.observer))
    assert np.log(got.factor) == pytest.approx(log_factor, abs=2e-5)

    left = ratio - log_factor[h.observer[two]] + log_factor[h.observer[one]] - solved[3] * grown
    square = np.minimum(left**2, 9 * np.mean(np.minimum(left**2, 9 * variance)))
    common = square.mean() / 2
    # Each pair's square is the sum of both crews' variances; each crew begins as 20 pairs of the common one.
    both = np.zeros((len(one), 3))
    both[row, h.observer[two]] += 1
    both[row, h.observer[one]] += 1
    rows = np.vstack([both, np.sqrt(20.0) * np.eye(3)])
    told = np.linalg.lstsq(rows, np.append(square, np.sqrt(20.0) * np.full(3, common)), rcond=None)[0]
    assert got.cv == pytest.approx(np.sqrt(np.clip(told, common / 6, 6 * common)), rel=1e-4)
    assert got.cv[0] < got.cv[1] < got.cv[2]
    assert got.floor == S.survey_floor


@pytest.mark.parametrize(("share", "pairs"), [(0.0201, 50), (0.0199, 0)])
def test_ratios_are_taken_of_shares_over_five_times_the_floor(share, pairs):
    deck = np.repeat(np.arange(50), 2)
    assert learn_error(_histories(deck, np.tile([10.0, 14.0], 50), np.tile([share, 0.1], 50)), S).pairs == pairs
    small = replace(S, survey_floor=0.0001)  # and never under a point
    for low, expected in ((0.0101, 50), (0.0099, 0)):
        assert (
            learn_error(_histories(deck, np.tile([10.0, 14.0], 50), np.tile([low, 0.1], 50)), small).pairs == expected
        )


def test_ratios_need_the_same_deck_no_repair_and_as_many_pairs_as_a_family():
    deck = np.repeat(np.arange(40), 2)
    rng = np.random.default_rng(2)
    h = _histories(
        deck, np.tile([10.0, 14.0], 40), rng.uniform(0.1, 0.3, 80), observer=np.tile([0, 1], 40)
    )  # fmt: skip
    told = learn_error(h, S)
    assert told.pairs == 40
    assert told.factor[0] != told.factor[1]
    fewer = learn_error(h.some(deck < 39), S)
    assert fewer.pairs == 39
    assert fewer.factor.tolist() == [1.0, 1.0]
    assert fewer.cv.tolist() == [S.survey_cv] * 2
    assert learn_error(replace(h, repaired=np.tile([0.0, 0.05], 40)), S).pairs == 0
    both = learn_error(replace(h, repaired=np.full(80, 0.05)), S)
    assert both.pairs == 40
    # What was made sound before is no part of what a crew finds.
    assert both.factor == pytest.approx(learn_error(replace(h, damage=h.damage - 0.05), S).factor)


@pytest.mark.parametrize("odd", [0.5, 3.0])
def test_a_crew_is_no_surer_and_no_less_sure_than_a_sixth_and_six_times_the_common_scatter(odd):
    rng = np.random.default_rng(3)
    n = 900
    deck = np.repeat(np.arange(n), 2)
    observer = np.repeat((np.arange(n) < 60).astype(int), 2)
    spread = np.where(observer == 1, odd if odd > 1 else 1e-4, 0.15 if odd > 1 else 0.6)
    found = np.clip(0.3 * np.exp(spread * rng.standard_normal(2 * n) * 0.5), 0.021, 0.95)
    got = learn_error(_histories(deck, np.tile([10.0, 14.0], n), found, observer=observer), S)
    assert (got.cv[1] / got.cv[0]) ** 2 > 3 if odd > 1 else (got.cv[1] / got.cv[0]) ** 2 < 1 / 3

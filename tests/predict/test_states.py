"""Condition states against worked chains, and raters' noise against a known truth."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import expm
from scipy.optimize import minimize

from decknet.predict.states import (
    ShareFit,
    chain,
    fit_ratings,
    fit_share_states,
    fit_shares,
    forecast_states,
    generator,
    mean_years_to_last,
    rating_sequences,
    yearly_exit,
)

STAY = (0.91, 0.95, 0.94, 0.85)
FIVE = np.eye(5)
for _i, _s in enumerate(STAY):
    FIVE[_i, _i], FIVE[_i, _i + 1] = _s, 1 - _s
COURSE = "public course script on Markov chains, exercise 4.4: five-state reinforced-concrete bridge chain"


@pytest.mark.basis("published", COURSE)
def test_the_bridge_chain_after_twenty_years():
    got = forecast_states(np.eye(5)[0], FIVE, 20)
    assert got == pytest.approx([0.15164491, 0.46539227, 0.25004143, 0.06800622, 0.06491516], abs=5e-9)
    assert got @ np.arange(1, 6) == pytest.approx(2.429154, abs=1e-6)


@pytest.mark.basis("derived", "sum of 1 / (1 - stay) for the chain of the course script")
def test_mean_years_to_the_last_state():
    assert mean_years_to_last(FIVE) == pytest.approx([54.4444444, 43.3333333, 23.3333333, 6.6666667], abs=1e-6)


@pytest.mark.basis("published", "public exercise page on urban interstate decks, counts after four years")
def test_the_interstate_decks_after_four_years():
    yearly = np.array(
        [[0.6, 0.3, 0.1, 0, 0], [0, 0.7, 0.2, 0.1, 0], [0, 0, 0.6, 0.3, 0.1], [0, 0, 0, 0.7, 0.3], [0, 0, 0, 0, 1]]
    )
    got = forecast_states(np.array([1771, 2751, 1771, 578, 0.0]), yearly, 4)
    assert got == pytest.approx([229.5216, 1247.6016, 1246.5936, 1896.7949, 2250.4883], abs=5e-5)
    assert got.sum() == pytest.approx(1771 + 2751 + 1771 + 578)


@pytest.mark.basis("derived", "least squares on noise-free shares of the chain of the course script")
def test_shares_without_noise_give_the_chain_back():
    path = np.array([forecast_states(np.eye(5)[0], FIVE, k) for k in range(0, 21, 2)])
    got = fit_shares(path[:-1], path[1:], np.full(10, 2))
    assert np.diag(got)[:4] == pytest.approx(STAY, abs=1e-6)
    assert got.sum(axis=1) == pytest.approx(np.ones(5))


def _counted(table, gap):
    pairs = [(i, j, n) for i, row in enumerate(table) for j, n in enumerate(row) if n]
    return (
        np.repeat(np.arange(len(pairs)), 2), np.tile([0.0, gap], len(pairs)),
        np.array([p[:2] for p in pairs]).ravel(), np.array([p[2] for p in pairs], dtype=float),
    )  # fmt: skip


@pytest.mark.basis("derived", "two states, 80 stayed and 20 left over 2 years: the stay is the root of 0.8")
def test_two_states_by_hand():
    run, when, state, weight = _counted([[80, 20]], 2.0)
    fit = fit_ratings(run, when, state, 2, misread=False, weight=weight)
    assert fit.rates[0] == pytest.approx(0.1115717757, abs=1e-7)
    assert fit.yearly[0, 0] == pytest.approx(0.8944271910, abs=1e-7)


@pytest.mark.basis("derived", "maximum likelihood by scipy 1.17 expm of 2-year counts 70/22/8, 60/15")
def test_three_states_over_two_years():
    run, when, state, weight = _counted([[70, 22, 8], [0, 60, 15], [0, 0, 1]], 2.0)
    fit = fit_ratings(run, when, state, 3, misread=False, weight=weight)
    assert fit.rates == pytest.approx([0.1797878, 0.1421494], abs=1e-6)
    assert fit.log_likelihood == pytest.approx(-118.2380240, abs=1e-6)
    assert fit.yearly[0] == pytest.approx([0.8354475, 0.1530657, 0.0114867], abs=1e-6)


@pytest.mark.basis("derived", "closed form of a progressive chain, rates .10, .06, .12 over 5 years")
def test_moves_over_five_years():
    got = expm(generator(np.array([0.10, 0.06, 0.12])) * 5)[0]
    assert got == pytest.approx([0.6065306597, 0.3357189024, 0.0471237843, 0.0106266535], abs=1e-9)


@pytest.mark.basis("derived", "1 - S(t + 1) / S(t) of a Weibull time in state")
def test_the_chance_of_leaving_rises_with_time_spent():
    assert yearly_exit(1, 20, np.array([0.0, 9.0])) == pytest.approx([0.048771, 0.048771], abs=5e-7)
    spent = np.array([0.0, 5, 10, 20])
    assert yearly_exit(2, 20, spent) == pytest.approx([0.002497, 0.027125, 0.051146, 0.097422], abs=5e-7)
    assert yearly_exit(2.5, 15, spent) == pytest.approx([0.001147, 0.036365, 0.093023, 0.233793], abs=5e-7)


@pytest.mark.slow
def test_raters_noise_is_told_from_true_change_at_uneven_intervals():
    rng = np.random.default_rng(1)
    rates, misread, n = np.array([0.10, 0.06, 0.12]), 0.12, 700
    run, when, state = [], [], []
    for i in range(n):
        t, true = 0.0, 0
        for _ in range(6):
            seen = true
            if rng.uniform() < misread:
                seen = int(np.clip(true + rng.choice([-1, 1]), 0, 3))
            run.append(i)
            when.append(t)
            state.append(seen)
            gap = float(rng.choice([1.0, 2.0, 3.0]))
            moves = expm(generator(rates) * gap)[true]
            true, t = int(rng.choice(4, p=moves / moves.sum())), t + gap
    data = np.array(run), np.array(when), np.array(state)
    fit = fit_ratings(*data, 4)
    assert fit.rates == pytest.approx(rates, rel=0.25)
    assert fit.misread == pytest.approx(misread, abs=0.03)
    assert fit.yearly.sum(axis=1) == pytest.approx(np.ones(4))
    naive = fit_ratings(*data[:2], np.maximum.accumulate(data[2].reshape(n, 6), axis=1).ravel(), 4, misread=False)
    assert naive.rates[0] > 1.25 * rates[0]  # noise read as worsening


def test_repairs_cut_a_run():
    who = pd.Series(["a"] * 5 + ["b"] * 3)
    when = np.array([0.0, 2, 4, 6, 8, 0, 2, 4])
    state = np.array([2, 3, 0, 1, 1, 1, 2, 2])
    assert rating_sequences(who, when, state).tolist() == [0, 0, 1, 1, 1, 2, 2, 2]
    works = pd.DataFrame({"who": ["b"], "when_yr": [1.0]})
    assert rating_sequences(who, when, state, works).tolist() == [0, 0, 1, 1, 1, 2, 3, 3]


# ---- the likelihood of ratings by every path ------------------------------------------------------------------------


def _by_every_path(rates, misread, runs, states, begin):
    """Log likelihood of runs of (year, reading): a sum over every path that the true states may have taken."""
    total = 0.0
    gaps = {u - t for r in runs for (t, _), (u, _) in pairwise(r)}
    moves = {gap: expm(generator(rates) * gap) for gap in gaps}
    for readings in runs:
        here = 0.0
        for path in product(range(states), repeat=len(readings)):
            chance = begin[path[0]]
            for ((t, _), (u, _)), (a, b) in zip(pairwise(readings), pairwise(path), strict=True):
                chance *= moves[u - t][a, b]
            for (_, seen), true in zip(readings, path, strict=True):
                ends = np.zeros(states)
                ends[true] = 1 - misread
                for other in (true - 1, true + 1):
                    if 0 <= other < states:
                        ends[other] = misread / 2
                chance *= ends[seen] / ends.sum()
            here += chance
        total += np.log(here)
    return total


RUNS = [
    [(0.0, 0), (2.0, 0), (5.0, 1), (7.0, 1), (9.0, 2)], [(1.0, 0), (2.0, 0), (4.0, 0), (6.0, 1)], [(0.0, 1), (3.0, 2)],
    [(0.0, 0), (2.0, 1), (4.0, 0), (6.0, 0), (8.0, 0)], [(0.0, 2)], [(0.0, 0), (3.0, 1), (6.0, 2)],
    [(0.0, 1), (2.0, 1), (4.0, 1), (6.0, 2)], [(0.0, 0), (1.0, 0), (3.0, 0), (5.0, 0)], [(0.0, 2), (2.0, 2), (5.0, 2)],
]  # fmt: skip


@pytest.mark.basis("derived", "the sum over every path of true states, worked one by one")
def test_the_likelihood_of_ratings_is_a_sum_over_every_path():
    run = np.repeat(np.arange(len(RUNS)), [len(r) for r in RUNS])
    when, state = (np.array([reading[i] for r in RUNS for reading in r]) for i in (0, 1))
    fit = fit_ratings(run, when, state.astype(np.int64), 3)
    first = np.bincount([r[0][1] for r in RUNS], minlength=3) + 0.5
    begin = first / first.sum()
    value = _by_every_path(fit.rates, fit.misread, RUNS, 3, begin)
    assert fit.log_likelihood == pytest.approx(value, abs=1e-5)
    assert fit.pairs == sum(len(r) - 1 for r in RUNS)
    assert fit.yearly == pytest.approx(expm(generator(fit.rates)), abs=1e-9)
    # No rate and no chance of a misreading nearby does better.
    for i in range(2):
        for factor in (0.9, 1.1):
            other = fit.rates.copy()
            other[i] *= factor
            assert _by_every_path(other, fit.misread, RUNS, 3, begin) < value + 1e-9
    for misread in (0.8 * fit.misread, min(1.2 * fit.misread, 0.4)):
        assert _by_every_path(fit.rates, misread, RUNS, 3, begin) < value + 1e-9
    assert 0.05 < fit.misread < 0.39


def test_runs_count_as_often_as_their_weight_says():
    run = np.repeat(np.arange(len(RUNS)), [len(r) for r in RUNS])
    when, state = (np.array([reading[i] for r in RUNS for reading in r]) for i in (0, 1))
    state = state.astype(np.int64)
    weight = np.array([1, 3, 1, 1, 2, 1, 1, 2, 1.0])
    copies = [RUNS[i] for i, w in enumerate(weight) for _ in range(int(w))]
    again = np.repeat(np.arange(len(copies)), [len(r) for r in copies])
    long = (np.array([reading[i] for r in copies for reading in r]) for i in (0, 1))
    long_when, long_state = long
    one = fit_ratings(run, when, state, 3, weight=weight)
    other = fit_ratings(again, long_when, long_state.astype(np.int64), 3)
    assert one.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-6)
    assert one.rates == pytest.approx(other.rates, rel=1e-3)


def test_a_state_nobody_left_has_next_to_no_rate_and_one_all_leave_has_not_more_than_three_a_year():
    run, when, state, weight = _counted([[50, 0], [0, 1]], 2.0)
    assert fit_ratings(run, when, state, 2, misread=False, weight=weight).rates[0] < 1e-3
    run, when, state, weight = _counted([[0, 50], [0, 1]], 2.0)
    assert 1.0 < fit_ratings(run, when, state, 2, misread=False, weight=weight).rates[0] <= 3.0 + 1e-9


def test_a_rise_of_more_than_so_many_states_is_a_repair():
    who = pd.Series(["a"] * 6)
    when, state = np.arange(6.0), np.array([3, 2, 3, 1, 3, 0])
    assert rating_sequences(who, when, state).tolist() == [0, 0, 0, 1, 1, 2]
    assert rating_sequences(who, when, state, most_rise=2).tolist() == [0, 0, 0, 0, 0, 1]
    assert rating_sequences(who, when, state, most_rise=0).tolist() == [0, 1, 1, 2, 2, 3]
    assert len(rating_sequences(who.iloc[:0], when[:0], state[:0])) == 0


def test_works_cut_before_the_first_rating_at_or_after_them():
    who = pd.Series(["a", "a", "b", "b", "b"])
    when, state = np.array([0.0, 2, 0, 2, 4]), np.array([1, 1, 1, 1, 1])

    def cut(name, year):
        return rating_sequences(who, when, state, pd.DataFrame({"who": [name], "when_yr": [year]})).tolist()

    assert cut("b", 2.0) == [0, 0, 1, 2, 2]
    assert cut("b", 2.1) == [0, 0, 1, 1, 2]
    assert cut("b", 4.1) == [0, 0, 1, 1, 1]  # after the last rating
    assert cut("a", 1.0) == [0, 1, 2, 2, 2]
    assert cut("c", 1.0) == [0, 0, 1, 1, 1]
    both = pd.DataFrame({"who": ["a", "b", "b"], "when_yr": [1.0, 1.0, 3.0]})
    assert rating_sequences(who, when, state, both).tolist() == [0, 1, 2, 3, 4]


# ---- shares ---------------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "one year by hand: parts of a year lie straight between whole ones")
def test_a_part_of_a_year_lies_between_whole_years():
    start = np.array([1.0, 0, 0, 0, 0])
    whole = [start @ np.linalg.matrix_power(FIVE, k) for k in (2, 3)]
    assert forecast_states(start, FIVE, 2.25) == pytest.approx(0.75 * whole[0] + 0.25 * whole[1])
    assert forecast_states(start, FIVE, 0.0).tolist() == start.tolist()


@pytest.mark.basis("derived", "odds by hand: ln(0.2 / 0.8) and a standard error of 0.5 either way")
def test_the_chance_of_leaving_is_on_the_scale_of_odds():
    fit = ShareFit(np.eye(2), np.array([np.log(0.25), 0.0]), np.array([0.5, np.inf]))
    odds = 0.25 * np.exp(1.28 * 0.5)
    assert fit.leaving(1.28)[0] == pytest.approx(odds / (1 + odds))
    assert fit.leaving() == pytest.approx([0.2, 0.5])  # what is not sure at all has a best chance all the same
    assert (fit.leaving(1.0)[1], fit.leaving(-1.0)[1]) == pytest.approx((1.0, 0.0))
    assert chain(np.array([0.2, 0.5])).tolist() == [[0.8, 0.2, 0.0], [0.0, 0.5, 0.5], [0.0, 0.0, 1.0]]


def _scattered(decks=40, seed=5):
    """Three inspections of each deck: shares of three states with scatter."""
    rng = np.random.default_rng(seed)
    true = chain(np.array([0.08, 0.05]))
    before, after, years, area, deck, run = [], [], [], [], [], []
    for i in range(decks):
        size = float(rng.uniform(200, 2000))
        begun = rng.dirichlet([6, 2, 1])
        looks = []
        for t in (0, 2, 5):
            share = begun @ np.linalg.matrix_power(true, t)
            looks.append(rng.dirichlet(share * 200 + 0.05))
        for k, gap in ((0, 2), (1, 3)):
            before.append(looks[k])
            after.append(looks[k + 1])
            years.append(gap)
            area.append(size)
            deck.append(i // 2)  # two elements to a deck
            run.append(i)
    return tuple(np.array(v) for v in (before, after, years, area, deck, run))


def _misses(theta, before, after, years, area, run):
    """What readings of each run leave on the best start of it carried forward: solved run by run."""
    p = chain(1 / (1 + np.exp(-theta)))
    out = []
    for r in np.unique(run):
        rows = np.flatnonzero(run == r)
        looks = [before[rows[0]], *after[rows]]
        times = np.concatenate([[0], np.cumsum(years[rows])])
        carry = np.vstack([np.linalg.matrix_power(p, t).T for t in times])  # readings = carry @ start
        y = np.concatenate(looks)
        start = np.linalg.lstsq(carry, y, rcond=None)[0]
        out.append((y - carry @ start) * np.sqrt(area[rows[0]] / area.mean()))
    return out


@pytest.mark.basis(
    "derived", "each run's start solved by itself; errors by the sandwich of finite steps, decks together"
)
def test_chances_of_leaving_are_least_squares_over_runs_and_their_errors_allow_for_decks():
    before, after, years, area, deck, run = _scattered()
    fit = fit_share_states(before, after, years, area, deck, run)

    def total(theta):
        return sum(float(m @ m) for m in _misses(theta, before, after, years, area, run))

    least = total(fit.log_odds)
    for i in range(2):
        for nudge in (-0.02, 0.02):
            assert total(fit.log_odds + nudge * np.eye(2)[i]) > least
    found = minimize(total, [-2.5, -2.5], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-14})
    assert fit.log_odds == pytest.approx(found.x, abs=1e-3)
    assert fit.leaving() == pytest.approx(1 - np.diag(fit.yearly)[:2])

    step = 1e-5
    base = _misses(fit.log_odds, before, after, years, area, run)
    up = [_misses(fit.log_odds + step * e, before, after, years, area, run) for e in np.eye(2)]
    slope = [np.column_stack([(u[r] - base[r]) / step for u in up]) for r in range(len(base))]
    bend = np.linalg.inv(sum(s.T @ s for s in slope))
    of_run = np.array([deck[run == r][0] for r in np.unique(run)])
    score = np.array([s.T @ m for s, m in zip(slope, base, strict=True)])
    by_deck = np.array([score[of_run == d].sum(axis=0) for d in np.unique(deck)])
    count = len(by_deck)
    assert count == 20
    middle = by_deck.T @ by_deck * count / (count - 1)
    assert fit.log_odds_se == pytest.approx(np.sqrt(np.diag(bend @ middle @ bend)), rel=5e-3)
    # Without decks each run stands alone, without runs each pair.
    alone = fit_share_states(before, after, years, area, None, run)
    assert alone.log_odds == pytest.approx(fit.log_odds, abs=1e-4)
    assert (np.abs(alone.log_odds_se / fit.log_odds_se - 1) > 0.01).any()
    apart = fit_share_states(before, after, years, area)
    assert np.abs(apart.log_odds - fit.log_odds).max() > 0.002
    even = fit_share_states(before, after, years)
    assert np.abs(even.log_odds - apart.log_odds).max() > 0.001


def test_a_state_that_nobody_shows_has_no_chance_of_leaving():
    before = np.array([[1.0, 0, 0], [1.0, 0, 0], [0.9, 0.1, 0]])[:, :2] @ np.eye(2, 3)
    after = before @ chain(np.array([0.1, 0.0]))
    before4 = np.column_stack([before, np.zeros(3)])
    after4 = np.column_stack([after, np.zeros(3)])
    fit = fit_share_states(before4, after4, np.ones(3))
    assert np.isfinite(fit.log_odds_se[0])
    assert fit.log_odds_se[2] == np.inf


@pytest.mark.basis(
    "derived", "one state to leave, n looks a year apart: the information on log rate is n r^2 e^-r / (1 - e^-r)"
)
@pytest.mark.parametrize(("n", "left"), [(400, 40), (1_000, 30), (60, 20)])
def test_the_range_of_a_rate_is_that_of_its_count(n, left):
    run = np.repeat(np.arange(n), 2)
    state = np.column_stack([np.zeros(n), (np.arange(n) < left).astype(float)]).ravel().astype(np.int64)
    fit = fit_ratings(run, np.tile([0.0, 1.0], n), state, 2, misread=False)
    rate = -np.log1p(-left / n)
    sd = np.sqrt((1 - np.exp(-rate)) / (n * rate**2 * np.exp(-rate)))
    assert fit.rates[0] == pytest.approx(rate, rel=1e-4)
    assert fit.rates_high[0] / fit.rates[0] == pytest.approx(np.exp(1.2815515655 * sd), rel=1e-3)
    assert fit.rates[0] / fit.rates_low[0] == pytest.approx(np.exp(1.2815515655 * sd), rel=1e-3)


def test_a_rate_from_next_to_no_steps_or_driven_to_a_bound_is_not_told():
    # ten decks that stay in state 0 for a year each, and one step out of state 1
    run = np.repeat(np.arange(11), 2)
    state = np.array([0, 0] * 10 + [1, 2])
    fit = fit_ratings(run, np.tile([0.0, 1.0], 11), state, 3, misread=False)
    assert np.isnan(fit.rates_low).all()
    assert np.isnan(fit.rates_high).all()

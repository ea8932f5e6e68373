"""Condition states against worked chains, and raters' noise against a known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import expm

from decknet.predict.states import (
    fit_ratings,
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

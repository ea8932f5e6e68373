"""The parts of the fit of ratings: matrices, slopes, and what of the search is kept, by hand and by finite steps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import expm

from decknet.predict.states import (
    _exponential,
    _moves,
    _patterns,
    _seen,
    _seen_slope,
    _spread,
    _told,
    chain,
    forecast_states,
    generator,
    rating_sequences,
    yearly_exit,
)

Z = 1.2815515655446004


@pytest.mark.basis("derived", "scipy's matrix exponential; derivatives by finite steps of the log rates")
def test_matrices_of_moves_and_their_derivatives():
    rates, lengths = np.array([0.3, 0.05, 1.2]), np.array([0.0, 0.5, 3.0, 40.0])
    moves, turns = _moves(rates, lengths)
    assert moves == pytest.approx(np.array([expm(generator(rates) * t) for t in lengths]), abs=1e-12)
    for k in range(3):
        ends = []
        for step in (1e-6, -1e-6):
            moved = rates * np.exp(step * (np.arange(3) == k))
            ends.append(np.array([expm(generator(moved) * t) for t in lengths]))
        assert turns[k] == pytest.approx((ends[0] - ends[1]) / 2e-6, abs=1e-8)
    assert _exponential(np.zeros((2, 3, 3))) == pytest.approx(np.array([np.eye(3)] * 2))
    assert _exponential(np.array([[[0.0, 30.0], [0.0, -25.0]]])) == pytest.approx(
        expm(np.array([[0.0, 30.0], [0.0, -25.0]]))[None], rel=1e-9
    )


@pytest.mark.basis("derived", "by hand: half of the misreadings on either side; at an end there is but one side")
def test_what_a_rater_reads_of_each_state():
    seen = _seen(4, 0.2)
    assert seen[1].tolist() == pytest.approx([0.1, 0.8, 0.1, 0.0])
    assert seen[0].tolist() == pytest.approx([0.8 / 0.9, 0.1 / 0.9, 0.0, 0.0])
    assert seen[3].tolist() == pytest.approx([0.0, 0.0, 0.1 / 0.9, 0.8 / 0.9])
    for misread in (0.0, 0.13, 0.39):
        slope = (_seen(4, misread + 1e-6) - _seen(4, misread - 1e-6)) / 2e-6
        assert _seen_slope(4, misread) == pytest.approx(slope, abs=1e-8)


@pytest.mark.basis("derived", "by hand: exp(z x the root of the inverse curvature); what is flat takes no part")
def test_the_range_of_a_rate_by_the_curvature():
    low, high = np.full(2, -5.0), np.full(2, 1.0)
    at = np.zeros(2)
    got = _spread(np.diag([4.0, 16.0]), at, low, high)
    assert got == pytest.approx(np.exp(Z * np.array([0.5, 0.25])), abs=1e-6)
    both = np.array([[4.0, 2.0], [2.0, 5.0]])
    assert _spread(both, at, low, high) == pytest.approx(np.exp(Z * np.sqrt([5 / 16, 4 / 16])), abs=1e-6)
    # The second hardly bends the likelihood: it is not told, and takes nothing from the first.
    flat = np.array([[4.0, 0.04], [0.04, 0.0005]])
    got = _spread(flat, at, low, high)
    assert got[0] == pytest.approx(np.exp(Z / 2), abs=1e-6)
    assert np.isnan(got[1])
    # Told within a factor of four, and not where it was driven to a bound.
    edge = (np.log(4.0) / Z) ** -2
    got = _spread(np.diag([1.01 * edge, 0.99 * edge]), at, low, high)
    assert got[0] == pytest.approx(4.0 ** (1.01**-0.5), abs=1e-6)
    assert np.isnan(got[1])
    for driven in (-5.0 + 9e-4, 1.0 - 9e-4):
        got = _spread(np.diag([4.0, 4.0]), np.array([driven, 0.0]), low, high)
        assert np.isnan(got[0])
        assert got[1] == pytest.approx(np.exp(Z / 2), abs=1e-6)
    near = _spread(np.diag([4.0, 4.0]), np.array([-5.0 + 1.1e-3, 1.0 - 1.1e-3]), low, high)
    assert np.isfinite(near).all()
    assert np.isnan(_spread(np.diag([0.0, -3.0]), at, low, high)).all()


def test_an_unknown_that_says_nothing_stays_at_its_start_and_one_driven_away_goes_to_its_bound():
    start, low, high = np.array([-2.5, -2.5, -2.5, -2.5]), np.full(4, -11.0), np.full(4, 1.0)

    def target(theta):
        # The first says nothing; the second wants to be low and the third high, ever less; the fourth 0.7.
        return np.exp(3 * theta[1]) + np.exp(-30 * theta[2]) + (theta[3] - 0.7) ** 2, np.zeros(4)

    got = _told(target, np.array([-4.0, -9.0, 0.9, 0.7]), start, low, high)
    assert got.tolist() == [-2.5, -11.0, 1.0, 0.7]
    # What it gives up must be less than a ten-millionth.
    far = _told(lambda t: (2e-7 * abs(t[0] - 0.3), np.zeros(1)), np.array([0.3]), start[:1], low[:1], high[:1])
    assert far.tolist() == [0.3]
    close = _told(lambda t: (2e-8 * abs(t[0] + 4.0), np.zeros(1)), np.array([-4.0]), start[:1], low[:1], high[:1])
    assert close.tolist() == [-2.5]


def test_runs_are_gathered_by_the_years_of_their_inspections():
    run, years = np.array([3, 3, 5, 7, 7, 8]), np.array([2, 1, 2, 2, 1, 3])
    got = {pattern: rows.tolist() for pattern, rows in _patterns(run, years)}
    assert got == {(0, 2, 3): [0, 3], (0, 2): [2], (0, 3): [5]}


@pytest.mark.basis("derived", "by hand: powers of the matrix, and a straight line between whole years")
def test_shares_after_whole_years_and_between():
    p = chain(np.array([0.2, 0.5]))
    assert p.tolist() == [[0.8, 0.2, 0.0], [0.0, 0.5, 0.5], [0.0, 0.0, 1.0]]
    one, two = np.array([0.8, 0.2, 0.0]), np.array([0.64, 0.26, 0.10])
    assert forecast_states(np.array([1.0, 0, 0]), p, 2) == pytest.approx(two)
    assert forecast_states(np.array([1.0, 0, 0]), p, 1.25) == pytest.approx(0.75 * one + 0.25 * two)
    assert forecast_states(np.array([1.0, 0, 0]), p, 0.0).tolist() == [1.0, 0.0, 0.0]


@pytest.mark.basis("derived", "1 - S(t + 1) / S(t) of a Weibull time in state, by hand")
def test_the_chance_of_leaving_after_years_spent():
    spent = np.array([0.0, 4.0, 11.5])
    survives = np.exp(-((np.array([spent, spent + 1]) / 20) ** 2.2))
    assert yearly_exit(2.2, 20.0, spent) == pytest.approx(1 - survives[1] / survives[0])


def test_works_of_one_bridge_cut_no_run_of_another():
    who = pd.Series(["a", "a", "a", "b", "b", "b"])
    when, state = np.array([1.0, 3, 5, 1, 3, 5]), np.array([2.0, 2, 2, 1, 1, 1])
    works = pd.DataFrame({"who": ["a", "a", "c", "b"], "when_yr": [3.0, 9.0, 2.0, 0.5]})
    assert rating_sequences(who, when, state, works).tolist() == [0, 1, 1, 2, 2, 2]
    works = pd.DataFrame({"who": ["b"], "when_yr": [3.1]})
    assert rating_sequences(who, when, state, works).tolist() == [0, 0, 0, 1, 1, 2]

"""Closed forms against worked values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import gamma

from decknet.predict.closed_forms import (
    chance_of_reaching,
    chloride_at,
    curve_through,
    gamma_by_likelihood,
    gamma_by_moments,
    years_to_start,
)

YEARS, LEVEL = np.array([0.0, 2, 5, 9, 12]), np.array([0.0, 1.1, 3.0, 4.4, 7.2])


@pytest.mark.basis("derived", "erf solution of diffusion into a half space, worked by scipy 1.17 erfinv")
def test_years_until_corrosion_starts():
    assert years_to_start(50, 20, 0.60, 0.05) == pytest.approx(20.842632, abs=1e-6)
    assert years_to_start(50, 30, 5.0, 0.71) == pytest.approx(19.324559, abs=1e-6)
    assert chloride_at(50, 20, 30, 5) == pytest.approx(0.7445733659, abs=1e-10)


@pytest.mark.basis("derived", "time grows with the square of the cover: 1.375 squared")
def test_cover_counts_by_its_square():
    assert years_to_start(1.375 * 50, 20, 0.6, 0.05) / years_to_start(50, 20, 0.6, 0.05) == pytest.approx(1.890625)


@pytest.mark.basis("derived", "two equations in two unknowns")
def test_a_curve_through_two_points():
    power, scale = curve_through((25, 0.02), (40, 0.12))
    assert power == pytest.approx(3.9253122634, abs=1e-9)
    assert scale == pytest.approx(67.5535920984, abs=1e-9)
    assert -np.expm1(-((30 / scale) ** power)) == pytest.approx(0.0404834784, abs=1e-9)


@pytest.mark.basis("derived", "moments and scipy 1.17 likelihood of a worked gamma process")
def test_a_gamma_process_by_moments_and_by_likelihood():
    mean, variance = gamma_by_moments(YEARS, LEVEL)
    assert mean == pytest.approx(0.6)
    assert variance == pytest.approx(0.2286792453, abs=1e-9)
    assert (mean**2 / variance, mean / variance) == pytest.approx((1.5742574257, 2.6237623762), abs=1e-9)
    shape, rate, value = gamma_by_likelihood(YEARS, LEVEL)
    assert (shape, rate) == pytest.approx((2.4319130, 4.0531883), abs=1e-6)
    assert shape / rate == pytest.approx(0.6)
    assert value == pytest.approx(-3.9602454, abs=1e-6)
    steps, rises = np.diff(YEARS), np.diff(LEVEL)
    assert value == pytest.approx(gamma.logpdf(rises, shape * steps, scale=1 / rate).sum())


@pytest.mark.basis("derived", "gamma distribution function, scipy 1.17; and by integrating the density")
def test_chance_that_a_gamma_process_gets_so_far():
    shape, rate, _ = gamma_by_likelihood(YEARS, LEVEL)
    assert chance_of_reaching(4.8, 5, shape, rate) == pytest.approx(0.0307583, abs=1e-6)
    assert chance_of_reaching(4.8, 10, shape, rate) == pytest.approx(0.8394294, abs=1e-6)
    below = quad(lambda x: gamma.pdf(x, shape * 5, scale=1 / rate), 0, 4.8)[0]
    assert chance_of_reaching(4.8, 5, shape, rate) == pytest.approx(1 - below, abs=1e-7)

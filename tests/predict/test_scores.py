"""Scores against their closed forms and a general scoring library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from decknet.predict.scores import (
    Z80,
    crps_ensemble,
    crps_fan,
    crps_normal,
    fan_chance_above,
    fan_quantile,
    interval_score,
    log_score_normal,
    pinball,
    pit_fan,
)

sr = pytest.importorskip("scoringrules")


def one(x):
    return np.array([float(x)])


@pytest.mark.basis("published", "scoringrules 0.10 and properscoring 0.1; (sqrt 2 - 1) / sqrt pi")
def test_score_of_a_normal_forecast():
    assert crps_normal(one(0), one(1), one(0))[0] == pytest.approx(0.2336949773, abs=1e-10)
    assert crps_normal(one(0), one(1), one(1))[0] == pytest.approx(0.6024413576, abs=1e-10)


@pytest.mark.basis("published", "scoringrules 0.10 and properscoring 0.1, ensemble 1, 2, 3, 4 at 2.5")
def test_score_of_an_ensemble_and_its_fair_form():
    members = np.array([[3.0, 1.0, 4.0, 2.0]])
    assert crps_ensemble(members, one(2.5))[0] == pytest.approx(0.375)
    assert crps_ensemble(members, one(2.5), fair=True)[0] == pytest.approx(1 / 6)


@pytest.mark.basis("published", "scoringrules 0.10, interval (1, 4) at 0.1; Gneiting and Raftery (2007)")
def test_interval_and_pinball_scores():
    assert interval_score(one(1), one(4), 0.1, np.array([5.0, 2.0])).tolist() == pytest.approx([23, 3])
    assert pinball(one(2), 0.9, np.array([3.0, 1.0])).tolist() == pytest.approx([0.9, 0.1])


@pytest.mark.basis("derived", "minus the log of the normal density one deviation out")
def test_log_score():
    assert log_score_normal(one(0), one(1), one(1))[0] == pytest.approx(1.4189385332, abs=1e-10)


@pytest.mark.basis("published", "scoringrules 0.10 on random cases")
def test_scores_match_a_general_library():
    rng = np.random.default_rng(1)
    mean, sd, came = rng.normal(0, 1, 50), rng.uniform(0.1, 2, 50), rng.normal(0, 2, 50)
    assert crps_normal(mean, sd, came) == pytest.approx(sr.crps_normal(came, mean, sd))
    members = rng.normal(0, 1, (50, 9))
    assert crps_ensemble(members, came) == pytest.approx(sr.crps_ensemble(came, members, estimator="nrg"))
    assert crps_ensemble(members, came, fair=True) == pytest.approx(sr.crps_ensemble(came, members, estimator="fair"))
    low, high = mean - sd, mean + sd
    assert interval_score(low, high, 0.2, came) == pytest.approx(sr.interval_score(came, low, high, 0.2))


@pytest.mark.basis("derived", "a fan with equal halves is a normal: the closed form")
def test_an_even_fan_scores_as_a_normal():
    rng = np.random.default_rng(2)
    mean, sd = rng.uniform(0.4, 0.6, 40), rng.uniform(0.01, 0.04, 40)
    came = mean + sd * rng.standard_normal(40)
    fan = (mean, mean - Z80 * sd, mean + Z80 * sd)
    assert crps_fan(fan, came) == pytest.approx(crps_normal(mean, sd, came), rel=0.02)
    assert fan_chance_above(fan, mean + Z80 * sd) == pytest.approx(np.full(40, 0.1))


def test_places_of_honest_forecasts_are_even():
    rng = np.random.default_rng(3)
    mean = rng.uniform(0.3, 0.6, 4000)
    came = mean + 0.03 * rng.standard_normal(4000)
    pit = pit_fan((mean, mean - Z80 * 0.03, mean + Z80 * 0.03), came)
    assert np.histogram(pit, 10, (0, 1))[0] == pytest.approx(np.full(10, 400), abs=4 * np.sqrt(360))


# ---- fans whose halves differ ---------------------------------------------------------------------------------------


FAN = (np.array([0.10, 0.02]), np.array([0.08, 0.0]), np.array([0.16, 0.05]))


def _place(k, x):
    """Where a share lies in fan k: the normal of the half it lies in."""
    median, low, high = (float(q[k]) for q in FAN)
    return float(norm.cdf((x - median) / ((median - low if x < median else high - median) / norm.ppf(0.9))))


@pytest.mark.basis("derived", "each half is that of a normal, by scipy's normal quantile; held within 0 and 1")
@pytest.mark.parametrize("level", [0.05, 0.1, 0.35, 0.5, 0.8, 0.9, 0.97])
def test_quantiles_of_a_lopsided_fan(level):
    z = norm.ppf(level) / norm.ppf(0.9)
    got = fan_quantile(FAN, level)
    assert got[0] == pytest.approx(0.10 + z * (0.02 if level < 0.5 else 0.06))
    assert got[1] == pytest.approx(max(0.02 + z * (0.02 if level < 0.5 else 0.03), 0.0), abs=1e-12)
    assert fan_quantile((one(0.9), one(0.8), one(1.0)), 0.999)[0] == 1.0


@pytest.mark.basis("derived", "twice the mean pinball loss over the middles of 50 equal steps of level")
@pytest.mark.parametrize("came", [0.0, 0.03, 0.09, 0.10, 0.14, 0.4])
def test_the_score_of_a_lopsided_fan(came):
    levels = (np.arange(50) + 0.5) / 50
    got = crps_fan(FAN, np.full(2, came))
    for k in range(2):
        quantiles = np.array([fan_quantile(FAN, p)[k] for p in levels])
        expected = np.mean(
            [2 * max(p * (came - q), (p - 1) * (came - q)) for p, q in zip(levels, quantiles, strict=True)]
        )
        assert got[k] == pytest.approx(expected, rel=1e-9)
    # And the integral of the squared step, to the coarseness of the levels.
    step = quad(lambda x: (_place(0, x) - (x >= came)) ** 2, 0, 0.6, points=[0.1, came], limit=200)[0]
    assert got[0] == pytest.approx(step, rel=0.03)


@pytest.mark.parametrize("x", [0.03, 0.09, 0.10, 0.13, 0.3])
def test_places_and_chances_of_a_lopsided_fan(x):
    got = pit_fan(FAN, np.full(2, x))
    assert got == pytest.approx([_place(k, x) for k in range(2)])
    assert fan_chance_above(FAN, x) == pytest.approx([1 - _place(k, x) for k in range(2)])
    assert fan_chance_above(FAN, np.full(2, x)) == pytest.approx(1 - got)


@pytest.mark.basis(
    "derived", "by hand: a tenth of the forecast lies at or below nothing, so nothing stands at its middle"
)
def test_nothing_found_stands_in_the_middle_of_the_chance_of_nothing():
    assert pit_fan(FAN, np.array([0.10, 0.0])) == pytest.approx([0.5, 0.05])
    assert pit_fan(FAN, np.array([0.10, 1e-9])) == pytest.approx([0.5, 0.05])
    assert pit_fan(FAN, np.array([0.10, 1e-6])) == pytest.approx([0.5, 0.1], abs=1e-4)
    sharp = (one(0.1), one(0.1), one(0.1))
    assert pit_fan(sharp, one(0.2)) == pytest.approx([1.0])
    assert fan_chance_above(sharp, 0.05) == pytest.approx([1.0])

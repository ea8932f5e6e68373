"""Scores against their closed forms and a general scoring library."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.predict.scores import (
    Z80,
    crps_ensemble,
    crps_fan,
    crps_normal,
    fan_chance_above,
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

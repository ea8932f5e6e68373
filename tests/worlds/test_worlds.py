"""Forecasts on districts whose truth is of another form: honest ranges, and better than carrying the last reading
on."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import erf

from tests.worlds.district import ceiling, make_world
from tests.worlds.forms import FORMS, YEARS, Stock
from tests.worlds.graded import gain, grade

NAMED = {form.name: form for form in FORMS}


def _stock(n: int, start: float = 1970.0) -> Stock:
    one = np.ones(n)
    return Stock(start * one, one, np.zeros(n, dtype=bool), np.full(n, YEARS), np.full(YEARS, 0.001))


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_damage_never_heals_and_never_passes_the_deck(form):
    paths = form.paths(np.random.default_rng(1), _stock(20), 30)
    assert paths.shape == (20, 30, YEARS + 1)
    assert (np.diff(paths, axis=2) >= -1e-12).all()
    assert paths.min() >= 0.0
    assert paths.max() <= 0.95
    assert np.ptp(paths[:, :, -1]) > 0.05


def test_the_same_seed_makes_the_same_district():
    form = NAMED["spots that breed"]
    one, two, other = make_world(form, 3, 40), make_world(form, 3, 40), make_world(form, 4, 40)
    for kind in one.frames:
        pd.testing.assert_frame_equal(one.frames[kind], two.frames[kind])
    assert not one.seen.equals(other.seen)
    assert make_world(NAMED["lives and overlays"], 3, 200).frames["repair"]["treatment"].eq("rigid overlay").any()


@pytest.mark.basis("derived", "share of a normal cover that is less than the depth of the threshold, 2 z sqrt(D t)")
def test_chlorides_reach_bars_by_diffusion():
    stock = _stock(4000, 1967.0)
    half = NAMED["chlorides"].paths(np.random.default_rng(2), stock, 1)[:, 0, 0].mean()
    rng = np.random.default_rng(3)
    n = 200_000
    cover, scatter = rng.normal(52, 7, n), rng.uniform(7, 13, n)
    spread, years = 11 * np.exp(0.35 * rng.standard_normal(n)), 40 - rng.uniform(2, 8, n)
    z = np.array([_z(s) for s in rng.uniform(2.5, 6.0, 400)])
    deep = 2 * z[rng.integers(0, 400, n)] * np.sqrt(spread * years)
    assert half == pytest.approx(np.mean(0.5 * (1 + erf((deep - cover) / scatter / np.sqrt(2)))), rel=0.1)


def _z(surface: float) -> float:
    """The z at which erf is 1 - 0.71 / surface, by halving."""
    low, high = 0.0, 5.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if erf(middle) < 1 - 0.71 / surface else (low, middle)
    return low


def test_who_knows_the_form_beats_a_guess_that_does_not():
    world = make_world(NAMED["gamma process"], 5, 60)
    last = world.seen.groupby("row").tail(1).reset_index(drop=True)
    before = world.seen.groupby("row").nth(-2)["found"].to_numpy()
    assert ceiling(world, last).mean() < 0.75 * np.abs(last["found"].to_numpy() - before).mean()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["sudden change of pace", "sounded because bad", "gamma process"])
def test_both_ranges_are_honest_and_the_gain_is_most_of_what_there_is(name):
    graded = grade(make_world(NAMED[name], 51, 500))
    assert 0.72 <= graded["in_decknet"].mean() <= 0.88
    assert 0.62 <= graded["in_truth"].mean() <= 0.93
    assert gain(graded) > 0.4


def test_forecasts_are_not_below_carrying_the_last_reading_on():
    graded = grade(make_world(NAMED["gamma process"], 52, 250))
    assert 0.70 <= graded["in_decknet"].mean() <= 0.90
    assert graded["crps_decknet"].mean() < graded["crps_last value"].mean()

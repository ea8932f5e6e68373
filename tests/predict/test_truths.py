"""Made-up histories: as many surveys, as far apart and of as much damage as they say."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.predict.truths import TRUTHS, made_up_histories


@pytest.mark.parametrize("truth", TRUTHS)
def test_surveys_lie_one_to_five_years_apart_and_begin_within_eight(truth):
    h = made_up_histories(truth, 3000, np.random.default_rng(1))
    count = h.count()
    assert sorted(set(count.tolist())) == [2, 3, 4, 5, 6]
    gaps = np.diff(h.when_yr)[h.deck[1:] == h.deck[:-1]]
    first = h.when_yr[h.first_row()]
    for values, low, high in ((gaps, 1.0, 5.0), (first, 8.0, 16.0), (h.start_yr, -45.0, 5.0)):
        # Evenly spread: next to both ends, and in the middle on the mean.
        assert low <= values.min() < low + 0.01 * (high - low)
        assert high - 0.01 * (high - low) < values.max() <= high
        assert values.mean() == pytest.approx((low + high) / 2, abs=0.025 * (high - low))


@pytest.mark.basis("derived", "the same mean rates from the same onset; steps of a gamma process have those as means")
def test_a_gamma_process_has_the_mean_of_its_rates_at_the_first_survey_and_the_last():
    # Means by an independent draw of rate, onset, year built and first survey.
    rng = np.random.default_rng(2)
    rate, onset = rng.gamma(1 / 0.49, 0.008 * 0.49, 400_000), rng.uniform(8, 25, 400_000)
    age = rng.uniform(8, 16, 400_000) - rng.uniform(-45, 5, 400_000)
    wanted = np.minimum(rate * np.maximum(age - onset, 0), 0.95).mean()
    for truth in ("linear rates", "gamma process"):
        h = made_up_histories(truth, 6000, np.random.default_rng(3))
        assert h.damage[h.first_row()].mean() == pytest.approx(wanted, rel=0.06)
        grown = (h.damage[h.last()] - h.damage[h.first_row()]).mean()
        years = (h.when_yr[h.last()] - h.when_yr[h.first_row()]).mean()
        assert 0.7 * 0.008 < grown / years < 1.05 * 0.008  # the mean rate, less the years before the onset
    # Each deck's own damage grows but for the scatter of surveys; nothing passes from deck to deck.
    one, rest = made_up_histories("gamma process", 1, np.random.default_rng(4)), h.damage
    assert rest.max() <= 1.0
    assert one.damage.max() < 0.6


@pytest.mark.basis("derived", "1 - exp(-(age / eta)^3.2) with the median eta of 62 years: the median share of an age")
def test_the_curve_has_its_power_and_its_scale():
    h = made_up_histories("Weibull curve", 20_000, np.random.default_rng(5))
    age = h.when_yr - h.start_yr[h.deck]
    for years in (30.0, 50.0):
        near = np.abs(age - years) < 0.5
        # Logs of shares scatter by about 1 between decks, and some hundred are near an age: three standard errors.
        assert np.median(h.damage[near]) == pytest.approx(1 - np.exp(-((years / 62) ** 3.2)), rel=0.12)

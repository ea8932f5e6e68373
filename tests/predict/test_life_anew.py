"""The life that an overlay or a new deck begins: nothing grows in its rest, whatever the curve of its like."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, sqrt

import numpy as np
import pytest

from decknet.predict.after_works import life_anew
from decknet.predict.lines import LineFit
from decknet.settings import Treatment
from tests.predict.by_hand import FITS, Z, growth

FLAT = LineFit(np.array([-1.0, 0.2]), np.zeros((2, 2)), np.diag([0.04, 0.01]), 1, 0, 0, 0, True)


def _flat():
    model = growth()
    curved = replace(model.models.curved, fits={**FITS, 0: FLAT, 2: FLAT})
    return replace(model, models=replace(model.models, curved=curved))


@pytest.mark.basis("derived", "by hand: a curve so flat that it would stand at 13 % in its first hours")
def test_nothing_grows_until_the_rest_is_over():
    rule = Treatment(removes=0.95, growth_factor=0.5, rest_yr=4.0)
    since = np.array([0.0, 3.2, 4.0, 4.5, 34.0])
    median, low, high = life_anew(_flat(), 0, "rigid overlay", rule, since)
    for q, side in ((median, 0.0), (low, -Z), (high, Z)):
        wanted = []
        for age in since - 4.0:
            x = log(max(age, 1e-3) / 30)
            sd = sqrt(0.04 + 0.01 * x * x) * 1.1  # the width of the family of overlaid decks
            wanted.append(1 - exp(-exp(-1.0 + 0.2 * x + side * sd)) if age > 0 else 0.0)
        assert q == pytest.approx(wanted, abs=6e-7)
    # A new deck has no rest, and its share is taken times the factor.
    median, _, high = life_anew(_flat(), 0, "new deck", rule, since)
    assert median[0] == high[0] == 0.0
    assert median[1] == pytest.approx(0.5 * (1 - exp(-exp(-1.0 + 0.2 * log(3.2 / 30)))), abs=6e-7)
    first = life_anew(_flat(), 0, "new deck", rule, np.array([2e-3, 5e-4]))[0]
    assert first[0] == pytest.approx(0.5 * (1 - exp(-exp(-1.0 + 0.2 * log(2e-3 / 30)))), abs=6e-7)
    assert first[1] == pytest.approx(0.5 * (1 - exp(-exp(-1.0 + 0.2 * log(1e-3 / 30)))), abs=6e-7)


def test_a_family_without_such_decks_says_nothing():
    rule = Treatment(removes=0.95, growth_factor=0.5, rest_yr=4.0)
    for q in life_anew(growth(), 1, "rigid overlay", rule, np.array([0.0, 9.0])):
        assert np.isnan(q).all()

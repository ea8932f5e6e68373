"""Made-up histories with a known truth, for holding the forecasts to: three ways that damage may grow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decknet.predict.history import Histories

__all__ = ["TRUTHS", "made_up_histories"]

Floats = NDArray[np.float64]

TRUTHS = ("linear rates", "Weibull curve", "gamma process")


def made_up_histories(truth: str, decks: int, rng: np.random.Generator) -> Histories:
    """Surveys of decks whose damage follows one of ``TRUTHS``.

    Two to six surveys a deck, 1 to 5 years apart, by one observer, with a scatter of a fifth of the share
    and 0.2 points; less than 0.1 % is written down as nothing.

    Parameters
    ----------
    truth : str
        "linear rates": from an age of its own each deck grows by its own points a year (mean 0.8,
        coefficient of variation 0.7); "Weibull curve": 1 - exp(-(age / eta)^3.2), eta of each deck
        log-normal about 62 years (0.3); "gamma process": as the first, the yearly steps gamma
        with a variance of 0.4 points squared for each point.
    decks : int
    rng : Generator

    Returns
    -------
    Histories

    References
    ----------
    assumption: every figure is chosen to give believable decks; none is measured.
    """
    built = rng.uniform(-45.0, 5.0, decks)
    count = rng.integers(2, 7, decks)
    deck = np.repeat(np.arange(decks), count)
    gap = rng.uniform(1.0, 5.0, len(deck))
    first = np.append(True, np.diff(deck) != 0)
    gap[first] = rng.uniform(0.0, 8.0, decks)
    run = np.cumsum(gap)
    when = 8.0 + run - (run - gap)[np.flatnonzero(first)][deck]
    age = when - built[deck]
    rate = rng.gamma(1 / 0.7**2, 0.008 * 0.7**2, decks)
    onset = rng.uniform(8.0, 25.0, decks)
    if truth == "Weibull curve":
        eta = 62.0 * np.exp(0.3 * rng.standard_normal(decks))
        damage = -np.expm1(-((age / eta[deck]) ** 3.2))
    else:
        mean = rate[deck] * np.maximum(age - onset[deck], 0.0)
        if truth == "gamma process":
            before = np.where(first, 0.0, np.append(0.0, mean[:-1]))
            scale = 0.004  # variance 0.4 points squared a point
            step = rng.gamma(np.maximum(mean - before, 0.0) / scale + 1e-12) * scale
            total = np.cumsum(step)
            mean = total - (total - step)[np.flatnonzero(first)][deck]
        damage = np.minimum(mean, 0.95)
    found = damage * (1 + 0.2 * rng.standard_normal(len(deck))) + 0.002 * rng.standard_normal(len(deck))
    found = np.where(found < 0.001, 0.0, np.minimum(found, 1.0))
    none = np.zeros(len(deck))
    return Histories(deck, when, found, none, none + 1.0, np.zeros(len(deck), dtype=np.int64), 1, built, decks)

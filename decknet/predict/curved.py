"""Damage as an S-curve of age: log(-log(1 - damage)) is a line in log(age), each deck's its own.

For a unit of area this is a Weibull time to damage; a deck's line is drawn towards its family's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from decknet.predict.closed_forms import curve_through
from decknet.predict.history import Histories, SurveyError
from decknet.predict.lines import Families, LineFit, Lines, LineSums, fit_families, line_sums
from decknet.settled import to_places

__all__ = ["AGE_YR", "Z80", "assumed_lines", "fit_curved", "log_hazard", "share_at"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Z80 = 1.2815515655446004  # normal quantile at 0.90
AGE_YR = 30.0  # age at which the intercept is read
_LEAST = 1e-6
_PASSES = 3
_MOST_SD = 3.0


def log_hazard(share: Floats) -> Floats:
    """log(-log(1 - share)), for shares within (0, 1).

    Examples
    --------
    >>> float(log_hazard(np.array([1 - np.exp(-1.0)])).round(12)[0])
    0.0
    """
    return np.log(-np.log1p(-np.clip(share, _LEAST, 1 - _LEAST)))


def share_at(z: Floats) -> Floats:
    """The share whose ``log_hazard`` is z."""
    return -np.expm1(-np.exp(np.minimum(z, 3.0)))


def _below(mean: Floats, sd: Floats, limit: float) -> tuple[Floats, Floats]:
    """Mean and variance of a normal cut off above ``limit``."""
    at = np.clip((limit - mean) / sd, -30.0, 30.0)
    ratio = np.exp(-0.5 * at * at) / np.sqrt(2 * np.pi) / np.maximum(ndtr(at), 1e-300)
    ratio = np.where(at < -12, -at + 1 / np.maximum(-at, 1.0), ratio)
    return mean - sd * ratio, sd * sd * np.maximum(1 - ratio * (ratio + at), 1e-3)


def assumed_lines(at_30: float, at_60: float, spread: float) -> LineFit:
    """A family of lines for a network without surveys, through the shares assumed at two ages.

    Parameters
    ----------
    at_30, at_60 : float, 0 to 1
        Shares assumed at 30 and 60 years.
    spread : float
        A share may be this many times smaller or larger (10 to 90 %).
    """
    at_30 = max(at_30, 1e-4)
    slope, scale_yr = curve_through((AGE_YR, at_30), (2 * AGE_YR, max(at_60, 1.1 * at_30)))
    low = slope * np.log(AGE_YR / scale_yr)
    sd = np.log(spread) / Z80
    between = np.diag([sd**2, (0.25 * slope) ** 2])
    return LineFit(np.array([low, slope]), np.zeros((2, 2)), between, 1.0, np.nan, 0, 0.0, True)


def fit_curved(
    h: Histories, error: SurveyError, families: Families, *, prior: LineFit, fade_per_yr: float,
    hints: LineSums | None = None,
) -> Lines:  # fmt: skip
    """The curved model.

    Parameters
    ----------
    h : Histories
    error : SurveyError
    families : Families
    prior : LineFit
        For a network with next to no surveys.
    fade_per_yr : float
        A survey g years before the last of its deck counts as one of 1 / (1 + fade g) as much.
    hints : LineSums or None
        Readings that inform their decks but not the families, in this model's scale.

    Returns
    -------
    Lines
        In x = log(age / 30 years).

    Notes
    -----
    Readings are weighed by their scatter at the share predicted, not read: three passes. What is
    found below the detection limit counts as "at most that": its expected score and information
    under the present line enter as a reading of that weight.

    References
    ----------
    derived: a Weibull time to damage for each unit of area; Fisher scoring for the cut readings.
    """
    x = np.log(h.age_yr() / AGE_YR)
    found = np.maximum(h.damage - h.repaired, 0.0) / error.factor[h.observer]
    hidden = (to_places(found, 9) < error.detect) & (to_places(h.repaired, 9) < error.detect)
    y = np.clip(h.repaired + found, error.detect, 0.995)
    z = log_hazard(y)
    limit = float(log_hazard(np.array([error.detect]))[0])
    telling = np.bincount(h.deck[~hidden], minlength=h.decks) >= 2
    faded = 1 / (1 + fade_per_yr * h.gap_yr())
    predicted, reading, extra = y, np.where(hidden, limit - 0.7, z), np.zeros(len(z))
    for turn in range(_PASSES):
        hazard = -np.log1p(-predicted)
        sd = error.scatter(np.maximum(predicted - h.repaired, 0.0), h.observer, h.covered)
        sd = np.minimum(sd / ((1 - predicted) * hazard), _MOST_SD)
        sums = line_sums(h.deck, h.decks, 1.0, x, reading, faded / (sd**2 + extra))
        lines = fit_families(sums, families, telling, prior=prior, hints=hints)
        if turn == _PASSES - 1:
            break
        mean = lines.a[h.deck] + lines.b[h.deck] * x
        predicted = np.maximum(np.clip(share_at(mean), error.detect / 4, 0.95), np.minimum(h.repaired, 0.95))
        if hidden.any():
            spread, m = sd[hidden], mean[hidden]
            cut, var = _below(m, spread, limit)
            known = np.maximum(spread**2 - var, 0.02 * spread**2)
            reading = z.copy()
            reading[hidden] = m + (cut - m) * spread**2 / known
            extra[hidden] = spread**4 / known - spread**2
    return lines

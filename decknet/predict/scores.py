"""Scores of forecasts: how far a distribution stood from what came."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

__all__ = [
    "Fan",
    "crps_ensemble",
    "crps_fan",
    "crps_normal",
    "fan_chance_above",
    "fan_quantile",
    "interval_score",
    "log_score_normal",
    "pinball",
    "pit_fan",
]

Floats = NDArray[np.float64]

Z80 = float(ndtri(0.9))
_STEPS = 50
_AT = (np.arange(_STEPS) + 0.5) / _STEPS
_NORMAL = ndtri(_AT)

Fan = tuple[Floats, Floats, Floats]
"""Median, 10 % and 90 % quantile; between and beyond them each half is that of a normal."""


def fan_quantile(fan: Fan, level: float) -> Floats:
    """Quantile of a fan at a level within (0, 1), held within 0 to 1.

    Examples
    --------
    >>> fan = (np.array([0.10]), np.array([0.08]), np.array([0.14]))
    >>> [round(float(fan_quantile(fan, p)[0]), 6) for p in (0.1, 0.5, 0.9)]
    [0.08, 0.1, 0.14]
    """
    median, low, high = fan
    z = float(ndtri(level)) / Z80
    return np.clip(median + (median - low if z < 0 else high - median) * z, 0.0, 1.0)


def pit_fan(fan: Fan, came: Floats) -> Floats:
    """Where what came fell in the forecast, 0 to 1: evenly spread if the forecasts are honest.

    A value that came out at the very bottom of a fan that ends there is put in the middle of the
    probability it shares with everything below.
    """
    median, low, high = fan
    reach = np.where(came < median, median - low, high - median)
    z = Z80 * (came - median) / np.maximum(reach, 1e-12)
    p = ndtr(z)
    return np.asarray(np.where((came <= 1e-9) & (p > 0), p / 2, p), dtype=np.float64)


def fan_chance_above(fan: Fan, limit: Floats | float) -> Floats:
    """Probability of more than a limit."""
    median, low, high = fan
    reach = np.where(limit < median, median - low, high - median)
    return np.asarray(ndtr(Z80 * (median - limit) / np.maximum(reach, 1e-12)), dtype=np.float64)


def pinball(quantile: Floats, level: float | Floats, came: Floats) -> Floats:
    """Pinball loss of a quantile forecast.

    Examples
    --------
    >>> pinball(np.array([2.0, 2.0]), 0.9, np.array([3.0, 1.0])).round(12).tolist()
    [0.9, 0.1]
    """
    miss = came - quantile
    return np.maximum(level * miss, (level - 1) * miss)


def crps_fan(fan: Fan, came: Floats) -> Floats:
    """Continuous ranked probability score of fans, in the unit of the share.

    Notes
    -----
    Twice the mean pinball loss over 50 evenly spaced levels, quantiles held within 0 to 1.

    References
    ----------
    published: Gneiting and Raftery (2007), Strictly proper scoring rules, prediction, and estimation,
    Journal of the American Statistical Association 102:359-378.
    """
    median, low, high = fan
    total = np.zeros(len(came))
    for level, z in zip(_AT, _NORMAL / Z80, strict=True):
        q = np.clip(median + (median - low if z < 0 else high - median) * z, 0.0, 1.0)
        total += pinball(q, level, came)
    return 2 * total / _STEPS


def crps_normal(mean: Floats, sd: Floats, came: Floats) -> Floats:
    """Continuous ranked probability score of normal forecasts.

    References
    ----------
    published: Gneiting and Raftery (2007), as of ``crps_fan``: the closed form for the normal.
    """
    z = (came - mean) / sd
    density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    return np.asarray(sd * (z * (2 * ndtr(z) - 1) + 2 * density - 1 / np.sqrt(np.pi)), dtype=np.float64)


def crps_ensemble(members: Floats, came: Floats, *, fair: bool = False) -> Floats:
    """Score of an ensemble: mean distance to what came, less half the mean distance between members.

    Parameters
    ----------
    members : array, shape (n, m)
    came : array, shape (n,)
    fair : bool
        Mean distance over pairs of different members (the estimator for a sample of an endless
        ensemble) in place of all m x m pairs (the score of the ensemble itself).
    """
    m = members.shape[1]
    ordered = np.sort(members, axis=1)
    pairs = 2 * ((2 * np.arange(1, m + 1) - m - 1) * ordered).sum(axis=1)
    near = np.abs(members - came[:, None]).mean(axis=1)
    return np.asarray(near - pairs / (2 * m * (m - 1 if fair else m)), dtype=np.float64)


def interval_score(low: Floats, high: Floats, outside: float, came: Floats) -> Floats:
    """Width of the interval, and 2 / outside times the miss where what came lies outside.

    Parameters
    ----------
    outside : float
        Probability left outside, such as 0.2 for an 80 % interval.

    References
    ----------
    published: Gneiting and Raftery (2007), as of ``crps_fan``, section 6.2.
    """
    miss = np.maximum(low - came, 0.0) + np.maximum(came - high, 0.0)
    return np.asarray(high - low + 2 / outside * miss, dtype=np.float64)


def log_score_normal(mean: Floats, sd: Floats, came: Floats) -> Floats:
    """Minus the log density of normal forecasts at what came."""
    return np.asarray(0.5 * np.log(2 * np.pi) + np.log(sd) + 0.5 * ((came - mean) / sd) ** 2, dtype=np.float64)

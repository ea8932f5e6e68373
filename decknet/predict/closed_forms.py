"""Closed forms of damage in time: chloride coming in, an S-curve through two points, a gamma process."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import digamma, erfc, erfinv, gammainc, gammaln

__all__ = [
    "chance_of_reaching",
    "chloride_at",
    "curve_through",
    "gamma_by_likelihood",
    "gamma_by_moments",
    "years_to_start",
]

Floats = NDArray[np.float64]


def years_to_start(cover_mm: float, diffusion_mm2_per_yr: float, surface: float, threshold: float) -> float:
    """Years until chloride at the bar reaches the threshold at which it corrodes.

    Parameters
    ----------
    cover_mm : float, mm
    diffusion_mm2_per_yr : float, mm2/yr
    surface, threshold : float, in the same unit, threshold < surface

    References
    ----------
    published: Crank (1975), The Mathematics of Diffusion, a half space with a constant surface
    concentration: C = surface x erfc(x / (2 sqrt(D t))), solved for t.
    """
    z = float(erfinv(1 - threshold / surface))
    return cover_mm**2 / (4 * diffusion_mm2_per_yr * z**2)


def chloride_at(depth_mm: float, years: float, diffusion_mm2_per_yr: float, surface: float) -> float:
    """Chloride at a depth, in the unit of ``surface``; see ``years_to_start``."""
    return surface * float(erfc(depth_mm / (2 * np.sqrt(diffusion_mm2_per_yr * years))))


def curve_through(first: tuple[float, float], second: tuple[float, float]) -> tuple[float, float]:
    """Power and scale (yr) of 1 - exp(-(t / scale)^power) through two points (age in yr, share).

    References
    ----------
    derived: two equations, two unknowns.
    """
    (t1, s1), (t2, s2) = first, second
    h1, h2 = -np.log1p(-s1), -np.log1p(-s2)
    power = float(np.log(h1 / h2) / np.log(t1 / t2))
    return power, float(t1 / h1 ** (1 / power))


def gamma_by_moments(years: Floats, level: Floats) -> tuple[float, float]:
    """Mean and variance a year of a process that only grows, from its level at given years.

    Parameters
    ----------
    years, level : arrays, shape (n,), the first 0

    References
    ----------
    derived: moments of independent steps of unequal length.
    """
    dt, dx = np.diff(years), np.diff(level)
    mean = float(dx.sum() / dt.sum())
    return mean, float(((dx - mean * dt) ** 2).sum() / (dt.sum() - (dt**2).sum() / dt.sum()))


def gamma_by_likelihood(years: Floats, level: Floats) -> tuple[float, float, float]:
    """Shape a year, rate, and log likelihood of a gamma process whose steps are Ga(shape x dt, rate).

    References
    ----------
    published: van Noortwijk (2009), A survey of the application of gamma processes in maintenance,
    Reliability Engineering and System Safety 94:2-21: given the shape the rate is shape x time /
    rise, which leaves one equation.
    """
    dt, dx = np.diff(years), np.diff(level)
    rise = dx.sum() / dt.sum()

    def slope(shape: float) -> float:
        return float((dt * (np.log(dx) + np.log(shape / rise) - digamma(shape * dt))).sum())

    shape = float(brentq(slope, 1e-6, 1e6))
    rate = shape / rise
    value = (shape * dt * np.log(rate) - gammaln(shape * dt) + (shape * dt - 1) * np.log(dx) - rate * dx).sum()
    return shape, float(rate), float(value)


def chance_of_reaching(rise: float, years: float, shape_per_yr: float, rate: float) -> float:
    """Probability that a gamma process rises by at least so much in so many years."""
    return 1 - float(gammainc(shape_per_yr * years, rate * rise))

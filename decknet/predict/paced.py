"""Damage growing at a pace: each deck's own points a year, with a prior that depends on the level reached."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decknet.predict.history import Histories, SurveyError
from decknet.predict.lines import LEAST_TELLING, Families, LineFit, Lines

__all__ = ["Paced", "fit_paced", "pool_rates", "pool_rates_by_level"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_PASSES = 3
_MOST_STRETCH = 3.0
_MOST_SPEED_UP = 0.08  # 1/yr
_SPEED_UP_SD = 0.02  # 1/yr, between families
_LEVEL = 0.01  # one point: keeps the scale of a clean deck above zero


def pool_rates(rate: Floats, variance: Floats) -> tuple[float, float, float]:
    """Mean, its variance, and the between-deck variance of rates known with unequal precision.

    Parameters
    ----------
    rate : array, shape (n,)
        One estimate a deck, n >= 2.
    variance : array, shape (n,)
        Sampling variance of each, > 0.

    Returns
    -------
    mean, mean_var, between : float
        The weighted mean, its sampling variance, and the variance of the true rates about it, >= 0.

    References
    ----------
    published: DerSimonian and Laird (1986), Meta-analysis in clinical trials, Controlled Clinical
    Trials 7:177-188 (the moment estimator).
    """
    weight = 1.0 / variance
    fixed = float((weight * rate).sum() / weight.sum())
    spread = float((weight * (rate - fixed) ** 2).sum())
    scale = float(weight.sum() - (weight**2).sum() / weight.sum())
    between = max(0.0, (spread - (len(rate) - 1)) / scale) if scale > 0 else 0.0
    weight = 1.0 / (variance + between)
    return float((weight * rate).sum() / weight.sum()), float(1.0 / weight.sum()), between


def pool_rates_by_level(rate: Floats, variance: Floats, carrier: Floats) -> tuple[Floats, Floats, float]:
    """As ``pool_rates``, with a mean that is a line in a carrier, and the spread by Paule and Mandel.

    Parameters
    ----------
    rate, variance, carrier : arrays, shape (n,)

    Returns
    -------
    mean : array, shape (2,)
        Intercept and slope.
    mean_var : array, shape (2, 2)
    between : float

    References
    ----------
    published: Paule and Mandel (1982), Consensus values and weighting factors, Journal of Research
    of the National Bureau of Standards 87:377-385: the spread at which the weighted squares about
    the line come to their degrees of freedom.
    """
    x = np.column_stack([np.ones_like(rate), carrier])
    if np.ptp(carrier) < 1e-9:
        x = x[:, :1]
    between = 0.0
    for _ in range(100):
        weight = 1 / (variance + between)
        inverse = np.linalg.pinv(x.T @ (x * weight[:, None]))
        mean = inverse @ (x.T @ (weight * rate))
        square = weight * (rate - x @ mean) ** 2
        excess = float(square.sum()) - (len(rate) - x.shape[1])
        step = excess / max(float((weight * square).sum()), 1e-300)
        if (excess <= 0 and between == 0.0) or abs(step) <= 1e-12 * (between + abs(step)) + 1e-300:
            break
        between = max(between + step, 0.0)
    whole, whole_var = np.zeros(2), np.zeros((2, 2))
    whole[: len(mean)], whole_var[: len(mean), : len(mean)] = mean, inverse
    return whole, whole_var, between


@dataclass(frozen=True, slots=True)
class Paced:
    """Every deck's pace.

    Attributes
    ----------
    lines : Lines
        In x of ``x_at``; NaN for a deck without a survey.
    middle_yr : array, shape (decks,), years from 2000
        Centre of each deck's surveys.
    speed_up : array, shape (decks,), 1/yr
        Yearly growth of the pace itself, common to a family.
    """

    lines: Lines
    middle_yr: Floats
    speed_up: Floats

    def x_at(self, rows: Ints, when_yr: Floats) -> Floats:
        """Years from the centre, each later one counting for more by the speed-up."""
        return _stretched(when_yr - self.middle_yr[rows], self.speed_up[rows])

    def pace_factor(self, rows: Ints, when_yr: Floats) -> Floats:
        """Pace at a date over the pace at the centre."""
        return np.exp(np.clip(self.speed_up[rows] * (when_yr - self.middle_yr[rows]), -5.0, _MOST_STRETCH))


def _stretched(years: Floats, speed_up: Floats) -> Floats:
    product = speed_up * years
    small = np.abs(product) < 1e-6
    grown = np.expm1(np.clip(product, -50.0, _MOST_STRETCH)) / np.where(small, 1.0, speed_up)
    # Beyond the most stretch the pace stays what it has become.
    over = np.maximum(product - _MOST_STRETCH, 0.0) / np.where(small, 1.0, speed_up) * np.exp(_MOST_STRETCH)
    return np.where(small, years, grown + over)


def _speed_up(
    h: Histories, weight: Floats, dt: Floats, y: Floats, level: Floats, rate: Floats, families: Families, source: Ints
) -> Floats:
    """How much the pace itself grows a year: the bend that surveys show about their lines.

    One figure for a family, times (1 - level) to the third: a deck half damaged speeds up no more.

    Least squares of what a deck's line leaves on half its rate times the bend of dt squared about
    that line, drawn towards the network's by its own standard error.
    """

    def by(values: Floats) -> Floats:
        return np.asarray(np.bincount(h.deck, weights=weight * values, minlength=h.decks), dtype=np.float64)

    square = dt * dt
    total = np.maximum(by(np.ones(len(dt))), 1e-300)
    mean2, lean = by(square) / total, np.divide(by(square * dt), np.maximum(by(square), 1e-300))
    bend = 0.5 * (square - mean2[h.deck] - lean[h.deck] * dt)
    fresh = np.clip(1 - level, 0.0, 1.0) ** 3
    led = np.where(h.count() >= 3, rate * fresh, 0.0)
    top, bottom = by(bend * y) * led, by(bend * bend) * led**2
    out = np.zeros(h.decks)
    if bottom.sum() <= 0:
        return out
    common = float(np.clip(top.sum() / bottom.sum(), 0.0, _MOST_SPEED_UP))
    for code in np.unique(source).tolist():
        mine = families.basis(code)
        told = bottom[mine].sum()
        own = (top[mine].sum() + common / _SPEED_UP_SD**2) / (told + 1 / _SPEED_UP_SD**2)
        out[source == code] = np.clip(own, 0.0, _MOST_SPEED_UP)
    return out * fresh


def fit_paced(
    h: Histories, error: SurveyError, families: Families, *, prior_per_yr: Floats, fade_per_yr: float
) -> Paced:
    """The paced model.

    Parameters
    ----------
    h, error, families
    prior_per_yr : array, shape (decks,), share/yr
        Growth assumed where the network has next to no pairs of surveys.
    fade_per_yr : float
        As in ``fit_curved``.

    Returns
    -------
    Paced

    Notes
    -----
    A deck's level is its own; its rate over (level + 1 point) is drawn towards its family's, whose
    mean is a line in 1 / (level + 1 point): so the rate's prior mean is linear in the level, and its
    spread in proportion. Where the surveys of a family bend upwards, the pace itself grows by so
    much a year.
    """
    n = h.decks

    def by(values: Floats) -> Floats:
        return np.asarray(np.bincount(h.deck, weights=values, minlength=n), dtype=np.float64)

    y = h.repaired + np.maximum(h.damage - h.repaired, 0.0) / error.factor[h.observer]
    count = h.count()
    has = count > 0
    predicted = (by(y) / np.maximum(count, 1))[h.deck]
    faded = 1 / (1 + fade_per_yr * h.gap_yr())
    speed_up = np.zeros(n)
    for turn in range(_PASSES):
        weight = faded / error.scatter(np.maximum(predicted - h.repaired, 0.0), h.observer, h.covered) ** 2
        total = np.where(has, by(weight), 1.0)
        middle, level = by(weight * h.when_yr) / total, by(weight * y) / total
        years = h.when_yr - middle[h.deck]
        x = _stretched(years, speed_up[h.deck])
        centre = by(weight * x) / total
        dt = x - centre[h.deck]
        square, product = by(weight * dt * dt), by(weight * dt * y)
        told = square > 1e-6 * total
        own = np.divide(product, square, out=np.zeros(n), where=told)
        left = by(weight * (y - level[h.deck] - own[h.deck] * dt) ** 2)
        spare = np.maximum(count - 2, 0)
        noise = float(left[told].sum() / max(spare[told].sum(), 1)) if spare.sum() >= families.least else 1.0
        noise = max(noise, 0.2)
        own_var = noise / np.where(told, square, np.inf)
        scale = np.maximum(level, 0.0) + _LEVEL
        rate, rate_var = np.zeros(n), np.zeros(n)
        source = families.borrowed(told)
        fits: dict[int, LineFit] = {}
        for code in np.unique(source).tolist():
            mine, use = source == code, families.basis(code) & told
            inverse = _LEVEL / scale
            if told.sum() >= LEAST_TELLING:
                mean, mean_var, between = pool_rates_by_level(
                    own[use] / scale[use], own_var[use] / scale[use] ** 2, inverse[use]
                )
                fits[code] = LineFit(mean, mean_var, np.diag([between, 0.0]), noise, np.nan, 0, 0.0, True)
                expected = np.maximum(mean[0] + mean[1] * inverse[mine], 0.0) * scale[mine]
                spread = max(between, 1e-8) * scale[mine] ** 2
                unsure = mean_var[0, 0] + 2 * mean_var[0, 1] * inverse[mine] + mean_var[1, 1] * inverse[mine] ** 2
                unsure = np.maximum(unsure, 0.0) * scale[mine] ** 2
            else:
                expected, spread, unsure = (
                    prior_per_yr[mine],
                    prior_per_yr[mine] ** 2 + 1e-10,
                    np.zeros(int(mine.sum())),
                )
            keep = np.where(told[mine], spread / (spread + np.where(told[mine], own_var[mine], 1.0)), 0.0)
            rate[mine] = keep * own[mine] + (1 - keep) * expected
            rate_var[mine] = spread * (1 - keep) + unsure * (1 - keep) ** 2
        predicted = np.maximum(np.clip(level[h.deck] + rate[h.deck] * dt, 0.0, 1.0), h.repaired)
        if turn < _PASSES - 1:
            speed_up = _speed_up(h, weight, years, y, level, rate, families, source)
    a = np.where(has, level, np.nan)
    return Paced(Lines(a, rate, noise / total, np.zeros(n), rate_var, centre, source, fits), middle, speed_up)

"""Damage growing at a pace: each deck's own, with a prior that depends on the level and the age reached.

The pace is of what is still sound: -log(1 - damage) grows by so much a year, so that no forecast passes the whole deck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decknet.predict.curved import AGE_YR
from decknet.predict.history import Histories, SurveyError
from decknet.predict.lines import LEAST_TELLING, Families, LineFit, Lines
from decknet.settled import significant, to_places

__all__ = ["Paced", "fit_paced", "pool_rates", "pool_rates_by_level"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_PASSES = 3
_MOST_STRETCH = 3.0
_MOST_SPEED_UP = 0.08  # 1/yr
_SPEED_UP_SD = 0.02  # 1/yr, between families
_LEVEL = 0.01  # one point: keeps the scale of a clean deck above zero
_LEAST_LEVEL = 0.002  # below it a level is what the surveys say and no more
_LEAST_AGE_YR = 3.0
_MOST = 0.97
_SAME_CARRIER = 1e-12  # carriers nearer to one another than this, as a part of their squares, count as one
_EASING = 4.0  # the pace of a deck of level H speeds up by exp(-this x H) of what a clean one does


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


def _about_line(x: Floats, rate: Floats, weight: Floats) -> tuple[Floats, Floats, float, float]:
    """Weighted line in carriers (rows of x), its variance; squares about it past their degrees of freedom; the step."""
    size = len(x)
    normal, right = np.empty((size, size)), np.empty(size)
    for i in range(size):
        weighed = x[i] * weight
        right[i] = (weighed * rate).sum()
        for j in range(i + 1):
            normal[i, j] = normal[j, i] = (weighed * x[j]).sum()
    inverse = np.linalg.pinv(normal, rtol=_SAME_CARRIER, hermitian=True)
    mean = (inverse * right).sum(axis=1)
    left = rate - sum(m * carrier for m, carrier in zip(mean, x, strict=True))
    square = weight * left**2
    excess = float(square.sum()) - (len(rate) - size)
    return mean, np.asarray(inverse, dtype=np.float64), excess, excess / max(float((weight * square).sum()), 1e-300)


def pool_rates_by_level(rate: Floats, variance: Floats, carrier: Floats) -> tuple[Floats, Floats, float]:
    """As ``pool_rates``, with a mean that is a line in carriers, and the spread by Paule and Mandel.

    Parameters
    ----------
    rate, variance : arrays, shape (n,)
    carrier : array, shape (n,) or (n, k)

    Returns
    -------
    mean : array, shape (1 + k,)
        Intercept and slopes; 0 for a carrier that does not vary.
    mean_var : array, shape (1 + k, 1 + k)
    between : float

    References
    ----------
    published: Paule and Mandel (1982), Consensus values and weighting factors, Journal of Research
    of the National Bureau of Standards 87:377-385: the spread at which the weighted squares about
    the line come to their degrees of freedom.
    """
    whole_x = np.column_stack([np.ones_like(rate), carrier])
    used = np.flatnonzero(np.append(True, np.ptp(whole_x[:, 1:], axis=0) > 1e-9))
    x = np.ascontiguousarray(whole_x[:, used].T)
    between = 0.0
    for _ in range(100):
        mean, inverse, excess, step = _about_line(x, rate, 1 / (variance + between))
        if (excess <= 0 and between == 0.0) or abs(step) <= 1e-12 * (between + abs(step)):
            break
        between = max(between + step, 0.0)
    between = significant(between)
    mean, inverse, _, _ = _about_line(x, rate, 1 / (variance + between))
    size = whole_x.shape[1]
    whole, whole_var = np.zeros(size), np.zeros((size, size))
    whole[used], whole_var[np.ix_(used, used)] = mean, inverse
    return whole, whole_var, between


@dataclass(frozen=True, slots=True)
class Paced:
    """Every deck's pace.

    Attributes
    ----------
    lines : Lines
        Of -log(1 - damage) in x of ``x_at``; NaN for a deck without a survey.
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

    One figure for a family, less the more of a deck is damaged: one that is half damaged speeds up no more.

    Least squares of what a deck's line leaves on half its rate times the bend of dt squared about
    that line, drawn towards the network's by its own standard error.
    """

    def by(values: Floats) -> Floats:
        return np.asarray(np.bincount(h.deck, weights=weight * values, minlength=h.decks), dtype=np.float64)

    square = dt * dt
    total = np.maximum(by(np.ones(len(dt))), 1e-300)
    mean2, lean = by(square) / total, np.divide(by(square * dt), np.maximum(by(square), 1e-300))
    bend = 0.5 * (square - mean2[h.deck] - lean[h.deck] * dt)
    fresh = np.exp(-_EASING * np.maximum(level, 0.0))
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


def _drawn_level(level: Floats, variance: Floats, age: Floats, curved: Lines) -> Floats:
    """Levels drawn towards what the family's curve says of their age: the highest read is mostly read too high.

    derived: normal prior and reading on the log of the level, the reading's variance by the first-order rule.
    """
    out = level.copy()
    x = np.log(np.maximum(age, 1.0) / AGE_YR)
    for code, fit in curved.fits.items():
        mine = (curved.source == code) & (to_places(level, 9) > _LEAST_LEVEL)
        c, own = fit.between + fit.mean_var, level[mine]
        spread = np.maximum(c[0, 0] + 2 * c[0, 1] * x[mine] + c[1, 1] * x[mine] ** 2, 1e-6)
        keep = spread / (spread + variance[mine] / own**2)
        out[mine] = np.exp(keep * np.log(own) + (1 - keep) * (fit.mean[0] + fit.mean[1] * x[mine]))
    return out


def fit_paced(
    h: Histories, error: SurveyError, families: Families, *, prior_per_yr: Floats, fade_per_yr: float, curved: Lines
) -> Paced:
    """The paced model.

    Parameters
    ----------
    h, error, families
    prior_per_yr : array, shape (decks,), share/yr
        Growth assumed where the network has next to no pairs of surveys.
    fade_per_yr : float
        As in ``fit_curved``.
    curved : Lines
        As ``fit_curved`` gives for the same surveys.

    Returns
    -------
    Paced

    Notes
    -----
    Level and rate are of -log(1 - damage). A deck's level is drawn towards its family's curve; its rate
    over (level + 1 point) towards its family's, whose mean is a line in 1 / (level + 1 point) and in
    1 / age: so the rate's prior mean is linear in the level and in the level over the age, and its
    spread in proportion to the level. Where the surveys of a family bend upwards, the pace itself
    grows by so much a year.
    """
    n = h.decks

    def by(values: Floats) -> Floats:
        return np.asarray(np.bincount(h.deck, weights=values, minlength=n), dtype=np.float64)

    y = h.repaired + np.maximum(h.damage - h.repaired, 0.0) / error.factor[h.observer]
    y = -np.log1p(-np.minimum(y, _MOST))
    count = h.count()
    has = count > 0
    predicted = (by(y) / np.maximum(count, 1))[h.deck]
    faded = 1 / (1 + fade_per_yr * h.gap_yr())
    speed_up, noise = np.zeros(n), 1.0
    for turn in range(_PASSES):
        share = np.minimum(np.maximum(-np.expm1(-predicted), h.repaired), _MOST)
        sd = error.scatter(np.maximum(share - h.repaired, 0.0), h.observer, h.covered) / (1 - share)
        weight = faded / sd**2
        total = np.where(has, by(weight), 1.0)
        middle, read = by(weight * h.when_yr) / total, by(weight * y) / total
        age = np.where(has, middle - h.start_yr, AGE_YR)
        level = _drawn_level(read, noise / total, age, curved)
        years = h.when_yr - middle[h.deck]
        x = _stretched(years, speed_up[h.deck])
        centre = by(weight * x) / total
        dt = x - centre[h.deck]
        square, product = by(weight * dt * dt), by(weight * dt * y)
        told = square > 1e-6 * total
        own = np.divide(product, square, out=np.zeros(n), where=told)
        left = by(weight * (y - read[h.deck] - own[h.deck] * dt) ** 2)
        spare = np.maximum(count - 2, 0)
        noise = float(left[told].sum() / max(spare[told].sum(), 1)) if spare.sum() >= families.least else 1.0
        noise = max(noise, 0.2)
        own_var = noise / np.where(told, square, np.inf)
        scale = np.maximum(level, 0.0) + _LEVEL
        rate, rate_var = np.zeros(n), np.zeros(n)
        source = families.borrowed(told)
        fits: dict[int, LineFit] = {}
        carrier = np.column_stack([np.ones(n), _LEVEL / scale, AGE_YR / np.maximum(age, _LEAST_AGE_YR)])
        for code in np.unique(source).tolist():
            mine, use = source == code, families.basis(code) & told
            if told.sum() >= LEAST_TELLING:
                mean, mean_var, between = pool_rates_by_level(
                    own[use] / scale[use], own_var[use] / scale[use] ** 2, carrier[use, 1:]
                )
                fits[code] = LineFit(mean, mean_var, np.diag([between, 0.0]), noise, np.nan, 0, 0.0, True)
                expected = np.maximum((carrier[mine] * mean).sum(axis=1), 0.0) * scale[mine]
                spread = max(between, 1e-8) * scale[mine] ** 2
                unsure = np.einsum("ij,jk,ik->i", carrier[mine], mean_var, carrier[mine])
                unsure = np.maximum(unsure, 0.0) * scale[mine] ** 2
            else:
                # The deck about its network, and the network about the figure assumed: each as wide as it is high.
                expected = prior_per_yr[mine] * np.exp(level[mine])
                spread, unsure = 2 * expected**2 + 1e-10, np.zeros(int(mine.sum()))
            keep = np.where(told[mine], spread / (spread + np.where(told[mine], own_var[mine], 1.0)), 0.0)
            rate[mine] = keep * own[mine] + (1 - keep) * expected
            rate_var[mine] = spread * (1 - keep) + unsure * (1 - keep) ** 2
        predicted = np.maximum(level[h.deck] + rate[h.deck] * dt, 0.0)
        if turn < _PASSES - 1:
            speed_up = _speed_up(h, weight, years, y, level, rate, families, source)
    a = np.where(has, level, np.nan)
    return Paced(Lines(a, rate, noise / total, np.zeros(n), rate_var, centre, source, fits), middle, speed_up)

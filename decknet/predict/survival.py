"""How long repairs hold: curves from failures known only to lie between two surveys.

An interval is open on the left: (left, right] says sound at left, failed at right.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize, nnls
from scipy.special import ndtri

from decknet.errors import RecordError
from decknet.predict.polish import bend_at, polished
from decknet.settings import SurvivalSettings
from decknet.settled import CHANCE_PLACES, YEAR_PLACES, significant, to_places

__all__ = ["Curve", "WeibullFit", "area_life", "compare", "fit_weibull", "nonparametric", "resampled_band"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_Z80 = float(ndtri(0.9))
_TIME_PLACES = 9  # decimals of a year within which two looks were at one time


def _checked(left: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Both ends, to decimals that tell any two days apart."""
    left, right = (to_places(np.asarray(t, dtype=np.float64), _TIME_PLACES) for t in (left, right))
    bad = ~(left >= 0) | ~(right >= left) | ~np.isfinite(left) | (right <= 0)
    if bad.any():
        i = int(np.flatnonzero(bad)[0])
        raise RecordError(
            f"interval {i}: ({left[i]:g}, {right[i]:g}] yr is not one. It must run from 0 or later to a later time."
        )
    return left, right


# ---- nonparametric --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Curve:
    """Share of repairs that hold.

    Attributes
    ----------
    left, right : arrays, shape (m,), yr
        Where failures are placed: within (left, right]; left = right for a moment. The curve is known
        outside these and free to fall anywhere within them.
    mass : array, shape (m,)
        Part that fails there; right is inf for what is never seen to fail.
    log_likelihood : float
    steps : int
    slack : float
        Largest part of the likelihood's slope left; 0 at the maximum.
    """

    left: Floats
    right: Floats
    mass: Floats
    log_likelihood: float
    steps: int
    slack: float

    def holding(self, years: Floats) -> Floats:
        """Share holding at times, failures put at the end of the interval they lie in."""
        gone = np.where(np.isfinite(self.right), self.mass, 0.0)
        order = np.argsort(self.right, kind="stable")
        total = np.append(0.0, np.cumsum(gone[order]))
        return np.asarray(
            1 - total[np.searchsorted(self.right[order], to_places(years, _TIME_PLACES), side="right")],
            dtype=np.float64,
        )


def _places(left: Floats, right: Floats) -> tuple[Floats, Floats]:
    """The intervals that can carry mass: from a left end to the next right end, no left end between.

    At one time, an exact failure begins before anything else ends; then right ends; then left ends of
    open intervals.
    """
    exact = left == right
    time = np.concatenate([left, right])
    begins = np.repeat([True, False], len(left))
    rank = np.where(begins, np.where(np.tile(exact, 2), 0, 2), 1)
    order = np.lexsort((rank, time))
    time, begins = time[order], begins[order]
    at = np.flatnonzero(begins[:-1] & ~begins[1:])
    return time[at], time[at + 1]


def nonparametric(left: Floats, right: Floats, weight: Floats | None = None) -> Curve:
    """The curve of greatest likelihood with no form assumed.

    Parameters
    ----------
    left, right : arrays, shape (n,), yr
        Failure within (left, right]; right inf where still sound; left = right where the moment is known.
    weight : array, shape (n,), or None

    Raises
    ------
    RecordError
        An interval is not one.

    References
    ----------
    published: Turnbull (1976), The empirical distribution function with arbitrarily grouped,
    censored and truncated data, Journal of the Royal Statistical Society B 38:290-295 (the
    estimate); Wang (2007), On fast computation of the non-parametric maximum likelihood estimate of
    a mixing distribution, same journal 69:185-198 (constrained Newton steps by least squares, used
    here: plain re-estimation creeps where the answer lies on the boundary).
    """
    left, right = _checked(left, right)
    if len(left) == 0:
        none = np.zeros(0)
        return Curve(none, none, none, 0.0, 0, 0.0)
    given = np.ones(len(left)) if weight is None else np.asarray(weight, dtype=np.float64)
    pairs, which = np.unique(np.column_stack([left, right]), axis=0, return_inverse=True)
    w = np.bincount(which.ravel(), weights=given)
    l, r = pairs[:, 0], pairs[:, 1]  # noqa: E741
    first, last = _places(l, r)
    inside = (l[:, None] <= first) & (r[:, None] >= last)
    point = (l == r)[:, None]
    inside &= np.where(point, (first == last) & (first == l[:, None]), ~((first == last) & (first == l[:, None])))
    a = inside.astype(np.float64)
    p = np.full(a.shape[1], 1.0 / a.shape[1])
    total = float(w.sum())
    value, slack, steps = -np.inf, np.inf, 0
    for step in range(500):
        steps = step + 1
        fit = a @ p
        s = a / fit[:, None]
        slope = s.T @ w
        value = float(w @ np.log(fit))
        slack = max(float(slope.max()) - total, 0.0) / total
        if slack < 1e-10 and float(p @ np.abs(np.minimum(slope - total, 0.0))) < 1e-10 * total:
            break
        root = np.sqrt(w)
        heavy = np.sqrt(total) * 1e3
        design = np.vstack([s * root[:, None], heavy * np.ones(len(p))])
        goal = np.append(2 * root, heavy)
        new, _ = nnls(design, goal, maxiter=50 * len(p))
        new = new / new.sum()
        size = 1.0
        while size > 1e-10:
            trial = (1 - size) * p + size * new
            got = a @ trial
            if (got > 0).all() and float(w @ np.log(got)) >= value + 1e-4 * size * float(slope @ (new - p)) - 1e-13:
                break
            size /= 2
        # One step of plain re-estimation keeps every mass that may still grow above zero.
        p = trial * (1 - 1e-12) + 1e-12 / len(p)
        p = p * ((a / (a @ p)[:, None]).T @ w) / total
    p = np.where(p < 1e-8, 0.0, p)
    p = p / p.sum()
    return Curve(first, last, p, float(w @ np.log(a @ p)), steps, slack)


def resampled_band(
    left: Floats, right: Floats, cluster: Ints, at_yr: Floats, rng: np.random.Generator, resamples: int
) -> tuple[Floats, Floats]:
    """10 and 90 % quantile of the nonparametric curve at times, decks drawn again with replacement.

    Parameters
    ----------
    cluster : array of int, shape (n,)
        Deck of each repair: patches of a deck share a fate and are drawn together.
    at_yr : array, shape (m,)
    rng : Generator
    resamples : int
    """
    _, code = np.unique(cluster, return_inverse=True)
    size = int(code.max()) + 1 if len(code) else 0
    out = np.empty((resamples, len(at_yr)))
    for k in range(resamples):
        times = np.bincount(rng.integers(0, size, size), minlength=size)[code].astype(np.float64)
        use = times > 0
        out[k] = nonparametric(left[use], right[use], times[use]).holding(at_yr)
    return np.quantile(out, 0.1, axis=0), np.quantile(out, 0.9, axis=0)


# ---- Weibull --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """Share holding at t: exp(-(t / scale)^shape).

    Attributes
    ----------
    scale_yr, shape : float
    scale_se, shape_se : float
        From the curvature of the likelihood.
    log_variance : array, shape (2, 2)
        Variance of (log scale, log shape); where clusters are given by decks, if that is wider.
    log_likelihood : float
    failures : float
    """

    scale_yr: float
    shape: float
    scale_se: float
    shape_se: float
    log_variance: Floats
    log_likelihood: float
    failures: float

    def holding(self, years: Floats, normal: float = 0.0) -> Floats:
        """Share holding; with ``normal`` so many standard errors above, on the log-log scale."""
        t = np.log(np.maximum(years, 1e-12) / self.scale_yr)
        z = self.shape * t
        lever = np.stack([np.full_like(t, -self.shape), z])
        se = np.sqrt(np.maximum(np.einsum("i...,ij,j...->...", lever, self.log_variance, lever), 0.0))
        return np.asarray(np.exp(-np.exp(np.minimum(z - normal * se, 50.0))), dtype=np.float64)

    def quantile(self, failed: float, normal: float = 0.0) -> float:
        """Years by which a part has failed; with ``normal`` so many standard errors above."""
        h = np.log(-np.log1p(-failed))
        lever = np.array([1.0, -h / self.shape])
        se = float(np.sqrt(max(lever @ self.log_variance @ lever, 0.0)))
        return float(self.scale_yr * np.exp(h / self.shape + normal * se))


def _weibull_terms(theta: Floats, left: Floats, right: Floats, entry: Floats) -> tuple[Floats, Floats]:
    """Log likelihood of each interval and its slope by (log scale, log shape)."""
    shape = np.exp(theta[1])

    def hazard(t: Floats) -> tuple[Floats, Floats, Floats]:
        ok = (t > 0) & np.isfinite(t)
        z = np.where(ok, shape * (np.log(np.where(ok, t, 1.0)) - theta[0]), 0.0)
        h = np.where(ok, np.exp(np.minimum(z, 100.0)), 0.0)
        return h, -shape * h, h * np.where(ok, z, 0.0)

    hl, dl0, dl1 = hazard(left)
    hr, dr0, dr1 = hazard(right)
    he, de0, de1 = hazard(entry)
    exact, open_end = left == right, ~np.isfinite(right)
    gap = np.where(open_end | exact, 1.0, -np.expm1(-np.maximum(hr - hl, 0.0)))
    gap = np.maximum(gap, 1e-300)
    value = -hl + np.where(open_end | exact, 0.0, np.log(gap)) + he
    ratio = np.where(open_end | exact, 0.0, np.exp(-np.maximum(hr - hl, 0.0)) / gap)
    d0 = -dl0 + ratio * (dr0 - dl0) + de0
    d1 = -dl1 + ratio * (dr1 - dl1) + de1
    if exact.any():
        t = np.where(exact, left, 1.0)
        z = shape * (np.log(t) - theta[0])
        value = np.where(exact, theta[1] - np.log(t) + z - hl + he, value)
        d0 = np.where(exact, -shape - dl0 + de0, d0)
        d1 = np.where(exact, 1 + z - dl1 + de1, d1)
    return value, np.column_stack([d0, d1])


def fit_weibull(
    left: Floats, right: Floats, weight: Floats | None = None, *, entry: Floats | None = None,
    cluster: Ints | None = None,
) -> WeibullFit:  # fmt: skip
    """Weibull curve by maximum likelihood.

    Parameters
    ----------
    left, right : arrays, shape (n,), yr
        As of ``nonparametric``.
    weight : array, shape (n,), or None
    entry : array, shape (n,), yr, or None
        Age at which a repair came on record, having held until then (left truncation).
    cluster : array of int, shape (n,), or None
        Deck of each repair: the variance then allows for patches of a deck sharing a fate.

    Raises
    ------
    RecordError
        An interval is not one, or nothing failed: no curve can be drawn.

    References
    ----------
    published: Meeker and Escobar (1998), Statistical Methods for Reliability Data, chapters 8 and 11
    (interval-censored and truncated likelihood).
    """
    left, right = _checked(left, right)
    w = np.ones(len(left)) if weight is None else np.asarray(weight, dtype=np.float64)
    start = np.zeros(len(left)) if entry is None else entry
    failures = float(w[np.isfinite(right)].sum())
    if failures == 0:
        raise RecordError("No repair has failed yet, so a Weibull curve has nothing to go by. Wait for later surveys.")
    middle = np.where(np.isfinite(right), (left + right) / 2, np.maximum(left, 1e-3))

    total = float(w.sum())

    def target(theta: Floats) -> tuple[float, Floats]:
        value, slope = _weibull_terms(theta, left, right, start)
        return -float((w * value).sum()) / total, -(w[:, None] * slope).sum(axis=0) / total

    guess = np.array([np.log(max(float((w * middle).sum()) / failures, 1e-3)), 0.0])
    bounds = [(guess[0] - 8, guess[0] + 8), (-2.5, 2.5)]
    found = minimize(target, guess, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-15, "gtol": 1e-9})
    at, _ = polished(target, found.x, tuple(np.array(bounds).T))
    scale, shape = significant(float(np.exp(at[0]))), significant(float(np.exp(at[1])))
    theta = np.log([scale, shape])
    variance: Floats = _in_digits(np.linalg.pinv(total * bend_at(target, theta)))
    scale_se, shape_se = scale * float(np.sqrt(max(variance[0, 0], 0))), shape * float(np.sqrt(max(variance[1, 1], 0)))
    if cluster is not None:
        _, code = np.unique(cluster, return_inverse=True)
        _, slope = _weibull_terms(theta, left, right, start)
        slope = slope * w[:, None]
        by = np.column_stack([np.bincount(code, slope[:, j]) for j in range(2)])
        groups = len(by)
        shared = _in_digits(variance @ (by.T @ by * groups / max(groups - 1, 1)) @ variance)
        # With few decks the sum over decks is itself unsure, mostly too small: the wider of the two.
        variance = shared if np.trace(shared) > np.trace(variance) else variance
    return WeibullFit(scale, shape, scale_se, shape_se, variance, -target(theta)[0] * total, failures)


def area_life(followed: pd.DataFrame) -> tuple[float, float] | None:
    """Life of patched ground by area: of each patch what was unsound at its last look had failed by then.

    Parameters
    ----------
    followed : DataFrame
        As ``followed_repairs`` gives: area_m2, last_yr, unsound_part.

    Returns
    -------
    (scale in yr, shape) or None
        None where no ground was seen to have failed, or none to hold.

    References
    ----------
    published: Meeker and Escobar (1998), Statistical Methods for Reliability Data, chapter 8 (the likelihood of
    one look at each unit: failed by then, or not yet); here each m2 is a unit.
    """
    age = followed["last_yr"].to_numpy(dtype="float64")
    part = followed["unsound_part"].to_numpy(dtype="float64")
    area = followed["area_m2"].to_numpy(dtype="float64", na_value=np.nan)
    area = np.where(np.isfinite(area), area, np.nanmean(area) if np.isfinite(area).any() else 1.0)
    weight = area / area.mean()
    gone, held = weight * part, weight * (1.0 - part)
    if not (gone.sum() > 0 and held.sum() > 0):
        return None
    none = np.zeros(len(age))
    left, right = np.concatenate([none, age]), np.concatenate([age, none + np.inf])
    use = np.concatenate([gone, held]) > 0
    fit = fit_weibull(left[use], right[use], np.concatenate([gone, held])[use])
    return fit.scale_yr, fit.shape


def _in_digits(matrix: NDArray[np.floating[Any]]) -> Floats:
    """A matrix of a few figures, each to seven significant digits."""
    return np.array([[significant(float(v)) for v in row] for row in matrix])


# ---- groups ---------------------------------------------------------------------------------------


def _half_yr(fit: WeibullFit, normal: float) -> float:
    return round(fit.quantile(0.5, normal), YEAR_PLACES)


def _at_five(fit: WeibullFit, normal: float) -> float:
    return round(float(fit.holding(np.array([5.0]), normal)[0]), CHANCE_PLACES)


def compare(followed: pd.DataFrame, by: str | None, settings: SurvivalSettings) -> pd.DataFrame:
    """How long repairs hold, by group.

    Parameters
    ----------
    followed : DataFrame
        As ``followed_repairs`` gives.
    by : str or None
        Column to group by; None for all together.
    settings : SurvivalSettings

    Returns
    -------
    DataFrame, one row a group
        group, repairs, decks, failed, by_deck (repairs followed without polygons); scale_yr, shape;
        half_yr, half_low, half_high (years until half have failed, with 10 and 90 % quantile);
        holding_5, holding_10 (share by the nonparametric curve), weibull_5, weibull_5_low,
        weibull_5_high; note (plain words where numbers are small); last_yr (age at the last look at any of them).
    """
    groups = [("all", followed)] if by is None else list(followed.groupby(by, sort=True, dropna=False))
    out = []
    for name, part in groups:
        left, right = (part[n].to_numpy(dtype="float64") for n in ("left_yr", "right_yr"))
        failed = int(np.isfinite(right).sum())
        row: dict[str, object] = {
            "group": name if isinstance(name, str) else "not known", "repairs": len(part),
            "decks": int(part["deck_id"].nunique()), "failed": failed,
            "by_deck": int((part["followed_by"] == "deck").sum()),
        }  # fmt: skip
        curve = nonparametric(left, right)
        seen = float(left.max(initial=0.0))
        five, ten = to_places(curve.holding(np.array([5.0, 10.0])), CHANCE_PLACES).tolist()
        row["holding_5"] = five if seen >= 5 or failed == len(part) else np.nan
        row["holding_10"] = ten if seen >= 10 or failed == len(part) else np.nan
        names = (
            "scale_yr",
            "shape",
            "half_yr",
            "half_low",
            "half_high",
            "weibull_5",
            "weibull_5_low",
            "weibull_5_high",
        )
        row |= dict.fromkeys(names, np.nan)
        if failed >= 2:
            code, _ = pd.factorize(part["deck_id"])
            fit = fit_weibull(left, right, cluster=code)
            row |= {
                "scale_yr": fit.scale_yr, "shape": fit.shape, "half_yr": _half_yr(fit, 0.0),
                "half_low": _half_yr(fit, -_Z80), "half_high": _half_yr(fit, _Z80), "weibull_5": _at_five(fit, 0.0),
                "weibull_5_low": _at_five(fit, -_Z80), "weibull_5_high": _at_five(fit, _Z80),
            }  # fmt: skip
        few = failed < settings.few_failures or row["decks"] < settings.few_failures  # type: ignore[operator]
        row["note"] = f"few: {failed} failures on {row['decks']} decks; do not choose by this" if few else ""
        row["last_yr"] = max(seen, float(right[np.isfinite(right)].max(initial=0.0)))
        out.append(row)
    return pd.DataFrame(out)

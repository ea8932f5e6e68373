"""Many short lines fitted together: each deck's own, drawn towards its family's by REML.

One deck's readings enter only through six sums, so a pass over the likelihood costs by deck and not
by survey.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from decknet.predict.polish import polished
from decknet.settled import to_places

__all__ = [
    "LEAST_TELLING",
    "NETWORK",
    "Families",
    "LineFit",
    "LineSums",
    "Lines",
    "fit_families",
    "fit_lines",
    "line_sums",
    "posterior",
    "rising",
]

NETWORK = -1_000_000
_ROOT_PLACES = 4  # decimals of the spreads of lines, in scatters of one reading: far finer than data tell
LEAST_TELLING = 8  # decks; fewer make no family

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class LineSums:
    """Sufficient sums of each deck's readings about the line z = (a, b) . (u, v).

    Attributes
    ----------
    uu, uv, vv, uz, vz, zz : arrays, shape (n,)
        Weighted sums of products of the two carriers u, v and the reading z.
    count : array, shape (n,)
        Readings of each deck.
    log_weight : float
        Sum of the logs of all weights.
    """

    uu: Floats
    uv: Floats
    vv: Floats
    uz: Floats
    vz: Floats
    zz: Floats
    count: Floats
    log_weight: float = 0.0

    def take(self, rows: NDArray[np.bool_] | Ints) -> LineSums:
        """The sums of some decks; the logs of weights are not divided up."""
        names = ("uu", "uv", "vv", "uz", "vz", "zz", "count")
        at = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        return LineSums(**{name: getattr(self, name)[at] for name in names}, log_weight=self.log_weight)

    def plus(self, other: LineSums) -> LineSums:
        """The sums with further readings of the same decks."""
        names = ("uu", "uv", "vv", "uz", "vz", "zz", "count")
        both = {name: getattr(self, name) + getattr(other, name) for name in names}
        return LineSums(**both, log_weight=self.log_weight + other.log_weight)


@dataclass(frozen=True, slots=True)
class LineFit:
    """A family of lines.

    Attributes
    ----------
    mean : array, shape (2,)
        Mean of the two coefficients over decks.
    mean_var : array, shape (2, 2)
        Sampling variance of it.
    between : array, shape (2, 2)
        Variance of decks' coefficients about the mean.
    noise : float
        Variance of a reading of weight 1.
    log_likelihood : float
        Restricted, without constant terms dropped.
    steps : int
    slope_of_likelihood : float
        Largest component of the gradient by reading, at the spreads as rounded.
    converged : bool
    """

    mean: Floats
    mean_var: Floats
    between: Floats
    noise: float
    log_likelihood: float
    steps: int
    slope_of_likelihood: float
    converged: bool


@dataclass(frozen=True, slots=True)
class Families:
    """Who belongs with whom.

    Attributes
    ----------
    of, parent : arrays of int, shape (decks,)
        Family of each deck, and the wider family that a small one borrows from.
    names, parent_names : tuple of str
    least : int
        Fewer decks with two telling surveys than this, and the parent's lines are taken.
    """

    of: Ints
    parent: Ints
    names: tuple[str, ...]
    parent_names: tuple[str, ...]
    least: int

    def borrowed(self, telling: NDArray[np.bool_]) -> Ints:
        """Code of the family each deck's lines come from: its own (0 and up), its parent
        (-1 - parent), or the whole network (``NETWORK``)."""
        enough = np.bincount(self.of[telling], minlength=len(self.names)) >= self.least
        wide = np.bincount(self.parent[telling], minlength=len(self.parent_names)) >= self.least
        return np.where(enough[self.of], self.of, np.where(wide[self.parent], -1 - self.parent, NETWORK))

    def basis(self, code: int) -> NDArray[np.bool_]:
        """Decks whose surveys make the lines of a code of ``borrowed``."""
        if code == NETWORK:
            return np.ones(len(self.of), dtype=bool)
        return np.asarray(self.of == code if code >= 0 else self.parent == -1 - code, dtype=bool)

    def name(self, code: int) -> str:
        """Name of a code of ``borrowed``."""
        if code == NETWORK:
            return "whole network"
        return self.names[code] if code >= 0 else self.parent_names[-1 - code]


@dataclass(frozen=True, slots=True)
class Lines:
    """Every deck's line a + b (x - centre): posterior means and variances of its coefficients.

    Attributes
    ----------
    a, b, aa, ab, bb, centre : arrays, shape (decks,)
    source : array of int, shape (decks,)
        Code of the family that each deck was drawn towards, as ``Families.borrowed``.
    fits : dict of int to LineFit
        By that code.
    """

    a: Floats
    b: Floats
    aa: Floats
    ab: Floats
    bb: Floats
    centre: Floats
    source: Ints
    fits: dict[int, LineFit]

    def quantile(
        self, rows: Ints, x: Floats, side: int, reach: Floats | float = 1.0, more: Floats | float = 0.0
    ) -> Floats:
        """Quantile of each deck's line at x, never falling as x grows.

        Parameters
        ----------
        rows : array of int, shape (n,)
        x : array, shape (n,)
        side : int
            0 the median, -1 below it, 1 above it.
        reach : array or float
            Standard deviations from the median.
        more : array or float
            Variance of the whole line beyond its own.
        """
        a, b, aa, ab, bb = (getattr(self, name)[rows] for name in ("a", "b", "aa", "ab", "bb"))
        return rising((a, b, aa + more, ab, bb), x - self.centre[rows], side, reach)


def line_sums(
    deck: Ints, decks: int, u: Floats | float, v: Floats, z: Floats, weight: Floats | None = None
) -> LineSums:
    """Sums by deck.

    Parameters
    ----------
    deck : array of int, shape (k,)
        Deck of each reading, 0 to decks - 1.
    decks : int
    u, v, z : arrays, shape (k,)
        Carriers (u is 1 for an intercept) and reading.
    weight : array, shape (k,), > 0, or None
        Relative precision of each reading.
    """
    w = np.ones(len(z)) if weight is None else weight

    def by(values: Floats) -> Floats:
        return np.asarray(np.bincount(deck, weights=values, minlength=decks), dtype=np.float64)

    wu, wv = w * u, w * v
    count = by(np.ones(len(z)))
    log_weight = 0.0 if weight is None else float(np.log(w).sum())
    return LineSums(by(wu * u), by(wu * v), by(wv * v), by(wu * z), by(wv * z), by(w * z * z), count, log_weight)


def _solved(s: LineSums, d: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """With V = 1 + Z d Z': the parts of Z'V^-1 Z (3), of Z'V^-1 z (2), and log det V, by deck."""
    d00, d01, d11 = d[0, 0], d[0, 1], d[1, 1]
    m00 = 1 + s.uu * d00 + s.uv * d01
    m01 = s.uu * d01 + s.uv * d11
    m10 = s.uv * d00 + s.vv * d01
    m11 = 1 + s.uv * d01 + s.vv * d11
    det = m00 * m11 - m01 * m10
    p00 = (m11 * s.uu - m01 * s.uv) / det
    p01 = (m11 * s.uv - m01 * s.vv) / det
    p11 = (m00 * s.vv - m10 * s.uv) / det
    q0 = (m11 * s.uz - m01 * s.vz) / det
    q1 = (m00 * s.vz - m10 * s.uz) / det
    return p00, p01, p11, q0, q1, np.log(det)


def _spread(root: Floats) -> Floats:
    """L L' of the three entries of L, lower triangular."""
    return np.array([[root[0] ** 2, root[0] * root[1]], [root[0] * root[1], root[1] ** 2 + root[2] ** 2]])


def _canonical(root: Floats) -> Floats:
    """The one root that stands for all of the same spread, to decimals: its diagonal is not negative."""
    first, lean, rest = to_places(root, _ROOT_PLACES).tolist()
    if first == 0.0:  # then only the sum of the two squares is told
        first, lean, rest = 0.0, 0.0, float(to_places(np.hypot(root[1], root[2]), _ROOT_PLACES))
    return np.array([abs(first), lean if first >= 0 else -lean, abs(rest)])


def _likelihood(theta: Floats, s: LineSums, free: tuple[int, ...]) -> tuple[float, Floats, Floats, Floats, float]:
    """-2 log restricted likelihood, its gradient, mean, its variance by unit noise, noise."""
    root = np.zeros(3)
    root[list(free)] = theta
    d = _spread(root)
    p00, p01, p11, q0, q1, log_det = _solved(s, d)
    k00, k01, k11 = float(p00.sum()), float(p01.sum()), float(p11.sum())
    carriers = 2 if k11 > 0 else 1
    size = k00 * k11 - k01 * k01 if carriers == 2 else k00
    inverse = np.array([[k11, -k01], [-k01, k00]]) / size if carriers == 2 else np.array([[1 / k00, 0.0], [0.0, 0.0]])
    i00, i01, i11 = inverse[0, 0], inverse[0, 1], inverse[1, 1]
    q = (float(q0.sum()), float(q1.sum()))
    mean = np.array([i00 * q[0] + i01 * q[1], i01 * q[0] + i11 * q[1]])
    quad = s.zz - (s.uz * (d[0, 0] * q0 + d[0, 1] * q1) + s.vz * (d[0, 1] * q0 + d[1, 1] * q1))
    left = float(quad.sum() - mean[0] * q[0] - mean[1] * q[1])
    free_readings = float(s.count.sum()) - carriers
    noise = max(left / free_readings, 1e-300)
    e0 = q0 - p00 * mean[0] - p01 * mean[1]
    e1 = q1 - p01 * mean[0] - p11 * mean[1]
    a0, a1 = p00 * i00 + p01 * i01, p00 * i01 + p01 * i11
    b0, b1 = p01 * i00 + p11 * i01, p01 * i01 + p11 * i11
    g00 = (p00 - (a0 * p00 + a1 * p01) - e0 * e0 / noise).sum()
    g01 = (p01 - (a0 * p01 + a1 * p11) - e0 * e1 / noise).sum()
    g11 = (p11 - (b0 * p01 + b1 * p11) - e1 * e1 / noise).sum()
    slope = np.array([2 * (g00 * root[0] + g01 * root[1]), 2 * (g01 * root[0] + g11 * root[1]), 2 * g11 * root[2]])
    value = free_readings * np.log(noise) + float(log_det.sum())
    value += float(np.log(size)) + free_readings * (1 + np.log(2 * np.pi))
    return value - s.log_weight, slope[list(free)], mean, inverse, noise


def fit_lines(sums: LineSums, *, random: str = "both") -> LineFit:
    """Mean line, spread of lines and noise of a family, by restricted maximum likelihood.

    Parameters
    ----------
    sums : LineSums
        Of the family's decks; at least three readings.
    random : str
        Which coefficients differ between decks: "both", or the "first" alone.

    Returns
    -------
    LineFit

    Notes
    -----
    The spreads, in units of the scatter of one reading, are the only unknowns searched for: they are brought to the
    zero of the gradient and rounded there. Mean, its variance and noise follow from them in closed form.

    References
    ----------
    published: Laird and Ware (1982), Random-effects models for longitudinal data, Biometrics
    38:963-974 (the model). derived: likelihood and gradient from the sums, noise profiled out.
    """
    free = (0, 1, 2) if random == "both" else (0,)
    seen = sums.take(sums.count > 0)
    size = float(seen.count.sum())
    unit = np.array([np.sqrt(size / max(seen.uu.sum(), 1e-300)), np.sqrt(size / max(seen.vv.sum(), 1e-300))])
    scaled = LineSums(
        seen.uu * unit[0] ** 2, seen.uv * unit[0] * unit[1], seen.vv * unit[1] ** 2, seen.uz * unit[0],
        seen.vz * unit[1], seen.zz, seen.count, seen.log_weight,
    )  # fmt: skip

    def target(theta: Floats) -> tuple[float, Floats]:
        value, slope, *_ = _likelihood(theta, scaled, free)
        return value / size, slope / size

    start = np.array([1.0, 0.0, 0.5])[list(free)]
    # Three unknowns at most: a dense quasi-Newton search, with no threads to wait for, then Newton's steps.
    found = minimize(target, start, jac=True, method="BFGS", options={"maxiter": 200, "gtol": 1e-5})
    at, _ = polished(target, found.x)
    root = np.zeros(3)
    root[list(free)] = at
    root = _canonical(root)
    value, slope, mean, inverse, noise = _likelihood(root[list(free)], scaled, free)
    value -= 2 * float(np.log(unit[: 2 if scaled.vv.sum() > 0 else 1]).sum())
    back = np.outer(unit, unit)
    steepest = float(np.abs(slope).max() / size)
    return LineFit(
        mean * unit, inverse * back * noise, _spread(root) * back * noise, noise, -value / 2, int(found.nit), steepest,
        steepest < 1e-4,
    )  # fmt: skip


def posterior(sums: LineSums, fit: LineFit) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Each deck's coefficients given its readings and its family.

    Returns
    -------
    a, b : arrays, shape (n,)
        Posterior means.
    aa, ab, bb : arrays, shape (n,)
        Posterior variances and covariance, with what is not known of the family's mean.
    """
    d = fit.between / fit.noise
    p00, p01, p11, q0, q1, _ = _solved(sums, d)
    m0, m1 = fit.mean
    e0, e1 = q0 - p00 * m0 - p01 * m1, q1 - p01 * m0 - p11 * m1
    a = m0 + d[0, 0] * e0 + d[0, 1] * e1
    b = m1 + d[0, 1] * e0 + d[1, 1] * e1
    # Posterior variance d - d P d, and (1 - d P) C (1 - d P)' for the mean.
    r00, r01 = 1 - d[0, 0] * p00 - d[0, 1] * p01, -(d[0, 0] * p01 + d[0, 1] * p11)
    r10, r11 = -(d[0, 1] * p00 + d[1, 1] * p01), 1 - d[0, 1] * p01 - d[1, 1] * p11
    c = fit.mean_var
    aa = fit.noise * (r00 * d[0, 0] + r01 * d[0, 1]) + r00**2 * c[0, 0] + 2 * r00 * r01 * c[0, 1] + r01**2 * c[1, 1]
    bb = fit.noise * (r10 * d[0, 1] + r11 * d[1, 1]) + r10**2 * c[0, 0] + 2 * r10 * r11 * c[0, 1] + r11**2 * c[1, 1]
    ab = fit.noise * (r00 * d[0, 1] + r01 * d[1, 1])
    ab = ab + r00 * r10 * c[0, 0] + (r00 * r11 + r01 * r10) * c[0, 1] + r01 * r11 * c[1, 1]
    return a, b, np.maximum(aa, 0.0), ab, np.maximum(bb, 0.0)


def rising(
    line: tuple[Floats, Floats, Floats, Floats, Floats], x: Floats, side: int, reach: Floats | float = 1.0
) -> Floats:
    """A quantile of the line a + b x at each x, held where it would fall as x grows.

    Parameters
    ----------
    line : a, b, aa, ab, bb, each of shape (n,)
        Means, variances and covariance of the coefficients.
    x : array, shape (n,)
    side : int
        0 the median, -1 below it, 1 above it.
    reach : array or float, >= 0
        Standard deviations from the median.

    References
    ----------
    derived: the lower quantile is concave in x and the upper convex; each has one turning point.
    """
    a, b, aa, ab, bb = line
    bb = np.maximum(bb, 1e-18)
    turn = -ab / bb
    rest = np.maximum(aa - ab * ab / bb, 0.0)
    u = x - turn
    slope = np.maximum(b, 0.0)
    # A line that would fall is held at its value at x = 0.
    level = np.where(b > 0, a + b * turn, a)
    if side == 0:
        return np.asarray(level + slope * u, dtype=np.float64)
    z = np.asarray(reach, dtype=np.float64)
    room = z * z * bb - slope * slope
    peak = np.where(room > 0, slope * np.sqrt(rest) / np.sqrt(np.maximum(bb * room, 1e-300)), np.inf)
    held = np.minimum(u, peak) if side < 0 else np.maximum(u, -peak)
    return np.asarray(level + slope * held + side * z * np.sqrt(rest + bb * held * held), dtype=np.float64)


def fit_families(
    sums: LineSums, families: Families, telling: NDArray[np.bool_], *, prior: LineFit, hints: LineSums | None = None
) -> Lines:
    """Lines of every deck by family.

    Parameters
    ----------
    sums : LineSums
        Of all decks.
    families : Families
    telling : array of bool, shape (decks,)
        Decks whose readings say something of a line; only these count towards a family's size.
    prior : LineFit
        Taken where the whole network has fewer telling decks than a fit needs.
    hints : LineSums or None
        Further readings for the decks' own lines that the families do not learn from.
    """
    source = families.borrowed(telling)
    n = len(source)
    out = [np.zeros(n) for _ in range(5)]
    fits: dict[int, LineFit] = {}
    known = sums if hints is None else sums.plus(hints)
    enough = int(telling.sum()) >= LEAST_TELLING
    for code in np.unique(source).tolist():
        mine = source == code
        fits[code] = fit_lines(sums.take(families.basis(code) & (sums.count > 0))) if enough else prior
        for whole, part in zip(out, posterior(known.take(mine), fits[code]), strict=True):
            whole[mine] = part
    return Lines(out[0], out[1], out[2], out[3], out[4], np.zeros(n), source, fits)

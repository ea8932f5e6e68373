"""Condition states and ratings: how fast true states worsen, seen through raters who differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.optimize import least_squares, minimize

__all__ = [
    "ShareFit",
    "StateFit",
    "chain",
    "fit_ratings",
    "fit_share_states",
    "fit_shares",
    "forecast_states",
    "generator",
    "mean_years_to_last",
    "rating_sequences",
    "yearly_exit",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LEAST_RATE, _MOST_RATE = 1e-5, 3.0


@dataclass(frozen=True, slots=True)
class StateFit:
    """How states worsen.

    Attributes
    ----------
    rates : array, shape (states - 1,), 1/yr
        Of leaving each state for the next worse one.
    yearly : array, shape (states, states)
        Yearly transition matrix; rows sum to 1.
    misread : float, 0 to 0.4
        Probability that a rater is off by one state, on either side together.
    log_likelihood : float
    pairs : int
        Steps between ratings it was learned from.
    """

    rates: Floats
    yearly: Floats
    misread: float
    log_likelihood: float
    pairs: int


def generator(rates: Floats) -> Floats:
    """Generator of a chain that passes from each state to the next and stays in the last.

    Parameters
    ----------
    rates : array, shape (states - 1,), 1/yr, >= 0
    """
    q = np.zeros((len(rates) + 1, len(rates) + 1))
    i = np.arange(len(rates))
    q[i, i], q[i, i + 1] = -rates, rates
    return q


def _seen(states: int, misread: float) -> Floats:
    """Probability of each reading given the true state: off by one either way."""
    e = np.eye(states) * (1 - misread)
    i = np.arange(states - 1)
    e[i, i + 1] += misread / 2
    e[i + 1, i] += misread / 2
    return np.asarray(e / e.sum(axis=1, keepdims=True), dtype=np.float64)


def rating_sequences(
    who: pd.Series, when_yr: Floats, state: Floats, works: pd.DataFrame | None = None, *, most_rise: int = 1
) -> Ints:
    """Number of the run that each rating belongs to; a repair, or what can only be one, starts a new run.

    Parameters
    ----------
    who : Series, shape (k,)
        Bridge or deck; ratings ordered by it and by date.
    when_yr : array, shape (k,)
    state : array, shape (k,)
        0 the best, rising as condition worsens.
    works : DataFrame or None
        who, when_yr: repairs on record.
    most_rise : int
        A condition better by more than this than the rating before is a repair nobody recorded.
    """
    ids = who.to_numpy()
    fresh = np.append(True, ids[1:] != ids[:-1])[: len(ids)]
    better = np.append(False, state[:-1] - state[1:] > most_rise)[: len(ids)]
    cut = fresh | better
    if works is not None and len(works):
        for name, group in works.groupby("who"):
            mine = np.flatnonzero(ids == name)
            if len(mine):
                at = np.searchsorted(when_yr[mine], group["when_yr"].to_numpy(dtype="float64"))
                cut[mine[at[at < len(mine)]]] = True
    return np.cumsum(cut) - 1


def fit_ratings(
    run: Ints, when_yr: Floats, state: Ints, states: int, *, misread: bool = True, weight: Floats | None = None
) -> StateFit:
    """Rates of worsening by maximum likelihood, with uneven intervals and raters' noise.

    Parameters
    ----------
    run : array of int, shape (k,)
        Run of each rating (``rating_sequences``), ratings ordered by run and date.
    when_yr : array, shape (k,), yr
    state : array of int, shape (k,), 0 the best to states - 1
    states : int
    misread : bool
        Whether raters may be off by one; without, a rating is the truth.
    weight : array, shape (runs,), or None
        How often each run counts.

    References
    ----------
    published: Jackson and Sharples (2002), Hidden Markov models for the onset and progression of
    bronchiolitis obliterans syndrome in lung transplant recipients, Statistics in Medicine
    21:113-128 (a continuous-time chain seen with misclassification). derived: forward recursion
    over all runs at once; matrix exponential by distinct interval.
    """
    runs = int(run.max()) + 1 if len(run) else 0
    first = np.append(True, run[1:] != run[:-1])[: len(run)]
    place = np.arange(len(run)) - np.flatnonzero(first)[run]
    gap = np.where(first, 0.0, np.append(0.0, np.diff(when_yr)))
    lengths, which = np.unique(np.round(gap, 6), return_inverse=True)
    counts = np.ones(runs) if weight is None else weight
    begin = np.bincount(state[first], weights=counts, minlength=states) + 0.5
    begin = begin / begin.sum()
    steps = [np.flatnonzero(place == j) for j in range(int(place.max(initial=0)) + 1)]

    def likelihood(theta: Floats) -> float:
        q = generator(np.exp(np.clip(theta[: states - 1], np.log(_LEAST_RATE), np.log(_MOST_RATE))))
        noise = 0.4 / (1 + np.exp(-theta[-1])) if misread else 0.0
        seen = _seen(states, noise)
        moves = np.stack([expm(q * length) for length in lengths])
        total, alpha = 0.0, np.zeros((runs, states))
        for j, rows in enumerate(steps):
            mine = run[rows]
            if j == 0:
                ahead = (begin if misread else np.ones(states)) * seen[:, state[rows]].T
            else:
                ahead = np.einsum("ri,rij->rj", alpha[mine], moves[which[rows]]) * seen[:, state[rows]].T
            scale = np.maximum(ahead.sum(axis=1), 1e-300)
            alpha[mine] = ahead / scale[:, None]
            total += float((np.log(scale) * counts[mine]).sum())
        return -total

    start = np.full(states - 1, np.log(0.08))
    if misread:
        start = np.append(start, 0.0)
    found = minimize(likelihood, start, method="L-BFGS-B", options={"maxiter": 300, "ftol": 1e-13, "gtol": 1e-7})
    rates = np.exp(np.clip(found.x[: states - 1], np.log(_LEAST_RATE), np.log(_MOST_RATE)))
    noise = 0.4 / (1 + np.exp(-found.x[-1])) if misread else 0.0
    return StateFit(rates, expm(generator(rates)), float(noise), -float(found.fun), int((~first).sum()))


@dataclass(frozen=True, slots=True)
class ShareFit:
    """How shares in states worsen.

    Attributes
    ----------
    yearly : array, shape (states, states)
        Yearly transition matrix, from each state to the next alone; rows sum to 1.
    log_odds : array, shape (states - 1,)
        Of leaving each state within a year.
    log_odds_se : array, shape (states - 1,)
        Its standard error; inf where the readings say nothing of a state.
    """

    yearly: Floats
    log_odds: Floats
    log_odds_se: Floats

    def leaving(self, normal: float = 0.0) -> Floats:
        """Chance of leaving each state within a year; with ``normal`` so many standard errors above."""
        reach = normal * self.log_odds_se if normal else 0.0  # no reach, however unsure: 0 times inf is no number
        return np.asarray(1 / (1 + np.exp(-np.clip(self.log_odds + reach, -700, 700))))


def chain(leave: Floats) -> Floats:
    """Yearly matrix of a chain that leaves each state for the next with a chance, and stays in the last."""
    p = np.eye(len(leave) + 1)
    i = np.arange(len(leave))
    p[i, i], p[i, i + 1] = 1 - leave, leave
    return p


def _patterns(run: Ints, years: Ints) -> list[tuple[tuple[int, ...], Ints]]:
    """Runs of pairs by the years of their inspections: each pattern, and the first pair of each run that has it."""
    starts = np.flatnonzero(np.append(True, run[1:] != run[:-1])) if len(run) else np.zeros(0, dtype=np.int64)
    ends = np.append(starts[1:], len(run))
    found: dict[tuple[int, ...], list[int]] = {}
    for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
        found.setdefault((0, *np.cumsum(years[a:b]).tolist()), []).append(a)
    return [(pattern, np.array(rows)) for pattern, rows in found.items()]


def fit_share_states(
    before: Floats, after: Floats, years: Floats, area: Floats | None = None, cluster: Ints | None = None,
    run: Ints | None = None,
) -> ShareFit:  # fmt: skip
    """The chain that best carries shares in states forward, and how sure its chances are.

    Parameters
    ----------
    before, after : arrays, shape (n, states)
        Shares of a deck in each state at two inspections without works between them; rows sum to 1.
    years : array of whole numbers, shape (n,), yr
    area : array, shape (n,), or None
        Weight of each deck.
    cluster : array of int, shape (n,), or None
        Deck of each pair: the standard errors then allow for runs of a deck sharing a fate.
    run : array of int, shape (n,), or None
        Pairs that follow on each other, in order; None takes each for its own.

    Notes
    -----
    Where a run began is not taken from its first reading, which scatters like any other (that would pass off
    scatter as worsening), but is what fits all its readings best: a linear problem, solved in closed form within
    the search for the chances.

    References
    ----------
    published: Golub and Pereyra (1973), The differentiation of pseudo-inverses and nonlinear least squares
    problems whose variables separate, SIAM Journal on Numerical Analysis 10:413-432. derived: least squares on
    area, not counts: a deck's square metres do not worsen one by one; standard errors by the sandwich rule.
    """
    states = before.shape[1]
    whole = np.maximum(np.round(years), 1).astype(np.int64)
    runs = np.arange(len(whole)) if run is None else run
    deck = runs if cluster is None else np.unique(cluster, return_inverse=True)[1]
    weight = np.ones(len(whole)) if area is None else np.sqrt(area / np.mean(area))
    patterns, readings, who = _patterns(runs, whole), [], []
    for pattern, rows in patterns:
        parts = [before[rows]] + [after[rows + k] for k in range(len(pattern) - 1)]
        readings.append(np.concatenate(parts, axis=1) * weight[rows][:, None])
        who.append(np.repeat(deck[rows], len(pattern) * states))
    by = np.concatenate(who)

    def miss(theta: Floats) -> Floats:
        p = chain(1 / (1 + np.exp(-theta)))
        out = []
        for (pattern, _), y in zip(patterns, readings, strict=True):
            carry = np.concatenate([np.linalg.matrix_power(p, t) for t in pattern], axis=1)
            out.append((y - y @ np.linalg.pinv(carry) @ carry).ravel())
        return np.concatenate(out)

    found = least_squares(
        miss, np.full(states - 1, -2.5), bounds=(-12.0, 6.0), xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale=1.0
    )
    slope = found.jac
    bend = slope.T @ slope
    pull = slope * found.fun[:, None]
    groups = np.column_stack([np.bincount(by, weights=pull[:, j]) for j in range(states - 1)])
    count = len(np.unique(by))
    told = np.diag(bend) > 1e-9 * max(float(np.trace(bend)), 1e-300)
    se = np.full(states - 1, np.inf)
    if told.any():
        inverse = np.linalg.pinv(bend[np.ix_(told, told)])
        middle = groups[:, told].T @ groups[:, told] * count / max(count - 1, 1)
        se[told] = np.sqrt(np.maximum(np.diag(inverse @ middle @ inverse), 0.0))
    return ShareFit(chain(1 / (1 + np.exp(-found.x))), np.asarray(found.x, dtype=np.float64), se)


def fit_shares(before: Floats, after: Floats, years: Floats, area: Floats | None = None) -> Floats:
    """Yearly transition matrix of ``fit_share_states``; shape (states, states)."""
    return fit_share_states(before, after, years, area).yearly


def forecast_states(shares: Floats, yearly: Floats, years: float) -> Floats:
    """Shares or counts in each state after some years.

    Parameters
    ----------
    shares : array, shape (..., states)
    yearly : array, shape (states, states), rows sum to 1
    years : float, yr
        Whole years by powers; parts of a year by the power of the matrix in between.
    """
    whole = int(years)
    out = shares @ np.linalg.matrix_power(yearly, whole)
    part = years - whole
    return np.asarray(out if part == 0 else (1 - part) * out + part * (out @ yearly), dtype=np.float64)


def mean_years_to_last(yearly: Floats) -> Floats:
    """Mean years from each state to the last, which must be for ever.

    References
    ----------
    published: Kemeny and Snell (1960), Finite Markov Chains, chapter 3 (the fundamental matrix).
    """
    inner = yearly[:-1, :-1]
    return np.asarray(np.linalg.solve(np.eye(len(inner)) - inner, np.ones(len(inner))), dtype=np.float64)


def yearly_exit(shape: float, scale_yr: float, spent_yr: Floats) -> Floats:
    """Chance of leaving a state within a year, given the years spent in it, for Weibull times in state."""
    return -np.expm1((spent_yr / scale_yr) ** shape - ((spent_yr + 1) / scale_yr) ** shape)

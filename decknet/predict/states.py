"""Condition states and ratings: how fast true states worsen, seen through raters who differ."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import least_squares, minimize

from decknet.predict.polish import bend_at, polished
from decknet.settled import PARAMETER_PLACES, significant, to_places

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
_START_RATE = 0.08  # 1/yr, where a search for rates begins, and where one stays of which the ratings say nothing
_MOST_MISREAD = 0.4
_MOST_LOG_ODDS = 15.0  # of misreading, as a part of the most
_STEP_OFF = 1e-3  # nearer to a bound than this, an unknown has been driven there
_LEAST_BEND = 1e-3
_TERMS = 16  # of the series of a matrix of norm a half: the next is below 1e-19
TELLS = 4.0  # factor within which a rate must be known, 10 to 90 %, to be told; ours
_Z80 = 1.2815515655446004
_UNTOLD = 1e-7  # of the log likelihood: less is nothing told


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
    rates_low, rates_high : arrays, shape (states - 1,), 1/yr
        80 % range of each rate; NaN where the ratings do not tell it within a factor of ``TELLS`` either way.
    """

    rates: Floats
    yearly: Floats
    misread: float
    log_likelihood: float
    pairs: int
    rates_low: Floats
    rates_high: Floats


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


def _seen_slope(states: int, misread: float) -> Floats:
    """Derivative of ``_seen`` by the chance of misreading."""
    total = np.full(states, 1.0)
    total[[0, -1]] = 1 - misread / 2
    inside = np.full(states, 0.0)
    inside[[0, -1]] = -0.5
    raw = _seen(states, misread) * total[:, None]
    e = -np.eye(states)
    i = np.arange(states - 1)
    e[i, i + 1] += 0.5
    e[i + 1, i] += 0.5
    return np.asarray(e / total[:, None] - raw * (inside / total**2)[:, None], dtype=np.float64)


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
    lengths, which = np.unique(to_places(gap, 6), return_inverse=True)
    counts = np.ones(runs) if weight is None else weight
    begin = np.bincount(state[first], weights=counts, minlength=states) + 0.5
    begin = begin / begin.sum()
    steps = [np.flatnonzero(place == j) for j in range(int(place.max(initial=0)) + 1)]

    def target(theta: Floats) -> tuple[float, Floats]:
        return _rating_terms(theta, states, misread, run, state, steps, lengths, which, counts, begin)

    start = np.append(np.full(states - 1, np.log(_START_RATE)), [0.0] if misread else [])
    size = len(start) - (states - 1)
    low = np.append(np.full(states - 1, np.log(_LEAST_RATE)), [-_MOST_LOG_ODDS] * size)
    high = np.append(np.full(states - 1, np.log(_MOST_RATE)), [_MOST_LOG_ODDS] * size)
    found = minimize(
        target, start, jac=True, method="L-BFGS-B", bounds=list(zip(low, high, strict=True)),
        options={"maxiter": 300, "ftol": 1e-13, "gtol": 1e-6},
    )  # fmt: skip
    at, _ = polished(target, _told(target, found.x, start, low, high), (low, high))
    at = np.clip(to_places(at, PARAMETER_PLACES), low, high)
    rates = np.exp(at[: states - 1])
    noise = _MOST_MISREAD / (1 + np.exp(-at[-1])) if misread else 0.0
    spread = _spread(bend_at(target, at), at, low, high)[: states - 1]
    return StateFit(
        rates, _exponential(generator(rates)), float(noise), -target(at)[0], int((~first).sum()),
        rates / spread, rates * spread,
    )  # fmt: skip


def _spread(bend: Floats, at: Floats, low: Floats, high: Floats) -> Floats:
    """Factor of the 80 % range of each rate by the curvature of the likelihood; NaN where that says too little."""
    inside = (at > low + _STEP_OFF) & (at < high - _STEP_OFF)
    out = np.full(len(at), np.nan)
    told = np.flatnonzero(inside & (np.diag(bend) > _LEAST_BEND))
    if len(told):
        variance = np.diag(np.linalg.pinv(to_places(bend[np.ix_(told, told)], 6)))
        factor = np.exp(_Z80 * np.sqrt(np.maximum(variance, 0.0)))
        out[told] = np.where((factor > 1.0) & (factor <= TELLS), factor, np.nan)
    return to_places(out, PARAMETER_PLACES)


def _told(
    target: Callable[[Floats], tuple[float, Floats]], at: Floats, start: Floats, low: Floats, high: Floats
) -> Floats:
    """Unknowns as found; one of which the ratings say nothing stays at its start, one they drive away at its bound.

    Where a search stops along a direction in which the likelihood hardly changes is chance.
    """
    at, value = at.copy(), target(at)[0]
    for i in range(len(at)):
        for place in (start[i], low[i], high[i]):
            trial = at.copy()
            trial[i] = place
            if target(trial)[0] <= value + _UNTOLD:
                at = trial
                break
    return at


def _exponential(matrices: Floats) -> Floats:
    """Exponential of each of many small matrices.

    Parameters
    ----------
    matrices : array, shape (..., n, n)

    References
    ----------
    published: Moler and Van Loan (2003), Nineteen dubious ways to compute the exponential of a matrix, SIAM Review
    45:3-49, method 3: the series of the matrix halved until it is small, squared as often. Without the linear-algebra
    library, whose threads wait longer on such small matrices than they work.
    """
    size = float(np.abs(matrices).sum(axis=-1).max(initial=0.0))
    halvings = max(int(np.ceil(np.log2(max(size, 1e-300)))) + 1, 0)
    small, one = matrices / 2.0**halvings, np.eye(matrices.shape[-1])
    out = one + small / _TERMS
    for term in range(_TERMS - 1, 0, -1):
        out = one + np.einsum("...ij,...jk->...ik", small, out) / term
    for _ in range(halvings):
        out = np.einsum("...ij,...jk->...ik", out, out)
    return np.asarray(out, dtype=np.float64)


def _moves(rates: Floats, lengths: Floats) -> tuple[Floats, Floats]:
    """Chances of passing from state to state over times, and their derivatives by the log rates.

    Returns
    -------
    moves : array, shape (times, states, states)
    turns : array, shape (rates, times, states, states)

    References
    ----------
    published: Najfeld and Havel (1995), Derivatives of the matrix exponential and their computation, Advances in
    Applied Mathematics 16:321-375: the upper right block of the exponential of [[Q, dQ], [0, Q]].
    """
    size, q = len(rates) + 1, generator(rates)
    blocks = np.zeros((len(rates), len(lengths), 2 * size, 2 * size))
    for k, rate in enumerate(rates.tolist()):
        push = np.zeros((size, size))
        push[k, k], push[k, k + 1] = -rate, rate
        whole = np.block([[q, push], [np.zeros((size, size)), q]])
        blocks[k] = whole * lengths[:, None, None]
    done = _exponential(blocks)
    return done[0, :, :size, :size], done[:, :, :size, size:]


def _rating_terms(
    theta: Floats, states: int, misread: bool, run: Ints, state: Ints, steps: list[Ints], lengths: Floats, which: Ints,
    counts: Floats, begin: Floats,
) -> tuple[float, Floats]:  # fmt: skip
    """Minus the log likelihood of all runs, and its gradient by (log rates, log odds of misreading).

    derived: the forward recursion and, beside it, its derivative by each unknown.
    """
    rates = np.exp(theta[: states - 1])
    odds = 1 / (1 + np.exp(-theta[-1])) if misread else 0.0
    seen = _seen(states, _MOST_MISREAD * odds)
    moves, by_rate = _moves(rates, lengths)
    turn = np.concatenate([by_rate, np.zeros((len(theta) - len(rates), *moves.shape))])
    read = np.zeros((len(theta), states, states))
    if misread:
        read[-1] = _seen_slope(states, _MOST_MISREAD * odds) * _MOST_MISREAD * odds * (1 - odds)
    total, slope = 0.0, np.zeros(len(theta))
    runs = len(counts)
    alpha, lean = np.zeros((runs, states)), np.zeros((len(theta), runs, states))
    for j, rows in enumerate(steps):
        mine, of = run[rows], state[rows]
        if j == 0:
            prior = np.broadcast_to(begin if misread else np.ones(states), (len(rows), states))
            drift = np.zeros((len(theta), len(rows), states))
        else:
            prior = np.einsum("ri,rij->rj", alpha[mine], moves[which[rows]])
            drift = np.einsum("kri,rij->krj", lean[:, mine], moves[which[rows]])
            drift += np.einsum("ri,krij->krj", alpha[mine], turn[:, which[rows]])
        ahead = prior * seen[:, of].T
        leads = drift * seen[:, of].T + prior * read[:, :, of].transpose(0, 2, 1)
        scale = np.maximum(ahead.sum(axis=1), 1e-300)
        climb = leads.sum(axis=2) / scale
        alpha[mine] = ahead / scale[:, None]
        lean[:, mine] = leads / scale[:, None] - climb[:, :, None] * alpha[mine]
        total += float((np.log(scale) * counts[mine]).sum())
        slope += (climb * counts[mine]).sum(axis=1)
    return -total, -slope


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
    starts = np.flatnonzero(np.append(True, run[1:] != run[:-1]))
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
        looks = [before[rows]] + [after[rows + k] for k in range(len(pattern) - 1)]
        readings.append(np.concatenate(looks, axis=1) * weight[rows][:, None])
        who.append(np.repeat(deck[rows], len(pattern) * states))
    by = np.concatenate(who)

    def parts(theta: Floats) -> tuple[Floats, Floats]:
        """What the chain leaves of the readings, and its derivative by the log odds of leaving each state."""
        leave = 1 / (1 + np.exp(-theta))
        left, slopes = [], []
        for (pattern, _), y in zip(patterns, readings, strict=True):
            carry, turns = _carried(leave, pattern)
            back = np.linalg.pinv(carry)
            rest = np.eye(carry.shape[1]) - back @ carry
            left.append((y @ rest).ravel())
            own = []
            for turn in turns:
                part = back @ turn @ rest
                own.append(-(y @ (part + part.T)).ravel())
            slopes.append(np.stack(own, axis=1))
        return np.concatenate(left), np.concatenate(slopes)

    def target(theta: Floats) -> tuple[float, Floats]:
        left, slope = parts(theta)
        return float(left @ left) / 2, slope.T @ left

    bounds = (-12.0, 6.0)
    found = least_squares(
        lambda theta: parts(theta)[0], np.full(states - 1, -2.5), jac=lambda theta: parts(theta)[1], bounds=bounds,
        xtol=1e-12, ftol=1e-12, gtol=1e-12, x_scale=1.0,
    )  # fmt: skip
    odds, _ = polished(target, found.x, bounds)
    odds = to_places(odds, PARAMETER_PLACES)
    left, slope = parts(odds)
    bend = slope.T @ slope
    pull = slope * left[:, None]
    groups = np.column_stack([np.bincount(by, weights=pull[:, j]) for j in range(states - 1)])
    count = len(np.unique(by))
    told = np.diag(bend) > 1e-9 * max(float(np.trace(bend)), 1e-300)
    se = np.full(states - 1, np.inf)
    if told.any():
        inverse = np.linalg.pinv(bend[np.ix_(told, told)])
        middle = groups[:, told].T @ groups[:, told] * count / max(count - 1, 1)
        variance = np.maximum(np.diag(inverse @ middle @ inverse), 0.0)
        se[told] = [significant(float(v)) for v in np.sqrt(variance)]
    return ShareFit(chain(1 / (1 + np.exp(-odds))), odds, se)


def _carried(leave: Floats, pattern: tuple[int, ...]) -> tuple[Floats, list[Floats]]:
    """Powers of a chain side by side, and their derivatives by the log odds of leaving each state."""
    p, size = chain(leave), len(leave) + 1
    powers = [np.eye(size)]
    for _ in range(max(pattern)):
        powers.append(powers[-1] @ p)
    turns = []
    for k, chance in enumerate(leave.tolist()):
        push = np.zeros((size, size))
        push[k, k], push[k, k + 1] = -chance * (1 - chance), chance * (1 - chance)
        rises = [np.zeros((size, size))]
        for power in powers[:-1]:
            rises.append(rises[-1] @ p + power @ push)
        turns.append(np.concatenate([rises[t] for t in pattern], axis=1))
    return np.concatenate([powers[t] for t in pattern], axis=1), turns


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

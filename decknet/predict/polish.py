"""From where a search stopped to the point it was looking for.

A search stops at a gradient that is small enough, wherever that is: its answer hangs on the last bits of every sum on
its way. A few Newton steps bring it to the one point where the gradient is zero.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["bend_at", "polished"]

Floats = NDArray[np.float64]
Target = Callable[[Floats], tuple[float, Floats]]

_STEP = 1e-5
_TURNS = 3  # times the curvature is read
_STEPS = 4  # steps on one curvature
_DONE = 1e-11
_FLAT = 1e-9  # part of the largest curvature below which a direction is flat
_WORSE = 1e-12  # part of the value that is rounding


def bend_at(target: Target, at: Floats, step: float = _STEP) -> Floats:
    """Curvature of a function whose gradient is exact, by differences of the gradient on either side.

    Parameters
    ----------
    target : function of an array of shape (n,)
        Gives value and gradient.
    at : array, shape (n,)
    step : float
        In the unit of the unknowns.

    Returns
    -------
    array, shape (n, n), symmetric
    """
    bend = np.empty((len(at), len(at)))
    for i in range(len(at)):
        side = np.zeros(len(at))
        side[i] = step
        bend[i] = (target(at + side)[1] - target(at - side)[1]) / (2 * step)
    return np.asarray((bend + bend.T) / 2, dtype=np.float64)


def polished(
    target: Target, start: Floats, bounds: tuple[Floats | float, Floats | float] = (-np.inf, np.inf)
) -> tuple[Floats, int]:
    """The minimum near a point where a search stopped, by Newton's method.

    Parameters
    ----------
    target : function of an array of shape (n,)
        Gives value and exact gradient.
    start : array, shape (n,)
        Close enough that the function is nearly a parabola there.
    bounds : pair of float or arrays, shape (n,)
        Least and most; an unknown that stands at one of them stays there.

    Returns
    -------
    at : array, shape (n,)
        No worse than ``start``. Along directions in which the function is flat it is where ``start`` was.
    steps : int

    References
    ----------
    published: Nocedal and Wright (2006), Numerical Optimization, 2nd edition, chapter 3 (Newton steps; directions of
    too little curvature left out).
    """
    at, (value, slope), steps = start.copy(), target(start), 0
    free = np.flatnonzero((at > bounds[0]) & (at < bounds[1]))
    if not len(free):
        return at, steps

    def within(part: Floats) -> tuple[float, Floats]:
        whole = at.copy()
        whole[free] = part
        found, own = target(whole)
        return found, own[free]

    for _ in range(_TURNS):
        root, axes = np.linalg.eigh(bend_at(within, at[free]))
        use = np.abs(root) > _FLAT * max(float(np.abs(root).max()), 1e-300)
        back = (axes[:, use] / np.abs(root[use])) @ axes[:, use].T
        left = float(slope[free] @ back @ slope[free])
        moved = False
        for _ in range(_STEPS):
            move = np.zeros(len(at))
            move[free] = back @ slope[free]
            trial = np.clip(at - move, *bounds)
            trial_value, trial_slope = target(trial)
            trial_left = float(trial_slope[free] @ back @ trial_slope[free])
            if not trial_value <= value + _WORSE * (1 + abs(value)) or not trial_left < left:
                break
            at, value, slope, left, moved, steps = trial, trial_value, trial_slope, trial_left, True, steps + 1
            if np.abs(move).max() < _DONE:
                return at, steps
        if not moved:
            break
    return at, steps

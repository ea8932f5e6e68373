"""What is weighed: the measures of a deck, what each is worth on a fixed scale, and how much it weighs."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import SettingsError
from decknet.settings import Curve, RankSettings, weights_fault, weights_of

__all__ = ["COLUMNS", "Worth", "closeness", "value", "worth"]

Floats = NDArray[np.float64]

# What is weighed -> the column that measures it.
COLUMNS = {
    "share": "share_now",
    "growth": "growth_per_yr",
    "traffic": "aadt",
    "trucks": "truck_share",
    "detour": "detour_km",
    "bars": "exposed_bar_m2",
    "posted": "posted",
    "soffit": "soffit_share",
    "area": "area_m2",
}
ALWAYS = ("share", "growth", "traffic")
WAYS = ("sum", "distance")


def value(x: Floats, curve: Curve) -> Floats:
    """Value 0 to 1 of a measure by a curve of straight pieces, level beyond its ends.

    Parameters
    ----------
    x : array, shape (n,), in the curve's unit
    curve : pairs of (x, value)

    Returns
    -------
    array, shape (n,), 0 to 1

    References
    ----------
    derived: linear interpolation.

    Examples
    --------
    >>> value(np.array([0.0, 0.05, 1.0]), ((0.0, 0.0), (0.1, 1.0))).tolist()
    [0.0, 0.5, 1.0]
    """
    at, level = zip(*curve, strict=True)
    result: Floats = np.interp(x, at, level)
    return result


@dataclass(frozen=True, slots=True)
class Worth:
    """Every deck on every count that weighs.

    Attributes
    ----------
    names : tuple of str, length K
        What weighs, of ``COLUMNS``: share, growth and traffic always, the others where their weight is above 0.
    weights : array, shape (K,)
        They add up to 1.
    values : array, shape (n, K), 0 to 1
    known : array of bool, shape (n, K)
        Where not, ``value_unknown`` of the settings was taken.
    curves : tuple of Curve, length K
    by : str
        "sum" or "distance".
    """

    names: tuple[str, ...]
    weights: Floats
    values: Floats
    known: NDArray[np.bool_]
    curves: tuple[Curve, ...]
    by: str

    def points(self) -> Floats:
        """Points of each deck on each count, shape (n, K); a deck's points add up to its priority, 0 to 100.

        Notes
        -----
        By distance, a deck's priority is split in proportion to the squares of its distances from
        the best possible deck, which is where the priority comes from.
        """
        weighted = self.values * self.weights
        if self.by == "sum":
            return 100.0 * weighted
        squares = weighted**2
        total = squares.sum(axis=1, keepdims=True)
        part = np.divide(squares, total, out=np.zeros_like(squares), where=total > 0)
        result: Floats = 100.0 * part * closeness(self.values, self.weights)[:, None]
        return result


def closeness(values: Floats, weights: Floats) -> Floats:
    """Distance from a deck with no need at all, over that and the distance from the neediest possible.

    Parameters
    ----------
    values : array, shape (..., K), 0 to 1
    weights : array, shape (..., K), not all 0

    Returns
    -------
    array, shape (...), 0 to 1

    Notes
    -----
    The ends are fixed at 0 and 1 on every count, not at the lowest and highest of the set, so that
    adding a deck never swaps two others.

    References
    ----------
    published: Hwang and Yoon (1981), Multiple Attribute Decision Making (the method called TOPSIS), with fixed
    ideals.

    Examples
    --------
    >>> closeness(np.array([[1.0, 1.0], [0.0, 0.0], [1.0, 0.0]]), np.array([0.5, 0.5])).round(9).tolist()
    [1.0, 0.0, 0.5]
    """
    up = np.sqrt(((values * weights) ** 2).sum(axis=-1))
    down = np.sqrt((((1.0 - values) * weights) ** 2).sum(axis=-1))
    result: Floats = up / (up + down)
    return result


def worth(decks: pd.DataFrame, settings: RankSettings) -> Worth:
    """Values of every deck on every count that weighs.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        The columns of ``COLUMNS`` that weigh; share_now, growth_per_yr and aadt without a gap.
    settings : RankSettings

    Raises
    ------
    SettingsError
        The weights do not add up to 1, a curve falls or leaves 0 to 1, a way is not known, or
        something weighs of which no deck has a record.
    """
    if fault := weights_fault(settings):
        raise SettingsError(f"rank: {fault}")
    if settings.by not in WAYS:
        raise SettingsError(f"rank.by: {settings.by!r} is not a way to rank. Known: {', '.join(WAYS)}.")
    weights = {name: w for name, w in weights_of(settings).items() if w > 0 or name in ALWAYS}
    values, known, curves = [], [], []
    for name in weights:
        curve: Curve = getattr(settings, f"value_{name}")
        if any(b[1] < a[1] for a, b in itertools.pairwise(curve)) or curve[0][1] < 0 or curve[-1][1] > 1:
            raise SettingsError(f"rank.value_{name}: values must rise from 0 or more to 1 or less. Correct the curve.")
        column = COLUMNS[name]
        if column in decks:
            x = pd.to_numeric(decks[column]).to_numpy(dtype="float64", na_value=np.nan)
        else:
            x = np.full(len(decks), np.nan)
        there = np.isfinite(x)
        if len(decks) and not there.any():
            raise SettingsError(
                f"rank.weight_{name}: {column} weighs, and no deck has a record of it. Set the weight to 0, or bring "
                "such records in."
            )
        known.append(there)
        values.append(np.where(there, value(np.where(there, x, 0.0), curve), settings.value_unknown))
        curves.append(curve)
    return Worth(
        tuple(weights),
        np.array(list(weights.values())),
        np.column_stack(values) if len(decks) else np.zeros((0, len(weights))),
        np.column_stack(known) if len(decks) else np.zeros((0, len(weights)), dtype=bool),
        tuple(curves),
        settings.by,
    )

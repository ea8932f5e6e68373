"""Draws of what is not known for sure: share, growth and traffic of every deck, and the weights."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from decknet.errors import SettingsError
from decknet.rank.criteria import ALWAYS
from decknet.settings import RankSettings

__all__ = ["Drawer", "draw_weights", "draws", "two_piece"]

Floats = NDArray[np.float64]
Draws = NDArray[np.float32]

# (decks as a slice of the sorted frame, number of draws, stream) -> share, growth, traffic, each (draws, decks)
Drawer = Callable[[slice, int, np.random.Generator], tuple[Draws, Draws, Draws]]

Z80 = 1.2815515655446004  # 90 % quantile of the standard normal distribution
UNSURE = ("none", "range", "order", "any")
_TRIES = 200
# Standard normal in 65,536 equal steps of probability: whole numbers drawn, so the same on every platform.
_NORMAL: Draws = ndtri((np.arange(65_536) + 0.5) / 65_536).astype(np.float32)


def two_piece(z: Draws, median: Draws, low: Draws, high: Draws) -> Draws:
    """Draws with the median and the 10 and 90 % quantiles given, from standard normal ones.

    Parameters
    ----------
    z : array, shape (m, n)
    median, low, high : array, shape (n,), low <= median <= high

    Returns
    -------
    array, shape (m, n)

    References
    ----------
    derived: a normal distribution below the median and another above it, each with the reach of its quantile.

    Examples
    --------
    >>> f = np.float32
    >>> two_piece(np.array([[-1.2815516], [0], [1.2815516]], f), f([5]), f([4]), f([8])).round(4).ravel().tolist()
    [4.0, 5.0, 8.0]
    """
    down, up = (median - low) / np.float32(Z80), (high - median) / np.float32(Z80)
    result: Draws = np.minimum(z, np.float32(0))
    result *= down
    result += median
    above = np.maximum(z, np.float32(0))
    above *= up
    result += above
    return result


def _normal(rng: np.random.Generator, size: tuple[int, int]) -> Draws:
    drawn: Draws = _NORMAL.take(rng.integers(0, 65_536, size, dtype=np.uint16), mode="wrap")  # all are within
    return drawn


def traffic_spread(source: pd.Series, settings: RankSettings) -> Floats:
    """How many times smaller or larger each traffic may be, by where it comes from."""
    old = settings.old_spread  # a count without its year may be as old as any
    by = {"count": settings.count_spread, "old count": old, "undated count": old}
    return np.array([by.get(s, settings.filled_spread) for s in source], dtype=np.float64)


def draws(decks: pd.DataFrame, settings: RankSettings) -> Drawer:
    """Draws from the quantiles of each deck's share and growth, and of its traffic by how it is known.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        share_now, share_low, share_high; growth_per_yr, growth_low, growth_high; aadt, aadt_from.
        A quantile that is missing is taken as the middle.
    settings : RankSettings
        share_with_growth, count_spread, old_spread, filled_spread.

    Returns
    -------
    Drawer
        Share 0 to 1, growth >= 0 and traffic >= 0.

    Notes
    -----
    Share and growth of one deck are correlated through a pair of normal scores; decks are drawn
    independently of one another. A joint posterior can take this function's place: whatever
    gives the same three arrays.
    """

    def columns(middle: str, low: str, high: str) -> tuple[Draws, Draws, Draws]:
        m = decks[middle].to_numpy(dtype="float64")
        ends = [
            decks[name].to_numpy(dtype="float64", na_value=np.nan) if name in decks else np.full(len(m), np.nan)
            for name in (low, high)
        ]
        low_at = np.minimum(np.where(np.isfinite(ends[0]), ends[0], m), m)
        high_at = np.maximum(np.where(np.isfinite(ends[1]), ends[1], m), m)
        return m.astype(np.float32), low_at.astype(np.float32), high_at.astype(np.float32)

    share = columns("share_now", "share_low", "share_high")
    growth = columns("growth_per_yr", "growth_low", "growth_high")
    aadt = decks["aadt"].to_numpy(dtype=np.float32)
    spread = traffic_spread(decks["aadt_from"], settings).astype(np.float32)
    traffic = (aadt, aadt / spread, aadt * spread)
    rho = np.float32(settings.share_with_growth)
    rest = np.float32(np.sqrt(1.0 - settings.share_with_growth**2))
    traffic_known = bool((spread == 1).all())

    def draw(rows: slice, count: int, rng: np.random.Generator) -> tuple[Draws, Draws, Draws]:
        size = (count, len(aadt[rows]))
        first = _normal(rng, size)
        second = _normal(rng, size)
        second *= rest
        second += rho * first
        a, b = (two_piece(z, *(c[rows] for c in of)) for z, of in ((first, share), (second, growth)))
        np.clip(a, np.float32(0), np.float32(1), out=a)
        np.maximum(b, np.float32(0), out=b)
        if traffic_known:
            return a, b, np.broadcast_to(aadt[rows], size)
        third = _normal(rng, size)
        c = two_piece(third, *(c[rows] for c in traffic))
        return a, b, np.maximum(c, np.float32(0), out=c)

    return draw


def draw_weights(weights: Floats, count: int, settings: RankSettings, rng: np.random.Generator) -> Floats:
    """Draws of the weights, as unsure as the settings say; a count that weighs nothing keeps 0.

    Parameters
    ----------
    weights : array, shape (K,), adding up to 1
    count : int
    settings : RankSettings
        unsure: "none"; "range", uniform where each weight is within ``unsure_part`` of itself; "order",
        uniform where the order of the weights is as stated; "any", uniform on all that add up to 1.
    rng : Generator

    Returns
    -------
    array, shape (count, K); rows add up to 1

    Raises
    ------
    SettingsError
        The kind is not known.

    References
    ----------
    published: Lahdelma and Salminen (2001), SMAA-2, Operations Research 49(3) (weights uniform on a
    restricted simplex); the mean under an order is the rank-order-centroid weight.
    """
    if settings.unsure not in UNSURE:
        raise SettingsError(
            f"rank.unsure: {settings.unsure!r} is not a way for weights to be unsure. Known: {', '.join(UNSURE)}."
        )
    at = np.flatnonzero(weights > 0)
    out = np.zeros((count, len(weights)))
    if settings.unsure == "none" or len(at) == 1:
        out[:] = weights
        return out
    stated = weights[at]
    if settings.unsure == "range":
        out[:, at] = _within(stated, settings.unsure_part, count, rng)
        return out
    drawn = rng.standard_exponential((count, len(at)))
    drawn /= drawn.sum(axis=1, keepdims=True)
    if settings.unsure == "order":
        # Counts of equal weight may stand in either order: they take turns at random.
        shuffled = np.argsort(rng.random((count, len(at))), axis=1)
        by_weight = np.take_along_axis(shuffled, np.argsort(-stated[shuffled], axis=1, kind="stable"), axis=1)
        largest_first = -np.sort(-drawn, axis=1)
        np.put_along_axis(drawn, by_weight, largest_first, axis=1)
    out[:, at] = drawn
    return out


def _within(stated: Floats, part: float, count: int, rng: np.random.Generator) -> Floats:
    """Uniform on the weights that add up to 1 with each within a part of itself."""
    low, high = stated * (1 - part), np.minimum(stated * (1 + part), 1.0)
    last = int(stated.argmax())
    others = np.delete(np.arange(len(stated)), last)
    out = np.empty((0, len(stated)))
    for _ in range(_TRIES):
        drawn = np.empty((max(2 * count, 64), len(stated)))
        drawn[:, others] = rng.uniform(low[others], high[others], (len(drawn), len(others)))
        drawn[:, last] = 1.0 - drawn[:, others].sum(axis=1)
        out = np.concatenate([out, drawn[(drawn[:, last] >= low[last]) & (drawn[:, last] <= high[last])]])
        if len(out) >= count:
            return out[:count]
    raise SettingsError("rank.unsure_part: no weights that add up to 1 were found within it. Make it larger.")


def tables(worth_curves: tuple[tuple[tuple[float, float], ...], ...], size: int) -> list[tuple[float, float, Draws]]:
    """Value curves of share, growth and traffic as fine tables: start, steps a unit, values."""
    made = []
    for curve in worth_curves[: len(ALWAYS)]:
        at, level = zip(*curve, strict=True)
        grid = np.linspace(at[0], at[-1], size)
        made.append((float(at[0]), (size - 1) / (at[-1] - at[0]), np.interp(grid, at, level).astype(np.float32)))
    return made

"""Places for labels on a drawing, so that none hides another."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

__all__ = ["Room", "spread"]

Box = tuple[float, float, float, float]  # left, top, right, bottom, mm on paper


class Room:
    """What of a drawing is taken already.

    Parameters
    ----------
    bounds : (left, top, right, bottom), mm
        Labels stay inside.
    """

    def __init__(self, bounds: Box) -> None:
        self.bounds = bounds
        self._taken: list[Box] = []

    def free(self, box: Box) -> bool:
        """Whether a box lies inside the drawing and over nothing taken."""
        left, top, right, bottom = box
        low, high = self.bounds[:2], self.bounds[2:]
        if left < low[0] or top < low[1] or right > high[0] or bottom > high[1]:
            return False
        return all(right <= a or left >= c or bottom <= b or top >= d for a, b, c, d in self._taken)

    def take(self, box: Box) -> None:
        """Keep others off a box."""
        self._taken.append(box)

    def first_free(
        self, middles: Iterable[tuple[float, float]], wide: float, high: float
    ) -> tuple[float, float] | None:
        """The first of the middles round which a label finds room, which is then taken; None where none does."""
        for x, y in middles:
            box = (x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
            if self.free(box):
                self.take(box)
                return x, y
        return None


def spread(wanted: list[float], step: float, low: float, high: float) -> list[float]:
    """Places at least a step apart, in the order wanted and near it, inside low to high where they fit.

    Examples
    --------
    >>> spread([1.0, 1.0, 9.0], 2.0, 0.0, 10.0)
    [0.0, 2.0, 9.0]
    """
    order = np.argsort(wanted, kind="stable")
    at = np.asarray(wanted, dtype=float)[order]
    # Least squares under an order: what would overlap is pooled round its mean.
    groups: list[list[float]] = []  # start, count
    for value in at:
        groups.append([value, 1.0])
        while len(groups) > 1 and groups[-2][0] + groups[-2][1] * step > groups[-1][0]:
            start, count = groups.pop()
            before, many = groups[-1]
            total = many + count
            groups[-1] = [(before * many + (start - many * step) * count) / total, total]
    placed = np.concatenate([g[0] + step * np.arange(int(g[1])) for g in groups]) if groups else at
    top = high - step * np.arange(len(placed))[::-1]
    bottom = low + step * np.arange(len(placed))
    placed = np.maximum(np.minimum(placed, top), bottom)
    out = np.empty(len(placed))
    out[order] = placed
    return [float(v) for v in out]

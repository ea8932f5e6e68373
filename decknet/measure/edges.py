"""What limits cost within the edge of a panel, whatever its shape."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from decknet.measure.boxes import TICKS_PER_M, Floats, Ints, Prices
from decknet.measure.split import Limits, cost_together, shared

__all__ = ["cost_within", "shared_within", "within"]


def cost_within(limits: Limits, bounds: list[int], edge: shapely.Geometry | None, prices: Prices) -> float:
    """Cost of limits of one panel, within its edge."""
    if edge is None:
        return cost_together(limits, bounds, prices)
    box = np.array([one[:4] for one in limits], dtype=np.int64)
    full = np.array([one[4] for one in limits])
    inside, saw = within(box, np.array([edge] * len(box), dtype=object))
    cost = shapely.area(inside) * np.where(full, prices.full, prices.partial) + prices.set_up
    return float(cost.sum()) + prices.saw * (float(saw.sum()) - 2 * shared_within(limits, edge))


def shared_within(limits: Limits, edge: shapely.Geometry) -> float:
    """Length of shared sides within a panel's edge, m."""
    total = 0.0
    for n, a in enumerate(limits):
        for b in limits[n + 1 :]:
            if shared(a, b):
                low = np.maximum(a[:2], b[:2]) / TICKS_PER_M
                high = np.minimum(a[2:4], b[2:4]) / TICKS_PER_M
                total += shapely.length(shapely.intersection(shapely.LineString([low, high]), edge))
    return total


def within(box: Ints, edge: NDArray[np.object_]) -> tuple[NDArray[np.object_], Floats]:
    """Rectangles within panels' edges (m), and the length of their sides inside them and not along them (m)."""
    shape = shapely.box(*(box / TICKS_PER_M).T)
    side = shapely.boundary(shape)
    along = shapely.length(shapely.intersection(side, shapely.boundary(edge)))
    return shapely.intersection(shape, edge), shapely.length(shapely.intersection(side, edge)) - along

"""Sets of rectangles, merged until they may stand side by side and cost least.

Rectangles are whole tenths of a millimetre, so that nothing is lost to rounding and an inch is
whole: an array of shape (n, 4) with x from, y from, x to, y to; x along the deck, y across.
Many panels (the deck between two joints) are handled at once, each moved along x to a place of its
own, far from the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

__all__ = ["TICKS_PER_M", "Grid", "Prices", "around", "cheapest", "near_pairs", "settle"]

TICKS_PER_M = 10_000

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]

_LEAST_GAIN = 1e-6  # in currency: below it a merge is a tie, and is not made


@dataclass(frozen=True, slots=True)
class Grid:
    """Lengths in tenths of a millimetre that limits keep to."""

    margin: int
    gap: int
    side: int
    step: int
    strip: int


@dataclass(frozen=True, slots=True)
class Prices:
    """What a set of limits costs.

    Attributes
    ----------
    partial, full : float, currency/m2
    saw : float, currency/m
    set_up : float, currency a limit
    """

    partial: float
    full: float
    saw: float
    set_up: float

    def of(self, box: Ints, full: Flags, bounds: Ints) -> Floats:
        """Cost of each limit standing alone, sides on a bound not sawn.

        Parameters
        ----------
        box : array of int, shape (n, 4), 0.1 mm
        full : array of bool, shape (n,)
            Full depth.
        bounds : array of int, shape (n, 4), 0.1 mm
            Panel of each limit.

        Returns
        -------
        array, shape (n,), currency
        """
        long, wide = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
        sawn = box != bounds
        saw = wide * (sawn[:, 0].astype(np.int64) + sawn[:, 2]) + long * (sawn[:, 1].astype(np.int64) + sawn[:, 3])
        per_m2 = np.where(full, self.full, self.partial)
        cost: Floats = long * wide * (per_m2 / TICKS_PER_M**2) + saw * (self.saw / TICKS_PER_M) + self.set_up
        return cost


def near_pairs(a: Ints, b: Ints, gap: int) -> tuple[Ints, Ints]:
    """Which rectangles of ``a`` overlap one of ``b`` or stand closer to it than ``gap``.

    Parameters
    ----------
    a, b : array of int, shape (n, 4) and (m, 4), 0.1 mm
    gap : int, 0.1 mm
        Straight-line distance; exactly this far apart is not near.

    Returns
    -------
    i, j : array of int, shape (k,)
        Rows of ``a`` and ``b``, by i then by x of b.

    References
    ----------
    derived: a sweep along x. Sorted by x from, the rectangles of ``b`` that may reach back to one of
    ``a`` start where the running maximum of x to first passes it.
    """
    order = np.lexsort((b[:, 3], b[:, 2], b[:, 1], b[:, 0]))
    b = b[order]
    last = np.searchsorted(b[:, 0], a[:, 2] + gap, side="left")
    first = np.searchsorted(np.maximum.accumulate(b[:, 2]), a[:, 0] - gap, side="right")
    count = np.maximum(last - first, 0)
    i = np.repeat(np.arange(len(a)), count)
    j = np.arange(len(i)) + np.repeat(first - (np.cumsum(count) - count), count)
    apart_y = np.maximum(b[j, 1] - a[i, 3], a[i, 1] - b[j, 3])
    keep = apart_y < gap
    i, j, apart_y = i[keep], j[keep], apart_y[keep]
    apart_x = np.maximum(b[j, 0] - a[i, 2], a[i, 0] - b[j, 2])
    # Without a gap those overlap that overlap along too.
    close = np.maximum(apart_x, 0) ** 2 + np.maximum(apart_y, 0) ** 2 < gap**2 if gap > 0 else apart_x < 0
    return i[close], order[j[close]]


def around(box: Ints, label: Ints, count: int) -> Ints:
    """Smallest rectangle round the boxes of each label 0 to ``count - 1``, each used at least once."""
    order = np.argsort(label, kind="stable")
    start = np.searchsorted(label[order], np.arange(count))
    box = box[order]
    low = np.minimum.reduceat(box[:, :2], start)
    return np.concatenate([low, np.maximum.reduceat(box[:, 2:], start)], axis=1)


def settle(box: Ints, gap: int) -> tuple[Ints, Ints]:
    """Merge rectangles that are too near until none is: the finest set that is legal.

    Parameters
    ----------
    box : array of int, shape (n, 4), 0.1 mm
    gap : int, 0.1 mm

    Returns
    -------
    label : array of int, shape (n,)
        Merged rectangle of each, 0 to m - 1.
    merged : array of int, shape (m, 4), 0.1 mm

    Notes
    -----
    Two rectangles too near must share a merged one in every legal set, since a rectangle round more
    reaches no less far. So every legal set is made of unions of these.
    """
    label = np.arange(len(box))
    merged = box
    while len(merged) > 1:
        i, j = near_pairs(merged, merged, gap)
        pair = i < j
        if not pair.any():
            break
        graph = coo_array((np.ones(pair.sum(), dtype=np.int8), (i[pair], j[pair])), shape=(len(merged),) * 2)
        count, to = connected_components(graph, directed=False)
        merged = around(merged, to.astype(np.int64), count)
        label = to.astype(np.int64)[label]
    return label, merged


def cheapest(box: Ints, full: Flags, panel: Ints, bounds: Ints, gap: int, prices: Prices) -> tuple[Ints, Ints]:
    """Merge rectangles until the set is legal and no merge of two makes it cheaper.

    Parameters
    ----------
    box : array of int, shape (n, 4), 0.1 mm
        The rectangle each unsound area needs, margin and rounding included.
    full : array of bool, shape (n,)
    panel : array of int, shape (n,)
        Panel of each, 0 to p - 1.
    bounds : array of int, shape (p, 4), 0.1 mm
    gap : int, 0.1 mm
    prices : Prices

    Returns
    -------
    label : array of int, shape (n,)
        Limit of each area, 0 to m - 1.
    limit : array of int, shape (m, 4), 0.1 mm

    Notes
    -----
    Starts from the finest legal set. A move takes two rectangles with everything that their
    union then stands too near to; of moves that touch one another only the most gainful is made, and
    the search is repeated where something changed until no move gains. At the end one rectangle round
    the whole panel is taken where that is cheaper still.
    """
    if not len(box):
        return np.empty(0, dtype=np.int64), box
    stride = _stride(box, gap)
    label, limit = settle(_moved(box, panel * stride), gap)
    reach = _reach(prices, box, gap)
    active = np.ones(len(bounds), dtype=bool)
    while True:
        order = np.lexsort((limit[:, 3], limit[:, 2], limit[:, 1], limit[:, 0]))
        rank = np.empty_like(order)
        rank[order] = np.arange(len(order))
        label, limit = rank[label], limit[order]
        of_panel, of_full = _owners(label, len(limit), panel, full)
        moves = _moves(
            limit, of_full, of_panel, _moved(bounds[of_panel], of_panel * stride), active, gap, reach, prices
        )
        if moves is None:
            break
        into, active = moves
        label = into[label]
        limit = around(limit, into, int(into.max()) + 1)
    return _whole_panels(label, box, full, panel, bounds, prices)


def _moved(box: Ints, far: Ints) -> Ints:
    """Rectangles moved along x."""
    out = box.copy()
    out[:, 0] += far
    out[:, 2] += far
    return out


def _stride(box: Ints, gap: int) -> int:
    """How far apart panels are laid so that none is near another."""
    return int(box[:, 2].max() - box[:, 0].min()) * 2 + 4 * gap + 100 * TICKS_PER_M


def _reach(prices: Prices, box: Ints, gap: int) -> int:
    """Farthest two limits can stand for their merging to pay: what it saves over what it breaks out."""
    side = min(int((box[:, 2:] - box[:, :2]).min()), 3 * TICKS_PER_M)
    per_m2 = min(prices.partial, prices.full)
    if per_m2 <= 0:
        return 10 * TICKS_PER_M
    far = (prices.set_up / (side / TICKS_PER_M) + 2 * prices.saw) / per_m2 * TICKS_PER_M
    return max(gap, min(int(far), 10 * TICKS_PER_M)) + 1


def _owners(label: Ints, count: int, panel: Ints, full: Flags) -> tuple[Ints, Flags]:
    """Panel of each limit, and whether anything in it asks for full depth."""
    of_panel = np.zeros(count, dtype=np.int64)
    of_panel[label] = panel
    return of_panel, np.bincount(label, weights=full, minlength=count) > 0


def _moves(
    limit: Ints,
    full: Flags,
    panel: Ints,
    edge: Ints,
    active: Flags,
    gap: int,
    reach: int,
    prices: Prices,
) -> tuple[Ints, Flags] | None:
    """The merges to make now: limit each goes into, and the panels that change; None where none gains."""
    cost = prices.of(limit, full, edge)
    look = np.flatnonzero(active[panel])
    i, j = near_pairs(limit[look], limit[look], reach)
    pair = i < j
    i, j = look[i[pair]], look[j[pair]]
    if not len(i):
        return None
    union = np.concatenate([np.minimum(limit[i, :2], limit[j, :2]), np.maximum(limit[i, 2:], limit[j, 2:])], axis=1)
    move, member = near_pairs(union, limit, gap)
    growing = np.flatnonzero(np.bincount(move, minlength=len(i)) > 2)
    while len(growing):
        grown = union.copy()
        np.minimum.at(grown[:, :2], move, limit[member, :2])
        np.maximum.at(grown[:, 2:], move, limit[member, 2:])
        growing = np.flatnonzero((grown != union).any(axis=1))
        union = grown
        if len(growing):
            keep = ~np.isin(move, growing)
            more, taken = near_pairs(union[growing], limit, gap)
            move, member = np.concatenate([move[keep], growing[more]]), np.concatenate([member[keep], taken])
    some_full = np.bincount(move, weights=full[member], minlength=len(i)) > 0
    gain = np.bincount(move, weights=cost[member], minlength=len(i)) - prices.of(union, some_full, edge[i])
    good = np.flatnonzero(gain > _LEAST_GAIN)
    if not len(good):
        return None
    place = np.empty(len(good), dtype=np.int64)
    place[np.lexsort((union[good, 3], union[good, 2], union[good, 1], union[good, 0], -gain[good]))] = np.arange(
        len(good)
    )
    one, other = near_pairs(union[good], union[good], gap)
    first = np.full(len(good), len(good))
    np.minimum.at(first, one, place[other])
    chosen = good[first >= place]
    into = np.arange(len(limit))
    lead = np.full(len(i), len(limit))
    np.minimum.at(lead, move, member)
    made = np.isin(move, chosen)
    into[member[made]] = lead[move[made]]
    changed = np.zeros_like(active)
    changed[panel[i[chosen]]] = True
    _names, code = np.unique(into, return_inverse=True)
    return code.astype(np.int64), changed


def _whole_panels(label: Ints, box: Ints, full: Flags, panel: Ints, bounds: Ints, prices: Prices) -> tuple[Ints, Ints]:
    """One rectangle for a whole panel where that is cheaper than its limits; rectangles where they belong."""
    limit = around(box, label, int(label.max()) + 1)
    of_panel, of_full = _owners(label, len(limit), panel, full)
    cost = np.bincount(of_panel, weights=prices.of(limit, of_full, bounds[of_panel]), minlength=len(bounds))
    used, code = np.unique(panel, return_inverse=True)
    whole = around(box, code, len(used))
    any_full = np.bincount(code, weights=full, minlength=len(used)) > 0
    cheaper = np.zeros(len(bounds), dtype=bool)
    cheaper[used] = prices.of(whole, any_full, bounds[used]) < cost[used] - _LEAST_GAIN
    if cheaper.any():
        label = np.where(cheaper[panel], len(limit) + panel, label)
    names, label = np.unique(label, return_inverse=True)
    return label, around(box, label, len(names))

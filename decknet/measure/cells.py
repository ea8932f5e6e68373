"""Unsound concrete on the grid of steps: columns of cells, each column one whole number, a bit a cell."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from decknet.measure.boxes import TICKS_PER_M, Flags, Grid, Ints

__all__ = ["Columns", "closed", "lay_out", "many", "opened", "runs", "shifts"]

_HAIR = 1e-6  # of a step
_BITS = 62  # of a whole number of 64


class Columns(NamedTuple):
    """The cells that a limit needs, column by column.

    Attributes
    ----------
    needed, deep : list of int
        A bit for each cell needed in a column, and for each of full depth among them.
    least : list of int
        Cells that any slab with the column in it must take there, being at least a least side wide.
    change : list of int
        How much what stands before the column differs from what stands after: worth a cut.
    """

    needed: list[int]
    deep: list[int]
    least: list[int]
    change: list[int]


def lay_out(
    shape: NDArray[np.object_], full: Flags, group: Ints, box: Ints, bounds: Ints, grid: Grid, axis: int
) -> Iterator[Columns]:
    """Cells within the margin of each limit's unsound areas, column by column.

    Parameters
    ----------
    shape : array of Polygon, shape (k,), m
    full : array of bool, shape (k,)
        Full depth.
    group : array of int, shape (k,)
        The limit that each area lies in, 0 to g - 1, rising, each used.
    box, bounds : array of int, shape (g, 4), 0.1 mm
        Limits, and their panels.
    grid : Grid
    axis : int
        0: columns stand along the deck; 1: across.

    Yields
    ------
    Columns, one a limit
        They count from the step at or below the limit's low side; so do bits, the other way.

    References
    ----------
    derived: of each edge of a polygon, the part within the margin of the column.
    """
    ring = shapely.get_exterior_ring(shape)
    xy, owner = shapely.get_coordinates(ring, return_index=True)
    xy = xy * TICKS_PER_M
    edge = np.flatnonzero(owner[1:] == owner[:-1])
    owner = owner[edge]
    a, b = xy[edge], xy[edge + 1]
    turn = a[:, axis] > b[:, axis]
    a[turn], b[turn] = b[turn], a[turn]
    step, margin, across = grid.step, grid.margin, 1 - axis
    corner = box[:, :2] // step * step
    size = -((corner - box[:, 2:]) // step)
    origin, cells, bounds = corner[group], size[group], bounds[group]
    first = np.floor((a[:, axis] - margin - origin[owner, axis]) / step + _HAIR).astype(np.int64)
    last = np.ceil((b[:, axis] + margin - origin[owner, axis]) / step - _HAIR).astype(np.int64) - 1
    first = np.clip(first, 0, cells[owner, axis] - 1)
    last = np.clip(last, first, cells[owner, axis] - 1)
    count = last - first + 1
    at = np.repeat(np.arange(len(owner)), count)
    column = np.arange(len(at)) + np.repeat(first - (np.cumsum(count) - count), count)
    of = owner[at]
    start = origin[of, axis] + column * step
    xa, xb, ya, yb = a[at, axis], b[at, axis], a[at, across], b[at, across]
    rise = (yb - ya) / np.where(xb > xa, xb - xa, 1.0)
    one = ya + (np.clip(start - margin, xa, xb) - xa) * rise
    two = np.where(xb > xa, ya + (np.clip(start + step + margin, xa, xb) - xa) * rise, yb)
    begin = np.full(len(shape), np.iinfo(np.int64).max)
    np.minimum.at(begin, owner, first)
    width = np.zeros(len(shape), dtype=np.int64)
    np.maximum.at(width, owner, last + 1)
    width -= begin
    base = np.cumsum(width) - width
    key = base[of] + column - begin[of]
    low, high = np.full(width.sum(), np.inf), np.full(width.sum(), -np.inf)
    np.minimum.at(low, key, np.minimum(one, two))
    np.maximum.at(high, key, np.maximum(one, two))
    piece = np.repeat(np.arange(len(shape)), width)
    column = np.arange(len(piece)) - np.repeat(base - begin, width)
    low, high = low - margin, high + margin
    zero, top = origin[piece, across], cells[piece, across]
    low_bit = np.floor((low - zero) / step + _HAIR).astype(np.int64)
    high_bit = np.ceil((high - zero) / step - _HAIR).astype(np.int64)
    low_bit[low - bounds[piece, across] < grid.strip] = 0
    high_bit = np.where(bounds[piece, across + 2] - high < grid.strip, top, high_bit)
    low_bit, high_bit = np.clip(low_bit, 0, top - 1), np.clip(high_bit, 1, top)
    return _columns(group[piece], column, low_bit, high_bit, full[piece], size, axis, -(-grid.side // step))


def _columns(
    group: Ints, column: Ints, low: Ints, high: Ints, full: Flags, size: Ints, axis: int, reach: int
) -> Iterator[Columns]:
    """Columns of each limit from the cells of its areas; ``reach`` is the least side in cells."""
    count, tall = size[:, axis], size[:, 1 - axis]
    base = np.cumsum(count) - count
    key, total = base[group] + column, int(count.sum())
    owner = np.repeat(np.arange(len(count)), count)
    # Laid end to end with a least side's empty columns before, between and after.
    place = np.arange(total) + (owner + 1) * reach
    room = total + (len(count) + 1) * reach
    needed, deep = [0] * total, [0] * total
    taken, own, change = (np.zeros(n, dtype=np.int64) for n in (total, total, total))
    for word in range(-(-int(tall.max()) // _BITS)):
        first, last = (np.clip(bit - word * _BITS, 0, _BITS) for bit in (low, high))
        mask = (np.int64(1) << last) - (np.int64(1) << first)
        cells, under = np.zeros(room, dtype=np.int64), np.zeros(room, dtype=np.int64)
        np.bitwise_or.at(cells, place[key], mask)
        np.bitwise_or.at(under, place[key[full]], mask[full])
        for whole, part in ((needed, cells[place]), (deep, under[place])):
            for at in np.flatnonzero(part):
                whole[at] |= int(part[at]) << (word * _BITS)
        wide = cells  # of each column and those after it, as far as a least side reaches
        for by in shifts(reach):
            wide = wide[:-by] | wide[by:]
        own += np.bitwise_count(cells[place])
        taken += np.bitwise_count(wide[place])
        change += np.bitwise_count(wide[place - reach] ^ wide[place]) + np.bitwise_count(
            cells[place - 1] ^ cells[place]
        )
        change += 2 * np.bitwise_count(under[place - 1] ^ under[place]).astype(np.int64)
    within = np.arange(total) - base[owner] <= count[owner] - reach
    sliding = np.full(room, np.iinfo(np.int64).max)
    sliding[place] = np.where(within, taken, sliding[place])
    for by in shifts(reach):
        sliding = np.minimum(sliding[:-by], sliding[by:])
    least = np.where(count[owner] < reach, own, sliding[place - reach + 1]).tolist()
    changes = change.tolist()
    for start, stop in zip(base.tolist(), (base + count).tolist(), strict=True):
        yield Columns(needed[start:stop], deep[start:stop], least[start:stop], changes[start:stop])


def shifts(cells: int) -> tuple[int, ...]:
    """Shifts that together spread a bit over ``cells``, each at most doubling the reach."""
    out, done = [], 1
    while done < cells:
        out.append(min(done, cells - done))
        done += out[-1]
    return tuple(out)


def closed(mask: int, shifts: tuple[int, ...]) -> int:
    """Bits with every inner gap shorter than the reach filled."""
    for by in shifts:
        mask |= mask << by
    for by in shifts:
        mask &= mask >> by
    return mask


def opened(mask: int, shifts: tuple[int, ...]) -> int:
    """The runs at least as long as the reach."""
    for by in shifts:
        mask &= mask >> by
    for by in shifts:
        mask |= mask << by
    return mask


def runs(mask: int) -> list[tuple[int, int]]:
    """First bit, and last bit and one, of each run."""
    out = []
    while mask:
        low = mask & -mask
        rest = mask + low
        top = rest & -rest
        out.append((low.bit_length() - 1, top.bit_length() - 1))
        mask &= ~(top - 1)
    return out


def many(mask: int) -> bool:
    """Whether there is more than one run."""
    rest = mask + (mask & -mask)
    return rest & (rest - 1) != 0

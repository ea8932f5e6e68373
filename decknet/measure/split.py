"""A limit that takes out much sound concrete, cut into a row of slabs that take out less.

The concrete that must go is laid on the grid of steps, each column of cells one whole number whose
bits are the cells across. A slab between two cuts needs the cells of its columns; a limit is one run
of them. Limits of neighbouring slabs that touch share the side, and nothing is sawn there; all others
keep the least gap. The cheapest row of slabs is found by dynamic programming over the cuts.
"""

from __future__ import annotations

import functools
import itertools
import operator
from dataclasses import dataclass
from typing import NamedTuple

from decknet.measure.boxes import TICKS_PER_M, Grid, Prices
from decknet.measure.cells import Columns, closed, many, opened, runs, shifts

__all__ = ["cost_together", "split_limit", "stand_legally"]

_MOST_CUTS = 40
_MANY = 1 << 40  # cells: more than any deck has

Limits = list[tuple[int, int, int, int, bool]]


def _legal(a: int, b: int, shop: _Shop) -> bool:
    """Whether the limits of two neighbouring slabs either share a side of fair length or keep the gap."""
    if not a or not b:
        return True
    if not many(a) and not many(b) and (both := (a & b).bit_count()):
        return both >= shop.side
    union = a | b
    if closed(union, shop.gaps) != union:
        return False
    both = a & b
    if opened(both, shop.sides) != both:
        return False
    return not ((a << 1) & ~a & b & ~(b << 1)) and not ((b << 1) & ~b & a & ~(a << 1))


def _cuts(change: list[int], most: int) -> list[int]:
    """Columns worth cutting at."""
    count = len(change)
    best = sorted(range(1, count), key=change.__getitem__, reverse=True)[:most]
    return [0, *sorted(best), count]


def split_limit(
    box: list[int],
    bounds: list[int],
    columns: Columns,
    axis: int,
    grid: Grid,
    prices: Prices,
    cost: float,
) -> Limits:
    """The cheapest row of slabs for one limit, if it can beat a cost.

    Parameters
    ----------
    box, bounds : list of 4 int, 0.1 mm
        The limit and its panel.
    columns : Columns
        As from ``lay_out``.
    axis : int
        0: slabs follow one another along the deck; 1: across.
    grid : Grid
    prices : Prices
    cost : float, currency
        Of the best answer so far. Rows that must cost more are not looked at.

    Returns
    -------
    list of (x from, y from, x to, y to, full depth), 0.1 mm
        Together they cover every cell needed; empty where nothing cheaper was found. Not checked against the
        least gap and side where an edge of the deck cuts a cell; see ``stand_legally``.
    """
    step, across = grid.step, 1 - axis
    origin = (box[axis] // step * step, box[across] // step * step)
    top = -((origin[1] - box[across + 2]) // step) - 1
    unit = step / TICKS_PER_M
    shop = _Shop(
        unit=unit,
        partial=prices.partial * unit,
        full=prices.full * unit,
        saw=prices.saw,
        set_up=prices.set_up,
        gaps=shifts(-(-grid.gap // step)),
        side=-(-grid.side // step),
        sides=shifts(-(-grid.side // step)),
        everything=(1 << (top + 1)) - 1,
        walls=(
            (1 if box[across] == bounds[across] else 0) | (1 << top if box[across + 2] == bounds[across + 2] else 0)
        ),
        ends=(box[axis] == bounds[axis], box[axis + 2] == bounds[axis + 2]),
    )
    least_area = _least_area(columns, shop)
    least_rest = _least_saw(columns.needed, shop) + 2 * prices.set_up
    spare = cost - least_rest - least_area[-1]
    if spare <= 0:
        return []
    along = shop.saw * unit * (2 - shop.walls.bit_count())  # what the sides along the row cost at least, a column
    ground = _Ground(
        columns,
        (origin[0], step, box[axis], box[axis + 2]),
        least_area,
        list(itertools.accumulate((along if mask else 0.0 for mask in columns.needed), initial=0.0)),
        (max(grid.side, grid.gap), grid.side),
    )
    cuts = _cuts(columns.change, min(_MOST_CUTS, 2 + len(columns.needed) // 6))
    slab = _cheapest_row(cuts, ground, shop, cost, spare)
    found: Limits = []
    while slab is not None:
        for low, high in runs(slab.mask):
            first = max(origin[1] + low * step, box[across])
            end = min(origin[1] + high * step, box[across + 2])
            found.append((slab.start, first, slab.stop, end, bool(slab.deep & ((1 << high) - (1 << low)))))
        slab = slab.before
    found = _joined(found)
    return found if axis == 0 else [(b, a, d, c, f) for a, b, c, d, f in found]


class _Ground(NamedTuple):
    """The columns of a limit, where they lie, and the least cost up to each."""

    columns: Columns
    where: tuple[int, int, int, int]  # of the first column, of each, from and to
    area: list[float]
    along: list[float]
    least: tuple[int, int]  # width of a slab: within the row, at its ends


def _cheapest_row(cuts: list[int], ground: _Ground, shop: _Shop, cost: float, spare: float) -> _Slab | None:
    """Last slab of the cheapest row between these cuts, if it costs less than ``cost``.

    ``spare`` is how far that lies above what no row can do without.
    """
    last = len(cuts) - 1
    origin, step, low, high = ground.where
    where = [min(max(origin + c * step, low), high) for c in cuts]
    area_to = [ground.area[c] for c in cuts]
    rest = [ground.area[-1] + ground.along[-1] - ground.area[c] - ground.along[c] for c in cuts]
    parts = [functools.reduce(operator.or_, ground.columns.needed[a:b]) for a, b in itertools.pairwise(cuts)]
    deeps = [functools.reduce(operator.or_, ground.columns.deep[a:b]) for a, b in itertools.pairwise(cuts)]
    per_cell = 2 * shop.saw * shop.unit
    taken: dict[int, tuple[int, int, frozenset[tuple[int, int]]]] = {}  # by cells needed: mask, its cells, its runs
    # ways[j]: the slabs that end at cut j by their masks, with the cheapest way up to each.
    ways: list[dict[int, _Slab]] = [{} for _ in cuts]
    for j in range(1, last + 1):
        needed = below = 0
        for i in range(j - 1, -1, -1):
            needed |= parts[i]
            below |= deeps[i]
            if where[j] - where[i] < ground.least[i == 0 or j == last] or j - i == last or (i and not ways[i]):
                continue
            wide = (where[j] - where[i]) / TICKS_PER_M
            if needed not in taken:
                mask = shop.fair(needed)
                taken[needed] = mask, mask.bit_count(), frozenset(runs(mask))
            mask, cells, mine = taken[needed]
            area = cells * shop.partial * wide if not below else shop.mixed_area(mine, below, wide)
            if area - area_to[j] + area_to[i] >= spare:
                break  # a longer slab only adds more
            before = _before(mask, mine, list(ways[i].values()), shop) if i else (0.0, None)
            if before is None:
                continue
            here = area + shop.standing(mask, len(mine), wide, (i == 0, j == last)) + before[0]
            credit = shop.set_up * len(mine) + per_cell * cells if j < last else 0.0  # what the next may share
            known = ways[j].get(mask)  # what comes after depends on the mask alone
            if here - credit + rest[j] < cost and (known is None or here < known.cost):
                ways[j][mask] = _Slab(mask, mine, below, where[i], where[j], here, here - credit, before[1])
    return min(ways[last].values(), key=lambda s: s.cost, default=None)


class _Slab(NamedTuple):
    """A slab between two cuts, and the cheapest way up to its end."""

    mask: int
    runs: frozenset[tuple[int, int]]
    deep: int
    start: int
    stop: int
    cost: float
    floor: float  # less all that the next can share
    before: _Slab | None


@dataclass(frozen=True, slots=True)
class _Shop:
    """Prices by the cell, and what masks must keep to."""

    unit: float  # m, side of a cell
    partial: float  # currency for a cell's height and a metre of slab
    full: float
    saw: float
    set_up: float
    gaps: tuple[int, ...]  # shifts that fill a gap too short
    side: int
    sides: tuple[int, ...]  # shifts that find a side too short
    everything: int
    walls: int  # bits that lie on a deck edge
    ends: tuple[bool, bool]

    def fair(self, mask: int) -> int:
        """What must be taken out for these cells, so that no gap and no side is too short."""
        low = mask & -mask
        rest = mask + low
        if mask and not rest & (rest - 1) and mask.bit_count() >= self.side:
            return mask  # one run, long enough
        mask = closed(mask, self.gaps)
        while (good := opened(mask, self.sides)) != mask:
            short = mask & ~good
            wider = closed(mask | (short << 1 | short >> 1) & self.everything, self.gaps)
            if wider == mask:
                break
            mask = wider
        return mask

    def mixed_area(self, runs: frozenset[tuple[int, int]], deep: int, wide: float) -> float:
        """Cost of breaking out runs over a slab's width (m), a run with any full-depth cell at full depth."""
        cells = sum((b - a) * (self.full if deep & ((1 << b) - (1 << a)) else self.partial) for a, b in runs)
        return cells * wide

    def standing(self, mask: int, runs: int, wide: float, at_end: tuple[bool, bool]) -> float:
        """Set-ups and saw cut of a slab standing alone."""
        along = (2 * runs - (mask & self.walls).bit_count()) * wide
        across = mask.bit_count() * self.unit * (2 - (at_end[0] and self.ends[0]) - (at_end[1] and self.ends[1]))
        return self.set_up * runs + self.saw * (along + across)


def _least_area(columns: Columns, shop: _Shop) -> list[float]:
    """Breaking out that no row of slabs can do without, up to each column."""
    per_cell = min(shop.partial, shop.full) * shop.unit
    total = [cells * per_cell for cells in itertools.accumulate(columns.least, initial=0)]
    if any(columns.deep):
        more = max(shop.full - shop.partial, 0.0) * shop.unit
        deep = itertools.accumulate((mask.bit_count() for mask in columns.deep), initial=0)
        total = [area + cells * more for area, cells in zip(total, deep, strict=True)]
    return total


def _least_saw(columns: list[int], shop: _Shop) -> float:
    """Saw cut that no row of slabs can do without: there and back over every column and every row used."""
    whole = functools.reduce(operator.or_, columns)
    used = len(columns) - columns.count(0)
    across = whole.bit_count() * (2 - shop.ends[0] - shop.ends[1])
    return shop.saw * shop.unit * (used * (2 - shop.walls.bit_count()) + across)


def _before(
    mask: int, mine: frozenset[tuple[int, int]], slabs: list[_Slab], shop: _Shop
) -> tuple[float, _Slab | None] | None:
    """The slab that is best to come before, with the cost up to it, less what the two share."""
    best: tuple[float, _Slab | None] | None = None
    least = float("inf")
    per_cell = 2 * shop.saw * shop.unit
    several = len(mine) > 1
    for slab in slabs:
        if slab.floor >= least:
            continue
        other = slab.mask
        cost = slab.cost - per_cell * (mask & other).bit_count()
        if several or mask == other or len(slab.runs) > 1:  # else no run goes on from one slab to the next
            cost -= shop.set_up * len(mine & slab.runs)
        if cost < least and (mask == other or _legal(mask, other, shop)):
            least = cost
            best = cost, slab
    return best


def _joined(limits: Limits) -> Limits:
    """Limits of following slabs that line up, made one."""
    out: Limits = []
    for limit in sorted(limits):
        for n, before in enumerate(out):
            if before[2] == limit[0] and (before[1], before[3], before[4]) == (limit[1], limit[3], limit[4]):
                out[n] = (*before[:2], *limit[2:])
                break
        else:
            out.append(limit)
    return out


def stand_legally(limits: Limits, bounds: list[int], grid: Grid) -> bool:
    """Whether sides are long enough, no strip is left at an edge, and each pair shares a side or keeps the gap."""
    for a in limits:
        for axis in (0, 1):
            if a[axis + 2] - a[axis] < min(grid.side, bounds[axis + 2] - bounds[axis]):
                return False
            if 0 < a[axis] - bounds[axis] < grid.strip or 0 < bounds[axis + 2] - a[axis + 2] < grid.strip:
                return False
    for a, b in itertools.combinations(limits, 2):
        x = max(a[0], b[0]) - min(a[2], b[2])
        y = max(a[1], b[1]) - min(a[3], b[3])
        if x < 0 and y < 0:
            return False
        sharing = (x == 0 and -y >= grid.side) or (y == 0 and -x >= grid.side)
        if not sharing and max(x, 0) ** 2 + max(y, 0) ** 2 < grid.gap**2:
            return False
    return True


def cost_together(limits: Limits, bounds: list[int], prices: Prices) -> float:
    """Cost of limits of one panel, shared sides and sides on its bounds not sawn."""
    cost, saw = prices.set_up * len(limits), 0
    low_x, low_y, high_x, high_y = bounds
    for x0, y0, x1, y1, full in limits:
        cost += (x1 - x0) * (y1 - y0) * ((prices.full if full else prices.partial) / TICKS_PER_M**2)
        saw += (y1 - y0) * ((x0 != low_x) + (x1 != high_x)) + (x1 - x0) * ((y0 != low_y) + (y1 != high_y))
    saw -= 2 * sum(shared(a, b) for a, b in itertools.combinations(limits, 2))
    return cost + prices.saw * saw / TICKS_PER_M


def shared(a: tuple[int, ...], b: tuple[int, ...]) -> int:
    """Length of the side that two limits have in common, 0.1 mm."""
    x = min(a[2], b[2]) - max(a[0], b[0])
    y = min(a[3], b[3]) - max(a[1], b[1])
    return max(y, 0) if x == 0 else max(x, 0) if y == 0 else 0

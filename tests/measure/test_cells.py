"""Cells a limit needs, against a plain count of each column, and runs of bits against their written form."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
import shapely

from decknet.measure.boxes import TICKS_PER_M, Grid, around
from decknet.measure.cells import closed, lay_out, many, opened, runs, shifts
from decknet.measure.pieces import needed_boxes
from decknet.settings import LimitSettings


def written(mask: int) -> str:
    return f"{mask:b}"[::-1]


@pytest.mark.parametrize("reach", range(1, 12))
def test_shifts_spread_a_bit_over_the_reach_and_no_farther(reach):
    mask = 1
    for by in shifts(reach):
        mask |= mask << by
    assert mask == (1 << reach) - 1
    assert len(shifts(reach)) == math.ceil(math.log2(reach))


@pytest.mark.parametrize("seed", range(30))
def test_gaps_runs_and_their_lengths_read_off_the_written_bits(seed):
    rng = np.random.default_rng(seed)
    text = "".join("01"[int(b)] * int(rng.integers(1, 7)) for b in rng.integers(0, 2, int(rng.integers(1, 40))))
    mask, reach = int(text[::-1], 2), int(rng.integers(1, 7))
    found = [m.span() for m in re.finditer("1+", text)]
    assert runs(mask) == found
    assert many(mask) == (len(found) > 1)
    filled = re.sub("(?<=1)0+(?=1)", lambda m: "1" * len(m[0]) if len(m[0]) < reach else m[0], text)
    assert closed(mask, shifts(reach)) == int(filled[::-1], 2)
    long = re.sub("1+", lambda m: m[0] if len(m[0]) >= reach else "0" * len(m[0]), text)
    assert opened(mask, shifts(reach)) == int(long[::-1], 2)


def plain_columns(shapes, full, box, bounds, grid, axis):
    """Bits needed, and at full depth, of each column: the areas within the margin of it, cut out one by one."""
    across, step, margin = 1 - axis, grid.step, grid.margin
    corner = [v // step * step for v in box[:2]]
    size = [math.ceil((box[n + 2] - corner[n]) / step) for n in (0, 1)]
    needed, deep = [0] * size[axis], [0] * size[axis]
    for shape, is_full in zip(shapes, full, strict=True):
        for column in range(size[axis]):
            low, high = (corner[axis] + column * step - margin), (corner[axis] + (column + 1) * step + margin)
            far = 10**7
            strip = (low, -far, high, far) if axis == 0 else (-far, low, far, high)
            part = shapely.intersection(shape, shapely.box(*(v / TICKS_PER_M for v in strip)))
            if part.area == 0:
                continue
            first, last = part.bounds[across] * TICKS_PER_M - margin, part.bounds[across + 2] * TICKS_PER_M + margin
            begin = 0 if first - bounds[across] < grid.strip else math.floor((first - corner[across]) / step)
            end = math.ceil((last - corner[across]) / step)
            if bounds[across + 2] - last < grid.strip:
                end = size[across]
            bits = ((1 << min(end, size[across])) - 1) & ~((1 << max(begin, 0)) - 1)
            needed[column] |= bits
            deep[column] |= bits if is_full else 0
    return needed, deep


def union(columns):
    out = 0
    for mask in columns:
        out |= mask
    return out


def random_limits(seed):
    """Some limits, each round some invented areas of a panel, and the grid they keep to."""
    rng = np.random.default_rng(seed)
    settings = LimitSettings(
        margin_mm=float(rng.choice([0, 25, 60, 130])), step_mm=float(rng.choice([20, 50, 70])),
        side_mm=float(rng.choice([100, 300])), edge_mm=float(rng.choice([0, 100, 250])),
    )  # fmt: skip
    grid = Grid(*(round(10 * v) for v in (settings.margin_mm, 300.0, settings.side_mm, settings.step_mm)),
                strip=round(10 * settings.edge_mm))  # fmt: skip
    shapes, full, group, box, bounds = [], [], [], [], []
    for g in range(int(rng.integers(1, 5))):
        size = rng.uniform(0.3, 4.0, 2)
        low = rng.uniform(-5, 5, 2)
        panel = np.round(np.concatenate([low, low + size]) * TICKS_PER_M).astype(np.int64)
        inside = shapely.box(*(panel / TICKS_PER_M))
        mine = []
        for _ in range(int(rng.integers(1, 4))):
            ring = low + size * rng.uniform(-0.1, 1.1, (int(rng.integers(3, 7)), 2))
            part = shapely.convex_hull(shapely.MultiPoint(ring)).intersection(inside)
            if part.area > 0:
                mine.append(part)
        if not mine:
            mine = [inside]
        extent = np.array([p.bounds for p in mine]) * TICKS_PER_M
        raw = np.concatenate([np.floor(extent[:, :2] + 0.005), np.ceil(extent[:, 2:] - 0.005)], axis=1).astype(np.int64)
        need = needed_boxes(raw, np.repeat(panel[None], len(mine), axis=0), settings)
        box.append(around(need, np.zeros(len(mine), dtype=np.int64), 1)[0])
        bounds.append(panel)
        shapes += mine
        full += (rng.random(len(mine)) < 0.4).tolist()
        group += [g] * len(mine)
    held = np.empty(len(shapes), dtype=object)
    held[:] = shapes
    return held, np.array(full, dtype=bool), np.array(group), np.array(box), np.array(bounds), grid


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("seed", range(25))
def test_cells_are_those_within_the_margin_of_the_areas(seed, axis):
    shapes, full, group, box, bounds, grid = random_limits(seed)
    got = list(lay_out(shapes, full, group, box, bounds, grid, axis))
    assert len(got) == len(box)
    reach = math.ceil(grid.side / grid.step)
    for g, columns in enumerate(got):
        mine = group == g
        needed, deep = plain_columns(shapes[mine], full[mine], box[g].tolist(), bounds[g].tolist(), grid, axis)
        assert [written(m) for m in columns.needed] == [written(m) for m in needed]
        assert [written(m) for m in columns.deep] == [written(m) for m in deep]
        count = len(needed)
        for at in range(count):
            # A slab of the least side with this column in it stands somewhere: the one that takes least.
            starts = range(max(at - reach + 1, 0), min(at, count - reach) + 1)
            slabs = [union(needed[s : s + reach]).bit_count() for s in starts]
            assert columns.least[at] == (min(slabs) if count >= reach else needed[at].bit_count())
            before, after = union(needed[max(at - reach, 0) : at]), union(needed[at : at + reach])
            last, last_deep = (needed[at - 1], deep[at - 1]) if at else (0, 0)
            want = (before ^ after).bit_count() + (last ^ needed[at]).bit_count()
            assert columns.change[at] == want + 2 * (last_deep ^ deep[at]).bit_count()


def test_a_limit_too_wide_for_one_machine_word_is_laid_out_all_the_same():
    grid = Grid(margin=0, gap=3000, side=1000, step=100, strip=0)
    box = np.array([[0, 0, 2000, 13_000]])  # 130 cells of 10 mm
    low, high = shapely.box(0.0005, 0.0005, 0.0995, 0.0095), shapely.box(0.1005, 1.2005, 0.1995, 1.2995)
    (columns,) = lay_out(np.array([low, high]), np.array([False, True]), np.zeros(2, dtype=int), box, box, grid, 0)
    assert columns.needed == [1] * 10 + [((1 << 10) - 1) << 120] * 10
    assert columns.deep == [0] * 10 + [((1 << 10) - 1) << 120] * 10


@pytest.mark.basis("derived", "by hand: in a panel narrower than a least side each column takes its own cells")
def test_a_limit_narrower_than_a_least_side_takes_each_column_by_itself():
    grid = Grid(margin=0, gap=3000, side=3000, step=1000, strip=0)
    box = np.array([[0, 0, 2000, 5000]])
    shapes = np.array([shapely.box(0.001, 0.001, 0.099, 0.299), shapely.box(0.101, 0.001, 0.199, 0.099)])
    (columns,) = lay_out(shapes, np.zeros(2, dtype=bool), np.zeros(2, dtype=int), box, box, grid, 0)
    assert columns.needed == [0b111, 0b1]
    assert columns.least == [3, 1]

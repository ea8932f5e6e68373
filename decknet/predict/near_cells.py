"""A deck in cells of 1/16 m: which of them shapes cover, and how far each lies from damage and from the joints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

__all__ = [
    "CELL_M", "NEAR_M", "DeckCells", "Grid", "covered_cells", "damage_distance_m", "grid_of", "in_cells",
    "joint_distance_m", "joint_lines", "joint_stations", "rings",
]  # fmt: skip

CELL_M = 0.0625
MOST_CELLS = 4_000_000  # on one deck; a larger one has cells twice as long, or four times
NEAR_M = (0.25, 0.5, 1.0, 2.0)  # outer bounds of the rings; the last ring is all that lies beyond
# The first cell begins so far outside the deck, along and across: no middle lies on a corner in whole millimetres, nor
# on a side between two such at a simple slope, where a last bit would put it in or out.
_OFF_M = (0.0037123, 0.0021719)

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells over a deck: row by offset, column by station.

    Attributes
    ----------
    first_m, low_m : float, m
        Station and offset of the corner of the first cell.
    shape : (int, int)
        Cells across and along.
    cell_m : float, m
        Side of a cell.
    """

    first_m: float
    low_m: float
    shape: tuple[int, int]
    cell_m: float

    @property
    def stations_m(self) -> Floats:
        """Stations of the middles, m."""
        return np.asarray(self.first_m + (np.arange(self.shape[1]) + 0.5) * self.cell_m, dtype=np.float64)

    @property
    def offsets_m(self) -> Floats:
        """Offsets of the middles, m."""
        return np.asarray(self.low_m + (np.arange(self.shape[0]) + 0.5) * self.cell_m, dtype=np.float64)


def grid_of(edge: Any, *, most: int = MOST_CELLS) -> Grid:
    """Cells over all of a deck's edge (polygon in station and offset, m), no more than so many."""
    low_s, low_o, high_s, high_o = (float(v) for v in shapely.bounds(edge))
    cell = CELL_M
    while (high_s - low_s) * (high_o - low_o) > most * cell**2:
        cell *= 2
    counts = (int(np.ceil(side / cell)) + 1 for side in (high_o - low_o, high_s - low_s))
    return Grid(low_s - _OFF_M[0], low_o - _OFF_M[1], (next(counts), next(counts)), cell)


def covered_cells(shapes: NDArray[np.object_], grid: Grid) -> Flags:
    """Cells whose middle lies in any of some polygons.

    Parameters
    ----------
    shapes : array of Polygon, MultiPolygon or None, shape (k,), m
    grid : Grid

    Returns
    -------
    array of bool, shape ``grid.shape``

    References
    ----------
    derived: on the line through the middles of a row, a polygon lies between its first and second crossing, its third
    and fourth, and so on.
    """
    rows, columns = grid.shape
    parts = shapely.get_parts(shapes[~shapely.is_missing(shapes)])
    parts = parts[shapely.get_type_id(parts) == 3]
    ring, of = shapely.get_rings(parts, return_index=True)
    point, at = shapely.get_coordinates(ring, return_index=True)
    side = np.flatnonzero(at[1:] == at[:-1]) if len(at) else np.zeros(0, dtype=np.int64)
    if not len(side):
        return np.zeros(grid.shape, dtype=bool)
    (s0, o0), (s1, o1) = point[side].T, point[side + 1].T
    low, high = np.minimum(o0, o1), np.maximum(o0, o1)
    begin = np.clip(np.ceil((low - grid.low_m) / grid.cell_m - 0.5), 0, rows).astype(np.int64)
    end = np.clip(np.ceil((high - grid.low_m) / grid.cell_m - 0.5), 0, rows).astype(np.int64)
    count = end - begin
    one = np.repeat(np.arange(len(side)), count)
    row = np.arange(len(one)) + np.repeat(begin - (np.cumsum(count) - count), count)
    offset = grid.low_m + (row + 0.5) * grid.cell_m
    cross = s0[one] + (s1 - s0)[one] * (offset - o0[one]) / (o1 - o0)[one]
    column = np.clip(np.ceil((cross - grid.first_m) / grid.cell_m - 0.5), 0, columns).astype(np.int64)
    order = np.lexsort((cross, row, of[at[side]][one]))
    step = np.where(np.arange(len(order)) % 2 == 0, 1, -1)
    change = np.bincount(
        (row * (columns + 1) + column)[order], weights=step, minlength=rows * (columns + 1)
    )  # what begins and what ends before each cell; whole numbers, so exact
    deep = np.cumsum(change.reshape(rows, columns + 1), axis=1)[:, :columns]
    return np.asarray(deep > 0.5, dtype=bool)


def damage_distance_m(hit: Flags, cell_m: float) -> Floats:
    """Distance of each cell's middle from the edge of the nearest cells hit, m; inf where none is; 0 or less inside.

    References
    ----------
    derived: the distance between middles, less a quarter of a cell: an edge along the rows lies half a cell before the
    middles of the cells that it takes in, one at an angle passes close by some of them.
    """
    if not hit.any():
        return np.full(hit.shape, np.inf)
    away: Floats = distance_transform_edt(~hit) * cell_m - cell_m / 4
    return away


def joint_stations(text: object) -> list[float]:
    """Stations of joints as written, m; words among them are passed over.

    Examples
    --------
    >>> joint_stations("12.5; 30 (new)"), joint_stations(None)
    ([12.5, 30.0], [])
    """
    found = []
    for part in (text if isinstance(text, str) else "").replace(";", " ").replace(",", " ").split():
        try:
            found.append(float(part))
        except ValueError:
            continue
    return sorted(j for j in found if np.isfinite(j))


def joint_lines(edge: Any, joints_m: list[float]) -> Floats:
    """The joints of a deck and its two ends.

    Parameters
    ----------
    edge : Polygon in station and offset, m
    joints_m : list of float, m
        Stations of the joints on the centreline.

    Returns
    -------
    array, shape (n, 2)
        Station at the centreline (m) and metres up-station for a metre of offset: joints run as the ends do, turning
        evenly from the one to the other.
    """
    low_s, low_o, high_s, high_o = (float(v) for v in shapely.bounds(edge))
    quarter = (high_o - low_o) / 4
    across = np.array([low_o + quarter, high_o - quarter])
    lines = shapely.linestrings([[(low_s - 1, o), (high_s + 1, o)] for o in across])
    met = shapely.bounds(shapely.intersection(lines, edge))[:, [0, 2]]
    slope = (met[1] - met[0]) / (across[1] - across[0])
    slope = np.where(np.abs(slope) < 0.005, 0.0, slope)  # square but for the drawing
    first, last = met[0] - slope * across[0]
    inner = np.array([j for j in joints_m if first < j < last], dtype=np.float64)
    part = (inner - first) / max(last - first, 1e-9)
    between = slope[0] + (slope[1] - slope[0]) * part
    return np.column_stack([np.r_[first, inner, last], np.r_[slope[0], between, slope[1]]])


def joint_distance_m(grid: Grid, lines: Floats) -> Floats:
    """Distance of each cell's middle from the nearest of some lines, m; broadcasts to ``grid.shape``."""
    offsets = grid.offsets_m[:, None] if lines[:, 1].any() else np.zeros((1, 1))
    nearest = np.full((len(offsets), grid.shape[1]), np.inf)
    for station, slope in lines:
        away = np.abs(grid.stations_m[None, :] - station - slope * offsets) / np.hypot(1.0, slope)
        nearest = np.minimum(nearest, away)
    return nearest


def rings(distance_m: Floats) -> Ints:
    """Ring of each distance: 0 up to ``NEAR_M[0]``, and so on; the last beyond all."""
    return np.searchsorted(np.array(NEAR_M), distance_m, side="left").astype(np.int64)


@dataclass(frozen=True, slots=True)
class DeckCells:
    """One deck in cells.

    Attributes
    ----------
    grid : Grid
    edge : array of bool
        Cells that lie on the deck.
    lines : array, shape (n, 2)
        As ``joint_lines`` gives.
    joint : array of int
        Ring of each cell round the joints and the deck's ends.
    """

    grid: Grid
    edge: Flags
    lines: Floats
    joint: Ints


def in_cells(edge: Any, joints: object) -> DeckCells:
    """A deck in cells.

    Parameters
    ----------
    edge : Polygon in station and offset, m
    joints : text or missing
        Stations of its joints, as on record.
    """
    grid = grid_of(edge)
    on = covered_cells(np.array([edge], dtype=object), grid)
    lines = joint_lines(edge, joint_stations(joints))
    return DeckCells(grid, on, lines, np.broadcast_to(rings(joint_distance_m(grid, lines)), grid.shape))

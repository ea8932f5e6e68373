"""What lies where on the network map: decks, the base map, and each deck's plan in station and offset, packed small."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import Geod

from decknet.show.map_pack import Block, texts_of, values_of

__all__ = [
    "BASE_STEP_DEG",
    "PLAN_STEP_M",
    "Frame",
    "pack_base",
    "pack_lines",
    "pack_shapes",
    "positions",
    "stand_inside",
]

BASE_DIGITS = 5  # of a degree: about 1 m
BASE_STEP_DEG = 10.0**-BASE_DIGITS
DECK_DIGITS = 7  # of a degree: about 1 cm
PLAN_STEP_M = 0.05
SIMPLE_M = 0.03  # corners of a defect nearer than this to a straight side are left out
_ELLIPSOID = Geod(ellps="WGS84")

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]
Shapes = npt.NDArray[np.object_]


class Frame:
    """The middle of the district, from which longitudes and latitudes are counted.

    Attributes
    ----------
    lon, lat : float, degrees
    """

    def __init__(self, xy: Floats, base: gpd.GeoDataFrame) -> None:
        known = xy[np.isfinite(xy).all(axis=1)]
        self.none = not len(known)
        if self.none:
            shapes = _shapes(base)
            known = shapely.get_coordinates(shapes[_there(shapes)]) if len(shapes) else np.zeros((0, 2))
        if not len(known):
            known = np.zeros((1, 2))
        turned = known.copy()  # across the 180th meridian, where that makes the extent shorter
        turned[:, 0] = np.where(known[:, 0] < 0, known[:, 0] + 360, known[:, 0])
        if np.ptp(turned[:, 0]) < np.ptp(known[:, 0]):
            known = turned
        low, high = known.min(axis=0), known.max(axis=0)
        self.lon, self.lat = (float(v) for v in np.round((low + high) / 2, 4))
        self._corners = low, high

    def near(self, lon: Floats) -> Floats:
        """Longitudes brought within half a turn of the middle."""
        turned: Floats = lon + 360 * np.round((self.lon - lon) / 360)
        return turned

    def bounds(self) -> list[list[float]]:
        """South-west and north-east corner, latitude first: of the decks, else of the base map."""
        low, high = self._corners
        return [[float(low[1]), float(low[0])], [float(high[1]), float(high[0])]]


def _shapes(frame: gpd.GeoDataFrame) -> Shapes:
    """Geometries in longitude and latitude; None where there is none."""
    if not len(frame):
        return np.array([], dtype=object)
    series = frame.geometry
    if series.crs is not None and series.crs.to_epsg() != 4326:
        series = series.to_crs(4326)
    return np.array(series, dtype=object)


def _there(shapes: Shapes) -> npt.NDArray[np.bool_]:
    return np.asarray(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)), dtype=bool)


def positions(status: gpd.GeoDataFrame) -> Floats:
    """Longitude and latitude a deck, shape (n, 2), NaN where not known."""
    shapes = _shapes(status)
    here = _there(shapes)
    xy = np.full((len(shapes), 2), np.nan)
    points = shapely.centroid(shapes[here])
    xy[here] = np.column_stack([shapely.get_x(points), shapely.get_y(points)])
    xy[~((np.abs(xy[:, 0]) <= 360) & (np.abs(xy[:, 1]) <= 90))] = np.nan
    return xy


# ---- the base map -------------------------------------------------------------------------------


def _leaves(shape: Any) -> Iterable[Any]:
    for part in shapely.get_parts(shape):
        if part.geom_type.startswith(("Multi", "GeometryCollection")):
            yield from _leaves(part)
        else:
            yield part


def _parts(shape: Any) -> dict[int, list[Floats]]:
    """Coordinates of the areas (0), lines (1) and points (2) of a shape, a ring or a line each."""
    found: dict[int, list[Floats]] = {0: [], 1: [], 2: []}
    for leaf in _leaves(shape):
        if leaf.geom_type == "Polygon":
            found[0] += [shapely.get_coordinates(r)[:-1] for r in (leaf.exterior, *leaf.interiors) if not r.is_empty]
        elif len(points := shapely.get_coordinates(leaf)):
            found[1 if len(points) > 1 else 2].append(points)
    return found


def pack_base(block: Block, base: gpd.GeoDataFrame, frame: Frame) -> None:
    """Shoreline, rivers, routes, towns and boundaries."""
    shapes = _shapes(base)
    here = np.flatnonzero(_there(shapes))
    names, kinds = texts_of(base, "name"), texts_of(base, "kind")
    rows: list[tuple[int, int, list[Floats]]] = []
    for row in here:
        shape = shapely.force_2d(shapely.simplify(shapes[row], 2e-5))
        rows += [(int(row), sort, parts) for sort, parts in _parts(shape).items() if parts]
    points = [p for _, _, parts in rows for p in parts]
    block.texts("base.kind", [kinds[row] for row, _, _ in rows])
    block.texts("base.name", [names[row] for row, _, _ in rows])
    block.numbers("base.sort", [sort for _, sort, _ in rows])
    block.numbers("base.parts", [len(parts) for _, _, parts in rows])
    block.numbers("base.points", [len(p) for p in points])
    every = np.vstack(points) if points else np.zeros((0, 2))
    steps = np.rint(np.column_stack([frame.near(every[:, 0]) - frame.lon, every[:, 1] - frame.lat]) / BASE_STEP_DEG)
    for k, axis in enumerate("xy"):
        block.numbers(f"base.{axis}", np.diff(steps[:, k], prepend=0))


def stand_inside(base: gpd.GeoDataFrame, xy: Floats, frame: Frame) -> bool:
    """Whether the areas drawn as shoreline are land: most decks lie inside, or there is no deck to ask."""
    shapes = _shapes(base)
    xy = xy[np.isfinite(xy).all(axis=1)]
    if not len(shapes) or "kind" not in base.columns or not len(xy):
        return True
    chosen = shapes[(base["kind"] == "shoreline").to_numpy() & _there(shapes)]
    areas = [s for s in shapely.force_2d(chosen) if "Polygon" in s.geom_type]
    if not areas:
        return True
    turned = [shapely.transform(a, lambda p: np.column_stack([frame.near(p[:, 0]), p[:, 1]])) for a in areas]
    land = shapely.union_all([shapely.make_valid(a) for a in turned])
    return bool(np.mean(shapely.contains_xy(land, frame.near(xy[:, 0]), xy[:, 1])) >= 0.5)


# ---- decks --------------------------------------------------------------------------------------


def pack_lines(block: Block, decks: pd.DataFrame, place_of: pd.Index, frame: Frame) -> None:
    """The line of each deck on the ground, in metres east and north of an origin of its own.

    Parameters
    ----------
    block : Block
    decks : DataFrame
        deck_id; centreline (line in longitude and latitude from the first joint on, or None), longitude_deg,
        latitude_deg (of the middle), bearing_deg (degrees from north, 90 taken where missing), length_m.
    place_of : Index
        Deck numbers in the order of the page.
    frame : Frame
    """
    n = len(place_of)
    at = place_of.get_indexer(pd.Index(decks["deck_id"].astype("str"))) if len(decks) else np.zeros(0, dtype=np.int64)
    rows = np.flatnonzero(at >= 0)
    lon, lat, bearing, length = (
        values_of(decks, c)[rows] for c in ("longitude_deg", "latitude_deg", "bearing_deg", "length_m")
    )
    held = decks["centreline"] if "centreline" in decks else pd.Series([None] * len(decks), dtype="object")
    lines: npt.NDArray[np.object_] = held.to_numpy(dtype=object)[rows].copy()
    drawn = shapely.get_type_id(lines) == shapely.GeometryType.LINESTRING
    lines[~drawn] = None
    coords, owner = shapely.get_coordinates(lines, return_index=True)
    first = np.flatnonzero(np.diff(owner, prepend=-1)) if len(owner) else np.zeros(0, dtype=np.int64)
    lon[owner[first]], lat[owner[first]] = coords[first, 0], coords[first, 1]
    azimuth, _, distance = _ELLIPSOID.inv(lon[owner], lat[owner], coords[:, 0], coords[:, 1])
    angle = np.radians(np.asarray(azimuth, dtype=np.float64))
    xy = np.column_stack([np.sin(angle), np.cos(angle)]) * np.asarray(distance, dtype=np.float64)[:, None]
    point = np.flatnonzero(~drawn & np.isfinite(lon) & np.isfinite(lat) & (length > 0))
    course = np.radians(np.where(np.isfinite(bearing), bearing, 90.0)[point])
    reach = np.column_stack([np.sin(course), np.cos(course)]) * (length[point] / 2)[:, None]
    owner = np.concatenate([owner, np.repeat(point, 2)])
    xy = np.concatenate([xy, np.stack([-reach, reach], axis=1).reshape(-1, 2)])
    order = np.argsort(at[rows][owner], kind="stable")
    owner, xy = owner[order], xy[order]
    count, origin = np.zeros(n), np.full((n, 2), np.nan)
    count[at[rows]] = np.bincount(owner, minlength=len(rows))
    origin[at[rows]] = np.column_stack([frame.near(lon) - frame.lon, lat - frame.lat])
    way = np.zeros(n)
    way[at[rows]] = np.where(drawn, 1, np.where(np.isfinite(bearing), 2, 3))
    origin[count == 0] = np.nan
    block.numbers("lay.count", count)
    block.numbers("lay.way", np.where(count > 0, way, 0))
    for k, axis in enumerate("xy"):
        block.numbers(f"lay.o{axis}", origin[:, k], DECK_DIGITS)
        block.numbers(f"lay.{axis}", xy[:, k], 2)


def pack_shapes(block: Block, name: str, row: Rows, shapes: Shapes, *, simplify: float = 0.0) -> Rows:
    """Polygons in station and offset, m, by deck.

    Parameters
    ----------
    block : Block
    name : str
        Beginning of the names of the columns.
    row : array of int, shape (k,)
        Deck of each shape in the order of the page; below 0 it is left out.
    shapes : array of Polygon, MultiPolygon or None, shape (k,), m
    simplify : float, m

    Returns
    -------
    array of int
        Which of the shapes were packed, in their order; those without an area are not.
    """
    order = np.argsort(row, kind="stable")
    order = order[row[order] >= 0]
    chosen = shapely.force_2d(shapes[order]) if len(order) else np.array([], dtype=object)
    if simplify > 0 and len(chosen):
        chosen = shapely.simplify(chosen, simplify)
    polygon, of_shape = _polygons(chosen)
    rings, of_polygon = shapely.get_rings(polygon, return_index=True)
    of_ring = of_shape[of_polygon]
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    whole = np.rint(xy / PLAN_STEP_M)
    keep = np.r_[ring[1:] == ring[:-1], False] if len(ring) else np.zeros(0, dtype=bool)  # not the last, which closes
    keep[1:] &= (ring[1:] != ring[:-1]) | (whole[1:] != whole[:-1]).any(axis=1)
    count = np.bincount(ring[keep], minlength=len(rings))
    keep &= count[ring] > 2
    whole, of_point = whole[keep], of_ring[ring[keep]]
    first = np.diff(of_point, prepend=-1) != 0
    kept: npt.NDArray[np.signedinteger] = order[of_point[first]]
    block.numbers(f"{name}.deck", np.diff(row[kept], prepend=0))
    block.numbers(f"{name}.rings", np.bincount(of_ring[count > 2], minlength=len(chosen))[of_point[first]])
    block.numbers(f"{name}.points", count[count > 2])
    step = np.diff(whole, axis=0, prepend=0)
    for k, axis in enumerate("xy"):
        block.numbers(f"{name}.a{axis}", whole[first, k])
        block.numbers(f"{name}.{axis}", step[~first, k])
    return kept


def _polygons(shapes: Shapes) -> tuple[Shapes, Rows]:
    """Polygons of shapes of any kind, and which shape each is of."""
    parts, of = shapely.get_parts(shapes, return_index=True)
    while (shapely.get_type_id(parts) > shapely.GeometryType.POLYGON).any():  # collections within collections
        parts, inner = shapely.get_parts(parts, return_index=True)
        of = of[inner]
    area = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & ~shapely.is_empty(parts)
    return parts[area], of[area]

"""Station and offset to the ground.

Each deck has a frame of its own: metres east and north of one reference point, by distance and
azimuth on the ellipsoid (the azimuthal equidistant projection about that point). No map grid is
involved, so a deck may lie in any zone or astride the antimeridian.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Geod

__all__ = ["Placing", "deck_outlines", "place_decks", "with_positions"]

_ELLIPSOID = Geod(ellps="WGS84")
_OUTLINE_STEP_M = 5.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Placing:
    """Where decks lie, and the way from station and offset to the ground.

    Attributes
    ----------
    deck_id : Index, shape (n,)
        The decks asked for, in the order given.
    placed_by : Series of str, shape (n,), on deck_id
        ``centreline``, ``bearing``, ``point`` (direction not known: drawn with stations running
        east) or missing where there is no position at all.
    longitude_deg, latitude_deg : array, shape (n,), degrees
        Middle of each deck; NaN where there is no position.
    """

    deck_id: pd.Index
    placed_by: pd.Series
    longitude_deg: Floats
    latitude_deg: Floats
    _origin: Floats  # (n, 2) longitude, latitude of the frame
    _first: NDArray[np.int64]  # (n,) first vertex of each deck's line
    _count: NDArray[np.int64]  # (n,) vertices of each deck's line, 0 where there is none
    _xy: Floats  # (m, 2) vertices in metres east and north
    _station: Floats  # (m,) station of each vertex
    _normal: Floats  # (m, 2) step right of the line for one metre of offset

    def to_ground(self, deck_id: pd.Series, station_m: Floats, offset_m: Floats) -> tuple[Floats, Floats]:
        """Longitude and latitude of points on decks.

        Parameters
        ----------
        deck_id : Series, shape (k,)
            The deck of each point.
        station_m, offset_m : array, shape (k,), m
            Station from the first joint; offset from the centreline, positive right looking up-station.

        Returns
        -------
        longitude_deg, latitude_deg : array, shape (k,), degrees
            NaN where the deck has no position or is not known.

        References
        ----------
        derived: offset lines of a polyline meet on the bisector of each bend.
        """
        station = np.asarray(station_m, dtype=np.float64)
        offset = np.asarray(offset_m, dtype=np.float64)
        at = self.deck_id.get_indexer(pd.Index(deck_id))
        lon = np.full(len(station), np.nan)
        lat = np.full(len(station), np.nan)
        ok = (at >= 0) & np.isfinite(station) & np.isfinite(offset)
        ok[ok] &= self._count[at[ok]] >= 2
        if not ok.any():
            return lon, lat
        deck, s, o = at[ok], station[ok], offset[ok]
        # The segment of each point: stations of all decks laid end to end, far apart.
        stride = float(np.abs(self._station).max() + np.abs(s).max()) * 2.0 + 1.0
        owner = np.repeat(np.arange(len(self._count)), self._count)
        low = np.searchsorted(self._station + owner * stride, s + deck * stride, side="right") - 1
        low = np.clip(low, self._first[deck], self._first[deck] + self._count[deck] - 2)
        along = (s - self._station[low]) / (self._station[low + 1] - self._station[low])
        within = np.clip(along, 0.0, 1.0)[:, None]  # the normal is not carried past the ends
        normal = self._normal[low] * (1.0 - within) + self._normal[low + 1] * within
        xy = self._xy[low] + (self._xy[low + 1] - self._xy[low]) * along[:, None] + normal * o[:, None]
        azimuth = np.degrees(np.arctan2(xy[:, 0], xy[:, 1]))
        origin = self._origin[deck]
        lon[ok], lat[ok], _ = _ELLIPSOID.fwd(origin[:, 0], origin[:, 1], azimuth, np.hypot(xy[:, 0], xy[:, 1]))
        return lon, lat

    def shapes_to_ground(self, deck_id: pd.Series, shapes: NDArray[np.object_]) -> NDArray[np.object_]:
        """Shapes drawn in station and offset, as longitude and latitude.

        Parameters
        ----------
        deck_id : Series, shape (k,)
        shapes : array of geometry or None, shape (k,), m

        Returns
        -------
        array of geometry or None, shape (k,), degrees
            None where the shape is missing or its deck has no position.
        """
        shapes = shapely.force_2d(np.asarray(shapes, dtype=object))
        coords, index = shapely.get_coordinates(shapes, return_index=True)
        lon, lat = self.to_ground(pd.Series(np.asarray(deck_id)[index]), coords[:, 0], coords[:, 1])
        lost = np.zeros(len(shapes), dtype=bool)
        lost[index[np.isnan(lon)]] = True
        lon[lost[index]] = np.nan
        # A shape that crosses the antimeridian runs past 180 rather than round the world.
        start = np.full(len(shapes), np.nan)
        start[index[::-1]] = lon[::-1]
        turn = lon - start[index]
        lon = np.where(turn > 180, lon - 360, np.where(turn < -180, lon + 360, lon))
        out: NDArray[np.object_] = shapely.set_coordinates(
            shapes.copy(), np.column_stack([np.nan_to_num(lon), np.nan_to_num(lat)])
        )
        out[lost] = None
        return out


def _frame_lines(
    decks: pd.DataFrame,
) -> tuple[pd.Series, Floats, NDArray[np.int64], NDArray[np.int64], Floats]:
    """How each deck is placed, its frame's origin, and its centreline in metres in that frame."""
    n = len(decks)
    lon = decks["longitude_deg"].to_numpy(dtype=np.float64, na_value=np.nan)
    lat = decks["latitude_deg"].to_numpy(dtype=np.float64, na_value=np.nan)
    bearing = decks["bearing_deg"].to_numpy(dtype=np.float64, na_value=np.nan)
    length = decks["length_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    half = np.where(np.isfinite(length), length, 1.0) / 2.0
    lines = decks["centreline"].to_numpy(dtype=object)
    is_line = shapely.get_type_id(lines) == shapely.GeometryType.LINESTRING
    is_line &= np.where(is_line, shapely.get_num_coordinates(np.where(is_line, lines, None)), 0) >= 2
    is_point = ~is_line & np.isfinite(lon) & np.isfinite(lat)
    turned = is_point & np.isfinite(bearing)
    placed = np.full(n, None, dtype=object)
    placed[is_line], placed[is_point], placed[turned] = "centreline", "point", "bearing"

    coords, owner = shapely.get_coordinates(np.where(is_line, lines, None), return_index=True)
    origin = np.column_stack([lon, lat])
    starts = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]]) if len(owner) else np.empty(0, dtype=np.int64)
    origin[owner[starts]] = coords[starts]
    azimuth, _, distance = _ELLIPSOID.inv(origin[owner, 0], origin[owner, 1], coords[:, 0], coords[:, 1])
    angle = np.radians(np.asarray(azimuth, dtype=np.float64))
    line_xy = np.column_stack([np.sin(angle), np.cos(angle)]) * np.asarray(distance, dtype=np.float64)[:, None]
    line_xy[starts] = 0.0

    points = np.flatnonzero(is_point)
    course = np.radians(np.where(turned, bearing, 90.0)[points])
    step = np.column_stack([np.sin(course), np.cos(course)]) * half[points][:, None]
    point_xy = np.stack([-step, step], axis=1).reshape(-1, 2)

    all_owner = np.concatenate([owner, np.repeat(points, 2)])
    order = np.argsort(all_owner, kind="stable")
    xy = np.concatenate([line_xy, point_xy])[order]
    all_owner = all_owner[order]
    keep = np.ones(len(xy), dtype=bool)  # repeated vertices have no direction
    keep[1:] = (all_owner[1:] != all_owner[:-1]) | (np.hypot(*(xy[1:] - xy[:-1]).T) > 1e-6)
    xy, all_owner = xy[keep], all_owner[keep]
    count = np.bincount(all_owner, minlength=n).astype(np.int64)
    placed[(count < 2)] = None
    by = pd.Series(placed, index=pd.Index(decks["deck_id"]), dtype="str", name="placed_by")
    return by, origin, count, all_owner, xy


def place_decks(decks: pd.DataFrame) -> Placing:
    """Lay decks on the ground from a centreline, else a point with bearing, else a point.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id, length_m (m), longitude_deg, latitude_deg (degrees, the middle of the deck),
        bearing_deg (degrees from north, direction of increasing station), centreline (line in
        longitude and latitude from the first joint on, or None).

    Returns
    -------
    Placing

    References
    ----------
    derived: distance and azimuth on the WGS 84 ellipsoid (pyproj).
    """
    placed_by, origin, count, owner, xy = _frame_lines(decks)
    first = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64) if len(count) else count
    step = np.diff(xy, axis=0, append=xy[-1:] if len(xy) else xy)
    same = np.r_[owner[1:] == owner[:-1], False] if len(owner) else np.empty(0, dtype=bool)
    size = np.where(same, np.hypot(step[:, 0], step[:, 1]), 0.0)
    total = np.concatenate([[0.0], np.cumsum(size)[:-1]]) if len(size) else size
    station = total - total[first[owner]] if len(owner) else total
    unit = np.where(same[:, None], step / np.where(size > 0, size, 1.0)[:, None], np.nan)
    right = np.column_stack([unit[:, 1], -unit[:, 0]])  # of the segment that starts here
    before = np.roll(right, 1, axis=0)
    is_first = np.zeros(len(owner), dtype=bool)
    is_first[first[count > 0]] = True
    before[is_first] = right[is_first]
    right = np.where(same[:, None], right, before)
    middle = before + right
    square = (middle * middle).sum(axis=1)
    # Offset lines meet on the bisector; a bend sharper than 120 degrees is not followed farther.
    normal = 2.0 * middle / np.maximum(square, 1.0)[:, None]
    half = decks["length_m"].to_numpy(dtype=np.float64, na_value=np.nan) / 2.0
    line_half = np.bincount(owner, weights=size, minlength=len(count)) / 2.0
    half = np.where(np.isfinite(half), half, line_half)
    placing = Placing(placed_by.index, placed_by, np.empty(0), np.empty(0), origin, first, count, xy, station, normal)
    lon, lat = placing.to_ground(pd.Series(placed_by.index), half, np.zeros(len(half)))
    return Placing(placed_by.index, placed_by, lon, lat, origin, first, count, xy, station, normal)


def deck_outlines(decks: pd.DataFrame) -> NDArray[np.object_]:
    """Each deck's edge in station and offset: as drawn, else the rectangle of length and width.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        length_m, width_m (m), outline (polygon in station and offset, or None).

    Returns
    -------
    array of Polygon or None, shape (n,), m
        None where there is no outline and a length or width is missing. Sides are split every
        5 m so that they follow a curved centreline.
    """
    length = decks["length_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    half = decks["width_m"].to_numpy(dtype=np.float64, na_value=np.nan) / 2.0
    drawn = decks["outline"].to_numpy(dtype=object)
    known = np.isfinite(length) & np.isfinite(half)
    out = np.full(len(decks), None, dtype=object)
    out[known] = shapely.box(0.0, -half[known], length[known], half[known])
    has = shapely.area(drawn) > 0
    out[has] = drawn[has]
    result: NDArray[np.object_] = shapely.segmentize(out, _OUTLINE_STEP_M)
    return result


def with_positions(decks: pd.DataFrame, bridges: pd.DataFrame) -> pd.DataFrame:
    """Decks beside their bridges, with the bridge's position where they have none of their own."""
    out = decks.merge(bridges, on="bridge_id", how="left", suffixes=("", "_bridge"))
    for name in ("longitude_deg", "latitude_deg"):
        out[name] = out[name].fillna(out[f"{name}_bridge"])
    return out

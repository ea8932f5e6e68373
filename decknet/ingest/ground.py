"""Decks drawn on the ground, and positions that stand out from the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pyproj import Geod

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats

__all__ = ["RECTANGLE", "deck_from_outline", "odd_places"]

RECTANGLE = 0.9  # an outline that fills this share of the smallest rectangle round it has a length and a width
LEAST_PLACES = 5  # positions from which the others are judged
REACH_KM, SPREADS = 150.0, 8.0  # beyond both of these from the middle a position stands out
KM_PER_DEG = 111.2
_ELLIPSOID = Geod(ellps="WGS84")

Shapes = np.ndarray[Any, np.dtype[np.object_]]


def deck_from_outline(shape: Any) -> tuple[float, float, float, Any, float]:
    """Length, width, bearing and outline of a deck drawn as an area in longitude and latitude.

    Parameters
    ----------
    shape : Polygon or MultiPolygon, degrees

    Returns
    -------
    length_m, width_m : float, m
        Of the smallest rectangle round it, the width such that length times width is the area drawn.
    bearing_deg : float, degrees from north, 0 to below 180
        Of the long side. Which end is the first joint is not told by an outline: the southern,
        of two as far south the western.
    outline : Polygon or None
        In station and offset, m; None where it is near enough a rectangle to need none.
    filled : float, 0 to 1
        Share of the rectangle that the area fills.

    References
    ----------
    derived: distance and azimuth on the WGS 84 ellipsoid from the shape's own middle (pyproj); over the
    length of a deck areas are true to one part in a million.
    """
    first = shapely.get_coordinates(shape)[0]
    near = shapely.transform(
        shape, lambda c: np.column_stack([first[0] + (c[:, 0] - first[0] + 180) % 360 - 180, c[:, 1]])
    )
    middle = near.centroid

    def to_metres(c: Floats) -> Floats:
        azimuth, _, distance = _ELLIPSOID.inv(np.full(len(c), middle.x), np.full(len(c), middle.y), c[:, 0], c[:, 1])
        turn = np.radians(np.asarray(azimuth))
        out: Floats = np.column_stack([np.sin(turn), np.cos(turn)]) * np.asarray(distance)[:, None]
        return out

    flat = shapely.transform(near, to_metres)
    box = shapely.minimum_rotated_rectangle(flat)
    if box.geom_type != "Polygon" or not np.isfinite(flat.area) or flat.area <= 0:
        return (np.nan, np.nan, np.nan, None, 0.0)
    corners = shapely.get_coordinates(box)[:4]
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    k = int(sides[1] > sides[0])
    length = float(sides[k])
    along = (corners[(k + 1) % 4] - corners[k]) / length
    if along[1] < -1e-9 or (abs(along[1]) <= 1e-9 and along[0] < 0):
        along = -along
    right = np.array([along[1], -along[0]])
    centre = corners.mean(axis=0)
    start = centre - along * length / 2

    def to_deck(c: Floats) -> Floats:
        return np.column_stack([(c - start) @ along, (c - start) @ right])

    filled = float(flat.area / box.area)
    outline = None if filled > 0.995 else shapely.transform(flat, to_deck)
    bearing = float(np.degrees(np.arctan2(along[0], along[1])) % 180.0)
    return (length, float(flat.area / length), bearing, outline, filled)


def odd_places(lon: Floats, lat: Floats, known: Floats | None = None) -> dict[str, Bools]:
    """Positions that stand out from the rest, by what would put them right.

    Parameters
    ----------
    lon, lat : array of float, shape (n,), degrees
        NaN where not known.
    known : array of float, shape (m, 2), optional
        Longitude and latitude of places known already.

    Returns
    -------
    dict of str to mask, shape (n,)
        ``swapped`` and ``sign`` where exchanging the two, or another sign, brings the position among
        the rest; ``far`` for the others that stand out.
    """
    none = np.zeros(len(lon), dtype=bool)
    out = {"swapped": none.copy(), "sign": none.copy(), "far": none.copy()}
    own = np.column_stack([lon, lat])
    held = np.isfinite(own).all(axis=1)
    base = own[held] if known is None or not len(known) else np.vstack([known, own[held]])
    if len(base) < LEAST_PLACES or not held.any():
        return out
    # Longitudes run on from the middle of the rest, so that 179.9 and -179.9 are neighbours.
    angle = np.radians(base[:, 0])
    east = float(np.degrees(np.arctan2(np.median(np.sin(angle)), np.median(np.cos(angle)))))
    north = float(np.median(base[:, 1]))

    def away_km(x: Floats, y: Floats) -> Floats:
        dx = ((x - east + 180.0) % 360.0 - 180.0) * np.cos(np.radians(north))
        far: Floats = np.hypot(dx, y - north) * KM_PER_DEG
        return far

    spread = float(np.median(away_km(base[:, 0], base[:, 1])))
    limit = max(REACH_KM, SPREADS * spread)
    odd = held & (away_km(lon, lat) > limit)
    can_swap = np.abs(lon) <= 90
    out["swapped"] = odd & can_swap & (away_km(lat, lon) <= limit)
    near = np.minimum(away_km(-lon, lat), np.minimum(away_km(lon, -lat), away_km(-lon, -lat)))
    out["sign"] = odd & ~out["swapped"] & (near <= limit)
    out["far"] = odd & ~out["swapped"] & ~out["sign"]
    return out

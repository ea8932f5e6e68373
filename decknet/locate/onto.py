"""The ground back to station and offset."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from decknet.locate.place import Placing

__all__ = ["shapes_to_deck"]

_ELLIPSOID = Geod(ellps="WGS84")
_STEP_M = 2.0


def shapes_to_deck(
    placing: Placing, length_m: pd.Series, deck_id: pd.Series, shapes: NDArray[np.object_]
) -> NDArray[np.object_]:
    """Shapes drawn in longitude and latitude, in station and offset of their decks.

    Parameters
    ----------
    placing : Placing
    length_m : Series, shape (n,), m, on deck_id
        Length of each deck; NaN where not known.
    deck_id : Series, shape (k,)
        The deck of each shape.
    shapes : array of geometry or None, shape (k,), degrees

    Returns
    -------
    array of geometry or None, shape (k,), m
        None where the shape is missing, or its deck has no position, direction or length. A deck
        placed by a point alone has no direction.

    References
    ----------
    derived: the foot of each vertex on the centreline, by distance and azimuth on the WGS 84 ellipsoid.
    """
    out = np.full(len(shapes), None, dtype=object)
    names = pd.Series(np.asarray(deck_id), dtype="object")
    length = length_m.reindex(placing.deck_id)
    for name, at in names.groupby(names).groups.items():
        where = placing.deck_id.get_indexer(pd.Index([name]))[0]
        if where < 0 or placing.placed_by.iloc[where] not in ("centreline", "bearing"):
            continue
        reach = float(length.iloc[where])
        if not reach > 0:
            continue
        station = np.linspace(0.0, reach, max(2, int(np.ceil(reach / _STEP_M)) + 1))
        lon, lat = placing.to_ground(pd.Series([name] * len(station)), station, np.zeros(len(station)))
        line = _metres(lon, lat, lon[0], lat[0])
        for i in at:
            if shapes[i] is None:
                continue
            xy = shapely.get_coordinates(shapes[i])
            foot = _on_line(_metres(xy[:, 0], xy[:, 1], lon[0], lat[0]), line, station)
            out[i] = shapely.set_coordinates(shapely.force_2d(shapes[i]), foot)
    return out


def _metres(lon: NDArray[np.float64], lat: NDArray[np.float64], lon0: float, lat0: float) -> NDArray[np.float64]:
    azimuth, _, distance = _ELLIPSOID.inv(np.full(len(lon), lon0), np.full(len(lon), lat0), lon, lat)
    turn = np.radians(np.asarray(azimuth, dtype=np.float64))
    size = np.asarray(distance, dtype=np.float64)
    return np.column_stack([np.sin(turn) * size, np.cos(turn) * size])


def _on_line(
    points: NDArray[np.float64], line: NDArray[np.float64], station: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Station and offset of points; beyond the ends the first and last pieces run on."""
    step = np.diff(line, axis=0)
    size = np.hypot(step[:, 0], step[:, 1])
    unit = step / size[:, None]
    delta = points[:, None, :] - line[None, :-1, :]
    along = (delta * unit[None]).sum(axis=2)
    low = np.zeros(len(size))
    high = size.copy()
    low[0], high[-1] = -np.inf, np.inf
    held = np.clip(along, low, high)
    near = np.argmin(np.hypot(*np.moveaxis(delta - held[:, :, None] * unit[None], 2, 0)), axis=1)
    rows = np.arange(len(points))
    scale = np.diff(station) / size  # the deck's own length along its line
    s = station[near] + held[rows, near] * scale[near]
    d = delta[rows, near]
    offset = d[:, 0] * unit[near, 1] - d[:, 1] * unit[near, 0]
    return np.column_stack([s, offset])

"""Where bridges stand: columns and shapes of a file, judged against one another."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from decknet.ingest.shapes import all_finite, coordinate, ground_shapes, run_on, system_of, to_degrees

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows

__all__ = ["believable", "positions"]

NEAR_NOTHING_DEG = 0.01  # from 0, 0: no bridge stands there, an empty cell does
NEAR_KM = 20.0  # columns and shape of one bridge lie within, unless one of them is wrong
SAID_FROM_M = 500.0
_KM_PER_DEG = 111.2


def positions(rows: Rows) -> tuple[Floats, Floats]:
    """Longitude and latitude of the rows in degrees, NaN where not known; each loss is flagged.

    Of a line or an area its middle is taken. Where the table has both columns and shapes, columns count where the shape
    lies near, with the sign and order that bring them there; else the shape does. A row
    whose columns are empty has no position. Each that matters is said.
    """
    x, y = coordinate(rows, "longitude_deg"), coordinate(rows, "latitude_deg")
    at = ("latitude_deg", "longitude_deg")
    drawn = _middles(rows, quiet=True) if x is not None or y is not None else None
    if x is not None and y is not None:
        half = np.isnan(x) != np.isnan(y)
        lacking = at[0] if np.isnan(y[half]).any() else at[1]
        rows.fault(half, lacking, "F-HALF-POSITION", "half a position is no position", "Give both.", "flag")
        x, y = np.where(half, np.nan, x), np.where(half, np.nan, y)
        if rows.stated.crs:
            system = system_of(rows)
            points = np.full(rows.n, None, dtype=object)
            good = ~np.isnan(x)
            points[good] = shapely.points(x[good], y[good])
            points = points if system is None else to_degrees(points, system)
            x, y = shapely.get_x(points), shapely.get_y(points)
    elif x is not None or y is not None:
        given = ~np.isnan(x if x is not None else y)  # type: ignore[arg-type]
        rows.fault(
            given,
            at[0] if y is not None else at[1],
            "F-HALF-POSITION",
            "half a position is no position",
            "Give longitude and latitude.",
            "flag",
        )
        x = y = np.full(rows.n, np.nan)
    else:
        middle = _middles(rows, quiet=False)
        if middle is None:
            return np.full(rows.n, np.nan), np.full(rows.n, np.nan)
        x, y = middle
        bare = (rows.table.shape == None) | shapely.is_empty(rows.table.shape)  # noqa: E711
        if not bare.all():
            rule = "the row has no shape, or one without coordinates that can be read, so no position"
            rows.fault(np.isnan(x), "", "F-NO-POSITION", rule, "Draw it.", value="")
    if drawn is not None:
        x, y = _with_shapes(rows, x, y, *drawn)
    return believable(rows, x, y)


def _middles(rows: Rows, *, quiet: bool) -> tuple[Floats, Floats] | None:
    """Middle of each row's own shape, NaN where there is none; None where the table has no shapes on the ground."""
    shapes = ground_shapes(rows, quiet=quiet)
    if shapes is None:
        return None
    middle = shapely.centroid(run_on(shapes))
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    lost = ~all_finite(shapes)
    x = np.where((x > 180) & (x < 540), x - 360, x)
    return np.where(lost, np.nan, x), np.where(lost, np.nan, y)


def _apart_km(x: Floats, y: Floats, to_x: Floats, to_y: Floats) -> Floats:
    """Roughly how far apart, infinite where either is not known or cannot be."""
    can = (np.abs(x) <= 180) & (np.abs(y) < 90) & (np.abs(to_x) <= 180) & (np.abs(to_y) < 90)
    east = (np.mod(x - to_x + 180, 360) - 180) * np.cos(np.radians(to_y))
    return np.where(can, np.hypot(east, y - to_y) * _KM_PER_DEG, np.inf)


def _with_shapes(rows: Rows, x: Floats, y: Floats, to_x: Floats, to_y: Floats) -> tuple[Floats, Floats]:
    """Columns as the shapes beside them bear them out, else the shapes."""
    nowhere = (np.abs(to_x) < NEAR_NOTHING_DEG) & (np.abs(to_y) < NEAR_NOTHING_DEG)
    real = np.isfinite(to_x) & (np.abs(to_x) <= 180) & (np.abs(to_y) < 90) & ~nowhere
    given = np.isfinite(x) & np.isfinite(y) & ~((np.abs(x) < NEAR_NOTHING_DEG) & (np.abs(y) < NEAR_NOTHING_DEG))
    ways = [(x, y), (-x, y), (x, -y), (-x, -y), (y, x), (-y, x), (y, -x), (-y, -x)]
    apart = np.array([_apart_km(a, b, to_x, to_y) for a, b in ways])
    way = apart.argmin(axis=0)
    near = given & real & (apart.min(axis=0) <= NEAR_KM)
    near_as_is = given & real & (apart[0] <= NEAR_KM)
    way = np.where(near & ~near_as_is, way, 0)
    rows_at = np.arange(rows.n)
    found_x, found_y = (np.array([w[k] for w in ways])[way, rows_at] for k in (0, 1))
    said = {int(i): f"{x[i]:.6f}, {y[i]:.6f}" for i in np.flatnonzero(given & real)}
    at = "longitude_deg"
    turned = near & ~near_as_is
    remedy = {
        int(i): f"The shape lies at {to_x[i]:.6f}, {to_y[i]:.6f}; {found_x[i]:.6f}, {found_y[i]:.6f} is used. "
        "Correct the columns."
        for i in np.flatnonzero(turned)
    }
    rule = "the columns fit the row's own shape only with another sign or exchanged, and are used so"
    rows.fault(turned, at, "F-SIGN", rule, remedy, "flag", said)
    far = near & (apart.min(axis=0) * 1000 > SAID_FROM_M)
    rule = "columns and the row's own shape lie apart; the columns are used"
    remedy = {
        int(i): f"The shape lies at {to_x[i]:.6f}, {to_y[i]:.6f}, {apart[:, i].min():.1f} km away. Look which is right."
        for i in np.flatnonzero(far)
    }
    rows.fault(far & ~turned, at, "F-TWO-POSITIONS", rule, remedy, "flag", said)
    other = given & real & ~near
    rule = "columns and the row's own shape lie far apart in every sign and order; the shape is used"
    remedy = {int(i): f"Used is {to_x[i]:.6f}, {to_y[i]:.6f}. Look which is right." for i in np.flatnonzero(other)}
    rows.fault(other, at, "F-TWO-POSITIONS", rule, remedy, "flag", said)
    shape = (
        real & given & ~near
    )  # a row whose columns are empty may be placed by its line or its deck: no point is made
    return np.where(shape, to_x, found_x), np.where(shape, to_y, found_y)


def believable(
    rows: Rows, x: Floats, y: Floats, east: str = "longitude_deg", north: str = "latitude_deg"
) -> tuple[Floats, Floats]:
    """Longitudes and latitudes that can be; the others are dropped, each with a flag."""
    nil = (np.abs(x) < NEAR_NOTHING_DEG) & (np.abs(y) < NEAR_NOTHING_DEG)
    rows.fault(
        nil & rows.live,
        north,
        "F-ZERO-POSITION",
        "0, 0 means that the position is not known",
        "Give it.",
        "flag",
        value="0, 0",
    )
    wrong: Bools = ~nil & ((np.abs(x) > 180) | (np.abs(y) > 90) | np.isinf(x) | np.isinf(y))
    swapped = wrong & (np.abs(y) <= 180) & (np.abs(x) <= 90)
    found = {int(i): f"{x[i]:.10g}, {y[i]:.10g}" for i in np.flatnonzero(wrong)}
    rule = "longitude lies between -180 and 180, latitude between -90 and 90; the position is not used"
    remedy = {
        i: f"Longitude and latitude may be exchanged: {y[i]:.10g}, {x[i]:.10g}?"
        if swapped[i]
        else f"Is {x[i] - 360:.10g}, {y[i]:.10g} meant, counted from 0 to 360 degrees?"
        if 180 < x[i] < 360 and abs(y[i]) <= 90
        else "Correct the position, or state the system of the coordinates: for example --crs EPSG:32633."
        for i in found
    }
    column = north if (np.abs(y) > 90).any() else east
    rows.fault(wrong & rows.live, column, "F-POSITION", rule, remedy, "flag", found)
    gone = nil | wrong
    return np.where(gone, np.nan, x), np.where(gone, np.nan, y)

"""Shapes on the deck and on the ground: read, mended with a word said, and checked."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd
import pyproj
import shapely

from decknet.errors import RecordError
from decknet.ingest.corrections import named_on_record
from decknet.ingest.optional import tolerant

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows
    from decknet.ingest.register import Register

__all__ = [
    "all_finite",
    "beyond_deck",
    "coordinate",
    "deck_shapes",
    "ground_shapes",
    "lines_of",
    "on_deck",
    "outlines",
    "run_on",
    "strip",
    "system_of",
    "take_places",
    "to_deck",
    "to_degrees",
    "without_heights",
    "written",
]

Shapes = np.ndarray[Any, np.dtype[np.object_]]
T = TypeVar("T")

ON_DECK = "deck"  # stated in place of a coordinate system: station and offset in metres
TOO_LARGE_DEG = 0.01  # no defect is 1 km long: coordinates said to be degrees are station and offset
LEAST_M2 = 1e-6

_RING = re.compile(r"\(([^()]+)\)")
_HEX = re.compile(r"0[01][0-9A-Fa-f]{8,}")


def _none(n: int) -> Shapes:
    return np.full(n, None, dtype=object)


def _from_wkt(rows: Rows, name: str) -> Shapes:
    body = rows.text(name)
    assert body is not None  # noqa: S101
    system = body.str.match(r"SRID=0*[1-9]\d*;").to_numpy(dtype=bool)
    rows.fault(
        system & (not rows.stated.crs),
        name,
        "R-ON-GROUND",
        "the shape names a coordinate system, and shapes written as text here are in station and offset, m",
        "Bring shapes on the ground as a GeoPackage or GeoJSON; or state --crs deck, if they are on the deck.",
    )
    text = body.str.replace(r"^SRID=\d+;", "", regex=True)
    given = (text != "").to_numpy(dtype=bool)
    out = _none(rows.n)
    out[given] = written(text[given].to_numpy(dtype=object))
    closed: dict[int, str] = {}
    for i in np.flatnonzero(given & (out == None)):  # noqa: E711
        out[i] = written(np.array([_RING.sub(_close, str(text.iloc[i]))], dtype=object))[0]
        if out[i] is not None:
            closed[int(i)] = f"the ring was not closed and has been closed: {out[i].area:.3f} m2"
    rows.fault(list(closed), name, "F-RING-CLOSED", closed, "Check the outline.", "flag")
    broken = given & (out == None)  # noqa: E711
    rows.fault(
        broken,
        name,
        "R-SHAPE",
        "a shape is needed as well-known text with straight sides, such as POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))",
        "Correct the shape, or give an area instead.",
    )
    return out


def written(text: Shapes) -> Shapes:
    """Shapes out of well-known text, or of well-known binary in hexadecimal digits; None where it is neither.

    Curves are not read from text; figures too large for a float become endless.
    """

    def one(body: Any) -> Any:
        try:
            read = shapely.from_wkb if _HEX.fullmatch(body) else shapely.from_wkt
            return read(body, on_invalid="ignore")
        except (NotImplementedError, shapely.errors.ShapelyError):
            return None

    with np.errstate(all="ignore"):
        if not any(_HEX.fullmatch(body) for body in text[:1]):
            try:
                return np.asarray(shapely.from_wkt(text, on_invalid="ignore"), dtype=object)
            except NotImplementedError:
                pass
        out = _none(len(text))
        out[:] = [one(body) for body in text]
        return out


def _close(ring: re.Match[str]) -> str:
    points = [p.strip() for p in ring[1].split(",")]
    return f"({', '.join(points if points[0] == points[-1] else [*points, points[0]])})"


def without_heights(shapes: Shapes) -> Shapes:
    """Shapes in two dimensions, heights and measures dropped where there are any."""
    out = np.array(shapes, dtype=object)
    more = shapely.has_z(out) | shapely.has_m(out)
    out[more] = shapely.force_2d(out[more])
    return out


def _flat(shapes: Shapes) -> Shapes:
    """Heights dropped; what is empty is no shape."""
    out = without_heights(shapes)
    out[shapely.is_empty(out)] = None
    return out


def all_finite(shapes: Shapes) -> Bools:
    """Which shapes have coordinates and only finite ones; the bounds of a shape pass over one that is no number."""
    at, of = shapely.get_coordinates(shapes, return_index=True)
    out = np.bincount(of, minlength=len(shapes)) > 0
    out[of[~np.isfinite(at).all(axis=1)]] = False
    return np.asarray(out)


def on_deck(rows: Rows) -> bool:
    """Whether the table's own shapes are in station and offset."""
    table = rows.table
    if rows.stated.crs:
        return rows.stated.crs.strip().lower() == ON_DECK
    if table.crs is None:
        return True
    if _named(rows, table.crs).is_geographic and table.shape is not None:
        box = shapely.bounds(table.shape)
        reach = np.fmax(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
        reach = reach[np.isfinite(reach)]
        return bool(len(reach)) and float(np.median(reach)) > TOO_LARGE_DEG
    return False


def deck_shapes(rows: Rows, area: Floats | None, decks: pd.Series, register: Register) -> Shapes:
    """Polygons of the rows in station and offset, m; None where a row has none.

    Self-crossing outlines are mended, every lobe kept, and the area is said. A row with neither a
    polygon nor an area is refused.

    Parameters
    ----------
    rows : Rows
    area : array of float, shape (n,), m2, or None
        Areas stated beside the shapes.
    decks : Series of str, shape (n,)
        The deck of each row; a shape drawn on a map is turned by its place.
    register : Register

    Returns
    -------
    object array, shape (n,), of Polygon, MultiPolygon or None
    """
    name = "shape" if rows.has("shape") else ""
    out = _none(rows.n)
    if rows.has("shape"):
        out = _flat(_from_wkt(rows, "shape"))
    elif rows.table.shape is not None:
        out = _flat(rows.table.shape)
        if on_deck(rows):
            rows.said["shape"] = "shapes are taken in station and offset, m"
        else:
            out = _from_ground(rows, out, decks, register)
    box = _boxes(rows)
    if box is not None:
        take = (out == None) & (box != None)  # noqa: E711
        out[take] = box[take]
    out = _polygons(rows, out, name, area)
    known = np.zeros(rows.n, dtype=bool) if area is None else ~np.isnan(area)
    bare = (out == None) & ~known & ~rows.refused  # noqa: E711
    bare &= ~named_on_record(rows, bare)
    called = rows.ids("defect_id")
    rows.fault(
        bare,
        name if name or called is None else "defect_id",
        "R-NO-SHAPE",
        "a shape or an area must be given; an empty shape is not a clean deck",
        "Draw the shape again, or give the area.",
    )
    return out


def _from_ground(rows: Rows, shapes: Shapes, decks: pd.Series, register: Register) -> Shapes:
    """Shapes drawn on a map, in station and offset, by the place of each deck."""
    drawn = shapes != None  # noqa: E711
    turned = to_deck(rows, shapes, decks, register)
    lost = drawn & (turned == None)  # noqa: E711
    rows.fault(
        lost & ~rows.refused,
        "",
        "R-ON-GROUND",
        "a defect drawn on a map needs a deck whose place and direction are known",
        "Load the deck with its position and bearing, or its centreline, first; or draw in station and offset, and "
        "state --crs deck.",
        value=str(rows.table.crs or rows.stated.crs),
    )
    if (drawn & ~lost).any():
        rows.said["shape"] = "drawn on a map; turned into station and offset by the place of each deck"
    return turned


def to_deck(rows: Rows, shapes: Shapes, decks: pd.Series, register: Register) -> Shapes:
    """Shapes on the ground in station and offset; None where a deck's place or direction is not known."""
    system = system_of(rows)
    if system is None or register.to_deck is None:
        return _none(rows.n)
    return register.to_deck(decks, to_degrees(shapes, system))


def outlines(rows: Rows, name: str) -> Shapes:
    """Polygons out of a column of well-known text, mended with a flag."""
    return _polygons(rows, _flat(_from_wkt(rows, name)), name, None)


def _polygons(rows: Rows, shapes: Shapes, name: str, area: Floats | None) -> Shapes:
    out = shapes.copy()
    held = out != None  # noqa: E711
    finite = all_finite(out)
    lost = held & ~finite
    rows.fault(lost, name, "R-SHAPE", "every coordinate must be a finite number", "Draw the shape again.")
    out[lost] = None
    held &= finite
    wrong = held & ~shapely.is_valid(out)
    mended: dict[int, str] = {}
    for i in np.flatnonzero(wrong):
        # Each part is mended by itself: where two parts of one shape overlap, both are meant.
        out[i] = _areas_of(shapely.union_all([shapely.make_valid(p) for p in shapely.get_parts(out[i])]))
        if out[i] is not None:
            mended[int(i)] = f"the outline crosses or touches itself; mended, all lobes kept: {out[i].area:.3f} m2"
    rows.fault(list(mended), name, "F-SHAPE-MENDED", mended, "Check the outline and the area.", "flag")
    flat = held & (shapely.get_dimensions(out) < 2)
    mixed = held & (shapely.get_type_id(out) == 7)
    for i in np.flatnonzero(mixed):
        out[i] = _areas_of(out[i])
    thin = held & (out != None) & (shapely.get_dimensions(out) == 2) & (shapely.area(out) < LEAST_M2)  # noqa: E711
    rows.fault(thin, name, "R-NO-SHAPE", "a shape must enclose an area", "Draw the shape again, or give the area.")
    known = np.zeros(rows.n, dtype=bool) if area is None else ~np.isnan(area)
    rule = "an outline is needed, and this is a point or a line"
    rows.fault(flat & ~known, name, "R-SHAPE-KIND", rule, "Draw the outline as a polygon, or give the area.")
    rows.fault(flat & known, name, "F-SHAPE-KIND", f"{rule}; the area alone is kept", "Draw it as a polygon.", "flag")
    out[flat] = None
    return out


def _areas_of(shape: Any) -> Any:
    parts = [p for p in shapely.get_parts(shapely.get_parts(shape)) if p.geom_type == "Polygon" and not p.is_empty]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def strip(rows: Rows) -> dict[str, Floats]:
    """From and to, station and offset, each pair in rising order; turned pairs are flagged."""
    out: dict[str, Floats] = {}
    for what in ("station", "offset"):
        low, high = f"from_{what}_m", f"to_{what}_m"
        a, b = rows.number(low), rows.number(high)
        if a is not None:
            out[low] = a
        if b is not None:
            out[high] = b
        if a is None or b is None:
            continue
        turned = a > b
        rule = f"{rows.header(low)} is beyond {rows.header(high)}; the two have been turned round"
        rows.fault(turned, low, "F-TURNED", rule, "Check the two figures.", "flag")
        out[low], out[high] = np.where(turned, b, a), np.where(turned, a, b)
    return out


def _boxes(rows: Rows) -> Shapes | None:
    edges = strip(rows)
    if len(edges) < 4:
        return None
    x0, y0, x1, y1 = (edges[n] for n in ("from_station_m", "from_offset_m", "to_station_m", "to_offset_m"))
    whole = ~np.isnan(x0 + y0 + x1 + y1)
    out = _none(rows.n)
    out[whole] = shapely.box(x0[whole], y0[whole], x1[whole], y1[whole])
    return out


def beyond_deck(rows: Rows, shapes: Shapes, decks: pd.Series, size: pd.DataFrame, register: Register) -> None:
    """Flag parts of shapes that lie outside the deck, with their area; they stay stored whole."""
    length, width = size["length_m"].to_numpy(), size["width_m"].to_numpy()
    held = (shapes != None) & ~np.isnan(length) & ~np.isnan(width)  # noqa: E711
    if not held.any():
        return
    box = shapely.bounds(shapes)
    codes, seen = pd.factorize(decks.where(held))
    drawn = register.layout(list(seen))["outline"].to_numpy(dtype=object)
    outline = np.append(drawn, [None])[codes]
    own = held & (outline != None)  # noqa: E711
    inside = (box[:, 0] >= 0) & (box[:, 2] <= length) & (np.abs(box[:, [1, 3]]).max(axis=1) <= width / 2)
    test = held & ~(inside & ~own)
    deck = _none(rows.n)
    deck[test] = shapely.box(0.0, -width[test] / 2, length[test], width[test] / 2)
    deck[own] = outline[own]
    over = np.zeros(rows.n)
    over[test] = shapely.area(shapely.difference(shapes[test], deck[test]))
    out = over > np.maximum(1e-6, 1e-9 * np.nan_to_num(length * width))
    rule = {
        int(
            i
        ): f"{over[i]:.3f} of {shapes[i].area:.3f} m2 lie outside the deck ({length[i]:g} by {width[i]:g} m) and are "
        "left out of its share"
        for i in np.flatnonzero(out)
    }
    rows.fault(out, "shape", "F-OUTSIDE-DECK", rule, "Check the stations and offsets, or the size of the deck.", "flag")


# Parameters of a coordinate system that name a file, where the name is a path or an address.
_ELSEWHERE = re.compile(
    r"""(?:(?:\+|\b)(?:init|file|model|catalog|grids|nadgrids|geoidgrids|xy_grids|z_grids|hor_grids|ver_grids)\s*=|
    "PROJ4_GRIDS"\s*,\s*"|PARAMETERFILE\[[^]]*|"(?:filename|value)"\s*:\s*")[^\s"\],]*[/\\][^\s"\],]*""",
    re.I | re.X,
)


def system_of(rows: Rows) -> pyproj.CRS | None:
    """The coordinate system stated by the user or the table; None where it is the deck's own or not stated."""
    stated = rows.stated.crs or rows.table.crs
    return None if not stated or stated.strip().lower() == ON_DECK else _named(rows, stated)


def _named(rows: Rows, stated: str) -> pyproj.CRS:
    """A coordinate system by its description.

    Raises
    ------
    RecordError
        It is none that is known, or rests on a file elsewhere.
    """
    leading = _ELSEWHERE.search(stated)
    if leading is not None:
        raise RecordError(
            f"{rows.place}: the coordinate system rests on another file ({leading[0][:80]!r}), and only those that "
            "come with the program are opened. State a system by its number: for example --crs EPSG:32633."
        )
    try:
        return pyproj.CRS.from_user_input(stated)
    except pyproj.exceptions.CRSError as why:
        raise RecordError(
            f"{rows.place}: {stated[:200]!r} is no coordinate system that is known ({str(why)[:200]}). "
            "State one by its number, such as EPSG:32633."
        ) from why


def to_degrees(shapes: Shapes, system: pyproj.CRS) -> Shapes:
    """Shapes in longitude and latitude (EPSG:4326)."""
    if system == pyproj.CRS.from_epsg(4326) or system.equals(pyproj.CRS.from_epsg(4326), ignore_axis_order=True):
        return shapes
    turn = pyproj.Transformer.from_crs(system, "EPSG:4326", always_xy=True)
    out = shapely.transform(shapes, lambda xy: np.column_stack(turn.transform(xy[:, 0], xy[:, 1])))
    return np.asarray(out, dtype=object)


def ground_shapes(rows: Rows, *, quiet: bool = False) -> Shapes | None:
    """The table's own shapes in longitude and latitude; None where it has none or states no system.

    Without a system every shape is dropped with a flag, and nothing is assumed.
    """
    if rows.table.shape is None:
        return None
    shapes = _flat(rows.table.shape)
    system = system_of(rows)
    if system is None and quiet:
        return None
    if system is None:
        held = shapes != None  # noqa: E711
        at = np.flatnonzero(held & rows.live)
        rule = f"no coordinate system: none of {len(at)} positions is used until one is stated"
        rows.fault(
            at[:1], "", "F-NO-SYSTEM", rule, "State one: for example --crs EPSG:32633.", "flag",
            {int(i): shapely.to_wkt(shapes[i].centroid, rounding_precision=3) for i in at[:1]},
        )  # fmt: skip
        return None
    return _in_the_area(rows, to_degrees(shapes, system), system)


BEYOND_DEG = 3.0  # beyond the area of a system within which a place may still lie


def _in_the_area(rows: Rows, shapes: Shapes, system: pyproj.CRS) -> Shapes:
    """Places that lie in the area in which their system is used; others are flagged and not used."""
    area = system.area_of_use
    if area is None or area.west > area.east or area.east - area.west > 180:
        return shapes
    box = shapely.bounds(shapes)
    with np.errstate(invalid="ignore"):
        out = (box[:, 0] < area.west - BEYOND_DEG) | (box[:, 2] > area.east + BEYOND_DEG)
        out |= (box[:, 1] < area.south - BEYOND_DEG) | (box[:, 3] > area.north + BEYOND_DEG)
    if not out.any():
        return shapes
    where = f"{area.west:g} to {area.east:g} degrees east, {area.south:g} to {area.north:g} north"
    rule = f"the place lies far from where the system stated is used ({where}); it is not used"
    found = {int(i): shapely.to_wkt(shapes[i].centroid, rounding_precision=3) for i in np.flatnonzero(out)}
    rows.fault(out, "", "F-FAR", rule, "Check the row, and the zone of the system.", "flag", found)
    kept = shapes.copy()
    kept[out] = None
    return kept


def run_on(shapes: Shapes) -> Shapes:
    """Shapes astride the antimeridian with longitudes that run on past 180."""
    box = shapely.bounds(shapes)
    wide = (box[:, 2] - box[:, 0]) > 180
    if not wide.any():
        return shapes
    out = shapes.copy()
    out[wide] = shapely.transform(
        out[wide], lambda c: np.column_stack([np.where(c[:, 0] < 0, c[:, 0] + 360, c[:, 0]), c[:, 1]])
    )
    return out


def coordinate(rows: Rows, name: str) -> Floats | None:
    """A column of coordinates: what is no number is flagged, and the row stays."""
    value, lost = tolerant(rows, lambda: rows.number(name, ranged=False), "the position is not used")
    return None if value is None else np.where(lost, np.nan, value)


def take_places(rows: Rows) -> None:
    """Places written in columns, as shapes of the table: eastings and northings, or a shape as text.

    They are in the system that the shape itself names or the user states; nothing is assumed.
    """
    if rows.table.shape is not None or rows.has("longitude_deg") or rows.has("latitude_deg"):
        return
    shapes, system = _none(rows.n), None
    if rows.has("easting", "northing"):
        x, y = coordinate(rows, "easting"), coordinate(rows, "northing")
        assert x is not None and y is not None  # noqa: S101, PT018
        held = ~np.isnan(x) & ~np.isnan(y)
        shapes[held] = shapely.points(x[held], y[held])
    elif rows.has("place_shape"):
        body = rows.text("place_shape")
        assert body is not None  # noqa: S101
        named = body.str.extract(r"^SRID=0*([1-9]\d*);", expand=False)
        given = (body != "").to_numpy(dtype=bool)
        shapes[given] = written(body.str.replace(r"^SRID=\d+;", "", regex=True)[given].to_numpy(dtype=object))
        seen = set(named.dropna()) | {str(n) for n in shapely.get_srid(shapes) if n > 0}
        system = f"EPSG:{seen.pop()}" if len(seen) == 1 else None
    else:
        return
    rows.table = replace(rows.table, shape=_flat(shapes), crs=system)


def lines_of(rows: Rows, name: str) -> Shapes | None:
    """Lines on the ground, from a column of well-known text or the table's own shapes."""
    if rows.has(name):
        shapes: Shapes | None = _flat(_from_wkt(rows, name))
        system = system_of(rows) if rows.stated.crs else None
        if shapes is not None and system is not None:
            shapes = to_degrees(shapes, system)
    elif rows.table.shape is not None and (shapely.get_dimensions(rows.table.shape) == 1).any():
        shapes = ground_shapes(rows)
    else:
        return None
    if shapes is None:
        return None
    kept = shapes.copy()
    for i in np.flatnonzero(shapely.get_type_id(kept) == 5):
        joined = shapely.line_merge(kept[i])
        kept[i] = joined if joined.geom_type == "LineString" else kept[i]
    box = shapely.bounds(kept)
    no_line = (kept != None) & (shapely.get_type_id(kept) != 1)  # noqa: E711
    out = (kept != None) & ~no_line & ((np.abs(box[:, [0, 2]]) > 180).any(1) | (np.abs(box[:, [1, 3]]) > 90).any(1))  # noqa: E711
    remedy = "Give one line in longitude and latitude, or state its system in a mapping file (--map)."
    column = name if rows.has(name) else ""
    rows.fault(no_line, column, "F-CENTRELINE", "a centreline is one line; it is not used", remedy, "flag")
    rows.fault(out, column, "F-CENTRELINE", "the line is not in degrees; it is not used", remedy, "flag")
    kept[no_line | out] = None
    return kept

"""Layers as single files in two open formats: GeoJSON and GeoParquet."""

from __future__ import annotations

import io
import json
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from decknet.errors import LocationError

__all__ = ["geojson", "geoparquet", "in_degrees"]

Shapes = npt.NDArray[np.object_]

EPSG = 4326
DIGITS = 9  # of a degree: 0.1 mm, so that what is drawn on a deck comes back as drawn
_HALF, _TURN = 180.0, 360.0


def in_degrees(frame: gpd.GeoDataFrame, what: str) -> Shapes:
    """Shapes in longitude and latitude, flat; None where there is none.

    Raises
    ------
    LocationError
        The frame has no coordinate system.
    """
    if not len(frame):
        return np.array([], dtype=object)
    series = frame.geometry
    if series.crs is None:
        raise LocationError(
            f"{what}: no coordinate system is set. Set EPSG:{EPSG} where it holds longitude and latitude."
        )
    if series.crs.to_epsg() != EPSG:
        series = series.to_crs(EPSG)
    flat: Shapes = shapely.force_2d(np.array(series, dtype=object))
    flat[shapely.is_empty(flat)] = None
    return flat


def geojson(frame: gpd.GeoDataFrame, name: str) -> bytes:
    """A layer as GeoJSON.

    Parameters
    ----------
    frame : GeoDataFrame, one row a feature
        Dates are written as ISO 8601, what is missing or not finite as null; a row without a shape has a
        null geometry.
    name : str
        What the layer is called.

    Returns
    -------
    bytes
        Longitude and latitude (WGS 84) to 1e-9 degrees, outer rings counter-clockwise, shapes cut where they
        cross the antimeridian, and no ``crs`` member. The same input gives the same bytes.

    References
    ----------
    published: RFC 7946, The GeoJSON Format: 3.1.6 (rings), 3.1.9 (antimeridian), 4 (coordinate reference system).
    """
    shapes = _for_exchange(in_degrees(frame, name))
    plain = pd.DataFrame(frame.drop(columns=frame.geometry.name))
    columns = {str(n): _values(plain[n]) for n in plain.columns}
    features = []
    for k, shape in enumerate(shapes):
        drawn = None if shape is None else shapely.geometry.mapping(shape)
        properties = {n: values[k] for n, values in columns.items()}
        feature = {"type": "Feature", "properties": properties, "geometry": drawn}
        features.append(json.dumps(feature, ensure_ascii=False, allow_nan=False, separators=(",", ":")))
    head = f'{{"type":"FeatureCollection","name":{json.dumps(name, ensure_ascii=False)},"features":['
    text = head + ("\n" if features else "") + ",\n".join(features) + "\n]}\n"
    return text.encode("utf-8", "replace")


def geoparquet(frame: gpd.GeoDataFrame, name: str) -> bytes:
    """A layer as GeoParquet 1.1, with the box of every shape beside it for quick reading by place.

    References
    ----------
    published: GeoParquet 1.1.0 (well-known binary, coordinate system as PROJJSON, covering by a box).
    """
    shapes = _for_exchange(in_degrees(frame, name))
    plain = pd.DataFrame(frame.drop(columns=frame.geometry.name)).reset_index(drop=True)
    laid = gpd.GeoDataFrame(plain, geometry=gpd.GeoSeries(list(shapes), crs=EPSG), crs=EPSG)
    out = io.BytesIO()
    laid.to_parquet(out, index=False, schema_version="1.1.0", write_covering_bbox=True, compression="zstd")
    return out.getvalue()


def _for_exchange(shapes: Shapes) -> Shapes:
    """Shapes cut at the antimeridian, rounded, their outer rings counter-clockwise."""
    out: Shapes = shapes.copy()
    bounds = shapely.bounds(out)
    over = np.flatnonzero((bounds[:, 0] < -_HALF) | (bounds[:, 2] > _HALF))
    for k in over:
        out[k] = _cut(out[k])
    rounded = shapely.transform(out, lambda c: np.round(c, DIGITS))
    turned: Shapes = shapely.orient_polygons(rounded, exterior_cw=False)
    return turned


def _cut(shape: Any) -> Any:
    """A shape whose longitudes run past 180 degrees, in pieces that lie within."""
    low, _, high, _ = shapely.bounds(shape)
    parts = []
    for turn in range(int(np.floor((low + _HALF) / _TURN)), int(np.floor((high + _HALF) / _TURN)) + 1):
        window = shapely.box(turn * _TURN - _HALF, -90.0, turn * _TURN + _HALF, 90.0)
        back = np.array([turn * _TURN, 0.0])
        inside = shapely.get_parts(shapely.intersection(shape, window))
        same = inside[shapely.get_dimensions(inside) == shapely.get_dimensions(shape)]
        parts += list(shapely.transform(same, lambda c, back=back: c - back))
    return parts[0] if len(parts) == 1 else getattr(shapely, f"Multi{parts[0].geom_type}")(parts)


def _values(column: pd.Series) -> list[Any]:
    """A column as JSON has it."""
    missing = column.isna().to_numpy(dtype=bool)
    if pd.api.types.is_datetime64_any_dtype(column):
        return [None if m else f"{v:%Y-%m-%d}" for v, m in zip(column, missing, strict=True)]
    if pd.api.types.is_bool_dtype(column):
        return [None if m else bool(v) for v, m in zip(column, missing, strict=True)]
    if pd.api.types.is_integer_dtype(column):
        return [None if m else int(v) for v, m in zip(column, missing, strict=True)]
    if pd.api.types.is_float_dtype(column):
        numbers = column.astype("Float64").to_numpy(dtype=float, na_value=np.nan).tolist()
        return [v if np.isfinite(v) else None for v in numbers]
    return [None if m else _text(v) for v, m in zip(column, missing, strict=True)]


def _text(value: Any) -> str:
    text = shapely.to_wkt(value, rounding_precision=-1) if isinstance(value, shapely.Geometry) else str(value)
    return text.encode("utf-8", "replace").decode("utf-8")

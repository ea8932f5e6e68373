"""The network as one GeoPackage, for any map program that reads the open standard."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyogrio
import shapely

from decknet import columns
from decknet.errors import LocationError
from decknet.show.words import Programme

__all__ = ["geopackage"]

Shapes = npt.NDArray[np.object_]
Field = tuple[pa.DataType, str, str]  # type in the file, unit, meaning

EPSG = 4326
STAMP = "2000-01-01T00:00:00.000Z"  # the same in every file, so that equal content gives equal bytes
BASE_LAYERS = {
    "shoreline": "shoreline",
    "river": "rivers",
    "route": "routes",
    "town": "towns",
    "boundary": "boundaries",
}

# Kind of a column in ``columns`` -> type in the file.
_TYPES = {
    "id": pa.string(),
    "text": pa.string(),
    "choice": pa.string(),
    "number": pa.float64(),
    "whole": pa.int64(),
    "date": pa.date32(),
    "flag": pa.bool_(),
}

# Columns of the programme, which is no record of its own: type, unit, meaning.
_LINES: dict[str, Field] = {
    "year": (pa.int64(), "yr", "Calendar year of the works."),
    "treatment": (pa.string(), "", "Treatment, as named in the settings."),
    "label": (pa.string(), "", "Treatment, as printed."),
    "deck_m2": (pa.float64(), "m2", "Deck area treated."),
    "repair_m2": (pa.float64(), "m2", "Area broken out and made good."),
    "crew_days": (pa.float64(), "days", "Crew time."),
    "cost": (pa.float64(), "currency", "Cost, in the currency and price year of the settings."),
    "benefit": (pa.float64(), "m²·yr", "Unsound deck avoided, weighted by traffic, discounted."),
    "share_before": (pa.float64(), "share", "Unsound share when the works begin."),
    "share_after": (pa.float64(), "share", "Unsound share when they are done."),
    "urgent": (pa.bool_(), "", "Whether the deck is on the act-now list."),
    "pinned": (pa.bool_(), "", "Whether the engineer fixed this line."),
    "based_on": (pa.string(), "", "What the share rests on."),
    "why": (pa.string(), "", "Why the line is there, in a sentence."),
}

# The timestamp is an option of the whole library: one file is written at a time.
_ONE_AT_A_TIME = threading.Lock()


def geopackage(
    status: gpd.GeoDataFrame,
    outlines: gpd.GeoDataFrame,
    defects: gpd.GeoDataFrame,
    programme: Programme,
    base: gpd.GeoDataFrame,
) -> bytes:
    """Decks, outlines, defects, programme and base map as layers of one file, EPSG:4326.

    Parameters
    ----------
    status : GeoDataFrame, one row a deck
        Columns of ``columns.STATUS``; geometry is the middle of the deck, or None.
    outlines : GeoDataFrame
        ``deck_id`` and the deck's polygon on the ground.
    defects : GeoDataFrame
        ``deck_id``, ``survey_id``, ``kind``, ... and the polygon on the ground.
    programme : Programme
        Its lines become points at their decks.
    base : GeoDataFrame
        ``kind``, ``name`` and geometry; one layer a kind.

    Returns
    -------
    bytes
        A GeoPackage with layers decks, outlines, defects, programme and those of the base map. Field
        names are the column names; each field's description gives meaning and unit. A deck without a
        position stays in its layers without a shape. The same input gives the same bytes.

    Raises
    ------
    LocationError
        A frame has no coordinate system.
    """
    points = {str(d): p for d, p in zip(status["deck_id"], _shapes(status, "status"), strict=True)}
    lines = programme.lines
    at_decks = np.array([points.get(str(d)) for d in lines.get("deck_id", [])], dtype=object)
    of_defects = _fields(*(columns.RECORDS[kind].columns for kind in ("defect", "survey", "deck")))
    layers = {
        "decks": _table(status, _shapes(status, "status"), "Point", _fields(columns.STATUS)),
        "outlines": _table(
            outlines, _shapes(outlines, "outlines"), "MultiPolygon", _fields(columns.RECORDS["deck"].columns)
        ),
        "defects": _table(defects, _shapes(defects, "defects"), "MultiPolygon", of_defects),
        "programme": _table(lines, at_decks, "Point", _fields(columns.STATUS) | _LINES),
    }
    shapes = _shapes(base, "base")
    for kind, layer in BASE_LAYERS.items():
        chosen = (base["kind"] == kind).to_numpy(dtype=bool) if len(base) else np.zeros(0, dtype=bool)
        if chosen.any():
            layers[layer] = _table(base[chosen], shapes[chosen], "Unknown", _fields(columns.RECORDS["base"].columns))
    with _ONE_AT_A_TIME, TemporaryDirectory() as folder:
        file = Path(folder) / "network.gpkg"
        before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
        try:
            for name, (table, geometry_type) in layers.items():
                pyogrio.write_arrow(
                    table,
                    file,
                    layer=name,
                    driver="GPKG",
                    geometry_name="geom",
                    geometry_type=geometry_type,
                    crs=f"EPSG:{EPSG}",
                    append=file.exists(),
                )
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
        return file.read_bytes()


def _shapes(frame: gpd.GeoDataFrame, what: str) -> Shapes:
    """Shapes in longitude and latitude, flat; None where there is none."""
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


def _common(shapes: Shapes) -> str:
    """Geometry type of a layer: that of its shapes, in the form that holds several, or any."""
    sorts = {s.geom_type.removeprefix("Multi") for s in shapes if s is not None}
    if sorts == {"Point"}:
        return "Point" if all(s is None or s.geom_type == "Point" for s in shapes) else "MultiPoint"
    return f"Multi{sorts.pop()}" if sorts in ({"LineString"}, {"Polygon"}) else "Unknown"


def _held(shapes: Shapes, geometry_type: str) -> Shapes:
    """Shapes in the form that the layer's type asks for."""
    if not geometry_type.startswith("Multi"):
        return shapes
    one, several = geometry_type.removeprefix("Multi"), getattr(shapely, geometry_type)
    out = shapes.copy()
    for k, shape in enumerate(shapes):
        if shape is not None and shape.geom_type == one:
            out[k] = several([shape])
    return out


def _table(frame: pd.DataFrame, shapes: Shapes, geometry_type: str, known: Mapping[str, Field]) -> tuple[pa.Table, str]:
    """A layer as the driver takes it, each field with its meaning and unit; and its geometry type.

    ``geometry_type`` stands where there is no shape to tell it from.
    """
    if any(s is not None for s in shapes):
        geometry_type = _common(shapes)
    fields, arrays = [], []
    for name in frame.columns:
        if isinstance(frame[name].dtype, gpd.array.GeometryDtype) or _holds_shapes(frame[name]):
            continue
        kind, unit, meaning = known.get(name) or _guess(frame[name])
        said = f"{meaning} Unit: {unit}." if unit else meaning
        fields.append(pa.field(name, kind, metadata={"GDAL:OGR:comment": said} if said else None))
        arrays.append(_values(frame[name], kind))
    fields.append(pa.field("geom", pa.binary(), metadata={"ARROW:extension:name": "geoarrow.wkb"}))
    arrays.append(pa.array(list(shapely.to_wkb(_held(shapes, geometry_type))), type=pa.binary()))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields)), geometry_type


def _fields(*several: Iterable[columns.Column]) -> dict[str, Field]:
    """Fields by name; of two columns with one name the former counts."""
    out: dict[str, Field] = {}
    for column in chain(*several):
        if column.kind in _TYPES:
            out.setdefault(column.name, (_TYPES[column.kind], column.unit, column.meaning))
    return out


def _holds_shapes(values: pd.Series) -> bool:
    return values.dtype == object and any(isinstance(v, shapely.Geometry) for v in values)


def _guess(values: pd.Series) -> Field:
    """Type of a field that is no column of ours, by what it holds."""
    if pd.api.types.is_bool_dtype(values):
        return pa.bool_(), "", ""
    if pd.api.types.is_integer_dtype(values):
        return pa.int64(), "", ""
    if pd.api.types.is_float_dtype(values):
        return pa.float64(), "", ""
    if pd.api.types.is_datetime64_any_dtype(values):
        return pa.date32(), "", ""
    return pa.string(), "", ""


def _values(values: pd.Series, kind: pa.DataType) -> pa.Array:
    """Values of one field, null where missing or not finite."""
    if kind == pa.float64():
        numbers = pd.to_numeric(values).astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        return pa.array(numbers, type=kind, mask=~np.isfinite(numbers))
    if kind == pa.date32():
        return pa.array(pd.to_datetime(values), from_pandas=True).cast(kind, safe=False)
    plain = {pa.int64(): "Int64", pa.bool_(): "boolean"}.get(kind, "str")
    return pa.array(values.astype(plain), type=kind, from_pandas=True)

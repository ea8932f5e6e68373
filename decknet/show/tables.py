"""Records as our own tables: CSV files, and one GeoPackage, that load again without a mapping."""

from __future__ import annotations

import csv
import io
import threading
import warnings
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import shapely

from decknet import digits
from decknet.columns import RECORDS, Column
from decknet.errors import DecknetError

__all__ = ["as_text", "csv_tables", "record_layers"]

Records = Mapping[str, pd.DataFrame]

# In this order a survey finds its deck, and a defect its survey.
ORDER = (
    "bridge", "deck", "survey", "defect", "active_area", "repair", "closing", "traffic", "rating", "condition",
    "element_quantity",
)  # fmt: skip
FORMULA = ("=", "+", "-", "@", "\t", "\r")
STAMP = "2000-01-01T00:00:00.000Z"  # the same in every file, so that equal content gives equal bytes
WKT_DIGITS = 20  # fewer lose the last bit of a coordinate
# The column that gives a layer its shapes, and whether they lie on the ground.
SHAPES = {
    "bridge": ("", True),
    "deck": ("centreline", True),
    "defect": ("shape", False),
    "active_area": ("shape", False),
    "repair": ("shape", False),
    "closing": ("shape", False),
    "base": ("shape", True),
}
_TYPES = {"number": pa.float64(), "whole": pa.int64(), "date": pa.date32(), "flag": pa.bool_()}
_ONE_AT_A_TIME = threading.Lock()


def csv_tables(records: Records) -> tuple[dict[str, bytes], list[str]]:
    """Each kind of record as one CSV file, by file name; and what is left out.

    Headers are our column names, dates ISO 8601, shapes well-known text, in UTF-8. A text that a
    spreadsheet would take for a formula has a blank before it, which reading drops. Columns with
    nothing in them are left out.
    """
    out = {}
    for number, kind in enumerate((k for k in ORDER if len(records.get(k, ()))), start=1):
        frame = records[kind]
        columns = [c for c in RECORDS[kind].columns if frame[c.name].notna().any()]
        file = io.StringIO(newline="")
        writer = csv.writer(file)
        writer.writerow(c.name for c in columns)
        writer.writerows(zip(*([as_text(v, c) for v in frame[c.name]] for c in columns), strict=True))
        out[f"{number}_{kind}.csv"] = file.getvalue().encode("utf-8-sig")
    base = len(records.get("base", ()))
    notes = [f"CSV has no place for the {digits.count(base)} shapes of the base map; a GeoPackage has."] if base else []
    return out, notes


def as_text(value: Any, of: Column) -> str:
    """A value as our own tables have it: ISO 8601 dates, well-known text for shapes, empty where missing."""
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)) or value is pd.NaT:
        return ""
    if of.kind == "shape":
        return str(shapely.to_wkt(value, rounding_precision=WKT_DIGITS))
    if of.kind == "date":
        return str(value.date())
    if of.kind == "flag":
        return "yes" if value else "no"
    if of.kind == "number":
        return repr(float(value)).removesuffix(".0")
    text = str(value)
    return f" {text}" if text.startswith(FORMULA) else text


def record_layers(records: Records) -> tuple[bytes, list[str]]:
    """Every kind of record as a layer of one GeoPackage named for it; and what is left out.

    Bridges are points and decks their centrelines, in EPSG:4326; defects and repairs lie in station
    and offset, with no map system; the other layers have no shapes.
    """
    with _ONE_AT_A_TIME, TemporaryDirectory() as folder:
        file = Path(folder) / "records.gpkg"
        before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
        try:
            for kind in (*ORDER, "base"):
                if len(records.get(kind, ())):
                    _layer(records[kind], kind, file)
        except (RuntimeError, OSError) as why:
            raise DecknetError(
                f"The GeoPackage cannot be written ({str(why).rsplit(':', 1)[-1].strip()[:80]}). Make room in "
                f"{gettempdir()}, where it is put together."
            ) from why
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
        return (file.read_bytes() if file.exists() else b""), []


def _layer(frame: pd.DataFrame, kind: str, file: Path) -> None:
    name, ground = SHAPES.get(kind, ("", False))
    fields, arrays = [], []
    for c in RECORDS[kind].columns:
        if c.name == name:
            continue
        held = [as_text(v, c) or None for v in frame[c.name]] if c.kind == "shape" else frame[c.name]
        if c.kind == "shape" and not any(held):
            continue
        said = f"{c.meaning} Unit: {c.unit}." if c.unit else c.meaning
        fields.append(pa.field(c.name, _TYPES.get(c.kind, pa.string()), metadata={"GDAL:OGR:comment": said}))
        arrays.append(pa.array(held, type=fields[-1].type, from_pandas=True))
    how: dict[str, Any] = {"geometry_type": None}
    if kind in SHAPES:
        shapes = frame[name].to_numpy(dtype=object) if name else _points(frame)
        fields.append(pa.field("geom", pa.binary(), metadata={"ARROW:extension:name": "geoarrow.wkb"}))
        arrays.append(pa.array(list(shapely.to_wkb(shapes)), type=pa.binary()))
        how = {"geometry_name": "geom", "geometry_type": "Point" if kind == "bridge" else "Unknown"}
        how |= {"crs": "EPSG:4326"} if ground else {"SRID": "-1"}
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields))
    with warnings.catch_warnings():  # station and offset have no map system, and are meant to have none
        warnings.filterwarnings("ignore", "'crs' was not provided")
        pyogrio.write_arrow(table, file, layer=kind, driver="GPKG", append=file.exists(), **how)


def _points(frame: pd.DataFrame) -> Any:
    out = np.full(len(frame), None, dtype=object)
    known = frame["longitude_deg"].notna().to_numpy() & frame["latitude_deg"].notna().to_numpy()
    out[known] = shapely.points(frame["longitude_deg"][known], frame["latitude_deg"][known])
    return out

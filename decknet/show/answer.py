"""The answer to a question as a file: CSV, JSON, Parquet or GeoJSON."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Sequence
from datetime import date, datetime, time
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

from decknet.columns import Column
from decknet.errors import DecknetError
from decknet.settled import for_json
from decknet.show.tables import FORMULA

__all__ = ["FORMATS", "answer_file", "answer_rows"]

FORMATS = (".csv", ".json", ".parquet", ".geojson")


def _plain(value: Any) -> Any:
    """A value as JSON has it: missing as null, days as ISO text, shapes as well-known text."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, shapely.Geometry):
        return shapely.to_wkt(value, rounding_precision=9)
    if isinstance(value, (pd.Timestamp, datetime)):
        whole = (value.hour, value.minute, value.second, value.microsecond) == (0, 0, 0, 0)
        return f"{value:%Y-%m-%d}" if whole else value.isoformat()
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, (bytes, bytearray)):
        return value.hex()
    if isinstance(value, (list, tuple, np.ndarray)):
        return [_plain(v) for v in value]
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    value = value.item() if isinstance(value, np.generic) else value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, (str, int, bool)) else str(value)


def answer_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows ready for JSON."""
    names = [str(n) for n in frame.columns]
    columns = [[_plain(v) for v in frame[n].array] for n in frame.columns]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def answer_file(frame: pd.DataFrame, columns: Sequence[Column], suffix: str) -> bytes:
    """The answer in the format of a file's ending.

    Parameters
    ----------
    frame : DataFrame, or GeoDataFrame where places on the ground are among it
    columns : sequence of Column
        What each column is, in order.
    suffix : str
        One of ``FORMATS``.

    Notes
    -----
    CSV is UTF-8 with a mark, and text that a spreadsheet would take for a formula has a blank before it. Parquet
    carries unit and meaning of each column, and is GeoParquet where there are places. GeoJSON is in longitude and
    latitude.

    Raises
    ------
    DecknetError
        The ending is none of these, or GeoJSON is asked of an answer without places.
    """
    match suffix.lower():
        case ".csv":
            return _csv(frame)
        case ".json":
            rows = for_json(answer_rows(frame))
            said = [{"name": c.name, "unit": c.unit, "meaning": c.meaning} for c in columns]
            text = json.dumps({"columns": said, "rows": rows}, ensure_ascii=False, allow_nan=False, indent=1)
            return text.encode()
        case ".parquet":
            return _parquet(frame, columns)
        case ".geojson":
            return _geojson(frame)
    raise DecknetError(f"{suffix or 'no ending'}: not a format known here. End the name with {', '.join(FORMATS)}.")


def _csv(frame: pd.DataFrame) -> bytes:
    out = {}
    for name in frame.columns:
        if pd.api.types.is_numeric_dtype(frame[name].dtype) and frame[name].dtype != "boolean":
            out[name] = frame[name]
            continue
        cells = [_plain(v) for v in frame[name].array]
        cells = [{True: "yes", False: "no"}[c] if isinstance(c, bool) else c for c in cells]
        cells = [json.dumps(c, ensure_ascii=False) if isinstance(c, (list, dict)) else c for c in cells]
        out[name] = pd.Series(
            [f" {c}" if isinstance(c, str) and c.startswith(FORMULA) else c for c in cells],
            index=frame.index,
            dtype="object",
        )
    text: str = pd.DataFrame(out, columns=frame.columns).to_csv(index=False, lineterminator="\n")
    return text.encode("utf-8-sig")


def _parquet(frame: pd.DataFrame, columns: Sequence[Column]) -> bytes:
    file = io.BytesIO()
    flat = frame.copy()
    place = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else None
    for name in flat.columns:
        if name == place or flat[name].dtype != "object":
            continue
        values = list(flat[name].array)
        if any(isinstance(v, shapely.Geometry) for v in values):
            values = [shapely.to_wkb(v) if v is not None else None for v in values]
        elif not all(v is None or isinstance(v, (bytes, list, dict, np.ndarray)) for v in values):
            values = [_plain(v) for v in values]
        flat[name] = pd.Series(values, index=flat.index, dtype="object")
    if isinstance(flat, gpd.GeoDataFrame):
        flat.to_parquet(file, index=False)
        table = pq.read_table(io.BytesIO(file.getvalue()))
    else:
        table = pa.Table.from_pandas(flat, preserve_index=False)
    fields = [
        table.schema.field(i).with_metadata({"unit": c.unit, "meaning": c.meaning}) for i, c in enumerate(columns)
    ]
    table = table.cast(pa.schema(fields, metadata=table.schema.metadata))
    file = io.BytesIO()
    pq.write_table(table, file)
    return file.getvalue()


def _geojson(frame: pd.DataFrame) -> bytes:
    if not isinstance(frame, gpd.GeoDataFrame):
        raise DecknetError(
            "the answer has no places. Select the column ground, from deck_status, survey_history or "
            "repair_history, or write .csv."
        )
    place = frame.geometry.name
    shapes = shapely.orient_polygons(frame.geometry.to_numpy(dtype=object))
    drawn = [json.loads(s) if s is not None else None for s in shapely.to_geojson(shapes)]
    rows = answer_rows(pd.DataFrame(frame.drop(columns=place)))
    features = [
        {"type": "Feature", "geometry": shape, "properties": row} for shape, row in zip(drawn, rows, strict=True)
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, allow_nan=False).encode()

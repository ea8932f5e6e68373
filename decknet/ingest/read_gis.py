"""Layers with shapes, and Parquet."""

from __future__ import annotations

import json
import re
import warnings
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.errors import RecordError
from decknet.ingest.drivers import opened
from decknet.ingest.encodings import latin
from decknet.ingest.nested import SHAPES, flat_rows, shapes_of, with_described
from decknet.ingest.table import Table, as_text, cell_text

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["read_layers", "read_parquet"]

MOST_ROWS, ROWS_A_BYTE = 1_000_000, 100  # of Parquet: more rows than the one need so many to a byte at most
SHAPE_NAMES = ("geometry", "geom", "shape", "wkb", "the geom", "wkb geometry")


def read_layers(path: Path, only: str) -> tuple[list[Table], list[tuple[str, str]]]:
    """Every layer of a map file, and why some are left out."""
    import pyogrio

    _whole(path)
    tables: list[Table] = []
    others: list[tuple[str, str]] = []
    with opened(path) as files:
        layers: list[tuple[Path, int, str]] = []
        try:
            with warnings.catch_warnings(record=True):
                warnings.simplefilter("always")
                for file in files:
                    layers += [(file, n, str(name)) for n, (name, _) in enumerate(pyogrio.list_layers(file))]
        except Exception as why:
            if path.suffix.lower() in (".geojson", ".json"):
                return [_plain_json(path, why)], []
            raise RecordError(
                f"{path.name}: the file cannot be opened as map data ({_first(why, path)}). "
                "Export it again as GeoPackage or GeoJSON."
            ) from why
        if not layers:
            raise RecordError(
                f"{path.name}: no layer can be read in it; it may be cut off or damaged. Export it again."
            )
        seen: Counter[str] = Counter()
        for file, number, layer in layers:
            seen[layer] += 1
            if only and layer != only:
                others.append((layer, "another layer is named in the mapping"))
                continue
            tables += _layer(path, (file, number), layer, several=len(layers) > 1, same=seen[layer])
    return tables, others


def _plain_json(path: Path, why: Exception) -> Table:
    """Rows of a JSON file that is no map data; where it is no JSON, the place that breaks it is named."""
    try:
        data = json.loads(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as wrong:
        raise RecordError(f"{path.name}: the file is not text in UTF-8 ({wrong}). Save it as UTF-8.") from wrong
    except (json.JSONDecodeError, RecursionError) as wrong:
        at = getattr(wrong, "lineno", 1)
        where = getattr(wrong, "pos", 0)
        found = path.read_text(encoding="utf-8-sig")[max(where - 40, 0) : where + 20].strip()
        said = getattr(wrong, "msg", "it is nested too deeply")
        raise RecordError(
            f"{path.name} line {at}: this is no JSON ({said}), near {found!r}. Correct it, or export the file again."
        ) from wrong
    rows = data if isinstance(data, list) else next((v for v in data.values() if isinstance(v, list)), None) \
        if isinstance(data, dict) else None  # fmt: skip
    if not rows or not all(isinstance(r, dict) for r in rows):
        raise RecordError(
            f"{path.name}: the file is JSON, but neither map data ({_first(why, path)}) nor a list of rows. "
            "Export it again as GeoPackage or GeoJSON."
        ) from why
    shape = shapes_of(rows)
    rows = flat_rows(rows)
    taken = SHAPES if shape is not None else ()
    headers = list(dict.fromkeys(str(h) for r in rows for h in r if h not in taken))
    values = [[cell_text(_plain_value(r.get(h))) for r in rows] for h in headers]
    cells = pd.DataFrame({j: pd.array([t for t, _ in c], dtype="str") for j, c in enumerate(values)})
    typed = np.array([[n for _, n in c] for c in values], dtype=bool).T
    line = np.arange(2, len(rows) + 2, dtype=np.int64)
    return Table(path.stem, "", tuple(h.strip() for h in headers), cells, line, typed, shape,
                 None if shape is None else "EPSG:4326",
                 notes=["rows of a JSON list; the first counts as line 2"])  # fmt: skip


def _plain_value(value: Any) -> Any:
    if isinstance(value, (dict, list)):
        return json.dumps(value, ensure_ascii=False)
    return None if isinstance(value, float) and value != value else value


def from_bytes(values: Any) -> tuple[Any, list[tuple[int, str, str, str, str]]]:
    """Shapes out of well-known binary, and the rows whose shape cannot be read."""
    import shapely

    from decknet.ingest.shapes import without_heights

    out = np.full(len(values), None, dtype=object)
    odd = []
    try:
        out[:] = shapely.from_wkb(values, on_invalid="ignore")
    except (NotImplementedError, shapely.errors.ShapelyError, TypeError):
        for i, value in enumerate(values):
            try:
                out[i] = shapely.from_wkb(value, on_invalid="ignore")
            except (NotImplementedError, shapely.errors.ShapelyError, TypeError):
                rule = "the shape has curves, or is none that is known, and cannot be read"
                odd.append((i, "R-SHAPE", rule, "Draw it with straight sides, or bring it as a GeoPackage.", "refuse"))
    return without_heights(out), odd


def _whole(path: Path) -> None:
    """A shapefile is several files: say which is not there."""
    if path.suffix.lower() != ".shp":
        return
    there = {p.suffix.lower() for p in path.parent.iterdir() if p.stem == path.stem}
    lacking = [e for e in (".dbf", ".shx") if e not in there]
    if lacking:
        raise RecordError(
            f"{path.name}: a shapefile is several files, and {' and '.join(path.stem + e for e in lacking)} "
            "is not beside it. Bring them all, in one folder or one .zip."
        )


def _layer(path: Path, at: tuple[Path, int], layer: str, *, several: bool, same: int) -> list[Table]:
    """The table or tables of one layer: of a file opened and by its number, the ``same``-th of its name."""
    import pyogrio

    ending = path.suffix.lower()
    notes: list[str] = []
    plain = ending in (".shp", ".dbf") and not path.with_suffix(".cpg").is_file()
    how = {"encoding": "ISO-8859-1"} if plain else {}
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            meta, _, wkb, fields = pyogrio.raw.read(at[0], layer=at[1], force_2d=True, **how)
    except Exception as why:
        raise RecordError(
            f"{path.name} layer {layer}: the layer cannot be read ({_first(why, path)}). Export it again."
        ) from why
    notes += sorted({str(w.message) for w in said})
    headers = [str(f).strip() for f in meta["fields"]]
    if plain:
        headers, fields = _by_bytes(headers, fields, notes)
    n = len(fields[0]) if fields else (0 if wkb is None else len(wkb))
    kept = [j for j, (h, f) in enumerate(zip(headers, fields, strict=True)) if not _of_the_format(ending, h, f)]
    headers, fields = [headers[j] for j in kept], [fields[j] for j in kept]
    columns = [as_text(f) for f in fields]
    cells = pd.DataFrame({j: c for j, (c, _) in enumerate(columns)}, index=range(n))
    typed = np.zeros((n, len(headers)), dtype=bool)
    for j, (_, number) in enumerate(columns):
        typed[:, j] = number
    shape, odd = (None, []) if wkb is None else from_bytes(wkb)
    if shape is not None and len(shape):
        shape = _as_drawn(shape, notes, close=ending == ".dxf")
    crs = meta.get("crs") or None
    if crs is not None and ("ENGCRS" in crs or "LOCAL_CS" in crs or "Undefined" in crs):
        crs = None
    if ending in (".geojson", ".json") and shape is not None and crs is not None:
        crs = _checked_degrees(path, shape, crs, notes)
    own = (layer if same == 1 else f"{layer} ({same})") if several or ending == ".gpkg" else ""
    made = Table(
        layer or path.stem, own, tuple(headers), cells, np.arange(2, n + 2, dtype=np.int64), typed, shape, crs, odd=odd,
        notes=notes, cut=ending in (".shp", ".dbf"),
    )  # fmt: skip
    return _by_drawing_layer(made) if ending == ".dxf" else [with_described(made)]


# Columns that come with a format and not from the one who drew: left out where they say nothing.
_OWN_COLUMNS = {
    ".kml": (
        "timestamp", "begin", "end", "altitudemode", "tessellate", "extrude", "visibility", "draworder", "icon",
        "description", "snippet", "id",
    ),
    ".dxf": ("paperspace", "subclasses", "linetype", "entityhandle", "text", "extendedentity", "spaceid", "rawcodes"),
}  # fmt: skip
_OWN_COLUMNS[".kmz"] = _OWN_COLUMNS[".kml"]


def _of_the_format(ending: str, header: str, values: Any) -> bool:
    if header.lower() not in _OWN_COLUMNS.get(ending, ()):
        return False
    if ending == ".dxf":
        return True
    return bool(header.lower() != "id" or len(values) == 0) and len({str(v) for v in values}) <= 1


def _by_bytes(headers: list[str], fields: list[Any], notes: list[str]) -> tuple[list[str], list[Any]]:
    """Headers and text that were read byte by byte, in the encoding that they tell all together."""
    text = [f for f in fields if f.dtype == object]
    odd = [*headers, *(str(v) for f in text for v in f if isinstance(v, str) and not v.isascii())]
    encoding = latin("\n".join(odd).encode("latin-1", "replace"))
    if encoding not in ("utf-8", "cp1252"):
        notes.append(f"text read as {encoding}, by its letters")

    def turned(value: Any) -> Any:
        if not isinstance(value, str) or value.isascii():
            return value
        return value.encode("latin-1", "replace").decode(encoding, "replace")

    out = []
    for field in fields:
        made = field
        if field.dtype == object:
            made = field.copy()
            made[:] = [turned(v) for v in field]
        out.append(made)
    return [turned(h) for h in headers], out


def _as_drawn(shapes: Any, notes: list[str], *, close: bool) -> Any:
    """Shapes as drawn; in drawings, lines that end where they start are areas."""
    import shapely

    out = np.asarray(shapes, dtype=object).copy()
    if close:
        at = np.flatnonzero(
            (shapely.get_type_id(out) == 1) & shapely.is_closed(out) & (shapely.get_num_points(out) > 3)
        )
        out[at] = [shapely.Polygon(shapely.get_coordinates(s)) for s in out[at]]
        if len(at):
            notes.append(f"{len(at)} closed line(s) are taken as the outlines they draw")
    return out


def _by_drawing_layer(table: Table) -> list[Table]:
    """One table for each layer of a drawing, named for it."""
    at = [h.lower() for h in table.headers].index("layer") if "layer" in map(str.lower, table.headers) else -1
    if at < 0 or not len(table.cells):
        return [table]
    names = table.cells[at]
    out = []
    for name in dict.fromkeys(names):
        some = (names == name).to_numpy(dtype=bool)
        where = np.flatnonzero(some)
        new = {int(o): i for i, o in enumerate(where)}
        out.append(
            Table(
                str(name),
                str(name),
                table.headers,
                table.cells[some].reset_index(drop=True),
                table.line[some],
                None if table.typed is None else table.typed[some],
                None if table.shape is None else table.shape[some],
                table.crs,
                odd=[(new[o[0]], *o[1:]) for o in table.odd if o[0] in new],
                notes=list(table.notes),
            )
        )
    return out


def _first(why: Exception, path: Path) -> str:
    """The first sentence of a library's complaint, without the folder."""
    said = str(why).split(";")[0].replace(str(path.absolute()), path.name).replace(str(path), path.name)
    return re.sub(r"\S*decknet-\w+[/\\](?:\d+[/\\])?", "", said).rstrip(". ")


def _checked_degrees(path: Path, shape: Any, crs: str, notes: list[str]) -> str | None:
    """The file's system, unless it is only assumed and the coordinates are no degrees."""
    import shapely

    with path.open("rb") as stream:
        stated = b'"crs"' in stream.read(5_000)
    if stated or crs != "EPSG:4326" or not len(shape):
        return crs
    x0, y0, x1, y1 = shapely.total_bounds(shape)
    if np.isfinite([x0, y0, x1, y1]).all() and (x0 < -180 or x1 > 180 or y0 < -90 or y1 > 90):
        notes.append("the coordinates are no degrees and the file states no coordinate system")
        return None
    return crs


def read_parquet(path: Path) -> list[Table]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with path.open("rb") as stream, pq.ParquetFile(stream) as file:  # nothing is read into the names of folders
            n = file.metadata.num_rows
            if n > max(MOST_ROWS, ROWS_A_BYTE * path.stat().st_size):
                raise RecordError(
                    f"{path.name}: it says that it holds {n:,} rows in {path.stat().st_size:,} bytes, and no records "
                    "pack so small. Write it again."
                )
            frame = file.read()
    except RecordError:
        raise
    except Exception as why:
        raise RecordError(f"{path.name}: the file cannot be read as Parquet ({why}). Write it again.") from why
    described, lead = _described(frame.schema.metadata)
    headers: list[str] = []
    columns: list[tuple[Any, bool]] = []
    shape, crs, notes = None, None, []
    odd: list[tuple[int, str, str, str, str]] = []
    for name, column in zip(frame.column_names, frame.columns, strict=True):
        binary = pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type)
        if binary and (name == lead or (not lead and normal(name) in SHAPE_NAMES)):
            shape, odd = from_bytes(column.to_pylist())
            stated_crs = described.get(name, {}).get("crs", "OGC:CRS84" if name in described else None)
            crs = stated_crs if isinstance(stated_crs, str) else json.dumps(stated_crs) if stated_crs else None
            continue
        if binary or pa.types.is_nested(column.type):
            notes.append(f"column {name!r} holds {column.type} and is not used")
            continue
        try:
            values = _arrow_values(column)
        except (pa.ArrowException, OverflowError, ValueError) as why:
            notes.append(f"column {name!r} holds {column.type} that cannot be written ({why}) and is not used")
            continue
        headers.append(str(name).strip())
        columns.append(as_text(values))
    n = frame.num_rows
    cells = pd.DataFrame({j: c for j, (c, _) in enumerate(columns)}, index=range(n))
    typed = np.zeros((n, len(headers)), dtype=bool)
    for j, (_, number) in enumerate(columns):
        typed[:, j] = number
    line = np.arange(2, n + 2, dtype=np.int64)
    return [Table(path.stem, "", tuple(headers), cells, line, typed, shape, crs, odd=odd, notes=notes)]


def _described(metadata: dict[bytes, bytes] | None) -> tuple[dict[str, dict[str, Any]], str]:
    """What the file tells of its columns of shapes, and which leads; nothing where that cannot be read."""
    try:
        geo = json.loads((metadata or {}).get(b"geo", b"{}"))
    except (ValueError, RecursionError):
        return {}, ""
    geo = geo if isinstance(geo, dict) else {}
    columns, lead = geo.get("columns", {}), geo.get("primary_column", "")
    columns = columns if isinstance(columns, dict) else {}
    return {k: v for k, v in columns.items() if isinstance(v, dict)}, lead if isinstance(lead, str) else ""


def _arrow_values(column: Any) -> Any:
    """Values of an Arrow column, whole numbers not turned into fractions by a gap."""
    values = np.empty(len(column), dtype=object)
    try:
        values[:] = column.to_pylist()
    except OverflowError:  # a day or a time beyond those of the calendar stays as the text of what it is
        values[:] = column.cast("string").to_pylist()
    return values

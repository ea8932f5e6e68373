"""Any file to tables of text, with the line each row stands on.

Numbers, dates and ids stay as they are written: what they mean is decided later, by rules that
can be read. Shapes and their coordinate system come along where the file has them.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
import warnings
import zipfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.errors import RecordError
from decknet.ingest.layout import Grid, lay_out

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["FORMATS", "Table", "read_tables"]

FORMATS = {
    ".csv": "text",
    ".txt": "text",
    ".tsv": "text",
    ".tab": "text",
    ".xlsx": "workbook",
    ".xlsm": "workbook",
    ".geojson": "layers",
    ".json": "layers",
    ".gpkg": "layers",
    ".parquet": "parquet",
    ".geoparquet": "parquet",
}
DELIMITERS = ",;\t|"
NATIONAL_HEADER = "STRUCTURE_NUMBER_008"
SHAPE_NAMES = ("geometry", "geom", "shape", "wkb", "the geom", "wkb geometry")


@dataclass(frozen=True, slots=True)
class Table:
    """One table of a file.

    Attributes
    ----------
    name : str
        Sheet, layer, or the file's own name without its ending.
    sheet : str
        Sheet or layer; empty where the file has but one table.
    headers : tuple of str
        As written, blanks around them dropped.
    cells : DataFrame of str, shape (n, columns)
        Columns are numbered; a cell with nothing in it is empty text.
    line : array of int, shape (n,)
        Line of each row, the file's first being 1.
    typed : array of bool, shape (n, columns), or None
        Cells that were numbers in the file already.
    shape : object array, shape (n,), or None
        Shapes of the rows, heights dropped.
    crs : str or None
        Their coordinate system; None where the file states none.
    odd : list of (position, code, rule, remedy, severity)
        What was found wrong with rows while reading.
    notes : list of str
        What was done to the table as a whole.
    """

    name: str
    sheet: str
    headers: tuple[str, ...]
    cells: pd.DataFrame
    line: np.ndarray[Any, np.dtype[np.int64]]
    typed: np.ndarray[Any, np.dtype[np.bool_]] | None = None
    shape: np.ndarray[Any, np.dtype[np.object_]] | None = None
    crs: str | None = None
    odd: list[tuple[int, str, str, str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def national(self) -> bool:
        """Whether the header is that of the national inventory."""
        return any(h.strip("\"'").upper() == NATIONAL_HEADER for h in self.headers)


def read_tables(path: Path, stated: Sequence[str] = (), only: str = "") -> tuple[list[Table], list[tuple[str, str]]]:
    """Every table of a file, and what is none.

    Parameters
    ----------
    path : Path
        CSV or other delimited text, XLSX, GeoJSON, GeoPackage, Parquet or GeoParquet.
    stated : sequence of str
        Headers that the user names; they help to find the header row.
    only : str
        The one sheet or layer wanted; empty for all.

    Returns
    -------
    tables : list of Table
    others : list of (sheet, why)
        Sheets and layers that hold no table.

    Raises
    ------
    RecordError
        The file is not there, is empty, or is of no format that is read.
    """
    if not path.is_file():
        raise RecordError(f"{path}: there is no such file. Check the name and the folder.")
    format_ = FORMATS.get(path.suffix.lower())
    if format_ is None:
        raise RecordError(
            f"{path.name}: the ending {path.suffix or '(none)'} is of no format that is read. "
            f"Read are {', '.join(FORMATS)}; save the records as one of them."
        )
    if path.stat().st_size == 0:
        raise RecordError(f"{path.name}: the file is empty (0 bytes). Export it again.")
    if format_ == "text":
        return _text(path, stated)
    if format_ == "parquet":
        return _parquet(path), []
    tables, others = _workbook(path, stated, only) if format_ == "workbook" else _layers(path, only)
    if only and not tables and not any(s == only for s, _ in others):
        names = ", ".join(repr(s) for s, _ in others) or "none"
        raise RecordError(f"{path.name}: there is no sheet or layer {only!r}. Found: {names}. Correct the mapping.")
    return tables, others


def _decoded(path: Path) -> tuple[str, str]:
    raw = path.read_bytes()
    if raw[:2] == b"PK":
        raise RecordError(
            f"{path.name}: this is a workbook or an archive, not delimited text. Give it its right ending: .xlsx."
        )
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        tries = ["utf-16"]
    elif len(raw) > 3 and raw[1:40:2].count(0) > len(raw[1:40:2]) // 2:
        tries = ["utf-16-le"]
    else:
        tries = ["utf-8-sig", "cp1252"]
    for encoding in tries:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        note = "" if encoding == "utf-8-sig" else f"text read as {'Windows-1252' if encoding == 'cp1252' else 'UTF-16'}"
        return text, note
    raise RecordError(
        f"{path.name}: the bytes are not text in UTF-8, UTF-16 or Windows-1252. Save the file as CSV UTF-8."
    )


def _text(path: Path, stated: Sequence[str]) -> tuple[list[Table], list[tuple[str, str]]]:
    text, note = _decoded(path)
    notes = [note] if note else []
    first = text.lstrip().split("\n", 1)[0].upper()
    if NATIONAL_HEADER in first:
        grid = _national_grid(path, text)
    else:
        mark = max(DELIMITERS, key=lambda d: _fit(text, d))
        grid = _delimited(path, text, mark)
        if mark != ",":
            notes.append(f"columns split at {'the tab' if mark == chr(9) else repr(mark)}")
    table = lay_out(grid, stated)
    if isinstance(table, str):
        raise RecordError(f"{path.name}: {table} The first line must name the columns.")
    return [_table(grid, table, notes)], []


def _fit(text: str, mark: str) -> tuple[float, float]:
    """How well a delimiter splits the head of a text: rows of equal width, then the width."""
    head = text[:20_000]
    rows = [r for r in csv.reader(io.StringIO(head, newline=""), delimiter=mark) if any(c.strip() for c in r)][:60]
    if len(text) > len(head) and len(rows) > 1:
        rows = rows[:-1]
    widths = [len(r) for r in rows]
    if not widths or max(widths) < 2:
        return (0.0, 0.0)
    usual = max(set(widths), key=lambda w: (widths.count(w), w))
    if usual < 2:
        return (0.0, 0.0)
    named = sum(any(c.isalpha() for c in x) for x in next(r for r in rows if len(r) == usual))
    return (widths.count(usual) / len(widths) * named / usual, usual)


def _delimited(path: Path, text: str, mark: str) -> Grid:
    """Rows of delimited text; a quoted cell may run over several lines."""
    csv.field_size_limit(max(csv.field_size_limit(), len(text) + 1))
    rows: list[list[str]] = []
    lines: list[int] = []
    odd: list[tuple[int, str, str, str, str]] = []
    last = 0
    for strict in (True, False):
        rows, lines, last = [], [], 0
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=strict)
        try:
            for row in reader:
                rows.append(row)
                lines.append(last + 1)
                last = reader.line_num
            break
        except csv.Error as why:
            if "unexpected end" in str(why) or "new-line" in str(why):
                raise RecordError(
                    f"{path.name} line {last + 1}: a quoted cell that starts here is never closed, so the rest of the "
                    'file would be taken as its text. Close the quote; a quote inside a quoted cell is written "".'
                ) from None
            odd = [
                (
                    last + 1,
                    "F-QUOTES",
                    'a quote inside a quoted cell is written ""',
                    "Check the cells of this line and of later ones with quotes.",
                    "flag",
                )
            ]
    if odd and rows:  # the loose reading may have run to the end inside one quote
        tail = text.splitlines(keepends=True)[lines[-1] - 1 :]
        try:
            for _ in csv.reader(tail, delimiter=mark, strict=True):
                pass
        except csv.Error as why:
            if "unexpected end" in str(why):
                raise RecordError(
                    f"{path.name} line {lines[-1]}: a quoted cell that starts here is never closed. Close the quote."
                ) from None
    return Grid(path.stem, "", rows, lines, odd=odd, ragged=True)


_NATIONAL_CELL = re.compile(r"'(.*?)'(?=,|$)|([^,]*)")


def _national_grid(path: Path, text: str) -> Grid:
    """Rows of the national inventory: text in single quotes, an apostrophe inside not escaped."""
    rows: list[list[str]] = []
    lines: list[int] = []
    width = 0
    for number, raw in enumerate(text.split("\n"), start=1):
        line = raw.rstrip("\r")
        if not line.strip():
            continue
        cells = line.split(",")
        if width and (len(cells) != width or any(_opened(c) for c in cells)):
            cells = _quoted_cells(line)
        width = width or len(cells)
        rows.append(cells)
        lines.append(number)
    return Grid(path.stem, "", rows, lines, ragged=True)


def _opened(cell: str) -> bool:
    held = cell.strip()
    return held.startswith("'") and not (len(held) > 1 and held.endswith("'"))


def _quoted_cells(line: str) -> list[str]:
    out: list[str] = []
    at = 0
    while at <= len(line):
        found = _NATIONAL_CELL.match(line, at)
        end = line.find(",", at) if found is None else found.end()
        end = len(line) if end < 0 else end
        out.append(line[at:end])
        at = end + 1
    return out


def _table(
    grid: Grid, laid: tuple[list[str], list[int], dict[int, tuple[str, str, str, str]]], notes: list[str]
) -> Table:
    headers, keep, odd = laid
    width = len(headers)
    rows = [grid.rows[i][:width] + [""] * (width - len(grid.rows[i])) for i in keep]
    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    cells = pd.DataFrame({j: pd.array(list(c), dtype="str") for j, c in enumerate(columns)})
    typed = None
    if grid.typed is not None:
        typed = np.zeros((len(keep), width), dtype=bool)
        for at, i in enumerate(keep):
            for j in grid.typed[i]:
                if j < width:
                    typed[at, j] = True
    lines = np.array([grid.lines[i] for i in keep], dtype=np.int64)
    found = [(at, *odd[i]) for at, i in enumerate(keep) if i in odd]
    where = {int(line): at for at, line in enumerate(lines)}
    found += [(where[o[0]], *o[1:]) for o in grid.odd if o[0] in where]
    return Table(grid.name, grid.sheet, tuple(headers), cells, lines, typed, odd=found, notes=[*notes, *grid.notes])


def _cell(value: Any) -> tuple[str, bool]:
    """A value of a workbook as text, and whether it was a number."""
    if isinstance(value, str):
        return value, False
    if isinstance(value, bool):
        return ("true" if value else "false"), False
    if isinstance(value, (int, float)):
        number = float(value)
        return (str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)), True
    if isinstance(value, dt.datetime):
        day = value.date().isoformat()
        return (day if value.time() == dt.time() else value.isoformat(sep=" ")), False
    return ("" if value is None else str(value)), False


def _workbook(path: Path, stated: Sequence[str], only: str) -> tuple[list[Table], list[tuple[str, str]]]:
    import python_calamine

    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        errors = _error_cells(path)
    except Exception as why:
        raise RecordError(
            f"{path.name}: the workbook cannot be opened ({why}). Open it in a spreadsheet program and save it again."
        ) from why
    tables: list[Table] = []
    others: list[tuple[str, str]] = []
    for position, sheet in enumerate(book.sheet_names):
        if only and sheet != only:
            others.append((sheet, "another sheet is named in the mapping"))
            continue
        page = book.get_sheet_by_name(sheet)
        pairs = [[_cell(v) for v in row] for row in page.to_python(skip_empty_area=False)]
        rows = [[text for text, _ in row] for row in pairs]
        for (i, j), word in errors.get(position, {}).items():
            if i < len(rows) and j < len(rows[i]):
                rows[i][j] = word
        typed = [{j for j, (_, number) in enumerate(row) if number} for row in pairs]
        grid = Grid(
            sheet, sheet, rows, list(range(1, len(rows) + 1)), typed=typed, merged=list(page.merged_cell_ranges or [])
        )
        laid = lay_out(grid, stated)
        if isinstance(laid, str):
            others.append((sheet, laid))
        else:
            tables.append(_table(grid, laid, []))
    return tables, others


def _error_cells(path: Path) -> dict[int, dict[tuple[int, int], str]]:
    """Cells that hold an error such as #REF!, by sheet, row and column, from the workbook's own parts."""
    out: dict[int, dict[tuple[int, int], str]] = {}
    with zipfile.ZipFile(path) as parts:
        names = set(parts.namelist())
        if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
            return out
        book = parts.read("xl/workbook.xml").decode("utf-8", "replace")
        links = parts.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
        target = {}
        for link in re.findall(r"<Relationship\b[^>]*>", links):
            ident, to = re.search(r'\bId="([^"]+)"', link), re.search(r'\bTarget="([^"]+)"', link)
            if ident and to:
                target[ident[1]] = to[1].lstrip("/").removeprefix("xl/")
        for position, sheet in enumerate(re.findall(r"<sheet\b[^>]*>", book)):
            ident = re.search(r'\br:id="([^"]+)"', sheet)
            part = f"xl/{target.get(ident[1], '')}" if ident else ""
            if part not in names:
                continue
            body = parts.read(part)
            if b't="e"' not in body:
                continue
            found = out.setdefault(position, {})
            for cell in re.finditer(rb'<c\b[^>]*\bt="e"[^>]*>.*?</c>', body, re.S):
                ref = re.search(rb'\br="([A-Z]+)(\d+)"', cell[0])
                word = re.search(rb"<v>([^<]*)</v>", cell[0])
                if ref:
                    column = 0
                    for letter in ref[1].decode():
                        column = column * 26 + ord(letter) - 64
                    found[(int(ref[2]) - 1, column - 1)] = word[1].decode() if word else "#ERROR!"
    return out


def _as_text(values: Any) -> tuple[Any, bool]:
    """A column of a layer or a Parquet file as text, and whether it holds numbers."""
    array = np.asarray(values)
    kind = array.dtype.kind
    if kind == "b":
        return pd.array(np.where(array, "true", "false").tolist(), dtype="str"), False
    if kind in "iu":
        return pd.array([str(v) for v in array.tolist()], dtype="str"), True
    if kind == "f":
        return pd.array(["" if v != v else _cell(v)[0] for v in array.tolist()], dtype="str"), True
    if kind == "M":
        text = np.datetime_as_string(array, unit="s") if array.dtype != np.dtype("datetime64[D]") else array.astype(str)
        return pd.array([t.removesuffix("T00:00:00").replace("NaT", "") for t in text.tolist()], dtype="str"), False
    cells = [_cell(v) for v in array.tolist()]
    return pd.array([t for t, _ in cells], dtype="str"), bool(cells) and all(n or t == "" for t, n in cells)


def _layers(path: Path, only: str) -> tuple[list[Table], list[tuple[str, str]]]:
    import pyogrio
    import shapely

    tables: list[Table] = []
    others: list[tuple[str, str]] = []
    try:
        names = [str(name) for name, _ in pyogrio.list_layers(path)]
    except Exception as why:
        raise RecordError(
            f"{path.name}: the file cannot be opened as map data ({_first(why, path)}). "
            "Export it again as GeoPackage or GeoJSON."
        ) from why
    for layer in names:
        if only and layer != only:
            others.append((layer, "another layer is named in the mapping"))
            continue
        notes: list[str] = []
        try:
            with warnings.catch_warnings(record=True) as said:
                warnings.simplefilter("always")
                meta, _, wkb, fields = pyogrio.raw.read(path, layer=layer, force_2d=True)
        except Exception as why:
            raise RecordError(f"{path.name} layer {layer}: the layer cannot be read ({why}). Export it again.") from why
        notes += [str(w.message) for w in said]
        headers = [str(f).strip() for f in meta["fields"]]
        n = len(fields[0]) if fields else (0 if wkb is None else len(wkb))
        columns = [_as_text(f) for f in fields]
        cells = pd.DataFrame({j: c for j, (c, _) in enumerate(columns)}, index=range(n))
        typed = np.zeros((n, len(headers)), dtype=bool)
        for j, (_, number) in enumerate(columns):
            typed[:, j] = number
        shape = None if wkb is None else shapely.from_wkb(wkb, on_invalid="ignore")
        crs = meta.get("crs")
        if crs is not None and ("ENGCRS" in crs or "LOCAL_CS" in crs or "Undefined" in crs):
            crs = None
        if path.suffix.lower() != ".gpkg" and shape is not None and crs is not None:
            crs = _checked_degrees(path, shape, crs, notes)
        own = layer if len(names) > 1 or path.suffix.lower() == ".gpkg" else ""
        name = layer if own or layer else path.stem
        tables.append(
            Table(name, own, tuple(headers), cells, np.arange(2, n + 2, dtype=np.int64), typed, shape, crs, notes=notes)
        )
    return tables, others


def _first(why: Exception, path: Path) -> str:
    """The first sentence of a library's complaint, without the folder."""
    return str(why).split(";")[0].replace(str(path), path.name).rstrip(". ")


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


def _parquet(path: Path) -> list[Table]:
    import pyarrow as pa
    import pyarrow.parquet as pq
    import shapely

    try:
        frame = pq.read_table(path)
    except Exception as why:
        raise RecordError(f"{path.name}: the file cannot be read as Parquet ({why}). Write it again.") from why
    geo = json.loads(frame.schema.metadata.get(b"geo", b"{}")) if frame.schema.metadata else {}
    described = geo.get("columns", {})
    lead = geo.get("primary_column", "")
    headers: list[str] = []
    columns: list[tuple[Any, bool]] = []
    shape, crs, notes = None, None, []
    for name, column in zip(frame.column_names, frame.columns, strict=True):
        binary = pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type)
        if binary and (name == lead or (not lead and normal(name) in SHAPE_NAMES)):
            shape = shapely.force_2d(shapely.from_wkb(column.to_pylist(), on_invalid="ignore"))
            stated_crs = described.get(name, {}).get("crs", "OGC:CRS84" if name in described else None)
            crs = json.dumps(stated_crs) if isinstance(stated_crs, dict) else stated_crs
            continue
        if binary or pa.types.is_nested(column.type):
            notes.append(f"column {name!r} holds {column.type} and is not used")
            continue
        headers.append(str(name).strip())
        columns.append(_as_text(_arrow_values(column)))
    n = frame.num_rows
    cells = pd.DataFrame({j: c for j, (c, _) in enumerate(columns)}, index=range(n))
    typed = np.zeros((n, len(headers)), dtype=bool)
    for j, (_, number) in enumerate(columns):
        typed[:, j] = number
    line = np.arange(2, n + 2, dtype=np.int64)
    return [Table(path.stem, "", tuple(headers), cells, line, typed, shape, crs, notes=notes)]


def _arrow_values(column: Any) -> Any:
    """Values of an Arrow column, whole numbers not turned into fractions by a gap."""
    values = np.empty(len(column), dtype=object)
    values[:] = column.to_pylist()
    return values

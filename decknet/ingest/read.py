"""Any file to tables of text, with the line each row stands on.

Numbers, dates and ids stay as they are written: what they mean is decided later, by rules that
can be read. Shapes and their coordinate system come along where the file has them.
"""

from __future__ import annotations

import zipfile
from typing import TYPE_CHECKING

from decknet.errors import RecordError
from decknet.ingest.open_formats import read_open
from decknet.ingest.read_gis import read_layers, read_parquet
from decknet.ingest.read_sheets import read_sheets
from decknet.ingest.read_text import read_text
from decknet.ingest.table import Table

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
    ".xlsb": "workbook",
    ".xls": "workbook",
    ".ods": "workbook",
    ".geojson": "layers",
    ".json": "layers",
    ".gpkg": "layers",
    ".shp": "layers",
    ".dbf": "layers",
    ".kml": "layers",
    ".kmz": "layers",
    ".dxf": "layers",
    ".fgb": "layers",
    ".parquet": "parquet",
    ".geoparquet": "parquet",
    ".xml": "open",
}


def read_tables(
    path: Path, stated: Sequence[str] = (), only: str = "", encoding: str = ""
) -> tuple[list[Table], list[tuple[str, str]]]:
    """Every table of a file, and what is none.

    Parameters
    ----------
    path : Path
        Any of ``FORMATS``: delimited text, workbooks, map layers, Parquet.
    stated : sequence of str
        Headers that the user names; they help to find the header row.
    only : str
        The one sheet or layer wanted; empty for all.
    encoding : str
        Of delimited text, as stated; empty to tell it by the bytes.

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
    opened = read_open(path)
    if opened is not None:
        return opened, []
    format_, note = _by_content(path, format_)
    tables, others = _read(path, format_, stated, only, encoding)
    if note:
        for table in tables:
            table.notes.insert(0, note)
    return tables, others


def _by_content(path: Path, format_: str) -> tuple[str, str]:
    """What a file is by its first bytes, where its ending says otherwise."""
    with path.open("rb") as stream:
        head = stream.read(4096)
    workbook = head.startswith(b"\xd0\xcf\x11\xe0") or (head.startswith(b"PK") and _parts(path) & WORKBOOK_PARTS)
    if format_ == "text" and workbook:
        return "workbook", f"the ending says {path.suffix}, and the file is a workbook; read as one"
    if format_ == "workbook" and not workbook and not head.startswith(b"PK"):
        start = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
        if start.startswith((b"<", b"mime-version")):
            raise RecordError(
                f"{path.name}: this is a web page under the name of a workbook. Open it in a spreadsheet program and "
                "save it as .xlsx."
            )
        if (b"\0" not in head or head[:2] in (b"\xff\xfe", b"\xfe\xff")) and b"\n" in head:
            return "text", f"the ending says {path.suffix}, and the file is delimited text; read as that"
    return format_, ""


WORKBOOK_PARTS = {"xl/workbook.xml", "xl/workbook.bin", "content.xml"}


def _parts(path: Path) -> set[str]:
    try:
        with zipfile.ZipFile(path) as parts:
            return set(parts.namelist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return set()


def _read(
    path: Path, format_: str, stated: Sequence[str], only: str, encoding: str
) -> tuple[list[Table], list[tuple[str, str]]]:
    if format_ == "text":
        return read_text(path, stated, encoding)
    if format_ == "parquet":
        return read_parquet(path), []
    tables, others = read_sheets(path, stated, only) if format_ == "workbook" else read_layers(path, only)
    if only and not tables and not any(s == only for s, _ in others):
        names = ", ".join(repr(s) for s, _ in others) or "none"
        raise RecordError(f"{path.name}: there is no sheet or layer {only!r}. Found: {names}. Correct the mapping.")
    return tables, others

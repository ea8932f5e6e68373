"""What the reader of cells does not tell of a workbook: error cells, percentages, formulas without a value, hidden
rows, and the day dates count from."""

from __future__ import annotations

import re
import struct
import zipfile
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from decknet.errors import RecordError
from decknet.ingest.archive import open_packed

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["Parts", "parts_of"]

EPOCH_1900, EPOCH_1904 = "1899-12-30", "1904-01-01"
TOO_LARGE_BYTES = 2_000_000_000  # of one sheet, unpacked
MOST_CELLS = 30_000_000  # in the rectangle round all cells of a sheet, which its reader holds whole ...
MOST_EMPTY = 50  # ... unless one in so many is filled
_OLD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ERRORS = {0: "#NULL!", 7: "#DIV/0!", 15: "#VALUE!", 23: "#REF!", 29: "#NAME?", 36: "#NUM!", 42: "#N/A"}

Cell = tuple[int, int]


@dataclass(slots=True)
class Parts:
    """By sheet and by row and column, both counted from 0.

    Attributes
    ----------
    errors : dict
        The word that an error cell shows.
    percent : dict
        Numbers shown as a percentage: 0.095 stands as 9.5 %.
    bare : dict
        Formulas of which no value is stored.
    hidden : dict
        Rows not shown, counted from 1.
    epoch : str
        Day 0 of serial dates, ISO; empty where the workbook has none.
    """

    errors: dict[int, dict[Cell, str]] = field(default_factory=dict)
    percent: dict[int, set[Cell]] = field(default_factory=dict)
    bare: dict[int, set[Cell]] = field(default_factory=dict)
    hidden: dict[int, set[int]] = field(default_factory=dict)
    epoch: str = ""


def parts_of(path: Path) -> Parts:
    """The parts of a workbook: XLSX, ODS or XLS; of XLSB nothing is told, and its cells are looked at all the same.

    Raises
    ------
    RecordError
        Unpacked it would fill far more room than it takes, or a cell stands so far off that the rectangle round all
        cells cannot be held.
    """
    out = Parts()
    with path.open("rb") as stream:
        old = stream.read(8) == _OLD
    try:
        if old:
            _old_book(path.read_bytes(), out)
        elif zipfile.is_zipfile(path):
            with open_packed(path, "workbook") as archive:
                names = set(archive.namelist())
                if {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
                    _new_book(archive, names, out)
                elif "content.xml" in names:
                    _open_book(_whole(archive, "content.xml"), out)
                elif "xl/workbook.bin" in names:
                    for part in sorted(n for n in names if re.fullmatch(r"xl/worksheets/[^/]+\.bin", n)):
                        _binary_sheet(_whole(archive, part))
    except _DamagedError as why:
        raise RecordError(
            f"{path.name}: the workbook is damaged: its blocks lead round, or out of the file. Open it in a "
            "spreadsheet program and save it as .xlsx."
        ) from why
    except _TooFarError as why:
        raise RecordError(
            f"{path.name}: a cell stands at row {why.rows:,}, column {why.columns:,}, far from the rest: the sheet "
            f"would span {why.rows * why.columns:,} cells. Delete what stands away from the table, and save it again."
        ) from None
    return out


class _TooFarError(Exception):
    """The rectangle round all cells of a sheet is too large and almost empty."""

    def __init__(self, rows: int, columns: int) -> None:
        super().__init__(rows, columns)
        self.rows, self.columns = rows, columns


def _check_span(rows: int, columns: int, filled: int) -> None:
    if rows * columns > max(MOST_CELLS, MOST_EMPTY * filled):
        raise _TooFarError(rows, columns)


def _whole(archive: zipfile.ZipFile, part: str) -> bytes:
    """A part to its end, so that a false size or sum is found; none is larger than a sheet may be."""
    if archive.getinfo(part).file_size > TOO_LARGE_BYTES:
        raise ValueError(f"{part} would fill {archive.getinfo(part).file_size:,} bytes")
    return archive.read(part)


# ---- XLSX ---------------------------------------------------------------------------------------


def _new_book(archive: zipfile.ZipFile, names: set[str], out: Parts) -> None:
    book = _whole(archive, "xl/workbook.xml").decode("utf-8", "replace")
    out.epoch = EPOCH_1904 if re.search(r'\bdate1904="(?:1|true)"', book) else EPOCH_1900
    links = _whole(archive, "xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
    target = {}
    for link in re.findall(r"<Relationship\b[^>]*>", links):
        ident, to = re.search(r'\bId="([^"]+)"', link), re.search(r'\bTarget="([^"]+)"', link)
        if ident and to:
            target[ident[1]] = to[1].lstrip("/").removeprefix("xl/")
    styles = _whole(archive, "xl/styles.xml").decode("utf-8", "replace") if "xl/styles.xml" in names else ""
    shares = _percent_styles(styles)
    positions = {}
    for position, sheet in enumerate(re.findall(r"<sheet\b[^>]*>", book)):
        ident = re.search(r'\br:id="([^"]+)"', sheet)
        if ident:
            positions[f"xl/{target.get(ident[1], '')}"] = position
    # Every part that holds cells or text, not those alone that are named: another reader may find them otherwise.
    for part in sorted(n for n in names if re.search(r"sheet|strings", n, re.I) or n in positions):
        if part.endswith("/"):
            continue
        body = _whole(archive, part)
        _near(body)
        if part in positions:
            _scan(body, positions[part], shares, out)


_WIDE = re.compile(rb"""r\s*=\s*["']([A-Za-z]{2,})[0-9]""")  # a cell beyond the 26th column
_LOW = re.compile(rb"""r\s*=\s*["'][A-Za-z]*([0-9]{7,})["']""")  # a row or a cell beyond row 999,999
_ROW = re.compile(rb"""r\s*=\s*["'][A-Za-z]*([0-9]+)["']""")
LAST_ROW = 1_048_576  # of a sheet of this layout


def _near(body: bytes) -> None:
    """No cell of a sheet beyond the last row, and none far from the rest."""
    columns = max((_column(letters) for letters in set(_WIDE.findall(body))), default=26)
    low = max((int(n[:20]) for n in set(_LOW.findall(body))), default=0)
    if low > LAST_ROW:
        raise _TooFarError(low, columns)
    if columns > 26:
        rows = max((int(n[:20]) for n in set(_ROW.findall(body))), default=1)
        _check_span(rows, columns, body.count(b"<c ") + body.count(b":c "))


def _column(letters: bytes) -> int:
    column = 0
    for letter in letters[:7].decode().upper():
        column = column * 26 + ord(letter) - 64
    return column


def _binary_sheet(body: bytes) -> None:
    """As ``_near``, of a sheet of the binary layout: records of a kind and a length, both in groups of seven bits."""
    at = rows = columns = filled = 0

    def number(most: int) -> int:
        nonlocal at
        value = 0
        for n in range(most):
            byte = body[at]
            at += 1
            value |= (byte & 0x7F) << (7 * n)
            if byte < 0x80:
                break
        return value

    with suppress(IndexError, struct.error):  # what is cut off is refused by the reader of cells
        while at < len(body):
            kind, length = number(2), number(4)
            if kind == 0:
                rows = max(rows, struct.unpack_from("<I", body, at)[0] + 1)
            elif kind <= 11:
                columns, filled = max(columns, struct.unpack_from("<I", body, at)[0] + 1), filled + 1
            at += length
    _check_span(rows, columns, filled)


def _percent_styles(styles: str) -> set[bytes]:
    """Numbers of the cell styles that show a percentage."""
    made = dict(re.findall(r'<numFmt\b[^>]*\bnumFmtId="(\d+)"[^>]*\bformatCode="([^"]*)"', styles))
    cells = re.search(r"<cellXfs\b.*?</cellXfs>", styles, re.S)
    out = set()
    for number, look in enumerate(re.findall(r"<xf\b[^>]*>", cells[0] if cells else "")):
        ident = re.search(r'\bnumFmtId="(\d+)"', look)
        if ident and (ident[1] in ("9", "10") or _is_percent(made.get(ident[1], ""))):
            out.add(str(number).encode())
    return out


def _is_percent(code: str) -> bool:
    return "%" in re.sub(r'"[^"]*"|&quot;.*?&quot;|\\.|\[[^\]]*\]', "", code)


def _at(ref: bytes) -> Cell | None:
    found = re.search(rb'\br="([A-Z]+)(\d+)"', ref)
    if not found:
        return None
    return int(found[2]) - 1, _column(found[1]) - 1


def _scan(body: bytes, position: int, shares: set[bytes], out: Parts) -> None:
    if b'hidden="' in body:
        for row in re.finditer(rb"<row\b[^>]*>", body):
            number = re.search(rb'\br="(\d+)"', row[0])
            if number and re.search(rb'\bhidden="(?:1|true)"', row[0]):
                out.hidden.setdefault(position, set()).add(int(number[1]))
    if b't="e"' in body:
        found = out.errors.setdefault(position, {})
        for cell in re.finditer(rb'<c\b[^>]*\bt="e"[^>]*>.*?</c>', body, re.S):
            word = re.search(rb"<v>([^<]*)</v>", cell[0])
            if at := _at(cell[0]):
                found[at] = word[1].decode("utf-8", "replace") if word else "#ERROR!"
    if b"<f" in body:
        for cell in re.finditer(rb"<c\b([^>]*[^>/])>\s*<f\b[^>]*?(?:/>|>[^<]*</f>)\s*(?:<v>([^<]*)</v>|<v/>)?", body):
            if not cell[2] and b't="e"' not in cell[1] and b't="str"' not in cell[1] and (at := _at(cell[1])):
                out.bare.setdefault(position, set()).add(at)
    if shares and any(b's="' + s + b'"' in body for s in shares):
        for cell in re.finditer(rb'<c\b([^>]*\bs="(\d+)"[^>]*)>', body):
            if cell[2] in shares and b't="' not in cell[1] and (at := _at(cell[1])):
                out.percent.setdefault(position, set()).add(at)


# ---- ODS ----------------------------------------------------------------------------------------

_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"
_WORD = re.compile(r"#[A-Z0-9/]+[!?]?|Err:\d+")


def _open_book(body: bytes, out: Parts) -> None:
    if b"<!DOCTYPE" in body[: body.find(b"<", body.find(b"?>") + 1) + 4096]:
        raise ValueError("it declares a document type, by which it could call for other files")
    try:
        root = ElementTree.fromstring(body)  # noqa: S314  (no document type, so no entity)
    except ElementTree.ParseError as why:  # on which the reader of cells might go on for ever
        raise ValueError(f"its cells are no well-formed XML: {why}") from why
    for position, sheet in enumerate(root.iter(f"{_TABLE}table")):
        i = filled = width = last = 0
        for row in sheet.iter(f"{_TABLE}table-row"):
            times = _times(row, "rows")
            if times < 1_000 and row.get(f"{_TABLE}visibility", "visible") != "visible":
                out.hidden.setdefault(position, set()).update(range(i + 1, i + times + 1))
            j = 0
            for cell in row:
                if cell.tag not in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
                    continue
                across = _times(cell, "columns")
                if times * across < 10_000:
                    _open_cell(cell, [(i + a, j + b) for a in range(times) for b in range(across)], position, out)
                j += across
                if len(cell) or cell.get(f"{_OFFICE}value-type"):
                    filled, width = filled + 1, max(width, j)
                    last = i + times
            i += times
        _check_span(last, width, filled)


def _times(part: Any, what: str) -> int:
    given = part.get(f"{_TABLE}number-{what}-repeated", "1")
    return int(given) if given.isdigit() else 1


def _open_cell(cell: Any, where: list[Cell], position: int, out: Parts) -> None:
    formula = cell.get(f"{_TABLE}formula") is not None
    kind = cell.get(f"{_OFFICE}value-type", "")
    if cell.get(f"{_CALC}value-type") == "error" or formula:
        shown = "".join(cell.itertext()).strip()
        if cell.get(f"{_CALC}value-type") == "error" or _WORD.fullmatch(shown):
            out.errors.setdefault(position, {}).update(dict.fromkeys(where, shown or "#ERROR!"))
            return
        if not kind and not shown:
            out.bare.setdefault(position, set()).update(where)
    if kind == "percentage":
        out.percent.setdefault(position, set()).update(where)


# ---- XLS ----------------------------------------------------------------------------------------

_END = 0xFFFFFFF0  # numbers of blocks from here on are no blocks


class _DamagedError(Exception):
    """A compound file whose blocks lead round or out of it: its reader would follow them without end."""


def _old_book(data: bytes, out: Parts) -> None:
    """Error cells and percentages of a workbook of the older binary layout; what cannot be read is left alone."""
    with suppress(struct.error, IndexError, ValueError, MemoryError):
        book = _stream(data)
        if book:
            _records(book, out)


def _stream(data: bytes) -> bytes:
    """The workbook's own stream out of the compound file round it; the blocks of every stream are followed."""
    size = 1 << min(struct.unpack_from("<H", data, 30)[0], 20)
    small = 1 << min(struct.unpack_from("<H", data, 32)[0], 20)
    (root_at, least, small_at) = (struct.unpack_from("<I", data, n)[0] for n in (48, 56, 60))
    most = -(-max(len(data) - 512, 0) // size)
    table: list[int] = []
    for block in _heads(data, size, most):
        table += struct.unpack_from(f"<{size // 4}I", data.ljust(512 + (block + 1) * size, b"\0"), 512 + block * size)

    def chain(start: int, links: list[int], body: bytes, step: int, lead: int) -> bytes:
        found: list[bytes] = []
        while start < _END:
            if start >= len(links) or len(found) > len(links) or lead + start * step > len(body):
                raise _DamagedError
            found.append(body[lead + start * step : lead + (start + 1) * step])
            start = links[start]
        return b"".join(found)

    folder = chain(root_at, table, data, size, 512)
    entries = [folder[n : n + 128] for n in range(0, len(folder) - 127, 128)]
    if not entries:
        raise _DamagedError
    within = chain(struct.unpack_from("<I", entries[0], 116)[0], table, data, size, 512)
    body = chain(small_at, table, data, size, 512)
    links = list(struct.unpack(f"<{len(body) // 4}I", body[: len(body) // 4 * 4]))
    book = b""
    for entry in entries:
        start, length = struct.unpack_from("<II", entry, 116)
        if entry[66] != 2 or not length:
            continue
        held = chain(start, *((table, data, size, 512) if length >= least else (links, within, small, 0)))[:length]
        name = entry[: max(struct.unpack_from("<H", entry, 64)[0] - 2, 0)].decode("utf-16-le", "replace")
        if name == "Workbook" or (name == "Book" and not book):
            book = held
    return book


def _heads(data: bytes, size: int, most: int) -> list[int]:
    """Numbers of the blocks that hold the table of blocks."""
    heads = list(struct.unpack_from("<109I", data, 76))
    more, seen = struct.unpack_from("<I", data, 68)[0], 0
    while more < _END:
        seen += 1
        if more >= most or seen > most:
            raise _DamagedError
        listed = struct.unpack_from(f"<{size // 4}I", data.ljust(512 + (more + 1) * size, b"\0"), 512 + more * size)
        heads += listed[:-1]
        more = listed[-1]
    heads = [block for block in heads if block < _END]
    if any(block >= most for block in heads):
        raise _DamagedError
    return heads


_CELLS = frozenset(
    {0x06, 0x01, 0x02, 0x03, 0x04, 0x05, 0xBD, 0xBE, 0xD6, 0xFD, 0x201, 0x203, 0x204, 0x205, 0x207, 0x27E}
)


def _each(book: bytes, at: int) -> Iterator[tuple[int, bytes]]:
    while at + 4 <= len(book):
        kind, length = struct.unpack_from("<HH", book, at)
        yield kind, book[at + 4 : at + 4 + length]
        at += 4 + length


def _records(book: bytes, out: Parts) -> None:
    sheets: list[int] = []
    looks: list[int] = []
    percent = {9, 10}
    for kind, body in _each(book, 0):
        if kind == 0x85:
            sheets.append(struct.unpack_from("<I", body, 0)[0])
        elif kind == 0x41E and _is_percent(body[2:].replace(b"\0", b"").decode("latin-1")):
            percent.add(struct.unpack_from("<H", body, 0)[0])
        elif kind == 0xE0:
            looks.append(struct.unpack_from("<H", body, 2)[0])
        elif kind == 0x22:
            out.epoch = EPOCH_1904 if body[:1] == b"\1" else EPOCH_1900
        elif kind == 0x0A:
            break
    shares = {n for n, look in enumerate(looks) if look in percent}
    for position, start in enumerate(sheets):
        rows = columns = filled = 0
        for kind, body in _each(book, start):
            if kind == 0x0A:
                break
            if kind == 0x200 and len(body) >= 12:  # what the sheet says of its own size; room is made for it
                first, last, left, right = struct.unpack_from("<IIHH", body, 0)
                rows, columns = max(rows, last - first + 1), max(columns, right - left + 1)
            elif kind in _CELLS and len(body) >= 4:
                row, column = struct.unpack_from("<HH", body, 0)
                rows, columns, filled = max(rows, row + 1), max(columns, column + 1), filled + 1
            if kind == 0xBD:  # several numbers in one row
                row, first = struct.unpack_from("<HH", body, 0)
                for n in range((len(body) - 6) // 6):
                    if struct.unpack_from("<H", body, 4 + 6 * n)[0] in shares:
                        out.percent.setdefault(position, set()).add((row, first + n))
            elif kind in (0x205, 0x203, 0x27E, 0x06):
                row, column, look = struct.unpack_from("<HHH", body, 0)
                error = body[6] if kind == 0x205 and body[7] else None
                if kind == 0x06 and body[12:14] == b"\xff\xff" and body[6] == 2:
                    error = body[8]
                if error is not None:
                    out.errors.setdefault(position, {})[row, column] = _ERRORS.get(error, "#ERROR!")
                elif look in shares and kind != 0x205 and not (kind == 0x06 and body[12:14] == b"\xff\xff"):
                    out.percent.setdefault(position, set()).add((row, column))
            elif kind == 0x208 and len(body) >= 16 and struct.unpack_from("<I", body, 12)[0] & 0x20:
                out.hidden.setdefault(position, set()).add(struct.unpack_from("<H", body, 0)[0] + 1)
        _check_span(rows, columns, filled)

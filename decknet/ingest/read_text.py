"""Delimited text, in any usual encoding, with the line each row starts on."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING

from decknet.errors import RecordError
from decknet.ingest.fixed_width import is_fixed_width, read_fixed_width
from decknet.ingest.layout import Grid, lay_out
from decknet.ingest.read_plain import read_plain
from decknet.ingest.table import NATIONAL_HEADER, Table, table_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["read_text"]

DELIMITERS = ",;\t|"
_FIRST = re.compile(r"\S[^\n]*")  # the first line with anything on it
_SEP = re.compile(r"sep=(.)\r?\n", re.I)  # a first line by which spreadsheets state the delimiter


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
    elif len(raw) > 3 and raw[:40:2].count(0) > len(raw[:40:2]) // 2:
        tries = ["utf-16-be"]
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


def read_text(path: Path, stated: Sequence[str]) -> tuple[list[Table], list[tuple[str, str]]]:
    text, note = _decoded(path)
    notes = [note] if note else []
    if is_fixed_width(text):
        return [read_fixed_width(path, text)], []
    first = _FIRST.search(text)
    if first is not None and NATIONAL_HEADER in first[0].upper():
        grid, mark = _national_grid(path, text), ","
    else:
        told = _SEP.match(text)
        mark = told[1] if told else max(DELIMITERS, key=lambda d: _fit(text, d))
        if mark != ",":
            notes.append(f"columns split at {'the tab' if mark == chr(9) else repr(mark)}")
        plain = None if told else read_plain(path.stem, text, mark, stated, notes)
        if plain is not None:
            return [plain], []
        grid = _delimited(path, text, mark)
        if told and grid.rows:
            del grid.rows[0], grid.lines[0]
    table = lay_out(grid, stated)
    if isinstance(table, str):
        raise RecordError(f"{path.name}: {table} The first line must name the columns.")
    return [table_of(grid, table, notes, delimiter=mark)], []


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

"""Delimited text, in any usual encoding, with the line each row starts on."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from typing import TYPE_CHECKING

from decknet.errors import RecordError
from decknet.ingest.encodings import decoded
from decknet.ingest.fixed_width import is_fixed_width, read_fixed_width
from decknet.ingest.layout import Grid, beside, lay_out, upright
from decknet.ingest.read_plain import read_plain
from decknet.ingest.table import NATIONAL_HEADER, Table, table_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["read_text"]

DELIMITERS = ",;\t|"
_FIRST = re.compile(r"\S[^\n]*")  # the first line with anything on it
_SEP = re.compile(r"sep=(.)\r?\n", re.I)  # a first line by which spreadsheets state the delimiter


def read_text(path: Path, stated: Sequence[str], encoding: str = "") -> tuple[list[Table], list[tuple[str, str]]]:
    text, note = decoded(path, encoding)
    notes = [note] if note else []
    if is_fixed_width(text):
        return [read_fixed_width(path, text)], []
    first = _FIRST.search(text)
    if first is not None and NATIONAL_HEADER in first[0].upper():
        grid, mark = _single_quoted(path, text, ",", strip=False), ","
    else:
        told = _SEP.match(text)
        mark = told[1] if told else _delimiter(text)
        if mark != ",":
            notes.append(f"columns split at {'the tab' if mark == chr(9) else repr(mark)}")
        single = '"' not in text[: _LOOKED_AT[0]] and _quoted_singly(text, mark)
        plain = None if told or single else read_plain(path.stem, text, mark, stated, notes)
        if plain is not None:
            return [plain], []
        grid = _single_quoted(path, text, mark, strip=True) if single else _delimited(path, text, mark)
        if told and grid.rows:
            del grid.rows[0], grid.lines[0]
    tables = []
    for part in beside(upright(grid)):
        table = lay_out(part, stated)
        if isinstance(table, str):
            raise RecordError(f"{path.name}: {table} The first line must name the columns.")
        tables.append(table_of(part, table, list(notes), delimiter=mark))
    return tables, []


_QUOTED = re.compile(r'(?:(?<=[,;\t|\r\n])|\A)[ ]?"(?:[^"]|"")*"(?=[,;\t|\r\n]|\Z)')
_LOOKED_AT = (20_000, 400_000)  # characters in which the delimiter is looked for: at first, and where rows are long
_FEW = 40  # rows that are too few to tell


def _delimiter(text: str) -> str:
    """What splits the cells: the mark that gives most rows the same width and most cells a form of their own.

    References
    ----------
    published: van den Burg, Nazabal, Sutton (2019), Wrangling messy CSV files by detecting row and type patterns, Data
    Mining and Knowledge Discovery 33, 1799-1820: the pattern score, and a share of cells whose kind is known.
    """
    for size in _LOOKED_AT:
        head = _QUOTED.sub('"', text[:size])
        lines = [line for line in re.split(r"\r\n|\r|\n", head) if line.strip()]
        if len(text) > size and len(lines) > 1:
            lines = lines[:-1]
        if len(lines) > _FEW or len(text) <= size:
            break
    return max(DELIMITERS, key=lambda mark: _fit(lines, mark))


_FORM = re.compile(
    r'"|\s*|\s*[+\-−]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?\s*%?\s*|\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[ T].*)?|'
    r"[^\W\d_][^,;\t|]{0,40}"
)


def _fit(lines: list[str], mark: str) -> float:
    """How well a delimiter splits lines: pattern score times share of cells of a known form; 0 where it has no cell."""
    rows = [line.split(mark) for line in lines]
    widths = Counter(len(row) for row in rows)
    if set(widths) <= {1}:
        return 0.0
    pattern = sum(n * (w - 1) / w for w, n in widths.items()) / len(widths)
    formed = sum(_FORM.fullmatch(cell) is not None for row in rows for cell in row)
    return pattern * formed / sum(map(len, rows))


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
    return Grid(path.stem, "", rows, lines, odd=odd, ragged=True, mark=mark)


def _quoted_singly(text: str, mark: str) -> bool:
    """Whether text in cells stands in single quotes: in most rows of the head some cell does, from edge to edge."""
    cell = re.compile(rf"(?:^|{re.escape(mark)})'[^'\n]*'(?:{re.escape(mark)}|$)")
    cut = len(text) > _LOOKED_AT[0]
    lines = [line for line in text[: _LOOKED_AT[0]].splitlines()[1 : -1 if cut else None] if line.strip()]
    return len(lines) > 1 and sum(cell.search(line) is not None for line in lines) > len(lines) / 2


def _single_quoted(path: Path, text: str, mark: str, *, strip: bool) -> Grid:
    """Rows of text in single quotes, an apostrophe inside not escaped: a quote ends only where a mark follows."""
    rows: list[list[str]] = []
    lines: list[int] = []
    width = 0
    cell = re.compile(rf"'(.*?)'(?={re.escape(mark)}|$)|([^{re.escape(mark)}]*)")
    for number, raw in enumerate(text.split("\n"), start=1):
        line = raw.rstrip("\r")
        if not line.strip():
            continue
        cells = line.split(mark)
        if width and (len(cells) != width or any(_opened(c) for c in cells)):
            cells = _quoted_cells(line, mark, cell)
        width = width or len(cells)
        rows.append([c[1:-1] if len(c) > 1 and c[0] == c[-1] == "'" else c for c in cells] if strip else cells)
        lines.append(number)
    return Grid(path.stem, "", rows, lines, ragged=True)


def _opened(cell: str) -> bool:
    held = cell.strip()
    return held.startswith("'") and not (len(held) > 1 and held.endswith("'"))


def _quoted_cells(line: str, mark: str, cell: re.Pattern[str]) -> list[str]:
    out: list[str] = []
    at = 0
    while at <= len(line):
        found = cell.match(line, at)
        end = line.find(mark, at) if found is None else found.end()
        end = len(line) if end < 0 else end
        out.append(line[at:end])
        at = end + 1
    return out

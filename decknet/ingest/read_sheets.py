"""Spreadsheets: what a cell holds, never what its formula might give."""

from __future__ import annotations

import re
import zipfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from decknet.errors import RecordError
from decknet.ingest.layout import Grid, lay_out
from decknet.ingest.table import Table, cell_text, table_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["read_sheets"]

EPOCH_1900, EPOCH_1904 = "1899-12-30", "1904-01-01"
TOO_LARGE_BYTES = 2_000_000_000  # of one sheet, unpacked


@dataclass(slots=True)
class _Parts:
    """What the reader of cells does not tell: error cells and hidden rows by sheet, and day 0."""

    errors: dict[int, dict[tuple[int, int], str]] = field(default_factory=dict)
    hidden: dict[int, set[int]] = field(default_factory=dict)
    epoch: str = ""


def read_sheets(path: Path, stated: Sequence[str], only: str) -> tuple[list[Table], list[tuple[str, str]]]:
    """Every sheet of a workbook that holds a table, and why the others do not."""
    import python_calamine

    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        parts = _parts(path)
        sheets = list(book.sheet_names)
        unseen = {s.name for s in book.sheets_metadata if s.visible != python_calamine.SheetVisibleEnum.Visible}
    except Exception as why:
        raise RecordError(
            f"{path.name}: the workbook cannot be opened ({why}). Open it in a spreadsheet program and save it again."
        ) from why
    tables: list[Table] = []
    others: list[tuple[str, str]] = []
    for position, sheet in enumerate(sheets):
        if only and sheet != only:
            others.append((sheet, "another sheet is named in the mapping"))
            continue
        try:
            page = book.get_sheet_by_name(sheet)
            pairs = [[cell_text(v) for v in row] for row in page.to_python(skip_empty_area=False)]
            merged = list(page.merged_cell_ranges or [])
        except Exception as why:
            others.append((sheet, f"the sheet cannot be read ({why})"))
            continue
        rows = [[text for text, _ in row] for row in pairs]
        for (i, j), word in parts.errors.get(position, {}).items():
            if i < len(rows) and j < len(rows[i]):
                rows[i][j] = word
        typed = [{j for j, (_, number) in enumerate(row) if number} for row in pairs]
        odd = [
            (line, "F-HIDDEN", "the row is hidden in the sheet and is read all the same", "Delete it, or show it.", "")
            for line in sorted(parts.hidden.get(position, set()))
        ]
        lines = list(range(1, len(rows) + 1))
        grid = Grid(sheet, sheet, rows, lines, typed=typed, merged=merged, odd=odd)
        laid = lay_out(grid, stated)
        if isinstance(laid, str):
            others.append((sheet, laid))
            continue
        notes = ["the sheet is hidden and is read all the same"] if sheet in unseen else []
        tables.append(table_of(grid, laid, notes, epoch=parts.epoch))
    return tables, others


def _parts(path: Path) -> _Parts:
    """Error cells such as #REF!, hidden rows and day 0, from the workbook's own parts."""
    out = _Parts()
    if not zipfile.is_zipfile(path):
        return out
    with zipfile.ZipFile(path) as parts:
        names = set(parts.namelist())
        if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
            return out
        book = parts.read("xl/workbook.xml").decode("utf-8", "replace")
        out.epoch = EPOCH_1904 if re.search(r'\bdate1904="(?:1|true)"', book) else EPOCH_1900
        links = parts.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
        target = {}
        for link in re.findall(r"<Relationship\b[^>]*>", links):
            ident, to = re.search(r'\bId="([^"]+)"', link), re.search(r'\bTarget="([^"]+)"', link)
            if ident and to:
                target[ident[1]] = to[1].lstrip("/").removeprefix("xl/")
        for position, sheet in enumerate(re.findall(r"<sheet\b[^>]*>", book)):
            ident = re.search(r'\br:id="([^"]+)"', sheet)
            part = f"xl/{target.get(ident[1], '')}" if ident else ""
            if part not in names or parts.getinfo(part).file_size > TOO_LARGE_BYTES:
                continue
            _scan(parts.read(part), position, out)
    return out


def _scan(body: bytes, position: int, out: _Parts) -> None:
    if b'hidden="' in body:
        for row in re.finditer(rb"<row\b[^>]*>", body):
            number = re.search(rb'\br="(\d+)"', row[0])
            if number and re.search(rb'\bhidden="(?:1|true)"', row[0]):
                out.hidden.setdefault(position, set()).add(int(number[1]))
    if b't="e"' not in body:
        return
    found = out.errors.setdefault(position, {})
    for cell in re.finditer(rb'<c\b[^>]*\bt="e"[^>]*>.*?</c>', body, re.S):
        ref = re.search(rb'\br="([A-Z]+)(\d+)"', cell[0])
        word = re.search(rb"<v>([^<]*)</v>", cell[0])
        if ref:
            column = 0
            for letter in ref[1].decode():
                column = column * 26 + ord(letter) - 64
            found[(int(ref[2]) - 1, column - 1)] = word[1].decode("utf-8", "replace") if word else "#ERROR!"

"""Spreadsheets: what a cell holds, never what its formula might give."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from decknet.errors import RecordError
from decknet.ingest.layout import Grid, beside, blocks, lay_out, upright
from decknet.ingest.sheet_parts import Parts, parts_of
from decknet.ingest.table import Table, cell_text, table_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path
    from typing import Any

    from decknet.ingest.layout import Laid

__all__ = ["read_sheets"]

NOT_CALCULATED = "=(never calculated)"


def read_sheets(path: Path, stated: Sequence[str], only: str) -> tuple[list[Table], list[tuple[str, str]]]:
    """Every sheet of a workbook that holds a table, and why the others do not."""
    import python_calamine

    try:
        parts = parts_of(path)
        with _no_panic():
            book = python_calamine.CalamineWorkbook.from_path(str(path))
            sheets = list(book.sheet_names)
            unseen = {s.name for s in book.sheets_metadata if s.visible != python_calamine.SheetVisibleEnum.Visible}
    except RecordError:
        raise
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
            with _no_panic():
                page = book.get_sheet_by_name(sheet)
                grid = _grid(sheet, page, position, parts)
        except Exception as why:
            others.append((sheet, f"the sheet cannot be read ({why})"))
            continue
        notes = ["the sheet is hidden and is read all the same"] if sheet in unseen else []
        for block in (part for page in blocks(upright(grid)) for part in beside(page)):
            laid = lay_out(block, stated)
            if isinstance(laid, str):
                others.append((sheet, laid))
                continue
            _as_shown(block, laid, block.lines[0] - 1, parts.bare.get(position, set()))
            tables.append(table_of(block, laid, notes, epoch=parts.epoch))
    return tables, others


@contextmanager
def _no_panic() -> Iterator[None]:
    """A workbook so damaged that its reader gives up is one that cannot be read; what the reader prints is dropped."""
    try:
        shown, dropped = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    except OSError:  # no such stream
        shown = dropped = -1
    try:
        if shown >= 0:
            os.dup2(dropped, 2)
        yield
    except BaseException as why:
        if type(why).__name__ != "PanicException":  # which is no Exception, so that nobody takes it for one
            raise
        raise ValueError("it is damaged") from why
    finally:
        if shown >= 0:
            os.dup2(shown, 2)
            os.close(shown)
            os.close(dropped)


def _grid(sheet: str, page: Any, position: int, parts: Parts) -> Grid:
    """The cells of a sheet as text: error cells show their word, percentages their sign."""
    pairs = [[cell_text(v) for v in row] for row in page.to_python(skip_empty_area=False)]
    rows = [[text for text, _ in row] for row in pairs]
    typed = [{j for j, (_, number) in enumerate(row) if number} for row in pairs]
    for (i, j), word in parts.errors.get(position, {}).items():
        if i < len(rows) and j < len(rows[i]):
            rows[i][j] = word
            typed[i].discard(j)
    for i, j in parts.percent.get(position, set()):
        if i < len(rows) and j in typed[i]:
            rows[i][j] = f"{float(rows[i][j]) * 100:.12g} %"
            typed[i].discard(j)
    odd = [
        (line, "F-HIDDEN", "the row is hidden in the sheet and is read all the same", "Delete it, or show it.", "")
        for line in sorted(parts.hidden.get(position, set()))
    ]
    merged = list(page.merged_cell_ranges or [])
    return Grid(sheet, sheet, rows, list(range(1, len(rows) + 1)), typed=typed, merged=merged, odd=odd)


def _as_shown(block: Grid, laid: Laid, lead: int, bare: set[tuple[int, int]]) -> None:
    """Cells of records joined downwards hold what is written in the first; a formula without a value says so."""
    headers, keep, odd = laid
    records = {i for i in keep if i not in odd or odd[i][3] != "set aside"}
    for (top, left), (bottom, right) in block.merged:
        if top in records and bottom > top and left < len(headers):
            for i in range(top + 1, min(bottom + 1, len(block.rows))):
                if i in records and left == right and left < len(block.rows[i]):
                    block.rows[i][left] = block.rows[top][left]
                    if block.typed is not None and left in block.typed[top]:
                        block.typed[i].add(left)
    for i, j in bare:
        at = i - lead
        if at in records and j < len(headers) and headers[j] and j < len(block.rows[at]) and not block.rows[at][j]:
            block.rows[at][j] = NOT_CALCULATED

"""A table as it stands in a file: text, line by line, with shapes where it has them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from decknet.ingest.layout import Grid

__all__ = ["NATIONAL_HEADER", "Table", "as_text", "cell_text", "table_of"]

NATIONAL_HEADER = "STRUCTURE_NUMBER_008"


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
    delimiter : str
        What splits the cells of delimited text; empty elsewhere.
    epoch : str
        Day 0 of a sheet's serial dates, ISO; empty where the file has none.
    cut : bool
        Whether the format cuts headers to ten characters.
    added : int
        Columns at the end that hold what the user states for every row.
    title : tuple of str
        Lines above the header.
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
    delimiter: str = ""
    epoch: str = ""
    cut: bool = False
    added: int = 0
    title: tuple[str, ...] = ()

    def labels(self) -> list[str]:
        """Headers told apart: a second ``x`` is ``x (2)``."""
        seen: dict[str, int] = {}
        out = []
        for header in self.headers:
            seen[header.lower()] = seen.get(header.lower(), 0) + 1
            count = seen[header.lower()]
            out.append(header if count == 1 or not header else f"{header} ({count})")
        return out

    def with_column(self, header: str, values: pd.Series) -> Table:
        """The table with one column more, of what the user states of its rows."""
        cells = self.cells.copy()
        cells[len(self.headers)] = values.astype("str").set_axis(cells.index)
        typed = self.typed
        if typed is not None:
            typed = np.hstack([typed, np.zeros((len(cells), 1), dtype=bool)])
        return replace(self, headers=(*self.headers, header), cells=cells, typed=typed, added=self.added + 1)

    def with_values(self, values: dict[str, str]) -> Table:
        """The table with a column more for each value stated for every row."""
        if not values:
            return self
        cells = self.cells.copy()
        width = len(self.headers)
        for j, value in enumerate(values.values()):
            cells[width + j] = pd.array([value] * len(cells), dtype="str")
        typed = self.typed
        if typed is not None:
            typed = np.hstack([typed, np.zeros((len(cells), len(values)), dtype=bool)])
        return replace(self, headers=(*self.headers, *values), cells=cells, typed=typed, added=self.added + len(values))

    @property
    def national(self) -> bool:
        """Whether the header is that of the national inventory."""
        return any(h.strip("\"'").upper() == NATIONAL_HEADER for h in self.headers)


def table_of(
    grid: Grid, laid: tuple[list[str], list[int], dict[int, tuple[str, str, str, str]]], notes: list[str], **more: Any
) -> Table:
    """The table of a page whose header and rows are found."""
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
    return Table(
        grid.name,
        grid.sheet,
        tuple(headers),
        cells,
        lines,
        typed,
        odd=found,
        notes=[*notes, *grid.notes],
        title=tuple(grid.title),
        **more,
    )


def cell_text(value: Any) -> tuple[str, bool]:
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


def as_text(values: Any) -> tuple[Any, bool]:
    """A column of a layer or a Parquet file as text, and whether it holds numbers."""
    array = np.asarray(values)
    kind = array.dtype.kind
    if kind == "b":
        return pd.array(np.where(array, "true", "false").tolist(), dtype="str"), False
    if kind in "iu":
        return pd.array([str(v) for v in array.tolist()], dtype="str"), True
    if kind == "f":
        return pd.array(["" if v != v else cell_text(v)[0] for v in array.tolist()], dtype="str"), True
    if kind == "M":
        text = np.datetime_as_string(array, unit="s") if array.dtype != np.dtype("datetime64[D]") else array.astype(str)
        return pd.array([t.removesuffix("T00:00:00").replace("NaT", "") for t in text.tolist()], dtype="str"), False
    listed = array.tolist()
    if listed and set(map(type, listed)) <= {str, type(None)}:
        text = pd.array(["" if v is None else v for v in listed] if None in listed else array, dtype="str")
        return text, not any(listed)
    cells = [cell_text(v) for v in listed]
    return pd.array([t for t, _ in cells], dtype="str"), bool(cells) and all(n or t == "" for t, n in cells)

"""Where a table stands on a page of cells: its header, its rows, and what is no record."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from decknet.columns import normal
from decknet.ingest.recognise import is_known_header, is_unit

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["Grid", "Laid", "beside", "blocks", "lay_out", "may_be_odd", "odd_rows", "upright"]

SEARCHED = 40  # rows in which a header is looked for
_TOTAL = re.compile(
    r"(sub[ -]?|grand )?totals?|sums?|average|mean|median|max(imum)?|min(imum)?|count|summe|gesamt|insgesamt|somme|"
    r"totaal|totale|totali|totaux|summa|suma|soma|i alt|sum total|mittelwert|durchschnitt|moyenne|media|promedio|média|"
    r"gemiddelde|gjennomsnitt|gennemsnit|medelvärde|zwischensumme|sous-total|subtotaal|delsum",
    re.I,
)
_TOTAL_OF = re.compile(r"((sub[ -]?|grand )?totals?|sum|average|mean)\b[ :(/,-].{0,40}", re.I)
_FIGURE = re.compile(r"\s*[+\-−]?(?:\d+[.,]\d+|\d{5,})\s*")
_NUMBER = re.compile(r"^[\s+\-−<>~]*[\d.,]+")
_UNIT_NOT_SAID = ("", "-", "–", "text", "id", "yyyy-mm-dd", "dd/mm/yyyy", "mm/dd/yyyy", "dd.mm.yyyy", "date", "no")

Odd = tuple[int, str, str, str, str]


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells of a page, row by row, as text.

    Attributes
    ----------
    name, sheet : str
    rows : list of list of str
    lines : list of int
        Line on which each row starts.
    typed : list of set of int, or None
        Columns of each row that were numbers in the file.
    merged : list of ((row, column), (row, column))
        Joined cells, first and last, counted from 0.
    odd : list of (line, code, rule, remedy, severity)
    ragged : bool
        Whether a row with more cells than the header is a fault.
    mark : str
        What splits the cells of delimited text; empty elsewhere.
    """

    name: str
    sheet: str
    rows: list[list[str]]
    lines: list[int]
    typed: list[set[int]] | None = None
    merged: list[tuple[tuple[int, int], tuple[int, int]]] = field(default_factory=list)
    odd: list[Odd] = field(default_factory=list)
    ragged: bool = False
    notes: list[str] = field(default_factory=list)
    mark: str = ""  # what splits the cells
    title: list[str] = field(default_factory=list)  # lines above the header


Laid = tuple[list[str], list[int], dict[int, tuple[str, str, str, str]]]


def lay_out(grid: Grid, stated: Sequence[str] = ()) -> Laid | str:
    """The header of a page and the rows below it.

    Parameters
    ----------
    grid : Grid
    stated : sequence of str
        Headers that the user names.

    Returns
    -------
    headers, rows, odd
        Headers as written; positions of the rows below that hold anything; and, by position,
        (code, rule, remedy, severity) of rows that are set aside, flagged or refused for their
        layout alone.
    str
        Why there is no table here.
    """
    wanted = {normal(h) for h in stated}
    held = [i for i, row in enumerate(grid.rows) if any(c.strip() for c in row)]
    if not held:
        return "nothing is written here."
    best, depth, score = -1, 1, 0
    for i in held[:SEARCHED]:
        one = _score(grid.rows[i], wanted)
        if one > score:
            best, depth, score = i, 1, one
        joined = _joined(grid, i)
        least = max(score, 2) if grid.merged else max(score + 1, 3)
        if joined is not None and (two := _score(joined, wanted)) >= least:
            best, depth, score = i, 2, two
    if best < 0 or (score < 2 and len([c for c in grid.rows[best] if c.strip()]) < 2):
        best, depth = next(
            ((i, 1) for i in held[:SEARCHED] if sum(bool(c.strip()) for c in grid.rows[i]) > 1), (held[0], 1)
        )
        if sum(bool(c.strip()) for c in grid.rows[best]) < 2:
            return "a table needs a header row with two columns at least; none was found."
    joined_up = depth == 2
    headers = [" ".join(c.split()) for c in (_joined(grid, best) if joined_up else grid.rows[best]) or []]
    while headers and not headers[-1]:
        headers.pop()
    units = _units_below(grid, best + depth, len(headers))
    if units is not None:
        depth += 1
        headers = [f"{h} {u}".strip() if u else h for h, u in zip(headers, units, strict=True)]
        grid.notes.append("a row of units under the header is read with it")
    first = next((i for i in held if i < best and _is_header(grid.rows[i])), best)
    if first < best and sum(sum(bool(c.strip()) for c in grid.rows[i]) > 1 for i in held if first < i < best) > 0:
        # Records stand between two headers: what stands above the second is no title.
        headers, best, depth, joined_up = [" ".join(c.split()) for c in grid.rows[first]], first, 1, False
        while headers and not headers[-1]:
            headers.pop()
    rows = [i for i in held if i >= best + depth]
    above = [i for i in held if i < best]
    if above:
        grid.title.extend(" ".join(c for c in grid.rows[i] if c.strip()) for i in above)
        grid.notes.append(f"{len(above)} line(s) above the header are taken as a title")
    if joined_up:
        grid.notes.append("two header rows are read as one")
    return headers, rows, odd_rows(grid, headers, rows)


def upright(grid: Grid) -> Grid:
    """A page whose headers run down its first column, turned so that they run along its top; any other as it is.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    Grid
        Of a page that is turned the lines are its columns.
    """
    if len(grid.rows) > 4 * _MOST_TURNED:
        return grid
    held = [row for row in grid.rows if any(c.strip() for c in row)]
    if not (_LEAST_TURNED <= len(held) <= _MOST_TURNED) or grid.merged:
        return grid
    first = [next((c for c in row if c.strip()), "") for row in held]
    down = sum(is_known_header(c) and not _FIGURE.fullmatch(c) for c in set(first))
    along = max(_score(row, set()) for row in held[:SEARCHED])
    if down < _LEAST_TURNED or down * 2 <= len(held) or along >= down:
        return grid
    lead = min(next(j for j, c in enumerate(row) if c.strip()) for row in held)
    width = max(len(row) for row in held)
    rows = [[row[j].strip() if j < len(row) else "" for row in held] for j in range(lead, width)]
    typed = None
    if grid.typed is not None:
        at = [i for i, row in enumerate(grid.rows) if any(c.strip() for c in row)]
        typed = [{k for k, i in enumerate(at) if j in grid.typed[i]} for j in range(lead, width)]
    note = "the table stands on its side, a record a column: what is called a line is a column of the file"
    return Grid(grid.name, grid.sheet, rows, list(range(lead + 1, width + 1)), typed, notes=[*grid.notes, note])


_LEAST_TURNED, _MOST_TURNED = 3, 60  # headers of a page that stands on its side


def beside(grid: Grid) -> list[Grid]:
    """The tables that stand beside each other on a page, a blank column between them and a header over each.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    list of Grid
        The page itself where it holds one table.
    """
    width = max((len(row) for row in grid.rows), default=0)
    if width < 2 * _LEAST_BESIDE + 1 or grid.merged:
        return [grid]
    top = next((i for i, row in enumerate(grid.rows[:SEARCHED]) if _is_header(row)), None)
    if top is None:
        return [grid]
    head = grid.rows[top]
    body = grid.rows[top:]
    blank = [all(j >= len(row) or not row[j].strip() for row in body) for j in range(width)]
    edges = [-1, *(j for j in range(len(head)) if blank[j]), width]
    parts = [(a + 1, b) for a, b in itertools.pairwise(edges) if b - a > _LEAST_BESIDE]
    heads = [[normal(c) for c in head[a:b] if c.strip()] for a, b in parts]
    if len(parts) < 2 or not all(_is_header(head[a:b]) for a, b in parts):
        return [grid]
    if not any(set(one) & set(other) for one, other in itertools.pairwise(heads)):
        return [grid]  # one table with a blank column in it
    out = []
    for a, b in parts:
        typed = None if grid.typed is None else [{j - a for j in some if a <= j < b} for some in grid.typed]
        rows = [row[a:b] for row in grid.rows]
        name = f"columns {a + 1} to {b}"
        sheet = name if not grid.sheet else f"{grid.sheet}, {name}"
        out.append(Grid(grid.name, sheet if a else grid.sheet, rows, list(grid.lines), typed, odd=grid.odd,
                        ragged=grid.ragged, notes=list(grid.notes), mark=grid.mark))  # fmt: skip
    return out


_LEAST_BESIDE = 2  # columns of a table beside another


def blocks(grid: Grid) -> list[Grid]:
    """The tables that stand below each other on one page, each under a header and a blank row.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    list of Grid
        The page itself where it holds one table. A header repeated does not begin another table.
    """
    filled = [any(c.strip() for c in row) for row in grid.rows]
    starts: list[int] = []
    last: list[str] = []
    for i, row in enumerate(grid.rows):
        if filled[i] and (i == 0 or not filled[i - 1]) and _is_header(row):
            heads = [normal(c) for c in row if c.strip()]
            if (starts and heads != last and any(filled[starts[-1] + 1 : i])) or not starts:
                starts.append(i)
            last = heads
    if len(starts) < 2:
        return [grid]
    out = []
    for a, b in zip([0, *starts[1:]], [*starts[1:], len(grid.rows)], strict=True):
        merged = [
            ((top - a, left), (bottom - a, right))
            for (top, left), (bottom, right) in grid.merged
            if a <= top and bottom < b
        ]
        typed = None if grid.typed is None else grid.typed[a:b]
        out.append(Grid(grid.name, grid.sheet, grid.rows[a:b], grid.lines[a:b], typed, merged, grid.odd, grid.ragged))
    return out


def _is_header(row: Sequence[str]) -> bool:
    """Whether a row reads like a header: words, most of them known as headers."""
    held = [c.strip() for c in row if c.strip()]
    if len(held) < 2 or any(_NUMBER.match(c) for c in held):
        return False
    known = sum(is_known_header(c) for c in held)
    return known >= 2 and known * 2 > len(held)


def _score(row: Sequence[str], wanted: set[str]) -> int:
    """How many cells of a row are known as headers; none where one of them is a figure, which no header is."""
    if any(_FIGURE.fullmatch(c) for c in row):
        return sum(normal(c) in wanted for c in row if c.strip())
    return sum(bool(c.strip()) and (normal(c) in wanted or is_known_header(c)) for c in row)


def _joined(grid: Grid, i: int) -> list[str] | None:
    """Header row i and the next as one: cells of row i stand over those to their right that are blank."""
    if i + 1 >= len(grid.rows):
        return None
    top, low = list(grid.rows[i]), grid.rows[i + 1]
    spans = [(a, b) for a, b in grid.merged if a[0] == i == b[0] and b[1] > a[1]]
    if any(_NUMBER.match(c) for c in low if c.strip()) or sum(bool(c.strip()) for c in low) < 2:
        return None
    if grid.merged and not spans:
        return None
    if spans:
        for a, b in spans:
            for j in range(a[1] + 1, min(b[1] + 1, len(top))):
                top[j] = top[a[1]]
    else:
        filled = [j for j, c in enumerate(top) if c.strip()]
        if len(filled) < 2 or len(filled) == len(top):
            return None
        for j in range(filled[0] + 1, len(top)):
            below = low[j].strip() if j < len(low) else ""
            if not top[j].strip() and below:
                top[j] = top[j - 1]
    return [f"{t.strip()} {low[j].strip() if j < len(low) else ''}".strip() for j, t in enumerate(top)]


def _units_below(grid: Grid, i: int, width: int) -> list[str] | None:
    """Units in the row under the header; None where the row is a row of values."""
    if i >= len(grid.rows):
        return None
    cells = [c.strip().strip("[]()").strip() for c in grid.rows[i][:width]]
    cells += [""] * (width - len(cells))
    known = [c for c in cells if is_unit(c)]
    if len(known) < 1 or not all(is_unit(c) or c.lower() in _UNIT_NOT_SAID for c in cells):
        return None
    return [c if is_unit(c) else "" for c in cells]


def odd_rows(grid: Grid, headers: list[str], rows: list[int]) -> dict[int, tuple[str, str, str, str]]:
    """Rows that are no record, or have cells too many or too few, by position."""
    out: dict[int, tuple[str, str, str, str]] = {}
    width = len(headers)
    heads = [h.lower() for h in headers]
    kinds: list[Callable[[str], bool]] | None = None
    for i in rows:
        row = grid.rows[i]
        moved = min(_after_mark(row, grid.mark), width) if grid.ragged and len(row) != width else 0
        if moved:
            kinds = _kinds(grid, width) if kinds is None else kinds
            rest = row[moved:] if len(row) < width else []  # of a row with cells too many no cell after it is sure
            row[moved:] = [c if kinds[moved + j](c.strip()) else "" for j, c in enumerate(rest)]
            row += [""] * (width - len(row))
            out[i] = (
                "F-CELLS",
                f"the row has not {width} cells, and one holds the mark that splits them; the rest may have moved",
                "Of those after it only days, years and known words are taken. Check the line.",
                "flag",
            )
        elif grid.ragged and len(row) > width and any(c.strip() for c in row[width:]):
            out[i] = (
                "R-CELLS",
                f"the row has {len(row)} cells and the header {width}",
                "Put text that holds the delimiter in quotes, or drop the cells that are too many.",
                "refuse",
            )
            continue
        if grid.ragged and len(row) < width and not moved:
            out[i] = (
                "F-CELLS",
                f"the row has {len(row)} cells and the header {width}; the last are taken as not given",
                "Check that no cell is missing before them.",
                "flag",
            )
        held = [c.strip() for c in row[:width] if c.strip()]
        if not held:
            continue
        first = held[0].rstrip(":")
        if first.lower() == heads[0].split(" ")[0] or heads[0].startswith(first.lower()):
            again = [c.strip().lower() for c in row[:width]] + [""] * (width - len(row))
            # Where units stood in a row below, the header repeated is the first part of what was read.
            repeated = again == heads or (
                len(held) > 1 and all(h == a or h.startswith(f"{a} ") for h, a in zip(heads, again, strict=True))
            )
        else:
            repeated = False
        if repeated:
            out[i] = ("S-HEADER", "the header is repeated here", "Nothing.", "set aside")
        elif _TOTAL.fullmatch(first) or (_TOTAL_OF.fullmatch(first) and len(held) < width):
            out[i] = ("S-TOTAL", "a line of totals is no record", "Nothing, if it is one.", "set aside")
        elif width > 2 and len(held) == 1 and (first[0] in "*†‡#" or len(first.split()) > 2 or len(first) > 40):
            out[i] = ("S-NOTE", "a line of words under the table is no record", "Nothing, if it is one.", "set aside")
    return out


def _kinds(grid: Grid, width: int) -> list[Callable[[str], bool]]:
    """For each column whether a cell is of the kind that its cells are: a day, a year, or one of a few words."""
    whole = [row for row in grid.rows[1:] if len(row) == width][:_SEEN]
    out: list[Callable[[str], bool]] = []
    for j in range(width):
        seen = [c for c in (row[j].strip() for row in whole) if c]
        words = set(seen)
        pattern = next((p for p in (_DAY, _YEAR) if seen and sum(p.fullmatch(c) is not None for c in seen)
                        > 0.98 * len(seen)), None)  # fmt: skip
        if pattern is not None:
            out.append(lambda c, pattern=pattern: pattern.fullmatch(c) is not None)  # type: ignore[misc]
        elif len(seen) > 20 * len(words):
            out.append(lambda c, words=words: c in words)  # type: ignore[misc]
        else:
            out.append(lambda _c: False)
    return out


_SEEN = 5_000  # rows by which the kind of a column is told
_DAY = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[ T].*)?")
_YEAR = re.compile(r"(?:1[6-9]|20)\d\d")


def _after_mark(row: Sequence[str], mark: str) -> int:
    """Position after the first cell that holds the mark which splits cells, or an end of line; 0 where none does."""
    at = next((j for j, c in enumerate(row) if mark and (mark in c or "\n" in c or "\r" in c)), None)
    return 0 if at is None else at + 1


def may_be_odd(first: Any, filled: Any, width: int, headers: list[str]) -> Any:
    """Rows worth a look by ``odd_rows``: few in a plain table.

    Parameters
    ----------
    first : Arrow array of str, shape (n,)
        First cells.
    filled : array of int, shape (n,)
        Cells of each row that hold anything.
    width : int
    headers : list of str
    """
    import pyarrow.compute as pc

    words = (
        "sub|grand|tota|sum|som|average|mean|med|max|min|count|gesamt|insgesamt|i alt|mittelwert|durchschnitt|moyenne|"
        "promedio|média|gemiddelde|gjennomsnitt|gennemsnit|zwischen|sous|delsum"
    )
    repeated = re.escape(headers[0]) if headers and headers[0] else "\\x00"
    out = pc.match_substring_regex(first, rf"^\s*($|(?i:{words})|(?i:{repeated})\s*$)").to_numpy()
    return out | ((filled <= 1) & (width > 2))

"""One sheet of the workbook: title, caution, totals, header, rows, and how it prints."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from xlsxwriter.utility import xl_rowcol_to_cell

from decknet.settings import Settings
from decknet.show import words
from decknet.show.workbook_rows import MOST_LINKS, Body, Rest, cells, fitting

__all__ = [
    "HEADER_ROW",
    "MOST_ROWS",
    "Book",
    "Printed",
    "cell",
    "finish",
    "formats",
    "headers",
    "room",
    "start",
    "table",
    "total",
]

MOST_ROWS = 1_048_576  # rows of a sheet
HEADER_ROW = 3  # rows above it: title, caution, totals
BAR = "#bcc8d6"  # one hue for every data bar
HEADER_FILL = "#dfe4ea"
INK, LINK, RULE = "#1d2733", "#1f4a7a", "#d9dee4"
POINTS_A_LINE, HIGHEST = 13.5, 409.0  # height of a line, and of the highest row
LETTERS_A_WIDTH = 1.2  # letters of a running text in one unit of a column's width, at the size of the tables

# Width of a column in characters, by kind of figure; ids and texts are as wide as what they hold, within limits.
WIDTHS = {"long": 90.0, "flag": 8.0, "date": 11.5, "year": 7.0, "money": 13.0, "deg": 12.0, "whole": 9.0, "share": 10.0}
NARROWEST, WIDEST = 8.0, 32.0
# Paper, landscape: number in the open format, and the characters it takes across at 60 % of full size.
PAPERS = {"a4": ((9, 250.0), (8, 360.0)), "us-letter": ((1, 240.0), (3, 370.0))}


@dataclass(frozen=True, slots=True)
class Printed:
    """A column as printed.

    Attributes
    ----------
    name : str
        In the frame.
    header : str
        With its unit.
    kind : str
        Kind of figure, as in ``words.NUMBER_FORMATS``.
    summed, barred : bool
        Whether the column has a total, and bars behind its figures.
    """

    name: str
    header: str
    kind: str
    summed: bool = False
    barred: bool = False


@dataclass(slots=True)
class Book:
    """The workbook being written, its formats, what every sheet prints, and the rows to be put in."""

    file: Any
    formats: dict[str, Any]
    settings: Settings
    title: str
    today: date
    paper: str
    page: str | None
    bodies: dict[int, Body] = field(default_factory=dict)
    rests: list[tuple[str, str, str]] = field(default_factory=list)
    unlinked: int = 0


def formats(file: Any) -> dict[str, Any]:
    """The look of cells, by kind of figure."""
    plain = {"font_name": "Calibri", "font_size": 10, "font_color": INK, "valign": "top"}
    ruled = {**plain, "bottom": 1, "bottom_color": RULE}
    lettered = {**ruled, "num_format": "@", "align": "left", "indent": 1}
    made = {}
    for kind, form in words.NUMBER_FORMATS.items():
        made[kind] = file.add_format(lettered if form == "@" else {**ruled, "num_format": form})
    made["long"] = file.add_format({**lettered, "text_wrap": True})
    made["plain"] = file.add_format({**plain, "text_wrap": True})
    made["number"] = file.add_format({**plain, "num_format": "General", "align": "left"})
    made["link"] = file.add_format({**lettered, "font_color": LINK, "underline": 1})
    header = {**plain, "bold": True, "text_wrap": True, "bg_color": HEADER_FILL, "bottom": 1, "valign": "vcenter"}
    made["header"] = file.add_format({**header, "indent": 1})
    made["header of figures"] = file.add_format({**header, "align": "right"})
    made["title"] = file.add_format({**plain, "bold": True, "font_size": 14})
    made["caution"] = file.add_format({**plain, "italic": True})
    made["heading"] = file.add_format({**plain, "bold": True})
    for kind, form in words.NUMBER_FORMATS.items():
        if form not in {"@", "yyyy-mm-dd"}:
            made[f"sum {kind}"] = file.add_format({**plain, "bold": True, "num_format": form, "top": 1})
    return made


def cell(value: Any) -> str:
    """Text for one cell outside the tables, cut with a mark where a cell cannot hold it."""
    return fitting(words.text(value), words.CUT)[0]


def start(book: Book, name: str, heading: str, widths: Sequence[float], *, repeated: int = 0) -> Any:
    """A sheet with its title, caution and print set-up.

    Parameters
    ----------
    widths : sequence of float
        Of each column, in characters.
    repeated : int
        Columns repeated on every page where the sheet is more than one page wide.
    """
    sheet = book.file.add_worksheet(name)
    sheet.write_string(0, 0, cell(f"{heading} – {book.title}, {book.today.isoformat()}"), book.formats["title"])
    sheet.write_string(1, 0, words.CAUTION, book.formats["caution"])
    for at, width in enumerate(widths):
        sheet.set_column(at, at, width)
    small, large = PAPERS[book.paper]
    paper, room = small if sum(widths) <= small[1] else large
    pages = int(np.ceil(sum(widths) / room))
    sheet.set_landscape()
    sheet.set_paper(paper)
    sheet.fit_to_pages(pages, 0)
    if pages > 1:
        sheet.print_across()
        if repeated:
            sheet.repeat_columns(0, repeated - 1)
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    sheet.set_footer(f"&L&8{book.title[:100].replace('&', '&&')}&C&8Planning aid only&R&8{name}, page &P of &N")
    return sheet


def headers(
    book: Book, sheet: Any, said: Sequence[str], widths: Sequence[float], figures: Sequence[bool] | None = None
) -> None:
    """The header row, as high as its longest header asks; over figures it stands right, as they do."""
    lines = 1
    for at, (header, width) in enumerate(zip(said, widths, strict=True)):
        look = "header of figures" if figures is not None and figures[at] else "header"
        sheet.write_string(HEADER_ROW, at, cell(header), book.formats[look])
        lines = max(lines, len(textwrap.wrap(header, max(int(width) - 2, 4))))
    sheet.set_row(HEADER_ROW, max(POINTS_A_LINE * lines + 6, 30))


def total(sheet: Any, book: Book, at: int, first: int, last: int, value: float, kind: str) -> None:
    """The sum of a column's cells as a live formula that follows the filter, with its value kept."""
    area = f"{xl_rowcol_to_cell(first, at)}:{xl_rowcol_to_cell(last, at)}"
    form = book.formats[f"sum {kind}"]
    sheet.write_formula(HEADER_ROW - 1, at, f"=SUBTOTAL(109,{area})", form, float(np.nan_to_num(value)))


def finish(sheet: Any, columns: int, last: int, *, frozen: int) -> None:
    """Frozen and repeated header, filter, and no warning at numbers kept as text."""
    sheet.freeze_panes(HEADER_ROW + 1, frozen)
    sheet.repeat_rows(HEADER_ROW)
    if columns:
        sheet.autofilter(HEADER_ROW, 0, last, columns - 1)
        sheet.ignore_errors({"number_stored_as_text": f"A1:{xl_rowcol_to_cell(last, columns - 1)}"})


def table(
    book: Book,
    name: str,
    frame: pd.DataFrame,
    columns: Sequence[Printed],
    heading: str,
    *,
    link: str | None = "deck_id",
) -> list[str]:
    """A table as one sheet, or as several where one cannot hold its rows.

    Parameters
    ----------
    columns : sequence of Printed
        Those not in the frame are left out.
    link : str, optional
        Column of deck numbers that lead to the map.

    Returns
    -------
    list of str
        Names of the sheets.
    """
    shown = [c for c in columns if c.name in frame.columns]
    widths = [_width(c, frame[c.name]) for c in shown]
    names = [c.name for c in shown]
    frozen = names.index("deck_id") + 1 if "deck_id" in names else 1
    parts = [frame.iloc[low : low + room()] for low in range(0, max(len(frame), 1), room())]
    made = []
    for number, part in enumerate(parts, start=1):
        own = name if number == 1 else f"{name} {number}"
        said = heading if len(parts) == 1 else f"{heading}, part {number} of {len(parts)}"
        sheet = start(book, own, said, widths, repeated=frozen)
        headers(book, sheet, [c.header for c in shown], widths, [_figures(c) for c in shown])
        _fill(book, sheet, own, part, shown, link, widths)
        finish(sheet, len(shown), HEADER_ROW + max(len(part), 1), frozen=frozen)
        made.append(own)
    return made


def room() -> int:
    """Rows of a table that one sheet holds."""
    return MOST_ROWS - HEADER_ROW - 1


def _figures(column: Printed) -> bool:
    return words.NUMBER_FORMATS.get(column.kind, "0") != "@"


def _width(column: Printed, values: pd.Series) -> float:
    if _figures(column) or column.kind == "flag":
        wide = WIDTHS.get(column.kind, 10.5)
    else:
        longest = max((len(str(v)) for v in values.dropna().tolist()), default=0)
        wide = min(max(float(longest) + 3, NARROWEST), WIDTHS.get(column.kind, WIDEST))
    longest_word = max((len(w) for w in column.header.split()), default=0)
    return max(wide, min(longest_word + 3.0, 18.0))


def _heights(frame: pd.DataFrame, shown: Sequence[Printed], widths: Sequence[float]) -> list[float] | None:
    """Height of each row in points, from the texts that wrap in it; None where none does."""
    wrapped = [(c.name, w) for c, w in zip(shown, widths, strict=True) if c.kind == "long"]
    if not wrapped:
        return None
    lines = np.ones(len(frame))
    for name, width in wrapped:
        held = frame[name].fillna("").tolist()
        room = LETTERS_A_WIDTH * (width - 2)
        own = [sum(max(int(np.ceil(len(p) / room)), 1) for p in str(v).split("\n")) if v else 1 for v in held]
        lines = np.maximum(lines, own)
    made: list[float] = np.minimum(POINTS_A_LINE * lines + 1.5, HIGHEST).tolist()
    return made


def _fill(
    book: Book, sheet: Any, name: str, frame: pd.DataFrame, shown: Sequence[Printed], link: str | None,
    widths: Sequence[float],
) -> None:  # fmt: skip
    """Rows, totals and bars of one sheet; the rows themselves are put in when the file is done."""
    first, last = HEADER_ROW + 1, HEADER_ROW + max(len(frame), 1)
    if not len(frame):
        sheet.write_string(first, 0, "None.", book.formats["text"])
        return
    linked = [c.name for c in shown].index(link) if link and book.page and link in frame.columns else None
    body = []
    for at, column in enumerate(shown):
        made, rest = cells(frame[column.name], column.kind, at)
        body.append(made)
        _keep_rest(book, name, first, rest)
        sheet.write_blank(first, at, None, book.formats[column.kind])
        if column.summed:
            total(sheet, book, at, first, last, words.total(frame, column.name), column.kind)
        if column.barred:
            bar = {"type": "data_bar", "bar_color": BAR, "bar_solid": True, "data_bar_2010": True}
            sheet.conditional_format(first, at, last, at, bar | {"min_type": "num", "min_value": 0})
    if any(c.summed for c in shown) and not shown[0].summed:
        sheet.write_string(HEADER_ROW - 1, 0, "Sum, rows shown", book.formats["heading"])
    links: list[str] = []
    if linked is not None and link is not None:
        links = [words.text(v) for v in frame[link].iloc[:MOST_LINKS]]
        book.unlinked += len(frame) - len(links)
        sheet.write_url(first, linked, f"external:{book.page}#deck", book.formats["link"], "1", "Show on the map")
    book.bodies[len(book.file.worksheets())] = Body(first, body, linked, links, _heights(frame, shown, widths))


def _keep_rest(book: Book, name: str, first: int, rest: Sequence[Rest]) -> None:
    """Where a text goes on that did not fit, in as many pieces as it takes."""
    for piece in rest:
        where, left = xl_rowcol_to_cell(first + piece.row, piece.column), piece.text
        while left:
            held, left = fitting(left)
            book.rests.append((name, where, held))

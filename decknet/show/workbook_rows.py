"""The rows of a workbook's sheets, written straight in the open format: cell by cell is too slow for a state."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import IO
from urllib.parse import quote

import numpy as np
import pandas as pd
from xlsxwriter.utility import xl_col_to_name

from decknet.show import words

__all__ = ["GOES_ON", "MOST_LINKS", "Body", "Rest", "cells", "put_in"]

GOES_ON = " … (goes on in the sheet 'Long texts')"
MOST_LINKS = 65_530  # links that a sheet can hold
FIRST_DAY = np.datetime64("1900-03-01")  # before it, programs count days differently
LAST_DAY = np.datetime64("9999-12-31")
_DAY_0 = np.datetime64("1899-12-30")
_AT_ONCE = 5_000  # rows made at a time
_MANY_CELLS = 1_000_000
_ODD = re.compile(r"[&<>\x00-\x08\x0b-\x1f\x7f\ud800-\udfff\ufffe\uffff]|_x[0-9A-Fa-f]{4}_")
_CODE = re.compile(r"(_x[0-9A-Fa-f]{4}_)")

Cells = list[str | None]


@dataclass(frozen=True, slots=True)
class Rest:
    """What did not fit into a cell: its column and row in the table, from 0, and the text that is left."""

    column: int
    row: int
    text: str


@dataclass(frozen=True, slots=True)
class Body:
    """The rows of one sheet.

    Attributes
    ----------
    first : int
        Row of the sheet that the first stands in, from 0. The file holds that row already, with one cell a
        column: it gives each column its look.
    columns : list of Cells
        What stands between the ends of each cell; None for an empty one.
    links : list of str, optional
        Where the cells of column ``link_at`` lead, in the page that the first row's link leads to.
    heights : list of float, optional
        Height of each row in points; as the program finds fit where not given.
    """

    first: int
    columns: list[Cells]
    link_at: int | None = None
    links: Sequence[str] = field(default=())
    heights: Sequence[float] | None = None

    def rows(self) -> int:
        """Number of rows."""
        return len(self.columns[0]) if self.columns else 0


def cells(values: pd.Series, kind: str, column: int = 0) -> tuple[Cells, list[Rest]]:
    """A column's cells, and what did not fit; a missing value gives an empty cell.

    Parameters
    ----------
    values : Series
    kind : str
        As in ``words.NUMBER_FORMATS``. Texts, flags and what cannot be a date stay text.
    column : int
        Named in what did not fit.
    """
    if kind in {"id", "text", "long"}:
        return _texts(values, column)
    if kind == "flag":
        missing = values.isna().tolist()
        yes, no = _inline("yes"), _inline("no")
        return [None if m else (yes if v else no) for v, m in zip(values.tolist(), missing, strict=True)], []
    if kind == "date":
        return _dates(values), []
    numbers = pd.to_numeric(values).astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    known = np.isfinite(numbers)
    whole = bool((numbers[known] == np.floor(numbers[known])).all() and (np.abs(numbers[known]) < 2**53).all())
    plain = np.where(known, numbers, 0.0)
    written = map(repr, plain.astype(np.int64).tolist() if whole else plain.tolist())
    return [f"><v>{v}</v></c>" if k else None for v, k in zip(written, known.tolist(), strict=True)], []


def _inline(text: str) -> str:
    return f' t="inlineStr"><is><t xml:space="preserve">{text}</t></is></c>'


def _texts(values: pd.Series, column: int) -> tuple[Cells, list[Rest]]:
    raw, missing = values.tolist(), values.isna().tolist()
    out: Cells = []
    rest: list[Rest] = []
    for row, (value, gone) in enumerate(zip(raw, missing, strict=True)):
        if gone or value == "":
            out.append(None)
            continue
        text = value if isinstance(value, str) else words.text(value)
        if _ODD.search(text) is not None or len(text) > words.LONGEST_CELL // 2:
            text, left = fitting(words.text(text), GOES_ON)
            if left:
                rest.append(Rest(column, row, left))
            text = _CODE.sub(r"_x005F\1", text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;"))
        out.append(f' t="inlineStr"><is><t xml:space="preserve">{text}</t></is></c>')
    return out, rest


def fitting(text: str, mark: str = "") -> tuple[str, str]:
    """As much of a text as a cell holds, with a mark where something is left, and what is left.

    A cell is measured as its makers do, in units of UTF-16.

    Examples
    --------
    >>> fitting("short")
    ('short', '')
    >>> kept, left = fitting("x" * 40_000, " (more)")
    >>> len(kept), kept[-7:], len(left)
    (32767, ' (more)', 7240)
    """
    held = text.encode("utf-16-le")
    if len(held) <= 2 * words.LONGEST_CELL:
        return text, ""
    room = 2 * (words.LONGEST_CELL - len(mark.encode("utf-16-le")) // 2)
    if 0xD8 <= held[room - 1] <= 0xDB:  # not between the halves of one letter
        room -= 2
    return held[:room].decode("utf-16-le") + mark, held[room:].decode("utf-16-le")


def _dates(values: pd.Series) -> Cells:
    """Days as the sheet counts them; as text where it cannot."""
    days = pd.to_datetime(values).to_numpy(dtype="datetime64[D]")
    missing = np.isnat(days)
    odd = ~missing & ((days < FIRST_DAY) | (days > LAST_DAY))
    count = np.where(missing, _DAY_0, days) - _DAY_0
    out: Cells = [
        None if m else f"><v>{d}</v></c>"
        for d, m in zip(count.astype(np.int64).tolist(), missing.tolist(), strict=True)
    ]
    for k in np.flatnonzero(odd):
        out[k] = _inline(str(days[k]))
    return out


def put_in(file: bytes, bodies: Mapping[int, Body]) -> bytes:
    """The workbook with the rows of its sheets put in.

    Parameters
    ----------
    file : bytes
        An XLSX file whose sheets hold no row from ``Body.first`` on but that one.
    bodies : Mapping
        By number of the sheet, from 1. A body without rows leaves its sheet as it is.

    References
    ----------
    published: ISO/IEC 29500-1, Office Open XML: SpreadsheetML cells (CT_Cell, texts within a cell), links (18.3.1.47),
    characters written as codes (ST_Xstring).
    """
    out = io.BytesIO()
    at = {f"xl/worksheets/sheet{number}.xml": body for number, body in bodies.items() if body.rows()}
    # Quick packing where there is much: four times as fast for a third more.
    many = sum(body.rows() * len(body.columns) for body in at.values()) > _MANY_CELLS
    level = 1 if many else 6
    with (
        zipfile.ZipFile(io.BytesIO(file)) as given,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=level) as made,
    ):
        for name in given.namelist():
            with made.open(name, "w", force_zip64=many) as part:  # a part named so is dated 1980, as the others
                body = at.get(name)
                if body is None:
                    part.write(given.read(name))
                else:
                    _sheet(given.read(name).decode("utf-8"), body, part)
    return out.getvalue()


def _sheet(text: str, body: Body, to: IO[bytes]) -> None:
    number = body.first + 1
    found = re.search(rf'<row r="{number}"[^>]*>(.*?)</row>', text)
    if found is None:
        raise ValueError(f"the sheet has no row {number}")
    looks = {m[1]: m[2] for m in re.finditer(r'<c r="([A-Z]+)\d+"( s="\d+")?', found[1])}
    last = f"{xl_col_to_name(len(body.columns) - 1)}{number + body.rows() - 1}"
    before = re.sub(r'<dimension ref="[^"]*"/>', f'<dimension ref="A1:{last}"/>', text[: found.start()])
    to.write(before.encode())
    for chunk in _rows(body, looks):
        to.write(chunk.encode("utf-8", "surrogatepass"))
    after = text[found.end() :]
    if body.links and body.link_at is not None:
        after = _linked(after, body)
    to.write(after.encode())


def _rows(body: Body, looks: Mapping[str, str]) -> Iterator[str]:
    names = [xl_col_to_name(k) for k in range(len(body.columns))]
    ruled = body.rows() * len(body.columns) <= _MANY_CELLS  # empty cells have a look too, where it costs little
    starts = [(f'<c r="{name}', f'"{looks.get(name, "")}') for name in names]
    for low in range(0, body.rows(), _AT_ONCE):
        high = min(low + _AT_ONCE, body.rows())
        numbers = [str(body.first + 1 + k) for k in range(low, high)]
        made = [
            [
                f"{a}{n}{b}{cell}" if cell is not None else f"{a}{n}{b}/>" if ruled else ""
                for n, cell in zip(numbers, column[low:high], strict=True)
            ]
            for (a, b), column in zip(starts, body.columns, strict=True)
        ]
        high_as = [""] * (high - low)
        if body.heights is not None:
            high_as = [f' ht="{h:g}" customHeight="1"' for h in body.heights[low:high]]
        yield "".join(
            f'<row r="{n}"{h}>{"".join(row)}</row>'
            for n, h, row in zip(numbers, high_as, zip(*made, strict=True), strict=True)
        )


def _linked(text: str, body: Body) -> str:
    """Every link like the first: to the same page, each to its own place in it."""
    found = re.search(r'<hyperlinks><hyperlink [^>]*?(r:id="[^"]+")[^>]*?( tooltip="[^"]*")?/></hyperlinks>', text)
    if found is None or body.link_at is None:
        raise ValueError("the sheet's first row has no link")
    name = xl_col_to_name(body.link_at)
    made = "".join(
        f'<hyperlink ref="{name}{body.first + 1 + k}" {found[1]} location="deck={quote(to, safe="")}"{found[2] or ""}/>'
        for k, to in enumerate(body.links[:MOST_LINKS])
    )
    return f"{text[: found.start()]}<hyperlinks>{made}</hyperlinks>{text[found.end() :]}"

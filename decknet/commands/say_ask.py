"""How the answers to questions are printed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from decknet import digits
from decknet.digits import MISSING

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.columns import Column
    from decknet.flow.ask import Answer
    from decknet.flow.history import Story

__all__ = ["answer", "columns_of", "counted", "questions", "story", "table", "views"]

_GAP = 3  # between columns
_LEAST_TEXT = 16  # characters that a column of text is not narrowed beyond
_GROUPED_FROM = 10_000  # thousands are split from here on
_PLACES = {"deg": 6}  # decimals at least
_UNITS = {"m2": "m²", "m3": "m³", "share/yr": "share a year", "veh/day": "vehicles/day", "deg": "°"}


def clean(text: str) -> str:
    """Text without what would move the cursor or colour the window."""
    return "".join(c if c.isprintable() else "·" if c not in "\r\n\t" else " " for c in text)


def unit_of(column: Column) -> str:
    """A unit as printed; none for a calendar year and for shapes."""
    if column.kind == "shape" or (column.kind == "whole" and column.unit == "yr"):
        return ""
    return _UNITS.get(column.unit, column.unit.replace("/m2", "/m²"))


def _whole(value: int, column: Column) -> str:
    plain = column.unit == "yr" or "year" in column.name or abs(value) < _GROUPED_FROM
    return str(value) if plain else digits.count(value)


def _cells(values: pd.Series, column: Column) -> tuple[list[str], bool]:
    """A column's values as printed, and whether they stand to the right."""
    import pandas as pd

    kind = values.dtype
    if isinstance(kind, pd.BooleanDtype) or kind == "bool":
        return [MISSING if pd.isna(v) else "yes" if v else "no" for v in values], False
    if pd.api.types.is_integer_dtype(kind):
        return [MISSING if pd.isna(v) else _whole(int(v), column) for v in values], True
    if pd.api.types.is_float_dtype(kind):
        return digits.column([float(v) for v in values], _PLACES.get(column.unit, 0)), True
    if pd.api.types.is_datetime64_any_dtype(kind):
        days = bool((values.dropna() == values.dropna().dt.normalize()).all())
        form = "%Y-%m-%d" if days else "%Y-%m-%d %H:%M:%S"
        return [MISSING if pd.isna(v) else f"{v:{form}}" for v in values], False
    return [_text(v) for v in values], False


def _text(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)) or str(value) in {"<NA>", "NaT"}:
        return MISSING
    if hasattr(value, "geom_type"):
        return str(value.geom_type).lower()
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    return clean(str(value)) or '""'


def table(out: Console, frame: pd.DataFrame, columns: Sequence[Column], first: int = 0) -> None:
    """Print rows aligned, units under the names; what does not fit is named, and one row stands upright."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    shown = frame.head(first) if first else frame
    parts = [_cells(shown[c.name], c) for c in columns]
    heads = [(c.name, unit_of(c)) for c in columns]
    wide = [
        max(len(name), len(unit), *(len(t) for t in cells), 1)
        for (name, unit), (cells, _) in zip(heads, parts, strict=True)
    ]
    room = out.width
    if sum(wide) + _GAP * len(wide) > room and len(shown) == 1:
        _upright(out, heads, [cells[0] for cells, _ in parts])
        return
    texts = [not right and w > _LEAST_TEXT for (_, right), w in zip(parts, wide, strict=True)]
    keep = len(wide)
    while keep > 1 and _narrowest(wide[:keep], texts[:keep], heads) + _GAP * keep > room:
        keep -= 1
    spare = room - _GAP * keep - _narrowest(wide[:keep], texts[:keep], heads)
    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), header_style="bold")
    for at in range(keep):
        name, unit = heads[at]
        width = wide[at]
        if texts[at]:
            least = max(_LEAST_TEXT, len(name))
            width = min(width, least + max(spare, 0))
            spare -= width - least
        head = Text(f"{name}\n{unit}" if any(u for _, u in heads[:keep]) else name)
        side: Literal["left", "right"] = "right" if parts[at][1] else "left"
        made.add_column(head, justify=side, width=min(width, room - _GAP), overflow="fold")
    for row in zip(*(cells for cells, _ in parts[:keep]), strict=True):
        made.add_row(*(Text(cell) for cell in row))
    out.print(made)
    if keep < len(heads):
        names = ", ".join(name for name, _ in heads[keep:])
        more = f"{len(heads) - keep} more columns" if len(heads) - keep > 1 else "1 more column"
        out.print(f"No room for {more}: {names}. Name those wanted, or write them with -o FILE.")


def _narrowest(wide: Sequence[int], texts: Sequence[bool], heads: Sequence[tuple[str, str]]) -> int:
    return sum(max(_LEAST_TEXT, len(h[0])) if t else w for w, t, h in zip(wide, texts, heads, strict=False))


def _upright(out: Console, heads: Sequence[tuple[str, str]], cells: Sequence[str]) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(box=box.SIMPLE, pad_edge=False, padding=(0, 1), show_header=False)
    made.add_column(no_wrap=True)
    made.add_column(overflow="fold")
    for (name, unit), cell in zip(heads, cells, strict=True):
        made.add_row(Text(name), Text(f"{cell} {unit}" if unit and cell != MISSING else cell))
    out.print(made)


def counted(rows: int, first: int, more: bool, limit: int) -> str:
    """How many rows there are, and how many of them were printed."""
    whole = (
        digits.counted(rows, "row")
        if not more
        else f"{digits.count(rows)} rows, and there are more: --rows {limit * 10} asks for more"
    )
    if first and rows > first:
        return f"The first {digits.count(first)} of {whole}. --first 0 prints all of them, -o FILE writes them."
    return f"{whole}."


def answer(out: Console, found: Answer, first: int, limit: int) -> None:
    """Print an answer."""
    if list(found.frame.columns) == ["explain_key", "explain_value"]:
        for text in found.frame["explain_value"]:
            out.print(str(text), crop=False, no_wrap=True)
        return
    if len(found.frame.columns) and len(found.frame):
        table(out, found.frame, found.columns, first)
    out.print(counted(len(found.frame), first, found.more, limit))


def story(out: Console, told: Story) -> None:
    """Print a deck's story: one event a line, with its source."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    bridge = f", bridge {told.bridge_id}" if told.bridge_id != told.deck_id else ""
    out.print(clean(f"Deck {told.deck_id}{bridge} {told.name}".rstrip()))
    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), header_style="bold")
    for head in ("Day", "Event"):
        made.add_column(head, no_wrap=True)
    made.add_column("What", ratio=1, overflow="fold")
    made.add_column("Source", overflow="fold", max_width=26)
    for r in told.events.itertuples(index=False):
        note = "" if r.counts == "yes" else f" [{r.counts}]"
        made.add_row(
            Text(r.day or MISSING), Text(r.event), Text(clean(f"{r.what}{note}")), Text(clean(_source(r)))
        )  # fmt: skip
    out.print(made)
    kinds = told.events["event"].value_counts()
    said = ", ".join(f"{n} {event}" for event, n in kinds.items())
    out.print(
        f"{digits.count(len(told.events))} events: {said}. Rows corrected since or taken back are marked and count no "
        "longer."
    )


def _source(row: Any) -> str:
    if not isinstance(row.file, str):
        return ""
    place = f"{row.sheet} " if isinstance(row.sheet, str) and row.sheet else "line "
    return f"{row.file} {place}{row.line}"


def views(out: Console, known: Sequence[tuple[str, int, str]], own: int) -> None:
    """Print the views: name, number of columns, meaning; the first ``own`` are made for questions."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    for title, part in (("Made for questions", known[:own]), ("Records as they count now", known[own:])):
        out.print(title)
        made = Table(box=box.SIMPLE, pad_edge=False, padding=(0, 1), show_header=False)
        for _ in range(2):
            made.add_column(no_wrap=True)
        made.add_column(ratio=1)
        for name, count, meaning in part:
            made.add_row(Text(name), Text(f"{count} columns"), Text(meaning))
        out.print(made)
    out.print(
        "Columns of one: decknet columns deck_status. Every row ever stored, corrected and taken back ones too, is in "
        "store.survey, store.repair and so on."
    )


def columns_of(out: Console, name: str, meaning: str, columns: Sequence[Column]) -> None:
    """Print the columns of a view."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    out.print(f"{name}: {meaning}")
    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), header_style="bold")
    for head in ("Column", "Type", "Unit"):
        made.add_column(head, no_wrap=True)
    made.add_column("Meaning", ratio=1)
    for c in columns:
        words = f" One of: {', '.join(c.choices)}." if c.choices else ""
        made.add_row(Text(c.name), Text(c.kind), Text(_UNITS.get(c.unit, c.unit)), Text(f"{c.meaning}{words}"))
    out.print(made)


def questions(out: Console, known: Sequence[tuple[str, str]]) -> None:
    """Print the worked questions: name and what is asked."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(box=box.SIMPLE, pad_edge=False, padding=(0, 1), show_header=False)
    made.add_column(no_wrap=True)
    made.add_column(ratio=1)
    for name, text in known:
        made.add_row(Text(name), Text(text))
    out.print(made)
    out.print("Run one with: decknet query STORE --question NAME. Print its SQL with --show.")

"""Values within values: rows of JSON that hold others, and tables of a web page in the description of a place."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decknet.ingest.table import Table

__all__ = ["SHAPES", "flat_rows", "shapes_of", "with_described"]

SHAPES = ("geometry", "geom", "the_geom", "shape")
DESCRIBED = ("description", "popupinfo", "desc")
MOST_CHARACTERS = 200_000  # of one description; more is no table of a place


def flat_rows(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows with the values of objects inside them as values of their own, called by their own name where it is free.

    Examples
    --------
    >>> flat_rows([{"id": "K1", "place": {"lat": 60.1, "lon": 10.1}, "deck": {"id": "D"}}])
    [{'id': 'K1', 'lat': 60.1, 'lon': 10.1, 'deck id': 'D'}]
    """
    own = {str(k) for row in rows for k, v in row.items() if not isinstance(v, dict)}
    inner = Counter(name for _, name in {(str(k), str(n)) for row in rows for k, v in row.items()
                                         if isinstance(v, dict) for n in v})  # fmt: skip
    out = []
    for row in rows:
        flat: dict[str, Any] = {}
        for key, value in row.items():
            if isinstance(value, dict) and key not in SHAPES:
                for name, held in value.items():
                    alone = inner[str(name)] == 1 and str(name) not in own
                    flat[str(name) if alone else f"{key} {name}"] = held
            else:
                flat[str(key)] = value
        out.append(flat)
    return out


def shapes_of(rows: Sequence[dict[str, Any]]) -> np.ndarray[Any, np.dtype[np.object_]] | None:
    """Shapes that rows of JSON hold as GeoJSON has them; None where none does, and in a row whose shape is none."""
    name = next((n for n in SHAPES if any(isinstance(r.get(n), dict) for r in rows)), None)
    if name is None:
        return None
    out = np.full(len(rows), None, dtype=object)
    for i, row in enumerate(rows):
        held = row.get(name)
        if isinstance(held, dict):
            try:
                out[i] = shapely.force_2d(shapely.from_geojson(json.dumps(held)))
            except (shapely.errors.ShapelyError, TypeError, ValueError):
                continue
    return out


class _Cells(HTMLParser):
    """The cells of the tables of a page, row by row."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.rows: list[list[str]] = []
        self.open = False

    def handle_starttag(self, tag: str, _attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th") and self.rows:
            self.rows[-1].append("")
            self.open = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th", "tr", "table"):
            self.open = False

    def handle_data(self, data: str) -> None:
        if self.open and self.rows and self.rows[-1]:
            self.rows[-1][-1] += data


def _pairs(page: str) -> dict[str, str]:
    """What a table of names and values says; of a table with a row of names over one of values the same."""
    if "<t" not in page.lower() or len(page) > MOST_CHARACTERS:
        return {}
    cells = _Cells()
    cells.feed(page)
    rows = [[" ".join(c.split()) for c in row] for row in cells.rows]
    rows = [row for row in rows if any(row)]
    if len(rows) == 2 and len(rows[0]) == len(rows[1]) > 2:
        rows = [[a, b] for a, b in zip(*rows, strict=True)]
    return {row[0].rstrip(":"): row[1] for row in rows if len(row) == 2 and row[0] and len(row[0]) < 80}


def with_described(table: Table) -> Table:
    """The table with a column for each name in the tables that its descriptions hold; as it is where they hold none."""
    at = next((i for i, h in enumerate(table.headers) if h.lower() in DESCRIBED), None)
    if at is None:
        return table
    told = [_pairs(str(cell)) for cell in table.cells[at]]
    there = {h.lower() for h in table.headers}
    names = [n for n in dict.fromkeys(n for row in told for n in row) if n.lower() not in there]
    if not names:
        return table
    cells = table.cells.copy()
    width = len(table.headers)
    for j, name in enumerate(names):
        cells[width + j] = pd.Series(pd.array([row.get(name, "") for row in told], dtype="str"), index=cells.index)
    typed = table.typed
    if typed is not None:
        typed = np.hstack([typed, np.zeros((len(cells), len(names)), dtype=bool)])
    note = f"a table in the column {table.headers[at]!r} gives {len(names)} columns"
    return replace(
        table, headers=(*table.headers, *names), cells=cells, typed=typed, notes=[*table.notes, note]
    )  # fmt: skip

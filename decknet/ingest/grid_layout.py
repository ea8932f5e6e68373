"""How readings lie in a table: point by point, or in a matrix with stations and offsets along its edges."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.errors import RecordError
from decknet.ingest.evidence import figures

if TYPE_CHECKING:
    from decknet.ingest.checks import Floats
    from decknet.ingest.mapping import Stated
    from decknet.ingest.table import Table

__all__ = [
    "EDGES",
    "PAIRS",
    "from_the_edge",
    "is_grid_table",
    "is_matrix",
    "label_number",
    "method_of",
    "point_by_point",
]

# Words in the header of the readings, and the method they tell.
WORDS = {
    "impact echo": ("hz", "khz", "frequency", "peak"),
    "half-cell": ("mv", "v", "potential", "potentials", "halfcell", "half cell", "cse"),
    "radar": ("db", "amplitude", "attenuation"),
}
NOT_READ = {"resistivity": ("resistivity", "kohm", "ohm", "kohmcm")}
_SURE = frozenset({"hz", "khz", "mv", "half cell", "halfcell", "potential", "potentials", "cse", "db", "resistivity"})
EDGES = ("centreline", "left kerb", "right kerb")
PAIRS = (("station", "offset"), ("x", "y"), ("row", "column"), ("row", "col"))
_LABEL = re.compile(r"[A-Za-z]{1,2}|\d+(?:[.,]\d+)?")
_LEAST = 3  # columns and rows of a matrix


def method_of(header: str) -> str:
    """The method that a header of readings tells; empty where none."""
    plain = normal(header)
    words = {*plain.split(), *(" ".join(p) for p in zip(plain.split(), plain.split()[1:], strict=False))}
    return next((m for m, known in {**WORDS, **NOT_READ}.items() if words & set(known)), "")


def is_grid_table(table: Table) -> bool:
    """Whether a table gives places on a grid and one reading that a grid method takes; or is a matrix of readings."""
    first = {w[0] for w in (normal(h).split() for h in table.headers) if w}
    read = [h for h in table.headers if normal(h) != "v" and method_of(h)]
    if {"station", "offset"} <= first:
        return bool(read)
    if any(set(pair) <= first for pair in PAIRS):
        # x and y may be a place on the map: beside them only words tell that no bridge has.
        words = {w for h in read for w in (*normal(h).split(), normal(h))}
        return len(read) == 1 and bool(words & _SURE)
    return is_matrix(table)


def is_matrix(table: Table) -> bool:
    """Whether a table has labels of grid lines along its top and down its first column, and figures in between.

    Examples
    --------
    >>> from decknet.ingest.table import Table
    >>> cells = pd.DataFrame([["2", "-120", "-130", "-90"], ["4", "-200", "-220", "-210"], ["6", "-90", "-80", "-70"]])
    >>> is_matrix(Table("", "", ("", "B", "D", "F"), cells.astype("str"), np.array([2, 3, 4])))
    True
    """
    heads = [h.strip() for h in table.headers[: len(table.headers) - table.added]]
    if len(heads) <= _LEAST or len(table.cells) < _LEAST or table.shape is not None:
        return False
    if not all(_LABEL.fullmatch(h) for h in heads[1:]) or (heads[0] and not re.search("(?i)sta|row|off|no", heads[0])):
        return False
    if all(re.fullmatch(r"(?:19|20)\d\d", h) for h in heads[1:]):
        return False  # years, not lines of a grid
    labels = table.cells[0].astype("str").str.strip()
    if not labels[labels != ""].map(lambda c: _LABEL.fullmatch(c) is not None).all() or (labels != "").mean() < 0.9:
        return False
    body = np.concatenate([figures(table, j) for j in range(1, len(heads))])
    given = np.concatenate([(table.cells[j].astype("str").str.strip() != "").to_numpy() for j in range(1, len(heads))])
    return bool(given.any()) and float(np.mean(~np.isnan(body[given]))) > 0.9


def label_number(text: str) -> float:
    """A label of a grid line as a number: digits as they are, letters A, B, ... Z, AA as 1, 2, ... 26, 27.

    Examples
    --------
    >>> label_number("B"), label_number("AA"), label_number("58")
    (2.0, 27.0, 58.0)
    """
    if text.isascii() and text.isalpha() and len(text) <= 3:
        number = 0
        for letter in text.upper():
            number = number * 26 + ord(letter) - 64
        return float(number)
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return np.nan


def point_by_point(table: Table, stated: Stated) -> Table:
    """A matrix as a table of a reading a row, with its labels down and across; any other table as it is.

    The grid's lines down the first column are columns of the grid, along the deck, unless ``down`` is stated to be
    offsets.
    """
    own = len(table.headers) - table.added
    if {"station", "offset", "row", "column"} & set(stated.grid) or not is_matrix(table):
        return table
    along = str(stated.grid.get("down", "station"))
    if along not in ("station", "offset"):
        raise RecordError(f"{stated.source}, grid.down: {along!r} must be station or offset.")
    down = table.cells[0].astype("str").str.strip()
    parts = []
    for j in range(1, own):
        part = pd.DataFrame({"down": down, "across": table.headers[j].strip(), "reading": table.cells[j].astype("str")})
        parts.append(part.assign(at=np.arange(len(down))))
    points = pd.concat(parts, ignore_index=True)
    points = points[(points["down"] != "") & (points["reading"].str.strip() != "")].sort_values("at", kind="stable")
    heads = ("column", "row", "reading") if along == "station" else ("row", "column", "reading")
    rows = points["at"].to_numpy()
    typed = None if table.typed is None else np.zeros((len(points), 3), dtype=bool)
    cells = points[["down", "across", "reading"]].reset_index(drop=True).set_axis(range(3), axis=1).astype("str")
    note = f"a matrix of {own - 1} lines across and {len(down)} down, read as {len(points)} readings"
    return replace(
        table, headers=heads, cells=cells, line=table.line[rows], typed=typed, odd=[], added=0,
        notes=[*table.notes, note],
    )  # fmt: skip


def from_the_edge(offset: Floats, width: Floats, said: dict[str, Any], place: str) -> tuple[Floats, str]:
    """Offsets from the centreline, left negative, out of offsets from where they are counted; and from where, in words.

    Parameters
    ----------
    offset : array of float, m
        As given.
    width : array of float, m
        Of the deck of each reading; NaN where not on record.
    said : dict
        ``[grid]`` of a mapping; ``offset_from`` is one of ``EDGES``.
    place : str
        For messages.

    Raises
    ------
    RecordError
        All offsets lie on one side, further out than half the deck, and it is not stated from where they are counted.
    """
    edge = str(said.get("offset_from", ""))
    if edge and edge not in EDGES:
        raise RecordError(f"{place}, grid.offset_from: {edge!r} must be {', '.join(EDGES[:-1])} or {EDGES[-1]}.")
    low, high = float(np.nanmin(offset)), float(np.nanmax(offset))
    if not edge:
        beyond = high > np.nanmin(width) / 2 + 0.01 if np.isfinite(width).any() else low >= 0
        if low >= 0 and high > 0 and beyond:
            raise RecordError(
                f"{place}: the offsets run from {low:g} to {high:g} m, all on one side, so they are not counted from "
                'the centreline. State from where in a mapping file (--map): [grid] offset_from = "left kerb" or '
                '"right kerb", left as seen in the direction of the stations; or "centreline", if they are.'
            )
        return offset, ""
    if edge == "centreline":
        return offset, ""
    # Where the width is not on record the readings lie even across the deck: the first is as far from one kerb as the
    # last from the other.
    half = np.where(np.isnan(width), (low + high) / 2, width / 2)
    out: Floats = offset - half if edge == "left kerb" else half - offset
    return out, f", offsets counted from the {edge}"

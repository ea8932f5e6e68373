"""A table with what the user states of its rows: numbered by line, or with a number joined out of several columns."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.ingest.coded import once, spread
from decknet.ingest.evidence import bare_years, figures
from decknet.ingest.values import clean

if TYPE_CHECKING:
    from decknet.ingest.mapping import Stated
    from decknet.ingest.table import Table

Odd = tuple[int, str, str, str, str]

__all__ = ["JOINED", "PART_MARK", "joined_parts", "prepared", "stated_for"]

JOINED = ("bridge_id", "deck_id")  # numbers that may stand in several columns
PART_MARK = "-"


def prepared(table: Table, stated: Stated, file: str) -> Table:
    """The table with a column of numbers more, where the user states how they come about.

    Parameters
    ----------
    table : Table
    stated : Stated
        ``number_rows``: each row is a bridge of its own, called by the file and the line. Several headers stated as one
        number are joined with a dash.
    file : str
    """
    stem = file.rpartition("/")[2].partition(".")[0]
    if stated.number_rows:
        numbers = [f"{stem}:{line}" for line in table.line]
        table = table.with_column("bridge_id", pd.Series(numbers, dtype="str"))
    if stated.years == "aadt":
        heads = {i: f"aadt {year}" for i, year in bare_years(table).items()}
        table = replace(table, headers=tuple(heads.get(i, h) for i, h in enumerate(table.headers)))
    table = _counts_with_years(_both_directions(_day_of_three(table)))
    for name, parts in joined_parts(table, stated).items():
        cells = [clean(table.cells[i]).astype("str") for i in parts]
        whole = cells[0]
        for more in cells[1:]:
            whole = whole.where((more == "") | (whole == ""), whole + PART_MARK + more)
        table = table.with_column(name, whole)
    return table


_THREE = (
    ("year", "month", "day"), ("yyyy", "mm", "dd"), ("jahr", "monat", "tag"), ("année", "mois", "jour"),
    ("año", "mes", "día"), ("anno", "mese", "giorno"), ("år", "måned", "dag"), ("år", "månad", "dag"),
    ("jaar", "maand", "dag"),
)  # fmt: skip


def _day_of_three(table: Table) -> Table:
    """Year, month and day in three columns as one column of days."""
    heads = [normal(h).removesuffix(" of survey").removeprefix("survey ") for h in table.headers]
    three = next((names for names in _THREE if all(heads.count(n) == 1 for n in names)), None)
    if three is None:
        return table
    at = [heads.index(n) for n in three]
    year, month, day = (clean(table.cells[i]).astype("str").str.removesuffix(".0") for i in at)
    whole = year + "-" + month.str.zfill(2) + "-" + day.str.zfill(2)
    empty = (year + month + day) == ""
    headers = tuple("" if i in at else h for i, h in enumerate(table.headers))
    note = f"{', '.join(repr(table.headers[i]) for i in at)} are read as one day"
    made = replace(table, headers=headers, notes=[*table.notes, note])
    return replace(made.with_column("date", whole.where(~empty, "")), added=table.added)


_BOUND = re.compile(
    r"\b(?:north ?bound|south ?bound|east ?bound|west ?bound|nb|sb|eb|wb|north|south|east|west|dir(?:ection)? ?[12ab]|"
    r"inbound|outbound|up|down|[nsew])\b"
)
_COUNT = re.compile(r"\b(?:aadt|adt|traffic|count|vehicles|dtv|tmja|imd)\b")


def _both_directions(table: Table) -> Table:
    """Counts of two directions as their sum: two columns side by side, or two rows of a bridge and a year."""
    heads = [normal(h) for h in table.headers]
    counts = [i for i, h in enumerate(heads) if _COUNT.search(h)]
    pair = [i for i in counts if _BOUND.search(_COUNT.sub("", heads[i]))]
    if len(pair) == 2 and len(counts) == 2:
        one, other = (figures(table, i) for i in pair)
        note = f"{table.headers[pair[0]]!r} and {table.headers[pair[1]]!r} are two directions and are added"
        whole = pd.Series([f"{v:.10g}" if v == v else "" for v in one + other], dtype="str")
        headers = tuple("" if i in pair else h for i, h in enumerate(table.headers))
        made = replace(table, headers=headers, notes=[*table.notes, note])
        return replace(made.with_column("aadt", whole), added=table.added)
    way = [i for i, h in enumerate(heads) if h in _WAY]
    if len(way) != 1 or len(counts) != 1:
        return table
    body = {j: clean(table.cells[j]).astype("str") for j in table.cells.columns}
    key = pd.DataFrame({j: c for j, c in body.items() if j not in (way[0], counts[0])})
    value, said = figures(table, counts[0]), body[way[0]]
    group = key.groupby(list(key.columns), sort=False, dropna=False).ngroup().to_numpy()
    told = pd.DataFrame({"group": group, "way": said, "value": value})
    by = told.groupby("group")
    sums = pd.DataFrame({"n": by.size(), "ways": by["way"].nunique(), "total": by["value"].sum(min_count=2)})
    added = (sums["n"] == 2) & (sums["ways"] == 2) & sums["total"].notna()
    if not added.any():
        return table
    first = ~told["group"].duplicated().to_numpy()
    keep = np.flatnonzero(first | ~added.loc[group].to_numpy())
    cells = table.cells.iloc[keep].reset_index(drop=True)
    total = sums["total"].loc[group].to_numpy()
    joined = added.loc[group].to_numpy()
    figure = [f"{t:.10g}" if j else str(c) for t, j, c in zip(total, joined, body[counts[0]], strict=True)]
    cells[counts[0]] = pd.array([figure[i] for i in keep], dtype="str")
    alone = keep[(sums["n"] == 1).loc[group[keep]].to_numpy()]
    rule = "one direction alone of a count is given, and of other bridges both; it is kept as it stands"
    lone = [(int(i), "F-ONE-WAY", rule, "Give the other direction, or their sum.", "flag") for i in alone]
    note = f"{int(added.sum())} pairs of rows give the two directions of a count and are added"
    return replace(
        table, cells=cells, line=table.line[keep], typed=None if table.typed is None else table.typed[keep],
        shape=None if table.shape is None else table.shape[keep], odd=_moved([*table.odd, *lone], keep),
        notes=[*table.notes, note],
    )  # fmt: skip


_WAY = ("direction", "dir", "direction of travel", "travel direction", "bound", "richtung", "sens", "sentido")


def _moved(odd: list[Odd], keep: np.ndarray[Any, np.dtype[np.int64]]) -> list[Odd]:
    new = {int(old): at for at, old in enumerate(keep)}
    return [(new[o[0]], *o[1:]) for o in odd if o[0] in new]


_WITH_YEAR = re.compile(r"\s*(\d[\d.,]*)\s*\(\s*'?((?:19|20)?\d\d)\s*\)\s*")


def _counts_with_years(table: Table) -> Table:
    """Counts that carry their year, such as ``450(92)``, as a count and a year."""
    at = next((i for i, h in enumerate(table.headers) if _COUNT.search(normal(h))), None)
    if at is None or any("year" in normal(h).split() for h in table.headers):
        return table
    codes, seen = once(table.cells[at])
    told = [_WITH_YEAR.fullmatch(str(c)) for c in seen]
    if sum(t is not None for t in told) * 2 <= sum(bool(str(c).strip()) for c in seen):
        return table
    cells = table.cells.copy()
    cells[at] = spread([str(c) if t is None else t[1] for c, t in zip(seen, told, strict=True)], codes)
    years = [
        "" if t is None else t[2] if len(t[2]) == 4 else f"{'19' if int(t[2]) > CENTURY else '20'}{t[2]}" for t in told
    ]
    note = f"{table.headers[at]!r} holds counts with their year in brackets"
    made = replace(table, cells=cells, notes=[*table.notes, note])
    return replace(made.with_column("year", spread(years, codes)), added=table.added)


CENTURY = 30  # two digits above it are of the last century


def stated_for(table: Table, stated: Stated) -> dict[int, str]:
    """What is stated of the columns of a table, by position: a header as written, else one that reads the same."""
    own = len(table.headers) - table.added
    labels = table.labels()[:own]
    alike = {normal(h): v for h, v in stated.columns.items()}
    exact = {normal(h) for h in stated.columns if h in labels}
    out = {}
    for i, label in enumerate(labels):
        if not table.headers[i]:
            continue
        if label in stated.columns:
            out[i] = stated.columns[label]
        elif normal(label) in alike and normal(label) not in exact:
            out[i] = alike[normal(label)]
    return out


def joined_parts(table: Table, stated: Stated) -> dict[str, list[int]]:
    """Columns that together hold a number, by our name for it, in the order in which they are stated."""
    told = stated_for(table, stated)
    order = {normal(h): n for n, h in enumerate(stated.columns)}
    out: dict[str, list[int]] = {}
    for name in JOINED:
        at = [i for i, wanted in told.items() if wanted.partition(" in ")[0].strip() == name]
        if len(at) > 1:
            out[name] = sorted(at, key=lambda i: order[normal(table.labels()[i])])
    return out

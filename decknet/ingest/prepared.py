"""A table with what the user states of its rows: numbered by line, or with a number joined out of several columns."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from decknet.columns import normal
from decknet.ingest.evidence import bare_years
from decknet.ingest.values import clean

if TYPE_CHECKING:
    from decknet.ingest.mapping import Stated
    from decknet.ingest.table import Table

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
    for name, parts in joined_parts(table, stated).items():
        cells = [clean(table.cells[i]).astype("str") for i in parts]
        whole = cells[0]
        for more in cells[1:]:
            whole = whole.where((more == "") | (whole == ""), whole + PART_MARK + more)
        table = table.with_column(name, whole)
    return table


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

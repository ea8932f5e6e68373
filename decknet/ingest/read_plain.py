"""Large, plain delimited text read in one sweep; anything out of the ordinary is left to the careful reader."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.ingest.layout import Grid, lay_out, may_be_odd, odd_rows
from decknet.ingest.table import Table

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["LARGE", "read_plain"]

LARGE = 300_000  # characters; smaller files are read row by row
HEAD = 60  # lines in which the header is looked for


def read_plain(name: str, text: str, mark: str, stated: Sequence[str], notes: list[str]) -> Table | None:
    """The table of a text without a quote, with as many cells on every line and no line empty; else None."""
    import pyarrow as pa
    import pyarrow.compute as pc
    from pyarrow import csv

    if len(text) < LARGE or '"' in text or "\0" in text or len(mark) != 1:
        return None
    raw = text.rstrip("\r\n").encode()
    head = [line.split(mark) for line in text.split("\n", HEAD)[:HEAD]]
    head = [[c.rstrip("\r") for c in row] for row in head]
    top = Grid(name, "", head, list(range(1, len(head) + 1)))
    laid = lay_out(top, stated)
    if isinstance(laid, str) or not laid[1]:
        return None
    headers, keep, _ = laid
    width, start = len(headers), keep[0]
    if any(len(row) != width for row in head[start:]):
        return None
    lines = raw.count(b"\n") + 1
    if raw.count(b"\r") not in (0, raw.count(b"\n")):
        return None
    try:
        found = csv.read_csv(
            io.BytesIO(raw),
            read_options=csv.ReadOptions(
                skip_rows=start, column_names=[str(j) for j in range(width)], block_size=1 << 24
            ),
            parse_options=csv.ParseOptions(delimiter=mark, quote_char=False, ignore_empty_lines=False),
            convert_options=csv.ConvertOptions(
                column_types={str(j): pa.large_string() for j in range(width)}, strings_can_be_null=False
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return None
    if found.num_rows != lines - start:
        return None
    dtype = pd.StringDtype("pyarrow", na_value=np.nan)
    columns = {j: pd.array(found.column(j).combine_chunks(), dtype=dtype) for j in range(width)}
    line = np.arange(start + 1, lines + 1, dtype=np.int64)
    table = Table(
        name, "", tuple(headers), pd.DataFrame(columns, copy=False), line, notes=[*notes, *top.notes], delimiter=mark
    )  # fmt: skip
    filled = np.zeros(len(line), dtype=np.int64)
    for j in range(width):
        filled += pc.not_equal(found.column(j), "").to_numpy()
    at = np.flatnonzero(may_be_odd(found.column(0), filled, width, headers))
    if len(at) > max(1000, len(line) // 20):
        return None
    rows = [[str(found.column(j)[i].as_py()) for j in range(width)] for i in at.tolist()]
    odd = odd_rows(Grid(name, "", rows, at.tolist()), headers, list(range(len(rows))))
    blank = [i for i, row in zip(at.tolist(), rows, strict=True) if not any(c.strip() for c in row)]
    table.odd.extend((int(at[k]), *said) for k, said in odd.items())
    if not blank:
        return table
    stay = np.ones(len(line), dtype=bool)
    stay[blank] = False
    new = np.cumsum(stay) - 1
    return Table(
        name, "", table.headers, table.cells[stay].reset_index(drop=True), line[stay],
        odd=[(int(new[o[0]]), *o[1:]) for o in table.odd], notes=table.notes, delimiter=mark,
    )  # fmt: skip

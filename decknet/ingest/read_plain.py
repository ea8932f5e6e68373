"""Large, plain delimited text read in one sweep; anything out of the ordinary is left to the careful reader."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.ingest.coded import coded, spread
from decknet.ingest.layout import Grid, lay_out, may_be_odd, odd_rows
from decknet.ingest.table import Table

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["LARGE", "read_plain"]

LARGE = 300_000  # characters; smaller files are read row by row
HEAD = 60  # lines in which the header is looked for
BLOCK = 1 << 22  # bytes read at once by one thread
MANY = 250_000  # different cells from which a column is written out


def read_plain(name: str, text: str, mark: str, stated: Sequence[str], notes: list[str]) -> Table | None:
    """The table of a text without a quote, with as many cells on every line and no line empty; else None."""
    import pyarrow as pa
    from pyarrow import csv

    if len(text) < LARGE or '"' in text or "\0" in text or len(mark) != 1:
        return None
    raw = text.encode()
    stop = len(raw)
    while stop and raw[stop - 1] in b"\r\n":
        stop -= 1
    end = -1
    for _ in range(HEAD):
        end = text.find("\n", end + 1)
        if end < 0:
            return None
    head = [line.split(mark) for line in text[:end].split("\n")]
    head = [[c.rstrip("\r") for c in row] for row in head]
    top = Grid(name, "", head, list(range(1, len(head) + 1)))
    laid = lay_out(top, stated)
    if isinstance(laid, str) or not laid[1]:
        return None
    headers, keep, _ = laid
    width, start = len(headers), keep[0]
    if any(len(row) != width for row in head[start:]):
        return None
    lines = raw.count(b"\n", 0, stop) + 1
    if b"\r" in raw and raw.count(b"\r", 0, stop) not in (0, lines - 1):
        return None
    try:
        found = csv.read_csv(
            pa.BufferReader(memoryview(raw)[:stop]),
            read_options=csv.ReadOptions(
                skip_rows=start, column_names=[str(j) for j in range(width)], block_size=BLOCK
            ),
            parse_options=csv.ParseOptions(delimiter=mark, quote_char=False, ignore_empty_lines=False),
            convert_options=csv.ConvertOptions(
                column_types={str(j): pa.dictionary(pa.int32(), pa.string()) for j in range(width)},
                strings_can_be_null=False,
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return None
    if found.num_rows != lines - start:
        return None
    parts = [_once(found.column(j)) for j in range(width)]
    del found
    line = np.arange(start + 1, lines + 1, dtype=np.int64)
    table = Table(
        name, "", tuple(headers), pd.DataFrame({j: _column(*p) for j, p in enumerate(parts)}, copy=False), line,
        notes=[*notes, *top.notes], title=tuple(top.title), delimiter=mark,
    )  # fmt: skip
    at = np.flatnonzero(_may_be_odd(parts, headers))
    if len(at) > max(1000, len(line) // 20):
        return None
    rows = [[str(cell) for cell in row] for row in table.cells.iloc[at].to_numpy(dtype=object)]
    odd = odd_rows(Grid(name, "", rows, at.tolist()), headers, list(range(len(rows))))
    blank = [i for i, row in zip(at.tolist(), rows, strict=True) if not any(c.strip() for c in row)]
    table.odd.extend((int(at[k]), *said) for k, said in odd.items())
    if not blank:
        return table
    stay = np.ones(len(line), dtype=bool)
    stay[blank] = False
    new = np.cumsum(stay) - 1
    cells = pd.DataFrame({j: _column(codes[stay], seen) for j, (codes, seen) in enumerate(parts)}, copy=False)
    return Table(
        name, "", table.headers, cells, line[stay],
        odd=[(int(new[o[0]]), *o[1:]) for o in table.odd], notes=table.notes, title=table.title, delimiter=mark,
    )  # fmt: skip


def _once(column: Any) -> tuple[Any, pd.Series]:
    """Codes and different cells of a column as it was read."""
    whole = column.unify_dictionaries().combine_chunks()
    whole = whole.chunk(0) if hasattr(whole, "chunk") else whole
    return whole.indices.to_numpy(), pd.Series(pd.array(whole.dictionary, dtype="str"))


def _column(codes: Any, seen: pd.Series) -> pd.Series:
    return coded(codes, seen) if len(seen) <= MANY else spread(seen, codes)


def _may_be_odd(parts: list[tuple[Any, pd.Series]], headers: list[str]) -> Any:
    """As ``may_be_odd``, each different first cell looked at once."""
    import pyarrow as pa

    filled = np.zeros(len(parts[0][0]), dtype=np.int16)
    for codes, seen in parts:
        filled += (seen != "").to_numpy(dtype=bool)[codes]
    codes, seen = parts[0]
    full = np.full(len(seen), len(parts), dtype=np.int64)
    odd = may_be_odd(pa.chunked_array([seen.array]), full, len(parts), headers)
    return odd[codes] | ((filled <= 1) & (len(parts) > 2))

"""The national inventory in records of 432 characters, one a line, items by their columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.columns.inventory import FIELDS, RECORD_LENGTH, Field
from decknet.ingest.table import Table

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["is_fixed_width", "read_fixed_width"]

LOOKED_AT = 50  # lines by which a file is recognised
LEAST = FIELDS["PERCENT_ADT_TRUCK_109"].last  # blanks at the end may have been cut off, up to here
MOST = 445  # some files add the yearly computed columns
_DIGITS = ("STATE_CODE_001", "YEAR_BUILT_027", "LAT_016", "YEAR_RECONSTRUCTED_106", "DATE_OF_INSPECT_090")


def is_fixed_width(text: str) -> bool:
    """Whether a text is made of records of the national inventory in fixed columns.

    Nine of ten of the first lines must have the length of a record, and digits or blanks where the
    guide wants digits.

    Examples
    --------
    >>> is_fixed_width("bridge,length_m\\n001,40\\n")
    False
    """
    lines = [line for line in text[: LOOKED_AT * (MOST + 2)].splitlines() if line.strip()][:LOOKED_AT]
    if not lines:
        return False
    fit = sum(LEAST <= len(line) <= MOST and all(_digits(line, FIELDS[h]) for h in _DIGITS) for line in lines)
    return fit >= 0.9 * len(lines)


def _digits(line: str, field: Field) -> bool:
    cell = line[field.first - 1 : field.last].strip()
    return cell == "" or cell.isdecimal()


def read_fixed_width(path: Path, text: str) -> Table:
    """Records as a table with the headers of the delimited inventory.

    Decimal points are put where the guide has them; nothing else is changed. A line too short or too
    long is refused: its items may stand in other columns.

    Parameters
    ----------
    path : Path
    text : str
        The file's text, one character a column.
    """
    kept = [(n, line) for n, line in enumerate(text.split("\n"), start=1) if line.strip()]
    lines = [line.rstrip("\r") for _, line in kept]
    odd = [
        (
            i,
            "R-RECORD-LENGTH",
            f"a record has {RECORD_LENGTH} columns, and this line has {len(line)}: items may stand in other columns",
            "Export the file again, or correct the line.",
            "refuse",
        )
        for i, line in enumerate(lines)
        if not LEAST <= len(line) <= MOST
    ]
    cells = {}
    for j, field in enumerate(FIELDS.values()):
        cells[j] = pd.array([_cell(line[field.first - 1 : field.last], field) for line in lines], dtype="str")
    note = f"records of {RECORD_LENGTH} columns, read by the coding guide's table of items"
    number = np.array([n for n, _ in kept], dtype=np.int64)
    return Table(path.stem, "", tuple(FIELDS), pd.DataFrame(cells), number, odd=odd, notes=[note])


def _cell(found: str, field: Field) -> str:
    """An item with its decimal point.

    Examples
    --------
    >>> _cell("000433", FIELDS["STRUCTURE_LEN_MT_049"])
    '43.3'
    """
    if not field.decimals or not found.strip().isdecimal():
        return found
    digits = found.strip().zfill(field.decimals + 1)
    return f"{digits[: -field.decimals].lstrip('0') or '0'}.{digits[-field.decimals :]}"

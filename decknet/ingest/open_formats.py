"""Files whose layout others have published, and grids of readings: which they are, and who reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decknet.ingest import element, grid, grid_layout, national, successor

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    import pandas as pd

    from decknet.ingest.checks import Rows
    from decknet.ingest.mapping import Stated
    from decknet.ingest.recognise import Claim
    from decknet.ingest.register import Register
    from decknet.ingest.table import Table
    from decknet.settings import GridSettings

__all__ = ["OPEN_KINDS", "check_open", "claim_open", "open_kind", "read_open"]

OPEN_KINDS = ("national", "successor", "elements", "grid")
_WANTED = {"element_quantity": "elements", "bridge": "successor"}


def read_open(path: Path) -> list[Table] | None:
    """Tables of a file of a published layout that no general reader takes; None for any other file."""
    match path.suffix.lower():
        case ".xml":
            return [element.read_elements(path)]
        case ".json":
            return successor.read_successor(path)
        case _:
            return None


def open_kind(table: Table, stated: Stated, wanted: str) -> str:
    """Which of ``OPEN_KINDS`` a table is; empty where none, or where another kind is asked for."""
    if wanted == "grid" or (stated.grid and wanted in ("", "grid")):
        return "grid"
    found = ""
    if table.national:
        found = "national"
    elif successor.is_successor_table(table):
        found = "successor"
    elif element.is_element_table(table):
        found = "elements"
    elif not wanted and grid_layout.is_grid_table(table):
        found = "grid"
    return found if wanted in ("", found) or _WANTED.get(wanted) == found else ""


def claim_open(
    what: str, table: Table, stated: Stated, file: str, today: date
) -> tuple[Table, dict[str, Claim], dict[int, str]]:
    """The table, completed where the layout leaves something to be told; its columns; headers not used."""
    match what:
        case "national":
            return table, national.claim_items(table), {}
        case "successor":
            table = successor.completed(table, stated, file, today)
            return (table, *successor.claim_tags(table))
        case "elements":
            table = element.dated(table, stated, file, today)
            return (table, *element.claim_element_tags(table))
        case _:
            table = grid_layout.point_by_point(table, stated)
            return (table, *grid.claim_readings(table, stated, file))


def check_open(what: str, rows: Rows, register: Register, settings: GridSettings) -> dict[str, pd.DataFrame]:
    """Records of one table."""
    match what:
        case "national":
            return national.check_national(rows, register)
        case "successor":
            return successor.check_successor(rows, register)
        case "elements":
            return element.check_element_records(rows, register)
        case _:
            return grid.check_grid(rows, register, settings)

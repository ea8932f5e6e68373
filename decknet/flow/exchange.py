"""Use case: what a store holds, written in a format that others read."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from decknet.columns import RECORDS
from decknet.errors import DecknetError
from decknet.flow import write_whole
from decknet.keep import Store
from decknet.show.exports import element_records, inventory, successor
from decknet.show.tables import csv_tables, record_layers

__all__ = ["FORMATS", "Exported", "export"]

# Format: the file's usual ending, empty for a folder.
FORMATS = {
    "national": ".txt",
    "national-fixed": ".txt",
    "elements": ".xml",
    "successor": ".json",
    "csv": "",
    "geopackage": ".gpkg",
}


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written.

    Attributes
    ----------
    paths : list of Path
    notes : list of str
        What the format left out, cut or rounded, a sentence each.
    """

    paths: list[Path]
    notes: list[str] = field(default_factory=list)


def export(path: Path, form: str, output: Path | None = None, *, state: str = "") -> Exported:
    """Write the current records of a store in one of ``FORMATS``.

    Parameters
    ----------
    path : Path
        The store; it is only read.
    form : str
    output : Path, optional
        File to write, or folder for CSV; else named for the store, where the command is run.
    state : str
        Code of the state for the national formats; they are read without it too.

    Raises
    ------
    DecknetError
        The format is not known, the store holds nothing for it, or the file cannot be written.
    """
    if form not in FORMATS:
        raise DecknetError(f"--as {form}: no such format. Known: {', '.join(FORMATS)}.")
    with Store.open(path) as store:
        records = {kind: store.current(kind) for kind in RECORDS}
    needed = "element_quantity" if form == "elements" else "deck"
    if form in ("national", "national-fixed", "elements", "successor") and records[needed].empty:
        raise DecknetError(
            f"{path}: holds no {needed.replace('_', ' ')} records, so there is nothing to write as {form}."
        )
    if all(frame.empty for frame in records.values()):
        raise DecknetError(f"{path}: holds no records yet. Bring some in with: decknet load {path.name} FILE")
    to = output or Path(f"{path.stem}_{form.replace('-', '_')}{FORMATS[form]}")
    if form == "csv":
        files, notes = csv_tables(records)
        for name, content in files.items():
            write_whole(to / name, content)
        return Exported([to / name for name in files], notes)
    if form == "geopackage":
        content, notes = record_layers(records)
    else:
        match form:
            case "elements":
                made = element_records(records, state=state)
            case "successor":
                made = successor(records)
            case _:
                made = inventory(records, state=state, fixed=form == "national-fixed")
        content, notes = made.content, made.notes
    write_whole(to, content)
    return Exported([to], notes)

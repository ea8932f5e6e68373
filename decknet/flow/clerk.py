"""Use cases of the office: what to check in the store, and blank sheets to fill in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from decknet import flow
from decknet.columns import RECORDS
from decknet.errors import DecknetError
from decknet.flow.reading import AsOf, records_of, with_store
from decknet.ingest import CODES, check_records
from decknet.keep import Store
from decknet.show.clerk import fault_list
from decknet.show.forms import FORMS, form

__all__ = ["Check", "check", "list_of", "open_entries", "write_forms"]


@dataclass(frozen=True, slots=True)
class Check:
    """What was found wrong.

    Attributes
    ----------
    title : str
    stored : DataFrame
        What looks wrong in what is stored: code, kind, record, column, value, rule, remedy, and file,
        sheet and line it came from.
    waiting : DataFrame
        Rows refused or flagged on the way in that nothing has put right since, each with its intake.
    """

    title: str
    stored: pd.DataFrame
    waiting: pd.DataFrame


def check(path: Path, *, today: date) -> Check:
    """Hold everything in a store to every rule."""

    def held(store: Store) -> Check:
        records = records_of(store, path, AsOf(today, whole=True))
        found = check_records(dict(records.frames), today=today)
        return Check(records.title, _with_source(store, found), store.open_entries())

    return with_store(path, held)


def _with_source(store: Store, found: pd.DataFrame) -> pd.DataFrame:
    """Findings with file, sheet and line of the record each is about, where it is about one."""
    out = found.assign(file="", sheet="", line="")
    for kind, part in out.groupby("kind"):
        record = RECORDS.get(str(kind))
        if record is None or record.kind == "defect":
            continue
        held = store.history(record.kind)
        held = held[~held["undone"]].drop_duplicates(record.key[0], keep="last").set_index(record.key[0])
        known = part.index[part["record"].isin(held.index)]
        source = held.loc[part.loc[known, "record"], ["file", "sheet", "line"]].astype("str")
        for name in ("file", "sheet", "line"):
            out.loc[known, name] = source[name].to_numpy()
    return out


def open_entries(path: Path) -> pd.DataFrame:
    """Rows refused or flagged that nothing has put right since."""
    return with_store(path, Store.open_entries)


def list_of(found: Check, *, today: date) -> bytes:
    """The list for a clerk, as a workbook: first what was refused, then what looks wrong, then flags."""
    waiting = found.waiting.assign(kind=found.waiting["about"].str.split("|").str[0], record=found.waiting["about"])
    waiting["severity"] = waiting["severity"].map({"refuse": "refused", "flag": "kept, flagged"})
    waiting = waiting.astype("object")
    stored = found.stored.assign(severity="stored", row="").astype("object")
    both = pd.concat([waiting[waiting["severity"] == "refused"], stored, waiting[waiting["severity"] != "refused"]])
    rules = pd.DataFrame(
        [(c.code, c.about, c.severity, c.sentence) for c in CODES.values()],
        columns=["code", "about", "severity", "sentence"],
    )
    return fault_list(both.where(both.notna(), ""), rules, title=found.title, today=today)


def write_forms(folder: Path) -> Iterator[Path]:
    """Blank sheets into a folder; a sheet of that name that is there already stays as it is.

    Raises
    ------
    DecknetError
        A file of the name exists: it may be filled in.
    """
    there = [name for name in FORMS if (folder / f"{name}.xlsx").exists()]
    if there:
        raise DecknetError(
            f"{folder / f'{there[0]}.xlsx'}: exists already and may be filled in. Name another folder, or move it away."
        )
    for name in FORMS:
        path = folder / f"{name}.xlsx"
        flow.write_whole(path, form(name))
        yield path

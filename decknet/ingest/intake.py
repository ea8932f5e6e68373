"""One file in: its tables read, recognised, checked, and put together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS
from decknet.errors import RecordError
from decknet.ingest import bridges, closings, conditions, defects, grid, repairs, surveys, traffic
from decknet.ingest.areas import no_inventory
from decknet.ingest.base import check_base
from decknet.ingest.checks import Rows, fault_frame
from decknet.ingest.corrections import corrects, tell_clears
from decknet.ingest.coverage import check_coverage, split_coverage
from decknet.ingest.kinds import NAMED_FOR, kind_of
from decknet.ingest.mapping import Stated, read_mapping
from decknet.ingest.open_formats import OPEN_KINDS, check_open, claim_open, open_kind
from decknet.ingest.prepared import prepared
from decknet.ingest.read import read_tables
from decknet.ingest.recognise import (
    ALSO,
    AS_SHARE,
    DECK_KEYS,
    KINDS,
    Claim,
    claim_columns,
    years_in_headers,
)
from decknet.ingest.register import Known, Register
from decknet.ingest.revisions import tell_older
from decknet.ingest.suggest import refusal, repeats_by_state
from decknet.ingest.table import Table
from decknet.settings import GridSettings

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

__all__ = ["Reading", "read_file", "read_one"]

# Tables of a file are taken in this order, so that a survey finds its deck whichever sheet it is on.
ORDER = (
    "national", "successor", "bridge", "deck", "survey", "grid", "coverage", "defect", "active_area", "repair",
    "closing", "traffic", "rating", "condition", "element_quantity", "elements", "base",
)  # fmt: skip
MAPPING = ("sheet", "header", "kind", "column", "unit", "why")

# One of each group must be there for a table to be read as the kind.
NEEDED: dict[str, tuple[tuple[str, ...], ...]] = {
    "bridge": (("bridge_id",),),
    "deck": (DECK_KEYS,),
    "survey": (DECK_KEYS, ("survey_date",)),
    "defect": (("survey_id", *DECK_KEYS),),
    "repair": (DECK_KEYS, ("repair_date",), ("treatment",)),
    "closing": (DECK_KEYS, ("closed_on",), ("closed_by",), ("how",)),
    "traffic": (("bridge_id",), ("aadt",)),
    "rating": (("bridge_id",), ("deck_rating",)),
    "condition": (("bridge_id",),),
    "element_quantity": (("bridge_id",), ("quantity_date",), ("element",)),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """What a file holds.

    Attributes
    ----------
    file : str
        Name of the file.
    records : dict of str to DataFrame
        By kind, the columns of ``columns.RECORDS[kind]`` with ``sheet`` and ``line``.
    faults : DataFrame
        One row a fault, the columns of ``columns.FAULT``.
    rows_read : int
        Rows below the headers of the tables recognised, empty ones not counted.
    rows_kept : int
        Rows that gave at least one record. Every other row has a fault with the severity refuse,
        set aside or repeat.
    mapping : DataFrame
        sheet, header, kind, column, unit, why; the column is empty where a header is not used, and
        the header where a note is on the whole sheet.
    stated : Stated
        What the user stated, from a mapping file and options.
    """

    file: str
    records: dict[str, pd.DataFrame]
    faults: pd.DataFrame
    rows_read: int
    rows_kept: int
    mapping: pd.DataFrame
    stated: Stated


def read_file(
    path: Path, *, known: Known, today: date, kind: str | None = None, mapping: Path | None = None,
    options: Mapping[str, Any] | None = None, name: str = "", settings: GridSettings | None = None,
) -> Reading:  # fmt: skip
    """Read one file of records and check every row of it.

    Parameters
    ----------
    path : Path
        A file of one of ``read.FORMATS``.
    known : Known
        Bridges, decks and surveys on record, by which rows are checked.
    today : date
        Nothing may be dated later.
    kind : str, optional
        One of ``columns.RECORDS`` or ``national``; else recognised from headers and names.
    mapping : Path, optional
        TOML file that states columns, units, coordinate system and order of day and month.
    options : mapping, optional
        What a mapping file can state, stated otherwise: its keys and values; they come before the file's.
    name : str
        What faults call the file; else its own name.
    settings : GridSettings, optional
        Cut-offs for readings on a grid; else the defaults.

    Returns
    -------
    Reading

    Raises
    ------
    RecordError
        The file cannot be read, holds nothing that is recognised, or has a column with two readings.
    """
    stated = read_mapping(mapping, options)
    file = name or path.name
    wanted = _kind(kind or stated.kind)
    tables, others = read_tables(path, list(stated.columns), stated.sheet, stated.encoding)
    _headers_there(stated, tables)
    register = Register.of(known)
    notes = [{"sheet": sheet, "why": why} for sheet, why in others]
    found: list[tuple[str, Table, dict[str, Claim], dict[int, str]]] = []
    for table in tables:
        place = file + (f" sheet {table.sheet}" if table.sheet else "")
        open_ = open_kind(table, stated, wanted)
        if not open_:
            table = prepared(table, stated, file)
            table, counted = years_in_headers(table)
            table = table.with_values({**counted, **stated.values})
        what = open_ or wanted or kind_of(table, stated)
        if wanted in OPEN_KINDS and not open_:
            which = "national inventory" if wanted == "national" else f"open format {wanted!r}"
            raise RecordError(f"{place}: the header is not that of the {which}. Read it as another kind.")
        if open_:
            table, claims, unused = claim_open(what, table, stated, file, today)
        notes += [{"sheet": table.sheet, "kind": what, "why": why} for why in table.notes]
        if not what:
            if len(tables) == 1:
                raise refusal(place, table, stated, "", "")
            notes.append({"sheet": table.sheet, "why": _unknown(table)})
            continue
        if open_:
            found.append((what, table, claims, unused))
            continue
        alone = len(tables) == 1 or not wanted
        claims, unused, lacking = _claimed(place, table, what, stated, register, alone=alone)
        if not lacking and not wanted and what in ("bridge", "deck"):
            lacking = no_inventory(table, claims)
            if lacking and len(tables) == 1:
                raise RecordError(f"{place}: {lacking}")
        if lacking:
            notes.append({"sheet": table.sheet, "why": lacking})
            continue
        found.append((what, table, claims, unused))
    if not found:
        said = "; ".join(f"{n['sheet'] or 'the table'}: {n['why']}" for n in notes if not n.get("kind"))
        raise RecordError(
            f"{file}: nothing in it is recognised ({said or 'it holds no table'}). Check that it is the file that "
            "holds the records."
        )
    found = split_coverage(found)
    found.sort(key=lambda f: ORDER.index(f[0]))
    return _checked(file, found, register, stated, today, notes, settings or GridSettings())


def _claimed(
    place: str, table: Table, what: str, stated: Stated, register: Register, *, alone: bool
) -> tuple[dict[str, Claim], dict[int, str], str]:
    """The columns of a table, those not used, and what it lacks to be read as its kind; alone, that is an error."""
    try:
        claims, unused = claim_columns(table, what, stated, place)
    except RecordError as why:
        raise refusal("", table, stated, what, str(why)) from why
    lacking = _lacking(what, table, claims)
    if lacking and corrects(what, table, claims, register):
        lacking = ""
    if lacking and alone:
        raise refusal(place, table, stated, what, lacking)
    if what == "bridge" and not lacking and (rule := repeats_by_state(table, stated, claims["bridge_id"].index)):
        raise refusal(place, table, stated, what, rule)
    return claims, unused, lacking


def read_one(kind: str, values: Mapping[str, str], *, known: Known, today: date, name: str) -> Reading:
    """One record as it is stated, held to the rules of a file of one row.

    Parameters
    ----------
    kind : str
        One of ``columns.RECORDS``.
    values : mapping
        By column, as text.
    known, today
        As for ``read_file``.
    name : str
        What faults call it.
    """
    cells = pd.DataFrame([list(values.values())], dtype="str")
    table = Table(kind, "", tuple(values), cells, np.array([1], dtype=np.int64), delimiter=",")
    claims, unused = claim_columns(table, kind, Stated(), name)
    return _checked(
        name, [(kind, table, claims, unused)], Register.of(known), Stated(), today, [], GridSettings()
    )  # fmt: skip


def _checked(
    file: str,
    found: list[tuple[str, Table, dict[str, Claim], dict[int, str]]],
    register: Register,
    stated: Stated,
    today: date,
    notes: list[dict[str, str]],
    settings: GridSettings,
) -> Reading:
    parts: dict[str, list[pd.DataFrame]] = {}
    pieces: list[dict[str, Any]] = []
    used: list[dict[str, str]] = []
    read = kept = 0
    for what, table, claims, unused in found:
        rows = Rows(file, table, claims, stated, today, what, register)
        made = check_coverage(rows, register, parts) if what == "coverage" else _check(what, rows, register, settings)
        tell_clears(rows)
        tell_older(rows)
        for name, frame in made.items():
            parts.setdefault(name, []).append(frame)
        pieces += sorted(rows.pieces, key=lambda p: p["line"])
        read += rows.n
        kept += int(rows.kept.sum())
        used += [] if what == "coverage" else _mapped(rows, what, unused)
    records = {k: pd.concat(parts[k], ignore_index=True) for k in RECORDS if k in parts}
    records = {k: frame for k, frame in records.items() if len(frame)}
    _once({k: frame for k, frame in records.items() if len(parts[k]) > 1}, file)
    table_of = pd.DataFrame([*used, *notes], columns=list(MAPPING)).fillna("").astype("str")
    return Reading(file, records, fault_frame(pieces), read, kept, table_of, stated)


def _check(what: str, rows: Rows, register: Register, settings: GridSettings) -> dict[str, pd.DataFrame]:
    match what:
        case _ if what in OPEN_KINDS:
            return check_open(what, rows, register, settings)
        case "bridge" | "deck":
            return bridges.check_bridges(rows, register, what)
        case "survey":
            return surveys.check_surveys(rows, register)
        case "defect":
            return defects.check_defects(rows, register)
        case "repair":
            return repairs.check_repairs(rows, register)
        case "closing":
            return closings.check_closings(rows, register)
        case "traffic":
            return traffic.check_traffic(rows, register)
        case "rating":
            return traffic.check_ratings(rows, register)
        case "condition":
            return conditions.check_conditions(rows, register)
        case "element_quantity":
            return traffic.check_elements(rows, register)
        case "active_area":
            return grid.check_active_areas(rows, register)
        case _:
            return check_base(rows)


def _once(records: dict[str, pd.DataFrame], file: str) -> None:
    """Two sheets must not give one record twice: which of them holds is for the user to say."""
    for kind, frame in records.items():
        key = list(RECORDS[kind].key)
        twice = frame.duplicated(key, keep=False)
        if not twice.any():
            continue
        first = frame[twice].iloc[0]
        same = frame[(frame[key] == first[key]).all(axis=1)]
        where = " and ".join(f"sheet {s!r} line {n}" for s, n in zip(same["sheet"], same["line"], strict=True))
        name = " ".join(str(first[k]) for k in key)
        raise RecordError(
            f"{file}: the {kind} {name} is given twice, on {where}. Keep one, or name the one sheet to read in a "
            "mapping file (--map)."
        )


def _kind(kind: str) -> str:
    if not kind:
        return ""
    name = kind.strip().lower()
    short = name if name in KINDS else name.removesuffix("s")
    if short not in KINDS:
        raise RecordError(f"--as {kind}: no such kind of record. Known: {', '.join(KINDS)}.")
    return short


def _headers_there(stated: Stated, tables: list[Table]) -> None:
    from decknet.columns import normal

    there = {normal(h) for t in tables for h in (*t.headers, *t.labels())}
    for header in stated.columns:
        if normal(header) not in there:
            listed = ", ".join(repr(h) for t in tables for h in t.headers if h)
            raise RecordError(f"{stated.source}, columns: the file has no header {header!r}. It has: {listed}.")


def _unknown(table: Table) -> str:
    heads = ", ".join(repr(h) for h in table.headers if h)
    return (
        f"no kind of record is recognised by the headers {heads}; read as {', '.join(NAMED_FOR)} and others. Name the "
        "kind (--as), and state the columns in a mapping file (--map)"
    )


def _lacking(what: str, table: Table, claims: dict[str, Claim]) -> str:
    for group in NEEDED.get(what, ()):
        if not any(name in claims for name in group):
            heads = ", ".join(repr(h) for h in table.headers if h)
            return (
                f"a table of {what} records needs a column {' or '.join(group)}; its headers are {heads}. State which "
                'it is in a mapping file (--map): [columns] "their header" = "our_column".'
            )
    if what == "defect" and defects.needs_kind(table.name, "kind" in claims):
        return (
            "a table of defects needs a column kind, or a name that says what was found, such as delaminations. Add "
            "the column, or rename the sheet, layer or file."
        )
    return ""


def _mapped(rows: Rows, what: str, unused: dict[int, str]) -> list[dict[str, str]]:
    out = []
    for name, claim in sorted(rows.claims.items(), key=lambda p: p[1].index):
        if name.startswith(AS_SHARE):
            continue
        if name.startswith(ALSO):
            name = "looked_at"
        why = "; ".join(x for x in (claim.why, rows.said.get(name, "")) if x)
        of = claim.column
        out.append(_line(rows.table.sheet, claim.header, what, of.name, claim.unit or of.unit, why))
    for index, (name, why) in sorted(rows.also.items()):
        if not rows.has(name) or rows.claims[name].index != index:
            out.append(_line(rows.table.sheet, rows.table.headers[index], what, name, "", why))
    unused = {i: why for i, why in unused.items() if i not in rows.also}
    for name, why in rows.said.items():
        if name not in rows.claims:
            out.append(_line(rows.table.sheet, "", what, name, "", why))
    out += [_line(rows.table.sheet, rows.table.headers[i], what, "", "", why) for i, why in sorted(unused.items())]
    if rows.table.shape is not None and what in ("survey", "traffic", "rating", "condition", "element_quantity"):
        out.append(_line(rows.table.sheet, "(shape)", what, "", "", f"a {what} record has no shape; not used"))
    return out


def _line(sheet: str, header: str, kind: str, column: str, unit: str, why: str) -> dict[str, str]:
    return {"sheet": sheet, "header": header, "kind": kind, "column": column, "unit": unit, "why": why}

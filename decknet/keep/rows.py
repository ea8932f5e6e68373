"""Every row of a store held against the log of what was brought in, and what does not fit said in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from string import Template
from typing import Any

import duckdb

from decknet.columns import RECORDS, Record
from decknet.keep.frames import from_store, still_same, to_store
from decknet.keep.statements import sql, table_sql

__all__ = ["held_against_log"]

_ROWS = 250_000
_LISTED = 5


def _some(values: list[Any]) -> str:
    more = f" and {len(values) - _LISTED:,} more" if len(values) > _LISTED else ""
    return ", ".join(map(str, values[:_LISTED])) + more


def _first(rows: list[tuple[Any, ...]]) -> str:
    return _some([row[0] for row in rows])


def _changed(db: duckdb.DuckDBPyConnection, record: Record) -> list[int]:
    """Rows that no longer say what they said when they were stored."""
    query, last = table_sql("verify_rows", replace(record, columns=record.stored)), 0
    out: list[int] = []
    while True:
        raw = db.execute(query, {"last": last, "rows": _ROWS}).df()
        if raw.empty:
            return out
        same = still_same(
            to_store(from_store(raw, record.stored), record.stored), raw["fingerprint"].to_numpy(dtype="uint64")
        )
        out += raw.loc[~same, "row_id"].tolist()
        last = int(raw["row_id"].iloc[-1])


def _of_record(db: duckdb.DuckDBPyConnection, record: Record) -> Iterator[str]:
    def rows(name: str) -> list[tuple[Any, ...]]:
        return db.execute(table_sql(name, record)).fetchall()

    if lost := rows("verify_intake_of_rows"):
        yield f"{record.kind}: rows {_first(lost)} belong to no intake of the log."
    if astray := rows("verify_corrections"):
        yield f"{record.kind}: rows {_first(astray)} correct a row that is not there."
    if changed := _changed(db, record):
        yield f"{record.kind}: rows {_some(changed)} no longer say what was brought in."


def _of_log(db: duckdb.DuckDBPyConnection) -> Iterator[str]:
    every = " UNION ALL ".join(table_sql("rows_of", record) for record in RECORDS.values())

    def rows(name: str) -> list[tuple[Any, ...]]:
        return db.execute(Template(sql(name)).safe_substitute(all_rows=every)).fetchall()

    for number, file, said, found in rows("verify_counts"):
        yield f"Intake {number} ({file}): its log says {said:,} records, and {found:,} are there."
    if twice := rows("verify_twice"):
        yield f"Rows {_first(twice)} stand in the store twice."
    for number, file, said, found in rows("verify_refused"):
        yield f"Intake {number} ({file}): its log says {said:,} rows were refused, and {found:,} are listed."
    if gaps := rows("verify_entries"):
        yield f"Intakes {_first(gaps)}: entries are missing from the list of what was refused or flagged."
    if loose := rows("verify_closed"):
        yield f"Intakes {_first(loose)}: entries are marked as put right, but by nothing that is in the log."
    for name, said, found in rows("verify_programmes"):
        yield f"Programme {name!r}: was kept at a cost of {said:,.2f}, and its lines now cost {found:,.2f}."


def held_against_log(db: duckdb.DuckDBPyConnection) -> tuple[tuple[str, ...], int]:
    """What does not fit, one sentence each (empty where the store is whole), and how many rows were looked at.

    Raises
    ------
    duckdb.Error
        A table cannot be read.
    """
    troubles: list[str] = []
    counts = [db.execute(table_sql("count_table", r)).fetchall()[0][0] for r in RECORDS.values()]
    for record, count in zip(RECORDS.values(), counts, strict=True):
        troubles += _of_record(db, record) if count else ()
    return (*troubles, *_of_log(db)), sum(counts)

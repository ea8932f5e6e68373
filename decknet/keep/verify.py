"""Whether a store is whole: every row held against the log of what was brought in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from string import Template
from typing import Any

import duckdb
import pandas as pd

from decknet.columns import RECORDS, Record
from decknet.keep.blocks import damaged_blocks
from decknet.keep.checks import check_is_store_file
from decknet.keep.engine import in_words
from decknet.keep.frames import from_store, still_same, to_store
from decknet.keep.generations import held, settle
from decknet.keep.programmes import programmes
from decknet.keep.statements import sql, table_sql
from decknet.keep.store import Store

__all__ = ["Proof", "prove", "verify"]

_ROWS = 250_000
_LISTED = 5


@dataclass(frozen=True, slots=True)
class Proof:
    """What holding a store against its log came to.

    Attributes
    ----------
    troubles : tuple of str
        What does not fit, one sentence each; empty where the store is whole.
    intakes, rows, programmes : int
        How many were held against the log.
    last : tuple of (int, str, datetime) or None
        The newest intake, its file and when. What a later one brought would be missing without a trace.
    """

    troubles: tuple[str, ...]
    intakes: int
    rows: int
    programmes: int
    last: tuple[int, str, datetime] | None


def _some(values: list[Any]) -> str:
    more = f" and {len(values) - _LISTED:,} more" if len(values) > _LISTED else ""
    return ", ".join(map(str, values[:_LISTED])) + more


def _first(rows: list[tuple[Any, ...]]) -> str:
    return _some([row[0] for row in rows])


def _changed(store: Store, record: Record) -> list[int]:
    """Rows that no longer say what they said when they were stored."""
    query, last = table_sql("verify_rows", replace(record, columns=record.stored)), 0
    out: list[int] = []
    while True:
        raw = store.connection.execute(query, {"last": last, "rows": _ROWS}).df()
        if raw.empty:
            return out
        same = still_same(
            to_store(from_store(raw, record.stored), record.stored), raw["fingerprint"].to_numpy(dtype="uint64")
        )
        out += raw.loc[~same, "row_id"].tolist()
        last = int(raw["row_id"].iloc[-1])


def _of_record(store: Store, record: Record) -> Iterator[str]:
    def rows(name: str) -> list[tuple[Any, ...]]:
        return store.connection.execute(table_sql(name, record)).fetchall()

    if lost := rows("verify_intake_of_rows"):
        yield f"{record.kind}: rows {_first(lost)} belong to no intake of the log."
    if astray := rows("verify_corrections"):
        yield f"{record.kind}: rows {_first(astray)} correct a row that is not there."
    if changed := _changed(store, record):
        yield f"{record.kind}: rows {_some(changed)} no longer say what was brought in."


def _of_log(store: Store) -> Iterator[str]:
    every = " UNION ALL ".join(table_sql("rows_of", record) for record in RECORDS.values())

    def rows(name: str) -> list[tuple[Any, ...]]:
        return store.connection.execute(Template(sql(name)).safe_substitute(all_rows=every)).fetchall()

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


def verify(store: Store) -> Proof:
    """Hold every row of a store against the log.

    Counted and compared: the records of every intake, the rows it refused, what each row corrects, the cost
    of every programme kept. Each row is worked out anew against the fingerprint taken when it was stored, so that a
    value changed by another program shows.

    Raises
    ------
    StoreError
        The file is damaged so that a table cannot be read.
    """
    troubles: list[str] = []
    try:
        counts = [store.connection.execute(table_sql("count_table", r)).fetchall()[0][0] for r in RECORDS.values()]
        for record, count in zip(RECORDS.values(), counts, strict=True):
            troubles += _of_record(store, record) if count else ()
        troubles += _of_log(store)
        log = store.intakes()
        kept = len(programmes(store))
    except duckdb.Error as why:
        raise in_words(store.path, why) from why
    last = None
    if len(log):
        row = log.iloc[-1]
        last = (int(row["intake_id"]), str(row["file"]), pd.Timestamp(row["brought_at"]).to_pydatetime())
    return Proof(tuple(troubles), len(log), sum(counts), kept, last)


def prove(path: Path) -> Proof:
    """Whether a store's file is whole: every block of it, tables and indexes, then every row against the log.

    Raises
    ------
    StoreError
        It is not a store, or is damaged so that a table cannot be read.
    """
    if path.exists():
        settle(path)
    check_is_store_file(path)
    try:
        with held(path, alone=False) as file:
            bad = damaged_blocks(file)
    except OSError as why:
        raise in_words(path, why) from why
    with Store.open(path, counted=False) as store:
        proof = verify(store)
    if not bad:
        return proof
    return replace(proof, troubles=(f"Blocks of the file that are not what was written: {len(bad)}.", *proof.troubles))

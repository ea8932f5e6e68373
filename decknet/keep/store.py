"""The store: open, migrate, add, read, take back.

Records are added and never overwritten. What counts ("current") is the newest row of each key
among the intakes that were not taken back.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from pathlib import Path
from string import Template
from types import TracebackType
from typing import Any, Self

import duckdb
import pandas as pd

from decknet.columns import FAULT, RECORDS, Record
from decknet.errors import StoreBusyError, StoreError
from decknet.keep.frames import fingerprints, from_store, to_store

__all__ = ["Intake", "Store"]

_FORMAT = "decknet store"
# These gather what several files give: a newer row leaves what it does not give as it was.
# The others are replaced whole.
_MERGED = {"bridge", "deck"}


@dataclass(frozen=True, slots=True)
class Intake:
    """What bringing in one file did.

    Attributes
    ----------
    intake_id : int or None
        Number in the intake log; None where nothing was written.
    already : int or None
        The earlier intake that brought in the very same bytes, where there is one.
    new, corrected, known : int
        Records added, added in place of an older row, and left out as already held.
    """

    intake_id: int | None
    already: int | None
    new: int
    corrected: int
    known: int


def _sql(name: str) -> str:
    return resources.files("decknet.keep").joinpath("queries", f"{name}.sql").read_text(encoding="utf-8")


def _table_sql(name: str, record: Record) -> str:
    """A statement for one of our own tables; the names come from ``columns``, never from a user."""
    return Template(_sql(name)).safe_substitute(
        table=record.kind,
        key_list=", ".join(f'r."{k}"' for k in record.key),
        key_join=" AND ".join(f'i."{k}" = now."{k}"' for k in record.key),
        columns=", ".join(f'r."{n}"' for n in record.names()),
        newest=", ".join(
            f'last(r."{n}" ORDER BY r.row_id) FILTER (r."{n}" IS NOT NULL) AS "{n}"'
            for n in record.names()
            if n not in record.key
        ),
    )


def _steps() -> list[tuple[int, str, str]]:
    """Migrations as (number, name, statement), in order."""
    folder = resources.files("decknet.keep").joinpath("schema")
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)
    return [(int(f.name[:4]), f.name[:-4], f.read_text(encoding="utf-8")) for f in files]


def _connect(path: Path | None, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    config: dict[str, str | bool | int | float | list[str]] = {
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "python_enable_replacements": "false",
    }
    try:
        return duckdb.connect(str(path) if path else ":memory:", read_only=read_only, config=config)
    except duckdb.IOException as why:
        text = str(why)
        if "lock" in text.lower() or "being used" in text.lower():
            holder = (
                text.split("Conflicting lock is held in ")[-1].split(". See")[0].strip() if "held in" in text else ""
            )
            by = f" by {holder}" if holder else ""
            raise StoreBusyError(
                f"{path}: the store is in use{by}. Close the other program or wait for it, then try again."
            ) from why
        raise StoreError(
            f"{path}: the store cannot be opened ({text.splitlines()[0]}). Check the path and your rights."
        ) from why
    except duckdb.ConnectionException as why:
        raise StoreBusyError(
            f"{path}: the store is open elsewhere in this program in another way. Close it first, then try again."
        ) from why
    except duckdb.Error as why:
        raise StoreError(
            f"{path}: the store cannot be opened ({str(why).splitlines()[0]}). Restore it from a copy."
        ) from why


def _check_is_store_file(path: Path) -> None:
    if not path.exists():
        raise StoreError(f"{path}: there is no such store. Make one with: decknet new {path.name}")
    if path.is_dir():
        raise StoreError(f"{path}: is a folder, and a store is one file. Name the file.")
    with path.open("rb") as file:
        head = file.read(16)
    if not head:
        raise StoreError(
            f"{path}: is an empty file, not a store. Remove it and make a store with: decknet new {path.name}"
        )
    if head[8:12] != b"DUCK":
        kind = "a SQLite database" if head.startswith(b"SQLite format 3") else "not a DuckDB file"
        raise StoreError(f"{path}: is {kind}, so it cannot be a decknet store. Name the store's own file.")


class Store:
    """One district's records in one DuckDB file.

    Use ``Store.create``, ``Store.open`` or ``Store.in_memory``, as a context manager.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, path: Path | None, *, read_only: bool) -> None:
        self._db = connection
        self.path = path
        self.read_only = read_only

    @classmethod
    def create(cls, path: Path, *, title: str, currency: str, now: datetime, software: str) -> Self:
        """A new, empty store; StoreError if the file exists."""
        if path.exists():
            raise StoreError(f"{path}: exists already, and a new store never overwrites. Choose another name.")
        if not path.parent.is_dir():
            raise StoreError(f"{path}: there is no folder {path.parent}. Make it first.")
        store = cls(_connect(path, read_only=False), path, read_only=False)
        store._start(title, currency, now, software)
        return store

    @classmethod
    def in_memory(cls, *, title: str = "Records", currency: str = "USD", now: datetime, software: str = "") -> Self:
        """A store that lives only as long as the program; for trials and tests."""
        store = cls(_connect(None, read_only=False), None, read_only=False)
        store._start(title, currency, now, software)
        return store

    @classmethod
    def open(cls, path: Path, *, read_only: bool = True) -> Self:
        """An existing store. Opened for writing, it is brought up to the newest layout first."""
        _check_is_store_file(path)
        store = cls(_connect(path, read_only=read_only), path, read_only=read_only)
        try:
            store._check_layout()
        except BaseException:
            store.close()
            raise
        return store

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file. Closing twice does no harm."""
        self._db.close()

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.begin()
        try:
            yield
        except BaseException:
            self._db.rollback()
            raise
        self._db.commit()

    def _number(self, query: str) -> int:
        # All rows are fetched: a result left unfinished keeps the connection from other work.
        return int(self._db.execute(query).fetchall()[0][0])

    def _start(self, title: str, currency: str, now: datetime, software: str) -> None:
        self._migrate()
        with self._transaction():
            for key, value in (
                ("format", _FORMAT),
                ("title", title),
                ("currency", currency),
                ("created_at", now.isoformat(timespec="seconds")),
                ("software", software),
            ):
                self._db.execute("INSERT INTO about (key, value) VALUES ($key, $value)", {"key": key, "value": value})

    def _migrate(self) -> None:
        self._db.execute("CREATE TABLE IF NOT EXISTS schema_step (number INTEGER PRIMARY KEY, name TEXT NOT NULL)")
        done = {row[0] for row in self._db.execute("SELECT number FROM schema_step ORDER BY number").fetchall()}
        for number, name, statement in _steps():
            if number in done:
                continue
            with self._transaction():
                self._db.execute(statement)
                self._db.execute(
                    "INSERT INTO schema_step (number, name) VALUES ($number, $name)", {"number": number, "name": name}
                )

    def _check_layout(self) -> None:
        tables = {row[0] for row in self._db.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        if not {"schema_step", "about"} <= tables or self.about().get("format") != _FORMAT:
            raise StoreError(f"{self.path}: is a DuckDB file, but not a decknet store. Name the store's own file.")
        have, newest = self._number("SELECT coalesce(max(number), 0) FROM schema_step"), _steps()[-1][0]
        if have > newest:
            raise StoreError(
                f"{self.path}: was written by a newer decknet (layout {have}; this one knows {newest}). Update decknet."
            )
        if have < newest:
            if self.read_only:
                raise StoreError(
                    f"{self.path}: has an older layout ({have}; this decknet uses {newest}). "
                    "Open it once for writing, for example with decknet load."
                )
            self._migrate()

    def about(self) -> dict[str, str]:
        """Title, currency, and when and by which version the store was made."""
        return dict(self._db.execute("SELECT key, value FROM about ORDER BY key").fetchall())

    # ---- records in -------------------------------------------------------------------------

    def intake_of(self, data_hash: str) -> tuple[int, datetime] | None:
        """The intake, not taken back, that brought in a file of this SHA-256."""
        found = self._db.execute(_sql("intake_of_file"), {"sha256": data_hash}).fetchall()
        return (int(found[0][0]), found[0][1]) if found else None

    def add(
        self,
        path: Path,
        records: Mapping[str, pd.DataFrame],
        faults: pd.DataFrame,
        *,
        rows_read: int,
        rows_kept: int,
        now: datetime,
        who: str,
        software: str,
    ) -> Intake:
        """Bring one file's records in: all of it or none.

        Parameters
        ----------
        path : Path
            The file; its bytes are hashed, and the same bytes a second time change nothing.
        records : mapping of kind to DataFrame
            Columns of ``columns.RECORDS[kind]``, with ``sheet`` and ``line``; one row a key.
        faults : DataFrame
            Columns of ``columns.FAULT``.
        rows_read, rows_kept : int
            Counts for the log.
        now, who, software
            When, by whom and by which version; kept in the log.

        Returns
        -------
        Intake

        Raises
        ------
        StoreError
            Two rows of one file share a key, or the schema refuses a row.
        """
        data = path.read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        if earlier := self.intake_of(digest):
            return Intake(None, earlier[0], 0, 0, 0)
        try:
            with self._transaction():
                return self._add(
                    path.name, digest, len(data), records, faults, rows_read, rows_kept, now, who, software
                )
        except duckdb.ConstraintException as why:
            raise StoreError(
                f"{path.name}: the store refused a row ({str(why).splitlines()[0]}). Nothing was stored."
            ) from why

    def _add(
        self, name: str, digest: str, size: int, records: Mapping[str, pd.DataFrame], faults: pd.DataFrame,
        rows_read: int, rows_kept: int, now: datetime, who: str, software: str,
    ) -> Intake:  # fmt: skip
        intake = self._number("SELECT nextval('intake_number')")
        counts = [0, 0, 0]
        for kind, record in RECORDS.items():
            frame = records.get(kind)
            if frame is None or frame.empty:
                continue
            self._judge(record, frame)
            answer = self._db.execute(_sql("count_judged")).fetchall()[0]
            counts = [a + int(b) for a, b in zip(counts, answer, strict=True)]
            self._db.execute(Template(_table_sql("add_rows", record)).substitute(intake=intake))
        severity = faults["severity"].value_counts() if len(faults) else pd.Series(dtype="int64")
        lines = (
            faults.drop_duplicates(["sheet", "line", "severity"])["severity"].value_counts()
            if len(faults)
            else severity
        )
        self._db.execute(
            _sql("add_intake"),
            {
                "intake": intake, "file": name, "sha256": digest, "file_bytes": size,
                "brought_at": now, "brought_by": who, "software": software,
                "rows_read": rows_read, "rows_kept": rows_kept,
                "rows_refused": int(lines.get("refuse", 0)),
                "rows_set_aside": int(lines.get("set aside", 0)),
                "rows_repeated": int(lines.get("repeat", 0)),
                "records_new": counts[0], "records_corrected": counts[1], "records_known": counts[2],
            },
        )  # fmt: skip
        if len(faults):
            listed = faults.loc[:, list(FAULT)].reset_index(drop=True)
            listed.insert(0, "number", range(1, len(listed) + 1))
            self._db.register("incoming_faults", listed)
            self._db.execute(_sql("add_faults"), {"intake": intake})
            self._db.unregister("incoming_faults")
        return Intake(intake, None, *counts)

    def _judge(self, record: Record, frame: pd.DataFrame) -> None:
        """Lay the incoming rows beside what is held: a temporary table ``judged``."""
        keys = list(record.key)
        twice = frame.duplicated(keys, keep=False)
        if twice.any():
            first = frame.loc[twice, keys].iloc[0].tolist()
            raise StoreError(f"Two {record.kind} rows of one file share {', '.join(keys)} = {first}. Keep one of them.")
        stored = to_store(frame, record.columns)
        incoming = stored.assign(
            sheet=frame["sheet"].astype("str"), line=frame["line"].astype("int64"), fingerprint=fingerprints(stored)
        )
        if record.kind in _MERGED:
            raw = self._db.execute(_table_sql("current_merged", record)).df()
            known = to_store(from_store(raw, record.columns), record.columns)
            held = raw[[*keys, "row_id"]].assign(known=fingerprints(known))
            before = known.set_index(keys).reindex(pd.Index(stored[keys[0]])).set_axis(stored.index)
            would_be = stored.copy()
            for name in before.columns:
                would_be[name] = stored[name].where(stored[name].notna(), before[name]).astype(stored[name].dtype)
            self._db.register("incoming", incoming.assign(would_be=fingerprints(would_be)))
            self._db.register("held", held)
            self._db.execute(_table_sql("judge_merged", record))
            self._db.unregister("held")
        else:
            self._db.register("incoming", incoming)
            self._db.execute(_table_sql("judge", record))
        self._db.unregister("incoming")

    def undo(self, intake_id: int, *, now: datetime, who: str) -> None:
        """Take an intake back whole: its rows stay readable but count no longer."""
        log = self.intakes()
        row = log[log["intake_id"] == intake_id]
        if row.empty:
            known = ", ".join(str(i) for i in log.loc[log["undone_at"].isna(), "intake_id"]) or "none"
            raise StoreError(f"Intake {intake_id}: there is no such intake. Known: {known}.")
        if row["undone_at"].notna().any():
            raise StoreError(f"Intake {intake_id}: was taken back already, on {row['undone_at'].iloc[0]:%Y-%m-%d}.")
        with self._transaction():
            self._db.execute(_sql("undo"), {"intake": intake_id, "undone_at": now, "undone_by": who})

    # ---- records out ------------------------------------------------------------------------

    def current(self, kind: str) -> pd.DataFrame:
        """Current records of a kind, ordered by key; columns of ``columns.RECORDS[kind]``."""
        record = RECORDS[kind]
        query = "current_merged" if kind in _MERGED else "current"
        return from_store(self._db.execute(_table_sql(query, record)).df(), record.columns)

    def history(self, kind: str) -> pd.DataFrame:
        """Every row ever stored of a kind, superseded and undone ones too, with file and line."""
        record = RECORDS[kind]
        raw = self._db.execute(_table_sql("history", record)).df()
        lead = raw[["row_id", "intake_id", "file", "sheet", "line", "supersedes", "undone"]]
        return pd.concat([lead, from_store(raw, record.columns)], axis=1)

    def intakes(self) -> pd.DataFrame:
        """The intake log, one row a file."""
        return self._db.execute(_sql("intakes")).df()

    def faults(self, intake_id: int) -> pd.DataFrame:
        """What was refused, flagged, set aside or repeated in an intake; raw rows whole."""
        return self._db.execute(_sql("intake_faults"), {"intake": intake_id}).df()

    # ---- programmes -------------------------------------------------------------------------

    def add_programme(self, name: str, lines: pd.DataFrame, values: Mapping[str, Any]) -> int:
        """Keep a programme under a name; StoreError where the name is taken."""
        if (self.programmes()["name"] == name).any():
            raise StoreError(f"Programme {name!r}: a programme of that name is kept already. Choose another name.")
        number = self._number("SELECT nextval('programme_number')")
        with self._transaction():
            self._db.execute(_sql("add_programme"), {"programme": number, "name": name, **values})
            self._db.register("incoming_lines", lines)
            self._db.execute(_sql("add_programme_lines"), {"programme": number})
            self._db.unregister("incoming_lines")
        return number

    def programmes(self) -> pd.DataFrame:
        """Programmes kept, one row each."""
        return self._db.execute(_sql("programmes")).df()

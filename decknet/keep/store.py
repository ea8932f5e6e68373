"""The store: open, migrate, add, read, take back.

Records are added and never overwritten. What counts ("current") is the newest value given in each column of each key
among the intakes that were not taken back: a row that gives less leaves the rest as it was.
"""

from __future__ import annotations

import hashlib
import logging
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from importlib import resources
from pathlib import Path
from string import Template
from types import TracebackType
from typing import Any, Self

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from decknet.columns import FAULT, RECORDS, Record
from decknet.columns.log import LOG
from decknet.errors import DecknetError, StoreBusyError, StoreError
from decknet.keep.checks import check_bytes, check_is_free, check_is_store_file, is_there
from decknet.keep.engine import connect, disconnect, in_use_here, in_words, log_of, real_path
from decknet.keep.frames import from_store, to_store
from decknet.keep.generations import fold, fold_in, kept_beside, publish, scratch_beside, settle, sync_folder
from decknet.keep.incoming import Beside, arrow, lay_beside, parts, reject_twice, says_nothing_new
from decknet.keep.rows import held_against_log
from decknet.keep.statements import ABOUT, about_sql, sql, table_sql

__all__ = ["Intake", "Store"]

_FORMAT = "decknet store"
_LAYOUT = {"schema_step", "about"}
_told = logging.getLogger("decknet")


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
    closed : int
        Entries of earlier intakes that this one puts right.
    """

    intake_id: int | None
    already: int | None
    new: int
    corrected: int
    known: int
    closed: int = 0


class _Nothing(Exception):
    """Nothing is new: the transaction is rolled back."""


_BESIDE = (".dbf", ".shx", ".prj", ".cpg")


def _digest(path: Path) -> tuple[str, int]:
    """SHA-256 and size of a file, of a shapefile with the files that belong to it."""
    parts = [path]
    if path.suffix.lower() == ".shp":
        parts += sorted(p for p in path.parent.iterdir() if p.stem == path.stem and p.suffix.lower() in _BESIDE)
    made, size = hashlib.sha256(), 0
    for part in parts:
        with part.open("rb") as file:
            while block := file.read(1 << 20):
                made.update(block)
                size += len(block)
    return made.hexdigest(), size


def _left(path: Path) -> bool:
    """Whether a log lies beside a store that no connection of this program has open: a program broke off."""
    return log_of(path).exists() and not in_use_here(path)


def _some(columns: dict[str, pa.Array], at: np.ndarray[Any, np.dtype[np.int64]]) -> dict[str, pa.Array]:
    return {name: column.take(pa.array(at)) for name, column in columns.items()}


def _steps() -> list[tuple[int, str, str]]:
    """Migrations as (number, name, statement), in order."""
    folder = resources.files("decknet.keep").joinpath("schema")
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)
    return [(int(f.name[:4]), f.name[:-4], f.read_text(encoding="utf-8")) for f in files]


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
        """A new, empty store, there whole or not at all; StoreError if the file exists."""
        check_is_free(path)
        try:
            with scratch_beside(path) as folder:
                new = folder / path.name
                store = cls(connect(new, read_only=False), new, read_only=False)
                try:
                    store._start(title, currency, now, software)
                finally:
                    store.let_go()
                fold_in(new)
                publish(new, path, over=False)
        except (duckdb.Error, OSError) as why:
            raise in_words(path, why) from why
        return cls.open(path, read_only=False)

    @classmethod
    def in_memory(cls, *, title: str = "Records", currency: str = "USD", now: datetime, software: str = "") -> Self:
        """A store that lives only as long as the program; for trials and tests."""
        store = cls(connect(None, read_only=False), None, read_only=False)
        store._start(title, currency, now, software)
        return store

    @classmethod
    def open(cls, path: Path, *, read_only: bool = True, counted: bool = True) -> Self:
        """An existing store. One of an older layout is brought up to the newest first, where it may be written.

        Parameters
        ----------
        path : Path
        read_only : bool
        counted : bool
            Hold the number of records against the log of intakes, and every row where a program that broke off left
            its log beside the file: a checksum of the engine does not see every sector that was lost. Left out only
            by those who go on to do so themselves, or to bring back what is left; the log then stays as it is.

        Raises
        ------
        StoreError
            It is not a store, is damaged, or may not be opened so; StoreBusyError where it is in use.
        """
        if is_there(path):
            settle(path)
        check_is_store_file(path)
        writable = os.access(path, os.W_OK) and os.access(real_path(path).parent, os.W_OK)
        if not read_only and not writable:
            raise StoreError(
                f"{path}: the store or its folder is read-only, so nothing can be brought in. Ask for the "
                "right to write, or work on a copy in a folder of your own."
            )
        check_bytes(path, blocks=not read_only)
        if read_only and writable and counted and _left(path):
            with suppress(StoreBusyError):  # folded in unless others are reading
                cls.open(path, read_only=False).close()
        left = counted and _left(path)
        store = cls(connect(path, read_only=read_only), path, read_only=read_only)
        try:
            older = store._is_older()
            if counted:
                store._count()
            if older and read_only and not writable:
                raise StoreError(
                    f"{path}: has an older layout, and may not be written. Make a copy, which brings it up to date: "
                    f"decknet backup {path.name} COPY"
                )
            if older and not read_only:
                store.lay_out()
            if left and not (older and read_only):
                store._hold()
        except duckdb.Error as why:
            store.let_go()
            raise in_words(path, why) from why
        except BaseException:
            store.let_go()
            raise
        if older and read_only:
            store.let_go()
            newer = cls.open(path, read_only=False, counted=counted)
            if counted:
                newer.close()
            else:
                newer.let_go()
            return cls.open(path, counted=counted)
        return store

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None or isinstance(error, (GeneratorExit, DecknetError)):
            self.close()
            return
        self.let_go()
        # Questions that are wrong in themselves are faults of ours, and show as such.
        if isinstance(error, duckdb.Error) and not isinstance(error, (duckdb.ParserException, duckdb.BinderException)):
            raise in_words(self.path, error) from error

    def close(self) -> None:
        """Close the file, and fold its log into its next generation. Closing twice does no harm."""
        if self.read_only or self.path is None:
            self.let_go()
            return
        try:
            fold(self.path, self._db)
        except StoreBusyError:
            return  # someone reads it already: who opens it next folds it in
        except StoreError as why:
            if kept_beside(self.path).exists():
                raise
            said = str(why.__cause__ or why).splitlines()[0]
            _told.warning(
                "%s: all is stored, but the last of it lies in %s beside it still (%s). Keep the two together; the "
                "next command folds it in.",
                self.path, log_of(self.path).name, said,
            )  # fmt: skip

    def let_go(self) -> None:
        """Close the file and leave its log as it is."""
        disconnect(self.path, self._db)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """What is written inside is kept whole or not at all."""
        self._db.begin()
        try:
            yield
        except BaseException:
            # An engine that could not go on has rolled back by itself.
            with suppress(duckdb.Error):
                self._db.rollback()
            raise
        self._db.commit()
        if self.path is not None:
            sync_folder(real_path(self.path).parent)  # so that the name of a new log outlasts a power cut

    def _count(self) -> None:
        """StoreError where there are more or fewer records than the log of intakes says."""
        said = self._number("SELECT coalesce(sum(records_new + records_corrected), 0) FROM intake")
        tables = {row[0] for row in self._db.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        found = sum(self._number(table_sql("count_table", r)) for k, r in RECORDS.items() if k in tables)
        if said != found:
            name = self.path.name if self.path else "STORE"
            raise StoreError(
                f"{self.path}: its intake log says {said:,} records were brought in, and {found:,} are there. See what "
                f"is amiss with: decknet verify {name}; then bring it back with: decknet recover {name}"
            )

    def _hold(self) -> None:
        """StoreError where a row does not fit the log of intakes."""
        troubles, _ = held_against_log(self._db)
        if troubles:
            name = self.path.name if self.path else "STORE"
            raise StoreError(
                f"{self.path}: a program broke off while it was storing, and not all of it is there: {troubles[0]} "
                f"Bring it back to its last whole state with: decknet recover {name}"
            )

    def _number(self, query: str) -> int:
        # All rows are fetched: a result left unfinished keeps the connection from other work.
        return int(self._db.execute(query).fetchall()[0][0])

    def _start(self, title: str, currency: str, now: datetime, software: str) -> None:
        self.lay_out()
        with self.transaction():
            for key, value in (
                ("format", _FORMAT),
                ("title", title),
                ("currency", currency),
                ("created_at", now.isoformat(timespec="seconds")),
                ("software", software),
            ):
                self._db.execute("INSERT INTO about (key, value) VALUES ($key, $value)", {"key": key, "value": value})

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """The connection, for the other files of this room."""
        return self._db

    def lay_out(self, upto: int | None = None) -> None:
        """Bring the layout up to a step, or to the newest."""
        self._db.execute("CREATE TABLE IF NOT EXISTS schema_step (number INTEGER PRIMARY KEY, name TEXT NOT NULL)")
        done = {row[0] for row in self._db.execute("SELECT number FROM schema_step ORDER BY number").fetchall()}
        for number, name, statement in _steps():
            if number in done or (upto is not None and number > upto):
                continue
            with self.transaction():
                self._db.execute(statement)
                self._db.execute(
                    "INSERT INTO schema_step (number, name) VALUES ($number, $name)", {"number": number, "name": name}
                )

    def _is_older(self) -> bool:
        """Whether the layout is older than the newest; StoreError where it is not a store, or a newer one."""
        tables = {row[0] for row in self._db.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        about = self.about() if "about" in tables else {}
        if not about and tables <= {t for t in tables if t in RECORDS or t in LOG or t in _LAYOUT}:
            raise StoreError(
                f"{self.path}: holds nothing, because its making was broken off. Remove it and "
                f"{log_of(self.path or Path()).name}, then make it anew: decknet new {(self.path or Path()).name}"
            )
        if not {"schema_step", "about"} <= tables or about.get("format") != _FORMAT:
            raise StoreError(f"{self.path}: is a DuckDB file, but not a decknet store. Name the store's own file.")
        have, newest = self._number("SELECT coalesce(max(number), 0) FROM schema_step"), _steps()[-1][0]
        if have > newest:
            raise StoreError(
                f"{self.path}: was written by a newer decknet (layout {have}; this one knows {newest}). Update decknet."
            )
        return have < newest

    def about(self) -> dict[str, str]:
        """Title, currency, and when and by which version the store was made."""
        return dict(self._db.execute("SELECT key, value FROM about ORDER BY key").fetchall())

    # ---- records in -------------------------------------------------------------------------

    def intake_of(self, data_hash: str, stated: str = "") -> tuple[int, datetime] | None:
        """The intake, not taken back, that brought in a file of this SHA-256 read as ``stated``."""
        found = self._db.execute(sql("intake_of_file"), {"sha256": data_hash, "stated": stated}).fetchall()
        return (int(found[0][0]), found[0][1]) if found else None

    def open_entries(self) -> pd.DataFrame:
        """Rows refused or flagged that no later intake has put right, each with its intake."""
        return self._db.execute(sql("open_entries")).df()

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
        name: str = "",
        stated: str = "",
    ) -> Intake:
        """Bring one file's records in: all of it or none.

        Parameters
        ----------
        path : Path
            The file; its bytes are hashed, with those of the files that belong to it. The same bytes a
            second time change nothing, unless rows refused then can be kept now.
        records : mapping of kind to DataFrame
            Columns of ``columns.RECORDS[kind]``, with ``sheet`` and ``line``; one row a key.
        faults : DataFrame
            Columns of ``columns.FAULT``.
        rows_read, rows_kept : int
            Counts for the log.
        now, who, software
            When, by whom and by which version; kept in the log.
        name : str
            What the log calls the file; else its own name.
        stated : str
            What the user stated about it. The same bytes read in another way are another intake.

        Returns
        -------
        Intake

        Raises
        ------
        StoreError
            Two rows of one file share a key, or the schema refuses a row.
        """
        digest, size = _digest(path)
        name = name or path.name
        earlier = self.intake_of(digest, stated)
        if earlier and not self._refused(earlier[0]):
            return Intake(None, earlier[0], 0, 0, 0)
        try:
            with self.transaction():
                made = self._add(
                    name, digest, size, records, faults, rows_read, rows_kept, now, who, software, stated
                )  # fmt: skip
                if earlier and not made.new and not made.corrected and not made.closed:
                    raise _Nothing
                return made
        except _Nothing:
            return Intake(None, earlier[0] if earlier else None, 0, 0, 0)
        except duckdb.ConstraintException as why:
            raise StoreError(
                f"{name}: the store refused a row ({str(why).splitlines()[0]}). Nothing was stored."
            ) from why

    def already(self, path: Path, stated: str = "") -> int | None:
        """The intake that brought in the same bytes, read as ``stated``, and refused no row; None if none did."""
        earlier = self.intake_of(_digest(path)[0], stated)
        return earlier[0] if earlier and not self._refused(earlier[0]) else None

    def _refused(self, intake: int) -> bool:
        """Whether rows of an intake were refused, or set aside as older than what was on record."""
        found = self._db.execute(sql("refused_in"), {"intake": intake}).fetchall()
        return bool(found and found[0][0])

    def _add(
        self, name: str, digest: str, size: int, records: Mapping[str, pd.DataFrame], faults: pd.DataFrame,
        rows_read: int, rows_kept: int, now: datetime, who: str, software: str, stated: str,
    ) -> Intake:  # fmt: skip
        intake = self._numbers("intake_number", 1)
        counts = [0, 0, 0]
        waiting = self._number(sql("count_open")) > 0
        if waiting:
            self._db.execute("CREATE OR REPLACE TEMP TABLE incoming_kept (sheet TEXT, line BIGINT, about TEXT)")
        for kind, record in RECORDS.items():
            frame = records.get(kind)
            if frame is None or frame.empty:
                continue
            beside = self._beside(record, frame)
            counts = [a + b for a, b in zip(counts, beside.counts(), strict=True)]
            if waiting:
                self._note_kept(record, frame, beside)
            self._add_rows(record, frame, beside, intake)
        severity = faults["severity"].value_counts() if len(faults) else pd.Series(dtype="int64")
        lines = (
            faults.drop_duplicates(["sheet", "line", "severity"])["severity"].value_counts()
            if len(faults)
            else severity
        )
        self._db.execute(
            sql("add_intake"),
            {
                "intake": intake, "file": name, "sha256": digest, "file_bytes": size,
                "brought_at": now, "brought_by": who, "software": software,
                "rows_read": rows_read, "rows_kept": rows_kept,
                "rows_refused": int(lines.get("refuse", 0)),
                "rows_set_aside": int(lines.get("set aside", 0)),
                "rows_repeated": int(lines.get("repeat", 0)),
                "records_new": counts[0], "records_corrected": counts[1], "records_known": counts[2],
                "stated": stated,
            },
        )  # fmt: skip
        if len(faults):
            listed = faults.loc[:, [*FAULT, *(["about"] if "about" in faults else [])]].reset_index(drop=True)
            listed.insert(0, "number", range(1, len(listed) + 1))
            self._db.register("incoming_faults", listed)
            self._db.execute(sql("add_faults"), {"intake": intake})
            self._db.unregister("incoming_faults")
        closed = 0
        if waiting:
            values = {"intake": intake, "file": name, "rows_read": rows_read}
            closed = int(self._db.execute(sql("close_entries"), values).fetchall()[0][0])
            self._db.execute("DROP TABLE incoming_kept")
        return Intake(intake, None, counts[0], counts[1], counts[2], closed)

    def _beside(self, record: Record, frame: pd.DataFrame) -> Beside:
        """How incoming rows stand to what is held; StoreError where two share a key."""
        key = tuple(c for c in record.columns if c.name in record.key)
        keys = arrow(to_store(frame, key), key)
        self._db.register("incoming", pa.table({"n": np.arange(len(frame)), **keys}))
        reject_twice(self._db, table_sql("key_hashes", record), record, frame)
        beside = lay_beside(self._db, table_sql("held", record), record, frame)
        other = np.flatnonzero((beside.supersedes > 0) & ~beside.known)
        if len(other):  # what is given anew may say no more than what several rows say together
            self._db.register("incoming", pa.table({"n": np.arange(len(other)), **_some(keys, other)}))
            whole = replace(record, columns=record.stored)
            held = self._db.execute(table_sql("held_whole", whole)).df()
            beside.known[other] = says_nothing_new(held, record, frame.iloc[other])
        self._db.unregister("incoming")
        return beside

    def _add_rows(self, record: Record, frame: pd.DataFrame, beside: Beside, intake: int) -> None:
        """Store the rows that are not known, each with a number of its own."""
        count = int((~beside.known).sum())
        if not count:
            return
        # Taken as a block: numbers drawn one by one would keep the rows from being packed side by side.
        first = self._numbers("record_number", count)
        self._db.register("incoming", parts(record, frame, beside, intake=intake, first=first))
        self._db.execute(table_sql("add_rows", record))
        self._db.unregister("incoming")

    def _numbers(self, sequence: str, count: int) -> int:
        """The first of some numbers that follow each other, which are taken if what is under way is stored."""
        first = int(dict(self._db.execute(sql("next_numbers")).fetchall())[sequence])
        self._db.execute(Template(sql("restart_numbers")).substitute(name=sequence, number=first + count))
        return first

    def _note_kept(self, record: Record, frame: pd.DataFrame, beside: Beside) -> None:
        """Take down which rows are kept, and what they are about, to put entries of earlier intakes right."""
        names = ABOUT.get(record.kind, record.key)
        about = tuple(c for c in record.columns if c.name in names)
        judged = {
            "sheet": pa.array(frame["sheet"].astype("str").array, type=pa.large_string()),
            "line": pa.array(frame["line"].to_numpy(dtype=np.int64)),
            "known": pa.array(beside.known),
            **arrow(to_store(frame, about), about),
        }
        self._db.register("judged", pa.table(judged))
        self._db.execute(Template(sql("note_kept")).substitute(about=about_sql(record)))
        self._db.unregister("judged")

    def undo(self, intake_id: int, *, now: datetime, who: str) -> None:
        """Take an intake back whole: its rows stay readable but count no longer."""
        log = self.intakes()
        row = log[log["intake_id"] == intake_id]
        if row.empty:
            known = ", ".join(str(i) for i in log.loc[log["undone_at"].isna(), "intake_id"]) or "none"
            raise StoreError(f"Intake {intake_id}: there is no such intake. Known: {known}.")
        if row["undone_at"].notna().any():
            raise StoreError(f"Intake {intake_id}: was taken back already, on {row['undone_at'].iloc[0]:%Y-%m-%d}.")
        with self.transaction():
            self._db.execute(sql("undo"), {"intake": intake_id, "undone_at": now, "undone_by": who})

    # ---- records out ------------------------------------------------------------------------

    @contextmanager
    def one_moment(self) -> Iterator[None]:
        """All that is read inside is of one moment, whatever is brought in meanwhile."""
        self._db.begin()
        try:
            yield
        finally:
            self._db.rollback()

    def current(
        self, kind: str, columns: Sequence[str] | None = None, *, known_by: datetime | None = None
    ) -> pd.DataFrame:
        """Current records of a kind, ordered by key.

        Parameters
        ----------
        kind : str
            Key of ``columns.RECORDS``.
        columns : sequence of str, optional
            Columns wanted, those of the key among them, and those of ``columns.column.VERSION``; else all of
            ``columns.RECORDS[kind]``.
        known_by : datetime, optional
            The records as they counted at that moment; else as they count now.
        """
        record = RECORDS[kind]
        if columns is not None:
            record = replace(record, columns=tuple(c for c in record.stored if c.name in columns))
        text = table_sql("current_ordered", record, known_by)
        found = self._db.sql(text, params={} if known_by is None else {"moment": known_by}).to_arrow_table()
        return from_store(found.to_pandas(date_as_object=False), record.columns)

    def kinds(self) -> frozenset[str]:
        """Kinds of which any row was ever stored."""
        return frozenset(kind for kind, record in RECORDS.items() if self._number(table_sql("has_rows", record)))

    def history(self, kind: str) -> pd.DataFrame:
        """Every row ever stored of a kind, superseded and undone ones too, with file and line."""
        record = RECORDS[kind]
        raw = self._db.execute(table_sql("history", record)).df()
        lead = raw[["row_id", "intake_id", "file", "sheet", "line", "supersedes", "undone"]]
        return pd.concat([lead, from_store(raw, record.columns)], axis=1)

    def intakes(self) -> pd.DataFrame:
        """The intake log, one row a file."""
        return self._db.execute(sql("intakes")).df()

    def faults(self, intake_id: int) -> pd.DataFrame:
        """What was refused, flagged, set aside or repeated in an intake; raw rows whole."""
        return self._db.execute(sql("intake_faults"), {"intake": intake_id}).df()

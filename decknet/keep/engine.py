"""The engine: a store's file opened, shared inside this program, and what goes wrong with it put in words.

The file is attached to an engine that is running already, never opened as its first file: what the engine brings
with it (the functions that constraints call) is there before the log beside a store is read, while nothing is
loaded from a disk or a network.
"""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import duckdb

from decknet.errors import StoreBusyError, StoreError

__all__ = ["connect", "disconnect", "file_of", "in_use_here", "in_words", "log_of", "real_path", "sole_user_here"]

HOLDS = os.name == "posix"  # whether a file that the engine writes to can be read beside it

_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "python_enable_replacements": "false",
    # What is committed stays in the log until it is folded in by way of a copy (keep/generations.py).
    "wal_autocheckpoint": "1TB",
}
_NO_ROOM = ("no space left", "disk full", "file too large", "quota exceeded", "out of disk space")
_NO_RIGHT = ("permission denied", "read-only file system", "operation not permitted")
_GONE = ("no such file", "cannot open file", "stale file handle", "input/output error")


@dataclass(slots=True)
class _Shared:
    """One file opened by this program, however often."""

    db: duckdb.DuckDBPyConnection
    read_only: bool
    process: int
    file: BinaryIO | None  # open for as long as the engine has the file, to be read without dropping its lock
    users: set[int] = field(default_factory=set)


_open: dict[Path, _Shared] = {}
_guard = threading.Lock()


def real_path(path: Path) -> Path:
    """The file itself, where a path is a link to it: its log lies beside it, not beside the link."""
    return path.resolve()


def log_of(path: Path) -> Path:
    """The log beside a store's file."""
    real = real_path(path)
    return real.with_name(real.name + ".wal")


def _shared(real: Path) -> _Shared | None:
    held = _open.get(real)
    return held if held is not None and held.process == os.getpid() else None


def in_use_here(path: Path) -> bool:
    """Whether this program has the store open.

    The system drops a program's locks on a file as soon as the program closes it once, by whatever way it was opened:
    while this is so, the file is not to be opened beside the engine.
    """
    with _guard:
        return _shared(real_path(path)) is not None


def connect(path: Path | None, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    """A connection to a store's file, or without a path to one in memory; to be given back to ``disconnect``.

    Raises
    ------
    StoreBusyError
        Another program writes to the file, or this one has it open in another way.
    StoreError
        The file cannot be opened.
    """
    if path is None:
        return duckdb.connect(":memory:", config=_CONFIG)
    real = real_path(path)
    with _guard:
        held = _shared(real)
        if held is None:
            file = real.open("rb") if HOLDS and not read_only and real.exists() else None
            try:
                db = _attached(path, real, read_only=read_only)
                if file is not None and not os.path.samestat(os.fstat(file.fileno()), real.stat()):
                    db.close()
                    raise StoreBusyError(f"{path}: the store is in use. Wait for the other program, then try again.")
            except BaseException:
                if file is not None:
                    file.close()
                raise
            held = _open[real] = _Shared(db, read_only, os.getpid(), file)
        elif held.read_only != read_only:
            raise StoreBusyError(
                f"{path}: the store is open elsewhere in this program in another way. Close it first, then try again."
            )
        connection = held.db.cursor()
        connection.execute("USE store")
        held.users.add(id(connection))
        return connection


def _attached(path: Path, real: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    for _ in range(5):
        before = _identity(real)
        db = duckdb.connect(":memory:", config=_CONFIG)
        try:
            db.execute("PRAGMA disable_checkpoint_on_shutdown")
            # A path cannot be bound here by every version of the engine that we allow.
            name = str(real).replace("'", "''")
            db.execute(f"ATTACH '{name}' AS store (READ_ONLY)" if read_only else f"ATTACH '{name}' AS store")
        except duckdb.Error as why:
            db.close()
            raise in_words(path, why) from why
        if before is None or before == _identity(real):
            return db
        db.close()  # another program put a new generation in its place at this very moment
    raise StoreBusyError(f"{path}: the store is in use. Close the other program or wait for it, then try again.")


def _identity(real: Path) -> tuple[int, int] | None:
    try:
        found = real.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def sole_user_here(path: Path, connection: duckdb.DuckDBPyConnection) -> bool:
    """Whether a connection is the only one of this program on the store."""
    with _guard:
        held = _shared(real_path(path))
        return held is not None and held.users == {id(connection)}


def file_of(path: Path) -> BinaryIO | None:
    """The file of a store that is open here for writing, to be read and never closed; None where none is held."""
    with _guard:
        held = _shared(real_path(path))
        return held.file if held is not None else None


def disconnect(path: Path | None, connection: duckdb.DuckDBPyConnection) -> None:
    """Give a connection back; doing so twice does no harm. The last on a file closes it."""
    if path is None:
        connection.close()
        return
    real = real_path(path)
    with _guard:
        held = _shared(real)
        if held is None or id(connection) not in held.users:
            return
        connection.close()
        held.users.discard(id(connection))
        if not held.users:
            del _open[real]
            held.db.close()
            if held.file is not None:
                held.file.close()


def in_words(path: Path | None, why: Exception) -> StoreError:
    """What the engine or the system says, as one sentence with a remedy."""
    text = str(why).strip()
    first = text.splitlines()[0] if text else type(why).__name__
    low = text.lower()
    if "lock on file" in low or "being used by another process" in low:
        holder = text.split("Conflicting lock is held in ")[-1].split(". See")[0].strip() if "held in" in text else ""
        by = f" by {holder}" if holder else ""
        return StoreBusyError(
            f"{path}: the store is in use{by}. Close the other program or wait for it, then try again."
        )
    if isinstance(why, duckdb.ConnectionException) or "already attached" in low:
        return StoreBusyError(
            f"{path}: the store is open elsewhere in this program in another way. Close it first, then try again."
        )
    if any(part in low for part in _NO_ROOM):
        return StoreError(
            f"{path}: there is no room left on the disk, so nothing more was stored; what was stored before is kept. "
            "Make room, then do it again."
        )
    if any(part in low for part in _NO_RIGHT):
        return StoreError(f"{path}: may not be read or written ({first}). Ask for the right to it.")
    if isinstance(why, OSError) or any(part in low for part in _GONE):
        return StoreError(f"{path}: cannot be reached ({first}). Check the disk and the folder, then try again.")
    if isinstance(why, duckdb.OutOfMemoryException):
        return StoreError(f"{path}: there is not enough memory for it ({first}). Close other programs, then try again.")
    name = path.name if path else "STORE"
    return StoreError(f"{path}: is damaged ({first}). Bring back what was stored with: decknet recover {name}")

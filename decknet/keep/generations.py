"""Whole generations of a store: none is written over; the next is made beside it, proven, and takes its name.

While a command writes, the store's file keeps every byte that the last generation rests on; what is committed goes
into the log beside it. At the command's end the log is folded in: file and log are copied, the copy takes the log
in, the copy is proven, and only then does it take the name.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, BinaryIO

import duckdb

from decknet.errors import StoreBusyError, StoreError
from decknet.keep.blocks import damaged_blocks
from decknet.keep.engine import connect, disconnect, in_use_here, in_words, log_of, real_path

# Elsewhere the system keeps others from a file that is open.
fcntl: Any = import_module("fcntl") if os.name == "posix" else None

__all__ = ["copy_held", "fold", "fold_in", "held", "publish", "scratch_beside", "sync", "sync_folder", "tally"]

_PIECE = 1 << 23  # bytes copied at once
_scratches: set[Path] = set()
_guard = threading.Lock()


@contextmanager
def held(path: Path, *, alone: bool) -> Iterator[BinaryIO]:
    """A store's file, open for reading and locked as the engine locks it.

    Parameters
    ----------
    path : Path
    alone : bool
        Keep readers out too; else only those who write.

    Raises
    ------
    StoreBusyError
        Someone has the store open.
    """
    if in_use_here(path):
        raise StoreBusyError(f"{path}: the store is open elsewhere in this program. Close it first, then try again.")
    with real_path(path).open("r+b" if alone else "rb") as file:
        if fcntl is not None:
            try:
                fcntl.lockf(file, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
            except OSError as why:
                raise StoreBusyError(
                    f"{path}: the store is in use. Close the other program or wait for it, then try again."
                ) from why
        yield file


@contextmanager
def scratch_beside(target: Path) -> Iterator[Path]:
    """A folder beside a file, to make its next generation in; what a program that broke off left there is removed.

    Raises
    ------
    StoreBusyError
        Another program is making the same.
    OSError
        It cannot be written there.
    """
    folder = target.parent / f".{target.name}.part"
    busy = StoreBusyError(f"{target}: is being written by another program. Wait for it, then try again.")
    with _guard:
        if folder in _scratches:
            raise busy
        _scratches.add(folder)
    try:
        folder.mkdir(exist_ok=True)
        lock = folder / "lock"
        with lock.open("w") as file:
            if fcntl is not None:
                try:
                    fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except OSError as why:
                    raise busy from why
                if not lock.exists() or not os.path.samestat(lock.stat(), os.fstat(file.fileno())):
                    raise busy  # it was taken away just now by the program that had made it
            for left in folder.iterdir():
                if left.is_dir():
                    shutil.rmtree(left)
                elif left != lock:
                    left.unlink()
            try:
                yield folder
            finally:
                shutil.rmtree(folder, ignore_errors=True)
    finally:
        with _guard:
            _scratches.discard(folder)
    shutil.rmtree(folder, ignore_errors=True)  # where an open file cannot be removed


def sync(path: Path) -> None:
    """Have the system write a file down."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Have the system write down which names a folder holds, where it can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def publish(new: Path, target: Path, *, over: bool) -> None:
    """Give a file that is whole its name, so that it is there after a power cut.

    Raises
    ------
    StoreError
        The name is taken, and nothing is to be written over.
    """
    sync(new)
    if not over:
        if target.exists():
            raise StoreError(f"{target}: was made by someone else meanwhile. Choose another name.")
        with suppress(OSError):  # some disks cannot link
            os.link(new, target)
            new.unlink()
    if new.exists():
        new.replace(target)
    sync_folder(target.parent)


def copy_held(file: BinaryIO, source: Path, target: Path, *, log_bytes: int | None = None) -> None:
    """Copy a store that is ``held`` with its log, or with the log's first bytes only.

    Parameters
    ----------
    file : the file as ``held`` gives it
        Opening it once more would drop the lock.
    source : Path
        Where it is.
    target : Path
    log_bytes : int, optional
    """
    file.seek(0)
    with target.open("wb") as out:
        shutil.copyfileobj(file, out, _PIECE)
    log, copied = log_of(source), target.with_name(target.name + ".wal")
    copied.unlink(missing_ok=True)
    if log_bytes == 0 or not log.exists():
        return
    shutil.copyfile(log, copied)
    if log_bytes is not None:
        with copied.open("r+b") as cut:
            cut.truncate(log_bytes)


def tally(db: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int | None]]:
    """Of every table its rows and one number that hangs on every cell of it."""
    tables = db.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() ORDER BY table_name"
    ).fetchall()
    out = {}
    for (name,) in tables:
        quoted = '"' + name.replace('"', '""') + '"'
        rows, every = db.execute(f"SELECT count(*), bit_xor(hash(t)) FROM {quoted} AS t").fetchall()[0]  # noqa: S608
        out[name] = (int(rows), every)
    return out


def fold_in(path: Path) -> None:
    """Take the log of a file of our own into it, and prove what came of it.

    Raises
    ------
    StoreError
        The file that came of it does not hold what file and log held.
    """
    db = connect(path, read_only=False)
    try:
        before = tally(db)
        db.execute("CHECKPOINT store")
    finally:
        disconnect(path, db)
    with path.open("rb") as file:
        bad = damaged_blocks(file)
    db = connect(path, read_only=True)
    try:
        after = tally(db)
    finally:
        disconnect(path, db)
    if bad or after != before or log_of(path).exists():
        raise StoreError(f"{path}: does not hold what its log held. Check the disk.")


def fold(path: Path) -> None:
    """Fold a store's log into its next generation; without a log, nothing is done.

    Raises
    ------
    StoreError
        It could not be done; the store and its log stay as they were, and hold everything.
    """
    real, log = real_path(path), log_of(path)
    try:
        if not log.exists() or in_use_here(path):
            return
        with held(path, alone=True) as file, scratch_beside(real) as folder:
            if not log.exists():
                return
            new = folder / real.name
            copy_held(file, real, new)
            fold_in(new)
            shutil.copymode(real, new)
            with suppress(AttributeError, OSError):
                os.chown(new, real.stat().st_uid, real.stat().st_gid)
            if fcntl is None:
                file.close()  # such a system gives no new name to a file that is open
            publish(new, real, over=True)
            log.unlink()
            sync_folder(real.parent)
    except (duckdb.Error, OSError) as why:
        raise in_words(path, why) from why

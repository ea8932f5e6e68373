"""Whole generations of a store: the last one is kept until the next is proven.

While a command writes, the blocks that the last generation rests on stay as they are; what is committed goes into
the log beside the file. At the command's end file and log are copied, whole, to a folder beside them; then the
engine takes the log into the file; the file is proven, and only then is the copy removed. Where a power cut comes
between, ``settle`` finds that the file is whole after all, or ``recover`` brings the copy back.
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
from decknet.keep.engine import (
    connect,
    disconnect,
    file_of,
    in_use_here,
    in_words,
    log_of,
    real_path,
    sole_user_here,
)

# Elsewhere the system keeps others from a file that is open.
fcntl: Any = import_module("fcntl") if os.name == "posix" else None

__all__ = [
    "copy_held", "fold", "fold_in", "held", "kept_beside", "publish", "scratch_beside", "settle", "sync", "sync_folder",
]  # fmt: skip

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


def _scratch(target: Path) -> Path:
    return target.parent / f".{target.name}.part"


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
    folder = _scratch(target)
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


def kept_beside(path: Path) -> Path:
    """The folder where a store's last generation is kept until the next one is proven."""
    real = real_path(path)
    return real.with_name(f".{real.name}.kept")


def _copy(source: BinaryIO, target: Path) -> None:
    """Copy an open file without opening it once more, on a disk that can without writing it again."""
    source.seek(0)
    with target.open("wb") as out:
        with suppress(AttributeError, OSError):
            while os.copy_file_range(source.fileno(), out.fileno(), _PIECE):
                pass
        out.seek(0, os.SEEK_END)
        source.seek(out.tell())
        shutil.copyfileobj(source, out, _PIECE)


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
    _copy(file, target)
    log, copied = log_of(source), target.with_name(target.name + ".wal")
    copied.unlink(missing_ok=True)
    if log_bytes == 0 or not log.exists():
        return
    shutil.copyfile(log, copied)
    if log_bytes is not None:
        with copied.open("r+b") as cut:
            cut.truncate(log_bytes)


def _rows(db: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Rows of every table."""
    tables = db.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() ORDER BY table_name"
    ).fetchall()
    counts = {}
    for (name,) in tables:
        quoted = '"' + name.replace('"', '""') + '"'
        counts[name] = int(db.execute(f"SELECT count(*) FROM {quoted}").fetchall()[0][0])  # noqa: S608
    return counts


def _rows_in(path: Path) -> dict[str, int]:
    db = connect(path, read_only=True)
    try:
        return _rows(db)
    finally:
        disconnect(path, db)


def _prove(path: Path, rows: dict[str, int]) -> None:
    """StoreError where a file does not hold so many rows, in blocks that are what was written, without a log."""
    log = log_of(path)
    if log.exists() and not log.stat().st_size:
        log.unlink()
    with held(path, alone=False) as file:
        bad = damaged_blocks(file)
    if bad or log.exists() or _rows_in(path) != rows:
        raise StoreError(
            f"{path}: does not hold what its log held. Check the disk, then bring back what was stored with: decknet "
            f"recover {path.name}"
        )


def fold_in(path: Path) -> None:
    """Take the log of a file of our own into it, and prove what came of it.

    Raises
    ------
    StoreError
        The file that came of it does not hold what file and log held.
    """
    db = connect(path, read_only=False)
    try:
        rows = _rows(db)
        db.execute("CHECKPOINT store")
    finally:
        disconnect(path, db)
    _prove(path, rows)


def fold(path: Path, db: duckdb.DuckDBPyConnection) -> None:
    """Close a store that was written to, its log folded into its next generation.

    Raises
    ------
    StoreError
        It could not be done; everything is there still, in the file, its log, or the generation kept.
    """
    real, log = real_path(path), log_of(path)
    try:
        if not (log.exists() and sole_user_here(path, db)):
            return
        with scratch_beside(real) as folder:
            if (file := file_of(path)) is None:  # such a system lets nobody read a file that is open for writing
                disconnect(path, db)
                _keep(path, folder)
                db = connect(path, read_only=False)
            else:
                _keep(path, folder, file)
            rows = _rows(db)
            db.execute("CHECKPOINT store")
            disconnect(path, db)
            _prove(path, rows)
            _drop(path, folder)
    except (duckdb.Error, OSError) as why:
        disconnect(path, db)
        with suppress(StoreError):
            settle(path)
        raise in_words(path, why) from why
    finally:
        disconnect(path, db)


def _keep(path: Path, folder: Path, file: BinaryIO | None = None) -> None:
    """Keep a store's file and log whole beside it, under a name that they get once they are on the disk."""
    real, kept = real_path(path), kept_beside(path)
    making = folder / "kept"
    making.mkdir()
    copy = making / real.name
    if file is None:
        with held(path, alone=True) as alone:
            copy_held(alone, real, copy)
    else:
        copy_held(file, real, copy)
    for part in making.iterdir():
        sync(part)
    sync_folder(making)
    making.rename(kept)
    sync_folder(kept.parent)


def _drop(path: Path, folder: Path) -> None:
    """Remove the generation kept, in one step."""
    kept_beside(path).rename(folder / "old")


def settle(path: Path) -> None:
    """Where a generation is kept beside a store, remove it if the store holds all that it holds.

    A scratch folder that a program left there when it broke off is removed too.

    Raises
    ------
    StoreError
        The store does not, and ``recover`` has to bring the generation kept back.
    StoreBusyError
        Another program is at it.
    """
    kept = kept_beside(path)
    if in_use_here(path):
        return
    if not kept.exists():
        if _scratch(real_path(path)).exists():
            with suppress(StoreBusyError, OSError), scratch_beside(real_path(path)):
                pass
        return
    try:
        if not os.access(kept.parent, os.W_OK):
            _check_against(path, kept)
            return
        with scratch_beside(real_path(path)) as folder:
            if kept.exists():
                _check_against(path, kept)
                _drop(path, folder)
    except StoreBusyError:
        raise
    except (StoreError, duckdb.Error, OSError) as why:
        raise StoreError(
            f"{path}: was left broken while what was stored last was being folded in. All of it is kept beside it; "
            f"bring it back with: decknet recover {path.name}"
        ) from why


def _check_against(path: Path, kept: Path) -> None:
    """StoreError where a store is damaged, or does not hold what its generation kept holds."""
    with held(path, alone=False) as file:
        bad = damaged_blocks(file)
    if bad is None or bad or _rows_in(path) != _rows_in(kept / real_path(path).name):
        raise StoreError(f"{path}: does not hold what was stored.")

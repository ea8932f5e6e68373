"""A store that was left broken brought back to the last state that is whole."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import duckdb

from decknet.errors import StoreError
from decknet.keep.backup import copy_store, prove_copy
from decknet.keep.blocks import damaged_blocks, read_log
from decknet.keep.checks import check_is_store_file
from decknet.keep.engine import HOLDS, connect, disconnect, in_words, log_of, real_path
from decknet.keep.generations import copy_held, held, kept_beside, publish, scratch_beside, settle, sync_folder
from decknet.keep.snapshot import from_snapshot, write_snapshot
from decknet.keep.store import Store
from decknet.keep.verify import Proof, verify

__all__ = ["Recovered", "recover", "replace_by"]


@dataclass(frozen=True, slots=True)
class Recovered:
    """What bringing a store back came to.

    Attributes
    ----------
    proof : Proof
    changed : bool
        Whether anything had to be done.
    aside : tuple of Path
        What was set aside under other names; nothing is removed.
    """

    proof: Proof
    changed: bool
    aside: tuple[Path, ...] = ()


def _lengths(log: Path) -> list[int]:
    """How much of a log may be taken in: nothing, up to the end of each of its transactions, or all."""
    read = read_log(log)
    if read is None:
        return [0, log.stat().st_size] if log.exists() else [0]
    return [0, *read.ends[1:]]


def _opens(path: Path) -> bool:
    try:
        disconnect(path, connect(path, read_only=True))
    except StoreError:
        return False
    return True


class _Trial:
    """Copies of a store with more or less of its log, in a scratch folder."""

    def __init__(self, file: BinaryIO, path: Path, folder: Path) -> None:
        self.file, self.path, self.folder = file, path, folder
        self.part = folder / real_path(path).name

    def copy(self, length: int) -> Path:
        copy_held(self.file, self.path, self.part, log_bytes=length)
        return self.part

    def whole(self, length: int) -> Proof | None:
        """The proof of the store with so much of its log; None where it is not whole."""
        try:
            return prove_copy(self.copy(length), self.path)
        except (StoreError, duckdb.Error):
            return None

    def rebuilt(self, length: int) -> Proof | None:
        """As ``whole``, after every row was read and written anew; None where a row cannot be read."""
        part, rows = self.copy(length), self.folder / "rows"
        made = self.folder / "rebuilt" / part.name
        made.parent.mkdir(exist_ok=True)
        try:
            with Store.open(part, counted=False) as store:
                proof = verify(store)
                if proof.troubles:
                    return None
                write_snapshot(store, rows)
            from_snapshot(rows, made)
        except (StoreError, duckdb.Error):
            return None
        log_of(part).unlink(missing_ok=True)
        made.replace(part)
        return proof


def _longest(trial: _Trial, lengths: list[int]) -> tuple[int, Proof | None]:
    """The most of the log with which the store is whole, and the proof; the store is left at ``trial.part``."""
    low, high = 0, len(lengths) - 1
    while low < high:  # a log is read from its beginning, so what opens with more opens with less
        middle = (low + high + 1) // 2
        if _opens(trial.copy(lengths[middle])):
            low = middle
        else:
            high = middle - 1
    for at in range(low, -1, -1):
        if (proof := trial.whole(lengths[at])) is not None:
            return lengths[at], proof
    return lengths[low], None


def _put_in_place(new: Path, file: BinaryIO, real: Path, *, damaged: bool) -> tuple[Path, ...]:
    """Give a whole store its name; the log it replaces, and the file too if damaged, are set aside.

    The name is never without a file, so that a power cut at any moment leaves a store or what can be brought back.
    """
    log, number = log_of(real), 1
    names = (real.name, log.name, f"{real.name}.kept")
    while any(real.with_name(f"{name}.set-aside-{number}").exists() for name in names):
        number += 1
    aside = []
    if (last := kept_beside(real)).exists():
        aside.append(last.rename(real.with_name(f"{real.name}.kept.set-aside-{number}")))
    if damaged:
        kept = real.with_name(f"{real.name}.set-aside-{number}")
        try:
            os.link(real, kept)
        except OSError:  # some disks cannot link
            file.seek(0)
            with kept.open("wb") as out:
                shutil.copyfileobj(file, out)
        aside.append(kept)
    shutil.copymode(real, new)
    if not HOLDS:
        file.close()  # such a system gives no new name to a file that is open
    publish(new, real, over=True)
    if log.exists():
        aside.append(log.replace(log.with_name(f"{log.name}.set-aside-{number}")))
        sync_folder(real.parent)
    return tuple(aside)


def recover(path: Path) -> Recovered:
    """Bring a store back to the last state that is whole.

    As much of its log is taken in as gives a whole store; where a block of its file is damaged, but every row can be
    read, rows are written anew. The result is proven before it takes the name; what it replaces is set aside.

    Raises
    ------
    StoreError
        Nothing whole can be made of it; it stays as it was.
    StoreBusyError
        Someone has the store open.
    """
    if path.exists():
        with suppress(StoreError):
            settle(path)
    real, log, kept = real_path(path), log_of(path), kept_beside(path) / real_path(path).name
    if not kept.exists():
        check_is_store_file(path)
    try:
        with held(path, alone=True) as file, scratch_beside(real) as folder:
            if kept.exists() and (proof := _whole_copy(kept, folder)) is not None:
                kept.parent.rename(folder / "kept")
                aside = _put_in_place(folder / real.name, file, real, damaged=True)
                return Recovered(proof, changed=True, aside=aside)
            trial = _Trial(file, path, folder)
            damaged = bool(damaged_blocks(file))
            length, proof = _longest(trial, _lengths(log))
            if proof is None:
                proof, damaged = trial.rebuilt(length), True
            if proof is None:
                raise StoreError(
                    f"{path}: is damaged so that nothing whole can be made of it. Put a backup or a snapshot in its "
                    f"place: decknet recover {path.name} --from BACKUP"
                )
            odd = log.exists() and (length < log.stat().st_size or read_log(log) is None)
            if damaged or kept.exists() or odd:
                aside = _put_in_place(trial.part, file, real, damaged=damaged)
                return Recovered(proof, changed=True, aside=aside)
    except (duckdb.Error, OSError) as why:
        raise in_words(path, why) from why
    return Recovered(proof, changed=False)


def _whole_copy(kept: Path, folder: Path) -> Proof | None:
    """The generation kept beside a store copied to a folder, if it is whole."""
    with kept.open("rb") as file:
        return _Trial(file, kept, folder).whole(_lengths(log_of(kept))[-1])


def replace_by(path: Path, source: Path) -> Recovered:
    """Put a backup or a snapshot in the place of a store, which is set aside with its log.

    Raises
    ------
    StoreError
        The source is not whole, or the store is not there; everything stays as it was.
    StoreBusyError
        Someone has the store open.
    """
    if not path.is_file():
        raise StoreError(f"{path}: there is no such store to replace. Use: decknet new {path.name} --from {source}")
    if not source.exists():
        raise StoreError(f"{source}: there is no such snapshot or backup. Check the path.")
    real = real_path(path)
    if not source.is_dir() and real_path(source) == real:
        raise StoreError(f"{source}: is the store itself. Name a backup or the folder of a snapshot.")
    try:
        with held(path, alone=True) as file, scratch_beside(real) as folder:
            made = folder / "made" / real.name
            made.parent.mkdir()
            if source.is_dir():
                from_snapshot(source, made)
            else:
                copy_store(source, made)
            store = Store.open(made, counted=False)
            try:
                proof = verify(store)
            finally:
                store.let_go()
            return Recovered(proof, changed=True, aside=_put_in_place(made, file, real, damaged=True))
    except (duckdb.Error, OSError) as why:
        raise in_words(path, why) from why

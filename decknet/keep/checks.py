"""What is looked at before a store is opened or made."""

from __future__ import annotations

from pathlib import Path

from decknet.errors import StoreError
from decknet.keep.blocks import damaged_blocks, read_log
from decknet.keep.engine import in_use_here, in_words, log_of
from decknet.keep.generations import held

__all__ = ["check_bytes", "check_is_free", "check_is_store_file", "is_there"]


def is_there(path: Path) -> bool:
    """Whether a path leads to anything; StoreError where its folder may not be looked into."""
    try:
        return path.exists()
    except OSError as why:
        raise in_words(path, why) from why


def check_is_store_file(path: Path) -> None:
    """StoreError where a path does not lead to a file of the engine; a file that is open here is one."""
    if not is_there(path):
        raise StoreError(f"{path}: there is no such store. Make one with: decknet new {path.name}")
    if path.is_dir():
        raise StoreError(f"{path}: is a folder, and a store is one file. Name the file.")
    if in_use_here(path):
        return
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as why:
        raise in_words(path, why) from why
    if not head:
        raise StoreError(
            f"{path}: is an empty file, not a store. Remove it and make a store with: decknet new {path.name}"
        )
    if head[8:12] != b"DUCK":
        kind = "a SQLite database" if head.startswith(b"SQLite format 3") else "not a DuckDB file"
        raise StoreError(
            f"{path}: is {kind}, so it cannot be a decknet store. Name the store's own file; if this was it, put a "
            f"backup in its place: decknet recover {path.name} --from BACKUP"
        )


def check_is_free(path: Path) -> None:
    """StoreError where a new store cannot have this path."""
    if path.exists() or path.is_symlink():
        raise StoreError(f"{path}: exists already, and a new store never overwrites. Choose another name.")
    if not path.parent.is_dir():
        raise StoreError(f"{path}: there is no folder {path.parent}. Make it first.")
    if log_of(path).exists():
        raise StoreError(
            f"{log_of(path)}: is the log of a store that is not there. Move it away or bring its store back, "
            "then try again."
        )


def check_bytes(path: Path, *, blocks: bool) -> None:
    """StoreError where the log beside a store breaks off or, if asked, a block of its file is not what was written.

    A store that is open here was looked at when it was opened.
    """
    if in_use_here(path):
        return
    beside = log_of(path)
    log = read_log(beside)
    if log is None and beside.exists() and beside.stat().st_size:  # the engine passes over such a log without a word
        raise StoreError(
            f"{path}: the beginning of its log is not what was written, so what was being stored last may be missing. "
            f"Bring it back to its last whole state with: decknet recover {path.name}"
        )
    if log is not None and log.breaks_off:
        raise StoreError(
            f"{path}: its log breaks off in the middle, so what was being stored last may be missing. Bring it back "
            f"to its last whole state with: decknet recover {path.name}"
        )
    if blocks:
        with held(path, alone=False) as file:
            bad = damaged_blocks(file)
        if bad:
            raise StoreError(
                f"{path}: is damaged (blocks that are not what was written: {len(bad)}), so nothing is written to "
                f"it. Bring back what was stored with: decknet recover {path.name}"
            )

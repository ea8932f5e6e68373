"""Use cases of keeping a store safe: snapshots, backups, and proof that one is whole."""

from __future__ import annotations

import tempfile
from pathlib import Path

from decknet.errors import StoreError
from decknet.flow.reading import with_store
from decknet.keep.backup import copy_store
from decknet.keep.recover import Recovered, recover, replace_by
from decknet.keep.snapshot import Snapshot, from_snapshot, write_snapshot
from decknet.keep.verify import Proof, verify
from decknet.keep.verify import prove as prove_store

__all__ = ["back_up", "bring_back", "prove", "put_right", "take_snapshot"]


def take_snapshot(path: Path, folder: Path) -> Snapshot:
    """The whole store as open files in a new folder."""
    return with_store(path, lambda store: write_snapshot(store, folder))


def back_up(path: Path, target: Path) -> Proof:
    """A copy of the store under a new name, proven whole."""
    return copy_store(path, target)


def bring_back(source: Path, path: Path) -> Proof:
    """A new store from a snapshot's folder or a backup, proven whole.

    Raises
    ------
    StoreError
        The source is not whole, or the store exists.
    """
    if not source.exists():
        raise StoreError(f"{source}: there is no such snapshot or backup. Check the path.")
    if not source.is_dir():
        return copy_store(source, path)
    from_snapshot(source, path)
    return with_store(path, verify)


def prove(path: Path) -> Proof:
    """Whether a store, a backup or a snapshot is whole."""
    if not path.is_dir():
        return prove_store(path)
    with tempfile.TemporaryDirectory(prefix="decknet-") as scratch:
        return bring_back(path, Path(scratch) / "store.duckdb")


def put_right(path: Path, source: Path | None = None) -> Recovered:
    """A store left broken brought back to its last whole state, or a backup or snapshot put in its place."""
    return recover(path) if source is None else replace_by(path, source)

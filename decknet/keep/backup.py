"""A store copied whole, checked, and put under a new name."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from decknet.errors import StoreError
from decknet.keep.store import Store, check_is_store_file, connect
from decknet.keep.verify import Proof, verify

__all__ = ["copy_store"]


def copy_store(source: Path, target: Path) -> Proof:
    """Copy a store to a new file while nobody writes to it; the copy is proven whole before it takes its name.

    Raises
    ------
    StoreError
        The target exists or cannot be written, or the store is not whole.
    StoreBusyError
        Another program is writing to the store.
    """
    if target.exists():
        raise StoreError(f"{target}: exists already, and a copy never overwrites. Choose another name.")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(dir=target.parent, prefix=".part-"))
    except OSError as why:
        raise StoreError(f"{target}: cannot be written ({why.strerror}). Choose another folder.") from why
    try:
        part = scratch / target.name
        check_is_store_file(source)
        with Store(connect(source, read_only=True), source, read_only=True):  # held, so that nobody writes meanwhile
            for end in ("", ".wal"):
                beside = source.with_name(source.name + end)
                if beside.exists():
                    shutil.copyfile(beside, part.with_name(part.name + end))
        with Store.open(part, read_only=False) as copied:  # a log left by a program that broke off is taken in
            proof = verify(copied)
        if proof.troubles:
            raise StoreError(
                f"{source}: is not whole: {proof.troubles[0]} Nothing was copied. See: decknet verify {source.name}"
            )
        part.replace(target)
    except OSError as why:
        raise StoreError(f"{target}: cannot be written ({why.strerror}). Make room or choose another folder.") from why
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return proof

"""A store copied whole, checked, and put under a new name."""

from __future__ import annotations

from pathlib import Path

import duckdb

from decknet.errors import StoreError
from decknet.keep.blocks import damaged_blocks
from decknet.keep.checks import check_bytes, check_is_free, check_is_store_file
from decknet.keep.engine import in_words
from decknet.keep.generations import copy_held, fold_in, held, publish, scratch_beside, settle
from decknet.keep.store import Store
from decknet.keep.verify import Proof, verify

__all__ = ["copy_store", "prove_copy"]


def prove_copy(part: Path, source: Path) -> Proof:
    """Bring a copy that is our own up to date, take its log in, and hold it against its log of intakes.

    Raises
    ------
    StoreError
        It is not whole; ``source`` is what the message calls it.
    """
    with part.open("rb") as file:
        bad = damaged_blocks(file)
    if bad:
        raise StoreError(
            f"{source}: is not whole (blocks that are not what was written: {len(bad)}). Nothing was copied. Bring "
            f"back what was stored with: decknet recover {source.name}"
        )
    store = Store.open(part, read_only=False, counted=False)
    try:
        proof = verify(store)
    finally:
        store.let_go()
    if proof.troubles:
        raise StoreError(
            f"{source}: is not whole: {proof.troubles[0]} Nothing was copied. See: decknet verify {source.name}"
        )
    fold_in(part)
    return proof


def copy_store(source: Path, target: Path) -> Proof:
    """Copy a store to a new file while nobody writes to it; the copy is proven whole before it takes its name.

    A link is followed, and what its log holds is taken in.

    Raises
    ------
    StoreError
        The target exists or cannot be written, or the store is not whole.
    StoreBusyError
        Another program is writing to the store.
    """
    if source.exists():
        settle(source)
    check_is_store_file(source)
    check_bytes(source, blocks=False)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        check_is_free(target)
        with scratch_beside(target) as scratch:
            part = scratch / target.name
            with held(source, alone=False) as file:
                copy_held(file, source, part)
            proof = prove_copy(part, source)
            publish(part, target, over=False)
    except OSError as why:
        raise StoreError(f"{target}: cannot be written ({why.strerror}). Make room or choose another folder.") from why
    except duckdb.Error as why:
        raise in_words(source, why) from why
    return proof

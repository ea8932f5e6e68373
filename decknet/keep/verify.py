"""Whether a store is whole: every row held against the log of what was brought in."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import duckdb
import pandas as pd

from decknet.keep.blocks import damaged_blocks
from decknet.keep.checks import check_is_store_file
from decknet.keep.engine import in_words
from decknet.keep.generations import held, settle
from decknet.keep.programmes import programmes
from decknet.keep.rows import held_against_log
from decknet.keep.store import Store

__all__ = ["Proof", "prove", "verify"]


@dataclass(frozen=True, slots=True)
class Proof:
    """What holding a store against its log came to.

    Attributes
    ----------
    troubles : tuple of str
        What does not fit, one sentence each; empty where the store is whole.
    intakes, rows, programmes : int
        How many were held against the log.
    last : tuple of (int, str, datetime) or None
        The newest intake, its file and when. What a later one brought would be missing without a trace.
    """

    troubles: tuple[str, ...]
    intakes: int
    rows: int
    programmes: int
    last: tuple[int, str, datetime] | None


def verify(store: Store) -> Proof:
    """Hold every row of a store against the log.

    Counted and compared: the records of every intake, the rows it refused, what each row corrects, the cost
    of every programme kept. Each row is worked out anew against the fingerprint taken when it was stored, so that a
    value changed by another program shows.

    Raises
    ------
    StoreError
        The file is damaged so that a table cannot be read.
    """
    try:
        troubles, rows = held_against_log(store.connection)
        log = store.intakes()
        kept = len(programmes(store))
    except duckdb.Error as why:
        raise in_words(store.path, why) from why
    last = None
    if len(log):
        row = log.iloc[-1]
        last = (int(row["intake_id"]), str(row["file"]), pd.Timestamp(row["brought_at"]).to_pydatetime())
    return Proof(troubles, len(log), rows, kept, last)


def prove(path: Path) -> Proof:
    """Whether a store's file is whole: every block of it, tables and indexes, then every row against the log.

    Raises
    ------
    StoreError
        It is not a store, or is damaged so that a table cannot be read.
    """
    if path.exists():
        settle(path)
    check_is_store_file(path)
    try:
        with held(path, alone=False) as file:
            bad = damaged_blocks(file)
    except OSError as why:
        raise in_words(path, why) from why
    with Store.open(path, counted=False) as store:
        proof = verify(store)
    if not bad:
        return proof
    return replace(proof, troubles=(f"Blocks of the file that are not what was written: {len(bad)}.", *proof.troubles))

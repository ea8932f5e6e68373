"""Decks on record that a newer inventory of their whole state holds no longer."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd

from decknet.columns.deck_kinds import ranked_decks
from decknet.ingest import Known, Reading
from decknet.ingest.rows import record_frame

__all__ = ["decks_gone", "with_gone_retired"]

LEAST_HELD = 0.5  # part of a state's decks on record that a file holds, if it is of the whole state; ours


def decks_gone(known: Known, reading: Reading) -> pd.DataFrame:
    """Decks in use that are not in a newer inventory of their state.

    A file is taken for the whole of a state where it carries the state and its year and holds at least half of the
    state's decks on record. A row of the file that was refused or set aside names its bridge all the same.

    Returns
    -------
    DataFrame
        deck_id, bridge_id and year of the inventory; empty where the file is no such inventory.
    """
    none = pd.DataFrame({"deck_id": [], "bridge_id": [], "year": []})
    bridges, decks = reading.records.get("bridge"), reading.records.get("deck")
    if bridges is None or decks is None or "deck_kind" not in known.decks or "state_code" not in known.bridges:
        return none
    states = bridges["state_code"].dropna().str.lstrip("0")
    dated = decks["kind_year"].dropna()
    if states.empty or dated.empty:
        return none
    year = int(dated.max())
    held = known.decks[ranked_decks(known.decks)]
    state = held["bridge_id"].map(known.bridges.set_index("bridge_id")["state_code"]).str.lstrip("0")
    held = held[state.isin(set(states)).to_numpy(dtype=bool, na_value=False)]
    named = set(decks["deck_id"]) | set(bridges["bridge_id"]) | _named_in(reading.faults)
    there = held["bridge_id"].isin(named) | held["deck_id"].isin(named)
    older = (held["kind_year"] < year).fillna(False).to_numpy(dtype=bool)
    if not len(held) or there.mean() < LEAST_HELD:
        return none
    return held.loc[~there & older, ["deck_id", "bridge_id"]].assign(year=year).reset_index(drop=True)


def _named_in(faults: pd.DataFrame) -> set[str]:
    """Every cell of the rows that gave no record: one of them is the number of a bridge."""
    lost = faults[faults["severity"].isin(("refuse", "set aside"))].drop_duplicates(["sheet", "line"])
    return {str(cell).strip().strip("'\"") for row in lost["row"] for cell in json.loads(row).values()}


def with_gone_retired(reading: Reading, gone: pd.DataFrame) -> Reading:
    """The reading with the decks that are gone retired by it."""
    n = len(gone)
    columns = {
        "deck_id": gone["deck_id"], "bridge_id": gone["bridge_id"], "kind_year": gone["year"].astype("float64"),
        "in_use": pd.Series([False] * n, dtype="boolean"),
        "retired_on": pd.to_datetime(gone["year"].astype("str") + "-01-01"),
        "retired_why": pd.Series([f"no longer in {reading.file}"] * n, dtype="str"),
    }  # fmt: skip
    retired = record_frame("deck", columns, "", np.zeros(n, dtype=np.int64))
    both = pd.concat([reading.records["deck"], retired], ignore_index=True)
    return replace(reading, records={**reading.records, "deck": both})

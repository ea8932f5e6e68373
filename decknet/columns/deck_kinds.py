"""What a deck is made of, and which decks are ranked."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pandas as pd

__all__ = [
    "CALLED",
    "CONCRETE_DECK",
    "CULVERT_KIND",
    "DECK_KINDS",
    "called",
    "kind_unknown",
    "ranked_decks",
    "retired_decks",
]

CONCRETE_DECK, CULVERT_KIND = "concrete", "culvert"
# Kind: what it is called for one and for several. Only concrete is ranked.
CALLED = {
    CONCRETE_DECK: ("concrete deck", "concrete decks"),
    CULVERT_KIND: ("culvert", "culverts"),
    "under fill": ("deck under fill", "decks under fill"),
    "open grating": ("deck of open grating", "decks of open grating"),
    "closed grating": ("deck of closed grating", "decks of closed grating"),
    "steel": ("steel deck", "steel decks"),
    "corrugated steel": ("deck of corrugated steel", "decks of corrugated steel"),
    "aluminium": ("aluminium deck", "aluminium decks"),
    "timber": ("timber deck", "timber decks"),
    "masonry": ("masonry bridge", "masonry bridges"),
    "footbridge": ("footbridge", "footbridges"),
    "railway bridge": ("railway bridge", "railway bridges"),
    "other": ("deck of another kind than concrete", "decks of another kind than concrete"),
    "none": ("structure without a deck", "structures without a deck"),
    "not stated": ("deck whose kind the file leaves out", "decks whose kind the file leaves out"),
}
DECK_KINDS = tuple(CALLED)
_SLAB = ("slab_mm", "cover_mm", "bar_kind")  # only a concrete deck has these


def ranked_decks(decks: pd.DataFrame, day: date | None = None) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which decks are in use and may be of concrete: those that are ranked.

    Parameters
    ----------
    decks : DataFrame
        deck_kind, in_use and retired_on of the deck records; absent columns are taken as not given.
    day : date or None
        As of this day, a deck retired later is in use yet; None: as the records stand.

    Returns
    -------
    array of bool, shape (n,)
    """
    kind = _text(decks, "deck_kind")
    fits = np.asarray(kind.isna() | (kind == CONCRETE_DECK), dtype=bool)
    retired = retired_decks(decks)
    out: np.ndarray[Any, np.dtype[np.bool_]] = fits & ~retired
    if day is not None and retired.any():
        out |= retired & (decks["retired_on"] > pd.Timestamp(day)).fillna(False).to_numpy(dtype=bool)
    return out


def kind_unknown(decks: pd.DataFrame) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which decks no record says anything of: neither their kind nor slab, cover or bars; shape (n,)."""
    out = _text(decks, "deck_kind").isna()
    for name in _SLAB:
        if name in decks:
            out &= decks[name].isna()
    return np.asarray(out, dtype=bool)


def called(kind: str) -> str:
    """What one of a kind is called, with its article."""
    word = CALLED.get(kind, CALLED["other"])[0]
    return f"{'an' if word[0] in 'aeio' else 'a'} {word}"


def _text(decks: pd.DataFrame, name: str) -> pd.Series:
    if name in decks:
        return decks[name]
    return pd.Series([None] * len(decks), index=decks.index, dtype="str")


def retired_decks(decks: pd.DataFrame) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which decks are said to be in use no longer; shape (n,)."""
    if "in_use" not in decks:
        return np.zeros(len(decks), dtype=bool)
    out: np.ndarray[Any, np.dtype[np.bool_]] = (decks["in_use"] == False).fillna(False).to_numpy(dtype=bool)  # noqa: E712
    return out

"""The records as a file would lack them: each deck as it was on the eve of its last survey."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from decknet.columns.among import is_among
from decknet.columns.dates import DATED, OF_A_SURVEY
from decknet.flow.reading import Records
from decknet.predict.history import years

__all__ = ["roll_back"]


def roll_back(records: Records, damage: pd.DataFrame) -> tuple[Records, pd.DataFrame]:
    """Take each deck's last survey away, and all that came later there.

    Parameters
    ----------
    records : Records
    damage : DataFrame
        As ``predict.damage_account`` gives for them.

    Returns
    -------
    records : Records
        Of each deck only what is older than its last survey that says how much is unsound. Decks with no earlier survey
        in the same life keep all theirs.
    hidden : DataFrame, one row a deck
        deck_id, survey_id, survey_date, method, crew (where ``damage`` has them); when_yr, found (share), covered,
        observer: as ``predict.back_test`` takes them.
    """
    last = damage.groupby("deck_id").tail(1)
    earlier = damage[["deck_id", "life", "survey_date"]].merge(
        last[["deck_id", "life", "survey_date"]], on=["deck_id", "life"], suffixes=("", "_last")
    )
    again = earlier.loc[earlier["survey_date"] < earlier["survey_date_last"], "deck_id"].unique()
    last = last[is_among(last["deck_id"], again)].reset_index(drop=True)
    cut = last.set_index("deck_id")["survey_date"]
    frames = dict(records.frames)
    for kind, day in DATED.items():
        frame = frames.get(kind, pd.DataFrame())
        if frame.empty or "deck_id" not in frame:  # quantities of elements are of a bridge
            continue
        gone = frame[day].to_numpy() >= cut.reindex(frame["deck_id"]).to_numpy()  # no day is never reached
        frames[kind] = frame[~gone].reset_index(drop=True)
    lost = set(records["survey"]["survey_id"]) - set(frames["survey"]["survey_id"])
    for kind in OF_A_SURVEY:
        if kind in frames and len(frames[kind]):
            frames[kind] = frames[kind][~is_among(frames[kind]["survey_id"], lost)].reset_index(drop=True)
    names = [n for n in ("deck_id", "survey_id", "survey_date", "method", "crew") if n in last]
    hidden = last[names].copy()
    nobody = pd.Series(np.nan, index=last.index, dtype="object")
    crew, method = (last.get(n, nobody).astype("object") for n in ("crew", "method"))
    hidden["observer"] = crew.fillna(method).fillna("not known")
    hidden["when_yr"] = years(last["survey_date"])
    hidden["found"] = last["unsound_share"]
    hidden["covered"] = last["covered_share"].fillna(1.0) if "covered_share" in last else 1.0
    return replace(records, frames=frames), hidden

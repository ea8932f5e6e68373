"""How much more is broken out than a survey mapped, from repairs that are closed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from decknet.columns.among import is_among

__all__ = ["overbreak_found"]

LONGEST_YR = 1.5  # from survey to repair; later, growth would be taken for overbreak
KINDS = ("patch", "patch and seal")
LOW, HIGH = 0.5, 3.0  # a ratio outside is another job than the one surveyed


def overbreak_found(
    repairs: pd.DataFrame, shares: pd.DataFrame, decks: pd.DataFrame, *, least: int
) -> tuple[float | None, int]:
    """Area broken out for each m2 found unsound, over closed repairs.

    A deck's patches within a year and a half of a survey, before the next one, are one job; it counts where the survey
    covered the deck nearly whole and the ratio lies between a half and three.

    Parameters
    ----------
    repairs : DataFrame
        deck_id, repair_date, treatment, area_m2 (m2).
    shares : DataFrame
        As ``measure.survey_shares`` gives: deck_id, survey_date, unsound_m2 (m2), covered_share.
    decks : DataFrame
        deck_id.
    least : int
        Jobs needed.

    Returns
    -------
    overbreak : float or None
        Sum of areas broken out over the sum found unsound, at least 1; None with fewer jobs than `least`.
    jobs : int

    References
    ----------
    Derived: ratio of sums, so that small jobs do not rule.
    """
    done = repairs[
        repairs["treatment"].isin(KINDS) & repairs["area_m2"].notna() & is_among(repairs["deck_id"], decks["deck_id"])
    ]
    found = shares[(shares["unsound_m2"] > 0) & (shares["covered_share"] >= 0.9)]
    if done.empty or found.empty:
        return None, 0
    left = done[["deck_id", "repair_date", "area_m2"]].sort_values("repair_date", kind="stable")
    right = shares[["deck_id", "survey_date", "unsound_m2", "covered_share"]]
    right = right[is_among(right["deck_id"], left["deck_id"])].sort_values("survey_date", kind="stable")
    pairs = pd.merge_asof(
        left.astype({"deck_id": "object"}),
        right.astype({"deck_id": "object"}),
        left_on="repair_date",
        right_on="survey_date",
        by="deck_id",
    )
    soon = (pairs["repair_date"] - pairs["survey_date"]).dt.days <= LONGEST_YR * 365.25
    pairs = pairs[soon & (pairs["unsound_m2"] > 0) & (pairs["covered_share"] >= 0.9)]
    jobs = pairs.groupby(["deck_id", "survey_date"]).agg(broken=("area_m2", "sum"), found=("unsound_m2", "first"))
    ratio = jobs["broken"] / jobs["found"]
    jobs = jobs[(ratio >= LOW) & (ratio <= HIGH)]
    if len(jobs) < max(least, 1):
        return None, len(jobs)
    return float(np.maximum(jobs["broken"].sum() / jobs["found"].sum(), 1.0)), len(jobs)

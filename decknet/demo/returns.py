"""What came in lately: looks at a part of a deck, holes found, dealt with, and closed by someone's word."""

from __future__ import annotations

import pandas as pd

__all__ = ["PATCH", "late_returns"]

_SEEN_BEFORE = pd.Timestamp("2025-03-01")
_QUIET_SINCE = pd.Timestamp("2024-01-01")
PATCH = "J00900"
# Survey, which of the chosen decks, day, method, part, holes (m2), exposed bars (m2), remarks.
_LOOKS = (
    ("S02001", 0, "2026-08-11", "sounding", "left lane", 0.3, 0.0, ""),
    ("S02002", 0, "2026-09-02", "sounding", "right lane", 0.0, 0.0, ""),
    ("S02003", 1, "2026-08-13", "hammer", "whole deck", 0.25, 0.0, ""),
    ("S02004", 1, "2026-09-04", "infrared", "whole deck", None, None, "flown at dusk"),
    ("S02005", 2, "2026-07-20", "hammer", "whole deck", 0.2, 0.0, ""),
    ("S02006", 3, "2026-07-22", "hammer", "whole deck", 0.0, 0.4, ""),
    ("S02007", 4, "2026-08-18", "chain drag", "left lane", 0.0, 0.0, "right lane still closed, deck soft at the joint"),
    ("S02008", 5, "2026-08-25", "sounding", "left lane", 0.0, 0.0, ""),
)
_CLOSINGS = (
    (2, "open hole", "2026-07-21", "Foreman, East gang", "filled with rapid mortar, plate taken off the day after"),
)  # fmt: skip


def late_returns(
    survey: pd.DataFrame, repair: pd.DataFrame, stock: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Surveys and closings of the last weeks, and one repair that says no place.

    Parameters
    ----------
    survey, repair, stock : DataFrame
        As the simulation gives them.

    Returns
    -------
    surveys, closings : DataFrame
        With the headers of a gang's own lists.
    patch : DataFrame, one row
        Columns of ``repair``.
    """
    decks = _chosen(survey, repair, stock)
    last = survey.sort_values("survey_date", kind="stable").groupby("deck_id")["delaminated_m2"].last()
    area = (stock["length_m"] * stock["width_m"]).set_axis(stock["deck_id"])
    rows = []
    for number, k, day, method, part, hole, bars, remark in _LOOKS:
        deck = decks[k]
        before = last.get(deck)
        whole = float(before) * 1.15 if before is not None and before > 0 else 0.03 * float(area[deck])
        hollow = round(whole * (1.0 if part == "whole deck" else 0.55 if part == "left lane" else 0.45), 1)
        rows.append((number, deck, day, method, part, hollow, hole, bars, "East gang", remark or None))
    surveys = pd.DataFrame(
        rows,
        columns=[
            "Survey", "Deck", "Survey date", "Method", "Part", "Delaminated (m2)", "Holes (m2)", "Exposed bars (m2)",
            "Crew", "Remarks",
        ],
    )  # fmt: skip
    closings = pd.DataFrame(
        [(decks[k], what, day, who, how) for k, what, day, who, how in _CLOSINGS],
        columns=["Deck", "Cause", "Closed on", "Closed by", "How"],
    )
    patch = repair[(repair["treatment"] == "patch") & repair["cure_h"].notna()].tail(1).copy()
    patch["repair_id"], patch["deck_id"] = PATCH, decks[3]
    patch["repair_date"], patch["opened_at"] = pd.Timestamp("2026-08-03"), "2026-08-03T18:00"
    patch["area_m2"], patch["volume_m3"], patch["cost"], patch["closure_h"] = 0.6, 0.05, 2900.0, 9.0
    patch["shape"] = pd.Series([None], index=patch.index, dtype="object")
    patch["price_year"] = 2026
    return surveys, closings, patch


def _chosen(survey: pd.DataFrame, repair: pd.DataFrame, stock: pd.DataFrame) -> list[str]:
    """Six one-deck bridges of two lanes that nothing has come in of lately; the last of them never surveyed."""
    alone = stock[(stock["deck_id"] == stock["bridge_id"]) & (stock["lanes"] == 2) & stock["length_m"].notna()]
    last, worked = survey.groupby("deck_id")["survey_date"].max(), repair.groupby("deck_id")["repair_date"].max()
    ids = alone["deck_id"]
    quiet = ~(ids.map(worked) > _QUIET_SINCE)
    seen = ids[quiet & (ids.map(last) < _SEEN_BEFORE)].sort_values().tolist()
    never = ids[ids.map(last).isna()].sort_values().tolist()
    step = max(len(seen) // 5, 1)
    return [*seen[1::step][:5], never[0]]

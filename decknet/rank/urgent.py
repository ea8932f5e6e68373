"""What cannot wait for the ranking."""

from __future__ import annotations

from datetime import timedelta

import pandas as pd

from decknet.settings import UrgentSettings

__all__ = ["act_now"]


def act_now(decks: pd.DataFrame, repairs: pd.DataFrame, settings: UrgentSettings) -> pd.DataFrame:
    """Decks that need someone there now, with why, since when and by when.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id, survey_date; hole_m2, exposed_bar_m2 (m2, as last found); unsound_share (fraction
        of the area covered, as last found).
    repairs : DataFrame
        deck_id, repair_date. A repair after the survey closes holes and bars it found.
    settings : UrgentSettings

    Returns
    -------
    DataFrame, one row a deck and reason, most pressing first
        deck_id, cause ("open hole", "exposed bar", "danger share"), why (sentence), since (date),
        days (allowed), due (date), closed_by (sentence).

    References
    ----------
    practice: an open hole is covered or closed at once. Days and threshold: settings, with basis.
    """
    last_repair = repairs.groupby("deck_id")["repair_date"].max().reindex(decks["deck_id"]).to_numpy()
    still = ~(pd.Series(last_repair, index=decks.index) > decks["survey_date"])
    rows = []
    cases = (
        ("open hole", (decks["hole_m2"] > 0) & still, settings.hole_days, "cover or close it; a repair ends this"),
        ("exposed bar", (decks["exposed_bar_m2"] > 0) & still, settings.bar_days,
         "inspect the bars and patch; a repair record ends this"),
        ("danger share", decks["unsound_share"] >= settings.danger_share, settings.danger_days,
         "a licensed engineer decides on load, closure or works; a new survey below the threshold ends this"),
    )  # fmt: skip
    for cause, hit, days, closed_by in cases:
        for _, deck in decks[hit.fillna(False).astype(bool)].iterrows():
            if cause == "open hole":
                why = f"{deck['hole_m2']:.2f} m² of open full-depth hole"
            elif cause == "exposed bar":
                why = f"{deck['exposed_bar_m2']:.2f} m² with bars exposed"
            else:
                why = f"{deck['unsound_share'] * 100:.0f} % unsound, at or past {settings.danger_share * 100:.0f} %"
            since = deck["survey_date"]
            rows.append((deck["deck_id"], cause, why, since, days, since + timedelta(days=days), closed_by))
    out = pd.DataFrame(rows, columns=["deck_id", "cause", "why", "since", "days", "due", "closed_by"])
    order = pd.Categorical(out["cause"], ["open hole", "exposed bar", "danger share"], ordered=True)
    out = out.assign(order=order).sort_values(["order", "due", "deck_id"], kind="stable")
    return out.drop(columns="order").reset_index(drop=True)

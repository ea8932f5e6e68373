"""What cannot wait for the ranking."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import shapely

from decknet import digits
from decknet.settings import UrgentSettings
from decknet.settled import SHARE_PLACES

__all__ = ["CAUSES", "WHOLE_DECK", "act_now", "bars_in_wheel_path"]

CAUSES = ("open hole", "exposed bar", "opening check", "danger share")
_COLUMNS = ["deck_id", "cause", "why", "since", "days", "due", "closed_by"]
WHOLE_DECK = ("thin overlay", "rigid overlay", "new deck")
_CLOSED_BY = {
    "open hole": "cover or close it; a repair ends this",
    "exposed bar": "inspect the bars and patch; a repair record ends this",
    "opening check": "check that the patch was fit for traffic; the time of its opening on record, or a new survey, "
    "ends this",
    "danger share": "a licensed engineer decides on load, closure or works; a new survey below the threshold, an "
    "overlay or a new deck ends this",
}


def bars_in_wheel_path(defects: pd.DataFrame, decks: pd.DataFrame, settings: UrgentSettings) -> pd.Series:
    """Whether a deck's exposed bars lie in a wheel path.

    Parameters
    ----------
    defects : DataFrame
        Of each deck's last survey: deck_id, kind, shape (polygon in station and offset, m, or None).
    decks : DataFrame
        deck_id, width_m, lanes.
    settings : UrgentSettings
        lane_width_m, wheel_from_middle_m, wheel_path_m.

    Returns
    -------
    Series of boolean, on deck_id
        False only where every one is drawn and clear of all wheel paths; missing where it cannot be
        told: not drawn, or lanes not known.

    Notes
    -----
    Lanes are laid out side by side about the centreline, narrower where the deck is; a wheel path runs
    on either side of each lane's middle. Of a shape only its reach in offset counts.

    References
    ----------
    practice: lanes centred on the deck.
    """
    bars = defects[defects["kind"] == "exposed bar"]
    about = decks.set_index("deck_id")[["width_m", "lanes"]].reindex(bars["deck_id"])
    width = about["width_m"].to_numpy(dtype="float64", na_value=np.nan)
    lanes = about["lanes"].to_numpy(dtype="float64", na_value=np.nan)
    bounds = shapely.bounds(bars["shape"].to_numpy(dtype=object))
    low, high = bounds[:, 1], bounds[:, 3]
    lane = np.minimum(settings.lane_width_m, width / np.where(lanes > 0, lanes, np.nan))
    hit = np.zeros(len(bars), dtype=bool)
    for i in range(int(np.nanmax(lanes, initial=0))):
        middle = (i + 0.5 - lanes / 2) * lane
        for side in (-1, 1):
            path = middle + side * settings.wheel_from_middle_m
            there = (low <= path + settings.wheel_path_m / 2) & (high >= path - settings.wheel_path_m / 2)
            hit |= there & (i < lanes)
    told = np.isfinite(low) & np.isfinite(lane)
    each = pd.Series(np.where(told, hit.astype(float), np.nan), index=bars["deck_id"].to_numpy())
    by_deck = each.groupby(level=0)
    answer = by_deck.max().where(by_deck.max().eq(1.0) | by_deck.apply(lambda s: bool(s.notna().all())))
    return answer.eq(1.0).astype("boolean").where(answer.notna())


def act_now(
    decks: pd.DataFrame,
    repairs: pd.DataFrame,
    settings: UrgentSettings,
    *,
    today: date | None = None,
    defects: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Decks that need someone there now, with why, since when and by when.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id, survey_date; hole_m2, exposed_bar_m2 (m2, as last found); unsound_share (fraction
        of the area covered, as last found); width_m, lanes with ``defects``.
    repairs : DataFrame
        deck_id, repair_date, treatment. A repair after the survey closes holes and bars it found. With
        ``today`` also repair_id, cure_h (h) and opened_at (text).
    settings : UrgentSettings
    today : date or None
        Without it no repair is asked for its opening.
    defects : DataFrame or None
        Of each deck's last survey, as ``bars_in_wheel_path`` takes; without it every exposed bar
        counts as in a wheel path.

    Returns
    -------
    DataFrame, one row a deck and cause, most pressing cause first
        deck_id, cause (of ``CAUSES``), why (words), since (date), days (allowed), due (date),
        closed_by (words).

    References
    ----------
    practice: an open hole is covered or closed at once. Days and threshold: settings, with basis.
    """

    def since_survey(done: pd.DataFrame) -> pd.Series:
        last = done.groupby("deck_id")["repair_date"].max().reindex(decks["deck_id"]).to_numpy()
        return pd.Series(last, index=decks.index) > decks["survey_date"]

    repaired = since_survey(repairs)
    renewed = since_survey(repairs[repairs["treatment"].isin(WHOLE_DECK)]) if "treatment" in repairs else repaired
    paths = bars_in_wheel_path(defects, decks, settings) if defects is not None else pd.Series(dtype="boolean")
    cases = (
        ("open hole", (decks["hole_m2"] > 0) & ~repaired),
        ("exposed bar", (decks["exposed_bar_m2"] > 0) & ~repaired),
        ("danger share", (decks["unsound_share"].round(SHARE_PLACES) >= settings.danger_share) & ~renewed),
    )
    rows: list[tuple[object, ...]] = []
    for cause, hit in cases:
        for _, deck in decks[hit.fillna(False).astype(bool)].iterrows():
            days = settings.hole_days if cause == "open hole" else settings.danger_days
            if cause == "open hole":
                why = f"{digits.area(deck['hole_m2'])} m² of open full-depth hole"
            elif cause == "exposed bar":
                in_path = paths.get(deck["deck_id"], pd.NA)
                if pd.isna(in_path):
                    where, days = "not known to be clear of the wheel paths", settings.bar_days
                elif in_path:
                    where, days = "in a wheel path", settings.bar_days
                else:
                    where, days = "clear of the wheel paths", settings.bar_off_path_days
                why = f"{digits.area(deck['exposed_bar_m2'])} m² with bars exposed, {where}"
            else:
                why = (
                    f"{digits.percent(deck['unsound_share'])} unsound, at or past "
                    f"{digits.percent_given(settings.danger_share)}"
                )
            since = deck["survey_date"]
            rows.append((deck["deck_id"], cause, why, since, days, since + timedelta(days=days), _CLOSED_BY[cause]))
    if today is not None:
        rows += _openings(decks, repairs, settings, pd.Timestamp(today))
    out = pd.DataFrame(rows, columns=_COLUMNS)
    order = pd.Categorical(out["cause"], CAUSES, ordered=True)
    out = out.assign(order=order).sort_values(["order", "due", "deck_id"], kind="stable")
    return out.drop(columns="order").reset_index(drop=True)


def _openings(
    decks: pd.DataFrame, repairs: pd.DataFrame, settings: UrgentSettings, today: pd.Timestamp
) -> list[tuple[object, ...]]:
    """Repairs whose cure is over, with no opening to traffic on record and no survey since."""
    cured = (repairs["repair_date"] + pd.to_timedelta(repairs["cure_h"].astype("float64"), unit="h")).dt.floor("D")
    due = cured + pd.Timedelta(days=settings.opening_days)
    surveyed = decks.set_index("deck_id")["survey_date"].reindex(repairs["deck_id"]).to_numpy()
    opened = repairs["opened_at"].notna() & repairs["opened_at"].astype("str").str.strip().ne("")
    hit = (
        ~opened
        & (due < today)
        & (repairs["repair_date"] >= today - pd.Timedelta(days=settings.opening_back_days))
        & repairs["deck_id"].isin(decks["deck_id"])
        & ~(pd.Series(surveyed, index=repairs.index) > repairs["repair_date"])
    )
    late = repairs[hit.fillna(False).astype(bool)].assign(cured=cured, due=due)
    rows: list[tuple[object, ...]] = []
    for deck_id, mine in late.sort_values(["due", "repair_id"], kind="stable").groupby("deck_id"):
        one = mine.iloc[0]
        more = f" and {len(mine) - 1} more" if len(mine) > 1 else ""
        which = f"{one['treatment']} of {one['repair_date']:%Y-%m-%d} ({one['repair_id']}{more})"
        why = f"{which}: no opening to traffic on record"
        rows.append(
            (
                deck_id,
                "opening check",
                why,
                one["cured"],
                settings.opening_days,
                one["due"],
                _CLOSED_BY["opening check"],
            )
        )
    return rows

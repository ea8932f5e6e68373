"""What cannot wait for the ranking: the hazards that are open or to be confirmed, in words and with days."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet import digits
from decknet.rank.hazards import CAUSES, CLOSED, OPEN, TO_CONFIRM
from decknet.settings import UrgentSettings

__all__ = ["act_now", "in_wheel_path", "with_words"]

STATES = (OPEN, TO_CONFIRM)
_COLUMNS = ["deck_id", "cause", "state", "why", "since", "days", "due", "closed_by"]
_SETTLES = {
    "open hole": "cover or close it; a repair drawn there, a later look there that reports none, or a closing record "
    "ends this",
    "exposed bar": "inspect the bars and patch; a repair drawn there, a later look there that reports none, or a "
    "closing record ends this",
    "opening check": "check that the patch was fit for traffic; the time of its opening on record, a later look there, "
    "or a closing record ends this",
    "danger share": "a licensed engineer decides on load, closure or works; a new survey below the threshold, drawn "
    "repairs that bring it there, an overlay, a new deck or a closing record ends this",
    "poor rating": "a licensed engineer decides on load, closure or works; a better rating, a new deck or a closing "
    "record ends this",
    "remark": "find out what it means on site; a survey stated to be of the whole deck that reports none, or a closing "
    "record ends this",
}


def in_wheel_path(
    shapes: NDArray[np.object_], width_m: NDArray[np.float64], lanes: NDArray[np.float64], settings: UrgentSettings
) -> pd.Series:
    """Whether drawn places lie in a wheel path.

    Parameters
    ----------
    shapes : array of Polygon, MultiPolygon or None, shape (n,), m
        In station and offset.
    width_m, lanes : arrays, shape (n,)
        Of the deck of each; NaN where not known.
    settings : UrgentSettings
        lane_width_m, wheel_from_middle_m, wheel_path_m.

    Returns
    -------
    Series of boolean, shape (n,)
        Missing where it cannot be told: not drawn, or lanes or width not known.

    Notes
    -----
    Lanes are laid out side by side about the centreline, narrower where the deck is; a wheel path runs
    on either side of each lane's middle. Of a shape only the reach in offset of each of its parts counts.

    References
    ----------
    practice: lanes centred on the deck.
    """
    parts, of = shapely.get_parts(shapes, return_index=True)
    bounds = shapely.bounds(parts)
    low, high = bounds[:, 1], bounds[:, 3]
    wide, count = width_m[of], lanes[of]
    lane = np.minimum(settings.lane_width_m, wide / np.where(count > 0, count, np.nan))
    hit = np.zeros(len(parts), dtype=bool)
    for i in range(int(np.nanmax(count, initial=0))):
        middle = (i + 0.5 - count / 2) * lane
        for side in (-1, 1):
            path = middle + side * settings.wheel_from_middle_m
            there = (low <= path + settings.wheel_path_m / 2) & (high >= path - settings.wheel_path_m / 2)
            hit |= there & (i < count)
    told = np.isfinite(low) & np.isfinite(lane)
    answer = pd.array([pd.NA] * len(shapes), dtype="boolean")
    answer[np.unique(of[told])] = False
    answer[np.unique(of[told & hit])] = True
    return pd.Series(answer)


def with_words(ledger: pd.DataFrame, decks: pd.DataFrame, settings: UrgentSettings) -> pd.DataFrame:
    """The ledger with what each hazard is in words, how long it may take and what ends it.

    Parameters
    ----------
    ledger : DataFrame
        As ``follow_hazards`` gives.
    decks : DataFrame
        deck_id, width_m (m), lanes.
    settings : UrgentSettings

    Returns
    -------
    DataFrame
        The same rows with what (words), place (words: station and offset; "place not on record"), station_m, offset_m
        (m, middle of the place; missing where not known), days (allowed), due (date), settles (words).

    References
    ----------
    Days and thresholds: settings, with basis.
    """
    about = decks.set_index("deck_id")[["width_m", "lanes"]].reindex(ledger["deck_id"])
    shapes = ledger["shape"].to_numpy(dtype=object)
    width, lanes = (about[n].to_numpy(dtype="float64", na_value=np.nan) for n in ("width_m", "lanes"))
    path = in_wheel_path(shapes, width, lanes, settings)
    middle = shapely.point_on_surface(shapes)
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    out = ledger.copy()
    threshold = digits.percent_given(settings.danger_share)
    told = [
        _told(row, on_path, settings, threshold) for row, on_path in zip(ledger.itertuples(), path.array, strict=True)
    ]
    out["what"] = pd.array([words for words, _ in told], dtype="str")
    placed = np.isfinite(x) & ~ledger["cause"].eq("danger share").to_numpy(dtype=bool)
    out["place"] = pd.array(
        [_place(a, b) if here else "" for a, b, here in zip(x, y, placed, strict=True)], dtype="str"
    )  # fmt: skip
    out["station_m"], out["offset_m"] = np.where(placed, x, np.nan), np.where(placed, y, np.nan)
    out["days"] = pd.array([days for _, days in told], dtype="int64")
    out["due"] = out["opened"] + pd.to_timedelta(out["days"], unit="D")
    out["settles"] = out["cause"].map(_SETTLES).astype("str")
    return out


def _place(station_m: float, offset_m: float) -> str:
    side = "on the centreline" if abs(offset_m) < 0.05 else (
        f"{digits.length(abs(offset_m))} m {'right' if offset_m > 0 else 'left'} of the centreline"
    )  # fmt: skip
    return f"station {digits.length(station_m)} m, {side}"


def _told(row: object, in_path: object, settings: UrgentSettings, threshold: str) -> tuple[str, int]:
    """What a hazard is, and the days allowed; ``threshold`` is the danger share in words."""
    cause, amount = row.cause, row.amount  # type: ignore[attr-defined]
    if cause in ("open hole", "exposed bar"):
        area = f"{digits.area(amount)} m² " if np.isfinite(amount) else ""
    if cause == "open hole":
        return f"{area or 'an area '}of open full-depth hole", settings.hole_days
    if cause == "exposed bar":
        if pd.isna(in_path):
            where, days = "not known to be clear of the wheel paths", settings.bar_days
        elif in_path:
            where, days = "in a wheel path", settings.bar_days
        else:
            where, days = "clear of the wheel paths", settings.bar_off_path_days
        return f"{area}with bars exposed, {where}" if area else f"bars exposed, {where}", days
    if cause == "danger share":
        return f"{digits.percent(amount)} unsound, at or past {threshold}", settings.danger_days
    if cause == "poor rating":
        return f"deck rated {digits.count(amount)} of 9", settings.danger_days
    if cause == "opening check":
        opened = f"{row.found_by} ({row.hazard_id.removesuffix('/opening')})"  # type: ignore[attr-defined]
        return f"{opened}: no opening to traffic on record", settings.opening_days
    return f"a remark: “{row.remark}”", settings.bar_days  # type: ignore[attr-defined]


def act_now(told: pd.DataFrame) -> pd.DataFrame:
    """Decks that need someone there now, with why, since when and by when.

    Parameters
    ----------
    told : DataFrame
        As ``with_words`` gives.

    Returns
    -------
    DataFrame, one row a deck, cause and state; open before to confirm, most pressing cause first
        deck_id, cause (of ``CAUSES``), state ("open" or "to confirm"), why (words), since (date of the oldest), days
        (allowed), due (date), closed_by (words: what ends it).
    """
    live = told[told["state"] != CLOSED].sort_values(["due", "opened", "hazard_id"], kind="stable")
    names = ("deck_id", "cause", "state", "what", "doubts", "amount", "opened", "days", "due", "settles")
    groups: dict[tuple[str, str, str], list[Any]] = {}
    for row in live[list(names)].itertuples(index=False):
        groups.setdefault((str(row.deck_id), row.cause, row.state), []).append(row)
    rows = [_line(*key, mine) for key, mine in groups.items()]
    out = pd.DataFrame(rows, columns=_COLUMNS)
    for name in ("since", "due"):
        out[name] = pd.to_datetime(out[name]).astype("datetime64[us]")
    order = {
        "by_state": pd.Categorical(out["state"], STATES),
        "by_cause": pd.Categorical(out["cause"], CAUSES),
    }
    out = out.assign(**order).sort_values(["by_state", "by_cause", "due", "deck_id"], kind="stable")
    return out.drop(columns=list(order)).reset_index(drop=True)


def _line(deck: str, cause: str, state: str, mine: list[Any]) -> tuple[object, ...]:
    """One line of a deck and cause from its hazards, the most pressing first: several places are added up."""
    first = mine[0]
    why = first.what
    if len(mine) > 1 and cause in ("open hole", "exposed bar"):
        known = [h.amount for h in mine if h.amount == h.amount]
        size = f"{digits.area(sum(known))} m² " if known else ""
        what = "of open full-depth hole" if cause == "open hole" else "with bars exposed"
        where = "" if cause == "open hole" else f", {why.rsplit(', ', 1)[-1]}"
        why = f"{size}{what} in {digits.count(len(mine))} places{where}"
    elif len(mine) > 1:
        why = f"{why} (and {digits.count(len(mine) - 1)} more)"
    if state == TO_CONFIRM:
        why = f"to confirm: {why} ({'; '.join(dict.fromkeys(h.doubts for h in mine if h.doubts))})"
    return deck, cause, state, why, min(h.opened for h in mine), int(first.days), first.due, first.settles

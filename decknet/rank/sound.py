"""Which decks to sound next: those overdue, and those whose doubt matters most for the hour of closure it takes."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from decknet import digits
from decknet.measure import RENEWING
from decknet.rank.criteria import value, worth
from decknet.rank.draws import Z80
from decknet.settings import GrowthSettings, RankSettings, SoundingSettings
from decknet.settled import POINT_PLACES, to_places

__all__ = ["expected_gain", "sound_next", "sounding_due"]

Floats = NDArray[np.float64]
_DAYS_PER_YR = 365.25
_SHARES = ("share_now", "share_low", "share_high")


def expected_gain(mean: Floats, threshold: float, moved: Floats) -> Floats:
    """What knowing more is worth for a choice between a deck and a threshold.

    Parameters
    ----------
    mean : array, shape (n,), points
        Priority as it stands.
    threshold : float, points
        A deck is chosen above it.
    moved : array, shape (n,), points
        Standard deviation of the priority that will be expected after the sounding, seen from before.

    Returns
    -------
    array, shape (n,), points
        How much higher the better of the two is expected to be after the sounding than the one that
        would be chosen now; 0 where nothing can move.

    References
    ----------
    published: Raiffa and Schlaifer (1961), Applied Statistical Decision Theory (the unit normal loss
    integral): moved x (phi(u) - u Phi(-u)), u = |mean - threshold| / moved.

    Examples
    --------
    >>> expected_gain(np.array([50.0]), 50.0, np.array([10.0])).round(6).tolist()
    [3.989423]
    """
    u = np.abs(mean - threshold) / np.where(moved > 0, moved, 1.0)
    loss = np.exp(-(u**2) / 2) / np.sqrt(2 * np.pi) - u * ndtr(-u)
    return to_places(np.where(moved > 0, moved * np.maximum(loss, 0.0), 0.0), POINT_PLACES)


def sounding_due(
    decks: pd.DataFrame, repairs: pd.DataFrame, *, today: date, settings: SoundingSettings
) -> pd.DataFrame:
    """When every deck is due to be sounded again.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id, survey_date, share_now, growth_per_yr, aadt.
    repairs : DataFrame
        deck_id, repair_date, treatment. After an overlay or a new deck the interval begins anew.
    today : date
    settings : SoundingSettings

    Returns
    -------
    DataFrame, shape (n, 4), in the order of ``decks``
        deck_id; interval_yr (the shortest that share, growth or traffic asks for); asked_by ("share",
        "growth" or "traffic"); sound_due (date; today for a deck never sounded and with no works).

    References
    ----------
    derived: the last survey or renewal and the interval. The intervals are settings, with their basis.
    """
    curves = {
        "share": ("share_now", settings.interval_share),
        "growth": ("growth_per_yr", settings.interval_growth),
        "traffic": ("aadt", settings.interval_traffic),
    }
    asked = np.vstack([value(decks[column].to_numpy(dtype="float64"), curve) for column, curve in curves.values()])
    interval = asked.min(axis=0)
    anew = repairs[repairs["treatment"].isin(RENEWING)].groupby("deck_id")["repair_date"].max()
    renewed = pd.Series(anew.reindex(decks["deck_id"]).to_numpy(dtype="datetime64[us]"), index=decks.index)
    seen = decks["survey_date"].astype("datetime64[us]")
    begun = seen.where(seen.notna() & ~(renewed > seen), renewed)
    due = (begun + pd.to_timedelta(np.round(interval * _DAYS_PER_YR), unit="D")).fillna(pd.Timestamp(today))
    return pd.DataFrame(
        {
            "deck_id": decks["deck_id"].to_numpy(),
            "interval_yr": interval,
            "asked_by": pd.Series(np.array(list(curves), dtype=object)[asked.argmin(axis=0)], dtype="str"),
            "sound_due": due.astype("datetime64[us]").to_numpy(),
        }
    )


def sound_next(
    decks: pd.DataFrame, *, today: date, rank: RankSettings, sounding: SoundingSettings, growth: GrowthSettings
) -> pd.DataFrame:
    """What one more sounding of each deck is worth for the hour of closure, and which are overdue.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        As ``rank_decks`` takes, with priority, share_low, share_high, survey_date, sound_due, area_m2, lanes.
    today : date
    rank : RankSettings
        ``first``: a sounding is worth something as far as it can move a deck into or out of these.
    sounding : SoundingSettings
    growth : GrowthSettings
        survey_cv, survey_floor: the scatter of the one more sounding.

    Returns
    -------
    DataFrame, shape (n, 9), the most gain for an hour first; ties by deck_id
        deck_id; survey_date; sound_due; overdue_yr (yr, 0 where not due yet); doubt (priority points,
        half the 80 % range that the share's doubt gives); gain (m2: points of priority gained as a
        part of 100, times the deck's area); closure_h (lane-hours); gain_per_h (m2 per lane-hour);
        why (words).

    Notes
    -----
    One more sounding narrows the doubt of the share, s, by its own scatter e: the expected priority may
    move by the share's part of its doubt times s / sqrt(s2 + e2). The threshold is midway between the
    last of the first so many and the next; other decks stay as they are. The gain is a measure
    of better choice, not of money: it counts how much needier the better-chosen deck is. A deck whose
    area is not known takes the middle of the others, one whose lanes are not known two lanes.

    References
    ----------
    derived: the expected value of sample information for a choice between two with a normal doubt.
    """
    scale = worth(decks, rank)
    curve, weight = rank.value_share, float(scale.weights[0])
    share, low, high = (decks[c].to_numpy(dtype="float64", na_value=np.nan) for c in _SHARES)
    low, high = np.where(np.isfinite(low), low, share), np.where(np.isfinite(high), high, share)
    doubt = 100 * weight * (value(high, curve) - value(low, curve)) / 2
    s = (high - low) / (2 * Z80)
    e = np.hypot(growth.survey_cv * share, growth.survey_floor)
    kept = np.divide(s, np.hypot(s, e), out=np.zeros(len(s)), where=s > 0)
    priority = decks["priority"].to_numpy(dtype="float64")
    ordered = np.sort(priority)[::-1]
    inside = len(ordered) > rank.first
    threshold = float(ordered[rank.first - 1 : rank.first + 1].mean()) if inside else 0.0
    points = expected_gain(priority, threshold, doubt / Z80 * kept) if inside else np.zeros(len(decks))

    area = decks["area_m2"].to_numpy(dtype="float64", na_value=np.nan)
    area = np.where(np.isfinite(area), area, float(np.nanmedian(area)) if np.isfinite(area).any() else 1.0)
    lanes = decks["lanes"].to_numpy(dtype="float64", na_value=np.nan) if "lanes" in decks else np.full(len(area), 2.0)
    closure = np.where(lanes >= 1, lanes, 2.0) * sounding.set_up_h + area / sounding.m2_per_h
    due = decks["sound_due"]
    out = pd.DataFrame(
        {
            "deck_id": decks["deck_id"].to_numpy(),
            "survey_date": decks["survey_date"].to_numpy(),
            "sound_due": due.to_numpy(),
            "overdue_yr": np.maximum((pd.Timestamp(today) - due).dt.days.to_numpy() / _DAYS_PER_YR, 0.0),
            "doubt": doubt,
            "gain": points / 100 * area,
            "closure_h": closure,
        }
    )
    out["gain_per_h"] = out["gain"] / out["closure_h"]
    notes = []
    seen = out["survey_date"].notna().tolist()
    for known, late, either, has in zip(
        seen, out["overdue_yr"].tolist(), doubt.tolist(), priority.tolist(), strict=True
    ):
        said = f"overdue by {digits.years(late)} years" if late > 0 else "not overdue"
        if not known:
            said = "never sounded"
        if inside:
            side = "below" if has >= threshold else "above"
            said += (
                f"; its share is in doubt by {digits.points(either)} points either way, and place {rank.first} lies "
            )
            said += f"{digits.points(abs(has - threshold))} points {side} it"
        notes.append(said)
    out["why"] = pd.Series(notes, index=out.index, dtype="str")
    return out.sort_values(["gain_per_h", "overdue_yr", "deck_id"], ascending=[False, False, True], ignore_index=True)

"""When every deck is due to be sounded again, how far that is overdue, and what a sounding takes."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet import digits
from decknet.measure import RENEWING
from decknet.rank.criteria import value
from decknet.settings import SoundingSettings

__all__ = ["closure_hours", "overdue", "sounding_due"]

Floats = NDArray[np.float64]
_DAYS_PER_YR = 365.25


def closure_hours(area_m2: pd.Series[float], lanes: pd.Series[float], settings: SoundingSettings) -> Floats:
    """Lane-hours of closure that one sounding takes.

    Parameters
    ----------
    area_m2, lanes : Series, shape (n,)
        An area that is not known takes the middle of the others, lanes that are not known are two.
    settings : SoundingSettings

    Returns
    -------
    array, shape (n,), h
        A set-up for each lane, and the area at the pace of the settings.

    Examples
    --------
    >>> closure_hours(pd.Series([1000.0, np.nan]), pd.Series([2.0, 3.0]), SoundingSettings()).tolist()
    [6.0, 7.0]
    """
    area = area_m2.to_numpy(dtype="float64", na_value=np.nan)
    area = np.where(np.isfinite(area), area, float(np.nanmedian(area)) if np.isfinite(area).any() else 1.0)
    many = lanes.to_numpy(dtype="float64", na_value=np.nan)
    return np.asarray(np.where(many >= 1, many, 2.0) * settings.set_up_h + area / settings.m2_per_h)


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


def overdue(decks: pd.DataFrame, *, today: date, settings: SoundingSettings) -> pd.DataFrame:
    """How far the sounding of every deck is overdue, and what it takes.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id, survey_date, sound_due, area_m2; lanes where known.
    today : date
    settings : SoundingSettings

    Returns
    -------
    DataFrame, shape (n, 6), the most overdue first; ties by deck_id
        deck_id; survey_date; sound_due; overdue_yr (yr, 0 where not due yet); closure_h (lane-hours); why (words).
    """
    due = decks["sound_due"]
    late = np.maximum((pd.Timestamp(today) - due).dt.days.to_numpy() / _DAYS_PER_YR, 0.0)
    lanes = decks["lanes"] if "lanes" in decks else pd.Series(np.nan, index=decks.index)
    said = [
        ("never sounded" if never else "overdue" if years > 0 else "not due yet")
        + (f" by {digits.years(years)} years" if years > 0 and not never else "")
        for never, years in zip(decks["survey_date"].isna().tolist(), late.tolist(), strict=True)
    ]
    out = pd.DataFrame(
        {
            "deck_id": decks["deck_id"].to_numpy(),
            "survey_date": decks["survey_date"].to_numpy(),
            "sound_due": due.to_numpy(),
            "overdue_yr": late,
            "closure_h": closure_hours(decks["area_m2"], lanes, settings),
            "why": pd.array(said, dtype="str"),
        }
    )
    return out.sort_values(["overdue_yr", "deck_id"], ascending=[False, True], kind="stable", ignore_index=True)

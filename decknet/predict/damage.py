"""Damage ever: how much of a deck's concrete has gone unsound so far, repaired or not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

__all__ = ["DAYS_PER_YEAR", "damage_ever", "deck_lives"]

DAYS_PER_YEAR = 365.25
_NEW_LIFE = ("thin overlay", "rigid overlay", "new deck")


def _midsummer(year: pd.Series) -> pd.Series:
    """1 July of each year; missing where the year is."""
    text = year.astype("str").where(year.notna()) + "-07-01"
    return pd.to_datetime(text, errors="coerce").astype("datetime64[us]")


def deck_lives(decks: pd.DataFrame, repairs: pd.DataFrame) -> pd.DataFrame:
    """The lives of each deck: from its building, and anew from each overlay or new deck.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id, built_year (of the bridge), deck_built_year (of this deck); may be missing. A deck
        younger than its bridge begins a new life in its year, unless a repair record says so too.
    repairs : DataFrame
        deck_id, repair_date, treatment.

    Returns
    -------
    DataFrame, ordered by deck and life
        deck_id, life (0 for the first), start (date, 1 July of the year built; missing where not
        known), begun_by ("built" or the treatment).
    """
    first = decks["built_year"].fillna(decks["deck_built_year"])
    built = pd.DataFrame({"deck_id": decks["deck_id"], "start": _midsummer(first), "begun_by": "built", "order": 0})
    works = repairs[repairs["treatment"].isin(_NEW_LIFE) & repairs["deck_id"].isin(decks["deck_id"])]
    anew = pd.DataFrame(
        {"deck_id": works["deck_id"], "start": works["repair_date"], "begun_by": works["treatment"], "order": 1}
    )
    rebuilt = decks["deck_built_year"].gt(decks["built_year"]).fillna(False).astype(bool)
    known = anew.loc[anew["begun_by"] == "new deck"].groupby("deck_id")["start"].max().dt.year
    told = known.reindex(decks["deck_id"]).set_axis(decks.index)
    rebuilt &= ~((told - decks["deck_built_year"]).abs() <= 1).fillna(False).astype(bool)
    again = pd.DataFrame(
        {
            "deck_id": decks.loc[rebuilt, "deck_id"],
            "start": _midsummer(decks.loc[rebuilt, "deck_built_year"]),
            "begun_by": "new deck",
            "order": 1,
        }
    )
    lives = pd.concat([built, anew, again], ignore_index=True).sort_values(["deck_id", "order", "start"], kind="stable")
    lives["life"] = lives.groupby("deck_id").cumcount()
    return lives[["deck_id", "life", "start", "begun_by"]].reset_index(drop=True)


def damage_ever(shares: pd.DataFrame, repairs: pd.DataFrame, decks: pd.DataFrame, *, overbreak: float) -> pd.DataFrame:
    """Damage ever at each survey, and what was unsound just before each patch.

    Parameters
    ----------
    shares : DataFrame
        As ``measure.survey_shares`` gives: deck_id, survey_date, unsound_share, unsound_m2,
        failed_patch_m2, covered_m2.
    repairs : DataFrame
        Records of repairs.
    decks : DataFrame
        deck_id, length_m, width_m, deck_built_year, built_year.
    overbreak : float
        Area broken out for each m2 unsound, >= 1: a patch of 10 m2 made 10 / overbreak m2 sound.

    Returns
    -------
    DataFrame, one row a survey with a share, ordered by deck and date
        deck_id, survey_date, life, life_start (date or missing), unsound_share (0 to 1, as found),
        repaired_share (0 to 1, made sound by patches earlier in this life), damage_share (0 to 1).

    Notes
    -----
    damage = unsound as found, less patches found unsound again (their concrete is not original),
    plus what patches made sound before. A patch makes no more sound than the last survey before it
    found unsound. An overlay or a new deck starts a new life at zero. Scatter between surveys may
    still make a later value lower than an earlier one: that is a matter for the fit, not hidden here.

    References
    ----------
    derived: bookkeeping of areas.
    """
    area = pd.Series((decks["length_m"] * decks["width_m"]).to_numpy(dtype="float64"), index=pd.Index(decks["deck_id"]))
    lives = deck_lives(decks, repairs)
    found = shares[shares["unsound_share"].notna()]
    failed = (found["failed_patch_m2"].fillna(0.0) / found["covered_m2"]).clip(upper=found["unsound_share"])
    patches = repairs[repairs["treatment"].isin(("patch", "patch and seal")) & repairs["deck_id"].isin(area.index)]
    drawn = pd.Series(shapely.area(patches["shape"].to_numpy(dtype=object)), index=patches.index)
    patch_m2 = patches["area_m2"].fillna(drawn.where(drawn > 0)).fillna(0.0)
    events = pd.concat(
        [
            pd.DataFrame(
                {
                    "deck_id": found["deck_id"],
                    "date": found["survey_date"],
                    "order": 1,
                    "unsound_share": found["unsound_share"],
                    "original": found["unsound_share"] - failed,
                    "patch": 0.0,
                }
            ),
            pd.DataFrame(
                {
                    "deck_id": patches["deck_id"],
                    "date": patches["repair_date"],
                    "order": 2,
                    "patch": patch_m2 / overbreak / patches["deck_id"].map(area).to_numpy(dtype="float64"),
                }
            ),
            pd.DataFrame(
                {
                    "deck_id": lives["deck_id"],
                    "date": lives["start"].where(lives["life"] > 0, pd.Timestamp("1700-01-01")),
                    "order": 0,
                    "patch": 0.0,
                    "life": lives["life"],
                    "life_start": lives["start"],
                }
            ),
        ],
        ignore_index=True,
    ).sort_values(["deck_id", "date", "order"], kind="stable")
    events["life"] = events.groupby("deck_id")["life"].ffill()
    events["life_start"] = events["life_start"].where(events["order"] == 0)
    same_life = [events["deck_id"], events["life"]]
    events["life_start"] = events.groupby(same_life)["life_start"].transform("first")
    last_found = events.groupby(same_life)["unsound_share"].ffill()
    limit = last_found.where(events["order"] == 2)
    patched = events["patch"].where(limit.isna(), np.minimum(events["patch"], limit)).fillna(0.0)
    events["repaired_share"] = patched.groupby(same_life).cumsum()
    out = events[events["order"] == 1].rename(columns={"date": "survey_date"})
    out["damage_share"] = (out["original"] + out["repaired_share"]).clip(0.0, 1.0)
    out["life"] = out["life"].astype("int64")
    names = ["deck_id", "survey_date", "life", "life_start", "unsound_share", "repaired_share", "damage_share"]
    return out[names].reset_index(drop=True)

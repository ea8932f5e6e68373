"""Damage ever: how much of a deck's concrete has gone unsound so far, repaired or not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns.among import is_among
from decknet.predict.drawn import drawn_overlaps

__all__ = ["DAYS_PER_YEAR", "PATCHES", "damage_account", "damage_ever", "deck_lives", "never_falling"]

DAYS_PER_YEAR = 365.25
PATCHES = ("patch", "patch and seal")
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
    works = repairs[repairs["treatment"].isin(_NEW_LIFE) & is_among(repairs["deck_id"], decks["deck_id"])]
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


def never_falling(group: NDArray[np.int64], value: NDArray[np.float64]) -> NDArray[np.float64]:
    """The nearest account that never falls: each group's values in order, pooled where they fall.

    Parameters
    ----------
    group : array of int, shape (k,)
        Equal for the values of one account, which stand together in order of date.
    value : array, shape (k,)

    References
    ----------
    published: Barlow, Bartholomew, Bremner and Brunk (1972), Statistical Inference under Order
    Restrictions (pooling of adjacent violators; the order of pooling does not matter).

    Examples
    --------
    >>> never_falling(np.array([0, 0, 0]), np.array([0.05, 0.03, 0.08])).tolist()
    [0.04, 0.04, 0.08]
    """
    block = np.arange(len(value))
    own, total, count = group.copy(), value.astype(np.float64), np.ones(len(value))
    while len(total) > 1:
        mean = total / count
        falls = (own[1:] == own[:-1]) & (mean[1:] < mean[:-1] - 1e-15)
        if not falls.any():
            break
        into = np.cumsum(np.append(True, ~falls)) - 1
        block = into[block]
        own = own[np.append(True, ~falls)]
        total = np.asarray(np.bincount(into, total), dtype=np.float64)
        count = np.asarray(np.bincount(into, count), dtype=np.float64)
    return np.asarray((total / count)[block], dtype=np.float64) if len(value) else value.astype(np.float64)


def _patches_done(
    shares: pd.DataFrame, repairs: pd.DataFrame, decks: pd.DataFrame, defects: pd.DataFrame | None, overbreak: float
) -> tuple[pd.DataFrame, pd.Series]:
    """Every survey, patch and start of a life in order, with what each patch made sound; and what of
    each survey is not original concrete (m2, on survey_id)."""
    deck_at = pd.Index(decks["deck_id"])
    area = (decks["length_m"] * decks["width_m"]).to_numpy(dtype="float64", na_value=np.nan)
    lives = deck_lives(decks, repairs)
    found = shares[shares["unsound_share"].notna()].reset_index(drop=True)
    drawn = found["measured_from"].eq("polygons") if "measured_from" in found else pd.Series(False, index=found.index)
    patches = repairs[repairs["treatment"].isin(PATCHES) & is_among(repairs["deck_id"], deck_at)].reset_index(drop=True)
    limits = patches["shape"].to_numpy(dtype=object)
    sawn_m2 = pd.Series(shapely.area(limits), index=patches.index)
    sawn_m2 = sawn_m2.where(sawn_m2 > 0)
    patch_m2 = patches["area_m2"].fillna(sawn_m2).fillna(0.0).to_numpy(dtype="float64")
    sizes = [len(lives), len(found), len(patches)]
    events = pd.DataFrame(
        {
            "deck": deck_at.get_indexer(pd.concat([lives["deck_id"], found["deck_id"], patches["deck_id"]])),
            "date": pd.concat(
                [
                    lives["start"].where(lives["life"] > 0, pd.Timestamp("1700-01-01")),
                    found["survey_date"],
                    patches["repair_date"],
                ],
                ignore_index=True,
            ),
            "order": np.repeat([0, 1, 2], sizes),
            "row": np.concatenate([np.arange(n) for n in sizes]),
        }
    )
    events["life"] = pd.Series(lives["life"].to_numpy(dtype="float64")).reindex(events.index)
    share = found["unsound_share"].to_numpy(dtype="float64")
    events["unsound_share"] = np.concatenate([np.full(sizes[0], np.nan), share, np.full(sizes[2], np.nan)])
    events = events.sort_values(["deck", "date", "order"], kind="stable", ignore_index=True)
    events["life"] = events.groupby("deck")["life"].ffill().astype("int64")
    same_life = [events["deck"], events["life"]]
    is_patch = (events["order"] == 2).to_numpy()
    before = events["row"].where(events["order"] == 1).groupby(same_life).ffill().fillna(-1).astype("int64")

    row = events["row"].to_numpy()
    patched = np.zeros(len(events))
    patched[is_patch] = patch_m2[row[is_patch]] / overbreak / area[events["deck"].to_numpy()[is_patch]]
    not_original = pd.Series(dtype="float64")
    made_at = np.zeros(0, dtype=np.int64)  # events whose patch is known by its place
    if defects is not None and len(patches) and bool(drawn.any()):
        sketched = drawn.to_numpy(dtype=bool)
        survey_at = pd.Index(found["survey_id"])
        of = survey_at.get_indexer(defects["survey_id"])
        shapes = defects["shape"].to_numpy(dtype=object)
        has_limits = is_patch & np.isin(row, np.flatnonzero(sawn_m2.notna()))
        patched_decks = np.unique(events["deck"].to_numpy()[has_limits])
        at = events.loc[events["order"] == 1, ["row", "deck", "life", "date"]].set_index("row").sort_index()
        deck_of, life_of, date_of = (at[name].to_numpy() for name in ("deck", "life", "date"))
        use = (of >= 0) & (shapely.area(shapes) > 0)
        use[use] = np.isin(deck_of[of[use]], patched_decks)
        of = of[use]
        open_now = before.to_numpy()
        known = has_limits & (open_now >= 0)
        known[known] = sketched[open_now[known]]
        made, again = drawn_overlaps(
            pd.DataFrame(
                {
                    "survey": of, "deck": deck_of[of], "life": life_of[of], "date": date_of[of],
                    "kind": defects["kind"].to_numpy(dtype=object)[use],
                    "shape": shapely.make_valid(shapely.force_2d(shapes[use])),
                }
            ),
            pd.DataFrame(
                {
                    "row": np.flatnonzero(has_limits),
                    "deck": events["deck"].to_numpy()[has_limits],
                    "life": events["life"].to_numpy()[has_limits],
                    "date": events["date"].to_numpy()[has_limits],
                    "before": np.where(known, open_now, -1)[has_limits],
                    "shape": shapely.make_valid(shapely.force_2d(limits[row[has_limits]])),
                }
            ),
        )  # fmt: skip
        made_at = made.index.to_numpy(dtype=np.int64)
        patched[made.index] = made.to_numpy() / area[events["deck"].to_numpy()[made.index]]
        not_original = pd.Series(again.to_numpy(), index=pd.Index(found["survey_id"].to_numpy()[again.index]))
    # Between two surveys, patches make no more sound than the first of them found; and of what they take out without
    # a place the same part is original concrete as of all that was unsound.
    failed_m2 = found["failed_patch_m2"].fillna(0.0).to_numpy(dtype="float64")
    unsound_m2 = found["unsound_m2"].to_numpy(dtype="float64")
    original = 1.0 - np.clip(np.divide(failed_m2, unsound_m2, out=np.zeros(len(found)), where=unsound_m2 > 0), 0.0, 1.0)
    own = before.to_numpy()
    placeless = is_patch & (own >= 0) & ~np.isin(np.arange(len(events)), made_at)
    part = np.ones(len(events))
    part[placeless] = original[own[placeless]]
    limit = events.groupby(same_life)["unsound_share"].ffill().fillna(np.inf).to_numpy()
    between = [events["deck"], events["life"], before]
    upto = np.minimum(pd.Series(patched).groupby([s.to_numpy() for s in between]).cumsum().to_numpy(), limit)
    step = pd.Series(upto).groupby([s.to_numpy() for s in between]).diff()
    events["patched"] = np.where(is_patch, step.fillna(pd.Series(upto)).to_numpy() * part, 0.0)
    events["repaired_share"] = events.groupby(same_life)["patched"].cumsum()
    begun = lives.set_index(["deck_id", "life"])["start"]
    events["life_start"] = begun.reindex(
        pd.MultiIndex.from_arrays([deck_at.to_numpy()[events["deck"]], events["life"]])
    ).to_numpy()
    return events, not_original


def damage_ever(
    shares: pd.DataFrame,
    repairs: pd.DataFrame,
    decks: pd.DataFrame,
    *,
    overbreak: float,
    defects: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Damage ever at each survey.

    Parameters
    ----------
    shares : DataFrame
        As ``measure.survey_shares`` gives: deck_id, survey_date, unsound_share, unsound_m2,
        failed_patch_m2, covered_m2; survey_id and measured_from where polygons are to be used.
    repairs : DataFrame
        Records of repairs.
    decks : DataFrame
        deck_id, length_m, width_m, deck_built_year, built_year.
    overbreak : float
        Area broken out for each m2 unsound, >= 1: a patch of 10 m2 made 10 / overbreak m2 sound.
    defects : DataFrame or None
        Records of defects; without them only totals are used.

    Returns
    -------
    DataFrame, one row a survey with a share, ordered by deck and date
        deck_id, survey_id, survey_date, method, crew, covered_share (where ``shares`` has them); life,
        life_start (date or missing); unsound_share (0 to 1, as found), failed_share (0 to 1, patches
        found unsound again), repaired_share (0 to 1, made sound by patches earlier in this life),
        damage_found (0 to 1: as found, with the scatter of surveys), damage_share (0 to 1: the same
        as an account that never falls within a life).

    Notes
    -----
    damage = unsound as found, less patches found unsound again (their concrete is not original),
    plus what patches made sound before. Where survey and limits are drawn, a patch made sound
    what of the last survey lay inside its limits, and whatever a later survey finds there is not
    original; elsewhere a patch made sound its area over the overbreak, all patches between
    two surveys no more than the first of them found, and of that only the part that was not patched
    before: what is patched again is no new damage. What a survey of part of a deck found stands
    for the whole deck; what was patched is known for the whole deck. An overlay or a new deck
    starts a new life at zero.

    References
    ----------
    derived: bookkeeping of areas.
    """
    return damage_account(shares, repairs, decks, overbreak=overbreak, defects=defects)[0]


def damage_account(
    shares: pd.DataFrame,
    repairs: pd.DataFrame,
    decks: pd.DataFrame,
    *,
    overbreak: float,
    defects: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Damage ever at each survey, and what patches have made sound up to the last record.

    Parameters are as of ``damage_ever``.

    Returns
    -------
    damage : DataFrame
        As ``damage_ever``.
    sound : DataFrame, on deck_id, a row for every deck
        Of its present life: life; repaired_share (0 to 1); patched_since (bool: patched after the
        last survey of that life).
    """
    events, again_m2 = _patches_done(shares, repairs, decks, defects, overbreak)
    at = events[events["order"] == 1]
    found = shares[shares["unsound_share"].notna()].reset_index(drop=True).iloc[at["row"].to_numpy()]
    names = [n for n in ("survey_id", "method", "crew", "covered_share") if n in found]
    out = found[["deck_id", "survey_date", *names]].reset_index(drop=True)
    out["life"] = at["life"].to_numpy()
    out["life_start"] = at["life_start"].to_numpy()
    unsound = found["unsound_share"].to_numpy(dtype="float64")
    covered = found["covered_m2"].to_numpy(dtype="float64", na_value=np.nan)
    again = found["failed_patch_m2"].fillna(0.0).to_numpy(dtype="float64")
    if len(again_m2):
        drawn = again_m2.reindex(found["survey_id"]).to_numpy(dtype="float64")
        again = np.where(np.isfinite(drawn), drawn, again)
    out["unsound_share"] = unsound
    out["failed_share"] = np.minimum(np.divide(again, covered, out=np.zeros(len(out)), where=covered > 0), unsound)
    out["repaired_share"] = np.minimum(at["repaired_share"].to_numpy(), 1.0)
    out["damage_found"] = (out["unsound_share"] - out["failed_share"] + out["repaired_share"]).clip(0.0, 1.0)
    account = out.groupby(["deck_id", "life"], sort=False).ngroup().to_numpy(dtype="int64")
    pooled = never_falling(account, out["damage_found"].to_numpy())
    out["damage_share"] = np.maximum(pooled, out["repaired_share"])
    last = events.groupby("deck").last()
    sound = last[["life", "repaired_share"]].set_axis(pd.Index(decks["deck_id"].to_numpy()[last.index], name="deck_id"))
    sound["repaired_share"] = sound["repaired_share"].clip(0.0, 1.0)
    sound["patched_since"] = (last["order"] == 2).to_numpy()
    return out, sound

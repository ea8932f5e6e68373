"""Each repair followed through later surveys: when it was last seen to hold, and when first seen to have failed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet import digits
from decknet.columns.among import is_among
from decknet.measure import area_once
from decknet.measure.looks import kinds_mask
from decknet.predict.damage import DAYS_PER_YEAR, PATCHES, deck_lives
from decknet.predict.drawn import same_deck_pairs
from decknet.settings import SurvivalSettings

__all__ = ["SEASONS", "followed_repairs", "temperature_classes"]

Flags = NDArray[np.bool_]
_NEARLY = 0.95  # covered share from which a patch is taken as looked at though the place is not known; ours
_LOOKED_AT = 0.5  # part of a patch that a survey's ground must hold for a look at it; ours

SEASONS = ("winter", "spring", "summer", "autumn")


def followed_repairs(
    repairs: pd.DataFrame, shares: pd.DataFrame, defects: pd.DataFrame, decks: pd.DataFrame, settings: SurvivalSettings
) -> tuple[pd.DataFrame, dict[str, int]]:
    """Patches with the interval in which each failed.

    Parameters
    ----------
    repairs, defects, decks : DataFrame
        Records; ``decks`` with built_year.
    shares : DataFrame
        As ``measure.survey_shares`` gives.
    settings : SurvivalSettings

    Returns
    -------
    followed : DataFrame, one row a patch looked at at least once after it was placed
        repair_id, deck_id, repair_date, treatment, material, depth_class, season, temperature, crew,
        area_m2; left_yr, right_yr (failed within (left, right]; right inf where still sound); looks
        (surveys that looked at it); last_yr, unsound_part (age at the last look while it was in place, and the part
        of what was looked at that was unsound then, 0 to 1); followed_by ("polygons" or "deck").
    counts : dict
        patches; followed; by_polygons; by_deck; not_looked_at; ended (followed until other works
        took them out).

    Notes
    -----
    Where limits and a survey are drawn, a patch has failed when at least ``failed_part`` of what was looked at of it is
    found unsound. A survey that looked at less than half of a patch says nothing of it. Else all
    patches of a deck placed on one day are followed together by the survey's stated area of failed
    patches over the area of patches in place; a survey that states none is not a look. A patch is
    followed until an overlay or new deck, or until new limits take out ``redone_part`` of it.
    What overlaps is found by one tree over all decks.
    """
    deck_at = pd.Index(decks["deck_id"])
    patches = repairs[repairs["treatment"].isin(PATCHES) & is_among(repairs["deck_id"], deck_at)]
    patches = patches[patches["repair_date"].notna()].sort_values(["deck_id", "repair_date", "repair_id"])
    patches = patches.reset_index(drop=True)
    found = shares.reset_index(drop=True)
    ends, taken_out = _ends(patches, repairs, decks, settings)
    limits = patches["shape"].to_numpy(dtype=object)
    has_limits = shapely.area(limits) > 0
    area = patches["area_m2"].fillna(pd.Series(shapely.area(limits))).to_numpy(dtype="float64")

    # Every later survey of the patch's deck while it is followed: one join by deck.
    p = pd.DataFrame(
        {"patch": np.arange(len(patches)), "deck_id": patches["deck_id"], "placed": patches["repair_date"], "end": ends}
    )
    s = pd.DataFrame({"survey": np.arange(len(found)), "deck_id": found["deck_id"], "on": found["survey_date"]})
    looks = p.merge(s, on="deck_id")
    looks = looks[(looks["on"] > looks["placed"]) & (looks["on"] < looks["end"])].reset_index(drop=True)
    patch, survey = looks["patch"].to_numpy(np.int64), looks["survey"].to_numpy(np.int64)

    # A method that does not find hollow patches does not look at them.
    hears = (found["sees"].to_numpy(dtype=np.int64) & kinds_mask(frozenset({"failed patch"}))) > 0
    drawn = found["measured_from"].eq("polygons").to_numpy(dtype=bool) & hears
    seen = _looked_part(limits, found, patch, survey)
    by_shape = has_limits[patch] & drawn[survey] & (seen >= _LOOKED_AT)
    unsound = _unsound_part(patches, limits, found, defects, patch, survey, by_shape, deck_at)
    unsound = np.divide(unsound, seen, out=np.zeros(len(seen)), where=by_shape)
    failed = np.where(by_shape, unsound >= settings.failed_part, False)

    # Without polygons: by deck, from the area of failed patches that the survey states.
    stated = found["failed_patch_m2"].to_numpy(dtype="float64", na_value=np.nan)
    whole = found["covered_share"].fillna(1.0).to_numpy(dtype="float64") > _NEARLY
    by_deck = ~(has_limits[patch] & drawn[survey]) & np.isfinite(stated[survey]) & whole[survey]
    in_place = pd.Series(np.where(by_deck, area[patch], 0.0)).groupby(survey).transform("sum").to_numpy()
    part = np.divide(stated[survey], in_place, out=np.zeros(len(survey)), where=in_place > 0)
    failed |= by_deck & (part >= settings.failed_part)

    looked = by_shape | by_deck
    years = ((looks["on"] - looks["placed"]).dt.days / DAYS_PER_YEAR).to_numpy(dtype="float64")
    n = len(patches)
    right = np.full(n, np.inf)
    np.minimum.at(right, patch[looked & failed], years[looked & failed])
    left = np.zeros(n)
    sound = looked & ~failed & (years < right[patch])
    np.maximum.at(left, patch[sound], years[sound])
    count = np.bincount(patch[looked & (years <= right[patch])], minlength=n)
    drawn_looks = np.bincount(patch[by_shape], minlength=n)

    last = pd.Series(np.where(looked, years, -1.0)).groupby(patch).idxmax() if looked.any() else pd.Series(dtype=int)
    age, unsound_part = np.full(n, np.nan), np.full(n, np.nan)
    at = last.to_numpy(dtype=np.int64)
    at = at[looked[at]]
    age[patch[at]] = years[at]
    unsound_part[patch[at]] = np.minimum(np.where(by_shape, unsound, part)[at], 1.0)

    keep = count > 0
    out = patches.loc[
        keep, ["repair_id", "deck_id", "repair_date", "treatment", "material", "depth_class", "crew", "area_m2"]
    ].copy()
    out["season"] = _season(patches, decks)[keep]
    out["temperature"] = _temperature(patches["air_temperature_c"], settings)[keep]
    out["left_yr"], out["right_yr"], out["looks"] = left[keep], right[keep], count[keep]
    out["last_yr"], out["unsound_part"] = age[keep], unsound_part[keep]
    out["followed_by"] = np.where(drawn_looks[keep] > 0, "polygons", "deck")
    counts = {
        "patches": n, "followed": int(keep.sum()), "by_polygons": int((drawn_looks[keep] > 0).sum()),
        "by_deck": int((drawn_looks[keep] == 0).sum()), "not_looked_at": int((~keep).sum()),
        "ended": int((taken_out & keep & ~np.isfinite(right)).sum()),
    }  # fmt: skip
    return out.reset_index(drop=True), counts


def _ends(
    patches: pd.DataFrame, repairs: pd.DataFrame, decks: pd.DataFrame, settings: SurvivalSettings
) -> tuple[pd.Series, Flags]:
    """Day until which each patch is followed, and whether works ended it."""
    never = pd.Timestamp("2261-01-01")
    lives = deck_lives(decks, repairs)
    anew = lives[lives["life"] > 0].dropna(subset=["start"])[["deck_id", "start"]].sort_values("start")
    order = patches[["deck_id", "repair_date"]].assign(row=np.arange(len(patches))).sort_values("repair_date")
    after = pd.merge_asof(
        order, anew, left_on="repair_date", right_on="start", by="deck_id", direction="forward",
        allow_exact_matches=False,
    )  # fmt: skip
    end = pd.Series(never, index=range(len(patches)), dtype="datetime64[us]")
    end.iloc[after["row"].to_numpy()] = after["start"].fillna(never).to_numpy()
    limits = patches["shape"].to_numpy(dtype=object)
    drawn = np.flatnonzero(shapely.area(limits) > 0)
    if len(drawn):
        code, _ = pd.factorize(patches["deck_id"])
        shape, deck = shapely.make_valid(shapely.force_2d(limits[drawn])), code[drawn].astype(np.int64)
        old, new = same_deck_pairs(deck, shape, deck, shape)
        date = patches["repair_date"].to_numpy()[drawn]
        later = date[new] > date[old]
        old, new = old[later], new[later]
        part = shapely.area(shapely.intersection(shape[old], shape[new])) / shapely.area(shape[old])
        redone = part >= settings.redone_part
        first = pd.Series(date[new[redone]]).groupby(drawn[old[redone]]).min()
        end.loc[first.index] = np.minimum(end.loc[first.index].to_numpy(), first.to_numpy())
    return end, (end < never).to_numpy()


def _looked_part(
    limits: NDArray[np.object_], found: pd.DataFrame, patch: NDArray[np.int64], survey: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Part of each patch on the ground that each survey looked at; 0 where that ground is not known."""
    region = found["region"].to_numpy(dtype=object)[survey]
    covered = found["covered_share"].fillna(0.0).to_numpy(dtype="float64")[survey]
    whole = np.isin(found["extent"].to_numpy(dtype=object)[survey], ("whole", "assumed"))
    part = np.where(whole | (covered > _NEARLY), 1.0, 0.0)
    placed = np.flatnonzero(~shapely.is_missing(region) & (shapely.area(limits[patch]) > 0))
    if len(placed):
        mine = shapely.make_valid(shapely.force_2d(limits[patch[placed]]))
        part[placed] = shapely.area(shapely.intersection(mine, region[placed])) / shapely.area(mine)
    return part


def _unsound_part(
    patches: pd.DataFrame, limits: NDArray[np.object_], found: pd.DataFrame, defects: pd.DataFrame,
    patch: NDArray[np.int64], survey: NDArray[np.int64], use: Flags, deck_at: pd.Index,
) -> NDArray[np.float64]:  # fmt: skip
    """Part of each patch that each survey found unsound; 0 where not asked for."""
    part = np.zeros(len(patch))
    if not use.any():
        return part
    of = pd.Index(found["survey_id"]).get_indexer(defects["survey_id"])
    wanted = np.unique(survey[use])
    shapes = defects["shape"].to_numpy(dtype=object)
    mine = np.isin(of, wanted) & (shapely.area(shapes) > 0)
    of, shape = of[mine], shapely.make_valid(shapely.force_2d(shapes[mine]))
    chosen = np.unique(patch[use])
    limit = shapely.make_valid(shapely.force_2d(limits[chosen]))
    where = deck_at.get_indexer(found["deck_id"]).astype(np.int64)
    left, right = same_deck_pairs(
        where[of], shape, deck_at.get_indexer(patches["deck_id"]).astype(np.int64)[chosen], limit
    )
    asked = pd.MultiIndex.from_arrays([patch[use], survey[use]])
    at = asked.get_indexer(pd.MultiIndex.from_arrays([chosen[right], of[left]]))
    left, right, at = left[at >= 0], right[at >= 0], at[at >= 0]
    piece = shapely.intersection(shape[left], limit[right])
    solid = shapely.area(piece) > 0
    covered = area_once(at[solid], _polygons(piece[solid]))
    whole = shapely.area(limits[patch[use]])
    got = np.zeros(len(asked))
    got[covered.index] = covered.to_numpy()
    part[use] = got / whole
    return part


def _polygons(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    out = shapes.copy()
    mixed = shapely.get_type_id(out) == 7
    if mixed.any():
        out[mixed] = [shapely.union_all([g for g in s.geoms if g.area > 0]) for s in out[mixed]]
    return out


def _season(patches: pd.DataFrame, decks: pd.DataFrame) -> NDArray[np.object_]:
    """Season of placing, by the side of the equator the deck lies on; north where not known."""
    latitude = decks.set_index("deck_id").get("latitude_deg", pd.Series(dtype="float64"))
    south = (latitude.reindex(patches["deck_id"]).fillna(0.0) < 0).to_numpy()
    month = patches["repair_date"].dt.month.to_numpy(dtype=np.int64)
    turn = np.where(south, (month % 12 // 3 + 2) % 4, month % 12 // 3)
    return np.asarray(np.array(SEASONS, dtype=object)[turn], dtype=object)


def _bounds(settings: SurvivalSettings) -> tuple[float, float, float]:
    cold = settings.cold_c
    return cold, (cold + 15.0) / 2 if cold < 15 else cold, settings.hot_c


def temperature_classes(settings: SurvivalSettings) -> list[str]:
    """Names of the classes of air temperature, from cold to hot."""
    low, mid, high = (digits.given(c) for c in _bounds(settings))
    return [f"under {low} °C", f"{low} to {mid} °C", f"{mid} to {high} °C", f"{high} °C and over"]


def _temperature(air_c: pd.Series, settings: SurvivalSettings) -> NDArray[np.object_]:
    """Class of the air temperature at placing."""
    air = air_c.to_numpy(dtype="float64", na_value=np.nan)
    names, (cold, middle, hot) = temperature_classes(settings), _bounds(settings)
    out = np.array(names, dtype=object)[np.searchsorted([cold, middle, hot], np.nan_to_num(air), side="right")]
    return np.where(np.isfinite(air), out, "not known").astype(object)

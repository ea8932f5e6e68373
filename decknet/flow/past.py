"""Use case: what was found and done so far, as the workbook and the GIS file print it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet.flow.ground import Ground
from decknet.keep import Store
from decknet.measure import survey_shares
from decknet.predict import SEASONS, compare, followed_repairs, temperature_classes
from decknet.settings import Settings

__all__ = ["Past", "read_past"]

# Column that repairs are compared by, and what it is called.
_GROUPS = {
    "material": "material",
    "depth_class": "depth",
    "season": "season placed",
    "temperature": "air when placed",
    "crew": "crew",
}


@dataclass(frozen=True, slots=True)
class Past:
    """What was found and done so far.

    Attributes
    ----------
    surveys : DataFrame
        As ``measure.survey_shares`` gives, with remarks.
    repairs : DataFrame
        Records; beside them left_yr (last seen sound), right_yr (first seen failed; missing where never),
        looks and followed_by where later surveys looked at them.
    survival : DataFrame
        As ``predict.compare`` gives, by each way of grouping, with ``grouped_by``; empty where no
        patch was looked at again.
    bridges, repaired, limits : GeoDataFrame, EPSG:4326
        Bridges; repairs at their drawn limits, else (``drawn`` false) at their deck's outline; repair
        limits of the programme. Without a shape where the deck has no position.
    """

    surveys: pd.DataFrame
    repairs: pd.DataFrame
    survival: pd.DataFrame
    bridges: gpd.GeoDataFrame
    repaired: gpd.GeoDataFrame
    limits: gpd.GeoDataFrame


def read_past(path: Path, *, settings: Settings, limits: pd.DataFrame | None = None) -> Past:
    """Surveys, repairs and how they held, and all of it on the ground.

    Parameters
    ----------
    path : Path
        The store; it is only read.
    settings : Settings
    limits : DataFrame, optional
        Repair limits as ``flow.works.limits_of`` gives, to be laid on the ground.
    """
    with Store.open(path) as store:
        records = {kind: store.current(kind) for kind in ("bridge", "deck", "survey", "defect", "repair")}
    ground = Ground(records)
    decks = records["deck"].merge(records["bridge"], on="bridge_id", how="left", suffixes=("", "_bridge"))
    decks["latitude_deg"] = decks["latitude_deg"].fillna(decks["latitude_deg_bridge"])
    shares = survey_shares(records["survey"], records["defect"], decks)
    surveys = shares.merge(records["survey"][["survey_id", "remarks"]], on="survey_id", how="left")
    followed, _ = followed_repairs(
        records["repair"], records["survey"], shares, records["defect"], decks, settings.survival
    )
    fate = followed[["repair_id", "left_yr", "right_yr", "looks", "followed_by"]].copy()
    fate["left_yr"] = fate["left_yr"].where(fate["left_yr"] > 0)
    fate["right_yr"] = fate["right_yr"].where(np.isfinite(fate["right_yr"]))
    repairs = records["repair"].merge(fate, on="repair_id", how="left").astype({"looks": "Int64"})

    repaired = ground.drawn(repairs)
    drawn = repaired.geometry.notna()
    shapes = np.where(drawn, repaired.geometry.to_numpy(), ground.outlines_of(repaired["deck_id"]))
    repaired = repaired.assign(drawn=drawn.to_numpy()).set_geometry(gpd.GeoSeries(shapes, crs=repaired.crs))
    laid = pd.DataFrame({"deck_id": pd.Series(dtype="str"), "shape": pd.Series(dtype="object")})
    if limits is not None and "shape" in limits.columns:
        laid = limits
    return Past(
        surveys, repairs.drop(columns="shape"), _survival(followed, settings), ground.bridges(), repaired,
        ground.drawn(laid),
    )  # fmt: skip


def _survival(followed: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """How long patches hold, all together and by each way of grouping."""
    if followed.empty:
        return compare(followed.iloc[:0], None, settings.survival).iloc[:0].assign(grouped_by=pd.Series(dtype="str"))
    parts = [compare(followed, None, settings.survival).assign(grouped_by="all patches")]
    for column, called in _GROUPS.items():
        by_group = compare(followed, column, settings.survival).assign(grouped_by=called)
        order = {"season": list(SEASONS), "temperature": temperature_classes(settings.survival)}.get(column, [])
        place = {name: at for at, name in enumerate(order)}
        by_group["place"] = by_group["group"].map(place).fillna(len(order))
        by_group = by_group.sort_values(["place", "repairs"], ascending=[True, False], kind="stable")
        by_group = by_group.drop(columns="place")
        parts += [by_group] if len(by_group) > 1 else []
    return pd.concat(parts, ignore_index=True)

"""What was found and done so far, as the workbook and the GIS file print it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet.flow.ground import Ground
from decknet.predict import SEASONS, compare, temperature_classes
from decknet.settings import Settings

if TYPE_CHECKING:
    from decknet.flow.condition import Condition

__all__ = ["Past", "past_of"]

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


def past_of(condition: Condition, limits: pd.DataFrame | None = None) -> Past:
    """Surveys, repairs and how they held, and all of it on the ground.

    Parameters
    ----------
    condition : Condition
    limits : DataFrame, optional
        Repair limits as ``Condition.limits`` gives, to be laid on the ground.
    """
    records, settings = condition.records, condition.settings
    ground = Ground(records.frames, decks=condition.decks, placing=condition.placing)
    surveys = condition.surveys.merge(records["survey"][["survey_id", "remarks"]], on="survey_id", how="left")
    followed, _ = condition.patches
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

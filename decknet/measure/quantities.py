"""What repair limits take: concrete, form, bars, cover, hours."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from decknet.measure.mix import sacks
from decknet.settings import LimitSettings, MixSettings, QuantitySettings

__all__ = ["bar_clearance_mm", "bars_to_replace", "deck_quantities", "limit_quantities", "order_m3"]

Floats = NDArray[np.float64]

_SUMMED = (
    "area_m2",
    "unsound_m2",
    "saw_cut_m",
    "volume_m3",
    "order_m3",
    "form_m2",
    "frame_m",
    "bar_m",
    "cover_sheet_m2",
    "crew_h",
)


def order_m3(volume_m3: ArrayLike, settings: QuantitySettings) -> Floats:
    """Concrete to order for one job.

    Parameters
    ----------
    volume_m3 : array, m3
    settings : QuantitySettings
        waste up to waste_limit_m3, waste_large above.

    Returns
    -------
    array, m3
        ``volume x (1 + waste)``.

    References
    ----------
    published: US Navy, Engineering Aid Basic, NAVEDTRA 14071, p. 17-10: 10 % up to 200 cubic yards, 5 % above.

    Examples
    --------
    >>> order_m3([10.0, 200.0], QuantitySettings()).tolist()
    [11.0, 210.0]
    """
    volume = np.asarray(volume_m3, dtype=np.float64)
    ordered: Floats = volume * (1 + _waste(volume, settings))
    return ordered


def _waste(volume_m3: Floats, settings: QuantitySettings) -> Floats:
    return np.where(volume_m3 <= settings.waste_limit_m3, settings.waste, settings.waste_large)


def limit_quantities(limits: pd.DataFrame, decks: pd.DataFrame, settings: QuantitySettings) -> pd.DataFrame:
    """Quantities of each limit.

    Parameters
    ----------
    limits : DataFrame
        As from ``repair_limits``.
    decks : DataFrame
        deck_id, cover_mm (mm; where missing, bars are taken to be reached).
    settings : QuantitySettings

    Returns
    -------
    DataFrame, ``limits`` and
        volume_m3 (m3) = area x depth;
        order_m3 (m3) = volume x (1 + waste), the waste being that of the whole deck's volume;
        form_m2 (m2, full depth) = (length + 2 laps) x (width + 2 laps), below;
        frame_m (m, full depth) = bearers above, one at each end and spaced between along the longer
        side, each the shorter side + 2 rests long;
        bar_m (m, bars to clean) = area x 2 / spacing for each mat laid bare: the top one where the
        depth passes the cover, both at full depth;
        cover_sheet_m2 (m2) = (length + 2 laps) x (width + 2 laps), above;
        crew_h (h) = area x hours per m2 of its depth class + saw cut x hours per m + hours a limit.

    References
    ----------
    derived: sums of lengths and areas. Rates and laps: the settings say where each comes from.
    """
    out = limits.copy()
    area = limits["area_m2"].to_numpy(dtype=np.float64)
    long = limits["length_m"].to_numpy(dtype=np.float64)
    wide = limits["width_m"].to_numpy(dtype=np.float64)
    depth = limits["depth_mm"].to_numpy(dtype=np.float64)
    full = (limits["depth_class"] == "full").to_numpy()
    cover = limits["deck_id"].map(decks.set_index("deck_id")["cover_mm"]).to_numpy(dtype=np.float64, na_value=np.nan)
    volume = area * depth / 1000
    whole = pd.Series(volume).groupby(limits["deck_id"].to_numpy()).transform("sum").to_numpy(dtype=np.float64)
    out["volume_m3"] = volume
    out["order_m3"] = volume * (1 + _waste(whole, settings))
    lap = 2 * settings.form_lap_mm / 1000
    out["form_m2"] = np.where(full, (long + lap) * (wide + lap), 0.0)
    longer, shorter = np.maximum(long, wide), np.minimum(long, wide)
    spaces = np.ceil(np.round(longer / (settings.bearer_spacing_mm / 1000), 9))
    out["frame_m"] = np.where(full, (spaces + 1) * (shorter + 2 * settings.bearer_rest_mm / 1000), 0.0)
    mats = np.where(full, 2.0, np.where(depth <= cover, 0.0, 1.0))
    out["bar_m"] = area * mats * 2 / (settings.bar_spacing_mm / 1000)
    lap = 2 * settings.cover_lap_mm / 1000
    out["cover_sheet_m2"] = (long + lap) * (wide + lap)
    per_m2 = np.where(full, settings.full_h_per_m2, settings.partial_h_per_m2)
    saw = limits["saw_cut_m"].to_numpy(dtype=np.float64)
    out["crew_h"] = area * per_m2 + saw * settings.saw_h_per_m + settings.patch_h
    return out


def deck_quantities(
    quantities: pd.DataFrame, settings: QuantitySettings, mix: MixSettings | None = None
) -> pd.DataFrame:
    """Quantities of each deck: sums over its limits.

    Parameters
    ----------
    quantities : DataFrame
        As from ``limit_quantities``.
    settings : QuantitySettings
    mix : MixSettings or None
        Proportions of the patching concrete; None gives the defaults.

    Returns
    -------
    DataFrame, one row a deck, ordered by deck
        deck_id; patches (limits); partial_m2, full_m2 (m2); area_m2, unsound_m2 (m2), saw_cut_m (m), volume_m3,
        order_m3 (m3), form_m2 (m2), frame_m, bar_m (m), cover_sheet_m2 (m2), crew_h (h): sums;
        set_ups = traffic-control set-ups = crew hours / hours in one closure, rounded up;
        cement_kg, sand_kg, stone_kg, water_kg (kg) = concrete to order x kg in a cubic metre;
        cement_sacks = cement / sack, rounded up.

    References
    ----------
    derived: sums. published: sacks are rounded up (US Army, EN5466A).
    """
    mix = mix or MixSettings()
    full = quantities["depth_class"] == "full"
    given = quantities[["deck_id", *_SUMMED]].assign(
        patches=1,
        partial_m2=quantities["area_m2"].where(~full, 0.0),
        full_m2=quantities["area_m2"].where(full, 0.0),
    )
    out = given.groupby("deck_id", sort=True, as_index=False).sum()
    out["patches"] = out["patches"].astype("Int64")
    out["set_ups"] = np.ceil(np.round(out["crew_h"] / settings.closure_h, 9)).astype("Int64")
    for name in ("cement", "sand", "stone", "water"):
        out[f"{name}_kg"] = out["order_m3"] * float(getattr(mix, f"{name}_kg_m3"))
    out["cement_sacks"] = pd.array([sacks(c, mix.sack_kg) for c in out["cement_kg"]], dtype="Int64")
    first = ["deck_id", "patches", "set_ups", "area_m2", "partial_m2", "full_m2"]
    return out[first + [c for c in out.columns if c not in first]]


def bar_clearance_mm(settings: LimitSettings) -> float:
    """Clearance round a bar that damage has reached: as set, and room for the largest aggregate.

    Returns
    -------
    float, mm

    References
    ----------
    published: Unified Facilities Guide Specifications 03931, 3.3.1.4: the greater of 25 mm and the largest
    aggregate plus 6 mm. practice: 20 mm.

    Examples
    --------
    >>> bar_clearance_mm(LimitSettings(clear_mm=25, aggregate_mm=25))
    31.0
    """
    return max(settings.clear_mm, settings.aggregate_mm + settings.clear_over_aggregate_mm)


def bars_to_replace(loss: ArrayLike, settings: QuantitySettings) -> NDArray[np.bool_]:
    """Which bars of a row to put before the engineer for replacement.

    Parameters
    ----------
    loss : array, shape (n,), 0 to 1
        Section lost by each bar, in the order in which they lie. ``1 - (d / d0)^2`` by diameter.
    settings : QuantitySettings

    Returns
    -------
    array of bool, shape (n,)
        Lost more than bar_loss; or more than bar_loss_beside, and so has a bar next to it.

    References
    ----------
    published: Unified Facilities Guide Specifications 03931, 3.3.1.4 (bracketed defaults: 25 % and 20 %).

    Examples
    --------
    >>> bars_to_replace([0.24, 0.10, 0.26], QuantitySettings()).tolist()
    [False, False, True]
    """
    lost = np.asarray(loss, dtype=np.float64)
    some = lost > settings.bar_loss_beside
    beside = np.zeros_like(some)
    beside[1:] |= some[:-1]
    beside[:-1] |= some[1:]
    replaced: NDArray[np.bool_] = (lost > settings.bar_loss) | (some & beside)
    return replaced

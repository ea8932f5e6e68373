"""One invented deck with defects, limits and earlier patches, as the plan, the sheet and the field page take them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from decknet.show import DeckSheet, Shade

KINDS = ("delamination", "spall", "hole", "exposed bar", "failed patch")


def deck(**more: Any) -> dict[str, Any]:
    """A deck of 24 m by 9 m, stations running due east."""
    given = {
        "deck_id": "0071-2", "bridge_id": "0071", "name": "Otter Weir", "route": "R 14", "place": "Low Quay",
        "length_m": 24.0, "width_m": 9.0, "outline": None, "joints_m": "12.0", "lanes": 2, "bearing_deg": 90.0,
        "slab_mm": 200.0, "cover_mm": 50.0, "bar_kind": "epoxy", "surface_kind": "bare", "aadt": 4100.0,
        "truck_share": 0.11, "speed_kmh": 80.0, "detour_km": 6.0, "posted": False, "longitude_deg": -135.1,
        "latitude_deg": -45.2,
    }  # fmt: skip
    return {**given, **more}


def defects(count: int = 5, apart_m: float = 4.0) -> pd.DataFrame:
    """Areas of each kind in turn, left and right of the centreline."""
    shapes = [
        shapely.Polygon(
            [(a := 1 + i * apart_m, b := -3.5 + 4.0 * (i % 2)), (a + 1.2, b + 0.2), (a + 0.9, b + 1), (a, b + 0.8)]
        )
        for i in range(count)
    ]
    return pd.DataFrame(
        {
            "defect_id": [str(i + 1) for i in range(count)],
            "kind": [KINDS[i % len(KINDS)] for i in range(count)],
            "depth_mm": [60.0] * count,
            "shape": pd.Series(shapes, dtype="object"),
        }
    )


def shade() -> Shade:
    """Two bands round the first area, one with a hole, and one beside the joint."""
    core = shapely.box(1.0, -3.5, 2.2, -2.5)
    near, far = shapely.buffer(core, 0.25), shapely.buffer(core, 0.75)
    bands = pd.DataFrame(
        {
            "band": [1, 2, 3], "times": [14.2, 4.1, 1.93],
            "shape": [near - core, far - near, shapely.box(11.5, -4.5, 12.5, 4.5)],
        }
    )  # fmt: skip
    return Shade(bands, "product", 0.578, 186)


def limits(found: pd.DataFrame) -> pd.DataFrame:
    """A rectangle 0.1 m beyond each area, every fifth full depth, with invented quantities."""
    rows = []
    for i, shape in enumerate(found["shape"]):
        a, b, c, d = (round(v, 2) for v in shapely.bounds(shape))
        a, b, c, d = round(a - 0.1, 2), round(b - 0.1, 2), round(c + 0.1, 2), round(d + 0.1, 2)
        long, wide = round(c - a, 2), round(d - b, 2)
        rows.append(
            {
                "deck_id": "0071-2", "number": i + 1, "from_station_m": a, "to_station_m": c, "from_offset_m": b,
                "to_offset_m": d, "length_m": long, "width_m": wide, "area_m2": long * wide,
                "saw_cut_m": 2 * (long + wide), "depth_class": "full" if i % 5 == 2 else "partial",
                "depth_mm": 200.0 if i % 5 == 2 else 81.0, "volume_m3": long * wide * 0.081,
                "order_m3": long * wide * 0.0891, "form_m2": 1.5, "bar_m": 9.0, "cover_sheet_m2": 3.0, "crew_h": 1.75,
                "shape": shapely.box(a, b, c, d),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def repairs() -> pd.DataFrame:
    """Two earlier patches."""
    return pd.DataFrame(
        {
            "repair_date": pd.to_datetime(["2019-05-03", "2021-06-11"]),
            "fate": ["unsound again", "not found unsound since"],
            "shape": pd.Series([shapely.box(1, -4, 4, -2), shapely.box(15, 1, 18, 3)], dtype="object"),
        }
    )


def hazards() -> pd.DataFrame:
    """A hole at a known place, and one to confirm whose place is not on record."""
    return pd.DataFrame(
        {
            "hazard_id": ["s1/1", "s2/hole"], "state": ["open", "to confirm"],
            "what": ["0.4 m² of open full-depth hole", "0.3 m² of open full-depth hole"],
            "station_m": [12.3, np.nan], "offset_m": [-2.25, np.nan], "doubts": ["", "patch of 2026-05-01 (r7)"],
            "due": pd.to_datetime(["2026-08-20", "2026-04-02"]), "settles": ["cover or close it", "look at it"],
        }
    )  # fmt: skip


def no_repairs() -> pd.DataFrame:
    return repairs().iloc[:0]


def sheet(count: int = 5, apart_m: float = 4.0, **more: Any) -> DeckSheet:
    """What a sheet is made from."""
    found = defects(count, apart_m)
    chosen = limits(found)
    totals = {
        "deck_id": "0071-2", "patches": count, "area_m2": chosen["area_m2"].sum(),
        "saw_cut_m": chosen["saw_cut_m"].sum(),
        "volume_m3": chosen["volume_m3"].sum(), "order_m3": chosen["order_m3"].sum(), "form_m2": 1.5, "bar_m": 45.0,
        "cover_sheet_m2": 15.0, "crew_h": 1.75 * count, "set_ups": 2, "cement_kg": 301.0,
        "cement_sacks": 8, "frame_m": 7.5, "sand_kg": 402.0,
        "stone_kg": 703.0, "water_kg": 124.0,
    }  # fmt: skip
    survey = {
        "survey_date": pd.Timestamp("2026-08-19"),
        "method": "sounding",
        "crew": "Quay gang",
        "looked": "50 % of the deck looked at, the rest last in 2019",
    }
    return DeckSheet(deck(**more), survey, found, chosen, repairs(), totals, hazards(), ("Look under the third span.",))

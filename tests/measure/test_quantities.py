"""What limits take: by hand, and by published worked examples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.measure import (
    bar_clearance_mm,
    bars_to_replace,
    deck_quantities,
    limit_quantities,
    order_m3,
    plain_costs,
    repair_limits,
    sacks,
)
from decknet.settings import LimitSettings, MixSettings, QuantitySettings
from tests.frames import records

NAVY = "US Navy, Engineering Aid Basic, NAVEDTRA 14071, p. 17-10"
UFGS = "Unified Facilities Guide Specifications 03931, 3.3.1.4"
RATES = QuantitySettings()
YD3 = 0.764554857984


def decks_of(cover_mm=50.0):
    return records(
        "deck", deck_id=["d"], bridge_id=["b"], length_m=[40.0], width_m=[10.0], slab_mm=[200.0], cover_mm=[cover_mm]
    )


def limits_of(shapes, kinds, settings, depth_mm=np.nan, cover_mm=50.0):
    found = pd.DataFrame(
        {"deck_id": "d", "kind": kinds, "depth_mm": depth_mm, "shape": pd.Series(shapes, dtype=object)}
    )
    return repair_limits(found, decks_of(cover_mm), settings)


@pytest.mark.basis("derived", "1.35 x 0.95 x 0.075 m and 10 % more, by hand; waste of " + NAVY)
def test_volume_and_order_of_the_worked_rectangle():
    settings = LimitSettings(margin_mm=75.0, step_mm=25.0)
    limits = limits_of([shapely.box(5, 1, 6.2, 1.8)], ["spall"], settings, depth_mm=75.0, cover_mm=90.0)
    got = limit_quantities(limits, decks_of(90.0), RATES).iloc[0]
    assert got["area_m2"] == pytest.approx(1.2825, abs=1e-12)
    assert got["saw_cut_m"] == pytest.approx(4.60, abs=1e-12)
    assert got["volume_m3"] == pytest.approx(0.0962, abs=5e-5)
    assert got["order_m3"] == pytest.approx(0.1058, abs=5e-5)
    assert got["bar_m"] == 0.0  # 75 mm deep under 90 mm of cover
    assert got["form_m2"] == got["frame_m"] == 0.0


@pytest.mark.basis("published", NAVY + ": 10 % up to 200 cubic yards, 5 % above; 63.7 yd3 and 10 % make 70.07")
def test_order_adds_the_published_waste():
    assert float(order_m3(63.7 * YD3, RATES)) / YD3 == pytest.approx(70.07, abs=0.005)
    assert float(order_m3(199 * YD3, RATES)) == pytest.approx(199 * YD3 * 1.10)
    assert float(order_m3(201 * YD3, RATES)) == pytest.approx(201 * YD3 * 1.05)


@pytest.mark.basis("published", NAVY + ": 70.07 yd3 at 6.49 sacks make 455 sacks")
def test_sacks_are_rounded_up():
    assert sacks(70.07 * 6.49, 1.0) == 455
    assert sacks(42.6 * 3, 42.6) == 3


@pytest.mark.basis("derived", "form, frame, bars, cover and hours by hand from the settings")
def test_full_depth_limit_by_hand():
    limits = limits_of([shapely.box(5, 1, 6.08, 1.78)], ["hole"], LimitSettings())  # 1.20 x 0.90 m after rounding
    got = limit_quantities(limits, decks_of(), RATES).iloc[0]
    assert (got["length_m"], got["width_m"]) == (pytest.approx(1.25), pytest.approx(0.95))
    area = 1.25 * 0.95
    assert got["volume_m3"] == pytest.approx(area * 0.2)
    assert got["form_m2"] == pytest.approx(1.40 * 1.10)  # 75 mm past each side
    assert got["frame_m"] == pytest.approx(4 * (0.95 + 0.6))  # bearers at 0, 0.6, 1.2 and the end
    assert got["bar_m"] == pytest.approx(area * 2 * 2 / 0.15)  # two mats, two ways
    assert got["cover_sheet_m2"] == pytest.approx(1.85 * 1.55)
    assert got["crew_h"] == pytest.approx(area * 1.6 + 4.4 * 0.033 + 0.1)


def test_deck_totals_are_the_sums_of_its_limits():
    shapes = [shapely.box(2, 1, 3, 2), shapely.box(10, -3, 11.5, -2), shapely.box(20, 0, 20.4, 0.4)]
    limits = limits_of(shapes, ["delamination", "spall", "hole"], LimitSettings())
    each = limit_quantities(limits, decks_of(), RATES)
    mix = MixSettings()
    got = deck_quantities(each, RATES, mix).iloc[0]
    for name in ("area_m2", "saw_cut_m", "volume_m3", "order_m3", "form_m2", "bar_m", "cover_sheet_m2", "crew_h"):
        assert got[name] == pytest.approx(each[name].sum(), abs=1e-9)
    assert got["patches"] == len(each) == 3
    assert got["partial_m2"] + got["full_m2"] == pytest.approx(got["area_m2"])
    assert got["full_m2"] == pytest.approx(each.loc[each["depth_class"] == "full", "area_m2"].sum())
    assert got["order_m3"] == pytest.approx(float(order_m3(got["volume_m3"], RATES)))
    assert got["cement_kg"] == pytest.approx(got["order_m3"] * mix.cement_kg_m3)
    assert got["water_kg"] / got["cement_kg"] == pytest.approx(0.40)
    assert got["set_ups"] == int(np.ceil(got["crew_h"] / RATES.closure_h))
    assert got["cement_sacks"] == int(np.ceil(got["cement_kg"] / mix.sack_kg))


def test_no_limits_give_no_deck_and_every_column():
    limits = limits_of([], [], LimitSettings())
    each = limit_quantities(limits, decks_of(), RATES)
    assert len(deck_quantities(each, RATES)) == 0
    assert "crew_h" in each


@pytest.mark.basis("published", UFGS + ": over 25 %, or over 20 % on bars side by side")
@pytest.mark.parametrize(
    ("loss", "replaced"),
    [
        ([0.24], [False]),
        ([0.26], [True]),
        ([0.21, 0.21], [True, True]),
        ([0.21, 0.05, 0.21], [False, False, False]),
        ([0.25, 0.20], [False, False]),
    ],
)
def test_bars_to_replace(loss, replaced):
    assert bars_to_replace(loss, RATES).tolist() == replaced


@pytest.mark.basis("published", UFGS + ": the greater of 25 mm and the largest aggregate plus 6 mm")
@pytest.mark.parametrize(("aggregate_mm", "clear_mm"), [(12.5, 25.0), (25.0, 31.0)])
def test_clearance_leaves_room_for_the_aggregate(aggregate_mm, clear_mm):
    assert bar_clearance_mm(LimitSettings(clear_mm=25.0, aggregate_mm=aggregate_mm)) == clear_mm


@pytest.mark.basis("derived", "two limits of 1.2 x 1.2 m 4 m apart against one of 6.2 x 1.2 m; prices by hand")
def test_plain_costs_by_hand():
    shapes = [shapely.box(5, 0, 6, 1), shapely.box(10, 0, 11, 1)]
    settings = LimitSettings(step_mm=20.0)
    found = pd.DataFrame(
        {"deck_id": "d", "kind": "spall", "depth_mm": np.nan, "shape": pd.Series(shapes, dtype=object)}
    )
    got = plain_costs(found, decks_of(), settings).iloc[0]
    side = 1.12
    assert got["merged"] == pytest.approx(2 * (side**2 * 600 + 4 * side * 15 + 120))
    assert got["one"] == pytest.approx((5 + side) * side * 600 + 2 * (5 + 2 * side) * 15 + 120)

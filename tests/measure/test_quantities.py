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


def rectangles(**more):
    """Three limits on two decks, as repair limits give them: 3.0 x 1.2 m full depth, and two partial."""
    return pd.DataFrame(
        {
            "deck_id": ["e", "d", "d"],
            "length_m": [3.0, 1.0, 0.8],
            "width_m": [1.2, 0.5, 2.4],
            "area_m2": [3.6, 0.5, 1.9],
            "unsound_m2": [2.0, 0.2, 1.0],
            "saw_cut_m": [8.4, 3.0, 6.0],
            "depth_mm": [200.0, 50.0, 86.0],
            "depth_class": ["full", "partial", "partial"],
            **more,
        }
    )


def two_decks(cover_mm=(50.0, 60.0)):
    return records("deck", deck_id=["d", "e"], bridge_id=["b", "b"], cover_mm=list(cover_mm))


@pytest.mark.basis("derived", "areas, laps, bearers, bars and hours by hand from the settings")
def test_every_quantity_of_each_limit_by_hand():
    rates = QuantitySettings(
        form_lap_mm=100.0, bearer_spacing_mm=500.0, bearer_rest_mm=250.0, bar_spacing_mm=200.0, cover_lap_mm=400.0,
        partial_h_per_m2=2.0, full_h_per_m2=3.0, saw_h_per_m=0.5, patch_h=0.25,
    )  # fmt: skip
    got = limit_quantities(rectangles(), two_decks(), rates)
    assert got["volume_m3"].tolist() == pytest.approx([0.72, 0.025, 0.1634])
    assert got["order_m3"].tolist() == pytest.approx([0.792, 0.0275, 0.17974])
    assert got["form_m2"].tolist() == pytest.approx([3.2 * 1.4, 0.0, 0.0])
    assert got["frame_m"].tolist() == pytest.approx([7 * 1.7, 0.0, 0.0])  # at 0, 0.5 ... 3.0 m; 0.25 m on each side
    # one metre of bar each way in 0.2 m: 10 m/m2 a mat; two mats, none at the cover itself, one past it
    assert got["bar_m"].tolist() == pytest.approx([3.6 * 20, 0.0, 1.9 * 10])
    assert got["cover_sheet_m2"].tolist() == pytest.approx([3.8 * 2.0, 1.8 * 1.3, 1.6 * 3.2])
    assert got["crew_h"].tolist() == pytest.approx([10.8 + 4.2 + 0.25, 1.0 + 1.5 + 0.25, 3.8 + 3.0 + 0.25])
    turned = limit_quantities(rectangles(length_m=[1.2, 1.0, 0.8], width_m=[3.0, 0.5, 2.4]), two_decks(), rates)
    assert turned["frame_m"].tolist() == pytest.approx([7 * 1.7, 0.0, 0.0])  # along the longer side, whichever it is


def test_where_cover_is_not_known_bars_are_taken_to_be_reached():
    got = limit_quantities(rectangles(), two_decks((None, None)), RATES)
    assert (got["bar_m"] > 0).all()


@pytest.mark.basis("published", NAVY + ": the rate of the whole job's volume, not of each limit's")
def test_waste_is_that_of_the_whole_decks_volume():
    each = rectangles(area_m2=[3.6, 1000.0, 1000.0], depth_mm=[200.0, 100.0, 100.0])
    got = limit_quantities(each, two_decks(), RATES)
    assert (got["order_m3"] / got["volume_m3"]).tolist() == pytest.approx([1.10, 1.05, 1.05])
    assert float(order_m3(RATES.waste_limit_m3, RATES)) == pytest.approx(RATES.waste_limit_m3 * 1.10)


@pytest.mark.basis("derived", "sums, and whole set-ups and sacks, by hand")
def test_every_total_of_a_deck_by_hand():
    given = rectangles().assign(
        volume_m3=[0.72, 0.1, 0.2], order_m3=[0.8, 0.1, 0.3], form_m2=[4.0, 0.0, 0.0], frame_m=[11.0, 0.0, 0.0],
        bar_m=[70.0, 1.0, 2.0], cover_sheet_m2=[7.0, 2.0, 5.0], crew_h=[12.0, 5.0, 7.1],
    )  # fmt: skip
    mix = MixSettings(cement_kg_m3=400.0, water_kg_m3=180.0, sand_kg_m3=600.0, stone_kg_m3=1000.0, sack_kg=50.0)
    got = deck_quantities(given, RATES, mix).set_index("deck_id")
    assert got.index.tolist() == ["d", "e"]
    two, one = got.loc["d"], got.loc["e"]
    assert (two["patches"], one["patches"]) == (2, 1)
    assert (two["area_m2"], two["unsound_m2"], two["saw_cut_m"]) == pytest.approx((2.4, 1.2, 9.0))
    assert (two["partial_m2"], two["full_m2"], one["partial_m2"], one["full_m2"]) == pytest.approx((2.4, 0, 0, 3.6))
    assert (two["crew_h"], two["bar_m"], one["form_m2"], one["frame_m"]) == pytest.approx((12.1, 3.0, 4.0, 11.0))
    assert (two["set_ups"], one["set_ups"]) == (3, 2)  # 12.1 h is a third closure of 6 h; 12 h is two
    kilograms = two[["cement_kg", "water_kg", "sand_kg", "stone_kg"]].tolist()
    assert kilograms == pytest.approx([160.0, 72.0, 240.0, 400.0])
    assert (two["cement_sacks"], one["cement_sacks"]) == (4, 7)  # 3.2 and 6.4 sacks
    defaults = deck_quantities(given, RATES).set_index("deck_id")
    assert defaults.loc["d", "cement_kg"] == pytest.approx(0.4 * MixSettings().cement_kg_m3)


@pytest.mark.basis("published", UFGS + ": over 25 %, or over 20 % on bars side by side")
@pytest.mark.parametrize(
    ("loss", "replaced"),
    [
        ([0.21, 0.05, 0.05], [False, False, False]),
        ([0.05, 0.21, 0.22, 0.05], [False, True, True, False]),
        ([0.21, 0.20, 0.21], [False, False, False]),
        ([0.30, 0.21, 0.0], [True, True, False]),
        ([0.0, 0.21, 0.30], [False, True, True]),
        ([], []),
    ],
)
def test_a_bar_is_replaced_for_its_neighbour_only_where_both_have_lost_much(loss, replaced):
    assert bars_to_replace(loss, RATES).tolist() == replaced


@pytest.mark.basis("derived", "three limits merged to two on one side of a joint, one on the other, by hand")
def test_plain_costs_are_summed_over_the_panels_of_each_deck():
    settings = LimitSettings(step_mm=20.0)
    near = [shapely.box(2, 0, 3, 1), shapely.box(3.3, 0, 4.3, 1), shapely.box(6, 0, 7, 1)]
    beyond = [shapely.box(12, 2, 13, 3)]
    found = pd.DataFrame(
        {
            "deck_id": ["e", "d", "d", "d", "d"],
            "kind": ["hole", "spall", "spall", "hole", "spall"],
            "depth_mm": np.nan,
            "shape": pd.Series([*beyond, *near, *beyond], dtype=object),
        }
    )
    decks = records(
        "deck", deck_id=["e", "none", "d"], bridge_id=["b"] * 3, length_m=[40.0] * 3, width_m=[10.0] * 3,
        joints_m=[None, None, "10"],
    )  # fmt: skip
    got = plain_costs(found, decks, settings).set_index("deck_id")
    assert got.index.tolist() == ["d", "e"]
    side = 1.12

    def cost(long, per_m2):
        return long * side * per_m2 + 2 * (long + side) * 15 + 120

    assert got.loc["e", "merged"] == got.loc["e", "one"] == pytest.approx(cost(side, 1500))
    apart = cost(2.3 + 0.12 + 0.02, 600) + cost(side, 1500) + cost(side, 600)  # 2.42 m rounds out to 2.44
    whole = cost(5.12, 1500) + cost(side, 600)
    assert got.loc["d", "merged"] == pytest.approx(apart, rel=0.005)
    assert got.loc["d", "one"] == pytest.approx(whole)
    nothing = plain_costs(found.iloc[:0], decks, settings)
    assert nothing.columns.tolist() == ["deck_id", "merged", "one"]
    assert nothing.empty

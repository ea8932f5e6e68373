"""Proportions against published worked mixes."""

from __future__ import annotations

import pytest

from decknet.errors import RecordError
from decknet.measure import coarse_part, free_water_kg, mixing_water_kg_m3, proportion_mix, water_cement_ratio

NAVY = "US Navy, Engineering Aid, NAVEDTRA 14070/14071, pp. 17-6 to 17-10"
CLASSROOM = "classroom handout on ACI 211.1 (Yoon), 4,000 psi mix, dry basis"
LB_YD3 = 0.45359237 / 0.764554857984  # kg/m3
LB_FT3 = 0.45359237 / 0.028316846592


def navy():
    return proportion_mix(
        water_kg_m3=mixing_water_kg_m3(19.05, stiff=False, air_entrained=True),
        water_cement=0.50,
        coarse_m3=coarse_part(19.05, 2.70),
        rodded_kg_m3=102 * LB_FT3,
        air=0.05,
        stone_density=2.60,
        sand_density=2.65,
    )


@pytest.mark.basis("published", NAVY + "; printed to the pound, volumes to 0.01 ft3")
def test_published_air_entrained_mix():
    got = navy()
    assert got.water_kg / LB_YD3 == pytest.approx(305, abs=0.5)
    assert got.cement_kg / LB_YD3 == pytest.approx(610, abs=0.5)
    assert got.stone_kg / LB_YD3 == pytest.approx(1735, abs=0.5)
    assert got.sand_m3 * 27 == pytest.approx(6.97, abs=0.005)
    assert got.sand_kg / LB_YD3 == pytest.approx(1152.5, abs=2.0)  # from 6.97 ft3, so to 0.005 x 165 lb
    assert got.cement_kg / LB_YD3 / 94 == pytest.approx(6.49, abs=0.005)


@pytest.mark.basis("published", NAVY + "; 80,790.7 lb of sand for 70.07 yd3 at 1,153 lb")
def test_published_order_of_sand():
    assert navy().sand_kg / LB_YD3 * 70.07 == pytest.approx(80_790.7, rel=1e-3)


@pytest.mark.basis("published", CLASSROOM + "; volumes to 0.01 ft3")
def test_published_plain_mix():
    got = proportion_mix(
        water_kg_m3=mixing_water_kg_m3(9.525, stiff=False, air_entrained=False),
        water_cement=water_cement_ratio(4000 * 0.006894757, air_entrained=False),
        coarse_m3=coarse_part(9.525, 2.90),
        rodded_kg_m3=103 * LB_FT3,
        air=0.03,
        stone_density=2.68,
        sand_density=2.67,
    )
    assert got.cement_kg / LB_YD3 == pytest.approx(675.44, abs=0.005)
    assert got.stone_kg / LB_YD3 == pytest.approx(1251, abs=0.5)
    assert got.sand_m3 * 27 == pytest.approx(9.10, abs=0.01)
    assert got.sand_kg / LB_YD3 == pytest.approx(1516, abs=2.5)


@pytest.mark.basis(
    "derived", "absolute volumes by hand for 19 mm, 6 % air, ratio 0.40; the default mix of the settings"
)
def test_mix_of_the_settings():
    got = proportion_mix(
        water_kg_m3=184, water_cement=0.40, coarse_m3=coarse_part(19.05, 2.60), rodded_kg_m3=1600, air=0.06,
        stone_density=2.68, sand_density=2.64,
    )  # fmt: skip
    assert got.cement_kg == pytest.approx(460)
    assert got.stone_kg == pytest.approx(1024)
    assert got.sand_kg == pytest.approx(601.6, abs=0.05)
    assert got.water_kg + got.cement_kg + got.stone_kg + got.sand_kg == pytest.approx(2269.6, abs=0.05)


@pytest.mark.basis("published", "US Army, EN5466A, lesson 2: 2 % of 1,768 lb and 6 % of 1,083 lb are 100.34 lb")
def test_free_water():
    assert free_water_kg(1768, 0.02, 1083, 0.06) == pytest.approx(100.34, abs=0.005)


@pytest.mark.basis("published", NAVY + " (0.63 and 0.59); " + CLASSROOM + " (0.45 and 0.57)")
def test_cells_of_the_tables_that_worked_examples_confirm():
    assert coarse_part(19.05, 2.70) == pytest.approx(0.63)
    assert coarse_part(9.525, 2.90) == pytest.approx(0.45)
    assert water_cement_ratio(3000 * 0.006894757, air_entrained=True) == pytest.approx(0.59)
    assert water_cement_ratio(4000 * 0.006894757, air_entrained=False) == pytest.approx(0.57)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: coarse_part(80, 2.7),
        lambda: coarse_part(19, 3.4),
        lambda: water_cement_ratio(60, air_entrained=True),
        lambda: mixing_water_kg_m3(5, stiff=True, air_entrained=True),
        lambda: proportion_mix(
            water_kg_m3=400, water_cement=0.3, coarse_m3=0.7, rodded_kg_m3=1700, air=0.1, stone_density=2.6,
            sand_density=2.6,
        ),
    ],
)  # fmt: skip
def test_what_the_tables_do_not_hold_is_refused(ask):
    with pytest.raises(RecordError, match=r"table runs|too much"):
        ask()

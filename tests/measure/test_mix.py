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


# The tables of ACI 211.1-91 by largest aggregate, inches: pounds of water in a cubic yard, and its SI table.
INCHES = (0.375, 0.5, 0.75, 1.0, 1.5, 2.0)
WATER = [
    (False, True, (350, 335, 315, 300, 275, 260), (207, 199, 190, 179, 166, 154)),
    (False, False, (385, 365, 340, 325, 300, 285), (228, 216, 205, 193, 181, 169)),
    (True, True, (305, 295, 280, 270, 250, 240), (181, 175, 168, 160, 150, 142)),
    (True, False, (340, 325, 305, 295, 275, 265), (202, 193, 184, 175, 165, 157)),
]


@pytest.mark.basis("memory", "ACI 211.1-91, table 6.3.3, US units and SI; the SI table has its own rounding, 4 kg/m3")
@pytest.mark.parametrize(("air", "stiff", "pounds", "kilograms"), WATER)
def test_mixing_water_is_that_of_the_table(air, stiff, pounds, kilograms):
    got = [mixing_water_kg_m3(25.4 * inch, stiff=stiff, air_entrained=air) for inch in INCHES]
    assert [kg / LB_YD3 for kg in got] == pytest.approx(pounds)
    assert got == pytest.approx(kilograms, abs=4.0)
    between = mixing_water_kg_m3(25.4 * 1.25, stiff=stiff, air_entrained=air)
    assert between / LB_YD3 == pytest.approx((pounds[3] + pounds[4]) / 2)


@pytest.mark.basis("memory", "ACI 211.1-91, table 6.3.6: 0.02 less for each 0.20 of fineness modulus")
@pytest.mark.parametrize(("inch", "volume"), list(zip(INCHES, (0.50, 0.59, 0.66, 0.71, 0.75, 0.78), strict=True)))
def test_coarse_aggregate_is_that_of_the_table(inch, volume):
    for n, fineness in enumerate((2.40, 2.50, 2.60, 2.70, 2.80, 2.90, 3.00)):
        assert coarse_part(25.4 * inch, fineness) == pytest.approx(volume - 0.01 * n)


@pytest.mark.basis("memory", "ACI 211.1-91, table 6.3.4(a), psi; table A1.5.3.4(a), MPa, to two decimals of its own")
@pytest.mark.parametrize(
    ("air", "by_psi", "by_mpa"),
    [
        (
            False,
            {2000: 0.82, 3000: 0.68, 4000: 0.57, 5000: 0.48, 6000: 0.41},
            {15: 0.79, 20: 0.69, 25: 0.61, 30: 0.54, 35: 0.47, 40: 0.42},
        ),
        (True, {2000: 0.74, 3000: 0.59, 4000: 0.48, 5000: 0.40}, {15: 0.70, 20: 0.60, 25: 0.52, 30: 0.45}),
    ],
)
def test_water_cement_ratio_is_that_of_the_table(air, by_psi, by_mpa):
    for psi, ratio in by_psi.items():
        assert water_cement_ratio(psi * 0.006894757, air_entrained=air) == pytest.approx(ratio)
    for mpa, ratio in by_mpa.items():
        assert water_cement_ratio(mpa, air_entrained=air) == pytest.approx(ratio, abs=0.015)


@pytest.mark.parametrize(
    ("ask", "named"),
    [
        (lambda: coarse_part(9.4, 2.7), "largest aggregate 9.4 mm"),
        (lambda: coarse_part(51.0, 2.7), "largest aggregate 51 mm"),
        (lambda: coarse_part(19, 2.39), "fineness modulus 2.39"),
        (lambda: coarse_part(19, 3.01), "fineness modulus 3.01"),
        (lambda: mixing_water_kg_m3(9.4, stiff=True, air_entrained=True), "largest aggregate 9.4 mm"),
        (lambda: mixing_water_kg_m3(51.0, stiff=True, air_entrained=True), "largest aggregate 51 mm"),
        (lambda: water_cement_ratio(1999 * 0.006894757, air_entrained=True), "strength 1999 psi"),
        (lambda: water_cement_ratio(5001 * 0.006894757, air_entrained=True), "strength 5001 psi"),
        (lambda: water_cement_ratio(6001 * 0.006894757, air_entrained=False), "strength 6001 psi"),
    ],
)
def test_just_past_the_end_of_a_table_is_refused_by_name(ask, named):
    with pytest.raises(RecordError, match=named):
        ask()
    # the ends themselves are in
    assert mixing_water_kg_m3(9.5, stiff=True, air_entrained=True) == pytest.approx(305 * LB_YD3)


GOOD = {
    "water_kg_m3": 184.0, "water_cement": 0.40, "coarse_m3": 0.64, "rodded_kg_m3": 1600.0, "air": 0.06,
    "stone_density": 2.68, "sand_density": 2.64, "cement_density": 3.15,
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(GOOD))
def test_a_mix_with_a_value_that_cannot_be_is_refused(name):
    for value in [-0.01, 1.0] if name == "air" else [0.0, -1.0]:
        with pytest.raises(RecordError, match="above 0 and air a share"):
            proportion_mix(**{**GOOD, name: value})


@pytest.mark.basis("derived", "absolute volumes add up to a cubic metre; too little room by hand")
def test_volumes_of_a_mix_add_up_to_one():
    got = proportion_mix(**GOOD)
    solid = got.water_kg + got.cement_kg / 3.15 + got.stone_kg / 2.68 + got.sand_kg / 2.64
    assert solid / 1000 + 0.06 == pytest.approx(1.0)
    assert got.sand_kg == pytest.approx(got.sand_m3 * 2640)
    assert proportion_mix(**{**GOOD, "air": 0.0}).sand_m3 == pytest.approx(got.sand_m3 + 0.06)
    # water 0.550, cement 0.060, stone 0.4746, air 0.060: 0.145 m3 beyond a cubic metre before any sand
    with pytest.raises(RecordError, match=r"0\.145 m3 too much"):
        proportion_mix(**{**GOOD, "water_kg_m3": 550.0, "water_cement": 550 / 189, "coarse_m3": 0.795})

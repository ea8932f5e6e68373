"""Drying, hardening and opening, against worked values."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.errors import RecordError
from decknet.measure import (
    dries_too_fast,
    equivalent_age_h,
    evaporation_kg_m2_h,
    evaporation_lb_ft2_h,
    evaporation_menzel_kg_m2_h,
    hours_at,
    opening_h,
    strength_age_h,
    temperature_time_ch,
)
from decknet.settings import OpeningSettings

PLAIN = OpeningSettings()
# concrete °C, air °C, humidity, wind km/h, Uno, Menzel
WORKED = [
    (31, 27, 0.50, 19, 1.152, 1.189),
    (25, 25, 0.50, 10, 0.424, 0.426),
    (30, 30, 0.40, 20, 1.149, 1.165),
    (20, 10, 0.60, 15, 0.609, 0.582),
    (30, 35, 0.30, 25, 1.425, 1.412),
]


@pytest.mark.basis("derived", "Uno (1998), ACI Materials Journal 95-M34, SI form, worked by hand to three decimals")
@pytest.mark.parametrize(("concrete", "air", "humidity", "wind", "uno", "menzel"), WORKED)
def test_evaporation(concrete, air, humidity, wind, uno, menzel):
    assert float(evaporation_kg_m2_h(concrete, air, humidity, wind)) == pytest.approx(uno, abs=0.0005)


@pytest.mark.basis("derived", "Menzel (1954) as in ACI 305R, Magnus vapour pressures, by hand to three decimals")
@pytest.mark.parametrize(("concrete", "air", "humidity", "wind", "uno", "menzel"), WORKED)
def test_evaporation_by_the_older_formula(concrete, air, humidity, wind, uno, menzel):
    assert float(evaporation_menzel_kg_m2_h(concrete, air, humidity, wind)) == pytest.approx(menzel, abs=0.0005)


@pytest.mark.basis("derived", "Uno (1998), US form, 87 F, 80 F, 50 %, 12 mph; 1 lb/ft2/h = 4.882 kg/m2/h")
def test_evaporation_in_us_units():
    rate = float(evaporation_lb_ft2_h(87, 80, 0.5, 12))
    assert rate == pytest.approx(0.2435, abs=0.00005)
    assert rate * 4.882 == pytest.approx(1.189, abs=0.0005)


@pytest.mark.basis("memory", "ACI 305R chart example: about 0.25 lb/ft2/h, read off by eye")
def test_evaporation_is_near_the_chart():
    assert float(evaporation_lb_ft2_h(87, 80, 0.5, 12)) == pytest.approx(0.25, abs=0.015)


@pytest.mark.basis("published", "ACI 305R (second hand): 1.0 kg/m2/h")
def test_caution_from_the_limit_on():
    assert dries_too_fast([0.999, 1.0, 1.152], PLAIN).tolist() == [False, True, True]


def test_evaporation_grows_with_wind_and_dryness_and_is_never_negative():
    wind = evaporation_kg_m2_h(25, 25, 0.5, np.arange(0, 60, 5))
    assert (np.diff(wind) > 0).all()
    dry = evaporation_kg_m2_h(25, 25, np.linspace(1, 0, 11), 10)
    assert (np.diff(dry) > 0).all()
    assert float(evaporation_kg_m2_h(5, 35, 1.0, 30)) == 0.0


def test_humidity_in_percent_is_refused():
    with pytest.raises(RecordError, match="share"):
        evaporation_kg_m2_h(25, 25, 50, 10)


SPELLS = ([6, 6, 12], [15, 20, 25])


@pytest.mark.basis(
    "derived", "ASTM C1074 form, by hand: 6 x 15 + 6 x 20 + 12 x 25; with the datum at -10, 24 x 10 more"
)
def test_temperature_time_factor():
    assert temperature_time_ch(*SPELLS, 0.0) == pytest.approx(510)
    assert temperature_time_ch(*SPELLS, -10.0) == pytest.approx(750)
    assert temperature_time_ch([5, 5], [-20, 10], 0.0) == pytest.approx(50)
    assert 600 / temperature_time_ch([1], [25], 0.0) == pytest.approx(24.0)


@pytest.mark.basis("derived", "ASTM C1074 form with Q = 5,000 K, by hand to 0.01 h")
def test_equivalent_age():
    assert equivalent_age_h(*SPELLS, reference_c=20, q_k=5000) == pytest.approx(26.44, abs=0.005)
    assert equivalent_age_h(*SPELLS, reference_c=23, q_k=5000) == pytest.approx(22.24, abs=0.005)
    assert equivalent_age_h([24], [10], reference_c=20, q_k=5000) == pytest.approx(13.14, abs=0.005)
    assert equivalent_age_h([24], [30], reference_c=20, q_k=5000) == pytest.approx(42.13, abs=0.005)


@pytest.mark.basis("derived", "another activation energy, 33.5 kJ/mol over 8.314 J/mol/K, by hand to 0.01 h")
def test_equivalent_age_with_another_activation_energy():
    assert equivalent_age_h([24], [30], reference_c=20, q_k=33_500 / 8.314) == pytest.approx(37.77, abs=0.02)


@pytest.mark.basis(
    "derived", "ACI 209R curve solved by hand: 62.5 % of the strength at 5.33 d ordinary, 3.38 d type III"
)
@pytest.mark.parametrize(("a_d", "b", "days"), [(4.0, 0.85, 5.33), (2.3, 0.92, 3.38)])
def test_age_at_the_opening_strength(a_d, b, days):
    settings = OpeningSettings(opening_mpa=25.0, strength_28d_mpa=40.0, ordinary_a_d=a_d, ordinary_b=b)
    assert strength_age_h(settings) / 24 == pytest.approx(days, abs=0.005)


def test_a_strength_that_is_never_reached_never_opens():
    settings = OpeningSettings(opening_mpa=60.0, strength_28d_mpa=40.0)
    assert strength_age_h(settings) == float("inf")
    assert float(opening_h("ordinary", 20, settings)) == float("inf")


def test_hours_at_undoes_equivalent_age():
    air = np.array([5.0, 12.0, 20.0, 33.0])
    hours = hours_at(30.0, air, PLAIN)
    back = [
        equivalent_age_h([h], [t], reference_c=PLAIN.reference_c, q_k=PLAIN.q_k)
        for h, t in zip(hours, air, strict=True)
    ]
    assert back == pytest.approx([30.0] * 4)


@pytest.mark.basis("practice", "2 to 3 h high-early or accelerated, 3 to 4 days ordinary")
def test_opening_is_never_before_the_least_cure_and_later_in_the_cold():
    air = np.array([2.0, 5.0, 10.0, 20.0, 30.0, 40.0])
    for material, least in (("high-early", 3.0), ("ordinary", 96.0)):
        hours = opening_h(material, air, PLAIN)
        assert (hours >= least).all()
        assert (np.diff(hours) <= 0).all()
        assert hours[0] > hours[3]
    assert float(opening_h("high-early", 30, PLAIN)) == 3.0
    assert np.isinf(opening_h("high-early", [0.0, -5.0], PLAIN)).all()


def test_another_material_is_refused():
    with pytest.raises(RecordError, match="high-early or ordinary"):
        opening_h("glue", 20, PLAIN)


@pytest.mark.parametrize("formula", [evaporation_kg_m2_h, evaporation_lb_ft2_h, evaporation_menzel_kg_m2_h])
@pytest.mark.parametrize(
    ("given", "named"),
    [
        ((-61, 20, 0.5, 10), "concrete"),
        ((251, 20, 0.5, 10), "concrete"),
        ((20, -61, 0.5, 10), "air"),
        ((20, 251, 0.5, 10), "air"),
        ((20, 20, -0.01, 10), "humidity"),
        ((20, 20, 1.01, 10), "humidity"),
        ((20, 20, 0.5, -1), "wind"),
        ((20, 20, 0.5, 301), "wind"),
        (([20, 20], 20, [0.5, 1.5], 10), "humidity"),
    ],
)
def test_weather_out_of_all_bounds_is_refused_by_name(formula, given, named):
    with pytest.raises(RecordError, match=rf"{named} .*outside"):
        formula(*given)


@pytest.mark.parametrize("formula", [evaporation_kg_m2_h, evaporation_lb_ft2_h, evaporation_menzel_kg_m2_h])
def test_weather_at_the_bounds_is_taken_and_nothing_dries_below_nought(formula):
    for given in ((-60, 20, 0.0, 0), (250, 20, 1.0, 300), (20, -60, 0.5, 10), (20, 250, 1.0, 10)):
        assert float(formula(*given)) >= 0.0
    assert float(formula(15, 45, 1.0, 20)) == 0.0
    assert float(formula(20, 20, 1.0, 20)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.basis(
    "derived", "the same weather in both units; the US form gives some 4 % more: each was rounded by itself"
)
def test_both_units_tell_the_same_weather():
    for concrete, air, humidity, wind, _uno, _menzel in WORKED:
        us = float(evaporation_lb_ft2_h(concrete * 1.8 + 32, air * 1.8 + 32, humidity, wind / 1.609344))
        metric = float(evaporation_kg_m2_h(concrete, air, humidity, wind))
        assert us * 4.882428 == pytest.approx(1.044 * metric, rel=0.003)


@pytest.mark.basis("derived", "frozen to the last degree of both forms: (Tc + 18) and Tc F below nought add nothing")
def test_the_deepest_cold_adds_nothing_to_drying():
    assert float(evaporation_kg_m2_h(-30, -40, 0.5, 10)) == 0.0
    assert float(evaporation_lb_ft2_h(-10, -20, 0.5, 10)) == 0.0
    warm = float(evaporation_kg_m2_h(10, -40, 0.5, 10))
    assert warm == pytest.approx(5e-6 * 28**2.5 * 14)
    assert float(evaporation_lb_ft2_h(50, -20, 0.5, 10)) == pytest.approx(1e-6 * 50**2.5 * 5)


@pytest.mark.basis("derived", "spells at the datum or below add no age; by hand")
def test_spells_at_or_below_the_datum_add_no_age():
    assert equivalent_age_h([5, 7], [0, 20], reference_c=20, q_k=5000, datum_c=0.0) == pytest.approx(7.0)
    assert equivalent_age_h([5, 7], [0.1, 20], reference_c=20, q_k=5000, datum_c=0.0) > 7.0
    assert equivalent_age_h([5, 7], [0, 20], reference_c=20, q_k=5000) > 7.0
    assert np.isinf(hours_at(3.0, PLAIN.datum_c, PLAIN))
    assert np.isfinite(hours_at(3.0, PLAIN.datum_c + 0.1, PLAIN))


@pytest.mark.basis(
    "derived", "at the reference temperature an hour is worth an hour; ordinary: the curve, or its least"
)
def test_opening_at_the_reference_temperature():
    assert float(hours_at(5.0, PLAIN.reference_c, PLAIN)) == pytest.approx(5.0)
    assert float(opening_h("high-early", PLAIN.reference_c, PLAIN)) == pytest.approx(PLAIN.high_early_h)
    early = OpeningSettings(ordinary_h=1.0, opening_mpa=25.0, strength_28d_mpa=40.0)
    assert float(opening_h("ordinary", early.reference_c, early)) == pytest.approx(24 * 5.33, abs=0.12)
    assert float(opening_h("ordinary", 30, early)) < 24 * 5.33
    slow = OpeningSettings(ordinary_h=500.0)
    assert float(opening_h("ordinary", 20, slow)) == 500.0
    cold = float(opening_h("high-early", 5, PLAIN))
    want = PLAIN.high_early_h * np.exp(PLAIN.q_k * (1 / 278.15 - 1 / (PLAIN.reference_c + 273.15)))
    assert cold == pytest.approx(want)


@pytest.mark.basis("derived", "f = f28 t / (a + b t) grows toward f28 / b: that strength itself is never reached")
def test_the_strength_that_the_curve_only_nears_is_never_reached():
    settings = OpeningSettings(opening_mpa=50.0, strength_28d_mpa=25.0, ordinary_b=0.5)
    assert strength_age_h(settings) == float("inf")
    just = OpeningSettings(opening_mpa=49.9, strength_28d_mpa=25.0, ordinary_b=0.5)
    assert np.isfinite(strength_age_h(just))

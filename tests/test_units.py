"""Conversions at the edges."""

from __future__ import annotations

import pytest

from decknet.units import factor_to


@pytest.mark.basis("published", "International yard and pound agreement (1959): 1 ft = 0.3048 m exactly")
@pytest.mark.parametrize(
    ("written", "kept", "factor"),
    [
        ("ft", "m", 0.3048),
        ("in", "mm", 25.4),
        ("sq ft", "m2", 0.3048**2),
        ("sq yd", "m2", 0.9144**2),
        ("cu yd", "m3", 0.9144**3),
        ("cu ft", "m3", 0.3048**3),
        ("mi", "km", 1.609344),
        ("mph", "km/h", 1.609344),
        ("%", "share", 0.01),
    ],
)
def test_us_customary_units_convert_exactly(written, kept, factor):
    assert factor_to(written, kept) == pytest.approx(factor, rel=1e-12)


def test_a_unit_of_another_kind_is_not_converted():
    assert factor_to("kg", "m2") is None
    assert factor_to("ft", "m2") is None

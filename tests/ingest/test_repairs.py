"""Repairs."""

from __future__ import annotations

import pytest
import shapely

from tests.ingest.conftest import codes, column

HEAD = "bridge id,repair date,repair kind,repaired m2\n"


def test_repairs_are_numbered_within_deck_and_day(read):
    found = read(HEAD + "001,2024-08-20,patch,4\n001,2024-08-20,patch,5\n002,2024-08-20,patch,6\n", "repairs.csv")
    assert column(found, "repair", "repair_id") == ["001|2024-08-20|1", "001|2024-08-20|2", "002|2024-08-20|1"]


@pytest.mark.parametrize(
    ("said", "treatment"),
    [
        ("Patching", "patch"),
        ("patch & seal", "patch and seal"),
        ("epoxy overlay", "thin overlay"),
        ("latex overlay", "rigid overlay"),
        ("deck replacement", "new deck"),
        ("other", "other"),
    ],
)
def test_treatments_as_people_write_them(read, said, treatment):
    found = read(HEAD + f"001,2024-08-20,{said},4\n", "repairs.csv")
    assert column(found, "repair", "treatment") == [treatment]


def test_an_overlay_of_no_kind_is_flagged(read):
    found = read(HEAD + "001,2024-08-20,overlay,400\n", "repairs.csv")
    assert column(found, "repair", "treatment") == ["rigid overlay"]
    assert codes(found, "flag") == {2: "F-OVERLAY"}


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("001,2024-08-20,patch,412", "R-LARGER-THAN-DECK"),
        ("001,2024-08-20,patch,-12", "R-RANGE"),
        ("001,1975-03-02,patch,5", "R-BEFORE-BUILT"),
        ("001,2027-03-02,patch,5", "R-FUTURE"),
        ("K99,2024-08-20,patch,5", "R-UNKNOWN-BRIDGE"),
        ("001,2024-08-20,painting,5", "R-CHOICE"),
        ("001,2024-08-20,,5", "R-MISSING"),
    ],
)
def test_a_repair_that_cannot_be_is_refused(read, row, code):
    found = read(HEAD + f"{row}\n002,2024-08-20,patch,5\n", "repairs.csv")
    assert codes(found) == {2: code}
    assert found.rows_kept == 1


@pytest.mark.basis("derived", "32 °F is 0 °C and 212 °F is 100 °C by definition of the scales; 1 yd = 0.9144 m exactly")
def test_units_of_a_repair(read):
    head = "bridge id,repair date,treatment,area sq ft,volume cu yd,air temperature °F,cure hours,closure min\n"
    found = read(head + "001,2024-08-20,patch,100,1,50,3,90\n", "repairs.csv")
    assert column(found, "repair", "area_m2") == pytest.approx([9.290304])
    assert column(found, "repair", "volume_m3") == pytest.approx([0.9144**3])
    assert column(found, "repair", "air_temperature_c") == pytest.approx([10.0])
    assert column(found, "repair", "cure_h") == [3]
    assert column(found, "repair", "closure_h") == [1.5]


def test_limits_and_depth_of_a_repair(read):
    head = "bridge id,repair date,treatment,depth class,wkt\n"
    wkt = '"POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))"'
    found = read(head + f"001,2024-08-20,patch,part depth,{wkt}\n002,2024-08-20,patch,Full-depth,\n"
                 "003,2024-08-20,rigid overlay,,\n", "repairs.csv")  # fmt: skip
    assert column(found, "repair", "depth_class") == ["partial", None]
    assert shapely.area(found.records["repair"]["shape"].iloc[0]) == 2.0
    assert codes(found) == {3: "R-NO-SHAPE"}

"""Traffic, ratings and element quantities."""

from __future__ import annotations

import pytest

from tests.ingest.conftest import codes, column


def test_counts_by_bridge_and_year(read):
    text = "bridge id,count year,AADT,HGV %\n001,2015,11800,8\n001,2019,13650,\n1,2022,14200,12.5\n"
    found = read(text, "traffic.csv")
    assert column(found, "traffic", "aadt") == [11800, 13650, 14200]
    assert column(found, "traffic", "bridge_id") == ["001"] * 3
    assert column(found, "traffic", "truck_share") == pytest.approx([0.08, None, 0.125])


def test_a_count_of_zero_is_a_missing_count(read):
    found = read("bridge id,count year,AADT\n001,2023,0\n001,2022,500\n", "traffic.csv")
    assert codes(found, "set aside") == {2: "S-ZERO-TRAFFIC"}
    assert column(found, "traffic", "year") == [2022]


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("001,2027,5400", "R-FUTURE"),
        ("001,2020,", "R-MISSING"),
        ("001,2020,-4", "R-RANGE"),
        ("001,2020,900000", "R-RANGE"),
        ("999,2020,4", "R-UNKNOWN-BRIDGE"),
    ],
)
def test_a_count_that_cannot_be_is_refused(read, row, code):
    found = read(f"bridge id,count year,AADT\n{row}\n002,2020,7\n", "traffic.csv")
    assert codes(found) == {2: code}


@pytest.mark.parametrize("head", ["bridge id,count year,AADT\n001,,5400\n", "bridge id,AADT\n001,5400\n"])
def test_a_count_without_its_year_is_kept_without_one(read, head):
    found = read(head, "traffic.csv")
    assert column(found, "traffic", "aadt") == [5400]
    assert column(found, "traffic", "year") == [None]
    assert codes(found, "flag") == {2: "F-UNDATED"}


def test_two_counts_without_a_year_are_refused_where_they_differ(read):
    found = read("bridge id,AADT\n001,5400\n001,5600\n002,7\n", "traffic.csv")
    assert codes(found) == {2: "R-CONFLICT", 3: "R-CONFLICT"}


def test_two_counts_of_one_year_are_refused_and_not_added(read):
    found = read("bridge id,count year,AADT\n001,2020,500\n001,2020,600\n", "traffic.csv")
    assert codes(found) == {2: "R-CONFLICT", 3: "R-CONFLICT"}


def test_ratings(read):
    found = read("bridge id,rated year,deck condition\n001,2020,6\n002,2020,N\n003,2020,11\n", "ratings.csv")
    assert column(found, "rating", "deck_rating") == [6]
    assert codes(found, "set aside") == {3: "S-NO-RATING"}
    assert codes(found) == {4: "R-RANGE"}


def test_quantities_that_do_not_add_up_are_flagged(read):
    head = "bridge id,date,element,parent,total,cs1,cs2,cs3,cs4\n"
    found = read(head + "001,2020-05-05,12,,100,50,30,20,0\n002,2020-05-05,12,,100,50,30,2,0\n", "elements.csv")
    assert found.rows_kept == 2
    assert codes(found, "flag") == {3: "F-STATES"}
    assert column(found, "element_quantity", "parent_element") == ["", ""]

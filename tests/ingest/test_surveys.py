"""Surveys."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from tests.ingest.conftest import codes, column

HEAD = "bridge id,survey date,delaminated m2\n"


def test_one_bad_row_in_a_hundred_is_named_and_the_others_stay(read):
    days = pd.date_range("2000-01-01", periods=100, freq="30D").strftime("%Y-%m-%d").tolist()
    rows = [f"00{1 + i % 4},{day},{i / 10}" for i, day in enumerate(days)]
    rows[41] = rows[41].rsplit(",", 1)[0] + ",wet"
    found = read(HEAD + "\n".join(rows) + "\n", "crew 4.csv")
    assert (found.rows_read, found.rows_kept) == (100, 99)
    (fault,) = found.faults.to_dict("records")
    assert (fault["file"], fault["line"], fault["column"], fault["value"]) == (
        "crew 4.csv",
        43,
        "delaminated m2",
        "wet",
    )
    assert (fault["code"], fault["severity"]) == ("R-NUMBER", "refuse")
    assert "number" in fault["rule"]
    assert fault["remedy"]
    assert json.loads(fault["row"]) == {"bridge id": "002", "survey date": days[41], "delaminated m2": "wet"}


def test_every_fault_of_a_row_is_found_and_not_the_first_alone(read):
    found = read(HEAD + "999,2099-01-01,wet\n")
    assert set(found.faults["code"]) == {"R-UNKNOWN-BRIDGE", "R-FUTURE", "R-NUMBER"}


def test_an_id_is_made_of_deck_day_and_method(read):
    found = read("bridge id,survey date,method,hollow m2\n001,2024-05-06,chain,1\n001,2024-05-06,,2\n")
    assert column(found, "survey", "survey_id") == ["001|2024-05-06|chain drag", "001|2024-05-06|survey"]
    given = read("survey id,bridge id,survey date,hollow m2\nS7,001,2024-05-06,1\n")
    assert column(given, "survey", "survey_id") == ["S7"]


def test_leading_zeros_lost_are_restored_where_one_bridge_fits(read):
    found = read(HEAD + "1,2024-05-06,5\n")
    assert column(found, "survey", "deck_id") == ["001"]
    assert codes(found, "flag") == {2: "F-ZEROS"}


def test_a_bridge_with_several_decks_does_not_name_one(read):
    found = read(HEAD + "005,2024-05-06,5\n")
    assert codes(found) == {2: "R-WHICH-DECK"}
    assert "005-N, 005-S" in found.faults["rule"].iloc[0]
    named = read("deck id,survey date,hollow m2\n005-S,2024-05-06,5\n")
    assert column(named, "survey", "deck_id") == ["005-S"]


def test_deck_and_bridge_that_do_not_belong_together(read):
    found = read("bridge id,deck id,survey date,hollow m2\n001,005-S,2024-05-06,5\n")
    assert codes(found) == {2: "R-DECK-BRIDGE"}


def test_an_unknown_bridge_is_refused_with_the_likely_one(read):
    found = read(HEAD + "0001x,2024-05-06,5\n")
    assert codes(found) == {2: "R-UNKNOWN-BRIDGE"}


@pytest.mark.parametrize(
    ("day", "area", "code"),
    [
        ("2026-06-02", "1", "R-FUTURE"),
        ("1979-12-31", "1", "R-BEFORE-BUILT"),
        ("", "1", "R-MISSING"),
        ("someday", "1", "R-DATE"),
        ("2024-05-06", "-1", "R-RANGE"),
        ("2024-05-06", "412", "R-LARGER-THAN-DECK"),
        ("2024-05-06", "<1", "R-INEXACT"),
        ("2024-05-06", "~20", "R-INEXACT"),
        ("2024-05-06", "trace", "R-INEXACT"),
        ("2024-05-06", "10-15", "R-INEXACT"),
        ("2024-05-06", "2.5 - 3", "R-INEXACT"),
        ("2024-05-06", "120 %", "R-RANGE"),
        ("2024-05-06", "12 acre", "R-UNIT"),
        ("2024-05-06", "12 or so", "R-UNIT"),
        ("2024-05-06", "0x10", "R-UNIT"),
    ],
)
def test_a_row_that_cannot_be_is_refused(read, day, area, code):
    found = read(HEAD + f"001,{day},{area}\n002,2024-05-06,0\n")
    assert codes(found) == {2: code}
    assert found.rows_kept == 1


@pytest.mark.parametrize("day", ["2026-06-01", "1980-01-01"])
def test_today_and_the_year_of_building_are_in_time(read, day):
    assert read(HEAD + f"001,{day},1\n").rows_kept == 1


def test_an_area_that_would_fit_in_square_feet_is_asked_about(read):
    found = read(HEAD + "001,2024-05-06,1000\n")
    assert "92.9 m2" in found.faults["remedy"].iloc[0]
    assert "400 m2" in found.faults["rule"].iloc[0]


def test_not_given_is_not_zero(read):
    found = read("bridge id,survey date,delaminated m2,spalled m2\n001,2024-05-06,-,0\n002,2024-05-06,n/a,\n")
    assert column(found, "survey", "delaminated_m2") == [None, None]
    assert column(found, "survey", "spalled_m2") == [0, None]
    assert codes(found, "flag") == {3: "F-NO-TOTALS"}


def test_an_exact_repeat_is_stored_once_and_counted(read):
    found = read(HEAD + "001,2024-05-06,5\n001,2024-05-06,5\n")
    assert found.rows_kept == 1
    assert codes(found, "repeat") == {3: "F-REPEAT"}


def test_two_answers_for_one_survey_are_both_refused_with_their_lines(read):
    found = read(HEAD + "001,2024-05-06,41\n001,2024-05-06,47.5\n")
    assert found.rows_kept == 0
    assert codes(found) == {2: "R-CONFLICT", 3: "R-CONFLICT"}
    assert found.faults["rule"].str.contains("lines 2, 3").all()


def test_a_strip_bounds_what_is_found_and_is_no_stated_area(read):
    """Decks 40 by 10 m: a strip of 4 m holds 160 m2, so that 200 m2 cannot be found in it."""
    head = "bridge id,survey date,delaminated m2,surveyed from offset m,surveyed to offset m\n"
    found = read(head + "001,2024-05-06,20,1,5\n002,2024-05-06,20,5,1\n003,2024-05-06,20,,\n004,2024-05-06,200,1,5\n")
    assert column(found, "survey", "surveyed_m2") == [None, None, None]
    assert column(found, "survey", "from_offset_m") == [1, 1, None]
    assert column(found, "survey", "to_offset_m") == [5, 5, None]
    assert codes(found, "flag") == {3: "F-TURNED"}
    assert codes(found) == {5: "R-LARGER-THAN-DECK"}


def test_a_share_is_taken_of_what_was_surveyed(read):
    found = read("bridge id,survey date,surveyed m2,delaminated %\n001,2024-05-06,100,10\n002,2024-05-06,,10\n")
    assert column(found, "survey", "delaminated_m2") == pytest.approx([10, 40])


def test_delaminated_and_spalled_cannot_together_exceed_the_deck(read):
    found = read("bridge id,survey date,delaminated m2,spalled m2\n001,2024-05-06,300,200\n")
    assert codes(found) == {2: "R-LARGER-THAN-DECK"}


def test_a_row_with_a_cell_too_many_is_refused_and_one_too_few_flagged(read):
    found = read(HEAD + "001,2024-05-06,1,5\n002,2024-05-06\n003,2024-05-06,3,\n")
    assert codes(found) == {2: "R-CELLS"}
    assert 3 in codes(found, "flag")
    assert column(found, "survey", "deck_id") == ["002", "003"]

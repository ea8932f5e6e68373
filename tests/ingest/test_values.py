"""Numbers, dates and words out of text."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.ingest.values import days, marks, numbers, plain, stations, words


def _text(*cells: str) -> pd.Series:
    return pd.Series(list(cells), dtype="str")


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (("12.5", "-3", "+4", ".5", "1e3"), (12.5, -3, 4, 0.5, 1000)),
        (("1 234,5", "86,4"), (1234.5, 86.4)),
        (("1\u00a0034.5", "7.25\u00a0"), (1034.5, 7.25)),
        (("1'034.5", "2’000"), (1034.5, 2000)),
        (("1,034.5", "1,034"), (1034.5, 1034)),
        (("1.034,5", "1.034"), (1034.5, 1034)),
        (("1.034", "2.500"), (1.034, 2.5)),
        (("1,234,567", "3,000"), (1234567, 3000)),
        (("−2.5",), (-2.5,)),
    ],
)
def test_numbers_are_read_by_the_mark_that_the_column_shows(cells, values):
    found = numbers(_text(*cells))
    assert found.value.tolist() == pytest.approx(list(values))
    assert not found.bad.any()
    assert not found.either.any()


def test_not_given_is_missing_and_never_zero():
    found = numbers(_text("", "-", "n/a", "NaN", "#N/A"))
    assert np.isnan(found.value).all()
    assert not found.bad.any()


@pytest.mark.parametrize("cell", ["<1", "~20", "trace", "1,2,3", "inf", "1e999", "1_000", "#REF!"])
def test_what_is_no_number_is_bad_and_never_zero(cell):
    found = numbers(_text(cell, "3.5"))
    assert found.bad.tolist() == [True, False]
    assert np.isnan(found.value[0])


def test_a_comma_with_two_readings_is_reported():
    assert numbers(_text("1,234", "2,500")).either.all()
    assert numbers(_text("1,234"), mark=",").value.tolist() == [1.234]
    assert numbers(_text("1,234"), mark=".").value.tolist() == [1234]


def test_numbers_of_a_workbook_are_not_read_again_as_thousands():
    typed = np.array([True, False])
    assert numbers(_text("1.034", "86,4"), typed).value.tolist() == [1.034, 86.4]


def test_a_unit_in_the_cell_is_handed_back():
    found = numbers(_text("12.5 m2", "538.2 sq ft", "9.5%"))
    assert found.unit == {0: "m2", 1: "sq ft", 2: "%"}
    assert found.value.tolist() == [12.5, 538.2, 9.5]


def test_marks_say_nothing_where_both_are_seen():
    assert marks(_text("1.5", "2,5")).settled() == ""
    assert marks(_text("1,500")).settled() == ""


def test_round_trip_of_written_numbers():
    rng = np.random.default_rng(7)
    values = np.concatenate([rng.uniform(-1e6, 1e6, 200), rng.uniform(0, 1, 50)])
    point = pd.Series([repr(v) for v in values.tolist()], dtype="str")
    comma = point.str.replace(".", ",", regex=False)
    grouped = pd.Series([f"{v:,.4f}" for v in values.tolist()], dtype="str")
    assert numbers(point).value.tolist() == values.tolist()
    assert numbers(comma).value.tolist() == values.tolist()
    assert numbers(grouped).value.tolist() == pytest.approx(values.tolist(), abs=1e-4)


def test_stations_of_kilometres_and_metres():
    assert stations(_text("0+012.500", "1+050", "38", ""), "m").tolist() == ["12.5", "1050.0", "38", ""]
    assert stations(_text("1+50"), "ft").tolist() == ["150.0"]


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2022-04-27", "2022-04-27"),
        ("2022/04/27", "2022-04-27"),
        ("20220427", "2022-04-27"),
        ("2022-04-27T10:30:00", "2022-04-27"),
        ("27 Apr 2022", "2022-04-27"),
        ("April 27, 2022", "2022-04-27"),
        ("27-Sept-2022", "2022-09-27"),
        ("29.02.2024", "2024-02-29"),
    ],
)
def test_a_day_that_has_one_reading(cell, day):
    found = days(_text(cell))
    assert found.value.astype("datetime64[D]").astype(str).tolist() == [day]


@pytest.mark.parametrize("cell", ["2022-02-30", "31/04/2022", "44652", "last May", "32 Apr 2022", "0"])
def test_a_day_that_is_none_is_bad(cell):
    found = days(_text(cell))
    assert found.bad.all()
    assert np.isnat(found.value).all()


def test_one_cell_decides_the_order_of_the_column():
    found = days(_text("03/04/2022", "27/04/2022", ""))
    assert found.order == "day first"
    assert found.value.astype("datetime64[D]").astype(str).tolist() == ["2022-04-03", "2022-04-27", "NaT"]
    assert days(_text("03/04/2022", "04/27/2022")).order == "month first"


def test_orders_that_fit_alike_or_contradict_are_reported():
    assert days(_text("03/04/2022", "11/04/2022")).order == "either"
    assert days(_text("27/04/2022", "04/27/2022")).order == "neither"
    assert days(_text("03/04/2022"), "month first").value.astype("datetime64[D]").astype(str).tolist() == ["2022-03-04"]


def test_days_alike_in_both_orders_need_no_order():
    assert days(_text("05/05/2022")).value.astype("datetime64[D]").astype(str).tolist() == ["2022-05-05"]


def test_words_are_compared_without_case_and_marks():
    value, bad = words(_text("Part-Depth", "", "half"), {plain("part depth"): "partial"})
    assert value.tolist()[0] == "partial"
    assert value.isna().tolist() == [False, True, True]
    assert bad.tolist() == [False, False, True]

"""Headers to columns and units; tables to kinds of record."""

from __future__ import annotations

import pytest

from decknet.errors import RecordError
from tests.ingest.conftest import codes, column

ROW = "001,2024-05-06,"


@pytest.mark.basis("derived", "1 ft = 0.3048 m exactly, international yard and pound agreement, 1959")
@pytest.mark.parametrize(
    ("header", "cell", "m2"),
    [
        ("delaminated m2", "10", 10),
        ("Delaminated_m2", "10", 10),
        ("Delaminated (m²)", "10", 10),
        ("delamination", "10", 10),
        ("hollow area sq ft", "100", 9.290304),
        ("DELAM SF", "100", 9.290304),
        ("delaminated ft²", "100", 9.290304),
        ("delaminated sq yd", "10", 8.3612736),
        ("delaminated %", "2.5", 10),
        ("% delaminated", "2.5", 10),
        ("Delaminated % of deck", "2.5", 10),
        ("delaminated fraction", "0.025", 10),
    ],
)
def test_a_header_gives_column_and_unit(read, header, cell, m2):
    found = read(f"bridge id,survey date,{header}\n{ROW}{cell}\n")
    assert column(found, "survey", "delaminated_m2") == pytest.approx([m2], rel=1e-9)


def test_a_header_without_a_unit_is_said_in_the_mapping(read):
    found = read(f"bridge id,survey date,delaminated\n{ROW}10\n")
    why = found.mapping.set_index("column").loc["delaminated_m2", "why"]
    assert "no unit in the header, taken as m2" in why


def test_headers_not_used_are_said(read):
    found = read(f"bridge id,survey date,delaminated m2,weather\n{ROW}10,dry\n")
    line = found.mapping[found.mapping["header"] == "weather"].iloc[0]
    assert line["column"] == ""
    assert "weather" in line["why"]


def test_two_headers_for_one_column_are_refused_by_name(read):
    with pytest.raises(RecordError, match=r"'hollow' and 'delam' both stand for delaminated_m2.*--map"):
        read(f"bridge id,survey date,hollow,delam\n{ROW}10,11\n")


def test_our_own_name_goes_before_a_name_also_known(read):
    found = read("bridge,bridge id,survey date,delaminated m2\nTarn Ford,001,2024-05-06,4\n")
    assert column(found, "survey", "deck_id") == ["001"]


def test_an_area_and_its_share_are_one_figure(read):
    found = read(f"bridge id,survey date,delaminated m2,delaminated %\n{ROW}10,2.5\n")
    assert column(found, "survey", "delaminated_m2") == [10]


def test_a_column_of_units_is_read_row_by_row(read):
    text = "bridge id,survey date,delaminated,unit\n001,2024-05-06,10,m2\n002,2024-05-06,100,SF\n"
    text += "003,2024-05-06,5,%\n004,2024-05-06,7,\n001,2025-05-06,7,acre\n"
    found = read(text)
    assert column(found, "survey", "delaminated_m2") == pytest.approx([10, 9.290304, 20])
    assert codes(found) == {5: "R-UNIT", 6: "R-UNIT"}


@pytest.mark.parametrize(
    ("name", "header", "row", "kind"),
    [
        ("x.csv", "bridge id,name,deck length m,deck width m", "9,Tarn,40,10", {"bridge", "deck"}),
        ("x.csv", "bridge id,name,lon,lat", "9,Tarn,10,50", {"bridge"}),
        ("x.csv", "deck_id,bridge_id,length_m,width_m", "001-N,001,40,10", {"deck"}),
        ("x.csv", "bridge id,count year,AADT", "001,2020,500", {"traffic"}),
        ("x.csv", "bridge id,survey date,delaminated m2", "001,2024-05-06,5", {"survey"}),
        ("x.csv", "bridge id,survey date,kind,area m2", "001,2024-05-06,delam,5", {"survey", "defect"}),
        ("spalls.csv", "bridge id,survey date,area m2", "001,2024-05-06,5", {"survey", "defect"}),
        ("x.csv", "bridge id,repair date,treatment,area m2", "001,2024-05-06,patch,5", {"repair"}),
        ("patches.csv", "bridge id,date,work,area m2", "001,2024-05-06,patch,5", {"repair"}),
        ("x.csv", "bridge id,rated year,deck rating", "001,2020,6", {"rating"}),
        (
            "x.csv",
            "bridge id,date,element,total,cs1,cs2,cs3,cs4",
            "001,2020-05-05,12,100,50,30,20,0",
            {"element_quantity"},
        ),
    ],
)
def test_a_table_is_recognised_by_its_headers_and_name(read, name, header, row, kind):
    assert set(read(f"{header}\n{row}\n", name).records) == kind


def test_a_table_of_nothing_known_is_refused_with_its_headers(read):
    with pytest.raises(RecordError, match=r"nothing in it is recognised.*'apples', 'pears'"):
        read("apples,pears\n1,2\n")


def test_a_stated_kind_lacking_a_column_is_refused_by_its_name(read):
    with pytest.raises(RecordError, match="needs a column treatment"):
        read("bridge id,date\n001,2024-05-06\n", kind="repair")


def test_a_kind_that_is_none(read):
    with pytest.raises(RecordError, match="no such kind"):
        read("bridge id,date\n001,2024-05-06\n", kind="tunnel")


MAP = '[columns]\n"Bauwerk" = "bridge_id"\n"Tag" = "survey_date"\n"hohl" = "delaminated_m2 in sq ft"\n"x" = ""\n'


def test_a_mapping_file_states_columns_and_units(read):
    found = read("Bauwerk,Tag,hohl,x\n001,2024-05-06,100,1\n", mapping=MAP)
    assert column(found, "survey", "delaminated_m2") == pytest.approx([9.290304])
    assert found.mapping.set_index("header").loc["x", "why"] == "left out by the mapping"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[columns]\n"Bauwerk" = "bridge"\n', "'bridge' is no column of ours. Is bridge_id meant"),
        ('[columns]\n"Bauwerk" = "length_m in acres"\n', "'acres' is no unit for length_m"),
        ('[columns]\n"nowhere" = "bridge_id"\n', "no header 'nowhere'"),
        ('dates = "sideways"\n', "dates"),
        ('colour = "blue"\n', "colour: not a key"),
        ("crs = 4326\n", "crs: 4326 is not text"),
        ("= broken", "not valid TOML"),
    ],
)
def test_a_wrong_mapping_is_refused_with_key_and_value(read, text, words):
    with pytest.raises(RecordError, match=words):
        read("Bauwerk,Tag,hohl\n001,2024-05-06,1\n", mapping=text)


def test_a_decimal_mark_with_two_readings_is_refused_until_stated(read):
    text = 'bridge id,survey date,delaminated m2\n001,2024-05-06,"1,234"\n'
    with pytest.raises(RecordError, match=r"may be 1234 or 1.234.*decimal"):
        read(text)
    assert column(read(text, mapping='decimal = ","\n'), "survey", "delaminated_m2") == [1.234]


def test_another_column_settles_the_decimal_mark(read):
    text = "bridge id;survey date;delaminated m2;spalled m2\n001;2024-05-06;12,345;0,5\n"
    assert column(read(text), "survey", "delaminated_m2") == [12.345]


def test_an_order_of_day_and_month_is_refused_until_stated(read):
    text = "bridge id,survey date,delaminated m2\n001,03/04/2022,1\n002,11/04/2022,2\n"
    with pytest.raises(RecordError, match=r"line 2.*03/04/2022.*2022-04-03 or 2022-03-04.*--dates day-first"):
        read(text)
    found = read(text, mapping='dates = "day first"\n')
    assert found.records["survey"]["survey_date"].dt.month.tolist() == [4, 4]
    with pytest.raises(RecordError, match=r"line 3.*only month first|only day first"):
        read(text.replace("03/04", "27/04").replace("11/04", "04/27"))

"""Tables that lie otherwise than a record a row: turned, beside each other, in parts, nested."""

from __future__ import annotations

import json

import pytest
import xlsxwriter

from decknet.ingest import read_file
from tests.ingest.conftest import TODAY


def test_a_table_on_its_side_is_turned_and_lines_are_its_columns(read):
    text = (
        "bridge id,001,002,003\nsurvey date,2024-05-06,2024-05-07,2024-05-08\ndelaminated m2,3,many,5\nspalled,1,0,2\n"
    )
    found = read(text)
    surveys = found.records["survey"]
    assert surveys["deck_id"].tolist() == ["001", "003"]
    assert surveys["delaminated_m2"].tolist() == [3, 5]
    assert found.faults[["code", "line", "value"]].to_numpy().tolist() == [["R-NUMBER", 3, "many"]]
    assert found.mapping["why"].str.contains("stands on its side").any()


def test_a_table_of_two_columns_and_known_words_in_its_rows_is_not_turned(read):
    found = read(
        "bridge id,remark\n001,bridge\n002,survey date\n003,method\n004,crew\n",
        "surveys.csv",
        '[values]\nsurvey_date = "2024-05-06"\n',
    )
    assert found.rows_read == 4


def test_tables_beside_each_other_are_read_one_by_one(read):
    text = (
        "bridge id,survey date,delaminated m2,,bridge id,survey date,delaminated m2\n"
        "001,2024-05-06,3,,003,2024-05-06,7\n002,2024-05-06,4,,004,2024-05-06,8\n"
    )
    found = read(text)
    assert found.records["survey"].set_index("deck_id")["delaminated_m2"].to_dict() == {
        "001": 3,
        "002": 4,
        "003": 7,
        "004": 8,
    }
    assert found.records["survey"]["sheet"].tolist() == ["", "", "columns 5 to 7", "columns 5 to 7"]


def test_tables_beside_each_other_in_a_workbook(tmp_path, known):
    path = tmp_path / "surveys.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("surveys")
        for start, deck in ((0, "001"), (4, "002")):
            sheet.write_row(0, start, ["bridge id", "survey date", "delaminated m2"])
            sheet.write_row(1, start, [deck, "2024-05-06", 3])
    found = read_file(path, known=known, today=TODAY)
    assert found.records["survey"]["deck_id"].tolist() == ["001", "002"]


def test_one_table_with_a_blank_column_stays_one(read):
    found = read("bridge id,survey date,,delaminated m2,spalled m2\n001,2024-05-06,,3,4\n")
    assert found.records["survey"][["delaminated_m2", "spalled_m2"]].to_numpy().tolist() == [[3, 4]]


@pytest.mark.parametrize("heads", ["year,month,day", "Jahr,Monat,Tag", "année,mois,jour"])
def test_a_day_in_three_columns_is_one(read, heads):
    found = read(f"bridge id,{heads},delaminated m2\n001,2024,5,6,3\n002,2024,13,6,3\n")
    assert found.records["survey"]["survey_date"].dt.strftime("%Y-%m-%d").tolist() == ["2024-05-06"]
    assert found.faults[["code", "line", "value"]].to_numpy().tolist() == [["R-DATE", 3, "2024-13-06"]]


@pytest.mark.basis("derived", "2,600 and 2,400 vehicles a day each way are 5,000 both ways")
def test_counts_by_direction_are_added(read):
    rows = read("bridge id,year,direction,aadt\n001,2024,N,2600\n001,2024,S,2400\n002,2024,N,900\n", "traffic.csv")
    assert rows.records["traffic"].set_index("bridge_id")["aadt"].to_dict() == {"001": 5000, "002": 900}
    assert rows.faults[["code", "line"]].to_numpy().tolist() == [["F-ONE-WAY", 4]]
    columns = read("bridge id,year,aadt northbound,aadt southbound\n001,2024,2600,2400\n002,2024,900,\n", "traffic.csv")
    assert columns.records["traffic"]["aadt"].tolist()[0] == 5000
    assert "002" not in set(columns.records["traffic"]["bridge_id"])


def test_two_counts_of_one_direction_are_not_added(read):
    found = read("bridge id,year,direction,aadt\n001,2024,N,2600\n001,2024,N,2400\n", "traffic.csv")
    assert set(found.faults["code"]) == {"R-CONFLICT"}


@pytest.mark.parametrize(
    ("cell", "count", "year"), [("450(92)", 450, 1992), ("1200 (2015)", 1200, 2015), ("80('05)", 80, 2005)]
)
def test_a_count_with_its_year_in_brackets(read, cell, count, year):
    found = read(f"bridge id,AADT\n001,{cell}\n", "traffic.csv").records["traffic"].iloc[0]
    assert (found["aadt"], found["year"]) == (count, year)


def test_rows_of_json_with_shapes_and_objects_inside(read):
    rows = [
        {"bridge_id": "K1", "name": "Mill", "geometry": {"type": "Point", "coordinates": [10.1, 60.1]}},
        {"bridge_id": "K2", "name": "Tarn", "geometry": None},
    ]
    found = read(json.dumps(rows), "bridges.json").records["bridge"]
    assert found["longitude_deg"].fillna(0).tolist() == [10.1, 0]
    nested = [{"bridge_id": "K1", "name": "Mill", "where": {"lat": 60.1, "lon": 10.1}, "deck": {"length m": 30}}]
    got = read(json.dumps(nested), "bridges.json").records
    assert got["bridge"]["latitude_deg"].tolist() == [60.1]
    assert got["deck"]["length_m"].tolist() == [30]


def test_a_table_in_the_description_of_a_place_is_read(read):
    def place(n, length):
        table = f"<table><tr><td>bridge_id</td><td>K{n}</td></tr><tr><td>length m</td><td>{length}</td></tr></table>"
        return (
            f"<Placemark><name>Mill {n}</name><description><![CDATA[{table}]]></description>"
            f"<Point><coordinates>10.{n},60.1</coordinates></Point></Placemark>"
        )

    text = (
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><name>bridges</name>'
        + place(1, 30) + place(2, 45) + "</Folder></Document></kml>"
    )  # fmt: skip
    found = read(text, "bridges.kml").records
    assert found["bridge"]["bridge_id"].tolist() == ["K1", "K2"]
    assert found["deck"]["length_m"].tolist() == [30, 45]
    assert found["bridge"]["longitude_deg"].tolist() == pytest.approx([10.1, 10.2])


@pytest.mark.basis("derived", "15 % of 40 by 10 m is 60 m2; 0.8 % is 3.2 m2")
def test_percentages_by_format_and_below_one(read, tmp_path, known):
    path = tmp_path / "surveys.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("surveys")
        sheet.write_row(0, 0, ["bridge id", "survey date", "delaminated"])
        sheet.write_row(1, 0, ["001", "2024-05-06"])
        sheet.write(1, 2, 0.15, book.add_format({"num_format": "0%"}))
    assert read_file(path, known=known, today=TODAY).records["survey"]["delaminated_m2"].tolist() == [60]
    found = read("bridge id,survey date,delaminated %\n001,2024-05-06,0.8\n002,2024-05-06,12\n")
    assert found.records["survey"]["delaminated_m2"].tolist() == pytest.approx([3.2, 48])


def test_three_lines_of_headers_and_a_line_of_units(read):
    text = (
        "District of Eastby,,,\nDeck survey,,Areas,\n,,Hollow,Spalls\nbridge id,survey date,m2,m2\n001,2024-05-06,3,4\n"
    )
    assert read(text, "survey.csv").records["survey"][["delaminated_m2", "spalled_m2"]].to_numpy().tolist() == [[3, 4]]

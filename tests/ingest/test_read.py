"""Files of every format read come out as text with the right lines."""

from __future__ import annotations

import zipfile

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
import xlsxwriter

from decknet.errors import RecordError
from decknet.ingest.read import read_tables

HEAD = "bridge id,survey date,delaminated m2,remark\n"


def _one(path, content, **how):
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    tables, _ = read_tables(path, **how)
    return tables[0]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le"])
def test_text_in_any_usual_encoding(tmp_path, encoding):
    table = _one(tmp_path / "s.csv", (HEAD + "001,2024-05-06,3.5,Århøj – “dry”\n").encode(encoding))
    assert table.headers == ("bridge id", "survey date", "delaminated m2", "remark")
    assert table.cells.iloc[0, 3] == "Århøj – “dry”"


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_any_delimiter_is_found(tmp_path, mark):
    text = (HEAD + "001,2024-05-06,3.5,\n002,2024-05-06,0,dry\n").replace(",", mark)
    table = _one(tmp_path / "s.csv", text)
    assert table.headers[2] == "delaminated m2"
    assert table.cells[0].tolist() == ["001", "002"]


def test_decimal_commas_do_not_pass_for_the_delimiter(tmp_path):
    table = _one(tmp_path / "s.csv", "bridge id;lon;lat\nA;9,80;56,10\nB;9,81;56,11\n")
    assert table.headers == ("bridge id", "lon", "lat")


def test_lines_are_counted_as_an_editor_shows_them(tmp_path):
    text = HEAD + '001,2024-05-06,1,"two\nlines"\r\n\n002,2024-05-06,2,one\n'
    table = _one(tmp_path / "s.csv", text)
    assert table.line.tolist() == [2, 5]
    assert table.cells.iloc[0, 3] == "two\nlines"


def test_a_quote_never_closed_is_refused_with_its_line(tmp_path):
    text = HEAD + '001,2024-05-06,1,"open\n' + "002,2024-05-06,2,x\n" * 5
    with pytest.raises(RecordError, match="line 2: a quoted cell"):
        _one(tmp_path / "s.csv", text)


def test_a_stray_quote_is_flagged_and_no_row_is_lost(tmp_path):
    table = _one(tmp_path / "s.csv", HEAD + '001,2024-05-06,1,"5" bars"\n002,2024-05-06,2,x\n')
    assert table.line.tolist() == [2, 3]
    assert [(o[0], o[1]) for o in table.odd] == [(0, "F-QUOTES")]


def test_nothing_is_taken_for_missing_while_reading(tmp_path):
    table = _one(tmp_path / "b.csv", "bridge id,name\nNA,null\n007,nan\n")
    assert table.cells[0].tolist() == ["NA", "007"]
    assert table.cells[1].tolist() == ["null", "nan"]


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("s.csv", b"", "empty"),
        ("s.csv", b"PK\x03\x04rest", "workbook"),
        ("s.csv", b"a,b\n\x00\x01\x02\xff\x00", "not text"),
        ("s.docx", b"x", "no format that is read"),
        ("s.xlsx", b"no workbook", "cannot be opened"),
        ("s.gpkg", b"no layers", "cannot be opened"),
        ("s.parquet", b"no rows", "cannot be read"),
        ("s.csv", b"only one column\nx\n", "header"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_by_name(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(RecordError, match=words) as caught:
        read_tables(path)
    assert name in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(RecordError, match="no such file"):
        read_tables(tmp_path / "gone.csv")


def _workbook(path):
    book = xlsxwriter.Workbook(path)
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    sheet = book.add_worksheet("North")
    sheet.merge_range("A1:F1", "Deck surveys")
    sheet.merge_range("A3:B3", "Bridge")
    sheet.write("C3", "Survey")
    sheet.merge_range("D3:E3", "Delaminated")
    sheet.write_row("A4", ["id", "name", "date", "m2", "% of deck"])
    for row, (ident, name, share) in enumerate([(417, "Tarn Ford", 5.25), ("0088", "NA", 0)], start=4):
        sheet.write(row, 0, ident)
        sheet.write(row, 1, name)
        sheet.write_datetime(row, 2, pd.Timestamp("2024-05-06").to_pydatetime(), day)
        sheet.write_number(row, 3, share * 4)
        sheet.write_number(row, 4, share)
    sheet.write_formula("D8", "=1/0", None, "#DIV/0!")
    sheet.write("A8", "0099")
    sheet.write("A9", "Total")
    sheet.write("D9", 21)
    sheet.write("A10", "* surveyed at night")
    book.add_worksheet("Empty")
    notes = book.add_worksheet("Notes")
    notes.write("A1", "Ask the crew about lane 2.")
    book.close()


def test_a_sheet_with_title_two_header_rows_and_a_total(tmp_path):
    path = tmp_path / "book.xlsx"
    _workbook(path)
    (table,), others = read_tables(path)
    assert table.headers == ("Bridge id", "Bridge name", "Survey date", "Delaminated m2", "Delaminated % of deck")
    assert table.line.tolist() == [5, 6, 8, 9, 10]
    assert table.cells.iloc[0].tolist() == ["417", "Tarn Ford", "2024-05-06", "21", "5.25"]
    assert table.cells.iloc[1, 1] == "NA"
    assert [(o[0], o[1], o[4]) for o in table.odd] == [(3, "S-TOTAL", "set aside"), (4, "S-NOTE", "set aside")]
    assert [s for s, _ in others] == ["Empty", "Notes"]


def test_an_error_in_a_cell_is_not_taken_for_an_empty_one(tmp_path):
    path = tmp_path / "book.xlsx"
    _workbook(path)
    (table,), _ = read_tables(path)
    assert table.cells.iloc[2, 3] == "#DIV/0!"


def test_a_named_sheet_that_is_not_there(tmp_path):
    path = tmp_path / "book.xlsx"
    _workbook(path)
    with pytest.raises(RecordError, match=r"no sheet or layer 'South'.*North"):
        read_tables(path, only="South")


def test_plain_parquet_keeps_whole_numbers_and_gaps(tmp_path):
    path = tmp_path / "b.parquet"
    point = shapely.to_wkb(shapely.Point(12.5, 55.6))
    table = pa.table({"bridge_id": ["007", None], "lanes": pa.array([2, None], pa.int64()), "geometry": [point, None]})
    pq.write_table(table, path)
    (found,), _ = read_tables(path)
    assert found.cells[0].tolist() == ["007", ""]
    assert found.cells[1].tolist() == ["2", ""]
    assert found.crs is None
    assert found.shape[0].equals(shapely.Point(12.5, 55.6))
    assert found.shape[1] is None


def test_geojson_in_metres_without_a_system_is_not_taken_for_degrees(tmp_path):
    text = (
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"bridge_id":"1","length_m":9},'
        '"geometry":{"type":"Point","coordinates":[352000,6620000]}}]}'
    )
    table = _one(tmp_path / "b.geojson", text)
    assert table.crs is None
    assert "no degrees" in table.notes[0]


def test_days_of_parquet_beyond_the_calendar_cost_no_other_cell(tmp_path):
    odd = {
        "days": pa.array([0, 10**9], pa.date32()),
        "times": pa.array([0, 2**62], pa.timestamp("us")),
        "zoned": pa.array([0, 1], pa.timestamp("s", "Nowhere/X")),
    }
    pq.write_table(pa.table({"bridge_id": ["1", "2"], **odd}), tmp_path / "x.parquet")
    (table,), _ = read_tables(tmp_path / "x.parquet")
    assert table.headers == ("bridge_id", "days", "times")
    assert table.cells[0].tolist() == ["1", "2"]
    assert table.cells[1].tolist()[0] == "1970-01-01"
    assert "1000000000" in table.cells[1].tolist()[1]
    assert any("'zoned'" in note for note in table.notes)


def test_layers_of_one_name_are_each_read_and_told_apart(tmp_path):
    def document(*numbers):
        folders = "".join(
            f"<Folder><name>defects</name><Placemark><name>{n}</name><Point><coordinates>9,56</coordinates></Point>"
            "</Placemark></Folder>"
            for n in numbers
        )
        return f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{folders}</Document></kml>'

    path = tmp_path / "x.kmz"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("doc.kml", document("a", "b"))
        archive.writestr("files/more.kml", document("c"))
    tables, _ = read_tables(path)
    names = [next(c for h, c in zip(t.headers, t.cells, strict=True) if h == "Name") for t in tables]
    assert [t.cells[n].tolist() for t, n in zip(tables, names, strict=True)] == [["a"], ["b"], ["c"]]
    assert len({t.sheet for t in tables}) == 3

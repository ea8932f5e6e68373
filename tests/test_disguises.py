"""The kinds of trouble of ``test_troubled_files`` in other dress: languages, layouts, units, systems, numbers.

Every file here is invented and written by the test.
"""

from __future__ import annotations

import json
import resource
import struct
import subprocess
import sys
import zipfile
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
import xlsxwriter

from decknet.columns import RECORDS
from tests.test_troubled_files import HEAD, District, book, layer

SURVEY = "bridge id,survey date,delaminated m2\n"


pytestmark = pytest.mark.slow  # as files of trouble, which a quick run holds; these are the rarer kinds


@pytest.fixture
def own(tmp_path, capsys):
    return District(tmp_path, capsys)


def areas(district):
    found = district["defect"]
    return dict(zip(found["defect_id"], shapely.area(found["shape"]).round(3), strict=True))


# ---- languages and numbers of bridges -------------------------------------------------------------


LANGUAGES = {
    "German": (
        (
            "Brücke;Name;Länge m;Breite m;Baujahr;DTV;Zähljahr\nB1;Grünwehr;61,5;10,4;1969;8.400;2019\n"
            "B2;Altwehr;60;10;1979;12.750;2020\n"
        ),
        "Bauwerksnummer;Datum;Hohlstellen m²;Abplatzungen (qm);Bemerkung\nB1;16.05.2023;86,4;1.034,5;nass\n",
    ),
    "French": (
        (
            "pont;nom;longueur m;largeur m;année de construction;TMJA;année de comptage\n"
            "B1;Étang;61,5;10,4;1969;8400;2019\n"
        ),
        "pont;date du relevé;décollements m²;éclats m²;remarque\nB1;16/05/2023;86,4;1034,5;mouillé\n",
    ),
    "Spanish": (
        (
            "puente;nombre;longitud total m;ancho m;año de construcción;IMD;año de aforo\n"
            "B1;Río;61,5;10,4;1969;8400;2019\n"
        ),
        "puente;fecha;delaminación m²;desconchados m²;observaciones\nB1;16/05/2023;86,4;1034,5;húmedo\n",
    ),
    "Danish": (
        "bro nr;navn;længde m;bredde m;byggeår;ÅDT;tælleår\nB1;Dige;61,5;10,4;1969;8400;2019\n",
        "bro nr;dato;delaminering m²;afskalning m²;bemærkning\nB1;16.05.2023;86,4;1034,5;våd\n",
    ),
}


@pytest.mark.parametrize(("bridges", "surveys"), LANGUAGES.values(), ids=LANGUAGES)
def test_headers_in_other_languages(own, bridges, surveys):
    assert own.load("a.csv", bridges.encode("cp1252")) == 0
    assert own.column("deck", "length_m")["B1"] == 61.5
    assert own.column("deck", "width_m")["B1"] == 10.4
    assert own.column("bridge", "built_year")["B1"] == 1969
    assert own["traffic"].iloc[0][["year", "aadt"]].tolist() == [2019, 8400.0]
    own.load("wider.csv", "bridge id,deck length m,deck width m\nB1,200,10.4\n", "--accept", "changes")
    assert own.load("b.csv", surveys.encode("cp1252")) == 0
    found = own["survey"].iloc[0]
    assert (found["delaminated_m2"], found["spalled_m2"]) == (86.4, 1034.5)
    assert f"{found['survey_date']:%Y-%m-%d}" == "2023-05-16"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig"])
def test_marks_of_other_encodings_and_blanks_that_cannot_be_seen(own, encoding):
    text = '\u200b"Bridge\u00a0ID"\t"Name"\t"Length (m)"\t"Width (m)"\r\n"Q1"\t"Åre, old"\t"40"\t"10"\r\n'
    assert own.load("b.txt", text.encode(encoding)) == 0
    assert own.column("bridge", "name") == {"Q1": "Åre, old"}


def test_numbers_of_bridges_written_by_a_hurried_hand_are_joined_and_said(own):
    text = HEAD + "00052B,a,20,10,1980\nA 017,b,20,10,1980\nB-101,c,20,10,1980\n00C,d,20,10,1980\n0c,e,20,10,1980\n"
    assert own.load("b.csv", text) == 0
    rows = "52B,2022-01-02,1\nA\u00a0017,2022-01-02,1\nb–101,2022-01-02,1\nC,2022-01-02,1\nA017,2022-01-02,1\n"
    assert own.load("s.csv", SURVEY + rows) == 1
    assert set(own["survey"]["deck_id"]) == {"00052B", "A 017", "B-101"}
    assert "'52B': Read as bridge 00052B" in own.said
    assert "00C and 0c both fit" in own.said
    assert "'A017': The bridge must be known. Is A 017 meant?" in own.said
    assert own.load("again.csv", "bridge id,built year\nb–101,1979\n", "--accept", "changes") == 0
    assert set(own["bridge"]["bridge_id"]) == {"00052B", "A 017", "B-101", "00C", "0c"}


def test_quotes_round_numbers_of_bridges_are_dropped_and_zeros_kept(own):
    rows = "=\"007\",a,20,10,1980\n'008',b,20,10,1980\n'009,c,20,10,1980\n"
    assert own.load("b.csv", HEAD + rows.replace('="007"', '"=""007"""')) == 0
    assert set(own["bridge"]["bridge_id"]) == {"007", "008", "009"}


# ---- dates and numbers ----------------------------------------------------------------------------


@pytest.mark.parametrize("look", ["dd/mm/yyyy", "mmm yy", "General", "0"])
def test_days_of_a_workbook_from_1904_however_they_are_shown(own, look):
    own.decks("X1,a,45,8,1980")
    made = xlsxwriter.Workbook(str(own.folder / "s.xlsx"), {"date_1904": True})
    page = made.add_worksheet()
    page.write_row(0, 0, ["bridge id", "survey date", "delaminated m2"])
    page.write_row(1, 0, ["X1", None, 1.0])
    page.write_datetime(1, 1, pd.Timestamp(1996, 2, 29), made.add_format({"num_format": look}))
    made.close()
    assert own.load("s.xlsx") == 0
    assert f"{own['survey']['survey_date'].iloc[0]:%Y-%m-%d}" == "1996-02-29"


@pytest.mark.parametrize(
    ("cells", "why"),
    [(["27/04/2022", "04/27/2022"], "can only be day first"), (["03.04.22", "11.04.22"], "alike")],
)
@pytest.mark.parametrize("kind", ["survey", "repair"])
def test_orders_of_days_that_contradict_or_cannot_be_told(own, cells, why, kind):
    own.decks("D1,One,40,10,1980", "D2,Two,40,10,1980")
    tail = "" if kind == "survey" else ",patch"
    head = (
        "bridge id,survey date,delaminated m2" if kind == "survey" else "bridge id,repair date,repaired m2,repair kind"
    )
    text = f"{head}\n" + "".join(f"D{i},{c},1{tail}\n" for i, c in enumerate(cells, 1))
    assert own.load("x.csv", text) == 1
    assert why in own.said
    assert "--dates day-first" in own.said
    assert own[kind].empty


def test_a_percentage_of_a_sheet_stands_as_it_is_shown(own):
    own.decks("P1,a,50,10,1980", "P2,a,50,10,1980")
    made = xlsxwriter.Workbook(str(own.folder / "s.xlsx"))
    page = made.add_worksheet()
    page.write_row(0, 0, ["bridge id", "survey date", "delaminated %"])
    page.write_row(1, 0, ["P1", "2022-05-06", 9.5])
    page.write_row(2, 0, ["P2", "2022-05-06"])
    page.write_number(2, 2, 0.095, made.add_format({"num_format": '0.0" "%'}))
    made.close()
    assert own.load("s.xlsx") == 0
    assert own["survey"]["delaminated_m2"].tolist() == pytest.approx([47.5, 47.5])


def test_percentages_that_may_be_shares_are_pointed_out(own):
    own.decks("P1,a,50,10,1980", "P2,a,50,10,1980")
    text = "bridge id,survey date,delaminated %\nP1,2022-05-06,0.5\nP2,2022-05-06,0.095\n"
    assert own.load("s.csv", text) == 0
    assert "F-PERCENT" in own.said
    assert own["survey"]["delaminated_m2"].tolist() == pytest.approx([2.5, 0.475])


@pytest.mark.basis("derived", "1 ft = 0.3048 m and 1 yd = 0.9144 m exactly")
def test_units_however_they_are_spelled_and_rows_without_one(own):
    units = {
        "SQ. FT.": 0.09290304,
        "ft^2": 0.09290304,
        "square feet": 0.09290304,
        "m^2": 1.0,
        "qm": 1.0,
        "sq yd": 0.83612736,
    }
    own.decks(*(f"U{i},a,50,10,1972" for i in range(8)))
    rows = "".join(f"U{i},2023-07-03,100,{u}\n" for i, u in enumerate(units))
    assert own.load("s.csv", f"bridge id,survey date,delaminated,unit\n{rows}U6,2023-07-03,100,acres\n") == 1
    assert own["survey"]["delaminated_m2"].tolist() == pytest.approx([100 * f for f in units.values()])
    assert "100 ft^2 is read as 9.2903 m2" in own.said
    assert "'acres' is no unit" in own.said
    mixed = "bridge id,survey date,delaminated\nU6,2023-07-04,350 SF\nU7,2023-07-04,14\n"
    assert own.load("t.csv", mixed) == 1
    assert "this one does not" in own.said
    header = "bridge id,survey date,delaminated (ft^2)\nU7,2023-07-05,100\n"
    assert own.load("u.csv", header) == 0
    assert own["survey"]["delaminated_m2"].iloc[-1] == pytest.approx(9.290304)


def test_counts_whose_year_stands_in_the_header(own):
    own.decks("Q1,a,50,10,1980", "Q2,a,50,10,1980")
    assert own.load("one.csv", "bridge id,AADT_2022\nQ1,200\n") == 0
    assert (
        own.load(
            "bridges.csv",
            "bridge id,name,deck length m,deck width m,AADT 2021\nQ2,b,50,10,300\n",
            "--accept",
            "changes",
        )
        == 0
    )
    assert own.load("several.csv", "bridge id,name,AADT 2015,AADT 2019\nQ1,a,100,150\nQ2,b,,250\n") == 0
    found = own["traffic"][["bridge_id", "year", "aadt"]].to_numpy().tolist()
    assert found == [
        ["Q1", 2015, 100.0],
        ["Q1", 2019, 150.0],
        ["Q1", 2022, 200.0],
        ["Q2", 2019, 250.0],
        ["Q2", 2021, 300.0],
    ]
    assert own.load("bad.csv", "bridge id,AADT 2015,AADT 2019\nQ1,about 100,150\n") == 1
    assert "bad.csv line 2, aadt 'about 100'" in own.said


# ---- sheets ---------------------------------------------------------------------------------------


def test_tables_below_each_other_on_one_sheet_are_all_read(own):
    own.decks("T1,a,50,10,1980")
    day = date(2022, 4, 4)
    rows = [
        ["District North"], [], ["Bridge id", "Survey date", "Delaminated m2"], ["T1", day, 1.0],
        ["Total", "", 1.0], [],
        ["Bridge id", "Repair date", "Repair kind", "Repaired m2"], ["T1", day, "patch", 5.0], [],
        ["Bridge id", "Count year", "AADT"], ["T1", 2021, 900],
    ]  # fmt: skip
    book(own.folder / "all.xlsx", rows)
    assert own.load("all.xlsx") == 0
    assert [len(own[k]) for k in ("survey", "repair", "traffic")] == [1, 1, 1]
    lines = ["Bridge id,Survey date,Delaminated m2", "T1,2023-04-04,2", "",
             "Bridge id,Repair date,Repair kind,Repaired m2",
             "T1,2023-04-04,patch,5", ""]  # fmt: skip
    assert own.load("text.csv", "\n".join(lines)) == 1  # as text the second is refused line by line, not lost
    assert "text.csv line 5" in own.said


def test_a_number_joined_over_several_rows_holds_for_each_and_a_header_repeated_is_none(own):
    own.decks("T1,a,50,10,1980", "T2,a,50,10,1980")
    made = xlsxwriter.Workbook(str(own.folder / "s.xlsx"))
    page = made.add_worksheet()
    page.write_row(0, 0, ["Bridge id", "Survey date", "Delaminated", "Spalled"])
    page.write_row(1, 2, ["(m²)", "(m²)"])
    page.merge_range(2, 0, 4, 0, "T1")
    for i, day in enumerate(["2018-04-04", "2020-04-04", "2022-04-04"]):
        page.write_row(2 + i, 1, [day, i + 1.0, 0.0])
    page.write_row(5, 0, ["Bridge id", "Survey date", "Delaminated", "Spalled"])
    page.write_row(6, 0, ["T2", "2022-04-04", 4.0, 0.0])
    page.write_row(7, 0, ["Moyenne", "", 2.5, 0.0])
    made.close()
    assert own.load("s.xlsx") == 0
    assert own["survey"]["delaminated_m2"].tolist() == [1.0, 2.0, 3.0, 4.0]
    assert "S-HEADER" in own.said
    assert "S-TOTAL" in own.said


def test_a_formula_never_calculated_in_a_record_is_no_missing_figure(own):
    own.decks("T1,a,50,10,1980", "T2,a,50,10,1980")
    path = book(own.folder / "s.xlsx", [["bridge id", "survey date", "delaminated m2"], ["T1", date(2022, 1, 2), 7.25],
                                        ["T2", date(2022, 1, 2), 3.0]])  # fmt: skip
    with zipfile.ZipFile(path) as old:
        parts = {n: old.read(n) for n in old.namelist()}
    sheet = parts["xl/worksheets/sheet1.xml"]
    assert sheet.count(b"<v>7.25</v>") == 1
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(b"<v>7.25</v>", b"<f>7+0.25</f>")
    with zipfile.ZipFile(path, "w") as new:
        for name, body in parts.items():
            new.writestr(name, body)
    assert own.load("s.xlsx") == 1
    assert own["survey"]["deck_id"].tolist() == ["T2"]
    assert "never calculated" in own.said


def test_sheets_and_columns_that_are_not_used_are_said(own):
    made = xlsxwriter.Workbook(str(own.folder / "b.xlsx"))
    page = made.add_worksheet("Bridges")
    page.write_row(0, 0, ["bridge id", "name", "deck length m", "deck width m", "colour of rail"])
    page.write_row(1, 0, ["A", "x", 20, 10, "grey"])
    other = made.add_worksheet("Contacts")
    other.write_row(0, 0, ["who", "phone"])
    other.write_row(1, 0, ["nobody", "1"])
    made.close()
    assert own.load("b.xlsx") == 0
    assert "Columns not used: 'colour of rail'" in own.said
    assert "Not read, sheet 'Contacts'" in own.said


OPEN = (
    '<?xml version="1.0"?><office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" '
    'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"><office:body>'
    '<office:spreadsheet><table:table table:name="Surveys">{rows}</table:table></office:spreadsheet></office:body>'
    "</office:document-content>"
)


def open_sheet(path, rows):
    """An OpenDocument workbook; a cell is text, or the attributes and the text shown."""
    body = ""
    for row in rows:
        body += "<table:table-row>"
        for cell in row:
            look, shown = cell if isinstance(cell, tuple) else ('office:value-type="string"', cell)
            body += f"<table:table-cell {look}><text:p>{shown}</text:p></table:table-cell>"
        body += "</table:table-row>"
    with zipfile.ZipFile(path, "w") as made:
        made.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        made.writestr("content.xml", OPEN.format(rows=body))
        made.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
            "<manifest:file-entry "
            'manifest:full-path="/" manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
            "</manifest:manifest>",
        )


def old_sheet(path, rows):
    """A workbook of the older binary layout: text, numbers, error cells as ("error", code)."""

    def record(kind, body):
        return struct.pack("<HH", kind, len(body)) + body

    cells = b""
    for i, row in enumerate(rows):
        for j, cell in enumerate(row):
            at = struct.pack("<HHH", i, j, 0)
            if isinstance(cell, tuple):
                cells += record(0x205, at + bytes([cell[1], 1]))
            elif isinstance(cell, str):
                cells += record(0x204, at + struct.pack("<HB", len(cell), 0) + cell.encode("latin-1"))
            else:
                cells += record(0x203, at + struct.pack("<d", cell))
    start = struct.pack("<HHHHII", 0x600, 5, 0x0DBB, 1996, 0, 6)
    name = b"Surveys"
    look = record(0xE0, struct.pack("<HHHBBBBIIH", 0, 0, 0, 0, 0, 0, 0, 0, 0, 0))
    lead = record(0x809, start) + record(0x22, b"\0\0") + look
    place = len(lead) + 4 + 8 + len(name) + 4
    book_ = lead + record(0x85, struct.pack("<IBBBB", place, 0, 0, len(name), 0) + name) + record(0x0A, b"")
    size = struct.pack("<IIHHH", 0, len(rows), 0, max(map(len, rows)), 0)
    sheet = record(0x809, start[:2] + b"\x10\0" + start[4:]) + record(0x200, size) + cells + record(0x0A, b"")
    stream = (book_ + sheet).ljust(4096, b"\0")
    blocks = -(-len(stream) // 512)
    stream = stream.ljust(blocks * 512, b"\0")
    chain = [*range(1, blocks), 0xFFFFFFFE, 0xFFFFFFFE, 0xFFFFFFFD]
    table = struct.pack("<128I", *chain, *[0xFFFFFFFF] * (128 - len(chain)))

    def entry(title, kind, child, first, length):
        text = title.encode("utf-16-le") + b"\0\0"
        out = text.ljust(64, b"\0") + struct.pack("<HBBIII", len(text), kind, 1, 0xFFFFFFFF, 0xFFFFFFFF, child)
        return out + b"\0" * 36 + struct.pack("<III", first, length, 0)

    folder = entry("Root Entry", 5, 1, 0xFFFFFFFE, 0) + entry("Workbook", 2, 0xFFFFFFFF, 0, len(stream))
    head = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 16 + struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + b"\0" * 6
    head += struct.pack("<IIIIIIIII", 0, 1, blocks, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    head += struct.pack("<109I", blocks + 1, *[0xFFFFFFFF] * 108)
    path.write_bytes(head + stream + folder.ljust(512, b"\0") + table)


def test_error_cells_of_open_and_of_old_workbooks_are_no_figures(own):
    own.decks(*(f"E{i},a,50,10,1980" for i in range(1, 5)))
    error = 'table:formula="of:=1/0" office:value-type="float" office:value="0" calcext:value-type="error"'
    head = ["bridge id", "survey date", "delaminated m2"]
    open_sheet(
        own.folder / "s.ods",
        [head, ["E1", "2022-05-06", (error, "#DIV/0!")],
         ["E2", "2022-05-06", ('office:value-type="float" office:value="3"', "3")],
         ["E3", "2022-05-06", ('office:value-type="percentage" office:value="0.1"', "10 %")]],
    )  # fmt: skip
    assert own.load("s.ods") == 1
    assert "'#DIV/0!'" in own.said
    assert own.column("survey", "delaminated_m2") == {"E2|2022-05-06|survey": 3.0, "E3|2022-05-06|survey": 50.0}
    old_sheet(own.folder / "s.xls", [head, ["E1", "2023-05-06", ("error", 7)], ["E4", "2023-05-06", 2.5],
                                     ["E2", "2023-05-06", ("error", 23)]])  # fmt: skip
    assert own.load("s.xls") == 1
    assert "'#DIV/0!'" in own.said
    assert "'#REF!'" in own.said
    assert own.column("survey", "delaminated_m2")["E4|2023-05-06|survey"] == 2.5
    assert len(own["survey"]) == 3


# ---- places and shapes ----------------------------------------------------------------------------


@pytest.mark.basis("derived", "PROJ, through pyproj, turns the same metres into degrees")
@pytest.mark.parametrize(
    "head",
    ["Easting (m),Northing (m)", "X,Y", "Rechtswert,Hochwert", "wkt", "SRID", "hex"],
)
def test_places_in_columns_wait_for_their_coordinate_system(own, head):
    cells = {"wkt": "POINT (352410 6620130)", "SRID": "SRID=32633;POINT (352410 6620130)",
             "hex": shapely.to_wkb(shapely.Point(352410, 6620130), hex=True)}.get(head, "352410,6620130")  # fmt: skip
    title = head if "," in head or head == "wkt" else "geometry"
    text = f"bridge id,name,{title},deck length m,deck width m\nB1,a,{cells},20,10\n"
    assert own.load("b.csv", text) == 0
    if head != "SRID":
        assert own["bridge"]["longitude_deg"].isna().all()
        assert "No coordinate system" in own.said
        assert own.load("b.csv", None, "--crs", "EPSG:32633") == 0
    found = own["bridge"].iloc[0]
    assert (found["longitude_deg"], found["latitude_deg"]) == pytest.approx((12.377769, 59.692922), abs=1e-6)


def test_positions_that_cannot_be_read_never_cost_the_bridge(own):
    text = (
        "bridge id,name,lon,lat,deck length m,deck width m\nP1,a,79.58.55.6W,40.26.46.8N,20,10\n"
        "P2,b,352410,6620130,20,10\n"
        "P3,c,181.5,-16.5,20,10\n"
    )
    assert own.load("b.csv", text) == 0
    assert len(own["bridge"]) == len(own["deck"]) == 3
    assert own["bridge"]["longitude_deg"].isna().all()
    assert "state the system of the coordinates" in own.said
    assert "Is -178.5, -16.5 meant" in own.said


def test_points_without_coordinates_are_named(own):
    points = [shapely.Point(10.5, 59.5), shapely.Point(), None]
    layer(own.folder / "bridges.gpkg", points, {"bridge_id": ["a", "b", "c"]}, "EPSG:4326",
          layer_name="bridges")  # fmt: skip
    assert own.load("bridges.gpkg") == 0
    assert own.said.count("F-NO-POSITION") == 2
    text = '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"bridge_id":"d"},"geometry":{"type":"Point","coordinates":[NaN,47.1]}},{"type":"Feature","properties":{"bridge_id":"e"},"geometry":{"type":"Point","coordinates":[10.4,59.4]}}]}'  # noqa: E501
    assert own.load("more_bridges.geojson", text) == 0
    assert own.said.count("F-NO-POSITION") == 1


def test_broken_json_is_refused_by_its_line_and_a_list_of_rows_is_read(own):
    own.decks("J1,a,50,10,1980")
    rows = '[\n{"bridge id":"J1","survey date":"2020-06-02","delaminated m2":2.5,"spalled m2":NaN},\n'
    assert own.load("surveys.json", rows) == 1
    assert "surveys.json line" in own.said
    assert "this is no JSON" in own.said
    assert own.load("surveys.json", rows.rstrip(",\n") + "\n]") == 0
    assert own["survey"]["delaminated_m2"].tolist() == [2.5]
    assert np.isnan(own["survey"]["spalled_m2"].iloc[0])


def test_shapes_that_mix_rings_parts_heights_and_systems(own):
    own.decks("C1,a,200,10,1979")
    shapes = {
        "hole": "POLYGON((0 0,6 0,6 4,0 4,0 0),(1 1,2 1,2 2,1 2,1 1))",
        "parts": "MULTIPOLYGON(((10 0,14 0,14 2,10 2,10 0)),((12 1,16 1,16 3,12 3,12 1)))",
        "mixed": "GEOMETRYCOLLECTION(POINT(20 0),POLYGON((20 0,22 0,22 1,20 1,20 0)))",
        "heights": "polygon z((30 0 5,32 0 5,32 1 5,30 1 5,30 0 5))",
        "line": "LINESTRING(46 0,47 0,47 1)",
        "ground": "SRID=4326;POLYGON((48 0,49 0,49 1,48 1,48 0))",
        "curve": "CURVEPOLYGON(CIRCULARSTRING(60 0,61 1,62 0,61 -1,60 0))",
        "endless": "POLYGON((70 0,72 0,72 1e400,70 1,70 0))",
    }
    text = "".join(f'C1,2023-06-01,{n},"{w}"\n' for n, w in shapes.items())
    assert own.load("delaminations.csv", "bridge id,survey date,polygon,wkt\n" + text) == 1
    assert areas(own) == {"hole": 23.0, "parts": 14.0, "mixed": 2.0, "heights": 2.0}
    for line in range(6, 10):
        assert f"delaminations.csv line {line}," in own.said
    assert "straight sides" in own.said


def curve(kind, *parts):
    return struct.pack("<BII", 1, kind, len(parts)) + b"".join(parts)


def arc(*points):
    return struct.pack("<BII", 1, 8, len(points)) + b"".join(struct.pack("<dd", *p) for p in points)


@pytest.mark.basis("derived", "a circle of radius 1 m has pi m2, a half of it pi / 2; drawn in steps of 4 degrees")
def test_true_curves_of_a_geopackage_are_read_and_those_of_parquet_refused_by_line(own):
    own.decks("C1,a,200,10,1979")
    circle = curve(10, arc((60, 0), (61, 1), (62, 0), (61, -1), (60, 0)))
    side = struct.pack("<BII", 1, 2, 2) + struct.pack("<dddd", 72, 0, 70, 0)
    half = curve(10, curve(9, arc((70, 0), (71, 1), (72, 0)), side))
    names = {"bridge_id": ["C1"] * 3, "survey_date": ["2023-06-01"] * 3, "polygon": ["circle", "half", "both"]}
    data = np.array([circle, half, curve(12, circle, half)], dtype=object)
    path = own.folder / "delaminations.gpkg"
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        pyogrio.raw.write(path, data, [np.array(v, dtype=object) for v in names.values()], list(names),
                          geometry_type="Unknown", layer="delaminations")  # fmt: skip
    assert own.load(path.name) == 0
    assert areas(own) == pytest.approx({"circle": np.pi, "half": np.pi / 2, "both": np.pi * 1.5}, rel=2e-3)
    square = shapely.to_wkb(shapely.box(0, 0, 2, 2))
    table = pa.table({"bridge_id": ["C1"] * 2, "survey_date": ["2024-06-01"] * 2, "geometry": [circle, square]})
    pq.write_table(table, own.folder / "delaminations.parquet")
    assert own.load("delaminations.parquet") == 1
    assert "line 2" in own.said
    assert "curves" in own.said


def test_a_header_cut_with_its_unit_is_said_with_the_units_it_may_have(own):
    layer(own.folder / "bridges.shp", [shapely.Point(10, 59)], {"bridge_id": ["A1"], "deck_lengt": [30.0]}, "EPSG:4326",
          geometry_type="Point")  # fmt: skip
    assert own.load("bridges.shp") == 1
    assert '"deck_lengt" = "length_m in ft"' in own.said


# ---- works ----------------------------------------------------------------------------------------


def test_treatments_named_at_length_keep_their_depth(own):
    own.decks("R1,a,200,10,1980")
    rows = [
        "PATCHING (partial depth)",
        "full depth patch",
        "Overlay - latex",
        "Betonersatz",
        "thin epoxy overlay, night",
        "shrug",
    ]
    text = "".join(f'R1,2021-0{i}-02,"{w}",5\n' for i, w in enumerate(rows, 1))
    assert own.load("repairs.csv", "bridge id,repair date,repair kind,repaired m2\n" + text) == 1
    found = own["repair"].sort_values("repair_date")
    assert found["treatment"].tolist() == ["patch", "patch", "rigid overlay", "patch", "thin overlay"]
    assert found["depth_class"].tolist()[:2] == ["partial", "full"]
    assert "'shrug'" in own.said


# ---- two states in one store ----------------------------------------------------------------------

ITEMS = ("STATE_CODE_001,STRUCTURE_NUMBER_008,STRUCTURE_LEN_MT_049,DECK_WIDTH_MT_052,YEAR_BUILT_027,"
         "DECK_STRUCTURE_TYPE_107,DECK_COND_058,DATE_OF_INSPECT_090\n")  # fmt: skip


def test_a_number_of_another_state_never_stands_for_a_bridge_on_record(own):
    assert own.load("inventory-2020-a.txt", ITEMS + "02,000A1,40,10,1970,1,6,519\n02,000A2,40,10,1970,1,6,519\n") == 0
    other = ITEMS + "48,000A1,90,12,1990,1,8,519\n48,000B7,90,12,1990,1,8,519\n"
    assert own.load("inventory-2020-b.txt", other) == 1
    assert "bridge 000A1 is a bridge of state 2 already, and this row is of state 48" in own.said.replace(
        "Bridge", "bridge"
    )
    assert own.column("deck", "length_m") == {"000A1": 40.0, "000A2": 40.0, "000B7": 90.0}
    assert own.column("bridge", "state_code") == {"000A1": "02", "000A2": "02", "000B7": "48"}
    both = ITEMS + "02,X9,40,10,1970,1,6,519\n48,X9,90,12,1990,1,8,519\n"
    assert own.load("inventory-2020-c.txt", both) == 1
    assert "R-OTHER-STATE" in own.said
    assert own.column("deck", "length_m")["X9"] == 40.0
    elements = [
        {"BID01": "000A1", "BL01": "48", "BIE03": "20240506", "ELEMENTS": [{"BE01": "12", "BE03": 400, "BCS01": 400}]}
    ]
    own.load("bridges-2024.json", json.dumps(elements))
    assert "R-OTHER-STATE" in own.said
    assert own["element_quantity"].empty


# ---- a disk that is full --------------------------------------------------------------------------

RUN = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
from decknet.cli import main
sys.exit(main(sys.argv[2:]))
"""


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="files cannot be held to a size here")
@pytest.mark.parametrize("what", ["map", "workbook", "geopackage", "report"])
def test_a_disk_that_fills_up_leaves_the_older_file_whole(own, what, tmp_path):
    own.load("b.csv", HEAD.replace("name,", "name,lon,lat,") + "B1,x,7.1,50.1,20,10,1970\n")
    folder = tmp_path / "out"
    folder.mkdir()
    name = {"map": "m.html", "workbook": "w.xlsx", "geopackage": "g.gpkg", "report": "map.html"}[what]
    (folder / name).write_bytes(b"the older one")
    words = {
        "map": ["map", own.path, "-o", folder / name],
        "workbook": ["check", own.path, "-o", folder / name],
        "geopackage": ["export", own.path, "--as", "geopackage", "-o", folder / name],
        "report": ["report", own.path, "--budget", "100000", "--save-to", folder],
    }[what]
    done = subprocess.run(
        [sys.executable, "-c", RUN, "4000", *map(str, words)], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert done.stderr.startswith("decknet: ")
    assert "written" in done.stderr
    assert [p.name for p in folder.iterdir()] == [name]
    assert (folder / name).read_bytes() == b"the older one"


def test_every_kind_of_record_names_its_columns_once():
    for record in RECORDS.values():
        assert len(set(record.names())) == len(record.names())

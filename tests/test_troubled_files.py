"""Files as districts hold them, each with one kind of trouble, through the commands: stored right or refused plainly.

Every file here is invented and written by the test.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
import tempfile
import warnings
import zipfile
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
import xlsxwriter

from decknet.cli import main
from decknet.columns import RECORDS
from decknet.keep import Store
from decknet.measure import survey_shares

pytestmark = pytest.mark.slow

HEAD = "bridge id,name,deck length m,deck width m,built year\n"


@cache
def _empty():
    """The bytes of a store that the command has just made."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "d.duckdb"
        assert main(["new", str(path)]) == 0
        return path.read_bytes()


class District:
    """A store in a folder, filled by the commands."""

    def __init__(self, folder, capsys):
        self.folder, self.path, self._capsys = folder, folder / "d.duckdb", capsys
        self.path.write_bytes(_empty())
        capsys.readouterr()

    def run(self, *words):
        code = main([str(w) for w in words])
        out, err = self._capsys.readouterr()
        self.said = " ".join((out + err).split())
        assert "Traceback" not in self.said
        return code

    def load(self, name, content=None, *options):
        path = self.folder / name
        if content is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return self.run("load", self.path, path, "--all", *options)

    def decks(self, *rows):
        assert self.load("inventory.csv", HEAD + "".join(f"{r}\n" for r in rows)) == 0

    def __getitem__(self, kind):
        with Store.open(self.path) as store:
            return store.current(kind)

    def column(self, kind, name):
        frame = self[kind]
        return dict(zip(frame[RECORDS[kind].key[0]], frame[name], strict=True))

    def shares(self):
        decks = self["deck"]
        return survey_shares(self["survey"], self["defect"], decks).set_index("survey_id")


@pytest.fixture
def district(tmp_path, capsys):
    return District(tmp_path, capsys)


def book(path, rows, *, dates=(), merges=(), epoch_1904=False, hidden=(), sheet="Surveys"):
    """A workbook: text, numbers, days; a formula where a text opens with "=" and stands in a tuple."""
    made = xlsxwriter.Workbook(str(path), {"date_1904": epoch_1904, "strings_to_formulas": False})
    page = made.add_worksheet(sheet)
    look = made.add_format({"num_format": "yyyy-mm-dd"})
    for i, row in enumerate(rows):
        for j, cell in enumerate(row):
            if isinstance(cell, date):
                page.write_datetime(i, j, pd.Timestamp(cell).to_pydatetime(), look)
            elif isinstance(cell, tuple):
                page.write_formula(i, j, cell[0], None, "")
            elif isinstance(cell, (int, float)):
                page.write_number(i, j, cell)
            elif cell:
                page.write_string(i, j, cell)
        if i in hidden:
            page.set_row(i, None, None, {"hidden": True})
    for a, b, c, d, text in merges:
        page.merge_range(a, b, c, d, text)
    made.close()
    return path


def layer(path, shapes, fields, crs=None, layer_name=None, **how):
    """A file of shapes; no coordinate system where none is given."""
    more = {"crs": crs} if crs else {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.raw.write(
            path, np.array([None if s is None else shapely.to_wkb(s) for s in shapes], dtype=object),
            [np.array(v, dtype=object) for v in fields.values()], list(fields), layer=layer_name,
            **{"geometry_type": "Unknown", **more, **how},
        )  # fmt: skip
    return path


# ---- text ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("first", ["\ufeff", "", "sep=,\n"])
def test_a_mark_or_a_quote_never_gets_into_the_first_header(district, first):
    text = first + '"bridge id","name","deck length m","deck width m"\r\n"Q-7","Ferry Gap",40.0,10.5\r\n'
    assert district.load("bridges.csv", text) == 0
    assert district.column("bridge", "name") == {"Q-7": "Ferry Gap"}
    assert district.column("deck", "length_m") == {"Q-7": 40.0}


def test_windows_text_with_decimal_commas_and_thousands_points(district):
    bridges = (
        "bridge id;name;lon;lat;deck length m;deck width m;AADT;count year\n"
        "W1;Sønder Åbro;9,70001;56,20002;71,5;20;9.600;2021\nW2;Grünwehr;9,71002;56,21003;140,25;12;11.250;2022\n"
    )
    assert district.load("bridges.csv", bridges.encode("cp1252")) == 0
    surveys = "bridge id;survey date;delaminated m²;spalled m²;remark\nW1;2023-05-16;1.204,5;12,75;lane 2 – “wet”\n"
    assert district.load("surveys.csv", surveys.encode("cp1252")) == 0
    assert district.column("bridge", "name") == {"W1": "Sønder Åbro", "W2": "Grünwehr"}
    assert district.column("traffic", "aadt") == {"W1": 9600.0, "W2": 11250.0}
    assert district.column("bridge", "longitude_deg") == {"W1": 9.70001, "W2": 9.71002}
    survey = district["survey"].iloc[0]
    assert (survey["delaminated_m2"], survey["spalled_m2"]) == (1204.5, 12.75)
    assert survey["remarks"] == "lane 2 – “wet”"


def test_a_thousand_and_a_part_are_not_told_apart_by_guess(district):
    text = "bridge id;count year;AADT\nW1;2021;12.750\n"
    district.decks("W1,One,40,10,1980")
    assert district.load("traffic.csv", text) == 1
    assert "12750 or 12.750" in district.said
    assert "--decimal" in district.said
    assert district["traffic"].empty
    assert district.load("traffic.csv", None, "--decimal", "comma") == 0
    assert district.column("traffic", "aadt") == {"W1": 12750.0}


@pytest.mark.parametrize(
    ("cells", "days"),
    [
        (["07/03/2021", "09/11/2021", "26/04/2021"], ["2021-03-07", "2021-11-09", "2021-04-26"]),
        (["03.07.21", "26.04.21", "09.11.21"], ["2021-07-03", "2021-04-26", "2021-11-09"]),
        (["3 Mar 2021", "April 26, 2021", "9. November 2021"], ["2021-03-03", "2021-04-26", "2021-11-09"]),
        (["2021-3-7", "2021/11/09", "20210426"], ["2021-03-07", "2021-11-09", "2021-04-26"]),
        (["3/27/2021", "4/2/2021 10:30", "11/9/2021"], ["2021-03-27", "2021-04-02", "2021-11-09"]),
    ],
)
def test_a_column_of_days_has_one_order(district, cells, days):
    district.decks("D1,One,40,10,1980", "D2,Two,40,10,1980", "D3,Three,40,10,1980")
    text = "bridge id,survey date,delaminated m2\n" + "".join(f'D{i},"{c}",1\n' for i, c in enumerate(cells, 1))
    assert district.load("surveys.csv", text) == 0
    assert district["survey"].sort_values("deck_id")["survey_date"].dt.strftime("%Y-%m-%d").tolist() == days


@pytest.mark.parametrize("cells", [["03/04/2022", "11/04/2022"], ["05-06-07", "08-09-10"]])
def test_days_with_two_readings_are_refused_until_the_order_is_stated(district, cells):
    district.decks("D1,One,40,10,1980", "D2,Two,40,10,1980")
    text = "bridge id,survey date,delaminated m2\n" + "".join(f"D{i},{c},1\n" for i, c in enumerate(cells, 1))
    assert district.load("surveys.csv", text) == 1
    assert "alike" in district.said
    assert "--dates day-first" in district.said
    assert district["survey"].empty
    assert district.load("surveys.csv", None, "--dates", "day-first") == 0
    assert district["survey"]["survey_date"].dt.day.tolist() == [int(c[:2]) for c in cells]


def test_numbers_written_as_words_are_named_and_never_0(district):
    district.decks(*(f"N{i},x,40,10,1980" for i in range(1, 7)))
    text = (
        "bridge id,survey date,delaminated m2,spalled m2\nN1,2022-10-01,12.5 m2,0\nN2,2022-10-01, 7.25\u00a0 ,-\n"
        "N3,2022-10-01,<1,n/a\nN4,2022-10-01,trace,0.4\nN5,2022-10-01,~20,0\nN6,2022-10-01,about 3,0\n"
    )
    assert district.load("surveys.csv", text) == 1
    assert district["survey"]["delaminated_m2"].tolist() == [12.5, 7.25]
    assert np.isnan(district["survey"]["spalled_m2"].iloc[1])
    for line, cell in ((4, "<1"), (5, "trace"), (6, "~20"), (7, "about 3")):
        assert f"line {line}, delaminated m2 '{cell}'" in district.said


@pytest.mark.basis("derived", "1 ft = 0.3048 m exactly, so 1 ft² = 0.09290304 m²")
def test_units_of_the_row_of_the_cell_and_of_the_header(district):
    district.decks("U1,a,50,10,1972", "U2,b,40,10,1978", "U3,c,30,10,1986", "U4,d,20,10,1990")
    text = (
        "bridge id,survey date,delaminated,unit\nU1,2023-07-03,32.5,m2\nU2,2023-07-03,538.2,sq ft\n"
        "U3,2023-07-04,9.5,%\nU4,2023-07-04,14,\nU1,2021-07-04,350,SF\n"
    )
    assert district.load("surveys.csv", text) == 1
    found = district["survey"].set_index("survey_id")["delaminated_m2"]
    assert found.round(3).to_dict() == {
        "U1|2021-07-04|survey": 32.516, "U1|2023-07-03|survey": 32.5, "U2|2023-07-03|survey": 50.0,
        "U3|2023-07-04|survey": 28.5,
    }  # fmt: skip
    assert "line 5, unit" in district.said
    feet = "bridge id,deck length (ft),deck width (ft)\nU9,100,40\n"
    assert district.load("feet.csv", feet) == 0
    assert district.column("deck", "length_m")["U9"] == pytest.approx(30.48)
    below = "bridge id,length,width\n,ft,ft\nU8,100,40\n"
    assert district.load("more_bridges.csv", below) == 0
    assert district.column("deck", "length_m")["U8"] == pytest.approx(30.48)


def test_stations_of_kilometres_and_metres(district):
    district.decks("K1,a,45,8,2001")
    text = (
        "bridge id,survey date,from station,to station,from offset m,to offset m\n"
        "K1,2023-09-01,0+004.0,0+009.5,0.0,2.0\n"
        "K1,2023-09-01,0+012.500,0+014.000,-3.0,-1.0\nK1,2023-09-01,0+041.0,0+038.0,1.0,3.0\n"
    )
    assert district.load("delaminations.csv", text) == 0
    assert sorted(shapely.area(district["defect"]["shape"]).round(6)) == [3.0, 6.0, 11.0]
    assert district.shares()["delaminated_share"].round(4).tolist() == [0.0556]
    assert "line 4" in district.said


def test_a_remark_longer_than_a_cell_of_a_sheet_is_kept_whole(district):
    district.decks("L1,a,45,8,2001")
    text = "Span 1 hollow; " * 3000
    assert district.load("surveys.csv", f'bridge id,survey date,delaminated m2,remark\nL1,2022-03-01,2,"{text}"\n') == 0
    assert district["survey"]["remarks"].iloc[0] == text.strip()


def test_names_that_look_like_formulas_and_markup_are_stored_as_typed(district):
    names = ["=2+2", "@SUM(1,1)", "-3 spans", "<b>x</b>", 'A`s "Old" Bridge\\', "NA", "O'Neil & Co <West>"]
    rows = "".join(f'F{i},"{n.replace(chr(34), chr(34) * 2)}",20,10,1970\n' for i, n in enumerate(names))
    assert district.load("bridges.csv", HEAD + rows) == 0
    assert list(district.column("bridge", "name").values()) == names


# ---- sheets -------------------------------------------------------------------------------------


def test_days_of_a_workbook_that_counts_from_1904(district):
    district.decks("X1,a,45,8,1980", "X2,b,45,8,1980")
    rows = [
        ["bridge id", "survey date", "delaminated m2"],
        ["X1", date(2021, 6, 15), 3.0],
        ["X2", date(1996, 2, 29), 1.0],
    ]
    book(district.folder / "surveys.xlsx", rows, epoch_1904=True)
    assert district.load("surveys.xlsx") == 0
    assert district["survey"]["survey_date"].dt.strftime("%Y-%m-%d").tolist() == ["2021-06-15", "1996-02-29"]


@pytest.mark.parametrize(("old", "day"), [(False, "2021-06-15"), (True, "2025-06-16")])
def test_a_bare_day_number_is_read_by_the_workbooks_own_day_0(district, old, day):
    district.decks("X1,a,45,8,1980", "X2,b,45,8,1980")
    rows = [["bridge id", "survey date", "delaminated m2"], ["X1", 44362, 3.0], ["X2", date(2022, 1, 2), 1.0]]
    book(district.folder / "surveys.xlsx", rows, epoch_1904=old)
    assert district.load("surveys.xlsx") == 0
    assert f"{district['survey']['survey_date'].min():%Y-%m-%d}" in (day, "2022-01-02")
    assert "F-SERIAL" in district.said
    assert day in district["survey"]["survey_date"].dt.strftime("%Y-%m-%d").tolist()


def test_ids_keep_their_zeros_and_lost_ones_are_never_invented(district):
    district.decks(
        "000000000000612,a,30,10,1970", "00000000000077C,b,18,10,1970", "0099,c,25,9,1985", "00099,d,25,9,1986"
    )
    head = ["bridge id", "survey date", "delaminated m2"]
    day = date(2022, 5, 3)
    rows = [
        head,
        [612, day, 6.0],
        ["00000000000077C", day, 3.5],
        [99, day, 11.0],
        ["613.0", day, 1.0],
        ["6.1E+11", day, 1],
    ]
    book(district.folder / "surveys.xlsx", rows)
    assert district.load("surveys.xlsx") == 1
    assert set(district["survey"]["deck_id"]) == {"000000000000612", "00000000000077C"}
    assert "'612': Read as bridge 000000000000612" in district.said
    assert "0099 both fit" in district.said or "00099 and 0099 both fit" in district.said
    assert "R-ID-DIGITS" in district.said
    again = "bridge id,built year\n612,1971\n"
    assert district.load("bridges_again.csv", again, "--accept", "changes") == 0
    assert "612" not in set(district["bridge"]["bridge_id"])
    assert district.column("bridge", "built_year")["000000000000612"] == 1971


@pytest.mark.parametrize("text", [False, True])
def test_title_two_header_rows_blank_row_total_and_footnote(district, text):
    district.decks(*(f"T{i},x,50,10,1980" for i in range(1, 5)))
    days = [date(2022, 4, d) for d in (4, 5, 5, 6)]
    rows = [
        ["Deck surveys, west", "", "", "", "", ""], [""], ["Bridge", "", "Survey", "Delaminated", "", "Spalled"],
        ["id", "name", "date", "m2", "% of deck", "m2"], ["T1", "Alder", days[0], 21.0, 4.2, 1.0],
        ["T2", "Birch", days[1], 13.5, 2.7, 0.0], [""], ["T3", "Cedar", days[2], 66.0, 13.2, 9.5],
        ["T4", "Elm", days[3], 0.0, 0.0, 0.0], ["Total", "", "", ("=SUM(D5:D9)",), "", 10.5],
        ["* T3 at night", "", "", "", "", ""],
    ]  # fmt: skip
    if text:
        lines = [",".join("" if isinstance(c, tuple) else str(c) for c in row) for row in rows]
        assert district.load("surveys.csv", "\n".join(lines) + "\n") == 0
    else:
        book(
            district.folder / "surveys.xlsx",
            rows,
            merges=[(2, 0, 2, 1, "Bridge"), (2, 3, 2, 4, "Delaminated")],
            hidden=[5],
        )
        assert district.load("surveys.xlsx") == 0
        assert "line 6: The row is hidden" in district.said
    assert district["survey"]["delaminated_m2"].tolist() == [21.0, 13.5, 66.0, 0.0]
    assert district["survey"]["spalled_m2"].tolist() == [1.0, 0.0, 9.5, 0.0]
    assert "S-TOTAL" in district.said
    assert "S-NOTE" in district.said
    assert "F-TWO-FIGURES" not in district.said


def test_an_area_and_a_share_that_do_not_agree_are_flagged(district):
    district.decks("T1,x,50,10,1980")
    assert (
        district.load("surveys.csv", "bridge id,survey date,delaminated m2,delaminated %\nT1,2022-04-04,21,9.9\n") == 0
    )
    assert "F-TWO-FIGURES" in district.said
    assert district["survey"]["delaminated_m2"].tolist() == [21.0]


def test_two_headers_of_one_name_are_settled_by_a_mapping(district):
    district.decks("T1,x,50,10,1980")
    text = "bridge id,survey date,hollow m2,hollow m2\nT1,2022-04-04,21,22\n"
    assert district.load("surveys.csv", text) == 1
    assert "hollow m2 (2)" in district.said
    district.folder.joinpath("m.toml").write_text('[columns]\n"hollow m2" = ""\n"hollow m2 (2)" = "delaminated_m2"\n')
    assert district.load("surveys.csv", None, "--map", district.folder / "m.toml") == 0
    assert district["survey"]["delaminated_m2"].tolist() == [22.0]


# ---- places -------------------------------------------------------------------------------------


def test_exchanged_zero_and_half_positions_are_not_used_and_no_bridge_is_lost(district):
    text = (
        "bridge id,name,lon,lat,deck length m,deck width m\nP1,a,-100.02,40.12,40,10\nP2,b,40.13,-100.03,52,11\n"
        "P3,c,-99.99,40.09,35,10\nP4,d,0,0,28,9\nP5,e,-100.01,,31,9\n"
    )
    assert district.load("bridges.csv", text) == 0
    found = district["bridge"].set_index("bridge_id")
    assert found["longitude_deg"].dropna().to_dict() == {"P1": -100.02, "P3": -99.99}
    assert "-100.03, 40.13" in district.said
    assert len(found) == 5
    assert district.run("map", district.path, "-o", district.folder / "m.html") == 0
    assert "2 decks drawn; 3 without" in district.said
    assert district.run("rank", district.path) == 0


def test_positions_that_could_be_but_stand_out_from_the_rest(district):
    rows = [f"P{i},x,{10.4 + i / 100},{59.7 + i / 100},40,10" for i in range(6)]
    rows += ["P7,x,59.75,10.45,40,10", "P8,x,-10.45,59.75,40,10", "P9,x,14.9,50.1,40,10"]
    assert (
        district.load("bridges.csv", "bridge id,name,lon,lat,deck length m,deck width m\n" + "\n".join(rows) + "\n")
        == 0
    )
    found = district["bridge"].set_index("bridge_id")["longitude_deg"]
    assert found.isna().sum() == 2
    assert np.isnan(found["P7"])
    assert np.isnan(found["P8"])
    for code in ("F-SWAPPED", "F-SIGN", "F-FAR"):
        assert code in district.said


@pytest.mark.parametrize(
    ("lon", "lat"),
    [("10.5 W", "59.25 N"), ("10°30'00\"W", "59°15'00\"N"), ("10 30 0 W", "N 59 15 0"), ("-10,5", "59,25")],
)
def test_degrees_with_letters_and_signs(district, lon, lat):
    quoted = [f'"{c.replace(chr(34), chr(34) * 2)}"' for c in (lon, lat)]
    text = f"bridge id,name,lon,lat,deck length m,deck width m\nP1,a,{','.join(quoted)},40,10\n"
    assert district.load("bridges.csv", text) == 0
    assert district.column("bridge", "longitude_deg")["P1"] == pytest.approx(-10.5)
    assert district.column("bridge", "latitude_deg")["P1"] == pytest.approx(59.25)


@pytest.mark.basis("derived", "degrees + minutes/60 + seconds/3600, worked by hand")
def test_packed_degrees_of_the_national_inventory(district):
    text = (
        "STRUCTURE_NUMBER_008,LAT_016,LONG_017,STRUCTURE_LEN_MT_049,DECK_WIDTH_MT_052,YEAR_BUILT_027,ADT_029,"
        "YEAR_ADT_030,"
        "DECK_STRUCTURE_TYPE_107\n'000000000000B01',41304500,071153000,000048.2,011.6,1968,004300,2020,1\n"
        "'000000000000B02',41000000,71000000,000031.0,009.8,1975,001150,2020,1\n"
        "'000000000000B03',41714500,071153000,000020.0,009.0,1950,000090,2020,1\n"
        "'000000000000B04',00000000,000000000,000015.0,008.0,1948,000000,2020,1\n"
    )
    assert district.load("inventory.csv", text) == 0
    found = district["bridge"].set_index("bridge_id")[["longitude_deg", "latitude_deg"]]
    assert found.loc["000000000000B01"].tolist() == pytest.approx([-71.2583333, 41.5125], abs=1e-6)
    assert found.loc["000000000000B02"].tolist() == [-71.0, 41.0]
    assert found.loc["000000000000B03"].isna().all()
    assert found.loc["000000000000B04"].isna().all()
    assert "F-ZERO-TRAFFIC" in district.said


@pytest.mark.basis("derived", "PROJ, through pyproj, turns the same metres into degrees")
@pytest.mark.parametrize("ending", [".shp", ".parquet"])
def test_without_a_coordinate_system_no_position_is_used_until_one_is_stated(district, ending):
    import pyproj

    points = [shapely.Point(352_100, 6_620_300), shapely.Point(352_700, 6_622_000)]
    fields = {"bridge_id": ["S1", "S2"], "len_m": [44.0, 71.5], "wid_m": [10.0, 12.0]}
    path = district.folder / f"bridges{ending}"
    if ending == ".shp":
        layer(path, points, fields, geometry_type="Point")
        path.with_suffix(".prj").unlink(missing_ok=True)
    else:
        pq.write_table(pa.table({**fields, "geometry": shapely.to_wkb(points).tolist()}), path)
    assert district.load(path.name) == 0
    assert district["bridge"]["longitude_deg"].isna().all()
    assert "No coordinate system" in district.said
    assert "EPSG:32633" in district.said
    assert district.load(path.name, None, "--crs", "EPSG:32633") == 0
    turn = pyproj.Transformer.from_crs(32633, 4326, always_xy=True)
    lon, lat = turn.transform([p.x for p in points], [p.y for p in points])
    assert district["bridge"]["longitude_deg"].tolist() == pytest.approx(lon, abs=1e-6)
    assert district["bridge"]["latitude_deg"].tolist() == pytest.approx(lat, abs=1e-6)
    assert "1 open entry of an earlier file is put right" in district.said
    assert district.column("deck", "length_m") == {"S1": 44.0, "S2": 71.5}


@pytest.mark.basis("derived", "a rectangle of 55 m by 12 m laid out by distance and azimuth on the ellipsoid: 660 m²")
@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:32633"])
def test_an_outline_on_the_ground_is_measured_on_the_ground(district, crs):
    import pyproj

    geod = pyproj.Geod(ellps="WGS84")
    corners = []
    for along, across in ((0, -6), (55, -6), (55, 6), (0, 6)):
        lon, lat, _ = geod.fwd(14.3, 63.1, 40.0, along)
        corners.append(geod.fwd(lon, lat, 130.0, across)[:2])
    turn = pyproj.Transformer.from_crs(4326, crs, always_xy=True)
    shape = shapely.Polygon([turn.transform(*c) for c in corners])
    layer(district.folder / "deck_outlines.gpkg", [shape], {"bridge_id": ["G1"]}, crs, "deck_outlines")
    assert district.load("deck_outlines.gpkg") == 0
    deck = district["deck"].iloc[0]
    assert deck["length_m"] * deck["width_m"] == pytest.approx(660, rel=0.002)
    assert deck["length_m"] == pytest.approx(55, rel=0.002)
    assert deck["bearing_deg"] == pytest.approx(40, abs=0.2)


def test_a_defect_drawn_on_the_ground_is_turned_by_its_decks_place(district):
    import pyproj

    geod = pyproj.Geod(ellps="WGS84")
    text = "bridge id,name,lon,lat,deck length m,deck width m,bearing\nG1,a,14.3,58.1,60,12,90\nG2,b,14.4,58.1,60,12,\n"
    assert district.load("bridges.csv", text) == 0
    east, north, _ = geod.fwd(14.3, 58.1, 270.0, 20.0)  # 20 m west of the middle: station 10

    def corner(along, right):
        lon, lat, _ = geod.fwd(east, north, 90.0, along)
        return geod.fwd(lon, lat, 180.0, right)[:2]

    shape = shapely.Polygon([corner(0, 1), corner(4, 1), corner(4, 3), corner(0, 3)])
    far = shapely.transform(shape, lambda c: c + np.array([0.1, 0.0]))
    fields = {"bridge_id": ["G1", "G2"], "survey_date": ["2024-05-06"] * 2}
    layer(district.folder / "spalls.geojson", [shape, far], fields, "EPSG:4326")
    assert district.load("spalls.geojson") == 1
    found = district["defect"]["shape"].iloc[0]
    assert shapely.bounds(found).tolist() == pytest.approx([10, 1, 14, 3], abs=0.02)
    assert "R-ON-GROUND" in district.said


def test_two_bridges_astride_the_antimeridian_open_close_together(district):
    text = "bridge id,name,lon,lat,deck length m,deck width m\nA1,E,179.9991,-16.5,24,8\nA2,W,-179.9984,-16.5003,24,8\n"
    assert district.load("bridges.csv", text) == 0
    assert district.run("map", district.path, "-o", district.folder / "m.html") == 0
    assert "2 decks drawn" in district.said


# ---- shapes -------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "areas of the two triangles of each crossed outline, worked by hand")
def test_crossed_spiked_repeated_and_open_outlines(district):
    district.decks("C1,a,60,12,1979")
    text = (
        "bridge id,survey date,polygon,wkt\n"
        'C1,2023-06-01,A,"POLYGON((2 0, 8 3, 8 0, 2 3, 2 0))"\n'
        'C1,2023-06-01,B,"POLYGON((12 -4, 20 4, 20 3, 12 -1, 12 -4))"\n'
        'C1,2023-06-01,C,"POLYGON((30 0, 34 0, 34 0, 34 2, 34 2, 30 2, 30 0))"\n'
        'C1,2023-06-01,D,"POLYGON((36 0, 39 0, 39 2, 41 2, 39 2, 36 2, 36 0))"\n'
        'C1,2023-06-01,E,"POLYGON((44 0, 48 0, 48 2, 44 2))"\n'
    )
    assert district.load("delaminations.csv", text) == 0
    found = district["defect"].set_index("defect_id")["shape"]
    areas = {name: round(float(shape.area), 3) for name, shape in found.items()}
    assert areas == {"A": 9.0, "B": 10.0, "C": 8.0, "D": 6.0, "E": 8.0}
    for line, area in ((2, "9.000"), (3, "10.000"), (5, "6.000"), (6, "8.000")):
        assert re.search(rf"line {line}, wkt '[^']*': [^\[]*{area} m2", district.said)


def test_overlaps_count_once_and_what_lies_outside_is_left_out_and_said(district):
    district.decks("C1,a,40,10,1982")
    boxes = {"A": (0, 0, 6, 4), "B": (4, 2, 10, 5), "C": (36, -5, 44, -3), "D": (10, 4, 12, 7)}
    rows = "".join(f'C1,2022-09-14,{n},"{shapely.box(*b).wkt}"\n' for n, b in boxes.items())
    assert district.load("delaminations.csv", "bridge id,survey date,polygon,wkt\n" + rows) == 0
    assert district.shares()["delaminated_share"].tolist() == pytest.approx([48 / 400])
    assert "8.000 of 16.000 m2 lie outside" in district.said
    assert "4.000 of 6.000 m2 lie outside" in district.said


def test_heights_are_dropped_and_an_empty_shape_is_no_clean_deck(district):
    district.decks("C1,a,30,8,1993")
    flat = shapely.box(2, 0, 5, 2)
    tall = shapely.force_3d(flat, 101.5)
    odd = shapely.from_wkt("POLYGON Z ((20 0 NaN, 21 0 NaN, 21 1.5 NaN, 20 1.5 NaN, 20 0 NaN))")
    two = shapely.MultiPolygon([shapely.box(8, 0, 9, 1), shapely.box(11, -2, 13, 0)])
    fields = {"bridge_id": ["C1"] * 5, "survey_date": ["2021-10-05"] * 5, "polygon": ["Z1", "Z2", "Z3", "Z4", "Z5"]}
    path = district.folder / "delaminations.gpkg"
    layer(path, [tall, two, shapely.Polygon(), None, odd], fields, layer_name="delaminations")
    assert district.load(path.name) == 1
    areas = dict(zip(district["defect"]["defect_id"], shapely.area(district["defect"]["shape"]), strict=True))
    assert areas == pytest.approx({"Z1": 6.0, "Z2": 5.0, "Z5": 1.5})
    assert district.said.count("R-NO-SHAPE") == 2


def test_not_a_number_in_geojson_is_not_given_and_not_0(district):
    district.decks("J1,a,30,8,1993", "J2,b,30,8,1993")
    text = """{"type":"FeatureCollection","features":[
    {"type":"Feature","properties":{"bridge id":"J1","survey date":"2020-06-02","delaminated m2":14.5,"spalled m2":NaN},
     "geometry":{"type":"Point","coordinates":[8.5,47.1]}},
    {"type":"Feature","properties":{"bridge id":"J2","survey date":"2020-06-02","delaminated m2":NaN,"spalled m2":0},
     "geometry":null}]}"""
    assert district.load("surveys.geojson", text) == 0
    found = district["survey"].set_index("deck_id")
    assert found.loc["J1", "delaminated_m2"] == 14.5
    assert np.isnan(found.loc["J1", "spalled_m2"])
    assert np.isnan(found.loc["J2", "delaminated_m2"])
    assert found.loc["J2", "spalled_m2"] == 0.0


def test_headers_cut_to_ten_characters_are_not_guessed(district):
    district.decks("H1,a,50,10,1990", "H2,b,64,10,1990")
    fields = {
        "bridge_id": ["H1", "H2"], "name": ["Økern", "Øst – “ny”"], "delaminate": [18.5, 40.0],
        "delamina_1": [3.7, 6.25], "survey_dat": ["2022-08-30", "2022-08-31"],
    }  # fmt: skip
    path = district.folder / "surveys.shp"
    layer(path, [shapely.Point(10, 59)] * 2, fields, "EPSG:4326", geometry_type="Point", encoding="cp1252")
    path.with_suffix(".cpg").unlink(missing_ok=True)
    assert district.load(path.name) == 1
    assert "'delaminate' (its first value is 18.5) and 'delamina_1' (its first value is 3.7)" in district.said
    assert district["survey"].empty
    mapping = district.folder / "m.toml"
    mapping.write_text('[columns]\ndelaminate = "delaminated_m2"\ndelamina_1 = "delaminated_m2 in %"\n')
    assert district.load(path.name, None, "--map", mapping) == 0
    assert "F-TWO-FIGURES" not in district.said
    found = district["survey"]
    assert found["delaminated_m2"].tolist() == [18.5, 40.0]
    assert found["survey_date"].dt.day.tolist() == [30, 31]


def test_text_of_a_shapefile_without_its_code_page(district):
    path = district.folder / "bridges.shp"
    layer(path, [shapely.Point(10, 59)], {"bridge_id": ["H1"], "name": ["Øst – “ny” bro"]}, "EPSG:4326",
          geometry_type="Point", encoding="cp1252")  # fmt: skip
    path.with_suffix(".cpg").unlink(missing_ok=True)
    assert district.load(path.name) == 0
    assert district.column("bridge", "name") == {"H1": "Øst – “ny” bro"}


def test_a_folder_with_blanks_and_accents_and_a_drawing(district):
    folder = district.folder / "Pont n° 9 (été)"
    (folder / "deck").mkdir(parents=True)
    (folder / "inventaire – été.csv").write_text(HEAD + "É1,Étang,26,9,1975\n", encoding="utf-8")
    (folder / "photo.jpg").write_bytes(b"x")
    path = folder / "deck" / "décollements.shp"
    layer(path, [shapely.box(2, 0, 4, 2)], {"bridge_id": ["É1"]}, geometry_type="Polygon", encoding="utf-8")
    assert district.run("load", district.path, folder) == 1
    assert "--set survey_date=" in district.said
    assert "photo.jpg: left alone" in district.said
    assert district.run("load", district.path, folder, "--set", "survey_date=2024-05-06") == 0
    assert shapely.area(district["defect"]["shape"]).tolist() == [4.0]
    assert district.run("map", district.path, "-o", folder / "m.html") == 0


def test_a_drawing_with_layers_named_for_what_was_found(district):
    district.decks("X1,a,26,9,1975")
    lines = [shapely.LineString([(2, 0), (4, 0), (4, 1), (2, 1), (2, 0)]), shapely.box(8, 0, 10, 2)]
    lines.append(shapely.LineString([(12, 0), (14, 0), (14, 1), (13, 1), (13, 2), (12, 2), (12, 0)]))
    layer(district.folder / "deck.dxf", lines, {"Layer": ["delaminations", "spalls", "holes"]})
    assert district.load("deck.dxf", None, "--set", "deck_id=X1", "--set", "survey_date=2024-05-06") == 0
    found = dict(zip(district["defect"]["kind"], shapely.area(district["defect"]["shape"]), strict=True))
    assert found == {"delamination": 2.0, "spall": 4.0, "hole": 3.0}


@pytest.mark.parametrize("ending", [".kml", ".fgb", ".geojson"])
def test_points_of_bridges_in_other_map_formats(district, ending):
    how = {"driver": "LIBKML"} if ending == ".kml" else {}
    layer(district.folder / f"bridges{ending}", [shapely.Point(10.25, 59.5)], {"bridge_id": ["M1"]}, "EPSG:4326",
          geometry_type="Point", **how)  # fmt: skip
    assert district.load(f"bridges{ending}") == 0
    assert district.column("bridge", "longitude_deg") == {"M1": 10.25}


def test_an_archive_is_opened_and_its_files_wait_for_each_other(district):
    path = district.folder / "records.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(
            "a/delaminations.csv", 'bridge id,survey date,wkt\nZ1,2024-05-06,"POLYGON((0 0,2 0,2 1,0 1,0 0))"\n'
        )
        archive.writestr("b/surveys.csv", "bridge id,survey date,method,delaminated m2\nZ1,2024-05-06,hammer,2\n")
        archive.writestr("c/bridges.csv", HEAD + "Z1,x,40,10,1980\n")
        archive.writestr("__MACOSX/._x", "x")
    assert district.run("load", district.path, path) == 0
    assert len(district["survey"]) == 1
    assert district["defect"]["survey_id"].tolist() == district["survey"]["survey_id"].tolist()
    assert district["survey"]["method"].tolist() == ["hammer"]


# ---- records against each other -----------------------------------------------------------------


def test_repeats_conflicts_and_days_that_cannot_be(district):
    district.decks("R1,a,50,10,1998")
    text = (
        "bridge id,survey date,delaminated m2\nR1,2018-05-04,20.0\nR1,2020-05-04,32.0\nR1,2020-05-04,32.0\n"
        "R1,2022-05-04,41.0\nR1,2022-05-04,47.5\nR1,1988-07-01,5.0\nR1,2099-01-15,60.0\n"
    )
    assert district.load("surveys.csv", text) == 1
    assert district["survey"]["delaminated_m2"].tolist() == [20.0, 32.0]
    assert "line 4: The row repeats line 3" in district.said
    assert "Lines 5, 6 give" in district.said
    assert "line 7, survey date '1988-07-01'" in district.said
    assert "line 8, survey date '2099-01-15'" in district.said
    before = district["survey"]
    district.load("surveys.csv")
    assert "Nothing changed" in district.said
    pd.testing.assert_frame_equal(before, district["survey"])


def test_repairs_larger_than_the_deck_below_0_too_early_and_of_no_bridge(district):
    district.decks("R1,a,30,10,1976", "R2,b,60,12,1999")
    text = (
        "bridge id,repair date,repair kind,repaired m2\nR1,2019-08-20,patch,41.5\nR1,2021-08-20,patch,412\n"
        "R2,2020-03-02,patch,-12\nR2,1995-03-02,overlay,720\nR2,2021-06-01,overlay,720\nR9,2021-06-01,patch,10\n"
    )
    assert district.load("repairs.csv", text) == 1
    assert sorted(district["repair"]["area_m2"]) == [41.5, 720.0]
    assert "412 m2 exceeds the 300 m2" in district.said
    assert "38.3 m2" in district.said
    for line in (3, 4, 5, 7):
        assert f"repairs.csv line {line}," in district.said


def test_a_survey_of_one_lane_is_a_share_of_what_was_surveyed(district):
    district.decks("O1,a,80,12,1984")
    text = (
        "bridge id,survey date,delaminated m2,surveyed from offset m,surveyed to offset m\nO1,2019-05-10,90.0,-6,6\n"
        "O1,2023-05-12,48.0,2,6\n"
    )
    assert district.load("surveys.csv", text) == 0
    assert district.shares()["delaminated_share"].round(3).tolist() == [0.094, 0.15]


def test_counts_of_0_old_counts_and_counts_without_a_year(district):
    district.decks("Q1,a,40,10,1980", "Q2,b,40,10,1980", "Q3,c,40,10,1980")
    text = "bridge id,count year,AADT\nQ1,2019,13650\nQ1,2022,14200\nQ1,2023,0\nQ2,2009,2100\nQ3,,5400\n"
    assert district.load("traffic.csv", text) == 0
    counts = district["traffic"]
    assert counts[counts["year"].notna()].set_index(["bridge_id", "year"])["aadt"].to_dict() == {
        ("Q1", 2019): 13650.0, ("Q1", 2022): 14200.0, ("Q2", 2009): 2100.0,
    }  # fmt: skip
    assert counts[counts["year"].isna()][["bridge_id", "aadt"]].to_numpy().tolist() == [["Q3", 5400.0]]
    assert "S-ZERO-TRAFFIC" in district.said
    assert "F-OLD-COUNT" in district.said
    assert "line 6, count year: 5400 comes without its year" in district.said


@pytest.mark.parametrize("name", ["more.csv", "traffic.csv"])
@pytest.mark.slow
def test_a_count_without_a_year_stands_until_a_dated_one_comes(district, name):
    district.decks("Q3,c,40,10,1980", "Q4,d,40,10,1980")
    text = "bridge id,name,AADT\nQ3,c,5400\n" if name == "more.csv" else "bridge id,AADT\nQ3,5400\n"
    assert district.load(name, text) == 0
    assert "5400 comes without its year" in district.said
    assert district.load(name, text.replace("5400", "5600") + "\n") == 0
    assert district["traffic"][["aadt", "year"]].to_numpy().tolist() == [[5600.0, pd.NA]]
    assert district.load("undated.csv", "bridge id,AADT\nQ3,5600\n") == 0
    assert "0 new, 0 corrected" in district.said or "known 1" in district.said or "1 known" in district.said
    assert district.run("rank", district.path) == 0
    assert "5,600 vehicles a day, counted in a year not given" in district.said
    assert district.run("check", district.path) in (0, 1)
    assert "its only count comes without a year" in district.said
    assert district.load("dated.csv", "bridge id,count year,AADT\nQ3,2024,5000\n") == 0
    assert district.run("rank", district.path) == 0
    assert "5,000" in district.said
    assert "5,600" not in district.said
    assert "not given" not in district.said


# ---- the store ----------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["empty", "text", "sqlite"])
def test_a_file_that_is_no_store_is_left_as_it_is(district, what):
    path = district.folder / "other.duckdb"
    if what == "sqlite":
        with sqlite3.connect(path) as db:
            db.execute("CREATE TABLE x (y)")
        db.close()
    else:
        path.write_bytes(b"" if what == "empty" else b"notes of a meeting\n" * 40)
    before = path.read_bytes()
    for words in (("load", path, district.folder / "x.csv"), ("rank", path), ("check", path), ("new", path)):
        assert district.run(*words) == 1
        assert "decknet:" in district.said
    assert path.read_bytes() == before


def test_a_store_that_is_open_elsewhere_is_said_to_be_in_use(district):
    import subprocess
    import sys

    code = "import duckdb,sys; c=duckdb.connect(sys.argv[1]); print('open',flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(district.path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout.readline().strip() == b"open"
        assert district.run("intakes", district.path) == 1
        assert "in use" in district.said
        other.stdin.close()
        other.wait(20)
    assert district.run("intakes", district.path) == 0


def test_a_corrected_row_brought_in_later_closes_its_entry(district):
    district.decks("E1,a,50,10,1998")
    head = "bridge id,survey date,delaminated m2\n"
    assert district.load("surveys.csv", head + "E1,2020-05-04,612\nE1,2021-05-04,x\nE7,2022-05-04,3\n") == 1
    assert district.run("intakes", district.path, "--open") == 0
    assert "3 entries are open" in district.said
    assert district.load("corrected.csv", head + "E1,2020-05-04,61.2\n") == 0
    assert "1 open entry of an earlier file is put right" in district.said
    assert district.load("surveys.csv", head + "E1,2020-05-04,61.2\nE1,2021-05-04,40\nE7,2022-05-04,3\n") == 1
    assert district.run("intakes", district.path, "--open") == 0
    assert "1 entries are open" not in district.said  # the bridge that is not on record is open in both files
    assert "E1" not in district.said.split("entries are open")[0].split("Refused:")[-1]
    district.decks("E1,a,50,10,1998", "E7,b,50,10,1998")
    assert district.load("surveys.csv") == 0
    assert district.run("intakes", district.path, "--open") == 0
    assert "0 entries are open" in district.said


def test_the_same_bytes_read_in_another_way_are_another_intake(district):
    district.decks("E1,a,50,10,1998")
    text = "bridge id,survey date,delaminated m2\nE1,03/04/2022,2\n"
    assert district.load("s.csv", text, "--dates", "day-first") == 0
    assert district.load("s.csv", None, "--dates", "day-first") == 0
    assert "Nothing changed" in district.said
    assert district.load("s.csv", None, "--dates", "month-first") == 0
    assert len(district["survey"]) == 2


def test_a_mapping_that_was_used_can_be_saved_and_used_again(district):
    district.decks("E1,a,50,10,1998")
    text = "bridge id;survey date;delaminated ft2;surprise\nE1;03/04/2022;100;x\n"
    mapping = district.folder / "m.toml"
    assert district.load("a_survey.csv", text, "--dates", "day-first", "--save-map", mapping, "--dry-run") == 0
    assert "as they would be stored" in district.said
    assert district["survey"].empty
    assert '"delaminated ft2" = "delaminated_m2 in ft2"' in mapping.read_text(encoding="utf-8")
    assert district.load("a_survey.csv", None, "--map", mapping) == 0
    assert district["survey"]["delaminated_m2"].tolist() == pytest.approx([9.290304])
    assert f"{district['survey']['survey_date'].iloc[0]:%Y-%m-%d}" == "2022-04-03"


def test_a_web_page_or_text_under_the_name_of_a_workbook(district):
    district.decks("E1,a,50,10,1998")
    assert district.load("surveys.xls", "<html><table><tr><td>bridge id</td></tr></table></html>") == 1
    assert "web page" in district.said
    assert district.load("surveys.xls", "bridge id\tsurvey date\tdelaminated m2\nE1\t2022-05-06\t3\n") == 0
    made = book(district.folder / "w.xlsx", [["bridge id", "survey date", "spalled m2"], ["E1", date(2023, 1, 2), 1.0]])
    shutil.copy(made, district.folder / "export.csv")
    assert district.load("export.csv") == 0
    assert len(district["survey"]) == 2


def test_a_store_that_cannot_be_written_is_said_to_be_read_only_before_a_file_is_read(district, monkeypatch):
    import os

    monkeypatch.setattr(os, "access", lambda _path, mode: mode != os.W_OK)
    assert district.load("no_such_file.csv") == 1
    assert "read-only" in district.said
    assert "no such file" not in district.said
    assert district.run("intakes", district.path) == 0
    assert sorted(p.name for p in district.folder.iterdir()) == ["d.duckdb"]

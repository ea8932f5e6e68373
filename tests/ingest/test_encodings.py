"""Bytes to text, and text to cells."""

from __future__ import annotations

import numpy as np
import pyogrio
import pytest
import shapely

from decknet.errors import RecordError
from decknet.ingest.read import read_tables

LINES = "bridge id,name,built\nB1,Brücke über den Fluß,1969\nB2,Grünwehr,1970\n"


def one(path, content, **how):
    path.write_bytes(content)
    (table,), _ = read_tables(path, **how)
    return table


@pytest.mark.parametrize("encoding", ["cp1252", "cp850", "mac_roman", "utf-8", "utf-16"])
def test_the_encoding_is_told_by_letters_inside_words(tmp_path, encoding):
    table = one(tmp_path / "a.csv", LINES.encode(encoding))
    assert table.cells[1].tolist() == ["Brücke über den Fluß", "Grünwehr"]


@pytest.mark.parametrize(
    "header", ["bro nr;navn;længde m;bredde m;byggeår", "n° pont;nom;année de construction;état", "nº puente;año"]
)
def test_headers_of_one_language_are_not_taken_for_another_code_page(tmp_path, header):
    text = header + "\n" + ";".join("1" for _ in header.split(";")) + "\n"
    assert one(tmp_path / "a.csv", text.encode("cp1252")).headers == tuple(header.split(";"))


def test_japanese_in_shift_jis_is_read_and_said(tmp_path):
    text = "施設番号,橋梁名,架設年度\n1,大川橋,1975\n2,中野川橋,1980\n"
    table = one(tmp_path / "a.csv", text.encode("cp932"))
    assert table.headers == ("施設番号", "橋梁名", "架設年度")
    assert "Shift JIS" in " ".join(table.notes)


def test_the_encoding_stated_holds(tmp_path):
    text = "id,name\n1,Île d’Aval\n"
    assert one(tmp_path / "a.csv", text.encode("cp1252"), encoding="cp1252").cells[1].tolist() == ["Île d’Aval"]
    with pytest.raises(RecordError, match="is no encoding that is known"):
        one(tmp_path / "a.csv", text.encode("cp1252"), encoding="cp85")
    with pytest.raises(RecordError, match="are not text in utf-8 \\(byte 10\\)"):
        one(tmp_path / "a.csv", text.encode("cp1252"), encoding="utf-8")


def test_text_spoilt_by_a_wrong_encoding_before_is_warned_of(tmp_path):
    spoilt = LINES.encode("utf-8").decode("cp1252").encode("utf-8")
    assert "saved in a wrong encoding before" in " ".join(one(tmp_path / "a.csv", spoilt).notes)
    assert one(tmp_path / "b.csv", LINES.encode("utf-8")).notes == []


# ---- cells --------------------------------------------------------------------------------------


def test_a_mark_that_stands_only_in_quotes_splits_nothing(tmp_path):
    text = "id,name,spans\n" + "".join(f'{n},Mill,"a; b; c; d"\n' for n in range(9))
    assert one(tmp_path / "a.csv", text.encode()).headers == ("id", "name", "spans")


def test_semicolons_in_text_do_not_split_a_table_of_commas(tmp_path):
    rows = "".join(f"{n},Mill,Total=64 (1)=12;(2)=19;(3)=21;(4)=12;,65.5\n" for n in range(20))
    table = one(tmp_path / "a.csv", f"id,name,SPAN DETAILS,DECK LENGTH\n{rows}".encode())
    assert table.headers == ("id", "name", "SPAN DETAILS", "DECK LENGTH")
    assert table.cells[2].iloc[0] == "Total=64 (1)=12;(2)=19;(3)=21;(4)=12;"


def test_a_preamble_with_other_marks_does_not_tell_the_delimiter(tmp_path):
    preamble = "".join(f"{k}=[1,2,3,4,5,6,7,8]\n" for k in ("length", "width", "mass"))
    rows = "".join(";".join(f"{n}.{j}" for j in range(6)) + "\n" for n in range(60))
    table = one(tmp_path / "a.csv", f"{preamble}bridge id;b;c;d;deck length;deck width\n{rows}".encode())
    assert table.headers[:2] == ("bridge id", "b")


def test_single_quotes_hold_text_with_the_mark_in_it(tmp_path):
    text = "State,Owner,No\n'North','State Park, Forest or Reservation Agency',001\n'North','Mill's Town, East',002\n"
    table = one(tmp_path / "a.csv", text.encode())
    assert table.cells[1].tolist() == ["State Park, Forest or Reservation Agency", "Mill's Town, East"]
    assert table.cells[2].tolist() == ["001", "002"]


def test_a_header_that_is_not_known_is_no_title_because_a_row_has_a_known_word(tmp_path):
    text = "1 - Area,8 - Ref,Plate\n" + "".join(f"'Slab',00{n},10.5\n" for n in range(9))
    assert one(tmp_path / "a.csv", text.encode()).headers == ("1 - Area", "8 - Ref", "Plate")


def test_cells_that_have_moved_are_taken_only_where_they_belong(tmp_path):
    """A cell with the mark in it was two cells once: a row short of one has lost another after it."""
    whole = "".join(f"b{n}\tMain St\tCreek {n}\t{'YN'[n % 2]}\t07/01/2019\t{n % 2}\n" for n in range(60))
    moved = 'b60\t"CR 2\tHILL RD"\tCreek\t07/02/2019\t0\n'
    long = 'b61\t"CR 3\tLOW RD"\tCreek\tY\t07/02/2019\t0\tx\n'
    text = f"bridge id\tcarries\tcrosses\tpoor\tinspected\tflag\n{whole}{moved}{long}"
    table = one(tmp_path / "a.tsv", text.encode())
    assert table.cells.iloc[60].tolist() == ["b60", "CR 2\tHILL RD", "", "", "", ""]
    assert table.cells.iloc[61].tolist() == ["b61", "CR 3\tLOW RD", "", "", "", ""]
    assert [o[1] for o in table.odd] == ["F-CELLS", "F-CELLS"]


@pytest.mark.parametrize("encoding", ["cp850", "cp1252", "utf-8"])
def test_the_table_beside_shapes_is_told_by_its_letters_too(tmp_path, encoding):
    """A shapefile without its .cpg: the text is ten bytes wide, in whatever code page the writer had."""
    path = tmp_path / "bridges.shp"
    names = ["Grünwehr", "Mühlbrücke"]
    fields = {"bridge_id": np.array(["B1", "B2"], dtype=object), "name": np.array(["X" * 20] * 2, dtype=object)}
    points = shapely.to_wkb(np.array([shapely.Point(10, 60), shapely.Point(11, 60)]))
    pyogrio.raw.write(path, points, list(fields.values()), list(fields), geometry_type="Point", crs="EPSG:4326")
    path.with_suffix(".cpg").unlink()
    raw = path.with_suffix(".dbf").read_bytes()
    for name in names:
        raw = raw.replace(b"X" * 20, name.encode(encoding).ljust(20), 1)
    path.with_suffix(".dbf").write_bytes(raw)
    (table,), _ = read_tables(path)
    assert table.cells[table.headers.index("name")].tolist() == names

"""Workbooks, Parquet, text and open formats that call for other files, for the network, or for more than there is."""

from __future__ import annotations

import io
import json
import re
import struct
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter

from tests.hostile.ground import CANARY
from tests.quick import first

OWN = (("bridge id", "name"), ("210", "Own"))


def book(rows=OWN, far=()):
    stream = io.BytesIO()
    made = xlsxwriter.Workbook(stream, {"in_memory": True})
    page = made.add_worksheet("Bridges")
    for i, row in enumerate(rows):
        page.write_row(i, 0, row)
    for i, j in far:
        page.write_string(i, j, "x")
    made.close()
    return stream.getvalue()


def altered(data, change):
    """A packed file with the text of its parts changed: name and text to text, None to leave a part out."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as given, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name in given.namelist():
            text = change(name, given.read(name).decode())
            if text is not None:
                made.writestr(name, text)
    return out.getvalue()


def in_sheet(pattern, to):
    return lambda name, text: re.sub(pattern, to, text, flags=re.S) if "sheet1" in name else text


@pytest.mark.parametrize(
    ("row", "column"), [(1_048_575, 16_383), (1_048_575, 30), (900_000, 700)], ids=["the last", "of 31 columns", "wide"]
)
@pytest.mark.slow
def test_a_cell_far_from_the_rest_does_not_fill_the_memory(ground, capsys, row, column):
    said = ground.load(capsys, ground.put("bridges.xlsx", book(far=[(row, column)])))
    assert "far from the rest" in said


@pytest.mark.parametrize("quote", ["'", '"'])
def test_a_far_cell_is_found_however_it_is_written(ground, capsys, quote):
    def change(name, text):
        far = f"<c r={quote}xfd1048576{quote}><v>1</v></c>"
        return text.replace("</sheetData>", f"<row>{far}</row></sheetData>") if "sheet1" in name else text

    ground.load(capsys, ground.put("bridges.xlsx", altered(book(), change)))


def test_a_wide_and_full_sheet_is_read(ground, capsys):
    rows = [("bridge id", "name", *(f"x{j}" for j in range(60)))] + [(f"22{i}", "a", *range(60)) for i in range(50)]
    ground.load(capsys, ground.put("bridges.xlsx", book(rows)), code=0)


def test_a_row_number_beyond_all_sheets_is_refused(ground, capsys):
    ground.load(capsys, ground.put("bridges.xlsx", altered(book(), in_sheet('r="A2"', 'r="AB4294967290"'))), code=None)
    ground.load(capsys, ground.put("bridges2.xlsx", altered(book(), in_sheet('r="A2"', 'r="ZZZZZZZ2"'))), code=None)
    ground.load(
        capsys, ground.put("bridges3.xlsx", altered(book(), in_sheet("<v>0</v>", "<v>99999999</v>"))), code=None
    )


def test_links_of_a_workbook_are_not_followed(ground, capsys):
    def change(name, text):
        if name == "xl/_rels/workbook.xml.rels":
            kind = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/externalLink"
            more = f'<Relationship Id="rId99" Type="{kind}" Target="{ground.url}/x.xlsx" TargetMode="External"/>'
            more += f'<Relationship Id="rId98" Type="{kind}" Target="{ground.canary.as_uri()}" TargetMode="External"/>'
            return text.replace("</Relationships>", more + "</Relationships>")
        if "sheet1" in name:
            return text.replace('<c r="B2"', '<c r="C2"><f>[1]Sheet1!A1</f></c><c r="B2"', 1)
        return text

    ground.load(capsys, ground.put("bridges.xlsx", altered(book(), change)), code=None)


@pytest.mark.slow
def test_entities_of_a_workbook_are_not_expanded(ground, capsys):
    many = "".join(f"<!ENTITY a{n} '{f'&a{n - 1};' * 10}'>" for n in range(1, 10))
    for head in (
        f"<!DOCTYPE x [<!ENTITY c SYSTEM '{ground.canary.as_uri()}'>]>",
        f"<!DOCTYPE x SYSTEM '{ground.url}/x.dtd'>",
        f"<!DOCTYPE x [<!ENTITY a0 'aaaaaaaaaa'>{many}<!ENTITY c '&a9;'>]>",
    ):
        for part in ("sheet1", "sharedStrings", "workbook.xml", "styles"):

            def change(name, text, part=part, head=head):
                text = text.replace("?>", "?>" + head, 1) if part in name and name.endswith(".xml") else text
                return text.replace("<t>Own</t>", "<t>&c;</t>")

            ground.load(capsys, ground.put("bridges.xlsx", altered(book(), change)), code=None)


def ods(body, head=""):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        made.writestr(
            "content.xml",
            f'<?xml version="1.0"?>{head}<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:'
            'office:1.0" xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:xlink="http://www.w3.org/'
            '1999/xlink" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
            f'<table:table table:name="Bridges">{body}</table:table></office:spreadsheet></office:body>'
            "</office:document-content>",
        )
        made.writestr("META-INF/manifest.xml", "<manifest/>")
    return out.getvalue()


def open_row(*cells, more=""):
    inner = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{c}</text:p></table:table-cell>' for c in cells
    )
    return f"<table:table-row{more}>{inner}</table:table-row>"


def test_cells_repeated_without_end_do_not_fill_the_memory(ground, capsys):
    full = '<table:table-cell table:number-columns-repeated="16384" office:value-type="string"><text:p>x</text:p>'
    row = f'<table:table-row table:number-rows-repeated="1048576">{full}</table:table-cell></table:table-row>'
    ground.load(capsys, ground.put("bridges.ods", ods(open_row(*OWN[0]) + row)))
    huge = row.replace("1048576", "9" * 30).replace("16384", "9" * 30)
    ground.load(capsys, ground.put("bridges2.ods", ods(open_row(*OWN[0]) + huge)))


def test_cells_that_are_no_markup_are_refused_at_once(ground, capsys):
    broken = open_row(*OWN[0]).replace("<text:p>", "", 1) + open_row("235", "Own")
    said = ground.load(capsys, ground.put("bridges.ods", ods(broken)))
    assert "no well-formed XML" in said


def test_sheets_of_other_documents_are_not_fetched(ground, capsys):
    linked = f'<table:table-source xlink:href="{ground.url}/x.ods" table:table-name="x"/>'
    linked += f'<table:table-source xlink:href="{ground.canary.as_uri()}" table:filter-name="x"/>'
    body = linked + open_row(*OWN[0]) + open_row("230", "Own")
    ground.load(capsys, ground.put("bridges.ods", ods(body)), code=None)


def test_entities_of_an_open_document_are_refused(ground, capsys):
    many = "".join(f"<!ENTITY a{n} '{f'&a{n - 1};' * 10}'>" for n in range(1, 10))
    for head in (
        f"<!DOCTYPE x [<!ENTITY c SYSTEM '{ground.canary.as_uri()}'>]>",
        f"<!DOCTYPE x [<!ENTITY a0 'aaaaaaaaaa'>{many}<!ENTITY c '&a9;'>]>",
        "<!-- x -->" * 3000 + f"<!DOCTYPE x SYSTEM '{ground.url}/x.dtd'>",
    ):
        ground.load(capsys, ground.put("bridges.ods", ods(open_row(*OWN[0]) + open_row("240", "&c;"), head)))


@pytest.mark.slow
def test_packed_workbooks_that_fill_the_memory_are_refused(ground, capsys):
    bomb = altered(book(), lambda name, text: " " * 60_000_000 if "sharedStrings" in name else text)
    said = ground.load(capsys, ground.put("bridges.xlsx", bomb))
    assert "unpacked it would fill" in said


def old_book(rows, columns):
    """The start of a workbook of the older layout that says how large its sheet is."""

    def record(kind, body):
        return struct.pack("<HH", kind, len(body)) + body

    head = record(0x809, struct.pack("<HHHHII", 0x600, 5, 0, 0, 0, 0))
    sheet = record(0x809, struct.pack("<HHHHII", 0x600, 0x10, 0, 0, 0, 0))
    sheet += record(0x200, struct.pack("<IIHHH", 0, rows, 0, columns, 0)) + record(0x0A, b"")
    name = record(0x85, struct.pack("<IHBB", len(head) + 4 + 8 + 7 + 4, 0, 7, 0) + b"Bridges")
    body = (head + name + record(0x0A, b"") + sheet).ljust(4608, b"\0")
    blocks = len(body) // 512
    table = [0xFFFFFFFD, 0xFFFFFFFE, *range(3, blocks + 2), 0xFFFFFFFE]
    table += [0xFFFFFFFF] * (128 - len(table))

    def entry(title, kind, child, first, size):
        raw = title.encode("utf-16-le")
        out = raw.ljust(64, b"\0") + struct.pack("<HBB", len(raw) + 2, kind, 1)
        out += struct.pack("<III", 0xFFFFFFFF, 0xFFFFFFFF, child) + b"\0" * 36
        return out + struct.pack("<III", first, size, 0)

    top = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 16
    top += struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + b"\0" * 6
    top += struct.pack("<IIIIIIIII", 0, 1, 1, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    top += struct.pack("<109I", 0, *[0xFFFFFFFF] * 108)
    folder = entry("Root Entry", 5, 1, 0xFFFFFFFE, 0) + entry("Workbook", 2, 0xFFFFFFFF, 2, len(body)) + b"\0" * 256
    return top + struct.pack("<128I", *table) + folder + body


def test_what_an_old_workbook_says_of_its_size_is_not_believed(ground, capsys):
    said = ground.load(capsys, ground.put("bridges.xls", old_book(0xFFFFFFF0, 0xFFF0)))
    assert "far from the rest" in said
    ground.load(capsys, ground.put("small.xls", old_book(2, 2)))


# ---- Parquet ----------------------------------------------------------------------------------------


def parquet(table, **how):
    sink = io.BytesIO()
    pq.write_table(table, sink, **how)
    return sink.getvalue()


def test_rows_without_end_in_few_bytes_are_refused(ground, capsys):
    one = pa.chunked_array([pa.DictionaryArray.from_arrays(pa.array([0] * 1_000_000, pa.int32()), ["210"])] * 40)
    data = parquet(pa.table({"bridge_id": one}))
    assert len(data) < 200_000
    said = ground.load(capsys, ground.put("bridges.parquet", data))
    assert "40,000,000 rows" in said


@pytest.mark.parametrize(
    "geo",
    [b"[" * 100_000, b"not JSON", b"[]", b"7", b'{"columns": 7}', b'{"columns": {"geometry": 7}, "primary_column": []}',
     b'{"columns": {"geometry": {"crs": 7}}}', b'{"columns": {"geometry": {"crs": [[]]}}}', b"\xff\xfe"],
)  # fmt: skip
@pytest.mark.slow
def test_what_parquet_tells_of_its_shapes_may_be_anything(ground, capsys, geo):
    import shapely

    table = pa.table({"bridge_id": ["250"], "geometry": [shapely.Point(9, 56).wkb]})
    data = parquet(table.replace_schema_metadata({b"geo": geo}))
    ground.load(capsys, ground.put("bridges.parquet", data), code=None)


@pytest.mark.parametrize(
    "crs", first(1, ["{url}/crs", "+init={outside}/canary.prj:1", "file:{outside}/canary.prj", "{outside}/x"])
)
def test_a_system_of_parquet_leads_nowhere(ground, capsys, crs):
    import shapely

    crs = crs.format(url=ground.url, outside=ground.outside)
    geo = '{"columns": {"geometry": {"crs": "%s"}}, "primary_column": "geometry"}'.replace("%s", crs)
    table = pa.table({"bridge_id": ["260"], "geometry": [shapely.Point(9, 56).wkb]})
    ground.load(capsys, ground.put("bridges.parquet", parquet(table.replace_schema_metadata({b"geo": geo}))))


@pytest.mark.parametrize("crs", first(2, ["nonsense", "EPSG:0", "{}", "PROJCRS[", " ", "+proj=x"]))
def test_defects_in_a_system_that_is_none_are_refused(ground, capsys, crs):
    import shapely

    geo = json.dumps({"columns": {"geometry": {"crs": crs}}, "primary_column": "geometry"})
    fields = {"bridge_id": ["265"], "survey_date": ["2024-05-06"], "kind": ["spall"]}
    table = pa.table({**fields, "geometry": [shapely.box(0, 0, 1, 1).wkb]}).replace_schema_metadata({b"geo": geo})
    said = ground.load(capsys, ground.put("defects.parquet", parquet(table)))
    assert "no coordinate system that is known" in said


def test_folders_named_for_a_column_add_none(ground, capsys):
    folder = ground.inbox / "name=Not mine" / f"owner={CANARY}"
    folder.mkdir(parents=True)
    path = folder / "bridges.parquet"
    path.write_bytes(parquet(pa.table({"bridge_id": ["270"], "deck_length_m": [40.0]})))
    ground.load(capsys, path, code=0)


# ---- text and markup --------------------------------------------------------------------------------


def test_entities_of_element_records_are_refused(ground, capsys):
    for head in (
        f"<!DOCTYPE FHWAELEMENT [<!ENTITY c SYSTEM '{ground.canary.as_uri()}'>]>",
        f"<!DOCTYPE FHWAELEMENT SYSTEM '{ground.url}/x.dtd'>",
    ):
        body = f'<?xml version="1.0"?>{head}<FHWAELEMENT><FHWAED><STATE>&c;</STATE></FHWAED></FHWAELEMENT>'
        ground.load(capsys, ground.put("elements.xml", body))


def test_a_name_or_an_address_in_a_cell_is_text(ground, capsys):
    cells = (f'=IMPORTDATA(""{ground.url}"")', f"@{ground.canary}", f"=cmd|' /C {ground.canary}'!A0", "<img src=x>")
    body = "bridge id,name\n" + "".join(f'28{n},"{c}"\n' for n, c in enumerate(cells))
    ground.load(capsys, ground.put("bridges.csv", body), code=0)


@pytest.mark.slow
def test_a_mapping_that_nests_deeply_is_refused(ground, capsys):
    from decknet.cli import main

    path = ground.put("bridges.csv", "bridge id,name\n290,x\n")
    for body in ("a = " + "[" * 50_000, "a = " + "{a=" * 50_000, "a" + ".a" * 50_000 + " = 1", b"\xff\xfe"):
        given = ground.put("map.toml", body)
        assert main(["load", str(ground.store), str(path), "--map", str(given)]) == 1
        said = capsys.readouterr().err
        assert "Traceback" not in said
        assert "map.toml" in said
    assert main(["load", str(ground.store), str(path), "--map", str(ground.inbox)]) == 1
    assert "Traceback" not in capsys.readouterr().err


def test_a_name_that_is_no_text_is_refused(ground, capsys):
    import os

    raw = os.path.join(os.fsencode(ground.inbox), b"bridges\xff.csv")  # noqa: PTH118
    try:
        with open(raw, "wb") as out:  # noqa: PTH123
            out.write(b"bridge id,name\n295,x\n")
    except OSError:
        pytest.skip("this file system takes only names that are text")
    from decknet.cli import main

    (ground.inbox / "more.csv").write_text("bridge id,name\n296,x\n")
    for what in (os.fsdecode(raw), str(ground.inbox)):
        code = main(["load", str(ground.store), what])
        said = capsys.readouterr()
        assert code == (0 if what == str(ground.inbox) else 1)
        assert "Traceback" not in said.err + said.out
        assert "no text" in said.err + said.out
    os.unlink(raw)  # noqa: PTH108

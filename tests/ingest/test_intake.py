"""Whole files: nothing is lost, whatever is in them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xlsxwriter

from decknet.columns import FAULT, RECORDS
from decknet.errors import RecordError
from decknet.ingest import read_file
from tests.ingest.conftest import TODAY, assert_nothing_lost, column

POOL = {
    "bridge id": ["001", "002", "1", "5", "999", "", "005", "NA"],
    "survey date": ["2024-05-06", "1970-01-01", "2031-01-01", "", "x", "2022-02-30", "2023-07-08"],
    "repair date": ["2024-05-06", "1970-01-01", "2031-01-01", "", "x", "2023-07-08"],
    "count year": ["2020", "2031", "", "x", "1850", "2019"],
    "aadt": ["500", "0", "-3", "", "many", "7000"],
    "delaminated m2": ["5", "0", "-1", "900", "", "<1", "12 sq ft", "3 %"],
    "spalled m2": ["5", "0", "n/a", "400"],
    "kind": ["delam", "spall", "", "crack"],
    "treatment": ["patch", "overlay", "", "paint"],
    "area m2": ["3", "", "500", "-1", "x"],
    "wkt": [
        "",
        '"POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))"',
        '"POLYGON ((0 0, 4 2, 4 0, 0 2, 0 0))"',
        "junk",
        "POINT (1 1)",
    ],
    "lon": ["10", "0", "", "200", "x"],
    "lat": ["50", "0", "", "95"],
    "deck length m": ["40", "0", "", "-1", "long"],
    "deck width m": ["10", "11", ""],
    "name": ["Tarn", "NA", "", "=1+1"],
    "remark": ["", "wet", '"two\nlines"', "Total"],
}
TABLES = {
    "surveys.csv": ("bridge id", "survey date", "delaminated m2", "spalled m2", "remark"),
    "defects.csv": ("bridge id", "survey date", "kind", "area m2", "wkt"),
    "repairs.csv": ("bridge id", "repair date", "treatment", "area m2", "wkt"),
    "traffic.csv": ("bridge id", "count year", "aadt"),
    "bridges.csv": ("bridge id", "name", "lon", "lat", "deck length m", "deck width m", "aadt", "count year"),
}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", TABLES)
def test_every_row_is_kept_refused_set_aside_or_a_repeat(read, name, seed):
    rng = np.random.default_rng(seed)
    headers = TABLES[name]
    rows = [",".join(str(rng.choice(POOL[h])) for h in headers) for _ in range(120)]
    # ``read`` itself checks that the counts add up and that no row is both stored and refused.
    found = read(",".join(headers) + "\n" + "\n".join(rows) + "\n", name)
    assert list(found.faults.columns) == [*FAULT, "about"]
    for kind, frame in found.records.items():
        assert list(frame.columns) == [*RECORDS[kind].names(), "sheet", "line"]
        assert not frame.duplicated(list(RECORDS[kind].key)).any()
        for of in RECORDS[kind].columns:
            if of.required:
                assert frame[of.name].notna().all(), (kind, of.name)
            if of.kind == "number" and of.low is not None:
                assert frame[of.name].dropna().between(of.low, of.high).all()


def test_types_of_every_column(read):
    found = read("bridge id,survey date,delaminated m2\n001,2024-05-06,5\n")
    frame = found.records["survey"]
    assert frame["survey_date"].dtype == np.dtype("datetime64[us]")
    assert frame["crew"].dtype == frame["survey_id"].dtype == pd.StringDtype(na_value=np.nan)
    assert frame["unsound_m2"].dtype == np.float64
    assert frame["line"].dtype == np.int64
    assert found.faults["line"].dtype == np.int64


def test_the_order_of_rows_changes_nothing_but_the_lines(read):
    rows = ["001,2024-05-06,5", "002,2023-05-06,wet", "1,2022-05-06,3 %", "004,2031-01-01,1"]
    head = "bridge id,survey date,delaminated m2\n"
    one, two = (read(head + "\n".join(r) + "\n") for r in (rows, rows[::-1]))
    drop = ["line"]
    assert (
        one.records["survey"]
        .drop(columns=drop)
        .equals(two.records["survey"].drop(columns=drop).iloc[::-1].reset_index(drop=True))
    )
    assert sorted(one.faults["code"]) == sorted(two.faults["code"])


def _sheets(path, sheets):
    book = xlsxwriter.Workbook(path)
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for i, row in enumerate(rows):
            sheet.write_row(i, 0, row)
    book.close()
    return path


def test_sheets_of_a_workbook_find_each_other_in_any_order(tmp_path, known):
    path = _sheets(
        tmp_path / "district.xlsx",
        {
            "Read me": [["Ask the office before changing anything."]],
            "Surveys": [["bridge id", "survey date", "delaminated m2"], ["N1", "2024-05-06", 5]],
            "Bridges": [["bridge id", "name", "deck length m", "deck width m"], ["N1", "Tarn", 40, 10]],
        },
    )
    found = read_file(path, known=known, today=TODAY)
    assert_nothing_lost(found)
    assert column(found, "survey", "deck_id") == ["N1"]
    assert found.records["survey"]["sheet"].tolist() == ["Surveys"]
    said = found.mapping[found.mapping["sheet"] == "Read me"].iloc[0]
    assert "header" in said["why"]


def test_one_record_on_two_sheets_is_refused_with_both_places(tmp_path, known):
    rows = [["bridge id", "survey date", "delaminated m2"], ["001", "2024-05-06", 5]]
    path = _sheets(tmp_path / "s.xlsx", {"A": rows, "B": rows})
    with pytest.raises(RecordError, match="sheet 'A' line 2 and sheet 'B' line 2"):
        read_file(path, known=known, today=TODAY)
    mapping = tmp_path / "m.toml"
    mapping.write_text('sheet = "B"\n')
    assert read_file(path, known=known, today=TODAY, mapping=mapping).records["survey"]["sheet"].tolist() == ["B"]


def test_a_table_with_a_header_and_no_rows_gives_nothing(read):
    found = read("bridge id,survey date,delaminated m2\n")
    assert (found.rows_read, found.rows_kept, found.records) == (0, 0, {})


def test_names_that_look_like_formulas_or_markup_stay_as_written(read):
    names = ["=1+1", "@SUM(1)", "-2+3 spans", "<script>x</script>", "O'Dell & Sons <East>", "NULL", "n/a"]
    rows = "".join(f"B{i},{n},40,10\n" for i, n in enumerate(names))
    found = read("bridge id,name,length m,width m\n" + rows, "bridges.csv")
    assert column(found, "bridge", "name") == names


def test_a_long_remark_is_kept_whole(read):
    remark = "hollow near the joint; " * 9000
    found = read(f'bridge id,survey date,delaminated m2,remark\n001,2024-05-06,5,"{remark}"\n')
    assert column(found, "survey", "remarks") == [remark.strip()]

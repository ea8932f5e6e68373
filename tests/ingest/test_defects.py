"""Defects."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest
import shapely

from decknet.errors import RecordError
from decknet.ingest import read_file
from tests.ingest.conftest import TODAY, assert_nothing_lost, codes, column, write_layer

HEAD = "bridge id,survey date,polygon,wkt\n"


def _areas(reading):
    return shapely.area(reading.records["defect"]["shape"].to_numpy()).tolist()


@pytest.mark.basis("derived", "areas of triangles and rectangles worked by hand")
@pytest.mark.parametrize(
    ("wkt", "m2", "flag"),
    [
        ("POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))", 2.0, None),
        ("POLYGON ((0 0, 4 2, 4 0, 0 2, 0 0))", 4.0, "F-SHAPE-MENDED"),  # two triangles of 2 by 2, half each: 2 + 2
        ("POLYGON ((0 0, 6 3, 6 2, 0 -1, 0 0))", 6.0, None),
        ("POLYGON ((3 0, 3 0, 5 0, 5 1, 3 1, 3 0))", 2.0, None),
        ("POLYGON ((3 0, 5 0, 5 2, 8 2, 5 2, 3 2, 3 0))", 4.0, "F-SHAPE-MENDED"),
        ("POLYGON ((3 0, 5 0, 5 2, 3 2))", 4.0, "F-RING-CLOSED"),
        ("POLYGON Z ((2 0 9, 4 0 9, 4 1 9, 2 1 9, 2 0 9))", 2.0, None),
        ("MULTIPOLYGON (((2 0, 3 0, 3 1, 2 1, 2 0)), ((5 0, 6 0, 6 1, 5 1, 5 0)))", 2.0, None),
    ],
)
def test_outlines_keep_their_area(read, wkt, m2, flag):
    found = read(HEAD + f'001,2024-05-06,P1,"{wkt}"\n', "delaminations.csv")
    assert _areas(found) == pytest.approx([m2], abs=1e-9)
    assert not shapely.has_z(found.records["defect"]["shape"].to_numpy()).any()
    said = set(found.faults["code"]) - {"F-SURVEY-MADE", "F-COVERAGE"}
    assert said == ({flag} if flag else set())
    if flag:
        assert f"{m2:.3f} m2" in found.faults.set_index("code").loc[flag, "rule"]


def test_a_bow_tie_of_unequal_lobes_keeps_both(read):
    # Lobes: crossing at x = 6 of 8; triangles of 3 by 6 / 2 = 9 and 1 by 2 / 2 = 1.
    wkt = "POLYGON ((0 -1.5, 8 0.5, 8 -0.5, 0 1.5, 0 -1.5))"
    assert _areas(read(HEAD + f'001,2024-05-06,P1,"{wkt}"\n', "delaminations.csv")) == pytest.approx([10.0])


@pytest.mark.parametrize("wkt", ["", "POLYGON EMPTY", "POLYGON ((1 1, 2 1, 1 1))", "POINT (1 1)", "about here"])
def test_no_outline_and_no_area_is_refused_and_is_not_a_clean_deck(read, wkt):
    found = read(HEAD + f'001,2024-05-06,P1,"{wkt}"\n001,2024-05-06,P2,"POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))"\n',
                 "delaminations.csv")  # fmt: skip
    assert column(found, "defect", "defect_id") == ["P2"]
    assert list(codes(found)) == [2]


def test_parts_outside_the_deck_are_flagged_with_their_area_and_stored_whole(read):
    wkt = "POLYGON ((36 -5, 44 -5, 44 -3, 36 -3, 36 -5))"
    found = read(HEAD + f'001,2024-05-06,C,"{wkt}"\n', "delaminations.csv")
    assert _areas(found) == [16.0]
    rule = found.faults.set_index("code").loc["F-OUTSIDE-DECK", "rule"]
    assert rule.startswith("8.000 of 16.000 m2")


def test_an_outline_larger_than_the_deck_is_refused(read):
    found = read(HEAD + '001,2024-05-06,C,"POLYGON ((0 -9, 40 -9, 40 9, 0 9, 0 -9))"\n', "delaminations.csv")
    assert codes(found) == {2: "R-LARGER-THAN-DECK"}


def test_stations_and_offsets_make_a_rectangle(read):
    head = "bridge id,survey date,from station,to station,from offset m,to offset m\n"
    found = read(head + "001,2024-05-06,0+004.0,0+009.5,0,2\n001,2024-05-06,0+038,0+035,-3,-1\n", "spalls.csv")
    assert _areas(found) == pytest.approx([11.0, 6.0])
    assert codes(found, "flag")[3] == "F-TURNED"
    assert column(found, "defect", "kind") == ["spall", "spall"]
    assert column(found, "defect", "defect_id") == ["spall 1", "spall 2"]


def test_a_survey_is_made_once_where_none_is_on_record(read):
    text = "bridge id,survey date,kind,area m2,depth\n001,2024-05-06,delam,3,50\n001,2024-05-06,exposed rebar,1,\n"
    found = read(text, "defects.csv")
    assert column(found, "survey", "survey_id") == ["001|2024-05-06|survey"]
    assert column(found, "defect", "kind") == ["delamination", "exposed bar"]
    assert column(found, "defect", "depth_mm") == [50, None]
    assert found.faults["code"].tolist() == ["F-SURVEY-MADE"]


def _with_surveys(known, ids):
    surveys = pd.DataFrame(
        {"survey_id": ids, "deck_id": "001", "survey_date": pd.array(["2024-05-06"] * len(ids), dtype="datetime64[us]")}
    )
    return dataclasses.replace(known, surveys=surveys)


def test_defects_attach_to_the_survey_on_record(read, known):
    text = "bridge id,survey date,kind,area m2\n001,2024-05-06,spall,3\n"
    one = read(text, "defects.csv", known=_with_surveys(known, ["S1"]))
    assert column(one, "defect", "survey_id") == ["S1"]
    assert "survey" not in one.records
    two = read(text, "defects.csv", known=_with_surveys(known, ["S1", "S2"]))
    assert codes(two) == {2: "R-WHICH-SURVEY"}


def test_a_survey_named_must_be_known_and_agree(read, known):
    text = "survey id,bridge id,survey date,kind,area m2\nS1,,,spall,3\nS9,,,spall,3\nS1,002,2024-05-06,spall,1\n"
    found = read(text + "S1,001,2024-05-07,spall,2\n", "defects.csv", known=_with_surveys(known, ["S1"]))
    assert column(found, "defect", "survey_id") == ["S1"]
    assert {3, 4, 5} == set(codes(found))
    assert codes(found)[4] == "R-SURVEY-DECK"
    assert codes(found)[5] == "R-SURVEY-DATE"


def test_a_defect_needs_its_day(read):
    found = read("bridge id,kind,area m2\n001,spall,3\n", "defects.csv")
    assert codes(found) == {2: "R-NO-DATE"}


def test_a_table_that_does_not_say_what_was_found_is_refused(read):
    with pytest.raises(RecordError, match="needs a column kind"):
        read("bridge id,survey date,area m2\n001,2024-05-06,3\n", "defects.csv")


def test_two_defects_of_one_number_are_refused(read):
    text = "bridge id,survey date,kind,area m2,mark\n001,2024-05-06,spall,3,1\n001,2024-05-06,spall,4,1\n"
    assert codes(read(text, "defects.csv")) == {2: "R-CONFLICT", 3: "R-CONFLICT"}


def test_an_outline_and_an_area_that_differ_are_flagged(read):
    text = 'bridge id,survey date,kind,area m2,wkt\n001,2024-05-06,spall,5,"POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))"\n'
    assert "F-TWO-AREAS" in set(read(text, "defects.csv").faults["code"])


def _layer(path, shapes, crs=None):
    n = len(shapes)
    fields = {"bridge_id": ["001"] * n, "survey_date": ["2024-05-06"] * n, "mark": [f"Z{i}" for i in range(n)]}
    write_layer(path, "delaminations", shapes, fields, crs)


def test_a_layer_without_a_system_is_in_station_and_offset(tmp_path, known):
    path = tmp_path / "sheet.gpkg"
    shapes = [
        shapely.box(2, 0, 5, 2),
        shapely.from_wkt("POLYGON EMPTY"),
        None,
        shapely.force_3d(shapely.box(9, 0, 10, 1), 7),
    ]
    _layer(path, shapes)
    found = read_file(path, known=known, today=TODAY)
    assert_nothing_lost(found)
    assert _areas(found) == [6.0, 1.0]
    assert codes(found) == {3: "R-NO-SHAPE", 4: "R-NO-SHAPE"}
    assert found.records["defect"]["sheet"].unique().tolist() == ["delaminations"]


def test_a_layer_on_the_ground_is_refused_unless_said_to_be_on_the_deck(tmp_path, known):
    path = tmp_path / "sheet.gpkg"
    _layer(path, [shapely.box(2, 0, 5, 2)], crs="EPSG:32633")
    found = read_file(path, known=known, today=TODAY)
    assert codes(found) == {2: "R-ON-GROUND"}
    mapping = tmp_path / "m.toml"
    mapping.write_text('crs = "deck"\n')
    assert _areas(read_file(path, known=known, today=TODAY, mapping=mapping)) == [6.0]


def test_shapes_of_metres_labelled_degrees_are_in_station_and_offset(tmp_path, known):
    path = tmp_path / "sheet.gpkg"
    _layer(path, [shapely.box(2, 0, 5, 2)], crs="EPSG:4326")
    assert _areas(read_file(path, known=known, today=TODAY)) == [6.0]

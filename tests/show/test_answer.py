"""Answers as files, and as tables in a window."""

from __future__ import annotations

import io
import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import shapely
from rich.console import Console

from decknet.cli import main
from decknet.columns import Column
from decknet.columns.views import VIEWS, view_reference
from decknet.commands import say_ask
from decknet.errors import DecknetError
from decknet.show.answer import answer_file, answer_rows
from tests.raw_demo import FOLDER

COLUMNS = (
    Column("deck_id", "id", "", "The deck."),
    Column("area_m2", "number", "m2", "Area."),
    Column("year", "whole", "yr", "Year."),
    Column("day", "date", "", "Day."),
    Column("urgent", "flag", "", "Whether it cannot wait."),
    Column("ground", "shape", "deg", "Where."),
)


@pytest.fixture
def frame():
    ring = shapely.Polygon([(0, 0), (0, 1), (1, 1), (1, 0)])  # clockwise
    return gpd.GeoDataFrame(
        {
            "deck_id": pd.Series(["=1+1", "02", None], dtype="str"),
            "area_m2": [1.5, np.nan, np.inf],
            "year": pd.array([2020, None, 2026], dtype="Int64"),
            "day": pd.to_datetime(["2020-05-01", None, "2026-01-31"]).astype("datetime64[us]"),
            "urgent": pd.array([True, False, None], dtype="boolean"),
        },
        geometry=gpd.GeoSeries([ring, shapely.Point(5, 6), None], crs="EPSG:4326"),
    ).rename_geometry("ground")


def test_csv_holds_every_value_and_no_formula(frame):
    text = answer_file(frame, COLUMNS, ".csv").decode("utf-8-sig").splitlines()
    assert text[0] == "deck_id,area_m2,year,day,urgent,ground"
    assert text[1].startswith(" =1+1,1.5,2020,2020-05-01,yes,")
    assert text[2].startswith("02,,,,no,POINT (5 6)")


def test_json_has_units_and_no_nan(frame):
    made = json.loads(answer_file(frame, COLUMNS, ".json"), parse_constant=pytest.fail)
    assert made["columns"][1] == {"name": "area_m2", "unit": "m2", "meaning": "Area."}
    assert made["rows"][2] == {
        "deck_id": None, "area_m2": None, "year": 2026, "day": "2026-01-31", "urgent": None, "ground": None,
    }  # fmt: skip


def test_parquet_keeps_types_units_and_places(frame, tmp_path):
    file = tmp_path / "a.parquet"
    file.write_bytes(answer_file(frame, COLUMNS, ".parquet"))
    again = gpd.read_parquet(file)
    assert again.crs == "EPSG:4326"
    assert again["year"].tolist()[::2] == [2020, 2026]
    assert again.geometry.iloc[1].equals(shapely.Point(5, 6))
    assert pq.read_schema(file).field("area_m2").metadata[b"unit"] == b"m2"
    file.write_bytes(answer_file(pd.DataFrame({"deck_id": ["a"]}), COLUMNS[:1], ".parquet"))
    assert pd.read_parquet(file)["deck_id"].tolist() == ["a"]


@pytest.mark.basis("published", "RFC 7946 (2016), The GeoJSON Format, sections 3.1.6 and 4")
def test_geojson_is_in_degrees_with_outer_rings_counterclockwise(frame):
    made = json.loads(answer_file(frame, COLUMNS, ".geojson"), parse_constant=pytest.fail)
    assert made["type"] == "FeatureCollection"
    assert "crs" not in made
    ring, point, none = (f["geometry"] for f in made["features"])
    assert shapely.LinearRing(ring["coordinates"][0]).is_ccw
    assert point == {"type": "Point", "coordinates": [5.0, 6.0]}
    assert none is None
    assert made["features"][0]["properties"]["deck_id"] == "=1+1"


def test_geojson_without_places_and_unknown_endings_are_refused(frame):
    with pytest.raises(DecknetError, match="ground"):
        answer_file(pd.DataFrame({"a": [1]}), COLUMNS[:1], ".geojson")
    with pytest.raises(DecknetError, match=r"\.parquet"):
        answer_file(frame, COLUMNS, ".dwg")


def test_odd_values_become_text_or_lists():
    odd = pd.DataFrame({"a": pd.Series([[1, None], {"x": np.float64(2)}, b"\x01\x02"], dtype="object")})
    assert [r["a"] for r in answer_rows(odd)] == [[1, None], {"x": 2.0}, "0102"]


# ---- in a window ------------------------------------------------------------------------------------------


def _printed(frame, columns, width=100, first=0):
    out = Console(width=width, record=True, highlight=False, markup=False, file=io.StringIO())
    say_ask.table(out, frame, columns, first)
    return out.export_text()


def test_units_stand_under_the_names_and_numbers_to_the_right():
    frame = pd.DataFrame({"deck_id": ["a", "bbb"], "area_m2": [5.0, 12345.678], "unsound_share": [0.123456, np.nan]})
    columns = [*COLUMNS[:2], Column("unsound_share", "number", "share", "Share.")]
    lines = [line.rstrip() for line in _printed(frame, columns).splitlines() if line.strip()]
    assert lines[0].split() == ["deck_id", "area_m2", "unsound_share"]
    assert lines[1].split() == ["m²", "share"]
    assert lines[3].split() == ["a", "5", "0.1235"]
    assert lines[4].split() == ["bbb", "12,346", "–"]
    assert lines[3].index(" 5 ") + 2 == lines[4].index("12,346") + 6


def test_what_does_not_fit_is_named_and_one_row_stands_upright():
    wide = pd.DataFrame({f"column_{i}": [1.5, 2.5] for i in range(20)})
    columns = [Column(n, "number", "", "") for n in wide.columns]
    text = _printed(wide, columns)
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "column_19" in " ".join(text.split())
    upright = _printed(wide.head(1), columns)
    assert all(f"column_{i}" in upright for i in range(20))


def test_text_from_a_file_cannot_colour_or_move_the_cursor():
    text = _printed(pd.DataFrame({"deck_id": ["a\x1b[31mred\x07\nnext"]}), COLUMNS[:1])
    assert "\x1b" not in text
    assert "a·[31mred· next" in text


def test_the_view_reference_is_in_the_handbook_and_printed(capsys):
    assert view_reference() in (FOLDER.parent / "decknet" / "handbook" / "questions.md").read_text(encoding="utf-8")
    assert main(["columns"]) == 0
    out = capsys.readouterr().out
    for name in VIEWS:
        assert name in out
    assert main(["columns", "repair_outcome"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    for column in VIEWS["repair_outcome"].columns:
        assert column.name in out
    assert main(["columns", "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)) == set(VIEWS)
    assert main(["columns", "nothing"]) == 1

"""The GeoPackage, read back."""

from __future__ import annotations

import sqlite3
from xml.etree import ElementTree as Xml

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from decknet.errors import LocationError
from decknet.show import geopackage
from tests.show.invented import HOSTILE, base_map, network, no_works, texts, works


def outlines(status):
    here = status[status.geometry.notna()]
    shapes = shapely.buffer(np.array(here.geometry, dtype=object), 0.001)
    return gpd.GeoDataFrame({"deck_id": texts(here["deck_id"])}, geometry=shapes, crs=4326)


def defects():
    frame = {
        "deck_id": texts(["0001", "0002"]),
        "survey_id": texts(["s1", "s2"]),
        "kind": texts(["spall", "hole"]),
        "area_m2": [1.5, np.nan],
        "survey_date": pd.Series(pd.to_datetime(["2025-05-01", None])).astype("datetime64[us]"),
    }
    return gpd.GeoDataFrame(frame, geometry=[shapely.Point(-135, -45).buffer(1e-4), None], crs=4326)


def behind():
    """Bridges, limits and repairs of a few decks."""
    square = shapely.box(-135, -45, -134.9999, -44.9999)
    bridges = {"bridge_id": texts(["0001", "0002"]), "name": texts(["=1+1", "Otter"]), "decks": [1, 1]}
    limits = {"deck_id": texts(["0001"]), "number": [1], "area_m2": [1.5], "depth_class": texts(["partial"])}
    repairs = {
        "repair_id": texts(["r1", "r2"]),
        "deck_id": texts(["0001", "0002"]),
        "cost": [900.0, np.nan],
        "right_yr": [np.nan, 4.5],
        "drawn": [True, False],
    }
    return {
        "bridges": gpd.GeoDataFrame(bridges, geometry=[shapely.Point(-135, -45), None], crs=4326),
        "limits": gpd.GeoDataFrame(limits, geometry=[square], crs=4326),
        "repairs": gpd.GeoDataFrame(repairs, geometry=[square, None], crs=4326),
    }


def made(status=None, programme=None, base=None, **more):
    status = network() if status is None else status
    programme = works(status) if programme is None else programme
    return geopackage(status, outlines(status), defects(), programme, base_map() if base is None else base, **more)


def table(file, sql):
    store = sqlite3.connect(file)
    try:
        return store.execute(sql).fetchall()
    finally:
        store.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    path = tmp_path_factory.mktemp("layers") / "network.gpkg"
    path.write_bytes(made(**behind()))
    return path


def test_layers_have_their_counts_and_coordinate_system(file):
    expected = {
        "bridges": 2,
        "decks": 60,
        "outlines": 59,
        "defects": 2,
        "limits": 1,
        "repairs": 2,
        "programme": 30,
        "shoreline": 1,
        "rivers": 1,
        "routes": 2,
        "towns": 2,
        "boundaries": 1,
    }
    listed = [name for name, _ in pyogrio.list_layers(file)]
    assert {n: pyogrio.read_info(file, layer=n)["features"] for n in listed if n != "layer_styles"} == expected
    assert {pyogrio.read_info(file, layer=name)["crs"] for name in expected} == {"EPSG:4326"}


def test_a_deck_without_a_place_stays_without_a_shape(file):
    decks = pyogrio.read_dataframe(file, layer="decks")
    assert decks.geometry.isna().tolist() == [i == 2 for i in range(60)]
    assert pyogrio.read_dataframe(file, layer="programme").geometry.isna().sum() == 1


def test_decks_come_back_as_they_went_in(file):
    status, back = network(), pyogrio.read_dataframe(file, layer="decks")
    assert list(back.columns) == list(status.columns)
    assert back["name"].tolist()[: len(HOSTILE)] == list(HOSTILE)
    for column in ("deck_id", "area_m2", "share_now", "rank", "urgent"):
        assert [None if pd.isna(v) else v for v in back[column]] == [None if pd.isna(v) else v for v in status[column]]
    assert back["survey_date"].isna().tolist() == status["survey_date"].isna().tolist()
    known = status["survey_date"].notna()
    assert pd.to_datetime(back["survey_date"][known]).dt.date.tolist() == status["survey_date"][known].dt.date.tolist()
    pd.testing.assert_series_equal(shapes(back), shapes(status))


def shapes(frame):
    return pd.Series([None if g is None else g.wkt for g in frame.geometry])


def test_programme_lines_stand_at_their_decks(file):
    lines = pyogrio.read_dataframe(file, layer="programme")
    places = network().set_index("deck_id").geometry
    for deck, shape in zip(lines["deck_id"], lines.geometry, strict=True):
        assert shape is None if places[deck] is None else shape.equals(places[deck])
    assert lines["cost"].tolist() == works(network()).lines["cost"].tolist()
    assert lines["urgent"].astype(bool).tolist() == works(network()).lines["urgent"].tolist()


@pytest.mark.basis("published", "OGC 12-128r17 GeoPackage 1.3, extension_schema: gpkg_data_columns, description")
def test_fields_carry_meaning_and_unit_where_the_standard_keeps_them(file):
    rows = table(file, "SELECT table_name, column_name, description FROM gpkg_data_columns")
    said = {(layer, column): description for layer, column, description in rows}
    assert said["decks", "area_m2"].endswith("Unit: m2.")
    assert said["defects", "area_m2"].startswith("Area, where no shape is drawn.")
    assert said["programme", "cost"].endswith("Unit: USD, 2026 prices.")
    assert said["repairs", "cost"].startswith("Cost in the money of its price year.")
    assert said["decks", "share_now"].endswith("Unit: share, 0 to 1.")
    assert said["programme", "urgent"].startswith("Whether")


@pytest.mark.basis("published", "OGC 12-128r17 GeoPackage 1.3, F.9: gpkg_data_columns, name is unique within a table")
def test_every_field_has_a_printed_name_of_its_own_with_its_unit(file):
    rows = table(file, "SELECT table_name, column_name, name FROM gpkg_data_columns")
    named = {(layer, column): name for layer, column, name in rows}
    assert named["decks", "area_m2"] == "Deck area (m²)"
    assert named["decks", "share_now"] == "Expected unsound share today (0 to 1)"
    assert named["limits", "area_m2"] == "Break out (m²)"
    assert named["repairs", "right_yr"] == "First seen failed, after (yr)"
    assert (named["programme", "treatment"], named["programme", "label"]) == (
        "Treatment (as in the settings)",
        "Treatment",
    )
    assert len({(layer, name) for layer, _, name in rows}) == len(rows)
    for layer in ("decks", "programme", "limits", "repairs", "bridges", "defects"):
        fields = set(pyogrio.read_info(file, layer=layer)["fields"])
        assert {column for where, column in named if where == layer} == fields


def test_every_layer_has_its_style_where_map_programs_look(file):
    rows = table(
        file,
        "SELECT f_table_catalog, f_table_schema, f_table_name, f_geometry_column, useAsDefault, styleQML, styleSLD "
        "FROM layer_styles",
    )
    with_shapes = {name for name, sort in pyogrio.list_layers(file) if sort is not None}
    assert {r[2] for r in rows} == with_shapes
    assert {(r[0], r[1], r[3], r[4]) for r in rows} == {("", "", "geom", 1)}
    fields = {name: set(pyogrio.read_info(file, layer=name)["fields"]) for name in with_shapes}
    for row in rows:
        assert Xml.fromstring(row[5]).tag == "qgis"  # noqa: S314
        style = Xml.fromstring(row[6].encode())  # noqa: S314
        assert style.tag.endswith("StyledLayerDescriptor")
        assert {p.text for p in style.iter("{http://www.opengis.net/ogc}PropertyName")} <= fields[row[2]]


@pytest.mark.basis("published", "OGC 12-128r17 GeoPackage 1.3: tables named in gpkg_contents, no fault in the file")
def test_the_file_is_a_sound_geopackage(file):
    assert table(file, "PRAGMA integrity_check") == [("ok",)]
    assert table(file, "PRAGMA foreign_key_check") == []
    assert table(file, "PRAGMA application_id") == [(0x47504B47,)]
    named = dict(table(file, "SELECT table_name, data_type FROM gpkg_contents"))
    assert named["layer_styles"] == "attributes"
    assert named["repairs"] == "features"


def test_the_works_of_the_file_add_up_to_the_programme(file):
    lines = works(network()).lines
    assert table(file, "SELECT count(*), sum(repair_m2) FROM programme") == [
        (len(lines), pytest.approx(lines["repair_m2"].sum()))
    ]
    assert table(file, "SELECT sum(cost) FROM programme")[0][0] == pytest.approx(lines["cost"].sum())


def test_the_same_input_gives_the_same_bytes_and_leaves_it_untouched(file):
    status = network()
    before = status.copy()
    assert made(status, **behind()) == file.read_bytes()
    pd.testing.assert_frame_equal(pd.DataFrame(status), pd.DataFrame(before))


def test_other_coordinate_systems_are_turned_to_longitude_and_latitude(tmp_path):
    status = network()
    moved = status.to_crs("+proj=aeqd +lat_0=-45 +lon_0=-135 +datum=WGS84 +units=m")
    path = tmp_path / "moved.gpkg"
    path.write_bytes(made(moved))
    back = pyogrio.read_dataframe(path, layer="decks")
    assert back.geometry.x.iloc[0] == pytest.approx(status.geometry.x.iloc[0], abs=1e-9)


def test_a_frame_without_a_coordinate_system_is_refused():
    status = network()
    bare = gpd.GeoDataFrame(pd.DataFrame(status.drop(columns="geometry")), geometry=list(status.geometry))
    with pytest.raises(LocationError, match=r"status: no coordinate system is set"):
        geopackage(bare, outlines(status), defects(), works(status), base_map())


def test_without_programme_and_base_map_the_four_layers_stay(tmp_path):
    status = network()
    path = tmp_path / "bare.gpkg"
    path.write_bytes(made(status, no_works(status), base_map().iloc[:0]))
    expected = ["decks", "outlines", "defects", "programme", "layer_styles"]
    assert [name for name, _ in pyogrio.list_layers(path)] == expected
    assert pyogrio.read_info(path, layer="programme")["features"] == 0


def test_points_and_lines_of_one_kind_share_a_layer(tmp_path):
    base = base_map()
    base["kind"] = texts(["river"] * len(base))
    path = tmp_path / "mixed.gpkg"
    path.write_bytes(made(base=base))
    assert pyogrio.read_info(path, layer="rivers")["features"] == len(base)

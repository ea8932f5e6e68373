"""GeoJSON and GeoParquet, held to their specifications and read back by other programs."""

from __future__ import annotations

import io
import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely

from decknet.errors import LocationError
from decknet.show.layers import geojson, geoparquet
from tests.show.invented import HOSTILE, network


def layer(shapes, **columns):
    return gpd.GeoDataFrame(columns or {"n": range(len(shapes))}, geometry=list(shapes), crs=4326)


def features(frame):
    return json.loads(geojson(frame, "decks"), parse_constant=lambda c: pytest.fail(f"{c} is no JSON"))["features"]


def test_every_row_is_a_feature_with_its_values(tmp_path):
    status = network()
    status["share_now"] = [np.inf, *status["share_now"][1:]]
    made = features(status)
    assert [f["properties"]["deck_id"] for f in made] == status["deck_id"].tolist()
    assert [f["properties"]["name"] for f in made][: len(HOSTILE)] == list(HOSTILE)
    first, second = made[0]["properties"], made[1]["properties"]
    assert first["share_now"] is None
    assert first["survey_date"] is None
    assert second["survey_date"] == f"{status['survey_date'][1]:%Y-%m-%d}"
    assert (second["posted"], second["built_year"]) == (False, 1951)
    assert second["area_m2"] == status["area_m2"][1]


@pytest.mark.basis("published", "RFC 7946, 3.2: a feature without a place has a null geometry")
def test_a_row_without_a_place_has_a_null_geometry():
    assert [f["geometry"] is None for f in features(network())] == [i == 2 for i in range(60)]


@pytest.mark.basis("published", "RFC 7946, 4: WGS 84 always, and no crs member")
def test_shapes_are_in_degrees_and_no_system_is_stated():
    status = network()
    moved = status.to_crs("+proj=aeqd +lat_0=-45 +lon_0=-135 +datum=WGS84 +units=m")
    whole = json.loads(geojson(moved, "decks"))
    assert set(whole) == {"type", "name", "features"}
    x, y = whole["features"][0]["geometry"]["coordinates"]
    assert (x, y) == pytest.approx((status.geometry.x[0], status.geometry.y[0]), abs=2e-9)


@pytest.mark.basis("published", "RFC 7946, 3.1.6: outer rings counter-clockwise, holes clockwise, rings closed")
def test_rings_follow_the_right_hand_rule_whichever_way_they_were_drawn():
    ring = [(0, 0), (0, 2), (2, 2), (2, 0), (0, 0)]  # clockwise
    hole = [(0.5, 0.5), (1.5, 0.5), (1.5, 1.5), (0.5, 1.5), (0.5, 0.5)]  # counter-clockwise
    for shape in (shapely.Polygon(ring, [hole]), shapely.MultiPolygon([shapely.Polygon(ring, [hole])])):
        rings = features(layer([shape]))[0]["geometry"]["coordinates"]
        outer, inner = rings if shape.geom_type == "Polygon" else rings[0]
        assert shapely.LinearRing(outer).is_ccw
        assert not shapely.LinearRing(inner).is_ccw
        assert outer[0] == outer[-1]


@pytest.mark.basis("published", "RFC 7946, 3.1.9: shapes are cut at the antimeridian")
@pytest.mark.parametrize("shift", [0, -360])
def test_a_shape_across_the_antimeridian_is_cut_and_keeps_its_area(shift):
    shape = shapely.box(179 + shift, -10, 182 + shift, -9)
    drawn = shapely.geometry.shape(features(layer([shape]))[0]["geometry"])
    assert drawn.geom_type == "MultiPolygon"
    assert sorted(g.bounds for g in drawn.geoms) == [(-180, -10, -178, -9), (179, -10, 180, -9)]
    assert drawn.area == pytest.approx(shape.area)


def test_a_line_and_a_point_past_the_antimeridian_come_back_round():
    line, point = shapely.LineString([(179, 0), (181, 1)]), shapely.Point(181, 5)
    one, other = (f["geometry"] for f in features(layer([line, point])))
    assert one["coordinates"] == [[[179, 0], [180, 0.5]], [[-180, 0.5], [-179, 1]]]
    assert other == {"type": "Point", "coordinates": [-179, 5]}


def test_coordinates_are_rounded_to_a_tenth_of_a_millimetre():
    x, y = features(layer([shapely.Point(1 / 3, 2 / 3)]))[0]["geometry"]["coordinates"]
    assert (x, y) == (0.333333333, 0.666666667)


def test_a_layer_reads_back_by_its_name(tmp_path):
    status = network()
    path = tmp_path / "decks.geojson"
    path.write_bytes(geojson(status, "decks"))
    assert [name for name, _ in pyogrio.list_layers(path)] == ["decks"]
    back = pyogrio.read_dataframe(path)
    assert back.crs.to_epsg() == 4326
    assert back["deck_id"].tolist() == status["deck_id"].tolist()
    assert back["share_now"].tolist() == pytest.approx(status["share_now"].tolist(), nan_ok=True)


def test_an_empty_layer_is_still_a_layer(tmp_path):
    path = tmp_path / "none.geojson"
    path.write_bytes(geojson(network().iloc[:0], "none"))
    assert pyogrio.read_info(path)["features"] == 0
    assert gpd.read_parquet(io.BytesIO(geoparquet(network().iloc[:0], "none"))).empty


@pytest.mark.basis("published", "GeoParquet 1.1.0: metadata under the key geo")
def test_geoparquet_states_its_version_system_and_cover():
    made = pq.ParquetFile(io.BytesIO(geoparquet(network(), "decks")))
    geo = json.loads(made.schema_arrow.metadata[b"geo"])
    column = geo["columns"][geo["primary_column"]]
    assert geo["version"] == "1.1.0"
    assert column["encoding"] == "WKB"
    assert column["geometry_types"] == ["Point"]
    assert column["crs"]["id"] == {"authority": "EPSG", "code": 4326}
    assert set(column["covering"]["bbox"]) == {"xmin", "ymin", "xmax", "ymax"}


def test_geoparquet_comes_back_with_its_types():
    status = network()
    back = gpd.read_parquet(io.BytesIO(geoparquet(status, "decks"))).drop(columns="bbox", errors="ignore")
    assert list(back.columns) == list(status.columns)
    assert back["deck_id"].tolist() == status["deck_id"].tolist()
    assert back["built_year"].astype("Int64").equals(status["built_year"])
    assert pd.to_datetime(back["survey_date"]).tolist()[1] == status["survey_date"][1]
    assert back.geometry.isna().tolist() == [i == 2 for i in range(60)]
    assert shapely.distance(back.geometry[0], status.geometry[0]) < 1e-8


@pytest.mark.parametrize("write", [geojson, geoparquet])
def test_the_same_layer_gives_the_same_bytes_and_stays_as_it_is(write):
    status = network()
    before = status.copy()
    assert write(status, "decks") == write(status, "decks")
    pd.testing.assert_frame_equal(pd.DataFrame(status), pd.DataFrame(before))


def test_a_layer_without_a_system_is_refused():
    bare = gpd.GeoDataFrame({"n": [1]}, geometry=[shapely.Point(0, 0)])
    with pytest.raises(LocationError, match="decks: no coordinate system"):
        geojson(bare, "decks")

"""Decks lie where their centreline, or point and bearing, puts them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from decknet.locate import deck_outlines, place_decks
from tests.frames import records

GEOD = Geod(ellps="WGS84")


def _place(**columns):
    n = len(next(iter(columns.values())))
    ids = [f"d{i}" for i in range(n)]
    columns.setdefault("length_m", [40.0] * n)
    columns.setdefault("width_m", [10.0] * n)
    decks = records("deck", deck_id=ids, bridge_id=ids, **columns)
    return decks, place_decks(decks)


def test_the_best_that_is_given_places_a_deck():
    line = shapely.LineString([(10.0, 50.0), (10.001, 50.0)])
    _, placing = _place(
        centreline=[line, None, None, None],
        longitude_deg=[1.0, 10.0, 10.0, None],
        latitude_deg=[2.0, 50.0, 50.0, 50.0],
        bearing_deg=[None, 30.0, None, 30.0],
    )
    assert placing.placed_by.fillna("none").tolist() == ["centreline", "bearing", "point", "none"]
    assert np.isnan(placing.longitude_deg[3])


@pytest.mark.basis("published", "Karney (2013), Algorithms for geodesics, through pyproj.Geod")
def test_station_and_offset_are_metres_on_the_ellipsoid():
    _, placing = _place(longitude_deg=[10.0], latitude_deg=[50.0], bearing_deg=[30.0])
    lon, lat = placing.to_ground(pd.Series(["d0"] * 3), np.array([20.0, 40.0, 20.0]), np.array([0.0, 0.0, 5.0]))
    assert (lon[0], lat[0]) == pytest.approx((10.0, 50.0), abs=1e-9)
    azimuth, _, distance = GEOD.inv(lon[0], lat[0], lon[1], lat[1])
    assert azimuth == pytest.approx(30.0, abs=1e-4)
    assert distance == pytest.approx(20.0, abs=1e-5)
    azimuth, _, distance = GEOD.inv(lon[0], lat[0], lon[2], lat[2])
    assert azimuth == pytest.approx(120.0, abs=1e-3)  # to the right, looking up-station
    assert distance == pytest.approx(5.0, abs=1e-6)


def test_a_rectangle_keeps_its_area_on_the_ground():
    decks, placing = _place(
        longitude_deg=[-135.0], latitude_deg=[62.0], bearing_deg=[77.0], length_m=[60.0], width_m=[11.0]
    )
    ground = placing.shapes_to_ground(decks["deck_id"], deck_outlines(decks))[0]
    metric = Transformer.from_crs(
        "EPSG:4326", CRS.from_proj4("+proj=laea +lon_0=-135 +lat_0=62 +ellps=WGS84"), always_xy=True
    )
    flat = shapely.transform(ground, lambda xy: np.column_stack(metric.transform(xy[:, 0], xy[:, 1])))
    assert flat.area == pytest.approx(660.0, rel=1e-5)


def test_a_bent_centreline_is_followed_and_offsets_meet_on_the_bend():
    start = (10.0, 50.0)
    corner = GEOD.fwd(*start, 0.0, 30.0)[:2]
    end = GEOD.fwd(*corner, 90.0, 30.0)[:2]
    _, placing = _place(centreline=[shapely.LineString([start, corner, end])], length_m=[60.0])
    lon, lat = placing.to_ground(pd.Series(["d0"] * 3), np.array([30.0, 60.0, 30.0]), np.array([0.0, 0.0, 4.0]))
    assert (lon[0], lat[0]) == pytest.approx(corner, abs=1e-8)
    assert (lon[1], lat[1]) == pytest.approx(end, abs=1e-8)
    _, _, distance = GEOD.inv(*corner, lon[2], lat[2])
    assert distance == pytest.approx(4.0 * np.sqrt(2.0), abs=1e-4)  # the mitre of a right angle
    assert placing.longitude_deg[0] == pytest.approx(corner[0], abs=1e-8)


def test_stations_past_the_line_run_straight_on():
    line = shapely.LineString([(10.0, 50.0), GEOD.fwd(10.0, 50.0, 45.0, 30.0)[:2]])
    _, placing = _place(centreline=[line])
    lon, lat = placing.to_ground(pd.Series(["d0"]), np.array([40.0]), np.array([0.0]))
    azimuth, _, distance = GEOD.inv(10.0, 50.0, lon[0], lat[0])
    assert distance == pytest.approx(40.0, abs=1e-6)
    assert azimuth == pytest.approx(45.0, abs=1e-6)


def test_a_deck_astride_the_antimeridian_stays_in_one_piece():
    decks, placing = _place(longitude_deg=[179.9999], latitude_deg=[-16.5], bearing_deg=[90.0])
    ground = placing.shapes_to_ground(decks["deck_id"], deck_outlines(decks))[0]
    west, _, east, _ = ground.bounds
    assert east - west < 0.001


def test_many_decks_at_once_agree_with_one_at_a_time():
    rng = np.random.default_rng(11)
    n = 40
    lines = []
    for _ in range(n):
        at = (float(rng.uniform(-20, 20)), float(rng.uniform(-60, 60)))
        vertices = [at]
        for _ in range(int(rng.integers(1, 5))):
            at = GEOD.fwd(*at, rng.uniform(20, 60), rng.uniform(5, 40))[:2]
            vertices.append(at)
        lines.append(shapely.LineString(vertices))
    decks, placing = _place(centreline=lines)
    station, offset = rng.uniform(-5, 90, n), rng.uniform(-6, 6, n)
    lon, lat = placing.to_ground(decks["deck_id"], station, offset)
    for i in range(n):
        alone = place_decks(decks.iloc[[i]])
        one = alone.to_ground(decks["deck_id"].iloc[[i]], station[[i]], offset[[i]])
        assert (lon[i], lat[i]) == pytest.approx((one[0][0], one[1][0]), abs=1e-10)


def test_a_shape_on_a_deck_without_a_position_is_none():
    _, placing = _place(longitude_deg=[None], latitude_deg=[None])
    assert placing.shapes_to_ground(pd.Series(["d0"]), np.array([shapely.box(0, 0, 1, 1)], dtype=object))[0] is None


def test_no_decks_give_an_empty_placing():
    decks = records("deck", deck_id=[], bridge_id=[])
    assert len(place_decks(decks).longitude_deg) == 0

"""Decks lie where their centreline, or point and bearing, puts them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from decknet.locate import deck_outlines, place_decks, with_positions
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


@pytest.mark.basis("published", "Karney (2013), Algorithms for geodesics, through pyproj.Geod")
@pytest.mark.parametrize(("middle", "bearing"), [(179.9999, 90.0), (-179.9999, 90.0), (179.9999, 270.0), (10.0, 90.0)])
def test_a_shape_astride_the_antimeridian_runs_past_180_and_lies_where_it_lies(middle, bearing):
    decks, placing = _place(longitude_deg=[middle], latitude_deg=[-16.5], bearing_deg=[bearing])
    line = shapely.LineString([(0.0, 0.0), (10.0, 0.0), (40.0, 0.0)])
    ground = placing.shapes_to_ground(decks["deck_id"], np.array([line], dtype=object))[0]
    lon, lat = shapely.get_coordinates(ground).T
    assert np.ptp(lon) < 0.001
    first = GEOD.fwd(middle, -16.5, bearing + 180.0, 20.0)
    assert lon[0] == pytest.approx(first[0], abs=1e-8)  # the first vertex has its own longitude, the rest follow it
    for x, y, ahead in zip(lon, lat, (-20.0, -10.0, 20.0), strict=True):
        want = GEOD.fwd(middle, -16.5, bearing, ahead)
        assert (x - want[0]) % 360.0 == pytest.approx(0.0, abs=1e-8) or (x - want[0]) % 360.0 > 360.0 - 1e-8
        assert y == pytest.approx(want[1], abs=1e-8)


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
    for reach in (90, 12, 25):
        station, offset = rng.uniform(-5, reach, n), rng.uniform(-6, 6, n)
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


def test_a_shape_with_one_deck_lost_leaves_the_others_where_they_are():
    _, placing = _place(longitude_deg=[None, 10.0], latitude_deg=[None, 50.0], bearing_deg=[None, 0.0])
    square = shapely.box(19, -1, 21, 1)
    given = np.array([square, square, None], dtype=object)
    lost, there, missing = placing.shapes_to_ground(pd.Series(["d0", "d1", "d1"]), given)
    assert lost is None
    assert missing is None
    assert (there.centroid.x, there.centroid.y) == pytest.approx((10.0, 50.0), abs=1e-9)
    assert given[0] is square


# A bend: 30 m north, then 30 m turned right by an angle.
def _bent(*turns, length_m=60.0, repeat=False):
    lines = []
    for turn in turns:
        corner = GEOD.fwd(10.0, 50.0, 0.0, 30.0)[:2]
        end = GEOD.fwd(*corner, turn, 30.0)[:2]
        lines.append(shapely.LineString([(10.0, 50.0), corner, *([corner] if repeat else []), end]))
    return _place(centreline=lines, length_m=[length_m] * len(turns))


@pytest.mark.basis("published", "Karney (2013), Algorithms for geodesics, through pyproj.Geod")
@pytest.mark.parametrize("repeat", [False, True])
def test_each_point_of_a_bent_line_lies_on_its_own_piece(repeat):
    _, placing = _bent(90.0, 60.0, 40.0, repeat=repeat)
    corner = GEOD.fwd(10.0, 50.0, 0.0, 30.0)[:2]
    for name, turn in (("d0", 90.0), ("d1", 60.0), ("d2", 40.0)):
        names = pd.Series([name] * 4)
        # on, and far before and past, the line: stations run straight on, also on a line among others
        lon, lat = placing.to_ground(names, np.array([12.0, 48.0, -500.0, 700.0]), np.zeros(4))
        along = [GEOD.fwd(10.0, 50.0, 0.0, 12.0), GEOD.fwd(*corner, turn, 18.0)]
        along += [GEOD.fwd(10.0, 50.0, 180.0, 500.0), GEOD.fwd(*corner, turn, 670.0)]
        for x, y, want in zip(lon, lat, along, strict=True):
            assert GEOD.inv(x, y, *want[:2])[2] == pytest.approx(0.0, abs=1e-2)
        lon, lat = placing.to_ground(names.iloc[:1], np.array([30.0]), np.array([3.0]))
        mitre = 3.0 / np.cos(np.radians(turn / 2))
        assert GEOD.inv(*corner, lon[0], lat[0])[2] == pytest.approx(mitre, abs=1e-3)
        # square to the line at its ends, and on beyond them
        lon, lat = placing.to_ground(names, np.array([0.0, 60.0, -20.0, 85.0]), np.array([3.0, -3.0, 3.0, 3.0]))
        end = GEOD.fwd(*corner, turn, 30.0)[:2]
        before, beyond = GEOD.fwd(10.0, 50.0, 180.0, 20.0)[:2], GEOD.fwd(*corner, turn, 55.0)[:2]
        beside = [GEOD.fwd(10.0, 50.0, 90.0, 3.0), GEOD.fwd(*end, turn - 90.0, 3.0)]
        beside += [GEOD.fwd(*before, 90.0, 3.0), GEOD.fwd(*beyond, turn + 90.0, 3.0)]
        for x, y, want in zip(lon, lat, beside, strict=True):
            assert GEOD.inv(x, y, *want[:2])[2] == pytest.approx(0.0, abs=1e-3)


def test_points_near_the_first_joint_of_every_deck_stay_on_their_own_deck():
    decks, placing = _bent(90.0, 60.0, 30.0, 10.0)
    lon, lat = placing.to_ground(decks["deck_id"], np.ones(4), np.zeros(4))
    assert lon == pytest.approx([10.0] * 4, abs=1e-8)
    assert lat == pytest.approx([GEOD.fwd(10.0, 50.0, 0.0, 1.0)[1]] * 4, abs=1e-8)


@pytest.mark.basis(
    "derived", "a mitre is 1 / cos(half the turn) long: 2 at 120 degrees; beyond, never longer than that"
)
def test_a_bend_sharper_than_120_degrees_is_not_followed_farther():
    _, placing = _bent(60.0, 120.0, 150.0, 175.0)
    corner = GEOD.fwd(10.0, 50.0, 0.0, 30.0)[:2]
    names = pd.Series(["d0", "d1", "d2", "d3"])
    lon, lat = placing.to_ground(names, np.full(4, 30.0), np.full(4, 3.0))
    azimuth, _, out = GEOD.inv([corner[0]] * 4, [corner[1]] * 4, lon, lat)
    assert out[0] == pytest.approx(3.0 / np.cos(np.radians(30.0)), abs=1e-3)
    assert out[1] == pytest.approx(6.0, abs=1e-3)
    assert azimuth[0] == pytest.approx(90.0 + 30.0, abs=1e-2)  # half the turn past square
    assert azimuth[1] == pytest.approx(90.0 + 60.0, abs=1e-2)
    assert max(out[2:]) <= 6.0


@pytest.mark.basis("derived", "half way along the line, or half the stated length from the first joint; by hand")
def test_the_middle_of_a_deck_is_half_its_length_from_the_first_joint():
    _, placing = _bent(90.0, 90.0, length_m=None)
    corner = GEOD.fwd(10.0, 50.0, 0.0, 30.0)[:2]
    assert (placing.longitude_deg[1], placing.latitude_deg[1]) == pytest.approx(corner, abs=1e-8)
    _, short = _bent(90.0, length_m=20.0)
    assert short.latitude_deg[0] == pytest.approx(GEOD.fwd(10.0, 50.0, 0.0, 10.0)[1], abs=1e-8)
    _, point = _place(longitude_deg=[10.0], latitude_deg=[50.0], bearing_deg=[30.0], length_m=[None])
    assert point.placed_by.tolist() == ["bearing"]
    assert (point.longitude_deg[0], point.latitude_deg[0]) == pytest.approx((10.0, 50.0), abs=1e-5)


def test_a_deck_without_direction_is_drawn_with_stations_running_east():
    _, placing = _place(longitude_deg=[10.0], latitude_deg=[50.0])
    lon, lat = placing.to_ground(pd.Series(["d0"]), np.array([30.0]), np.array([0.0]))
    azimuth, _, distance = GEOD.inv(10.0, 50.0, lon[0], lat[0])
    assert (azimuth, distance) == (pytest.approx(90.0, abs=1e-3), pytest.approx(10.0, abs=1e-5))


def test_a_point_that_is_not_known_has_no_place():
    _, placing = _place(longitude_deg=[10.0], latitude_deg=[50.0], bearing_deg=[0.0])
    names = pd.Series(["d0", "elsewhere", "d0", "d0"])
    lon, lat = placing.to_ground(names, np.array([20.0, 20.0, np.nan, 20.0]), np.array([0.0, 0.0, 0.0, np.nan]))
    assert np.isnan(lon).tolist() == np.isnan(lat).tolist() == [False, True, True, True]


def test_a_line_without_length_places_nothing_and_another_kind_of_shape_is_not_a_line():
    same = shapely.LineString([(10.0, 50.0), (10.0, 50.0)])
    _, placing = _place(
        centreline=[same, shapely.Point(10, 50), None, shapely.LineString([(11.0, 50.0), (11.001, 50.0)])],
        longitude_deg=[None, None, 10.0, None],
        latitude_deg=[None, None, None, None],
    )
    assert placing.placed_by.fillna("none").tolist() == ["none", "none", "none", "centreline"]
    assert np.isnan(placing.longitude_deg).tolist() == [True, True, True, False]


def test_a_rectangle_is_split_every_five_metres_and_needs_both_sizes():
    decks = records(
        "deck", deck_id=["a", "b", "c"], bridge_id=["a", "b", "c"], length_m=[22.0, 22.0, None],
        width_m=[10.0, None, 10.0],
    )  # fmt: skip
    whole, no_width, no_length = deck_outlines(decks)
    assert whole.bounds == (0.0, -5.0, 22.0, 5.0)
    sides = np.hypot(*np.diff(shapely.get_coordinates(whole), axis=0).T)
    assert sides.max() == pytest.approx(5.0)  # 10 m across in two; 22 m along in five
    assert len(sides) == 2 * (5 + 2)
    assert no_width is None
    assert no_length is None


def test_an_outline_as_drawn_wins_over_the_rectangle():
    drawn = shapely.Polygon([(0, -5), (4, -5), (5, 5), (1, 5)])
    decks = records(
        "deck", deck_id=["a", "b"], bridge_id=["a", "b"], length_m=[4.0, 4.0], width_m=[10.0, 10.0],
        outline=[drawn, None],
    )  # fmt: skip
    first, second = deck_outlines(decks)
    assert shapely.hausdorff_distance(first, drawn) == pytest.approx(0.0, abs=1e-12)
    assert second.bounds == (0.0, -5.0, 4.0, 5.0)


def test_a_deck_takes_its_bridges_position_only_where_it_has_none():
    decks = records(
        "deck", deck_id=["d0", "d1", "d2"], bridge_id=["a", "a", "unknown"], longitude_deg=[None, 11.0, None],
        latitude_deg=[None, 51.0, None],
    )  # fmt: skip
    bridges = records("bridge", bridge_id=["b", "a"], longitude_deg=[20.0, 10.0], latitude_deg=[60.0, 50.0])
    got = with_positions(decks, bridges)
    assert got["deck_id"].tolist() == ["d0", "d1", "d2"]
    assert got["longitude_deg"].fillna(-1).tolist() == [10.0, 11.0, -1.0]
    assert got["latitude_deg"].fillna(-1).tolist() == [50.0, 51.0, -1.0]

"""Shapes drawn on the ground come back to the station and offset where they lie on the deck."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod

from decknet.locate import place_decks
from decknet.locate.onto import shapes_to_deck
from tests.frames import records

GEOD = Geod(ellps="WGS84")
CORNER = GEOD.fwd(10.0, 50.0, 0.0, 30.0)[:2]
BENT = shapely.LineString([(10.0, 50.0), CORNER, GEOD.fwd(*CORNER, 40.0, 31.0)[:2]])


def _decks():
    """By bearing without length, by a point alone, by nothing, without a known length; by a line, by bearing."""
    decks = records(
        "deck",
        deck_id=["a point", "alone", "adrift", "afar", "line", "bearing"],
        bridge_id=["b"] * 6,
        length_m=[0.0, 40.0, 40.0, None, 61.0, 40.0],
        width_m=[10.0] * 6,
        longitude_deg=[10.0, 10.0, None, 10.0, None, -70.0],
        latitude_deg=[50.0, 50.0, None, 50.0, None, -33.0],
        bearing_deg=[30.0, None, 30.0, 30.0, None, 200.0],
        centreline=[None, None, None, None, BENT, None],
    )
    return place_decks(decks), decks.set_index("deck_id")["length_m"]


def _onto(names, shapes):
    placing, length = _decks()
    held = np.empty(len(shapes), dtype=object)
    held[:] = shapes
    return shapes_to_deck(placing, length, pd.Series(names), held)


def _drawn(longitude, latitude, parts):
    """A line on the ground through points given by azimuth and distance from one."""
    return shapely.LineString([GEOD.fwd(longitude, latitude, *part)[:2] for part in parts])


@pytest.mark.basis("published", "Karney (2013), Algorithms for geodesics, through pyproj.Geod")
def test_metres_on_the_ellipsoid_are_station_and_offset():
    # Bearing 200: station 20 is the deck's middle; its right looking up-station is at 290.
    drawn = _drawn(-70.0, -33.0, [(200.0, 0.0), (200.0, 15.0), (20.0, 7.5), (290.0, 4.0), (110.0, 3.0), (20.0, 26.0)])
    got = shapely.get_coordinates(_onto(["bearing"], [drawn])[0])
    want = [(20.0, 0.0), (35.0, 0.0), (12.5, 0.0), (20.0, 4.0), (20.0, -3.0), (-6.0, 0.0)]
    assert got == pytest.approx(np.array(want), abs=1e-4)


@pytest.mark.basis("published", "Karney (2013), Algorithms for geodesics, through pyproj.Geod")
def test_points_beside_a_bent_line_belong_to_the_piece_they_stand_by():
    first = _drawn(10.0, 50.0, [(0.0, 0.0), (0.0, 11.0), (90.0, 2.0), (180.0, 5.0)])
    later = _drawn(*CORNER, [(40.0, 21.0), (40.0, 40.0)])
    beside = GEOD.fwd(*GEOD.fwd(*CORNER, 40.0, 21.0)[:2], 130.0, 3.0)[:2]
    left = GEOD.fwd(*GEOD.fwd(*CORNER, 40.0, 21.0)[:2], -50.0, 3.0)[:2]
    got = [
        shapely.get_coordinates(one) for one in _onto(["line"] * 3, [first, later, shapely.LineString([beside, left])])
    ]
    assert got[0] == pytest.approx(np.array([(0.0, 0.0), (11.0, 0.0), (0.0, 2.0), (-5.0, 0.0)]), abs=1e-3)
    # The line is walked in steps of two metres at most: at the bend a step cuts the corner by some centimetres.
    assert got[1] == pytest.approx(np.array([(51.0, 0.0), (70.0, 0.0)]), abs=0.05)
    assert got[2] == pytest.approx(np.array([(51.0, 3.0), (51.0, -3.0)]), abs=0.05)


@pytest.mark.basis("derived", "there and back: place, then read off again")
def test_shapes_on_a_curved_deck_go_there_and_come_back():
    # An arc of 300 m radius, turning right, drawn every 5 m: 1 degree a piece.
    vertices = [(10.0, 50.0)]
    for n in range(12):
        vertices.append(GEOD.fwd(*vertices[-1], 30.0 + n * np.degrees(5.0 / 300.0), 5.0)[:2])
    decks = records(
        "deck", deck_id=["arc", "straight"], bridge_id=["b"] * 2, length_m=[60.0, 30.0],
        centreline=[shapely.LineString(vertices), None], longitude_deg=[None, 179.9999], latitude_deg=[None, 65.0],
        bearing_deg=[None, 95.0],
    )  # fmt: skip
    placing, length = place_decks(decks), decks.set_index("deck_id")["length_m"]
    rng = np.random.default_rng(3)
    names = pd.Series(rng.choice(["arc", "straight"], 40))
    low = np.column_stack([rng.uniform(-2, np.where(names == "arc", 60, 30)), rng.uniform(-6, 4, 40)])
    shapes = shapely.box(low[:, 0], low[:, 1], low[:, 0] + 2.0, low[:, 1] + 1.5)
    back = shapes_to_deck(placing, length, names, placing.shapes_to_ground(names, shapes))
    for shape, again in zip(shapes, back, strict=True):
        assert shapely.get_coordinates(again) == pytest.approx(shapely.get_coordinates(shape), abs=0.12)


def test_a_deck_without_position_direction_or_length_takes_no_shape_and_spoils_no_other():
    square = shapely.box(-70.00001, -33.00001, -69.99999, -32.99999)
    names = ["adrift", "bearing", "unknown", "alone", "bearing", "afar", "bearing", "a point"]
    got = _onto(names, [square, square, square, square, None, square, shapely.force_3d(square, 7.0), square])
    assert [one is None for one in got] == [True, False, True, True, True, True, False, True]
    assert shapely.equals(got[1], got[6])
    assert not shapely.has_z(got[6])
    assert got[1].centroid.x == pytest.approx(20.0, abs=1e-3)
    assert got[1].centroid.y == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("length_m", [0.6, 3.0, 40.0])
def test_a_deck_of_any_length_is_read_from_end_to_end(length_m):
    decks = records(
        "deck", deck_id=["d"], bridge_id=["b"], length_m=[length_m], longitude_deg=[10.0], latitude_deg=[50.0],
        bearing_deg=[75.0],
    )  # fmt: skip
    half = length_m / 2
    drawn = _drawn(10.0, 50.0, [(255.0, half), (75.0, half), (75.0, half / 2)])
    placing = place_decks(decks)
    got = shapes_to_deck(placing, decks.set_index("deck_id")["length_m"], pd.Series(["d"]), np.array([drawn], object))
    want = np.array([(0.0, 0.0), (length_m, 0.0), (1.5 * half, 0.0)])
    assert shapely.get_coordinates(got[0]) == pytest.approx(want, abs=1e-4)


def test_stations_are_the_decks_own_where_its_line_is_drawn_too_short():
    # The line's last piece runs on to the stated length, so its metres are the deck's.
    line = shapely.LineString([(10.0, 50.0), GEOD.fwd(10.0, 50.0, 0.0, 30.0)[:2]])
    decks = records("deck", deck_id=["d"], bridge_id=["b"], length_m=[33.0], centreline=[line])
    drawn = _drawn(10.0, 50.0, [(0.0, 33.0), (0.0, 10.0)])
    placing = place_decks(decks)
    got = shapes_to_deck(placing, decks.set_index("deck_id")["length_m"], pd.Series(["d"]), np.array([drawn], object))
    assert shapely.get_coordinates(got[0]) == pytest.approx(np.array([(33.0, 0.0), (10.0, 0.0)]), abs=1e-4)


@pytest.mark.basis(
    "derived", "stations run on evenly over the step that cuts a corner; a tenth of a metre at 90 degrees"
)
def test_stations_run_on_evenly_past_a_sharp_bend():
    line = shapely.LineString([(10.0, 50.0), CORNER, GEOD.fwd(*CORNER, 90.0, 31.0)[:2]])
    decks = records("deck", deck_id=["d"], bridge_id=["b"], length_m=[61.0], centreline=[line])
    drawn = _drawn(*CORNER, [(180.0, 0.4), (90.0, 1.3), (90.0, 1.6)])
    placing = place_decks(decks)
    got = shapes_to_deck(placing, decks.set_index("deck_id")["length_m"], pd.Series(["d"]), np.array([drawn], object))
    assert shapely.get_coordinates(got[0])[:, 0] == pytest.approx([29.6, 31.3, 31.6], abs=0.1)

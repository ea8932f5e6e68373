"""Stations, offsets, lengths and directions as sheets write them."""

from __future__ import annotations

import pytest

from decknet.errors import RecordError

SURVEY = "bridge id,survey date,delaminated m2,from station,to station\n"
DEFECTS = "bridge id,survey date,kind,from station,to station,from offset,to offset\n"


@pytest.mark.basis("derived", "1200 and 1210 less 1190 are 10 and 20 m from the first joint")
def test_stations_are_counted_from_the_first_joint_that_is_stated(read):
    text = SURVEY + "001,2024-05-06,2,1+200,1+210\n"
    found = read(text, "surveys.csv", 'origin_station = "1+190"\n').records["survey"].iloc[0]
    assert (found["from_station_m"], found["to_station_m"]) == (10, 20)


@pytest.mark.basis("derived", "12+45.3 less 12+00 is 45.3 ft, 13.80744 m")
def test_the_origin_is_in_the_unit_of_the_stations(read):
    text = (
        SURVEY.replace("from station,to station", "from station (ft),to station (ft)")
        + "001,2024-05-06,2,12+00,12+45.3\n"
    )
    found = read(text, "surveys.csv", None, options={"values": {"origin_station": "12+00"}}).records["survey"].iloc[0]
    assert found["from_station_m"] == 0
    assert found["to_station_m"] == pytest.approx(13.80744)


@pytest.mark.parametrize(
    ("head", "row", "name"),
    [(SURVEY, "00{n},2024-05-06,2,1+2{n}0,1+2{n}5", "surveys.csv"),
     (DEFECTS, "00{n},2024-05-06,spall,1+2{n}0,1+2{n}2,-1,1", "defects.csv")],
)  # fmt: skip
def test_stations_that_all_lie_beyond_their_decks_are_asked_for(read, head, row, name):
    rows = [row.format(n=n) + "\n" for n in (1, 2, 3)]
    said = r"every station lies beyond its deck \(from 1210 m, on decks of at most 40 m\).*origin_station=1\+210"
    with pytest.raises(RecordError, match=said):
        read(head + "".join(rows), name)
    # one that lies on its deck shows that they are counted from the first joint
    other = rows[0].replace("1+210", "10").replace("1+215", "20").replace("1+212", "12")
    assert read(head + "".join([*rows[1:], other]), name).rows_read == 3


@pytest.mark.basis("derived", "left of the centreline is negative; 5 ft 6 in is 1.6764 m")
@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [("3.2 L", "1.5 R", (-3.2, 1.5)), ("left 3.2", "right 1.5", (-3.2, 1.5)),
     ("5'-6\" L", "5 ft 6 in", (-1.6764, 1.6764)), ("-3.2", "1.5", (-3.2, 1.5)), ("−3.2", "+1.5", (-3.2, 1.5))],
)  # fmt: skip
def test_offsets_take_their_side_from_words_and_letters(read, low, high, expected):
    quoted = ['"' + cell.replace('"', '""') + '"' for cell in (low, high)]
    found = read(DEFECTS + f"001,2024-05-06,spall,10,12,{quoted[0]},{quoted[1]}\n", "defects.csv")
    (shape,) = found.records["defect"]["shape"]
    assert (shape.bounds[1], shape.bounds[3]) == pytest.approx(expected)


def test_lengths_in_feet_and_inches_are_read_and_never_cost_the_bridge(read):
    text = 'bridge no,name,length m,width m\nK1,Mill,"120\'-6""",30 ft 6 in\nK2,Tarn,about 30,9.5\n'
    found = read(text, "bridges.csv")
    decks = found.records["deck"].set_index("deck_id")
    assert decks.loc["K1", "length_m"] == pytest.approx(120.5 * 0.3048)
    assert decks.loc["K1", "width_m"] == pytest.approx(30.5 * 0.3048)
    assert set(found.records["bridge"]["bridge_id"]) == {"K1", "K2"}


@pytest.mark.basis("practice", "bearings in quadrants: S 30 W is 180 + 30 degrees from north")
@pytest.mark.parametrize(
    ("said", "degrees"),
    [("N 45 E", 45), ("S 30 W", 210), ("N10°30'W", 349.5), ("southwest", 225), ("NE", 45), ("271.5", 271.5)],
)
def test_bearings_in_quadrants_and_words(read, said, degrees):
    found = read(f"bridge no,name,length m,width m,bearing\nK1,Mill,30,9,{said}\n", "bridges.csv")
    assert found.records["deck"]["bearing_deg"].iloc[0] == pytest.approx(degrees)


def test_a_bearing_that_is_none_is_left_out_and_the_bridge_stays(read):
    found = read("bridge no,name,length m,width m,bearing\nK1,Mill,30,9,along the river\n", "bridges.csv")
    assert found.records["deck"]["bearing_deg"].isna().all()
    assert found.faults["code"].tolist() == ["F-NUMBER"]

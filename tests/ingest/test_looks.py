"""What a survey looked at: strips, words, drawn coverage; and what was drawn beyond it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.ingest.where import DeckFacts, find_place, remark_of_part
from tests.ingest.conftest import codes, column, write_layer

# 60 by 10 m, two lanes of 5 m, three spans that end at stations 20 and 40.
DECK = DeckFacts(60.0, -5.0, 5.0, lanes=2, spans=3, joints=(20.0, 40.0))
HEAD = "deck id,survey date,method,hollow m2,"
BOX = "POLYGON ((0 -5, 20 -5, 20 5, 0 5, 0 -5))"


@pytest.fixture
def laid(known):
    """The small network; deck 001 (40 by 10 m) has two lanes and joints at 10 and 30 m, 002 narrows to a point."""
    layout = pd.DataFrame(
        {
            "deck_id": ["001", "002", "003"],
            "outline": [None, shapely.Polygon([(0, -5), (40, 0), (0, 5)]), None],
            "lanes": [2, pd.NA, 3],
            "spans": [3, 1, pd.NA],
            "joints_m": ["10 30", None, None],
        }
    )
    return dataclasses.replace(known, layout=lambda: layout)


def _strip(reading, at=0):
    row = reading.records["survey"].iloc[at]
    names = ("from_station_m", "to_station_m", "from_offset_m", "to_offset_m")
    return tuple(None if pd.isna(row[n]) else float(row[n]) for n in names)


def _looked(reading):
    return column(reading, "survey", "looked_at")


@pytest.mark.basis("derived", "lanes share the width equally from the left edge at -5 m; spans end at the joints")
@pytest.mark.parametrize(
    ("words", "stations", "offsets"),
    [
        ("left lane", None, (-5, 0)),  # lane 1 of 2: the left half of -5 to 5
        ("Right Lane only", None, (0, 5)),
        ("lane 2", None, (0, 5)),  # counted from the left looking up-station
        ("lane 1 of 2", None, (-5, 0)),
        ("left half", None, (-5, 0)),
        ("right of the centreline", None, (0, 5)),
        ("span 2", (20, 40), None),
        ("spans 1-2", (0, 40), None),
        ("span 3, left lane", (40, 60), (-5, 0)),
        ("Sta 12 to 48", (12, 48), None),
        ("12-48 m", (12, 48), None),
        ("Sta. 0+012 to 0+048.5", (12, 48.5), None),  # kilometres and metres
        ("Sta 0+10 to 0+50 ft", (3.048, 15.24), None),  # 10 and 50 feet of 0.3048 m
        ("first 20 m", (0, 20), None),
        ("last 15 m", (45, 60), None),  # 60 - 15
        ("station 5 to 9, offset -4 to -1", (5, 9), (-4, -1)),
    ],
)
def test_words_that_name_a_place_are_a_strip(words, stations, offsets):
    place = find_place(words, DECK)
    assert place.stations == (None if stations is None else pytest.approx(stations))
    assert place.offsets == (None if offsets is None else pytest.approx(offsets))
    assert not place.why


@pytest.mark.parametrize("words", ["whole deck", "Entire deck.", "ALL LANES", "both lanes", "100 %", "2 lanes"])
def test_words_that_say_all_of_it(words):
    assert find_place(words, DECK).whole


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("northbound", "no place"),
        ("left shoulder", "no place"),
        ("all except left lane", "no place"),
        ("12 to 48", "no place"),
        ("span 4", "3 spans"),
        ("lane 1 of 4", "2 lanes on record"),
        ("middle lane", "none of 2 lanes"),
        ("span 1, left lane and span 2", "which of the stretches"),
        ("Sta 0+12 to 0+48", "hundreds of feet"),
        ("Sta 70 to 80", "do not lie on the deck"),
        ("1 lanes", "which 1 lanes"),
        ("x" * 5000, "no place"),
    ],
)
def test_words_that_name_no_place_say_why(words, why):
    place = find_place(words, DECK)
    assert not place.told
    assert why in place.why


@pytest.mark.parametrize(
    ("deck", "words"),
    [
        (DeckFacts(60.0, -5.0, 5.0), "left lane"),  # how many lanes is not known
        (DeckFacts(60.0, -5.0, 5.0, lanes=4), "both lanes"),  # two of four
        (DeckFacts(60.0, -5.0, 5.0, spans=3), "span 2"),  # equal spans are not assumed
        (DeckFacts(60.0, -5.0, 5.0, spans=3, joints=(30.0,)), "span 2"),  # joints at some of the piers only
        (DeckFacts(None, None, None, lanes=2), "left lane"),
    ],
)
def test_what_the_record_of_the_deck_does_not_tell_is_not_assumed(deck, words):
    assert not find_place(words, deck).told


def test_two_spans_apart_are_drawn():
    """Spans 1 and 3 of 60 by 10 m: 20 by 10 m each, so 400 m2 in two pieces."""
    drawn = find_place("spans 1 and 3", DECK).drawn
    assert drawn.area == pytest.approx(400)
    assert len(drawn.geoms) == 2
    assert not drawn.intersects(shapely.Point(30, 0))


@pytest.mark.parametrize(
    ("remark", "part"),
    [
        ("Left lane only", "left lane"),
        ("Wet; sounded span 2 only.", "span 2"),
        ("Sta 12 to 48 only", "sta 12 to 48"),
        ("only the right half", "right half"),
        ("NB lane only", "nb lane"),
        ("spalls in left lane only", ""),  # where they are, not what was looked at
        ("left lane", ""),
        ("only 3 hollow", ""),
    ],
)
def test_remarks_say_a_part_only_where_they_cannot_mean_another_thing(remark, part):
    assert remark_of_part(remark) == part


def test_a_sheet_with_a_column_of_what_was_looked_at(read, laid):
    """Deck 001 is 40 by 10 m with two lanes: left -5 to 0; its second span lies between its joints at 10 and 30."""
    rows = ["left lane", "span 2", "whole deck", "northbound", "", "40 %", "all lanes"]
    text = HEAD + "looked at\n" + "".join(f"001,2024-05-{6 + n:02d},chain,5,{said}\n" for n, said in enumerate(rows))
    found = read(text, known=laid)
    assert _strip(found, 0) == (None, None, -5, 0)
    assert _strip(found, 1) == (10, 30, None, None)
    assert _looked(found) == [None, None, "whole deck", "northbound", None, None, "whole deck"]
    # 40 % of 400 m2, of which no place is told.
    assert column(found, "survey", "surveyed_m2") == [None, None, None, None, None, 160, None]
    assert codes(found, "flag") == {5: "F-LOOK"}


def test_a_lane_beside_a_span_is_where_both_meet(read, laid):
    found = read(HEAD + "lane,span\n001,2024-05-06,chain,5,1,2\n001,2024-05-07,chain,5,left,\n", known=laid)
    assert _strip(found, 0) == (10, 30, -5, 0)
    assert _strip(found, 1) == (None, None, -5, 0)
    assert not codes(found, "flag")


def test_words_fill_what_a_strip_leaves_open_and_never_change_it(read, laid):
    head = HEAD + "from station,to station,looked at\n"
    found = read(
        head + "001,2024-05-06,chain,5,5,15,left lane\n001,2024-05-07,chain,5,5,15,span 2\n"
        "001,2024-05-08,chain,5,5,15,whole deck\n",
        known=laid,
    )
    assert _strip(found, 0) == (5, 15, -5, 0)
    assert _strip(found, 1) == (5, 15, None, None)
    assert _strip(found, 2) == (5, 15, None, None)
    assert codes(found, "flag") == {3: "F-LOOK", 4: "F-LOOK"}


def test_a_remark_counts_where_nothing_else_says_what_was_looked_at(read, laid):
    head = HEAD + "surveyed m2,remarks\n"
    found = read(
        head + "001,2024-05-06,chain,5,,Right lane only\n001,2024-05-07,chain,5,100,Right lane only\n"
        "001,2024-05-08,chain,5,,NB lane only\n001,2024-05-09,chain,5,,all dry\n",
        known=laid,
    )
    assert _strip(found, 0) == (None, None, 0, 5)
    assert _strip(found, 1) == (None, None, None, None)
    assert _looked(found) == [None, None, "nb lane", None]
    assert column(found, "survey", "remarks")[0] == "Right lane only"
    assert codes(found, "flag") == {4: "F-LOOK"}


def test_lanes_beside_a_deck_may_be_how_many_it_has(read, laid):
    """Deck 001 has two: two lanes are all of them. How many 002 has is not on record, so 2 is not lane 2 there."""
    found = read(HEAD + "lanes\n001,2024-05-06,chain,5,2\n003,2024-05-06,chain,5,2\n", known=laid)
    assert _looked(found) == ["whole deck", "2 lanes"]  # of three lanes, two: which is not told
    assert codes(found, "flag") == {3: "F-LOOK"}


def test_what_is_found_is_held_against_what_is_truly_there(read, laid):
    """Deck 002 narrows from 10 m to a point over 40 m: stations 20 to 40 hold half of 5 m by 20 m, 50 m2."""
    head = HEAD + "from station,to station\n"
    found = read(head + "002,2024-05-06,chain,49,20,40\n002,2024-05-07,chain,52,20,40\n", known=laid)
    assert codes(found) == {3: "R-LARGER-THAN-DECK"}
    share = read("deck id,survey date,delaminated %,from station,to station\n002,2024-05-06,10,20,40\n", known=laid)
    assert column(share, "survey", "delaminated_m2") == pytest.approx([5.0])  # 10 % of 50 m2


@pytest.mark.parametrize(
    ("cells", "flag"),
    [("50,60", "F-STRIP-OFF"), ("near pier,10", "F-NUMBER"), ("-5,-1", "F-RANGE"), ("<4,10", "F-INEXACT")],
)
def test_a_strip_that_cannot_be_used_never_costs_the_survey_nor_makes_it_whole(read, cells, flag):
    found = read(HEAD + f"from station,to station\n001,2024-05-06,chain,5,{cells}\n")
    assert found.rows_kept == 1
    assert flag in set(found.faults["code"])
    assert _strip(found) == (None, None, None, None)
    assert _looked(found) == ["a part of the deck that could not be read"]


def test_a_drawn_coverage_belongs_to_its_survey(read):
    found = read(HEAD + f'coverage wkt\n001,2024-05-06,chain,5,"{BOX}"\n002,2024-05-06,chain,5,\n')
    assert found.records["survey"]["coverage"].iloc[0].area == pytest.approx(200)
    assert found.records["survey"]["coverage"].iloc[1] is None
    assert not len(found.faults)


def test_words_in_a_column_of_coverage_are_words(read, laid):
    found = read(HEAD + "coverage\n001,2024-05-06,chain,5,left lane\n001,2024-05-07,chain,5,full\n", known=laid)
    assert _strip(found, 0) == (None, None, -5, 0)
    assert _looked(found) == [None, "whole deck"]


@pytest.mark.parametrize(
    "wkt",
    [
        "POLYGON EMPTY",
        "POLYGON ((0 -5, 20 5, 20 -5, 0 5, 0 -5))",  # crosses itself
        "POINT (3 1)",
        "LINESTRING (0 0, 10 0)",
        "POLYGON ((100 0, 120 0, 120 5, 100 5, 100 0))",  # beyond the deck of 40 m
        "POLYGON ((0 0, 1 0",
    ],
)
def test_a_coverage_that_cannot_be_used_never_costs_the_survey_nor_makes_it_whole(read, wkt):
    found = read(HEAD + f'coverage\n001,2024-05-06,chain,5,"{wkt}"\n')
    assert codes(found, "flag") == {2: "F-COVERAGE-SHAPE"}
    assert found.records["survey"]["coverage"].iloc[0] is None
    assert column(found, "survey", "delaminated_m2") == [5]
    assert _looked(found) == ["a part of the deck that could not be read"]


DRAWN = "deck id,survey date,kind,wkt\n"
DELAM = '001,2024-05-06,delamination,"POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))"\n'


@pytest.mark.parametrize("word", ["coverage", "Surveyed area", "looked at", "survey limits"])
def test_a_shape_of_what_was_looked_at_is_no_defect(read, word):
    found = read(DRAWN + DELAM + f'001,2024-05-06,{word},"{BOX}"\n', "defects.csv")
    assert column(found, "defect", "kind") == ["delamination"]
    assert found.records["survey"]["coverage"].iloc[0].area == pytest.approx(200)
    assert set(found.faults["code"]) == {"F-SURVEY-MADE"}


def test_pieces_of_coverage_are_joined(read):
    """20 by 10 m and 10 by 5 m beside it: 250 m2."""
    more = '001,2024-05-06,coverage,"POLYGON ((20 -5, 30 -5, 30 0, 20 0, 20 -5))"\n'
    found = read(DRAWN + DELAM + f'001,2024-05-06,coverage,"{BOX}"\n' + more, "defects.csv")
    assert found.records["survey"]["coverage"].iloc[0].area == pytest.approx(250)
    assert codes(found, "set aside") == {4: "S-COVERAGE"}


def test_coverage_drawn_for_a_survey_on_record_leaves_all_else_of_it(read, known):
    held = pd.DataFrame(
        {
            "survey_id": ["S7"], "deck_id": ["001"], "survey_date": pd.to_datetime(["2024-05-06"]),
            "method": ["hammer"], "delaminated_m2": [7.5], "crew": ["Ash"], "looked_at": ["northbound"],
            "coverage": [None],
            **{n: [np.nan] for n in ("surveyed_m2", "from_station_m", "to_station_m", "from_offset_m", "to_offset_m")},
        }
    )  # fmt: skip
    keys = held[["survey_id", "deck_id", "survey_date"]].astype({"survey_id": "str", "deck_id": "str"})
    of = dataclasses.replace(known, surveys=keys, kinds=frozenset({"survey"}), rows={"survey": held}.__getitem__)
    found = read(f'survey id,kind,wkt\nS7,coverage,"{BOX}"\n', "defects.csv", known=of)
    (row,) = found.records["survey"].to_dict("records")
    assert (row["survey_id"], row["method"], row["delaminated_m2"], row["crew"]) == ("S7", "hammer", 7.5, "Ash")
    assert row["coverage"].area == pytest.approx(200)
    assert pd.isna(row["looked_at"])  # the drawing says it


def test_a_layer_of_coverage_in_a_map_file(read, tmp_path):
    path = tmp_path / "crew.gpkg"
    box = shapely.box(0, -5, 20, 5)
    fields = {"deck_id": ["001"], "survey_date": ["2024-05-06"]}
    write_layer(path, "delaminations", [shapely.box(2, 0, 4, 1)], fields)
    write_layer(path, "coverage", [box], fields)
    found = read(path.read_bytes(), "crew.gpkg")
    assert len(found.records["defect"]) == 1
    assert found.records["survey"]["coverage"].iloc[0].equals(box)


def test_a_coverage_row_that_cannot_be_used_leaves_the_survey_a_part(read):
    twisted = '001,2024-05-06,coverage,"POLYGON ((0 -5, 20 5, 20 -5, 0 5, 0 -5))"\n'
    found = read(DRAWN + twisted + DELAM, "defects.csv")
    assert _looked(found) == ["a part of the deck that could not be read"]
    assert len(found.records["defect"]) == 1
    assert "F-COVERAGE-SHAPE" in set(found.faults["code"])


def test_a_survey_drawn_without_a_word_of_what_was_looked_at_is_flagged_once(read):
    two = DELAM + '001,2024-05-06,spall,"POLYGON ((8 0, 9 0, 9 1, 8 1, 8 0))"\n'
    other = '002,2024-05-06,spall,"POLYGON ((8 0, 9 0, 9 1, 8 1, 8 0))"\n'
    found = read(DRAWN + two + other, "defects.csv")
    flags = found.faults[found.faults["code"] == "F-COVERAGE"]
    assert flags["line"].tolist() == [2, 4]
    assert "no open hazard is closed" in flags["rule"].iloc[0]


@pytest.mark.parametrize("said", ["whole deck", "northbound", "40 %"])
def test_a_survey_that_says_what_it_looked_at_is_not_asked_again(read, known, said):
    first = read(HEAD + f"looked at\n001,2024-05-06,chain,5,{said}\n")
    held = first.records["survey"]
    of = dataclasses.replace(
        known,
        surveys=held[["survey_id", "deck_id", "survey_date"]],
        kinds=frozenset({"survey"}),
        rows={"survey": held}.__getitem__,
    )
    found = read(DRAWN + DELAM, "defects.csv", known=of)
    assert not len(found.faults)


def test_a_defect_beyond_what_its_survey_looked_at_is_flagged_and_kept(read, known):
    """The strip ends at station 20: 3 m beyond for one that ends at 23, within the taping's 0.1 m for one at 20.05."""
    first = read(HEAD + "from station,to station\n001,2024-05-06,chain,5,0,20\n")
    held = first.records["survey"]
    of = dataclasses.replace(
        known,
        surveys=held[["survey_id", "deck_id", "survey_date"]],
        kinds=frozenset({"survey"}),
        rows={"survey": held}.__getitem__,
    )
    boxes = [(18, 23), (18, 20.05), (1, 2)]
    text = DRAWN + "".join(f'001,2024-05-06,spall,"POLYGON (({a} 0, {b} 0, {b} 1, {a} 1, {a} 0))"\n' for a, b in boxes)
    found = read(text, "defects.csv", known=of)
    assert len(found.records["defect"]) == 3
    assert codes(found, "flag") == {2: "F-BEYOND"}
    assert "3.00 m beyond" in found.faults["rule"].iloc[0]

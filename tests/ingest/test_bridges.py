"""Bridges and decks."""

from __future__ import annotations

import pytest
import shapely

from decknet.errors import RecordError
from decknet.ingest import Known, mapping_text, read_file
from tests.ingest.conftest import TODAY, codes, column, write_layer

HEAD = "bridge id,name,lon,lat,deck length m,deck width m,built year\n"


def test_a_table_of_bridges_gives_bridges_and_their_decks(read):
    found = read(HEAD + "0417,Tarn Ford,10.5,59.5,48.0,11.5,1974\nNA,NA,10.6,59.6,20,9,1961\n", "bridges.csv")
    assert column(found, "bridge", "bridge_id") == ["0417", "NA"]
    assert column(found, "bridge", "name") == ["Tarn Ford", "NA"]
    assert column(found, "deck", "deck_id") == column(found, "deck", "bridge_id") == ["0417", "NA"]
    assert column(found, "deck", "length_m") == [48, 20]
    assert column(found, "bridge", "built_year") == [1974, 1961]
    assert found.records["bridge"]["line"].tolist() == [2, 3]


@pytest.mark.basis("derived", "1 ft = 0.3048 m, 1 in = 25.4 mm, 1 mi = 1.609344 km exactly")
def test_feet_inches_and_miles_become_metric(read):
    text = "bridge id,length ft,width (ft),cover in,slab thickness in,detour miles\n9,100,30,2.5,8,10\n"
    found = read(text, "bridges.csv")
    assert column(found, "deck", "length_m") == pytest.approx([30.48])
    assert column(found, "deck", "width_m") == pytest.approx([9.144])
    assert column(found, "deck", "cover_mm") == pytest.approx([63.5])
    assert column(found, "deck", "slab_mm") == pytest.approx([203.2])
    assert column(found, "bridge", "detour_km") == pytest.approx([16.09344])


def test_positions_that_cannot_be_are_dropped_and_the_bridge_stays(read):
    rows = ["A,a,-105.0,40.1", "B,b,40.1302,-105.0344", "C,c,0,0", "D,d,-105.0,", "E,e,250,10"]
    text = HEAD + "".join(f"{r},40,10,1980\n" for r in rows)
    found = read(text, "bridges.csv")
    assert found.rows_kept == 5
    assert column(found, "bridge", "longitude_deg") == [-105.0, None, None, None, None]
    assert column(found, "bridge", "latitude_deg") == [40.1, None, None, None, None]
    assert codes(found, "flag") == {3: "F-POSITION", 4: "F-ZERO-POSITION", 5: "F-HALF-POSITION", 6: "F-POSITION"}
    remedy = found.faults.set_index("line").loc[3, "remedy"]
    assert "-105.0344, 40.1302" in remedy


@pytest.mark.basis("derived", "UTM zone 32 on its central meridian 9° E has easting 500 000 m by definition")
def test_projected_positions_are_turned_into_degrees_once_the_system_is_stated(read):
    text = "bridge id,name,lon,lat\nA,a,500000,6200000\n"
    found = read(text, "bridges.csv", mapping='crs = "EPSG:32632"\n')
    assert column(found, "bridge", "longitude_deg") == pytest.approx([9.0], abs=1e-9)
    assert column(found, "bridge", "latitude_deg")[0] == pytest.approx(55.94, abs=0.02)


def test_a_system_that_is_none_is_refused(read):
    with pytest.raises(RecordError, match="no coordinate system that is known"):
        read("bridge id,name,lon,lat\nA,a,1,2\n", "bridges.csv", mapping='crs = "EPSG:99999999"\n')


def test_points_of_a_layer_without_a_system_are_not_guessed(tmp_path, known):
    path = tmp_path / "bridges.gpkg"
    write_layer(path, "bridges", [shapely.Point(352000, 6620000)], {"bridge_id": ["A"], "length_m": [44.0]})
    found = read_file(path, known=known, today=TODAY)
    assert column(found, "bridge", "longitude_deg") == [None]
    assert codes(found, "flag") == {2: "F-NO-SYSTEM"}


def test_a_bridge_given_twice_in_two_ways_is_refused_with_both_lines(read):
    found = read(HEAD + "A,a,1,2,40,10,1980\nA,a,1,2,41,10,1980\nB,b,1,2,40,10,1980\n", "bridges.csv")
    assert column(found, "bridge", "bridge_id") == ["B"]
    assert codes(found) == {2: "R-CONFLICT", 3: "R-CONFLICT"}
    assert "lines 2, 3" in found.faults["rule"].iloc[0]


def test_a_bridge_with_two_decks_is_stored_once(read):
    text = "bridge id,deck id,name,length m,width m,AADT,count year\n"
    found = read(text + "A,A-N,Tarn,40,10,900,2020\nA,A-S,Tarn,40,10,900,2020\n", "bridges.csv")
    assert column(found, "bridge", "bridge_id") == ["A"]
    assert column(found, "deck", "deck_id") == ["A-N", "A-S"]
    assert column(found, "traffic", "aadt") == [900]
    differing = read(text + "A,A-N,Tarn,40,10,900,2020\nA,A-S,Other,40,10,900,2020\n", "bridges.csv")
    assert codes(differing) == {2: "R-CONFLICT", 3: "R-CONFLICT"}


def test_traffic_in_a_table_of_bridges_never_costs_the_bridge_and_is_never_given_a_year(read):
    head = "bridge id,name,AADT,count year,trucks %\n"
    text = head + "A,a,900,2020,8\nB,b,900,,8\nC,c,0,2020,8\nD,d,lots,2020,8\nE,e,900,2031,8\n"
    found = read(text, "bridges.csv")
    assert found.rows_kept == 5
    assert column(found, "traffic", "bridge_id") == ["A", "B"]
    assert column(found, "traffic", "year") == [2020, None]
    assert column(found, "traffic", "truck_share") == pytest.approx([0.08, 0.08])
    assert codes(found, "flag") == {3: "F-UNDATED", 4: "F-ZERO-TRAFFIC", 5: "F-NUMBER", 6: "F-FUTURE"}


def test_a_deck_rating_in_a_table_of_bridges(read):
    found = read("bridge id,name,deck rating,rating year\nA,a,6,2024\nB,b,6,\n", "bridges.csv")
    assert column(found, "rating", "deck_rating") == [6, 6]
    assert column(found, "rating", "rated_year") == [2024, None]
    assert codes(found, "flag") == {3: "F-UNDATED"}


def test_ratings_take_the_year_of_the_day_of_inspection(read):
    text = (
        "bridge id,name,deck rating,BridgeInspectionDate\nA,a,6,2021/08/18 00:00:00+00\nB,b,5,03/04/19\nC,c,4,\n"
        "D,d,N,2021/08/18\nE,e,?,\n"
    )
    found = read(text, "bridges.csv")
    # The year does not hang on the order of day and month; N and ? say that a deck is not rated.
    assert column(found, "rating", "rated_year") == [2021, 2019, None]
    assert column(found, "rating", "deck_rating") == [6, 5, 4]
    assert codes(found, "flag") == {4: "F-UNDATED"}


def test_a_table_that_has_no_years_says_so_once(read):
    found = read("bridge id,name,deck rating\nA,a,6\nB,b,5\nC,c,4\n", "bridges.csv")
    assert column(found, "rating", "rated_year") == [None, None, None]
    assert found.faults["code"].tolist() == ["F-UNDATED"]
    assert "no year of its 3 ratings" in found.faults.iloc[0]["rule"]


def test_a_table_of_ratings_alone_needs_no_year(read):
    found = read("bridge id,deck rating\n001,6\n002,N\n", "ratings.csv")
    assert column(found, "rating", "deck_rating") == [6]
    assert codes(found, "set aside") == {3: "S-NO-RATING"}


@pytest.mark.parametrize(
    ("said", "stored"),
    [("black steel", "bare"), ("Uncoated", "bare"), ("EPOXY-COATED", "epoxy"), ("galvanized", "galvanised")],
)
def test_kinds_of_bars_as_people_write_them(read, said, stored):
    found = read(f"bridge id,length m,width m,bar kind\nA,40,10,{said}\n", "bridges.csv")
    assert column(found, "deck", "bar_kind") == [stored]


@pytest.mark.parametrize(
    ("header", "cell", "code"),
    [
        ("bar kind", "wooden", "F-CHOICE"),
        ("built year", "980", "F-RANGE"),
        ("built year", "0", "F-RANGE"),
        ("built year", "2031", "F-FUTURE"),
        ("built year", "1980.5", "F-WHOLE"),
        ("posted", "perhaps", "F-YES-NO"),
        ("lanes", "two", "F-NUMBER"),
        ("environment", "swamp", "F-CHOICE"),
        ("cover mm", "20 kg", "F-UNIT"),
        ("detour km", "about 3", "F-INEXACT"),
        ("slab mm", "-5", "F-RANGE"),
        ("deck rating", "12", "F-RANGE"),
        ("retired on", "soon", "F-DATE"),
    ],
)
def test_a_value_that_cannot_be_is_left_out_and_flagged_and_the_record_stays(read, header, cell, code):
    found = read(f"bridge id,name,length m,width m,{header}\nA,Mill,40,10,{cell}\nB,Tarn,40,10,\n", "bridges.csv")
    assert codes(found) == {}
    assert codes(found, "flag") == {2: code}
    assert column(found, "bridge", "name") == ["Mill", "Tarn"]
    assert column(found, "deck", "length_m") == [40, 40]
    for frame in found.records.values():
        held = frame.drop(
            columns=["sheet", "line", "bridge_id", "deck_id", "name", "length_m", "width_m"], errors="ignore"
        )
        assert held.isna().all(axis=None)
    fault = found.faults.iloc[0]
    assert (fault["column"], fault["value"], fault["file"]) == (header, cell, "bridges.csv")
    assert fault["rule"]
    assert fault["remedy"]


def test_a_width_of_0_leaves_a_deck_without_a_width(read):
    found = read("bridge id,length m,width m\nA,40,0\nB,40,9\n", "bridges.csv")
    assert column(found, "deck", "width_m") == [None, 9]
    assert codes(found, "flag") == {2: "F-RANGE"}


@pytest.mark.basis("derived", "everyday meaning of the words; the closed are closed and not posted")
@pytest.mark.parametrize(
    ("cell", "posted", "closed"),
    [
        ("Y", True, False), ("N", False, False), ("ja", True, False), ("non", False, False), ("x", True, False),
        ("1", True, False), ("", None, None), ("Open", False, False), ("Posted For Load", True, False),
        ("Posted(Load/Capacity Restriction)", True, False), ("Closed", None, True),
        ("New Structure Not Opened", None, None), ("CLOSED to traffic", None, True), ("20 t", True, False),
        ("A Open, no restriction", False, False), ("B Posting Recommended", False, False),
    ],
)  # fmt: skip
def test_posted_as_people_write_it(read, cell, posted, closed):
    found = read(f'bridge id,name,posted\nA,Mill,"{cell}"\n', "bridges.csv")
    assert not len(found.faults)
    assert column(found, "bridge", "posted") == [posted]
    assert column(found, "bridge", "closed_to_traffic") == [closed]


def test_a_mapping_says_what_a_word_means(read):
    text = "bridge id,name,length m,width m,posted,environment\nA,Mill,40,10,hm,Marsh\nB,hm,40,10,no,mild\n"
    found = read(text, "bridges.csv")
    assert '[words] "hm" = "yes"' in found.faults.set_index("code").loc["F-YES-NO", "remedy"]
    # Of one column, by its header or ours, or of all: "hm" is said of posted alone, so the name of B stays.
    found = read(text, "bridges.csv", mapping='[words]\n"marsh" = "marine"\n[words.posted]\n"hm" = "yes"\n')
    assert not len(found.faults)
    assert column(found, "bridge", "posted") == [True, False]
    assert column(found, "bridge", "name") == ["Mill", "hm"]
    assert column(found, "deck", "environment") == ["marine", "benign"]
    assert "'hm' as 'yes'" in " ".join(found.mapping["why"])
    # What a word is told to mean in the mapping that is written down reads the same again.
    again = read(text, "bridges.csv", mapping=mapping_text(found.stated, found.mapping))
    assert column(again, "bridge", "posted") == [True, False]


def test_words_that_cannot_be_used_in_a_mapping_are_refused(read):
    with pytest.raises(RecordError, match="words, 'hm': must be lines of"):
        read("bridge id,posted\nA,hm\n", "bridges.csv", mapping="[words]\nhm = true\n")


def test_decks_of_bridges_known(read):
    found = read("deck_id,bridge_id,length_m,width_m\n001-N,001,40,10\nX,999,40,10\n", "decks.csv")
    assert column(found, "deck", "deck_id") == ["001-N"]
    assert codes(found) == {3: "R-UNKNOWN-BRIDGE"}


def test_a_centreline_is_kept_in_degrees(tmp_path, known):
    path = tmp_path / "decks.gpkg"
    line = shapely.LineString([(500000, 6200000), (500040, 6200000)])
    write_layer(path, "decks", [line], {"deck_id": ["001"]}, "EPSG:32632")
    found = read_file(path, known=known, today=TODAY)
    (line,) = found.records["deck"]["centreline"]
    assert line.coords[0][0] == pytest.approx(9.0, abs=1e-9)


def test_a_new_store_knows_nothing(read):
    found = read(HEAD + "A,a,1,2,40,10,1980\n", "bridges.csv", known=Known.empty())
    assert found.rows_kept == 1


@pytest.mark.parametrize("areas", [("2690.5", "1722.25"), ("2690", "2690")], ids=["figures", "repeated"])
def test_a_column_of_areas_headed_deck_is_no_number_of_a_deck(read, areas):
    text = f"bridge id,length m,width m,DECK\nA,30,9,{areas[0]}\nB,20,8,{areas[1]}\n"
    found = read(text, "bridges.csv")
    assert column(found, "deck", "deck_id") == ["A", "B"]
    assert not len(found.faults)


def test_a_column_headed_deck_that_numbers_decks_is_their_number(read):
    found = read("bridge id,length m,width m,Deck\n001,30,9,1N\n001,30,9,1S\n002,20,8,2\n", "decks.csv")
    assert column(found, "deck", "deck_id") == ["1N", "1S", "2"]


def test_a_table_of_types_alone_says_what_bridges_are(read):
    found = read("bridge id,Structure type\n001,Slab\n002,Box culvert\n", "structure.csv")
    assert column(found, "deck", "deck_kind") == [None, "culvert"]
    with pytest.raises(RecordError, match="nothing in it is recognised"):
        read("bridge id,Type\n001,Slab\n002,Slab\n", "list.csv")

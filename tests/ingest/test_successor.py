"""The successor specification's JSON."""

from __future__ import annotations

import json

import pytest

from decknet.errors import RecordError
from decknet.ingest import Known
from tests.ingest.conftest import codes, column

SPECIFICATION = "Federal Highway Administration (2022), Specifications for the National Bridge Inventory"
BRIDGE = {
    "BID01": "000B7", "BID02": "Mill Lane", "BL01": 99, "BL05": 45.25, "BL06": -120.5, "BG02": 131.2, "BG05": 32.8,
    "BW01": 1975, "BC01": "6", "BIE03": "20240512", "BH09": 1000, "BH10": 80, "BH11": 2023, "BH17": 10, "BX99": "?",
}  # fmt: skip
ELEMENT = {"BE01": "12", "BE03": 400, "BCS01": 300, "BCS02": 80, "BCS03": 20, "BCS04": 0}


@pytest.fixture
def bridges(read):
    def _bridges(*records, name="bridges.json", indent=1, **how):
        how.setdefault("known", Known.empty())
        return read(json.dumps(list(records), indent=indent), name, **how)

    return _bridges


@pytest.mark.basis("memory", SPECIFICATION)
@pytest.mark.basis("derived", "131.2 ft x 0.3048; 10 mi x 1.609344; 80 of 1000 trucks")
def test_a_bridge_of_flat_tags(bridges):
    found = bridges(BRIDGE)
    assert column(found, "bridge", "bridge_id") == ["000B7"]
    assert column(found, "bridge", "longitude_deg") == [-120.5]
    assert column(found, "bridge", "detour_km") == pytest.approx([16.09344])
    assert column(found, "deck", "length_m") == pytest.approx([39.98976])
    assert column(found, "deck", "width_m") == pytest.approx([9.99744])
    assert (column(found, "traffic", "aadt"), column(found, "traffic", "truck_share")) == ([1000], [0.08])
    assert (column(found, "rating", "deck_rating"), column(found, "rating", "rated_year")) == ([6], [2024])
    unused = found.mapping[found.mapping["why"] == "tag not used"]
    assert set(unused["header"]) == {"BX99"}


def test_elements_beside_the_bridge_or_inside_it(bridges):
    inside = {**BRIDGE, "Elements": [ELEMENT, {**ELEMENT, "BE01": "1080", "BE02": "12", "BE03": 100, "BCS01": 0}]}
    beside = {**BRIDGE, "BID01": "000B8", **ELEMENT}
    found = bridges(inside, beside)
    assert column(found, "bridge", "bridge_id") == ["000B7", "000B8"]
    assert column(found, "element_quantity", "bridge_id") == ["000B7", "000B7", "000B8"]
    assert column(found, "element_quantity", "parent_element") == ["", "12", ""]
    assert column(found, "element_quantity", "cs2") == [80, 80, 80]
    assert str(found.records["element_quantity"]["quantity_date"][0].date()) == "2024-05-12"


def test_a_bridge_repeated_for_each_element_is_one_bridge(bridges):
    found = bridges({**BRIDGE, **ELEMENT}, {**BRIDGE, **ELEMENT, "BE01": "510", "BE02": "12"})
    assert len(found.records["bridge"]) == 1
    assert column(found, "element_quantity", "element") == ["12", "510"]
    assert found.faults.empty


def test_sets_of_one_record_are_read_and_of_several_listed(bridges):
    flat = {k: v for k, v in BRIDGE.items() if k not in ("BH09", "BH11")}
    one = {**flat, "Highways": [{"BH09": 50, "BH11": 2020}], "Spans": [{"BSP02": 1}, {"BSP02": 2}]}
    found = bridges(one)
    assert column(found, "traffic", "aadt") == [50]
    assert any("SPANS" in why for why in found.mapping["why"])


def test_other_decks_ratings_not_given_and_numbers_out_of_range(bridges):
    found = bridges(
        {**BRIDGE, "BSP09": "T01"},
        {**BRIDGE, "BID01": "B2", "BC01": "N", "BSP09": "C01"},
        {**BRIDGE, "BID01": "B3", "BL05": 145.0},
        {**BRIDGE, "BID01": "B4", "BG02": -4},
        indent=None,
    )
    assert column(found, "deck", "deck_kind") == ["other", "concrete", None, None]
    assert codes(found, "flag") == {2: "F-NO-RATING", 3: "F-POSITION", 4: "F-RANGE"}
    assert codes(found) == {}
    assert column(found, "bridge", "bridge_id")[1:] == ["B2", "B3", "B4"]
    assert column(found, "deck", "length_m")[3] is None


def test_faults_name_the_line_of_the_bridge(read):
    text = json.dumps(BRIDGE) + ",\n" + json.dumps({**BRIDGE, "BID01": "B2", "BG05": "wide"})
    assert codes(read(f"[\n{text}\n]\n", "bridges.json", known=Known.empty()), "flag") == {3: "F-NUMBER"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[{"BID01": "A"', "no valid JSON"),
        ('[{"BID01": "A"} {"BID01": "B"}]', "comma"),
        ('"BID01"', "array of bridges"),
        ('[{"BID01": "A"}, 7]', "stands where a bridge belongs"),
    ],
)
def test_what_is_no_array_of_bridges_is_refused(read, text, words):
    with pytest.raises(RecordError, match=words):
        read(text, "bridges.json", known=Known.empty())


def test_a_tag_twice_is_refused(read):
    text = '[{"BID01": "A", "BG02": 10, "BG02": 12}, {"BID01": "B", "BG02": 10, "BG05": 10}]'
    assert codes(read(text, "bridges.json", known=Known.empty())) == {1: "R-TAG-TWICE"}

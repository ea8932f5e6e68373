"""The national inventory."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.columns.deck_kinds import kind_unknown, ranked_decks
from decknet.errors import RecordError
from decknet.ingest import Known, read_file
from decknet.ingest.national import unpack_degrees
from tests.ingest.conftest import TODAY, assert_nothing_lost, codes, column

GUIDE = "Federal Highway Administration (1995), Recording and Coding Guide, FHWA-PD-96-001"
ITEMS = {
    "STRUCTURE_NUMBER_008": "  000A01",
    "RECORD_TYPE_005A": "1",
    "ROUTE_PREFIX_005B": "3",
    "ROUTE_NUMBER_005D": "00417",
    "HIGHWAY_DISTRICT_002": "03",
    "FEATURES_DESC_006A": "'TARN BECK'",
    "FACILITY_CARRIED_007": "'MILL ROAD'",
    "LOCATION_009": "'2 KM N OF FENNIMORE'",
    "LAT_016": "60303000",
    "LONG_017": "150153000",
    "DETOUR_KILOS_019": "12",
    "OWNER_022": "01",
    "YEAR_BUILT_027": "1975",
    "TRAFFIC_LANES_ON_028A": "2",
    "ADT_029": "850",
    "YEAR_ADT_030": "2018",
    "APPR_WIDTH_MT_032": "9.1",
    "OPEN_CLOSED_POSTED_041": "A",
    "STRUCTURE_TYPE_043B": "02",
    "MAIN_UNIT_SPANS_045": "3",
    "APPR_SPANS_046": "2",
    "STRUCTURE_LEN_MT_049": "40.5",
    "DECK_WIDTH_MT_052": "9.8",
    "DECK_COND_058": "6",
    "CULVERT_COND_062": "N",
    "DATE_OF_INSPECT_090": "519",
    "YEAR_RECONSTRUCTED_106": "1995",
    "DECK_STRUCTURE_TYPE_107": "1",
    "SURFACE_TYPE_108A": "1",
    "DECK_PROTECTION_108C": "1",
    "PERCENT_ADT_TRUCK_109": "8",
}


@pytest.fixture
def inventory(read):
    def _inventory(*changes: dict[str, str], **how):
        lines = [",".join(ITEMS)]
        for i, change in enumerate(changes):
            row = {**ITEMS, "STRUCTURE_NUMBER_008": f"  000A{i:02d}", **change}
            lines.append(",".join(row.values()))
        return read("\r\n".join(lines) + "\r\n", "inventory.txt", known=Known.empty(), **how)

    return _inventory


@pytest.mark.basis("memory", GUIDE)
def test_items_of_a_bridge(inventory):
    found = inventory({})
    bridge = found.records["bridge"].iloc[0]
    assert (bridge["bridge_id"], bridge["name"], bridge["route"]) == ("000A00", "MILL ROAD over TARN BECK", "SR 417")
    assert (bridge["district"], bridge["place"]) == ("03", "2 KM N OF FENNIMORE")
    assert bridge["owner"] == "state highway agency"
    assert (bridge["built_year"], bridge["detour_km"], bridge["posted"]) == (1975, 12, False)
    deck = found.records["deck"].iloc[0]
    assert (deck["deck_id"], deck["length_m"], deck["width_m"]) == ("000A00", 40.5, 9.8)
    assert (deck["lanes"], deck["spans"], deck["deck_built_year"]) == (2, 5, 1995)
    assert (deck["bar_kind"], deck["surface_kind"]) == ("epoxy", "bare")
    assert pd.isna(deck["environment"])
    traffic = found.records["traffic"].iloc[0]
    assert (traffic["aadt"], traffic["year"], traffic["truck_share"]) == (850, 2018, 0.08)
    rating = found.records["rating"].iloc[0]
    assert (rating["deck_rating"], rating["rated_year"]) == (6, 2019)
    assert found.faults.empty


@pytest.mark.basis("derived", "degrees + minutes / 60 + seconds / 3600")
def test_packed_degrees():
    text = pd.Series(
        ["60303000", "9300000", "", "00000000", "40714680", "6030.300", "-6030300", "40596000"], dtype="str"
    )
    degrees, bad = unpack_degrees(text, 8)
    assert degrees[:2].tolist() == pytest.approx([60 + 30.5 / 60, 9.5], abs=1e-9)
    assert np.isnan(degrees[2])
    assert degrees[3] == 0
    assert bad.tolist() == [False, False, False, False, True, True, True, True]


@pytest.mark.basis("derived", "60° 30' 30.00\" and 150° 15' 30.00\" west")
def test_positions_are_west_and_to_a_millionth_of_a_degree(inventory):
    found = inventory({}, {"LONG_017": "80000000"}, {"LAT_016": "40714680"}, {"LAT_016": "0", "LONG_017": "0"})
    assert column(found, "bridge", "latitude_deg")[0] == pytest.approx(60.508333, abs=1e-6)
    assert column(found, "bridge", "longitude_deg")[:2] == pytest.approx([-150.258333, -80.0], abs=1e-6)
    assert column(found, "bridge", "longitude_deg")[2:] == [None, None]
    assert codes(found, "flag") == {4: "F-POSITION", 5: "F-ZERO-POSITION"}


def test_what_has_no_concrete_deck_is_kept_as_what_it_is(inventory):
    found = inventory(
        {},
        {"DECK_STRUCTURE_TYPE_107": "8"},
        {"DECK_STRUCTURE_TYPE_107": "N", "CULVERT_COND_062": "7"},
        {"RECORD_TYPE_005A": "2"},
        {"DECK_STRUCTURE_TYPE_107": "2"},
        {"STRUCTURE_TYPE_043B": "19", "DECK_COND_058": "N", "DECK_WIDTH_MT_052": "0", "APPR_WIDTH_MT_032": "0"},
        {"DECK_STRUCTURE_TYPE_107": "N"},
        {"DECK_STRUCTURE_TYPE_107": ""},
        {"DECK_STRUCTURE_TYPE_107": "X"},
        {"DECK_COND_058": "N", "CULVERT_COND_062": "5"},
    )
    # Lines 2 to 11 but line 5, a route under: 107 = 1 and 2 are concrete, 8 timber, X no code; a culvert by 43B = 19
    # whatever item 107 says, and by a rating in item 62 beside N in item 107 or 58.
    assert column(found, "deck", "deck_kind") == [
        "concrete", "timber", "culvert", "concrete", "culvert", "none", "not stated", "other", "culvert",
    ]  # fmt: skip
    assert column(found, "deck", "kind_year") == [2019] * 9
    assert codes(found, "set aside") == {5: "S-ROUTE-UNDER"}
    assert not codes(found, "flag")  # a culvert without a width or a deck rating lacks nothing
    assert ranked_decks(found.records["deck"]).sum() == 2


def test_without_item_107_the_kind_of_deck_is_not_known(read):
    heads = [h for h in ITEMS if h != "DECK_STRUCTURE_TYPE_107"]
    rows = [{**ITEMS, "STRUCTURE_NUMBER_008": "A"}, {**ITEMS, "STRUCTURE_NUMBER_008": "B", "STRUCTURE_TYPE_043B": "19"}]
    text = "\n".join([",".join(heads), *(",".join(r[h] for h in heads) for r in rows)]) + "\n"
    found = read(text, "inventory.txt", known=Known.empty())
    assert column(found, "deck", "deck_kind") == [None, "culvert"]
    assert ranked_decks(found.records["deck"]).tolist() == [True, False]
    assert kind_unknown(found.records["deck"]).tolist() == [False, False]  # coated bars are in a concrete deck


def test_a_closed_bridge_is_said_to_be_closed(inventory):
    found = inventory({"OPEN_CLOSED_POSTED_041": "K"}, {"OPEN_CLOSED_POSTED_041": "P"}, {"OPEN_CLOSED_POSTED_041": "G"})
    assert column(found, "bridge", "closed_to_traffic") == [True, False, None]
    assert column(found, "bridge", "posted") == [None, True, None]


def test_a_width_of_zero_takes_the_approach_width_and_says_so(inventory):
    found = inventory({"DECK_WIDTH_MT_052": "0"}, {"DECK_WIDTH_MT_052": "0", "APPR_WIDTH_MT_032": "0"})
    assert column(found, "deck", "width_m") == [9.1, None]
    assert codes(found, "flag") == {2: "F-WIDTH", 3: "F-NO-WIDTH"}


def test_missing_counts_and_ratings_leave_the_bridge(inventory):
    found = inventory({"ADT_029": "0"}, {"DECK_COND_058": "N"}, {"DATE_OF_INSPECT_090": ""}, {"YEAR_ADT_030": ""})
    assert found.rows_kept == 4
    assert column(found, "traffic", "year") == [2018, 2018, None]
    assert column(found, "rating", "rated_year") == [2019, None, 2019]
    assert codes(found, "flag") == {2: "F-ZERO-TRAFFIC", 3: "F-NO-RATING", 4: "F-UNDATED", 5: "F-UNDATED"}


@pytest.mark.parametrize(("written", "year"), [("519", 2019), ("1219", 2019), ("0326", 2026), ("1199", 1999)])
def test_the_year_of_inspection(inventory, written, year):
    assert column(inventory({"DATE_OF_INSPECT_090": written}), "rating", "rated_year") == [year]


@pytest.mark.parametrize("name", ["'O'DELL BECK'", "'BECK, NORTH FORK'", "'O'DELL'S BECK, NORTH'", "''"])
def test_apostrophes_and_commas_inside_quoted_text(inventory, name):
    found = inventory({"FEATURES_DESC_006A": name}, {})
    held = name[1:-1]
    assert column(found, "bridge", "name")[0] == (f"MILL ROAD over {held}" if held else "MILL ROAD")
    assert column(found, "bridge", "built_year") == [1975, 1975]


def test_one_number_for_two_bridges_is_refused(inventory):
    found = inventory({"STRUCTURE_NUMBER_008": "X1"}, {"STRUCTURE_NUMBER_008": "X1", "ADT_029": "7"}, {})
    assert codes(found) == {2: "R-CONFLICT", 3: "R-CONFLICT"}


def test_another_header_is_not_read_as_the_inventory(read):
    with pytest.raises(RecordError, match="not that of the national inventory"):
        read("bridge id,name\nA,b\n", kind="national")


@pytest.mark.basis(
    "published", "FHWA national bridge inventory, one state, 2020; counted from the file apart from this reader"
)
def test_the_open_inventory_of_one_state(open_records):
    found = read_file(open_records / "national" / "inventory-2020-AK.txt", known=Known.empty(), today=TODAY)
    assert_nothing_lost(found)
    assert found.rows_read == 1645
    assert found.rows_kept == len(found.records["bridge"]) == len(found.records["deck"]) == 1645
    decks = found.records["deck"]
    use = decks[ranked_decks(decks)]
    assert len(use) == 378  # 382 by item 107, of which 4 are culverts
    assert (decks["deck_kind"] == "culvert").sum() == 94
    ratings = found.records["rating"].set_index("bridge_id")["deck_rating"].reindex(use["bridge_id"])
    assert ratings.value_counts().to_dict() == {9: 16, 8: 40, 7: 155, 6: 114, 5: 30, 4: 20, 3: 2, 2: 1}
    of = found.records["traffic"].set_index("bridge_id")["aadt"]
    assert of.reindex(use["bridge_id"]).sum() == 1_099_024
    assert (use["length_m"] * use["width_m"]).sum() == pytest.approx(341_995.8, abs=0.6)
    inside = found.records["bridge"]["latitude_deg"].dropna().between(51, 72)
    assert inside.all()

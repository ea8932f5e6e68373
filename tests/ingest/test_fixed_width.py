"""The national inventory in records of 432 characters, and several years of one state."""

from __future__ import annotations

import csv

import pandas as pd
import pytest

from decknet.columns.inventory import FIELDS, RECORD_LENGTH
from decknet.ingest import Known, read_file
from tests.ingest.conftest import TODAY, assert_nothing_lost, codes, column
from tests.ingest.test_national import GUIDE, ITEMS


def record(**changes: str) -> str:
    """One invented bridge as a record; changes by header, as the delimited file writes them."""
    cells = [" "] * RECORD_LENGTH
    for header, text in {**ITEMS, "STATE_CODE_001": "991", **changes}.items():
        of = FIELDS[header]
        held = text.strip("'").strip() if header != "STRUCTURE_NUMBER_008" else text
        if of.number and held.replace(".", "").isdigit():
            whole, _, part = held.partition(".")
            held = (whole + part.ljust(of.decimals, "0")[: of.decimals]).zfill(of.width)
        cells[of.first - 1 : of.last] = held.ljust(of.width)[: of.width]
    return "".join(cells)


def delimited(**changes: str) -> str:
    """The same bridge as the delimited file writes it."""
    return ",".join({**ITEMS, **changes}.values())


@pytest.fixture
def both(read):
    def _both(*changes: dict[str, str]):
        named = [{"STRUCTURE_NUMBER_008": f"  000A{i:02d}", **c} for i, c in enumerate(changes)]
        wide = read("\n".join(record(**c) for c in named) + "\n", "records.txt", known=Known.empty())
        # The record has the state's two digits and that of its region, the delimited file the two.
        split = "\n".join(["STATE_CODE_001," + ",".join(ITEMS), *(f"99,{delimited(**c)}" for c in named)]) + "\n"
        return wide, read(split, "inventory.txt", known=Known.empty())

    return _both


@pytest.mark.basis("memory", f"{GUIDE}, appendix E")
def test_items_fill_a_record_without_a_gap_up_to_item_116():
    at = 1
    for field in FIELDS.values():
        assert field.first == at
        at = field.last + 1
    assert at == 390
    assert (FIELDS["DECK_COND_058"].first, FIELDS["DECK_WIDTH_MT_052"].last) == (259, 242)


@pytest.mark.basis("published", "positions of items in the record, coding guide of 1995, appendix E")
def test_positions_are_those_of_the_coding_guide(open_records):
    with (open_records / "national" / "fixed-width-positions.csv").open(encoding="utf-8", newline="") as file:
        listed = [r for r in csv.DictReader(file) if not r["is_group"] and int(r["last"]) < 390]
    ours = {f.item: (f.first, f.last, f.number) for f in FIELDS.values()}
    theirs = {r["item"]: (int(r["first"]), int(r["last"]), r["type"] == "N") for r in listed}
    assert ours == theirs


def test_both_layouts_give_the_same_records(both):
    wide, split = both(
        {},
        {"DECK_WIDTH_MT_052": "0", "ADT_029": "0"},
        {"DECK_COND_058": "N", "LONG_017": "80000000"},
        {"DECK_STRUCTURE_TYPE_107": "8"},
        {"RECORD_TYPE_005A": "2", "PERCENT_ADT_TRUCK_109": ""},
        {"STRUCTURE_LEN_MT_049": "1234.5", "FEATURES_DESC_006A": "'O'DELL, NORTH FORK'"},
    )
    assert wide.records.keys() == split.records.keys()
    for kind, frame in wide.records.items():
        pd.testing.assert_frame_equal(frame.drop(columns="line"), split.records[kind].drop(columns="line"))
    assert codes(wide, "set aside") == {n - 1: c for n, c in codes(split, "set aside").items()}
    assert codes(wide, "set aside") == {5: "S-ROUTE-UNDER"}


def test_a_line_of_another_length_is_refused(read):
    good = [record(STRUCTURE_NUMBER_008=f"{i:015d}") for i in range(20)]
    found = read("\n".join([*good, good[0][:300]]) + "\n", "records.txt", known=Known.empty())
    assert found.rows_kept == 20
    assert codes(found) == {21: "R-RECORD-LENGTH"}


def test_blanks_cut_off_at_the_end_do_no_harm(read):
    found = read(record().rstrip() + "\r\n", "records.txt", known=Known.empty())
    assert column(found, "deck", "length_m") == [40.5]


@pytest.mark.basis("published", "national bridge inventory, one state, 2020, as published and laid out in records")
def test_both_layouts_of_one_state_give_the_same_bridges(open_records):
    folder = open_records / "national"
    split, wide = (
        read_file(folder / name, known=Known.empty(), today=TODAY)
        for name in ("inventory-2020-AK.txt", "inventory-2020-AK-fixed-width.txt")
    )
    assert_nothing_lost(wide)
    assert (wide.rows_read, wide.rows_kept) == (1645, 1645)
    for kind, frame in split.records.items():
        there = wide.records[kind].drop(columns="line")
        pd.testing.assert_frame_equal(frame.drop(columns="line"), there, check_exact=True)
    same = ["column", "code", "rule", "remedy", "severity"]
    pd.testing.assert_frame_equal(split.faults[same], wide.faults[same])


@pytest.mark.basis("published", "national bridge inventory, 19 rows of 2013 under the header of 134 columns")
def test_the_older_header_reads_alike(open_records):
    found = read_file(open_records / "national" / "inventory-2013-header-sample.csv", known=Known.empty(), today=TODAY)
    assert_nothing_lost(found)
    assert (found.rows_read, found.rows_kept) == (19, 19)
    kinds = found.records["deck"]["deck_kind"].value_counts().to_dict()
    assert kinds == {"concrete": 14, "corrugated steel": 2, "timber": 2, "culvert": 1}  # item 107: 6, 6, 8, 8, N
    assert found.records["rating"]["rated_year"].max() <= 2013
    assert found.records["bridge"]["latitude_deg"].between(30, 36).all()


# ---- several years ------------------------------------------------------------------------------


def year(read, number: int, known: Known, mapping: str | None = None, **changes: str):
    text = "\n".join([",".join(ITEMS), delimited(**changes)]) + "\n"
    return read(text, f"inventory-{number}.txt" if number else "inventory.txt", known=known, mapping=mapping)


def known_after(*readings) -> Known:
    def all_of(kind: str, names: list[str]) -> pd.DataFrame:
        return pd.concat([r.records[kind][names] for r in readings if kind in r.records], ignore_index=True)

    return Known(
        all_of("bridge", ["bridge_id", "built_year"]),
        all_of("deck", ["deck_id", "bridge_id", "length_m", "width_m", "deck_built_year"]),
        Known.empty().surveys,
        all_of("rating", ["bridge_id", "rated_year"]),
        all_of("traffic", ["bridge_id", "year"]),
    )


def test_an_older_year_adds_its_rating_and_count_and_leaves_the_bridge(read):
    new = year(read, 2020, Known.empty())
    old = year(read, 2012, known_after(new), DATE_OF_INSPECT_090="611", YEAR_ADT_030="2010", DECK_COND_058="8")
    assert set(old.records) == {"traffic", "rating"}
    assert column(old, "rating", "rated_year") == [2011]
    assert column(old, "traffic", "year") == [2010]
    assert any("later inspection" in why for why in old.mapping["why"])


def test_a_newer_year_brings_the_bridge_up_to_date(read):
    old = year(read, 2020, Known.empty())
    new = year(read, 2022, known_after(old), DATE_OF_INSPECT_090="521", DECK_WIDTH_MT_052="11.5")
    assert column(new, "deck", "width_m") == [11.5]
    assert column(new, "rating", "rated_year") == [2021]


def test_an_older_year_with_nothing_to_add_is_set_aside(read):
    new = year(read, 2020, Known.empty())
    bare = {"DATE_OF_INSPECT_090": "611", "DECK_COND_058": "N", "YEAR_ADT_030": "2010"}
    assert (
        codes(year(read, 2012, known_after(new), **bare, ADT_029="0"), "set aside") == {}
    )  # no year to tell its age by
    old = year(read, 2012, known_after(new), **bare)
    assert set(old.records) == {"traffic"}


@pytest.mark.parametrize(
    ("written", "inventory", "rated"), [("519", 2020, 2019), ("1199", 2001, 1999), ("0326", 1995, 1926)]
)
def test_two_digits_of_a_year_count_back_from_the_inventory(read, written, inventory, rated):
    assert column(year(read, inventory, Known.empty(), DATE_OF_INSPECT_090=written), "rating", "rated_year") == [rated]


def test_a_rating_without_its_date_takes_the_year_of_the_inventory(read):
    named = year(read, 2018, Known.empty(), DATE_OF_INSPECT_090="")
    stated = year(read, 0, Known.empty(), mapping="year = 2016\n", DATE_OF_INSPECT_090="")
    assert column(named, "rating", "rated_year") == [2018]
    assert column(stated, "rating", "rated_year") == [2016]
    assert codes(named, "flag") == {2: "F-YEAR-TAKEN"}


@pytest.mark.basis("derived", "144 degrees 45 minutes east")
def test_islands_in_the_east_have_longitudes_east(read):
    header = ",".join(["STATE_CODE_001", *ITEMS])
    text = f"{header}\n66,{delimited(LONG_017='144450000')}\n06,{delimited(STRUCTURE_NUMBER_008='B')}\n"
    found = read(text, "inventory.txt", known=Known.empty())
    assert column(found, "bridge", "longitude_deg") == pytest.approx([144.75, -150.258333], abs=1e-6)

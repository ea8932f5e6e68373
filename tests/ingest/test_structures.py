"""What words say a structure is: a culvert or a deck of something else is kept and never ranked."""

from __future__ import annotations

import gzip

import pytest

from decknet.columns.deck_kinds import kind_unknown, ranked_decks
from decknet.ingest import Known, read_file
from decknet.ingest.structures import kind_of_words
from tests.ingest.conftest import TODAY, column


@pytest.mark.basis("memory", "everyday words of the trade in several languages")
@pytest.mark.parametrize(
    ("cell", "span", "deck"),
    [
        ("Pipe Culvert", "culvert", "culvert"),
        ("CONCRETE BOX CULVERT", "culvert", "culvert"),
        ("19 Culvert", "culvert", "culvert"),
        ("Culvert (includes frame culverts)", "culvert", "culvert"),
        ("Frame (except frame culverts)", "", ""),
        ("Round concrete pipe", "culvert", "culvert"),
        ("Stahlbetondurchlass", "culvert", "culvert"),
        ("Rohrdurchlass", "culvert", "culvert"),
        ("Dalot béton", "culvert", "culvert"),
        ("alcantarilla", "culvert", "culvert"),
        ("カルバート", "culvert", "culvert"),
        ("earth filled arch", "under fill", "under fill"),
        ("Steel", "", "steel"),
        ("Steel girder", "", "steel"),
        ("Steel girder with concrete deck", "", "concrete"),
        ("orthotropic steel deck", "steel", "steel"),
        ("Timber bridge", "timber", "timber"),
        ("Timber bridge with reinforced concrete abutments", "timber", "timber"),
        ("Wood or Timber", "timber", "timber"),
        ("Holzbrücke", "timber", "timber"),
        ("Masonry", "masonry", "masonry"),
        ("Concrete", "", "concrete"),
        ("1 Concrete-Cast-in-Place", "", "concrete"),
        ("Stahlbeton", "", "concrete"),
        ("Highway-pedestrian", "", ""),
        ("Pedestrian-bicycle", "footbridge", "footbridge"),
        ("Eisenbahnbrücke", "railway bridge", "railway bridge"),
        ("", "", ""),
    ],
)
def test_words(cell, span, deck):
    assert (kind_of_words(cell, of_deck=False), kind_of_words(cell, of_deck=True)) == (span, deck)


def test_a_culvert_in_any_column_is_a_culvert_and_the_deck_comes_before_the_span(read):
    text = (
        "Bridge no,Length m,Width m,Structure type,Main material,Deck type\n"
        "B1,20,9,Girder,Steel,Concrete\n"
        "B2,6,9,Box Culvert,Concrete,Concrete\n"
        "B3,20,9,Girder,Steel,Timber\n"
        "B4,20,9,Girder,Steel,\n"
        "B5,20,9,Truss,Timber,Concrete\n"
        "B6,20,9,Truss,Timber,\n"
    )
    found = read(text, "bridges.csv", known=Known.empty())
    # B1 and B5 have a deck of concrete on a span of steel and timber; B4 says nothing of its deck; B6 is of timber.
    assert column(found, "deck", "deck_kind") == ["concrete", "culvert", "timber", None, "concrete", "timber"]
    assert ranked_decks(found.records["deck"]).tolist() == [True, False, False, True, True, False]
    assert kind_unknown(found.records["deck"]).tolist() == [False, False, False, True, False, False]
    assert found.rows_kept == 6
    used = found.mapping[found.mapping["column"] == "deck_kind"]["header"].tolist()
    assert used == ["Structure type", "Main material", "Deck type"]


def test_what_lies_under_a_bridge_and_what_is_laid_on_it_say_nothing_of_its_deck(read):
    text = (
        "Bridge no,Length m,Width m,Type of feature under,Deck surface type,Bar type\n"
        "B1,20,9,Railway,Timber,black steel\nB2,20,9,Culvert,Steel,epoxy coated steel\n"
    )
    found = read(text, "bridges.csv", known=Known.empty())
    assert ranked_decks(found.records["deck"]).all()


def test_a_deck_that_turns_into_a_culvert_is_retired_with_the_file_as_the_reason(read):
    known = Known.empty()
    first = read("Bridge no,Length m,Width m,Type\nB1,20,9,Slab\nB2,20,9,Slab\n", "a.csv", known=known)
    for name, kind in (("bridges", "bridge"), ("decks", "deck")):
        object.__setattr__(known, name, first.records[kind])
    later = read("Bridge no,Length m,Width m,Type\nB1,20,9,Pipe culvert\nB2,20,9,Slab\n", "b.csv", known=known)
    assert column(later, "deck", "in_use") == [False, None]
    assert column(later, "deck", "retired_why") == ["no longer a concrete deck but a culvert, by b.csv line 2", None]
    assert later.records["deck"]["retired_on"].tolist()[0].date() == TODAY  # the file has no year of its own


@pytest.mark.basis("published", "one state's open layer; counted from the file apart from this reader")
def test_a_states_own_list_of_structures(open_records, tmp_path):
    packed = open_records / "massachusetts" / "Bridges.csv.gz"
    file = tmp_path / "Bridges.csv"
    file.write_bytes(gzip.decompress(packed.read_bytes()))
    columns = {"Bridge_Identification_Number__B": "bridge_id", "deckArea": ""}
    found = read_file(file, known=Known.empty(), today=TODAY, options={"columns": columns})
    decks = found.records["deck"]
    # Structure_Type says culvert in 1,962 rows and Structure_Category in 1,084; together 2,227 rows. 198 rows are
    # frames "except frame culverts", and are none.
    assert (decks["deck_kind"] == "culvert").sum() == 2227
    assert (found.rows_kept, len(decks)) == (7880, 7880)
    bridges = found.records["bridge"]
    assert bridges["posted"].sum() == 599  # Posted For Load 512 and Posted(Load/Capacity Restriction) 87
    assert bridges["closed_to_traffic"].sum() == 64
    assert {1764, 1765} <= set(bridges["built_year"].dropna())
    # Year_Built is 0 in 80 rows and 19 in 2: flagged and left out.
    years = found.faults[found.faults["column"] == "Year_Built"]
    assert (years["code"] == "F-RANGE").sum() == 82
    assert not (found.faults["severity"] == "refuse").any()
    # Digits stand in 5,180 rows, 46 of them on culverts.
    rating = found.records["rating"]
    assert len(rating) == 5180
    assert (rating["rated_year"].min(), rating["rated_year"].max()) >= (1984, 2022)
    use = set(decks.loc[ranked_decks(decks), "bridge_id"])
    assert len(set(rating["bridge_id"]) & use) <= 5134


@pytest.mark.basis("published", "one state's layer of poor bridges; counted from the file apart from this reader")
def test_item_107_in_words_under_a_header_of_its_own(open_records):
    found = read_file(open_records / "other" / "poor-bridges-2020.geojson", known=Known.empty(), today=TODAY)
    decks = found.records["deck"]
    # STRUC_TYP says concrete in 166 rows, one of which DESIGN calls a culvert, as it does 75 in all.
    assert (found.rows_kept, len(decks)) == (537, 537)
    assert ranked_decks(decks).sum() == 165
    assert (decks["deck_kind"] == "culvert").sum() == 75
    assert decks["width_m"].isna().sum() == 85  # WIDTH_FT is 0
    use = decks[ranked_decks(decks)]
    assert (use["length_m"] * use["width_m"]).sum() <= 120_267.65

"""What words say a structure is: a culvert or a deck of something else is kept and never ranked."""

from __future__ import annotations

import pytest

from decknet.columns.deck_kinds import kind_unknown, ranked_decks
from decknet.ingest import Known
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

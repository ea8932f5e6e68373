"""Element records."""

from __future__ import annotations

import pytest

from decknet.errors import RecordError
from tests.ingest.conftest import codes, column

SPECIFICATION = "Federal Highway Administration (2014), Specification for the National Bridge Inventory Bridge Elements"


def one(number="001", en="12", epn="", total="100", states=("60", "25", "15", "0"), state="99") -> str:
    tags = [("STATE", state), ("STRUCNUM", number), ("EN", en), ("EPN", epn), ("TOTALQTY", total),
            *((f"CS{k}", s) for k, s in enumerate(states, start=1))]  # fmt: skip
    return "<FHWAED>" + "".join(f"<{t}>{v}</{t}>" for t, v in tags if v) + "</FHWAED>"


def xml(*records: str) -> str:
    return "\n".join(['<?xml version="1.0"?>', "<FHWAELEMENT>", *records, "</FHWAELEMENT>"]) + "\n"


@pytest.mark.basis("memory", SPECIFICATION)
def test_decks_their_defects_and_surfaces_are_kept_and_the_rest_set_aside(read):
    found = read(
        xml(
            one(),
            one(en="1080", epn="12", total="40", states=("0", "25", "15", "0")),
            one(en="1090", epn="12", total="5", states=("0", "5", "0", "0")),
            one(en="510", epn="12", total="100", states=("100", "0", "0", "0")),
            one(en="3210", epn="510", total="3", states=("0", "3", "0", "0")),
            one(en="205", total="4", states=("4", "0", "0", "0")),
            one(en="1080", epn="205", total="1", states=("0", "1", "0", "0")),
            one(number="002", en="38"),
        ),
        "2024AA_elements.xml",
    )
    assert column(found, "element_quantity", "element") == ["12", "1080", "1090", "510", "3210", "38"]
    assert column(found, "element_quantity", "parent_element") == ["", "12", "12", "12", "510", ""]
    assert column(found, "element_quantity", "cs2") == [25, 25, 5, 0, 3, 25]
    assert codes(found, "set aside") == {8: "S-ELEMENT", 9: "S-ELEMENT"}
    assert codes(found, "flag") == {}


def test_the_day_is_stated_or_named_and_never_guessed(read):
    assert str(read(xml(one()), "2024AA.xml").records["element_quantity"]["quantity_date"][0].date()) == "2024-01-01"
    stated = read(xml(one()), "2024AA.xml", mapping='date = "2024-03-31"\n')
    assert str(stated.records["element_quantity"]["quantity_date"][0].date()) == "2024-03-31"
    with pytest.raises(RecordError, match="carry no date"):
        read(xml(one()), "elements.xml")
    with pytest.raises(RecordError, match="carry no date"):
        read(xml(one()), "2041AA.xml")


def test_quantities_that_do_not_add_up_are_flagged(read):
    found = read(
        xml(
            one(states=("60", "25", "14", "0")),
            one(number="002", total="30", states=("30", "0", "0", "0")),
            one(number="002", en="1080", epn="12", total="31", states=("0", "31", "0", "0")),
            one(number="003", en="1130", total="2", states=("0", "2", "0", "0")),
        ),
        "2024AA.xml",
    )
    assert found.rows_kept == 4
    assert codes(found, "flag") == {3: "F-STATES", 5: "F-DEFECT-OVER", 6: "F-NO-PARENT"}


def test_an_unknown_bridge_and_a_tag_twice_are_refused(read):
    twice = one().replace("<CS1>60</CS1>", "<CS1>60</CS1><CS1>59</CS1>")
    found = read(xml(one(number="777"), twice, one(number="002")), "2024AA.xml")
    assert codes(found) == {3: "R-UNKNOWN-BRIDGE", 4: "R-TAG-TWICE"}
    assert found.rows_kept == 1


def test_other_tags_are_listed_and_left(read):
    found = read(xml(one().replace("</FHWAED>", "<CREW>x</CREW></FHWAED>")), "2024AA.xml")
    unused = found.mapping[found.mapping["why"] == "tag not used"]
    assert set(unused["header"]) == {"STATE", "CREW"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('<!DOCTYPE a [<!ENTITY b "c">]>' + "<FHWAELEMENT>&b;</FHWAELEMENT>", "document type"),
        ("<FHWAELEMENT><FHWAED></FHWAELEMENT>", "line 1.*no well-formed XML"),
        ("<BRIDGES/>", "the root is BRIDGES"),
        ("<FHWAELEMENT></FHWAELEMENT>", "no FHWAED record"),
    ],
)
def test_what_is_no_element_file_is_refused_in_plain_words(read, text, words):
    with pytest.raises(RecordError, match=words):
        read(text, "2024AA.xml")


def test_no_entity_is_expanded_in_another_encoding_either(read):
    text = '<?xml version="1.0" encoding="UTF-16"?><!DOCTYPE a [<!ENTITY b "c">]><FHWAELEMENT>&b;</FHWAELEMENT>'
    with pytest.raises(RecordError, match="document type"):
        read(text.encode("utf-16"), "2024AA.xml")


def test_delimited_element_records_read_alike(read):
    found = read("STATE,STRUCNUM,EN,TOTALQTY,CS1,CS2,CS3,CS4\n99, 001 ,12,10,4,3,2,1\n", "elements-2025.csv")
    assert column(found, "element_quantity", "cs4") == [1]

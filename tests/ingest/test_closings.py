"""Closings: told from surveys and repairs, and refused without who or how."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.columns import CAUSES
from decknet.errors import RecordError
from decknet.ingest.closings import CAUSE_WORDS
from tests.ingest.conftest import codes, column, write_layer

HEAD = "deck id,date,cause,how,by\n"


def test_a_closing_is_read_whole(read):
    head = "deck id,closed on,cause,hazard,station m,offset m,wkt,closed by,how,remarks\n"
    wkt = "POLYGON ((12 -2, 13 -2, 13 -1, 12 -1, 12 -2))"
    found = read(head + f'001,2024-05-06,hole,H 3,12.5,-1.5,"{wkt}",Ida Marsh,steel plate,dry\n', "sheet.csv")
    (row,) = found.records["closing"].to_dict("records")
    assert row["closing_id"] == "001|2024-05-06|open hole|H 3|12.5,-1.5"
    assert (row["deck_id"], row["closed_on"], row["cause"]) == ("001", pd.Timestamp("2024-05-06"), "open hole")
    assert (row["hazard"], row["station_m"], row["offset_m"]) == ("H 3", 12.5, -1.5)
    assert row["shape"].area == pytest.approx(1)
    assert (row["closed_by"], row["how"], row["remarks"]) == ("Ida Marsh", "steel plate", "dry")
    assert not len(found.faults)


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "001,2024-05-06,hole,plated,Ida\n",
        "deck,date closed,how,by whom\n001,2024-05-06,visual,Ida\n",  # even where the way reads like a method
        "bridge,date,hazard,how,closed by\n001,2024-05-06,all,concrete placed,Ida\n",
        "deck,date,how,by\n001,2024-05-06,lane closed and plated,Ida\n",
        "deck,closed on,what was done,signed by,cause\n001,2024-05-06,patched,Ida,bars\n",
    ],
)
def test_a_table_of_closings_is_never_read_as_surveys(read, text):
    found = read(text, "sheet.csv")
    assert list(found.records) == ["closing"]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("deck,date,how,by,hollow m2\n001,2024-05-06,hammer,Ida,3\n", "survey"),
        ("deck,date,how,by\n001,2024-05-06,chain drag,Ida\n002,2024-05-06,visual,Ida\n", "survey"),
        ("deck,date,how,cause\n001,2024-05-06,visual,none\n", "survey"),
        ("deck,date,treatment,how,by\n001,2024-05-06,patch,full depth,Ida\n", "repair"),
    ],
)
def test_surveys_and_repairs_are_never_read_as_closings(read, text, kind):
    assert list(read(text, "sheet.csv").records) == [kind]


@pytest.mark.parametrize(("row", "what"), [("hole,,Ida", "how"), ("hole,-,Ida", "how"), ("hole,plated,", "closed_by")])
def test_without_who_or_how_nothing_is_closed(read, row, what):
    found = read(HEAD + f"001,2024-05-06,{row}\n002,2024-05-06,hole,plated,Ida\n", "closings.csv")
    assert codes(found) == {2: "R-MISSING"}
    assert found.faults["rule"].iloc[0].startswith(f"{what} must be given")
    assert column(found, "closing", "deck_id") == ["002"]


def test_a_table_without_the_column_is_told_which_it_lacks(read):
    with pytest.raises(RecordError, match="needs a column closed_by"):
        read("deck,date closed,cause,how\n001,2024-05-06,hole,plated\n", "sheet.csv")


def test_a_closing_of_nothing_named_is_kept_and_flagged(read):
    found = read(HEAD + "001,2024-05-06,,plated,Ida\n", "closings.csv")
    assert codes(found, "flag") == {2: "F-CLOSES-NOTHING"}
    assert column(found, "closing", "closing_id") == ["001|2024-05-06|closing"]


@pytest.mark.parametrize("said", sorted(CAUSE_WORDS))
def test_common_words_for_the_causes(read, said):
    assert CAUSE_WORDS[said] in CAUSES
    found = read(HEAD + f"001,2024-05-06,{said.capitalize()},plated,Ida\n", "closings.csv")
    assert column(found, "closing", "cause") == [CAUSE_WORDS[said]]


@pytest.mark.parametrize(
    ("cells", "flag"),
    [
        ("wombat,3,1", "F-CHOICE"),
        ("hole,near pier,1", "F-NUMBER"),
        ("hole,70,1", "F-BEYOND"),  # the deck is 40 m long
        ("hole,3,-300", "F-RANGE"),
    ],
)
def test_an_optional_cell_never_costs_a_closing(read, cells, flag):
    found = read(f"deck id,date,cause,station,offset,how,by\n001,2024-05-06,{cells},plated,Ida\n", "closings.csv")
    assert flag in set(found.faults["code"])
    assert found.rows_kept == 1


@pytest.mark.parametrize(
    ("row", "code"),
    [("999,2024-05-06", "R-UNKNOWN-DECK"), ("001,2099-01-01", "R-FUTURE"), ("001,", "R-MISSING")],
)
def test_identity_and_day_are_needed(read, row, code):
    assert code in codes(read(HEAD + f"{row},hole,plated,Ida\n", "closings.csv")).values()


def test_two_holes_of_one_day_are_two_closings(read):
    """Told apart by their place; where no place is given, by their order in the file."""
    head = "deck id,date,cause,station,how,by\n"
    rows = ["3,plated", "9,plated", ",one more", ",and one more"]
    found = read(head + "".join(f"001,2024-05-06,hole,{r},Ida\n" for r in rows), "closings.csv")
    assert column(found, "closing", "closing_id") == [
        "001|2024-05-06|open hole|3", "001|2024-05-06|open hole|9", "001|2024-05-06|open hole",
        "001|2024-05-06|open hole|2",
    ]  # fmt: skip


def test_a_point_on_the_deck_is_station_and_offset(read, tmp_path):
    path = tmp_path / "closings.gpkg"
    fields = {"deck_id": ["001", "001"], "closed_on": ["2024-05-06"] * 2, "how": ["plated"] * 2, "closed_by": ["I"] * 2}
    write_layer(path, "closings", [shapely.Point(12, -1), shapely.box(3, 0, 4, 1)], fields)
    found = read(path.read_bytes(), "closings.gpkg")
    closing = found.records["closing"]
    assert closing["station_m"].tolist() == pytest.approx([12, np.nan], nan_ok=True)
    assert closing["shape"].iloc[0] is None
    assert closing["shape"].iloc[1].area == pytest.approx(1)

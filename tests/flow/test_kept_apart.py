"""Culverts, decks of something else than concrete and retired decks are kept, counted, and never ranked."""

from __future__ import annotations

import gzip
from datetime import date, datetime

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from decknet import flow
from decknet.cli import app
from decknet.errors import DecknetError
from decknet.flow.condition import read_condition
from decknet.flow.reading import AsOf, read_records
from decknet.settings import Settings
from tests.ingest.test_national import ITEMS

pytestmark = pytest.mark.slow

DAY = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 9)
HEAD = (
    "Bridge no,Name,Longitude,Latitude,Length m,Width m,Deck rating,Rated year,AADT,Count year,Structure type,Deck type"
)
ROWS = {
    "B1": "B1,Mill Road,10.1,60.1,30,9,5,2024,900,2023,Girder,Concrete",
    "B2": "B2,Tarn Beck,10.2,60.2,6,9,4,2024,90000,2023,Box culvert,Concrete",
    "B3": "B3,Fell Lane,10.3,60.3,20,9,3,2024,80000,2023,Girder,Timber",
    "B4": "B4,Ghyll Way,10.4,60.4,25,9,6,2024,700,2023,Girder,",
}


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Invented", currency="USD", now=NOW)

    def bring(*rows: str, name: str = "bridges.csv", **how):
        file = tmp_path / name
        file.write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
        return list(flow.load(path, [file], now=NOW, who="test", **how))

    return path, bring


def test_a_culvert_and_a_timber_deck_are_kept_counted_and_not_ranked(store):
    path, bring = store
    (loaded,) = bring(*ROWS.values())
    # Of four rows B2 is a culvert by its structure type and B3 of timber; B4's row leaves its deck open.
    assert loaded.told == [
        "Kept and not ranked: 1 culvert and 1 timber deck.",
        "The file does not say what kind of deck 1 of 4 decks is: it is ranked as if of concrete.",
    ]
    found = read_condition(path, settings=Settings(), asked=AsOf(DAY))
    assert sorted(found.status["deck_id"]) == ["B1", "B4"]
    assert found.records.apart[["deck_id", "name", "why"]].to_numpy().tolist() == [
        ["B2", "Tarn Beck", "culvert"], ["B3", "Fell Lane", "timber deck"],
    ]  # fmt: skip
    assert len(found.records["traffic"]) == len(found.records["rating"]) == 2  # of B1 and B4
    whole = read_records(path, AsOf(DAY, apart=True))
    assert len(whole["deck"]) == len(whole["bridge"]) == len(whole["rating"]) == 4
    said = CliRunner().invoke(app, ["rank", str(path), "--today", DAY.isoformat()]).output
    assert "Kept and not ranked: 1 culvert and 1 timber deck." in said
    assert "The records do not say what kind of deck 1 of 2 decks is" in " ".join(said.split())


def test_a_survey_of_a_deck_kept_apart_is_said_and_its_history_stays(store, tmp_path):
    path, bring = store
    bring(*ROWS.values())
    file = tmp_path / "surveys.csv"
    file.write_text("Deck,Survey date,Method,Holes (m2)\nB3,2025-05-13,sounding,0.4\n", encoding="utf-8")
    list(flow.load(path, [file], now=NOW, who="test"))
    told = read_records(path, AsOf(DAY)).apart_told()
    assert told[1].startswith("Surveys are on record of B3, kept and not ranked: what they found is not among what")
    told_history = CliRunner().invoke(app, ["history", str(path), "B3"])
    assert told_history.exit_code == 0
    assert "2025-05-13" in told_history.output


def test_a_store_of_culverts_alone_says_why_nothing_is_ranked(store):
    path, bring = store
    bring(ROWS["B2"])
    with pytest.raises(DecknetError, match=r"no deck that can be ranked\. Kept and not ranked: 1 culvert"):
        read_condition(path, settings=Settings(), asked=AsOf(DAY))


def test_a_retired_deck_comes_back_when_its_file_is_taken_back_or_a_later_one_says_concrete(store):
    path, bring = store
    bring(*ROWS.values())
    turned = ROWS["B1"].replace("Girder,Concrete", "Pipe culvert,Concrete")
    (loaded,) = bring(turned, ROWS["B4"], name="later.csv")
    assert loaded.told[0] == "Kept and not ranked: 1 culvert."
    assert loaded.told[1].startswith("1 deck is retired by this file: B1 (no longer a concrete deck but a")
    assert read_condition(path, settings=Settings(), asked=AsOf(DAY)).status["deck_id"].tolist() == ["B4"]
    assert (
        "retired on 2026-06-01: no longer" in read_records(path, AsOf(DAY)).apart.set_index("deck_id").loc["B1", "why"]
    )
    bring(ROWS["B1"], name="again.csv")
    assert sorted(read_condition(path, settings=Settings(), asked=AsOf(DAY)).status["deck_id"]) == ["B1", "B4"]
    flow.undo(path, 3, now=NOW, who="test")
    flow.undo(path, 2, now=NOW, who="test")
    assert sorted(read_condition(path, settings=Settings(), asked=AsOf(DAY)).status["deck_id"]) == ["B1", "B4"]


SEVEN = ["0312", "0506", "0636", "0638", "0639", "DAPPACWAI0XBRID", "E09211T0461-100"]


@pytest.mark.basis("published", "open inventories of one state, 2019 and 2020; counted from the files apart from this")
@pytest.mark.parametrize("order", [(2019, 2020), (2020, 2019)])
def test_two_years_of_one_state(open_records, tmp_path, order):
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Open", currency="USD", now=NOW)
    files = [open_records / "national" / f"inventory-{year}-AK.txt" for year in order]
    list(flow.load(path, files, now=NOW, who="test"))
    records = read_records(path, AsOf(DAY))
    # 372 concrete decks of both years but 7 turned to 9 or 8 in item 107, 6 new ones and the one that became concrete.
    # 0312 and the others are apart in either order; who retired them is only known where the later file came later.
    assert len(records["deck"]) == 378
    apart = records.apart.set_index("deck_id")
    assert set(SEVEN) <= set(apart.index)
    if order == (2019, 2020):
        assert sorted(apart.index[apart["in_use"] == False]) == SEVEN  # noqa: E712
        assert apart.loc[SEVEN, "why"].str.contains("by inventory-2020-AK.txt line").all()
        # As the records stood in 2019 the seven were in use yet.
        assert set(SEVEN) <= set(read_records(path, AsOf(records_to=date(2019, 12, 31)))["deck"]["deck_id"])


@pytest.mark.basis("published", "open inventory of one state, 2019; counted from the file apart from this reader")
def test_the_culverts_of_a_whole_state(open_records, tmp_path):
    file = tmp_path / "inventory-2019-AZ.txt"
    file.write_bytes(gzip.decompress((open_records / "national" / "inventory-2019-AZ.txt.gz").read_bytes()))
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Open", currency="USD", now=NOW)
    (loaded,) = flow.load(path, [file], now=NOW, who="test")
    assert loaded.reading is not None
    # Item 43B is 19 in 4,624 rows, 1,047 of them with a concrete deck by item 107; 4,596 less 1,047 are ranked.
    assert loaded.told[0].startswith("Kept and not ranked: 4,624 culverts, ")
    records = read_records(path, AsOf(DAY))
    assert len(records["deck"]) == 3549
    assert (records["deck"]["length_m"] * records["deck"]["width_m"]).sum() == pytest.approx(4_801_310.1, abs=0.6)
    assert records["traffic"]["aadt"].sum() == 57_022_578


# ---- decks of which little is known -----------------------------------------------------------------


def test_a_deck_without_a_size_is_on_the_map_and_ranked_with_what_is_known(tmp_path):
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Invented", currency="USD", now=NOW)
    sized = tmp_path / "sized.csv"
    sized.write_text(
        "bridge id,name,Longitude,Latitude,Length m,Width m,Deck rating,Rated year\nA1,Mill,10.1,60.1,30,9,5,2024\n"
        "A2,Tarn,10.2,60.2,20,0,4,2024\n",
        encoding="utf-8",
    )
    bare = tmp_path / "bare.csv"
    bare.write_text(
        "bridge id,name,Longitude,Latitude,Deck rating\nB1,Fell,10.3,60.3,3\nB2,Ghyll,10.4,60.4,\nB3,Beck,,,\n",
        encoding="utf-8",
    )
    list(flow.load(path, [bare, sized], now=NOW, who="test"))
    found = read_condition(path, settings=Settings(), asked=AsOf(DAY))
    status = found.status.set_index("deck_id")
    # B3 has neither place nor rating nor count: there is nothing to rank it by and nowhere to draw it.
    assert sorted(status.index) == ["A1", "A2", "B1", "B2"]
    assert status.loc[["A2", "B1"], "share_from"].tolist() == ["rating", "rating"]
    assert "; the size of the deck is not known" in status.loc["A2", "reason"]
    for deck in ("B1", "B2"):
        assert "; nothing is on record of the deck itself" in status.loc[deck, "reason"]
    assert "not known" not in status.loc["A1", "reason"]
    assert status.geometry.notna().all()
    page = tmp_path / "map.html"
    result = CliRunner().invoke(app, ["map", str(path), "-o", str(page), "--today", DAY.isoformat()])
    assert "4 decks drawn" in result.output
    # A deck that comes later takes the place of what was made of its bridge alone.
    later = tmp_path / "later.csv"
    later.write_text("deck id,bridge id,Length m,Width m\nB1-N,B1,40,8\nB1-S,B1,40,8\n", encoding="utf-8")
    list(flow.load(path, [later], now=NOW, who="test"))
    assert sorted(read_records(path, AsOf(DAY))["deck"]["deck_id"]) == ["A1", "A2", "B1-N", "B1-S", "B2"]


# ---- gone from a newer file of the whole state ------------------------------------------------------


def _inventory(folder, year, *numbers):
    changes = [{"STRUCTURE_NUMBER_008": n, "STATE_CODE_001": "02"} for n in numbers]
    heads = ["STATE_CODE_001", *ITEMS]
    lines = [",".join(({**ITEMS, **c})[h] for h in heads) for c in changes]
    file = folder / f"inventory-{year}.txt"
    file.write_text("\n".join([",".join(heads), *lines]) + "\n", encoding="utf-8")
    return file


def test_a_deck_that_a_newer_file_of_the_state_holds_no_longer_is_offered_and_retired_when_accepted(tmp_path):
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Invented", currency="USD", now=NOW)
    (first,) = flow.load(path, [_inventory(tmp_path, 2020, "A", "B", "C")], now=NOW, who="test")
    assert first.gone == ()
    newer = _inventory(tmp_path, 2021, "A", "C", "C")  # the two lines of C agree: one is a repeat, C is there
    (later,) = flow.load(path, [newer], now=NOW, who="test")
    assert later.gone == ("B",)
    assert later.told[-1] == (
        "1 deck on record is not in this newer file of the state: B. If it is gone, load the file again with --accept "
        "gone: that retires it."
    )
    assert sorted(read_records(path, AsOf(DAY))["deck"]["deck_id"]) == ["A", "B", "C"]  # offered, not done
    assert CliRunner().invoke(app, ["load", str(path), str(newer), "--accept", "lost"]).exit_code == 2
    said = CliRunner().invoke(app, ["load", str(path), str(newer), "--accept", "gone"])
    assert said.exit_code == 0
    assert "1 deck is retired by this file: B (no longer in inventory-2021.txt)." in " ".join(said.output.split())
    records = read_records(path, AsOf(DAY))
    assert sorted(records["deck"]["deck_id"]) == ["A", "C"]
    assert records.apart["why"].tolist() == ["retired on 2021-01-01: no longer in inventory-2021.txt"]
    assert "B" in set(read_records(path, AsOf(records_to=date(2020, 12, 31)))["deck"]["deck_id"])
    flow.undo(path, 3, now=NOW, who="test")
    assert sorted(read_records(path, AsOf(DAY))["deck"]["deck_id"]) == ["A", "B", "C"]


@pytest.mark.parametrize(
    ("year", "numbers"),
    [(2019, ("A",)), (2020, ("A", "C")), (2021, ("A",))],
    ids=["older", "of the same year", "a part of the state"],
)
def test_what_an_older_file_or_a_part_of_one_leaves_out_is_not_gone(tmp_path, year, numbers):
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Invented", currency="USD", now=NOW)
    (tmp_path / "new").mkdir()
    list(flow.load(path, [_inventory(tmp_path, 2020, "A", "B", "C")], now=NOW, who="test"))
    (later,) = flow.load(path, [_inventory(tmp_path / "new", year, *numbers)], now=NOW, who="test", accept=("gone",))
    assert later.gone == ()
    assert sorted(read_records(path, AsOf(DAY))["deck"]["deck_id"]) == ["A", "B", "C"]


# ---- an inventory in parts --------------------------------------------------------------------------

PARTS = {
    "bridges.csv": "Structure number,Name,Longitude,Latitude,Year built\nA1,Mill,10.1,60.1,1970\n"
    "A2,Tarn,10.2,60.2,1980\n",
    "geometry.csv": "Structure number,Length m,Width m\nA1,30,9\nA2,20,8\n",
    "structure.csv": "Structure number,Deck type\nA1,Concrete\nA2,Timber\n",
    "condition.csv": "Structure number,Deck rating\nA1,5\nA2,4\n",
    "traffic.csv": "Structure number,AADT,Count year\nA1,900,2023\nA2,5000,2023\n",
}


@pytest.mark.parametrize("seed", range(6))
def test_five_tables_of_one_state_give_the_same_store_in_any_order(tmp_path, seed):
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Invented", currency="USD", now=NOW)
    names = [list(PARTS)[i] for i in np.random.default_rng(seed).permutation(len(PARTS))]
    for name in names:
        (tmp_path / name).write_text(PARTS[name], encoding="utf-8")
    # All in one command: what names a bridge that is not on record yet waits for the others.
    told = list(flow.load(path, [tmp_path / n for n in names], now=NOW, who="test"))
    assert [t.error for t in told] == [""] * len(told)
    faults = pd.concat([t.reading.faults for t in told])
    # No table is blamed for what another holds; the ratings have no year anywhere, which is said once.
    assert faults["code"].tolist() == ["F-UNDATED"]
    records = read_records(path, AsOf(DAY))
    deck = records["deck"].set_index("deck_id")
    assert deck.index.tolist() == ["A1"]
    assert deck.loc["A1", ["length_m", "width_m", "deck_kind"]].tolist() == [30, 9, "concrete"]
    assert records["rating"][["bridge_id", "deck_rating"]].to_numpy().tolist() == [["A1", 5]]
    assert records["bridge"][["name", "built_year"]].to_numpy().tolist() == [["Mill", 1970]]
    assert records["traffic"]["aadt"].tolist() == [900]
    assert records.apart["deck_id"].tolist() == ["A2"]

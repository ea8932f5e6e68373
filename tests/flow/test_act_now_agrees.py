"""What is open and what is to be confirmed is the same, line by line, in every output that shows it."""

from __future__ import annotations

import html
import json
import re

import numpy as np
import pandas as pd
import pyogrio
import pytest

from decknet import flow
from decknet.flow import AsOf
from decknet.flow.changes import _urgent as told_of_urgent
from decknet.flow.outputs import dealt_with
from decknet.flow.works import sheets, sites_of
from decknet.settings import Settings
from tests.flow.hazard_store import DAY, NOW, make
from tests.flow.test_hazards_told import STATES
from tests.flow.test_outputs_agree import column, sheet, text_of
from tests.show.test_map import Read

pytestmark = pytest.mark.slow

MONEY = ("--budget", "300000", "--years", "3", "--effort", "quick", "--today", DAY)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("agree")
    return make(folder / "made.duckdb", folder)


@pytest.fixture(scope="module")
def condition(made):
    return flow.read_condition(made, settings=Settings(), asked=AsOf(NOW.date()))


@pytest.fixture(scope="module")
def lines(condition):
    return [(str(r.deck_id), str(r.state), str(r.why)) for r in condition.urgent.itertuples()]


@pytest.fixture(scope="module")
def folder(made, tmp_path_factory):
    from decknet.cli import main

    out = tmp_path_factory.mktemp("report")
    assert main(["report", str(made), *MONEY, "--save-to", str(out)]) == 0
    return out


def in_order(text, whys):
    """Whether the sentences stand in the text one after the other; spaces aside."""
    plain, at = re.sub(r"\s+", "", text), 0
    for why in whys:
        at = plain.index(re.sub(r"\s+", "", why), at) + 1
    return True


@pytest.mark.basis("derived", "the decks as made: H1 and H4 have something open, H2 and H4 something to confirm")
def test_open_stands_before_to_confirm(lines):
    assert [(deck, state) for deck, state, _ in lines] == [
        ("H1", "open"), ("H4", "open"), ("H2", "to confirm"), ("H4", "to confirm"),
    ]  # fmt: skip
    assert lines[0][2] == "0.25 m² of open full-depth hole"
    assert (
        lines[2][2]
        == "to confirm: 0.25 m² of open full-depth hole (patch of 2026-06-10 (r2): its place is not on record)"
    )


def test_every_output_lists_the_same_lines_in_the_same_order(made, condition, lines, folder, run, answer):
    whys = [why for *_, why in lines]
    asked = answer("rank", made, "--today", DAY)
    assert [(x["deck_id"], x["state"], x["why"]) for x in asked["act_now"]] == lines
    counts = {"open": 2, "to_confirm": 2, "closed": 1, "decks_open": 2, "decks_to_confirm": 1}
    assert asked["hazards"] == counts
    printed = run("rank", made, "--today", DAY)[1]
    assert in_order(printed, whys)
    assert "3 decks cannot wait: 2 with something open, 1 to confirm" in re.sub(r"\s+", " ", printed)

    figures = json.loads((folder / "figures.json").read_text(encoding="utf-8"))
    assert [(x["deck"], x["state"], x["why"]) for x in figures["act_now_lines"]] == lines
    assert figures["act_now"] == ["H1", "H2", "H4"]
    assert figures["to_confirm"] == ["H2"]
    assert figures["hazards"] == counts

    index = html.unescape((folder / "index.html").read_text(encoding="utf-8"))
    assert in_order(index, whys)
    assert "3 decks cannot wait for any year or rank: 2 with something open" in index

    book = sheet(folder / "programme.xlsx", "Act now")
    assert list(zip(column(book, "Deck"), column(book, "State"), column(book, "Why"), strict=True)) == lines
    ledger = sheet(folder / "programme.xlsx", "Hazards")
    assert dict(zip(column(ledger, "Number"), column(ledger, "State"), strict=True)) == STATES
    assert column(ledger, "Days open").astype(int).tolist() == condition.ledger["days_open"].tolist()
    assert column(ledger, "Closed by").tolist()[-1].startswith("Ida Marsh")

    document = text_of(folder / "programme.pdf")
    for why in whys:
        assert re.sub(r"\s+", "", why) in re.sub(r"\s+", "", document), why
    assert "cover or close it; a repair drawn there" in document  # what ends it
    assert in_order(text_of(folder / "summary.pdf"), ["H1", "open", "H2", "to confirm"])

    page = Read((folder / "network_map.html").read_text(encoding="utf-8"))
    decks = page.texts("deck_id")
    told = zip(page.numbers("act.deck").astype(int), page.numbers("act.state"), page.texts("act.why"), strict=True)
    on_map = sorted((decks[d], "open" if state == 2 else "to confirm", why) for d, state, why in told)
    assert on_map == sorted(lines)
    assert set(page.texts("act.settles")) == set(condition.urgent["closed_by"])


def test_the_gis_file_has_each_hazard_where_it_is(condition, folder):
    layer = pyogrio.read_dataframe(folder / "network.gpkg", layer="hazards").set_index("hazard_id")
    assert layer["state"].to_dict() == STATES
    assert layer.geometry.notna().all()
    # Without a bearing on record the middle of the deck stands for the place.
    deck = pyogrio.read_dataframe(folder / "network.gpkg", layer="decks").set_index("deck_id")
    assert layer.loc["h1/1"].geometry.equals_exact(deck.loc["H1"].geometry, 1e-9)


@pytest.mark.basis("derived", "north on a deck that bears north: 10.25 m less 20 m to its middle is 9.75 m south of it")
def test_a_hazard_on_a_deck_with_a_direction_lies_at_its_station(made, tmp_path):
    path = tmp_path / "turned.duckdb"
    path.write_bytes(made.read_bytes())
    (tmp_path / "turned.csv").write_text("deck id,bridge id,length m,width m,bearing\nH1,H1,40,10,0\n")
    (loaded,) = flow.load(path, [tmp_path / "turned.csv"], now=NOW, who="test")
    assert loaded.reading is not None, loaded.error
    points = flow.read_condition(path, settings=Settings(), asked=AsOf(NOW.date())).hazard_points
    at = points.set_index("hazard_id").loc["h1/1"].geometry
    assert (at.y - 41) * 111_061 == pytest.approx(-9.75, abs=0.05)  # metres in a degree of latitude there
    assert (at.x + 71) * 84_139 == pytest.approx(-2.75, abs=0.05)


def test_the_page_and_the_sheet_of_a_deck_list_its_hazards(condition, folder, tmp_path):
    text = text_of(folder / "deck_pages.pdf")
    for said in (
        "station 10.3 m, 2.8 m left of the centreline",
        "Closed by: Ida Marsh",
        "To confirm because: patch of",
    ):
        assert said in text, said
    data, _ = sheets(condition, ["H1", "H3", "H4"])
    (tmp_path / "sheets.pdf").write_bytes(data)
    printed = text_of(tmp_path / "sheets.pdf")
    assert "Act now: found on this deck and not known to be dealt with" in printed
    # H4 comes with the middle of its hole, 16.25 m and 1.25 m right, and of its bars
    for said in ("16.25", "R 1.25", "25.25", "R 2.35", "To confirm because: other of 2026-06-12 (r4)", "h4/2"):
        assert said in printed, said
    assert "h3/1" not in printed  # closed


# ---- how much was looked at -----------------------------------------------------------------------------


@pytest.mark.basis("derived", "left half of the deck, offsets -5 to 0 of 10 m; the rest in 2019, or never")
def test_a_deck_looked_at_in_part_says_so_wherever_its_share_is_said(made, condition, folder, answer):
    said = {
        "P1": "50 % of the deck looked at, the rest last in 2019",
        "P2": "50 % of the deck looked at, the rest never",
    }
    ranked = {d["deck_id"]: d for d in answer("rank", made, "--today", DAY)["decks"]}
    book = sheet(folder / "programme.xlsx", "Status").set_index("Deck")
    page = Read((folder / "network_map.html").read_text(encoding="utf-8"))
    on_map = dict(zip(page.texts("deck_id"), page.texts("looked"), strict=True))
    pages = text_of(folder / "deck_pages.pdf")
    data, _ = sheets(condition, ["P1", "P2"])
    file = folder / "halves.pdf"
    file.write_bytes(data)
    printed = text_of(file)
    for deck, words in said.items():
        assert ranked[deck]["looked"] == words
        assert words in ranked[deck]["reason"]
        assert column(book, "What of the deck was looked at")[deck] == words
        assert on_map[deck] == words
        assert words in pages
        assert words in printed
    assert ranked["H1"]["looked"] is None


def test_what_is_taken_for_a_look_at_the_whole_deck_is_said_once(condition, folder):
    words = "taken as a look at the whole deck"
    assert text_of(folder / "deck_pages.pdf").count(words) == 1
    file = folder / "assumed.pdf"
    file.write_bytes(sheets(condition, ["A1"])[0])
    assert text_of(file).count(words) == 1
    file.write_bytes(sheets(condition, ["H1"])[0])
    assert words not in text_of(file)


@pytest.mark.basis("derived", "the look of 2026 covers offsets -5 to 0: one patch lies in it, the other does not")
def test_a_patch_is_looked_at_again_where_a_later_look_covers_it(made, tmp_path):
    path = tmp_path / "patched.duckdb"
    path.write_bytes(made.read_bytes())
    (tmp_path / "patches.csv").write_text(
        "repair id,deck id,repair date,treatment,opened at,from station m,to station m,from offset m,to offset m\n"
        "q1,P1,2025-05-01,patch,2025-05-02T20:00,20,22,-3,-1\nq2,P1,2025-05-01,patch,2025-05-02T20:00,20,22,1,3\n"
    )
    (loaded,) = flow.load(path, [tmp_path / "patches.csv"], now=NOW, who="test")
    assert loaded.reading is not None, loaded.error
    site = sites_of(flow.read_condition(path, settings=Settings(), asked=AsOf(NOW.date())), ["P1"])["P1"]
    fates = dict(zip(site.repairs["repair_id"], site.repairs["fate"], strict=True))
    assert fates == {"q1": "not found unsound since", "q2": "not surveyed since"}


# ---- years ahead ------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "as the ledger takes such works once they are done; years as planned")
@pytest.mark.parametrize(
    ("cause", "works", "ends", "doubt"),
    [
        ("open hole", [("patch", 2028)], 2028, None),
        ("exposed bar", [("patch and seal", 2027), ("new deck", 2029)], 2027, None),
        ("danger share", [("patch", 2027)], None, None),
        ("danger share", [("patch", 2027), ("rigid overlay", 2029)], 2029, None),
        ("poor rating", [("thin overlay", 2027)], None, 2027),
        ("poor rating", [("thin overlay", 2027), ("new deck", 2030)], 2030, 2027),
        ("remark", [("patch", 2027)], None, None),
        ("remark", [("rigid overlay", 2028)], 2028, None),
        ("open hole", [("own way of ours", 2027)], None, 2027),
        ("open hole", [], None, None),
    ],
)
def test_works_deal_with_what_the_ledger_would_take_them_to_deal_with(cause, works, ends, doubt):
    urgent = pd.DataFrame({"deck_id": ["d"], "cause": [cause], "state": ["open"]})
    lines = pd.DataFrame(
        {"deck_id": ["d"] * len(works), "treatment": [t for t, _ in works], "year": [y for _, y in works]}
    )
    (row,) = dealt_with(urgent, lines).to_dict("records")
    for name, want in (("ends_year", ends), ("doubt_year", doubt)):
        assert (np.isnan(row[name]) and want is None) or row[name] == want, name


def test_without_a_programme_nothing_is_dealt_with(condition):
    bare = dealt_with(condition.urgent, None)
    assert bare[["ends_year", "doubt_year"]].isna().all(axis=None)
    assert len(bare) == len(condition.urgent)


def test_a_later_report_says_what_has_become_open_or_to_be_confirmed():
    old = {"act_now": ["A", "B", "C"], "to_confirm": ["B"]}
    new = {"act_now": ["A", "B", "D"], "to_confirm": ["A"]}
    assert told_of_urgent(old, new) == [
        "Newly to act on now: D.",
        "No longer on the act-now list: C. That does not call them safe.",
        "Open before, now to confirm: A.",
        "To confirm before, now open: B.",
    ]
    # figures of before decks were told apart say nothing of that
    assert told_of_urgent({"act_now": ["A"]}, {"act_now": ["A"], "to_confirm": ["A"]}) == []

"""The hazards ledger as the terminal, Python and SQL tell it, and what a closing is said to do."""

from __future__ import annotations

import re
from datetime import date

import pandas as pd
import pytest

import decknet
from decknet.keep import Store
from tests.flow.hazard_store import DAY, make

pytestmark = pytest.mark.slow

ON = ("--today", DAY)
# As made: one hole open and one to confirm, bars to confirm beside another open hole, one hole closed.
STATES = {"h1/1": "open", "h4/1": "open", "h2/1": "to confirm", "h4/2": "to confirm", "h3/1": "closed"}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hazards")
    return make(folder / "made.duckdb", folder)


@pytest.fixture
def store(made, tmp_path):
    path = tmp_path / "copy.duckdb"
    path.write_bytes(made.read_bytes())
    return path


def flat(text):
    return re.sub(r"\s+", " ", text)


@pytest.mark.basis("derived", "days from 4, 5, 6 and 7 May to 25 November 2026, and from 6 to 8 May")
def test_the_ledger_is_the_same_in_json_python_and_sql(made, answer):
    rows = pd.DataFrame(answer("hazards", made, "--all", *ON)["hazards"]).set_index("hazard_id")
    assert rows["state"].to_dict() == STATES
    assert list(rows.index) == ["h1/1", "h4/1", "h2/1", "h4/2", "h3/1"]  # open, to confirm, closed
    assert rows["days_open"].to_dict() == {"h1/1": 205, "h4/1": 202, "h2/1": 204, "h4/2": 202, "h3/1": 2}
    with decknet.open(made, today=date.fromisoformat(DAY)) as opened:
        own = opened.hazards(every=True).set_index("hazard_id")
        asked = opened.query("SELECT * FROM hazard").set_index("hazard_id")
        assert list(opened.hazards()["hazard_id"]) == [h for h in rows.index if STATES[h] != "closed"]
        assert list(opened.hazards("H4")["hazard_id"]) == ["h4/1", "h4/2"]
        assert opened.hazards().attrs["units"]["days_open"] == "days"
    for other in (own, asked):
        assert list(other.index) == list(rows.index)
        for name in ("state", "what", "place", "days_open", "found_by", "closed_by", "doubts", "settles"):
            assert other[name].fillna("").tolist() == rows[name].fillna("").tolist(), name
    assert asked["ground"].notna().all()
    assert asked.loc["h3/1", "closed_by"].startswith("Ida Marsh, 2026-05-08: plated")


def test_the_terminal_lists_open_then_to_confirm_and_closed_ones_where_asked(made, run):
    code, out, err = run("hazards", made, *ON)
    assert (code, err) == (0, "")
    said = flat(out)
    at = [said.index(words) for words in ("Open: 2", "Number h1/1", "To confirm: 2", "Number h2/1")]
    assert at == sorted(at)
    assert "its place is not on record" in said
    assert "h3/1" not in said
    assert "1 closed in the district: --all lists them too" in said
    every = flat(run("hazards", made, "--all", *ON)[1])
    assert "closed 2026-05-08 after 2 days: Ida Marsh, 2026-05-08: plated" in every
    assert "h1/1" not in run("hazards", made, "--deck", "H4", *ON)[1]


def test_an_earlier_day_has_the_ledger_of_that_day(made, answer):
    then = answer("hazards", made, "--all", "--as-of", "2026-05-07")
    assert {r["hazard_id"]: r["state"] for r in then["hazards"]} == dict.fromkeys(
        ["h1/1", "h2/1", "h3/1", "h4/1", "h4/2"], "open"
    )
    asked = answer("query", made, "SELECT hazard_id, state FROM hazard", "--as-of", "2026-05-07")
    assert {r["state"] for r in asked["rows"]} == {"open"}


def test_an_unknown_deck_is_refused(made, run):
    code, _, err = run("hazards", made, "--deck", "no such", *ON)
    assert code == 1
    assert "deck 'no such' is not in the store" in err


@pytest.mark.parametrize(
    ("words", "said", "state"),
    [
        # by its number
        (("H1", "--hazard", "h1/1"), "Closes h1/1: 0.25 m² of open full-depth hole", "closed"),
        # by its place
        (("H1", "--cause", "hole", "--station", 10, "--offset", -3), "Closes h1/1", "closed"),
        # by another place, 20 m off
        (("H1", "--cause", "hole", "--station", 30, "--offset", 3), "It closes nothing", "open"),
        # of two hazards neither is named
        (("H4",), "Leaves h4/1 to confirm", "to confirm"),
        # both of them
        (("H4", "--hazard", "all"), "Closes h4/2", "closed"),
        # something closed before
        (("H3", "--hazard", "h3/1"), "h3/1 is closed already, since 2026-05-08: Ida Marsh", "closed"),
        # a deck with nothing open
        (("A1", "--cause", "hole"), "nothing is open or to confirm on the deck", None),
    ],
)
def test_a_closing_says_what_it_closes_and_what_it_leaves(store, run, answer, words, said, state):
    deck, *more = words
    code, out, err = run("close", store, deck, "--by", "Ole Dunn", "--how", "filled", "--on", "2026-11-20", *more)
    assert (code, err) == (0, "")
    assert said in flat(out)
    if state is not None:
        rows = answer("hazards", store, "--all", "--deck", deck, *ON)["hazards"]
        assert rows[0]["state"] == state


def test_a_hazard_that_the_deck_never_had_is_refused_with_those_it_has_and_nothing_is_stored(store, run):
    code, out, err = run("close", store, "H4", "--by", "Ole Dunn", "--how", "filled", "--hazard", "h1/1")
    assert (code, out) == (1, "")
    assert "deck H4 has no hazard of that number" in err
    assert "h4/1 (0.25 m² of open full-depth hole" in err
    assert "h4/2 (" in err
    with Store.open(store) as held:
        assert len(held.current("closing")) == 1
        assert len(held.intakes()) == 6


def test_python_tells_what_a_closing_does(store):
    with decknet.open(store, write=True, today=date.fromisoformat(DAY)) as opened:
        done = opened.close_hazard("H1", by="Ole Dunn", how="filled", on=date(2026, 11, 20), hazard="h1/1")
        assert list(done.closes.closed["hazard_id"]) == ["h1/1"]
        assert "h1/1" not in set(opened.hazards()["hazard_id"])

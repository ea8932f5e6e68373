"""The commands, run in-process as a user would run them."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import re
from pathlib import Path

import pandas as pd
import pyogrio
import pytest

from decknet.cli import app, main
from decknet.keep import Store

TODAY = ["--today", "2026-11-25"]
QUICK = ["--effort", "quick"]
COMMANDS = sorted(c.name or c.callback.__name__ for c in app.registered_commands)


def _run(capsys, *args):
    code = main([str(a) for a in args])
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture
def store(tmp_path, capsys):
    path = tmp_path / "district.duckdb"
    assert _run(capsys, "new", path)[0] == 0
    return path


def _hundred_bridges(folder, bad_line=None):
    lines = ["bridge id,name,deck length m,deck width m,built year"]
    for i in range(1, 101):
        length = "-12" if i == bad_line else str(20 + i)
        lines.append(f"{i:04d},Invented {i},{length},10,1975")
    path = folder / "hundred.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(capsys, command):
    code, out, _ = _run(capsys, command, "--help")
    assert code == 0
    assert re.search(rf"Example:\s+decknet {command}", out)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_a_line_in_the_handbook(command):
    page = Path(__file__).parents[1] / "decknet" / "handbook" / "commands.md"
    assert f"decknet {command}" in page.read_text(encoding="utf-8")


def test_a_closing_is_an_intake_of_its_own_and_can_be_taken_back(capsys, store, tmp_path):
    assert _run(capsys, "load", store, _hundred_bridges(tmp_path))[0] == 0
    close = ("close", store, "7", "--by", "Ida Marsh", "--how", 'plate; bolted, "down"', "--on", "2024-05-06")
    code, out, err = _run(capsys, *close, "--cause", "hole", "--station", 12, "--offset", -2)
    assert (code, err) == (0, "")
    assert "Recorded as intake 2" in out
    assert "Read as deck 0007" in out
    with Store.open(store) as held:
        (row,) = held.current("closing").to_dict("records")
        assert (row["deck_id"], row["cause"], row["closed_by"]) == ("0007", "open hole", "Ida Marsh")
        assert (row["how"], row["station_m"], row["offset_m"]) == ('plate; bolted, "down"', 12.0, -2.0)
        assert held.intakes()["file"].tolist() == ["hundred.csv", "closing of 7 on 2024-05-06"]
    assert "Recorded before as intake 2" in _run(capsys, *close, "--cause", "hole", "--station", 12, "--offset", -2)[1]
    assert _run(capsys, "undo", store, 2)[0] == 0
    with Store.open(store) as held:
        assert held.current("closing").empty
    assert _run(capsys, *close, "--cause", "hole", "--station", 12, "--offset", -2)[0] == 0  # and may come again


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["999999", "--by", "Ida", "--how", "plated"], "the deck must be known"),
        (["0007", "--by", "", "--how", "plated"], "closed_by must be given"),
        (["0007", "--by", "Ida", "--how", " "], "how must be given"),
        (["0007", "--by", "Ida", "--how", "plated", "--cause", "wombat"], "cause must be one of"),
        (["0007", "--by", "Ida", "--how", "plated", "--on", "2999-01-01"], "must not be after today"),
        (["0007", "--by", "Ida", "--how", "plated", "--station", "-4"], "station_m must lie between"),
    ],
)
def test_a_closing_that_cannot_be_is_not_stored(capsys, store, tmp_path, words, said):
    assert _run(capsys, "load", store, _hundred_bridges(tmp_path))[0] == 0
    code, _, err = _run(capsys, "close", store, *words)
    assert code == 1
    assert said in err
    with Store.open(store) as held:
        assert held.current("closing").empty
        assert len(held.intakes()) == 1


def test_a_closing_needs_who_and_how(capsys, store):
    assert _run(capsys, "close", store, "0007", "--how", "plated")[0] == 2
    assert _run(capsys, "close", store, "0007", "--by", "Ida")[0] == 2


def test_misuse_ends_with_2(capsys, store):
    assert _run(capsys, "programme", store)[0] == 2
    assert _run(capsys, "programme", store, "--budget", "much")[0] == 2
    assert _run(capsys, "rank", store, "--today", "tomorrow")[0] == 2
    assert _run(capsys, "frobnicate")[0] == 2


def test_an_empty_store_says_what_to_do(capsys, store):
    code, _, err = _run(capsys, "rank", store)
    assert code == 1
    assert "decknet load" in err
    assert len(err.strip().splitlines()) == 1


def test_one_bad_cell_in_a_hundred(capsys, store, tmp_path):
    code, out, _ = _run(capsys, "load", store, _hundred_bridges(tmp_path, bad_line=42))
    assert code == 0
    assert "100 rows read, 100 kept, 1 flagged" in out
    assert "hundred.csv line 43, deck length m '-12': " in " ".join(out.split())
    with Store.open(store) as opened:
        assert len(opened.current("bridge")) == 100  # a cell that cannot be used costs no bridge
        assert opened.current("deck")["length_m"].isna().sum() == 1
        fault = opened.faults(1).iloc[0]
    assert (fault["file"], fault["line"], fault["column"], fault["value"]) == (
        "hundred.csv",
        43,
        "deck length m",
        "-12",
    )
    assert fault["rule"]
    assert fault["remedy"]
    assert json.loads(fault["row"])["bridge id"] == "0042"


def test_a_row_that_names_no_bridge_is_refused(capsys, store, tmp_path):
    file = _hundred_bridges(tmp_path)
    file.write_text(file.read_text(encoding="utf-8").replace("0042", "", 1), encoding="utf-8")
    code, out, _ = _run(capsys, "load", store, file)
    assert code == 1
    assert "100 rows read, 99 kept, 1 refused" in out
    with Store.open(store) as opened:
        assert len(opened.current("bridge")) == 99
    code, out, _ = _run(capsys, "intakes", store, "1")
    assert "Invented 42" in out


def test_a_dry_run_writes_nothing(capsys, store, tmp_path):
    before = hashlib.sha256(store.read_bytes()).hexdigest()
    code, out, _ = _run(capsys, "load", store, _hundred_bridges(tmp_path), "--dry-run")
    assert code == 0
    assert "deck length m" in out
    assert "length_m" in out
    assert hashlib.sha256(store.read_bytes()).hexdigest() == before
    assert _run(capsys, "rank", store)[0] == 1


def test_the_same_file_again_and_undo(capsys, store, tmp_path):
    file = _hundred_bridges(tmp_path)
    assert _run(capsys, "load", store, file)[0] == 0
    code, out, _ = _run(capsys, "load", store, file)
    assert code == 0
    assert "Nothing changed" in out
    assert _run(capsys, "undo", store, "1")[0] == 0
    assert "decknet load" in _run(capsys, "rank", store)[2]
    assert _run(capsys, "undo", store, "1")[0] == 1
    code, out, _ = _run(capsys, "intakes", store, "--json")
    assert len(json.loads(out)["intakes"]) == 1


def test_a_missing_file_is_named_and_the_others_are_brought_in(capsys, store, tmp_path):
    code, out, err = _run(capsys, "load", store, tmp_path / "none.csv", _hundred_bridges(tmp_path))
    assert code == 1
    assert "none.csv" in err
    assert "100 kept" in out


@pytest.mark.basis("derived", "two 2 x 2 m squares sharing 1 m2 cover 7 m2")
def test_overlapping_squares_count_once_from_file_to_ranking(capsys, store, tmp_path):
    (tmp_path / "bridges.csv").write_text("bridge id,deck length m,deck width m\nB1,40,10\n")
    (tmp_path / "defects.csv").write_text(
        'bridge id,survey date,kind,wkt\nB1,2026-05-01,delamination,"POLYGON((2 0, 4 0, 4 2, 2 2, 2 0))"\n'
        'B1,2026-05-01,delamination,"POLYGON((3 1, 5 1, 5 3, 3 3, 3 1))"\n'
    )
    assert _run(capsys, "load", store, tmp_path / "bridges.csv", tmp_path / "defects.csv")[0] == 0
    code, out, _ = _run(capsys, "rank", store, "--json", *TODAY)
    assert code == 0
    deck = json.loads(out)["decks"][0]
    assert deck["unsound_m2"] == pytest.approx(7.0, abs=1e-9)
    assert deck["delaminated_share"] == pytest.approx(7.0 / 400.0, abs=1e-12)


# ---- the open national inventory ----------------------------------------------------------------


@pytest.fixture(scope="module")
def national(open_records, tmp_path_factory):
    path = tmp_path_factory.mktemp("national") / "a.duckdb"
    assert main(["new", str(path)]) == 0
    file = open_records / "national" / "inventory-2020-AK.txt"
    return path, main(["load", str(path), str(file)])


def test_the_national_inventory_comes_in_whole(national, capsys):
    path, code = national
    with Store.open(path) as store:
        log = store.intakes().iloc[0]
        decks = store.current("deck")
    assert code == (1 if log["rows_refused"] else 0)
    assert log["rows_read"] == 1645
    assert log["rows_kept"] + log["rows_refused"] + log["rows_set_aside"] + log["rows_repeated"] == 1645
    assert len(decks) == 1645 - int(log["rows_refused"])
    assert decks["deck_kind"].isin(["concrete"]).sum() == 378  # 382 by item 107, of which 4 are culverts
    assert decks["deck_kind"].notna().all()


@pytest.mark.slow
def test_every_line_says_that_there_is_no_survey_yet(national, capsys):
    path, _ = national
    code, out, _ = _run(capsys, "rank", path, "--json", *TODAY)
    assert code == 0
    decks = json.loads(out)["decks"]
    assert len(decks) == 378
    assert len(json.loads(out)["apart"]) == 1645 - 378
    assert all("no survey yet" in d["reason"].lower() for d in decks)
    code, out, _ = _run(capsys, "programme", path, "--budget", "2000000", "--years", "5", "--json", *QUICK, *TODAY)
    assert code == 0
    made = json.loads(out)
    assert made["lines"]
    assert all("no survey yet" in line["based_on"].lower() for line in made["lines"])
    assert {line["deck_id"] for line in made["lines"]} | {w["deck_id"] for w in made["waiting"]} == {
        d["deck_id"] for d in decks
    }
    code, out, _ = _run(capsys, "rank", path, "--first", "0", *TODAY)
    assert " ".join(out.lower().split()).count("no survey yet") >= len(decks)


def test_the_national_map_is_one_file(national, capsys, tmp_path):
    path, _ = national
    page = tmp_path / "map.html"
    assert _run(capsys, "map", path, "-o", page, *TODAY)[0] == 0
    assert not re.search(
        r"""(?:src|href)\s*=\s*["']https?:|url\(\s*["']?https?:|@import""", page.read_text(encoding="utf-8")
    )


# ---- the demo -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo's folder, and beside it what the command said."""
    folder, said = tmp_path_factory.mktemp("demo") / "out", io.StringIO()
    with contextlib.redirect_stdout(said):
        assert main(["demo", str(folder), "--effort", "quick"]) == 0
    (folder.parent / "said.txt").write_text(said.getvalue(), encoding="utf-8")
    return folder


@pytest.mark.slow
def test_the_demo_writes_every_output(demo):
    assert {"network_map.html", "programme.xlsx", "programme.pdf", "network.gpkg"} <= {p.name for p in demo.iterdir()}
    assert not [p for p in demo.iterdir() if p.name.startswith(".part-")]


@pytest.mark.slow
def test_the_demo_ends_with_what_matters(demo):
    out = (demo.parent / "said.txt").read_text(encoding="utf-8")
    for words in ("Most in need", "Urgent", "jobs", "refused on purpose", "network_map.html"):
        assert words in out


@pytest.mark.slow
def test_rankings_add_up_and_no_programme_overspends(demo, capsys):
    store = demo / "demo.duckdb"
    decks = json.loads(_run(capsys, "rank", store, "--json", *TODAY)[1])["decks"]
    for d in decks:
        assert d["points_share"] + d["points_growth"] + d["points_traffic"] == pytest.approx(d["priority"], abs=1e-6)
    for budget in ("300000", "2000000,0,500000"):
        years = 3 if "," in budget else 5
        asked = ("--budget", budget, "--years", years, *QUICK, "--json", *TODAY)
        made = json.loads(_run(capsys, "programme", store, *asked)[1])
        lines = pd.DataFrame(made["lines"])
        for year in made["years"]:
            assert year["cost"] <= year["budget"] + 1e-6
            spent = lines.loc[lines["year"] == year["year"], "cost"].sum() if len(lines) else 0.0
            assert year["cost"] == pytest.approx(spent, abs=1e-6)
        assert 0 <= made["facts"]["gap"] < 1


@pytest.mark.slow
def test_a_report_agrees_with_the_commands(demo, capsys, tmp_path):
    store = demo / "demo.duckdb"
    out = tmp_path / "report"
    assert _run(capsys, "report", store, "--budget", "1500000", "--save-to", out, *QUICK, *TODAY)[0] == 0
    made = json.loads(_run(capsys, "programme", store, "--budget", "1500000", "--json", *QUICK, *TODAY)[1])
    layers = dict(pyogrio.list_layers(out / "network.gpkg"))
    assert {"decks", "outlines", "defects", "programme"} <= set(layers)
    programme = pyogrio.read_dataframe(out / "network.gpkg", layer="programme")
    assert programme["cost"].sum() == pytest.approx(made["facts"]["cost_total"], abs=0.01)
    decks = pyogrio.read_dataframe(out / "network.gpkg", layer="decks")
    ranked = json.loads(_run(capsys, "rank", store, "--json", *TODAY)[1])["decks"]
    assert len(decks) == len(ranked)


@pytest.mark.slow
def test_a_programme_can_be_kept(demo, capsys):
    store = demo / "demo.duckdb"
    args = ("programme", store, "--budget", "800000", "--years", "2", "--save", "spring", *QUICK, *TODAY)
    assert _run(capsys, *args)[0] == 0
    code, _, err = _run(capsys, *args)
    assert code == 1
    assert "kept already" in err


@pytest.mark.slow
def test_tables_fit_a_hundred_columns(demo, capsys):
    out = _run(capsys, "rank", demo / "demo.duckdb", *TODAY)[1]
    table = [line for line in out.splitlines() if line.strip()]
    assert max(len(line) for line in table if not line.startswith("  ")) <= 100

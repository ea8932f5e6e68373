"""Where the user's clock ends the search for a programme, every output says so, with the gap reached."""

from __future__ import annotations

import io
import json
import re
import warnings
from pathlib import Path

import openpyxl
import pypdf
import pytest

from decknet import flow
from decknet.cli import main
from decknet.clock import Clock
from decknet.commands import say
from decknet.flow import findings

ASKED = ["--budget", "400000", "--years", "3", "--effort", "quick", "--today", "2026-11-25"]
SAID = re.compile(
    r"The search was stopped by the clock after 20 s; gap reached (\d+\.\d\d) %; "
    r"another run may find another programme\."
)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A small invented district: 24 bridges on 4 routes."""
    folder = tmp_path_factory.mktemp("cut")
    bridges = ["bridge id,name,route,deck length m,deck width m,lanes,built year,aadt"]
    surveys = ["survey id,bridge id,survey date,method,covered share,delaminated m2"]
    for i in range(1, 25):
        length = 20 + 3 * i
        bridges.append(f"{i:04d},Invented {i},R {i % 4},{length},10,2,1975,{800 * i}")
        surveys.append(f"S{i},{i:04d},2026-0{1 + i % 8}-11,sounding,1,{length * 10 * (0.01 + 0.008 * i):.1f}")
    (folder / "bridges.csv").write_text("\n".join(bridges) + "\n", encoding="utf-8")
    (folder / "surveys.csv").write_text("\n".join(surveys) + "\n", encoding="utf-8")
    path = folder / "small.duckdb"
    assert main(["new", str(path)]) == 0
    assert main(["load", str(path), str(folder / "bridges.csv"), str(folder / "surveys.csv")]) == 0
    return path


@pytest.fixture
def over(monkeypatch: pytest.MonkeyPatch):
    """The time that a user gives is over when the search first looks."""

    def struck(self: Clock) -> bool:
        self.hit = self.seconds > 0
        return self.hit

    monkeypatch.setattr(Clock, "struck", struck)


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def run(capsys: pytest.CaptureFixture[str], *args: object) -> str:
    code = main([str(a) for a in args])
    out = capsys.readouterr()
    assert code == 0, out.err
    return flat(out.out)


def pdf(path: Path) -> str:
    return flat(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(path.read_bytes())).pages))


def gap_said(text: str) -> float:
    found = SAID.search(text)
    assert found is not None, text[-3_000:]
    return float(found[1])


def test_the_terminal_and_json_say_that_the_clock_struck(store, over, capsys):
    told = gap_said(run(capsys, "programme", store, *ASKED, "--seconds", "20"))
    made = json.loads(run(capsys, "programme", store, *ASKED, "--seconds", "20", "--json"))
    assert gap_said(flat(made["stopped"])) == told
    assert (made["facts"]["clock_hit"], made["facts"]["clock_s"]) == (1.0, 20.0)
    assert 100 * made["facts"]["gap"] <= told <= 100 * made["facts"]["gap"] + 0.01
    plainly = json.loads(run(capsys, "programme", store, *ASKED, "--json"))
    assert plainly["stopped"] is None
    assert (plainly["facts"]["clock_hit"], plainly["facts"]["clock_s"]) == (0.0, 0.0)


@pytest.mark.slow
def test_every_file_of_a_report_says_that_the_clock_struck(store, over, capsys, tmp_path, monkeypatch):
    monkeypatch.setattr(findings, "TIMES", (1.25,))
    out = run(capsys, "report", store, *ASKED, "--seconds", "20", "--save-to", tmp_path)
    told = gap_said(out)
    for name in ("index.html", "network_map.html"):
        assert gap_said(flat((tmp_path / name).read_text(encoding="utf-8"))) == told, name
    for name in ("summary.pdf", "programme.pdf"):
        assert gap_said(pdf(tmp_path / name)) == told, name
    warnings.simplefilter("ignore")  # what the reader says of features it passes over
    book = openpyxl.load_workbook(tmp_path / "programme.xlsx", read_only=True)
    notes = " ".join(str(c.value) for row in book["Notes"].iter_rows() for c in row if c.value is not None)
    assert gap_said(flat(notes)) == told
    page = tmp_path / "alone.html"
    assert gap_said(run(capsys, "map", store, "-o", page, *ASKED, "--seconds", "20")) == told
    assert gap_said(flat(page.read_text(encoding="utf-8"))) == told


def test_a_deck_page_and_whatever_prints_a_programme_say_so_too(store, over, capsys, tmp_path):
    gap_said(run(capsys, "deckpage", store, "0020", "-o", tmp_path / "d.pdf", *ASKED, "--seconds", "20"))
    made = type("Made", (), {"facts": {"clock_hit": 1.0, "clock_s": 20.0, "gap": 0.012345}})
    say.stopped(made)
    assert gap_said(flat(capsys.readouterr().out)) == 1.24


def test_a_lost_part_of_the_search_is_said_as_well():
    words = flow.cut_short_words({"part_lost": 1.0, "clock_hit": 0.0, "gap": 0.02})
    assert flat(words).startswith("A part of the search was lost")
    assert "gap reached 2.00 %" in flat(words)
    assert flow.cut_short_words({"gap": 0.02}) == ""


@pytest.mark.parametrize("given", [["--effort", "utmost"], ["--seconds", "0"], ["--seconds", "soon"]])
def test_an_effort_or_a_clock_that_makes_no_sense_is_misuse(store, capsys, given):
    code = main(["programme", str(store), "--budget", "400000", *given])
    assert code == 2
    assert given[0] in capsys.readouterr().err


def test_the_effort_of_a_settings_file_is_read_and_a_wrong_one_refused_with_its_line(store, capsys, tmp_path):
    path = tmp_path / "s.toml"
    path.write_text('[programme]\nhorizon_yr = 20\neffort = "hasty"\n', encoding="utf-8")
    code = main(["programme", str(store), "--budget", "400000", "--settings", str(path)])
    assert code == 1
    err = flat(capsys.readouterr().err)
    assert "line 3, programme.effort: 'hasty'" in err
    assert "quick, normal, long" in err

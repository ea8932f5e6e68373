"""A report: all files or none, the same again, and what has changed."""

from __future__ import annotations

import hashlib
import io
import json
import re
import sys
import warnings
from pathlib import Path

import openpyxl
import pyogrio
import pypdf
import pytest

from decknet import digits
from decknet.cli import main
from decknet.commands.progress import REPORT, progress
from decknet.errors import DecknetError
from decknet.flow import changes, findings
from decknet.flow import report as report_door
from decknet.flow.report import FILES

TODAY = ["--today", "2026-11-25"]


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    """Settings under which the search stops early."""
    path = tmp_path_factory.mktemp("settings") / "quick.toml"
    path.write_text('[programme]\neffort = "quick"\n', encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def written(demo_store, quick, tmp_path_factory):
    """A report of the demo district, with one other sum of money tried."""
    folder = tmp_path_factory.mktemp("report") / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(findings, "TIMES", (1.25,))
        assert _report(demo_store, quick, folder) == 0
        yield folder


def _report(store, quick, folder, budget="1500000", *more):
    return main(
        [
            "report",
            str(store),
            "--budget",
            budget,
            "--years",
            "3",
            "--save-to",
            str(folder),
            "--settings",
            str(quick),
            *TODAY,
            *more,
        ]
    )


def _digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


def _flat(path: Path) -> str:
    reader = pypdf.PdfReader(io.BytesIO(path.read_bytes()))
    return re.sub(r"\s+", " ", " ".join(p.extract_text() for p in reader.pages))


@pytest.mark.slow
def test_every_file_named_on_the_page_is_there_and_no_other(written):
    page = (written / "index.html").read_text(encoding="utf-8")
    linked = set(re.findall(r'href="([^"]+)"', page))
    assert linked == {name for name, _ in FILES.values()}
    assert {p.name for p in written.iterdir()} == linked | {"index.html"}


@pytest.mark.slow
def test_all_outputs_hold_the_same_totals(written):
    figures = json.loads((written / "figures.json").read_text(encoding="utf-8"))
    plan = figures["programme"]
    spaced = {
        n: (digits.money if n == "cost_total" else digits.area)(plan[n])
        for n in ("cost_total", "unsound_end_m2", "unsound_end_nothing_m2")
    }
    now = digits.area(figures["unsound_now_m2"])
    page = re.sub(r"\s+", " ", (written / "index.html").read_text(encoding="utf-8"))
    for text in (_flat(written / "summary.pdf"), _flat(written / "programme.pdf"), page):
        for total in (now, *spaced.values()):
            assert total in text
        assert f"{plan['works']} works" in text
    lines = pyogrio.read_dataframe(written / "network.gpkg", layer="programme", read_geometry=False)
    assert lines["cost"].sum() == pytest.approx(plan["cost_total"], abs=0.01)
    assert sorted(lines["deck_id"]) == sorted(line["deck"] for line in figures["lines"])
    warnings.simplefilter("ignore")  # what the reader says of features it passes over
    book = openpyxl.load_workbook(written / "programme.xlsx", data_only=True, read_only=True)
    sheet = book["Programme"]
    rows = [[c.value for c in row] for row in sheet.iter_rows()]
    head = next(i for i, row in enumerate(rows) if row and "Deck" in {str(v) for v in row if v is not None})
    at = next(k for k, v in enumerate(rows[head]) if v is not None and str(v).startswith("Cost"))
    assert sum(row[at] for row in rows[head + 1 :] if isinstance(row[at], int | float)) == pytest.approx(
        plan["cost_total"], abs=0.01
    )


@pytest.mark.slow
def test_deck_pages_hold_every_deck_that_is_urgent_or_planned(written):
    figures = json.loads((written / "figures.json").read_text(encoding="utf-8"))
    wanted = {*figures["act_now"], *(line["deck"] for line in figures["lines"])}
    marks = pypdf.PdfReader(io.BytesIO((written / "deck_pages.pdf").read_bytes())).outline
    assert {m.title.split()[0] for m in marks if not isinstance(m, list)} == wanted


@pytest.mark.slow
def test_the_same_again_has_the_same_bytes(demo_store, quick, written, capsys):
    before = _digests(written)
    assert _report(demo_store, quick, written) == 0
    assert "Every file is as it was" in capsys.readouterr().out
    assert _digests(written) == before


@pytest.mark.slow
def test_another_budget_says_what_has_changed_and_leaves_other_files_alone(
    demo_store, quick, written, tmp_path, capsys
):
    for path in written.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "own notes.txt").write_text("mine", encoding="utf-8")
    assert _report(demo_store, quick, tmp_path, "900000") == 0
    out = capsys.readouterr().out
    assert "Since the run with figures of 2026-11-25:" in out
    assert "Money given: 4.50 million before, 2.70 million now (USD)." in out
    assert "Files that differ: " in out
    assert (tmp_path / "own notes.txt").read_text(encoding="utf-8") == "mine"
    told = json.loads((tmp_path / "figures.json").read_text(encoding="utf-8"))["changes"]["told"]
    assert any("4" in line and "before" in line for line in told)


# ---- whole or not at all --------------------------------------------------------------------------


def _move(made, folder, gone=()):
    report_module()._move_whole(made, folder, list(gone))


def report_module():
    return sys.modules[report_door.__module__]


def test_files_are_moved_whole(tmp_path):
    _move({"a.txt": b"new", "b.txt": b"new"}, tmp_path / "out")
    assert _digests(tmp_path / "out").keys() == {"a.txt", "b.txt"}


def test_where_one_file_cannot_be_moved_all_stay_as_they_were(tmp_path):
    (tmp_path / "a.txt").write_bytes(b"old")
    (tmp_path / "b.txt").mkdir()
    (tmp_path / "b.txt" / "kept").write_bytes(b"x")
    real = Path.replace

    def replace(self, target):
        if self.name == "c.txt" and self.parent.name == "new":
            raise PermissionError(13, "Permission denied", str(target))
        return real(self, target)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "replace", replace)
        with pytest.raises(DecknetError, match=r"the report cannot be written .*The earlier report stands"):
            _move({"a.txt": b"new", "b.txt": b"new", "c.txt": b"new"}, tmp_path)
    assert (tmp_path / "a.txt").read_bytes() == b"old"
    assert (tmp_path / "b.txt" / "kept").read_bytes() == b"x"
    assert {p.name for p in tmp_path.iterdir()} == {"a.txt", "b.txt"}


def test_what_a_cut_off_run_left_behind_is_cleared(tmp_path):
    (tmp_path / ".part-report-xyz").mkdir()
    _move({"a.txt": b"new"}, tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {"a.txt"}


def test_a_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_bytes(b"x")
    with pytest.raises(DecknetError, match="choose another folder with --save-to"):
        _move({"a.txt": b"new"}, tmp_path / "file" / "out")


def test_a_stale_file_goes_only_if_nobody_changed_it(tmp_path):
    mine, own = tmp_path / "deck_pages.pdf", tmp_path / "summary.pdf"
    mine.write_bytes(b"made by us")
    own.write_bytes(b"written on since")
    old = {"files": {"deck_pages.pdf": hashlib.sha256(b"made by us").hexdigest(), "summary.pdf": "0" * 64}}
    assert report_module()._gone(old, {}, tmp_path) == ["deck_pages.pdf"]


# ---- what has changed -----------------------------------------------------------------------------

RUN = {
    "form": 1, "day": "2026-11-25", "currency": "XTS", "decks": 3, "surveys": 9, "unsound_now_m2": 100.0,
    "act_now": ["1"], "foremost": ["1", "2"], "programme": {"works": 2, "cost_total": 1000.0},
    "lines": [
        {"deck": "1", "year": 2027, "treatment": "patch", "cost": 400.0},
        {"deck": "2", "year": 2028, "treatment": "patch", "cost": 600.0},
    ],
    "files": {"a": "1"},
}  # fmt: skip


def test_changes_name_decks_that_came_went_moved_and_changed():
    new = {
        **RUN, "day": "2027-01-10", "surveys": 10, "unsound_now_m2": 130.0, "act_now": ["3"], "foremost": ["2", "1"],
        "programme": {"works": 2, "cost_total": 1500.0}, "files": {"a": "2", "b": "1"},
        "lines": [
            {"deck": "2", "year": 2027, "treatment": "new deck", "cost": 1100.0},
            {"deck": "3", "year": 2027, "treatment": "patch", "cost": 400.0},
        ],
    }  # fmt: skip
    found = changes.whats_new({**RUN, "changes": {}}, new)
    assert found["since"] == "2026-11-25"
    assert found["files"] == ["a", "b"]
    assert found["told"] == [
        "1 survey more on record (10 now).",
        "Newly to act on now: 3.",
        "No longer on the act-now list: 1. That does not call them safe.",
        "Newly in the programme: 3 (patch in 2027).",
        "No longer in the programme: 1.",
        "Moved to another year: 2 from 2028 to 2027.",
        "Another treatment: 2 now new deck, was patch.",
        "Expected unsound today: 100 before, 130 now (m²).",
        "Cost of the programme: 1,000 before, 1,500 now (XTS).",
        "The first 10 by rank are the same decks in another order.",
    ]


def test_a_run_that_changes_nothing_keeps_what_was_told():
    before = {"since": "2026-01-01", "told": ["Something."], "files": ["a"]}
    assert changes.whats_new({**RUN, "changes": before}, RUN) == before


@pytest.mark.parametrize("text", ["", "[]", '{"form": 99}', "{", '{"form": 1}'])
def test_figures_that_cannot_be_read_are_as_none(tmp_path, text):
    (tmp_path / "figures.json").write_text(text, encoding="utf-8")
    assert changes.read_figures(tmp_path) is None


# ---- progress -------------------------------------------------------------------------------------


def test_progress_is_silent_off_a_terminal(capsys):
    with progress(REPORT) as step:
        step("Reading the records")
    assert capsys.readouterr() == ("", "")


class _Terminal(io.StringIO):
    def isatty(self):
        return True


def test_progress_tells_of_steps_on_a_terminal_and_not_with_json(monkeypatch):
    for quiet in (False, True):
        screen = _Terminal()
        monkeypatch.setattr(sys, "stdout", _Terminal())
        monkeypatch.setattr(sys, "stderr", screen)
        monkeypatch.setenv("TERM", "xterm")
        with progress({"One": 1.0, "Two": 1.0}, quiet=quiet) as step:
            step("One")
            step("Two")
        assert ("Two" in screen.getvalue()) is not quiet


def test_every_step_of_a_report_has_its_weight():
    assert {f"Writing the {what}" for what in FILES if what != "figures"} <= set(REPORT)
    assert set(findings.STEPS) <= set(REPORT)


# ---- the page of a deck ---------------------------------------------------------------------------


@pytest.mark.slow
def test_a_deck_page_is_written_for_a_deck_of_the_store(demo_store, tmp_path, capsys):
    page = tmp_path / "deck.pdf"
    assert main(["deckpage", str(demo_store), "01005", "-o", str(page), *TODAY]) == 0
    assert f"{page}: 1 deck." in capsys.readouterr().out
    text = _flat(page)
    assert "01005 Trengivale Underpass" in text
    assert "No programme was given or is kept" in text
    assert "Limits and quantities" in text


def test_a_deck_that_is_not_there_is_refused(demo_store, tmp_path, capsys):
    page = tmp_path / "deck.pdf"
    assert main(["deckpage", str(demo_store), "nowhere", "-o", str(page), *TODAY]) == 1
    assert "deck 'nowhere' is not in the store" in capsys.readouterr().err
    assert not page.exists()


def test_a_programme_that_is_not_kept_is_refused(demo_store, tmp_path, capsys):
    args = ["deckpage", str(demo_store), "01005", "--programme", "draft", "-o", str(tmp_path / "deck.pdf"), *TODAY]
    assert main(args) == 1
    assert "programme 'draft': none of that name is kept" in capsys.readouterr().err

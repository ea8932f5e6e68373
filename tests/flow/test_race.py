"""Records that come in while a report is being made: every report is of one moment, and all its files agree."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyogrio
import pypdf
import pytest
from python_calamine import CalamineWorkbook

from decknet.cli import main
from tests.flow.conftest import DAY, HEAD

ROUNDS = 5  # or as many as --tries says
_LOAD = """
import sys, time
from datetime import datetime
from pathlib import Path
from decknet import flow
from decknet.errors import StoreBusyError

store, file, wait_s = Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
time.sleep(wait_s)
while True:
    try:
        done = list(flow.load(store, [file], now=datetime.now(), who="race"))
        break
    except StoreBusyError:
        time.sleep(0.01)
print(done[0].intake.new, flush=True)
"""


def _surveys_said(folder: Path) -> dict[str, int]:
    """How many surveys each file of a report rests on."""
    figures = json.loads((folder / "figures.json").read_text(encoding="utf-8"))
    book = CalamineWorkbook.from_path(folder / "programme.xlsx")
    rows = book.get_sheet_by_name("Surveys").to_python()
    head = next(i for i, row in enumerate(rows) if "Deck" in row)
    decks = pyogrio.read_dataframe(folder / "network.gpkg", layer="decks", read_geometry=False)
    status = book.get_sheet_by_name("Status").to_python()
    top = next(i for i, row in enumerate(status) if "Deck" in row)
    column = next(k for k, name in enumerate(status[top]) if str(name).startswith("Surveys"))
    return {
        "figures": figures["surveys"],
        "sheet of surveys": sum(1 for row in rows[head + 1 :] if row[rows[head].index("Deck")]),
        "sheet of decks": sum(int(row[column]) for row in status[top + 1 :] if isinstance(row[column], (int, float))),
        "GIS file": int(decks["surveys"].sum()),
    }


def _unsound_said(folder: Path) -> set[str]:
    """The unsound area of today, as every paper and page prints it."""
    out = set()
    for name in ("summary.pdf", "programme.pdf", "index.html"):
        if name.endswith(".pdf"):
            reader = pypdf.PdfReader(io.BytesIO((folder / name).read_bytes()))
            text = " ".join(page.extract_text() for page in reader.pages)
        else:
            text = (folder / name).read_text(encoding="utf-8")
        text = re.sub(r"\s+", " ", text.replace("\u200b", ""))
        out.add(re.search(r"State: (.*?) of deck is expected", text).group(1))
    return out


@pytest.mark.slow
def test_a_load_during_a_report_never_makes_its_files_disagree(store, tmp_path, answer, capsys, tries):
    rounds = tries or ROUNDS
    rng = np.random.default_rng(7)
    decks = [d["deck_id"] for d in answer("rank", store, "--today", DAY)["decks"]]
    money = ["--budget", "300000", "--years", "2", "--today", DAY]
    seen, took = [], 3.0
    for turn in range(rounds):
        file = tmp_path / f"late{turn}.csv"
        file.write_text(HEAD + f"L{turn},{decks[turn % len(decks)]},{DAY},sounding,{5 + turn}\n", encoding="utf-8")
        wait = float(rng.uniform(0.0, took))
        args = [sys.executable, "-c", _LOAD, str(store), str(file), str(wait)]
        with subprocess.Popen(args, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
            assert child.stdout.readline() == "ready\n"
            child.stdin.write("go\n")
            child.stdin.flush()
            begun = time.monotonic()
            folder = tmp_path / f"out{turn}"
            while main(["report", str(store), *money, "--save-to", str(folder)]) != 0:
                assert "in use" in capsys.readouterr().err  # the load came first
            took = time.monotonic() - begun
            assert child.wait(timeout=60) == 0
        said = _surveys_said(folder)
        assert len(set(said.values())) == 1, said
        assert len(_unsound_said(folder)) == 1
        seen.append(said["figures"])
    assert len(set(seen)) > rounds / 2  # the loads did come in
    late = sum(1 for turn, count in enumerate(seen) if count == seen[0] + turn)
    print(f"{rounds} reports beside a load: every one of one moment; {late} like the first, before or after it")  # noqa: T201

"""A small invented district with counts, drawn surveys and repairs, quick to search."""

from __future__ import annotations

import json
from datetime import datetime

import pytest

from decknet import flow
from decknet.bench.district import _write_files
from decknet.cli import main
from decknet.demo import make_records
from decknet.demo.records import TODAY

DAY = TODAY.isoformat()
HEAD = "survey id,deck id,survey date,method,unsound m2\n"


@pytest.fixture(scope="session")
def files(tmp_path_factory):
    """Files of 24 decks with eight years of records, a third of the last surveys drawn."""
    folder = tmp_path_factory.mktemp("district")
    return _write_files(make_records(24, 8, 5, drawn=0.6), folder)


@pytest.fixture(scope="session")
def district(files, tmp_path_factory):
    """Their store; read it, or copy it before writing."""
    path = tmp_path_factory.mktemp("stores") / "district.duckdb"
    now = datetime.combine(TODAY, datetime.min.time())
    flow.create(path, title="Small district", currency="USD", now=now)
    for loaded in flow.load(path, files, now=now, who="test"):
        assert loaded.reading is not None, loaded.error
    return path


@pytest.fixture
def store(district, tmp_path):
    """A copy to write into."""
    path = tmp_path / "district.duckdb"
    path.write_bytes(district.read_bytes())
    beside = district.with_name(district.name + ".wal")
    if beside.exists():
        path.with_name(path.name + ".wal").write_bytes(beside.read_bytes())
    return path


@pytest.fixture
def run(capsys):
    """Run a command and give its code, output and messages."""

    def command(*args):
        code = main([str(a) for a in args])
        out = capsys.readouterr()
        return code, out.out, out.err

    return command


@pytest.fixture
def answer(run):
    """Run a command with --json and give what it says."""

    def command(*args):
        code, out, err = run(*args, "--json")
        assert code == 0, err
        return json.loads(out)

    return command

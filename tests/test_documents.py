"""README.md says what is true."""

from __future__ import annotations

import re
from pathlib import Path

from decknet.columns import reference
from decknet.ingest import codes

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_column_reference_is_that_of_the_code():
    assert reference() in README


def test_the_table_of_rules_is_that_of_the_code():
    assert codes.reference() in README


def test_both_commands_stand_on_one_line_each():
    assert re.search(r"^python3 -m venv \.venv && .*decknet demo$", README, re.M)
    assert re.search(r"^python3 -m venv \.venv && .*pytest$", README, re.M)


def test_every_picture_is_there():
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / picture).is_file()


def test_ci_runs_the_readmes_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in script
    assert "pytest" in script

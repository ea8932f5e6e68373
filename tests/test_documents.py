"""README.md says what is true."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests import readme

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("what", ["columns", "questions", "rules", "settings", "views"])
def test_every_table_made_from_the_code_is_that_of_the_code(what):
    assert f"<!-- made: {what} -->\n{readme.tables()[what]}<!-- end -->" in README


@pytest.mark.slow
def test_the_commands_of_the_tutorial_print_what_the_readme_says(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    readme.in_demo_folder(tmp_path)
    blocks = list(readme.commands(README))
    assert sum(len(ones) for _, ones in blocks) >= 10
    for block, ones in blocks:
        for one in ones:
            printed = readme.run(one)
            shown = block["body"].split(f"$ {one}\n", 1)[1].split("\n$ decknet", 1)[0]
            said = {line for line in shown.rstrip().splitlines() if not re.search(r"\d\d:\d\d", line)}  # no clock times
            missing = said - set(printed.splitlines()) - {"…", ""}
            assert not missing, one


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

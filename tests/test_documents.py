"""README.md and the handbook say what is true."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from decknet.show import handbook
from decknet.show.handbook import PAGES
from tests import readme
from tests.browser import Browser

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
TEXTS = {path.name: path.read_text(encoding="utf-8") for path in readme.DOCUMENTS}
LONGEST = 12_000  # bytes of README.md: what it is, how to start, where to read on


@pytest.mark.parametrize("what", ["columns", "questions", "rules", "settings", "views"])
def test_every_table_made_from_the_code_is_that_of_the_code(what):
    made = f"<!-- made: {what} -->\n{readme.tables()[what]}<!-- end -->"
    assert sum(made in text for text in TEXTS.values()) == 1


@pytest.mark.slow
def test_the_commands_of_the_documents_print_what_the_documents_say():
    printed = readme.printed_in_turn(TEXTS.values())
    assert len(printed) >= 10
    for name, text in TEXTS.items():
        for block, ones in readme.commands(text):
            for one in ones:
                shown = block["body"].split(f"$ {one}\n", 1)[1].split("\n$ decknet", 1)[0]
                said = {line for line in shown.rstrip().splitlines() if not re.search(r"\d\d:\d\d", line)}  # no clock
                missing = said - set(printed[one].splitlines()) - {"…", ""}
                assert not missing, (name, one)


def test_readme_is_short_and_shows_a_year():
    assert len(README.encode()) <= LONGEST
    assert sum(len(ones) for _, ones in readme.commands(README)) >= 10


@pytest.mark.parametrize("name", TEXTS)
def test_every_link_leads_somewhere(name):
    folder = ROOT if name == "README.md" else readme.HANDBOOK
    for link in re.findall(r"\]\(([^)#:]+)\)", TEXTS[name]):
        assert (folder / link).is_file(), link


def test_the_handbook_page_has_every_page():
    assert {f"{name}.md" for name in PAGES} == {path.name for path in readme.HANDBOOK.glob("*.md")}
    page = handbook()
    assert all(f'<h1 id="{name}">' in page for name in PAGES)
    assert "<!-- run" not in page
    assert "http" not in re.sub(r"<code>.*?</code>", "", page, flags=re.S)
    for anchor in re.findall(r'href="#([^"]+)"', page):
        assert f'id="{anchor}"' in page, anchor


@pytest.mark.slow
def test_the_handbook_opens_and_is_searched(tmp_path):
    path = tmp_path / "handbook.html"
    path.write_text(handbook(), encoding="utf-8")
    with Browser() as browser:
        browser.open(path)
        every = browser.evaluate("document.querySelectorAll('.part').length")
        browser.evaluate(
            "document.getElementById('words').value = 'rank.weight_traffic';"
            "document.getElementById('words').dispatchEvent(new Event('input'))"
        )
        assert browser.evaluate("document.querySelectorAll('.part:not([hidden])').length") == 1
        assert browser.evaluate("document.getElementById('found').textContent") == f"1 of {every} sections"
        assert browser.evaluate("[...document.querySelectorAll('tbody tr')].filter(r => r.offsetParent).length") == 1


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

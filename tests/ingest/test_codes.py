"""Every code used stands in the table, and every code of the table is used."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from decknet.ingest.codes import CODES

ROOM = Path(__file__).parents[2] / "decknet" / "ingest"
SOURCE = {p.name: p.read_text(encoding="utf-8") for p in sorted(ROOM.glob("*.py")) if p.name != "codes.py"}
USED = {c for text in SOURCE.values() for c in re.findall(r'"([RFSC]-[A-Z][A-Z0-9-]+)"', text)}
MADE = {"R-UNKNOWN-BRIDGE", "R-UNKNOWN-DECK"}  # written with the kind filled in
# Faults of a figure that stands beside a bridge are turned from refused to flagged.
TURNED = {"F-NUMBER", "F-INEXACT", "F-WHOLE", "F-RANGE", "F-UNIT", "F-DATE"}


def test_every_code_used_is_in_the_table():
    assert USED - set(CODES) == set()


def test_every_code_in_the_table_is_used():
    assert set(CODES) - USED - MADE - TURNED - {"C-OPEN"} == set()


@pytest.mark.parametrize("code", list(CODES))
def test_a_code_has_one_plain_sentence(code):
    sentence = CODES[code].sentence
    assert sentence.endswith(".")
    assert sentence.count(". ") == 0
    assert CODES[code].severity in {"refuse", "flag", "set aside", "repeat"}

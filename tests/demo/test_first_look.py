"""The worked notebook runs as it stands."""

from __future__ import annotations

import runpy
import sys

import pytest

from decknet.demo import TODAY


@pytest.mark.slow
def test_the_first_look_runs_and_keeps_its_map(demo_store, tmp_path, monkeypatch, capsys):
    page = tmp_path / "map.html"
    monkeypatch.setattr(sys, "argv", ["first_look", str(demo_store), str(page)])
    told = runpy.run_module("decknet.demo.first_look", run_name="__main__")
    out = capsys.readouterr().out
    assert told["store"].today == TODAY
    assert page.read_text(encoding="utf-8") == told["page"].text
    assert f"{told['unsound_m2']:,.0f} m²" in out
    assert len(told["programme"].years) == 3

"""From a troubled file to the map as a reader sees it: names, long remarks, and bridges astride the 180th meridian."""

from __future__ import annotations

import pytest

from tests.browser import Browser
from tests.quick import first
from tests.test_troubled_files import District

NAMES = [
    "=2+2",
    "@SUM(1,1)",
    "-3+4 spans",
    "<script>document.title='x'</script>",
    'Ann`s "New" Ford\\',
    "O'Neil & Co <West>",
]
HEAD = "bridge id,name,lon,lat,deck length m,deck width m,built year,AADT\n"


@pytest.fixture
def own(tmp_path, capsys):
    return District(tmp_path, capsys)


def drawn(own, name="m.html"):
    path = own.folder / name
    assert own.run("map", own.path, "-o", path) == 0
    return path


@pytest.mark.slow
def test_names_stay_letters_and_a_long_remark_costs_the_map_little(own):
    rows = "".join(
        f'M{i},"{n.replace(chr(34), chr(34) * 2)}",7.{i + 1},50.1,20,10,1970,1000\n' for i, n in enumerate(NAMES)
    )
    assert own.load("bridges.csv", HEAD + rows) == 0
    survey = 'bridge id,survey date,delaminated m2,remark\nM0,2022-03-01,2.5,"{}"\n'
    assert own.load("surveys.csv", survey.format("dry")) == 0
    short = drawn(own).stat().st_size
    assert own.load("surveys.csv", survey.format("Span hollow at the joint; " * 1_600)) == 0
    assert own["survey"]["remarks"].str.len().tolist() == [1_600 * 26 - 1]
    path = drawn(own)
    assert path.stat().st_size - short < 8_000
    with Browser() as browser:
        browser.open(path)
        assert browser.evaluate("document.title") != "x"
        assert browser.errors == []
        assert all(a.startswith(("file:", "data:", "blob:")) for a in browser.asked)
        assert sorted(browser.evaluate("decknet.marks()")) == [f"M{i}" for i in range(6)]
        for i, name in enumerate(NAMES):
            browser.evaluate(f"location.hash = '#deck=M{i}'")
            browser.settle()
            assert name in browser.evaluate("document.querySelector('#card').textContent")
        assert browser.evaluate("document.title") != "x"


@pytest.mark.slow
def test_bridges_a_few_hundred_metres_apart_across_the_meridian_open_in_one_view(own):
    rows = "E1,Spit,179.9990,-16.5,24,8,1987,900\nE2,Bar,-179.9985,-16.5004,24,8,1987,900\n"
    assert own.load("bridges.csv", HEAD + rows) == 0
    with Browser() as browser:
        browser.open(drawn(own))
        assert sorted(browser.evaluate("decknet.marks()")) == ["E1", "E2"]
        west, east = browser.evaluate("(b => [b.getWest(), b.getEast()])(decknet.map.getBounds())")
        assert (east - west) * 106_700 < 2_000


@pytest.mark.parametrize("form", first(1, ["csv", "geopackage", "national", "successor"]))
def test_a_count_without_its_year_leaves_and_comes_back_without_one(own, form, tmp_path, capsys):
    head = "bridge id,name,lon,lat,deck length m,deck width m,built year\n"
    assert own.load("bridges.csv", head + "E1,Spit,-100.5,40.5,24,8,1987\nE2,Bar,-100.6,40.5,24,8,1987\n") == 0
    assert own.load("traffic.csv", "bridge id,count year,AADT\nE1,,900\nE2,2021,800\n") == 0
    name = {"csv": "out", "geopackage": "out.gpkg", "national": "out-2024.txt", "successor": "out-2024.json"}[form]
    assert own.run("export", own.path, "--as", form, "-o", tmp_path / name) == 0
    folder = tmp_path / "again"
    folder.mkdir()
    other = District(folder, capsys)
    assert other.run("load", other.path, tmp_path / name) in (0, 1)
    columns = ["bridge_id", "year", "aadt"]
    assert other["traffic"][columns].equals(own["traffic"][columns])

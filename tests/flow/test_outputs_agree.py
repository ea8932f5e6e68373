"""AADT, share, rank, works, totals and backlog are the same in every output: read back and held together.

Outputs read back: JSON, CSV, terminal, map, three PDFs, workbook, GIS file, crew sheets, index, figures, Python.
"""

from __future__ import annotations

import io
import json
import re
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pypdf
import pytest
from python_calamine import CalamineWorkbook

import decknet
from decknet import flow
from decknet.flow.works import sites_of
from decknet.settings import Settings
from decknet.show import words
from tests.flow.conftest import DAY
from tests.show.test_map import Read

MONEY = ("--budget", "1500000", "--years", "3", "--today", DAY)


def text_of(path: Path) -> str:
    reader = pypdf.PdfReader(io.BytesIO(path.read_bytes()))
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages).replace("\u200b", ""))


def sheet(path: Path, name: str) -> pd.DataFrame:
    """A sheet of the workbook, its header being the first row that names the deck or the year."""
    rows = CalamineWorkbook.from_path(path).get_sheet_by_name(name).to_python()
    head = next(i for i, row in enumerate(rows) if {"Deck", "Year"} & set(map(str, row)))
    frame = pd.DataFrame(rows[head + 1 :], columns=[str(c) for c in rows[head]])
    return frame[frame.iloc[:, 0] != ""].reset_index(drop=True)


def column(frame: pd.DataFrame, begins: str) -> pd.Series:
    name = next(c for c in frame.columns if c.startswith(begins))
    return frame[name]


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """A function that asks every door about a store and gives all that they say."""

    def ask(store: Path, capsys: pytest.CaptureFixture[str], *money: str) -> dict[str, Any]:
        from decknet.cli import main

        folder = tmp_path_factory.mktemp("report")

        def run(*args: object) -> str:
            code = main([str(a) for a in args])
            out = capsys.readouterr()
            assert code == 0, out.err
            return out.out

        day = money[money.index("--today") :]
        found: dict[str, Any] = {
            "rank": json.loads(run("rank", store, *day, "--json")),
            "made": json.loads(run("programme", store, *money, "--json")),
            "printed": re.sub(r"\s+", " ", run("programme", store, *money)),
        }
        run("report", store, *money, "--save-to", folder)
        found["folder"] = folder
        return found

    return ask


def hold_together(found: dict[str, Any], store: Path, today: date, budget: float, years: int) -> None:
    folder, made = found["folder"], found["made"]
    ranked = pd.DataFrame(found["rank"]["decks"]).set_index("deck_id")
    lines = pd.DataFrame(made["lines"])
    figures = json.loads((folder / "figures.json").read_text(encoding="utf-8"))
    named = ["aadt", "share_now", "rank"]

    def same(what: str, other: pd.DataFrame, digits: dict[str, float]) -> None:
        assert set(other.index) == set(ranked.index), what
        for name in named:
            a = ranked[name].to_numpy(dtype=float)
            b = pd.to_numeric(other[name].reindex(ranked.index)).to_numpy(dtype=float)
            assert (np.isnan(a) == np.isnan(b)).all(), (what, name)
            assert np.nanmax(np.abs(a - b), initial=0.0) <= digits.get(name, 0.0) + 1e-8, (what, name)

    # every deck
    page = Read((folder / "network_map.html").read_text(encoding="utf-8"))
    on_map = pd.DataFrame({name: page.numbers(name) for name in named}, index=page.texts("deck_id"))
    same("map", on_map, {"aadt": 1.0, "share_now": 1e-5})
    status = sheet(folder / "programme.xlsx", "Status").set_index("Deck")
    in_book = pd.DataFrame(
        {
            "aadt": column(status, "Traffic"),
            "share_now": column(status, "Expected unsound share today"),
            "rank": column(status, "Rank"),
        }
    ).replace("", np.nan)
    same("workbook", in_book, {})
    layer = pyogrio.read_dataframe(folder / "network.gpkg", layer="decks", read_geometry=False).set_index("deck_id")
    same("GIS file", layer, {})
    with decknet.open(store, today=today) as opened:
        same("Python", opened.rank().set_index("deck_id"), {})
        study = opened.programme(budget, years=years)
        drawn = set(opened.condition.limits["deck_id"])

    # every work
    keys = set(zip(lines["deck_id"], lines["year"], lines["treatment"], lines["cost"], strict=True))

    def works(frame: pd.DataFrame) -> set[tuple[Any, ...]]:
        return set(zip(frame["deck_id"], frame["year"].astype(int), frame["treatment"], frame["cost"], strict=True))

    assert works(study.lines) == keys
    assert {(x["deck"], x["year"], x["treatment"], x["cost"]) for x in figures["lines"]} == keys
    of_gis = pyogrio.read_dataframe(folder / "network.gpkg", layer="programme", read_geometry=False)
    assert works(of_gis) == keys
    plain = {(deck, year, cost) for deck, year, _, cost in keys}
    book = sheet(folder / "programme.xlsx", "Programme")
    book = book[pd.to_numeric(column(book, "Year"), errors="coerce").notna()]
    assert set(zip(book["Deck"], column(book, "Year").astype(int), column(book, "Cost"), strict=True)) == plain
    decks = page.texts("deck_id")
    on_page = zip(
        page.numbers("line.deck").astype(int), page.numbers("line.year"), page.numbers("line.cost"), strict=True
    )
    assert {(decks[int(d)], int(y), c) for d, y, c in on_page} == {(d, y, round(c)) for d, y, c in plain}

    # sums
    facts = made["facts"]
    assert study.facts["cost_total"] == facts["cost_total"] == figures["programme"]["cost_total"]
    for name in ("value", "unsound_end_m2", "past_share", "user_cost_total"):
        assert figures["programme"][name] == pytest.approx(facts[name], abs=1e-5), name
    ways = {w["way"]: w for w in made["yardsticks"]}
    backlog = words.figure(ways["programme"]["backlog"], "money")
    cost = words.figure(facts["cost_total"], "money")
    left = words.figure(facts["unsound_end_m2"], "m2")
    for name in ("summary.pdf", "programme.pdf"):
        text = text_of(folder / name)
        for said in (backlog, cost, left):
            assert re.sub(r"\s+", " ", said) in text, (name, said)
    index = re.sub(r"\s+", " ", (folder / "index.html").read_text(encoding="utf-8"))
    for said in (backlog, cost, left):
        assert re.sub(r"\s+", " ", said) in index, said
    for said in (backlog, cost, left):
        assert re.sub(r"[\s,]", "", said) in re.sub(r"[\s,]", "", found["printed"]), said
    found["drawn"] = drawn


@pytest.mark.slow
def test_every_output_of_the_demo_says_the_same(demo_store, told, capsys, tmp_path):
    from decknet.cli import main

    found = told(demo_store, capsys, *MONEY)
    hold_together(found, demo_store, date.fromisoformat(DAY), 1_500_000, 3)
    # The sheets print the traffic of the map.
    ranked = {d["deck_id"]: d for d in found["rank"]["decks"]}
    decks = sorted(found["drawn"])
    assert len(decks) > 20
    pdf = tmp_path / "sheets.pdf"
    assert main(["sheet", str(demo_store), *decks, "-o", str(pdf), "--today", DAY]) == 0
    capsys.readouterr()
    today = flow.AsOf(date.fromisoformat(DAY))
    sites = sites_of(flow.read_condition(demo_store, settings=Settings(), asked=today), list(ranked))
    for deck, site in sites.items():
        a, b = ranked[deck]["aadt"], float(site.deck["aadt"])
        assert (a is None and np.isnan(b)) or a == pytest.approx(b, rel=1e-8), deck
    text = text_of(pdf)
    for deck in decks:
        assert re.sub(r"\s+", " ", words.figure(ranked[deck]["aadt"], "traffic")) in text, deck


@pytest.mark.slow
def test_every_output_of_an_open_inventory_says_the_same(open_records, told, capsys, tmp_path):
    path = tmp_path / "alaska.duckdb"
    now = datetime(2026, 11, 25)
    flow.create(path, title="Open inventory", currency="USD", now=now)
    file = open_records / "national" / "inventory-2019-AK.txt"
    for loaded in flow.load(path, [file], now=now, who="test"):
        assert loaded.reading is not None, loaded.error
    money = ("--budget", "3000000", "--years", "3", "--today", DAY)
    hold_together(told(path, capsys, *money), path, date.fromisoformat(DAY), 3_000_000, 3)

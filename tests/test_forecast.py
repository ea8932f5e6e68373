"""Growth and survival from the command line, on the invented district."""

from __future__ import annotations

import json
from datetime import datetime

import numpy as np
import pandas as pd
import pytest

from decknet import flow
from decknet.cli import main
from decknet.demo import FILES, TODAY, demo_folder


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    path = tmp_path_factory.mktemp("district") / "district.duckdb"
    when = datetime.combine(TODAY, datetime.min.time())
    flow.create(path, title="Demo", currency="USD", now=when)
    for loaded in flow.load(path, [demo_folder() / name for name in FILES], now=when, who="test"):
        assert loaded.reading is not None
    return str(path)


def test_growth_prints_every_deck_and_draws_one(store, tmp_path, capsys):
    assert main(["growth", store, "--today", str(TODAY), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert len(answer["decks"]) == 185
    one = answer["decks"][0]
    assert one["unsound_5yr_low"] <= one["unsound_5yr"] <= one["unsound_5yr_high"]
    assert all(f["converged"] for f in answer["families"])
    picture = tmp_path / "deck.svg"
    assert main(["growth", store, "--today", str(TODAY), "--deck", one["deck_id"], "-o", str(picture)]) == 0
    assert "Growth points/yr" in capsys.readouterr().out
    assert picture.read_bytes().startswith(b"<?xml")


def test_the_check_says_in_words_whether_forecasts_can_be_borne(store, tmp_path, capsys):
    picture = tmp_path / "check.svg"
    assert main(["growth", store, "--check", "-o", str(picture)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "This district's surveys bear forecasts." in text
    assert "The ten worst misses" in text
    assert picture.exists()
    assert main(["growth", store, "--check", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    table = {row["method"]: row for row in answer["all"]}
    assert 0.7 <= table["decknet"]["covered_80"] <= 0.88
    assert table["decknet"]["crps"] < 0.8 * table["last value"]["crps"]
    assert len(answer["worst"]) == 10


def test_survival_compares_and_draws(store, tmp_path, capsys):
    picture = tmp_path / "held.svg"
    assert main(["survival", store, "--by", "material", "-o", str(picture)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "patches were looked at again" in text
    assert "do not choose by this" in text
    assert picture.exists()
    assert main(["survival", store, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["counts"]["followed"] == len(answer["patches"])
    assert answer["counts"]["followed"] + answer["counts"]["not_looked_at"] == answer["counts"]["patches"]


def test_ratings_alone_give_the_pace_of_worsening(tmp_path, capsys):
    rng = np.random.default_rng(1)
    path = tmp_path / "rated.duckdb"
    when = datetime(2026, 1, 1)
    flow.create(path, title="Rated", currency="USD", now=when)
    n = 60
    ids = [f"b{i:03d}" for i in range(n)]
    pd.DataFrame({"bridge_id": ids, "built_year": 1980}).to_csv(tmp_path / "bridges.csv", index=False)
    pd.DataFrame({"deck_id": ids, "bridge_id": ids, "deck length (m)": 20, "deck width (m)": 8}).to_csv(
        tmp_path / "decks.csv", index=False
    )
    rows = []
    for b in ids:
        rating = 8
        for year in range(2006, 2026, 2):
            rows.append((b, year, rating))
            rating -= int(rng.uniform() < 0.22)
    ratings = pd.DataFrame(rows, columns=["bridge_id", "rated_year", "deck_rating"])
    ratings.to_csv(tmp_path / "ratings.csv", index=False)
    files = [tmp_path / f"{name}.csv" for name in ("bridges", "decks", "ratings")]
    for loaded in flow.load(path, files, now=when, who="test"):
        assert not loaded.error
    assert main(["growth", str(path), "--ratings", "--json"]) == 0
    got = {row["rating"]: row for row in json.loads(capsys.readouterr().out)["ratings"]}
    assert got[8]["bridges"] == n
    assert got[8]["leave_per_yr"] == pytest.approx(-np.log(1 - 0.22) / 2, rel=0.3)
    assert got[7]["leave_per_yr"] == pytest.approx(-np.log(1 - 0.22) / 2, rel=0.35)
    assert main(["growth", str(path), "--ratings"]) == 0
    assert "60 bridges, 540 steps" in capsys.readouterr().out


def test_misuse_is_told_from_refused_data(store, tmp_path, capsys):
    assert main(["survival", store, "--by", "colour"]) == 2
    assert main(["growth", store, "-o", str(tmp_path / "x.svg")]) == 2
    assert main(["bench", "everything"]) == 2
    assert main(["growth", store, "--deck", "nowhere", "-o", str(tmp_path / "x.svg")]) == 1
    assert "'nowhere': not a deck" in capsys.readouterr().err
    empty = tmp_path / "empty.duckdb"
    flow.create(empty, title="Empty", currency="USD", now=datetime(2026, 1, 1))
    assert main(["growth", str(empty)]) == 1
    assert main(["survival", str(empty)]) == 1
    assert main(["growth", store, "--ratings"]) == 1

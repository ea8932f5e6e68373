"""Growth and survival from the command line, on the invented district."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from decknet import flow
from decknet.cli import main
from decknet.demo import TODAY
from decknet.flow import forecast
from decknet.predict import forecast_states, part_failed
from decknet.predict.states import chain
from decknet.settings import Settings


@pytest.fixture(scope="module")
def store(demo_store):
    return str(demo_store)


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


@pytest.mark.slow
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


@pytest.mark.slow
def test_survival_compares_and_draws(store, tmp_path, capsys):
    picture = tmp_path / "held.svg"
    assert main(["survival", store, "--by", "material", "-o", str(picture)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "patches were looked at again" in text
    assert "do not choose by such a group" in text
    assert picture.exists()
    assert main(["survival", store, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["counts"]["followed"] == len(answer["patches"])
    assert answer["counts"]["followed"] + answer["counts"]["not_looked_at"] == answer["counts"]["patches"]


@pytest.mark.slow
def test_groups_stand_in_their_natural_order(store, capsys):
    for by, order in (
        ("season", ["winter", "spring", "summer", "autumn"]),
        ("temperature", ["under", "5 to", "10 to"]),
    ):
        assert main(["survival", store, "--by", by, "--json"]) == 0
        groups = [g["group"] for g in json.loads(capsys.readouterr().out)["groups"]]
        assert [next(o for o in order if g.startswith(o)) for g in groups[1:]] == order[: len(groups) - 1]


@pytest.mark.slow
def test_past_forecasts_and_the_years_ahead_in_one_call_each(store):
    condition = flow.read_condition(Path(store), settings=Settings(), asked=flow.AsOf(TODAY))
    past = forecast.past_forecasts(condition)
    assert past.surveys == past.methods.set_index("method").loc["decknet", "surveys"]
    assert past.covered_80 == past.methods.set_index("method").loc["decknet", "covered_80"]
    assert past.levels["surveys"].sum() == past.surveys
    assert past.plot.startswith(b"<?xml")
    assert len(past.worst) == 10
    ahead = condition.ahead
    assert ahead.nothing.shape == (185, Settings().programme.horizon_yr + 7)
    # Of the ground of patches last looked at after 6 to 12 years, so much was unsound: the curve says as much.
    followed = condition.patches[0]
    old = followed[followed["last_yr"].between(6, 12)]
    seen = (old["unsound_part"] * old["area_m2"]).sum() / old["area_m2"].sum()
    said = np.average(part_failed(old["last_yr"].to_numpy(), ahead.patch_life), weights=old["area_m2"])
    assert said == pytest.approx(seen, abs=0.05)


@pytest.mark.slow
def test_elements_worsen_by_family_and_say_so(tmp_path, capsys):
    rng = np.random.default_rng(2)
    path = tmp_path / "elements.duckdb"
    when = datetime(2026, 1, 1)
    flow.create(path, title="Elements", currency="USD", now=when)
    n = 90
    ids = [f"b{i:03d}" for i in range(n)]
    pd.DataFrame({"bridge_id": ids, "built_year": 1980}).to_csv(tmp_path / "bridges.csv", index=False)
    kinds = ["bare"] * 45 + ["epoxy"] * 45
    decks = {"deck_id": ids, "bridge_id": ids, "deck length (m)": 20, "deck width (m)": 8, "bar_kind": kinds}
    pd.DataFrame(decks).to_csv(tmp_path / "decks.csv", index=False)
    rows = []
    for b, kind in zip(ids, kinds, strict=True):
        yearly = chain(np.array([0.08, 0.05, 0.1]) * (1.0 if kind == "bare" else 0.3))
        area, age = round(float(rng.uniform(300, 900))), int(rng.integers(5, 25))
        for year in (2016, 2018, 2020, 2022):
            share = rng.dirichlet(100 * forecast_states(np.eye(4)[0], yearly, age + year - 2016) + 0.01)
            rows.append((b, f"{year}-07-01", "12", "", area, *np.round(area * share, 1)))
    names = ["bridge_id", "quantity_date", "element", "parent_element", "total", "cs1", "cs2", "cs3", "cs4"]
    pd.DataFrame(rows, columns=names).to_csv(tmp_path / "quantities.csv", index=False)
    files = [tmp_path / f"{name}.csv" for name in ("bridges", "decks", "quantities")]
    for loaded in flow.load(path, files, now=when, who="test"):
        assert not loaded.error
    assert main(["growth", str(path), "--elements", "--today", "2026-01-01", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    chance = {(r["family"], r["state"]): r["leave_per_yr"] for r in answer["states"]}
    assert chance["environment not known, bare", 1] == pytest.approx(0.08, rel=0.2)
    assert chance["environment not known, epoxy", 1] == pytest.approx(0.024, rel=0.35)
    assert chance["all", 4] is None
    sums = [r["cs1"] + r["cs2"] + r["cs3"] + r["cs4"] for r in answer["ahead"]]
    assert sums == pytest.approx([1.0] * len(sums))
    assert main(["growth", str(path), "--elements", "--today", "2026-01-01"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Element 12, reinforced concrete deck; all bridges: 90 bridges" in text
    assert "in 20 years" in text
    assert "does not say that a deck is safe" in text


@pytest.mark.slow
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
    assert main(["growth", store, "--elements"]) == 1
    assert "holds no element quantities" in capsys.readouterr().err
    assert main(["growth", store, "--elements", "--check"]) == 2

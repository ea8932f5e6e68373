"""The check equals a script that takes the surveys out of the files, loads the rest, and counts what was printed."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from decknet import flow
from decknet.cli import main
from decknet.demo import FILES, TODAY, demo_folder
from decknet.flow.reading import records_from
from decknet.settings import Settings

WHEN = datetime.combine(TODAY, datetime.min.time())


def _load(path: Path, files: list[Path]) -> str:
    flow.create(path, title="District", currency="USD", now=WHEN)
    for loaded in flow.load(path, files, now=WHEN, who="test"):
        assert not loaded.error
    return str(path)


def _answer(capsys, *words: str) -> dict:
    capsys.readouterr()
    assert main([*words, "--json", "--today", str(TODAY)]) == 0
    return json.loads(capsys.readouterr().out)


def _district(decks: int = 60) -> dict[str, pd.DataFrame]:
    """Surveys of totals, some patches, one overlay: no two records of a deck on one day."""
    rng = np.random.default_rng(12)
    ids = [f"d{i:02d}" for i in range(decks)]
    surveys, repairs = [], []
    for i, deck in enumerate(ids):
        year, built, fast = 2012 + int(rng.integers(0, 3)), int(rng.integers(1960, 1995)), float(rng.uniform(45, 90))
        patched = 0.0
        while year <= 2026:
            share = max(1 - np.exp(-(((year - built) / fast) ** 3)) - patched, 0.0)
            crew = f"crew {rng.integers(0, 3)}"
            found = round(400 * share * float(np.exp(0.15 * rng.standard_normal())), 1)
            surveys.append((deck, f"{year}-0{rng.integers(4, 8)}-1{rng.integers(0, 9)}", "sounding", crew, 400, found))
            if share > 0.08 and rng.uniform() < 0.3:
                repairs.append((deck, f"{year}-09-15", "patch", round(400 * share * 0.6, 1)))
                patched += share * 0.5
            year += int(rng.integers(1, 4))
        if i == 7:
            repairs.append((deck, "2019-10-01", "rigid overlay", 400))
    names = ["deck_id", "survey_date", "method", "crew", "surveyed_m2", "delaminated_m2"]
    frames = {
        "bridges": pd.DataFrame({"bridge_id": ids, "built_year": 1980}),
        "decks": pd.DataFrame({"deck_id": ids, "bridge_id": ids, "length_m": 40, "width_m": 10, "bar_kind": "bare"}),
        "surveys": pd.DataFrame(surveys, columns=names),
        "repairs": pd.DataFrame(repairs, columns=["deck_id", "repair_date", "treatment", "area_m2"]),
    }
    for name, one in (("surveys", "survey_id"), ("repairs", "repair_id")):
        frames[name].insert(0, one, [f"{name[0]}{k:03d}" for k in range(len(frames[name]))])
    return frames


def _written(folder: Path, frames: dict[str, pd.DataFrame]) -> list[Path]:
    folder.mkdir()
    for name, frame in frames.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    return [folder / f"{name}.csv" for name in frames]


def _counted(capsys, tmp_path: Path, store: str, rest: str, hidden: pd.DataFrame) -> tuple[float, float]:
    """Parts of readings inside what is printed for their days, by the range of the reading and of the true share."""
    days = tmp_path / "days.csv"
    hidden[["deck_id", "date", "crew"]].to_csv(days, index=False)
    printed = pd.DataFrame(_answer(capsys, "growth", rest, "--days", str(days))["days"])
    assert printed["deck_id"].tolist() == hidden["deck_id"].tolist()
    found = hidden["found"].round(6).to_numpy()
    parts = [(found >= printed[f"{n}_low"]) & (found <= printed[f"{n}_high"]) for n in ("reading", "unsound")]
    return float(parts[0].mean()), float(parts[1].mean())


def test_the_check_is_what_a_script_counts_from_files_without_the_last_surveys(tmp_path, capsys):
    frames = _district()
    store = _load(tmp_path / "whole.duckdb", _written(tmp_path / "whole", frames))
    surveys, repairs = frames["surveys"], frames["repairs"]
    last = surveys.groupby("deck_id")["survey_date"].max()
    overlaid = repairs[repairs["treatment"] == "rigid overlay"].set_index("deck_id")["repair_date"]
    before = surveys[surveys["survey_date"] < surveys["deck_id"].map(last)]
    since = before["survey_date"] > before["deck_id"].map(overlaid).fillna("")
    earlier = before[since | (before["deck_id"].map(last) < before["deck_id"].map(overlaid).fillna(""))]
    last = last[last.index.isin(earlier["deck_id"])]
    kept = {
        **frames,
        "surveys": surveys[~(surveys["survey_date"] >= surveys["deck_id"].map(last).fillna("9999"))],
        "repairs": repairs[~(repairs["repair_date"] >= repairs["deck_id"].map(last).fillna("9999"))],
    }
    rest = _load(tmp_path / "rest.duckdb", _written(tmp_path / "rest", kept))
    hidden = surveys[surveys["survey_date"] == surveys["deck_id"].map(last)].sort_values("deck_id")
    hidden = hidden.assign(date=hidden["survey_date"], found=hidden["delaminated_m2"] / 400)
    reading, true = _counted(capsys, tmp_path, store, rest, hidden)
    check = {r["range"]: r for r in _answer(capsys, "growth", store, "--check")["ranges"]}
    assert check["next reading, by the crew that came"]["surveys"] == len(hidden)
    assert check["next reading, by the crew that came"]["covered_80"] == pytest.approx(reading)
    assert check["where the true share lies"]["covered_80"] == pytest.approx(true)
    assert 0.5 < true < reading < 1.0


@pytest.mark.slow
def test_the_same_on_the_invented_district(tmp_path, capsys):
    store = tmp_path / "demo.duckdb"
    _load(store, [demo_folder() / name for name in FILES])
    condition = flow.read_condition(store, settings=Settings(), asked=flow.AsOf(TODAY))
    whole = condition.records
    test = condition.back_test.surveys
    last = test.set_index("deck_id")["survey_date"]
    gone = {
        kind: whole[kind].loc[
            (whole[kind][day] >= whole[kind]["deck_id"].map(last)).fillna(False), f"{kind}_id"
        ].tolist()
        for kind, day in (("survey", "survey_date"), ("repair", "repair_date"))
    }  # fmt: skip
    assert len(gone["survey"]) >= len(test)
    frames = {
        kind: frame[~frame["survey_id"].isin(gone["survey"])] if "survey_id" in frame else frame
        for kind, frame in whole.frames.items()
    }
    frames["repair"] = frames["repair"][~frames["repair"]["repair_id"].isin(gone["repair"])]
    late = (frames["closing"]["closed_on"] >= frames["closing"]["deck_id"].map(last)).fillna(False)
    frames["closing"] = frames["closing"][~late]
    rest = records_from({k: f.reset_index(drop=True) for k, f in frames.items()}, title="", currency="USD", day=TODAY)
    printed = flow.condition_of(rest, Settings()).growth.on_days(
        test["deck_id"], test["survey_date"], test["crew"].astype("str")
    )
    whole_looked = (
        condition.account[0].set_index("survey_id")["covered_share"].reindex(test["survey_id"]) > 0.999
    ).array
    inside = (test["found"] >= printed["reading_low"]) & (test["found"] <= printed["reading_high"])
    assert (inside[whole_looked] == test["in_decknet"][whole_looked]).all()

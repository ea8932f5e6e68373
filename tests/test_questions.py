"""The worked questions: each answer equals what pandas finds in the demo's own files."""

from __future__ import annotations

import json
import re
import shutil
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from decknet import flow
from decknet.demo import question_reference, worked_question, worked_questions
from decknet.errors import DecknetError
from decknet.flow import AsOf, ask
from decknet.keep import Store, add_programme
from decknet.settings import Settings
from tests.raw_demo import FOLDER, Raw

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def raw():
    return Raw()


def _lines(raw):
    """One line done as planned, one done otherwise, one not done, and one of a year to come."""
    since = raw.repairs[raw.repairs["date"] >= "2020-06-01"]
    kinds = since.groupby("deck_id")["treatment"].nunique()
    done, changed = (since[since["deck_id"].isin(kinds.index[kinds == 1])]["deck_id"].unique()[i] for i in (0, 1))
    idle = sorted(set(raw.decks["deck_id"]) - set(since["deck_id"]))
    as_done = since.loc[since["deck_id"] == done, "treatment"].iloc[0]
    rows = [(done, 2021, as_done), (changed, 2022, "new deck"), (idle[0], 2023, "patch"), (idle[1], 2028, "patch")]
    frame = pd.DataFrame(rows, columns=["deck_id", "year", "treatment"])
    return frame.assign(
        deck_m2=100.0, repair_m2=10.0, crew_days=2.0, cost=5000.0, benefit=1.0, share_before=0.2, share_after=0.0,
        urgent=False, pinned=False, based_on="survey of 2019-05-05", why="", window=None, material=None, closures=1.0,
        closure_h=8.0, queue_veh=0.0, user_cost=0.0, sure_year=None, sure_any=None, label="",
    )  # fmt: skip


@pytest.fixture(scope="module")
def store(demo_store, tmp_path_factory, raw):
    """The demo's records, and a programme of 2020 that is kept."""
    path = Path(shutil.copy(demo_store, tmp_path_factory.mktemp("questions")))
    values = {
        "made_at": datetime(2020, 6, 1), "made_by": "engineer", "software": "decknet", "first_year": 2020, "seed": 0,
        "budgets": json.dumps([1e6] * 9), "settings": "{}", "facts": "{}",
    }  # fmt: skip
    with Store.open(path, read_only=False) as opened:
        add_programme(opened, "2020 plan", {"lines": _lines(raw)}, values)
    return path


@pytest.fixture(scope="module")
def answer(store):
    def run(name):
        return ask.query(store, worked_question(name).sql, asked=AsOf(TODAY), settings=Settings()).frame

    return run


def _same(got: pd.DataFrame, want: pd.DataFrame) -> None:
    """The same rows in the same order; names and exact dtypes are the tests' own."""
    want = want.reset_index(drop=True).set_axis(got.columns, axis=1)
    assert len(got) == len(want)
    for name in got.columns:
        if pd.api.types.is_numeric_dtype(want[name]):
            left, right = (f[name].to_numpy(dtype="float64", na_value=np.nan) for f in (got, want))
            np.testing.assert_allclose(left, right, rtol=1e-6, atol=1e-9, err_msg=name)
        else:
            left, right = (f[name].astype("str").fillna("-").tolist() for f in (got, want))
            assert left == right, name


@pytest.mark.slow
def test_worst_decks(answer, raw):
    want = raw.last.sort_values(["share", "deck_id"], ascending=[False, True]).head(10)
    got = answer("worst_decks")
    _same(got.drop(columns="urgent"), want[["deck_id", "name", "route", "date", "share", "unsound"]])
    assert got.loc[got["unsound_share"] >= 0.4, "urgent"].notna().all()


@pytest.mark.slow
def test_decks_not_sounded(answer, raw):
    last = raw.surveys.groupby("deck_id")["date"].max()
    want = raw.decks.assign(last=last.reindex(raw.decks["deck_id"]).array)
    want = want[~(want["last"] >= "2024-01-01")].sort_values(["last", "deck_id"], na_position="first")
    _same(answer("not_sounded"), want[["deck_id", "name", "route", "last"]])


@pytest.mark.slow
def test_unsound_deck_by_route(answer, raw):
    told = raw.last.assign(seen=raw.last["area"] * raw.last["part"])
    want = told.groupby("route").agg(
        decks=("deck_id", "size"), area=("area", "sum"), unsound=("unsound", "sum"), seen=("seen", "sum")
    )
    want["share"] = want["unsound"] / want["seen"]
    want = want.reset_index().sort_values(["unsound", "route"], ascending=[False, True]).drop(columns="seen")
    _same(answer("route_load"), want)


@pytest.mark.slow
def test_money_by_year_and_treatment(answer, raw):
    done = raw.repairs.assign(year=raw.repairs["date"].dt.year)
    want = done.groupby(["year", "treatment"], as_index=False).agg(
        repairs=("repair_id", "size"), area=("area", "sum"), cost=("cost", "sum")
    )
    _same(answer("spent_by_year"), want)


def test_price_of_a_square_metre_of_patch(answer, raw):
    only = raw.repairs[raw.repairs["treatment"] == "patch"]
    want = only.assign(price=only["cost"] / only["area"]).groupby(["material", "depth"], as_index=False).agg(
        patches=("price", "size"), median=("price", "median"), cost=("cost", "sum"), area=("area", "sum")
    )  # fmt: skip
    want["mean"] = want["cost"] / want["area"]
    _same(answer("patch_prices"), want.drop(columns=["cost", "area"]))


@pytest.mark.slow
def test_patches_that_held_by_material(answer, raw):
    want = raw.patches.groupby("material", as_index=False).agg(
        patches=("repair_id", "size"), looked_at=("looked_at", "sum"), failed=("failed_by", "count"),
        failed_by=("failed_by", "mean"),
    )  # fmt: skip
    want.insert(4, "part", want["failed"] / want["looked_at"])
    assert want["failed"].sum() > 20
    _same(answer("did_patches_hold"), want)


@pytest.mark.slow
def test_patches_placed_in_the_cold(answer, raw):
    seen = raw.patches[raw.patches["looked_at"] & raw.patches["air"].notna()]
    seen = seen.assign(cold=seen["air"] < 10)
    want = seen.groupby("cold", as_index=False).agg(looked_at=("cold", "size"), failed=("failed_by", "count"))
    _same(answer("cold_patches"), want.assign(part=want["failed"] / want["looked_at"]))


@pytest.mark.slow
def test_shares_before_and_after_an_overlay(answer, raw):
    anew = raw.repairs[raw.repairs["treatment"].isin(["thin overlay", "rigid overlay", "new deck"])].sort_values("date")
    told = raw.surveys[raw.surveys["share"].notna()].sort_values("date")[["deck_id", "date", "share"]]
    told = told.assign(day=told["date"])
    both = anew
    for way, name in (("backward", "before"), ("forward", "after")):
        both = pd.merge_asof(
            both, told.rename(columns={"day": f"{name}_date", "share": f"{name}_share"}), on="date", by="deck_id",
            direction=way, allow_exact_matches=False,
        )  # fmt: skip
    both = both.dropna(subset=["before_share", "after_share"])
    both["fell"] = both["before_share"] - both["after_share"]
    both = both.sort_values(["fell", "deck_id", "date"], ascending=[False, True, True])
    names = ["deck_id", "date", "treatment", "before_date", "before_share", "after_date", "after_share", "fell"]
    assert len(both) > 10
    _same(answer("before_and_after"), both[names])


@pytest.mark.slow
def test_decks_repaired_again(answer, raw):
    done = raw.repairs.assign(year=raw.repairs["date"].dt.year).merge(raw.decks[["deck_id", "name", "route"]])
    want = done.groupby(["deck_id", "name", "route"], as_index=False).agg(
        years=("year", "nunique"), area=("area", "sum"), cost=("cost", "sum")
    )
    want = want[want["years"] >= 3].sort_values(["years", "cost", "deck_id"], ascending=[False, False, True])
    _same(answer("repaired_again"), want)


@pytest.mark.slow
def test_crews(answer, raw):
    told = raw.surveys.assign(seen=raw.surveys["covered"].where(raw.surveys["unsound"].notna()))
    want = told.groupby("crew", as_index=False).agg(
        surveys=("survey_id", "size"), decks=("deck_id", "nunique"), covered=("covered", "sum"),
        unsound=("unsound", "sum"), seen=("seen", "sum"),
    )  # fmt: skip
    want["share"] = want["unsound"] / want["seen"]
    _same(answer("crews"), want.drop(columns=["unsound", "seen"]))


@pytest.mark.slow
def test_busy_decks_in_bad_state(answer, raw):
    last = raw.traffic.sort_values("year").groupby("bridge_id").tail(1)
    both = raw.last.merge(last, on="bridge_id")
    both["truck"] = both["aadt"] * both["trucks"] / 100
    want = both[(both["share"] > 0.1) & (both["aadt"] > 10_000)]
    want = want.sort_values(["share", "deck_id"], ascending=[False, True])
    _same(answer("busy_and_bad"), want[["deck_id", "name", "share", "year", "aadt", "truck"]])


def test_growth_of_traffic(answer, raw):
    by = raw.traffic.sort_values("year").groupby("bridge_id")
    want = by.agg(y1=("year", "first"), a1=("aadt", "first"), y2=("year", "last"), a2=("aadt", "last"))
    want["grown"] = want["a2"] / want["a1"] - 1
    want = want[by.size() > 1].reset_index()
    want.insert(1, "name", raw.bridges.set_index("Bridge no")["Bridge name"].reindex(want["bridge_id"]).array)
    _same(answer("traffic_growth"), want.sort_values(["grown", "bridge_id"], ascending=[False, True]).head(10))


def test_year_by_year(answer, raw):
    seen = raw.surveys.assign(year=raw.surveys["date"].dt.year)
    seen["told"] = seen["covered"].where(seen["unsound"].notna())
    want = seen.groupby("year").agg(
        surveys=("survey_id", "size"), covered=("covered", "sum"), unsound=("unsound", "sum"), told=("told", "sum")
    )  # fmt: skip
    want["told"] = want["unsound"] / want["told"]
    done = raw.repairs.groupby(raw.repairs["date"].dt.year)
    want = want.join(done.agg(repairs=("repair_id", "size"), area=("area", "sum"), cost=("cost", "sum")))
    _same(answer("year_by_year"), want.reset_index())


@pytest.mark.slow
def test_days_between_survey_and_repair(answer, raw):
    told = raw.surveys[raw.surveys["share"].notna()].sort_values("date")[["deck_id", "date"]]
    both = pd.merge_asof(
        raw.repairs.sort_values("date"), told.assign(before=told["date"]), on="date", by="deck_id",
        allow_exact_matches=False,
    ).dropna(subset=["before"])  # fmt: skip
    both["days"] = (both["date"] - both["before"]).dt.days
    want = both.groupby("treatment", as_index=False).agg(
        n=("days", "size"), median=("days", "median"), most=("days", "max")
    )
    _same(answer("waited_how_long"), want)


def test_a_programme_held_against_what_was_done(answer, raw):
    got = answer("planned_and_done").set_index("fate")
    assert got["year"].to_dict() == {"done": 2021, "changed": 2022, "not done": 2023, "not yet due": 2028}
    assert (got["lines"] == 1).all()
    assert got["cost"].tolist() == [5000.0] * 4
    line = _lines(raw).iloc[0]
    mine = raw.repairs[(raw.repairs["deck_id"] == line["deck_id"]) & (raw.repairs["date"] >= "2020-06-01")]
    mine = mine[mine["date"].dt.year == mine["date"].dt.year.min()]
    assert got.loc["done", "done_cost"] == pytest.approx(mine["cost"].sum())
    assert got.loc["done", "done_m2"] == pytest.approx(mine["area"].sum())
    assert got.loc[["not done", "not yet due"], "done_cost"].isna().all()


@pytest.mark.slow
def test_corrections(answer, store, tmp_path, raw):
    assert answer("corrected").empty
    copy = tmp_path / "copy.duckdb"
    copy.write_bytes(Path(store).read_bytes())
    first = raw.repairs.iloc[0]
    (tmp_path / "mended.csv").write_text(
        f"repair id,deck id,repair date,treatment,repaired area m2\n{first['repair_id']},{first['deck_id']},"
        f"{first['date']:%Y-%m-%d},{first['treatment']},99\n"
    )
    when = datetime(2026, 11, 26)
    list(flow.load(copy, [tmp_path / "mended.csv"], now=when, who="clerk", settings=Settings()))
    got = ask.query(copy, worked_question("corrected").sql, asked=AsOf(TODAY), settings=Settings()).frame
    assert got[["record", "id", "file", "line"]].to_numpy().tolist() == [
        ["repair", first["repair_id"], "mended.csv", 2]
    ]


@pytest.mark.slow
def test_every_worked_question_is_run_here():
    asked = set(re.findall(r'answer\("(\w+)"\)', Path(__file__).read_text(encoding="utf-8")))
    assert {q.name for q in worked_questions()} == asked
    assert len(asked) >= 12


def test_the_handbook_lists_the_worked_questions():
    page = (FOLDER.parent / "decknet" / "handbook" / "questions.md").read_text(encoding="utf-8")
    assert question_reference() in page


def test_an_unknown_question_names_those_known():
    with pytest.raises(DecknetError, match="worst_decks"):
        worked_question("best_decks")

"""A district's store from Python, and the commands that keep it safe."""

from __future__ import annotations

import hashlib
import shutil
from datetime import date

import geopandas as gpd
import pandas as pd
import pytest

import decknet
from decknet.cli import main
from decknet.columns import RECORDS
from decknet.demo import TODAY, demo_folder
from decknet.errors import BudgetError, DecknetError, StoreError


@pytest.fixture(scope="module")
def store(demo_store):
    with decknet.open(demo_store, today=TODAY) as opened:
        yield opened


def _run(capsys, *args):
    code = main([str(a) for a in args])
    out = capsys.readouterr()
    return code, out.out, out.err


FRAMES = ["bridges", "decks", "surveys", "defects", "repairs", "traffic", "rank", "act_now", "growth", "survival"]


@pytest.mark.parametrize("name", FRAMES)
def test_every_frame_has_rows_and_says_its_units(store, name):
    frame = getattr(store, name)()
    assert len(frame)
    for column, unit in frame.attrs["units"].items():
        assert column in frame.columns
        assert unit
    measured = [c for c in frame.columns if c.endswith(("_m2", "_m", "_mm", "_deg"))]
    assert set(measured) <= set(frame.attrs["units"])


def test_records_equal_the_raw_files(store):
    raw = pd.read_csv(demo_folder() / "bridges.csv", dtype=str, keep_default_na=False)
    assert sorted(store.bridges()["bridge_id"]) == sorted(raw.iloc[:, 0])
    assert len(store.decks()) == len(pd.read_excel(demo_folder() / "decks.xlsx", dtype=str, engine="calamine"))
    assert len(store.traffic()) == len(pd.read_csv(demo_folder() / "traffic.csv", dtype=str))


def test_shapes_have_the_system_they_are_in(store):
    deck, ground = store.defects(), store.defects(ground=True)
    assert deck.crs is None
    assert ground.crs.to_epsg() == 4326
    assert deck.geometry.area.sum() > 1000
    placed = ground[ground.geometry.notna()]
    metric = placed.to_crs(placed.estimate_utm_crs())
    same = deck.loc[placed.index].geometry.area
    assert metric.geometry.area.sum() == pytest.approx(same.sum(), rel=0.005)  # the grid's own scale
    decks = store.decks()
    assert isinstance(decks, gpd.GeoDataFrame)
    known = decks[decks.geometry.notna()]
    assert known.to_crs(known.estimate_utm_crs()).geometry.area.sum() == pytest.approx(
        (known["length_m"] * known["width_m"]).sum(), rel=0.005
    )


def test_frames_are_the_callers_own(store):
    first = store.rank()
    first["rank"] = 0
    first.attrs.clear()
    assert store.rank()["rank"].tolist() == list(range(1, len(first) + 1))
    assert store.rank().attrs["units"]["aadt"] == "veh/day"


def test_the_programme_keeps_the_money_and_pins(store):
    free = store.programme(1_500_000, years=2, effort="quick")
    first = free.lines.sort_values(["year", "deck_id"]).iloc[0]  # its treatment is one that its condition permits
    worst, treatment = first["deck_id"], first["treatment"]
    made = store.programme([1_500_000, 1_500_000], years=2, pins={worst: (TODAY.year + 2, treatment)}, effort="quick")
    assert (made.years["cost"] <= made.years["budget"] + 0.5).all()
    line = made.lines[made.lines["deck_id"] == worst].iloc[0]
    assert (line["year"], line["treatment"]) == (TODAY.year + 2, treatment)
    assert free.facts["bound"] >= made.facts["value"] - 1e-6
    with pytest.raises(BudgetError):
        store.programme(float("nan"))
    with pytest.raises(BudgetError):
        store.programme([1.0, 2.0], years=3)


@pytest.mark.slow
def test_questions_in_sql_take_values_and_give_units(store):
    frame = store.query("SELECT deck_id, area_m2, ground FROM deck_status WHERE area_m2 > $least", least=1000)
    ranked = store.rank()
    assert sorted(frame["deck_id"]) == sorted(ranked.loc[ranked["area_m2"] > 1000, "deck_id"])
    assert frame.attrs["units"]["area_m2"] == "m2"
    assert frame.crs.to_epsg() == 4326
    with pytest.raises(DecknetError):
        store.query("DELETE FROM deck_status")


def test_the_history_of_a_deck_holds_its_surveys_and_repairs(store):
    told = store.history("01026")
    surveys, repairs = store.surveys(), store.repairs()
    assert (told["event"] == "surveyed").sum() == (surveys["deck_id"] == "01026").sum()
    assert (told["event"] == "repaired").sum() == (repairs["deck_id"] == "01026").sum()
    assert told["file"].notna().all()


def test_the_map_shows_itself_and_is_saved_whole(store, tmp_path):
    page = store.map()
    assert page.save(tmp_path / "map.html").read_text(encoding="utf-8") == page.text
    assert 'srcdoc="' in page._repr_html_()
    assert "<script" not in page._repr_html_()  # a page inside a page, as text


@pytest.mark.slow
def test_reading_leaves_the_file_as_it_was(demo_store):
    before = hashlib.sha256(demo_store.read_bytes()).hexdigest()
    with decknet.open(demo_store, today=TODAY) as opened:
        opened.rank()
        opened.surveys()
        with pytest.raises(StoreError, match="write=True"):
            opened.load(demo_folder() / "bridges.csv")
    assert hashlib.sha256(demo_store.read_bytes()).hexdigest() == before
    assert sorted(p.name for p in demo_store.parent.iterdir()) == [demo_store.name]


def test_a_closed_store_says_so(demo_store):
    with decknet.open(demo_store) as opened:
        pass
    with pytest.raises(StoreError, match="was closed"):
        opened.bridges()


def test_no_store_no_question(tmp_path):
    with pytest.raises(StoreError, match="no such store"):
        decknet.open(tmp_path / "none.duckdb")


@pytest.mark.slow
def test_records_brought_in_change_what_is_worked_out(demo_store, tmp_path):
    copy = tmp_path / "copy.duckdb"
    shutil.copyfile(demo_store, copy)
    (tmp_path / "s.csv").write_text("deck id,date,delaminated m2\n01026,2026-11-20,0\n", encoding="utf-8")
    with decknet.open(copy, write=True, today=date(2026, 11, 25)) as opened:
        before = opened.rank().set_index("deck_id").loc["01026"]
        (loaded,) = opened.load(tmp_path / "s.csv")
        assert loaded.intake.new == 1
        after = opened.rank().set_index("deck_id").loc["01026"]
    assert after["survey_date"] == pd.Timestamp("2026-11-20")
    assert after["rank"] > before["rank"]


def test_the_pure_rooms_take_arrays_alone():
    from decknet.measure import deck_quantities, repair_limits
    from decknet.rank import rank_decks
    from decknet.schedule import make_programme

    assert all(callable(f) for f in (repair_limits, deck_quantities, rank_decks, make_programme))


def test_the_package_says_it_is_typed():
    from importlib.resources import files

    assert files("decknet").joinpath("py.typed").is_file()


# ---- the commands ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_snapshot_backup_verify_and_back(capsys, demo_store, tmp_path):
    snap, copy, back, again = (tmp_path / n for n in ("snap", "copy.duckdb", "back.duckdb", "again.duckdb"))
    assert _run(capsys, "snapshot", demo_store, snap)[0] == 0
    assert _run(capsys, "backup", demo_store, copy)[0] == 0
    assert _run(capsys, "new", back, "--from", snap)[0] == 0
    assert _run(capsys, "new", again, "--from", copy)[0] == 0
    ranks = []
    for path in (demo_store, snap, copy, back, again):
        code, out, _ = _run(capsys, "verify", path)
        assert code == 0
        assert "whole." in out
    for path in (demo_store, back, again):
        with decknet.open(path, today=TODAY) as opened:
            ranks.append(opened.rank().drop(columns="geometry"))
    assert ranks[0].equals(ranks[1])
    assert ranks[0].equals(ranks[2])


@pytest.mark.slow
def test_the_programme_of_a_store_brought_back_is_the_same(capsys, demo_store, tmp_path):
    assert _run(capsys, "snapshot", demo_store, tmp_path / "snap")[0] == 0
    assert _run(capsys, "new", tmp_path / "back.duckdb", "--from", tmp_path / "snap")[0] == 0
    lines = []
    for path in (demo_store, tmp_path / "back.duckdb"):
        with decknet.open(path, today=TODAY) as opened:
            lines.append(opened.programme(1_000_000, years=2, effort="quick").lines)
    assert lines[0].equals(lines[1])


def test_what_is_not_whole_ends_with_1(capsys, demo_store, tmp_path):
    import duckdb

    path = tmp_path / "harmed.duckdb"
    shutil.copyfile(demo_store, path)
    with duckdb.connect(str(path)) as db:
        db.execute("DELETE FROM survey WHERE row_id = (SELECT max(row_id) FROM survey)")
    code, out, _ = _run(capsys, "verify", path)
    assert code == 1
    assert "not whole" in out
    code, _, err = _run(capsys, "backup", path, tmp_path / "copy.duckdb")
    assert code == 1
    assert len(err.strip().splitlines()) == 1
    assert not (tmp_path / "copy.duckdb").exists()
    assert set(RECORDS)

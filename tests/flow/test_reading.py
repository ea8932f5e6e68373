"""One reading: of one moment, each kind once, as of a day."""

from __future__ import annotations

import ast
import inspect
import json
from collections import Counter
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

import decknet
from decknet import flow
from decknet.cli import app, main
from decknet.columns import RECORDS
from decknet.flow import condition as condition_room
from decknet.flow import programme as programme_room
from decknet.flow.reading import AsOf, read_records
from decknet.keep import Store
from decknet.settings import Settings
from tests.flow.conftest import DAY

pytestmark = pytest.mark.slow

FLOW = Path(flow.__file__).parent


def _counted(patch, counts, owner, name):
    real = getattr(owner, name)

    def counting(*args, **kwargs):
        counts[name if name != "current" else f"current {args[1]}"] += 1
        return real(*args, **kwargs)

    patch.setattr(owner, name, counting)


@pytest.mark.slow
def test_a_report_reads_once_and_works_everything_out_once(district, tmp_path, monkeypatch, capsys):
    counts = Counter()
    opened = Store.open.__func__

    def opening(cls, *args, **kwargs):
        counts["open"] += 1
        return opened(cls, *args, **kwargs)

    monkeypatch.setattr(Store, "open", classmethod(opening))
    _counted(monkeypatch, counts, Store, "current")
    once = [
        "roll_back", "back_test", "followed_repairs", "years_ahead", "rank_decks", "rank_ranges", "traffic_in_use",
        "act_now", "repair_limits", "limit_quantities", "place_decks",
        "learn_nearness",
    ]  # fmt: skip
    # Of the records; and of the same with each deck's last survey taken away.
    twice = ["survey_shares", "overbreak_found", "damage_account", "fit_growth_model"]
    for name in once + twice:
        _counted(monkeypatch, counts, condition_room, name)
    _counted(monkeypatch, counts, programme_room, "make_programme")
    folder = tmp_path / "out"
    code = main(
        ["report", str(district), "--budget", "300000", "--years", "3", "--save-to", str(folder), "--today", DAY]
    )
    assert code == 0, capsys.readouterr().err
    searches = counts.pop("make_programme")
    assert searches == 1 + 5  # the programme, and the sums of money that the report tries beside it
    read = [f"current {kind}" for kind in RECORDS if kind != "element_quantity"]
    assert dict(counts) == dict.fromkeys(["open", *read, *once], 1) | dict.fromkeys(twice, 2)


def test_the_store_is_opened_in_few_places():
    places = [
        f"{file.name}:{node.lineno}"
        for file in sorted(FLOW.glob("*.py"))
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "Store.open"
    ]
    assert len(places) <= 8, places


def test_no_command_takes_a_long_list_of_arguments():
    for command in app.registered_commands:
        written = inspect.unwrap(command.callback)
        assert len(inspect.signature(written).parameters) < 16, written.__name__


def _records_to(store, folder, day):
    """A store that holds only the records dated to a day, brought in from files cut there."""
    whole = read_records(store, AsOf(whole=True)).frames
    surveys = whole["survey"][whole["survey"]["survey_date"] <= pd.Timestamp(day)]
    cut = {
        "bridge": whole["bridge"],
        "deck": whole["deck"],
        "traffic": whole["traffic"][whole["traffic"]["year"] < day.year],
        "survey": surveys,
        "defect": whole["defect"][whole["defect"]["survey_id"].isin(surveys["survey_id"])],
        "repair": whole["repair"][whole["repair"]["repair_date"] <= pd.Timestamp(day)],
    }
    path = folder / "then.duckdb"
    flow.create(path, title="Small district", currency="USD", now=datetime(2026, 1, 1))
    from decknet.bench.district import _write_files

    folder.mkdir(exist_ok=True)
    frames = {kind: frame.reset_index(drop=True) for kind, frame in cut.items()}
    for loaded in flow.load(path, _write_files(frames, folder), now=datetime(2026, 1, 1), who="test"):
        assert loaded.reading is not None, loaded.error
        assert not (loaded.reading.faults["severity"] == "refuse").any()
    return path


@pytest.mark.parametrize("day", [date(2024, 1, 1), date(2025, 3, 15)])
@pytest.mark.slow
def test_as_of_a_day_is_what_the_store_gave_with_the_records_to_that_day(district, tmp_path, answer, day):
    (tmp_path / "cut").mkdir()
    then = _records_to(district, tmp_path / "cut", day)
    on = ("--as-of", day.isoformat())
    for command in (
        ("rank", *on), ("growth", *on), ("growth", "--check", *on),
        ("programme", "--budget", "300000", "--years", "3", *on), ("survival", *on),
        ("query", "SELECT survey_id, unsound_share FROM survey_history", *on),
        ("query", "SELECT deck_id, share_now FROM deck_status", *on),
        ("query", "SELECT bridge_id, year, aadt FROM traffic ORDER BY ALL", *on),
    ):  # fmt: skip
        name, *rest = command
        now = answer(name, district, *rest)
        held = answer(name, then, *rest)
        assert json.dumps(now) == json.dumps(held), name


def test_what_is_left_out_is_said_and_a_today_in_the_past_is_an_as_of(district, run):
    code, out, err = run("rank", district, "--today", "2024-01-01", "--json")
    assert code == 0
    assert "Records dated to 2024-01-01; left out as later:" in err
    assert out == run("rank", district, "--as-of", "2024-01-01", "--json")[1]
    assert run("rank", district, "--today", DAY)[2] == ""
    code, _, err = run("rank", district, "--today", "2024-01-01", "--as-of", "2025-01-01")
    assert code == 2
    assert "is later than --today" in err


def test_a_forecast_of_a_later_day_from_older_records(district, answer):
    decks = {
        d["deck_id"]: d for d in answer("rank", district, "--as-of", "2024-01-01", "--today", "2026-01-01")["decks"]
    }
    now = {d["deck_id"]: d for d in answer("rank", district, "--as-of", "2024-01-01")["decks"]}
    last = max(d["survey_date"] for d in decks.values() if d["survey_date"])
    assert last <= "2024-01-01"
    grown = [d for d in decks if decks[d]["share_now"] > now[d]["share_now"]]
    assert len(grown) > len(decks) / 2


@pytest.mark.slow
def test_known_by_takes_records_as_they_counted_then(store, tmp_path, answer):
    deck = answer("rank", store, "--today", DAY)["decks"][-1]["deck_id"]
    before = answer("rank", store, "--today", DAY, "--known-by", date.today().isoformat())
    late = tmp_path / "late.csv"
    late.write_text(
        f"survey id,deck id,survey date,method,unsound m2\nLATE,{deck},{DAY},sounding,55\n", encoding="utf-8"
    )
    day = date.today()
    (one,) = list(flow.load(store, [late], now=datetime.combine(day + timedelta(days=2), datetime.min.time()), who="t"))
    assert one.intake.new == 1
    then = answer("rank", store, "--today", DAY, "--known-by", day.isoformat())
    assert then == before
    assert answer("rank", store, "--today", DAY)["decks"] != before["decks"]
    flow.undo(store, one.intake.intake_id, now=datetime.combine(day + timedelta(days=9), datetime.min.time()), who="t")
    assert answer("rank", store, "--today", DAY)["decks"] == before["decks"]
    still = answer("rank", store, "--today", DAY, "--known-by", (day + timedelta(days=5)).isoformat())
    assert still["decks"] != before["decks"]  # then it was in, and not taken back yet


def test_a_record_of_a_year_is_of_its_middle(tmp_path):
    path = tmp_path / "years.duckdb"
    flow.create(path, title="Years", currency="USD", now=datetime(2026, 1, 1))
    (tmp_path / "bridges.csv").write_text("bridge id,deck length m,deck width m\nB,40,9\n", encoding="utf-8")
    (tmp_path / "traffic.csv").write_text("bridge id,year,aadt\nB,2020,100\nB,2021,900\n", encoding="utf-8")
    list(flow.load(path, [tmp_path / "bridges.csv", tmp_path / "traffic.csv"], now=datetime(2026, 1, 1), who="t"))
    for day, years in ((date(2021, 1, 1), [2020]), (date(2021, 6, 30), [2020]), (date(2021, 7, 1), [2020, 2021])):
        assert read_records(path, AsOf(records_to=day))["traffic"]["year"].tolist() == years
    # a count of the year that runs is no record of a later day
    assert read_records(path, AsOf(today=date(2021, 2, 1))).records_to is None
    assert read_records(path, AsOf(today=date(2020, 12, 31))).records_to == date(2020, 12, 31)


def test_python_reads_once_and_answers_from_that_moment(store, tmp_path, answer):
    with decknet.open(store, write=True, today=date.fromisoformat(DAY)) as opened:
        first = opened.rank()
        deck = first["deck_id"].iloc[-1]
        (tmp_path / "late.csv").write_text(
            f"survey id,deck id,survey date,method,unsound m2\nLATE,{deck},{DAY},sounding,55\n", encoding="utf-8"
        )
        list(flow.load(store, [tmp_path / "late.csv"], now=datetime(2026, 12, 1), who="t"))
        assert "LATE" not in set(opened.surveys()["survey_id"])
        assert opened.rank().equals(first)
        opened.refresh()
        assert "LATE" in set(opened.surveys()["survey_id"])
        assert not opened.rank().equals(first)


def test_a_condition_says_what_a_network_says(district):
    found = flow.read_condition(district, settings=Settings(), asked=AsOf(date.fromisoformat(DAY)))
    assert found.status is found.status
    assert found.growth is found.growth

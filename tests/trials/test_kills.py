"""A program ended at any moment loses nothing that was stored, and there is always a way on."""

from __future__ import annotations

import json
import random
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.quick import first
from tests.trials.bench import Bench, Tally, judged, trials
from tests.trials.conftest import World

STORE = "district.duckdb"
KILLS = 36


@dataclass(frozen=True)
class Work:
    """A command to be ended in its middle: what it begins from, and what it would come to."""

    name: str
    argv: tuple[object, ...]
    begins: Path | None
    before: dict[str, Any]
    after: dict[str, Any]
    how: dict[str, Any]
    took: float
    done_already: str = ""


def _works(bench: Bench, world: World) -> list[Work]:
    """Each run to its end once, to know how long it takes and what it comes to."""
    out = []
    for name, argv, begins, how, already in (
        ("new", ("new", STORE), None, {}, "exists already"),
        ("migrate", ("intakes", STORE), world.older, {}, ""),
        ("load", ("load", STORE, *world.files), world.store, {}, ""),
        ("undo", ("undo", STORE, 3), world.store, {}, "taken back already"),
        ("programme --keep", (STORE,), world.store, {"deed": "keep_programme"}, "kept already"),
        ("snapshot", ("snapshot", STORE, "snap"), world.store, {}, "exists already"),
    ):
        folder = bench.fresh()
        if begins is not None:
            shutil.copyfile(begins, folder / STORE)
        done = bench.run(folder, *argv, **how)
        assert done["code"] in (0, 1), done["said"]
        assert "Traceback" not in done["said"], done["said"]
        before = {"undone": [], "programmes": []} if begins is None else world.holds
        after = bench.told(folder, "tell", STORE)
        out.append(Work(name, argv, begins, before, after, how, done["took"], already))
    return out


def _kill(bench: Bench, world: World, work: Work, rng: random.Random, tally: Tally) -> None:
    folder = bench.fresh()
    store = folder / STORE
    (folder / "other.txt").write_text("not ours", encoding="utf-8")
    if work.begins is not None:
        shutil.copyfile(work.begins, store)
    if rng.random() < 0.4:
        how = {"seconds": rng.uniform(0, 1.1) * work.took}
    else:
        names = [f"{STORE}.wal", f".{STORE}.part", f".{STORE}.kept", ".snap.part"]
        how = {"sight": rng.sample(names, 2), "seconds": rng.uniform(0, 0.4) * work.took * rng.random()}
    ended = bench.run(folder, *work.argv, **work.how, **how)
    where = f"{work.name}, {how}"
    if "Traceback" in ended["said"]:
        tally.fault("traceback", f"{where}: {ended['said']}")
        return
    if not ended["killed"]:
        tally.add("came to its end before")
        return
    again = bench.run(folder, *work.argv, **work.how) if work.begins is None and not store.exists() else None
    if again is not None and again["code"]:
        tally.fault("no way on", f"{where}: {again['said']}")
        return
    told = bench.told(folder, "look", STORE, world.backup, [], [])
    if told["broke"]:
        tally.fault("traceback", f"{where}: {told['broke']}")
        return
    wrong = judged(told["content"], work.before, work.after)
    if wrong or told["way"] == "backup":
        tally.fault("lost", f"{where}: {wrong} {told}")
        return
    again = bench.run(folder, *work.argv, **work.how)
    found = bench.told(folder, "tell", STORE)
    if found != work.after or (again["code"] and work.done_already not in again["said"]):
        tally.fault("no way on", f"{where}: {again['said']}")
        return
    left = {p.name for p in folder.iterdir()} - {STORE, "other.txt", "snap"}
    left = {name for name in left if ".set-aside-" not in name}
    scratch = folder / f".{STORE}.part"  # the next generation is made there; a program ended leaves its lock
    if scratch.exists() and [p.name for p in scratch.iterdir()] in ([], ["lock"]):
        left.discard(scratch.name)
    if left or (folder / "other.txt").read_text(encoding="utf-8") != "not ours":
        tally.fault("something left behind", f"{where}: {left}")
        return
    tally.add(f"{work.name}: " + ("recovered with the command named" if told["way"] else "whole"))


@pytest.mark.slow
def test_a_program_ended_at_any_moment_loses_nothing(bench, world, tries, hours):
    tally = Tally("Programs ended at a random moment")
    works = _works(bench, world)
    for number in trials(tries or KILLS, hours, tally):
        _kill(bench, world, works[number % len(works)], random.Random(f"2 {number}"), tally)
    tally.check()


@pytest.mark.parametrize("step", first(1, [3, 0, 1, 2, 4, 5, 6]))
def test_a_store_ended_at_any_layout_is_opened_again(bench, step):
    """Of each layout the tables are made, and the program is ended before its log is folded in."""
    folder = bench.fresh()
    done = bench.run(folder, STORE, step, deed="end_at_layout")
    assert done["killed"]
    assert (folder / f"{STORE}.wal").stat().st_size > 0
    told = bench.told(folder, "look", STORE, "", [], ["undo", STORE, "1"])
    assert told["broke"] == ""
    if step == 0:
        assert "its making was broken off" in told["said"]
        assert "decknet new" in told["said"]
        return
    assert told["code"] == 0, told["said"]
    assert told["way"] == ""
    assert told["last"][0] == 1
    assert "there is no such intake" in told["last"][1]
    assert json.dumps(told["content"]) == '{"undone": [], "programmes": []}'

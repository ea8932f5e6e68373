"""One byte of a store changed: it is found wherever it lies, nothing is written over it, and the store comes back."""

from __future__ import annotations

import random
import shutil

import pytest

from tests.trials.bench import Bench, Tally, judged, trials
from tests.trials.conftest import World

STORE = "district.duckdb"
FLIPS = 40


def _flip(bench: Bench, world: World, rng: random.Random, tally: Tally) -> None:
    folder = bench.fresh()
    data = bytearray(world.store.read_bytes())
    at = rng.randrange(len(data))
    data[at] ^= 1 << rng.randrange(8)
    (folder / STORE).write_bytes(data)
    tries = [["undo", STORE, "1"], ["backup", STORE, "copy.duckdb"]]
    told = bench.told(folder, "look", STORE, str(world.backup), tries, [])
    where = f"byte {at} of {len(data)}"
    (undo, undo_said, same), (backup, backup_said, _) = told["then"]
    wrong = judged(told["content"], world.holds, world.holds)
    if told["broke"]:
        tally.fault("traceback", f"{where}: {told['broke']}")
    elif told["verify"][0] == 0:
        tally.fault("passed as whole", where)
    elif undo == 0 or not same:
        tally.fault("written to", f"{where}: {undo_said}")
    elif backup == 0 or (folder / "copy.duckdb").exists():
        tally.fault("backed up", f"{where}: {backup_said}")
    elif wrong:
        tally.fault("lost", f"{where}: {wrong} {told}")
    else:
        tally.add("found; " + {"recover": "rows written anew", "backup": "backup put in its place"}[told["way"]])


def _log_flip(bench: Bench, world: World, rng: random.Random, tally: Tally) -> None:
    """The same in a log that a program which broke off has left."""
    folder = bench.fresh()
    shutil.copyfile(world.store, folder / STORE)
    done = bench.run(folder, STORE, deed="keep_and_end")
    assert done["killed"], done["said"]
    log = folder / f"{STORE}.wal"
    data = bytearray(log.read_bytes())
    at = rng.randrange(len(data))
    data[at] ^= 1 << rng.randrange(8)
    log.write_bytes(data)
    told = bench.told(folder, "look", STORE, "", [["undo", STORE, "1"]], [])
    where = f"byte {at} of {len(data)} of the log"
    wrong = judged(told["content"], world.holds, world.holds | {"programmes": [["agreed", 400]]})
    if told["broke"]:
        tally.fault("traceback", f"{where}: {told['broke']}")
    elif told["verify"][0] == 0:
        tally.fault("passed as whole", where)
    elif told["then"][0][0] == 0 or not told["then"][0][2]:
        tally.fault("written to", f"{where}: {told['then'][0][1]}")
    elif wrong:
        tally.fault("lost", f"{where}: {wrong} {told}")
    else:
        tally.add("in the log: found; recovered up to the damage")


@pytest.mark.slow
def test_a_flipped_byte_is_found_and_the_store_comes_back(bench, world, tries, hours):
    tally = Tally("Bytes flipped")
    for number in trials(tries or FLIPS, hours, tally):
        (_log_flip if number % 10 == 9 else _flip)(bench, world, random.Random(f"2 {number}"), tally)
    tally.check()

"""Full disks, missing rights, folders gone, a second writer, damage: one sentence with a remedy, and nothing lost."""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.trials.bench import Bench, Tally, judged, trials
from tests.trials.conftest import World

STORE = "district.duckdb"
WRITING = ("load", "undo", "programme --keep", "migrate", "recover")
READING = ("intakes", "check", "query", "verify", "snapshot", "backup", "export", "history")
VERBS = (*WRITING, *READING, "new", "new --from")


def _lay(world: World, verb: str, folder: Path) -> tuple[tuple[object, ...], dict[str, Any]]:
    """Lay a store down for a verb; the command on it."""
    store = folder / STORE
    if verb not in ("new", "new --from"):
        shutil.copyfile(world.older if verb == "migrate" else world.store, store)
    if verb == "recover":
        (folder / f"{STORE}.wal").write_bytes(
            b"d\0be\0\x02f\0\x10" + b"\1" * 16 + b"g\0\1\xff\xff" + b"rest of an entry"
        )
    argv: dict[str, tuple[object, ...]] = {
        "load": ("load", store, *world.files), "undo": ("undo", store, 3), "programme --keep": (str(store),),
        "migrate": ("intakes", store), "recover": ("recover", store), "intakes": ("intakes", store),
        "check": ("check", store), "query": ("query", store, "SELECT count(*) FROM survey"),
        "verify": ("verify", store),
        "snapshot": ("snapshot", store, folder / "snap"), "backup": ("backup", store, folder / "copy.duckdb"),
        "export": ("export", store, "--as", "csv", "-o", folder / "tables"),
        "history": ("history", store, "01001"),
        "new": ("new", store), "new --from": ("new", store, "--from", world.backup),
    }  # fmt: skip
    return argv[verb], {"deed": "keep_programme"} if verb == "programme --keep" else {}


def _told_wrong(verb: str, done: dict[str, Any]) -> str:
    """What is wrong with how a command ended; empty where it did its work, or said in one sentence why not."""
    said = [line for line in done["said"].splitlines() if line.startswith("decknet: ")]
    if "Traceback" in done["said"] or done["code"] not in (0, 1):
        return f"traceback (code {done['code']}): {done['said']}"
    if done["code"] == 1 and not said and verb in ("load", "check"):
        return ""  # done, and rows are listed that were refused
    if done["code"] == 1 and "decknet verify" not in done["said"] and "not whole" not in done["said"]:
        if len(said) != 1:
            return f"not one sentence: {done['said']}"
        if said[0].count(". ") + said[0].count(": decknet ") < 1:
            return f"no remedy: {said[0]}"
    return ""


class Afters:
    """What each verb comes to where nothing is in its way; worked out when it is asked for."""

    def __init__(self, bench: Bench, world: World) -> None:
        self.bench, self.world = bench, world
        self.known: dict[str, dict[str, Any]] = {}

    def __getitem__(self, verb: str) -> dict[str, Any]:
        if verb not in self.known:
            folder = self.bench.folder / "after"
            folder.mkdir()
            argv, how = _lay(self.world, verb, folder)
            done = self.bench.run(folder, *argv, **how)
            assert "Traceback" not in done["said"], done["said"]
            assert done["code"] == 0 or verb in ("load", "check"), done["said"]
            self.known[verb] = self.bench.told(folder, "tell", STORE)
            shutil.rmtree(folder)
        return self.known[verb]


@pytest.fixture(scope="module")
def afters(bench: Bench, world: World) -> Afters:
    return Afters(bench, world)


def _after_it(bench: Bench, world: World, verb: str, folder: Path, after: dict[str, Any]) -> str:
    """What is wrong with the store afterwards, with nothing in the way any more; empty where nothing is."""
    if not (folder / STORE).exists():
        return "" if verb in ("new", "new --from") else "the store is gone"
    told = bench.told(folder, "look", STORE, "", [], [])
    if told["broke"]:
        return str(told["broke"])
    made = {"undone": [], "programmes": []} if verb == "new" else world.holds
    return judged(told["content"], made, after)


@contextmanager
def _full_disk(folder: Path, size: int) -> Iterator[None]:
    """A disk of so many bytes at a folder; skipped where none may be mounted."""
    argv = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(argv, capture_output=True).returncode:
        pytest.skip("a small disk may be mounted by the system's owner only; the limit on a file's size is tried")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def _limited(bench: Bench, world: World, afters: Afters, verb: str, rng: random.Random, tally: Tally) -> None:
    """No file may grow past a size, as on a full disk."""
    folder = bench.fresh()
    argv, how = _lay(world, verb, folder)
    most = rng.choice([rng.randrange(20_000, 400_000), rng.randrange(20_000, 2 * world.store.stat().st_size)])
    done = bench.run(folder, *argv, **how, most_bytes=most)
    _judge(bench, world, afters, verb, folder, done, f"{verb}, files up to {most} bytes", tally)


def _mounted(bench: Bench, world: World, afters: Afters, verb: str, rng: random.Random, tally: Tally) -> None:
    """A small disk with nearly no room left."""
    folder, copy = bench.fresh(), bench.folder / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    room = rng.choice([4096, rng.randrange(4096, 300_000), rng.randrange(4096, 2 * world.store.stat().st_size)])
    with _full_disk(folder, world.store.stat().st_size + 65_536 + room):
        argv, how = _lay(world, verb, folder)
        done = bench.run(folder, *argv, **how)
        shutil.copytree(folder, copy)
    _judge(bench, world, afters, verb, copy, done, f"{verb}, {room} bytes of room", tally)


def _judge(
    bench: Bench, world: World, afters: Afters, verb: str, folder: Path, done: dict[str, Any], where: str,
    tally: Tally,
) -> None:  # fmt: skip
    wrong = _told_wrong(verb, done) or _after_it(bench, world, verb, folder, afters[verb])
    if wrong:
        tally.fault("wrong", f"{where}: {wrong}")
    else:
        tally.add(f"{verb}: " + ("done" if done["code"] == 0 or (verb in ("load", "check") and "decknet:" not in
                                 done["said"]) else "refused in words, nothing lost"))  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("way", [_limited, _mounted])
def test_a_full_disk_is_said_and_loses_nothing(bench, world, afters, way, tries, hours):
    tally = Tally("Full disks")
    for number in trials(tries or 2 * len(VERBS), hours, tally):
        way(bench, world, afters, VERBS[number % len(VERBS)], random.Random(f"2 {number}"), tally)
    tally.check()


@pytest.mark.parametrize("what", ["folder", "file", "hidden"])
@pytest.mark.slow
def test_missing_rights_are_said(bench, world, afters, what):
    """The folder, or the file, may not be written; or the folder may not be entered."""
    tally = Tally(f"Missing rights ({what})")
    for verb in VERBS:
        folder = bench.fresh() / "district"
        folder.mkdir()
        argv, how = _lay(world, verb, folder)
        target = folder / STORE if what == "file" and (folder / STORE).exists() else folder
        mode = target.stat().st_mode
        target.chmod({"folder": 0o500, "file": 0o400, "hidden": 0o000}[what])
        done = bench.run(folder.parent, *argv, **how, ordinary=True)
        target.chmod(mode)
        _judge(bench, world, afters, verb, folder, done, f"{verb}, {what}", tally)
        if verb in WRITING and done["code"] == 0:
            tally.fault("written without the right", verb)
    tally.check()


@pytest.mark.slow
def test_a_folder_that_is_not_there_or_vanishes_is_said(bench, world, afters):
    tally = Tally("Folders gone")
    for verb in VERBS:
        folder = bench.fresh()
        argv, how = _lay(world, verb, folder / "gone" if verb == "new" else folder)
        shutil.rmtree(folder)
        folder.mkdir()
        if verb == "new --from":
            argv = ("new", folder / "gone" / STORE, "--from", world.backup)
        done = bench.run(folder, *argv, **how)
        if verb == "new --from" and not done["code"]:  # brings a copy back into a folder that it makes
            tally.add("made with its folder")
            continue
        wrong = _told_wrong(verb, done) or ("" if done["code"] else "done")
        tally.fault("wrong", f"{verb}: {wrong}") if wrong else tally.add("refused in words")
    for verb in ("load", "undo", "programme --keep", "migrate", "backup", "snapshot"):
        folder = bench.fresh()
        argv, how = _lay(world, verb, folder)
        sight = [f"{STORE}.wal", ".copy.duckdb.part", ".snap.part"]
        done = bench.run(folder, *argv, **how, sight=sight, vanish=True)
        gone = folder.with_name(f"{folder.name}-gone")
        if not gone.exists():
            tally.add(f"{verb}: done before its folder vanished")
            continue
        _judge(bench, world, afters, verb, gone, done, f"{verb}, its folder vanishing", tally)
        shutil.rmtree(gone)
    tally.check()


@pytest.mark.slow
def test_a_second_writer_is_told_to_wait(bench, world):
    tally = Tally("Stores that someone else writes to")
    code = "import duckdb,sys; c=duckdb.connect(sys.argv[1]); print('open',flush=True); sys.stdin.read()"
    for verb in VERBS:
        if verb in ("new", "new --from"):
            continue
        folder = bench.fresh()
        argv, how = _lay(world, verb, folder)
        (folder / f"{STORE}.wal").unlink(missing_ok=True)
        with subprocess.Popen(
            [sys.executable, "-c", code, str(folder / STORE)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline().strip() == b"open"
            done = bench.run(folder, *argv, **how)
            other.communicate()
        if done["code"] != 1 or "in use" not in done["said"] or "Traceback" in done["said"]:
            tally.fault("wrong", f"{verb}: {done['said']}")
        else:
            tally.add("told to wait")
    tally.check()


@pytest.mark.slow
@pytest.mark.parametrize("part", ["header", "rows", "cut", "name of the kind"])
def test_a_damaged_store_is_not_read_as_whole_nor_written_to(bench, world, part):
    tally = Tally(f"Damaged stores ({part})")
    whole = world.store.read_bytes()
    harmed = {
        "header": whole[:8200] + bytes([whole[8200] ^ 1]) + whole[8201:],
        "rows": b"".join([whole[:12288], *(whole[n : n + 5000] + bytes([whole[n + 5000] ^ 1]) + whole[n + 5001 : n +
                          262_144] for n in range(12288, len(whole), 262_144))]),
        "cut": whole[: len(whole) // 2],
        "name of the kind": whole[:8] + b"DUKC" + whole[12:],
    }[part]  # fmt: skip
    for verb in VERBS:
        if verb in ("new --from", "migrate"):
            continue
        folder = bench.fresh()
        argv, how = _lay(world, verb, folder)
        (folder / f"{STORE}.wal").unlink(missing_ok=True)
        (folder / STORE).write_bytes(harmed)
        done = bench.run(folder, *argv, **how)
        wrong = _told_wrong(verb, done)
        remedy = "never overwrites" if verb == "new" else "decknet recover"
        if (folder / STORE).read_bytes() != harmed:
            tally.fault("written to", f"{verb}: {done['said']}")
        elif wrong or done["code"] != 1 or remedy not in done["said"]:
            tally.fault("wrong", f"{verb}: {wrong or done['said']}")
        else:
            tally.add("refused in words")
    tally.check()

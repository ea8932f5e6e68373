"""A power cut at any moment: what a disk may then hold is put together from images, and comes back whole.

A disk writes sectors of 512 bytes in any order until it is told to finish. What lies between two images is any
mixture of the sectors that differ, or a shorter file. While records are stored the file and its log are only added to;
while the log is folded in, the file and log of before are kept beside it. A mixture that the order of writing rules
out (a transaction in the log whose rows never reached the file, as from a disk that says it has finished when it has
not) is tried too.
"""

from __future__ import annotations

import json
import random
from pathlib import Path

import numpy as np
import pytest

from tests.trials.bench import Bench, Tally, judged, trials

pytestmark = pytest.mark.slow

SECTOR = 512
STORE = "made.duckdb"
IMAGES = 60


@pytest.fixture(scope="module")
def images(bench: Bench) -> tuple[Path, Path]:
    """Of a small store, and of one whose third intake is so large that the engine writes its rows to the file first."""
    return _images(bench, "small", 400), _images(bench, "large", 125_000)


def _images(bench: Bench, name: str, rows: int) -> Path:
    folder = bench.folder / name
    folder.mkdir()
    done = bench.run(folder, str(folder), rows, deed="make_images")
    assert done["code"] == 0, done["said"]
    return folder


def _mixed(old: bytes, new: bytes, rng: random.Random) -> bytes:
    """What a disk may hold on its way from one image to the next: some sectors new, some old, some zero; or cut."""
    out = bytearray(new)
    share = rng.random()
    for start in range(0, len(new), SECTOR):
        end = min(start + SECTOR, len(new))
        if new[start:end] != old[start:end] and rng.random() < share:
            out[start:end] = old[start:end].ljust(end - start, b"\0")
    if len(new) > len(old) and rng.random() < 0.5:
        del out[rng.randrange(len(old), len(new)) :]
    return bytes(out)


def _image(folder: Path, number: int) -> tuple[bytes, bytes]:
    log = folder / f"{number}.log"
    return (folder / f"{number}.file").read_bytes(), log.read_bytes() if log.exists() else b""


def _lay(folder: Path, file: bytes, log: bytes) -> None:
    (folder / STORE).write_bytes(file)
    if log:
        (folder / f"{STORE}.wal").write_bytes(log)


def _torn(images: Path, folder: Path, rng: random.Random) -> tuple[str, int, int]:
    """Lay an image down; what it is, and the numbers of the states before and after."""
    step = rng.randrange(5)
    (old_file, old_log), (new_file, new_log) = _image(images, step), _image(images, step + 1)
    if step == 4:  # folding in: first a copy is made beside the store, then the log is taken in
        aside = folder / (f".{STORE}.part" if rng.random() < 0.2 else f".{STORE}.kept")
        making = aside / "kept" if aside.name.endswith(".part") else aside
        making.mkdir(parents=True)
        if making != aside:
            _lay(folder, old_file, old_log)
            _lay(making, _mixed(b"", old_file, rng), old_log)
            return "folding in: copy beside it torn", step, step
        _lay(making, old_file, old_log)
        _lay(folder, _mixed(old_file, new_file, rng), rng.choice([b"", old_log, _mixed(old_log, b"", rng)]))
        return "folding in: file torn", step, step
    if len(new_file) > len(old_file) and rng.random() < 0.6:
        if rng.random() < 0.5:
            _lay(folder, _mixed(old_file, new_file, rng), old_log)
            return "rows on their way to the file", step, step
        _lay(folder, _mixed(old_file, new_file, rng), new_log)
        return "a disk that did not finish what it said", step, step + 1
    if rng.random() < 0.3:
        _lay(folder, new_file, new_log[: rng.randrange(len(old_log), len(new_log))])
        return "log cut", step, step + 1
    _lay(folder, new_file, _mixed(old_log, new_log, rng))
    return "log torn", step, step + 1


def _try(bench: Bench, both: tuple[Path, Path], rng: random.Random, tally: Tally) -> None:
    folder = bench.fresh()
    images = both[rng.random() < 0.2]
    kind, old, new = _torn(images, folder, rng)
    before, after = (json.loads((images / f"{n}.json").read_text(encoding="utf-8")) for n in (old, new))
    told = bench.told(folder, "look", STORE, "", [], ["undo", STORE, "3"])
    wrong = judged(told["content"], before, after)
    if told["broke"]:
        tally.fault("traceback", f"{kind}: {told['broke']}")
    elif wrong:
        tally.fault("lost", f"{kind}, {old} to {new}: {wrong} {told}")
    elif told["last"][0] and "there is no such intake" not in told["last"][1]:
        tally.fault("no way on", f"{kind}: {told['last']}")
    else:
        tally.add(f"{kind}: " + ("recovered with the command named" if told["way"] else "whole"))


@pytest.mark.slow
def test_a_power_cut_loses_nothing_that_was_stored(bench, images, tries, hours):
    tally = Tally("Images torn or cut")
    for number in trials(tries or IMAGES, hours, tally):
        _try(bench, images, random.Random(f"2 {number}"), tally)
    tally.check()


def test_a_sector_of_the_log_that_its_checksum_does_not_miss(bench, images):
    """The words of an entry are put together in any order, so those of a column that says one thing cancel out.

    A sector of 2020, or of zeros, can be lost without a trace in the checksum. Rows are held against the log of intakes
    before such a log is taken into the file, whoever opens the store first.
    """
    small = images[0]
    (file, new_log), (_, old_log) = _image(small, 2), _image(small, 1)
    before = json.loads((small / "1.json").read_text(encoding="utf-8"))
    year = np.full(SECTOR // 4, 2020, dtype="<i4").tobytes()
    at = new_log.index(year, len(old_log))
    assert not int(np.bitwise_xor.reduce(np.frombuffer(year, dtype="<u8") * np.uint64(0xBF58476D1CE4E5B9)))
    for first in ([], [["intakes", STORE]], [["undo", STORE, "2"]]):
        folder = bench.fresh()
        _lay(folder, file, new_log[:at] + bytes(SECTOR) + new_log[at + SECTOR :])
        told = bench.told(folder, "look", STORE, "", first, [])
        assert not told["broke"], told["broke"]
        assert all(code == 1 and "decknet recover" in said and same for code, said, same in told["then"]), told["then"]
        assert told["verify"][0] == 1
        assert told["content"] == before


def test_a_log_whose_beginning_was_lost_is_not_passed_over(bench, images):
    """The engine takes a log that begins in no way it knows for none; a store is not whole then, and comes back."""
    (file, log), state = _image(images[0], 2), json.loads((images[0] / "0.json").read_text(encoding="utf-8"))
    folder = bench.fresh()
    _lay(folder, file, bytes(SECTOR) + log[SECTOR:])
    told = bench.told(folder, "look", STORE, "", [["intakes", STORE], ["undo", STORE, "1"]], [])
    assert not told["broke"], told["broke"]
    assert all(code == 1 and "beginning of its log" in said and same for code, said, same in told["then"]), told["then"]
    assert told["verify"][0] == 1
    assert told["content"] == state

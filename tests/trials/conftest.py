"""A bench, and a small store with its backup to try things on."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from decknet.demo import demo_folder
from tests.trials.bench import Bench


@dataclass(frozen=True)
class World:
    """A store, what it holds, its backup, the same in an older layout, and files to bring in."""

    store: Path
    backup: Path
    older: Path
    files: tuple[Path, ...]
    holds: dict[str, Any]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    pytest.importorskip("resource", reason="children are ended and limited as only Unix can")
    with Bench(tmp_path_factory.mktemp("bench")) as made:
        yield made


def _first_lines(name: str, count: int, to: Path) -> Path:
    lines = (demo_folder() / name).read_text(encoding="utf-8").splitlines(keepends=True)
    to.write_text("".join(lines[: count + 1]), encoding="utf-8")
    return to


@pytest.fixture(scope="module")
def world(bench: Bench) -> World:
    folder = bench.folder / "world"
    folder.mkdir()
    store, backup, older = (folder / f"{name}.duckdb" for name in ("district", "backup", "older"))
    bridges = _first_lines("bridges.csv", 60, folder / "bridges.csv")
    decks = shutil.copyfile(demo_folder() / "decks.xlsx", folder / "decks.xlsx")
    surveys = _first_lines("surveys_2014_2020.csv", 60, folder / "surveys.csv")
    assert bench.run(folder, "new", store)["code"] == 0
    loaded = bench.run(folder, "load", store, bridges, decks, surveys)
    assert loaded["code"] in (0, 1), loaded["said"]
    assert bench.run(folder, "backup", store, backup)["code"] == 0
    done = bench.run(folder, older, store, deed="make_older")
    assert done["code"] == 0, done["said"]
    files = (
        _first_lines("traffic.csv", 150, folder / "traffic.csv"),
        _first_lines("repairs.csv", 40, folder / "repairs.csv"),
        _first_lines("surveys_2014_2020.csv", 120, folder / "later.csv"),
    )
    return World(store, backup, older, files, bench.told(folder, "tell", store))

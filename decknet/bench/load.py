"""Speed of bringing large files in, against what their readers alone take for the same files."""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyogrio
import shapely

from decknet import flow
from decknet.demo import TODAY
from decknet.errors import DecknetError

__all__ = ["load"]

_DECKS, _YEARS = 20_000, 50


def _surveys(path: Path, rows: int, rng: np.random.Generator) -> None:
    deck = np.tile(np.arange(_DECKS), _YEARS)[:rows]
    year = np.repeat(np.arange(_YEARS), _DECKS)[:rows]
    day = (np.datetime64("1976-03-01") + year * 365).astype(str)
    pd.DataFrame(
        {
            "bridge_id": np.char.mod("B-%06d", deck), "survey_date": day, "method": "chain drag",
            "delaminated_m2": np.round(rng.random(rows) * 100, 2), "spalled_m2": np.round(rng.random(rows) * 10, 2),
            "crew": "A", "remarks": "",
        }
    ).to_csv(path, index=False)  # fmt: skip


def _defects(path: Path, polygons: int, rng: np.random.Generator) -> None:
    deck = rng.integers(0, _DECKS, polygons)
    x, y = rng.random(polygons) * 55, rng.random(polygons) * 8 - 5
    shape = shapely.box(x, y, x + 1 + rng.random(polygons) * 3, y + 1 + rng.random(polygons))
    day = (np.datetime64("1976-03-01") + rng.integers(0, 3, polygons) * 365).astype(str)
    fields = {
        "bridge_id": np.char.mod("B-%06d", deck), "survey_date": day, "kind": np.full(polygons, "delamination"),
        "polygon": np.char.mod("P%d", np.arange(polygons)),
    }  # fmt: skip
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "'crs' was not provided")  # deck coordinates have none
        pyogrio.raw.write(
            path, shapely.to_wkb(shape), [v.astype(object) for v in fields.values()], list(fields), layer="defects",
            geometry_type="Polygon", SRID=-1,
        )  # fmt: skip


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _scan(path: Path) -> None:
    with duckdb.connect() as db:
        db.read_csv(str(path)).aggregate("max(columns(*))").fetchall()


def _into_frame(path: Path) -> None:
    """The file into a frame of pandas, as the reader of map files gives one."""
    with duckdb.connect() as db:
        db.read_csv(str(path)).df()


def _into_table(path: Path, store: Path | None) -> None:
    """The file into a table with columns of their own types, no rule checked; in memory, or in a file."""
    if store is not None:
        store.unlink(missing_ok=True)
    with duckdb.connect(str(store) if store else ":memory:") as db:
        db.read_csv(str(path)).to_table("surveys")


def load(
    *, rows: int = 1_000_000, polygons: int = 200_000, seed: int = 1, rounds: int = 3
) -> Iterator[tuple[str, float, str]]:
    """Time a table of surveys and a layer of defects from file into the store.

    Every way of reading is timed in each round, one after the other, so that whatever else the machine does falls on
    all of them; the times given are the middle ones.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Sizes, rates, and how many times longer than the readers alone.
    """
    now = datetime.combine(TODAY, datetime.min.time())
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        inventory, surveys, few = folder / "bridges.csv", folder / "surveys.csv", folder / "surveys_few.csv"
        defects, table = folder / "defects.gpkg", folder / "alone.duckdb"
        ids = np.char.mod("B-%06d", np.arange(_DECKS))
        pd.DataFrame(
            {"bridge_id": ids, "deck length m": 60.0, "deck width m": 12.0, "built year": 1970}
        ).to_csv(inventory, index=False)  # fmt: skip
        _surveys(surveys, rows, rng)
        _surveys(few, min(rows, 3 * _DECKS), rng)
        _defects(defects, polygons, rng)

        def prepared(*files: Path) -> Path:
            store = folder / f"{files[-1].stem}_before.duckdb"
            flow.create(store, title="Bench", currency="USD", now=now)
            for file in files:
                list(flow.load(store, [file], now=now, who="bench"))
            return store

        def into_store(before: Path, file: Path, kept: list[int]) -> float:
            store = folder / "bench.duckdb"
            store.unlink(missing_ok=True)
            shutil.copy(before, store)
            start = time.perf_counter()
            loaded = next(iter(flow.load(store, [file], now=now, who="bench")))
            seconds = time.perf_counter() - start
            if loaded.error or loaded.reading is None:
                raise DecknetError(loaded.error)
            kept.append(loaded.reading.rows_kept)
            return seconds

        def summed(label: str, seconds: float, kept: list[int], alone: dict[str, float]) -> tuple[str, float, str]:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
            times = ", ".join(f"{seconds / t:.1f} times {what}" for what, t in alone.items())
            return (
                label,
                seconds,
                f"{kept[-1]:,} rows kept, {kept[-1] / seconds:,.0f} a second; {times}; at most {peak:.1f} GiB",
            )

        def middle(taken: list[list[float]]) -> list[float]:
            return [statistics.median(t) for t in zip(*taken, strict=True)]

        yield "cores, and work waiting for them", 0.0, f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
        before, kept = prepared(inventory), list[int]()
        scan, frame, memory, file, store = middle([
            [
                _timed(lambda: _scan(surveys)), _timed(lambda: _into_frame(surveys)),
                _timed(lambda: _into_table(surveys, None)), _timed(lambda: _into_table(surveys, table)),
                into_store(before, surveys, kept),
            ]
            for _ in range(rounds)
        ])  # fmt: skip
        size = f"{rows:,} rows, {surveys.stat().st_size / 1e6:,.0f} MB"
        yield "DuckDB alone scans the survey CSV", scan, f"{size}; every cell read, nothing kept"
        yield "DuckDB alone, into a frame", frame, "as pyogrio reads the other file; no rule checked"
        yield "DuckDB alone, into a table in memory", memory, "columns typed as DuckDB finds them, no rule checked"
        yield "DuckDB alone, into a table in a file", file, "the same, written to disk as a store is"
        alone = {"the frame": frame, "the table in a file": file, "the table in memory": memory, "the scan": scan}
        yield summed("the survey CSV into the store", store, kept, alone)
        before = prepared(inventory, few)
        frame, store = middle([
            [_timed(lambda: pyogrio.read_dataframe(defects)), into_store(before, defects, kept)] for _ in range(rounds)
        ])  # fmt: skip
        size = f"{polygons:,} polygons, {defects.stat().st_size / 1e6:,.0f} MB"
        yield "pyogrio alone reads the GeoPackage", frame, size
        yield summed("the GeoPackage into the store", store, kept, {"the reader alone": frame})

"""Speed of bringing large files in, against what their readers alone take for the same files."""

from __future__ import annotations

import resource
import tempfile
import time
import warnings
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyogrio
import shapely

from decknet import flow
from decknet.demo import TODAY

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


def load(*, rows: int = 1_000_000, polygons: int = 200_000, seed: int = 1) -> Iterator[tuple[str, float, str]]:
    """Time a table of surveys and a layer of defects from file into the store.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Sizes, rates, and how many times longer than the reader alone.
    """
    now = datetime.combine(TODAY, datetime.min.time())
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        inventory, surveys, few = folder / "bridges.csv", folder / "surveys.csv", folder / "surveys_few.csv"
        defects = folder / "defects.gpkg"
        ids = np.char.mod("B-%06d", np.arange(_DECKS))
        pd.DataFrame(
            {"bridge_id": ids, "deck length m": 60.0, "deck width m": 12.0, "built year": 1970}
        ).to_csv(inventory, index=False)  # fmt: skip
        _surveys(surveys, rows, rng)
        _surveys(few, min(rows, 3 * _DECKS), rng)
        _defects(defects, polygons, rng)

        def timed(label: str, files: list[Path], alone: float) -> tuple[str, float, str]:
            store = folder / f"{files[-1].stem}.duckdb"
            flow.create(store, title="Bench", currency="USD", now=now)
            for file in files[:-1]:
                list(flow.load(store, [file], now=now, who="bench"))
            start = time.perf_counter()
            loaded = next(iter(flow.load(store, files[-1:], now=now, who="bench")))
            seconds = time.perf_counter() - start
            kept = loaded.reading.rows_kept if loaded.reading else 0
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
            note = f"{kept:,} rows kept, {kept / seconds:,.0f} a second; {seconds / alone:.1f} times the reader alone"
            return label, seconds, f"{note}; memory so far {peak:.1f} GiB{'; ' + loaded.error if loaded.error else ''}"

        start = time.perf_counter()
        with duckdb.connect() as db:
            db.read_csv(str(surveys)).to_table("surveys")
        alone = time.perf_counter() - start
        yield "DuckDB alone reads the survey CSV", alone, f"{rows:,} rows, {surveys.stat().st_size / 1e6:,.0f} MB"
        yield timed("the survey CSV into the store", [inventory, surveys], alone)
        start = time.perf_counter()
        pyogrio.read_dataframe(defects)
        alone = time.perf_counter() - start
        size = f"{polygons:,} polygons, {defects.stat().st_size / 1e6:,.0f} MB"
        yield "pyogrio alone reads the GeoPackage", alone, size
        yield timed("the GeoPackage into the store", [inventory, few, defects], alone)

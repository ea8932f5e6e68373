"""Files to every output, measured."""

from __future__ import annotations

import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from decknet import flow
from decknet.columns import RECORDS
from decknet.demo import TODAY, make_records
from decknet.settings import Settings

__all__ = ["district"]


_FILE_KINDS = ("bridge", "deck", "traffic", "survey", "repair")


def _write_files(records: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """The records as a district would hold them: delimited text, and a GeoPackage of shapes."""
    paths = []
    for kind in _FILE_KINDS:
        frame = records[kind]
        shapes = [c.name for c in RECORDS[kind].columns if c.kind == "shape" and c.name in frame]
        path = folder / f"{kind}s.csv"
        frame.drop(columns=shapes).dropna(axis=1, how="all").to_csv(path, index=False, date_format="%Y-%m-%d")
        paths.append(path)
    defects = records["defect"]
    drawn = defects[defects["shape"].notna()]
    if len(drawn):
        path = folder / "defects.gpkg"
        plain = drawn.drop(columns="shape").dropna(axis=1, how="all")
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="'crs' was not provided")  # deck coordinates have none
            gpd.GeoDataFrame(plain, geometry=drawn["shape"].to_numpy()).to_file(path, layer="defects")
        paths.insert(4, path)
    return paths


def _load_one(store: Path, file: Path, now: datetime) -> flow.Loaded:
    return next(iter(flow.load(store, [file], now=now, who="bench")))


def district(
    *, decks: int, years: int, budget_per_deck: float = 2_000.0, seed: int = 1
) -> Iterator[tuple[str, float, str]]:
    """Time each step from files to map, workbook, document and programme.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Sizes and rates, with units.
    """
    settings = Settings()
    now = datetime.combine(TODAY, datetime.min.time())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def timed(work: Callable[[], Any]) -> tuple[Any, float]:
            start = time.perf_counter()
            answer = work()
            return answer, time.perf_counter() - start

        records, seconds = timed(lambda: make_records(decks, years, seed, drawn=0.33))
        sizes = ", ".join(f"{len(f):,} {kind}" for kind, f in records.items())
        yield "make the records (not part of the job)", seconds, sizes
        files = _write_files(records, folder)
        store = folder / "bench.duckdb"
        flow.create(store, title="Bench", currency="USD", now=now)
        total = 0.0
        for file in files:
            loaded, seconds = timed(partial(_load_one, store, file, now))
            rows = loaded.reading.rows_read if loaded.reading else 0
            total += seconds
            yield f"load {file.name}", seconds, f"{rows:,} rows, {rows / seconds:,.0f} rows a second; {loaded.error}"
        condition, seconds = timed(lambda: flow.read_condition(store, settings=settings, asked=flow.AsOf(TODAY)))
        total += seconds
        yield "one reading of the records", seconds, ""
        _, seconds = timed(lambda: condition.status)
        total += seconds
        yield "shares, growth, places, ranking", seconds, f"{len(condition.status):,} decks"
        _, seconds = timed(lambda: (condition.works, condition.ahead))
        total += seconds
        yield "repair limits, years to come", seconds, f"{len(condition.limits):,} limits"
        question = flow.Question((budget_per_deck * decks,) * 5, TODAY.year + 1)
        found, seconds = timed(lambda: flow.study(condition, question))
        total += seconds
        yield "programme, 5 years", seconds, f"{len(found.lines):,} lines, proven gap {found.facts['gap']:.3%}"
        written, seconds = timed(lambda: flow.report(found, folder / "report"))
        total += seconds
        for what, path in written.files.items():
            yield f"  {what}", 0.0, f"{path.stat().st_size / 1e6:,.2f} MB"
        yield "other sums of money, back-test, map, workbook, document, GIS file", seconds, ""
        yield "from files to everything", total, f"{decks:,} decks"

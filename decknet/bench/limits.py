"""Repair limits, measured."""

from __future__ import annotations

import itertools
import multiprocessing
import os
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np
import pandas as pd
import shapely

from decknet.demo.shapes import CORNERS, hand_drawn
from decknet.measure import limits_cost, plain_costs, repair_limits
from decknet.settings import Settings

__all__ = ["limits"]


def _drawn_decks(decks: int, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invented decks with 5 to 60 hollow areas each, drawn by an unsteady hand."""
    rng = np.random.Generator(np.random.PCG64(seed))
    count = rng.integers(5, 61, decks)
    owner = np.repeat(np.arange(decks), count)
    n = len(owner)
    length = np.round(np.exp(rng.normal(3.9, 0.5, decks)).clip(10, 300), 1)
    width = np.round(rng.uniform(7, 14, decks), 1)
    shape = hand_drawn(
        rng.uniform(0, length[owner]),
        rng.uniform(-0.5, 0.5, n) * width[owner],
        np.exp(rng.normal(-1.0, 1.0, n)).clip(0.02, 20),
        np.exp(rng.normal(0.3, 0.4, n)),
        rng.normal(0, 1, (n, 3)) * [0.15, 0.10, 0.06],
        rng.uniform(0, 2 * np.pi, (n, 3)),
        rng.normal(0, 0.04, (n, CORNERS)),
    )
    names = np.array([f"D{k:06d}" for k in range(decks)], dtype=object)
    kind = rng.choice(["delamination", "spall", "exposed bar", "hole"], n, p=[0.8, 0.12, 0.05, 0.03])
    defects = pd.DataFrame(
        {"deck_id": names[owner], "kind": kind, "depth_mm": np.nan, "shape": pd.Series(list(shape), dtype="object")}
    )
    frame = pd.DataFrame({"deck_id": names, "length_m": length, "width_m": width, "outline": None, "joints_m": None})
    return defects, frame.assign(slab_mm=200.0, cover_mm=50.0)


def _sent(defects: pd.DataFrame) -> tuple[pd.DataFrame, Any]:
    """Defects as they travel to another process: shapes as well-known binary, which is read far faster."""
    return defects.drop(columns="shape"), shapely.to_wkb(defects["shape"].to_numpy())


def _limits_apart(sent: tuple[pd.DataFrame, Any], decks: pd.DataFrame) -> pd.DataFrame:
    plain, shapes = sent
    defects = plain.assign(shape=pd.Series(shapely.from_wkb(shapes), index=plain.index, dtype="object"))
    return repair_limits(defects, decks, Settings().limits).drop(columns="shape")


def limits(*, decks: int = 2000, seed: int = 1) -> Iterator[tuple[str, float, str]]:
    """Time repair limits on decks of 5 to 60 areas, and hold their cost against plain answers.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Rates and costs, with units.
    """
    settings = Settings().limits
    defects, frame = _drawn_decks(decks, seed)
    length, width = frame["length_m"].sum(), frame["width_m"]
    share = shapely.area(defects["shape"].to_numpy()).sum() / (frame["length_m"] * width).sum()
    yield (
        "decks drawn",
        0.0,
        f"{decks:,} decks, {length / 1000:,.0f} km, {len(defects):,} areas, {share:.1%} of the deck",
    )
    start, busy = time.perf_counter(), time.process_time()
    found = repair_limits(defects, frame, settings)
    seconds, busy = time.perf_counter() - start, time.process_time() - busy
    note = f"{len(defects) / seconds:,.0f} areas a second, {len(defects) / busy:,.0f} a second of the processor's own"
    yield "repair limits, one core", seconds, f"{note}, {len(found):,} limits"
    cores = os.cpu_count() or 1
    edges = np.linspace(0, decks, 4 * cores + 1).astype(int)
    parts = [frame.iloc[a:b] for a, b in itertools.pairwise(edges)]
    given = [defects[defects["deck_id"].isin(part["deck_id"])] for part in parts]
    with ProcessPoolExecutor(cores, mp_context=multiprocessing.get_context("spawn")) as pool:
        list(pool.map(_limits_apart, [_sent(given[0].iloc[:50])] * cores, parts[:1] * cores))  # started
        start = time.perf_counter()
        shared = pd.concat(pool.map(_limits_apart, map(_sent, given), parts), ignore_index=True)
        seconds = time.perf_counter() - start
    same = "same limits" if shared.equals(found.drop(columns="shape")) else "limits differ"
    yield f"repair limits, {cores} cores", seconds, f"{len(defects) / seconds:,.0f} areas a second, {same}"
    cost = limits_cost(found, settings).groupby(found["deck_id"]).sum()
    start = time.perf_counter()
    plain = plain_costs(defects, frame, settings).set_index("deck_id").reindex(cost.index)
    seconds = time.perf_counter() - start
    for name, what in (("merged", "one limit an area, merged until legal"), ("one", "one limit round everything")):
        other = plain[name]
        worst = (cost / other - 1).max()
        note = f"{cost.sum() / other.sum() - 1:+.1%} in all, {worst:+.1%} on the deck that gains least"
        yield f"cost against {what}", seconds if name == "merged" else 0.0, note

"""Ranks with their doubt, measured."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from decknet.demo import TODAY
from decknet.rank import rank_decks, rank_groups, rank_ranges, weight_moves
from decknet.rank.criteria import worth
from decknet.settings import Settings

__all__ = ["ranking"]


def _to_rank(decks: int, seed: int) -> pd.DataFrame:
    """Decks with a share, growth and traffic, and how sure each is."""
    rng = np.random.default_rng(seed)
    share, growth = rng.gamma(1.2, 0.05, decks).clip(0, 1), rng.gamma(1.0, 0.008, decks)
    return pd.DataFrame(
        {
            "deck_id": [f"{i:06d}" for i in range(decks)],
            "share_now": share,
            "share_low": share * 0.7,
            "share_high": np.minimum(share * 1.5, 1.0),
            "share_from": "survey",
            "survey_date": pd.Timestamp(TODAY),
            "deck_rating": 5,
            "growth_per_yr": growth,
            "growth_low": growth * 0.5,
            "growth_high": growth * 1.7,
            "growth_from": "own surveys",
            "aadt": np.exp(rng.normal(7.5, 1.2, decks)),
            "aadt_year": pd.array([TODAY.year - 2] * decks, dtype="Int64"),
            "aadt_from": rng.choice(["count", "route"], decks, p=[0.8, 0.2]),
        }
    )


def ranking(*, decks: int = 600_000, draws: int = 1_000, seed: int = 1) -> Iterator[tuple[str, float, str]]:
    """Time the ranking with its reasons and ranges, and hold it against a general library for decisions.

    Yields
    ------
    As ``district``.
    """
    import resource

    settings = replace(Settings().rank, draws=draws)
    frame = _to_rank(decks, seed)
    start = time.perf_counter()
    ranked = rank_decks(frame, settings)
    seconds = time.perf_counter() - start
    yield "rank with reasons", seconds, f"{decks:,} decks"
    start = time.perf_counter()
    ranges = rank_ranges(frame, settings)
    took = time.perf_counter() - start
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    note = (
        f"{draws:,} draws, {decks * draws / took / 1e6:,.0f} million a second; most memory of this run {most:.1f} GiB"
    )
    yield "ranges of rank", took, note
    start = time.perf_counter()
    groups = rank_groups(
        ranked["rank"].to_numpy(), ranges["priority_mean"].to_numpy(), ranges["priority_sd"].to_numpy(), 0.8
    )
    yield "groups not told apart", time.perf_counter() - start, f"{groups.max():,} groups"
    start = time.perf_counter()
    moves = weight_moves(frame, ranked, settings)
    yield "how far weights can move", time.perf_counter() - start, f"{len(moves)} weights, exact"
    yield "ranked with ranges", seconds + took, f"{decks:,} decks"
    try:
        from pymcdm.methods import TOPSIS, WSM
        from pymcdm.normalizations import minmax_normalization
    except ImportError:
        yield "the same by a general library", 0.0, "pymcdm is not installed"
        return
    table = np.vstack([worth(frame, settings).values, np.zeros(3), np.ones(3)])
    weights = np.array([settings.weight_share, settings.weight_growth, settings.weight_traffic])
    for name, method, by in (("weighted sum", WSM, "sum"), ("distance", TOPSIS, "distance")):
        start = time.perf_counter()
        method(minmax_normalization)(table, weights, np.ones(3), validation=False)
        theirs = time.perf_counter() - start
        start = time.perf_counter()
        worth(frame, replace(settings, by=by)).points()
        ours = time.perf_counter() - start
        yield (
            f"priority by {name}, of {decks:,}",
            ours,
            f"with value curves and points; a general library, ready values: {theirs:.3f} s",
        )
    few = frame.head(min(decks, 2_000))
    start = time.perf_counter()
    rank_ranges(few, settings)
    ours = time.perf_counter() - start
    values, rng = worth(few, settings).values, np.random.default_rng(seed)
    start = time.perf_counter()
    for _ in range(20):
        drawn = np.clip(values * np.exp(0.3 * rng.standard_normal(values.shape)), 0.0, 1.0)
        one = WSM(minmax_normalization)
        one.rank(one(drawn, weights, np.ones(3), validation=False))
    theirs = (time.perf_counter() - start) / 20 * draws
    yield (
        f"ranges of {len(few):,} decks by a loop over it", theirs,
        f"{theirs / ours:,.1f} times ours ({ours:.2f} s); scaled from 20 draws",
    )  # fmt: skip

"""How sure the order is: ranges of rank, the chance of the first so many, and decks that cannot be told apart."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from decknet.rank.criteria import ALWAYS, Worth, worth
from decknet.rank.draws import Drawer, Draws, draw_weights, draws, tables
from decknet.settings import RankSettings

__all__ = ["rank_groups", "rank_ranges"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_DECKS = 4096  # decks drawn together
_DRAWS = 16  # draws drawn together
_STEPS = 16_384  # steps of a value table
_BINS = 16_384  # steps of priority, 0 to 100
_INSIDE = 0.8
_WEIGHT_STREAM = 2**32 - 1


@dataclass(frozen=True, slots=True)
class _Sampler:
    """Priorities of any block of draws and decks, always the same for the same block."""

    scale: Worth
    draw: Drawer
    weights: Draws
    tables: list[tuple[float, float, Draws]]
    values: Draws
    seed: int
    draws: int

    def blocks(self) -> list[slice]:
        return [slice(a, min(a + _DRAWS, self.draws)) for a in range(0, self.draws, _DRAWS)]

    def chunks(self) -> list[slice]:
        n = len(self.values)
        return [slice(a, min(a + _DECKS, n)) for a in range(0, n, _DECKS)]

    def bin(self, chunk: slice, block: slice) -> NDArray[np.uint16]:
        """Priorities as steps of a scale from 0 to 100, shape (draws of the block, decks of the chunk)."""
        key = np.random.SeedSequence([self.seed, chunk.start // _DECKS, block.start // _DRAWS])
        rng = np.random.Generator(np.random.PCG64(key))
        w = self.weights[block]
        parts = []
        for k, x in enumerate(self.draw(chunk, block.stop - block.start, rng)):
            start, steps, table = self.tables[k]
            at = x - np.float32(start)
            at *= np.float32(steps)
            at += np.float32(0.5)
            np.minimum(at, np.float32(_STEPS), out=at)
            parts.append(np.take(table, at.astype(np.int32), mode="clip"))
        parts += [np.broadcast_to(self.values[chunk, k], parts[0].shape) for k in range(len(ALWAYS), w.shape[1])]
        if self.scale.by == "sum":
            priority = w[:, :1] * parts[0]
            for k in range(1, len(parts)):
                priority += w[:, k, None] * parts[k]
        else:
            one = np.float32(1)
            up, down = np.zeros_like(parts[0]), np.zeros_like(parts[0])
            for k, v in enumerate(parts):
                up += (w[:, k, None] * v) ** 2
                down += (w[:, k, None] * (one - v)) ** 2
            up, down = np.sqrt(up), np.sqrt(down)
            priority = up / (up + down)
        priority *= np.float32(_BINS - 1)
        priority += np.float32(0.5)
        binned: NDArray[np.uint16] = priority.astype(np.uint16)
        return binned


def _each(work: Callable[[Any], None], parts: Iterable[Any], threads: int) -> None:
    if threads == 1:
        for part in parts:
            work(part)
        return
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, parts))


def rank_ranges(
    decks: pd.DataFrame, settings: RankSettings, *, draw: Drawer | None = None, threads: int | None = None
) -> pd.DataFrame:
    """Range of rank of every deck, from joint draws of share, growth, traffic and, if asked, the weights.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        As ``rank_decks`` takes, with share_low, share_high, growth_low, growth_high.
    settings : RankSettings
        draws, seed, first, unsure and the spreads.
    draw : Drawer or None
        Draws of share, growth and traffic for slices of the decks *sorted by deck_id*; None takes
        them from the quantiles.
    threads : int or None
        None takes one for each processor. The answer does not depend on it.

    Returns
    -------
    DataFrame, shape (n, 7), in the order of ``decks``
        deck_id; rank_mean (1 to n); rank_low, rank_high (places, the range that holds 80 % of the
        draws); chance_first (0 to 1, of belonging to the first ``settings.first``; over all decks they
        add up to that number); priority_mean, priority_sd (points, over the draws).

    Notes
    -----
    Nothing of size decks x draws is ever held: a first pass counts, for each draw, the decks at each
    of 16,384 steps of priority; a second makes the same draws again, some thousand decks at a time,
    and reads their ranks from those counts. Decks on one step share the
    places they take up between them. Each block of decks and draws has a random stream of its
    own, so neither the number of threads nor the order of rows changes an answer.

    References
    ----------
    published: Lahdelma, Hokkanen and Salminen (1998), SMAA, European Journal of Operational Research 106
    (rank acceptability by draws of measures and weights). The error of a chance from m draws is at
    most 1.96 / (2 sqrt(m)) with 95 % confidence.
    """
    scale = worth(decks, settings)
    n, m = len(decks), settings.draws
    order = np.argsort(decks["deck_id"].to_numpy(dtype=object), kind="stable")
    ordered = decks.iloc[order]
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([settings.seed, _WEIGHT_STREAM])))
    sampler = _Sampler(
        scale, draw or draws(ordered, settings), draw_weights(scale.weights, m, settings, rng).astype(np.float32),
        tables(scale.curves, _STEPS), scale.values[order].astype(np.float32), settings.seed, m,
    )  # fmt: skip
    workers = threads or os.cpu_count() or 1
    chunks, blocks = sampler.chunks(), sampler.blocks()
    ahead = np.zeros((m, _BINS + 1), dtype=np.int32)  # decks at a step or above it

    def count(block: slice) -> None:
        rows = np.concatenate([sampler.bin(chunk, block) for chunk in chunks], axis=1)
        for s, row in enumerate(rows, start=block.start):
            at = np.bincount(row, minlength=_BINS)
            ahead[s, :-1] = at[::-1].cumsum()[::-1]

    out = {name: np.empty(n) for name in ("rank_mean", "rank_low", "rank_high", "chance_first")}
    sums = {name: np.empty(n) for name in ("first", "second")}
    low_at, high_at = round((1 - _INSIDE) / 2 * m), m - 1 - round((1 - _INSIDE) / 2 * m)

    def read(chunk: slice) -> None:
        size = chunk.stop - chunk.start
        twice = np.empty((size, m), dtype=np.int32)  # twice the middle of the places shared, to stay whole
        chance, first, second = np.zeros(size), np.zeros(size), np.zeros(size)
        for block in blocks:
            steps = sampler.bin(chunk, block)
            middle = np.empty(steps.shape, dtype=np.int32)
            for s, row in enumerate(steps.astype(np.intp), start=block.start):
                before = ahead[s, 1:].take(row)
                upto = ahead[s].take(row)
                middle[s - block.start] = before + upto + 1
                front = np.flatnonzero(before < settings.first)
                chance[front] += np.minimum((settings.first - before[front]) / (upto[front] - before[front]), 1.0)
            twice[:, block] = middle.T
            exact = steps.astype(np.float64)
            first += exact.sum(axis=0)
            second += np.einsum("ij,ij->j", exact, exact)
        out["rank_mean"][chunk] = twice.sum(axis=1, dtype=np.int64) / (2 * m)
        twice.sort(axis=1)
        out["rank_low"][chunk] = twice[:, low_at] // 2
        out["rank_high"][chunk] = -(-twice[:, high_at] // 2)
        out["chance_first"][chunk] = chance / m
        sums["first"][chunk], sums["second"][chunk] = first, second

    if n:
        _each(count, blocks, workers)
        _each(read, chunks, workers)
    mean = sums["first"] / m
    spread = np.sqrt(np.maximum(sums["second"] / m - mean**2, 0.0))
    step = 100.0 / (_BINS - 1)
    back = np.empty(n, dtype=np.int64)
    back[order] = np.arange(n)
    answer = pd.DataFrame({"deck_id": decks["deck_id"].to_numpy()})
    for name, values in out.items():
        answer[name] = values[back]
    answer["rank_low"], answer["rank_high"] = answer["rank_low"].astype("int64"), answer["rank_high"].astype("int64")
    answer["priority_mean"], answer["priority_sd"] = mean[back] * step, spread[back] * step
    return answer


def rank_groups(rank: Ints, priority_mean: Floats, priority_sd: Floats, told_apart: float) -> Ints:
    """Groups of decks that cannot be told apart, numbered from the first.

    Parameters
    ----------
    rank : array of int, shape (n,)
    priority_mean, priority_sd : array, shape (n,), points
        Over the draws.
    told_apart : float, 0.5 to 1
        Chance from which two decks are told apart.

    Returns
    -------
    array of int, shape (n,)
        In order of rank, each group runs from its first deck to just before the next that is told
        apart from that first one.

    References
    ----------
    derived: decks are drawn independently, so a lead is taken as normal with the sum of both variances.
    """
    order = np.argsort(rank, kind="stable")
    mean, var = priority_mean[order], priority_sd[order] ** 2
    n, start, number = len(order), 0, 0
    group = np.empty(n, dtype=np.int64)
    while start < n:
        number += 1
        end, width = start + 1, 16
        while end < n:
            there = slice(end, min(end + width, n))
            lead = (mean[start] - mean[there]) / np.sqrt(np.maximum(var[start] + var[there], 1e-12))
            apart = np.flatnonzero(ndtr(lead) >= told_apart)
            if len(apart):
                end += int(apart[0])
                break
            end, width = there.stop, width * 4
        group[start:end] = number
        start = end
    out = np.empty(n, dtype=np.int64)
    out[order] = group
    return out

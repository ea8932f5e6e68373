"""What decks with a like history went on to show: small trees, each correcting what the ones before it left.

A tree asks three questions of a deck's history and so puts it among its like; each of its eight groups answers with
what
its decks were missed by, drawn towards none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decknet.settled import PARAMETER_PLACES, to_places

__all__ = ["Analogues", "learn_analogues"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_TREES = 50
_QUESTIONS = 3
_RATE = 0.1  # part of what a tree finds that is believed
_DRAWN = 60.0  # decks that say "missed by nothing" in every group
_MOST_MISS = 1.5  # a miss beyond this counts as this, in spreads
_CLASSES = 16
_GAIN_PLACES = 4


@dataclass(frozen=True, slots=True)
class Analogues:
    """Trees as learned.

    Attributes
    ----------
    column, cut : arrays, shape (trees, 3)
        What is asked: whether the value of that column lies above the cut.
    value : array, shape (trees, 8)
        What each group answers.
    """

    column: Ints
    cut: Floats
    value: Floats

    def at(self, x: Floats) -> Floats:
        """What the groups of histories answer, added up.

        Parameters
        ----------
        x : array, shape (n, columns)
            As was learned from.
        """
        x = np.ascontiguousarray(to_places(x, PARAMETER_PLACES).T)
        out = np.zeros(x.shape[1])
        for column, cut, value in zip(self.column, self.cut, self.value, strict=True):
            group = np.zeros(x.shape[1], dtype=np.int64)
            for c, limit in zip(column.tolist(), cut.tolist(), strict=True):
                group = 2 * group + (x[c] > limit)
            out += value[group]
        return out


def _best_question(bins: Ints, sizes: list[int], group: Ints, groups: int, left: Floats) -> tuple[int, int]:
    """The column and class above which to part every group, so that most of what is left is told."""
    best, where = -1.0, (0, 0)
    for c, size in enumerate(sizes):
        cell = group * size + bins[c]
        n = np.bincount(cell, minlength=groups * size).reshape(groups, size).cumsum(axis=1).astype(np.float64)
        g = np.bincount(cell, weights=left, minlength=groups * size).reshape(groups, size).cumsum(axis=1)
        above_n, above_g = n[:, -1:] - n, g[:, -1:] - g
        gain = (g**2 / (n + _DRAWN) + above_g**2 / (above_n + _DRAWN)).sum(axis=0)[:-1]
        gain = to_places(gain, _GAIN_PLACES)  # two questions that part the decks alike: the first, on every machine
        at = int(np.argmax(gain))
        if gain[at] > best:
            best, where = float(gain[at]), (c, at)
    return where


def learn_analogues(x: Floats, miss: Floats) -> Analogues:
    """Learn from decks whose next survey is known.

    Parameters
    ----------
    x : array, shape (n, columns)
        Their histories in figures.
    miss : array, shape (n,)
        By how much the next survey came out above what was expected, in spreads.

    Notes
    -----
    Histories and misses are rounded to six decimals first; all that follows is sums in a fixed order and comparisons.

    References
    ----------
    published: Friedman (2001), Greedy function approximation: a gradient boosting machine, Annals of Statistics
    29:1189-1232 (trees on residuals, with Huber's loss); here every group of a tree is asked the same question.
    """
    x, miss = to_places(x, PARAMETER_PLACES), to_places(miss, PARAMETER_PLACES)
    ranks = np.arange(1, _CLASSES) / _CLASSES
    ordered = np.sort(x, axis=0)
    picks = (ranks * len(x)).astype(np.int64)
    cuts = [np.unique(ordered[picks, c]) if len(x) else np.zeros(0) for c in range(x.shape[1])]
    bins = np.stack([np.searchsorted(cut, x[:, c]) for c, cut in enumerate(cuts)])
    sizes = [len(cut) + 1 for cut in cuts]
    column = np.zeros((_TREES, _QUESTIONS), dtype=np.int64)
    limit, value = np.zeros((_TREES, _QUESTIONS)), np.zeros((_TREES, 2**_QUESTIONS))
    told = np.zeros(len(x))
    if max(sizes) < 2:
        return Analogues(column, limit, value)
    for tree in range(_TREES):
        left = np.clip(miss - told, -_MOST_MISS, _MOST_MISS)
        group = np.zeros(len(x), dtype=np.int64)
        for question in range(_QUESTIONS):
            c, k = _best_question(bins, sizes, group, 2**question, left)
            column[tree, question], limit[tree, question] = c, cuts[c][k]
            group = 2 * group + (bins[c] > k)
        n = np.bincount(group, minlength=2**_QUESTIONS)
        value[tree] = _RATE * np.bincount(group, weights=left, minlength=2**_QUESTIONS) / (n + _DRAWN)
        told += value[tree][group]
    return Analogues(column, limit, value)

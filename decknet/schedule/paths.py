"""Forecast shares year by year, without works and after them, and what they add up to over time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from decknet.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt
    import pandas as pd

    from decknet.settings import Treatment

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]

__all__ = ["Paths", "annuity", "node_weights", "ramp"]


@dataclass(frozen=True, slots=True)
class Paths:
    """What is expected of each deck in whole years from time 0, the start of the programme's first year.

    Attributes
    ----------
    deck_id : Index, shape (n,)
    nothing : array, shape (n, m), fraction 0 to 1
        Unsound share k years from time 0 if nothing is done. Between whole years a straight line.
    family : array of whole numbers, shape (n,)
        Row of each deck in `anew`.
    anew : treatment -> array, shape (families, m), fraction 0 to 1
        For a treatment that begins a new life: share gone unsound k years after it; NaN where not known: then the
        deck's own pace holds, times the treatment's factor, after its rest.
    pace : array, shape (n, p), share/yr
        The deck's own pace k years from time 0; further on the last holds.
    fails : array, shape (m,), fraction 0 to 1, or None
        Part of what a patch made sound that is unsound again k years later, as the district's own patches held; it
        takes the place of the life in the settings. None: patches hold until that life is over.
    """

    deck_id: pd.Index[str]
    nothing: Floats
    family: Whole
    anew: Mapping[str, Floats]
    pace: Floats
    fails: Floats | None = None

    def of(self, deck_ids: pd.Series[str]) -> Paths:
        """Those of the decks, in their order; RecordError where one is missing or a share is out of range."""
        at = self.deck_id.get_indexer(deck_ids)
        if (at < 0).any():
            raise RecordError(
                f"deck {deck_ids.iloc[int(np.flatnonzero(at < 0)[0])]}: has no forecast. Fit growth to all decks."
            )
        if not ((self.nothing >= 0) & (self.nothing <= 1)).all():
            row = int(np.flatnonzero(~((self.nothing >= 0) & (self.nothing <= 1)).all(axis=1))[0])
            raise RecordError(
                f"deck {self.deck_id[row]}, forecast share: must lie between 0 and 1 in every year. Fit growth again."
            )
        if not np.isfinite(self.pace).all():
            row = int(np.flatnonzero(~np.isfinite(self.pace).all(axis=1))[0])
            raise RecordError(f"deck {self.deck_id[row]}, forecast pace: not known. Fit growth again.")
        return replace(self.part(at), deck_id=self.deck_id[at])

    def part(self, rows: npt.NDArray[np.intp] | slice) -> Paths:
        """The decks of those rows."""
        return replace(
            self,
            deck_id=self.deck_id[rows],
            nothing=self.nothing[rows],
            family=self.family[rows],
            pace=self.pace[rows],
        )

    def at(self, when_yr: Floats | float) -> Floats:
        """Share without works at a time, one for all or shape (n,), yr from time 0."""
        return _read(self.nothing, np.asarray(when_yr, dtype=np.float64))

    def after(self, name: str, kind: Treatment, done: int) -> Floats:
        """Share from the day of the works on, every whole year.

        Parameters
        ----------
        name : key of the treatment
        kind : Treatment
        done : int, yr from time 0

        Returns
        -------
        array, shape (n, m - done), fraction 0 to 1; column 0 just after the works
        """
        nothing = self.nothing[:, done:]
        since = np.arange(nothing.shape[1], dtype=np.float64)
        before = nothing[:, :1]
        resting = np.maximum(since - kind.rest_yr, 0.0)
        if name in self.anew:
            grown = self.anew[name][self.family, : len(since)]
            few = np.isnan(grown[:, 0])
            if few.any():
                pace = self.pace[few, min(done, self.pace.shape[1] - 1)]
                grown[few] = kind.growth_factor * pace[:, None] * resting
        else:
            later = nothing if kind.rest_yr == 0 else _read_all(nothing, resting)
            grown = kind.growth_factor * (later - before)
            if self.fails is not None:
                grown = grown + kind.removes * before * self.fails[: len(since)]
        return np.clip((1.0 - kind.removes) * before + grown, 0.0, 1.0)

    def life_yr(self, name: str, kind: Treatment) -> float:
        """Years that a treatment counts for: a patch whose failures are known has no end but those."""
        return float("inf") if self.fails is not None and name not in self.anew else float(kind.life_yr)

    def moved(self, share: Floats, later: int) -> Paths:
        """The decks some years on, standing at other shares and growing as they would have."""
        nothing = self.nothing[:, later:]
        nothing = np.clip(share[:, None] + nothing - nothing[:, :1], 0.0, 1.0)
        nothing = np.concatenate([nothing, np.repeat(nothing[:, -1:], later, axis=1)], axis=1)
        pace = self.pace[:, min(later, self.pace.shape[1] - 1) :]
        return replace(self, nothing=nothing, pace=pace)

    def redrawn(self, shift: Floats, faster: Floats, added_per_yr: Floats) -> Paths:
        """The decks with their path shifted, and its rise multiplied or added to.

        Parameters
        ----------
        shift : array, shape (n,), share added to all years
        faster : array, shape (n,), factor on all growth
        added_per_yr : array, shape (n,), share/yr
        """
        first = self.nothing[:, :1]
        since = np.arange(self.nothing.shape[1], dtype=np.float64)
        rise = (self.nothing - first) * faster[:, None] + added_per_yr[:, None] * since
        nothing = np.clip(first + shift[:, None] + rise, 0.0, 1.0)
        return replace(self, nothing=nothing, pace=self.pace * faster[:, None] + added_per_yr[:, None])


def _read(nodes: Floats, when_yr: Floats) -> Floats:
    """Paths read at a time each, straight between whole years, flat past the last."""
    last = nodes.shape[1] - 1
    when = np.broadcast_to(np.clip(when_yr, 0.0, last), nodes.shape[:1])
    low = np.minimum(when.astype(np.intp), max(last - 1, 0))
    rows = np.arange(len(nodes))
    part = when - low
    return np.asarray(nodes[rows, low] * (1 - part) + nodes[rows, np.minimum(low + 1, last)] * part)


def _read_all(nodes: Floats, when_yr: Floats) -> Floats:
    """Paths read at the same times, shape (n, times)."""
    last = nodes.shape[1] - 1
    when = np.clip(when_yr, 0.0, last)
    low = np.minimum(when.astype(np.intp), max(last - 1, 0))
    part = when - low
    return np.asarray(nodes[:, low] * (1 - part) + nodes[:, np.minimum(low + 1, last)] * part)


def annuity(years: Floats, force: float) -> Floats:
    """Integral of exp(-force t) over 0 to years; yr."""
    return years if force == 0 else -np.expm1(-force * years) / force


def ramp(years: Floats, force: float) -> Floats:
    """Integral of t exp(-force t) over 0 to years; yr2. By its series where the closed form cancels."""
    x = force * years
    series = years * years * (1 / 2 - x * (1 / 3 - x * (1 / 8 - x * (1 / 30 - x / 144))))
    if force == 0:
        return series
    return np.where(x < 1e-2, series, (annuity(years, force) - years * np.exp(-x)) / force)


def node_weights(length_yr: float, nodes: int, discount_per_yr: float) -> Floats:
    """Weights of yearly values whose sum is the discounted integral of the line through them.

    Parameters
    ----------
    length_yr : float, yr from the first value on; past the last value that one holds
    nodes : int
    discount_per_yr : real rate, 1/yr

    Returns
    -------
    array, shape (nodes,), yr

    References
    ----------
    Derived: closed form of the integral of ``(1 + rate) ** -t`` times each straight piece.

    Examples
    --------
    >>> node_weights(2.0, 4, 0.0).tolist()
    [0.5, 1.0, 0.5, 0.0]
    """
    force = float(np.log1p(discount_per_yr))
    out = np.zeros(nodes)
    start = np.arange(nodes, dtype=np.float64)
    piece = np.clip(length_yr - start, 0.0, 1.0)
    piece[-1] = max(length_yr - start[-1], 0.0)
    down = np.exp(-force * start)
    whole, rising = down * annuity(piece, force), down * ramp(piece, force)
    rising[-1] = 0.0
    out += whole - rising
    out[1:] += rising[:-1]
    return out

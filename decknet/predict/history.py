"""Surveys as arrays, and how far one survey may be from the truth: learned from surveys that follow each other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.settings import GrowthSettings
from decknet.settled import to_places

__all__ = ["EPOCH", "Histories", "SurveyError", "learn_error", "years"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

EPOCH = pd.Timestamp("2000-01-01")
_DAYS = 365.25
_TELL_PLACES = 9  # decimals of a share to which it is held against a limit


def years(dates: pd.Series) -> Floats:
    """Dates as years from 2000; NaN where missing."""
    return np.asarray(((dates - EPOCH) / pd.Timedelta(days=_DAYS)).to_numpy(dtype="float64", na_value=np.nan))


@dataclass(frozen=True, slots=True)
class Histories:
    """Surveys of each deck's present life, ordered by deck and date.

    Attributes
    ----------
    deck : array of int, shape (k,)
        Deck of each survey, 0 to decks - 1.
    when_yr : array, shape (k,), years from 2000
    damage : array, shape (k,), 0 to 1
        Damage ever as found.
    repaired : array, shape (k,), 0 to 1
        The part of it that was made sound before.
    covered : array, shape (k,), 0 to 1
        Part of the deck that the survey covered.
    observer : array of int, shape (k,)
        Crew or method, 0 to observers - 1.
    observers : int
    start_yr : array, shape (decks,), years from 2000
        Start of the life, filled in where not known.
    decks : int
    failed : array, shape (k,), 0 to 1, or None
        Patches found unsound again, beside the damage ever; None: none.
    """

    deck: Ints
    when_yr: Floats
    damage: Floats
    repaired: Floats
    covered: Floats
    observer: Ints
    observers: int
    start_yr: Floats
    decks: int
    failed: Floats | None = None

    def some(self, keep: Flags) -> Histories:
        """The surveys marked, of the same decks."""
        names = ("deck", "when_yr", "damage", "repaired", "covered", "observer")
        failed = None if self.failed is None else self.failed[keep]
        return replace(self, **{name: getattr(self, name)[keep] for name in names}, failed=failed)

    def failed_share(self) -> Floats:
        """Patches found unsound again at each survey; shape (k,)."""
        return np.zeros(len(self.deck)) if self.failed is None else self.failed

    def of_decks(self, rows: Ints) -> Histories:
        """Some decks alone, numbered anew in the order given; ``rows`` ascending."""
        place = np.full(self.decks, -1, dtype=np.int64)
        place[rows] = np.arange(len(rows))
        mine = self.some(place[self.deck] >= 0)
        return replace(mine, deck=place[mine.deck], start_yr=self.start_yr[rows], decks=len(rows))

    def first_row(self) -> Ints:
        """Row of each deck's first survey; shape (decks,)."""
        return np.concatenate([[0], np.cumsum(self.count())[:-1]]).astype(np.int64)

    def later(self) -> Ints:
        """How many surveys of its deck follow each survey; shape (k,)."""
        return (self.first_row() + self.count())[self.deck] - 1 - np.arange(len(self.deck))

    def last(self) -> Flags:
        """Marks each deck's last survey."""
        return np.append(self.deck[1:] != self.deck[:-1], True)[: len(self.deck)]

    def age_yr(self) -> Floats:
        """Age at each survey, at least 1."""
        return np.maximum(self.when_yr - self.start_yr[self.deck], 1.0)

    def gap_yr(self) -> Floats:
        """Years from each survey to the last of its deck."""
        return self.last_of(self.when_yr)[self.deck] - self.when_yr

    def count(self) -> Ints:
        """Surveys of each deck."""
        return np.bincount(self.deck, minlength=self.decks)

    def last_of(self, values: Floats) -> Floats:
        """The value of each deck's last survey; NaN for a deck without."""
        out = np.full(self.decks, np.nan)
        out[self.deck] = values
        return out


@dataclass(frozen=True, slots=True)
class SurveyError:
    """Scatter of one survey about the truth.

    Attributes
    ----------
    factor : array, shape (observers,)
        Found over true; the mean observer is 1.
    cv : array, shape (observers,)
        Scatter as a part of the unsound share.
    floor : float, share
        Scatter on a clean deck.
    detect : float, share
        Less than this is as good as nothing found.
    pairs : int
        Pairs of surveys it was learned from.
    """

    factor: Floats
    cv: Floats
    floor: float
    detect: float
    pairs: int

    def corrected(self, h: Histories) -> Floats:
        """Damage ever of each survey as the mean observer would have found it."""
        return np.minimum(h.repaired + np.maximum(h.damage - h.repaired, 0.0) / self.factor[h.observer], 1.0)

    def corrected_unsound(self, h: Histories) -> Floats:
        """Unsound share of each survey as the mean observer would have found it."""
        return np.minimum((np.maximum(h.damage - h.repaired, 0.0) + h.failed_share()) / self.factor[h.observer], 1.0)

    def scatter(self, open_share: Floats, observer: Ints, covered: Floats) -> Floats:
        """Standard deviation of the share found where ``open_share`` is there to be found."""
        part = np.sqrt(np.clip(covered, 0.05, 1.0))
        return np.sqrt((self.cv[observer] * open_share) ** 2 + self.floor**2) / part


def learn_error(h: Histories, settings: GrowthSettings) -> SurveyError:
    """Bias and scatter of each observer, from surveys that follow each other on the same deck.

    Notes
    -----
    log of one share over the one before = growth with age + log of one observer's factor over the
    other's + scatter of both: one small least-squares problem for all observers, drawn towards no
    bias and the common scatter by as much as pairs are few. Pairs with a repair between them, and
    shares too small for a ratio, are left out. Which observer is right cannot be learned so; their
    mean is taken as the truth.

    References
    ----------
    derived: least squares with a normal prior.
    """
    found = to_places(h.damage - h.repaired, _TELL_PLACES)
    repaired = to_places(h.repaired, _TELL_PLACES)
    same = (h.deck[1:] == h.deck[:-1]) & (repaired[1:] == repaired[:-1])
    floor = settings.survey_floor
    small = same & (np.maximum(found[1:], found[:-1]) < 3 * floor) & (h.when_yr[1:] - h.when_yr[:-1] < 4)
    if small.sum() >= settings.least_decks:
        step = (found[1:] - found[:-1])[small]
        spread = 1.4826 * float(np.median(np.abs(step - np.median(step)))) / np.sqrt(2)
        floor = float(np.clip(spread, settings.detect_share / 2, floor))
    large = same & (np.minimum(found[1:], found[:-1]) > max(5 * floor, 0.01))
    factor, cv = np.ones(h.observers), np.full(h.observers, settings.survey_cv)
    pairs = int(large.sum())
    if pairs < settings.least_decks:
        return SurveyError(factor, cv, floor, settings.detect_share, pairs)
    one, two = h.observer[:-1][large], h.observer[1:][large]
    ratio = np.log(found[1:][large] / found[:-1][large])
    age = h.age_yr()
    grown = np.log(age[1:] / age[:-1])[large]
    n = h.observers
    cells = np.bincount(one * n + two, minlength=n * n).reshape(n, n).astype(np.float64)
    both = np.diag(cells.sum(0) + cells.sum(1)) - cells - cells.T
    gains = np.bincount(two, grown, n) - np.bincount(one, grown, n)
    left = np.zeros((n + 1, n + 1))
    left[:n, :n], left[n, :n], left[:n, n], left[n, n] = both, gains, gains, float((grown * grown).sum()) + 1e-9
    right = np.append(np.bincount(two, ratio, n) - np.bincount(one, ratio, n), float((grown * ratio).sum()))
    variance = float(np.median(np.abs(ratio - np.median(ratio))) * 1.4826) ** 2 + 1e-6
    left[:n, :n] += np.eye(n) * variance / settings.observer_spread**2
    solved = np.linalg.solve(left, right)
    log_factor = solved[:n] - np.average(solved[:n], weights=np.bincount(h.observer, minlength=n) + 1e-9)
    square = (ratio - log_factor[two] + log_factor[one] - solved[n] * grown) ** 2
    square = np.minimum(square, 9 * np.mean(np.minimum(square, 9 * variance)))
    common = float(square.mean()) / 2
    prior = 20.0
    left_v = np.diag(cells.sum(0) + cells.sum(1)) + cells + cells.T + prior * np.eye(n)
    right_v = np.bincount(two, square, n) + np.bincount(one, square, n) + prior * common
    cv = np.sqrt(np.clip(np.linalg.solve(left_v, right_v), common / 6, 6 * common))
    return SurveyError(np.exp(log_factor), cv, floor, settings.detect_share, pairs)

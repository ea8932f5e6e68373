"""How far the models are moved, and how wide the two ranges are: where the true share lies, what the next survey reads.

Both are learned by going back: each deck's last surveys are taken away, one more each round, and the next one is
foretold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decknet.predict.analogues import Analogues, learn_analogues
from decknet.predict.blend import LEVEL_EDGES, LEVEL_KNOTS, Blend, Models
from decknet.predict.curved import Z80
from decknet.predict.history import Histories
from decknet.predict.lines import Families
from decknet.predict.scores import Fan
from decknet.settled import PARAMETER_PLACES, SHARE_PLACES, to_places

__all__ = [
    "ROUNDS",
    "ReadingReach",
    "Revision",
    "Round",
    "begun",
    "open_share",
    "reach_by_level",
    "reading_spread",
    "revise",
    "usual_gap",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

ROUNDS = 3
_USUAL_GAP_YR = 2.0  # where no deck has two surveys
_BEGUN = 2.9  # a last reading this many times the one before: damage has begun
_TELLING = 0.01  # share below which a last reading does not say that it has
_BORROWED = 60.0  # hidden surveys at which a level counts as much as the network
_BORROWED_CLASS = 30.0
_FEW = 10
_ONE, _HALF = 0.002, 0.005  # shares: keep logarithms of clean decks apart from minus infinity
_LEAST_AGE_YR, _LEAST_GAP_YR, _LONE_GAP_YR = 3.0, 0.5, 3.0
_AT_ONCE = 0.5  # part of a move that is of the level, from the last survey on; the rest grows with the years
_MOST_GAPS = 3.0  # a move upward grows for so many usual gaps
_MOST_SLOWED = 0.8  # of the growth of a usual gap
_SCATTER_KEPT = 0.8  # part of the scatter between observers, squared, that is not the deck's own chance
_LEAST_TRUE = 0.3  # of the range of the reading
_LEAST_REACH, _MOST_REACH = 0.1, 20.0


@dataclass(frozen=True, slots=True)
class Round:
    """Surveys foretold without them and all later ones.

    Attributes
    ----------
    models : Models
        Fitted to what was left.
    families : Families
        Of the decks of this round.
    rows : array of int, shape (n,)
        Their decks.
    when_yr, covered : arrays, shape (n,)
    observer : array of int, shape (n,)
    repaired, failed : arrays, shape (n,), 0 to 1
        Made sound before that survey; and patches known on its eve to have failed and to be so still.
    came : array, shape (n,), 0 to 1
        Unsound share, as the mean observer would have found it.
    """

    models: Models
    families: Families
    rows: Ints
    when_yr: Floats
    covered: Floats
    observer: Ints
    repaired: Floats
    failed: Floats
    came: Floats


@dataclass(frozen=True, slots=True)
class ReadingReach:
    """How far from what was expected readings fall, by level, in spreads: 10, 50 and 90 % quantile.

    Attributes
    ----------
    low, middle, high : arrays, shape (levels,)
    begun : tuple of two floats
        Further factors below and above for decks on which damage has just begun.
    patched : tuple of two floats
        The same for decks that have been patched: patches fail, and how much they made sound is not known to the m2.
    """

    low: Floats
    middle: Floats
    high: Floats
    begun: tuple[float, float] = (1.0, 1.0)
    patched: tuple[float, float] = (1.0, 1.0)

    def at(self, level: Floats, new: Flags, patched: Flags) -> tuple[Floats, Floats, Floats]:
        """The middle, and the reach below and above it, of decks at a level; whether damage has just begun there, and
        whether they have been patched."""
        x, knots = np.log(np.maximum(level, 1e-9)), np.log(LEVEL_KNOTS)
        low, middle, high = (np.interp(x, knots, q) for q in (self.low, self.middle, self.high))
        sides = [np.maximum(middle - low, 0.0), np.maximum(high - middle, 0.0)]
        for k in (0, 1):
            sides[k] = sides[k] * np.where(new, self.begun[k], 1.0) * np.where(patched, self.patched[k], 1.0)
        return middle, sides[0], sides[1]


_NORMAL = ReadingReach(np.full(len(LEVEL_KNOTS), -Z80), np.zeros(len(LEVEL_KNOTS)), np.full(len(LEVEL_KNOTS), Z80))


@dataclass(frozen=True, slots=True)
class Revision:
    """What going back taught: moves and reaches of every deck.

    Attributes
    ----------
    gap_yr : float
        Usual years between surveys.
    last_yr : array, shape (decks,)
        Last survey; NaN where there is none.
    move : array, shape (decks,), share
        By how much a deck is moved a usual gap after its last survey; 0 without a survey.
    down, up : arrays, shape (decks,)
        Factors on the reach of the models for the true share.
    at_last, ahead : Fan, of shape (decks,)
        What the models say with that reach on the day of the last survey and a usual gap later.
    begun : array of bool, shape (decks,)
    reading : ReadingReach
    rounds : tuple of Round
    """

    gap_yr: float
    last_yr: Floats
    move: Floats
    down: Floats
    up: Floats
    at_last: Fan
    ahead: Fan
    begun: Flags
    reading: ReadingReach
    rounds: tuple[Round, ...]

    def moved(self, which: int, rows: Ints, when_yr: Floats, q: Floats) -> Floats:
        """A quantile of the models (0 median, 1 low, 2 high), moved; never falling with the date."""
        last, ahead = self.at_last[which][rows], self.ahead[which][rows]
        years = np.nan_to_num(when_yr - self.last_yr[rows])
        out = q + _ramp(self.move[rows], years / self.gap_yr, last, ahead, q)
        return np.clip(out, 0.0, 1.0)


def _ramp(move: Floats, gaps: Floats, last: Floats, ahead: Floats, q: Floats) -> Floats:
    """What a move comes to some gaps after the last survey.

    Upward it is half there at once and grows on with the years. Downward half is taken at once and half off the growth,
    of which at least a fifth stays, so that no quantile falls.
    """
    up = move * (_AT_ONCE + (1 - _AT_ONCE) * np.clip(gaps, 0.0, _MOST_GAPS))
    grown = np.maximum(ahead - last, 1e-9)
    slowed = np.maximum(move * (1 - _AT_ONCE), -_MOST_SLOWED * grown)
    down = (move - slowed) + slowed * np.maximum(q - last, 0.0) / grown
    return np.where(move > 0, up, down)


def reading_spread(models: Models, fan: Fan, open_share: Floats, observer: Ints, covered: Floats) -> Floats:
    """Spread of what a survey reads about what was expected: the forecast's own and the survey's scatter.

    Parameters
    ----------
    models : Models
    fan : Fan
        What the models say of the day.
    open_share : array, shape (n,)
        The part of the median that is there to be found.
    observer : array of int, shape (n,)
        -1 where it is not known who will go: then the scatter of the usual one, and the spread of their factors.
    covered : array, shape (n,), 0 to 1
    """
    error, (usual, apart) = models.error, _usual_observer(models)
    cv = np.append(error.cv, usual)[observer]
    unknown = np.where(observer < 0, apart * open_share, 0.0)
    scatter = np.hypot(cv * open_share, error.floor) / np.sqrt(np.clip(covered, 0.05, 1.0))
    spread = np.sqrt(scatter**2 + unknown**2 + ((fan[2] - fan[1]) / (2 * Z80)) ** 2)
    return np.asarray(spread, dtype=np.float64)


def _usual_observer(models: Models) -> tuple[float, float]:
    """Scatter of the usual observer as a part of the share, and the spread of observers' factors."""
    error, h = models.error, models.history
    counts = np.bincount(h.observer, minlength=h.observers) + 1e-9
    return float(np.average(error.cv, weights=counts)), float(
        np.sqrt(np.average((error.factor - 1) ** 2, weights=counts))
    )


def begun(h: Histories, read: Floats) -> Flags:
    """Decks on which damage has just begun: the last reading far above the one before; shape (decks,)."""
    out = np.zeros(h.decks, dtype=bool)
    two = np.flatnonzero(h.count() >= 2)
    at = h.first_row()[two] + h.count()[two] - 1
    one, before = to_places(read[at], SHARE_PLACES), to_places(read[at - 1], SHARE_PLACES)
    out[two] = (one > _BEGUN * before) & (one > _TELLING)
    return out


def open_share(damage: Floats, at_last: Floats, repaired: Floats, failed: Floats) -> Floats:
    """What of the damage ever is there to be found, where works are taken to follow the last survey.

    Where more was made sound than was thought to be there, what was left grows on.
    """
    rest = (1 - repaired) / np.maximum(1 - at_last, 1e-9)
    beyond = np.maximum(damage, repaired + np.maximum(damage - at_last, 0.0) * rest)
    return np.clip(np.where(repaired > 0, beyond, damage) - (repaired - failed), 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class _Standing:
    """Where some decks stand at their last survey, and what the models say of them."""

    rows: Ints
    last_yr: Floats
    at_last: Floats
    ahead: Fan
    history: Floats
    spread: Floats
    begun: Flags
    repaired: Floats
    failed: Floats

    def there(self, damage: Floats) -> Floats:
        """As ``open_share``."""
        return open_share(damage, self.at_last, self.repaired, self.failed)


def _base_fan(models: Models, blend: Blend, families: Families, rows: Ints, when: Floats, shared: float) -> Fan:
    of = families.of[rows]
    reach = blend.reach(of, models.level()[rows])
    return models.fan(rows, when, blend.curved_part[of], np.zeros(len(rows)), reach, shared)


def _standing(
    models: Models, blend: Blend, families: Families, rows: Ints, gap_yr: float, shared: float,
    works: tuple[Floats, Floats],
) -> _Standing:  # fmt: skip
    """Of decks with a survey; ``works`` are the parts of each made sound, and failed again."""
    h, error = models.history, models.error
    read = error.corrected(h)
    end = h.first_row()[rows] + h.count()[rows] - 1
    before = np.where(h.count()[rows] >= 2, end - 1, end)
    one, two, last = read[end], read[before], h.when_yr[end]
    years = np.where(before < end, np.maximum(last - h.when_yr[before], _LEAST_GAP_YR), _LONE_GAP_YR)
    none = np.zeros(len(rows))
    at_last = models.middle(rows, last, blend.curved_part[families.of[rows]], none)
    ahead = _base_fan(models, blend, families, rows, last + gap_yr, shared)
    there = open_share(ahead[0], at_last, *works)
    scatter = np.hypot(_usual_observer(models)[0] * there, error.floor)
    spread = np.hypot(scatter, (ahead[2] - ahead[1]) / (2 * Z80))
    told = np.column_stack(
        [
            np.log(there + _ONE), (one - at_last) / spread, (one - two) / years * gap_yr / spread,
            (ahead[0] - at_last) / spread, np.log(np.maximum(last + gap_yr - h.start_yr[rows], _LEAST_AGE_YR)),
            np.log((one + _HALF) / (two + _HALF)), works[0] / spread,
        ]
    )  # fmt: skip
    return _Standing(rows, last, at_last, ahead, told, spread, begun(h, read)[rows], *works)


def _quantile(values: Floats, weight: Floats, part: float) -> float:
    """The value below which that part of the weight lies; no correction for few, which are drawn towards many
    instead."""
    order = np.argsort(values, kind="stable")
    upto = np.cumsum(weight[order])
    return float(values[order[min(int(np.searchsorted(upto, part * upto[-1], side="right")), len(values) - 1)]])


def reach_by_level(level: Floats, miss: Floats, new: Flags, patched: Flags, turn: Ints) -> ReadingReach:
    """Quantiles of misses by level, few misses drawn towards those of all; then what decks just begun, and patched
    ones,
    ask for beyond.

    Parameters
    ----------
    level : array, shape (n,), 0 to 1
        What was expected.
    miss : array, shape (n,)
        What came less that, in spreads.
    new, patched : arrays of bool, shape (n,)
        Damage has just begun there; they have been patched.
    turn : array of int, shape (n,)
        Round, from 0. A round further back counts half as much: it knew less of every deck than is known today.

    References
    ----------
    published: Vovk, Gammerman and Shafer (2005), Algorithmic Learning in a Random World (split conformal intervals,
    here
    by class of the level).
    """
    level, miss, weight = (
        to_places(level, SHARE_PLACES),
        to_places(miss, PARAMETER_PLACES),
        np.asarray(0.5**turn, dtype=np.float64),
    )
    at = np.searchsorted(LEVEL_EDGES, level)
    ends = []
    for part in (0.1, 0.5, 0.9):
        common = _quantile(miss, weight, part)
        table = np.full(len(LEVEL_KNOTS), common)
        for k in range(len(LEVEL_KNOTS)):
            mine = at == k
            if mine.sum() >= _FEW:
                count = float(weight[mine].sum())
                table[k] = (count * _quantile(miss[mine], weight[mine], part) + _BORROWED * common) / (
                    count + _BORROWED
                )
        ends.append(to_places(table, PARAMETER_PLACES))
    low, middle, high = ends
    never = np.zeros(len(level), dtype=bool)
    begun = _more(ReadingReach(low, middle, high).at(level, never, never), miss, weight, new)
    wider = ReadingReach(low, middle, high, begun)
    return ReadingReach(low, middle, high, begun, _more(wider.at(level, new, never), miss, weight, patched))


def _more(
    reach: tuple[Floats, Floats, Floats], miss: Floats, weight: Floats, mine: Flags
) -> tuple[float, float]:  # fmt: skip
    """Factors below and above that hold nine in ten of a class of decks on either side; few are drawn towards 1."""
    if mine.sum() < _FEW:
        return 1.0, 1.0
    middle, down, up = (q[mine] for q in reach)
    off, count = miss[mine] - middle, float(weight[mine].sum())
    factors = []
    for need in (-off / np.maximum(down, 1e-9), off / np.maximum(up, 1e-9)):
        own = max(_quantile(to_places(need, PARAMETER_PLACES), weight[mine], 0.9), 0.0)
        factors.append(round((count * own + _BORROWED_CLASS) / (count + _BORROWED_CLASS), PARAMETER_PLACES))
    return factors[0], factors[1]


@dataclass(frozen=True, slots=True)
class _Learned:
    """The trees of either half of the decks, and how far readings fall from what they move the models to."""

    halves: tuple[Analogues, Analogues]
    reading: ReadingReach

    def miss(self, history: Floats) -> Floats:
        """What decks with a like history were missed by, in spreads."""
        return (self.halves[0].at(history) + self.halves[1].at(history)) / 2


def _learn(rounds: tuple[Round, ...], blend: Blend, gap_yr: float, shared: float) -> _Learned:
    """Learn moves on one half of the decks, judge them on the other: no deck says how sure its own move is."""
    history, miss, parts = [], [], []
    for one in rounds:
        at = _standing(one.models, blend, one.families, one.rows, gap_yr, shared, (one.repaired, one.failed))
        fan = _base_fan(one.models, blend, one.families, one.rows, one.when_yr, shared)
        spread = reading_spread(one.models, fan, at.there(fan[0]), one.observer, one.covered)
        history.append(at.history)
        miss.append((one.came - at.there(fan[0])) / spread)
        parts.append((at, fan[0], spread, (one.when_yr - at.last_yr) / gap_yr, one.came, one.rows % 2))
    x, y = np.concatenate(history), np.concatenate(miss)
    odd = np.concatenate([p[5] for p in parts]) == 1
    halves = (learn_analogues(x[~odd], y[~odd]), learn_analogues(x[odd], y[odd]))
    told = np.where(odd, halves[0].at(x), halves[1].at(x))
    level, left, new, patched, start = [], [], [], [], 0
    for at, median, spread, gaps, came, _ in parts:
        move = told[start : start + len(median)] * at.spread
        start += len(median)
        middle = at.there(np.clip(median + _ramp(move, gaps, at.at_last, at.ahead[0], median), 0.0, 1.0))
        level.append(middle)
        left.append((came - middle) / spread)
        new.append(at.begun)
        patched.append(at.repaired > 0)
    turn = np.repeat(np.arange(len(rounds)), [len(one.rows) for one in rounds])
    reach = reach_by_level(
        np.concatenate(level), np.concatenate(left), np.concatenate(new), np.concatenate(patched), turn
    )  # fmt: skip
    return _Learned(halves, reach)


def usual_gap(h: Histories) -> float:
    """Median years between surveys that follow each other."""
    gaps = np.diff(h.when_yr)[h.deck[1:] == h.deck[:-1]]
    return round(float(np.median(gaps)), 3) if len(gaps) else _USUAL_GAP_YR


def revise(
    models: Models, blend: Blend, families: Families, rounds: tuple[Round, ...], shared: float, gap_yr: float,
    works: tuple[Floats, Floats],
) -> Revision | None:  # fmt: skip
    """Move every deck as its like were missed, and set both ranges; None where too few surveys could be foretold.

    Parameters
    ----------
    models : Models
        Fitted to all surveys.
    blend : Blend
    families : Families
    rounds : tuple of Round
    shared : float
        Scatter of the mean of all observers about the truth, as a part of the share.
    gap_yr : float, yr
        As ``usual_gap``.
    works : two arrays of shape (decks,), 0 to 1
        Made sound up to today, and patches failed and still so.

    Notes
    -----
    A deck's move is what decks with a like history were missed by (``analogues``), and the median of its level.
    The reading's range is split-conformal, over all rounds, by level. From it comes the true share's: its reach
    squared less
    the scatter of one survey squared, at least a part of it, and more for what no comparison of surveys can show.
    """
    if sum(len(r.rows) for r in rounds) < families.least:
        return None
    learned = _learn(rounds, blend, gap_yr, shared)
    h, n = models.history, models.history.decks
    rows = np.flatnonzero(h.count() > 0)
    at = _standing(models, blend, families, rows, gap_yr, shared, (works[0][rows], works[1][rows]))
    told = learned.miss(at.history)
    level = at.there(np.clip(at.ahead[0] + told * at.spread, 0.0, 1.0))
    middle, down, up = learned.reading.at(level, at.begun, at.repaired > 0)
    move = (told + middle) * at.spread
    scatter = Z80 * np.hypot(_usual_observer(models)[0] * level, models.error.floor)
    unseen = Z80 * shared * level * np.sqrt(1 - level)  # a crew cannot miss by a part what is nearly the whole
    wanted = []
    for side in (down * at.spread, up * at.spread):
        own = np.maximum(side**2 - _SCATTER_KEPT * scatter**2, (_LEAST_TRUE * side) ** 2)
        wanted.append(np.hypot(np.sqrt(own), unseen))
    of = families.of[rows]
    part, none, base = blend.curved_part[of], np.zeros(len(rows)), blend.reach(of, models.level()[rows])
    factor = [np.ones(len(rows)), np.ones(len(rows))]
    fan = at.ahead
    for _ in range(2):  # the models' sides are not straight in their reach
        for k, side in enumerate((fan[0] - fan[1], fan[2] - fan[0])):
            factor[k] = np.clip(factor[k] * wanted[k] / np.maximum(side, 1e-9), _LEAST_REACH, _MOST_REACH)
        reach = (base[0] * factor[0], base[1] * factor[1])
        fan = models.fan(rows, at.last_yr + gap_yr, part, none, reach, shared)
    first = models.fan(rows, at.last_yr, part, none, reach, shared)

    def spread_out(values: Floats, otherwise: float) -> Floats:
        out = np.full(n, otherwise)
        out[rows] = values
        return out

    new = np.zeros(n, dtype=bool)
    new[rows] = at.begun
    a, b, c = (spread_out(q, 0.0) for q in first)
    d, e, f = (spread_out(q, 0.0) for q in fan)
    return Revision(
        gap_yr, spread_out(at.last_yr, np.nan), spread_out(move, 0.0), spread_out(factor[0], 1.0),
        spread_out(factor[1], 1.0), (a, b, c), (d, e, f), new, learned.reading, rounds,
    )  # fmt: skip

"""Ways that damage may spread, none of them a form of our own models: paths of the true share, year by year.

A form draws any number of paths for a deck of given age and kind. One of them becomes the truth of a made-up
district; many
of them, weighed by what was read, are what a forecaster who knew the form could say (`tests.worlds.ceiling`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfinv, ndtr

__all__ = ["FIRST", "FORMS", "YEARS", "Form", "Stock"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIRST, YEARS = 2007, 20
"""First year of the records, and how many; the true share is known on each 1 January and straight between."""
_MOST = 0.95
_HARSH = 0.18  # chance that a winter is harsh


@dataclass(frozen=True, slots=True)
class Stock:
    """Decks of a district, or some of them.

    Attributes
    ----------
    start : array, shape (n,), year
        Start of the present life.
    quick : array, shape (n,)
        Factor of the deck's kind on how fast damage spreads.
    overlaid : array of bool, shape (n,)
    until : array of int, shape (n,)
        Year, from ``FIRST``, up to which the weather of the district is known to who draws the paths.
    weather : array, shape (YEARS,)
        What each winter did.
    """

    start: Floats
    quick: Floats
    overlaid: NDArray[np.bool_]
    until: Ints
    weather: Floats

    def take(self, rows: Ints) -> Stock:
        """Some of the decks."""
        return Stock(self.start[rows], self.quick[rows], self.overlaid[rows], self.until[rows], self.weather)

    def ages(self) -> Floats:
        """Age on each 1 January, at least 0; shape (n, 1, YEARS + 1)."""
        return np.maximum(FIRST + np.arange(YEARS + 1) - self.start[:, None], 0.0)[:, None, :]


Paths = Callable[[np.random.Generator, Stock, int], Floats]
"""Draws that many paths of the share for each deck; shape (decks, paths, YEARS + 1)."""


@dataclass(frozen=True, slots=True)
class Form:
    """One way that damage spreads and is looked at.

    Attributes
    ----------
    name : str
    paths : Paths
    looked : function of the share to the chance that a deck is sounded in a year, or None
        None: every deck is due every so many years.
    kept : function of the share to the chance that a survey made is also on record
    renewed : function of the share to the chance that a deck is overlaid in a year
    drift : float
        How far the factor of a crew moves in a year, on its logarithm.
    """

    name: str
    paths: Paths
    looked: Callable[[Floats], Floats] | None = None
    kept: Callable[[Floats], Floats] | None = None
    renewed: Callable[[Floats], Floats] | None = None
    drift: float = 0.0


def _share(hazard: Floats) -> Floats:
    return np.minimum(-np.expm1(-np.maximum(hazard, 0.0)), _MOST)


def _lognormal(rng: np.random.Generator, middle: float, spread: float, shape: tuple[int, ...]) -> Floats:
    return middle * np.exp(spread * rng.standard_normal(shape))


def weather(rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
    """What winters do to a deck of middling strength: next to nothing, or in a harsh one a burst; as hazard."""
    harsh = rng.uniform(size=shape) < _HARSH
    return np.where(harsh, _lognormal(rng, 0.022, 0.4, shape), 0.0012)


def harsh_winters(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """Hardly anything for years, then a burst after a harsh winter on every deck of the district at once."""
    wide = (len(stock.start), n)
    weak = (_lognormal(rng, 1.0, 0.6, wide) * stock.quick[:, None])[..., None]
    before = np.maximum(stock.ages()[:, :, 0] - 10.0, 0.0)
    harsh = rng.poisson(np.broadcast_to(_HARSH * before, wide))
    begun = (harsh * 0.022 * 1.08 + before * 0.0012)[..., None] * weak
    step = np.broadcast_to(stock.weather, (*wide, YEARS))
    if (stock.until < YEARS).any():
        ahead = np.arange(YEARS) >= stock.until[:, None, None]
        step = np.where(ahead, weather(rng, (*wide, YEARS)), step)
    step = step * (stock.ages()[..., :-1] > 10.0) * weak
    return _share(np.concatenate([begun, begun + np.cumsum(step, axis=2)], axis=2))


def clusters(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """Spots that breed spots beside them: few for long, then many; each grows to its size over some years."""
    wide = (len(stock.start), n)
    rate = _lognormal(rng, 0.12, 0.7, wide) * stock.quick[:, None]
    breed = rng.uniform(0.02, 0.12, wide)
    spots, spread = np.zeros(wide), np.zeros(wide)
    age = stock.ages()[:, 0, 0][:, None]
    out = np.empty((*wide, YEARS + 1))
    oldest = int(age.max())
    for back in range(oldest, -YEARS, -1):  # years before the first of the records
        if back <= 0:
            out[..., -back] = spread
        alive = (stock.start[:, None] + 8.0) < FIRST - back
        spots = spots + rng.poisson(np.where(alive, rate + breed * np.minimum(spots, 120.0), 0.0))
        spread = spread + (0.004 * spots - spread) * 0.2
    out[..., YEARS] = spread
    return _share(out)


def sudden(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """Slow and straight until a day that nothing foretells; from then on many times as fast."""
    wide = (len(stock.start), n, 1)
    slow = _lognormal(rng, 0.0018, 0.6, wide) * stock.quick[:, None, None]
    turn = 15.0 + rng.exponential(22.0, wide)
    more = rng.uniform(5.0, 12.0, wide)
    age = stock.ages()
    return _share(slow * (np.maximum(age - 8.0, 0.0) + (more - 1) * np.maximum(age - turn, 0.0)))


def straight(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """From an onset of its own each deck goes straight up at its own pace (seen by crews that drift)."""
    wide = (len(stock.start), n, 1)
    pace = _lognormal(rng, 0.004, 0.7, wide) * stock.quick[:, None, None]
    return np.minimum(pace * np.maximum(stock.ages() - rng.uniform(5.0, 22.0, wide), 0.0), _MOST)


def power(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """A power of age, each deck with its own power and its own pace; it stops at a part of the deck."""
    wide = (len(stock.start), n, 1)
    own = _lognormal(rng, 1.0, 0.35, wide) / stock.quick[:, None, None] ** 0.35
    most = rng.uniform(0.25, 0.9, wide)
    return most * _share((stock.ages() / (60.0 * own)) ** rng.uniform(1.6, 4.0, wide))


def fits_and_starts(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """A compound Poisson process: nothing in most years, a step of any size in others."""
    wide = (len(stock.start), n)
    often = (_lognormal(rng, 0.25, 0.5, wide) * stock.quick[:, None])[..., None]
    size = _lognormal(rng, 0.015, 0.3, (*wide, 1))
    before = np.maximum(stock.ages()[:, :, :1] - 6.0, 0.0)
    begun = rng.gamma(np.maximum(rng.poisson(often * before), 0) + 1e-9) * size
    step = rng.gamma(rng.poisson(np.broadcast_to(often, (*wide, YEARS))) + 1e-9) * size
    return _share(np.concatenate([begun, begun + np.cumsum(step, axis=2)], axis=2))


def gamma(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """A gamma process in a power of age."""
    wide = (len(stock.start), n, 1)
    mean = _lognormal(rng, 0.13, 0.6, wide) * stock.quick[:, None, None] * (stock.ages() / 40.0) ** 1.7
    each = 0.008
    begun = rng.gamma(mean[..., :1] / each + 1e-9) * each
    step = rng.gamma(np.maximum(np.diff(mean, axis=2), 0.0) / each + 1e-9) * each
    return _share(np.concatenate([begun, begun + np.cumsum(step, axis=2)], axis=2))


def chlorides(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """Chlorides reach bars at a depth that scatters over the deck; some years later the concrete above is hollow.

    References
    ----------
    derived: constant surface chloride, C = Cs erfc(x / 2 sqrt(D t)): the threshold has come x = 2 z sqrt(D t) deep,
    with
    z = erfinv(1 - Cth / Cs); the part of a deck with less cover than that, its cover normal.
    """
    wide = (len(stock.start), n, 1)
    cover, scatter = rng.normal(52.0, 7.0, wide), rng.uniform(7.0, 13.0, wide)
    spread = _lognormal(rng, 11.0, 0.35, wide) * stock.quick[:, None, None]
    surface = rng.uniform(2.5, 6.0, wide)
    years = np.maximum(stock.ages() - rng.uniform(2.0, 8.0, wide), 0.0)
    deep = 2 * erfinv(1 - 0.71 / surface) * np.sqrt(spread * years)
    return np.minimum(np.where(years > 0, ndtr((deep - cover) / scatter), 0.0), _MOST)


def lives(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """First surfaces and overlays, of all ages: an overlay rests, then goes faster than what it covers."""
    wide = (len(stock.start), n, 1)
    pace = _lognormal(rng, 1.0, 0.45, wide) * stock.quick[:, None, None]
    age, overlaid = stock.ages(), stock.overlaid[:, None, None]
    first = (pace * age / 46.0) ** 2.4
    second = (pace * np.maximum(age - rng.uniform(1.0, 7.0, wide), 0.0) / 42.0) ** 1.4
    return _share(np.where(overlaid, second, first))


def late(rng: np.random.Generator, stock: Stock, n: int) -> Floats:
    """Sound to the day that it begins, then fast, and slower again near a ceiling of its own."""
    wide = (len(stock.start), n, 1)
    onset = 8.0 + 30.0 * rng.weibull(1.8, wide) / stock.quick[:, None, None]
    most, slow = rng.beta(2.0, 4.0, wide), rng.uniform(5.0, 22.0, wide)
    return most * -np.expm1(-((np.maximum(stock.ages() - onset, 0.0) / slow) ** 1.3))


def _looks_bad(share: Floats) -> Floats:
    return 0.10 + 0.55 * np.minimum(share / 0.12, 1.0)


def _looks_good(share: Floats) -> Floats:
    return np.where(share < 0.03, 0.3, 1.0)


def _past_bearing(share: Floats) -> Floats:
    return np.where(share > 0.18, 0.3, 0.0)


FORMS = (
    Form("harsh winters", harsh_winters),
    Form("spots that breed", clusters),
    Form("sudden change of pace", sudden),
    Form("crews that drift", straight, drift=0.05),
    Form("sounded because bad", power, looked=_looks_bad),
    Form("missing because good", fits_and_starts, kept=_looks_good),
    Form("gamma process", gamma),
    Form("chlorides", chlorides),
    Form("lives and overlays", lives, renewed=_past_bearing),
    Form("late and fast", late),
)
"""The first four are for choosing by, the others for confirming."""

"""The simple methods that forecasts are held against: each with the same correction for crews as the forecasts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decknet.predict.history import Histories, SurveyError

__all__ = ["BASELINES", "baseline_shares"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BASELINES = ("last value", "last value and pooled growth", "line through the last two", "own line", "pooled slope")
_APART = 0.1  # yr squared: surveys closer together than this have no slope
_LEVEL = 0.01  # one point: keeps the scale of a clean deck above zero


def _line(h: Histories, z: Floats, rows: Ints, when: Floats, weight: Floats, slope: float | None = None) -> Floats:
    """Each deck's least-squares line, or one slope for all of them; the last value for one survey."""

    def by(values: Floats) -> Floats:
        return np.asarray(np.bincount(h.deck, weights=values * weight, minlength=h.decks), dtype=np.float64)

    count = np.maximum(by(np.ones(len(h.deck))), 1e-9)
    centre, level = by(h.when_yr) / count, by(z) / count
    dt = h.when_yr - centre[h.deck]
    square = by(dt * dt)
    if slope is None:
        told = square > _APART
        own = np.divide(by(dt * z), square, out=np.zeros(h.decks), where=told)
    else:
        own = np.full(h.decks, slope)
    return np.asarray(level[rows] + own[rows] * (when - centre[rows]), dtype=np.float64)


def baseline_shares(h: Histories, error: SurveyError, rows: Ints, when: Floats) -> dict[str, Floats]:
    """Damage ever that simple methods expect, as the mean crew would find it.

    Parameters
    ----------
    h : Histories
    error : SurveyError
        Factors of crews, learned from the same surveys.
    rows : array of int, shape (n,)
        Decks, each with a survey.
    when : array, shape (n,), years from 2000

    Returns
    -------
    dict of name to array, shape (n,), 0 to 1
        By ``BASELINES``: the last value; that with the growth of the network's pairs of surveys by their mean level
        and the
        years between; the line through the last two; a least-squares line of the deck's own; its mean with the
        one slope of all decks.
    """
    z = h.repaired + np.maximum(h.damage - h.repaired, 0.0) / error.factor[h.observer]
    place = np.arange(len(h.deck)) - np.concatenate([[0], np.cumsum(h.count())[:-1]])[h.deck]
    two = (place >= h.count()[h.deck] - 2).astype(np.float64)
    one = np.ones(len(z))
    last, gap = h.last_of(z)[rows], when - h.last_of(h.when_yr)[rows]
    same = h.deck[1:] == h.deck[:-1]
    step, years = (z[1:] - z[:-1])[same], (h.when_yr[1:] - h.when_yr[:-1])[same]
    mean = ((z[1:] + z[:-1]) / 2)[same] + _LEVEL
    # Growth by the year in proportion to the level, each pair weighed by the scatter at its level.
    pooled = max(float((step * years / mean).sum() / max(float((years * years).sum()), 1e-12)), 0.0)
    count = np.maximum(h.count(), 1)
    centre = np.bincount(h.deck, weights=h.when_yr, minlength=h.decks) / count
    dt = h.when_yr - centre[h.deck]
    common = max(float((dt * z).sum() / max(float((dt * dt).sum()), 1e-12)), 0.0)
    found = {
        BASELINES[0]: last,
        BASELINES[1]: last + pooled * gap * (last + _LEVEL),
        BASELINES[2]: _line(h, z, rows, when, two),
        BASELINES[3]: _line(h, z, rows, when, one),
        BASELINES[4]: _line(h, z, rows, when, one, common),
    }
    return {name: np.clip(value, 0.0, 1.0) for name, value in found.items()}

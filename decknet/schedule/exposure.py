"""The unsound share over the years, without works and after them, and what it adds up to."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decknet.schedule.paths import Paths, annuity, node_weights, ramp

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]

__all__ = ["discounted_share", "life_yr", "share_after_work", "share_at", "with_work", "without_work"]


def share_at(decks: Decks, at_yr: Floats | float) -> Floats:
    """Unsound share at a time without any work.

    Parameters
    ----------
    decks : Decks, n decks
    at_yr : float or array, shape (n,), yr from the first year

    Returns
    -------
    array, shape (n,), fraction 0 to 1

    References
    ----------
    Derived: the forecast, between whole years a straight line; without one a straight line, stopped at 1.
    """
    if decks.paths is not None:
        return np.where(np.isnan(decks.share), np.nan, decks.paths.at(at_yr))
    return np.minimum(decks.share + decks.growth_per_yr * at_yr, 1.0)


def share_after_work(
    decks: Decks, treatments: Sequence[str], done_yr: Floats, at_yr: float, settings: Settings
) -> Floats:
    """Unsound share of treated decks at a time on or after the work.

    Parameters
    ----------
    decks : Decks, n decks
    treatments : n keys of ``settings.treatment``
    done_yr : array, shape (n,), yr from the first year
    at_yr : float, yr from the first year
    settings : Settings

    Returns
    -------
    array, shape (n,), fraction 0 to 1. Past the treatment's life the share without work.
    """
    if decks.paths is not None:
        return _after_on_paths(decks, decks.paths, treatments, done_yr, at_yr, settings)
    kinds = [settings.treatment[name] for name in treatments]
    removes, factor, rest, life = (
        np.array([getattr(kind, field) for kind in kinds], dtype=np.float64)
        for field in ("removes", "growth_factor", "rest_yr", "life_yr")
    )
    left = share_at(decks, done_yr) * (1.0 - removes)
    since = at_yr - done_yr
    treated = np.minimum(left + decks.growth_per_yr * factor * np.maximum(since - rest, 0.0), 1.0)
    return np.where((since >= 0) & (since < life), treated, share_at(decks, at_yr))


def _after_on_paths(
    decks: Decks, paths: Paths, treatments: Sequence[str], done_yr: Floats, at_yr: float, settings: Settings
) -> Floats:
    """As `share_after_work`, decks of one treatment and year together."""
    out = share_at(decks, at_yr)
    names = np.array(treatments, dtype=object)
    for name in dict.fromkeys(treatments):
        kind, mine = settings.treatment[name], names == name
        for done in np.unique(done_yr[mine]).tolist():
            since = at_yr - done
            if not 0 <= since < paths.life_yr(name, kind):
                continue
            rows = np.flatnonzero(mine & (done_yr == done))
            after = paths.part(rows).after(name, kind, int(done))
            spot = min(int(since), after.shape[1] - 1)
            part = min(since - spot, 1.0) if spot + 1 < after.shape[1] else 0.0
            share = after[:, spot] * (1 - part) + after[:, min(spot + 1, after.shape[1] - 1)] * part
            out[rows] = np.where(np.isnan(out[rows]), np.nan, share)
    return out


def discounted_share(
    share: Floats | float,
    growth_per_yr: Floats | float,
    rest_yr: Floats | float,
    from_yr: Floats | float,
    to_yr: Floats | float,
    discount_per_yr: float,
) -> Floats:
    """Share that rests, then climbs no further than 1, integrated over time and discounted to time 0.

    Parameters
    ----------
    share : fraction 0 to 1, at `from_yr`
    growth_per_yr : share/yr, >= 0, once the rest is over
    rest_yr : yr, >= 0
    from_yr, to_yr : yr from time 0; nothing is counted where `to_yr` is not later
    discount_per_yr : real rate, 1/yr, >= 0

    Returns
    -------
    array, the shape to which all arguments broadcast, share·yr

    References
    ----------
    Derived: closed form of the integral of ``(1 + rate) ** -t`` times a constant, a straight line and 1.

    Examples
    --------
    Two years at 10 % without discount:

    >>> float(discounted_share(0.1, 0.0, 0.0, 0.0, 2.0, 0.0))
    0.2
    """
    force = float(np.log1p(discount_per_yr))
    share, growth, rest_yr, start, end = (
        np.asarray(a, dtype=np.float64) for a in (share, growth_per_yr, rest_yr, from_yr, to_yr)
    )
    length = np.maximum(end - start, 0.0)
    rest = np.minimum(rest_yr, length)
    with np.errstate(divide="ignore", invalid="ignore"):
        to_full = np.where(growth > 0, (1.0 - share) / growth, np.inf)
    climb = np.minimum(to_full, length - rest)
    full = length - rest - climb
    climbing = share * annuity(climb, force) + growth * ramp(climb, force)
    later = climbing + np.exp(-force * climb) * annuity(full, force)
    return np.asarray(np.exp(-force * start) * (share * annuity(rest, force) + np.exp(-force * rest) * later))


def without_work(decks: Decks, from_yr: int, to_yr: float, discount_per_yr: float) -> Floats:
    """Share without work, integrated over a time and discounted to time 0; shape (n,), share·yr."""
    if decks.paths is None:
        share = share_at(decks, float(from_yr))
        return discounted_share(share, decks.growth_per_yr, 0.0, float(from_yr), to_yr, discount_per_yr)
    nothing = decks.paths.nothing[:, from_yr:]
    weights = node_weights(to_yr - from_yr, nothing.shape[1], discount_per_yr)
    return np.asarray(nothing @ weights * (1 + discount_per_yr) ** -float(from_yr))


def with_work(decks: Decks, name: str, done_yr: int, to_yr: float, settings: Settings) -> Floats:
    """Share from a work on, integrated until a time and discounted to time 0; shape (n,), share·yr."""
    kind, rate = settings.treatment[name], settings.programme.discount_per_yr
    if decks.paths is None:
        after = share_at(decks, float(done_yr)) * (1.0 - kind.removes)
        grows = decks.growth_per_yr * kind.growth_factor
        return discounted_share(after, grows, kind.rest_yr, float(done_yr), to_yr, rate)
    path = decks.paths.after(name, kind, done_yr)
    return np.asarray(path @ node_weights(to_yr - done_yr, path.shape[1], rate) * (1 + rate) ** -float(done_yr))


def life_yr(decks: Decks, name: str, settings: Settings) -> float:
    """Years that a treatment counts for, yr; infinite where its own failures are its end."""
    kind = settings.treatment[name]
    return float(kind.life_yr) if decks.paths is None else decks.paths.life_yr(name, kind)

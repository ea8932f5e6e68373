"""What one more sounding of a deck is worth: what it could change in the choice of works, for an hour of closure.

Before the sounding, each deck has the works that are worth most over all shares it may stand at, at the prices that
the programme's money and crew days come to; after it, those that are worth most at the shares still likely. Both are
valued over the same shares, so that knowing more is worth what the better choice avoids more.

Where a deck turns out to be one that the works are not meant for, they are changed to the best that are, in the same
year, or dropped where none is worth its money: that is what happens when a crew finds it on the day.

Left out: second works of a deck, set-ups shared on a route and money kept for a district; and prices stay, as one
deck moves them little.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from scipy.special import ndtri

from decknet.rank.draws import two_piece
from decknet.rank.sound import closure_hours
from decknet.schedule.case import Case, pose, solve
from decknet.schedule.doubt import redrawn
from decknet.schedule.treatments import permitted, work_out
from decknet.settled import CHANCE_PLACES, SHARE_PLACES, to_places

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]
    Whole = npt.NDArray[np.signedinteger]

__all__ = ["Likely", "choice_after", "look_worth", "net_worth", "within_hours"]

SHARES, READINGS = 25, 5  # shares that a deck may stand at; readings of each
_AT_ONCE = 1_000
_PLACES = 3  # m2·yr: benefits are kept to thousandths
_SURE = 1e-6  # share: less scatter than this is none


class Likely:
    """Shares that decks may stand at, what a sounding may read, and how likely each share is after it.

    Parameters
    ----------
    share : array, shape (k, n), fraction 0 to 1, all equally likely
    cv : float
        Scatter of one reading, as a part of the share.
    floor : float, share
        Scatter on a clean deck.

    Attributes
    ----------
    reading : array, shape (r, n), fraction 0 to 1
    chance : array, shape (r,), of each reading; adds up to 1
    weight : array, shape (r, k, n), adds up to 1 over k

    References
    ----------
    published: Raiffa and Schlaifer (1961), Applied Statistical Decision Theory, preposterior analysis: the posterior
    by the rule of Bayes for each reading, readings in proportion to how likely they are beforehand. Readings of one
    share are the nodes of Gauss-Hermite quadrature.
    """

    def __init__(self, share: Floats, cv: float, floor: float) -> None:
        scatter = np.maximum(np.hypot(cv * share, floor), _SURE)
        z, chance = hermegauss(READINGS)
        self.chance = np.tile(chance / chance.sum(), len(share)) / len(share)
        read = share[:, None, :] + z[None, :, None] * scatter[:, None, :]
        self.reading = np.clip(read, 0.0, 1.0).reshape(-1, share.shape[1])
        off = (self.reading[:, None, :] - share[None]) / scatter[None]
        log = -0.5 * off * off - np.log(scatter)[None]
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        self.weight = weight / weight.sum(axis=1, keepdims=True)

    def after(self, value: Floats) -> Floats:
        """What a figure of shape (k, n, ...) is expected to be after each reading; shape (r, n, ...)."""
        return np.asarray(np.einsum("rkn,kn...->rn...", self.weight, value))


def choice_after(
    worth: Floats, chance: Floats, may_now: Flags, may_then: Flags, needed: Flags
) -> tuple[Whole, Whole, Floats, Floats]:
    """The best works before and after each reading, and what choosing after it is worth.

    Parameters
    ----------
    worth : array, shape (r, n, o), m2·yr
        Expected worth of each of o works after each reading, its price taken off.
    chance : array, shape (r,), of each reading; adds up to 1
    may_now : array, shape (n, o), flag
        Works that the rules allow as the deck is known.
    may_then : array, shape (r, n, o), flag
        The same after each reading.
    needed : array, shape (n,), flag
        Some works there must be.

    Returns
    -------
    now : array, shape (n,), index of the works; -1 for none
    then : array, shape (r, n)
    gain : array, shape (n,), m2·yr, >= 0
    changes : array, shape (n,), 0 to 1, how likely the choice is another after the reading

    Examples
    --------
    One deck; works that come to -2 or 6, each as likely: without knowing they are taken (2), knowing saves the 2.

    >>> worth = np.array([[[-2.0]], [[6.0]]])
    >>> may = np.ones((1, 1), dtype=bool)
    >>> likely, then_too = np.array([0.5, 0.5]), np.ones((2, 1, 1), dtype=bool)
    >>> now, then, gain, changes = choice_after(worth, likely, may, then_too, np.zeros(1, dtype=bool))
    >>> now.tolist(), then.ravel().tolist(), gain.tolist(), changes.tolist()
    ([0], [-1, 0], [1.0], [0.5])
    """
    worth = to_places(worth, _PLACES)
    before = np.where(may_now, to_places(np.tensordot(chance, worth, 1), _PLACES), -np.inf)
    now, value_now = _best(before, needed)
    then, value_then = _best(np.where(may_then, worth, -np.inf), needed)
    gain = np.maximum(chance @ value_then - value_now, 0.0)
    return now, then, to_places(gain, _PLACES), to_places(chance @ (then != now), CHANCE_PLACES)


def _best(worth: Floats, needed: Flags) -> tuple[Whole, Floats]:
    """The best along the last axis, -1 and 0 where none is worth more than nothing; none at all is worth nothing."""
    at = worth.argmax(axis=-1)
    value = np.take_along_axis(worth, at[..., None], axis=-1)[..., 0]
    none = ~np.isfinite(value) | ((value <= 0) & ~needed)
    return np.where(none, -1, at), np.where(none, 0.0, value)


def look_worth(status: pd.DataFrame, *, settings: Settings, **asked: Any) -> pd.DataFrame:
    """What one more sounding of each deck is worth to a programme.

    Parameters
    ----------
    status : DataFrame
        As `make_programme` takes it, with share_low, share_high, growth_low, growth_high and survey_date.
    settings : Settings
    **asked
        first_year, budgets, pins, bars, kept, drawn, paths as `make_programme` takes them.

    Returns
    -------
    DataFrame, one row a deck, the most for an hour first; ties by deck_id
        deck_id; survey_date; share_low, share_high (0 to 1, 80 % range); gain (m2·yr more avoided, traffic weighted
        and discounted like the benefit of a programme); chance (0 to 1, that the choice is another after it);
        closure_h (lane-hours); gain_per_h (m2·yr an hour); now (the works that are best as the deck is known, "" for
        none) and then (those it would change to most often, "" where none or where nothing changes), as "rigid overlay
        in 2028". Nothing is gained on a deck that is barred or pinned, or whose share or area is not known.

    Raises
    ------
    BudgetError
        As `make_programme`.

    References
    ----------
    derived: expected value of sample information for the choice of a deck's works at the prices of the programme's
    limits, which part it from all other decks (Lagrange).
    """
    case = pose(status, settings=settings, **asked)
    choice = solve(case, settings, gap=1.0).choice
    price = (np.asarray(choice.money_price), np.asarray(choice.days_price))
    mine = status.set_index("deck_id").reindex(case.ids)
    share, growth, now = _may_be(mine, case, settings)
    labels = [f"{settings.treatment[n].label} in {case.first_year + y}" for n in case.names for y in range(case.years)]
    labels.append("")
    parts = []
    for start in range(0, len(case.ids), _AT_ONCE):
        rows = np.arange(start, min(start + _AT_ONCE, len(case.ids)))
        decks = case.decks.part(rows)
        parts.append(
            _part(decks, share[:, rows], growth[:, rows], now[rows], case.urgent[rows], price, case, labels, settings)
        )
    out = pd.concat(parts, ignore_index=True)
    fixed = case.barred.copy()
    fixed[list(case.pinned)] = True
    out.loc[fixed, ["gain", "chance"]] = 0.0
    out.loc[fixed, "then"] = ""
    lanes = mine["lanes"] if "lanes" in mine else pd.Series(np.nan, index=mine.index)
    hours = closure_hours(mine["area_m2"], lanes, settings.sounding)
    out = pd.DataFrame(
        {
            "deck_id": pd.array(case.ids, dtype="str"), "survey_date": mine["survey_date"].to_numpy(),
            "share_low": mine["share_low"].to_numpy(), "share_high": mine["share_high"].to_numpy(),
            "closure_h": hours, "gain_per_h": to_places(out["gain"].to_numpy() / hours, _PLACES),
        }
    ).join(out)  # fmt: skip
    return out.sort_values(["gain_per_h", "deck_id"], ascending=[False, True], kind="stable", ignore_index=True)


def net_worth(decks: Decks, names: list[str], years: int, price: tuple[Floats, Floats], settings: Settings) -> Floats:
    """What works are worth on decks that stand as given, changed on the day where they are not meant for such decks.

    Parameters
    ----------
    decks : Decks, n decks
    names : keys of ``settings.treatment``, k of them
    years : int, y years
    price : arrays of shape (y,)
        m2·yr for a unit of money and for a crew day of each year.
    settings : Settings

    Returns
    -------
    array, shape (n, k, y), m2·yr, less what money and crew days are worth
        Of works that the rules do not allow: that of the best allowed in the same year, 0 where there is none.
    """
    works = work_out(replace(decks, found_above=None), names, years, settings)
    net = works.benefit - works.money * price[0] - works.crew_days * price[1]
    best = np.where(works.permitted, net, 0.0).max(axis=1, keepdims=True)
    return np.where(works.permitted, net, np.maximum(best, 0.0))


def within_hours(found: pd.DataFrame, hours: float) -> pd.DataFrame:
    """The soundings that give the most for lane-hours that may be had: in their order, each that still fits.

    Parameters
    ----------
    found : DataFrame
        As `look_worth` gives.
    hours : float, lane-hours

    Examples
    --------
    >>> found = pd.DataFrame({"deck_id": list("abc"), "gain": [9.0, 5.0, 1.0], "closure_h": [4.0, 5.0, 2.0]})
    >>> within_hours(found, 6.5)["deck_id"].tolist()
    ['a', 'c']
    """
    left, taken = hours, []
    for row, (gain, need) in enumerate(zip(found["gain"].tolist(), found["closure_h"].tolist(), strict=True)):
        if gain > 0 and need <= left:
            taken.append(row)
            left -= need
    return found.iloc[taken].reset_index(drop=True)


def _may_be(mine: pd.DataFrame, case: Case, settings: Settings) -> tuple[Floats, Floats, Floats]:
    """Shares that each deck may stand at and its growth then, shape (k, n), and the share expected, shape (n,)."""

    def column(name: str, middle: Floats) -> Floats:
        if name not in mine:
            return middle
        given = pd.to_numeric(mine[name]).to_numpy(dtype=np.float64, na_value=np.nan)
        return np.where(np.isfinite(given), given, middle)

    share = pd.to_numeric(mine["share_now"]).to_numpy(dtype=np.float64, na_value=np.nan)
    growth = case.decks.growth_per_yr
    # the mean of each of so many equal parts of the normal distribution
    edges = ndtri(np.linspace(0.0, 1.0, SHARES + 1))
    z = -SHARES * np.diff(np.exp(-(edges**2) / 2))[:, None] / np.sqrt(2 * np.pi)

    def at(z: Floats, middle: Floats, name: str) -> Floats:
        low = np.minimum(column(f"{name}_low", middle), middle)
        high = np.maximum(column(f"{name}_high", middle), middle)
        f = np.float32
        each = np.broadcast_to(z.astype(f), (SHARES, len(middle)))
        drawn = two_piece(each, middle.astype(f), low.astype(f), high.astype(f))
        return np.asarray(np.maximum(drawn, 0.0), dtype=np.float64)

    with_share = settings.rank.share_with_growth
    shares = to_places(np.minimum(at(z, share, "share"), 1.0), SHARE_PLACES)
    return shares, at(with_share * z, growth, "growth"), share


def _part(
    decks: Decks, share: Floats, growth: Floats, now: Floats, needed: Flags, price: tuple[Floats, Floats], case: Case,
    labels: list[str], settings: Settings,
) -> pd.DataFrame:  # fmt: skip
    """Gain, chance and words of some decks."""
    names, years, count = case.names, case.years, len(decks)
    known = ~np.isnan(decks.share) & ~np.isnan(decks.area_m2)
    shape = (count, len(names) * years)
    nets = [
        net_worth(redrawn(decks, share[k], growth[k], now), names, years, price, settings).reshape(shape)
        for k in range(SHARES)
    ]
    likely = Likely(np.nan_to_num(share), settings.growth.survey_cv, settings.growth.survey_floor)
    worth = likely.after(np.nan_to_num(np.array(nets)))
    middle, pace = likely.after(share), likely.after(growth)
    then = []
    for r in range(len(worth)):
        moved = redrawn(decks, middle[r], pace[r], now)
        then.append(permitted(moved, names, years, settings, likely.reading[r] - middle[r]).reshape(shape))
    may_now = permitted(decks, names, years, settings, decks.found_above).reshape(shape)
    at, after, gain, chance = choice_after(worth, likely.chance, may_now, np.array(then), needed)
    other = np.where(after == at, -2, after)
    most = [_commonest(column, likely.chance) for column in other.T]
    return pd.DataFrame(
        {
            "gain": np.where(known, gain, 0.0),
            "chance": np.where(known, chance, 0.0),
            "now": pd.array([labels[i] for i in at], dtype="str"),
            "then": pd.array([labels[i] if i > -2 else "" for i in most], dtype="str"),
        }
    )


def _commonest(values: Whole, chance: Floats) -> int:
    """The likeliest value, the least of several; -2 stands for no change and counts for nothing."""
    found, at = np.unique(values, return_inverse=True)
    often = to_places(np.bincount(at, chance).astype(np.float64), CHANCE_PLACES)
    often[found == -2] = 0.0
    return int(found[often.argmax()]) if often.any() else -2

"""What a deck may get in each year: whether it fits, what it costs, what it spares.

The model, in full
------------------
Time runs in years from the start of the programme's first year; the share expected today stands at time 0.

* Without work the unsound share climbs by ``growth_per_yr`` a year and stops at 1.
* A treatment done in year ``t`` leaves ``(1 - removes)`` of the share unsound, stands still for
  ``rest_yr`` years, then climbs at ``growth_factor`` times the old growth, again no further than 1.
* When ``life_yr`` is over the treatment counts for nothing more: the deck is taken to stand where it would
  have stood without it. Later works on the same deck are not part of the programme.
* Benefit is the unsound area avoided, integrated over the horizon (``horizon_yr`` from the first year),
  discounted to the first year and weighted by traffic: ``(max(aadt, floor) / 1000) ** power``.

* Agency cost avoided after the programme's last year: what the cheapest treatment of the deck would then cost
  without the work, less what it would cost after it, discounted; at ``exposure_cost`` it counts as benefit, so
  that works of the last year are not cheated of what lies beyond.

Costs are mobilisation, m2 of deck, m2 broken out, m of saw cut and m3 placed, brought to the programme's price
year, and the closures (see ``closure``). Quantities are those of drawn repair limits where they are given and the
deck is treated in the first year; later they grow with the share. Elsewhere they are the share times overbreak.

Rules for what a deck may get in a year, each from the settings:

1. its share in that year lies between the treatment's ``share_min`` and ``share_max``;
2. a deck that already has an overlay is given no thin overlay.

The delay of road users is nobody's budget: it guides the choice of the closure and is shown apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.errors import RecordError
from decknet.schedule.closure import CLOSURES, Closing, Roads, choose_closures, road_figures

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from decknet.settings import Settings, Treatment

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

__all__ = [
    "Decks",
    "Works",
    "closing_words",
    "deck_figures",
    "discounted_share",
    "later_cost",
    "share_after_work",
    "share_at",
    "work_out",
]

# Surfaces that are no overlay; any other word in `surface_kind` counts as one. Missing counts as bare.
BARE = frozenset({"", "bare", "bare concrete", "concrete", "none", "no overlay", "sealed", "sealer"})

# Treatments that are themselves a thin layer on the deck and cannot lie on another one.
NOT_ON_OVERLAY = frozenset({"thin overlay"})


@dataclass(frozen=True, slots=True)
class Decks:
    """The figures of each deck on which the programme rests. Every array has shape (decks,).

    Attributes
    ----------
    area_m2 : m2, > 0; NaN where not known
    share : fraction 0 to 1, unsound share at time 0; NaN where not known
    growth_per_yr : share of the deck a year, >= 0
    weight : traffic weight, no unit, > 0
    overlaid : flag, an overlay lies on the deck
    roads : Roads or None
        What runs over the decks; None: closures cost nothing.
    drawn_m2, drawn_saw_m : m2 broken out and m of saw cut by the limits drawn, NaN where none are; or None
    """

    area_m2: Floats
    share: Floats
    growth_per_yr: Floats
    weight: Floats
    overlaid: Flags
    roads: Roads | None = None
    drawn_m2: Floats | None = None
    drawn_saw_m: Floats | None = None

    def __len__(self) -> int:
        return len(self.share)

    def part(self, rows: npt.NDArray[np.intp] | slice) -> Decks:
        """The decks of those rows."""
        return Decks(
            self.area_m2[rows],
            self.share[rows],
            self.growth_per_yr[rows],
            self.weight[rows],
            self.overlaid[rows],
            None if self.roads is None else self.roads.part(rows),
            None if self.drawn_m2 is None else self.drawn_m2[rows],
            None if self.drawn_saw_m is None else self.drawn_saw_m[rows],
        )


@dataclass(frozen=True, slots=True)
class Works:
    """Every deck, treatment and year. Every array has shape (decks, treatments, years).

    Attributes
    ----------
    permitted : flag, the rules allow it
    money : currency, whole units, rounded up
    crew_days : days, tenths, rounded up
    repair_m2 : m2 broken out and filled, overbreak included, never more than the deck
    share_before, share_after : fraction 0 to 1, at the time of the work
    benefit : m2·yr of unsound deck avoided over the horizon, traffic weighted, discounted; with what is saved
        later, at its rate
    later_saved : currency, agency cost avoided after the programme's last year, discounted
    closing : Closing or None
    """

    permitted: Flags
    money: Floats
    crew_days: Floats
    repair_m2: Floats
    share_before: Floats
    share_after: Floats
    benefit: Floats
    later_saved: Floats
    closing: Closing | None = None


def deck_figures(status: pd.DataFrame, settings: Settings, drawn: pd.DataFrame | None = None) -> Decks:
    """The figures of each deck, checked, in the order of the rows.

    Parameters
    ----------
    status : DataFrame
        One row a deck. Read where present: deck_id, area_m2 (m2), share_now (0 to 1), growth_per_yr
        (share/yr), aadt (veh/day), surface_kind. Growth that is missing is taken as the network figure of
        the settings, traffic that is missing as the least traffic counted.
    settings : Settings
    drawn : DataFrame, optional
        One row a deck whose repair limits are drawn: deck_id, repair_m2 (m2 broken out), saw_cut_m (m) if known.

    Returns
    -------
    Decks

    Raises
    ------
    RecordError
        A share outside 0 to 1, a negative growth or traffic, or an area that is not positive.
    """
    area = _numbers(status, "area_m2")
    share = _numbers(status, "share_now")
    growth = _numbers(status, "growth_per_yr")
    aadt = _numbers(status, "aadt")
    wrong = (
        ("area_m2", area, np.isinf(area) | (area <= 0), "must be above 0", "Correct the deck's length and width"),
        ("share_now", share, (share < 0) | (share > 1), "must lie between 0 and 1", "Correct the deck's surveys"),
        ("growth_per_yr", growth, (growth < 0) | (growth > 1), "must lie between 0 and 1", "Fit growth again"),
        ("aadt", aadt, np.isinf(aadt) | (aadt < 0), "must not be negative", "Correct the traffic"),
    )
    for column, values, bad, rule, remedy in wrong:
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            name = status["deck_id"].iloc[row] if "deck_id" in status else f"row {row + 1}"
            more = f" ({int(bad.sum())} decks in all)" if bad.sum() > 1 else ""
            raise RecordError(f"deck {name}, {column}: {values[row]:g} {rule}{more}. {remedy}.")
    programme = settings.programme
    weight = (np.fmax(aadt, programme.traffic_floor) / 1000.0) ** programme.traffic_power
    if "surface_kind" in status:
        words = status["surface_kind"].astype("object").where(status["surface_kind"].notna(), "")
        overlaid = ~words.astype(str).str.strip().str.casefold().isin(BARE).to_numpy(dtype=bool)
    else:
        overlaid = np.zeros(len(status), dtype=bool)
    growth = np.where(np.isnan(growth), settings.growth.network_per_yr, growth)
    drawn_m2, drawn_saw_m = _drawn(status, drawn)
    return Decks(area, share, growth, weight, overlaid, road_figures(status, settings), drawn_m2, drawn_saw_m)


def _drawn(status: pd.DataFrame, drawn: pd.DataFrame | None) -> tuple[Floats | None, Floats | None]:
    """m2 and m of saw cut of the limits drawn, in the order of the decks."""
    if drawn is None or "deck_id" not in status:
        return None, None
    if drawn["deck_id"].duplicated().any():
        raise RecordError(
            f"drawn limits, deck {drawn['deck_id'][drawn['deck_id'].duplicated()].iloc[0]}: stands twice. "
            "Keep one row a deck."
        )
    mine = drawn.set_index("deck_id").reindex(status["deck_id"])
    area = _numbers(mine, "repair_m2")
    if (area < 0).any():
        name = status["deck_id"].iloc[int(np.flatnonzero(area < 0)[0])]
        raise RecordError(f"drawn limits, deck {name}, repair_m2: must not be negative. Draw the limits again.")
    return area, _numbers(mine, "saw_cut_m")


def _numbers(status: pd.DataFrame, column: str) -> Floats:
    if column not in status:
        return np.full(len(status), np.nan)
    return np.asarray(pd.to_numeric(status[column]).to_numpy(dtype=np.float64, na_value=np.nan))


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
    Derived: a straight line, stopped at 1.
    """
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
    kinds = [settings.treatment[name] for name in treatments]
    removes, factor, rest, life = (
        np.array([getattr(kind, field) for kind in kinds], dtype=np.float64)
        for field in ("removes", "growth_factor", "rest_yr", "life_yr")
    )
    left = share_at(decks, done_yr) * (1.0 - removes)
    since = at_yr - done_yr
    treated = np.minimum(left + decks.growth_per_yr * factor * np.maximum(since - rest, 0.0), 1.0)
    return np.where((since >= 0) & (since < life), treated, share_at(decks, at_yr))


def _annuity(years: Floats, force: float) -> Floats:
    """Integral of exp(-force t) over 0 to years; yr."""
    return years if force == 0 else -np.expm1(-force * years) / force


def _ramp(years: Floats, force: float) -> Floats:
    """Integral of t exp(-force t) over 0 to years; yr2. By its series where the closed form cancels."""
    x = force * years
    series = years * years * (1 / 2 - x * (1 / 3 - x * (1 / 8 - x * (1 / 30 - x / 144))))
    if force == 0:
        return series
    return np.where(x < 1e-2, series, (_annuity(years, force) - years * np.exp(-x)) / force)


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
    climbing = share * _annuity(climb, force) + growth * _ramp(climb, force)
    later = climbing + np.exp(-force * climb) * _annuity(full, force)
    return np.asarray(np.exp(-force * start) * (share * _annuity(rest, force) + np.exp(-force * rest) * later))


def work_out(decks: Decks, names: Sequence[str], years: int, settings: Settings) -> Works:
    """Fit, cost, crew days and benefit of every treatment in every year.

    Parameters
    ----------
    decks : Decks, n decks
        Where area or share is NaN nothing is permitted.
    names : keys of ``settings.treatment``, k of them
    years : int, y years of the programme
    settings : Settings

    Returns
    -------
    Works, arrays of shape (n, k, y)
        About 60 bytes an entry while it works: pass large networks in parts.

    References
    ----------
    Derived: the model at the head of this file.
    """
    programme = settings.programme
    kinds = [settings.treatment[name] for name in names]

    def of(field: str) -> Floats:
        return np.array([getattr(kind, field) for kind in kinds], dtype=np.float64)[None, :, None]

    area = decks.area_m2[:, None, None]
    growth = decks.growth_per_yr[:, None, None]
    year = np.arange(years, dtype=np.float64)[None, None, :]
    before = np.minimum(decks.share[:, None, None] + growth * year, 1.0)
    shape = (len(decks), len(kinds), years)

    permitted = (before >= of("share_min")) & (before <= of("share_max")) & ~np.isnan(area)
    layered = np.array([name in NOT_ON_OVERLAY for name in names])[None, :, None]
    permitted &= ~(layered & decks.overlaid[:, None, None])

    repair, bare_money, days = _amounts(decks, before, kinds, year == 0, settings)
    money, closing = bare_money, None
    if decks.roads is not None:
        placed = repair + of("places_deck") * area
        closing = choose_closures(np.ceil(np.round(days * 10.0, 6)) / 10.0, placed, decks.roads, names, settings)
        money, days = bare_money + closing.money, closing.crew_days

    after = before * (1.0 - of("removes"))
    end = np.minimum(year + of("life_yr"), float(programme.horizon_yr))
    rate = programme.discount_per_yr
    without = discounted_share(before, growth, 0.0, year, end, rate)
    treated = discounted_share(after, growth * of("growth_factor"), of("rest_yr"), year, end, rate)
    benefit = area * decks.weight[:, None, None] * (without - treated)
    saved = np.zeros(shape)
    if programme.exposure_cost > 0:
        since = years - year
        grown = growth * of("growth_factor") * np.maximum(since - of("rest_yr"), 0.0)
        last = np.where(since < of("life_yr"), np.minimum(after + grown, 1.0), _at_end(decks, years))
        nothing = later_cost(decks, np.broadcast_to(_at_end(decks, years), (len(decks), 1, 1)), settings)
        saved = np.maximum(nothing - later_cost(decks, last, settings), 0.0) * (1 + rate) ** -float(years)
        benefit = benefit + saved / programme.exposure_cost
    return Works(
        permitted=permitted,
        money=np.ceil(np.round(money, 6)),
        crew_days=np.ceil(np.round(days * 10.0, 6)) / 10.0,
        repair_m2=repair,
        share_before=np.broadcast_to(before, shape),
        share_after=after,
        benefit=benefit,
        later_saved=saved,
        closing=closing,
    )


def _at_end(decks: Decks, years: int) -> Floats:
    return share_at(decks, float(years))[:, None, None]


def _amounts(
    decks: Decks, share: Floats, kinds: Sequence[Treatment], drawn_now: Flags | bool, settings: Settings
) -> tuple[Floats, Floats, Floats]:
    """m2 broken out, money without closures and crew days of each treatment (axis 1) at those shares."""
    programme = settings.programme

    def of(field: str) -> Floats:
        return np.array([getattr(kind, field) for kind in kinds], dtype=np.float64)[None, :, None]

    area = decks.area_m2[:, None, None]
    breaks_out = (of("per_repair_m2") > 0) | (of("repair_m2_per_day") > 0)
    repair = np.minimum(programme.overbreak * share, 1.0) * area
    saw = repair * of("saw_m_per_m2")
    if decks.drawn_m2 is not None:
        here = decks.drawn_m2[:, None, None]
        repair = np.where(drawn_now & ~np.isnan(here), np.minimum(here, area), repair)
        if decks.drawn_saw_m is not None:
            cut = decks.drawn_saw_m[:, None, None]
            saw = np.where(drawn_now & ~np.isnan(here) & ~np.isnan(cut), cut, repair * of("saw_m_per_m2"))
    repair = np.where(breaks_out, repair, 0.0)
    saw = np.where(breaks_out, saw, 0.0)
    money = (
        of("set_up")
        + of("per_deck_m2") * area
        + of("per_repair_m2") * repair
        + of("per_saw_m") * saw
        + of("per_m3") * repair * of("depth_mm") / 1000.0
    )
    rise = 1.0 + settings.closure.prices_rise_per_yr
    money = money * np.array([rise ** (programme.price_year - kind.cost_year) for kind in kinds])[None, :, None]
    days = of("set_up_days") + _per_day(area, of("deck_m2_per_day")) + _per_day(repair, of("repair_m2_per_day"))
    return repair, money, days


def later_cost(decks: Decks, share: Floats, settings: Settings) -> Floats:
    """What the cheapest treatment meant for a share costs; nothing where none is.

    Parameters
    ----------
    decks : Decks, n decks
    share : array, shape (n, k, y), fraction 0 to 1
    settings : Settings

    Returns
    -------
    array, shape (n, k, y), currency without closures
    """
    best = np.full(share.shape, np.inf)
    for name, kind in settings.treatment.items():
        if name in NOT_ON_OVERLAY or kind.share_min <= 0:
            continue
        _, money, _ = _amounts(decks, share, [kind], False, settings)
        best = np.where((share >= kind.share_min) & (share <= kind.share_max), np.minimum(best, money), best)
    return np.where(np.isfinite(best), best, 0.0)


def closing_words(closing: Closing, at: tuple[npt.NDArray[np.intp], ...]) -> dict[str, list[str] | Floats]:
    """Window, material, number, hours and user cost of the closures at those places, as columns of lines."""
    kinds = [CLOSURES[k] for k in closing.kind[at].tolist()]
    return {
        "window": [window for window, _ in kinds],
        "material": [material for _, material in kinds],
        "closures": closing.closures[at],
        "closure_h": closing.hours[at],
        "user_cost": np.round(closing.user_cost[at]),
    }


def _per_day(amount_m2: Floats, m2_per_day: Floats) -> Floats:
    """Days for an amount at a pace; none where no pace is given."""
    pace = np.where(m2_per_day > 0, m2_per_day, np.inf)
    return np.asarray(amount_m2 / pace)

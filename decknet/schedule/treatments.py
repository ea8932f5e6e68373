"""What a deck may get in each year: whether it fits, what it costs, what it spares.

The model, in full
------------------
Time runs in years from the start of the programme's first year; the share expected today stands at time 0.

* Where forecasts are given (``paths.Paths``) the unsound share without work is the forecast of each year, and a
  treatment leaves ``(1 - removes)`` of it unsound; after a patch the deck's own growth goes on, times
  ``growth_factor``, and patches fail again as the district's have; an overlay or a new deck begins a new life, which
  goes as the district's such decks have gone, or, where there are too few, at the deck's own pace times
  ``growth_factor`` after ``rest_yr``.
* Without forecasts the unsound share climbs by ``growth_per_yr`` a year and stops at 1; a treatment done in year ``t``
  stands still for ``rest_yr`` years, then climbs at ``growth_factor`` times the old growth.
* When ``life_yr`` is over the treatment counts for nothing more: the deck is taken to stand where it would
  have stood without it. Patches whose failures are known have no other end. Later works on the same deck are not
  part of the programme.
* Benefit is the unsound area avoided, integrated over the horizon (``horizon_yr`` from the first year),
  discounted to the first year and weighted by traffic: ``(max(aadt, floor) / 1000) ** power``.

* Agency cost avoided after the programme's last year: what the cheapest treatment of the deck would then cost
  without the work, less what it would cost after it, discounted; at ``exposure_cost`` it counts as benefit, so
  that works of the last year are not cheated of what lies beyond.

Costs are mobilisation, m2 of deck, m2 broken out, m of saw cut and m3 placed, brought to the programme's price
year, and the closures (see ``closure``). Quantities are those of drawn repair limits where they are given and the
deck is treated in the first year; later they grow with the share. Elsewhere they are the share times overbreak.

Rules for what a deck may get in a year, each from the settings:

1. its share in that year, the worse of what is expected and of what was found and has grown since, lies between the
   treatment's ``share_min`` and ``share_max``, or the part of the deck that is unsound to full depth has reached
   ``full_depth_from``;
2. that part is no more than ``full_depth_max``; where no depths were drawn it is not known, and not asked;
3. the deck is at least ``deck_age_min`` old, and an overlay on it at least ``overlay_age_min``, where known;
4. a deck that already has an overlay is given no thin overlay.

What the soffit shows counts beside depth in most owners' rules. No record of ours holds it.

The delay of road users is nobody's budget: it guides the choice of the closure and is shown apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decknet.schedule.closure import CLOSURES, Closing, choose_closures
from decknet.schedule.exposure import discounted_share, life_yr, share_at, without_work
from decknet.schedule.options import SAME, on_benefit_grid
from decknet.schedule.paths import node_weights

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.settings import Settings, Treatment

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Works", "closing_words", "later_cost", "permitted", "work_out"]

# Treatments that are themselves a thin layer on the deck and cannot lie on another one.
NOT_ON_OVERLAY = frozenset({"thin overlay"})


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
        later, at its rate; in thousandths
    later_saved : currency, agency cost avoided after the programme's last year, discounted; in hundredths
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
    year = np.arange(years, dtype=np.float64)[None, None, :]
    before = _before(decks, years)
    shape = (len(decks), len(kinds), years)

    allowed = permitted(decks, names, years, settings, decks.found_above)

    repair, bare_money, days = _amounts(decks, before, kinds, year == 0, settings)
    money, closing = bare_money, None
    if decks.roads is not None:
        placed = repair + of("places_deck") * area
        closing = choose_closures(np.ceil(np.round(days * 10.0, 6)) / 10.0, placed, decks.roads, names, settings)
        money, days = bare_money + closing.money, closing.crew_days

    after = before * (1.0 - of("removes"))
    spared, last = _spared(decks, names, years, before, settings)
    benefit = area * decks.weight[:, None, None] * spared
    saved = np.zeros(shape)
    if programme.exposure_cost > 0:
        at_end = share_at(decks, float(years))[:, None, None]
        nothing = later_cost(decks, at_end, settings)
        later = (1 + programme.discount_per_yr) ** -float(years)
        saved = np.maximum(nothing - later_cost(decks, last, settings), 0.0) * later
        benefit = benefit + saved / programme.exposure_cost
    return Works(
        permitted=allowed,
        money=np.ceil(np.round(money, 6)),
        crew_days=np.ceil(np.round(days * 10.0, 6)) / 10.0,
        repair_m2=repair,
        share_before=np.broadcast_to(before, shape),
        share_after=after,
        benefit=on_benefit_grid(benefit),
        later_saved=np.round(saved, 2),
        closing=closing,
    )


def _before(decks: Decks, years: int) -> Floats:
    """Share in each year without works, shape (decks, 1, years)."""
    if decks.paths is None:
        year = np.arange(years, dtype=np.float64)
        return np.minimum(decks.share[:, None] + decks.growth_per_yr[:, None] * year, 1.0)[:, None, :]
    return np.where(np.isnan(decks.share)[:, None], np.nan, decks.paths.nothing[:, :years])[:, None, :]


def permitted(decks: Decks, names: Sequence[str], years: int, settings: Settings, found_above: Floats | None) -> Flags:
    """Whether the rules allow each treatment in each year.

    Parameters
    ----------
    decks : Decks, n decks
    names : keys of ``settings.treatment``, k of them
    years : int, y years
    settings : Settings
    found_above : array, shape (n,), share, or None
        How far what was found lies above what is expected: a treatment is judged by the worse.

    Returns
    -------
    array, shape (n, k, y), flag
    """
    kinds = [settings.treatment[name] for name in names]

    def of(field: str) -> Floats:
        return np.array([getattr(kind, field) for kind in kinds], dtype=np.float64)[None, :, None]

    before = _before(decks, years)
    above = 0.0 if found_above is None else np.maximum(found_above, 0.0)[:, None, None]
    allowed = _meant_for(decks, np.minimum(before + above, 1.0), kinds)
    allowed = allowed & ~np.isnan(decks.area_m2)[:, None, None]
    layered = np.array([name in NOT_ON_OVERLAY for name in names])[None, :, None]
    allowed &= ~(layered & decks.overlaid[:, None, None])
    year = np.arange(years, dtype=np.float64)[None, None, :]
    for age, least in ((decks.deck_age, of("deck_age_min")), (decks.overlay_age, of("overlay_age_min"))):
        if age is not None and least.any():
            allowed &= ~(age[:, None, None] + year < least)
    return np.asarray(allowed)


def _spared(
    decks: Decks, names: Sequence[str], years: int, before: Floats, settings: Settings
) -> tuple[Floats, Floats]:
    """Discounted share·yr that each treatment in each year avoids, and the share when the last year is over."""
    programme, rate = settings.programme, settings.programme.discount_per_yr
    horizon, at_end = float(programme.horizon_yr), share_at(decks, float(years))
    kinds = [settings.treatment[name] for name in names]
    if decks.paths is None:

        def of(field: str) -> Floats:
            return np.array([getattr(kind, field) for kind in kinds], dtype=np.float64)[None, :, None]

        year = np.arange(years, dtype=np.float64)[None, None, :]
        growth = decks.growth_per_yr[:, None, None]
        after = before * (1.0 - of("removes"))
        end = np.minimum(year + of("life_yr"), horizon)
        without = discounted_share(before, growth, 0.0, year, end, rate)
        treated = discounted_share(after, growth * of("growth_factor"), of("rest_yr"), year, end, rate)
        since = years - year
        grown = growth * of("growth_factor") * np.maximum(since - of("rest_yr"), 0.0)
        last = np.where(since < of("life_yr"), np.minimum(after + grown, 1.0), at_end[:, None, None])
        return without - treated, last
    spared, last = (np.empty((len(decks), len(names), years)) for _ in range(2))
    for k, (name, kind) in enumerate(zip(names, kinds, strict=True)):
        life = life_yr(decks, name, settings)
        for y in range(years):
            path = decks.paths.after(name, kind, y)
            until = min(y + life, horizon)
            treated = path @ node_weights(until - y, path.shape[1], rate) * (1 + rate) ** -float(y)
            spared[:, k, y] = without_work(decks, y, until, rate) - treated
            last[:, k, y] = path[:, years - y] if years - y < life else at_end
    unknown = np.isnan(decks.share)
    spared[unknown], last[unknown] = np.nan, np.nan
    return spared, last


def _meant_for(decks: Decks, share: Floats, kinds: Sequence[Treatment]) -> Flags:
    """Whether each treatment (axis 1) is meant for a deck at those shares and that depth."""

    def of(field: str) -> Floats:
        return np.array([getattr(kind, field) for kind in kinds], dtype=np.float64)[None, :, None]

    share = np.round(share, SAME)
    fits = (share >= of("share_min")) & (share <= of("share_max"))
    if decks.full_part is None:
        return np.asarray(fits)
    full = np.round(decks.full_part[:, None, None] * share, SAME)
    begins = of("full_depth_from")
    fits = (fits | ((begins > 0) & (full >= begins))) & ~(full > of("full_depth_max"))
    return np.asarray(fits)


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
        best = np.where(_meant_for(decks, share, [kind]), np.minimum(best, money), best)
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

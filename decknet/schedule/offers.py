"""Every option worth a look: single works, and a patch with a longer-lived work in a later year."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from decknet.schedule.choose import Options
from decknet.schedule.demands import HOLDING, or_holding
from decknet.schedule.treatments import Decks, Works, discounted_share, later_cost, share_after_work, share_at, work_out

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["AT_ONCE", "Offers", "make_offers", "second_work"]

AT_ONCE = 20_000  # decks worked out at a time, to bound memory
TWO_STEPS_BELOW = 20_000  # decks; above, one work a deck


@dataclass(frozen=True, slots=True)
class Offers:
    """Options with their treatments. Arrays have shape (options,).

    Attributes
    ----------
    options : Options
        Money without the set-up that is shared along a route.
    treatment : index of the treatment
    second : index of the treatment of the second work, -1 for none; or None
    later_saved : currency, agency cost avoided after the last year, discounted
    """

    options: Options
    treatment: Whole
    second: Whole | None
    later_saved: Floats


def make_offers(
    decks: Decks,
    names: list[str],
    years: int,
    barred: Flags,
    allowed: dict[int, Flags],
    urgent: Flags,
    set_up_shared: Floats,
    settings: Settings,
) -> Offers:
    """All options worth a look.

    Parameters
    ----------
    decks : Decks, n decks
    names : keys of ``settings.treatment``
    years : int
    barred, urgent : arrays, shape (n,), flags
    allowed : deck -> array, shape (treatments, years), what a deck that must have a line may take
    set_up_shared : array, shape (n,), currency, what a line leaves to its route
    settings : Settings

    Returns
    -------
    Offers
    """
    warm = np.array([settings.treatment[name].warm_only for name in names], dtype=np.float64)
    parts: list[tuple[npt.NDArray[np.generic], ...]] = []
    for begin in range(0, max(len(decks), 1), AT_ONCE):
        rows = np.arange(begin, min(begin + AT_ONCE, len(decks)))
        works = work_out(decks.part(slice(begin, begin + AT_ONCE)), names, years, settings)
        permitted = works.permitted & ~barred[rows][:, None, None]
        hurry = np.flatnonzero(urgent[rows] & ~barred[rows] & ~np.isnan(decks.area_m2[rows] + decks.share[rows]))
        permitted[hurry] = or_holding(permitted[hurry], names)
        keep = permitted & ~_beaten(
            works, permitted, warm if settings.programme.warm_crew_days_per_yr > 0 else 0 * warm
        )
        for row in (r for r in allowed if begin <= r < begin + AT_ONCE):
            keep[row - begin] = allowed[row]
        deck, treatment, year = np.nonzero(keep)
        parts.append(
            (
                (deck + begin).astype(np.int32),
                year.astype(np.int8),
                works.money[keep] - set_up_shared[deck + begin],
                works.crew_days[keep],
                works.benefit[keep],
                treatment.astype(np.int8),
                works.later_saved[keep],
            )
        )
    deck, year, money, days, value, treatment, saved = (np.concatenate(column) for column in zip(*parts, strict=True))
    warm_days = days * warm[treatment] if settings.programme.warm_crew_days_per_yr > 0 else None
    offers = Offers(Options(deck, year, money, days, value, warm_days), treatment, None, saved)
    if settings.programme.two_steps and len(decks) <= TWO_STEPS_BELOW and years > 1:
        forced = np.zeros(len(decks), dtype=bool)
        forced[list(allowed)] = True
        return _with_second(offers, decks, names, years, ~(barred | forced | urgent), set_up_shared, settings)
    return offers


def second_work(decks: Decks, first: str, first_yr: Floats, later: int, settings: Settings) -> Decks:
    """The decks as a second work finds them: the share that the first work has left by then, as if at time 0.

    Parameters
    ----------
    decks : Decks, n decks
    first : key of the first treatment
    first_yr : array, shape (n,), yr of the first work
    later : int, yr of the second
    settings : Settings
    """
    share = share_after_work(decks, [first] * len(decks), first_yr, float(later), settings)
    return replace(decks, share=share, drawn_m2=None, drawn_saw_m=None)


def _with_second(
    offers: Offers,
    decks: Decks,
    names: list[str],
    years: int,
    free: Flags,
    set_up_shared: Floats,
    settings: Settings,
) -> Offers:
    """A patch, then another treatment in a later year, where each is meant for the share it finds."""
    programme, options = settings.programme, offers.options
    first = names.index(HOLDING)
    rate, end = programme.discount_per_yr, float(programme.horizon_yr)
    rows = np.flatnonzero(free & ~np.isnan(decks.area_m2 + decks.share))
    some = decks.part(rows)
    works = work_out(some, names, years, settings)
    patch = settings.treatment[HOLDING]
    at_last = share_at(some, float(years))[:, None, None]
    nothing = later_cost(some, at_last, settings)[:, 0, 0]
    found: list[tuple[Floats, ...]] = []
    for begin in range(years - 1):
        when = np.full(len(rows), float(begin))
        for later in range(begin + 1, years):
            if later - begin >= patch.life_yr:
                continue
            then = second_work(some, HOLDING, when, later, settings)
            second = work_out(then, names, 1, _without_later(settings))
            path = discounted_share(
                works.share_after[:, first, begin], some.growth_per_yr * patch.growth_factor, patch.rest_yr,
                float(begin), float(later), rate,
            )  # fmt: skip
            for k, name in enumerate(names):
                kind = settings.treatment[name]
                if kind.life_yr <= patch.life_yr:
                    continue
                good = works.permitted[:, first, begin] & second.permitted[:, k, 0]
                if not good.any():
                    continue
                stop = min(later + kind.life_yr, end)
                after = discounted_share(
                    second.share_after[:, k, 0], some.growth_per_yr * kind.growth_factor, kind.rest_yr,
                    float(later), stop, rate,
                )  # fmt: skip
                without = discounted_share(
                    works.share_before[:, 0, begin], some.growth_per_yr, 0.0, float(begin), stop, rate
                )
                value = some.area_m2 * some.weight * (without - path - after)
                saved = np.zeros(len(rows))
                if programme.exposure_cost > 0:
                    grown = some.growth_per_yr * kind.growth_factor * max(years - later - kind.rest_yr, 0.0)
                    left = np.minimum(second.share_after[:, k, 0] + grown, 1.0)[:, None, None]
                    saved = np.maximum(nothing - later_cost(some, left, settings)[:, 0, 0], 0.0)
                    saved = saved * (1 + rate) ** -float(years)
                    value = value + saved / programme.exposure_cost
                mine = np.flatnonzero(good & (value > 0))
                shared = set_up_shared[rows[mine]]
                found.append(
                    (
                        rows[mine].astype(float),
                        np.full(len(mine), float(begin)),
                        works.money[mine, first, begin] - shared,
                        works.crew_days[mine, first, begin],
                        value[mine],
                        np.full(len(mine), float(later)),
                        second.money[mine, k, 0] - shared,
                        second.crew_days[mine, k, 0],
                        np.full(len(mine), float(k)),
                        saved[mine],
                    )
                )
    if not found:
        return offers
    deck, year, money, days, value, later_yr, money2, days2, kind2, saved2 = (
        np.concatenate(column) for column in zip(*found, strict=True)
    )
    n = len(options)
    zero = np.zeros(n)
    warm = np.array([settings.treatment[name].warm_only for name in names], dtype=np.float64)
    has_warm = options.warm_days is not None
    order = np.argsort(np.concatenate([options.deck, deck.astype(np.int32)]), kind="stable")

    def both(single: npt.NDArray[Any], double: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return np.concatenate([single, double.astype(single.dtype)])[order]

    treatment = both(offers.treatment, np.full(len(deck), first))
    whole = Options(
        both(options.deck, deck),
        both(options.year, year),
        both(options.money, money),
        both(options.days, days),
        both(options.value, value),
        None if options.warm_days is None else both(options.warm_days, warm[first] * days),
        both(np.full(n, -1, dtype=np.int8), later_yr),
        both(zero, money2),
        both(zero, days2),
        both(zero, warm[kind2.astype(np.intp)] * days2) if has_warm else None,
    )
    second_kind = both(np.full(n, -1, dtype=np.int8), kind2)
    return Offers(whole, treatment, second_kind, both(offers.later_saved, saved2))


def _without_later(settings: Settings) -> Settings:
    """The settings without later savings, which a work looked at alone would count against the wrong path."""
    return replace(settings, programme=replace(settings.programme, exposure_cost=0.0))


def _beaten(works: Works, permitted: Flags, warm: Floats) -> Flags:
    """Options for which another treatment in the same year costs no more, takes no longer and spares as much."""
    out = np.zeros_like(permitted)
    kinds = permitted.shape[1]
    for a in range(kinds):
        for b in range(kinds):
            if a == b or warm[b] > warm[a]:
                continue
            money = works.money[:, b] <= works.money[:, a]
            days = works.crew_days[:, b] <= works.crew_days[:, a]
            more = works.benefit[:, b] >= works.benefit[:, a]
            even = (
                (works.money[:, b] == works.money[:, a])
                & (works.crew_days[:, b] == works.crew_days[:, a])
                & (works.benefit[:, b] == works.benefit[:, a])
            )
            out[:, a] |= permitted[:, a] & permitted[:, b] & money & days & more & (~even | (b < a))
    return out

"""Every option worth a look: single works, and a patch with a longer-lived work in a later year."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from decknet.schedule.demands import HOLDING, or_holding
from decknet.schedule.exposure import life_yr, share_after_work, share_at, with_work, without_work
from decknet.schedule.options import Options, on_benefit_grid
from decknet.schedule.treatments import Works, later_cost, work_out

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["AT_ONCE", "Offers", "Taken", "TwoWorks", "make_offers", "second_work", "two_works", "works_taken"]

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


@dataclass(frozen=True, slots=True)
class Taken:
    """Works taken, one place a work, by year, then deck; the second works of two-step options too.

    Attributes
    ----------
    row, kind, year : deck, treatment and year index
    option : the option, -1 where it is not known
    begin, later : year index of the first and of the second of two works, -1 where there is one work
    second : flag, the second of two works
    """

    row: Whole
    kind: Whole
    year: Whole
    option: Whole
    begin: Whole
    later: Whole
    second: Flags


def works_taken(offers: Offers, taken: Whole) -> Taken:
    """The works of the options taken, `taken` as `Choice.taken`."""
    rows = np.flatnonzero(taken >= 0)
    option = taken[rows]
    options = offers.options
    later = np.full(len(rows), -1) if options.later is None else options.later[option]
    first = np.zeros(len(rows), dtype=bool)
    parts = [(rows, offers.treatment[option], options.year[option], option, options.year[option], later, first)]
    if options.later is not None and offers.second is not None:
        two = later >= 0
        mine = option[two]
        parts.append((rows[two], offers.second[mine], later[two], mine, options.year[mine], later[two], ~first[two]))
    row, kind, year, option, begin, later, second = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((row, year))
    row, kind, year, option, begin, later = (
        column[order].astype(np.intp) for column in (row, kind, year, option, begin, later)
    )
    return Taken(row, kind, year, option, begin, later, second[order])


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
    return replace(
        decks,
        share=share,
        drawn_m2=None,
        drawn_saw_m=None,
        found_above=None,
        deck_age=None if decks.deck_age is None else decks.deck_age + later,
        overlay_age=None if decks.overlay_age is None else decks.overlay_age + later,
        paths=None if decks.paths is None else decks.paths.moved(np.nan_to_num(share), later),
    )


@dataclass(frozen=True, slots=True)
class TwoWorks:
    """A patch in one year, then each treatment in a later one. n decks, k treatments.

    Attributes
    ----------
    then : Decks
        As the second work finds them.
    works : Works, shape (n, k, 1)
        The second works; no benefit of theirs is to be read here.
    spared : array, shape (n, k), m2·yr that both avoid, weighted by traffic and discounted
    early : array, shape (n,), m2·yr of it until the second
    saved : array, shape (n, k), currency, agency cost avoided after the last year, discounted
    """

    then: Decks
    works: Works
    spared: Floats
    early: Floats
    saved: Floats


def two_works(decks: Decks, begin: int, later: int, names: list[str], years: int, settings: Settings) -> TwoWorks:
    """What a patch and each later treatment find, cost and avoid together.

    Parameters
    ----------
    decks : Decks, n decks
    begin, later : int, yr of the patch and of the second work
    names : k keys of ``settings.treatment``
    years : int, years of the programme
    settings : Settings
    """
    programme, rate = settings.programme, settings.programme.discount_per_yr
    then = second_work(decks, HOLDING, np.full(len(decks), float(begin)), later, settings)
    works = work_out(then, names, 1, _without_later(settings))
    size = decks.area_m2 * decks.weight
    patched = with_work(decks, HOLDING, begin, float(later), settings)
    early = size * (without_work(decks, begin, float(later), rate) - patched)
    spared, saved = np.zeros((len(decks), len(names))), np.zeros((len(decks), len(names)))
    nothing = later_cost(decks, share_at(decks, float(years))[:, None, None], settings)[:, 0, 0]
    for k, name in enumerate(names):
        stop = min(later + life_yr(decks, name, settings), float(programme.horizon_yr))
        after = with_work(then, name, 0, stop - later, settings) * (1 + rate) ** -float(later)
        spared[:, k] = size * (without_work(decks, begin, stop, rate) - patched - after)
        if programme.exposure_cost > 0:
            ahead = float(years - later)
            left = share_after_work(then, [name] * len(decks), np.zeros(len(decks)), ahead, settings)
            less = nothing - later_cost(decks, left[:, None, None], settings)[:, 0, 0]
            saved[:, k] = np.maximum(less, 0.0) * (1 + rate) ** -float(years)
    return TwoWorks(then, works, spared, early, saved)


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
    rows = np.flatnonzero(free & ~np.isnan(decks.area_m2 + decks.share))
    some = decks.part(rows)
    works = work_out(some, names, years, settings)
    patch_yr = settings.treatment[HOLDING].life_yr
    longer = [k for k, name in enumerate(names) if settings.treatment[name].life_yr > patch_yr]
    found: list[tuple[Floats, ...]] = []
    for begin in range(years - 1):
        if not works.permitted[:, first, begin].any():
            continue
        for later in range(begin + 1, years):
            if later - begin >= patch_yr:
                continue
            two = two_works(some, begin, later, names, years, settings)
            value = two.spared + (two.saved / programme.exposure_cost if programme.exposure_cost > 0 else 0.0)
            for k in longer:
                good = works.permitted[:, first, begin] & two.works.permitted[:, k, 0]
                mine = np.flatnonzero(good & (value[:, k] > 0))
                shared = set_up_shared[rows[mine]]
                found.append(
                    (
                        rows[mine].astype(float),
                        np.full(len(mine), float(begin)),
                        works.money[mine, first, begin] - shared,
                        works.crew_days[mine, first, begin],
                        on_benefit_grid(value[mine, k]),
                        np.full(len(mine), float(later)),
                        two.works.money[mine, k, 0] - shared,
                        two.works.crew_days[mine, k, 0],
                        np.full(len(mine), float(k)),
                        two.saved[mine, k],
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

"""What a programme is chosen from: decks, demands and limits; and the choice."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.clock import Clock
from decknet.errors import BudgetError, RecordError
from decknet.schedule.choose import choose_options
from decknet.schedule.decks import Decks, deck_figures
from decknet.schedule.demands import barred_decks, pin_lines, pinned_decks, set_up_share, urgent_decks, urgent_lines
from decknet.schedule.effort import effort_of
from decknet.schedule.offers import Offers, make_offers
from decknet.schedule.options import Choice, Rules
from decknet.schedule.purse import Purse, in_order

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import numpy.typing as npt

    from decknet.schedule.paths import Paths
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Case", "Solved", "pose", "solve"]


@dataclass(frozen=True, slots=True)
class Case:
    """A programme's question. n decks in order of their ids.

    Attributes
    ----------
    frame : DataFrame, n rows
    ids, names : list of deck ids, of treatments
    decks : Decks
    urgent, barred : arrays, shape (n,), flags
    pinned : deck -> (year index, treatment index or -1)
    rules : Rules
    money_limit : array, shape (years,), currency
    days_limit : array, shape (years,), crew days, or None
    first_year : int
    """

    frame: pd.DataFrame
    ids: list[str]
    names: list[str]
    decks: Decks
    urgent: Flags
    barred: Flags
    pinned: dict[int, tuple[int, int]]
    rules: Rules
    money_limit: Floats
    days_limit: Floats | None
    first_year: int

    @property
    def years(self) -> int:
        """Years of the programme."""
        return len(self.money_limit)


@dataclass(frozen=True, slots=True)
class Solved:
    """The answer, and what it was chosen from.

    Attributes
    ----------
    purse : Purse
    forced : array, shape (n,), flag, decks that must have a line
    offers : Offers
    worst : array, shape (n,), option of each deck where the worst comes first
    choice : Choice
    """

    purse: Purse
    forced: Flags
    offers: Offers
    worst: Whole
    choice: Choice


def pose(
    status: pd.DataFrame,
    *,
    first_year: int,
    budgets: Sequence[float],
    settings: Settings,
    pins: Mapping[str, tuple[int, str | None]],
    bars: Collection[str],
    kept: Mapping[str, float],
    drawn: pd.DataFrame | None,
    paths: Paths | None,
) -> Case:
    """The question, checked; arguments as `make_programme`."""
    money_limit = _budgets(budgets, first_year, settings)
    years = len(money_limit)
    frame = _ordered(status)
    ids = frame["deck_id"].astype(str).tolist()
    names = list(settings.treatment)
    days_per_yr = settings.programme.crew_days_per_yr
    return Case(
        frame,
        ids,
        names,
        deck_figures(frame, settings, drawn, paths, first_year),
        urgent_decks(frame),
        barred_decks(ids, bars, pins),
        pinned_decks(ids, pins, first_year, years, names),
        _rules(frame, kept, money_limit, settings),
        money_limit,
        np.full(years, days_per_yr) if days_per_yr > 0 else None,
        first_year,
    )


def solve(case: Case, settings: Settings, *, like: pd.DataFrame | None = None, gap: float | None = None) -> Solved:
    """The choice for a case.

    Parameters
    ----------
    case : Case
    settings : Settings
    like : DataFrame, optional
        Lines of another programme to start from.
    gap : float, optional
        Gap to stop at; that of the settings by default. At 1 only the decomposition runs.

    Raises
    ------
    BudgetError
        The pins do not fit.
    """
    decks, names, count = case.decks, case.names, len(case.ids)
    purse = Purse(count, case.money_limit, case.days_limit, case.rules)
    allowed = pin_lines(case.ids, decks, case.pinned, names, case.first_year, purse, settings)
    rushed = case.urgent & ~case.barred & ~np.isnan(decks.area_m2) & ~np.isnan(decks.share)
    rushed[list(case.pinned)] = False
    allowed |= urgent_lines(case.frame, decks, np.flatnonzero(rushed), names, purse, settings)
    offers = make_offers(decks, names, case.years, case.barred, allowed, case.urgent, set_up_share(purse), settings)
    forced = np.zeros(count, dtype=bool)
    forced[list(allowed)] = True
    worst = in_order(offers.options, decks.share, case.money_limit, case.days_limit, case.rules, forced)
    choice = choose_options(
        offers.options,
        decks=count,
        money_limit=case.money_limit,
        days_limit=case.days_limit,
        forced=forced,
        start=_start_like(like, case.ids, offers, worst, names, case.first_year),
        gap=settings.programme.gap if gap is None else gap,
        effort=effort_of(settings.programme.effort),
        clock=Clock(settings.programme.clock_s),
        rules=case.rules,
    )
    return Solved(purse, forced, offers, worst, choice)


def _budgets(budgets: Sequence[float], first_year: int, settings: Settings) -> Floats:
    if len(budgets) == 0:
        raise BudgetError("no budget is given. Give one amount of money for each year of the programme.")
    horizon = settings.programme.horizon_yr
    if len(budgets) > horizon:
        raise BudgetError(
            f"{len(budgets)} yearly budgets, but benefit is counted over {horizon} years (programme.horizon_yr). "
            "Give fewer years or a longer horizon."
        )
    for year, budget in enumerate(budgets, start=first_year):
        if not math.isfinite(budget) or budget < 0:
            raise BudgetError(f"budget of {year}: {budget!r} is not an amount of 0 or more. Correct it.")
    return np.asarray(budgets, dtype=np.float64)


def _ordered(status: pd.DataFrame) -> pd.DataFrame:
    """The columns needed, as a plain frame, by deck."""
    if "deck_id" not in status:
        raise RecordError("status has no column deck_id. Give one row a deck with its id.")
    wanted = [
        *("deck_id", "area_m2", "share_now", "growth_per_yr", "aadt", "urgent", "surface_kind", "found_grown"),
        *("share_from", "survey_date", "deck_rating", "priority", "route", "district"),
        *("lanes", "truck_share", "length_m", "detour_km", "built_year"),
    ]
    frame = pd.DataFrame({name: status[name].array for name in wanted if name in status})
    if frame["deck_id"].isna().any():
        row = int(np.flatnonzero(frame["deck_id"].isna())[0]) + 1
        raise RecordError(f"status row {row}, deck_id: missing. Every deck needs an id.")
    twice = frame["deck_id"].duplicated()
    if twice.any():
        raise RecordError(f"status, deck_id: {frame['deck_id'][twice].iloc[0]} stands twice. Keep one row a deck.")
    return frame.sort_values("deck_id", kind="stable", ignore_index=True)


def _rules(frame: pd.DataFrame, kept: Mapping[str, float], money_limit: Floats, settings: Settings) -> Rules:
    """Limits beside each year's money and crew days."""
    programme, years = settings.programme, len(money_limit)
    area = None
    money_kept = None
    if kept:
        district = frame["district"] if "district" in frame else pd.Series([None] * len(frame), dtype="object")
        areas = sorted(kept)
        known = set(district.dropna().astype(str))
        for name in areas:
            if name not in known:
                raise BudgetError(
                    f"money kept for {name}: no deck is in that district. Known: {', '.join(sorted(known)) or 'none'}."
                )
            if not math.isfinite(kept[name]) or kept[name] < 0:
                raise BudgetError(f"money kept for {name}: {kept[name]!r} is not an amount of 0 or more. Correct it.")
        asked = sum(kept.values())
        if asked > money_limit.min():
            raise BudgetError(
                f"money kept for {', '.join(areas)}: {asked:,.0f} a year in all, and the poorest year has "
                f"{money_limit.min():,.0f}. Keep {asked - money_limit.min():,.0f} less, or raise that year's money."
            )
        area = district.map({name: i for i, name in enumerate(areas)}).fillna(-1).to_numpy(dtype=np.int64)
        money_kept = np.array([[float(kept[name])] * years for name in areas])
    route = None
    least = min(kind.set_up for kind in settings.treatment.values())
    rise = min(
        (1.0 + settings.closure.prices_rise_per_yr) ** (programme.price_year - kind.cost_year)
        for kind in settings.treatment.values()
    )
    set_up = float(math.floor(min(programme.route_set_up, least * rise)))
    if "route" in frame and (set_up > 0 or programme.most_on_route > 0):
        codes, _ = pd.factorize(frame["route"], sort=True)
        sizes = np.bincount(codes[codes >= 0]) if (codes >= 0).any() else np.zeros(1, dtype=np.int64)
        route = np.where((codes >= 0) & (sizes[np.maximum(codes, 0)] > 1), codes, -1).astype(np.int64)
    warm = programme.warm_crew_days_per_yr
    return Rules(
        carry_over=bool(programme.carry_over),
        warm_days=np.full(years, warm) if warm > 0 else None,
        route=route,
        set_up=set_up,
        most_on_route=programme.most_on_route,
        area=area,
        kept=money_kept,
    )


def _start_like(
    like: pd.DataFrame | None, ids: list[str], offers: Offers, worst: Whole, names: list[str], first_year: int
) -> list[Whole]:
    """The worst first, and the options of another programme's lines where they are offered."""
    if like is None or like.empty:
        return [worst]
    options = offers.options
    place = {name: i for i, name in enumerate(ids)}
    first = like.sort_values("year", kind="stable").groupby("deck_id", sort=False)
    wanted: dict[tuple[int, ...], int] = {}
    for deck, part in first:
        if str(deck) in place:
            years = [int(y) - first_year for y in part["year"]]
            kinds = [names.index(t) if t in names else -2 for t in part["treatment"]]
            two = (years[1], kinds[1]) if len(years) > 1 else (-1, -1)
            wanted[(place[str(deck)], years[0], kinds[0], *two)] = 1
    taken = np.full(len(ids), -1, dtype=np.intp)
    none = np.full(len(options), -1)
    columns = (
        options.deck,
        options.year,
        offers.treatment,
        none if options.later is None else options.later,
        none if offers.second is None else offers.second,
    )
    for k, key in enumerate(zip(*(column.tolist() for column in columns), strict=True)):
        if key in wanted:
            taken[key[0]] = k
    return [taken, worst]

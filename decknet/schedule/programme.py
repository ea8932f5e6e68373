"""The repair programme: which deck gets which treatment in which year, within each year's money.

Order of claims on the money:

1. lines pinned by the engineer,
2. decks that cannot wait, in order of priority, the cheapest treatment permitted, in the first year or, where
   its money does not reach, in the first later year that can pay it,
3. all other decks and dearer treatments for the former, so that benefit is greatest.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.schedule.case import Case, Solved, pose, solve
from decknet.schedule.choose import solve_whole
from decknet.schedule.demands import set_up_share
from decknet.schedule.exposure import share_at
from decknet.schedule.lines import lines_of, years_of
from decknet.schedule.meaning import budget_prices, entering
from decknet.schedule.offers import make_offers, works_taken
from decknet.schedule.options import total_value
from decknet.schedule.purse import Purse, in_order
from decknet.schedule.reasons import why_waiting
from decknet.schedule.yardsticks import end_shares, outcome, yardsticks
from decknet.schedule.yearly import shares_by_year

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from decknet.schedule.paths import Paths
    from decknet.settings import Settings

__all__ = ["Programme", "make_programme", "programme_of", "whole_by_solver"]

EXPLAINED = 20_000  # decks up to which every waiting deck is told the money at which it would enter


@dataclass(frozen=True, slots=True)
class Programme:
    """A programme; money in the currency of the settings at the prices of ``programme.price_year``.

    Attributes
    ----------
    lines : DataFrame, one row a work, by year, then deck
        deck_id, year (calendar), treatment (key of the settings), label, deck_m2, repair_m2, crew_days, cost,
        benefit (m2·yr of unsound deck avoided, traffic weighted, discounted, with what is saved later at its
        rate), share_before and share_after (0 to 1, at the time of the work), urgent, pinned, based_on, why;
        shares_set_up (other lines of its route in the year), window, material, closures, closure_h (h), queue_veh
        (vehicles, longest queue of a closure), user_cost (currency; no part of cost), later_saved (currency),
        why_not (the next cheaper and dearer treatment).
    years : DataFrame, one row a year
        year, budget, cost, left (below 0 where money of earlier years is spent), crew_days, decks, repair_m2 (m2);
        user_cost, carried_over (money in hand for the next year, where the settings allow it), buys_next
        (m2·yr that the next 1,000 of money would avoid).
    waiting : DataFrame, one row for every deck without a line
        deck_id, why; enters_at (the least multiple looked at of all money at which it would enter; missing:
        none), enters_year, enters_budget (currency: the money of that year then), wait_cost (currency: how much
        dearer its cheapest treatment is after the last year).
    facts : dict
        value (benefit of all lines), bound (proven: no programme under the same rules is worth more),
        gap ((bound - value) / bound), value_worst_first (the same money spent on the worst deck first),
        cost_total, budget_total, unsound_end_m2 and unsound_end_nothing_m2 (unsound area of all decks with a
        known area when the last year is over, with the programme and without any work), clock_hit (1 where the
        user's clock ended the search, so that another run may find another programme; else 0), clock_s (s, that
        clock; 0: none), part_lost (1 where a process of the search came to grief, with the same effect; else 0);
        user_cost_total, past_share (part of the deck area that is past the threshold at the end),
        past_share_nothing.
    yardsticks : DataFrame
        way (programme, nothing, worst first, priority order), value, cost, works, unsound_end_m2, past_m2,
        past_share, past_decks, backlog (currency: the cheapest treatment of each deck past the threshold);
        spent_share, spent_aadt, spent_life_yr (means by money of the decks worked on and of the works' life).
    shares : DataFrame, one row a deck and year
        deck_id, year, nothing and planned (unsound share, 0 to 1, when the year is over; without works, and with
        the programme).
    """

    lines: pd.DataFrame
    years: pd.DataFrame
    waiting: pd.DataFrame
    facts: dict[str, float]
    yardsticks: pd.DataFrame = field(default_factory=pd.DataFrame)
    shares: pd.DataFrame = field(default_factory=pd.DataFrame)


def make_programme(
    status: pd.DataFrame,
    *,
    first_year: int,
    budgets: Sequence[float],
    settings: Settings,
    pins: Mapping[str, tuple[int, str | None]] | None = None,
    bars: Collection[str] = (),
    kept: Mapping[str, float] | None = None,
    drawn: pd.DataFrame | None = None,
    paths: Paths | None = None,
    like: pd.DataFrame | None = None,
    explain: bool = True,
) -> Programme:
    """Choose the works of the coming years under yearly budgets.

    Parameters
    ----------
    status : DataFrame
        One row a deck, columns of ``columns.STATUS``. Read where present: deck_id, area_m2, share_now,
        growth_per_yr, aadt, urgent, surface_kind, built_year, share_from, survey_date, deck_rating, priority, route,
        district, lanes, truck_share, length_m, detour_km. The order of the rows changes nothing.
    first_year : int
        Calendar year of the first budget. Forecasts begin at its start; without them shares stand at their
        present value in it.
    budgets : sequence of float
        Money of each year, >= 0, in the currency of the settings.
    settings : Settings
    pins : mapping deck_id -> (calendar year, treatment or None), optional
        Lines that must be in. With None the treatment is chosen. A named treatment is kept even where
        the deck's share lies outside the range it is meant for; the line then says so.
    bars : collection of deck_id
        Decks that get no line.
    kept : mapping district -> money a year, optional
        Money of each year that only decks of the district may have.
    drawn : DataFrame, optional
        deck_id, repair_m2, saw_cut_m of decks whose repair limits are drawn; they hold in the first year. full_part
        and overlay_year where known: see `deck_figures`.
    paths : Paths, optional
        Forecast share of every deck in each year, without works and after them. Without them each share climbs
        straight on at its growth.
    like : DataFrame, optional
        Lines of another programme (deck_id, year, treatment). Where they are within the limits, the answer is
        worth no less: more money, or a demand fewer, never makes it worse.
    explain : bool
        False leaves out yardsticks and all that needs prices at other budgets.

    Returns
    -------
    Programme

    Raises
    ------
    BudgetError
        No budget, one that is negative or not a number, more years than the horizon, or a demand that cannot
        be kept: the message names the clash and the smallest change that fits.
    RecordError
        A deck twice, without an id, or with a figure out of range.
    """
    case = pose(
        status,
        first_year=first_year,
        budgets=budgets,
        settings=settings,
        pins=pins or {},
        bars=bars,
        kept=kept or {},
        drawn=drawn,
        paths=paths,
    )
    return programme_of(case, solve(case, settings, like=like), settings, explain=explain)


def programme_of(case: Case, solved: Solved, settings: Settings, *, explain: bool = True) -> Programme:
    """A choice as it is told: lines, years, waiting decks, facts and yardsticks."""
    frame, decks, names, years = case.frame, case.decks, case.names, case.years
    offers, choice, options = solved.offers, solved.choice, solved.offers.options
    lines = lines_of(case, solved, settings)
    in_year = years_of(lines, case.money_limit, choice, case.first_year, settings)
    waits = np.flatnonzero(choice.taken < 0)
    why = why_waiting(
        waits, decks, options, offers.treatment, choice, case.barred, case.urgent, case.money_limit, names, settings
    )
    waiting = pd.DataFrame(
        {"deck_id": pd.array([case.ids[i] for i in waits], dtype="str"), "why": pd.array(why, dtype="str")}
    )
    table = pd.DataFrame()
    if explain:
        ladder = []
        if len(frame) <= EXPLAINED:
            ladder = budget_prices(options, len(frame), case.money_limit, case.days_limit, case.rules)
        waiting = entering(
            waiting,
            waits,
            decks,
            offers,
            choice,
            ladder,
            case.barred,
            case.first_year,
            names,
            case.money_limit,
            settings,
        )
        key = (
            frame["priority"].to_numpy(dtype=np.float64, na_value=-1.0)
            if "priority" in frame
            else np.nan_to_num(decks.share * decks.weight, nan=-1.0)
        )
        by_priority = in_order(options, key, case.money_limit, case.days_limit, case.rules, solved.forced)
        ways = {"programme": choice.taken, "worst first": solved.worst, "priority order": by_priority}
        table = yardsticks(decks, offers, ways, case.rules, names, years, settings)
    known = ~np.isnan(decks.area_m2) & ~np.isnan(decks.share)
    taken = works_taken(offers, choice.taken)
    shares = (
        shares_by_year(case.ids, decks, taken, names, case.first_year, years, settings) if explain else pd.DataFrame()
    )
    ends = end_shares(decks, taken, names, years, settings)
    end = outcome(decks, ends, known, settings)
    nothing = outcome(decks, share_at(decks, float(years)), known, settings)
    worst = solved.worst
    facts = {
        "value": choice.value,
        "bound": choice.bound,
        "gap": choice.gap,
        "value_worst_first": total_value(options, worst),
        "cost_total": float(in_year["cost"].sum()),
        "budget_total": float(case.money_limit.sum()),
        "unsound_end_m2": end["unsound_end_m2"],
        "unsound_end_nothing_m2": nothing["unsound_end_m2"],
        "clock_hit": float(choice.stopped),
        "clock_s": settings.programme.clock_s,
        "part_lost": float(choice.lost),
        "user_cost_total": float(lines["user_cost"].sum()),
        "past_share": end["past_share"],
        "past_share_nothing": nothing["past_share"],
    }
    return Programme(lines, in_year, waiting, facts, table, shares)


def whole_by_solver(
    status: pd.DataFrame, *, budgets: Sequence[float], settings: Settings, seconds: float
) -> tuple[float, float] | None:
    """Value and bound that a mixed-integer solver alone finds for the same choice without anyone's demands.

    Urgent decks get no precedence. For comparison only; None where it finds nothing in its time.
    """
    case = pose(
        status, first_year=2000, budgets=budgets, settings=settings, pins={}, bars=(), kept={}, drawn=None, paths=None
    )
    nobody = np.zeros(len(case.ids), dtype=bool)
    shared = set_up_share(Purse(len(case.ids), case.money_limit, case.days_limit, case.rules))
    options = make_offers(case.decks, case.names, case.years, nobody, {}, nobody, shared, settings).options
    return solve_whole(
        options,
        decks=len(case.ids),
        money_limit=case.money_limit,
        days_limit=case.days_limit,
        rules=case.rules,
        gap=settings.programme.gap,
        seconds=seconds,
    )

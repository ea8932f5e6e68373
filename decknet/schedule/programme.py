"""The repair programme: which deck gets which treatment in which year, within each year's money.

Order of claims on the money:

1. lines pinned by the engineer,
2. decks that cannot wait, in order of priority, the cheapest treatment permitted, in the first year or, where
   its money does not reach, in the first later year that can pay it,
3. all other decks and dearer treatments for the former, so that benefit is greatest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.errors import BudgetError, RecordError
from decknet.schedule.choose import Choice, Rules, choose_options, solve_whole
from decknet.schedule.demands import barred_decks, pin_lines, pinned_decks, set_up_share, urgent_decks, urgent_lines
from decknet.schedule.meaning import budget_prices, entering, next_treatments
from decknet.schedule.offers import AT_ONCE, Offers, make_offers, second_work
from decknet.schedule.purse import Purse, in_order
from decknet.schedule.reasons import based_on, why_line, why_waiting
from decknet.schedule.treatments import Decks, closing_words, deck_figures, discounted_share, work_out
from decknet.schedule.yardsticks import end_shares, outcome, yardsticks

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import numpy.typing as npt

    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Programme", "make_programme", "whole_by_solver"]

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
        shares_set_up (other lines of its route in the year), window, material, closures, closure_h (h),
        user_cost (currency; no part of cost), later_saved (currency), why_not (the next cheaper and dearer
        treatment).
    years : DataFrame, one row a year
        year, budget, cost, left (below 0 where money of earlier years is spent), crew_days, decks, repair_m2 (m2);
        user_cost, carried_over (money in hand for the next year, where the settings allow it), buys_next
        (m2·yr that the next 1,000 of money would avoid).
    waiting : DataFrame, one row for every deck without a line
        deck_id, why; enters_at (the least multiple looked at of all money at which it would enter; missing:
        none), enters_year, wait_cost (currency: how much dearer its cheapest treatment is after the last year).
    facts : dict
        value (benefit of all lines), bound (proven: no programme under the same rules is worth more),
        gap ((bound - value) / bound), value_worst_first (the same money spent on the worst deck first),
        cost_total, budget_total, unsound_end_m2 and unsound_end_nothing_m2 (unsound area of all decks with a
        known area when the last year is over, with the programme and without any work), time_limit_hit (1
        where the clock ended the search, so that another machine may find another programme; else 0);
        user_cost_total, past_share (part of the deck area that is past the threshold at the end),
        past_share_nothing.
    yardsticks : DataFrame
        way (programme, nothing, worst first, priority order), value, cost, works, unsound_end_m2, past_m2,
        past_share, past_decks, backlog (currency: the cheapest treatment of each deck past the threshold).
    """

    lines: pd.DataFrame
    years: pd.DataFrame
    waiting: pd.DataFrame
    facts: dict[str, float]
    yardsticks: pd.DataFrame = field(default_factory=pd.DataFrame)


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
    like: pd.DataFrame | None = None,
    explain: bool = True,
) -> Programme:
    """Choose the works of the coming years under yearly budgets.

    Parameters
    ----------
    status : DataFrame
        One row a deck, columns of ``columns.STATUS``. Read where present: deck_id, area_m2, share_now,
        growth_per_yr, aadt, urgent, surface_kind, share_from, survey_date, deck_rating, priority, route, district,
        lanes, truck_share, length_m, detour_km. The order of the rows changes nothing.
    first_year : int
        Calendar year of the first budget; shares stand at their present value in it.
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
        deck_id, repair_m2, saw_cut_m of decks whose repair limits are drawn; they hold in the first year.
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
    money_limit = _budgets(budgets, first_year, settings)
    years = len(money_limit)
    frame = _ordered(status)
    ids = frame["deck_id"].astype(str).tolist()
    names = list(settings.treatment)
    decks = deck_figures(frame, settings, drawn)
    urgent = urgent_decks(frame)
    barred = barred_decks(ids, bars, pins or {})
    pinned = pinned_decks(ids, pins or {}, first_year, years, names)
    rules = _rules(frame, kept or {}, money_limit, settings)
    days_per_yr = settings.programme.crew_days_per_yr
    days_limit = np.full(years, days_per_yr) if days_per_yr > 0 else None

    purse = Purse(len(frame), money_limit, days_limit, rules)
    allowed = pin_lines(ids, decks, pinned, names, first_year, purse, settings)
    rushed = urgent & ~barred & ~np.isnan(decks.area_m2) & ~np.isnan(decks.share)
    rushed[list(pinned)] = False
    allowed |= urgent_lines(frame, decks, np.flatnonzero(rushed), names, purse, settings)

    offers = make_offers(decks, names, years, barred, allowed, urgent, set_up_share(purse), settings)
    options = offers.options
    forced = np.zeros(len(frame), dtype=bool)
    forced[list(allowed)] = True
    worst = in_order(options, decks.share, money_limit, days_limit, rules, forced)
    start = _start_like(like, ids, offers, worst, names, first_year)
    choice = choose_options(
        options,
        decks=len(frame),
        money_limit=money_limit,
        days_limit=days_limit,
        forced=forced,
        start=start,
        gap=settings.programme.gap,
        time_limit_s=settings.programme.time_limit_s,
        rules=rules,
    )

    lines = _lines(frame, decks, offers, choice, urgent, pinned, purse, first_year, names, settings)
    in_year = _years(lines, money_limit, choice, first_year, settings)
    waits = np.flatnonzero(choice.taken < 0)
    waiting = pd.DataFrame(
        {
            "deck_id": pd.array([ids[i] for i in waits], dtype="str"),
            "why": pd.array(
                why_waiting(
                    waits, decks, options, offers.treatment, choice, barred, urgent, money_limit, names, settings
                ),
                dtype="str",
            ),
        }
    )
    if explain:
        ladder = budget_prices(options, len(frame), money_limit, days_limit, rules) if len(frame) <= EXPLAINED else []
        waiting = entering(waiting, waits, decks, offers, choice, ladder, barred, first_year, names, years, settings)
    ends = {"programme": end_shares(decks, offers, choice.taken, names, years, settings)}
    table = pd.DataFrame()
    if explain:
        key = (
            frame["priority"].to_numpy(dtype=np.float64, na_value=-1.0)
            if "priority" in frame
            else np.nan_to_num(decks.share * decks.weight, nan=-1.0)
        )
        by_priority = in_order(options, key, money_limit, days_limit, rules, forced)
        ways = {"programme": choice.taken, "worst first": worst, "priority order": by_priority}
        table = yardsticks(decks, offers, ways, rules, names, years, settings)
    known = ~np.isnan(decks.area_m2) & ~np.isnan(decks.share)
    end = outcome(decks, ends["programme"], known, settings)
    nothing = outcome(
        decks, end_shares(decks, offers, np.full(len(frame), -1), names, years, settings), known, settings
    )
    facts = {
        "value": choice.value,
        "bound": choice.bound,
        "gap": choice.gap,
        "value_worst_first": float(options.value[worst[worst >= 0]].sum()),
        "cost_total": float(in_year["cost"].sum()),
        "budget_total": float(money_limit.sum()),
        "unsound_end_m2": end["unsound_end_m2"],
        "unsound_end_nothing_m2": nothing["unsound_end_m2"],
        "time_limit_hit": float(choice.time_limit_hit),
        "user_cost_total": float(lines["user_cost"].sum()),
        "past_share": end["past_share"],
        "past_share_nothing": nothing["past_share"],
    }
    return Programme(lines, in_year, waiting, facts, table)


def whole_by_solver(
    status: pd.DataFrame, *, budgets: Sequence[float], settings: Settings, time_limit_s: float
) -> tuple[float, float] | None:
    """Value and bound that a mixed-integer solver alone finds for the same choice without anyone's demands.

    Urgent decks get no precedence. For comparison only; None where it finds nothing in its time.
    """
    money_limit = _budgets(budgets, 2000, settings)
    frame, years, names = _ordered(status), len(budgets), list(settings.treatment)
    decks = deck_figures(frame, settings)
    rules = _rules(frame, {}, money_limit, settings)
    days_per_yr = settings.programme.crew_days_per_yr
    days_limit = np.full(years, days_per_yr) if days_per_yr > 0 else None
    nobody = np.zeros(len(frame), dtype=bool)
    shared = set_up_share(Purse(len(frame), money_limit, days_limit, rules))
    options = make_offers(decks, names, years, nobody, {}, nobody, shared, settings).options
    return solve_whole(
        options,
        decks=len(frame),
        money_limit=money_limit,
        days_limit=days_limit,
        rules=rules,
        gap=settings.programme.gap,
        time_limit_s=time_limit_s,
    )


# --- what is asked ---------------------------------------------------------------------------------------


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
        *("deck_id", "area_m2", "share_now", "growth_per_yr", "aadt", "urgent", "surface_kind"),
        *("share_from", "survey_date", "deck_rating", "priority", "route", "district"),
        *("lanes", "truck_share", "length_m", "detour_km"),
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


# --- what is said ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Taken:
    """Works taken, one place a work: deck, option, treatment, year; the second works of two-step options too."""

    row: Whole
    option: Whole
    kind: Whole
    year: Whole
    second: Flags


def _works_taken(offers: Offers, choice: Choice) -> _Taken:
    rows = np.flatnonzero(choice.taken >= 0)
    taken = choice.taken[rows]
    options = offers.options
    parts = [(rows, taken, offers.treatment[taken], options.year[taken], np.zeros(len(rows), dtype=bool))]
    if options.later is not None and offers.second is not None:
        two = options.later[taken] >= 0
        parts.append(
            (rows[two], taken[two], offers.second[taken[two]], options.later[taken[two]], np.ones(int(two.sum()), bool))
        )
    row, option, kind, year, second = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((row, year))
    return _Taken(row[order], option[order], kind[order].astype(np.intp), year[order].astype(np.intp), second[order])


def _lines(
    frame: pd.DataFrame,
    decks: Decks,
    offers: Offers,
    choice: Choice,
    urgent: Flags,
    pinned: dict[int, tuple[int, int]],
    purse: Purse,
    first_year: int,
    names: list[str],
    settings: Settings,
) -> pd.DataFrame:
    done = _works_taken(offers, choice)
    years = len(choice.money_price)
    parts: list[dict[str, object]] = []
    fitting: list[Flags] = []
    for begin in range(0, max(len(done.row), 1), AT_ONCE):
        some = slice(begin, begin + AT_ONCE)
        works = work_out(decks.part(done.row[some]), names, years, settings)
        at = (np.arange(len(done.row[some])), done.kind[some], done.year[some])
        columns: dict[str, object] = {
            name: np.array(getattr(works, name)[at]) for name in ("repair_m2", "share_before", "share_after")
        }
        if works.closing is not None:
            columns |= closing_words(works.closing, at)
        fitting.append(works.permitted[at])
        parts.append(columns)
    figures = pd.concat([pd.DataFrame(part) for part in parts], ignore_index=True)
    fits = np.concatenate(fitting)
    if done.second.any():
        _second_figures(figures, fits, decks, offers, done, names, settings)
    part = frame.iloc[done.row].reset_index(drop=True)
    is_pinned = np.isin(done.row, list(pinned))
    money, days, benefit, saved = _line_sums(offers, done, decks, names, settings)
    cost, others = _with_set_ups(money, done, purse)
    lines = pd.DataFrame(
        {
            "deck_id": part["deck_id"].astype("str"),
            "year": pd.array(first_year + done.year.astype(np.int64), dtype="Int64"),
            "treatment": pd.array([names[k] for k in done.kind], dtype="str"),
            "label": pd.array([settings.treatment[names[k]].label for k in done.kind], dtype="str"),
            "deck_m2": decks.area_m2[done.row],
            "repair_m2": figures["repair_m2"],
            "crew_days": days,
            "cost": cost,
            "benefit": benefit,
            "share_before": figures["share_before"],
            "share_after": figures["share_after"],
            "urgent": pd.array(urgent[done.row], dtype="boolean"),
            "pinned": pd.array(is_pinned, dtype="boolean"),
            "based_on": pd.array(based_on(part), dtype="str"),
        }
    )
    words = part["urgent"] if "urgent" in part else pd.Series([None] * len(part))
    lines["route"] = part["route"].astype("str") if "route" in part else pd.array([None] * len(part), dtype="str")
    lines["shares_set_up"] = pd.array(others, dtype="Int64")
    for name in ("window", "material"):
        lines[name] = pd.array(figures[name], dtype="str")
    for name in ("closures", "closure_h", "user_cost"):
        lines[name] = figures[name].astype(float)
    lines["later_saved"] = saved
    rate = settings.programme.exposure_cost
    spared = benefit - (saved / rate if rate > 0 else 0.0)
    lines["why"] = pd.array(why_line(lines, words, fits, spared, done.second, first_year, settings), dtype="str")
    lines["why_not"] = pd.array(
        next_treatments(done.row, done.option, done.second, offers, choice, names, settings), dtype="str"
    )
    return lines.drop(columns="route")  # every output has it from the status


def _line_sums(
    offers: Offers, done: _Taken, decks: Decks, names: list[str], settings: Settings
) -> tuple[Floats, Floats, Floats, Floats]:
    """Money without shared set-ups, crew days, benefit and later savings of each work.

    Of two steps the first has what it avoids until the second, the second all the rest.
    """
    options = offers.options
    money, days = options.money[done.option].copy(), options.days[done.option].copy()
    benefit, saved = options.value[done.option].copy(), offers.later_saved[done.option].copy()
    if options.later is None or options.later_money is None or options.later_days is None:
        return money, days, benefit, saved
    two = options.later[done.option] >= 0
    second, first = done.second, two & ~done.second
    money[second] = options.later_money[done.option[second]]
    days[second] = options.later_days[done.option[second]]
    early = np.zeros(len(done.row))
    for at in np.flatnonzero(two).tolist():
        row, option = int(done.row[at]), int(done.option[at])
        one = decks.part(np.array([row]))
        kind = settings.treatment[names[offers.treatment[option]]]
        begin, later = float(options.year[option]), float(options.later[option])
        share = min(float(one.share[0] + one.growth_per_yr[0] * begin), 1.0)
        rate = settings.programme.discount_per_yr
        without = discounted_share(share, one.growth_per_yr, 0.0, begin, later, rate)
        path = discounted_share(
            share * (1 - kind.removes), one.growth_per_yr * kind.growth_factor, kind.rest_yr, begin, later, rate
        )
        early[at] = float((one.area_m2 * one.weight * (without - path))[0])
    benefit[first] = early[first]
    benefit[second] -= early[second]
    saved[first] = 0.0
    return money, days, benefit, saved


def _second_figures(
    figures: pd.DataFrame,
    fits: Flags,
    decks: Decks,
    offers: Offers,
    done: _Taken,
    names: list[str],
    settings: Settings,
) -> None:
    """Put in what a second work finds: the share that the first has left. In place."""
    for at in np.flatnonzero(done.second).tolist():
        option = int(done.option[at])
        one = decks.part(np.array([done.row[at]]))
        first, begin = names[offers.treatment[option]], float(offers.options.year[option])
        then = second_work(one, first, np.array([begin]), int(done.year[at]), settings)
        works = work_out(then, names, 1, settings)
        spot = (np.array([0]), np.array([done.kind[at]]), np.array([0]))
        for name in ("repair_m2", "share_before", "share_after"):
            figures.loc[at, name] = float(getattr(works, name)[spot][0])
        if works.closing is not None:
            for name, column in closing_words(works.closing, spot).items():
                figures.loc[at, name] = column[0]
        fits[at] = True


def _with_set_ups(money: Floats, done: _Taken, purse: Purse) -> tuple[Floats, Whole]:
    """Cost of each line with its part of a shared set-up, in whole units, and how many other lines share it."""
    cost, others = money.copy(), np.zeros(len(money), dtype=np.int64)
    group = purse.group[done.row]
    shared = np.flatnonzero(group >= 0)
    if not len(shared):
        return cost, others
    key = group[shared] * purse.years + done.year[shared]
    order = shared[np.argsort(key, kind="stable")]
    keys = np.sort(key, kind="stable")
    head = np.flatnonzero(np.diff(keys, prepend=-1) > 0)
    size = np.repeat(np.diff(np.append(head, len(keys))), np.diff(np.append(head, len(keys))))
    place = np.arange(len(keys)) - np.repeat(head, np.diff(np.append(head, len(keys))))
    whole = purse.opening[group[order], done.year[order]]
    each = np.floor(whole / size)
    cost[order] += each + (place < whole - each * size)
    others[order] = size - 1
    return cost, others


def _years(
    lines: pd.DataFrame, money_limit: Floats, choice: Choice, first_year: int, settings: Settings
) -> pd.DataFrame:
    years = len(money_limit)
    in_year = pd.DataFrame({"year": np.arange(first_year, first_year + years), "budget": money_limit})
    sums = lines.groupby("year").agg(
        cost=("cost", "sum"),
        crew_days=("crew_days", "sum"),
        decks=("deck_id", "size"),
        repair_m2=("repair_m2", "sum"),
        user_cost=("user_cost", "sum"),
    )
    sums = sums.reindex(in_year["year"], fill_value=0).reset_index(drop=True)
    in_year["cost"] = sums["cost"].astype(float)
    in_year["left"] = in_year["budget"] - in_year["cost"]
    in_year["crew_days"] = sums["crew_days"].astype(float).round(1)
    in_year["decks"] = sums["decks"].astype("Int64")
    in_year["repair_m2"] = sums["repair_m2"].astype(float)
    in_year["user_cost"] = sums["user_cost"].astype(float)
    in_year["carried_over"] = in_year["left"].cumsum() if settings.programme.carry_over else 0.0
    in_year["buys_next"] = choice.money_price * 1_000.0
    in_year["year"] = in_year["year"].astype("Int64")
    return in_year

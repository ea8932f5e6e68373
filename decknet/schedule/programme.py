"""The repair programme: which deck gets which treatment in which year, within each year's money.

Order of claims on the money:

1. lines pinned by the engineer,
2. decks that cannot wait, in order of priority, the cheapest treatment permitted, in the first year or, where
   its money does not reach, in the first later year that can pay it,
3. all other decks and dearer treatments for the former, so that benefit is greatest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.errors import BudgetError, RecordError
from decknet.schedule.choose import Choice, Options, choose_options
from decknet.schedule.reasons import based_on, why_line, why_waiting
from decknet.schedule.treatments import Decks, Works, deck_figures, share_after_work, share_at, work_out

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import numpy.typing as npt

    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Programme", "make_programme"]

AT_ONCE = 20_000  # decks worked out at a time, to bound memory
HOLDING = "patch"  # what a deck that cannot wait gets where no treatment is meant for its share


@dataclass(frozen=True, slots=True)
class Programme:
    """A programme; money in the currency of the settings at the prices of ``programme.price_year``.

    Attributes
    ----------
    lines : DataFrame, one row a treated deck, by year, then deck
        deck_id, year (calendar), treatment (key of the settings), label, deck_m2, repair_m2, crew_days, cost,
        benefit (m2·yr of unsound deck avoided, traffic weighted, discounted), share_before and share_after
        (0 to 1, at the time of the work), urgent, pinned, based_on, why.
    years : DataFrame, one row a year
        year, budget, cost, left, crew_days, decks, repair_m2 (m2).
    waiting : DataFrame, one row for every deck without a line
        deck_id, why.
    facts : dict
        value (benefit of all lines), bound (proven: no programme under the same rules is worth more),
        gap ((bound - value) / bound), value_worst_first (the same money spent on the worst deck first),
        cost_total, budget_total, unsound_end_m2 and unsound_end_nothing_m2 (unsound area of all decks with a
        known area when the last year is over, with the programme and without any work), time_limit_hit (1
        where the clock ended the search, so that another machine may find another programme; else 0).
    """

    lines: pd.DataFrame
    years: pd.DataFrame
    waiting: pd.DataFrame
    facts: dict[str, float]


def make_programme(
    status: pd.DataFrame,
    *,
    first_year: int,
    budgets: Sequence[float],
    settings: Settings,
    pins: Mapping[str, tuple[int, str | None]] | None = None,
    bars: Collection[str] = (),
) -> Programme:
    """Choose the works of the coming years under yearly budgets.

    Parameters
    ----------
    status : DataFrame
        One row a deck, columns of ``columns.STATUS``. Read where present: deck_id, area_m2, share_now,
        growth_per_yr, aadt, urgent, surface_kind, share_from, survey_date, deck_rating, priority.
        The order of the rows changes nothing.
    first_year : int
        Calendar year of the first budget; shares stand at their present value in it.
    budgets : sequence of float
        Money of each year, >= 0, in the currency of the settings. What a year leaves is not carried over.
    settings : Settings
    pins : mapping deck_id -> (calendar year, treatment or None), optional
        Lines that must be in. With None the treatment is chosen. A named treatment is kept even where
        the deck's share lies outside the range it is meant for; the line then says so.
    bars : collection of deck_id
        Decks that get no line.

    Returns
    -------
    Programme

    Raises
    ------
    BudgetError
        No budget, one that is negative or not a number, more years than the horizon, or a pin or bar
        that cannot be kept.
    RecordError
        A deck twice, without an id, or with a figure out of range.
    """
    money_limit = _budgets(budgets, first_year, settings)
    years = len(money_limit)
    frame = _ordered(status)
    ids = frame["deck_id"].astype(str).tolist()
    names = list(settings.treatment)
    decks = deck_figures(frame, settings)
    urgent = _urgent(frame)
    barred = _barred(ids, bars, pins or {})
    pinned = _pinned(ids, pins or {}, first_year, years, names)

    days_per_yr = settings.programme.crew_days_per_yr
    days_limit = np.full(years, days_per_yr) if days_per_yr > 0 else None
    left = [money_limit.copy(), np.full(years, np.inf) if days_limit is None else days_limit.copy()]
    allowed = _pin_lines(ids, decks, pinned, names, years, first_year, left, settings)
    rushed = urgent & ~barred & ~np.isnan(decks.area_m2) & ~np.isnan(decks.share)
    rushed[list(pinned)] = False
    allowed |= _urgent_lines(frame, decks, np.flatnonzero(rushed), names, years, left, settings)

    options, treatment = _options(decks, names, years, barred, allowed, urgent, settings)
    forced = np.zeros(len(frame), dtype=bool)
    forced[list(allowed)] = True
    worst = _worst_first(options, decks.share, money_limit, days_limit, forced)
    choice = choose_options(
        options,
        decks=len(frame),
        money_limit=money_limit,
        days_limit=days_limit,
        forced=forced,
        start=worst,
        gap=settings.programme.gap,
        time_limit_s=settings.programme.time_limit_s,
    )

    lines = _lines(frame, decks, options, treatment, choice, urgent, pinned, first_year, names, settings)
    in_year = pd.DataFrame({"year": np.arange(first_year, first_year + years), "budget": money_limit})
    sums = lines.groupby("year").agg(
        cost=("cost", "sum"), crew_days=("crew_days", "sum"), decks=("deck_id", "size"), repair_m2=("repair_m2", "sum")
    )
    sums = sums.reindex(in_year["year"], fill_value=0).reset_index(drop=True)
    in_year["cost"] = sums["cost"].astype(float)
    in_year["left"] = in_year["budget"] - in_year["cost"]
    in_year["crew_days"] = sums["crew_days"].astype(float).round(1)
    in_year["decks"] = sums["decks"].astype("Int64")
    in_year["repair_m2"] = sums["repair_m2"].astype(float)
    in_year["year"] = in_year["year"].astype("Int64")

    waits = np.flatnonzero(choice.taken < 0)
    waiting = pd.DataFrame(
        {
            "deck_id": pd.array([ids[i] for i in waits], dtype="str"),
            "why": pd.array(
                why_waiting(waits, decks, options, treatment, choice, barred, urgent, money_limit, names, settings),
                dtype="str",
            ),
        }
    )
    facts = {
        "value": choice.value,
        "bound": choice.bound,
        "gap": choice.gap,
        "value_worst_first": float(options.value[worst[worst >= 0]].sum()),
        "cost_total": float(in_year["cost"].sum()),
        "budget_total": float(money_limit.sum()),
        **_unsound_at_end(decks, options, treatment, choice, years, names, settings),
        "time_limit_hit": float(choice.time_limit_hit),
    }
    return Programme(lines, in_year, waiting, facts)


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
        *("share_from", "survey_date", "deck_rating", "priority"),
    ]
    frame = pd.DataFrame({name: status[name].array for name in wanted if name in status})
    if frame["deck_id"].isna().any():
        row = int(np.flatnonzero(frame["deck_id"].isna())[0]) + 1
        raise RecordError(f"status row {row}, deck_id: missing. Every deck needs an id.")
    twice = frame["deck_id"].duplicated()
    if twice.any():
        raise RecordError(f"status, deck_id: {frame['deck_id'][twice].iloc[0]} stands twice. Keep one row a deck.")
    return frame.sort_values("deck_id", kind="stable", ignore_index=True)


def _urgent(frame: pd.DataFrame) -> Flags:
    if "urgent" not in frame:
        return np.zeros(len(frame), dtype=bool)
    return np.asarray((frame["urgent"].notna() & (frame["urgent"].astype(str).str.strip() != "")).to_numpy(dtype=bool))


def _barred(ids: list[str], bars: Collection[str], pins: Mapping[str, object]) -> Flags:
    place = {name: i for i, name in enumerate(ids)}
    out = np.zeros(len(ids), dtype=bool)
    for name in sorted(bars):
        if name not in place:
            raise BudgetError(f"barred deck {name}: not among the decks. Correct its id.")
        if name in pins:
            raise BudgetError(f"deck {name} is both pinned and barred. Take one of the two away.")
        out[place[name]] = True
    return out


def _pinned(
    ids: list[str], pins: Mapping[str, tuple[int, str | None]], first_year: int, years: int, names: list[str]
) -> dict[int, tuple[int, int]]:
    """Deck -> (year index, treatment index or -1), checked."""
    place = {name: i for i, name in enumerate(ids)}
    out: dict[int, tuple[int, int]] = {}
    for name in sorted(pins):
        year, treatment = pins[name]
        if name not in place:
            raise BudgetError(f"pinned deck {name}: not among the decks. Correct its id.")
        if not first_year <= year < first_year + years:
            raise BudgetError(
                f"pinned deck {name}: {year} is no year of the programme ({first_year} to {first_year + years - 1})."
            )
        if treatment is not None and treatment not in names:
            raise BudgetError(f"pinned deck {name}: {treatment!r} is not a treatment. Known: {', '.join(names)}.")
        out[place[name]] = (year - first_year, -1 if treatment is None else names.index(treatment))
    return out


# --- lines that must be in -------------------------------------------------------------------------------


def _pin_lines(
    ids: list[str],
    decks: Decks,
    pinned: dict[int, tuple[int, int]],
    names: list[str],
    years: int,
    first_year: int,
    left: list[Floats],
    settings: Settings,
) -> dict[int, Flags]:
    """What each pinned deck may take, shape (treatments, years) a deck; the cheapest is taken off `left`."""
    out: dict[int, Flags] = {}
    if not pinned:
        return out
    rows = np.array(sorted(pinned), dtype=np.intp)
    works = work_out(decks.part(rows), names, years, settings)
    for i, row in enumerate(rows.tolist()):
        year, treatment = pinned[row]
        if np.isnan(decks.area_m2[row]) or np.isnan(decks.share[row]):
            raise BudgetError(
                f"pinned deck {ids[row]}: its area or unsound share is not known, so it cannot be costed. "
                "Bring in its length and width, or a survey."
            )
        allowed = np.zeros((len(names), years), dtype=bool)
        if treatment >= 0:
            allowed[treatment, year] = True
        else:
            allowed[:, year] = works.permitted[i, :, year]
        if not allowed.any():
            raise BudgetError(
                f"pinned deck {ids[row]}: no treatment is meant for {100 * works.share_before[i, 0, year]:.1f} % "
                f"unsound in {first_year + year}. Name the treatment in the pin, or take the pin away."
            )
        cost, days = _cheapest(works, i, allowed)
        left[0][year] -= cost
        left[1][year] -= days
        if left[0][year] < 0 or left[1][year] < -1e-9:
            what = (
                f"{-left[0][year]:,.0f} {settings.currency}"
                if left[0][year] < 0
                else f"{-left[1][year]:,.1f} crew days"
            )
            raise BudgetError(
                f"pinned deck {ids[row]}: the pinned lines need {what} more in {first_year + year} than there is. "
                "Raise the limit or take a pin away."
            )
        out[row] = allowed
    return out


def _cheapest(works: Works, row: int, allowed: Flags) -> tuple[float, float]:
    """Money and crew days of the cheapest of the options allowed (then the fewest days)."""
    return min(zip(works.money[row][allowed].tolist(), works.crew_days[row][allowed].tolist(), strict=True))


def _urgent_lines(
    frame: pd.DataFrame,
    decks: Decks,
    rows: Whole,
    names: list[str],
    years: int,
    left: list[Floats],
    settings: Settings,
) -> dict[int, Flags]:
    """What each deck that cannot wait may take where it can be paid; the cheapest is taken off `left`."""
    out: dict[int, Flags] = {}
    if not len(rows):
        return out
    if "priority" in frame:
        priority = frame["priority"].to_numpy(dtype=np.float64, na_value=-1.0)[rows]
    else:
        priority = np.zeros(len(rows))
    rows = rows[np.lexsort((rows, -decks.share[rows], -priority))]
    works = work_out(decks.part(rows), names, years, settings)
    permitted = _or_holding(works.permitted, names)
    for year in range(years):
        for i, row in enumerate(rows.tolist()):
            if row in out:
                continue
            allowed = np.zeros((len(names), years), dtype=bool)
            allowed[:, year] = permitted[i, :, year]
            cost, days = _cheapest(works, i, allowed)
            if cost <= left[0][year] and days <= left[1][year] + 1e-9:
                left[0][year] -= cost
                left[1][year] -= days
                out[row] = allowed
    return out


def _or_holding(permitted: Flags, names: list[str]) -> Flags:
    """Where nothing is permitted the holding repair is: a deck that cannot wait is never left without a choice."""
    out = permitted.copy()
    out[:, names.index(HOLDING), :] |= ~permitted.any(axis=1)
    return out


# --- options ---------------------------------------------------------------------------------------------


def _options(
    decks: Decks,
    names: list[str],
    years: int,
    barred: Flags,
    allowed: dict[int, Flags],
    urgent: Flags,
    settings: Settings,
) -> tuple[Options, Whole]:
    """All options worth a look, and the treatment of each."""
    parts: list[tuple[npt.NDArray[np.generic], ...]] = []
    for begin in range(0, max(len(decks), 1), AT_ONCE):
        rows = np.arange(begin, min(begin + AT_ONCE, len(decks)))
        works = work_out(decks.part(slice(begin, begin + AT_ONCE)), names, years, settings)
        permitted = works.permitted & ~barred[rows][:, None, None]
        hurry = np.flatnonzero(urgent[rows] & ~barred[rows] & ~np.isnan(decks.area_m2[rows] + decks.share[rows]))
        permitted[hurry] = _or_holding(permitted[hurry], names)
        keep = permitted & ~_beaten(works, permitted)
        for row in (r for r in allowed if begin <= r < begin + AT_ONCE):
            keep[row - begin] = allowed[row]
        deck, treatment, year = np.nonzero(keep)
        parts.append(
            (
                (deck + begin).astype(np.int32),
                year.astype(np.int8),
                works.money[keep],
                works.crew_days[keep],
                works.benefit[keep],
                treatment.astype(np.int8),
            )
        )
    deck, year, money, days, value, treatment = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Options(deck, year, money, days, value), treatment


def _beaten(works: Works, permitted: Flags) -> Flags:
    """Options for which another treatment in the same year costs no more, takes no longer and spares as much."""
    out = np.zeros_like(permitted)
    kinds = permitted.shape[1]
    for a in range(kinds):
        for b in range(kinds):
            if a == b:
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


def _worst_first(
    options: Options, share: Floats, money_limit: Floats, days_limit: Floats | None, forced: Flags
) -> Whole:
    """The yardstick: year by year the worst deck first, its cheapest treatment, until the money is out.

    Lines that must be in come first, as in the programme itself. A deck that does not fit is passed over
    and the next worst tried.

    Returns
    -------
    array, shape (decks,), index of the option taken; -1 for none
    """
    taken = np.full(len(share), -1, dtype=np.intp)
    order = np.lexsort((options.days, options.money, options.year, options.deck))
    key = options.deck[order].astype(np.int64) * len(money_limit) + options.year[order]
    cheapest = order[np.diff(key, prepend=-1) > 0]  # one option a deck and year
    held = cheapest[forced[options.deck[cheapest]]]
    taken[options.deck[held]] = held
    for year in range(len(money_limit)):
        mine = held[options.year[held] == year]
        money = money_limit[year] - options.money[mine].sum()
        days = np.inf if days_limit is None else days_limit[year] - options.days[mine].sum() + 1e-9
        queue = cheapest[(options.year[cheapest] == year) & (taken[options.deck[cheapest]] < 0)]
        queue = queue[np.lexsort((options.deck[queue], -share[options.deck[queue]]))]
        while len(queue := queue[(options.money[queue] <= money) & (options.days[queue] <= days)]):
            fits = (np.cumsum(options.money[queue]) <= money) & (np.cumsum(options.days[queue]) <= days)
            count = len(queue) if fits.all() else int(np.argmin(fits))
            took = queue[:count]
            taken[options.deck[took]] = took
            money -= options.money[took].sum()
            days -= options.days[took].sum()
            queue = queue[count + 1 :]
    return taken


# --- what is said ----------------------------------------------------------------------------------------


def _lines(
    frame: pd.DataFrame,
    decks: Decks,
    options: Options,
    treatment: Whole,
    choice: Choice,
    urgent: Flags,
    pinned: dict[int, tuple[int, int]],
    first_year: int,
    names: list[str],
    settings: Settings,
) -> pd.DataFrame:
    rows = np.flatnonzero(choice.taken >= 0)
    taken = choice.taken[rows]
    rows = rows[np.argsort(options.year[taken], kind="stable")]
    taken = choice.taken[rows]
    kind, year = treatment[taken], options.year[taken]
    pieces: dict[str, list[Floats]] = {"repair_m2": [], "share_before": [], "share_after": []}
    fitting: list[Flags] = []
    for begin in range(0, max(len(rows), 1), AT_ONCE):
        some = slice(begin, begin + AT_ONCE)
        works = work_out(decks.part(rows[some]), names, len(choice.money_price), settings)
        at = (np.arange(len(rows[some])), kind[some], year[some])
        for name, column in pieces.items():
            column.append(getattr(works, name)[at])
        fitting.append(works.permitted[at])
    figures = {name: np.concatenate(column) for name, column in pieces.items()}
    is_pinned = np.isin(rows, list(pinned))
    part = frame.iloc[rows].reset_index(drop=True)
    lines = pd.DataFrame(
        {
            "deck_id": part["deck_id"].astype("str"),
            "year": pd.array(first_year + year.astype(np.int64), dtype="Int64"),
            "treatment": pd.array([names[k] for k in kind], dtype="str"),
            "label": pd.array([settings.treatment[names[k]].label for k in kind], dtype="str"),
            "deck_m2": decks.area_m2[rows],
            "repair_m2": figures["repair_m2"],
            "crew_days": options.days[taken],
            "cost": options.money[taken],
            "benefit": options.value[taken],
            "share_before": figures["share_before"],
            "share_after": figures["share_after"],
            "urgent": pd.array(urgent[rows], dtype="boolean"),
            "pinned": pd.array(is_pinned, dtype="boolean"),
            "based_on": pd.array(based_on(part), dtype="str"),
        }
    )
    words = part["urgent"] if "urgent" in part else pd.Series([None] * len(part))
    lines["why"] = pd.array(why_line(lines, words, np.concatenate(fitting), first_year, settings), dtype="str")
    return lines


def _unsound_at_end(
    decks: Decks,
    options: Options,
    treatment: Whole,
    choice: Choice,
    years: int,
    names: list[str],
    settings: Settings,
) -> dict[str, float]:
    """Unsound area when the last year is over, m2, over all decks with a known area and share."""
    nothing = decks.area_m2 * share_at(decks, float(years))
    end = nothing.copy()
    rows = np.flatnonzero(choice.taken >= 0)
    taken = choice.taken[rows]
    treated = decks.part(rows)
    done = options.year[taken].astype(np.float64)
    end[rows] = treated.area_m2 * share_after_work(
        treated, [names[k] for k in treatment[taken]], done, float(years), settings
    )
    return {"unsound_end_m2": float(np.nansum(end)), "unsound_end_nothing_m2": float(np.nansum(nothing))}

"""Lines and years of a programme, as they are told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.schedule.closure import longest_queues
from decknet.schedule.meaning import next_treatments
from decknet.schedule.offers import AT_ONCE, Taken, two_works, works_taken
from decknet.schedule.options import SAME, on_benefit_grid
from decknet.schedule.reasons import based_on, why_line
from decknet.schedule.treatments import closing_words, work_out

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.case import Case, Solved
    from decknet.schedule.decks import Decks
    from decknet.schedule.options import Choice
    from decknet.schedule.purse import Purse
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

FOUND_TELLS = 0.005  # share by which what was found must lie above what is expected to be told of; ours

__all__ = ["Figures", "lines_of", "work_figures", "years_of"]


@dataclass(frozen=True, slots=True)
class Figures:
    """What each work finds, costs and avoids. Every array has shape (works,).

    Attributes
    ----------
    columns : DataFrame
        repair_m2, share_before, share_after; window, material, closures, closure_h, user_cost where roads are known.
    fits : flag, the treatment is meant for the share
    money : currency, set-ups whole
    crew_days : days
    spared : m2·yr avoided, weighted by traffic and discounted
    saved : currency, agency cost avoided after the last year, discounted
    """

    columns: pd.DataFrame
    fits: Flags
    money: Floats
    crew_days: Floats
    spared: Floats
    saved: Floats


def work_figures(decks: Decks, done: Taken, names: list[str], years: int, settings: Settings) -> Figures:
    """What each work taken finds, costs and avoids, were the decks as given.

    Of two works the first has what it avoids until the second, the second all the rest.
    """
    count, rate = len(done.row), settings.programme.exposure_cost
    parts: list[dict[str, object]] = []
    fits = np.zeros(count, dtype=bool)
    money, days, spared, saved = (np.zeros(count) for _ in range(4))
    for begin in range(0, max(count, 1), AT_ONCE):
        some = slice(begin, begin + AT_ONCE)
        works = work_out(decks.part(done.row[some]), names, years, settings)
        at = (np.arange(len(done.row[some])), done.kind[some], done.year[some])
        columns: dict[str, object] = {
            name: np.array(getattr(works, name)[at]) for name in ("repair_m2", "share_before", "share_after")
        }
        if works.closing is not None:
            columns |= closing_words(works.closing, at)
        parts.append(columns)
        fits[some], money[some], days[some] = works.permitted[at], works.money[at], works.crew_days[at]
        saved[some] = works.later_saved[at]
        spared[some] = works.benefit[at] - (works.later_saved[at] / rate if rate > 0 else 0.0)
    frame = pd.concat([pd.DataFrame(part) for part in parts], ignore_index=True)
    figures = Figures(frame, fits, money, days, spared, saved)
    _two_works(figures, decks, done, names, years, settings)
    for name in ("repair_m2", "share_before", "share_after"):
        frame[name] = frame[name].round(SAME)
    return figures


def _two_works(figures: Figures, decks: Decks, done: Taken, names: list[str], years: int, settings: Settings) -> None:
    """Put in what a second work finds and what is left of the first one's benefit. In place."""
    for at in np.flatnonzero(done.later >= 0).tolist():
        begin, later = int(done.begin[at]), int(done.later[at])
        two = two_works(decks.part(np.array([done.row[at]])), begin, later, names, years, settings)
        if not done.second[at]:
            figures.spared[at], figures.saved[at] = two.early[0], 0.0
            continue
        kind = int(done.kind[at])
        spot = (np.array([0]), np.array([kind]), np.array([0]))
        for name in ("repair_m2", "share_before", "share_after"):
            figures.columns.loc[at, name] = float(getattr(two.works, name)[spot][0])
        if two.works.closing is not None:
            for name, column in closing_words(two.works.closing, spot).items():
                figures.columns.loc[at, name] = column[0]
        figures.fits[at] = True
        figures.money[at], figures.crew_days[at] = two.works.money[spot][0], two.works.crew_days[spot][0]
        figures.spared[at], figures.saved[at] = two.spared[0, kind] - two.early[0], two.saved[0, kind]


def lines_of(case: Case, solved: Solved, settings: Settings) -> pd.DataFrame:
    """The lines of a programme, columns as `Programme.lines`."""
    frame, decks, names, offers = case.frame, case.decks, case.names, solved.offers
    done = works_taken(offers, solved.choice.taken)
    figures = work_figures(decks, done, names, case.years, settings)
    found = figures.columns
    part = frame.iloc[done.row].reset_index(drop=True)
    rate = settings.programme.exposure_cost
    set_up = np.zeros(len(done.row))
    if len(solved.purse.opening):
        group = solved.purse.group[done.row]
        set_up = np.where(group >= 0, solved.purse.opening[np.maximum(group, 0), done.year], 0.0)
    cost, others = _with_set_ups(figures.money - set_up, done, solved.purse)
    lines = pd.DataFrame(
        {
            "deck_id": part["deck_id"].astype("str"),
            "year": pd.array(case.first_year + done.year.astype(np.int64), dtype="Int64"),
            "treatment": pd.array([names[k] for k in done.kind], dtype="str"),
            "label": pd.array([settings.treatment[names[k]].label for k in done.kind], dtype="str"),
            "deck_m2": decks.area_m2[done.row],
            "repair_m2": found["repair_m2"],
            "crew_days": figures.crew_days,
            "cost": cost,
            "benefit": on_benefit_grid(figures.spared + (figures.saved / rate if rate > 0 else 0.0)),
            "share_before": found["share_before"],
            "share_after": found["share_after"],
            "urgent": pd.array(case.urgent[done.row], dtype="boolean"),
            "pinned": pd.array(np.isin(done.row, list(case.pinned)), dtype="boolean"),
            "based_on": pd.array(based_on(part), dtype="str"),
        }
    )
    words = part["urgent"] if "urgent" in part else pd.Series([None] * len(part))
    lines["route"] = part["route"].astype("str") if "route" in part else pd.array([None] * len(part), dtype="str")
    lines["shares_set_up"] = pd.array(others, dtype="Int64")
    for name in ("window", "material"):
        lines[name] = pd.array(found[name], dtype="str")
    for name in ("closures", "closure_h"):
        lines[name] = found[name].astype(float)
    roads = decks.roads
    queue = np.zeros(len(lines)) if roads is None else longest_queues(roads.part(done.row), lines["window"], settings)
    lines["queue_veh"] = np.round(queue)
    lines["user_cost"] = found["user_cost"].astype(float)
    lines["later_saved"] = figures.saved
    why = why_line(
        lines, words, figures.fits, figures.spared, done.second, _worse(case, done), case.first_year, settings
    )
    lines["why"] = pd.array(why, dtype="str")
    not_else = next_treatments(done.row, done.option, done.second, offers, solved.choice, names, settings)
    lines["why_not"] = pd.array(not_else, dtype="str")
    return lines.drop(columns="route")  # every output has it from the status


def _worse(case: Case, done: Taken) -> Floats:
    """Share found, grown to the day, of the deck of each line where it lies above what is expected; else NaN."""
    above = case.decks.found_above
    if above is None or "found_grown" not in case.frame:
        return np.full(len(done.row), np.nan)
    found = case.frame["found_grown"].to_numpy(dtype=np.float64)[done.row]
    return np.where((above[done.row] > FOUND_TELLS) & ~done.second, found, np.nan)


def _with_set_ups(money: Floats, done: Taken, purse: Purse) -> tuple[Floats, Whole]:
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


def years_of(
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

"""What a programme means: why not another treatment, at what money a waiting deck would enter, what waiting costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet import digits
from decknet.schedule.choose import relaxed_worth
from decknet.schedule.exposure import share_at
from decknet.schedule.treatments import later_cost

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.schedule.offers import Offers
    from decknet.schedule.options import Choice, Options, Rules
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["budget_prices", "entering", "next_treatments"]

TIMES = (1.1, 1.25, 1.5, 2.0, 3.0, 5.0)  # multiples of the money that are looked at


def budget_prices(
    options: Options, decks: int, money_limit: Floats, days_limit: Floats | None, rules: Rules
) -> list[tuple[float, Floats]]:
    """Worth of every option at the prices of more and more money, in the relaxed problem.

    Returns
    -------
    list of (multiple of the money, array of shape (options,); minus infinity where that money is not enough for it)
    """
    if not len(options) or not money_limit.any():
        return []
    out = []
    near = None
    for times in TIMES:
        money = np.floor(money_limit * times)
        worth, near = relaxed_worth(options, decks, money, days_limit, rules, near)
        out.append((times, np.where(_within(options, money, days_limit, rules), worth, -np.inf)))
    return out


def _within(options: Options, money_limit: Floats, days_limit: Floats | None, rules: Rules) -> Flags:
    """Which options a year's money and crew days could pay if they did nothing else."""
    money = np.cumsum(money_limit) if rules.carry_over else money_limit
    days = np.full(len(money), np.inf) if days_limit is None else days_limit
    fits = (options.money <= money[options.year]) & (options.days <= days[options.year])
    if options.later is None or options.later_money is None or options.later_days is None:
        return np.asarray(fits)
    later = np.maximum(options.later, 0)
    second = (options.later_money <= money[later]) & (options.later_days <= days[later])
    return np.asarray(fits & second)  # single works use nothing later


def entering(
    waiting: pd.DataFrame,
    rows: Whole,
    decks: Decks,
    offers: Offers,
    choice: Choice,
    ladder: list[tuple[float, Floats]],
    barred: Flags,
    first_year: int,
    names: list[str],
    money_limit: Floats,
    settings: Settings,
) -> pd.DataFrame:
    """Waiting decks with the money and price at which each would enter, and what its waiting costs.

    Parameters
    ----------
    waiting : DataFrame, deck_id, why
    rows : array, indices of those decks
    ladder : as `budget_prices` gives
    barred : array, shape (decks,), flag
    money_limit : array, shape (years,), currency

    Returns
    -------
    DataFrame
        deck_id, why (with a sentence more), enters_at (multiple of the money), enters_year, enters_budget (currency,
        the money of that year then), wait_cost (currency).
    """
    options, coin = offers.options, settings.currency
    count, years = len(decks), len(money_limit)
    at = np.full(count, np.nan)
    option = np.full(count, -1, dtype=np.intp)
    cheap = np.full(count, np.nan)
    first = np.flatnonzero(np.diff(options.deck, prepend=-1) > 0)
    deck_of = options.deck[first]
    if len(options):
        # the price of money, as a part of today's, at which the deck's best option pays
        paid = options.value - choice.worth
        ratio = np.where(paid > 0, options.value / np.where(paid > 0, paid, 1.0), np.nan)
        cheap[deck_of] = np.fmax.reduceat(ratio, first)
    for times, worth in ladder:
        top = np.maximum.reduceat(worth, first)
        new = np.isnan(at[deck_of]) & (top > 0)
        at[deck_of[new]] = times
        spot = np.flatnonzero(worth >= np.repeat(top, np.diff(np.append(first, len(options)))))
        spot = spot[np.diff(options.deck[spot], prepend=-1) > 0]
        enters = spot[new]
        option[options.deck[enters]] = enters
    now = later_cost(decks, decks.share[:, None, None], settings)[:, 0, 0]
    then = later_cost(decks, share_at(decks, float(years))[:, None, None], settings)[:, 0, 0]
    dearer = np.where(now > 0, then - now, np.nan)
    dearer[np.isnan(decks.area_m2) | np.isnan(decks.share)] = np.nan
    at[barred], dearer[barred] = np.nan, np.nan
    said = []
    for why, row in zip(waiting["why"].tolist(), rows.tolist(), strict=True):
        text = why
        if not np.isnan(at[row]):
            one = int(option[row])
            year, label = int(options.year[one]), settings.treatment[names[offers.treatment[one]]].label
            text += (
                f" It would enter at about {digits.given(at[row])} times the money, "
                f"{digits.money(at[row] * money_limit[year])} {coin} in "
                f"{first_year + year} ({label.lower()} then)"
            )
            if 0 < cheap[row] < 1:
                text += f", or were it {digits.percent(1 - cheap[row])} cheaper"
            text += "."
        elif ladder and cheap[row] > 0 and not barred[row] and options.value[first].size:
            text += f" It would not enter even at {digits.given(ladder[-1][0])} times the money."
        if not np.isnan(dearer[row]) and abs(dearer[row]) >= 500:
            word = "dearer" if dearer[row] > 0 else "cheaper (another treatment fits then)"
            text += (
                f" Left until {first_year + years}, its cheapest treatment is {digits.money(abs(dearer[row]))} {coin} "
                f"{word}."
            )
        said.append(text)
    out = waiting.copy()
    out["why"] = pd.array(said, dtype="str")
    out["enters_at"] = at[rows]
    year_of = (
        np.where(option[rows] >= 0, first_year + options.year[np.maximum(option[rows], 0)].astype(np.int64), 0)
        if len(options)
        else np.zeros(len(rows))
    )
    known = ~np.isnan(at[rows])
    out["enters_year"] = pd.Series(pd.array(year_of.astype(np.int64), dtype="Int64")).where(known, pd.NA).array
    then_money = money_limit[np.clip(year_of - first_year, 0, years - 1).astype(np.int64)] * at[rows]
    out["enters_budget"] = np.round(then_money)
    out["wait_cost"] = np.round(dearer[rows])
    return out


def next_treatments(
    rows: Whole,
    taken: Whole,
    second: Flags,
    offers: Offers,
    choice: Choice,
    names: list[str],
    settings: Settings,
) -> list[str]:
    """Why each line is not the next cheaper or the next dearer treatment of its deck in its year.

    Parameters
    ----------
    rows : array, shape (lines,), deck of each line
    taken : array, shape (lines,), its option
    second : array, shape (lines,), flag, the second of two works: nothing is said
    offers, choice, names, settings : what the programme was chosen from

    Returns
    -------
    list of str, one a line
    """
    options, coin = offers.options, settings.currency
    order = np.lexsort((options.money, options.year, options.deck))
    if options.later is not None:
        order = order[options.later[order] < 0]
    key = options.deck[order].astype(np.int64) * 1000 + options.year[order]
    money, value, worth = options.money.tolist(), options.value.tolist(), choice.worth.tolist()
    kind = offers.treatment.tolist()
    labels = [settings.treatment[name].label.lower() for name in names]
    spots = rows.astype(np.int64) * 1000 + options.year[taken]
    begins, ends = np.searchsorted(key, spots), np.searchsorted(key, spots, side="right")
    lots = order.tolist()

    def one(mine: int, lot: list[int]) -> str:
        if mine not in lot:
            return ""
        place = lot.index(mine)
        out = []
        if place == 0:
            out.append("No cheaper treatment worth a look is meant for it in that year")
        else:
            other = lot[place - 1]
            saves, less = money[mine] - money[other], value[mine] - value[other]
            elsewhere = less - (worth[mine] - worth[other])
            out.append(
                f"{labels[kind[other]].capitalize()} would save {digits.money(saves)} {coin} and spare "
                f"{digits.exposure(less)} m²·yr less; "
                + (
                    f"elsewhere that buys about {digits.exposure(max(elsewhere, 0.0))}"
                    if elsewhere <= less
                    else "near enough the same by price, but what it saves fits nowhere else as well"
                )
            )
        if place == len(lot) - 1:
            out.append("no dearer one spares more")
        else:
            other = lot[place + 1]
            more, gains = money[other] - money[mine], value[other] - value[mine]
            elsewhere = gains - (worth[other] - worth[mine])
            out.append(
                f"{labels[kind[other]]} would cost {digits.money(more)} {coin} more and spare "
                f"{digits.exposure(gains)} m²·yr more; "
                + (
                    f"elsewhere that buys about {digits.exposure(elsewhere)}"
                    if elsewhere >= gains
                    else "worth it by price, but the year's money does not reach"
                )
            )
        return "; ".join(out) + "."

    return [
        "" if is_second else one(int(mine), lots[a:b])
        for mine, is_second, a, b in zip(taken.tolist(), second.tolist(), begins.tolist(), ends.tolist(), strict=True)
    ]

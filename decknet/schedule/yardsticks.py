"""What a programme leaves behind when its last year is over, beside doing nothing and two plain rules."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.schedule.choose import route_groups
from decknet.schedule.offers import second_work
from decknet.schedule.treatments import later_cost, share_after_work, share_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from decknet.schedule.choose import Rules
    from decknet.schedule.offers import Offers
    from decknet.schedule.treatments import Decks
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["end_shares", "money_of", "outcome", "yardsticks"]


def end_shares(decks: Decks, offers: Offers, taken: Whole, names: list[str], years: int, settings: Settings) -> Floats:
    """Unsound share of each deck when the last year is over.

    Parameters
    ----------
    decks : Decks, n decks
    offers : Offers
    taken : array, shape (n,), option of each deck, -1 for none
    names : keys of the treatments
    years : int
    settings : Settings

    Returns
    -------
    array, shape (n,), fraction 0 to 1; NaN where not known
    """
    end = share_at(decks, float(years))
    rows = np.flatnonzero(taken >= 0)
    option = taken[rows]
    done = offers.options.year[option].astype(np.float64)
    kinds = [names[k] for k in offers.treatment[option]]
    end[rows] = share_after_work(decks.part(rows), kinds, done, float(years), settings)
    if offers.second is None or offers.options.later is None:
        return end
    for row, one in zip(rows.tolist(), option.tolist(), strict=True):
        later = int(offers.options.later[one])
        if later >= 0:
            first, begin = names[offers.treatment[one]], np.array([float(offers.options.year[one])])
            then = second_work(decks.part(np.array([row])), first, begin, later, settings)
            kind = names[offers.second[one]]
            end[row] = share_after_work(then, [kind], np.zeros(1), float(years - later), settings)[0]
    return end


def money_of(offers: Offers, taken: Whole, rules: Rules, years: int) -> float:
    """What the options taken cost, shared set-ups once each."""
    options = offers.options
    option = taken[taken >= 0]
    money = float(options.money[option].sum())
    group, opening, _, _ = route_groups(rules, len(taken), years)
    paid = np.zeros(opening.shape, dtype=bool)
    turns = [options.year]
    if options.later is not None and options.later_money is not None:
        money += float(options.later_money[option].sum())
        turns.append(options.later)
    for turn in turns:
        year, mine = turn[option], group[options.deck[option]]
        some = (mine >= 0) & (year >= 0)
        paid[mine[some], year[some]] = True
    return money + float(opening[paid].sum())


def outcome(decks: Decks, end: Floats, known: Flags, settings: Settings) -> dict[str, float]:
    """Unsound area, area and decks past the threshold, and backlog, at those shares.

    Parameters
    ----------
    decks : Decks, n decks
    end : array, shape (n,), fraction 0 to 1
    known : array, shape (n,), decks that count
    settings : Settings

    Returns
    -------
    dict of unsound_end_m2, past_m2 (m2), past_share (of the area of all decks that count), past_decks, backlog
    (currency: the cheapest treatment meant for each deck past the threshold)
    """
    area = decks.area_m2[known]
    past = end[known] > settings.programme.past_share
    rows = np.flatnonzero(known)[past]
    backlog = later_cost(decks.part(rows), end[rows][:, None, None], settings) if len(rows) else np.zeros(0)
    total = float(area.sum())
    return {
        "unsound_end_m2": float((area * end[known]).sum()),
        "past_m2": float(area[past].sum()),
        "past_share": float(area[past].sum()) / total if total > 0 else 0.0,
        "past_decks": float(past.sum()),
        "backlog": float(np.round(backlog.sum())),
    }


def yardsticks(
    decks: Decks,
    offers: Offers,
    ways: Mapping[str, Whole],
    rules: Rules,
    names: list[str],
    years: int,
    settings: Settings,
) -> pd.DataFrame:
    """Each way of spending the same money, and doing nothing, on the same forecast.

    Returns
    -------
    DataFrame
        way, value, cost, works, unsound_end_m2, past_m2, past_share, past_decks, backlog.
    """
    known = ~np.isnan(decks.area_m2) & ~np.isnan(decks.share)
    none = np.full(len(decks), -1, dtype=np.intp)
    out = []
    for way, taken in {**ways, "nothing": none}.items():
        option = taken[taken >= 0]
        works = len(option)
        if offers.options.later is not None:
            works += int((offers.options.later[option] >= 0).sum())
        out.append(
            {
                "way": way,
                "value": float(offers.options.value[option].sum()),
                "cost": money_of(offers, taken, rules, years),
                "works": works,
                **outcome(decks, end_shares(decks, offers, taken, names, years, settings), known, settings),
            }
        )
    table = pd.DataFrame(out)
    return table.astype({"way": "str", "works": "Int64", "past_decks": "Int64"})

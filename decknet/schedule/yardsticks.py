"""What a programme leaves behind when its last year is over, beside doing nothing and two plain rules."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.schedule.demands import HOLDING
from decknet.schedule.exposure import share_after_work, share_at
from decknet.schedule.limits import route_groups
from decknet.schedule.offers import second_work, works_taken
from decknet.schedule.options import SAME, total_value
from decknet.schedule.treatments import later_cost

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.schedule.offers import Offers, Taken
    from decknet.schedule.options import Rules
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["end_shares", "money_of", "outcome", "yardsticks"]


def end_shares(decks: Decks, done: Taken, names: list[str], years: int, settings: Settings) -> Floats:
    """Unsound share of each deck when the last year is over.

    Parameters
    ----------
    decks : Decks, n decks
    done : Taken
    names : keys of the treatments
    years : int
    settings : Settings

    Returns
    -------
    array, shape (n,), fraction 0 to 1; NaN where not known
    """
    end = share_at(decks, float(years))
    alone = done.later < 0
    rows, kinds = done.row[alone], [names[k] for k in done.kind[alone]]
    end[rows] = share_after_work(decks.part(rows), kinds, done.year[alone].astype(float), float(years), settings)
    for at in np.flatnonzero(done.second).tolist():
        row, later = int(done.row[at]), int(done.later[at])
        then = second_work(decks.part(np.array([row])), HOLDING, np.array([float(done.begin[at])]), later, settings)
        kind = names[done.kind[at]]
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
    past = np.round(end[known], SAME) > settings.programme.past_share
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


def _spent_on(decks: Decks, offers: Offers, taken: Whole, names: list[str], settings: Settings) -> dict[str, float]:
    """What the money goes to: means, by money, over the options taken; of two works the first counts."""
    rows = np.flatnonzero(taken >= 0)
    option = taken[rows]
    money = offers.options.money[option]
    whole = float(money.sum())
    if whole <= 0:
        return dict.fromkeys(("spent_share", "spent_aadt", "spent_life_yr"), float("nan"))
    life = np.array([settings.treatment[name].life_yr for name in names], dtype=np.float64)[offers.treatment[option]]
    part = decks.part(rows)
    aadt = np.full(len(rows), np.nan) if part.roads is None else part.roads.aadt
    share = share_at(part, offers.options.year[option].astype(np.float64))
    found = {"spent_share": share, "spent_aadt": aadt, "spent_life_yr": life}
    return {name: float((column * money).sum() / whole) for name, column in found.items()}


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
        way, value, cost, works, unsound_end_m2, past_m2, past_share, past_decks, backlog; spent_share (0 to 1),
        spent_aadt (veh/day) and spent_life_yr (yr): means by money of the decks worked on, at the time, and of the
        works' life.
    """
    known = ~np.isnan(decks.area_m2) & ~np.isnan(decks.share)
    none = np.full(len(decks), -1, dtype=np.intp)
    out = []
    for way, taken in {**ways, "nothing": none}.items():
        option = taken[taken >= 0]
        works = len(option)
        end = end_shares(decks, works_taken(offers, taken), names, years, settings)
        if offers.options.later is not None:
            works += int((offers.options.later[option] >= 0).sum())
        out.append(
            {
                "way": way,
                "value": total_value(offers.options, taken),
                "cost": money_of(offers, taken, rules, years),
                "works": works,
                **outcome(decks, end, known, settings),
                **_spent_on(decks, offers, taken, names, settings),
            }
        )
    table = pd.DataFrame(out)
    return table.astype({"way": "str", "works": "Int64", "past_decks": "Int64"})

"""How a programme fares where shares and growth are not what is expected, and which of its lines stay.

For every draw of share and growth of all decks the programme is held against that network as it stands, and another
is chosen for that network anew, under the same demands and limits. A line that is in nearly all of these is one to
rely on.

Drawn are the share and the growth of each deck, apart from those of other decks; growth of new lives, traffic, unit
costs and drawn quantities stay as they are. The new choices come from the prices alone, with no search behind them, so
a little of the change is theirs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.errors import BudgetError
from decknet.rank.draws import draws
from decknet.schedule.case import Case, pose, solve
from decknet.schedule.exposure import share_at
from decknet.schedule.lines import work_figures
from decknet.schedule.offers import Taken, works_taken
from decknet.schedule.yardsticks import end_shares

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.schedule.paths import Paths
    from decknet.schedule.programme import Programme
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]

__all__ = ["Doubt", "doubt_of", "redrawn"]

STANDS_STILL = 1e-6  # share/yr, growth below which a draw of it is added, not taken as a multiple


@dataclass(frozen=True, slots=True)
class Doubt:
    """What a programme is worth over the draws.

    Attributes
    ----------
    draws : int
    unfit : int
        Draws in which the pinned lines cost more than the money there is; nothing is chosen in those.
    outcome : DataFrame, one row a measure
        measure (value, m2·yr avoided; cost, currency, of its works as they would be found; unsound_end_m2,
        unsound_end_nothing_m2, m2), low, middle, high (10, 50 and 90 % quantiles).
    years : DataFrame, one row a year
        year, cost_low, cost_middle, cost_high (currency), over (part of the draws in which the year's works cost more
        than its money).
    lines : DataFrame, one row a line
        deck_id, year, sure_year and sure_any (part of the draws in which the deck has a line in that year, in any).
    waiting : DataFrame, one row a deck without a line
        deck_id, chance_in (part of the draws in which it has one).
    """

    draws: int
    unfit: int
    outcome: pd.DataFrame
    years: pd.DataFrame
    lines: pd.DataFrame
    waiting: pd.DataFrame


def redrawn(decks: Decks, share: Floats, growth: Floats, share_now: Floats) -> Decks:
    """The decks at another share and growth.

    Parameters
    ----------
    decks : Decks, n decks
    share : array, shape (n,), fraction 0 to 1, drawn
    growth : array, shape (n,), share/yr, drawn
    share_now : array, shape (n,), fraction 0 to 1, what was expected

    Returns
    -------
    Decks
        Along a forecast the whole path is shifted, and its rise multiplied as the growth is.
    """
    unknown = np.isnan(decks.share)
    if decks.paths is None:
        return replace(decks, share=np.where(unknown, np.nan, share), growth_per_yr=growth)
    still = decks.growth_per_yr < STANDS_STILL
    faster = np.where(still, 1.0, growth / np.where(still, 1.0, decks.growth_per_yr))
    paths = decks.paths.redrawn(np.nan_to_num(share - share_now), faster, np.where(still, growth, 0.0))
    return replace(decks, share=np.where(unknown, np.nan, paths.nothing[:, 0]), growth_per_yr=growth, paths=paths)


def doubt_of(
    made: Programme,
    status: pd.DataFrame,
    *,
    first_year: int,
    budgets: Sequence[float],
    settings: Settings,
    rng: np.random.Generator,
    count: int | None = None,
    pins: Mapping[str, tuple[int, str | None]] | None = None,
    bars: Collection[str] = (),
    kept: Mapping[str, float] | None = None,
    drawn: pd.DataFrame | None = None,
    paths: Paths | None = None,
) -> Doubt:
    """A programme over draws of share and growth.

    Parameters
    ----------
    made : Programme
        As `make_programme` gives for the other arguments.
    status : DataFrame
        As `make_programme` takes, with share_low, share_high, growth_low and growth_high; a deck without them has no
        doubt.
    rng : Generator
    count : int, optional
        Draws; ``programme.doubt_draws`` by default.
    first_year, budgets, settings, pins, bars, kept, drawn, paths : as `make_programme`

    Returns
    -------
    Doubt

    References
    ----------
    Derived: sample quantiles and parts of the draws; a part p of m draws is known to about sqrt(p (1 - p) / m).
    """
    count = count or settings.programme.doubt_draws
    # a pinned deck keeps the treatment it got, whatever the draw says of its share
    got = made.lines.drop_duplicates("deck_id").set_index("deck_id")["treatment"]
    fixed = {deck: (year, treatment or str(got[deck])) for deck, (year, treatment) in (pins or {}).items()}
    case = pose(
        status, first_year=first_year, budgets=budgets, settings=settings, pins=fixed, bars=bars, kept=kept or {},
        drawn=drawn, paths=paths,
    )  # fmt: skip
    shares, growths, now = _drawn(status, case, settings, count, rng)
    settings = replace(settings, programme=replace(settings.programme, clock_s=0.0))
    place = pd.Index(case.ids).get_indexer(made.lines["deck_id"])
    done = _works_of(made.lines, place, case.names, first_year)
    expected = work_figures(case.decks, done, case.names, case.years, settings).money
    spent = made.years["cost"].to_numpy(dtype=np.float64)
    ways: list[dict[str, float]] = []
    costs = np.zeros((count, case.years))
    same, anywhen, entered, unfit = np.zeros(len(place)), np.zeros(len(place)), np.zeros(len(case.ids)), 0
    for d in range(count):
        decks = redrawn(case.decks, shares[d], growths[d], now)
        way, money = _outcome(decks, done, case, settings)
        costs[d] = spent + np.bincount(done.year, money - expected, case.years)
        way["cost"] = float(costs[d].sum())
        ways.append(way)
        try:
            again = solve(replace(case, decks=decks), settings, like=made.lines, gap=1.0)
        except BudgetError:
            unfit += 1
            continue
        found = works_taken(again.offers, again.choice.taken)
        has = np.zeros((len(case.ids), case.years), dtype=bool)
        has[found.row, found.year] = True
        same += has[place, done.year]
        anywhen += has[place].any(axis=1)
        entered += has.any(axis=1)
    tried = max(count - unfit, 1)
    frame = pd.DataFrame(ways)
    low, middle, high = (frame.quantile(q) for q in (0.1, 0.5, 0.9))
    over = np.cumsum(costs, axis=1) > np.cumsum(case.money_limit) if case.rules.carry_over else costs > case.money_limit
    cost = [np.quantile(costs, q, axis=0) for q in (0.1, 0.5, 0.9)]
    waits = made.waiting["deck_id"]
    at = pd.Index(case.ids).get_indexer(waits)
    return Doubt(
        count,
        unfit,
        pd.DataFrame({"low": low, "middle": middle, "high": high}).rename_axis("measure").reset_index(),
        pd.DataFrame(
            {
                "year": made.years["year"], "cost_low": cost[0], "cost_middle": cost[1], "cost_high": cost[2],
                "over": over.mean(axis=0),
            }
        ),
        pd.DataFrame(
            {
                "deck_id": made.lines["deck_id"], "year": made.lines["year"], "sure_year": same / tried,
                "sure_any": anywhen / tried,
            }
        ),
        pd.DataFrame({"deck_id": waits, "chance_in": entered[at] / tried}),
    )  # fmt: skip


def _drawn(
    status: pd.DataFrame, case: Case, settings: Settings, count: int, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Shares and growth, shape (draws, decks) in the order of the case, and the shares expected, shape (decks,)."""
    names = ["share_now", "share_low", "share_high", "growth_per_yr", "growth_low", "growth_high"]
    mine = status.set_index("deck_id").reindex(case.ids)
    frame = pd.DataFrame({name: pd.to_numeric(mine[name]).astype(float) for name in names if name in mine})
    frame["growth_per_yr"] = case.decks.growth_per_yr
    now = frame["share_now"].to_numpy(dtype=np.float64)
    frame["share_now"] = np.nan_to_num(now)
    frame["aadt"], frame["aadt_from"] = 0.0, "count"  # traffic is not drawn
    share, growth, _ = draws(frame, settings.rank)(slice(0, len(frame)), count, rng)
    return share.astype(np.float64), growth.astype(np.float64), now


def _works_of(lines: pd.DataFrame, place: npt.NDArray[np.intp], names: list[str], first_year: int) -> Taken:
    """The works of a programme's lines, which stand by year, then deck."""
    year = lines["year"].to_numpy(dtype=np.int64) - first_year
    kind = np.array([names.index(name) for name in lines["treatment"]], dtype=np.intp)
    by_deck = pd.Series(year).groupby(place)
    begin, last, two = by_deck.transform("min"), by_deck.transform("max"), by_deck.transform("size") > 1
    later = np.where(two, last, -1).astype(np.intp)
    none = np.full(len(lines), -1, dtype=np.intp)
    return Taken(place, kind, year.astype(np.intp), none, begin.to_numpy(dtype=np.intp), later, later == year)


def _outcome(decks: Decks, done: Taken, case: Case, settings: Settings) -> tuple[dict[str, float], Floats]:
    """What the works come to on decks as drawn, and the money of each, set-ups whole."""
    figures = work_figures(decks, done, case.names, case.years, settings)
    rate = settings.programme.exposure_cost
    saved = figures.saved / rate if rate > 0 else 0.0
    area = np.nan_to_num(decks.area_m2)
    end = np.nan_to_num(end_shares(decks, done, case.names, case.years, settings))
    nothing = np.nan_to_num(share_at(decks, float(case.years)))
    way = {
        "value": float((figures.spared + saved).sum()),
        "unsound_end_m2": float((area * end).sum()),
        "unsound_end_nothing_m2": float((area * nothing).sum()),
    }
    return way, figures.money

"""Programmes out of plans of single years: the years filled in turn, and some of them filled anew."""

from __future__ import annotations

from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np

from decknet.schedule.fill import polish
from decknet.schedule.plan_prices import DeckPrices, find_deck_prices, first_prices
from decknet.schedule.plans import PlanTable, Split, tabulate

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from decknet.clock import Clock
    from decknet.schedule.effort import Effort
    from decknet.schedule.known import Known

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["close_by_plans", "fill_in_turn"]

NOISES = (0, 2, 5, 10)  # hundredths by which the price of a deck is moved when years are filled anew
NEAR = 0.004  # part of the best value within which a programme is worth a last polish
WORSE = 0.003  # part of the value by which a programme that is gone on from may be worse than the last, at first
WIDTHS = (0.05, 0.02)  # part of the prices of decks in which they are sought first, roughly and then finely
LOOK_DOWN = 40  # steps of money, from all of it down, at which a plan is looked for that can be paid
RAISES = 4  # times that a limit passed is made half as dear again before the year's least works are dropped


def close_by_plans(known: Known, prices: Floats, goal: float, effort: Effort, clock: Clock) -> None:
    """Bring bound and programme closer together by plans of single years. In place.

    Parameters
    ----------
    known : Known
    prices : array, shape (rows,), of the limits, to start from
    goal : gap at which to stop
    effort : Effort
    clock : Clock
    """
    problem = known.problem
    years = problem.years
    orders = list(permutations(range(years))) if years <= 5 else [tuple(np.roll(range(years), k)) for k in range(years)]
    nothing = np.full(problem.decks, -1, dtype=np.intp)
    rough = Split(problem, prices, effort.try_cells)

    def try_at(now: DeckPrices, step: int) -> None:
        pick = fill_in_turn(rough, nothing, orders[step * 37 % len(orders)], now)
        known.offer(_polished(known, prices, pick, known.value))

    best = first_prices(rough, prices)
    for (cells, steps), width in zip(effort.plan_steps, WIDTHS, strict=True):
        best = find_deck_prices(Split(problem, prices, cells), known, best, width, goal, steps, clock, try_at)
    _fill_anew(rough, known, prices, best, goal, effort.plan_tries, clock)


def _polished(known: Known, prices: Floats, pick: Whole, value: float) -> Whole:
    """A programme polished where it is near a value, else as it is."""
    return polish(known.problem, prices, pick) if known.value_of(pick) >= (1 - NEAR) * value else pick


def fill_in_turn(split: Split, pick: Whole, order: Sequence[int], prices: DeckPrices) -> Whole:
    """Fill those years one after the other, the decks of others as they are; the years' old works are taken away.

    Returns
    -------
    picks that pass no limit
    """
    problem = split.problem
    pick = pick.copy()
    pick[np.isin(problem.year[pick], list(order)) & (pick >= 0)] = -1
    for year in order:
        plan = _plan_within(split, year, pick >= 0, prices)
        pick[problem.owner[plan]] = plan
    return pick


def _plan_within(split: Split, year: int, taken: Flags, prices: DeckPrices) -> Whole:
    """A year's plan without the decks taken, within every limit: limits passed are made dearer, then works dropped."""
    problem, lot = split.problem, split.lots[year]
    limit = prices.limit
    plan = np.zeros(0, dtype=np.intp)
    for _ in range(RAISES):
        gain = np.where(taken[lot.deck], 0, split.gains(lot, prices.deck, limit))
        plan = _paid(split, year, tabulate(lot, gain, split.tolls(year, limit)))
        load = split.load(plan)
        over = load > split.limits
        if not over.any():
            return plan
        least = float(problem.value[plan].sum()) / max(float(load[over].sum()), 1.0) / 4
        limit = np.where(over, np.maximum(limit * 1.5, least), limit)
    plan = plan[np.argsort(-problem.value[plan], kind="stable")]
    while (split.load(plan) > split.limits).any():
        plan = plan[:-1]
    return np.sort(plan)


def _paid(split: Split, year: int, table: PlanTable) -> Whole:
    """Options of the best plan of a year that what is counted pays in full, since steps are rounded down."""
    problem, lot = split.problem, split.lots[year]
    for steps in range(lot.steps, max(lot.steps - LOOK_DOWN, 0), -1):
        plan = lot.options[table.plan(steps)]
        if problem.loads(plan)[lot.row] <= problem.limits[lot.row]:
            return plan
    return np.zeros(0, dtype=np.intp)


def _fill_anew(
    split: Split, known: Known, prices: Floats, best: DeckPrices, goal: float, tries: int, clock: Clock
) -> None:
    """Fill two or three years of a programme anew, decks a little dearer or cheaper by chance. In place.

    One that is a little worse is gone on from too, less and less so, since the best lies beyond such.
    """
    years = split.problem.years
    rng = np.random.default_rng(0)
    now, value, whole = known.pick, known.value, known.value
    for turn in range(tries):
        if known.gap() <= goal or clock.struck():
            return
        count = min(int(rng.integers(2, 4)), years)
        order = rng.permutation(years)[:count].tolist()
        noise = NOISES[int(rng.integers(len(NOISES)))] * rng.integers(-100, 101, len(best.deck))
        deck = best.deck + best.deck * noise // 10_000
        new = fill_in_turn(split, now, order, DeckPrices(deck, best.limit))
        new = _polished(known, prices, new, value)
        worth = known.value_of(new)
        if worth >= value - WORSE * whole * (1 - turn / tries):
            now, value = new, worth
            known.offer(new)

"""The prices of decks at which plans of single years give the closest bound."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array

from decknet.schedule.plans import tabulate
from decknet.schedule.prices import canonical

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from decknet.clock import Clock
    from decknet.schedule.known import Known
    from decknet.schedule.plans import Split

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]

__all__ = ["DeckPrices", "find_deck_prices", "first_prices"]

WIDER, NARROWER = 1.3, 0.7  # what becomes of the box about the best prices after a step that lowered the bound, or not
ENOUGH = 1e-6  # part of the bound by which a step must promise to lower it


@dataclass(frozen=True, slots=True)
class DeckPrices:
    """What it costs to work on a deck at all, and what the limits that are not counted through cost.

    Attributes
    ----------
    deck : array, shape (decks,), whole numbers of grains, >= 0
    limit : array, shape (k,), grains for a coin or for a part of a crew day, >= 0
    """

    deck: Whole
    limit: Floats


def first_prices(split: Split, prices: Floats) -> DeckPrices:
    """Prices of decks out of prices of the limits: what the best option of each is worth beyond them."""
    best, _ = split.problem.best(split.problem.worth(prices))
    return DeckPrices(np.rint(best).astype(np.int64), prices[split.others])


@dataclass(slots=True)
class _Cuts:
    """Plans found so far as rows of a linear programme: no year is worth less than any plan of it."""

    columns: list[Whole] = field(default_factory=list)
    entries: list[Floats] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def add(self, decks: Whole, uses: Floats, year: int, value: float, count: int) -> None:
        """A plan: its decks, its part of each limit, its year (of a network of so many decks) and its value."""
        some = np.flatnonzero(uses)
        self.columns.append(np.concatenate([decks, count + some, [count + len(uses) + year]]))
        self.entries.append(np.concatenate([np.ones(len(decks)), uses[some], [1.0]]))
        self.values.append(value)

    def lowest(self, low: Floats, high: Floats, years: int, cost: Floats, unit: float) -> tuple[Floats, float] | None:
        """Prices within a box at which the bound would be lowest, and that bound; None where no answer came."""
        rows = np.repeat(np.arange(len(self.values)), [len(part) for part in self.columns])
        table = csr_array(
            (-np.concatenate(self.entries), (rows, np.concatenate(self.columns))),
            shape=(len(self.values), len(low) + years),
        )
        found = linprog(
            np.concatenate([cost, np.ones(years)]),
            A_ub=table,
            b_ub=-np.array(self.values) / unit,
            bounds=[*zip(low / unit, high / unit, strict=True), *[(0.0, None)] * years],
            method="highs-ds",
        )
        return None if found.status != 0 else (found.x[: len(low)] * unit, float(found.fun) * unit)


def find_deck_prices(
    split: Split, known: Known, start: DeckPrices, width: float, goal: float, steps: int, clock: Clock,
    at_each: Callable[[DeckPrices, int], None],
) -> DeckPrices:  # fmt: skip
    """Lower the bound from known prices on. Prices of limits are taken per whole limit inside.

    Parameters
    ----------
    split : Split
    known : Known, its bound is lowered in place
    start : DeckPrices
    width : part of the prices in which the lowest bound is sought first
    goal : gap at which to stop
    steps : int, at most
    clock : Clock
    at_each : called with the prices of each step and its number

    Returns
    -------
    DeckPrices of the lowest bound
    """
    problem = split.problem
    years, decks = problem.years, problem.decks
    used = split.limits > 0
    scale = np.where(used, split.limits, 1.0)
    at = np.concatenate([start.deck.astype(np.float64), np.where(used, canonical(start.limit * scale), 0.0)])
    centre, lowest = at, math.inf
    box = width * np.maximum(at, 0.4 * max(float(at[:decks].mean()), 1.0))
    cost = np.concatenate([np.ones(decks), used.astype(np.float64)])
    cuts = _Cuts()
    for step in range(steps):
        now = DeckPrices(at[:decks].astype(np.int64), np.where(used, at[decks:] / scale, 0.0))
        bound = float(now.deck.sum()) + math.fsum((at[decks:] * used).tolist())
        for year, lot in enumerate(split.lots):
            table = tabulate(lot, split.gains(lot, now.deck, now.limit), split.tolls(year, now.limit))
            bound += int(table.most[-1])
            mine = lot.options[table.plan(lot.steps)]
            part = np.where(used, split.load(mine) / scale, 0.0)
            cuts.add(problem.owner[mine], part, year, float(problem.value[mine].sum()), decks)
        known.lower(bound)
        at_each(now, step)
        if bound < lowest:
            lowest, centre, box = bound, at, box * WIDER
        else:
            box = box * NARROWER
        if known.gap() <= goal or clock.struck():
            break
        low, high = np.maximum(centre - box, 0.0), centre + box
        found = cuts.lowest(low, high, years, cost, max(lowest, 1.0))
        if found is None:
            break
        new, hoped = found
        if lowest - hoped <= ENOUGH * lowest:
            if not bool(((new >= high - 1e-6 * box) | ((new <= low + 1e-6 * box) & (low > 0))).any()):
                break
            box = box * 3.0
        at = np.maximum(np.concatenate([np.rint(new[:decks]), canonical(new[decks:])]), 0.0)
    return DeckPrices(centre[:decks].astype(np.int64), np.where(used, centre[decks:] / scale, 0.0))

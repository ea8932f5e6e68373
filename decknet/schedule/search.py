"""Searching on where bound and programme are apart: depth first, over all years or a few at a time."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.clock import Clock
    from decknet.schedule.effort import Effort
    from decknet.schedule.prices import Problem

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]

__all__ = ["improve", "search"]

LOOK = 1_024  # steps between two looks at the user's clock


def improve(
    problem: Problem, prices: Floats, pick: Whole, together: int, enough: float, effort: Effort, clock: Clock
) -> Whole:
    """Choose some years anew, the others as they are, until no such group gives more, or the value is enough."""
    groups = list(combinations(range(problem.years), together))[: effort.groups]
    value = float(problem.value[pick[pick >= 0]].sum())
    for _ in range(effort.sweeps):
        before = value
        for group in groups:
            if clock.struck():
                return pick
            inside = np.zeros(problem.years + 1, dtype=bool)  # the last place stands for no second year
            inside[list(group)] = True
            whole = inside[problem.year]
            if problem.later is not None:
                whole = whole & (inside[problem.later] | (problem.later < 0))
            fixed = (pick >= 0) & ~whole[pick]
            keep = whole & ~fixed[problem.owner]
            if not keep.any():
                continue
            part = problem.part(keep)
            stays = pick[fixed]
            pairs = problem.open_pairs(stays)
            part = replace(
                part,
                limits=problem.limits - problem.rows @ (problem.cell_loads(stays) + problem.set_up_loads(pairs)),
                opening=np.where(pairs, 0.0, problem.opening),
                room=None if problem.room is None else problem.room - problem.works(stays),
            )
            origin = np.flatnonzero(keep)
            decks = problem.owner[origin[part.first]]
            place = np.cumsum(keep) - 1
            mine = pick[decks]
            old = np.where(mine >= 0, place[mine], -1)
            new, _ = search(part, prices, old, effort.group_steps, clock)
            pick = pick.copy()
            pick[decks] = np.where(new >= 0, origin[new], -1)
            if float(problem.value[pick[pick >= 0]].sum()) >= enough:
                return pick
        value = float(problem.value[pick[pick >= 0]].sum())
        if value <= before:
            break
    return pick


def search(problem: Problem, prices: Floats, pick: Whole, most_steps: int, clock: Clock) -> tuple[Whole, bool]:
    """Depth-first search over the decks whose choice is open, within a number of steps.

    Every programme is worth the bound less the losses of its choices at the prices and less the price of what
    it leaves unspent, so a branch ends once its losses reach the distance from the bound to the best known. The
    bound here takes set-ups as free; what they use is counted in full.

    Returns
    -------
    picks, and whether the programme is proven the best
    """
    value = float(problem.value[pick[pick >= 0]].sum())
    worth = problem.worth(prices)
    best, _ = problem.best(worth)
    bound = math.fsum(best.tolist()) + math.fsum((prices * problem.limits).tolist())
    loss = best[problem.owner] - worth
    step = 1.0 - 1e-10 * max(abs(bound), 1.0)  # values are whole: a better programme is worth one more
    reach = bound - value
    ends = np.append(problem.first[1:], len(problem.owner))
    branches: list[tuple[float, int, list[tuple[float, int]]]] = []
    for deck in range(problem.decks):
        lot = [(float(loss[k]), k) for k in range(problem.first[deck], ends[deck]) if loss[k] < reach]
        if best[deck] < reach:
            lot.append((float(best[deck]), -1))
        lot.sort(key=lambda one: (one[0], one[1]))
        if not lot:
            return pick, True
        branches.append((-lot[1][0] if len(lot) > 1 else -np.inf, deck, lot))
    branches.sort(key=lambda one: (one[0], one[1]))

    limits = problem.limits.tolist()
    gains = problem.value.tolist()
    open_lots = {k for _, _, lot in branches for _, k in lot if k >= 0}
    use, pairs = _entries(problem, open_lots)
    openings = _openings(problem)
    room = None if problem.room is None else problem.room.ravel().tolist()
    load = [0.0] * len(limits)
    count = [0] * problem.opening.size
    way = [-1] * len(branches)
    steps, ended = 0, True
    best_value, best_way = value, None

    # one frame a deck: position in its lot, loss so far
    depth = 0
    place = [0] * (len(branches) + 1)
    lost = [0.0] * (len(branches) + 1)
    worth_so_far = [0.0] * (len(branches) + 1)

    def put(k: int) -> bool:
        """Add an option; False where a limit is passed (it is in all the same)."""
        good = True
        for row, amount in use[k]:
            load[row] += amount
            good = good and load[row] <= limits[row]
        for pair in pairs[k]:
            if not count[pair]:
                for row, amount in openings[pair]:
                    load[row] += amount
                    good = good and load[row] <= limits[row]
            count[pair] += 1
            good = good and (room is None or count[pair] <= room[pair])
        return good

    def take_back(k: int) -> None:
        for row, amount in use[k]:
            load[row] -= amount
        for pair in pairs[k]:
            count[pair] -= 1
            if not count[pair]:
                for row, amount in openings[pair]:
                    load[row] -= amount

    while depth >= 0:
        if depth == len(branches):
            if worth_so_far[depth] > best_value:
                best_value, best_way = worth_so_far[depth], way.copy()
            depth -= 1
            if depth >= 0 and way[depth] >= 0:
                take_back(way[depth])
            continue
        lot = branches[depth][2]
        if place[depth] >= len(lot) or lost[depth] + lot[place[depth]][0] > bound - best_value - step:
            depth -= 1
            if depth >= 0 and way[depth] >= 0:
                take_back(way[depth])
            continue
        one, k = lot[place[depth]]
        place[depth] += 1
        steps += 1
        if steps > most_steps or (steps % LOOK == 0 and clock.struck()):
            ended = False
            break
        if k >= 0 and not put(k):
            take_back(k)
            continue
        way[depth] = k
        lost[depth + 1] = lost[depth] + one
        worth_so_far[depth + 1] = worth_so_far[depth] + (gains[k] if k >= 0 else 0.0)
        depth += 1
        place[depth] = 0
    if best_way is not None:
        new = np.full(problem.decks, -1, dtype=np.intp)
        for (_, deck, _), k in zip(branches, best_way, strict=True):
            new[deck] = k
        if problem.fits(new[new >= 0]):
            pick = new
    return pick, ended


Entries = dict[int, list[tuple[int, float]]]


def _entries(problem: Problem, options: set[int]) -> tuple[Entries, dict[int, list[int]]]:
    """What each option uses of which limit, and the groups and years it works in as places in a flat array."""
    rows_of = [np.flatnonzero(column).tolist() for column in problem.rows.T]
    use: Entries = {}
    pairs: dict[int, list[int]] = {}
    for k in sorted(options):
        use[k] = [
            (row, float(amount[k]))
            for cell, amount in zip(problem.cells, problem.amounts, strict=True)
            if amount[k] != 0
            for row in rows_of[int(cell[k])]
        ]
        group = int(problem.group[problem.owner[k]])
        pairs[k] = []
        if group >= 0:
            pairs[k].append(group * problem.years + int(problem.year[k]))
            if problem.later is not None and problem.later[k] >= 0:
                pairs[k].append(group * problem.years + int(problem.later[k]))
    return use, pairs


def _openings(problem: Problem) -> list[list[tuple[int, float]]]:
    rows_of = [np.flatnonzero(column).tolist() for column in problem.rows.T]
    return [
        [(row, amount) for row in rows_of[cell]] if amount > 0 else []
        for cell, amount in zip(problem.opening_cell.ravel().tolist(), problem.opening.ravel().tolist(), strict=True)
    ]

"""Bringing bound and programme together on networks of few decks.

1. A search over the decks whose choice is open, cut by the loss each choice brings at the best prices; first over all
   years, then anew over two or three years at a time with the others as they are.
2. Where each year has its own money, plans of single years: a closer bound, and programmes out of them.
3. Else, or where the effort asks for it, a mixed-integer solver in two child processes: one over all that can still
   matter, which gives the bound, one over parts of the network in turn, the rest as it is. Both begin from the same
   programme and do a fixed piece of work; then the better of their programmes is taken, that of the first where they
   are equal. Which child is the faster changes nothing.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from decknet.schedule.milp import solve_in_child
from decknet.schedule.plan_tries import close_by_plans
from decknet.schedule.plans import years_stand_apart
from decknet.schedule.search import improve, search

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.clock import Clock
    from decknet.schedule.effort import Effort, Runs
    from decknet.schedule.known import Known

    Floats = npt.NDArray[np.float64]

__all__ = ["FAR", "SMALL_BELOW", "refine"]

SMALL_BELOW = 1_500  # decks; below, a programme is built at every one of the price vectors
FAR = 0.005  # gap from which on nothing finer is asked for
FINE = 0.05  # of the gap asked for: as far small networks go on, since one job there is worth more than that gap


def refine(known: Known, prices: Floats, gap: float, effort: Effort, clock: Clock) -> None:
    """Bring bound and programme together, to a gap or to the end of the effort. In place.

    Parameters
    ----------
    known : Known
    prices : array, shape (rows,), those of the lowest bound
    gap : float, 0 to 1, gap asked for
    effort : Effort
    clock : Clock
    """
    if known.problem.decks < SMALL_BELOW and gap < FAR:
        gap *= FINE
    if known.gap() <= gap or clock.struck():
        return
    if known.problem.usable is None and _search(known, prices, gap, effort, clock):
        return
    if years_stand_apart(known.problem):
        close_by_plans(known, prices, gap, effort, clock)
        runs = effort.runs_after_plans
    else:
        runs = effort.runs
    for run in runs:
        if known.gap() <= gap or clock.struck():
            return
        _by_children(known, prices, gap, run, clock)


def _search(known: Known, prices: Floats, gap: float, effort: Effort, clock: Clock) -> bool:
    """Depth first over all years, then over a few at a time; whether the gap is reached. In place."""
    pick, proven = search(known.problem, prices, known.pick, effort.search_steps, clock)
    known.offer(pick)
    if proven:
        known.lower(known.value)
        return True
    enough = (1 - gap) * (known.bound + known.base) - known.base
    for together in range(2, min(known.problem.years, 4)):
        known.offer(improve(known.problem, prices, known.pick, together, enough, effort, clock))
        if known.gap() <= gap or clock.struck():
            return True
    return False


def _by_children(known: Known, prices: Floats, gap: float, run: Runs, clock: Clock) -> None:
    """The solver in two child processes, from the programme known, over the options that can still matter. In place."""
    problem = known.problem
    worth = problem.worth(prices)
    at_prices = problem.settle(worth, prices)[0] + float((prices * problem.limits).sum())
    slack = 1e-9 * max(at_prices, 1.0)
    # an option that costs more than the distance from bound to programme cannot lead to a better programme
    keep = problem.losses(worth, prices) <= at_prices - known.value + slack
    keep[known.pick[known.pick >= 0]] = True
    small = problem.part(keep)
    begin = (np.cumsum(keep) - 1)[known.pick[known.pick >= 0]]
    fine = gap * 0.5 * (known.value + known.base) / max(known.value, 1.0)
    most = max(run.branches // max(len(small.owner), 1), 50)
    with ThreadPoolExecutor(2) as pool:
        whole = pool.submit(
            solve_in_child, small, begin, gap=fine, branches=most, checks=run.checks, clock=clock,
        )  # fmt: skip
        anew = pool.submit(
            solve_in_child, small, begin, gap=fine, branches=run.part_branches, checks=run.part_checks, clock=clock,
            rounds=run.parts,
        )  # fmt: skip
        answers = [whole.result(), anew.result()]
    for answer in answers:
        if answer is None:
            known.lost = known.lost or not clock.hit
            continue
        back = np.flatnonzero(keep)[answer.taken]
        pick = np.full(problem.decks, -1, dtype=np.intp)
        pick[problem.owner[back]] = back
        if len(np.unique(problem.owner[back])) == len(back):
            known.offer(pick)
        known.lower(answer.bound)

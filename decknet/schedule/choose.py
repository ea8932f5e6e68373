"""Which option each deck takes, under limits of money and crew days, with a proven bound.

Maximise the value of the options taken, at most one a deck, within each year's money and crew days and the
further rules: decks of a route share a set-up, a route takes so many works a year, part of the money is kept for
an area, overlays need the warm season, money left over is carried on.

1. A price on each limit splits the network into single decks, or routes: each takes what is worth most at those
   prices, or nothing. For any prices the sum is an upper bound; the lowest such bound is sought with cutting
   planes inside a box round the best prices so far.
2. At each of the best price vectors a programme is built: decks are shifted out of over-full years at the
   least loss, what is left of each year is filled, and options are exchanged for better ones.
3. Where bound and programme are still apart, they are brought together (``refine.py``).

Everything stops at counts (``effort.py``), never at a clock, unless the user has set one: where it strikes,
`Choice.stopped` says so, since then another run may find another programme. The bound is proven in every case.
Values, money and days are whole numbers inside, so that their sums are exact.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decknet.clock import Clock
from decknet.errors import BudgetError
from decknet.schedule.effort import EFFORTS, SOLVER_ALONE
from decknet.schedule.fill import programme_at
from decknet.schedule.known import Known, gap_between
from decknet.schedule.limits import areas_of, cells_of, parts_of_rows, pose_problem
from decknet.schedule.milp import solve_in_child
from decknet.schedule.options import GRAINS, Choice, Rules, total_value, whole_value
from decknet.schedule.prices import SAMPLE_DECKS, find_prices
from decknet.schedule.refine import FAR, SMALL_BELOW, refine

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from decknet.schedule.effort import Effort
    from decknet.schedule.options import Options
    from decknet.schedule.prices import Problem

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["choose_options", "relaxed_worth", "solve_whole"]

REFINE_BELOW = 4_000  # decks; from there on the prices alone come within about a tenth of a percent
FINEST = 1e-7  # part of the bound to which prices are sought at the finest
SOLVERS_OWN_EFFORT = 0.05  # in finding programmes, where it is left to itself


def choose_options(
    options: Options,
    *,
    decks: int,
    money_limit: Floats,
    days_limit: Floats | None = None,
    forced: Flags | None = None,
    start: Whole | Sequence[Whole] | None = None,
    gap: float = 0.001,
    effort: Effort | None = None,
    clock: Clock | None = None,
    rules: Rules | None = None,
) -> Choice:
    """Take at most one option a deck so that no limit is passed and the value is greatest.

    Parameters
    ----------
    options : Options
    decks : int
        Number of decks.
    money_limit : array, shape (years,), currency, >= 0
    days_limit : array, shape (years,), crew days, >= 0, or None for no limit
    forced : array, shape (decks,), flag
        Decks that must take one of their options; those must all lie in one year. The cheapest is always
        granted; a dearer one competes as an exchange.
    start : array, shape (decks,)
        A programme known to be within the limits, as `Choice.taken`, or several; the answer is never worse.
    gap : float, 0 to 1
        Gap at which the search stops.
    effort : Effort, optional
        Counts at which it stops in any case; normal by default.
    clock : Clock, optional
        The user's clock; none by default.
    rules : Rules, optional

    Returns
    -------
    Choice

    Raises
    ------
    BudgetError
        The cheapest options of the forced decks do not fit together.
    """
    rules, effort, clock = rules or Rules(), effort or EFFORTS["normal"], clock or Clock()
    base = _cheapest(options, decks, forced)
    years = len(money_limit)
    problem = pose_problem(options, decks, base, np.asarray(money_limit, dtype=np.float64), days_limit, rules)
    parts = parts_of_rows(years, len(problem.limits), days_limit, rules)
    _must_fit(problem, parts, days_limit)
    if not len(problem.owner):
        zero, value = np.zeros(years), total_value(options, base)
        return Choice(base, value, value, 0.0, zero, zero, options.value.astype(np.float64), False, False)

    held = float(whole_value(options.value[base[base >= 0]]).sum())
    starts = [start] if start is None or isinstance(start, np.ndarray) else list(start)
    known = Known(problem, np.full(problem.decks, -1, dtype=np.intp), held)
    for one in starts:
        known.offer(_from_start(problem, options, one))
    trials = find_prices(problem, _tolerance(problem, gap), clock=clock)
    bound, prices = trials[0]
    known.lower(bound)
    goal = gap * 0.5 if problem.decks < SAMPLE_DECKS else gap
    for _, trial in trials[: effort.price_vectors]:
        known.offer(programme_at(problem, trial))
        if known.gap() <= (0.0 if problem.decks < SMALL_BELOW else goal) or clock.struck():
            break
    if problem.decks < REFINE_BELOW:
        refine(known, prices, gap, effort, clock)

    taken = base.copy()
    mine = known.pick[known.pick >= 0]
    taken[options.deck[problem.origin[mine]]] = problem.origin[mine]
    value = total_value(options, taken)
    top = max((known.bound + held) / GRAINS, value)
    own = prices * parts / GRAINS  # benefit for a unit of money, for a crew day
    per_cell = problem.per_cell(own)
    days_at = (areas_of(rules) + 1) * years
    return Choice(
        taken,
        value,
        top,
        gap_between(value, top),
        per_cell[:years],
        per_cell[days_at : days_at + years] if days_limit is not None else np.zeros(years),
        _worth_at(options, per_cell, rules, years, days_limit is not None),
        clock.hit,
        known.lost,
    )


def _tolerance(problem: Problem, gap: float) -> float:
    """Part of the bound to which prices are sought; programmes at the very best prices are much the best.

    On the largest networks a step is dear and a coarser price good enough; where a wide gap is asked for too.
    """
    return FINEST if gap < FAR and problem.decks <= 2 * SAMPLE_DECKS else min(1e-5, 0.02 * gap) or FINEST


def _must_fit(problem: Problem, parts: Floats, days_limit: Floats | None) -> None:
    """BudgetError where what must be in passes a limit."""
    short = np.flatnonzero(problem.limits < 0)
    if not len(short):
        return
    row, years = int(short[0]), problem.years
    what = "crew days" if years <= row < 2 * years and days_limit is not None else "money"
    raise BudgetError(
        f"year {row % years + 1} of the programme: the lines that must be in it need "
        f"{-problem.limits[row] / parts[row]:,.0f} more {what} than there is. Raise the limit or take a pin away."
    )


def _worth_at(options: Options, per_cell: Floats, rules: Rules, years: int, with_days: bool) -> Floats:
    """Value less all that each option uses at those prices of the cells, set-ups apart."""
    worth = options.value.astype(np.float64, copy=True)
    for cell, amount in zip(*cells_of(options, rules, years, with_days), strict=True):
        worth -= per_cell[cell] * amount
    return worth


def _cheapest(options: Options, decks: int, forced: Flags | None) -> Whole:
    """The cheapest option of each forced deck, -1 for the others."""
    base = np.full(decks, -1, dtype=np.intp)
    if forced is None or not forced.any():
        return base
    mine = np.flatnonzero(forced[options.deck])
    order = mine[np.lexsort((-options.value[mine], options.days[mine], options.money[mine], options.deck[mine]))]
    order = order[np.diff(options.deck[order], prepend=-1) > 0]
    base[options.deck[order]] = order
    if (base[forced] < 0).any():
        raise ValueError("a forced deck has no option")
    if (options.year[mine] != options.year[base[options.deck[mine]]]).any():
        raise ValueError("the options of a forced deck lie in more than one year")
    return base


def relaxed_worth(
    options: Options,
    decks: int,
    money_limit: Floats,
    days_limit: Floats | None,
    rules: Rules,
    near: Floats | None = None,
) -> tuple[Floats, Floats | None]:
    """Value less all that each option uses at the prices of the relaxed problem, set-ups apart, and those prices.

    `near` are prices to start from, as an earlier call gave them.
    """
    years = len(money_limit)
    none = np.full(decks, -1, dtype=np.intp)
    problem = pose_problem(options, decks, none, money_limit, days_limit, rules)
    if not len(problem.owner):
        return options.value.astype(np.float64, copy=True), near
    near = find_prices(problem, 1e-3, near)[0][1]
    parts = parts_of_rows(years, len(problem.limits), days_limit, rules)
    per_cell = problem.per_cell(near * parts / GRAINS)
    return _worth_at(options, per_cell, rules, years, days_limit is not None), near


def solve_whole(
    options: Options,
    *,
    decks: int,
    money_limit: Floats,
    days_limit: Floats | None,
    rules: Rules,
    gap: float,
    seconds: float,
) -> tuple[float, float] | None:
    """Value and bound of the mixed-integer solver alone, for comparison; None where it finds nothing in its time."""
    none = np.full(decks, -1, dtype=np.intp)
    problem = pose_problem(options, decks, none, np.asarray(money_limit, dtype=np.float64), days_limit, rules)
    begin = np.zeros(0, dtype=np.intp)
    answer = solve_in_child(
        problem, begin, gap=gap, branches=SOLVER_ALONE.branches, checks=SOLVER_ALONE.checks, clock=Clock(seconds),
        effort=SOLVERS_OWN_EFFORT,
    )  # fmt: skip
    if answer is None or not problem.fits(answer.taken):
        return None
    return float(problem.value[answer.taken].sum()) / GRAINS, answer.bound / GRAINS


def _from_start(problem: Problem, options: Options, start: Whole | None) -> Whole:
    """The start as picks of the problem; nothing where it passes a limit."""
    none = np.full(problem.decks, -1, dtype=np.intp)
    if start is None:
        return none
    chosen = np.flatnonzero(start[options.deck[problem.origin]] == problem.origin)
    pick = none.copy()
    pick[problem.owner[chosen]] = chosen
    return pick if problem.fits(chosen) else none

"""Which option each deck takes, under limits of money and crew days, with a proven bound.

Maximise the value of the options taken, at most one a deck, within each year's money and crew days and the
further rules: decks of a route share a set-up, a route takes so many works a year, part of the money is kept for
an area, overlays need the warm season, money left over is carried on.

1. A price on each limit splits the network into single decks, or routes: each takes what is worth most at those
   prices, or nothing. For any prices the sum is an upper bound; the lowest such bound is sought with cutting
   planes inside a box round the best prices so far.
2. At each of the best price vectors a programme is built: decks are shifted out of over-full years at the
   least loss, what is left of each year is filled, and options are exchanged for better ones.
3. Where bound and programme are still apart, a search over the decks whose choice is open, cut by the loss
   each choice brings at the best prices, up to a fixed number of steps; first over all years, then anew over
   two or three years at a time with the others as they are.
4. On small networks, where one job fills much of a year, a mixed-integer solver carries on in two child processes
   side by side: over all that can still matter, and over parts of the network in turn, the rest as it is.

Steps 1 to 3 know no clock: they stop at fixed counts. Step 4 stops at a fixed number of branches; the time
limit is there for slow machines, and where it strikes `Choice.time_limit_hit` says so, since then another
machine may find another programme. The bound is proven in every case.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decknet.errors import BudgetError
from decknet.schedule.fill import programme_at
from decknet.schedule.milp import solve_in_child
from decknet.schedule.prices import SAMPLE_DECKS, Problem, find_prices
from decknet.schedule.search import improve, search

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Choice", "Options", "Rules", "choose_options", "limit_rows", "relaxed_worth", "route_groups", "solve_whole"]

ROUNDING = 1e-9  # part of a limit of crew days by which a sum of tenths may pass it; money has no such play
PRICE_VECTORS = 12
SEARCH_STEPS = 150_000
TRY_ALL_BELOW = 1_500  # decks; below, a programme is built at every one of the price vectors
CHILD_BELOW = 4_000  # decks; from there on the prices alone come within about a tenth of a percent
# Options times branches over the whole problem, parts chosen anew, and part of the time limit, of each run.
ROUNDS = ((300_000, 5, 0.4), (600_000, 5, 0.6))
FINE_ROUNDS = ((300_000, 5, 0.3), (4_000_000, 10, 0.7))  # the same for small networks
SOLVERS_OWN_EFFORT = 0.05  # in finding programmes, where it is left to itself
PART_BRANCHES = 60  # in each part chosen anew
FAR = 0.005  # gap up to which the first run is enough, and from which on nothing finer is asked for
FINE = 0.05  # of the gap asked for: as far small networks go on, since their runs are short


@dataclass(frozen=True, slots=True)
class Options:
    """What can be taken. Every array has shape (options,).

    Attributes
    ----------
    deck : whole number, index of the deck, 0 to decks - 1, never falling
    year : index of the year, 0 to years - 1
    money : currency, >= 0; whole units keep sums exact
    days : crew days, >= 0
    value : m2·yr or any other measure of worth
    warm_days : days of them that need the warm season; None: none do
    later : index of the year of a second work on the deck, after `year`; -1 where there is none; or None
    later_money, later_days, later_warm_days : what the second work uses
    """

    deck: Whole
    year: Whole
    money: Floats
    days: Floats
    value: Floats
    warm_days: Floats | None = None
    later: Whole | None = None
    later_money: Floats | None = None
    later_days: Floats | None = None
    later_warm_days: Floats | None = None

    def __len__(self) -> int:
        return len(self.deck)


@dataclass(frozen=True, slots=True)
class Rules:
    """Limits beside each year's money and crew days.

    Attributes
    ----------
    carry_over : money that a year leaves may be spent in later years
    warm_days : array, shape (years,), crew days of the warm season, or None
    route : array, shape (decks,), whole number, the route of each deck, -1 for none; or None
    set_up : money paid once for all works on a route in a year
    most_on_route : works on a route in a year at most; 0 for no limit
    area : array, shape (decks,), whole number, the sub-area of each deck, -1 for none; or None
    kept : array, shape (areas, years), money of each year kept for the decks of each area, or None
    """

    carry_over: bool = False
    warm_days: Floats | None = None
    route: Whole | None = None
    set_up: float = 0.0
    most_on_route: int = 0
    area: Whole | None = None
    kept: Floats | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """What is taken, and how good it is.

    Attributes
    ----------
    taken : array, shape (decks,), index of the option taken; -1 for none
    value : sum of the values taken
    bound : proven upper bound of that sum, >= value
    gap : (bound - value) / bound, 0 to 1
    money_price : array, shape (years,), value bought by the next unit of money of a year in the relaxed problem
    days_price : array, shape (years,), the same for a crew day
    worth : array, shape (options,), value less all that an option uses at those prices, its set-up apart
    time_limit_hit : the clock ended the search, so that another machine may find another programme
    """

    taken: Whole
    value: float
    bound: float
    gap: float
    money_price: Floats
    days_price: Floats
    worth: Floats
    time_limit_hit: bool


def choose_options(
    options: Options,
    *,
    decks: int,
    money_limit: Floats,
    days_limit: Floats | None = None,
    forced: Flags | None = None,
    start: Whole | Sequence[Whole] | None = None,
    gap: float = 0.001,
    time_limit_s: float = 60.0,
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
    time_limit_s : float, s
        Longest run of the child process.
    rules : Rules, optional

    Returns
    -------
    Choice

    Raises
    ------
    BudgetError
        The cheapest options of the forced decks do not fit together.
    """
    rules = rules or Rules()
    base = _cheapest(options, decks, forced)
    held = base[base >= 0]
    years = len(money_limit)
    problem = _pose(options, decks, base, np.asarray(money_limit, dtype=np.float64), days_limit, rules)
    short = np.flatnonzero(problem.limits < 0)
    if len(short):
        row = int(short[0])
        what = "money" if row < years else "crew days" if row < 2 * years and days_limit is not None else "money"
        raise BudgetError(
            f"year {row % years + 1} of the programme: the lines that must be in it need {-problem.limits[row]:,.0f} "
            f"more {what} than there is. Raise the limit or take a pin away."
        )
    zero = np.zeros(years)
    base_value = float(options.value[held].sum())
    if not len(problem.owner):
        return Choice(base, base_value, base_value, 0.0, zero, zero, options.value.astype(np.float64), False)

    starts = [start] if start is None or isinstance(start, np.ndarray) else list(start)
    pick = max((_from_start(problem, options, one) for one in starts), key=lambda one: _value(problem, one))
    value = _value(problem, pick)
    tolerance = min(1e-5, 0.02 * gap) if gap > 0 else 1e-7
    trials = find_prices(problem, tolerance)
    bound, prices = trials[0]
    goal = gap * 0.5 if problem.decks < SAMPLE_DECKS else gap
    for _, trial in trials[:PRICE_VECTORS]:
        tried = programme_at(problem, trial)
        if (worth := _value(problem, tried)) > value and problem.fits(tried[tried >= 0]):
            pick, value = tried, worth
        if _gap(value + base_value, bound + base_value) <= (0.0 if problem.decks < TRY_ALL_BELOW else goal):
            break
    hit = False
    if problem.decks < TRY_ALL_BELOW and gap < FAR:
        gap *= FINE
    if problem.decks < CHILD_BELOW and _gap(value + base_value, bound + base_value) > gap:
        pick, value, bound, hit = _close(problem, prices, pick, value, bound, base_value, gap, time_limit_s)

    taken = base.copy()
    mine = pick[pick >= 0]
    taken[options.deck[problem.origin[mine]]] = problem.origin[mine]
    total = float(options.value[taken[taken >= 0]].sum())
    top = max(bound + base_value, total)
    per_cell = problem.rows.T @ prices
    cells, amounts = _cells(options, rules, years, days_limit is not None)
    at_prices = options.value.astype(np.float64, copy=True)
    for cell, amount in zip(cells, amounts, strict=True):
        at_prices -= per_cell[cell] * amount
    areas = _areas(rules)
    days_at = (areas + 1) * years
    days_price = per_cell[days_at : days_at + years] if days_limit is not None else zero
    return Choice(taken, total, top, _gap(total, top), per_cell[:years], days_price, at_prices, hit)


def _gap(value: float, bound: float) -> float:
    return min(max(bound - value, 0.0) / bound, 1.0) if bound > 0 else 0.0


def _value(problem: Problem, pick: Whole) -> float:
    return float(problem.value[pick[pick >= 0]].sum())


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


# ---- the limits as rows of cells -----------------------------------------------------------------


def _areas(rules: Rules) -> int:
    return 0 if rules.kept is None else len(rules.kept)


def _cells(options: Options, rules: Rules, years: int, with_days: bool) -> tuple[tuple[Whole, ...], tuple[Floats, ...]]:
    """Which cells each option uses and how much: money by area and year, crew days, warm days.

    Money of decks in no area comes first, then that of each area; then crew days, then warm days, by year.
    """
    areas = _areas(rules)
    area = np.zeros(len(options), dtype=np.int64)
    if areas and rules.area is not None:
        area = np.asarray(rules.area)[options.deck].astype(np.int64) + 1
    turns = [(options.year.astype(np.int64), options.money, options.days, options.warm_days)]
    if options.later is not None and options.later_money is not None and options.later_days is not None:
        later = np.where(options.later >= 0, options.later, options.year).astype(np.int64)
        turns.append((later, options.later_money, options.later_days, options.later_warm_days))
    cells: list[Whole] = []
    amounts: list[Floats] = []
    days_at = (areas + 1) * years
    for year, money, days, warm in turns:
        cells.append((area * years + year).astype(np.int16))
        amounts.append(money)
        if with_days:
            cells.append((days_at + year).astype(np.int16))
            amounts.append(days)
        if rules.warm_days is not None and warm is not None:
            cells.append((days_at + years + year).astype(np.int16))
            amounts.append(warm)
    return tuple(cells), tuple(amounts)


def limit_rows(money_limit: Floats, days_limit: Floats | None, rules: Rules) -> tuple[Floats, Floats]:
    """Which cells each limit adds up, and the limits: money, crew days, warm days, money not kept for an area."""
    years, areas = len(money_limit), _areas(rules)
    each = np.eye(years)
    upto = np.tril(np.ones((years, years))) if rules.carry_over else each
    blank = np.zeros((years, years))
    limit = np.cumsum(money_limit) if rules.carry_over else money_limit.copy()
    rows = [np.hstack([*[upto] * (areas + 1), blank, blank])]
    limits = [limit]
    if days_limit is not None:
        rows.append(np.hstack([*[blank] * (areas + 1), each, blank]))
        limits.append(np.asarray(days_limit, dtype=np.float64) * (1 + ROUNDING))
    if rules.warm_days is not None:
        rows.append(np.hstack([*[blank] * (areas + 1), blank, each]))
        limits.append(np.asarray(rules.warm_days, dtype=np.float64) * (1 + ROUNDING))
    for area, kept in enumerate(rules.kept if rules.kept is not None else ()):
        kept = np.cumsum(kept) if rules.carry_over else kept
        rows.append(np.hstack([*(blank if k == area + 1 else upto for k in range(areas + 1)), blank, blank]))
        limits.append(np.maximum(limit - kept, 0.0))
    return np.vstack(rows), np.concatenate(limits)


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
    none = np.full(decks, -1, dtype=np.intp)
    problem = _pose(options, decks, none, money_limit, days_limit, rules)
    worth = options.value.astype(np.float64, copy=True)
    if len(problem.owner):
        near = find_prices(problem, 1e-3, near)[0][1]
        per_cell = problem.rows.T @ near
        for cell, amount in zip(*_cells(options, rules, len(money_limit), days_limit is not None), strict=True):
            worth -= per_cell[cell] * amount
    return worth, near


def solve_whole(
    options: Options,
    *,
    decks: int,
    money_limit: Floats,
    days_limit: Floats | None,
    rules: Rules,
    gap: float,
    time_limit_s: float,
) -> tuple[float, float] | None:
    """Value and bound of the mixed-integer solver alone, for comparison; None where it finds nothing in its time."""
    none = np.full(decks, -1, dtype=np.intp)
    problem = _pose(options, decks, none, np.asarray(money_limit, dtype=np.float64), days_limit, rules)
    begin = np.zeros(0, dtype=np.intp)
    answer = solve_in_child(
        problem, begin, gap=gap, branches=2_000_000_000, time_limit_s=time_limit_s, effort=SOLVERS_OWN_EFFORT
    )
    if answer is None or not problem.fits(answer.taken):
        return None
    return float(problem.value[answer.taken].sum()), answer.bound


def _pose(
    options: Options,
    decks: int,
    base: Whole,
    money_limit: Floats,
    days_limit: Floats | None,
    rules: Rules,
) -> Problem:
    """The options that can matter, those of forced decks as exchanges for the cheapest."""
    years = len(money_limit)
    rows, limits = limit_rows(money_limit, days_limit, rules)
    cells, amounts = _cells(options, rules, years, days_limit is not None)
    held = base[options.deck]
    exchange = held >= 0
    value = options.value

    group, opening, opening_cell, room = route_groups(rules, decks, years)
    first = base[base >= 0]
    if len(first):
        per_cell = np.zeros(rows.shape[1])
        for cell, amount in zip(cells, amounts, strict=True):
            per_cell += np.bincount(cell[first], amount[first], len(per_cell))
        if len(opening):
            mine = first[group[options.deck[first]] >= 0]
            at = group[options.deck[mine]], options.year[mine]
            paid = np.zeros(opening.shape, dtype=bool)
            paid[at] = True
            per_cell += np.bincount(opening_cell[paid], opening[paid], len(per_cell))
            opening = np.where(paid, 0.0, opening)
            if room is not None:
                room = room.copy()
                np.subtract.at(room, at, 1)
                room = np.maximum(room, 0)  # the engineer's own lines may pass it
        limits = limits - rows @ per_cell
        group = np.where(base >= 0, -1, group)
        value = value - np.where(exchange, value[held], 0.0)
        amounts = tuple(amount - np.where(exchange, amount[held], 0.0) for amount in amounts)

    usable = np.ones(len(options), dtype=bool)
    fits = np.ones(len(options), dtype=bool)
    least = np.full(rows.shape[1], np.inf)
    for row, limit in zip(rows, limits, strict=True):
        least = np.where(row > 0, np.minimum(least, limit), least)
    for cell, amount in zip(cells, amounts, strict=True):
        usable &= amount >= 0
        fits &= amount <= np.maximum(least[cell], 0.0)
    keep = fits & ((value > 0) | ~usable) & (held != np.arange(len(options)))
    if options.later is not None:
        keep &= ~(exchange & (options.later >= 0))
    order = np.flatnonzero(keep)
    if len(opening):
        keys = options.year[order].astype(np.int64)
        if options.later is not None:
            keys = keys * (years + 1) + options.later[order] + 1
        order = order[np.lexsort((keys, options.deck[order], group[options.deck[order]]))]
    deck = options.deck[order]
    new = np.diff(deck, prepend=-1) != 0
    return Problem(
        order,
        np.cumsum(new) - 1,
        np.flatnonzero(new),
        value[order],
        tuple(cell[order] for cell in cells),
        tuple(amount[order] for amount in amounts),
        options.year[order],
        None if options.later is None else options.later[order],
        rows,
        limits,
        years,
        None if usable[order].all() else usable[order],
        group[deck[new]],
        opening,
        opening_cell,
        room,
    )


def route_groups(rules: Rules, decks: int, years: int) -> tuple[Whole, Floats, Whole, Whole | None]:
    """Group of each deck (its route), its set-up by year, the cell that pays it, works it can have.

    The set-up of a route with decks of several areas comes out of money that is kept for none.
    """
    none = np.full(decks, -1, dtype=np.int64)
    empty = np.zeros((0, years))
    if rules.route is None or (rules.set_up <= 0 and rules.most_on_route <= 0):
        return none, empty, empty.astype(np.int64), None
    route = np.asarray(rules.route, dtype=np.int64)
    area = none if rules.area is None or not _areas(rules) else np.asarray(rules.area, dtype=np.int64)
    has = route >= 0
    if not has.any():
        return none, empty, empty.astype(np.int64), None
    routes, number = np.unique(route[has], return_inverse=True)
    group = none.copy()
    group[has] = number
    lowest, highest = np.full(len(routes), np.iinfo(np.int64).max), np.full(len(routes), -1)
    np.minimum.at(lowest, number, area[has])
    np.maximum.at(highest, number, area[has])
    payer = np.where(lowest == highest, lowest, -1)
    opening = np.full((len(routes), years), float(rules.set_up))
    cell = (payer + 1)[:, None] * years + np.arange(years)
    room = np.full((len(routes), years), rules.most_on_route, dtype=np.int64) if rules.most_on_route > 0 else None
    return group, opening, cell, room


def _from_start(problem: Problem, options: Options, start: Whole | None) -> Whole:
    """The start as picks of the problem; nothing where it passes a limit."""
    none = np.full(problem.decks, -1, dtype=np.intp)
    if start is None:
        return none
    chosen = np.flatnonzero(start[options.deck[problem.origin]] == problem.origin)
    pick = none.copy()
    pick[problem.owner[chosen]] = chosen
    return pick if problem.fits(chosen) else none


# ---- closing the gap on small networks ------------------------------------------------------------


def _close(
    problem: Problem,
    prices: Floats,
    pick: Whole,
    value: float,
    bound: float,
    base_value: float,
    gap: float,
    time_limit_s: float,
) -> tuple[Whole, float, float, bool]:
    """Search, then the solver in a child process. Returns picks, value, bound, and whether the clock struck."""
    if problem.usable is None:
        pick, proven = search(problem, prices, pick, SEARCH_STEPS)
        value = _value(problem, pick)
        if proven:
            return pick, value, value, False
        for together in range(2, min(problem.years, 4)):
            pick = improve(problem, prices, pick, together, (1 - gap) * (bound + base_value) - base_value)
            value = _value(problem, pick)
            if _gap(value + base_value, bound + base_value) <= gap:
                return pick, value, bound, False
    hit = False
    fine = problem.decks < TRY_ALL_BELOW and gap < FAR * FINE
    for branches, parts, seconds in FINE_ROUNDS if fine else ROUNDS:
        pick, value, bound, late = _by_child(
            problem, prices, pick, value, bound, base_value, gap, branches, parts, seconds * time_limit_s
        )
        hit = hit or late
        if _gap(value + base_value, bound + base_value) <= (gap if fine else max(FAR, gap)):
            break
    return pick, value, bound, hit


def _by_child(
    problem: Problem,
    prices: Floats,
    pick: Whole,
    value: float,
    bound: float,
    base_value: float,
    gap: float,
    branches: int,
    parts: int,
    time_limit_s: float,
) -> tuple[Whole, float, float, bool]:
    """The solver in child processes, from the programme known, over the options that can still matter.

    One works on the whole problem, and gives the bound; beside it another chooses parts of the network anew.
    """
    worth = problem.worth(prices)
    at_prices = problem.settle(worth, prices)[0] + float(prices @ problem.limits)
    slack = 1e-9 * max(at_prices, 1.0)
    # an option that costs more than the distance from bound to programme cannot lead to a better programme
    keep = problem.losses(worth, prices) <= at_prices - value + slack
    keep[pick[pick >= 0]] = True
    small = problem.part(keep)
    place = np.cumsum(keep) - 1
    begin = place[pick[pick >= 0]]
    fine = gap * 0.5 * (value + base_value) / max(value, 1e-300)
    most = max(branches // max(len(small.owner), 1), 50)
    with ThreadPoolExecutor(2) as pool:
        whole = pool.submit(solve_in_child, small, begin, gap=fine, branches=most, time_limit_s=time_limit_s)
        anew = pool.submit(
            solve_in_child, small, begin, gap=fine, branches=PART_BRANCHES, time_limit_s=time_limit_s, rounds=parts
        )
        answers = [whole.result(), anew.result()]
    for answer in answers:
        if answer is None:
            continue
        back = np.flatnonzero(keep)[answer.taken]
        new = np.full(problem.decks, -1, dtype=np.intp)
        new[problem.owner[back]] = back
        fits = len(np.unique(problem.owner[back])) == len(back) and problem.fits(back)
        if fits and (worth_new := _value(problem, new)) > value:
            pick, value = new, worth_new
    for answer in answers:
        if answer is not None:
            bound = min(bound, answer.bound + slack)
    return pick, value, max(bound, value), any(answer is None or answer.time_limit_hit for answer in answers)

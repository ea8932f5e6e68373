"""Which option each deck takes, under yearly limits of money and crew days, with a proven bound.

Maximise the value of the options taken, at most one a deck, within each year's money and crew days.

1. A price on each year's money and crew days splits the network into single decks: each takes what is worth
   most at those prices, or nothing. For any prices the sum is an upper bound; the lowest such bound is sought
   with cutting planes inside a box round the best prices so far.
2. At each of the best price vectors a programme is built: decks are shifted out of over-full years at the
   least loss, what is left of each year is filled, and options are exchanged for better ones.
3. Where bound and programme are still apart, a search over the decks whose choice is open, cut by the loss
   each choice brings at the best prices, up to a fixed number of steps; first over all years, then anew over
   two or three years at a time with the others as they are.
4. On small networks, where one job fills much of a year, a mixed-integer solver in a child process carries on.

Steps 1 to 3 know no clock: they stop at fixed counts. Step 4 stops at a fixed number of branches; the time
limit is there for slow machines, and where it strikes `Choice.time_limit_hit` says so, since then another
machine may find another programme. The bound is proven in every case.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from decknet.errors import BudgetError
from decknet.schedule.milp import solve_in_child
from decknet.schedule.prices import SAMPLE_DECKS, Problem, find_prices

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Choice", "Options", "choose_options"]

ROUNDING = 1e-9  # part of a limit of crew days by which a sum of tenths may pass it; money has no such play
PRICE_VECTORS = 12
POOL = 300_000  # options looked at when filling
SEARCH_STEPS = 150_000
GROUP_STEPS = 20_000  # the same for a few years at a time
GROUPS = 45
CHILD_BELOW = 4_000  # decks; from there on the prices alone come within about a tenth of a percent
CHILD_BRANCHES = 2_000_000  # options times branches


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
    """

    deck: Whole
    year: Whole
    money: Floats
    days: Floats
    value: Floats

    def __len__(self) -> int:
        return len(self.deck)


@dataclass(frozen=True, slots=True)
class Choice:
    """What is taken, and how good it is.

    Attributes
    ----------
    taken : array, shape (decks,), index of the option taken; -1 for none
    value : sum of the values taken
    bound : proven upper bound of that sum, >= value
    gap : (bound - value) / bound, 0 to 1
    money_price : array, shape (years,), value bought by the next unit of money in the relaxed problem
    days_price : array, shape (years,), the same for a crew day
    time_limit_hit : the clock ended the search, so that another machine may find another programme
    """

    taken: Whole
    value: float
    bound: float
    gap: float
    money_price: Floats
    days_price: Floats
    time_limit_hit: bool


def choose_options(
    options: Options,
    *,
    decks: int,
    money_limit: Floats,
    days_limit: Floats | None = None,
    forced: Flags | None = None,
    start: Whole | None = None,
    gap: float = 0.001,
    time_limit_s: float = 60.0,
) -> Choice:
    """Take at most one option a deck so that no year's limit is passed and the value is greatest.

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
        A programme known to be within the limits, as `Choice.taken`; the answer is never worse.
    gap : float, 0 to 1
        Gap at which the search stops.
    time_limit_s : float, s
        Longest run of the child process.

    Returns
    -------
    Choice

    Raises
    ------
    BudgetError
        The cheapest options of the forced decks do not fit together.
    """
    base = _cheapest(options, decks, forced)
    held = base[base >= 0]
    years = len(money_limit)
    money_left = np.asarray(money_limit, dtype=np.float64) - np.bincount(options.year[held], options.money[held], years)
    days_left = None
    if days_limit is not None:
        days_left = np.asarray(days_limit, dtype=np.float64) * (1 + ROUNDING)
        days_left = days_left - np.bincount(options.year[held], options.days[held], years)
    for left, what in ((money_left, "money"), (days_left, "crew days")):
        if left is not None and (left < 0).any():
            year = int(np.flatnonzero(left < 0)[0])
            raise BudgetError(
                f"year {year + 1} of the programme: the lines that must be in it need {-left[year]:,.0f} more {what} "
                "than there is. Raise the limit or take a pin away."
            )

    problem = _pose(options, base, money_left, days_left)
    zero = np.zeros(years)
    base_value = float(options.value[held].sum())
    if not len(problem.owner):
        return Choice(base, base_value, base_value, 0.0, zero, zero, False)

    pick = _from_start(problem, options, start)
    value = _value(problem, pick)
    tolerance = min(1e-5, 0.02 * gap) if gap > 0 else 1e-7
    trials = find_prices(problem, tolerance)
    bound, prices = trials[0]
    goal = gap * 0.5 if problem.decks < SAMPLE_DECKS else gap
    for _, trial in trials[:PRICE_VECTORS]:
        tried = _programme_at(problem, trial)
        if (worth := _value(problem, tried)) > value:
            pick, value = tried, worth
        if _gap(value + base_value, bound + base_value) <= (0.0 if problem.decks < CHILD_BELOW else goal):
            break
    hit = False
    if problem.decks < CHILD_BELOW and _gap(value + base_value, bound + base_value) > gap:
        pick, value, bound, hit = _close(problem, prices, pick, value, bound, base_value, gap, time_limit_s)

    taken = base.copy()
    mine = pick[pick >= 0]
    taken[options.deck[problem.origin[mine]]] = problem.origin[mine]
    total = float(options.value[taken[taken >= 0]].sum())
    top = max(bound + base_value, total)
    days_price = prices[years:] if problem.days is not None else zero
    return Choice(taken, total, top, _gap(total, top), prices[:years], days_price, hit)


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


def _pose(options: Options, base: Whole, money_limit: Floats, days_limit: Floats | None) -> Problem:
    """The options that can matter, those of forced decks as exchanges for the cheapest."""
    held = base[options.deck]
    exchange = held >= 0
    money, value, days = options.money, options.value, options.days
    if exchange.any():
        money = money - np.where(exchange, money[held], 0.0)
        value = value - np.where(exchange, value[held], 0.0)
        days = days - np.where(exchange, days[held], 0.0)
    keep = (money <= money_limit[options.year]) & (held != np.arange(len(options)))
    usable = None
    if days_limit is None:
        keep &= value > 0
    elif (days < 0).any():  # an exchange that sets days free may be worth taking at a loss
        keep &= (value > 0) | (days < 0)
        usable = days >= 0
    else:
        keep &= (value > 0) & (days <= days_limit[options.year])
    whole = Problem(
        np.arange(len(options)),
        np.asarray(options.deck),
        np.zeros(0, dtype=np.intp),
        options.year,
        money,
        None if days_limit is None else days,
        value,
        money_limit,
        days_limit,
        usable,
    )
    return whole.part(keep)


def _from_start(problem: Problem, options: Options, start: Whole | None) -> Whole:
    """The start as picks of the problem; nothing where it passes a limit."""
    none = np.full(problem.decks, -1, dtype=np.intp)
    if start is None:
        return none
    chosen = np.flatnonzero(start[options.deck[problem.origin]] == problem.origin)
    pick = none.copy()
    pick[problem.owner[chosen]] = chosen
    return pick if (problem.loads(chosen) <= problem.limits).all() else none


# --- a programme at given prices -------------------------------------------------------------------------


def _programme_at(problem: Problem, prices: Floats) -> Whole:
    """Picks within every limit, guided by the prices."""
    worth = problem.worth(prices)
    if problem.usable is not None:
        worth = np.where(problem.usable, worth, -np.inf)
    best, pick = problem.best(worth)
    load = problem.loads(pick[pick >= 0])
    for drop_only in (False, True):
        for year in range(problem.years):
            _shift(problem, worth, pick, load, year, drop_only)
    pool = np.arange(len(worth)) if problem.usable is None else np.flatnonzero(problem.usable)
    if len(worth) > POOL:
        loss = best[problem.owner] - worth
        pool = np.flatnonzero(loss <= np.partition(loss, POOL)[POOL])
    _fill(problem, worth, pick, load, pool)
    return pick


def _rows_of(problem: Problem, year: int) -> list[int]:
    return [year] if problem.days is None else [year, problem.years + year]


def _shift(problem: Problem, worth: Floats, pick: Whole, load: Floats, year: int, drop_only: bool) -> None:
    """Move decks out of an over-full year, or drop them, at the least loss for what they free. In place."""
    limits = problem.limits
    rows = _rows_of(problem, year)
    over = {row: load[row] - limits[row] for row in rows if load[row] > limits[row]}
    if not over:
        return
    needs = [problem.money] if problem.days is None else [problem.money, problem.days]
    picked = np.flatnonzero(pick >= 0)
    picked = picked[problem.year[pick[picked]] == year]
    current = pick[picked]
    freed = sum(np.minimum(needs[rows.index(row)][current] / by, 1.0) for row, by in over.items())
    score = worth[current] / np.maximum(freed, 1e-12)
    move = np.full(len(picked), -1, dtype=np.intp)
    if not drop_only:
        ends = np.append(problem.first[1:], len(problem.owner))
        sizes = ends[picked] - problem.first[picked]
        heads = np.cumsum(sizes) - sizes
        other = np.arange(int(sizes.sum())) - np.repeat(heads, sizes) + np.repeat(problem.first[picked], sizes)
        mine = np.repeat(current, sizes)
        same = problem.year[other] == year
        fits = np.ones(len(other), dtype=bool)
        for k, need in enumerate(needs):
            room = (
                limits[k * problem.years : (k + 1) * problem.years] - load[k * problem.years : (k + 1) * problem.years]
            )
            fits &= np.where(same, need[other] <= need[mine], need[other] <= room[problem.year[other]])
        gained = sum(
            np.clip((needs[rows.index(row)][mine] - np.where(same, needs[rows.index(row)][other], 0.0)) / by, 0.0, 1.0)
            for row, by in over.items()
        )
        fits &= (gained > 0) & np.isfinite(worth[other])
        cost = np.where(fits, (worth[mine] - worth[other]) / np.maximum(gained, 1e-12), np.inf)
        least = np.minimum.reduceat(cost, heads) if len(heads) else cost
        at = np.flatnonzero(cost <= np.repeat(least, sizes))
        at = at[np.diff(np.repeat(np.arange(len(picked)), sizes)[at], prepend=-1) > 0]
        better = least < score
        move[better] = other[at][better]
        score = np.minimum(score, least)
    for place in np.argsort(score, kind="stable"):
        old, new = current[place], move[place]
        if new >= 0:
            target = int(problem.year[new])
            if target != year and any(
                load[row] + need[new] > limits[row] for row, need in zip(_rows_of(problem, target), needs, strict=True)
            ):
                continue
        for row, need in zip(rows, needs, strict=True):
            load[row] -= need[old]
        if new >= 0:
            for row, need in zip(_rows_of(problem, target), needs, strict=True):
                load[row] += need[new]
        pick[picked[place]] = new
        if all(load[row] <= limits[row] for row in rows):
            break
    load[:] = problem.loads(pick[pick >= 0])


def _fill(problem: Problem, worth: Floats, pick: Whole, load: Floats, pool: Whole) -> None:
    """Take further options and better ones while they fit, the least loss at the prices first. In place."""
    limits = problem.limits
    years = problem.years
    needs = [problem.money] if problem.days is None else [problem.money, problem.days]
    owner, year = problem.owner[pool], problem.year[pool]
    least = 1e-12 * float(np.max(np.abs(problem.value)))
    for _ in range(60):
        current = pick[owner]
        has = current >= 0
        same = has & (problem.year[current] == year)
        fits = problem.value[pool] - np.where(has, problem.value[current], 0.0) > least
        for k, need in enumerate(needs):
            room = limits[k * years : (k + 1) * years] - load[k * years : (k + 1) * years]
            fits &= need[pool] - np.where(same, need[current], 0.0) <= room[year]
        at = np.flatnonzero(fits)
        if not len(at):
            return
        gain = worth[pool[at]] - np.where(has[at], worth[current[at]], 0.0)
        done: set[int] = set()
        for place in at[np.argsort(-gain, kind="stable")][:20_000]:
            new, deck = int(pool[place]), int(owner[place])
            if deck in done:
                continue
            old, target = int(pick[deck]), int(problem.year[new])
            stays = old >= 0 and int(problem.year[old]) == target
            if any(
                load[row] + need[new] - (need[old] if stays else 0.0) > limits[row]
                for row, need in zip(_rows_of(problem, target), needs, strict=True)
            ):
                continue
            for k, need in enumerate(needs):
                if old >= 0:
                    load[k * years + int(problem.year[old])] -= need[old]
                load[k * years + target] += need[new]
            pick[deck] = new
            done.add(deck)
        load[:] = problem.loads(pick[pick >= 0])
        if not done:
            return


# --- closing the gap on small networks -------------------------------------------------------------------


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
        pick, value, proven = _search(problem, prices, pick, value, bound, SEARCH_STEPS)
        if proven:
            return pick, value, value, False
        for together in range(2, min(problem.years, 4)):
            pick, value = _improve(problem, prices, pick, value, together)
            if _gap(value + base_value, bound + base_value) <= gap:
                return pick, value, bound, False
    worth = problem.worth(prices)
    best, _ = problem.best(worth)
    slack = 1e-9 * max(bound, 1.0)
    keep = (best[problem.owner] - worth) <= bound - value + slack  # a greater loss cannot lead to a better programme
    keep[pick[pick >= 0]] = True
    small = problem.part(keep)
    place = np.cumsum(keep) - 1
    old = pick[pick >= 0]
    begin = np.zeros(len(small.owner))
    begin[place[old]] = 1.0
    answer = solve_in_child(
        owner=small.owner,
        year=small.year,
        money=small.money,
        days=small.days,
        value=small.value,
        money_limit=small.money_limit,
        days_limit=small.days_limit,
        begin=begin,
        gap=gap * 0.5 * (value + base_value) / max(value, 1e-300),
        branches=max(CHILD_BRANCHES // max(len(small.owner), 1), 50),
        time_limit_s=time_limit_s,
    )
    if answer is None:
        return pick, value, bound, True
    bound = min(bound, max(answer.bound + slack, value))
    back = np.flatnonzero(keep)[answer.taken]
    new = np.full(problem.decks, -1, dtype=np.intp)
    new[problem.owner[back]] = back
    fits = len(np.unique(problem.owner[back])) == len(back) and (problem.loads(back) <= problem.limits).all()
    if fits and (worth_new := _value(problem, new)) > value:
        pick, value = new, worth_new
    return pick, value, max(bound, value), answer.time_limit_hit


def _improve(problem: Problem, prices: Floats, pick: Whole, value: float, together: int) -> tuple[Whole, float]:
    """Choose some years anew, the others as they are, until no such group gives more. Returns picks and value."""
    groups = list(combinations(range(problem.years), together))[:GROUPS]
    for _ in range(4):
        before = value
        for group in groups:
            inside = np.zeros(problem.years, dtype=bool)
            inside[list(group)] = True
            fixed = (pick >= 0) & ~inside[problem.year[pick]]
            keep = inside[problem.year] & ~fixed[problem.owner]
            if not keep.any():
                continue
            part = problem.part(keep)
            origin = np.flatnonzero(keep)
            decks = problem.owner[origin[part.first]]
            place = np.cumsum(keep) - 1
            mine = pick[decks]
            old = np.where(mine >= 0, place[mine], -1)
            rows = np.tile(inside, len(prices) // problem.years)
            best, _ = part.best(part.worth(prices))
            bound = float(best.sum() + (prices * part.limits)[rows].sum())
            new, _, _ = _search(part, prices, old, float(part.value[old[old >= 0]].sum()), bound, GROUP_STEPS)
            pick = pick.copy()
            pick[decks] = np.where(new >= 0, origin[new], -1)
        value = _value(problem, pick)
        if value <= before * (1 + 1e-12):
            break
    return pick, value


def _search(
    problem: Problem, prices: Floats, pick: Whole, value: float, bound: float, most_steps: int
) -> tuple[Whole, float, bool]:
    """Depth-first search over the decks whose choice is open, within a number of steps.

    Every programme is worth the bound less the losses of its choices at the prices and less the price of what
    it leaves unspent, so a branch ends once its losses reach the distance from the bound to the best known.

    Returns picks, value, and whether the programme is proven the best.
    """
    worth = problem.worth(prices)
    best, _ = problem.best(worth)
    loss = best[problem.owner] - worth
    tiny = 1e-10 * max(abs(bound), 1e-300)
    reach = bound - value
    ends = np.append(problem.first[1:], len(problem.owner))
    branches: list[tuple[float, int, list[tuple[float, int]]]] = []
    for deck in range(problem.decks):
        lot = [(float(loss[k]), k) for k in range(problem.first[deck], ends[deck]) if loss[k] < reach]
        if best[deck] < reach:
            lot.append((float(best[deck]), -1))
        lot.sort(key=lambda one: (one[0], one[1]))
        if not lot:
            return pick, value, True
        branches.append((-lot[1][0] if len(lot) > 1 else -np.inf, deck, lot))
    branches.sort(key=lambda one: (one[0], one[1]))

    limits = problem.limits.tolist()
    years = problem.years
    year, money, gains = problem.year.tolist(), problem.money.tolist(), problem.value.tolist()
    days = None if problem.days is None else problem.days.tolist()
    load = [0.0] * len(limits)
    way = [-1] * len(branches)
    steps = 0
    best_value, best_way = value, None

    # one frame a deck: position in its lot, loss so far
    depth = 0
    place = [0] * (len(branches) + 1)
    lost = [0.0] * (len(branches) + 1)
    worth_so_far = [0.0] * (len(branches) + 1)

    def put(k: int, sign: float) -> None:
        load[year[k]] += sign * money[k]
        if days is not None:
            load[years + year[k]] += sign * days[k]

    while depth >= 0:
        if depth == len(branches):
            if worth_so_far[depth] > best_value + tiny:
                best_value, best_way = worth_so_far[depth], way.copy()
            depth -= 1
            if depth >= 0 and way[depth] >= 0:
                put(way[depth], -1.0)
            continue
        lot = branches[depth][2]
        if place[depth] >= len(lot) or lost[depth] + lot[place[depth]][0] >= bound - best_value - tiny:
            depth -= 1
            if depth >= 0 and way[depth] >= 0:
                put(way[depth], -1.0)
            continue
        one, k = lot[place[depth]]
        place[depth] += 1
        steps += 1
        if steps > most_steps:
            break
        if k >= 0 and (
            load[year[k]] + money[k] > limits[year[k]]
            or (days is not None and load[years + year[k]] + days[k] > limits[years + year[k]])
        ):
            continue
        if k >= 0:
            put(k, 1.0)
        way[depth] = k
        lost[depth + 1] = lost[depth] + one
        worth_so_far[depth + 1] = worth_so_far[depth] + (gains[k] if k >= 0 else 0.0)
        depth += 1
        place[depth] = 0
    if best_way is not None:
        new = np.full(problem.decks, -1, dtype=np.intp)
        for (_, deck, _), k in zip(branches, best_way, strict=True):
            new[deck] = k
        if (problem.loads(new[new >= 0]) <= problem.limits).all():
            pick, value = new, _value(problem, new)
    return pick, value, steps <= most_steps

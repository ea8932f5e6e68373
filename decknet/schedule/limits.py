"""The limits of a programme as rows of cells, and the problem that the search works on, in whole numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decknet.schedule.options import COINS, DAY_PARTS, whole_amount, whole_value
from decknet.schedule.prices import Problem

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.options import Options, Rules

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]

__all__ = ["areas_of", "cells_of", "limit_rows", "parts_of_rows", "pose_problem", "route_groups"]

ROUNDING = 1e-9  # part of a limit of crew days by which a sum of tenths may pass it; money has no such play


def areas_of(rules: Rules) -> int:
    return 0 if rules.kept is None else len(rules.kept)


def cells_of(
    options: Options, rules: Rules, years: int, with_days: bool
) -> tuple[tuple[Whole, ...], tuple[Floats, ...]]:
    """Which cells each option uses and how much: money by area and year, crew days, warm days.

    Money of decks in no area comes first, then that of each area; then crew days, then warm days, by year.
    """
    areas = areas_of(rules)
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
    years, areas = len(money_limit), areas_of(rules)
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


def parts_of_rows(years: int, rows: int, days_limit: Floats | None, rules: Rules) -> Floats:
    """In how many parts each limit's unit is counted, shape (rows,): coins of money, tenths of days."""
    out = np.full(rows, float(COINS))
    of_days = (days_limit is not None) + (rules.warm_days is not None)
    out[years : years * (1 + of_days)] = DAY_PARTS
    return out


def _whole_cells(
    options: Options, rules: Rules, years: int, with_days: bool
) -> tuple[tuple[Whole, ...], tuple[Floats, ...]]:
    """As `cells_of`, in coins and tenths of days."""
    cells, amounts = cells_of(options, rules, years, with_days)
    days_at = (areas_of(rules) + 1) * years
    whole = []
    for cell, amount in zip(cells, amounts, strict=True):
        of_days = bool(len(cell)) and bool(cell[0] >= days_at)
        whole.append(whole_amount(amount, DAY_PARTS if of_days else COINS))
    return cells, tuple(whole)


def pose_problem(
    options: Options,
    decks: int,
    base: Whole,
    money_limit: Floats,
    days_limit: Floats | None,
    rules: Rules,
) -> Problem:
    """The options that can matter in whole numbers, those of forced decks as exchanges for the cheapest.

    Options stand by deck, then year, then treatment; decks of a route side by side, after all others.
    """
    years = len(money_limit)
    rows, limits = limit_rows(money_limit, days_limit, rules)
    limits = np.floor(np.round(limits * parts_of_rows(years, len(rows), days_limit, rules), 4))
    cells, amounts = _whole_cells(options, rules, years, days_limit is not None)
    held = base[options.deck]
    exchange = held >= 0
    value = whole_value(options.value)

    group, opening, opening_cell, room = route_groups(rules, decks, years)
    opening = whole_amount(opening, COINS)
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
    place = (group[options.deck[order]] + 1) * decks + options.deck[order]
    place = place * years + options.year[order]
    if options.later is not None:
        place = place * (years + 1) + options.later[order] + 1
    order = order[np.argsort(place, kind="stable")]
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
    area = none if rules.area is None or not areas_of(rules) else np.asarray(rules.area, dtype=np.int64)
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

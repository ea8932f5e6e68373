"""What is left of every limit while lines are granted one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decknet.schedule.limits import limit_rows, route_groups
from decknet.schedule.options import SAME

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.options import Options, Rules

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Purse", "in_order"]

REFUSED = 500  # refusals in a row after which the rest of a queue is sieved anew


class Purse:
    """Money, crew days and room on routes that are left, for lines granted one after the other."""

    def __init__(self, decks: int, money_limit: Floats, days_limit: Floats | None, rules: Rules) -> None:
        self.years = len(money_limit)
        self.has_days = days_limit is not None
        self.has_warm = rules.warm_days is not None
        self.areas = 0 if rules.kept is None else len(rules.kept)
        self.area = np.full(decks, -1) if rules.area is None or not self.areas else np.asarray(rules.area)
        self.rows, limits = limit_rows(money_limit, days_limit, rules)
        self._rows_of = [np.flatnonzero(column).tolist() for column in self.rows.T]
        self.left = limits.tolist()
        self.group, self.opening, self._opening_cell, room = route_groups(rules, decks, self.years)
        self.room = None if room is None else room.copy()
        self.paid = np.zeros(self.opening.shape, dtype=bool)

    def uses(self, deck: int, year: int, money: float, days: float, warm: float) -> dict[int, float]:
        """What a line takes of each limit, its set-up included where that is not yet paid."""
        at = (self.areas + 1) * self.years
        parts = [((int(self.area[deck]) + 1) * self.years + year, money)]
        if self.has_days:
            parts.append((at + year, days))
        if self.has_warm:
            parts.append((at + self.years + year, warm))
        group = int(self.group[deck])
        if group >= 0 and not self.paid[group, year]:
            parts.append((int(self._opening_cell[group, year]), float(self.opening[group, year])))
        out: dict[int, float] = {}
        for cell, amount in parts:
            for row in self._rows_of[cell]:
                out[row] = out.get(row, 0.0) + amount
        return out

    def short(self, uses: dict[int, float]) -> dict[int, float]:
        """By how much each limit would be passed."""
        return {row: by - self.left[row] for row, by in uses.items() if by > self.left[row]}

    def has_room(self, deck: int, year: int) -> bool:
        """Whether the deck's route can have another work in the year."""
        group = int(self.group[deck])
        return self.room is None or group < 0 or bool(self.room[group, year] > 0)

    def take(self, deck: int, year: int, uses: dict[int, float]) -> None:
        """Grant a line."""
        for row, by in uses.items():
            self.left[row] -= by
        group = int(self.group[deck])
        if group >= 0:
            self.paid[group, year] = True
            if self.room is not None:
                self.room[group, year] -= 1

    def kind(self, row: int) -> tuple[str, int]:
        """What a limit is of (money, crew days, warm crew days, money not kept), and its year."""
        kinds = ["money", *["crew days"] * self.has_days, *["crew days of the warm season"] * self.has_warm]
        place = row // self.years
        return (kinds[place] if place < len(kinds) else "money that is not kept for an area"), row % self.years


def in_order(
    options: Options,
    key: Floats,
    money_limit: Floats,
    days_limit: Floats | None,
    rules: Rules,
    forced: Flags,
) -> Whole:
    """A yardstick: year by year the decks in a fixed order, each its cheapest treatment, until the money is out.

    Lines that must be in come first, as in the programme itself. A deck that does not fit is passed over
    and the next tried.

    Parameters
    ----------
    options : Options
        Those with a second work are not looked at.
    key : array, shape (decks,), greatest first
    money_limit, days_limit, rules, forced : as `choose_options`

    Returns
    -------
    array, shape (decks,), index of the option taken; -1 for none
    """
    taken = np.full(len(key), -1, dtype=np.intp)
    purse = Purse(len(key), money_limit, days_limit, rules)
    single = np.arange(len(options)) if options.later is None else np.flatnonzero(options.later < 0)
    order = single[
        np.lexsort((options.days[single], options.money[single], options.year[single], options.deck[single]))
    ]
    spot = options.deck[order].astype(np.int64) * len(money_limit) + options.year[order]
    cheapest = order[np.diff(spot, prepend=-1) > 0]  # one option a deck and year
    warm = np.zeros(len(options)) if options.warm_days is None else options.warm_days

    def grant(option: int, must: bool) -> bool:
        deck, year = int(options.deck[option]), int(options.year[option])
        uses = purse.uses(deck, year, float(options.money[option]), float(options.days[option]), float(warm[option]))
        if not must and (purse.short(uses) or not purse.has_room(deck, year)):
            return False
        purse.take(deck, year, uses)
        taken[deck] = option
        return True

    for option in cheapest[forced[options.deck[cheapest]]].tolist():
        grant(option, True)
    per_row = purse.rows > 0
    years = len(money_limit)
    for year in range(years):
        queue = cheapest[(options.year[cheapest] == year) & (taken[options.deck[cheapest]] < 0)]
        queue = queue[np.lexsort((options.deck[queue], -np.round(key, SAME)[options.deck[queue]]))]
        while len(queue):
            left = np.array(purse.left)
            cell = [min(left[per_row[:, c]], default=0.0) for c in range(year, (purse.areas + 1) * years, years)]
            fits = options.money[queue] <= np.array(cell)[purse.area[options.deck[queue]] + 1]
            if purse.has_days:
                fits &= options.days[queue] <= left[years + year]
            queue = queue[fits]
            refused = done = 0
            for option in queue.tolist():
                done += 1
                refused = 0 if grant(option, False) else refused + 1
                if refused > REFUSED:
                    break
            queue = queue[done:]
    return taken

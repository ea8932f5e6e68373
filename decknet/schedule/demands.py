"""Lines that must be in: the engineer's pins, and decks that cannot wait; and what clashes where they do not fit."""

from __future__ import annotations

from copy import deepcopy
from typing import TYPE_CHECKING

import numpy as np

from decknet.errors import BudgetError
from decknet.schedule.options import SAME
from decknet.schedule.treatments import Works, work_out

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    import numpy.typing as npt
    import pandas as pd

    from decknet.schedule.decks import Decks
    from decknet.schedule.purse import Purse
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["barred_decks", "or_holding", "pin_lines", "pinned_decks", "set_up_share", "urgent_decks", "urgent_lines"]

HOLDING = "patch"  # what a deck that cannot wait gets where no treatment is meant for its share


def urgent_decks(frame: pd.DataFrame) -> Flags:
    """Which decks cannot wait."""
    if "urgent" not in frame:
        return np.zeros(len(frame), dtype=bool)
    return np.asarray((frame["urgent"].notna() & (frame["urgent"].astype(str).str.strip() != "")).to_numpy(dtype=bool))


def barred_decks(ids: list[str], bars: Collection[str], pins: Mapping[str, object]) -> Flags:
    """Which decks get no line, checked."""
    place = {name: i for i, name in enumerate(ids)}
    out = np.zeros(len(ids), dtype=bool)
    for name in sorted(bars):
        if name not in place:
            raise BudgetError(f"barred deck {name}: not among the decks. Correct its id.")
        if name in pins:
            raise BudgetError(f"deck {name} is both pinned and barred. Take one of the two away.")
        out[place[name]] = True
    return out


def pinned_decks(
    ids: list[str], pins: Mapping[str, tuple[int, str | None]], first_year: int, years: int, names: list[str]
) -> dict[int, tuple[int, int]]:
    """Deck -> (year index, treatment index or -1), checked."""
    place = {name: i for i, name in enumerate(ids)}
    out: dict[int, tuple[int, int]] = {}
    for name in sorted(pins):
        year, treatment = pins[name]
        if name not in place:
            raise BudgetError(f"pinned deck {name}: not among the decks. Correct its id.")
        if not first_year <= year < first_year + years:
            raise BudgetError(
                f"pinned deck {name}: {year} is no year of the programme ({first_year} to {first_year + years - 1})."
            )
        if treatment is not None and treatment not in names:
            raise BudgetError(f"pinned deck {name}: {treatment!r} is not a treatment. Known: {', '.join(names)}.")
        out[place[name]] = (year - first_year, -1 if treatment is None else names.index(treatment))
    return out


def set_up_share(purse: Purse) -> Floats:
    """Money of a set-up that each deck shares with others on its route, shape (decks,)."""
    if not len(purse.opening):
        return np.zeros(len(purse.group))
    return np.asarray(np.where(purse.group >= 0, purse.opening[np.maximum(purse.group, 0), 0], 0.0))


def pin_lines(
    ids: list[str],
    decks: Decks,
    pinned: dict[int, tuple[int, int]],
    names: list[str],
    first_year: int,
    purse: Purse,
    settings: Settings,
) -> dict[int, Flags]:
    """What each pinned deck may take, shape (treatments, years) a deck; the cheapest is taken out of the purse."""
    out: dict[int, Flags] = {}
    if not pinned:
        return out
    rows = np.array(sorted(pinned), dtype=np.intp)
    works = work_out(decks.part(rows), names, purse.years, settings)
    share = set_up_share(purse)
    cheapest: dict[int, tuple[float, float, float]] = {}
    for i, row in enumerate(rows.tolist()):
        year, treatment = pinned[row]
        if np.isnan(decks.area_m2[row]) or np.isnan(decks.share[row]):
            raise BudgetError(
                f"pinned deck {ids[row]}: its area or unsound share is not known, so it cannot be costed. "
                "Bring in its length and width, or a survey."
            )
        allowed = np.zeros((len(names), purse.years), dtype=bool)
        if treatment >= 0:
            allowed[treatment, year] = True
        else:
            allowed[:, year] = works.permitted[i, :, year]
        if not allowed.any():
            raise BudgetError(
                f"pinned deck {ids[row]}: no treatment is meant for {100 * works.share_before[i, 0, year]:.1f} % "
                f"unsound in {first_year + year}. Name the treatment in the pin, or take the pin away."
            )
        cheapest[row] = _cheapest(works, i, allowed, names, share[row], settings)
        out[row] = allowed
    for row in rows.tolist():
        year = pinned[row][0]
        uses = purse.uses(row, year, *cheapest[row])
        short = purse.short(uses)
        if short or not purse.has_room(row, year):
            raise BudgetError(_clash(ids, row, pinned, cheapest, short, first_year, purse, settings))
        purse.take(row, year, uses)
    return out


def _clash(
    ids: list[str],
    row: int,
    pinned: dict[int, tuple[int, int]],
    cheapest: dict[int, tuple[float, float, float]],
    short: dict[int, float],
    first_year: int,
    purse: Purse,
    settings: Settings,
) -> str:
    """Which pins clash with which limit, and the smallest change that would fit."""
    year = pinned[row][0]
    mine = [r for r in sorted(pinned) if pinned[r][0] == year]
    free = deepcopy(purse)
    for r in sorted(pinned):
        if r > row and pinned[r][0] != year:  # pins of other years that come after this one
            free.take(r, pinned[r][0], free.uses(r, pinned[r][0], *cheapest[r]))
    elsewhere = [
        y
        for y in range(purse.years)
        if y != year and not free.short(free.uses(row, y, *cheapest[row])) and free.has_room(row, y)
    ]
    move = f", or pin {ids[row]} to {first_year + elsewhere[0]}, which has room for it" if elsewhere else ""
    if not short:
        return (
            f"pinned deck {ids[row]}: its route has {settings.programme.most_on_route} works in {first_year + year} "
            f"already (programme.most_on_route). The smallest change that fits: allow one more{move}, "
            "or take a pin away."
        )
    limit, by = max(short.items(), key=lambda one: one[1])
    what, at = purse.kind(limit)
    # what the pins after this one need besides
    later = mine[mine.index(row) + 1 :]
    which = 0 if what.startswith("money") else 1
    by += sum(cheapest[r][which] for r in later)
    amount = f"{by:,.0f} {settings.currency}" if which == 0 else f"{by:,.1f} {what}"
    pins = "; ".join(
        f"{ids[r]} {cheapest[r][0]:,.0f} {settings.currency}, {cheapest[r][1]:,.1f} crew days" for r in mine
    )
    large = [r for r in mine if cheapest[r][which] >= by - 1e-9]
    drop = min(large, key=lambda r: (cheapest[r][which], ids[r])) if large else None
    away = f", or take the pin of {ids[drop]} away" if drop is not None else ", or take several pins away"
    kept = " (part of it is kept for an area)" if what.endswith("area") else ""
    return (
        f"pinned deck {ids[row]}: the pinned lines need {amount} more in {first_year + at} than there is{kept}. "
        f"They are {pins}. The smallest change that fits: raise the limit by {amount}{away}{move}."
    )


def _cheapest(
    works: Works, row: int, allowed: Flags, names: list[str], share: float, settings: Settings
) -> tuple[float, float, float]:
    """Money without the shared set-up, crew days and warm days of the cheapest option (then the fewest days)."""
    warm = [settings.treatment[name].warm_only for name in names]
    return min(
        (float(works.money[row, k, y]) - share, float(works.crew_days[row, k, y]), works.crew_days[row, k, y] * warm[k])
        for k, y in np.argwhere(allowed).tolist()
    )


def urgent_lines(
    frame: pd.DataFrame, decks: Decks, rows: Whole, names: list[str], purse: Purse, settings: Settings
) -> dict[int, Flags]:
    """What each deck that cannot wait may take where it can be paid; the cheapest is taken out of the purse."""
    out: dict[int, Flags] = {}
    if not len(rows):
        return out
    if "priority" in frame:
        priority = frame["priority"].to_numpy(dtype=np.float64, na_value=-1.0)[rows]
    else:
        priority = np.zeros(len(rows))
    rows = rows[np.lexsort((rows, -np.round(decks.share[rows], SAME), -np.round(priority, SAME)))]
    works = work_out(decks.part(rows), names, purse.years, settings)
    permitted = or_holding(works.permitted, names)
    share = set_up_share(purse)
    for year in range(purse.years):
        for i, row in enumerate(rows.tolist()):
            if row in out or not purse.has_room(row, year):
                continue
            allowed = np.zeros((len(names), purse.years), dtype=bool)
            allowed[:, year] = permitted[i, :, year]
            uses = purse.uses(row, year, *_cheapest(works, i, allowed, names, share[row], settings))
            if not purse.short(uses):
                purse.take(row, year, uses)
                out[row] = allowed
    return out


def or_holding(permitted: Flags, names: list[str]) -> Flags:
    """Where nothing is permitted the holding repair is: a deck that cannot wait is never left without a choice."""
    out = permitted.copy()
    out[:, names.index(HOLDING), :] |= ~permitted.any(axis=1)
    return out

"""What the cells of a column tell of what it holds: names or numbers, figures or words, metres or feet."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.ingest import values
from decknet.ingest.coded import once

if TYPE_CHECKING:
    from decknet.columns import Column
    from decknet.ingest.mapping import Stated
    from decknet.ingest.table import Table

__all__ = [
    "ITEM",
    "OF_YEAR",
    "UNIT_ASKED",
    "area_unit_unsure",
    "bare_years",
    "condition_years",
    "figures",
    "first_value",
    "holds_figures",
    "holds_names",
    "unit_question",
    "width_unit_unsure",
    "words_of",
]

OF_YEAR = "condition of "  # before the year of a column that holds the conditions of that year
UNIT_ASKED = "?"  # stands for a unit that the user has yet to state
FOOT_M = 0.3048
FEW_WIDTHS, WIDE_M = 5, 20.0  # widths that are too few to tell, and the median above which they are likely in feet
WIDEST_M = 40.0  # the median deck of a network is narrower than this
# The number of an item before or after its name, as lists in the national form have it.
ITEM = re.compile(r"^\s*[\"']?(?:[A-Z]{3})?\d{1,3}[A-D]? - |_[01]\d\d[A-D]?(?=[\"']?\s*$)")
_YEAR = re.compile(r"(?:19|20)\d\d")
_FEW_YEARS = 3
_CONDITION_WORDS = frozenset({"condition", "cond", "index", "bci", "rating", "score", "health"})


def words_of(header: str) -> list[str]:
    """Words of a header: item numbers dropped, capitals inside a word taken for its end.

    Examples
    --------
    >>> words_of("YEAR_BUILT_027"), words_of("27 - Year Built"), words_of("LatConvFinal")
    (['year', 'built'], ['year', 'built'], ['lat', 'conv', 'final'])
    """
    plain = ITEM.sub("", header)
    return normal(re.sub(r"(?<=[a-z])(?=[A-Z])", " ", plain)).split()


def figures(table: Table, index: int) -> np.ndarray:
    """Figures in a column, NaN where a cell is none; shape (n,)."""
    codes, seen = once(table.cells[index])
    read = values.numbers(seen.str.strip("'\" "), np.ones(len(seen), dtype=bool)).value
    return np.where(codes < 0, np.nan, read[codes]) if len(seen) else np.full(len(codes), np.nan)


def holds_figures(table: Table, index: int) -> bool:
    """Whether most cells of a column that hold anything are figures."""
    _, seen = once(table.cells[index])
    seen = seen[seen.str.strip("'\" ") != ""]
    read = values.numbers(seen.str.strip("'\" "), np.ones(len(seen), dtype=bool)).value
    return bool(len(seen)) and float(np.mean(~np.isnan(read))) > 0.9


def first_value(table: Table, index: int) -> str:
    """The first cell of a column that holds anything."""
    body = table.cells[index].astype("str").str.strip()
    given = body[body != ""]
    return given.iloc[0] if len(given) else "none"


def holds_names(table: Table, index: int) -> bool:
    """Whether a column holds what bridges are called and not their numbers: most of its cells are several words.

    Examples
    --------
    >>> from decknet.ingest.table import Table
    >>> cells = pd.DataFrame({0: ["West Street Underpass", "Mill Bridge"], 1: ["B 12", "B 13"]}, dtype="str")
    >>> table = Table("", "", ("structure", "no"), cells, np.array([2, 3]))
    >>> holds_names(table, 0), holds_names(table, 1)
    (True, False)
    """
    _, seen = once(table.cells[index])
    words = seen.str.count(r"[^\W\d_]{3,}")
    return bool(len(seen)) and float((words >= 2).mean()) > 0.5


def bare_years(table: Table) -> dict[int, str]:
    """Columns whose header is a year and nothing else, where there are several; by position."""
    own = len(table.headers) - table.added
    found = {i: h.strip("'\" ") for i, h in enumerate(table.headers[:own]) if _YEAR.fullmatch(h.strip("'\" "))}
    return found if len(found) >= _FEW_YEARS else {}


def condition_years(table: Table, stated: Stated) -> dict[int, str]:
    """Columns headed by a bare year that hold conditions: stated so, in words, or beside a column of condition."""
    found = bare_years(table)
    found = {i: year for i, year in found.items() if table.headers[i] not in stated.columns}
    if stated.years is not None or not found:
        return found if stated.years == "condition" else {}
    heads = {w for i, h in enumerate(table.headers) if i not in found for w in re.split(r"[^a-z]+", h.lower())}
    heads |= {h[-3:] for h in heads if h.endswith("bci")}
    if heads & _CONDITION_WORDS:
        return found
    seen = pd.concat([once(table.cells[i])[1] for i in found], ignore_index=True)
    return found if float(seen.str.contains(r"^'?[^\W\d_]{3,}").mean()) > 0.5 else {}


def area_unit_unsure(table: Table, area: int, length: int | None) -> str:
    """Why an area without a unit may be in square feet, in words; empty where it is likely in square metres."""
    areas = figures(table, area)
    areas = np.where(areas > 0, areas, np.nan)
    if length is None or np.isnan(areas).all():
        return "its unit is not stated"
    lengths = figures(table, length)
    with np.errstate(divide="ignore", invalid="ignore"):
        width = float(np.nanmedian(areas / np.where(lengths > 0, lengths, np.nan)))
    if not np.isfinite(width):
        return "its unit is not stated"
    if width <= WIDEST_M:
        return ""
    return (
        f"its unit is not stated, and as m2 the median deck would be {width:.0f} m wide; as ft2 it would be "
        f"{width * FOOT_M**2:.1f} m"
    )


def width_unit_unsure(table: Table, width: int) -> str:
    """Why a width without a unit may be in feet, in words; empty where it is likely in metres."""
    value = figures(table, width)
    value = value[value > 0]
    if len(value) < FEW_WIDTHS or (median := float(np.median(value))) <= WIDE_M:
        return ""
    return (
        f"its unit is not stated, and as m the median deck would be {median:.0f} m wide; as ft it would be "
        f"{median * FOOT_M:.1f} m"
    )


def unit_question(table: Table, index: int, of: Column, length: int | None) -> str:
    """What the user is asked of the unit of a column."""
    why = "its unit is not stated"
    if of.name == "deck_area_m2":
        why = area_unit_unsure(table, index, length) or why
    if of.name == "width_m":
        why = width_unit_unsure(table, index) or why
    units = {"m2": "m2 or ft2", "m": "m or ft", "mm": "mm or in", "km": "km or mi"}.get(of.unit, of.unit or "none")
    label = table.labels()[index]
    return (
        f'{why}. State it in a mapping file (--map) under [columns]: "{label}" = "{of.name} in UNIT", '
        f"UNIT being {units}."
    )

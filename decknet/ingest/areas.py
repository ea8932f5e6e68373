"""Lists of areas on decks: told from inventories, which alone say how large a deck is; and the area of their sides."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.ingest import values
from decknet.ingest.coded import spelled

if TYPE_CHECKING:
    from decknet.ingest.checks import Floats, Rows
    from decknet.ingest.recognise import Claim
    from decknet.ingest.table import Table

__all__ = ["area_of_sides", "no_inventory"]

# Words of headers that say where on a deck; those of ``_PART`` do only where numbers of bridges repeat.
_ALONG = frozenset({"station", "stations", "sta", "chainage", "offset", "offsets", "stationing", "joint", "abutment"})
_PART = frozenset({"lane", "span", "bay", "panel", "strip"})
_BESIDE = frozenset(
    {
        "m", "mm", "ft", "feet", "foot", "metre", "metres", "meter", "meters", "from", "to", "at", "of", "the", "start",
        "end", "begin", "first", "left", "right", "distance", "dist", "no", "nr", "number", "id",
    }
)  # fmt: skip
_OF_DECK = frozenset({"deck", "structure", "bridge", "out", "span", "roadway"})
# A table of nothing else, whose bridges repeat, is no inventory; with names or years it is one with its rows mixed up.
_BARE = {"bridge_id", "deck_id", "length_m", "width_m", "unit"}
REPEATED = 0.5  # part of the rows of such a table that share their bridge with another, from which it is none; ours
SOME = 0.1  # as ``REPEATED``, where a column of lanes or spans stands beside; ours
_WAY_OUT = (
    "Read it as defects: --as defect, and say what was found and when where the file does not: --set kind=delamination "
    "--set survey_date=2026-05-12; or as repairs: --as repair --set treatment=patch --set repair_date=2026-05-12. If "
    "it is an inventory all the same: --as bridge."
)


def no_inventory(table: Table, claims: dict[str, Claim]) -> str:
    """Why a table that gives lengths and widths of bridges or decks is no inventory of them, and what to do about it.

    A table can say how large decks are only where its rows are unique by bridge, or by deck, and nothing in it is a
    place on a deck.

    Returns
    -------
    str
        Empty where it is one.
    """
    if not {"length_m", "width_m"} & set(claims):
        return ""
    taken = {c.index for name, c in claims.items() if name != "place"}
    free = {i: set(normal(h).split()) - _BESIDE for i, h in enumerate(table.headers) if h and i not in taken}
    known = _ALONG | _PART if (repeats := _repeats(table, claims)) > SOME else _ALONG
    place = next((i for i, words in free.items() if words and words <= known), None)
    if place is not None:
        why = f"{table.headers[place]!r} is a place on a deck, so this is a list of areas and not an inventory"
    elif repeats >= REPEATED and set(claims) <= _BARE:
        why = "most bridges are given in several rows with other sizes, so this is no inventory"
    else:
        return ""
    return f"{why}: it changes no deck's length or width. {_WAY_OUT}"


def _repeats(table: Table, claims: dict[str, Claim]) -> float:
    """Part of the rows that name a bridge or deck that another row gives another size."""
    key = claims.get("deck_id", claims.get("bridge_id"))
    if key is None or len(table.cells) < 3:
        return 0.0
    sizes = [claims[n].index for n in ("length_m", "width_m") if n in claims]
    cells = pd.DataFrame({i: spelled(values.clean(table.cells[i])) for i in (key.index, *sizes)}).drop_duplicates()
    cells = cells[(cells[key.index] != "").to_numpy(dtype=bool)]
    return float(cells.duplicated([key.index], keep=False).mean()) if len(cells) else 0.0


def area_of_sides(rows: Rows) -> Floats | None:
    """Length times width of each row, m2, where these are the sides of an area; None where there is no such pair."""
    sides = ("length_m", "width_m")
    if not rows.has(*sides) or any(set(normal(rows.header(n)).split()) & _OF_DECK for n in sides):
        return None
    length, width = (rows.number(n, ranged=False) for n in sides)
    assert length is not None and width is not None  # noqa: S101, PT018
    wrong = (length <= 0) | (width <= 0)
    rows.fault(wrong, "length_m", "R-RANGE", "the sides of an area are above 0", "Correct the figures.")
    rows.said["area_m2"] = f"{rows.header('length_m')} times {rows.header('width_m')}"
    return np.where(wrong, np.nan, length * width)

"""Lengths, sides and directions as people write them, turned into plain figures; all else is left as it stands."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from decknet.errors import RecordError
from decknet.ingest import values
from decknet.ingest.coded import each

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from decknet.ingest.checks import Rows

__all__ = ["ask_for_origin", "bearings", "feet_and_inches", "sides"]

_FRACTION = r"(?:(?P<top>\d+)\s*/\s*(?P<low>\d+))?"
_FEET = re.compile(
    r"(?P<sign>[+\-−]?)\s*(?P<feet>\d+(?:\.\d+)?)\s*(?:'|’|′|ft\.?|feet|foot)\s*[-–]?\s*"
    rf"(?:(?P<inches>\d+(?:\.\d+)?)?\s*[-–]?\s*{_FRACTION}\s*(?:\"|”|″|''|in\.?|inch(?:es)?))?",
    re.IGNORECASE,
)
_LEFT = r"l|lt|left|links|gauche|izq|izquierda|sinistra|venstre|vänster|左"
_RIGHT = r"r|rt|right|rechts|droite|der|derecha|destra|høyre|højre|höger|右"
_SIDE = re.compile(
    rf"(?:(?P<before>{_LEFT}|{_RIGHT})\b\.?\s*(?P<one>.+)|(?P<two>.+?)\s*\b(?P<after>{_LEFT}|{_RIGHT})\.?)", re.I
)
_FIGURE = re.compile(r"\d[\d.,]*(?:\s*(?:m|ft))?")
_QUADRANT = re.compile(
    r"(?P<from>[NS])\s*(?P<deg>\d+(?:\.\d+)?)\s*(?:°|deg\.?|d)?\s*(?:(?P<min>\d+(?:\.\d+)?)\s*(?:'|’|′|min\.?|m))?\s*"
    r"(?:(?P<sec>\d+(?:\.\d+)?)\s*(?:\"|”|″|''|sec\.?|s))?\s*(?P<to>[EW])",
    re.IGNORECASE,
)
_WORDS = {"north": "n", "south": "s", "east": "e", "west": "w", "bound": "", "nord": "n", "süd": "s", "ost": "e"}
_POINTS = {"n": 0, "nne": 22.5, "ne": 45, "ene": 67.5, "e": 90, "ese": 112.5, "se": 135, "sse": 157.5, "s": 180,
           "ssw": 202.5, "sw": 225, "wsw": 247.5, "w": 270, "wnw": 292.5, "nw": 315, "nnw": 337.5}  # fmt: skip


def feet_and_inches(text: pd.Series) -> pd.Series:
    """Feet with inches as decimal feet, the unit behind them.

    References
    ----------
    derived: 12 inches a foot.

    Examples
    --------
    >>> import pandas as pd
    >>> feet_and_inches(pd.Series(["5'-6\\"", "5 ft 6 in", "7' 1/2\\"", "3.2"], dtype="str")).tolist()
    ['5.5 ft', '5.5 ft', '7.0416667 ft', '3.2']
    """

    return _each(text, r"['’′]|ft|f[oe][oe]t", _feet)


def _feet(cell: str) -> str:
    found = _FEET.fullmatch(cell.strip())
    if found is None or (found["inches"] is None and found["top"] is None and cell.strip()[-1].isalpha()):
        return cell  # feet alone with their unit are read as any figure with its unit
    inches = float(found["inches"] or 0) + (float(found["top"]) / float(found["low"]) if found["top"] else 0.0)
    sign = "-" if found["sign"] in ("-", "−") else ""
    return f"{sign}{float(found['feet']) + inches / 12:.8g} ft"


def sides(text: pd.Series) -> pd.Series:
    """Offsets with their side: left of the centreline negative.

    Examples
    --------
    >>> import pandas as pd
    >>> sides(pd.Series(["3.2 L", "Rt 2.5", "4 left", "-1.5", "1.2 m R"], dtype="str")).tolist()
    ['-3.2', '2.5', '-4', '-1.5', '1.2 m']
    """

    def turned(cell: str) -> str:
        found = _SIDE.fullmatch(cell.strip())
        figure = cell if found is None else _feet((found["one"] or found["two"]).strip())
        if found is None or _FIGURE.fullmatch(figure) is None:
            return cell
        left = re.fullmatch(_LEFT, found["before"] or found["after"], re.I) is not None
        return f"{'-' if left else ''}{figure}"

    return _each(text, r"[A-Za-z左右]", turned)


def bearings(text: pd.Series) -> pd.Series:
    """Bearings in quadrants and points of the compass as degrees clockwise from north.

    References
    ----------
    practice: N 45 E is 45 degrees from north towards east, S 30 W 30 degrees from south towards west, 210 in all.

    Examples
    --------
    >>> import pandas as pd
    >>> bearings(pd.Series(["N 45 E", "S 30 W", "N 10°30' W", "north-east", "271.5"], dtype="str")).tolist()
    ['45', '210', '349.5', '45', '271.5']
    """

    def turned(cell: str) -> str:
        found = _QUADRANT.fullmatch(cell.strip())
        if found is not None:
            angle = float(found["deg"]) + float(found["min"] or 0) / 60 + float(found["sec"] or 0) / 3600
            if angle > 90:
                return cell
            south, west = found["from"].lower() == "s", found["to"].lower() == "w"
            whole = (180 - angle if not west else 180 + angle) if south else (360 - angle if west else angle)
            return f"{whole % 360:.10g}"
        plain = re.sub(r"[\s_.\-]+", "", cell.lower())
        for word, letter in _WORDS.items():
            plain = plain.replace(word, letter)
        return f"{_POINTS[plain]:g}" if plain in _POINTS else cell

    return _each(text, r"[A-Za-z]", turned)


def _each(text: pd.Series, mark: str, turned: Callable[[str], str]) -> pd.Series:
    """A column with cells that show a mark turned; untouched where none does."""

    def change(cells: pd.Series) -> pd.Series:
        at = cells.str.contains(mark, regex=True, case=False).fillna(False).to_numpy(dtype=bool)
        if not at.any():
            return cells
        out = cells.copy()
        out[at] = [turned(str(c)) for c in cells[at]]
        return out

    return each(text, change)


FEW = 4  # stations that are too few to tell from where they are counted


def ask_for_origin(rows: Rows, size: pd.DataFrame) -> None:
    """Stop where every station lies beyond its deck: they are counted from elsewhere than the first joint.

    Parameters
    ----------
    rows : Rows
    size : DataFrame
        length_m of the deck of each row.

    Raises
    ------
    RecordError
        With the least station of the file, as the one to state or to correct.
    """
    names = [n for n in ("from_station_m", "to_station_m", "station_m") if rows.has(n)]
    if not names or rows.stated.origin_station:
        return
    told = []
    for claim in (rows.claims[n] for n in names):
        plain = values.stations(rows.table.cells[claim.index], claim.unit)
        told.append(values.numbers(plain).value * claim.factor)
    stations = np.concatenate(told)
    length = np.concatenate([size["length_m"].to_numpy(dtype=float, na_value=np.nan)] * len(names))
    known = ~np.isnan(stations) & ~np.isnan(length)
    if known.sum() < FEW or np.isnan(told[0]).all() or (stations[known] <= length[known]).any():
        return
    claim = rows.claims[names[0]]
    least_m = stations[known].min()
    least = str(rows.table.cells[claim.index].iloc[int(np.nanargmin(told[0]))]).strip()
    raise RecordError(
        f"{rows.place}, {claim.header}: every station lies beyond its deck (from {least_m:g} m, on decks "
        f"of at most {length[known].max():g} m), so they are not counted from the first joint. State the station of "
        f"the first joint as the file writes it: --set origin_station={least} (the least of them), or in a "
        "mapping file (--map): origin_station."
    )

"""Traffic counts, deck ratings and element quantities: figures of a bridge for a year or a day."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.errors import RecordError
from decknet.ingest import values
from decknet.ingest.coded import each, filled, once
from decknet.ingest.revisions import INSPECTED

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows
    from decknet.ingest.register import Register

__all__ = [
    "check_elements",
    "check_ratings",
    "check_traffic",
    "not_rated",
    "ratings_of_nine",
    "undated",
    "year_of_inspection",
]
OLD_COUNT_YR = 10
_NOT_RATED = ("N", "NR", "N/R", "NOT RATED", "?", "_", "-")
SUM_WITHIN = 0.5  # states that miss their total by more do not add up; quantities are whole numbers


def _bridge(rows: Rows, register: Register) -> pd.Series:
    given = rows.ids("bridge_id")
    assert given is not None  # noqa: S101
    return rows.answered(register.find_bridges(given), "bridge_id")


def _year(rows: Rows, name: str) -> Floats | None:
    year = rows.whole(name)
    if year is not None:
        rows.fault(year > rows.today.year, name, "R-FUTURE", "the year must not be in the future", "Correct the year.")
    return year


def check_traffic(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Counts of one table; a count of 0 is a missing count and is set aside."""
    count = rows.number("aadt", ranged=False)
    assert count is not None  # noqa: S101
    rows.fault(
        count == 0,
        "aadt",
        "S-ZERO-TRAFFIC",
        "a traffic of 0 is a missing count, not an empty road",
        "Give the count, or drop the line.",
        "set aside",
    )
    rows.in_range("aadt", count)
    rows.required("aadt")
    year = _year(rows, "year")
    year = np.full(rows.n, np.nan) if year is None else year
    undated(rows, rows.live & ~np.isnan(count) & np.isnan(year), count)
    columns: dict[str, Any] = {"bridge_id": _bridge(rows, register), "aadt": count, "year": year}
    for name in ("truck_share", "speed_kmh"):
        columns[name] = rows.number(name)
    columns["source"] = rows.text("source")
    _old(rows, columns["bridge_id"], columns["year"])
    said = pd.Series(year).map(lambda y: "without a year" if y != y else f"{y:.0f}")
    key = pd.DataFrame({"bridge": columns["bridge_id"], "year": said})
    rows.conflicts(key, "count of", "aadt", "Keep the right line; counts are neither added nor averaged.")
    return {"traffic": rows.records("traffic", columns)}


def undated(rows: Rows, where: Bools, value: Floats, name: str = "aadt", year: str = "year") -> None:
    """Flag counts and ratings that come without their year; they are kept, and no year is guessed.

    Where no row has its year, that is said once.
    """
    at = np.flatnonzero(where)
    what = "count" if name == "aadt" else "rating"
    used = f"kept as a {what} whose year is not given, and used only where the bridge has no dated {what}"
    rule = {int(i): f"{value[i]:g} comes without its year; {used}" for i in at}
    if not rows.has(year) and len(at) > 1:
        rule = {int(at[0]): f"the table has no year of its {len(at)} {what}s; each is {used}"}
        at = at[:1]
    remedy = f"Give the year of the {what}. For the whole file: --set {year}=2024."
    rows.fault(at, year if rows.has(year) else name, "F-UNDATED", rule, remedy)


def not_rated(rows: Rows) -> None:
    """Empty the cells that say a deck is not rated, such as N: they are no rating, and nothing is wrong with them."""
    at = rows.claims["deck_rating"].index
    body = rows.table.cells[at]
    plain = each(body, _digit_of)
    if plain is not body:
        cells = rows.table.cells.copy()
        cells[at] = body = plain
        rows.table = replace(rows.table, cells=cells)
    ratings_of_nine(rows)
    none = body.astype("str").str.strip().str.upper().isin(_NOT_RATED).to_numpy(dtype=bool)
    if none.any():
        cells = rows.table.cells.copy()
        cells[at] = filled(body, none, "")
        rows.table = replace(rows.table, cells=cells)
        rows.said["deck_rating"] = f"{int(none.sum())} cells say that a deck is not rated"


SHORT, FEW_RATED = 5, 20  # the largest figure of a scale that is not 9 to 0, and rows from which that is told


def ratings_of_nine(rows: Rows) -> None:
    """Stop where figures of a deck's rating seem to stand on a shorter scale, whose best end may be 1.

    Raises
    ------
    RecordError
        No figure is above 5, and it is not stated that they run from 9, the best, to 0.
    """
    ends = rows.stated.scale
    if ends == {"worst": 0.0, "best": 9.0}:
        return
    claim = rows.claims["deck_rating"]
    codes, seen = once(rows.table.cells[claim.index])
    value = values.numbers(seen, np.ones(len(seen), dtype=bool)).value
    value = value[codes][(codes >= 0) & rows.live] if len(seen) else np.empty(0)
    value = value[~np.isnan(value)]
    if not ends and (len(value) < FEW_RATED or value.max() > SHORT):
        return
    if ends and not len(value):
        return
    low, high = float(value.min()), float(value.max())
    raise RecordError(
        f"{rows.place}, {claim.header}: the figures run from {low:g} to {high:g}; a deck rating runs from 9, the best, "
        "to 0. State in a mapping file (--map) which it is: [scale] worst = 0 and best = 9, if they are such, of "
        f'poor decks alone; else [columns] "{claim.header}" = "condition" and [scale] worst and best as the owner has '
        "them."
    )


def _digit_of(cells: pd.Series) -> pd.Series:
    """Ratings written with their word, such as ``7 Good``, as their digit; ``N N/A`` as N."""
    worded = cells.str.strip().str.extract(r"^([0-9N])\s*[-:=]?\s+\(?[A-Za-z][^0-9]*$", expand=False)
    return cells if worded.isna().all() else cells.where(worded.isna(), worded)


def year_of_inspection(rows: Rows) -> Floats | None:
    """Year of the day of inspection, where the table has a column of such days and no year of its ratings."""
    for index, header in enumerate(rows.table.headers):
        spaced = normal(re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header))
        if spaced.removeprefix("bridge ").removeprefix("last ") not in INSPECTED:
            continue
        if any(c.index == index for c in rows.claims.values()):
            continue
        codes, seen = once(rows.table.cells[index])
        years = np.array([_year_in(str(s), rows.today.year) for s in seen] or [np.nan])
        if np.isfinite(years).any():
            rows.also[index] = ("rated_year", "year of the day of inspection")
            return np.where(codes < 0, np.nan, years[codes])
    return None


def _year_in(cell: str, today: int) -> float:
    if (counted := re.fullmatch(r"\s*(\d{12,13})(?:\.0)?\s*", cell)) is not None:  # thousandths of a second since 1970
        return float(pd.Timestamp(int(counted[1]), unit="ms").year)
    found = {int(y) for y in re.findall(r"(?<!\d)(?:19|20)\d\d(?!\d)", cell)}
    if len(found) == 1:
        return float(found.pop())
    short = re.fullmatch(r"\s*\d{1,2}[/.\-]\d{1,2}[/.\-](\d\d)\s*", cell)
    if short is None:
        return float("nan")
    year = today // 100 * 100 + int(short[1])
    return float(year if year <= today else year - 100)


def _old(rows: Rows, bridge: pd.Series, year: Floats) -> None:
    """Flag the newest count of a bridge where it is old."""
    dated = rows.live & ~np.isnan(year)
    newest = pd.Series(year)[dated].groupby(bridge[dated]).idxmax().dropna().astype(int).to_numpy()
    old = newest[year[newest] < rows.today.year - OLD_COUNT_YR]
    rule = {int(i): f"the newest count here of bridge {bridge[i]} is of {year[i]:.0f}" for i in old}
    rows.fault(old, "year", "F-OLD-COUNT", rule, "Give a newer count, if there is one.")


def check_ratings(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Deck ratings of one table; N stands for a bridge without a deck and is set aside."""
    said = rows.text("deck_rating")
    assert said is not None  # noqa: S101
    none = (said.str.upper() == "N").to_numpy(dtype=bool)
    rows.fault(none, "deck_rating", "S-NO-RATING", "N says that a rating does not apply", "Nothing.", "set aside")
    rows.required("deck_rating")
    ratings_of_nine(rows)
    year = _year(rows, "rated_year") if rows.has("rated_year") else year_of_inspection(rows)
    year = np.full(rows.n, np.nan) if year is None else year
    columns: dict[str, Any] = {"bridge_id": _bridge(rows, register), "rated_year": year}
    rating = rows.whole("deck_rating")
    assert rating is not None  # noqa: S101
    columns["deck_rating"] = rating
    undated(rows, rows.live & ~np.isnan(rating) & np.isnan(year), rating, "deck_rating", "rated_year")
    said = pd.Series(year).map(lambda y: "without a year" if y != y else f"{y:.0f}")
    key = pd.DataFrame({"bridge": columns["bridge_id"], "year": said})
    rows.conflicts(key, "rating of", "deck_rating", "Keep the right line.")
    return {"rating": rows.records("rating", columns)}


def check_elements(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Quantities of elements in condition states; the states must add up to the total where it is given."""
    rows.required("quantity_date", "element")
    day = rows.dates("quantity_date")
    rows.in_time("quantity_date", day, np.full(rows.n, np.nan))
    columns: dict[str, Any] = {
        "bridge_id": _bridge(rows, register),
        "quantity_date": day,
        "element": rows.ids("element"),
    }
    parent = rows.ids("parent_element")
    columns["parent_element"] = pd.Series([""] * rows.n, dtype="str") if parent is None else parent
    for name in ("total", "cs1", "cs2", "cs3", "cs4"):
        columns[name] = rows.number(name)
    states = [columns[n] for n in ("cs1", "cs2", "cs3", "cs4") if columns[n] is not None]
    if columns["total"] is not None and states:
        whole = np.nansum(states, axis=0)
        apart = np.abs(whole - columns["total"]) > SUM_WITHIN
        rule = {int(i): f"the states add up to {whole[i]:g}, the total is {columns['total'][i]:g}"
                for i in np.flatnonzero(apart)}  # fmt: skip
        rows.fault(apart, "total", "F-STATES", rule, "Check the quantities.", "flag")
    key = pd.DataFrame({n: pd.Series(columns[n]) for n in ("bridge_id", "quantity_date", "element", "parent_element")})
    rows.conflicts(key, "quantities of", "element", "Keep the right line.")
    return {"element_quantity": rows.records("element_quantity", columns)}

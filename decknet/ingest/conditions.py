"""Conditions on an owner's own scale: kept as written, beside a bridge or in a table of their own, a column a year."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.ingest import values
from decknet.ingest.coded import once, spread
from decknet.ingest.evidence import OF_YEAR
from decknet.ingest.traffic import year_of_inspection

if TYPE_CHECKING:
    from decknet.ingest.checks import Floats, Rows
    from decknet.ingest.register import Register

__all__ = ["check_conditions", "conditions_beside", "has_conditions"]

_NOT_GIVEN = frozenset({*values.NOT_GIVEN, "--", "?", "_", "n", "nr", "n/r", "not rated", "not applicable", "missing"})
INDEX_OVER = 20.0  # a column whose largest figure is above this holds an index, of which 0 is no value


def has_conditions(rows: Rows) -> bool:
    """Whether any column of the table holds conditions."""
    return rows.has("condition") or any(name.startswith(OF_YEAR) for name in rows.claims)


def check_conditions(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Conditions of one table of bridges on record."""
    given = rows.ids("bridge_id")
    assert given is not None  # noqa: S101
    bridge = rows.answered(register.find_bridges(given), "bridge_id")
    if rows.has("condition") and not any(n.startswith(OF_YEAR) for n in rows.claims):
        rows.required("condition")
    rows.kept |= rows.live  # a bridge of which no year has a condition is no fault of its row
    return {"condition": conditions_beside(rows, bridge)}


def conditions_beside(rows: Rows, bridge: pd.Series) -> pd.DataFrame:
    """Conditions in the rows of bridges, one a bridge and year; what is not given is no record.

    Parameters
    ----------
    rows : Rows
    bridge : Series of str, shape (n,)
    """
    parts = []
    of_years = [n for n in rows.claims if n.startswith(OF_YEAR)]
    for name in [*of_years, *(n for n in ("condition",) if rows.has(n))]:
        said = _said(rows, name)
        year = _years(rows) if name == "condition" else np.full(rows.n, float(name.removeprefix(OF_YEAR)))
        stand = rows.live & (said != "").to_numpy(dtype=bool)
        columns: dict[str, Any] = {
            "bridge_id": bridge, "condition_year": year, "condition": said,
            "condition_score": _scores(rows, name, said),
        }  # fmt: skip
        parts.append(rows.records("condition", columns, stand))
    # A bridge of several decks says it once, and of a year that has a column of its own that column.
    whole = pd.concat(parts, ignore_index=True).drop_duplicates(["bridge_id", "condition_year"])
    return whole.sort_values("line", kind="stable", ignore_index=True)


def _years(rows: Rows) -> Floats:
    year = rows.whole("condition_year") if rows.has("condition_year") else year_of_inspection(rows)
    return np.full(rows.n, np.nan) if year is None else np.where(year > rows.today.year, np.nan, year)


def _said(rows: Rows, name: str) -> pd.Series:
    """Conditions as written, empty where none is given; of an index, 0 is none."""
    found = rows.cells(name)
    assert found is not None  # noqa: S101
    codes, seen = once(found)
    low = seen.str.strip("'\" ").str.casefold()
    yes_no = bool(low.isin(["y", "yes"]).any())
    none = low.isin(_NOT_GIVEN) & ~(low.isin(["n", "no"]) & yes_no)
    figures = values.numbers(seen, np.ones(len(seen), dtype=bool))
    if len(seen) and np.nanmax(figures.value, initial=-np.inf, where=~np.isnan(figures.value)) > INDEX_OVER:
        nil = figures.value == 0
        none |= nil
        if nil.any():
            rows.said[name] = "0 is taken for no value"
    return spread(seen.str.strip("'\" ").mask(none, ""), codes)


def _scores(rows: Rows, name: str, said: pd.Series) -> Floats:
    """Figures between the ends of their scale that are stated; missing where they are not."""
    if rows.has("condition_score"):
        given = rows.number("condition_score")
        return np.full(rows.n, np.nan) if given is None else given
    codes, seen = once(said)
    figures = values.numbers(seen, np.ones(len(seen), dtype=bool)).value
    ends = rows.stated.scale
    if not ends:
        _ask_for_scale(rows, name, figures[codes])
        return np.full(rows.n, np.nan)
    worst, best = ends["worst"], ends["best"]
    score = (figures - worst) / (best - worst)
    beyond = (score < 0) | (score > 1)
    low, high = sorted((worst, best))
    rule = f"the figure is not on the scale stated, {low:g} to {high:g}; it is kept as written, without a score"
    rows.fault(rows.live & beyond[codes], name, "F-SCALE", rule, "Correct the figure, or the ends of the scale.")
    out: Floats = np.where(beyond, np.nan, score)[codes]
    return out


def _ask_for_scale(rows: Rows, name: str, figure: Floats) -> None:
    """Say once that figures stand on a scale whose ends are not stated, and how to state them."""
    at = np.flatnonzero(~np.isnan(figure) & rows.live)
    if not len(at) or any(p["code"] == "F-SCALE" for p in rows.pieces):
        return
    rule = (
        f"{len(at)} figures stand on a scale of which it is not known which end is the best; they are kept as written, "
        "and nothing is ranked on them"
    )
    low, high = float(figure[at].min()), float(figure[at].max())
    low, high = (0.0, 100.0) if INDEX_OVER < high <= 100 else (low, high)
    remedy = (
        f"State the ends in a mapping file (--map): [scale] worst = {low:g} and best = {high:g}, or the other way "
        "round."
    )
    rows.fault(at[:1], name, "F-SCALE", rule, remedy)

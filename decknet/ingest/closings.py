"""Closings: something urgent dealt with, on a named person's word."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.ingest import shapes, surveys, values
from decknet.ingest.coded import spelled
from decknet.ingest.optional import tolerant

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows
    from decknet.ingest.register import Register

__all__ = ["CAUSE_WORDS", "check_closings", "closing_id"]

CAUSE_WORDS = {
    "hole": "open hole", "holes": "open hole", "open holes": "open hole", "full depth hole": "open hole",
    "full depth holes": "open hole", "punch through": "open hole", "pothole": "open hole", "potholes": "open hole",
    "exposed bars": "exposed bar", "bar": "exposed bar", "bars": "exposed bar", "bars exposed": "exposed bar",
    "rebar": "exposed bar", "exposed rebar": "exposed bar", "exposed steel": "exposed bar", "steel": "exposed bar",
    "exposed reinforcement": "exposed bar", "bare bars": "exposed bar",
    "share": "danger share", "unsound share": "danger share", "danger": "danger share",
    "too much unsound": "danger share",
    "delamination": "danger share", "hollow": "danger share", "unsound": "danger share",
    "opening": "opening check", "not opened": "opening check", "opening to traffic": "opening check",
    "opening not recorded": "opening check", "cure": "opening check",
    "rating": "poor rating", "low rating": "poor rating", "deck rating": "poor rating",
    "critical rating": "poor rating",
    "critical finding": "poor rating",
    "remarks": "remark", "note": "remark", "notes": "remark", "comment": "remark", "report": "remark",
}  # fmt: skip


def check_closings(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Closings of one table."""
    deck, size = surveys.deck_and_size(rows, register)
    rows.required("closed_on")
    for name, whose in (("closed_by", "who says that it is dealt with"), ("how", "what was done about it")):
        gone = values.is_missing(spelled(rows.cells(name)))
        rows.fault(gone, name, "R-MISSING", f"{name} must be given: {whose}; nothing urgent is closed without it",
                   "Fill the cell.")  # fmt: skip
    day = rows.dates("closed_on")
    rows.in_time("closed_on", day, size["year"].to_numpy())
    columns: dict[str, Any] = {"deck_id": deck, "closed_on": day}
    columns["cause"] = rows.choice("cause", CAUSE_WORDS, bad="flag")
    for name in ("hazard", "closed_by", "how", "remarks"):
        columns[name] = rows.text(name)
    if columns["hazard"] is not None:
        said = columns["hazard"]
        columns["hazard"] = said.mask(values.is_missing(said), "").mask(said.str.lower().isin(("all", "every")), "all")
    columns |= _places(rows, size)
    columns["shape"] = drawn = _drawn(rows, deck, register, columns)
    given = drawn != None  # noqa: E711
    for name in ("cause", "hazard"):
        if columns[name] is not None:
            given |= (columns[name].fillna("") != "").to_numpy(dtype=bool)
    given |= ~np.isnan(columns["station_m"])
    rows.fault(~given & rows.live, "", "F-CLOSES-NOTHING",
               "the closing names no cause, hazard or place; where several are open on the deck it closes none of them",
               "Give the cause, the number of the hazard, or station and offset.", "flag", value="")  # fmt: skip
    columns["closing_id"] = _ids(rows, columns)
    rows.conflicts(pd.DataFrame({"closing": columns["closing_id"]}), "closing", "closing_id",
                   "Give each closing its own closing_id.")  # fmt: skip
    return {"closing": rows.records("closing", columns)}


def _places(rows: Rows, size: pd.DataFrame) -> dict[str, Floats]:
    """Station and offset; what cannot be used, or is not on the deck, is left out and flagged."""
    out = {}
    length, half = size["length_m"].to_numpy(), size["width_m"].to_numpy() / 2
    for name, low, high in (("station_m", np.zeros(rows.n), length), ("offset_m", -half, half)):

        def read(name: str = name) -> Floats | None:
            return rows.number(name)

        value, lost = tolerant(rows, read, "it is left out")
        value = np.full(rows.n, np.nan) if value is None else np.where(lost, np.nan, value)
        off: Bools = (value < low - 0.1) | (value > high + 0.1)
        rule = {int(i): f"{value[i]:g} m is not on the deck ({low[i]:g} to {high[i]:g} m)" for i in np.flatnonzero(off)}
        rows.fault(list(rule), name, "F-BEYOND", rule, "Correct it, or the size of the deck.", "flag")
        out[name] = value
    return out


def _drawn(rows: Rows, deck: pd.Series, register: Register, columns: dict[str, Any]) -> Any:
    """Places drawn as polygons; a point drawn gives station and offset where these are not given."""
    out = np.full(rows.n, None, dtype=object)
    given = np.zeros(rows.n, dtype=bool)
    if rows.has("shape"):
        text = spelled(rows.cells("shape"))
        given = ~values.is_missing(text)
        out[given] = shapes.written(text[given].to_numpy(dtype=object))
    elif rows.table.shape is not None:
        out = shapes.without_heights(rows.table.shape)
        given = (out != None) & ~shapely.is_empty(out)  # noqa: E711
        if given.any() and not shapes.on_deck(rows):
            out = shapes.to_deck(rows, out, deck, register)
    finite = (out != None) & shapes.all_finite(out)  # noqa: E711
    point = finite & (shapely.get_type_id(out) == 0) & np.isnan(columns["station_m"])
    columns["station_m"][point] = shapely.get_x(out[point])
    columns["offset_m"][point] = shapely.get_y(out[point])
    good = finite & shapely.is_valid(out) & (shapely.area(out) > shapes.LEAST_M2)
    rows.fault(given & ~good & ~point, "shape" if rows.has("shape") else "", "F-SHAPE-KIND",
               "a place is drawn as a plain polygon in station and offset; this one is left out",
               "Draw it again, or give station and offset.", "flag")  # fmt: skip
    out[~good] = None
    return out


def closing_id(deck: str, day: str, cause: str, hazard: str, station: float, offset: float) -> str:
    """An id made of all that tells one closing from another.

    Examples
    --------
    >>> closing_id("A7", "2026-05-12", "open hole", "", 12.5, -1.0)
    'A7|2026-05-12|open hole|12.5,-1'
    """
    at = "" if np.isnan(station) else f"{station:.10g}" + ("" if np.isnan(offset) else f",{offset:.10g}")
    return "|".join([deck, day, cause or "closing", *(p for p in (hazard, at) if p)])


def _ids(rows: Rows, columns: dict[str, Any]) -> pd.Series:
    """Ids as given; else made of deck, day, cause, hazard and place, those alike numbered in file order."""
    n = rows.n

    def text(name: str) -> list[str]:
        held = columns[name]
        return [""] * n if held is None else [v if isinstance(v, str) else "" for v in held]

    days = np.datetime_as_string(np.asarray(columns["closed_on"], dtype="datetime64[D]"))
    deck = ["?" if not isinstance(d, str) else d for d in columns["deck_id"]]
    parts = zip(deck, days, text("cause"), text("hazard"), columns["station_m"], columns["offset_m"], strict=True)
    made = pd.Series(pd.array([closing_id(*p) for p in parts], dtype="str"))
    again = made[rows.live].groupby(made[rows.live]).cumcount().reindex(range(n), fill_value=0)
    made = made.where(again == 0, made + "|" + (again + 1).astype("str"))
    given = rows.ids("closing_id")
    return made if given is None else given.where(given != "", made)

"""Repairs: what was done to a deck, when, how much of it and with what."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.ingest import measures, shapes, surveys
from decknet.ingest.areas import area_of_sides
from decknet.ingest.corrections import joined
from decknet.ingest.recognise import STRIP
from decknet.ingest.tongues import TREATMENTS_TOO
from decknet.ingest.values import plain

if TYPE_CHECKING:
    from decknet.ingest.checks import Rows
    from decknet.ingest.register import Register

__all__ = ["DEPTH_WORDS", "TREATMENT_WORDS", "check_repairs"]

TREATMENT_WORDS = {
    "patches": "patch", "patching": "patch", "patched": "patch", "patch repair": "patch", "patch repairs": "patch",
    "partial depth patch": "patch", "full depth patch": "patch", "partial depth repair": "patch",
    "full depth repair": "patch", "deck patch": "patch", "deck patching": "patch", "spot repair": "patch",
    "patch seal": "patch and seal", "patch and sealer": "patch and seal", "patch and sealing": "patch and seal",
    "patched and sealed": "patch and seal",
    "thin polymer overlay": "thin overlay", "polymer overlay": "thin overlay", "epoxy overlay": "thin overlay",
    "thin epoxy overlay": "thin overlay",
    "overlay": "rigid overlay", "concrete overlay": "rigid overlay", "latex overlay": "rigid overlay",
    "latex modified overlay": "rigid overlay", "silica fume overlay": "rigid overlay",
    "low slump overlay": "rigid overlay",
    "redeck": "new deck", "re deck": "new deck", "deck replacement": "new deck", "replacement": "new deck",
    "replaced deck": "new deck", "deck replaced": "new deck",
}  # fmt: skip
DEPTH_WORDS = {
    "part": "partial", "part depth": "partial", "partial depth": "partial", "shallow": "partial", "pd": "partial",
    "full depth": "full", "through": "full", "fd": "full", "deep": "full",
}  # fmt: skip


def check_repairs(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Repairs of one table."""
    deck, size = surveys.deck_and_size(rows, register)
    area_m2 = surveys.deck_m2(size)
    measures.ask_for_origin(rows, size)
    rows.required("repair_date", "treatment")
    day = rows.dates("repair_date")
    rows.in_time("repair_date", day, size["year"].to_numpy())
    columns: dict[str, Any] = {"deck_id": deck, "repair_date": day}
    said = rows.text("treatment")
    more = {} if said is None else {plain(w): t for w in said.unique() if (t := _named(plain(w)))}
    columns["treatment"] = rows.choice("treatment", {**more, **TREATMENTS_TOO, **TREATMENT_WORDS})
    bare = (said.str.lower() == "overlay").to_numpy(dtype=bool) if said is not None else np.zeros(rows.n, dtype=bool)
    rows.fault(
        bare & ~rows.refused,
        "treatment",
        "F-OVERLAY",
        "which overlay is not said; taken as rigid overlay",
        "Write thin overlay or rigid overlay.",
        "flag",
    )
    columns["depth_class"] = _depths(rows, said)
    for name in ("material", "opened_at", "crew", "remarks"):
        columns[name] = rows.text(name)
    for name in ("volume_m3", "cure_h", "closure_h", "cost", "air_temperature_c"):
        columns[name] = rows.number(name)
    columns["price_year"] = rows.whole("price_year")
    area = rows.area("area_m2", area_m2) if rows.has("area_m2") else area_of_sides(rows)
    columns["area_m2"] = area
    surveys.larger(rows, "area_m2", area, area_m2, deck, "of the deck")
    if rows.has("shape") or rows.table.shape is not None or rows.has(*STRIP):
        # An overlay or a new deck covers the deck and needs no outline; neither does a repair with an area.
        whole = np.isin(columns["treatment"].to_numpy(dtype=object), ("thin overlay", "rigid overlay", "new deck"))
        stated = np.full(rows.n, np.nan) if area is None else area
        drawn = shapes.deck_shapes(rows, np.where(whole & np.isnan(stated), area_m2, stated), deck, register)
        shapes.beyond_deck(rows, drawn, deck, size, register)
        held = drawn != None  # noqa: E711
        outline = np.full(rows.n, np.nan)
        outline[held] = shapely.area(drawn[held])
        surveys.larger(rows, "shape", outline, area_m2, deck, "of the deck")
        columns["shape"] = drawn
    columns["repair_id"] = joined(rows, "repair", _repair_ids(rows, deck, day), columns, register)
    rows.conflicts(
        pd.DataFrame({"repair": columns["repair_id"]}), "repair", "repair_id", "Give each repair its own repair_id."
    )
    return {"repair": rows.records("repair", columns)}


def _named(words: str) -> str:
    """The treatment that a longer name tells of, such as "deck patching partial depth"; empty where none or several."""
    patch, overlay = "patch" in words, "overlay" in words
    if patch and not overlay:
        return "patch and seal" if "seal" in words else "patch"
    if overlay and not patch:
        thin = any(w in words for w in ("thin", "polymer", "epoxy"))
        rigid = any(w in words for w in ("rigid", "concrete", "latex", "silica", "slump", "lmc"))
        return "" if thin == rigid else "thin overlay" if thin else "rigid overlay"
    return ""


def _depths(rows: Rows, said: pd.Series | None) -> pd.Series | None:
    """Depth of each repair, from its own column, else from the name of what was done."""
    given = rows.choice("depth_class", DEPTH_WORDS)
    if said is None:
        return given
    words = said.map(plain)
    told = pd.Series(pd.array([None] * rows.n, dtype="str"))
    for depth, known in (("partial", "partial depth|part depth|shallow"), ("full", "full depth|through")):
        told = told.mask(words.str.contains(known, regex=True) & told.isna(), depth)
    if given is None:
        return told if told.notna().any() else None
    return given.where(given.notna(), told)


def _repair_ids(rows: Rows, deck: pd.Series, day: Any) -> pd.Series:
    frame = pd.DataFrame({"deck": deck, "day": day})
    count = frame[rows.live].groupby(["deck", "day"]).cumcount().add(1).reindex(range(rows.n), fill_value=0)
    made = surveys.made_id(deck, day, count.astype("str"))
    given = rows.ids("repair_id")
    return made if given is None else given.where(given != "", made)

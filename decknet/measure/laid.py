"""Defects laid out for repair limits: which count, where they lie, how deep, and what each needs alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from decknet.errors import RecordError
from decknet.measure.boxes import Flags, Floats, Grid, Ints, Prices
from decknet.measure.pieces import Panels, Pieces, deck_panels, depth_of, needed_boxes, panel_pieces, ticks
from decknet.settings import LimitSettings

__all__ = ["Laid", "drawn_defects", "lay_down", "spalls_left_alone"]


@dataclass(frozen=True, slots=True)
class Laid:
    """Unsound areas of some decks, ready for limits.

    Attributes
    ----------
    panels : Panels
    pieces : Pieces
        k connected areas.
    full : array of bool, shape (k,)
    depth : array, shape (k,), mm
        To break out.
    box : array of int, shape (k, 4), 0.1 mm
        Limit that each needs alone.
    slab : array, shape (decks,), mm
    grid : Grid
    prices : Prices
    """

    panels: Panels
    pieces: Pieces
    full: Flags
    depth: Floats
    box: Ints
    slab: Floats
    grid: Grid
    prices: Prices


def drawn_defects(
    defects: pd.DataFrame, decks: pd.DataFrame, settings: LimitSettings
) -> tuple[pd.DataFrame, Ints, Ints]:
    """Defects that get limits, by deck.

    Returns
    -------
    kept : DataFrame
        Rows with a shape, on a known deck, not left alone; ordered by deck.
    deck : array of int
        Number of each row's deck among the decks that have any, in order of deck_id.
    where : array of int
        Row in ``decks`` of each of these.

    Raises
    ------
    RecordError
        A deck is given twice.
    """
    given = decks["deck_id"]
    if given.duplicated().any():
        raise RecordError(f"deck_id {given[given.duplicated()].iloc[0]}: given twice. Give each deck one row.")
    drawn = shapely.area(defects["shape"].to_numpy(dtype=object)) > 0
    kept = defects[drawn & defects["deck_id"].isin(given).to_numpy() & ~spalls_left_alone(defects, settings).to_numpy()]
    names, deck = np.unique(kept["deck_id"].to_numpy(dtype=object).astype(str), return_inverse=True)
    where = pd.Index(given.astype(str)).get_indexer(pd.Index(names)).astype(np.int64)
    order = np.argsort(deck, kind="stable")
    return kept.iloc[order], deck[order].astype(np.int64), where


def lay_down(defects: pd.DataFrame, deck: Ints, decks: pd.DataFrame, settings: LimitSettings) -> Laid:
    """Defects cut at joints and deck edges, with depth and the limit each piece needs.

    Parameters
    ----------
    defects : DataFrame
        kind, depth_mm, shape.
    deck : array of int
        Row of each defect in ``decks``.
    decks : DataFrame
    settings : LimitSettings

    Returns
    -------
    Laid
    """
    panels = deck_panels(decks)
    pieces = panel_pieces(np.arange(len(defects)), deck, defects["shape"].to_numpy(dtype=object), panels)

    def number(frame: pd.DataFrame, name: str) -> Floats:
        column: Floats = frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
        return column

    slab = number(decks, "slab_mm")
    full, depth = depth_of(
        defects["kind"].to_numpy(dtype=object),
        number(defects, "depth_mm"),
        slab[deck],
        number(decks, "cover_mm")[deck],
        settings,
    )
    return Laid(
        panels,
        pieces,
        full[pieces.row],
        depth[pieces.row],
        needed_boxes(pieces.raw, panels.bounds[pieces.panel], settings),
        np.where(np.isfinite(slab), slab, settings.slab_mm),
        Grid(*(ticks(getattr(settings, f"{n}_mm")) for n in ("margin", "gap", "side", "step", "edge"))),
        Prices(settings.partial_per_m2, settings.full_per_m2, settings.saw_per_m, settings.set_up),
    )


def spalls_left_alone(defects: pd.DataFrame, settings: LimitSettings) -> pd.Series:
    """Spalls so small that the settings leave them alone.

    Parameters
    ----------
    defects : DataFrame
        kind, shape.
    settings : LimitSettings
        leave_length_mm and leave_width_mm; with either at 0 none is left.

    Returns
    -------
    Series of bool, on the index of ``defects``
        A spall shorter than the one and narrower than the other, measured by the smallest rectangle round
        it at any turn.

    References
    ----------
    published: Federal Highway Administration, Partial-Depth Repairs, section 4.2: shorter than 150 mm and
    narrower than 35 mm, for pavement.
    """
    small = np.zeros(len(defects), dtype=bool)
    if settings.leave_length_mm > 0 and settings.leave_width_mm > 0:
        shape = defects["shape"].to_numpy(dtype=object)
        spall = np.flatnonzero((defects["kind"].to_numpy(dtype=object) == "spall") & (shapely.area(shape) > 0))
        for at in spall:
            corner = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape[at]))
            one, two = sorted(np.hypot(*(corner[1:3] - corner[:2]).T) * 1000)
            small[at] = two < settings.leave_length_mm - 1e-6 and one < settings.leave_width_mm - 1e-6
    return pd.Series(small, index=defects.index, name="left_alone")

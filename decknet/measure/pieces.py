"""Unsound areas laid out panel by panel, ready for repair limits.

A panel is the deck between two joints. Joints run parallel to the deck's ends: square to the
centreline on a square deck; on a deck whose outline has skewed ends, at their skew (between ends of
different skew it turns evenly from one to the other).
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.errors import RecordError
from decknet.measure.boxes import TICKS_PER_M, Flags, Floats, Ints
from decknet.settings import LimitSettings

__all__ = ["Panels", "Pieces", "deck_panels", "depth_of", "needed_boxes", "panel_pieces"]

_HAIR = 0.005  # of a tick: 0.5 micrometres, the rounding of coordinates
_FAR = 40_000_000_000  # bound where a deck's edge is not known
_SQUARE_M = 0.01  # ends less out of square than this across the deck are square


@dataclass(frozen=True, slots=True)
class Panels:
    """Decks cut at their joints, ordered by deck and station.

    Attributes
    ----------
    deck : array of int, shape (p,)
        Row of the deck.
    bounds : array of int, shape (p, 4), 0.1 mm
        Station from, offset from, station to, offset to.
    edge : array of Polygon or None, shape (p,), m
        Where the panel is not a rectangle.
    """

    deck: Ints
    bounds: Ints
    edge: NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Pieces:
    """Connected unsound areas, each within one panel.

    Attributes
    ----------
    row : array of int, shape (k,)
        Row of the defect.
    panel : array of int, shape (k,)
    shape : array of Polygon, shape (k,), m
    raw : array of int, shape (k, 4), 0.1 mm
        Extent, rounded outward.
    """

    row: Ints
    panel: Ints
    shape: NDArray[np.object_]
    raw: Ints


def _down(metres: Floats) -> Ints:
    return np.floor(metres * TICKS_PER_M + _HAIR).astype(np.int64)


def _up(metres: Floats) -> Ints:
    return np.ceil(metres * TICKS_PER_M - _HAIR).astype(np.int64)


def _joints(text: object, deck_id: object) -> list[float]:
    """Joint stations as written."""
    if not isinstance(text, str) or not text.strip():
        return []
    try:
        found = [float(part) for part in re.split(r"[\s,;]+", text.strip())]
    except ValueError:
        found = [np.nan]
    if not np.isfinite(found).all():
        raise RecordError(
            f"joints_m of deck {deck_id}: {text!r} is not a list of stations. "
            "Write metres from the first joint, split by spaces."
        )
    return sorted(set(found))


def _skew(edge: shapely.Geometry) -> tuple[float, float]:
    """How far each end of a deck runs up-station for a metre of offset: (first end, last end)."""
    low, left, high, right = edge.bounds
    step = (right - left) / 4
    ends = []
    for offset in (left + step, right - step):
        crossed = shapely.intersection(edge, shapely.LineString([(low - 1, offset), (high + 1, offset)]))
        ends.append((crossed.bounds[0], crossed.bounds[2]))
    (first_left, last_left), (first_right, last_right) = ends
    shifts = (first_right - first_left, last_right - last_left)
    first, last = (0.0 if abs(2 * shift) < _SQUARE_M else shift / (2 * step) for shift in shifts)
    return first, last


def deck_panels(decks: pd.DataFrame) -> Panels:
    """Decks cut at their joints.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id, length_m, width_m (m), outline (polygon or None), joints_m (text).

    Returns
    -------
    Panels

    Raises
    ------
    RecordError
        Joint stations that cannot be read.
    """
    length = decks["length_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    half = decks["width_m"].to_numpy(dtype=np.float64, na_value=np.nan) / 2
    outline = shapely.force_2d(decks["outline"].to_numpy(dtype=object))
    drawn = shapely.area(outline) > 0
    extent = np.where(
        drawn[:, None],
        shapely.bounds(outline),
        np.column_stack([np.zeros(len(decks)), -half, length, half]),
    )
    odd = drawn & (shapely.area(outline) < shapely.area(shapely.box(*extent.T)) * (1 - 1e-9))
    known = np.isfinite(extent)
    whole = np.concatenate([_down(np.nan_to_num(extent[:, :2])), _up(np.nan_to_num(extent[:, 2:]))], axis=1)
    whole = np.where(known, whole, np.array([-_FAR, -_FAR, _FAR, _FAR]))
    whole[~known[:, 2], 0] = -_FAR
    deck: list[int] = []
    bounds: list[list[int]] = []
    edges: list[shapely.Geometry | None] = []
    texts = decks["joints_m"].tolist() if "joints_m" in decks else [None] * len(decks)
    for at, (text, name) in enumerate(zip(texts, decks["deck_id"].tolist(), strict=True)):
        x0, y0, x1, y1 = whole[at].tolist()
        cuts = [round(j * TICKS_PER_M) for j in _joints(text, name)]
        if odd[at]:
            for edge in _skewed(outline[at], [c / TICKS_PER_M for c in cuts]):
                low, left, high, right = edge.bounds
                deck.append(at)
                bounds.append([*_down(np.array([low, left])).tolist(), *_up(np.array([high, right])).tolist()])
                edges.append(edge)
            continue
        stops = [x0, *(c for c in cuts if x0 < c < x1), x1]
        for low, high in itertools.pairwise(stops):
            deck.append(at)
            bounds.append([low, y0, high, y1])
            edges.append(None)
    held = np.empty(len(edges), dtype=object)
    held[:] = edges
    return Panels(np.array(deck, dtype=np.int64), np.array(bounds, dtype=np.int64).reshape(-1, 4), held)


def _skewed(outline: shapely.Geometry, joints: list[float]) -> list[shapely.Geometry]:
    """A deck that is not a rectangle, cut along joints parallel to its ends."""
    outline = shapely.make_valid(outline)
    if not joints:
        return [outline]
    low, left, high, right = outline.bounds
    first, last = _skew(outline)
    lines = []
    for joint in joints:
        part = min(max((joint - low) / (high - low), 0.0), 1.0)
        slope = first + (last - first) * part
        lines.append((joint + slope * left, joint + slope * right))
    far = high - low + 1
    starts = [(low - far, low - far), *lines]
    ends = [*lines, (high + far, high + far)]
    out = []
    for (a, b), (c, d) in zip(starts, ends, strict=True):
        strip = shapely.Polygon([(a, left), (c, left), (d, right), (b, right)])
        part = shapely.intersection(outline, strip)
        if shapely.area(part) > 0:
            out.append(part)
    return out


def panel_pieces(row: Ints, deck: Ints, shape: NDArray[np.object_], panels: Panels) -> Pieces:
    """Connected unsound areas within each panel; what lies off the deck is left out.

    Parameters
    ----------
    row, deck : array of int, shape (n,)
        Row of the defect and of its deck.
    shape : array of Polygon or MultiPolygon, shape (n,), m
    panels : Panels

    Returns
    -------
    Pieces, ordered by panel, then by extent
    """
    shape = shapely.set_precision(shapely.force_2d(shape), 0.0)  # cuts must not snap to a grid that came with the shape
    bad = ~shapely.is_valid(shape)
    shape[bad] = shapely.make_valid(shape[bad])
    parts, at = shape, np.arange(len(shape))
    while (shapely.get_type_id(parts) > shapely.GeometryType.POLYGON).any():
        parts, inner = shapely.get_parts(parts, return_index=True)
        at = at[inner]
    flat = shapely.area(parts) > 0
    parts, at = parts[flat], at[flat]
    raw = _extent(parts)
    first = np.searchsorted(panels.deck, deck[at], side="left")
    count = np.searchsorted(panels.deck, deck[at], side="right") - first
    pick = np.repeat(np.arange(len(at)), count)
    panel = np.arange(len(pick)) + np.repeat(first - (np.cumsum(count) - count), count)
    bounds, box = panels.bounds[panel], raw[pick]
    meets = (box[:, :2] < bounds[:, 2:]).all(axis=1) & (box[:, 2:] > bounds[:, :2]).all(axis=1)
    pick, panel, bounds, box = pick[meets], panel[meets], bounds[meets], box[meets]
    parts, at, raw = parts[pick], at[pick], box
    within = (box[:, :2] >= bounds[:, :2]).all(axis=1) & (box[:, 2:] <= bounds[:, 2:]).all(axis=1)
    edge = panels.edge[panel]
    odd = shapely.area(edge) > 0
    edge[~odd & ~within] = shapely.box(*(bounds[~odd & ~within] / TICKS_PER_M).T)
    cut = ~within | odd
    cut[cut] = ~shapely.covers(edge[cut], parts[cut])
    if cut.any():
        clipped, inner = shapely.get_parts(shapely.intersection(parts[cut], edge[cut]), return_index=True)
        clipped, deeper = shapely.get_parts(clipped, return_index=True)
        inner = inner[deeper]
        real = shapely.area(clipped) > 0
        clipped, source = clipped[real], np.flatnonzero(cut)[inner[real]]
        fresh = _extent(clipped)
        fresh[:, :2] = np.maximum(fresh[:, :2], panels.bounds[panel[source], :2])
        fresh[:, 2:] = np.minimum(fresh[:, 2:], panels.bounds[panel[source], 2:])
        parts = np.concatenate([parts[~cut], clipped])
        raw = np.concatenate([raw[~cut], fresh])
        at = np.concatenate([at[~cut], at[source]])
        panel = np.concatenate([panel[~cut], panel[source]])
    order = np.lexsort((row[at], shapely.area(parts), raw[:, 3], raw[:, 2], raw[:, 1], raw[:, 0], panel))
    return Pieces(row[at[order]], panel[order], parts[order], raw[order])


def _extent(shape: NDArray[np.object_]) -> Ints:
    bounds = shapely.bounds(shape)
    return np.concatenate([_down(bounds[:, :2]), _up(bounds[:, 2:])], axis=1)


def needed_boxes(raw: Ints, bounds: Ints, settings: LimitSettings) -> Ints:
    """Smallest limit for each unsound area alone.

    Parameters
    ----------
    raw : array of int, shape (n, 4), 0.1 mm
        Extents of unsound areas.
    bounds : array of int, shape (n, 4), 0.1 mm
        Panel of each.
    settings : LimitSettings

    Returns
    -------
    array of int, shape (n, 4), 0.1 mm
        Extent and margin, rounded outward to the step, stopped at the panel's edge, drawn to the edge
        where too narrow a strip would be left, and no side below the least (but for a narrower panel).
    """
    margin, step, side = (ticks(v) for v in (settings.margin_mm, settings.step_mm, settings.side_mm))
    strip = ticks(settings.edge_mm)
    out = np.empty_like(raw)
    for axis in (0, 1):
        least, most = bounds[:, axis], bounds[:, axis + 2]

        def drawn(low: Ints, high: Ints, least: Ints = least, most: Ints = most) -> tuple[Ints, Ints]:
            return np.where(low - least < max(strip, 1), least, low), np.where(most - high < max(strip, 1), most, high)

        low, high = drawn((raw[:, axis] - margin) // step * step, -((-raw[:, axis + 2] - margin) // step) * step)
        want = np.maximum(side - (high - low), 0)
        low, high = drawn((low - want // 2) // step * step if want.any() else low, high)
        low, high = drawn(low, np.where(want > 0, -(-np.maximum(high, low + side) // step) * step, high))
        low, high = drawn(np.where(high - low < side, (high - side) // step * step, low), high)
        out[:, axis], out[:, axis + 2] = low, high
    return out


def ticks(millimetres: float) -> int:
    """Tenths of a millimetre."""
    return round(millimetres * TICKS_PER_M / 1000)


def depth_of(
    kind: NDArray[np.object_], depth_mm: Floats, slab_mm: Floats, cover_mm: Floats, settings: LimitSettings
) -> tuple[Flags, Floats]:
    """Depth class and depth of breaking out for each defect.

    Parameters
    ----------
    kind : array of str, shape (n,)
    depth_mm : array, shape (n,), mm
        Depth of the damage; NaN where not measured: it is then taken to reach the top bars, where it starts.
    slab_mm, cover_mm : array, shape (n,), mm
        NaN where not known: the settings' value.
    settings : LimitSettings

    Returns
    -------
    full : array of bool, shape (n,)
        A hole, damage past the set part of the slab, or too little sound concrete left below it.
    depth : array, shape (n,), mm
        The slab where full; else the clearance below the top bars where damage reaches them, or the
        damage, but at least the least depth and at most the slab.

    References
    ----------
    practice: 20 mm clear all round a bar that damage has reached; full depth where the hole goes
    through. Thresholds: the settings say where each comes from.
    """
    slab = np.where(np.isfinite(slab_mm), slab_mm, settings.slab_mm)
    cover = np.where(np.isfinite(cover_mm), cover_mm, settings.cover_mm)
    damage = np.where(np.isfinite(depth_mm), depth_mm, cover)
    full = (kind == "hole") | (damage > settings.full_from * slab) | (slab - damage < settings.least_left_mm)
    at_bar = (kind == "exposed bar") | (damage >= cover)
    clear = max(settings.clear_mm, settings.aggregate_mm + settings.clear_over_aggregate_mm)  # see bar_clearance_mm
    depth = np.maximum(
        np.where(at_bar, np.maximum(cover + settings.bar_mm + clear, damage), damage), settings.least_depth_mm
    )
    return full, np.where(full, slab, np.minimum(depth, slab))

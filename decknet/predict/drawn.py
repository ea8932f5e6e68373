"""Damage ever where surveys and repair limits are drawn: what lay inside the limits, and what lies there again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.measure import area_once

__all__ = ["drawn_overlaps", "same_deck_pairs"]

Ints = NDArray[np.int64]
Shapes = NDArray[np.object_]


def same_deck_pairs(deck: Ints, shapes: Shapes, other_deck: Ints, others: Shapes) -> tuple[Ints, Ints]:
    """Rows of shapes and of others that lie on the same deck and meet, by one tree over all decks.

    Parameters
    ----------
    deck, other_deck : arrays of int, shapes (k,) and (m,)
    shapes, others : arrays of Polygon or MultiPolygon, valid, in metres on the deck

    Returns
    -------
    left, right : arrays of int
        Pairs of rows, ordered by left, then right.
    """
    none = np.zeros(0, dtype=np.int64)
    if len(shapes) == 0 or len(others) == 0:
        return none, none
    box, other_box = shapely.bounds(shapes), shapely.bounds(others)
    low = min(float(np.nanmin(box[:, 0])), float(np.nanmin(other_box[:, 0])))
    size = max(float(np.nanmax(box[:, 2])), float(np.nanmax(other_box[:, 2]))) - low + 1.0
    # Each deck in a strip of its own.
    moved = shapely.box(box[:, 0] + deck * size, box[:, 1], box[:, 2] + deck * size, box[:, 3])
    other_moved = shapely.box(
        other_box[:, 0] + other_deck * size, other_box[:, 1], other_box[:, 2] + other_deck * size, other_box[:, 3]
    )
    left, right = shapely.STRtree(other_moved).query(moved, predicate="intersects")
    same = deck[left] == other_deck[right]
    left, right = left[same], right[same]
    meet = shapely.intersects(shapes[left], others[right])
    order = np.lexsort((right[meet], left[meet]))
    return left[meet][order].astype(np.int64), right[meet][order].astype(np.int64)


def drawn_overlaps(defects: pd.DataFrame, patches: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """What drawn patches made sound, and what of each survey lies in patches laid before it.

    Parameters
    ----------
    defects : DataFrame
        survey (int), deck (int), life (int), date, kind, shape (valid, m): of drawn surveys.
    patches : DataFrame
        row (int), deck, life, date, before (int: the drawn survey last before it, -1 for none),
        shape (valid, m).

    Returns
    -------
    made_sound : Series, m2, on ``row`` of patches with a drawn survey before them
        Unsound original concrete of that survey inside the limits: sound concrete taken out with it
        does not count, nor what was patched before. Patches of one survey that overlap share it.
    not_original : Series, m2, on ``survey``
        Area of the survey's defects that is not original concrete: inside limits of patches
        laid before, or mapped as a failed patch.

    References
    ----------
    derived: intersections and unions.
    """
    patches = patches.sort_values(["deck", "date", "row"], kind="stable").reset_index(drop=True)
    shape, limits = defects["shape"].to_numpy(dtype=object), patches["shape"].to_numpy(dtype=object)
    left, right = same_deck_pairs(defects["deck"].to_numpy(np.int64), shape, patches["deck"].to_numpy(np.int64), limits)
    survey = defects["survey"].to_numpy(np.int64)
    failed = (defects["kind"] == "failed patch").to_numpy(dtype=bool)
    alive = defects["life"].to_numpy()[left] == patches["life"].to_numpy()[right]
    left, right = left[alive], right[alive]
    piece = shapely.intersection(shape[left], limits[right])

    later = defects["date"].to_numpy()[left] > patches["date"].to_numpy()[right]
    again = np.concatenate([survey[left[later]], survey[failed]])
    not_original = area_once(again, _areal(np.concatenate([piece[later], shape[failed]])))

    mine = (survey[left] == patches["before"].to_numpy(np.int64)[right]) & ~failed[left]
    taken, by = piece[mine], right[mine]
    first, second = same_deck_pairs(
        patches["deck"].to_numpy(np.int64), limits, patches["deck"].to_numpy(np.int64), limits
    )
    older = (second < first) & (patches["life"].to_numpy()[first] == patches["life"].to_numpy()[second])
    first, second = first[older], second[older]
    if len(first):
        starts = np.flatnonzero(np.diff(first, prepend=-1))
        under = {
            int(first[a]): shapely.union_all(limits[second[a:b]])
            for a, b in zip(starts, np.append(starts[1:], len(first)), strict=True)
        }
        hit = np.isin(by, list(under))
        taken[hit] = shapely.difference(taken[hit], np.array([under[int(p)] for p in by[hit]], dtype=object))
    made = area_once(by, _areal(taken)).reindex(np.flatnonzero(patches["before"].to_numpy() >= 0)).fillna(0.0)
    made.index = pd.Index(patches["row"].to_numpy()[made.index])
    return made, not_original


def _areal(shapes: Shapes) -> Shapes:
    """The parts of shapes that have an area; an empty polygon where there is none."""
    out = shapes.copy()
    mixed = shapely.get_type_id(out) == 7
    if mixed.any():
        out[mixed] = [shapely.union_all([g for g in s.geoms if g.area > 0]) for s in out[mixed]]
    flat = shapely.area(out) <= 0
    out[flat] = shapely.Point(0, 0).buffer(1e-9, quad_segs=1)
    return out

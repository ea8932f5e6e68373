"""Repair limits: sawn rectangles round the unsound concrete, of least cost.

Sides run parallel and square to the centreline. Station and offset run with the deck, so on a curved
deck "parallel" follows the curve and "square" is along its radius; a limit is short beside any road
curve, and is set out as a rectangle. At a skewed end or joint a limit stays such a rectangle: its corner
runs past the edge, that part is stated, and neither its area nor its side there is counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns import DEFECT_KINDS
from decknet.measure.boxes import TICKS_PER_M, Flags, Grid, Ints, Prices, around, cheapest, near_pairs, settle
from decknet.measure.cells import lay_out
from decknet.measure.edges import cost_within, shared_within, within
from decknet.measure.laid import Laid, drawn_defects, lay_down
from decknet.measure.pieces import Panels, Pieces
from decknet.measure.share import area_once
from decknet.measure.split import Limits, shared, split_limit, stand_legally
from decknet.settings import LimitSettings

__all__ = ["limits_cost", "repair_limits"]

_LEAST_GAIN = 1e-6  # in currency
_AT_ONCE = 50_000  # defects handled together: enough to be fast, few enough to be small in memory


def repair_limits(defects: pd.DataFrame, decks: pd.DataFrame, settings: LimitSettings) -> pd.DataFrame:
    """Rectangles to saw round the unsound concrete of each deck, of least cost.

    Parameters
    ----------
    defects : DataFrame
        deck_id, kind, depth_mm (mm), shape (Polygon or MultiPolygon in station and offset, m). Rows
        without a shape, or on a deck that is not in ``decks``, give no limit.
    decks : DataFrame
        deck_id, length_m, width_m (m), outline (polygon or None), joints_m (text of stations),
        slab_mm, cover_mm (mm).
    settings : LimitSettings

    Returns
    -------
    DataFrame, one row a limit, ordered by deck and station
        deck_id; number (1 to n within the deck); from_station_m, to_station_m, from_offset_m, to_offset_m
        (m); length_m along and width_m across (m); area_m2 (broken out: the rectangle but for what lies
        past a skewed edge); outside_m2 (m2, that part); saw_cut_m (m; sides on a deck edge, on a joint or
        shared with another limit are not sawn); depth_class (partial or full); depth_mm (mm); unsound_m2
        (m2); kinds (text); shape (Polygon, m: the rectangle within the deck).

    Raises
    ------
    RecordError
        Joint stations that cannot be read, or a deck given twice.

    Notes
    -----
    Holds for every answer: each unsound point on the deck lies in a limit, and at least the margin from
    what is sawn; limits do not overlap, and either stand at least the gap apart or share a side; no side is
    below the least but where the panel is; sides are whole steps, or lie on an edge or joint; no limit
    crosses a joint. It costs no more than one rectangle an area merged until legal, nor than one
    rectangle a panel.

    References
    ----------
    practice: sides square to the centreline, 50 to 70 mm beyond the unsound concrete. Distances and
    prices: the settings say where each comes from.
    """
    kept, deck, where = drawn_defects(defects, decks, settings)
    frames = []
    start = 0
    while start < len(kept):
        stop = int(np.searchsorted(deck, deck[min(start + _AT_ONCE, len(kept)) - 1], side="right"))
        first, last = int(deck[start]), int(deck[stop - 1])
        part = decks.iloc[where[first : last + 1]]
        frames.append(_limits(kept.iloc[start:stop], deck[start:stop] - first, part, settings))
        start = stop
    return pd.concat(frames, ignore_index=True) if frames else _limits(kept, deck, decks.iloc[:0], settings)


def limits_cost(limits: pd.DataFrame, settings: LimitSettings) -> pd.Series:
    """Cost of each limit at the settings' prices.

    Parameters
    ----------
    limits : DataFrame
        depth_class, area_m2, saw_cut_m.
    settings : LimitSettings

    Returns
    -------
    Series, currency, named "cost"
        Area times the price of its depth class, saw cut times its price, and a set-up.

    References
    ----------
    derived: the sum that the choice of limits makes least.
    """
    per_m2 = np.where(limits["depth_class"] == "full", settings.full_per_m2, settings.partial_per_m2)
    return (limits["area_m2"] * per_m2 + limits["saw_cut_m"] * settings.saw_per_m + settings.set_up).rename("cost")


@dataclass(frozen=True, slots=True)
class _Chosen:
    """Limits chosen: rectangle, panel, full depth, and the length of its sides that is shared."""

    box: Ints
    panel: Ints
    full: Flags
    shared: Ints
    split: Flags


def _limits(defects: pd.DataFrame, deck: Ints, decks: pd.DataFrame, settings: LimitSettings) -> pd.DataFrame:
    """Limits of some decks; ``deck`` is each defect's row in ``decks``."""
    laid = lay_down(defects, deck, decks, settings)
    chosen, label = _choose(laid)
    return _frame(chosen, label, laid, defects, decks)


def _choose(laid: Laid) -> tuple[_Chosen, Ints]:
    """The limits, and the merged rectangle that each unsound area belongs to (its first limit)."""
    pieces, panels, box, full, grid, prices = laid.pieces, laid.panels, laid.box, laid.full, laid.grid, laid.prices
    label, limit = cheapest(box, full, pieces.panel, panels.bounds, grid.gap, prices)
    label, limit = _odd_panels(label, limit, box, full, pieces.panel, panels, grid.gap, prices)
    panel = np.zeros(len(limit), dtype=np.int64)
    panel[label] = pieces.panel
    deep = np.bincount(label, weights=full, minlength=len(limit)) > 0
    splits = _splits(label, limit, deep, panel, box, full, pieces, panels, grid, prices)
    whole = np.ones(len(limit), dtype=bool)
    whole[list(splits)] = False
    parts = [(group, part) for group, found in splits.items() for part in found]
    length = [sum(shared(part, other) for other in splits[group] if other is not part) for group, part in parts]
    group = np.concatenate([np.flatnonzero(whole), np.array([g for g, _ in parts], dtype=np.int64)])
    chosen = _Chosen(
        np.concatenate([limit[whole], np.array([p[:4] for _, p in parts], dtype=np.int64).reshape(-1, 4)]),
        panel[group],
        np.concatenate([deep[whole], np.array([p[4] for _, p in parts], dtype=bool)]),
        np.concatenate([np.zeros(whole.sum(), dtype=np.int64), np.array(length, dtype=np.int64)]),
        ~whole[group],
    )
    return chosen, _renumbered(group, label, whole)


def _renumbered(group: Ints, label: Ints, whole: Flags) -> Ints:
    """Row in the chosen limits of each area's rectangle; -1 where it was split."""
    row = np.full(len(whole), -1)
    row[group[: whole.sum()]] = np.arange(whole.sum())
    return row[label]


def _splits(
    label: Ints,
    limit: Ints,
    deep: Flags,
    panel: Ints,
    box: Ints,
    full: Flags,
    pieces: Pieces,
    panels: Panels,
    grid: Grid,
    prices: Prices,
) -> dict[int, Limits]:
    """Limits that are cheaper cut into several, with what they are cut into."""
    wanted = _wasteful(label, limit, deep, box, full, pieces, grid, prices)
    rows = np.flatnonzero(wanted[label])
    rows = rows[np.argsort(label[rows], kind="stable")]
    groups, code = np.unique(label[rows], return_inverse=True)
    bounds, edges = panels.bounds[panel[groups]], panels.edge[panel[groups]]
    whole = prices.of(limit[groups], deep[groups], bounds).tolist()
    for at in np.flatnonzero(shapely.area(edges) > 0):
        whole[at] = cost_within([(*limit[groups[at]].tolist(), bool(deep[groups[at]]))], [], edges[at], prices)
    found: dict[int, Limits] = {}
    cost = dict(zip(groups.tolist(), whole, strict=True))
    for axis in (0, 1) if len(rows) else ():
        laid = lay_out(pieces.shape[rows], full[rows], code, limit[groups], bounds, grid, axis)
        each = zip(groups.tolist(), limit[groups].tolist(), bounds.tolist(), edges, laid, strict=True)
        for group, one, walls, edge, columns in each:
            parts = split_limit(one, walls, columns, axis, grid, prices, cost[group])
            if not parts or not stand_legally(parts, walls, grid):
                continue
            least = cost_within(parts, walls, edge, prices)
            if least < cost[group] - _LEAST_GAIN:
                found[group], cost[group] = parts, least
    return found


def _wasteful(
    label: Ints, limit: Ints, deep: Flags, box: Ints, full: Flags, pieces: Pieces, grid: Grid, prices: Prices
) -> Flags:
    """Limits in which so much sound concrete would go that a second set-up might pay.

    An unsound area needs at least its own area and a margin's width along its extent both ways.
    """
    size = (pieces.raw[:, 2:] - pieces.raw[:, :2]).astype(np.float64)
    area = shapely.area(pieces.shape) * TICKS_PER_M**2
    needs = area + 2 * grid.margin * (size[:, 0] + size[:, 1] + 2 * grid.margin)
    needs = np.minimum(needs, (box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1]))
    count = len(limit)
    whole = ((limit[:, 2] - limit[:, 0]) * (limit[:, 3] - limit[:, 1])).astype(np.float64)
    waste = whole - np.bincount(label, weights=needs, minlength=count)
    several = np.flatnonzero(np.bincount(label, minlength=count)[label] > 1)
    moved = box[several].copy()
    stride = int(box[:, 2].max() - box[:, 0].min()) * 2 + 100 if len(box) else 0
    moved[:, [0, 2]] += (label[several] * stride)[:, None]
    i, j = near_pairs(moved, moved, 0)
    i, j = i[i < j], j[i < j]
    both = np.minimum(moved[i, 2:], moved[j, 2:]) - np.maximum(moved[i, :2], moved[j, :2])
    waste += np.bincount(label[several][i], weights=both[:, 0] * both[:, 1], minlength=count)
    waste = np.minimum(waste, whole)
    gain = waste * np.where(deep, prices.full, prices.partial)
    plain = np.bincount(label, weights=np.where(full, 0.0, needs), minlength=count)
    gain += np.where(deep, plain, 0.0) * max(prices.full - prices.partial, 0.0)
    result: Flags = gain / TICKS_PER_M**2 > 2 * prices.set_up
    return result


def _odd_panels(
    label: Ints, limit: Ints, box: Ints, full: Flags, panel: Ints, panels: Panels, gap: int, prices: Prices
) -> tuple[Ints, Ints]:
    """In panels that are not rectangles, the cheapest of the plain answers where it beats the merged one.

    What a limit costs there is known only within the edge, which merging does not look at.
    """
    odd: Ints = np.unique(panel[shapely.area(panels.edge[panel]) > 0])
    changed = False
    for at in odd:
        mine = np.flatnonzero(panel == at)
        edge, bounds = panels.edge[at], panels.bounds[at].tolist()

        def cost(groups: Ints, mine: Ints = mine, edge: shapely.Geometry = edge, bounds: list[int] = bounds) -> float:
            _, code = np.unique(groups, return_inverse=True)
            made = around(box[mine], code, int(code.max()) + 1)
            deep = np.bincount(code, weights=full[mine]) > 0
            return cost_within([(*b, bool(f)) for b, f in zip(made.tolist(), deep, strict=True)], bounds, edge, prices)

        least = cost(label[mine])
        finest, _ = settle(box[mine], gap)
        for groups in (finest, np.zeros(len(mine), dtype=np.int64)):
            if (other := cost(groups)) < least - _LEAST_GAIN:
                least, changed = other, True
                label = label.copy()
                label[mine] = label.max() + 1 + groups
    if not changed:
        return label, limit
    names, label = np.unique(label, return_inverse=True)
    return label, around(box, label, len(names))


def _frame(chosen: _Chosen, label: Ints, laid: Laid, defects: pd.DataFrame, decks: pd.DataFrame) -> pd.DataFrame:
    """The limits as a frame, ordered and numbered."""
    pieces, panels = laid.pieces, laid.panels
    kind = pd.Index(DEFECT_KINDS).get_indexer(pd.Index(defects["kind"].to_numpy(dtype=object)))
    box, count = chosen.box, len(chosen.box)
    limit, piece, part = _contents(chosen, label, pieces, laid.grid.margin)
    unsound = area_once(limit, part).reindex(range(count), fill_value=0.0).to_numpy(dtype=np.float64)
    bits = np.zeros(count, dtype=np.int64)
    np.bitwise_or.at(bits, limit, 1 << kind[pieces.row[piece]].astype(np.int64))
    deepest = np.zeros(count)
    np.maximum.at(deepest, limit, laid.depth[piece])
    deepest = np.where(chosen.full, laid.slab[panels.deck[chosen.panel]], deepest)
    texts = np.array([", ".join(k for n, k in enumerate(DEFECT_KINDS) if b >> n & 1) for b in range(32)], dtype=object)
    bounds = panels.bounds[chosen.panel]
    shape = shapely.box(*(box / TICKS_PER_M).T)
    area = (box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1]) / TICKS_PER_M**2
    long, wide = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
    sawn = (box != bounds).astype(np.int64)
    saw = wide * (sawn[:, 0] + sawn[:, 2]) + long * (sawn[:, 1] + sawn[:, 3]) - chosen.shared
    saw_m = saw / TICKS_PER_M
    inside = area.copy()
    odd = np.flatnonzero(shapely.area(panels.edge[chosen.panel]) > 0)
    if len(odd):
        shape[odd], saw_m[odd] = within(box[odd], panels.edge[chosen.panel[odd]])
        inside[odd] = np.minimum(shapely.area(shape[odd]), area[odd])
        for at in odd[chosen.split[odd]]:
            near = [n for n in odd if n != at and chosen.panel[n] == chosen.panel[at]]
            for other in near:
                pair = [(*box[n].tolist(), False) for n in (at, other)]
                saw_m[at] -= shared_within(pair, panels.edge[chosen.panel[at]])
    deck = panels.deck[chosen.panel]
    order = np.lexsort((box[:, 3], box[:, 2], box[:, 1], box[:, 0], deck))
    deck = deck[order]
    metres = box[order] / TICKS_PER_M
    first = np.searchsorted(deck, deck, side="left")
    return pd.DataFrame(
        {
            "deck_id": decks["deck_id"].to_numpy(dtype=object)[deck],
            "number": pd.array(np.arange(count) - first + 1, dtype="Int64"),
            "from_station_m": metres[:, 0],
            "to_station_m": metres[:, 2],
            "from_offset_m": metres[:, 1],
            "to_offset_m": metres[:, 3],
            "length_m": long[order] / TICKS_PER_M,
            "width_m": wide[order] / TICKS_PER_M,
            "area_m2": inside[order],
            "outside_m2": (area - inside)[order],
            "saw_cut_m": saw_m[order],
            "depth_class": np.where(chosen.full, "full", "partial")[order],
            "depth_mm": deepest[order],
            "unsound_m2": unsound[order],
            "kinds": texts[bits[order]],
            "shape": shape[order],
        }
    ).astype({"deck_id": "str", "depth_class": "str", "kinds": "str"})


def _contents(chosen: _Chosen, label: Ints, pieces: Pieces, margin: int) -> tuple[Ints, Ints, NDArray[np.object_]]:
    """Which areas lie in which limits, whole or in part: limit, area, the part (m).

    A limit that holds no more than the margin of an area is put with it all the same.
    """
    simple = np.flatnonzero(label >= 0)
    rest = np.flatnonzero(label < 0)
    if not len(rest):
        return label, np.arange(len(label)), pieces.shape
    split = np.flatnonzero(chosen.split)
    stride = int(pieces.raw[:, 2].max() - pieces.raw[:, 0].min()) * 2 + 100 * TICKS_PER_M
    here, there = chosen.box[split].copy(), pieces.raw[rest].copy()
    here[:, [0, 2]] += (chosen.panel[split] * stride)[:, None]
    there[:, [0, 2]] += (pieces.panel[rest] * stride)[:, None]
    i, j = near_pairs(here, there, margin + 1)
    limit, piece = split[i], rest[j]
    part = pieces.shape[piece].copy()
    raw, within = pieces.raw[piece], chosen.box[limit]
    cut = (raw[:, :2] < within[:, :2]).any(axis=1) | (raw[:, 2:] > within[:, 2:]).any(axis=1)
    part[cut] = shapely.intersection(part[cut], shapely.box(*(within[cut] / TICKS_PER_M).T))
    real = shapely.area(part) > 0
    real |= ~np.isin(limit, limit[real])
    return (
        np.concatenate([label[simple], limit[real]]),
        np.concatenate([simple, piece[real]]),
        np.concatenate([pieces.shape[simple], part[real]]),
    )

"""Defects and repair limits of the made-up records, drawn as a crew would draw them.

Each deck has places where its concrete will go hollow, near joints, gutters and wheel paths. A
place appears once the deck's damage passes its onset and grows from then on; a patch takes it away.

References
----------
assumption: sizes and positions are chosen to look believable; none is measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

__all__ = ["Sites", "draw_defects", "hand_drawn", "make_sites"]

CORNERS = 12
SITE_M2 = 2.4
MOST_SITES = 44
LIMIT_MARGIN_M = 0.08
LIMIT_STEP_M = 0.05
PATCH_GAP_M = 0.30


@dataclass
class Sites:
    """Places that go hollow, and the patches laid on them.

    Attributes
    ----------
    pool : dict
        (deck, life) to the slice of its sites.
    onset, weight, x, y, aspect, amp, phase, spalls, gone : array, one row a site
        Damage at which it appears (share), pace, middle (m), form, readiness to spall (0 to 1), day
        on which a patch took it away.
    patch_job, patch_m2, patch_shape, patch_box, patch_deck, patch_fails, patch_until : array, one row a patch
        Job and deck it belongs to, limits, day it fails, day it is done again or overlaid.
    """

    pool: dict[tuple[int, int], slice]
    onset: Any
    weight: Any
    x: Any
    y: Any
    aspect: Any
    amp: Any
    phase: Any
    spalls: Any
    gone: Any
    patch_job: Any
    patch_m2: Any
    patch_shape: Any
    patch_box: Any
    patch_deck: Any
    patch_fails: Any
    patch_until: Any


def hand_drawn(x: Any, y: Any, area: Any, aspect: Any, amp: Any, phase: Any, wobble: Any) -> Any:
    """Irregular polygons round given points.

    Parameters
    ----------
    x, y, area, aspect : array, shape (n,)
        Middle (m), area (m2) and length over width.
    amp, phase : array, shape (n, 3)
        Size and turn (rad) of the second to fourth harmonics of the radius.
    wobble : array, shape (n, CORNERS)
        The unsteady hand: added to the radius, about 0.05.

    Returns
    -------
    array of Polygon, shape (n,)
    """
    n = len(x)
    if n == 0:
        return np.zeros(0, dtype=object)
    turn = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False)
    radius = 1.0 + wobble
    for i, harmonic in enumerate((2, 3, 4)):
        radius = radius + amp[:, [i]] * np.cos(harmonic * turn[None, :] + phase[:, [i]])
    radius = np.maximum(radius, 0.3)
    unit_x, unit_y = radius * np.cos(turn), radius * np.sin(turn)
    unit = 0.5 * np.abs(np.sum(unit_x * np.roll(unit_y, -1, axis=1) - unit_y * np.roll(unit_x, -1, axis=1), axis=1))
    scale = np.sqrt(np.asarray(area) / unit)
    stretch = np.sqrt(np.asarray(aspect))
    points = np.empty((n, CORNERS + 1, 2))
    points[:, :-1, 0] = x[:, None] + (scale * stretch)[:, None] * unit_x
    points[:, :-1, 1] = y[:, None] + (scale / stretch)[:, None] * unit_y
    points[:, -1] = points[:, 0]
    points = np.round(points, 2)
    rings = shapely.linearrings(points.reshape(-1, 2), indices=np.repeat(np.arange(n), CORNERS + 1))
    return shapely.polygons(rings)


def _inside(polygon: Any, low_x: Any, low_y: Any, high_x: Any, high_y: Any) -> Any:
    """Polygons cut at the edges of the deck or strip; the largest part of each; None where none is left."""
    out = polygon.copy()
    bounds = shapely.bounds(polygon)
    over = (bounds[:, 0] < low_x) | (bounds[:, 1] < low_y) | (bounds[:, 2] > high_x) | (bounds[:, 3] > high_y)
    over |= ~shapely.is_valid(polygon)
    k = np.flatnonzero(over)
    box = shapely.box(low_x[k], low_y[k], high_x[k], high_y[k])
    cut = shapely.intersection(shapely.make_valid(polygon[k]), box)
    for i, shape in zip(k, cut, strict=True):
        parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
        out[i] = max(parts, key=shapely.area) if parts else None
    return out


def make_sites(stock: Any, surveys: dict[str, Any], repairs: dict[str, Any], rng: np.random.Generator) -> Sites:
    """Sites of every drawn deck and life, with the patches laid on them in date order."""
    drawn = stock["drawn"].to_numpy(dtype=bool)
    length = stock["length_m"].to_numpy(dtype=float)
    width = stock["width_m"].to_numpy(dtype=float)
    worst: dict[tuple[int, int], float] = {}
    for source in (surveys, repairs):
        use = drawn[source["deck"]]
        for deck, life, damage in zip(source["deck"][use], source["life"][use], source["damage"][use], strict=True):
            key = (int(deck), int(life))
            worst[key] = max(worst.get(key, 1e-6), float(damage))
    keys = sorted(worst)
    decks = np.array([k[0] for k in keys], dtype=np.int64)
    most = np.array([worst[k] for k in keys], dtype=float)
    count = np.clip(length[decks] * width[decks] * np.minimum(most * 1.3, 0.6) / SITE_M2, 4, MOST_SITES).astype(int)
    stop = np.cumsum(count)
    pool = {key: slice(int(b - c), int(b)) for key, b, c in zip(keys, stop, count, strict=True)}
    n = int(stop[-1]) if len(stop) else 0
    of = np.repeat(np.arange(len(keys)), count)
    deck = decks[of] if n else np.zeros(0, dtype=np.int64)
    onset = rng.uniform(0, 1.25, n) * (most[of] if n else 0)
    if n:
        onset[stop - count] = 0.0
    bays = np.maximum(1, np.round(length / 35))[deck]
    at_joint = np.round(rng.uniform(0, 1, n) * bays) / bays * length[deck] + rng.normal(0, 0.9, n)
    x = np.where(rng.uniform(size=n) < 0.38, at_joint, rng.uniform(0, 1, n) * length[deck])
    side = np.where(rng.uniform(size=n) < 0.5, -1.0, 1.0)
    gutter = side * (width[deck] / 2 - np.abs(rng.normal(0.3, 0.35, n)))
    wheel = side * (width[deck] / 4) + rng.choice([-0.9, 0.9], size=n) + rng.normal(0, 0.3, n)
    where = rng.uniform(size=n)
    y = np.where(where < 0.30, gutter, np.where(where < 0.72, wheel, rng.uniform(-0.5, 0.5, n) * width[deck]))
    sites = Sites(
        pool=pool,
        onset=onset,
        weight=np.exp(0.7 * rng.standard_normal(n)),
        x=np.clip(x, 0.1, np.maximum(length[deck] - 0.1, 0.1)),
        y=np.clip(y, 0.1 - width[deck] / 2, width[deck] / 2 - 0.1),
        aspect=np.exp(np.abs(rng.normal(0.35, 0.35, n))),
        amp=rng.uniform(-1, 1, (n, 3)) * np.array([0.22, 0.16, 0.10]),
        phase=rng.uniform(0, 2 * np.pi, (n, 3)),
        spalls=rng.uniform(size=n),
        gone=np.full(n, np.inf),
        patch_job=np.zeros(0, dtype=np.int64),
        patch_m2=np.zeros(0),
        patch_shape=np.zeros(0, dtype=object),
        patch_box=np.zeros((0, 4)),
        patch_deck=np.zeros(0, dtype=np.int64),
        patch_fails=np.zeros(0),
        patch_until=np.zeros(0),
    )
    _lay_patches(sites, repairs, drawn, length, width)
    return sites


def _lay_patches(sites: Sites, repairs: dict[str, Any], drawn: Any, length: Any, width: Any) -> None:
    jobs: list[int] = []
    boxes: list[Any] = []
    fails: list[float] = []
    until: list[float] = []
    on_deck: dict[int, list[int]] = {}
    use = np.flatnonzero(drawn[repairs["deck"]])
    for job in use[np.argsort(repairs["day"][use], kind="stable")]:
        deck, day = int(repairs["deck"][job]), float(repairs["day"][job])
        standing = [p for p in on_deck.get(deck, []) if until[p] > day]
        if repairs["treatment"][job] not in ("patch", "patch and seal"):
            for p in standing:
                until[p] = day
            continue
        part = sites.pool[deck, int(repairs["life"][job])]
        index = np.arange(part.start, part.stop)
        raw = sites.weight[index] * np.maximum(repairs["damage"][job] - sites.onset[index], 0)
        raw[sites.gone[index] <= day] = 0
        total = raw.sum()
        again = [p for p in standing if fails[p] <= day]
        for p in again:
            until[p] = day
        made = [boxes[p] for p in again]
        if total > 0:
            order = np.argsort(-raw, kind="stable")
            order = order[raw[order] > 0]
            enough = int(np.searchsorted(np.cumsum(raw[order]) / total, repairs["part"][job])) + 1
            take = index[order[:enough]]
            share = max(float(repairs["before"][job]) * 0.9, 1e-4)
            area = np.maximum(raw[order[:enough]] / total * share * length[deck] * width[deck], 0.04)
            sites.gone[take] = day
            flat = np.zeros((len(take), CORNERS))
            drawn_shape = hand_drawn(
                sites.x[take], sites.y[take], area, sites.aspect[take], sites.amp[take], sites.phase[take], flat
            )
            bounds = shapely.bounds(drawn_shape) + LIMIT_MARGIN_M * np.array([-1, -1, 1, 1])
            half = width[deck] / 2
            low = np.floor(bounds[:, :2] / LIMIT_STEP_M) * LIMIT_STEP_M
            high = np.ceil(bounds[:, 2:] / LIMIT_STEP_M) * LIMIT_STEP_M
            bounds = np.hstack([np.maximum(low, [0, -half]), np.minimum(high, [length[deck], half])])
            made = made + list(bounds)
        made = _merged(made)
        sizes = np.array([(b[2] - b[0]) * (b[3] - b[1]) for b in made])
        groups = repairs["fails"].shape[1]
        group = np.minimum((np.cumsum(sizes) - sizes / 2) / sizes.sum() * groups, groups - 1).astype(int)
        for box, g in zip(made, group, strict=True):
            inside = (sites.x[index] > box[0]) & (sites.x[index] < box[2])
            inside &= (sites.y[index] > box[1]) & (sites.y[index] < box[3])
            sites.gone[index[inside]] = np.minimum(sites.gone[index[inside]], day)
            on_deck.setdefault(deck, []).append(len(jobs))
            jobs.append(int(job))
            boxes.append(box)
            fails.append(float(repairs["fails"][job, g]))
            until.append(np.inf)
    if not jobs:
        return
    box = np.round(np.array(boxes), 2)
    sites.patch_job = np.array(jobs, dtype=np.int64)
    sites.patch_box = box
    sites.patch_shape = shapely.box(*box.T)
    sites.patch_m2 = shapely.area(sites.patch_shape)
    sites.patch_deck = repairs["deck"][sites.patch_job]
    sites.patch_fails = np.array(fails)
    sites.patch_until = np.array(until)


def _merged(boxes: list[Any]) -> list[Any]:
    """Boxes that overlap become one, and near ones where that takes out little more."""
    out: list[Any] = []
    for new in boxes:
        box = np.array(new, dtype=float)
        moved = True
        while moved:
            moved = False
            for i, old in enumerate(out):
                gap = np.maximum(old[:2] - box[2:], box[:2] - old[2:])
                both = np.r_[np.minimum(box[:2], old[:2]), np.maximum(box[2:], old[2:])]
                size, old_size, new_size = (float(np.prod(b[2:] - b[:2])) for b in (both, old, box))
                if np.all(gap < 0) or (np.all(gap < PATCH_GAP_M) and size < 1.25 * (old_size + new_size)):
                    box = both
                    out.pop(i)
                    moved = True
                    break
        out.append(box)
    return out


def draw_defects(source: dict[str, Any], stock: Any, sites: Sites, rng: np.random.Generator) -> tuple[Any, Any, Any]:
    """Defects of every survey of a drawn deck.

    Parameters
    ----------
    source : dict of array, shape (surveys,)
        deck, day, life, damage; seen and failed_seen (share), covered (m2), low and high (m: the
        strip sounded), spall_part, hole and bar (m2).
    stock : DataFrame
    sites : Sites
    rng : Generator

    Returns
    -------
    kind, owner, polygon : arrays, shape (defects,)
        Owner is the place of the survey in ``source``.
    """
    length = stock["length_m"].to_numpy(dtype=float)
    survey = np.flatnonzero(stock["drawn"].to_numpy(dtype=bool)[source["deck"]])
    where = [sites.pool[int(d), int(v)] for d, v in zip(source["deck"][survey], source["life"][survey], strict=True)]
    start = np.array([w.start for w in where], dtype=np.int64)
    count = np.array([w.stop - w.start for w in where], dtype=np.int64)
    owner = np.repeat(survey, count)
    site = np.repeat(start - np.r_[0, np.cumsum(count)[:-1]] if len(count) else start, count) + np.arange(count.sum())
    raw = sites.weight[site] * np.maximum(source["damage"][owner] - sites.onset[site], 0)
    low, high = source["low"][owner], source["high"][owner]
    seen = (sites.gone[site] > source["day"][owner]) & (sites.y[site] > low) & (sites.y[site] < high)
    raw = np.where(seen, raw, 0.0) * np.exp(0.12 * rng.standard_normal(len(raw)))
    total = np.bincount(owner, weights=raw, minlength=len(source["deck"]))
    # Outlines overlap and are cut at edges: drawn a little larger, their union comes to the area found.
    target = 1.14 * source["covered"] * np.maximum(source["seen"] - source["failed_seen"], 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        area = np.where(raw > 0, raw / total[owner] * target[owner], 0.0)
    keep = area > 0.02
    owner, site, area = owner[keep], site[keep], area[keep]

    def polygons(o: Any, s: Any, a: Any, shift: Any = 0.0) -> Any:
        wobble = 0.05 * rng.standard_normal((len(o), CORNERS))
        shape = hand_drawn(sites.x[s] + shift, sites.y[s], a, sites.aspect[s], sites.amp[s], sites.phase[s], wobble)
        return _inside(shape, np.zeros(len(o)), source["low"][o], length[source["deck"][o]], source["high"][o])

    spalled = (sites.spalls[site] < 1.3 * source["spall_part"][owner]) & (area > 0.1)
    within = spalled & (sites.phase[site, 0] < np.pi)
    kinds = [np.where(spalled & ~within, "spall", "delamination").astype(object)]
    owners, shapes_ = [owner], [polygons(owner, site, area)]
    k = np.flatnonzero(within)
    kinds.append(np.full(len(k), "spall", dtype=object))
    owners.append(owner[k])
    shapes_.append(polygons(owner[k], site[k], 0.3 * area[k], 0.1))
    for word in ("hole", "bar"):
        # In the largest hollow place; a survey without one has no drawing of it.
        ranked = np.lexsort((-area, owner))
        first = ranked[np.r_[True, owner[ranked][1:] != owner[ranked][:-1]]] if len(owner) else ranked
        first = first[source[word][owner[first]] > 0]
        kinds.append(np.full(len(first), "exposed bar" if word == "bar" else word, dtype=object))
        owners.append(owner[first])
        shapes_.append(polygons(owner[first], site[first], source[word][owner[first]]))
    rows, patches = _failed_patches(source, survey, sites)
    box = sites.patch_box[patches]
    size = (box[:, 2:] - box[:, :2]) if len(box) else np.zeros((0, 2))
    centre = (box[:, 2:] + box[:, :2]) / 2 if len(box) else np.zeros((0, 2))
    n = len(rows)
    amp = rng.uniform(-0.06, 0.06, (n, 3)) + np.array([0.0, 0.0, -0.10])
    shape = hand_drawn(
        centre[:, 0], centre[:, 1], 0.78 * size[:, 0] * size[:, 1], size[:, 0] / size[:, 1], amp, np.zeros((n, 3)),
        0.03 * rng.standard_normal((n, CORNERS)),
    )  # fmt: skip
    kinds.append(np.full(n, "failed patch", dtype=object))
    owners.append(rows)
    shapes_.append(_inside(shape, np.zeros(n), source["low"][rows], length[source["deck"][rows]], source["high"][rows]))
    kind, owner, polygon = np.concatenate(kinds), np.concatenate(owners), np.concatenate(shapes_)
    real = shapely.area(polygon) > 0.01
    return kind[real], owner[real], polygon[real]


def _failed_patches(source: dict[str, Any], survey: Any, sites: Sites) -> tuple[Any, Any]:
    """Pairs of survey and patch where the patch is found unsound."""
    by_deck: dict[int, list[int]] = {}
    for p, deck in enumerate(sites.patch_deck):
        by_deck.setdefault(int(deck), []).append(p)
    rows: list[int] = []
    patches: list[int] = []
    for s in survey:
        day = source["day"][s]
        for p in by_deck.get(int(source["deck"][s]), []):
            middle = (sites.patch_box[p, 1] + sites.patch_box[p, 3]) / 2
            if sites.patch_fails[p] <= day < sites.patch_until[p] and source["low"][s] < middle < source["high"][s]:
                rows.append(int(s))
                patches.append(p)
    return np.array(rows, dtype=np.int64), np.array(patches, dtype=np.int64)

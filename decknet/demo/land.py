"""An invented coast: land and sea, rivers that run downhill, towns, routes, and bridges where they cross.

Nothing here is a real place. The land is drawn in open ocean, on a plane of metres (UTM zone 8 south).

References
----------
assumption: shapes, sizes and names are our own.
"""

from __future__ import annotations

import heapq
import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import substring

__all__ = ["PLANE_CRS", "Crossing", "Land", "make_land"]

PLANE_CRS = "EPSG:32708"
WEST_M, SOUTH_M = 460_000.0, 4_985_000.0
STEP_M = 400.0
COLUMNS, ROWS = 206, 156
RIVER_M2 = 60e6
STREAM_M2 = 1.5e6
DISTRICTS = ("West Shore", "Bayside", "Eastmark")

_HEADS = (
    "Ombr", "Vesk", "Tarrl", "Quell", "Ildr", "Yarrv", "Fenzl", "Pelg", "Osk", "Dravv", "Mirr", "Sunn", "Korv", "Ebb",
    "Lurr", "Hask", "Zell", "Orrv", "Treng", "Wesk", "Brinn", "Cavv", "Durl", "Esk", "Garr", "Jass", "Nelv", "Pruv",
    "Rhosk", "Skell", "Thrav", "Ulm", "Yest", "Arld", "Bexl", "Drosk",
)  # fmt: skip
_TAILS = (
    "ane", "owick", "imer", "unta", "ebeck", "orra", "ivale", "enmoor", "ulth", "asey", "ondle", "ira", "ackle", "oth",
    "umber", "elow",
)  # fmt: skip
_DIRECTIONS = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))
_HALF_DIRECTIONS = ((1, 0), (0, 1), (1, 1), (1, -1), (1, 2), (2, 1), (2, -1), (1, -2))


@dataclass(frozen=True, slots=True)
class Crossing:
    """A place where a route crosses water or another route."""

    route: int
    at_m: float
    point: Any
    over: str
    water_m2: float


@dataclass(frozen=True, slots=True)
class Land:
    """The invented district, in metres of ``PLANE_CRS``."""

    shoreline: list[Any]
    districts: list[Any]
    rivers: list[tuple[str, Any, float]]
    routes: list[tuple[str, Any]]
    towns: list[tuple[str, Any, bool]]
    crossings: list[Crossing]
    names: Names


class Names:
    """Names of our own, none twice."""

    def __init__(self, rng: np.random.Generator) -> None:
        tails = [rng.permutation(_TAILS) for _ in _HEADS]
        rounds = [[h + str(t[k]) for h, t in zip(_HEADS, tails, strict=True)] for k in range(len(_TAILS))]
        names = [turn[i] for turn in reversed(rounds) for i in rng.permutation(len(turn))]
        self._left = [f"Little {name}" for name in names] + names

    def new(self) -> str:
        """The next name."""
        return str(self._left.pop())


def _noise(rng: np.random.Generator, shape: tuple[int, int], coarse: float, octaves: int) -> Any:
    """Smooth noise with finer and finer detail, about -1 to 1."""
    out = np.zeros(shape)
    for octave in range(octaves):
        rough = ndimage.gaussian_filter(rng.standard_normal(shape), coarse / 2**octave, mode="reflect")
        out += rough / rough.std() * 0.55**octave
    return out / 2.2


def _chaikin(points: Any, times: int = 3) -> Any:
    """A line with its corners cut, ends kept."""
    for _ in range(times):
        a, b = points[:-1], points[1:]
        cut = np.empty((2 * len(a), 2))
        cut[0::2], cut[1::2] = 0.75 * a + 0.25 * b, 0.25 * a + 0.75 * b
        points = np.vstack([points[:1], cut, points[-1:]])
    return points


def _coast(rng: np.random.Generator) -> Any:
    """The shoreline from west to east: a wide bay, a leaning headland, small coves."""
    t = np.linspace(-8_000, 90_000, 1600)
    y = 13_500 + 0.035 * (t - 40_000)
    y += 13_500 * np.exp(-(((t - 27_000) / 8_000) ** 2)) + 3_000 * np.exp(-(((t - 66_500) / 3_500) ** 2))
    y -= 11_500 * np.exp(-(((t - 50_500) / 4_600) ** 2))
    x = t + 3_200 * np.exp(-(((t - 52_500) / 4_000) ** 2)) - 2_200 * np.exp(-(((t - 32_000) / 4_500) ** 2))
    for size_m, period_m in ((1_300, 9_500), (700, 4_200), (420, 1_900), (210, 800)):
        for axis in (0, 1):
            bend = ndimage.gaussian_filter1d(rng.standard_normal(len(t)), period_m / 61 / 3.2)
            move = bend / bend.std() * size_m * (0.5 if axis == 0 else 0.8)
            if axis == 0:
                x = x + move
            else:
                y = y + move
    line = LineString(np.column_stack([x, y])[::2])
    if not line.is_simple:  # the noise looped: keep the outer shore
        sea = shapely.make_valid(Polygon([*line.coords, (95_000, -30_000), (-15_000, -30_000)]))
        sea = max(shapely.get_parts(sea), key=shapely.area)
        ground = shapely.box(-7_000, -40_000, 89_000, 80_000).difference(sea)
        ground = max(shapely.get_parts(ground), key=shapely.area)
        inner = shapely.box(-6_999, -39_999, 88_999, 79_999)
        edge = shapely.line_merge(ground.exterior.intersection(inner))
        line = max(shapely.get_parts(edge), key=shapely.length)
        if line.coords[0][0] > line.coords[-1][0]:
            line = line.reverse()
    return np.array(line.coords)


def _fill(height: Any, sea: Any, rng: np.random.Generator) -> Any:
    """Heights with every hollow filled so that all land drains to the sea (a flood from the shore inward)."""
    filled = np.full(height.shape, np.inf)
    queue: list[tuple[float, int, int]] = []
    for r, c in zip(*np.nonzero(sea & ndimage.binary_dilation(~sea)), strict=True):
        filled[r, c] = 0.0
        queue.append((0.0, int(r), int(c)))
    filled[sea] = 0.0
    heapq.heapify(queue)
    done = sea.copy()
    rise = rng.uniform(0.02, 1.2, height.shape)
    while queue:
        level, r, c = heapq.heappop(queue)
        for dr, dc in _DIRECTIONS:
            i, j = r + dr, c + dc
            if 0 <= i < ROWS and 0 <= j < COLUMNS and not done[i, j]:
                done[i, j] = True
                filled[i, j] = max(float(height[i, j]), level + float(rise[i, j]))
                heapq.heappush(queue, (filled[i, j], i, j))
    return filled


def _drain(filled: Any, sea: Any) -> tuple[Any, Any]:
    """The cell each cell drains to (flat index, -1 at sea), and the area drained through it (m2)."""
    to = np.full(ROWS * COLUMNS, -1, dtype=np.int64)
    steepest = np.full(filled.shape, 0.0)
    rows, cols = np.mgrid[0:ROWS, 0:COLUMNS]
    for dr, dc in _DIRECTIONS:
        i, j = rows + dr, cols + dc
        ok = (i >= 0) & (i < ROWS) & (j >= 0) & (j < COLUMNS) & ~sea
        drop = np.zeros(filled.shape)
        drop[ok] = (filled[ok] - filled[i[ok], j[ok]]) / np.hypot(dr, dc)
        better = ok & (drop > steepest)
        steepest[better] = drop[better]
        to[np.flatnonzero(better.ravel())] = (i * COLUMNS + j)[better]
    area = np.where(sea.ravel(), 0.0, STEP_M**2)
    for cell in np.argsort(-filled.ravel(), kind="stable"):
        if to[cell] >= 0:
            area[to[cell]] += area[cell]
    return to, area


def _channels(to: Any, area: Any, sea: Any, where: Any) -> list[tuple[Any, float, int]]:
    """Rivers and streams as (line, area drained at the mouth, cells), main stems first."""
    wet = (area >= STREAM_M2) & ~sea.ravel()
    fed = np.zeros(len(to), dtype=bool)
    fed[to[wet & (to >= 0)]] = True
    paths: list[list[int]] = []
    for head in np.flatnonzero(wet & ~fed):
        path = [int(head)]
        while to[path[-1]] >= 0:
            path.append(int(to[path[-1]]))
        paths.append(path)
    paths.sort(key=lambda p: (-len(p), p[0]))
    taken = np.zeros(len(to), dtype=bool)
    out: list[tuple[Any, float, int]] = []
    for path in paths:
        cut = next((k for k, cell in enumerate(path) if taken[cell]), len(path) - 1)
        cells = path[: cut + 1]
        taken[cells] = True
        if len(cells) >= 4:
            out.append((_chaikin(where[cells], 2), float(area[cells[-2]]), len(cells)))
    return out


def _path(cost: Any, start: int, stop: int) -> list[int]:
    """Cells of the cheapest way between two cells."""
    best = np.full(ROWS * COLUMNS, np.inf)
    came = np.full(ROWS * COLUMNS, -1, dtype=np.int64)
    best[start] = 0.0
    queue = [(0.0, start)]
    flat = cost.ravel()
    steps = [(s * a, s * b) for a, b in _HALF_DIRECTIONS for s in (1, -1)]
    while queue:
        far, cell = heapq.heappop(queue)
        if cell == stop:
            break
        if far > best[cell]:
            continue
        r, c = divmod(cell, COLUMNS)
        for dr, dc in steps:
            i, j = r + dr, c + dc
            if 0 <= i < ROWS and 0 <= j < COLUMNS:
                new = i * COLUMNS + j
                via = far + 0.5 * (flat[cell] + flat[new]) * float(np.hypot(dr, dc))
                if via < best[new]:
                    best[new], came[new] = via, cell
                    heapq.heappush(queue, (via, new))
    out = [stop]
    while out[-1] != start:
        out.append(int(came[out[-1]]))
    return out[::-1]


def make_land(rng: np.random.Generator) -> Land:
    """Draw the district.

    Parameters
    ----------
    rng : Generator

    Returns
    -------
    Land
        Lines and polygons in metres of ``PLANE_CRS``.
    """
    names = Names(rng)
    coast = _coast(rng)
    ground = Polygon([*map(tuple, coast), (95_000, 90_000), (-15_000, 90_000)]).buffer(0)
    cols, rows = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
    middle = np.column_stack([(cols.ravel() - 3) * STEP_M, (rows.ravel() - 3) * STEP_M])
    sea = ~shapely.contains_xy(ground, middle[:, 0], middle[:, 1]).reshape(ROWS, COLUMNS)
    inland_km = ndimage.distance_transform_edt(~sea) * STEP_M / 1000
    ridges = 1 - np.abs(_noise(rng, sea.shape, 17.0, 4))
    height = 14 * inland_km**0.9 + 130 * ridges * np.minimum(inland_km / 9, 1.6) + 18 * _noise(rng, sea.shape, 4.0, 3)
    height += 5 * rng.standard_normal(sea.shape)
    filled = _fill(np.where(sea, 0.0, np.maximum(height, 1.0)), sea, rng)
    to, drained = _drain(filled, sea)
    where = middle + rng.uniform(-0.36, 0.36, middle.shape) * STEP_M
    frame = shapely.box(0, 0, 80_000, 60_000)
    channels = _channels(to, drained, sea, where)
    inland_edge = _inland_edge(rng)
    district = max(shapely.get_parts(ground.intersection(inland_edge).intersection(frame)), key=shapely.area)
    rivers: list[tuple[str, Any, float]] = []
    for points, area, _ in channels:
        line = LineString(points).intersection(ground).intersection(district.buffer(1_500))
        parts = [p for p in shapely.get_parts(line) if p.length > 1_200 and district.intersects(p)]
        if parts:
            kind = "River " + names.new() if area >= RIVER_M2 else names.new() + " Brook"
            rivers.append((kind, max(parts, key=shapely.length), area))
    flow = np.where(sea, 0.0, drained.reshape(ROWS, COLUMNS))
    towns = _towns(rng, middle, sea, inland_km, flow, filled, district, names)
    routes = _routes(rng, towns, district, middle, sea, inland_km, flow, filled, where)
    crossings = _crossings(routes, rivers, towns)
    shift = (WEST_M, SOUTH_M)
    shoreline = [LineString(coast).intersection(frame)]
    shoreline = [p for s in shoreline for p in shapely.get_parts(s) if p.length > 2_000]
    islands = [
        Polygon(
            _chaikin(
                np.array([x, y])
                + (r * (1 + 0.3 * rng.standard_normal(11)).clip(0.4, 1.6))[:, None]
                * np.column_stack([1.5 * np.cos(a), np.sin(a)])
            )
        )
        for x, y, r in ((29_500, 13_000, 900), (33_200, 9_300, 420), (58_800, 2_800, 520))
        for a in [np.linspace(0, 2 * np.pi, 11, endpoint=False)]
    ]
    shoreline += [p.exterior for p in islands if not p.buffer(300).intersects(ground)]
    parts = _split(district, rng)

    def moved(shape: Any) -> Any:
        return shapely.transform(shape, lambda xy: np.round(xy + shift, 1))

    return Land(
        shoreline=[moved(s) for s in shoreline],
        districts=[moved(p) for p in parts],
        rivers=[(name, moved(line), area) for name, line, area in rivers],
        routes=[(name, moved(line)) for name, line in routes],
        towns=[(name, moved(point), port) for name, point, port in towns],
        crossings=[Crossing(c.route, c.at_m, moved(c.point), c.over, c.water_m2) for c in crossings],
        names=names,
    )


def _inland_edge(rng: np.random.Generator) -> Any:
    """Everything seaward of the watershed that ends the district inland."""
    x = np.linspace(-2_000, 82_000, 60)
    bend = ndimage.gaussian_filter1d(rng.standard_normal(60), 2.5)
    y = 54_500 + 2_600 * bend / bend.std() * 0.8
    sides = 1_200 + 700 * np.sin(np.linspace(0, 9, 30)), 78_800 + 700 * np.sin(np.linspace(2, 10, 30))
    up = np.linspace(-5_000, 60_000, 30)
    ring = [*zip(x, y, strict=True), (82_000, -5_000), (-2_000, -5_000)]
    west = Polygon([*zip(sides[0], up, strict=True), (90_000, 60_000), (90_000, -5_000)])
    east = Polygon([*zip(sides[1], up, strict=True), (-10_000, 60_000), (-10_000, -5_000)])
    return Polygon(ring).intersection(west).intersection(east)


def _split(district: Any, rng: np.random.Generator) -> list[Any]:
    """The three sub-areas, west to east."""
    rest, out = district, []
    for x in (24_500, 52_500):
        up = np.linspace(-5_000, 65_000, 40)
        bend = ndimage.gaussian_filter1d(rng.standard_normal(40), 2.0)
        line = x + 1_500 * bend / bend.std() + 0.06 * (up - 30_000)
        west = Polygon([*zip(line, up, strict=True), (-20_000, 65_000), (-20_000, -5_000)])
        out.append(rest.intersection(west))
        rest = rest.difference(west)
    return [*out, rest]


def _towns(
    rng: np.random.Generator,
    middle: Any,
    sea: Any,
    inland_km: Any,
    flow: Any,
    filled: Any,
    district: Any,
    names: Names,
) -> list[tuple[str, Any, bool]]:
    """Towns near water, on low ground, well apart; ports first."""
    near_water = ndimage.gaussian_filter(np.sqrt(flow), 1.5)
    score = near_water / near_water.max() + 0.35 * np.exp(-inland_km / 4) - filled / filled.max() * 0.5
    score = score + 0.06 * rng.standard_normal(score.shape)
    safe = shapely.contains_xy(district.buffer(-2_500), middle[:, 0], middle[:, 1]).reshape(score.shape)
    safe |= shapely.contains_xy(district, middle[:, 0], middle[:, 1]).reshape(score.shape) & (inland_km < 2)
    score[sea | ~safe | (inland_km < 0.6)] = -np.inf
    out: list[tuple[str, Any, bool]] = []
    places: list[Any] = []
    for cell in np.argsort(-score.ravel(), kind="stable"):
        if not np.isfinite(score.ravel()[cell]) or len(out) == 12:
            break
        at = middle[cell]
        if all(np.hypot(*(at - p)) > 11_000 for p in places) and 3_000 < at[0] < 77_000:
            places.append(at)
            out.append((names.new(), Point(at), bool(inland_km.ravel()[cell] < 4.5)))
    return out


def _cell(point: Any) -> int:
    return int(point.y / STEP_M + 3.5) * COLUMNS + int(point.x / STEP_M + 3.5)


def _joined(way_m: Any, a: int, b: int, length_m: float) -> Any:
    """Lengths by road between all towns once a road joins two of them."""
    via = way_m[:, [a]] + length_m + way_m[[b], :]
    return np.minimum(way_m, np.minimum(via, via.T))


def _routes(
    rng: np.random.Generator,
    towns: list[tuple[str, Any, bool]],
    district: Any,
    middle: Any,
    sea: Any,
    inland_km: Any,
    flow: Any,
    filled: Any,
    where: Any,
) -> list[tuple[str, Any]]:
    """R 1 along the coast, then routes inland and between, each the cheapest way over the ground."""
    slope = np.hypot(*np.gradient(filled))
    cost = 1 + 0.035 * slope + 0.5 * (flow > RIVER_M2) + 0.25 * (flow > STREAM_M2)
    cost = cost * np.exp(0.25 * ndimage.gaussian_filter(rng.standard_normal(cost.shape), 2.0) * 4)
    cost[sea] = 1e6
    cost[(inland_km < 0.9) & ~sea] *= 3
    at = np.array([[t[1].x, t[1].y] for t in towns])
    coastal = sorted((i for i, t in enumerate(towns) if t[2]), key=lambda i: at[i, 0])
    inland = sorted((i for i in range(len(towns)) if i not in coastal), key=lambda i: at[i, 0])
    chains = [[at[i] for i in coastal], [at[i] for i in inland]]
    far = np.hypot(*(at[:, None] - at[None, :]).transpose(2, 0, 1))
    way_m = np.where(np.eye(len(at)) > 0, 0.0, np.inf)
    # No new road is thought of where the straight way lies over the sea.
    crow = shapely.linestrings(np.stack([np.repeat(at, len(at), axis=0), np.tile(at, (len(at), 1))], axis=1))
    over_land = shapely.length(shapely.intersection(crow, district)) / np.maximum(shapely.length(crow), 1.0)
    direct = over_land.reshape(far.shape) < 0.93
    for chain in (coastal, inland):
        for a, b in itertools.pairwise(chain):
            way_m = _joined(way_m, a, b, far[a, b])
            direct[a, b] = direct[b, a] = True
    # Link towns that are near as the crow flies and far by road, each road going on to a third town.
    while len(chains) < 7:
        ends: list[int] = []
        for _ in range(2):
            worth = np.where(direct, 0, np.minimum(way_m, 200_000) / np.maximum(far, 1) - far / 60_000 + 5)
            a = ends[-1] if ends else int(np.argmax(worth.max(axis=1)))
            b = int(np.argmax(worth[a]))
            ends += [b] if ends else [a, b]
            way_m = _joined(way_m, a, b, far[a, b])
            direct[a, b] = direct[b, a] = True
        chains.append([at[i] for i in ends])
    rim_line = district.exterior
    for x, y in ((2_000, 34_000), (42_000, 56_000), (78_500, 24_000)):
        near = rim_line.interpolate(rim_line.project(Point(x, y)))
        end = np.round(np.array([near.x, near.y]) / STEP_M) * STEP_M
        chains.append([at[int(np.argmin(np.hypot(*(at - end).T)))], end])
    used = np.zeros(cost.shape, dtype=bool)
    out: list[tuple[str, Any]] = []
    rim = np.hypot(*(middle[:, None, :] - at[None, :, :]).transpose(2, 0, 1)).min(axis=1).reshape(cost.shape)
    for number, chain in enumerate(chains, start=1):
        cells: list[int] = []
        for a, b in itertools.pairwise(chain):
            way = _path(np.where(used & (rim > 1_500), cost * 2.5 + 1, cost), _cell(Point(a)), _cell(Point(b)))
            cells += way if not cells else way[1:]
        crowded = ndimage.binary_dilation(np.isin(np.arange(cost.size), cells).reshape(cost.shape), iterations=1)
        used |= crowded
        points = where[cells].copy()
        for k, cell in enumerate(cells):
            near = [t[1] for t in towns if _cell(t[1]) == cell]
            points[k] = (near[0].x, near[0].y) if near else 0.5 * points[k] + 0.5 * middle[cell]
        out.append((f"R {number}", LineString(_chaikin(points, 3))))
    return out


def _crossings(
    routes: list[tuple[str, Any]], rivers: list[tuple[str, Any, float]], towns: list[tuple[str, Any, bool]]
) -> list[Crossing]:
    """Where routes cross water, and each other out of town; none closer than 350 m on one route."""
    found: list[Crossing] = []
    for r, (_, line) in enumerate(routes):
        for name, water, area in rivers:
            for point in shapely.get_parts(line.intersection(water)):
                if point.geom_type == "Point":
                    # A river is narrow near its source: area grows along it.
                    part = 0.15 + 0.85 * water.project(point) / water.length
                    found.append(Crossing(r, line.project(point), point, name, area * part))
        for s in range(r):
            meets = shapely.get_parts(line.intersection(routes[s][1]))
            out_of_town = [p for p in meets if min(p.distance(t[1]) for t in towns) > 1_200]
            found += [Crossing(r, line.project(p), p, routes[s][0], 0.0) for p in out_of_town if p.geom_type == "Point"]
        # Streets over or under the main routes at the edge of towns.
        if r < 3:
            for _, town, _ in towns:
                for aside_m in (-1_300.0, 1_500.0):
                    at_m = line.project(town) + aside_m
                    if line.distance(town) < 500 and 500 < at_m < line.length - 500:
                        found.append(Crossing(r, at_m, line.interpolate(at_m), "a town street", 0.0))
    found.sort(key=lambda c: (-c.water_m2, c.route, c.at_m))
    kept: list[Crossing] = []
    for c in found:
        length = routes[c.route][1].length
        if 300 < c.at_m < length - 300 and all(c.point.distance(k.point) > 350 for k in kept):
            kept.append(c)
    return sorted(kept, key=lambda c: (c.route, c.at_m))


def deck_line(route: Any, at_m: float, length_m: float, aside_m: float = 0.0) -> Any:
    """The part of a route on a deck, moved sideways (right positive) for a second carriageway."""
    line = substring(route, at_m - length_m / 2, at_m + length_m / 2)
    return line if aside_m == 0 else line.offset_curve(-aside_m)

"""The network map for paper: a still drawing of the decks on the district's own base map."""

from __future__ import annotations

import io
import warnings
from typing import Any

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from pyproj import CRS

from decknet import digits
from decknet.errors import SettingsError
from decknet.show.hazards import states
from decknet.show.map_themes import MOST_YEARS, THEMES, Theme, class_words

__all__ = ["DRAWN", "network_plot", "theme_of"]

Floats = npt.NDArray[np.float64]

# Drawing choices of our own, in the look of the network page.
INK, SOFT, GREY = "#1d2733", "#55606c", "#8b949c"
LAND, WATER, PLAIN = "#f6f5f0", "#e4eaee", "#fbfbf9"
SHORE, RIVER, ROUTE, EDGE = "#a9b8c2", "#d3dfe7", "#c9c3b8", "#b9b3aa"
RIVER_PT = (0.35, 1.0)  # width of the shortest and of the longest rivers, points
# Figures that can be drawn: column of the status frame -> theme of the network page, and factor to its unit.
DRAWN = {
    "share_now": ("unsound", 100.0), "delaminated_share": ("delaminated", 100.0), "growth_per_yr": ("growth", 100.0),
    "priority": ("priority", 1.0), "aadt": ("traffic", 1.0),
}  # fmt: skip
# How decks that cannot wait are ringed: width in points and dash, by state.
_RINGS: dict[str, tuple[float, Any]] = {"open": (1.0, "solid"), "to confirm": (0.8, (0, (1.8, 1.4)))}
LOW_IN = 3.0  # height of a map below which its legend is set tighter, inches
MOST_DRAWN = 4_000  # decks drawn as shapes; more become one picture
MOST_NAMES = 60  # towns looked at for a name on the map


def network_plot(
    status: gpd.GeoDataFrame,
    base: gpd.GeoDataFrame,
    *,
    theme: str = "share_now",
    lines: pd.DataFrame | None = None,
    width_mm: float = 170.0,
    height_mm: float = 120.0,
) -> bytes:
    """Decks of the network on their base map, coloured and sized by one figure.

    Parameters
    ----------
    status : GeoDataFrame, one row a deck
        Columns of ``columns.STATUS``; geometry is the middle of the deck (EPSG:4326), or None. Decks
        without a position are not drawn; the legend gives their number.
    base : GeoDataFrame
        ``kind`` (shoreline, river, route, town, boundary), ``name`` and geometry (EPSG:4326).
    theme : str
        A figure of ``DRAWN`` (``"share_now"``, ``"priority"`` and so on), or ``"year"``: first year of
        works.
    lines : DataFrame or None
        Lines of the programme with ``deck_id`` and ``year``; needed for the theme ``"year"``.
    width_mm, height_mm : float, mm
        Size of the drawing with its legend; it may come out less high.

    Returns
    -------
    bytes
        SVG with text drawn as shapes. The same input gives the same bytes.

    Raises
    ------
    SettingsError
        The theme is not known.
    """
    level, classes, heading, none = _levels(status, theme, lines)
    xy, shapes, kinds, names = _on_plane(status, base)
    drawn = np.isfinite(xy).all(axis=1)
    extent = _extent(xy[drawn], shapes)

    wide, side = width_mm / 25.4, 50 / 25.4  # inches: the drawing, the legend beside it
    map_w = wide - side
    map_h = float(np.clip(map_w * extent[3] / extent[2], 0.5 * map_w, height_mm / 25.4))
    figure = Figure(figsize=(wide, map_h))
    axes = figure.add_axes((0.003, 0.003, map_w / wide - 0.006, 0.994))
    half_w, half_h = extent[2] / 2, extent[3] / 2
    if half_h / half_w < map_h / map_w:
        half_h = half_w * map_h / map_w
    else:
        half_w = half_h * map_w / map_h
    axes.set_xlim(extent[0] - half_w, extent[0] + half_w)
    axes.set_ylim(extent[1] - half_h, extent[1] + half_h)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color="#cfd4d8", linewidth=0.6)
    axes.set_facecolor(PLAIN)

    # Nothing finer than a tenth of a millimetre on paper.
    shapes = shapely.simplify(shapes, 2 * half_w / (map_w * 25.4) / 10)
    _draw_base(axes, shapes, kinds, names, xy[drawn], map_h)
    urgent = _urgent(status)
    guessed = _guessed(status) & (theme == "share_now")
    rows = np.flatnonzero(drawn)
    rows = rows[np.argsort(level[rows], kind="stable")]
    crowd = 1.0 if len(rows) <= 400 else max(0.35, (400 / len(rows)) ** 0.25)
    colours, sizes = _look(len(classes))
    sizes = sizes * crowd
    for value in (-1, *range(len(classes))):
        for estimated in (False, True):
            some = rows[(level[rows] == value) & (guessed[rows] == estimated)]
            if len(some):
                axes.scatter(
                    xy[some, 0],
                    xy[some, 1],
                    s=(sizes[value] if value >= 0 else 3.2 * crowd) ** 2,
                    facecolors=colours[value] if value >= 0 else "#ffffff",
                    edgecolors=INK if value >= 0 else GREY,
                    linewidths=0.5 * crowd**2,
                    linestyle=(0, (1.5, 1.2)) if estimated and value >= 0 else "solid",
                    zorder=6 + value,
                    rasterized=len(rows) > MOST_DRAWN,
                )
    ringed = {state: rows[urgent[state][rows]] for state in _RINGS}
    for state, some in ringed.items():
        ring = np.where(level[some] >= 0, np.append(sizes, 3.2 * crowd)[level[some]], 3.2 * crowd) + 4.5
        axes.scatter(
            xy[some, 0], xy[some, 1], s=ring**2, facecolors="none", edgecolors=INK, linewidths=_RINGS[state][0],
            linestyle=_RINGS[state][1], zorder=30,
        )  # fmt: skip
    if not len(rows):
        axes.text(
            0.5, 0.5, "No deck has a known position.", transform=axes.transAxes, ha="center", fontsize=8, color=SOFT
        )

    counts = [int((level[rows] == v).sum()) for v in range(len(classes))]
    handles = [
        _dot(axes, f"{words}  ({digits.count(count)})", colour, INK, size)
        for words, count, colour, size in zip(classes, counts, colours, sizes, strict=True)
    ][::-1]
    if missing := int((level[rows] == -1).sum()):
        handles.append(_dot(axes, f"{none}  ({digits.count(missing)})", "#ffffff", GREY, 3.2))
    if guesses := int((guessed[rows] & (level[rows] >= 0)).sum()):
        handles.append(
            _dot(axes, f"broken edge: estimated,\nno survey  ({digits.count(guesses)})", "#c9cdd1", INK, 6, broken=True)
        )
    if len(ringed["open"]):
        handles.append(_dot(axes, f"ringed: act now, open  ({digits.count(len(ringed['open']))})", "none", INK, 8.5))
    if len(ringed["to confirm"]):
        count = digits.count(len(ringed["to confirm"]))
        handles.append(_dot(axes, f"broken ring: act now,\nto confirm  ({count})", "none", INK, 8.5, broken=True))
    if unplaced := int((~drawn).sum()):
        what = "deck has no known position\nand is" if unplaced == 1 else "decks have no known position\nand are"
        handles.append(_dot(axes, f"{digits.count(unplaced)} {what} not drawn", "none", "none", 3.2))
    _legend(figure, handles, heading, map_w / wide, half_w, map_w, map_h, wide)

    out = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "decknet", "svg.fonttype": "path"}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # a letter the font lacks is drawn as a box
        figure.savefig(out, format="svg", dpi=250, metadata={"Date": None, "Creator": None})
    return out.getvalue()


# ---- figures ------------------------------------------------------------------------------------


def _levels(
    status: pd.DataFrame, theme: str, lines: pd.DataFrame | None
) -> tuple[npt.NDArray[np.int64], list[str], str, str]:
    """Class of each deck, -1 without a figure; words for the classes, the heading, and the missing."""
    if theme == "year":
        marked = lines if lines is not None else pd.DataFrame({"deck_id": [], "year": []})
        first = marked.assign(deck_id=marked["deck_id"].astype(str)).groupby("deck_id")["year"].min().dropna()
        years = sorted({int(y) for y in first})
        kept = years[:MOST_YEARS]
        words = [str(y) for y in kept]
        if len(years) > len(kept):
            words[-1] += " and later"
        year = first.reindex([str(d) for d in status["deck_id"]]).to_numpy(dtype=float, na_value=np.nan)
        level = len(kept) - 1 - np.clip(np.searchsorted(kept, year), 0, max(len(kept) - 1, 0))
        return (
            np.where(np.isfinite(year), level, -1).astype(np.int64),
            words[::-1],
            "First year of works",
            "not in the programme",
        )
    chosen, factor = theme_of(theme)
    values = np.full(len(status), np.nan)
    if theme in status.columns:
        values = status[theme].astype("Float64").to_numpy(dtype=float, na_value=np.nan) * factor
    # A share of 0.1 times 100 may fall a hair short of 10; nine decimals put it back on the break.
    level = np.digitize(np.round(values, 9), chosen.breaks)
    words = class_words(chosen.breaks)
    return np.where(np.isfinite(values), level, -1), words, f"{chosen.label}\n({chosen.unit})", "no figure"


def theme_of(column: str) -> tuple[Theme, float]:
    """How the network page tells a figure: its theme, and the factor from the status frame to its unit.

    Raises
    ------
    SettingsError
        The figure cannot be drawn.
    """
    if column not in DRAWN:
        raise SettingsError(f"theme: {column!r} is not known. Known: {', '.join(DRAWN)}, year.")
    key, factor = DRAWN[column]
    return next(t for t in THEMES if t.key == key), factor


def _look(classes: int) -> tuple[list[Any], Floats]:
    """Colour and width in points of each class, from pale and small to dark and large."""
    at = np.linspace(0.97, 0.02, classes) if classes > 1 else np.full(classes, 0.2)
    sizes = np.linspace(3.8, 8.2, classes) if classes > 1 else np.full(classes, 6.0)
    return [mpl.colormaps["cividis"](x) for x in at], sizes


def _urgent(status: pd.DataFrame) -> dict[str, npt.NDArray[np.bool_]]:
    """Decks with something open, and decks of which all is to confirm."""
    ids = status["deck_id"].astype("str")
    return {state: np.asarray(ids.isin(decks), dtype=bool) for state, decks in zip(_RINGS, states(status), strict=True)}


def _guessed(status: pd.DataFrame) -> npt.NDArray[np.bool_]:
    if "share_from" not in status.columns:
        return np.zeros(len(status), dtype=bool)
    return np.asarray((status["share_from"] != "survey") & status["share_from"].notna(), dtype=bool)


# ---- the plane ----------------------------------------------------------------------------------


def _on_plane(
    status: gpd.GeoDataFrame, base: gpd.GeoDataFrame
) -> tuple[Floats, npt.NDArray[np.object_], list[str], list[str]]:
    """Decks and base map in metres round the middle of the decks, north up."""
    points, shapes = _lonlat(status), _lonlat(base)
    middles = shapely.centroid(points)
    xy = np.column_stack([shapely.get_x(middles), shapely.get_y(middles)]).astype(float)
    known = xy[np.isfinite(xy).all(axis=1)]
    if not len(known):
        known = shapely.get_coordinates(shapes)
    lon0, lat0 = _middle(known)
    plane = CRS.from_proj4(f"+proj=aeqd +lat_0={lat0:.6f} +lon_0={lon0:.6f} +datum=WGS84 +units=m")
    moved = gpd.GeoSeries(middles, crs=4326).to_crs(plane)
    out = np.column_stack([shapely.get_x(moved.array), shapely.get_y(moved.array)]).astype(float)
    flat = gpd.GeoSeries(shapes, crs=4326).to_crs(plane)
    kinds = [str(k) for k in base["kind"]] if "kind" in base.columns else [""] * len(base)
    names = ["" if pd.isna(n) else str(n) for n in base["name"]] if "name" in base.columns else [""] * len(base)
    return out, np.array(flat.array, dtype=object), kinds, names


def _lonlat(frame: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    """Shapes in longitude and latitude; None where there is none."""
    if not len(frame):
        return np.array([], dtype=object)
    series = frame.geometry
    if series.crs is not None and series.crs.to_epsg() != 4326:
        series = series.to_crs(4326)
    flat: npt.NDArray[np.object_] = shapely.force_2d(np.array(series, dtype=object))
    flat[shapely.is_empty(flat)] = None
    return flat


def _middle(lonlat: Floats) -> tuple[float, float]:
    """Middle of points in degrees, right across the 180th meridian too."""
    if not len(lonlat):
        return 0.0, 0.0
    lon, lat = np.radians(lonlat[:, 0]), lonlat[:, 1]
    turn = np.degrees(np.arctan2(np.sin(lon).mean(), np.cos(lon).mean()))
    off = (lonlat[:, 0] - turn + 180) % 360 - 180
    return float(turn + (off.min() + off.max()) / 2), float((lat.min() + lat.max()) / 2)


def _extent(xy: Floats, shapes: npt.NDArray[np.object_]) -> tuple[float, float, float, float]:
    """Middle and size of what is shown, in metres: the decks with a margin, else the base map."""
    if not len(xy):
        xy = shapely.get_coordinates(shapes)
    xy = xy[np.isfinite(xy).all(axis=1)]
    if not len(xy):
        return 0.0, 0.0, 1_000.0, 1_000.0
    low, high = xy.min(axis=0), xy.max(axis=0)
    size = np.maximum((high - low) * 1.12, 1_000.0)
    mid = (low + high) / 2
    return float(mid[0]), float(mid[1]), float(size[0]), float(size[1])


# ---- drawing ------------------------------------------------------------------------------------


def _draw_base(
    axes: Axes,
    shapes: npt.NDArray[np.object_],
    kinds: list[str],
    names: list[str],
    decks: Floats,
    height: float,
) -> None:
    land = [s for s, k in zip(shapes, kinds, strict=True) if k == "shoreline" and _areas(s)]
    if land:
        whole_land = shapely.union_all([shapely.make_valid(s) for s in land])
        inside = shapely.contains_xy(whole_land, decks[:, 0], decks[:, 1]) if len(decks) else np.array([True])
        ground, field = (LAND, WATER) if np.mean(inside) >= 0.5 else (WATER, LAND)
        axes.set_facecolor(field)
        for shape in land:
            _fill(axes, shape, ground, SHORE, 1)
    styles: dict[str, list[tuple[str, float, Any, int]]] = {
        "shoreline": [(SHORE, 0.9, "solid", 2)],
        "boundary": [(EDGE, 0.8, (0, (6, 3, 1, 3)), 2)],
        "route": [(ROUTE, 2.2, "solid", 3), ("#fdfcf8", 1.1, "solid", 4)],
    }
    flow = _river_widths(shapes, kinds)
    for shape, kind, river_pt in zip(shapes, kinds, flow, strict=True):
        if shape is None or kind == "town":
            continue
        if kind == "river" and _areas(shape):
            _fill(axes, shape, WATER, RIVER, 2)
        strokes = [(RIVER, float(river_pt), "solid", 2)] if kind == "river" else styles.get(kind, styles["boundary"])
        for part in _leaves(shape):
            rings = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
            for ring in rings:
                points = shapely.get_coordinates(ring)
                if len(points) > 1 and np.isfinite(points).all():
                    for colour, width, dash, level in strokes:
                        axes.plot(
                            points[:, 0], points[:, 1], color=colour, linewidth=width, linestyle=dash, zorder=level
                        )
    _draw_names(axes, shapes, kinds, names, height)


def _river_widths(shapes: npt.NDArray[np.object_], kinds: list[str]) -> Floats:
    """Width of each shape's line in points: long rivers wider than brooks, all of them behind roads and decks."""
    is_river = np.array([k == "river" for k in kinds], dtype=bool)
    length = np.where(is_river, shapely.length(shapes), 0.0) if len(kinds) else np.zeros(0)
    longest = float(length.max(initial=0.0))
    thin, wide = RIVER_PT
    return np.asarray(thin + (wide - thin) * (length / longest if longest > 0 else length), dtype=np.float64)


def _draw_names(axes: Axes, shapes: npt.NDArray[np.object_], kinds: list[str], names: list[str], height: float) -> None:
    """Towns with their names and routes with theirs, where there is room for them."""
    (west, east), (south, north) = axes.get_xlim(), axes.get_ylim()
    high = (north - south) * 0.028 * 4.5 / height
    taken: list[tuple[float, float, float, float]] = []

    def room(x: float, y: float, words: str) -> bool:
        box = (x, y - high / 2, x + high * 0.62 * len(words), y + high / 2)
        inside = west < box[0] and box[2] < east and south < box[1] and box[3] < north
        if not inside or any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in taken):
            return False
        taken.append(box)
        return True

    here = [i for i, (s, k) in enumerate(zip(shapes, kinds, strict=True)) if s is not None and k == "town"]
    for i in here[:MOST_NAMES]:
        spot = shapely.point_on_surface(shapes[i])
        axes.plot([spot.x], [spot.y], marker="s", markersize=3, color=SOFT, linestyle="none", zorder=5)
        if names[i] and room(spot.x + high * 0.75, spot.y, names[i][:40]):
            _name(axes, spot.x + high * 0.75, spot.y, names[i][:40], 6.8, INK)
    frame = shapely.box(west, south, east, north)
    for i, (shape, kind) in enumerate(zip(shapes, kinds, strict=True)):
        if kind == "route" and shape is not None and names[i]:
            seen = shapely.intersection(shape, frame)
            if seen.is_empty or not seen.length:
                continue
            longest = max(_leaves(seen), key=lambda p: float(p.length))
            for part in (0.5, 0.3, 0.7, 0.15, 0.85):
                spot = longest.interpolate(part, normalized=True)
                if room(spot.x, spot.y, names[i][:16]):
                    _name(axes, spot.x, spot.y, names[i][:16], 5.8, SOFT)
                    break


def _name(axes: Axes, x: float, y: float, words: str, size: float, colour: str) -> None:
    drawn = axes.text(x, y, words, fontsize=size, color=colour, va="center", ha="left", zorder=40, parse_math=False)
    drawn.set_path_effects([patheffects.withStroke(linewidth=1.6, foreground="#ffffff")])


def _leaves(shape: Any) -> list[Any]:
    parts: list[Any] = []
    for part in shapely.get_parts(shape):
        parts += _leaves(part) if part.geom_type.startswith(("Multi", "GeometryCollection")) else [part]
    return parts


def _areas(shape: Any) -> list[Any]:
    return [] if shape is None else [p for p in _leaves(shape) if p.geom_type == "Polygon" and not p.is_empty]


def _fill(axes: Axes, shape: Any, colour: str, edge: str, level: int) -> None:
    for area in _areas(shape):
        rings = [shapely.get_coordinates(r) for r in (area.exterior, *area.interiors)]
        if all(np.isfinite(r).all() for r in rings):
            path = Outline.make_compound_path(*(Outline(r, closed=True) for r in rings))
            axes.add_patch(PathPatch(path, facecolor=colour, edgecolor=edge, linewidth=0.8, zorder=level))


def _dot(axes: Axes, words: str, fill: Any, edge: str, size: float, *, broken: bool = False) -> PathCollection:
    dash = (0, (1.5, 1.2)) if broken else "solid"
    return axes.scatter(
        [], [], s=size**2, facecolors=[fill], edgecolors=edge, linewidths=0.7, linestyle=dash, label=words
    )


def _legend(
    figure: Figure,
    handles: list[PathCollection],
    heading: str,
    left: float,
    half_w: float,
    map_w: float,
    map_h: float,
    wide: float,
) -> None:
    """Legend, scale and north beside the map."""
    legend = figure.legend(
        handles=handles,
        title=heading,
        loc="upper left",
        bbox_to_anchor=(left + 0.005, 1.0),
        frameon=False,
        fontsize=7,
        title_fontsize=7.5,
        labelspacing=0.7 if map_h > LOW_IN else 0.35,
        handletextpad=0.5,
        alignment="left",
        borderpad=0.2,
    )
    legend.get_title().set_color(INK)
    x = left + 0.02
    line = 0.14 / map_h
    y = 0.06
    m_per_inch = 2 * half_w / map_w
    most_m = m_per_inch * 0.9
    step = 10 ** np.floor(np.log10(most_m))
    length_m = float(max(k * step for k in (1, 2, 5) if k * step <= most_m))
    across = length_m / m_per_inch / wide
    bar = Line2D([x, x, x + across, x + across], [y + line / 3, y, y, y + line / 3], color=INK, linewidth=1.0)
    figure.add_artist(bar)
    words = f"{digits.given(length_m / 1000)} km" if length_m >= 1000 else f"{digits.given(length_m)} m"
    figure.text(x + across / 2, y + line * 0.55, words, ha="center", fontsize=7, color=INK)
    nx = x + 1.35 / wide
    figure.add_artist(Line2D([nx, nx], [y, y + line * 2.0], color=INK, linewidth=1.0))
    figure.add_artist(Line2D([nx], [y + line * 2.0], color=INK, marker="^", markersize=4.5, linestyle="none"))
    figure.text(nx + 0.012, y + line * 0.7, "N", fontsize=8, color=INK)

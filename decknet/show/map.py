"""The network map: one HTML page that carries everything it needs and works with the network off."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from importlib import resources
from itertools import pairwise
from typing import Any
from urllib.parse import urlsplit

import folium
import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup
from matplotlib import colormaps
from matplotlib.colors import to_hex

from decknet.errors import SettingsError

__all__ = ["THEMES", "Theme", "network_map"]

Floats = npt.NDArray[np.float64]

# Drawing choices of our own.
LONGEST_TEXT = 600  # characters; a longer text is cut, with a mark
DECK_STEP_DEG = 1e-7  # about 1 cm on the ground
BASE_STEP_DEG = 1e-5  # about 1 m
MOST_YEARS = 6  # programme years told apart; later ones share a class
NEAREST_ZOOM = 21
OPENING_ZOOM = 18
DETAIL_ZOOM = 15


@dataclass(frozen=True, slots=True)
class Theme:
    """A figure by which decks can be coloured.

    Attributes
    ----------
    key : str
        Column of the status frame.
    label, unit : str
        As shown.
    factor : float
        From the unit of the column to the unit shown.
    breaks : tuple of float
        Lower ends of the classes above the lowest, in the unit shown. A value on a break belongs to
        the class above it.
    rests_on : str
        Column that says what the figure rests on: a key of ``FIRM``.
    """

    key: str
    label: str
    unit: str
    factor: float
    breaks: tuple[float, ...]
    rests_on: str = "share_from"


# What a figure rests on -> the word for firm ground, and what to call a deck that stands on less.
WHOLE_SHARE = 0.995
FIRM = {
    "share_from": ("survey", "estimated without a survey"),
    "growth_from": ("own surveys", "not from its own surveys"),
    "aadt_from": ("count", "filled in, or an old count"),
    "covered_share": ("", "part of the deck surveyed"),
}

# Breaks follow the bends of the value curves in the settings, rounded; they are ours, not a standard's.
THEMES: tuple[Theme, ...] = (
    Theme("priority", "Priority", "points of 100", 1, (20, 40, 60, 80)),
    Theme("share_now", "Unsound share today", "% of deck area", 100, (2, 5, 10, 25)),
    Theme(
        "delaminated_share",
        "Delaminated share, last survey",
        "% of surveyed area",
        100,
        (2, 5, 10, 25),
        "covered_share",
    ),
    Theme(
        "growth_per_yr",
        "Growth of the unsound share",
        "percentage points a year",
        100,
        (0.25, 0.5, 1, 2),
        "growth_from",
    ),
    Theme("aadt", "Traffic", "vehicles a day (AADT)", 1, (500, 2_000, 10_000, 40_000), "aadt_from"),
)

# Column of the status frame -> decimals kept in the page; None for text and dates.
_FIELDS: dict[str, int | None] = {
    "deck_id": None,
    "bridge_id": None,
    "name": None,
    "route": None,
    "place": None,
    "length_m": 1,
    "width_m": 1,
    "area_m2": 0,
    "built_year": 0,
    "deck_rating": 0,
    "share_now": 4,
    "share_low": 4,
    "share_high": 4,
    "share_from": None,
    "survey_date": None,
    "method": None,
    "covered_share": 3,
    "unsound_share": 4,
    "delaminated_share": 4,
    "growth_per_yr": 5,
    "growth_low": 5,
    "growth_high": 5,
    "growth_from": None,
    "aadt": 0,
    "aadt_count": 0,
    "aadt_year": 0,
    "aadt_from": None,
    "truck_share": 3,
    "priority": 1,
    "points_share": 1,
    "points_growth": 1,
    "points_traffic": 1,
    "rank": 0,
    "rank_low": 0,
    "rank_high": 0,
    "chance_first": 3,
    "points_other": 1,
    "reason": None,
    "urgent": None,
}
_LINE_FIELDS: dict[str, int | None] = {
    "year": 0,
    "label": None,
    "cost": 0,
    "crew_days": 1,
    "repair_m2": 1,
    "share_before": 4,
    "share_after": 4,
    "why": None,
}


def network_map(
    status: gpd.GeoDataFrame,
    outlines: gpd.GeoDataFrame,
    defects: gpd.GeoDataFrame,
    base: gpd.GeoDataFrame,
    lines: pd.DataFrame,
    *,
    title: str,
    currency: str,
    today: date,
    tiles: str | None = None,
) -> str:
    """The network as one self-contained HTML page.

    Parameters
    ----------
    status : GeoDataFrame, one row a deck
        Columns of ``columns.STATUS``, any but ``deck_id`` may be absent; geometry is the middle of the
        deck, longitude and latitude in degrees (EPSG:4326), or None where the position is not known.
        A deck without a position is not drawn, is counted, and can still be looked up.
    outlines : GeoDataFrame
        ``deck_id`` and the deck's polygon on the ground (EPSG:4326).
    defects : GeoDataFrame
        ``deck_id``, ``kind``, ``survey_date`` and the polygon on the ground (EPSG:4326). Of each deck
        the defects of its latest date are drawn.
    base : GeoDataFrame
        ``kind`` (shoreline, river, route, town, boundary), ``name`` and geometry (EPSG:4326).
    lines : DataFrame
        Lines of the programme: ``deck_id``, ``year``, ``label``, ``cost`` in ``currency``, and what else
        a programme gives. Without rows the page says that no programme was given.
    title : str
        Heading of the page.
    currency : str
        Currency of ``cost``.
    today : date
        Day the figures stand for.
    tiles : str or None
        Address of a tile background, with ``{z}``, ``{x}`` and ``{y}``. None: no background, and the page
        asks nothing of any network.

    Returns
    -------
    str
        The page. The same input gives the same text.

    Raises
    ------
    SettingsError
        ``tiles`` is not a tile address.
    """
    xy = _positions(status)
    drawn = np.isfinite(xy).all(axis=1)
    xy, centre_deg = _unwrapped(xy)
    ids = [str(i) for i in status["deck_id"]] if len(status) else []
    place_of = {deck: row for row, deck in enumerate(ids)}

    marked = lines if len(lines) and {"deck_id", "year"} <= set(lines.columns) else lines.iloc[:0]
    levels, soft, themes = _levels(status, ids, marked)
    programme = {name: _column(marked, name, digits) for name, digits in _LINE_FIELDS.items()}
    features = _base(base, centre_deg)
    data = {
        "title": title,
        "currency": currency,
        "today": today.isoformat(),
        "detailZoom": DETAIL_ZOOM,
        "themes": themes,
        "step": DECK_STEP_DEG,
        "baseStep": BASE_STEP_DEG,
        "fields": ["x", "y", "levels", "soft", *_FIELDS],
        "decks": [
            list(row)
            for row in zip(
                *(_numbers(xy[:, k], 7) for k in (0, 1)),
                levels,
                soft,
                *(_column(status, name, digits) for name, digits in _FIELDS.items()),
                strict=True,
            )
        ],
        "programme": len(marked) > 0,
        "lineFields": ["deck", *_LINE_FIELDS],
        "lines": [
            list(row)
            for row in zip(
                [place_of.get(str(d), -1) for d in marked.get("deck_id", [])], *programme.values(), strict=True
            )
        ],
        "outlines": _outlines(outlines, place_of, xy),
        "defects": _defects(defects, place_of, xy),
        "land": _decks_stand_inside(base, xy[drawn], centre_deg),
        "base": features,
    }
    chart = _chart(_bounds(xy[drawn], features), tiles)
    root: Any = chart.get_root()
    root.render()
    page = resources.files("decknet.show") / "page"
    library = resources.files("xstatic.pkg.leaflet") / "data"
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(_read(page / "map.html"))
    return template.render(
        title=title,
        today=today.isoformat(),
        decks=len(ids),
        drawn=int(drawn.sum()),
        urgent=int(status["urgent"].notna().sum()) if "urgent" in status.columns else 0,
        tiles=tiles is not None,
        library_css=Markup(_without_images(_read(library / "leaflet.css"))),  # noqa: S704 (the installed library's own text)
        library_js=Markup(_without_links(_read(library / "leaflet.js"))),  # noqa: S704 (the installed library's own text)
        css=Markup(_read(page / "map.css")),  # noqa: S704 (our own text)
        js=Markup(_read(page / "map.js")),  # noqa: S704 (our own text)
        chart_html=Markup(root.html.render()),  # noqa: S704 (holds no data)
        chart_js=Markup(root.script.render()),  # noqa: S704 (holds numbers and the tile address, as JSON)
        chart_name=Markup(chart.get_name()),  # noqa: S704 (a fixed name)
        data=Markup(_json(data)),  # noqa: S704 (escaped for a script element)
    )


def _read(file: Any) -> str:
    text: str = file.read_text(encoding="utf-8")
    return text


def _without_images(css: str) -> str:
    """The library's style without the rules that fetch an image; none of them is used here."""
    bare = re.sub(r"/\*.*?\*/", "", css, flags=re.DOTALL)
    return "".join(rule + "}" for rule in bare.split("}")[:-1] if "url(" not in rule)


def _without_links(js: str) -> str:
    """The library without the line that points to its source map and the link to its home."""
    kept = (line for line in js.splitlines() if not line.startswith("//# sourceMappingURL"))
    return "\n".join(kept).replace('href="https://leafletjs.com"', "")


def _json(data: Any) -> str:
    """JSON that is safe inside a script element, whatever text it holds."""
    text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _chart(bounds: tuple[tuple[float, float], tuple[float, float]] | None, tiles: str | None) -> folium.Map:
    """The map object, with no asset of its own and names that never change."""
    chart = folium.Map(
        tiles=None,
        prefer_canvas=True,
        zoom_control="bottomright",
        attribution_control=tiles is not None,
        fade_animation=False,
        zoom_snap=1 if tiles else 0.25,
    )
    chart._id = "network"
    chart.options["max_zoom"] = NEAREST_ZOOM
    chart.default_js, chart.default_css = [], []
    if tiles is not None:
        parts = urlsplit(tiles)
        if parts.scheme not in {"http", "https", "file"} or not all(key in tiles for key in ("{z}", "{x}", "{y}")):
            raise SettingsError(
                f"tiles: {tiles!r} is not a tile address. It must begin with https:, http: or file: and hold "
                "{z}, {x} and {y}; leave it out for a map without a background."
            )
        source = Markup.escape(parts.netloc.replace("{s}.", "") or "files of your own")
        layer = folium.TileLayer(tiles, attr=f"Background: {source}", max_native_zoom=19, max_zoom=NEAREST_ZOOM)
        layer._id = "background"
        layer.add_to(chart)
    if bounds is not None:
        chart.fit_bounds([list(corner) for corner in bounds], max_zoom=OPENING_ZOOM, padding=(28, 28))
    return chart


# ---- positions ----------------------------------------------------------------------------------


def _shapes(frame: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    """Geometries in longitude and latitude; None where there is none."""
    if not len(frame):
        return np.array([], dtype=object)
    series = frame.geometry
    if series.crs is not None and series.crs.to_epsg() != 4326:
        series = series.to_crs(4326)
    return np.array(series, dtype=object)


def _positions(status: gpd.GeoDataFrame) -> Floats:
    """Longitude and latitude a deck, shape (n, 2), NaN where not known."""
    shapes = _shapes(status)
    here = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    xy = np.full((len(shapes), 2), np.nan)
    points = shapely.centroid(shapes[here])
    xy[here] = np.column_stack([shapely.get_x(points), shapely.get_y(points)])
    xy[~((np.abs(xy[:, 0]) <= 360) & (np.abs(xy[:, 1]) <= 90))] = np.nan
    return xy


def _unwrapped(xy: Floats) -> tuple[Floats, float]:
    """Positions side by side across the 180th meridian, and the longitude in their middle.

    Negative longitudes move by 360 degrees where that makes the extent shorter.
    """
    known = xy[np.isfinite(xy).all(axis=1), 0]
    if not len(known):
        return xy, 0.0
    moved = np.where(known < 0, known + 360, known)
    if np.ptp(moved) < np.ptp(known):
        xy = np.column_stack([np.where(xy[:, 0] < 0, xy[:, 0] + 360, xy[:, 0]), xy[:, 1]])
        known = moved
    return xy, float((known.min() + known.max()) / 2)


def _near(shapes: npt.NDArray[np.object_], centre_deg: float) -> npt.NDArray[np.object_]:
    """Shapes with each longitude brought within half a turn of ``centre_deg``."""

    def turn(points: Floats) -> Floats:
        return np.column_stack([points[:, 0] + 360 * np.round((centre_deg - points[:, 0]) / 360), points[:, 1]])

    moved: npt.NDArray[np.object_] = shapely.transform(shapely.force_2d(shapes), turn)
    return moved


def _bounds(xy: Floats, features: list[list[Any]]) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """South-west and north-east corner, latitude first: of the decks, else of the base map."""
    if not len(xy):
        rings = [_unpacked(ring) * BASE_STEP_DEG for _, _, _, parts in features for ring in parts]
        if not rings:
            return None
        xy = np.vstack(rings)
    (west, south), (east, north) = xy.min(axis=0), xy.max(axis=0)
    return (float(south), float(west)), (float(north), float(east))


# ---- shapes, packed -----------------------------------------------------------------------------


def _packed(points: Floats, origin: Sequence[float], step_deg: float) -> list[int]:
    """Points as whole steps: the first from the origin, each other from the one before it."""
    whole = np.rint((points[:, :2] - np.asarray(origin)) / step_deg).astype(np.int64)
    return [int(v) for v in np.diff(whole, axis=0, prepend=0).ravel()]


def _unpacked(steps: list[int]) -> Floats:
    return np.cumsum(np.array(steps, dtype=float).reshape(-1, 2), axis=0)


def _rings(shape: Any, origin: Sequence[float], step_deg: float) -> list[list[int]]:
    """Every ring of every polygon in the shape."""
    polygons = [p for p in _leaves(shape) if p.geom_type == "Polygon" and not p.is_empty]
    rings = (ring for p in polygons for ring in (p.exterior, *p.interiors))
    return [_packed(shapely.get_coordinates(ring)[:-1], origin, step_deg) for ring in rings]


def _leaves(shape: Any) -> Iterable[Any]:
    for part in shapely.get_parts(shape):
        if part.geom_type.startswith(("Multi", "GeometryCollection")):
            yield from _leaves(part)
        else:
            yield part


def _on_decks(frame: gpd.GeoDataFrame, place_of: dict[str, int], xy: Floats) -> Iterable[tuple[int, int, list[Any]]]:
    """Row in the frame, row of its deck, and rings from the deck's middle, of each shape that can be drawn."""
    shapes = _shapes(frame)
    here = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    shapes[here] = shapely.simplify(shapes[here], 3e-7)  # 3 cm
    for row, (deck, shape) in enumerate(zip(frame.get("deck_id", []), shapes, strict=True)):
        at = place_of.get(str(deck), -1)
        if at < 0 or not here[row] or not np.isfinite(xy[at]).all():
            continue
        shape = _near(np.array([shape], dtype=object), float(xy[at, 0]))[0]
        if rings := _rings(shape, xy[at], DECK_STEP_DEG):
            yield row, at, rings


def _outlines(outlines: gpd.GeoDataFrame, place_of: dict[str, int], xy: Floats) -> list[list[Any]]:
    return [[at, rings] for _, at, rings in _on_decks(outlines, place_of, xy)]


def _defects(defects: gpd.GeoDataFrame, place_of: dict[str, int], xy: Floats) -> list[list[Any]]:
    """Deck, kind, date and rings of the defects of each deck's latest date."""
    if not len(defects):
        return []
    when = pd.to_datetime(defects["survey_date"])
    latest = when.groupby(defects["deck_id"].to_numpy()).transform("max")
    last = defects[((when == latest) | latest.isna()).to_numpy()]
    dates, kinds = _column(last, "survey_date", None), _column(last, "kind", None)
    return [[at, kinds[row], dates[row], rings] for row, at, rings in _on_decks(last, place_of, xy)]


def _base(base: gpd.GeoDataFrame, centre_deg: float) -> list[list[Any]]:
    """Kind, name, sort of shape (area, line, point) and its parts, of each feature of the base map."""
    shapes = _shapes(base)
    here = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    names, kinds = _column(base, "name", None), _column(base, "kind", None)
    features: list[list[Any]] = []
    for row in np.flatnonzero(here):
        shape = _near(np.array([shapely.simplify(shapes[row], 2e-5)], dtype=object), centre_deg)[0]
        found: dict[str, list[list[int]]] = {"area": [], "line": [], "point": []}
        for leaf in _leaves(shape):
            points = shapely.get_coordinates(leaf)
            if leaf.geom_type == "Polygon":
                found["area"] += _rings(leaf, (0, 0), BASE_STEP_DEG)
            elif len(points):
                found["line" if len(points) > 1 else "point"].append(_packed(points, (0, 0), BASE_STEP_DEG))
        features += [[kinds[row], names[row], sort, parts] for sort, parts in found.items() if parts]
    return features


def _decks_stand_inside(base: gpd.GeoDataFrame, xy: Floats, centre_deg: float) -> bool:
    """Whether the areas drawn as shoreline are land: most decks lie inside, or there is no deck to ask."""
    shapes = _shapes(base)
    if not len(shapes) or "kind" not in base.columns:
        return True
    chosen = (base["kind"] == "shoreline").to_numpy() & ~shapely.is_missing(shapes) & ~shapely.is_empty(shapes)
    areas = [s for s in _near(shapes[chosen], centre_deg) if "Polygon" in s.geom_type]
    if not areas or not len(xy):
        return True
    inside = shapely.contains_xy(shapely.union_all([shapely.make_valid(a) for a in areas]), xy[:, 0], xy[:, 1])
    return bool(np.mean(inside) >= 0.5)


# ---- figures ------------------------------------------------------------------------------------


def _numbers(values: Any, digits: int) -> list[float | int | None]:
    """Numbers rounded to ``digits``; None where missing or not finite."""
    array = pd.Series(values).astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    rounded = [round(float(v), digits) if np.isfinite(v) else None for v in array]
    return [v if v is None or v != int(v) else int(v) for v in rounded]


def _texts(values: Any) -> list[str | None]:
    """Texts, a date as year-month-day; None where missing; cut, with a mark, where very long."""
    series = pd.Series(values)
    if pd.api.types.is_datetime64_any_dtype(series):
        series = series.dt.strftime("%Y-%m-%d")
    texts = [None if pd.isna(v) else str(v) for v in series]
    return [t if t is None or len(t) <= LONGEST_TEXT else t[:LONGEST_TEXT] + " … (cut)" for t in texts]


def _column(frame: pd.DataFrame, name: str, digits: int | None) -> list[Any]:
    if name not in frame.columns:
        return [None] * len(frame)
    return _texts(frame[name].array) if digits is None else _numbers(frame[name].array, digits)


def _levels(
    status: pd.DataFrame, ids: list[str], lines: pd.DataFrame
) -> tuple[list[list[int]], list[list[int]], list[dict[str, Any]]]:
    """Class and softness of every deck in every theme, and the themes as shown.

    A class is 0 for the palest and -1 without a figure; softness is 1 where the figure rests on less
    than a count or a whole survey of that deck.
    """
    themes: list[dict[str, Any]] = []
    levels: list[npt.NDArray[np.int64]] = []
    soft: list[npt.NDArray[np.bool_]] = []
    for theme in THEMES:
        values = _values(status, theme.key) * theme.factor
        # A share of 0.1 times 100 may fall a hair short of 10; nine decimals put it back on the break.
        level = np.digitize(np.round(values, 9), theme.breaks)
        levels.append(np.where(np.isfinite(values), level, -1))
        soft.append(_soft(status, theme.rests_on))
        shown = [f"{b:,g}".replace(",", "\u202f") for b in theme.breaks]
        labels = [f"under {shown[0]}"]
        labels += [f"{a} to under {b}" for a, b in pairwise(shown)]
        labels.append(f"{shown[-1]} and more")
        themes.append(_shown(theme.key, theme.label, theme.unit, labels, "no figure", theme.rests_on))
    if len(lines):
        first = lines.assign(deck_id=lines["deck_id"].astype(str)).groupby("deck_id")["year"].min().dropna().astype(int)
        years = sorted(set(first))
        kept = years[:MOST_YEARS]
        labels = [str(y) for y in kept]
        if len(years) > len(kept):
            labels[-1] += " and later"
        year = first.reindex(ids).to_numpy(dtype=float, na_value=np.nan)
        level = len(kept) - 1 - np.clip(np.searchsorted(kept, year), 0, len(kept) - 1)
        levels.append(np.where(np.isfinite(year), level, -1))
        soft.append(_soft(status, "share_from"))
        themes.append(
            _shown("year", "Programme year", "first year of works", labels[::-1], "not in the programme", "share_from")
        )
    if not ids:
        return [], [], themes
    return np.column_stack(levels).astype(int).tolist(), np.column_stack(soft).astype(int).tolist(), themes


def _values(status: pd.DataFrame, name: str) -> Floats:
    if name not in status.columns:
        return np.full(len(status), np.nan)
    values: Floats = status[name].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    return values


def _soft(status: pd.DataFrame, rests_on: str) -> npt.NDArray[np.bool_]:
    """Whether a deck's figure rests on less than a count or a whole survey of that deck."""
    if rests_on == "covered_share":
        return np.less(_values(status, rests_on), WHOLE_SHARE)
    soft = np.zeros(len(status), dtype=bool)
    if rests_on in status.columns:
        given = status[rests_on]
        soft |= (given.notna() & (given != FIRM[rests_on][0])).to_numpy(dtype=bool)
    elif rests_on == "share_from" and "survey_date" in status.columns:
        soft |= status["survey_date"].isna().to_numpy(dtype=bool)
    return soft


def _shown(key: str, label: str, unit: str, classes: list[str], none: str, rests_on: str) -> dict[str, Any]:
    """A theme as the page needs it: classes from pale and small to dark and large."""
    at = np.linspace(0.97, 0.02, len(classes)) if len(classes) > 1 else np.array([0.2])
    colours = [to_hex(colormaps["cividis"](x)) for x in at]
    radii = np.round(np.linspace(4.5, 10.5, len(classes)), 1) if len(classes) > 1 else np.array([8.0])
    return {
        "key": key,
        "label": label,
        "unit": unit,
        "none": none,
        "soft": FIRM[rests_on][1],
        "classes": [[c, h, float(r)] for c, h, r in zip(classes, colours, radii, strict=True)],
    }

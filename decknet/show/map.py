"""The network map: one HTML page that carries everything it needs and works with the network off."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from importlib import resources
from typing import Any
from urllib.parse import urlsplit

import folium
import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from decknet.digits import as_printed
from decknet.errors import SettingsError
from decknet.settings import Settings
from decknet.show.hazards import states
from decknet.show.map_ground import (
    BASE_STEP_DEG,
    DECK_DIGITS,
    PLAN_STEP_M,
    SIMPLE_M,
    Frame,
    pack_base,
    pack_lines,
    pack_shapes,
    positions,
    stand_inside,
)
from decknet.show.map_pack import Block, digits_js, texts_of, values_of
from decknet.show.map_themes import shown_themes
from decknet.show.words import Programme, cut_short_words

__all__ = ["DeckRecords", "network_map"]

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

# Drawing choices of our own.
NEAREST_ZOOM = 21
OPENING_ZOOM = 18
PAGES = ("map_data.js", "map_draw.js", "map_base.js", "map_deck.js", "map_panel.js", "map.js")

# Column of the status frame -> decimals kept in the page.
_FIRST: dict[str, int] = {  # for the first view
    "area_m2": 3, "share_now": 6, "share_low": 4, "share_high": 4, "delaminated_share": 4, "covered_share": 4,
    "fresh_share": 4,
    "growth_per_yr": 5, "growth_low": 5, "growth_high": 5, "aadt": 0, "priority": 2, "rank": 0, "rank_low": 0,
    "rank_high": 0,
}  # fmt: skip
_LATER: dict[str, int] = {
    "length_m": 2, "width_m": 2, "built_year": 0, "deck_rating": 0, "unsound_share": 4, "aadt_count": 0, "aadt_year": 0,
    "truck_share": 4, "points_share": 2, "points_growth": 2, "points_traffic": 2, "points_other": 2, "chance_first": 3,
}  # fmt: skip
# Column -> what its printed digits follow; the others are printed as they are.
_PRINTED = {
    "area_m2": "area", "share_now": "share", "share_low": "share", "share_high": "share", "delaminated_share": "share",
    "covered_share": "share", "growth_per_yr": "pace", "growth_low": "pace", "growth_high": "pace", "aadt": "whole",
    "priority": "points", "unsound_share": "share", "truck_share": "share", "points_share": "points",
    "points_growth": "points", "points_traffic": "points", "points_other": "points", "cost": "money",
    "known_unsound": "share", "known_delaminated": "share", "known_covered": "share", "fresh_share": "share",
    "crew_days": "days", "repair_m2": "area", "share_before": "share", "share_after": "share",
}  # fmt: skip
_FIRST_TEXTS = ("deck_id", "name", "route", "share_from", "growth_from", "aadt_from")
_LATER_TEXTS = ("bridge_id", "place", "district", "method", "reason", "urgent", "looked")
_STATES = {"to confirm": 1.0, "open": 2.0}  # as the page holds them
_LINES: dict[str, int] = {"year": 0, "cost": 0, "crew_days": 2, "repair_m2": 3, "share_before": 4, "share_after": 4}


def _none() -> pd.DataFrame:
    return pd.DataFrame()


@dataclass(frozen=True, slots=True)
class DeckRecords:
    """What stands behind each deck's figures; any frame may be empty.

    Attributes
    ----------
    decks : DataFrame
        deck_id and how it lies: centreline (line in longitude and latitude), longitude_deg, latitude_deg,
        bearing_deg, length_m, width_m; outline (polygon in station and offset, m) where it is no rectangle.
    surveys : DataFrame
        deck_id, survey_date, method, covered_share, unsound_share, delaminated_share (0 to 1); known_unsound,
        known_delaminated, known_covered: the same of the deck as it was known then.
    defects : DataFrame
        What stands on each deck as known: deck_id, kind, survey_date (of the survey that found it), shape (polygon in
        station and offset, m).
    repairs : DataFrame
        deck_id, repair_date, treatment, area_m2, shape (as above, or None).
    limits : DataFrame
        Planned repair limits: deck_id, from_station_m, to_station_m, from_offset_m, to_offset_m, depth_class.
    urgent : DataFrame
        What cannot wait, one row a deck, cause and state: deck_id, state, why, since, due (dates), closed_by (what ends
        it), ends_year, doubt_year (years of the programme whose works deal with it, or leave it to confirm).
    ahead : DataFrame
        Unsound share when a year is over: deck_id, year, nothing (0 to 1, without works), low, high (its 10 and 90 %
        quantile), planned (with the programme).
    """

    decks: pd.DataFrame = field(default_factory=_none)
    surveys: pd.DataFrame = field(default_factory=_none)
    defects: pd.DataFrame = field(default_factory=_none)
    repairs: pd.DataFrame = field(default_factory=_none)
    limits: pd.DataFrame = field(default_factory=_none)
    urgent: pd.DataFrame = field(default_factory=_none)
    ahead: pd.DataFrame = field(default_factory=_none)


def network_map(
    status: gpd.GeoDataFrame,
    base: gpd.GeoDataFrame,
    programme: Programme | None,
    records: DeckRecords | None = None,
    *,
    title: str,
    settings: Settings,
    today: date,
    tiles: str | None = None,
    sheets: Mapping[str, str] | None = None,
    face: Sequence[str] = (),
) -> str:
    """The network as one self-contained HTML page.

    Parameters
    ----------
    status : GeoDataFrame, one row a deck
        Columns of ``columns.STATUS``, any but ``deck_id`` may be absent; geometry is the middle of the
        deck, longitude and latitude in degrees (EPSG:4326), or None where the position is not known.
        A deck without a position is not drawn, is counted, and can still be looked up.
    base : GeoDataFrame
        ``kind`` (shoreline, river, route, town, boundary), ``name`` and geometry (EPSG:4326).
    programme : Programme or None
        Its lines, years and waiting decks. Without one, or without lines, the page says so.
    records : DeckRecords or None
        Surveys, repairs, plans and forecasts of the decks.
    title : str
        Heading of the page.
    settings : Settings
        Currency and price year.
    today : date
        Day the figures stand for.
    tiles : str or None
        Address of a tile background, with ``{z}``, ``{x}`` and ``{y}``. None: no background, and the page
        asks nothing of any network.
    sheets : mapping of deck number to address, or None
        Where the sheet or page of a deck lies, relative to this page.
    face : sequence of str
        Which programme, which records and which settings; a sentence each.

    Returns
    -------
    str
        The page. The same input gives the same text.

    Raises
    ------
    SettingsError
        ``tiles`` is not a tile address.
    """
    records = records or DeckRecords()
    xy = positions(status)
    frame = Frame(xy, base)
    ids = pd.Index(status["deck_id"].astype("str") if len(status) else [], dtype="str")
    lines = (
        programme.lines if programme is not None and {"deck_id", "year"} <= set(programme.lines.columns) else _none()
    )
    first, later = Block(), Block()
    _pack_first(first, status, xy, frame, ids, lines, records.urgent, today)
    pack_base(first, base, frame)
    if programme is not None and len(programme.years):
        for name in ("year", "budget", "cost"):
            first.numbers(f"money.{name}", values_of(programme.years, name), 0)
    stops, planned = _pack_later(later, status, ids, lines, programme, records, frame, sheets or {})
    years = lines.groupby("deck_id")["year"].min().astype(int).tolist() if len(lines) else []
    about = {
        "today": today.isoformat(),
        "day": _day(pd.Series([pd.Timestamp(today)]))[0],
        "currency": settings.currency,
        "priceYear": settings.programme.price_year,
        "decks": len(ids),
        "themes": shown_themes(years),
        "lon": frame.lon,
        "lat": frame.lat,
        "bounds": frame.bounds(),
        "baseStep": BASE_STEP_DEG,
        "planStep": PLAN_STEP_M,
        "land": stand_inside(base, xy, frame),
        "stops": stops,
        "programme": bool(years),
        "planned": planned,
        "first": first.columns,
        "later": later.columns,
    }
    drawn = np.isfinite(xy).all(axis=1)
    is_open, unsure = states(status)
    known = bool(drawn.any()) or len(base) > 0
    chart = _chart(frame.bounds() if known else None, tiles)
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
        is_open=len(is_open),
        unsure=len(unsure),
        tiles=tiles is not None,
        face=list(face),
        stopped=cut_short_words(programme.facts) if programme is not None else "",
        library_css=Markup(_without_images(_read(library / "leaflet.css"))),  # noqa: S704 (the installed library's own text)
        library_js=Markup(_without_links(_read(library / "leaflet.js"))),  # noqa: S704 (the installed library's own text)
        css=Markup(_read(page / "map.css")),  # noqa: S704 (our own text)
        js=Markup(digits_js() + "\n".join(_read(page / name) for name in PAGES)),  # noqa: S704 (our own text)
        chart_html=Markup(root.html.render()),  # noqa: S704 (holds no data)
        chart_js=Markup(root.script.render()),  # noqa: S704 (holds numbers and the tile address, as JSON)
        chart_name=Markup(chart.get_name()),  # noqa: S704 (a fixed name)
        about=Markup(_json(about)),  # noqa: S704 (escaped for a script element)
        first=Markup(first.packed()),  # noqa: S704 (base64)
        later=Markup(later.packed()),  # noqa: S704 (base64)
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


def _chart(bounds: list[list[float]] | None, tiles: str | None) -> folium.Map:
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
        chart.fit_bounds(bounds, max_zoom=OPENING_ZOOM, padding=(28, 28))
    return chart


# ---- figures ------------------------------------------------------------------------------------


def _pack(block: Block, name: str, values: Floats, decimals: int) -> None:
    """Pack a column so that the page prints each figure as every other output prints the exact one."""
    quantity = _PRINTED.get(name.rpartition(".")[2])
    if quantity is None:
        block.numbers(name, values, decimals)
        return
    values = np.where(np.isfinite(values), values, np.nan)
    unit, step = (100.0 if quantity in {"share", "pace"} else 1.0), 10.0**-decimals
    kept = np.rint(values / step) * step
    other = as_printed(unit * kept, quantity) != as_printed(unit * values, quantity)
    lost = (kept == 0) & (np.abs(values) > 0)  # too small to print is not nothing
    kept = np.where(other | lost, kept + np.copysign(step, values - kept), kept)
    block.numbers(name, kept, decimals)


def _day(dates: pd.Series) -> list[float]:
    """Days since 1970; NaN where missing."""
    days = pd.to_datetime(dates).astype("datetime64[us]")
    since = (days - pd.Timestamp(1970, 1, 1)).dt.total_seconds() / 86_400
    return [float(v) for v in np.floor(since.to_numpy(dtype=float, na_value=np.nan))]


def _column(frame: pd.DataFrame, name: str) -> pd.Series:
    return frame[name] if name in frame.columns else pd.Series(np.nan, index=frame.index)


def _rows(frame: pd.DataFrame, ids: pd.Index) -> Rows:
    """Row of each deck in the page; -1 where it is not one of them."""
    if not len(frame):
        return np.zeros(0, dtype=np.int64)
    return np.asarray(ids.get_indexer(pd.Index(frame["deck_id"].astype("str"))), dtype=np.int64)


def _pack_first(
    block: Block, status: gpd.GeoDataFrame, xy: Floats, frame: Frame, ids: pd.Index, lines: pd.DataFrame,
    urgent: pd.DataFrame, today: date,
) -> None:  # fmt: skip
    """What the first view, the filter and the figures of the network need."""
    block.numbers("x", frame.near(xy[:, 0]) - frame.lon, DECK_DIGITS)
    block.numbers("y", xy[:, 1] - frame.lat, DECK_DIGITS)
    for name in _FIRST_TEXTS:
        block.texts(name, texts_of(status, name))
    for name, digits in _FIRST.items():
        _pack(block, name, values_of(status, name), digits)
    block.numbers("survey_day", _day(_column(status, "survey_date")))
    block.numbers("sound_due_day", _day(_column(status, "sound_due")))
    left = np.full(len(ids), np.nan)
    due = np.array(_day(_column(urgent, "due"))) - _day(pd.Series([pd.Timestamp(today)]))[0]
    row = _rows(urgent, ids)
    known = (row >= 0) & np.isfinite(due)
    if known.any():
        soonest = pd.Series(due[known]).groupby(row[known]).min()
        left[soonest.index.to_numpy()] = soonest.to_numpy()
    block.numbers("due_in", left)
    order = _act_order(urgent, ids)
    block.numbers("act.deck", row[order])
    block.numbers("act.state", _column(urgent, "state").map(_STATES).to_numpy(dtype=float)[order])
    block.numbers("act.due_in", due[order])
    for name in ("ends_year", "doubt_year"):
        block.numbers(f"act.{name}", values_of(urgent, name)[order])
    row = _rows(lines, ids)
    order = np.lexsort((values_of(lines, "year"), row)) if len(lines) else row
    order = order[row[order] >= 0]
    mine = lines.iloc[order] if len(lines) else lines
    block.numbers("line.deck", row[order])
    block.texts("line.label", texts_of(mine, "label"))
    for name, digits in _LINES.items():
        _pack(block, f"line.{name}", values_of(mine, name), digits)


def _act_order(urgent: pd.DataFrame, ids: pd.Index) -> Rows:
    """Lines of what cannot wait by deck, those of one deck in the order given."""
    row = _rows(urgent, ids)
    order = np.argsort(row, kind="stable")
    out: Rows = order[row[order] >= 0]
    return out


def _pack_later(
    block: Block, status: gpd.GeoDataFrame, ids: pd.Index, lines: pd.DataFrame, programme: Programme | None,
    records: DeckRecords, frame: Frame, sheets: Mapping[str, str],
) -> tuple[list[int], bool]:  # fmt: skip
    """What stands behind each deck; returns the years looked ahead, and whether they are known with the programme."""
    for name in _LATER_TEXTS:
        block.texts(name, texts_of(status, name))
    for name, digits in _LATER.items():
        _pack(block, name, values_of(status, name), digits)
    row = _rows(lines, ids)
    order = np.lexsort((values_of(lines, "year"), row)) if len(lines) else row
    mine = lines.iloc[order[row[order] >= 0]] if len(lines) else lines
    block.texts("line.why", texts_of(mine, "why"))
    waiting = programme.waiting if programme is not None else _none()
    why, at = np.full(len(ids), None, dtype=object), _rows(waiting, ids)
    why[at[at >= 0]] = texts_of(waiting, "why")[at >= 0]
    block.texts("waiting", why)
    order = _act_order(records.urgent, ids)
    for name, column in (("why", "why"), ("settles", "closed_by")):
        block.texts(f"act.{name}", texts_of(records.urgent, column)[order])
    block.numbers("act.since", np.array(_day(_column(records.urgent, "since")))[order])
    block.texts("sheet", [sheets.get(deck) for deck in ids])
    _pack_histories(block, ids, records)
    _pack_plans(block, ids, records, frame)
    return _pack_ahead(block, ids, records.ahead)


def _pack_histories(block: Block, ids: pd.Index, records: DeckRecords) -> None:
    """Surveys and repairs, by deck and date."""
    for name, frame, day in (("survey", records.surveys, "survey_date"), ("repair", records.repairs, "repair_date")):
        row, when = _rows(frame, ids), np.array(_day(_column(frame, day)))
        order = np.lexsort((when, row))
        order = order[(row[order] >= 0) & np.isfinite(when[order])]
        mine = frame.iloc[order]
        block.numbers(f"{name}.deck", np.diff(row[order], prepend=0))
        block.numbers(f"{name}.day", when[order])
        if name == "survey":
            block.texts("survey.method", texts_of(mine, "method"))
            for column in (
                "unsound_share", "delaminated_share", "covered_share", "known_unsound", "known_delaminated",
                "known_covered",
            ):  # fmt: skip
                _pack(block, f"survey.{column}", values_of(mine, column), 4)
        else:
            block.texts("repair.treatment", texts_of(mine, "treatment"))
            _pack(block, "repair.area_m2", values_of(mine, "area_m2"), 3)


def _pack_plans(block: Block, ids: pd.Index, records: DeckRecords, frame: Frame) -> None:
    """Each deck's line on the ground, and what is drawn on it in station and offset."""
    pack_lines(block, records.decks, ids, frame)
    for name, found, simple in (
        ("outline", records.decks, 0.0),
        ("defect", records.defects, SIMPLE_M),
        ("patch", records.repairs, SIMPLE_M),
    ):
        column = "outline" if name == "outline" else "shape"
        shapes = found[column].to_numpy(dtype=object) if column in found else np.full(len(found), None, dtype=object)
        kept = pack_shapes(block, name, _rows(found, ids), shapes, simplify=simple)
        if name == "defect":
            block.texts("defect.kind", texts_of(found.iloc[kept], "kind"))
            block.numbers("defect.day", np.array(_day(_column(found, "survey_date")))[kept])
        elif name == "patch":
            block.numbers("patch.day", np.array(_day(_column(found, "repair_date")))[kept])
            block.texts("patch.treatment", texts_of(found.iloc[kept], "treatment"))
    limits, row = records.limits, _rows(records.limits, ids)
    order = np.argsort(row, kind="stable")
    order = order[row[order] >= 0]
    block.numbers("limit.deck", np.diff(row[order], prepend=0))
    for column in ("from_station_m", "to_station_m", "from_offset_m", "to_offset_m"):
        block.numbers(f"limit.{column}", values_of(limits, column)[order], 2)
    block.texts("limit.depth_class", texts_of(limits.iloc[order], "depth_class"))


def _pack_ahead(block: Block, ids: pd.Index, ahead: pd.DataFrame) -> tuple[list[int], bool]:
    """Forecasts, a row a deck and a column a year; those with the programme only for decks that it treats."""
    years = sorted({int(y) for y in _column(ahead, "year").dropna()})
    table = {name: np.full((len(ids), len(years)), np.nan) for name in ("nothing", "low", "high", "planned")}
    row = _rows(ahead, ids)
    if len(ahead):
        column = np.searchsorted(years, values_of(ahead, "year"))
        mine = row >= 0
        for name, values in table.items():
            values[row[mine], column[mine]] = values_of(ahead, name)[mine]
    block.numbers("ahead.nothing", table["nothing"].ravel(), 6)
    block.numbers("ahead.low", table["low"].ravel(), 3)
    block.numbers("ahead.high", table["high"].ravel(), 3)
    planned, nothing = table["planned"], table["nothing"]
    treated = np.flatnonzero((np.isfinite(planned) & (np.abs(planned - nothing) > 1e-9)).any(axis=1))
    block.numbers("planned.deck", np.diff(treated, prepend=0))
    block.numbers("planned.share", planned[treated].ravel(), 6)
    return years, bool(np.isfinite(planned).any())

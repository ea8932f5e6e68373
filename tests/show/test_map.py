"""The network map, read as text."""

from __future__ import annotations

import base64
import gzip
import json
import re
from dataclasses import dataclass, replace
from datetime import date
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod

from decknet import digits
from decknet.errors import SettingsError
from decknet.settings import Settings
from decknet.show.map import _FIRST, _LATER, _LINES, _PRINTED, DeckRecords, _pack, network_map
from decknet.show.map_pack import Block
from decknet.show.map_themes import MOST_YEARS, THEMES, shown_themes

TODAY = date(2026, 8, 1)
HOSTILE = (
    "<script>document.title='x'</script>",
    "${window.hit=1}",
    "`${window.hit=1}`",
    "</script><script>window.hit=1</script>",
    "back\\slash \\u003c \\' \\\" \\n",
    "<img src=x onerror=window.hit=1>",
    "&lt;b&gt; & \"quoted\" 'name'",
    "<!-- {{ 7 * 7 }} {% raw %}",
    "Ørn \u2028 Løp \U0001f309",
    "=1+1",
    "javascript:window.hit=1",
)


@dataclass
class Works:
    """A programme made by hand."""

    lines: pd.DataFrame
    years: pd.DataFrame
    waiting: pd.DataFrame
    facts: dict[str, float]


# Row of a deck -> why it cannot wait, its state, when it is due, and the years whose works end it or leave it in doubt.
_URGENT = {
    2: ("an open full-depth hole of 0.4 m²", "open", "2026-07-28", 2028.0, np.nan),
    5: ("to confirm: a hole of 0.2 m² (patch of 2026-07-25)", "to confirm", "2026-07-30", np.nan, np.nan),
}


# ---- invented records, out at sea ---------------------------------------------------------------


def network(n: int = 60, *, lon: float = -135.0, lat: float = -45.0) -> dict[str, Any]:
    """Frames of an invented district: every ninth deck has no position, every third no survey."""
    rng = np.random.default_rng(11)
    at = np.arange(n)
    x, y = lon + rng.uniform(-0.3, 0.3, n), lat + rng.uniform(-0.2, 0.2, n)
    surveyed = at % 3 != 1
    share = rng.gamma(1.1, 0.07, n).clip(0, 0.7)
    ids = [f"{i:04d}" for i in at]
    status = gpd.GeoDataFrame(
        {
            "deck_id": ids,
            "bridge_id": ids,
            "name": [f"Marl Crossing {i}" for i in at],
            "route": [f"R{i % 4 + 1}" for i in at],
            "length_m": 40.0,
            "width_m": 10.0,
            "area_m2": 400.0,
            "share_now": share,
            "share_low": share * 0.7,
            "share_high": share * 1.3,
            "share_from": np.where(surveyed, "survey", "network"),
            "survey_date": pd.Series(np.where(surveyed, "2025-05-12", None)).astype("datetime64[us]"),
            "covered_share": np.where(surveyed, 1.0, np.nan),
            "delaminated_share": np.where(surveyed, share * 0.9, np.nan),
            "growth_per_yr": 0.0083,
            "growth_from": np.where(surveyed, "own surveys", "network"),
            "aadt": np.where(at % 5 == 4, np.nan, 3_450.0),
            "aadt_year": pd.array([None if i % 5 == 4 else 2023 for i in at], dtype="Int64"),
            "aadt_from": "count",
            "priority": share * 100,
            "rank": pd.array(np.argsort(np.argsort(-share, kind="stable")) + 1, dtype="Int64"),
            "reason": "High for its unsound share.",
            "sound_due": pd.Series(np.where(surveyed, "2027-05-12", None)).astype("datetime64[us]"),
            "urgent": [_URGENT.get(i, (None,))[0] for i in at],
            "urgent_state": [_URGENT.get(i, (None, None))[1] for i in at],
        },
        geometry=[None if i % 9 == 8 else shapely.Point(*p) for i, p in enumerate(zip(x, y, strict=True))],
        crs=4326,
    )
    coast = shapely.box(lon - 0.4, lat - 0.3, lon + 0.4, lat + 0.3)
    base = gpd.GeoDataFrame(
        {"kind": ["shoreline", "route", "river", "town"], "name": ["Outer shore", "R1", "Wend", "Quellby"]},
        geometry=[
            coast,
            shapely.LineString([(lon - 0.3, lat), (lon + 0.3, lat + 0.1)]),
            shapely.LineString([(lon, lat - 0.3), (lon + 0.1, lat + 0.3)]),
            shapely.Point(lon, lat),
        ],
        crs=4326,
    )
    return {"status": status, "base": base, "programme": works(ids), "records": records(status, x, y)}


def works(ids: list[str]) -> Works:
    """Lines for the first three decks, 2027 and 2028."""
    lines = pd.DataFrame(
        {
            "deck_id": ["0000", "0001", "0002"],
            "year": [2027, 2028, 2027],
            "treatment": ["patch", "rigid overlay", "patch"],
            "label": ["Patch", "Rigid overlay", "Patch"],
            "cost": [12_345.6, 98_000.0, np.nan],
            "why": ["It avoids much for its money.", None, "It cannot wait."],
        }
    )
    lines = lines[lines["deck_id"].isin(ids)]
    years = pd.DataFrame({"year": [2027, 2028], "budget": [100_000.0, 100_000.0], "cost": [12_346.0, 98_000.0]})
    waiting = pd.DataFrame({"deck_id": ids[3:], "why": "It waits for money."})
    return Works(lines, years, waiting, {})


def records(status: gpd.GeoDataFrame, x: np.ndarray, y: np.ndarray) -> DeckRecords:
    """Decks of 40 by 10 m bearing 60 degrees, surveys of three years, a patch and a limit each, two years ahead."""
    ids, n = status["deck_id"].to_numpy(), len(status)
    here = status.geometry.notna().to_numpy()
    decks = pd.DataFrame(
        {
            "deck_id": ids,
            "longitude_deg": np.where(here, x, np.nan),
            "latitude_deg": np.where(here, y, np.nan),
            "bearing_deg": 60.0,
            "length_m": 40.0,
            "width_m": 10.0,
            "centreline": pd.Series([None] * n, dtype=object),
            "outline": pd.Series([None] * n, dtype=object),
        }
    )
    seen = np.flatnonzero(status["survey_date"].notna())
    days = ("2019-05-12", "2022-05-12", "2025-05-12")
    share = status["share_now"].to_numpy()[seen]
    surveys = pd.concat(
        [
            pd.DataFrame(
                {
                    "deck_id": ids[seen],
                    "survey_date": pd.Timestamp(day),
                    "method": "chain drag",
                    "covered_share": 1.0,
                    "unsound_share": share * part,
                    "delaminated_share": share * part * 0.9,
                    "known_unsound": share * part,
                    "known_delaminated": share * part * 0.9,
                    "known_covered": 1.0,
                }
            )
            for day, part in zip(days, (0.2, 0.6, 1.0), strict=True)
        ],
        ignore_index=True,
    )
    kinds = ("delamination", "spall", "hole", "exposed bar", "failed patch")
    defects = pd.DataFrame(
        [
            {
                "deck_id": ids[i],
                "kind": kind,
                "survey_date": pd.Timestamp(days[-1]),
                "shape": shapely.Point(5 + 6 * k, 2 - k).buffer(1.0, quad_segs=3),
            }
            for i in seen
            for k, kind in enumerate(kinds)
        ],
        columns=["deck_id", "kind", "survey_date", "shape"],
    )
    repairs = pd.DataFrame(
        {
            "deck_id": ids[seen],
            "repair_date": pd.Timestamp("2023-06-01"),
            "treatment": "patch",
            "area_m2": 6.0,
            "shape": pd.Series([shapely.box(30, -4, 33, -2)] * len(seen), dtype=object),
        }
    )
    limits = pd.DataFrame(
        {
            "deck_id": ids[:1],
            "from_station_m": 3.9,
            "to_station_m": 6.1,
            "from_offset_m": 0.9,
            "to_offset_m": 3.15,
            "depth_class": "partial",
        }
    )
    lines = [(ids[i], *told) for i, told in _URGENT.items() if i < n]
    urgent = pd.DataFrame(lines, columns=["deck_id", "why", "state", "due", "ends_year", "doubt_year"]).assign(
        since=pd.Timestamp("2026-07-20"), closed_by="cover or close it"
    )
    urgent["due"] = pd.to_datetime(urgent["due"])
    now = status["share_now"].to_numpy()
    ahead = pd.concat(
        [
            pd.DataFrame(
                {
                    "deck_id": ids,
                    "year": year,
                    "nothing": np.minimum(now + 0.0083 * k, 1),
                    "low": now * 0.7,
                    "high": np.minimum(now * 1.3 + 0.02 * k, 1),
                    "planned": np.where(np.arange(n) < 3, 0.01, np.minimum(now + 0.0083 * k, 1)),
                }
            )
            for k, year in ((1, 2027), (2, 2028))
        ],
        ignore_index=True,
    )
    return DeckRecords(decks, surveys, defects, repairs, limits, urgent, ahead)


def nothing() -> dict[str, Any]:
    """Frames without a row."""
    bare = gpd.GeoDataFrame({"deck_id": pd.Series([], dtype="str")}, geometry=[], crs=4326)
    return {"status": bare, "base": gpd.GeoDataFrame(), "programme": None, "records": None}


def page_of(frames: dict[str, Any], title: str = "Mid district", **more: Any) -> str:
    return network_map(**frames, title=title, settings=Settings(), today=TODAY, **more)


class Parts(HTMLParser):
    """Tags with their attributes, and the text inside script and style elements."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[tuple[str, dict[str, str | None], str]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1][0] in {"script", "style"} and data.strip():
            self.inside.append((*self.tags[-1], data))


def refuse(name: str) -> float:
    raise AssertionError(f"{name} is not JSON")


_TYPES = {"i1": "<i1", "i2": "<i2", "i4": "<i4", "f8": "<f8"}


class Read:
    """The packed columns of a page, read back by a second way of our own."""

    def __init__(self, page: str) -> None:
        parts = {attrs.get("id"): text for tag, attrs, text in Parts(page).inside if tag == "script"}
        self.about: dict[str, Any] = json.loads(parts["about"], parse_constant=refuse)
        self._columns = {}
        for block in ("first", "later"):
            raw = gzip.decompress(base64.b64decode(parts[block]))
            self._columns |= {name: (raw, *rest) for name, *rest in self.about[block]}

    def numbers(self, name: str) -> np.ndarray:
        raw, kind, at, count, digits = self._columns[name]
        if kind == "row":
            return np.arange(count, dtype=float)
        packed = np.frombuffer(raw, dtype=_TYPES[kind], count=count, offset=at)
        missing = np.isnan(packed) if kind == "f8" else packed == np.iinfo(packed.dtype).min
        return np.where(missing, np.nan, packed / 10.0**digits)

    def texts(self, name: str) -> list[str | None]:
        raw, _, at, _, _ = self._columns[f"{name}.utf8"]
        ends = np.r_[0, np.cumsum(self.numbers(f"{name}.size"))].astype(int)
        words = [raw[at + a : at + b].decode("utf-8") for a, b in pairwise(ends)]
        return [None if np.isnan(c) else words[int(c)] for c in self.numbers(f"{name}.code")]

    def rings(self, name: str) -> list[tuple[int, list[np.ndarray]]]:
        """Deck and rings, m, of each shape."""
        deck, points = np.cumsum(self.numbers(f"{name}.deck")).astype(int), iter(self.numbers(f"{name}.points"))
        step, start = (np.column_stack([self.numbers(f"{name}.{p}{k}") for k in "xy"]) for p in ("", "a"))
        out, q = [], 0
        for s, count in enumerate(self.numbers(f"{name}.rings")):
            sizes = [int(next(points)) for _ in range(int(count))]
            corners = np.vstack([start[s], start[s] + np.cumsum(step[q : q + sum(sizes) - 1], axis=0)])
            q += sum(sizes) - 1
            out.append((deck[s], np.split(corners * self.about["planStep"], np.cumsum(sizes)[:-1])))
        return out


# ---- the page as text ---------------------------------------------------------------------------


def test_page_asks_for_nothing_outside_itself() -> None:
    page = page_of(network())
    parts = Parts(page)
    for tag, attrs in parts.tags:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            value = attrs.get(name)
            assert value is None or value.startswith("data:"), (tag, name, value)
    styles = "".join(text for tag, _, text in parts.inside if tag == "style")
    assert "leaflet-container" in styles
    assert "url(" not in styles
    assert "@import" not in styles
    # what is left of addresses: the namespace of SVG, and the library's own licence line
    assert set(re.findall(r"https?://[^\"'\s)<]*", page)) <= {"http://www.w3.org/2000/svg", "https://leafletjs.com"}
    assert "sourceMappingURL" not in page
    assert not re.search(r"(src|href)\s*=\s*[\"']?https?:", page)


def test_page_is_the_same_for_the_same_records() -> None:
    frames = network()
    assert page_of(frames) == page_of(frames)
    tiles = "https://{s}.invalid/{z}/{x}/{y}.png"
    assert page_of(frames, tiles=tiles) == page_of(frames, tiles=tiles)


def test_frames_are_left_as_they_were() -> None:
    frames, again = network(), network()
    page_of(frames)
    for name in ("status", "base"):
        pd.testing.assert_frame_equal(pd.DataFrame(frames[name]), pd.DataFrame(again[name]))
    for name in ("decks", "surveys", "defects", "repairs", "limits", "urgent", "ahead"):
        pd.testing.assert_frame_equal(getattr(frames["records"], name), getattr(again["records"], name))
    pd.testing.assert_frame_equal(frames["programme"].lines, again["programme"].lines)


def test_missing_and_endless_numbers_never_reach_the_page() -> None:
    frames = network()
    frames["status"].loc[0, "share_now"] = np.inf
    frames["status"].loc[3, "priority"] = np.nan
    frames["records"].ahead.loc[0, "nothing"] = -np.inf
    page = page_of(frames)
    read = Read(page)
    assert np.isnan(read.numbers("share_now")[0])
    assert np.isnan(read.numbers("priority")[3])
    assert np.isnan(read.numbers("aadt")[4])
    assert np.isnan(read.numbers("ahead.nothing")[0])
    about = page[page.index('<script id="about"') : page.index('<script id="first"')]
    assert not re.search(r"\b(NaN|Infinity|null)\b", about)


@pytest.mark.parametrize("name", sorted(_PRINTED))
def test_a_packed_figure_prints_as_the_exact_one_does(name: str) -> None:
    decimals = next((kept[name] for kept in (_FIRST, _LATER, _LINES) if name in kept), 4)  # of what was known, 4
    quantity = _PRINTED[name]
    unit = 100.0 if quantity in {"share", "pace"} else 1.0
    rng = np.random.default_rng(3)
    low, high = {"share": (-5, 0), "pace": (-6, -0.5), "points": (-3, 2), "money": (0, 7), "whole": (0, 5)}.get(
        quantity, (-2, 5)
    )
    values = 10 ** rng.uniform(low, high, 3_000)
    values[:1_000] = np.round(values[:1_000], decimals - 1) + rng.choice([-1e-9, 0.5, 1e-9], 1_000) * 10.0**-decimals
    values = np.maximum(values, 10.0**low)
    values[1_000:1_002] = 0.0, np.nan
    block = Block()
    _pack(block, name, values, decimals)
    (_, kind, _, count, _), raw = block.columns[0], block._parts[0]
    kept = np.frombuffer(raw, dtype={"i1": "i1", "i2": "<i2", "i4": "<i4", "f8": "<f8"}[kind], count=count)
    if quantity in {"share", "pace"}:
        assert kind in {"i2", "i4"}
    for packed, value in zip((kept / 10.0**decimals)[np.isfinite(values)], values[np.isfinite(values)], strict=True):
        assert digits.number(unit * packed, quantity) == digits.number(unit * value, quantity), value


@pytest.mark.parametrize("keep", [["deck_id"], ["deck_id", "name", "share_now"]])
def test_columns_that_are_absent_are_missing_figures(keep: list[str]) -> None:
    frames = network(12)
    frames["status"] = frames["status"][[*keep, "geometry"]]
    read = Read(page_of(frames))
    assert read.texts("deck_id") == [f"{i:04d}" for i in range(12)]
    assert np.isnan(read.numbers("rank")).all()


def test_page_of_no_records_says_so() -> None:
    page = page_of(nothing())
    read = Read(page)
    for name in ("x", "line.deck", "base.sort", "survey.deck", "defect.deck", "limit.deck", "ahead.nothing"):
        assert len(read.numbers(name)) == 0
    assert "<b>0</b> decks: <b>0</b> drawn" in page


def test_page_of_one_deck_opens_on_it() -> None:
    page = page_of(network(1))
    assert "<b>1</b> deck: <b>1</b> drawn" in page
    (south, west), (north, east) = Read(page).about["bounds"]
    assert (south, west) == (north, east)


def test_decks_without_a_position_are_counted_and_kept() -> None:
    page = page_of(network(60))
    assert "<b>60</b> decks: <b>54</b> drawn, <b>6</b> not drawn (no position)" in page
    read = Read(page)
    lost = np.isnan(read.numbers("x"))
    assert [d for d, no in zip(read.texts("deck_id"), lost, strict=True) if no] == [
        f"{i:04d}" for i in range(60) if i % 9 == 8
    ]


def test_an_empty_point_is_no_position() -> None:
    frames = network(3)
    frames["status"].geometry = [shapely.Point(), shapely.Point(10, 91), shapely.Point(1, 2)]
    assert np.isfinite(Read(page_of(frames)).numbers("x")).tolist() == [False, False, True]


def test_other_coordinates_are_turned_into_longitude_and_latitude() -> None:
    frames = network(5)
    there = Read(page_of(frames))
    frames["status"] = frames["status"].to_crs(3857)
    here = Read(page_of(frames))
    for axis in "xy":
        assert here.numbers(axis) == pytest.approx(there.numbers(axis), abs=2e-7)


def test_earlier_programme_years_are_darker_and_late_ones_share_a_class() -> None:
    (theme,) = [t for t in shown_themes([2027 + k for k in range(8)]) if t["key"] == "year"]
    words = [c[0] for c in theme["classes"]]
    assert words == ["2027", "2028", "2029", "2030", "2031", "2032 and later"]
    assert theme["breaks"] == [2028, 2029, 2030, 2031, 2032]
    assert theme["turned"]
    assert len(words) == MOST_YEARS


def test_without_works_there_is_no_theme_of_years() -> None:
    assert {t["key"] for t in shown_themes([])} == {t.key for t in THEMES} - {"year"}


@pytest.mark.basis(
    "published", "W3C (2018), Web Content Accessibility Guidelines 2.1, definition of relative luminance"
)
def test_every_class_is_darker_and_larger_than_the_one_below() -> None:
    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for theme in shown_themes([2027, 2028, 2029]):
        rising = theme["classes"][::-1] if theme["turned"] else theme["classes"]
        for (_, pale, small), (_, dark, large) in pairwise(rising):
            assert (luminance(pale) + 0.05) / (luminance(dark) + 0.05) > 1.3
            assert large >= small + 1


def test_plans_keep_their_shape_to_a_few_centimetres() -> None:
    frames = network(8)
    spot = shapely.Point(10, 0)
    ring = shapely.union_all([spot.buffer(3).difference(spot.buffer(1)), shapely.box(20, 1, 22, 2)])
    kept = frames["records"].defects
    kept.loc[0, "shape"] = ring
    read = Read(page_of(frames))
    ids, found = read.texts("deck_id"), read.rings("defect")
    assert len(found) == len(kept)
    assert [ids[deck] for deck, _ in found] == kept["deck_id"].tolist()
    assert read.texts("defect.kind") == kept["kind"].tolist()
    assert [len(rings) for _, rings in found[:2]] == [3, 1]
    for (_, rings), true in zip(found, kept["shape"], strict=True):
        edge = shapely.union_all([shapely.LinearRing(r) for r in rings])
        assert edge.hausdorff_distance(true.boundary) < 0.07
    assert np.cumsum(read.numbers("limit.deck")).tolist() == [0]
    assert read.numbers("limit.to_offset_m").tolist() == [3.15]


@pytest.mark.basis("derived", "geodesic on the WGS 84 ellipsoid, by pyproj.Geod")
def test_the_line_of_a_deck_is_kept_in_metres_from_its_own_beginning() -> None:
    frames = network(2)
    line = shapely.LineString([(-135.0, -45.0), (-135.0, -44.9995), (-134.9994, -44.9995)])
    frames["records"].decks.loc[0, "centreline"] = line
    read = Read(page_of(frames))
    assert read.numbers("lay.count").tolist() == [3, 2]
    assert read.numbers("lay.way").tolist() == [1, 2]
    xy = np.column_stack([read.numbers("lay.x"), read.numbers("lay.y")])
    up, along = (Geod(ellps="WGS84").line_length(*line.coords.xy[:2]) for _ in range(2))
    assert np.hypot(*np.diff(xy[:3], axis=0).T).sum() == pytest.approx(up, abs=0.02)
    assert up == along
    assert xy[3] == pytest.approx([-20 * np.sin(np.pi / 3), -20 * np.cos(np.pi / 3)], abs=0.01)


def test_forecasts_with_the_programme_are_kept_for_the_decks_it_treats() -> None:
    frames = network(9)
    read = Read(page_of(frames))
    assert read.about["stops"] == [2027, 2028]
    assert np.cumsum(read.numbers("planned.deck")).tolist() == [0, 1, 2]
    assert read.numbers("planned.share") == pytest.approx([0.01] * 6)
    ahead = frames["records"].ahead.sort_values(["deck_id", "year"])
    assert read.numbers("ahead.nothing") == pytest.approx(ahead["nothing"].to_numpy(), abs=5e-7)


@pytest.mark.basis("derived", "geodesic on the WGS 84 ellipsoid, by pyproj.Geod")
def test_two_bridges_on_either_side_of_the_180th_meridian_open_side_by_side() -> None:
    frames = network(2)
    frames["status"].geometry = gpd.GeoSeries([shapely.Point(179.999, -17.0), shapely.Point(-179.998, -17.0)], crs=4326)
    frames["base"] = nothing()["base"]
    page = page_of(frames)
    (south, west), (north, east) = json.loads(re.search(r"map_network.fitBounds\(\s*(\[\[.*?\]\])", page)[1])
    width_m = Geod(ellps="WGS84").inv(west, south, east, north)[2]
    apart_m = Geod(ellps="WGS84").inv(179.999, -17.0, -179.998, -17.0)[2]
    assert width_m == pytest.approx(apart_m, abs=0.1)
    assert east - west == pytest.approx(0.003, abs=1e-9)


def test_decks_round_the_prime_meridian_are_not_pulled_apart() -> None:
    read = Read(page_of(network(8, lon=0.0)))
    x = read.numbers("x") + read.about["lon"]
    assert np.nanmax(x) - np.nanmin(x) < 1
    assert np.nanmin(x) < 0 < np.nanmax(x)


@pytest.mark.parametrize(("shift", "land"), [(0.0, True), (5.0, False)])
def test_an_area_of_shoreline_is_land_where_decks_stand_in_it(shift: float, land: bool) -> None:
    frames = network()
    frames["base"].geometry = frames["base"].translate(shift)
    assert Read(page_of(frames)).about["land"] is land


def hostile() -> dict[str, Any]:
    """Decks in a row whose every text tries to be code."""
    n = len(HOSTILE)
    frames = network(n)
    frames["status"].geometry = [shapely.Point(-135 + k / 50, -45) for k in range(n)]
    for name in ("name", "route", "reason", "urgent", "share_from", "place", "method"):
        frames["status"][name] = list(HOSTILE)
    frames["base"]["name"] = list(HOSTILE[:4])
    lines = frames["programme"].lines
    lines["label"], lines["why"] = list(HOSTILE[:3]), list(HOSTILE[3:6])
    frames["programme"].waiting["why"] = list(HOSTILE[3:])
    kinds = [HOSTILE[k % n] for k in range(len(frames["records"].defects))]
    frames["records"].defects["kind"] = kinds
    frames["records"].repairs["treatment"] = HOSTILE[0]
    urgent = pd.DataFrame({"deck_id": frames["status"]["deck_id"], "state": "open", "why": list(HOSTILE)}).assign(
        since=TODAY, due=TODAY, closed_by=HOSTILE[0], ends_year=np.nan, doubt_year=np.nan
    )
    frames["records"] = replace(frames["records"], urgent=urgent)
    return frames


def test_hostile_text_is_only_ever_data() -> None:
    page = page_of(hostile(), title=HOSTILE[0], sheets={"0000": HOSTILE[3]})
    plain = Parts(page_of(network(len(HOSTILE))))
    assert [tag for tag, _ in Parts(page).tags] == [tag for tag, _ in plain.tags]
    read = Read(page)
    for name in ("name", "route", "urgent", "reason", "act.why"):
        assert read.texts(name) == list(HOSTILE)
    assert read.texts("line.label") == list(HOSTILE[:3])
    for text in HOSTILE[1:4]:  # but in the title, no text of the records stands in the page as it is
        assert text not in page.replace("</script>\n<script>", "")


def test_very_long_text_does_not_swell_the_page() -> None:
    frames = network(4)
    short = len(page_of(frames))
    frames["status"].loc[1, "name"] = "long " * 9_000
    frames["status"].loc[2, "reason"] = "".join(map(chr, np.random.default_rng(1).integers(97, 123, 42_395)))
    page = page_of(frames)
    assert len(page) < short + 2_000
    assert Read(page).texts("name")[1].endswith("… (cut)")


def test_a_deck_takes_two_kilobytes_or_less() -> None:
    assert (len(page_of(network(400))) - len(page_of(network(100)))) / 300 < 2_048


@pytest.mark.parametrize("tiles", ["osm", "https://host.invalid/{z}/{x}.png", "javascript:{z}{x}{y}"])
def test_what_is_no_tile_address_is_refused(tiles: str) -> None:
    with pytest.raises(SettingsError, match="not a tile address"):
        page_of(network(2), tiles=tiles)


# ---- packing ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "digits", "kind"),
    [
        ([0.0, 1.27, np.nan], 2, "i1"),
        ([0.0, -1.28], 2, "i2"),
        ([400.0, 32_767.0], 0, "i2"),
        ([3e9, np.nan, np.inf], 0, "f8"),
        ([], 3, "i1"),
    ],
)
def test_numbers_take_the_fewest_bytes_that_hold_them(values: list[float], digits: int, kind: str) -> None:
    block = Block()
    block.numbers("a", values, digits)
    ((name, got, at, count, kept),) = block.columns
    assert (name, got, at, count, kept) == ("a", kind, 0, len(values), digits)
    raw = gzip.decompress(base64.b64decode(block.packed()))
    back = np.frombuffer(raw, dtype=_TYPES[kind], count=count).astype(float)
    missing = np.isnan(back) | (back == {"i1": -128, "i2": -32768}.get(kind))
    known = np.isfinite(values)
    assert (~missing == known).all()
    assert back[known] / 10.0**digits == pytest.approx(np.array(values)[known])

"""The network map, read as text."""

from __future__ import annotations

import json
import re
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

from decknet.errors import SettingsError
from decknet.show.map import MOST_YEARS, THEMES, network_map

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
)


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
            "urgent": [None if i != 2 else "an open full-depth hole of 0.4 m²" for i in at],
        },
        geometry=[None if i % 9 == 8 else shapely.Point(*p) for i, p in enumerate(zip(x, y, strict=True))],
        crs=4326,
    )
    here = [i for i in at if i % 9 != 8]
    outlines = gpd.GeoDataFrame(
        {"deck_id": [ids[i] for i in here]},
        geometry=[shapely.box(x[i] - 2e-4, y[i] - 5e-5, x[i] + 2e-4, y[i] + 5e-5) for i in here],
        crs=4326,
    )
    spots = [(i, k) for i in here if surveyed[i] for k in range(6)]
    defects = gpd.GeoDataFrame(
        {
            "deck_id": [ids[i] for i, _ in spots],
            "kind": [("delamination", "spall", "hole", "exposed bar", "failed patch")[k % 5] for _, k in spots],
            "survey_date": pd.to_datetime(["2021-05-12" if k == 5 else "2025-05-12" for _, k in spots]),
        },
        geometry=[
            shapely.Point(x[i] + (k - 2.5) * 5e-5, y[i]).buffer(1.2e-5 * (1 + k % 2), quad_segs=3) for i, k in spots
        ],
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
    return {"status": status, "outlines": outlines, "defects": defects, "base": base, "lines": lines}


def nothing() -> dict[str, Any]:
    """Frames without a row."""
    bare = gpd.GeoDataFrame({"deck_id": pd.Series([], dtype="str")}, geometry=[], crs=4326)
    return {
        "status": bare,
        "outlines": bare,
        "defects": gpd.GeoDataFrame(),
        "base": gpd.GeoDataFrame(),
        "lines": pd.DataFrame(),
    }


def page_of(frames: dict[str, Any], title: str = "Mid district", tiles: str | None = None) -> str:
    return network_map(**frames, title=title, currency="USD", today=TODAY, tiles=tiles)


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


def data_of(page: str) -> dict[str, Any]:
    (text,) = [text for tag, attrs, text in Parts(page).inside if attrs.get("type") == "application/json"]
    data: dict[str, Any] = json.loads(text, parse_constant=refuse)
    return data


def decks_of(page: str) -> list[dict[str, Any]]:
    data = data_of(page)
    return [dict(zip(data["fields"], row, strict=True)) for row in data["decks"]]


def theme_at(key: str) -> int:
    return [t.key for t in THEMES].index(key)


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
    assert page_of(frames, tiles="https://{s}.invalid/{z}/{x}/{y}.png") == page_of(
        frames, tiles="https://{s}.invalid/{z}/{x}/{y}.png"
    )


def test_frames_are_left_as_they_were() -> None:
    frames, again = network(), network()
    page_of(frames)
    for name, frame in frames.items():
        pd.testing.assert_frame_equal(pd.DataFrame(frame), pd.DataFrame(again[name]))


def test_missing_and_endless_numbers_never_reach_the_page() -> None:
    frames = network()
    frames["status"].loc[0, "share_now"] = np.inf
    frames["status"].loc[3, "priority"] = np.nan
    decks = decks_of(page_of(frames))
    assert decks[0]["share_now"] is None
    assert decks[0]["levels"][theme_at("share_now")] == -1
    assert decks[3]["levels"][theme_at("priority")] == -1
    assert decks[4]["aadt"] is None


@pytest.mark.parametrize("keep", [["deck_id"], ["deck_id", "name", "share_now"]])
def test_columns_that_are_absent_are_missing_figures(keep: list[str]) -> None:
    frames = network(12)
    frames["status"] = frames["status"][[*keep, "geometry"]]
    decks = decks_of(page_of(frames))
    assert [d["deck_id"] for d in decks] == [f"{i:04d}" for i in range(12)]
    assert all(d["rank"] is None for d in decks)


def test_page_of_no_records_says_so() -> None:
    page = page_of(nothing())
    data = data_of(page)
    assert data["decks"] == data["outlines"] == data["defects"] == data["base"] == data["lines"] == []
    assert "<b>0</b> decks: <b>0</b> drawn" in page


def test_decks_without_a_position_are_counted_and_kept() -> None:
    frames = network(60)
    page = page_of(frames)
    assert "<b>60</b> decks: <b>54</b> drawn, <b>6</b> not drawn (no position)" in page
    decks = decks_of(page)
    assert [d["deck_id"] for d in decks if d["x"] is None] == [f"{i:04d}" for i in range(60) if i % 9 == 8]


def test_an_empty_point_is_no_position() -> None:
    frames = network(3)
    frames["status"].geometry = [shapely.Point(), shapely.Point(10, 91), shapely.Point(1, 2)]
    assert [d["x"] for d in decks_of(page_of(frames))] == [None, None, 1]


def test_other_coordinates_are_turned_into_longitude_and_latitude() -> None:
    frames = network(5)
    there = decks_of(page_of(frames))
    frames["status"] = frames["status"].to_crs(3857)
    here = decks_of(page_of(frames))
    assert [d["x"] for d in here] == pytest.approx([d["x"] for d in there], abs=2e-7)
    assert [d["y"] for d in here] == pytest.approx([d["y"] for d in there], abs=2e-7)


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "under 2"),
        (0.0199, "under 2"),
        (0.02, "2 to under 5"),
        (0.07, "5 to under 10"),
        (0.1, "10 to under 25"),
        (0.29 - 0.04, "25 and more"),
        (1.0, "25 and more"),
    ],
)
def test_a_value_on_a_break_belongs_to_the_class_above(share: float, words: str) -> None:
    frames = network(1)
    frames["status"]["share_now"] = share
    page = page_of(frames)
    theme = data_of(page)["themes"][theme_at("share_now")]
    level = decks_of(page)[0]["levels"][theme_at("share_now")]
    assert theme["classes"][level][0] == words
    assert theme["unit"] == "% of deck area"


def test_decks_without_a_survey_a_count_or_a_whole_survey_are_marked() -> None:
    frames = network(6)
    frames["status"]["covered_share"] = [1.0, np.nan, 0.33, 1.0, np.nan, 0.999]
    frames["status"]["aadt_from"] = ["count", "route", "network", "count", None, "count"]
    decks = decks_of(page_of(frames))
    assert [d["soft"][theme_at("share_now")] for d in decks] == [0, 1, 0, 0, 1, 0]
    assert [d["soft"][theme_at("growth_per_yr")] for d in decks] == [0, 1, 0, 0, 1, 0]
    assert [d["soft"][theme_at("delaminated_share")] for d in decks] == [0, 0, 1, 0, 0, 0]
    assert [d["soft"][theme_at("aadt")] for d in decks] == [0, 1, 1, 0, 0, 0]


def test_earlier_programme_years_are_darker_and_late_ones_share_a_class() -> None:
    frames = network(12)
    years = [2027 + k for k in range(8)]
    frames["lines"] = pd.DataFrame({"deck_id": [f"{k:04d}" for k in range(8)], "year": years})
    page = page_of(frames)
    theme, decks = data_of(page)["themes"][-1], decks_of(page)
    assert [c[0] for c in theme["classes"]] == ["2032 and later", "2031", "2030", "2029", "2028", "2027"]
    assert [d["levels"][-1] for d in decks] == [5, 4, 3, 2, 1, 0, 0, 0, -1, -1, -1, -1]
    assert len(theme["classes"]) == MOST_YEARS


@pytest.mark.basis(
    "published", "W3C (2018), Web Content Accessibility Guidelines 2.1, definition of relative luminance"
)
def test_every_class_is_darker_and_larger_than_the_one_below() -> None:
    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for theme in data_of(page_of(network()))["themes"]:
        for (_, pale, small), (_, dark, large) in pairwise(theme["classes"]):
            assert (luminance(pale) + 0.05) / (luminance(dark) + 0.05) > 1.3
            assert large >= small + 1


@pytest.mark.parametrize("lon", [-135.0, 180.0])
def test_outlines_and_defects_lie_at_their_true_place(lon: float) -> None:
    frames = network(8, lon=lon)
    data = data_of(page_of(frames))
    decks = decks_of(page_of(frames))

    def unpacked(at: int, ring: list[int]) -> shapely.Polygon:
        steps = np.cumsum(np.array(ring).reshape(-1, 2), axis=0) * data["step"]
        return shapely.Polygon(steps + np.array([decks[at]["x"], decks[at]["y"]]))

    middle = np.mean([d["x"] for d in decks if d["x"] is not None])
    kept = frames["defects"][frames["defects"]["survey_date"] == "2025-05-12"].reset_index(drop=True)
    assert len(data["outlines"]) == len(frames["outlines"])
    assert [d[1] for d in data["defects"]] == list(kept["kind"])
    for shapes, packed in ((frames["outlines"], data["outlines"]), (kept, data["defects"])):
        for (_, row), entry in zip(shapes.iterrows(), packed, strict=True):
            ring = entry[-1][0]
            true = shapely.transform(
                row.geometry, lambda p: np.column_stack([p[:, 0] + 360 * np.round((middle - p[:, 0]) / 360), p[:, 1]])
            )
            assert decks[entry[0]]["deck_id"] == row["deck_id"]
            assert unpacked(entry[0], ring).hausdorff_distance(true) < 5e-7  # 5 cm


def test_shapes_with_parts_and_holes_are_drawn_whole() -> None:
    frames = network(1)
    spot = frames["status"].geometry[0]
    ring = spot.buffer(3e-5).difference(spot.buffer(1e-5))
    both = shapely.union_all([ring, shapely.box(spot.x + 1e-4, spot.y, spot.x + 1.2e-4, spot.y + 1e-5)])
    frames["defects"] = gpd.GeoDataFrame(
        {"deck_id": ["0000"], "kind": ["spall"], "survey_date": [pd.Timestamp("2025-05-12")]}, geometry=[both], crs=4326
    )
    assert [len(d[-1]) for d in data_of(page_of(frames))["defects"]] == [3]


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
    decks = decks_of(page_of(network(8, lon=0.0)))
    x = [d["x"] for d in decks if d["x"] is not None]
    assert max(x) - min(x) < 1
    assert min(x) < 0 < max(x)


@pytest.mark.parametrize(("shift", "land"), [(0.0, True), (5.0, False)])
def test_an_area_of_shoreline_is_land_where_decks_stand_in_it(shift: float, land: bool) -> None:
    frames = network()
    frames["base"].geometry = frames["base"].translate(shift)
    assert data_of(page_of(frames))["land"] is land


def test_hostile_text_is_only_ever_data() -> None:
    frames = network(len(HOSTILE))
    for name in ("name", "route", "reason", "urgent", "share_from"):
        frames["status"][name] = list(HOSTILE)
    frames["base"]["name"] = list(HOSTILE[:4])
    page = page_of(frames, title=HOSTILE[0])
    plain = Parts(page_of(network(len(HOSTILE))))
    assert [tag for tag, _ in Parts(page).tags] == [tag for tag, _ in plain.tags]
    for deck, name in zip(decks_of(page), HOSTILE, strict=True):
        assert deck["name"] == deck["route"] == deck["urgent"] == name


def test_very_long_text_does_not_swell_the_page() -> None:
    frames = network(4)
    short = len(page_of(frames))
    frames["status"].loc[1, "name"] = "long " * 9_000
    page = page_of(frames)
    assert len(page) < short + 1_500
    assert decks_of(page)[1]["name"].endswith("… (cut)")


def test_a_deck_takes_two_kilobytes_or_less() -> None:
    assert (len(page_of(network(400))) - len(page_of(network(100)))) / 300 < 2_048


@pytest.mark.parametrize("tiles", ["osm", "https://host.invalid/{z}/{x}.png", "javascript:{z}{x}{y}"])
def test_what_is_no_tile_address_is_refused(tiles: str) -> None:
    with pytest.raises(SettingsError, match="not a tile address"):
        page_of(network(2), tiles=tiles)

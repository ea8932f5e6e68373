"""The map for paper."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Geod

from decknet.errors import SettingsError
from decknet.show.plot import DRAWN, _levels, _on_plane, network_plot
from tests.quick import first
from tests.show.invented import base_map, network, works


@pytest.mark.parametrize("theme", first(1, [*DRAWN, "year"]))
def test_every_theme_draws_the_same_picture_twice(theme):
    status = network()
    first = network_plot(status, base_map(), theme=theme, lines=works(status).lines)
    assert first == network_plot(network(), base_map(), theme=theme, lines=works(status).lines)
    assert ET.fromstring(first).tag.endswith("svg")  # noqa: S314 (our own drawing)


def test_unknown_theme_is_refused():
    with pytest.raises(SettingsError, match=r"theme: 'mood' is not known. Known: .*year"):
        network_plot(network(), base_map(), theme="mood")


def test_a_value_on_a_break_belongs_to_the_class_above():
    status = network().iloc[:4].assign(share_now=[0.0999, 0.1, 0.0, np.nan])
    level, words, _, _ = _levels(status, "share_now", None)
    assert [words[k] if k >= 0 else None for k in level] == ["5 to under 10", "10 to under 25", "under 2", None]


@pytest.mark.basis("derived", "geodesic distances of pyproj.Geod, another algorithm than the projection")
def test_distances_on_the_plane_are_distances_on_the_ground():
    status = network()
    xy, _, _, _ = _on_plane(status, base_map())
    here = np.isfinite(xy).all(axis=1)
    lon, lat = status.geometry.x.to_numpy()[here], status.geometry.y.to_numpy()[here]
    _, _, ground_m = Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    plane_m = np.hypot(*np.diff(xy[here], axis=0).T)
    assert plane_m == pytest.approx(ground_m, rel=1e-3)


def test_a_network_across_the_180th_meridian_stays_together():
    status = network()
    moved = [None if p is None else shapely.Point((p.x + 135 + 180 + 180) % 360 - 180, p.y) for p in status.geometry]
    across = gpd.GeoDataFrame(status.drop(columns="geometry"), geometry=moved, crs=4326)
    there, _, _, _ = _on_plane(across, base_map().iloc[:0])
    here, _, _, _ = _on_plane(status, base_map())
    assert there == pytest.approx(here, abs=0.5, nan_ok=True)


def test_no_deck_and_no_base_map_still_draw():
    empty = network().iloc[:0]
    assert network_plot(empty, base_map().iloc[:0]).startswith(b"<?xml")


def test_land_may_be_given_as_areas_and_names_as_any_letters():
    base = base_map()
    base.loc[0, "geometry"] = shapely.box(-136, -46, -134, -44)
    base.loc[4, "name"] = "橋の町 $x_$"
    assert network_plot(network(), base) != network_plot(network(), base_map())

"""The base map."""

from __future__ import annotations

import pytest
import shapely

from decknet.errors import RecordError
from decknet.ingest import Known, read_file
from tests.ingest.conftest import TODAY, assert_nothing_lost, codes, column, write_layer


def test_layers_named_for_what_they_hold_come_in_degrees(tmp_path):
    path = tmp_path / "land.gpkg"
    river = shapely.LineString([(500000, 6200000), (500100, 6200000)])
    write_layer(path, "rivers", [river], {"name": ["Oskell"]}, "EPSG:32632")
    write_layer(path, "town", [shapely.Point(500000, 6200000), None], {"name": ["Tarnby", "Nowhere"]}, "EPSG:32632")
    found = read_file(path, known=Known.empty(), today=TODAY)
    assert_nothing_lost(found)
    assert sorted(column(found, "base", "kind")) == ["river", "town"]
    assert set(column(found, "base", "name")) == {"Oskell", "Tarnby"}
    first = found.records["base"]["shape"].iloc[0]
    assert shapely.get_coordinates(first)[0, 0] == pytest.approx(9.0, abs=1e-9)
    assert codes(found) == {3: "R-NO-SHAPE"}


def test_a_layer_without_a_system_is_refused(tmp_path):
    path = tmp_path / "roads.gpkg"
    write_layer(path, "roads", [shapely.Point(500000, 6200000)], {"name": ["x"]})
    with pytest.raises(RecordError, match="no coordinate system"):
        read_file(path, known=Known.empty(), today=TODAY)

"""Where bridges stand: columns judged by the shapes beside them, and degrees and stations as people write them."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from decknet.ingest import Known
from decknet.ingest.values import degrees, stations


def _text(*cells: str) -> pd.Series:
    return pd.Series(list(cells), dtype="str")


def _features(*rows: tuple[dict[str, object], list[float] | None]) -> str:
    made = [
        {
            "type": "Feature", "properties": {"bridge_id": f"{i:03d}", **cells},
            "geometry": None if at is None else {"type": "Point", "coordinates": at},
        }
        for i, (cells, at) in enumerate(rows)
    ]  # fmt: skip
    return json.dumps({"type": "FeatureCollection", "features": made})


@pytest.fixture
def kept(read):
    """Longitude and latitude of each bridge of such a file, and the codes said of each line."""

    def load(*rows: tuple[dict[str, object], list[float] | None]):
        reading = read(_features(*rows), "bridges.geojson", known=Known.empty())
        frame = reading.records["bridge"].set_index("bridge_id")
        return frame["longitude_deg"], frame["latitude_deg"], list(reading.faults.itertuples())

    return load


@pytest.mark.basis(
    "derived", "-84 23.8 / 60 = -84.396667; 33 45.2 / 60 = 33.753333; 0.001 degrees of latitude are 111 m"
)
def test_a_sign_that_is_not_written_is_that_of_the_shape(kept):
    lon, lat, log = kept(
        ({"lat": "33-45.2", "lon": "84-23.8"}, [-84.395, 33.755]),  # west, and does not say so
        ({"lat": "33.753333", "lon": "-84.396667"}, [-84.395, 33.755]),  # as it is
        ({"lat": "84.396667", "lon": "-33.753333"}, [-84.395, 33.755]),  # exchanged, and the signs with them
        ({"lat": "33-45.2", "lon": "84.26.6"}, [-84.45, 33.755]),  # stops between
    )
    assert lon.tolist() == pytest.approx([-84.396667, -84.396667, -84.396667, -84.443333], abs=1e-6)
    assert lat.tolist() == pytest.approx([33.753333] * 4, abs=1e-6)
    said = [(f.code, f.line) for f in log if f.code in ("F-SIGN", "F-TWO-POSITIONS")]
    assert [c for c, _ in said] == ["F-SIGN"] * 3


@pytest.mark.basis("derived", "0.005 degrees of latitude are 556 m, 0.004 are 445 m; said from 500 m on")
def test_columns_count_where_the_shape_lies_near_and_the_shape_where_it_does_not(kept):
    lon, lat, log = kept(
        ({"lat": 50.004, "lon": 10.0}, [10.0, 50.0]),  # near: nothing to say
        ({"lat": 50.005, "lon": 10.0}, [10.0, 50.0]),  # near, and said
        ({"lat": 52.0, "lon": 14.0}, [10.0, 50.0]),  # another place
        ({"lat": None, "lon": None}, [10.0, 50.0]),  # no columns: nothing is made of the shape
        ({"lat": 0.001, "lon": -0.002}, [10.0, 50.0]),  # next to nothing is not known
        ({"lat": 50.1, "lon": 10.1}, [0.0, 0.0]),  # a shape at nothing is none
        ({"lat": 50.2, "lon": 10.2}, [-84.16667, -90.0]),  # nor one at the pole
        ({"lat": 50.3, "lon": 10.3}, None),
        ({"lat": 0, "lon": 0}, [0.0, 0.0]),  # nothing at all
    )
    assert lon.tolist() == pytest.approx([10.0, 10.0, 10.0, np.nan, np.nan, 10.1, 10.2, 10.3, np.nan], nan_ok=True)
    assert lat.tolist() == pytest.approx([50.004, 50.005, 50.0, np.nan, np.nan, 50.1, 50.2, 50.3, np.nan], nan_ok=True)
    said = [f for f in log if f.code == "F-TWO-POSITIONS"]
    assert len(said) == 2
    assert "0.6 km away" in said[0].remedy
    assert "10.000000, 50.000000" in said[1].remedy


@pytest.mark.basis("practice", "12+45.3 is 12 stations of a hundred and 45.3, 1+250 a kilometre and 250 m")
@pytest.mark.parametrize(("unit", "step"), [("ft", 100.0), ("m", 1_000.0)])
def test_the_digits_after_the_plus_tell_what_a_station_counts(unit, step):
    assert stations(_text("12+45.3", "0+05", "7"), unit).tolist() == ["1245.3", "5.0", "7"]
    assert stations(_text("1+250", "0+050", "-0+012.5"), unit).tolist() == ["1250.0", "50.0", "-12.5"]
    assert stations(_text("1+5"), unit).tolist() == [repr(step + 5)]


@pytest.mark.basis("derived", "33 59 60.00 is 34 degrees; 84 26.6 / 60 = 84.443333")
def test_sixty_seconds_are_carried_and_sixty_one_are_none():
    assert [float(x) for x in degrees(_text("33 59 60.00 N", "33 60 N", "84.26.6"), True)[:3]] == pytest.approx(
        [34.0, 34.0, 84.443333], abs=1e-6
    )
    assert degrees(_text("33 59 61 N", "33 60 01 N"), True).tolist() == ["33 59 61 N", "33 60 01 N"]

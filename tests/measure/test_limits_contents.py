"""What each limit is said to hold, against the shapes themselves, where limits were cut and panels lie side by side."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from decknet.measure import repair_limits
from decknet.settings import LimitSettings
from tests.measure.test_limits import areas, bent, decks_of
from tests.quick import first


def _made(seed):
    """L-shaped areas in several panels, each as likely in any of them, at prices that make cuts pay."""
    rng = np.random.default_rng(seed)
    shapes = [
        bent(rng, rng.uniform(1, 37), rng.uniform(-4, 2), rng.uniform(1.0, 2.5))
        for _ in range(int(rng.integers(3, 12)))
    ]
    kinds = rng.choice(["delamination", "spall", "exposed bar", "hole"], size=len(shapes), p=[0.4, 0.3, 0.2, 0.1])
    settings = LimitSettings(margin_mm=float(rng.choice([25, 60])), gap_mm=1.0, set_up=5.0, saw_per_m=1.0)
    return areas(shapes, kinds.tolist()), settings


@pytest.mark.basis("derived", "the part of every shape in a limit's rectangle, covered once; by set operations")
@pytest.mark.parametrize("seed", first(8, range(24)))
def test_each_limit_holds_what_lies_in_it(seed):
    found, settings = _made(seed)
    edge = shapely.box(0, -5, 40, 5)
    limits = repair_limits(found, decks_of(joints_m=["13 26.5"]), settings)
    assert len(limits) > 1
    for row in limits.itertuples():
        assert not any(row.from_station_m < joint < row.to_station_m for joint in (13.0, 26.5))
        inside = shapely.box(row.from_station_m, row.from_offset_m, row.to_station_m, row.to_offset_m)
        parts = shapely.intersection(shapely.intersection(found["shape"].to_numpy(), edge), inside)
        held = shapely.area(parts) > 1e-9
        assert row.unsound_m2 == pytest.approx(shapely.union_all(parts).area, abs=1e-6)
        told, seen = set(row.kinds.split(", ")), set(found.loc[held, "kind"])
        assert seen <= told
        near = shapely.distance(found["shape"].to_numpy(), inside) <= settings.margin_mm / 1000 + 1e-6
        assert told <= set(found.loc[near, "kind"])
        if held.any():
            assert told == seen
        deep = "hole" in told
        assert row.depth_class == ("full" if deep else "partial")

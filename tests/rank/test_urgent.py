"""Wheel paths laid out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.rank.urgent import in_wheel_path
from decknet.settings import UrgentSettings


def bar(low: float, high: float) -> shapely.Polygon:
    """A bar that reaches between two offsets, m from the centreline."""
    return shapely.box(10.0, low, 11.0, high)


def in_path(lanes: float | None, width_m: float | None, *shapes: shapely.Polygon | None) -> list[object]:
    """True, False or None for each bar: whether it lies in a wheel path."""
    n = len(shapes)
    answer = in_wheel_path(
        np.array(shapes, dtype=object), np.full(n, np.nan if width_m is None else width_m),
        np.full(n, np.nan if lanes is None else lanes), UrgentSettings(),
    )  # fmt: skip
    return [None if pd.isna(a) else bool(a) for a in answer]


@pytest.mark.basis(
    "derived", "lanes of 3.6 m about the centreline, paths .9 m to either side of a lane's middle and 1 m wide"
)
@pytest.mark.parametrize(
    ("lanes", "width_m", "low", "high", "hit"),
    [
        # one lane: paths from .4 to 1.4 on both sides
        (1, 9.0, 0.5, 1.0, True),
        (1, 9.0, -1.0, -0.5, True),
        (1, 9.0, -0.35, 0.35, False),
        (1, 9.0, 1.45, 3.5, False),  # where a second lane would have its path
        (1, 9.0, 1.35, 3.5, True),
        (1, 9.0, -3.5, -1.45, False),
        (1, 9.0, -0.45, 0.1, True),
        # two lanes: middles at 1.8, paths from .4 to 1.4 and from 2.2 to 3.2
        (2, 9.0, 1.45, 2.15, False),
        (2, 9.0, 2.25, 2.5, True),
        (2, 9.0, 3.25, 4.4, False),
        (2, 9.0, -3.15, -3.0, True),
        (2, 9.0, -2.15, -1.45, False),
        (2, 9.0, -0.35, 0.35, False),
        # three lanes: middles at -3.6, 0 and 3.6, paths from .4 to 1.4, from 2.2 to 3.2 and from 4.0 to 5.0
        (3, 12.0, 4.05, 4.5, True),
        (3, 12.0, -4.5, -4.05, True),
        (3, 12.0, 3.25, 3.95, False),
        (3, 12.0, 5.05, 5.9, False),
        # four lanes on 9 m are 2.25 m wide: the paths end at .725 and begin again at 1.525
        (4, 9.0, 0.8, 1.45, False),
        (4, 9.0, 0.6, 0.7, True),
        (4, 9.0, 1.55, 1.6, True),
        # touching is being in it
        (1, 9.0, 1.4, 2.0, True),
        (1, 9.0, 0.1, 0.4, True),
    ],
)
def test_a_bar_is_in_a_wheel_path_where_it_reaches_one(lanes, width_m, low, high, hit):
    assert in_path(lanes, width_m, bar(low, high)) == [hit]


def test_each_bar_is_told_by_itself_and_one_not_drawn_cannot_be():
    clear, hit = bar(-0.3, 0.3), bar(0.5, 0.6)
    assert in_path(2, 9.0, clear, hit, None, clear) == [False, True, None, False]
    for lanes, width_m in ((None, 9.0), (0, 9.0), (2, None)):
        assert in_path(lanes, width_m, clear) == [None]
    assert in_path(2, 9.0) == []


def test_of_a_place_in_parts_each_part_counts():
    apart = shapely.union_all([bar(-0.3, 0.3), bar(3.3, 3.5)])  # neither in a path, though their reach spans two
    assert in_path(2, 9.0, apart) == [False]
    assert in_path(2, 9.0, shapely.union_all([bar(-0.3, 0.3), bar(3.0, 3.5)])) == [True]

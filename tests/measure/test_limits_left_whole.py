"""Limits that are not tried for a cut: the one look that leaves them out loses no more than a set-up each."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from decknet.measure import limits as limits_module
from decknet.measure import limits_cost, repair_limits
from decknet.settings import LimitSettings
from tests.measure.test_limits import areas, decks_of, random_deck
from tests.quick import first


def _all_tried(label, limit, *_):
    return np.ones(len(limit), dtype=bool)


@pytest.mark.parametrize("prices", [{}, {"full_per_m2": 3000.0, "partial_per_m2": 200.0, "set_up": 300.0}])
@pytest.mark.parametrize("seed", first(6, range(16)))
def test_trying_every_limit_saves_less_than_a_set_up_each(monkeypatch, seed, prices):
    deck, found, settings = random_deck(seed)
    settings = LimitSettings(**{"margin_mm": settings.margin_mm, "gap_mm": settings.gap_mm, **prices})
    got = repair_limits(found, deck, settings)
    cost = limits_cost(got, settings).sum()
    monkeypatch.setattr(limits_module, "_wasteful", _all_tried)
    least = limits_cost(repair_limits(found, deck, settings), settings).sum()
    assert least <= cost + 1e-6
    assert cost - least <= settings.set_up * len(got) + 1e-6


@pytest.mark.basis("derived", "a hole of 0.5 x 0.5 m in the corner of 6 x 6 m; by hand")
def test_a_hole_in_a_wide_shallow_area_is_cut_off_where_full_depth_is_dearer():
    """No sound concrete goes to waste in the one limit; what a cut saves is the depth."""
    found = areas([shapely.box(10, -3, 16, 3), shapely.box(10, -3, 10.5, -2.5)], ["delamination", "hole"])
    way = {"margin_mm": 50.0, "step_mm": 50.0, "saw_per_m": 0.0, "set_up": 400.0, "partial_per_m2": 100.0}
    dear, same = (LimitSettings(**way, full_per_m2=price) for price in (200.0, 100.0))
    cut = repair_limits(found, decks_of(), dear)
    assert len(cut) > 1
    deep = cut[cut["depth_class"] == "full"]
    assert len(deep) == 1
    assert deep["area_m2"].iloc[0] < 36
    whole = 6.1 * 6.1
    assert limits_cost(cut, dear).sum() < whole * 200 + 400
    alone = repair_limits(found, decks_of(), same)
    assert len(alone) == 1
    assert alone["area_m2"].iloc[0] == pytest.approx(whole)

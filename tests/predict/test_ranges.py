"""Moves and ranges learned by going back, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.predict.analogues import learn_analogues
from decknet.predict.curved import Z80
from decknet.predict.fit import growth_of_histories
from decknet.predict.growth import UNKNOWN
from decknet.predict.history import Histories
from decknet.predict.lines import Families
from decknet.predict.ranges import begun, open_share, reach_by_level
from decknet.predict.truths import made_up_histories
from decknet.settings import Settings

S = Settings().growth


def test_like_histories_are_told_apart_and_few_are_drawn_towards_none():
    rng = np.random.default_rng(1)
    x = rng.normal(size=(3000, 3))
    miss = np.where(x[:, 1] > 0.5, 0.8, -0.2) + 0.3 * rng.standard_normal(len(x))
    got = learn_analogues(x, miss).at(np.array([[0.0, 1.5, 0.0], [0.0, -1.0, 0.0]]))
    assert got == pytest.approx([0.8, -0.2], abs=0.12)
    few = learn_analogues(x[:40], miss[:40]).at(np.array([[0.0, 1.5, 0.0]]))
    assert 0.0 < few[0] < 0.7
    # A wild miss counts as one of a spread and a half.
    wild = learn_analogues(x, np.where(np.arange(len(x)) == 7, 1e6, miss)).at(np.array([[0.0, 1.5, 0.0]]))
    assert wild == pytest.approx(got[:1], abs=0.05)
    same = learn_analogues(np.ones((50, 2)), miss[:50])
    assert abs(same.at(np.ones((1, 2)))[0]) < 0.2  # nothing to ask: what all were missed by, drawn towards none


def test_nothing_learned_hangs_on_the_last_bit():
    rng = np.random.default_rng(2)
    x, miss = rng.normal(size=(800, 4)), rng.normal(size=800)
    one, two = learn_analogues(x, miss), learn_analogues(x * (1 + 1e-15), miss * (1 - 1e-15))
    for name in ("column", "cut", "value"):
        assert (getattr(one, name) == getattr(two, name)).all()


@pytest.mark.basis("derived", "by hand: tenths of 1,000 misses; a level of its own drawn towards all as 60 would draw")
def test_ranges_by_level_hold_eight_in_ten():
    level, miss = np.full(1000, 0.03), np.arange(1000) / 1000 - 0.5
    none, turn = np.zeros(1000, dtype=bool), np.zeros(1000, dtype=np.int64)
    got = reach_by_level(level, miss, none, none, turn)
    assert (got.low[2], got.middle[2], got.high[2]) == pytest.approx((-0.4, 0.0, 0.4), abs=0.0011)
    assert got.low[5] == got.low[2]  # no surveys of that level: as all are
    both = np.concatenate([level, np.full(100, 0.3)])
    twice = reach_by_level(
        both, np.concatenate([miss, np.full(100, 2.0)]), np.zeros(1100, dtype=bool), np.zeros(1100, dtype=bool),
        np.zeros(1100, dtype=np.int64),
    )  # fmt: skip
    common = float(np.sort(np.concatenate([miss, np.full(100, 2.0)]))[550])
    assert twice.middle[5] == pytest.approx((100 * 2.0 + 60 * common) / 160, abs=1e-5)


def test_a_class_that_is_missed_further_has_a_wider_range_and_a_round_further_back_counts_half():
    rng = np.random.default_rng(3)
    new = np.arange(4000) % 4 == 0
    miss = rng.standard_normal(4000) * np.where(new, 2.0, 1.0)
    none, turn = np.zeros(4000, dtype=bool), np.zeros(4000, dtype=np.int64)
    got = reach_by_level(np.full(4000, 0.07), miss, new, none, turn)
    middle, down, up = got.at(np.array([0.07, 0.07]), np.array([False, True]), np.array([False, False]))
    assert (down[1] + middle[1], up[1] - middle[1]) == pytest.approx((2 * Z80, 2 * Z80), rel=0.15)
    assert got.patched == (1.0, 1.0)
    # Two thirds of the weight is on the first half: its misses lie at 0, those of the round before at 1.
    back = np.repeat([0, 1], 2000)
    assert reach_by_level(np.full(4000, 0.07), back * 1.0, none, none, back).middle[3] == 0.0
    assert reach_by_level(np.full(4000, 0.07), back * 1.0, none, none, 1 - back).middle[3] == 1.0


@pytest.mark.basis("derived", "2.9 times the reading before and over a point, as in the module")
def test_damage_has_just_begun_where_the_last_reading_is_far_above_the_one_before():
    read = np.array([0.01, 0.03, 0.01, 0.028, 0.0, 0.009, 0.05])
    deck = np.array([0, 0, 1, 1, 2, 2, 3])
    h = Histories(
        deck, np.arange(7.0), read, np.zeros(7), np.ones(7), np.zeros(7, dtype=np.int64), 1, np.zeros(4), 4
    )  # fmt: skip
    assert begun(h, read).tolist() == [True, False, False, False]


@pytest.mark.basis("derived", "areas by hand: what was made sound goes off, failed patches come on, the rest grows on")
def test_what_is_there_to_be_found_beside_works():
    one = np.array([0.20])
    assert open_share(one, np.array([0.15]), np.array([0.0]), np.array([0.0])) == pytest.approx([0.20])
    assert open_share(one, np.array([0.15]), np.array([0.12]), np.array([0.03])) == pytest.approx([0.11])
    # 18 % were made sound where 15 % were thought to be: of the 82 % left, as much grows as of the 85 % thought.
    assert open_share(one, np.array([0.15]), np.array([0.18]), np.array([0.0])) == pytest.approx([0.05 * 0.82 / 0.85])


@pytest.fixture(scope="module")
def growth():
    h = made_up_histories("gamma process", 400, np.random.default_rng(4))
    one = np.zeros(h.decks, dtype=np.int64)
    return growth_of_histories(h, Families(one, one, ("all",), ("all",), 40), S, np.full(h.decks, 0.005))


def test_no_quantile_of_the_true_share_falls(growth):
    rows = np.arange(len(growth.deck_id))
    last = growth.models.history.last_of(growth.models.history.when_yr)
    before = [np.full(len(rows), -1.0)] * 3
    for years in np.linspace(-4, 40, 60):
        fan = growth.damage(rows, last + years)
        assert all((q >= b - 1e-9).all() for q, b in zip(fan, before, strict=True))
        assert (fan[1] <= fan[0]).all()
        assert (fan[0] <= fan[2]).all()
        before = list(fan)
    assert (np.abs(growth.revision.move) > 1e-4).mean() > 0.5


def test_a_reading_scatters_about_the_truth_and_more_where_the_crew_is_not_known(growth):
    rows = np.arange(len(growth.deck_id))
    when = np.full(len(rows), 28.0)
    true, known = growth.unsound(rows, when), growth.reading(rows, when, 0)
    assert known[0] == pytest.approx(true[0] * growth.models.error.factor[0], abs=1e-6)
    width = known[2] - known[1]
    assert np.mean(width) > np.mean(true[2] - true[1])
    half = growth.reading(rows, when, 0, 0.5)
    assert (half[2] - half[1] >= width - 1e-9).all()
    assert growth.expected(rows, when) == pytest.approx(true[0], abs=1e-6)
    unknown = growth.reading(rows, when, UNKNOWN)
    assert unknown[0] == pytest.approx(true[0], abs=1e-6)

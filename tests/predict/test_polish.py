"""From where a search stopped to the one point it looked for, and the figures that are kept of it."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from decknet.predict.lines import fit_lines, line_sums
from decknet.predict.polish import bend_at, polished
from decknet.settled import for_json, significant, to_places


def _valley(theta):
    """(x - 1)^4 + (x - 1)^2 + 3 (y - x)^2, least at (1, 1)."""
    x, y = theta
    return (x - 1) ** 4 + (x - 1) ** 2 + 3 * (y - x) ** 2, np.array(
        [4 * (x - 1) ** 3 + 2 * (x - 1) - 6 * (y - x), 6 * (y - x)]
    )


@pytest.mark.basis("derived", "second derivatives of the valley at (1, 1): 2 + 6, -6, 6")
def test_the_curvature_by_hand():
    assert bend_at(_valley, np.array([1.0, 1.0])) == pytest.approx(np.array([[8.0, -6.0], [-6.0, 6.0]]), abs=1e-6)


@pytest.mark.basis("derived", "least where both squares are nothing")
@pytest.mark.parametrize("start", [(1.01, 1.0), (0.99, 1.02), (1.0, 1.0), (1.05, 0.95)])
def test_wherever_the_search_stopped_the_same_point_is_reached(start):
    at, _ = polished(_valley, np.array(start))
    assert at == pytest.approx([1.0, 1.0], abs=1e-11)


def test_an_unknown_at_its_bound_stays_there_and_the_others_settle():
    at, _ = polished(_valley, np.array([2.0, 1.9]), (-5.0, 2.0))
    assert at == pytest.approx([2.0, 2.0], abs=1e-11)


def test_a_direction_that_says_nothing_is_left_alone():
    at, _ = polished(lambda t: ((t[0] - 1) ** 2, np.array([2 * (t[0] - 1), 0.0])), np.array([1.2, 7.5]))
    assert at == pytest.approx([1.0, 7.5], abs=1e-11)


def test_what_is_worse_is_not_taken():
    hill = lambda t: (float(-(t[0] ** 2)), -2 * t)  # noqa: E731 (no minimum anywhere)
    start = np.array([0.3])
    at, _ = polished(hill, start)
    assert hill(at)[0] <= hill(start)[0]


def _made_up(seed, spread, decks=120):
    rng = np.random.default_rng(seed)
    deck, t = np.repeat(np.arange(decks), 4), rng.uniform(0, 4, decks * 4)
    line = np.array([1.0, 0.5]) + rng.standard_normal((decks, 2)) * spread
    return deck, t, line[deck, 0] + line[deck, 1] * t + 0.5 * rng.standard_normal(len(deck))


@pytest.mark.parametrize("spread", [(0.9, 0.4), (0.9, 0.0), (0.0, 0.4), (0.0, 0.0)], ids=str)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lines_moved_in_their_last_digits_have_the_same_spreads(spread, seed):
    """Also where decks do not differ at all, so that the best answer lies on the edge of what can be."""
    deck, t, z = _made_up(seed, np.array(spread))
    rng = np.random.default_rng(seed)
    told = []
    for nudge in (0.0, 1e-12):
        moved = [x * (1 + nudge * rng.uniform(-1, 1, len(x))) for x in (t, z)]
        fit = fit_lines(line_sums(deck, 120, 1.0, *moved))
        assert fit.converged
        told.append([f"{v:.6g}" for v in (*to_places(fit.between.ravel(), 9), *fit.mean, fit.noise)])
    assert told[0] == told[1]


def test_the_order_of_decks_does_not_move_the_spreads_by_a_bit():
    deck, t, z = _made_up(4, np.array([0.9, 0.4]))
    mixed = np.random.default_rng(4).permutation(120)
    one, other = (fit_lines(line_sums(d, 120, 1.0, t, z)) for d in (deck, mixed[deck]))
    assert one.between / one.noise == pytest.approx(other.between / other.noise, rel=1e-13)


@pytest.mark.parametrize(
    ("given", "kept"),
    [(8_472_297.6149999, 8_472_297.61), (0.1 + 0.2, 0.3), (-1 / 3, -0.333333333), (1e-231, 1e-231), (7, 7), (0.0, 0.0)],
)
def test_json_has_nine_digits_and_money_in_full(given, kept):
    assert for_json({"figure": [given]}) == {"figure": [kept]}


def test_json_keeps_what_is_no_fraction():
    data = {"text": "0.30000000000000004", "yes": True, "none": None, "whole": 2**60, "deep": ({"a": [0.5]},)}
    assert json.loads(json.dumps(for_json(data))) == {**data, "deep": [{"a": [0.5]}]}
    assert math.isinf(for_json(float("inf")))


@pytest.mark.parametrize(("given", "kept"), [(1.23456789, 1.234568), (0.0, 0.0), (-9.99999999, -10.0), (1e-9, 1e-9)])
def test_seven_digits_are_kept_of_a_parameter(given, kept):
    assert significant(given) == kept


def test_what_is_missing_stays_missing():
    got = to_places(np.array([np.nan, np.inf, -0.0, 0.12345678]), 6)
    assert np.isnan(got[0])
    assert got[1:].tolist() == [np.inf, 0.0, 0.123457]
    assert math.copysign(1.0, got[2]) == 1.0

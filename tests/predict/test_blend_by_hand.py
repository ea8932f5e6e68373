"""Parts, widths and reaches of the two models, survey by survey in plain arithmetic; and either model by itself."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, exp, hypot, log, sqrt

import numpy as np
import pytest
from scipy.stats import truncnorm

from decknet.predict.blend import LEVEL_EDGES, LEVEL_KNOTS, Models, at_rank, choose_blend, fit_models
from decknet.predict.curved import _below
from decknet.predict.history import Histories, SurveyError
from decknet.predict.lines import Families, Lines
from decknet.predict.paced import Paced, _drawn_level, _speed_up
from decknet.predict.scores import crps_fan
from decknet.predict.truths import made_up_histories
from decknet.settings import Settings
from tests.predict.by_hand import CURVED, FITS, START, Z, growth

S = Settings().growth


# ---- either model ----------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "by hand: a deck is taken to be at least a year old, whatever its start")
@pytest.mark.parametrize("age", [-3.0, 0.3, 1.0, 1.05, 2.0])
def test_no_deck_is_read_younger_than_a_year(age):
    models, k = growth().models, np.array([1])
    when = np.array([START[1] + age])
    x = log(max(age, 1.0) / 30)
    a, b, aa, ab, bb = (CURVED[name][1] for name in ("a", "b", "aa", "ab", "bb"))
    share = 1 - exp(-exp(a + b * x))
    assert models.middle(k, when, np.ones(1), np.zeros(1)) == pytest.approx([share])
    median, _, high = models.curved_fan(k, when)
    assert median == pytest.approx([share])
    assert high == pytest.approx([1 - exp(-exp(a + b * x + Z * sqrt(aa + 2 * ab * x + bb * x * x)))])


@pytest.mark.basis("derived", "median and both ends of each model with a reach of its own on either side, by hand")
def test_either_side_of_a_model_has_a_reach_of_its_own():
    models, k, when = growth().models, np.array([0]), np.array([30.0])
    x = log(50 / 30)
    a, b, aa, ab, bb = (CURVED[name][0] for name in ("a", "b", "aa", "ab", "bb"))
    sd = sqrt(aa + 0.1**2 + 2 * ab * x + bb * x * x)
    got = models.curved_fan(k, when, (0.5, 2.0), 0.1)
    ends = [1 - exp(-exp(a + b * x + z * sd)) for z in (0.0, -0.5 * Z, 2.0 * Z)]
    assert [float(q[0]) for q in got] == pytest.approx(ends)
    dt = (exp(0.03 * 15) - 1) / 0.03 - 0.5
    sd = sqrt(4e-4 + (0.1 * 0.2) ** 2 + 9e-6 * dt * dt)
    got = models.paced_fan(k, when, (0.5, 2.0), 0.1)
    ends = [1 - exp(-(0.2 + 0.012 * dt + z * sd)) for z in (0.0, -0.5 * Z, 2.0 * Z)]
    assert [float(q[0]) for q in got] == pytest.approx(ends)
    both = models.fan(k, when, np.array([0.3]), np.zeros(1), (0.5, 2.0), 0.1)
    mixed = [0.3 * c + 0.7 * p for c, p in zip(models.curved_fan(k, when, (0.5, 2.0), 0.1), got, strict=True)]
    assert [float(q[0]) for q in both] == pytest.approx([float(q[0]) for q in mixed])
    # A pace that would take the deck below nothing is held at nothing.
    early = models.paced_fan(k, np.array([-10.0]))
    assert early[1][0] == 0.0


@pytest.mark.basis("derived", "scipy's normal cut off above; deep in its tail the first terms of the Mills ratio")
def test_mean_and_variance_of_a_normal_cut_off_above():
    for at in (-11.5, -4.0, -1.0, 0.0, 0.7, 3.0, 20.0):
        mean, var = _below(np.array([0.4]), np.array([0.5]), 0.4 + 0.5 * at)
        wanted = truncnorm.stats(-np.inf, at, loc=0.4, scale=0.5)
        assert (mean[0], var[0]) == pytest.approx([float(v) for v in wanted], rel=1e-6)
    for at in (-12.5, -25.0):
        mean, var = _below(np.array([0.4]), np.array([0.5]), 0.4 + 0.5 * at)
        assert mean[0] == pytest.approx(float(truncnorm.stats(-np.inf, at, loc=0.4, scale=0.5)[0]), abs=1e-3)
        assert var[0] == pytest.approx(0.001 * 0.25)  # never surer than by a thousandth of the variance
    far = _below(np.array([0.0]), np.array([1.0]), -50.0)
    assert far[0][0] == pytest.approx(-30 - 1 / 30)


# ---- the choice ------------------------------------------------------------------------------------------------------


def test_the_rank_that_holds_a_part_of_what_is_needed():
    need = np.array([3.0, 1.0, 2.0, 5.0, 4.0])
    assert [at_rank(need, part) for part in (0.1, 0.5, 0.66, 0.67, 0.8, 0.99)] == [1.0, 3.0, 4.0, 5.0, 5.0, 5.0]


def _rank(need, part):
    return sorted(need)[min(ceil((len(need) + 1) * part) - 1, len(need) - 1)]


def _straight(level, table):
    return float(np.interp(log(max(level, 1e-9)), np.log(LEVEL_KNOTS), table))


def _found(fan, k, h, row, error):
    """What a survey would find, in plain arithmetic."""
    made, crew = h.repaired[row], h.observer[row]
    there, factor = max(fan[0][k] - made, 0.0), error.factor[crew]
    sd = Z * factor * hypot(error.cv[crew] * there, error.floor) / sqrt(h.covered[row])
    middle = min(made + factor * there, 1.0)
    low = max(middle - hypot(factor * (fan[0][k] - fan[1][k]), sd), 0.0)
    return middle, low, min(middle + hypot(factor * (fan[2][k] - fan[0][k]), sd), 1.0)


def _stretched(fan, down, up, least):
    middle, low, high = fan
    return middle, min(max(middle - down * (middle - low), least), 1.0), min(middle + up * (high - middle), 1.0)


def _need(fan, came):
    middle, low, high = fan
    return abs(came - middle) / max(middle - low if came < middle else high - middle, 1e-9)


@pytest.mark.basis(
    "derived", "every part tried survey by survey: sides by level, then a width, then the score; drawn as by 60"
)
def test_the_choice_survey_by_survey():
    rng = np.random.default_rng(12)
    h = made_up_histories("linear rates", 240, rng)
    k = len(h.deck)
    h = replace(
        h, observer=rng.integers(0, 2, k), observers=2, covered=rng.choice([0.5, 1.0], k),
        repaired=np.where(rng.random(h.decks) < 0.2, 0.01, 0.0)[h.deck],
    )  # fmt: skip
    h = replace(h, damage=np.minimum(h.damage + h.repaired, 0.95))
    of = np.where(np.arange(h.decks) < 150, 0, np.where(np.arange(h.decks) < 235, 1, 2))
    families = Families(of, np.zeros(h.decks, dtype=np.int64), ("a", "b", "few", "none"), ("all",), 30)
    hidden = h.last() & (h.count()[h.deck] > 1)
    models = fit_models(h.some(~h.last()), families, S, np.full(h.decks, 0.005))
    got = choose_blend(models, h, hidden, families)

    rows = np.flatnonzero(hidden)
    decks, n = h.deck[rows], len(rows)
    came, least, level = h.damage[rows].round(9), h.repaired[rows].round(9), models.level()[decks]
    group = np.searchsorted(LEVEL_EDGES, level)
    sides, widths, fans, scores = [], [], [], []
    for part in np.arange(11) / 10:
        plain = models.fan(decks, h.when_yr[rows], np.full(n, part), least)
        fan = [_found(plain, i, h, row, models.error) for i, row in enumerate(rows)]
        tables = []
        for side in (0, 1):
            reach = [(f[0] - f[1], f[2] - f[0])[side] for f in fan]
            need = [(-1, 1)[side] * (c - f[0]) / max(r, 1e-9) for c, f, r in zip(came, fan, reach, strict=True)]
            common, table = _rank(need, 0.9), []
            for knot in range(7):
                mine = [need[i] for i in np.flatnonzero(group == knot)]
                own = (len(mine) * _rank(mine, 0.9) + 60 * common) / (len(mine) + 60) if len(mine) >= 10 else common
                table.append(min(max(own, 0.3), 4.0))
            tables.append(table)
        fan = [
            _stretched(f, _straight(level[i], tables[0]), _straight(level[i], tables[1]), least[i])
            for i, f in enumerate(fan)
        ]
        width = _rank([_need(f, c) for f, c in zip(fan, came, strict=True)], 0.8)
        wide = [_stretched(f, width, width, least[i]) for i, f in enumerate(fan)]
        scores.append(crps_fan(tuple(np.array(q) for q in zip(*wide, strict=True)), came))
        sides.append(tables)
        widths.append(width)
        fans.append(fan)
    scores = np.array(scores)
    overall = scores.mean(axis=1)
    parts = []
    for family in range(4):
        mine = of[decks] == family
        own = scores[:, mine].sum(axis=1)
        if mine.any():
            typical = own.mean() / mine.sum()
            pooled = own + 60 * overall * typical / overall.mean()
        else:
            pooled = overall
        weight = np.exp(-(pooled / pooled.min() - 1) / 0.003)
        parts.append((weight * np.arange(11) / 10).sum() / weight.sum())
    assert got.curved_part == pytest.approx(parts, abs=2e-6)
    assert len({round(p, 4) for p in parts}) == 4
    best = np.round(10 * np.array(parts)).astype(int)
    middle = int(np.median(best[of[decks]]))
    assert got.down == pytest.approx(sides[middle][0], abs=2e-6)
    assert got.up == pytest.approx(sides[middle][1], abs=2e-6)
    for family in range(4):
        mine = np.flatnonzero(of[decks] == family)
        common = widths[best[family]]
        own = _rank([_need(fans[best[family]][i], came[i]) for i in mine], 0.8) if len(mine) >= 10 else common
        width = (len(mine) * own + 60 * common) / (len(mine) + 60)
        assert got.width[family] == pytest.approx(min(max(width, 0.5), 3.0), abs=2e-6)
    assert got.hidden.tolist() == [150, 85, 0, 0]


# ---- the pace --------------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "numpy's least squares: a line for each deck of three surveys, and one bend for a family")
def test_the_bend_of_a_family_is_least_squares_beside_a_line_for_each_deck():
    rng = np.random.default_rng(13)
    count = np.array([3, 4, 2, 5, 3, 6, 4, 3])
    n = len(count)
    deck = np.repeat(np.arange(n), count)
    when = np.concatenate([np.sort(rng.uniform(0, 20, c)) for c in count])
    weight = rng.uniform(0.5, 2.0, len(deck))
    middle = np.bincount(deck, weight * when) / np.bincount(deck, weight)
    dt = when - middle[deck]
    level, rate = rng.uniform(0.02, 0.5, n), rng.uniform(0.01, 0.03, n)
    level[1] = -0.05  # below nothing counts as clean
    fresh = np.exp(-4 * np.maximum(level, 0.0))
    true = np.where(np.arange(n) < 5, 0.05, 0.02)
    y = level[deck] + rate[deck] * (dt + 0.5 * (true * fresh)[deck] * dt**2) + 0.004 * rng.standard_normal(len(deck))
    h = Histories(
        deck, when, y, 0 * y, 0 * y + 1, np.zeros(len(deck), dtype=np.int64), 1, np.full(n, -20.0), n
    )  # fmt: skip
    of = (np.arange(n) >= 5).astype(np.int64)
    families = Families(of, np.zeros(n, dtype=np.int64), ("a", "b"), ("all",), 1)

    def bend(decks, prior):
        """Weighted least squares of a line for each deck and one bend, with a row for what is drawn towards."""
        rows = np.flatnonzero(np.isin(deck, decks) & (count[deck] >= 3))
        table = np.zeros((len(rows), 2 * n + 1))
        table[np.arange(len(rows)), deck[rows]] = 1
        table[np.arange(len(rows)), n + deck[rows]] = dt[rows]
        table[:, -1] = (rate * fresh)[deck[rows]] * 0.5 * dt[rows] ** 2
        root = np.sqrt(weight[rows])
        table, right = table * root[:, None], y[rows] * root
        if prior is not None:
            table = np.vstack([table, np.append(np.zeros(2 * n), 1 / 0.02)])
            right = np.append(right, prior / 0.02)
        return np.linalg.lstsq(table, right, rcond=None)[0][-1]

    common = bend(np.arange(n), None)
    assert 0.0 < common < 0.08
    wanted = np.where(of == 0, bend(np.arange(5), common), bend(np.arange(5, n), common))
    got = _speed_up(h, weight, dt, y, level, rate, families, of)
    assert got == pytest.approx(np.clip(wanted, 0, 0.08) * fresh, rel=1e-6)
    assert 0.0 < wanted.min() < wanted.max() < 0.08
    # One that bends down does not slow, one that bends up wildly speeds up by 8 % a year.
    straight = level[deck] + rate[deck] * dt
    for by, told in ((-1.0, 0.0), (9.0, 0.08)):
        bent = straight + by * 0.5 * 0.05 * (rate * fresh)[deck] * dt**2
        assert _speed_up(h, weight, dt, bent, level, rate, families, of) == pytest.approx(told * fresh)
    two = h.some(np.isin(deck, [2]))
    assert (
        _speed_up(two, weight[deck == 2], dt[deck == 2], y[deck == 2], level, rate, families, of).tolist() == [0.0] * n
    )


@pytest.mark.basis("derived", "by hand: logs of level and curve weighed by their variances; small levels left as read")
def test_a_level_is_drawn_towards_the_curve_of_its_age():
    source = np.array([0, 0, 1, 0, 0, 0])
    none = np.zeros(6)
    curved = Lines(none, none, none, none, none, none, source, FITS)
    level = np.array([0.2, 0.05, 0.1, 0.002, 0.0021, 0.2])
    variance = np.array([0.004, 0.0001, 0.01, 1e-6, 1e-6, 0.004])
    age = np.array([45.0, 20.0, 30.0, 30.0, 30.0, 0.2])
    got = _drawn_level(level, variance, age, curved)
    for k in (0, 1, 2, 4, 5):
        fit, x = FITS[int(source[k])], log(max(age[k], 1.0) / 30)
        c = fit.between + fit.mean_var
        spread = c[0, 0] + 2 * c[0, 1] * x + c[1, 1] * x * x
        keep = spread / (spread + variance[k] / level[k] ** 2)
        own = keep * log(level[k]) + (1 - keep) * (fit.mean[0] + fit.mean[1] * x)
        assert got[k] == pytest.approx(exp(own))
    assert got[3] == 0.002


def test_a_deck_whose_pace_is_not_known_follows_its_curve_alone():
    none = np.array([np.nan])
    one = np.zeros(1)
    paced = Paced(Lines(none, one, none, one, one, one, one.astype(np.int64), {}), one, one)
    line = Lines(one - 1.5, one + 2, one + 0.04, one, one + 0.01, one, one.astype(np.int64), {})
    h = Histories(*(one[:0],) * 5, one[:0].astype(np.int64), 1, one - 20, 1)
    h = replace(h, deck=np.zeros(0, dtype=np.int64))
    models = Models(h, SurveyError(one + 1, one + 0.3, 0.004, 0.001, 0), line, paced)
    for part in (0.0, 0.6):
        got = models.fan(np.array([0]), np.array([25.0]), np.array([part]), one)
        for q, side in zip(got, (0.0, -Z, Z), strict=True):
            x = log(45 / 30)
            assert q[0] == pytest.approx(1 - exp(-exp(-1.5 + 2 * x + side * sqrt(0.04 + 0.01 * x * x))))

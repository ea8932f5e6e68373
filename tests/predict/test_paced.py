"""The paced model: its pooling, its stretch of time, and decks whose pace is known."""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest

from decknet.predict.curved import fit_curved, log_hazard
from decknet.predict.history import Histories, SurveyError
from decknet.predict.lines import NETWORK, Families, LineFit, Lines
from decknet.predict.paced import Paced, fit_paced, pool_rates, pool_rates_by_level

FADE = 0.15


def _histories(deck, when, damage, start, repaired=None, covered=None):
    k, decks = len(deck), len(start)
    return Histories(
        np.asarray(deck), np.asarray(when, dtype=float), np.asarray(damage, dtype=float),
        np.zeros(k) if repaired is None else np.asarray(repaired, dtype=float),
        np.ones(k) if covered is None else np.asarray(covered, dtype=float), np.zeros(k, dtype=np.int64), 1,
        np.asarray(start, dtype=float), decks,
    )  # fmt: skip


def _one_family(decks, least=40):
    one = np.zeros(decks, dtype=np.int64)
    return Families(one, one, ("all",), ("all",), least)


def _curve(decks, mean=(-2.0, 2.5), between=((0.3, 0.02), (0.02, 0.2)), mean_var=0.01):
    fit = LineFit(np.array(mean), mean_var * np.eye(2), np.array(between), 1.0, 0.0, 0, 0.0, True)
    none = np.zeros(decks)
    source = np.full(decks, NETWORK)
    return Lines(none + mean[0], none + mean[1], none, none, none, none, source, {NETWORK: fit})


# ---- pooling ---------------------------------------------------------------------------------------------------------


@pytest.mark.basis(
    "published", "Paule and Mandel (1982): weighted squares about the line equal their degrees of freedom"
)
def test_pooling_by_carriers_meets_its_condition_on_the_weighted_line():
    rng = np.random.default_rng(1)
    n = 40
    carrier = rng.uniform(0, 1, (n, 2))
    variance = rng.uniform(0.01, 0.2, n)
    rate = 0.4 + carrier @ [0.8, -0.5] + np.sqrt(0.15 + variance) * rng.standard_normal(n)
    mean, mean_var, between = pool_rates_by_level(rate, variance, carrier)
    root = 1 / np.sqrt(variance + between)
    table = np.column_stack([np.ones(n), carrier]) * root[:, None]
    line, square, *_ = np.linalg.lstsq(table, rate * root, rcond=None)
    assert mean == pytest.approx(line, rel=1e-9)
    assert mean_var == pytest.approx(np.linalg.inv(table.T @ table), rel=1e-9)
    assert square[0] == pytest.approx(n - 3, rel=5e-7)  # the spread is kept to seven digits
    assert between > 0.05


def test_a_carrier_that_does_not_vary_gets_nothing_and_no_spread_is_no_spread():
    rng = np.random.default_rng(2)
    carrier = np.column_stack([np.full(20, 0.5), rng.uniform(0, 1, 20)])
    rate = 1.0 + 2.0 * carrier[:, 1]
    mean, mean_var, between = pool_rates_by_level(rate, np.full(20, 0.1), carrier)
    assert mean == pytest.approx([1.0, 0.0, 2.0])
    assert (mean_var[1] == 0).all()
    assert (mean_var[:, 1] == 0).all()
    assert between == 0.0
    x = np.column_stack([np.ones(20), carrier[:, 1]])
    assert mean_var[np.ix_([0, 2], [0, 2])] == pytest.approx(0.1 * np.linalg.inv(x.T @ x))


@pytest.mark.basis("derived", "by hand: equal variances v: spread is the sample variance less v")
def test_pooling_of_equally_known_rates_by_hand():
    mean, mean_var, between = pool_rates(np.array([1.0, 2.0, 6.0]), np.full(3, 0.5))
    assert (mean, between) == pytest.approx((3.0, 7.0 - 0.5))
    assert mean_var == pytest.approx(7.0 / 3)
    assert pool_rates(np.array([4.0, 4.0]), np.full(2, 0.5)) == pytest.approx((4.0, 0.25, 0.0))


# ---- time ------------------------------------------------------------------------------------------------------------


def _clock(speed_up, middle=10.0):
    one = np.zeros(1)
    return Paced(Lines(one, one, one, one, one, one, one.astype(int), {}), np.array([middle]), np.array([speed_up]))


@pytest.mark.basis("derived", "integral of exp(g t); beyond g t = 3 the pace stays at e^3 of what it was")
def test_years_stretch_by_the_integral_of_the_pace_and_no_more_than_twentyfold():
    row = np.zeros(1, dtype=np.int64)

    def x(g, when):
        return float(_clock(g).x_at(row, np.array([when]))[0])

    def pace(g, when):
        return float(_clock(g).pace_factor(row, np.array([when]))[0])

    for dt in (-30.0, -2.0, 0.0, 7.0, 59.0):
        assert x(0.05, 10 + dt) == pytest.approx((exp(0.05 * dt) - 1) / 0.05)
        assert pace(0.05, 10 + dt) == pytest.approx(exp(0.05 * dt))
        assert x(0.0, 10 + dt) == pytest.approx(dt)
        assert pace(0.0, 10 + dt) == 1.0
    # 0.05 a year reaches 3 after 60 years.
    assert x(0.05, 10 + 100.0) == pytest.approx((exp(3) - 1) / 0.05 + 40 * exp(3))
    assert pace(0.05, 10 + 100.0) == pytest.approx(exp(3))
    assert pace(0.05, 10 - 120.0) == pytest.approx(exp(-5))
    # As good as no speed-up: no division by next to nothing.
    assert x(1e-9, 10 + 20.0) == pytest.approx(20.0, rel=1e-6)
    h = 1e-4
    assert (x(0.04, 30 + h) - x(0.04, 30 - h)) / (2 * h) == pytest.approx(pace(0.04, 30), rel=1e-6)


# ---- decks whose pace is known ---------------------------------------------------------------------------------------


SURE = SurveyError(np.ones(1), np.array([1e-4]), 1e-6, 1e-7, 0)


def _steady(seed=3, decks=60, per=4):
    """Decks of -log(1 - damage) on a line of their own, surveyed without scatter."""
    rng = np.random.default_rng(seed)
    deck = np.repeat(np.arange(decks), per)
    level, rate = rng.uniform(0.02, 0.4, decks), rng.uniform(0.001, 0.02, decks)
    when = np.sort(rng.uniform(8, 24, (decks, per)), axis=1)
    y = level[:, None] + rate[:, None] * (when - 16.0)
    keep = (y > 0.005).all(axis=1)
    level, rate, when, y = level[keep], rate[keep], when[keep], y[keep]
    n = int(keep.sum())
    deck = np.repeat(np.arange(n), per)
    start = rng.uniform(-35, -5, n)
    return _histories(deck, when.ravel(), -np.expm1(-y.ravel()), start), level, rate


@pytest.mark.basis("derived", "surveys without scatter give each deck's own line back")
def test_decks_seen_without_scatter_keep_their_own_pace():
    h, level, rate = _steady()
    got = fit_paced(
        h, SURE, _one_family(h.decks), prior_per_yr=np.full(h.decks, 0.005), fade_per_yr=FADE, curved=_curve(h.decks)
    )
    rows = np.arange(h.decks)
    assert got.lines.b == pytest.approx(rate, rel=1e-3)
    assert got.speed_up == pytest.approx(np.zeros(h.decks), abs=1e-3)
    for when in (5.0, 16.0, 30.0):
        y = got.lines.quantile(rows, got.x_at(rows, np.full(h.decks, when)), 0)
        assert y == pytest.approx(level + rate * (when - 16.0), rel=5e-3, abs=1e-3)
    # Weighted by scatter and age of the survey; the centre lies within the surveys.
    first, last = (np.array([f(h.when_yr[h.deck == d]) for d in rows]) for f in (min, max))
    assert ((got.middle_yr > first) & (got.middle_yr < last)).all()


@pytest.mark.basis("derived", "the pace grows by 4 % a year of what a clean deck's does: its bend gives that back")
def test_a_pace_that_speeds_up_is_found():
    rng = np.random.default_rng(4)
    decks, per, g = 80, 6, 0.04
    deck = np.repeat(np.arange(decks), per)
    when = np.sort(rng.uniform(4, 24, (decks, per)), axis=1)
    rate = rng.uniform(0.0004, 0.0012, decks)
    y = 0.02 + rate[:, None] * (np.exp(g * (when - 14)) - 1) / g
    h = _histories(deck, when.ravel(), -np.expm1(-y.ravel()), rng.uniform(-35, -5, decks))
    got = fit_paced(
        h, SURE, _one_family(decks), prior_per_yr=np.full(decks, 0.005), fade_per_yr=FADE, curved=_curve(decks)
    )
    # A deck of level H speeds up by exp(-4 H) of what a clean one does.
    clean = got.speed_up * np.exp(4 * got.lines.a)
    assert clean == pytest.approx(np.full(decks, clean[0]), rel=1e-3)
    assert got.speed_up.mean() == pytest.approx(g, rel=0.2)
    rows = np.arange(decks)
    ahead = got.lines.quantile(rows, got.x_at(rows, np.full(decks, 34.0)), 0)
    true = 0.02 + rate * (np.exp(g * 20) - 1) / g
    straight = got.lines.a + rate * 20
    assert np.abs(ahead / true - 1).mean() < 0.15 * np.abs(straight / true - 1).mean() + 0.05


def _seen_once(h, damage, start=-12.0, when=20.0):
    """The same surveys and one more deck, surveyed once."""
    return _histories(
        np.append(h.deck, h.decks), np.append(h.when_yr, when), np.append(h.damage, damage),
        np.append(h.start_yr, start),
    )  # fmt: skip


NORMAL = SurveyError(np.ones(1), np.array([0.25]), 0.004, 0.001, 0)


@pytest.mark.basis(
    "derived", "by hand: a rate that is a line in 1 / (level + 1 point) and 1 / age, times level + 1 point"
)
def test_a_deck_seen_once_has_the_pace_of_its_family_at_its_level_and_age():
    h, *_ = _steady(decks=120)
    rng = np.random.default_rng(5)
    noisy = _histories(
        h.deck, h.when_yr, np.clip(h.damage * (1 + 0.2 * rng.standard_normal(len(h.deck))), 0, 0.9), h.start_yr
    )
    both = _seen_once(noisy, 0.12)
    n = both.decks
    curve = _curve(n)
    got = fit_paced(both, NORMAL, _one_family(n), prior_per_yr=np.full(n, 0.005), fade_per_yr=FADE, curved=curve)
    fit = got.lines.fits[0]
    y, x = -log(1 - 0.12), log(32 / 30)
    # The level: a normal reading of log y beside the curve's at that age.
    c = curve.fits[NETWORK].between + curve.fits[NETWORK].mean_var
    spread = c[0, 0] + 2 * c[0, 1] * x + c[1, 1] * x * x
    level = float(got.lines.a[-1])
    share = 1 - exp(-level)
    sd = np.hypot(0.25 * share, 0.004) / (1 - share)
    keep = spread / (spread + fit.noise * sd**2 / y**2)
    assert level == pytest.approx(exp(keep * log(y) + (1 - keep) * (-2.0 + 2.5 * x)), rel=2e-3)
    assert got.lines.aa[-1] == pytest.approx(fit.noise * sd**2, rel=2e-2)
    # The pace: nothing of its own.
    scale = level + 0.01
    carrier = np.array([1.0, 0.01 / scale, 30 / 32])
    assert got.lines.b[-1] == pytest.approx(max(carrier @ fit.mean, 0.0) * scale, rel=1e-9)
    unsure = carrier @ fit.mean_var @ carrier
    assert got.lines.bb[-1] == pytest.approx((fit.between[0, 0] + unsure) * scale**2, rel=1e-9)
    assert got.middle_yr[-1] == 20.0
    assert got.lines.centre[-1] == 0.0
    # Decks with pairs are surer than the family, and lie between their own line and the family's.
    paired = np.arange(n - 1)
    scales = got.lines.a[paired] + 0.01
    assert (got.lines.bb[paired] < (fit.between[0, 0] + 0.5 * unsure + 1e-3) * scales**2 * 4).all()
    assert (got.lines.bb[paired] > 0).all()


@pytest.mark.basis("derived", "the passes for one deck in plain arithmetic, the network's figure as wide as it is high")
def test_a_lonely_deck_weighs_its_own_line_against_the_figure_assumed():
    when, damage, start, figure = [10.0, 14.0, 20.0], [0.05, 0.09, 0.14], -12.0, 0.006
    h = _histories([0, 0, 0], when, damage, [start])
    got = fit_paced(
        h, NORMAL, _one_family(1), prior_per_yr=np.array([figure]), fade_per_yr=FADE, curved=_curve(1, mean=(-1.9, 2.2))
    )
    y = [-log(1 - d) for d in damage]
    faded = [1 / (1 + FADE * (20.0 - t)) for t in when]
    predicted = [sum(y) / 3] * 3
    speed_up, level, rate = 0.0, 0.0, 0.0
    for turn in range(3):
        share = [1 - exp(-p) for p in predicted]
        weight = [f / (np.hypot(0.25 * s, 0.004) / (1 - s)) ** 2 for f, s in zip(faded, share, strict=True)]
        total = sum(weight)
        middle = sum(w * t for w, t in zip(weight, when, strict=True)) / total
        read = sum(w * v for w, v in zip(weight, y, strict=True)) / total
        x = log((middle - start) / 30)
        spread = 0.31 + 2 * 0.02 * x + 0.21 * x * x
        keep = spread / (spread + 1 / total / read**2)
        level = exp(keep * log(read) + (1 - keep) * (-1.9 + 2.2 * x))
        time = [(exp(speed_up * (t - middle)) - 1) / speed_up if speed_up else t - middle for t in when]
        centre = sum(w * t for w, t in zip(weight, time, strict=True)) / total
        dt = [t - centre for t in time]
        square = sum(w * t * t for w, t in zip(weight, dt, strict=True))
        own = sum(w * t * v for w, t, v in zip(weight, dt, y, strict=True)) / square
        assumed = figure * exp(level)
        wide = 2 * assumed**2 + 1e-10
        part = wide / (wide + 1 / square)
        rate = part * own + (1 - part) * assumed
        predicted = [level + rate * t for t in dt]
        if turn < 2:
            # The bend about the line, in half its rate times dt squared, drawn to none by 2 % a year.
            years = [t - middle for t in when]
            mean2 = sum(w * t * t for w, t in zip(weight, years, strict=True)) / total
            lean = sum(w * t**3 for w, t in zip(weight, years, strict=True)) / (mean2 * total)
            bend = [0.5 * (t * t - mean2 - lean * t) for t in years]
            fresh = exp(-4 * level)
            top = sum(w * e * v for w, e, v in zip(weight, bend, y, strict=True)) * rate * fresh
            bottom = sum(w * e * e for w, e in zip(weight, bend, strict=True)) * (rate * fresh) ** 2
            common = min(max(top / bottom, 0.0), 0.08)
            speed_up = min(max((top + common / 0.02**2) / (bottom + 1 / 0.02**2), 0.0), 0.08) * fresh
    assert got.speed_up[0] == pytest.approx(speed_up, rel=1e-6)
    assert got.middle_yr[0] == pytest.approx(middle, rel=1e-9)
    assert got.lines.centre[0] == pytest.approx(centre, rel=1e-6)
    assert got.lines.a[0] == pytest.approx(level, rel=1e-9)
    assert got.lines.b[0] == pytest.approx(rate, rel=1e-6)
    assert got.lines.aa[0] == pytest.approx(1 / total, rel=1e-6)
    assert got.lines.bb[0] == pytest.approx(wide * (1 - part), rel=1e-6)


def test_a_deck_without_a_survey_has_no_level_and_the_pace_assumed():
    h = _histories([0, 0], [10.0, 14.0], [0.05, 0.09], [-12.0, -12.0])
    got = fit_paced(
        h, NORMAL, _one_family(2), prior_per_yr=np.array([0.006, 0.008]), fade_per_yr=FADE, curved=_curve(2)
    )
    assert np.isnan(got.lines.a[1])
    assert got.lines.b[1] == pytest.approx(0.008)
    assert np.isfinite(got.lines.a[0])
    # Two surveys show no bend.
    assert (got.speed_up == 0).all()


def test_nearly_all_gone_is_read_as_97_percent_and_repairs_are_no_part_of_the_scatter():
    h = _histories([0], [20.0], [0.995], [-12.0])
    whole = _curve(1, between=((1e9, 0.0), (0.0, 1e9)))
    got = fit_paced(h, NORMAL, _one_family(1), prior_per_yr=np.array([0.005]), fade_per_yr=FADE, curved=whole)
    assert got.lines.a[0] == pytest.approx(-log(0.03), rel=1e-3)
    mended = _histories([0], [20.0], [0.20], [-12.0], repaired=[0.20])
    got = fit_paced(mended, NORMAL, _one_family(1), prior_per_yr=np.array([0.005]), fade_per_yr=FADE, curved=whole)
    assert got.lines.a[0] == pytest.approx(-log(0.8), rel=1e-3)
    assert got.lines.aa[0] == pytest.approx((0.004 / 0.8) ** 2, rel=1e-3)
    half = SurveyError(np.array([0.5]), np.array([0.25]), 0.004, 0.001, 0)  # a crew that finds half
    got = fit_paced(
        _histories([0], [20.0], [0.15], [-12.0], repaired=[0.05]), half, _one_family(1), prior_per_yr=np.array([0.005]),
        fade_per_yr=FADE, curved=whole,
    )  # fmt: skip
    assert got.lines.a[0] == pytest.approx(-log(1 - 0.25), rel=1e-3)
    assert got.lines.aa[0] == pytest.approx((np.hypot(0.25 * 0.20, 0.004) / 0.75) ** 2, rel=1e-2)


# ---- the curved model ------------------------------------------------------------------------------------------------


PRIOR = LineFit(np.array([-2.2, 2.6]), np.zeros((2, 2)), np.diag([0.4, 0.3]), 1.0, 0.0, 0, 0.0, True)


def _posterior(x, z, weight):
    """Normal prior and readings of known weight: two equations."""
    left = np.linalg.inv(PRIOR.between)
    right = left @ PRIOR.mean
    for xi, zi, wi in zip(x, z, weight, strict=True):
        u = np.array([1.0, xi])
        left, right = left + wi * np.outer(u, u), right + wi * zi * u
    variance = np.linalg.inv(left)
    return variance @ right, variance


@pytest.mark.basis("derived", "three passes for one deck in plain arithmetic: scatter at the share predicted, not read")
def test_a_lonely_decks_curve_is_its_readings_beside_the_prior():
    when, damage, repaired, start = [10.0, 14.0, 20.0], [0.06, 0.10, 0.21], [0.0, 0.03, 0.03], -12.0
    h = _histories([0, 0, 0], when, damage, [start], repaired, [1.0, 0.5, 1.0])
    error = SurveyError(np.array([0.8]), np.array([0.25]), 0.004, 0.001, 0)
    got = fit_curved(h, error, _one_family(1), prior=PRIOR, fade_per_yr=FADE)
    y = [r + (d - r) / 0.8 for d, r in zip(damage, repaired, strict=True)]
    x = [log((t - start) / 30) for t in when]
    predicted, line = list(y), None
    for _ in range(3):
        weight = []
        for p, r, t, covered in zip(predicted, repaired, when, (1.0, 0.5, 1.0), strict=True):
            sd = np.hypot(0.25 * max(p - r, 0), 0.004) / np.sqrt(covered) / ((1 - p) * -log(1 - p))
            weight.append(1 / (1 + FADE * (20.0 - t)) / min(sd, 3.0) ** 2)
        line, variance = _posterior(x, [log(-log(1 - v)) for v in y], weight)
        predicted = [max(1 - exp(-exp(line[0] + line[1] * v)), r) for v, r in zip(x, repaired, strict=True)]
    assert (got.a[0], got.b[0]) == pytest.approx(tuple(line), rel=1e-9)
    assert [got.aa[0], got.ab[0], got.bb[0]] == pytest.approx(variance[[0, 0, 1], [0, 1, 1]], rel=1e-9)


@pytest.mark.basis("derived", "normal density and tail by scipy: expected score and information of at most the limit")
def test_nothing_found_is_at_most_what_can_be_detected():
    from scipy.stats import truncnorm

    when, damage, start = [6.0, 12.0, 20.0], [0.0, 0.0004, 0.03], -12.0
    h = _histories([0, 0, 0], when, damage, [start])
    got = fit_curved(h, NORMAL, _one_family(1), prior=PRIOR, fade_per_yr=FADE)
    x = [log((t - start) / 30) for t in when]
    faded = [1 / (1 + FADE * (20.0 - t)) for t in when]
    limit = log(-log(1 - 0.001))
    z, extra = [limit - 0.7, limit - 0.7, log(-log(1 - 0.03))], [0.0, 0.0, 0.0]
    predicted = [0.001, 0.001, 0.03]
    for turn in range(3):
        sd = [min(np.hypot(0.25 * p, 0.004) / ((1 - p) * -log(1 - p)), 3.0) for p in predicted]
        weight = [f / (s * s + e) for f, s, e in zip(faded, sd, extra, strict=True)]
        line, variance = _posterior(x, z, weight)
        if turn == 2:
            break
        mean = [line[0] + line[1] * v for v in x]
        predicted = [min(max(1 - exp(-exp(m)), 0.00025), 0.95) for m in mean]
        for i in (0, 1):
            cut = truncnorm(-np.inf, (limit - mean[i]) / sd[i], loc=mean[i], scale=sd[i])
            known = max(sd[i] ** 2 - cut.var(), 0.02 * sd[i] ** 2)
            z[i] = mean[i] + (cut.mean() - mean[i]) * sd[i] ** 2 / known
            extra[i] = sd[i] ** 4 / known - sd[i] ** 2
    assert (got.a[0], got.b[0]) == pytest.approx(tuple(line), rel=1e-6)
    assert [got.aa[0], got.ab[0], got.bb[0]] == pytest.approx(variance[[0, 0, 1], [0, 1, 1]], rel=1e-6)


def test_what_was_made_sound_is_damage_even_where_nothing_more_is_found():
    h = _histories([0], [20.0], [0.10], [-12.0], repaired=[0.10])
    got = fit_curved(h, NORMAL, _one_family(1), prior=PRIOR, fade_per_yr=FADE)
    x = log(32 / 30)
    assert got.a[0] + got.b[0] * x == pytest.approx(float(log_hazard(np.array([0.10]))[0]), abs=0.02)


def test_decks_with_two_readings_over_the_limit_make_a_family():
    decks = 12
    rng = np.random.default_rng(7)
    deck = np.repeat(np.arange(decks), 2)
    found = np.tile([0.05, 0.1], decks) * rng.uniform(0.8, 1.25, 2 * decks)
    start = rng.uniform(-20, -10, decks)
    h = _histories(deck, np.tile([10.0, 18.0], decks), found, start)
    got = fit_curved(h, NORMAL, _one_family(decks, least=8), prior=PRIOR, fade_per_yr=FADE)
    assert set(got.fits) == {0}
    assert got.fits[0] is not PRIOR
    blind = found.copy()
    blind[: 2 * 5 : 2] = 0.0  # five decks whose first reading is nothing: seven are left
    few = fit_curved(
        _histories(deck, np.tile([10.0, 18.0], decks), blind, start), NORMAL, _one_family(decks, least=8), prior=PRIOR,
        fade_per_yr=FADE,
    )  # fmt: skip
    assert few.fits[NETWORK] is PRIOR

"""Lines by REML: the answers of a general library, known truths, and shrinkage at its ends."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from decknet.predict.lines import (
    NETWORK,
    Families,
    LineFit,
    Lines,
    LineSums,
    fit_families,
    fit_lines,
    line_sums,
    posterior,
    rising,
)

statsmodels = pytest.importorskip("statsmodels")


def _pigs():
    path = next(Path(statsmodels.__file__).parent.rglob("dietox.csv"))
    table = pd.read_csv(path)
    code, _ = pd.factorize(table["Pig"])
    return code.astype(np.int64), table["Time"].to_numpy(float), table["Weight"].to_numpy(float)


@pytest.mark.basis("published", "statsmodels 0.15 MixedLM on its dietox data, REML, random intercept; pig 4601 exact")
def test_random_intercepts_match_a_general_library():
    pig, time, weight = _pigs()
    sums = line_sums(pig, 72, 1.0, time, weight)
    fit = fit_lines(sums, random="first")
    assert fit.converged
    assert fit.mean == pytest.approx([15.723523, 6.942505], abs=2e-6)
    assert np.sqrt(np.diag(fit.mean_var)) == pytest.approx([0.788061, 0.033387], rel=1e-4)
    assert fit.between[0, 0] == pytest.approx(40.394744, rel=1e-3)
    assert fit.noise == pytest.approx(11.366899, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-2404.775337, abs=1e-5)
    assert posterior(sums, fit)[0][0] - fit.mean[0] == pytest.approx(-1.213037, abs=1e-5)


@pytest.mark.basis("published", "statsmodels 0.15 MixedLM on its dietox data, REML, random intercept and slope")
def test_random_slopes_match_a_general_library():
    pig, time, weight = _pigs()
    fit = fit_lines(line_sums(pig, 72, 1.0, time, weight))
    assert fit.mean == pytest.approx([15.738650, 6.939014], abs=1e-5)
    assert np.sqrt(np.diag(fit.mean_var)) == pytest.approx([0.550243, 0.079828], rel=1e-3)
    assert fit.between[0, 0] == pytest.approx(19.502922, rel=1e-3)
    assert fit.between[0, 1] == pytest.approx(0.293676, rel=1e-3)
    assert fit.between[1, 1] == pytest.approx(0.416094, rel=1e-3)
    assert fit.noise == pytest.approx(6.037155, rel=1e-3)
    assert fit.log_likelihood == pytest.approx(-2217.047463, abs=1e-4)


def _made_up(rng, decks=300, per=4):
    deck, t = np.repeat(np.arange(decks), per), rng.uniform(0, 4, decks * per)
    line = np.array([1.0, 0.5]) + rng.standard_normal((decks, 2)) @ np.linalg.cholesky([[0.8, 0.1], [0.1, 0.2]]).T
    z = line[deck, 0] + line[deck, 1] * t + 0.5 * rng.standard_normal(len(deck))
    return deck, t, z, line


@pytest.mark.basis("derived", "statsmodels MixedLM (REML) fitted here to the same made-up data")
def test_every_variance_and_every_deck_match_a_general_library():
    from statsmodels.regression.mixed_linear_model import MixedLM

    deck, t, z, _ = _made_up(np.random.default_rng(1))
    carriers = np.column_stack([np.ones(len(t)), t])
    other = MixedLM(z, carriers, groups=deck, exog_re=carriers).fit(reml=True)
    sums = line_sums(deck, 300, 1.0, t, z)
    fit = fit_lines(sums)
    assert fit.between == pytest.approx(np.asarray(other.cov_re), abs=1e-3)
    assert fit.noise == pytest.approx(other.scale, abs=1e-3)
    theirs = np.array([np.asarray(other.random_effects[i]) for i in range(300)])
    a, b, *_ = posterior(sums, fit)
    assert a - fit.mean[0] == pytest.approx(theirs[:, 0], abs=1e-3)
    assert b - fit.mean[1] == pytest.approx(theirs[:, 1], abs=1e-3)


def test_known_parameters_come_back_within_their_standard_errors():
    ends, spreads = [], []
    for seed in range(12):
        deck, t, z, line = _made_up(np.random.default_rng(seed), decks=400)
        sums = line_sums(deck, 400, 1.0, t, z)
        fit = fit_lines(sums)
        ends.append((fit.mean - [1.0, 0.5]) / np.sqrt(np.diag(fit.mean_var)))
        a, b, aa, _, bb = posterior(sums, fit)
        spreads.append([np.std((a - line[:, 0]) / np.sqrt(aa)), np.std((b - line[:, 1]) / np.sqrt(bb))])
        assert fit.noise == pytest.approx(0.25, abs=4 * 0.25 * np.sqrt(2 / 800))
    assert np.mean(spreads, axis=0) == pytest.approx([1.0, 1.0], abs=0.06)
    assert np.abs(np.mean(ends)) < 3 / np.sqrt(24)
    assert np.abs(ends).max() < 3.5


@pytest.mark.basis(
    "published",
    "Efron and Morris (1975), batting averages of 18 players; shrink factor 0.212. Hits of 45 at-bats",
)
def test_shrinkage_of_the_batting_averages():
    hits = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]) / 45
    mean, noise = hits.mean(), hits.mean() * (1 - hits.mean()) / 45
    keep = 1 - 15 * noise / ((hits - mean) ** 2).sum()
    assert keep == pytest.approx(0.2116534, abs=1e-6)
    fit = LineFit(
        np.array([mean, 0.0]), np.zeros((2, 2)), np.diag([noise * keep / (1 - keep), 0.0]), noise, 0.0, 0, 0.0, True
    )
    n = len(hits)
    shrunk = posterior(line_sums(np.arange(n), n, 1.0, np.zeros(n), hits), fit)[0]
    assert shrunk[[0, -1]] == pytest.approx([0.2939, 0.2422], abs=5e-5)


def test_no_spread_pools_fully_and_no_noise_not_at_all():
    deck, t, z, _ = _made_up(np.random.default_rng(2), decks=20)
    sums = line_sums(deck, 20, 1.0, t, z)
    flat = LineFit(np.array([1.0, 0.5]), np.zeros((2, 2)), np.zeros((2, 2)), 0.3, 0.0, 0, 0.0, True)
    a, b, aa, _, bb = posterior(sums, flat)
    assert np.ptp(a) == 0
    assert np.ptp(b) == 0
    assert (aa == 0).all()
    assert (bb == 0).all()
    own = LineFit(np.array([1.0, 0.5]), np.zeros((2, 2)), np.eye(2), 1e-9, 0.0, 0, 0.0, True)
    a, b, *_ = posterior(sums, own)
    for i in range(20):
        slope, level = np.polyfit(t[deck == i], z[deck == i], 1)
        assert (a[i], b[i]) == pytest.approx((level, slope), abs=1e-5)


def test_the_order_of_readings_and_decks_changes_nothing():
    rng = np.random.default_rng(3)
    deck, t, z, _ = _made_up(rng, decks=50)
    mixed = rng.permutation(len(z))
    first, second = (line_sums(d, 50, 1.0, x, y) for d, x, y in ((deck, t, z), (deck[mixed], t[mixed], z[mixed])))
    assert fit_lines(first).between == pytest.approx(fit_lines(second).between, rel=1e-6)


def test_sums_add_up():
    deck, t, z, _ = _made_up(np.random.default_rng(4), decks=30)
    some = np.arange(len(z)) % 3 == 0
    parts = [line_sums(deck[m], 30, 1.0, t[m], z[m]) for m in (some, ~some)]
    whole: LineSums = line_sums(deck, 30, 1.0, t, z)
    assert parts[0].plus(parts[1]).vz == pytest.approx(whole.vz)


@pytest.mark.parametrize("side", [-1, 0, 1])
def test_quantiles_of_a_line_never_fall(side):
    rng = np.random.default_rng(5)
    n = 200
    root = rng.standard_normal((n, 2, 2))
    cov = root @ root.transpose(0, 2, 1)
    line = (rng.normal(0, 1, n), rng.normal(0.2, 1, n), cov[:, 0, 0], cov[:, 0, 1], cov[:, 1, 1])
    at = np.linspace(-0.5, 6, 40)
    path = np.array([rising(line, np.full(n, x), side, 1.28) for x in at])
    ahead = path[at >= 0] if side > 0 else path
    assert (np.diff(ahead, axis=0) >= -1e-9).all()


# ---- whole matrices: the same answers with no sums by deck ---------------------------------------------------------


def _whole(deck, carriers, z, weight, between, noise):
    """Restricted log likelihood; and the mean and every deck's coefficients with the variance of their error.

    Henderson's mixed-model equations: the inverse of their left side is that variance.
    """
    decks, k, c = int(deck.max()) + 1, len(z), carriers.shape[1]
    own = np.zeros((k, decks * c))
    for i, d in enumerate(deck):
        own[i, d * c : (d + 1) * c] = carriers[i]
    spread = np.kron(np.eye(decks), between)
    v = own @ spread @ own.T + np.diag(noise / weight)
    inside = np.linalg.inv(v)
    info = carriers.T @ inside @ carriers
    left = z - carriers @ np.linalg.solve(info, carriers.T @ inside @ z)
    value = np.linalg.slogdet(v)[1] + np.linalg.slogdet(info)[1] + left @ inside @ left + (k - c) * np.log(2 * np.pi)
    both, w = np.column_stack([carriers, own]), weight / noise
    sides = both.T @ (both * w[:, None])
    sides[c:, c:] += np.linalg.inv(spread)
    error = np.linalg.inv(sides)
    told = error @ (both.T @ (w * z))
    pick = np.kron(np.ones((decks, 1)), np.eye(c))
    lines = (told[:c] + told[c:].reshape(decks, c)).T
    to_decks = np.column_stack([pick, np.eye(decks * c)])
    return -value / 2, told[:c], error[:c, :c], lines, to_decks @ error @ to_decks.T


def _weighted(seed=11, decks=25):
    rng = np.random.default_rng(seed)
    deck = np.sort(np.append(np.arange(decks), rng.integers(0, decks, 2 * decks)))
    t, weight = rng.uniform(1, 5, len(deck)), rng.uniform(0.3, 4.0, len(deck))
    line = np.array([2.0, 0.7]) + rng.standard_normal((decks, 2)) @ np.array([[0.9, 0.3], [0.0, 0.4]])
    z = line[deck, 0] + line[deck, 1] * t + 0.4 * rng.standard_normal(len(deck)) / np.sqrt(weight)
    return deck, t, z, weight


@pytest.mark.basis("published", "Henderson (1975), Biometrics 31:423-447, mixed-model equations solved whole")
def test_every_deck_and_its_error_match_the_whole_equations():
    deck, t, z, weight = _weighted()
    between, noise = np.array([[0.8, 0.2], [0.2, 0.25]]), 0.3
    _, mean, mean_var, lines, error = _whole(deck, np.column_stack([np.ones(len(t)), t]), z, weight, between, noise)
    sums = line_sums(deck, 26, 1.0, t, z, weight)  # the last deck has no reading
    fit = LineFit(mean, mean_var, between, noise, 0.0, 0, 0.0, True)
    a, b, aa, ab, bb = posterior(sums, fit)
    assert a[:25] == pytest.approx(lines[0], abs=1e-9)
    assert b[:25] == pytest.approx(lines[1], abs=1e-9)
    at = 2 * np.arange(25)
    assert aa[:25] == pytest.approx(error[at, at], abs=1e-9)
    assert ab[:25] == pytest.approx(error[at, at + 1], abs=1e-9)
    assert bb[:25] == pytest.approx(error[at + 1, at + 1], abs=1e-9)
    # A deck without a reading is its family's mean, as unsure as decks differ and the mean is unsure.
    assert (a[25], b[25]) == pytest.approx(tuple(mean), abs=1e-12)
    assert [aa[25], ab[25], bb[25]] == pytest.approx((between + mean_var)[[0, 0, 1], [0, 1, 1]], abs=1e-12)


@pytest.mark.basis("derived", "the restricted likelihood by whole matrices, nudged in each of its four variances")
def test_weighted_readings_give_the_greatest_restricted_likelihood():
    deck, t, z, weight = _weighted()
    carriers = np.column_stack([np.ones(len(t)), t])
    fit = fit_lines(line_sums(deck, 25, 1.0, t, z, weight))
    value, mean, mean_var, *_ = _whole(deck, carriers, z, weight, fit.between, fit.noise)
    assert fit.converged
    assert fit.slope_of_likelihood < 1e-4
    assert fit.log_likelihood == pytest.approx(value, abs=1e-5)
    assert fit.mean == pytest.approx(mean, rel=1e-5)
    assert fit.mean_var == pytest.approx(mean_var, rel=1e-4)
    for i, j in ((0, 0), (0, 1), (1, 1)):
        for nudge in (-0.01, 0.01):
            other = fit.between.copy()
            other[i, j] = other[j, i] = other[i, j] + nudge * np.sqrt(other[i, i] * other[j, j])
            assert _whole(deck, carriers, z, weight, other, fit.noise)[0] < value
    for factor in (0.99, 1.01):
        assert _whole(deck, carriers, z, weight, fit.between, factor * fit.noise)[0] < value


def test_the_unit_of_the_carriers_changes_no_fit():
    deck, t, z, weight = _weighted()
    plain = fit_lines(line_sums(deck, 25, 1.0, t, z, weight))
    other = fit_lines(line_sums(deck, 25, 100.0, 0.01 * t, z, weight))
    unit = np.array([0.01, 100.0])
    assert other.mean == pytest.approx(plain.mean * unit, rel=1e-5)
    assert other.between == pytest.approx(plain.between * np.outer(unit, unit), rel=1e-4)
    assert other.noise == pytest.approx(plain.noise, rel=1e-5)
    # The readings' density is the same, and the units of the mean's two parts (100 and 0.01) cancel.
    assert other.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-5)


@pytest.mark.basis("derived", "balanced one-way layout: the mean squares within and between give the variances")
def test_levels_alone_give_the_analysis_of_variance():
    rng = np.random.default_rng(12)
    groups, per = 14, 5
    table = 3.0 + 1.5 * rng.standard_normal((groups, 1)) + 0.8 * rng.standard_normal((groups, per))
    deck = np.repeat(np.arange(groups), per)
    fit = fit_lines(line_sums(deck, groups, 1.0, np.zeros(groups * per), table.ravel()), random="first")
    within = table.var(axis=1, ddof=1).mean()
    across = per * table.mean(axis=1).var(ddof=1)
    assert fit.noise == pytest.approx(within, rel=1e-5)
    assert fit.between[0, 0] == pytest.approx((across - within) / per, rel=1e-5)
    assert fit.mean[0] == pytest.approx(table.mean(), rel=1e-5)
    assert fit.mean_var[0, 0] == pytest.approx(across / (groups * per), rel=1e-5)
    whole = _whole(deck, np.ones((len(deck), 1)), table.ravel(), np.ones(len(deck)), fit.between[:1, :1], fit.noise)
    assert fit.log_likelihood == pytest.approx(whole[0], abs=1e-5)


def test_sums_are_those_of_weighted_products_and_keep_the_logs_of_weights():
    deck, u, v = np.array([1, 0, 1]), np.array([1.0, 2.0, 3.0]), np.array([5.0, 7.0, 11.0])
    z, w = np.array([2.0, 3.0, 4.0]), np.array([0.5, 2.0, 4.0])
    sums = line_sums(deck, 3, u, v, z, w)
    assert sums.uu.tolist() == [8.0, 0.5 + 36.0, 0.0]
    assert sums.uv.tolist() == [28.0, 2.5 + 132.0, 0.0]
    assert sums.vv.tolist() == [98.0, 12.5 + 484.0, 0.0]
    assert sums.uz.tolist() == [12.0, 1.0 + 48.0, 0.0]
    assert sums.vz.tolist() == [42.0, 5.0 + 176.0, 0.0]
    assert sums.zz.tolist() == [18.0, 2.0 + 64.0, 0.0]
    assert sums.count.tolist() == [1, 2, 0]
    assert sums.log_weight == pytest.approx(np.log(4.0))
    both = sums.plus(line_sums(deck, 3, u, v, z, 2 * w))
    assert both.log_weight == pytest.approx(np.log(4.0) + np.log(32.0))
    assert both.zz.tolist() == [54.0, 198.0, 0.0]
    assert both.take(np.array([1])).count.tolist() == [4]
    assert both.take(np.array([1])).log_weight == both.log_weight


# ---- families -------------------------------------------------------------------------------------------------------


FAMILIES = Families(
    np.array([0, 0, 0, 1, 1, 2, 2]), np.array([0, 0, 0, 0, 0, 1, 1]), ("a", "b", "c"), ("ab", "only c"), 3
)


def test_a_small_family_borrows_from_its_parent_and_else_from_the_network():
    every = np.ones(7, dtype=bool)
    # Three of family a are enough (not fewer than the least); b has two, its parent five; c and its parent have two.
    assert FAMILIES.borrowed(every).tolist() == [0, 0, 0, -1, -1, NETWORK, NETWORK]
    assert FAMILIES.borrowed(np.arange(7) > 0).tolist() == [-1] * 5 + [NETWORK] * 2
    assert FAMILIES.basis(0).tolist() == [True] * 3 + [False] * 4
    assert FAMILIES.basis(-1).tolist() == [True] * 5 + [False] * 2
    assert FAMILIES.basis(-2).tolist() == [False] * 5 + [True] * 2
    assert FAMILIES.basis(NETWORK).all()
    assert [FAMILIES.name(code) for code in (0, 2, -1, -2, NETWORK)] == ["a", "c", "ab", "only c", "whole network"]


def _district(decks=60):
    """Readings of a district in which two families differ, a third is small, and one deck has none."""
    rng = np.random.default_rng(13)
    deck = np.repeat(np.arange(decks), 3)
    of = np.where(np.arange(decks + 1) < 25, 0, np.where(np.arange(decks + 1) < 50, 1, 2))
    t = rng.uniform(0, 4, len(deck))
    own = rng.standard_normal((decks, 2)) * [0.5, 0.2]
    z = 1.0 + of[deck] + own[deck, 0] + (0.5 + own[deck, 1]) * t + 0.3 * rng.standard_normal(len(deck))
    families = Families(of, (of > 0).astype(np.int64), ("a", "b", "c"), ("a alone", "b and c"), 20)
    return deck, t, z, families


def test_each_deck_is_drawn_towards_the_lines_of_its_own_family():
    deck, t, z, families = _district()
    sums = line_sums(deck, 61, 1.0, t, z)
    telling = np.append(np.ones(60, dtype=bool), False)
    prior = LineFit(np.zeros(2), np.zeros((2, 2)), np.eye(2), 1.0, 0.0, 0, 0.0, True)
    got = fit_families(sums, families, telling, prior=prior)
    assert got.source.tolist() == [0] * 25 + [1] * 25 + [-2] * 11
    assert set(got.fits) == {0, 1, -2}
    for code, some in ((0, deck < 25), (1, (deck >= 25) & (deck < 50)), (-2, deck >= 25)):
        first = 0 if code == 0 else 25
        alone = line_sums(deck[some] - first, 60, 1.0, t[some], z[some])
        fit = fit_lines(alone)
        assert got.fits[code].mean == pytest.approx(fit.mean, rel=1e-6)
        assert got.fits[code].between == pytest.approx(fit.between, rel=1e-6)
        mine = np.flatnonzero(got.source == code)
        expected = posterior(line_sums(deck, 61, 1.0, t, z).take(mine), fit)
        for name, values in zip(("a", "b", "aa", "ab", "bb"), expected, strict=True):
            assert getattr(got, name)[mine] == pytest.approx(values, rel=1e-6)
    assert (got.centre == 0).all()


def test_hints_inform_their_deck_and_no_family():
    deck, t, z, families = _district()
    sums = line_sums(deck, 61, 1.0, t, z)
    hint = line_sums(np.array([60]), 61, 1.0, np.array([2.0]), np.array([9.0]), np.array([4.0]))
    telling = np.append(np.ones(60, dtype=bool), False)
    prior = LineFit(np.zeros(2), np.zeros((2, 2)), np.eye(2), 1.0, 0.0, 0, 0.0, True)
    without = fit_families(sums, families, telling, prior=prior)
    got = fit_families(sums, families, telling, prior=prior, hints=hint)
    assert got.a[:60] == pytest.approx(without.a[:60], abs=0)
    assert got.fits[-2].mean == pytest.approx(without.fits[-2].mean, abs=0)
    # By hand: a reading of 9 at 2 with variance noise / 4, the deck's line about its family's.
    fit = got.fits[-2]
    x = np.array([1.0, 2.0])
    gain = fit.between @ x / (x @ fit.between @ x + fit.noise / 4)
    line = fit.mean + gain * (9.0 - x @ fit.mean)
    assert (got.a[60], got.b[60]) == pytest.approx(tuple(line), rel=1e-6)


@pytest.mark.parametrize("telling", [7, 8])  # eight decks are the least that a fit is made of
def test_with_next_to_no_telling_decks_the_prior_is_taken(telling):
    deck, t, z, families = _district()
    prior = LineFit(np.array([0.4, 0.2]), np.zeros((2, 2)), np.eye(2), 1.0, 0.0, 0, 0.0, True)
    sums = line_sums(deck, 61, 1.0, t, z)
    got = fit_families(sums, families, np.arange(61) < telling, prior=prior)
    assert set(got.fits) == {NETWORK}
    taken = got.fits[NETWORK] is prior
    assert taken == (telling < 8)
    expected = posterior(sums, prior if taken else fit_lines(sums))
    assert got.a == pytest.approx(expected[0], rel=1e-6)


# ---- quantiles ------------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "mean and deviation of a + b x on a fine grid, and the nearest path that rises")
@pytest.mark.parametrize("side", [-1, 1])
def test_a_quantile_follows_the_line_where_it_rises_and_is_held_where_it_would_fall(side):
    rng = np.random.default_rng(14)
    at = np.linspace(-400, 400, 160_001)
    held = 0
    for _ in range(25):
        root = rng.uniform(0.3, 1, (2, 2)) * [[1, 0], [rng.choice([-1, 1]), 1]]
        (aa, ab), (_, bb) = root @ root.T
        a, b, reach = rng.normal(), rng.uniform(0.1, 1.5), rng.uniform(0.5, 1.6)
        path = a + b * at + side * reach * np.sqrt(aa + 2 * ab * at + bb * at**2)
        path = np.maximum.accumulate(path) if side < 0 else np.minimum.accumulate(path[::-1])[::-1]
        here = slice(70_000, 90_000, 97)
        line = tuple(np.full(len(at[here]), v) for v in (a, b, aa, ab, bb))
        got = rising(line, at[here], side, reach)
        assert got == pytest.approx(path[here], abs=1e-4)
        held += bool((np.diff(got) == 0).any())
    assert held > 3


@pytest.mark.basis("derived", "by hand: a line that would fall stands at its value at 0, and only its range widens")
def test_a_line_that_would_fall_is_held_at_its_value_at_nought():
    line = tuple(np.full(3, v) for v in (2.0, -0.5, 0.25, 0.0, 0.04))
    x = np.array([-5.0, 0.0, 5.0])
    assert rising(line, x, 0).tolist() == [2.0] * 3
    assert rising(line, x, -1, 2.0) == pytest.approx([2 - 2 * np.sqrt(1.25), 1.0, 1.0])
    assert rising(line, x, 1, 2.0) == pytest.approx([3.0, 3.0, 2 + 2 * np.sqrt(1.25)])


@pytest.mark.basis("derived", "by hand: at 3 past its centre 2 + 3 x 0.5, deviation root of 0.16 + 0.09 + 9 x 0.04")
def test_a_deck_is_read_from_its_own_centre():
    one = np.ones(2)
    lines = Lines(2 * one, 0.5 * one, 0.16 * one, 0 * one, 0.04 * one, np.array([0.0, 10.0]), np.zeros(2, int), {})
    rows, x = np.array([1]), np.array([13.0])
    assert lines.quantile(rows, x, 0)[0] == pytest.approx(3.5)
    assert lines.quantile(rows, x, 1, 1.3, 0.09)[0] == pytest.approx(3.5 + 1.3 * np.sqrt(0.16 + 0.09 + 0.36))
    assert lines.quantile(rows, x, -1, 0.5, 0.09)[0] == pytest.approx(3.5 - 0.5 * np.sqrt(0.16 + 0.09 + 0.36))

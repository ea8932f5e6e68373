"""Lines by REML: the answers of a general library, known truths, and shrinkage at its ends."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from decknet.predict.lines import LineFit, LineSums, fit_lines, line_sums, posterior, rising

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

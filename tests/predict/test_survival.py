"""How long repairs hold: against a general library, published curves, and cases worked by hand."""

from __future__ import annotations

import json
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtri
from scipy.stats import CensoredData, weibull_min

from decknet.errors import RecordError
from decknet.predict.survival import Curve, WeibullFit, area_life, compare, fit_weibull, nonparametric, resampled_band
from decknet.settings import SurvivalSettings

INF = np.inf
# Radiotherapy arm, (left, right] in months; 46 women.
RADIOTHERAPY = np.array(
    [
        (45, INF), (6, 10), (0, 7), (46, INF), (46, INF), (7, 16), (17, INF), (7, 14), (37, 44), (0, 8), (4, 11),
        (15, INF), (11, 15), (22, INF), (46, INF), (46, INF), (25, 37), (46, INF), (26, 40), (46, INF), (27, 34),
        (36, 44), (46, INF), (36, 48), (37, INF), (40, INF), (17, 25), (46, INF), (11, 18), (38, INF), (5, 12),
        (37, INF), (0, 5), (18, INF), (24, INF), (36, INF), (5, 11), (19, 35), (17, 25), (24, INF), (32, INF),
        (33, INF), (19, 26), (37, INF), (34, INF), (36, INF),
    ],
    dtype=float,
)  # fmt: skip


def _data_of(package: str, *path: str) -> Path:
    """A data file of a package that is only looked into, never imported."""
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        pytest.skip(f"{package} is not installed (it does not allow this pandas)")
    return Path(spec.origin).parent.joinpath(*path)


@pytest.mark.basis(
    "published", "Finkelstein and Wolfe (1985), radiotherapy arm; masses as in Fay and Shaw (2010), (L, R]"
)
def test_the_curve_of_the_radiotherapy_arm():
    curve = nonparametric(*RADIOTHERAPY.T)
    has = curve.mass > 1e-7
    assert curve.left[has].tolist() == [4, 6, 7, 11, 24, 33, 38, 46]
    assert curve.right[has].tolist() == [5, 7, 8, 12, 25, 34, 40, 48]
    expected = [0.046347, 0.033363, 0.088667, 0.070753, 0.092646, 0.081786, 0.120880, 0.465558]
    assert curve.mass[has] == pytest.approx(expected, abs=1e-6)
    assert curve.log_likelihood == pytest.approx(-58.0600220, abs=1e-6)
    assert curve.holding(np.array([7.0, 8.0])) == pytest.approx([0.9203, 0.8316], abs=5e-5)


@pytest.mark.basis("published", "lifelines 0.30.3 Weibull on the radiotherapy arm")
def test_the_weibull_curve_of_the_radiotherapy_arm():
    fit = fit_weibull(*RADIOTHERAPY.T)
    assert fit.scale_yr == pytest.approx(57.513095, rel=1e-5)
    assert fit.shape == pytest.approx(1.121613, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-64.731471, abs=1e-6)


@pytest.mark.basis("derived", "two looks at two sets: shape and scale from the two shares, and the shares themselves")
def test_one_look_each():
    left = np.r_[np.zeros(3), np.full(7, 5.0), np.zeros(7), np.full(3, 10.0)]
    right = np.r_[np.full(3, 5.0), np.full(7, INF), np.full(7, 10.0), np.full(3, INF)]
    fit = fit_weibull(left, right)
    assert fit.shape == pytest.approx(1.7551210279, abs=1e-6)
    assert fit.scale_yr == pytest.approx(8.9963789152, abs=1e-6)
    assert nonparametric(left, right).holding(np.array([5.0, 10.0])) == pytest.approx([0.7, 0.3], abs=1e-7)


@pytest.mark.basis("derived", "five intervals whose best masses lie on the boundary: 0.2, 0.4, 0, 0.4")
def test_a_mass_of_nothing_is_reached():
    right = np.array([1.0, 3, 2, INF, INF])
    curve = nonparametric(np.array([0.0, 1, 1, 3, 2]), right)
    assert curve.mass == pytest.approx([0.2, 0.4, 0, 0.4], abs=1e-6)
    assert curve.log_likelihood == pytest.approx(-5.2746008, abs=1e-6)
    assert curve.slack < 1e-6


@pytest.mark.basis("published", "lifelines 0.30.3 on its interval_diabetes data, 731 rows")
def test_the_weibull_curve_of_the_diabetes_data():
    table = pd.read_csv(_data_of("lifelines", "datasets", "interval_diabetes.csv"))
    fit = fit_weibull(table["left"].to_numpy(float), table["right"].to_numpy(float))
    assert fit.scale_yr == pytest.approx(18.856488, rel=1e-5)
    assert fit.shape == pytest.approx(2.823493, rel=1e-5)
    assert (fit.scale_se, fit.shape_se) == pytest.approx((0.269330, 0.079606), rel=1e-3)
    assert fit.log_likelihood == pytest.approx(-2028.566111, abs=1e-4)
    holding = [0.976710, 0.846355, 0.592076, 0.307018, 0.108906, 0.024475]
    assert fit.holding(np.array([5.0, 10, 15, 20, 25, 30])) == pytest.approx(holding, abs=1e-5)
    assert fit.quantile(0.5) == pytest.approx(16.560970, rel=1e-5)


@pytest.mark.basis("published", "R survival 3.5.8 and npsurv 0.5.0 on the interval fixture of surpyval 0.25")
def test_the_fixture_that_r_has_fitted():
    fixture = json.loads(_data_of("surpyval", "tests", "reference", "data", "fixtures.json").read_text())["interval"]
    left, right = (np.array(fixture["columns"][n], dtype=float) for n in ("left", "right"))
    right = np.where(np.isnan(right), INF, right)
    fit = fit_weibull(left, right)
    assert fit.scale_yr == pytest.approx(9.3071022, rel=1e-5)
    assert fit.shape == pytest.approx(2.1290368, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-126.122192368985, abs=1e-5)
    curve = nonparametric(left, right)
    has = curve.mass > 1e-6
    assert has.sum() == 14
    assert curve.mass[has][[0, -1]] == pytest.approx([0.0580757784, 0.0833333333], abs=1e-6)
    assert curve.log_likelihood == pytest.approx(-115.733492709, abs=1e-5)


@pytest.mark.basis("derived", "scipy 1.17 weibull_min fitted to the same censored data")
def test_weibull_matches_a_general_library_on_made_up_intervals():
    rng = np.random.default_rng(1)
    true = 12 * rng.weibull(1.8, 300)
    looks = np.sort(rng.uniform(0.5, 20, (300, 4)), axis=1)
    left = np.where(looks < true[:, None], looks, 0).max(axis=1)
    right = np.where(looks >= true[:, None], looks, INF).min(axis=1)
    fit = fit_weibull(left, right)
    both = np.column_stack([left, right])
    inside = np.isfinite(right) & (left > 0)
    data = CensoredData(
        interval=both[inside], left=right[np.isfinite(right) & (left == 0)], right=left[~np.isfinite(right)]
    )
    shape, _, scale = weibull_min.fit(data, floc=0)
    assert (fit.scale_yr, fit.shape) == pytest.approx((scale, shape), rel=1e-3)
    assert fit.scale_yr == pytest.approx(12, abs=3 * fit.scale_se)
    assert fit.shape == pytest.approx(1.8, abs=3 * fit.shape_se)


@pytest.mark.basis("derived", "the product-limit curve of exact and right-censored times, by hand")
def test_known_moments_give_the_product_limit_curve():
    curve = nonparametric(np.array([1.0, 2, 2, 3, 4]), np.array([1.0, 2, INF, 3, INF]))
    assert curve.holding(np.array([0.5, 1, 2, 3, 9])) == pytest.approx([1, 0.8, 0.6, 0.3, 0.3], abs=1e-6)


def test_repairs_that_came_on_record_late_do_not_flatter():
    rng = np.random.default_rng(2)
    life = 10 * rng.weibull(1.5, 6000)
    entry = rng.uniform(0, 12, 6000)
    seen = life > entry
    left, right = life[seen], life[seen]
    fit = fit_weibull(left, right, entry=entry[seen])
    assert fit.scale_yr == pytest.approx(10, rel=0.05)
    assert fit.shape == pytest.approx(1.5, rel=0.05)
    assert fit_weibull(left, right).scale_yr > 10.8


def test_weights_count_as_copies():
    left, right = RADIOTHERAPY.T
    twice = nonparametric(np.r_[left, left], np.r_[right, right])
    assert nonparametric(left, right, np.full(46, 2.0)).mass == pytest.approx(twice.mass, abs=1e-9)
    assert fit_weibull(left, right, np.full(46, 2.0)).scale_se == pytest.approx(
        fit_weibull(left, right).scale_se / np.sqrt(2), rel=1e-4
    )


def test_the_band_holds_the_curve_and_patches_of_a_deck_are_drawn_together():
    left, right = RADIOTHERAPY.T
    at = np.array([5.0, 12.0, 40.0])
    middle = nonparametric(left, right).holding(at)
    low, high = resampled_band(left, right, np.arange(46), at, np.random.default_rng(1), 80)
    assert ((low <= middle + 1e-9) & (middle <= high + 1e-9)).all()
    few = resampled_band(left, right, np.arange(46) % 4, at, np.random.default_rng(1), 80)
    assert (few[1] - few[0]).sum() > 0
    assert fit_weibull(left, right, cluster=np.zeros(46, dtype=int) + np.arange(46) % 46).scale_yr > 0


def test_what_is_not_an_interval_is_refused():
    with pytest.raises(RecordError, match=r"interval 1: \(3, 2\] yr is not one"):
        nonparametric(np.array([0.0, 3.0]), np.array([1.0, 2.0]))
    with pytest.raises(RecordError, match="No repair has failed yet"):
        fit_weibull(np.array([1.0, 2.0]), np.array([INF, INF]))


def test_small_groups_say_that_they_are_small():
    followed = pd.DataFrame(
        {
            "deck_id": ["a", "a", "b", "c"], "material": ["x", "x", "x", None], "left_yr": [1.0, 2, 3, 1],
            "right_yr": [2.0, 4, INF, INF], "followed_by": ["deck", "polygons", "polygons", "deck"],
        }
    )  # fmt: skip
    table = compare(followed, "material", SurvivalSettings()).set_index("group")
    assert table.loc["x", "failed"] == 2
    assert table.loc["x", "by_deck"] == 1
    assert "few: 2 failures on 2 decks" in table.loc["x", "note"]
    assert np.isnan(table.loc["not known", "half_yr"])


# ---- every kind of record at once -----------------------------------------------------------------------------------


def _mixed(seed=3, n=400):
    """Repairs of 40 decks known to a moment, to an interval, from the left, or as still sound; some came late."""
    rng = np.random.default_rng(seed)
    deck = rng.integers(0, 40, n)
    life = 9 * rng.weibull(1.6, n) * np.exp(0.4 * rng.standard_normal(40))[deck]
    entry = np.where(rng.uniform(size=n) < 0.3, rng.uniform(0, 4, n), 0.0)
    kind = rng.integers(0, 4, n)
    seen = life > entry
    deck, life, entry, kind = (v[seen] for v in (deck, life, entry, kind))
    grid = np.floor(life / 2) * 2
    left = np.select([kind == 0, kind == 1, kind == 2], [life, np.maximum(grid, entry), entry], 0.7 * life)
    left = np.maximum(left, entry)
    right = np.select([kind == 0, kind == 1, kind == 2], [life, np.maximum(grid + 2, life), life + 1.0], INF)
    weight = np.random.default_rng(4).uniform(0.5, 2.0, len(life))
    return left, right, weight, entry, deck


def _each(log_scale, log_shape, left, right, entry):
    """Log likelihood of each record by scipy."""
    law = weibull_min(np.exp(log_shape), scale=np.exp(log_scale))
    exact, open_end = left == right, np.isinf(right)
    inside = np.log(np.maximum(law.sf(left) - law.sf(np.where(open_end, left, right)), 1e-300))
    value = np.where(exact, law.logpdf(np.maximum(left, 1e-9)), np.where(open_end, law.logsf(left), inside))
    return value - law.logsf(entry)


@pytest.mark.basis("derived", "scipy 1.17 density and tail of a Weibull, differentiated by finite steps")
def test_moments_intervals_and_late_records_together_give_the_greatest_likelihood():
    left, right, weight, entry, deck = _mixed()
    fit = fit_weibull(left, right, weight, entry=entry)
    at = np.log([fit.scale_yr, fit.shape])

    def total(theta):
        return float(weight @ _each(*theta, left, right, entry))

    assert fit.log_likelihood == pytest.approx(total(at), abs=1e-4)
    assert fit.failures == pytest.approx(weight[np.isfinite(right)].sum())
    step = 1e-3 * np.eye(2)
    slope = [(total(at + d) - total(at - d)) / 2e-3 for d in step]
    assert slope == pytest.approx([0, 0], abs=0.02)
    bend = np.array(
        [[(total(at + d + e) - total(at + d - e) - total(at - d + e) + total(at - d - e)) / 4e-6 for e in step]
         for d in step]
    )  # fmt: skip
    variance = np.linalg.inv(-bend)
    assert fit.log_variance == pytest.approx(variance, rel=1e-3)
    assert fit.scale_se == pytest.approx(fit.scale_yr * np.sqrt(variance[0, 0]), rel=1e-3)
    assert fit.shape_se == pytest.approx(fit.shape * np.sqrt(variance[1, 1]), rel=1e-3)

    # Patches of a deck share a fate: the sandwich of the scores summed by deck, G / (G - 1).
    by_deck = fit_weibull(left, right, weight, entry=entry, cluster=deck)
    each = np.column_stack(
        [weight * (_each(*(at + d), left, right, entry) - _each(*(at - d), left, right, entry)) / 2e-3 for d in step]
    )
    summed = np.array([each[deck == d].sum(axis=0) for d in np.unique(deck)])
    shared = variance @ (summed.T @ summed * len(summed) / (len(summed) - 1)) @ variance
    assert np.trace(shared) > np.trace(variance)
    assert by_deck.log_variance == pytest.approx(shared, rel=2e-3)
    assert by_deck.scale_se == pytest.approx(fit.scale_se, rel=1e-6)
    # Two decks alike tell less scatter than the curvature does: the wider of the two is kept.
    twice = np.tile(RADIOTHERAPY.T, 2)
    alike = fit_weibull(*twice, cluster=np.repeat([0, 1], 46))
    assert alike.log_variance == pytest.approx(fit_weibull(*twice).log_variance, rel=1e-9)


@pytest.mark.basis("derived", "delta method by hand on log(-log(holding)) and on log(years)")
def test_the_range_of_a_weibull_curve_is_by_the_delta_method():
    fit = WeibullFit(10.0, 2.0, 0.0, 0.0, np.array([[0.04, 0.01], [0.01, 0.09]]), 0.0, 5.0)
    # At 5 yr: z = 2 ln 0.5; by (log scale, log shape) it moves by (-2, z).
    z = 2 * np.log(0.5)
    se = np.sqrt(4 * 0.04 - 2 * 2 * z * 0.01 + z * z * 0.09)
    assert fit.holding(np.array([5.0]))[0] == pytest.approx(np.exp(-0.25))
    assert fit.holding(np.array([5.0]), 1.5)[0] == pytest.approx(np.exp(-np.exp(z - 1.5 * se)))
    assert fit.holding(np.array([0.0]))[0] == pytest.approx(1.0)
    assert fit.holding(np.array([1e9]))[0] == 0.0
    # Years until 30 % failed: log t = log scale + h / shape moves by (1, -h / shape).
    h = np.log(-np.log(0.7))
    se = np.sqrt(0.04 - 2 * h / 2 * 0.01 + (h / 2) ** 2 * 0.09)
    assert fit.quantile(0.3) == pytest.approx(10 * np.exp(h / 2))
    assert fit.quantile(0.3, -1.2) == pytest.approx(10 * np.exp(h / 2 - 1.2 * se))


# ---- the curve with no form -----------------------------------------------------------------------------------------


def test_the_curve_falls_at_the_end_of_each_interval_and_not_for_what_still_holds():
    curve = Curve(np.array([0.0, 3.0, 2.0]), np.array([1.0, INF, 4.0]), np.array([0.2, 0.5, 0.3]), 0.0, 1, 0.0)
    at = np.array([0.0, 0.999, 1.0, 3.5, 4.0, 1e6])
    assert curve.holding(at) == pytest.approx([1.0, 1.0, 0.8, 0.8, 0.5, 0.5])


@pytest.mark.basis("derived", "by hand: an exact moment at the end of an open interval belongs to that interval")
def test_a_moment_at_an_end_lies_within_what_ends_there_and_not_within_what_begins_there():
    # (0, 2], exactly 2, (2, inf): the first may have failed at 2; the third did not.
    curve = nonparametric(np.array([0.0, 2.0, 2.0]), np.array([2.0, 2.0, INF]))
    mass = {(a, b): m for a, b, m in zip(curve.left, curve.right, curve.mass, strict=True) if m > 1e-9}
    assert mass == pytest.approx({(2.0, 2.0): 2 / 3, (2.0, INF): 1 / 3}, abs=1e-6)
    assert curve.holding(np.array([1.999, 2.0])) == pytest.approx([1.0, 1 / 3], abs=1e-6)
    assert curve.log_likelihood == pytest.approx(2 * np.log(2 / 3) + np.log(1 / 3), abs=1e-6)


@pytest.mark.basis("derived", "the likelihood of each interval from the masses inside it; none can be moved to gain")
def test_no_shift_of_mass_gains_likelihood():
    rng = np.random.default_rng(6)
    life = 8 * rng.weibull(1.4, 120)
    looks = np.sort(rng.uniform(0.2, 14, (120, 3)), axis=1)
    left = np.where(looks < life[:, None], looks, 0).max(axis=1)
    right = np.where(looks >= life[:, None], looks, INF).min(axis=1)
    left, right = left.round(9), right.round(9)  # as times are kept, so that ends can be told equal below
    weight = rng.uniform(0.5, 3, 120)
    curve = nonparametric(left, right, weight)
    inside = (left[:, None] <= curve.left) & (right[:, None] >= curve.right)
    chance = inside @ curve.mass
    assert curve.mass.sum() == pytest.approx(1.0)
    assert curve.log_likelihood == pytest.approx(weight @ np.log(chance), abs=1e-7)
    slope = (inside / chance[:, None]).T @ weight / weight.sum()
    assert slope.max() <= 1 + 1e-6
    assert slope[curve.mass > 0] == pytest.approx(np.ones((curve.mass > 0).sum()), abs=1e-5)
    assert curve.slack == pytest.approx(0.0, abs=1e-9)
    assert 1 < curve.steps < 100


def test_nothing_followed_gives_an_empty_curve():
    curve = nonparametric(np.zeros(0), np.zeros(0))
    assert (len(curve.mass), curve.log_likelihood, curve.steps, curve.slack) == (0, 0.0, 0, 0.0)
    assert curve.holding(np.array([3.0])).tolist() == [1.0]


@pytest.mark.parametrize(("left", "right"), [(-1.0, 2.0), (np.nan, 2.0), (1.0, np.nan), (INF, INF), (0.0, 0.0)])
def test_each_way_of_not_being_an_interval_is_refused(left, right):
    with pytest.raises(RecordError, match=r"interval 1: .*0 or later to a later time"):
        fit_weibull(np.array([1.0, left]), np.array([2.0, right]))


@pytest.mark.basis("derived", "by hand: of two decks drawn again, a quarter are the first twice, a quarter the second")
def test_the_band_is_of_decks_drawn_again():
    left, right = np.array([1.0, 1.0, 5.0]), np.array([1.0, 1.0, 5.0])
    low, high = resampled_band(left, right, np.array([7, 7, 3]), np.array([2.0]), np.random.default_rng(2), 400)
    assert (low[0], high[0]) == pytest.approx((0.0, 1.0))  # deck 7 failed at 1, deck 3 held until 5
    same = resampled_band(left, right, np.zeros(3, int), np.array([2.0, 6.0]), np.random.default_rng(2), 5)
    assert same[0] == pytest.approx([1 / 3, 0.0], abs=1e-6)
    assert same[1] == pytest.approx([1 / 3, 0.0], abs=1e-6)
    # One in eight decks failed: none of eight drawn is one in (7/8)^8 = 34 % of draws, over three in under 2 %.
    rare = resampled_band(
        np.arange(2.0, 10.0), np.r_[2.0, np.full(7, INF)], np.arange(8), np.array([3.0]), np.random.default_rng(2), 600
    )
    assert (rare[0][0], rare[1][0]) == pytest.approx((0.75, 1.0), abs=0.01)


# ---- groups ---------------------------------------------------------------------------------------------------------


def _followed():
    left, right = RADIOTHERAPY.T / 4
    n = len(left)
    return pd.DataFrame(
        {
            "deck_id": [f"d{i % 20}" for i in range(n)], "left_yr": left, "right_yr": right,
            "material": np.where(np.arange(n) % 2 == 0, "b", "a"),
            "followed_by": np.where(np.arange(n) < 5, "deck", "polygons"),
        }
    )  # fmt: skip


def test_each_group_is_fitted_alone_with_its_80_percent_range():
    followed = _followed()
    table = compare(followed, "material", SurvivalSettings())
    assert table["group"].tolist() == ["a", "b"]
    assert table["by_deck"].tolist() == [2, 3]
    for name, row in table.set_index("group").iterrows():
        part = followed[followed["material"] == name]
        left, right = part["left_yr"].to_numpy(), part["right_yr"].to_numpy()
        fit = fit_weibull(left, right, cluster=pd.factorize(part["deck_id"])[0])
        z, at = ndtri(0.9), np.array([5.0])
        assert (row["scale_yr"], row["shape"]) == pytest.approx((fit.scale_yr, fit.shape))
        # Years are kept to three decimals, chances to six.
        halves = [fit.quantile(0.5, k) for k in (0.0, -z, z)]
        assert [row[k] for k in ("half_yr", "half_low", "half_high")] == pytest.approx(halves, abs=6e-4)
        five = [fit.holding(at, k)[0] for k in (0.0, -z, z)]
        assert [row[k] for k in ("weibull_5", "weibull_5_low", "weibull_5_high")] == pytest.approx(five, abs=6e-7)
        assert row["weibull_5_low"] < row["weibull_5"] < row["weibull_5_high"]
        holding = nonparametric(left, right).holding(np.array([5.0, 10.0]))
        assert [row["holding_5"], row["holding_10"]] == pytest.approx(holding, abs=6e-7)
        assert (row["repairs"], row["decks"]) == (23, part["deck_id"].nunique())
        assert row["failed"] == np.isfinite(right).sum()
        assert row["last_yr"] == max(left.max(), right[np.isfinite(right)].max())
    together = compare(followed, None, SurvivalSettings()).iloc[0]
    assert (together["group"], together["repairs"], together["decks"]) == ("all", 46, 20)
    assert together["note"] == ""


def test_a_curve_is_not_read_past_the_last_look():
    def table(left, right):
        frame = pd.DataFrame({"deck_id": ["a"] * len(left), "left_yr": left, "right_yr": right, "followed_by": "deck"})
        return compare(frame, None, SurvivalSettings()).iloc[0]

    short = table([4.0, 3.0], [INF, INF])
    assert np.isnan(short["holding_5"])
    assert short["last_yr"] == 4.0
    five = table([5.0, 3.0], [INF, 4.0])
    assert five["holding_5"] == pytest.approx(0.5)
    assert np.isnan(five["holding_10"])
    assert np.isnan(five["scale_yr"])  # one failure draws no curve
    ten = table([10.0, 3.0], [INF, 4.0])
    assert ten["holding_10"] == pytest.approx(0.5)
    gone = table([1.0, 2.0], [2.0, 3.0])
    assert (gone["holding_5"], gone["holding_10"]) == (0.0, 0.0)  # all failed: nothing more can hold
    assert gone["last_yr"] == 3.0
    assert gone["scale_yr"] > 0


@pytest.mark.parametrize(("decks", "failures", "few"), [(15, 15, False), (14, 15, True), (15, 14, True)])
def test_a_group_is_few_below_the_settings_in_failures_or_in_decks(decks, failures, few):
    n = 16
    frame = pd.DataFrame(
        {
            "deck_id": [f"d{i % decks}" for i in range(n)], "left_yr": np.linspace(0.5, 6, n),
            "right_yr": np.where(np.arange(n) < failures, np.linspace(1, 7, n), INF), "followed_by": "deck",
        }
    )  # fmt: skip
    note = compare(frame, None, SurvivalSettings(few_failures=15))["note"].iloc[0]
    assert bool(note) == few
    assert not few or note == f"few: {failures} failures on {decks} decks; do not choose by this"


@pytest.mark.basis("derived", "two ages and two parts fix both unknowns: F(4) = .10, F(8) = .25, areas as weights")
def test_the_life_of_patched_ground_goes_by_area_and_not_by_verdict():
    # At 4 years 1 m2 of 10, at 8 years 5 m2 of 20: in no patch a verdict of half, and in all of them some ground.
    followed = pd.DataFrame(
        {"area_m2": [4.0, 6.0, 15.0, 5.0], "last_yr": [4.0, 4.0, 8.0, 8.0], "unsound_part": [0.25, 0.0, 0.2, 0.4]}
    )
    scale, shape = area_life(followed)
    assert 1 - np.exp(-((4 / scale) ** shape)) == pytest.approx(0.10, abs=1e-5)
    assert 1 - np.exp(-((8 / scale) ** shape)) == pytest.approx(0.25, abs=1e-5)
    assert area_life(followed.assign(unsound_part=0.0)) is None
    assert area_life(followed.assign(unsound_part=1.0)) is None

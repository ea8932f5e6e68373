"""How long repairs hold: against a general library, published curves, and cases worked by hand."""

from __future__ import annotations

import json
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import CensoredData, weibull_min

from decknet.errors import RecordError
from decknet.predict.survival import compare, fit_weibull, nonparametric, resampled_band
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

"""Every deck gets a share and a growth, and each says what it rests on."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from decknet.measure import survey_shares
from decknet.predict import damage_ever, fit_growth, pool_rates
from decknet.settings import Settings
from tests.frames import records

TODAY = date(2026, 5, 1)
NO_DEFECTS = records("defect", survey_id=[], defect_id=[], kind=[])
NO_REPAIRS = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])
NO_RATINGS = records("rating", bridge_id=[], rated_year=[], deck_rating=[])
S = Settings()


def _decks(*ids, **more):
    n = len(ids)
    more.setdefault("built_year", [1980] * n)
    built = more.pop("built_year")
    decks = records("deck", deck_id=list(ids), bridge_id=list(ids), length_m=[40.0] * n, width_m=[10.0] * n, **more)
    return decks.assign(built_year=pd.array(built, dtype="Int64"))


def _fit(decks, found, repairs=NO_REPAIRS, ratings=NO_RATINGS):
    surveys = records(
        "survey",
        survey_id=[f"s{i}" for i in range(len(found))],
        deck_id=[f[0] for f in found],
        survey_date=pd.to_datetime([f[1] for f in found]),
        delaminated_m2=[f[2] for f in found],
    )
    damage = damage_ever(survey_shares(surveys, NO_DEFECTS, decks), repairs, decks, overbreak=1.25)
    got = fit_growth(
        damage, decks, repairs, ratings, today=TODAY, settings=S.growth, treatments=S.treatment, overbreak=1.25
    )
    return got.set_index("deck_id")


@pytest.mark.basis(
    "published",
    "BCG vaccine trials (Colditz et al. 1994), 13 log risk ratios; moment estimate by statsmodels 0.15 combine_effects",
)
def test_pooling_gives_the_moment_estimate_of_a_known_table():
    table = np.array(
        [
            (4, 119, 11, 128),
            (6, 300, 29, 274),
            (3, 228, 11, 209),
            (62, 13536, 248, 12619),
            (33, 5036, 47, 5761),
            (180, 1361, 372, 1079),
            (8, 2537, 10, 619),
            (505, 87886, 499, 87892),
            (29, 7470, 45, 7232),
            (17, 1699, 65, 1600),
            (186, 50448, 141, 27197),
            (5, 2493, 3, 2338),
            (27, 16886, 29, 17825),
        ],
        dtype=float,
    )
    a, b, c, d = table.T
    rate = np.log(a / (a + b)) - np.log(c / (c + d))
    variance = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    mean, mean_var, between = pool_rates(rate, variance)
    assert between == pytest.approx(0.308760, abs=1e-6)
    assert mean == pytest.approx(-0.714117, abs=1e-6)
    assert np.sqrt(mean_var) == pytest.approx(0.178742, abs=1e-6)


@pytest.mark.basis(
    "published", "eight schools (Rubin 1981): no spread between groups, pooled mean 7.685617, se 4.071919"
)
def test_pooling_without_spread_pools_fully():
    rate = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
    error = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])
    mean, mean_var, between = pool_rates(rate, error**2)
    assert between == 0.0
    assert mean == pytest.approx(7.685617, abs=1e-6)
    assert np.sqrt(mean_var) == pytest.approx(4.071919, abs=1e-6)


def test_many_surveys_on_a_line_give_its_slope():
    found = [("a", f"{year}-05-01", 400 * (0.10 + 0.02 * (year - 2014))) for year in range(2014, 2026)]
    found += [("b", f"{year}-05-01", 400 * (0.02 + 0.004 * (year - 2014))) for year in range(2014, 2026)]
    got = _fit(_decks("a", "b"), found)
    assert got["growth_from"].tolist() == ["own surveys"] * 2
    assert 0.012 < got.loc["a", "growth_per_yr"] <= 0.0201
    assert got.loc["b", "growth_per_yr"] == pytest.approx(0.004, abs=0.0008)
    assert got.loc["a", "growth_per_yr"] > 2 * got.loc["b", "growth_per_yr"]


def test_one_survey_takes_the_networks_growth():
    found = [(d, day, m2) for d in ("a", "b", "c") for day, m2 in (("2016-05-01", 8.0), ("2024-05-01", 24.0))]
    got = _fit(_decks("a", "b", "c", "one"), [*found, ("one", "2025-05-01", 40.0)])
    assert got.loc["one", "growth_from"] == "network"
    assert got.loc["one", "growth_per_yr"] == pytest.approx(got.loc["a", "growth_per_yr"], rel=0.05)
    assert got.loc["one", "share_now"] == pytest.approx(0.10 + got.loc["one", "growth_per_yr"], abs=1e-4)


def test_a_network_without_surveys_falls_back_on_the_settings_and_says_so():
    got = _fit(_decks("a", "b", built_year=[1980, None]), [])
    assert got["share_from"].tolist() == ["assumption"] * 2
    assert got["growth_from"].tolist() == ["assumption"] * 2
    years = 2026 - 1980.5 + 4 / 12 - S.growth.onset_yr
    assert got.loc["a", "share_now"] == pytest.approx(years * S.growth.network_per_yr, abs=0.002)
    assert np.isfinite(got["share_now"]).all()


def test_a_rating_informs_a_deck_without_a_survey():
    ratings = records("rating", bridge_id=["a", "a", "b"], rated_year=[2010, 2020, 2020], deck_rating=[9, 4, 7])
    got = _fit(_decks("a", "b", "c"), [], ratings=ratings)
    assert got["share_from"].tolist() == ["rating", "rating", "assumption"]
    assert got.loc["a", "share_now"] == pytest.approx(dict(S.growth.rating_share)[4])
    assert got.loc["a", "share_now"] > got.loc["b", "share_now"]
    assert (got["share_low"] <= got["share_now"]).all()
    assert (got["share_high"] >= got["share_now"]).all()


def test_coated_bars_and_benign_places_are_assumed_slower():
    got = _fit(
        _decks("a", "b", "c", bar_kind=["bare", "epoxy", "bare"], environment=["de-iced", "de-iced", "benign"]), []
    )
    assert got.loc["b", "growth_per_yr"] < got.loc["a", "growth_per_yr"]
    assert got.loc["c", "growth_per_yr"] < got.loc["a", "growth_per_yr"]


def test_a_patch_since_the_last_survey_lowers_the_share_now():
    found = [("a", "2022-05-01", 20.0), ("a", "2025-05-01", 40.0), ("b", "2022-05-01", 20.0), ("b", "2025-05-01", 40.0)]
    patch = records(
        "repair",
        repair_id=["r"],
        deck_id=["a"],
        repair_date=pd.to_datetime(["2025-09-01"]),
        treatment=["patch"],
        area_m2=[25.0],
    )
    got = _fit(_decks("a", "b"), found, repairs=patch)
    assert got.loc["b", "share_now"] - got.loc["a", "share_now"] == pytest.approx(20 / 400)


def test_an_overlay_without_a_survey_since_starts_from_nothing():
    found = [("a", "2016-05-01", 60.0), ("b", "2016-05-01", 60.0), ("b", "2020-05-01", 80.0)]
    overlay = records(
        "repair",
        repair_id=["r"],
        deck_id=["a"],
        repair_date=pd.to_datetime(["2018-09-01"]),
        treatment=["rigid overlay"],
        area_m2=[400.0],
    )
    got = _fit(_decks("a", "b"), found, repairs=overlay)
    assert got.loc["a", "share_from"] == "works"
    assert got.loc["a", "share_now"] < 0.03 < got.loc["b", "share_now"]


def test_growth_is_never_below_nothing_and_shares_stay_within_the_deck():
    rng = np.random.default_rng(3)
    ids = [f"d{i:02d}" for i in range(60)]
    found = [
        (d, f"{2014 + k * 2}-06-01", float(rng.uniform(0, 399))) for d in ids for k in range(int(rng.integers(0, 6)))
    ]
    got = _fit(_decks(*ids), found)
    assert (got["growth_per_yr"] >= 0).all()
    for name in ("share_now", "share_low", "share_high"):
        assert got[name].between(0, 1).all()
    assert (got["share_low"] <= got["share_now"] + 1e-12).all()


def test_row_order_changes_nothing():
    rng = np.random.default_rng(4)
    ids = [f"d{i:02d}" for i in range(20)]
    found = [(d, f"{2014 + k * 3}-06-01", float(rng.uniform(0, 90))) for d in ids for k in range(3)]
    first = _fit(_decks(*ids), found)
    mixed = _fit(_decks(*ids), [found[i] for i in rng.permutation(len(found))])
    pd.testing.assert_frame_equal(first, mixed, rtol=1e-9, atol=1e-12)

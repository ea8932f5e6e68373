"""Every deck gets a share and a growth, and each says what it rests on."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from decknet.errors import RecordError, SettingsError
from decknet.measure import survey_shares
from decknet.predict import damage_account, fit_growth_model, forecast_after, pool_rates
from decknet.predict.fit import assumed_rate
from decknet.predict.lines import LineSums, fit_lines
from decknet.predict.paced import pool_rates_by_level
from decknet.settings import Settings
from tests.frames import records

TODAY = date(2026, 5, 1)
NO_DEFECTS = records("defect", survey_id=[], defect_id=[], kind=[])
NO_REPAIRS = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])
NO_RATINGS = records("rating", bridge_id=[], rated_year=[], deck_rating=[])
S = Settings()
BCG = np.array(
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


def _decks(*ids, **more):
    n = len(ids)
    more.setdefault("built_year", [1980] * n)
    built = more.pop("built_year")
    decks = records("deck", deck_id=list(ids), bridge_id=list(ids), length_m=[40.0] * n, width_m=[10.0] * n, **more)
    return decks.assign(built_year=pd.array(built, dtype="Int64"))


def _model(decks, found, repairs=NO_REPAIRS, ratings=NO_RATINGS, settings=S.growth):
    surveys = records(
        "survey",
        survey_id=[f"s{i}" for i in range(len(found))],
        deck_id=[f[0] for f in found],
        survey_date=pd.to_datetime([f[1] for f in found]),
        delaminated_m2=[f[2] for f in found],
    )
    shares = survey_shares(surveys, NO_DEFECTS, decks)
    damage, sound = damage_account(shares, repairs, decks, overbreak=1.25)
    return fit_growth_model(
        damage, sound, decks, repairs, ratings, today=TODAY, settings=settings, treatments=S.treatment
    )


def _fit(decks, found, repairs=NO_REPAIRS, ratings=NO_RATINGS):
    return _model(decks, found, repairs, ratings).status().set_index("deck_id")


def _curve(ids, rng, first=2006, last=2025, step=3):
    """Surveys of decks built in 1980 that follow an S-curve, each at its own pace, with scatter."""
    found = []
    for d in ids:
        eta = 62 * np.exp(0.25 * rng.standard_normal())
        for year in range(first + int(rng.integers(0, step)), last, step):
            share = 1 - np.exp(-(((year - 1980) / eta) ** 3))
            found.append((d, f"{year}-05-01", float(np.clip(400 * share * (1 + 0.15 * rng.standard_normal()), 0, 390))))
    return found


@pytest.mark.basis(
    "published",
    "BCG vaccine trials (Colditz et al. 1994), 13 log risk ratios; moment estimate by statsmodels 0.15 combine_effects",
)
def test_pooling_gives_the_moment_estimate_of_a_known_table():
    a, b, c, d = BCG.T
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


@pytest.mark.basis("published", "BCG vaccine trials, Paule-Mandel 0.318068 by statsmodels 0.15; mean and error with it")
def test_pooling_by_level_gives_the_paule_mandel_spread_of_a_known_table():
    a, b, c, d = BCG.T
    rate = np.log(a / (a + b)) - np.log(c / (c + d))
    variance = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    mean, mean_var, between = pool_rates_by_level(rate, variance, np.ones(13))
    assert between == pytest.approx(0.318068, abs=1e-6)
    assert mean[0] == pytest.approx(-0.714968, abs=1e-6)
    assert np.sqrt(mean_var[0, 0]) == pytest.approx(0.180892, abs=1e-6)


@pytest.mark.basis("published", "BCG vaccine trials by REML, tau2 0.3132 (metafor); mean -0.714532, se 0.179782")
def test_reml_of_a_known_table():
    a, b, c, d = BCG.T
    rate = np.log(a / (a + b)) - np.log(c / (c + d))
    variance = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    # Each trial many readings of weight 1 / variance: the noise is then 1 by construction.
    copies, n = 20_000, 13
    spread = np.sqrt((copies - 1) * 1.0)
    ones = np.full(n, float(copies))
    sums = LineSums(
        1 / variance, np.zeros(n), np.zeros(n), rate / variance, np.zeros(n), rate**2 / variance + spread**2, ones
    )
    fit = fit_lines(sums, random="first")
    assert fit.noise == pytest.approx(1.0, abs=1e-4)
    assert fit.between[0, 0] == pytest.approx(0.313243, abs=2e-4)
    assert fit.mean[0] == pytest.approx(-0.714532, abs=1e-5)
    assert np.sqrt(fit.mean_var[0, 0]) == pytest.approx(0.179782, abs=2e-5)


def test_many_surveys_on_a_line_give_its_slope():
    found = [("a", f"{year}-05-01", 400 * (0.10 + 0.02 * (year - 2014))) for year in range(2014, 2026)]
    found += [("b", f"{year}-05-01", 400 * (0.02 + 0.004 * (year - 2014))) for year in range(2014, 2026)]
    got = _fit(_decks("a", "b"), found)
    assert got["growth_from"].tolist() == ["own surveys"] * 2
    assert 0.010 < got.loc["a", "growth_per_yr"] < 0.026
    assert got.loc["b", "growth_per_yr"] == pytest.approx(0.004, abs=0.002)
    assert got.loc["a", "growth_per_yr"] > 2 * got.loc["b", "growth_per_yr"]


def test_one_survey_takes_the_networks_growth():
    rng = np.random.default_rng(1)
    ids = [f"d{i:02d}" for i in range(60)]
    decks = _decks(*ids, "one")
    got = _fit(decks, [*_curve(ids, rng), ("one", "2025-05-01", 40.0)])
    assert got.loc["one", "growth_from"] == "network"
    assert got.loc["one", "share_from"] == "survey"
    like = got.drop(index="one")[got.drop(index="one")["share_now"].between(0.07, 0.14)]
    assert got.loc["one", "growth_per_yr"] == pytest.approx(like["growth_per_yr"].mean(), rel=0.35)
    assert got.loc["one", "share_now"] == pytest.approx(0.105, abs=0.03)
    wide = got["share_high"] - got["share_low"]
    assert wide["one"] > wide[like.index].mean()


def test_a_network_without_surveys_falls_back_on_the_settings_and_says_so():
    got = _fit(_decks("a", "b", built_year=[1980, None]), [])
    assert got["share_from"].tolist() == ["assumption"] * 2
    assert got["growth_from"].tolist() == ["assumption"] * 2
    years = 2026 - 1980.5 + 4 / 12 - S.growth.onset_yr
    assert got.loc["a", "share_now"] == pytest.approx(years * S.growth.network_per_yr, rel=0.1)
    assert np.isfinite(got.drop(columns=["share_from", "growth_from"])).all(axis=None)


def test_a_rating_informs_a_deck_without_a_survey():
    ratings = records("rating", bridge_id=["a", "a", "b"], rated_year=[2010, 2024, 2024], deck_rating=[9, 4, 7])
    got = _fit(_decks("a", "b", "c"), [], ratings=ratings)
    assert got["share_from"].tolist() == ["rating", "rating", "assumption"]
    assert got.loc["a", "share_now"] > got.loc["c", "share_now"] > got.loc["b", "share_now"]
    assert (
        got.loc["a", "share_high"] / got.loc["a", "share_low"] < got.loc["c", "share_high"] / got.loc["c", "share_low"]
    )


def test_what_a_rating_stands_for_is_learned_from_decks_with_both():
    rng = np.random.default_rng(2)
    ids = [f"d{i:02d}" for i in range(60)]
    found = _curve(ids, rng)
    last = pd.DataFrame(found, columns=["d", "day", "m2"]).groupby("d")["m2"].last() / 400
    rating = np.where(last > 0.15, 6, 8)  # raters far milder than the table of the settings
    ratings = records(
        "rating", bridge_id=[*ids, "x"], rated_year=[2024] * 61, deck_rating=[*rating[[ids.index(d) for d in ids]], 6]
    )
    told = _fit(_decks(*ids, "x"), found, ratings=ratings).loc["x", "share_now"]
    only = ratings[ratings["bridge_id"] == "x"]
    assert told > _fit(_decks(*ids, "x"), found, ratings=only).loc["x", "share_now"]


def test_coated_bars_and_benign_places_are_assumed_slower():
    decks = _decks("a", "b", "c", bar_kind=["bare", "epoxy", "bare"], environment=["de-iced", "de-iced", "benign"])
    rate = assumed_rate(decks, S.growth)
    assert rate[1] < rate[0]
    assert rate[2] < rate[0]


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
    assert got.loc["a", "growth_per_yr"] == pytest.approx(got.loc["b", "growth_per_yr"])


def test_an_overlay_without_a_survey_since_starts_from_nothing():
    rng = np.random.default_rng(3)
    ids = [f"d{i:02d}" for i in range(40)]
    overlay = records(
        "repair",
        repair_id=["r"],
        deck_id=["a"],
        repair_date=pd.to_datetime(["2018-09-01"]),
        treatment=["rigid overlay"],
        area_m2=[400.0],
    )
    found = [*_curve(ids, rng), ("a", "2016-05-01", 60.0)]
    got = _fit(_decks(*ids, "a"), found, repairs=overlay)
    assert got.loc["a", "share_from"] == "works"
    assert got.loc["a", "share_now"] < 0.02 < got.drop(index="a")["share_now"].mean()


def test_growth_is_never_below_nothing_and_shares_stay_within_the_deck():
    rng = np.random.default_rng(3)
    ids = [f"d{i:02d}" for i in range(60)]
    found = [
        (d, f"{2014 + k * 2}-06-01", float(rng.uniform(0, 399))) for d in ids for k in range(int(rng.integers(0, 6)))
    ]
    got = _fit(_decks(*ids), found)
    assert (got["growth_per_yr"] >= 0).all()
    for name in ("share_now", "share_low", "share_high", "growth_low", "growth_high"):
        assert got[name].between(0, 1).all()
    assert (got["share_low"] <= got["share_now"] + 1e-12).all()
    assert (got["share_high"] >= got["share_now"] - 1e-12).all()
    assert (got["growth_low"] <= got["growth_per_yr"] + 1e-12).all()


def test_row_order_changes_nothing():
    rng = np.random.default_rng(4)
    ids = [f"d{i:02d}" for i in range(20)]
    found = [(d, f"{2014 + k * 3}-06-01", float(rng.uniform(0, 90))) for d in ids for k in range(3)]
    first = _fit(_decks(*ids), found)
    mixed = _fit(_decks(*ids), [found[i] for i in rng.permutation(len(found))])
    pd.testing.assert_frame_equal(first, mixed, rtol=1e-9, atol=1e-12)


def test_one_more_survey_moves_its_deck_and_hardly_its_family():
    rng = np.random.default_rng(5)
    ids = [f"d{i:02d}" for i in range(80)]
    found = _curve(ids, rng)
    before = _fit(_decks(*ids), found)
    for times, way in ((1.6, 1), (0.5, -1)):
        more = [*found, ("d07", "2026-04-01", float(400 * before.loc["d07", "share_now"] * times))]
        after = _fit(_decks(*ids), more)
        change = after["share_now"] / before["share_now"] - 1
        assert way * change["d07"] > 0.05
        # What their like were missed by is learned from few here, and moves the others by a part of a point.
        assert change.drop("d07").abs().max() < 0.08
        assert change.drop("d07").abs().mean() < 0.035


def test_forecasts_never_fall_and_never_lie_below_what_was_made_sound():
    rng = np.random.default_rng(6)
    ids = [f"d{i:02d}" for i in range(50)]
    patch = records(
        "repair", repair_id=["r", "q"], deck_id=["d03", "d11"], repair_date=pd.to_datetime(["2021-09-01"] * 2),
        treatment=["patch"] * 2, area_m2=[25.0, 40.0],
    )  # fmt: skip
    model = _model(_decks(*ids), _curve(ids, rng), repairs=patch)
    dates = pd.Series(pd.date_range("2025-06-01", "2075-06-01", periods=26))
    for name in ("d03", "d11", "d20", "d49"):
        fan = model.forecast([name] * len(dates), dates)
        for column in fan.columns[2:]:
            assert fan[column].between(0, 1).all()
            # What is read scatters the more the more there is: its range may widen downward on a deck that is nearly
            # full.
            assert column.startswith("reading") or (fan[column].diff().dropna() >= -1e-12).all()
        assert (fan["damage_low"] >= model.repaired[model.rows([name])[0]] - 1e-12).all()


def test_a_deck_patched_beyond_what_the_models_thought_goes_on_growing():
    rng = np.random.default_rng(16)
    ids = [f"d{i:02d}" for i in range(60)]
    patch = records(
        "repair", repair_id=["r"], deck_id=["d99"], repair_date=pd.to_datetime(["2021-09-01"]), treatment=["patch"],
        area_m2=[240.0],
    )  # fmt: skip
    model = _model(_decks(*ids, "d99"), _curve(ids, rng), repairs=patch)
    row = model.rows(["d99"])
    assert model.repaired[row[0]] == pytest.approx(240 / 1.25 / 400)
    assert model.models.middle(row, np.array([26.3]), np.ones(1), np.zeros(1))[0] < model.repaired[row[0]]
    dates = pd.Series(pd.to_datetime(["2021-09-01", "2026-05-01", "2031-05-01", "2041-05-01"]))
    fan = model.forecast(["d99"] * 4, dates)
    assert fan["unsound_share"].iloc[0] == pytest.approx(0.0, abs=1e-9)
    assert (fan["unsound_share"].diff().iloc[1:] > 0.005).all()
    assert (fan["unsound_low"] <= fan["unsound_share"]).all()
    assert (fan["unsound_share"] <= fan["unsound_high"]).all()
    when = ((dates - pd.Timestamp("2000-01-01")) / pd.Timedelta(days=365.25)).to_numpy()
    assert model.expected(np.repeat(row, 4), when) == pytest.approx(fan["unsound_share"].to_numpy(), abs=1e-12)


def test_the_chance_and_the_years_to_a_threshold_agree():
    rng = np.random.default_rng(7)
    ids = [f"d{i:02d}" for i in range(50)]
    model = _model(_decks(*ids), _curve(ids, rng))
    until = model.years_to(ids, 0.4)
    assert (until["soonest"] <= until["expected"]).all()
    assert (until["expected"] <= until["latest"]).all()
    one = until[(until["expected"] > 1) & np.isfinite(until["expected"])].index[0]
    on = (pd.Timestamp(TODAY) + pd.Timedelta(days=365.25 * until.loc[one, "expected"])).date()
    assert model.chance_past([one], 0.4, on).iloc[0] == pytest.approx(0.5, abs=0.02)
    with pytest.raises(RecordError, match="'nowhere': not a deck"):
        model.chance_past(["nowhere"], 0.4, TODAY)


def test_the_families_are_named_by_the_settings():
    with pytest.raises(SettingsError, match=r"growth.family: 'colour' is not a list of environment"):
        _model(_decks("a"), [], settings=replace(S.growth, family="colour"))
    table = _model(_decks("a", bar_kind=["epoxy"]), []).families_table()
    assert table["family"].tolist() == ["environment not known, epoxy, first surface"]


def test_works_lower_the_forecast_by_what_they_do():
    rng = np.random.default_rng(8)
    ids = [f"d{i:02d}" for i in range(50)]
    model = _model(_decks(*ids), _curve(ids, rng))
    done, on = date(2027, 6, 1), date(2037, 6, 1)
    without = model.forecast(ids, [on] * 50)["unsound_share"].to_numpy()

    def after(what, **more):
        got = forecast_after(model, ids, what, S.treatment, done=done, on=more.pop("on", on), **more)
        assert (got["unsound_low"] <= got["unsound_share"]).all()
        assert (got["unsound_share"] <= got["unsound_high"]).all()
        return got["unsound_share"].to_numpy()

    at_once = model.forecast(ids, [done] * 50)["unsound_share"].to_numpy()
    assert after("patch", on=done) == pytest.approx(0.05 * at_once, abs=1e-6)  # six decimals
    assert (after("patch") < without).all()
    assert (after("patch", patch_life=(10.0, 1.5)) > after("patch")).all()
    assert (after("rigid overlay") < after("patch")).mean() > 0.9
    assert (after("new deck") < without).mean() > 0.9
    with pytest.raises(SettingsError, match="'paint': not known"):
        after("paint")
    with pytest.raises(SettingsError, match="lies before the works"):
        after("patch", on=date(2026, 6, 1))

"""Growth of the unsound share: each deck's own line, drawn towards the network's.

Every deck gets an answer, and the answer says what it rests on.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.predict.damage import DAYS_PER_YEAR, deck_lives
from decknet.settings import GrowthSettings, Treatment

__all__ = ["fit_growth", "pool_rates"]

_Z80 = 1.2815515655446004  # normal quantile at 0.90; basis: published, any table of the normal distribution
_PATCHES = ("patch", "patch and seal")

Floats = NDArray[np.float64]


def pool_rates(rate: Floats, variance: Floats) -> tuple[float, float, float]:
    """Mean, its variance, and the between-deck variance of rates known with unequal precision.

    Parameters
    ----------
    rate : array, shape (n,)
        One estimate a deck, n >= 2.
    variance : array, shape (n,)
        Sampling variance of each, > 0.

    Returns
    -------
    mean, mean_var, between : float
        The weighted mean, its sampling variance, and the variance of the true rates about it, >= 0.

    References
    ----------
    published: DerSimonian and Laird (1986), Meta-analysis in clinical trials, Controlled Clinical
    Trials 7:177-188 (the moment estimator).
    """
    weight = 1.0 / variance
    fixed = float((weight * rate).sum() / weight.sum())
    spread = float((weight * (rate - fixed) ** 2).sum())
    scale = float(weight.sum() - (weight**2).sum() / weight.sum())
    between = max(0.0, (spread - (len(rate) - 1)) / scale) if scale > 0 else 0.0
    weight = 1.0 / (variance + between)
    return float((weight * rate).sum() / weight.sum()), float(1.0 / weight.sum()), between


def _assumed_rate(decks: pd.DataFrame, settings: GrowthSettings) -> Floats:
    rate = np.full(len(decks), settings.network_per_yr)
    coated = decks["bar_kind"].isin(("epoxy", "galvanised", "stainless")).to_numpy()
    benign = (decks["environment"] == "benign").to_numpy()
    rate[coated] *= settings.coated_factor
    rate[benign] *= settings.benign_factor
    return rate


def _own_lines(damage: pd.DataFrame, last_life: pd.Series, settings: GrowthSettings) -> pd.DataFrame:
    """Each deck's least-squares line over the surveys of its present life, on deck_id."""
    present = damage[damage["life"] == damage["deck_id"].map(last_life)]
    day = (present["survey_date"] - pd.Timestamp("2000-01-01")).dt.days / DAYS_PER_YEAR
    work = pd.DataFrame({"deck_id": present["deck_id"], "t": day, "y": present["damage_share"]})
    by = work.groupby("deck_id")
    out = by.agg(
        surveys=("y", "size"), t_mean=("t", "mean"), y_mean=("y", "mean"), t_min=("t", "min"), t_max=("t", "max")
    )
    dt = work["t"] - by["t"].transform("mean")
    out["sxx"] = (dt * dt).groupby(work["deck_id"]).sum()
    out["sxy"] = (dt * work["y"]).groupby(work["deck_id"]).sum()
    variance = (settings.survey_cv * out["y_mean"]) ** 2 + settings.survey_floor**2
    out["level_var"] = variance / out["surveys"]
    has_line = (out["surveys"] >= 2) & (out["t_max"] - out["t_min"] >= settings.least_span_yr)
    out["rate"] = (out["sxy"] / out["sxx"].where(out["sxx"] > 0)).where(has_line)
    out["rate_var"] = (variance / out["sxx"].where(out["sxx"] > 0)).where(has_line)
    out["repaired"] = present.groupby("deck_id")["repaired_share"].last()
    return out


def _patched_since(damage: pd.DataFrame, repairs: pd.DataFrame, decks: pd.DataFrame, overbreak: float) -> pd.Series:
    """Share made sound by patches after the last survey, on deck_id."""
    last = damage.groupby("deck_id")["survey_date"].max()
    area = (decks["length_m"] * decks["width_m"]).set_axis(decks["deck_id"])
    later = repairs[
        repairs["treatment"].isin(_PATCHES) & (repairs["repair_date"] > last.reindex(repairs["deck_id"]).to_numpy())
    ]
    share = later["area_m2"].fillna(0.0) / overbreak / area.reindex(later["deck_id"]).to_numpy(dtype="float64")
    return share.groupby(later["deck_id"]).sum()


def fit_growth(
    damage: pd.DataFrame,
    decks: pd.DataFrame,
    repairs: pd.DataFrame,
    ratings: pd.DataFrame,
    *,
    today: date,
    settings: GrowthSettings,
    treatments: dict[str, Treatment],
    overbreak: float,
) -> pd.DataFrame:
    """Unsound share today and its growth, for every deck.

    Parameters
    ----------
    damage : DataFrame
        As ``damage_ever`` gives.
    decks : DataFrame, shape (n, ...)
        deck_id, bridge_id, length_m, width_m, built_year, deck_built_year, bar_kind, environment.
    repairs, ratings : DataFrame
        Records.
    today : date
    settings, treatments, overbreak
        From ``Settings``.

    Returns
    -------
    DataFrame, shape (n, 8), in the order of ``decks``
        deck_id; share_now, share_low, share_high (fraction of the deck, with 10 and 90 % quantile);
        share_from ("survey", "works", "rating", "network", "assumption"); growth_per_yr,
        growth_low, growth_high (fraction of the deck a year); growth_from ("own surveys",
        "network", "assumption").

    Notes
    -----
    A deck's own rate is the least-squares slope of damage ever over its present life. It is drawn
    towards the network's mean rate by as much as its own scatter bids (a deck with two surveys
    close together by mere chalk marks says little); growth is never below 0. The share today is the
    deck's mean level carried to today at that rate, less what was patched.

    References
    ----------
    derived: least squares and a normal prior. published: see ``pool_rates``.
    """
    lives = deck_lives(decks, repairs)
    last = lives.groupby("deck_id").last()
    own = _own_lines(damage, last["life"], settings)
    own = own.reindex(pd.Index(decks["deck_id"]))
    assumed = _assumed_rate(decks, settings)
    rate, rate_var = own["rate"].to_numpy(dtype="float64"), own["rate_var"].to_numpy(dtype="float64")
    has_line = np.isfinite(rate) & (rate_var > 0)
    if has_line.sum() >= 2:
        mean, mean_var, between = pool_rates(rate[has_line], rate_var[has_line])
        prior = np.full(len(decks), max(mean, 0.0))
        prior_var = np.full(len(decks), max(between, 1e-10))
        prior_from = "network"
    else:
        prior, prior_var, mean_var, prior_from = assumed, assumed**2, 0.0, "assumption"
    weight = np.where(has_line, prior_var / (prior_var + np.where(has_line, rate_var, 1.0)), 0.0)
    growth = np.maximum(np.where(has_line, weight * np.nan_to_num(rate) + (1 - weight) * prior, prior), 0.0)
    growth_sd = np.sqrt(prior_var * (1 - weight) + mean_var * (1 - weight) ** 2)

    on = pd.Timestamp(today)
    t_now = (on - pd.Timestamp("2000-01-01")).days / DAYS_PER_YEAR
    ahead = t_now - own["t_mean"].to_numpy(dtype="float64")
    patched = own["repaired"].fillna(0.0) + _patched_since(damage, repairs, decks, overbreak).reindex(own.index).fillna(
        0.0
    )
    surveyed = own["surveys"].notna().to_numpy()
    level = own["y_mean"].to_numpy(dtype="float64") + growth * ahead - patched.to_numpy(dtype="float64")
    level_sd = np.sqrt(own["level_var"].to_numpy(dtype="float64") + (ahead * growth_sd) ** 2)
    share = np.clip(level, 0.0, 1.0)
    low, high = np.clip(level - _Z80 * level_sd, 0.0, 1.0), np.clip(level + _Z80 * level_sd, 0.0, 1.0)
    share_from = np.where(surveyed, "survey", "").astype(object)

    guess, guess_from = _unsurveyed_share(own, decks, last, ratings, growth, on, settings, treatments)
    share = np.where(surveyed, share, guess)
    low = np.where(surveyed, low, guess / settings.guess_spread)
    high = np.where(surveyed, high, np.minimum(np.maximum(guess, settings.survey_floor) * settings.guess_spread, 1.0))
    share_from[~surveyed] = guess_from[~surveyed]
    return pd.DataFrame(
        {
            "deck_id": decks["deck_id"].to_numpy(),
            "share_now": share,
            "share_low": low,
            "share_high": high,
            "share_from": pd.Series(share_from, dtype="str"),
            "growth_per_yr": growth,
            "growth_low": np.maximum(growth - _Z80 * growth_sd, 0.0),
            "growth_high": growth + _Z80 * growth_sd,
            "growth_from": pd.Series(np.where(has_line, "own surveys", prior_from), dtype="str"),
        }
    )


def _unsurveyed_share(
    own: pd.DataFrame, decks: pd.DataFrame, last: pd.DataFrame, ratings: pd.DataFrame, growth: Floats,
    on: pd.Timestamp, settings: GrowthSettings, treatments: dict[str, Treatment],
) -> tuple[Floats, NDArray[np.object_]]:  # fmt: skip
    """Share taken for decks with no survey in their present life, and what it rests on."""
    ids = pd.Index(decks["deck_id"])
    last = last.reindex(ids)
    age = ((on - last["start"]).dt.days / DAYS_PER_YEAR).to_numpy(dtype="float64")
    known = own["y_mean"].notna().to_numpy()
    typical = float(own["y_mean"].mean()) if known.any() else settings.network_per_yr * settings.onset_yr
    by_age = np.maximum(age - settings.onset_yr, 0.0) * growth
    guess = np.where(np.isfinite(age), by_age, typical)
    source = np.full(len(decks), "network" if known.any() else "assumption", dtype=object)

    latest = ratings.sort_values(["bridge_id", "rated_year"]).groupby("bridge_id")["deck_rating"].last()
    rating = decks["bridge_id"].map(latest).to_numpy(dtype="float64", na_value=np.nan)
    x, y = zip(*settings.rating_share, strict=True)
    rated = np.isfinite(rating)
    guess = np.where(rated, np.interp(np.nan_to_num(rating), x, y), guess)
    source[rated] = "rating"

    renewed = (last["life"] > 0).to_numpy()
    rest = last["begun_by"].map({n: t.rest_yr for n, t in treatments.items()}).fillna(0.0).to_numpy(dtype="float64")
    factor = last["begun_by"].map({n: t.growth_factor for n, t in treatments.items()}).fillna(1.0).to_numpy("float64")
    since = np.maximum(np.nan_to_num(age) - rest, 0.0) * growth * factor
    guess = np.where(renewed, since, guess)
    source[renewed] = "works"
    return np.clip(guess, 0.0, 1.0), source

"""Use cases of growth and of how repairs held: forecasts, their check, survival curves, and their drawings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.columns import RECORDS
from decknet.errors import DecknetError, RecordError
from decknet.keep import Store
from decknet.measure import survey_shares
from decknet.predict import (
    BackTest,
    Growth,
    compare,
    damage_account,
    fit_growth_model,
    fit_ratings,
    fit_weibull,
    followed_repairs,
    hold_to_surveys,
    nonparametric,
    rating_sequences,
    resampled_band,
    verdict,
)
from decknet.settings import Settings
from decknet.show.growth_plot import calibration_plot, deck_plot, holding_plot

__all__ = [
    "GROUPS",
    "Forecast",
    "Held",
    "check_growth",
    "condition_states",
    "draw_check",
    "draw_deck",
    "draw_held",
    "forecast_growth",
    "held",
]

GROUPS = ("material", "depth", "season", "temperature", "crew")
Floats = NDArray[np.float64]
_COLUMN = {"depth": "depth_class"}
_AHEAD_YR = (1, 2, 5, 10)
_FAN_YR = 15
_MOST_CURVES = 6


@dataclass(frozen=True, slots=True)
class Forecast:
    """The growth of a district.

    Attributes
    ----------
    growth : Growth
    damage : DataFrame
        Damage ever at each survey.
    repairs : DataFrame
        Records of repairs.
    decks : DataFrame
        deck_id, name; share_now, share_low, share_high, growth_per_yr, growth_low, growth_high; unsound_1yr,
        unsound_2yr and so on, with _low and _high; soonest, years_to, latest (10, 50, 90 %
        quantile of the years to the danger share of the settings), chance_10yr (of passing it).
    """

    title: str
    today: date
    growth: Growth
    damage: pd.DataFrame
    repairs: pd.DataFrame
    decks: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Held:
    """How repairs held.

    Attributes
    ----------
    followed : DataFrame
        One row a patch, as ``followed_repairs`` gives.
    counts : dict
    table : DataFrame
        By group, as ``compare`` gives; the first row is all together.
    """

    title: str
    by: str | None
    followed: pd.DataFrame
    counts: dict[str, int]
    table: pd.DataFrame


def _records(path: Path) -> tuple[str, dict[str, pd.DataFrame], pd.DataFrame]:
    with Store.open(path) as store:
        title = store.about().get("title", path.stem)
        records = {kind: store.current(kind) for kind in RECORDS if kind not in {"element_quantity", "traffic", "base"}}
    if records["deck"].empty:
        raise DecknetError(f"{path}: holds no decks yet. Bring some in with: decknet load {path.name} FILE")
    decks = records["deck"].merge(records["bridge"], on="bridge_id", how="left", suffixes=("", "_bridge"))
    decks["latitude_deg"] = decks["latitude_deg"].fillna(decks["latitude_deg_bridge"])
    return title, records, decks


def _damage(
    records: Mapping[str, pd.DataFrame], decks: pd.DataFrame, settings: Settings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    shares = survey_shares(records["survey"], records["defect"], decks)
    return damage_account(
        shares, records["repair"], decks, overbreak=settings.programme.overbreak, defects=records["defect"]
    )


def forecast_growth(path: Path, *, today: date, settings: Settings) -> Forecast:
    """Fit the growth of a district and forecast every deck without further works."""
    title, records, decks = _records(path)
    damage, sound = _damage(records, decks, settings)
    growth = fit_growth_model(
        damage, sound, decks, records["repair"], records["rating"], today=today, settings=settings.growth,
        treatments=settings.treatment,
    )  # fmt: skip
    out = growth.status()
    out.insert(1, "name", decks["name"].array)
    for years in _AHEAD_YR:
        ahead = growth.forecast(
            decks["deck_id"], pd.Series([pd.Timestamp(today) + pd.DateOffset(years=years)] * len(out))
        )
        for name in ("low", "share", "high"):
            column = f"unsound_{years}yr" if name == "share" else f"unsound_{years}yr_{name}"
            out[column] = ahead[f"unsound_{name}"].array
    limit = settings.urgent.danger_share
    until = growth.years_to(decks["deck_id"], limit)
    out["soonest"], out["years_to"], out["latest"] = (until[n].array for n in ("soonest", "expected", "latest"))
    in_ten = (pd.Timestamp(today) + pd.DateOffset(years=10)).date()
    out["chance_10yr"] = growth.chance_past(decks["deck_id"], limit, in_ten).array
    return Forecast(title, today, growth, damage, records["repair"], out)


def check_growth(path: Path, *, settings: Settings) -> tuple[BackTest, str]:
    """Hide surveys, predict them and compare; and in words, whether the surveys bear forecasts."""
    _, records, decks = _records(path)
    damage, _ = _damage(records, decks, settings)
    test = hold_to_surveys(damage, decks, records["repair"], settings=settings.growth, treatments=settings.treatment)
    return test, verdict(test)


def draw_deck(forecast: Forecast, deck_id: str) -> bytes:
    """A deck's surveys, repairs and fan as SVG.

    Raises
    ------
    RecordError
        The deck is not known.
    """
    growth = forecast.growth
    growth.rows([deck_id])
    mine = forecast.damage[forecast.damage["deck_id"] == deck_id]
    today = pd.Timestamp(forecast.today)
    start = mine["survey_date"].max() if len(mine) else today
    dates = pd.Series(pd.date_range(min(start, today), today + pd.DateOffset(years=_FAN_YR), periods=80)).dt.floor("D")
    fan = growth.forecast([deck_id] * len(dates), dates)
    named = forecast.decks.set_index("deck_id")["name"].get(deck_id)
    title = f"{deck_id} {named}" if isinstance(named, str) else deck_id
    repairs = forecast.repairs[forecast.repairs["deck_id"] == deck_id]
    return deck_plot(title, mine, repairs, fan, today=today)


def draw_check(test: BackTest) -> bytes:
    """The calibration plot of hidden last surveys as SVG."""
    last = test.surveys[test.surveys["trial"] == "last survey"] if len(test.surveys) else test.surveys
    if last.empty:
        raise RecordError("No survey could be hidden and predicted: a deck with two surveys or more is needed.")
    return calibration_plot(last["pit"].to_numpy(dtype="float64"), float(last["in_decknet"].mean()))


def held(path: Path, *, by: str | None, settings: Settings) -> Held:
    """Follow repairs through later surveys, and compare groups.

    Raises
    ------
    RecordError
        The group is not known, or no repair was looked at again.
    """
    if by is not None and by not in GROUPS:
        raise RecordError(f"by {by!r}: not a group. Known: {', '.join(GROUPS)}.")
    title, records, decks = _records(path)
    shares = survey_shares(records["survey"], records["defect"], decks)
    followed, counts = followed_repairs(
        records["repair"], records["survey"], shares, records["defect"], decks, settings.survival
    )
    if followed.empty:
        raise RecordError(
            f"{path}: none of {counts['patches']} patches has been looked at by a later survey that says whether it "
            "held. Sound patched decks again, and write down failed patches."
        )
    table = compare(followed, None, settings.survival)
    if by is not None:
        table = pd.concat([table, compare(followed, _COLUMN.get(by, by), settings.survival)], ignore_index=True)
    return Held(title, by, followed, counts, table)


def draw_held(answer: Held, settings: Settings, *, seed: int = 0) -> bytes:
    """Survival curves as SVG: the nonparametric one with its band, and a Weibull curve for each group."""
    left, right = (answer.followed[n].to_numpy(dtype="float64") for n in ("left_yr", "right_yr"))
    last = float(max(left.max(), right[np.isfinite(right)].max(initial=0.0)))
    at = np.linspace(0.0, last, 120)
    code = np.asarray(pd.factorize(answer.followed["deck_id"])[0], dtype=np.int64)
    curve = nonparametric(left, right)
    low, high = resampled_band(left, right, code, at, np.random.default_rng(seed), settings.survival.resamples)
    curves: list[tuple[str, Floats, Floats, Floats | None, Floats | None]] = [
        ("all, no form assumed (steps)", at, curve.holding(at), low, high)
    ]
    column = _COLUMN.get(answer.by or "", answer.by or "")
    groups = [("all, Weibull", answer.followed)] if answer.by is None else list(answer.followed.groupby(column))
    for name, part in sorted(groups, key=lambda g: -len(g[1]))[:_MOST_CURVES]:
        l, r = (part[n].to_numpy(dtype="float64") for n in ("left_yr", "right_yr"))  # noqa: E741
        if np.isfinite(r).sum() < 2:
            continue
        fit = fit_weibull(l, r, cluster=np.asarray(pd.factorize(part["deck_id"])[0], dtype=np.int64))
        few = ", few" if np.isfinite(r).sum() < settings.survival.few_failures else ""
        wide = answer.by is None
        curves.append(
            (
                f"{name} ({len(part)} patches{few})",
                at,
                fit.holding(at),
                fit.holding(at, -1.2816) if wide else None,
                fit.holding(at, 1.2816) if wide else None,
            )
        )
    return holding_plot(f"{answer.title}: did patches hold?", curves)


def condition_states(path: Path, *, settings: Settings) -> pd.DataFrame:
    """How deck ratings worsen, by family: for districts with ratings and next to no surveys.

    Returns
    -------
    DataFrame, one row a family and rating
        family, bridges, steps (pairs of ratings), rating (9 to 1), leave_per_yr (rate of leaving it for
        the next lower), years (mean time in it), misread (chance that a rater is off by one).

    Raises
    ------
    RecordError
        There are too few ratings to follow.
    """
    _, records, decks = _records(path)
    ratings = records["rating"].sort_values(["bridge_id", "rated_year"]).reset_index(drop=True)
    first = decks.drop_duplicates("bridge_id").set_index("bridge_id")
    kinds = first[["environment", "bar_kind"]].astype("object").fillna("not known")
    family = (kinds["environment"] + ", " + kinds["bar_kind"]).reindex(ratings["bridge_id"]).fillna("not known")
    family = family.reset_index(drop=True)
    size = ratings.groupby(family)["bridge_id"].transform("nunique")
    family = family.where(size >= settings.growth.least_decks, "all other families")
    works = records["repair"].merge(decks[["deck_id", "bridge_id"]], on="deck_id")
    done = pd.DataFrame(
        {"who": works["bridge_id"], "when_yr": works["repair_date"].dt.year + works["repair_date"].dt.day_of_year / 366}
    )
    out = []
    for name in sorted(family.unique()):
        mine = ratings[family == name].reset_index(drop=True)
        state = 9 - mine["deck_rating"].to_numpy(dtype=np.int64)
        when = mine["rated_year"].to_numpy(dtype=np.float64) + 0.5
        run = rating_sequences(mine["bridge_id"], when, state.astype(np.float64), done)
        if len(run) - run.max(initial=-1) - 1 < settings.growth.least_decks:
            continue
        fit = fit_ratings(run, when, state, 10)
        bridges = mine["bridge_id"].nunique()
        out += [
            {
                "family": name, "bridges": bridges, "steps": fit.pairs, "rating": 9 - better,
                "leave_per_yr": fit.rates[better], "years": 1 / fit.rates[better], "misread": fit.misread,
            }
            for better in range(9)
        ]  # fmt: skip
    if not out:
        raise RecordError(
            f"{path}: too few deck ratings follow each other. Bring in inventories of several years: "
            f"decknet load {path.name} FILE"
        )
    return pd.DataFrame(out)

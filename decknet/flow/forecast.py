"""Use cases of growth and of how repairs held: forecasts, their check, survival curves, and their drawings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import RecordError
from decknet.predict import (
    SEASONS,
    BackTest,
    Growth,
    compare,
    fit_weibull,
    nonparametric,
    resampled_band,
    temperature_classes,
    verdict,
)
from decknet.settings import Settings
from decknet.show.growth_plot import calibration_plot, deck_plot, holding_plot

if TYPE_CHECKING:
    from decknet.flow.condition import Condition

__all__ = [
    "GROUPS",
    "Forecast",
    "Held",
    "PastForecasts",
    "asked_days",
    "draw_check",
    "draw_deck",
    "draw_held",
    "forecast_growth",
    "held",
    "in_words",
    "past_forecasts",
    "read_days",
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
        unsound_2yr and so on, with _low and _high; reading_low, reading_high (of what a survey of today would read,
        whichever crew goes), reading_1yr_low and so on; soonest, years_to, latest (10, 50, 90 %
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


@dataclass(frozen=True, slots=True)
class PastForecasts:
    """How good forecasts have been in this district.

    Attributes
    ----------
    words : str
        The verdict, in two sentences.
    surveys : int
        Surveys that were taken from the records and predicted (each deck's last).
    covered_80 : float, 0 to 1
        Part of them inside the 80 % range of the next reading; NaN where there are none.
    methods, families, horizons, levels, worst : DataFrame
        ``BackTest.table``: by method, by family and by years ahead; ``BackTest.levels``; ``BackTest.worst``. All empty
        where no survey could be taken away.
    plot : bytes
        The calibration plot as SVG; empty where there is none.
    test : BackTest
    """

    words: str
    surveys: int
    covered_80: float
    methods: pd.DataFrame
    families: pd.DataFrame
    horizons: pd.DataFrame
    levels: pd.DataFrame
    worst: pd.DataFrame
    plot: bytes
    test: BackTest


def forecast_growth(condition: Condition) -> Forecast:
    """The growth of a district, and a forecast of every deck without further works."""
    decks, growth, today = condition.decks, condition.growth, pd.Timestamp(condition.today)
    out = growth.status()
    out.insert(1, "name", decks["name"].array)
    now = growth.forecast(decks["deck_id"], pd.Series([today] * len(out)))
    out["reading_low"], out["reading_high"] = now["reading_low"].array, now["reading_high"].array
    for years in _AHEAD_YR:
        ahead = growth.forecast(decks["deck_id"], pd.Series([today + pd.DateOffset(years=years)] * len(out)))
        for name in ("low", "share", "high"):
            column = f"unsound_{years}yr" if name == "share" else f"unsound_{years}yr_{name}"
            out[column] = ahead[f"unsound_{name}"].array
        for name in ("low", "high"):
            out[f"reading_{years}yr_{name}"] = ahead[f"reading_{name}"].array
    limit = condition.settings.urgent.danger_share
    until = growth.years_to(decks["deck_id"], limit)
    out["soonest"], out["years_to"], out["latest"] = (until[n].array for n in ("soonest", "expected", "latest"))
    in_ten = (today + pd.DateOffset(years=10)).date()
    out["chance_10yr"] = growth.chance_past(decks["deck_id"], limit, in_ten).array
    return Forecast(condition.title, condition.today, growth, condition.account[0], condition.repairs, out)


def past_forecasts(condition: Condition) -> PastForecasts:
    """Everything a page on past forecasts shows, from one back-test."""
    test = condition.back_test
    words = verdict(test)
    if test.surveys.empty:
        none = pd.DataFrame()
        return PastForecasts(words, 0, float("nan"), none, none, none, none, none, b"", test)
    return PastForecasts(
        words, len(test.surveys), float(test.surveys["in_decknet"].mean()), test.table(), test.table("family"),
        test.table("horizon"), test.levels(), test.worst(), draw_check(test), test,
    )  # fmt: skip


def read_days(path: Path) -> pd.DataFrame:
    """Decks and days that are asked about, from a CSV file; every cell as text.

    Raises
    ------
    RecordError
        The file cannot be read as a table.
    """
    try:
        return pd.read_csv(path, dtype="str", encoding="utf-8-sig")
    except (OSError, ValueError) as why:
        remedy = "Give a CSV with the columns deck_id, date and, where known, crew."
        raise RecordError(f"{path}: cannot be read as a table ({why}). {remedy}") from why


def asked_days(condition: Condition, asked: pd.DataFrame) -> pd.DataFrame:
    """Both ranges of decks on days of their own.

    Parameters
    ----------
    condition : Condition
    asked : DataFrame
        deck_id, date (text, ISO 8601); crew where it is known which goes.

    Returns
    -------
    DataFrame, in the order of ``asked``
        deck_id, date, crew; crew_known (bool: it has been out before); unsound_low, unsound_share, unsound_high:
        where the
        true share lies; reading_low, reading_share, reading_high: what a survey of that day reads.

    Raises
    ------
    RecordError
        A column is missing, a date is none, or a deck is not known.
    """
    for name in ("deck_id", "date"):
        if name not in asked:
            raise RecordError(f"column {name!r}: missing. Days are asked by deck_id, date and, where known, crew.")
    days = pd.to_datetime(asked["date"], format="%Y-%m-%d", errors="coerce")
    if days.isna().any():
        at = int(np.flatnonzero(days.isna())[0])
        raise RecordError(f"row {at + 1}: {asked['date'].iloc[at]!r} is not a date. Write it as 2026-05-31.")
    crew = asked["crew"] if "crew" in asked else pd.Series(pd.NA, index=asked.index, dtype="str")
    out = condition.growth.on_days(asked["deck_id"], days, crew)
    out.insert(1, "date", days.dt.strftime("%Y-%m-%d").array)
    return out


def in_words(condition: Condition) -> str:
    """Whether the surveys bear forecasts, in two sentences."""
    return verdict(condition.back_test)


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
    """The calibration plot of each deck's last survey, taken away, as SVG."""
    last = test.surveys
    if last.empty:
        raise RecordError("No survey could be hidden and predicted: a deck with two surveys or more is needed.")
    return calibration_plot(last["pit"].to_numpy(dtype="float64"), float(last["in_decknet"].mean()))


def held(condition: Condition, *, by: str | None) -> Held:
    """Repairs followed through later surveys, and groups of them compared.

    Raises
    ------
    RecordError
        The group is not known, or no repair was looked at again.
    """
    if by is not None and by not in GROUPS:
        raise RecordError(f"by {by!r}: not a group. Known: {', '.join(GROUPS)}.")
    settings, (followed, counts) = condition.settings, condition.patches
    if followed.empty:
        raise RecordError(
            f"{condition.path}: none of {counts['patches']} patches has been looked at by a later survey that says "
            "whether it held. Sound patched decks again, and write down failed patches."
        )
    table = compare(followed, None, settings.survival)
    if by is not None:
        groups = compare(followed, _COLUMN.get(by, by), settings.survival)
        order = {"season": list(SEASONS), "temperature": temperature_classes(settings.survival)}.get(by)
        place = groups["group"].map({n: i for i, n in enumerate(order)}) if order else -groups["repairs"]
        groups = groups.iloc[place.to_numpy(dtype="float64", na_value=np.inf).argsort(kind="stable")]
        table = pd.concat([table, groups], ignore_index=True)
    return Held(condition.title, by, followed, counts, table)


def draw_held(answer: Held, settings: Settings, *, seed: int = 0) -> bytes:
    """Survival curves as SVG: the nonparametric one with its band, and a Weibull curve for each group."""
    few = settings.survival.few_failures
    left, right = (answer.followed[n].to_numpy(dtype="float64") for n in ("left_yr", "right_yr"))
    looked = np.sort(np.where(np.isfinite(right), right, left))
    # Where fewer are still followed, one patch more or less would move the curve.
    last = float(looked[-min(few, len(looked))])
    at = np.linspace(0.0, last, 120)
    code = np.asarray(pd.factorize(answer.followed["deck_id"])[0], dtype=np.int64)
    curve = nonparametric(left, right)
    low, high = resampled_band(left, right, code, at, np.random.default_rng(seed), settings.survival.resamples)
    curves: list[tuple[str, Floats, Floats, Floats | None, Floats | None]] = [
        ("all, as seen (10 to 90 % shaded) (steps)", at, curve.holding(at), low, high)
    ]
    column = _COLUMN.get(answer.by or "", answer.by or "")
    named = dict(list(answer.followed.fillna({column: "not known"}).groupby(column))) if answer.by else {}
    groups = answer.table[answer.table["failed"] >= 2]
    for row in (groups.iloc[:1] if answer.by is None else groups.iloc[1 : 1 + _MOST_CURVES]).itertuples():
        part = answer.followed if answer.by is None else named[row.group]
        own_left, own_right = (part[n].to_numpy(dtype="float64") for n in ("left_yr", "right_yr"))
        fit = fit_weibull(own_left, own_right, cluster=np.asarray(pd.factorize(part["deck_id"])[0], dtype=np.int64))
        upto = at if answer.by is None else np.linspace(0.0, min(float(row.last_yr), last), 120)
        whole = answer.by is None
        name = "all, smooth (Weibull)" if whole else f"{row.group}: {row.repairs} patches{', few' if row.note else ''}"
        curves.append(
            (
                name, upto, fit.holding(upto), fit.holding(upto, -1.2816) if whole else None,
                fit.holding(upto, 1.2816) if whole else None,
            )
        )  # fmt: skip
    years = np.arange(0.0, last + 1e-9, 2.0 if last > 5 else 1.0)
    still = (years, (looked[None, :] > years[:, None]).sum(axis=1))
    by = f", by {answer.by}" if answer.by else ""
    return holding_plot(f"{answer.title}: did patches hold{by}?", curves, still=still)

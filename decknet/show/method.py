"""What the document says of itself: how good forecasts have been, how figures are made, on what they rest."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import pandas as pd

from decknet import digits
from decknet.settings import Settings, Treatment, describe, weights_of
from decknet.show import words
from decknet.show.charts import forecast_chart
from decknet.show.listing import listing, short

__all__ = ["MEANS", "MEANS_NOT", "Past", "Patches", "method", "past_forecasts"]

MOST_WORST = 6
_METHODS = {
    "decknet": "The forecast used here",
    "last value": "The last survey, carried forward",
    "own line": "A line through the deck's own surveys",
    "line through the last two": "A line through its last two surveys",
    "family curve": "The mean curve of like decks",
}
# What decides most; every other setting stands in the workbook.
_SETTINGS = (
    ("rank", "value_share"), ("rank", "value_growth"), ("rank", "value_traffic"), ("urgent", "danger_share"),
    ("growth", "survey_cv"), ("growth", "shared_cv"), ("growth", "onset_yr"), ("growth", "rating_share"),
    ("growth", "network_per_yr"), ("programme", "discount_per_yr"), ("programme", "horizon_yr"),
    ("programme", "overbreak"), ("programme", "traffic_power"), ("programme", "exposure_cost"),
    ("programme", "past_share"), ("programme", "route_set_up"), ("closure", "user_cost_share"),
    ("closure", "car_per_h"), ("closure", "truck_per_h"),
)  # fmt: skip


class Past(Protocol):
    """Forecasts held against what came, as the document reads them.

    ``words`` the verdict; ``surveys`` hidden and predicted; ``covered_80`` part inside the 80 % interval; ``methods``
    (method, surveys, covered_80, crps, mean_miss), ``horizons`` (horizon besides), ``worst`` (deck_id, survey_date,
    found, expected, low, high); ``levels`` (level, surveys, expected, found, too_high, too_high_se); ``plot`` SVG;
    ``test.surveys`` (trial, expected, low, high, found), one row a hidden survey.
    """

    @property
    def words(self) -> str: ...
    @property
    def surveys(self) -> int: ...
    @property
    def covered_80(self) -> float: ...
    @property
    def methods(self) -> pd.DataFrame: ...
    @property
    def horizons(self) -> pd.DataFrame: ...
    @property
    def worst(self) -> pd.DataFrame: ...
    @property
    def plot(self) -> bytes: ...
    @property
    def levels(self) -> pd.DataFrame: ...
    @property
    def test(self) -> Any: ...


class Patches(Protocol):
    """How patches held: ``table`` (first row all together: repairs, failed, half_yr, half_low, half_high), ``plot``."""

    @property
    def table(self) -> pd.DataFrame: ...
    @property
    def plot(self) -> bytes: ...


MEANS = (
    "Which decks the records say are worst, which grow fastest, and where money does most by the measure stated.",
    "Costs and areas for budgets, at the unit costs printed here.",
    "How close the programme is to the best possible, given these records, settings and limits.",
)
MEANS_NOT = (
    "That a deck not listed, or listed late, is sound or safe. The records may be old, partial or wrong.",
    (
        "That a share is exact. Crews differ widely on the same deck; shares and growth are expectations with wide "
        "doubt, widest where no survey stands behind them."
    ),
    "What is under the deck: soffit, beams, joints and bearings are not judged here.",
    "A contract quantity, a design, or leave to start work.",
)


def past_forecasts(past: Past | None, patches: Patches | None, width_mm: float) -> dict[str, Any]:
    """How good the forecasts have been, and whether patches held.

    Parameters
    ----------
    past : Past or None
    patches : Patches or None
    width_mm : float, mm
        Between the margins.
    """
    if past is None:
        told = ["Past forecasts have not been held against what came for this report."]
        return {"past_words": told, "past_charts": [], "past": [], **_patches(patches)}
    told = [
        (
            "Each deck's last survey was hidden, forecast from the earlier ones, and held against what the crew then "
            f"found. {short(past.words)}"
        )
    ]
    if not past.surveys:
        return {"past_words": told, "past_charts": [], "past": [], **_patches(patches)}
    charts = []
    hidden = past.test.surveys
    hidden = hidden[hidden["trial"] == "last survey"] if len(hidden) else hidden
    if len(hidden):
        expected, low, high, found = (
            hidden[n].to_numpy(dtype=np.float64) for n in ("expected", "low", "high", "found")
        )
        inside = (found >= low - 1e-12) & (found <= high + 1e-12)
        charts.append(
            {
                "svg": forecast_chart(expected, low, high, found, width_mm=width_mm / 2 - 3).decode(),
                "words": f"Forecast against found. {digits.count(inside.sum())} of {digits.count(len(found))} hidden "
                "surveys lay inside their 80 % range (filled), the others outside (hollow).",
            }
        )
    if past.plot:
        charts.append(
            {
                "svg": past.plot.decode(),
                "words": "Where each hidden survey fell in its forecast, from lowest to highest. Even bars, inside the "
                "grey band, are what honest forecasts give; tall ends would be ranges too narrow.",
            }
        )
    tables = [
        {
            "words": "The same surveys predicted in simpler ways. The score is in points of deck share: a miss counts "
            "the more the surer the forecast was; lower is better. Inside: part that fell inside the 80 % range.",
            "table": _methods(past.methods),
        }
    ]
    if len(past.horizons):
        rows = [
            [
                short(r["horizon"]), digits.count(r["surveys"]), digits.percent(r["covered_80"]),
                digits.score(r["mean_miss"]), digits.score(r["crps"]),
            ]
            for r in past.horizons[past.horizons["method"] == "decknet"].to_dict("records")
        ]  # fmt: skip
        heads = ("Ahead of the last survey known", "Surveys", "Inside", "Mean miss (points)", "Score (points)")
        tables.append(
            {
                "words": "By how far ahead the forecast looked.",
                "table": listing(heads, "lrrrr", ("2fr", "1fr", "1fr", "1.2fr", "1.2fr"), rows),
            }
        )
    if len(past.levels):
        tables.append({"words": "By the share forecast: whether forecasts run high or low.", "table": _levels(past)})
    if len(past.worst) and "deck_id" in past.worst.columns:
        tables.append(
            {
                "words": "Hidden surveys furthest from what was expected: look first at whether the record is right.",
                "table": _worst(past.worst.head(MOST_WORST)),
            }
        )
    return {"past_words": told, "past_charts": charts, "past": tables, **_patches(patches)}


def _methods(found: pd.DataFrame) -> dict[str, Any]:
    by = found.set_index("method")
    rows = [
        [
            shown, digits.count(by.loc[name, "surveys"]), digits.percent(by.loc[name, "covered_80"]),
            digits.score(by.loc[name, "mean_miss"]), digits.score(by.loc[name, "crps"]),
        ]
        for name, shown in _METHODS.items()
        if name in by.index
    ]  # fmt: skip
    headers = ("Way to forecast", "Surveys", "Inside", "Mean miss (points)", "Score (points)")
    return listing(headers, "lrrrr", ("2fr", "1fr", "1fr", "1.2fr", "1.2fr"), rows)


def _levels(past: Past) -> dict[str, Any]:
    rows = [
        [
            short(r["level"]), digits.count(r["surveys"]), words.figure(r["expected"], "share"),
            words.figure(r["found"], "share"),
            digits.signed(r["too_high"], digits.score), digits.score(r["too_high_se"]),
        ]
        for r in past.levels.to_dict("records")
    ]  # fmt: skip
    headers = (
        "Share forecast", "Surveys", "Forecast, mean (%)", "Found, mean (%)", "Forecast too high by (points)",
        "give or take (points)",
    )  # fmt: skip
    return listing(headers, "lrrrrr", ("1.3fr", "0.7fr", "1fr", "1fr", "1.2fr", "1fr"), rows)


def _worst(worst: pd.DataFrame) -> dict[str, Any]:
    rows = [
        [
            short(r["deck_id"]), words.figure(r.get("survey_date"), "date"), short(r.get("crew") or words.MISSING, 60),
            words.figure(r["found"], "share"), words.figure(r["expected"], "share"),
            f"{words.figure(r['low'], 'share')} to {words.figure(r['high'], 'share')}",
        ]
        for r in worst.astype({"deck_id": "str"}).to_dict("records")
    ]  # fmt: skip
    headers = ("Deck", "Survey", "Crew", "Found (%)", "Forecast (%)", "80 % range (%)")
    return listing(headers, "lllrrr", ("1fr", "1fr", "1.5fr", "1fr", "1fr", "1.3fr"), rows)


def _patches(patches: Patches | None) -> dict[str, Any]:
    if patches is None or not len(patches.table):
        return {"patch_words": "", "patch_chart": None}
    row = patches.table.iloc[0]
    many, failed = int(row["repairs"]), int(row["failed"])
    told = (
        f"{digits.counted(many, 'patch was', 'patches were')} looked at again by a later survey; "
        f"{digits.count(failed)} of them had failed by then (a set part of the patch found unsound again)."
    )
    if pd.notna(row["half_yr"]) and np.isfinite(row["half_yr"]):
        told += (
            f" Half of all patches are expected to fail within {digits.years(row['half_yr'])} years "
            f"(80 % range {digits.span(row['half_low'], row['half_high'], digits.years)})."
        )
    return {"patch_words": told, "patch_chart": patches.plot.decode() if patches.plot else None}


def method(settings: Settings, today: str) -> dict[str, Any]:
    """How figures are made, what they rest on, and what they do and do not mean."""
    rank, plan, urgent = settings.rank, settings.programme, settings.urgent
    weighed = ", ".join(f"{name} {digits.percent(w)}" for name, w in weights_of(rank).items() if w)
    told = [
        (
            "Records",
            (
                "Surveys, repairs, counts and inventories as brought in, each row checked against the rules of the "
                "manual; a row refused is kept with its reason and counts nowhere. A corrected row takes the place of "
                f"the older one. Figures stand for {today}."
            ),
        ),
        (
            "Shares",
            (
                "Unsound concrete is what a survey finds delaminated, spalled, holed, with bars exposed, or in failed "
                "patches; where areas were drawn, overlaps count once, and what lies outside the deck does not count. "
                "A share is of the area surveyed. Damage ever is the share of the first concrete gone unsound so far, "
                "repaired or not: it never falls."
            ),
        ),
        (
            "Growth",
            (
                "Every deck's damage ever is followed by two models, one straight at its own pace and one bending with "
                "age, blended by how well each has forecast like decks. Decks borrow from their family (exposure, "
                "bars, first surface or overlay) the less, the more surveys they have. Crews and methods that find "
                "more or less than others are allowed for. A deck with no survey is read from its deck rating, else "
                "from its family. The 80 % range is widened until it holds four in five of past surveys."
            ),
        ),
        (
            "Rank",
            (
                f"Priority from 0 to 100 adds points for what weighs: {weighed}. Each is read off a curve that does "
                "not depend on the decks ranked. Ranges of rank hold four in five of "
                f"{digits.count(rank.draws)} draws of share, growth and traffic."
            ),
        ),
        (
            "Act now",
            (
                f"An open hole ({digits.counted(urgent.hole_days, 'day')} to respond), exposed bars "
                f"({digits.counted(urgent.bar_days, 'day')}), a repair whose opening to traffic is not on record "
                f"({digits.counted(urgent.opening_days, 'day')} after its cure) or a "
                f"share of {digits.percent_given(urgent.danger_share)} and more "
                f"({digits.counted(urgent.danger_days, 'day')}), whatever the rank."
            ),
        ),
        (
            "Programme",
            (
                "Which deck gets which treatment in which year is chosen so that the unsound deck avoided over "
                f"{plan.horizon_yr} years is greatest, within each year's money and crew days. A square metre counts "
                f"for more where traffic is greater (to the power {digits.given(plan.traffic_power)}), and for less "
                "the later it "
                f"is (discount {digits.percent_given(plan.discount_per_yr)} a year). Agency cost avoided after the "
                "last year "
                f"counts at {digits.given(plan.exposure_cost)} {settings.currency} a m²·yr. Decks of one "
                "route in one year share part of their set-up. The distance from the best possible is proven, "
                "not estimated."
            ),
        ),
        (
            "Quantities and closures",
            (
                f"Each square metre found unsound is taken as {digits.factor(plan.overbreak)} m² broken out, or as "
                "the limits round what stands as drawn. For each work the closure (night, day, weekend "
                "or continuous) and the material are taken that cost least with a part of what road users lose "
                "in the queue."
            ),
        ),
    ]
    coin = settings.currency
    headers = (
        "Treatment", "For shares (%)", f"Set-up ({coin})", f"{coin}/m² deck", f"{coin}/m² repair", "Life (yr)", "Basis",
    )  # fmt: skip
    rows = [_treatment(t) for t in settings.treatment.values()]
    notes = [short(t.source) for t in settings.treatment.values()]
    widths = ("1.5fr", "1fr", "1fr", "0.9fr", "0.9fr", "0.7fr", "0.8fr")
    treatments = listing(headers, "lrrrrrl", widths, rows, notes=notes)
    return {
        "method": [[a, b] for a, b in told], "treatments": treatments, "settings": _settings(settings),
        "means": list(MEANS), "means_not": list(MEANS_NOT),
    }  # fmt: skip


def _settings(settings: Settings) -> dict[str, Any]:
    """The settings that decide most, with their basis."""
    wanted = {key: k for k, key in enumerate(_SETTINGS)}
    found = [row for row in describe(settings) if (row[0], row[1]) in wanted]
    found.sort(key=lambda row: wanted[row[0], row[1]])
    rows = []
    for _, _, value, unit, meaning, why in found:
        of = unit.replace("currency", settings.currency).replace("m2", "m²")
        rows.append([short(meaning), _value(value), of, short(why)])
    headers = ("What is set", "Value", "Unit", "Basis and source")
    return listing(headers, "lrll", ("1.5fr", "1.1fr", "0.9fr", "1.8fr"), rows)


def _value(value: Any) -> str:
    if isinstance(value, tuple):
        return "; ".join(f"{_plain(a)}: {_plain(b)}" for a, b in value)
    return _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, bool | str):
        return str(value)
    return digits.given(value)


def _treatment(t: Treatment) -> list[str]:
    return [
        short(t.label),
        f"{digits.given(100 * t.share_min)} to {digits.given(100 * t.share_max)}",
        digits.given(t.set_up),
        digits.given(t.per_deck_m2),
        digits.given(t.per_repair_m2),
        digits.given(t.life_yr),
        t.basis,
    ]

"""Settings of ranking, traffic, what cannot wait and what to sound next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from decknet.errors import SettingsError
from decknet.settings.item import Curve, item

__all__ = [
    "RankSettings",
    "SoundingSettings",
    "TrafficSettings",
    "UrgentSettings",
    "relative_weights",
    "reweighted",
    "weights_fault",
    "weights_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class RankSettings:
    """Priority: weights and value curves; and how sure its order is."""

    weight_share: float = item(0.45, "", "Weight of the unsound share.", "assumption", low=0, high=1)
    weight_growth: float = item(0.30, "", "Weight of growth.", "assumption", low=0, high=1)
    weight_traffic: float = item(0.25, "", "Weight of traffic.", "assumption", low=0, high=1)
    weight_trucks: float = item(0.0, "", "Weight of the share of trucks.", "assumption", low=0, high=1)
    weight_detour: float = item(0.0, "", "Weight of the detour.", "assumption", low=0, high=1)
    weight_bars: float = item(0.0, "", "Weight of bars found exposed.", "assumption", low=0, high=1)
    weight_posted: float = item(0.0, "", "Weight of a posted load limit.", "assumption", low=0, high=1)
    weight_soffit: float = item(
        0.0, "", "Weight of the unsound share of the soffit, where records hold it.", "assumption", low=0, high=1
    )
    weight_area: float = item(0.0, "", "Weight of the deck's area.", "assumption", low=0, high=1)
    value_share: Curve = item(
        ((0, 0), (0.02, 0.15), (0.10, 0.55), (0.25, 0.90), (0.40, 1.0)),
        "share, 0 to 1",
        "Value of the unsound share.",
        "memory",
        "bends at treatment thresholds in agency use: 2 % consider repair (Washington State DOT, SR 283 page, 2006), "
        "10 % overlay, 25 to 40 % replacement (several manuals, from memory)",
    )
    value_growth: Curve = item(
        ((0, 0), (0.005, 0.25), (0.02, 0.80), (0.04, 1.0)), "share/yr, 0 to 1", "Value of growth.", "assumption"
    )
    value_traffic: Curve = item(
        ((0, 0), (500, 0.15), (2_000, 0.35), (10_000, 0.75), (40_000, 1.0)),
        "veh/day, 0 to 1",
        "Value of traffic.",
        "assumption",
    )
    value_trucks: Curve = item(
        ((0, 0), (0.05, 0.3), (0.15, 0.7), (0.40, 1.0)), "share, 0 to 1", "Value of the share of trucks.", "assumption"
    )
    value_detour: Curve = item(
        ((0, 0), (5, 0.2), (20, 0.6), (100, 1.0)), "km, 0 to 1", "Value of the detour.", "assumption"
    )
    value_bars: Curve = item(
        ((0, 0), (0.5, 0.5), (5, 1.0)), "m2, 0 to 1", "Value of the area with bars exposed.", "assumption"
    )
    value_posted: Curve = item(
        ((0, 0), (1, 1.0)), "0 or 1, 0 to 1", "Value of a posted load limit (1 where posted).", "assumption"
    )
    value_soffit: Curve = item(
        ((0, 0), (0.02, 0.2), (0.10, 0.6), (0.25, 1.0)),
        "share, 0 to 1",
        "Value of the unsound share of the soffit.",
        "memory",
        "bends at 2, 10 and 25 % in one state's preservation matrix",
    )
    value_area: Curve = item(
        ((0, 0), (200, 0.2), (1_000, 0.6), (5_000, 1.0)), "m2, 0 to 1", "Value of the deck's area.", "assumption"
    )
    value_unknown: float = item(
        0.25, "0 to 1", "Value taken where trucks and the like are not known of a deck.", "assumption", low=0, high=1
    )
    by: str = item(
        "sum",
        "",
        "How values become a priority: sum (weighted sum) or distance (near the worst on every count, far from the "
        "best: the method called TOPSIS, on the same fixed curves).",
        "own words",
    )
    first: int = item(20, "decks", "The first so many, for the chance of belonging to them.", "own words", low=1)
    draws: int = item(
        1_000,
        "",
        "Draws of share, growth and traffic behind ranges of rank.",
        "derived",
        "the error of a chance from m draws is at most 0.98 / sqrt(m) with 95 % confidence: 0.03 for 1,000",
        low=20,
        high=100_000,
    )
    seed: int = item(1, "", "Seed of the draws; the same seed gives the same ranges.", "own words", low=0)
    share_with_growth: float = item(
        0.5, "", "Correlation of the errors of a deck's share and of its growth.", "assumption", low=0, high=0.99
    )
    count_spread: float = item(
        1.15,
        "",
        "A counted traffic may be this many times smaller or larger (10 to 90 %).",
        "assumption",
        low=1,
        high=20,
    )
    old_spread: float = item(1.4, "", "The same of an old or undated count.", "assumption", low=1, high=20)
    filled_spread: float = item(
        2.5, "", "The same of a traffic filled in without a count.", "assumption", low=1, high=20
    )
    told_apart: float = item(
        0.8,
        "",
        "Two decks are told apart where the chance that one stands before the other is at least this.",
        "own words",
        low=0.5,
        high=0.999,
    )
    unsure: str = item(
        "none",
        "",
        "What is unsure of the weights: none; range (each within a part of itself); order (only which weighs "
        "more); any (nothing is known but what counts).",
        "own words",
    )
    unsure_part: float = item(
        0.3, "", "With unsure = range: each weight may be this part of itself off.", "own words", low=0.001, high=1
    )


def weights_of(rank: RankSettings) -> dict[str, float]:
    """Every weight by the name of what it weighs.

    Examples
    --------
    >>> [name for name, w in weights_of(RankSettings()).items() if w]
    ['share', 'growth', 'traffic']
    """
    return {
        f.name.removeprefix("weight_"): float(getattr(rank, f.name))
        for f in fields(rank)
        if f.name.startswith("weight_")
    }


def weights_fault(rank: RankSettings) -> str:
    """What is wrong with the weights; empty where they add up to 1 and none is below 0."""
    weights = weights_of(rank)
    if bad := [f"weight_{n} is {w:g}" for n, w in weights.items() if not 0 <= w <= 1]:
        return f"{bad[0]}, and must be 0 to 1. Correct it."
    total = sum(weights.values())
    if abs(total - 1.0) <= 1e-9:
        return ""
    used = ", ".join(f"weight_{n} {w:g}" for n, w in weights.items() if w)
    return f"the weights add up to {total:g}, and must add up to 1. Correct weight_share and the like ({used})."


def _known(given: Mapping[str, float], rank: RankSettings) -> None:
    known = weights_of(rank)
    for name, value in given.items():
        if name not in known:
            raise SettingsError(f"weight {name}: nothing of that name is weighed. Known: {', '.join(known)}.")
        if not 0 <= value < float("inf"):
            raise SettingsError(f"weight {name}={value:g}: a weight is a number, 0 or more. Correct it.")


def _with(rank: RankSettings, weights: Mapping[str, float]) -> RankSettings:
    changes: dict[str, Any] = {f"weight_{n}": w for n, w in weights.items()}
    return replace(rank, **changes)


def reweighted(rank: RankSettings, given: Mapping[str, float]) -> RankSettings:
    """Settings with some weights as given; the others keep their proportions and fill the rest up to 1.

    Raises
    ------
    SettingsError
        A name is not known, or the weights given leave no way to add up to 1; the message says their sum.

    Examples
    --------
    >>> w = weights_of(reweighted(RankSettings(), {"traffic": 0.5}))
    >>> round(w["share"], 9), round(w["growth"], 9), w["traffic"]
    (0.3, 0.2, 0.5)
    """
    _known(given, rank)
    now = weights_of(rank)
    total = sum(given.values())
    others = sum(w for n, w in now.items() if n not in given)
    if total > 1 + 1e-9 or (others <= 0 and abs(total - 1) > 1e-9):
        rule = "leave nothing for the others" if total > 1 else "are all the weights there are"
        raise SettingsError(
            f"the weights given add up to {total:g} and {rule}: all must add up to 1. Give less, or give them "
            "as proportions with --weights."
        )
    part = max(1.0 - total, 0.0) / others if others > 0 else 0.0
    return _with(rank, {n: given.get(n, w * part) for n, w in now.items()})


def relative_weights(rank: RankSettings, given: Mapping[str, float]) -> RankSettings:
    """Settings with weights in the proportions given; what is not named weighs nothing.

    Examples
    --------
    >>> a = relative_weights(RankSettings(), {"share": 9, "growth": 6, "traffic": 5})
    >>> {n: w for n, w in weights_of(a).items() if w}
    {'share': 0.45, 'growth': 0.3, 'traffic': 0.25}
    """
    _known(given, rank)
    total = sum(given.values())
    if not 0 < total < float("inf"):
        raise SettingsError("the weights given add up to 0. At least one must be above 0.")
    return _with(rank, {n: given.get(n, 0.0) / total for n in weights_of(rank)})


@dataclass(frozen=True, slots=True, kw_only=True)
class TrafficSettings:
    """Traffic brought to the year of the analysis."""

    trend_most_per_yr: float = item(
        0.03, "1/yr", "A route's trend is taken as no steeper than this, up or down.", "assumption", low=0, high=0.2
    )
    trend_years: int = item(
        10, "yr", "A count is carried forward by the trend for so many years, and then stands.", "assumption",
        low=0, high=50,
    )  # fmt: skip
    trend_needs: float = item(
        60.0,
        "yr2",
        "Spread of a route's counts in time (sum of squared years about each bridge's own mean) at which its own "
        "trend counts as much as the network's.",
        "assumption",
        low=0.1,
        high=1e6,
    )
    old_yr: int = item(8, "yr", "A count older than this is called old.", "assumption", low=1, high=100)


@dataclass(frozen=True, slots=True, kw_only=True)
class UrgentSettings:
    """What cannot wait for the ranking."""

    danger_share: float = item(
        0.40,
        "share",
        "Unsound share from which a deck is urgent whatever its traffic.",
        "memory",
        "critical band of one state's deck matrix",
        low=0.01,
        high=1,
    )
    poor_rating: int = item(
        2,
        "0 to 9",
        "Deck rating at or below which someone must look at once.",
        "published",
        "Texas Department of Transportation (2024), Bridge Inspection Manual, ch. 4 sec. 14, p. 4-27: a deck coded 2 "
        "or less is a critical finding",
        low=0,
        high=9,
    )
    hole_days: int = item(1, "days", "Days allowed for an open full-depth hole.", "assumption", low=0, high=365)
    bar_days: int = item(
        14,
        "days",
        "Days allowed for exposed bars in a wheel path, or not known to be out of one.",
        "assumption",
        low=0,
        high=365,
    )
    bar_off_path_days: int = item(
        60, "days", "Days allowed for exposed bars drawn clear of every wheel path.", "assumption", low=0, high=365
    )
    danger_days: int = item(
        30,
        "days",
        "Days allowed for a share past the danger threshold, or a rating at which someone must look at once.",
        "published",
        "Texas Department of Transportation (2024), Bridge Inspection Manual, ch. 4 sec. 14: a plan of corrective "
        "action within 30 days of a critical finding",
        low=0,
        high=365,
    )
    opening_days: int = item(
        3,
        "days",
        "Days after a repair's cure within which its opening must be on record.",
        "assumption",
        low=0,
        high=365,
    )
    opening_back_days: int = item(
        120, "days", "Repairs longer ago than this are not asked for their opening.", "assumption", low=0, high=3650
    )
    lane_width_m: float = item(
        3.6,
        "m",
        "Width of a lane where wheel paths are laid out.",
        "practice",
        "12 ft lanes",
        low=2,
        high=6,
    )
    wheel_from_middle_m: float = item(
        0.9,
        "m",
        "Middle of a wheel path from the middle of its lane.",
        "practice",
        "half of a usual track of 1.8 m",
        low=0.3,
        high=1.5,
    )
    wheel_path_m: float = item(
        1.0, "m", "Width of a wheel path with the wander of traffic.", "assumption", low=0.3, high=2
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundingSettings:
    """When a deck is sounded again, and what one more sounding takes."""

    interval_share: Curve = item(
        ((0, 8), (0.02, 5), (0.10, 3), (0.25, 2), (0.40, 1)),
        "share, yr",
        "Years between soundings by the unsound share.",
        "assumption",
    )
    interval_growth: Curve = item(
        ((0, 8), (0.005, 5), (0.02, 3), (0.04, 2)), "share/yr, yr", "Years between soundings by growth.", "assumption"
    )
    interval_traffic: Curve = item(
        ((0, 8), (2_000, 7), (10_000, 6), (40_000, 5)),
        "veh/day, yr",
        "Years between soundings by traffic.",
        "assumption",
    )
    m2_per_h: float = item(
        250.0, "m2/h", "Deck sounded and chalked in an hour of one lane's closure.", "practice", low=1, high=100_000
    )
    set_up_h: float = item(1.0, "h", "Closing and opening a lane, each time, in hours.", "practice", low=0, high=48)

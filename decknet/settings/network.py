"""Settings of placing, growth, ranking and what cannot wait."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.settings.item import Curve, item

__all__ = ["GrowthSettings", "PlaceSettings", "RankSettings", "UrgentSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceSettings:
    """Where decks lie."""

    district_km: float = item(
        500.0, "km", "A bridge farther than this from the middle of the others is flagged.", "practice", low=1
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthSettings:
    """Growth of the unsound share."""

    network_per_yr: float = item(
        0.005,
        "share/yr",
        "Growth taken for a network with no survey pairs at all, bare bars, de-iced.",
        "assumption",
        "no measured distribution could be found; 0.5 to 1.0 points a year is a common planning figure",
        low=0,
        high=0.2,
    )
    coated_factor: float = item(
        0.25, "", "The same for coated or stainless bars, as a part of it.", "assumption", low=0, high=1
    )
    benign_factor: float = item(
        0.4, "", "The same where no salt reaches the deck, as a part of it.", "assumption", low=0, high=1
    )
    onset_yr: float = item(
        15.0,
        "yr",
        "Age before which an unsurveyed deck is taken as sound.",
        "memory",
        "10 to 30 years to corrosion and 2 to 6 more to cracking are often quoted",
        low=0,
        high=100,
    )
    survey_cv: float = item(
        0.30,
        "",
        "Scatter of one survey's share, as a part of the share.",
        "derived",
        "Federal Highway Administration (2001), FHWA-RD-01-020: 22 teams on one deck of 19 %; "
        "the range 2 to 35 % is from memory",
        low=0,
        high=2,
    )
    survey_floor: float = item(
        0.004, "share", "Scatter of one survey's share on a clean deck.", "assumption", low=0, high=0.5
    )
    guess_spread: float = item(
        2.5,
        "",
        "A share taken without a survey may be this many times smaller or larger (10 to 90 %).",
        "assumption",
        low=1,
        high=20,
    )
    least_span_yr: float = item(
        0.75, "yr", "Surveys closer together than this say nothing of growth.", "assumption", low=0, high=20
    )
    rating_share: Curve = item(
        (
            (0, 0.60),
            (1, 0.50),
            (2, 0.40),
            (3, 0.28),
            (4, 0.15),
            (5, 0.07),
            (6, 0.025),
            (7, 0.008),
            (8, 0.001),
            (9, 0.0),
        ),
        "rating, share",
        "Unsound share taken for an unsurveyed deck by its deck rating.",
        "memory",
        "bands of the older FHWA percentage guide for decks, read as mid-points and smoothed",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RankSettings:
    """Priority: weights and value curves."""

    weight_share: float = item(0.45, "", "Weight of the delaminated share.", "assumption", low=0, high=1)
    weight_growth: float = item(0.30, "", "Weight of growth.", "assumption", low=0, high=1)
    weight_traffic: float = item(0.25, "", "Weight of traffic.", "assumption", low=0, high=1)
    value_share: Curve = item(
        ((0, 0), (0.02, 0.15), (0.10, 0.55), (0.25, 0.90), (0.40, 1.0)),
        "share, 0 to 1",
        "Value of the delaminated share.",
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
    hole_days: int = item(1, "days", "Days allowed for an open full-depth hole.", "assumption", low=0, high=365)
    bar_days: int = item(14, "days", "Days allowed for exposed bars.", "assumption", low=0, high=365)
    danger_days: int = item(
        30, "days", "Days allowed for a share past the danger threshold.", "assumption", low=0, high=365
    )

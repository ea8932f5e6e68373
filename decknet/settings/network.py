"""Settings of placing and growth."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.settings.item import Curve, item

__all__ = ["GrowthSettings", "PlaceSettings"]


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
    family: str = item(
        "environment, bar_kind, life",
        "",
        "What makes decks a family that grows alike, split by commas: environment, bar_kind, life "
        "(first surface, or overlaid).",
        "assumption",
    )
    least_decks: int = item(
        40, "decks", "A family with fewer surveyed decks borrows from a wider one.", "assumption", low=2, high=10_000
    )
    detect_share: float = item(
        0.001, "share", "Less than this found is taken as nothing found.", "assumption", low=0.00001, high=0.05
    )
    observer_spread: float = item(
        0.2,
        "",
        "Crews and methods may find this part more or less than the mean of all (standard deviation).",
        "assumption",
        low=0.01,
        high=2,
    )
    shared_cv: float = item(
        0.12,
        "",
        "Scatter of the mean of all crews and methods about the truth, as a part of the share: what no "
        "comparison of surveys with each other can show.",
        "assumption",
        low=0,
        high=1,
    )
    fade_per_yr: float = item(
        0.15,
        "1/yr",
        "A survey g years older than the deck's last counts for 1 / (1 + this x g) of it: growth does "
        "not keep to a line for ever.",
        "derived",
        "trials on made-up networks: 0.1 to 0.4 gave the best scores",
        low=0,
        high=10,
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

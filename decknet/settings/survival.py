"""Settings of following repairs through later surveys."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.settings.item import item

__all__ = ["SurvivalSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalSettings:
    """Did repairs hold."""

    failed_part: float = item(
        0.2,
        "share",
        "A patch has failed when at least this part of it is found unsound again.",
        "assumption",
        low=0.001,
        high=1,
    )
    redone_part: float = item(
        0.5,
        "share",
        "A patch is no longer followed when this part of it is taken out again.",
        "assumption",
        low=0.01,
        high=1,
    )
    few_failures: int = item(
        15, "failures", "With fewer failures than this a group is marked as few.", "assumption", low=1, high=1000
    )
    cold_c: float = item(
        5.0,
        "°C",
        "Air below this counts as cold placing.",
        "memory",
        "cold-weather concreting is commonly said to begin at 40 °F",
        low=-30,
        high=20,
    )
    hot_c: float = item(25.0, "°C", "Air above this counts as hot placing.", "assumption", "", low=10, high=50)
    resamples: int = item(
        200, "", "Times that decks are drawn again for the width of a curve.", "own words", low=20, high=5000
    )

"""Settings under which a line costs what its treatment says and no more, for figures worked by hand."""

from __future__ import annotations

import dataclasses
from typing import Any

from decknet.settings import Settings

# Closures that stay cost nothing, the others something: every line gets one that stays.
FREE = {
    "user_cost_share": 0.0,
    "continuous_per_closure": 0.0,
    "continuous_per_day": 0.0,
    "high_early_per_m2": 1.0,
    "rapid_per_m2": 1.0,
    "night_per_closure": 1e7,
    "day_per_closure": 1e7,
    "weekend_per_closure": 1e7,
    "crew_day_cost": 0.0,
}


def plain(**programme: Any) -> Settings:
    """No closure costs, no later savings, no shared set-ups and a quick search but as stated."""
    base = Settings()
    return dataclasses.replace(
        base,
        closure=dataclasses.replace(base.closure, **FREE),
        programme=dataclasses.replace(
            base.programme, **({"exposure_cost": 0.0, "route_set_up": 0.0, "effort": "quick"} | programme)
        ),
    )

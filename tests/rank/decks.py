"""Invented decks to rank."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from decknet.settings import RankSettings

DAY = pd.Timestamp("2026-05-12")
STRAIGHT = ((0.0, 0.0), (1.0, 1.0))


def decks(n: int = 200, seed: int = 1, spread: float = 1.0) -> pd.DataFrame:
    """Decks with a range about share and growth; ``spread`` 0 leaves no doubt."""
    rng = np.random.default_rng(seed)
    share, growth = rng.gamma(1.2, 0.05, n).clip(0, 1), rng.gamma(1.0, 0.008, n)
    return pd.DataFrame(
        {
            "deck_id": [f"D{i:04d}" for i in range(n)],
            "share_now": share,
            "share_low": share * (1 - 0.4 * spread),
            "share_high": np.minimum(share * (1 + 0.6 * spread), 1),
            "share_from": rng.choice(["survey", "works", "rating", "network", "assumption"], n),
            "survey_date": DAY,
            "deck_rating": 5,
            "growth_per_yr": growth,
            "growth_low": growth * (1 - 0.5 * spread),
            "growth_high": growth * (1 + 0.8 * spread),
            "growth_from": rng.choice(["own surveys", "network", "assumption"], n),
            "aadt": np.exp(rng.normal(7.5, 1.2, n)),
            "aadt_year": pd.array([2024] * n, dtype="Int64"),
            "aadt_from": rng.choice(["count", "route", "network"], n),
            "truck_share": rng.uniform(0, 0.3, n),
            "detour_km": rng.uniform(0, 60, n),
            "exposed_bar_m2": np.where(rng.uniform(size=n) < 0.1, 0.8, 0.0),
            "posted": pd.array(rng.uniform(size=n) < 0.1, dtype="boolean"),
            "area_m2": rng.uniform(100, 4000, n),
            "lanes": 2,
        }
    )


def alternatives(values: list[list[float]]) -> pd.DataFrame:
    """Decks whose values on share, growth and traffic are as given, with straight curves and no doubt."""
    table = np.array(values, dtype=float)
    table = np.column_stack([table, np.zeros((len(table), 3 - table.shape[1]))])
    return pd.DataFrame(
        {
            "deck_id": [chr(ord("A") + i) for i in range(len(table))],
            "share_now": table[:, 0],
            "growth_per_yr": table[:, 1],
            "aadt": table[:, 2],
            "share_from": "survey",
            "growth_from": "own surveys",
            "aadt_from": "count",
            "survey_date": DAY,
            "deck_rating": 5,
            "aadt_year": 2024,
        }
    )


def straight(**changes: Any) -> RankSettings:
    """Straight curves from 0 to 1 and no spread of counts."""
    base = {"value_share": STRAIGHT, "value_growth": STRAIGHT, "value_traffic": STRAIGHT, "count_spread": 1.0}
    return RankSettings(**{**base, **changes})

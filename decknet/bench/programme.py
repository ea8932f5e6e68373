"""How fast and how good the choice of a programme is, beside a general solver on the whole problem and worst first."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Iterator

import numpy as np
import pandas as pd

from decknet.schedule import make_programme, whole_by_solver
from decknet.settings import Settings

__all__ = ["programme"]

SIZES = ((50, 5), (200, 5), (1_000, 5), (3_000, 5), (3_000, 10), (600_000, 5))
SOLVER_S = 60.0
SOLVER_UP_TO = 3_000  # decks; above, the solver does not get through its first relaxation in that time


def _decks(count: int, seed: int) -> pd.DataFrame:
    """Made-up decks; up to 20,000 of them on routes of about 15."""
    rng = np.random.default_rng(seed)
    routes = rng.integers(0, max(count // 15, 1), count)
    return pd.DataFrame(
        {
            "deck_id": pd.array([f"D-{i:06d}" for i in range(count)], dtype="str"),
            "area_m2": rng.lognormal(np.log(900.0), 0.7, count),
            "length_m": rng.lognormal(4.0, 0.6, count),
            "lanes": rng.choice([2, 2, 2, 4], count),
            "share_now": np.minimum(rng.gamma(1.2, 0.06, count), 0.95),
            "growth_per_yr": rng.lognormal(np.log(0.008), 0.6, count),
            "aadt": rng.lognormal(8.5, 0.9, count),
            "route": pd.array([f"R {r}" for r in routes] if count <= 20_000 else [None] * count, dtype="str"),
        }
    )


def _peak() -> str:
    """Most memory held so far, where the system tells."""
    try:
        import resource
    except ImportError:
        return ""
    return f", {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2:.2f} GB at most so far"


def programme(*, seed: int = 1) -> Iterator[tuple[str, float, str]]:
    """Time and gap of a programme with money and crew days limited, at five sizes, set-ups shared along routes.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Value, proven gap and ratios.
    """
    base = Settings()
    for count, years in SIZES:
        status = _decks(count, seed)
        settings = dataclasses.replace(
            base, programme=dataclasses.replace(base.programme, crew_days_per_yr=float(round(count * 0.35 + 20)))
        )
        budgets = [9_000.0 * count] * years
        name = f"{count:,} decks, {years} years"
        start = time.perf_counter()
        made = make_programme(status, first_year=2027, budgets=budgets, settings=settings, explain=count <= 20_000)
        took = time.perf_counter() - start
        facts = made.facts
        worst = facts["value"] / facts["value_worst_first"] - 1 if facts["value_worst_first"] > 0 else float("nan")
        note = f"gap {facts['gap']:.3%}, {len(made.lines):,} lines, {worst:+.1%} over worst first{_peak()}"
        yield name, took, note
        if count <= SOLVER_UP_TO:
            start = time.perf_counter()
            found = whole_by_solver(status, budgets=budgets, settings=settings, seconds=SOLVER_S)
            other = time.perf_counter() - start
            if found is None:
                yield "  HiGHS on the whole problem", other, "nothing within its time"
                continue
            value, bound = found
            gap = (bound - value) / bound if bound > 0 else 0.0
            less = facts["value"] / value - 1 if value > 0 else float("inf")
            yield (
                "  HiGHS on the whole problem",
                other,
                f"gap {gap:.3%}; the programme is worth {less:+.3%} and took 1/{other / took:.1f} of the time",
            )

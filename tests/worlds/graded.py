"""Forecasts on made-up districts of other forms, held against what came, the truth, and the best that can be done."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from decknet.flow.condition import condition_of
from decknet.flow.reading import records_from
from decknet.predict import BackTest
from decknet.settings import Settings
from tests.worlds.district import World, ceiling
from tests.worlds.forms import FIRST, YEARS

__all__ = ["FAIR", "SHOWN", "classes", "gain", "grade", "summary"]

FAIR = "last value"
SHOWN = (
    "decknet", "crew not known", FAIR, "last value and pooled growth", "own line", "pooled slope", "paced", "curved",
)  # fmt: skip


def grade(world: World) -> pd.DataFrame:
    """The back-test of a district, with the truth and the ceiling beside.

    Returns
    -------
    DataFrame
        As ``BackTest.surveys``; world; truth (share), in_truth (bool: inside the range of the true share), crps_truth,
        crps_best: the ceiling.
    """
    day = date(FIRST + YEARS, 1, 1)
    records = records_from(world.frames, title="", currency="USD", day=day)
    test: BackTest = condition_of(records, Settings()).back_test
    seen = world.seen.set_index("survey_id", drop=False)
    hidden = seen.reindex(test.surveys["survey_id"]).reset_index(drop=True)
    # An overlay laid after a deck's last survey is not of the life that was foretold.
    whole = (hidden["year"].to_numpy() >= world.stock.start[hidden["row"]] - FIRST) | ~world.stock.overlaid[
        hidden["row"]
    ]
    out = test.surveys[whole].reset_index(drop=True)
    hidden = hidden[whole].reset_index(drop=True)
    truth = hidden["truth"].to_numpy()
    best = ceiling(world, hidden)
    return out.assign(
        world=world.form.name, truth=truth, in_truth=(truth >= out["true_low"]) & (truth <= out["true_high"]),
        crps_best=best, truth_miss=truth - out["true"],
    )  # fmt: skip


def gain(graded: pd.DataFrame, method: str = "decknet") -> float:
    """Part of what could be gained over carrying the last reading forward that a method gains."""
    fair, ours, best = (float(graded[f"crps_{m}"].mean()) for m in (FAIR, method, "best"))
    return (fair - ours) / (fair - best)


def summary(graded: pd.DataFrame) -> pd.DataFrame:
    """World by method: CRPS and ceiling (points), part inside the ranges, part of the possible gain."""
    out = []
    for world, part in graded.groupby("world", sort=False):
        for method in SHOWN:
            row = {
                "world": world, "method": method, "CRPS": 100 * part[f"crps_{method}"].mean(),
                "best": 100 * part["crps_best"].mean(),
                "truth inside": part["in_truth"].mean() if method == "decknet" else np.nan,
                "reading inside": part[f"in_{method}"].mean(), "of the possible gain": gain(part, method),
            }  # fmt: skip
            out.append(row)
    return pd.DataFrame(out)


def classes(graded: pd.DataFrame) -> pd.DataFrame:
    """Part inside both ranges by level expected, family, years ahead, and for decks just begun, of at least 100."""
    test = BackTest(graded)
    out = []
    for by in ("level", "family", "horizon"):
        classed = test.classed(by)
        for name, part in classed.groupby(by, sort=True):
            if len(part) >= 100:
                out.append((by, str(name), len(part), part["in_truth"].mean(), part["in_decknet"].mean()))
    return pd.DataFrame(out, columns=["by", "class", "surveys", "truth inside", "reading inside"])

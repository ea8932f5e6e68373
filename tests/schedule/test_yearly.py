"""Shares when each year of a programme is over."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import make_programme
from decknet.settings import Settings


def decks(n: int = 14) -> pd.DataFrame:
    rng = np.random.default_rng(8)
    return pd.DataFrame(
        {
            "deck_id": pd.array([f"{i:03d}" for i in range(n)], dtype="str"),
            "area_m2": rng.uniform(150, 900, n),
            "share_now": rng.uniform(0.02, 0.4, n),
            "growth_per_yr": rng.uniform(0.0, 0.03, n),
            "aadt": 10 ** rng.uniform(2.5, 4.5, n),
        }
    )


@pytest.mark.parametrize("budget", [60_000.0, 250_000.0, 0.0])
def test_the_last_year_is_what_the_programme_says_of_the_end(budget: float) -> None:
    status = decks()
    made = make_programme(status, first_year=2027, budgets=[budget] * 4, settings=Settings())
    assert made.shares["year"].unique().tolist() == [2027, 2028, 2029, 2030]
    end = made.shares[made.shares["year"] == 2030].set_index("deck_id")
    area = status.set_index("deck_id")["area_m2"]
    assert (end["planned"] * area).sum() == pytest.approx(made.facts["unsound_end_m2"], rel=1e-12)
    assert (end["nothing"] * area).sum() == pytest.approx(made.facts["unsound_end_nothing_m2"], rel=1e-12)


@pytest.mark.basis("derived", "without forecasts: a straight line of share and growth, stopped at 1")
def test_every_year_follows_the_works_done_by_then() -> None:
    status, settings = decks(), Settings()
    made = make_programme(status, first_year=2027, budgets=[150_000.0] * 4, settings=settings)
    assert len(made.lines) > 3
    for deck in status.itertuples():
        mine = made.shares[made.shares["deck_id"] == deck.deck_id].sort_values("year")
        line = np.minimum(deck.share_now + deck.growth_per_yr * np.arange(1, 5), 1)
        assert mine["nothing"].to_numpy() == pytest.approx(line)
        expected, works = line.copy(), made.lines[made.lines["deck_id"] == deck.deck_id].sort_values("year")
        for work in works.itertuples():
            kind, done = settings.treatment[work.treatment], work.year - 2027
            since = np.arange(1, 5) - done
            left = work.share_before * (1 - kind.removes)
            after = left + deck.growth_per_yr * kind.growth_factor * np.maximum(since - kind.rest_yr, 0)
            later = (since > 0) & (since < kind.life_yr)
            expected[later] = np.minimum(after, 1)[later]
        assert mine["planned"].to_numpy() == pytest.approx(expected), (deck.deck_id, works)


def test_a_deck_without_an_area_or_share_has_none() -> None:
    status = decks(5)
    status.loc[1, "share_now"] = np.nan
    made = make_programme(status, first_year=2027, budgets=[1e5], settings=Settings())
    mine = made.shares.set_index("deck_id")
    assert mine.loc["001", ["nothing", "planned"]].isna().all()
    assert mine.drop("001")["planned"].notna().all()

"""Unsound shares when each year of a programme is over."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.schedule.demands import HOLDING
from decknet.schedule.exposure import share_after_work, share_at
from decknet.schedule.yardsticks import end_shares

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.schedule.offers import Taken
    from decknet.settings import Settings

__all__ = ["shares_by_year"]


def shares_by_year(
    deck_ids: Sequence[str],
    decks: Decks,
    done: Taken,
    names: list[str],
    first_year: int,
    years: int,
    settings: Settings,
) -> pd.DataFrame:
    """Unsound share of every deck when each year is over, without works and with those done.

    Parameters
    ----------
    deck_ids : sequence of str, n decks
    decks : Decks, n decks
    done : Taken
    names : keys of the treatments
    first_year : int, calendar year
    years : int
    settings : Settings

    Returns
    -------
    DataFrame, one row a deck and year
        deck_id, year (calendar), nothing and planned (0 to 1; missing where not known). Those of the last year are
        what ``end_shares`` gives.
    """
    planned = []
    for k in range(1, years + 1):  # works of year k begin when year k - 1 is over
        alone, second = (done.later < 0) & (done.year < k), done.second & (done.later < k)
        share = end_shares(decks, _some(done, alone | second), names, k, settings)
        early = np.flatnonzero(done.second & (done.later >= k) & (done.begin < k))  # the second work is still to come
        rows = done.row[early]
        share[rows] = share_after_work(
            decks.part(rows), [HOLDING] * len(rows), done.begin[early].astype(float), float(k), settings
        )
        planned.append(share)
    nothing = [share_at(decks, float(k)) for k in range(1, years + 1)]
    return pd.DataFrame(
        {
            "deck_id": pd.array(np.tile(np.array(deck_ids, dtype=object), years), dtype="str"),
            "year": np.repeat(np.arange(first_year, first_year + years), len(decks)),
            "nothing": np.concatenate(nothing) if nothing else np.zeros(0),
            "planned": np.concatenate(planned) if planned else np.zeros(0),
        }
    )


def _some(done: Taken, which: npt.NDArray[np.bool_]) -> Taken:
    return replace(done, **{part.name: getattr(done, part.name)[which] for part in fields(done)})

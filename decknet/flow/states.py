"""Use cases of condition states: how ratings and element quantities worsen, by family."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from decknet import digits
from decknet.errors import RecordError
from decknet.flow.reading import Records
from decknet.predict import STATES, element_pairs, element_states, fit_ratings, rating_sequences, states_ahead
from decknet.settings import Settings

__all__ = ["Elements", "condition_states", "elements"]

_STATES_AHEAD_YR = (0, 5, 10, 20)
_LEFT_OUT = {
    "defects": "rows of defects, parts of another element", "empty": "rows without a quantity",
    "close": "pairs under half a year apart", "resized": "pairs whose total changed by over a tenth",
    "works": "pairs with a repair between them", "better": "pairs that grew better, works nobody recorded",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Elements:
    """How element quantities worsen, and where they will stand.

    Attributes
    ----------
    states : DataFrame
        As ``predict.element_states`` gives: by element, family and state.
    ahead : DataFrame
        As ``predict.states_ahead`` gives: today and after 5, 10 and 20 years.
    pairs : int
        Pairs of inspections it rests on.
    left_out : dict
        As ``predict.element_pairs`` gives.
    """

    states: pd.DataFrame
    ahead: pd.DataFrame
    pairs: int
    left_out: dict[str, int]


def _family_of(bridges: pd.Series, decks: pd.DataFrame) -> pd.Series:
    """Environment and bars of the first deck of each bridge, in words, on the index of ``bridges``."""
    first = decks.drop_duplicates("bridge_id").set_index("bridge_id")
    kinds = first[["environment", "bar_kind"]].astype("object")
    words = kinds["environment"].fillna("environment not known") + ", " + kinds["bar_kind"].fillna("bars not known")
    return words.reindex(bridges).fillna("not known").set_axis(bridges.index).astype("str")


def condition_states(records: Records, settings: Settings) -> pd.DataFrame:
    """How deck ratings worsen, by family: for districts with ratings and next to no surveys.

    Returns
    -------
    DataFrame, one row a family and rating
        family, bridges, steps (pairs of ratings), rating (9 to 1), leave_per_yr (rate of leaving it for
        the next lower), leave_low, leave_high (its 80 % range; missing where the ratings do not tell it within a factor
        of 4 either way), years (mean time in it; missing likewise), misread (chance that a rater is off by one).

    Raises
    ------
    RecordError
        There are too few ratings to follow.
    """
    decks, path = records["deck"], records.path
    dated = records["rating"][records["rating"]["rated_year"].notna()]
    ratings = dated.sort_values(["bridge_id", "rated_year"]).reset_index(drop=True)
    family = _family_of(ratings["bridge_id"], decks)
    size = ratings.groupby(family)["bridge_id"].transform("nunique")
    family = family.where(size >= settings.growth.least_decks, "all other families")
    works = records["repair"].merge(decks[["deck_id", "bridge_id"]], on="deck_id")
    done = pd.DataFrame(
        {"who": works["bridge_id"], "when_yr": works["repair_date"].dt.year + works["repair_date"].dt.day_of_year / 366}
    )
    out = []
    for name in sorted(family.unique()):
        mine = ratings[family == name].reset_index(drop=True)
        state = 9 - mine["deck_rating"].to_numpy(dtype=np.int64)
        when = mine["rated_year"].to_numpy(dtype=np.float64) + 0.5
        run = rating_sequences(mine["bridge_id"], when, state.astype(np.float64), done)
        if len(run) - run.max(initial=-1) - 1 < settings.growth.least_decks:
            continue
        fit = fit_ratings(run, when, state, 10)
        bridges = mine["bridge_id"].nunique()
        out += [
            {
                "family": name, "bridges": bridges, "steps": fit.pairs, "rating": 9 - better,
                "leave_per_yr": fit.rates[better], "leave_low": fit.rates_low[better],
                "leave_high": fit.rates_high[better],
                "years": 1 / fit.rates[better] if np.isfinite(fit.rates_low[better]) else np.nan,
                "misread": fit.misread,
            }
            for better in range(9)
        ]  # fmt: skip
    if not out:
        raise RecordError(
            f"{path}: too few deck ratings follow each other. Bring in inventories of several years: "
            f"decknet load {path.name} FILE"
        )
    return pd.DataFrame(out)


def elements(records: Records, settings: Settings) -> Elements:
    """How element quantities in condition states worsen, by family, and where they will stand.

    Raises
    ------
    RecordError
        There are no quantities, or none that follow each other.
    """
    path = records.path
    held = records["element_quantity"].reset_index(drop=True)
    if held.empty:
        raise RecordError(
            f"{path}: holds no element quantities. Bring in element records: decknet load {path.name} FILE"
        )
    decks = records["deck"]
    works = records["repair"].merge(decks[["deck_id", "bridge_id"]], on="deck_id")
    pairs, left_out = element_pairs(held, works.rename(columns={"repair_date": "date"})[["bridge_id", "date"]])
    if pairs.empty:
        seen = ", ".join(f"{digits.count(n)} {_LEFT_OUT[k]}" for k, n in left_out.items() if n)
        raise RecordError(
            f"{path}: no two inspections of an element follow each other without works between them"
            f"{' (left out: ' + seen + ')' if seen else ''}. Bring in element records of another year: "
            f"decknet load {path.name} FILE"
        )
    states = element_states(pairs, _family_of(pairs["bridge_id"], decks), settings.growth.least_decks)
    known = held[held["element"].isin(pairs["element"])]
    latest = known[known["quantity_date"] == known.groupby("bridge_id")["quantity_date"].transform("max")]
    latest = latest[latest[list(STATES)].sum(axis=1) > 0]
    family = _family_of(latest["bridge_id"], decks)
    ahead = states_ahead(latest, family, states, pd.Timestamp(records.day), _STATES_AHEAD_YR)
    if len(set(family)) > 1:
        # All together are the sum of their families: decks of different pace do not worsen as one.
        parts = ahead.assign(**{k: ahead[k] * ahead["total"] for k in STATES})
        whole = parts.groupby(["element", "years_ahead"], as_index=False)[["bridges", "total", *STATES]].sum()
        whole[list(STATES)] = whole[list(STATES)].div(whole["total"], axis=0)
        ahead = pd.concat([whole.assign(family="all")[ahead.columns.tolist()], ahead], ignore_index=True)
    else:
        ahead["family"] = "all"
    return Elements(states, ahead, len(pairs), left_out)

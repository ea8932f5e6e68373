"""Order of decks, with the reasons for each place."""

from __future__ import annotations

import numpy as np
import pandas as pd

from decknet.rank.criteria import ALWAYS, worth
from decknet.rank.reasons import reasons
from decknet.settings import RankSettings
from decknet.settled import POINT_PLACES, to_places

__all__ = ["rank_decks"]


def rank_decks(decks: pd.DataFrame, settings: RankSettings) -> pd.DataFrame:
    """Priority, rank, points by criterion and a sentence of reasons for every deck.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id; share_now (fraction unsound) and share_from; growth_per_yr (fraction a year) and
        growth_from; aadt (veh/day), aadt_year, aadt_from; survey_date, deck_rating. None of
        share_now, growth_per_yr, aadt may be missing. Where they weigh also truck_share, detour_km,
        exposed_bar_m2, posted, soffit_share, area_m2; these may be missing.
    settings : RankSettings

    Returns
    -------
    DataFrame, shape (n, 8), in the order of ``decks``
        deck_id, rank (1 first; ties by deck_id), priority (points, 0 to 100), points_share,
        points_growth, points_traffic, points_other (points; the four add up to the priority), reason.

    Raises
    ------
    SettingsError
        The weights do not add up to 1, or a setting cannot be used.

    References
    ----------
    derived: an additive value function on fixed scales, so that adding a deck never swaps two others;
    or, by distance, as ``criteria.closeness``.
    """
    scale = worth(decks, settings)
    points = scale.points()
    out = pd.DataFrame({"deck_id": decks["deck_id"].to_numpy()})
    for i, name in enumerate(ALWAYS):
        out[f"points_{name}"] = points[:, i]
    out["points_other"] = points[:, len(ALWAYS) :].sum(axis=1)
    out["priority"] = out["points_share"] + out["points_growth"] + out["points_traffic"] + out["points_other"]
    order = np.lexsort((out["deck_id"].to_numpy(dtype=object), -to_places(out["priority"].to_numpy(), POINT_PLACES)))
    rank = np.empty(len(out), dtype="int64")
    rank[order] = np.arange(1, len(out) + 1)
    out["rank"] = rank
    out["reason"] = pd.Series(reasons(decks, scale, points, order, settings), index=out.index, dtype="str")
    return out[
        ["deck_id", "rank", "priority", "points_share", "points_growth", "points_traffic", "points_other", "reason"]
    ]

"""Order of decks, with the reasons for each place."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import SettingsError
from decknet.settings import Curve, RankSettings

__all__ = ["rank_decks", "value"]

Floats = NDArray[np.float64]


def value(x: Floats, curve: Curve) -> Floats:
    """Value 0 to 1 of a measure by a curve of straight pieces, level beyond its ends.

    Parameters
    ----------
    x : array, shape (n,), in the curve's unit
    curve : pairs of (x, value)

    Returns
    -------
    array, shape (n,), 0 to 1

    References
    ----------
    derived: linear interpolation.

    Examples
    --------
    >>> value(np.array([0.0, 0.05, 1.0]), ((0.0, 0.0), (0.1, 1.0))).tolist()
    [0.0, 0.5, 1.0]
    """
    at, level = zip(*curve, strict=True)
    result: Floats = np.interp(x, at, level)
    return result


def rank_decks(decks: pd.DataFrame, settings: RankSettings) -> pd.DataFrame:
    """Priority, rank, points by criterion and a sentence of reasons for every deck.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        deck_id; share_now (fraction unsound) and share_from; growth_per_yr (fraction a year) and
        growth_from; aadt (veh/day), aadt_year, aadt_from; survey_date, deck_rating. None of
        share_now, growth_per_yr, aadt may be missing.
    settings : RankSettings

    Returns
    -------
    DataFrame, shape (n, 7), in the order of ``decks``
        deck_id, rank (1 first; ties by deck_id), priority (points, 0 to 100), points_share,
        points_growth, points_traffic (points; they add up to the priority), reason.

    Raises
    ------
    SettingsError
        The weights do not add up to 1.

    References
    ----------
    derived: an additive value function on fixed scales, so that adding a deck never swaps two others.
    """
    weights = (settings.weight_share, settings.weight_growth, settings.weight_traffic)
    if abs(sum(weights) - 1.0) > 1e-9:
        raise SettingsError(
            f"rank: the weights add up to {sum(weights):g}, and must add up to 1. "
            "Correct weight_share, weight_growth or weight_traffic."
        )
    measures = ("share_now", "growth_per_yr", "aadt")
    curves = (settings.value_share, settings.value_growth, settings.value_traffic)
    points = [
        100.0 * w * value(decks[m].to_numpy(dtype="float64"), c)
        for w, m, c in zip(weights, measures, curves, strict=True)
    ]
    out = pd.DataFrame({"deck_id": decks["deck_id"].to_numpy()})
    out["points_share"], out["points_growth"], out["points_traffic"] = points
    out["priority"] = out["points_share"] + out["points_growth"] + out["points_traffic"]
    order = out.assign(key=-out["priority"].round(9)).sort_values(["key", "deck_id"], kind="stable").index
    out.loc[order, "rank"] = np.arange(1, len(out) + 1)
    out["rank"] = out["rank"].astype("int64")
    out["reason"] = _reasons(decks, out)
    return out[["deck_id", "rank", "priority", "points_share", "points_growth", "points_traffic", "reason"]]


def share_words(decks: pd.DataFrame) -> list[str]:
    """What each deck's share rests on, in words that follow a figure."""
    words = []
    for source, day, rating in zip(decks["share_from"], decks["survey_date"], decks["deck_rating"], strict=True):
        if source == "survey":
            words.append(f"survey of {day:%Y-%m-%d}")
        elif source == "works":
            words.append("no survey yet since the last overlay or new deck")
        elif source == "rating":
            words.append(f"no survey yet: from deck rating {int(rating)}")
        elif source == "network":
            words.append("no survey yet: from the network and the deck's age")
        else:
            words.append("no survey yet: from an assumed growth and the deck's age")
    return words


def _reasons(decks: pd.DataFrame, points: pd.DataFrame) -> pd.Series:
    """One sentence a deck: the three measures, the strongest first, and what they rest on."""
    parts = points[["points_share", "points_growth", "points_traffic"]].to_numpy()
    first = parts.argsort(axis=1, kind="stable")[:, ::-1]
    growth_note = {"own surveys": "", "network": ", the network's rate", "assumption": ", an assumed rate"}
    traffic_note = {"route": ", as on its route", "network": ", as on the network", "assumption": ", assumed"}
    sentences = []
    rows = zip(
        decks["share_now"], share_words(decks), decks["growth_per_yr"], decks["growth_from"], decks["aadt"],
        decks["aadt_year"], decks["aadt_from"], first, strict=True,
    )  # fmt: skip
    for share, share_from, growth, growth_from, aadt, year, aadt_from, order in rows:
        counted = f", {year}" if aadt_from == "count" and not pd.isna(year) else traffic_note.get(aadt_from, "")
        said = (
            f"{share:.1%} of the deck unsound ({share_from})".replace("%", " %"),
            f"growing {growth * 100:.2f} points a year{growth_note.get(growth_from, '')}",
            f"{aadt:,.0f} vehicles a day{counted}",
        )
        text = "; ".join(said[i] for i in order)
        sentences.append(text[0].upper() + text[1:] + ".")
    return pd.Series(sentences, index=points.index, dtype="str")

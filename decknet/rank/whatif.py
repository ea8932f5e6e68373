"""What if something counted for more: how far each weight can move before the first places change."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import SettingsError
from decknet.rank.criteria import worth
from decknet.settings import RankSettings
from decknet.settled import to_places

__all__ = ["weight_moves"]

Floats = NDArray[np.float64]
_NEVER = 1e-12
_PLACES = 9  # decimals of a weight at which two decks change places; the first of those that do so together is named


def weight_moves(decks: pd.DataFrame, ranked: pd.DataFrame, settings: RankSettings, *, first: int = 10) -> pd.DataFrame:
    """How far each weight can move, the others filling the rest in proportion, before the first decks change.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        As ``rank_decks`` takes.
    ranked : DataFrame, shape (n, ...)
        deck_id and rank, as ``rank_decks`` gives, in the same order.
    settings : RankSettings
        Ranked by the weighted sum.
    first : int
        The first so many decks.

    Returns
    -------
    DataFrame, one row a count that weighs (share, growth and traffic always)
        weight (name), now; order_from, order_to (the open range of the weight within which the first
        decks keep their order); same_from, same_to (within which they stay the same decks, in any
        order); out_below, in_below, out_above, in_above (the deck that drops out at the lower or
        upper end, and the one that takes its place; missing where the weight can move to 0 or 1).

    Raises
    ------
    SettingsError
        Decks are ranked by distance, where no such range has an exact end.

    References
    ----------
    derived: with the other weights in proportion, the lead of one deck over another is linear in the
    weight, so it changes sign at one weight at most; the ends are the nearest of these.

    Examples
    --------
    >>> d = pd.DataFrame({"deck_id": ["a", "b"], "share_now": [0.40, 0.0], "growth_per_yr": [0.0, 0.04], "aadt": 0.0})
    >>> r = pd.DataFrame({"deck_id": ["a", "b"], "rank": [1, 2]})
    >>> weight_moves(d, r, RankSettings(), first=1).set_index("weight").loc["share", "same_from"].round(9).item()
    0.352941176
    """
    if settings.by != "sum":
        raise SettingsError("rank.by: how far weights can move is known exactly for by = sum only. Rank by sum for it.")
    scale = worth(decks, settings)
    order = np.argsort(ranked["rank"].to_numpy(), kind="stable")
    ids = decks["deck_id"].to_numpy(dtype=object)[order]
    values = scale.values[order]
    top = min(first, len(order))
    rows = []
    for k, name in enumerate(scale.names):
        w = float(scale.weights[k])
        if 1.0 - w > _NEVER:
            mix = np.delete(scale.weights, k) / (1.0 - w)
        else:
            mix = np.full(len(scale.weights) - 1, 1.0 / (len(scale.weights) - 1))
        own, rest = values[:, k], (np.delete(values, k, axis=1) * mix).sum(axis=1)
        # The lead of a deck of the first over another at weight x: x * own + (1 - x) * rest, >= 0 at w.
        ends = {"order": (0.0, 1.0), "same": (0.0, 1.0)}
        pairs: dict[str, tuple[int, int] | None] = {"below": None, "above": None}
        for i in range(top):
            later = slice(i + 1, len(order))
            at_below, at_above, below, above = _turns(own[i] - own[later], rest[i] - rest[later], w)
            ends["order"] = (max(ends["order"][0], at_below), min(ends["order"][1], at_above))
            outside = slice(top, len(order))
            at_below, at_above, below, above = _turns(own[i] - own[outside], rest[i] - rest[outside], w)
            if below >= 0 and (at_below > ends["same"][0] or pairs["below"] is None):
                ends["same"], pairs["below"] = (at_below, ends["same"][1]), (i, top + below)
            if above >= 0 and (at_above < ends["same"][1] or pairs["above"] is None):
                ends["same"], pairs["above"] = (ends["same"][0], at_above), (i, top + above)
        row: dict[str, object] = {"weight": name, "now": w}
        for kind, (low, high) in ends.items():
            row[f"{kind}_from"], row[f"{kind}_to"] = low, high
        for side, pair in pairs.items():
            row[f"out_{side}"] = ids[pair[0]] if pair else None
            row[f"in_{side}"] = ids[pair[1]] if pair else None
        rows.append(row)
    out = pd.DataFrame(rows)
    texts = ["out_below", "in_below", "out_above", "in_above"]
    return out.astype(dict.fromkeys(texts, "str"))


def _turns(own: Floats, rest: Floats, w: float) -> tuple[float, float, int, int]:
    """Where leads over several decks turn nearest below and above a weight, and over which deck; 0, 1 and -1 if none.

    A lead of zero at the weight itself turns there on the side on which it would be lost.
    """
    slope = own - rest
    lead = np.maximum(w * slope + rest, 0.0)
    at = np.divide(w * slope - lead, slope, out=np.full(len(own), np.nan), where=np.abs(slope) > _NEVER)
    at = to_places(at, _PLACES)
    below = np.where((slope > _NEVER) & (at >= 0), at, -1.0)
    above = np.where((slope < -_NEVER) & (at <= 1), at, 2.0)
    low, high = (int(below.argmax()), int(above.argmin())) if len(own) else (-1, -1)
    has_low, has_high = low >= 0 and below[low] >= 0, high >= 0 and above[high] <= 1
    return (
        float(below[low]) if has_low else 0.0,
        float(above[high]) if has_high else 1.0,
        low if has_low else -1,
        high if has_high else -1,
    )

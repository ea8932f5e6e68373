"""Plain answers to where to saw, to hold repair limits against."""

from __future__ import annotations

import numpy as np
import pandas as pd

from decknet.measure.boxes import around, settle
from decknet.measure.edges import cost_within
from decknet.measure.laid import drawn_defects, lay_down
from decknet.settings import LimitSettings

__all__ = ["plain_costs"]


def plain_costs(defects: pd.DataFrame, decks: pd.DataFrame, settings: LimitSettings) -> pd.DataFrame:
    """What two plain ways of choosing limits would cost on each deck.

    Parameters
    ----------
    defects, decks : DataFrame
        As for ``repair_limits``.
    settings : LimitSettings

    Returns
    -------
    DataFrame, one row a deck with unsound areas drawn
        deck_id; merged (currency: one limit an area, merged until none stands too near another); one (currency:
        one limit round everything between two joints).

    References
    ----------
    derived: the same prices as ``limits_cost``.
    """
    kept, deck, where = drawn_defects(defects, decks, settings)
    chosen = decks.iloc[where]
    laid = lay_down(kept, deck, chosen, settings)
    out = pd.DataFrame({"deck_id": chosen["deck_id"].to_numpy(dtype=object), "merged": 0.0, "one": 0.0})
    cost = out[["merged", "one"]].to_numpy(dtype=np.float64, copy=True)
    panel = laid.pieces.panel
    starts = np.flatnonzero(np.r_[True, panel[1:] != panel[:-1]]) if len(panel) else np.empty(0, dtype=np.int64)
    for start, stop in zip(starts, np.append(starts[1:], len(panel))[: len(starts)], strict=True):
        box, full, at = laid.box[start:stop], laid.full[start:stop], panel[start]
        finest, _ = settle(box, laid.grid.gap)
        for column, label in enumerate((finest, np.zeros(len(box), dtype=np.int64))):
            made = around(box, label, int(label.max()) + 1)
            deep = np.bincount(label, weights=full) > 0
            limits = [(*b, bool(f)) for b, f in zip(made.tolist(), deep, strict=True)]
            bounds, edge = laid.panels.bounds[at].tolist(), laid.panels.edge[at]
            cost[laid.panels.deck[at], column] += cost_within(limits, bounds, edge, laid.prices)
    out[["merged", "one"]] = cost
    return out.astype({"deck_id": "str"})

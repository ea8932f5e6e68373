"""The network map of a district: everything that stands behind it, gathered."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd

from decknet import show
from decknet.flow.network import Network
from decknet.schedule import Programme
from decknet.show import DeckRecords

__all__ = ["deck_records", "draw_map", "years_to_come"]

_AHEAD_YR = 10


def draw_map(
    network: Network, programme: Programme | None, *, tiles: str | None = None, limits: pd.DataFrame | None = None,
    sheets: Mapping[str, str] | None = None,
) -> str:  # fmt: skip
    """The network map as one HTML page.

    Parameters
    ----------
    network : Network
    programme : Programme or None
    tiles : str or None
        Address of a tile background; None asks nothing of any network.
    limits : DataFrame or None
        Planned repair limits, as ``works.limits_of`` gives.
    sheets : mapping of deck number to address, or None
        Where sheets or pages of decks lie, relative to the map.

    Returns
    -------
    str
    """
    return show.network_map(
        network.status, network.base, programme, deck_records(network, programme, limits), title=network.title,
        settings=network.settings, today=network.today, tiles=tiles, sheets=sheets,
    )  # fmt: skip


def deck_records(network: Network, programme: Programme | None, limits: pd.DataFrame | None = None) -> DeckRecords:
    """Surveys, repairs, plans and forecasts of every deck, as the map takes them."""
    none = pd.DataFrame()
    return DeckRecords(
        decks=network.decks,
        surveys=network.surveys,
        defects=network.sketches,
        repairs=network.repairs,
        limits=none if limits is None else limits,
        urgent=network.urgent,
        ahead=years_to_come(network, programme),
    )


def years_to_come(network: Network, programme: Programme | None, *, years: int = _AHEAD_YR) -> pd.DataFrame:
    """Unsound share of every deck when each coming year is over, without works and with the programme.

    Parameters
    ----------
    network : Network
    programme : Programme or None
        Its years are those looked ahead.
    years : int
        How many years to look ahead without a programme.

    Returns
    -------
    DataFrame, one row a deck and year
        deck_id, year; nothing, low, high (0 to 1: without works, with its 10 and 90 % quantile), planned (0 to 1:
        with the programme; missing where it does not say).
    """
    if network.growth is None:
        return pd.DataFrame()
    made = programme is not None and len(programme.years) > 0
    first = int(programme.years["year"].min()) if programme is not None and made else network.today.year + 1
    count = len(programme.years) if programme is not None and made else years
    growth, ids = network.growth, network.status["deck_id"]
    rows = growth.rows(ids)
    when = [growth.today_yr + (date(first + k, 12, 31) - network.today).days / 365.25 for k in range(count)]
    fan = [growth.unsound(rows, np.full(len(rows), at)) for at in when]
    nothing, low, high = (np.stack([year[q] for year in fan], axis=1) for q in range(3))
    planned = np.full_like(nothing, np.nan)
    if programme is not None and made and len(programme.shares):
        shares = programme.shares
        at = pd.Index(ids).get_indexer(pd.Index(shares["deck_id"])), shares["year"].to_numpy(dtype=np.int64) - first
        nothing = np.full_like(nothing, np.nan)
        nothing[at], planned[at] = shares["nothing"], shares["planned"]
    return pd.DataFrame(
        {
            "deck_id": np.repeat(ids.to_numpy(), count),
            "year": np.tile(np.arange(first, first + count), len(ids)),
            "nothing": nothing.ravel(),
            "low": np.fmin(low, nothing).ravel(),
            "high": np.fmax(high, nothing).ravel(),
            "planned": planned.ravel(),
        }
    )

"""The figures of each deck on which a programme rests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.errors import RecordError
from decknet.schedule.closure import Roads, road_figures

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.paths import Paths
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

__all__ = ["Decks", "deck_figures"]

# Surfaces that are no overlay; any other word in `surface_kind` counts as one. Missing counts as bare.
BARE = frozenset({"", "bare", "bare concrete", "concrete", "none", "no overlay", "sealed", "sealer"})


@dataclass(frozen=True, slots=True)
class Decks:
    """The figures of each deck on which the programme rests. Every array has shape (decks,).

    Attributes
    ----------
    area_m2 : m2, > 0; NaN where not known
    share : fraction 0 to 1, unsound share at time 0; NaN where not known
    growth_per_yr : share of the deck a year, >= 0
    weight : traffic weight, no unit, > 0
    overlaid : flag, an overlay lies on the deck
    roads : Roads or None
        What runs over the decks; None: closures cost nothing.
    drawn_m2, drawn_saw_m : m2 broken out and m of saw cut by the limits drawn, NaN where none are; or None
    full_part : part of the unsound area that is so to full depth, NaN where no depth was drawn; or None
    deck_age, overlay_age : yr at time 0, of the deck and of the overlay on it, NaN where not known; or None
    paths : Paths or None
        Forecasts; None: a straight path of share and growth.
    found_above : share by which what surveys found, grown to time 0, lies above what is expected, >= 0; or None
    """

    area_m2: Floats
    share: Floats
    growth_per_yr: Floats
    weight: Floats
    overlaid: Flags
    roads: Roads | None = None
    drawn_m2: Floats | None = None
    drawn_saw_m: Floats | None = None
    full_part: Floats | None = None
    deck_age: Floats | None = None
    overlay_age: Floats | None = None
    paths: Paths | None = None
    found_above: Floats | None = None

    def __len__(self) -> int:
        return len(self.share)

    def part(self, rows: npt.NDArray[np.intp] | slice) -> Decks:
        """The decks of those rows."""

        def some(column: Floats | None) -> Floats | None:
            return None if column is None else column[rows]

        return Decks(
            self.area_m2[rows],
            self.share[rows],
            self.growth_per_yr[rows],
            self.weight[rows],
            self.overlaid[rows],
            None if self.roads is None else self.roads.part(rows),
            some(self.drawn_m2),
            some(self.drawn_saw_m),
            some(self.full_part),
            some(self.deck_age),
            some(self.overlay_age),
            None if self.paths is None else self.paths.part(rows),
            some(self.found_above),
        )


def deck_figures(
    status: pd.DataFrame,
    settings: Settings,
    drawn: pd.DataFrame | None = None,
    paths: Paths | None = None,
    first_year: int | None = None,
) -> Decks:
    """The figures of each deck, checked, in the order of the rows.

    Parameters
    ----------
    status : DataFrame
        One row a deck. Read where present: deck_id, area_m2 (m2), share_now (0 to 1, expected), growth_per_yr
        (share/yr), aadt (veh/day), surface_kind, built_year, found_grown (0 to 1, found by surveys and grown to the
        day). Growth that is missing is taken as the network figure of the settings, traffic that is missing as the
        least traffic counted.
    settings : Settings
    drawn : DataFrame, optional
        One row a deck of which more is known: deck_id; where its repair limits are drawn repair_m2 (m2 broken out) and
        saw_cut_m (m); where depths were drawn full_part (0 to 1, part of the unsound area that is so to full depth);
        overlay_year of the overlay on it.
    paths : Paths, optional
        Forecasts of every deck of `status`; its share at time 0 takes the place of share_now.
    first_year : int, optional
        Calendar year of time 0, for ages.

    Returns
    -------
    Decks

    Raises
    ------
    RecordError
        A share outside 0 to 1, a negative growth or traffic, or an area that is not positive; a deck with no forecast.
    """
    area = _numbers(status, "area_m2")
    share = _numbers(status, "share_now")
    growth = _numbers(status, "growth_per_yr")
    aadt = _numbers(status, "aadt")
    wrong = (
        ("area_m2", area, np.isinf(area) | (area <= 0), "must be above 0", "Correct the deck's length and width"),
        ("share_now", share, (share < 0) | (share > 1), "must lie between 0 and 1", "Correct the deck's surveys"),
        ("growth_per_yr", growth, (growth < 0) | (growth > 1), "must lie between 0 and 1", "Fit growth again"),
        ("aadt", aadt, np.isinf(aadt) | (aadt < 0), "must not be negative", "Correct the traffic"),
    )
    for column, values, bad, rule, remedy in wrong:
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            name = status["deck_id"].iloc[row] if "deck_id" in status else f"row {row + 1}"
            more = f" ({int(bad.sum())} decks in all)" if bad.sum() > 1 else ""
            raise RecordError(f"deck {name}, {column}: {values[row]:g} {rule}{more}. {remedy}.")
    programme = settings.programme
    weight = (np.fmax(aadt, programme.traffic_floor) / 1000.0) ** programme.traffic_power
    if "surface_kind" in status:
        words = status["surface_kind"].astype("object").where(status["surface_kind"].notna(), "")
        overlaid = ~words.astype(str).str.strip().str.casefold().isin(BARE).to_numpy(dtype=bool)
    else:
        overlaid = np.zeros(len(status), dtype=bool)
    growth = np.where(np.isnan(growth), settings.growth.network_per_yr, growth)
    mine = _drawn(status, drawn)
    overlay_age = deck_age = None
    if mine is not None and "overlay_year" in mine:
        laid = _numbers(mine, "overlay_year")
        overlaid = overlaid | np.isfinite(laid)
        overlay_age = None if first_year is None else first_year - laid
    if first_year is not None and "built_year" in status:
        deck_age = first_year - _numbers(status, "built_year")
    if paths is not None:
        paths = paths.of(status["deck_id"])
        share = np.where(np.isnan(share), np.nan, paths.nothing[:, 0])
    return Decks(
        area,
        share,
        growth,
        weight,
        overlaid,
        road_figures(status, settings),
        None if mine is None else _numbers(mine, "repair_m2"),
        None if mine is None else _numbers(mine, "saw_cut_m"),
        None if mine is None or "full_part" not in mine else _numbers(mine, "full_part"),
        deck_age,
        overlay_age,
        paths,
        _found_above(status, share),
    )


def _found_above(status: pd.DataFrame, share: Floats) -> Floats | None:
    """How far what was found, grown to the day, lies above what is expected; None where nothing found is given."""
    if "found_grown" not in status:
        return None
    return np.nan_to_num(np.maximum(_numbers(status, "found_grown") - share, 0.0))


def _drawn(status: pd.DataFrame, drawn: pd.DataFrame | None) -> pd.DataFrame | None:
    """What more is known, in the order of the decks, checked."""
    if drawn is None or "deck_id" not in status:
        return None
    if drawn["deck_id"].duplicated().any():
        raise RecordError(
            f"drawn limits, deck {drawn['deck_id'][drawn['deck_id'].duplicated()].iloc[0]}: stands twice. "
            "Keep one row a deck."
        )
    mine = drawn.set_index("deck_id").reindex(status["deck_id"])
    area = _numbers(mine, "repair_m2")
    if (area < 0).any():
        name = status["deck_id"].iloc[int(np.flatnonzero(area < 0)[0])]
        raise RecordError(f"drawn limits, deck {name}, repair_m2: must not be negative. Draw the limits again.")
    return mine


def _numbers(status: pd.DataFrame, column: str) -> Floats:
    if column not in status:
        return np.full(len(status), np.nan)
    return np.asarray(pd.to_numeric(status[column]).to_numpy(dtype=np.float64, na_value=np.nan))

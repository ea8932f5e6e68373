"""The coming years of every deck at once, without works and after them: what a programme chooses by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import SettingsError
from decknet.predict.after_works import life_anew
from decknet.predict.damage import PATCHES
from decknet.predict.growth import Growth
from decknet.settings import Treatment
from decknet.settled import CHANCE_PLACES, SHARE_PLACES, to_places

__all__ = ["YearsAhead", "part_failed", "years_ahead"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class YearsAhead:
    """Expected unsound shares, by deck and whole years from today.

    Attributes
    ----------
    deck_id : Index, shape (n,)
        In the order of the decks the growth was fitted to.
    nothing : array, shape (n, m), 0 to 1
        Share k years from today (k = 0 to m - 1) if nothing is done; column 0 is ``share_now``.
    family : array of int, shape (n,)
        Row of each deck in ``anew``.
    anew : dict of treatment to array, shape (families, m)
        For overlays and new decks: share gone unsound k years after the works, beside what they left; NaN
        where the network has too few such decks to say.
    growth : Growth
    treatments : dict of Treatment
    patch_life : (scale in yr, shape) or None
        Weibull life of patches.
    """

    deck_id: pd.Index
    nothing: Floats
    family: Ints
    anew: dict[str, Floats]
    growth: Growth
    treatments: dict[str, Treatment]
    patch_life: tuple[float, float] | None

    def after(
        self, treatment: str, done: int, rows: Ints | slice = slice(None), before: Floats | None = None
    ) -> Floats:
        """Shares from the day of the works on, as ``forecast_after`` has them (its median).

        Parameters
        ----------
        treatment : str
            A key of ``treatments``.
        done : int
            Years from today to the works, 0 to m - 1.
        rows : array of int or slice
            Which decks; all by default.
        before : array, shape (rows,), or None
            Share just before the works, where other works came earlier; None takes ``nothing``.

        Returns
        -------
        array, shape (rows, m - done), 0 to 1
            Column 0 is just after the works, column k k years later.

        Raises
        ------
        SettingsError
            The treatment is not known, or ``done`` lies outside the years.
        """
        if treatment not in self.treatments:
            raise SettingsError(f"treatment {treatment!r}: not known. Known: {', '.join(self.treatments)}.")
        years = self.nothing.shape[1]
        if not 0 <= done < years:
            raise SettingsError(f"done {done}: lies outside the {years} years looked ahead. Look further ahead.")
        rule, nothing = self.treatments[treatment], self.nothing[rows, done:]
        share = nothing[:, 0] if before is None else before
        since = np.arange(years - done, dtype=np.float64)
        left = ((1 - rule.removes) * share)[:, None]
        if treatment in PATCHES:
            out = left + rule.growth_factor * (nothing - nothing[:, :1])
            if self.patch_life is not None:
                out += (rule.removes * share)[:, None] * part_failed(since, self.patch_life)
            return to_places(np.clip(out, 0.0, 1.0), SHARE_PLACES)
        grown = self.anew[treatment][self.family[rows], : years - done]
        few = np.isnan(grown[:, 0])
        if few.any():
            which = np.arange(len(self.deck_id))[rows][few]
            pace = self.growth.pace(which, np.full(len(which), self.growth.today_yr + done))[0]
            grown[few] = rule.growth_factor * pace[:, None] * np.maximum(since - rule.rest_yr, 0.0)
        return to_places(np.clip(left + grown, 0.0, 1.0), SHARE_PLACES)


def part_failed(since_yr: Floats, life: tuple[float, float]) -> Floats:
    """Part of patches that has failed so many years after they were placed.

    Parameters
    ----------
    since_yr : array, shape (m,), yr >= 0
    life : (scale in yr, shape)
        Weibull life of patches.
    """
    return to_places(-np.expm1(-((since_yr / life[0]) ** life[1])), CHANCE_PLACES)


def years_ahead(
    growth: Growth, treatments: dict[str, Treatment], *, years: int = 25, patch_life: tuple[float, float] | None = None
) -> YearsAhead:
    """Expected unsound share of every deck in each coming year, without works and after each treatment.

    Parameters
    ----------
    growth : Growth
        As ``fit_growth_model`` gives.
    treatments : dict of Treatment
    years : int, yr
        How far to look.
    patch_life : (scale in yr, shape) or None
        Weibull life of patches, as ``fit_weibull`` found it; None takes patches to hold.

    Returns
    -------
    YearsAhead
        With m = years + 1 columns.

    References
    ----------
    derived: as ``forecast_after``, with what depends on the deck kept apart from what depends on its family.
    """
    n = len(growth.deck_id)
    rows = np.arange(n)
    nothing = np.empty((years + 1, n))
    for k in range(years + 1):
        nothing[k] = growth.expected(rows, np.full(n, growth.today_yr + k))
    anew = {}
    for name, rule in treatments.items():
        if name in PATCHES:
            continue
        since = np.arange(years + 1, dtype=np.float64)
        anew[name] = np.stack(
            [life_anew(growth, code, name, rule, since)[0] for code in range(len(growth.families.names))]
        )
    return YearsAhead(
        growth.deck_id, np.ascontiguousarray(nothing.T), growth.families.of, anew, growth, treatments, patch_life
    )

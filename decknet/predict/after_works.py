"""Forecasts after works: a patch, a patch and seal, an overlay, a new deck."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import SettingsError
from decknet.predict.curved import AGE_YR, Z80, share_at
from decknet.predict.damage import PATCHES
from decknet.predict.growth import OVERLAYS, Growth
from decknet.predict.history import years
from decknet.predict.scores import Fan
from decknet.settings import Treatment
from decknet.settled import SHARE_PLACES, to_places

__all__ = ["forecast_after", "life_anew"]

Floats = NDArray[np.float64]


def forecast_after(
    growth: Growth, decks: pd.Series | list[str], treatment: str, treatments: dict[str, Treatment], *, done: date,
    on: date, patch_life: tuple[float, float] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Unsound share on a day, if a treatment is done on an earlier one and nothing else.

    Parameters
    ----------
    growth : Growth
        As ``fit_growth_model`` gives.
    decks : ids, shape (n,)
    treatment : str
        A key of ``treatments``.
    treatments : dict of Treatment
    done, on : date
        ``on`` not before ``done``.
    patch_life : (scale in yr, shape) or None
        Weibull life of patches, as ``fit_weibull`` found it for this district; None takes patches to hold.

    Returns
    -------
    DataFrame, shape (n, 5)
        deck_id; unsound_low, unsound_share, unsound_high (10, 50, 90 %); based_on ("own lines",
        "decks overlaid before", "new decks of the family" or "settings").

    Notes
    -----
    A patch takes away its part of what is unsound that day and leaves the deck's own growth, times the
    treatment's factor; patches fail again by ``patch_life``. An overlay or a new deck begins a new
    life: where the network has enough overlaid decks of the family, as they do; else after the
    rest, with the deck's growth times the factor. A new deck follows its family's curve from its first
    year, at the treatment's factor.

    Raises
    ------
    SettingsError
        The treatment is not known, or the days are in the wrong order.
    """
    if treatment not in treatments:
        raise SettingsError(f"treatment {treatment!r}: not known. Known: {', '.join(treatments)}.")
    if on < done:
        raise SettingsError(f"on {on}: lies before the works of {done}. Ask for that day or a later one.")
    rule, rows = treatments[treatment], growth.rows(decks)
    start, end = (float(years(pd.Series([pd.Timestamp(day)]))[0]) for day in (done, on))
    at, then = np.full(len(rows), start), np.full(len(rows), end)
    before = growth.unsound(rows, at)
    left = tuple((1 - rule.removes) * q for q in before)
    if treatment in PATCHES:
        later = growth.unsound(rows, then)
        gained = tuple(np.maximum(b - a, 0.0) * rule.growth_factor for a, b in zip(before, later, strict=True))
        again = 0.0
        if patch_life is not None:
            again = -float(np.expm1(-(((end - start) / patch_life[0]) ** patch_life[1])))
        parts = [q + g + again * rule.removes * b for q, g, b in zip(left, gained, before, strict=True)]
        words = np.full(len(rows), "own lines", dtype=object)
    else:
        parts, words = _new_life(growth, rows, treatment, rule, left, start, end)
    median, low, high = (to_places(np.clip(q, 0.0, 1.0), SHARE_PLACES) for q in parts)
    return pd.DataFrame(
        {
            "deck_id": growth.deck_id[rows], "unsound_low": np.minimum(low, median), "unsound_share": median,
            "unsound_high": np.maximum(high, median), "based_on": pd.Series(words, dtype="str"),
        }
    )  # fmt: skip


def _new_life(
    growth: Growth, rows: NDArray[np.int64], treatment: str, rule: Treatment, left: tuple[Floats, ...], start: float,
    end: float,
) -> tuple[list[Floats], NDArray[np.object_]]:  # fmt: skip
    """Median, 10 and 90 % quantile in the life that an overlay or a new deck begins."""
    since = np.array([end - start])
    pace = growth.pace(rows, np.full(len(rows), start))
    rest = max(end - start - rule.rest_yr, 0.0)
    parts = [q + rule.growth_factor * p * rest for q, p in zip(left, pace, strict=True)]
    words = np.full(len(rows), "settings", dtype=object)
    for family in np.unique(growth.families.of[rows]).tolist():
        grown, mine = life_anew(growth, family, treatment, rule, since), growth.families.of[rows] == family
        if np.isnan(grown[0][0]):  # too few decks for a curve of their own
            continue
        parts = [np.where(mine, q + g[0], p) for p, q, g in zip(parts, left, grown, strict=True)]
        words[mine] = "decks overlaid before" if treatment in OVERLAYS else "new decks of the family"
    return parts, words


def life_anew(growth: Growth, family: int, treatment: str, rule: Treatment, since_yr: Floats) -> Fan:
    """Share gone unsound in the life that an overlay or a new deck begins, as the network's such decks show.

    Parameters
    ----------
    growth : Growth
    family : int
        Of the deck before the works.
    treatment : str
        An overlay or a new deck.
    rule : Treatment
    since_yr : array, shape (m,), yr >= 0
        Since the works.

    Returns
    -------
    median, low, high : arrays, shape (m,)
        NaN where the network has too few such decks.
    """
    families, curved = growth.families, growth.models.curved
    overlay = treatment in OVERLAYS
    want = "overlaid" if overlay else "first surface"
    target = families.names[family].replace("first surface", want).replace("overlaid", want)
    code = families.names.index(target) if target in families.names else -1
    if code not in curved.fits or code < 0:
        none = np.full(len(since_yr), np.nan)
        return none, none, none
    fit = curved.fits[code]
    age = since_yr - (rule.rest_yr if overlay else 0.0)
    x = np.log(np.maximum(age, 1e-3) / AGE_YR)
    c = fit.between + fit.mean_var
    sd = np.sqrt(np.maximum(c[0, 0] + 2 * c[0, 1] * x + c[1, 1] * x * x, 0.0)) * growth.blend.width[code]
    factor = 1.0 if overlay else rule.growth_factor
    median, low, high = (
        to_places(np.where(age > 0, share_at(fit.mean[0] + fit.mean[1] * x + z * sd) * factor, 0.0), SHARE_PLACES)
        for z in (0.0, -Z80, Z80)
    )
    return median, low, high

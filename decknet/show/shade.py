"""The ground of a deck to look at first, as it is drawn and told: dots, the denser the more comes there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from decknet import digits

__all__ = ["DOT_STEPS", "Shade", "band_words", "dots_path", "learnt_words", "reading_words"]

DOT_STEPS = {1: 0.85, 2: 1.3, 3: 2.0}  # band -> distance of the dots, mm on paper
DOT = 0.34  # mm across
_NEAREST = {
    "damage": "known damage", "joints": "the joints", "product": "known damage and the joints",
    "sum": "known damage and the joints",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shade:
    """Bands of one deck, and how they were learnt.

    Attributes
    ----------
    bands : DataFrame
        band (1 strongest), times (averages of the deck), shape (polygon in station and offset, m).
    nearest : str
        What the distance is from: "damage", "joints", "product" or "sum" of both.
    held : float, 0 to 1
        Part of the new damage that the tenth of the ground rated highest held.
    pairs : int
        Pairs of surveys that this was tested on.
    """

    bands: pd.DataFrame
    nearest: str
    held: float
    pairs: int

    def drawn(self) -> Iterator[tuple[int, Any]]:
        """Band and shape of each."""
        return zip(self.bands["band"].tolist(), self.bands["shape"], strict=True)


def learnt_words(shade: Shade) -> str:
    """How the bands were learnt, and what that was worth here.

    Examples
    --------
    >>> learnt_words(Shade(pd.DataFrame(), "damage", 0.611, 37))
    'The tenth of the ground nearest known damage held 61 % of new damage in 37 pairs of surveys here.'
    """
    return (
        f"The tenth of the ground nearest {_NEAREST[shade.nearest]} held {digits.percent(shade.held)} of new damage "
        f"in {digits.count(shade.pairs)} pairs of surveys here."
    )


def reading_words(shade: Shade) -> str:
    """How the bands are read, and what they do not say."""
    return (
        f"Dotted: look there first; the denser, the more new damage comes there. {learnt_words(shade)} Ground without "
        "dots is not sound ground: sound it all."
    )


def band_words(times: float) -> str:
    """What a band holds.

    Examples
    --------
    >>> band_words(14.17), band_words(1.93)
    ("new damage 14 times the deck's average", "new damage 1.9 times the deck's average")
    """
    return f"new damage {digits.times(times)} times the deck's average"


def dots_path(shape: Any, band: int, *, size: float = 1.0) -> str:
    """A band as drawn: dots on one lattice for the whole drawing, so that strips match.

    Parameters
    ----------
    shape : Polygon, MultiPolygon or collection, mm on paper
    band : int
        One of ``DOT_STEPS``.
    size : float
        Dots and their distances are so many times as large.
    """
    step = DOT_STEPS[band] * size
    rise = step * np.sqrt(0.75)
    low_x, low_y, high_x, high_y = shapely.bounds(shape)
    if not np.isfinite(low_x):
        return ""
    row = np.arange(np.ceil(low_y / rise), np.floor(high_y / rise) + 1)
    column = np.arange(np.floor(low_x / step), np.floor(high_x / step) + 1)
    x = (column[None, :] + np.where(row[:, None] % 2 == 0, 0.0, 0.5)) * step
    y = np.broadcast_to(row[:, None] * rise, x.shape)
    inside = shapely.contains_xy(shape, x, y)
    dots = "".join(f"M{a:.2f} {b:.2f}h.01" for a, b in zip(x[inside], y[inside], strict=True))
    if not dots:
        return ""
    return (
        f'<path class="first" data-band="{band}" d="{dots}" fill="none" stroke="#000" stroke-width="{DOT * size:.2f}" '
        'stroke-linecap="round"/>'
    )

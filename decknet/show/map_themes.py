"""The themes of the network map: what each colours by, its classes, and what it says of doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import to_hex

from decknet import digits

__all__ = ["MOST_YEARS", "THEMES", "Theme", "class_words", "shown_themes"]

MOST_YEARS = 6  # programme years told apart; later ones share a class


@dataclass(frozen=True, slots=True)
class Theme:
    """A figure by which decks can be coloured.

    Attributes
    ----------
    key, label, unit : str
        As shown; the page knows by the key where the figure comes from.
    quantity : str
        What its printed digits follow, of ``digits.PLACES``.
    breaks : tuple of float
        Lower ends of the classes above the lowest, in the unit shown. A value on a break belongs to
        the class above it.
    span : str
        Which stops of the year slider have this figure: "all", "past" (up to today), "today" or "ahead" (from today).
    none : str
        What a deck without a figure is called.
    soft : str
        What a figure with a light centre rests on; empty where there is no such thing.
    doubt : tuple of two floats
        Widths of the 80 % range, in the unit shown, past which the first and the second ring are drawn.
    doubt_words : str
        What the rings say, with ``{}`` for the width.
    pool : str
        How decks drawn together in one cell are told: by "mean", "greatest" or "least".
    turned : bool
        Whether low values are the pressing ones, drawn dark and large.
    classes : tuple of str
        Words for the classes, from low to high; by default made from the breaks.
    """

    key: str
    label: str
    unit: str
    quantity: str
    breaks: tuple[float, ...]
    span: str
    none: str = "no figure"
    soft: str = ""
    doubt: tuple[float, ...] = ()
    doubt_words: str = ""
    pool: str = "mean"
    turned: bool = False
    classes: tuple[str, ...] = ()


# Breaks follow the bends of the value curves in the settings, rounded; they are ours, not a standard's.
THEMES: tuple[Theme, ...] = (
    Theme(
        "unsound", "Unsound share", "% of deck area", "share", (2, 5, 10, 25), "all", "not known",
        "estimated, or not all of it looked at of late", (5, 15), "its 80 % range is over {} points",
    ),
    Theme(
        "delaminated", "Delaminated share", "% of the area looked at", "share", (2, 5, 10, 25), "past",
        "no survey says", "not all of it looked at of late",
    ),
    Theme(
        "growth", "Growth of the unsound share", "points a year", "pace", (0.25, 0.5, 1, 2), "today", "not known",
        "not from its own surveys", (1, 2), "its 80 % range is over {} points a year",
    ),
    Theme(
        "priority", "Priority", "points of 100", "points", (20, 40, 60, 80), "today", "not ranked",
        "estimated without a survey", (20, 40), "its 80 % range of rank is over {} % of all decks",
    ),
    Theme("year", "Programme year", "first year of works", "whole", (), "ahead", "not in the programme", pool="least"),
    Theme(
        "urgent", "Act now", "days left", "whole", (0, 8, 31), "today", "not on the list",
        "nothing open, all of it to confirm", pool="least", turned=True,
        classes=("overdue", "within a week", "8 to 30 days", "later"),
    ),
    Theme(
        "sounded", "Last sounding", "years ago", "years", (1, 2, 3, 5), "past", "never sounded",
        "due to be sounded again", pool="mean",
    ),
    Theme(
        "traffic", "Traffic", "vehicles a day (AADT)", "whole", (500, 2_000, 10_000, 40_000), "today", "not known",
        "filled in, or a count that is old or without a year",
    ),
)  # fmt: skip


def class_words(breaks: Sequence[float]) -> list[str]:
    """Classes in words, from under the first break to the last and more."""
    shown = [digits.given(b) for b in breaks]
    return [f"under {shown[0]}", *(f"{a} to under {b}" for a, b in pairwise(shown)), f"{shown[-1]} and more"]


def shown_themes(years: Sequence[int]) -> list[dict[str, Any]]:
    """The themes as the page needs them, classes from pale and small to dark and large.

    Parameters
    ----------
    years : sequence of int
        Years in which decks are first worked on; without any, the theme of programme years is left out.
    """
    out = []
    for theme in THEMES:
        breaks, words, turned = list(theme.breaks), list(theme.classes), theme.turned
        if theme.key == "year":
            kept = sorted(set(years))[:MOST_YEARS]
            if not kept:
                continue
            breaks, words, turned = [float(y) for y in kept[1:]], [str(y) for y in kept], True
            if len(set(years)) > len(kept):
                words[-1] += " and later"
        words = words or class_words(breaks)
        at = np.linspace(0.97, 0.02, len(words)) if len(words) > 1 else np.array([0.2])
        radii = np.round(np.linspace(4.5, 10.5, len(words)), 1) if len(words) > 1 else np.array([8.0])
        looks = [[to_hex(colormaps["cividis"](x)), float(r)] for x, r in zip(at, radii, strict=True)]
        if turned:
            looks.reverse()
        out.append(
            {
                "key": theme.key, "label": theme.label, "unit": theme.unit, "digits": theme.quantity, "breaks": breaks,
                "span": theme.span,
                "none": theme.none, "soft": theme.soft, "doubt": list(theme.doubt), "doubtWords": theme.doubt_words,
                "pool": theme.pool, "turned": turned,
                "classes": [[w, c, r] for w, (c, r) in zip(words, looks, strict=True)],
            }
        )  # fmt: skip
    return out

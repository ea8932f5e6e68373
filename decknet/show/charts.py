"""Charts of the document: how the deck area is spread over shares, what money buys, forecasts against what came."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from decknet import digits
from decknet.settings import Settings
from decknet.show.figure import BAND, GREY, INK, SOFT, figure_svg
from decknet.show.map_themes import class_words
from decknet.show.plot import theme_of

__all__ = ["forecast_chart", "money_chart", "share_chart"]

Floats = npt.NDArray[np.float64]


def share_chart(status: gpd.GeoDataFrame, *, width_mm: float = 170.0, height_mm: float = 42.0) -> bytes:
    """Deck area by class of the unsound share of today, what was never surveyed set apart.

    Parameters
    ----------
    status : GeoDataFrame
        ``area_m2``, ``share_now``, ``share_from``; decks without either figure are left out.

    Returns
    -------
    bytes
        SVG, in the colours of the map.
    """
    theme, factor = theme_of("share_now")

    def numbers(name: str) -> Floats:
        if name not in status.columns:
            return np.full(len(status), np.nan)
        return np.asarray(status[name].astype("Float64").to_numpy(dtype=float, na_value=np.nan))

    area, share = numbers("area_m2"), numbers("share_now") * factor
    known = np.isfinite(area) & np.isfinite(share)
    guessed = np.zeros(len(status), dtype=bool)
    if "share_from" in status.columns:
        guessed = np.asarray((status["share_from"] != "survey").fillna(False), dtype=bool)
    level = np.digitize(np.round(share, 9), theme.breaks)
    names = [*class_words(theme.breaks)]
    colours = [mpl.colormaps["cividis"](x) for x in np.linspace(0.97, 0.02, len(names))]

    def draw(axes: Sequence[Axes]) -> None:
        ax = axes[0]
        most = 0.0
        for k, colour in enumerate(colours):
            mine = known & (level == k)
            sure, rest = float(area[mine & ~guessed].sum()), float(area[mine & guessed].sum())
            ax.barh(k, sure, color=colour, edgecolor=INK, linewidth=0.5)
            ax.barh(k, rest, left=sure, color="#ffffff", edgecolor=INK, linewidth=0.5, hatch="////")
            many = int(mine.sum())
            words = f" {digits.area(sure + rest)} m², {digits.counted(many, 'deck')}"
            ax.text(sure + rest, k, words, va="center", color=INK)
            most = max(most, sure + rest)
        ax.set_yticks(range(len(names)), names)
        ax.set_ylabel("unsound share (%)")
        ax.set_xlim(0, max(most, 1.0) * 1.22)
        ax.xaxis.set_major_formatter(lambda v, _: digits.given(v))
        ax.set_xlabel("deck area (m²)")
        if (known & guessed).any():
            ax.barh([0], [0], color="#ffffff", edgecolor=INK, linewidth=0.5, hatch="////", label="no survey: estimated")
            ax.legend(loc="upper right")

    return figure_svg(draw, width_mm, height_mm)


def money_chart(
    curve: pd.DataFrame, *, years: int, settings: Settings, width_mm: float = 170.0, height_mm: float = 62.0,
    panels: int = 2,
) -> bytes:  # fmt: skip
    """What more or less money buys.

    Parameters
    ----------
    curve : DataFrame, by rising multiple
        times, budget_total (currency), unsound_end_m2, past_share (0 to 1).
    years : int
        Years that the money is for.
    settings : Settings
    panels : int
        2 for both figures, 1 for the unsound area alone.

    Returns
    -------
    bytes
        SVG: unsound area at the end, and deck area past the threshold, against the money of a year.
    """
    money = curve["budget_total"].to_numpy(dtype=float) / years
    scale, unit = (1e6, "million ") if money.max(initial=0.0) >= 2e6 else (1e3, "thousand ")
    here = np.isclose(curve["times"].to_numpy(dtype=float), 1.0)
    past = f"deck area past {digits.percent_given(settings.programme.past_share)} unsound at the end (%)"

    def draw(axes: Sequence[Axes]) -> None:
        figures = (("unsound_end_m2", 1.0, "unsound area at the end (m²)"), ("past_share", 100.0, past))
        for ax, (name, factor, words) in zip(axes, figures, strict=False):
            y = curve[name].to_numpy(dtype=float) * factor
            ax.plot(money / scale, y, color=SOFT, linewidth=1.0, marker="o", markersize=3.5, markerfacecolor="#ffffff")
            ax.plot(money[here] / scale, y[here], "o", color=INK, markersize=5.5)
            for x, value in zip(money[here] / scale, y[here], strict=True):
                late = x * scale > 0.55 * money.max()  # the words stand where there is room for them
                ax.annotate(
                    "this programme", (x, value), textcoords="offset points", xytext=(-5, -11) if late else (6, 5),
                    ha="right" if late else "left", color=INK, fontsize=7,
                )  # fmt: skip
            for x, value in zip(money[:1] / scale, y[:1], strict=True):
                if x == 0:
                    ax.annotate(
                        "no works", (x, value), textcoords="offset points", xytext=(6, 1), color=SOFT, fontsize=7
                    )
            ax.set_ylim(0, max(float(np.nanmax(y, initial=0.0)) * 1.1, 1e-9))
            ax.set_xlim(left=0)
            ax.yaxis.set_major_formatter(lambda v, _: digits.given(v))
            ax.set_xlabel(f"money a year ({unit}{settings.currency})")
            ax.set_title(words)
            ax.grid(visible=True, color="#e6eaee", linewidth=0.5)
            ax.set_axisbelow(True)

    return figure_svg(draw, width_mm, height_mm, columns=panels)


def forecast_chart(
    expected: Floats, low: Floats, high: Floats, found: Floats, *, width_mm: float = 84.0, height_mm: float = 76.0
) -> bytes:
    """Hidden surveys: what was forecast against what was found.

    Parameters
    ----------
    expected, low, high, found : arrays, shape (n,), shares 0 to 1

    Returns
    -------
    bytes
        SVG; a survey on the line came as forecast, a hollow one lay outside its 80 % range.
    """

    def draw(axes: Sequence[Axes]) -> None:
        ax = axes[0]
        x, y = 100 * expected, 100 * found
        inside = (found >= low - 1e-12) & (found <= high + 1e-12)
        top = max(float(np.max(np.concatenate([x, y]), initial=0.0)) * 1.08, 1.0)
        ax.plot([0, top], [0, top], color=GREY, linewidth=0.8, linestyle="--", label="found as forecast")
        ax.vlines(x, np.minimum(y, x), np.maximum(y, x), color=BAND, linewidth=0.5)
        ax.plot(x[inside], y[inside], "o", color=INK, markersize=2.6, linestyle="none", label="inside its 80 % range")
        ax.plot(
            x[~inside], y[~inside], "o", color=INK, markersize=3.4, markerfacecolor="#ffffff", markeredgewidth=0.8,
            linestyle="none", label="outside it",
        )  # fmt: skip
        # The square root spreads the many small shares.
        for set_scale in (ax.set_xscale, ax.set_yscale):
            set_scale("function", functions=(lambda v: np.sqrt(np.maximum(v, 0)), np.square))
        ticks = [t for t in (0, 1, 2, 5, 10, 20, 30, 40, 60, 80, 100) if t <= top]
        ax.set_xticks(ticks)
        ax.set_yticks(ticks)
        ax.set_xlim(0, top)
        ax.set_ylim(0, top)
        ax.set_xlabel("forecast (% of the deck)")
        ax.set_ylabel("found (% of the deck)")
        ax.legend(loc="upper left", title="Each dot a hidden survey", alignment="left", title_fontsize=6.5)

    return figure_svg(draw, width_mm, height_mm)

"""Drawings of growth: a deck's surveys with its forecast, how honest forecasts were, how long repairs hold."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from decknet import digits
from decknet.show.figure import BAND, GREY, INK, SOFT, figure_svg

__all__ = ["calibration_plot", "deck_plot", "holding_plot"]

Floats = npt.NDArray[np.float64]

PALE = "#e6eaee"
_LINES = ("-", "--", ":", "-.", (0, (6, 1, 1, 1, 1, 1)))
_SHADES = ("#1d2733", "#55606c", "#8b949c", "#3c4753", "#6f7983")


def _years(dates: pd.Series) -> Floats:
    start = dates.dt.year
    return np.asarray(start + (dates.dt.day_of_year - 1) / 365.25, dtype=np.float64)


def deck_plot(
    title: str, damage: pd.DataFrame, repairs: pd.DataFrame, forecast: pd.DataFrame, *, today: pd.Timestamp,
    width_mm: float = 160.0, height_mm: float = 85.0,
) -> bytes:  # fmt: skip
    """A deck's surveys, repairs, damage ever and the fan of what is expected.

    Parameters
    ----------
    title : str
    damage : DataFrame
        Of one deck, as ``damage_ever`` gives: survey_date, unsound_share, damage_found, damage_share, life.
    repairs : DataFrame
        Of the deck: repair_date, treatment.
    forecast : DataFrame
        Of the deck: on (date), damage_low, damage_share, damage_high (0 to 1).
    today : Timestamp

    Returns
    -------
    bytes
        SVG, readable in grey.
    """

    def draw(axes: Axes) -> None:
        at = _years(forecast["on"])
        low, middle, high = (forecast[f"damage_{n}"].to_numpy(dtype="float64") * 100 for n in ("low", "share", "high"))
        axes.fill_between(at, low, high, color=BAND, linewidth=0, label="damage ever, 80 % of what may be")
        axes.plot(at, middle, color=INK, linewidth=1.3, label="damage ever, expected")
        for _, life in damage.groupby("life", sort=True):
            when = _years(life["survey_date"])
            axes.step(when, life["damage_share"] * 100, where="post", color=SOFT, linewidth=0.8, linestyle="--")
            axes.plot(when, life["damage_found"] * 100, "o", color=INK, markersize=4, markerfacecolor="#ffffff")
            axes.plot(when, life["unsound_share"] * 100, "x", color=SOFT, markersize=4)
        axes.plot([], [], "o", color=INK, markersize=4, markerfacecolor="#ffffff", label="damage ever at a survey")
        axes.plot([], [], "x", color=SOFT, markersize=4, label="unsound at the survey")
        axes.plot([], [], color=SOFT, linewidth=0.8, linestyle="--", label="the account that never falls")
        names = repairs.dropna(subset=["repair_date"])[["repair_date", "treatment"]].drop_duplicates()
        for done in names.itertuples():
            x = _years(pd.Series([done.repair_date]))[0]
            axes.axvline(x, color=GREY, linewidth=0.7, linestyle=":")
            axes.annotate(
                str(done.treatment), (x, 1.0), xycoords=("data", "axes fraction"), rotation=90, va="top", ha="right",
                fontsize=6.5, color=SOFT,
            )  # fmt: skip
        axes.axvline(_years(pd.Series([today]))[0], color=INK, linewidth=0.6)
        axes.annotate(
            "today", (_years(pd.Series([today]))[0], 0.0), xycoords=("data", "axes fraction"), rotation=90, va="bottom",
            ha="right", fontsize=6.5, color=INK,
        )  # fmt: skip
        axes.set_ylim(bottom=0)
        axes.set_xlabel("year")
        axes.set_ylabel("share of the deck, %")
        axes.set_title(title, fontsize=8.5, color=INK, loc="left")
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))

    return figure_svg(lambda axes: draw(axes[0]), width_mm, height_mm)


def calibration_plot(pit: Floats, covered_80: float, *, width_mm: float = 110.0, height_mm: float = 75.0) -> bytes:
    """Where what came fell in its forecast: even bars if the forecasts are honest.

    Parameters
    ----------
    pit : array, shape (n,), 0 to 1
    covered_80 : float, 0 to 1
        Part that came inside the 80 % interval.
    """

    def draw(axes: Axes) -> None:
        bars = 10
        count, edges = np.histogram(pit, bins=bars, range=(0, 1))
        part = count / max(len(pit), 1) * 100
        axes.bar(edges[:-1], part, width=1 / bars, align="edge", color=BAND, edgecolor=SOFT, linewidth=0.6)
        even = 100 / bars
        spread = 1.6449 * np.sqrt(even * (100 - even) / max(len(pit), 1))  # basis: derived, binomial, 90 %
        axes.axhspan(even - spread, even + spread, color=PALE, zorder=0, linewidth=0)
        axes.axhline(even, color=INK, linewidth=0.9, linestyle="--")
        axes.annotate(
            "as even forecasts would be", (0.99, even), ha="right", va="bottom", fontsize=6.5, color=INK,
            textcoords="offset points", xytext=(0, 2),
        )  # fmt: skip
        axes.set_xlim(0, 1)
        axes.set_xlabel("place of what came in its forecast (0 lowest, 1 highest)")
        axes.set_ylabel("surveys, %")
        words = f"{digits.count(len(pit))} hidden surveys; {digits.chance(covered_80)} % inside the 80 % interval"
        axes.set_title(words, fontsize=8, color=INK, loc="left")

    return figure_svg(lambda axes: draw(axes[0]), width_mm, height_mm)


def holding_plot(
    title: str, curves: Sequence[tuple[str, Floats, Floats, Floats | None, Floats | None]], *,
    still: tuple[Floats, npt.NDArray[np.int64]] | None = None, width_mm: float = 160.0, height_mm: float = 85.0,
) -> bytes:  # fmt: skip
    """Share of repairs that hold, by years since placing.

    Parameters
    ----------
    title : str
    curves : sequence of (name, years, holding, low, high)
        Shares 0 to 1; low and high the 10 and 90 % quantile, or None. A curve whose name ends in
        "(steps)" is drawn as steps, one whose name ends in "few" thin.
    still : (years, counts) or None
        Patches still followed at some ages, written along the foot.
    """

    def draw(axes: Axes) -> None:
        for (name, years, holding, low, high), line, shade in zip(curves, cycle(_LINES), cycle(_SHADES), strict=False):
            steps = name.endswith("(steps)")
            if low is not None and high is not None:
                axes.fill_between(
                    years, low * 100, high * 100, color=shade, alpha=0.15, linewidth=0, step="post" if steps else None
                )
            axes.plot(
                years, holding * 100, color=shade, linestyle=line, linewidth=0.7 if name.endswith("few") else 1.3,
                label=name.removesuffix(" (steps)"),
                drawstyle="steps-post" if steps else "default",
            )  # fmt: skip
        axes.set_ylim(0 if still is None else -9, 102)
        axes.set_yticks(range(0, 101, 20))
        if still is not None:
            axes.axhline(0, color="#cfd4d8", linewidth=0.5)
            for x, count in zip(*still, strict=True):
                axes.annotate(
                    digits.count(count),
                    (x, -4.5),
                    ha="left" if x == 0 else "center",
                    va="center",
                    fontsize=6.5,
                    color=SOFT,
                )
            axes.annotate(
                "← still followed", (1.0, -4.5), xycoords=("axes fraction", "data"), xytext=(4, 0),
                textcoords="offset points", va="center", fontsize=6.5, color=SOFT, annotation_clip=False,
            )  # fmt: skip
        axes.set_xlim(left=0)
        axes.set_xlabel("years since placing")
        axes.set_ylabel("patches that hold, %")
        axes.set_title(title, fontsize=8.5, color=INK, loc="left")
        if curves:
            axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))

    return figure_svg(lambda axes: draw(axes[0]), width_mm, height_mm)

"""Drawings of a deck's page: what each survey drew, on plans to one scale, and how its unsound share goes on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from decknet import digits
from decknet.show import words
from decknet.show.hatch import HATCHES, hatch_path, ring_path
from decknet.show.pieces import line, svg, text
from decknet.show.plan import deck_edge, deck_joints
from decknet.show.shade import Shade, band_words, dots_path

__all__ = ["fan_chart", "hatch_key", "plan_columns", "shade_key", "survey_plan"]

Floats = npt.NDArray[np.float64]

# Drawing choices of our own, mm on paper.
INK, SOFT, GREY, BAND, GRID = "#1d2733", "#55606c", "#8b949c", "#c6ced6", "#e6eaee"
TEXT = 2.6
SMALL_DOTS = 0.6  # beside those of a plan to saw by
LONG_DECK = 9.0  # length over width from which plans stand one below the other
LEAST_YEARS = 5
DASHED = f'fill="none" stroke="{SOFT}" stroke-width="0.2" stroke-dasharray="0.9 0.6"'  # a patch placed before


def _text(x: float, y: float, said: str, *, size: float = TEXT, colour: str = SOFT, **how: Any) -> str:
    return text(x, y, said, size, colour=colour, **how)


# ---- plans ----------------------------------------------------------------------------------------


def plan_columns(deck: Mapping[str, Any]) -> int:
    """How many plans of a deck stand side by side."""
    low_x, low_y, high_x, high_y = shapely.bounds(deck_edge(deck))
    return 1 if (high_x - low_x) > LONG_DECK * (high_y - low_y) else 2


def survey_plan(
    deck: Mapping[str, Any], defects: pd.DataFrame, repairs: Sequence[Any], *, width_mm: float, most_mm: float = 70.0,
    shade: Shade | None = None,
) -> str:  # fmt: skip
    """The deck with what one survey drew, and the patches placed before it.

    Parameters
    ----------
    deck : mapping
        As ``show.deck_plan`` takes it.
    defects : DataFrame
        kind, shape (polygon in station and offset, m, or None).
    repairs : sequence of polygons
        Patches placed before the survey, in station and offset, m.
    width_mm, most_mm : float, mm
        Width of the drawing, and its greatest height.
    shade : Shade or None
        Ground to look at first, drawn under all else.

    Returns
    -------
    str
        SVG. Stations run to the right, offsets to the right of the centreline down. All plans of a deck
        drawn to one width have one scale.
    """
    edge = deck_edge(deck)
    first, low, last, top = (float(v) for v in shapely.bounds(edge))
    scale = min((width_mm - 7.0) / (last - first), (most_mm - 6.0) / (top - low))  # mm on paper for a metre
    x0, y0 = 5.0, 1.0

    def paper(shape: Any) -> Any:
        return shapely.transform(
            shape, lambda c: np.column_stack([x0 + (c[:, 0] - first) * scale, y0 + (c[:, 1] - low) * scale])
        )

    out = [f'<path d="{ring_path(paper(edge))}" fill="#ffffff"/>']
    out += [dots_path(paper(shape), band, size=SMALL_DOTS) for band, shape in (shade.drawn() if shade else ())]
    out += [
        f'<path d="{ring_path(paper(shapely.make_valid(shape)))}" {DASHED}/>'
        for shape in repairs
        if shape is not None and shapely.area(shape) > 0
    ]
    for kind, shape in zip(defects["kind"], defects["shape"], strict=True):
        if shape is not None and shapely.area(shape) > 0:
            drawn = shapely.intersection(paper(shapely.make_valid(shape)), shapely.box(0, 0, width_mm, most_mm))
            if shapely.area(drawn) > 0:
                out.append(hatch_path(drawn, str(kind)))
    out.append(f'<path d="{ring_path(paper(edge))}" fill="none" stroke="{INK}" stroke-width="0.3"/>')
    for joint in deck_joints(deck):
        if first < joint < last:
            at = x0 + (joint - first) * scale
            out.append(line(at, y0, at, y0 + (top - low) * scale, 0.15, GREY))
    bottom = y0 + (top - low) * scale
    if low < 0 < top:
        out.append(
            line(
                x0 - 1.5,
                y0 - low * scale,
                x0 + (last - first) * scale + 1.5,
                y0 - low * scale,
                0.12,
                GREY,
                "3 0.8 0.8 0.8",
            )
        )
        out.append(_text(x0 - 2.0, y0 - low * scale + 0.8, "CL", size=2.0, anchor="end"))
    out.append(_text(x0, bottom + 2.8, digits.given(first), size=2.2))
    out.append(_text(x0 + (last - first) * scale, bottom + 2.8, f"{digits.given(last)} m", size=2.2, anchor="end"))
    return svg(width_mm, bottom + 4.0, "".join(out))


def hatch_key(kinds: Sequence[str], *, patches: bool, width_mm: float) -> str:
    """What the hatching on the plans means; only what they hold."""
    entries = [(hatch_path(shapely.box(0, 0, 8, 3.6), kind, marked=False), kind) for kind in HATCHES if kind in kinds]
    if patches:
        mark = f'<rect width="8" height="3.6" {DASHED}/>'
        entries.append((mark, "patch placed before"))
    out = []
    wide = width_mm / max(len(entries), 4)
    for k, (mark, said) in enumerate(entries):
        out.append(f'<g transform="translate({k * wide + 0.4:.2f} 0.5)">{mark}</g>')
        out.append(_text(k * wide + 9.6, 3.4, said, size=2.5, anchor="start", colour=INK))
    return svg(width_mm, 5.0, "".join(out))


def shade_key(shade: Shade, *, width_mm: float) -> str:
    """What the dots mean."""
    out, wide = [], width_mm / 3
    for k, (band, times) in enumerate(zip(shade.bands["band"], shade.bands["times"], strict=True)):
        mark = dots_path(shapely.box(0, 0, 8, 3.6), int(band), size=SMALL_DOTS)
        out.append(f'<g transform="translate({k * wide + 0.4:.2f} 0.5)">{mark}</g>')
        out.append(_text(k * wide + 9.6, 3.4, band_words(times), size=2.5, anchor="start", colour=INK))
    return svg(width_mm, 5.0, "".join(out))


# ---- the course of the unsound share --------------------------------------------------------------


def fan_chart(
    surveys: pd.DataFrame, repairs: pd.DataFrame, fan: pd.DataFrame, works: pd.DataFrame, *, today: pd.Timestamp,
    danger_share: float, width_mm: float = 170.0, height_mm: float = 45.0,
) -> str:  # fmt: skip
    """A deck's unsound share: found by surveys, and expected without works.

    Parameters
    ----------
    surveys : DataFrame
        survey_date, unsound_share (0 to 1).
    repairs : DataFrame
        repair_date, treatment.
    fan : DataFrame
        on (date), unsound_low, unsound_share, unsound_high (0 to 1).
    works : DataFrame
        Planned: year, label.
    today : Timestamp
    danger_share : float, 0 to 1
    width_mm, height_mm : float, mm

    Returns
    -------
    str
        SVG, readable in grey.
    """
    fan = fan.reindex(columns=["on", "unsound_low", "unsound_share", "unsound_high"])  # none where nothing is forecast
    at, low, mid, high = (
        _years(fan["on"]), *(100 * fan[f"unsound_{n}"].to_numpy(dtype=np.float64) for n in ("low", "share", "high"))
    )  # fmt: skip
    seen = surveys[surveys["unsound_share"].notna()].sort_values("survey_date")
    when, found = _years(seen["survey_date"]), 100 * seen["unsound_share"].to_numpy(dtype=np.float64)
    now = float(_years(pd.Series([today]))[0])
    done = repairs.dropna(subset=["repair_date"])[["repair_date", "treatment"]].drop_duplicates()
    placed = _years(done["repair_date"])
    begin = float(np.floor(min([now - LEAST_YEARS, *when, *placed])))
    end = float(np.ceil(max([now + LEAST_YEARS, *at])))
    top = max(float(np.nanmax(np.concatenate([high, found, [2.0]]))) * 1.12, 1.0)
    left, right, above, below = 9.0, 3.0, 8.0, 5.0
    wide, tall = width_mm - left - right, height_mm - above - below

    def x(year: float) -> float:
        return left + (year - begin) / (end - begin) * wide

    def y(share: float) -> float:
        return above + (1 - share / top) * tall

    def path(xs: Floats, ys: Floats) -> str:
        return "L".join(f"{x(a):.2f} {y(b):.2f}" for a, b in zip(xs, ys, strict=True))

    out = []
    step = next(s for s in (0.5, 1, 2, 5, 10, 20, 25, 50, 100) if top / s <= 6)
    for value in np.arange(0, top, step):
        out.append(line(left, y(value), left + wide, y(value), 0.12, GRID))
        out.append(_text(left - 1.2, y(value) + 0.9, digits.given(value), anchor="end"))
    every = next(s for s in (1, 2, 5, 10, 20, 50) if (end - begin) / s <= 16)
    for year in range(int(np.ceil(begin / every) * every), int(end) + 1, every):
        out.append(line(x(year), y(0), x(year), y(0) + 0.9, 0.15, GREY))
        out.append(_text(x(year), y(0) + 3.8, str(year)))
    out.append(line(left, y(0), left + wide, y(0), 0.2, GREY))
    if len(at):
        ring = path(at, high) + "L" + path(at[::-1], low[::-1])
        out.append(f'<path d="M{ring}Z" fill="{BAND}"/>')
        out.append(f'<path d="M{path(at, mid)}" fill="none" stroke="{INK}" stroke-width="0.45"/>')
    if 100 * danger_share < top:
        out.append(line(left, y(100 * danger_share), left + wide, y(100 * danger_share), 0.2, SOFT, "1.6 1"))
        said = f"act now from {digits.percent_given(danger_share)}"
        out.append(_text(left + 0.8, y(100 * danger_share) - 0.8, said, size=2.3, anchor="start"))
    for year, what in zip(placed, done["treatment"], strict=True):
        out.append(line(x(year), above, x(year), y(0), 0.2, GREY, "0.5 0.6"))
        out.append(
            _text(x(year) - 0.5, above + 0.3, words.text(what)[:30], size=2.2, anchor="end", turn=-90, halo=True)
        )
    out.append(line(x(now), above - 1.5, x(now), y(0), 0.3, INK))
    out.append(_text(x(now), above - 2.2, "today", size=2.4, colour=INK))
    for record in works.to_dict("records"):
        at_x = x(float(record["year"]) + 0.5)
        if left <= at_x <= left + wide:
            out.append(line(at_x, above, at_x, y(0), 0.35, INK, "1.2 0.8"))
            said = f"planned: {words.text(record['label'])[:40]}"
            out.append(_text(at_x + 2.1, above + 0.3, said, size=2.3, anchor="end", colour=INK, turn=-90, halo=True))
    for a, b in zip(when, found, strict=True):
        out.append(f'<circle cx="{x(a):.2f}" cy="{y(b):.2f}" r="0.95" fill="#fff" stroke="{INK}" stroke-width="0.35"/>')
    out.append(_text(left, 3.0, "unsound share (%)", size=2.7, anchor="start", colour=INK))
    out.append(_fan_key(width_mm))
    return svg(width_mm, height_mm, "".join(out))


def _fan_key(width: float) -> str:
    mark = f'<circle cx="0" cy="2.2" r="0.95" fill="#fff" stroke="{INK}" stroke-width="0.35"/>'
    parts = [
        f'<g transform="translate({width - 100:.1f} 0)">{mark}</g>',
        _text(width - 98, 3.1, "found by a survey", size=2.4, anchor="start"),
        line(width - 74, 2.2, width - 68, 2.2, 0.45),
        _text(width - 67, 3.1, "expected without works", size=2.4, anchor="start"),
        f'<rect x="{width - 39:.1f}" y="0.9" width="6" height="2.6" fill="{BAND}"/>',
        _text(width - 32, 3.1, "80 % of what may be", size=2.4, anchor="start"),
    ]
    return "".join(parts)


def _years(dates: pd.Series) -> Floats:
    of = pd.to_datetime(dates)
    return np.asarray(of.dt.year + (of.dt.day_of_year - 1) / 365.25, dtype=np.float64)

"""The plan of one deck, to scale: what was found, what is to be sawn, and from where it is measured.

Stations run to the right and offsets to the right of the centreline run down, as someone sees them who
stands at the first joint looking up-station. Kinds are told apart by hatching alone, so that a
photocopy says as much as the print.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from decknet import digits
from decknet.errors import LocationError
from decknet.show import words
from decknet.show.hatch import HATCHES, hatch_path, ring_path
from decknet.show.labels import Room, spread
from decknet.show.pieces import line, svg, text
from decknet.show.shade import Shade, band_words, dots_path

__all__ = ["FATES", "SCALES", "Plan", "deck_edge", "deck_joints", "deck_plan", "offset_words", "plan_svg"]

SCALES = (25, 50, 75, 100, 125, 200)  # a plan is drawn at 1 to one of these
WHOLE_SCALES = (250, 500, 1000, 1250, 2000, 2500, 5000, 10_000, 25_000, 100_000, 500_000)
FATES = ("unsound again", "not found unsound since", "not surveyed since")

# Drawing choices of our own, mm on paper.
TEXT = 2.2
LEFT, RIGHT, HEAD, BALLOONS, FOOT = 11.0, 5.0, 5.0, 9.5, 13.5
BALLOON = 2.1  # radius
LABEL_STEP = 2.5  # between station labels
INK, SOFT, PALE = "#000000", "#4d4d4d", "#9a9a9a"


@dataclass(frozen=True, slots=True)
class Plan:
    """A deck's plan in strips.

    Attributes
    ----------
    scale : int
        1 on paper is ``scale`` on the deck, where the drawing is printed at its own size.
    width_mm : float
    strips : tuple of (first station, last station, height in mm, SVG)
        Each a whole drawing of its own.
    whole : str
        SVG of the whole deck, small, where it takes more than one strip; else empty.
    key : str
        SVG that says what the hatching and lines mean.
    left_out : tuple of (first station, last station)
        Stretches with nothing to show, not drawn but in ``whole``.
    """

    scale: int
    width_mm: float
    strips: tuple[tuple[float, float, float, str], ...]
    whole: str
    key: str
    left_out: tuple[tuple[float, float], ...]


def offset_words(offset_m: float) -> str:
    """An offset as a crew reads it: left or right of the centreline.

    Examples
    --------
    >>> offset_words(-1.25), offset_words(0.4), offset_words(-0.0)
    ('L 1.25', 'R 0.40', 'CL')
    """
    if abs(offset_m) < 0.0005:
        return "CL"
    return f"{'L' if offset_m < 0 else 'R'} {digits.set_out(abs(offset_m))}"


def deck_plan(
    deck: Mapping[str, Any],
    defects: pd.DataFrame,
    limits: pd.DataFrame,
    repairs: pd.DataFrame,
    *,
    width_mm: float = 170.0,
    height_mm: float = 257.0,
    first_mm: float = 257.0,
    pages: int = 2,
    scale: int | None = None,
    shade: Shade | None = None,
) -> Plan:
    """Draw a deck with its defects, repair limits and earlier patches.

    Parameters
    ----------
    deck : mapping
        ``length_m``, ``width_m`` (m) or ``outline`` (polygon in station and offset, m); ``joints_m``
        (stations split by spaces), ``lanes``, ``bearing_deg`` (direction of increasing station), each
        of which may be missing.
    defects : DataFrame
        ``kind``, ``depth_mm``, ``shape`` (polygon in station and offset, m, or None).
    limits : DataFrame
        ``number``, ``from_station_m``, ``to_station_m``, ``from_offset_m``, ``to_offset_m`` (m),
        ``depth_class``.
    repairs : DataFrame
        Earlier patches: ``repair_date``, ``shape``, ``fate`` (one of ``FATES``).
    width_mm, height_mm : float, mm
        Paper of a page.
    first_mm : float, mm
        Height that is free on the first page.
    pages : int
        The largest scale whose strips take no more pages is chosen.
    scale : int or None
        One of ``SCALES``, to draw at that scale whatever the paper.
    shade : Shade or None
        Ground to look at first, drawn under all else.

    Returns
    -------
    Plan

    Raises
    ------
    LocationError
        The deck has neither an outline nor length and width, so there is nothing to draw to scale.
    """
    edge = deck_edge(deck)
    for one in SCALES if scale is None else (scale,):
        sheet = _Sheet(deck, edge, defects, limits, repairs, one, width_mm, shade)
        if len(sheet.spans) <= int(first_mm // sheet.high) + (pages - 1) * int(height_mm // sheet.high):
            break
    strips = tuple((a, b, sheet.high, sheet.strip(i, a, b)) for i, (a, b) in enumerate(sheet.spans))
    starts, ends = [a for a, _ in sheet.spans], [b for _, b in sheet.spans]
    gaps = list(zip([sheet.first, *ends], [*starts, sheet.last], strict=True))
    left_out = tuple((a, b) for a, b in gaps if b - a > 1e-9)
    whole = _whole(sheet) if len(strips) > 1 or left_out else ""
    return Plan(sheet.scale, width_mm, strips, whole, _key(sheet), left_out)


def plan_svg(plan: Plan) -> str:
    """The whole plan as one SVG drawing, strips below one another, for a page.

    Returns
    -------
    str
        An ``<svg>`` element with its size in mm.
    """
    parts = [p for p in (plan.whole, *(s for *_, s in plan.strips), plan.key) if p]
    y, moved = 0.0, []
    for part in parts:
        high = float(part.split('height="', 1)[1].split("mm", 1)[0])
        moved.append(part.replace("<svg ", f'<svg y="{y:.2f}" ', 1).replace('mm"', '"'))
        y += high + 3.0
    return svg(plan.width_mm, y, "".join(moved))


# ---- the deck -------------------------------------------------------------------------------------


def _number(value: Any) -> float:
    return float("nan") if value is None or pd.isna(value) else float(value)


def deck_edge(deck: Mapping[str, Any]) -> Any:
    """The deck's outline as drawn, else the rectangle of its length and width; LocationError without either."""
    drawn = deck.get("outline")
    if drawn is not None and shapely.is_geometry(drawn) and shapely.area(drawn) > 0:
        return drawn
    length, half = _number(deck.get("length_m")), _number(deck.get("width_m")) / 2.0
    if not (length > 0 and half > 0):
        raise LocationError(
            f"deck {deck.get('deck_id')}: without length and width, or an outline, no plan can be drawn. "
            "Load them as a deck record."
        )
    return shapely.box(0.0, -half, length, half)


def deck_joints(deck: Mapping[str, Any]) -> list[float]:
    """Stations of the joints between the first and the last, m; words among them are passed over."""
    said = words.text(deck.get("joints_m"))
    found = []
    for part in said.replace(";", " ").replace(",", " ").split():
        try:
            found.append(float(part))
        except ValueError:
            continue  # a remark among the stations
    return sorted(j for j in found if np.isfinite(j))


class _Sheet:
    """One deck at one scale: where its strips break, and how each is drawn."""

    def __init__(
        self, deck: Mapping[str, Any], edge: Any, defects: pd.DataFrame, limits: pd.DataFrame, repairs: pd.DataFrame,
        scale: int, width_mm: float, shade: Shade | None,
    ) -> None:  # fmt: skip
        self.shade = shade
        self.deck, self.edge, self.scale, self.width = deck, edge, scale, width_mm
        self.k = 1000.0 / scale  # mm on paper for a metre of deck
        self.first, self.low, self.last, self.top = (float(v) for v in shapely.bounds(edge))
        shapes = [
            (str(kind), shape)
            for kind, shape in zip(defects["kind"], defects["shape"], strict=True)
            if shape is not None and not shapely.is_empty(shape)
        ]
        self.shapes = shapes
        self.limits = [
            (int(n), float(a), float(b), float(c), float(d), str(depth))
            for n, a, b, c, d, depth in zip(
                *(
                    limits[c]
                    for c in (
                        "number", "from_station_m", "to_station_m", "from_offset_m", "to_offset_m", "depth_class",
                    )
                ),
                strict=True,
            )
        ]  # fmt: skip
        self.repairs = [
            (f"{pd.Timestamp(day):%Y}" if pd.notna(day) else "", str(fate), shape)
            for day, fate, shape in zip(repairs["repair_date"], repairs["fate"], repairs["shape"], strict=True)
            if shape is not None and not shapely.is_empty(shape)
        ]
        self.joints = [j for j in deck_joints(deck) if self.first < j < self.last]
        self.spans = self._spans()
        self.high = HEAD + BALLOONS + (self.top - self.low) * self.k + FOOT

    def _spans(self) -> list[tuple[float, float]]:
        """First and last station of each strip; breaks keep off limits, stretches with nothing are passed over."""
        room = (self.width - LEFT - RIGHT) / self.k
        most = max(int((self.width - LEFT - RIGHT) / LABEL_STEP), 2)  # station labels side by side
        ends = [(a, b) for _, a, b, *_ in self.limits]
        things = sorted([*ends, *((s.bounds[0], s.bounds[2]) for _, s in self.shapes)])
        if self.last - self.first <= room or not things:
            return [
                (a, min(a + room, self.last))
                for a in np.arange(self.first, self.last - 1e-9, room)
            ]  # fmt: skip
        spans: list[tuple[float, float]] = []
        start = self.first
        while start < self.last - 1e-9:
            ahead = [a for a, b in things if b > start + 1e-9]
            if not ahead:
                break
            begin = min(ahead) - 1.0
            if begin > start + 0.25 * room:
                start = float(np.floor(begin))
            end = min(start + room, self.last)
            while sum(start <= v <= end for pair in ends for v in pair) > most and end > start + 2.0:
                end -= 0.5
            if end < self.last:
                crossing = [a for a, b in ends if a < end < b]
                while crossing and min(crossing) - 0.1 > start + 0.5 * room:
                    end = min(crossing) - 0.1
                    crossing = [a for a, b in ends if a < end < b]
            spans.append((start, end))
            start = end
        return spans

    def strip(self, index: int, start: float, end: float) -> str:
        """The drawing from one station to another."""
        k, y0 = self.k, HEAD + BALLOONS
        left = LEFT

        def x(station: float) -> float:
            return left + (station - start) * k

        def y(offset: float) -> float:
            return y0 + (offset - self.low) * k

        def paper(shape: Any) -> Any:
            clipped = shapely.intersection(shape, shapely.box(start, self.low - 9, end, self.top + 9))
            return shapely.transform(clipped, lambda c: np.column_stack([x(c[:, 0]), y(c[:, 1])]))

        out = [self._title(index, start, end)]
        out.append(self._ruler(x, y, start, end))
        for band, shape in self.shade.drawn() if self.shade else ():
            out.append(dots_path(paper(shape), band))
        for year, fate, shape in self.repairs:
            out.append(_earlier(paper(shape), year, fate))
        for kind, shape in self.shapes:
            on_paper = paper(shapely.make_valid(shape))
            if shapely.area(on_paper) > 0:
                out.append(hatch_path(on_paper, kind))
        edge = paper(self.edge)
        out.append(f'<path d="{ring_path(edge)}" fill="none" stroke="{INK}" stroke-width="0.35"/>')
        for joint in [j for j in self.joints if start <= j <= end]:
            out += [line(x(joint) + s, y(self.low), x(joint) + s, y(self.top), 0.2) for s in (-0.35, 0.35)]
            out.append(text(x(joint), y(self.top) + 2.6, f"joint {digits.set_out(joint)}", 1.9, halo=True))
        out.append(self._limits(x, y, start, end))
        return svg(self.width, self.high, "".join(out))

    def _title(self, index: int, start: float, end: float) -> str:
        many = f"Strip {index + 1} of {len(self.spans)}: station" if len(self.spans) > 1 else "Station"
        said = f"{many} {digits.span(start, end, digits.set_out)} m. Scale 1:{self.scale}, up-station to the right"
        out = [text(LEFT, 3.0, said, 2.6, anchor="start", bold=True)]
        bearing = _number(self.deck.get("bearing_deg"))
        cx, cy = self.width - 5.0, 5.0
        if np.isfinite(bearing):
            # Stations run to the right of the sheet, which is 90 degrees round from its top.
            out.append(
                f'<g class="north" transform="rotate({(90.0 - bearing) % 360.0:.1f} {cx} {cy})">'
                f'<path d="M{cx} {cy - 4}L{cx + 1.5} {cy + 3}L{cx} {cy + 1.8}L{cx - 1.5} {cy + 3}Z" fill="{INK}"/></g>'
            )
            out.append(text(cx - 5.5, 3.0, "North", 2.2, anchor="end"))
        else:
            out.append(text(self.width - 1, 3.0, "North not known", 2.2, anchor="end"))
        return "".join(out)

    def _ruler(self, x: Any, y: Any, start: float, end: float) -> str:
        """Stations above, offsets at the left, the centreline and lane lines."""
        out = []
        top, bottom = y(self.low), y(self.top)
        step = 5 if self.scale <= 100 else 10
        for metre in range(int(np.ceil(start - 1e-9)), int(np.floor(end + 1e-9)) + 1):
            tall = metre % step == 0
            out.append(line(x(metre), top, x(metre), top - (2.6 if tall else 0.7), 0.15))
            if tall:
                out.append(text(x(metre), top - 3.1, f"{metre}", 1.9, colour=SOFT))
        for metre in range(int(np.ceil(self.low)), int(np.floor(self.top)) + 1):
            out.append(line(LEFT - 0.9, y(metre), LEFT, y(metre), 0.15))
            if metre and (self.scale < 200 or metre % 2 == 0):
                out.append(
                    text(LEFT - 1.3, y(metre) + 0.7, f"{'L' if metre < 0 else 'R'} {abs(metre)}", 1.9, anchor="end")
                )
        lanes = _number(self.deck.get("lanes"))
        if lanes >= 2:
            for i in range(1, int(lanes)):
                at = self.low + (self.top - self.low) * i / lanes
                if abs(at) > 0.05:
                    out.append(line(x(start), y(at), x(end), y(at), 0.2, PALE, "2 1.4"))
        if self.low < 0 < self.top:
            out.append(line(LEFT - 1.5, y(0), x(end) + 2.5, y(0), 0.18, INK, "5 0.8 0.8 0.8"))
            out.append(text(LEFT - 2.0, y(0) + 0.7, "CL", 2.2, anchor="end", bold=True))
        for at, said in ((self.first, "first joint"), (self.last, "last joint")):
            if abs(at - (start if said[0] == "f" else end)) < 1e-6:
                shift = -8.6 if said[0] == "f" else 3.2
                out.append(text(x(at) + shift, (top + bottom) / 2 + 8.0, said, 1.9, turn=-90.0))
        return "".join(out)

    def _limits(self, x: Any, y: Any, start: float, end: float) -> str:
        """Limits with their numbers, stations dimensioned below and offsets beside."""
        out, stations, sides = [], [], []
        here = [limit for limit in self.limits if limit[1] < end - 1e-9 and limit[2] > start + 1e-9]
        boxes = {n: (x(max(a, start)), y(c), x(min(b, end)), y(d)) for n, a, b, c, d, _ in here}
        for number, a, b, c, d, depth in here:
            left, up, right, down = boxes[number]
            box = f'x="{left:.2f}" y="{up:.2f}" width="{right - left:.2f}" height="{down - up:.2f}"'
            out.append(
                f'<rect class="limit" data-number="{number}" {box} fill="none" stroke="{INK}" stroke-width="0.55"/>'
            )
            if depth == "full":
                inset = min(0.9, (right - left) / 4, (down - up) / 4)
                out.append(
                    f'<rect x="{left + inset:.2f}" y="{up + inset:.2f}" width="{right - left - 2 * inset:.2f}" '
                    f'height="{down - up - 2 * inset:.2f}" fill="none" stroke="{INK}" stroke-width="0.35"/>'
                )
            stations += [(x(s), down, digits.set_out(s)) for s in (a, b) if start - 1e-9 <= s <= end + 1e-9]
            sides += [(left, right, up, c, -1.0), (left, right, down, d, 1.0)]
        room = Room((LEFT, HEAD, self.width, y(self.top) + 2.5))
        low = 2 * BALLOON + 0.2
        outside = []
        for number, (left, up, right, down) in boxes.items():
            middle = ((left + right) / 2, (up + down) / 2)
            if right - left >= low and down - up >= low and room.first_free([middle], low, low):
                out.append(_balloon(*middle, number))
            else:
                outside.append(number)
        out += self._offsets(room, sides)
        for number in outside:
            out.append(_led_out(room, boxes, number))
        base = y(self.top)
        unique: dict[str, tuple[float, float]] = {}
        for at, down, said in sorted(stations):
            unique[said] = (at, min(down, unique[said][1]) if said in unique else down)
        places = spread([v[0] for v in unique.values()], LABEL_STEP, LEFT, self.width - RIGHT)
        for (said, (at, down)), place in zip(unique.items(), places, strict=True):
            out.append(line(at, down, at, base + 0.8, 0.12, SOFT, "0.8 0.6"))
            out.append(line(at, base + 0.8, place, base + 4.2, 0.15, SOFT))
            out.append(text(place + 0.75, base + 4.6, said, TEXT, anchor="end", turn=-90.0))
        return "".join(out)

    def _offsets(self, room: Room, sides: list[tuple[float, float, float, float, float]]) -> list[str]:
        """Offsets beside the sides they belong to; a side shared, or carried on by the next limit, is said once."""
        out = []
        told: list[tuple[float, float, float]] = []
        for left, right, at, offset, out_by in sides:
            middle = (left + right) / 2
            if any(abs(at - b) < 0.05 and abs(middle - a) < max(9.0, (right - left) / 2) for a, b, _ in told):
                continue
            near = [middle, left + 3.4, right - 3.4, left - 3.4, right + 3.4]
            tries = [(a, at + s * out_by * 1.5) for s in (1.0, -1.0) for a in near]
            if place := room.first_free(tries, 6.6, 2.0):
                out.append(text(place[0], place[1] + 0.75, offset_words(offset), TEXT, halo=True))
                told.append((place[0], at, offset))
        return out


def _led_out(room: Room, boxes: Mapping[int, tuple[float, float, float, float]], number: int) -> str:
    """A number that has no room in its limit, beside it and led to it, off other limits where it can be."""
    left, up, right, down = boxes[number]
    x, y, side = (left + right) / 2, (up + down) / 2, 2 * BALLOON + 0.2
    tries = [
        (min(max(x + far * dx, left - far if dx < 0 else left), right + far if dx > 0 else right), y_)
        for far in (3.0, 4.5, 6.5, 9.0, 12.0, 16.0)
        for dx, y_ in (
            (0.0, up - far), (0.0, down + far), (-99.0, y), (99.0, y),
            (-99.0, up - far), (99.0, up - far), (-99.0, down + far), (99.0, down + far),
        )
    ]  # fmt: skip
    others = [b for n, b in boxes.items() if n != number]
    clear = [(a, b) for a, b in tries if not any(p - 1 < a < r + 1 and q - 1 < b < s + 1 for p, q, r, s in others)]
    place = room.first_free([*clear, *tries], side, side)
    if place is None:
        place = (x, y)
    # The leader ends just inside the nearest part of the limit.
    to = (min(max(place[0], left + 0.4), right - 0.4), min(max(place[1], up + 0.4), down - 0.4))
    return line(*place, *to, 0.2) + f'<circle cx="{to[0]:.2f}" cy="{to[1]:.2f}" r="0.45"/>' + _balloon(*place, number)


def _balloon(x: float, y: float, number: int) -> str:
    return f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{BALLOON}" fill="#fff" stroke="{INK}" stroke-width="0.25"/>' + text(
        x, y + 0.85, str(number), 2.5 if number < 100 else 2.0, bold=True
    )


def _earlier(shape: Any, year: str, fate: str) -> str:
    """An earlier patch: a dashed outline with its year and what became of it."""
    if shapely.area(shape) <= 0:
        return ""
    left, _top, right, bottom = shapely.bounds(shape)
    said = f"patch {year}, {fate}".replace("not found unsound since", "not found unsound")
    label = text((left + right) / 2, bottom - 0.6, said, 1.7, colour=SOFT, halo=True) if right - left > 9 else ""
    heavy = 0.4 if fate == "unsound again" else 0.2
    return (
        f'<path class="earlier" d="{ring_path(shape)}" fill="none" stroke="{SOFT}" stroke-width="{heavy}" '
        f'stroke-dasharray="1.4 0.8"/>{label}'
    )


def _whole(sheet: _Sheet) -> str:
    """The whole deck, small, with the strips and limits on it."""
    length = sheet.last - sheet.first
    wide = sheet.top - sheet.low
    fits = [s for s in WHOLE_SCALES if length * 1000 / s <= sheet.width - 6 and wide * 1000 / s <= 32]
    scale = fits[0] if fits else WHOLE_SCALES[-1]
    k = 1000.0 / scale
    x0, y0 = 3.0, 9.0

    def paper(shape: Any) -> Any:
        return shapely.transform(
            shape, lambda c: np.column_stack([x0 + (c[:, 0] - sheet.first) * k, y0 + (c[:, 1] - sheet.low) * k])
        )

    out = [text(0, 2.6, f"The whole deck, 1:{scale}, and the strips drawn below", 2.6, anchor="start", bold=True)]
    bottom = y0 + (sheet.top - sheet.low) * k
    for i, (a, b) in enumerate(sheet.spans):
        left, right = x0 + (a - sheet.first) * k, x0 + (b - sheet.first) * k
        out.append(
            f'<path d="M{left + 0.3:.2f} {y0 - 1}v-1H{right - 0.3:.2f}v1" fill="none" stroke="{INK}" '
            'stroke-width="0.2"/>'
        )
        out.append(text((left + right) / 2, y0 - 2.6, str(i + 1), 2.2))
    for _, shape in sheet.shapes:
        out.append(f'<path d="{ring_path(paper(shape))}" fill="{PALE}"/>')
    for _, a, b, c, d, _depth in sheet.limits:
        out.append(
            f'<path d="{ring_path(paper(shapely.box(a, c, b, d)))}" fill="none" stroke="{INK}" stroke-width="0.3"/>'
        )
    out.append(f'<path d="{ring_path(paper(sheet.edge))}" fill="none" stroke="{INK}" stroke-width="0.25"/>')
    return svg(sheet.width, bottom + 1.0, "".join(out))


def _key(sheet: _Sheet) -> str:
    """What the hatching and lines mean; only what this plan holds."""
    here = {kind for kind, _ in sheet.shapes}
    entries: list[tuple[str, str]] = []
    entries += [(hatch_path(shapely.box(0, 0, 8, 4), kind, marked=False), kind) for kind in HATCHES if kind in here]
    box = '<rect x="0" y="0" width="8" height="4" fill="none" stroke="#000" stroke-width="0.55"/>'
    inner = '<rect x="0.9" y="0.9" width="6.2" height="2.2" fill="none" stroke="#000" stroke-width="0.35"/>'
    depths = {depth for *_, depth in sheet.limits}
    if "partial" in depths:
        entries.append((box, "limit to saw, partial depth"))
    if "full" in depths:
        entries.append((box + inner, "limit to saw, full depth"))
    if sheet.repairs:
        dashed = (
            f'<rect width="8" height="4" fill="none" stroke="{SOFT}" stroke-width="0.3" stroke-dasharray="1.4 0.8"/>'
        )
        entries.append((dashed, "earlier patch (heavy: unsound again)"))
    if sheet.joints:
        entries.append((line(3.65, 0, 3.65, 4, 0.2) + line(4.35, 0, 4.35, 4, 0.2), "joint"))
    if _number(sheet.deck.get("lanes")) >= 2:
        entries.append((line(0, 2, 8, 2, 0.2, PALE, "2 1.4"), "lane line, by equal shares"))
    for band, times in zip(sheet.shade.bands["band"], sheet.shade.bands["times"], strict=True) if sheet.shade else ():
        entries.append((dots_path(shapely.box(0, 0, 8, 4), int(band)), band_words(times)))
    out, across, wide = [], 3, sheet.width / 3
    for i, (mark, said) in enumerate(entries):
        col, row = i % across, i // across
        out.append(f'<g transform="translate({col * wide + 0.5:.2f} {row * 6 + 0.5:.2f})">{mark}</g>')
        out.append(text(col * wide + 10, row * 6 + 3.4, said, 2.3, anchor="start"))
    rows = -(-len(entries) // across)
    return svg(sheet.width, max(rows, 1) * 6.0, "".join(out))

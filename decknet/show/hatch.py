"""Hatching of our own that tells kinds of defect apart in black and white."""

from __future__ import annotations

import html
from typing import Any

import numpy as np
import shapely

__all__ = ["HATCHES", "hatch_path", "ring_path"]

# Kind -> directions of its lines (degrees from the station axis) and their spacing, mm on paper.
HATCHES: dict[str, tuple[tuple[float, ...], float]] = {
    "delamination": ((45.0,), 1.5),
    "spall": ((45.0, -45.0), 1.5),
    "hole": ((), 0.0),  # filled
    "exposed bar": ((0.0,), 0.8),
    "failed patch": ((90.0,), 1.0),
}
_OTHER = ((0.0, 90.0), 2.0)


def ring_path(shape: Any) -> str:
    """The rings of a polygon, or of several, as the path of an SVG."""
    parts = []
    for polygon in shapely.get_parts(np.atleast_1d(np.asarray(shape, dtype=object))):
        if polygon.geom_type == "GeometryCollection":
            parts.append(ring_path(list(polygon.geoms)))
        elif polygon.geom_type == "Polygon" and not polygon.is_empty:
            for ring in (polygon.exterior, *polygon.interiors):
                points = "L".join(f"{a:.2f} {b:.2f}" for a, b in shapely.get_coordinates(ring)[:-1])
                parts.append(f"M{points}Z")
    return "".join(parts)


def _lines(shape: Any, turn: float, step: float) -> str:
    """Parallel lines inside a shape, on one grid for the whole drawing so that neighbours match."""
    angle = np.radians(turn)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    corners = shapely.get_coordinates(shape)
    far, near = corners @ along, corners @ across
    at = np.arange(np.ceil(near.min() / step), np.floor(near.max() / step) + 1) * step
    if not len(at):
        return ""
    start = at[:, None] * across + (far.min() - 1.0) * along
    end = at[:, None] * across + (far.max() + 1.0) * along
    cut = shapely.intersection(shapely.linestrings(np.stack([start, end], axis=1)), shape)
    pieces = shapely.get_parts(cut)
    pieces = pieces[shapely.length(pieces) > 0.05]
    said = []
    for piece in pieces:
        points = shapely.get_coordinates(piece)
        said.append(f"M{points[0, 0]:.2f} {points[0, 1]:.2f}L{points[-1, 0]:.2f} {points[-1, 1]:.2f}")
    return "".join(said)


def hatch_path(shape: Any, kind: str, *, marked: bool = True) -> str:
    """A defect as drawn: its outline and the hatching of its kind.

    Parameters
    ----------
    shape : Polygon, MultiPolygon or collection, mm on paper
    kind : str
        Kind of defect; one not known gets a square grid.
    marked : bool
        Whether the group carries the class by which drawn defects are counted.
    """
    turns, step = HATCHES.get(kind, _OTHER)
    ring = ring_path(shape)
    body = f'<path d="{ring}" fill="{"#000" if not turns else "#fff"}" fill-opacity="{1 if not turns else 0.6}" '
    body += 'fill-rule="evenodd" stroke="#000" stroke-width="0.2"/>'
    for turn in turns:
        if drawn := _lines(shape, turn, step):
            body += f'<path d="{drawn}" fill="none" stroke="#000" stroke-width="0.13"/>'
    tag = f' class="defect" data-kind="{html.escape(kind)}"' if marked else ""
    return f"<g{tag}>{body}</g>"

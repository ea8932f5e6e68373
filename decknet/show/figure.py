"""Figures drawn with one look, as SVG that is the same for the same input."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

__all__ = ["BAND", "GREY", "INK", "SOFT", "figure_svg"]

INK, SOFT, GREY, BAND = "#1d2733", "#55606c", "#8b949c", "#b9c4cf"
_STYLE: dict[Any, Any] = {
    "svg.hashsalt": "decknet", "svg.fonttype": "path", "font.family": "DejaVu Sans", "font.size": 7.0,
    "axes.edgecolor": "#cfd4d8", "axes.linewidth": 0.6, "axes.labelcolor": SOFT, "axes.labelsize": 7.0,
    "axes.titlesize": 7.5, "axes.titlelocation": "left", "axes.titlecolor": INK, "xtick.color": SOFT,
    "ytick.color": SOFT, "xtick.major.width": 0.6, "ytick.major.width": 0.6, "axes.spines.top": False,
    "axes.spines.right": False, "legend.frameon": False, "legend.fontsize": 6.5, "text.parse_math": False,
    "hatch.linewidth": 0.5,
}  # fmt: skip


def figure_svg(draw: Callable[[Sequence[Axes]], None], width_mm: float, height_mm: float, columns: int = 1) -> bytes:
    """A figure of some panels side by side, whatever the user's own style."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")
        axes = figure.subplots(1, columns)
        draw(list(np.atleast_1d(axes)))
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()

"""Pieces of SVG that the drawings of decks are made of; lengths in mm on paper."""

from __future__ import annotations

import html

from decknet.show import words

__all__ = ["FONT", "line", "svg", "text"]

FONT = "Libertinus Serif, DejaVu Serif, serif"


def svg(width: float, height: float, body: str) -> str:
    """A whole drawing."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}mm" height="{height:.2f}mm" '
        f'viewBox="0 0 {width:.2f} {height:.2f}" font-family="{FONT}">{body}</svg>'
    )


def line(x1: float, y1: float, x2: float, y2: float, width: float, colour: str = "#000000", dash: str = "") -> str:
    """A straight line."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="M{x1:.2f} {y1:.2f}L{x2:.2f} {y2:.2f}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>'
    )


def text(
    x: float, y: float, said: str, size: float, *, anchor: str = "middle", bold: bool = False,
    colour: str = "#000000", turn: float = 0.0, halo: bool = False,
) -> str:  # fmt: skip
    """Words, always as text; with a halo where they stand on a drawing."""
    shown = html.escape(words.text(said))
    weight = ' font-weight="bold"' if bold else ""
    turned = f' transform="rotate({turn:g} {x:.2f} {y:.2f})"' if turn else ""
    at = f'x="{x:.2f}" y="{y:.2f}" font-size="{size:g}" text-anchor="{anchor}"{weight}{turned}'
    under = f'<text {at} fill="none" stroke="#fff" stroke-width="1" aria-hidden="true">{shown}</text>' if halo else ""
    return f'{under}<text {at} fill="{colour}">{shown}</text>'

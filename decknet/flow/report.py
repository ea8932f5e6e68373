"""Everything a reader takes away, written into a folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd

from decknet import show
from decknet.flow.files import write_whole
from decknet.flow.network import Network
from decknet.schedule import Programme

__all__ = ["draw_map", "report"]


def draw_map(network: Network, programme: Programme | None, *, tiles: str | None = None) -> str:
    """The network map as one HTML page."""
    lines = programme.lines if programme is not None else pd.DataFrame(columns=["deck_id", "year", "label", "cost"])
    return show.network_map(
        network.status, network.outlines, network.defects, network.base, lines,
        title=network.title, currency=network.settings.currency, today=network.today, tiles=tiles,
    )  # fmt: skip


def report(
    network: Network, programme: Programme, folder: Path, *, limits: pd.DataFrame | None = None,
    tiles: str | None = None, paper: str = "a4", done: Callable[[str], None] = lambda _: None,
) -> dict[str, Path]:  # fmt: skip
    """Map, workbook, document and GeoPackage in a folder.

    Returns
    -------
    dict of str to Path
        What each file is, in plain words, and where.
    """
    title, settings, today = network.title, network.settings, network.today
    makers: dict[str, tuple[str, Callable[[], bytes]]] = {
        "network map": ("network_map.html", lambda: draw_map(network, programme, tiles=tiles).encode("utf-8")),
        "workbook": (
            "programme.xlsx",
            lambda: show.workbook(
                network.status, programme, title=title, settings=settings, today=today, limits=limits
            ),
        ),
        "document": (
            "programme.pdf",
            lambda: show.document(
                network.status, programme, network.base, title=title, settings=settings, today=today, paper=paper
            ),
        ),
        "GIS file": (
            "network.gpkg",
            lambda: show.geopackage(network.status, network.outlines, network.defects, programme, network.base),
        ),
    }
    written: dict[str, Path] = {}
    for what, (name, make) in makers.items():
        write_whole(folder / name, make())
        written[what] = folder / name
        done(what)
    return written

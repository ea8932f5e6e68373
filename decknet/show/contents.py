"""The page that leads to the files of a report: what each is, the figures that matter, what has changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from importlib import resources
from typing import Any

import geopandas as gpd
import pandas as pd
from jinja2 import Environment, StrictUndefined

from decknet import digits
from decknet.settings import Settings
from decknet.show import chapters, words
from decknet.show.document import in_short
from decknet.show.hazards import OPEN, TO_CONFIRM, act_now_lines
from decknet.show.listing import short
from decknet.show.method import Past
from decknet.show.words import Programme

__all__ = ["contents"]


def contents(
    status: gpd.GeoDataFrame,
    programme: Programme,
    *,
    urgent: pd.DataFrame,
    title: str,
    settings: Settings,
    today: date,
    files: Sequence[Mapping[str, Any]],
    changes: Mapping[str, Any],
    software: str,
    curve: pd.DataFrame | None = None,
    past: Past | None = None,
    face: Sequence[str] = (),
) -> str:
    """The page as HTML, for any browser, without script or anything from a network.

    Parameters
    ----------
    status, programme, urgent, title, settings, today, curve, past
        As ``show.document`` takes them.
    files : sequence of mappings
        name, what, holds (text), bytes (size).
    changes : mapping
        since (day or None), told (sentences), files (names).
    software : str
        Name and version of the program.
    face : sequence of str
        Which programme, which records and which settings; a sentence each.

    Returns
    -------
    str
    """
    source = (resources.files("decknet.show") / "page" / "contents.html").read_text(encoding="utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    rendered: str = page.from_string(source).render(
        title=short(title, 200),
        day=today.isoformat(),
        money=words.money_unit(settings),
        caution=words.CAUTION,
        cautions=words.CAUTIONS,
        key=chapters.key_figures(status, programme, settings),
        short=in_short(status, programme, settings, curve=curve, past=past),
        act_now=[
            (head, [f"{short(d, 60)}: {line}" for d, line in zip(mine["deck_id"], act_now_lines(mine), strict=True)])
            for head, state in (("Open", OPEN), ("To confirm", TO_CONFIRM))
            if len(mine := urgent[urgent["state"] == state] if len(urgent) else urgent)
        ],
        files=[{**f, "size": _size(int(f["bytes"]))} for f in files],
        since=changes["since"],
        told=[short(t, 1_000) for t in changes["told"]],
        differ=changes["files"],
        software=software,
        face=list(face),
    )
    return rendered


def _size(count: int) -> str:
    """Size of a file.

    Examples
    --------
    >>> _size(1_234_567), _size(900)
    ('1.2 MB', '1 kB')
    """
    return f"{digits.size(count / 1e6)} MB" if count >= 1e6 else f"{digits.count(max(count / 1e3, 1))} kB"

"""The field page: one HTML file on which a crew draws what it hears, with no network, and saves what `load` takes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd
import shapely
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from decknet.columns import DEFECT_KINDS, METHODS
from decknet.errors import SettingsError
from decknet.show import words
from decknet.show.map_pack import digits_js
from decknet.show.plan import deck_edge, deck_joints
from decknet.show.shade import Shade, band_words, learnt_words

__all__ = ["field_page"]

LEAST_STEP_M, LARGEST_STEP_M = 0.01, 1.0


def field_page(
    deck: Mapping[str, Any],
    defects: pd.DataFrame,
    survey_date: Any,
    *,
    title: str,
    today: date,
    step_m: float = 0.1,
    shade: Shade | None = None,
) -> str:
    """The page for one deck.

    Parameters
    ----------
    deck : mapping
        ``deck_id``, ``name``, ``route``; ``length_m``, ``width_m`` (m) or ``outline``; ``joints_m``,
        ``lanes``, which may be missing.
    defects : DataFrame
        ``kind``, ``shape`` (polygon in station and offset, m) that stands, drawn faint.
    survey_date : date or None
        Day of that survey.
    title : str
        What the district is called.
    today : date
        Day the page is made.
    step_m : float, m
        Corners fall on whole steps, or on the deck's edge.
    shade : Shade or None
        Ground to look at first, drawn under all else; it can be switched off.

    Returns
    -------
    str
        HTML that asks for nothing outside itself. What is drawn is kept in the browser as it is drawn; its
        Save button gives a workbook with a sheet of the survey and a sheet of its defects.

    Raises
    ------
    SettingsError
        The step is not between 0.01 and 1 m.
    LocationError
        The deck has neither an outline nor length and width.
    """
    if not LEAST_STEP_M <= step_m <= LARGEST_STEP_M:
        raise SettingsError(f"step: {step_m!r} m is not between {LEAST_STEP_M} and {LARGEST_STEP_M} m. Use 0.1 or so.")
    edge = deck_edge(deck)
    ident, name = words.text(deck.get("deck_id")), " ".join(words.text(deck.get("name")).split())
    lanes = deck.get("lanes")
    data = {
        "deck": ident,
        "step": step_m,
        "edge": _rings(edge)[0],
        "joints": deck_joints(deck),
        "lanes": 0 if lanes is None or pd.isna(lanes) else int(lanes),
        "kinds": list(DEFECT_KINDS),
        "methods": list(METHODS),
        "before": [
            [words.text(kind), _rings(shape)]
            for kind, shape in zip(defects["kind"], defects["shape"], strict=True)
            if shape is not None and not shapely.is_empty(shape)
        ],
        "first": [[band, _all_rings(shape)] for band, shape in shade.drawn()] if shade else [],
    }
    text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    safe = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    page = resources.files("decknet.show") / "page"
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(
        (page / "field.html").read_text(encoding="utf-8")
    )
    return template.render(
        title=words.text(title),
        deck=ident,
        name=name,
        route=" ".join(words.text(deck.get("route")).split()),
        today=today.isoformat(),
        survey_date=words.figure(survey_date, "date") if survey_date is not None else "",
        learnt=learnt_words(shade) if shade else "",
        bands=[(int(b), band_words(t)) for b, t in shade.bands[["band", "times"]].to_numpy()] if shade else [],
        css=Markup((page / "field.css").read_text(encoding="utf-8")),  # noqa: S704 (our own text)
        js=Markup(digits_js() + (page / "field.js").read_text(encoding="utf-8")),  # noqa: S704 (our own text)
        data=Markup(safe),  # noqa: S704 (escaped for a script element)
    )


def _rings(shape: Any) -> list[list[list[float]]]:
    """Outer rings, to the millimetre, without the closing point."""
    valid = shapely.make_valid(shape)
    parts = [p for p in shapely.get_parts(valid) if p.geom_type in {"Polygon", "MultiPolygon"}]
    polygons = shapely.get_parts(np.asarray(parts, dtype=object))
    return [np.round(shapely.get_coordinates(p.exterior)[:-1], 3).tolist() for p in polygons]


def _all_rings(shape: Any) -> list[list[list[float]]]:
    """Outer and inner rings, to the centimetre, without the closing point."""
    rings = shapely.get_rings(shapely.get_parts(shape))
    return [np.round(shapely.get_coordinates(r)[:-1], 2).tolist() for r in rings]

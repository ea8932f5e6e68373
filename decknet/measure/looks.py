"""What each survey looked at: the ground it covered and the kinds its method can find."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns.choices import DEFECT_KINDS
from decknet.locate import deck_outlines
from decknet.settings import LookSettings, kinds_found

__all__ = ["ASSUMED", "KINDS", "PART", "PLACE", "WHOLE", "areal_parts", "deck_edges", "kinds_mask", "survey_looks"]

WHOLE, ASSUMED, PLACE, PART = "whole", "assumed", "place", "part"
KINDS = DEFECT_KINDS
_EXTENTS = (WHOLE, ASSUMED, PLACE, PART)
WHOLE_DECK_WORDS = "whole deck"
_STRIP = ("from_station_m", "to_station_m", "from_offset_m", "to_offset_m")
_UNREAD = ("remarks",)  # says nothing of what was looked at
_FAR_M = 1e5
_SMALLER = 0.95  # an area stated below this part of the strip's is of a part of it

Floats = NDArray[np.float64]
Shapes = NDArray[np.object_]


def kinds_mask(kinds: frozenset[str]) -> int:
    """Kinds of defect as bits, in the order of ``KINDS``.

    Examples
    --------
    >>> kinds_mask(frozenset({"delamination", "hole"}))
    5
    """
    return sum(1 << i for i, kind in enumerate(KINDS) if kind in kinds)


def deck_edges(decks: pd.DataFrame) -> pd.DataFrame:
    """Edge (polygon in station and offset, m, or None) and area (m2, or missing) of each deck, on deck_id."""
    length = decks["length_m"].to_numpy(dtype="float64", na_value=np.nan)
    width = decks["width_m"].to_numpy(dtype="float64", na_value=np.nan)
    edge = deck_outlines(decks)
    area = shapely.area(edge)
    area = np.where(area > 0, area, length * width)
    index = pd.Index(decks["deck_id"], name="deck_id")
    return pd.DataFrame({"edge": pd.Series(edge, index=index, dtype="object"), "area_m2": area}, index=index)


def survey_looks(
    surveys: pd.DataFrame, decks: pd.DataFrame, settings: LookSettings, *, edges: pd.DataFrame | None = None
) -> pd.DataFrame:
    """What each survey looked at.

    Parameters
    ----------
    surveys, decks : DataFrame
        Records, columns of ``columns.RECORDS``.
    settings : LookSettings
    edges : DataFrame or None
        As ``deck_edges`` gives.

    Returns
    -------
    DataFrame, one row a survey whose deck is known, ordered by deck, date and id
        survey_id, deck_id, survey_date, method, crew; extent ("whole": stated to be of the whole deck; "assumed":
        nothing is said, taken for the whole deck; "place": of a known part; "part": of a part, not known which);
        region (polygon in station and offset, m, of extent "place"; else None); covered_m2 (m2) and covered_share
        (0 to 1), missing where not known; sees (kinds that are found, bits in the order of ``KINDS``);
        method_known (bool: else it is taken for a sounding where shares are worked out).

    Notes
    -----
    The ground is the coverage as drawn, else the strip of stations and offsets, cut to the deck's edge: a strip of a
    tapered or skewed deck has the area that is truly there.

    References
    ----------
    derived: intersections with the edge.
    """
    edges = deck_edges(decks) if edges is None else edges
    return looks_of(in_order(surveys, edges), edges, settings)


def in_order(surveys: pd.DataFrame, edges: pd.DataFrame) -> pd.DataFrame:
    """Surveys whose deck is known, by deck, date and id."""
    at = edges.index.get_indexer(surveys["deck_id"])
    known = np.flatnonzero(at >= 0)
    keys: tuple[NDArray[Any], ...] = (surveys["survey_date"].to_numpy()[known], _ranked(edges)[at[known]])
    if _ties(*keys):
        ids = surveys["survey_id"].to_numpy(dtype=object)[known]
        keys = (pd.Series(ids).rank(method="dense").to_numpy(), *keys)
    names = [name for name in surveys if name not in _UNREAD]
    return surveys[names].iloc[known[np.lexsort(keys)]].reset_index(drop=True)


def _ranked(edges: pd.DataFrame) -> NDArray[np.int64]:
    """Place of each deck in the order of their ids."""
    place = np.empty(len(edges), dtype=np.int64)
    place[np.argsort(edges.index.to_numpy(dtype=object), kind="stable")] = np.arange(len(edges))
    return place


def _ties(day: NDArray[Any], deck: NDArray[np.int64]) -> bool:
    """Whether a deck has two surveys of one day."""
    return bool(pd.DataFrame({"deck": deck, "day": day}).duplicated().any())


def looks_of(rows: pd.DataFrame, edges: pd.DataFrame, settings: LookSettings) -> pd.DataFrame:
    """As ``survey_looks``, of surveys that are ``in_order``."""
    out = rows[["survey_id", "deck_id", "survey_date", "method", "crew"]].copy()
    at = edges.index.get_indexer(rows["deck_id"])
    edge, area = edges["edge"].to_numpy(dtype=object)[at], edges["area_m2"].to_numpy(dtype="float64")[at]
    stated = rows["surveyed_m2"].to_numpy(dtype="float64", na_value=np.nan)
    stated = np.where(stated > 0, stated, np.nan)
    region, placed = _regions(rows, edge)
    ground = np.zeros(len(rows))
    ground[placed] = shapely.area(region[placed])
    said_whole, said_part = np.zeros(len(rows), dtype=bool), np.zeros(len(rows), dtype=bool)
    given = np.flatnonzero(rows["looked_at"].notna().to_numpy())
    words = rows["looked_at"].iloc[given].astype("str").str.strip().str.lower().to_numpy(dtype=object)
    said_whole[given], said_part[given] = words == WHOLE_DECK_WORDS, (words != "") & (words != WHOLE_DECK_WORDS)

    with np.errstate(invalid="ignore"):
        whole_stated = stated >= settings.whole_from * area
        off = placed & ~(ground > 0)  # a strip that is nowhere on the deck: a look at nothing that counts
        lesser = placed & (stated < _SMALLER * ground)
        nearly = placed & ~lesser & (ground >= settings.whole_from * area)
        none_said = ~placed & ~np.isfinite(stated) & ~said_part
    code = np.full(len(rows), _EXTENTS.index(PART))
    code[none_said & ~said_whole] = _EXTENTS.index(ASSUMED)
    code[(~placed & ~said_part & whole_stated) | said_whole | nearly] = _EXTENTS.index(WHOLE)
    code[placed & ~lesser & ~nearly] = _EXTENTS.index(PLACE)
    in_place, all_of_it = code == _EXTENTS.index(PLACE), code <= _EXTENTS.index(ASSUMED)
    region[placed & ~in_place] = None
    covered = np.where(all_of_it, area, np.where(in_place, ground, stated))
    covered = np.where(all_of_it & (stated > area), stated, covered)
    covered[off] = np.nan
    out["extent"] = pd.Series(_EXTENTS, dtype="str").take(code).array
    out["region"] = pd.Series(region, index=out.index, dtype="object")
    out["covered_m2"] = covered
    with np.errstate(invalid="ignore", divide="ignore"):
        out["covered_share"] = np.minimum(covered / area, 1.0)
    methods, names = pd.factorize(rows["method"])
    known = np.array([hasattr(settings, m.replace(" ", "_").replace("-", "_")) for m in names], dtype=bool)
    masks = np.array([kinds_mask(kinds_found(settings, m)) for m in names], dtype=np.int64)
    told = np.append(known, False)[methods]
    out["method_known"] = told
    out["sees"] = np.where(told, np.append(masks, 0)[methods], kinds_mask(frozenset(KINDS)))
    return out


def _regions(rows: pd.DataFrame, edge: Shapes) -> tuple[Shapes, NDArray[np.bool_]]:
    """Ground that each survey states to have covered, on the deck; and which state one."""
    drawn = rows["coverage"].to_numpy(dtype=object) if "coverage" in rows else np.full(len(rows), None, dtype=object)
    has = rows["coverage"].notna().to_numpy().copy() if "coverage" in rows else np.zeros(len(rows), dtype=bool)
    has[has] = shapely.area(drawn[has]) > 0
    ends = rows[list(_STRIP)].to_numpy(dtype="float64", na_value=np.nan)
    strip = np.isfinite(ends).any(axis=1) & ~has
    out = np.full(len(rows), None, dtype=object)
    if has.any():
        out[has] = shapely.make_valid(shapely.force_2d(drawn[has]))
    if strip.any():
        low, high = ends[strip][:, [0, 2]], ends[strip][:, [1, 3]]
        # A start left out is the deck's first joint or left edge, an end left out its last joint or right edge.
        low, high = np.where(np.isfinite(low), low, -_FAR_M), np.where(np.isfinite(high), high, _FAR_M)
        low, high = np.minimum(low, high), np.maximum(low, high)
        out[strip] = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    cut = has | strip
    cut[cut] = shapely.area(edge[cut]) > 0
    out[cut] = areal_parts(shapely.intersection(out[cut], edge[cut]))
    endless = strip & ~cut
    out[endless] = None  # without the deck's edge a strip has no area
    return out, has | strip


def areal_parts(shapes: Shapes) -> Shapes:
    """The parts of shapes that have an area."""
    out = shapes.copy()
    mixed = shapely.get_type_id(out) == 7
    if mixed.any():
        out[mixed] = [shapely.union_all([g for g in s.geoms if g.area > 0]) for s in out[mixed]]
    return out

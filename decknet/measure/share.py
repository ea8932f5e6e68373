"""Unsound and delaminated share of deck area.

Areas drawn over one another count once, and only inside the deck's edge. A share is of the area
that the survey covered, never of what it did not look at.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from decknet.columns.among import is_among
from decknet.errors import RecordError
from decknet.measure.looks import areal_parts, deck_edges, in_order, looks_of
from decknet.settings import LookSettings

__all__ = ["KIND_TOTAL", "area_once", "survey_shares", "unsound_share"]

_TOTALS = ("delaminated_m2", "spalled_m2", "hole_m2", "failed_patch_m2")
# What a polygon of each kind adds to, beside the unsound area.
KIND_TOTAL = {
    "delamination": "delaminated_m2",
    "spall": "spalled_m2",
    "hole": "hole_m2",
    "failed patch": "failed_patch_m2",
    "exposed bar": "exposed_bar_m2",
}


def unsound_share(unsound_m2: pd.Series, area_m2: pd.Series) -> pd.Series:
    """Share of each deck's surveyed area that is unsound.

    Parameters
    ----------
    unsound_m2 : Series, shape (n,), m2
        Union of the survey's unsound areas inside the outline, >= 0.
    area_m2 : Series, shape (n,), m2
        Surveyed deck area, > 0, on the same index.

    Returns
    -------
    Series, shape (n,), fraction 0 to 1, named "share"
        Missing where either input is missing.

    Raises
    ------
    RecordError
        An area is not positive, or a share falls outside 0 to 1.

    References
    ----------
    derived: a ratio of two areas.

    Examples
    --------
    >>> unsound_share(pd.Series([7.0]), pd.Series([400.0])).tolist()
    [0.0175]
    """
    bad = area_m2.notna() & ~(area_m2 > 0)
    if bad.any():
        raise RecordError(
            f"area_m2 at {bad.idxmax()}: {area_m2[bad.idxmax()]:g} m2 is not a deck area. "
            "It must be above 0; correct the deck's length and width."
        )
    share = (unsound_m2 / area_m2).rename("share")
    outside = share.notna() & ~share.between(0.0, 1.0 + 1e-9)
    if outside.any():
        at = outside.idxmax()
        raise RecordError(
            f"unsound_m2 at {at}: {unsound_m2[at]:g} m2 does not fit on {area_m2[at]:g} m2 surveyed. "
            "Correct the survey or the deck area."
        )
    return share.clip(upper=1.0)


def area_once(group: NDArray[np.int64], shapes: NDArray[np.object_]) -> pd.Series:
    """Area covered by each group's shapes, overlaps counted once.

    Parameters
    ----------
    group : array of int, shape (k,)
        Group of each shape.
    shapes : array of Polygon or MultiPolygon, shape (k,), m
        Valid shapes.

    Returns
    -------
    Series, m2, on the sorted groups

    References
    ----------
    derived: a sum of areas less what is counted twice. Shapes that meet are found by one tree over
    all groups, each group moved to a strip of its own; only where three or more hang together is
    their union drawn.

    Examples
    --------
    >>> two = np.array([shapely.box(0, 0, 2, 2), shapely.box(1, 1, 3, 3)])
    >>> area_once(np.array([4, 4]), two).to_dict()
    {4: 7.0}
    """
    size = shapely.area(shapes)
    area = pd.Series(size).groupby(group).sum()
    group, shapes = group[size > 0], shapes[size > 0]
    if len(shapes) == 0:
        return area.astype("float64")
    code, _ = pd.factorize(group)
    bounds = shapely.bounds(shapes)
    size = float(np.nanmax(bounds[:, 2]) - np.nanmin(bounds[:, 0])) + 1.0
    moved = shapely.box(bounds[:, 0] + code * size, bounds[:, 1], bounds[:, 2] + code * size, bounds[:, 3])
    left, right = shapely.STRtree(moved).query(moved, predicate="intersects")
    pairs = left < right
    left, right = left[pairs], right[pairs]
    meet = shapely.intersects(shapes[left], shapes[right])
    left, right = left[meet], right[meet]
    if len(left) == 0:
        return area
    link = coo_array((np.ones(len(left), dtype=np.int8), (left, right)), shape=(len(shapes), len(shapes)))
    _, cluster = connected_components(link, directed=False)
    size = np.bincount(cluster)[cluster]
    twice = np.zeros(len(shapes))  # area counted more than once, charged to one shape of each cluster
    pair = size[left] == 2
    twice[left[pair]] = shapely.area(shapely.intersection(shapes[left[pair]], shapes[right[pair]]))
    many = np.flatnonzero(size > 2)
    many = many[np.argsort(cluster[many], kind="stable")]
    starts = np.flatnonzero(np.diff(cluster[many], prepend=-1))
    for start, end in zip(starts, np.append(starts[1:], len(many))[: len(starts)], strict=True):
        parts = shapes[many[start:end]]
        twice[many[start]] = shapely.area(parts).sum() - shapely.area(shapely.union_all(parts))
    return area.sub(pd.Series(twice).groupby(group).sum(), fill_value=0.0)


def survey_shares(
    surveys: pd.DataFrame, defects: pd.DataFrame, decks: pd.DataFrame, settings: LookSettings | None = None, *,
    edges: pd.DataFrame | None = None,
) -> pd.DataFrame:  # fmt: skip
    """What each survey found: its look, areas by kind, unsound area, shares.

    Parameters
    ----------
    surveys, defects, decks : DataFrame
        Records, columns of ``columns.RECORDS``. Shapes are in station and offset (m).
    settings : LookSettings or None
        What each method finds; None: as it comes.
    edges : DataFrame or None
        As ``deck_edges`` gives.

    Returns
    -------
    DataFrame, one row a survey whose deck is known, ordered by deck and date
        Columns of ``survey_looks``; unsound_m2, delaminated_m2, spalled_m2, hole_m2, failed_patch_m2, exposed_bar_m2
        (m2); outside_m2 (m2 drawn beyond the deck's edge or beyond the ground looked at, left out); unsound_share,
        delaminated_share (fraction of the area covered; missing where that is not known); measured_from ("polygons",
        "totals", or missing where the survey states neither); in_all (bool: it states what is unsound in all,
        by whatever method); fault (words; missing where nothing is wrong: a survey
        that cannot be right has no shares).

    Notes
    -----
    Where a survey has shapes they are measured and its stated totals are not used; defects of that
    survey given by area only are added. Exposed bars lie inside other damage on most sheets, so
    a stated exposed-bar total is shown but not added to the unsound area.

    References
    ----------
    derived: unions, clipped to the outline and to the ground looked at.
    """
    edges = deck_edges(decks) if edges is None else edges
    found = in_order(surveys, edges)
    out = looks_of(found, edges, settings or LookSettings())
    for name in (*_TOTALS, "exposed_bar_m2"):
        out[name] = found[name]
    stated = found["unsound_m2"]
    summed = found[list(_TOTALS)].sum(axis=1, min_count=1)
    out["unsound_m2"] = stated.where(stated.notna(), summed)
    out["in_all"] = stated.notna().to_numpy()
    out["outside_m2"] = 0.0
    out["measured_from"] = out["unsound_m2"].notna().map({True: "totals", False: None}).astype("str")
    drawn = _drawn(out, defects, edges["edge"])
    for name in drawn.columns:
        out.loc[drawn.index, name] = drawn[name]
    out.loc[drawn.index, "measured_from"] = "polygons"
    out.loc[drawn.index, "in_all"] = False
    _set_aside(out)
    for whole, part in (("unsound_share", "unsound_m2"), ("delaminated_share", "delaminated_m2")):
        out[whole] = unsound_share(out[part], out["covered_m2"]).to_numpy()
    return out


def _set_aside(shares: pd.DataFrame) -> None:
    """Take the figures of surveys that cannot be right out of the sums, and say why. In place."""
    over = shares[["unsound_m2", "delaminated_m2"]].max(axis=1)
    bad = ((over > shares["covered_m2"] * (1 + 1e-9)) | (over < 0)).to_numpy(dtype=bool)
    words = [
        f"{found:.6g} m2 unsound does not fit on the {covered:.6g} m2 looked at"
        for found, covered in zip(over[bad], shares.loc[bad, "covered_m2"], strict=True)
    ]
    fault = np.full(len(shares), None, dtype=object)
    fault[bad] = words
    shares["fault"] = pd.array(fault, dtype="str")
    shares.loc[bad, ["unsound_m2", *KIND_TOTAL.values()]] = np.nan
    shares.loc[bad, "measured_from"] = None


def _drawn(surveys: pd.DataFrame, defects: pd.DataFrame, outlines: pd.Series) -> pd.DataFrame:
    """Areas by kind for the surveys that have defects, on the row numbers of ``surveys``."""
    told = np.flatnonzero(is_among(surveys["survey_id"], defects["survey_id"]))
    rows = pd.Series(told, index=pd.Index(surveys["survey_id"].array[told]))
    defects = defects[is_among(defects["survey_id"], rows.index)]
    names = ["unsound_m2", *KIND_TOTAL.values(), "outside_m2"]
    if defects.empty:
        return pd.DataFrame(columns=names, index=pd.Index([], dtype="int64"), dtype="float64")
    row = defects["survey_id"].map(rows).to_numpy(dtype="int64")
    kind = defects["kind"].to_numpy(dtype=object)
    shapes = shapely.make_valid(shapely.force_2d(defects["shape"].to_numpy(dtype=object)))
    edge = outlines.reindex(surveys["deck_id"].to_numpy()[row]).to_numpy(dtype=object)
    region = surveys["region"].to_numpy(dtype=object)[row]
    edge = np.where(shapely.is_missing(region), edge, region)
    whole = shapely.area(shapes)
    has = whole > 0
    within = shapes.copy()
    clip = has & (shapely.area(edge) > 0)
    cut = clip.copy()
    cut[clip] = ~shapely.covers(edge[clip], shapes[clip])
    within[cut] = areal_parts(shapely.intersection(shapes[cut], edge[cut]))
    stated = np.where(has, 0.0, defects["area_m2"].fillna(0.0).to_numpy(dtype="float64"))
    out = pd.DataFrame(0.0, index=pd.Index(np.unique(row)), columns=names)
    for name, mine in (
        ("unsound_m2", np.ones(len(row), dtype=bool)),
        *((total, kind == k) for k, total in KIND_TOTAL.items()),
    ):
        pick = mine & has
        out[name] = out[name].add(area_once(row[pick], within[pick]), fill_value=0.0)
        out[name] = out[name].add(pd.Series(stated[mine]).groupby(row[mine]).sum(), fill_value=0.0)
    lost = np.where(cut, whole - np.where(cut, shapely.area(within), 0.0), 0.0)
    out["outside_m2"] = pd.Series(lost).groupby(row).sum()
    return out

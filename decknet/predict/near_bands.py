"""Where to look first on a deck: bands of ground by how much damage comes there next, beside the deck's average."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns.among import is_among
from decknet.measure import DeckAsKnown
from decknet.predict.damage import deck_lives
from decknet.predict.near_cells import NEAR_M, covered_cells, damage_distance_m, in_cells, rings
from decknet.predict.nearness import Nearness, all_placed
from decknet.settled import to_places

__all__ = ["BANDS", "look_first"]

BANDS = (6.0, 3.0, 1.5)  # least rate of each band, in averages of the deck
_FAR_M = 10.0
_SMALL_M2 = 0.02  # slivers of a band that are not drawn
_ARC = 4  # straight pieces of a quarter circle
_PLACES = 2

Floats = NDArray[np.float64]


def look_first(
    nearness: Nearness, known: DeckAsKnown, decks: pd.DataFrame, repairs: pd.DataFrame, edges: pd.DataFrame,
    deck_ids: Sequence[str],
) -> pd.DataFrame:  # fmt: skip
    """Bands of ground to look at first.

    Parameters
    ----------
    nearness : Nearness
        Rates of the district.
    known : DeckAsKnown
    decks, repairs : DataFrame
        Records; decks with built_year and deck_built_year.
    edges : DataFrame
        As ``measure.deck_edges`` gives.
    deck_ids : sequence of str

    Returns
    -------
    DataFrame, one row a band, the strongest first
        deck_id; band (1, 2, 3); times (new damage for the ground there, in averages of the deck's ground that was
        sound); shape (polygon in station and offset, m). None where the rates do not beat a uniform guess, where the
        deck is not known with a place for what is unsound in its present life, where nothing was unsound at its newest
        look (the test says what nearness to damage and joints is worth, not the joints by themselves), and where no
        ground stands out.

    Notes
    -----
    Rings are round all that was unsound at the deck's newest look, patched since or not, as they were learnt; ground
    that was unsound then, or was patched since, is in no band.

    References
    ----------
    derived: rates of rings, over their mean by area.
    """
    rows: list[dict[str, Any]] = []
    of = known.series
    last = of[is_among(of["deck_id"], set(deck_ids))].groupby("deck_id").tail(1)
    last = last[all_placed(last)] if nearness.shown else last.iloc[:0]
    begun = deck_lives(decks, repairs)
    begun = begun[begun["life"] > 0].groupby("deck_id")["start"].max().reindex(last["deck_id"]).to_numpy()
    last = last[~(begun >= last["survey_date"].to_numpy())]
    drawn = known.defects[is_among(known.defects["survey_id"], last["survey_id"]) & known.defects["shape"].notna()]
    patches = repairs[repairs["shape"].notna() & is_among(repairs["deck_id"], last["deck_id"])]
    joints = decks.drop_duplicates("deck_id").set_index("deck_id")["joints_m"]
    for look in last.to_dict("records"):
        deck, edge = look["deck_id"], edges["edge"].get(look["deck_id"])
        found = drawn.loc[drawn["survey_id"] == look["survey_id"], "shape"].to_numpy(dtype=object)
        if edge is None or not shapely.area(edge) > 0 or not shapely.area(found).sum() > 0:
            continue
        since = (patches["deck_id"] == deck) & (patches["repair_date"] >= look["survey_date"])
        laid = patches.loc[since, "shape"].to_numpy(dtype=object)
        rows += [{"deck_id": deck, **band} for band in _bands(nearness.rate, edge, joints.get(deck), found, laid)]
    order = {d: i for i, d in enumerate(deck_ids)}
    rows.sort(key=lambda row: (order[row["deck_id"]], row["band"]))
    out = pd.DataFrame(rows, columns=["deck_id", "band", "times", "shape"])
    return out.astype({"deck_id": "str", "band": "int64", "times": "float64"})


def _bands(
    rate: Floats, edge: Any, joints: object, found: NDArray[np.object_], patches: NDArray[np.object_]
) -> list[dict[str, Any]]:
    """Bands of one deck: band, times, shape."""
    on = in_cells(edge, joints)
    away = damage_distance_m(covered_cells(found, on.grid), on.grid.cell_m)
    sound = on.edge & (away > 0) & ~covered_cells(patches, on.grid)
    code = rings(away) * len(rate) + on.joint
    there = np.bincount(code[sound], minlength=rate.size).reshape(rate.shape) * on.grid.cell_m**2
    if not there.sum() > 0:
        return []
    times = to_places(rate * there.sum() / (rate * there).sum(), _PLACES)
    known = shapely.union_all(shapely.make_valid(shapely.force_2d(found)))
    taken = [known, *shapely.make_valid(shapely.force_2d(patches))]
    ground = shapely.difference(edge, shapely.union_all(taken))
    near = [shapely.buffer(known, d, quad_segs=_ARC) for d in NEAR_M]
    by_joint = [_beside_joints(on.lines, d, edge) for d in NEAR_M]
    rows: list[dict[str, Any]] = []
    inner = shapely.Polygon()
    for band, least in enumerate(BANDS, start=1):
        reached = times >= least
        parts = []
        for j, count in enumerate(reached.sum(axis=0)):  # rates never rise with the distance: the first so many rings
            strip = by_joint[j] if j < len(by_joint) else edge
            if count:
                parts.append(strip if count > len(near) else shapely.intersection(near[count - 1], strip))
        whole = shapely.intersection(shapely.union_all(parts), ground)
        shape = _drawable(shapely.difference(whole, inner))
        inner = shapely.union(inner, whole)
        mine = reached if band == 1 else reached & ~(times >= BANDS[band - 2])
        if shape is not None and (there * mine).sum() > 0:
            mean = float((times * there * mine).sum() / (there * mine).sum())
            rows.append({"band": band, "times": round(mean, _PLACES), "shape": shape})
    return rows


def _beside_joints(lines: Floats, within_m: float, edge: Any) -> Any:
    """Ground of a deck within a distance of its joints and ends."""
    _, low, _, high = shapely.bounds(edge)
    low, high = low - _FAR_M, high + _FAR_M
    drawn = shapely.linestrings([[(s + k * low, low), (s + k * high, high)] for s, k in lines])
    return shapely.intersection(shapely.union_all(shapely.buffer(drawn, within_m, cap_style="flat")), edge)


def _drawable(shape: Any) -> Any:
    """The parts of a band that are worth a line, to the centimetre; None where there is none."""
    parts = shapely.get_parts(shapely.simplify(shape, 0.01))
    parts = parts[(shapely.get_type_id(parts) == 3) & (shapely.area(parts) > _SMALL_M2)]
    return shapely.set_precision(shapely.union_all(parts), 0.001) if len(parts) else None

"""The deck as known: place by place the newest look that can see a kind there, less repairs made there since."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns.among import is_among
from decknet.measure.looks import ASSUMED, KINDS, WHOLE, areal_parts, deck_edges, kinds_mask
from decknet.measure.share import KIND_TOTAL

__all__ = ["RENEWING", "DeckAsKnown", "deck_as_known"]

RENEWING = ("thin overlay", "rigid overlay", "new deck")  # after one of these over the whole deck no older look stands
ALL_KINDS = kinds_mask(frozenset(KINDS))
HOLLOW = kinds_mask(frozenset({"delamination"}))
_LEAST_M2 = 1e-4
_SOON = pd.Timedelta(days=366)
_COMPONENTS = (*KIND_TOTAL.values(), "rest_hollow_m2", "rest_open_m2")
_SEEN_WITH = (*(KINDS.index(k) for k in KIND_TOTAL), KINDS.index("delamination"), KINDS.index("spall"))
_IN_SUM = np.array([name != "exposed_bar_m2" for name in _COMPONENTS])

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]
Shapes = NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class DeckAsKnown:
    """Decks as known, at each of their looks and now.

    Attributes
    ----------
    series : DataFrame, one row a look that says how much is unsound, ordered by deck and date
        Columns of ``survey_shares``, as the deck was known on that day: areas and shares of all the ground that looks
        up to then have covered since the deck was last renewed, each place by its newest look, less what drawn repairs
        took out before that day. covered_m2 and covered_share: ground looked at; fresh_share (0 to 1): part of the
        deck looked at within a year of that day; oldest (date of the oldest look that still counts);
        undrawn_m2 (m2 of it that no drawing shows).
    defects : DataFrame
        What was drawn of it at each of these looks: survey_id of the look, found_by (survey_id), deck_id, survey_date
        (of the survey that found it), defect_id, kind, depth_mm, area_m2, shape.
    standing : DataFrame
        The same as it stands now, after all repairs; columns as of ``defects`` without survey_id of the look.
    """

    series: pd.DataFrame
    defects: pd.DataFrame
    standing: pd.DataFrame


@dataclass(slots=True)
class _Layer:
    """One look or one drawn repair, as what lies on top of what is older."""

    day: Any
    whole: bool
    region: Any  # polygon; None where the place is not known or it is of the whole deck
    part: float  # share of the deck looked at, for a part whose place is not known
    sees: int
    in_all: bool = False
    repair: bool = False
    row: int = -1
    totals: Floats | None = None
    defects: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))


def deck_as_known(
    shares: pd.DataFrame, defects: pd.DataFrame, decks: pd.DataFrame, repairs: pd.DataFrame, *,
    edges: pd.DataFrame | None = None,
) -> DeckAsKnown:  # fmt: skip
    """Each deck as known: what its looks say together, place by place.

    Parameters
    ----------
    shares : DataFrame
        As ``survey_shares`` gives.
    defects, decks, repairs : DataFrame
        Records, columns of ``columns.RECORDS``. Shapes are in station and offset (m).
    edges : DataFrame or None
        As ``deck_edges`` gives.

    Returns
    -------
    DeckAsKnown

    Notes
    -----
    A look replaces what is older where it covered the ground and for the kinds its method finds; a figure above 0 or a
    shape counts as found whatever the method. A total stated to be all that is unsound on the whole deck replaces all
    older figures, not older drawn defects of kinds that its method cannot see. A look whose totals have no place within
    the ground it covered stands for that ground evenly. A look at a part, its place not known, stands for its share of
    all ground alike; it moves no drawn defect. Looks of one day count in the order of their ids. A repair of the day
    of a look is not taken for the later one.

    References
    ----------
    derived: unions and differences of areas.
    """
    told = shares[shares["unsound_m2"].notna()].reset_index(drop=True)
    renewals = _renewals(repairs, decks)
    rows, at = _of_told(told, defects)
    edges = deck_edges(decks) if edges is None else edges
    group, placewise = _segments(told, renewals)
    series = _by_numbers(told, group, edges)
    series["undrawn_m2"] = _undrawn(told, rows, at)
    later = (np.diff(group, prepend=0) == 0) & ~placewise
    series.loc[later, "undrawn_m2"] = series.loc[later, "unsound_m2"]
    drawn_at, standing = _by_whole_looks(told, rows, at, group, placewise)
    if placewise.any():
        more_at, more_standing = _by_places(told, rows, at, group, placewise, edges, repairs, series)
        drawn_at = pd.concat([drawn_at, more_at], ignore_index=True)
        standing = pd.concat([standing, more_standing], ignore_index=True)
    standing = _less_repaired(standing, repairs, renewals)
    return DeckAsKnown(_shares_of(series), drawn_at, standing)


def _undrawn(told: pd.DataFrame, rows: pd.DataFrame, at: Ints) -> Floats:
    """Unsound area that each look states and does not draw, m2."""
    loose = ~(shapely.area(rows["shape"].to_numpy(dtype=object)) > 0)
    area = rows["area_m2"].fillna(0.0).to_numpy(dtype="float64")
    listed = np.bincount(at[loose], area[loose], minlength=len(told))
    return np.where(told["measured_from"].eq("polygons"), listed, told["unsound_m2"].to_numpy(dtype="float64"))


def _renewals(repairs: pd.DataFrame, decks: pd.DataFrame) -> pd.DataFrame:
    """Works that renewed a whole deck (deck_id, repair_date), in order of date."""
    works = repairs[repairs["treatment"].isin(RENEWING) & is_among(repairs["deck_id"], decks["deck_id"])]
    return works[["deck_id", "repair_date"]].sort_values(["repair_date", "deck_id"], ignore_index=True)


def _of_told(told: pd.DataFrame, defects: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Defects of looks that tell, with deck and day of their survey; and the row of their look."""
    with_any = np.flatnonzero(is_among(told["survey_id"], defects["survey_id"]))
    at = pd.Index(told["survey_id"].array[with_any]).get_indexer(defects["survey_id"])
    rows = defects[at >= 0].drop(columns=["deck_id", "survey_date"], errors="ignore").reset_index(drop=True)
    at = with_any[at[at >= 0]].astype(np.int64)
    rows["deck_id"], rows["survey_date"] = told["deck_id"].array[at], told["survey_date"].array[at]
    return rows, at


def _segments(told: pd.DataFrame, renewals: pd.DataFrame) -> tuple[Ints, Flags]:
    """Looks that hang together (numbered from 1, in order), and those of them that must go place by place.

    A look at a whole deck that sees all kinds begins anew, and so does an overlay or a new deck; so does a total stated
    in all where nothing was drawn before. Place by place go looks that hang together where something is drawn and
    another look follows, and those among which more than one is of a part.
    """
    whole = told["extent"].isin((WHOLE, ASSUMED)).to_numpy(dtype=bool)
    sees_all = (told["sees"] == ALL_KINDS).to_numpy(dtype=bool)
    drawn = told["measured_from"].eq("polygons").to_numpy(dtype=bool)
    some = np.flatnonzero(is_among(told["deck_id"], told.loc[~(whole & sees_all), "deck_id"]).to_numpy())
    if not len(some):
        return np.arange(1, len(told) + 1), np.zeros(len(told), dtype=bool)
    group, placewise = _hang_together(
        told.iloc[some].reset_index(drop=True), whole[some], sees_all[some], drawn[some], renewals
    )
    # The looks of other decks each stand for themselves.
    begins = np.ones(len(told), dtype=bool)
    begins[some] = np.diff(group, prepend=0) != 0
    out = np.zeros(len(told), dtype=bool)
    out[some] = placewise
    return np.cumsum(begins), out


def _hang_together(
    told: pd.DataFrame, whole: Flags, sees_all: Flags, drawn: Flags, renewals: pd.DataFrame
) -> tuple[Ints, Flags]:
    renewed = pd.merge_asof(
        told[["deck_id", "survey_date"]].assign(row=np.arange(len(told))).sort_values("survey_date", kind="stable"),
        renewals.rename(columns={"repair_date": "renewed"}), left_on="survey_date", right_on="renewed", by="deck_id",
        allow_exact_matches=False,
    ).sort_values("row")["renewed"].fillna(pd.Timestamp("1700-01-01")).to_numpy()  # fmt: skip
    deck = pd.factorize(told["deck_id"])[0]
    life = (np.diff(deck, prepend=-1) != 0) | np.append(True, renewed[1:] != renewed[:-1])[: len(told)]
    hard = np.cumsum(life | (whole & sees_all))
    before = pd.Series(drawn).groupby(hard).cumsum().to_numpy() - drawn > 0
    group = np.cumsum(life | (whole & (sees_all | (told["in_all"].to_numpy(dtype=bool) & ~before))))
    by = pd.Series(group)
    some_drawn = pd.Series(drawn).groupby(by).transform("any").to_numpy()
    size = by.map(by.value_counts()).to_numpy()
    parts = pd.Series(~whole).groupby(by).transform("sum").to_numpy()
    part_drawn = pd.Series(drawn & ~(whole & sees_all)).groupby(by).transform("any").to_numpy()
    return group.astype(np.int64), (size > 1) & (some_drawn | (parts > 1)) | part_drawn


# ---- by numbers ----------------------------------------------------------------------------------------


def _components(told: pd.DataFrame) -> Floats:
    """Areas by kind, and the rest of the unsound area by who could see it; shape (looks, components)."""
    kinds = told[list(KIND_TOTAL.values())].to_numpy(dtype="float64", na_value=np.nan)
    filled = np.nan_to_num(kinds)
    split = filled[:, _IN_SUM[:-2]].sum(axis=1)
    rest = told["unsound_m2"].to_numpy(dtype="float64") - split
    hollow = (told["sees"].to_numpy(dtype=np.int64) & HOLLOW) > 0
    return np.column_stack([filled, np.where(hollow, rest, 0.0), np.where(hollow, 0.0, rest)])


def _part_of(told: pd.DataFrame) -> Floats:
    """Part of the deck that each look covered; 0 for a part of unknown size."""
    part = told["covered_share"].to_numpy(dtype="float64", na_value=np.nan)
    return np.where(told["extent"].isin((WHOLE, ASSUMED)), 1.0, np.nan_to_num(part))


def _seen_components(sees: Ints) -> Flags:
    """Which components a look replaces; shape (looks, components)."""
    bits = np.array([kinds_mask(frozenset({name})) for name in KIND_TOTAL], dtype=np.int64)
    seen = (sees[:, None] & bits) > 0
    open_kinds = kinds_mask(frozenset({"spall", "hole"}))
    return np.column_stack([seen, (sees & HOLLOW) > 0, (sees & open_kinds) > 0])


def _by_numbers(told: pd.DataFrame, group: Ints, edges: pd.DataFrame) -> pd.DataFrame:
    """Decks as known at each look, their looks taken as spread evenly over the ground they covered."""
    out = told.copy()
    out["fresh_share"], out["oldest"] = told["covered_share"].fillna(1.0), told["survey_date"]
    size = np.bincount(group)
    turn = np.arange(len(told)) - np.flatnonzero(np.diff(group, prepend=-1))[group - 1]
    some = np.flatnonzero(size[group] > 1)
    if not len(some):
        return out
    state, looked, fresh, oldest = _evenly(told.iloc[some].reset_index(drop=True), turn[some])
    later = turn[some] > 0
    _put(out, some[later], state[later], looked[later], fresh[later], oldest[later], edges)
    return out


def _evenly(told: pd.DataFrame, turn: Ints) -> tuple[Floats, Floats, Floats, Any]:
    """State, ground looked at, part of it looked at lately and oldest look that counts, after each of some looks.

    ``turn`` numbers the looks that hang together from 0.
    """
    own, seen = _components(told), _seen_components(told["sees"].to_numpy(dtype=np.int64))
    part = _part_of(told)
    seen &= (part > 0)[:, None]
    state, looked, fresh = own.copy(), part.copy(), part.copy()
    day = told["survey_date"].to_numpy()
    oldest = day.copy()
    for step in range(1, int(turn.max(initial=0)) + 1):
        row = np.flatnonzero(turn == step)
        before = row - 1
        left = (1.0 - part[row])[:, None]
        found_anyway = np.maximum(own[row], 0.0)
        state[row] = np.where(seen[row], own[row] + state[before] * left, np.maximum(state[before], found_anyway))
        looked[row] = np.where(seen[row, -2], part[row] + looked[before] * left[:, 0], looked[before])
        kept = (left[:, 0] > 1e-9) | ~seen[row].all(axis=1)
        oldest[row] = np.where(kept, oldest[before], day[row])
        soon = kept & (day[row] - oldest[before] <= np.timedelta64(366, "D"))
        fresh[row] = np.where(soon, np.maximum(looked[row], part[row]), part[row])
    return state, np.maximum(looked, part), fresh, oldest


def _put(
    out: pd.DataFrame, at: Ints, state: Floats, looked: Floats, fresh: Floats, oldest: Any, edges: pd.DataFrame
) -> None:
    """Write the state of the looks at some rows into the series. In place."""
    if not len(at):
        return
    area = edges["area_m2"].to_numpy(dtype="float64")[edges.index.get_indexer(out["deck_id"].array[at])]

    def write(name: str, values: Any) -> None:
        column = out[name].to_numpy().copy()
        column[at] = values
        out[name] = column

    for k, name in enumerate(KIND_TOTAL.values()):
        stated = out[name].notna().to_numpy()[at] | (state[:, k] > 0)
        write(name, np.where(stated, state[:, k], np.nan))
    ground = looked * area
    covered = np.where(np.isfinite(ground), ground, out["covered_m2"].to_numpy(dtype="float64", na_value=np.nan)[at])
    total = np.maximum(state[:, _IN_SUM].sum(axis=1), 0.0)
    share = out["covered_share"].to_numpy(dtype="float64", na_value=np.nan)[at]
    write("covered_m2", covered)
    write("unsound_m2", np.where(np.isfinite(covered), np.minimum(total, covered), total))
    write("covered_share", np.where(np.isfinite(area), np.minimum(looked, 1.0), share))
    write("fresh_share", np.minimum(fresh, 1.0))
    write("oldest", oldest)


def _shares_of(series: pd.DataFrame) -> pd.DataFrame:
    with np.errstate(invalid="ignore", divide="ignore"):
        for whole, part in (("unsound_share", "unsound_m2"), ("delaminated_share", "delaminated_m2")):
            series[whole] = np.minimum(series[part] / series["covered_m2"].where(series["covered_m2"] > 0), 1.0)
    return series


# ---- decks whose looks are all of the whole ---------------------------------------------------------------


def _by_whole_looks(
    told: pd.DataFrame, rows: pd.DataFrame, at: Ints, group: Ints, placewise: Flags
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What was drawn at looks that need no places, and what of it stands after the last look of their deck."""
    mine = ~placewise[at] if len(at) else np.zeros(0, dtype=bool)
    drawn = rows[mine].reset_index(drop=True).rename(columns={"survey_id": "found_by"})
    drawn["survey_id"] = drawn["found_by"]
    stands = (group == _last_group(told, group))[at[mine]]
    return drawn, drawn[stands].drop(columns="survey_id").reset_index(drop=True)


def _last_group(told: pd.DataFrame, group: Ints) -> Ints:
    """Of each look, what the last look of its deck hangs together with; looks of a deck stand together, in order."""
    deck = pd.factorize(told["deck_id"])[0]
    ends = np.append(deck[1:] != deck[:-1], True)[: len(deck)]
    last: Ints = group[ends][deck]
    return last


def _less_repaired(found: pd.DataFrame, repairs: pd.DataFrame, renewals: pd.DataFrame) -> pd.DataFrame:
    """Defects without what repairs after their survey took out: drawn ones by place, renewals whole."""
    if found.empty:
        return found.reset_index(drop=True)
    renewed = renewals.groupby("deck_id")["repair_date"].max().reindex(found["deck_id"]).to_numpy()
    found = found[~(renewed > found["survey_date"].to_numpy())].reset_index(drop=True)
    drawn = repairs.loc[repairs["shape"].notna(), ["deck_id", "repair_date", "shape"]]
    drawn = drawn[shapely.area(drawn["shape"].to_numpy(dtype=object)) > 0]
    later = drawn.merge(found[["deck_id", "survey_date"]].drop_duplicates(), on="deck_id")
    later = later[later["repair_date"] > later["survey_date"]]
    keys = ["deck_id", "survey_date"]
    covered = later.groupby(keys)["shape"].agg(lambda s: shapely.union_all(shapely.make_valid(list(s))))
    shapes = found["shape"].to_numpy(dtype=object).copy()
    over = np.full(len(found), None, dtype=object)
    if len(covered):
        where = covered.index.get_indexer(pd.MultiIndex.from_frame(found[keys]))
        over[where >= 0] = covered.to_numpy(dtype=object)[where[where >= 0]]
    cut = np.flatnonzero((shapely.area(shapes) > 0) & ~shapely.is_missing(over))
    keep = np.ones(len(found), dtype=bool)
    if len(cut):
        shapes[cut] = areal_parts(shapely.difference(shapely.make_valid(shapely.force_2d(shapes[cut])), over[cut]))
        keep[cut] = shapely.area(shapes[cut]) > _LEAST_M2
    return found.assign(shape=pd.Series(shapes, index=found.index, dtype="object"))[keep].reset_index(drop=True)


# ---- place by place ----------------------------------------------------------------------------------------


def _by_places(
    told: pd.DataFrame, rows: pd.DataFrame, at: Ints, group: Ints, placewise: Flags, edges: pd.DataFrame,
    repairs: pd.DataFrame, series: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame]:  # fmt: skip
    """As ``_by_whole_looks`` for looks that need places; their rows of the series are put right. In place."""
    own = _components(told)
    shapes = rows["shape"].to_numpy(dtype=object).copy()
    has = shapely.area(shapes) > 0
    use = has & placewise[at]
    shapes[use] = shapely.make_valid(shapely.force_2d(shapes[use]))
    found = _Found(shapes, has, rows["kind"].to_numpy(dtype=object), rows["area_m2"].fillna(0.0).to_numpy(dtype=float))
    chosen = np.flatnonzero(placewise)
    layers = _look_layers(told, chosen, own, at)
    patches = _patch_layers(repairs, told["deck_id"].to_numpy(dtype=object)[chosen])
    deck = told["deck_id"].to_numpy(dtype=object)
    sized = edges.loc[pd.unique(deck[chosen])]
    about = {d: (e, float(a)) for d, e, a in zip(sized.index, sized["edge"], sized["area_m2"], strict=True)}
    final = _last_group(told, group)
    state, looked = own.copy(), np.zeros(len(told))
    fresh, oldest = np.zeros(len(told)), told["survey_date"].to_numpy().copy()
    undrawn = series["undrawn_m2"].to_numpy(dtype="float64").copy()
    pieces: list[tuple[int, int, Any]] = []
    last: list[tuple[int, Any]] = []
    for part in np.split(chosen, np.flatnonzero(np.diff(group[chosen])) + 1):
        deck_id = deck[part[0]]
        edge, area = about[deck_id]
        mine = sorted(
            [layers[i] for i in part] + patches.get(deck_id, []), key=lambda x: (x.day, not x.repair, x.row)
        )  # fmt: skip
        known, laid = None, _Overlays()
        for upto, layer in enumerate(mine):
            if not layer.repair:
                known = _as_known(mine[: upto + 1], edge, area, found, laid)
                state[layer.row], looked[layer.row], fresh[layer.row], oldest[layer.row] = known.figures
                undrawn[layer.row] = known.undrawn_m2
                pieces += [(layer.row, i, shape) for i, shape in known.pieces]
        if final[part[0]] == group[part[0]] and known is not None:
            last += known.pieces
    _put(series, chosen, state[chosen], looked[chosen], fresh[chosen], oldest[chosen], edges)
    series["undrawn_m2"] = undrawn
    drawn = rows.iloc[[i for _, i, _ in pieces]].reset_index(drop=True).rename(columns={"survey_id": "found_by"})
    drawn["shape"] = pd.Series([s for _, _, s in pieces], index=drawn.index, dtype="object")
    drawn["survey_id"] = told["survey_id"].array[[r for r, _, _ in pieces]]
    standing = rows.iloc[[i for i, _ in last]].reset_index(drop=True).rename(columns={"survey_id": "found_by"})
    standing["shape"] = pd.Series([s for _, s in last], index=standing.index, dtype="object")
    return drawn, standing


@dataclass(frozen=True, slots=True)
class _Found:
    """Defects: shapes (valid), which of them have an area, kinds, areas stated (m2)."""

    shapes: Shapes
    has: Flags
    kinds: Shapes
    area_m2: Floats


def _look_layers(told: pd.DataFrame, chosen: Ints, own: Floats, at: Ints) -> dict[int, _Layer]:
    """The looks at some rows, by row."""
    part, whole = _part_of(told), told["extent"].isin((WHOLE, ASSUMED)).to_numpy()
    drawn = told["measured_from"].eq("polygons").to_numpy(dtype=bool)
    region, day = (
        told["region"].to_numpy(dtype=object),
        dict(zip(chosen, told["survey_date"].iloc[chosen], strict=True)),
    )
    sees, in_all = told["sees"].to_numpy(dtype=np.int64), told["in_all"].to_numpy(dtype=bool)
    order = np.argsort(at, kind="stable")
    starts = np.searchsorted(at[order], np.arange(len(told) + 1))
    return {
        int(i): _Layer(
            day[i], bool(whole[i]), region[i], float(part[i]), int(sees[i]), in_all=bool(in_all[i]), row=int(i),
            totals=None if drawn[i] else own[i], defects=order[starts[i] : starts[i + 1]],
        )
        for i in chosen
    }  # fmt: skip


def _patch_layers(repairs: pd.DataFrame, decks: Shapes) -> dict[Any, list[_Layer]]:
    """Drawn patches of some decks, by deck."""
    mine = repairs[is_among(repairs["deck_id"], set(decks)) & repairs["shape"].notna()]
    shapes = shapely.make_valid(shapely.force_2d(mine["shape"].to_numpy(dtype=object)))
    out: dict[Any, list[_Layer]] = {}
    for deck_id, day, shape in zip(mine["deck_id"], mine["repair_date"], shapes, strict=True):
        out.setdefault(deck_id, []).append(_Layer(day, False, shape, 0.0, ALL_KINDS, repair=True))
    return out


@dataclass(slots=True)
class _Known:
    figures: tuple[Floats, float, float, Any]
    pieces: list[tuple[int, Any]]
    undrawn_m2: float


def _as_known(layers: list[_Layer], edge: Any, area: float, found: _Found, laid: _Overlays) -> _Known:
    """One deck as known after the last of some layers."""
    cover: dict[int, Any] = {}  # by kind: ground that newer looks able to see it have covered
    even: dict[int, float] = {}  # by kind: what parts of unknown place leave of older looks
    looked, looked_even, newest = None, 1.0, layers[-1].day
    fresh_ground, fresh_even = None, 1.0
    oldest = layers[-1].day
    pieces: list[tuple[int, Any]] = []
    weights: list[float] = []
    loose = np.zeros(len(_COMPONENTS))
    counts = True
    for layer in reversed(layers):
        if not layer.repair:
            ground = edge if layer.whole or layer.region is None else layer.region
            mine, weight, rest = _left_of(layer, ground, cover, even, found, laid)
            pieces += mine
            weights += [w if counts else 0.0 for w in weight]
            loose += rest if counts else 0.0
            if counts and (len(mine) or rest.any() or layer is layers[-1] or _adds_ground(ground, looked, laid)):
                oldest = min(oldest, layer.day)
            soon = newest - layer.day <= _SOON
            if layer.whole or layer.region is not None:
                looked = ground if looked is None else laid.union(looked, ground)
                if soon:
                    fresh_ground = looked
            else:
                looked_even *= 1.0 - layer.part
                fresh_even *= 1.0 - layer.part if soon else 1.0
        _cover(layer, edge, cover, even, laid)
        if layer.whole and layer.sees == ALL_KINDS:
            break
        counts &= not (layer.whole and layer.in_all)
    figures = (
        _sums(pieces, weights, loose, found.kinds), _part(looked, looked_even, area),
        _part(fresh_ground, fresh_even, area), oldest,
    )  # fmt: skip
    return _Known(figures, pieces, max(float(loose[_IN_SUM].sum()), 0.0))


def _adds_ground(ground: Any, looked: Any, laid: _Overlays) -> bool:
    return looked is None or ground is None or laid.beyond_m2(ground, looked) > _LEAST_M2


def _part(ground: Any, even: float, area: float) -> float:
    placed = 0.0 if ground is None or not area > 0 else min(float(shapely.area(ground)) / area, 1.0)
    return 1.0 - (1.0 - placed) * even


def _cover(layer: _Layer, edge: Any, cover: dict[int, Any], even: dict[int, float], laid: _Overlays) -> None:
    """Lay a look or a repair over what is older. In place."""
    for k in range(len(KINDS)):
        if not layer.sees >> k & 1:
            continue
        if layer.whole:
            cover[k] = edge if edge is not None else True
        elif layer.region is not None:
            under = cover.get(k)
            if under is None:
                cover[k] = layer.region
            elif under is not True:
                cover[k] = laid.union(under, layer.region)
        else:
            even[k] = even.get(k, 1.0) * (1.0 - min(layer.part, 1.0))


def _left_of(
    layer: _Layer, ground: Any, cover: dict[int, Any], even: dict[int, float], found: _Found, laid: _Overlays
) -> tuple[list[tuple[int, Any]], list[float], Floats]:
    """What newer looks leave of one look: drawn pieces, the weight of each, and areas without a place."""
    pieces: list[tuple[int, Any]] = []
    weights: list[float] = []
    loose = np.zeros(len(_COMPONENTS))
    names = list(KIND_TOTAL)
    for i in layer.defects:
        k, component = KINDS.index(found.kinds[i]), names.index(found.kinds[i])
        over, weight = cover.get(k), even.get(k, 1.0)
        if over is True:
            continue
        if not found.has[i]:
            loose[component] += found.area_m2[i] * weight * laid.share_left(ground, over)
            continue
        shape = found.shapes[i]
        if ground is not None and not shapely.covers(ground, shape):
            shape = areal_parts(np.array([shapely.intersection(shape, ground)], dtype=object))[0]
        if over is not None:
            shape = areal_parts(np.array([shapely.difference(shape, over)], dtype=object))[0]
        if shapely.area(shape) > _LEAST_M2:
            pieces.append((int(i), shape))
            weights.append(weight)
    if layer.totals is not None:
        for component, k in enumerate(_SEEN_WITH):
            if layer.totals[component] and cover.get(k) is not True:
                loose[component] += layer.totals[component] * even.get(k, 1.0) * laid.share_left(ground, cover.get(k))
    return pieces, weights, loose


class _Overlays:
    """Unions and differences of one deck's grounds, each worked out once.

    Kinds that were covered alike are covered by one and the same shape. What was laid over one another is held here, so
    that no other shape can take its place in memory.
    """

    def __init__(self) -> None:
        self._unions: dict[tuple[int, int], tuple[Any, Any, Any]] = {}
        self._beyond: dict[tuple[int, int], tuple[Any, Any, float]] = {}

    def union(self, one: Any, other: Any) -> Any:
        """Both together."""
        key = id(one), id(other)
        if key not in self._unions:
            self._unions[key] = one, other, shapely.union(one, other)
        return self._unions[key][2]

    def beyond_m2(self, ground: Any, over: Any) -> float:
        """Area of a ground that lies beyond what covers it, m2."""
        key = id(ground), id(over)
        if key not in self._beyond:
            self._beyond[key] = ground, over, float(shapely.area(shapely.difference(ground, over)))
        return self._beyond[key][2]

    def share_left(self, ground: Any, over: Any) -> float:
        """Share of a ground beyond what covers it; ``over`` None: nothing does."""
        if over is None:
            return 1.0
        if ground is None or not shapely.area(ground) > 0:
            return 0.0
        return self.beyond_m2(ground, over) / float(shapely.area(ground))


def _once(shapes: Shapes) -> float:
    """Area of some shapes, overlaps counted once, m2."""
    return float(shapely.area(shapes[0] if len(shapes) == 1 else shapely.union_all(shapes)))


def _sums(pieces: list[tuple[int, Any]], weights: list[float], loose: Floats, kinds: Shapes) -> Floats:
    """Areas by component of drawn pieces, each counted once, and of what has no place."""
    out = loose.copy()
    names = list(KIND_TOTAL)
    if not pieces:
        return out
    weight = np.array(weights)
    shape = np.array([s for _, s in pieces], dtype=object)
    component = np.array([names.index(kinds[i]) for i, _ in pieces])
    whole = 0.0
    for level in np.unique(weight):
        at = weight == level
        whole += level * _once(shape[at])
        for c in np.unique(component[at]):
            out[c] += level * _once(shape[at & (component == c)])
    out[-2] += whole - (out - loose)[_IN_SUM].sum()
    return out

"""Where the next damage comes on a deck: by the distance from damage known before and from the joints.

Learnt from a district's own surveys, and of use only where it beats a uniform guess on their own past.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression
from scipy.stats import t as student

from decknet.columns.among import is_among
from decknet.measure import DeckAsKnown
from decknet.measure.looks import ASSUMED, PLACE, WHOLE, kinds_mask
from decknet.predict.damage import deck_lives
from decknet.predict.near_cells import (
    NEAR_M,
    DeckCells,
    Flags,
    covered_cells,
    damage_distance_m,
    in_cells,
    rings,
)
from decknet.settled import SHARE_PLACES, to_places

__all__ = [
    "FORMS",
    "Nearness",
    "RingTables",
    "all_placed",
    "first_tenth",
    "learn_nearness",
    "look_pairs",
    "ring_tables",
]

FORMS = ("damage", "joints", "product", "sum")  # by one distance alone, by both multiplied, by both added
TENTH = 0.1  # part of the ground that the test looks at first
DRAWN_M = 0.125  # what lies nearer to the edge of known damage than this is how it is drawn, not news
MOST_PAIRS = 400  # pairs learnt from, the newest; what they say does not change with more
LEAST_PAIRS = 8  # scored before anything is shown, and learnt from before any is scored
LEAST_DECKS = 5  # on so many decks: pairs of one deck are alike
PULL_M2 = 2.0  # new damage that a uniform guess counts for in each ring, against what surveys found there
UNPLACED = 0.05  # part of what is unsound that may be without a place
LEAST_NEW_M2 = 0.05
_ROUNDS = 30
_LEAST_RATE = 0.02
_RATE_PLACES = 3
_RINGS = len(NEAR_M) + 1
_HOLLOW = kinds_mask(frozenset({"delamination"}))

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Shapes = NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Nearness:
    """How often damage comes next, by ring round known damage and by ring round the joints; and how it was tested.

    Attributes
    ----------
    form : str
        One of ``FORMS``.
    by_damage, by_joint : arrays, shape (rings,)
        Rates beside the average rate of a deck, never rising with the distance; 1 throughout where not in the form.
    held : float, 0 to 1
        Part of the new damage of the pairs tested that lay on the tenth of the ground rated highest before. NaN: none.
    low : float, 0 to 1
        Lower end of its 90 % range.
    pairs, decks : int
        Tested.
    learnt : int
        Pairs that the rates rest on.
    """

    form: str
    by_damage: Floats
    by_joint: Floats
    held: float
    low: float
    pairs: int
    decks: int
    learnt: int

    @property
    def shown(self) -> bool:
        """Whether it beats a uniform guess on the district's own past."""
        return self.pairs >= LEAST_PAIRS and self.decks >= LEAST_DECKS and self.low > TENTH

    @property
    def rate(self) -> Floats:
        """Rate by ring round damage (rows) and round joints (columns), beside the average."""
        return _combined(self.form, self.by_damage, self.by_joint)


@dataclass(frozen=True, slots=True)
class RingTables:
    """Pairs of looks, with ground and new damage by ring.

    Attributes
    ----------
    deck : array of int, shape (n,)
    day : array of datetime64[D], shape (n,)
        Of the later look.
    ground_m2, new_m2 : arrays, shape (n, rings, rings), m2
        By ring round the damage known before and ring round the joints.
    """

    deck: Ints
    day: NDArray[np.datetime64]
    ground_m2: Floats
    new_m2: Floats


# ---- pairs of looks -------------------------------------------------------------------------------------


def look_pairs(known: DeckAsKnown, shares: pd.DataFrame, decks: pd.DataFrame, repairs: pd.DataFrame) -> pd.DataFrame:
    """Looks that drew what they found, each with what was known of its deck before.

    Parameters
    ----------
    known : DeckAsKnown
    shares : DataFrame
        As ``measure.survey_shares`` gives.
    decks, repairs : DataFrame
        Records; decks with built_year and deck_built_year.

    Returns
    -------
    DataFrame, one row a pair, ordered by deck and day
        deck_id; before, after (rows of ``known.series``). The newest ``MOST_PAIRS``.

    Notes
    -----
    The later look drew what it found, at a place that is known, by a method that finds delaminations. Before it the
    deck was known with a place for all but ``UNPLACED`` of what was unsound. Both are of one life of the deck.
    """
    of = known.series
    own = shares.set_index("survey_id").reindex(of["survey_id"])
    drew = own["measured_from"].eq("polygons").to_numpy(dtype=bool) & (own["unsound_m2"] > 0).to_numpy(dtype=bool)
    hollow = (of["sees"].to_numpy(dtype=np.int64) & _HOLLOW) > 0
    placed = of["extent"].isin((WHOLE, ASSUMED, PLACE)).to_numpy(dtype=bool)
    drawn_before = all_placed(of)
    deck = pd.factorize(of["deck_id"])[0]
    day = of["survey_date"].to_numpy().astype("datetime64[D]")
    after = np.flatnonzero(drew & hollow & placed & (np.diff(deck, prepend=-1) == 0))
    after = after[drawn_before[after - 1]]
    lives = deck_lives(decks, repairs)
    lives = lives[(lives["life"] > 0) & is_among(lives["deck_id"], of["deck_id"].iloc[after])]
    mine = pd.DataFrame({"deck_id": of["deck_id"].to_numpy()[after], "after": after}).merge(lives, on="deck_id")
    start = mine["start"].to_numpy().astype("datetime64[D]")
    till = mine["after"].to_numpy(dtype=np.int64)
    cut = mine.loc[(day[till - 1] <= start) & (start <= day[till]), "after"]
    after = after[~np.isin(after, cut.to_numpy())]
    newest = np.lexsort((of["survey_id"].to_numpy()[after].astype(str), deck[after], day[after]))[-MOST_PAIRS:]
    after = np.sort(after[newest])
    return pd.DataFrame({"deck_id": of["deck_id"].array[after], "before": after - 1, "after": after})


def all_placed(series: pd.DataFrame) -> Flags:
    """Looks after which all but a little of what is unsound on the deck has a place."""
    loose = series["undrawn_m2"].to_numpy(dtype="float64")
    return np.asarray(loose <= UNPLACED * series["unsound_m2"].to_numpy(dtype="float64"), dtype=bool)


def _ground_known(series: pd.DataFrame, row: int, on: DeckCells) -> Flags:
    """Cells that the looks of a deck up to one have covered, back to the last look at the whole deck."""
    deck, out = series["deck_id"].iloc[row], np.zeros(on.grid.shape, dtype=bool)
    while row >= 0 and series["deck_id"].iloc[row] == deck:
        if int(series["sees"].iloc[row]) & _HOLLOW:
            extent = series["extent"].iloc[row]
            if extent in (WHOLE, ASSUMED):
                return on.edge
            if extent == PLACE:
                out |= covered_cells(np.array([series["region"].iloc[row]], dtype=object), on.grid)
        row -= 1
    return out & on.edge


def _by_key(frame: pd.DataFrame, key: str) -> dict[object, Shapes]:
    shapes = frame["shape"].to_numpy(dtype=object)
    return {name: shapes[rows] for name, rows in frame.groupby(key, sort=False).indices.items()}


def ring_tables(
    pairs: pd.DataFrame, known: DeckAsKnown, decks: pd.DataFrame, repairs: pd.DataFrame, edges: pd.DataFrame
) -> RingTables:
    """Ground and new damage of pairs of looks, by ring.

    Parameters
    ----------
    pairs : DataFrame
        As ``look_pairs`` gives.
    known : DeckAsKnown
    decks, repairs : DataFrame
        Records.
    edges : DataFrame
        As ``measure.deck_edges`` gives.

    Returns
    -------
    RingTables
        Pairs without new damage left out: they say nothing of where it comes.

    Notes
    -----
    Of the ground that both looked at: without what was unsound before, what was patched between, and a hand's breadth
    (``DRAWN_M``) round what was unsound before, which a second drawing moves. New damage is what the later look drew
    there. Rings are round all that was unsound before, patched since or not.

    References
    ----------
    derived: counts of cells of 1/16 m.
    """
    of = known.series
    drawn = known.defects[known.defects["shape"].notna()]
    ids = of["survey_id"].to_numpy(dtype=object)
    before, after = (pairs[n].to_numpy(dtype=np.int64) for n in ("before", "after"))
    at_before = _by_key(drawn[is_among(drawn["survey_id"], ids[before])], "survey_id")
    at_after = _by_key(
        drawn[drawn["found_by"].eq(drawn["survey_id"]) & is_among(drawn["survey_id"], ids[after])], "survey_id"
    )
    patches = repairs[repairs["shape"].notna() & is_among(repairs["deck_id"], pairs["deck_id"])]
    patched = dict(iter(patches.groupby("deck_id", sort=False)))
    joints = decks.drop_duplicates("deck_id").set_index("deck_id")["joints_m"]
    none = np.zeros(0, dtype=object)
    day = of["survey_date"]
    ground, new, kept = [], [], []
    held: dict[object, DeckCells] = {}
    for row, (deck, b, a) in enumerate(zip(pairs["deck_id"], before, after, strict=True)):
        edge = edges["edge"].get(deck)
        if edge is None or not shapely.area(edge) > 0:
            continue
        if deck not in held:
            held = {deck: in_cells(edge, joints.get(deck))}
        on = held[deck]
        look = of.iloc[a]
        looked = on.edge & _ground_known(of, int(b), on)
        if look["extent"] == PLACE:
            looked &= covered_cells(np.array([look["region"]], dtype=object), on.grid)
        away = damage_distance_m(covered_cells(at_before.get(ids[b], none), on.grid), on.grid.cell_m)
        looked &= away > DRAWN_M
        if deck in patched:
            f = patched[deck]
            between = (f["repair_date"] >= day.iloc[b]) & (f["repair_date"] <= day.iloc[a])
            looked &= ~covered_cells(f.loc[between, "shape"].to_numpy(dtype=object), on.grid)
        code = rings(away) * _RINGS + on.joint
        news = looked & covered_cells(at_after.get(ids[a], none), on.grid)
        tables = [np.bincount(code[m], minlength=_RINGS**2) * on.grid.cell_m**2 for m in (looked, news)]
        if tables[1].sum() >= LEAST_NEW_M2:
            ground.append(tables[0])
            new.append(tables[1])
            kept.append(row)
    shape = (len(kept), _RINGS, _RINGS)
    return RingTables(
        deck=pd.factorize(pairs["deck_id"])[0][kept].astype(np.int64),
        day=day.to_numpy()[after[kept]].astype("datetime64[D]"),
        ground_m2=np.array(ground, dtype=np.float64).reshape(shape),
        new_m2=np.array(new, dtype=np.float64).reshape(shape),
    )


# ---- rates ----------------------------------------------------------------------------------------------


def _combined(form: str, by_damage: Floats, by_joint: Floats) -> Floats:
    if form == "sum":
        return np.maximum(by_damage[:, None] + by_joint[None, :] - 1.0, _LEAST_RATE)
    return by_damage[:, None] * by_joint[None, :]


def _fitted(ground: Floats, new: Floats, form: str) -> tuple[Floats, Floats]:
    """Rates by ring round damage and round joints, beside the average of each pair's own deck.

    Notes
    -----
    New damage of a pair is a level of the pair times a rate of the ring: a deck that is going fast, or was looked at
    late, weighs by what was found, and does not make the rings it is rich in look fast. Rates never rise with the
    distance, and each is drawn towards the average by ``PULL_M2`` of new damage.

    References
    ----------
    memory: Deming and Stephan (1940), Annals of Mathematical Statistics 11, 427-444 (iterative proportional
    fitting); Barlow, Bartholomew, Bremner and Brunk (1972), Statistical Inference under Order Restrictions (pooling of
    adjacent violators, weighted).
    """
    if form == "sum":  # each distance by itself
        return _fitted(ground, new, "damage")[0], _fitted(ground, new, "joints")[1]
    rate = [np.ones(_RINGS), np.ones(_RINGS)]
    total = new.sum(axis=(1, 2))
    for _ in range(_ROUNDS):
        for axis, name in enumerate(("damage", "joints")):
            if form not in (name, "product"):
                continue
            level = total / (ground * rate[0][:, None] * rate[1][None, :]).sum(axis=(1, 2))
            other = rate[1][None, :] if axis == 0 else rate[0][:, None]
            along = 1 if axis == 0 else 0
            expected = (level[:, None, None] * ground * other).sum(axis=0).sum(axis=along)
            found = new.sum(axis=0).sum(axis=along)
            pulled = (found + PULL_M2) / (expected + PULL_M2)
            rate[axis] = isotonic_regression(pulled, weights=expected + PULL_M2, increasing=False).x
            there = ground.sum(axis=0).sum(axis=along)
            rate[axis] = rate[axis] * there.sum() / (rate[axis] * there).sum()
    return to_places(rate[0], _RATE_PLACES), to_places(rate[1], _RATE_PLACES)


def _log_score(ground: Floats, new: Floats, rate: Floats) -> Floats:
    """How well rates tell where each pair's new damage lay: its mean log of the rate over its ground's average."""
    average = (ground * rate).sum(axis=(1, 2)) / ground.sum(axis=(1, 2))
    return np.asarray(
        (new * np.log(np.maximum(rate, _LEAST_RATE) / average[:, None, None])).sum(axis=(1, 2)), dtype=np.float64
    )


def first_tenth(ground: Floats, new: Floats, rate: Floats) -> Floats:
    """New damage of each pair on the tenth of its ground that is rated highest, m2.

    Parameters
    ----------
    ground, new : arrays, shape (n, rings, rings), m2
    rate : array, shape (rings, rings)

    Notes
    -----
    Ground of one rate is taken evenly: of the last rate that is reached, the part that fills the tenth.
    """
    levels, at = np.unique(-rate, return_inverse=True)
    sums = np.zeros((2, len(ground), len(levels)))
    for k, table in enumerate((ground, new)):
        np.add.at(sums[k].T, at.ravel(), table.reshape(len(table), -1).T)
    reached = np.cumsum(sums[0], axis=1)
    want = TENTH * reached[:, -1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.clip((want - (reached - sums[0])) / sums[0], 0.0, 1.0)
    return np.asarray((np.where(sums[0] > 0, part, 0.0) * sums[1]).sum(axis=1), dtype=np.float64)


def _lower_end(deck: Ints, held: Floats, new: Floats) -> float:
    """Lower end of the 90 % range of the part held, from how decks differ.

    References
    ----------
    derived: a ratio of sums over decks, linearised; Student's t for the number of decks.
    """
    _, at = np.unique(deck, return_inverse=True)
    h, n = np.bincount(at, held), np.bincount(at, new)
    count, ratio = len(h), h.sum() / n.sum()
    if count < 2:
        return float("nan")
    error = np.sqrt(count / (count - 1) * ((h - ratio * n) ** 2).sum()) / n.sum()
    return float(ratio - student.ppf(0.95, count - 1) * error)


def learn_nearness(tables: RingTables) -> Nearness:
    """Rates by ring, and what they would have been worth on the district's own past.

    Parameters
    ----------
    tables : RingTables

    Returns
    -------
    Nearness

    Notes
    -----
    Year by year: rates are learnt from the pairs complete before the year, in the form that foretold best till
    then, and the pairs of the year are held against them. So nothing is scored that was learnt from. The rates given
    are of all pairs, in the form that foretold best over all years.
    """
    order = np.lexsort((tables.deck, tables.day))
    deck, ground, new = tables.deck[order], tables.ground_m2[order], tables.new_m2[order]
    year = tables.day[order].astype("datetime64[Y]")
    merit = np.zeros(len(FORMS))
    held, tested = [], []
    for one in np.unique(year):
        past, now = year < one, year == one
        if past.sum() < LEAST_PAIRS:
            continue
        rates = [_combined(form, *_fitted(ground[past], new[past], form)) for form in FORMS]
        best = int(np.argmax(to_places(merit, SHARE_PLACES)))
        held.append(first_tenth(ground[now], new[now], rates[best]))
        tested.append(np.flatnonzero(now))
        merit += [_log_score(ground[now], new[now], rate).sum() for rate in rates]
    form = FORMS[int(np.argmax(to_places(merit, SHARE_PLACES)))]
    by_damage, by_joint = _fitted(ground, new, form) if len(ground) else (np.ones(_RINGS), np.ones(_RINGS))
    share, low, decks, pairs = float("nan"), float("nan"), 0, 0
    if tested:
        rows, on = np.concatenate(tested), np.concatenate(held)
        found = new[rows].sum(axis=(1, 2))
        pairs, decks = len(rows), len(np.unique(deck[rows]))
        share, low = round(float(on.sum() / found.sum()), SHARE_PLACES), _lower_end(deck[rows], on, found)
    return Nearness(form, by_damage, by_joint, share, round(low, SHARE_PLACES), pairs, decks, len(ground))

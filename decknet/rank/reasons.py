"""Why a deck stands where it does, and what would move it, in plain words."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet import digits
from decknet.rank.criteria import COLUMNS, Worth
from decknet.settings import RankSettings

__all__ = ["looked_words", "place_words", "reasons", "share_words", "turning_weights"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_FIRST_TEN = ("First", "Second", "Third", "Fourth", "Fifth", "Sixth", "Seventh", "Eighth", "Ninth", "Tenth")
_GROWTH_NOTE = {"own surveys": "", "network": ", the network's rate", "assumption": ", an assumed rate"}
_TRAFFIC_NOTE = {
    "undated count": ", counted in a year not given",
    "route": ", as on its route",
    "class": ", as on routes of its class",
    "network": ", as on the network",
    "assumption": ", assumed",
}
_SAME = 1e-9  # points
_ALL = 0.995  # part of a deck that counts as the whole of it


def looked_words(covered: float, fresh: float, oldest: object) -> str:
    """How much of a deck was looked at, and when the rest; empty where all of it was at one time.

    Parameters
    ----------
    covered : float, 0 to 1
        Part that looks have covered at all.
    fresh : float, 0 to 1
        Part looked at within a year of the last survey.
    oldest : date
        Of the oldest look that still counts.

    Examples
    --------
    >>> looked_words(1.0, 0.42, pd.Timestamp("2019-06-01"))
    '42 % of the deck looked at, the rest last in 2019'
    >>> looked_words(0.42, 0.42, pd.Timestamp("2024-06-01"))
    '42 % of the deck looked at, the rest never'
    >>> looked_words(1.0, 1.0, None)
    ''
    """
    if not (covered < _ALL or fresh < _ALL):
        return ""
    said = f"{digits.percent(min(fresh, covered))} of the deck looked at"
    older = covered - fresh
    if older > 1 - _ALL and not pd.isna(oldest):
        which = "the rest" if covered >= _ALL else digits.percent(older)
        said += f", {which} last in {pd.Timestamp(oldest).year}"
    return said if covered >= _ALL else f"{said}, the rest never"


def share_words(decks: pd.DataFrame) -> list[str]:
    """What each deck's share rests on, in words that follow a figure."""
    days = decks["survey_date"].to_numpy().astype("datetime64[D]").astype(str)
    words = []
    covered, fresh = (
        decks[n].to_numpy(dtype="float64", na_value=np.nan) if n in decks else np.full(len(decks), np.nan)
        for n in ("covered_share", "fresh_share")
    )
    oldest = decks["oldest_look"].to_numpy() if "oldest_look" in decks else np.full(len(decks), np.datetime64("NaT"))
    found = (
        decks["unsound_share"].to_numpy("float64", na_value=np.nan) if "unsound_share" in decks else covered * np.nan
    )
    part = (covered < _ALL) | (fresh < _ALL)
    told = digits.texts(found, "share", digits.percent, times=100)
    for i, (source, day, rating) in enumerate(zip(decks["share_from"], days, decks["deck_rating"], strict=True)):
        if source == "survey":
            more = f", {looked_words(covered[i], fresh[i], oldest[i])}" if part[i] else ""
            words.append(f"found {told[i]} on {day}{more}" if found[i] == found[i] else f"survey of {day}")
        elif source == "works":
            words.append("no survey yet since the last overlay or new deck")
        elif source == "rating":
            words.append(f"no survey yet: from deck rating {int(rating)}")
        elif source == "network":
            words.append("no survey yet: from the network and the deck's age")
        else:
            words.append("no survey yet: from an assumed growth and the deck's age")
    return words


def place_words(rank: int) -> str:
    """A place as a word or number.

    Examples
    --------
    >>> place_words(3), place_words(21), place_words(112)
    ('Third', '21st', '112th')
    """
    if rank <= len(_FIRST_TEN):
        return _FIRST_TEN[rank - 1]
    ending = "th" if rank % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(rank % 10, "th")
    return f"{digits.count(rank)}{ending}"


def turning_weights(ahead: Floats, behind: Floats, weights: Floats) -> Floats:
    """The weight of each count at which two decks of a weighted sum change places.

    The other weights keep their proportions and fill the rest up to 1.

    Parameters
    ----------
    ahead, behind : array, shape (..., K), 0 to 1
        Values of the two decks.
    weights : array, shape (K,), adding up to 1

    Returns
    -------
    array, shape (..., K), 0 to 1
        NaN where no weight of that count makes them equal, or every one does.

    References
    ----------
    derived: the lead is linear in the weight x of one count, x d + (1 - x) r with d the lead on that
    count alone and r the lead on the others, so it is zero at r / (r - d).

    Examples
    --------
    >>> turning_weights(np.array([0.9, 0.2]), np.array([0.6, 0.6]), np.array([0.7, 0.3])).round(9).tolist()
    [0.571428571, 0.428571429]
    """
    lead = ahead - behind
    others = 1.0 - weights
    total = (lead * weights).sum(axis=-1, keepdims=True)
    rest = lead.sum(axis=-1, keepdims=True) - lead
    even = rest / max(len(weights) - 1, 1)
    r = np.where(others > 1e-12, (total - lead * weights) / np.where(others > 1e-12, others, 1.0), even)
    gap = r - lead
    at = np.divide(r, gap, out=np.full(lead.shape, np.nan), where=np.abs(gap) > 1e-12)
    result: Floats = np.where((at >= -1e-12) & (at <= 1 + 1e-12), np.clip(at, 0.0, 1.0), np.nan)
    return result


def _pair_turns(scale: Worth, order: Ints) -> tuple[Ints, Floats]:
    """For each deck and the one before it in ``order``: the count whose weight must move least, and to what.

    -1 where none does; the weight is rounded to the hundredth beyond the turn.
    """
    values = scale.values[order]
    ahead, behind = values[:-1], values[1:]
    at = turning_weights(ahead, behind, scale.weights)
    up = at >= scale.weights
    rounded = np.where(up, np.ceil(at * 100 + 1e-6), np.floor(at * 100 - 1e-6)) / 100
    rounded = np.where((rounded >= 0) & (rounded <= 1), rounded, np.nan)
    move = np.abs(rounded - scale.weights)
    move = np.where(np.isfinite(move), move, np.inf)
    which = move.argmin(axis=1)
    rows = np.arange(len(which))
    found = np.isfinite(move[rows, which])
    return np.where(found, which, -1), np.where(found, rounded[rows, which], np.nan)


def _moves(scale: Worth, priority: Floats, order: Ints, ids: NDArray[np.object_], settings: RankSettings) -> list[str]:
    """What would move each deck one place up (the first: down), a clause in the order of ``order``."""
    n = len(order)
    if n < 2:
        return [""] * n
    if scale.by == "sum":
        which, at = _pair_turns(scale, order)
    else:
        which, at = np.full(n - 1, -1), np.full(n - 1, np.nan)
    share_x, share_v = zip(*settings.value_share, strict=True)
    share_weight = float(scale.weights[0])
    gap = priority[order][:-1] - priority[order][1:]
    lacking = scale.values[order][1:, 0] + gap / (100 * share_weight) if share_weight > 0 else np.full(n - 1, 2.0)
    names = scale.names
    weighs = [digits.given(round(w, 2)) for w in scale.weights]
    clauses = []
    for i, (k, x, g, v) in enumerate(zip(which.tolist(), at.tolist(), gap.tolist(), lacking.tolist(), strict=True)):
        other = ids[order[i]]
        if g < _SAME:
            clauses.append(f"Level with {other}, which is before it by its number only")
        elif k >= 0:
            clauses.append(f"Before {other} if {names[k]} weighed {digits.given(x)} (now {weighs[k]})")
        elif scale.by == "sum" and v <= share_v[-1] and share_weight > 0:
            need = digits.percent_needed(float(np.interp(v, share_v, share_x)))
            clauses.append(f"No one weight puts it before {other}; {need} expected unsound would")
        elif scale.by == "sum":
            clauses.append(f"No one weight puts it before {other}")
        else:
            clauses.append(f"{digits.points(g)} points behind {other}")
    second = ids[order[1]]
    if gap[0] < _SAME:
        top = f"Level with {second}, and before it by its number only"
    elif which[0] >= 0:
        k = int(which[0])
        top = f"Behind {second} if {names[k]} weighed {digits.given(at[0])} (now {weighs[k]})"
    elif scale.by == "sum":
        top = f"No one weight puts {second} before it"
    else:
        top = f"{digits.points(gap[0])} points before {second}"
    return [top, *clauses]


def reasons(decks: pd.DataFrame, scale: Worth, points: Floats, order: Ints, settings: RankSettings) -> list[str]:
    """One line a deck: its place, the measures with the strongest first and what they rest on, and what would move it.

    Parameters
    ----------
    decks : DataFrame, shape (n, ...)
        As ``rank_decks`` takes.
    scale : Worth
    points : array, shape (n, K)
    order : array of int, shape (n,)
        Rows from the first in rank to the last.
    settings : RankSettings
    """
    n = len(decks)
    ids = decks["deck_id"].to_numpy(dtype=object)
    moves = np.empty(n, dtype=object)
    moves[order] = _moves(scale, points.sum(axis=1), order, ids, settings)
    rank = np.empty(n, dtype=np.int64)
    rank[order] = np.arange(1, n + 1)
    first = points[:, :3].argsort(axis=1, kind="stable")[:, ::-1].tolist()
    extra = [a + b for a, b in zip(_extra_words(decks, scale, points), _size_words(decks), strict=True)]
    year = decks["aadt_year"].to_numpy(dtype="float64", na_value=np.nan)
    counted = decks["aadt_count"].to_numpy(dtype="float64", na_value=np.nan) if "aadt_count" in decks else None
    aadt = decks["aadt"].to_numpy(dtype="float64")
    said_traffic = _traffic_words(aadt, year, counted, decks["aadt_from"].tolist())
    shares = digits.texts(decks["share_now"].to_numpy(dtype="float64"), "share", digits.percent, times=100)
    paces = digits.texts(decks["growth_per_yr"].to_numpy(dtype="float64"), "pace", digits.pace, times=100)
    rows = zip(
        rank.tolist(), shares, share_words(decks), paces, decks["growth_from"].tolist(), said_traffic, first, extra,
        moves, strict=True,
    )  # fmt: skip
    out, of_all = [], digits.count(n)
    for place, share, share_from, growth, growth_from, traffic, strongest, more, move in rows:
        said = (
            f"{share} of the deck expected unsound ({share_from})",
            f"growing {growth} points a year{_GROWTH_NOTE.get(growth_from, '')}",
            traffic,
        )
        i, j, k = strongest
        out.append(
            f"{place_words(place)} of {of_all}: {said[i]}; {said[j]}; {said[k]}{more}. {move}.".replace(" .", "")
        )
    return out


def _size_words(decks: pd.DataFrame) -> list[str]:
    """What is not known of each deck itself: nothing of it at all, or its size."""
    if "length_m" not in decks or "width_m" not in decks:
        return [""] * len(decks)
    bare = (decks["length_m"].isna() | decks["width_m"].isna()).to_numpy(dtype=bool)
    held = [n for n in ("length_m", "width_m", "deck_kind", "slab_mm", "lanes", "spans") if n in decks]
    none = decks[held].isna().all(axis=1).to_numpy(dtype=bool)
    return [
        "" if not b else "; nothing is on record of the deck itself" if n else "; the size of the deck is not known"
        for b, n in zip(bare.tolist(), none.tolist(), strict=True)
    ]


def _traffic_words(aadt: Floats, year: Floats, counted: Floats | None, source: list[str]) -> list[str]:
    out = []
    flows = digits.texts(aadt, "whole", digits.traffic)
    for i, (aadt_now, when, by) in enumerate(zip(aadt.tolist(), year.tolist(), source, strict=True)):
        if by in ("count", "old count") and when == when:
            then = counted[i] if counted is not None else aadt_now
            said = (
                f", {int(when)}"
                if then == aadt_now or then != then
                else f", from {digits.count(then)} counted {int(when)}"
            )
            said += ", an old count" if by == "old count" else ""
        else:
            said = _TRAFFIC_NOTE.get(by, "")
        out.append(f"{flows[i]} vehicles a day{said}")
    return out


_EXTRA_WORDS: dict[str, tuple[str, str, Callable[[float], str]]] = {
    "trucks": ("trucks", "{} trucks", digits.percent),
    "detour": ("the detour", "a detour of {} km", digits.given),
    "bars": ("bars exposed", "{} m² with bars exposed", digits.area),
    "posted": ("a load limit", "", digits.given),
    "soffit": ("the soffit", "{} of the soffit unsound", digits.percent),
    "area": ("the area", "{} m² of deck", digits.area),
}


def _extra_words(decks: pd.DataFrame, scale: Worth, points: Floats) -> list[str]:
    """What the further counts add: those that give points, and those not known."""
    out = [""] * len(decks)
    for k, name in enumerate(scale.names[3:], start=3):
        called, form, say = _EXTRA_WORDS[name]
        x = pd.to_numeric(decks[COLUMNS[name]]).to_numpy(dtype="float64", na_value=np.nan)
        for i in range(len(out)):
            if not scale.known[i, k]:
                out[i] += f"; {called} not known"
            elif points[i, k] > 0:
                out[i] += "; load limit posted" if name == "posted" else "; " + form.format(say(x[i]))
    return out

"""Records of a made-up district, as a store would hold them, with the truth beside; and the best that can be said of
them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import log_ndtr

from decknet.columns import RECORDS
from decknet.predict.scores import crps_ensemble
from tests.frames import records
from tests.worlds.forms import FIRST, YEARS, Form, Stock, weather

__all__ = ["World", "ceiling", "make_world"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CREWS, _DETECT = 5, 0.001
_PATHS, _MEMBERS, _AT_ONCE = 3000, 200, 25


@dataclass(frozen=True, slots=True)
class World:
    """A made-up district.

    Attributes
    ----------
    form : Form
    frames : mapping of kind to DataFrame
        Every kind of record, as a store gives it.
    seen : DataFrame, one row a survey, by deck and date
        survey_id, row (of the decks), year (from ``FIRST``), part (of it, 0 to 1), crew (number), found, truth
        (shares).
    stock : Stock
        As it is at the end: of present lives.
    factor, cv, floor : arrays
        Of each crew: found over true in each year, shape (crews, YEARS); scatter as a part; scatter on a clean deck.
    truth : array, shape (decks, YEARS + 1)
        True share on each 1 January, of present lives.
    """

    form: Form
    frames: Mapping[str, pd.DataFrame]
    seen: pd.DataFrame
    stock: Stock
    factor: Floats
    cv: Floats
    floor: Floats
    truth: Floats


def _read(rng: np.random.Generator, share: Floats, factor: Floats, cv: Floats, floor: Floats) -> Floats:
    """What crews find of a share."""
    middle = share * factor
    found = middle + np.hypot(cv * middle, floor) * rng.standard_normal(share.shape)
    return np.where(found < _DETECT, 0.0, np.minimum(found, 1.0))


def _between(paths: Floats, year: Ints, part: Floats) -> Floats:
    """Shares at a part of a year; paths of shape (n, m, YEARS + 1)."""
    rows = np.arange(len(paths))
    return paths[rows, :, year] * (1 - part)[:, None] + paths[rows, :, year + 1] * part[:, None]


def make_world(form: Form, seed: int, decks: int = 700) -> World:
    """A district of a form.

    Parameters
    ----------
    form : Form
    seed : int
    decks : int
    """
    rng = np.random.Generator(np.random.PCG64([seed, sum(map(ord, form.name))]))
    built = rng.integers(1950, 2008, decks).astype(np.float64)
    kind = rng.integers(0, 4, decks)
    quick = np.array([1.6, 1.0, 0.8, 0.45])[kind]
    never = np.full(decks, YEARS)
    stock = Stock(built + 0.5, quick, np.zeros(decks, dtype=bool), never, weather(rng, (YEARS,)))
    truth = form.paths(rng, stock, 1)[:, 0]
    overlays: list[tuple[int, float]] = []
    if form.renewed is not None:
        stock, truth, overlays = _overlaid(form, rng, stock, truth)
    drift = np.cumsum(form.drift * rng.standard_normal((_CREWS, YEARS)), axis=1)
    factor = np.exp(0.16 * rng.standard_normal((_CREWS, 1)) + drift)
    cv, floor = rng.uniform(0.12, 0.32, _CREWS), rng.uniform(0.001, 0.004, _CREWS)
    home, every = rng.integers(0, _CREWS, decks), rng.uniform(1.6, 4.0, decks)
    next_due = rng.uniform(0.0, 1.0, decks) * every
    out = []
    begun = dict(overlays)
    for year in range(YEARS):
        part = rng.uniform(0.25, 0.85, decks)
        share = truth[:, year] * (1 - part) + truth[:, year + 1] * part
        if form.looked is None:
            go = next_due < year + 1
            next_due = np.where(go, np.maximum(next_due, year) + every * rng.uniform(0.8, 1.2, decks), next_due)
        else:
            go = rng.uniform(size=decks) < form.looked(truth[:, year])
        if form.kept is not None:
            go &= rng.uniform(size=decks) < form.kept(share)
        row = np.flatnonzero(go)
        crew = np.where(rng.uniform(size=len(row)) < 0.7, home[row], rng.integers(0, _CREWS, len(row)))
        found = _read(rng, share[row], factor[crew, year], cv[crew], floor[crew])
        out.append(
            pd.DataFrame(
                {"row": row, "year": year, "part": part[row], "crew": crew, "found": found, "truth": share[row]}
            )
        )
    seen = pd.concat(out, ignore_index=True).sort_values(["row", "year"], ignore_index=True)
    # A survey of the year of the works would be of one life or the other by chance.
    works = seen["row"].map(begun)
    seen = seen[~(works.notna() & (seen["year"] == works))].reset_index(drop=True)
    seen.insert(0, "survey_id", [f"s{i:05d}" for i in range(len(seen))])
    frames = _frames(seen, built, kind, overlays)
    return World(form, frames, seen, stock, factor, cv, floor, truth)


def _overlaid(
    form: Form, rng: np.random.Generator, stock: Stock, truth: Floats
) -> tuple[Stock, Floats, list[tuple[int, float]]]:
    """Decks past bearing are overlaid, once; stock and truth afterwards, and who was in which year."""
    assert form.renewed is not None
    works = rng.uniform(size=(len(truth), YEARS)) < form.renewed(truth[:, :-1])
    row = np.flatnonzero(works.any(axis=1))
    year = works[row].argmax(axis=1)
    start, overlaid = stock.start.copy(), stock.overlaid.copy()
    start[row], overlaid[row] = FIRST + year + 0.5, True
    later = Stock(start, stock.quick, overlaid, stock.until, stock.weather)
    anew = form.paths(rng, later.take(row), 1)[:, 0]
    after = np.arange(YEARS + 1) > year[:, None]
    truth = truth.copy()
    truth[row] = np.where(after, anew, truth[row])
    return later, truth, [(int(r), int(y)) for r, y in zip(row, year, strict=True)]


def _day(year: Floats | Ints, part: Floats | float) -> pd.DatetimeIndex:
    """A part of a year, as a day."""
    days = pd.to_timedelta(np.floor(365 * (np.zeros(len(year)) + part)), unit="D")
    return pd.to_datetime([f"{int(y) + FIRST}-01-01" for y in year]) + days


def _frames(
    seen: pd.DataFrame, built: Floats, kind: Ints, overlays: list[tuple[int, float]]
) -> dict[str, pd.DataFrame]:
    """Every kind of record; most of them none."""
    names = np.array([f"d{i:04d}" for i in range(len(built))])
    area = 400.0
    frames = {name: records(name) for name in RECORDS}
    frames["bridge"] = records("bridge", bridge_id=names, name=names, built_year=built.astype(np.int64))
    frames["deck"] = records(
        "deck", deck_id=names, bridge_id=names, length_m=np.full(len(names), 40.0), width_m=np.full(len(names), 10.0),
        bar_kind=np.array(["bare", "bare", "bare", "epoxy"])[kind],
        environment=np.array(["marine", "de-iced", "benign", "de-iced"])[kind],
    )  # fmt: skip
    crew = np.array([f"crew {i}" for i in range(_CREWS)])
    frames["survey"] = records(
        "survey", survey_id=seen["survey_id"], deck_id=names[seen["row"]],
        survey_date=_day(seen["year"].to_numpy(), seen["part"].to_numpy()), method=np.full(len(seen), "sounding"),
        crew=crew[seen["crew"]], surveyed_m2=np.full(len(seen), area),
        delaminated_m2=np.round(seen["found"].to_numpy() * area, 2),
    )  # fmt: skip
    if overlays:
        row, year = np.array(overlays).T
        frames["repair"] = records(
            "repair", repair_id=[f"w{i:03d}" for i in range(len(row))], deck_id=names[row.astype(np.int64)],
            repair_date=_day(year, 0.5), treatment=np.full(len(row), "rigid overlay"), area_m2=np.full(len(row), area),
        )  # fmt: skip
    return frames


def ceiling(world: World, hidden: pd.DataFrame, seed: int = 0) -> Floats:
    """Score of who knows form and crews exactly, but of each deck only its surveys: the best that can be done.

    Parameters
    ----------
    world : World
    hidden : DataFrame
        Rows of ``World.seen`` that are to be foretold: one a deck, in its present life.
    seed : int

    Returns
    -------
    array, shape (len(hidden),), share
        CRPS.

    Notes
    -----
    Winters and the drift of crews are known up to the deck's last survey before, not beyond. Where sounding, record
    or works
    hang on the state of the deck, that it was sounded, or not, tells too.

    References
    ----------
    derived: paths drawn from the form, weighed by the likelihood of what was read (importance sampling).
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    parts = [_ceiling(world, hidden.iloc[i : i + _AT_ONCE], rng) for i in range(0, len(hidden), _AT_ONCE)]
    return np.concatenate(parts)


def _ceiling(world: World, hidden: pd.DataFrame, rng: np.random.Generator) -> Floats:
    form, rows, day = world.form, hidden["row"].to_numpy(), hidden["year"].to_numpy()
    begun = np.maximum(world.stock.start[rows] - FIRST, -1.0)
    known = world.seen[world.seen["row"].isin(rows)]
    at = pd.Index(rows).get_indexer(known["row"])
    mine = (known["year"].to_numpy() < day[at]) & (known["year"].to_numpy() >= begun[at])
    known, at = known[mine], at[mine]
    last = np.zeros(len(rows), dtype=np.int64)
    np.maximum.at(last, at, known["year"].to_numpy())
    stock = world.stock.take(rows)
    # The winter of a year falls before its survey.
    stock = Stock(stock.start, stock.quick, stock.overlaid, last + 1, stock.weather)
    paths = form.paths(rng, stock, _PATHS)
    weight = np.zeros(paths.shape[:2])
    for s, r in zip(known.itertuples(), at, strict=True):
        share = paths[r, :, s.year] * (1 - s.part) + paths[r, :, s.year + 1] * s.part
        middle = share * world.factor[s.crew, s.year]
        sd = np.hypot(world.cv[s.crew] * middle, world.floor[s.crew])
        z = (max(s.found, _DETECT) - middle) / sd
        weight[r] += log_ndtr(z) if s.found <= 0 else -0.5 * z * z - np.log(sd)
        if form.kept is not None:
            weight[r] += np.log(form.kept(share))
    year = np.arange(YEARS)
    lived = (year >= begun[:, None]) & (year <= day[:, None])
    if form.looked is not None:
        went = np.zeros(lived.shape, dtype=bool)
        went[at, known["year"].to_numpy()] = True
        went[np.arange(len(rows)), day] = True
        chance = form.looked(paths[..., :-1])
        told = np.where(went[:, None, :], np.log(chance), np.log1p(-chance))
        weight += np.where(lived[:, None, :], told, 0.0).sum(axis=2)
    truth = _between(paths, day, hidden["part"].to_numpy())
    if form.kept is not None:
        weight += np.log(form.kept(truth))
    if form.renewed is not None:
        stays = np.log1p(-form.renewed(paths[..., :-1]))
        first = lived & ~stock.overlaid[:, None]
        weight += np.where(first[:, None, :], stays, 0.0).sum(axis=2)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    upto = np.cumsum(weight, axis=1)
    upto /= upto[:, -1:]
    picks = (np.arange(_MEMBERS) + rng.uniform(size=(len(rows), 1))) / _MEMBERS
    chosen = np.stack([np.searchsorted(u, p) for u, p in zip(upto, picks, strict=True)])
    share = np.take_along_axis(truth, np.minimum(chosen, _PATHS - 1), axis=1)
    crew = hidden["crew"].to_numpy()
    moved = np.sqrt(np.maximum(day - last, 0.0)) * form.drift
    factor = world.factor[crew, last][:, None] * np.exp(moved[:, None] * rng.standard_normal(share.shape))
    members = _read(rng, share, factor, world.cv[crew][:, None], world.floor[crew][:, None])
    return np.asarray(crps_ensemble(members, hidden["found"].to_numpy()))

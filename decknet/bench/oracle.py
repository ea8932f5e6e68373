"""How good any forecast could be: forecasters who know what no district can know, on the demo's own truth."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import log_ndtr

from decknet.columns import ENVIRONMENTS
from decknet.demo.records import CREWS, DETECTION_SHARE, bars_of
from decknet.demo.truth import AGEING_POWER, JUMPS, PACE_YR, Decks, day_number, decimal_year
from decknet.predict.backtest import LEVELS
from decknet.predict.fit import growth_of_histories
from decknet.predict.history import Histories
from decknet.predict.lines import Families
from decknet.predict.scores import crps_ensemble
from decknet.settings import GrowthSettings

__all__ = ["ORACLES", "Told", "against_truth", "oracle_scores", "scatter_alone", "told_district"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ORACLES = ("truth of the hidden day", "truth till the last survey", "the rules, not the truth")
_MEMBERS = 300
_PATHS = 3000
_AT_ONCE = 200  # decks
_FAR = 4.0
_PACE_SD = 0.15  # of log pace between decks of a family, as the demo has it


@dataclass(frozen=True, slots=True)
class Told:
    """Surveys of a made-up district with the truth beside them; no works.

    Attributes
    ----------
    histories : Histories
    families : Families
    damage : array, shape (k,), 0 to 1
        The truth at each survey.
    pace_yr, typical_yr : arrays, shape (decks,), yr
        Pace of each deck, and the middle one of its environment and bars.
    """

    histories: Histories
    families: Families
    damage: Floats
    pace_yr: Floats
    typical_yr: Floats


def _seen(damage: Floats, crew: Ints, rng: np.random.Generator) -> Floats:
    """What crews find, as the demo has it."""
    bias, cv, floor = (np.array([c[i] for c in CREWS])[crew] for i in (2, 3, 4))
    seen = damage * bias * np.exp(cv * rng.standard_normal(damage.shape) - cv**2 / 2)
    seen = seen + floor * rng.standard_normal(damage.shape)
    return np.where(seen < DETECTION_SHARE, 0.0, np.minimum(seen, 0.9))


def told_district(decks: int, years: int, seed: int, every_yr: float, last_year: int = 2026) -> Told:
    """A district of the demo's process and crews, without works, its truth kept."""
    rng = np.random.Generator(np.random.PCG64(seed))
    first = last_year - years + 1
    built = rng.integers(1952, last_year - 4, decks)
    stock = pd.DataFrame(
        {
            "length_m": 30.0, "width_m": 10.0, "aadt": 1000.0, "surface_kind": "bare", "built": built,
            "environment": rng.choice(ENVIRONMENTS, size=decks, p=[0.35, 0.45, 0.20]), "bar_kind": bars_of(built, rng),
        }
    )  # fmt: skip
    home = rng.integers(0, 3, decks)
    truth = Decks(stock, first, rng)
    gap = np.clip(rng.normal(every_yr, 0.25 * (every_yr > 1.2), decks), 1.0, None)
    due = first + rng.uniform(0, 1, decks) * gap
    seen = []
    for year in range(first, last_year + 1):
        day = day_number(year, rng.integers(18, 321, decks))
        truth.grow_to(day)
        row = np.flatnonzero(due < year + 1)
        due[row] = np.maximum(due[row], year) + gap[row] * rng.uniform(0.8, 1.2, len(row))
        crew = np.where(rng.uniform(size=len(row)) < 0.78, home[row], rng.integers(0, len(CREWS), len(row)))
        seen.append((row, decimal_year(day[row]) - 2000.0, truth.damage[row], crew))
    deck, when, damage, crew = (np.concatenate(parts) for parts in zip(*seen, strict=True))
    order = np.lexsort((when, deck))
    deck, when, damage, crew = deck[order], when[order], damage[order], crew[order]
    kinds = pd.Series(list(zip(stock["environment"], stock["bar_kind"], strict=True)))
    of, names = pd.factorize(kinds.str.join(", "), sort=True)
    coated = (stock["bar_kind"] != "bare").to_numpy().astype(np.int64)
    families = Families(of.astype(np.int64), coated, tuple(map(str, names)), ("bare bars", "coated bars"), 40)
    none = np.zeros(len(deck))
    histories = Histories(
        deck, when, _seen(damage, crew, rng), none, none + 1.0, crew, len(CREWS), np.asarray(built - 2000.0), decks
    )
    return Told(histories, families, damage, truth.pace_yr, kinds.map(PACE_YR).to_numpy(dtype=np.float64))


def oracle_scores(told: Told, seed: int = 0) -> dict[str, Floats]:
    """CRPS on each deck's last survey, hidden, of three forecasters who know more than anyone can.

    Parameters
    ----------
    told : Told
    seed : int

    Returns
    -------
    dict of name to array, shape (hidden surveys,), share
        By ``ORACLES``. The first knows the true share on the hidden day, the crew and its bias and scatter: what is
        left is the scatter of that one survey, and no forecast at all can do better. The second knows the truth at
        the last survey before and the deck's own pace: what is left beside is the chance of the process. The third
        knows how the process, the families and the crews behave, exactly, but of its deck only the surveys: the
        best that can be said of the hidden survey from the others.

    References
    ----------
    derived: draws from the gamma process; for the third, paths drawn from it weighed by the likelihood of the surveys.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    h = told.histories
    hidden = h.last() & (h.count()[h.deck] > 1)
    at = np.flatnonzero(hidden)
    crew, came = h.observer[at], h.damage[at]
    out = {}
    wide = (len(at), _MEMBERS)
    crews = np.broadcast_to(crew[:, None], wide)
    out[ORACLES[0]] = crps_ensemble(_seen(np.broadcast_to(told.damage[at, None], wide), crews, rng), came, fair=True)
    age = np.maximum(h.when_yr - h.start_yr[h.deck], 0.0)
    step = (age[at] ** AGEING_POWER - age[at - 1] ** AGEING_POWER) / told.pace_yr[h.deck[at]] ** AGEING_POWER
    hazard = -np.log1p(-told.damage[at - 1])[:, None] + rng.gamma(np.broadcast_to(JUMPS * step[:, None], wide)) / JUMPS
    out[ORACLES[1]] = crps_ensemble(_seen(-np.expm1(-hazard), crews, rng), came, fair=True)
    out[ORACLES[2]] = np.concatenate(
        [_from_surveys(told, at[i : i + _AT_ONCE], age, rng) for i in range(0, len(at), _AT_ONCE)]
    )
    return out


def _from_surveys(told: Told, at: Ints, age: Floats, rng: np.random.Generator) -> Floats:
    """The third forecaster, for some hidden surveys: paths by importance, then members by weight."""
    h = told.histories
    n, deck = len(at), h.deck[at]
    first = np.searchsorted(h.deck, deck)
    pace = told.typical_yr[deck, None] * np.exp(_PACE_SD * rng.standard_normal((n, _PATHS)))
    hazard, before, weight = np.zeros((n, _PATHS)), np.zeros(n), np.zeros((n, _PATHS))
    bias, cv, floor = (np.array([c[i] for c in CREWS]) for i in (2, 3, 4))
    for k in range(int((at - first).max()) + 1):
        row = np.minimum(first + k, at)
        mean = (age[row] ** AGEING_POWER - before**AGEING_POWER)[:, None] / pace**AGEING_POWER
        hazard = hazard + rng.gamma(JUMPS * np.maximum(mean, 0.0)) / JUMPS
        before = age[row]
        known = first + k < at
        crew = h.observer[row]
        middle = -np.expm1(-hazard) * bias[crew, None]
        sd = np.hypot(cv[crew, None] * middle, floor[crew, None])
        found = h.damage[row, None]
        z = (np.maximum(found, DETECTION_SHARE) - middle) / sd
        # Far above the scatter on a clean deck the scatter is log-normal, near it normal.
        log_sd = np.sqrt(np.log1p((sd / np.maximum(middle, 1e-9)) ** 2))
        far = middle > _FAR * floor[crew, None]
        log_z = (np.log(np.maximum(found, 1e-9) / np.maximum(middle, 1e-9)) + log_sd**2 / 2) / log_sd
        seen = np.where(far, -0.5 * log_z**2 - np.log(log_sd * found + 1e-300), -0.5 * z * z - np.log(sd))
        told_of = np.where(found > 0, seen, log_ndtr(z))
        weight += np.where(known[:, None], told_of, 0.0)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    upto = np.cumsum(weight, axis=1)
    upto /= upto[:, -1:]
    picks = (np.arange(_MEMBERS) + rng.uniform(size=(n, 1))) / _MEMBERS
    chosen = np.stack([np.searchsorted(u, p) for u, p in zip(upto, picks, strict=True)])
    damage = -np.expm1(-np.take_along_axis(hazard, np.minimum(chosen, _PATHS - 1), axis=1))
    members = _seen(damage, np.broadcast_to(h.observer[at, None], damage.shape), rng)
    return crps_ensemble(members, h.damage[at])


def scatter_alone(hidden: pd.DataFrame, damage: pd.DataFrame, truth: pd.DataFrame, seed: int = 0) -> Floats:
    """CRPS of a forecaster who knows the true share on the hidden day, for surveys of the demo's simulator.

    Parameters
    ----------
    hidden : DataFrame
        As ``BackTest.surveys``, with survey_id, deck_id, survey_date, crew.
    damage, truth : DataFrame
        As ``damage_account`` and ``make_records`` give.

    Returns
    -------
    array, shape (hidden surveys,), share
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    told = truth.drop_duplicates(["deck_id", "date"]).rename(columns={"date": "survey_date", "share": "true_share"})
    account = damage[["survey_id", "unsound_share", "failed_share", "covered_share"]]
    both = hidden.merge(told, on=["deck_id", "survey_date"], how="left").merge(account, on="survey_id", how="left")
    crew = pd.Index([c[0] for c in CREWS]).get_indexer(both["crew"])
    share = np.broadcast_to(both["true_share"].to_numpy(dtype="float64")[:, None], (len(both), _MEMBERS))
    partly = (both["covered_share"].fillna(1.0) < 0.95).to_numpy()
    uneven = np.exp(np.where(partly, 0.2, 0.0)[:, None] * rng.standard_normal(share.shape))
    found = _seen(share * uneven, np.broadcast_to(crew[:, None], share.shape), rng)
    came = both["unsound_share"].to_numpy(dtype="float64")
    original = 1 - both["failed_share"].to_numpy(dtype="float64") / np.maximum(came, 1e-9)
    return np.asarray(crps_ensemble(found, came, fair=True) * np.where(came > 0, original, 1.0))


def against_truth(told: Told, settings: GrowthSettings) -> str:
    """How forecasts of share and pace on the day of each deck's last survey stand against the truth, in words.

    By level expected: part of true shares and of true paces inside their 80 % range, and mean pace, forecast for true.
    """
    h = told.histories
    model = growth_of_histories(h, told.families, settings, np.full(h.decks, settings.network_per_yr))
    rows = np.flatnonzero(h.count() > 0)
    when, truth = h.last_of(h.when_yr)[rows], h.last_of(told.damage)[rows]
    age = when - h.start_yr[rows]
    true_pace = (1 - truth) * AGEING_POWER * age ** (AGEING_POWER - 1) / told.pace_yr[rows] ** AGEING_POWER
    share, pace = model.damage(rows, when), model.pace(rows, when)
    inside = (truth >= share[1]) & (truth <= share[2])
    pace_inside = (true_pace >= pace[1]) & (true_pace <= pace[2])
    at = np.digitize(share[0], LEVELS[1:-1])
    out = [f"all: shares inside {inside.mean():.0%}, paces inside {pace_inside.mean():.0%}"]
    for level, (a, b) in enumerate(pairwise(LEVELS)):
        mine = at == level
        if mine.sum() >= 20:
            out.append(
                f"{a * 100:g} to {b * 100:g} %: {inside[mine].mean():.0%}, {pace_inside[mine].mean():.0%}, pace "
                f"{pace[0][mine].mean() * 100:.2f} for {true_pace[mine].mean() * 100:.2f} points/yr"
            )
    return "; ".join(out)

"""The fit of a network: histories, families, both models, their blend, moves and ranges, from records of damage."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import SettingsError
from decknet.predict.blend import Blend, Models, choose_blend, fit_models
from decknet.predict.curved import AGE_YR, Z80, log_hazard, share_at
from decknet.predict.damage import PATCHES, deck_lives, never_falling
from decknet.predict.growth import OVERLAYS, Growth
from decknet.predict.history import Histories, years
from decknet.predict.lines import Families, LineSums, line_sums
from decknet.predict.ranges import ROUNDS, Revision, Round, revise, usual_gap
from decknet.settings import GrowthSettings, Treatment
from decknet.settled import SHARE_PLACES, to_places

__all__ = ["fit_growth", "fit_growth_model", "fit_histories", "growth_of_histories", "histories_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_ALIKE = 30  # rated decks from which a deck without a rating is read as those of its age; ours
UNDATED_SPREAD = 1.5  # times the log spread of a rating whose year is not given; basis: assumption
_NO_BUILT_YR = -20.0  # years from 2000; basis: assumption, only where no deck of the network has a year
_MOST_BACK = 20_000  # decks whose surveys are foretold anew in every round; beyond, every second, third and so on


def _last_patch(repairs: pd.DataFrame, ids: pd.Index, start: pd.Series) -> Floats:
    """Last patch of each deck's present life, years from 2000; NaN where there is none."""
    last = repairs[repairs["treatment"].isin(PATCHES)].groupby("deck_id")["repair_date"].max().reindex(ids)
    return years(last.where(~(last < start).to_numpy()))


def _families_of(decks: pd.DataFrame, begun_by: pd.Series, settings: GrowthSettings) -> Families:
    surface = decks["surface_kind"] if "surface_kind" in decks else pd.Series(np.nan, index=decks.index)
    overlaid = begun_by.isin(OVERLAYS).to_numpy() | (
        (begun_by == "built").to_numpy() & surface.fillna("bare").ne("bare").to_numpy()
    )
    words = {
        "environment": decks["environment"].astype("object").fillna("environment not known").to_numpy(),
        "bar_kind": decks["bar_kind"].astype("object").fillna("bars not known").to_numpy(),
        "life": np.where(overlaid, "overlaid", "first surface"),
    }
    chosen = [name.strip() for name in settings.family.split(",") if name.strip()]
    if not chosen or any(name not in words for name in chosen):
        raise SettingsError(
            f"growth.family: {settings.family!r} is not a list of {', '.join(words)}. "
            "Name one or more, split by commas."
        )
    whole = pd.Series(words[chosen[0]], dtype="object")
    for name in chosen[1:]:
        whole = whole + ", " + pd.Series(words[name], dtype="object")
    of, names = pd.factorize(whole, sort=True)
    coated = np.where(decks["bar_kind"].isin(("epoxy", "galvanised", "stainless")), "coated bars", "bare bars")
    parent, parents = pd.factorize(pd.Series(coated, dtype="object") + ", " + pd.Series(words["life"]), sort=True)
    return Families(
        of.astype(np.int64), parent.astype(np.int64), tuple(map(str, names)), tuple(map(str, parents)),
        settings.least_decks,
    )  # fmt: skip


def assumed_rate(decks: pd.DataFrame, settings: GrowthSettings) -> Floats:
    """Growth taken where a network has next to no surveys, share/yr, by bars and environment."""
    rate = np.full(len(decks), settings.network_per_yr)
    coated = decks["bar_kind"].isin(("epoxy", "galvanised", "stainless")).to_numpy()
    benign = (decks["environment"] == "benign").to_numpy()
    rate[coated] *= settings.coated_factor
    rate[benign] *= settings.benign_factor
    return rate


def histories_of(
    damage: pd.DataFrame, decks: pd.DataFrame, lives: pd.DataFrame, treatments: dict[str, Treatment]
) -> tuple[Histories, NDArray[np.bool_]]:
    """Surveys of each deck's present life as arrays, and which rows of ``damage`` they are.

    The life of an overlay begins after its rest. A start that is not known is the network's median.
    """
    ids = pd.Index(decks["deck_id"])
    last = lives.groupby("deck_id").last().reindex(ids)
    deck = ids.get_indexer(damage["deck_id"])
    present = damage["life"].to_numpy() == last["life"].to_numpy()[deck]
    used = damage[present]
    deck = deck[present]
    seen, names = _observers(used)
    start = years(last["start"])
    rest = last["begun_by"].map({n: t.rest_yr for n, t in treatments.items()}).fillna(0.0).to_numpy(dtype="float64")
    start = start + np.where(last["begun_by"].isin(OVERLAYS), rest, 0.0)
    known = np.isfinite(start)
    start = np.where(known, start, np.median(start[known]) if known.any() else _NO_BUILT_YR)
    covered = (
        used["covered_share"].fillna(1.0).to_numpy(dtype="float64") if "covered_share" in used else np.ones(len(used))
    )
    order = np.lexsort((used["survey_date"].to_numpy(), deck))
    rows = np.zeros(len(damage), dtype=bool)
    rows[np.flatnonzero(present)] = True
    h = Histories(
        np.asarray(deck, dtype=np.int64)[order], years(used["survey_date"])[order],
        used["damage_found"].to_numpy(dtype="float64")[order], used["repaired_share"].to_numpy(dtype="float64")[order],
        covered[order], np.asarray(seen, dtype=np.int64)[order], max(len(names), 1), start, len(ids),
        used["failed_share"].to_numpy(dtype="float64")[order] if "failed_share" in used else None,
    )  # fmt: skip
    return h, rows


def _observers(damage: pd.DataFrame) -> tuple[Ints, tuple[str, ...]]:
    """Who made each survey: its crew, else its method; as numbers, and their names."""
    nobody = pd.Series(np.nan, index=damage.index, dtype="str")
    crew, method = (damage.get(name, nobody).astype("str") for name in ("crew", "method"))
    seen, names = pd.factorize(crew.fillna(method).fillna("not known"), sort=True)
    return np.asarray(seen, dtype=np.int64), tuple(map(str, names))


def _rounds(
    h: Histories, families: Families, settings: GrowthSettings, assumed: Floats, first: Models
) -> tuple[Round, ...]:
    """Each deck's last surveys taken away, one more each round, and the next one foretold."""
    some = np.arange(0, h.decks, max(-(-h.decks // _MOST_BACK), 1))
    few = Families(
        families.of[some], families.parent[some], families.names, families.parent_names, families.least
    )  # fmt: skip
    part = h.of_decks(some) if len(some) < h.decks else h
    later, out = part.later(), []
    for turn in range(1, ROUNDS + 1):
        known = part.some(later >= turn)
        hidden = (later == turn - 1) & (known.count()[part.deck] > 0)
        if not hidden.any():
            break
        whole = turn == 1 and len(some) == h.decks
        models = first if whole else fit_models(known, few, settings, assumed[some])
        asked = part.some(hidden)
        before = known.last_of(known.repaired)[asked.deck]
        patched = to_places(asked.repaired, SHARE_PLACES) > to_places(before, SHARE_PLACES)
        again = np.where(patched, 0.0, known.last_of(known.failed_share())[asked.deck])
        out.append(
            Round(
                models, few, asked.deck, asked.when_yr, asked.covered, asked.observer, asked.repaired, again,
                models.error.corrected_unsound(asked),
            )
        )  # fmt: skip
    return tuple(out)


def fit_histories(
    h: Histories, families: Families, settings: GrowthSettings, assumed: Floats, hints: LineSums | None = None,
    works: tuple[Floats, Floats] | None = None, *, usual: tuple[float, float] | None = None,
) -> tuple[Models, Blend, Revision | None, bool]:  # fmt: skip
    """Both models on all surveys, their blend by each deck's hidden last one, and what going back three rounds taught.

    Parameters
    ----------
    h, families, settings
    assumed : array, shape (decks,), share/yr
    hints : LineSums or None
        As in ``fit_models``.
    works : two arrays of shape (decks,), 0 to 1, or None
        Made sound up to today, and patches failed and still so; None: as at the last survey.
    usual : (float, float) or None
        As in ``fit_models``: for the final fit, with its growth for that assumed.

    Returns
    -------
    models, blend, revision
    network : bool
        Whether any family has lines.
    """
    newest = h.last()
    fit_on = h.some(~newest)
    inner = fit_models(fit_on, families, settings, assumed)
    hidden = newest & (fit_on.count()[h.deck] > 0)
    blend = choose_blend(inner, h, hidden, families)
    if usual is None:
        models = fit_models(h, families, settings, assumed, hints)
    else:
        told = assumed * max(usual[1] - usual[0], 1e-4) / 30.0 / settings.network_per_yr
        models = fit_models(h, families, settings, told, hints, usual=usual)
    rounds = _rounds(h, families, settings, assumed, inner)
    if works is None:
        works = np.nan_to_num(h.last_of(h.repaired)), np.nan_to_num(h.last_of(h.failed_share()))
    revision = revise(models, blend, families, rounds, settings.shared_cv, usual_gap(h), works)
    return models, blend, revision, bool(inner.curved.fits or models.curved.fits)


def growth_of_histories(h: Histories, families: Families, settings: GrowthSettings, assumed: Floats) -> Growth:
    """The growth of histories without records: decks and observers are named by their numbers."""
    models, blend, revision, _ = fit_histories(h, families, settings, assumed)
    nobody = np.full(h.decks, "", dtype=object)
    return Growth(
        pd.Index(np.arange(h.decks).astype(str)), models, blend, families, np.nan_to_num(h.last_of(h.repaired)),
        np.nan_to_num(h.last_of(h.failed_share())), nobody, nobody, nobody, float(h.when_yr.max(initial=0.0)),
        settings.shared_cv, models.level(),
        np.full(h.decks, np.nan), revision, tuple(map(str, range(h.observers))),
    )  # fmt: skip


def fit_growth_model(
    damage: pd.DataFrame, sound: pd.DataFrame | None, decks: pd.DataFrame, repairs: pd.DataFrame, ratings: pd.DataFrame,
    *, today: date, settings: GrowthSettings, treatments: dict[str, Treatment],
) -> Growth:  # fmt: skip
    """Fit growth on all surveys, with blend and widths decided on each deck's hidden last one.

    Parameters
    ----------
    damage, sound : DataFrame
        As ``damage_account`` gives; ``sound`` None takes what stood at the last survey.
    decks : DataFrame, shape (n, ...)
        deck_id, bridge_id, length_m, width_m, built_year, deck_built_year, bar_kind, environment;
        surface_kind where known.
    repairs, ratings : DataFrame
        Records.
    today : date
    settings, treatments
        From ``Settings``.

    Returns
    -------
    Growth

    References
    ----------
    derived: see ``curved``, ``paced`` and ``blend``.
    """
    ids = pd.Index(decks["deck_id"])
    lives = deck_lives(decks, repairs)
    last = lives.groupby("deck_id").last().reindex(ids)
    families = _families_of(decks.reset_index(drop=True), last["begun_by"].reset_index(drop=True), settings)
    h, rows = histories_of(damage, decks, lives, treatments)
    assumed = assumed_rate(decks, settings)
    today_yr = float(years(pd.Series([pd.Timestamp(today)]))[0])

    used = damage[rows]
    at_last = used.groupby("deck_id")[["failed_share", "repaired_share", "survey_date"]].last().reindex(ids)
    repaired = at_last["repaired_share"].fillna(0.0).to_numpy(dtype="float64")
    failed = at_last["failed_share"].fillna(0.0).to_numpy(dtype="float64")
    if sound is not None:
        of = sound.reindex(ids)
        repaired = np.maximum(of["repaired_share"].fillna(0.0).to_numpy(dtype="float64"), repaired)
        failed = np.where(of["patched_since"].fillna(False).to_numpy(dtype=bool), 0.0, failed)
    hints = _rating_hints(h, decks, ratings, settings, today_yr, (last["life"] == 0).to_numpy(dtype=bool))
    models, blend, revision, network = fit_histories(
        h, families, settings, assumed, hints.sums, (repaired, failed), usual=hints.usual
    )  # fmt: skip

    surveyed = h.count() > 0
    telling = h.count() >= 2
    span = h.last_of(h.when_yr) - np.minimum.reduceat(h.when_yr, np.flatnonzero(np.append(True, np.diff(h.deck) != 0)))[
        np.cumsum(surveyed) - 1
    ] if len(h.deck) else np.zeros(len(ids))  # fmt: skip
    network = (network and int(telling.sum()) > 0) or hints.usual is not None
    source = np.where(surveyed, "survey", "network" if network else "assumption").astype(object)
    source[~surveyed & hints.rated] = "rating"
    source[~surveyed & (last["life"] > 0).to_numpy()] = "works"
    own = telling & (np.nan_to_num(span) >= settings.least_span_yr)
    growth_source = np.where(own, "own surveys", "network" if network else "assumption").astype(object)
    return Growth(
        ids, models, blend, families, repaired, failed, source, growth_source,
        last["begun_by"].to_numpy(dtype=object), today_yr, settings.shared_cv, models.level(),
        _last_patch(repairs, ids, last["start"]), revision, _observers(used)[1],
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Hints:
    """Readings that ratings give, which decks are rated in this life, and what share is usual at 30 and 60 years."""

    sums: LineSums | None
    rated: NDArray[np.bool_]
    usual: tuple[float, float] | None


def _rating_hints(
    h: Histories, decks: pd.DataFrame, ratings: pd.DataFrame, settings: GrowthSettings, today_yr: float,
    first_life: NDArray[np.bool_],
) -> _Hints:  # fmt: skip
    """Deck ratings as readings of poor eyesight, for decks that no survey has seen in this life.

    What share a rating stands for is learned from decks that have both: the mean log hazard of the
    surveyed decks of that rating, drawn towards the share in the settings as 10 decks would. A rating
    without its year counts only for a deck that has no dated one and is in its first life: it is read
    as of today, with its spread widened.
    """
    n = len(decks)
    latest = ratings.sort_values(["bridge_id", "rated_year"], na_position="first").groupby("bridge_id").last()
    if latest.empty:
        return _Hints(None, np.zeros(n, dtype=bool), None)
    own = latest.reindex(decks["bridge_id"])
    rating = own["deck_rating"].to_numpy(dtype="float64", na_value=np.nan)
    when = own["rated_year"].to_numpy(dtype="float64", na_value=np.nan) - 2000 + 0.5
    undated = np.isfinite(rating) & ~np.isfinite(when) & first_life
    when = np.where(undated, today_yr, when)
    known = np.isfinite(rating) & np.isfinite(when) & (when >= h.start_yr)
    points = np.array(settings.rating_share)
    told = log_hazard(np.maximum(np.interp(np.nan_to_num(rating), points[:, 0], points[:, 1]), 1e-3))
    spread = np.log(settings.guess_spread) / Z80
    both = known & ~undated & (h.count() > 0)
    mean, variance = told.copy(), np.full(n, spread**2)
    if both.any():
        level = log_hazard(np.maximum(h.last_of(h.damage - h.repaired)[both], settings.detect_share))
        code = np.clip(np.round(rating[both]), 0, 9).astype(np.int64)
        miss = level - told[both]
        count = np.bincount(code, minlength=10)
        shift = np.bincount(code, weights=miss, minlength=10) / (count + 10)
        left = np.bincount(code, weights=(miss - shift[code]) ** 2, minlength=10)
        learned = (left + 10 * spread**2) / (count + 10)
        mine = np.clip(np.round(np.nan_to_num(rating)), 0, 9).astype(np.int64)
        mean, variance = told + shift[mine], learned[mine]
    variance = np.where(undated, variance * UNDATED_SPREAD**2, variance)
    use = np.flatnonzero(known & (h.count() == 0))
    x = np.log(np.maximum(when[use] - h.start_yr[use], 1.0) / AGE_YR)
    sums = line_sums(use.astype(np.int64), n, 1.0, x, mean[use], 1 / variance[use])
    return _Hints(sums, known, _usual_shares(x, mean[use]))


def _usual_shares(x: NDArray[np.float64], level: NDArray[np.float64]) -> tuple[float, float] | None:
    """Shares of the rated decks at 30 and 60 years of age, pooled so that none falls with age; None with few."""
    if len(x) < LEAST_ALIKE:
        return None
    order = np.lexsort((level, x))
    pooled = never_falling(np.zeros(len(x), dtype=np.int64), share_at(level[order]))
    at_30, at_60 = np.interp([0.0, np.log(2.0)], x[order], pooled)
    return round(float(at_30), SHARE_PLACES), round(float(at_60), SHARE_PLACES)


def fit_growth(
    damage: pd.DataFrame, decks: pd.DataFrame, repairs: pd.DataFrame, ratings: pd.DataFrame, *, today: date,
    settings: GrowthSettings, treatments: dict[str, Treatment], sound: pd.DataFrame | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Unsound share today and its growth, for every deck.

    Parameters are as of ``fit_growth_model``.

    Returns
    -------
    DataFrame, shape (n, 9), in the order of ``decks``
        deck_id; share_now, share_low, share_high (fraction of the deck, with 10 and 90 % quantile);
        share_from ("survey", "works", "rating", "network", "assumption"); growth_per_yr,
        growth_low, growth_high (fraction of the deck a year); growth_from ("own surveys",
        "network", "assumption").
    """
    model = fit_growth_model(
        damage, sound, decks, repairs, ratings, today=today, settings=settings, treatments=treatments
    )
    return model.status()

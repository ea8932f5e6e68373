"""Growth of the unsound share of every deck: now, at any date, and after works.

Every deck gets an answer, and the answer says what it rests on.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import RecordError, SettingsError
from decknet.predict.backtest import BackTest, back_test
from decknet.predict.blend import Blend, Models, choose_blend, fit_models, widened
from decknet.predict.curved import AGE_YR, Z80, log_hazard, share_at
from decknet.predict.damage import PATCHES, deck_lives, never_falling
from decknet.predict.history import Histories, years
from decknet.predict.lines import Families, LineSums, line_sums
from decknet.predict.scores import Fan, fan_chance_above
from decknet.settings import GrowthSettings, Treatment
from decknet.settled import CHANCE_PLACES, PACE_PLACES, PARAMETER_PLACES, SHARE_PLACES, YEAR_PLACES, to_places

__all__ = ["OVERLAYS", "Growth", "fit_growth", "fit_growth_model", "histories_of", "hold_to_surveys"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OVERLAYS = ("thin overlay", "rigid overlay")
_FAR_YR = 100.0
_HALVINGS = 45
LEAST_ALIKE = 30  # rated decks from which a deck without a rating is read as those of its age; ours
_NO_BUILT_YR = -20.0  # years from 2000; basis: assumption, only where no deck of the network has a year


@dataclass(frozen=True, slots=True)
class Growth:
    """Both models with their blend, and what each deck's account stands at.

    Attributes
    ----------
    deck_id : Index, shape (decks,)
    models : Models
    blend : Blend
    families : Families
    repaired, failed : arrays, shape (decks,), 0 to 1
        Made sound in this life up to today; and patches found unsound again and still so.
    source : array of str, shape (decks,)
        What the share rests on: survey, works, rating, network or assumption.
    growth_source : array of str, shape (decks,)
        own surveys, network or assumption.
    begun_by : array of str, shape (decks,)
        What began the present life.
    today_yr : float, years from 2000
    shared : float
        Scatter of the mean of all observers about the truth, as a part of the share.
    level : array, shape (decks,), 0 to 1
        Damage expected at the last survey: the reach of the quantiles depends on it.
    patched_yr : array, shape (decks,), years from 2000
        Last patch of this life; NaN where there is none.
    """

    deck_id: pd.Index
    models: Models
    blend: Blend
    families: Families
    repaired: Floats
    failed: Floats
    source: NDArray[np.object_]
    growth_source: NDArray[np.object_]
    begun_by: NDArray[np.object_]
    today_yr: float
    shared: float
    level: Floats
    patched_yr: Floats

    def rows(self, decks: pd.Series | list[str]) -> Ints:
        """Rows of decks by their ids.

        Raises
        ------
        RecordError
            A deck is not known.
        """
        at = self.deck_id.get_indexer(pd.Index(decks))
        if (at < 0).any():
            missing = pd.Index(decks)[at < 0][0]
            raise RecordError(f"deck_id {missing!r}: not a deck of this network. Correct the id.")
        return np.asarray(at, dtype=np.int64)

    def damage(self, rows: Ints, when_yr: Floats) -> Fan:
        """Damage ever: median, 10 % and 90 % quantile; never falling with the date.

        Parameters
        ----------
        rows : array of int, shape (n,)
        when_yr : array, shape (n,), years from 2000

        Returns
        -------
        Fan
            To six decimals, as every share that leaves here: what is decided by it hangs on no last bit.
        """
        return _to_places(self._damage(rows, when_yr))

    def _damage(self, rows: Ints, when_yr: Floats) -> Fan:
        fan = self._by_models(rows, when_yr)
        patched = np.flatnonzero(self.repaired[rows] > 0)
        then = self._by_models(rows[patched], self._till_patched(rows[patched], when_yr[patched]))
        for q, before in zip(fan, then, strict=True):
            q[patched] = _beyond(q[patched], before, self.repaired[rows[patched]])
        median, low, high = fan
        # Less than can be detected is no lower bound: a clean deck may have nothing.
        low = np.where(to_places(low, SHARE_PLACES) < self.models.error.detect, self.repaired[rows], low)
        return median, np.minimum(low, median), np.maximum(high, median)

    def _by_models(self, rows: Ints, when_yr: Floats) -> Fan:
        family = self.families.of[rows]
        part, reach = self.blend.curved_part[family], self.blend.reach(family, self.level[rows])
        return self.models.fan(rows, when_yr, part, np.zeros(len(rows)), reach, self.shared)

    def _till_patched(self, rows: Ints, when_yr: Floats) -> Floats:
        """The day of the last patch, or the day asked for where that is earlier or no patch is dated."""
        return np.fmin(self.patched_yr[rows], when_yr)

    def unsound(self, rows: Ints, when_yr: Floats) -> Fan:
        """Unsound share, net of what was made sound up to today, with patches that had failed by then."""
        return _to_places(self._unsound(rows, when_yr))

    def _unsound(self, rows: Ints, when_yr: Floats) -> Fan:
        back = self.repaired[rows] - self.failed[rows]
        median, low, high = (np.clip(q - back, 0.0, 1.0) for q in self._damage(rows, when_yr))
        return median, low, high

    def expected(self, rows: Ints, when_yr: Floats) -> Floats:
        """The median of ``unsound`` alone."""
        part = self.blend.curved_part[self.families.of[rows]]
        damage = self.models.middle(rows, when_yr, part, np.zeros(len(rows)))
        at = np.flatnonzero(self.repaired[rows] > 0)
        then = self._till_patched(rows[at], when_yr[at])
        before = self.models.middle(rows[at], then, part[at], np.zeros(len(at)))
        damage[at] = _beyond(damage[at], before, self.repaired[rows[at]])
        return to_places(np.clip(damage - (self.repaired[rows] - self.failed[rows]), 0.0, 1.0), SHARE_PLACES)

    def forecast(self, decks: pd.Series | list[str], on: pd.Series | list[date] | list[str]) -> pd.DataFrame:
        """Forecast without further works.

        Parameters
        ----------
        decks : ids, shape (n,)
        on : dates, shape (n,)

        Returns
        -------
        DataFrame, shape (n, 8)
            deck_id, on; damage_low, damage_share, damage_high; unsound_low, unsound_share,
            unsound_high (10, 50, 90 % quantiles, 0 to 1).
        """
        rows, dates = self.rows(decks), pd.to_datetime(pd.Series(on)).astype("datetime64[us]")
        when = years(dates)
        out = pd.DataFrame({"deck_id": self.deck_id[rows], "on": dates.to_numpy()})
        for name, (median, low, high) in (("damage", self.damage(rows, when)), ("unsound", self.unsound(rows, when))):
            out[f"{name}_low"], out[f"{name}_share"], out[f"{name}_high"] = low, median, high
        return out

    def chance_past(self, decks: pd.Series | list[str], threshold: float, on: date) -> pd.Series:
        """Probability that the unsound share is past a threshold on a day, without further works; on deck_id."""
        rows = self.rows(decks)
        when = np.full(len(rows), years(pd.Series([pd.Timestamp(on)]))[0])
        chance = fan_chance_above(self._unsound(rows, when), threshold)
        return pd.Series(to_places(chance, CHANCE_PLACES), index=self.deck_id[rows])

    def years_to(self, decks: pd.Series | list[str], threshold: float) -> pd.DataFrame:
        """Years from today until the unsound share passes a threshold, without further works.

        Returns
        -------
        DataFrame, on deck_id
            soonest, expected, latest (10, 50, 90 % quantiles, yr; 0 where it is past already, inf
            where it is not within 100 years).
        """
        rows = self.rows(decks)
        out = {}
        for name, which in (("soonest", 2), ("expected", 0), ("latest", 1)):
            low, high = np.zeros(len(rows)), np.full(len(rows), _FAR_YR)
            never = to_places(self._unsound(rows, self.today_yr + high)[which], SHARE_PLACES) < threshold
            past = to_places(self._unsound(rows, self.today_yr + low)[which], SHARE_PLACES) >= threshold
            for _ in range(_HALVINGS):
                middle = (low + high) / 2
                there = self._unsound(rows, self.today_yr + middle)[which] >= threshold
                low, high = np.where(there, low, middle), np.where(there, middle, high)
            out[name] = np.where(past, 0.0, np.where(never, np.inf, to_places(high, YEAR_PLACES)))
        return pd.DataFrame(out, index=self.deck_id[rows])

    def pace(self, rows: Ints, when_yr: Floats) -> Fan:
        """Growth in shares a year: median, 10 % and 90 % quantile, each >= 0."""
        h, curved, paced = self.models.history, self.models.curved, self.models.paced
        age = np.maximum(when_yr - h.start_yr[rows], 1.0)
        x = np.log(age / AGE_YR)
        a, b, aa, ab, bb = (getattr(curved, name)[rows] for name in ("a", "b", "aa", "ab", "bb"))
        slope = np.maximum(b, 0.0)
        share = share_at(a + slope * x)
        middle = (1 - share) * -np.log1p(-np.minimum(share, 1 - 1e-9)) * slope / age
        # The log of the pace is about a + b x + log b: its variance by the first-order rule.
        k = np.maximum(slope, 0.3)
        lever = x + 1 / k
        spread = Z80 * np.sqrt(np.maximum(aa + 2 * ab * lever + bb * lever**2, 0.0))
        spread = np.minimum(spread, 2.5)
        curve: Fan = (middle, middle * np.exp(-spread), middle * np.exp(spread))
        # The pace is of what is still sound.
        faster = paced.pace_factor(rows, when_yr)
        level = np.nan_to_num(paced.lines.quantile(rows, paced.x_at(rows, when_yr), 0))
        faster = faster * np.exp(-np.maximum(level, 0.0))
        rate, rate_sd = paced.lines.b[rows] * faster, Z80 * np.sqrt(paced.lines.bb[rows]) * faster
        pace: Fan = (np.maximum(rate, 0.0), np.maximum(rate - rate_sd, 0.0), np.maximum(rate + rate_sd, 0.0))
        family = self.families.of[rows]
        own = np.isfinite(paced.lines.a[rows])
        part = np.where(own, self.blend.curved_part[family], 1.0)
        median, low, high = (part * c + (1 - part) * p for c, p in zip(curve, pace, strict=True))
        # Where the two models differ, neither range knows of the other's.
        apart = np.where(own, Z80 * np.abs(curve[0] - pace[0]) / 2, 0.0)
        low, high = np.maximum(median - np.hypot(median - low, apart), 0.0), median + np.hypot(high - median, apart)
        return _to_places(widened((median, low, high), self.blend.reach(family, self.level[rows])), PACE_PLACES)

    def status(self) -> pd.DataFrame:
        """Share and growth of every deck today, as ``fit_growth`` gives."""
        rows = np.arange(len(self.deck_id))
        today = np.full(len(rows), self.today_yr)
        share, low, high = self.unsound(rows, today)
        growth, growth_low, growth_high = self.pace(rows, today)
        return pd.DataFrame(
            {
                "deck_id": self.deck_id.to_numpy(),
                "share_now": share,
                "share_low": low,
                "share_high": high,
                "share_from": pd.Series(self.source, dtype="str"),
                "growth_per_yr": np.clip(growth, 0.0, 1.0),
                "growth_low": np.clip(growth_low, 0.0, 1.0),
                "growth_high": np.clip(growth_high, 0.0, 1.0),
                "growth_from": pd.Series(self.growth_source, dtype="str"),
            }
        )

    def families_table(self) -> pd.DataFrame:
        """How each family was fitted: the convergence report.

        Returns
        -------
        DataFrame, one row a family
            family, decks, surveyed (decks), surveys, lines_from (the family or wider group whose lines
            are used), curved_part (0 to 1), width (factor), hidden (surveys these were decided on),
            typical_30 (share at 30 years), power (of age), converged.
        """
        h, curved = self.models.history, self.models.curved
        count = h.count()
        out = []
        for code, name in enumerate(self.families.names):
            mine = self.families.of == code
            source = int(curved.source[mine][0])
            fit = curved.fits[source]
            out.append(
                {
                    "family": name, "decks": int(mine.sum()), "surveyed": int((mine & (count > 0)).sum()),
                    "surveys": int(count[mine].sum()), "lines_from": self.families.name(source),
                    "curved_part": float(self.blend.curved_part[code]), "width": float(self.blend.width[code]),
                    "hidden": int(self.blend.hidden[code]),
                    "typical_30": float(to_places(share_at(fit.mean[:1]), SHARE_PLACES)[0]),
                    "power": float(to_places(fit.mean[1], PARAMETER_PLACES)), "converged": fit.converged,
                }
            )  # fmt: skip
        return pd.DataFrame(out)


def _to_places(fan: Fan, places: int = SHARE_PLACES) -> Fan:
    median, low, high = (to_places(q, places) for q in fan)
    return median, low, high


def _beyond(q: Floats, before: Floats, repaired: Floats) -> Floats:
    """A quantile of damage ever where more was made sound than the models thought was there by the last patch.

    Damage then stood at that, and what was left grows on as the models have it: no deck stands still meanwhile.
    """
    rest = (1 - repaired) / np.maximum(1 - before, 1e-9)
    return np.maximum(q, np.minimum(repaired + np.maximum(q - before, 0.0) * rest, 1.0))


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
    nobody = pd.Series(np.nan, index=used.index, dtype="object")
    crew, method = (used.get(name, nobody).astype("object") for name in ("crew", "method"))
    seen, names = pd.factorize(crew.fillna(method).fillna("not known"), sort=True)
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
    )  # fmt: skip
    return h, rows


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

    newest = h.last()
    fit_on = h.some(~newest)
    inner = fit_models(fit_on, families, settings, assumed)
    hidden = newest & (fit_on.count()[h.deck] > 0)
    blend = choose_blend(inner, h, hidden, families)
    hints = _rating_hints(h, decks, ratings, settings)
    if hints.usual is not None:
        assumed = assumed * max(hints.usual[1] - hints.usual[0], 1e-4) / 30.0 / settings.network_per_yr
    models = fit_models(h, families, settings, assumed, hints.sums, usual=hints.usual)

    used = damage[rows]
    at_last = used.groupby("deck_id")[["failed_share", "repaired_share", "survey_date"]].last().reindex(ids)
    repaired = at_last["repaired_share"].fillna(0.0).to_numpy(dtype="float64")
    failed = at_last["failed_share"].fillna(0.0).to_numpy(dtype="float64")
    if sound is not None:
        of = sound.reindex(ids)
        repaired = np.maximum(of["repaired_share"].fillna(0.0).to_numpy(dtype="float64"), repaired)
        failed = np.where(of["patched_since"].fillna(False).to_numpy(dtype=bool), 0.0, failed)
    surveyed = h.count() > 0
    telling = h.count() >= 2
    span = h.last_of(h.when_yr) - np.minimum.reduceat(h.when_yr, np.flatnonzero(np.append(True, np.diff(h.deck) != 0)))[
        np.cumsum(surveyed) - 1
    ] if len(h.deck) else np.zeros(len(ids))  # fmt: skip
    network = (bool(inner.curved.fits or models.curved.fits) and int(telling.sum()) > 0) or hints.usual is not None
    source = np.where(surveyed, "survey", "network" if network else "assumption").astype(object)
    source[~surveyed & hints.rated] = "rating"
    source[~surveyed & (last["life"] > 0).to_numpy()] = "works"
    own = telling & (np.nan_to_num(span) >= settings.least_span_yr)
    growth_source = np.where(own, "own surveys", "network" if network else "assumption").astype(object)
    return Growth(
        ids, models, blend, families, repaired, failed, source, growth_source,
        last["begun_by"].to_numpy(dtype=object), today_yr, settings.shared_cv, models.level(),
        _last_patch(repairs, ids, last["start"]),
    )  # fmt: skip


def hold_to_surveys(
    damage: pd.DataFrame, decks: pd.DataFrame, repairs: pd.DataFrame, *, settings: GrowthSettings,
    treatments: dict[str, Treatment],
) -> BackTest:  # fmt: skip
    """Hide surveys, predict them, and compare: see ``back_test``.

    Returns
    -------
    BackTest
        Its ``surveys`` with deck_id, survey_date, survey_id, method and crew where ``damage`` has them.
    """
    lives = deck_lives(decks, repairs)
    begun = lives.groupby("deck_id").last().reindex(pd.Index(decks["deck_id"]))["begun_by"].reset_index(drop=True)
    families = _families_of(decks.reset_index(drop=True), begun, settings)
    h, rows = histories_of(damage, decks, lives, treatments)
    test = back_test(h, families, settings, assumed_rate(decks, settings))
    if test.surveys.empty:
        return test
    # Histories keep the surveys of present lives ordered by deck and date.
    used = damage[rows]
    order = np.lexsort((used["survey_date"].to_numpy(), pd.Index(decks["deck_id"]).get_indexer(used["deck_id"])))
    names = [n for n in ("deck_id", "survey_date", "survey_id", "method", "crew") if n in used]
    told = used.iloc[order][names].iloc[test.surveys["row"].to_numpy()].reset_index(drop=True)
    return BackTest(pd.concat([told, test.surveys], axis=1))


@dataclass(frozen=True, slots=True)
class _Hints:
    """Readings that ratings give, which decks are rated in this life, and what share is usual at 30 and 60 years."""

    sums: LineSums | None
    rated: NDArray[np.bool_]
    usual: tuple[float, float] | None


def _rating_hints(h: Histories, decks: pd.DataFrame, ratings: pd.DataFrame, settings: GrowthSettings) -> _Hints:
    """Deck ratings as readings of poor eyesight, for decks that no survey has seen in this life.

    What share a rating stands for is learned from decks that have both: the mean log hazard of the
    surveyed decks of that rating, drawn towards the share in the settings as 10 decks would.
    """
    n = len(decks)
    latest = ratings.sort_values(["bridge_id", "rated_year"]).groupby("bridge_id").last()
    if latest.empty:
        return _Hints(None, np.zeros(n, dtype=bool), None)
    own = latest.reindex(decks["bridge_id"])
    rating = own["deck_rating"].to_numpy(dtype="float64", na_value=np.nan)
    when = own["rated_year"].to_numpy(dtype="float64", na_value=np.nan) - 2000 + 0.5
    known = np.isfinite(rating) & np.isfinite(when) & (when >= h.start_yr)
    points = np.array(settings.rating_share)
    told = log_hazard(np.maximum(np.interp(np.nan_to_num(rating), points[:, 0], points[:, 1]), 1e-3))
    spread = np.log(settings.guess_spread) / Z80
    both = known & (h.count() > 0)
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

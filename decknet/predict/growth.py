"""Growth of the unsound share of every deck: now, at any date, and after works.

Every deck gets an answer, and the answer says what it rests on.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.errors import RecordError
from decknet.predict.blend import Blend, Models, Reach, widened
from decknet.predict.curved import AGE_YR, Z80, share_at
from decknet.predict.history import years
from decknet.predict.lines import Families
from decknet.predict.ranges import Revision, reading_spread
from decknet.predict.scores import Fan, fan_chance_above
from decknet.settled import CHANCE_PLACES, PACE_PLACES, PARAMETER_PLACES, SHARE_PLACES, YEAR_PLACES, to_places

__all__ = ["OVERLAYS", "UNKNOWN", "Growth"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OVERLAYS = ("thin overlay", "rigid overlay")
_FAR_YR = 100.0
_HALVINGS = 45
UNKNOWN = -1
"""The observer where it is not known which crew will go."""


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
    revision : Revision or None
        What going back taught; None where too few surveys could be foretold.
    observers : tuple of str
        Crews, or methods where the crew is not known, in the order of their numbers.
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
    revision: Revision | None = None
    observers: tuple[str, ...] = ()

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
        part, (down, up) = self.blend.curved_part[self.families.of[rows]], self._reach(rows)
        more = self.revision
        if more is None:
            return self.models.fan(rows, when_yr, part, np.zeros(len(rows)), (down, up), self.shared)
        reach = (down * more.down[rows], up * more.up[rows])
        fan = self.models.fan(rows, when_yr, part, np.zeros(len(rows)), reach, self.shared)
        median, low, high = (more.moved(k, rows, when_yr, q) for k, q in enumerate(fan))
        return median, np.minimum(low, median), np.maximum(high, median)

    def _reach(self, rows: Ints) -> Reach:
        """Factors on the reach of the models before going back."""
        return self.blend.reach(self.families.of[rows], self.level[rows])

    def _middle(self, rows: Ints, when_yr: Floats) -> Floats:
        """The median of ``_by_models`` alone."""
        part = self.blend.curved_part[self.families.of[rows]]
        middle = self.models.middle(rows, when_yr, part, np.zeros(len(rows)))
        return middle if self.revision is None else self.revision.moved(0, rows, when_yr, middle)

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

    def reading(
        self, rows: Ints, when_yr: Floats, observer: Ints | int = UNKNOWN, covered: Floats | float = 1.0
    ) -> Fan:
        """What the next survey will read: median, 10 % and 90 % quantile of the unsound share that it finds.

        Parameters
        ----------
        rows : array of int, shape (n,)
        when_yr : array, shape (n,), years from 2000
        observer : array of int, shape (n,), or int
            Number of the crew that goes, as in ``observers``; ``UNKNOWN`` where it is not known.
        covered : array, shape (n,), or float, 0 to 1
            Part of the deck that is looked at.
        """
        crew = np.zeros(len(rows), dtype=np.int64) + observer
        wide = np.zeros(len(rows)) + covered
        true = self._unsound(rows, when_yr)
        part = self.blend.curved_part[self.families.of[rows]]
        plain = self.models.fan(rows, when_yr, part, np.zeros(len(rows)), self._reach(rows), self.shared)
        there = np.maximum(plain[0] - (self.repaired[rows] - self.failed[rows]), 0.0)
        if self.revision is None:
            seen = np.zeros(len(rows), dtype=bool)
            down = up = Z80 * reading_spread(self.models, plain, there, crew, wide)
        else:
            seen = np.isfinite(self.revision.last_yr[rows])
            _, down, up = self.revision.reading.at(true[0], self.revision.begun[rows], self.repaired[rows] > 0)
            spread = reading_spread(self.models, plain, there, crew, wide)
            down, up = down * spread, up * spread
        # Of a deck that no survey has seen the range of the true share is all that is known.
        scatter = Z80 * reading_spread(self.models, (true[0], true[0], true[0]), true[0], crew, wide)
        down = np.where(seen, down, np.hypot(true[0] - true[1], scatter))
        up = np.where(seen, up, np.hypot(true[2] - true[0], scatter))
        factor = np.append(self.models.error.factor, 1.0)[crew]
        median, low, high = (np.clip(factor * q, 0.0, 1.0) for q in (true[0], true[0] - down, true[0] + up))
        # Less than can be detected is written down as nothing.
        low = np.where(to_places(low, SHARE_PLACES) < self.models.error.detect, 0.0, low)
        return _to_places((median, low, high))

    def expected(self, rows: Ints, when_yr: Floats) -> Floats:
        """The median of ``unsound`` alone."""
        damage = self._middle(rows, when_yr)
        at = np.flatnonzero(self.repaired[rows] > 0)
        before = self._middle(rows[at], self._till_patched(rows[at], when_yr[at]))
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
        DataFrame, shape (n, 10)
            deck_id, on; damage_low, damage_share, damage_high; unsound_low, unsound_share,
            unsound_high (10, 50, 90 % quantiles of what is there, 0 to 1); reading_low, reading_high (the same of what
            a survey of that day will read, not knowing which crew goes).
        """
        rows, dates = self.rows(decks), pd.to_datetime(pd.Series(on)).astype("datetime64[us]")
        when = years(dates)
        out = pd.DataFrame({"deck_id": self.deck_id[rows], "on": dates.to_numpy()})
        for name, (median, low, high) in (("damage", self.damage(rows, when)), ("unsound", self.unsound(rows, when))):
            out[f"{name}_low"], out[f"{name}_share"], out[f"{name}_high"] = low, median, high
        _, out["reading_low"], out["reading_high"] = self.reading(rows, when)
        return out

    def on_days(self, decks: pd.Series, on: pd.Series, crew: pd.Series) -> pd.DataFrame:
        """Both ranges of decks on days of their own, without further works.

        Parameters
        ----------
        decks : ids, shape (n,)
        on : dates, shape (n,)
        crew : text, shape (n,)
            Who goes; missing, or one that has not been out before: not known.

        Returns
        -------
        DataFrame, shape (n, 9)
            deck_id, crew, crew_known (bool); unsound_low, unsound_share, unsound_high; reading_low, reading_share,
            reading_high (10, 50, 90 % quantiles, 0 to 1).
        """
        rows, when = self.rows(decks), years(on.astype("datetime64[us]"))
        observer = pd.Index(self.observers).get_indexer(pd.Index(crew)).astype(np.int64)
        out = pd.DataFrame({"deck_id": self.deck_id[rows], "crew": crew.array, "crew_known": observer >= 0})
        ranges = {"unsound": self.unsound(rows, when), "reading": self.reading(rows, when, observer)}
        for name, (median, low, high) in ranges.items():
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
        middle = (1 - share) * -np.log1p(-share) * slope / age
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

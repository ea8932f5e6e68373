"""Forecasts held against what came: what was printed of surveys that the records lacked, and how often it was right."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet import digits
from decknet.predict.baselines import BASELINES, baseline_shares
from decknet.predict.blend import Models
from decknet.predict.curved import Z80
from decknet.predict.fit import growth_of_histories
from decknet.predict.growth import UNKNOWN, Growth
from decknet.predict.history import Histories
from decknet.predict.lines import Families
from decknet.predict.ranges import ReadingReach, reach_by_level
from decknet.predict.scores import Fan, crps_fan, pit_fan
from decknet.settings import GrowthSettings
from decknet.settled import SHARE_PLACES, to_places

__all__ = ["CLASSES", "METHODS", "BackTest", "back_test", "back_test_histories", "skill", "verdict"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

METHODS = ("decknet", "crew not known", "paced", "curved", *BASELINES)
"""Ours; ours where it is not known which crew goes; either model alone; and the simple methods."""
CLASSES = ("family", "level", "horizon", "looked by", "crew")
_PLACES = SHARE_PLACES
_HORIZONS = (0.0, 1.5, 3.0, 5.0, np.inf)
LEVELS = (0.0, 0.005, 0.02, 0.05, 0.10, 0.20, 0.40, 1.0)


@dataclass(frozen=True, slots=True)
class BackTest:
    """What came of it.

    Attributes
    ----------
    surveys : DataFrame, one row a survey that was taken away
        deck_id, survey_id, survey_date, method, crew where given; deck (row of the decks), family, trial ("last
        survey"),
        when_yr, horizon_yr (from the last survey known), crew_known (bool: the crew that came had been out before),
        found
        (share); expected, low, high: the next reading by that crew; true, true_low, true_high: where the true share was
        said to lie; pit; and for each of ``METHODS`` crps_<method>, miss_<method>, width_<method> (shares),
        in_<method> (bool); crps_true, in_true the same of the range of the true share.
    """

    surveys: pd.DataFrame

    def table(self, by: str | None = None) -> pd.DataFrame:
        """Scores by method, and by family, level, horizon, method of survey ("looked by") or crew known, if asked.

        Returns
        -------
        DataFrame
            ``by`` (if given), method, surveys, covered_80 (0 to 1), crps, mean_miss, width (points of deck share).
        """
        groups = [("all", self.surveys)] if by is None else list(self.classed(by).groupby(by, sort=True))
        if by == "level":
            order = [_level_name(k) for k in range(len(LEVELS) - 1)]
            groups.sort(key=lambda group: order.index(str(group[0])))
        out = []
        for name, part in groups:
            for method in METHODS:
                row = {
                    "method": method, "surveys": len(part), "covered_80": float(part[f"in_{method}"].mean()),
                    "crps": float(part[f"crps_{method}"].mean() * 100),
                    "mean_miss": float(part[f"miss_{method}"].abs().mean() * 100),
                    "width": float(part[f"width_{method}"].mean() * 100),
                }  # fmt: skip
                out.append(row if by is None else {by: name, **row})
        return pd.DataFrame(out)

    def classed(self, by: str) -> pd.DataFrame:
        """The surveys with their class, by one of ``CLASSES``, in a column of that name."""
        frame = self.surveys
        if by == "horizon":
            names = [
                f"{digits.given(a)} to {digits.given(b)} yr" if np.isfinite(b) else f"over {digits.given(a)} yr"
                for a, b in pairwise(_HORIZONS)
            ]
            cut = pd.cut(frame["horizon_yr"], _HORIZONS, right=False, labels=names)
            return frame.assign(horizon=cut.astype("str"))
        if by == "level":
            return frame.assign(level=[_level_name(k) for k in _level_of(frame["expected"])])
        if by == "looked by":
            return frame.assign(**{by: frame["method"].fillna("not known") if "method" in frame else "not known"})
        if by == "crew":
            return frame.assign(crew=np.where(frame["crew_known"], "been out before", "new or not known"))
        return frame

    def ranges(self) -> pd.DataFrame:
        """The ranges that are printed, and how many of the readings they held.

        Returns
        -------
        DataFrame, 3 rows
            range, surveys, covered_80 (0 to 1), width, crps (points of deck share). A range of the true share is not
            meant to hold four in five readings: those scatter about it.
        """
        names = {
            "true": "where the true share lies", "decknet": "next reading, by the crew that came",
            "crew not known": "next reading, crew not known",
        }  # fmt: skip
        return pd.DataFrame(
            [
                {
                    "range": words, "surveys": len(self.surveys),
                    "covered_80": float(self.surveys[f"in_{name}"].mean()),
                    "width": float(self.surveys[f"width_{name}"].mean() * 100),
                    "crps": float(self.surveys[f"crps_{name}"].mean() * 100),
                }
                for name, words in names.items()
            ]
        )  # fmt: skip

    def levels(self) -> pd.DataFrame:
        """Whether forecasts run high or low, by the share expected.

        Returns
        -------
        DataFrame, one row a level with any surveys
            level, surveys; expected, found (mean shares, 0 to 1); too_high (points of deck share by which the mean
            forecast lay above what came), too_high_se (its standard error); below (part that came below what was
            expected: a half if honest, whatever the skew); covered_80 (0 to 1).
        """
        frame = self.surveys
        at = _level_of(frame["expected"])
        out = []
        for level in range(len(LEVELS) - 1):
            part = frame[at == level]
            if part.empty:
                continue
            over = (part["expected"] - part["found"]).to_numpy(dtype="float64") * 100
            out.append(
                {
                    "level": _level_name(level), "surveys": len(part),
                    "expected": float(part["expected"].mean()), "found": float(part["found"].mean()),
                    "too_high": float(over.mean()),
                    "too_high_se": float(over.std(ddof=1) / np.sqrt(len(over))) if len(over) > 1 else np.nan,
                    "below": float((part["found"] < part["expected"]).mean()),
                    "covered_80": float(part["in_decknet"].mean()),
                }
            )  # fmt: skip
        return pd.DataFrame(out)

    def worst(self, count: int = 10) -> pd.DataFrame:
        """The surveys furthest from what was expected, in points of score."""
        order = self.surveys["crps_decknet"].to_numpy().argsort(kind="stable")[::-1]
        return self.surveys.iloc[order].head(count).reset_index(drop=True)


def _level_of(expected: pd.Series) -> Ints:
    at = np.searchsorted(LEVELS, expected.to_numpy(dtype="float64"), side="right") - 1
    return np.asarray(np.clip(at, 0, len(LEVELS) - 2), dtype=np.int64)


def _level_name(level: int) -> str:
    a, b = LEVELS[level], LEVELS[level + 1]
    return f"{digits.given(100 * a)} to {digits.percent_given(b)}" if b < 1 else f"over {digits.percent_given(a)}"


def skill(test: BackTest, against: str) -> float:
    """Part by which the score is below another method's; 0 equal, below 0 worse."""
    return 1 - float(test.surveys["crps_decknet"].mean() / test.surveys[f"crps_{against}"].mean())


def _simple(models: Models, rows: Ints, when: Floats) -> dict[str, Floats]:
    """Damage ever as the simple methods, and either model alone, expect it."""
    none = np.zeros(len(rows))
    alone = {"paced": none, "curved": none + 1.0}
    shares = {name: models.middle(rows, when, part, none) for name, part in alone.items()}
    return shares | baseline_shares(models.history, models.error, rows, when)


def _simple_reach(growth: Growth) -> dict[str, ReadingReach]:
    """How far readings fell from what simple methods expected, in the same rounds as ours, by level."""
    rounds = () if growth.revision is None else growth.revision.rounds
    told: dict[str, list[tuple[Floats, Floats]]] = {}
    for one in rounds:
        for name, damage in _simple(one.models, one.rows, one.when_yr).items():
            level = np.clip(damage - (one.repaired - one.failed), 0.0, 1.0)
            spread = one.models.error.scatter(level, one.observer, one.covered)
            told.setdefault(name, []).append((level, (one.came - level) / spread))
    out = {}
    for name, parts in told.items():
        level, miss = (np.concatenate([p[k] for p in parts]) for k in (0, 1))
        never = np.zeros(len(level), dtype=bool)
        turn = np.repeat(np.arange(len(parts)), [len(p[0]) for p in parts])
        out[name] = reach_by_level(level, miss, never, never, turn)
    return out


def _simple_fans(growth: Growth, rows: Ints, when: Floats, crew: Ints, covered: Floats) -> dict[str, Fan]:
    """What the simple methods say the reading will be: corrected for the crew, their ranges set as ours are."""
    reach, error = _simple_reach(growth), growth.models.error
    factor, cv = np.append(error.factor, 1.0)[crew], np.append(error.cv, np.mean(error.cv))[crew]
    back, wide = growth.repaired[rows] - growth.failed[rows], np.sqrt(np.clip(covered, 0.05, 1.0))
    never = np.zeros(len(rows), dtype=bool)
    out: dict[str, Fan] = {}
    for name, damage in _simple(growth.models, rows, when).items():
        level = np.clip(damage - back, 0.0, 1.0)
        spread = np.hypot(cv * level, error.floor) / wide
        middle, down, up = reach[name].at(level, never, never) if name in reach else (0.0, Z80, Z80)
        share = np.clip(level + middle * spread, 0.0, 1.0)
        fan = (share, share - down * spread, share + up * spread)
        median, low, high = (to_places(np.clip(factor * q, 0.0, 1.0), _PLACES) for q in fan)
        out[name] = (median, low, high)
    return out


def back_test(growth: Growth, hidden: pd.DataFrame) -> BackTest:
    """Hold what is printed of surveys that the records lacked against what they found.

    Parameters
    ----------
    growth : Growth
        Of the records without those surveys, and without all that is later on their decks.
    hidden : DataFrame
        deck_id; when_yr (years from 2000); found (share, 0 to 1); observer (crew, or method where that is not known);
        covered (0 to 1). Further columns are kept.

    Returns
    -------
    BackTest
        Empty where nothing is hidden.
    """
    if hidden.empty:
        return BackTest(pd.DataFrame())
    rows, when = growth.rows(hidden["deck_id"]), hidden["when_yr"].to_numpy(dtype="float64")
    came, covered = (hidden[n].to_numpy(dtype="float64") for n in ("found", "covered"))
    came = to_places(came, _PLACES)
    crew = pd.Index(growth.observers).get_indexer(pd.Index(hidden["observer"])).astype(np.int64)
    fans: dict[str, Fan] = {
        "decknet": growth.reading(rows, when, crew, covered),
        "crew not known": growth.reading(rows, when, UNKNOWN, covered),
        **_simple_fans(growth, rows, when, crew, covered),
        "true": growth.unsound(rows, when),
    }  # fmt: skip
    names = np.array(growth.families.names, dtype=object)
    told: dict[str, object] = {
        "deck": rows, "family": names[growth.families.of[rows]], "trial": "last survey",
        "horizon_yr": when - growth.models.history.last_of(growth.models.history.when_yr)[rows],
        "crew_known": crew >= 0, "found": came,
    }  # fmt: skip
    for kind, ends in (("decknet", ("expected", "low", "high")), ("true", ("true", "true_low", "true_high"))):
        told |= dict(zip(ends, fans[kind], strict=True))
    told["pit"] = to_places(pit_fan(fans["decknet"], came), _PLACES)
    for method, fan in fans.items():
        median, low, high = fan
        told[f"crps_{method}"] = crps_fan(fan, came)
        told[f"miss_{method}"] = came - median
        told[f"width_{method}"] = high - low
        told[f"in_{method}"] = (came >= low) & (came <= high)
    kept = hidden.drop(columns=["found", "covered", "observer"]).reset_index(drop=True)
    return BackTest(pd.concat([kept, pd.DataFrame(told)], axis=1))


def back_test_histories(h: Histories, families: Families, settings: GrowthSettings, assumed: Floats) -> BackTest:
    """As ``back_test``, of each deck's last survey, where there are histories but no records.

    Returns
    -------
    BackTest
        Its ``surveys`` with row (of the histories).
    """
    last = h.last()
    known = h.some(~last)
    hidden = last & (known.count()[h.deck] > 0)
    at = np.flatnonzero(hidden)
    growth = growth_of_histories(known, families, settings, assumed)
    asked = pd.DataFrame(
        {
            "row": at, "deck_id": growth.deck_id[h.deck[at]], "when_yr": h.when_yr[at], "covered": h.covered[at],
            "found": h.damage[at] - growth.repaired[h.deck[at]], "observer": h.observer[at].astype(str),
        }
    )  # fmt: skip
    return back_test(growth, asked)


def verdict(test: BackTest, least: int = 100) -> str:
    """In words, whether this district's surveys bear forecasts yet.

    Parameters
    ----------
    least : int
        Fewer hidden surveys than this, and no judgement is made.
    """
    frame = test.surveys
    if len(frame) < least:
        return (
            f"Too early to say: {len(frame)} surveys could be hidden and predicted; {least} are needed. "
            "Read the forecasts as assumptions with wide margins."
        )
    covered, gain = float(frame["in_decknet"].mean()), skill(test, "last value")
    words = f"{digits.chance(covered)} % of {digits.count(len(frame))} hidden surveys fell inside their 80 % interval, "
    words += "and the score is "
    words += (
        f"{digits.percent(gain)} better than carrying the last value forward. "
        if gain >= 0
        else (f"{digits.percent(-gain)} worse than carrying the last value forward. ")
    )
    if 0.74 <= covered <= 0.86 and gain >= 0.1:
        return words + "This district's surveys bear forecasts."
    if gain < 0.1:
        return words + "The surveys do not yet tell growth from scatter: lean on the last survey, and sound more often."
    side = "narrow" if covered < 0.74 else "wide"
    return words + f"The forecasts are of use but their intervals are too {side}."

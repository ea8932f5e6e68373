"""Forecasts held against what came: surveys hidden, predicted, and compared."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet import digits
from decknet.predict.blend import Models, choose_blend, fit_models, found_fan, widened
from decknet.predict.curved import AGE_YR, Z80, share_at
from decknet.predict.history import Histories
from decknet.predict.lines import Families
from decknet.predict.scores import Fan, crps_fan, pit_fan
from decknet.settings import GrowthSettings
from decknet.settled import PARAMETER_PLACES, to_places

__all__ = ["METHODS", "BackTest", "back_test", "skill", "verdict"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

METHODS = ("decknet", "paced", "curved", "last value", "line through the last two", "own line", "family curve")
_LAST_YR = 2.0
_FLOORS = (0.001, 0.003, 0.01)  # scatter on a clean deck that simple methods may choose from
_PLACES = 9  # decimals of the shares that are scored
_HORIZONS = (0.0, 1.5, 3.0, 5.0, np.inf)
LEVELS = (0.0, 0.005, 0.02, 0.05, 0.10, 0.20, 0.40, 1.0)


@dataclass(frozen=True, slots=True)
class BackTest:
    """What came of it.

    Attributes
    ----------
    surveys : DataFrame, one row a hidden survey
        row (of the histories), deck (row of the decks), family, trial ("last survey" or "last two years"),
        when_yr, horizon_yr (from the last survey known), found (share), expected, low, high, pit; and
        for each of ``METHODS`` crps_<method>, miss_<method> (shares), in_<method> (bool).
    """

    surveys: pd.DataFrame

    def table(self, by: str | None = None) -> pd.DataFrame:
        """Scores by method, and by family, horizon or trial if asked.

        Returns
        -------
        DataFrame
            ``by`` (if given), method, surveys, covered_80 (0 to 1), crps, mean_miss (points of deck share).
        """
        frame = self.surveys
        if by == "horizon":
            names = [
                f"{digits.given(a)} to {digits.given(b)} yr" if np.isfinite(b) else f"over {digits.given(a)} yr"
                for a, b in pairwise(_HORIZONS)
            ]
            frame = frame.assign(
                horizon=pd.cut(frame["horizon_yr"], _HORIZONS, right=False, labels=names).astype("str")
            )
        groups = [("all", frame)] if by is None else list(frame.groupby(by, sort=True))
        out = []
        for name, part in groups:
            for method in METHODS:
                row = {
                    "method": method, "surveys": len(part), "covered_80": float(part[f"in_{method}"].mean()),
                    "crps": float(part[f"crps_{method}"].mean() * 100),
                    "mean_miss": float(part[f"miss_{method}"].abs().mean() * 100),
                }  # fmt: skip
                out.append(row if by is None else {by: name, **row})
        return pd.DataFrame(out)

    def of(self, trial: str) -> BackTest:
        """One trial alone."""
        return BackTest(self.surveys[self.surveys["trial"] == trial] if len(self.surveys) else self.surveys)

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
        expected = frame["expected"].to_numpy(dtype="float64")
        at = np.clip(np.searchsorted(LEVELS, expected, side="right") - 1, 0, len(LEVELS) - 2)
        out = []
        for level, (a, b) in enumerate(pairwise(LEVELS)):
            part = frame[at == level]
            if part.empty:
                continue
            low, top = digits.percent_given(a), digits.percent_given(b)
            over = (part["expected"] - part["found"]).to_numpy(dtype="float64") * 100
            out.append(
                {
                    "level": f"{digits.given(100 * a)} to {top}" if b < 1 else f"over {low}", "surveys": len(part),
                    "expected": float(part["expected"].mean()), "found": float(part["found"].mean()),
                    "too_high": float(over.mean()),
                    "too_high_se": float(over.std(ddof=1) / np.sqrt(len(over))) if len(over) > 1 else np.nan,
                    "below": float((part["found"] < part["expected"]).mean()),
                    "covered_80": float(part["in_decknet"].mean()),
                }
            )  # fmt: skip
        return pd.DataFrame(out)

    def worst(self, count: int = 10) -> pd.DataFrame:
        """The hidden surveys furthest from what was expected, in points of score."""
        order = self.surveys["crps_decknet"].to_numpy().argsort(kind="stable")[::-1]
        return self.surveys.iloc[order].drop_duplicates("row").head(count).reset_index(drop=True)


def skill(test: BackTest, against: str, trial: str = "last survey") -> float:
    """Part by which the score is below another method's; 0 equal, below 0 worse."""
    part = test.surveys[test.surveys["trial"] == trial]
    return 1 - float(part["crps_decknet"].mean() / part[f"crps_{against}"].mean())


@dataclass(frozen=True, slots=True)
class _Plain:
    """A simple method's answer: its centre; how its error grows with the lever; or a reach of its own."""

    centre: Floats
    lever: Floats
    down: Floats | None = None
    up: Floats | None = None

    def fan(self, cv: float, floor: float, width: float, least: Floats) -> Fan:
        middle = np.maximum(self.centre, least)
        reach = Z80 * np.hypot(cv * middle, floor) * np.sqrt(self.lever)
        down = reach if self.down is None else self.down
        up = reach if self.up is None else self.up
        return _to_places((middle, np.clip(middle - width * down, 0.0, 1.0), np.clip(middle + width * up, 0.0, 1.0)))


def _to_places(fan: Fan) -> Fan:
    median, low, high = (to_places(q, _PLACES) for q in fan)
    return median, low, high


def _line(h: Histories, when: Floats, rows: Ints, weight: Floats) -> _Plain:
    """Each deck's least-squares line; the last value for one survey."""

    def by(values: Floats) -> Floats:
        return np.asarray(np.bincount(h.deck, weights=values * weight, minlength=h.decks), dtype=np.float64)

    count = np.maximum(by(np.ones(len(h.deck))), 1e-9)
    centre, level = by(h.when_yr) / count, by(h.damage) / count
    dt = h.when_yr - centre[h.deck]
    square = by(dt * dt)
    told = square > 0.1
    slope = np.divide(by(dt * h.damage), square, out=np.zeros(h.decks), where=told)
    ahead = when - centre[rows]
    at = np.clip(level[rows] + slope[rows] * ahead, 0.0, 1.0)
    far = np.divide(ahead**2, square[rows], out=np.zeros(len(rows)), where=told[rows])
    return _Plain(at, 1 + 1 / count[rows] + far)


def _plain_methods(models: Models, rows: Ints, when: Floats) -> dict[str, _Plain]:
    """The simple methods that forecasts are held against."""
    h = models.history
    place = np.arange(len(h.deck)) - np.concatenate([[0], np.cumsum(h.count())[:-1]])[h.deck]
    two = (place >= h.count()[h.deck] - 2).astype(np.float64)
    x = np.log(np.maximum(when - h.start_yr[rows], 1.0) / AGE_YR)
    fits, source = models.curved.fits, models.curved.source[rows]
    a, b, var = (np.empty(len(rows)) for _ in range(3))
    for code in np.unique(source).tolist():
        mine, fit = source == code, fits[code]
        a[mine], b[mine] = fit.mean
        c = fit.between + fit.mean_var
        var[mine] = c[0, 0] + 2 * c[0, 1] * x[mine] + c[1, 1] * x[mine] ** 2
    sd = Z80 * np.sqrt(np.maximum(var, 0.0))
    middle = share_at(a + b * x)
    one = np.ones(len(rows))
    return {
        "last value": _Plain(h.last_of(h.damage)[rows], one),
        "line through the last two": _line(h, when, rows, two),
        "own line": _line(h, when, rows, np.ones(len(h.deck))),
        "family curve": _Plain(middle, one, middle - share_at(a + b * x - sd), share_at(a + b * x + sd) - middle),
    }


def _best_fan(before: _Plain, in_least: Floats, in_came: Floats, later: _Plain, least: Floats, cv: float) -> Fan:
    """A simple method with the scatter and width that scored best on earlier hidden surveys."""
    best: tuple[float, float, float] = (np.inf, _FLOORS[0], 1.0)
    for floor in _FLOORS:
        plain = before.fan(cv, floor, 1.0, in_least)
        width = _width(plain, in_came)
        score = float(crps_fan(before.fan(cv, floor, width, in_least), in_came).mean()) if len(in_came) else np.inf
        best = min(best, (round(score, _PLACES), floor, width))
    return later.fan(cv, best[1], best[2], least)


def _width(fan: Fan, came: Floats) -> float:
    middle, low, high = fan
    need = np.abs(came - middle) / np.maximum(np.where(came < middle, middle - low, high - middle), 1e-9)
    return round(float(np.quantile(need, 0.8)), PARAMETER_PLACES) if len(need) >= 20 else 1.0


def _trial(
    h: Histories, known: Flags, families: Families, settings: GrowthSettings, assumed: Floats, name: str
) -> pd.DataFrame:
    """Fit on the surveys known, predict the others of decks with at least one known."""
    train = h.some(known)
    has = train.count() > 0
    hidden = ~known & has[h.deck]
    # Blend and widths are decided inside what is known, on the last survey known of each deck.
    newest = train.last()
    inner_on = train.some(~newest)
    inner_hidden = newest & (inner_on.count()[train.deck] > 0)
    inner = fit_models(inner_on, families, settings, assumed)
    blend = choose_blend(inner, train, inner_hidden, families)
    models = fit_models(train, families, settings, assumed)

    rows, when, came, least = (
        h.deck[hidden],
        h.when_yr[hidden],
        to_places(h.damage[hidden], _PLACES),
        h.repaired[hidden],
    )
    of = families.of[rows]
    fans: dict[str, Fan] = {}
    part, reach = blend.curved_part[of], blend.reach(of, models.level()[rows])
    fans["decknet"] = found_fan(models.fan(rows, when, part, least, reach), models.error, h, hidden, reach)
    in_rows, in_when = train.deck[inner_hidden], train.when_yr[inner_hidden]
    in_came, in_least = to_places(train.damage[inner_hidden], _PLACES), train.repaired[inner_hidden]
    for method, alone in (("paced", 0.0), ("curved", 1.0)):
        before = found_fan(
            inner.fan(in_rows, in_when, np.full(len(in_rows), alone), in_least), inner.error, train, inner_hidden
        )
        own_width = _width(before, in_came)
        fan = found_fan(models.fan(rows, when, np.full(len(rows), alone), least), models.error, h, hidden)
        fans[method] = widened(fan, (own_width, own_width), least)
    cv = float(np.mean(models.error.cv))
    earlier = _plain_methods(inner, in_rows, in_when)
    for method, plain in _plain_methods(models, rows, when).items():
        fans[method] = _best_fan(earlier[method], in_least, in_came, plain, least, cv)

    horizon = when - train.last_of(train.when_yr)[rows]
    fans = {method: _to_places(fan) for method, fan in fans.items()}
    median, low, high = fans["decknet"]
    out = pd.DataFrame(
        {
            "row": np.flatnonzero(hidden), "deck": rows, "family": np.array(families.names, dtype=object)[of],
            "trial": name, "when_yr": when, "horizon_yr": horizon, "found": came, "expected": median, "low": low,
            "high": high, "pit": to_places(pit_fan(fans["decknet"], came), _PLACES),
        }
    )  # fmt: skip
    for method in METHODS:
        median, low, high = fans[method]
        out[f"crps_{method}"] = crps_fan(fans[method], came)
        out[f"miss_{method}"] = came - median
        out[f"in_{method}"] = (came >= low) & (came <= high)
    return out


def back_test(h: Histories, families: Families, settings: GrowthSettings, assumed: Floats) -> BackTest:
    """Hide surveys, predict them, and hold the forecasts against what came.

    Two trials: the last survey of each deck; and every survey of the last two years of the records
    at once. Blend and widths are decided by hiding earlier surveys still, so that nothing of what
    is predicted has been seen. The simple methods get their width the same way.

    Parameters
    ----------
    h : Histories
    families : Families
    settings : GrowthSettings
    assumed : array, shape (decks,), share/yr
    """
    parts = [_trial(h, ~h.last(), families, settings, assumed, "last survey")] if len(h.deck) else []
    if len(h.deck):
        early = h.when_yr < float(h.when_yr.max()) - _LAST_YR
        if early.any():
            parts.append(_trial(h, early, families, settings, assumed, "last two years"))
    return BackTest(pd.concat(parts, ignore_index=True) if parts else pd.DataFrame())


def verdict(test: BackTest, least: int = 100) -> str:
    """In words, whether this district's surveys bear forecasts yet.

    Parameters
    ----------
    least : int
        Fewer hidden surveys than this, and no judgement is made.
    """
    frame = test.surveys
    if frame.empty or (frame["trial"] == "last survey").sum() < least:
        seen = 0 if frame.empty else int((frame["trial"] == "last survey").sum())
        return (
            f"Too early to say: {seen} surveys could be hidden and predicted; {least} are needed. "
            "Read the forecasts as assumptions with wide margins."
        )
    last = frame[frame["trial"] == "last survey"]
    covered, gain = float(last["in_decknet"].mean()), skill(test, "last value")
    words = f"{digits.chance(covered)} % of {digits.count(len(last))} hidden surveys fell inside their 80 % interval, "
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

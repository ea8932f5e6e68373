"""The paced and the curved model side by side: what each family takes of either, and how wide its answers are.

Both are decided on surveys that were hidden from the fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decknet.predict.curved import AGE_YR, Z80, assumed_lines, fit_curved, share_at
from decknet.predict.history import Histories, SurveyError, learn_error
from decknet.predict.lines import Families, Lines, LineSums
from decknet.predict.paced import Paced, fit_paced
from decknet.predict.scores import Fan, crps_fan
from decknet.settings import GrowthSettings
from decknet.settled import PARAMETER_PLACES, to_places

__all__ = [
    "LEVEL_EDGES",
    "LEVEL_KNOTS",
    "Blend",
    "Models",
    "at_rank",
    "choose_blend",
    "fit_models",
    "found_fan",
    "widened",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_WEIGHTS = tuple(np.linspace(0.0, 1.0, 11).tolist())
_INSIDE = 0.8
_HAIR = 0.003
_BORROWED = 60.0  # hidden surveys at which a family or level counts as much as the network in its own choice
LEVEL_KNOTS = np.array([0.002, 0.01, 0.032, 0.07, 0.14, 0.28, 0.52])  # levels at which the reach is decided
LEVEL_EDGES = np.array([0.005, 0.02, 0.05, 0.10, 0.20, 0.40])  # between them
_LEAST_REACH, _MOST_REACH = 0.3, 4.0
_MOST_HIDDEN = 120_000  # hidden surveys that decide; beyond, every second, third and so on
_FAN_PLACES = 9  # decimals of a share: where a fan has no reach, its last bits are no measure of one
_FEW = 10  # hidden surveys below which the network's choice is taken

Reach = tuple[Floats | float, Floats | float]
"""Factors on the reach of the 10 % and of the 90 % quantile."""


@dataclass(frozen=True, slots=True)
class Models:
    """Both models, fitted to the same surveys."""

    history: Histories
    error: SurveyError
    curved: Lines
    paced: Paced

    def level(self) -> Floats:
        """Damage expected at each deck's last survey, or the network's last where it has none; shape (decks,)."""
        h = self.history
        when = h.last_of(h.when_yr)
        when = np.where(np.isfinite(when), when, np.max(h.when_yr, initial=0.0))
        rows = np.arange(h.decks)
        return self.middle(rows, when, np.full(h.decks, 0.5), np.zeros(h.decks))

    def curved_fan(self, rows: Ints, when_yr: Floats, reach: Reach = (1.0, 1.0), shared: float = 0.0) -> Fan:
        """Damage ever by the curved model: median, 10 % and 90 % quantile.

        Parameters
        ----------
        reach : Reach
        shared : float
            Scatter of the mean of all observers about the truth, as a part of the share.
        """
        x = np.log(np.maximum(when_yr - self.history.start_yr[rows], 1.0) / AGE_YR)
        median, low, high = (
            share_at(self.curved.quantile(rows, x, side, Z80 * np.asarray(far), shared**2))
            for side, far in ((0, 1.0), (-1, reach[0]), (1, reach[1]))
        )
        return median, low, high

    def paced_fan(self, rows: Ints, when_yr: Floats, reach: Reach = (1.0, 1.0), shared: float = 0.0) -> Fan:
        """As ``curved_fan``, by the paced model; NaN for a deck without a survey."""
        lines, x = self.paced.lines, self.paced.x_at(rows, when_yr)
        more = (shared * lines.a[rows]) ** 2
        median, low, high = (
            -np.expm1(-np.maximum(lines.quantile(rows, x, side, Z80 * np.asarray(far), more), 0.0))
            for side, far in ((0, 1.0), (-1, reach[0]), (1, reach[1]))
        )
        return median, low, high

    def middle(self, rows: Ints, when_yr: Floats, curved_part: Floats, least: Floats) -> Floats:
        """The median of ``fan`` alone, at a third of the cost."""
        x = np.log(np.maximum(when_yr - self.history.start_yr[rows], 1.0) / AGE_YR)
        curved = share_at(self.curved.quantile(rows, x, 0))
        paced = -np.expm1(-np.maximum(self.paced.lines.quantile(rows, self.paced.x_at(rows, when_yr), 0), 0.0))
        both = np.where(np.isfinite(paced), curved_part * curved + (1 - curved_part) * paced, curved)
        return np.maximum(both, least)

    def fan(
        self, rows: Ints, when_yr: Floats, curved_part: Floats, least: Floats, reach: Reach = (1.0, 1.0),
        shared: float = 0.0,
    ) -> Fan:  # fmt: skip
        """Both, quantile by quantile; at least what is known to have been made sound."""
        curved = self.curved_fan(rows, when_yr, reach, shared)
        paced = self.paced_fan(rows, when_yr, reach, shared)
        own = np.isfinite(paced[0])
        both = (np.where(own, curved_part * c + (1 - curved_part) * p, c) for c, p in zip(curved, paced, strict=True))
        median, low, high = (np.maximum(q, least) for q in both)
        return median, low, high


@dataclass(frozen=True, slots=True)
class Blend:
    """What each family takes, and how wide the answers are.

    Attributes
    ----------
    curved_part : array, shape (families,), 0 to 1
        Part of the curved model.
    width : array, shape (families,)
        Factor on the reach of the quantiles.
    hidden : array of int, shape (families,)
        Hidden surveys it was decided on; 0 where the network's choice was taken.
    down, up : arrays, shape (levels,)
        Further factors on the reach below and above the median, by the level a deck has reached.
    """

    curved_part: Floats
    width: Floats
    hidden: Ints
    down: Floats
    up: Floats

    def reach(self, family: Ints, level: Floats) -> Reach:
        """Factors on the reach of decks: one for each, whatever the date, so that no quantile falls.

        Parameters
        ----------
        family : array of int, shape (n,)
        level : array, shape (n,), 0 to 1
            As ``Models.level``.
        """
        down, up = _by_level(level, self.down, self.up)
        return self.width[family] * down, self.width[family] * up


def _by_level(level: Floats, down: Floats, up: Floats) -> tuple[Floats, Floats]:
    at, knots = np.log(np.maximum(level, 1e-9)), np.log(LEVEL_KNOTS)
    return np.interp(at, knots, down), np.interp(at, knots, up)


def fit_models(
    h: Histories, families: Families, settings: GrowthSettings, assumed_per_yr: Floats, hints: LineSums | None = None,
    *, usual: tuple[float, float] | None = None,
) -> Models:  # fmt: skip
    """Fit both models.

    Parameters
    ----------
    assumed_per_yr : array, shape (decks,), share/yr
        Growth for a network with next to no surveys.
    usual : (float, float) or None
        Shares at 30 and 60 years of decks of the network that are known otherwise, for one with next to no surveys;
        None: from the growth of the settings.
    """
    error = learn_error(h, settings)
    typical = settings.network_per_yr
    onset = settings.onset_yr
    assumed = (max(30 - onset, 1.0) * typical, min(max(60 - onset, 2.0) * typical, 0.95))
    prior = assumed_lines(*(assumed if usual is None else usual), settings.guess_spread)
    curved = fit_curved(h, error, families, prior=prior, fade_per_yr=settings.fade_per_yr, hints=hints)
    paced = fit_paced(
        h, error, families, prior_per_yr=assumed_per_yr, fade_per_yr=settings.fade_per_yr, curved=curved
    )  # fmt: skip
    return Models(h, error, curved, paced)


def found_fan(fan: Fan, error: SurveyError, h: Histories, surveys: NDArray[np.bool_], reach: Reach = (1.0, 1.0)) -> Fan:
    """What surveys would find, where ``fan`` is the truth: observers' bias and scatter added.

    Parameters
    ----------
    fan : Fan, of the surveys marked
    surveys : array of bool
        Which of ``h``.
    reach : Reach
        Factors on the scatter.
    """
    repaired, observer = h.repaired[surveys], h.observer[surveys]
    factor = error.factor[observer]
    median, low, high = fan
    open_share = np.maximum(median - repaired, 0.0)
    sd = Z80 * factor * error.scatter(open_share, observer, h.covered[surveys])
    middle = np.minimum(repaired + factor * open_share, 1.0)
    return (
        middle,
        np.clip(middle - np.hypot(factor * (median - low), sd * reach[0]), 0.0, 1.0),
        np.clip(middle + np.hypot(factor * (high - median), sd * reach[1]), 0.0, 1.0),
    )


def _to_places(fan: Fan) -> Fan:
    median, low, high = (to_places(q, _FAN_PLACES) for q in fan)
    return median, low, high


def widened(fan: Fan, reach: Reach, least: Floats | float = 0.0) -> Fan:
    """A fan whose reach is multiplied."""
    median, low, high = fan
    down, up = reach
    return median, np.clip(median - down * (median - low), least, 1.0), np.clip(median + up * (high - median), 0, 1)


def at_rank(need: Floats, part: float) -> float:
    """The value that holds a part of what is needed, with the correction for a finite number."""
    ordered = np.sort(need)
    return float(ordered[min(int(np.ceil((len(ordered) + 1) * part)) - 1, len(ordered) - 1)])


def _width_for(fan: Fan, came: Floats) -> float:
    """Factor at which 80 % of what came lies inside."""
    median, low, high = fan
    reach = np.where(came < median, median - low, high - median)
    return at_rank(np.abs(came - median) / np.maximum(reach, 1e-9), _INSIDE)


def _sides_for(fan: Fan, came: Floats, level: Floats) -> tuple[Floats, Floats]:
    """Factors by level at which a tenth of what came lies below the fan and a tenth above it."""
    median, low, high = fan
    below, above = (median - came) / np.maximum(median - low, 1e-9), (came - median) / np.maximum(high - median, 1e-9)
    at = np.searchsorted(LEVEL_EDGES, to_places(level, _FAN_PLACES))
    out = []
    for need in (below, above):
        common = at_rank(need, (1 + _INSIDE) / 2)
        factor = np.full(len(LEVEL_KNOTS), common)
        for k in range(len(LEVEL_KNOTS)):
            mine = need[at == k]
            if len(mine) >= _FEW:
                factor[k] = (len(mine) * at_rank(mine, (1 + _INSIDE) / 2) + _BORROWED * common) / (
                    len(mine) + _BORROWED
                )
        out.append(np.clip(factor, _LEAST_REACH, _MOST_REACH))
    return out[0], out[1]


def choose_blend(models: Models, whole: Histories, hidden: NDArray[np.bool_], families: Families) -> Blend:
    """Decide by hidden surveys: the part that scores best, and the width that holds 80 % of them.

    Parameters
    ----------
    models : Models
        Fitted without the hidden surveys.
    whole : Histories
        With them.
    hidden : array of bool, on ``whole``

    Notes
    -----
    A family's score and width count beside the network's as n to 60, n its hidden surveys: few
    surveys cannot swing the choice. The reach below and above the median is first set by level, the
    same for the whole network, then by family: each the split-conformal one for the score
    |came - median| / reach.

    References
    ----------
    published: Vovk, Gammerman and Shafer (2005), Algorithmic Learning in a Random World (split
    conformal intervals); Gneiting and Raftery (2007) for the score.
    """
    if hidden.sum() > _MOST_HIDDEN:
        at = np.flatnonzero(hidden)
        hidden = np.zeros(len(hidden), dtype=bool)
        hidden[at[:: int(np.ceil(len(at) / _MOST_HIDDEN))]] = True
    rows, when = whole.deck[hidden], whole.when_yr[hidden]
    came, least = to_places(whole.damage[hidden], _FAN_PLACES), to_places(whole.repaired[hidden], _FAN_PLACES)
    size = len(families.names)
    if len(came) < families.least:
        even = np.ones(len(LEVEL_KNOTS))
        return Blend(np.full(size, 0.5), np.ones(size), np.zeros(size, dtype=np.int64), even, even)
    of, level = families.of[rows], models.level()[rows]
    fans, widths, sides = [], [], []
    score = np.zeros((len(_WEIGHTS), len(came)))
    for i, part in enumerate(_WEIGHTS):
        fan = found_fan(models.fan(rows, when, np.full(len(rows), part), least), models.error, whole, hidden)
        fan = _to_places(fan)
        sides.append(_sides_for(fan, came, level))
        fan = _to_places(widened(fan, _by_level(level, *sides[-1]), least))
        widths.append(_width_for(fan, came))
        fans.append(fan)
        score[i] = crps_fan(widened(fan, (widths[-1], widths[-1]), least), came)
    count = np.bincount(of, minlength=size)
    by_family = np.stack([np.bincount(of, weights=s, minlength=size) for s in score])
    overall = score.mean(axis=1)
    # Scores are compared after division by the family's own level, so that clean families weigh alike.
    typical = by_family.mean(axis=0) / np.maximum(count, 1)
    pooled = by_family + _BORROWED * overall[:, None] * typical / overall.mean()
    pooled[:, count == 0] = overall[:, None]
    # The mean of the parts that score within a hair of the best: no jump where two score alike.
    weight = np.exp(-(pooled / pooled.min(axis=0) - 1) / _HAIR)
    part = (np.array(_WEIGHTS)[:, None] * weight).sum(axis=0) / weight.sum(axis=0)
    part = to_places(part, PARAMETER_PLACES)
    best = np.round(part * (len(_WEIGHTS) - 1)).astype(np.int64)
    # One table of sides for the network: at the part of the middle hidden survey.
    down, up = sides[int(np.median(best[of]))]
    width = np.empty(size)
    for family in range(size):
        common = widths[best[family]]
        mine = of == family
        own = common
        if count[family] >= _FEW:
            fan = fans[best[family]]
            own = _width_for((fan[0][mine], fan[1][mine], fan[2][mine]), came[mine])
        width[family] = (count[family] * own + _BORROWED * common) / (count[family] + _BORROWED)
    width, down, up = (to_places(x, PARAMETER_PLACES) for x in (np.clip(width, 0.5, 3.0), down, up))
    return Blend(part, width, np.where(count >= _FEW, count, 0), down, up)

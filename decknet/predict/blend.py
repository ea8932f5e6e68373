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

__all__ = ["Blend", "Models", "choose_blend", "fit_models", "found_fan", "widened"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_WEIGHTS = tuple(np.linspace(0.0, 1.0, 11).tolist())
_INSIDE = 0.8
_HAIR = 0.003
_BORROWED = 60.0  # hidden surveys at which a family counts as much as the network in its own choice


@dataclass(frozen=True, slots=True)
class Models:
    """Both models, fitted to the same surveys."""

    history: Histories
    error: SurveyError
    curved: Lines
    paced: Paced

    def curved_fan(self, rows: Ints, when_yr: Floats, width: Floats | float = 1.0, shared: float = 0.0) -> Fan:
        """Damage ever by the curved model: median, 10 % and 90 % quantile.

        Parameters
        ----------
        width : array or float
            Factor on the reach of the quantiles.
        shared : float
            Scatter of the mean of all observers about the truth, as a part of the share.
        """
        x = np.log(np.maximum(when_yr - self.history.start_yr[rows], 1.0) / AGE_YR)
        median, low, high = (
            share_at(self.curved.quantile(rows, x, side, Z80 * np.asarray(width), shared**2)) for side in (0, -1, 1)
        )
        return median, low, high

    def paced_fan(self, rows: Ints, when_yr: Floats, width: Floats | float = 1.0, shared: float = 0.0) -> Fan:
        """As ``curved_fan``, by the paced model; NaN for a deck without a survey."""
        lines, x = self.paced.lines, self.paced.x_at(rows, when_yr)
        more = (shared * lines.a[rows]) ** 2
        median, low, high = (
            np.clip(lines.quantile(rows, x, side, Z80 * np.asarray(width), more), 0.0, 1.0) for side in (0, -1, 1)
        )
        return median, low, high

    def fan(
        self, rows: Ints, when_yr: Floats, curved_part: Floats, least: Floats, width: Floats | float = 1.0,
        shared: float = 0.0,
    ) -> Fan:  # fmt: skip
        """Both, quantile by quantile; at least what is known to have been made sound."""
        curved = self.curved_fan(rows, when_yr, width, shared)
        paced = self.paced_fan(rows, when_yr, width, shared)
        own = np.isfinite(paced[0])
        both = (np.where(own, curved_part * c + (1 - curved_part) * p, c) for c, p in zip(curved, paced, strict=True))
        median, low, high = (np.maximum(q, least) for q in both)
        return median, low, high


@dataclass(frozen=True, slots=True)
class Blend:
    """What each family takes.

    Attributes
    ----------
    curved_part : array, shape (families,), 0 to 1
        Part of the curved model.
    width : array, shape (families,)
        Factor on the reach of the quantiles.
    hidden : array of int, shape (families,)
        Hidden surveys it was decided on; 0 where the network's choice was taken.
    """

    curved_part: Floats
    width: Floats
    hidden: Ints


def fit_models(
    h: Histories, families: Families, settings: GrowthSettings, assumed_per_yr: Floats, hints: LineSums | None = None
) -> Models:
    """Fit both models.

    Parameters
    ----------
    assumed_per_yr : array, shape (decks,), share/yr
        Growth for a network with next to no surveys.
    """
    error = learn_error(h, settings)
    typical = settings.network_per_yr
    onset = settings.onset_yr
    prior = assumed_lines(
        max(30 - onset, 1.0) * typical, min(max(60 - onset, 2.0) * typical, 0.95), settings.guess_spread
    )
    curved = fit_curved(h, error, families, prior=prior, fade_per_yr=settings.fade_per_yr, hints=hints)
    paced = fit_paced(h, error, families, prior_per_yr=assumed_per_yr, fade_per_yr=settings.fade_per_yr)
    return Models(h, error, curved, paced)


def found_fan(
    fan: Fan, error: SurveyError, h: Histories, surveys: NDArray[np.bool_], width: Floats | float = 1.0
) -> Fan:
    """What surveys would find, where ``fan`` is the truth: observers' bias and scatter added.

    Parameters
    ----------
    fan : Fan, of the surveys marked
    surveys : array of bool
        Which of ``h``.
    width : array or float
        Factor on the scatter.
    """
    repaired, observer = h.repaired[surveys], h.observer[surveys]
    factor = error.factor[observer]
    median, low, high = fan
    open_share = np.maximum(median - repaired, 0.0)
    sd = Z80 * width * factor * error.scatter(open_share, observer, h.covered[surveys])
    middle = np.minimum(repaired + factor * open_share, 1.0)
    return (
        middle,
        np.clip(middle - np.hypot(factor * (median - low), sd), 0.0, 1.0),
        np.clip(middle + np.hypot(factor * (high - median), sd), 0.0, 1.0),
    )


def widened(fan: Fan, width: Floats | float, least: Floats | float = 0.0) -> Fan:
    """A fan whose reach is multiplied."""
    median, low, high = fan
    return median, np.clip(median - width * (median - low), least, 1.0), np.clip(median + width * (high - median), 0, 1)


def _width_for(fan: Fan, came: Floats, inside: float) -> float:
    """Factor at which the stated part of what came lies inside, with the correction for a finite number."""
    median, low, high = fan
    reach = np.where(came < median, median - low, high - median)
    need = np.sort(np.abs(came - median) / np.maximum(reach, 1e-9))
    at = min(int(np.ceil((len(need) + 1) * inside)) - 1, len(need) - 1)
    return float(need[at])


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
    surveys cannot swing the choice. The width is the split-conformal one for the score
    |came - median| / reach.

    References
    ----------
    published: Vovk, Gammerman and Shafer (2005), Algorithmic Learning in a Random World (split
    conformal intervals); Gneiting and Raftery (2007) for the score.
    """
    rows, when = whole.deck[hidden], whole.when_yr[hidden]
    came, least = whole.damage[hidden], whole.repaired[hidden]
    size = len(families.names)
    if len(came) < families.least:
        return Blend(np.full(size, 0.5), np.ones(size), np.zeros(size, dtype=np.int64))
    of = families.of[rows]
    fans, widths = [], []
    score = np.zeros((len(_WEIGHTS), len(came)))
    for i, part in enumerate(_WEIGHTS):
        fan = found_fan(models.fan(rows, when, np.full(len(rows), part), least), models.error, whole, hidden)
        widths.append(_width_for(fan, came, _INSIDE))
        fans.append(fan)
        score[i] = crps_fan(widened(fan, widths[-1], least), came)
    count = np.bincount(of, minlength=size)
    by_family = np.stack([np.bincount(of, weights=s, minlength=size) for s in score])
    overall = score.mean(axis=1)
    # Scores are compared after division by the family's own level, so that clean families weigh alike.
    typical = by_family.mean(axis=0) / np.maximum(count, 1)
    pooled = by_family + _BORROWED * overall[:, None] * typical / overall.mean()
    pooled[:, count == 0] = overall[:, None]
    # The mean of the parts that score within a hair of the best: no jump where two score alike.
    weight = np.exp(-(pooled / pooled.min(axis=0) - 1) / _HAIR)
    part = np.array(_WEIGHTS) @ (weight / weight.sum(axis=0))
    best = np.round(part * (len(_WEIGHTS) - 1)).astype(np.int64)
    width = np.empty(size)
    for family in range(size):
        common = widths[best[family]]
        mine = of == family
        own = common
        if count[family] >= 10:
            fan = fans[best[family]]
            own = _width_for((fan[0][mine], fan[1][mine], fan[2][mine]), came[mine], _INSIDE)
        width[family] = (count[family] * own + _BORROWED * common) / (count[family] + _BORROWED)
    return Blend(part, np.clip(width, 0.5, 3.0), np.where(count >= 10, count, 0))

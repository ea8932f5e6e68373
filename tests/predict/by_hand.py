"""A district of three decks whose growth is set by hand, its quantiles in plain arithmetic, and a mended network."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import exp, log, sqrt

import numpy as np
import pandas as pd
from scipy.special import ndtri

from decknet.predict.blend import Blend, Models
from decknet.predict.fit import growth_of_histories
from decknet.predict.growth import Growth
from decknet.predict.history import Histories, SurveyError
from decknet.predict.lines import Families, LineFit, Lines
from decknet.predict.paced import Paced
from decknet.predict.truths import made_up_histories
from decknet.settings import Settings

Z = float(ndtri(0.9))
TODAY_YR = 26.0
SHARED = 0.12
START = (-20.0, -15.0, -10.0)
CURVED = {
    "a": (-1.5, -2.0, -1.2), "b": (2.5, 3.0, 2.2), "aa": (0.04, 0.09, 0.03), "ab": (0.01, -0.02, 0.005),
    "bb": (0.05, 0.2, 0.06),
}  # fmt: skip
PACED = {
    "a": (0.2, np.nan, 0.17), "b": (0.012, 0.008, 0.01), "aa": (4e-4, np.nan, 9e-4), "bb": (9e-6, 4e-6, 1.6e-5),
    "centre": (0.5, 0.0, -0.25),
}  # fmt: skip
MIDDLE, SPEED_UP = (15.0, 0.0, 18.0), (0.03, 0.0, 0.0)
FAMILY, PART, WIDTH = (0, 1, 0), (0.4, 0.7), (1.2, 0.9)
LEVEL = (0.07, sqrt(0.07 * 0.14), 0.20)  # the first at a knot of the reach, the second half way to the next
DOWN = (0.8, 0.9, 1.0, 1.1, 1.3, 1.5, 1.7)
UP = (1.6, 1.4, 1.3, 1.2, 0.9, 0.8, 0.7)
NEW = LineFit(np.array([-2.5, 2.0]), np.diag([0.01, 0.02]), np.array([[0.3, 0.05], [0.05, 0.1]]), 1, 0, 0, 0, True)
FITS = {
    0: LineFit(np.array([-1.6, 2.4]), np.diag([0.02, 0.01]), np.diag([0.2, 0.15]), 1, 0, 7, 2e-6, True),
    1: LineFit(np.array([-1.9, 2.8]), np.zeros((2, 2)), np.eye(2), 1, 0, 0, 0, False),
    2: NEW,
}  # fmt: skip


def growth(repaired=(0.0, 0.0, 0.0), failed=(0.0, 0.0, 0.0), patched_yr=(np.nan,) * 3, **more) -> Growth:
    """The district: deck a with two surveys, b with none, c with one; b is of another family."""
    history = Histories(
        np.array([0, 0, 2]), np.array([10.0, 20.0, 18.0]), np.array([0.1, 0.2, 0.15]), np.zeros(3), np.ones(3),
        np.zeros(3, dtype=np.int64), 1, np.array(START), 3,
    )  # fmt: skip
    source = np.array([0, 1, 0])
    curved = Lines(**{k: np.array(v) for k, v in CURVED.items()}, centre=np.zeros(3), source=source, fits=FITS)
    lines = Lines(**{k: np.array(v) for k, v in PACED.items()}, ab=np.zeros(3), source=source, fits={})
    error = SurveyError(np.ones(1), np.array([0.3]), 0.004, more.pop("detect", 0.001), 0)
    models = Models(history, error, curved, Paced(lines, np.array(MIDDLE), np.array(SPEED_UP)))
    blend = Blend(np.array([*PART, 0.5]), np.array([*WIDTH, 1.1]), np.array([40, 0, 0]), np.array(DOWN), np.array(UP))
    families = Families(
        np.array(FAMILY), np.zeros(3, dtype=np.int64),
        ("salted, first surface", "benign, first surface", "salted, overlaid"), ("every",), 40,
    )  # fmt: skip
    given = {"shared": SHARED, "level": np.array(LEVEL), **more}
    words = np.array(["survey", "rating", "survey"], dtype=object)
    return Growth(
        deck_id=pd.Index(["a", "b", "c"]), models=models, blend=blend, families=families,
        repaired=np.array(repaired), failed=np.array(failed), source=words, growth_source=words.copy(),
        begun_by=np.array(["built"] * 3, dtype=object), today_yr=TODAY_YR, patched_yr=np.array(patched_yr), **given,
    )  # fmt: skip


def reach(k: int) -> tuple[float, float]:
    """Factors below and above: the family's width times the table by level, straight in the log of the level."""
    if k == 0:
        down, up = DOWN[3], UP[3]
    elif k == 1:
        down, up = (DOWN[3] + DOWN[4]) / 2, (UP[3] + UP[4]) / 2
    else:
        part = log(0.20 / 0.14) / log(0.28 / 0.14)
        down, up = DOWN[4] + part * (DOWN[5] - DOWN[4]), UP[4] + part * (UP[5] - UP[4])
    return WIDTH[FAMILY[k]] * down, WIDTH[FAMILY[k]] * up


def curved_share(k: int, when_yr: float, normal: float = 0.0) -> float:
    x = log((when_yr - START[k]) / 30)
    a, b, aa, ab, bb = (CURVED[name][k] for name in ("a", "b", "aa", "ab", "bb"))
    return 1 - exp(-exp(a + b * x + normal * sqrt(aa + SHARED**2 + 2 * ab * x + bb * x * x)))


def paced_share(k: int, when_yr: float, normal: float = 0.0) -> float:
    dt, g = when_yr - MIDDLE[k], SPEED_UP[k]
    x = ((exp(g * dt) - 1) / g if g else dt) - PACED["centre"][k]
    a, b, aa, bb = (PACED[name][k] for name in ("a", "b", "aa", "bb"))
    return 1 - exp(-(a + b * x + normal * sqrt(aa + (SHARED * a) ** 2 + bb * x * x)))


def damage_share(k: int, when_yr: float, side: int = 0) -> float:
    """Both models' quantiles, mixed as the family takes them; side -1 the 10 %, 1 the 90 % quantile."""
    normal = 0.0 if side == 0 else side * Z * reach(k)[side > 0]
    if k == 1:
        return curved_share(k, when_yr, normal)
    part = PART[FAMILY[k]]
    return part * curved_share(k, when_yr, normal) + (1 - part) * paced_share(k, when_yr, normal)


@cache
def mended_network() -> tuple[Histories, Families, Growth]:
    """Ninety decks of two families, three crews, parts covered, and repairs between surveys with some failed again."""
    rng = np.random.default_rng(11)
    h = made_up_histories("gamma process", 90, rng)
    k = len(h.deck)
    place = np.arange(k) - h.first_row()[h.deck]
    mended = rng.random(h.decks) < 0.4
    repaired = np.where(mended[h.deck] & (place > 1), 0.02, 0.0)
    h = replace(
        h, repaired=repaired, damage=np.minimum(h.damage + repaired, 0.95), failed=np.where(repaired > 0, 0.004, 0.0),
        covered=rng.choice([0.5, 0.8, 1.0], k), observer=rng.integers(0, 3, k), observers=3,
    )  # fmt: skip
    half = np.arange(h.decks) % 3 // 2
    families = Families(half, np.zeros(h.decks, dtype=np.int64), ("one", "two"), ("both",), 20)
    return h, families, growth_of_histories(h, families, Settings().growth, np.full(h.decks, 0.005))

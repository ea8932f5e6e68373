"""Forecasts stand near the best that surveys allow, on a process that is not our own model."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.bench.oracle import ORACLES, oracle_scores, told_district
from decknet.demo.records import CREWS
from decknet.predict.backtest import back_test_histories
from decknet.predict.scores import crps_normal
from decknet.settings import Settings

S = Settings().growth


@pytest.fixture(scope="module")
def told():
    return told_district(600, 15, 5, 2.0)


@pytest.fixture(scope="module")
def each(told):
    return oracle_scores(told, 1)


@pytest.fixture(scope="module")
def scores(each):
    return {name: float(score.mean()) for name, score in each.items()}


def test_who_knows_more_scores_better(scores):
    day, before, rules = (scores[name] for name in ORACLES)
    assert day < before < rules


@pytest.mark.basis("derived", "mean CRPS of a normal forecast of its own scatter: sd / sqrt(pi)")
def test_the_first_oracle_is_left_with_the_scatter_of_the_survey_alone(told, each):
    h = told.histories
    last = h.last() & (h.count()[h.deck] > 1)
    score = each[ORACLES[0]]
    bias, cv = (np.array([c[i] for c in CREWS])[h.observer[last]] for i in (2, 3))
    middle = told.damage[last] * bias
    mine = (middle > 0.05) & (middle < 0.5)
    assert score[mine].mean() == pytest.approx((cv * middle)[mine].mean() / np.sqrt(np.pi), rel=0.1)
    drawn = np.random.default_rng(0).standard_normal(200_000)
    assert crps_normal(np.zeros(len(drawn)), np.ones(len(drawn)), drawn).mean() == pytest.approx(
        1 / np.sqrt(np.pi), rel=0.01
    )


def test_forecasts_are_within_a_tenth_of_the_best_possible(told, scores):
    h = told.histories
    test = back_test_histories(h, told.families, S, np.full(h.decks, S.network_per_yr))
    ours, line = (float(test.surveys[f"crps_{m}"].mean()) for m in ("decknet", "own line"))
    assert ours < 1.10 * scores[ORACLES[2]]
    assert ours > scores[ORACLES[0]]
    # Nobody can stand 35 % below each deck's own least-squares line.
    assert scores[ORACLES[2]] > 0.65 * line

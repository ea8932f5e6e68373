"""What each family takes of either model, and how wide its answers are."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.predict.blend import Blend, Models, choose_blend, fit_models, found_fan, widened
from decknet.predict.curved import assumed_lines, log_hazard, share_at
from decknet.predict.history import Histories, SurveyError
from decknet.predict.lines import Families, Lines
from decknet.predict.paced import Paced
from decknet.settings import Settings
from tests.predict.by_hand import Z

S = Settings().growth


@pytest.mark.basis("derived", "by hand: 80 % of the open share is found, and its scatter stands beside the forecast's")
def test_what_a_survey_would_find_has_its_crews_bias_and_scatter():
    h = Histories(
        np.array([0, 1]), np.array([10.0, 10.0]), np.zeros(2), np.array([0.05, 0.0]), np.array([1.0, 0.25]),
        np.array([1, 0]), 2, np.zeros(2), 2,
    )  # fmt: skip
    error = SurveyError(np.array([1.0, 0.8]), np.array([0.3, 0.2]), 0.004, 0.001, 0)
    fan = (np.array([0.25, 0.01]), np.array([0.20, 0.005]), np.array([0.35, 0.02]))
    middle, low, high = found_fan(fan, error, h, np.ones(2, dtype=bool), (1.5, 0.5))
    sd = Z * 0.8 * np.hypot(0.2 * 0.20, 0.004)
    assert middle[0] == pytest.approx(0.05 + 0.8 * 0.20)
    assert low[0] == pytest.approx(0.21 - np.hypot(0.8 * 0.05, 1.5 * sd))
    assert high[0] == pytest.approx(0.21 + np.hypot(0.8 * 0.10, 0.5 * sd))
    # Half a deck looked at scatters twice; no survey finds less than nothing.
    assert middle[1] == pytest.approx(0.01)
    assert low[1] == 0.0
    assert high[1] == pytest.approx(0.01 + np.hypot(0.01, 0.5 * Z * 2 * np.hypot(0.003, 0.004)))
    alone = found_fan(tuple(q[1:] for q in fan), error, h, np.array([False, True]))
    assert alone[2][0] == pytest.approx(0.01 + np.hypot(0.01, Z * 2 * np.hypot(0.003, 0.004)))
    full = found_fan((np.array([0.99]), np.array([0.9]), np.array([1.0])), SurveyError(
        np.array([1.2]), np.array([0.3]), 0.004, 0.001, 0), Histories(
        np.array([0]), np.array([1.0]), np.zeros(1), np.zeros(1), np.ones(1), np.zeros(1, int), 1, np.zeros(1), 1,
    ), np.ones(1, dtype=bool))  # fmt: skip
    assert (full[0][0], full[2][0]) == (1.0, 1.0)


@pytest.mark.basis("derived", "by hand: twice the reach below, half above; never under what is known nor over the deck")
def test_a_widened_fan():
    fan = (np.array([0.10, 0.10]), np.array([0.08, 0.04]), np.array([0.14, 0.90]))
    median, low, high = widened(fan, (2.0, 0.5))
    assert median.tolist() == [0.10, 0.10]
    assert low == pytest.approx([0.06, 0.0])
    assert high == pytest.approx([0.12, 0.50])
    assert widened(fan, (2.0, 2.0), np.array([0.07, 0.05]))[1] == pytest.approx([0.07, 0.05])
    assert widened(fan, (2.0, 2.0))[2] == pytest.approx([0.18, 1.0])


@pytest.mark.basis("derived", "by hand: the shares assumed at 30 and at 60 years, 2.5 times more or less at 80 %")
def test_lines_assumed_for_a_network_go_through_the_shares_of_the_settings():
    fit = assumed_lines(0.075, 0.225, 2.5)
    assert share_at(fit.mean[:1])[0] == pytest.approx(0.075)
    assert share_at(np.array([fit.mean @ [1.0, np.log(2.0)]]))[0] == pytest.approx(0.225)
    assert fit.between == pytest.approx(np.diag([(np.log(2.5) / Z) ** 2, (0.25 * fit.mean[1]) ** 2]))
    assert (fit.mean_var == 0).all()
    assert fit.noise == 1.0
    # A share that would fall is taken to rise by a tenth; none is no share to draw a curve through.
    flat = assumed_lines(0.10, 0.05, 2.0)
    assert share_at(np.array([flat.mean @ [1.0, np.log(2.0)]]))[0] == pytest.approx(0.11)
    assert share_at(assumed_lines(0.0, 0.1, 2.0).mean[:1])[0] == pytest.approx(1e-4)


def test_a_network_without_surveys_is_assumed_sound_until_the_onset():
    h = Histories(*(np.zeros(0),) * 5, np.zeros(0, int), 1, np.array([-10.0]), 1)
    h = Histories(np.zeros(0, int), h.when_yr, h.damage, h.repaired, h.covered, h.observer, 1, h.start_yr, 1)
    one = np.zeros(1, dtype=np.int64)
    models = fit_models(h, Families(one, one, ("x",), ("x",), 40), S, np.array([0.005]))
    at_30 = models.middle(one, np.array([20.0]), np.ones(1), np.zeros(1))[0]
    at_60 = models.middle(one, np.array([50.0]), np.ones(1), np.zeros(1))[0]
    assert at_30 == pytest.approx((30 - S.onset_yr) * S.network_per_yr)
    assert at_60 == pytest.approx((60 - S.onset_yr) * S.network_per_yr)
    assert models.level()[0] == pytest.approx(models.middle(one, np.zeros(1), np.ones(1), np.zeros(1))[0])


def test_the_hazard_and_the_share_are_each_others_inverse():
    share = np.array([1e-5, 0.1, 0.5, 0.99])
    assert share_at(log_hazard(share)) == pytest.approx(share)
    assert log_hazard(np.array([0.0, 1.0])) == pytest.approx(log_hazard(np.array([1e-6, 1 - 1e-6])))


@pytest.mark.basis("derived", "by hand: a table over levels, straight in their logs, held beyond its ends")
def test_the_reach_of_a_deck_is_read_from_a_table_by_its_level():
    table = np.array([0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0])
    blend = Blend(np.full(2, 0.5), np.array([1.0, 2.0]), np.zeros(2, dtype=np.int64), table, table[::-1])
    levels = np.array([0.002, 0.01, 0.032, 0.07, 0.14, 0.28, 0.52])
    one, other = np.zeros(7, dtype=np.int64), np.ones(7, dtype=np.int64)
    assert blend.reach(one, levels)[0] == pytest.approx(table)
    assert blend.reach(other, levels)[1] == pytest.approx(2 * table[::-1])
    between = np.sqrt(levels[1:] * levels[:-1])
    assert blend.reach(one[1:], between)[0] == pytest.approx((table[1:] + table[:-1]) / 2)
    assert blend.reach(one[:3], np.array([0.0, 0.001, 0.9]))[0] == pytest.approx([0.5, 0.5, 3.0])


@pytest.mark.parametrize("edge", [0.005, 0.02, 0.05, 0.10, 0.20, 0.40])
def test_each_level_has_a_reach_of_its_own(edge):
    # Below the edge forecasts are right; above it what comes scatters thrice as much.
    rng = np.random.default_rng(8)
    n, sd = 1600, 0.03
    near = edge * np.where(np.arange(n) % 2, 1.03, 0.97)
    models = _models(n, near, near, sd)
    wide = np.where(near > edge, 3.0, 1.0)
    hazard = -np.log1p(-near) * np.exp(wide * sd * rng.standard_normal(n))
    blend = choose_blend(models, _came(models.history, -np.expm1(-hazard)), np.ones(n, dtype=bool), _halves(n))
    k = [0.005, 0.02, 0.05, 0.10, 0.20, 0.40].index(edge)
    for side in (blend.down, blend.up):
        assert side[k + 1] / side[k] == pytest.approx(3.0, rel=0.35)


# ---- the choice ------------------------------------------------------------------------------------------------------


def _models(n, curved, paced, sd, observers=1):
    """Decks whose curved and paced forecasts of year 10 are given shares, with a deviation on the log scale."""
    none, source = np.zeros(n), np.zeros(n, dtype=np.int64)
    start = np.full(n, -20.0)  # 30 years old in year 10: x = 0
    lines = Lines(log_hazard(curved), none + 1.0, none + sd**2, none, none + 1e-12, none, source, {})
    own = Lines(-np.log1p(-paced), none, (sd * -np.log1p(-paced)) ** 2, none, none + 1e-12, none, source, {})
    h = Histories(
        np.arange(n), np.full(n, 10.0), paced, none, none + 1, np.zeros(n, dtype=np.int64), observers, start, n
    )
    sure = SurveyError(np.ones(observers), np.full(observers, 1e-6), 1e-9, 1e-9, 0)
    return Models(h, sure, lines, Paced(own, none + 10.0, none))


def _came(h, share):
    return Histories(h.deck, h.when_yr, np.clip(share, 0, 1), h.repaired, h.covered, h.observer, 1, h.start_yr, h.decks)


def _halves(n, least=40):
    half = (np.arange(n) >= n // 2).astype(np.int64)
    return Families(half, np.zeros(n, dtype=np.int64), ("one", "two"), ("both",), least)


def test_the_better_model_is_taken_and_each_family_takes_its_own():
    rng = np.random.default_rng(1)
    n = 1200
    truth = rng.uniform(0.05, 0.3, n)
    off = np.clip(truth * np.exp(0.8 * rng.standard_normal(n)), 0.01, 0.6)
    half = np.arange(n) >= n // 2
    models = _models(n, np.where(half, off, truth), np.where(half, truth, off), 0.2)
    came = _came(models.history, truth * np.exp(0.2 * rng.standard_normal(n)))
    blend = choose_blend(models, came, np.ones(n, dtype=bool), _halves(n))
    assert 0.85 < blend.curved_part[0] <= 1.0
    assert 0.0 <= blend.curved_part[1] < 0.15
    assert blend.hidden.tolist() == [600, 600]


@pytest.mark.basis("derived", "split conformal: the rank that leaves a tenth of what came beyond each side")
@pytest.mark.parametrize("too_narrow", [0.5, 1.0, 2.0])
def test_the_reach_is_what_leaves_a_tenth_on_each_side(too_narrow):
    rng = np.random.default_rng(2)
    n, sd = 3000, 0.05  # small, so that shares spread as their logs do
    truth = np.exp(rng.uniform(np.log(0.03), np.log(0.3), n))
    models = _models(n, truth, truth, sd)
    hazard = -np.log1p(-truth) * np.exp(too_narrow * sd * rng.standard_normal(n))
    came = _came(models.history, -np.expm1(-hazard))
    blend = choose_blend(models, came, np.ones(n, dtype=bool), _halves(n))
    rows, of = np.arange(n), (np.arange(n) >= n // 2).astype(np.int64)
    reach = blend.reach(of, models.level())
    assert np.mean(reach[0]) == pytest.approx(too_narrow, rel=0.15)
    assert np.mean(reach[1]) == pytest.approx(too_narrow, rel=0.15)
    median, low, high = models.fan(rows, models.history.when_yr, np.full(n, 0.5), np.zeros(n), reach)
    assert (came.damage < low).mean() == pytest.approx(0.1, abs=0.02)
    assert (came.damage > high).mean() == pytest.approx(0.1, abs=0.02)
    assert median == pytest.approx(truth)


def test_the_reach_is_lopsided_where_what_came_is():
    rng = np.random.default_rng(3)
    n, sd = 3000, 0.2
    truth = rng.uniform(0.05, 0.3, n)
    models = _models(n, truth, truth, sd)
    step = np.where(np.arange(n) % 2, 2.0, 0.5) * sd * np.abs(rng.standard_normal(n))
    hazard = -np.log1p(-truth) * np.exp(np.where(np.arange(n) % 2, step, -step))
    blend = choose_blend(models, _came(models.history, -np.expm1(-hazard)), np.ones(n, dtype=bool), _halves(n))
    down, up = blend.reach(np.zeros(n, dtype=np.int64), models.level())
    assert np.mean(up) == pytest.approx(2.0, rel=0.2)
    assert np.mean(down) == pytest.approx(0.5, rel=0.2)


@pytest.mark.parametrize(("hidden", "told"), [(39, False), (40, True)])
def test_fewer_hidden_surveys_than_a_family_choose_nothing(hidden, told):
    rng = np.random.default_rng(4)
    n = 60
    truth = rng.uniform(0.05, 0.3, n)
    models = _models(n, truth, np.clip(2 * truth, 0, 0.9), 0.1)
    came = _came(models.history, truth * np.exp(0.1 * rng.standard_normal(n)))
    blend = choose_blend(models, came, np.arange(n) < hidden, _halves(n))
    if told:
        assert blend.curved_part.min() > 0.8
        assert blend.hidden.tolist() == [30, 10]
    else:
        assert blend.curved_part.tolist() == [0.5, 0.5]
        assert blend.width.tolist() == [1.0, 1.0]
        assert blend.hidden.tolist() == [0, 0]
        assert blend.reach(np.array([0]), np.array([0.1])) == (np.ones(1), np.ones(1))


def test_a_family_with_few_hidden_surveys_takes_the_networks_choice():
    rng = np.random.default_rng(5)
    n = 800
    truth = rng.uniform(0.05, 0.3, n)
    models = _models(n, truth, np.clip(truth * np.exp(0.8 * rng.standard_normal(n)), 0.01, 0.6), 0.1)
    came = _came(models.history, truth * np.exp(0.1 * rng.standard_normal(n)))
    of = np.where(np.arange(n) < 9, 1, np.where(np.arange(n) < 30, 2, 0))
    families = Families(of, np.zeros(n, dtype=np.int64), ("many", "few", "some", "none"), ("all",), 40)
    blend = choose_blend(models, came, np.ones(n, dtype=bool), families)
    assert blend.hidden.tolist() == [770, 0, 21, 0]
    assert blend.curved_part == pytest.approx(np.full(4, blend.curved_part[0]), abs=0.12)
    assert blend.width[1] == pytest.approx(blend.width[3], rel=0.02)


@pytest.mark.basis("derived", "by hand: a width between the family's own and the network's, as 30 surveys against 60")
def test_a_small_familys_width_is_drawn_to_the_networks():
    rng = np.random.default_rng(6)
    n = 2030
    truth = rng.uniform(0.08, 0.13, n)
    small = np.arange(n) < 30
    models = _models(n, truth, truth, 0.1)
    hazard = -np.log1p(-truth) * np.exp(np.where(small, 2.0, 1.0) * 0.1 * rng.standard_normal(n))
    families = Families(small.astype(np.int64), np.zeros(n, dtype=np.int64), ("large", "small"), ("all",), 40)
    blend = choose_blend(models, _came(models.history, -np.expm1(-hazard)), np.ones(n, dtype=bool), families)
    ratio = blend.width[1] / blend.width[0]
    own = np.abs(np.log(hazard / -np.log1p(-truth)) / (0.1 * Z))
    apart = np.sort(own[small])[int(np.ceil(31 * 0.8)) - 1] / np.sort(own)[int(np.ceil((n + 1) * 0.8)) - 1]
    assert ratio == pytest.approx((30 * apart + 60) / 90, rel=0.05)


def test_a_very_large_network_decides_on_every_so_many_surveys(monkeypatch):
    from decknet.predict import blend as module

    rng = np.random.default_rng(7)
    n = 900
    truth = rng.uniform(0.05, 0.3, n)
    models = _models(n, truth, truth, 0.1)
    came = _came(models.history, truth * np.exp(0.1 * rng.standard_normal(n)))
    monkeypatch.setattr(module, "_MOST_HIDDEN", 400)
    third = choose_blend(models, came, np.ones(n, dtype=bool), _halves(n))
    assert third.hidden.sum() == 300  # 900 / 400, rounded up, is every third
    same = choose_blend(models, came, np.arange(n) % 3 == 0, _halves(n))
    assert third.width.tolist() == same.width.tolist()
    exact = choose_blend(models, came, np.arange(n) < 400, _halves(n))
    assert exact.hidden.sum() == 400


@pytest.mark.parametrize(("scatter", "side", "width"), [(30.0, 4.0, 3.0), (0.01, 0.3, 0.5)])
def test_no_reach_is_stretched_or_shrunk_beyond_reason(scatter, side, width):
    # A third to four times by level, and a half to three times by family, whatever came.
    rng = np.random.default_rng(9)
    n = 600
    truth = rng.uniform(0.05, 0.1, n)
    models = _models(n, truth, truth, 0.01)
    hazard = -np.log1p(-truth) * np.exp(scatter * 0.01 * rng.standard_normal(n))
    blend = choose_blend(models, _came(models.history, -np.expm1(-hazard)), np.ones(n, dtype=bool), _halves(n))
    assert blend.down.tolist() == [side] * 7
    assert blend.up.tolist() == [side] * 7
    assert blend.width.tolist() == [width] * 2

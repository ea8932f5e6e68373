"""Forecasts of a district whose every line is set by hand, against plain arithmetic."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import exp, hypot, log, sqrt

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from decknet.errors import RecordError, SettingsError
from decknet.predict import forecast_after, years_ahead
from decknet.settings import Treatment
from tests.predict.by_hand import (
    CURVED,
    FITS,
    MIDDLE,
    NEW,
    PACED,
    PART,
    SPEED_UP,
    START,
    TODAY_YR,
    Z,
    curved_share,
    damage_share,
    growth,
    paced_share,
    reach,
)

ROWS = np.arange(3)
SHARE = 6e-7  # shares and chances are handed on to six decimals: half a unit, and what it was rounded from
TWICE = 1.1e-6  # a share added to another that was rounded before it
YEAR = 6e-4  # years are handed on to three decimals


def at(when_yr):
    return np.full(3, float(when_yr))


# ---- damage and what is open -----------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "both models' quantiles in plain arithmetic, mixed by the family's part")
@pytest.mark.parametrize("when_yr", [22.0, 26.0, 41.0])
def test_damage_is_both_models_mixed_quantile_by_quantile(when_yr):
    median, low, high = growth().damage(ROWS, at(when_yr))
    for got, side in ((median, 0), (low, -1), (high, 1)):
        assert got == pytest.approx([damage_share(k, when_yr, side) for k in range(3)], abs=SHARE)
    model = growth().models
    assert model.middle(ROWS, at(when_yr), np.ones(3), np.zeros(3)) == pytest.approx(
        [curved_share(k, when_yr) for k in range(3)]
    )
    assert model.middle(ROWS, at(when_yr), np.zeros(3), np.full(3, 0.3))[[0, 2]] == pytest.approx(
        [max(paced_share(k, when_yr), 0.3) for k in (0, 2)]
    )
    assert model.fan(ROWS, at(when_yr), np.zeros(3), np.full(3, 0.9))[0].tolist() == [0.9] * 3


def test_the_level_is_even_parts_at_the_last_survey_or_at_the_networks_last():
    level = growth().models.level()
    for k, when in ((0, 20.0), (2, 18.0)):
        assert level[k] == pytest.approx((curved_share(k, when) + paced_share(k, when)) / 2)
    assert level[1] == pytest.approx(curved_share(1, 20.0))


@pytest.mark.basis("derived", "by hand: made sound 4 %, of which 1 % failed again: 3 % less than was ever damaged")
def test_what_is_open_is_damage_less_what_was_made_sound_and_holds():
    model = growth(repaired=(0.04, 0.0, 0.0), failed=(0.01, 0.0, 0.02), patched_yr=(24.0, np.nan, np.nan))
    damage, unsound = model.damage(ROWS, at(30)), model.unsound(ROWS, at(30))
    for d, u in zip(damage, unsound, strict=True):
        assert u == pytest.approx(d - [0.03, 0.0, -0.02])
    assert model.expected(ROWS, at(30)) == pytest.approx(unsound[0], abs=1e-12)
    # The models had more than 4 % by then.
    assert damage[0] == pytest.approx([damage_share(k, 30) for k in range(3)], abs=SHARE)


@pytest.mark.basis("derived", "by hand: 60 % made sound where the models had less; the rest grows on as they have it")
def test_more_made_sound_than_was_thought_leaves_less_to_go_bad():
    model = growth(repaired=(0.6, 0.0, 0.0), patched_yr=(24.0, np.nan, np.nan))
    median, low, high = model.damage(ROWS, at(34))
    for got, side in ((median, 0), (low, -1), (high, 1)):
        then, now = damage_share(0, 24, side), damage_share(0, 34, side)
        assert then < 0.6
        assert got[0] == pytest.approx(0.6 + (now - then) * (1 - 0.6) / (1 - then), abs=SHARE)
        assert got[1] == pytest.approx(damage_share(1, 34, side), abs=SHARE)
    # Before the patch, and for a patch of an unknown day, nothing is known to have grown since.
    assert model.damage(ROWS, at(22))[0][0] == pytest.approx(0.6)
    undated = growth(repaired=(0.6, 0.0, 0.0))
    assert undated.damage(ROWS, at(34))[0][0] == pytest.approx(0.6)
    assert undated.expected(ROWS, at(34))[0] == pytest.approx(0.0)


def test_less_than_can_be_detected_is_no_lower_bound():
    ends = [damage_share(k, 26, -1) for k in range(3)]
    detect = (ends[0] + ends[2]) / 2  # between the two
    small, large = sorted((0, 2), key=lambda k: ends[k])
    low = growth(detect=detect).damage(ROWS, at(26))[1]
    assert low[small] == 0.0
    assert low[large] == pytest.approx(ends[large], abs=SHARE)


@pytest.mark.basis("derived", "by hand: the age at which the curve reaches the threshold, and the quantiles there")
def test_years_to_a_threshold_are_when_each_quantile_reaches_it():
    model = growth()
    until = model.years_to(["b"], 0.5).iloc[0]
    a, b = CURVED["a"][1], CURVED["b"][1]
    age = 30 * exp((log(-log(0.5)) - a) / b)
    assert until["expected"] == pytest.approx(START[1] + age - TODAY_YR, abs=YEAR)
    for name, side in (("soonest", 1), ("latest", -1)):
        before, after = (damage_share(1, TODAY_YR + until[name] + by, side) for by in (-YEAR, YEAR))
        assert before < 0.5 < after
    assert until["soonest"] < until["expected"] < until["latest"]
    assert model.years_to(["b"], damage_share(1, TODAY_YR) - 1e-6).iloc[0]["expected"] == 0.0
    # Deck c still grows by then; the others are within six decimals of the whole.
    for years, told in ((99.9, 99.9), (100.1, np.inf)):
        got = model.years_to(["c"], damage_share(2, TODAY_YR + years)).iloc[0]["expected"]
        assert got == pytest.approx(told, abs=YEAR)
    assert model.years_to(["c", "a"], 0.5).index.tolist() == ["c", "a"]


@pytest.mark.basis("derived", "normal halves about the median: by scipy's normal tail")
def test_the_chance_of_being_past_a_threshold():
    model, on = growth(), date(2040, 1, 1)
    when = (pd.Timestamp(on) - pd.Timestamp("2000-01-01")).days / 365.25
    low, middle, high = (damage_share(1, when, side) for side in (-1, 0, 1))
    for limit, end in ((middle + 0.05, high - middle), (middle - 0.05, middle - low)):
        got = model.chance_past(["b"], limit, on)
        assert got.index.tolist() == ["b"]
        assert got.iloc[0] == pytest.approx(norm.sf((limit - middle) / (end / Z)), abs=SHARE)


def test_a_forecast_gives_each_deck_on_its_own_day():
    days = ["2030-01-01", "2036-06-01"]
    got = growth(repaired=(0.0, 0.0, 0.05), patched_yr=(np.nan, np.nan, 20.0)).forecast(["c", "a"], days)
    assert got["deck_id"].tolist() == ["c", "a"]
    assert got["on"].tolist() == [pd.Timestamp(d) for d in days]
    for i, k in enumerate((2, 0)):
        when = (pd.Timestamp(days[i]) - pd.Timestamp("2000-01-01")).days / 365.25
        ends = [damage_share(k, when, side) for side in (-1, 0, 1)]
        assert got.loc[i, ["damage_low", "damage_share", "damage_high"]].tolist() == pytest.approx(ends, abs=SHARE)
        back = 0.05 if k == 2 else 0.0
        open_now = [max(e - back, 0.0) for e in ends]
        assert got.loc[i, ["unsound_low", "unsound_share", "unsound_high"]].tolist() == pytest.approx(
            open_now, abs=SHARE
        )
    with pytest.raises(RecordError, match="deck_id 'x': not a deck of this network"):
        growth().rows(["a", "x"])


# ---- pace ------------------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "the slope of the median by finite steps")
@pytest.mark.parametrize("when_yr", [20.0, 26.0, 38.0])
def test_the_pace_is_the_slope_of_the_forecast(when_yr):
    model, h = growth(), 0.05
    slope = (model.expected(ROWS, at(when_yr + h)) - model.expected(ROWS, at(when_yr - h))) / (2 * h)
    # Two shares to six decimals, half a unit each, over a tenth of a year.
    assert model.pace(ROWS, at(when_yr))[0] == pytest.approx(slope, abs=1.1e-5)


@pytest.mark.basis("derived", "first-order rule by hand: log pace moves by 1 with a and by x + 1 / b with b")
def test_the_range_of_the_pace_of_a_deck_without_a_survey():
    x = log((26 + 15) / 30)
    b, aa, ab, bb = (CURVED[name][1] for name in ("b", "aa", "ab", "bb"))
    share = curved_share(1, 26.0)
    middle = (1 - share) * -log(1 - share) * b / (26 + 15)
    lever = x + 1 / b
    spread = Z * sqrt(aa + 2 * ab * lever + bb * lever**2)
    got_middle, low, high = (float(q[1]) for q in growth().pace(ROWS, at(26)))
    down, up = reach(1)
    assert got_middle == pytest.approx(middle)
    assert low == pytest.approx(middle - down * (middle - middle * exp(-spread)))
    assert high == pytest.approx(middle + up * (middle * exp(spread) - middle))


@pytest.mark.basis("derived", "by hand: each model's range mixed, and half their difference as a deviation beside it")
@pytest.mark.parametrize("k", [0, 2])
def test_the_range_of_the_pace_knows_that_two_models_differ(k):
    age = 26 - START[k]
    x = log(age / 30)
    b, aa, ab, bb = (CURVED[name][k] for name in ("b", "aa", "ab", "bb"))
    share = curved_share(k, 26.0)
    curve = (1 - share) * -log(1 - share) * b / age
    lever = x + 1 / b
    spread = Z * sqrt(aa + 2 * ab * lever + bb * lever**2)
    sound = (1 - paced_share(k, 26.0)) * exp(SPEED_UP[k] * (26 - MIDDLE[k]))
    pace, pace_sd = PACED["b"][k] * sound, Z * sqrt(PACED["bb"][k]) * sound
    part, apart = PART[0], Z * abs(curve - pace) / 2
    middle = part * curve + (1 - part) * pace
    below = middle - part * curve * exp(-spread) - (1 - part) * max(pace - pace_sd, 0)
    above = part * curve * exp(spread) + (1 - part) * (pace + pace_sd) - middle
    down, up = reach(k)
    low = max(middle - hypot(below, apart), 0.0)
    got = [float(q[k]) for q in growth().pace(ROWS, at(26))]
    assert got[0] == pytest.approx(middle)
    assert got[1] == pytest.approx(max(middle - down * (middle - low), 0.0))
    assert got[2] == pytest.approx(middle + up * hypot(above, apart))


def test_the_status_is_share_and_pace_today():
    model = growth(repaired=(0.0, 0.0, 0.05), patched_yr=(np.nan, np.nan, 20.0))
    status = model.status()
    assert status["deck_id"].tolist() == ["a", "b", "c"]
    assert status["share_from"].tolist() == ["survey", "rating", "survey"]
    share, pace = model.unsound(ROWS, at(TODAY_YR)), model.pace(ROWS, at(TODAY_YR))
    for name, q in zip(("share_now", "share_low", "share_high"), share, strict=True):
        assert status[name].to_numpy() == pytest.approx(q)
    for name, q in zip(("growth_per_yr", "growth_low", "growth_high"), pace, strict=True):
        assert status[name].to_numpy() == pytest.approx(q)


def test_the_families_table_says_what_each_family_rests_on():
    model = growth()
    two = replace(model.families, names=model.families.names[:2])
    table = replace(model, families=two).families_table()
    assert table["family"].tolist() == ["salted, first surface", "benign, first surface"]
    assert table["decks"].tolist() == [2, 1]
    assert table["surveyed"].tolist() == [2, 0]
    assert table["surveys"].tolist() == [3, 0]
    assert table["lines_from"].tolist() == ["salted, first surface", "benign, first surface"]
    assert table["curved_part"].tolist() == list(PART)
    assert table["hidden"].tolist() == [40, 0]
    assert table["typical_30"].to_numpy() == pytest.approx([1 - exp(-exp(-1.6)), 1 - exp(-exp(-1.9))], abs=SHARE)
    assert table["power"].tolist() == [2.4, 2.8]
    assert table["converged"].tolist() == [True, False]


# ---- works -----------------------------------------------------------------------------------------------------------


RULES = {
    "patch": Treatment(removes=0.9, growth_factor=0.8),
    "rigid overlay": Treatment(removes=0.95, growth_factor=0.5, rest_yr=4.0),
    "thin overlay": Treatment(removes=0.7, growth_factor=0.6, rest_yr=2.0),
    "new deck": Treatment(removes=1.0, growth_factor=0.4, rest_yr=6.0),
}
DONE, LATER = date(2028, 1, 1), date(2040, 1, 1)
DONE_YR, LATER_YR = ((pd.Timestamp(d) - pd.Timestamp("2000-01-01")).days / 365.25 for d in (DONE, LATER))


def _after(what, life=None, on=LATER, ids=("a", "b", "c")):
    return forecast_after(growth(), list(ids), what, RULES, done=DONE, on=on, patch_life=life)


@pytest.mark.basis("derived", "by hand: 10 % left, growth at 0.8 of its own, and patches failing by a Weibull life")
@pytest.mark.parametrize("life", [None, (9.0, 1.6)])
def test_after_a_patch_the_rest_grows_on_and_patches_fail(life):
    got = _after("patch", life)
    again = 0.0 if life is None else 1 - exp(-(((LATER_YR - DONE_YR) / life[0]) ** life[1]))
    for k in range(3):
        ends = []
        for side in (-1, 0, 1):
            before, later = damage_share(k, DONE_YR, side), damage_share(k, LATER_YR, side)
            ends.append(0.1 * before + 0.8 * (later - before) + again * 0.9 * before)
        names = ["unsound_low", "unsound_share", "unsound_high"]
        # Half a unit of the answer, 0.8 of one of the later share, up to 0.7 of one of the share before.
        assert got.loc[k, names].tolist() == pytest.approx(sorted(ends), abs=1.3e-6)
    assert got["based_on"].tolist() == ["own lines"] * 3


@pytest.mark.basis("derived", "by hand: the curve of overlaid decks from four years after the works")
def test_an_overlay_grows_as_the_networks_overlaid_decks_after_its_rest():
    got = _after("rigid overlay")
    age = LATER_YR - DONE_YR - 4.0
    x = log(age / 30)
    c = NEW.between + NEW.mean_var
    sd = sqrt(c[0, 0] + 2 * c[0, 1] * x + c[1, 1] * x * x) * 1.1
    for k in (0, 2):
        ends = []
        for side in (-1, 0, 1):
            grown = 1 - exp(-exp(-2.5 + 2.0 * x + side * Z * sd))
            ends.append(0.05 * damage_share(k, DONE_YR, side) + grown)
        names = ["unsound_low", "unsound_share", "unsound_high"]
        assert got.loc[k, names].tolist() == pytest.approx(ends, abs=TWICE)
        assert got.loc[k, "based_on"] == "decks overlaid before"
    # Within the rest nothing grows.
    early = _after("rigid overlay", on=date(2031, 12, 1))
    assert early["unsound_share"][0] == pytest.approx(0.05 * damage_share(0, DONE_YR), abs=SHARE)
    assert early["unsound_high"][0] == pytest.approx(0.05 * damage_share(0, DONE_YR, 1), abs=SHARE)


@pytest.mark.basis("derived", "by hand: where no such decks are, half the deck's own pace from the rest on")
def test_an_overlay_without_forerunners_grows_by_the_settings():
    got = _after("rigid overlay")
    model = growth()
    pace = model.pace(ROWS, at(DONE_YR))
    middle = 0.05 * damage_share(1, DONE_YR) + 0.5 * pace[0][1] * (LATER_YR - DONE_YR - 4.0)
    assert got.loc[1, "unsound_share"] == pytest.approx(middle, abs=SHARE)
    high = 0.05 * damage_share(1, DONE_YR, 1) + 0.5 * pace[2][1] * (LATER_YR - DONE_YR - 4.0)
    assert got.loc[1, "unsound_high"] == pytest.approx(high, abs=SHARE)
    assert got.loc[1, "based_on"] == "settings"
    early = _after("rigid overlay", on=date(2030, 1, 1))
    assert early["unsound_share"][1] == pytest.approx(0.05 * damage_share(1, DONE_YR), abs=SHARE)


@pytest.mark.basis("derived", "by hand: the family's curve from its first year at 0.4, no rest for new concrete")
def test_a_new_deck_follows_the_curve_of_its_family():
    got = _after("new deck")
    x = log((LATER_YR - DONE_YR) / 30)
    for k, code in ((0, 0), (1, 1)):
        fit = FITS[code]
        assert got.loc[k, "unsound_share"] == pytest.approx(0.4 * (1 - exp(-exp(fit.mean @ [1.0, x]))), abs=SHARE)
    assert got["based_on"].tolist() == ["new decks of the family"] * 3


def test_works_on_the_very_day_are_not_out_of_order():
    same = _after("patch", on=DONE)
    left = [0.1 * damage_share(k, DONE_YR) for k in range(3)]
    assert same["unsound_share"].to_numpy() == pytest.approx(left, abs=SHARE)
    with pytest.raises(SettingsError, match="on 2027-12-31: lies before the works of 2028-01-01"):
        _after("patch", on=date(2027, 12, 31))


@pytest.mark.parametrize("what", list(RULES))
@pytest.mark.parametrize("life", [None, (9.0, 1.6)])
def test_the_coming_years_at_once_are_plain_arithmetic_too(what, life):
    model = growth(failed=(0.0, 0.01, 0.0))
    ahead = years_ahead(model, RULES, years=14, patch_life=life)
    nothing = np.array([[damage_share(k, TODAY_YR + t) for t in range(15)] for k in range(3)])
    nothing[1] += 0.01
    assert ahead.nothing == pytest.approx(nothing, abs=SHARE)
    nothing = ahead.nothing  # as handed on: the works are worked from it
    since, rule = np.arange(12.0), RULES[what]
    before = np.array([0.30, 0.25, 0.20])
    got = ahead.after(what, 3, before=before)
    own = ahead.after(what, 3)
    assert got.shape == (3, 12)
    for k in range(3):
        if what == "patch":
            grown = 0.8 * (nothing[k, 3:] - nothing[k, 3])
            fail = 0 if life is None else 0.9 * (1 - np.exp(-((since / life[0]) ** life[1])))
        elif what == "new deck":
            fit = FITS[(0, 1, 0)[k]]
            grown = 0.4 * np.array([1 - exp(-exp(fit.mean @ [1, log(t / 30)])) if t else 0.0 for t in since])
            fail = 0
        elif k == 1:  # no decks of that family were overlaid
            pace = model.pace(ROWS, at(TODAY_YR + 3))[0][1]
            grown, fail = rule.growth_factor * pace * np.maximum(since - rule.rest_yr, 0), 0
        else:
            age = since - rule.rest_yr
            grown = np.array([1 - exp(-exp(-2.5 + 2.0 * log(t / 30))) if t > 0 else 0.0 for t in age])
            fail = 0
        for share, values in ((before[k], got[k]), (nothing[k, 3], own[k])):
            expected = (1 - rule.removes) * share + grown + fail * share
            assert values == pytest.approx(np.clip(expected, 0, 1), abs=TWICE)
    if what != "patch":
        assert np.isnan(ahead.anew[what][1]).all() == (what != "new deck")
    with pytest.raises(SettingsError, match="done -1: lies outside the 15 years"):
        ahead.after(what, -1)
    assert ahead.after(what, 14).shape == (3, 1)

"""Discounting: present values and capital recovery by their closed forms, and what is saved after the last year."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import (
    Paths,
    deck_figures,
    discounted_share,
    later_cost,
    share_after_work,
    share_at,
    work_out,
)
from decknet.schedule.exposure import with_work, without_work
from decknet.schedule.paths import annuity, node_weights, ramp
from decknet.settings import Settings
from tests.schedule.plain import plain

NAMES = list(Settings().treatment)


def one_year(begin: float, rate: float) -> float:
    """A share of 1 over the year that begins then."""
    return float(discounted_share(1.0, 0.0, 0.0, begin, begin + 1.0, rate))


@pytest.mark.basis("derived", "present value of 1,000 in 30 years, (1 + rate) ** -30, to six decimals")
@pytest.mark.parametrize(
    ("rate", "value"), [(0.02, 552.070889), (0.03, 411.986760), (0.04, 308.318668), (0.07, 131.367117)]
)
def test_present_value_of_a_sum_thirty_years_away(rate, value):
    assert 1_000 * one_year(30.0, rate) / one_year(0.0, rate) == pytest.approx(value, abs=5e-7)
    late, early = (node_weights(years, 60, rate).sum() for years in (31.0, 30.0))
    assert 1_000 * (late - early) / node_weights(1.0, 60, rate).sum() == pytest.approx(value, abs=5e-7)


@pytest.mark.basis(
    "derived", "capital recovery r / (1 - (1 + r) ** -n) to ten decimals; paid evenly, ln(1 + r) stands for r"
)
@pytest.mark.parametrize(
    ("rate", "years", "factor"),
    [(0.04, 20, 0.0735817503), (0.03, 25, 0.0574278710), (0.07, 30, 0.0805864035), (0.02, 40, 0.0365557477)],
)
def test_capital_recovery_is_one_over_the_discounted_years(rate, years, factor):
    even = factor * np.log1p(rate) / rate
    assert 1 / float(discounted_share(1.0, 0.0, 0.0, 0.0, years, rate)) == pytest.approx(even, rel=1e-8)
    assert 1 / float(annuity(np.float64(years), float(np.log1p(rate)))) == pytest.approx(even, rel=1e-8)
    assert 1 / node_weights(float(years), 60, rate).sum() == pytest.approx(even, rel=1e-8)
    assert 1 / node_weights(float(years), 8, rate).sum() == pytest.approx(even, rel=1e-8)  # the last value holds


@pytest.mark.basis("derived", "annuity of 3 % over 20 years 14.8774748605, of yearly payments at each year's end")
def test_an_annuity_adds_up_single_years():
    yearly = sum(one_year(float(k), 0.03) for k in range(20))
    assert yearly == pytest.approx(float(discounted_share(1.0, 0.0, 0.0, 0.0, 20.0, 0.03)))
    assert yearly == pytest.approx(14.8774748605 * 0.03 / np.log(1.03), rel=1e-10)
    # 100,000 repaid over 25 years at 3 % is 5,742.79 a year, and over 20 years at 7 % 9,439.29
    for rate, years, paid in ((0.03, 25, 5_742.79), (0.07, 20, 9_439.29)):
        whole = float(discounted_share(1.0, 0.0, 0.0, 0.0, years, rate))
        assert 100_000 / whole * rate / np.log1p(rate) == pytest.approx(paid, abs=0.005)


@pytest.mark.basis(
    "derived", "an overlay of 250 at once and 12 at year 10, life 22 years, at 3 %: 258.9291, 16.2471 a year"
)
def test_unequal_lives_by_their_yearly_cost():
    present = 250 + 12 * one_year(10.0, 0.03) / one_year(0.0, 0.03)
    assert present == pytest.approx(258.9291, abs=5e-5)
    even = float(discounted_share(1.0, 0.0, 0.0, 0.0, 22.0, 0.03)) * np.log(1.03) / 0.03
    assert present / even == pytest.approx(16.2471, abs=5e-5)
    patch = 90 / (float(discounted_share(1.0, 0.0, 0.0, 0.0, 7.0, 0.03)) * np.log(1.03) / 0.03)
    assert patch == pytest.approx(14.4456, abs=5e-5)


@pytest.mark.basis("derived", "the integral of t exp(-force t), by parts; near 0 by summing 100,000 small steps")
@pytest.mark.parametrize("force", [0.0, 1e-6, 1e-4, 9.9e-4, 1.01e-3, 0.03, 0.3])
@pytest.mark.parametrize("years", [0.0, 0.4, 1.0, 10.0])
def test_a_ramp_by_summing_small_steps(force, years):
    t = (np.arange(100_000) + 0.5) / 100_000 * years
    summed = float((t * np.exp(-force * t)).mean() * years)
    assert float(ramp(np.array(years), force)) == pytest.approx(summed, rel=2e-10, abs=1e-15)
    assert float(annuity(np.array(years), force)) == pytest.approx(
        float(np.exp(-force * t).mean() * years), rel=2e-10, abs=1e-15
    )


# ---- shares over time ----------------------------------------------------------------------------


def straight_decks(settings: Settings, **columns: object):
    base = {"deck_id": ["A", "B"], "area_m2": [500.0, 800.0], "share_now": [0.10, 0.30], "growth_per_yr": [0.01, 0.05]}
    return deck_figures(pd.DataFrame(base | columns), settings)


@pytest.mark.basis("derived", "small steps along the straight line to 1, from year 3 to 11.5, back to year 0")
def test_what_is_avoided_is_discounted_from_the_day_of_the_work():
    settings = plain()
    decks = straight_decks(settings)
    t = 3.0 + (np.arange(200_000) + 0.5) / 200_000 * 8.5
    for k, (share, growth) in enumerate(((0.10, 0.01), (0.30, 0.05))):
        without = float((np.minimum(share + growth * t, 1.0) * 1.03**-t).mean() * 8.5)
        assert without_work(decks, 3, 11.5, 0.03)[k] == pytest.approx(without, rel=1e-8)
        kind = settings.treatment["rigid overlay"]
        left = (share + 3 * growth) * (1 - kind.removes)
        path = np.minimum(left + growth * kind.growth_factor * np.maximum(t - 3.0 - kind.rest_yr, 0.0), 1.0)
        treated = float((path * 1.03**-t).mean() * 8.5)
        assert with_work(decks, "rigid overlay", 3, 11.5, settings)[k] == pytest.approx(treated, rel=1e-8)


@pytest.mark.basis("derived", "a patch of 7 years done in year 2 counts from 2 up to, not in, year 9")
@pytest.mark.parametrize(("year", "done"), [(1.9, False), (2.0, True), (8.9, True), (9.0, False)])
def test_a_work_counts_from_its_day_to_the_end_of_its_life(year, done):
    settings = plain()
    decks = straight_decks(settings)
    got = share_after_work(decks, ["patch", "patch"], np.array([2.0, 2.0]), year, settings)
    patched = np.array([0.12, 0.40]) * 0.05 + np.array([0.01, 0.05]) * (year - 2)
    untouched = np.array([0.10, 0.30]) + np.array([0.01, 0.05]) * year
    assert got == pytest.approx(patched if done else untouched)


def by_hand(name: str, area: float, share: float, settings: Settings) -> float:
    """Money of a treatment without closures, in whole units."""
    kind, over = settings.treatment[name], settings.programme.overbreak
    repair = min(over * share, 1.0) * area if kind.per_repair_m2 > 0 or kind.repair_m2_per_day > 0 else 0.0
    money = kind.set_up + kind.per_deck_m2 * area + kind.per_repair_m2 * repair
    money += kind.per_saw_m * kind.saw_m_per_m2 * repair + kind.per_m3 * kind.depth_mm / 1_000 * repair
    return money * (1 + settings.closure.prices_rise_per_yr) ** (settings.programme.price_year - kind.cost_year)


def cheapest_later(area: float, share: float, settings: Settings) -> float:
    """The cheapest treatment meant for a share; thin layers, and those for sound decks, left out."""
    fits = [
        by_hand(name, area, share, settings)
        for name, kind in settings.treatment.items()
        if kind.share_min > 0 and name != "thin overlay" and kind.share_min <= share <= kind.share_max
    ]
    return min(fits, default=0.0)


@pytest.mark.basis("derived", "each treatment priced by hand and the cheapest that is meant for the share taken")
def test_later_cost_is_that_of_the_cheapest_treatment_meant_for_the_share():
    settings = plain()
    shares = [0.0, 0.0005, 0.001, 0.03, 0.10, 0.15, 0.1501, 0.20, 0.39, 0.41, 0.9]
    decks = straight_decks(settings)
    got = later_cost(decks, np.tile(np.array(shares), (2, 1))[:, None, :], settings)[:, 0, :]
    for k, area in enumerate((500.0, 800.0)):
        assert got[k] == pytest.approx([cheapest_later(area, share, settings) for share in shares])
    assert got[0, :2].tolist() == [0.0, 0.0]
    assert (got[:, 2:] > 0).all()


@pytest.mark.basis(
    "derived", "cheapest treatment at the end of year 4 without the work less with it, back four years at 3 %, over 150"
)
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("year", [0, 3])
def test_what_is_saved_after_the_last_year_counts_at_the_rate_of_the_settings(name, year):
    settings, without = plain(exposure_cost=150.0), plain(exposure_cost=0.0)
    frame = pd.DataFrame({"deck_id": ["A"], "area_m2": [500.0], "share_now": [0.12], "growth_per_yr": [0.02]})
    decks = deck_figures(frame, settings)
    works, plainly = (work_out(decks, NAMES, 4, s) for s in (settings, without))
    at = (0, NAMES.index(name), year)
    kind = settings.treatment[name]
    before = 0.12 + 0.02 * year
    after = before * (1 - kind.removes) + 0.02 * kind.growth_factor * max(4 - year - kind.rest_yr, 0.0)
    saved = cheapest_later(500.0, 0.20, settings) - cheapest_later(500.0, after, settings)
    assert works.later_saved[at] == pytest.approx(max(saved, 0.0) * 1.03**-4, abs=0.006)
    assert works.benefit[at] - plainly.benefit[at] == pytest.approx(works.later_saved[at] / 150.0, abs=0.002)
    assert plainly.later_saved[at] == 0.0
    if name != "patch":
        assert works.later_saved[at] > 0


def test_a_work_whose_life_ends_within_the_programme_saves_nothing_later():
    base = plain(exposure_cost=150.0)
    short = dataclasses.replace(base.treatment["patch"], life_yr=3.0)
    settings = dataclasses.replace(base, treatment={**base.treatment, "patch": short})
    frame = pd.DataFrame({"deck_id": ["A"], "area_m2": [500.0], "share_now": [0.05], "growth_per_yr": [0.02]})
    works = work_out(deck_figures(frame, settings), NAMES, 4, settings)
    saved = works.later_saved[0, NAMES.index("patch")]
    assert saved[:2].tolist() == [0.0, 0.0]  # over after three years, or just when the last year is
    assert (saved[2:] > 0).all()


@pytest.mark.basis("derived", "every part of a cost by hand: 500 m2, 8 %, 50 m2 broken out, 200 m of cut, 4 m3 placed")
def test_saw_cut_and_concrete_by_the_m3_add_to_a_cost():
    base = plain(price_year=2030)
    kind = dataclasses.replace(base.treatment["patch"], per_saw_m=20.0, per_m3=500.0, depth_mm=80.0, per_deck_m2=3.0)
    settings = dataclasses.replace(base, treatment={**base.treatment, "patch": kind})
    frame = pd.DataFrame({"deck_id": ["A"], "area_m2": [500.0], "share_now": [0.08], "growth_per_yr": [0.0]})
    at = (0, NAMES.index("patch"), 0)
    works = work_out(deck_figures(frame, settings), NAMES, 2, settings)
    whole = (9_000 + 3 * 500 + 1_050 * 50 + 20 * 4 * 50 + 500 * 50 * 0.08) * 1.03**4
    assert works.repair_m2[at] == pytest.approx(50.0)
    assert works.money[at] == np.ceil(whole)
    assert works.crew_days[at] == pytest.approx(6.1)  # .5 and 50 / 9 = 5.56: 6.06, to tenths upwards
    limits = pd.DataFrame({"deck_id": ["A"], "repair_m2": [60.0], "saw_cut_m": [np.nan]})
    works = work_out(deck_figures(frame, settings, limits), NAMES, 2, settings)
    drawn = (9_000 + 3 * 500 + 1_050 * 60 + 20 * 4 * 60 + 500 * 60 * 0.08) * 1.03**4  # the cut is not drawn
    assert works.money[at] == np.ceil(drawn)
    assert works.money[0, NAMES.index("patch"), 1] == np.ceil(whole)  # limits are drawn for the first year
    larger = limits.assign(repair_m2=600.0, saw_cut_m=10.0)
    works = work_out(deck_figures(frame, settings, larger), NAMES, 1, settings)
    assert works.repair_m2[at] == 500.0  # no more than the deck
    assert works.money[at] == np.ceil((9_000 + 1_500 + 1_050 * 500 + 20 * 10 + 500 * 500 * 0.08) * 1.03**4)
    assert (share_at(deck_figures(frame, settings), 3.0) == 0.08).all()


def test_a_deck_without_drawn_limits_is_worked_out_beside_one_that_has_them():
    settings = plain()
    frame = pd.DataFrame({"deck_id": ["A", "B"], "area_m2": [500.0, 800.0], "share_now": [0.08, 0.05]})
    limits = pd.DataFrame({"deck_id": ["A"], "repair_m2": [60.0], "saw_cut_m": [90.0]})
    works = work_out(deck_figures(frame, settings, limits), NAMES, 1, settings)
    assert works.repair_m2[:, NAMES.index("patch"), 0].tolist() == pytest.approx([60.0, 1.25 * 0.05 * 800])
    assert works.money[1, NAMES.index("patch"), 0] == np.ceil(9_000 + 1_050 * 50)


@pytest.mark.basis("derived", "along a forecast too: a life of three years is over when the fourth year is")
def test_along_a_forecast_a_work_whose_life_ends_within_the_programme_saves_nothing_later():
    base = plain(exposure_cost=150.0)
    short = dataclasses.replace(base.treatment["patch"], life_yr=3.0)
    settings = dataclasses.replace(base, treatment={**base.treatment, "patch": short})
    frame = pd.DataFrame({"deck_id": ["A"], "area_m2": [500.0], "share_now": [0.05], "growth_per_yr": [0.02]})
    nothing = np.minimum(0.05 + 0.02 * np.arange(25.0), 1.0)[None, :]
    paths = Paths(pd.Index(["A"]), nothing, np.zeros(1, dtype=np.int64), {}, np.full((1, 6), 0.02))
    straight, along = (
        work_out(deck_figures(frame, settings, paths=p), NAMES, 4, settings).later_saved[0, NAMES.index("patch")]
        for p in (None, paths)
    )
    assert along.tolist() == pytest.approx(straight.tolist())
    assert along[:2].tolist() == [0.0, 0.0]
    assert (along[2:] > 0).all()

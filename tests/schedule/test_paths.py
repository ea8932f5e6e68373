"""Forecast shares in the programme: the same figures everywhere, and a straight forecast gives the straight model."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.errors import RecordError
from decknet.schedule import Paths, deck_figures, later_cost, make_programme, share_after_work, share_at, work_out
from decknet.schedule.exposure import with_work, without_work
from decknet.schedule.offers import two_works
from decknet.schedule.paths import node_weights
from decknet.settings import Settings
from tests.schedule.plain import plain
from tests.schedule.test_programme import check_whole, network

NAMES = list(Settings().treatment)
NEW_LIFE = ("thin overlay", "rigid overlay", "new deck")
YEARS = np.arange(22.0)


def forecast(
    status: pd.DataFrame, nothing: np.ndarray, *, anew: dict[str, np.ndarray] | None = None, fails=None, pace=None
) -> Paths:
    """Forecasts of decks of one family; no new life is known unless given."""
    none = np.full((1, nothing.shape[1]), np.nan)
    return Paths(
        pd.Index(status["deck_id"]),
        nothing,
        np.zeros(len(status), dtype=np.int64),
        dict.fromkeys(NEW_LIFE, none) | (anew or {}),
        np.diff(nothing, axis=1)[:, :6] if pace is None else pace,
        fails,
    )


def straight(status: pd.DataFrame) -> Paths:
    """Forecasts that climb straight on at each deck's growth."""
    growth = status["growth_per_yr"].to_numpy()[:, None]
    nothing = np.minimum(np.nan_to_num(status["share_now"].to_numpy())[:, None] + growth * YEARS, 1.0)
    return forecast(status, nothing, pace=np.repeat(growth, 6, axis=1))


def bent(status: pd.DataFrame, seed: int = 0) -> Paths:
    """Forecasts that rise faster and faster, no further than 1."""
    rng = np.random.default_rng(seed)
    power = rng.uniform(1.2, 2.0, len(status))[:, None]
    growth = status["growth_per_yr"].to_numpy()[:, None]
    nothing = status["share_now"].to_numpy()[:, None] + growth * (1 + YEARS) ** power - growth
    return forecast(status, np.minimum(nothing, 1.0))


@pytest.mark.basis("derived", "midpoint rule over 400,000 steps")
@pytest.mark.parametrize(("length", "rate"), [(7.0, 0.03), (6.4, 0.03), (0.3, 0.05), (12.0, 0.0), (20.0, 0.07)])
def test_weights_of_yearly_values_are_the_integral_of_the_line_through_them(length, rate):
    values = np.sin(np.arange(22.0) / 4) ** 2
    t = (np.arange(400_000) + 0.5) * length / 400_000
    summed = (np.interp(t, np.arange(22.0), values) * (1 + rate) ** -t).sum() * length / 400_000
    assert values @ node_weights(length, 22, rate) == pytest.approx(summed, rel=1e-8)


def test_past_the_last_value_that_one_holds():
    assert node_weights(5.0, 3, 0.0).tolist() == [0.5, 1.0, 3.5]


@pytest.mark.basis("derived", "a forecast that is a straight line is the straight model")
@pytest.mark.parametrize("exposure_cost", [0.0, 150.0])
def test_a_straight_forecast_gives_the_figures_of_the_straight_model(exposure_cost):
    status = network(120, 3).assign(growth_per_yr=lambda f: np.minimum(f["growth_per_yr"], 0.01))
    status = status[status["share_now"] < 0.6].reset_index(drop=True)
    base = plain(exposure_cost=exposure_cost)
    # rests in whole years, so that both lines bend at the same times
    kinds = {k: dataclasses.replace(t, rest_yr=float(round(t.rest_yr))) for k, t in base.treatment.items()}
    settings = dataclasses.replace(base, treatment=kinds)
    plainly = work_out(deck_figures(status, settings), NAMES, 5, settings)
    along = work_out(deck_figures(status, settings, paths=straight(status)), NAMES, 5, settings)
    assert (plainly.permitted == along.permitted).all()
    assert plainly.permitted.any(axis=(0, 2)).all()
    for name in ("money", "crew_days", "repair_m2", "share_before", "share_after", "benefit", "later_saved"):
        np.testing.assert_allclose(getattr(along, name), getattr(plainly, name), rtol=1e-9, atol=1e-9, err_msg=name)


@pytest.mark.basis("derived", "midpoint rule between the two paths to the end of the treatment's life")
@pytest.mark.parametrize("name", NAMES)
def test_benefit_is_the_area_between_the_forecasts_with_and_without(name):
    settings = plain()
    status = pd.DataFrame({"deck_id": ["A"], "area_m2": [800.0], "share_now": [0.06], "aadt": [12_000.0]})
    nothing = np.minimum(0.06 + 0.004 * YEARS**1.5, 1.0)[None, :]
    lives = {k: np.minimum(0.0004 * YEARS**2, 0.5)[None, :] for k in ("rigid overlay", "new deck")}
    fails = 1 - np.exp(-((YEARS / 9.0) ** 1.4))
    paths = forecast(status, nothing, anew=lives, fails=fails)
    figures = deck_figures(status, settings, paths=paths)
    kind, year, at = settings.treatment[name], 2, (0, NAMES.index(name), 2)
    before = nothing[0, year]
    since = np.arange(20.0)
    own = np.interp(year + np.maximum(since - kind.rest_yr, 0.0), YEARS, nothing[0]) - before
    if name in lives:
        after = lives[name][0, :20]
    elif name == "thin overlay":
        after = kind.growth_factor * (nothing[0, 3] - nothing[0, 2]) * np.maximum(since - kind.rest_yr, 0.0)
    else:
        after = kind.growth_factor * own + kind.removes * before * fails[:20]
    after = np.minimum((1 - kind.removes) * before + after, 1.0)
    life = 99.0 if name.startswith("patch") else kind.life_yr  # patches end as they fail
    t = year + (np.arange(400_000) + 0.5) * (min(year + life, 20.0) - year) / 400_000
    gain = np.interp(t, YEARS, nothing[0]) - np.interp(t - year, since, after)
    summed = (gain * 1.03**-t).mean() * (min(year + life, 20.0) - year)
    works = work_out(figures, NAMES, 4, settings)
    assert works.benefit[at] == pytest.approx(800 * 12.0**0.4 * summed, rel=1e-7, abs=0.0006)  # in thousandths
    assert works.share_before[at] == pytest.approx(before)
    gone = share_after_work(figures, [name], np.array([2.0]), 5.0, settings)[0]
    assert gone == pytest.approx(after[3])


def test_entry_cost_end_and_waiting_all_read_the_same_forecast():
    status = network(160, 4, urgent_part=0.02)
    paths = bent(status)
    settings = plain(gap=0.1)
    budgets = [700_000.0] * 4
    made = make_programme(status, first_year=2027, budgets=budgets, settings=settings, paths=paths)
    check_whole(made, status, budgets)
    row = {deck: k for k, deck in enumerate(status["deck_id"])}
    lines = made.lines
    at = [row[deck] for deck in lines["deck_id"]]
    year = lines["year"].to_numpy(dtype=int) - 2027
    assert lines["share_before"].to_numpy() == pytest.approx(paths.nothing[at, year])
    kinds = [settings.treatment[name] for name in lines["treatment"]]
    for line, kind in zip(lines.itertuples(), kinds, strict=True):
        assert kind.share_min <= line.share_before <= kind.share_max or line.urgent
    area = status["area_m2"].fillna(0.0).to_numpy()
    assert made.facts["unsound_end_nothing_m2"] == pytest.approx((area * paths.nothing[:, 4]).sum())
    figures = deck_figures(status, settings, paths=paths)
    now = later_cost(figures, figures.share[:, None, None], settings)[:, 0, 0]
    then = later_cost(figures, share_at(figures, 4.0)[:, None, None], settings)[:, 0, 0]
    told = made.waiting[made.waiting["wait_cost"].notna()]
    mine = [row[deck] for deck in told["deck_id"]]
    assert len(mine) > 20
    assert told["wait_cost"].to_numpy() == pytest.approx(np.round(then - now)[mine])
    assert share_at(figures, 2.5) == pytest.approx(paths.nothing[:, 2:4].mean(axis=1), nan_ok=True)


def test_an_accelerating_forecast_makes_works_worth_more():
    status = network(150, 6, urgent_part=0.0).assign(area_m2=lambda f: f["area_m2"].fillna(500.0))
    settings = plain(gap=0.1)
    flat = make_programme(
        status, first_year=2027, budgets=[600_000] * 3, settings=settings, paths=straight(status), explain=False
    )
    steep = make_programme(
        status, first_year=2027, budgets=[600_000] * 3, settings=settings, paths=bent(status), explain=False
    )
    assert steep.facts["value"] > 1.05 * flat.facts["value"]


@pytest.mark.basis("derived", "both works' parts are the area between three paths, by the same integrals")
@pytest.mark.parametrize("paths", [straight, bent])
def test_two_works_on_a_forecast_add_up(paths):
    status = network(40, 10, urgent_part=0.0).assign(area_m2=lambda f: f["area_m2"].fillna(500.0))
    settings = plain(gap=0.05, two_steps=1)
    figures = deck_figures(status, settings, paths=paths(status))
    two = two_works(figures, 0, 2, NAMES, 4, settings)
    k = NAMES.index("rigid overlay")
    size = figures.area_m2 * figures.weight
    rate = settings.programme.discount_per_yr
    early = without_work(figures, 0, 2.0, rate) - with_work(figures, "patch", 0, 2.0, settings)
    assert two.early == pytest.approx(size * early)
    assert two.then.share == pytest.approx(share_after_work(figures, ["patch"] * 40, np.zeros(40), 2.0, settings))
    late = without_work(figures, 2, 20.0, rate) - with_work(two.then, "rigid overlay", 0, 18.0, settings) * 1.03**-2
    assert two.spared[:, k] - two.early == pytest.approx(size * late)
    budgets = [250_000.0, 600_000.0, 600_000.0]
    made = make_programme(status, first_year=2027, budgets=budgets, settings=settings, paths=paths(status))
    assert made.facts["value"] == pytest.approx(made.lines["benefit"].sum())
    assert (made.years["cost"] <= made.years["budget"]).all()


def test_a_deck_without_a_forecast_or_with_a_wrong_one_is_named():
    status = network(6, 1)
    paths = straight(status)
    with pytest.raises(RecordError, match="deck D-0005: has no forecast"):
        deck_figures(status, plain(), paths=paths.part(slice(0, 5)))
    wrong = paths.nothing.copy()
    wrong[2, 3] = 1.2
    with pytest.raises(RecordError, match="deck D-0002, forecast share: must lie between 0 and 1"):
        deck_figures(status, plain(), paths=dataclasses.replace(paths, nothing=wrong))


def test_the_order_of_forecasts_changes_nothing():
    status = network(60, 2)
    paths = bent(status)
    turned = paths.part(np.arange(59, -1, -1))
    one, two = (
        make_programme(status, first_year=2027, budgets=[400_000] * 2, settings=plain(gap=0.1), paths=p)
        for p in (paths, turned)
    )
    pd.testing.assert_frame_equal(one.lines, two.lines)

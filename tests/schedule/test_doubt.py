"""A programme over draws of share and growth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import deck_figures, doubt_of, make_programme
from decknet.schedule.doubt import redrawn
from tests.quick import first
from tests.schedule.plain import plain
from tests.schedule.test_paths import bent
from tests.schedule.test_programme import network

SETTINGS = plain(gap=0.1, exposure_cost=150.0)
BUDGETS = [500_000.0] * 3


def unsure(decks: int, seed: int, reach: float) -> pd.DataFrame:
    """Decks whose share and growth may be so many times more or less."""
    return network(decks, seed, urgent_part=0.02).assign(
        share_low=lambda f: f["share_now"] / reach,
        share_high=lambda f: np.minimum(f["share_now"] * reach, 1.0),
        growth_low=lambda f: f["growth_per_yr"] / reach,
        growth_high=lambda f: f["growth_per_yr"] * reach,
    )


def asked(status: pd.DataFrame, seed: int = 1, count: int = 12, **more):
    made = make_programme(status, first_year=2027, budgets=BUDGETS, settings=SETTINGS, **more)
    found = doubt_of(
        made, status, first_year=2027, budgets=BUDGETS, settings=SETTINGS, rng=np.random.default_rng(seed),
        count=count, **more,
    )  # fmt: skip
    return made, found


@pytest.mark.parametrize("along", first(1, [True, False]))
def test_without_doubt_every_draw_is_the_programme_itself(along):
    status = unsure(120, 3, 1.0)
    more = {"paths": bent(status)} if along else {}
    made, found = asked(status, **more)
    at = found.outcome.set_index("measure")
    for name, fact in (("value", "value"), ("cost", "cost_total"), ("unsound_end_m2", "unsound_end_m2")):
        assert at.loc[name, ["low", "middle", "high"]].to_numpy(dtype=float) == pytest.approx(
            [made.facts[fact]] * 3, rel=1e-4
        )
    nothing = at.loc["unsound_end_nothing_m2", "middle"]
    assert nothing == pytest.approx(made.facts["unsound_end_nothing_m2"], rel=1e-4)
    assert set(found.lines["sure_year"].round(9)) <= {0.0, 1.0}
    assert found.lines["sure_any"].mean() > 0.9


@pytest.mark.slow
def test_more_doubt_widens_the_outcome_and_leaves_fewer_lines_sure():
    _, narrow = asked(unsure(150, 5, 1.1))
    made, wide = asked(unsure(150, 5, 3.0))
    reach = [
        (at.loc["value", "high"] - at.loc["value", "low"]) / at.loc["value", "middle"]
        for at in (narrow.outcome.set_index("measure"), wide.outcome.set_index("measure"))
    ]
    assert reach[1] > 2 * reach[0]
    assert wide.lines["sure_any"].mean() < narrow.lines["sure_any"].mean()
    assert (wide.lines["sure_year"] <= wide.lines["sure_any"]).all()
    assert wide.lines["deck_id"].tolist() == made.lines["deck_id"].tolist()
    assert wide.waiting["deck_id"].tolist() == made.waiting["deck_id"].tolist()
    assert wide.waiting["chance_in"].between(0, 1).all()
    assert wide.waiting["chance_in"].max() > 0
    assert wide.years["over"].max() > 0
    for part in (wide.outcome, wide.years.rename(columns=lambda c: c.removeprefix("cost_"))):
        assert (part["low"] <= part["middle"]).all()
        assert (part["middle"] <= part["high"]).all()


@pytest.mark.slow
def test_the_same_seed_gives_the_same_answer_and_another_seed_another():
    status = unsure(80, 7, 2.0)
    _, one = asked(status)
    _, two = asked(status.sample(frac=1, random_state=3))
    _, other = asked(status, seed=2)
    pd.testing.assert_frame_equal(one.outcome, two.outcome)
    pd.testing.assert_frame_equal(one.lines, two.lines)
    assert one.outcome["middle"].tolist() != other.outcome["middle"].tolist()


@pytest.mark.slow
def test_pins_stay_in_every_draw_and_bars_out_and_pins_too_dear_are_counted():
    status = unsure(60, 9, 2.5)
    free = status["deck_id"][
        (status["area_m2"] < 900.0) & status["urgent"].isna() & status["share_now"].between(0.03, 0.08)
    ]
    pins, bars = {free.iloc[0]: (2028, None)}, (free.iloc[1],)
    made, found = asked(status, pins=pins, bars=bars)
    line = found.lines.set_index("deck_id").loc[free.iloc[0]]
    assert line["sure_year"] == 1.0
    assert found.waiting.set_index("deck_id").loc[free.iloc[1], "chance_in"] == 0.0
    cost = made.lines.set_index("deck_id").loc[free.iloc[0], "cost"]
    tight = [float(cost), float(cost) + 10.0]
    alone = make_programme(status, first_year=2027, budgets=tight, settings=SETTINGS, pins=pins)
    short = doubt_of(
        alone,
        status,
        first_year=2027,
        budgets=tight,
        settings=SETTINGS,
        rng=np.random.default_rng(4),
        count=20,
        pins=pins,
    )
    assert 0 < short.unfit < 20


@pytest.mark.basis("derived", "the path shifted by what was drawn beyond what was expected, its rise in proportion")
def test_a_draw_moves_the_whole_forecast():
    status = network(10, 1).assign(growth_per_yr=0.01, share_now=0.05)
    paths = bent(status)
    figures = deck_figures(status, SETTINGS, paths=paths)
    drawn = redrawn(figures, np.full(10, 0.07), np.full(10, 0.02), np.full(10, 0.05))
    want = paths.nothing[:, :1] + 0.02 + 2 * (paths.nothing - paths.nothing[:, :1])
    assert drawn.paths.nothing == pytest.approx(np.minimum(want, 1.0))
    assert drawn.share == pytest.approx(want[:, 0])
    plainly = redrawn(deck_figures(status, SETTINGS), np.full(10, 0.07), np.full(10, 0.02), np.full(10, 0.05))
    assert plainly.share.tolist() == [0.07] * 10
    assert plainly.growth_per_yr.tolist() == [0.02] * 10

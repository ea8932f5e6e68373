"""What a deck may get: fit, cost, crew days and effect, by hand and by summing small steps."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.errors import RecordError
from decknet.schedule import deck_figures, discounted_share, share_after_work, share_at, work_out
from decknet.settings import Settings, Treatment
from tests.schedule.plain import plain

NAMES = list(Settings().treatment)


def status(**columns: object) -> pd.DataFrame:
    rows = max(len(v) for v in columns.values() if isinstance(v, list))
    return pd.DataFrame({"deck_id": [f"D-{i}" for i in range(rows)], **columns})


def with_treatment(name: str, **changes: float) -> Settings:
    base = plain()
    return dataclasses.replace(
        base, treatment={**base.treatment, name: dataclasses.replace(base.treatment[name], **changes)}
    )


def with_programme(**changes: float) -> Settings:
    base = plain()
    return dataclasses.replace(base, programme=dataclasses.replace(base.programme, **changes))


def summed(
    share: float, growth: float, rest: float, start: float, end: float, rate: float, steps: int = 200_000
) -> float:
    """The same integral by the midpoint rule."""
    t = start + (np.arange(steps) + 0.5) * (end - start) / steps
    path = np.minimum(share + growth * np.maximum(t - start - rest, 0.0), 1.0)
    return float((path * (1 + rate) ** -t).sum() * (end - start) / steps)


@pytest.mark.basis("derived", "midpoint rule over 200,000 steps")
@pytest.mark.parametrize(
    ("share", "growth", "rest", "start", "end", "rate"),
    [
        (0.05, 0.01, 0.0, 0.0, 20.0, 0.03),
        (0.05, 0.01, 6.0, 3.0, 20.0, 0.03),
        (0.90, 0.04, 1.0, 2.0, 20.0, 0.07),
        (0.10, 0.00, 0.0, 1.0, 9.0, 0.03),
        (0.10, 0.02, 30.0, 1.0, 9.0, 0.03),
        (0.30, 0.02, 0.0, 0.0, 20.0, 0.0),
        (0.30, 0.02, 0.0, 0.0, 20.0, 1e-4),
        (1.00, 0.02, 0.0, 0.0, 5.0, 0.03),
    ],
)
def test_discounted_share_is_the_integral_of_the_path(share, growth, rest, start, end, rate):
    assert float(discounted_share(share, growth, rest, start, end, rate)) == pytest.approx(
        summed(share, growth, rest, start, end, rate), rel=1e-8
    )


def test_nothing_is_counted_past_the_end():
    assert float(discounted_share(0.5, 0.1, 0.0, 8.0, 5.0, 0.03)) == 0.0


@pytest.mark.basis("derived", "worked by hand from the settings")
def test_cost_and_crew_days_add_up_by_component():
    settings = plain()
    works = work_out(deck_figures(status(area_m2=[900.0], share_now=[0.08]), settings), NAMES, 1, settings)
    seal = settings.treatment["patch and seal"]
    repair = 1.25 * 0.08 * 900.0
    at = (0, NAMES.index("patch and seal"), 0)
    assert works.repair_m2[at] == pytest.approx(90.0)
    assert works.money[at] == np.ceil(seal.set_up + 900 * seal.per_deck_m2 + repair * seal.per_repair_m2)
    assert works.crew_days[at] == pytest.approx(0.8 + 900 / 900 + 90 / 9)
    assert works.share_after[at] == pytest.approx(0.08 * 0.05)
    deck = (0, NAMES.index("new deck"), 0)
    assert works.repair_m2[deck] == 0.0
    assert works.money[deck] == 120_000 + 980 * 900


def test_repair_is_never_larger_than_the_deck():
    settings = plain()
    works = work_out(deck_figures(status(area_m2=[100.0], share_now=[0.95]), settings), NAMES, 3, settings)
    assert works.repair_m2.max() == pytest.approx(100.0)


def test_a_treatment_fits_between_its_least_and_greatest_share_only():
    settings = plain()
    figures = deck_figures(
        status(area_m2=[500.0] * 4, share_now=[0.0, 0.04, 0.149, 0.5], growth_per_yr=[0.0, 0.0, 0.01, 0.0]), settings
    )
    fits = work_out(figures, NAMES, 2, settings).permitted
    named = [
        [{n for n, f in zip(NAMES, fits[deck, :, year], strict=True) if f} for year in (0, 1)] for deck in range(4)
    ]
    assert named[0] == [{"thin overlay"}] * 2
    assert named[1] == [{"patch", "patch and seal", "thin overlay"}] * 2
    assert named[2] == [{"patch", "rigid overlay"}, {"rigid overlay"}]
    assert named[3] == [{"new deck"}] * 2


@pytest.mark.parametrize(
    ("surface", "fits"),
    [("bare", True), ("Concrete ", True), (None, True), ("latex overlay", False), ("asphalt", False)],
)
def test_no_thin_overlay_on_an_overlay(surface, fits):
    settings = plain()
    frame = status(area_m2=[500.0], share_now=[0.02], surface_kind=[surface])
    works = work_out(deck_figures(frame, settings), NAMES, 1, settings)
    assert bool(works.permitted[0, NAMES.index("thin overlay"), 0]) is fits
    assert works.permitted[0, NAMES.index("patch"), 0]


@pytest.mark.basis("derived", "midpoint rule over the path with and without the treatment, to the end of its life")
@pytest.mark.parametrize("name", NAMES)
def test_benefit_is_the_area_between_the_paths_with_and_without(name):
    settings = plain()
    figures = deck_figures(status(area_m2=[800.0], share_now=[0.06], growth_per_yr=[0.03], aadt=[12_000.0]), settings)
    year = 2
    at = (0, NAMES.index(name), year)
    kind = settings.treatment[name]
    end = min(year + kind.life_yr, 20.0)
    without = summed(0.12, 0.03, 0.0, year, end, 0.03)
    treated = summed(0.12 * (1 - kind.removes), 0.03 * kind.growth_factor, kind.rest_yr, year, end, 0.03)
    weight = 12.0**0.4
    assert work_out(figures, NAMES, 4, settings).benefit[at] == pytest.approx(
        800 * weight * (without - treated),
        rel=1e-7,
        abs=6e-4,  # on a grid of 0.001
    )


@pytest.mark.basis("derived", "a flat share over a life without discount is area times share times years")
def test_benefit_of_a_perfect_repair_without_growth_is_a_rectangle():
    settings = with_programme(discount_per_yr=0.0, traffic_power=0.0)
    figures = deck_figures(status(area_m2=[1_000.0], share_now=[0.08], growth_per_yr=[0.0]), settings)
    works = work_out(figures, NAMES, 1, settings)
    assert works.benefit[0, NAMES.index("rigid overlay"), 0] == pytest.approx(1_000 * 0.08 * 20)
    assert works.benefit[0, NAMES.index("patch"), 0] == pytest.approx(1_000 * 0.08 * 0.95 * 7)


def test_benefit_is_never_negative_while_growth_is_not_made_worse():
    rng = np.random.default_rng(4)
    settings = plain()
    frame = status(
        area_m2=rng.lognormal(6, 1, 300).tolist(),
        share_now=rng.uniform(0, 1, 300).tolist(),
        growth_per_yr=rng.uniform(0, 0.1, 300).tolist(),
    )
    works = work_out(deck_figures(frame, settings), NAMES, 6, settings)
    assert (works.benefit >= 0).all()
    assert ((works.share_before >= 0) & (works.share_before <= 1)).all()
    assert (works.share_after <= works.share_before).all()
    assert (np.diff(works.share_before, axis=2) >= 0).all()


def test_a_deck_without_area_or_share_is_permitted_nothing():
    settings = plain()
    figures = deck_figures(status(area_m2=[None, 500.0], share_now=[0.05, None]), settings)
    assert not work_out(figures, NAMES, 2, settings).permitted.any()


def test_missing_growth_and_traffic_take_the_settings_figures():
    settings = plain()
    figures = deck_figures(status(area_m2=[500.0, 500.0], share_now=[0.1, 0.1], aadt=[None, 10.0]), settings)
    assert figures.growth_per_yr.tolist() == [settings.growth.network_per_yr] * 2
    assert figures.weight == pytest.approx([0.05**0.4] * 2)


def test_share_after_work_follows_rest_growth_and_the_end_of_life():
    settings = with_treatment("patch", removes=0.5, rest_yr=2.0, growth_factor=0.5, life_yr=6.0)
    figures = deck_figures(status(area_m2=[1.0] * 4, share_now=[0.1] * 4, growth_per_yr=[0.02] * 4), settings)
    done = np.array([1.0, 1.0, 1.0, 8.0])
    at = [share_after_work(figures, ["patch"] * 4, done, t, settings) for t in (1.0, 3.0, 5.0, 7.0)]
    assert at[0][0] == pytest.approx(0.06)
    assert at[1][0] == pytest.approx(0.06)
    assert at[2][0] == pytest.approx(0.08)
    assert at[3][0] == pytest.approx(0.24)  # past its life: as without work
    assert at[3][3] == pytest.approx(0.24)  # not yet done
    assert share_at(figures, 100.0).tolist() == [1.0] * 4


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("area_m2", 0.0),
        ("area_m2", -3.0),
        ("share_now", 1.2),
        ("share_now", -0.1),
        ("growth_per_yr", -0.01),
        ("aadt", -1.0),
    ],
)
def test_a_figure_out_of_range_names_deck_column_and_value(column, value):
    frame = status(area_m2=[500.0, 500.0], share_now=[0.1, 0.1], growth_per_yr=[0.01, 0.01], aadt=[100.0, 100.0])
    frame.loc[1, column] = value
    with pytest.raises(RecordError, match=f"deck D-1, {column}: {value:g}"):
        deck_figures(frame, Settings())


def test_every_treatment_setting_has_a_label_and_a_source():
    for treatment in Settings().treatment.values():
        assert isinstance(treatment, Treatment)
        assert treatment.label
        assert treatment.source
        assert treatment.share_min < treatment.share_max

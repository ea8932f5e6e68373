"""What was found and done so far, as the outputs print it."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet import flow
from decknet.demo import TODAY
from decknet.flow import forecast
from decknet.flow.past import past_of
from decknet.keep import Store
from decknet.settings import Settings


@pytest.fixture(scope="module")
def store(demo_store):
    return demo_store


@pytest.fixture(scope="module")
def condition(store):
    return flow.read_condition(store, settings=Settings(), asked=flow.AsOf(TODAY))


@pytest.fixture(scope="module")
def limits(condition):
    return condition.limits_of(condition.decks["deck_id"].tolist()[:40])


@pytest.fixture(scope="module")
def past(condition, limits):
    return past_of(condition, limits)


@pytest.mark.slow
def test_every_survey_and_repair_on_record_stands_once(store, past):
    with Store.open(store) as opened:
        for kind, frame, key in (
            ("survey", past.surveys, "survey_id"),
            ("repair", past.repairs, "repair_id"),
            ("repair", past.repaired, "repair_id"),
            ("bridge", past.bridges, "bridge_id"),
        ):
            assert sorted(frame[key]) == sorted(opened.current(kind)[key])


def test_fates_and_survival_are_those_that_the_analyst_sees(condition, past):
    held = forecast.held(condition, by="material")
    followed = held.followed.set_index("repair_id")
    mine = past.repairs.set_index("repair_id").loc[followed.index]
    assert mine["looks"].tolist() == followed["looks"].tolist()
    failed = np.isfinite(followed["right_yr"])
    assert mine["right_yr"].notna().tolist() == failed.tolist()
    assert past.repairs["looks"].notna().sum() == len(followed)
    by = past.survival.groupby("grouped_by", sort=False)["repairs"].sum()
    assert by.index[0] == "all patches"
    assert set(by) == {len(followed)}
    table = held.table.set_index("group")["half_yr"]
    same = past.survival[past.survival["grouped_by"].isin(["all patches", "material"])].set_index("group")["half_yr"]
    pd.testing.assert_series_equal(same, table, check_exact=True)


def test_classes_stand_in_their_own_order_and_other_groups_largest_first(past):
    groups = {by: part["group"].tolist() for by, part in past.survival.groupby("grouped_by")}
    assert groups["season placed"] == [
        s for s in ("winter", "spring", "summer", "autumn") if s in groups["season placed"]
    ]
    air = groups["air when placed"]
    lowest = [0.0 if name.startswith("under") else float(name.split()[0]) for name in air if name != "not known"]
    assert lowest == sorted(lowest)
    assert "not known" not in air[:-1]
    crews = past.survival[past.survival["grouped_by"] == "crew"]["repairs"].tolist()
    assert crews == sorted(crews, reverse=True)


def test_repairs_lie_at_their_limits_or_on_their_whole_deck(past):
    drawn = past.repaired[past.repaired["drawn"]]
    assert 50 < len(drawn) < len(past.repaired)
    assert past.repaired.crs.to_epsg() == 4326
    metric = drawn.to_crs(past.repaired.estimate_utm_crs())
    known = drawn["area_m2"].notna().to_numpy()
    assert np.median(metric.area[known] / drawn["area_m2"][known]) == pytest.approx(1, abs=0.02)


def test_limits_lie_on_the_decks_they_are_of(condition, past, limits):
    edges = dict(zip(condition.outlines["deck_id"], condition.outlines.geometry, strict=True))
    assert len(past.limits) == len(limits) > 20
    for deck, shape in zip(past.limits["deck_id"], past.limits.geometry, strict=True):
        if shape is not None:
            assert shapely.distance(shape, edges[deck]) == 0


def test_a_store_without_repairs_or_surveys_has_a_past_of_empty_tables(tmp_path):
    (tmp_path / "bridges.csv").write_text("bridge id,deck length m,deck width m\nB,40,9\n")
    path = tmp_path / "bare.duckdb"
    flow.create(path, title="Bare", currency="USD", now=datetime(2026, 11, 25))
    for loaded in flow.load(path, [tmp_path / "bridges.csv"], now=datetime(2026, 11, 25), who="test"):
        assert loaded.reading is not None, loaded.error
    bare = past_of(flow.read_condition(path, settings=Settings()))
    assert [len(f) for f in (bare.surveys, bare.repairs, bare.survival, bare.repaired, bare.limits)] == [0] * 5
    assert bare.bridges.geometry.isna().tolist() == [True]
    assert bare.bridges["decks"].tolist() == [1]

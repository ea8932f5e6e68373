"""Made-up records of any size."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet import columns
from decknet.demo import TODAY, make_records
from decknet.settings import TREATMENTS

TOTALS = ["delaminated_m2", "spalled_m2", "failed_patch_m2", "unsound_m2"]


@pytest.fixture(scope="module")
def made() -> dict[str, pd.DataFrame]:
    return make_records(400, 12, 3, drawn=0.5)


@pytest.fixture(scope="module")
def found(made: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Surveys with the share found and the true one."""
    survey = made["survey"].merge(made["deck"][["deck_id", "length_m", "width_m"]], on="deck_id")
    survey = survey.merge(made["truth"], left_on=["deck_id", "survey_date"], right_on=["deck_id", "date"])
    area = survey["surveyed_m2"].fillna(survey["length_m"] * survey["width_m"])
    drawn = made["defect"].groupby("survey_id")["shape"].agg(lambda g: shapely.union_all(g.to_numpy()).area)
    seen = survey["survey_id"].map(drawn).astype(float).fillna(survey[TOTALS].sum(axis=1))
    return survey.assign(found=seen / area)


@pytest.mark.slow
def test_the_same_seed_gives_the_same_records(made: dict[str, pd.DataFrame]) -> None:
    again = make_records(400, 12, 3, drawn=0.5)
    assert made.keys() == again.keys()
    for kind, table in made.items():
        pd.testing.assert_frame_equal(table, again[kind])
    other = make_records(400, 12, 4, drawn=0.5)
    assert not made["survey"]["delaminated_m2"].equals(other["survey"]["delaminated_m2"])


def test_frames_have_the_columns_of_their_records(made: dict[str, pd.DataFrame]) -> None:
    for kind, table in made.items():
        if kind != "truth":
            assert list(table.columns) == columns.RECORDS[kind].names()
    assert list(made["truth"].columns) == ["deck_id", "date", "share"]


def test_numbers_stay_in_their_ranges(made: dict[str, pd.DataFrame]) -> None:
    for kind, table in made.items():
        if kind == "truth":
            continue
        for col in columns.RECORDS[kind].columns:
            values = table[col.name].dropna()
            if col.low is not None and len(values):
                assert values.min() >= col.low, (kind, col.name)
            if col.high is not None and len(values):
                assert values.max() <= col.high, (kind, col.name)
            if col.choices:
                assert set(values) <= set(col.choices)
            if col.required:
                assert len(values) == len(table), (kind, col.name)


def test_keys_are_unique_and_known(made: dict[str, pd.DataFrame]) -> None:
    for kind in ("bridge", "deck", "survey", "defect", "repair", "traffic"):
        assert not made[kind].duplicated(list(columns.RECORDS[kind].key)).any(), kind
    assert made["survey"]["deck_id"].isin(made["deck"]["deck_id"]).all()
    assert made["repair"]["deck_id"].isin(made["deck"]["deck_id"]).all()
    assert made["defect"]["survey_id"].isin(made["survey"]["survey_id"]).all()


def test_shares_lie_in_0_to_1(made: dict[str, pd.DataFrame], found: pd.DataFrame) -> None:
    assert made["truth"]["share"].between(0, 1).all()
    assert found["found"].between(0, 1).all()


def test_what_is_found_follows_the_truth(found: pd.DataFrame) -> None:
    assert (found["found"] <= 3.5 * found["share"] + 0.02).all()
    told = found[found["share"] > 0.02]
    assert 0.6 < (told["found"] / told["share"]).median() < 1.05
    assert np.corrcoef(told["found"], told["share"])[0, 1] > 0.85


def test_truth_never_falls_without_a_repair(made: dict[str, pd.DataFrame]) -> None:
    repaired = set(made["repair"]["deck_id"])
    truth = made["truth"].sort_values(["deck_id", "date"], kind="stable")
    quiet = truth[~truth["deck_id"].isin(repaired)]
    assert quiet["deck_id"].nunique() > 50
    assert (quiet.groupby("deck_id")["share"].diff().dropna() >= -1e-12).all()


def test_overlays_and_new_decks_bring_the_truth_down() -> None:
    made = make_records(1500, 12, 8)
    whole = made["repair"][made["repair"]["treatment"].isin(["rigid overlay", "new deck"])]
    both = whole.merge(made["truth"], on="deck_id")
    after = both[both["date"] > both["repair_date"]].groupby("repair_id")["share"].first()
    before = both[both["date"] <= both["repair_date"]].groupby("repair_id")["share"].last()
    assert len(after) > 50
    assert after.median() < 0.25 * before.median()


def test_shapes_are_sound_polygons_on_their_decks(made: dict[str, pd.DataFrame]) -> None:
    size = made["deck"].set_index("deck_id")[["length_m", "width_m"]]
    deck_of = made["survey"].set_index("survey_id")["deck_id"]
    for table, deck in (
        (made["defect"], deck_of[made["defect"]["survey_id"]]),
        (made["repair"].dropna(subset=["shape"]), made["repair"].dropna(subset=["shape"])["deck_id"]),
    ):
        shape = table["shape"].to_numpy()
        on = size.loc[deck.to_numpy()]
        box = shapely.box(0, -on["width_m"] / 2, on["length_m"], on["width_m"] / 2)
        assert len(shape) > 100
        assert shapely.is_valid(shape).all()
        assert (shapely.area(shape) > 0).all()
        assert shapely.area(shapely.difference(shape, box)).max() < 0.01


def test_some_patches_are_found_failed_where_they_were_laid(made: dict[str, pd.DataFrame]) -> None:
    failed = made["defect"][made["defect"]["kind"] == "failed patch"].merge(made["survey"], on="survey_id")
    assert len(failed) > 5
    patches = made["repair"].dropna(subset=["shape"])
    for row in failed.itertuples():
        before = patches[(patches["deck_id"] == row.deck_id) & (patches["repair_date"] < row.survey_date)]
        assert shapely.intersection(before["shape"].to_numpy(), row.shape).size
        covered = shapely.area(shapely.intersection(shapely.union_all(before["shape"].to_numpy()), row.shape))
        assert covered > 0.9 * row.shape.area


def test_costs_fit_the_treatments(made: dict[str, pd.DataFrame]) -> None:
    repair = made["repair"]
    job = repair["repair_id"].str.split("-").str[0]
    sums = repair.groupby(job).agg(cost=("cost", "sum"), area=("area_m2", "sum"), treatment=("treatment", "first"))
    patch = sums[sums["treatment"] == "patch"]
    own = TREATMENTS["patch"]
    ratio = patch["cost"] / (own.set_up + own.per_repair_m2 * patch["area"])
    assert 0.6 < ratio.median() < 1.0  # money of earlier years buys more
    assert ratio.between(0.4, 1.6).all()


def test_nothing_is_later_than_today() -> None:
    day = dt.date(2020, 6, 30)
    made = make_records(50, 6, 1, today=day)
    for kind, name in (("survey", "survey_date"), ("repair", "repair_date"), ("truth", "date")):
        assert made[kind][name].max() <= pd.Timestamp(day)
        assert made[kind][name].min() >= pd.Timestamp("2015-01-01")
    assert made["truth"]["date"].max() == pd.Timestamp(day)
    assert dt.date(2026, 11, 25) == TODAY


def test_a_yearly_survey_is_a_survey_a_year() -> None:
    made = make_records(200, 12, 2)
    count = made["survey"].groupby("deck_id").size()
    assert 10.5 < count.mean() <= 12


@pytest.mark.parametrize("wrong", [{"decks": 0}, {"years": 0}, {"drawn": 1.5}, {"every_yr": 0.5}])
def test_sizes_that_make_no_sense_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be at least 1"):
        make_records(**({"decks": 5, "years": 5, "seed": 1} | wrong))  # type: ignore[arg-type]

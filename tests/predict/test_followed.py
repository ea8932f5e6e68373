"""Each repair followed through later surveys: the interval in which it failed, worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.demo import make_records
from decknet.measure import survey_shares
from decknet.predict.followed import followed_repairs
from decknet.settings import SurvivalSettings
from tests.frames import records

DECK = records("deck", deck_id=["d"], bridge_id=["d"], length_m=[40.0], width_m=[10.0]).assign(
    built_year=pd.array([1980], dtype="Int64"), latitude_deg=-45.0
)
S = SurvivalSettings()


def _follow(patches, surveys, **more):
    """Patches: (day, box or None, area); surveys: (day, boxes or None, failed m2)."""
    repairs = records(
        "repair", repair_id=[f"r{i}" for i in range(len(patches))], deck_id=["d"] * len(patches),
        repair_date=pd.to_datetime([p[0] for p in patches]), treatment=more.get("treatment", ["patch"] * len(patches)),
        shape=[None if p[1] is None else shapely.box(*p[1]) for p in patches], area_m2=[p[2] for p in patches],
        material=["mortar"] * len(patches), air_temperature_c=[4.0] + [20.0] * (len(patches) - 1),
    )  # fmt: skip
    found = records(
        "survey", survey_id=[f"s{i}" for i in range(len(surveys))], deck_id=["d"] * len(surveys),
        survey_date=pd.to_datetime([s[0] for s in surveys]), failed_patch_m2=[s[2] for s in surveys],
        delaminated_m2=[1.0] * len(surveys), from_offset_m=more.get("from_offset_m", [None] * len(surveys)),
        to_offset_m=more.get("to_offset_m", [None] * len(surveys)),
    )  # fmt: skip
    drawn = [(i, box) for i, s in enumerate(surveys) for box in s[1] or ()]
    defects = records(
        "defect", survey_id=[f"s{i}" for i, _ in drawn], defect_id=[str(k) for k in range(len(drawn))],
        kind=["delamination"] * len(drawn), shape=[shapely.box(*box) for _, box in drawn],
    )  # fmt: skip
    shares = survey_shares(found, defects, DECK)
    return followed_repairs(repairs, found, shares, defects, DECK, S)


FAR = (30, 0, 31, 1)  # a defect elsewhere: the survey is drawn


@pytest.mark.basis("derived", "by hand: 4 m2 patch sound at 1 year, 1 m2 of it hollow at 3 years: 25 % is past 20 %")
def test_a_patch_fails_between_the_survey_that_found_it_sound_and_the_next():
    got, counts = _follow(
        [("2020-01-01", (10, 0, 12, 2), None)],
        [("2021-01-01", [FAR], None), ("2023-01-01", [FAR, (11, 1, 12, 4)], None), ("2024-01-01", [FAR], None)],
    )
    assert got[["left_yr", "right_yr"]].iloc[0].tolist() == pytest.approx([1.0, 3.0], abs=0.01)
    assert got["looks"].tolist() == [2]
    assert got["followed_by"].tolist() == ["polygons"]
    assert counts == {"patches": 1, "followed": 1, "by_polygons": 1, "by_deck": 0, "not_looked_at": 0, "ended": 0}


@pytest.mark.basis("derived", "by hand: 0.5 of 4 m2 is 12.5 %, under 20 %: it holds")
def test_a_corner_that_overlaps_is_no_failure():
    got, _ = _follow([("2020-01-01", (10, 0, 12, 2), None)], [("2022-01-01", [(11.5, 1, 14, 4)], None)])
    assert got["left_yr"].iloc[0] == pytest.approx(2.0, abs=0.01)
    assert got["right_yr"].iloc[0] == np.inf


@pytest.mark.basis("derived", "by hand: failed at the first look: (0, 2]")
def test_failed_at_the_first_look_lies_anywhere_before_it():
    got, _ = _follow([("2020-01-01", (10, 0, 12, 2), None)], [("2022-01-01", [(10, 0, 12, 2)], None)])
    assert got["left_yr"].tolist() == [0.0]
    assert got["right_yr"].iloc[0] == pytest.approx(2.0, abs=0.01)


def test_a_survey_of_the_other_lane_is_no_look():
    got, counts = _follow(
        [("2020-01-01", (10, 1, 12, 3), None)], [("2022-01-01", [(30, -2, 31, -1)], None)],
        from_offset_m=[-5.0], to_offset_m=[0.0],
    )  # fmt: skip
    assert got.empty
    assert counts["not_looked_at"] == 1


def test_without_polygons_patches_of_a_deck_are_followed_together_and_counted_so():
    got, counts = _follow(
        [("2020-01-01", None, 10.0), ("2020-01-01", None, 10.0)],
        [("2021-01-01", None, 1.0), ("2022-01-01", None, None), ("2023-01-01", None, 5.0)],
    )
    assert counts["by_deck"] == 2
    assert got["left_yr"].tolist() == pytest.approx([1.0, 1.0], abs=0.01)  # 1 of 20 m2 holds
    assert got["right_yr"].tolist() == pytest.approx([3.0, 3.0], abs=0.01)  # 5 of 20 m2 does not
    assert got["looks"].tolist() == [2, 2]  # the survey that states nothing is no look


def test_works_end_the_following():
    got, counts = _follow(
        [("2020-01-01", (10, 0, 12, 2), None), ("2022-06-01", (9, -1, 13, 3), None)],
        [("2021-01-01", [FAR], None), ("2024-01-01", [FAR, (10, 0, 12, 2)], None)],
    )
    first = got.set_index("repair_id").loc["r0"]
    assert (first["left_yr"], first["right_yr"]) == (pytest.approx(1.0, abs=0.01), np.inf)
    assert counts["ended"] == 1
    overlaid, _ = _follow(
        [("2020-01-01", (10, 0, 12, 2), None), ("2022-06-01", None, 400.0)],
        [("2021-01-01", [FAR], None), ("2024-01-01", [(10, 0, 12, 2)], None)],
        treatment=["patch", "rigid overlay"],
    )
    assert overlaid["right_yr"].tolist() == [np.inf]


def test_season_and_air_are_told_by_place_and_record():
    got, _ = _follow([("2020-01-15", (10, 0, 12, 2), None)], [("2022-01-01", [FAR], None)])
    assert got["season"].tolist() == ["summer"]  # south of the equator
    assert got["temperature"].tolist() == ["under 5 °C"]


@pytest.mark.basis("derived", "every pair of patch and survey looked at one by one, without a tree")
def test_the_join_agrees_with_looking_at_every_pair():
    made = make_records(40, 14, 7, drawn=1.0, every_yr=2.0)
    decks = made["deck"].merge(made["bridge"], on="bridge_id", suffixes=("", "_b"))
    shares = survey_shares(made["survey"], made["defect"], decks)
    got, _ = followed_repairs(made["repair"], made["survey"], shares, made["defect"], decks, S)
    got = got[got["followed_by"] == "polygons"]
    assert len(got) > 10
    ids = shares.set_index("survey_id")
    drawn = set(shares.loc[shares["measured_from"] == "polygons", "survey_id"])
    for row in got.sample(12, random_state=1).itertuples():
        limit = made["repair"].set_index("repair_id").loc[row.repair_id, "shape"]
        parts = {}
        for survey in drawn:
            if ids.loc[survey, "deck_id"] == row.deck_id and ids.loc[survey, "survey_date"] > row.repair_date:
                shapes = made["defect"].loc[made["defect"]["survey_id"] == survey, "shape"]
                area = shapely.union_all(shapes.to_numpy()).intersection(limit).area / limit.area
                parts[(ids.loc[survey, "survey_date"] - row.repair_date).days / 365.25] = area
        if np.isfinite(row.right_yr):
            at = min(parts, key=lambda t: abs(t - row.right_yr))
            assert parts[at] >= S.failed_part
        assert all(p < S.failed_part for t, p in parts.items() if 0 < t <= row.left_yr)

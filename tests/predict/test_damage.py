"""Damage ever: what was repaired does not vanish from the account."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.demo import make_records
from decknet.measure import survey_shares
from decknet.predict import damage_account, damage_ever, deck_lives
from decknet.predict.damage import never_falling
from tests.frames import records

DECK = records("deck", deck_id=["d"], bridge_id=["d"], length_m=[40.0], width_m=[10.0]).assign(built_year=1980)
NO_DEFECTS = records("defect", survey_id=[], defect_id=[], kind=[])


def _surveys(*found, failed=None):
    days = pd.to_datetime([day for day, _ in found])
    return records(
        "survey", survey_id=[f"s{i}" for i in range(len(found))], deck_id=["d"] * len(found), survey_date=days,
        delaminated_m2=[m2 for _, m2 in found], failed_patch_m2=failed or [None] * len(found),
    )  # fmt: skip


def _repairs(*done):
    return records(
        "repair", repair_id=[f"r{i}" for i in range(len(done))], deck_id=["d"] * len(done),
        repair_date=pd.to_datetime([d[0] for d in done]), treatment=[d[1] for d in done], area_m2=[d[2] for d in done],
    )  # fmt: skip


def _damage(surveys, repairs):
    shares = survey_shares(surveys, NO_DEFECTS, DECK)
    return damage_ever(shares, repairs, DECK, overbreak=1.25)


@pytest.mark.basis("derived", "by hand: 20 m2 found, all patched with 25 m2, then 4 m2 new: 24 of 400 m2")
def test_a_deck_patched_fully_keeps_what_was_patched():
    got = _damage(_surveys(("2020-05-01", 20.0), ("2022-05-01", 4.0)), _repairs(("2021-05-01", "patch", 25.0)))
    assert got["damage_share"].tolist() == pytest.approx([0.05, 0.06])
    assert got["repaired_share"].tolist() == pytest.approx([0.0, 0.05])


@pytest.mark.basis("derived", "by hand: 20 m2 found, 8 made sound, then 15 found: 23 of 400 m2")
def test_a_deck_patched_partly_counts_only_what_was_made_sound():
    got = _damage(_surveys(("2020-05-01", 20.0), ("2022-05-01", 15.0)), _repairs(("2021-05-01", "patch", 10.0)))
    assert got["damage_share"].tolist() == pytest.approx([0.05, 23 / 400])


@pytest.mark.basis("derived", "by hand: a patch of 60 m2 on 20 m2 found makes 20 m2 sound, not 48")
def test_a_patch_makes_no_more_sound_than_was_found():
    got = _damage(_surveys(("2020-05-01", 20.0), ("2022-05-01", 0.0)), _repairs(("2021-05-01", "patch", 60.0)))
    assert got["damage_share"].tolist() == pytest.approx([0.05, 0.05])


@pytest.mark.basis("derived", "by hand: 4 m2 of the patch failed again is not original concrete")
def test_a_patch_that_fails_again_is_not_counted_twice():
    surveys = _surveys(("2020-05-01", 20.0), ("2022-05-01", 2.0), failed=[None, 4.0])
    got = _damage(surveys, _repairs(("2021-05-01", "patch", 25.0)))
    assert got["unsound_share"].tolist() == pytest.approx([0.05, 0.015])
    assert got["damage_share"].tolist() == pytest.approx([0.05, 22 / 400])


def test_an_overlay_starts_a_new_life():
    surveys = _surveys(("2018-05-01", 40.0), ("2022-05-01", 2.0))
    got = _damage(surveys, _repairs(("2019-05-01", "patch", 25.0), ("2020-05-01", "rigid overlay", 400.0)))
    assert got["life"].tolist() == [0, 1]
    assert got["damage_share"].tolist() == pytest.approx([0.1, 0.005])
    lives = deck_lives(DECK, _repairs(("2020-05-01", "rigid overlay", 400.0)))
    assert lives["begun_by"].tolist() == ["built", "rigid overlay"]
    assert lives["start"].tolist() == [pd.Timestamp("1980-07-01"), pd.Timestamp("2020-05-01")]


def test_a_deck_younger_than_its_bridge_has_had_two_lives():
    deck = DECK.assign(deck_built_year=pd.array([2020], dtype="Int64"))
    assert deck_lives(deck, _repairs())["start"].tolist() == [pd.Timestamp("1980-07-01"), pd.Timestamp("2020-07-01")]
    told = deck_lives(deck, _repairs(("2020-09-15", "new deck", 400.0)))
    assert told["start"].tolist() == [pd.Timestamp("1980-07-01"), pd.Timestamp("2020-09-15")]
    shares = survey_shares(_surveys(("2018-05-01", 40.0), ("2022-05-01", 2.0)), NO_DEFECTS, deck)
    assert damage_ever(shares, _repairs(), deck, overbreak=1.25)["life"].tolist() == [0, 1]


@pytest.mark.basis("derived", "by hand: 5 % then 4 %, neither better known, is 4.5 % both times")
def test_a_survey_below_the_last_is_kept_as_found_and_evened_out_in_the_account():
    got = _damage(_surveys(("2020-05-01", 20.0), ("2022-05-01", 16.0)), _repairs())
    assert got["damage_found"].tolist() == pytest.approx([0.05, 0.04])
    assert got["damage_share"].tolist() == pytest.approx([0.045, 0.045])


@pytest.mark.basis("derived", "by hand: two patches between surveys share the 20 m2 that the first found")
def test_patches_between_two_surveys_make_no_more_sound_than_was_found():
    done = _repairs(("2020-08-01", "patch", 20.0), ("2021-05-01", "patch", 20.0))
    got = _damage(_surveys(("2020-05-01", 20.0), ("2022-05-01", 0.0)), done)
    assert got["damage_found"].tolist() == pytest.approx([0.05, 0.05])


@pytest.mark.basis("derived", "by hand: 4 of 200 m2 found, 10 m2 made sound on 400 m2: 2 % + 2.5 %")
def test_what_half_a_deck_shows_stands_for_the_whole_beside_what_was_patched():
    surveys = _surveys(("2020-05-01", 20.0), ("2022-05-01", 4.0)).assign(surveyed_m2=[400.0, 200.0])
    got = _damage(surveys, _repairs(("2021-05-01", "patch", 12.5)))
    assert got["damage_found"].tolist() == pytest.approx([0.05, 0.045])
    assert got["covered_share"].tolist() == pytest.approx([1.0, 0.5])


def _drawn(*found):
    """Surveys whose defects are boxes: (day, [(kind, box), ...])."""
    days = pd.to_datetime([day for day, _ in found])
    surveys = records(
        "survey", survey_id=[f"s{i}" for i in range(len(found))], deck_id=["d"] * len(found), survey_date=days
    )
    parts = [(f"s{i}", kind, shapely.box(*b)) for i, (_, boxes) in enumerate(found) for kind, b in boxes]
    defects = records(
        "defect", survey_id=[p[0] for p in parts], defect_id=[str(i) for i in range(len(parts))],
        kind=[p[1] for p in parts], shape=[p[2] for p in parts],
    )  # fmt: skip
    return surveys, defects


def _limits(*done):
    return records(
        "repair", repair_id=[f"r{i}" for i in range(len(done))], deck_id=["d"] * len(done),
        repair_date=pd.to_datetime([day for day, _ in done]), treatment=["patch"] * len(done),
        shape=[shapely.box(*b) for _, b in done],
    )  # fmt: skip


def _by_polygons(found, done):
    surveys, defects = _drawn(*found)
    shares = survey_shares(surveys, defects, DECK)
    return damage_account(shares, done, DECK, overbreak=1.25, defects=defects)


@pytest.mark.basis("derived", "by hand: limits of 20 m2 round 12 m2 unsound make 12 m2 sound; 4 m2 new: 16 of 400 m2")
def test_drawn_limits_count_only_the_unsound_part():
    found = [("2020-05-01", [("delamination", (10, 0, 14, 3))]), ("2022-05-01", [("delamination", (30, 0, 32, 2))])]
    got, sound = _by_polygons(found, _limits(("2021-05-01", (9.5, -0.5, 14.5, 3.5))))
    assert got["damage_found"].tolist() == pytest.approx([0.03, 0.04])
    assert sound.loc["d", "repaired_share"] == pytest.approx(0.03)
    assert not sound.loc["d", "patched_since"]


@pytest.mark.basis("derived", "by hand: half of 12 m2 within the limits; later 6 m2 still there and 6 m2 new: 18 m2")
def test_a_drawn_patch_over_half_of_an_area_makes_half_sound():
    found = [
        ("2020-05-01", [("delamination", (10, 0, 14, 3))]),
        ("2022-05-01", [("delamination", (12, 0, 14, 3)), ("spall", (30, 0, 33, 2))]),
    ]
    got, _ = _by_polygons(found, _limits(("2021-05-01", (9, 0, 12, 3))))
    assert got["repaired_share"].tolist() == pytest.approx([0, 6 / 400])
    assert got["damage_found"].tolist() == pytest.approx([12 / 400, 18 / 400])


@pytest.mark.basis(
    "derived", "by hand: 6 m2 hollow again inside the limits and 2 m2 beyond: 12 + 2 m2 of original concrete"
)
def test_what_fails_inside_drawn_limits_is_not_original_concrete():
    found = [("2020-05-01", [("delamination", (10, 0, 14, 3))]), ("2022-05-01", [("delamination", (12, 0, 14, 4))])]
    got, _ = _by_polygons(found, _limits(("2021-05-01", (10, 0, 14, 3))))
    assert got["failed_share"].iloc[1] == pytest.approx(6 / 400)
    assert got["damage_found"].tolist() == pytest.approx([12 / 400, 14 / 400])


@pytest.mark.basis("derived", "by hand: the second limits hold 4 m2 of new concrete and the first patch, 12 + 4 m2")
def test_limits_over_an_old_patch_count_the_original_concrete_once():
    found = [
        ("2020-05-01", [("delamination", (10, 0, 14, 3))]),
        ("2022-05-01", [("delamination", (12, 0, 16, 2))]),
        ("2024-05-01", []),
    ]
    surveys, defects = _drawn(*found)
    surveys["unsound_m2"] = [float("nan"), float("nan"), 0.0]
    done = _limits(("2021-05-01", (10, 0, 14, 3)), ("2023-05-01", (11, 0, 17, 3)))
    got, _ = damage_account(survey_shares(surveys, defects, DECK), done, DECK, overbreak=1.25, defects=defects)
    assert got["damage_found"].tolist() == pytest.approx([12 / 400, 16 / 400, 16 / 400])


def test_the_account_never_falls_whatever_is_found_and_done():
    made = make_records(60, 14, 3, drawn=0.5, every_yr=2.0)
    decks = made["deck"].merge(made["bridge"], on="bridge_id", suffixes=("", "_b"))
    shares = survey_shares(made["survey"], made["defect"], decks)
    got, sound = damage_account(shares, made["repair"], decks, overbreak=1.25, defects=made["defect"])
    assert (got.groupby(["deck_id", "life"])["damage_share"].diff().dropna() >= -1e-12).all()
    assert (got["damage_share"] >= got["repaired_share"] - 1e-12).all()
    for name in ("damage_share", "damage_found", "repaired_share", "failed_share"):
        assert got[name].between(0, 1).all()
    assert sound.index.tolist() == decks["deck_id"].tolist()


def test_pooling_of_falls_is_the_nearest_account_that_never_falls():
    rng = np.random.default_rng(1)
    value = rng.uniform(0, 1, 40)
    from scipy.optimize import isotonic_regression

    group = np.repeat([0, 1], 20)
    expected = np.concatenate([isotonic_regression(v).x for v in (value[:20], value[20:])])
    assert never_falling(group, value) == pytest.approx(expected)


def test_a_repair_never_lowers_damage_ever():
    surveys = _surveys(("2020-05-01", 20.0), ("2022-05-01", 12.0))
    without = _damage(surveys, _repairs())["damage_share"].iloc[1]
    for area in (1.0, 5.0, 20.0, 90.0):
        assert _damage(surveys, _repairs(("2021-05-01", "patch", area)))["damage_share"].iloc[1] >= without


def test_no_surveys_and_no_repairs_give_an_empty_account():
    assert _damage(_surveys().iloc[:0], _repairs().iloc[:0]).empty

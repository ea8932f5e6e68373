"""Damage ever: what was repaired does not vanish from the account."""

from __future__ import annotations

import pandas as pd
import pytest

from decknet.measure import survey_shares
from decknet.predict import damage_ever, deck_lives
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


def test_a_survey_below_the_last_is_left_as_found():
    got = _damage(_surveys(("2020-05-01", 20.0), ("2022-05-01", 16.0)), _repairs())
    assert got["damage_share"].tolist() == pytest.approx([0.05, 0.04])


def test_a_repair_never_lowers_damage_ever():
    surveys = _surveys(("2020-05-01", 20.0), ("2022-05-01", 12.0))
    without = _damage(surveys, _repairs())["damage_share"].iloc[1]
    for area in (1.0, 5.0, 20.0, 90.0):
        assert _damage(surveys, _repairs(("2021-05-01", "patch", area)))["damage_share"].iloc[1] >= without


def test_no_surveys_and_no_repairs_give_an_empty_account():
    assert _damage(_surveys().iloc[:0], _repairs().iloc[:0]).empty

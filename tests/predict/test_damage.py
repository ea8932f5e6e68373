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
from decknet.predict.drawn import same_deck_pairs
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


@pytest.mark.basis(
    "derived",
    "by hand: 16 m2 (4 %) found and patched; all hollow again and patched again; then nothing: 4 %",
)
def test_a_failed_patch_patched_again_is_no_new_damage_where_only_totals_are_known():
    found = _surveys(("2018-05-01", 16.0), ("2021-05-01", 0.0), ("2023-05-01", 0.0), failed=[0.0, 16.0, 0.0])
    done = _repairs(("2019-05-01", "patch", 20.0), ("2022-05-01", "patch", 20.0))
    got = _damage(found, done)
    assert got["repaired_share"].tolist() == pytest.approx([0.0, 0.04, 0.04])
    assert got["damage_share"].tolist() == pytest.approx([0.04, 0.04, 0.04])
    # half of what is found is a failed patch: of 8 m2 made sound 4 m2 are original concrete
    mixed = _surveys(("2018-05-01", 16.0), ("2021-05-01", 8.0), ("2023-05-01", 8.0), failed=[0.0, 8.0, 0.0])
    got = _damage(mixed, _repairs(("2019-05-01", "patch", 20.0), ("2022-05-01", "patch", 10.0)))
    assert got["repaired_share"].tolist() == pytest.approx([0.0, 0.04, 0.05])


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


# ---- the ends of the rules ------------------------------------------------------------------------------------------


def _deck(built=1980, deck_built=None):
    return DECK.assign(
        built_year=pd.array([built], dtype="Int64"), deck_built_year=pd.array([deck_built], dtype="Int64")
    )


@pytest.mark.parametrize(
    ("built", "deck_built", "starts"),
    [
        (1980, None, ["1980-07-01"]),
        (None, 1990, ["1990-07-01"]),
        (1980, 1980, ["1980-07-01"]),
        (1980, 1970, ["1980-07-01"]),
        (1980, 2000, ["1980-07-01", "2000-07-01"]),
    ],
)
def test_a_life_begins_in_the_year_of_the_bridge_and_again_in_that_of_a_younger_deck(built, deck_built, starts):
    lives = deck_lives(_deck(built, deck_built), _repairs())
    assert lives["start"].tolist() == [pd.Timestamp(s) for s in starts]
    assert lives["life"].tolist() == list(range(len(starts)))
    assert lives["begun_by"].tolist() == ["built", "new deck"][: len(starts)]


@pytest.mark.parametrize(("year", "lives"), [(2018, 3), (2019, 2), (2020, 2), (2021, 2), (2022, 3)])
def test_a_new_deck_on_record_within_a_year_of_the_decks_own_is_the_same_deck(year, lives):
    assert len(deck_lives(_deck(1980, 2020), _repairs((f"{year}-05-01", "new deck", 400.0)))) == lives


def test_lives_follow_each_other_by_date_and_patches_begin_none():
    done = _repairs(
        ("2015-05-01", "rigid overlay", 400.0), ("1999-05-01", "thin overlay", 400.0), ("2005-05-01", "patch", 9.0),
        ("2009-05-01", "patch and seal", 9.0), ("2008-05-01", "seal", 9.0),
    )  # fmt: skip
    lives = deck_lives(_deck(), pd.concat([done, done.assign(deck_id="elsewhere")], ignore_index=True))
    assert lives["begun_by"].tolist() == ["built", "thin overlay", "rigid overlay"]
    assert set(lives["deck_id"]) == {"d"}
    # A deck of no known year still has had its first life before any works.
    unknown = deck_lives(_deck(None), done)
    assert unknown["life"].tolist() == [0, 1, 2]
    assert pd.isna(unknown["start"][0])
    shares = survey_shares(_surveys(("2000-05-01", 8.0), ("1990-05-01", 20.0)), NO_DEFECTS, _deck(None))
    got = damage_ever(shares, done, _deck(None), overbreak=1.25)
    assert got["life"].tolist() == [0, 1]
    assert got["damage_share"].tolist() == pytest.approx([0.05, 0.02])
    assert pd.isna(got["life_start"][0])
    assert got["life_start"][1] == pd.Timestamp("1999-05-01")


@pytest.mark.basis("derived", "by hand: works of the day of a survey come after it, and a new life before it")
def test_on_one_day_a_life_begins_then_it_is_surveyed_then_patched():
    day = "2021-05-01"
    patched = _damage(_surveys((day, 20.0), ("2023-05-01", 2.0)), _repairs((day, "patch", 25.0)))
    assert patched["repaired_share"].tolist() == pytest.approx([0.0, 0.05])
    overlaid = _damage(_surveys(("2020-05-01", 40.0), (day, 2.0)), _repairs((day, "rigid overlay", 400.0)))
    assert overlaid["life"].tolist() == [0, 1]


@pytest.mark.basis(
    "derived", "by hand: a patch before any survey makes its area over the overbreak sound: 20 of 400 m2"
)
def test_a_patch_before_any_survey_counts_by_its_area():
    got = _damage(_surveys(("2022-05-01", 4.0)), _repairs(("2021-05-01", "patch and seal", 25.0)))
    assert got["damage_found"].tolist() == pytest.approx([0.06])
    over = _damage(_surveys(("2022-05-01", 4.0)), _repairs(("2021-05-01", "patch", 900.0)))
    assert over["repaired_share"].tolist() == [1.0]
    assert over["damage_found"].tolist() == [1.0]


@pytest.mark.basis("derived", "by hand: 10 m2 then 20 m2 of patches after 20 m2 found: 8 m2, then 12 of 16 m2, sound")
def test_each_round_between_surveys_has_a_limit_of_its_own():
    surveys = _surveys(("2018-05-01", 20.0), ("2020-05-01", 12.0), ("2024-05-01", 4.0))
    done = _repairs(("2019-05-01", "patch", 10.0), ("2021-05-01", "patch", 10.0), ("2022-05-01", "patch", 20.0))
    got = _damage(surveys, done)
    # 8 m2 after the first survey; after the second 8 m2 and 16 m2, but it found no more than 12.
    assert got["repaired_share"].tolist() == pytest.approx([0.0, 8 / 400, 20 / 400])
    shares = survey_shares(surveys.iloc[:2], NO_DEFECTS, DECK)
    _, sound = damage_account(shares, done, DECK, overbreak=1.25)
    assert sound.loc["d"].tolist() == [0, pytest.approx(20 / 400), True]


def test_patches_that_failed_again_are_no_more_than_what_was_found():
    surveys = _surveys(("2020-05-01", 20.0), ("2022-05-01", 2.0), failed=[None, 9.0]).assign(unsound_m2=[20.0, 5.0])
    got = _damage(surveys, _repairs(("2021-05-01", "patch", 25.0)))
    assert got["failed_share"].tolist() == pytest.approx([0.0, 5 / 400])


@pytest.mark.basis("derived", "by hand: 9 m2 failed of 400; over the 200 m2 covered it is 4.5 %")
def test_failed_patches_are_a_part_of_what_was_covered():
    surveys = _surveys(("2020-05-01", 40.0), ("2022-05-01", 20.0), failed=[None, 9.0]).assign(
        surveyed_m2=[400.0, 200.0]
    )
    got = _damage(surveys, _repairs(("2021-05-01", "patch", 25.0)))
    assert got["failed_share"].tolist() == pytest.approx([0.0, 9 / 200])


def test_a_patch_of_a_past_life_is_no_part_of_the_present_account():
    surveys = _surveys(("2015-05-01", 20.0), ("2022-05-01", 2.0))
    done = _repairs(("2016-05-01", "patch", 10.0), ("2018-05-01", "thin overlay", 400.0), ("2023-01-01", "patch", 1.0))
    _, sound = damage_account(survey_shares(surveys, NO_DEFECTS, DECK), done, DECK, overbreak=1.25)
    assert sound.loc["d", "life"] == 1
    assert sound.loc["d", "repaired_share"] == pytest.approx(0.8 / 400)
    assert sound.loc["d", "patched_since"]


@pytest.mark.basis("derived", "by hand: a failed patch mapped beyond any limits, 4 m2, is not original concrete either")
def test_a_mapped_failed_patch_is_not_original_concrete():
    found = [
        ("2020-05-01", [("delamination", (10, 0, 14, 3))]),
        ("2022-05-01", [("failed patch", (20, 0, 22, 2)), ("delamination", (12, 0, 14, 3))]),
    ]
    got, _ = _by_polygons(found, _limits(("2021-05-01", (10, 0, 14, 3))))
    assert got["failed_share"].iloc[1] == pytest.approx(10 / 400)
    assert got["damage_found"].tolist() == pytest.approx([12 / 400, 12 / 400])


@pytest.mark.basis("derived", "by hand: two limits over the same 12 m2 of one survey make 12 m2 sound once")
def test_limits_that_overlap_share_what_lay_under_both():
    found = [("2020-05-01", [("delamination", (10, 0, 14, 3))]), ("2022-05-01", [("spall", (30, 0, 31, 1))])]
    both = _limits(("2021-05-01", (10, 0, 13, 3)), ("2021-06-01", (12, 0, 14, 3)))
    got, sound = _by_polygons(found, both)
    assert got["repaired_share"].tolist() == pytest.approx([0.0, 12 / 400])
    assert sound.loc["d", "repaired_share"] == pytest.approx(12 / 400)


def test_what_touches_limits_along_an_edge_is_not_inside_them():
    found = [("2020-05-01", [("delamination", (10, 0, 14, 3))]), ("2022-05-01", [("delamination", (14, 0, 16, 3))])]
    got, _ = _by_polygons(found, _limits(("2021-05-01", (10, 0, 14, 3))))
    assert got["failed_share"].iloc[1] == pytest.approx(0.0, abs=1e-9)
    assert got["damage_found"].tolist() == pytest.approx([12 / 400, 18 / 400])


def test_what_lay_under_limits_before_an_overlay_is_of_another_life():
    found = [
        ("2016-05-01", [("delamination", (10, 0, 14, 3))]), ("2022-05-01", [("delamination", (10, 0, 12, 2))]),
    ]  # fmt: skip
    done = pd.concat(
        [
            _limits(("2017-05-01", (10, 0, 14, 3))),
            _repairs(("2019-05-01", "rigid overlay", 400.0)).assign(repair_id="o"),
        ],
        ignore_index=True,
    )
    got, _ = _by_polygons(found, done)
    assert got["life"].tolist() == [0, 1]
    assert got["failed_share"].tolist() == pytest.approx([0.0, 0.0])
    assert got["damage_found"].tolist() == pytest.approx([12 / 400, 4 / 400])


def test_decks_side_by_side_in_the_record_do_not_share_concrete():
    two = pd.concat([DECK, DECK.assign(deck_id="e", bridge_id="e")], ignore_index=True)
    surveys = records(
        "survey", survey_id=["s", "t", "u"], deck_id=["d", "d", "e"],
        survey_date=pd.to_datetime(["2020-05-01", "2022-05-01", "2022-05-01"]),
    )  # fmt: skip
    box = shapely.box(10, 0, 14, 3)
    defects = records(
        "defect", survey_id=["s", "t", "u"], defect_id=["1", "2", "3"], kind=["delamination"] * 3, shape=[box] * 3
    )
    got, sound = damage_account(
        survey_shares(surveys, defects, two), _limits(("2021-05-01", (10, 0, 14, 3))), two, overbreak=1.25,
        defects=defects,
    )  # fmt: skip
    assert got["failed_share"].tolist() == pytest.approx([0.0, 12 / 400, 0.0])
    assert sound["repaired_share"].tolist() == pytest.approx([12 / 400, 0.0])


@pytest.mark.basis("derived", "every pair tried one by one")
def test_pairs_of_one_deck_that_meet_are_found_by_one_tree():
    rng = np.random.default_rng(2)
    corner = rng.uniform(-8, 8, (80, 2))
    size = rng.uniform(0.5, 6, (80, 2))
    shapes = shapely.box(corner[:, 0], corner[:, 1], *(corner + size).T)
    deck = rng.integers(0, 4, 80)
    left, right = same_deck_pairs(deck[:50], shapes[:50], deck[50:], shapes[50:])
    expected = [
        (i, j) for i in range(50) for j in range(30)
        if deck[i] == deck[50 + j] and shapely.intersects(shapes[i], shapes[50 + j])
    ]  # fmt: skip
    assert list(zip(left.tolist(), right.tolist(), strict=True)) == expected
    assert len(expected) > 10
    none = same_deck_pairs(deck[:0], shapes[:0], deck, shapes)
    assert [len(n) for n in none] == [0, 0]


def test_accounts_that_do_not_fall_are_left_alone():
    assert never_falling(np.array([0, 0, 1, 1]), np.array([0.2, 0.3, 0.1, 0.1])).tolist() == [0.2, 0.3, 0.1, 0.1]
    assert never_falling(np.array([3]), np.array([0.7])).tolist() == [0.7]
    assert never_falling(np.zeros(0, dtype=np.int64), np.zeros(0)).tolist() == []
    # By hand: 4, 1, 1 pool to 2 together, and then with the 1.5 that follows to 1.875.
    assert never_falling(np.zeros(4, dtype=np.int64), np.array([4.0, 1.0, 1.0, 1.5])).tolist() == [1.875] * 4


@pytest.mark.basis("derived", "by hand: 15 m2 of limits before any survey made 15 / 1.25 m2 sound, whatever came later")
def test_drawn_limits_before_any_survey_count_by_their_area():
    found = [
        ("2020-05-01", [("delamination", (10, 0, 14, 3))]), ("2022-05-01", [("delamination", (20, 0, 24, 3))]),
    ]  # fmt: skip
    got, _ = _by_polygons(found, _limits(("2019-05-01", (20, 0, 25, 3))))
    assert got["repaired_share"].tolist() == pytest.approx([12 / 400, 12 / 400])
    # The later survey found 12 m2 of that patch hollow: not original concrete.
    assert got["failed_share"].tolist() == pytest.approx([0.0, 12 / 400])
    assert got["damage_found"].tolist() == pytest.approx([24 / 400, 12 / 400])


def test_limits_after_a_survey_that_was_only_stated_count_by_their_area():
    surveys, defects = _drawn(("2020-05-01", []), ("2022-05-01", [("delamination", (20, 0, 24, 3))]))
    surveys["unsound_m2"] = [30.0, float("nan")]
    shares = survey_shares(surveys, defects, DECK)
    done = _limits(("2021-05-01", (10, 0, 15, 2)))
    got, _ = damage_account(shares, done, DECK, overbreak=1.25, defects=defects)
    assert got["repaired_share"].tolist() == pytest.approx([0.0, 8 / 400])
    stated = done.assign(area_m2=[20.0])  # what was paid for goes before what was drawn
    got, _ = damage_account(shares, stated, DECK, overbreak=1.25, defects=defects)
    assert got["repaired_share"].tolist() == pytest.approx([0.0, 16 / 400])


def test_the_account_has_its_columns_and_no_other():
    shares = survey_shares(_surveys(("2020-05-01", 20.0), ("2022-05-01", 4.0)), NO_DEFECTS, DECK)
    damage, sound = damage_account(shares, _repairs(("2021-05-01", "patch", 25.0)), DECK, overbreak=1.25)
    assert damage.columns.tolist() == [
        "deck_id", "survey_date", "survey_id", "method", "crew", "covered_share", "life", "life_start",
        "unsound_share", "failed_share", "repaired_share", "damage_found", "damage_share",
    ]  # fmt: skip
    assert damage.index.tolist() == [0, 1]
    assert (sound.index.name, sound.columns.tolist()) == ("deck_id", ["life", "repaired_share", "patched_since"])

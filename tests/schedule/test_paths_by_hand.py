"""Forecast paths read, moved and redrawn, point by point."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.errors import RecordError
from decknet.schedule import Paths, deck_figures, share_after_work, share_at
from decknet.schedule.doubt import redrawn
from decknet.schedule.exposure import life_yr, with_work, without_work
from decknet.settings import Settings, Treatment
from tests.schedule.plain import plain

NOTHING = np.array([[0.10, 0.14, 0.20, 0.28, 0.38], [0.00, 0.01, 0.02, 0.03, 0.04], [0.90, 0.95, 0.99, 1.00, 1.00]])
PACE = np.array([[0.04, 0.06], [0.01, 0.02], [0.05, 0.04]])
ANEW = np.array([[0.0, 0.001, 0.003, 0.006, 0.010], [np.nan] * 5])
FAILS = np.array([0.0, 0.1, 0.3, 0.6, 1.0])
KIND = Treatment(label="Work", removes=0.8, growth_factor=0.5, rest_yr=1.0, life_yr=3.0)


def three(fails: np.ndarray | None = None) -> Paths:
    """Three decks; the second is of a family whose new life is not known."""
    anew = {"rigid overlay": ANEW.copy()}
    return Paths(pd.Index(["A", "B", "C"]), NOTHING.copy(), np.array([0, 1, 0]), anew, PACE.copy(), fails)


def figures(paths: Paths, settings: Settings | None = None):
    frame = pd.DataFrame({"deck_id": ["A", "B", "C"], "area_m2": [500.0] * 3, "share_now": 0.5})
    return deck_figures(frame, settings or plain(), paths=paths)


@pytest.mark.basis("derived", "straight between whole years, level past the last and before the first")
def test_a_path_is_read_between_whole_years():
    paths = three()
    for when, share in ((0.0, 0.10), (0.5, 0.12), (1.0, 0.14), (2.25, 0.22), (4.0, 0.38), (9.0, 0.38), (-1.0, 0.10)):
        assert paths.at(when)[0] == pytest.approx(share)
    assert paths.at(np.array([1.5, 3.5, 2.5])) == pytest.approx([0.17, 0.035, 0.995])
    one_year = dataclasses.replace(paths, nothing=NOTHING[:, :1])
    assert one_year.at(2.0).tolist() == NOTHING[:, 0].tolist()


@pytest.mark.basis(
    "derived", "after a patch: a fifth left, then half of the growth that lies a year back, year by year"
)
@pytest.mark.parametrize("done", [0, 1])
def test_after_a_patch_the_decks_own_growth_goes_on_after_its_rest(done):
    got = three().after("patch", KIND, done)
    assert got.shape == (3, 5 - done)
    for deck in range(3):
        before = NOTHING[deck, done]
        for k in range(5 - done):
            grown = 0.5 * (NOTHING[deck, done + max(k - 1, 0)] - before)
            assert got[deck, k] == pytest.approx(min(0.2 * before + grown, 1.0)), (deck, k)
    at_once = three().after("patch", dataclasses.replace(KIND, rest_yr=0.0), done)
    assert at_once[0] == pytest.approx(
        [0.2 * NOTHING[0, done] + 0.5 * (n - NOTHING[0, done]) for n in NOTHING[0, done:]]
    )
    half = three().after("patch", dataclasses.replace(KIND, rest_yr=0.5), 0)  # half a year back
    assert half[0, 2] == pytest.approx(0.02 + 0.5 * ((0.14 + 0.20) / 2 - 0.10))


@pytest.mark.basis("derived", "what failed of the .8 that was made sound comes back beside the growth")
def test_patches_fail_as_the_districts_have():
    got = three(FAILS).after("patch", KIND, 1)
    for k in range(4):
        grown = 0.5 * (NOTHING[0, 1 + max(k - 1, 0)] - 0.14) + 0.8 * 0.14 * FAILS[k]
        assert got[0, k] == pytest.approx(0.2 * 0.14 + grown)
    assert got[2].max() <= 1.0
    assert three(FAILS).life_yr("patch", KIND) == np.inf
    assert three(FAILS).life_yr("rigid overlay", KIND) == 3.0
    assert three().life_yr("patch", KIND) == 3.0


@pytest.mark.basis(
    "derived", "a new life as its family's; where that is not known half the deck's own pace after a year"
)
@pytest.mark.parametrize(("done", "pace"), [(0, 0.01), (1, 0.02), (3, 0.02)])
def test_a_new_life_goes_as_the_familys_or_at_the_decks_own_pace(done, pace):
    got = three().after("rigid overlay", KIND, done)
    assert got[0] == pytest.approx(0.2 * NOTHING[0, done] + ANEW[0, : 5 - done])
    resting = np.maximum(np.arange(5 - done) - 1.0, 0.0)
    assert got[1] == pytest.approx(0.2 * NOTHING[1, done] + 0.5 * pace * resting)


def test_rows_of_paths_keep_their_decks():
    turned = three(FAILS).part(np.array([2, 0]))
    assert turned.deck_id.tolist() == ["C", "A"]
    assert turned.nothing.tolist() == NOTHING[[2, 0]].tolist()
    assert turned.family.tolist() == [0, 0]
    assert turned.pace.tolist() == PACE[[2, 0]].tolist()
    mine = three().of(pd.Series(["B", "A"]))
    assert mine.deck_id.tolist() == ["B", "A"]
    assert mine.family.tolist() == [1, 0]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"deck_id": pd.Index(["A", "X", "C"])}, "deck B: has no forecast"),
        ({"deck_id": pd.Index(["X", "B", "C"])}, "deck A: has no forecast"),
        ({"nothing": np.where(NOTHING == 0.03, -1e-9, NOTHING)}, "deck B, forecast share: must lie between 0 and 1"),
        ({"nothing": np.where(NOTHING == 0.99, 1.001, NOTHING)}, "deck C, forecast share: must lie between 0 and 1"),
        ({"nothing": np.where(NOTHING == 0.99, np.nan, NOTHING)}, "deck C, forecast share: must lie between 0 and 1"),
        ({"pace": np.where(PACE == 0.02, np.nan, PACE)}, "deck B, forecast pace: not known"),
    ],
)
def test_paths_that_cannot_be_are_named_by_their_deck(change, said):
    with pytest.raises(RecordError, match=said):
        dataclasses.replace(three(), **change).of(pd.Series(["A", "B", "C"]))


@pytest.mark.basis("derived", "two years on: the share given, then the rises of the years from then, level at the end")
def test_decks_moved_some_years_on():
    moved = three().moved(np.array([0.05, 0.5, 0.995]), 2)
    assert moved.nothing.shape == NOTHING.shape
    assert moved.nothing[0] == pytest.approx([0.05, 0.13, 0.23, 0.23, 0.23])
    assert moved.nothing[1] == pytest.approx([0.50, 0.51, 0.52, 0.52, 0.52])
    assert moved.nothing[2] == pytest.approx([0.995, 1.0, 1.0, 1.0, 1.0])
    assert moved.pace.tolist() == PACE[:, 1:].tolist()
    assert three().moved(NOTHING[:, 1], 1).pace.tolist() == PACE[:, 1:].tolist()


@pytest.mark.basis("derived", "shifted by .02, its rise doubled and a point a year added, no further than 0 and 1")
def test_a_path_redrawn_point_by_point():
    got = three().redrawn(np.full(3, 0.02), np.array([2.0, 1.0, 1.0]), np.array([0.01, 0.0, 0.0]))
    assert got.nothing[0] == pytest.approx([0.12, 0.21, 0.34, 0.51, 0.72])
    assert got.nothing[1] == pytest.approx([0.02, 0.03, 0.04, 0.05, 0.06])
    assert got.nothing[2] == pytest.approx([0.92, 0.97, 1.0, 1.0, 1.0])
    assert got.pace[0] == pytest.approx([0.09, 0.13])
    assert three().redrawn(np.full(3, -0.05), np.ones(3), np.zeros(3)).nothing.min() == 0.0


@pytest.mark.basis("derived", "growth drawn over growth expected; where a deck stands still the growth drawn is added")
def test_a_draw_multiplies_growth_or_adds_it_where_there_is_none():
    decks = dataclasses.replace(figures(three()), growth_per_yr=np.array([0.04, 0.0, 0.05]))
    decks = dataclasses.replace(decks, share=np.array([0.10, 0.0, np.nan]))
    got = redrawn(decks, np.array([0.12, 0.01, 0.9]), np.array([0.02, 0.03, 0.05]), np.array([0.10, 0.0, 0.9]))
    assert got.paths.nothing[0] == pytest.approx(0.12 + 0.5 * (NOTHING[0] - 0.10))
    assert got.paths.nothing[1] == pytest.approx(0.01 + NOTHING[1] + 0.03 * np.arange(5))
    assert got.share[:2] == pytest.approx([0.12, 0.01])
    assert np.isnan(got.share[2])
    assert got.growth_per_yr.tolist() == [0.02, 0.03, 0.05]
    slow = dataclasses.replace(decks, growth_per_yr=np.array([1e-6, 0.99e-6, 0.05]))  # a millionth a year is growth
    twice = redrawn(slow, np.array([0.10, 0.0, 0.9]), np.array([2e-6, 2e-6, 0.05]), np.array([0.10, 0.0, 0.9]))
    assert twice.paths.nothing[0] == pytest.approx(0.10 + 2 * (NOTHING[0] - 0.10))
    assert twice.paths.nothing[1] == pytest.approx(NOTHING[1] + 2e-6 * np.arange(5))
    plainly = redrawn(dataclasses.replace(decks, paths=None), np.full(3, 0.2), np.full(3, 0.01), np.zeros(3))
    assert plainly.share[:2].tolist() == [0.2, 0.2]
    assert np.isnan(plainly.share[2])


# ---- what a work leaves, along a forecast ---------------------------------------------------------


def with_life(life: float) -> Settings:
    base = plain()
    return dataclasses.replace(base, treatment={**base.treatment, "patch": dataclasses.replace(KIND, life_yr=life)})


@pytest.mark.basis("derived", "a patch in year 1 of 3 years' life: read off its own path, then the path without it")
@pytest.mark.parametrize(
    ("year", "share"), [(0.5, None), (1.0, 0.0), (1.5, 0.5), (3.0, 2.0), (3.75, 2.75), (4.0, None)]
)
def test_share_after_a_work_along_a_forecast(year, share):
    settings = with_life(3.0)
    decks = figures(three())
    got = share_after_work(decks, ["patch"] * 3, np.array([1.0, 1.0, 1.0]), year, settings)
    if share is None:
        assert got == pytest.approx(share_at(decks, year))
        return
    path = three().after("patch", settings.treatment["patch"], 1)
    assert got == pytest.approx([np.interp(share, np.arange(4.0), path[k]) for k in range(3)])


def test_decks_of_several_works_and_years_are_each_as_alone():
    settings = with_life(9.0)
    decks = figures(three(FAILS))
    names, done = ["patch", "rigid overlay", "patch"], np.array([0.0, 2.0, 1.0])
    got = share_after_work(decks, names, done, 2.5, settings)
    for k in range(3):
        rows = np.array([k])
        alone = share_after_work(decks.part(rows), [names[k]], done[rows], 2.5, settings)
        assert got[k] == pytest.approx(alone[0])
    past = share_after_work(decks, names, done, 4.0, settings)  # the last year of the paths
    for k in range(3):
        path = three(FAILS).after(names[k], settings.treatment[names[k]], int(done[k]))
        assert past[k] == pytest.approx(path[k, 4 - int(done[k])])
    unknown = dataclasses.replace(decks, share=np.array([np.nan, 0.0, 0.9]))
    missing = share_after_work(unknown, names, done, 2.5, settings)
    assert np.isnan(missing).tolist() == [True, False, False]
    assert np.isnan(share_at(unknown, 2.5)).tolist() == [True, False, False]


@pytest.mark.basis("derived", "patches of 3 years' life at years 0, 1 and 2, seen at 3.5: the first is over")
def test_of_several_patches_each_counts_as_long_as_it_lives():
    settings = with_life(3.0)
    decks, done = figures(three()), np.array([0.0, 1.0, 2.0])
    got = share_after_work(decks, ["patch"] * 3, done, 3.5, settings)
    assert got[0] == pytest.approx(share_at(decks, 3.5)[0])
    for k in (1, 2):
        path = three().after("patch", settings.treatment["patch"], k)[k]
        assert got[k] == pytest.approx(np.interp(3.5 - k, np.arange(5.0 - k), path))
        assert got[k] != pytest.approx(share_at(decks, 3.5)[k])


@pytest.mark.basis("derived", "small steps along the paths from year 1 to 3.5, discounted at 3 % to time 0")
def test_what_adds_up_along_a_forecast_with_and_without_a_work():
    settings = with_life(9.0)
    decks = figures(three())
    t = 1.0 + (np.arange(200_000) + 0.5) / 200_000 * 2.5
    path = three().after("patch", settings.treatment["patch"], 1)
    for k in range(3):
        without = float((np.interp(t, np.arange(5.0), NOTHING[k]) * 1.03**-t).mean() * 2.5)
        treated = float((np.interp(t - 1.0, np.arange(4.0), path[k]) * 1.03**-t).mean() * 2.5)
        assert without_work(decks, 1, 3.5, 0.03)[k] == pytest.approx(without, rel=1e-8)
        assert with_work(decks, "patch", 1, 3.5, settings)[k] == pytest.approx(treated, rel=1e-8)


def test_a_life_is_that_of_the_settings_or_has_no_end():
    settings = plain()
    assert life_yr(figures(three()), "patch", settings) == 7.0
    assert life_yr(figures(three(FAILS)), "patch", settings) == np.inf
    assert life_yr(dataclasses.replace(figures(three(FAILS)), paths=None), "patch", settings) == 7.0

"""Works judged by what was found where that is worse than what is expected; parts of decks; what two works save."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import deck_figures, make_programme
from decknet.schedule.offers import make_offers, second_work, two_works
from decknet.schedule.treatments import permitted
from tests.schedule.plain import plain
from tests.schedule.test_money_over_time import cheapest_later

SETTINGS = plain(gap=0.1)
NAMES = list(SETTINGS.treatment)


def figures(settings: Any = SETTINGS, **columns: Any):
    base = {"deck_id": ["A", "B", "C", "D"], "area_m2": 400.0, "share_now": [0.05, 0.12, 0.90, None]}
    return deck_figures(pd.DataFrame(base | {"growth_per_yr": 0.01} | columns), settings)


@pytest.mark.basis("derived", "found less expected where that is above 0: .12 - .05; none of .10 - .12; not known")
def test_how_far_what_was_found_lies_above_what_is_expected():
    got = figures(found_grown=[0.12, 0.10, None, 0.5])
    assert got.found_above == pytest.approx([0.07, 0.0, 0.0, 0.0])
    assert figures().found_above is None


@pytest.mark.basis("derived", "each treatment from its least to its greatest share, read at the worse of the two")
def test_a_treatment_is_judged_by_the_worse_of_found_and_expected_and_no_share_passes_all_of_the_deck():
    decks = figures()
    above = np.array([0.07, 0.0, 0.30, 0.1])
    got = permitted(decks, NAMES, 3, SETTINGS, above)
    plainly = permitted(decks, NAMES, 3, SETTINGS, None)
    for deck, k, year in np.ndindex(*got.shape):
        kind = SETTINGS.treatment[NAMES[k]]
        for answer, more in ((got, above[deck]), (plainly, 0.0)):
            share = min(decks.share[deck] + 0.01 * year + more, 1.0)
            fits = bool(kind.share_min <= round(share, 9) <= kind.share_max)
            assert answer[deck, k, year] == fits, (deck, NAMES[k], year)
    # 5 % expected and 12 % found: a patch, and no seal; all of a deck and more is all of it
    assert got[0, NAMES.index("patch"), 0]
    assert not got[0, NAMES.index("patch and seal"), 0]
    assert got[2, NAMES.index("new deck"), 0]
    assert permitted(decks, NAMES, 3, SETTINGS, -above).tolist() == plainly.tolist()  # found less is no better


@pytest.mark.basis("derived", "told from half a point above what is expected on; not of the second of two works")
@pytest.mark.parametrize(("found", "told"), [(0.0549, None), (0.0552, "5.5 %"), (0.12, "12 %"), (0.02, None)])
def test_a_line_says_that_it_is_judged_by_what_was_found(found, told):
    frame = pd.DataFrame(
        {"deck_id": ["A"], "area_m2": [400.0], "share_now": [0.05], "growth_per_yr": [0.0], "found_grown": [found]}
    )
    made = make_programme(frame, first_year=2027, budgets=[90_000.0], settings=SETTINGS, pins={"A": (2027, "patch")})
    said = (
        f"; judged by what was found, by now {told}, not by the less that is expected, until the deck is sounded again"
    )
    assert (said in made.lines["why"][0]) == (told is not None)
    assert ("judged by" in made.lines["why"][0]) == (told is not None)
    assert "an expected 5.0 % unsound" in made.lines["why"][0]


def test_of_two_works_only_the_first_is_judged_by_what_was_found():
    frame = pd.DataFrame(
        {
            "deck_id": ["A", "B"], "area_m2": [1_500.0, 300.0], "share_now": [0.05, 0.0], "growth_per_yr": [0.03, 0.0],
            "found_grown": [0.11, 0.0], "aadt": 20_000.0,
        }
    )  # fmt: skip
    settings = plain(gap=0.02, two_steps=1)
    made = make_programme(frame, first_year=2027, budgets=[150_000.0, 0.0, 0.0, 0.0, 800_000.0], settings=settings)
    lines = made.lines.sort_values("year")
    assert lines["treatment"].tolist()[0] == "patch"
    assert len(lines) == 2
    assert lines["why"].str.contains("judged by what was found").tolist() == [True, False]


@pytest.mark.basis("derived", "the rows asked for of every figure there is, and nothing of those there are not")
def test_a_part_of_the_decks_keeps_each_figure():
    full = {
        "found_grown": [0.12, 0.10, None, 0.5], "built_year": [1970, 1980, 1990, 2000],
        "surface_kind": ["bare", "latex", "", "x"],
    }  # fmt: skip
    drawn = pd.DataFrame(
        {
            "deck_id": list("ABCD"), "repair_m2": [1.0, 2, 3, 4], "saw_cut_m": [5.0, 6, 7, 8],
            "full_part": [0.1, 0.2, 0.3, 0.4], "overlay_year": [2001.0, 2002, 2003, 2004],
        }
    )  # fmt: skip
    base = {"deck_id": list("ABCD"), "area_m2": [1.0, 2, 3, 4], "share_now": 0.1, "aadt": [100.0, 200, 300, 400]}
    decks = deck_figures(pd.DataFrame(base | full), SETTINGS, drawn, first_year=2027)
    part = decks.part(np.array([3, 1]))
    for field in dataclasses.fields(decks):
        whole, some = getattr(decks, field.name), getattr(part, field.name)
        if field.name == "paths":
            assert some is None
        elif field.name == "roads":
            assert some.aadt.tolist() == [400, 200]
        else:
            assert np.asarray(whole)[[3, 1]] == pytest.approx(np.asarray(some), nan_ok=True), field.name
    bare = dataclasses.replace(figures(), roads=None)
    few = bare.part(slice(1, 3))
    assert len(few) == 2
    for name in ("roads", "drawn_m2", "drawn_saw_m", "full_part", "deck_age", "overlay_age", "paths", "found_above"):
        assert getattr(bare, name) is None
        assert getattr(few, name) is None


# ---- two works -----------------------------------------------------------------------------------------------


@pytest.mark.basis(
    "derived",
    "cheapest treatment at the end of year 3 without works less with them, back three years at 3 %; A patched at 0 "
    "and then each other treatment at 2",
)
def test_what_two_works_save_after_the_last_year():
    settings = plain(exposure_cost=150.0)
    decks = figures(settings, share_now=[0.05, 0.12, 0.14, 0.08], growth_per_yr=[0.01, 0.02, 0.03, 0.0])
    two = two_works(decks, 0, 2, NAMES, 3, settings)
    for n, (share, growth) in enumerate(zip(decks.share, decks.growth_per_yr, strict=True)):
        then = share * 0.05 + 2 * growth
        assert two.then.share[n] == pytest.approx(then)
        for k, name in enumerate(NAMES):
            kind = settings.treatment[name]
            after = then * (1 - kind.removes) + growth * kind.growth_factor * max(1 - kind.rest_yr, 0.0)
            saved = cheapest_later(400.0, share + 3 * growth, settings) - cheapest_later(400.0, after, settings)
            assert two.saved[n, k] == pytest.approx(max(saved, 0.0) * 1.03**-3)
    assert (two.saved > 0).any()
    assert not two_works(decks, 0, 2, NAMES, 3, plain()).saved.any()
    assert not two.works.later_saved.any()  # of the second alone nothing is told


@pytest.mark.basis("derived", "one year has no later one: a deck gets one work; above so many decks each gets one")
def test_two_works_are_offered_only_where_there_is_a_later_year(monkeypatch):
    settings = plain(two_steps=1)
    decks = figures(settings)
    nobody, nothing = np.zeros(4, dtype=bool), np.zeros(4)
    assert make_offers(decks, NAMES, 1, nobody, {}, nobody, nothing, settings).second is None
    assert make_offers(decks, NAMES, 2, nobody, {}, nobody, nothing, settings).second is not None
    assert make_offers(decks, NAMES, 2, nobody, {}, nobody, nothing, plain()).second is None
    monkeypatch.setattr("decknet.schedule.offers.TWO_STEPS_BELOW", 4)
    assert make_offers(decks, NAMES, 2, nobody, {}, nobody, nothing, settings).second is not None
    monkeypatch.setattr("decknet.schedule.offers.TWO_STEPS_BELOW", 3)
    assert make_offers(decks, NAMES, 2, nobody, {}, nobody, nothing, settings).second is None


@pytest.mark.basis("derived", "offers of few decks at a time are those of all at once")
def test_offers_made_in_parts_are_those_made_at_once(monkeypatch):
    settings = plain(warm_crew_days_per_yr=9.0)
    decks = figures(settings, area_m2=[400.0, 300.0, 800.0, 500.0], share_now=[0.05, 0.12, 0.3, 0.08])
    nobody, shared = np.zeros(4, dtype=bool), np.array([0.0, 100.0, 0.0, 700.0])
    allowed = np.zeros((len(NAMES), 2), dtype=bool)
    allowed[0, 1] = True
    given = (NAMES, 2, nobody, {2: allowed}, nobody, shared, settings)
    whole = make_offers(decks, *given)
    for many in (1, 2, 3):
        monkeypatch.setattr("decknet.schedule.offers.AT_ONCE", many)
        some = make_offers(decks, *given)
        assert some.treatment.tolist() == whole.treatment.tolist()
        assert some.later_saved.tolist() == whole.later_saved.tolist()
        for name in ("deck", "year", "money", "days", "value", "warm_days"):
            assert getattr(some.options, name).tolist() == getattr(whole.options, name).tolist(), name
    unknown = second_work(figures(settings), "patch", np.zeros(4), 1, settings)
    assert unknown.deck_age is None
    assert unknown.overlay_age is None
    assert unknown.found_above is None

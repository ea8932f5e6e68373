"""Where to look first, from a store: worked out only where it is drawn, and drawn from one answer."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import shapely

from decknet.flow import works
from decknet.flow.condition import Condition, read_condition
from decknet.flow.deck import pages_of
from decknet.predict import Nearness
from decknet.settings import Settings


@pytest.fixture(scope="module")
def condition(demo_store: Path) -> Condition:
    return read_condition(demo_store, settings=Settings())


def test_ranking_and_the_map_do_not_work_it_out(condition: Condition) -> None:
    assert len(condition.status)
    assert len(condition.defects)
    assert len(condition.ledger)
    assert "nearness" not in vars(condition)


def test_on_the_demo_it_beats_a_uniform_guess(condition: Condition) -> None:
    learnt = condition.nearness
    assert isinstance(learnt, Nearness)
    assert learnt.shown
    assert 0.5 < learnt.held < 0.7
    assert 0.3 < learnt.low < learnt.held
    assert learnt.pairs > 100


def test_page_sheet_and_deck_page_draw_the_same_bands(condition: Condition) -> None:
    bands = condition.look_first(condition.decks["deck_id"].tolist())
    able = works.decks_with_drawings(condition, bands["deck_id"].drop_duplicates().tolist())
    deck = able[0]
    own = bands[bands["deck_id"] == deck].reset_index(drop=True)
    sheet = works.sheets(condition, [deck])[1][deck].shade
    page = pages_of(condition, [deck], None)[0].shade
    assert sheet is not None
    assert page is not None
    for shade in (sheet, page):
        pd.testing.assert_frame_equal(shade.bands[["band", "times"]], own[["band", "times"]])
        assert all(shapely.equals(a, b) for a, b in zip(shade.bands["shape"], own["shape"], strict=True))
        assert (shade.held, shade.pairs) == (condition.nearness.held, condition.nearness.pairs)
    html = works.field_page(condition, deck)
    assert f"of new damage in {condition.nearness.pairs} pairs of surveys here" in html

"""What opens a hazard and what is told of it, record by record, by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.measure import deck_edges, survey_shares
from decknet.rank.hazard_rules import CLOSED, OPEN, TO_CONFIRM, Closing, Deck, Hazard, Look, Rating, Repair
from decknet.rank.hazards import (
    _amount,
    _events,
    _Finding,
    _follow,
    _frame,
    _is_same,
    _since,
    _solid,
    _stated_kinds,
    _text,
)
from tests.frames import records
from tests.rank.test_hazard_rules import (
    ALL,
    AT,
    BAR,
    EDGE,
    HOLE,
    HOLLOW,
    LEFT,
    NAN,
    RIGHT,
    box,
    day,
    hazard,
    look,
    repair,
)
from tests.rank.test_hazards import WHOLE, Book


def at(when: float, **more: Any) -> Hazard:
    """A hazard found on a day."""
    of = hazard(**more)
    of.opened = of.last_seen = day(when)
    return of


@pytest.mark.basis("derived", "the same only where a look of that day was taken for it, at a place that meets its own")
@pytest.mark.parametrize(
    ("known", "fresh", "same"),
    [
        ({}, {}, True),
        ({}, {"cause": "exposed bar"}, False),
        ({"cause": "remark"}, {"cause": "remark"}, False),
        ({"cause": "opening check"}, {"cause": "opening check"}, False),
        ({}, {"place": box(10.5, -3, 4, 1)}, True),
        ({}, {"place": box(20, -3, 4, 1)}, False),
        ({}, {"place": None}, False),
        ({"place": None}, {"place": None}, True),
        ({"place": None}, {}, False),
        ({"cause": "danger share", "place": None}, {"cause": "danger share", "place": AT}, True),
        ({"cause": "danger share", "place": LEFT}, {"cause": "danger share", "place": RIGHT.buffer(-1)}, False),
        ({"cause": "danger share", "place": LEFT}, {"cause": "danger share", "place": LEFT}, True),
        ({"cause": "poor rating", "place": None}, {"cause": "poor rating", "place": None}, True),
    ],
)
def test_what_is_found_now_is_a_hazard_that_is_open_already(known, fresh, same):
    old, new = hazard(**known), at(9, **fresh)
    assert not _is_same(old, new)  # no look of that day was taken for it
    old.last_seen = day(9)
    assert _is_same(old, new) == same
    assert not _is_same(at(9, **known), new)  # opened on that day too: two of one look
    old.state = TO_CONFIRM
    assert _is_same(old, new) == same
    old.state = CLOSED
    assert not _is_same(old, new)


def test_shapes_without_an_area_are_none():
    line = shapely.LineString([(0, 0), (1, 1)])
    got = _solid([AT, None, line, shapely.Point(0, 0), shapely.Polygon(), LEFT])
    assert [g is None for g in got] == [False, True, True, True, True, False]


@pytest.mark.basis("derived", "records of decks that have a first finding: of its day or later, or only later")
def test_records_since_the_first_finding():
    first = pd.Series({"a": day(3), "b": day(5)})
    rows = pd.DataFrame({"deck_id": list("aaabbc"), "when": [day(n) for n in (2, 3, 4, 4, 5, 9)]})
    assert _since(rows, "when", first).index.tolist() == [1, 2, 4]
    assert _since(rows, "when", first, after=True).index.tolist() == [2]


@pytest.mark.basis("derived", "a drawing states no kinds; of totals each figure counts, and 0 in all is 0 of each")
def test_kinds_that_surveys_state():
    rows = [
        # measured from, unsound, holes, bars -> drawn, found, stated as none
        ("polygons", 0.0, 0.0, 2.0, True, 0, 0),
        ("totals", 5.0, 1.0, None, False, HOLE, 0),
        ("totals", 5.0, 0.0, 2.0, False, BAR, HOLE),
        ("totals", 0.0, None, None, False, 0, HOLE | BAR),
        ("totals", 0.0, 1.0, None, False, HOLE, BAR),
        ("totals", 5.0, None, None, False, 0, 0),
        ("totals", None, None, 0.0, False, 0, BAR),
        (None, None, None, None, False, 0, 0),
    ]
    frame = (
        pd.DataFrame(rows).iloc[:, :4].set_axis(["measured_from", "unsound_m2", "hole_m2", "exposed_bar_m2"], axis=1)
    )
    drawn, loose, none = _stated_kinds(frame)
    assert drawn.tolist() == [row[4] for row in rows]
    assert loose.tolist() == [row[5] for row in rows]
    assert none.tolist() == [row[6] for row in rows]


# ---- in order of date --------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "of one day looks come first, then what was found, then repairs, then closings")
def test_records_of_one_day_act_in_their_order():
    deck = Deck(EDGE, 400.0, 0.4)
    close = Closing(day(9), "c0", "", "all", None, "A. Nonesuch", "filled")
    patch, seen, later = repair(shape=AT), look(shapes={HOLE: AT}), look(n=12)

    def found() -> list[_Finding]:
        return [_Finding(day(0), hazard()), _Finding(day(9), at(9, place=box(10.2, -3, 1, 1)))]

    one = _follow(deck, found(), [(day(9), 0, seen)])
    assert [(h.state, h.opened, h.last_seen) for h in one] == [(OPEN, day(0), day(9))]  # the look is of this one
    two = _follow(deck, found(), [])
    assert [h.opened for h in two] == [day(0), day(9)]
    doubted = _follow(deck, found(), [(day(9), 2, patch), (day(9), 0, seen)])
    assert [(h.state, h.doubts) for h in doubted] == [(TO_CONFIRM, ["patch of 2024-05-10 (r0): of the same day"])]
    done = _follow(deck, found(), [(day(9), 3, close), (day(9), 0, seen)])
    assert [(h.state, h.closed_by[:14]) for h in done] == [(CLOSED, "A. Nonesuch, 2")]
    assert [h.state for h in _follow(deck, found(), [(day(12), 0, later), (day(9), 3, close)])] == [CLOSED, CLOSED]
    early = _follow(deck, [_Finding(day(10), at(10))], [(day(9), 3, close)])
    assert [h.state for h in early] == [OPEN]


# ---- the frame -----------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "1 m2 found, .5 m2 of it left; what is closed is told as it was found")
def test_how_much_of_a_hazard_there_is_by_now():
    half = {"place": box(10, -3, 0.5, 1)}
    assert _amount(hazard(**half)) == 0.5
    assert _amount(hazard("exposed bar", BAR, **half)) == 0.5
    assert _amount(hazard(place=None)) == 1.0
    assert _amount(hazard("danger share", HOLLOW, place=LEFT, amount=0.6)) == 0.6
    done = hazard(**half)
    done.close(day(9), "filled")
    assert _amount(done) == 1.0


def test_the_ledger_stands_by_deck_then_day_then_number():
    rows = [at(3), at(0), at(0), at(0)]
    rows[0].deck_id, rows[2].hazard_id, rows[3].deck_id = "a", "s0/a", "b"
    rows[1].doubt("one")
    rows[1].doubt("another")
    rows[2].doubt("gone")
    rows[2].seen(day(2))
    rows[3].close(day(7), "filled")
    got = _frame(rows)
    assert got["deck_id"].tolist() == ["a", "b", "d", "d"]
    assert got["hazard_id"].tolist() == ["s0/0", "s0/0", "s0/0", "s0/a"]
    assert got["state"].tolist() == [OPEN, CLOSED, TO_CONFIRM, OPEN]
    assert got["doubts"].tolist() == ["", "", "one; another", ""]
    assert got["closed"].tolist()[1] == day(7)
    assert got["closed"].isna().tolist() == [True, False, True, True]
    assert got["last_seen"].tolist() == [day(3), day(0), day(0), day(2)]
    assert (got["opened"].dtype, got["closed"].dtype) == ("datetime64[us]", "datetime64[us]")
    assert _frame([]).empty
    assert [_text("a"), _text(None), _text(NAN)] == ["a", "", ""]


# ---- what opens one ---------------------------------------------------------------------------------------


def opened(book: Book, **more: Any) -> dict[str, tuple[Any, ...]]:
    """Cause, words, amount, place by area and day of each hazard of a book, by its number."""
    got = book.ledger(**more)
    return {
        row.hazard_id: (
            row.cause, row.found_by, None if row.amount != row.amount else round(row.amount, 6),
            None if row.shape is None else round(shapely.area(row.shape), 6), (row.opened - day(0)).days,
        )
        for row in got.itertuples()
    }  # fmt: skip


@pytest.mark.basis("derived", "areas of 1 and .5 m2 drawn, .4 m2 given as a figure, 2 m2 as a total")
def test_holes_and_bars_drawn_listed_and_stated():
    book = (
        Book()
        .look(
            0,
            drawn=[("hole", AT), ("exposed bar", box(3, 1, 1, 0.5)), ("delamination", box(5, 5, 1, 1))],
        )
        .look(3, "visual", hole_m2=2.0, exposed_bar_m2=0.0)
        .look(4, None, exposed_bar_m2=0.7, drawn=[("hole", box(30, 2, 1, 1))])
    )
    assert opened(book) == {
        "s0/0": ("open hole", "sounding of 2024-05-01", 1.0, 1.0, 0),
        "s0/1": ("exposed bar", "sounding of 2024-05-01", 0.5, 0.5, 0),
        "s1/hole": ("open hole", "visual of 2024-05-04", 2.0, None, 3),
        "s2/0": ("open hole", "survey, method not stated, of 2024-05-05", 1.0, 1.0, 4),
        "s2/bars": ("exposed bar", "survey, method not stated, of 2024-05-05", 0.7, None, 4),
    }
    listed = Book().look(0, drawn=[("hole", 0.4), ("exposed bar", 0.1)], hole_m2=0.4, exposed_bar_m2=0.1)
    assert opened(listed) == {  # a total of what is listed is no further one
        "s0/0": ("open hole", "sounding of 2024-05-01", 0.4, None, 0),
        "s0/1": ("exposed bar", "sounding of 2024-05-01", 0.1, None, 0),
    }


@pytest.mark.basis("derived", "160 of 400 m2 are the threshold; of a lane 80 of 200")
def test_shares_ratings_openings_and_remarks():
    assert opened(Book().look(0, unsound_m2=160.0)) == {
        "s0/share": ("danger share", "sounding of 2024-05-01", 0.4, None, 0)
    }
    assert opened(Book().look(0, unsound_m2=159.9)) == {}
    lane = opened(Book().look(0, unsound_m2=80.0, to_offset_m=0.0))
    assert lane == {"s0/share": ("danger share", "sounding of 2024-05-01", 0.4, 200.0, 0)}
    rated = Book().rate(2024, 2).rate(2023, 3)
    assert opened(rated) == {"b/rated 2024": ("poor rating", "inventory of 2024", 2.0, None, 61)}  # 1 July
    late = Book().repair(0, shape=AT, cure_h=30.0, opened_at=None).repair(0, shape=AT, cure_h=30.0, opened_at=" ")
    late.repair(0, shape=AT, cure_h=None, opened_at=None).repair(0, cure_h=30.0, opened_at=None)
    told = ("opening check", "patch of 2024-05-01", None, 1.0, 1)  # 30 h are over on the next day
    assert opened(late, today="2024-06-01") == {
        "r0/opening": told, "r1/opening": told, "r3/opening": ("opening check", "patch of 2024-05-01", None, None, 1)
    }  # fmt: skip
    spoken = Book().look(0, remarks="hole at pier 2, bars exposed").look(2, remarks="hole at pier 2", hole_m2=0.3)
    assert set(opened(spoken)) == {"s0/remark", "s1/hole"}
    row = spoken.ledger().set_index("hazard_id").loc["s0/remark"]
    assert (row["cause"], row["state"], row["doubts"]) == ("remark", TO_CONFIRM, "only a remark speaks of it")
    assert row["remark"] == "hole at pier 2, bars exposed"
    half = (
        Book()
        .look(0, remarks="hole at pier 2, bars exposed", hole_m2=0.3)
        .look(5, "visual", drawn=[("spall", box(1, 1, 1, 1))], **WHOLE)
    )
    assert half.ledger().set_index("hazard_id")["state"].to_dict() == {"s0/hole": CLOSED, "s0/remark": CLOSED}


def test_a_remark_is_answered_by_a_list_or_a_figure_above_nothing():
    drawn = Book().look(0, remarks="hole at pier 2", drawn=[("hole", 0.3)])
    assert set(opened(drawn)) == {"s0/0"}  # listed, though without a total
    none = Book().look(0, remarks="hole at pier 2", hole_m2=0.0)
    assert set(opened(none)) == {"s0/remark"}  # a figure of 0 is no hole


BARS = ("exposed bar", 0.4)  # by their area alone


def events_of(book: Book, first: float = 0.0) -> list[tuple[int, int, Any]]:
    f = book.frames()
    deck = records("deck", deck_id=["d", "e"], bridge_id=["b", "c"], length_m=[40.0] * 2, width_m=[10.0] * 2)
    shares = survey_shares(f["survey"], f["defect"], deck)
    assert list(deck_edges(deck).index) == ["d", "e"]
    found = _events(
        shares, f["defect"], deck, f["repair"], f["rating"], f["closing"], pd.Series({"d": day(first)})
    )  # fmt: skip
    assert set(found) <= {"d"}
    return [((when - day(0)).days, place, event) for when, place, event in found.get("d", [])]


@pytest.mark.basis("derived", "each record with its day and its place among those of the day")
def test_what_may_act_on_a_hazard():
    book = (
        Book()
        .look(0, drawn=[("hole", AT)])
        .look(5, "visual", hole_m2=0.5, unsound_m2=8.0)
        .look(
            6, drawn=[("hole", AT), ("hole", box(20, 1, 2, 1)), ("delamination", box(1, 1, 3, 1)), ("exposed bar", 0.4)]
        )
        .look(7, None, unsound_m2=0.0)
        .repair(0, shape=AT, area_m2=3.0)
        .repair(8, "other")
        .rate(2024, 4)
        .rate(2023, 4)
        .close(9, cause="open hole", station_m=3.0, offset_m=-1.0)
        .close(10, hazard="all", station_m=3.0)
        .close(11, shape=box(0, 0, 2, 2), station_m=3.0, offset_m=-1.0)
        .close(12, shape=shapely.Point(1, 1))
    )
    book.rows["rating"].append({"bridge_id": "c", "rated_year": 2024, "deck_rating": 4})
    got = {(n, type(e).__name__): (place, e) for n, place, e in events_of(book)}
    assert {key: place for key, (place, _) in got.items()} == {
        (5, "Look"): 0, (6, "Look"): 0, (7, "Look"): 0, (0, "Repair"): 2, (8, "Repair"): 2, (61, "Rating"): 0,
        (9, "Closing"): 3, (10, "Closing"): 3, (11, "Closing"): 3, (12, "Closing"): 3,
    }  # fmt: skip
    total, drawn, none = (got[n, "Look"][1] for n in (5, 6, 7))
    assert isinstance(total, Look)
    assert (total.drawn, total.loose, total.none, total.unsound, dict(total.shapes)) == (False, HOLE, 0, None, {})
    assert total.share == pytest.approx(8 / 400)
    assert drawn.drawn
    assert drawn.loose == BAR
    assert {bit: shapely.area(s) for bit, s in drawn.shapes.items()} == {HOLE: 3.0, HOLLOW: 3.0}
    assert shapely.area(drawn.unsound) == pytest.approx(6.0)
    assert (none.none, none.method_known, total.method_known) == (HOLE | BAR, False, True)
    assert drawn.sees & ALL == ALL
    first, other = got[0, "Repair"][1], got[8, "Repair"][1]
    assert isinstance(first, Repair)
    assert (first.name, first.treatment, shapely.area(first.shape), first.area_m2) == ("r0", "patch", 1.0, 3.0)
    assert (other.name, other.treatment, other.shape) == ("r1", "other", None)
    assert np.isnan(other.area_m2)
    assert got[61, "Rating"][1] == Rating(day(61), 4)
    near, bare, drawn_there = (got[n, "Closing"][1] for n in (9, 10, 11))
    assert (near.cause, near.hazard, near.by, near.how) == ("open hole", "", "A. Nonesuch", "filled and checked")
    assert (near.place.x, near.place.y, near.name) == (3.0, -1.0, "c0")
    assert (bare.place, bare.hazard, bare.cause) == (None, "all", "")
    assert shapely.area(drawn_there.place) == 4.0
    assert got[12, "Closing"][1].place is None  # a place is drawn as an area, or given by station and offset
    assert events_of(book, 6.0)[0][0] == 7  # what comes before the first finding acts on nothing

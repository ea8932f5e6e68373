"""What one later record does to one hazard: each rule by hand, on a deck of 40 x 10 m with a hole of 1 m2."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.measure.looks import ASSUMED, PART, PLACE, WHOLE, kinds_mask
from decknet.rank.hazard_rules import (
    CLOSED,
    OPEN,
    TO_CONFIRM,
    Closing,
    Deck,
    Hazard,
    Look,
    Rating,
    Repair,
    _covers,
    _meets,
    _part,
    _uncover,
    apply,
    areal,
    closings_of,
    survey_words,
)

HOLE, BAR, SPALL, HOLLOW = (kinds_mask(frozenset({k})) for k in ("hole", "exposed bar", "spall", "delamination"))
ALL = HOLE | BAR | SPALL | HOLLOW
EDGE = shapely.box(0, -5, 40, 5)
DECK = Deck(EDGE, 400.0, 0.4)
NO_EDGE = Deck(None, float("nan"), 0.4)
AT = shapely.box(10, -3, 11, -2)
LEFT, RIGHT = shapely.box(0, -5, 40, 0), shapely.box(0, 0, 40, 5)
NAN = float("nan")


def day(n: float) -> pd.Timestamp:
    return pd.Timestamp("2024-05-01") + pd.Timedelta(days=n)


def hazard(cause: str = "open hole", kinds: int = HOLE, place: Any = AT, **more: Any) -> Hazard:
    given = {"amount": 1.0, "last_seen": day(0)} | more
    return Hazard("s0/0", "d", cause, day(0), "sounding of 2024-05-01", kinds=kinds, place=place, **given)


def look(extent: str = WHOLE, region: Any = None, n: float = 9, **more: Any) -> Look:
    """A sounding nine days later that sees all and is drawn, unless said otherwise."""
    given: dict[str, Any] = {
        "method": "sounding", "sees": ALL, "method_known": True, "drawn": True, "shapes": {}, "loose": 0, "none": 0,
        "share": NAN, "unsound": None,
    }  # fmt: skip
    return Look(day(n), extent=extent, region=region, **(given | more))


def repair(treatment: str = "patch", shape: Any = None, n: float = 9, area_m2: float = NAN) -> Repair:
    return Repair(day(n), "r0", treatment, shape, area_m2)


def box(x: float, y: float, w: float, h: float) -> Any:
    return shapely.box(x, y, x + w, y + h)


def area(shape: Any) -> float | None:
    return None if shape is None else float(shapely.area(shape))


UNTOUCHED = (OPEN, 0, [], "")
NAME = "sounding of 2024-05-10"
NONE_THERE = f"{NAME} looked there and reports none"
TAKEN = ", taken for a look at the whole deck"


def result(event: Any, of: Hazard, deck: Deck = DECK) -> tuple[str, int, list[str], str]:
    """State, days until it was last seen, doubts, and what closed it, after a record."""
    apply(event, of, deck)
    assert (of.closed is None) == (of.state != CLOSED)
    assert of.closed in (None, event.day)
    return of.state, (of.last_seen - day(0)).days, of.doubts, of.closed_by


def closed(how: str) -> tuple[str, int, list[str], str]:
    return (CLOSED, 0, [], how)


def doubted(why: str, seen: int = 0) -> tuple[str, int, list[str], str]:
    return (TO_CONFIRM, seen, [why], "")


# ---- looks at a place that is known --------------------------------------------------------------------------


@pytest.mark.basis("derived", "what a look says of a known place, rule by rule")
@pytest.mark.parametrize(
    ("event", "expected"),
    [
        (look(), closed(NONE_THERE)),
        (look(ASSUMED, none=HOLE), closed(NONE_THERE + TAKEN)),
        (look(ASSUMED), doubted(f"{NAME} drew none, and nothing says that it looked there")),
        (look(PART), doubted(f"{NAME} looked at a part of the deck, not known which, and reports none")),
        (look(PLACE, LEFT), closed(NONE_THERE)),
        (look(PLACE, RIGHT), UNTOUCHED),
        (look(PLACE, box(9, -4, 3, 3)), closed(NONE_THERE)),
        (look(PLACE, box(10.5, -4, 3, 3)), UNTOUCHED),  # half of it is left open
        # kinds and methods
        (look(sees=HOLLOW), UNTOUCHED),
        (look(sees=HOLE), closed(NONE_THERE)),
        (look(sees=HOLLOW | HOLE, method_known=False), doubted(f"{NAME} reports none, its method not known")),
        (look(PART, method_known=False), doubted(f"{NAME} reports none, its method not known")),
        (look(PLACE, RIGHT, method_known=False), UNTOUCHED),
        (
            look(method=None, method_known=False),
            doubted("survey, method not stated, of 2024-05-10 reports none, its method not known"),
        ),
        # it must speak of holes: by a drawing, or by a figure of 0
        (look(drawn=False), UNTOUCHED),
        (look(drawn=False, none=HOLE), closed(NONE_THERE)),
        (look(drawn=False, none=BAR), UNTOUCHED),
        (look(drawn=False, none=HOLE | BAR), closed(NONE_THERE)),
        # one is reported without a place: perhaps this one
        (look(loose=HOLE), (OPEN, 9, [], "")),
        (look(loose=BAR), closed(NONE_THERE)),
        (look(PLACE, LEFT, loose=HOLE), (OPEN, 9, [], "")),
        (look(PLACE, RIGHT, loose=HOLE), UNTOUCHED),
        (look(PART, loose=HOLE), (OPEN, 9, [], "")),
        # drawn there again, or elsewhere, or of another kind
        (look(shapes={HOLE: box(10.5, -2.5, 1, 1)}), (OPEN, 9, [], "")),
        (look(shapes={HOLE: box(30, 1, 1, 1)}), closed(NONE_THERE)),
        (look(shapes={BAR: AT}), closed(NONE_THERE)),
        (look(shapes={HOLE: AT}, sees=HOLLOW), (OPEN, 9, [], "")),
        # of the day itself and before
        (look(n=0), UNTOUCHED),
        (look(n=-3), UNTOUCHED),
        (look(n=0, shapes={HOLE: AT}), UNTOUCHED),
    ],
)
def test_looks_at_a_known_place(event, expected):
    assert result(event, hazard()) == expected


@pytest.mark.basis("derived", "the ground that is left, and where it was found again, by area")
def test_where_a_hazard_is_after_a_look():
    half = hazard()
    assert result(look(PLACE, box(10.5, -4, 3, 3)), half) == UNTOUCHED
    assert shapely.equals(half.place, box(10, -3, 0.5, 1))
    again = hazard()
    met = shapely.union_all([box(10.5, -2.5, 1, 1), box(30, 1, 2, 1)])  # one piece meets it, the other does not
    result(look(shapes={HOLE: met, BAR: box(10, -3, 5, 1)}), again)
    assert shapely.equals(again.place, box(10.5, -2.5, 1, 1))
    part = hazard()
    result(look(PLACE, box(10.5, -4, 3, 3), shapes={HOLE: box(10.9, -2.5, 1, 0.5)}), part)
    assert area(part.place) == pytest.approx(0.5 + 0.5)  # what was not looked at, and what was found
    whole = hazard()
    result(look(PLACE, box(9, -4, 3, 3), shapes={HOLE: box(10.9, -2.5, 1, 0.5)}), whole)
    assert shapely.equals(whole.place, box(10.9, -2.5, 1, 0.5))
    assert result(look(n=20, loose=HOLE), hazard(last_seen=day(12)))[1] == 20
    assert result(look(n=10, loose=HOLE), hazard(last_seen=day(12)))[1] == 12  # an earlier one


def test_found_again_it_is_no_longer_doubted_unless_only_a_remark_speaks_of_it():
    of = hazard()
    of.doubt("something")
    of.doubt("something")
    assert (of.state, of.doubts) == (TO_CONFIRM, ["something"])
    assert result(look(shapes={HOLE: AT}), of) == (OPEN, 9, [], "")
    spoken = hazard("remark", place=None)
    spoken.doubt("only a remark speaks of it")
    spoken.seen(day(9))
    assert (spoken.state, spoken.doubts, spoken.last_seen) == (TO_CONFIRM, ["only a remark speaks of it"], day(9))
    spoken.seen(day(3))
    assert spoken.last_seen == day(9)


def test_what_is_closed_stays_so():
    of = hazard()
    of.close(day(3), "filled")
    for event in (look(shapes={HOLE: AT}), repair("other", AT), Rating(day(9), 1)):
        apply(event, of, DECK)
    assert (of.state, of.closed, of.closed_by, of.last_seen) == (CLOSED, day(3), "filled", day(0))


@pytest.mark.basis("derived", "a check of an opening asks for a look there, whatever that finds")
def test_a_look_after_a_patch_ends_its_opening_check():
    check = {"cause": "opening check", "kinds": SPALL}
    assert result(look(), hazard(**check)) == closed(NONE_THERE)
    for event in (look(shapes={SPALL: AT}), look(PLACE, LEFT, shapes={SPALL: AT})):
        assert result(event, hazard(**check)) == closed(f"{NAME} looked there")  # it reports a spall
    assert result(look(PLACE, RIGHT), hazard(**check)) == UNTOUCHED
    unplaced = hazard(**check, place=None)
    assert result(look(shapes={SPALL: AT}), unplaced) == UNTOUCHED
    assert unplaced.place is None
    assert result(look(loose=SPALL), hazard(**check, place=None)) == UNTOUCHED
    assert result(look(), hazard(**check, place=None)) == closed(NONE_THERE)


# ---- looks where the place is not known ---------------------------------------------------------------------


@pytest.mark.basis("derived", "what a look says of something that lies anywhere on a ground, rule by rule")
@pytest.mark.parametrize(
    ("event", "ground", "expected"),
    [
        (look(), EDGE, closed(NONE_THERE)),
        (look(), None, closed(NONE_THERE)),
        (look(ASSUMED, none=HOLE), EDGE, closed(NONE_THERE + TAKEN)),
        (look(ASSUMED), EDGE, doubted(f"{NAME} drew none, and nothing says that it looked there")),
        (look(PART), EDGE, UNTOUCHED),
        (look(PART, method_known=False), EDGE, doubted(f"{NAME} reports none, its method not known")),
        (look(PLACE, LEFT), EDGE, UNTOUCHED),
        (look(PLACE, LEFT), LEFT, closed(NONE_THERE)),
        (look(PLACE, LEFT), None, UNTOUCHED),
        (look(PLACE, LEFT, method_known=False), LEFT, UNTOUCHED),
        (look(method_known=False), LEFT, doubted(f"{NAME} reports none, its method not known")),
        (look(sees=HOLLOW), EDGE, UNTOUCHED),
        (look(drawn=False), EDGE, UNTOUCHED),
        (look(drawn=False, none=HOLE), EDGE, closed(NONE_THERE)),
        # found again: where all of the ground was looked at it is this one
        (look(loose=HOLE), EDGE, (OPEN, 9, [], "")),
        (look(ASSUMED, loose=HOLE), EDGE, (OPEN, 9, [], "")),
        (look(PLACE, LEFT, loose=HOLE), LEFT, (OPEN, 9, [], "")),
        (look(PLACE, LEFT, loose=HOLE), EDGE, UNTOUCHED),
        (look(PART, loose=HOLE), EDGE, UNTOUCHED),
        (look(PLACE, LEFT, loose=HOLE), None, UNTOUCHED),
        (look(shapes={HOLE: AT}), EDGE, (OPEN, 9, [], "")),
        (look(ASSUMED, shapes={HOLE: AT}), EDGE, (OPEN, 9, [], "")),
        (look(PLACE, LEFT, shapes={HOLE: AT}), EDGE, UNTOUCHED),
        (look(PART, shapes={HOLE: AT}), EDGE, UNTOUCHED),
    ],
)
def test_looks_where_the_place_is_not_known(event, ground, expected):
    assert result(event, hazard(place=None, ground=ground)) == expected


@pytest.mark.basis("derived", "the ground that no look has covered; a place once all of it was looked at")
def test_what_ground_is_left_and_when_a_place_is_known():
    of = hazard(place=None, ground=EDGE)
    result(look(PLACE, LEFT), of)
    assert shapely.equals(of.ground, RIGHT)
    assert result(look(PLACE, RIGHT, n=12), of)[0] == CLOSED
    placed = hazard(place=None, ground=LEFT)
    result(look(PLACE, LEFT, shapes={HOLE: AT}), placed)
    assert (shapely.equals(placed.place, AT), placed.ground) == (True, None)
    for event, of in (
        (look(ASSUMED, shapes={HOLE: AT}), hazard(place=None, ground=EDGE)),
        (look(shapes={HOLE: AT}), hazard("remark", place=None, ground=EDGE)),
        (look(PLACE, LEFT, shapes={HOLE: AT}), hazard(place=None, ground=EDGE)),
    ):
        result(event, of)
        assert of.place is None  # it may be another one
        assert shapely.equals(of.ground, EDGE)
    sliver = hazard(place=None, ground=EDGE)
    assert result(look(PLACE, shapely.box(0, -5, 40, 4.999999)), sliver)[0] == CLOSED  # .4 cm2 are none
    strip = hazard(place=None, ground=EDGE)
    assert result(look(PLACE, shapely.box(0, -5, 40, 4.99999)), strip)[0] == OPEN  # 4 cm2 are some


def test_a_rating_and_a_remark_of_a_closed_lane_are_no_matter_of_looks():
    assert result(look(), hazard("poor rating", 0, None)) == UNTOUCHED
    assert result(look(), hazard("poor rating", HOLE)) == UNTOUCHED
    assert result(look(), hazard("remark", 0, None)) == UNTOUCHED


# ---- a share past the danger threshold ------------------------------------------------------------------------


def share(place: Any = None, parts: Any = None, amount: float = 0.5) -> Hazard:
    return hazard("danger share", HOLLOW, place, parts=parts, amount=amount)


BELOW = f"{NAME} is below the threshold"
TOGETHER = f"{NAME} and earlier looks together stay below the threshold there"


@pytest.mark.basis("derived", "40 % is the threshold; what a later share says of the same ground, rule by rule")
@pytest.mark.parametrize(
    ("event", "place", "expected"),
    [
        (look(share=0.1), None, closed(BELOW)),
        (look(share=0.1), LEFT, closed(BELOW)),
        (look(share=NAN), None, UNTOUCHED),
        (look(share=0.1, sees=HOLE), None, UNTOUCHED),
        (look(share=0.1, method_known=False), None, doubted(f"{BELOW}, its method not known")),
        (look(PART, share=0.1), None, doubted(f"{BELOW}, of a part not known which")),
        (
            look(ASSUMED, share=0.1),
            None,
            doubted(f"{NAME} drew less, and nothing says how much of the deck it looked at"),
        ),
        (look(ASSUMED, share=0.1, drawn=False), None, closed(BELOW + TAKEN)),
        (look(PLACE, LEFT, share=0.1), LEFT, closed(BELOW)),
        (look(PLACE, LEFT, share=0.1), None, UNTOUCHED),  # half of the deck
        (look(PLACE, EDGE, share=0.1), None, closed(BELOW)),
        (look(PLACE, RIGHT, share=0.9), LEFT, UNTOUCHED),
        (look(PLACE, RIGHT, share=0.1), LEFT, UNTOUCHED),
        # at the threshold and past it
        (look(share=0.4), None, (OPEN, 9, [], "")),
        (look(share=0.399), None, closed(BELOW)),
        (look(PART, share=0.9), None, UNTOUCHED),
        (look(PLACE, LEFT, share=0.9), None, (OPEN, 9, [], "")),
    ],
)
def test_looks_at_a_share_past_the_threshold(event, place, expected):
    assert result(event, share(place)) == expected


def test_a_share_found_again_is_told_as_it_is_now_with_its_areas():
    for extent, drawn, parts in ((WHOLE, True, 300.0), (ASSUMED, True, 300.0), (WHOLE, False, None)):
        of = share(parts=LEFT)
        result(look(extent, share=0.75, drawn=drawn, unsound=shapely.box(0, -5, 30, 5)), of)
        assert of.amount == 0.75
        assert area(of.parts) == parts
    part = share(parts=LEFT)
    result(look(PART, share=0.75, unsound=EDGE), part)
    assert (part.amount, area(part.parts)) == (0.5, 200.0)
    placed = share(parts=None)
    result(look(PLACE, LEFT, share=0.75, unsound=LEFT), placed)
    assert (placed.amount, placed.parts) == (0.75, None)
    assert result(look(PLACE, LEFT, share=0.1), share(None), NO_EDGE) == UNTOUCHED
    assert result(look(share=0.1), share(None), NO_EDGE) == closed(BELOW)
    assert result(look(PLACE, LEFT, share=0.9), share(None), NO_EDGE) == (OPEN, 9, [], "")


@pytest.mark.basis("derived", "200 of 400 m2 drawn in the left half; looks at parts of it take away and add")
def test_looks_at_parts_of_the_ground_are_put_together_with_what_was_drawn_before():
    of = share(parts=LEFT)
    found = shapely.box(0, -5, 5, 0)
    first = shapely.box(0, -5, 10, 5)
    assert result(look(PLACE, first, share=0.25, unsound=found), of) == UNTOUCHED  # 200 - 50 + 25 = 175 of 400
    assert area(of.parts) == pytest.approx(175.0)
    second = shapely.box(10, -5, 15, 5)
    told = result(look(PLACE, second, n=9, share=0.0), of)  # 150 of 400
    assert told == closed(TOGETHER)
    again = share(parts=LEFT)
    assert result(look(PLACE, first, share=0.5, unsound=shapely.box(0, -5, 10, 0)), again) == (OPEN, 9, [], "")
    assert area(again.parts) == pytest.approx(200.0)
    unknown = share(parts=LEFT)
    assert result(look(PLACE, LEFT, share=0.0, method_known=False), unknown) == UNTOUCHED
    assert area(unknown.parts) == 0.0
    lane = share(place=LEFT, parts=LEFT)  # of the lane alone: 100 of 200 m2 are left
    assert result(look(PLACE, shapely.box(0, -5, 20, 5), share=0.0), lane) == UNTOUCHED
    assert area(lane.parts) == pytest.approx(100.0)
    more = share(place=LEFT, parts=shapely.box(0, -5, 16, 0))  # 80 of 200: what lies outside the lane adds nothing
    assert result(look(PLACE, RIGHT.union(shapely.box(0, -5, 1, 0)), share=0.9, unsound=RIGHT), more) == closed(
        TOGETHER
    )
    totals = share(place=LEFT, parts=LEFT)
    assert result(look(PLACE, LEFT, share=0.1, drawn=False), totals) == closed(BELOW)


# ---- repairs --------------------------------------------------------------------------------------------------

PATCH, OVER = "patch of 2024-05-10 (r0)", "thin overlay of 2024-05-10 (r0)"
NO_PLACE = "the place of what was found is not on record"


@pytest.mark.basis("derived", "a repair drawn over a place takes it away, to 5 cm beyond its edge; others are doubted")
@pytest.mark.parametrize(
    ("event", "expected"),
    [
        (repair(shape=AT), closed(f"{PATCH} drawn over it")),
        (repair("patch and seal", AT), closed("patch and seal of 2024-05-10 (r0) drawn over it")),
        (repair(shape=box(30, 1, 1, 1)), UNTOUCHED),
        (repair(shape=box(10, -3, 0.952, 1)), closed(f"{PATCH} drawn over it")),  # reaches 10.952 + .05
        (repair(shape=box(10, -3, 0.947, 1)), UNTOUCHED),  # 3 mm are left: 30 cm2
        (repair(shape=None), doubted(f"{PATCH}: its place is not on record")),
        (repair("other", None), doubted("other of 2024-05-10 (r0): its place is not on record")),
        (repair("other", AT), doubted("other of 2024-05-10 (r0): drawn over it; what it did is not told")),
        (repair("other", box(30, 1, 1, 1)), UNTOUCHED),
        (repair(shape=AT, n=0), doubted("patch of 2024-05-01 (r0): of the same day")),
        (repair("other", AT, n=0), doubted("other of 2024-05-01 (r0): of the same day")),
        (repair(shape=box(30, 1, 1, 1), n=0), UNTOUCHED),
        (repair(shape=AT, n=-1), UNTOUCHED),
        (repair(n=-1), UNTOUCHED),
    ],
)
def test_repairs_of_a_known_place(event, expected):
    assert result(event, hazard()) == expected


@pytest.mark.parametrize(
    ("event", "ground", "expected"),
    [
        (repair(shape=AT), EDGE, doubted(f"{PATCH}: {NO_PLACE}")),
        (repair(shape=AT), None, doubted(f"{PATCH}: {NO_PLACE}")),
        (repair(shape=AT), RIGHT, UNTOUCHED),
        (repair("other", AT), LEFT, doubted(f"other of 2024-05-10 (r0): {NO_PLACE}")),
        (repair("thin overlay", LEFT), EDGE, doubted(f"{OVER}: {NO_PLACE}")),
        (repair("thin overlay", LEFT), None, doubted(f"{OVER}: {NO_PLACE}")),
        (repair("thin overlay", shapely.box(0, -5, 40, -0.5)), RIGHT, UNTOUCHED),
        (repair("thin overlay", EDGE), EDGE, closed(OVER)),
    ],
)
def test_repairs_where_the_place_is_not_known(event, ground, expected):
    assert result(event, hazard(place=None, ground=ground)) == expected


def test_the_repair_that_a_hazard_is_about_does_not_end_it():
    of = hazard("opening check", SPALL)
    of.hazard_id = "r0/opening"
    assert result(repair(shape=AT), of) == UNTOUCHED
    assert result(repair("new deck"), of) == UNTOUCHED


@pytest.mark.basis("derived", "95 % of 400 m2 are 380 m2: an overlay of as much is of the whole deck")
@pytest.mark.parametrize(
    ("event", "expected"),
    [
        (repair("thin overlay"), closed(OVER)),
        (repair("thin overlay", area_m2=380.0), closed(OVER)),
        (repair("thin overlay", area_m2=379.0), doubted(f"{OVER}: of a part of the deck, not known which")),
        (repair("thin overlay", n=0), doubted("thin overlay of 2024-05-01 (r0): of the same day")),
        (repair("thin overlay", EDGE), closed(OVER)),
        (repair("thin overlay", shapely.box(0.04, -4.96, 39.96, 4.96)), closed(OVER)),
        (repair("thin overlay", LEFT), closed(f"{OVER} drawn over it")),
        (repair("thin overlay", RIGHT), UNTOUCHED),
        (repair("thin overlay", box(10.5, -5, 9, 9), area_m2=400.0), UNTOUCHED),  # drawn: the drawing counts
        (repair("new deck"), closed("new deck of 2024-05-10 (r0)")),
    ],
)
def test_an_overlay_or_a_new_deck(event, expected):
    assert result(event, hazard()) == expected


def test_an_overlay_of_a_part_leaves_the_rest_and_of_a_deck_without_an_edge_what_it_is_drawn_over():
    of = hazard()
    result(repair("thin overlay", box(10.5, -5, 9, 9)), of)
    assert area(of.place) == pytest.approx(0.45)  # to 5 cm beyond its edge
    assert result(repair("thin overlay", LEFT), hazard(), NO_EDGE) == closed(f"{OVER} drawn over it")
    assert result(repair("thin overlay", RIGHT), hazard(), NO_EDGE) == UNTOUCHED
    assert result(repair("thin overlay", area_m2=10.0), hazard(), NO_EDGE) == closed(OVER)  # its share is not known


@pytest.mark.basis("derived", "bettered by a better rating or a new deck of the whole; else it is not rated since")
@pytest.mark.parametrize(
    ("event", "expected"),
    [
        (repair("new deck"), closed("new deck of 2024-05-10 (r0)")),
        (repair("new deck", LEFT), doubted("new deck of 2024-05-10 (r0): not rated since")),
        (repair("thin overlay"), doubted(f"{OVER}: not rated since")),
        (repair("new deck", n=0), doubted("new deck of 2024-05-01 (r0): of the same day")),
        (repair(shape=EDGE), UNTOUCHED),
        (repair(shape=None), UNTOUCHED),
        (Rating(day(9), 3), closed("rated 3 in 2024")),
        (Rating(day(9), 2), (OPEN, 9, [], "")),
        (Rating(day(9), 1), (OPEN, 9, [], "")),
        (Rating(day(0), 9), UNTOUCHED),
    ],
)
def test_a_poor_rating(event, expected):
    assert result(event, hazard("poor rating", 0, None, amount=2.0)) == expected
    if isinstance(event, Rating):
        assert result(event, hazard()) == UNTOUCHED


NOT_TOLD = "how much of the unsound concrete it took out is not on record"


@pytest.mark.basis("derived", "200 of 400 m2 unsound as drawn; 160 are the threshold: a patch of 40 leaves it there")
@pytest.mark.parametrize(
    ("event", "expected", "left"),
    [
        (repair(shape=shapely.box(0, -5, 8, 0)), UNTOUCHED, 160.0),
        (
            repair(shape=shapely.box(0, -5, 8.1, 0)),
            closed(f"drawn repairs up to {PATCH} leave less than the threshold"),
            159.5,
        ),
        (repair(shape=RIGHT), UNTOUCHED, 200.0),
        (repair("other", LEFT), doubted(f"other of 2024-05-10 (r0): {NOT_TOLD}"), 200.0),
        (repair(shape=LEFT, n=0), doubted(f"patch of 2024-05-01 (r0): {NOT_TOLD}"), 200.0),
        (repair(shape=None), doubted(f"{PATCH}: its place is not on record"), 200.0),
        (
            repair("thin overlay", LEFT),
            closed(f"drawn repairs up to {OVER} leave less than the threshold"),
            0.0,
        ),
        (repair("thin overlay", shapely.box(0, -5, 4, 5)), UNTOUCHED, 180.0),
        (repair("thin overlay", area_m2=30.0), doubted(f"{OVER}: of a part of the deck, not known which"), 200.0),
    ],
)
def test_repairs_of_a_share_past_the_threshold(event, expected, left):
    of = share(parts=LEFT)
    assert result(event, of) == expected
    assert area(of.parts) == pytest.approx(left)


def test_repairs_of_a_share_whose_areas_or_ground_are_not_known():
    assert result(repair(shape=LEFT), share()) == doubted(f"{PATCH}: {NOT_TOLD}")
    assert result(repair(shape=LEFT), share(parts=LEFT), NO_EDGE) == doubted(f"{PATCH}: {NOT_TOLD}")
    assert result(repair(shape=RIGHT), share(place=LEFT, parts=LEFT)) == UNTOUCHED
    assert result(repair("other", RIGHT), share(place=LEFT, parts=LEFT)) == UNTOUCHED
    lane = share(place=LEFT, parts=LEFT)
    assert result(repair(shape=shapely.box(0, -5, 24, 0)), lane) == UNTOUCHED  # 80 of 200 m2 are 40 %
    assert result(repair(shape=shapely.box(24, -5, 25, 0)), lane)[0] == CLOSED


# ---- closing records ------------------------------------------------------------------------------------------


def closing(n: float = 9, cause: str = "", name: str = "", place: Any = None) -> Closing:
    return Closing(day(n), "c0", cause, name, place, "A. Nonesuch", "filled and checked")


WORD = "A. Nonesuch, 2024-05-10: filled and checked (closing c0)"


def four() -> list[Hazard]:
    """A hole here, a hole there, bars without a place, and one that is closed already."""
    there = hazard(place=box(30, 1, 1, 1))
    there.hazard_id = "s0/1"
    bars = hazard("exposed bar", BAR, None)
    bars.hazard_id = "s0/2"
    done = hazard()
    done.hazard_id = "s0/3"
    done.close(day(2), "patched")
    return [hazard(), there, bars, done]


@pytest.mark.basis("derived", "by number, by cause, by place, or all; what it may mean is to be confirmed")
@pytest.mark.parametrize(
    ("event", "states"),
    [
        (closing(name="s0/1"), "OCO"),
        (closing(name="s0/9"), "OOO"),
        (closing(name="s0/1", cause="exposed bar"), "OCO"),  # the number counts
        (closing(name="all"), "CCC"),
        (closing(name="All", cause="open hole"), "CCO"),
        (closing(cause="exposed bar"), "OOC"),
        (closing(cause="open hole"), "TTO"),
        (closing(), "TTT"),
        (closing(n=-1, name="all"), "OOO"),
        (closing(n=0, name="all"), "CCC"),
        (closing(cause="open hole", place=shapely.Point(10.5, -2.5)), "COO"),
        (closing(place=shapely.Point(10.5, -2.5)), "COT"),
        (closing(place=shapely.Point(11.99, -2.5)), "COT"),  # within a metre
        (closing(place=shapely.Point(12.01, -2.5)), "OOT"),
        (closing(place=box(10.9, -3, 20, 5)), "CCT"),
        (closing(cause="danger share", place=AT), "OOO"),
    ],
)
def test_closing_records(event, states):
    hazards = four()
    closings_of(event, hazards)
    letters = {OPEN: "O", CLOSED: "C", TO_CONFIRM: "T"}
    assert "".join(letters[h.state] for h in hazards[:3]) == states
    assert (hazards[3].closed, hazards[3].closed_by) == (day(2), "patched")
    for h in hazards[:3]:
        if h.state == CLOSED:
            assert h.closed == event.day
            assert h.closed_by == WORD.replace("2024-05-10", f"{event.day:%Y-%m-%d}")


def test_what_a_closing_record_leaves_in_doubt_is_said():
    hazards = four()
    closings_of(closing(), hazards)
    assert [h.doubts for h in hazards[:3]] == [[f"{WORD}: which of the 3 it means is not on record"]] * 3
    hazards = four()
    closings_of(closing(place=AT), hazards)
    assert hazards[2].doubts == [f"{WORD}: whether it is this one is not on record"]
    alone = [hazard()]
    closings_of(closing(), alone)
    assert alone[0].state == CLOSED


# ---- shapes ---------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "by area: .5 % may stick out of a cover, 1 cm2 is a meeting, 10 cm2 a place that is left")
def test_shapes_that_cover_meet_and_are_left():
    assert _covers(shapely.box(0, -5, 39.81, 5), EDGE)  # 1.9 of 400 m2
    assert not _covers(shapely.box(0, -5, 39.79, 5), EDGE)
    assert _meets(AT, box(10.9, -3, 9, 1))
    assert not _meets(AT, box(11, -3, 9, 1))  # an edge
    assert not _meets(AT, box(10.99991, -3, 9, 1))  # .9 cm2
    assert _meets(AT, box(10.99989, -3, 9, 1))
    for width, state in ((0.0011, OPEN), (0.0009, CLOSED)):
        of = hazard()
        _uncover(of, box(10 + width, -3, 9, 1), day(9), "why")
        assert (of.state, of.closed_by) == (state, "" if state == OPEN else "why")
    assert _part(shapely.union_all([LEFT, box(39, 0, 1, 5)]), EDGE) == pytest.approx(205 / 400)
    assert _part(EDGE, LEFT) == 1.0
    mixed = shapely.GeometryCollection([AT, shapely.LineString([(0, 0), (1, 1)])])
    assert area(areal(mixed)) == 1.0
    assert survey_words(day(9), "visual") == "visual of 2024-05-10"
    assert survey_words(day(9), np.nan) == "survey, method not stated, of 2024-05-10"
    assert look(method="visual").name == "visual of 2024-05-10"

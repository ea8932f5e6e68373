"""The hazards ledger: sequences of records worked out by hand, and histories against a grid of cells."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.measure import deck_edges, survey_shares
from decknet.rank import act_now, follow_hazards, with_words
from decknet.settings import UrgentSettings
from tests.frames import records
from tests.quick import first

DAY = pd.Timestamp("2024-05-01")
S = UrgentSettings()
LEFT, RIGHT = {"to_offset_m": 0.0}, {"from_offset_m": 0.0}
WHOLE = {"looked_at": "whole deck"}
HOLE = shapely.box(10, -3, 11, -2)  # in the left lane of a deck of 40 x 10 m
OTHER = shapely.box(30, 2, 31, 3)  # in the right lane


def box(x, y, w=1.0, h=1.0):
    return shapely.box(x, y, x + w, y + h)


class Book:
    """Records of one deck, each added at a number of days after DAY."""

    def __init__(self):
        self.rows = {kind: [] for kind in ("survey", "defect", "repair", "closing", "rating")}

    def look(self, day, method="sounding", drawn=(), **more):
        name = f"s{len(self.rows['survey'])}"
        self.rows["survey"].append(
            {"survey_id": name, "deck_id": "d", "survey_date": DAY + pd.Timedelta(days=day), "method": method} | more
        )
        for i, (kind, shape) in enumerate(drawn):
            self.rows["defect"].append(
                {"survey_id": name, "defect_id": str(i), "kind": kind}
                | ({"area_m2": shape} if isinstance(shape, float) else {"shape": shape})
            )
        return self

    def repair(self, day, treatment="patch", shape=None, **more):
        self.rows["repair"].append(
            {"repair_id": f"r{len(self.rows['repair'])}", "deck_id": "d", "treatment": treatment, "shape": shape,
             "repair_date": DAY + pd.Timedelta(days=day), "opened_at": "2024-06-01T06:00"} | more
        )  # fmt: skip
        return self

    def close(self, day, **more):
        self.rows["closing"].append(
            {"closing_id": f"c{len(self.rows['closing'])}", "deck_id": "d", "closed_on": DAY + pd.Timedelta(days=day),
             "closed_by": "A. Nonesuch", "how": "filled and checked"} | more
        )  # fmt: skip
        return self

    def rate(self, year, rating):
        self.rows["rating"].append({"bridge_id": "b", "rated_year": year, "deck_rating": rating})
        return self

    def frames(self):
        out = {}
        for kind, rows in self.rows.items():
            names = sorted({n for r in rows for n in r}) or list(records(kind).columns)
            out[kind] = records(kind, **{n: [r.get(n) for r in rows] for n in names})
        return out

    def ledger(self, today="2024-12-31", size=(40.0, 10.0), **settings):
        f = self.frames()
        deck = records("deck", deck_id=["d"], bridge_id=["b"], length_m=[size[0]], width_m=[size[1]], lanes=[2])
        shares = survey_shares(f["survey"], f["defect"], deck)
        of = UrgentSettings(**settings)
        followed = follow_hazards(
            shares, f["defect"], deck, f["repair"], f["rating"], f["closing"], deck_edges(deck), of,
            surveys=f["survey"], today=date.fromisoformat(today),
        )  # fmt: skip
        return with_words(followed, deck, of)


def hole(day=0, **more):
    """A hole drawn in the left lane by a sounding of the whole deck."""
    return Book().look(day, drawn=[("hole", HOLE)], **(WHOLE | more))


def state(book, cause="open hole"):
    """The states of all hazards of one cause, in the order in which they were opened."""
    got = book.ledger()
    return got.loc[got["cause"] == cause, "state"].tolist()


SOME = [("delamination", box(20, 0))]
SEQUENCES = {
    # ---- looks ----
    # nothing after it: open
    "alone": (hole(), ["open"]),
    # the other lane says nothing of this one
    "other lane, drawn": (hole().look(9, drawn=SOME, **RIGHT), ["open"]),
    "other lane, totals of 0": (hole().look(9, unsound_m2=0.0, **RIGHT), ["open"]),
    # the same lane, by a method that sees holes, and none is reported there
    "same lane, drawn": (hole().look(9, drawn=[("delamination", box(20, -3))], **LEFT), ["closed"]),
    "same lane, totals of 0": (hole().look(9, unsound_m2=0.0, **LEFT), ["closed"]),
    "same lane, hole total of 0": (hole().look(9, hole_m2=0.0, delaminated_m2=3.0, **LEFT), ["closed"]),
    # a figure for hollow concrete says nothing of holes
    "same lane, hollow total only": (hole().look(9, delaminated_m2=3.0, **LEFT), ["open"]),
    # found there again: still the same hazard
    "same lane, found again": (hole().look(9, drawn=[("hole", HOLE)], **LEFT), ["open"]),
    # found, but elsewhere in the same lane: this one is gone, another is open
    "same lane, another hole": (hole().look(9, drawn=[("hole", box(30, -3))], **LEFT), ["closed", "open"]),
    # a total of holes without a place: perhaps this one, so nothing is closed, and one more is open
    "same lane, hole total above 0": (hole().look(9, hole_m2=0.4, **LEFT), ["open", "open"]),
    # the whole deck, stated so
    "whole deck, drawn": (hole().look(9, drawn=SOME, **WHOLE), ["closed"]),
    "whole deck by its area": (hole().look(9, drawn=SOME, surveyed_m2=400.0), ["closed"]),
    "whole deck, totals of 0": (hole().look(9, hole_m2=0.0, unsound_m2=4.0), ["closed"]),
    # a drawing that does not say what was looked at: not known to have looked there
    "drawn, coverage not given": (hole().look(9, drawn=SOME), ["to confirm"]),
    # a total in all says nothing of holes
    "total unsound": (hole().look(9, unsound_m2=6.0), ["open"]),
    # infrared, impact echo, radar and half-cell see no holes
    "infrared, whole, drawn": (hole().look(9, "infrared", drawn=SOME, **WHOLE), ["open"]),
    "infrared total of 0": (hole().look(9, "infrared", unsound_m2=0.0, **WHOLE), ["open"]),
    "impact echo total": (hole().look(9, "impact echo", hole_m2=0.0, unsound_m2=3.0, **WHOLE), ["open"]),
    "radar, whole, drawn": (hole().look(9, "radar", drawn=SOME, **WHOLE), ["open"]),
    "half-cell": (hole().look(9, "half-cell", hole_m2=0.0, **WHOLE), ["open"]),
    # the eye sees holes
    "by eye, whole": (hole().look(9, "visual", drawn=[("spall", box(20, 0))], **WHOLE), ["closed"]),
    # a method that is not stated may have seen it or not
    "method not stated": (hole().look(9, None, drawn=SOME, **WHOLE), ["to confirm"]),
    "method other": (hole().look(9, "other", hole_m2=0.0, **WHOLE), ["to confirm"]),
    # a strip of 5 %: 2 m of 40 m, elsewhere and there
    "strip elsewhere": (hole().look(9, drawn=SOME, from_station_m=20.0, to_station_m=22.0), ["open"]),
    "strip there": (hole().look(9, unsound_m2=0.0, from_station_m=9.0, to_station_m=12.0), ["closed"]),
    # half of the hole lies in the strip: the other half stays open
    "strip over half of it": (hole().look(9, unsound_m2=0.0, from_station_m=10.5, to_station_m=20.0), ["open"]),
    "the rest of it later": (
        hole().look(9, unsound_m2=0.0, from_station_m=10.5, to_station_m=20.0)
        .look(20, unsound_m2=0.0, from_station_m=0.0, to_station_m=10.5), ["closed"],
    ),
    # a part, not known which
    "a part by area": (hole().look(9, unsound_m2=0.0, surveyed_m2=200.0), ["to confirm"]),
    "a part by words": (hole().look(9, unsound_m2=0.0, looked_at="slow lane"), ["to confirm"]),
    # of one day none is the later one; and an earlier look says nothing of what came after
    "same day": (hole().look(0, unsound_m2=0.0, **WHOLE), ["open"]),
    "the day before": (hole().look(-1, unsound_m2=0.0, **WHOLE), ["open"]),
    # ---- repairs ----
    "patch there": (hole().repair(9, shape=box(9.9, -3.1, 1.2, 1.2)), ["closed"]),
    "patch there, same day": (hole().repair(0, shape=box(9.9, -3.1, 1.2, 1.2)), ["to confirm"]),
    "patch there, before": (hole().repair(-3, shape=box(9.9, -3.1, 1.2, 1.2)), ["open"]),
    "patch elsewhere": (hole().repair(9, shape=OTHER), ["open"]),
    "patch on half of it": (hole().repair(9, shape=box(9, -4, 1.5, 3.0)), ["open"]),
    "two patches, half each": (
        hole().repair(9, shape=box(9, -4, 1.5, 3.0)).repair(12, shape=box(10.5, -4, 1.5, 3.0)), ["closed"],
    ),
    "patch without a place": (hole().repair(9, area_m2=1.0), ["to confirm"]),
    "other work there": (hole().repair(9, "other", box(9, -4, 3.0, 3.0)), ["to confirm"]),
    "other work elsewhere": (hole().repair(9, "other", OTHER), ["open"]),
    "overlay": (hole().repair(9, "rigid overlay"), ["closed"]),
    "overlay of its whole area": (hole().repair(9, "thin overlay", area_m2=395.0), ["closed"]),
    "overlay of half, not known which": (hole().repair(9, "thin overlay", area_m2=200.0), ["to confirm"]),
    "overlay drawn on the other half": (hole().repair(9, "thin overlay", shapely.box(0, 0, 40, 5)), ["open"]),
    "overlay drawn on this half": (hole().repair(9, "thin overlay", shapely.box(0, -5, 40, 0)), ["closed"]),
    "new deck": (hole().repair(9, "new deck"), ["closed"]),
    # found again after the patch: a new hazard
    "patch there, found again": (
        hole().repair(9, shape=box(9.9, -3.1, 1.2, 1.2)).look(20, drawn=[("hole", HOLE)], **LEFT), ["closed", "open"],
    ),
    # a patch without a place, then found again: open once more, and the same
    "patch without a place, found again": (
        hole().repair(9, area_m2=1.0).look(20, drawn=[("hole", HOLE)], **LEFT), ["open"],
    ),
    # ---- closing records ----
    "closed by its number": (hole().close(9, hazard="s0/0"), ["closed"]),
    "closed by another number": (hole().close(9, hazard="s9/0"), ["open"]),
    "closed by cause": (hole().close(9, cause="open hole"), ["closed"]),
    "closed by another cause": (hole().close(9, cause="exposed bar"), ["open"]),
    "closed by its place": (hole().close(9, station_m=10.5, offset_m=-2.5), ["closed"]),
    "closed by another place": (hole().close(9, station_m=30.5, offset_m=2.5), ["open"]),
    "closed before it was found": (hole().close(-1, cause="open hole"), ["open"]),
    "closed on the day": (hole().close(0, cause="open hole"), ["closed"]),
    "two holes, cause only": (
        Book().look(0, drawn=[("hole", HOLE), ("hole", OTHER)], **WHOLE).close(9, cause="open hole"),
        ["to confirm", "to confirm"],
    ),
    "two holes, all": (
        Book().look(0, drawn=[("hole", HOLE), ("hole", OTHER)], **WHOLE).close(9, cause="open hole", hazard="all"),
        ["closed", "closed"],
    ),
    "two holes, one by its place": (
        Book().look(0, drawn=[("hole", HOLE), ("hole", OTHER)], **WHOLE).close(9, shape=box(9, -4, 3, 3)),
        ["closed", "open"],
    ),
    # ---- a hole known by a total only: anywhere on the deck ----
    "total": (Book().look(0, hole_m2=0.3), ["open"]),
    "total, then half the deck": (Book().look(0, hole_m2=0.3).look(9, unsound_m2=0.0, **LEFT), ["open"]),
    "total, then both halves": (
        Book().look(0, hole_m2=0.3).look(9, unsound_m2=0.0, **LEFT).look(20, unsound_m2=0.0, **RIGHT), ["closed"],
    ),
    "total, then drawn elsewhere patched": (Book().look(0, hole_m2=0.3).repair(9, shape=OTHER), ["to confirm"]),
    "total, then overlay": (Book().look(0, hole_m2=0.3).repair(9, "rigid overlay"), ["closed"]),
    "total, then whole and none": (Book().look(0, hole_m2=0.3).look(9, drawn=SOME, **WHOLE), ["closed"]),
    "total in a lane, patch in the other": (
        Book().look(0, hole_m2=0.3, **LEFT).repair(9, shape=OTHER), ["open"],
    ),
    "total again": (Book().look(0, hole_m2=0.3).look(9, hole_m2=0.2), ["open"]),
}  # fmt: skip


@pytest.mark.basis("derived", "what each later record says of the place, worked out beside each sequence")
@pytest.mark.parametrize("name", first(20, SEQUENCES))
def test_each_later_record_does_to_a_hole_what_it_says(name):
    book, states = SEQUENCES[name]
    assert state(book) == states
    live = [s for s in states if s != "closed"]
    told = act_now(book.ledger())
    told = told[told["cause"] == "open hole"]
    assert sorted(told["state"]) == sorted(set(live))


@pytest.mark.parametrize("name", [n for n, (b, s) in SEQUENCES.items() if "closed" in s and len(s) == 1])
def test_taking_back_the_later_records_opens_it_again(name):
    book = SEQUENCES[name][0]
    again = Book()
    again.rows["survey"], again.rows["defect"] = book.rows["survey"][:1], [
        d for d in book.rows["defect"] if d["survey_id"] == "s0"
    ]  # fmt: skip
    assert state(again) == ["open"]


@pytest.mark.basis("derived", "as for holes, by the kinds that the methods see")
@pytest.mark.parametrize(
    ("later", "states"),
    [
        (lambda b: b, ["open"]),
        (lambda b: b.look(9, "infrared", unsound_m2=0.0, **WHOLE), ["open"]),
        (lambda b: b.look(9, "visual", exposed_bar_m2=0.0, **WHOLE), ["closed"]),
        (lambda b: b.repair(9, shape=box(9.9, -3.1, 1.2, 1.2)), ["closed"]),
        (lambda b: b.close(9, cause="exposed bar"), ["closed"]),
        (lambda b: b.close(9, cause="open hole"), ["open"]),
    ],
)
def test_exposed_bars_likewise(later, states):
    assert state(later(Book().look(0, drawn=[("exposed bar", HOLE)], **WHOLE)), "exposed bar") == states


# Half of the deck's 400 m2 unsound: 200 m2 drawn from end to end of the left lane.
HALF = [("delamination", shapely.box(0, -5, 40, 0))]


@pytest.mark.basis(
    "derived", "40 % is the threshold: 200 of 400 m2; less 100 m2 repaired 25 %; in the lane itself 100 %"
)
@pytest.mark.parametrize(
    ("book", "states"),
    [
        (Book().look(0, drawn=HALF, **WHOLE), ["open"]),
        (Book().look(0, drawn=HALF, **WHOLE).look(9, unsound_m2=0.0, **RIGHT), ["open"]),
        (Book().look(0, drawn=HALF, **WHOLE).look(9, unsound_m2=40.0, **WHOLE), ["closed"]),
        (Book().look(0, drawn=HALF, **WHOLE).look(9, drawn=SOME), ["to confirm"]),
        (Book().look(0, drawn=HALF, **WHOLE).look(9, "half-cell", unsound_m2=0.0, **WHOLE), ["open"]),
        (Book().look(0, drawn=HALF, **WHOLE).look(9, "visual", unsound_m2=0.0, **WHOLE), ["open"]),
        (Book().look(0, drawn=HALF, **WHOLE).repair(9, shape=shapely.box(0, -5, 20, 0)), ["closed"]),
        (Book().look(0, drawn=HALF, **WHOLE).repair(9, shape=shapely.box(0, -5, 5, 0)), ["open"]),
        (Book().look(0, drawn=HALF, **WHOLE).repair(9, area_m2=100.0), ["to confirm"]),
        (Book().look(0, drawn=HALF, **WHOLE).repair(9, "thin overlay"), ["closed"]),
        # the lane alone: its share is of the lane, and the other lane makes it no smaller
        (Book().look(0, drawn=[("delamination", shapely.box(0, -5, 18, 0))], **LEFT), ["open"]),
        (
            Book().look(0, drawn=[("delamination", shapely.box(0, -5, 18, 0))], **LEFT).look(9, drawn=SOME, **RIGHT),
            ["open"],
        ),
        (
            Book().look(0, drawn=[("delamination", shapely.box(0, -5, 18, 0))], **LEFT).look(9, unsound_m2=2.0, **LEFT),
            ["closed"],
        ),
        # both lanes on one day: two places
        (
            Book().look(0, drawn=HALF, **LEFT).look(0, drawn=[("delamination", shapely.box(0, 0, 40, 5))], **RIGHT),
            ["open", "open"],
        ),
        (Book().look(0, unsound_m2=200.0).look(9, unsound_m2=180.0), ["open"]),
        (Book().look(0, unsound_m2=200.0).look(9, unsound_m2=20.0), ["closed"]),
        (Book().look(0, unsound_m2=200.0).look(9, unsound_m2=4.0, surveyed_m2=40.0), ["to confirm"]),
        (Book().look(0, unsound_m2=200.0).close(9, cause="danger share"), ["closed"]),
        (Book().look(0, unsound_m2=159.0), []),
        (Book().look(0, unsound_m2=160.0), ["open"]),
    ],
)  # fmt: skip
def test_a_share_past_the_threshold_stays_until_that_ground_is_below_it(book, states):
    assert state(book, "danger share") == states


@pytest.mark.basis("derived", "rated 2 in 2022; the rating is taken as of 1 July")
@pytest.mark.parametrize(
    ("book", "states"),
    [
        (Book().rate(2022, 2), ["open"]),
        (Book().rate(2022, 3), []),
        (Book().rate(2022, 2).rate(2023, 1), ["open"]),
        (Book().rate(2022, 2).rate(2023, 3), ["closed"]),
        (Book().rate(2022, 2).look(0, unsound_m2=0.0, **WHOLE), ["open"]),
        (Book().rate(2022, 2).repair(0, shape=shapely.box(0, -5, 40, 5)), ["open"]),
        (Book().rate(2022, 2).repair(0, "rigid overlay"), ["to confirm"]),
        (Book().rate(2022, 2).repair(0, "new deck"), ["closed"]),
        (Book().rate(2022, 2).close(0, cause="poor rating"), ["closed"]),
    ],
)
def test_a_rating_that_calls_for_someone_at_once(book, states):
    assert state(book, "poor rating") == states


@pytest.mark.basis("derived", "what the remark says, and what later records settle")
@pytest.mark.parametrize(
    ("book", "states"),
    [
        (Book().look(0, unsound_m2=3.0, remarks="Hole at pier 2, plate over it"), ["to confirm"]),
        (Book().look(0, unsound_m2=3.0, remarks="no holes, bars not exposed"), []),
        (Book().look(0, unsound_m2=3.0, hole_m2=0.2, remarks="Hole at pier 2"), []),  # its figure opens it already
        (Book().look(0, unsound_m2=3.0, remarks="Rebar showing at the kerb"), ["to confirm"]),
        (Book().look(0, unsound_m2=3.0, remarks="left lane closed, rest next week"), ["to confirm"]),
        (Book().look(0, remarks="hole at pier 2").look(9, hole_m2=0.0, unsound_m2=1.0), ["closed"]),
        (Book().look(0, remarks="hole at pier 2").look(9, unsound_m2=1.0), ["to confirm"]),
        (Book().look(0, remarks="hole at pier 2").look(9, drawn=SOME, **WHOLE), ["closed"]),
        (Book().look(0, remarks="left lane closed").look(9, drawn=SOME, **WHOLE), ["to confirm"]),
        (Book().look(0, remarks="hole at pier 2").close(9, cause="remark"), ["closed"]),
    ],
)
def test_a_remark_is_to_be_confirmed(book, states):
    assert state(book, "remark") == states


def opened(**more):
    return Book().repair(0, shape=HOLE, cure_h=84.0, **({"opened_at": None} | more))


@pytest.mark.basis("derived", "1 May and 84 h of cure are 4 May; 3 days more; asked for 120 days, to 29 August")
@pytest.mark.parametrize(
    ("book", "today", "states"),
    [
        (opened(), "2024-05-07", []),
        (opened(), "2024-05-08", ["open"]),
        (opened(), "2024-08-29", ["open"]),
        (opened(), "2024-08-30", []),
        (opened(opened_at="2024-05-05T06:00"), "2024-06-01", []),
        (opened().look(0, drawn=SOME, **WHOLE), "2024-06-01", ["open"]),
        (opened().look(9, drawn=SOME, **WHOLE), "2024-06-01", ["closed"]),
        (opened().look(9, drawn=SOME, **RIGHT), "2024-06-01", ["open"]),
        (opened().look(9, drawn=SOME), "2024-06-01", ["to confirm"]),
        (opened().close(9, cause="opening check"), "2024-06-01", ["closed"]),
    ],
)
def test_an_opening_is_asked_for_from_the_day_after_it_is_due_for_120_days(book, today, states):
    got = book.ledger(today)
    assert got.loc[got["cause"] == "opening check", "state"].tolist() == states


# ---- histories against cells -------------------------------------------------------------------------------

LENGTH, WIDTH = 8, 4
METHODS = ("sounding", "infrared", "visual", None)
SEES = {"sounding", "visual"}


def _cells(rng, most=(4, 4)):
    w, h = int(rng.integers(1, most[0] + 1)), int(rng.integers(1, most[1] + 1))
    return int(rng.integers(0, LENGTH - w + 1)), int(rng.integers(0, WIDTH - h + 1)), w, h


def _shape(cells):
    x, y, w, h = cells
    return shapely.box(x, y - WIDTH / 2, x + w, y + h - WIDTH / 2)


def _set(cells):
    x, y, w, h = cells
    return {(i, j) for i in range(x, x + w) for j in range(y, y + h)}


EVERYWHERE = (0, 0, LENGTH, WIDTH)


def _history(rng):
    """A hole in some cells, and what came after it."""
    at = _cells(rng, (2, 2))
    steps = []
    for _ in range(int(rng.integers(1, 6))):
        draw = rng.random()
        if draw < 0.55:
            extent = str(rng.choice(["whole", "place", "assumed", "part"]))
            again = bool(rng.random() < 0.2)
            steps.append(("look", METHODS[int(rng.integers(4))], extent, _cells(rng), again))
        elif draw < 0.85:
            placed = rng.random() < 0.7
            steps.append(("repair", "patch", _cells(rng) if placed else None))
        else:
            steps.append(("repair", "other", _cells(rng)))
    return at, steps


def _told_by_cells(at, steps):
    """Whether any cell of the hole was never dealt with by a record that has both place and method."""
    left = _set(at)
    for step in steps:
        if step[0] == "look":
            _, method, extent, ground, again = step
            if method not in SEES or extent not in ("whole", "place"):
                if again:
                    left = _set(at) if extent != "place" or _set(ground) >= _set(at) else left
                continue
            ground = _set(EVERYWHERE if extent == "whole" else ground)
            left = left - ground | (_set(at) if again and ground >= _set(at) else set())
        elif step[1] == "patch" and step[2] is not None:
            left -= _set(step[2])
    return bool(left)


@pytest.mark.slow
@pytest.mark.basis("derived", "cells of 1 m2: a hole is gone only where every cell was looked at or repaired since")
def test_no_record_without_place_or_method_ever_removes_a_hazard_on_2000_histories():
    for seed in range(2000):
        _agrees_with_cells(seed)


@pytest.mark.basis("derived", "cells of 1 m2: a hole is gone only where every cell was looked at or repaired since")
@pytest.mark.slow
def test_no_record_without_place_or_method_ever_removes_a_hazard():
    for seed in range(2000, 2150):
        _agrees_with_cells(seed)


def _agrees_with_cells(seed):
    at, steps = _history(np.random.default_rng(seed))
    book = Book().look(0, drawn=[("hole", _shape(at))], **WHOLE)
    for day, step in enumerate(steps, start=1):
        if step[0] == "repair":
            book.repair(day, step[1], None if step[2] is None else _shape(step[2]), area_m2=1.0)
            continue
        _, method, extent, ground, again = step
        where = {
            "whole": WHOLE, "place": {"coverage": _shape(ground)}, "assumed": {}, "part": {"surveyed_m2": 9.0},
        }[extent]  # fmt: skip
        again = again and (extent != "place" or _set(ground) >= _set(at))
        drawn = [("hole", _shape(at))] if again else [("delamination", box(0, 0))]
        book.look(day, method, drawn=drawn, **where)
    got = book.ledger(size=(float(LENGTH), float(WIDTH)))
    got = got[got["cause"] == "open hole"]
    assert (got["state"] != "closed").any() == _told_by_cells(at, steps), (seed, at, steps, got)


# ---- words ---------------------------------------------------------------------------------------------------


# Two lanes of 3.6 m about the centreline: wheel paths about 0.9 and 2.7 m on either side of it, 1 m wide.
@pytest.mark.basis("derived", "bars at offsets of -.35 to .35 and 2.1 to 2.3 m; 60 days clear of the paths, else 14")
def test_bars_clear_of_the_wheel_paths_have_more_time():
    for shape, days, where in (
        (box(3, -0.35, 1, 0.7), 60, "clear of the wheel paths"), (box(3, 2.1, 1, 0.2), 14, "in a wheel path"),
        (0.4, 14, "not known to be clear of the wheel paths"),
    ):  # fmt: skip
        one = act_now(Book().look(0, drawn=[("exposed bar", shape)], **WHOLE).ledger()).iloc[0]
        assert one["days"] == days
        assert one["why"].endswith(where)
    both = [("exposed bar", box(3, -0.35, 1, 0.7)), ("exposed bar", box(8, 2.1, 1, 0.2))]
    one = act_now(Book().look(0, drawn=both, **WHOLE).ledger()).iloc[0]
    assert one["why"] == "0.90 m² with bars exposed in 2 places, in a wheel path"
    assert one["days"] == 14


@pytest.mark.basis("derived", "1 May and 1, 14, 60 and 30 days; areas and shares as recorded")
def test_each_line_says_what_was_found_when_and_how_long_it_may_take():
    book = Book().look(
        0, drawn=[("hole", box(10, -3, 0.5, 0.5)), ("exposed bar", box(5, -0.3, 0.25, 0.6)),
                  ("delamination", shapely.box(12, -5, 32, 5))], **WHOLE,
    )  # fmt: skip
    got = act_now(book.ledger()).set_index("cause")
    assert got["why"].to_dict() == {
        "open hole": "0.25 m² of open full-depth hole",
        "exposed bar": "0.15 m² with bars exposed, clear of the wheel paths",
        "danger share": "50 % unsound, at or past 40 %",
    }
    assert got["days"].to_dict() == {"open hole": 1, "exposed bar": 60, "danger share": 30}
    assert got["due"].dt.strftime("%d %B").to_dict() == {
        "open hole": "02 May", "exposed bar": "30 June", "danger share": "31 May",
    }  # fmt: skip
    assert (got["since"] == DAY).all()
    assert got["closed_by"].nunique() == 3


def test_what_closed_a_hazard_and_what_may_have_is_said():
    closed = hole().close(9, cause="open hole").ledger().iloc[0]
    assert closed["closed_by"] == "A. Nonesuch, 2024-05-10: filled and checked (closing c0)"
    assert closed["closed"] == DAY + pd.Timedelta(days=9)
    assert closed["place"] == "station 10.5 m, 2.5 m left of the centreline"
    doubt = act_now(hole().repair(9, area_m2=1.0).ledger()).iloc[0]
    assert doubt["why"] == (
        "to confirm: 1.0 m² of open full-depth hole (patch of 2024-05-10 (r0): its place is not on record)"
    )


@pytest.mark.basis("derived", "200 of 400 m2, then 240 of 400 m2 found; a hole of 1 m2 with half of it patched")
def test_a_hazard_is_told_as_it_was_last_seen_and_since_when_it_is_open():
    share = act_now(Book().look(0, unsound_m2=200.0).look(9, unsound_m2=240.0).ledger()).iloc[0]
    assert share["why"] == "60 % unsound, at or past 40 %"
    assert share["since"] == DAY
    left = act_now(hole().repair(9, shape=box(9, -4, 1.55, 3.0)).ledger()).iloc[0]
    assert left["why"] == "0.40 m² of open full-depth hole"  # 1 m less .55 m less .05 m of reach


def test_open_stands_before_to_confirm_then_by_cause_then_by_when_it_is_due():
    book = (
        Book()
        .look(0, drawn=[("exposed bar", box(20, 2))], **WHOLE)
        .look(5, drawn=[("exposed bar", box(20, 2)), ("hole", HOLE)], remarks="left lane closed", **WHOLE)
    )
    got = act_now(book.ledger())
    assert list(zip(got["state"], got["cause"], strict=True)) == [
        ("open", "open hole"), ("open", "exposed bar"), ("to confirm", "remark"),
    ]  # fmt: skip


def test_no_records_give_an_empty_ledger_with_every_column():
    got = Book().look(0, unsound_m2=1.0).ledger()
    assert got.empty
    assert {"hazard_id", "state", "what", "due", "settles"} <= set(got.columns)
    assert act_now(got).empty

"""The deck as known: against a grid of cells that is written over look by look, and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.measure import deck_as_known, deck_edges, survey_shares
from decknet.measure.known import _Overlays
from decknet.measure.looks import KINDS
from decknet.settings import LookSettings, kinds_found
from tests.frames import records
from tests.quick import first

LENGTH, WIDTH = 12, 6  # m, cells of 1 m
DAY = pd.Timestamp("2020-05-01")
COLUMN = {
    "delamination": "delaminated_m2", "spall": "spalled_m2", "hole": "hole_m2", "failed patch": "failed_patch_m2",
    "exposed bar": "exposed_bar_m2",
}  # fmt: skip
LEFT = {"to_offset_m": 0.0}
NO_REPAIRS = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])


def deck(length=LENGTH, width=WIDTH, **more):
    return records("deck", deck_id=["d"], bridge_id=["b"], length_m=[float(length)], width_m=[float(width)], **more)


def surveys(*rows):
    """Rows of (id, days after DAY, method, further columns)."""
    names = sorted({n for *_, more in rows for n in more})
    return records(
        "survey", survey_id=[r[0] for r in rows], deck_id=["d"] * len(rows),
        survey_date=[DAY + pd.Timedelta(days=r[1]) for r in rows], method=[r[2] for r in rows],
        **{n: [r[3].get(n) for r in rows] for n in names},
    )  # fmt: skip


def defects(*rows):
    """Rows of (survey, kind, shape)."""
    return records(
        "defect", survey_id=[r[0] for r in rows], defect_id=[str(i) for i in range(len(rows))],
        kind=[r[1] for r in rows], shape=[r[2] for r in rows], area_m2=[None] * len(rows),
    )  # fmt: skip


def repairs(*rows):
    """Rows of (days after DAY, treatment, shape or None)."""
    return records(
        "repair", repair_id=[f"r{i}" for i in range(len(rows))], deck_id=["d"] * len(rows),
        repair_date=[DAY + pd.Timedelta(days=r[0]) for r in rows], treatment=[r[1] for r in rows],
        shape=[r[2] for r in rows],
    )  # fmt: skip


def as_known(looks, found=None, works=NO_REPAIRS, about=None):
    about = deck() if about is None else about
    found = defects() if found is None else found
    return deck_as_known(survey_shares(looks, found, about), found, about, works)


# ---- against cells -------------------------------------------------------------------------------------


def box(cells):
    x, y, w, h = cells
    return shapely.box(x, y - WIDTH / 2, x + w, y + h - WIDTH / 2)


def some_cells(rng):
    w, h = int(rng.integers(1, 7)), int(rng.integers(1, 4))
    return int(rng.integers(0, LENGTH - w + 1)), int(rng.integers(0, WIDTH - h + 1)), w, h


def history(rng):
    """A made-up life of a deck: steps of ("look", method, cells or None, [(kind, cells)]) or ("repair", ...)."""
    steps = []
    for day in range(int(rng.integers(2, 8))):
        draw = rng.random()
        if day and draw < 0.25:
            steps.append(("repair", "patch", some_cells(rng)))
        elif day and draw < 0.32:
            steps.append(("repair", "rigid overlay", None))
        else:
            method = str(rng.choice(["sounding", "hammer", "infrared", "visual"]))
            ground = None if rng.random() < 0.4 else some_cells(rng)
            drawn = [(str(rng.choice(KINDS)), some_cells(rng)) for _ in range(int(rng.integers(1, 5)))]
            steps.append(("look", method, ground, drawn))
    return steps


def slices(cells):
    x, y, w, h = cells
    return slice(x, x + w), slice(y, y + h)


def by_cells(steps):
    """After each look: unsound area, area of each kind, ground looked at; and at the end what stands of each kind."""
    state = {k: np.zeros((LENGTH, WIDTH), dtype=bool) for k in KINDS}
    looked = np.zeros((LENGTH, WIDTH), dtype=bool)
    out = []
    for step in steps:
        if step[0] == "repair":
            at = slices(step[2] or (0, 0, LENGTH, WIDTH))
            for k in KINDS:
                state[k][at] = False
            if step[1] != "patch":
                looked[:] = False
            continue
        _, method, ground, drawn = step
        at = slices(ground or (0, 0, LENGTH, WIDTH))
        inside = np.zeros((LENGTH, WIDTH), dtype=bool)
        inside[at] = True
        seen = kinds_found(LookSettings(), method)
        looked |= inside
        for k in KINDS:
            if k in seen:
                state[k][inside] = False
            for kind, cells in drawn:
                if kind == k:
                    here = np.zeros_like(inside)
                    here[slices(cells)] = True
                    state[k] |= here & inside
        out.append((sum(state.values()).astype(bool).sum(), {k: v.sum() for k, v in state.items()}, looked.sum()))
    return out, {k: v.sum() for k, v in state.items()}


@pytest.mark.basis("derived", "cells of 1 m2 written over look by look")
@pytest.mark.parametrize("seed", first(40, range(150)))
def test_every_history_agrees_with_cells(seed):
    steps = history(np.random.default_rng(seed))
    looks, found, works = [], [], []
    for day, step in enumerate(steps):
        if step[0] == "repair":
            works.append((day, step[1], None if step[2] is None else box(step[2])))
            continue
        name = f"s{day}"
        cells = {} if step[2] is None else {"coverage": box(step[2])}
        looks.append((name, day, step[1], cells | ({"looked_at": "whole deck"} if step[2] is None else {})))
        found += [(name, kind, box(at)) for kind, at in step[3]]
    if not looks:
        return
    known = as_known(surveys(*looks), defects(*found), repairs(*works))
    each, at_end = by_cells(steps)
    series = known.series
    assert len(series) == len(each)
    for row, (unsound, kinds, looked) in zip(series.itertuples(), each, strict=True):
        assert row.unsound_m2 == pytest.approx(unsound, abs=1e-6)
        assert row.covered_m2 == pytest.approx(looked)
        for kind, area in kinds.items():
            assert getattr(row, COLUMN[kind]) == pytest.approx(area, abs=1e-6), kind
    for kind in KINDS:
        mine = known.standing.loc[known.standing["kind"] == kind, "shape"]
        assert shapely.area(shapely.union_all(list(mine))) == pytest.approx(at_end[kind], abs=1e-6), kind


# ---- by hand -------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "the same three rectangles, drawn in one survey or in two halves: 2 + 3 + 4 = 9 of 72 m2")
def test_two_halves_on_two_days_are_one_survey():
    left = [("delamination", shapely.box(0, -3, 2, -2)), ("spall", shapely.box(4, -2, 7, -1))]
    right = [("delamination", shapely.box(6, 1, 8, 3))]
    one = as_known(surveys(("s", 0, "sounding", {})), defects(*(("s", k, s) for k, s in left + right)))
    two = as_known(
        surveys(("a", 0, "sounding", {"to_offset_m": 0.0}), ("b", 9, "sounding", {"from_offset_m": 0.0})),
        defects(*(("a", k, s) for k, s in left), *(("b", k, s) for k, s in right)),
    )
    first, last = two.series.iloc[0], two.series.iloc[-1]
    assert (first["covered_share"], first["unsound_share"]) == (0.5, pytest.approx(5 / 36))
    assert last["covered_share"] == 1.0
    assert last["fresh_share"] == 1.0
    assert last["oldest"] == DAY
    assert last["unsound_m2"] == pytest.approx(9.0)
    assert last["unsound_share"] == pytest.approx(one.series.iloc[-1]["unsound_share"])
    for name in COLUMN.values():
        assert last[name] == pytest.approx(one.series.iloc[-1][name])
    shapes = [sorted(s.normalize().wkt for s in known.standing["shape"]) for known in (two, one)]
    assert shapes[0] == shapes[1]


@pytest.mark.basis("derived", "36 m2 each: left 5 then 1 m2, right 4 m2 then none")
def test_whichever_half_is_looked_at_again_changes_only_that_half():
    base = [
        ("a", "delamination", shapely.box(0, -3, 5, -2)), ("b", "delamination", shapely.box(6, 1, 8, 3)),
    ]  # fmt: skip
    halves = [("a", 0, "sounding", {"to_offset_m": 0.0}), ("b", 9, "sounding", {"from_offset_m": 0.0})]
    again = as_known(
        surveys(*halves, ("c", 800, "hammer", {"to_offset_m": 0.0})),
        defects(*base, ("c", "delamination", shapely.box(0, -3, 1, -2))),
    )
    assert again.series["unsound_m2"].tolist() == pytest.approx([5.0, 9.0, 5.0])
    assert again.series.iloc[-1]["fresh_share"] == 0.5  # the right half is of two years before
    assert again.series.iloc[-1]["oldest"] == DAY + pd.Timedelta(days=9)
    other = as_known(
        surveys(*halves, ("c", 800, "hammer", {"from_offset_m": 0.0, "delaminated_m2": 0.0})), defects(*base)
    )
    assert other.series["unsound_m2"].tolist() == pytest.approx([5.0, 9.0, 5.0])
    assert other.standing["found_by"].tolist() == ["a"]


@pytest.mark.basis("derived", "a half of 36 m2: 10 % of it and 12 m2 of 72 spread evenly; 3.6 + 6 = 9.6")
def test_totals_of_part_and_whole_are_taken_as_spread_evenly():
    rows = [("a", 0, "sounding", {"delaminated_m2": 12.0}), ("b", 30, "sounding", {"delaminated_m2": 3.6})]
    placed = as_known(surveys(rows[0], (*rows[1][:3], rows[1][3] | {"to_offset_m": 0.0})))
    unknown = as_known(surveys(rows[0], (*rows[1][:3], rows[1][3] | {"surveyed_m2": 36.0})))
    for known in (placed, unknown):
        assert known.series["unsound_m2"].tolist() == pytest.approx([12.0, 9.6])
        assert known.series["unsound_share"].tolist() == pytest.approx([12 / 72, 9.6 / 72])


@pytest.mark.basis("derived", "left lane drawn, 4 m2, and 0.5 m2 listed by area; right lane by a total of 3 m2")
def test_what_no_drawing_shows_is_told_beside():
    drawn = defects(("a", "delamination", shapely.box(0, -3, 4, -2)), ("a", "spall", None)).assign(area_m2=[None, 0.5])
    known = as_known(
        surveys(("a", 0, "sounding", LEFT), ("b", 5, "sounding", {"from_offset_m": 0.0, "unsound_m2": 3.0})), drawn
    )
    assert known.series["unsound_m2"].tolist() == pytest.approx([4.5, 7.5])
    assert known.series["undrawn_m2"].tolist() == pytest.approx([0.5, 3.5])
    assert as_known(surveys(("a", 0, "sounding", {"unsound_m2": 3.0}))).series["undrawn_m2"].tolist() == [3.0]


@pytest.mark.basis("derived", "sounding: 6 hollow, 2 spalled; the eye later: 3 spalled; hollow stays")
def test_the_eye_says_nothing_of_hollow_concrete():
    known = as_known(
        surveys(
            ("a", 0, "sounding", {"delaminated_m2": 6.0, "spalled_m2": 2.0, "hole_m2": 0.0, "failed_patch_m2": 0.0}),
            ("b", 400, "visual", {"spalled_m2": 3.0, "hole_m2": 0.0}),
        )
    )
    assert known.series["unsound_m2"].tolist() == pytest.approx([8.0, 9.0])
    assert known.series["delaminated_m2"].tolist() == [6.0, 6.0]


@pytest.mark.basis("derived", "impact echo states 20 m2 unsound in all: 20 m2; states 5 m2 hollow: 5 + 2 spalled")
def test_a_total_in_all_stands_by_itself_and_a_kind_beside_the_others():
    first = ("a", 0, "sounding", {"delaminated_m2": 6.0, "spalled_m2": 2.0})
    assert as_known(surveys(first, ("b", 400, "impact echo", {"unsound_m2": 20.0}))).series["unsound_m2"].tolist() == [
        8.0, 20.0,
    ]  # fmt: skip
    got = as_known(surveys(first, ("b", 400, "impact echo", {"delaminated_m2": 5.0}))).series["unsound_m2"]
    assert got.tolist() == [8.0, 7.0]


def test_an_infrared_total_leaves_a_drawn_spall_and_takes_the_hollow_area():
    found = defects(("a", "delamination", shapely.box(0, 0, 2, 2)), ("a", "spall", shapely.box(5, 0, 6, 1)))
    known = as_known(surveys(("a", 0, "sounding", {}), ("b", 400, "infrared", {"unsound_m2": 10.0})), found)
    assert known.standing["kind"].tolist() == ["spall"]
    assert known.series["unsound_m2"].tolist() == pytest.approx([5.0, 10.0])


def test_a_part_whose_place_is_not_known_moves_no_drawn_defect():
    found = defects(("a", "delamination", shapely.box(0, 0, 2, 2)))
    known = as_known(
        surveys(("a", 0, "sounding", {}), ("b", 9, "sounding", {"surveyed_m2": 7.2, "unsound_m2": 0.0})), found
    )
    assert known.standing["shape"].iloc[0].area == pytest.approx(4.0)
    assert known.series["unsound_m2"].tolist() == pytest.approx([4.0, 3.6])  # a tenth looked at anew and sound


def test_a_drawn_repair_takes_its_ground_and_one_without_a_place_takes_nothing():
    found = defects(("a", "delamination", shapely.box(0, 0, 4, 1)))
    looks = surveys(("a", 0, "sounding", {}))
    for works, left in (
        (repairs((5, "patch", shapely.box(1, 0, 4, 1))), 1.0),
        (repairs((5, "patch", None)), 4.0),
        (repairs((0, "patch", shapely.box(1, 0, 4, 1))), 4.0),  # of one day: not taken for the later one
        (repairs((-5, "patch", shapely.box(1, 0, 4, 1))), 4.0),
        (repairs((5, "new deck", None)), 0.0),
    ):
        assert sum(s.area for s in as_known(looks, found, works).standing["shape"]) == pytest.approx(left)


def test_a_look_after_an_overlay_knows_nothing_from_before():
    known = as_known(
        surveys(
            ("a", 0, "sounding", {"delaminated_m2": 20.0}),
            ("b", 900, "sounding", {"to_offset_m": 0.0, "unsound_m2": 1.0}),
        ),
        works=repairs((500, "rigid overlay", None)),
    )  # fmt: skip
    last = known.series.iloc[-1]
    assert (last["unsound_m2"], last["covered_share"], last["unsound_share"]) == (1.0, 0.5, pytest.approx(1 / 36))


@pytest.mark.basis("published", "shapely's own intersection as the independent answer for tapered and skewed edges")
@pytest.mark.parametrize("seed", range(12))
def test_strips_of_tapered_and_skewed_decks_have_the_area_that_is_there(seed):
    rng = np.random.default_rng(seed)
    skew, wide = rng.uniform(0, 8), rng.uniform(3, 9)
    edge = shapely.Polygon([(0, -5), (40, -wide), (40 + skew, wide), (skew, 5)])
    a, b = sorted(rng.uniform(0, 45, 2))
    c, d = sorted(rng.uniform(-8, 8, 2))
    looks = surveys(
        ("s", 0, "sounding",
         {"from_station_m": a, "to_station_m": b, "from_offset_m": c, "to_offset_m": d, "delaminated_m2": 0.0}),
    )  # fmt: skip
    got = survey_shares(looks, defects(), deck(40, 10, outline=[edge])).iloc[0]
    true = shapely.area(shapely.intersection(edge, shapely.box(a, c, b, d)))
    if true > 0:
        assert got["covered_m2"] == pytest.approx(true, rel=1e-9)
        assert got["covered_share"] == pytest.approx(true / edge.area, rel=1e-9)
    else:
        assert pd.isna(got["covered_m2"])


# ---- many decks at once --------------------------------------------------------------------------------


def test_decks_together_are_known_as_each_alone_and_edges_may_be_given():
    def of(name):
        looks = surveys(
            (f"{name}1", 0, "sounding", {}), (f"{name}2", 300, "sounding", LEFT), (f"{name}3", 700, "infrared", {})
        )  # fmt: skip
        found = defects(
            (f"{name}1", "delamination", shapely.box(1, -2, 4, 2)), (f"{name}1", "spall", shapely.box(6, 1, 7, 2)),
            (f"{name}2", "delamination", shapely.box(2, -2, 3, -1)),
        )  # fmt: skip
        return looks.assign(deck_id=name), found, deck().assign(deck_id=name)

    alone = [of("a"), of("b")]
    looks, found, about = (pd.concat(each, ignore_index=True) for each in zip(*alone, strict=True))
    edges = deck_edges(about)
    shares = survey_shares(looks, found, about, edges=edges)
    got = deck_as_known(shares, found, about, NO_REPAIRS, edges=edges)
    pd.testing.assert_frame_equal(shares, survey_shares(looks, found, about))
    for looks, found, about in alone:
        one = deck_as_known(survey_shares(looks, found, about), found, about, NO_REPAIRS)
        for name in ("series", "defects", "standing"):
            mine, own = getattr(got, name), getattr(one, name)
            mine = mine[mine["deck_id"] == about["deck_id"].iloc[0]]
            by = [n for n in ("survey_id", "found_by", "defect_id") if n in own]
            mine, own = (f.sort_values(by, ignore_index=True) for f in (mine, own))
            assert len(own)
            pd.testing.assert_frame_equal(mine, own)


def test_grounds_are_overlaid_once_and_none_takes_the_place_of_another():
    laid = _Overlays()
    left, right = shapely.box(0, -3, 12, 0), shapely.box(0, 0, 12, 3)
    both = laid.union(left, right)
    assert both.area == 72.0
    assert laid.union(left, right) is both
    assert laid.share_left(left, None) == 1.0
    assert laid.share_left(None, left) == 0.0
    assert laid.share_left(both, left) == 0.5
    assert laid.share_left(left, both) == 0.0
    for k in range(1, 200):  # grounds of a moment: an answer must never be another's
        assert laid.beyond_m2(shapely.box(0, 0, k, 1), shapely.box(0, 0, 1, 1)) == k - 1

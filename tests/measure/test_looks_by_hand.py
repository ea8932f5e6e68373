"""What each look covered, case by case; and decks known by totals and parts, look by look in plain arithmetic."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.measure import deck_as_known, survey_shares
from decknet.measure.known import _last_group, _renewals, _segments
from decknet.measure.looks import KINDS, areal_parts, deck_edges, kinds_mask, survey_looks
from decknet.settings import LookSettings
from tests.frames import records
from tests.measure.test_known import DAY, NO_REPAIRS, deck, defects, repairs, surveys

LARGE = records("deck", deck_id=["d"], bridge_id=["b"], length_m=[40.0], width_m=[10.0])
HALF, OUT = shapely.box(0, -5, 20, 5), shapely.box(-5, -9, 10, 9)


def _look(decks=LARGE, method="sounding", **said):
    one = records(
        "survey", survey_id=["s"], deck_id=["d"], survey_date=[DAY], method=[method],
        **{k: [v] for k, v in said.items()},
    )  # fmt: skip
    return survey_looks(one, decks, LookSettings()).iloc[0]


@pytest.mark.basis("derived", "deck of 40 by 10 m: areas of strips and what is stated beside them, by hand")
@pytest.mark.parametrize(
    ("said", "extent", "covered"),
    [
        ({}, "assumed", 400.0),
        ({"looked_at": ""}, "assumed", 400.0),
        ({"surveyed_m2": 398.0}, "whole", 400.0),
        ({"surveyed_m2": 397.9}, "part", 397.9),
        ({"surveyed_m2": 420.0}, "whole", 420.0),
        ({"surveyed_m2": 0.0}, "assumed", 400.0),
        ({"looked_at": " Whole Deck"}, "whole", 400.0),
        ({"looked_at": "whole deck", "surveyed_m2": 100.0}, "whole", 400.0),
        ({"looked_at": "left lane"}, "part", np.nan),
        ({"looked_at": "left lane", "surveyed_m2": 399.0}, "part", 399.0),
        ({"from_station_m": 10.0}, "place", 300.0),
        ({"from_station_m": 0.1}, "whole", 400.0),
        ({"from_station_m": 0.3}, "place", 397.0),
        ({"from_station_m": 10.0, "surveyed_m2": 284.9}, "part", 284.9),
        ({"from_station_m": 10.0, "surveyed_m2": 285.1}, "place", 300.0),
        ({"from_station_m": 0.0, "surveyed_m2": 300.0}, "part", 300.0),
        ({"from_station_m": 10.0, "looked_at": "whole deck"}, "place", 300.0),
        ({"from_station_m": 10.0, "looked_at": "left lane"}, "place", 300.0),
        ({"from_station_m": 10.0, "looked_at": "left lane", "surveyed_m2": 400.0}, "place", 300.0),
        ({"from_station_m": 41.0, "to_station_m": 45.0}, "place", np.nan),
        ({"coverage": HALF}, "place", 200.0),
        ({"coverage": HALF, "from_station_m": 30.0}, "place", 200.0),
        ({"coverage": OUT}, "place", 100.0),
        ({"coverage": shapely.box(-1, -6, 41, 6)}, "whole", 400.0),
    ],
)
def test_what_a_look_covered(said, extent, covered):
    got = _look(**said)
    assert got["extent"] == extent
    assert got["covered_m2"] == pytest.approx(covered, nan_ok=True)
    assert got["covered_share"] == pytest.approx(min(covered / 400, 1.0) if covered == covered else np.nan, nan_ok=True)
    if extent == "place" and covered == covered:
        assert shapely.area(got["region"]) == pytest.approx(covered)
        assert shapely.covers(shapely.box(0, -5, 40, 5), got["region"])
    elif extent != "place":
        assert got["region"] is None


def test_a_deck_without_an_edge_has_no_strips():
    thin = records("deck", deck_id=["d"], bridge_id=["b"], length_m=[40.0], width_m=[None])
    got = _look(thin, from_station_m=10.0)
    assert np.isnan(got["covered_m2"])
    assert got["region"] is None
    assert np.isnan(_look(thin)["covered_m2"])
    assert deck_edges(LARGE)["area_m2"].tolist() == [400.0]
    assert np.isnan(deck_edges(thin)["area_m2"].iloc[0])
    drawn = records("deck", deck_id=["d"], bridge_id=["b"], length_m=[40.0], width_m=[None], outline=[HALF])
    assert deck_edges(drawn)["area_m2"].tolist() == [200.0]


@pytest.mark.parametrize(
    ("method", "known", "kinds"),
    [
        ("sounding", True, KINDS), ("impact echo", True, ("delamination", "failed patch")), ("half-cell", True, ()),
        ("half cell", True, ()), ("visual", True, ("spall", "hole", "exposed bar")), ("dowsing", False, KINDS),
        (None, False, KINDS),
    ],
)  # fmt: skip
def test_what_a_method_finds(method, known, kinds):
    got = _look(method=method)
    assert got["method_known"] == known
    assert got["sees"] == kinds_mask(frozenset(kinds))


def test_looks_run_by_deck_then_day_then_id_and_unknown_decks_have_none():
    two = pd.concat([LARGE.assign(deck_id="b2"), LARGE.assign(deck_id="a1")], ignore_index=True)
    frame = records(
        "survey", survey_id=["z", "k", "m", "c", "x"], deck_id=["b2", "b2", "a1", "b2", "nowhere"],
        survey_date=pd.to_datetime(["2020-05-01", "2020-05-01", "2021-01-01", "2019-01-01", "2020-01-01"]),
        method=["sounding"] * 5,
    )  # fmt: skip
    assert survey_looks(frame, two, LookSettings())["survey_id"].tolist() == ["m", "c", "k", "z"]
    other = frame[frame["survey_id"] != "z"]
    assert survey_looks(other, two, LookSettings())["survey_id"].tolist() == ["m", "c", "k"]


def test_only_parts_with_an_area_are_kept():
    mixed = shapely.GeometryCollection(
        [shapely.box(0, 0, 1, 1), shapely.LineString([(0, 0), (5, 5)]), shapely.box(2, 0, 3, 2)]
    )
    got = areal_parts(np.array([mixed, shapely.box(0, 0, 2, 2), None], dtype=object))
    assert got[0].equals(shapely.union_all([shapely.box(0, 0, 1, 1), shapely.box(2, 0, 3, 2)]))
    assert got[1].equals(shapely.box(0, 0, 2, 2))
    assert got[2] is None


# ---- known look by look ----------------------------------------------------------------------------------------------


def _series(looks, found=None, works=NO_REPAIRS, about=None):
    about = deck() if about is None else about
    found = defects() if found is None else found
    return deck_as_known(survey_shares(looks, found, about), found, about, works).series


def _days(series):
    return [(d - DAY).days for d in series["oldest"]]


@pytest.mark.basis("derived", "by hand: what a look of p of the deck found and 1 - p of what was known; by who can see")
def test_totals_of_parts_are_spread_evenly_look_by_look():
    rng = np.random.default_rng(5)
    for trial in range(12):
        rows, wanted, day = [], [], 0
        state, looked, oldest = np.zeros(3), 0.0, 0
        half = int(rng.integers(0, 4))  # the one look of a part; more than one go place by place
        for k in range(5):
            day += int(rng.choice([100, 366, 367, 800]))
            method = str(rng.choice(["sounding", "infrared", "visual"] if k == half else ["infrared", "visual"]))
            part = float(rng.choice([0.25, 0.5, 0.75])) if k == half else 1.0
            own = np.array([round(float(v), 2) for v in rng.uniform(0, 2, 3)])
            said = dict(zip(("delaminated_m2", "spalled_m2", "exposed_bar_m2"), own.tolist(), strict=True))
            rows.append((f"s{k}", day, method, {**said, "surveyed_m2": part * 72.0}))
            sees = np.array({"sounding": [1, 1, 1], "infrared": [1, 0, 0], "visual": [0, 1, 1]}[method], dtype=bool)
            if k == 0:
                state, looked, oldest, fresh = own, part, day, part
            else:
                state = np.where(sees, own + state * (1 - part), np.maximum(state, own))
                looked = part + looked * (1 - part) if sees[0] else looked  # ground where hollow concrete was heard
                kept = part < 1.0 or not sees.all()
                fresh = max(looked, part) if kept and day - oldest <= 366 else part
                oldest = oldest if kept else day
            wanted.append((state, max(looked, part), fresh, oldest))
        got = _series(surveys(*rows))
        for k, (kinds, ground, new, old) in enumerate(wanted):
            row = got.iloc[k]
            assert row[["delaminated_m2", "spalled_m2", "exposed_bar_m2"]].tolist() == pytest.approx(kinds.tolist())
            assert row["covered_share"] == pytest.approx(ground), (trial, k)
            assert row["covered_m2"] == pytest.approx(72 * ground)
            assert row["unsound_m2"] == pytest.approx(min(kinds[0] + kinds[1], 72 * ground))
            assert row["fresh_share"] == pytest.approx(new), (trial, k)
            assert (row["oldest"] - DAY).days == old, (trial, k)


@pytest.mark.basis("derived", "by hand: parts of no known place overlap as chance has it")
def test_parts_of_unknown_place_leave_their_share_of_what_was_known():
    looks = surveys(
        ("a", 0, "sounding", {"delaminated_m2": 4.0, "surveyed_m2": 36.0}),
        ("b", 300, "sounding", {"delaminated_m2": 2.0, "spalled_m2": 1.0, "surveyed_m2": 18.0}),
        ("c", 600, "visual", {"spalled_m2": 0.5, "surveyed_m2": 54.0}),
    )
    got = _series(looks)
    assert got["delaminated_m2"].tolist() == pytest.approx([4.0, 0.75 * 4 + 2, 5.0])
    assert got["spalled_m2"].fillna(0.0).tolist() == pytest.approx([0.0, 1.0, 0.25 * 1 + 0.5])
    assert got["covered_share"].tolist() == pytest.approx([0.5, 1 - 0.5 * 0.75, 1 - 0.5 * 0.75 * 0.25])
    assert got["fresh_share"].tolist() == pytest.approx([0.5, 1 - 0.5 * 0.75, 1 - 0.75 * 0.25])
    assert _days(got) == [0, 0, 0]


LEFT, RIGHT = {"to_offset_m": 0.0}, {"from_offset_m": 0.0}
IN_LEFT, IN_RIGHT = shapely.box(1, -2, 3, -1), shapely.box(5, 1, 8, 2)


@pytest.mark.basis("derived", "by hand: the halves of a deck looked at in turn; a year and a day is lately")
@pytest.mark.parametrize(("apart", "fresh"), [(366, 1.0), (367, 0.5)])
def test_ground_looked_at_within_a_year_is_fresh(apart, fresh):
    found = defects(("a", "delamination", IN_LEFT), ("b", "delamination", IN_RIGHT))
    got = _series(surveys(("a", 0, "sounding", LEFT), ("b", apart, "sounding", RIGHT)), found)
    assert got["covered_share"].tolist() == [0.5, 1.0]
    assert got["fresh_share"].tolist() == [0.5, fresh]
    assert _days(got) == [0, 0]
    assert got["unsound_m2"].tolist() == [2.0, 5.0]


def test_the_oldest_look_that_counts_is_one_of_which_something_is_left():
    looks = [("a", 0, "sounding", LEFT), ("b", 100, "sounding", RIGHT), ("c", 200, "sounding", LEFT)]
    found = [("a", "delamination", IN_LEFT), ("b", "delamination", IN_RIGHT), ("c", "delamination", IN_LEFT)]
    assert _days(_series(surveys(*looks), defects(*found))) == [0, 0, 100]
    # A strip looked at again leaves ground of the first look: it counts on, though nothing it found is left.
    narrow = {"to_offset_m": 0.0, "from_offset_m": -2.5}
    again = [*looks[:2], ("c", 200, "sounding", narrow)]
    assert _days(_series(surveys(*again), defects(*found))) == [0, 0, 0]
    # The eye leaves what is hollow to the look before.
    eye = [("a", 0, "sounding", {}), ("b", 300, "visual", {})]
    seen = defects(("a", "delamination", IN_LEFT), ("b", "spall", IN_RIGHT))
    got = _series(surveys(*eye), seen)
    assert _days(got) == [0, 0]
    assert got["unsound_m2"].tolist() == [2.0, 5.0]
    clean = defects(("a", "spall", IN_LEFT), ("b", "spall", IN_RIGHT))
    got = _series(surveys(*eye), clean)
    assert got["unsound_m2"].tolist() == [2.0, 3.0]
    assert _days(got) == [0, 300]


@pytest.mark.basis("derived", "by hand: areas listed without a shape, and totals beside a drawing")
def test_what_is_listed_without_a_shape_has_no_place():
    found = defects(("a", "delamination", IN_LEFT), ("a", "spall", None)).assign(area_m2=[None, 1.5])
    one = _series(surveys(("a", 0, "sounding", {})), found)
    assert (one["unsound_m2"].iloc[0], one["undrawn_m2"].iloc[0]) == (3.5, 1.5)
    # Half of the ground it was found on is looked at again: half of it stands.
    two = _series(
        surveys(("a", 0, "sounding", {}), ("b", 100, "sounding", LEFT)),
        pd.concat([found, defects(("b", "delamination", IN_LEFT))], ignore_index=True),
    )
    assert two["undrawn_m2"].tolist() == [1.5, 0.75]
    assert two["unsound_m2"].tolist() == [3.5, 2.75]
    assert two["spalled_m2"].tolist() == [1.5, 0.75]
    # A total of a part of no known place leaves drawn pieces where they are, and weighs them.
    part = _series(
        surveys(("a", 0, "sounding", {}), ("b", 100, "sounding", {"surveyed_m2": 18.0, "delaminated_m2": 1.0})), found
    )
    assert part["delaminated_m2"].tolist() == pytest.approx([2.0, 0.75 * 2 + 1])
    assert part["spalled_m2"].tolist() == pytest.approx([1.5, 0.75 * 1.5])
    assert part["undrawn_m2"].tolist() == pytest.approx([1.5, 1.0 + 0.75 * 1.5])


@pytest.mark.parametrize(("day", "before"), [(49, True), (50, False), (51, False)])
def test_an_overlay_between_two_looks_ends_the_first(day, before):
    looks = surveys(("a", 50, "sounding", LEFT), ("b", 100, "sounding", RIGHT))
    found = defects(("a", "delamination", IN_LEFT), ("b", "delamination", IN_RIGHT))
    got = _series(looks, found, repairs((day, "thin overlay", None)))
    assert got["unsound_m2"].tolist() == [2.0, 5.0 if before else 3.0]
    assert got["covered_share"].tolist() == [0.5, 1.0 if before else 0.5]


@pytest.mark.parametrize(("day", "left"), [(50, 2.0), (51, 1.0), (100, 1.0), (101, 2.0)])
def test_a_drawn_patch_takes_its_ground_from_looks_before_its_day(day, left):
    # A patch of the day of a look is taken for the earlier of the two.
    looks = surveys(("a", 50, "sounding", LEFT), ("b", 100, "sounding", RIGHT))
    found = defects(("a", "delamination", IN_LEFT), ("b", "delamination", IN_RIGHT))
    about = deck()
    known = deck_as_known(
        survey_shares(looks, found, about), found, about, repairs((day, "patch", shapely.box(2, -3, 4, 0)))
    )
    assert known.series["unsound_m2"].iloc[1] == pytest.approx(left + 3.0)
    # After all repairs.
    standing = shapely.area(known.standing["shape"].to_numpy(dtype=object)).sum()
    assert standing == pytest.approx(5.0 if day == 50 else 4.0)


PART, TOTAL, ALL = {"surveyed_m2": 36.0}, {"delaminated_m2": 2.0}, {"unsound_m2": 2.0}


@pytest.mark.basis("derived", "each rule by hand: what begins anew, and what must go place by place")
@pytest.mark.parametrize(
    ("looks", "groups", "placewise"),
    [
        ([("sounding", TOTAL)] * 3, [1, 2, 3], [False] * 3),
        ([("sounding", LEFT, True), ("sounding", RIGHT, True)], [1, 1], [True, True]),
        ([("sounding", LEFT, True), ("sounding", {}, True)], [1, 2], [True, False]),
        ([("sounding", TOTAL), ("infrared", TOTAL)], [1, 1], [False, False]),
        ([("infrared", TOTAL), ("sounding", TOTAL), ("visual", TOTAL)], [1, 2, 2], [False] * 3),
        ([("sounding", TOTAL), ("visual", ALL), ("visual", TOTAL)], [1, 2, 2], [False] * 3),
        ([("sounding", {}, True), ("visual", ALL)], [1, 1], [True, True]),
        ([("sounding", {}, True), ("sounding", ALL)], [1, 2], [False, False]),
        ([("sounding", {}, True)], [1], [False]),
        ([("sounding", LEFT, True)], [1], [True]),
        ([("infrared", {}, True)], [1], [True]),
        ([("sounding", {**PART, **TOTAL})], [1], [False]),
        ([("sounding", {**PART, **TOTAL}), ("infrared", TOTAL)], [1, 1], [False, False]),
        ([("sounding", {**PART, **TOTAL})] * 2, [1, 1], [True, True]),
        ([("sounding", {**PART, **ALL})] * 2, [1, 1], [True, True]),
    ],
)
def test_which_looks_hang_together_and_which_go_place_by_place(looks, groups, placewise):
    rows = [(f"s{k}", 100 * k, look[0], look[1]) for k, look in enumerate(looks)]
    drawn = defects(*[(f"s{k}", "delamination", IN_LEFT) for k, look in enumerate(looks) if len(look) > 2])
    told = survey_shares(surveys(*rows), drawn, deck())
    got = _segments(told, _renewals(NO_REPAIRS, deck()))
    assert got[0].tolist() == groups
    assert got[1].tolist() == placewise


def test_each_deck_and_each_life_begins_anew():
    about = pd.concat([deck(), deck().assign(deck_id="e")], ignore_index=True)
    rows = [(f"{d}{k}", 100 * k, "sounding", LEFT) for d in "de" for k in range(3)]
    frame = surveys(*rows).assign(deck_id=["d"] * 3 + ["e"] * 3)
    drawn = defects(*[(r[0], "delamination", IN_LEFT) for r in rows])
    told = survey_shares(frame, drawn, about)
    works = repairs((150, "rigid overlay", None), (100, "thin overlay", None), (50, "patch", IN_LEFT))
    # An overlay of the day of a look comes after it.
    assert _segments(told, _renewals(works, about))[0].tolist() == [1, 1, 2, 3, 3, 3]
    assert _segments(told, _renewals(works.iloc[1:2], about))[0].tolist() == [1, 1, 2, 3, 3, 3]
    assert _segments(told, _renewals(works.iloc[2:], about))[0].tolist() == [1, 1, 1, 2, 2, 2]


@pytest.mark.basis("derived", "by hand: a total in all stands for older figures, not for drawings that it cannot see")
def test_a_total_in_all_beside_older_drawings():
    looks = surveys(("a", 0, "sounding", {}), ("b", 300, "visual", {"unsound_m2": 4.0, "spalled_m2": 1.0}))
    found = defects(("a", "delamination", IN_LEFT), ("a", "spall", IN_RIGHT))
    about = deck()
    known = deck_as_known(survey_shares(looks, found, about), found, about, NO_REPAIRS)
    last = known.series.iloc[1]
    # 4 m2 in all; the drawn 2 m2 that the eye cannot see still stand on the map, and count for no more.
    assert (last["unsound_m2"], last["spalled_m2"]) == (4.0, 1.0)
    assert shapely.area(known.standing["shape"].to_numpy(dtype=object)).tolist() == [2.0]
    assert last["undrawn_m2"] == pytest.approx(4.0)


@pytest.mark.basis("derived", "by hand: unions counted once for each kind and once in all")
def test_kinds_that_lie_over_one_another_count_once_in_all():
    looks = surveys(("a", 0, "sounding", LEFT), ("b", 100, "sounding", RIGHT))
    both = shapely.box(2, -2, 4, -1)
    found = defects(
        ("a", "delamination", IN_LEFT), ("a", "spall", both), ("a", "spall", shapely.box(3, -2, 5, -1)),
        ("b", "exposed bar", IN_RIGHT),
    )  # fmt: skip
    last = _series(looks, found).iloc[1]
    assert last[["delaminated_m2", "spalled_m2", "exposed_bar_m2"]].tolist() == [2.0, 3.0, 3.0]
    assert last["unsound_m2"] == pytest.approx(4.0 + 3.0)
    assert last["unsound_share"] == pytest.approx(7.0 / 72.0)
    assert last["delaminated_share"] == pytest.approx(2.0 / 72.0)


@pytest.mark.basis("derived", "by hand: what is unsound in all and of no kind goes with who could hear or see it")
def test_a_total_of_no_kind_is_replaced_by_who_could_find_it():
    heard = _series(surveys(("a", 0, "sounding", {"unsound_m2": 4.0}), ("b", 300, "visual", {"spalled_m2": 1.0})))
    assert heard["unsound_m2"].tolist() == [4.0, 5.0]  # the eye takes no hollow concrete away
    again = _series(surveys(("a", 0, "sounding", {"unsound_m2": 4.0}), ("b", 300, "infrared", {"delaminated_m2": 1.0})))
    assert again["unsound_m2"].tolist() == [4.0, 1.0]
    eye = _series(surveys(("a", 0, "visual", {"unsound_m2": 4.0}), ("b", 300, "infrared", {"delaminated_m2": 1.0})))
    assert eye["unsound_m2"].tolist() == [4.0, 5.0]


@pytest.mark.basis("derived", "by hand: a look of no known size takes nothing away, and may have found the same")
def test_a_part_of_no_known_size_adds_only_what_is_more():
    for found, known in ((1.0, 4.0), (6.0, 6.0)):
        got = _series(
            surveys(
                ("a", 0, "infrared", {"delaminated_m2": 4.0}),
                ("b", 300, "sounding", {"delaminated_m2": found, "looked_at": "left lane"}),
            )
        )
        assert got["delaminated_m2"].tolist() == [4.0, known]
    # A kind that a method cannot see, stated all the same, counts as found.
    seen = _series(
        surveys(
            ("a", 0, "visual", {"spalled_m2": 1.0}), ("b", 300, "infrared", {"delaminated_m2": 2.0, "hole_m2": 3.0})
        )
    )
    assert seen["unsound_m2"].tolist() == [1.0, 6.0]


def test_what_stands_is_of_the_last_looks_of_each_deck():
    told = pd.DataFrame({"deck_id": ["a", "b", "b", "b", "c", "c", "d"]})
    assert _last_group(told, np.array([1, 2, 2, 3, 4, 5, 6])).tolist() == [1, 3, 3, 3, 5, 5, 6]
    about = pd.concat([deck(), deck().assign(deck_id="e"), deck().assign(deck_id="f")], ignore_index=True)
    rows = [(f"{d}{k}", 100 * k, "sounding", {}) for d in "def" for k in range(2)]
    frame = surveys(*rows).assign(deck_id=["d", "d", "e", "e", "f", "f"])
    drawn = defects(*[(r[0], "delamination", IN_LEFT) for r in rows])
    known = deck_as_known(survey_shares(frame, drawn, about), drawn, about, NO_REPAIRS)
    assert known.standing["found_by"].tolist() == ["d1", "e1", "f1"]
    assert "survey_id" in known.defects
    for name in ("index", "survey_id"):
        assert name not in known.standing
    assert set(known.defects) - {"survey_id"} == set(known.standing)

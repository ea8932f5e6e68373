"""The plan of a deck, read back as a drawing."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import shapely

from decknet.errors import LocationError
from decknet.show import deck_plan, plan_svg
from decknet.show.hatch import HATCHES
from decknet.show.labels import spread
from decknet.show.plan import SCALES
from decknet.show.shade import dots_path
from tests.show.decks import KINDS, deck, defects, limits, no_repairs, repairs, shade
from tests.show.invented import HOSTILE

SPACE = "{http://www.w3.org/2000/svg}"


def drawn(given=None, found=None, chosen=None, earlier=None, **more):
    found = defects() if found is None else found
    return deck_plan(
        deck() if given is None else given,
        found,
        limits(found) if chosen is None else chosen,
        repairs() if earlier is None else earlier,
        **more,
    )


def trees(plan):
    return [ET.fromstring(svg) for *_, svg in plan.strips]  # noqa: S314 (our own drawing)


def of_class(tree, name):
    return [e for e in tree.iter() if e.get("class") == name]


def texts(tree):
    return [e.text for e in tree.iter(f"{SPACE}text") if not e.get("aria-hidden")]


def test_it_holds_as_many_limits_defects_and_patches_as_given():
    (tree,) = trees(drawn(scale=200))
    assert len(of_class(tree, "limit")) == 5
    assert sorted(e.get("data-kind") for e in of_class(tree, "defect")) == sorted(KINDS)
    assert len(of_class(tree, "earlier")) == 2


@pytest.mark.basis("derived", "a metre at 1 to n is 1000 / n mm")
@pytest.mark.parametrize("scale", SCALES)
def test_limits_are_drawn_to_the_scale_stated(scale):
    plan = drawn(scale=scale)
    assert plan.scale == scale
    for tree, (start, end, *_) in zip(trees(plan), plan.strips, strict=True):
        assert float(tree.get("width").removesuffix("mm")) == float(tree.get("viewBox").split()[2])
        chosen = limits(defects()).set_index("number")
        for rectangle in of_class(tree, "limit"):
            row = chosen.loc[int(rectangle.get("data-number"))]
            long = min(row["to_station_m"], end) - max(row["from_station_m"], start)
            assert float(rectangle.get("width")) * scale / 1000 == pytest.approx(long, abs=0.01 * scale / 1000)
            assert float(rectangle.get("height")) * scale / 1000 == pytest.approx(
                row["width_m"], abs=0.01 * scale / 1000
            )


def test_every_limit_carries_its_number_stations_and_offsets():
    plan = drawn()
    said = [t for tree in trees(plan) for t in texts(tree)]
    for row in limits(defects()).to_dict("records"):
        assert str(row["number"]) in said
        assert f"{row['from_station_m']:.2f}" in said
        assert f"{row['to_station_m']:.2f}" in said
        for offset in (row["from_offset_m"], row["to_offset_m"]):
            assert f"{'L' if offset < 0 else 'R'} {abs(offset):.2f}" in said


def test_right_of_the_centreline_is_below_it_and_up_station_to_the_right():
    (tree,) = trees(drawn(scale=200))
    rectangle = {int(e.get("data-number")): (float(e.get("x")), float(e.get("y"))) for e in of_class(tree, "limit")}
    assert rectangle[1][0] < rectangle[2][0] < rectangle[5][0]
    assert rectangle[1][1] < rectangle[2][1]  # the first lies left, the second right


@pytest.mark.basis("derived", "a line that runs due east has north at its left, a quarter turn back from it")
@pytest.mark.parametrize(("bearing", "turn"), [(90, 0), (0, 90), (180, 270), (120, 330)])
def test_the_arrow_points_north(bearing, turn):
    (tree,) = trees(drawn(deck(bearing_deg=float(bearing)), scale=200))
    (arrow,) = of_class(tree, "north")
    assert float(re.search(r"rotate\(([\d.]+)", arrow.get("transform"))[1]) == turn


def test_a_deck_whose_direction_is_not_known_says_so():
    (tree,) = trees(drawn(deck(bearing_deg=float("nan")), scale=200))
    assert not of_class(tree, "north")
    assert "North not known" in texts(tree)


def test_kinds_differ_in_hatching_not_in_colour():
    assert len(set(HATCHES.values())) == len(HATCHES)
    for colour in set(re.findall(r"#[0-9a-fA-F]{3,6}\b", plan_svg(drawn()))):
        body = colour[1:] if len(colour) == 7 else "".join(c * 2 for c in colour[1:])
        assert body[:2] == body[2:4] == body[4:], colour


def test_full_depth_has_a_second_line():
    found = defects(3)
    chosen = limits(found)
    (one,) = trees(drawn(found=found, chosen=chosen, scale=200))
    (none,) = trees(drawn(found=found, chosen=chosen.assign(depth_class="partial"), scale=200))
    assert len(list(one.iter(f"{SPACE}rect"))) == len(list(none.iter(f"{SPACE}rect"))) + 1


def test_a_long_deck_breaks_over_strips_that_hold_every_limit_whole():
    found = defects(60)
    plan = drawn(deck(length_m=260.0, joints_m=None), found)
    assert len(plan.strips) > 3
    assert plan.whole
    spans = [(a, b) for a, b, *_ in plan.strips]
    for row in limits(found).to_dict("records"):
        assert any(a <= row["from_station_m"] and row["to_station_m"] <= b for a, b in spans), row["number"]
    assert all(b <= c + 1e-9 for (_, b), (c, _) in itertools.pairwise(spans))


def test_stretches_with_nothing_are_left_out_and_named():
    found = defects(2)
    found.loc[1, "shape"] = shapely.box(190, 1, 192, 2)
    plan = drawn(deck(length_m=200.0, joints_m=None), found, earlier=no_repairs())
    assert len(plan.strips) == 2
    gap = next((a, b) for a, b in plan.left_out if b - a > 100)
    assert gap[0] < 100 < gap[1] <= 190


def test_a_deck_with_nothing_found_is_drawn_whole():
    found = defects(0)
    plan = drawn(found=found, chosen=limits(defects(1)).iloc[:0], earlier=no_repairs())
    assert plan.strips
    assert plan.strips[0][0] == 0
    assert plan.strips[-1][1] == pytest.approx(24.0)


def test_a_skewed_deck_keeps_its_outline():
    skew = shapely.Polygon([(0, -4.5), (24, -4.5), (27, 4.5), (3, 4.5)])
    plan = drawn(deck(outline=skew), scale=200)
    assert plan.strips[0][0] == 0
    assert plan.strips[-1][1] == pytest.approx(27.0)


def test_without_a_size_there_is_no_plan():
    with pytest.raises(LocationError, match="0071-2"):
        drawn(deck(length_m=float("nan")))


@pytest.mark.parametrize("name", HOSTILE)
def test_text_that_looks_like_code_stays_text(name):
    found = defects(1).assign(kind=name)
    (tree,) = trees(drawn(found=found, scale=200))
    assert [e.get("data-kind") for e in of_class(tree, "defect")] == [name]


def test_the_whole_plan_is_one_drawing():
    tree = ET.fromstring(plan_svg(drawn()))  # noqa: S314 (our own drawing)
    assert len(of_class(tree, "limit")) >= 5
    assert len(list(tree)) >= 2


def test_labels_keep_apart_and_inside():
    rng = np.random.default_rng(3)
    for _ in range(50):
        wanted = list(rng.uniform(0, 100, rng.integers(1, 40)))
        at = np.array(spread(wanted, 2.5, 0.0, 100.0))
        assert np.diff(np.sort(at)).min(initial=9) >= 2.5 - 1e-9
        assert at.min() >= -1e-9
        assert at.max() <= 100 + 1e-9
        assert (np.argsort(at, kind="stable") == np.argsort(wanted, kind="stable")).all()


def test_ground_to_look_at_first_is_dotted_the_denser_the_more_comes_there():
    (tree,) = trees(drawn(scale=200, shade=shade()))
    assert [e.get("data-band") for e in of_class(tree, "first")] == ["1", "2", "3"]
    density = [
        e.get("d").count("M") / (shapely.area(shape) * 25)  # 1 m2 is 25 mm2 at 1 to 200
        for e, shape in zip(of_class(tree, "first"), shade().bands["shape"], strict=True)
    ]
    assert density[0] > 1.5 * density[1] > 3 * density[2] > 0
    key = ET.fromstring(drawn(scale=200, shade=shade()).key)  # noqa: S314 (our own drawing)
    assert [t for t in texts(key) if t.startswith("new damage")] == [
        f"new damage {n} times the deck's average" for n in ("14", "4.1", "1.9")
    ]
    assert not of_class(trees(drawn(scale=200))[0], "first")


def test_dots_lie_in_their_band_and_on_one_lattice_for_all_strips():
    ring = shapely.buffer(shapely.box(10, 10, 40, 20), 3) - shapely.box(10, 10, 40, 20)
    dots = shapely.points(np.array(re.findall(r"M([\d.]+) ([\d.]+)", dots_path(ring, 1)), dtype=float))
    assert len(dots) > 100
    assert shapely.covers(shapely.buffer(ring, 0.006), dots).all()
    half = shapely.box(0, 0, 25, 50)
    parts = [dots_path(p, 1).count("M") for p in (shapely.intersection(ring, half), shapely.difference(ring, half))]
    assert sum(parts) == pytest.approx(len(dots), abs=1)
    assert dots_path(shapely.Polygon(), 1) == ""

"""The field page, drawn on in a browser with the network off."""

from __future__ import annotations

import base64
import datetime as dt
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
import shapely

from decknet import digits
from decknet.errors import LocationError, SettingsError
from decknet.show import field_page
from tests.browser import Browser
from tests.show.decks import deck, defects, shade
from tests.show.invented import HOSTILE

TODAY = dt.date(2026, 11, 25)


def page_of(given: dict[str, Any] | None = None, **more: Any) -> str:
    return field_page(
        deck() if given is None else given, defects(), dt.date(2026, 8, 19), title="Far Coast", today=TODAY, **more
    )


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser(width=1180, height=820) as one:
        yield one


@pytest.fixture
def opened(browser: Browser, tmp_path: Path) -> Iterator[Any]:
    """Opens a page with nothing kept from before; it asked for nothing but itself and wrote no error."""
    file = tmp_path / "deck.html"

    def open_page(html: str) -> Path:
        file.write_text(html, encoding="utf-8")
        browser.open(file)
        return file

    yield open_page
    browser.settle()
    assert browser.errors == []
    assert [a for a in browser.asked if not a.startswith("data:")] == [file.as_uri()]
    browser.evaluate("localStorage.clear()")


def at(browser: Browser, station: float, offset: float) -> tuple[float, float]:
    x, y = browser.evaluate(f"decknet.screen({station}, {offset})")
    return x, y


def drag(browser: Browser, start: tuple[float, float], end: tuple[float, float]) -> None:
    (x0, y0), (x1, y1) = at(browser, *start), at(browser, *end)
    browser.send("Input.dispatchMouseEvent", type="mousePressed", x=x0, y=y0, button="left", clickCount=1)
    for part in (0.4, 0.7, 1.0):
        x, y = x0 + (x1 - x0) * part, y0 + (y1 - y0) * part
        browser.send("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y, button="left")
    browser.send("Input.dispatchMouseEvent", type="mouseReleased", x=x1, y=y1, button="left", clickCount=1)
    browser.settle()


def tap(browser: Browser, *points: tuple[float, float]) -> None:
    for point in points:
        browser.click(*at(browser, *point))


def press(browser: Browser, which: str) -> None:
    browser.evaluate(f"document.querySelector({json.dumps(which)}).click()")
    browser.settle()


def shapes(browser: Browser) -> list[Any]:
    return [shapely.Polygon(a["points"]) for a in browser.evaluate("decknet.areas()")]


def sheets(browser: Browser) -> dict[str, list[list[Any]]]:
    book = openpyxl.load_workbook(io.BytesIO(base64.b64decode(browser.evaluate("decknet.file()"))))
    return {s.title: [[c.value for c in row] for row in s.rows] for s in book}


def text_of(browser: Browser, which: str) -> str:
    said: str = browser.evaluate(f"document.querySelector({json.dumps(which)}).textContent")
    return said


def test_a_drag_is_a_box_on_the_step(browser: Browser, opened: Any) -> None:
    opened(page_of())
    drag(browser, (2.03, -3.04), (4.52, -1.18))
    (box,) = shapes(browser)
    assert box.equals(shapely.box(2.0, -3.0, 4.5, -1.2))


def test_taps_are_an_outline_closed_on_its_first_corner(browser: Browser, opened: Any) -> None:
    opened(page_of())
    tap(browser, (3, 1), (5, 1.5), (4.5, 3.1), (3, 1))
    (outline,) = shapes(browser)
    assert outline.equals(shapely.Polygon([(3, 1), (5, 1.5), (4.5, 3.1)]))


def test_what_reaches_past_the_edge_ends_on_it(browser: Browser, opened: Any) -> None:
    opened(page_of(deck(width_m=8.33)))
    drag(browser, (1.0, -4.6), (2.0, -3.0))
    (box,) = shapes(browser)
    assert box.bounds == pytest.approx((1.0, -4.165, 2.0, -3.0), abs=1e-3)


def test_an_outline_that_crosses_itself_is_not_taken(browser: Browser, opened: Any) -> None:
    opened(page_of())
    tap(browser, (3, 1), (5, 3), (5, 1), (3, 3), (3, 1))
    assert shapes(browser) == []
    assert "crosses itself" in text_of(browser, "#told")


def test_kind_depth_removal_and_undo(browser: Browser, opened: Any) -> None:
    opened(page_of())
    press(browser, '[data-kind="spall"]')
    browser.evaluate(
        "(d => { d.value = '65'; d.dispatchEvent(new Event('input')); })(document.getElementById('depth'))"
    )
    drag(browser, (2, -3), (3, -2))
    drag(browser, (5, -3), (6, -2))
    first, second = browser.evaluate("decknet.areas()")
    assert (first["kind"], first["depth"]) == (second["kind"], second["depth"]) == ("spall", "65")
    press(browser, "#areas li button")
    assert [a["id"] for a in browser.evaluate("decknet.areas()")] == [2]
    press(browser, "#undo")
    assert [a["id"] for a in browser.evaluate("decknet.areas()")] == [1, 2]
    press(browser, "#undo")
    press(browser, "#undo")
    assert browser.evaluate("decknet.areas()") == []


@pytest.mark.basis("derived", "union of the same shapes by another library")
def test_the_running_area_counts_overlaps_once(browser: Browser, opened: Any) -> None:
    opened(page_of())
    rng = np.random.default_rng(11)
    for _ in range(6):
        a, b = rng.uniform(0.5, 8), rng.uniform(-4, 1.5)
        drag(browser, (a, b), (a + rng.uniform(0.5, 4), b + rng.uniform(0.5, 2.5)))
    tap(browser, (2, -2), (9, -1), (6, 3.2), (3, 2), (2, -2))
    drawn = shapes(browser)
    assert len(drawn) == 7
    union = shapely.area(shapely.union_all(drawn))
    assert shapely.area(drawn).sum() > union + 0.5
    assert browser.evaluate("decknet.figures().unsound") == pytest.approx(union, abs=1e-6)
    assert digits.percent(union / (24 * 9)) in text_of(browser, "#sum")


@pytest.mark.basis("derived", "only what lies on the deck counts, by another library")
def test_on_a_skewed_deck_only_what_lies_on_it_counts(browser: Browser, opened: Any) -> None:
    skew = shapely.Polygon([(0, -4.5), (24, -4.5), (27, 4.5), (3, 4.5)])
    opened(page_of(deck(outline=skew)))
    drag(browser, (0.5, 0), (4, 4))
    (box,) = shapes(browser)
    assert browser.evaluate("decknet.figures().unsound") == pytest.approx(box.intersection(skew).area, abs=1e-6)
    assert browser.evaluate("decknet.figures().deck") == pytest.approx(skew.area, abs=1e-6)


def test_it_is_still_there_when_the_page_is_opened_again(browser: Browser, opened: Any) -> None:
    file = opened(page_of())
    drag(browser, (2, -3), (4.5, -1.2))
    tap(browser, (7, 1))
    before = browser.evaluate("decknet.areas()")
    browser.open(file)
    assert browser.evaluate("decknet.areas()") == before
    press(browser, "#undo")  # the open corner, and with it what was drawn before the page was closed
    press(browser, "#undo")
    assert browser.evaluate("decknet.areas()") == []


def test_starting_anew_asks_twice(browser: Browser, opened: Any) -> None:
    opened(page_of())
    drag(browser, (2, -3), (4, -2))
    press(browser, "#clear")
    assert len(shapes(browser)) == 1
    press(browser, "#clear")
    assert shapes(browser) == []


def test_the_file_holds_a_survey_and_its_defects(browser: Browser, opened: Any) -> None:
    opened(page_of())
    drag(browser, (2, -3), (4, -2))
    browser.evaluate(
        "for (const [id, v] of [['date', '2026-11-20'], ['crew', '=1+1'], ['from_station', '0'],"
        " ['to_station', '12,0']])"
        "{ const f = document.getElementById(id); f.value = v; f.dispatchEvent(new Event('input')); }"
    )
    held = sheets(browser)
    survey = dict(zip(*held["surveys"], strict=True))
    assert (survey["deck_id"], survey["survey_date"], survey["method"], survey["crew"]) == (
        "0071-2",
        "2026-11-20",
        "sounding",
        "=1+1",
    )
    assert (survey["from_station_m"], survey["to_station_m"], survey["unsound_m2"], survey["hole_m2"]) == (0, 12, 2, 0)
    # Stations are given, so that a part was looked at, at the full width.
    assert (survey["looked_at"], survey["from_offset_m"], survey["to_offset_m"]) == (None, None, None)
    assert held["defects"][1][0] == survey["survey_id"]
    assert held["defects"][1][2:] == ["delamination", None, "POLYGON ((2 -3, 4 -3, 4 -2, 2 -2, 2 -3))"]


def test_a_deck_with_nothing_found_is_a_survey_with_zeros(browser: Browser, opened: Any) -> None:
    opened(page_of())
    held = sheets(browser)
    assert list(held) == ["surveys"]
    assert dict(zip(*held["surveys"], strict=True))["unsound_m2"] == 0


def test_saving_refuses_what_is_not_finished(browser: Browser, opened: Any) -> None:
    opened(page_of())
    tap(browser, (3, 1))
    press(browser, "#save")
    assert "still open" in text_of(browser, "#saved")


def _say(browser: Browser, **fields: str) -> None:
    browser.evaluate(
        f"for (const [id, v] of {json.dumps(list(fields.items()))})"
        "{ const f = document.getElementById(id); f.value = v; f.dispatchEvent(new Event('input')); }"
    )


def test_what_was_looked_at_must_be_said(browser: Browser, opened: Any) -> None:
    opened(page_of())
    press(browser, "#save")
    assert "Say what was looked at" in text_of(browser, "#saved")
    _say(browser, looked_at="part")
    press(browser, "#save")
    assert "Give the stations or the offsets" in text_of(browser, "#saved")
    _say(browser, from_offset="3", to_offset="-3")
    press(browser, "#save")
    assert "cannot be read" in text_of(browser, "#saved")
    _say(browser, looked_at="whole deck")
    press(browser, "#save")
    assert text_of(browser, "#saved").startswith("No area is drawn: saved as sounded and nothing found.")
    survey = dict(zip(*sheets(browser)["surveys"], strict=True))
    assert (survey["looked_at"], survey["from_offset_m"], survey["to_offset_m"]) == ("whole deck", None, None)


def test_a_part_looked_at_bounds_the_area_and_is_carried(browser: Browser, opened: Any) -> None:
    """The deck is 24 by 9 m: stations 0 to 12 and offsets -4.5 to 0 hold 12 by 4.5, 54 m2."""
    opened(page_of())
    _say(browser, from_station="0", to_station="12", from_offset="-4,5", to_offset="0")
    assert browser.evaluate("document.getElementById('looked_at').value") == "part"
    assert browser.evaluate("decknet.figures().covered") == pytest.approx(54)
    survey = dict(zip(*sheets(browser)["surveys"], strict=True))
    strip = [survey[n] for n in ("from_station_m", "to_station_m", "from_offset_m", "to_offset_m")]
    assert strip == [0, 12, -4.5, 0]
    assert survey["looked_at"] is None


def test_fingers_draw_and_two_of_them_move(browser: Browser, opened: Any) -> None:
    opened(page_of())
    before = browser.evaluate("decknet.screen(6, 0)")
    (x0, y0), (x1, y1) = at(browser, 2, -3), at(browser, 4, -2)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        browser.send(
            "Input.dispatchTouchEvent",
            type=kind,
            touchPoints=[{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)],
        )

    touch("touchStart", (x0, y0))
    touch("touchMove", ((x0 + x1) / 2, (y0 + y1) / 2))
    touch("touchMove", (x1, y1))
    touch("touchEnd")
    browser.settle()
    (box,) = shapes(browser)
    assert box.equals(shapely.box(2, -3, 4, -2))
    touch("touchStart", (x0, y0), (x0 + 200, y0))
    touch("touchMove", (x0, y0), (x0 + 400, y0))
    touch("touchEnd")
    browser.settle()
    assert len(shapes(browser)) == 1
    assert browser.evaluate("decknet.screen(6, 0)") != before


def test_touch_targets_are_large_and_nothing_runs_off_the_screen(browser: Browser, opened: Any) -> None:
    opened(page_of(deck(name="A name that goes on and on " * 6)))
    for width, height in ((1180, 820), (820, 1180), (390, 800)):
        browser.resize(width, height)
        browser.settle()
        heights = browser.evaluate(
            "[...document.querySelectorAll('button')].map(b => b.getBoundingClientRect().height)"
        )
        assert min(heights) >= 44
        assert browser.evaluate("document.documentElement.scrollWidth <= innerWidth")
    browser.resize(1180, 820)


@pytest.mark.parametrize(
    "name", [*HOSTILE, "</script><script>document.title='x'</script>", "<img src=x onerror=boom()>"]
)
def test_names_that_look_like_code_are_text(browser: Browser, opened: Any, name: str) -> None:
    opened(page_of(deck(deck_id=name, name=name)))
    assert re.sub(r"\s+", " ", text_of(browser, "h1")).startswith(f"Deck {name} {name}")
    assert browser.evaluate("document.querySelectorAll('img').length") == 0
    assert dict(zip(*sheets(browser)["surveys"], strict=True))["deck_id"] == name


def test_the_last_survey_is_drawn_faint(browser: Browser, opened: Any) -> None:
    opened(page_of())
    assert browser.evaluate("document.querySelectorAll('#plan .before').length") == 5


def test_the_ground_to_look_at_first_is_dotted_under_the_drawing_and_can_be_switched_off(
    browser: Browser, opened: Any
) -> None:
    opened(page_of(shade=shade()))
    press(browser, "#all")
    order = "[...document.querySelectorAll('#plan path')].map(p => p.getAttribute('class')).filter(c => c)"
    assert browser.evaluate(order) == ["first"] * 3 + ["before"] * 5
    in_hole = "document.querySelector('#plan .first').isPointInFill(new DOMPoint(...at_))"
    for spot, inside in (((1.6, -3.0), False), ((0.9, -3.0), True)):
        x, y = at(browser, *spot)
        left, top = browser.evaluate(
            "(r => [r.left + 2, r.top + 2])(document.getElementById('plan').getBoundingClientRect())"
        )
        assert browser.evaluate(in_hole.replace("...at_", f"{x - left}, {y - top}")) is inside
    told = re.sub(r"\s+", " ", text_of(browser, "#bands"))
    assert "held 58 % of new damage in 186 pairs of surveys here. Ground without dots is not sound ground" in told
    assert "new damage 14 times the deck's average" in told
    press(browser, "#first")
    assert browser.evaluate(order) == ["before"] * 5
    assert browser.evaluate("document.getElementById('first').getAttribute('aria-pressed')") == "false"
    press(browser, "#first")
    assert browser.evaluate(order) == ["first"] * 3 + ["before"] * 5
    heights = browser.evaluate("[...document.querySelectorAll('button')].map(b => b.getBoundingClientRect().height)")
    assert min(heights) >= 44
    assert browser.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_without_ground_that_stands_out_there_is_no_switch_and_no_word_of_it(browser: Browser, opened: Any) -> None:
    opened(page_of())
    assert browser.evaluate("document.querySelectorAll('#first, #bands, #plan .first').length") == 0
    assert "look there first" not in text_of(browser, "body")


def test_the_page_carries_all_it_needs() -> None:
    page = page_of()
    assert "default-src 'none'" in page
    assert not re.search(r"(src|href)\s*=\s*[\"']?(https?:)?//", page)


def test_a_step_or_a_deck_that_cannot_be_used_is_refused() -> None:
    with pytest.raises(SettingsError, match="step"):
        page_of(step_m=0.0)
    with pytest.raises(LocationError, match="length"):
        page_of(deck(width_m=None))

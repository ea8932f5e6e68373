"""The network map, looked at in a browser with the network off."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from decknet.show.map import THEMES
from tests.browser import Browser
from tests.show.test_map import HOSTILE, data_of, decks_of, network, nothing, page_of, theme_at


def tooltip_holds(browser: Browser, words: str) -> bool:
    """Whether the tooltip comes to hold the words; the library lets the pointer's moves through one in 32 ms."""
    shown = f"[...document.querySelectorAll('.leaflet-tooltip')].some(t => t.textContent.includes({json.dumps(words)}))"
    wait = "await new Promise(done => setTimeout(done, 10))"
    answer: bool = browser.evaluate(
        f"(async () => {{ for (let k = 0; k < 300 && !{shown}; k++) {wait}; return {shown}; }})()"
    )
    return answer


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture
def opened(browser: Browser, tmp_path: Path) -> Iterator[Any]:
    """Opens frames as a page; whatever the test did, the page wrote no error and asked for no more than itself."""
    file = tmp_path / "map.html"

    def open_page(frames: dict[str, Any], title: str = "Mid district", *, width: int = 1366, height: int = 768) -> None:
        file.write_text(page_of(frames, title), encoding="utf-8")
        browser.resize(width, height)
        browser.open(file)

    yield open_page
    browser.settle()
    assert browser.errors == []
    assert browser.asked == [file.as_uri()]


def test_every_deck_with_a_position_is_drawn(browser: Browser, opened: Any) -> None:
    frames = network(60)
    opened(frames)
    assert browser.evaluate("navigator.onLine") is False
    shown = browser.evaluate("decknet.marks()")
    assert sorted(shown) == [f"{i:04d}" for i in range(60) if i % 9 != 8]
    left, top, right, bottom = browser.evaluate(
        "(r => [r.left, r.top, r.right, r.bottom])(decknet.map.getContainer().getBoundingClientRect())"
    )
    for deck in shown:
        x, y = browser.evaluate(f"decknet.pixel('{deck}')")
        assert left < x < right
        assert top < y < bottom


def test_a_deck_is_painted_in_the_colour_of_its_class(browser: Browser, opened: Any) -> None:
    frames = network(1)
    opened(frames)
    for key in ("priority", "share_now", "aadt"):
        browser.evaluate(f"decknet.setTheme('{key}')")
        browser.settle()
        red, green, blue = browser.evaluate(
            """(() => {
              const at = decknet.map.latLngToLayerPoint([decknet.decks[0].y, decknet.decks[0].x]);
              const canvas = document.querySelector('.leaflet-overlay-pane canvas');
              const from = L.DomUtil.getPosition(canvas), scale = canvas.width / parseFloat(canvas.style.width);
              const copy = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
              copy.drawImage(canvas, (from.x - at.x) * scale, (from.y - at.y) * scale);
              return Array.from(copy.getImageData(0, 0, 1, 1).data.slice(0, 3));
            })()"""
        )
        page = page_of(frames)
        level = decks_of(page)[0]["levels"][theme_at(key)]
        assert f"#{red:02x}{green:02x}{blue:02x}" == data_of(page)["themes"][theme_at(key)]["classes"][level][1]


def test_a_click_on_a_deck_opens_its_figures(browser: Browser, opened: Any) -> None:
    opened(network(60))
    browser.evaluate("decknet.map.setView([decknet.decks[2].y, decknet.decks[2].x], 14, {animate: false}), 1")
    browser.settle()
    browser.click(*browser.evaluate("decknet.pixel('0002')"))
    text = browser.evaluate("document.querySelector('.leaflet-popup-content').innerText")
    for words in (
        "Act now: an open full-depth hole of 0.4 m²",
        "Marl Crossing 2",
        "Deck 0002 · route R3",
        "of 100, rank",
        "expected today",
        "from its own surveys",
        "2025-05-12",
        "0.83 points a year",
        "3450 vehicles a day",
        "AADT of 2023, counted",
        "400 m²",
        "2027: Patch",
        "It cannot wait.",
    ):
        assert words in text
    assert text.index("Act now") < text.index("Marl Crossing 2")
    assert "USD" not in text  # its cost is missing
    browser.evaluate("decknet.show('0000')")
    assert "12\u202f346 USD" in browser.evaluate("document.querySelector('.leaflet-popup-content').innerText")


def test_themes_change_the_legend(browser: Browser, opened: Any) -> None:
    opened(network(60))
    seen = set()
    for theme in [t.key for t in THEMES] + ["year"]:
        browser.evaluate(f"document.querySelector('#themes input[value={theme}]').click()")
        assert browser.evaluate("decknet.theme()") == theme
        seen.add(browser.evaluate("document.getElementById('key').innerText"))
        counts = browser.evaluate("[...document.querySelectorAll('#key ul:first-of-type b')].map(b => +b.textContent)")
        assert sum(counts) == 54
    assert len(seen) == len(THEMES) + 1
    for theme in THEMES:
        assert sum(theme.unit in text for text in seen) >= 1
    assert sum("estimated without a survey" in text for text in seen) == 3  # priority, share, programme


def test_the_keyboard_reaches_themes_and_decks(browser: Browser, opened: Any) -> None:
    opened(network(20))
    browser.evaluate("document.querySelector('#themes input').focus()")
    browser.press("ArrowDown", 40)
    assert browser.evaluate("decknet.theme()") == THEMES[1].key
    browser.evaluate("document.getElementById('words').focus()")
    browser.send("Input.insertText", text="crossing 16")
    browser.press("Tab", 9)
    browser.press("Enter", 13)
    assert browser.evaluate("document.activeElement.innerText").startswith("Marl Crossing 16")
    browser.press("Escape", 27)
    assert browser.evaluate("document.activeElement.innerText.includes('Marl Crossing 16')")
    assert browser.evaluate("document.activeElement.tagName") == "BUTTON"


def test_a_deck_without_a_position_can_be_looked_up(browser: Browser, opened: Any) -> None:
    opened(network(20))
    browser.evaluate("decknet.show('0008')")
    text = browser.evaluate("document.getElementById('card').innerText")
    assert "Marl Crossing 8" in text
    assert "Position not known" in text


def test_outlines_and_defects_appear_close_up_and_go_again(browser: Browser, opened: Any) -> None:
    opened(network(20))
    assert browser.evaluate("decknet.details()") == []
    browser.evaluate("decknet.map.setView([decknet.decks[0].y, decknet.decks[0].x], 18, {animate: false}), 1")
    assert "0000" in browser.evaluate("decknet.details()")
    words = browser.evaluate("document.getElementById('key').innerText")
    for kind in ("deck outline", "delamination", "spall", "hole", "exposed bar", "failed patch"):
        assert kind in words
    browser.evaluate("decknet.map.setView([-45, -135], 9, {animate: false}), 1")
    assert browser.evaluate("decknet.details()") == []


def test_hostile_text_is_shown_letter_by_letter(browser: Browser, opened: Any) -> None:
    frames = network(len(HOSTILE))
    frames["status"].geometry = [shapely.Point(-135 + k / 50, -45) for k in range(len(HOSTILE))]
    for name in ("name", "reason", "urgent"):
        frames["status"][name] = list(HOSTILE)
    frames["base"]["name"] = list(HOSTILE[:4])
    opened(frames, HOSTILE[0])
    assert browser.evaluate("document.title") == HOSTILE[0]
    assert browser.evaluate("document.querySelector('h1').textContent") == HOSTILE[0]
    scripts = browser.evaluate("document.scripts.length")
    for k, name in enumerate(HOSTILE):
        browser.evaluate(f"decknet.show('{k:04d}')")
        box = "document.querySelector('.leaflet-popup-content')"
        assert browser.evaluate(f"{box}.querySelector('h3').textContent") == name
        assert browser.evaluate(f"{box}.querySelector('.first').textContent") == "Act now: " + name
        assert browser.evaluate(f"{box}.querySelectorAll('script, img').length") == 0
        browser.evaluate("decknet.map.stop().closePopup(), 1")
        browser.move(60, 90)
        browser.move(*browser.evaluate(f"decknet.pixel('{k:04d}')"))
        assert tooltip_holds(browser, name)
    assert browser.evaluate("[...document.querySelectorAll('.name span')].map(s => s.textContent)") == [
        HOSTILE[3],
        HOSTILE[1],
        HOSTILE[2],
    ]
    assert browser.evaluate("window.hit === undefined")
    assert browser.evaluate("document.scripts.length") == scripts
    assert browser.evaluate("document.title") == HOSTILE[0]


@pytest.mark.parametrize("frames", [nothing(), {**nothing(), "base": network()["base"]}], ids=["nothing", "base only"])
def test_a_page_without_decks_opens(browser: Browser, opened: Any, frames: dict[str, Any]) -> None:
    opened(frames)
    assert browser.evaluate("decknet.marks()") == []
    assert "There is no deck" in browser.evaluate("document.getElementById('chart').innerText")


def test_a_page_where_no_deck_has_a_position_opens(browser: Browser, opened: Any) -> None:
    frames = network(5)
    frames["status"].geometry = [None] * 5
    opened(frames)
    assert "No deck has a position" in browser.evaluate("document.getElementById('chart').innerText")
    assert browser.evaluate("document.querySelectorAll('#hits button').length") == 5


def test_opening_view_across_the_180th_meridian_is_a_few_hundred_metres_wide(browser: Browser, opened: Any) -> None:
    frames = network(2)
    frames["status"].geometry = gpd.GeoSeries([shapely.Point(179.999, -17.0), shapely.Point(-179.998, -17.0)], crs=4326)
    frames["base"] = nothing()["base"]
    opened(frames)
    assert browser.evaluate("decknet.marks()") == ["0000", "0001"]
    west, east = browser.evaluate("(b => [b.getWest(), b.getEast()])(decknet.map.getBounds())")
    assert (east - west) * 106_450 < 1_000  # metres in a degree of longitude at 17 degrees, to 1 %
    (x0, _), (x1, _) = browser.evaluate("[decknet.pixel('0000'), decknet.pixel('0001')]")
    assert 0 < x0 < x1 < 1050


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (400, 800)])
def test_legend_and_map_lie_side_by_side_on_desk_and_phone(
    browser: Browser, opened: Any, width: int, height: int
) -> None:
    opened(network(60), width=width, height=height)
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    chart, key = browser.evaluate(
        "['chart', 'key'].map(i => document.getElementById(i).getBoundingClientRect())"
        ".map(r => [r.left, r.top, r.right, r.bottom])"
    )
    assert chart[2] <= key[0] or chart[3] <= key[1]
    assert (chart[2] - chart[0]) * (chart[3] - chart[1]) > 0.4 * width * height
    assert browser.evaluate("getComputedStyle(document.querySelector('footer')).visibility") == "visible"
    assert "does not say that a deck is safe" in browser.evaluate("document.querySelector('footer').innerText")


def test_the_page_stays_usable_when_tiles_fail(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "map.html"
    file.write_text(page_of(network(20), tiles="https://tiles.invalid/{z}/{x}/{y}.png"), encoding="utf-8")
    browser.resize(1366, 768)
    browser.open(file)
    assert any(address.startswith("https://tiles.invalid/") for address in browser.asked)
    assert len(browser.evaluate("decknet.marks()")) == 18
    browser.evaluate("decknet.show('0002')")
    assert browser.evaluate("document.querySelector('.leaflet-popup-content h3').textContent") == "Marl Crossing 2"
    assert "tiles.invalid" in browser.evaluate("document.querySelector('.leaflet-control-attribution').innerText")

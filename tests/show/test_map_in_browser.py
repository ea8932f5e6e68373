"""The network map, looked at in a browser with the network off."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely
from pypdf import PdfReader

from decknet import digits, flow
from decknet.columns import RECORDS
from decknet.demo.records import TODAY as RECORDS_TODAY
from decknet.demo.records import frame, make_records
from decknet.flow.reading import records_from
from decknet.locate import place_decks
from decknet.settings import Settings
from decknet.show import document, workbook
from decknet.show.map_themes import THEMES
from tests.browser import Browser
from tests.show.test_map import HOSTILE, hostile, network, nothing, page_of

TODAY_STOP = "decknet.net.years.findIndex(s => s.kind === 'today')"


def text(browser: Browser, where: str) -> str:
    return str(browser.evaluate(f"document.querySelector({json.dumps(where)}).innerText"))


def tooltip_holds(browser: Browser, words: str) -> bool:
    """Whether the tooltip comes to hold the words; the library lets the pointer's moves through one in 32 ms."""
    shown = f"[...document.querySelectorAll('.leaflet-tooltip')].some(t => t.textContent.includes({json.dumps(words)}))"
    wait = "await new Promise(done => setTimeout(done, 10))"
    answer: bool = browser.evaluate(
        f"(async () => {{ for (let k = 0; k < 300 && !{shown}; k++) {wait}; return {shown}; }})()"
    )
    return answer


def ready(browser: Browser) -> None:
    browser.evaluate("decknet.ready.then(() => 1)")
    browser.settle()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("map")


@pytest.fixture
def opened(browser: Browser, folder: Path) -> Iterator[Any]:
    """Opens frames as a page; whatever the test did, the page wrote no error and asked for no more than itself."""
    file = folder / "map.html"

    def open_page(frames: dict[str, Any], title: str = "Mid district", *, hash_: str = "", **more: Any) -> None:
        file.write_text(page_of(frames, title, **more), encoding="utf-8")
        browser.resize(1366, 768)
        browser.open(file)
        ready(browser)
        if hash_:
            browser.evaluate(f"location.hash = {json.dumps(hash_)}")
            browser.settle()

    yield open_page
    browser.settle()
    assert browser.errors == []
    assert [a for a in browser.asked if a.partition("#")[0] != file.as_uri()] == []


@pytest.fixture
def district(browser: Browser, folder: Path) -> Iterator[Browser]:
    """The page of sixty decks, opened once and put back to how it opens."""
    file = folder / "district.html"
    if not file.exists():
        file.write_text(page_of(network(60), sheets={"0000": "sheets.pdf#page=2"}), encoding="utf-8")
    if browser.evaluate("location.href.split('#')[0]") != file.as_uri():
        browser.resize(1366, 768)
        browser.open(file)
        ready(browser)
    browser.evaluate(
        "decknet.setFilter({words: '', route: '', year: '', treatment: ''}), decknet.setPlanned(true),"
        f"decknet.setTheme('unsound'), decknet.setStop({TODAY_STOP}),"
        "decknet.map.fitBounds(decknet.net.about.bounds, {animate: false, padding: [28, 28]}), 1"
    )
    browser.press("Escape", 27)
    yield browser
    browser.settle()
    assert browser.errors == []
    assert browser.asked == [file.as_uri()]


# ---- one page, many looks -----------------------------------------------------------------------


def test_every_deck_with_a_position_is_drawn(district: Browser) -> None:
    assert district.evaluate("navigator.onLine") is False
    shown = district.evaluate("decknet.marks()")
    assert sorted(shown) == [f"{i:04d}" for i in range(60) if i % 9 != 8]
    left, top, right, bottom = district.evaluate(
        "(r => [r.left, r.top, r.right, r.bottom])(decknet.map.getContainer().getBoundingClientRect())"
    )
    for x, y in district.evaluate("decknet.marks().map(decknet.pixel)"):
        assert left < x < right
        assert top < y < bottom


def test_each_theme_has_a_legend_of_its_own(district: Browser) -> None:
    seen = set()
    for theme in THEMES:
        district.evaluate(
            f"(s => {{ s.value = '{theme.key}'; s.dispatchEvent(new Event('change')); }})"
            "(document.getElementById('theme'))"
        )
        assert district.evaluate("decknet.theme.key") == theme.key
        words = text(district, "#key")
        seen.add(words)
        assert theme.label in words
        assert theme.unit in words
        for other in THEMES:
            assert other is theme or other.unit in theme.unit or other.unit not in words
        assert (
            sum(district.evaluate("[...document.querySelectorAll('#key .classes b')].map(b => +b.textContent)")) == 54
        )
    assert len(seen) == len(THEMES)
    assert "overdue" in next(w for w in seen if "Act now\n" in w)


def test_the_slider_shows_surveys_as_they_were_and_forecasts_as_they_will_be(district: Browser) -> None:
    share = network(60)["status"]["share_now"].to_numpy()
    years = district.evaluate("decknet.net.years.map(s => s.year ?? s.kind)")
    assert years == [*range(2019, 2026), "today", 2027, 2028]
    district.evaluate("document.getElementById('stop').focus()")
    district.press("Home", 36)
    assert district.evaluate("decknet.stop") == 0
    district.press("ArrowRight", 39)
    for stop, part, words in ((0, 0.2, "2019"), (3, 0.6, "2022"), (6, 1.0, "2025")):
        district.evaluate(f"decknet.setStop({stop})")
        value = district.evaluate("[...decknet.figures.value].map(v => Number.isNaN(v) ? null : v)")
        assert [v is None for v in value] == [i % 3 == 1 for i in range(60)]
        assert value[0] == pytest.approx(100 * part * share[0], abs=0.01)
        assert f"as found up to the end of {words}" in text(district, "#key")
    district.evaluate("decknet.setStop(decknet.net.years.length - 1)")
    assert "when 2028 is over, with the programme" in text(district, "#key")
    assert district.evaluate("decknet.figures.value[1]") == pytest.approx(1.0)
    area = "of 24,000 m²"
    with_works = district.evaluate("decknet.sums().unsound")
    assert area in text(district, "#sums")
    district.evaluate("document.querySelector('#course input[value=nothing]').click()")
    assert "without works" in text(district, "#key")
    assert district.evaluate("decknet.figures.value[1]") == pytest.approx(100 * (share[1] + 0.0166), abs=1e-3)
    without = district.evaluate("decknet.sums().unsound")
    assert without == pytest.approx(400 * np.minimum(share + 0.0166, 1).sum(), abs=0.1)
    assert without - with_works == pytest.approx(400 * (share[:3] + 0.0166 - 0.01).sum(), abs=0.1)
    district.evaluate("decknet.setTheme('delaminated')")  # of which there is no forecast
    assert district.evaluate("decknet.net.years[decknet.stop].kind") == "today"
    district.evaluate("decknet.setTheme('priority')")
    assert district.evaluate("document.getElementById('stop').disabled")


def test_the_filter_is_followed_by_map_legend_and_numbers(district: Browser) -> None:
    def choose(which: str, value: str) -> list[str]:
        district.evaluate(
            f"(s => {{ s.value = {json.dumps(value)}; s.dispatchEvent(new Event('change')); }})"
            f"(document.getElementById('{which}'))"
        )
        district.settle()
        return sorted(district.evaluate("decknet.marks()"))

    drawn = [i for i in range(60) if i % 9 != 8]
    assert choose("route", "R3") == [f"{i:04d}" for i in drawn if i % 4 == 2]
    assert "Decks\n15" in text(district, "#sums").replace("\n\n", "\n")
    assert "1 not drawn" in text(district, "#sums")
    choose("route", "")
    assert choose("worksyear", "2027") == ["0000", "0002"]
    assert "12,300" in text(district, "#sums")
    assert "98,000" not in text(district, "#sums")
    choose("worksyear", "")
    assert choose("treatment", "Rigid overlay") == ["0001"]
    assert sum(district.evaluate("[...document.querySelectorAll('#key .classes b')].map(b => +b.textContent)")) == 1
    district.evaluate("document.getElementById('clear').click()")
    assert len(district.evaluate("decknet.marks()")) == 54
    district.evaluate("document.getElementById('words').focus()")
    district.send("Input.insertText", text="crossing 16")
    district.evaluate("new Promise(done => setTimeout(done, 30))")
    assert district.evaluate("decknet.marks()") == ["0016"]
    assert "words “crossing 16”" in text(district, "#sums")
    choose("route", "R2")
    assert district.evaluate("decknet.marks()") == []
    assert "No deck fits the filter" in text(district, "#sums")


def test_a_click_on_a_deck_opens_its_figures_plan_and_history(district: Browser) -> None:
    district.evaluate("decknet.map.setView([decknet.net.lat[2], decknet.net.lon[2]], 14, {animate: false}), 1")
    district.settle()
    district.click(*district.evaluate("decknet.pixel('0002')"))
    words = text(district, "#card")
    for said in (
        "Act now: an open full-depth hole of 0.4 m²",
        "overdue by 4 days",
        "Marl Crossing 2",
        "Deck 0002 · route R3",
        "of 100, rank",
        "expected today",
        "from its own surveys",
        "2025-05-12",
        "0.83 points a year",
        "3,450 vehicles a day",
        "AADT of 2023, counted",
        "400 m²",
        "2027: Patch",
        "It cannot wait.",
        "Plan: 5 defects as known, 0 planned limits, 1 earlier patch drawn",
        "3 surveys, 1 repair",
        "decknet sheet STORE 0002",
    ):
        assert said in words
    assert words.index("Act now") < words.index("Marl Crossing 2")
    assert "USD" not in words  # its cost is missing
    left = district.evaluate("document.getElementById('card').getBoundingClientRect().right")
    assert district.evaluate("decknet.pixel('0002')")[0] > left  # the deck is clear of its card
    assert district.evaluate("document.querySelectorAll('#card svg circle').length") == 3
    drawn = district.evaluate("""(c => { const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let n = 0; for (let k = 3; k < d.length; k += 4) n += d[k] > 0; return n / (d.length / 4); })
        (document.querySelector('#card figure canvas'))""")
    assert drawn > 0.5
    district.evaluate("decknet.showDeck('0000')")
    assert "12,300 USD" in text(district, "#card")
    assert "1 planned limit," in text(district, "#card")
    assert district.evaluate("document.querySelector('#card a').getAttribute('href')") == "sheets.pdf#page=2"
    district.evaluate("decknet.showDeck('0008')")
    assert "Position not known" in text(district, "#card")
    assert "not in this programme" in text(district, "#card")
    assert "It waits for money." in text(district, "#card")
    district.press("Escape", 27)
    assert district.evaluate("document.getElementById('card').hidden")


def test_the_keyboard_reaches_everything_and_escape_comes_back(district: Browser) -> None:
    district.evaluate("document.getElementById('theme').focus()")
    district.press("ArrowDown", 40)
    assert district.evaluate("decknet.theme.key") == THEMES[1].key
    seen = []
    district.evaluate("document.getElementById('print').focus()")
    for _ in range(24):
        district.press("Tab", 9)
        if district.evaluate("document.activeElement === document.body"):  # past the last
            break
        seen.append(district.evaluate("document.activeElement.id || document.activeElement.className"))
        style = district.evaluate(
            "(s => [s.outlineStyle, parseFloat(s.outlineWidth)])(getComputedStyle(document.activeElement))"
        )
        assert style[0] != "none", seen
        assert style[1] >= 2, seen
    order = [
        s for s in seen if s in {"map_network", "stop", "theme", "words", "route", "worksyear", "treatment", "clear"}
    ]
    assert order == ["words", "route", "worksyear", "treatment", "clear", "map_network", "stop", "theme"]
    district.evaluate("document.querySelector('#sums ol button').focus()")
    name = district.evaluate("document.activeElement.innerText").split("\n")[1]
    district.press("Enter", 13)
    assert district.evaluate("document.activeElement.id") == "card"
    assert name in text(district, "#card")
    district.press("Escape", 27)
    assert name in district.evaluate("document.activeElement.innerText")


def test_plans_appear_close_up_at_their_true_place_and_go_again(district: Browser) -> None:
    assert district.evaluate("decknet.layer.plans.length") == 0
    district.evaluate("decknet.map.setView([decknet.net.lat[0], decknet.net.lon[0]], 19, {animate: false}), 1")
    assert district.evaluate("decknet.layer.plans.map(p => decknet.net.deck_id(p.i))") == ["0000"]
    for words in (
        "deck edge",
        "delamination",
        "spall",
        "hole",
        "exposed bar",
        "failed patch",
        "planned repair limit",
        "earlier patch",
    ):
        assert words in text(district, "#key")
    placing = place_decks(network(60)["records"].decks)
    s, o = np.array([0.0, 40.0, 5.0]), np.array([-5.0, 5.0, 2.0])
    lon, lat = placing.to_ground(pd.Series(["0000"] * 3), s, o)
    for k in range(3):
        x, y = district.evaluate(f"decknet.plans.ground(0)({s[k]}, {o[k]})")
        assert [(x - lon[k]) * 78_800, (y - lat[k]) * 111_130] == pytest.approx([0, 0], abs=0.03)  # m
    x, y = district.evaluate(
        "(p => { const f = decknet.map.getContainer().getBoundingClientRect(); return [f.left + p.x, f.top + p.y]; })"
        f"(decknet.map.latLngToContainerPoint([{lat[2]}, {lon[2]}]))"
    )
    district.move(400, 300)
    district.move(x, y)
    assert tooltip_holds(district, "Repair limit 2.20 × 2.25 m, partial")
    district.evaluate("decknet.map.setView([-45, -135], 9, {animate: false}), 1")
    assert district.evaluate("decknet.layer.plans.length") == 0


@pytest.mark.slow
def test_on_paper_the_figures_are_set_smaller_until_all_of_them_are_there(district: Browser) -> None:
    lines = "<p class=more>" + 9 * "more<br>" + "</p>"
    more = f"document.querySelector('#sums').insertAdjacentHTML('beforeend', '{lines}')"
    district.evaluate(more)
    district.evaluate("document.getElementById('print').click()")
    district.settle()
    low = "document.querySelector('{}').getBoundingClientRect().bottom"
    assert district.evaluate(f"{low.format('.more')} <= {low.format('main')}")
    district.evaluate("document.getElementById('print').click(), document.querySelector('.more').remove()")
    district.settle()
    assert district.evaluate("document.querySelector('aside').style.zoom") == ""


@pytest.mark.slow
def test_the_print_view_is_one_sheet_with_all_that_a_reader_needs(district: Browser) -> None:
    district.evaluate("decknet.setStop(decknet.net.years.length - 1), decknet.setFilter({words: 'Marl Crossing'})")
    district.evaluate("document.getElementById('print').click()")
    district.settle()
    for where in ("h1", "#shown", "#key", "#north", ".leaflet-control-scale-line", "footer", "#sums"):
        box = district.evaluate(
            "(r => [r.width, r.height, r.right, r.bottom])"
            f"(document.querySelector({json.dumps(where)}).getBoundingClientRect())"
        )
        assert box[0] > 0, where
        assert box[1] > 0, where
        assert box[2] <= 1046, where
        assert box[3] <= 725, where
    low = "document.querySelector('{}').getBoundingClientRect().bottom"
    assert district.evaluate(f"{low.format('#sums')} <= {low.format('main')}")  # nothing of it is cut off
    assert "Unsound share (% of deck area)" in text(district, "#shown")
    for gone in ("#time", "#choose", "#filter"):
        assert district.evaluate(f"getComputedStyle(document.querySelector('{gone}')).display") == "none"
    assert (
        district.evaluate("document.querySelector('.leaflet-overlay-pane canvas').width") > 1500
    )  # finer than the screen
    assert len(district.evaluate("decknet.marks()")) == 54
    sheet = PdfReader(io.BytesIO(base64.b64decode(district.send("Page.printToPDF", preferCSSPageSize=True)["data"])))
    assert len(sheet.pages) == 1
    words = sheet.pages[0].extract_text()
    for said in ("Mid district", "2026-08-01", "Unsound share", "25 and more", "km"):
        assert said in words
    district.press("Escape", 27)
    assert district.evaluate("getComputedStyle(document.getElementById('time')).display") != "none"


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (390, 844)])
def test_legend_and_map_lie_side_by_side_on_desk_and_phone(district: Browser, width: int, height: int) -> None:
    district.resize(width, height, phone=width < 500)
    district.settle()
    try:
        assert district.evaluate("document.documentElement.scrollWidth") <= width
        chart, key = district.evaluate(
            "['chart', 'key'].map(i => document.getElementById(i).getBoundingClientRect())"
            ".map(r => [r.left, r.top, r.right, r.bottom])"
        )
        assert chart[2] <= key[0] or chart[3] <= key[1]
        assert (chart[2] - chart[0]) * (chart[3] - chart[1]) > 0.4 * width * height
        assert "does not say that a deck is safe" in text(district, "footer")
        district.evaluate("decknet.showDeck('0000')")
        district.settle()
        card = district.evaluate(
            "(r => [r.left, r.top, r.right, r.bottom])(document.getElementById('card').getBoundingClientRect())"
        )
        assert 0 <= card[0] <= card[2] <= width
        assert 0 <= card[1] <= card[3] <= height
        x, y = district.evaluate("decknet.pixel('0000')")
        assert x > card[2] or y < card[1]
    finally:
        district.resize(1366, 768)
        district.settle()


# ---- what cannot wait, year by year -------------------------------------------------------------


@pytest.mark.basis("derived", "deck 2 is open and dealt with by works of 2028, deck 5 to confirm and in no works")
def test_what_works_deal_with_is_shown_as_open_no_longer(district: Browser) -> None:
    def levels(year: int | str, course: str = "planned") -> tuple[int, int]:
        at = f"decknet.net.years.findIndex(s => s.kind === '{year}' || s.year === {json.dumps(year)})"
        district.evaluate(f"decknet.setStop({at}), decknet.setPlanned({json.dumps(course == 'planned')})")
        return district.evaluate("[decknet.act[2], decknet.act[5]]")

    assert levels("today") == [2, 1]
    assert levels(2027) == [2, 1]
    assert levels(2028) == [0, 1]
    assert levels(2028, "nothing") == [2, 1]
    assert levels(2022) == [0, 0]  # of days past the page does not know it
    assert district.evaluate("decknet.sums().open + decknet.sums().unsure") == 0
    levels("today")
    assert district.evaluate("[decknet.sums().open, decknet.sums().unsure]") == [1, 1]
    assert "square frame: act now, open" in text(district, "#key")
    assert "corners: act now, to confirm" in text(district, "#key")
    assert "1 open, 1 to confirm" in text(district, "#sums")


def test_the_frames_of_open_and_to_confirm_differ_in_form(district: Browser) -> None:
    """Read from the marks as drawn: the middle of a frame's side is inked where open and bare where to confirm."""
    district.evaluate("decknet.setStop(decknet.net.years.findIndex(s => s.kind === 'today'))")
    inked = district.evaluate(
        """[2, 5].map(i => {
          const made = decknet.layer._sprite(decknet.look(i), 0), k = decknet.layer._ratio, h = made.r + 3.6;
          const c = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
          c.canvas.width = made.box.width; c.canvas.height = made.box.height;
          c.drawImage(made.box, 0, 0);
          const dark = (x, y) => {
            const d = c.getImageData(Math.round(x * k), Math.round(y * k), 1, 1).data;
            return d[3] > 128 && d[0] < 90;
          };
          return [dark(made.half, made.half - h), dark(made.half - h, made.half - h)];
        })"""
    )
    assert inked == [[True, True], [False, True]]


def test_the_card_says_what_ends_each_and_which_works_deal_with_it(district: Browser) -> None:
    district.evaluate("decknet.showDeck('0002')")
    words = text(district, "#card")
    assert "What ends it: cover or close it." in words
    assert "The works of 2028 in the programme deal with it." in words
    district.evaluate("decknet.showDeck('0005')")
    assert "Act now: to confirm: a hole of 0.2 m² (patch of 2026-07-25)" in text(district, "#card")
    assert district.evaluate("document.querySelectorAll('#card .first.unsure').length") == 1
    district.press("Escape", 27)


# ---- other networks -----------------------------------------------------------------------------


def test_classes_and_colours_are_those_of_the_legend(browser: Browser, opened: Any) -> None:
    shares = [0.0, 0.0199, 0.02, 0.07, 0.1, 0.29 - 0.04, 1.0]
    frames = network(7)
    frames["status"]["share_now"] = shares
    frames["status"]["share_from"] = "survey"
    frames["status"].geometry = [shapely.Point(-135 + k / 10, -45) for k in range(7)]
    frames["status"]["urgent"] = None
    frames["records"] = replace(frames["records"], urgent=pd.DataFrame())
    opened(frames)
    assert browser.evaluate("[...decknet.figures.level]") == [0, 0, 1, 2, 3, 4, 4]  # a break belongs to the class above
    painted = browser.evaluate(
        """(() => {
          const c = decknet.layer._container, b = decknet.layer._bounds, k = c.width / parseFloat(c.style.width);
          const copy = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
          copy.canvas.width = c.width; copy.canvas.height = c.height;
          copy.drawImage(c, 0, 0);
          return decknet.layer.marks.map(([i, x, y]) => {
            const at = [(x - b.min.x) * k, (y - b.min.y) * k].map(Math.floor);
            const [r, g, bl] = copy.getImageData(...at, 1, 1).data;
            return [i, '#' + [r, g, bl].map(v => v.toString(16).padStart(2, '0')).join('')];
          });
        })()"""
    )
    classes = browser.evaluate("decknet.theme.classes.map(c => c[1])")
    level = [0, 0, 1, 2, 3, 4, 4]
    for deck, colour in painted:
        assert colour == classes[level[deck]]


def test_what_rests_on_less_is_marked(browser: Browser, opened: Any) -> None:
    frames = network(6)
    frames["status"]["covered_share"] = [1.0, np.nan, 0.33, 1.0, np.nan, 0.999]
    frames["status"]["aadt_from"] = ["count", "route", "network", "count", None, "count"]
    frames["status"]["share_low"], frames["status"]["share_now"] = 0.1, 0.12
    frames["status"]["share_high"] = [0.12, 0.15, 0.2, 0.24, 0.3, 0.6]
    opened(frames)
    # Of the unsound share: estimated without a survey, or a third of the deck looked at.
    assert browser.evaluate("[...decknet.figures.soft]") == [0, 1, 1, 0, 1, 0]
    assert browser.evaluate("[...decknet.figures.rings]") == [0, 0, 1, 1, 2, 2]
    for theme, soft in (
        ("growth", [0, 1, 0, 0, 1, 0]),
        ("delaminated", [0, 0, 1, 0, 0, 0]),
        ("traffic", [0, 1, 1, 0, 0, 0]),
    ):
        browser.evaluate(f"decknet.setTheme('{theme}')")
        assert browser.evaluate("[...decknet.figures.soft]") == soft


def test_a_bent_deck_lies_where_the_placing_puts_it(browser: Browser, opened: Any) -> None:
    frames = network(2)
    line = shapely.LineString([(-135.0, -45.0), (-135.0, -44.9995), (-134.9994, -44.9994), (-134.9990, -44.9990)])
    frames["records"].decks.loc[0, "centreline"] = line
    opened(frames)
    placing = place_decks(frames["records"].decks)
    s, o = np.array([0.0, 30.0, 55.6, 80.0, 120.0, 150.0]), np.array([5.0, -5.0, 5.0, -5.0, 5.0, 0.0])
    lon, lat = placing.to_ground(pd.Series(["0000"] * len(s)), s, o)
    for k in range(len(s)):
        x, y = browser.evaluate(f"decknet.plans.ground(0)({s[k]}, {o[k]})")
        assert [(x - lon[k]) * 78_800, (y - lat[k]) * 111_130] == pytest.approx([0, 0], abs=0.05)  # m


@pytest.mark.slow
def test_hostile_text_is_shown_letter_by_letter(browser: Browser, opened: Any) -> None:
    frames = hostile()
    opened(frames, HOSTILE[0], sheets={f"{k:04d}": text for k, text in enumerate(HOSTILE)})
    assert browser.evaluate("document.title") == HOSTILE[0]
    assert browser.evaluate("document.querySelector('h1').textContent") == HOSTILE[0]
    scripts = browser.evaluate("document.scripts.length")
    card = "document.querySelector('#card')"
    for k, name in enumerate(HOSTILE):
        browser.evaluate(
            f"decknet.map.fitBounds(decknet.net.about.bounds, {{animate: false}}), decknet.showDeck('{k:04d}')"
        )
        assert browser.evaluate(f"{card}.querySelector('h3').textContent") == name
        assert browser.evaluate(f"{card}.querySelector('.first').textContent").startswith("Act now: " + name)
        assert name in browser.evaluate(f"{card}.querySelector('dl').textContent")
        assert browser.evaluate(f"{card}.querySelectorAll('script, img').length") == 0
        links = browser.evaluate(f"[...{card}.querySelectorAll('a')].map(a => a.protocol)")
        assert links in ([], ["file:"])
        browser.press("Escape", 27)
        browser.evaluate("decknet.map.fitBounds(decknet.net.about.bounds, {animate: false}), 1")
        browser.move(400, 200)
        browser.move(*browser.evaluate(f"decknet.pixel('{k:04d}')"))
        assert tooltip_holds(browser, name)
    browser.evaluate(f"decknet.setFilter({{route: {json.dumps(HOSTILE[1])}}})")
    assert HOSTILE[1] in browser.evaluate("document.getElementById('sums').textContent")
    assert browser.evaluate("[...document.getElementById('route').options].map(o => o.textContent)")[1:] == sorted(
        HOSTILE, key=browser.evaluate("[...document.getElementById('route').options].map(o => o.value)").index
    )
    assert set(browser.evaluate("[...document.querySelectorAll('.name span')].map(s => s.textContent)")) == set(
        HOSTILE[1:4]
    )
    assert browser.evaluate("window.hit === undefined")
    assert browser.evaluate("document.scripts.length") == scripts
    assert browser.evaluate("document.title") == HOSTILE[0]


@pytest.mark.parametrize("frames", [nothing(), {**nothing(), "base": network()["base"]}], ids=["nothing", "base only"])
def test_a_page_without_decks_opens(browser: Browser, opened: Any, frames: dict[str, Any]) -> None:
    opened(frames)
    assert browser.evaluate("decknet.marks()") == []
    assert "There is no deck" in text(browser, "#chart")
    for theme in ("growth", "sounded"):
        browser.evaluate(f"decknet.setTheme('{theme}')")


def test_a_page_where_no_deck_has_a_position_opens(browser: Browser, opened: Any) -> None:
    frames = network(5)
    frames["status"].geometry = [None] * 5
    opened(frames)
    assert "No deck has a position" in text(browser, "#chart")
    assert browser.evaluate("document.querySelectorAll('#sums ol button').length") == 5
    assert "5 not drawn: no position" in text(browser, "#sums")


def test_a_district_of_one_deck_opens_near_it(browser: Browser, opened: Any) -> None:
    opened(network(1))
    assert browser.evaluate("decknet.marks()") == ["0000"]
    assert browser.evaluate("decknet.map.getZoom()") == 18
    for theme in THEMES:
        browser.evaluate(f"decknet.setTheme('{theme.key}')")
    assert "Worst by rank" in text(browser, "#sums")


def test_opening_view_across_the_180th_meridian_is_a_few_hundred_metres_wide(browser: Browser, opened: Any) -> None:
    frames = network(2)
    frames["status"].geometry = gpd.GeoSeries([shapely.Point(179.999, -17.0), shapely.Point(-179.998, -17.0)], crs=4326)
    frames["records"].decks["longitude_deg"], frames["records"].decks["latitude_deg"] = [179.999, -179.998], -17.0
    frames["base"] = nothing()["base"]
    opened(frames)
    assert sorted(browser.evaluate("decknet.marks()")) == ["0000", "0001"]
    west, east = browser.evaluate("(b => [b.getWest(), b.getEast()])(decknet.map.getBounds())")
    assert (east - west) * 106_450 < 1_000  # metres in a degree of longitude at 17 degrees, to 1 %
    (x0, _), (x1, _) = browser.evaluate("[decknet.pixel('0000'), decknet.pixel('0001')]")
    assert 0 < x0 < x1 < 1050
    middle = browser.evaluate("decknet.plans.ground(1)(20, 0)")
    assert middle == pytest.approx([180.002, -17.0], abs=1e-6)


def test_an_address_with_a_deck_opens_it(browser: Browser, opened: Any) -> None:
    frames = network(20)
    opened(frames, hash_="#deck=0004")
    assert "Marl Crossing 4" in text(browser, "#card")
    browser.evaluate("location.hash = '#deck=0008'")
    browser.settle()
    assert "Position not known" in text(browser, "#card")
    browser.evaluate("location.hash = '#deck=' + encodeURIComponent('<b>9</b>')")
    browser.settle()
    assert "No deck <b>9</b> in this network" in text(browser, "#card")


@pytest.mark.slow
def test_more_decks_than_can_be_told_apart_are_drawn_in_cells(browser: Browser, opened: Any) -> None:
    n = 13_000
    rng = np.random.default_rng(5)
    frames = {**nothing(), "base": network()["base"]}
    frames["status"] = gpd.GeoDataFrame(
        {
            "deck_id": [f"{i:05d}" for i in range(n)],
            "name": [HOSTILE[0]] * n,
            "share_now": np.where(np.arange(n) < n / 2, 0.01, 0.07),
        },
        geometry=shapely.points(
            np.where(np.arange(n) < n / 2, -135.2, -134.8) + rng.uniform(-0.1, 0.1, n), -45 + rng.uniform(-0.1, 0.1, n)
        ),
        crs=4326,
    )
    opened(frames)
    cells = browser.evaluate("decknet.layer.cells.map(c => [c.count, decknet.cellFigure(c), c.px])")
    assert sum(count for count, _, _ in cells) == n
    assert browser.evaluate("decknet.marks()") == []
    for _, figure, _ in cells:
        assert figure == pytest.approx(1.0) or figure == pytest.approx(7.0)
    assert "mean of their decks" in text(browser, "#key")
    assert "More than 12,000 decks in view" in text(browser, "#key")
    x, y = browser.evaluate(
        "(c => { const f = decknet.map.getContainer().getBoundingClientRect();"
        " const p = decknet.map.layerPointToContainerPoint([c.px, c.py]); return [f.left + p.x, f.top + p.y]; })"
        "(decknet.layer.cells[0])"
    )
    browser.move(x, y)
    assert tooltip_holds(browser, "decks")
    zoom = browser.evaluate("decknet.map.getZoom()")
    browser.click(x, y)
    browser.evaluate("new Promise(done => setTimeout(done, 400))")
    assert browser.evaluate("decknet.map.getZoom()") > zoom
    browser.evaluate("decknet.setFilter({words: '00001'})")
    assert browser.evaluate("decknet.marks().length") <= 1
    assert browser.evaluate("decknet.layer.cells === null")


def test_the_page_stays_usable_when_tiles_fail(browser: Browser, folder: Path) -> None:
    file = folder / "tiles.html"
    file.write_text(page_of(network(20), tiles="https://tiles.invalid/{z}/{x}/{y}.png"), encoding="utf-8")
    browser.resize(1366, 768)
    browser.open(file)
    ready(browser)
    assert any(address.startswith("https://tiles.invalid/") for address in browser.asked)
    assert len(browser.evaluate("decknet.marks()")) == 18
    browser.evaluate("decknet.showDeck('0002')")
    assert "Marl Crossing 2" in text(browser, "#card")
    assert "tiles.invalid" in text(browser, ".leaflet-control-attribution")


@pytest.mark.filterwarnings("ignore:.*extension is not supported")  # the reader does not know data bars
@pytest.mark.slow
def test_totals_are_those_of_workbook_and_document(browser: Browser, folder: Path) -> None:
    records = {kind: frame(kind, {}, 0) for kind in RECORDS} | make_records(16, 8, 3, drawn=0.5)
    settings = Settings()
    net = flow.Condition(
        records_from(records, title="Sixteen decks", currency=settings.currency, day=RECORDS_TODAY), settings
    )
    found = flow.study(net, flow.Question((150_000.0, 90_000.0, 60_000.0), 2027))
    made = found.made
    book = openpyxl.load_workbook(
        io.BytesIO(
            workbook(
                net.status, made, urgent=net.urgent, hazards=net.ledger, title=net.title, settings=settings,
                today=net.today,
            )
        ),
        data_only=True,
    )  # fmt: skip
    document_text = " ".join(
        page.extract_text()
        for page in PdfReader(
            io.BytesIO(
                document(
                    net.status, made, net.base, urgent=net.urgent, title=net.title, settings=settings, today=net.today
                )
            )
        ).pages
    )
    printed = " ".join(document_text.split())
    file = folder / "totals.html"
    file.write_text(flow.draw_map(net, found), encoding="utf-8")
    browser.resize(1366, 768)
    browser.open(file)
    ready(browser)

    def column(sheet: str, header: str) -> list[float]:
        rows = list(book[sheet].iter_rows(values_only=True))
        at = next(i for i, row in enumerate(rows) if any(str(v).startswith(header) for v in row if v))
        k = next(i for i, v in enumerate(rows[at]) if v and str(v).startswith(header))
        return [row[k] for row in rows[at + 1 :] if isinstance(row[k], int | float)]

    sums = browser.evaluate("decknet.sums()")
    assert sums["decks"] == len(column("Status", "Deck area"))
    assert sums["area"] == pytest.approx(sum(column("Status", "Deck area")), abs=0.05)
    shown = [
        a * s
        for a, s in zip(column("Status", "Deck area"), column("Status", "Expected unsound share today"), strict=True)
    ]
    assert sums["unsound"] == pytest.approx(sum(shown), abs=0.05)
    assert sums["works"] == len(made.lines)
    assert sums["cost"] == sum(column("Programme", "Cost"))
    by_year = dict(browser.evaluate("[...decknet.sums().money]"))
    assert by_year == made.lines.groupby("year")["cost"].sum().to_dict()
    assert sum(by_year.values()) == made.facts["cost_total"]
    beside = text(browser, "#sums")
    for words in (f"{digits.area(sums['unsound'])} m²", f"{digits.area(sums['area'])} m²", digits.money(sums["cost"])):
        assert words in printed
        assert words in beside
    for planned, fact in (("true", "unsound_end_m2"), ("false", "unsound_end_nothing_m2")):
        browser.evaluate(f"decknet.setStop(decknet.net.years.length - 1), decknet.setPlanned({planned})")
        assert browser.evaluate("decknet.sums().unsound") == pytest.approx(made.facts[fact], abs=0.05)
        words = f"{digits.area(made.facts[fact])} m²"
        assert words in printed
        assert words in text(browser, "#sums")
    assert browser.errors == []


@pytest.mark.slow
def test_without_a_programme_forecasts_are_without_works(browser: Browser, opened: Any) -> None:
    frames = {**network(6), "programme": None}
    frames["records"].ahead["planned"] = np.nan
    opened(frames)
    browser.evaluate("decknet.setStop(decknet.net.years.length - 1)")
    assert "when 2028 is over, without works" in text(browser, "#key")
    assert browser.evaluate("document.getElementById('course').hidden")
    assert "No programme given." in text(browser, "#sums")
    assert "year" not in browser.evaluate("[...document.getElementById('theme').options].map(o => o.value)")
    browser.evaluate("decknet.showDeck('0000')")
    assert "no programme given" in text(browser, "#card")

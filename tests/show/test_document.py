"""The report on paper, read back by another library."""

from __future__ import annotations

import datetime as dt
import io
import re
from dataclasses import replace
from functools import lru_cache

import pandas as pd
import pypdf
import pytest

from decknet import digits
from decknet.errors import SettingsError
from decknet.settings import Settings
from decknet.show import document, words
from tests.quick import first
from tests.show.invented import HOSTILE, act_now, base_map, network, no_works, texts, works

TODAY = dt.date(2026, 11, 25)


def made(status=None, programme=None, base=None, **more):
    status = network() if status is None else status
    return document(
        status,
        works(status) if programme is None else programme,
        base_map() if base is None else base,
        urgent=act_now(status),
        title=more.pop("title", "Far Coast"),
        settings=more.pop("settings", Settings()),
        today=TODAY,
        **more,
    )


@lru_cache(maxsize=8)
def pages(data: bytes) -> tuple[str, ...]:
    """Text of each page, every space a plain one."""
    return tuple(re.sub(r"\s+", " ", p.extract_text()) for p in pypdf.PdfReader(io.BytesIO(data)).pages)


def flat(data: bytes) -> str:
    return " ".join(pages(data))


@pytest.fixture(scope="module")
def report():
    return made()


def test_it_has_pages_with_numbers(report):
    found = pages(report)
    assert len(found) > 2
    for number, page in enumerate(found, start=1):
        assert f"Page {number} of {len(found)}" in page


@pytest.mark.basis("practice", "A4 is 210 mm by 297 mm, US letter 8.5 in by 11 in")
@pytest.mark.parametrize(("paper", "wide_mm", "high_mm"), [("a4", 210, 297), ("us-letter", 215.9, 279.4)])
def test_paper_has_its_size_on_every_page(paper, wide_mm, high_mm):
    for page in pypdf.PdfReader(io.BytesIO(made(paper=paper))).pages:
        assert float(page.mediabox.width) == pytest.approx(wide_mm / 25.4 * 72, abs=0.1)
        assert float(page.mediabox.height) == pytest.approx(high_mm / 25.4 * 72, abs=0.1)


def test_every_deck_of_the_programme_is_in_it_with_its_reason(report):
    text = flat(report)
    lines = works(network()).lines
    for deck, why in zip(lines["deck_id"], lines["why"], strict=True):
        assert f"{deck} {why}" in text  # the number stands beside its reason


@pytest.mark.parametrize("name", first(2, HOSTILE))
def test_names_that_look_like_code_are_printed_as_they_are(report, name):
    assert re.sub(r"\s+", "", name) in re.sub(r"\s+", "", flat(report))


@pytest.mark.slow
def test_title_route_reason_and_base_map_may_look_like_code():
    status = network()
    status["route"] = texts("#panic()" for _ in status["deck_id"])
    programme = works(status)
    programme.lines["why"] = texts("$ #read(/etc/x) ] } */" for _ in programme.lines["deck_id"])
    text = flat(made(status, programme, title='"; #import "y" <z> @q'))
    assert '"; #import "y" <z> @q' in text
    assert "#panic()" in text
    assert "#read(/etc/x)" in text


@pytest.mark.slow
def test_cautions_are_printed_whole(report):
    text = flat(report)
    for caution in (words.CAUTION, *words.CAUTIONS):
        assert re.sub(r"\s+", " ", caution) in text


def test_nothing_is_called_safe(report):
    for found in re.findall(r"[^.]*\bsafe\b[^.]*", flat(report)):
        assert re.search(r"\b(not|never)\b", found), found


def test_missing_figures_are_never_printed_as_nan(report):
    assert not re.search(r"\b(nan|NaN|None|NaT|<NA>|inf)\b", flat(report))


@pytest.mark.basis("derived", "sum of area times share over sum of area, decks with both known")
def test_network_share_is_weighted_by_area(report):
    status = network()
    both = status[status["area_m2"].notna() & status["share_now"].notna()]
    area, unsound = both["area_m2"].sum(), (both["area_m2"] * both["share_now"]).sum()
    text = flat(report)
    assert f"{digits.area(unsound)} m² of it is expected to be unsound" in text
    assert f"{digits.percent(unsound / area)} of the area of the {len(both)} decks" in text
    assert "48 decks have been surveyed at least once; 12 never." in text


@pytest.mark.basis("derived", "1234 / 1000 - 1 = 23.4 %, two digits; 1 - 1/1235 = 99.919 %, rounded down")
def test_worth_against_worst_first_and_proven_gap_are_in_plain_words(report):
    text = flat(report)
    assert "the programme gains 23 % on that" in text
    assert "at least 99.91 % of the benefit of the best programme possible" in text
    assert "900 m² of deck is expected to be unsound, against 2,500 m² if nothing were done" in text


def test_year_totals_are_those_of_the_lines(report):
    text = flat(report)
    for _, group in works(network()).lines.groupby("year"):
        assert digits.money(group["cost"].sum()) in text


def test_urgent_and_pinned_lines_are_marked(report):
    text = flat(report)
    assert "<East>, R1 · act now" in text
    assert "$a$, R2 · pinned" in text
    assert text.count("· act now") == text.count("· pinned") == 1


@pytest.mark.slow
def test_decks_without_a_place_are_counted(report):
    assert "1 without a known position, so not on the maps" in flat(report)


@pytest.mark.slow
def test_currency_and_price_year_come_from_the_settings():
    settings = replace(Settings(), currency="XTS")
    text = flat(made(settings=settings))
    assert "XTS, 2026 prices" in text
    assert "Cost (XTS)" in text


@pytest.mark.slow
def test_a_long_programme_repeats_its_header_on_each_page():
    status = network(300)
    found = pages(made(status, works(status, count=250, per_year=250)))
    with_lines = [p for p in found if len(re.findall(r"Line \d+ spares", p)) > 2]
    assert len(with_lines) > 5
    assert all("Name, route, reason" in p for p in with_lines)


@pytest.mark.slow
def test_an_endless_word_stays_on_the_page():
    status = network()
    status["name"] = texts(["W" * 300, *status["name"][1:]])
    assert flat(made(status)).replace(" ", "").replace("\u200b", "").count("W" * 300) >= 1


def test_the_same_input_gives_the_same_bytes_and_leaves_it_untouched(report):
    status = network()
    before = status.copy()
    assert made(status) == report
    pd.testing.assert_frame_equal(pd.DataFrame(status), pd.DataFrame(before))


def test_without_programme_base_map_or_positions_it_still_tells_the_state():
    status = network()
    status = status.set_geometry([None] * len(status), crs=4326).drop(columns=["rank", "urgent"])
    text = flat(made(status, no_works(status), base_map().iloc[:0]))
    assert "No programme has been made." in text
    assert "No deck on record meets the act-now rules. That is not a finding that any deck is safe." in text
    assert f"{len(status)} without a known position" in text


def test_a_network_without_decks_gives_a_report():
    status = network()
    assert "The network holds 0 decks" in flat(made(status.iloc[:0], no_works(status)))


def test_unknown_paper_is_refused():
    with pytest.raises(SettingsError, match=r"paper: 'a7' is not known. Use a4 or us-letter"):
        made(paper="a7")

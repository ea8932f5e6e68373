"""The document's charts, accessibility and one-page summary, read back by another library."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pypdf
import pytest

from decknet.settings import Settings
from decknet.show import document, summary
from decknet.show.charts import forecast_chart, money_chart, share_chart
from tests.show.invented import HOSTILE, act_now, base_map, network, no_works, texts, works
from tests.show.test_document import TODAY, flat, made, pages

pytestmark = pytest.mark.slow

CURVE = pd.DataFrame(
    {
        "times": [0.0, 0.5, 1.0, 1.25], "budget_total": [0.0, 7.5e5, 1.5e6, 1.875e6], "cost": [0.0, 7e5, 1.4e6, 1.8e6],
        "works": pd.array([0, 14, 30, 41], dtype="Int64"), "value": [0.0, 700.0, 1234.0, 1500.0],
        "bound": [0.0, 705.0, 1235.0, 1510.0], "unsound_end_m2": [2500.0, 1600.0, 900.0, 650.0],
        "past_share": [0.4, 0.3, 0.2, 0.15],
    }
)  # fmt: skip


@dataclass
class Checked:
    """Forecasts held against what came, made by hand."""

    words: str = "8 of 10 fell inside."
    surveys: int = 10
    covered_80: float = 0.8
    plot: bytes = b""
    methods: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(
            {
                "method": ["decknet", "last value"], "surveys": [10, 10], "covered_80": [0.8, 0.7],
                "crps": [1.05, 1.52], "mean_miss": [1.47, 2.07],
            }
        )
    )  # fmt: skip
    horizons: pd.DataFrame = field(default_factory=pd.DataFrame)
    levels: pd.DataFrame = field(default_factory=pd.DataFrame)
    worst: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def test(self):
        found = np.linspace(0.01, 0.4, 10)
        hidden = {"trial": "last survey", "expected": found * 1.1, "low": found * 0.8, "high": found * 1.3}
        return SimpleNamespace(surveys=pd.DataFrame({**hidden, "found": found}))


@pytest.fixture(scope="module")
def report():
    return made(curve=CURVE, past=Checked())


def _summary(status=None, programme=None, **more):
    status = network() if status is None else status
    return summary(
        status, works(status) if programme is None else programme, base_map(), urgent=act_now(status),
        title=more.pop("title", "Far Coast"),
        settings=Settings(), today=TODAY, **more,
    )  # fmt: skip


def _nodes(node):
    """Every element of the structure tree."""
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, pypdf.generic.ArrayObject):
        for one in node:
            yield from _nodes(one)
    elif isinstance(node, pypdf.generic.DictionaryObject):
        if "/S" in node:
            yield node
        if "/K" in node:
            yield from _nodes(node["/K"])


@pytest.mark.basis(
    "published", "ISO 14289-1 (PDF/UA-1): tagged, language and title given, figures with alternative text"
)
@pytest.mark.parametrize("make", [lambda: made(curve=CURVE, past=Checked()), _summary])
def test_a_screen_reader_finds_title_language_headings_tables_and_words_for_pictures(make):
    reader = pypdf.PdfReader(io.BytesIO(make()))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert str(root["/Lang"]).startswith("en")
    assert reader.metadata.title == "Far Coast"
    assert b"pdfuaid:part" in root["/Metadata"].get_object().get_data()
    kinds = [str(n["/S"]) for n in _nodes(root["/StructTreeRoot"]["/K"])]
    assert {"/H1", "/Table", "/TH", "/TD", "/Figure"} <= set(kinds)
    figures = [n for n in _nodes(root["/StructTreeRoot"]["/K"]) if str(n["/S"]) == "/Figure"]
    assert all(str(n.get("/Alt", "")).strip() for n in figures)


@pytest.mark.slow
def test_bookmarks_lead_to_the_chapters_on_the_pages_the_contents_say(report):
    reader = pypdf.PdfReader(io.BytesIO(report))
    marks = [m for m in reader.outline if not isinstance(m, list)]
    first = pages(report)[0]
    assert len(marks) == 8
    for mark in marks:
        page = reader.get_destination_page_number(mark) + 1
        name = re.sub(r"^\d+\s*", "", mark.title)
        listed = re.search(rf"{re.escape(name)}[\s.]*(\d+)", first)
        assert listed is not None, name
        assert int(listed[1]) == page


@pytest.mark.slow
def test_pictures_are_drawn_not_photographed(report):
    for data in (report, _summary(curve=CURVE)):
        for page in pypdf.PdfReader(io.BytesIO(data)).pages:
            assert not page.images


@pytest.mark.slow
def test_a_work_and_its_reason_stay_on_one_page():
    status = network(300)
    found = pages(made(status, works(status, count=150, per_year=150)))
    for k in range(150):
        holding = [p for p in found if re.search(rf"Line {k} spares", p)]
        assert len(holding) == 1
        assert f"{status['deck_id'].iloc[k]} Line {k} spares" in holding[0]


@pytest.mark.basis("derived", "900 - 650 m2 at 1.25 times the money; 1600 - 900 m2 at half of it")
@pytest.mark.slow
def test_what_more_or_less_money_buys_is_said_with_its_figures(report):
    text = flat(report)
    assert "25 % more money would leave 250 m² less of deck unsound at the end of 2029" in text
    assert "50 % less would leave 700 m² more" in text
    assert "1.88 million 41 650 15 1,500 1,510" in text


def test_forecasts_are_held_against_what_came(report):
    text = flat(report)
    assert "8 of 10 fell inside." in text
    assert "The forecast used here 10 80 % 1.47 1.05" in text
    assert "The last survey, carried forward 10 70 % 2.07 1.52" in text
    assert "Forecasts: 80 % of 10 hidden surveys" in text


@pytest.mark.slow
def test_without_a_check_or_other_sums_the_document_says_so():
    text = flat(made())
    assert "Past forecasts have not been held against what came" in text
    assert "More money, or less" not in text


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("decks", [6, 60])
def test_the_summary_is_one_page(paper, decks):
    assert len(pages(_summary(network(decks), paper=paper, curve=CURVE, past=Checked()))) == 1


def test_the_summary_stays_one_page_whatever_the_records_hold():
    status = network()
    status["name"] = texts(HOSTILE[i % len(HOSTILE)] * 30 for i in range(len(status)))
    status["urgent"] = texts("A hole. " * 5_000 for _ in status["deck_id"])  # 40,000 characters
    status["deck_id"] = texts(f"{d}-{'X' * 60}" for d in status["deck_id"])
    programme = works(status, count=60, per_year=3)
    found = pages(_summary(status, programme, title="Far Coast " * 40, curve=CURVE))
    assert len(found) == 1
    assert "The money, year by year" in found[0]  # nothing has fallen off its foot
    assert "All" in found[0]
    assert "56 more are in the report" in found[0]


def test_without_a_programme_the_summary_tells_the_state():
    found = pages(_summary(programme=no_works(network())))
    assert len(found) == 1
    assert "Programme: none has been made." in found[0]
    assert "The money, year by year" not in found[0]


def test_summary_and_document_give_the_same_totals(report):
    status = network()
    one, other = flat(_summary(status, curve=CURVE, past=Checked())), flat(report)
    for words in re.findall(r"(?:State|Urgent|Programme|Left undone|Money|Forecasts): [^•]+?\.", one):
        assert words in other, words


@pytest.mark.slow
def test_remarks_of_42000_characters_are_cut_and_say_so():
    status = network()
    status["urgent"] = texts(["x" * 42_000, *[None] * (len(status) - 1)])
    programme = works(status)
    programme.lines.loc[0, "why"] = "long words " * 4_000
    text = flat(made(status, programme))
    assert text.count("… (cut)") >= 2
    assert len(pages(made(status, programme))) < 14


@pytest.mark.slow
def test_a_letter_that_no_font_holds_still_gives_a_document():
    status = network()
    status["name"] = texts(["\U0001f9ff \uf8ff \u0378", *status["name"][1:]])
    assert len(pages(made(status))) > 2


def test_charts_are_the_same_twice_and_leave_their_input_alone():
    status = network()
    before, curve = pd.DataFrame(status).copy(), CURVE.copy()
    assert share_chart(status) == share_chart(network())
    assert money_chart(curve, years=3, settings=Settings()) == money_chart(CURVE, years=3, settings=Settings())
    shares = np.linspace(0.0, 0.6, 30)
    assert forecast_chart(shares, shares / 2, shares * 1.5, shares[::-1]) == forecast_chart(
        shares, shares / 2, shares * 1.5, shares[::-1]
    )
    pd.testing.assert_frame_equal(pd.DataFrame(status), before)
    pd.testing.assert_frame_equal(curve, CURVE)


def test_charts_of_nothing_still_draw():
    empty = network().iloc[:0]
    none = np.zeros(0)
    assert share_chart(empty).startswith(b"<?xml")
    assert forecast_chart(none, none, none, none).startswith(b"<?xml")
    assert document(
        empty, no_works(network()), base_map(), urgent=act_now(empty), title="t", settings=Settings(), today=TODAY,
        curve=CURVE.iloc[:1],
    ).startswith(b"%PDF")  # fmt: skip

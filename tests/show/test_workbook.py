"""The workbook, read back by another library."""

from __future__ import annotations

import datetime as dt
import io
import sys

import openpyxl
import pandas as pd
import pytest

from decknet import columns
from decknet.errors import RecordError
from decknet.settings import Settings
from decknet.show import words, workbook
from tests.show.invented import HOSTILE, network, no_works, texts, works

TODAY = dt.date(2026, 11, 25)
SHEETS = ["Programme", "Ranking", "Act now", "Status", "Waiting", "Years", "Settings and sources", "Notes"]

# The reader knows nothing of newer data bars and says so.
pytestmark = pytest.mark.filterwarnings("ignore:.*extension is not supported")


def made(status=None, programme=None, *, title="Far Coast & Co", settings=None):
    status = network() if status is None else status
    programme = works(status) if programme is None else programme
    return workbook(status, programme, title=title, settings=settings or Settings(), today=TODAY)


@pytest.fixture(scope="module")
def book():
    return openpyxl.load_workbook(io.BytesIO(made()))


def column(sheet, header):
    """Cells under a header."""
    at = next(c.column for c in sheet[4] if c.value == header)
    return [row[0] for row in sheet.iter_rows(min_row=5, min_col=at, max_col=at)]


def test_sheets_stand_in_the_order_they_are_read(book):
    assert book.sheetnames == SHEETS


def test_every_sheet_opens_with_the_caution(book):
    assert all(book[name]["A2"].value == words.CAUTION for name in SHEETS)


def test_every_deck_stands_in_status_and_ranking_with_its_number_as_text(book):
    ids = sorted(network()["deck_id"])
    for name in ("Status", "Ranking"):
        cells = column(book[name], "Deck")
        assert sorted(c.value for c in cells) == ids
        assert {c.data_type for c in cells} == {"s"}


def test_names_that_look_like_formulas_stay_text(book):
    cells = column(book["Status"], "Name")
    assert [c.value for c in cells[: len(HOSTILE)]] == list(HOSTILE)
    assert {c.data_type for c in cells} == {"s"}
    assert not any(c.hyperlink for sheet in book for row in sheet.iter_rows() for c in row)


def test_only_our_own_formulas_are_formulas(book):
    found = {c.value.split("(")[0] for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"}
    assert {f for f in found if not f.startswith("=B")} == {"=SUBTOTAL", "=SUMIFS", "=COUNTIFS"}


def test_dates_are_dates_and_shares_are_fractions_shown_as_percent(book):
    dates = [c for c in column(book["Status"], "Last survey") if c.value is not None]
    assert dates
    assert all(isinstance(c.value, dt.datetime) and c.number_format == "yyyy-mm-dd" for c in dates)
    status = network()
    shares = column(book["Status"], "Unsound share today (%)")
    assert {c.number_format for c in shares if c.value is not None} == {"0.0%"}
    assert [c.value for c in shares] == [pytest.approx(v, rel=1e-12) if v == v else None for v in status["share_now"]]


def test_a_missing_figure_leaves_its_cell_empty(book):
    areas = column(book["Status"], "Deck area (m²)")
    assert areas[4].value is None
    assert areas[3].value == pytest.approx(network()["area_m2"][3])


def test_headers_carry_units_currency_and_price_year(book):
    headers = [c.value for c in book["Programme"][4]]
    assert "Cost (USD, 2026 prices)" in headers
    assert "Repair area (m²)" in headers
    assert "Unsound share before (%)" in headers


def test_every_status_column_has_printed_words_of_its_own():
    lacking = [c.name for c in columns.STATUS if words.label(c.name, Settings()) == c.name]
    assert lacking == []


@pytest.mark.parametrize("name", SHEETS[:-1])
def test_tables_have_a_frozen_filtered_header_repeated_in_print(book, name):
    sheet = book[name]
    assert sheet.freeze_panes is not None
    assert sheet.freeze_panes.endswith("5")
    assert sheet.auto_filter.ref.startswith("A4:")
    assert sheet.print_title_rows == "$4:$4"
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.page_setup.fitToHeight == 0
    assert "&P" in sheet.oddFooter.right.text


def test_an_ampersand_in_the_title_survives_the_footer(book):
    assert book["Programme"].oddFooter.left.text == "Far Coast && Co"


@pytest.mark.basis("published", "spreadsheet help for SUBTOTAL: function 109 is the sum over rows that are not hidden")
def test_totals_follow_the_filter_over_exactly_the_rows_of_the_table(book):
    sheet = book["Programme"]
    at = next(c for c in sheet[4] if c.value == "Cost (USD, 2026 prices)")
    letter = at.column_letter
    assert sheet[f"{letter}3"].value == f"=SUBTOTAL(109,{letter}5:{letter}34)"
    assert sheet.max_row == 34
    assert sheet.cell(34, 1).value is not None


def test_years_draw_on_the_programme_sheet_and_agree_with_it(book):
    lines = works(network()).lines
    sheet = book["Years"]
    cost = next(c.column_letter for c in book["Programme"][4] if c.value == "Cost (USD, 2026 prices)")
    assert sheet["C5"].value == f"=SUMIFS(Programme!${cost}$5:${cost}$34,Programme!$A$5:$A$34,A5)"
    values = openpyxl.load_workbook(io.BytesIO(made()), data_only=True)["Years"]
    for row, (year, group) in enumerate(lines.groupby("year"), start=5):
        assert values.cell(row, 1).value == year
        assert values.cell(row, 3).value == pytest.approx(group["cost"].sum())
        assert values.cell(row, 5).value == len(group)


def test_year_sums_find_their_column_where_the_network_has_no_names():
    status = network().drop(columns=["name", "route"])
    book = openpyxl.load_workbook(io.BytesIO(made(status, works(network()))))
    cost = next(c.column_letter for c in book["Programme"][4] if c.value == "Cost (USD, 2026 prices)")
    assert f"Programme!${cost}$5:" in book["Years"]["C5"].value


def test_programme_stands_by_year_then_rank(book):
    years = [c.value for c in column(book["Programme"], "Year")]
    ranks = [c.value for c in column(book["Programme"], "Rank")]
    assert list(zip(years, ranks, strict=True)) == sorted(zip(years, ranks, strict=True))


def test_act_now_and_waiting_lists_are_whole(book):
    assert [c.value for c in column(book["Act now"], "Deck")] == ["0002"]
    programme = works(network())
    assert sorted(c.value for c in column(book["Waiting"], "Deck")) == sorted(programme.waiting["deck_id"])
    assert {c.value for c in column(book["Waiting"], "Reason")} == {"Waits for money."}


def test_settings_sheet_states_value_and_source(book):
    rows = {(r[0], r[1]): r for r in book["Settings and sources"].iter_rows(min_row=5, values_only=True)}
    assert rows["programme", "overbreak"][2] == 1.25
    assert "memory" in rows["programme", "overbreak"][5]
    assert rows['treatment."patch"', "life_yr"][2] == 7


def test_a_text_too_long_for_a_cell_is_cut_with_a_mark():
    status = network()
    status["name"] = texts(["x" * 40_000, *status["name"][1:]])
    cell = column(openpyxl.load_workbook(io.BytesIO(made(status)))["Status"], "Name")[0].value
    assert len(cell) == 32_767
    assert cell.endswith(words.CUT)


def test_control_characters_do_not_break_the_file():
    status = network()
    status["name"] = pd.Series(["a\x00b\x0bc\ud800d", *status["name"][1:]], dtype=object)
    cell = column(openpyxl.load_workbook(io.BytesIO(made(status)))["Status"], "Name")[0].value
    assert cell == "a\ufffdb\ufffdc?d"


def test_the_same_input_gives_the_same_bytes_and_leaves_it_untouched():
    status = network()
    programme = works(status)
    before, lines = status.copy(), programme.lines.copy()
    assert made(status, programme) == made(status, programme)
    pd.testing.assert_frame_equal(pd.DataFrame(status), pd.DataFrame(before))
    pd.testing.assert_frame_equal(programme.lines, lines)


def test_without_a_programme_the_tables_say_none():
    status = network()
    book = openpyxl.load_workbook(io.BytesIO(made(status, no_works(status))))
    assert book["Programme"]["A5"].value == "None."
    assert book["Years"]["A5"].value == "None."
    assert len(column(book["Ranking"], "Deck")) == len(status)


def test_a_network_without_decks_gives_a_workbook():
    status = network()
    book = openpyxl.load_workbook(io.BytesIO(made(status.iloc[:0], no_works(status))))
    assert book["Status"]["A5"].value == "None."


def test_more_rows_than_a_sheet_holds_are_refused(monkeypatch):
    monkeypatch.setattr(sys.modules["decknet.show.workbook"], "MOST_ROWS", 63)
    with pytest.raises(RecordError, match=r"64 rows, and a sheet holds 63"):
        made()

"""The workbook, read back by another library."""

from __future__ import annotations

import datetime as dt
import io
import sys
import zipfile
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pandas as pd
import pytest
import python_calamine
from openpyxl.utils import range_boundaries

from decknet import columns
from decknet.errors import RecordError
from decknet.settings import Settings
from decknet.show import words, workbook
from tests.show.invented import HOSTILE, act_now, ledger, network, no_works, texts, works

TODAY = dt.date(2026, 11, 25)
SHEETS = [
    "Programme", "Ranking", "Act now", "Hazards", "Status", "Waiting", "Limits", "Years", "Repairs", "Surveys",
    "Survival", "Settings and sources", "Notes",
]  # fmt: skip
DECKS = ("Programme", "Ranking", "Act now", "Hazards", "Status", "Waiting", "Limits", "Repairs", "Surveys")
PAGE = "network_map.html"

# The reader knows nothing of newer data bars and says so.
pytestmark = pytest.mark.filterwarnings("ignore:.*extension is not supported")


def dates(*days):
    return pd.Series(pd.to_datetime(list(days))).astype("datetime64[us]")


def behind():
    """Limits, repairs, surveys and survival of a few decks."""
    limits = pd.DataFrame(
        {"deck_id": texts(["0001", "0001"]), "number": [1, 2], "area_m2": [1.5, 2.25], "saw_cut_m": [5.0, 6.0]}
    )
    repairs = pd.DataFrame(
        {
            "repair_id": texts(["r1", "r2", "r3"]),
            "deck_id": texts(["0001", "0002", "0002"]),
            "repair_date": dates("1899-06-30", "2021-05-04", None),
            "treatment": texts(["patch", "rigid overlay", "patch"]),
            "area_m2": [3.5, 40.0, np.nan],
            "cost": [900.0, 21_000.0, np.nan],
            "price_year": pd.array([2001, 2021, None], dtype="Int64"),
            "left_yr": [4.5, np.nan, np.nan],
            "right_yr": [np.inf, np.nan, np.nan],
            "remarks": texts(["=now()", None, None]),
        }
    )
    surveys = pd.DataFrame(
        {
            "survey_id": texts(["s2", "s1"]),
            "deck_id": texts(["0001", "0001"]),
            "survey_date": dates("2025-05-01", "2021-05-01"),
            "method": texts(["sounding", "chain drag"]),
            "unsound_m2": [12.0, 7.0],
            "unsound_share": [0.12, 0.07],
            "measured_from": texts(["polygons", "totals"]),
            "crew": texts(["Hill gang", None]),
        }
    )
    survival = pd.DataFrame(
        {"grouped_by": ["all patches"], "group": ["all"], "repairs": [2], "decks": [1], "failed": [0], "note": ["few"]}
    )
    return {"limits": limits, "repairs": repairs, "surveys": surveys, "survival": survival}


def made(status=None, programme=None, *, title="Far Coast & Co", settings=None, **more):
    status = network() if status is None else status
    programme = works(status) if programme is None else programme
    beside = {"urgent": act_now(status), "hazards": ledger(status)}
    return workbook(status, programme, **beside, title=title, settings=settings or Settings(), today=TODAY, **more)


def opened(data, **how):
    return openpyxl.load_workbook(io.BytesIO(data), **how)


@pytest.fixture(scope="module")
def data():
    return made(map_page=PAGE, **behind())


@pytest.fixture(scope="module")
def book(data):
    return opened(data)


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
    assert column(book["Repairs"], "Remarks")[0].data_type == "s"


@pytest.mark.parametrize("name", DECKS)
def test_deck_numbers_and_nothing_else_lead_to_the_map(book, name):
    sheet = book[name]
    linked = [c for row in sheet.iter_rows() for c in row if c.hyperlink]
    assert [c.coordinate for c in linked] == [c.coordinate for c in column(sheet, "Deck")]
    assert {c.hyperlink.target for c in linked} == {PAGE}
    assert [c.hyperlink.location for c in linked] == [f"deck={c.value}" for c in linked]
    assert {c.data_type for c in linked} == {"s"}


def test_odd_letters_of_a_number_are_coded_in_its_link():
    status = network()
    status["deck_id"] = texts(['A&B "1" <ü>#/', *status["deck_id"][1:]])
    cell = column(opened(made(status, no_works(status), map_page=PAGE))["Ranking"], "Deck")
    odd = next(c for c in cell if c.value.startswith("A&B"))
    assert odd.hyperlink.location == "deck=A%26B%20%221%22%20%3C%C3%BC%3E%23%2F"


def test_without_a_map_there_are_no_links():
    assert not any(c.hyperlink for sheet in opened(made()) for row in sheet.iter_rows() for c in row)


def test_a_sheet_holds_only_so_many_links(monkeypatch):
    monkeypatch.setattr(sys.modules["decknet.show.workbook_sheet"], "MOST_LINKS", 7)
    book = opened(made(map_page=PAGE))
    assert sum(c.hyperlink is not None for c in column(book["Status"], "Deck")) == 7
    assert any("rows below have none" in (row[0].value or "") for row in book["Notes"].iter_rows())


def test_only_our_own_formulas_are_formulas(book):
    found = {c.value.split("(")[0] for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"}
    assert {f for f in found if not f.startswith("=B")} == {"=SUBTOTAL", "=SUMIFS", "=COUNTIFS"}


def test_dates_are_dates_and_shares_are_fractions_shown_as_percent(book):
    dates = [c for c in column(book["Status"], "Last survey") if c.value is not None]
    assert dates
    assert all(isinstance(c.value, dt.datetime) and c.number_format == "yyyy-mm-dd" for c in dates)
    status = network()
    shares = column(book["Status"], "Expected unsound share today (%)")
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
    assert "Expected unsound share before (%)" in headers
    assert "Chance of being in the first 20 (%)" in [
        c.value for c in opened(made(network().assign(chance_first=0.5)))["Ranking"][4]
    ]
    assert "Cost (USD, prices of its price year)" in [c.value for c in book["Repairs"][4]]


def test_every_status_column_has_printed_words_of_its_own():
    lacking = [c.name for c in columns.STATUS if words.label(c.name, Settings()) == c.name]
    assert lacking == []


@pytest.mark.parametrize("name", SHEETS[:-1])  # notes are no table
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


def test_every_total_is_a_live_formula_whose_kept_value_is_the_sum_of_its_cells(book, data):
    kept = opened(data, data_only=True)
    found = 0
    for sheet in book:
        for cell in sheet[3]:
            if cell.data_type != "f":
                continue
            area = cell.value.removeprefix("=SUBTOTAL(109,").removesuffix(")")
            at, top, _, bottom = range_boundaries(area)
            assert at == cell.column
            assert bottom == sheet.max_row
            values = [kept[sheet.title].cell(row, at).value for row in range(top, bottom + 1)]
            assert kept[sheet.title][cell.coordinate].value == pytest.approx(sum(v for v in values if v is not None))
            found += 1
    assert found > 15


def test_totals_agree_with_status_and_programme_wherever_they_stand(data):
    kept, status, programme = opened(data, data_only=True), network(), works(network())

    def total(name, header):
        return next(kept[name].cell(3, c.column).value for c in kept[name][4] if c.value == header)

    cost = pytest.approx(programme.lines["cost"].sum())
    assert total("Programme", "Cost (USD, 2026 prices)") == cost
    assert total("Years", "Cost (USD, 2026 prices)") == cost
    assert total("Programme", "Repair area (m²)") == pytest.approx(programme.lines["repair_m2"].sum())
    assert total("Years", "Repair area (m²)") == pytest.approx(programme.lines["repair_m2"].sum())
    unsound = pytest.approx((status["area_m2"] * status["share_now"]).sum())
    assert total("Ranking", "Expected unsound today (m²)") == unsound
    assert total("Status", "Expected unsound today (m²)") == unsound
    assert total("Status", "Deck area (m²)") == pytest.approx(status["area_m2"].sum())


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


@pytest.mark.basis("published", "spreadsheet specifications and limits: 32,767 characters in a cell")
@pytest.mark.parametrize("letter", ["x", "&", "\U0001f309"])  # the last takes two units of a cell's measure
def test_a_text_too_long_for_a_cell_goes_on_in_a_sheet_of_its_own(letter):
    whole = letter * 70_000
    status = network()
    status["name"] = texts([whole, *status["name"][1:]])
    book = opened(made(status, no_works(status)))
    cell = column(book["Status"], "Name")[0]
    assert len(cell.value.encode("utf-16-le")) // 2 in {32_766, 32_767}
    assert cell.value.endswith("(goes on in the sheet 'Long texts')")
    rests = [row for row in book["Long texts"].iter_rows(min_row=5, values_only=True) if row[0] == "Status"]
    assert {row[1] for row in rests} == {cell.coordinate}
    assert max(len(row[2].encode("utf-16-le")) // 2 for row in rests) <= 32_767
    assert cell.value.split(" … ")[0] + "".join(row[2] for row in rests) == whole


def test_control_characters_do_not_break_the_file():
    status = network()
    status["name"] = pd.Series(["a\x00b\x0bc\ud800d", *status["name"][1:]], dtype=object)
    cell = column(openpyxl.load_workbook(io.BytesIO(made(status)))["Status"], "Name")[0].value
    assert cell == "a\ufffdb\ufffdc?d"


@pytest.mark.basis("published", "ISO/IEC 29500-1, ST_Xstring: _xHHHH_ in a text stands for a character")
def test_a_text_that_looks_like_a_coded_character_stays_as_it_is():
    status = network()
    status["name"] = texts(["_x0041_ _x000D_", *status["name"][1:]])
    read = python_calamine.load_workbook(io.BytesIO(made(status))).get_sheet_by_name("Status").to_python()
    assert read[4][2] == "_x0041_ _x000D_"


def test_a_day_before_the_sheets_first_stands_as_text(book):
    days = column(book["Repairs"], "Placed on")
    assert [(c.value, c.data_type) for c in days] == [
        ("1899-06-30", "s"),
        (dt.datetime(2021, 5, 4), "d"),
        (None, "n"),
    ]


@pytest.mark.basis("derived", "days from 1899-12-30, the day before day 1 of the count, past its missing leap day")
def test_days_are_counted_as_another_reader_counts_them(data):
    rows = python_calamine.load_workbook(io.BytesIO(data)).get_sheet_by_name("Surveys").to_python()
    assert [r[0] for r in rows[4:]] == [dt.date(2021, 5, 1), dt.date(2025, 5, 1)]


def test_every_part_of_the_file_is_well_formed(data):
    with zipfile.ZipFile(io.BytesIO(data)) as file:
        assert file.testzip() is None
        for name in file.namelist():
            ElementTree.fromstring(file.read(name))  # noqa: S314


def test_two_readers_see_the_same_figures(book, data):
    other = python_calamine.load_workbook(io.BytesIO(data))
    for sheet in book:
        rows = other.get_sheet_by_name(sheet.title).to_python(skip_empty_area=False)
        for row, cells in zip(rows, sheet.iter_rows(), strict=False):
            for value, cell in zip(row, cells, strict=False):
                if cell.data_type == "n" and cell.value is not None:
                    assert value == cell.value
                elif cell.data_type == "s":
                    assert value.rstrip() == cell.value.rstrip()


def test_repairs_and_surveys_stand_with_their_decks_and_what_became_of_them(book):
    repairs, surveys = book["Repairs"], book["Surveys"]
    assert [c.value for c in column(repairs, "Last seen sound, after (yr)")] == [4.5, None, None]
    assert [c.value for c in column(repairs, "First seen failed, after (yr)")] == [None, None, None]
    assert [c.value for c in column(repairs, "Name")] == [HOSTILE[0], HOSTILE[1], HOSTILE[1]]
    assert [c.value for c in column(surveys, "Survey")] == ["s1", "s2"]
    assert [c.value for c in column(surveys, "Found unsound (m²)")] == [7, 12]
    assert [c.value for c in column(surveys, "Found unsound share of the area surveyed (%)")] == [0.07, 0.12]
    assert [c.value for c in column(surveys, "Measured from")] == ["stated totals", "drawn areas"]
    assert [c.value for c in column(book["Survival"], "Patches")] == [2]


def test_rows_with_long_texts_are_high_enough_for_them():
    status = network().assign(reason=texts(["word " * 100] + ["short"] * 59))
    sheet = opened(made(status))["Ranking"]
    at = next(c.row for c in column(sheet, "Reason for the place") if c.value != "short")
    assert sheet.row_dimensions[at].height > 4 * 13
    assert {sheet.row_dimensions[r].height for r in range(5, 65) if r != at} == {15.0}


def test_wide_sheets_print_on_larger_paper_with_their_decks_on_every_page(book):
    status = opened(made(network().assign(**{c.name: 0.5 for c in columns.STATUS if c.name not in network()})))[
        "Status"
    ]
    assert (book["Years"].page_setup.paperSize, book["Years"].page_setup.fitToWidth) == (9, None)
    assert (status.page_setup.paperSize, status.page_setup.fitToWidth) == (8, 2)
    assert status.print_title_cols == "$A:$A"
    assert opened(made(paper="us-letter"))["Years"].page_setup.paperSize == 1
    with pytest.raises(RecordError, match="paper 'a7': not known"):
        made(paper="a7")


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


def test_more_rows_than_a_sheet_holds_go_on_in_another(monkeypatch):
    monkeypatch.setattr(sys.modules["decknet.show.workbook_sheet"], "MOST_ROWS", 24)  # 20 rows under the header
    data = made(map_page=PAGE)
    book, kept = opened(data), opened(data, data_only=True)
    assert [n for n in book.sheetnames if n.startswith("Status")] == ["Status", "Status 2", "Status 3"]
    parts = [c.value for name in ("Status", "Status 2", "Status 3") for c in column(book[name], "Deck")]
    assert parts == sorted(network()["deck_id"])
    assert book["Status 2"]["A1"].value.startswith("Every deck as it stands, by number, part 2 of 3")
    assert book["Programme 2"].max_row == 14
    formula = book["Years"]["C5"].value
    assert formula.startswith("=SUMIFS(Programme!")
    assert "+SUMIFS('Programme 2'!" in formula
    assert formula.count("$24") == 4  # as far down as the fuller of the two
    lines = works(network()).lines
    total = sum(kept[n].cell(3, 6).value for n in ("Programme", "Programme 2"))
    assert total == pytest.approx(lines["cost"].sum())


@pytest.mark.parametrize("seed", range(3))
def test_any_text_comes_back_as_it_was_written(seed):
    rng = np.random.default_rng(seed)
    pieces = [
        "&",
        "<",
        ">",
        '"',
        "'",
        "=",
        "_x0041_",
        "_",
        "x",
        " ",
        "  ",
        "\n",
        "\t",
        "é",
        "中",
        "\U0001f309",
        "]]>",
        "0",
    ]
    written = ["a" + "".join(rng.choice(pieces, rng.integers(1, 12))) + "z" for _ in range(60)]
    status = network().assign(name=texts(written))
    data = made(status)
    by_one = [c.value for c in column(opened(data)["Status"], "Name")]
    by_other = python_calamine.load_workbook(io.BytesIO(data)).get_sheet_by_name("Status").to_python()
    assert [row[2] for row in by_other[4:]] == written
    # The first reader leaves coded characters as they are coded.
    assert [v.replace("_x005F_x0041_", "_x0041_") for v in by_one] == written

"""The workbook: the programme, the ranking and what lies behind them, for the office."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name, xl_rowcol_to_cell

from decknet import columns
from decknet.errors import RecordError
from decknet.settings import Settings, describe
from decknet.show import words
from decknet.show.words import Programme

__all__ = ["workbook"]

MOST_ROWS = 1_048_576  # rows of a sheet
HEADER_ROW = 3  # rows above it: title, caution, totals
BAR = "#9fb0c4"  # one hue for every data bar
HEADER_FILL = "#dfe4ea"
INK = "#1d2733"
BARS = frozenset({"share_now", "share_before", "priority", "cost", "growth_per_yr"})
SUMS = frozenset(
    {"area_m2", "unsound_now_m2", "cost", "crew_days", "repair_m2", "deck_m2", "budget", "left", "benefit", "user_cost"}
    | {"limit_m2", "limit_unsound_m2", "limit_saw_m", "limit_order_m3", "limit_crew_h"}
)

# Width of a column in characters, by kind of figure.
WIDTHS = {"id": 18, "text": 18, "long": 62, "flag": 9, "date": 12, "year": 8, "money": 14, "deg": 12}

PROGRAMME = (
    "year",
    "deck_id",
    "name",
    "route",
    "label",
    "cost",
    "repair_m2",
    "deck_m2",
    "crew_days",
    "window",
    "material",
    "closure_h",
    "user_cost",
    "share_before",
    "share_after",
    "benefit",
    "urgent",
    "pinned",
    "based_on",
    "why",
    "why_not",
    "rank",
)
RANKING = (
    "rank",
    "rank_low",
    "rank_high",
    "rank_group",
    "chance_first",
    "deck_id",
    "name",
    "route",
    "place",
    "priority",
    "points_share",
    "points_growth",
    "points_traffic",
    "points_other",
    "share_now",
    "share_low",
    "share_high",
    "growth_per_yr",
    "aadt",
    "area_m2",
    "unsound_now_m2",
    "year",
    "label",
    "reason",
)
ACT_NOW = (
    "deck_id",
    "name",
    "route",
    "place",
    "urgent",
    "hole_m2",
    "exposed_bar_m2",
    "share_now",
    "aadt",
    "survey_date",
    "year",
    "label",
    "cost",
)
WAITING = (
    "rank",
    "deck_id",
    "name",
    "route",
    "place",
    "priority",
    "share_now",
    "area_m2",
    "unsound_now_m2",
    "why",
    "enters_at",
    "enters_year",
    "wait_cost",
)
# Columns of a limit as printed: what it is called among limits and in the workbook.
LIMITS = {
    "deck_id": "deck_id",
    "number": "limit_number",
    "from_station_m": "limit_from_m",
    "to_station_m": "limit_to_m",
    "from_offset_m": "limit_left_m",
    "to_offset_m": "limit_right_m",
    "length_m": "limit_length_m",
    "width_m": "limit_width_m",
    "depth_class": "limit_depth",
    "area_m2": "limit_m2",
    "unsound_m2": "limit_unsound_m2",
    "saw_cut_m": "limit_saw_m",
    "order_m3": "limit_order_m3",
    "crew_h": "limit_crew_h",
}
YEARS = ("year", "budget", "cost", "left", "decks", "repair_m2", "crew_days")


@dataclass(frozen=True, slots=True)
class _Book:
    """The workbook being written, its formats, and what every sheet prints."""

    file: Any
    formats: dict[str, Any]
    settings: Settings
    title: str
    today: date


def workbook(
    status: pd.DataFrame,
    programme: Programme,
    *,
    title: str,
    settings: Settings,
    today: date,
    limits: pd.DataFrame | None = None,
) -> bytes:
    """Programme, ranking, act-now list, status, waiting decks, limits, years, settings and notes as one workbook.

    Parameters
    ----------
    status : DataFrame, one row a deck
        Columns of ``columns.STATUS``; any but ``deck_id`` may be absent.
    programme : Programme
        Lines, years, waiting decks and facts; empty frames where there is none.
    title : str
        Printed on each sheet.
    settings : Settings
        Currency, price year, and what is listed with its sources.
    today : date
        Day the figures stand for; also the day of creation kept in the file.
    limits : DataFrame, optional
        Repair limits with their quantities, as crew sheets print them; one row a limit.

    Returns
    -------
    bytes
        An XLSX file. Ids and names are text, never formulas or links; dates are dates; shares are
        fractions shown as percent; totals are live and follow the filter. The same input gives the
        same bytes.

    Raises
    ------
    RecordError
        More rows than a sheet can hold.
    """
    rows = max(len(status), len(programme.lines), len(programme.waiting)) + HEADER_ROW + 1
    if rows > MOST_ROWS:
        raise RecordError(
            f"workbook: {rows:,} rows, and a sheet holds {MOST_ROWS:,} at most. Write one district at a time, or use "
            "the GeoPackage."
        )
    out = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
        "default_date_format": "yyyy-mm-dd",
    }
    file = xlsxwriter.Workbook(out, options)
    file.set_properties(
        {
            "title": words.text(title)[:250],
            "comments": words.CAUTION,
            "created": datetime(today.year, today.month, today.day),
        }
    )
    file.set_calc_mode("auto")
    book = _Book(file, _formats(file), settings, words.text(title), today)

    decks = _decks(status)
    lines = _lines(programme.lines, decks)
    first = lines.drop_duplicates("deck_id").reindex(columns=["deck_id", "year", "label", "cost"])
    placed = decks.merge(first, on="deck_id", how="left")
    by_rank = placed.sort_values("rank", kind="stable", na_position="last") if "rank" in placed.columns else placed
    urgent = by_rank[by_rank["urgent"].notna()] if "urgent" in by_rank.columns else by_rank.iloc[:0]
    waiting = _keyed(programme.waiting).merge(decks.drop(columns=["why"], errors="ignore"), on="deck_id", how="left")
    if "rank" in waiting.columns:
        waiting = waiting.sort_values("rank", kind="stable", na_position="last")

    _sheet(book, "Programme", lines, PROGRAMME, "Programme by year")
    _sheet(book, "Ranking", by_rank, RANKING, "Every deck in order of priority")
    _sheet(book, "Act now", urgent, ACT_NOW, "Decks that cannot wait for the ranking")
    _sheet(book, "Status", decks, [c.name for c in columns.STATUS], "Every deck as it stands")
    _sheet(book, "Waiting", waiting, WAITING, "Decks that are not in the programme, and why")
    if limits is not None:
        named = limits.rename(columns=LIMITS).merge(decks[["deck_id", "name"]], on="deck_id", how="left")
        shown = ["deck_id", "name", *(n for n in LIMITS.values() if n != "deck_id")]
        _sheet(book, "Limits", named, shown, "Repair limits of the programme's decks, where the last survey drew areas")
    _years(book, programme.years, lines)
    _settings(book)
    _notes(book, programme, placed, len(urgent))
    file.close()
    return out.getvalue()


# ---- tables -------------------------------------------------------------------------------------


def _decks(status: pd.DataFrame) -> pd.DataFrame:
    """The status frame without shapes, with today's unsound area."""
    decks = pd.DataFrame(status.drop(columns=[n for n in status.columns if str(status[n].dtype) == "geometry"]))
    decks = decks.reset_index(drop=True)
    decks = _keyed(decks)
    return decks.assign(unsound_now_m2=words.with_share(decks)["unsound_now_m2"].reindex(decks.index))


def _lines(lines: pd.DataFrame, decks: pd.DataFrame) -> pd.DataFrame:
    """Programme lines with what is known of their decks, by year and then by rank."""
    beside = decks[[n for n in ("deck_id", "name", "route", "rank") if n in decks.columns]]
    joined = _keyed(lines).merge(beside, on="deck_id", how="left")
    order = [n for n in ("year", "rank") if n in joined.columns]
    return joined.sort_values(order, kind="stable", na_position="last").reset_index(drop=True)


def _keyed(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with its deck numbers as text, whatever an empty frame made of them."""
    return frame.assign(
        deck_id=frame["deck_id"].astype("str") if "deck_id" in frame.columns else pd.Series(dtype="str")
    )


def _formats(file: Any) -> dict[str, Any]:
    plain = {"font_name": "Calibri", "font_size": 10, "font_color": INK, "valign": "top"}
    made = {kind: file.add_format({**plain, "num_format": form}) for kind, form in words.NUMBER_FORMATS.items()}
    made["long"] = file.add_format({**plain, "num_format": "@", "text_wrap": True})
    made["plain"] = file.add_format({**plain, "text_wrap": True})
    made["number"] = file.add_format({**plain, "num_format": "General", "align": "left"})
    made["header"] = file.add_format(
        {**plain, "bold": True, "text_wrap": True, "bg_color": HEADER_FILL, "bottom": 1, "valign": "vcenter"}
    )
    made["title"] = file.add_format({**plain, "bold": True, "font_size": 14})
    made["caution"] = file.add_format({**plain, "italic": True})
    made["heading"] = file.add_format({**plain, "bold": True})
    for kind in ("m2", "money", "days", "whole", "m2yr", "set out m", "set out m2", "m3", "h"):
        made[f"sum {kind}"] = file.add_format(
            {**plain, "bold": True, "num_format": words.NUMBER_FORMATS[kind], "top": 1}
        )
    return made


def _start(book: _Book, name: str, heading: str, widths: Sequence[float]) -> Any:
    """A sheet with its title, caution and print set-up."""
    sheet = book.file.add_worksheet(name)
    sheet.write_string(0, 0, _cell(f"{heading} – {book.title}, {book.today.isoformat()}"), book.formats["title"])
    sheet.write_string(1, 0, words.CAUTION, book.formats["caution"])
    for at, width in enumerate(widths):
        sheet.set_column(at, at, width)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    sheet.set_footer(f"&L&8{book.title[:100].replace('&', '&&')}&C&8Planning aid only&R&8{name}, page &P of &N")
    sheet.hide_gridlines(0)
    return sheet


def _sheet(book: _Book, name: str, frame: pd.DataFrame, wanted: Sequence[str], heading: str) -> None:
    """One table with totals over the rows shown, frozen header, filter and bars."""
    shown = [n for n in wanted if n in frame.columns]
    kinds = ["flag" if n == "urgent" and name == "Programme" else words.kind_of(n) for n in shown]
    sheet = _start(book, name, heading, [WIDTHS.get(k, 12) for k in kinds])
    first, last = HEADER_ROW + 1, HEADER_ROW + max(len(frame), 1)
    for at, (column, kind) in enumerate(zip(shown, kinds, strict=True)):
        sheet.write_string(HEADER_ROW, at, words.label(column, book.settings), book.formats["header"])
        _column(sheet, first, at, frame[column], kind, book.formats[kind])
        if len(frame) and column in SUMS:
            area = f"{xl_rowcol_to_cell(first, at)}:{xl_rowcol_to_cell(last, at)}"
            cached = float(np.nan_to_num(words.total(frame, column)))
            sheet.write_formula(HEADER_ROW - 1, at, f"=SUBTOTAL(109,{area})", book.formats[f"sum {kind}"], cached)
        if len(frame) and column in BARS:
            sheet.conditional_format(
                first, at, last, at, {"type": "data_bar", "bar_color": BAR, "bar_solid": True, "data_bar_2010": True}
            )
    if any(n in SUMS for n in shown) and len(frame) and shown[0] not in SUMS:
        sheet.write_string(HEADER_ROW - 1, 0, "Sum, rows shown", book.formats["heading"])
    if not len(frame):
        sheet.write_string(first, 0, "None.", book.formats["text"])
    _finish(sheet, shown, last, frozen=shown.index("deck_id") + 1 if "deck_id" in shown else 1)


def _finish(sheet: Any, shown: Sequence[str], last: int, *, frozen: int) -> None:
    sheet.set_row(HEADER_ROW, 45)
    sheet.freeze_panes(HEADER_ROW + 1, frozen)
    sheet.repeat_rows(HEADER_ROW)
    if shown:
        sheet.autofilter(HEADER_ROW, 0, last, len(shown) - 1)
        sheet.ignore_errors({"number_stored_as_text": f"A1:{xl_rowcol_to_cell(last, len(shown) - 1)}"})


def _column(sheet: Any, row: int, at: int, values: pd.Series, kind: str, form: Any) -> None:
    """One column of cells; a missing value leaves its cell empty."""
    if kind in {"id", "text", "long"}:
        for k, value in enumerate(values):
            if not pd.isna(value):
                sheet.write_string(row + k, at, _cell(value), form)
    elif kind == "flag":
        for k, value in enumerate(values):
            if not pd.isna(value):
                sheet.write_string(row + k, at, "yes" if value else "no", form)
    elif kind == "date":
        for k, value in enumerate(pd.to_datetime(values)):
            if not pd.isna(value):
                sheet.write_datetime(row + k, at, value.to_pydatetime(), form)
    else:
        numbers = pd.to_numeric(values).astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        for k, number in enumerate(numbers.tolist()):
            if np.isfinite(number):
                sheet.write_number(row + k, at, number, form)


def _cell(value: Any) -> str:
    """Text for one cell, cut with a mark where a cell cannot hold it."""
    text = words.text(value)
    return text if len(text) <= words.LONGEST_CELL else text[: words.LONGEST_CELL - len(words.CUT)] + words.CUT


# ---- the other sheets ---------------------------------------------------------------------------


def _years(book: _Book, years: pd.DataFrame, lines: pd.DataFrame) -> None:
    """Budget against cost by year; cost, area, crew time and count are live sums over the programme sheet."""
    sheet = _start(book, "Years", "Budget and works by year", [14, 18, 18, 18, 12, 16, 16])
    first, last = HEADER_ROW + 1, HEADER_ROW + max(len(years), 1)
    end = HEADER_ROW + max(len(lines), 1) + 1
    printed = [n for n in PROGRAMME if n in lines.columns]

    def cells(name: str) -> str:
        letter = xl_col_to_name(printed.index(name))
        return f"Programme!${letter}${HEADER_ROW + 2}:${letter}${end}"

    for at, name in enumerate(YEARS):
        kind = words.kind_of(name)
        form = book.formats[kind]
        sheet.write_string(HEADER_ROW, at, words.label(name, book.settings), book.formats["header"])
        values = pd.to_numeric(years[name]).astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        for k, value in enumerate(values):
            year, cached = xl_rowcol_to_cell(first + k, 0), float(np.nan_to_num(value))
            if name in {"cost", "repair_m2", "crew_days"} and len(lines):
                sum_of = f"=SUMIFS({cells(name)},{cells('year')},{year})"
                sheet.write_formula(first + k, at, sum_of, form, cached)
            elif name == "decks" and len(lines):
                sheet.write_formula(first + k, at, f"=COUNTIFS({cells('year')},{year})", form, cached)
            elif name == "left" and np.isfinite(value):
                minus = f"={xl_rowcol_to_cell(first + k, 1)}-{xl_rowcol_to_cell(first + k, 2)}"
                sheet.write_formula(first + k, at, minus, form, cached)
            elif np.isfinite(value):
                sheet.write_number(first + k, at, float(value), form)
        if name != "year" and len(years):
            area = f"{xl_rowcol_to_cell(first, at)}:{xl_rowcol_to_cell(last, at)}"
            cached = float(np.nan_to_num(words.total(years, name)))
            sheet.write_formula(HEADER_ROW - 1, at, f"=SUBTOTAL(109,{area})", book.formats[f"sum {kind}"], cached)
    if len(years):
        sheet.write_string(HEADER_ROW - 1, 0, "Sum, rows shown", book.formats["heading"])
    else:
        sheet.write_string(first, 0, "None.", book.formats["text"])
    _finish(sheet, YEARS, last, frozen=1)


def _settings(book: _Book) -> None:
    """Every setting in force with its unit, meaning, and where it comes from."""
    sheet = _start(book, "Settings and sources", "Settings in force and where they come from", [22, 22, 26, 16, 48, 70])
    headers = ("Section", "Setting", "Value", "Unit", "Meaning", "Basis and source")
    for at, header in enumerate(headers):
        sheet.write_string(HEADER_ROW, at, header, book.formats["header"])
    row = HEADER_ROW
    for section, key, value, unit, meaning, source in describe(book.settings):
        row += 1
        if isinstance(value, tuple):
            value = "; ".join(f"{x:g} → {y:g}" for x, y in value)
        for at, cell in enumerate((section, key, value, unit, meaning, source)):
            if isinstance(cell, (int, float)) and not isinstance(cell, bool):
                sheet.write_number(row, at, cell, book.formats["number"])
            else:
                sheet.write_string(row, at, _cell(cell), book.formats["plain"])
    _finish(sheet, headers, row, frozen=2)


def _notes(book: _Book, programme: Programme, decks: pd.DataFrame, urgent: int) -> None:
    """What the sheets hold, the main figures, and the cautions."""
    sheet = _start(book, "Notes", "Notes", [110])
    known = words.with_share(decks)
    area, unsound = words.total(known, "area_m2"), words.total(known, "unsound_now_m2")
    unsurveyed = int((decks["surveys"].fillna(0) == 0).sum()) if "surveys" in decks.columns else None
    said = [
        f"{words.whole(len(decks))} decks; {words.whole(urgent)} on the act-now list; "
        + (f"{words.whole(unsurveyed)} without a survey." if unsurveyed is not None else "surveys not known."),
        (
            f"Deck area {words.whole(area)} m², of which {words.whole(unsound)} m² "
            f"({words.percent(unsound / area if area else None)}) is expected to be unsound today, over the "
            f"{words.whole(len(known))} decks whose area and share are both known."
        ),
        f"Programme: {words.whole(len(programme.lines))} lines, {words.money_unit(book.settings)}. "
        + words.gap_words(programme.facts),
        (
            "Shares marked % are stored as fractions: 5 % is 0.05. Unsound share: part of the deck area that is "
            "delaminated, spalled, holed, with bars exposed, or a failed patch. Growth: what a year adds to that share."
        ),
        (
            "Shares of today are expectations; the 10 % and 90 % quantiles show how wide the doubt is. Where 'Share "
            "rests on' is not 'survey', no survey stands behind the figure."
        ),
        "Totals above the headers follow the filter. An empty cell means not known, never zero.",
        (
            "Costs are planning figures from the unit costs on the sheet 'Settings and sources'; check them against "
            "local prices."
        ),
    ]
    row = HEADER_ROW - 1
    for heading, texts in (("What this holds", said), ("Cautions", words.CAUTIONS)):
        sheet.write_string(row, 0, heading, book.formats["heading"])
        for k, line in enumerate(texts, start=1):
            sheet.write_string(row + k, 0, _cell(line), book.formats["plain"])
        row += len(texts) + 2

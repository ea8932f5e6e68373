"""Blank sheets to fill in: units in the headers, lists to choose from, cells that take a date only."""

from __future__ import annotations

import io
from datetime import date
from typing import Any

import xlsxwriter
from xlsxwriter.utility import xl_col_to_name

from decknet import digits
from decknet.columns import RECORDS, Column

__all__ = ["FORMS", "form"]

HEADER_FILL, NEEDED_FILL, INK = "#dfe4ea", "#c3ccd8", "#1d2733"
ROWS = 500  # rows made ready for entry
SHOWN_UNIT = {"m2": "m²", "m3": "m³", "share": "%", "deg": "°", "yr": "", "veh/day": "", "currency": ""}

# File, sheet, and the columns of the sheet by kind of record.
FORMS: dict[str, tuple[str, tuple[tuple[str, str], ...]]] = {
    "bridges": (
        "bridge",
        tuple(
            ("bridge", n)
            for n in (
                "bridge_id", "name", "route", "district", "place", "longitude_deg", "latitude_deg", "built_year",
                "detour_km", "posted", "owner",
            )
        ),
    ),
    "decks": (
        "deck",
        tuple(
            ("deck", n)
            for n in (
                "deck_id", "bridge_id", "length_m", "width_m", "slab_mm", "cover_mm", "bar_kind", "surface_kind",
                "environment", "lanes", "spans", "joints_m", "deck_built_year", "bearing_deg",
            )
        ),
    ),
    "surveys": (
        "survey",
        tuple(
            ("survey", n)
            for n in (
                "survey_id", "deck_id", "survey_date", "method", "looked_at", "surveyed_m2", "from_station_m",
                "to_station_m", "from_offset_m", "to_offset_m", "delaminated_m2", "spalled_m2", "hole_m2",
                "exposed_bar_m2", "failed_patch_m2", "crew", "remarks",
            )
        ),
    ),
    "defects": (
        "defect",
        (
            ("survey", "deck_id"), ("survey", "survey_date"), ("survey", "method"), ("defect", "defect_id"),
            ("defect", "kind"), ("defect", "depth_mm"), ("survey", "from_station_m"), ("survey", "to_station_m"),
            ("survey", "from_offset_m"), ("survey", "to_offset_m"), ("defect", "area_m2"),
        ),
    ),
    "repairs": (
        "repair",
        tuple(
            ("repair", n)
            for n in (
                "repair_id", "deck_id", "repair_date", "treatment", "depth_class", "area_m2", "volume_m3", "material",
                "cure_h", "closure_h", "cost", "price_year", "crew", "air_temperature_c", "remarks",
            )
        ),
    ),
    "closings": (
        "closing",
        tuple(
            ("closing", n)
            for n in (
                "closing_id", "deck_id", "closed_on", "cause", "hazard", "station_m", "offset_m", "closed_by", "how",
                "remarks",
            )
        ),
    ),
    "traffic": (
        "traffic",
        tuple(("traffic", n) for n in ("bridge_id", "year", "aadt", "truck_share", "speed_kmh", "source")),
    ),
}  # fmt: skip

_FILLED_IN = {  # columns that are made where they are left empty: their header is not marked as needed
    "survey_id", "defect_id", "repair_id", "closing_id",
}  # fmt: skip

NOTES = (
    "How to fill this in",
    "One row for each {what}. Fill in from row 2 down; add no row of totals and no words under the table.",
    "A dark header is needed on every row. A unit stands in the header: write figures alone.",
    "Not measured or not known: leave the cell empty. 0 means that it was looked for and none was found.",
    "Numbers of bridges and decks are text: every zero in front counts.",
    "Dates are days: 2026-05-12. A cell that takes a date takes nothing else.",
    "Stations run along the centreline from the first joint; offsets are from the centreline, right positive.",
    "Shares of deck area never stand alone: give square metres.",
    "Looked at: whole deck, or a part such as left lane, span 2, Sta 12 to 48; or stations and offsets from and to.",
    "Save under any name and bring it in with: decknet load STORE FILE",
    "What is refused is listed with its sheet, line and column; correct it here and bring the file in again.",
    "",
    "The columns",
)


def form(name: str) -> bytes:
    """One blank workbook.

    Parameters
    ----------
    name : str
        Key of ``FORMS``.
    """
    kind, columns = FORMS[name]
    found = [next(c for c in RECORDS[of].columns if c.name == column) for of, column in columns]
    stream = io.BytesIO()
    book = xlsxwriter.Workbook(stream, {"in_memory": True, "strings_to_formulas": False})
    book.set_properties({"title": f"{name.capitalize()}, to fill in"})
    page = book.add_worksheet(name)
    base = {"bold": True, "text_wrap": True, "valign": "top", "border": 1, "font_color": INK}
    head, needed = (
        book.add_format({**base, "bg_color": HEADER_FILL}),
        book.add_format({**base, "bg_color": NEEDED_FILL}),
    )
    looks = {
        "text": book.add_format({"num_format": "@"}),
        "date": book.add_format({"num_format": "yyyy-mm-dd"}),
        "plain": book.add_format({}),
    }
    lists = book.add_worksheet("lists")
    for j, column in enumerate(found):
        must = column.required and column.name not in _FILLED_IN
        page.write_string(0, j, header(column), needed if must else head)
        look = {"id": "text", "text": "text", "choice": "text", "flag": "text", "date": "date"}.get(
            column.kind, "plain"
        )
        page.set_column(j, j, 13 if column.kind != "text" else 22, looks[look])
        _validate(page, lists, j, column)
    page.freeze_panes(1, 1)
    lists.hide()
    _notes(book, name, kind, found)
    page.activate()
    book.close()
    return stream.getvalue()


def header(column: Column) -> str:
    """The header of a column with its unit, as it is recognised on the way back.

    Examples
    --------
    >>> header(next(c for c in RECORDS["survey"].columns if c.name == "delaminated_m2"))
    'delaminated (m²)'
    """
    words = column.name.split("_")
    tails = {"m2", "m3", "m", "mm", "km", "h", "deg", "c", "kmh"}
    plain = " ".join(words[:-1] if column.unit and len(words) > 1 and words[-1] in tails else words)
    unit = SHOWN_UNIT.get(column.unit, column.unit)
    return f"{plain} ({unit})" if unit else plain


def _validate(page: Any, lists: Any, j: int, column: Column) -> None:
    words = column.choices or (("yes", "no") if column.kind == "flag" else ())
    tip = {"input_title": column.name[:32], "input_message": column.meaning[:255], "ignore_blank": True}
    rule: dict[str, Any]
    if words:
        for i, word in enumerate(words):
            lists.write_string(i, j, word)
        letter = xl_col_to_name(j)
        rule = {"validate": "list", "source": f"=lists!${letter}$1:${letter}${len(words)}"}
        rule |= {"error_title": "One of the list", "error_message": f"Choose one of: {', '.join(words)}"[:255]}
    elif column.kind == "date":
        rule = {"validate": "date", "criteria": "between", "minimum": date(1900, 3, 1), "maximum": date(2100, 12, 31)}
        rule |= {"error_title": "A day is needed", "error_message": "Write a date, such as 2026-05-12."}
    elif column.kind in ("number", "whole") and column.low is not None and column.high is not None:
        scale = 100 if column.unit == "share" else 1
        rule = {"validate": "integer" if column.kind == "whole" else "decimal", "criteria": "between"}
        rule |= {"minimum": column.low * scale, "maximum": column.high * scale}
        rule |= {
            "error_title": "Out of range",
            "error_message": f"Between {digits.given(column.low * scale)} and {digits.given(column.high * scale)}.",
        }
    else:
        rule = {"validate": "any"}
    page.data_validation(1, j, ROWS, j, {**rule, **tip})


def _notes(book: Any, name: str, kind: str, columns: list[Column]) -> None:
    page = book.add_worksheet("notes")
    bold, wrap = (
        book.add_format({"bold": True, "font_color": INK}),
        book.add_format({"text_wrap": True, "valign": "top"}),
    )
    page.set_column(0, 0, 110)
    line = 0
    for text in NOTES:
        title = text in ("How to fill this in", "The columns")
        page.write_string(line, 0, text.format(what=kind), bold if title else wrap)
        line += 1
    for column in columns:
        need = " Needed." if column.required and column.name not in _FILLED_IN else ""
        words = f" One of: {', '.join(column.choices)}." if column.choices else ""
        page.write_string(line, 0, f"{header(column)}: {column.meaning}{words}{need}", wrap)
        line += 1
    page.write_string(line, 0, f"{name}.xlsx: {RECORDS[kind].meaning}", wrap)

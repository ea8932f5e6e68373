"""The list of faults for a clerk to work through, as a workbook."""

from __future__ import annotations

import io
from datetime import date
from typing import Any

import pandas as pd
import xlsxwriter

__all__ = ["COLUMNS", "fault_list"]

HEADER_FILL, INK = "#dfe4ea", "#1d2733"
MOST_ROWS = 1_048_570
MOST_CHARACTERS = 32_000  # an Excel cell holds 32 767
CUT = " … (cut here; the whole stands in the store)"

# (column of the frame, header, width)
COLUMNS: tuple[tuple[str, str, int], ...] = (
    ("number", "No.", 6),
    ("severity", "What became of it", 12),
    ("code", "Code", 20),
    ("kind", "Kind", 10),
    ("record", "Record", 28),
    ("file", "File", 28),
    ("sheet", "Sheet", 14),
    ("line", "Line", 7),
    ("column", "Column", 20),
    ("value", "Found", 24),
    ("rule", "What is wrong", 60),
    ("remedy", "What to do", 48),
    ("row", "The row as it stood", 40),
)
OWN = (("Done by", 12), ("Done on", 12), ("What was done", 40))


def fault_list(faults: pd.DataFrame, rules: pd.DataFrame, *, title: str, today: date) -> bytes:
    """A workbook with one line a fault, and room to write what was done about it.

    Parameters
    ----------
    faults : DataFrame
        The columns of ``COLUMNS`` but the number; text, missing as empty.
    rules : DataFrame
        code, about, severity, sentence: the rules, for the second sheet.
    title : str
        What the district is called.
    today : date
    """
    stream = io.BytesIO()
    book = xlsxwriter.Workbook(
        stream, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": True}
    )
    book.set_properties({"title": f"What to check: {title}"})
    look = {
        "title": book.add_format({"bold": True, "font_size": 14, "font_color": INK}),
        "head": book.add_format(
            {"bold": True, "bg_color": HEADER_FILL, "text_wrap": True, "valign": "top", "border": 1}
        ),
        "cell": book.add_format({"text_wrap": True, "valign": "top", "num_format": "@"}),
        "number": book.add_format({"valign": "top"}),
        "date": book.add_format({"valign": "top", "num_format": "yyyy-mm-dd"}),
    }
    _list(book, look, faults.head(MOST_ROWS), title, today)
    _summary(book, look, faults, rules)
    book.close()
    return stream.getvalue()


def _list(book: Any, look: dict[str, Any], faults: pd.DataFrame, title: str, today: date) -> None:
    page = book.add_worksheet("To check")
    page.write_string(0, 0, f"{title}: what to check, {today:%Y-%m-%d}", look["title"])
    heads = [(h, w) for _, h, w in COLUMNS] + list(OWN)
    for j, (head, width) in enumerate(heads):
        page.write_string(2, j, head, look["head"])
        page.set_column(j, j, width, look["date"] if head == "Done on" else None)
    for i, row in enumerate(faults.to_dict("records"), start=3):
        page.write_number(i, 0, i - 2, look["number"])
        for j, (name, _, _) in enumerate(COLUMNS[1:], start=1):
            value = row.get(name, "")
            if name == "line" and str(value).isdigit():
                page.write_number(i, j, int(value), look["number"])
                continue
            text = str(value)
            text = text if len(text) <= MOST_CHARACTERS else text[:MOST_CHARACTERS] + CUT
            page.write_string(i, j, text, look["cell"])
    page.freeze_panes(3, 3)
    page.autofilter(2, 0, max(3, len(faults) + 2), len(heads) - 1)
    day = len(COLUMNS) + 1
    page.data_validation(
        3, day, len(faults) + 3, day,
        {"validate": "date", "criteria": ">", "value": date(2000, 1, 1), "ignore_blank": True},
    )  # fmt: skip
    page.set_landscape()
    page.fit_to_pages(1, 0)
    page.repeat_rows(2)


def _summary(book: Any, look: dict[str, Any], faults: pd.DataFrame, rules: pd.DataFrame) -> None:
    page = book.add_worksheet("Rules")
    count = faults["code"].value_counts()
    for j, (head, width) in enumerate((("Code", 20), ("What becomes of it", 16), ("In the list", 10), ("Rule", 90))):
        page.write_string(0, j, head, look["head"])
        page.set_column(j, j, width)
    shown = rules[rules["code"].isin(count.index)]
    for i, row in enumerate(shown.itertuples(), start=1):
        page.write_string(i, 0, row.code, look["cell"])
        page.write_string(i, 1, row.severity, look["cell"])
        page.write_number(i, 2, int(count[row.code]), look["number"])
        page.write_string(i, 3, row.sentence, look["cell"])
    page.freeze_panes(1, 0)

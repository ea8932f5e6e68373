"""Element records of the open national specification: quantities of deck elements in condition states.

References
----------
memory: Federal Highway Administration (2014), Specification for the National Bridge Inventory Bridge
Elements; element numbers of the AASHTO Manual for Bridge Element Inspection. Areas are in square
feet there; quantities are kept as given.
"""

from __future__ import annotations

import dataclasses
import re
from typing import TYPE_CHECKING, Any
from xml.parsers import expat

import numpy as np
import pandas as pd

from decknet.columns import RECORDS
from decknet.errors import RecordError
from decknet.ingest.national import of_one_state
from decknet.ingest.recognise import Claim
from decknet.ingest.table import Table
from decknet.ingest.traffic import check_elements

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from decknet.ingest.checks import Rows
    from decknet.ingest.mapping import Stated
    from decknet.ingest.register import Register

__all__ = ["check_element_records", "claim_element_tags", "dated", "is_element_table", "read_elements", "year_named"]

TAGS = {
    "STRUCNUM": "bridge_id",
    "EN": "element",
    "EPN": "parent_element",
    "TOTALQTY": "total",
    "CS1": "cs1",
    "CS2": "cs2",
    "CS3": "cs3",
    "CS4": "cs4",
}
DATE = "(date of the file)"
DECK = ("12", "13", "15", "16", "38")  # decks, top flanges and slabs of concrete
DEFECTS = ("1080", "1090", "1130")  # delamination, spall or patch; exposed bar; cracking
SURFACE, SURFACE_DEFECT = "510", "3210"  # wearing surface; its delamination, spall, patch or pothole
FILE_TAGS = ("STATE", *TAGS)
MOST_TAGS = 60  # of one record; more is no element record


def is_element_table(table: Table) -> bool:
    """Whether a table carries the tags of element records, in XML or delimited."""
    return {"STRUCNUM", "EN", "CS1"} <= {h.strip().upper() for h in table.headers}


def read_elements(path: Path) -> Table:
    """Element records of an XML file as a table, each with the line it starts on.

    Document types and entities are refused, so nothing is expanded and nothing else is read.

    Raises
    ------
    RecordError
        The file is no well-formed XML, declares a document type, or its root is not FHWAELEMENT.
    """
    reader = _Records(path.name)
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = lambda tag, _: reader.start(tag, parser.CurrentLineNumber)
    parser.EndElementHandler = lambda _: reader.end()
    parser.CharacterDataHandler = reader.characters
    parser.StartDoctypeDeclHandler = reader.doctype
    parser.EntityDeclHandler = reader.doctype
    try:
        with path.open("rb") as stream:
            parser.ParseFile(stream)
    except expat.ExpatError as why:
        raise RecordError(
            f"{path.name} line {why.lineno}: the file is no well-formed XML ({expat.ErrorString(why.code)}). Export it "
            "again."
        ) from why
    headers = [*FILE_TAGS, *reader.others]
    if not reader.rows:
        raise RecordError(f"{path.name}: the file holds no FHWAED record. Export it again.")
    cells = pd.DataFrame(
        {j: pd.array([r.get(h, "").strip() for r in reader.rows], dtype="str") for j, h in enumerate(headers)}
    )
    odd = [
        (i, "R-TAG-TWICE", f"a record gives {tag} once, and this one gives it twice", "Keep one.", "refuse")
        for i, tag in reader.twice
    ]
    notes = ["element records; quantities are kept as given (the specification counts areas in square feet)"]
    line = np.array(reader.lines, dtype=np.int64)
    if len(set(reader.lines)) < len(reader.lines):
        line = np.arange(1, len(reader.lines) + 1, dtype=np.int64)
        notes.append("several records stand on one line of the file: lines are numbers of records")
    return Table(path.stem, "", tuple(headers), cells, line, odd=odd, notes=notes)


class _Records:
    """What a pass over the file gathers."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.path: list[str] = []
        self.rows: list[dict[str, str]] = []
        self.lines: list[int] = []
        self.others: list[str] = []
        self.twice: list[tuple[int, str]] = []
        self.text = ""

    def start(self, tag: str, line: int) -> None:
        name = tag.rpartition(":")[2].upper()
        if not self.path and name != "FHWAELEMENT":
            raise RecordError(
                f"{self.file} line {line}: the root is {tag}, and element records have the root FHWAELEMENT. "
                "Save the records in a format that is read, such as CSV."
            )
        self.path.append(name)
        self.text = ""
        if self.path[1:] == ["FHWAED"]:
            self.rows.append({})
            self.lines.append(line)
        elif len(self.path) == 3 and self.path[1] == "FHWAED":
            row = self.rows[-1]
            if name not in FILE_TAGS and name not in self.others:
                self.others.append(name)
            if name in row:
                self.twice.append((len(self.rows) - 1, name))
            row[name] = ""
            if len(row) > MOST_TAGS:
                raise RecordError(f"{self.file} line {line}: a record has over {MOST_TAGS} tags. Export it again.")

    def characters(self, text: str) -> None:
        self.text += text

    def end(self) -> None:
        if len(self.path) == 3 and self.path[1] == "FHWAED":
            self.rows[-1][self.path[2]] = self.text
        self.path.pop()
        self.text = ""

    def doctype(self, *_: Any) -> None:
        raise RecordError(
            f"{self.file}: the file declares a document type or an entity, which element records never do; it is not "
            "read. Export it again without."
        )


def year_named(stated: Stated, file: str, today: date) -> int | None:
    """Year of a file: as stated, else the one year in its name that is not in the future."""
    if stated.year is not None:
        return stated.year
    found = {int(y) for y in re.findall(r"(?<!\d)(?:19|20)\d\d(?!\d)", file)}
    named = found.pop() if len(found) == 1 else None
    return named if named is not None and named <= today.year else None


def dated(table: Table, stated: Stated, file: str, today: date) -> Table:
    """The table with the day its quantities hold for, which the records do not carry.

    Raises
    ------
    RecordError
        Neither the mapping nor the file's name tells it.
    """
    year = year_named(stated, file, today)
    if stated.date:
        day, why = stated.date, f"quantities are dated {stated.date}, as stated"
    elif year is not None:
        day = f"{year}-01-01"
        why = f"quantities are dated {day}, for the year {'stated' if stated.year else 'in the name of the file'}"
    else:
        raise RecordError(
            f"{file}: element records carry no date, and neither does the name of the file. State the day the "
            'quantities hold for in a mapping file (--map), such as date = "2026-03-31", or year = 2026.'
        )
    cells = table.cells.copy()
    cells[len(table.headers)] = pd.array([day] * len(cells), dtype="str")
    typed = None if table.typed is None else np.column_stack([table.typed, np.zeros(len(cells), dtype=bool)])
    return dataclasses.replace(
        table, headers=(*table.headers, DATE), cells=cells, typed=typed, notes=[*table.notes, why]
    )


def claim_element_tags(table: Table) -> tuple[dict[str, Claim], dict[int, str]]:
    """Columns by our name, and the tags that are not used."""
    of = {c.name: c for c in RECORDS["element_quantity"].columns}
    claims: dict[str, Claim] = {}
    unused: dict[int, str] = {}
    for index, header in enumerate(table.headers):
        name = "quantity_date" if header == DATE else TAGS.get(header.strip().upper(), "")
        if name and name not in claims:
            claims[name] = Claim(index, header, of[name], "", 1.0, 0.0, "", "by the specification", 1)
        else:
            unused[index] = "tag not used"
    return claims, unused


def check_element_records(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Quantities of decks, slabs, their defects and wearing surfaces; other elements are set aside."""
    element, ident = rows.ids("element"), rows.ids("bridge_id")
    assert element is not None and ident is not None  # noqa: S101, PT018
    heads = [h.strip().upper() for h in rows.table.headers]
    for tag in ("STATE", "BL01"):
        if tag in heads:
            of_one_state(rows, register, ident, rows.table.cells[heads.index(tag)].str.strip(), tag)
    given = rows.ids("parent_element")
    parent = pd.Series([""] * rows.n, dtype="str") if given is None else given
    alone = (parent == "").to_numpy(dtype=bool)
    of_deck = alone | parent.isin(DECK).to_numpy(dtype=bool)
    of_surface = of_deck | (parent == SURFACE).to_numpy(dtype=bool)
    defect = element.isin(DEFECTS).to_numpy(dtype=bool)
    worn = (element == SURFACE_DEFECT).to_numpy(dtype=bool)
    part = (
        element.isin(DECK).to_numpy(dtype=bool)
        | ((defect | (element == SURFACE).to_numpy(dtype=bool)) & of_deck)
        | (worn & of_surface)
    )
    rule = {
        int(
            i
        ): f"element {element.iloc[i] or '(none)'}{f' under {parent.iloc[i]}' if parent.iloc[i] else ''} is no part "
        "of a concrete deck; decks and slabs are kept, and their delamination, exposed bars, cracks and surface"
        for i in np.flatnonzero(~part)
    }
    rows.fault(~part, "element", "S-ELEMENT", rule, "Nothing, if the number is right.", "set aside")
    rows.fault(
        (defect | worn) & alone & rows.live,
        "element",
        "F-NO-PARENT",
        "the record does not say which element the defect is of",
        "Give EPN.",
        "flag",
    )
    out = check_elements(rows, register)
    _defects_fit(rows, out["element_quantity"])
    return out


def _defects_fit(rows: Rows, kept: pd.DataFrame) -> None:
    """Flag defects with a larger quantity than the element they are of."""
    totals = kept.set_index(["bridge_id", "element"])["total"]
    totals = totals[~totals.index.duplicated()]
    whole = totals.reindex(pd.MultiIndex.from_frame(kept[["bridge_id", "parent_element"]])).to_numpy(dtype=float)
    over = kept["total"].to_numpy(dtype=float) > whole + 0.5
    place = {int(n): i for i, n in enumerate(rows.table.line)}
    at = {place[int(kept["line"].iloc[i])]: i for i in np.flatnonzero(over)}
    parent, total = kept["parent_element"], kept["total"]
    rule = {
        p: f"the defect has {total.iloc[i]:g} and its element {parent.iloc[i]} only {whole[i]:g}" for p, i in at.items()
    }
    rows.fault(list(at), "total", "F-DEFECT-OVER", rule, "Check the quantities.", "flag")

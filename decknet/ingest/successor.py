"""The successor specification's JSON: an array of bridges with flat tags, and their elements.

What is present is read; tags that the store has no place for are listed and left. Sets of records
inside a bridge are read where there is one record in them, and elements always.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS
from decknet.columns.deck_kinds import CONCRETE_DECK
from decknet.columns.successor import BRIDGE_TAGS, DATE_TAGS, DECK_MATERIAL, ELEMENT_TAGS, KEY_TAG, TRUCKS
from decknet.errors import RecordError
from decknet.ingest.bridges import check_bridges
from decknet.ingest.element import check_element_records, year_named
from decknet.ingest.national import of_one_state
from decknet.ingest.recognise import Claim, unit_of
from decknet.ingest.table import Table, cell_text

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from decknet.ingest.checks import Rows
    from decknet.ingest.mapping import Stated
    from decknet.ingest.register import Register

__all__ = ["check_successor", "claim_tags", "completed", "is_successor_table", "read_successor"]

BRIDGES, ELEMENTS = "bridges", "elements"
RATED = "(year of inspection)"
SHARE = "(trucks of traffic)"
DAY = "(day of inspection)"
STATE = "BL01"

Record = dict[str, Any]


def is_successor_table(table: Table) -> bool:
    """Whether a table carries the specification's tags, in JSON or delimited."""
    tags = {h.strip().upper() for h in table.headers}
    return KEY_TAG in tags and bool(tags & {"BL05", "BC01", "BE01", "BG02", "BW01"})


def read_successor(path: Path) -> list[Table] | None:
    """Bridges and elements of a JSON file as two tables; None where the file is another kind of JSON.

    Raises
    ------
    RecordError
        The file names the specification's tags and is not valid JSON, or no array of bridges.
    """
    raw = path.read_bytes()
    if f'"{KEY_TAG}"'.encode() not in raw:
        return None
    try:
        text = raw.decode("utf-8-sig")
        records, lines = _records(text, path.name)
    except UnicodeDecodeError as why:
        raise RecordError(f"{path.name}: the file is not text in UTF-8 (byte {why.start}). Export it again.") from why
    except json.JSONDecodeError as why:
        raise RecordError(
            f"{path.name} line {why.lineno}: the file is no valid JSON ({why.msg}). Export it again."
        ) from why
    except RecursionError as why:
        raise RecordError(
            f"{path.name}: the file is nested too deep to be an array of bridges. Export it again."
        ) from why
    notes = []
    if any(b <= a for a, b in itertools.pairwise(lines)):
        lines = list(range(1, len(records) + 1))
        notes.append("several bridges stand on one line of the file: lines are numbers of records")
    bridges: list[tuple[int, Record]] = []
    elements: list[tuple[int, Record]] = []
    seen: set[str] = set()
    left: dict[str, int] = {}
    for line, record in zip(lines, records, strict=True):
        flat, parts = _flattened(record, left)
        own = {t: v for t, v in flat.items() if t not in ELEMENT_TAGS}
        if "BE01" in flat:
            parts.insert(0, {t: v for t, v in flat.items() if t in ELEMENT_TAGS})
        head = {t: own[t] for t in (KEY_TAG, STATE, *DATE_TAGS) if t in own}
        elements += [(len(elements) + k + 1, {**head, **part}) for k, part in enumerate(parts)]
        mark = json.dumps(own, sort_keys=True)
        if mark not in seen and (set(own) - {KEY_TAG, STATE, *DATE_TAGS} or not parts):
            bridges.append((line, own))
        seen.add(mark)
    notes += [f"{name}: {n} sets of several records are not used" for name, n in left.items()]
    out = []
    if bridges:
        out.append(_table(path.stem, BRIDGES if elements else "", bridges, notes))
    if elements:
        note = "lines of elements are their numbers in the file"
        out.append(_table(path.stem, ELEMENTS if bridges else "", elements, [note]))
    return out


def _records(text: str, file: str) -> tuple[list[Record], list[int]]:
    """Objects of the array and the line each starts on; of an object, those of the array in it."""
    decoder = json.JSONDecoder(object_pairs_hook=_pairs, parse_constant=str)
    at = _skip(text, 0)
    if text[at : at + 1] == "{":
        whole = decoder.decode(text)
        arrays = [v for v in whole.values() if isinstance(v, list) and v and all(isinstance(r, dict) for r in v)]
        named = [a for a in arrays if any(KEY_TAG in r for r in a)]
        if len(named) == 1:
            return named[0], [1] * len(named[0])
        if KEY_TAG in whole:
            return [whole], [1]
    if text[at : at + 1] != "[":
        raise RecordError(f"{file}: an array of bridges is needed, each an object with the tag {KEY_TAG}.")
    records: list[Record] = []
    lines: list[int] = []
    at, line, counted = _skip(text, at + 1), 1, 0
    while text[at : at + 1] != "]":
        line += text.count("\n", counted, at)
        counted = at
        record, end = decoder.raw_decode(text, at)
        if not isinstance(record, dict):
            raise RecordError(f"{file} line {line}: {record!r} stands where a bridge belongs, an object of tags.")
        records.append(record)
        lines.append(line)
        at = _skip(text, end)
        if text[at : at + 1] == ",":
            at = _skip(text, at + 1)
        elif text[at : at + 1] != "]":
            raise json.JSONDecodeError("a comma or the end of the array is needed", text, at)
    if text[_skip(text, at + 1) :]:
        raise json.JSONDecodeError("something stands after the array", text, at + 1)
    return records, lines


def _skip(text: str, at: int) -> int:
    while at < len(text) and text[at] in " \t\r\n":
        at += 1
    return at


def _pairs(pairs: list[tuple[str, Any]]) -> Record:
    out = {str(k).strip().upper(): v for k, v in pairs}
    if len(out) < len(pairs):
        out["(TWICE)"] = ", ".join(sorted({k for k, _ in pairs if [p for p, _ in pairs].count(k) > 1}))
    return out


def _flattened(record: Record, left: dict[str, int]) -> tuple[Record, list[Record]]:
    """Plain tags of a bridge, those of its sets of one record included; and its elements."""
    flat: Record = {}
    parts: list[Record] = []
    for tag, value in record.items():
        rows = [value] if isinstance(value, dict) else value
        if not isinstance(rows, list):
            flat[tag] = value
            continue
        objects = [r for r in rows if isinstance(r, dict)]
        if any("BE01" in r for r in objects):
            parts += [{t: v for t, v in r.items() if not isinstance(v, (list, dict))} for r in objects]
        elif len(rows) == 1 and objects:
            inner, more = _flattened(objects[0], left)
            parts += more
            for name, held in inner.items():
                flat.setdefault(name, held)
        elif rows:
            left[tag] = left.get(tag, 0) + 1
    return flat, parts


def _table(name: str, sheet: str, rows: list[tuple[int, Record]], notes: list[str]) -> Table:
    tags = list(dict.fromkeys(t for _, r in rows for t in r if t != "(TWICE)"))
    pairs = {t: [cell_text(r.get(t)) for _, r in rows] for t in tags}
    cells = pd.DataFrame({j: pd.array([text for text, _ in pairs[t]], dtype="str") for j, t in enumerate(tags)})
    typed = np.array([[number for _, number in pairs[t]] for t in tags], dtype=bool).T.reshape(len(rows), len(tags))
    odd = [
        (
            i,
            "R-TAG-TWICE",
            f"a record gives a tag once, and this one gives twice: {r['(TWICE)']}",
            "Keep one.",
            "refuse",
        )
        for i, (_, r) in enumerate(rows)
        if "(TWICE)" in r
    ]
    line = np.array([n for n, _ in rows], dtype=np.int64)
    return Table(name, sheet, tuple(tags), cells, line, typed, odd=odd, notes=notes)


def _column(table: Table, tag: str) -> pd.Series:
    headers = [h.strip().upper() for h in table.headers]
    if tag.upper() not in headers:
        return pd.Series([""] * len(table.cells), dtype="str")
    return table.cells[headers.index(tag.upper())].str.strip()


def _tags(table: Table) -> set[str]:
    return {h.strip().upper() for h in table.headers}


def completed(table: Table, stated: Stated, file: str, today: date) -> Table:
    """The table with what follows from its tags: year and day of inspection, share of trucks."""
    written = pd.Series([""] * len(table.cells), dtype="str")
    for tag in DATE_TAGS:
        held = _column(table, tag).str.replace("-", "", regex=False)
        written = written.where(written != "", held.where(held.str.fullmatch(r"\d{8}"), ""))
    year = year_named(stated, file, today)
    other = stated.date or (f"{year}-01-01" if year else "")
    iso = written.str.replace(r"(\d{4})(\d\d)(\d\d)", r"\1-\2-\3", regex=True)
    notes = list(table.notes)
    if other and (written == "").any():
        notes.append(f"where no day of inspection is given, {other} is taken")
    day = iso.where(written != "", other)
    extra = {DAY: day} if "BE01" in _tags(table) else {}
    if "BC01" in _tags(table):
        extra[RATED] = day.str[:4]
    if {TRUCKS, "BH09"} <= _tags(table):
        trucks, count = (pd.to_numeric(_column(table, t), errors="coerce") for t in (TRUCKS, "BH09"))
        share = (trucks / count.where(count > 0)).where(lambda s: s <= 1).round(4)
        extra[SHARE] = share.map(lambda s: "" if s != s else f"{s:g}").astype("str")
    cells = table.cells.copy()
    for j, values in enumerate(extra.values()):
        cells[len(table.headers) + j] = pd.array(values.tolist(), dtype="str")
    typed = table.typed
    if typed is not None:
        typed = np.column_stack([typed, np.zeros((len(cells), len(extra)), dtype=bool)])
    return dataclasses.replace(table, headers=(*table.headers, *extra), cells=cells, typed=typed, notes=notes)


def claim_tags(table: Table) -> tuple[dict[str, Claim], dict[int, str]]:
    """Columns by our name, and the tags that are not used."""
    elements = "BE01" in _tags(table)
    of = {c.name: c for kind in ("bridge", "deck", "traffic", "rating") for c in RECORDS[kind].columns}
    made = {RATED: ("rated_year", "", "year of BIE03 or BIE02"), SHARE: ("truck_share", "", f"{TRUCKS} over BH09")}
    known: dict[str, tuple[str, str, str]] = {**BRIDGE_TAGS, **made, STATE: ("state_code", "", "state")}
    if elements:
        of = {c.name: c for c in RECORDS["element_quantity"].columns}
        known = {KEY_TAG: BRIDGE_TAGS[KEY_TAG], DAY: ("quantity_date", "", "day of BIE03 or BIE02")}
        known |= {tag: (name, "", "by the specification") for tag, name in ELEMENT_TAGS.items()}
    claims: dict[str, Claim] = {}
    unused: dict[int, str] = {}
    for index, header in enumerate(table.headers):
        tag = header.strip().upper() if not header.startswith("(") else header
        if tag not in known or known[tag][0] in claims:
            told = tag in DATE_TAGS or tag == TRUCKS or (tag == DECK_MATERIAL and not elements)
            unused[index] = "used to derive others" if told else "tag not used"
            continue
        name, unit, why = known[tag]
        factor, offset, _ = unit_of(unit, of[name]) or (1.0, 0.0, "")
        claims[name] = Claim(index, header, of[name], unit, factor, offset, "", why, 1)
    return claims, unused


def check_successor(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Bridges, decks, counts and ratings of one table, or the element quantities of another."""
    if rows.has("element"):
        undated = (_column(rows.table, DAY) == "").to_numpy(dtype=bool)
        if undated.any():
            raise RecordError(
                f"{rows.place}: {int(undated.sum())} element records carry no day of inspection. State it in a mapping "
                'file (--map), such as date = "2026-03-31".'
            )
        return check_element_records(rows, register)
    ident = rows.ids("bridge_id")
    assert ident is not None  # noqa: S101
    of_one_state(rows, register, ident, _column(rows.table, STATE), STATE)
    made = _column(rows.table, DECK_MATERIAL).str.upper()
    # The kind is the cell's own word, so that the checks of any table of bridges read it.
    at = [h.strip().upper() for h in rows.table.headers].index(DECK_MATERIAL) if made.ne("").any() else -1
    if at >= 0:
        kind = made.map(lambda code: "" if not code else CONCRETE_DECK if code.startswith("C") else "other")
        rows.table.cells[at] = kind.astype("str")
        of = next(c for c in RECORDS["deck"].columns if c.name == "deck_kind")
        rows.claims["deck_kind"] = Claim(at, DECK_MATERIAL, of, "", 1.0, 0.0, "", "codes of concrete begin with C", 1)
    rated = _column(rows.table, "BC01")
    none = (rated.str.upper() == "N").to_numpy(dtype=bool)
    if none.any():
        rows.fault(
            none & rows.live, "deck_rating", "F-NO-RATING", "N says that the deck is not rated", "Rate it.", "flag"
        )
        at = rows.claims["deck_rating"].index
        rows.table.cells[at] = rows.table.cells[at].where(~none, "")
    return check_bridges(rows, register, "bridge")

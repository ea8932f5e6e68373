"""What the user states about a file: a mapping file, and options that say the same."""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from decknet.columns import RECORDS
from decknet.errors import RecordError
from decknet.ingest.evidence import UNIT_ASKED
from decknet.ingest.recognise import column_named, unit_of

__all__ = ["Stated", "mapping_text", "read_mapping"]

ORDERS = ("day first", "month first", "year first")
KEYS = (
    "columns", "values", "crs", "sheet", "layer", "as", "dates", "decimal", "year", "date", "grid", "words", "scale",
    "years", "number_rows", "encoding", "origin_station",
)  # fmt: skip
TABLES = ("columns", "values", "grid", "words", "scale")
YEARS_HOLD = ("condition", "aadt", "")


@dataclass(frozen=True, slots=True)
class Stated:
    """What the user states about a file, from a mapping file or options.

    Attributes
    ----------
    columns : dict
        Our column, with " in unit" where one is stated, by their header.
    values : dict
        Value of every row, by our column, where the file has no such column or an empty cell.
    words : dict
        What a word of the file means, by column (ours, or their header) or for every column: a cell of the word is read
        as the other.
    scale : dict
        Ends of the scale on which conditions stand: ``worst`` and ``best``; empty where not stated.
    years : str or None
        What columns hold whose header is a bare year: ``condition``, ``aadt``, or nothing that is used.
    number_rows : bool
        Each row is a bridge of its own, called by file and line.
    encoding : str
        Of delimited text.
    origin_station : str
        Station of the first joint, as the file's stations are written; empty where they are counted from it.
    """

    columns: dict[str, str] = field(default_factory=dict)
    crs: str = ""
    sheet: str = ""
    kind: str = ""
    dates: str = ""
    decimal: str = ""
    source: str = ""
    year: int | None = None
    date: str = ""
    grid: dict[str, Any] = field(default_factory=dict)
    values: dict[str, str] = field(default_factory=dict)
    words: dict[str, Any] = field(default_factory=dict)
    scale: dict[str, float] = field(default_factory=dict)
    years: str | None = None
    number_rows: bool = False
    encoding: str = ""
    origin_station: str = ""

    def told(self) -> str:
        """All that is stated, as one line for the intake log; empty where nothing is."""
        held = {k: v for k, v in asdict(self).items() if v and k != "source"}
        return json.dumps(held, sort_keys=True, ensure_ascii=False) if held else ""


def read_mapping(path: Path | None, options: Mapping[str, Any] | None = None) -> Stated:
    """What a mapping file and options state together; an option comes before the file.

    Parameters
    ----------
    path : Path or None
        TOML with a table ``[columns]`` (their header = our column, or "our_column in unit"; an empty
        text leaves the header out), a table ``[values]`` (our column = value of every row), a table ``[words]`` (their
        word = the word meant, for every column; or such lines under ``[words.COLUMN]`` for one), and the keys
        ``crs``, ``sheet`` or ``layer``, ``as``, ``encoding``, ``years`` (what columns headed by a bare year hold:
        "condition" or "aadt"), ``number_rows`` (true: each row is a bridge of its own), a table ``[scale]`` with the
        ``worst`` and the ``best`` end of the scale of conditions, ``dates``
        ("day first", "month first" or "year first") and ``decimal`` ("." or ","); for open national files the ``year``
        of the inventory and the ``date`` of element quantities; for grid readings a table ``[grid]``
        (see ``grid.Rule``).
    options : mapping, optional
        The same keys, as given on the command line.

    Raises
    ------
    RecordError
        The file cannot be read, or a key or value cannot be used.
    """
    data: dict[str, Any] = {} if path is None else _toml(path)
    given = {k: v for k, v in (options or {}).items() if v}
    place = str(path) if path is not None else "options"
    for key, value in given.items():
        data[key] = {**data.get(key, {}), **value} if key in TABLES and isinstance(data.get(key, {}), dict) else value
    for key, value in data.items():
        if key not in KEYS:
            raise RecordError(f"{place}, {key}: not a key of a mapping. Known: {', '.join(KEYS)}.")
        if key == "year" and (type(value) is not int or not 1900 <= value <= 2100):
            raise RecordError(f"{place}, year: {value!r} is not a year. Write four digits without quotes.")
        if key == "grid" and not isinstance(value, dict):
            raise RecordError(f"{place}, grid: {value!r} stands where a table [grid] belongs.")
        if key == "number_rows" and not isinstance(value, bool):
            raise RecordError(f"{place}, number_rows: {value!r} is neither true nor false. Write it without quotes.")
        if key not in (*TABLES, "year", "number_rows") and not isinstance(value, (str, date)):
            raise RecordError(f"{place}, {key}: {value!r} is not text. Put it in quotes.")
    return _stated(place, data)


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as why:
        raise RecordError(f"{path}: the mapping cannot be read as UTF-8 text ({why}).") from why
    except RecursionError as why:
        raise RecordError(f"{path}: the mapping is nested too deeply. Write it as lines under [columns].") from why
    except tomllib.TOMLDecodeError as why:
        raise RecordError(f"{path}: the mapping is not valid TOML ({why}). Put headers and columns in quotes.") from why


def _stated(path: str, data: dict[str, Any]) -> Stated:
    columns = data.get("columns", {})
    if not isinstance(columns, dict) or not all(isinstance(v, str) for v in columns.values()):
        raise RecordError(f'{path}, columns: must be lines of "their header" = "our_column" under [columns].')
    for header, wanted in columns.items():
        name, _, unit = (p.strip() for p in wanted.partition(" in "))
        found = column_named(name)
        if name and found is None and name != "unit":
            near = difflib.get_close_matches(name, sorted({n for r in RECORDS.values() for n in r.names()}), 1)
            raise RecordError(
                f"{path}, columns, {header!r}: {name!r} is no column of ours."
                + (f" Is {near[0]} meant?" if near else " The column reference lists them.")
            )
        if unit and unit != UNIT_ASKED and found is not None and unit_of(unit, found) is None:
            raise RecordError(
                f"{path}, columns, {header!r}: {unit!r} is no unit for {name}, kept in {found.unit or 'no unit'}."
            )
    fixed = data.get("values", {})
    if not isinstance(fixed, dict):
        raise RecordError(f'{path}, values: must be lines of our_column = "value" under [values].')
    origin = str(fixed.get("origin_station", ""))
    fixed = {name: value for name, value in fixed.items() if name != "origin_station"}
    for name in fixed:
        if column_named(name) is None and name not in ("unit", "revision", "issued", "inspected"):
            near = difflib.get_close_matches(name, sorted({n for r in RECORDS.values() for n in r.names()}), 1)
            raise RecordError(
                f"{path}, values: {name!r} is no column of ours."
                + (f" Is {near[0]} meant?" if near else " The column reference lists them.")
            )
    for key, allowed in (("dates", ORDERS), ("decimal", (".", ",")), ("years", YEARS_HOLD)):
        if key in data and data[key] not in allowed:
            raise RecordError(f"{path}, {key}: {data[key]!r} must be {' or '.join(repr(a) for a in allowed)}.")
    return Stated(
        columns,
        data.get("crs", ""),
        data.get("sheet", data.get("layer", "")),
        data.get("as", ""),
        data.get("dates", ""),
        data.get("decimal", ""),
        path,
        data.get("year"),
        _day(path, data.get("date", "")),
        data.get("grid", {}),
        {name: str(value) for name, value in fixed.items()},
        _words(path, data.get("words", {})),
        _scale(path, data.get("scale", {})),
        data.get("years"),
        data.get("number_rows", False),
        data.get("encoding", ""),
        _origin(path, str(data.get("origin_station", "") or origin)),
    )


def _origin(path: str, station: str) -> str:
    if station and not re.fullmatch(r"\s*[+-]?\d+(?:\+\d+)?(?:[.,]\d+)?\s*", station):
        raise RecordError(f"{path}, origin_station: {station!r} is no station. Write it as the file does: 12+45.3.")
    return station.strip()


def _scale(path: str, ends: Any) -> dict[str, float]:
    """The worst and the best end of a scale; empty where none is stated."""
    if not ends:
        return {}
    if not isinstance(ends, dict) or set(ends) != {"worst", "best"}:
        raise RecordError(f"{path}, scale: must be the two lines worst = 1 and best = 7 under [scale].")
    told = {}
    for name, value in ends.items():
        try:
            told[name] = float(value)
        except (TypeError, ValueError):
            raise RecordError(f"{path}, scale, {name}: {value!r} is not a number.") from None
    if not all(map(math.isfinite, told.values())) or told["worst"] == told["best"]:
        raise RecordError(f"{path}, scale: worst and best must be two different numbers.")
    return told


def _words(path: str, words: Any) -> dict[str, Any]:
    """What words mean: by word, and by column for those of one column alone."""
    held = words if isinstance(words, dict) else {"": None}
    for name, meant in held.items():
        lines = meant if isinstance(meant, dict) else {name: meant}
        for word, other in lines.items():
            if isinstance(other, bool) or not isinstance(other, (str, int, float)):
                raise RecordError(f'{path}, words, {word!r}: must be lines of "their word" = "the word meant".')
    return {
        name: {w: str(o) for w, o in meant.items()} if isinstance(meant, dict) else str(meant)
        for name, meant in held.items()
    }


def _day(path: str, value: str | date) -> str:
    """A day as stated, in ISO 8601; empty where none is."""
    try:
        return str(date.fromisoformat(str(value))) if value else ""
    except ValueError:
        raise RecordError(f"{path}, date: {value!r} is not a day. Write it as 2026-05-12.") from None


def mapping_text(stated: Stated, mapping: Any) -> str:
    """The mapping that a reading used, as a file for ``--map``.

    Parameters
    ----------
    stated : Stated
        What was stated for the reading.
    mapping : DataFrame
        As ``Reading.mapping``.
    """
    lines = ["# Which column is which. Bring files of this make in with: decknet load STORE FILE --map THIS"]
    for key in ("kind", "sheet", "crs", "dates", "decimal", "years", "encoding", "origin_station"):
        value = getattr(stated, key)
        if value:
            lines.append(f"{'as' if key == 'kind' else key} = {_quoted(value)}")
    if stated.year:
        lines.append(f"year = {stated.year}")
    if stated.date:
        lines.append(f"date = {_quoted(stated.date)}")
    if stated.number_rows:
        lines.append("number_rows = true")
    if stated.scale:
        lines += ["", "[scale]", *(f"{k} = {v:g}" for k, v in stated.scale.items())]
    if stated.values:
        lines += ["", "[values]", *(f"{k} = {_quoted(v)}" for k, v in stated.values.items())]
    if stated.grid:
        lines += ["", "[grid]", *(f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in stated.grid.items())]
    flat = {k: v for k, v in stated.words.items() if isinstance(v, str)}
    if stated.words:
        lines += ["", "[words]", *(f"{_quoted(k)} = {_quoted(v)}" for k, v in flat.items())]
    for name, held in stated.words.items():
        if name not in flat:
            lines += ["", f"[words.{_quoted(name)}]", *(f"{_quoted(k)} = {_quoted(v)}" for k, v in held.items())]
    lines += ["", "[columns]"]
    used: dict[str, str] = {}
    for row in mapping.itertuples():
        if not row.header or row.header == "(shape)" or row.why.startswith("stated for every row"):
            continue
        of = column_named(row.column)
        other = of is not None and row.unit not in ("", of.unit) and unit_of(row.unit, of) is not None
        wanted = f"{row.column} in {row.unit}" if other else row.column
        used.setdefault(row.header, wanted)
        used[row.header] = used[row.header] or wanted
    lines += [f"{_quoted(header)} = {_quoted(wanted)}" for header, wanted in used.items()]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(str(text), ensure_ascii=False)

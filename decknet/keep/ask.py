"""Questions in SQL: checked, then answered by a process that can read the store and nothing else.

A question is read twice. Here it is parsed, and only one statement that reads is let through, with the functions that
read tables from a short list. Then another process attaches the store read-only, shuts everything outside it, locks
that, and answers within its time and memory.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from importlib import resources
from pathlib import Path
from string import Template
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from decknet.columns import RECORDS, Column
from decknet.columns.dates import DATED, MIDDLE, OF_A_SURVEY, OF_A_YEAR
from decknet.columns.views import VIEWS
from decknet.errors import DecknetError
from decknet.keep import ask_child
from decknet.keep.frames import to_store
from decknet.keep.statements import current_sql

__all__ = ["LENT", "Found", "ask", "lent_for", "ready_question", "views_named"]

LONGEST_SQL = 100_000
OPEN_TABLE_FUNCTIONS = ("generate_series", "range", "repeat", "unnest")
_SHUT_FUNCTIONS = {"currval", "nextval", "write_log"}
_READING_NODES = {"CTE_NODE", "RECURSIVE_CTE_NODE", "SELECT_NODE", "SET_OPERATION_NODE"}
_LONGEST_LINE = 600
_GRACE_S = 5.0  # for the other process to begin and end
_HEADROOM = 2 << 30  # bytes of address space beside the memory of the query

_NOT_COUNTING = "SELECT intake_id FROM store.intake_undone"
_NOT_COUNTING_THEN = (
    "SELECT n.intake_id FROM store.intake AS n LEFT JOIN store.intake_undone AS u USING (intake_id) "
    "WHERE n.brought_at > $moment OR u.undone_at <= $moment"
)
_LEAD = re.compile(r"(?:\s|--[^\n]*(?:\n|$)|/\*.*?\*/)*", re.DOTALL)
_EXPLAIN = re.compile(r"explain\s+(?:analyze\s+)?", re.IGNORECASE)


def _pick(view: str, *names: str) -> tuple[Column, ...]:
    known = {c.name: c for c in VIEWS[view].columns}
    return tuple(known[name] for name in names)


# Frames that views rest on and that are worked out, not stored: the caller lends them.
LENT: dict[str, tuple[Column, ...]] = {
    "computed_deck_status": VIEWS["deck_status"].columns,
    "computed_hazard": VIEWS["hazard"].columns,
    "computed_survey": _pick(
        "survey_history",
        *("survey_id", "deck_id", "survey_date", "covered_m2", "covered_share", "unsound_m2", "delaminated_m2"),
        *("spalled_m2", "hole_m2", "exposed_bar_m2", "failed_patch_m2", "outside_m2", "unsound_share"),
        *("delaminated_share", "measured_from"),
    ),
    "computed_survey_ground": _pick("survey_history", "survey_id", "ground"),
    "computed_repair_ground": _pick("repair_history", "repair_id", "ground"),
    "computed_outcome": _pick(
        "repair_outcome",
        *("repair_id", "season", "temperature", "looks", "held_yr", "failed_by_yr", "followed_by"),
    ),
    "computed_programme_outcome": _pick(
        "programme_outcome",
        *("programme", "year", "deck_id", "treatment", "fate", "done_treatment", "done_date", "cost", "done_cost"),
        *("repair_m2", "done_m2"),
    ),
}

_ARROW = {
    "id": pa.string(), "text": pa.string(), "choice": pa.string(), "number": pa.float64(), "whole": pa.int64(),
    "date": pa.date32(), "flag": pa.bool_(), "shape": pa.binary(),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Found:
    """An answer.

    Attributes
    ----------
    frame : DataFrame
        Text as ``str``, whole numbers ``Int64``, flags ``boolean``, days ``datetime64``, shapes as bytes.
    more : bool
        Whether there are more rows than were asked for.
    views : tuple of str
        Views that the question names.
    """

    frame: pd.DataFrame
    more: bool
    views: tuple[str, ...]


def _dated_to(name: str, text: str, records_to: date) -> str:
    """The statement of a view without records later than a day; as it is where they are not dated."""
    kinds = (("dated_to", DATED), ("dated_to_year", OF_A_YEAR), ("dated_to_survey", OF_A_SURVEY))
    query = next((q for q, known in kinds if name in known), "dated_to" if name == "programme_lines" else None)
    if query is None:
        return text
    column = {**DATED, **OF_A_YEAR, "programme_lines": "made_on"}.get(name, "survey_id")
    of = {"view": text, "column": f'"{column}"', "day": f"DATE '{records_to.isoformat()}'"}
    return Template(ready_question(query)).substitute(of, month=MIDDLE[0], month_day=MIDDLE[1])


def _view_sql(name: str, records_to: date | None = None, moment: datetime | None = None) -> str:
    """The statement of a view; names in it come from ``columns``, never from a user."""
    text = _whole_view(name, moment)
    return text if records_to is None else _dated_to(name, text, records_to)


def _whole_view(name: str, moment: datetime | None) -> str:
    folder = resources.files("decknet.keep").joinpath("queries", "views")
    record = RECORDS.get(name)
    if record is None:
        return folder.joinpath(f"{name}.sql").read_text(encoding="utf-8")
    counting = (
        _NOT_COUNTING
        if moment is None
        else Template(_NOT_COUNTING_THEN).substitute(moment=f"TIMESTAMP '{moment.isoformat(sep=' ')}'")
    )
    return Template(folder.joinpath("record.sql").read_text(encoding="utf-8")).substitute(
        table=name,
        current=current_sql(record, f"store.{name}", counting),
        columns=", ".join(f'r."{n}"' for n in record.names()),
    )


def ready_question(name: str) -> str:
    """The text of one of our own questions over the views."""
    return resources.files("decknet.keep").joinpath("queries", f"{name}.sql").read_text(encoding="utf-8")


def _nodes(tree: Any) -> Iterator[dict[str, Any]]:
    """Every node of a parsed statement."""
    stack = [tree]
    while stack:
        node = stack.pop()
        if isinstance(node, dict):
            yield node
            stack.extend(node.values())
        elif isinstance(node, list):
            stack.extend(node)


def _parsed(sql: str) -> dict[str, Any]:
    """The tree of one statement that reads.

    Raises
    ------
    DecknetError
        It is not one statement, or it does more than read.
    """
    _check_text("the statement", sql)
    if len(sql) > LONGEST_SQL:
        raise DecknetError(f"query: {len(sql):,} characters are too long; {LONGEST_SQL:,} are allowed. Ask for less.")
    try:
        statements = duckdb.extract_statements(sql)
    except duckdb.Error as why:
        raise DecknetError(f"query: {_line(str(why))} Begin with SELECT.") from why
    if not statements:
        raise DecknetError("query: says nothing. Write for example: SELECT deck_id, share_now FROM deck_status")
    if len(statements) > 1:
        raise DecknetError(f"query: {len(statements)} statements. Ask one question at a time.")
    try:
        kind = statements[0].type.name
    except ValueError:  # of a kind that the engine has and its Python part knows no name for
        kind = "this"
    if kind == "EXPLAIN":
        start = _LEAD.match(sql)
        head = _EXPLAIN.match(sql, start.end() if start else 0)
        if head is None:
            raise DecknetError("query: write EXPLAIN or EXPLAIN ANALYZE and then a SELECT.")
        return _parsed(sql[head.end() :])
    if kind == "MULTI":
        raise DecknetError(
            "query: this is several statements in one. In PIVOT, spell the columns out: ON year IN (2024, 2025)."
        )
    if kind != "SELECT":
        raise DecknetError(
            f"query: {kind} is not a question, and a query only reads. Begin with SELECT, FROM, WITH, VALUES, "
            "DESCRIBE, SUMMARIZE or EXPLAIN."
        )
    with duckdb.connect(":memory:", config=ask_child.CONFIG) as db:
        text = db.execute("SELECT json_serialize_sql($sql)", {"sql": sql}).fetchall()[0][0]
    try:
        tree: dict[str, Any] = json.loads(text)
    except RecursionError as why:
        raise DecknetError(
            "query: it is nested too deeply, or joins too many tables. Take it apart with WITH, or ask twice."
        ) from why
    if tree.get("error"):
        raise DecknetError(f"query: {_line(str(tree.get('error_message')))} Write it as a plain SELECT.")
    return tree


def _check_text(what: str, text: str) -> None:
    """Refuse what cannot be written in UTF-8: a byte that came from elsewhere and is no letter."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as why:
        raise DecknetError(
            f"query: character {why.start + 1} of {what} is a byte that is no text in UTF-8 (after "
            f"{text[max(why.start - 20, 0) : why.start]!r}). Write it in UTF-8, or leave it out."
        ) from why


def _line(text: str) -> str:
    """An engine's message on one line, without its mark of the place."""
    said = [part.strip() for part in text.split("Stack Trace")[0].splitlines() if part.strip()]
    kept = [part for part in said if not part.startswith(("LINE ", "^"))]
    out = re.sub(r"^[A-Za-z ]*Error: ", "", " ".join(kept))[:_LONGEST_LINE]
    return out if out.endswith((".", "!", "?")) else out + "."


def _tables(sql: str) -> set[str]:
    """Tables that a statement names, in lower case; refused where it does more than read."""
    out = set()
    for node in _nodes(_parsed(sql)):
        kind = str(node.get("type"))
        if kind.endswith("_NODE") and kind not in _READING_NODES:
            what = kind.removesuffix("_NODE").removesuffix("_QUERY")
            raise DecknetError(f"query: {what} changes something, and a query only reads. Leave it out.")
        called = str(node.get("function_name", "")).lower()
        if kind == "TABLE_FUNCTION":
            called = str(node["function"].get("function_name", "")).lower()
            if called not in OPEN_TABLE_FUNCTIONS:
                raise DecknetError(
                    f"query: {called}() is not open to queries, which read this store alone. Use the views, or one of "
                    f"{', '.join(OPEN_TABLE_FUNCTIONS)}."
                )
        if called in _SHUT_FUNCTIONS:
            raise DecknetError(f"query: {called}() changes something, and a query only reads. Leave it out.")
        if kind == "BASE_TABLE":
            out.add(str(node.get("table_name", "")).lower())
    return out


def views_named(sql: str) -> set[str]:
    """Views and lent frames that a question rests on, those that views rest on included.

    Raises
    ------
    DecknetError
        It is not one statement, or it does more than read.
    """
    out: set[str] = set()
    new = _tables(sql)
    while new:
        out |= new
        new = {t for name in new & VIEWS.keys() for t in _tables(_view_sql(name))} - out
    return out & (VIEWS.keys() | LENT.keys())


def lent_for(sql: str) -> set[str]:
    """Names in ``LENT`` of the frames that a question needs."""
    return views_named(sql) & LENT.keys()


def _to_arrow(frame: pd.DataFrame | None, columns: tuple[Column, ...]) -> pa.Table:
    schema = pa.schema([(c.name, _ARROW[c.kind]) for c in columns])
    if frame is None:
        return schema.empty_table()
    stored = to_store(frame, columns)
    return pa.Table.from_pandas(stored, schema=schema, preserve_index=False, safe=False)


def _dtype(kind: pa.DataType) -> Any:
    if pa.types.is_uint64(kind):
        return pd.UInt64Dtype()
    if pa.types.is_integer(kind):
        return pd.Int64Dtype()
    return pd.BooleanDtype() if pa.types.is_boolean(kind) else None


def _to_frame(table: pa.Table) -> pd.DataFrame:
    """An answer in our dtypes; a second column of one name gets a number."""
    names: list[str] = []
    for name in table.column_names:
        chosen, count = name, 2
        while chosen in names:
            chosen, count = f"{name}_{count}", count + 1
        names.append(chosen)
    frame = table.rename_columns(names).to_pandas(date_as_object=False, types_mapper=_dtype)
    for name, field in zip(names, table.schema, strict=True):
        if pa.types.is_decimal(field.type):
            whole = field.type.scale == 0 and frame[name].dropna().between(-(2**63), 2**63 - 1).all()
            frame[name] = frame[name].astype("Int64" if whole else "float64")
        elif pa.types.is_date(field.type):
            frame[name] = frame[name].astype("datetime64[us]")
        elif pa.types.is_dictionary(field.type) or pa.types.is_null(field.type):
            frame[name] = frame[name].astype("str")
        elif pa.types.is_floating(field.type):
            frame[name] = frame[name].astype("float64")
    return frame


def ask(
    path: Path, sql: str, *, lent: Mapping[str, pd.DataFrame], params: Mapping[str, Any] | None = None,
    rows: int = 100_000, seconds: float = 60.0, memory_gb: float = 2.0, records_to: date | None = None,
    moment: datetime | None = None,
) -> Found:  # fmt: skip
    """Answer one question over a store.

    Parameters
    ----------
    path : Path
        The store; it is read and not changed.
    sql : str
        One statement that reads.
    lent : mapping of name to DataFrame
        The frames that ``lent_for`` names, with the columns of ``LENT``.
    params : mapping, optional
        Values of ``$name`` in it: text, numbers or None.
    rows : int
        Most rows given back.
    seconds, memory_gb : float
        What the question may use.
    records_to : date, optional
        The views hold only records dated to this day.
    moment : datetime, optional
        The views hold records as they counted then.

    Raises
    ------
    DecknetError
        The question is refused, wrong, or was stopped; one line says which and what to do.
    """
    for name, value in (params or {}).items():
        if isinstance(value, str):
            _check_text(f"${name}", value)
    named = views_named(sql)
    missing = sorted((named & LENT.keys()) - lent.keys())
    if missing:
        raise DecknetError(f"query: needs {', '.join(missing)}, which the caller has not lent.")
    ordered = (*RECORDS, *(v for v in VIEWS if v not in RECORDS))
    views = [[name, _view_sql(name, records_to, moment)] for name in ordered]
    most = int(memory_gb * (1 << 30))
    with tempfile.TemporaryDirectory(prefix="decknet-") as made:
        folder = Path(made)
        for name, columns in LENT.items():
            table = _to_arrow(lent.get(name), columns)
            with pa.OSFile(str(folder / f"{name}.arrow"), "wb") as sink, pa.ipc.new_file(sink, table.schema) as out:
                out.write_table(table)
        task = {
            "path": str(path.resolve()), "folder": made, "lent": list(LENT), "views": views, "sql": sql,
            "params": dict(params or {}), "rows": rows, "seconds": seconds, "more_bytes": most + _HEADROOM,
            "memory": f"{most >> 20}MiB",
        }  # fmt: skip
        try:
            done = subprocess.run(  # noqa: S603
                [sys.executable, "-P", str(Path(ask_child.__file__))],
                input=json.dumps(task).encode(),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                timeout=seconds + _GRACE_S,
                cwd=made,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
                check=False,
            )
        except subprocess.TimeoutExpired as why:
            raise DecknetError(_late(seconds)) from why
        if done.returncode == 0:
            with pa.OSFile(str(folder / "answer.arrow"), "rb") as source:
                table = pa.ipc.open_stream(source).read_all()
            views_seen = tuple(v for v in VIEWS if v in _tables(sql))
            return Found(_to_frame(table.slice(0, rows)), table.num_rows > rows, views_seen)
        failed = folder / "error.json"
        if done.returncode == 3 and failed.exists():
            said = json.loads(failed.read_text(encoding="utf-8"))
            raise DecknetError(_why(said["kind"], said["text"], seconds, memory_gb))
    raise DecknetError(_broke_off(done, memory_gb))


def _broke_off(done: subprocess.CompletedProcess[bytes], memory_gb: float) -> str:
    """Why the other process ended without an answer."""
    said = done.stderr.decode("utf-8", "replace").strip().splitlines()
    if done.returncode < 0 or not said or "memory" in said[-1].lower():  # ended by the system
        return _too_much(memory_gb)
    return f"query: the engine broke off ({_line(said[-1])}) Ask in another way."


def _late(seconds: float) -> str:
    return f"query: stopped after {seconds:g} s. Ask for less, or allow more time."


def _too_much(memory_gb: float) -> str:
    return f"query: needs more than {memory_gb:g} GB of memory, and was stopped. Ask for less."


def _why(kind: str, text: str, seconds: float, memory_gb: float) -> str:
    """The engine's reason as one line: place, rule, remedy."""
    if kind == "InterruptException":
        return _late(seconds)
    if kind in {"OutOfMemoryException", "MemoryError", "ArrowMemoryError"}:
        return _too_much(memory_gb)
    line = _line(text)
    made = [v for v in VIEWS if v not in RECORDS]
    if kind == "CatalogException" and "Table with name" in line:
        name = line.split("Table with name ")[-1].split(" does not exist")[0]
        return (
            f"query: there is no view {name}. Views: {', '.join(made)}; and the records {', '.join(RECORDS)}. "
            "Their columns: decknet columns."
        )
    if kind == "BinderException" and ("not found in FROM" in line or "does not have a column" in line):
        return f"query: {line} Columns of a view: decknet columns {made[0]}."
    return f"query: {line} Views and their columns: decknet columns."

"""Rows about records that are stored already: what they take off the record, and what they need not say again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS, Column
from decknet.columns.dates import DATED
from decknet.ingest import values
from decknet.ingest.coded import filled, is_coded, once, spelled
from decknet.ingest.recognise import Claim

if TYPE_CHECKING:
    from decknet.ingest.register import Register
    from decknet.ingest.rows import Bools, Found
    from decknet.ingest.table import Table

__all__ = [
    "clear_other_looks",
    "cleared_words",
    "complete",
    "corrects",
    "joined",
    "named_on_record",
    "take_clears",
    "tell_clears",
]

CLEAR = ("clear", "Clear", "CLEAR")  # the word by which a cell takes a value off the record
BESIDE = dict.fromkeys(("bridge", "deck"), ("bridge", "deck", "traffic", "rating", "condition"))
# Of these a row may name what is on record by its own number, and say only what is new of it.
_NAMED = ("survey", "repair", "closing", "defect", "traffic")


def take_clears(rows: Found, kind: str, register: Register) -> None:
    """Note the cells that read ``clear``, and empty them; only where records of the kind are stored."""
    known = frozenset() if register.known is None else register.known.kinds
    kinds = [k for k in BESIDE.get(kind, (kind,)) if k in known and k in RECORDS]
    open_ = {
        c.name for k in kinds for c in RECORDS[k].columns if not c.required and c.name not in RECORDS[k].key
    }  # fmt: skip
    empty = {}
    for name, claim in rows.claims.items():
        if name not in open_ or claim.index < 0 or claim.rank == 9:
            continue
        body = rows.table.cells[claim.index]
        codes, seen = once(body) if is_coded(body) else (np.arange(rows.n), body)
        said = values.clean(seen).isin(CLEAR).to_numpy(dtype=bool)
        if said.any():
            rows.clears[name] = np.append(said, False)[codes]
            empty[claim.index] = filled(body, rows.clears[name], "")
    if empty:
        rows.table = replace(rows.table, cells=rows.table.cells.copy())
        for index, body in empty.items():
            rows.table.cells[index] = body


def cleared_words(rows: Found, kind: str, columns: dict[str, Any], where: Bools) -> pd.Series | None:
    """The columns that rows take off the record, split by spaces; None where none does. Each is told.

    A word in a column of text of a row that is not on record is the text itself, and is put back.
    """
    names = [n for n in RECORDS[kind].names() if n in rows.clears]
    some = np.zeros(rows.n, dtype=bool)
    for name in names:
        some |= rows.clears[name] & where
    quiet = {n: m & where for (k, n), m in rows.other_looks.items() if k == kind}
    for mask in quiet.values():
        some |= mask
    if not some.any():
        return None
    at = np.flatnonzero(some)
    held = on_record(rows.register, kind, columns, at)
    out = np.full(rows.n, None, dtype=object)
    for i, before in zip(at.tolist(), held, strict=True):
        gone = [n for n, mask in quiet.items() if mask[i]]
        for name in names:
            if not rows.clears[name][i]:
                continue
            if before is not None and not _is_missing(before[name]):
                gone.append(name)
                rows.cleared_at.setdefault(name, {})[i] = _said(before[name])
            elif before is None and rows.claims[name].column.kind == "text" and columns.get(name) is not None:
                columns[name] = pd.Series(columns[name]).astype("object")
                columns[name].iloc[i] = str(rows.raw_cell(name, i)).strip()
                rows.cleared_at.setdefault(name, {})[i] = ""
        out[i] = " ".join(dict.fromkeys(gone)) or None
    return pd.Series(pd.array(out, dtype="str"))


def tell_clears(rows: Found) -> None:
    """Say what was taken off the record, and where there was nothing to take off."""
    for name, mask in rows.clears.items():
        done = rows.cleared_at.get(name, {})
        rule = {i: f"{name} {value} is taken off the record" for i, value in done.items() if value}
        rows.fault(list(rule), name, "F-CLEARED", rule, "Nothing, if that is meant.")
        rest = [int(i) for i in np.flatnonzero(mask & rows.live) if i not in done]
        rows.fault(rest, name, "F-NOTHING-CLEARED", f"no {name} of it is on record, so there is nothing to clear",
                   "Leave the cell empty.")  # fmt: skip


def clear_other_looks(rows: Found, survey: pd.Series, register: Register, columns: dict[str, Any]) -> None:
    """What a survey on record looked at is said in one way: a row that says it in another takes the older way off."""
    if register.known is None or "survey" not in register.known.kinds:
        return
    strip = ("from_station_m", "to_station_m", "from_offset_m", "to_offset_m")
    given = {n: np.zeros(rows.n, dtype=bool) if columns.get(n) is None else pd.notna(pd.Series(columns[n])).to_numpy()
             for n in (*strip, "coverage", "looked_at")}  # fmt: skip
    ways = {n: given[n] for n in ("coverage", "looked_at")}
    ways["strip"] = np.logical_or.reduce([given[n] for n in strip])
    any_ = np.logical_or.reduce(list(ways.values()))
    if not any_.any():
        return
    any_ &= register.survey_frame().index.get_indexer(pd.Index(survey)) >= 0
    for way, said in ways.items():
        for name in strip if way == "strip" else (way,):
            if (mask := any_ & ~said).any():
                rows.other_looks["survey", name] = mask


def corrects(kind: str, table: Table, claims: dict[str, Claim], register: Register) -> bool:
    """Whether a table names records of a kind that are stored by their own numbers, and so need not say all of them."""
    if kind not in _NAMED or not all(k in claims for k in RECORDS[kind].key):
        return False
    held = register.held(kind)
    if held is None:
        return False
    first = RECORDS[kind].key[0]
    return bool(values.clean(table.cells[claims[first].index]).isin(held[first]).any())


def complete(rows: Found, kind: str, register: Register) -> None:
    """Fill what a record needs and a row leaves out, where the row names a record that is stored; it is as it was."""
    stored = frozenset() if register.known is None else register.known.kinds
    if kind not in _NAMED or kind not in stored or not all(k in rows.claims for k in RECORDS[kind].key):
        return
    need = [c for c in RECORDS[kind].columns if c.required and c.name not in RECORDS[kind].key]
    if rows.has("bridge_id"):
        need = [c for c in need if c.name != "deck_id"]
    lacking = {c.name: _empty(rows, c) for c in need}
    lacking = {n: mask for n, mask in lacking.items() if mask.any()}
    if not lacking or (held := register.held(kind)) is None:
        return
    at = np.flatnonzero(np.logical_or.reduce(list(lacking.values())))
    keys = {k: _plain(rows, k, at) for k in RECORDS[kind].key}
    found = on_record_of(held, kind, keys)
    known = np.array([f is not None for f in found], dtype=bool)
    rows.on_record[at[known]] = True
    if lost := [n for n in lacking if n not in rows.claims]:
        names = {int(i): " ".join(str(k.iloc[j]) for k in keys.values()) for j, i in enumerate(at.tolist())}
        what, some = kind.replace("_", " "), at[~known]
        rule = {i: f"no {what} {names[i]} is on record, and the table does not give {', '.join(lost)}"
                for i in some.tolist()}  # fmt: skip
        rows.fault(some, RECORDS[kind].key[-1], "R-NOT-ON-RECORD", rule, "Correct the number, or give the rest.")
        rows.out[some] = True
    for name, mask in lacking.items():
        column = next(c for c in need if c.name == name)
        text = pd.Series([""] * rows.n, dtype="object")
        text.iloc[at[known]] = [_said(f[name]) for f in found if f is not None]
        _put(rows, column, mask & rows.on_record, text.astype("str"))


def joined(rows: Found, kind: str, ids: pd.Series, columns: dict[str, Any], register: Register) -> pd.Series:
    """Numbers made for surveys or repairs that give none, those on record put in their place where they are the same.

    A row is taken for a record of the same deck and day (and treatment) where there is one such record and one such
    row, and the two contradict each other in nothing; so a correction without a number does not double a record.
    """
    number, day = RECORDS[kind].key[0], DATED[kind]
    given, stored = rows.ids(number), frozenset() if register.known is None else register.known.kinds
    bare = rows.live & (True if given is None else (given == "").to_numpy(dtype=bool))
    if kind not in stored or not bare.any():
        return ids
    by = ["deck_id", day, *(["treatment"] if kind == "repair" else [])]
    own = pd.DataFrame({n: pd.Series(columns[n]).reset_index(drop=True) for n in by}).assign(at=np.arange(rows.n))[bare]
    near = register.survey_frame().reset_index() if kind == "survey" else register.held(kind)
    if near is None:
        return ids
    own, near = own[~own.duplicated(by, keep=False)], near[~near.duplicated(by, keep=False)]
    both = own.merge(near[[*by, number]], on=by)
    both = both[both[number].to_numpy() != ids.iloc[both["at"]].to_numpy()]
    held = register.held(kind) if len(both) else None
    if held is None:
        return ids
    of = held.set_index(number)
    rest = [n for n in RECORDS[kind].names() if n != number and columns.get(n) is not None]
    found = {
        int(i): name
        for i, name in zip(both["at"], both[number], strict=True)
        if name in of.index and all(_agree(pd.Series(columns[n]).iloc[i], of.loc[name, n]) for n in rest)
    }
    rule = {i: f"taken for {kind} {name}, on record of that deck and day, which it contradicts in nothing"
            for i, name in found.items()}  # fmt: skip
    rows.fault(list(rule), "", "F-JOINED", rule, f"Give it a {number} of its own, if it is another one.", value="")
    out = ids.astype("object")
    out.iloc[list(found)] = list(found.values())
    return out.astype("str")


def _agree(one: Any, other: Any) -> bool:
    """Whether two values are the same, or one of them is not given."""
    if _is_missing(one) or _is_missing(other):
        return True
    if hasattr(one, "geom_type") or hasattr(other, "geom_type"):
        return bool(getattr(one, "equals", lambda _: False)(other))
    return _said(one).casefold() == _said(other).casefold()


def named_on_record(rows: Found, where: Bools) -> Bools:
    """Which of some rows name a record that is stored by its own number."""
    out = np.zeros(rows.n, dtype=bool)
    at = np.flatnonzero(where)
    if not len(at) or rows.register is None or rows.kind not in _NAMED or not rows.has(*RECORDS[rows.kind].key):
        return out
    held = rows.register.held(rows.kind)
    if held is not None:
        keys = {k: _plain(rows, k, at) for k in RECORDS[rows.kind].key}
        out[at] = [found is not None for found in on_record_of(held, rows.kind, keys)]
    return out


def _empty(rows: Found, column: Column) -> Bools:
    found = rows.cells(column.name)
    return np.ones(rows.n, dtype=bool) if found is None else values.is_missing(found)


def _plain(rows: Found, name: str, at: np.ndarray[Any, Any]) -> pd.Series:
    """Numbers of some rows as text, a whole number without its point."""
    of = rows.claims[name].column
    text = rows.ids(name) if of.kind == "id" else spelled(rows.cells(name))
    assert text is not None  # noqa: S101
    return text.iloc[at].reset_index(drop=True)


def _put(rows: Found, column: Column, where: Bools, text: pd.Series) -> None:
    """Put text into the empty cells of a column, which is added where the table has none."""
    if column.name not in rows.claims:
        index = len(rows.table.headers)
        added = rows.table.added + 1
        rows.table = replace(rows.table.with_values({column.name: ""}), added=added)
        rows.claims[column.name] = Claim(index, column.name, column, "", 1.0, 0.0, "", "stated for every row", 9)
        rows.said[column.name] = "as on record"
    index = rows.claims[column.name].index
    cells = rows.table.cells.copy()
    body = spelled(cells[index])
    cells[index] = body.where(~where, text.to_numpy())
    rows.table = replace(rows.table, cells=cells)


def on_record(register: Register | None, kind: str, columns: dict[str, Any], at: np.ndarray[Any, Any]) -> list[Any]:
    """The stored record of each of some rows, by their finished keys; None where there is none."""
    held = None if register is None else register.held(kind)
    if held is None:
        return [None] * len(at)
    keys = {k: pd.Series(columns[k]).iloc[at].reset_index(drop=True) for k in RECORDS[kind].key}
    return on_record_of(held, kind, keys)


def on_record_of(held: pd.DataFrame, kind: str, keys: dict[str, pd.Series]) -> list[Any]:
    """Rows of what is held by key, in the order of the keys asked for."""
    first = RECORDS[kind].key[0]
    held = held[held[first].isin(keys[first])]
    where = {key: i for i, key in enumerate(zip(*(_key(held[k]) for k in RECORDS[kind].key), strict=True))}
    asked = zip(*(_key(series) for series in keys.values()), strict=True)
    return [None if (i := where.get(key)) is None else held.iloc[i] for key in asked]


def _key(column: pd.Series) -> list[str]:
    return [_said(v) for v in column]


def _is_missing(value: Any) -> bool:
    return value is None or (not hasattr(value, "geom_type") and bool(pd.isna(value)))


def _said(value: Any) -> str:
    """A value as a file would write it."""
    if _is_missing(value):
        return ""
    if hasattr(value, "geom_type"):
        return f"drawn, {value.area:.2f} m2" if value.area else "drawn"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, (float, np.floating)):
        return f"{value:.12g}"
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    text = str(value)
    return text.removesuffix(".0") if text.removesuffix(".0").isdigit() else text

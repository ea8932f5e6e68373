"""Which revision of its file a row is of, and rows older than what is on record."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS, normal
from decknet.ingest import values
from decknet.ingest.coded import spelled

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decknet.ingest.rows import Bools, Found

__all__ = ["INSPECTED", "of_revision", "older_than", "tell_older"]

# Headers of a day of inspection; in the form ``columns.normal`` gives.
INSPECTED = frozenset(
    {
        "inspection date", "date of inspection", "inspected", "inspected on", "inspection", "inspection year",
        "date of last inspection", "yearinspected", "insp date", "insp year", "date inspected", "prüfdatum",
        "datum der prüfung", "hauptprüfung",
        "date d inspection", "date de visite", "fecha de inspección", "fecha inspección", "data ispezione",
        "data da inspeção", "inspectiedatum", "inspektionsdato", "inspeksjonsdato", "点検年度", "点検年",
    }
)  # fmt: skip
_REVISION = frozenset({"revision", "rev", "rev no", "revision no", "revision letter", "rev letter", "issue no"})
_ISSUED = frozenset({"issued", "issued on", "issue date", "date of issue", "date issued", "revision date", "rev date"})
_OWN_RULES = ("national", "successor", "elements", "grid")  # layouts that say themselves which is the later one
_REV = re.compile(r"\brev(?:ision)?\s*(?:no|letter)?\s*[:#]?\s*([a-z]|[0-9]{1,3})\b", re.IGNORECASE)
_DAY = (
    r"([0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{2,4}|[0-9]{1,2}\.? [^\W\d]{3,10}\.? [0-9]{4}|"
    r"[^\W\d]{3,10}\.? [0-9]{1,2},? [0-9]{4})"
)
_OF = {
    "issued": re.compile(rf"\b(?:issued?|date of issue|as of|dated)\b[^0-9\w]*(?:on |date |of )?[^\w]*{_DAY}", re.I),
    "inspected": re.compile(rf"\b(?:inspected|date of inspection|inspection date)\b[^\w]*(?:on )?{_DAY}", re.I),
}


def _spaced(text: str) -> str:
    return re.sub(r"[_\-]+", " ", text)


def _said_above(rows: Found) -> dict[str, Any]:
    """What the lines above the header say; a revision also the name of the sheet or file."""
    lines = [*rows.table.title, rows.table.sheet, re.sub(r"\.[A-Za-z0-9]+$", "", rows.file)]
    out: dict[str, Any] = {
        "revision": next((m[1].upper() for line in lines if (m := _REV.search(_spaced(line)))), None)
    }
    for what, pattern in _OF.items():
        out[what] = None
        for found in filter(None, map(pattern.search, rows.table.title)):
            day = values.days(pd.Series([found[1]], dtype="str"), rows.stated.dates, rows.today.year)
            if day.order != "either" and not day.bad[0]:
                out[what] = day.value[0]
    return out


def _columns(rows: Found) -> dict[str, Any]:
    """Revision, day of issue and day of inspection of each row; a column before what stands above it."""
    taken = {c.index for c in rows.claims.values() if c.rank != 9}
    heads = {normal(h): i for i, h in reversed(list(enumerate(rows.table.headers))) if h and i not in taken}
    above = _said_above(rows)
    out: dict[str, Any] = {"revision": None, "issued": None, "inspected": None}
    if (at := next((heads[h] for h in heads if h in _REVISION), None)) is not None:
        out["revision"] = spelled(values.clean(rows.table.cells[at])).str.upper().mask(lambda text: text == "")
        rows.also[at] = ("revision", "revision of the row")
    elif above["revision"]:
        out["revision"] = pd.Series([above["revision"]] * rows.n, dtype="str")
    for what, known in (("issued", _ISSUED), ("inspected", INSPECTED)):
        if what == "inspected" and rows.kind not in ("bridge", "deck"):
            continue  # of a survey or repair its own day tells
        at = next((heads[h] for h in heads if h.removeprefix("bridge ").removeprefix("last ") in known), None)
        if at is not None:
            found = values.days(spelled(rows.table.cells[at]), rows.stated.dates, rows.today.year)
            if found.order not in ("either", "neither") and not np.isnat(found.value).all():
                out[what] = found.value
                rows.also.setdefault(at, (what, "by which the newer of two rows is told"))
        elif above[what] is not None:
            out[what] = np.full(rows.n, above[what], dtype="datetime64[us]")
    return out


def of_revision(rows: Found, kind: str, columns: Mapping[str, Any], stand: Bools) -> dict[str, Any]:
    """Revision and days of issue and inspection of each row, to be kept with its record.

    Rows older than what is on record are noted.

    Parameters
    ----------
    rows : Found
    kind : str
        Of the records made.
    columns : dict
        Those of the record, the key among them.
    stand : array of bool, shape (n,)
        Rows that give a record of the kind.
    """
    if rows.register is None or rows.kind in _OWN_RULES:
        return {}
    if rows.version is None:
        rows.version = _columns(rows)
    if all(v is None for v in rows.version.values()):
        return {}
    held, names = rows.register.versions(kind), list(rows.version)
    if held is not None and len(held := held[held[names].notna().any(axis=1)]):
        there = held[names].assign(key=_keys(kind, held).to_numpy())
        both = pd.DataFrame({"key": _keys(kind, columns)}).merge(there, on="key", how="left")
        old, why = older_than(rows.version, both)
        rows.older[kind] = old & stand
        rows.why_older.update({i: why[i] for i in np.flatnonzero(old & stand).tolist()})
    return rows.version


def older_than(own: Mapping[str, Any], held: pd.DataFrame) -> tuple[Bools, dict[int, str]]:
    """Which rows are older than what is on record, and why; what cannot be compared is not older.

    The day of issue tells before the day of inspection, and that before the revision: letters follow each other as A,
    B … Z, AA, numbers as numbers.

    Parameters
    ----------
    own : mapping of ``revision``, ``issued`` and ``inspected`` to values, each of shape (n,), or None
    held : DataFrame, shape (n, 3)
        The same of what is on record.

    Examples
    --------
    >>> held = pd.DataFrame({"revision": ["C", "10", "3"], "issued": pd.NaT, "inspected": pd.NaT})
    >>> older_than({"revision": pd.Series(["B", "9", "C"]), "issued": None, "inspected": None}, held)[0].tolist()
    [True, True, False]
    """
    n = len(held)
    old, open_ = np.zeros(n, dtype=bool), np.ones(n, dtype=bool)
    why: dict[int, str] = {}
    for what, said in (("issued", "was issued on"), ("inspected", "tells of the inspection of")):
        if own.get(what) is None:
            continue
        new, before = (np.asarray(v, dtype="datetime64[D]") for v in (own[what], held[what].to_numpy("datetime64[us]")))
        later = open_ & (new < before)
        why.update(
            {i: f"it {said} {new[i]}, and what is on record {said} {before[i]}" for i in np.flatnonzero(later).tolist()}
        )
        old |= later
        open_ &= np.isnat(new) | np.isnat(before) | (new == before)
    if own.get("revision") is None:
        return old, why
    seen: dict[tuple[str, str], bool] = {}
    at = np.flatnonzero(open_ & (own["revision"].notna() & held["revision"].notna()).to_numpy(dtype=bool))
    for i, pair in zip(at.tolist(), zip(own["revision"].iloc[at], held["revision"].iloc[at], strict=True), strict=True):
        if pair not in seen:
            (one, a), (other, b) = _order(pair[0]), _order(pair[1])
            seen[pair] = one == other and a < b
        if seen[pair]:
            old[i], why[i] = True, f"it is of revision {pair[0]}, and revision {pair[1]} is on record"
    return old, why


def _order(revision: str) -> tuple[str, tuple[int, str]]:
    """A revision's own series, and its place in it."""
    text = revision.strip().upper()
    if text.isdigit():
        return "number", (int(text), "")
    return ("letter", (len(text), text)) if text.isalpha() else ("other " + text, (0, ""))


def _keys(kind: str, columns: Any) -> pd.Series:
    """The key of each row as one text."""
    parts = []
    for name in RECORDS[kind].key:
        held = pd.Series(columns[name]).reset_index(drop=True)
        if held.dtype.kind == "M":
            held = held.dt.strftime("%Y-%m-%d")
        elif held.dtype.kind in "fiu":
            held = held.astype("Float64").astype("Int64")
        parts.append(held.astype("str").fillna(""))
    out = parts[0]
    for part in parts[1:]:
        out = out + "|" + part
    return out


def tell_older(rows: Found) -> None:
    """Set aside rows that are older than what is on record and add nothing; say of the others what is added."""
    if not rows.older:
        return
    old = np.logical_or.reduce(list(rows.older.values())) & rows.live
    remedy = "Nothing, if that is right. To go back to it, take the newer intake back first (decknet undo)."
    for where, code, more in (
        (old & ~rows.kept, "S-OLD-REVISION", "; an older one never replaces it"),
        (old & rows.kept, "F-OLD-REVISION", "; of this row only what is not on record is added"),
    ):
        rule = {int(i): rows.why_older[int(i)] + more for i in np.flatnonzero(where)}
        rows.fault(list(rule), "", code, rule, remedy, value="")

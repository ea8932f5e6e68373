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
        "date of last inspection", "yearinspected", "insp date", "insp year", "date inspected", "prüfdatum", "datum der prüfung", "hauptprüfung",
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


def _said_above(rows: Found) -> tuple[str, np.datetime64 | None]:
    """Revision and day of issue that the lines above the header, the sheet's name or the file's name say."""
    lines = [*rows.table.title, rows.table.sheet, re.sub(r"\.[A-Za-z0-9]+$", "", rows.file)]
    revision = next((m[1].upper() for line in lines if (m := _REV.search(_spaced(line)))), "")
    for what in ("issued", "inspected") if rows.kind in ("bridge", "deck") else ("issued",):
        for line in rows.table.title:
            found = _OF[what].search(line)
            if found is None:
                continue
            day = values.days(pd.Series([found[1]], dtype="str"), rows.stated.dates, rows.today.year)
            if day.order != "either" and not day.bad[0]:
                return revision, day.value[0]
    return revision, None


def _columns(rows: Found) -> dict[str, Any]:
    """Revision and day of issue of each row; a column before what stands above it."""
    taken = {c.index for name, c in rows.claims.items() if c.rank != 9}
    heads = {normal(h): i for i, h in reversed(list(enumerate(rows.table.headers))) if h and i not in taken}
    revision, issued = _said_above(rows)
    out: dict[str, Any] = {"revision": None, "issued": None}
    if (at := next((heads[h] for h in heads if h in _REVISION), None)) is not None:
        out["revision"] = spelled(values.clean(rows.table.cells[at])).str.upper()
        rows.also[at] = ("revision", "revision of the row")
    elif revision:
        out["revision"] = pd.Series([revision] * rows.n, dtype="str")
    known = _ISSUED if rows.kind not in ("bridge", "deck") else _ISSUED | INSPECTED
    at = next((heads[h] for h in heads if h.removeprefix("bridge ").removeprefix("last ") in known), None)
    if at is not None:
        found = values.days(spelled(rows.table.cells[at]), rows.stated.dates, rows.today.year)
        if found.order not in ("either", "neither") and not np.isnat(found.value).all():
            out["issued"] = found.value
            rows.also.setdefault(at, ("issued", "day of issue or inspection of the row"))
    elif issued is not None:
        out["issued"] = np.full(rows.n, issued, dtype="datetime64[us]")
    return out


def of_revision(rows: Found, kind: str, columns: Mapping[str, Any], stand: Bools) -> dict[str, Any]:
    """Revision and day of issue of each row, to be kept with its record; rows older than what is on record are noted.

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
    held = rows.register.versions(kind)
    if held is not None and len(held := held[held["revision"].notna() | held["issued"].notna()]):
        own = pd.DataFrame({"key": _keys(kind, columns)})
        there = pd.DataFrame({"key": _keys(kind, held), "revision": held["revision"], "issued": held["issued"]})
        both = own.merge(there, on="key", how="left")
        none = pd.Series([None] * rows.n, dtype="str")
        revision = none if rows.version["revision"] is None else rows.version["revision"]
        issued = np.full(rows.n, "NaT", "datetime64[us]") if rows.version["issued"] is None else rows.version["issued"]
        old, why = older_than(revision, issued, both["revision"], both["issued"].to_numpy("datetime64[us]"))
        rows.older[kind] = old & stand
        rows.why_older.update({i: why[i] for i in np.flatnonzero(old & stand).tolist()})
    return rows.version


def older_than(revision: pd.Series, issued: Any, held: pd.Series, held_on: Any) -> tuple[Bools, dict[int, str]]:
    """Which rows are older than what is on record, and why; what cannot be compared is not older.

    A day of issue tells before a revision does; letters follow each other as A, B … Z, AA, and numbers as numbers.

    Examples
    --------
    >>> none = np.array(["NaT"] * 3, "datetime64[us]")
    >>> new, old = pd.Series(["B", "9", "C"], dtype="str"), pd.Series(["C", "10", "3"], dtype="str")
    >>> older_than(new, none, old, none)[0].tolist()
    [True, True, False]
    """
    issued, held_on = np.asarray(issued, "datetime64[D]"), np.asarray(held_on, "datetime64[D]")
    by_day = issued < held_on
    open_ = np.isnat(issued) | np.isnat(held_on) | (issued == held_on)
    at = np.flatnonzero(open_ & (revision.notna() & held.notna()).to_numpy(dtype=bool))
    by_letter = np.zeros(len(issued), dtype=bool)
    seen: dict[tuple[str, str], bool] = {}
    for i, pair in zip(at.tolist(), zip(revision.iloc[at], held.iloc[at], strict=True), strict=True):
        if pair not in seen:
            (one, a), (other, b) = _order(pair[0]), _order(pair[1])
            seen[pair] = one == other and a < b
        by_letter[i] = seen[pair]
    why = {
        i: f"it is of {issued[i]}, and what is on record is of {held_on[i]}" for i in np.flatnonzero(by_day).tolist()
    }
    for i in np.flatnonzero(by_letter).tolist():
        why[i] = f"it is of revision {revision.iloc[i]}, and revision {held.iloc[i]} is on record"
    return by_day | by_letter, why


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

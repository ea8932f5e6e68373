"""Rows among defects that draw what a survey looked at: they belong to their survey, and are no defects."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import normal
from decknet.ingest import defects, looks
from decknet.ingest.checks import record_frame
from decknet.ingest.coded import once
from decknet.ingest.kinds import COVERAGE_WORDS, is_coverage

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Rows
    from decknet.ingest.recognise import Claim
    from decknet.ingest.register import Register
    from decknet.ingest.table import Table

__all__ = ["check_coverage", "split_coverage"]

Pieces = list[tuple[str, "Table", "dict[str, Claim]", "dict[int, str]"]]


def split_coverage(found: Pieces) -> Pieces:
    """Tables of defects with the rows that draw what was looked at as tables of their own, before them."""
    out: Pieces = []
    for what, table, claims, unused in found:
        if what != "defect":
            out.append((what, table, claims, unused))
            continue
        drawn = _drawn(table, claims)
        if drawn.any():
            out.append(("coverage", _some(table, drawn), claims, {}))
        if not drawn.all() or not len(drawn):
            out.append((what, _some(table, ~drawn) if drawn.any() else table, claims, unused))
    return out


def _drawn(table: Table, claims: dict[str, Claim]) -> Bools:
    claim = claims.get("kind")
    if claim is None:
        return np.full(len(table.cells), is_coverage(table.name), dtype=bool)
    codes, seen = once(table.cells[claim.index])
    known = np.array([normal(str(word)) in COVERAGE_WORDS for word in seen] + [False], dtype=bool)
    out: Bools = known[codes]
    return out


def _some(table: Table, which: Bools) -> Table:
    """Some rows of a table."""
    at = np.flatnonzero(which)
    new = {int(old): n for n, old in enumerate(at)}
    return replace(
        table, cells=table.cells.iloc[at].reset_index(drop=True), line=table.line[at],
        typed=None if table.typed is None else table.typed[at], shape=None if table.shape is None else table.shape[at],
        odd=[(new[o[0]], *o[1:]) for o in table.odd if o[0] in new], notes=[],
    )  # fmt: skip


def check_coverage(rows: Rows, register: Register, parts: dict[str, list[pd.DataFrame]]) -> dict[str, pd.DataFrame]:
    """What surveys looked at, drawn; put into the surveys of the file, else into those of the store.

    Parameters
    ----------
    rows : Rows
    register : Register
    parts : dict of kind to list of DataFrame
        Records of the file so far; coverage is put into its surveys in place.

    Returns
    -------
    dict of kind to DataFrame
        Surveys that were on record, or that are made for want of one, with their coverage.
    """
    survey, deck, day = defects.named_surveys(rows, register)
    size = register.size(deck)
    rows.in_time("survey_date", day, size["year"].to_numpy())
    shapes_, lost = looks.drawn_coverage(rows, "shape", deck, size, register)
    held = rows.live & (shapes_ != None)  # noqa: E711
    gone = rows.live & lost
    new, out = defects.made_surveys(rows, register, survey, deck, day)
    each: dict[str, Any] = {
        str(name): shapely.union_all(shapes_[held][group]) for name, group in _groups(survey[held]).items()
    }
    each |= {str(name): None for name in survey[gone] if str(name) not in each}
    if out is not None:
        made = out.copy()
        _put(made, each)
        new_ids = set(made["survey_id"])
    else:
        made, new_ids = None, set()
    there = set(new_ids)
    for frame in parts.get("survey", []):
        there |= set(frame["survey_id"])
        _put(frame, each)
    frames = [] if made is None else [made]
    rest = [name for name in each if name not in there]
    first = pd.Series(np.arange(rows.n))[rows.live].groupby(survey[rows.live].to_numpy()).first()
    if rest:
        whole = register.looks().loc[rest].reset_index()
        at = first.reindex(rest).to_numpy(dtype=np.int64)
        columns = {n: whole[n].to_numpy(dtype=object) if n == "coverage" else whole[n] for n in whole}
        corrected = record_frame("survey", columns, rows.table.sheet, rows.table.line[at])
        _put(corrected, each)
        drawn = corrected["survey_id"].map(lambda name: each[name] is not None).astype(bool)
        frames.append(corrected.assign(cleared=pd.Series("looked_at", corrected.index, dtype="str").where(drawn)))
        new[at] = True
    for frame in frames:
        register.look_rows.append(frame)
    register.look_rows.extend(parts.get("survey", []))
    rows.kept |= new
    rule = "it draws what was looked at, and is kept with its survey"
    rows.fault(rows.live & ~new, "kind" if rows.has("kind") else "", "S-COVERAGE", rule, "Nothing.")
    return {"survey": pd.concat(frames, ignore_index=True)} if frames else {}


def _groups(names: pd.Series) -> dict[Any, Any]:
    """Positions of each name."""
    plain = names.reset_index(drop=True)
    return {name: index.to_numpy() for name, index in plain.groupby(plain).groups.items()}


def _put(frame: pd.DataFrame, each: dict[str, Any]) -> None:
    """Coverage into surveys; of one whose drawing cannot be used, that it was a part, where nothing else says more."""
    drawn = frame["coverage"].to_numpy(dtype=object).copy()
    looked = frame["looked_at"].astype("object")
    bare = frame[[n for n in looks.LOOK if n not in ("coverage", "looked_at")]].isna().all(axis=1).to_numpy(dtype=bool)
    for i, name in enumerate(frame["survey_id"]):
        if name not in each:
            continue
        if each[name] is not None:
            drawn[i] = each[name] if drawn[i] is None else shapely.union_all([drawn[i], each[name]])
            looked.iloc[i] = None
        elif drawn[i] is None and bare[i] and pd.isna(looked.iloc[i]):
            looked.iloc[i] = looks.UNREADABLE
    frame["coverage"] = pd.Series(drawn, index=frame.index, dtype=object)
    frame["looked_at"] = looked.astype("str")

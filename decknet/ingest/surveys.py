"""Surveys: one row, one survey of one deck, with the totals found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.ingest import looks, measures
from decknet.ingest.coded import Codes, numbered, once, spread
from decknet.ingest.corrections import clear_other_looks, joined
from decknet.ingest.recognise import TOTALS
from decknet.ingest.tongues import METHOD_WORDS

if TYPE_CHECKING:
    from decknet.ingest.checks import Floats, Rows
    from decknet.ingest.register import Answer, Register

__all__ = ["check_surveys", "deck_and_size", "deck_m2", "larger"]

OVER = 1.005  # a total may pass the deck's area by rounding of length and width


def deck_m2(size: pd.DataFrame) -> Floats:
    """Area of decks, m², NaN where length or width is not known."""
    out: Floats = (size["length_m"] * size["width_m"]).to_numpy(dtype=float)
    return out


def deck_and_size(rows: Rows, register: Register) -> tuple[pd.Series, pd.DataFrame]:
    """The deck of each row, named by deck or by bridge, and its length, width and year of building."""
    codes, deck, size = _decks(rows, register)
    return spread(deck, codes), size


def find_decks(rows: Rows, register: Register) -> tuple[Codes, Answer]:
    """The decks that rows name by deck or by bridge: each way of naming one asked once.

    Returns
    -------
    codes : array of int, shape (n,)
        Which of the answers holds for each row.
    answer : Answer
        Ids of the decks, shape (k,); faults and flags by row.
    """
    given = [rows.coded_ids(name) for name in ("deck_id", "bridge_id")]
    parts = [None if ids is None else once(ids) for ids in given]
    held = [(codes, len(seen)) for codes, seen in (p for p in parts if p is not None)]
    if len(held) == 1:
        codes = held[0][0]
        asked = [None if p is None else p[1] for p in parts]
    elif held:
        codes, pairs = pd.factorize(numbered(held)[0])
        first = np.empty(len(pairs), dtype=np.int64)
        first[codes[::-1]] = np.arange(rows.n - 1, -1, -1)
        asked = [p[1].take(p[0][first]).reset_index(drop=True) for p in parts if p is not None]
    else:
        codes, asked = np.zeros(rows.n, dtype=np.int64), [None, None]
    each = register.find_decks(asked[0], asked[1], len(next((a for a in asked if a is not None), codes[:1])))
    for said in (each.fault, each.flag):
        some = dict(said)
        there = np.zeros(len(each.ids), dtype=bool)
        there[list(some)] = True
        said.clear()
        said.update({int(i): some[int(codes[i])] for i in np.flatnonzero(there[codes])})
    return codes, each


def _decks(rows: Rows, register: Register) -> tuple[Codes, pd.Series, pd.DataFrame]:
    """Which deck each row names (-1 for none), the decks, and the size of the deck of each row."""
    codes, answer = find_decks(rows, register)
    rows.faults_of(answer, "deck_id" if rows.has("deck_id") else "bridge_id")
    size = register.size(answer.ids)
    of_rows = pd.DataFrame({n: size[n].to_numpy()[codes] for n in size}, copy=False)
    to, decks = pd.factorize(answer.ids)  # one deck may be named in several ways
    return to[codes], pd.Series(decks, dtype="str"), of_rows


def larger(rows: Rows, name: str, area: Floats | None, limit: Floats, decks: pd.Series, than: str) -> None:
    """Refuse areas larger than the deck, or than what was surveyed of it."""
    if area is None:
        return
    over = area > limit * OVER
    if not over.any():
        return
    rule, remedy = {}, {}
    for i in np.flatnonzero(over):
        rule[int(i)] = f"{area[i]:.6g} m2 exceeds the {limit[i]:.6g} m2 {than} (deck {decks.iloc[i]})"
        feet = area[i] * 0.09290304
        remedy[int(i)] = "Correct the figure or the deck's size." + (
            f" Was it square feet? That would be {feet:.1f} m2: state the unit." if feet <= limit[i] else ""
        )
    rows.fault(over, name, "R-LARGER-THAN-DECK", rule, remedy)


def check_surveys(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Surveys of one table; those kept are added to the register."""
    codes, names, size = _decks(rows, register)
    deck = spread(names, codes)
    area = deck_m2(size)
    measures.ask_for_origin(rows, size)
    rows.required("survey_date")
    day = rows.dates("survey_date")
    rows.in_time("survey_date", day, size["year"].to_numpy())
    columns: dict[str, Any] = {"deck_id": deck, "survey_date": day}
    columns["method"] = rows.choice("method", METHOD_WORDS)
    for name in ("crew", "remarks"):
        columns[name] = rows.cells(name)
    columns["surveyed_m2"] = rows.area("surveyed_m2", area)
    larger(rows, "surveyed_m2", columns["surveyed_m2"], area, deck, "of the deck")
    looks.add_looks(rows, columns, register, size, area)
    looked = _looked_before(rows, columns, register, _survey_ids(rows, deck, day, columns["method"]))
    surveyed = _surveyed(looked, register, codes, names, size)
    covered = area if surveyed is None else np.where(np.isnan(surveyed), area, surveyed)
    part = surveyed is not None and bool((~np.isnan(surveyed)).any())
    for name in TOTALS:
        columns[name] = rows.area(name, area, surveyed)
        larger(rows, name, columns[name], covered, deck, "surveyed" if part else "of the deck")
    _sum(rows, columns, covered, deck)
    given = [~np.isnan(columns[n]) for n in TOTALS if columns[n] is not None]
    none = ~np.logical_or.reduce(given) if given else np.ones(rows.n, dtype=bool)
    columns["survey_id"] = _survey_ids(rows, deck, day, columns["method"])
    columns["survey_id"] = joined(rows, "survey", columns["survey_id"], columns, register)
    clear_other_looks(rows, columns["survey_id"], register, columns)
    on_record = np.zeros(rows.n, dtype=bool)  # and whose totals stay, where the row gives none
    on_record[none] = register.survey_frame().index.get_indexer(pd.Index(columns["survey_id"][none])) >= 0
    rows.fault(
        none & rows.live & ~on_record,
        "",
        "F-NO-TOTALS",
        "the survey states no area at all; that is not the same as 0",
        "Give what was found, 0 included.",
        "flag",
        value="",
    )
    rows.conflicts(
        pd.DataFrame({"survey": columns["survey_id"]}, copy=False),
        "survey",
        "survey_id" if rows.has("survey_id") else "",
        "Keep the right line, or give each survey its own survey_id.",
        None if rows.has("survey_id") else _told_by(codes, len(names), day, columns["method"]),
    )
    kept = rows.records("survey", columns)
    register.add_surveys(kept)
    return {"survey": kept}


def _looked_before(rows: Rows, columns: dict[str, Any], register: Register, survey: pd.Series) -> dict[str, Any]:
    """What each survey looked at: as its row says, else, where shares of it are given, as is on record."""
    if not any(n in rows.claims and rows.claims[n].share_of for n in TOTALS):
        return columns
    bare = np.ones(rows.n, dtype=bool)
    for name in looks.LOOK:
        if columns.get(name) is not None:
            bare &= pd.isna(pd.Series(columns[name])).to_numpy(dtype=bool)
    bare &= register.survey_frame().index.get_indexer(pd.Index(survey)) >= 0
    if not bare.any():
        return columns
    held = register.looks().reindex(survey[bare])
    out = dict(columns)
    for name in looks.LOOK:
        drawn = name in ("coverage", "looked_at")
        now = out.get(name)
        filled = np.full(rows.n, None if drawn else np.nan, dtype=object if drawn else float)
        if now is not None:
            filled[:] = np.asarray(now, dtype=filled.dtype)
        filled[bare] = held[name].to_numpy(dtype=filled.dtype)
        out[name] = filled
    return out


def _surveyed(
    columns: dict[str, Any], register: Register, codes: Codes, decks: pd.Series, size: pd.DataFrame
) -> Floats | None:
    """Area that each survey looked at, m2: as stated, else that of its coverage or strip; NaN for the whole deck."""
    said = {name: columns.get(name) for name in looks.LOOK if columns.get(name) is not None}
    if not set(said) - {"looked_at"}:
        return None
    some = np.zeros(len(size), dtype=bool)
    for name, held in said.items():
        if name not in ("looked_at", "surveyed_m2"):
            some |= ~pd.isna(pd.Series(held)).to_numpy(dtype=bool)
    at = np.flatnonzero(some)
    used, of = np.unique(codes[at], return_inverse=True)
    outline = register.layout([str(decks.iloc[c]) for c in used[used >= 0]])["outline"].to_numpy(dtype=object)
    edges = looks.deck_edges(
        size["length_m"].to_numpy()[at], size["width_m"].to_numpy()[at],
        np.append([None] * int((used < 0).sum()), outline)[of],
    )  # fmt: skip
    out = np.full(len(size), np.nan)
    if columns.get("surveyed_m2") is not None:
        out = columns["surveyed_m2"].copy()
    out[at] = looks.covered_m2({name: np.asarray(held)[at] for name, held in said.items()}, edges)
    return out


def _sum(rows: Rows, columns: dict[str, Any], covered: Floats, deck: pd.Series) -> None:
    """Refuse delaminated and spalled areas that together exceed what was surveyed: they exclude each other."""
    pair = [columns[n] for n in ("delaminated_m2", "spalled_m2") if columns[n] is not None]
    if len(pair) < 2:
        return
    one, other = (np.where(np.isnan(p), 0.0, p) for p in pair)
    both, alone = one + other, np.maximum(one, other)
    over = (both > covered * OVER) & (alone <= covered * OVER)
    rule = {
        int(i): f"delaminated and spalled make {both[i]:.6g} m2, more than the {covered[i]:.6g} m2 surveyed "
        f"(deck {deck.iloc[i]})"
        for i in np.flatnonzero(over)
    }
    rows.fault(over, "delaminated_m2", "R-LARGER-THAN-DECK", rule, "Correct the figures or the deck's size.")


def _survey_ids(rows: Rows, deck: pd.Series, day: Any, method: pd.Series | None) -> pd.Series:
    how = spread(["survey"], np.zeros(rows.n, dtype=np.int8)) if method is None else method.fillna("survey")
    made = made_id(deck, day, how)
    given = rows.ids("survey_id")
    return made if given is None else given.where(given != "", made)


def made_id(deck: pd.Series, day: Any, last: pd.Series) -> pd.Series:
    """An id made of deck, day and a last word, split by bars."""
    import pyarrow as pa
    import pyarrow.compute as pc

    codes, seen = pd.factorize(np.asarray(day, "datetime64[D]"), use_na_sentinel=False)
    parts = (deck.fillna("?"), spread(np.datetime_as_string(seen), codes), last)
    joined = pc.binary_join_element_wise(*(pa.array(p.array) for p in parts), pa.scalar("|", pa.large_string()))
    return pd.Series(pd.array(joined, dtype="str"))


def _told_by(deck: Codes, decks: int, day: Any, method: pd.Series | None) -> tuple[Any, int]:
    """A number a row: the same for surveys of one deck, day and method, as in ``made_id``."""
    days = np.asarray(day, "datetime64[D]").astype(np.int64)
    known = ~np.isnat(day)
    first, last = (int(days[known].min()), int(days[known].max())) if known.any() else (0, 0)
    parts = [(deck, decks), (np.where(known, days - first, -1), last - first + 1)]
    if method is not None:
        how, seen = once(method)
        parts.append((how, len(seen)))
    key, size = numbered(parts)
    return key, size

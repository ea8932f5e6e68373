"""What each survey looked at: from strips, drawn coverage and words; and what was drawn beyond it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import normal
from decknet.ingest import shapes, values
from decknet.ingest.coded import once, spelled
from decknet.ingest.optional import tolerant
from decknet.ingest.recognise import ALSO, STRIP
from decknet.ingest.where import WHOLE, DeckFacts, Place, find_place, remark_of_part, says_whole

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows
    from decknet.ingest.register import Register

__all__ = [
    "BEYOND_M",
    "LOOK",
    "UNREADABLE",
    "add_looks",
    "beyond_m",
    "covered_m2",
    "deck_edges",
    "drawn_coverage",
    "flag_looks",
    "looks_drawn",
]

# The columns of a survey that say what it looked at.
LOOK = ("surveyed_m2", *STRIP, "coverage", "looked_at")
BEYOND_M = 0.1  # how far a defect may reach beyond what its survey looked at, as outlines are taped
UNREADABLE = "a part of the deck that could not be read"

_SHAPE = re.compile(
    r"(?:SRID=\d+;)?\s*(?:MULTI)?(?:POLYGON|SURFACE|LINESTRING|POINT|CURVE)|GEOMETRYCOLLECTION|0[01][0-9A-F]{16}"
)
_WHERE = "State from and to station and offset, or draw the coverage."


def deck_facts(register: Register, decks: list[str]) -> dict[str, DeckFacts]:
    """What is on record of places on decks, by deck."""
    layout = register.layout(decks)
    out = {}
    for deck, row in zip(decks, layout.itertuples(index=False), strict=True):
        left = right = None
        if row.outline is not None:
            left, right = (float(v) for v in shapely.bounds(row.outline)[[1, 3]])
        elif row.width_m == row.width_m:
            left, right = -row.width_m / 2, row.width_m / 2
        out[deck] = DeckFacts(
            float(row.length_m) if row.length_m == row.length_m else None,
            left, right, _whole(row.lanes), _whole(row.spans), _stations(row.joints_m),
        )  # fmt: skip
    return out


def _whole(value: Any) -> int | None:
    return None if value is None or value is pd.NA or value != value else int(value)


def _stations(text: Any) -> tuple[float, ...]:
    try:
        return tuple(float(t) for t in str(text).replace(",", ".").split()) if isinstance(text, str) else ()
    except ValueError:
        return ()


# ---- what a survey's row says ---------------------------------------------------------------------


def add_looks(rows: Rows, columns: dict[str, Any], register: Register, size: pd.DataFrame, area: Floats) -> None:
    """Strip, coverage and words of surveys, put into their columns.

    Parameters
    ----------
    rows : Rows
    columns : dict
        Columns of the survey so far: ``deck_id``, ``remarks``, ``surveyed_m2``; the others are added.
    register : Register
    size : DataFrame
        Length and width of the deck of each row.
    area : array of float, shape (n,), m2
        Area of the deck of each row.
    """
    edges, unread = _strip(rows, size)
    words = _words(rows)
    drawn, lost = drawn_coverage(rows, "coverage", columns["deck_id"], size, register, words)
    unread |= lost
    _out_of_words(rows, columns, edges, drawn, words, register, area)
    looked = np.full(rows.n, None, dtype=object)
    held = [i for i, said in enumerate(words) if said]
    looked[held] = [words[i] for i in held]
    placed = drawn != None  # noqa: E711
    for a, b in (STRIP[:2], STRIP[2:]):
        placed |= ~np.isnan(edges[a] + edges[b]) if a in edges and b in edges else False
    looked[unread & ~placed & (looked == None)] = UNREADABLE  # noqa: E711
    columns.update(edges)
    if placed.any() or "coverage" in columns:
        columns["coverage"] = drawn if (drawn != None).any() else None  # noqa: E711
    columns["looked_at"] = pd.Series(pd.array(looked, dtype="str")) if (looked != None).any() else None  # noqa: E711


def _strip(rows: Rows, size: pd.DataFrame) -> tuple[dict[str, Floats], Bools]:
    """The strips stated, and which rows state one that cannot be used; what is wrong with it is flagged."""
    unread = np.zeros(rows.n, dtype=bool)
    if not any(rows.has(n) for n in STRIP):
        return {}, unread
    edges, unread = tolerant(rows, lambda: shapes.strip(rows), "it is left out")
    edges = {name: np.where(unread, np.nan, value) for name, value in edges.items()}
    for a, b in (STRIP[:2], STRIP[2:]):
        if a not in edges or b not in edges:
            continue
        half = size["width_m"].to_numpy() / 2
        low, high = (0.0, size["length_m"].to_numpy()) if "station" in a else (-half, half)
        off = (np.minimum(edges[b], high) - np.maximum(edges[a], low)) <= 0
        rows.fault(off, a, "F-STRIP-OFF", "the strip surveyed has nothing of the deck in it, and is left out",
                   "Correct from and to, or the size of the deck.", "flag")  # fmt: skip
        out = ~off & ((edges[a] < low - 0.01) | (edges[b] > high + 0.01))
        rows.fault(out, a, "F-STRIP", "the strip surveyed reaches beyond the deck; only what is on it counts",
                   "Check the figures, or the size of the deck.", "flag")  # fmt: skip
        edges[a], edges[b] = np.where(off, np.nan, edges[a]), np.where(off, np.nan, edges[b])
        unread |= off
    return edges, unread


def _words(rows: Rows) -> list[str]:
    """What each row says in words that it looked at; of several columns joined, empty where nothing is said."""
    out = [""] * rows.n
    for name in ("looked_at", *(n for n in rows.claims if n.startswith(ALSO))):
        found = rows.cells(name)
        if found is None:
            continue
        head = normal(rows.header(name)).split()[0] if normal(rows.header(name)) else ""
        codes, seen = once(found)
        missing = values.is_missing(seen)
        said = ["" if gone else _told(head, str(cell)) for cell, gone in zip(seen, missing, strict=True)]
        for i, code in enumerate(codes.tolist()):
            if code >= 0 and said[code]:
                out[i] = f"{out[i]}, {said[code]}" if out[i] else said[code]
    return out


def _told(head: str, cell: str) -> str:
    """A cell with the word of its header before a number that stands alone.

    Examples
    --------
    >>> _told("span", "2"), _told("lanes", "2"), _told("lane", "left"), _told("where", "left lane")
    ('span 2', '2 lanes', 'left lane', 'left lane')
    """
    plain = cell.strip().lower().removesuffix(".0")
    if head in ("lane", "lanes") and plain in ("left", "right", "middle", "centre", "center"):
        return f"{plain} lane"
    if head in ("lanes", "spans") and plain.isdigit():
        return f"{plain} {head}"
    if head in ("lane", "lanes", "span", "spans") and re.fullmatch(r"\d+(?:\s*(?:,|and|&|to|-|–|of)\s*\d+)*", plain):
        return f"{head.removesuffix('s')} {plain}"
    return cell


def _out_of_words(
    rows: Rows, columns: dict[str, Any], edges: dict[str, Floats], drawn: Any, words: list[str], register: Register,
    area: Floats,
) -> None:  # fmt: skip
    """Turn words into strips, coverage or an area where they tell; what stays in ``words`` is a part not known."""
    stated = columns.get("surveyed_m2")
    known = drawn != None  # noqa: E711
    for n in STRIP:
        if n in edges:
            known |= ~np.isnan(edges[n])
    if stated is not None:
        known |= ~np.isnan(stated)
    from_remark = _from_remarks(columns.get("remarks"), words, known)
    for i, said in from_remark.items():
        words[i] = said
    asked = [i for i, said in enumerate(words) if said and not rows.refused[i]]
    easy = {
        said
        for said in {words[i] for i in asked}
        if said == WHOLE or (said.lower() != "both lanes" and says_whole(said))
    }
    hard = [i for i in asked if words[i] not in easy]
    decks = columns["deck_id"]
    facts = deck_facts(register, sorted({str(decks.iloc[i]) for i in hard if isinstance(decks.iloc[i], str)}))
    found: dict[tuple[str, str], Place] = {}
    flags: dict[int, str] = {}
    for i in asked:
        said = words[i]
        if said in easy:
            place = Place(whole=True)
        else:
            key = (said, str(decks.iloc[i]))
            place = found.get(key) or found.setdefault(key, find_place(said, facts.get(key[1], DeckFacts())))
        words[i] = _take(i, place, said, rows.n, columns, edges, drawn, area, flags)
    column = "looked_at" if rows.has("looked_at") else "coverage" if rows.has("coverage") else "remarks"
    rows.fault(list(flags), column, "F-LOOK", flags, _WHERE, "flag")


def _from_remarks(remarks: Any, words: list[str], known: Bools) -> dict[int, str]:
    """Parts that remarks name, of rows in which nothing else says what was looked at."""
    if remarks is None:
        return {}
    codes, seen = once(remarks)
    said = [remark_of_part(str(text)) for text in seen]
    if not any(said):
        return {}
    return {i: said[c] for i, c in enumerate(codes.tolist()) if c >= 0 and said[c] and not words[i] and not known[i]}


def _take(
    i: int, place: Place, said: str, n: int, columns: dict[str, Any], edges: dict[str, Floats], drawn: Any,
    area: Floats, flags: dict[int, str],
) -> str:  # fmt: skip
    """Put the place that words name into the columns of a row; what is left to be said in words is returned."""
    full = [_held(edges, pair, i) for pair in (STRIP[:2], STRIP[2:])]
    if drawn[i] is not None or all(full):
        return ""  # the place is stated, and words add nothing to it
    if place.whole:
        if not any(full):
            return WHOLE
        flags[i] = f"{said!r} is said, and a strip is stated beside it; the strip is taken"
        return ""
    if place.drawn is not None and not any(full):
        drawn[i] = place.drawn
        return ""
    if place.part_m2 is not None or place.part_share is not None:
        if columns.get("surveyed_m2") is None:
            columns["surveyed_m2"] = np.full(n, np.nan)
        given = place.part_m2 if place.part_m2 is not None else (place.part_share or 0.0) * area[i]
        if np.isnan(columns["surveyed_m2"][i]) and given <= area[i] * 1.005:
            columns["surveyed_m2"][i] = given
            return ""
    taken = False
    for pair, ends, there in zip((STRIP[:2], STRIP[2:]), (place.stations, place.offsets), full, strict=True):
        if ends is not None and not there:
            taken = True
            for name, value in zip(pair, ends, strict=True):
                edges.setdefault(name, np.full(n, np.nan))[i] = value
    if taken:
        return ""
    why = place.why or "a place is stated beside them that they do not fit"
    flags[i] = f"which part of the deck {said!r} is cannot be told: {why}; taken as a part whose place is not known"
    return said


def _held(edges: dict[str, Floats], pair: tuple[str, ...], i: int) -> bool:
    return all(name in edges and not np.isnan(edges[name][i]) for name in pair)


# ---- drawn coverage -------------------------------------------------------------------------------


def drawn_coverage(
    rows: Rows, name: str, decks: pd.Series, size: pd.DataFrame, register: Register, words: list[str] | None = None
) -> tuple[Any, Bools]:
    """Coverage drawn, in station and offset, and which rows have one that cannot be used; each is flagged.

    Parameters
    ----------
    rows : Rows
    name : str
        Column of shapes as text, where the table has one; else the table's own shapes are taken.
    decks : Series of str, shape (n,)
    size : DataFrame
    register : Register
    words : list of str, optional
        Cells of the column that are no shape are put here: they say it in words.

    Returns
    -------
    shapes : object array, shape (n,), of Polygon, MultiPolygon or None
    lost : array of bool, shape (n,)
    """
    out = np.full(rows.n, None, dtype=object)
    given = np.zeros(rows.n, dtype=bool)
    why: dict[int, str] = {}
    if rows.has(name):
        text = spelled(rows.cells(name))
        missing = values.is_missing(text)
        drawn = text.str.upper().str.match(_SHAPE).to_numpy(dtype=bool) & ~missing
        for i in np.flatnonzero(~drawn & ~missing):
            if words is not None:
                words[i] = f"{words[i]}, {text.iloc[i]}" if words[i] else str(text.iloc[i])
            else:
                given[i] = True
        given |= drawn
        out[drawn] = shapes.written(text[drawn].str.replace(r"^SRID=0*;", "", regex=True).to_numpy(dtype=object))
    elif rows.table.shape is not None:
        own = shapes.without_heights(rows.table.shape)
        use = np.ones(rows.n, dtype=bool) if words is None else shapely.get_dimensions(own) == 2
        out[use] = own[use]
        given = use.copy()
        if use.any() and not shapes.on_deck(rows):
            out = shapes.to_deck(rows, out, decks, register)
            why = dict.fromkeys(
                np.flatnonzero(given & (out == None)).tolist(),  # noqa: E711
                "a shape on the map needs a deck whose place and direction are known",
            )
    return _usable(rows, name, out, given, size, why)


def _usable(
    rows: Rows, name: str, out: Any, given: Bools, size: pd.DataFrame, why: dict[int, str]
) -> tuple[Any, Bools]:
    length, width = size["length_m"].to_numpy(), size["width_m"].to_numpy()
    for i in np.flatnonzero(given):
        said = why.get(int(i)) or _wrong(out[i])
        if not said and np.isfinite(length[i] + width[i]):
            deck = shapely.box(0.0, -width[i] / 2, length[i], width[i] / 2)
            said = "" if shapely.intersects(deck, out[i]) else "nothing of it lies on the deck"
        if said:
            why[int(i)] = said
            out[i] = None
    rule = {i: f"the ground looked at cannot be used: {said}; it is left out" for i, said in why.items()}
    column, shown = (name, None) if rows.has(name) else ("", "")
    remedy = "Draw it again as a polygon in station and offset, or state from and to station and offset."
    rows.fault(list(rule), column, "F-COVERAGE-SHAPE", rule, remedy, "flag", shown)
    lost = np.zeros(rows.n, dtype=bool)
    lost[list(why)] = True
    return out, lost


def _wrong(shape: Any) -> str:
    if shape is None or shapely.is_empty(shape):
        return "there is no shape"
    if not np.isfinite(shapely.get_coordinates(shape)).all():
        return "a coordinate is no finite number"
    if shape.geom_type not in ("Polygon", "MultiPolygon"):
        return "a polygon is needed"
    if not shapely.is_valid(shape):
        return "the outline crosses or touches itself"
    return "" if shapely.area(shape) > shapes.LEAST_M2 else "it encloses no area"


# ---- areas ------------------------------------------------------------------------------------------


def deck_edges(length: Floats, width: Floats, outline: Any) -> Any:
    """The edge of each deck as a polygon: its outline, else length by width; None where neither is known.

    Parameters
    ----------
    length, width : array of float, shape (n,), m
    outline : object array, shape (n,), of Polygon or None
    """
    out = np.full(len(length), None, dtype=object)
    known = np.isfinite(length) & np.isfinite(width)
    out[known] = shapely.box(0.0, -width[known] / 2, length[known], width[known] / 2)
    own = shapely.area(outline) > 0
    out[own] = outline[own]
    return out


def covered_m2(looks: Any, edge: Any) -> Floats:
    """Area looked at, m2: as stated, else what of the coverage or strip lies on the deck; NaN where nothing is said.

    Parameters
    ----------
    looks : mapping of column to array, shape (n,), or None
        The columns ``LOOK``; what is absent is missing.
    edge : object array, shape (n,), of Polygon or None
        Edge of each deck.
    """
    n = len(edge)

    def of(name: str) -> Floats:
        held = looks.get(name)
        return np.full(n, np.nan) if held is None else np.asarray(held, dtype=float)

    region = looks_drawn(looks, n)
    some = (region != None) & (edge != None)  # noqa: E711
    out = np.full(n, np.nan)
    out[some] = shapely.area(shapely.intersection(region[some], edge[some]))
    bare = (region != None) & (edge == None)  # noqa: E711
    out[bare] = shapely.area(region[bare])
    out[~(out > 0) | ~np.isfinite(out)] = np.nan
    stated = of("surveyed_m2")
    return np.where(np.isnan(stated), out, stated)


FAR = 1e6


def looks_drawn(looks: Any, n: int) -> Any:
    """Ground looked at as polygons: the coverage, else the strip, open to the far side where it is not bounded."""
    out = np.full(n, None, dtype=object)
    ends = []
    for name, open_ in zip(STRIP, (-FAR, FAR, -FAR, FAR), strict=True):
        held = looks.get(name)
        value = np.full(n, np.nan) if held is None else np.asarray(held, dtype=float)
        ends.append((value, np.where(np.isnan(value), open_, value)))
    strip = np.logical_or.reduce([~np.isnan(v) for v, _ in ends])
    x0, x1, y0, y1 = (filled[strip] for _, filled in ends)
    out[strip] = shapely.box(x0, y0, x1, y1)
    drawn = looks.get("coverage")
    if drawn is not None:
        body = np.asarray(drawn, dtype=object)
        body = np.array([s if isinstance(s, shapely.Geometry) else None for s in body] + [None], dtype=object)[:-1]
        own = shapely.area(body) > 0
        out[own] = body[own]
    return out


# ---- defects against what their survey looked at ----------------------------------------------------


def flag_looks(rows: Rows, survey: pd.Series, drawn: Any, register: Register) -> None:
    """Flag defects beyond what their survey looked at, and surveys of which nothing says what they looked at."""
    shaped = (drawn != None) & rows.live  # noqa: E711
    if not shaped.any():
        return
    held = register.looks()
    at = held.index.get_indexer(pd.Index(survey))
    look = held.iloc[np.where(at >= 0, at, 0)] if len(held) else held.reindex(range(rows.n))
    columns = {n: look[n].to_numpy(dtype=object if n in ("coverage", "looked_at") else float) for n in LOOK}
    bare = (at < 0) | np.logical_and.reduce([pd.isna(c) for c in columns.values()])
    first = ~pd.Series(survey).where(shaped).duplicated().to_numpy()
    asked = shaped & bare & first & survey.notna().to_numpy()
    names = {int(i): str(survey.iloc[i]) for i in np.flatnonzero(asked)}
    rows.fault(
        asked, "survey_id" if rows.has("survey_id") else "", "F-COVERAGE",
        "nothing says how much of the deck was looked at; taken as a look at the whole deck, but no open hazard is "
        "closed by it",
        "Say so in the survey sheet (looked at: whole deck, or from and to station and offset), or draw the coverage.",
        "flag", names,
    )  # fmt: skip
    region = looks_drawn(columns, rows.n)
    test = np.flatnonzero(shaped & ~bare & (region != None))  # noqa: E711
    if not len(test):
        return
    beyond = beyond_m(drawn[test], region[test])
    rule = {
        int(i): f"it reaches {m:.2f} m beyond what its survey looked at, and what lies beyond is left out of its share"
        for i, m in zip(test, beyond, strict=True)
        if m > BEYOND_M
    }
    rows.fault(list(rule), "shape" if rows.has("shape") else "", "F-BEYOND", rule,
               "Check the stations and offsets, or what the survey is said to have looked at.", "flag")  # fmt: skip


def beyond_m(drawn: Any, region: Any) -> Floats:
    """How far shapes reach beyond a region, m: the farthest of their corners that lie outside it."""
    out = np.zeros(len(drawn))
    near = shapely.covers(region, drawn)
    for i in np.flatnonzero(~near):
        corners = shapely.points(shapely.get_coordinates(drawn[i]))
        out[i] = float(shapely.distance(region[i], corners).max(initial=0.0))
    return out

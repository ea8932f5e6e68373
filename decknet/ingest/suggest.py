"""A mapping for a table that is not recognised: which column numbers the bridges, and what the others may be.

Nothing is stored by what is guessed here. A guess becomes a line of a mapping file that the user reads through and
loads with; what a header leaves open, such as a unit, stands there as a question, and loading asks it again.
"""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.columns import RECORDS, normal
from decknet.errors import RecordError
from decknet.ingest.coded import once
from decknet.ingest.evidence import (
    UNIT_ASKED,
    area_unit_unsure,
    bare_years,
    condition_years,
    figures,
    first_value,
    holds_figures,
    holds_names,
    width_unit_unsure,
    words_of,
)
from decknet.ingest.optional import posted_and_closed
from decknet.ingest.prepared import stated_for
from decknet.ingest.recognise import CUT, column_named, columns_for, fits, is_weak, unit_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decknet.columns import Column
    from decknet.ingest.mapping import Stated
    from decknet.ingest.table import Table

__all__ = ["Suggestion", "refusal", "repeats_by_state", "suggest"]

_ID_WORDS = frozenset(
    {"id", "ids", "no", "nr", "num", "nbr", "number", "numero", "nummer", "key", "code", "ident", "identifier", "bin",
     "identification", "identity", "ref", "reference", "sn", "ser", "serial", "asset", "site", "seq", "kennung"}
)  # fmt: skip
_BRIDGE_WORDS = frozenset(
    {"bridge", "brdg", "brg", "br", "structure", "struct", "str", "bin", "brücke", "bauwerk", "pont", "ouvrage",
     "puente", "ponte", "brug", "bro", "bru"}
)  # fmt: skip
# Numbers a program gives its rows, and numbers of other things.
_NOT_ID = frozenset(
    {"objectid", "fid", "oid", "gid", "globalid", "rowid", "ogc", "rank", "row", "index", "lat", "latitude", "lon",
     "long", "longitude", "x", "y", "year", "date", "zip", "ward", "tract", "district", "council", "county", "route",
     "road", "department", "owner", "phone", "user", "image", "photo", "project", "contract", "type", "lanes", "spans"}
)  # fmt: skip
_STATE_WORDS = frozenset({"state", "province", "bundesland", "land", "county", "region"})
MOST_STATES = 40  # different cells of a column of states; more is a column of remarks
_STATES = frozenset({"state", "province", "bundesland"})
UNIQUE = 0.98  # share of different numbers, and of rows that have one, of a column that numbers bridges
SAMPLE = 12  # columns of which pairs are tried


def _all(*words: str) -> tuple[frozenset[str], ...]:
    return tuple(frozenset(w.split("|")) for w in words)


# Our column; words of which one of each group must stand in the header; words that must not.
_RULES: tuple[tuple[str, tuple[frozenset[str], ...], frozenset[str]], ...] = (
    ("latitude_deg", _all("lat|latitude|緯度"), frozenset({"und", "under", "orig", "min", "max"})),
    ("longitude_deg", _all("lon|long|lng|longitude|経度"), frozenset({"und", "under", "orig", "min", "max"})),
    ("name", _all("bridge|structure|brdg|橋梁名", "name|nam|nm|橋梁名"), frozenset({"county", "owner", "route"})),
    ("name", _all("facility", "carried|carries"), frozenset({"route"})),
    ("route", _all("feature|features|facility", "carried|carries"), frozenset()),
    ("truck_share in %", _all("truck|trucks|hgv", "percent|pct"), frozenset({"year", "date"})),
    ("built_year", _all("year|yr|built|架設年度|架設年", "built|blt|build|constructed|construction|架設年度|架設年"),
     frozenset({"rebuilt", "reconstructed", "recon", "rehab", "deck"})),
    ("length_m", _all("length|len|lgth|橋長", "structure|bridge|deck|total|overall|橋長"),
     frozenset({"span", "max", "shape", "detour", "clear", "approach"})),
    ("width_m", _all("width|wid|幅員", "deck|bridge|structure|out|overall|幅員"),
     frozenset({"roadway", "curb", "kerb", "lane", "approach", "sidewalk", "clear"})),
    ("deck_rating", _all("deck|slab", "condition|cond|rating|rtg"),
     frozenset({"super", "superstructure", "sub", "substructure", "geometry", "date", "year", "surface"})),
    ("aadt", _all("adt|aadt|traffic|vpd", "adt|aadt|daily|average|volume|count|vpd"),
     frozenset({"year", "truck", "trucks", "percent", "pct", "future", "date"})),
    ("condition", _all("condition|cond|bci|soundness|health|判定区分|健全性|健全度"),
     frozenset({"deck", "super", "superstructure", "sub", "substructure", "culvert", "channel", "scour", "date"})),
    ("posted", _all("posted|posting")[:1], frozenset({"speed", "date", "limit", "tons"})),
)  # fmt: skip


@dataclass(slots=True)
class Suggestion:
    """What a mapping file may say of a table.

    Attributes
    ----------
    kind : str
    columns : dict
        Our column by header, as under ``[columns]``.
    asks : list of str
        What the user has to state, a sentence each.
    tells : set of str
        Our columns that are known or guessed.
    number : str
        How bridges are told apart, in words; empty where nothing tells them apart.
    number_rows : bool
    """

    kind: str = ""
    columns: dict[str, str] = field(default_factory=dict)
    asks: list[str] = field(default_factory=list)
    tells: set[str] = field(default_factory=set)
    number: str = ""
    number_rows: bool = False

    def text(self) -> str:
        """As a mapping file."""
        lines = [f"# {a}" for a in self.asks]
        if self.kind:
            lines.append(f'as = "{self.kind}"')
        if self.number_rows:
            lines.append("number_rows = true")
        if self.columns:
            lines.append("[columns]")
        lines += [f"{_quoted(h)} = {_quoted(c)}" for h, c in self.columns.items()]
        return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def suggest(table: Table, stated: Stated, kind: str = "") -> Suggestion:
    """A mapping that may load a table of bridges which is not recognised, and what it leaves open.

    Parameters
    ----------
    table : Table
    stated : Stated
        What is stated already; it stays as it is.
    kind : str
        The kind the table is read as, where it is known.
    """
    out = Suggestion("" if kind and not stated.kind else kind or "bridge")
    taken = stated_for(table, stated)
    own = len(table.headers) - table.added
    labels = table.labels()[:own]
    free = [i for i in range(own) if table.headers[i] and i not in taken]
    years = condition_years(table, stated)
    held = _by_name(table, kind or "bridge", free, stated)
    parts: tuple[int, ...] = ()
    if _told(stated) & {"bridge_id", "deck_id"} or _known_number(table, held):
        out.number = "known"
    else:
        parts = _numbers(table, [i for i in free if i not in years])
        out.columns = {labels[i]: "bridge_id" for i in parts}
        out.number = " and ".join(repr(labels[i]) for i in parts)
    if not out.number and not stated.number_rows:
        out.number_rows = True
        out.asks.append("No column numbers the bridges. With number_rows each row is one, called by file and line.")
    guessed: dict[str, list[tuple[int, str]]] = {}
    for i in free:
        if i in parts or i in years or i in held.values():
            continue
        wanted = _guess(table, i) or _cut_length(table, i) or ("posted" if _says_posted(table, i) else "")
        if (name := wanted.partition(" in ")[0]) and name not in held and name not in _told(stated):
            guessed.setdefault(name, []).append((i, wanted))
    for at in guessed.values():
        if len(at) == 1:
            out.columns[labels[at[0][0]]] = at[0][1]
    for name, i in held.items():
        if name == "bridge_id" and i not in parts and out.number != "known":
            weak = holds_names(table, i) and "name" not in held and not table.cut
            out.columns.setdefault(labels[i], "name" if weak else "")
    out.tells = {*held, *guessed, *(["condition"] if years else [])} & _OF_BRIDGES
    for header, wanted in out.columns.items():
        if wanted == f"length_m in {UNIT_ASKED}":
            first = first_value(table, labels.index(header))
            out.asks.append(
                f"{header}: is it the length of the bridge, the first {first}? Its unit is cut off with its name: "
                "write m or ft in place of the question mark."
            )
    _ask_units(table, out, held, labels)
    if bare_years(table) and not years and stated.years is None:
        out.asks.append('Columns are headed by bare years. State what they hold: years = "condition" or "aadt".')
    return out


def _known_number(table: Table, held: dict[str, int]) -> bool:
    """Whether a column known by its header numbers the bridges: not with their names, nor anew in each state."""
    if "bridge_id" not in held:
        return False
    index = held["bridge_id"]
    return not _only_bridge(table, index) and len(_with_state(table, index, range(len(table.headers)))) == 1


def _told(stated: Stated) -> set[str]:
    return {v.partition(" in ")[0].strip() for v in stated.columns.values()}


def _by_name(table: Table, kind: str, free: Sequence[int], stated: Stated) -> dict[str, int]:
    """Columns known by their headers, the first of each name."""
    out: dict[str, int] = {}
    for of in columns_for(kind):
        for i in free:
            if fits(table.headers[i], of) is not None and of.name not in _told(stated):
                out.setdefault(of.name, i)
    return out


def _numbers(table: Table, free: Sequence[int]) -> tuple[int, ...]:
    """Columns that number the bridges: one, or two that do so together; empty where none do."""
    scored = []
    for i in free:
        words = set(words_of(table.headers[i]))
        cut = {w for w in words if table.cut and len(w) >= 3 and any(k.startswith(w) for k in _ID_WORDS)}
        cjk = bool(re.search(r"[^\x00-\x7f](?:ID|番号|コード)$", table.headers[i]))
        of_bridge = bool(words & _BRIDGE_WORDS) or cjk
        of_id = bool(words & _ID_WORDS) or bool(cut) or cjk
        other = words & _NOT_ID or normal(table.headers[i]).replace(" ", "") in _NOT_ID
        if other or table.headers[i].startswith("_") or not (of_bridge or of_id):
            continue
        unique, full = _alone(table, [i])
        if full < UNIQUE or _decimals(table, i) or (holds_names(table, i) and not of_id):
            continue
        scored.append((2 * of_bridge + of_id + of_bridge * of_id, unique, -i, i))
    best = max((s for s in scored if s[1] >= UNIQUE and s[0] >= 1 and not _only_bridge(table, s[3])), default=None)
    if best is not None:
        return _with_state(table, best[3], free)
    some = [s[3] for s in sorted(scored, reverse=True)][:SAMPLE]
    some += [i for i in free if set(words_of(table.headers[i])) & _STATE_WORDS and i not in some][:2]
    pairs = [
        (_alone(table, [a, b])[0], -n, (a, b))
        for n, (a, b) in enumerate(itertools.combinations(sorted(some), 2))
        if _alone(table, [b])[1] >= UNIQUE and _alone(table, [a])[1] >= UNIQUE
    ]
    found = max((p for p in pairs if p[0] >= UNIQUE), default=None)
    return () if found is None else found[2]


def _with_state(table: Table, number: int, free: Sequence[int]) -> tuple[int, ...]:
    """A number of bridges that repeats from state to state, with the column of the state."""
    states = [i for i in free if i != number and set(words_of(table.headers[i])) & _STATES]
    if not states or _alone(table, [number])[0] == 1.0:
        return (number,)
    for i in states:
        unique, full = _alone(table, [i, number])
        if unique == 1.0 and full >= UNIQUE:
            return (i, number)
    return (number,)


def repeats_by_state(table: Table, stated: Stated, index: int) -> str:
    """What is wrong with numbers that repeat from state to state, in words; empty where they do not."""
    told = stated_for(table, stated)
    pair = _with_state(table, index, [i for i in range(len(table.headers) - table.added) if i not in told])
    if len(pair) == 1 or index in told:
        return ""
    labels = table.labels()
    many = round((1 - _alone(table, [index])[0]) * len(table.cells))
    return (
        f"{many} numbers in {labels[index]!r} stand again under another {labels[pair[0]]!r}, so that the two number "
        "bridges only together."
    )


def _only_bridge(table: Table, i: int) -> bool:
    """Whether the header is a word for a bridge alone and the cells are names."""
    return is_weak(table.headers[i]) and holds_names(table, i)


def _alone(table: Table, at: Sequence[int]) -> tuple[float, float]:
    """Share of rows with a number of their own, and share of rows with one at all."""
    cells = pd.DataFrame({i: table.cells[i].astype("str").str.strip() for i in at})
    full = (cells != "").all(axis=1)
    if not full.any():
        return 0.0, 0.0
    repeats = table.cells.astype("str").duplicated() if len(table.cells) < 50_000 else np.zeros(len(cells), dtype=bool)
    once_each = cells[full & ~repeats]
    return float(len(once_each.drop_duplicates()) / max(len(once_each), 1)), float(full.mean())


def _decimals(table: Table, i: int) -> bool:
    _, seen = once(table.cells[i])
    return bool(seen.str.fullmatch(r"[+-]?[0-9]*[.,][0-9]*[1-9][0-9]*").mean() > 0.05)


def _guess(table: Table, index: int) -> str:
    """Our column that a header speaks of by its words, where the cells bear it out; else empty."""
    words = set(words_of(table.headers[index]))
    for name, groups, barred in _RULES:
        if words & barred or not all(words & group for group in groups):
            continue
        of = column_named(name.partition(" in ")[0])
        assert of is not None  # noqa: S101
        if _bears_out(table, index, of, name.partition(" in ")[2]):
            return name
    return ""


def _cut_length(table: Table, index: int) -> str:
    """The length of bridges where the format has cut the header to its first word; its unit is to be stated."""
    header = table.headers[index].lower()
    if not table.cut or len(header) != CUT or not holds_figures(table, index):
        return ""
    return f"length_m in {UNIT_ASKED}" if "structure length".replace(" ", "_").startswith(header[:8]) else ""


def _says_posted(table: Table, index: int) -> bool:
    """Whether a column of states says of bridges that they are open, posted or closed."""
    if not set(words_of(table.headers[index])) & {"status", "posting", "posted", "operational", "open", "closed"}:
        return False
    _, seen = once(table.cells[index])
    if len(seen) > MOST_STATES:
        return False
    posted, closed, bad = posted_and_closed(seen, {})
    return bool(not bad.any() and (posted.fillna(False) | closed.fillna(False)).any())


def _bears_out(table: Table, index: int, of: Column, unit: str) -> bool:
    """Whether most cells that hold anything are what the column takes."""
    body = table.cells[index].astype("str").str.strip("'\" ")
    given = (body != "").to_numpy(dtype=bool)
    if not given.any():
        return False
    if of.kind in ("text", "flag", "id"):
        return True
    factor, _, _ = unit_of(unit, of) or (1.0, 0.0, "")
    value = figures(table, index)[given] * factor
    low, high = (of.low if of.low is not None else -np.inf), (of.high if of.high is not None else np.inf)
    inside = (value >= low) & (value <= high)
    if of.name in ("latitude_deg", "longitude_deg"):
        return bool(np.mean(inside) > 0.9 and np.mean(value != np.round(value)) > 0.5)
    rated = of.name == "deck_rating"
    return bool(np.mean(inside | np.isnan(value) if rated else inside | (value == 0)) > 0.5 and inside.any())


def _ask_units(table: Table, out: Suggestion, held: dict[str, int], labels: Sequence[str]) -> None:
    """Lines with the unit left open, for sizes of decks whose headers have none and that can hardly be in m."""
    by = {name: labels.index(h) for h, name in out.columns.items() if name not in ("", "bridge_id")}
    at = {**held, **by}
    units = {"deck_area_m2": "m2 or ft2", "width_m": "m or ft"}
    for name in [n for n in units if n in at]:
        i = at[name]
        fit = fits(table.headers[i], next(c for c in RECORDS["deck"].columns if c.name == name))
        if fit is not None and fit[0]:
            continue
        why = area_unit_unsure(table, i, at.get("length_m")) if name == "deck_area_m2" else width_unit_unsure(table, i)
        if not why:
            continue
        out.columns[labels[i]] = f"{name} in {UNIT_ASKED}"
        out.asks.append(f"{labels[i]}: {why}. Write {units[name]} in place of the question mark.")
        long = at.get("length_m")
        if name == "width_m" and long is not None and (of := column_named("length_m")) is not None:
            fit = fits(table.headers[long], of)
            if fit is None or not fit[0]:
                out.columns[labels[long]] = f"length_m in {UNIT_ASKED}"
                out.asks.append(f"{labels[long]}: likely in the unit of the width.")


# What a table says of a bridge before its rows are taken for bridges.
_OF_BRIDGES = frozenset(
    {"name", "longitude_deg", "latitude_deg", "built_year", "length_m", "width_m", "deck_area_m2", "deck_rating",
     "aadt", "condition", "detour_km"}
)  # fmt: skip
_KINDS = ("", "bridge", "deck", "rating", "traffic", "condition")


def refusal(place: str, table: Table, stated: Stated, kind: str, why: str) -> RecordError:
    """The error that refuses a table, with what was looked for, the nearest column and a mapping ready to use.

    Parameters
    ----------
    place : str
        File and sheet; empty where ``why`` names them.
    table : Table
    stated : Stated
    kind : str
        The kind it is read as; empty where none is recognised.
    why : str
        What is wrong, as a sentence; empty where no kind is recognised.
    """
    start = f"{place}: " if place else ""
    heads = ", ".join(repr(h) for h in table.headers if h)
    nothing = (
        f"nothing in it is recognised: its headers are {heads}, and no column names a bridge or tells of one. If it "
        "holds records all the same, name their kind (--as) and state the columns in a mapping file (--map)."
    )
    plain = RecordError(f"{start}{why or nothing}")
    if kind not in _KINDS or not len(table.cells):
        return plain
    found = suggest(table, stated, kind)
    no_bridges = not kind and (found.number_rows or not found.number) and len(found.tells) < 2
    if no_bridges or not (found.columns or found.asks):
        return plain
    near = ""
    if found.number and found.number != "known":
        at = [i for i, label in enumerate(table.labels()) if found.columns.get(label) == "bridge_id"]
        first = "-".join(str(table.cells[i].iloc[0]).strip() for i in at)
        near = f" Nearest is {found.number}, which differs from row to row; the first is {first!r}."
    said = why or "nothing in it is recognised: no column is known as a number of bridges, such as bridge_id."
    message = f"{start}{said}{near} This mapping for it, to be read through first, --suggest FILE writes:"
    return RecordError(f"{message}\n\n{found.text()}", suggestion=found.text())

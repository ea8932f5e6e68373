"""Which kind of record a table holds, and which of its columns is which, in what unit."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet.columns import RECORDS, Column, normal
from decknet.errors import RecordError
from decknet.ingest.evidence import (
    ITEM,
    OF_YEAR,
    UNIT_ASKED,
    area_unit_unsure,
    condition_years,
    first_value,
    holds_figures,
    holds_names,
    unit_question,
    width_unit_unsure,
)
from decknet.ingest.prepared import joined_parts, stated_for
from decknet.ingest.tongues import HEADERS
from decknet.units import factor_to

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decknet.ingest.mapping import Stated
    from decknet.ingest.read import Table

__all__ = [
    "ALSO",
    "AS_SHARE",
    "DECK_KEYS",
    "KINDS",
    "TOTALS",
    "Claim",
    "claim_columns",
    "column_named",
    "is_known_header",
    "is_unit",
    "is_weak",
    "no_deck_number",
    "years_in_headers",
]

KINDS = (*RECORDS, "national", "successor", "elements", "grid")
DECK_KEYS = ("deck_id", "bridge_id")
TOTALS = ("delaminated_m2", "spalled_m2", "hole_m2", "exposed_bar_m2", "failed_patch_m2", "unsound_m2")
AS_SHARE = "share beside "  # before the name of an area: the same figure as a share, held against it
ALSO = "said too "  # before a number: a further column that says what a survey looked at
SIDES = ("length_m", "width_m")  # of an area, where it is not given itself
STRIP = ("from_station_m", "to_station_m", "from_offset_m", "to_offset_m")

# Columns a table of one kind may carry beside its own: keys by which it names a deck or a survey,
# and records of other kinds in the same row.
_FIGURES = (*RECORDS["traffic"].names(), *RECORDS["rating"].names(), "condition", "condition_year")
_BESIDE: dict[str, tuple[str, ...]] = {
    "bridge": (*RECORDS["deck"].names(), *_FIGURES),
    "deck": (*RECORDS["bridge"].names(), *_FIGURES),
    "survey": ("bridge_id",),
    "defect": ("deck_id", "bridge_id", "survey_date", "method", *STRIP, *SIDES),
    "repair": ("bridge_id", *STRIP, *SIDES),
    "closing": ("bridge_id",),
}

_UNIT_WORDS = {
    "veh/day": ("veh day", "veh d", "vehicles day", "vehicles a day", "vehicles per day", "vpd", "veh per day"),
    "yr": ("yr", "year"),
    "km/h": ("km h",),
    "°C": ("deg c", "celsius"),
}
_UNITS_TOO = {
    "qm": "m2", "mq": "m2", "sq m": "m2", "sq mtr": "m2", "sq metre": "m2", "sq metres": "m2", "sq meter": "m2",
    "sq meters": "m2", "sq foot": "ft2", "sq feet": "ft2", "s f": "ft2", "s.f": "ft2", "sq yard": "yd2",
    "sq yards": "yd2", "sq yds": "yd2", "s.y": "yd2", "metres": "m", "meters": "m", "metre": "m", "meter": "m",
    "lf": "ft", "lin ft": "ft", "kfz/24h": "veh/day", "fz/d": "veh/day", "vh/j": "veh/day", "veh/d": "veh/day",
    "prozent": "%", "prosent": "%", "procent": "%", "por ciento": "%", "pour cent": "%", "percento": "%",
}  # fmt: skip
_OF = {
    "": "", "area": "", "of area": "",
    "deck": "deck", "deck area": "deck", "of deck": "deck", "of the deck": "deck", "of deck area": "deck",
    "of total": "deck", "of total area": "deck", "of total deck area": "deck",
    "surveyed": "surveyed", "of surveyed": "surveyed", "of surveyed area": "surveyed", "of area surveyed": "surveyed",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Claim:
    """A header taken as one of our columns.

    Attributes
    ----------
    index : int
        Position of the header in the table.
    header : str
        As written.
    column : Column
    unit : str
        Unit as the header gives it; empty where it gives none.
    factor, offset : float
        Value kept = value found × factor + offset.
    share_of : str
        For an area given as a share: ``deck``, ``surveyed``, or ``either`` where the header does not
        say (then the area surveyed where it is known, else the deck). Empty for a plain value.
    why : str
    rank : int
        0 stated by the user, 1 our own name for it, 2 a name it is also known by.
    """

    index: int
    header: str
    column: Column
    unit: str
    factor: float
    offset: float
    share_of: str
    why: str
    rank: int


def unit_of(unit: str, of: Column) -> tuple[float, float, str] | None:
    """Factor, offset and what a share is of, for a unit as written; None where it does not fit."""
    words = unit.strip().lower()
    if words == "":
        return (1.0, 0.0, "")
    if not words.isalnum() or words in _UNITS_TOO:
        words = re.sub(r"\bsquare[ .-]*", "sq ", words.replace("^", "")).replace("sq sq ", "sq ")
        words = re.sub(r"\b(m|ft|mm|km|in|yd) ([23])\b", r"\1\2", words).strip()
    words = _UNITS_TOO.get(words.rstrip("."), words)
    if of.kind in ("id", "text", "choice", "date", "flag"):
        return None
    if of.unit == "°C" and words in ("f", "°f", "deg f", "fahrenheit", "degf"):
        return (5.0 / 9.0, -160.0 / 9.0, "")
    if words in _UNIT_WORDS.get(of.unit, ()):
        return (1.0, 0.0, "")
    factor = factor_to(words, of.unit)
    if factor is not None:
        return (factor, 0.0, "")
    if of.unit == "m2":
        for part in ("%", "percent", "pct", "share", "fraction"):
            if words.startswith(part) and words[len(part) :].strip() in _OF:
                share = _OF[words[len(part) :].strip()] or "either"
                return (1.0 if part in ("share", "fraction") else 0.01, 0.0, share)
    return None


def column_named(name: str) -> Column | None:
    """The column of any record that has this name."""
    return next((c for r in RECORDS.values() for c in r.columns if c.name == name), None)


@cache
def spellings(found: Column) -> tuple[tuple[str, int], ...]:
    """Spellings of one of our columns, own name first, each with its rank."""
    own = normal(found.name)
    out = [(own, 1)]
    tail = own.split()
    if found.unit and len(tail) > 1 and unit_of(tail[-1], found) is not None:
        out.append((" ".join(tail[:-1]), 1))
    out += [(a, 2) for a in (*found.also, *HEADERS.get(found.name, ()))]
    return tuple(dict(reversed(out)).items())


@lru_cache(maxsize=4096)
def _words(header: str) -> tuple[list[str], str]:
    words = normal(ITEM.sub("", header)).split()
    return words, "".join(words)


def fits(header: str, of: Column) -> tuple[str, int] | None:
    """Unit in a header and the rank of its name, where the header is one for the column."""
    words, joined = _words(header)
    best: tuple[str, int] | None = None
    for spelling, rank in spellings(of):
        close = spelling.replace(" ", "")
        if close not in joined:
            continue
        for k in range(len(words), 0, -1):
            for start, unit in ((0, words[k:]), (len(words) - k, words[: len(words) - k])):
                if start and unit[0] not in ("%", "percent", "pct"):
                    continue
                if "".join(words[start : start + k]) != close:
                    continue
                text = " ".join(unit)
                if unit_of(text, of) is not None and (best is None or rank < best[1]):
                    best = (text, rank)
    return best


@cache
def columns_for(kind: str) -> tuple[Column, ...]:
    own = {c.name: c for c in RECORDS[kind].columns}
    for name in _BESIDE.get(kind, ()):
        found = column_named(name)
        if found is not None:
            own.setdefault(name, found)
    return tuple(own.values())


@lru_cache(maxsize=4096)
def is_known_header(text: str) -> bool:
    """Whether a cell reads like the header of any of our columns."""
    if len(text) > 80 or not any(c.isalpha() for c in text):
        return False
    if text.strip("\"' ").upper() == "STRUCTURE_NUMBER_008":
        return True
    return any(fits(text, c) is not None for r in RECORDS.values() for c in r.columns)


@lru_cache(maxsize=4096)
def is_unit(text: str) -> bool:
    """Whether a cell holds a unit and nothing else."""
    words = text.strip().lower()
    return bool(words) and len(words) < 25 and any(unit_of(words, c) is not None for c in _MEASURED)


_MEASURED = tuple(c for r in RECORDS.values() for c in r.columns if c.kind == "number" and c.unit)


def claim_columns(table: Table, kind: str, stated: Stated, place: str) -> tuple[dict[str, Claim], dict[int, str]]:
    """Which header is which column.

    Parameters
    ----------
    table : Table
    kind : str
    stated : Stated
    place : str
        File and sheet, for messages.

    Returns
    -------
    claims : dict
        By column name; ``unit`` stands for a column of units.
    unused : dict
        By position, why a header is not used.

    Raises
    ------
    RecordError
        Two headers claim one column and nothing tells which is meant.
    """
    found: dict[str, list[Claim]] = {}
    unused: dict[int, str] = {}
    wanted = stated_for(table, stated)
    own = len(table.headers) - table.added
    parts = joined_parts(table, stated)
    years = condition_years(table, stated) if kind in ("bridge", "deck", "condition") else {}
    for index, (header, label) in enumerate(zip(table.headers, table.labels(), strict=True)):
        if not header:
            unused[index] = "has no header"
            continue
        if index >= own:
            if header in parts or (header == "bridge_id" and stated.number_rows):
                found.setdefault(header, []).append(_joined_claim(table, index, parts.get(header, ())))
                continue
            of = next((c for c in columns_for(kind) if c.name == header), _UNIT if header == "unit" else None)
            if of is None:
                unused[index] = f"a {kind} record has no such column"
            else:
                found.setdefault(header, []).append(
                    Claim(index, header, of, "", 1.0, 0.0, "", "stated for every row", 9)
                )
            continue
        if index in wanted:
            name, _, unit = (p.strip() for p in wanted[index].partition(" in "))
            if not name:
                unused[index] = "left out by the mapping"
                continue
            if index in parts.get(name, ()):
                unused[index] = f"a part of {name}, as stated"
                continue
            of = next((c for c in columns_for(kind) if c.name == name), None) or column_named(name) or _UNIT
            if unit == UNIT_ASKED:
                raise RecordError(f"{place}, {label}: {unit_question(table, index, of, _length_at(table))}")
            if not unit and name != "unit":
                unit = _unit_in(header, of)
            factor, offset, share = unit_of(unit, of) or (1.0, 0.0, "")
            found.setdefault(name, []).append(Claim(index, label, of, unit, factor, offset, share, "stated", 0))
            continue
        if normal(header) in ("unit", "units", "uom"):
            found.setdefault("unit", []).append(Claim(index, header, _UNIT, "", 1.0, 0.0, "", "unit of the row", 1))
            continue
        if index in years:
            name = f"{OF_YEAR}{years[index]}"
            found.setdefault(name, []).append(
                Claim(index, label, _CONDITION, "", 1.0, 0.0, "", "the condition of that year", 2)
            )
            continue
        for of in columns_for(kind):
            fitting = fits(header, of) or _fits_cut(table, label, of, place)
            if fitting is None:
                continue
            factor, offset, share = unit_of(fitting[0], of) or (1.0, 0.0, "")
            why = {1: "named so", 2: "known by this name"}.get(fitting[1], "cut to ten characters by the format")
            if of.unit and not fitting[0] and of.unit not in ("yr", "currency", "veh/day", "deg"):
                why += f"; no unit in the header, taken as {of.unit}"
            found.setdefault(of.name, []).append(
                Claim(index, label, of, fitting[0], factor, offset, share, why, fitting[1])
            )
    _names_apart(found, table, kind)
    _alike(found, table)
    told = _several_looks(found)
    claims = _settle(found, unused, place)
    if kind in ("bridge", "deck"):
        _sizes_told(claims, table, place)
    other = no_deck_number(table) if "deck_id" in claims and claims["deck_id"].rank == 2 else None
    if other is not None and kind in ("bridge", "deck") and claims["deck_id"].index == other[0]:
        unused[claims.pop("deck_id").index] = other[1]
    for n, claim in enumerate(c for c in told if c.index not in {k.index for k in claims.values()}):
        claims[f"{ALSO}{n}"] = claim
        unused.pop(claim.index, None)
    if kind in ("bridge", "deck") and not {"longitude_deg", "latitude_deg"} & set(claims) and table.shape is None:
        for index, of in places(table).items():
            if index not in {c.index for c in claims.values()}:
                why = "a place in the system that is stated"
                claims[of.name] = Claim(index, table.labels()[index], of, "", 1.0, 0.0, "", why, 2)
                unused.pop(index, None)
    for index, header in enumerate(table.headers):
        if index not in unused and not any(c.index == index for c in claims.values()):
            unused[index] = f"no column of a {kind} record is known by {header!r}"
    return claims, unused


_CONDITION = next(c for c in RECORDS["condition"].columns if c.name == "condition")
# Headers that may stand over names of bridges as well as over their numbers.
_WEAK = frozenset(
    {"bridge", "structure", "brücke", "bruecke", "bauwerk", "pont", "ouvrage", "puente", "ponte", "brug", "bro", "bru"}
)


def _joined_claim(table: Table, index: int, parts: Sequence[int]) -> Claim:
    """The number that is joined of several columns, or made of file and line."""
    of = column_named(table.headers[index])
    assert of is not None  # noqa: S101
    names = " and ".join(repr(table.labels()[i]) for i in parts)
    return Claim(index, names or "(line)", of, "", 1.0, 0.0, "", "joined, as stated" if parts else "as stated", 0)


def _unit_in(header: str, of: Column) -> str:
    """The unit at the end of a header; empty where there is none that fits the column."""
    words = normal(header).split()
    tails = (" ".join(words[k:]) for k in range(1, len(words)))
    return next((tail for tail in tails if unit_of(tail, of) is not None), "")


def is_weak(header: str) -> bool:
    """Whether a header may stand over names of bridges as well as over their numbers."""
    return normal(header) in _WEAK


def _names_apart(found: dict[str, list[Claim]], table: Table, kind: str) -> None:
    """A column headed "structure" that holds names is one of names, and numbers no bridge."""
    if kind not in ("bridge", "deck"):
        return
    for claim in list(found.get("bridge_id", ())):
        if claim.rank == 2 and is_weak(claim.header) and holds_names(table, claim.index):
            found["bridge_id"].remove(claim)
            of = column_named("name")
            if of is not None and "name" not in found:
                found["name"] = [replace(claim, column=of, why="its cells are names")]
    if not found.get("bridge_id", True):
        del found["bridge_id"]


def _length_at(table: Table) -> int | None:
    length = column_named("length_m")
    assert length is not None  # noqa: S101
    return next((i for i, h in enumerate(table.headers) if h and fits(h, length) is not None), None)


def _sizes_told(claims: dict[str, Claim], table: Table, place: str) -> None:
    """Stop where an area or a width of decks has no unit and can hardly be in the one it is kept in."""
    for name in ("deck_area_m2", "width_m"):
        claim = claims.get(name)
        if claim is None or claim.unit or claim.share_of or claim.rank == 9:
            continue
        unsure = (
            area_unit_unsure(table, claim.index, _length_at(table))
            if name == "deck_area_m2"
            else width_unit_unsure(table, claim.index)
        )
        if unsure:
            asked = unit_question(table, claim.index, claim.column, _length_at(table))
            raise RecordError(f"{place}, {claim.header}: {asked}")


def no_deck_number(table: Table) -> tuple[int, str] | None:
    """The column that only by its header could number decks and does not, beside numbers of bridges; and why.

    An area of deck is no number of a deck, and a number of a deck stands for one bridge.
    """
    deck_id, bridge_id = column_named("deck_id"), column_named("bridge_id")
    assert deck_id is not None and bridge_id is not None  # noqa: S101, PT018
    of = [(i, h, fits(h, deck_id), fits(h, bridge_id)) for i, h in enumerate(table.headers) if h]
    deck = next(((i, h) for i, h, fit, _ in of if fit is not None and fit[1] >= 2), None)
    bridge = next((i for i, _, _, fit in of if fit is not None), None)
    if deck is None or bridge is None or any(fit is not None and fit[1] == 1 for _, _, fit, _ in of):
        return None
    cells = table.cells[deck[0]].astype("str").str.strip()
    given = (cells != "").to_numpy(dtype=bool)
    cells, bridges = cells[given], table.cells[bridge].astype("str")[given]
    if cells.str.fullmatch(r"[0-9,]*\.[0-9]*[1-9][0-9]*").any():
        return deck[0], f"{deck[1]!r} holds figures, not numbers of decks"
    pairs = pd.DataFrame({"deck": cells, "bridge": bridges}).drop_duplicates()
    if pairs["deck"].duplicated().any():
        return deck[0], f"one value of {deck[1]!r} stands for several bridges, so it is no number of a deck"
    return None


def _several_looks(found: dict[str, list[Claim]]) -> list[Claim]:
    """Columns beside the first that say what a survey looked at, such as a span beside a lane; taken out."""
    claims = sorted(found.get("looked_at", []), key=lambda c: c.rank)
    found.update({"looked_at": claims[:1]} if claims else {})
    return claims[1:]


_YEAR = re.compile(r"\b(?:19|20)\d\d\b")


def years_in_headers(table: Table) -> tuple[Table, dict[str, str]]:
    """A table whose counts have their year in the header, such as ``AADT 2022``, with the year as a column.

    Returns
    -------
    table : Table
        With one count a row where the table holds counts of several years and nothing else of bridges; else as
        it was, but for the header of a single count.
    values : dict
        The year of every row, where there is but one.
    """
    aadt, year = column_named("aadt"), column_named("year")
    assert aadt is not None and year is not None  # noqa: S101, PT018
    found = {}
    for index, header in enumerate(table.headers):
        years = _YEAR.findall(normal(header))
        if len(years) == 1 and fits(_YEAR.sub("", normal(header)), aadt) is not None:
            found[index] = years[0]
        elif fits(header, aadt) is not None or fits(header, year) is not None:
            return table, {}
    if len(found) == 1:
        ((index, when),) = found.items()
        heads = [aadt.name if i == index else h for i, h in enumerate(table.headers)]
        return replace(table, headers=tuple(heads)), {year.name: when}
    rest = [i for i in range(len(table.headers)) if i not in found]
    others = {c.name for i in rest for c in columns_for("bridge") if fits(table.headers[i], c) is not None}
    if not found or table.shape is not None or not others & set(DECK_KEYS) or others - {*DECK_KEYS, "name", "route"}:
        return table, {}
    parts, at = [], []
    for index, when in found.items():
        given = np.flatnonzero((table.cells[index].str.strip() != "").to_numpy(dtype=bool))
        part = table.cells.iloc[given][[*[i for i in rest if set(DECK_KEYS) & _keys(table.headers[i])], index]]
        parts.append(part.set_axis(range(part.shape[1]), axis=1).assign(year=when))
        at.append(given)
    rows = np.concatenate(at)
    order = np.argsort(table.line[rows], kind="stable")
    cells = pd.concat(parts, ignore_index=True).iloc[order].reset_index(drop=True)
    heads = [*[table.headers[i] for i in rest if set(DECK_KEYS) & _keys(table.headers[i])], aadt.name, year.name]
    note = f"counts of {len(found)} years stand beside each other in a row: {', '.join(found.values())}"
    made = replace(
        table, headers=tuple(heads), cells=cells.set_axis(range(len(heads)), axis=1).astype("str"),
        line=table.line[rows][order], typed=None, odd=[], notes=[*table.notes, note],
    )  # fmt: skip
    return made, {}


def _keys(header: str) -> set[str]:
    return {c.name for c in columns_for("bridge") if c.name in DECK_KEYS and fits(header, c) is not None}


def places(table: Table) -> dict[int, Column]:
    """Columns, by position, of places that are no longitude and latitude: a shape as text, or a pair of coordinates."""
    heads = [" ".join(w for w in normal(h).split() if w not in _PLACE_UNITS) for h in table.headers]
    for one, other in _PAIRS:
        if one in heads and other in heads:
            return {heads.index(one): _EASTING, heads.index(other): _NORTHING}
    return next(({heads.index(h): _PLACE} for h in _PLACE_NAMES if h in heads), {})


_UNIT = Column("unit", "text", "", "Unit of the row.")
_EASTING = Column("easting", "number", "", "First coordinate of the place, in the system stated.")
_NORTHING = Column("northing", "number", "", "Second coordinate of the place, in the system stated.")
_PLACE = Column("place_shape", "text", "", "Shape on the ground, in the system stated.")
_PLACE_UNITS = ("m", "ft", "us", "metres", "meters", "feet", "coord", "coordinate", "utm", "wgs84")
_PAIRS = (
    ("easting", "northing"), ("eastings", "northings"), ("east", "north"), ("x", "y"), ("e", "n"),
    ("point x", "point y"), ("rechtswert", "hochwert"), ("est", "nord"), ("este", "norte"), ("ost", "nord"),
    ("øst", "nord"),
)  # fmt: skip
_PLACE_NAMES = ("wkt", "geometry", "geom", "the geom", "shape", "wkb", "wkb geometry", "point")
_NUMBERED = re.compile(r"(.{1,8})_(\d{1,2})")
CUT = 10  # characters of a header that a shapefile keeps


def _fits_cut(table: Table, header: str, of: Column, place: str) -> tuple[str, int] | None:
    """As ``_fits`` for a header cut to ten characters; a unit that may have been cut off is never guessed."""
    if not table.cut or len(header) != CUT:
        return None
    text = header.lower()
    numbered = _NUMBERED.fullmatch(text)
    stem = (numbered[1] if numbered else text).replace("_", " ")
    known = [s for s, _ in spellings(of)]
    if not any(s.startswith(stem) and len(s) > len(stem) for s in known) or len(stem) < 6:
        return None
    if of.kind == "number" and of.unit:
        same = [i for i, h in enumerate(table.headers) if len(h) == CUT and h.lower()[:8] == text[:8]]
        same = [i for i in same if holds_figures(table, i)]
        if table.headers.index(header) not in same:
            return None
        names = " and ".join(f"{table.headers[i]!r} (its first value is {first_value(table, i)})" for i in same)
        raise RecordError(
            f"{place}: {names}: the format cut the name to ten characters, and its unit with it ({of.name}, or "
            f"{'a share in %' if of.unit == 'm2' else 'another unit'}?). State it in a mapping file (--map) under "
            f'[columns], such as "{header}" = "{of.name} in {"m2" if of.unit == "m2" else of.unit}" or "{header}" = '
            f'"{of.name} in {"%" if of.unit == "m2" else "ft"}", and "" for a header to leave out.'
        )
    return None if numbered else ("", 3)


def _alike(found: dict[str, list[Claim]], table: Table) -> None:
    """Headers that claim one column and hold the same in every row count as one."""
    for name, claims in found.items():
        kept: list[Claim] = []
        for claim in claims:
            same = any(
                k.unit == claim.unit and k.share_of == claim.share_of
                and table.cells[k.index].equals(table.cells[claim.index])
                for k in kept
            )  # fmt: skip
            if not same or claim.rank == 9:
                kept.append(claim)
        found[name] = kept


def _settle(found: dict[str, list[Claim]], unused: dict[int, str], place: str) -> dict[str, Claim]:
    claims: dict[str, Claim] = {}
    taken: set[int] = set()
    # The surest names choose first; then columns with the fewest headers to choose from.
    order = sorted(found, key=lambda n: (min(c.rank for c in found[n]), len(found[n])))
    for name in order:
        free = [c for c in found[name] if c.index not in taken]
        if not free:
            continue
        top = min(c.rank for c in free)
        best = [c for c in free if c.rank == top]
        if len(best) > 1 and len([c for c in best if not c.share_of]) == 1:
            # The same figure once as an area and once as a share: the area is used, the share is a check on it.
            beside = [c for c in best if c.share_of]
            best = [c for c in best if not c.share_of]
            if len(beside) == 1:
                claims[AS_SHARE + name] = beside[0]
                taken.add(beside[0].index)
                unused[beside[0].index] = f"{name} is taken from {best[0].header!r}; this is held against it"
        if len(best) > 1:
            names = " and ".join(repr(c.header) for c in best)
            raise RecordError(
                f"{place}: the headers {names} both stand for {name}, and nothing tells which is meant. State it in a "
                f'mapping file (--map) under [columns], such as "{best[0].header}" = "{name}" and '
                f'"{best[1].header}" = "".'
            )
        claims[name] = best[0]
        taken.add(best[0].index)
        for other in free:
            if other.index != best[0].index:
                unused.setdefault(other.index, f"{name} is taken from {best[0].header!r}")
    for name, claim in claims.items():
        if not name.startswith(AS_SHARE):
            unused.pop(claim.index, None)
    return claims

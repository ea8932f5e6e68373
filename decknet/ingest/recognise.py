"""Which kind of record a table holds, and which of its columns is which, in what unit."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

from decknet.columns import RECORDS, Column, normal
from decknet.errors import RecordError
from decknet.units import factor_to

if TYPE_CHECKING:
    from pathlib import Path

    from decknet.ingest.read import Table

__all__ = [
    "DECK_KEYS",
    "KINDS",
    "TOTALS",
    "Claim",
    "Stated",
    "claim_columns",
    "is_known_header",
    "kind_of",
    "read_mapping",
]

KINDS = (*RECORDS, "national")
DECK_KEYS = ("deck_id", "bridge_id")
TOTALS = ("delaminated_m2", "spalled_m2", "hole_m2", "exposed_bar_m2", "failed_patch_m2", "unsound_m2")
STRIP = ("from_station_m", "to_station_m", "from_offset_m", "to_offset_m")

# Columns a table of one kind may carry beside its own: keys by which it names a deck or a survey,
# and records of other kinds in the same row.
_BESIDE: dict[str, tuple[str, ...]] = {
    "bridge": (*RECORDS["deck"].names(), *RECORDS["traffic"].names(), *RECORDS["rating"].names()),
    "deck": (*RECORDS["bridge"].names(), *RECORDS["traffic"].names(), *RECORDS["rating"].names()),
    "survey": ("bridge_id",),
    "defect": ("deck_id", "bridge_id", "survey_date", "method", *STRIP),
    "repair": ("bridge_id", *STRIP),
}

# Words in the name of a sheet, layer or file, and the kind of record it then holds.
NAMED_FOR = {
    "defect": (
        "defect", "defects", "delamination", "delaminations", "distress", "distresses", "spall", "spalls", "hollow",
        "hollows", "décollement", "décollements", "decollement", "decollements", "polygons",
    ),
    "repair": ("repair", "repairs", "patch", "patches", "patching", "repaired"),
    "survey": ("survey", "surveys", "sounding", "soundings"),
    "traffic": ("traffic", "counts", "aadt", "adt"),
    "deck": ("deck", "decks"),
    "bridge": ("bridge", "bridges", "inventory", "structures"),
}  # fmt: skip
BASE_NAMES = {
    "shoreline": ("shoreline", "shorelines", "coast", "coastline", "coastlines", "sea", "lake", "lakes"),
    "river": ("river", "rivers", "stream", "streams", "watercourse", "watercourses"),
    "route": ("route", "routes", "road", "roads", "highway", "highways"),
    "town": ("town", "towns", "city", "cities", "village", "villages", "settlement", "settlements", "places"),
    "boundary": ("boundary", "boundaries", "border", "borders", "district", "districts", "limits"),
}

_UNIT_WORDS = {
    "veh/day": ("veh day", "veh d", "vehicles day", "vehicles a day", "vehicles per day", "vpd", "veh per day"),
    "yr": ("yr", "year"),
    "km/h": ("km h",),
    "°C": ("deg c", "celsius"),
}
_OF = {"of deck": "deck", "of deck area": "deck", "of surveyed": "surveyed", "of surveyed area": "surveyed", "": ""}


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


@dataclass(frozen=True, slots=True)
class Stated:
    """What the user states about a file, from a mapping file."""

    columns: dict[str, str] = field(default_factory=dict)
    crs: str = ""
    sheet: str = ""
    kind: str = ""
    dates: str = ""
    decimal: str = ""
    source: str = ""


def read_mapping(path: Path | None) -> Stated:
    """The mapping file.

    Parameters
    ----------
    path : Path or None
        TOML with a table ``[columns]`` (their header = our column, or "our_column in unit"; an empty
        text leaves the header out) and the keys ``crs``, ``sheet`` or ``layer``, ``as``, ``dates``
        ("day first" or "month first") and ``decimal`` ("." or ",").

    Raises
    ------
    RecordError
        The file cannot be read, or a key or value cannot be used.
    """
    if path is None:
        return Stated()
    try:
        data: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as why:
        raise RecordError(f"{path}: the mapping cannot be read as UTF-8 text ({why}).") from why
    except tomllib.TOMLDecodeError as why:
        raise RecordError(f"{path}: the mapping is not valid TOML ({why}). Put headers and columns in quotes.") from why
    known = ("columns", "crs", "sheet", "layer", "as", "dates", "decimal")
    for key, value in data.items():
        if key not in known:
            raise RecordError(f"{path}, {key}: not a key of a mapping. Known: {', '.join(known)}.")
        if key != "columns" and not isinstance(value, str):
            raise RecordError(f"{path}, {key}: {value!r} is not text. Put it in quotes.")
    columns = data.get("columns", {})
    if not isinstance(columns, dict) or not all(isinstance(v, str) for v in columns.values()):
        raise RecordError(f'{path}, columns: must be lines of "their header" = "our_column" under [columns].')
    for header, wanted in columns.items():
        name, _, unit = (p.strip() for p in wanted.partition(" in "))
        found = _column(name)
        if name and found is None and name != "unit":
            near = difflib.get_close_matches(name, sorted({n for r in RECORDS.values() for n in r.names()}), 1)
            raise RecordError(
                f"{path}, columns, {header!r}: {name!r} is no column of ours."
                + (f" Is {near[0]} meant?" if near else " The column reference lists them.")
            )
        if unit and found is not None and unit_of(unit, found) is None:
            raise RecordError(
                f"{path}, columns, {header!r}: {unit!r} is no unit for {name}, kept in {found.unit or 'no unit'}."
            )
    for key, allowed in (("dates", ("day first", "month first")), ("decimal", (".", ","))):
        if key in data and data[key] not in allowed:
            raise RecordError(f"{path}, {key}: {data[key]!r} must be {' or '.join(repr(a) for a in allowed)}.")
    return Stated(
        columns,
        data.get("crs", ""),
        data.get("sheet", data.get("layer", "")),
        data.get("as", ""),
        data.get("dates", ""),
        data.get("decimal", ""),
        str(path),
    )


def unit_of(unit: str, of: Column) -> tuple[float, float, str] | None:
    """Factor, offset and what a share is of, for a unit as written; None where it does not fit."""
    words = unit.strip().lower()
    if words == "":
        return (1.0, 0.0, "")
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


def _column(name: str) -> Column | None:
    return next((c for r in RECORDS.values() for c in r.columns if c.name == name), None)


@cache
def _spellings(found: Column) -> tuple[tuple[str, int], ...]:
    """Spellings of one of our columns, own name first, each with its rank."""
    own = normal(found.name)
    out = [(own, 1)]
    tail = own.split()
    if found.unit and len(tail) > 1 and unit_of(tail[-1], found) is not None:
        out.append((" ".join(tail[:-1]), 1))
    out += [(a, 2) for a in found.also]
    return tuple(dict(reversed(out)).items())


def _fits(header: str, of: Column) -> tuple[str, int] | None:
    """Unit in a header and the rank of its name, where the header is one for the column."""
    words = normal(header).split()
    best: tuple[str, int] | None = None
    for spelling, rank in _spellings(of):
        close = spelling.replace(" ", "")
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
def _columns_for(kind: str) -> tuple[Column, ...]:
    own = {c.name: c for c in RECORDS[kind].columns}
    for name in _BESIDE.get(kind, ()):
        found = _column(name)
        if found is not None:
            own.setdefault(name, found)
    return tuple(own.values())


@cache
def is_known_header(text: str) -> bool:
    """Whether a cell reads like the header of any of our columns."""
    if len(text) > 80 or not any(c.isalpha() for c in text):
        return False
    if text.strip("\"' ").upper() == "STRUCTURE_NUMBER_008":
        return True
    return any(_fits(text, c) is not None for r in RECORDS.values() for c in r.columns)


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
    wanted = {normal(h): v for h, v in stated.columns.items()}
    for index, header in enumerate(table.headers):
        if not header:
            unused[index] = "has no header"
            continue
        if normal(header) in wanted:
            name, _, unit = (p.strip() for p in wanted[normal(header)].partition(" in "))
            if not name:
                unused[index] = "left out by the mapping"
                continue
            of = next((c for c in _columns_for(kind) if c.name == name), None) or _column(name)
            if of is None:
                of = Column("unit", "text", "", "Unit of the row.")
            if not unit and name != "unit":
                fit = unit_of(normal(header).split()[-1], of)
                unit = normal(header).split()[-1] if fit is not None and len(normal(header).split()) > 1 else ""
            factor, offset, share = unit_of(unit, of) or (1.0, 0.0, "")
            found.setdefault(name, []).append(Claim(index, header, of, unit, factor, offset, share, "stated", 0))
            continue
        if normal(header) in ("unit", "units", "uom"):
            of = Column("unit", "text", "", "Unit of the row.")
            found.setdefault("unit", []).append(Claim(index, header, of, "", 1.0, 0.0, "", "unit of the row", 1))
            continue
        for of in _columns_for(kind):
            fitting = _fits(header, of)
            if fitting is None:
                continue
            factor, offset, share = unit_of(fitting[0], of) or (1.0, 0.0, "")
            why = "named so" if fitting[1] == 1 else "known by this name"
            if of.unit and not fitting[0] and of.unit not in ("yr", "currency", "veh/day", "deg"):
                why += f"; no unit in the header, taken as {of.unit}"
            found.setdefault(of.name, []).append(
                Claim(index, header, of, fitting[0], factor, offset, share, why, fitting[1])
            )
    claims = _settle(found, unused, place)
    for index, header in enumerate(table.headers):
        if index not in unused and not any(c.index == index for c in claims.values()):
            unused[index] = f"no column of a {kind} record is known by {header!r}"
    return claims, unused


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
            # The same figure once as an area and once as a share: the area is used.
            best = [c for c in best if not c.share_of]
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
    for claim in claims.values():
        unused.pop(claim.index, None)
    return claims


def _named_for(table: Table, names: dict[str, tuple[str, ...]]) -> str:
    words = set(normal(table.name).split())
    return next((kind for kind, known in names.items() if words & set(known)), "")


def base_kind(table: Table) -> str:
    """The kind of base map the layer is named for; empty where for none."""
    return _named_for(table, BASE_NAMES)


def kind_of(table: Table, stated: Stated) -> str:
    """The kind of record a table holds; empty where it cannot be told.

    Parameters
    ----------
    table : Table
    stated : Stated

    Returns
    -------
    str
        One of ``KINDS``, or empty.
    """
    if table.national:
        return "national"

    def has(kind: str) -> set[str]:
        seen: set[str] = set()
        taken = {normal(h): v for h, v in stated.columns.items()}
        for header in table.headers:
            if normal(header) in taken:
                seen.add(taken[normal(header)].partition(" in ")[0].strip())
            elif header:
                seen |= {c.name for c in _columns_for(kind) if _fits(header, c) is not None}
        return seen

    survey, repair, defect, bridge = has("survey"), has("repair"), has("defect"), has("bridge")
    key = bool(bridge & set(DECK_KEYS))
    name = _named_for(table, NAMED_FOR)
    words = {w for h in table.headers for w in normal(h).split()}
    drawn = "shape" in defect or set(STRIP) <= defect
    if table.shape is not None:
        import shapely

        drawn = drawn or bool((shapely.get_dimensions(table.shape) == 2).any())
    size = bool(bridge & {"length_m", "width_m"})
    told = bool(bridge & {"name", "longitude_deg", "latitude_deg", "built_year", "route", "detour_km"})
    if {"cs1", "cs2", "element"} <= has("element_quantity"):
        return "element_quantity"
    if table.shape is not None and base_kind(table) and not key:
        return "base"
    repairish = name == "repair" or bool(words & {"repair", "repaired", "treatment", "repairs"})
    if repairish and key and "repair_date" in repair:
        return "repair"
    named = key or "survey_id" in survey
    total = bool(survey & set(TOTALS))
    dated = "survey_date" in survey
    if named and not total and (name == "defect" or (drawn and (dated or "survey_id" in defect) and name != "survey")):
        return "defect"
    if key and dated and not drawn and not total and "kind" in defect and "area_m2" in defect:
        return "defect"
    if key and dated and (total or bool({"surveyed_m2", "method"} & survey) or name == "survey"):
        return "survey"
    rest = _rest_of(bridge, size=size, told=told, key=key)
    if not rest and key and table.shape is not None and name in ("bridge", "deck"):
        return name
    return rest


def _rest_of(bridge: set[str], *, size: bool, told: bool, key: bool) -> str:
    if not key:
        return ""
    if "deck_rating" in bridge and "rated_year" in bridge and not size and not told:
        return "rating"
    if "aadt" in bridge and not size and not told:
        return "traffic"
    if "deck_id" in bridge and not told and (size or bool(bridge & {"centreline", "slab_mm", "bar_kind", "outline"})):
        return "deck"
    if size or told:
        return "bridge"
    return ""

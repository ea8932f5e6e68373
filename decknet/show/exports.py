"""Records in the open national formats: inventory, element records, successor specification.

A format carries what it has a place for. What is left out, cut or rounded is said in plain words
beside the text, never passed over.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from decknet import digits
from decknet.columns.deck_kinds import CONCRETE_DECK, CULVERT_KIND, retired_decks
from decknet.columns.inventory import (
    BARS,
    CULVERT,
    DECKS,
    EASTERN,
    FIELDS,
    KEY,
    OWNERS,
    PREFIXES,
    QUOTED,
    RECORD_LENGTH,
    SURFACES,
    TAIL,
    Field,
)
from decknet.columns.successor import BRIDGE_TAGS, ELEMENT_TAGS, TRUCKS
from decknet.units import factor_to

__all__ = ["Export", "element_records", "inventory", "successor"]

Records = Mapping[str, pd.DataFrame]
Cell = str | float | None

OTHER_PREFIX = "8"  # item 5B: none of the systems named
MANY_EXAMPLES = 3
_SURFACE_CODES = {words: code for code, words in reversed(SURFACES.items())}
_BAR_CODES = {words: code for code, words in BARS.items()}
_OWNER_CODES = {words: code for code, words in OWNERS.items()}
_DECK_CODES = {kind: code for code, kind in reversed(DECKS.items())}  # concrete is 1, cast in place
_PREFIX_CODES = {words: code for code, words in PREFIXES.items()} | {"route": OTHER_PREFIX}
_NO_PLACE = ("survey", "defect", "active_area", "repair", "closing", "base", "condition")
_ROUTE = re.compile(rf"({'|'.join(map(re.escape, _PREFIX_CODES))}) (\S{{1,5}})")
_ROUNDED = (
    "Lengths and widths are given to 0.1 m, positions to 0.01 second, detours to 1 km, counts to 1 vehicle and truck "
    "shares to 1 %; slab, cover, exposure, joints, centreline and outline are left out."
)
_ROUNDED_TAGS = (
    "Lengths and widths are given to 0.1 ft, positions to a millionth of a degree, detours to 1 mile and counts to 1 "
    "vehicle; owner, route, bars, surface, slab, cover, exposure, joints, centreline and outline are left out."
)
_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True)
class Export:
    """A file's content, and what it leaves out.

    Attributes
    ----------
    content : bytes
    records : int
        Bridges, or element records, in it.
    notes : list of str
        What is left out, cut or rounded, a sentence each.
    """

    content: bytes
    records: int
    notes: list[str] = field(default_factory=list)


class _Left:
    """Counts what a format cannot carry, with a few examples of each."""

    def __init__(self) -> None:
        self.found: dict[str, list[str]] = {}

    def out(self, why: str, name: object) -> None:
        self.found.setdefault(why, []).append(str(name))

    def said(self) -> list[str]:
        lines = []
        for why, names in self.found.items():
            shown = ", ".join(names[:MANY_EXAMPLES]) + (" and others" if len(names) > MANY_EXAMPLES else "")
            lines.append(f"{len(names)} {why}: {shown}.")
        return lines


def _structures(records: Records, left: _Left, longest: int | None = None) -> pd.DataFrame:
    """One row for each bridge with one deck, with its latest count and rating."""
    bridges, decks = records["bridge"], records["deck"]
    retired = retired_decks(decks)
    for ident in decks["deck_id"][retired]:
        left.out("decks are retired and are left out", ident)
    decks = decks[~retired]
    count = decks.groupby("bridge_id").size().reindex(bridges["bridge_id"]).fillna(0).to_numpy()
    for ident in bridges["bridge_id"][count == 0]:
        left.out("bridges have no deck and are left out", ident)
    for ident in bridges["bridge_id"][count > 1]:
        left.out("bridges have several decks, for which the format has no place, and are left out", ident)
    fits = (
        np.ones(len(bridges), dtype=bool) if longest is None else (bridges["bridge_id"].str.len() <= longest).to_numpy()
    )
    for ident in bridges["bridge_id"][(count == 1) & ~fits]:
        left.out(f"bridges have a number of over {longest} characters and are left out", ident)
    one = bridges[(count == 1) & fits].merge(decks, on="bridge_id", how="left", suffixes=("", "_deck"))
    for name in ("longitude_deg", "latitude_deg"):
        one[name] = one[f"{name}_deck"].fillna(one[name])
    for deck, bridge in zip(one["deck_id"], one["bridge_id"], strict=True):
        if deck != bridge:
            left.out("decks come back under the number of their bridge", deck)
    counts = records["traffic"].sort_values(["bridge_id", "year"], na_position="first")
    counts = counts.drop_duplicates("bridge_id", keep="last").set_index("bridge_id")
    ratings = records["rating"].sort_values(["bridge_id", "rated_year"], na_position="first")
    ratings = ratings.groupby("bridge_id").last()
    one = one.merge(counts[["year", "aadt", "truck_share"]], left_on="bridge_id", right_index=True, how="left")
    return one.merge(ratings[["rated_year", "deck_rating"]], left_on="bridge_id", right_index=True, how="left")


def _older(records: Records) -> list[str]:
    more = [len(records[k]) - records[k]["bridge_id"].nunique() for k in ("traffic", "rating")]
    return [f"{n} older {words} are left out: the file holds the latest of each bridge."
            for n, words in zip(more, ("counts", "ratings"), strict=True) if n]  # fmt: skip


def _beyond(records: Records, kinds: tuple[str, ...]) -> list[str]:
    held = [f"{digits.count(len(records[k]))} {k.replace('_', ' ')}" for k in kinds if k in records and len(records[k])]
    return [f"The format has no place for these records: {', '.join(held)}."] if held else []


def _given(value: Any) -> bool:
    return not (value is None or value is pd.NA or value != value)


# ---- the inventory ------------------------------------------------------------------------------


def inventory(records: Records, *, state: str = "", fixed: bool = False) -> Export:
    """Bridges with one deck, and culverts, as the national inventory.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Current records by kind, columns of ``columns.RECORDS``.
    state : str
        Item 1 as it shall stand in every record; empty where it is not told.
    fixed : bool
        Records of 432 characters; else delimited text of 123 columns.

    Returns
    -------
    Export
    """
    left = _Left()
    table = _structures(records, left, FIELDS[KEY].width)
    rows = [_items(row, state, left, fixed=fixed) for row in table.to_dict("records")]
    lines = [_record(row) for row in rows] if fixed else [",".join([*FIELDS, *TAIL]), *(_delimited(r) for r in rows)]
    text = "".join(line + "\r\n" for line in lines)
    notes = [
        *left.said(),
        *_older(records),
        *_beyond(records, (*_NO_PLACE, "element_quantity")),
        _ROUNDED,
        "The month of inspection is not held, and January is written; concrete decks are written as cast in place.",
    ]
    return Export(text.encode("ascii" if fixed else "utf-8"), len(rows), notes)


def _items(row: dict[str, Any], state: str, left: _Left, *, fixed: bool) -> dict[str, Cell]:
    """Items of one bridge by header; None where not told."""
    ident = row["bridge_id"]
    state = str(row["state_code"]) if _given(row["state_code"]) else state
    out: dict[str, Cell] = {"STATE_CODE_001": state, KEY: ident, "RECORD_TYPE_005A": "1", "CULVERT_COND_062": "N"}
    kind = row["deck_kind"] if _given(row["deck_kind"]) else CONCRETE_DECK
    out["DECK_STRUCTURE_TYPE_107"] = _DECK_CODES.get(kind, "")
    if kind == CULVERT_KIND:
        out["STRUCTURE_TYPE_043B"] = CULVERT
    elif kind not in _DECK_CODES:
        left.out("kinds of structure have no code in the format and are left out", ident)

    def text(header: str, value: Any, what: str) -> None:
        held = " ".join(str(value).split()) if _given(value) else ""
        if fixed and not held.isascii():
            left.out(f"{what} have letters that the format cannot write, and ? stands for them", ident)
            held = held.encode("ascii", "replace").decode()
        if len(held) > FIELDS[header].width:
            left.out(f"{what} are cut to {FIELDS[header].width} characters", ident)
        out[header] = held[: FIELDS[header].width].strip()

    def number(header: str, value: Any, what: str, scale: float = 1.0) -> None:
        if not _given(value):
            return
        made = round(float(value) * scale, FIELDS[header].decimals)
        if len(_digits(made, FIELDS[header])) > FIELDS[header].width or made < 0:
            left.out(f"{what} do not fit the item and are left out", ident)
            return
        out[header] = made

    on, over, features = str(row["name"] if _given(row["name"]) else "").partition(" over ")
    text("FACILITY_CARRIED_007", on, "names")
    text("FEATURES_DESC_006A", features if over else "", "names")
    text("LOCATION_009", row["place"], "places")
    _coded(row, out, left)
    number("DETOUR_KILOS_019", row["detour_km"], "detours")
    for header, name in (
        ("YEAR_BUILT_027", "built_year"),
        ("TRAFFIC_LANES_ON_028A", "lanes"),
        ("ADT_029", "aadt"),
        ("YEAR_ADT_030", "year"),
        ("MAIN_UNIT_SPANS_045", "spans"),
        ("STRUCTURE_LEN_MT_049", "length_m"),
        ("DECK_WIDTH_MT_052", "width_m"),
        ("YEAR_RECONSTRUCTED_106", "deck_built_year"),
    ):
        number(header, row[name], f"figures of {name}")
    number("PERCENT_ADT_TRUCK_109", row["truck_share"], "truck shares", 100.0)
    if _given(row["deck_rating"]):
        out["DECK_COND_058"] = str(int(row["deck_rating"]))
        if _given(row["rated_year"]):
            out["DATE_OF_INSPECT_090"] = f"01{int(row['rated_year']) % 100:02d}"
    _position(row, state, out, left)
    return out


def _coded(row: dict[str, Any], out: dict[str, Cell], left: _Left) -> None:
    ident = row["bridge_id"]
    district, route = ("" if not _given(row[n]) else str(row[n]) for n in ("district", "route"))
    if len(district) <= FIELDS["HIGHWAY_DISTRICT_002"].width:
        out["HIGHWAY_DISTRICT_002"] = district
    else:
        left.out("districts are no code of 2 characters and are left out", ident)
    found = _ROUTE.fullmatch(route)
    if found:
        out["ROUTE_PREFIX_005B"], out["ROUTE_NUMBER_005D"] = _PREFIX_CODES[found[1]], found[2].zfill(5)
    elif route:
        left.out("routes are of no system and number that the format has, and are left out", ident)
    for name, header, codes in (
        ("owner", "OWNER_022", _OWNER_CODES),
        ("surface_kind", "SURFACE_TYPE_108A", _SURFACE_CODES),
        ("bar_kind", "DECK_PROTECTION_108C", _BAR_CODES),
    ):
        if not _given(row[name]):
            continue
        code = codes.get(row[name], str(row[name]).removeprefix("owner code ") if name == "owner" else "")
        if code and len(code) <= FIELDS[header].width:
            out[header] = code
        else:
            left.out(f"values of {name.replace('_', ' ')} have no code in the format and are left out", ident)
    if _given(row["closed_to_traffic"]) and row["closed_to_traffic"]:
        out["OPEN_CLOSED_POSTED_041"] = "K"
    elif _given(row["posted"]):
        out["OPEN_CLOSED_POSTED_041"] = "P" if row["posted"] else "A"


def _position(row: dict[str, Any], state: str, out: dict[str, Cell], left: _Left) -> None:
    lon, lat = row["longitude_deg"], row["latitude_deg"]
    if not (_given(lon) and _given(lat)):
        return
    east = state.lstrip("0")[:2] in EASTERN
    if lat < 0 or (lon > 0) != east:
        left.out("positions lie south or east, for which the format has no sign, and are left out", row["bridge_id"])
        return
    out["LAT_016"], out["LONG_017"] = _packed(lat, 8), _packed(abs(lon), 9)


def _packed(degrees: float, width: int) -> str:
    """Degrees, minutes, seconds and hundredths packed to digits.

    Examples
    --------
    >>> _packed(40.446333, 8)
    '40264680'
    """
    hundredths = round(degrees * 360_000)
    whole, rest = divmod(hundredths, 360_000)
    minutes, seconds = divmod(rest, 6_000)
    return f"{whole:d}{minutes:02d}{seconds:04d}".zfill(width)


def _digits(value: float, of: Field) -> str:
    return str(round(value * 10**of.decimals)).zfill(of.width)


def _record(row: dict[str, Cell]) -> str:
    cells = []
    for header, of in FIELDS.items():
        value = row.get(header)
        cells.append((_digits(value, of) if isinstance(value, float) else str(value or "")).ljust(of.width)[: of.width])
    return "".join(cells).ljust(RECORD_LENGTH)


def _delimited(row: dict[str, Cell]) -> str:
    cells = []
    for header in FIELDS:
        value = row.get(header)
        text = (
            f"{value:g}" if isinstance(value, float) and abs(value) < 1e5 else str(value if value is not None else "")
        )
        if isinstance(value, float) and value.is_integer():
            text = str(int(value))
        if header in QUOTED:
            text = f"'{text}'"
        cells.append(text.replace(",", " ") if header not in QUOTED else text)
    return ",".join([*cells, *[""] * len(TAIL)])


# ---- element records ----------------------------------------------------------------------------


def element_records(records: Records, *, state: str = "") -> Export:
    """The latest element quantities of each bridge as element records in XML.

    Parameters
    ----------
    records : mapping of str to DataFrame
    state : str
        STATE of every record; empty leaves the tag out.
    """
    held = records["element_quantity"]
    latest = held.groupby("bridge_id")["quantity_date"].transform("max")
    now = held[held["quantity_date"] == latest]
    told = records["bridge"].dropna(subset="state_code") if "bridge" in records else held.iloc[:0].assign(state_code="")
    states = dict(zip(told["bridge_id"], told["state_code"], strict=True))
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', "<FHWAELEMENT>"]
    for row in now.to_dict("records"):
        tags = [("STATE", states.get(row["bridge_id"], state)), ("STRUCNUM", row["bridge_id"]), ("EN", row["element"]),
                ("EPN", row["parent_element"]), ("TOTALQTY", row["total"]),
                *((f"CS{k}", row[f"cs{k}"]) for k in range(1, 5))]  # fmt: skip
        inside = "".join(f"<{t}>{_xml(v)}</{t}>" for t, v in tags if _given(v) and v != "")
        lines.append(f"  <FHWAED>{inside}</FHWAED>")
    lines.append("</FHWAELEMENT>\n")
    days = sorted(now["quantity_date"].dt.date.astype(str).unique())
    notes = []
    if days:
        notes.append(
            f"The format carries no date: these quantities are of {days[0]}"
            + (f" to {days[-1]}. " if len(days) > 1 else ". ")
            + f'To read them again, state date = "{days[-1]}" in a mapping file.'
        )
    if len(now) < len(held):
        notes.append(f"{len(held) - len(now)} older quantities are left out: the file holds the latest of each bridge.")
    notes += _beyond(records, tuple(k for k in records if k != "element_quantity"))
    return Export("\n".join(lines).encode("utf-8"), len(now), notes)


def _xml(value: Any) -> str:
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    return escape(_NO_XML.sub("", str(value)))


# ---- the successor specification ------------------------------------------------------------------


def successor(records: Records) -> Export:
    """Bridges with one deck, and their elements, as the successor specification's JSON."""
    left = _Left()
    table = _structures(records, left)
    held = records["element_quantity"]
    latest = held.groupby("bridge_id")["quantity_date"].transform("max")
    parts = {b: p.to_dict("records") for b, p in held[held["quantity_date"] == latest].groupby("bridge_id")}
    out = []
    for row in table.to_dict("records"):
        tags: dict[str, Any] = {}
        for tag, (name, unit, _) in BRIDGE_TAGS.items():
            if _given(row[name]):
                tags[tag] = _written(row[name], *_ROUNDING.get(tag, (unit, 6)))
        if _given(row["state_code"]):
            tags["BL01"] = str(row["state_code"])
        if TRUCKS not in tags and _given(row["truck_share"]) and _given(row["aadt"]):
            tags[TRUCKS] = round(float(row["truck_share"]) * float(row["aadt"]))
        elements = parts.get(row["bridge_id"], [])
        if elements and _given(row["rated_year"]) and elements[0]["quantity_date"].year != row["rated_year"]:
            left.out(
                "bridges have element quantities of another year than their rating, which are left out",
                row["bridge_id"],
            )
            elements = []
        if elements:
            tags["BIE03"] = elements[0]["quantity_date"].strftime("%Y%m%d")
        elif _given(row["rated_year"]):
            tags["BIE03"] = f"{int(row['rated_year'])}0101"
        if elements:
            tags["ELEMENTS"] = [_element(e) for e in elements]
        out.append(tags)
    for bridge in parts.keys() - set(table["bridge_id"]):
        left.out("bridges with element quantities are left out with them", bridge)
    notes = [
        *left.said(),
        *_older(records),
        *_beyond(records, _NO_PLACE),
        _ROUNDED_TAGS,
        "The day of a rating is not held: the day of the element quantities is written, else 1 January of its year.",
    ]
    return Export((json.dumps(out, indent=1, ensure_ascii=False) + "\n").encode("utf-8"), len(out), notes)


def _element(row: dict[str, Any]) -> dict[str, Any]:
    return {t: _written(row[n], "", 6) for t, n in ELEMENT_TAGS.items() if _given(row[n]) and row[n] != ""}


# Unit written and digits kept, where not six.
_ROUNDING: dict[str, tuple[str, int]] = {"BG02": ("ft", 1), "BG05": ("ft", 1), "BH17": ("mi", 0), "BH09": ("", 0)}
_KEPT_IN = {"ft": "m", "mi": "km"}


def _written(value: Any, unit: str, digits: int) -> Any:
    """A value as JSON holds it, in the unit of the specification."""
    if isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    number = float(value)
    if unit:
        number /= factor_to(unit, _KEPT_IN[unit]) or 1.0
    number = round(number, digits)
    return int(number) if number.is_integer() else number

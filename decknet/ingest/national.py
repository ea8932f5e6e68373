"""The United States national bridge inventory, delimited as published or in records of 432 characters.

Several years of one state make a history: ratings by the year of inspection, counts by their own
year; of the bridge and its deck the latest inspection counts, whatever order files come in.

References
----------
memory: Federal Highway Administration (1995), Recording and Coding Guide for the Structure
Inventory and Appraisal of the Nation's Bridges; items are given by their numbers there.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS, Column
from decknet.columns.deck_kinds import CONCRETE_DECK, CULVERT_KIND
from decknet.columns.inventory import (
    BARS,
    CLOSED,
    CULVERT,
    DECKS,
    EASTERN,
    KEY,
    OWNERS,
    POSTED,
    PREFIXES,
    SURFACES,
)
from decknet.ingest import values
from decknet.ingest.positions import believable
from decknet.ingest.recognise import Claim
from decknet.ingest.structures import retirement

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows
    from decknet.ingest.read import Table
    from decknet.ingest.register import Register

__all__ = ["check_national", "claim_items", "inventory_year", "of_one_state", "unpack_degrees"]

# Header as published: (our column, what it holds).
ITEMS = {
    "STATE_CODE_001": ("state_code", "item 1: tells equal numbers apart, and which states lie east"),
    "STRUCTURE_NUMBER_008": ("bridge_id", "item 8"),
    "RECORD_TYPE_005A": ("", "item 5A: 1 is the record of the route on the bridge"),
    "ROUTE_PREFIX_005B": ("route", "item 5B"),
    "ROUTE_NUMBER_005D": ("route", "item 5D"),
    "HIGHWAY_DISTRICT_002": ("district", "item 2"),
    "FEATURES_DESC_006A": ("name", "item 6A, after what is carried"),
    "FACILITY_CARRIED_007": ("name", "item 7, what is carried"),
    "LOCATION_009": ("place", "item 9"),
    "LAT_016": ("latitude_deg", "item 16, degrees, minutes and seconds packed, north positive"),
    "LONG_017": ("longitude_deg", "item 17, degrees, minutes and seconds packed, west positive"),
    "DETOUR_KILOS_019": ("detour_km", "item 19; 199 means 199 or more"),
    "OWNER_022": ("owner", "item 22"),
    "YEAR_BUILT_027": ("built_year", "item 27"),
    "TRAFFIC_LANES_ON_028A": ("lanes", "item 28A"),
    "ADT_029": ("aadt", "item 29; 0 is a missing count"),
    "YEAR_ADT_030": ("year", "item 30"),
    "APPR_WIDTH_MT_032": ("width_m", "item 32, used where item 52 is 0"),
    "OPEN_CLOSED_POSTED_041": ("posted", "item 41: P and R are posted, K is closed"),
    "STRUCTURE_TYPE_043B": ("deck_kind", "item 43B: 19 is a culvert"),
    "MAIN_UNIT_SPANS_045": ("spans", "item 45"),
    "APPR_SPANS_046": ("spans", "item 46, added to item 45"),
    "STRUCTURE_LEN_MT_049": ("length_m", "item 49"),
    "DECK_WIDTH_MT_052": ("width_m", "item 52"),
    "DECK_COND_058": ("deck_rating", "item 58"),
    "CULVERT_COND_062": ("deck_kind", "item 62: with N in item 58 it says a culvert"),
    "DATE_OF_INSPECT_090": ("rated_year", "item 90, month and two digits of the year"),
    "YEAR_RECONSTRUCTED_106": ("deck_built_year", "item 106, year of reconstruction"),
    "DECK_STRUCTURE_TYPE_107": ("deck_kind", "item 107: 1 and 2 are concrete decks"),
    "SURFACE_TYPE_108A": ("surface_kind", "item 108A"),
    "DECK_PROTECTION_108C": ("bar_kind", "item 108C"),
    "PERCENT_ADT_TRUCK_109": ("truck_share", "item 109, %"),
}


def claim_items(table: Table) -> dict[str, Claim]:
    """The items used, by header."""
    out: dict[str, Claim] = {}
    for index, header in enumerate(table.headers):
        name = header.strip("\"'").upper()
        if name in ITEMS:
            column, why = ITEMS[name]
            of = next((c for r in RECORDS.values() for c in r.columns if c.name == column), None)
            text = Column(column, "text", of.unit if of is not None else "", of.meaning if of is not None else why)
            out[name] = Claim(index, header, text, "", 1.0, 0.0, "", why, 1)
    return out


def unpack_degrees(text: pd.Series, width: int) -> tuple[Floats, Bools]:
    """Degrees out of packed degrees, minutes, seconds and hundredths of a second.

    Parameters
    ----------
    text : Series of str, shape (n,)
        Digits only; leading zeros may be lost.
    width : int
        8 for latitudes (DDMMSSss), 9 for longitudes (DDDMMSSss).

    Returns
    -------
    degrees : array of float, shape (n,)
        NaN where the text is no such figure.
    bad : array of bool, shape (n,)
        Something is written that cannot be: a mark, too many or far too few digits, 60 minutes or
        seconds and more.

    References
    ----------
    derived: degrees + minutes / 60 + seconds / 3600.

    Examples
    --------
    >>> unpack_degrees(pd.Series(["40264680"], dtype="str"), 8)[0].round(6).tolist()
    [40.446333]
    """
    empty = (text == "").to_numpy(dtype=bool)
    zero = text.str.fullmatch(r"0+").to_numpy(dtype=bool)
    form = text.str.fullmatch(rf"\d{{{width - 2},{width}}}").to_numpy(dtype=bool) | zero
    digits = text.where(form, "0" * width).str.zfill(width)
    packed = digits.astype("int64").to_numpy()
    seconds, minutes, degrees = packed % 10_000 / 100.0, packed // 10_000 % 100, packed // 1_000_000
    form = form & (seconds < 60) & (minutes < 60)
    value = np.where(form & ~empty, degrees + minutes / 60.0 + seconds / 3600.0, np.nan)
    return value, ~form & ~empty


class _Items:
    """Items of the rows by header: quotes and outer blanks dropped, empty where there is no such item."""

    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        self.decks: Bools = np.ones(rows.n, dtype=bool)  # rows of decks that may be ranked

    @property
    def live(self) -> Bools:
        """Rows of which what is odd is flagged: those of decks that may be ranked."""
        return self.rows.live & self.decks

    def text(self, header: str) -> pd.Series:
        found = self.rows.text(header)
        if found is None:
            return pd.Series([""] * self.rows.n, dtype="str")
        return found.str.replace(r"^'(.*)'$", r"\1", regex=True).str.strip()

    def number(self, header: str, column: str, *, nil: bool = False) -> Floats:
        """A figure; out of range or no number, it is flagged and left missing, and the bridge stays."""
        text = self.text(header)
        found = values.numbers(text, np.ones(self.rows.n, dtype=bool))
        of = next(c for r in RECORDS.values() for c in r.columns if c.name == column)
        value = found.value.copy()
        empty = (text == "").to_numpy(dtype=bool)
        wrong = found.bad & ~empty
        self.rows.fault(
            wrong & self.live,
            header,
            "F-NUMBER",
            f"a number is needed; {column} is left missing",
            "Correct the item.",
            "flag",
        )
        zero = value == 0
        if nil:
            value[zero] = np.nan
        if of.low is not None and of.high is not None:
            scaled = value / 100.0 if column == "truck_share" else value
            out = (scaled < of.low) | (scaled > of.high)
            rule = f"{column} must lie between {of.low:g} and {of.high:g} {of.unit}".strip() + "; it is left missing"
            self.rows.fault(out & self.live, header, "F-RANGE", rule, "Correct the item.", "flag")
            value[out] = np.nan
        return value


def check_national(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Bridges, their decks, traffic and deck ratings.

    Culverts and decks that are not of concrete are kept as such, and never ranked; a deck that was concrete on record
    and is none of them here is retired, with this file as the reason. Records of routes under a bridge are set aside.
    Where a later inspection of a bridge is on record, its rating and count are added and the bridge and its deck are
    left as they stand.
    """
    items = _Items(rows)
    year = inventory_year(rows)
    _under(rows, items)
    kind = _kinds(rows, items)
    ident = items.text("STRUCTURE_NUMBER_008")
    empty = (ident == "").to_numpy(dtype=bool)
    rows.fault(empty, "STRUCTURE_NUMBER_008", "R-MISSING", "item 8 must be given: it tells bridges apart", "Fill it.")
    state = items.text("STATE_CODE_001").str[:2]
    state = state.where(state.str.strip("0") != "", "")
    of_one_state(rows, register, ident, state, "STATE_CODE_001")
    kept = pd.DataFrame({"bridge": ident})
    rows.conflicts(kept, "bridge", "STRUCTURE_NUMBER_008", "Keep the right line.")
    columns: dict[str, Any] = {"bridge_id": ident, "deck_id": ident, "state_code": state}
    columns.update(_described(items))
    columns.update(_sized(rows, items))
    columns["longitude_deg"], columns["latitude_deg"] = _placed(rows, items)
    counted, rated = _counted(rows, items, columns), _rated(rows, items, columns, year)
    columns["deck_kind"] = kind
    columns["kind_year"] = columns["inspected"] if year is None else np.full(rows.n, float(year))
    columns.update(retirement(rows, register, ident, kind, columns["kind_year"]))
    older = _older(rows, ident, columns, register, counted, rated)
    held = {n: columns.get(n) for n in RECORDS["deck"].names() if not n.endswith("tude_deg")}
    out = {
        "bridge": rows.records("bridge", {n: columns.get(n) for n in RECORDS["bridge"].names()}, ~older),
        "deck": rows.records("deck", held, ~older),
    }
    register.add_bridges(out["bridge"])
    register.add_decks(out["deck"])
    for kind, which in (("traffic", counted), ("rating", rated)):
        if which.any():
            out[kind] = rows.records(kind, {n: columns.get(n) for n in RECORDS[kind].names()}, which)
    return out


def of_one_state(rows: Rows, register: Register, ident: pd.Series, state: pd.Series, column: str) -> None:
    """Refuse rows whose number stands for a bridge of another state, on record or earlier in the file.

    Parameters
    ----------
    rows : Rows
    register : Register
    ident, state : Series of str, shape (n,)
        Number of the bridge, and code of its state; empty where not given.
    column : str
        Header of the state.
    """
    given = state.where(state != "").str.lstrip("0")
    own = given.where(rows.live)
    first = own.groupby(ident.to_numpy()).transform("first")
    held = ident.map(register.states).astype("str").str.lstrip("0")
    held = held.where(held.notna(), first)
    other = (held.notna() & given.notna() & (held != given)).to_numpy(dtype=bool) & rows.live
    rule = {
        int(i): f"bridge {ident.iloc[i]} is a bridge of state {held.iloc[i]} already, and this row is of state "
        f"{given.iloc[i]}: two bridges with one number"
        for i in np.flatnonzero(other)
    }
    rows.fault(other, column, "R-OTHER-STATE", rule, "Keep each state in a store of its own, or change the number.")


def inventory_year(rows: Rows) -> int | None:
    """Year of the inventory: as stated, else the one year in the file's name; None where neither tells it."""
    if rows.stated.year is not None:
        rows.said[""] = f"inventory of {rows.stated.year}, as stated"
        return rows.stated.year
    found = {int(y) for y in re.findall(r"(?<!\d)(?:19|20)\d\d(?!\d)", rows.file)}
    named = found.pop() if len(found) == 1 else None
    if named is None or named > rows.today.year:
        return None
    rows.said[""] = f"inventory of {named}, the year in the file's name"
    return named


def _older(
    rows: Rows, ident: pd.Series, columns: dict[str, Any], register: Register, counted: Bools, rated: Bools
) -> Bools:
    """Rows of bridges of which a later inspection, or else a later count, is on record."""
    live = rows.live
    late = {n: np.where(ok, columns.get(n, np.nan), np.nan) for n, ok in (("rated_year", rated), ("year", counted))}
    held_rating = ident.map(register.rated).to_numpy(dtype=float, na_value=np.nan)
    held_count = ident.map(register.counted).to_numpy(dtype=float, na_value=np.nan)
    held_kind = ident.map(register.kind_years).to_numpy(dtype=float, na_value=np.nan)
    told = np.isnan(held_rating) | np.isnan(late["rated_year"]) | (held_rating == late["rated_year"])
    level = np.isnan(held_count) | np.isnan(late["year"]) | (held_count == late["year"])
    older: Bools = live & (
        (held_rating > late["rated_year"])
        | (told & (held_count > late["year"]))
        | (told & level & (held_kind > columns["kind_year"]))
    )
    nothing = older & ~rated & ~counted
    rows.fault(
        nothing,
        KEY,
        "S-OLDER",
        "a later inventory of this bridge is on record, and the row has no rating or count to add",
        "Nothing.",
        "set aside",
    )
    if (n := int((older & ~nothing).sum())) > 0:
        said = (
            f"{n} bridges are on record with a later inspection or count: ratings and counts are added, the rest stays"
        )
        rows.said[""] = "; ".join(x for x in (rows.said.get("", ""), said) if x)
    return older


def _under(rows: Rows, items: _Items) -> None:
    if rows.has("RECORD_TYPE_005A"):
        under = (items.text("RECORD_TYPE_005A") != "1").to_numpy(dtype=bool)
        rule = "item 5A other than 1: the record of a route that passes under, not of the bridge"
        rows.fault(under, "RECORD_TYPE_005A", "S-ROUTE-UNDER", rule, "Nothing, if the item is right.", "set aside")


def _kinds(rows: Rows, items: _Items) -> pd.Series:
    """What each deck is, as ``columns.deck_kinds`` calls it; missing where the file has no item that tells."""
    code = items.text("DECK_STRUCTURE_TYPE_107")
    if rows.has("DECK_STRUCTURE_TYPE_107"):
        kind = code.map(DECKS).fillna("other").astype("str")
    else:
        kind = pd.Series([None] * rows.n, dtype="str")
        rows.said["DECK_STRUCTURE_TYPE_107"] = "item 107 is not in the file: what the decks are made of is not known"
    barrel = items.text("STRUCTURE_TYPE_043B").str.zfill(2) == CULVERT
    rated = items.text("CULVERT_COND_062").str.fullmatch(r"\d")
    culvert = barrel | (rated & ((items.text("DECK_COND_058") == "N") | (code == "N")))
    both = int((barrel & (kind == CONCRETE_DECK)).to_numpy(dtype=bool, na_value=False)[rows.live].sum())
    if both:
        rows.said["STRUCTURE_TYPE_043B"] = f"{both} are culverts by item 43B and of concrete by item 107: culverts"
    kind = kind.mask(culvert.to_numpy(dtype=bool), CULVERT_KIND)
    items.decks = (kind.isna() | (kind == CONCRETE_DECK)).to_numpy(dtype=bool)
    return kind


def _described(items: _Items) -> dict[str, Any]:
    over = items.text("FEATURES_DESC_006A").str.replace(r"\s+", " ", regex=True)
    on = items.text("FACILITY_CARRIED_007").str.replace(r"\s+", " ", regex=True)
    both = ((on != "") & (over != "")).to_numpy(dtype=bool)
    name = (on + over).where(~both, on + " over " + over)
    prefix = items.text("ROUTE_PREFIX_005B").map(PREFIXES).fillna("route")
    number = items.text("ROUTE_NUMBER_005D").str.lstrip("0")
    owner = items.text("OWNER_022")
    words = owner.where(owner == "", owner.str.zfill(2)).map(_owner)
    return {
        "name": name,
        "route": (prefix + " " + number).where(number != "", ""),
        "district": items.text("HIGHWAY_DISTRICT_002"),
        "place": items.text("LOCATION_009").str.replace(r"\s+", " ", regex=True),
        "owner": words,
        "posted": items.text("OPEN_CLOSED_POSTED_041").map(POSTED).astype("boolean"),
        "closed_to_traffic": items.text("OPEN_CLOSED_POSTED_041").map(CLOSED).astype("boolean"),
        "surface_kind": items.text("SURFACE_TYPE_108A").map(SURFACES),
        "bar_kind": items.text("DECK_PROTECTION_108C").map(BARS),
        "detour_km": items.number("DETOUR_KILOS_019", "detour_km"),
    }


def _owner(code: str) -> str:
    return OWNERS.get(code, f"owner code {code}" if code else "")


def _sized(rows: Rows, items: _Items) -> dict[str, Any]:
    length = items.number("STRUCTURE_LEN_MT_049", "length_m", nil=True)
    deck = items.number("DECK_WIDTH_MT_052", "width_m", nil=True)
    road = items.number("APPR_WIDTH_MT_032", "width_m", nil=True)
    live = items.live
    taken = live & np.isnan(deck) & ~np.isnan(road)
    rows.fault(
        taken,
        "DECK_WIDTH_MT_052",
        "F-WIDTH",
        "the deck width is not given; the approach width, item 32, is taken",
        "Give the deck width.",
        "flag",
    )
    width = np.where(np.isnan(deck), road, deck)
    lost = live & np.isnan(width)
    rows.fault(
        lost,
        "DECK_WIDTH_MT_052",
        "F-NO-WIDTH",
        "no width is given, so the deck's area is not known",
        "Give it.",
        "flag",
    )
    rows.fault(
        live & np.isnan(length),
        "STRUCTURE_LEN_MT_049",
        "F-NO-LENGTH",
        "no length is given, so the deck's area is not known",
        "Give it.",
        "flag",
    )
    built = items.number("YEAR_BUILT_027", "built_year", nil=True)
    again = items.number("YEAR_RECONSTRUCTED_106", "deck_built_year", nil=True)
    for value, header in ((built, "YEAR_BUILT_027"), (again, "YEAR_RECONSTRUCTED_106")):
        late = live & (value > rows.today.year + 1)
        rows.fault(late, header, "F-FUTURE", "the year lies in the future; it is left missing", "Correct it.", "flag")
        value[value > rows.today.year + 1] = np.nan
    early = again < built
    rows.fault(
        live & early,
        "YEAR_RECONSTRUCTED_106",
        "F-BEFORE-BUILT",
        "reconstruction lies before the year of building; it is left missing",
        "Correct it.",
        "flag",
    )
    again[early] = np.nan
    rows.fault(
        live & np.isnan(built), "YEAR_BUILT_027", "F-NO-YEAR", "the year of building is not given", "Give it.", "flag"
    )
    spans = items.number("MAIN_UNIT_SPANS_045", "spans", nil=True) + np.nan_to_num(
        items.number("APPR_SPANS_046", "spans", nil=True)
    )
    lanes = items.number("TRAFFIC_LANES_ON_028A", "lanes", nil=True)
    return {"length_m": length, "width_m": width, "built_year": built, "deck_built_year": again, "spans": spans,
            "lanes": lanes}  # fmt: skip


def _placed(rows: Rows, items: _Items) -> tuple[Floats, Floats]:
    at: list[Floats] = []
    lost = np.zeros(rows.n, dtype=bool)
    for header, width in (("LAT_016", 8), ("LONG_017", 9)):
        degrees, bad = unpack_degrees(items.text(header), width)
        form = "DDMMSSss" if width == 8 else "DDDMMSSss"
        rule = f"{form} is needed, minutes and seconds under 60; the position is not used"
        rows.fault(bad & items.live, header, "F-POSITION", rule, "Correct the item.", "flag")
        lost |= bad
        at.append(degrees)
    east = items.text("STATE_CODE_001").str.lstrip("0").str[:2].isin(EASTERN).to_numpy(dtype=bool)
    lat, lon = np.where(lost, np.nan, at[0]), np.where(lost, np.nan, np.where(east, at[1], -at[1]))
    none = np.isnan(lat) & np.isnan(lon) & ~lost
    rows.fault(none & items.live, "LAT_016", "F-NO-POSITION", "no position is given", "Give it.", "flag")
    half = (np.isnan(lat) != np.isnan(lon)) & ~lost
    rows.fault(half & items.live, "LAT_016", "F-HALF-POSITION", "half a position is no position", "Give both.", "flag")
    lon, lat = np.where(half, np.nan, lon), np.where(half, np.nan, lat)
    return believable(rows, lon, lat, "LONG_017", "LAT_016")


def _counted(rows: Rows, items: _Items, columns: dict[str, Any]) -> Bools:
    if not rows.has("ADT_029"):
        return np.zeros(rows.n, dtype=bool)
    count, year = items.number("ADT_029", "aadt"), items.number("YEAR_ADT_030", "year", nil=True)
    trucks = items.number("PERCENT_ADT_TRUCK_109", "truck_share")
    given = rows.live & ~np.isnan(count)
    zero = given & (count == 0)
    rows.fault(
        zero & items.decks,
        "ADT_029",
        "F-ZERO-TRAFFIC",
        "a traffic of 0 is a missing count; none is stored",
        "Give it.",
        "flag",
    )
    given &= ~zero
    rows.fault(
        given & items.decks & np.isnan(year),
        "YEAR_ADT_030" if rows.has("YEAR_ADT_030") else "ADT_029",
        "F-UNDATED",
        "the count comes without its year; kept as such, and used only where the bridge has no dated count",
        "Give the count year.",
    )
    late = given & (year > rows.today.year)
    rows.fault(
        late & items.decks,
        "YEAR_ADT_030",
        "F-FUTURE",
        "the year lies in the future; the count is not stored",
        "Correct it.",
        "flag",
    )
    source = pd.Series(["national inventory"] * rows.n, dtype="str")
    columns.update({"aadt": count, "year": year, "truck_share": trucks / 100.0, "source": source})
    return given & ~late


def _rated(rows: Rows, items: _Items, columns: dict[str, Any], inventory: int | None) -> Bools:
    said = items.text("DECK_COND_058")
    digit = said.str.fullmatch(r"\d").to_numpy(dtype=bool)
    wrong = items.live & ~digit & ~said.isin(["", "N"]).to_numpy(dtype=bool)
    rows.fault(wrong, "DECK_COND_058", "F-RATING", "a rating is a digit or N; none is stored", "Correct it.", "flag")
    none = items.live & (said == "N").to_numpy(dtype=bool)
    rows.fault(
        none,
        "DECK_COND_058",
        "F-NO-RATING",
        "N says that the deck is not rated; none is stored",
        "Rate the deck.",
        "flag",
    )
    when = items.text("DATE_OF_INSPECT_090")
    form = when.str.fullmatch(r"(0?[1-9]|1[0-2])\d\d").to_numpy(dtype=bool)
    two = when.where(form, "100").str[-2:].astype("int64").to_numpy()
    latest = rows.today.year if inventory is None else inventory
    year = np.where(form, two + np.where(two <= latest % 100, latest // 100, latest // 100 - 1) * 100, np.nan)
    where = "DATE_OF_INSPECT_090" if rows.has("DATE_OF_INSPECT_090") else "DECK_COND_058"
    undated = items.live & digit & ~form
    if inventory is None:
        rule = "the year of inspection is not given; kept as a rating of unknown date"
    else:
        rule = f"the year of inspection is not given; the rating is kept under that of the inventory, {inventory}"
        year = np.where(form, year, float(inventory))
    code = "F-UNDATED" if inventory is None else "F-YEAR-TAKEN"
    rows.fault(undated, where, code, rule, "Give item 90.", "flag")
    columns["deck_rating"] = said.where(digit, "0").astype("float64").to_numpy()
    columns["rated_year"] = year
    columns["inspected"] = np.where(form, year, np.nan)
    out: Bools = digit
    return out

"""Bridges and decks: a row may give a bridge, its deck, a traffic figure and a rating."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import RECORDS
from decknet.ingest import ground as ground_
from decknet.ingest import shapes
from decknet.ingest.conditions import conditions_beside, has_conditions
from decknet.ingest.evidence import OF_YEAR
from decknet.ingest.optional import left_out, optional
from decknet.ingest.positions import positions
from decknet.ingest.structures import kinds_of_rows, retirement
from decknet.ingest.traffic import not_rated, undated, year_of_inspection

if TYPE_CHECKING:
    from decknet.ingest.checks import Floats, Rows
    from decknet.ingest.register import Register

__all__ = ["BAR_WORDS", "ENVIRONMENT_WORDS", "check_bridges"]

BAR_WORDS = {
    "black": "bare", "black steel": "bare", "black bar": "bare", "black bars": "bare", "uncoated": "bare",
    "plain": "bare", "none": "bare", "steel": "bare", "mild steel": "bare", "carbon steel": "bare",
    "bare steel": "bare",
    "epoxy coated": "epoxy", "epoxy coated steel": "epoxy", "ecr": "epoxy", "coated": "epoxy", "epoxy bars": "epoxy",
    "galvanized": "galvanised", "zinc": "galvanised", "zinc coated": "galvanised", "hot dip galvanised": "galvanised",
    "hot dip galvanized": "galvanised", "galvanised steel": "galvanised", "galvanized steel": "galvanised",
    "stainless steel": "stainless", "stainless clad": "stainless", "ss": "stainless",
}  # fmt: skip
ENVIRONMENT_WORDS = {
    "mild": "benign", "no salt": "benign", "dry": "benign", "rural": "benign", "none": "benign", "inland": "benign",
    "deiced": "de-iced", "de icing": "de-iced", "deicing": "de-iced", "salted": "de-iced", "road salt": "de-iced",
    "de icing salt": "de-iced", "deicing salt": "de-iced", "salt": "de-iced",
    "coastal": "marine", "coast": "marine", "sea": "marine", "seaside": "marine", "tidal": "marine", "splash": "marine",
}  # fmt: skip
DECK_ONLY = (
    "length_m",
    "width_m",
    "deck_area_m2",
    "outline",
    "slab_mm",
    "cover_mm",
    "bar_kind",
    "surface_kind",
    "environment",
    "lanes",
    "spans",
    "joints_m",
    "deck_built_year",
    "bearing_deg",
    "centreline",
)
LATEST_AHEAD_YR = 1  # a deck may be entered in the year before it opens


def check_bridges(rows: Rows, register: Register, kind: str) -> dict[str, pd.DataFrame]:
    """Bridges, decks, traffic and ratings of one table.

    Parameters
    ----------
    rows : Rows
    register : Register
        What is known already; bridges and decks kept here are added to it.
    kind : str
        ``bridge`` for a table of bridges, ``deck`` for one of decks of bridges known.
    """
    shapes.take_places(rows)
    bridge, deck = _ids(rows, register, kind)
    columns = _columns(rows)
    columns["bridge_id"], columns["deck_id"] = bridge, deck
    _years(rows, columns)
    x, y = positions(rows)
    columns["longitude_deg"], columns["latitude_deg"] = _among(rows, register, x, y)
    columns["centreline"] = shapes.lines_of(rows, "centreline")
    columns["outline"] = _outlines(rows)
    _drawn(rows, columns)
    _width_of_area(rows, columns)
    _what_it_is(rows, register, columns)
    traffic, rating = _traffic(rows, columns), _rating(rows, columns)
    _agree(rows, columns, kind)
    out: dict[str, pd.DataFrame] = {}
    own = rows.has("deck_id")
    if kind == "bridge":
        first = ~pd.Series(bridge)[rows.live].duplicated().reindex(range(rows.n), fill_value=True).to_numpy(dtype=bool)
        out["bridge"] = rows.records("bridge", {n: columns.get(n) for n in RECORDS["bridge"].names()}, first)
        register.add_bridges(out["bridge"])
    if (
        kind == "deck"
        or rows.has("deck_id")
        or any(rows.has(n) for n in DECK_ONLY)
        or columns["centreline"] is not None
        or columns.get("length_m") is not None
        or columns.get("deck_kind") is not None
    ):
        held = {n: columns.get(n) for n in RECORDS["deck"].names()}
        if kind == "bridge" and not own:
            # The position stands with the bridge, so that a later correction of it reaches the deck.
            held["longitude_deg"] = held["latitude_deg"] = None
        out["deck"] = rows.records("deck", held)
        register.add_decks(out["deck"])
    if traffic is not None:
        out["traffic"] = rows.records("traffic", {n: columns.get(n) for n in RECORDS["traffic"].names()}, traffic)
    if has_conditions(rows):
        out["condition"] = conditions_beside(rows, bridge)
    if rating is not None:
        out["rating"] = rows.records("rating", {n: columns.get(n) for n in RECORDS["rating"].names()}, rating)
    return out


def _ids(rows: Rows, register: Register, kind: str) -> tuple[pd.Series, pd.Series]:
    given, deck = rows.ids("bridge_id"), rows.ids("deck_id")
    if kind == "bridge":
        assert given is not None  # noqa: S101
        rows.required("bridge_id", "deck_id")
        given = _restored(rows, register, given)
        if rows.table.shape is not None and register.built and not any(rows.has(n) for n in ("length_m", "name")):
            new = ~given.isin(register.built).to_numpy(dtype=bool) & (given != "").to_numpy(dtype=bool)
            rule = "the bridge is not on record yet; it is brought in with its place alone"
            rows.fault(new & rows.live, "bridge_id", "F-NEW-BRIDGE", rule, "Check the number, or load the bridge.")
        return given, (given if deck is None else deck)
    if given is None:
        assert deck is not None  # noqa: S101
        held = deck.map(lambda d: register.decks[d][0] if d in register.decks else d)
        bridge = rows.answered(register.find_bridges(held), "deck_id")
    else:
        bridge = rows.answered(register.find_bridges(given), "bridge_id")
    rows.required("deck_id")
    return bridge, (bridge if deck is None else deck)


def _restored(rows: Rows, register: Register, given: pd.Series) -> pd.Series:
    """Numbers of bridges on record, their lost zeros put back; what fits several is refused."""
    here = set(given)
    odd = [i for i, name in enumerate(given) if name and name not in register.built] if register.built else []
    out = given.copy()
    for i in odd:
        name = given.iloc[i]
        likely = [b for b in register.like("bridge", name) if b not in here and len(b) >= len(name)]
        if len(likely) == 1:
            out.iloc[i] = likely[0]
            how = "leading zeros were lost" if name.isdigit() else "written with other zeros, blanks, dashes or case"
            rule = f"read as bridge {likely[0]}, which is on record: {how}"
            code = "F-ZEROS" if name.isdigit() else "F-ID-LIKE"
            rows.fault([i], "bridge_id", code, rule, "Write the number as on record, in a text column.")
        elif likely:
            rule = f"leading zeros were lost, and {' and '.join(sorted(likely))} both fit"
            rows.fault([i], "bridge_id", "R-ZEROS", rule, "Write the whole number, zeros included, in a text column.")
    return out


def _columns(rows: Rows) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, claim in rows.claims.items():
        of = claim.column
        if name in (
            "aadt",
            "truck_share",
            "year",
            "deck_rating",
            "rated_year",
            "longitude_deg",
            "latitude_deg",
            "easting",
            "northing",
            "place_shape",
            "unit",
            "condition",
            "condition_year",
        ) or name.startswith(OF_YEAR):
            continue
        if of.kind == "number":
            out[name] = optional(rows, partial(rows.number, name))
        elif of.kind == "whole":
            out[name] = optional(rows, partial(rows.whole, name))
        elif of.kind == "text":
            out[name] = rows.text(name)
        elif of.kind == "flag" and name != "posted":
            out[name] = optional(rows, partial(rows.flags, name))
    out["bar_kind"] = rows.choice("bar_kind", BAR_WORDS, bad="flag")
    out["environment"] = rows.choice("environment", ENVIRONMENT_WORDS, bad="flag")
    said = rows.posted("posted")
    if said is not None:
        out["posted"], closed = said
        if out.get("closed_to_traffic") is None:
            out["closed_to_traffic"] = closed
    return out


def _what_it_is(rows: Rows, register: Register, columns: dict[str, Any]) -> None:
    """What the words of the row say the deck is, and whether it is retired."""
    kind = kinds_of_rows(rows)
    columns["deck_kind"] = kind
    if rows.has("retired_on"):
        columns["retired_on"] = optional(rows, lambda: rows.dates("retired_on"))
        gone = ~np.isnat(np.asarray(columns["retired_on"], dtype="datetime64[D]"))
        told = columns.get("in_use")
        columns["in_use"] = pd.Series(np.where(gone, False, pd.NA), dtype="boolean") if told is None else told
    if kind is None:
        return
    year = np.full(rows.n, np.nan)
    deck = pd.Series(columns["deck_id"]).reset_index(drop=True)
    for name, made in retirement(rows, register, deck, kind, year).items():
        held = columns.get(name)
        columns[name] = made if held is None else pd.Series(held).where(pd.Series(held).notna(), pd.Series(made))


def _years(rows: Rows, columns: dict[str, Any]) -> None:
    for name in ("built_year", "deck_built_year"):
        if columns.get(name) is not None:
            late = columns[name] > rows.today.year + LATEST_AHEAD_YR
            rule = f"the year must not be after {rows.today.year}; it is left out, the record stays"
            rows.fault(late, name, "F-FUTURE", rule, "Correct the year.")
            columns[name] = np.where(late, np.nan, columns[name])
    if columns.get("built_year") is not None and columns.get("deck_built_year") is not None:
        early = columns["deck_built_year"] < columns["built_year"]
        rule = "a deck is no older than its bridge; the year is left out, the record stays"
        rows.fault(early, "deck_built_year", "F-BEFORE-BUILT", rule, "Correct one of the two years.")
        columns["deck_built_year"] = np.where(early, np.nan, columns["deck_built_year"])


def _outlines(rows: Rows) -> Any:
    if not rows.has("outline"):
        return None
    return shapes.outlines(rows, "outline")


def _drawn(rows: Rows, columns: dict[str, Any]) -> None:
    """Size, bearing and outline of decks drawn as areas on the ground, where the table does not give them."""
    drawn = rows.table.shape
    if drawn is None or not (shapely.get_dimensions(drawn) == 2).any():
        return
    ground = shapes.ground_shapes(rows, quiet=True)
    if ground is None:
        return
    areas = shapely.get_dimensions(ground) == 2
    wrong = areas & ~shapely.is_valid(ground)
    ground = ground.copy()
    ground[wrong] = shapely.make_valid(ground[wrong])
    made = {n: np.full(rows.n, np.nan) for n in ("length_m", "width_m", "bearing_deg")}
    outline = np.full(rows.n, None, dtype=object)
    said: dict[int, str] = {}
    for i in np.flatnonzero(areas):
        length, width, bearing, edge, filled = ground_.deck_from_outline(ground[i])
        area = length * width
        if filled < ground_.RECTANGLE:
            said[int(i)] = (
                f"the outline covers {area:.1f} m2 and is no rectangle, so it gives no length and width; the position "
                "is used"
            )
            continue
        if limits := _beyond({"length_m": length, "width_m": width}):
            said[int(i)] = (
                f"the outline is {length:.6g} by {width:.6g} m, and {limits}: it gives no length and width; the "
                "position is used"
            )
            continue
        made["length_m"][i], made["width_m"][i], made["bearing_deg"][i], outline[i] = length, width, bearing, edge
        said[int(i)] = (
            f"the outline on the ground is taken as a deck of {length:.2f} by {width:.2f} m, {area:.1f} m2, "
            f"running {bearing:.0f} degrees from north; which end is the first joint is not known"
        )
    remedy = "Give length, width and bearing, or a centreline from the first joint."
    rows.fault(list(said), "", "F-GROUND-OUTLINE", said, remedy, value="")
    for name, found in made.items():
        held = columns.get(name)
        columns[name] = found if held is None else np.where(np.isnan(held), found, held)
    # The drawn edge is of use only where length and width come from it too.
    own = ~np.isnan(made["length_m"]) & (columns["length_m"] == made["length_m"])
    if columns.get("outline") is None:
        outline[~own] = None
        columns["outline"] = outline


def _width_of_area(rows: Rows, columns: dict[str, Any]) -> None:
    """Where length and area of a deck are given and no width, the width that makes them agree."""
    area, length = columns.get("deck_area_m2"), columns.get("length_m")
    if area is None:
        return
    area = np.where(area > 0, area, np.nan)
    if length is not None:
        width = columns.get("width_m")
        made = area / length
        fits = (made >= _WIDTH.low) & (made <= _WIDTH.high) & (np.isnan(width) if width is not None else True)
        columns["width_m"] = np.where(fits, made, np.nan if width is None else width)
        rows.said["width_m"] = f"{int(fits.sum())} widths are worked out as area over length"
        area = np.where(np.isnan(columns["width_m"]), area, np.nan)  # the area is told by length and width
    columns["deck_area_m2"] = area


_WIDTH = next(c for c in RECORDS["deck"].columns if c.name == "width_m")


def _beyond(size: dict[str, float]) -> str:
    """The limits that a deck's size breaks, in words; empty where it breaks none."""
    said = []
    for column in RECORDS["deck"].columns:
        low, high = column.low or 0.0, np.inf if column.high is None else column.high
        if column.name in size and not low <= size[column.name] <= high:
            said.append(f"{column.name} must lie between {low:g} and {high:g} m")
    return " and ".join(said)


def _among(rows: Rows, register: Register, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Positions held against the rest: those that fit only when put right are not used."""
    known = np.array(list(register.lonlat.values()), dtype=float).reshape(-1, 2)
    odd = ground_.odd_places(x, y, known)
    column = "latitude_deg" if rows.has("latitude_deg") else ""
    found = {int(i): f"{x[i]:.10g}, {y[i]:.10g}" for i in np.flatnonzero(odd["swapped"] | odd["sign"] | odd["far"])}
    swapped = "longitude and latitude fit the other bridges only when exchanged; the position is not used"
    remedy = {i: f"Is {y[i]:.10g}, {x[i]:.10g} meant? Correct the row." for i in found}
    rows.fault(odd["swapped"] & rows.live, column, "F-SWAPPED", swapped, remedy, value=found)
    turned = "the position fits the other bridges only with another sign; it is not used"
    rows.fault(odd["sign"] & rows.live, column, "F-SIGN", turned, "Check east and west, north and south.", value=found)
    away = "the position is far from all the other bridges"
    rows.fault(odd["far"] & rows.live, column, "F-FAR", away, "Check it.", value=found)
    gone = odd["swapped"] | odd["sign"]
    return np.where(gone, np.nan, x), np.where(gone, np.nan, y)


def _traffic(rows: Rows, columns: dict[str, Any]) -> Any:
    """Traffic in a table of bridges; None where it has none. Its faults never cost the bridge."""
    if not rows.has("aadt"):
        return None
    return beside(
        rows,
        columns,
        "aadt",
        "year",
        ("truck_share",),
        zero="a traffic of 0 is a missing count",
        remedy="Give the count year.",
    )


def _rating(rows: Rows, columns: dict[str, Any]) -> Any:
    if not rows.has("deck_rating"):
        return None
    not_rated(rows)
    return beside(
        rows,
        columns,
        "deck_rating",
        "rated_year",
        (),
        zero="",
        remedy="Give the year of the rating.",
    )


def beside(
    rows: Rows,
    columns: dict[str, Any],
    name: str,
    year: str,
    more: tuple[str, ...],
    zero: str,
    remedy: str,
) -> Any:
    """Figures of another kind in a row of a bridge: kept where whole, else flagged and left out.

    A figure without its year is kept with the year missing.
    """
    refused = rows.refused.copy()
    found = len(rows.pieces)
    value = rows.number(name)
    years = year_of_inspection(rows) if name == "deck_rating" and not rows.has(year) else rows.whole(year)
    extra = {m: rows.number(m) for m in more}
    wrong = np.zeros(rows.n, dtype=bool)
    wrong[left_out(rows, found, refused)] = True
    assert value is not None  # noqa: S101
    none = np.full(rows.n, np.nan)
    years = none if years is None else years
    given = ~np.isnan(value) & ~wrong
    if zero:
        rows.fault(given & (value == 0), name, "F-ZERO-TRAFFIC", zero, "Give the count, or leave it empty.", "flag")
        given &= value != 0
    bare = given & np.isnan(years)
    undated(rows, bare & rows.live, value, name, year)
    late = given & (years > rows.today.year)
    rows.fault(late, year, "F-FUTURE", "the year must not be in the future; the figure is not stored", remedy, "flag")
    columns.update({name: value, year: years, **extra})
    stored = given & ~late
    # A bridge with several decks says its traffic on each row: once is enough, if they agree.
    told = pd.DataFrame({"bridge": columns["bridge_id"], "year": years, "value": value})[stored & rows.live]
    first = ~told.duplicated(["bridge", "year"])
    differ = told.drop_duplicates().duplicated(["bridge", "year"])
    at = differ.index[differ].to_numpy()
    other = f"an earlier row gives another {name} for this bridge and year; the earlier one is stored"
    rows.fault(at, name, "F-CONFLICT", other, "Make the rows of the bridge agree.", "flag")
    stored &= first.reindex(range(rows.n), fill_value=False).to_numpy(dtype=bool)
    return stored


def _said_twice(rows: Rows, deck: pd.Series) -> None:
    """Rows of one deck that agree in every column that is used are one row, whatever the others say."""
    again = np.flatnonzero(rows.live & deck.duplicated(keep=False).to_numpy(dtype=bool) & (deck != "").to_numpy())
    if not len(again):
        return
    used = sorted({c.index for c in rows.claims.values() if c.index >= 0} | set(rows.also))
    cells = rows.table.cells[used].iloc[again].astype("str").set_axis(again, axis=0)
    if rows.table.shape is not None:
        cells["shape"] = shapely.to_wkb(rows.table.shape[again], hex=True)
    first = cells.groupby(list(cells.columns), sort=False, dropna=False)[cells.columns[0]].transform(
        lambda part: part.index[0]
    )
    later = again[first.to_numpy() != again]
    of = dict(zip(again.tolist(), first.tolist(), strict=True))
    rule = {
        int(i): f"the row says what line {rows.table.line[of[int(i)]]} says in all columns that are used" for i in later
    }
    rows.fault(later, "", "F-REPEAT", rule, "Nothing, if it is the same bridge.", "repeat", value="")


def _agree(rows: Rows, columns: dict[str, Any], kind: str) -> None:
    """Refuse rows that give one deck twice, or one bridge in two ways."""
    deck = pd.DataFrame({"deck": columns["deck_id"]})
    _said_twice(rows, deck["deck"])
    rows.conflicts(
        deck,
        "deck",
        "deck_id" if rows.has("deck_id") else "bridge_id",
        "Keep the right line, or give each deck its own deck_id.",
    )
    if kind == "bridge" and rows.has("deck_id"):
        held = {n: columns[n] for n in RECORDS["bridge"].names() if columns.get(n) is not None}
        own = pd.DataFrame({n: pd.Series(v) for n, v in held.items() if n not in ("longitude_deg", "latitude_deg")})
        ways = own[rows.live].drop_duplicates()
        twice = ways["bridge_id"][ways["bridge_id"].duplicated(keep=False)].unique()
        at = rows.live & own["bridge_id"].isin(twice).to_numpy(dtype=bool)
        rule = "rows of one bridge give its name, route or years differently"
        rows.fault(at, "bridge_id", "R-CONFLICT", rule, "Make the rows of the bridge agree.")

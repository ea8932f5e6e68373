"""Readings on a grid, turned into areas: impact echo, half-cell potential, radar amplitude.

Each reading stands for a cell of one step by one step round it. Cells past the cut-off that touch,
at a corner too, make one area.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd
import shapely

from decknet.columns import RECORDS, Column, normal
from decknet.errors import RecordError
from decknet.ingest import shapes
from decknet.ingest.checks import record_frame
from decknet.ingest.grid_layout import PAIRS, from_the_edge, label_number, method_of
from decknet.ingest.recognise import Claim, spellings, unit_of
from decknet.ingest.surveys import deck_and_size, made_id

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows
    from decknet.ingest.mapping import Stated
    from decknet.ingest.register import Register
    from decknet.ingest.table import Table
    from decknet.settings import GridSettings

__all__ = ["Rule", "check_active_areas", "check_grid", "claim_readings"]

T = TypeVar("T")
HEADERS = ("station", "offset", "row", "column", "value")
NUMBERS = ("step", "step_station", "step_offset", "first_station", "first_offset", "below", "above")
KEYS = (*HEADERS, *NUMBERS, "deck", "date", "method", "unit", "negated", "down", "offset_from", "electrode")
UNITS = {"impact echo": "Hz", "half-cell": "V", "radar": "dB"}
_UNITS = {"Hz": '"Hz" or "kHz"', "V": '"mV" or "V"', "dB": '"dB"'}
FACTORS = {"hz": 1.0, "khz": 1000.0, "v": 1.0, "mv": 0.001, "db": 1.0}
KIND = {"impact echo": "delamination", "radar": "delamination"}
NEAR = 0.02  # of a step: cells nearer than this touch


@dataclass(frozen=True, slots=True)
class Rule:
    """How readings become areas, as ``[grid]`` of a mapping file states it.

    Attributes
    ----------
    method : str
        One of impact echo, half-cell, radar.
    cut : float
        Cut-off, Hz, V or dB.
    side : int
        -1 where readings below the cut-off count, 1 where those above.
    why : str
        Where the cut-off comes from.
    """

    method: str
    cut: float
    side: int
    why: str

    @property
    def unit(self) -> str:
        return UNITS[self.method]

    def past(self, reading: Floats, cut: float | None = None) -> Bools:
        """Readings past the cut-off."""
        at = self.cut if cut is None else cut
        out: Bools = reading < at if self.side < 0 else reading > at
        return out


def claim_readings(table: Table, stated: Stated, file: str) -> tuple[dict[str, Claim], dict[int, str]]:
    """Which header gives positions, readings, deck and day.

    Raises
    ------
    RecordError
        ``[grid]`` has a key that is not known, or a header cannot be found.
    """
    said = stated.grid
    for key, value in said.items():
        where = f"{stated.source}, grid.{key}"
        if key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, 1)
            raise RecordError(f"{where}: not a key of [grid]. {f'Is {near[0]} meant?' if near else ''} Known: "
                              f"{', '.join(KEYS)}.")  # fmt: skip
        if key in NUMBERS and (isinstance(value, bool) or not isinstance(value, (int, float))):
            raise RecordError(f"{where}: {value!r} is not a number. Write it without quotes or unit.")
        if key.startswith("step") and not value > 0:
            raise RecordError(f"{where}: a step of {value!r} m cannot be. Give metres above 0.")
    there = {normal(h): i for i, h in enumerate(table.headers)}
    at: dict[str, int] = {}
    for name in HEADERS:
        if name in said:
            if normal(str(said[name])) not in there:
                listed = ", ".join(repr(h) for h in table.headers)
                raise RecordError(
                    f"{stated.source}, grid.{name}: the file has no header {said[name]!r}. It has: {listed}."
                )
            at[name] = there[normal(str(said[name]))]
    _places(there, at)
    if "value" not in at:
        found = [i for h, i in there.items() if i not in at.values() and method_of(h)]
        found = found or [i for h, i in there.items() if h == "reading"]
        if len(found) == 1:
            at["value"] = found[0]
    if "value" not in at or not ({"station", "offset"} <= set(at) or {"row", "column"} <= set(at)):
        listed = ", ".join(repr(h) for h in table.headers)
        raise RecordError(
            f"{file}: a grid of readings needs station and offset, or row and column, and one column of readings; its "
            f'headers are {listed}. State them in a mapping file (--map): [grid] station = "x", offset = "y", '
            'value = "f".'
        )
    claims = {}
    for name, index in at.items():
        kind = "text" if name in ("row", "column") else "number"
        of = Column("reading" if name == "value" else name, kind, "m" if name in ("station", "offset") else "", name)
        tail = normal(table.headers[index]).split()[-1]
        fit = unit_of(tail, of) if of.unit else None
        factor, unit = (fit[0], tail) if fit is not None else (1.0, "")
        claims[of.name] = Claim(index, table.headers[index], of, unit, factor, 0.0, "", "of the grid", 1)
    _keys(table, claims, at)
    used = {c.index for c in claims.values()}
    return claims, {i: "not used by a grid of readings" for i in range(len(table.headers)) if i not in used}


def _places(there: dict[str, int], at: dict[str, int]) -> None:
    """Headers of places that go without saying: station and offset, x and y, row and column."""
    for along, across in PAIRS:
        names = ("row", "column") if along == "row" else ("station", "offset")
        if {"row", "column"} & set(at) and along != "row":
            continue
        for name, word in zip(names, (along, across), strict=True):
            found = [i for h, i in there.items() if h.split()[:1] == [word] and i not in at.values()]
            if name not in at and len(found) == 1:
                at[name] = found[0]
        if set(names) <= set(at):
            return


def _keys(table: Table, claims: dict[str, Claim], at: dict[str, int]) -> None:
    """Columns of deck, bridge and day, where the table has them."""
    of = {c.name: c for c in (*RECORDS["bridge"].columns, *RECORDS["survey"].columns)}
    for index, header in enumerate(table.headers):
        for name in ("deck_id", "bridge_id", "survey_date"):
            known = {spelling for spelling, _ in spellings(of[name])}
            if index not in at.values() and normal(header) in known and name not in claims:
                claims[name] = Claim(index, header, of[name], "", 1.0, 0.0, "", "known by this name", 2)


def _rule(rows: Rows, settings: GridSettings) -> Rule:
    said, header = rows.stated.grid, rows.header("reading")
    method = str(said.get("method", "")) or method_of(header)
    if method == "resistivity":
        raise RecordError(
            f"{rows.place}, {header}: resistivity is not read: it tells how fast bars may corrode, and not where "
            "concrete is hollow. Keep the file; load soundings, impact echo, half-cell or radar."
        )
    if method not in UNITS:
        raise RecordError(
            f"{rows.place}: {method or header!r} does not tell the method. State it in a mapping file (--map): [grid] "
            f"method = one of {', '.join(UNITS)}."
        )
    sides = [k for k in ("below", "above") if k in said]
    if len(sides) == 2:
        raise RecordError(f"{rows.stated.source}, grid: below and above are both stated, and one cut-off is needed.")
    if sides:
        return Rule(method, float(said[sides[0]]), -1 if sides[0] == "below" else 1, "as stated")
    cut = {
        "impact echo": settings.impact_echo_below_hz,
        "half-cell": settings.half_cell_active_v,
        "radar": settings.radar_below_db,
    }[method]
    if cut == 0:
        raise RecordError(
            f"{rows.place}: no cut-off is stated for {method}, and none holds for all decks. State it in a mapping "
            f"file (--map), in {UNITS[method]}: [grid] below = 8000, or above; or in the settings."
        )
    return Rule(method, cut, -1, "from the settings")


def _readings(rows: Rows, rule: Rule) -> Floats:
    """Readings in the unit of the method; NaN where there is none."""
    value = rows.number("reading", ranged=False)
    assert value is not None  # noqa: S101
    said = str(rows.stated.grid.get("unit", "")).strip().lower()
    words = [w for w in normal(rows.header("reading")).split() if w in FACTORS]
    unit = said or (words[0] if words else "")
    if FACTORS.get(unit) is None or (unit.removeprefix("k").removeprefix("m") != rule.unit.lower()):
        raise RecordError(
            f"{rows.place}, {rows.header('reading')}: the unit of the readings is not told, or is none of "
            f"{rule.method}. State it in a mapping file (--map): [grid] unit = {_UNITS[rule.unit]}."
        )
    # To the nanovolt: a reading of -350 mV is not below -0.35 V by the last bit of a product.
    value = np.round(value * FACTORS[unit], 9) * (-1.0 if rows.stated.grid.get("negated") is True else 1.0)
    if rule.method != "half-cell":
        return value
    if np.isfinite(value).any() and np.nanmedian(value) > 0 and "negated" not in rows.stated.grid:
        raise RecordError(
            f"{rows.place}, {rows.header('reading')}: most potentials are above 0, and against copper/copper sulfate "
            "they are below. If the minus sign was left out, state in a mapping file (--map): [grid] negated = true; "
            "if they are as measured: negated = false."
        )
    return value + _electrode(rows)


# Potential of a reference electrode against copper/copper sulfate, V: what is read against it is so much lower there.
# memory: standard potentials at 25 C against hydrogen: copper/copper sulfate 0.316, saturated calomel 0.241, silver and
# its chloride in saturated potassium chloride 0.197 V.
ELECTRODES = {"copper sulfate": 0.0, "calomel": -0.075, "silver chloride": -0.119}


def _electrode(rows: Rows) -> float:
    said = str(rows.stated.grid.get("electrode", "copper sulfate"))
    if said not in ELECTRODES:
        raise RecordError(
            f"{rows.stated.source}, grid.electrode: {said!r} is not known. Known: {', '.join(ELECTRODES)}."
        )
    return ELECTRODES[said]


def check_grid(rows: Rows, register: Register, settings: GridSettings) -> dict[str, pd.DataFrame]:
    """A survey of each deck and day, and the areas past the cut-off as its defects."""
    said = rows.stated.grid
    asked: list[str] = []
    rule = _asked(asked, lambda: _rule(rows, settings))
    decks = _asked(asked, lambda: _decks(rows, register))
    day = _asked(asked, lambda: _days(rows))
    values = _asked(asked, lambda: _readings(rows, rule)) if rule is not None else None
    if rows.has("row"):
        _asked(asked, lambda: _steps(rows))
    if asked or rule is None or decks is None or day is None or values is None:
        raise RecordError("\n".join(asked))
    deck, size = decks
    rows.in_time("survey_date", day, size["year"].to_numpy())
    reading = values
    none = np.isnan(reading)
    rows.fault(none & rows.live, "reading", "S-NO-READING", "a cell without a reading was not surveyed", "Nothing.",
               "set aside")  # fmt: skip
    x, y, step, placed = _positions(rows)
    if not rows.has("row") and np.isfinite(y).any():
        y, edge = from_the_edge(y, size["width_m"].to_numpy(dtype=float, na_value=np.nan), said, rows.place)
        placed += edge
    off = (x < -0.01) | (x > size["length_m"] + 0.01) | (np.abs(y) > size["width_m"] / 2 + 0.01)
    rule_off = {
        int(i): f"station {x[i]:.2f}, offset {y[i]:.2f} is off the deck ({size['length_m'].iloc[i]:g} by "
        f"{size['width_m'].iloc[i]:g} m)"
        for i in np.flatnonzero(off)
    }
    rows.fault(off.to_numpy(), "reading", "R-OFF-DECK", rule_off, "Correct the position, or the size of the deck.")
    key = pd.DataFrame({"deck": deck, "day": day, "station": np.round(x, 3), "offset": np.round(y, 3)})
    rows.conflicts(key, "reading at", "reading", "Keep one reading for each point.")
    if rule.method == "impact echo" and np.isfinite(reading).any():
        high = reading > settings.odd_ratio * np.nanmedian(reading)
        odd = (
            f"over {settings.odd_ratio:g} times the median: another mode, an edge or a bad reading; it counts as sound"
        )
        rows.fault(high & rows.live, "reading", "F-ODD-READING", odd, "Read the point again if it matters.", "flag")
    live = rows.live
    surveys: list[dict[str, Any]] = []
    defects: list[dict[str, Any]] = []
    active: list[dict[str, Any]] = []
    told = []
    frame = pd.DataFrame({"deck": deck, "day": day})[live]
    for (name, when), part in frame.groupby(["deck", "day"], sort=False):
        at = part.index.to_numpy()
        box = _cells(x[at], y[at], step, size.iloc[at[0]])
        survey, areas, words = _surveyed(rule, settings, reading[at], box, step, placed)
        ident = str(made_id(pd.Series([name], dtype="str"), [when], pd.Series([rule.method], dtype="str")).iloc[0])
        if ident in register.surveys:
            known = "a survey of this deck, day and method is on record; areas that it has beyond these stay on record"
            rows.fault(at[:1], "", "F-SURVEY-KNOWN", known, "Take the older intake back first (decknet undo).", "flag",
                       value=ident)  # fmt: skip
        crew = str(said.get("crew", ""))
        surveys.append({"survey_id": ident, "deck_id": name, "survey_date": when, "crew": crew, **survey,
                        "line": int(rows.table.line[at[0]])})  # fmt: skip
        for number, (shape, cells) in enumerate(areas, start=1):
            first = int(rows.table.line[at[cells[0]]])
            if rule.method not in KIND:
                lowest = float(reading[at[cells]].min())
                active.append({"survey_id": ident, "area_id": f"area {number}", "lowest_v": lowest,
                               "area_m2": shape.area, "shape": shape, "line": first})  # fmt: skip
                continue
            defects.append({"survey_id": ident, "defect_id": f"area {number}", "kind": KIND[rule.method],
                            "area_m2": shape.area, "shape": shape, "line": first})  # fmt: skip
        told.append(f"{name}, {pd.Timestamp(when).date()}: {words}")
        rows.fault(
            at[:1], "", "F-CUT-OFF", words, "Check the cut-off against cores or chain drag.", "flag", value=ident
        )
    rows.kept |= live
    rows.said[""] = "; ".join(told)
    out = {"survey": _frame("survey", surveys, rows.table.sheet)}
    register.add_surveys(out["survey"])
    if defects:
        out["defect"] = _frame("defect", defects, rows.table.sheet)
    if active:
        out["active_area"] = _frame("active_area", active, rows.table.sheet)
    return out


def _asked(asked: list[str], part: Callable[[], T]) -> T | None:
    """A part of what a grid needs, or None and what is to be stated: all of it is asked at once."""
    try:
        return part()
    except RecordError as why:
        asked.append(str(why))
        return None


def check_active_areas(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Areas of active corrosion of surveys on record."""
    rows.required("survey_id", "area_id")
    survey = rows.ids("survey_id")
    assert survey is not None  # noqa: S101
    unknown = (survey != "") & ~survey.isin(register.surveys)
    rows.fault(unknown.to_numpy(dtype=bool), "survey_id", "R-UNKNOWN-SURVEY", "the survey must be known",
               "Load the surveys first.")  # fmt: skip
    area = rows.number("area_m2")
    columns: dict[str, Any] = {"survey_id": survey, "area_id": rows.ids("area_id"), "lowest_v": rows.number("lowest_v")}
    deck = survey.map({ident: held[0] for ident, held in register.surveys.items()}).astype("str")
    columns |= {"area_m2": area, "shape": shapes.deck_shapes(rows, area, deck, register)}
    key = pd.DataFrame({"survey": survey, "area": columns["area_id"]})
    rows.conflicts(key, "area", "area_id", "Give each area of a survey its own area_id.")
    return {"active_area": rows.records("active_area", columns)}


def _frame(kind: str, records: list[dict[str, Any]], sheet: str) -> pd.DataFrame:
    names = [n for n in RECORDS[kind].names() if records and n in records[0]]
    columns: dict[str, Any] = {}
    for name in names:
        column = np.empty(len(records), dtype=object)
        column[:] = [r[name] for r in records]
        columns[name] = column if name in ("shape", "coverage") else pd.Series(column.tolist())
    return record_frame(kind, columns, sheet, [r["line"] for r in records])


def _decks(rows: Rows, register: Register) -> tuple[pd.Series, pd.DataFrame]:
    said = str(rows.stated.grid.get("deck", ""))
    if rows.has("deck_id") or rows.has("bridge_id"):
        return deck_and_size(rows, register)
    if not said and rows.table.sheet in register.decks:
        said = rows.table.sheet
    if not said:
        raise RecordError(
            f'{rows.place}: which deck was read is not told. State it in a mapping file (--map): [grid] deck = "B-12".'
        )
    answer = register.find_decks(pd.Series([said] * rows.n, dtype="str"), None, rows.n)
    if answer.fault:
        _, value, rule, remedy = next(iter(answer.fault.values()))
        raise RecordError(f"{rows.stated.source}, grid.deck: {value!r}: {rule}. {remedy}")
    deck = pd.Series(answer.ids, dtype="str")
    return deck, register.size(deck)


def _days(rows: Rows) -> Any:
    if rows.has("survey_date"):
        rows.required("survey_date")
        return rows.dates("survey_date")
    said = rows.stated.grid.get("date", rows.stated.date)
    try:
        day = np.datetime64(pd.Timestamp(str(said)).date().isoformat(), "us") if said else None
    except ValueError:
        day = None
    if day is None or np.isnat(day):
        raise RecordError(
            f"{rows.place}: the day of the survey is not told ({said!r}). State it in a mapping file (--map): [grid] "
            'date = "2026-05-12".'
        )
    return np.full(rows.n, day, dtype="datetime64[us]")


def _steps(rows: Rows) -> list[float]:
    """Steps of the grid along and across, m; NaN where they are to be taken from the places."""
    said = rows.stated.grid
    both = float(said.get("step", np.nan))
    steps = [float(said.get("step_station", both)), float(said.get("step_offset", both))]
    if rows.has("row") and np.isnan(steps).any():
        raise RecordError(
            f"{rows.place}: the step of the grid is not told. State it in metres in a mapping file (--map): [grid] "
            "step = 0.3."
        )
    return steps


def _positions(rows: Rows) -> tuple[Floats, Floats, tuple[float, float], str]:
    """Stations, offsets, m; the step both ways, m; and how they were found, in words."""
    said = rows.stated.grid
    steps = _steps(rows)
    if rows.has("row"):
        places, labels = [], []
        for name, step in (("column", steps[0]), ("row", steps[1])):
            text = rows.text(name)
            assert text is not None  # noqa: S101
            number = text.map(label_number).to_numpy(dtype=float)
            rows.fault(np.isnan(number), name, "R-LABEL", "a label is a number or letters", "Correct the label.")
            if np.isnan(number).all():
                return number, number, (steps[0], steps[1]), "no labels"
            gaps = np.diff(np.unique(number[~np.isnan(number)]))
            gap = float(gaps.min()) if len(gaps) else 1.0
            first, last = (text.iloc[int(i)] for i in (np.nanargmin(number), np.nanargmax(number)))
            labels.append(f"{name}s {first} to {last} by {gap:g}")
            places.append((number - np.nanmin(number)) / gap * step)
        along, across = places
        half = float(np.nanmax(across)) / 2
        along = along + said.get("first_station", steps[0] / 2)
        across = across + said.get("first_offset", -half)
        stated = {"first_station", "first_offset"} <= set(said)
        laid = "from the first reading as stated" if stated else "from the first joint, centred across the deck"
        return along, across, (steps[0], steps[1]), f"{', '.join(labels)}, laid {laid}"
    x, y = rows.number("station", ranged=False), rows.number("offset", ranged=False)
    assert x is not None and y is not None  # noqa: PT018, S101
    lost = np.isnan(x) | np.isnan(y)
    rows.fault(lost & rows.live, "station", "R-MISSING", "a reading needs its station and offset", "Fill the cells.")
    for i, place in enumerate((x, y)):
        if np.isnan(steps[i]):
            gaps = np.round(np.diff(np.unique(np.round(place[~np.isnan(place)], 4))), 4)
            if not len(gaps):
                raise RecordError(f"{rows.place}: the readings stand in one line, which does not tell the step across. "
                                  "State it in a mapping file (--map): [grid] step = 0.6.")  # fmt: skip
            steps[i] = float(pd.Series(gaps).mode().iloc[0])
    return x, y, (steps[0], steps[1]), "stations and offsets as given"


def _cells(x: Floats, y: Floats, step: tuple[float, float], size: pd.Series) -> Any:
    """The cell round each point, cut at the deck's edge where its size is known."""
    a, b = step[0] / 2, step[1] / 2
    long = np.inf if np.isnan(size["length_m"]) else float(size["length_m"])
    half = np.inf if np.isnan(size["width_m"]) else float(size["width_m"]) / 2
    low = 0.0 if np.isfinite(long) else -np.inf
    return shapely.box(
        np.maximum(x - a, low), np.maximum(y - b, -half), np.minimum(x + a, long), np.minimum(y + b, half)
    )


def _surveyed(
    rule: Rule, settings: GridSettings, reading: Floats, box: Any, step: tuple[float, float], placed: str
) -> tuple[dict[str, Any], list[tuple[Any, Any]], str]:
    """The survey's columns, its areas with the cells of each, and what to say of them."""
    cell = shapely.area(box)
    whole = float(cell.sum())
    past = rule.past(reading)
    areas = _areas(box[past], np.flatnonzero(past), min(step))
    found = float(sum(shape.area for shape, _ in areas))
    moved = [rule.cut * (1 - settings.cut_off_step), rule.cut * (1 + settings.cut_off_step)]
    others = [f"{float(cell[rule.past(reading, c)].sum()) / whole:.1%} at {c:g} {rule.unit}" for c in sorted(moved)]
    side = "below" if rule.side < 0 else "above"
    words = (
        f"{len(areas)} areas, {found:.2f} of {whole:.2f} m2 read ({found / whole:.1%}), {side} {rule.cut:g} "
        f"{rule.unit} ({rule.why}); the share depends on the cut-off: {' and '.join(others)}"
    )
    survey: dict[str, Any] = {"method": rule.method, "surveyed_m2": whole}
    survey["coverage"] = shapely.union_all(box, grid_size=1e-6)
    if rule.method in KIND:
        survey["delaminated_m2"] = found
    else:
        passive = float(cell[reading > settings.half_cell_passive_v].sum())
        words += (
            f"; active {found:.2f} m2, uncertain {whole - found - passive:.2f} m2, above "
            f"{settings.half_cell_passive_v:g} V {passive:.2f} m2. Corroding bars are not hollow concrete: no share "
            "follows"
        )
    grid = f"{len(reading)} readings on a grid of {step[0]:g} by {step[1]:g} m, {placed}; cells that touch are one area"
    survey["remarks"] = f"{words}. {grid}."
    return survey, areas, f"{words}; {grid}"


def _areas(box: Any, number: Any, step: float) -> list[tuple[Any, Any]]:
    """Cells that touch joined to areas, in order of station and offset, with the numbers of their cells."""
    if not len(box):
        return []
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    left, right = shapely.STRtree(box).query(box, predicate="dwithin", distance=NEAR * step)
    link = coo_array((np.ones(len(left), dtype=np.int8), (left, right)), shape=(len(box), len(box)))
    count, group = connected_components(link, directed=False)
    out = [(shapely.union_all(box[group == g], grid_size=1e-6), number[group == g]) for g in range(count)]
    return sorted(out, key=lambda p: (round(p[0].bounds[0], 6), round(p[0].bounds[1], 6)))

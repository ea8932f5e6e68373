"""Cells under check: numbers, days, areas and words, each in the unit and form that is kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS, Column
from decknet.errors import RecordError
from decknet.ingest import measures, values
from decknet.ingest.coded import filled, once
from decknet.ingest.optional import posted_and_closed
from decknet.ingest.rows import Bools, Floats, Found, fault_frame, record_frame
from decknet.ingest.tongues import NO, YES

if TYPE_CHECKING:
    from datetime import date

    from decknet.ingest.mapping import Stated
    from decknet.ingest.recognise import Claim
    from decknet.ingest.register import Register
    from decknet.ingest.table import Table

__all__ = ["Bools", "Floats", "Rows", "fault_frame", "record_frame"]

_YES = {"yes": "1", "y": "1", "true": "1", "t": "1", "1": "1", "x": "1", "✓": "1", "✔": "1", "posted": "1"}
_NO = {"no": "0", "n": "0", "false": "0", "f": "0", "0": "0", "not posted": "0", "open": "0"}
_YES_NO = {**_YES, **_NO, **dict.fromkeys(YES, "1"), **dict.fromkeys(NO, "0")}
_INEXACT = ("<", ">", "~", "≈", "≤", "≥", "c.", "ca", "trace", "approx", "about", "some", "minor", "few")
_FROM_TO = re.compile(r"[0-9][0-9.,]*\s*[-–]\s*[0-9][0-9.,]*")


class Rows(Found):
    """The rows of one table while their cells are read.

    Parameters
    ----------
    file : str
        As faults name it.
    table : Table
    claims : dict
        Columns by our name.
    stated : Stated
    today : date
    kind, register
        As for ``Found``.
    """

    def __init__(
        self, file: str, table: Table, claims: dict[str, Claim], stated: Stated, today: date, kind: str = "",
        register: Register | None = None,
    ) -> None:  # fmt: skip
        self._read: dict[str, values.Numbers] = {}
        super().__init__(file, table, claims, stated, today, kind, register)
        self._mark = self._settle_mark()

    def _typed(self, claim: Claim) -> Bools | None:
        return None if self.table.typed is None else self.table.typed[:, claim.index]

    def _numeric(self) -> list[Claim]:
        return [c for c in self.claims.values() if c.column.kind == "number" and c.index >= 0]

    def _settle_mark(self) -> str:
        if self.stated.decimal:
            return self.stated.decimal
        seen = values.Marks()
        for claim in self._numeric():
            seen |= values.marks(self.table.cells[claim.index], self._typed(claim))
        return seen.settled()

    def required(self, *names: str) -> None:
        """Refuse rows with nothing in these columns."""
        for name in names:
            found = self.cells(name)
            if found is None:
                continue
            of = self.claims[name].column
            empty = (found == "").to_numpy(dtype=bool) if of.kind in ("id", "text") else values.is_missing(found)
            rule = f"{name} must be given: {of.meaning[0].lower()}{of.meaning[1:]}"
            self.fault(empty, name, "R-MISSING", rule, "Fill the cell.")

    def read_number(self, name: str) -> values.Numbers:
        """Numbers as written, before units; cells that are none are refused."""
        if name in self._read:
            return self._read[name]
        claim = self.claims[name]
        body = self.table.cells[claim.index]
        if "station" in name:
            body = values.stations(body, claim.unit)
        if "offset" in name:
            body = measures.sides(body)
        if name == "bearing_deg":
            body = measures.bearings(body)
        if claim.column.unit == "m":
            body = measures.feet_and_inches(body)
        if name in ("longitude_deg", "latitude_deg"):
            body = values.degrees(body, name == "latitude_deg")
        typed = self._typed(claim)
        column = values.Marks() if self.stated.decimal else values.marks(body, typed)
        if column.dot and column.comma:
            column = values.Marks()
        found = values.numbers(body, typed, column, self._mark)
        unsure = found.either & ~self.out
        if not self._mark and (self.table.delimiter not in ("", ",") or claim.column.unit == "veh/day"):
            unsure |= self._thousand_or_part(body, typed, column) & ~self.out
        if unsure.any():
            i = int(np.flatnonzero(unsure)[0])
            cell = str(body.iloc[i]).strip()
            whole, part = cell.replace(",", "").replace(".", ""), cell.replace(",", ".")
            raise RecordError(
                f"{self.place} line {self.table.line[i]}, {claim.header}: {cell!r} may be {whole} or {part}, and "
                "nothing in the file tells which. State the decimal mark: --decimal dot or --decimal comma."
            )
        starts = {int(i): str(body.iloc[i]).strip().lower() for i in np.flatnonzero(found.bad)}
        inexact = [i for i, s in starts.items() if s.startswith(_INEXACT) or _FROM_TO.fullmatch(s)]
        other = [i for i in starts if i not in set(inexact)]
        unit = f" in {claim.column.unit}" if claim.column.unit else ""
        self.fault(
            inexact,
            name,
            "R-INEXACT",
            f"a number is needed{unit}, and this is a bound, a range or a guess",
            "Give the figure measured, or leave the cell empty where none was.",
        )
        self.fault(
            other, name, "R-NUMBER", f"a number is needed{unit}", "Correct the cell; leave it empty where not known."
        )
        self._read[name] = found
        return found

    def _thousand_or_part(self, body: pd.Series, typed: Bools | None, column: values.Marks) -> Bools:
        """Cells such as 12.750 where every cell with a point has three digits after it."""
        none = np.zeros(self.n, dtype=bool)
        if column.dot or column.comma:
            return none
        codes, seen = once(values.clean(body))
        either = seen.str.fullmatch(values.EITHER_DOT).to_numpy(dtype=bool)[codes]
        out: Bools = either if typed is None else either & ~typed
        return out

    def number(self, name: str, *, ranged: bool = True) -> Floats | None:
        """A column of numbers in the unit kept; NaN where missing, None where there is no such column."""
        if name not in self.claims:
            return None
        value, share = self._in_unit(name)
        if share is not None:
            self.fault(
                share != "", name, "R-UNIT", f"a share is no {self.claims[name].column.unit}", "Give the figure."
            )
        if ranged:
            self.in_range(name, value)
        return value

    def _origin(self, name: str) -> float:
        """Station of the first joint in the file's own unit; 0 where stations are counted from it."""
        if "station" not in name or not self.stated.origin_station:
            return 0.0
        plain = values.stations(pd.Series([self.stated.origin_station], dtype="str"), self.claims[name].unit)
        return float(str(plain.iloc[0]).replace(",", "."))

    def _in_unit(self, name: str) -> tuple[Floats, Any]:
        """Numbers in the unit kept, and of what a share each is (``deck``, ``surveyed``, ``either`` or nothing).

        The shares are None where no cell of the column is one.
        """
        from decknet.ingest.recognise import unit_of

        claim = self.claims[name]
        found = self.read_number(name)
        value = (found.value - self._origin(name)) * claim.factor + claim.offset
        share = (
            None
            if not claim.share_of and not found.unit and "unit" not in self.claims
            else (np.full(self.n, claim.share_of, dtype=object))
        )
        units: dict[int, str] = dict(found.unit)
        given = ~np.isnan(found.value)
        if "unit" in self.claims and not claim.unit and claim.column.unit in ("m2", "m3"):
            column = self.text("unit")
            assert column is not None  # noqa: S101
            empty = (column == "").to_numpy(dtype=bool) & given
            empty[list(units)] = False
            self.fault(
                empty, "unit", "R-UNIT", f"the unit of {claim.header} must be given on each row", "Fill the cell."
            )
            units = {**{i: str(u) for i, u in enumerate(column) if u and given[i]}, **units}
        if share is None:
            return value, None
        elsewhere: list[int] = []
        fits: dict[int, tuple[float, float, str]] = {}
        for i, word in units.items():
            fit = unit_of(word, claim.column)
            if fit is None:
                kept = claim.column.unit or "no unit"
                self.fault([i], name, "R-UNIT", f"{word!r} is no unit for {name}, kept in {kept}", "Correct the unit.")
                value[i] = np.nan
                continue
            value[i], share[i] = found.value[i] * fit[0] + fit[1], fit[2]
            fits[i] = fit
            if i in found.unit and claim.unit and unit_of(claim.unit, claim.column) != fit:
                elsewhere.append(i)
        rule = "the cell states its own unit, which is not the header's; the cell's is taken"
        self.fault(elsewhere, name, "F-CELL-UNIT", rule, "Check the figure.", "flag")
        if not claim.unit and set(fits.values()) - {(1.0, 0.0, "")}:
            self._several_units(name, found.value, value, units, fits)
        return value, share

    def _several_units(
        self, name: str, raw: Floats, value: Floats, units: dict[int, str], fits: dict[int, tuple[float, float, str]]
    ) -> None:
        """Cells of a column without a unit: none may lack one, and where units differ what was read is said."""
        bare = ~np.isnan(raw)
        bare[list(units)] = False
        rule = f"other cells of {self.header(name)} state a unit, and this one does not"
        self.fault(bare & self.live, name, "R-UNIT", rule, "Write the unit, or state that of the column (--map).")
        if len(set(fits.values())) < 2:
            return
        read = {
            i: f"{raw[i]:g} {units[i]} is read as " + (f"{value[i]:.6g} {self.claims[name].column.unit}" if not fit[2]
                                                        else f"a share, {value[i]:.6g}")
            for i, fit in fits.items() if fit != (1.0, 0.0, "")
        }  # fmt: skip
        self.fault(list(read), name, "F-ROW-UNIT", read, "Check the unit of the row.")

    def area(self, name: str, deck_m2: Floats, surveyed_m2: Floats | None = None) -> Floats | None:
        """A column of areas in m²; a share is taken of the area surveyed, or of the deck."""
        if name not in self.claims:
            return None
        value, share = self._in_unit(name)
        held = None if share is None else share != ""
        if held is not None and held.any():
            covered = deck_m2 if surveyed_m2 is None else np.where(np.isnan(surveyed_m2), deck_m2, surveyed_m2)
            base = np.where(share == "deck", deck_m2, covered)
            lost = held & np.isnan(base) & ~np.isnan(value)
            self.fault(
                lost,
                name,
                "R-NO-AREA",
                "a share needs the deck's area, and its length or width is not known",
                "Load the deck with length and width first, or give the area.",
            )
            small = self.claims[name].factor == 0.01 and 0 < np.nanmax(np.where(held, value, 0.0)) <= 0.01
            if small:
                first = int(np.flatnonzero(held & (value > 0))[0])
                rule = "no figure of the column is above 1 %: they are read as percentages, and may be shares of 1"
                remedy = f"If 0.095 stands for 9.5 %, state it (--map): {name} in share."
                self.fault([first], name, "F-PERCENT", rule, remedy)
            over = held & (value > 1)
            self.fault(over, name, "R-RANGE", "a share lies between 0 and 100 %", "Correct the figure or its unit.")
            value = np.where(held, np.where(over, np.nan, value * base), value)
        self.in_range(name, value)
        self._beside(name, value, deck_m2, surveyed_m2)
        return value

    def _beside(self, name: str, value: Floats, deck_m2: Floats, surveyed_m2: Floats | None) -> None:
        """Hold an area against the share that stands beside it."""
        from decknet.ingest.recognise import AS_SHARE

        beside = self.claims.get(AS_SHARE + name)
        if beside is None:
            return
        found = values.numbers(self.table.cells[beside.index], self._typed(beside), None, self._mark)
        share = found.value * beside.factor
        covered = deck_m2 if surveyed_m2 is None else np.where(np.isnan(surveyed_m2), deck_m2, surveyed_m2)
        rounding = 0.006 if beside.factor == 1.0 else 0.0006  # shares are written to 2 digits, percentages to 1
        apart = np.ones(self.n, dtype=bool)
        for base in (deck_m2, covered):
            apart &= ~(np.abs(value - share * base) <= np.maximum(0.02 * value, rounding * base))
        apart &= ~np.isnan(value * share * deck_m2)
        rule = {
            int(i): f"{beside.header} says {share[i]:.2%} and {self.header(name)} {value[i]:.6g} m2, which is "
            f"{value[i] / deck_m2[i]:.2%} of the deck's {deck_m2[i]:.6g} m2; the area is stored"
            for i in np.flatnonzero(apart)
        }
        self.fault(apart, name, "F-TWO-FIGURES", rule, "Check both, and the unit.")

    def in_range(self, name: str, value: Floats) -> None:
        """Refuse values outside the column's range."""
        of = self.claims[name].column if name in self.claims else _named(name)
        low, high = of.low, of.high
        outside = np.zeros(self.n, dtype=bool)
        if low is not None:
            outside |= value < low
        if high is not None:
            outside |= value > high
        if outside.any():
            unit = f" {of.unit}" if of.unit else ""
            limits = [np.format_float_positional(x, trim="-") for x in (low, high) if x is not None]
            rule = f"{name} must lie between {' and '.join(limits)}{unit}"
            self.fault(outside, name, "R-RANGE", rule, "Correct the figure, or state its unit in the header.")

    def whole(self, name: str, *, ranged: bool = True) -> Floats | None:
        """A column of whole numbers, as floats; NaN where missing."""
        value = self.number(name, ranged=ranged)
        if value is None:
            return None
        broken = ~np.isnan(value) & (value != np.floor(value))
        self.fault(broken, name, "R-WHOLE", "a whole number is needed", "Correct the cell.")
        return np.where(broken, np.nan, value)

    def dates(self, name: str) -> Any:
        """A column of dates; one order of day and month for the whole column.

        Raises
        ------
        RecordError
            Both orders fit, or cells contradict each other.
        """
        claim = self.claims.get(name)
        if claim is None:
            return None
        body = self.table.cells[claim.index]
        body = filled(body, self.out, "")
        body = self._serials(name, body, self._typed(claim))
        found = values.days(body, self.stated.dates, self.today.year)
        if found.order in ("either", "neither"):
            i = found.proof[0]
            cell = str(body.iloc[i]).strip()
            remedy = "State the order: --dates day-first, --dates month-first or --dates year-first."
            at = f"{self.place} line {self.table.line[i]}, {claim.header}: {cell!r}"
            if found.order == "either":
                both = values.days(body.iloc[[i]], "day first", self.today.year).value[0]
                other = values.days(body.iloc[[i]], "month first", self.today.year).value[0]
                ways = " or ".join(f"{np.datetime_as_string(d, 'D')}" for d in (both, other) if not np.isnat(d))
                raise RecordError(
                    f"{at} may be {ways}: the whole column fits day first and month first alike. {remedy}"
                )
            j = found.proof[1]
            raise RecordError(
                f"{at} can only be day first, and line {self.table.line[j]}, {str(body.iloc[j]).strip()!r}, only month "
                f"first: a column has one order. Correct the cells. {remedy}"
            )
        if found.order:
            proof = f", because of line {self.table.line[found.proof[0]]}" if found.proof else ""
            self.said[name] = f"dates read {found.order}{proof}"
        rule = {
            int(i): f"the year has two digits and is read as {str(found.value[i])[:4]}"
            for i in np.flatnonzero(found.short & ~found.bad)
        }
        self.fault(list(rule), name, "F-TWO-DIGIT-YEAR", rule, "Write the year with four digits.")
        self.fault(
            found.bad,
            name,
            "R-DATE",
            "a day is needed, such as 2026-05-12",
            "Write the date as year-month-day, or format the cell as a date.",
        )
        return found.value

    def _serials(self, name: str, body: pd.Series, typed: Bools | None) -> pd.Series:
        """Day numbers of a workbook as dates, each with a flag; in other files they stay as they are."""
        if typed is None or not self.table.epoch:
            return body
        text = values.clean(body)
        bare = typed & text.str.fullmatch(r"[1-9][0-9]{4}(?:\.[0-9]+)?").to_numpy(dtype=bool) & ~self.out
        if not bare.any():
            return body
        start = np.datetime64(self.table.epoch, "D")
        out = body.copy()
        day = start + np.floor(text[bare].astype("float64").to_numpy()).astype("timedelta64[D]")
        out[bare] = np.datetime_as_string(day)
        rule = {
            int(i): f"a bare day number, read as {d} (day 0 of the workbook is {self.table.epoch})"
            for i, d in zip(np.flatnonzero(bare), day, strict=True)
        }
        self.fault(bare, name, "F-SERIAL", rule, "Format the cell as a date.")
        return out

    def choice(self, name: str, also: Mapping[str, str], *, bad: str = "refuse") -> pd.Series | None:
        """A column of fixed words, common spellings of them included."""
        found = self.cells(name)
        if found is None:
            return None
        of = self.claims[name].column
        known = {**{values.plain(c): c for c in of.choices}, **also}
        value, wrong = values.words(found, known)
        rule = f"{name} must be one of: {', '.join(of.choices)}"
        remedy = "Use one of these words" + ("" if bad == "refuse" else "; taken as not given")
        remedy += ", or say in a mapping file (--map) under [words] which of them is meant."
        self.fault(wrong, name, "R-CHOICE" if bad == "refuse" else "F-CHOICE", rule, remedy, bad)
        return value

    def flags(self, name: str) -> pd.Series | None:
        """A column of yes and no."""
        found = self.text(name)
        if found is None:
            return None
        value, wrong = values.words(found, _YES_NO)
        self.fault(wrong, name, "R-YES-NO", "yes or no is needed", self._meant(found, wrong, "yes"))
        return value.map({"1": True, "0": False}).astype("boolean")

    def posted(self, name: str) -> tuple[pd.Series, pd.Series] | None:
        """A column that says whether a load limit is posted, and whether the bridge is closed."""
        found = self.text(name)
        if found is None:
            return None
        posted, closed, wrong = posted_and_closed(found, _YES_NO)
        rule = "it does not say whether a load limit is posted"
        self.fault(wrong, name, "F-YES-NO", rule, self._meant(found, wrong, "yes"))
        return posted, closed

    def _meant(self, found: pd.Series, wrong: Bools, like: str) -> dict[int, str]:
        """How to say what a word means, for each wrong cell."""
        return {
            int(
                i
            ): f'Write yes or no, or say in a mapping file (--map) what the word means: [words] "{found.iloc[i]}" = '
            f'"{like}".'
            for i in np.flatnonzero(wrong)
        }

    def in_time(self, name: str, value: Any, built: Floats) -> None:
        """Refuse days in the future and years before the deck was built."""
        day = np.asarray(value, dtype="datetime64[D]")
        late = day > np.datetime64(self.today, "D")
        self.fault(late, name, "R-FUTURE", f"the day must not be after today, {self.today}", "Correct the date.")
        year = day.astype("datetime64[Y]").astype(np.int64) + 1970
        early = (year < built) & ~np.isnat(day)
        rule = {
            int(i): f"the deck was built in {built[i]:.0f}; nothing was found or done before"
            for i in np.flatnonzero(early)
        }
        self.fault(early, name, "R-BEFORE-BUILT", rule, "Correct the date, or the year of building.")


def _named(name: str) -> Column:
    return next(c for r in RECORDS.values() for c in r.columns if c.name == name)

"""Rows under check: every fault of every row is kept, and a row is lost only with a reason."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import FAULT, RECORDS, Column
from decknet.errors import RecordError
from decknet.ingest import values

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from decknet.ingest.read import Table
    from decknet.ingest.recognise import Claim, Stated
    from decknet.ingest.register import Answer

__all__ = ["Rows", "fault_frame", "record_frame"]

DTYPES = {
    "id": "str",
    "text": "str",
    "choice": "str",
    "number": "float64",
    "whole": "Int64",
    "date": "datetime64[us]",
    "flag": "boolean",
}
NAMED = 8  # lines named in one message
_YES = {"yes": "1", "y": "1", "true": "1", "t": "1", "1": "1", "x": "1", "posted": "1"}
_NO = {"no": "0", "n": "0", "false": "0", "f": "0", "0": "0", "not posted": "0", "open": "0"}
_INEXACT = ("<", ">", "~", "≈", "≤", "≥", "c.", "ca", "trace", "approx", "about", "some", "minor", "few")

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]
Text = str | Mapping[int, str]


def fault_frame(pieces: list[dict[str, Any]]) -> pd.DataFrame:
    """Faults as a frame with the columns of ``columns.FAULT``."""
    frame = pd.DataFrame(pieces, columns=list(FAULT))
    types = {c: "int64" if c == "line" else "str" for c in FAULT}
    return frame.astype(types)


def record_frame(kind: str, columns: Mapping[str, Any], sheet: str, line: Any) -> pd.DataFrame:
    """A frame of one kind of record, every column of it, in its own type.

    Parameters
    ----------
    kind : str
        Key of ``columns.RECORDS``.
    columns : mapping
        Values by column name, each of shape (n,); what is absent is missing.
    sheet : str
    line : array of int, shape (n,)
    """
    n = len(line)
    out: dict[str, Any] = {}
    for of in RECORDS[kind].columns:
        held = columns.get(of.name)
        if of.kind == "shape":
            body = np.full(n, None, dtype=object)
            if held is not None:
                body[:] = held
            out[of.name] = pd.Series(body, dtype=object)
        elif held is None:
            out[of.name] = pd.Series([pd.NA if of.kind in ("whole", "flag") else np.nan] * n, dtype=DTYPES[of.kind])
        else:
            body = pd.Series(held).reset_index(drop=True)
            if of.kind in ("whole", "flag"):
                body = body.astype("Float64" if of.kind == "whole" else "boolean").astype(DTYPES[of.kind])
            elif of.kind in ("id", "text", "choice"):
                # Nothing written is nothing given; an element of its own alone keeps its empty parent.
                body = body.astype("str").replace("", np.nan) if of.name != "parent_element" else body.astype("str")
            out[of.name] = body.astype(DTYPES[of.kind])
    out["sheet"] = pd.Series([sheet] * n, dtype="str")
    out["line"] = pd.Series(np.asarray(line, dtype=np.int64))
    return pd.DataFrame(out)


class Rows:
    """The rows of one table while they are checked.

    Holds which rows are refused, set aside or repeats, and the faults found so far. Masks and
    arrays are of shape (n,), in the order of the table.

    Parameters
    ----------
    file : str
        As faults name it.
    table : Table
    claims : dict
        Columns by our name.
    stated : Stated
    today : date
    """

    def __init__(self, file: str, table: Table, claims: dict[str, Claim], stated: Stated, today: date) -> None:
        self.file, self.table, self.claims, self.stated, self.today = file, table, claims, stated, today
        self.n = len(table.cells)
        self.refused: Bools = np.zeros(self.n, dtype=bool)
        self.out: Bools = np.zeros(self.n, dtype=bool)
        self.kept: Bools = np.zeros(self.n, dtype=bool)
        self.pieces: list[dict[str, Any]] = []
        self.said: dict[str, str] = {}
        self._read: dict[str, values.Numbers] = {}
        self._cells: np.ndarray[Any, np.dtype[np.object_]] | None = None
        self._mark = self._settle_mark()
        for position, code, rule, remedy, severity in table.odd:
            self.fault([position], "", code, rule, remedy, severity)
        self._repeats()

    @property
    def live(self) -> Bools:
        """Rows neither refused nor set aside so far."""
        return ~(self.out | self.refused)

    @property
    def place(self) -> str:
        """File and sheet, for messages."""
        return self.file + (f" sheet {self.table.sheet}" if self.table.sheet else "")

    def has(self, *names: str) -> bool:
        """Whether the table has all of these columns."""
        return all(n in self.claims for n in names)

    def header(self, name: str) -> str:
        """The header of one of our columns, as written."""
        return self.claims[name].header if name in self.claims else ""

    def fault(
        self,
        where: Bools | Sequence[int] | np.ndarray[Any, Any],
        column: str,
        code: str,
        rule: Text,
        remedy: Text,
        severity: str = "refuse",
        value: Text | None = None,
    ) -> None:
        """Note a fault of rows.

        Parameters
        ----------
        where : mask or positions
        column : str
            Our column, a header, or empty for the whole row.
        code, rule, remedy, severity : str
            Rule and remedy may differ from row to row: then by position.
        value : str, or by position
            As found; None takes the cell.
        """
        at = np.asarray(where)
        at = np.flatnonzero(at) if at.dtype == bool else at.astype(int)
        at = at[~self.out[at]]
        if severity in ("set aside", "repeat"):
            self.out[at] = True
        elif severity == "refuse":
            self.refused[at] = True
        claim = self.claims.get(column)
        header = claim.header if claim is not None else column
        for i in at.tolist():
            if value is not None:
                found = value if isinstance(value, str) else value.get(i, "")
            else:
                found = self._grid()[i, claim.index] if claim is not None and claim.index >= 0 else ""
            self.pieces.append(
                {
                    "file": self.file,
                    "sheet": self.table.sheet,
                    "line": int(self.table.line[i]),
                    "column": header,
                    "value": found,
                    "code": code,
                    "rule": rule if isinstance(rule, str) else rule[i],
                    "remedy": remedy if isinstance(remedy, str) else remedy[i],
                    "severity": severity,
                    "row": self.raw(i),
                }
            )

    def _grid(self) -> np.ndarray[Any, np.dtype[np.object_]]:
        if self._cells is None:
            self._cells = self.table.cells.to_numpy(dtype=object)
        return self._cells

    def raw(self, i: int) -> str:
        """The whole raw row as JSON."""
        cells = self._grid()[i]
        row: dict[str, Any] = {}
        for j, header in enumerate(self.table.headers):
            name = header or f"column {j + 1}"
            row[name if name not in row else f"{name} ({j + 1})"] = cells[j]
        if self.table.shape is not None:
            shape = self.table.shape[i]
            row["(shape)"] = None if shape is None else shapely.to_wkt(shape, rounding_precision=-1)
        return json.dumps(row, ensure_ascii=False)

    def _repeats(self) -> None:
        """Rows that repeat an earlier row of the table cell by cell are counted, not stored again."""
        if self.n < 2:
            return
        key = pd.util.hash_pandas_object(self.table.cells, index=False).to_numpy().copy()
        if self.table.shape is not None:
            wkb = pd.Series([b"" if s is None else shapely.to_wkb(s) for s in self.table.shape]).map(hash)
            key ^= wkb.to_numpy().astype(np.int64).view(np.uint64)
        first = pd.Series(np.arange(self.n)).groupby(key).transform("min").to_numpy()
        later = np.flatnonzero((first < np.arange(self.n)) & ~self.out)
        grid = self._grid()
        alike = later[(grid[later] == grid[first[later]]).all(axis=1)]
        rule = {int(i): f"the row repeats line {self.table.line[first[i]]} and is stored once" for i in alike}
        self.fault(alike, "", "F-REPEAT", rule, "Nothing, if it is the same record.", "repeat", value="")

    def text(self, name: str) -> pd.Series | None:
        """Cells of a column, blanks around them dropped, empty where nothing is written."""
        claim = self.claims.get(name)
        if claim is None:
            return None
        return values.clean(self.table.cells[claim.index])

    def ids(self, name: str) -> pd.Series | None:
        """Ids: text with every zero, freed of a spreadsheet's ="…"."""
        found = self.text(name)
        if found is not None and found.str.startswith('="').any():
            found = found.str.replace(r'^="(.*)"$', r"\1", regex=True)
        return found

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
            found = self.text(name)
            if found is None:
                continue
            empty = (found == "").to_numpy(dtype=bool)
            of = self.claims[name].column
            if of.kind not in ("id", "text"):
                empty = values.is_missing(found)
            rule = f"{name} must be given: {of.meaning[0].lower()}{of.meaning[1:]}"
            self.fault(empty, name, "R-MISSING", rule, "Fill the cell.")

    def read_number(self, name: str) -> values.Numbers:
        """Numbers as written, before units; cells that are none are refused."""
        if name in self._read:
            return self._read[name]
        claim = self.claims[name]
        body = self.table.cells[claim.index]
        if "station" in name:
            body = values.stations(body, 100.0 if claim.unit in ("ft", "feet", "foot") else 1000.0)
        typed = self._typed(claim)
        column = values.Marks() if self.stated.decimal else values.marks(body, typed)
        if column.dot and column.comma:
            column = values.Marks()
        found = values.numbers(body, typed, column, self._mark)
        unsure = found.either & ~self.out
        if unsure.any():
            i = int(np.flatnonzero(unsure)[0])
            cell = str(body.iloc[i]).strip()
            whole, part = cell.replace(",", ""), cell.replace(",", ".")
            raise RecordError(
                f"{self.place} line {self.table.line[i]}, {claim.header}: {cell!r} may be {whole} or {part}, and "
                "nothing in the file tells which. State the decimal mark in a mapping file (--map): "
                'decimal = "." or decimal = ",".'
            )
        starts = {int(i): str(body.iloc[i]).strip().lower() for i in np.flatnonzero(found.bad)}
        inexact = [i for i, s in starts.items() if s.startswith(_INEXACT)]
        other = [i for i in starts if i not in set(inexact)]
        unit = f" in {claim.column.unit}" if claim.column.unit else ""
        self.fault(
            inexact,
            name,
            "R-INEXACT",
            f"a number is needed{unit}, and this is a bound or a guess",
            "Give the figure measured, or leave the cell empty where none was.",
        )
        self.fault(
            other, name, "R-NUMBER", f"a number is needed{unit}", "Correct the cell; leave it empty where not known."
        )
        self._read[name] = found
        return found

    def number(self, name: str, *, ranged: bool = True) -> Floats | None:
        """A column of numbers in the unit kept; NaN where missing, None where there is no such column."""
        if name not in self.claims:
            return None
        value, share = self._in_unit(name)
        self.fault(share != "", name, "R-UNIT", f"a share is no {self.claims[name].column.unit}", "Give the figure.")
        if ranged:
            self.in_range(name, value)
        return value

    def _in_unit(self, name: str) -> tuple[Floats, Any]:
        """Numbers in the unit kept, and of what a share each is (``deck``, ``surveyed``, ``either`` or nothing)."""
        from decknet.ingest.recognise import unit_of

        claim = self.claims[name]
        found = self.read_number(name)
        value = found.value * claim.factor + claim.offset
        share = np.full(self.n, claim.share_of, dtype=object)
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
        elsewhere: list[int] = []
        for i, word in units.items():
            fit = unit_of(word, claim.column)
            if fit is None:
                kept = claim.column.unit or "no unit"
                self.fault([i], name, "R-UNIT", f"{word!r} is no unit for {name}, kept in {kept}", "Correct the unit.")
                value[i] = np.nan
                continue
            value[i], share[i] = found.value[i] * fit[0] + fit[1], fit[2]
            if i in found.unit and claim.unit and unit_of(claim.unit, claim.column) != fit:
                elsewhere.append(i)
        rule = "the cell states its own unit, which is not the header's; the cell's is taken"
        self.fault(elsewhere, name, "F-CELL-UNIT", rule, "Check the figure.", "flag")
        return value, share

    def area(self, name: str, deck_m2: Floats, surveyed_m2: Floats | None = None) -> Floats | None:
        """A column of areas in m²; a share is taken of the area surveyed, or of the deck."""
        if name not in self.claims:
            return None
        value, share = self._in_unit(name)
        held = share != ""
        if held.any():
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
            over = held & (value > 1)
            self.fault(over, name, "R-RANGE", "a share lies between 0 and 100 %", "Correct the figure or its unit.")
            value = np.where(held, np.where(over, np.nan, value * base), value)
        self.in_range(name, value)
        return value

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
        body = body.where(~self.out, "")
        found = values.days(body, self.stated.dates)
        if found.order in ("either", "neither"):
            i = found.proof[0]
            cell = str(body.iloc[i]).strip()
            remedy = 'State the order in a mapping file (--map): dates = "day first" or dates = "month first".'
            at = f"{self.place} line {self.table.line[i]}, {claim.header}: {cell!r}"
            if found.order == "either":
                raise RecordError(f"{at} and the rest of the column fit day first and month first alike. {remedy}")
            j = found.proof[1]
            raise RecordError(
                f"{at} can only be day first, and line {self.table.line[j]}, {str(body.iloc[j]).strip()!r}, only month "
                f"first: a column has one order. Correct the cells. {remedy}"
            )
        if found.order:
            self.said[name] = f"dates read {found.order}"
        self.fault(
            found.bad,
            name,
            "R-DATE",
            "a day is needed, such as 2026-05-12",
            "Write the date as year-month-day, or format the cell as a date.",
        )
        return found.value

    def choice(self, name: str, also: Mapping[str, str], *, bad: str = "refuse") -> pd.Series | None:
        """A column of fixed words, common spellings of them included."""
        found = self.text(name)
        if found is None:
            return None
        of = self.claims[name].column
        known = {**{values.plain(c): c for c in of.choices}, **also}
        value, wrong = values.words(found, known)
        rule = f"{name} must be one of: {', '.join(of.choices)}"
        remedy = "Use one of these words." if bad == "refuse" else "Use one of these words; taken as not given."
        self.fault(wrong, name, "R-CHOICE" if bad == "refuse" else "F-CHOICE", rule, remedy, bad)
        return value

    def flags(self, name: str) -> pd.Series | None:
        """A column of yes and no."""
        found = self.text(name)
        if found is None:
            return None
        value, wrong = values.words(found, {**_YES, **_NO})
        self.fault(wrong, name, "R-YES-NO", "yes or no is needed", "Write yes or no.")
        return value.map({"1": True, "0": False}).astype("boolean")

    def answered(self, answer: Answer, column: str) -> pd.Series:
        """Ids found, their faults and flags noted."""
        for kind, severity in ((answer.fault, "refuse"), (answer.flag, "flag")):
            by: dict[str, list[int]] = {}
            for i, (code, *_) in kind.items():
                by.setdefault(code, []).append(i)
            for code, at in by.items():
                self.fault(
                    at,
                    column,
                    code,
                    {i: kind[i][2] for i in at},
                    {i: kind[i][3] for i in at},
                    severity,
                    {i: kind[i][1] for i in at},
                )
        return pd.Series(pd.array(answer.ids, dtype="str"))

    def in_time(self, name: str, value: Any, built: Floats) -> None:
        """Refuse days in the future and years before the deck was built."""
        day = pd.Series(value)
        late = (day > pd.Timestamp(self.today)).to_numpy(dtype=bool)
        self.fault(late, name, "R-FUTURE", f"the day must not be after today, {self.today}", "Correct the date.")
        year = day.dt.year.to_numpy(dtype=float)
        early = year < built
        rule = {
            int(i): f"the deck was built in {built[i]:.0f}; nothing was found or done before"
            for i in np.flatnonzero(early)
        }
        self.fault(early, name, "R-BEFORE-BUILT", rule, "Correct the date, or the year of building.")

    def conflicts(self, key: pd.DataFrame, what: str, column: str, remedy: str) -> None:
        """Refuse rows that share a key and disagree; all lines concerned are named."""
        live = self.live
        if not live.any():
            return
        shared = key[live].duplicated(keep=False)
        if not shared.any():
            return
        at = shared.index[shared].to_numpy()
        rule: dict[int, str] = {}
        for name, part in key.loc[at].groupby(list(key.columns), sort=False, dropna=False):
            members = part.index
            lines = ", ".join(str(self.table.line[i]) for i in members[:NAMED])
            lines += f" and {len(members) - NAMED} more" if len(members) > NAMED else ""
            label = " ".join(f"{p:g}" if isinstance(p, float) else str(p) for p in name)
            rule.update({int(i): f"lines {lines} give the {what} {label} differently" for i in members})
        self.fault(at, column, "R-CONFLICT", rule, remedy)

    def records(self, kind: str, columns: Mapping[str, Any], where: Bools | None = None) -> pd.DataFrame:
        """The rows that stand, as records; they count as kept."""
        stand = self.live if where is None else self.live & where
        self.kept |= stand
        cut = {
            n: (pd.Series(c)[stand] if not isinstance(c, np.ndarray) else c[stand])
            for n, c in columns.items()
            if c is not None
        }
        return record_frame(kind, cut, self.table.sheet, self.table.line[stand])


def _named(name: str) -> Column:
    return next(c for r in RECORDS.values() for c in r.columns if c.name == name)

"""The rows of one table, and every fault found of them: a row is lost only with a reason."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import FAULT, RECORDS, normal
from decknet.columns.column import VERSION
from decknet.ingest import values
from decknet.ingest.coded import all_differ, each, filled, is_coded, numbered, once, shared, spelled, spread
from decknet.ingest.codes import CODES
from decknet.ingest.corrections import cleared_words, complete, take_clears
from decknet.ingest.revisions import of_revision

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from decknet.ingest.mapping import Stated
    from decknet.ingest.recognise import Claim
    from decknet.ingest.register import Answer, Register
    from decknet.ingest.table import Table

__all__ = ["Bools", "Floats", "Found", "fault_frame", "record_frame"]

DTYPES = {
    "id": "str",
    "text": "str",
    "choice": "str",
    "number": "float64",
    "whole": "Int64",
    "date": "datetime64[us]",
    "flag": "boolean",
}
QUOTED = 3  # different cells, all in single quotes, of a column that is written so
NAMED = 8  # lines named in one message
MANY = 50_000  # rows of a table up to which its cells are held row by row

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]
Text = str | Mapping[int, str]

# By what a row with a fault and the record that puts it right are known to be about the same thing.
ABOUT = {
    "bridge": ("bridge_id",),
    "deck": ("deck_id",),
    "traffic": ("bridge_id", "year"),
    "survey": ("deck_id", "survey_date"),
    "defect": ("survey_id", "defect_id"),
    "active_area": ("survey_id", "area_id"),
    "repair": ("deck_id", "repair_date"),
    "closing": ("deck_id", "closed_on"),
    "rating": ("bridge_id", "rated_year"),
    "condition": ("bridge_id", "condition_year"),
    "element_quantity": ("bridge_id", "quantity_date", "element", "parent_element"),
    "base": ("kind", "base_id"),
}


def fault_frame(pieces: list[dict[str, Any]]) -> pd.DataFrame:
    """Faults as a frame with the columns of ``columns.FAULT`` and ``about``, the record each is of."""
    frame = pd.DataFrame(pieces, columns=[*FAULT, "about"])
    frame["about"] = frame["about"].astype("object").fillna("")
    return frame.astype({c: "int64" if c == "line" else "str" for c in frame})


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
            out[of.name] = _missing(n, DTYPES[of.kind])
        else:
            body = pd.Series(held).reset_index(drop=True)
            if of.kind in ("whole", "flag"):
                body = body.astype("Float64" if of.kind == "whole" else "boolean").astype(DTYPES[of.kind])
            elif is_coded(body):
                codes, seen = once(body)
                empty = (seen == "").to_numpy(dtype=bool)
                body = spread(seen, np.where(empty[codes], -1, codes) if empty.any() else codes)
            elif of.kind in ("id", "text", "choice"):
                # Nothing written is nothing given; an element of its own alone keeps its empty parent.
                body = body.astype("str")
                if of.name != "parent_element" and (empty := body == "").any():
                    body = body.mask(empty)
            out[of.name] = body.astype(DTYPES[of.kind])
    for of in VERSION:
        if columns.get(of.name) is not None:
            out[of.name] = pd.Series(columns[of.name]).reset_index(drop=True).astype(DTYPES[of.kind])
    out["sheet"] = spread([sheet], np.zeros(n, dtype=np.int8))
    out["line"] = pd.Series(np.asarray(line, dtype=np.int64))
    return pd.DataFrame(out, copy=False)


def _missing(n: int, dtype: str) -> pd.Series:
    if dtype == "str":
        return spread([""], np.full(n, -1, dtype=np.int8))
    return pd.Series(None, index=pd.RangeIndex(n), dtype=dtype)


def _unquoted(cells: pd.Series) -> pd.Series:
    """A column without the single quotes in which all its cells stand."""
    _, seen = once(cells)
    if not len(seen) or not seen.iloc[0].startswith("'"):
        return cells
    held = seen[seen != ""]
    if not held.str.fullmatch(r"'.*'").all() or len(held) < QUOTED:
        return cells
    return each(cells, lambda c: c.str.replace(r"^'(.*)'$", r"\1", regex=True).str.strip())


def _word(cell: str) -> str:
    """A cell as words are compared; marks alone, such as a dash, as they stand."""
    return values.plain(cell) or cell.strip()


class Found:
    """The rows of one table, and what was found of them so far.

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
    kind : str
        What the table is read as.
    register : Register or None
        What is on record; without it no row is taken for one about a record that is stored.
    """

    def __init__(
        self, file: str, table: Table, claims: dict[str, Claim], stated: Stated, today: date, kind: str = "",
        register: Register | None = None,
    ) -> None:  # fmt: skip
        self.kind, self.register = kind, register
        self.file, self.table, self.claims, self.stated, self.today = file, table, claims, stated, today
        self.n = len(table.cells)
        self.refused: Bools = np.zeros(self.n, dtype=bool)
        self.out: Bools = np.zeros(self.n, dtype=bool)
        self.kept: Bools = np.zeros(self.n, dtype=bool)
        self.pieces: list[dict[str, Any]] = []
        self.said: dict[str, str] = {}
        self.about: dict[str, np.ndarray[Any, np.dtype[np.object_]]] = {}
        self.also: dict[int, tuple[str, str]] = {}  # columns used beside the claims: what for, and why
        self.clears: dict[str, Bools] = {}  # cells that take a value off the record, by column
        self.cleared_at: dict[str, dict[int, str]] = {}  # by column and row, what was taken off
        self.other_looks: dict[tuple[str, str], Bools] = {}  # by kind and column, what a row says in another way
        self.on_record: Bools = np.zeros(self.n, dtype=bool)  # rows that leave out what is on record
        self.version: dict[str, Any] | None = None  # revision and day of issue of each row, once worked out
        self.older: dict[str, Bools] = {}  # by kind, rows of which a newer revision is on record
        self.why_older: dict[int, str] = {}
        self._ids: dict[str, pd.Series] = {}
        self._cells: np.ndarray[Any, np.dtype[np.object_]] | None = None
        self._raw = table.cells
        self._translate()
        if register is not None:
            take_clears(self, kind, register)
        self._fill()
        for position, code, rule, remedy, severity in table.odd:
            self.fault([position], "", code, rule, remedy, severity)
        self._repeats()
        if register is not None:
            complete(self, kind, register)

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
        severity = CODES[code].severity if code in CODES else severity
        at = np.asarray(where)
        at = np.flatnonzero(at) if at.dtype == bool else at.astype(int)
        at = at[~self.out[at]]
        if severity in ("set aside", "repeat"):
            at = at[~self.refused[at]]
            self.out[at] = True
        elif severity == "refuse":
            self.refused[at] = True
        if not len(at):
            return
        claim = self.claims.get(column)
        header = claim.header if claim is not None else column
        cells = self._rows(at)
        for i, row in zip(at.tolist(), cells, strict=True):
            if value is not None:
                found = value if isinstance(value, str) else value.get(i, "")
            else:
                found = row[claim.index] if claim is not None and 0 <= claim.index < len(row) else ""
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
                    "row": self._raw_row(i, row),
                    "at": i,
                }
            )

    def _rows(self, at: np.ndarray[Any, Any]) -> np.ndarray[Any, np.dtype[np.object_]]:
        """Raw cells of some rows, shape (len(at), columns); a table that is not large is turned over once."""
        if self._cells is None and self.n <= MANY:
            self._cells = self._raw.to_numpy(dtype=object)
        out: np.ndarray[Any, np.dtype[np.object_]]
        out = self._raw.iloc[at].to_numpy(dtype=object) if self._cells is None else self._cells[at]
        return out

    def _translate(self) -> None:
        """Words that the user says the meaning of are read as the words meant; faults still show the cell as found."""
        flat = {_word(k): v for k, v in self.stated.words.items() if isinstance(v, str)}
        of = {normal(k): v for k, v in self.stated.words.items() if isinstance(v, dict)}
        changed = {}
        for name, claim in self.claims.items():
            if claim.index < 0 or claim.column.kind == "id":
                continue
            own = {**of.get(normal(claim.header), {}), **of.get(normal(name), {})}
            meant = {**flat, **{_word(k): v for k, v in own.items()}}
            body = self.table.cells[claim.index]
            codes, seen = once(body)
            new = [meant.get(_word(str(s)), s) for s in seen] if meant else []
            told = [f"{s!r} as {n!r}" for s, n in zip(seen, new, strict=True) if n != s] if meant else []
            if told:
                changed[claim.index] = spread(new, codes).set_axis(body.index)
                self.said[name] = f"read {', '.join(told[:4])}{' and others' if len(told) > 4 else ''}, as stated"
        if changed:
            self.table = replace(self.table, cells=self.table.cells.copy())
            for index, body in changed.items():
                self.table.cells[index] = body

    def _fill(self) -> None:
        """Empty cells of a column take what the user states for every row."""
        full = {}
        for name, value in self.stated.values.items():
            claim = self.claims.get(name)
            if claim is not None and claim.rank != 9:
                body = self.table.cells[claim.index]
                empty = (values.clean(body) == "").to_numpy(dtype=bool)
                if empty.any():
                    full[claim.index] = filled(body, empty, value)
                    self.said[name] = f"empty cells are taken as {value!r}, as stated"
        if full:
            self.table = replace(self.table, cells=self.table.cells.copy())
            for index, body in full.items():
                self.table.cells[index] = body

    def _raw_row(self, i: int, cells: Any) -> str:
        """The whole raw row as JSON."""
        row: dict[str, Any] = {}
        for j, header in enumerate(self.table.headers[: len(self.table.headers) - self.table.added]):
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
        key = self._groups()
        if key is None:
            return
        codes, _ = pd.factorize(key)
        start = np.empty(int(codes.max()) + 1, dtype=np.int64)
        start[codes[::-1]] = np.arange(self.n - 1, -1, -1)
        first = start[codes]
        later = np.flatnonzero((first < np.arange(self.n)) & ~self.out)
        alike = later[(self._rows(later) == self._rows(first[later])).all(axis=1)]
        rule = {int(i): f"the row repeats line {self.table.line[first[i]]} and is stored once" for i in alike}
        self.fault(alike, "", "F-REPEAT", rule, "Nothing, if it is the same record.", "repeat", value="")

    def _groups(self) -> Any:
        """A number for each row, the same for rows that are alike; None where no two are."""
        names = list(self._raw.columns)
        parts = [(codes, len(seen)) for codes, seen in (once(self._raw[j]) for j in names if is_coded(self._raw[j]))]
        parts.sort(key=lambda p: -p[1])
        if parts and all_differ(*numbered(parts)):
            return None
        for j in names:
            if not is_coded(self._raw[j]):
                codes, seen = once(self._raw[j])
                parts.append((codes, len(seen)))
                if all_differ(*numbered(parts)):
                    return None
        if self.table.shape is not None:
            wkb = shapely.to_wkb(self.table.shape)
            codes, different = pd.factorize(np.array([hash(b) for b in wkb], dtype=np.int64))
            parts.append((codes, len(different)))
        if not parts:
            return None
        key, size = numbered(parts)
        return None if all_differ(key, size) else key

    def cells(self, name: str) -> pd.Series | None:
        """As ``text``; in a large table a column that holds each different cell once."""
        claim = self.claims.get(name)
        if claim is None:
            return None
        return _unquoted(values.clean(self.table.cells[claim.index]))

    def text(self, name: str) -> pd.Series | None:
        """Cells of a column, blanks around them dropped, empty where nothing is written."""
        found = self.cells(name)
        return None if found is None else spelled(found)

    def ids(self, name: str) -> pd.Series | None:
        """Ids: text with every zero, freed of a spreadsheet's ="…"."""
        found = self.coded_ids(name)
        return None if found is None else spelled(found)

    def coded_ids(self, name: str) -> pd.Series | None:
        """As ``ids``; in a large table a column that holds each different id once."""
        if name in self._ids:
            return self._ids[name]
        found = self.cells(name)
        if found is None:
            return None
        _, seen = once(found)
        if seen.str.startswith('="').any():
            found = each(found, lambda ids: ids.str.replace(r'^="(.*)"$', r"\1", regex=True))
        if seen.str.startswith("'").any():
            found = each(found, lambda ids: ids.str.replace(r"^'(.*?)'?$", r"\1", regex=True).str.strip())
        self._ids[name] = self._whole_ids(name, found)
        return self._ids[name]

    def _whole_ids(self, name: str, found: pd.Series) -> pd.Series:
        """Ids that a spreadsheet took for numbers: 417.0 is 417, and 4.17E+11 is no id any more."""
        codes, seen = once(found)
        if not seen.str.contains(r"[.+]", regex=True).any():
            return found
        lost = seen.str.fullmatch(r"[0-9](?:[.,][0-9]+)?[eE]\+[0-9]+").to_numpy(dtype=bool)
        rule = "a spreadsheet has cut the id to a rounded number; its digits are lost"
        self.fault(lost[codes], name, "R-ID-DIGITS", rule, "Format the column as text and write the whole id.")
        point = seen.str.fullmatch(r"[0-9]+\.0+").to_numpy(dtype=bool)
        if not point.any() or seen.str.fullmatch(r"[0-9]+\.[0-9]*[1-9]").any():
            return found
        at = np.flatnonzero(point[codes])
        rule = f"{len(at)} ids are read without the .0 that a spreadsheet added; zeros before a number may be lost too"
        self.fault(at[:1], name, "F-ID-POINT", rule, "Format the column as text before saving.")
        return each(
            found, lambda ids: ids.where(~ids.str.fullmatch(r"[0-9]+\.0+"), ids.str.replace(r"\.0+$", "", regex=True))
        )

    def raw_cell(self, name: str, i: int) -> str:
        """A cell as it stood in the file."""
        return str(self._raw[self.claims[name].index].iloc[i])

    def answered(self, answer: Answer, column: str) -> pd.Series:
        """Ids found, their faults and flags noted."""
        self.faults_of(answer, column)
        return pd.Series(pd.array(answer.ids, dtype="str"))

    def faults_of(self, answer: Answer, column: str) -> None:
        """Note the faults and flags of ids looked for."""
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

    def conflicts(self, key: pd.DataFrame, what: str, column: str, remedy: str, told_by: Any = None) -> None:
        """Refuse rows that share a key and disagree; all lines concerned are named.

        Parameters
        ----------
        key : DataFrame
        what, column, remedy : str
        told_by : (array of int, int), optional
            A number a row, the same for live rows with the same key only, and one above the largest; else worked out.
        """
        live = np.flatnonzero(self.live)
        if not len(live):
            return
        if told_by is None:
            several = key.iloc[live].duplicated(keep=False).to_numpy(dtype=bool)
        else:
            several = shared(told_by[0][live], told_by[1])
        if not several.any():
            return
        at = live[several]
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
        version = of_revision(self, kind, columns, stand)
        stand = stand & ~self.older[kind] if kind in self.older else stand
        self.kept |= stand
        self._name(kind, columns)
        columns = {**columns, **version}
        columns["cleared"] = cleared_words(self, kind, columns, stand)
        if stand.all():
            return record_frame(kind, columns, self.table.sheet, self.table.line)
        cut = {
            n: (pd.Series(c)[stand] if not isinstance(c, np.ndarray) else c[stand])
            for n, c in columns.items()
            if c is not None
        }
        return record_frame(kind, cut, self.table.sheet, self.table.line[stand])

    def _name(self, kind: str, columns: Mapping[str, Any]) -> None:
        """What the rows with faults are about: kind and the columns in ``ABOUT``, as the store names them."""
        at = sorted({p["at"] for p in self.pieces if not p.get("about")})
        if not at or not all(columns.get(n) is not None for n in ABOUT.get(kind, RECORDS[kind].key)):
            return
        parts = []
        for name in ABOUT.get(kind, RECORDS[kind].key):
            held = columns[name]
            some = pd.Series(held[at] if isinstance(held, np.ndarray) else held.iloc[at])
            if some.dtype.kind == "M":
                parts.append(some.dt.strftime("%Y-%m-%d"))
            elif some.dtype.kind == "f":
                parts.append(some.map(lambda v: "" if v != v else f"{v:.0f}"))
            else:
                parts.append(some.astype("str"))
        named = {
            i: "|".join([kind, *map(str, row)])
            for i, row in zip(at, zip(*parts, strict=True), strict=True)
            if all(isinstance(v, str) and v for v in row)
        }
        for piece in self.pieces:
            if not piece.get("about"):
                piece["about"] = named.get(piece["at"], "")

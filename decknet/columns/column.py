"""What a column and a record are, and the form in which headers are compared."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["VERSION", "Column", "Record", "normal"]

ID, TEXT, NUMBER, WHOLE, DATE, FLAG, SHAPE, CHOICE = (
    "id",
    "text",
    "number",
    "whole",
    "date",
    "flag",
    "shape",
    "choice",
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
        As in the store and in every frame; a unit rides at its end.
    kind : str
        id, text, number, whole, date, flag (yes or no), shape, choice.
    unit : str
        Unit kept inside; empty where there is none.
    meaning : str
        One plain sentence.
    low, high : float or None
        Values outside are refused.
    choices : tuple of str
        For kind choice: the words stored.
    required : bool
        A row without it is refused.
    also : tuple of str
        Headers it is recognised by, beside its own name, in the form ``normal`` gives,
        without units.
    """

    name: str
    kind: str
    unit: str
    meaning: str
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    required: bool = False
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Record:
    """One kind of record: its columns, and those that tell one record from another."""

    kind: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]

    @property
    def stored(self) -> tuple[Column, ...]:
        """All that a row says in the store: the columns, then those of ``VERSION``."""
        return (*self.columns, *VERSION)


# What a row says of itself, kept with it and not among the columns that readers get.
VERSION: tuple[Column, ...] = (
    Column("cleared", TEXT, "", "Columns that the row takes off the record, as its file says; split by spaces."),
    Column("revision", TEXT, "", "Revision of the file or row it came from, where that is said."),
    Column("issued", DATE, "", "Day of issue of the file or row it came from, where that is said."),
    Column("inspected", DATE, "", "Day of the inspection that the row tells of, where that is said."),
)


def normal(header: str) -> str:
    """A header in the form synonyms are listed in: lower case, words split by one space.

    Examples
    --------
    >>> normal("  Bridge_ID ")
    'bridge id'
    >>> normal("DeckLength(m)")
    'decklength m'
    >>> normal("delaminated m²")
    'delaminated m2'
    """
    text = header.strip().strip("\"'").lower().replace("²", "2").replace("³", "3")
    out = "".join(c if c.isalnum() or c in "%°" else " " for c in text)
    return " ".join(out.split())

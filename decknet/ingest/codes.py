"""Every rule a record is held to, once: code, severity, sentence.

The first letter says what becomes of the row: R refuse, F flag and keep, S set aside as no record,
and one code for a repeat. Rules whose code opens with C are checked over what is stored.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CODES", "Code", "reference"]

SEVERITIES = {"R": "refuse", "F": "flag", "S": "set aside", "C": "flag"}


@dataclass(frozen=True, slots=True)
class Code:
    """One rule: what it is about, and the sentence that states it."""

    code: str
    about: str
    sentence: str

    @property
    def severity(self) -> str:
        """``refuse``, ``flag``, ``set aside`` or ``repeat``."""
        return "repeat" if self.code == "F-REPEAT" else SEVERITIES[self.code[0]]


_TABLE: dict[str, tuple[tuple[str, str], ...]] = {
    "layout": (
        ("R-CELLS", "A row has no more cells than the header."),
        ("F-CELLS", "A row with fewer cells than the header has the last ones not given."),
        ("F-QUOTES", "A quote inside a quoted cell is written twice."),
        ("F-HIDDEN", "A row hidden in a sheet is read all the same."),
        ("F-REPEAT", "A row that repeats another cell by cell is stored once."),
        ("S-TOTAL", "A line of totals is no record."),
        ("S-NOTE", "A line of words under a table is no record."),
        ("S-HEADER", "A header repeated inside a table is no record."),
        ("R-RECORD-LENGTH", "A line of fixed width has the length of the layout."),
    ),
    "cells": (
        ("R-MISSING", "What a record needs is given."),
        ("R-NUMBER", "A number is a number."),
        ("F-NUMBER", "A number beside a record that stands without it is a number."),
        ("R-INEXACT", "A figure is measured, not a bound, a range or a guess."),
        ("F-INEXACT", "A figure beside a record that stands without it is measured."),
        ("R-WHOLE", "A count or a year is a whole number."),
        ("F-WHOLE", "A count or a year beside a record that stands without it is whole."),
        ("R-RANGE", "A figure lies in the range its column can have."),
        ("F-RANGE", "A figure beside a record that stands without it lies in its range."),
        ("R-UNIT", "A unit is known, is of the right kind, and is given where the others are."),
        ("F-UNIT", "A unit beside a record that stands without the figure is known."),
        ("F-CELL-UNIT", "A cell's own unit is taken where it differs from the header's."),
        ("F-ROW-UNIT", "Where rows are in several units, each is read in its own, and what was read is said."),
        ("F-PERCENT", "Percentages of which none is above 1 may be shares of 1."),
        ("F-TWO-FIGURES", "An area and a share given side by side agree."),
        ("R-NO-AREA", "A share needs the area it is of."),
        ("R-DATE", "A date is a day."),
        ("F-SERIAL", "A bare day number in a column of dates is read by the workbook's own day 0."),
        ("F-TWO-DIGIT-YEAR", "A year of two digits is read as the latest that is not in the future."),
        ("R-CHOICE", "A word is one of those known."),
        ("F-CHOICE", "A word that is not known, and not needed, is taken as not given."),
        ("R-YES-NO", "Yes or no is answered with yes or no."),
        ("F-YES-NO", "Yes or no beside a record that stands without it is answered so."),
        ("F-DATE", "A date beside a record that stands without it is a day."),
        ("F-CLEARED", "A cell that reads clear takes the value off the record; what it was is said."),
        ("F-NOTHING-CLEARED", "A cell that reads clear stands where there is a value on record."),
        ("F-LEFT-OUT", "A cell that a record stands without is left out where it breaks its rule."),
    ),
    "names": (
        ("R-UNKNOWN-BRIDGE", "A row names a bridge that is known."),
        ("R-UNKNOWN-DECK", "A row names a deck that is known."),
        ("R-UNKNOWN-SURVEY", "A row names a survey that is known, or its deck and day."),
        ("R-ZEROS", "An id with its zeros lost fits one known id only."),
        ("F-ZEROS", "An id with its zeros lost is joined to the one known id it fits."),
        ("F-ID-LIKE", "An id that differs only in zeros, case, blanks or dashes from one known id is joined to it."),
        ("F-ID-POINT", "An id that a spreadsheet wrote as 417.0 is read as 417."),
        ("R-ID-DIGITS", "An id is whole: one written as 4.17E+11 has lost its digits."),
        ("R-NO-DECK", "A bridge named in place of its deck has a deck on record."),
        ("R-WHICH-DECK", "A bridge named in place of its deck has one deck only."),
        ("R-DECK-BRIDGE", "A deck belongs to the bridge it is named with."),
        ("R-SURVEY-DECK", "A survey belongs to the deck it is named with."),
        ("R-SURVEY-DATE", "A survey is of the day it is named with."),
        ("F-JOINED", "A row without a number is taken for the one record of its day that it contradicts in nothing."),
        ("R-NOT-ON-RECORD", "A row that leaves out what a record needs names one that is on record."),
        ("R-NO-DATE", "A defect belongs to a survey, or to a deck and a day."),
        ("R-WHICH-SURVEY", "A deck and day name one survey only."),
        ("F-SURVEY-MADE", "A survey is made to hold defects of a deck and day that have none."),
        ("F-NEW-BRIDGE", "An outline of a bridge not on record brings the bridge in."),
        ("R-CONFLICT", "Rows with one key say one thing; otherwise none of them is stored."),
        ("F-CONFLICT", "Rows of one bridge give one figure for a year; the first is stored."),
    ),
    "time": (
        ("R-FUTURE", "Nothing is dated after today."),
        ("F-FUTURE", "A figure beside a record is not dated after today."),
        ("R-BEFORE-BUILT", "Nothing is found or done before the bridge was built."),
        ("F-BEFORE-BUILT", "A deck is no older than its bridge."),
        ("F-NO-YEAR", "A bridge has the year it was built."),
        ("F-SCALE", "A figure of condition stands on a scale whose worst and best end are stated."),
        ("F-UNDATED", "A count or rating has its year; one without is kept so, for bridges that have no dated one."),
        ("F-ONE-WAY", "Where counts are given by direction, both directions of a bridge are given."),
        ("F-OLD-COUNT", "A count older than ten years is marked as old."),
    ),
    "figures": (
        ("R-LARGER-THAN-DECK", "An area fits on the deck, and in what was surveyed of it."),
        ("F-NO-TOTALS", "A survey states what it found, 0 included."),
        ("F-STRIP", "The strip surveyed lies on the deck; what is beyond does not count."),
        ("F-STRIP-OFF", "The strip surveyed has some of the deck in it; else it is left out."),
        ("F-LOOK", "The part looked at is known; else it is a part whose place is not known."),
        ("F-COVERAGE", "A survey whose defects are drawn says how much of the deck was looked at."),
        ("F-TURNED", "From comes before to; a turned pair is turned back."),
        ("F-OVERLAY", "Which overlay is said; else a rigid one is taken."),
        ("S-ZERO-TRAFFIC", "A count of 0 is a missing count."),
        ("F-ZERO-TRAFFIC", "A traffic of 0 beside a bridge is a missing count."),
        ("F-STATES", "Quantities in the condition states add up to the total."),
        ("S-NO-RATING", "A rating of N does not apply."),
        ("F-NO-RATING", "A rating beside a bridge is 0 to 9."),
        ("F-RATING", "A rating given in two ways agrees."),
        ("F-NO-LENGTH", "A deck has a length."),
        ("F-NO-WIDTH", "A deck has a width."),
        ("F-WIDTH", "A deck's own width is used before that of the road on it."),
    ),
    "shapes": (
        ("R-SHAPE", "A shape can be read and all its coordinates are finite."),
        ("R-NO-SHAPE", "A defect has a shape with an area, or a stated area."),
        ("R-SHAPE-KIND", "A defect's shape is an area, not a point or a line."),
        ("F-SHAPE-KIND", "A point or line beside a stated area is not used."),
        ("F-SHAPE-MENDED", "An outline that crosses itself is mended with all its lobes, and the area is said."),
        ("F-RING-CLOSED", "A ring left open is closed."),
        ("F-OUTSIDE-DECK", "What lies outside the deck is left out of its share, and the area is said."),
        ("F-COVERAGE-SHAPE", "Ground looked at is a plain polygon on its deck; else it is left out."),
        ("S-COVERAGE", "A shape of the ground looked at is no defect; it is kept with its survey."),
        ("F-BEYOND", "A defect lies on what its survey looked at, and a closing on its deck."),
        ("F-CLOSES-NOTHING", "A closing names what is dealt with: the cause, the hazard, or the place."),
        ("F-TWO-AREAS", "An outline and the area stated beside it agree."),
        ("R-ON-GROUND", "A defect drawn on a map needs a deck whose place and direction are known."),
        ("F-GROUND-OUTLINE", "A deck drawn on a map gives its size where it is near a rectangle."),
        ("F-CENTRELINE", "A centreline is one line in degrees."),
    ),
    "positions": (
        ("F-NO-SYSTEM", "Coordinates have a system; without one they are not used."),
        ("F-POSITION", "Longitude and latitude can be; else the position is not used."),
        ("F-ZERO-POSITION", "0, 0 stands for a position not known."),
        ("F-TWO-POSITIONS", "Columns and the row's own shape put a bridge at one place."),
        ("F-HALF-POSITION", "A position has both its halves."),
        ("F-SWAPPED", "Longitude and latitude that fit the rest only when exchanged are not used."),
        ("F-SIGN", "A position that fits the rest only with another sign is not used."),
        ("F-FAR", "A bridge lies among those of its district."),
        ("F-NO-POSITION", "A bridge has a position."),
    ),
    "inventory": (
        ("R-OTHER-STATE", "A number means one bridge: the same number in another state is another bridge."),
        ("S-OLDER", "A row older than the bridge's inspection on record has a rating or a count to add."),
        ("S-OLD-REVISION", "A row of an older revision, issue or inspection never replaces one of a newer."),
        ("F-OLD-REVISION", "Of a row older than what is on record only its ratings and counts are added."),
        ("F-YEAR-TAKEN", "A rating without its date takes the year of the inventory."),
        ("S-ROUTE-UNDER", "The record of a route under a bridge is no record of the bridge."),
    ),
    "elements": (
        ("R-TAG-TWICE", "A record gives each tag once."),
        ("S-ELEMENT", "Only concrete decks and slabs, their defects and their surfaces are kept."),
        ("F-NO-PARENT", "A defect says which element it is of."),
        ("F-DEFECT-OVER", "A defect has no larger quantity than its element."),
    ),
    "grids": (
        ("R-LABEL", "A line of a grid is named by a number or by letters."),
        ("R-OFF-DECK", "A reading lies on its deck."),
        ("S-NO-READING", "A point without a reading was not surveyed."),
        ("F-ODD-READING", "A reading far above the others is looked at again."),
        ("F-CUT-OFF", "How far the share depends on the cut-off is said."),
        ("F-SURVEY-KNOWN", "A survey read again replaces the older one whole only when that is taken back first."),
    ),
    "stored": (
        ("C-NO-BRIDGE", "A deck stored belongs to a bridge stored."),
        ("C-NO-DECK", "A survey, repair or closing stored belongs to a deck stored."),
        ("C-NO-SURVEY", "A defect stored belongs to a survey stored."),
        ("C-NO-SIZE", "A deck stored has a length and a width."),
        ("C-NO-POSITION", "A bridge stored has a position; without one it is not drawn."),
        ("C-SWAPPED", "No position stored fits the rest only with longitude and latitude exchanged."),
        ("C-SIGN", "No position stored fits the rest only with another sign."),
        ("C-FAR", "A bridge stored lies among those of its district."),
        ("C-SAME-PLACE", "Two bridges stored do not stand on one spot."),
        ("C-NEAR-IDS", "No two ids stored differ only in zeros, case or blanks."),
        ("C-BEFORE-BUILT", "Nothing stored is dated before its bridge was built."),
        ("C-FUTURE", "Nothing stored is dated after today."),
        ("C-SURVEY-LARGER", "No survey stored finds more than it covered, or covers more than the deck."),
        ("C-LOOK", "The part that a survey stored looked at is known; else it is a part whose place is not known."),
        ("C-COVERAGE", "A survey stored with defects drawn says how much of the deck was looked at."),
        ("C-REPAIR-LARGER", "No repair stored is larger than its deck."),
        ("C-TWO-SURVEYS", "A deck has one survey a day; two with different figures are a conflict."),
        ("C-HALVES", "Surveys of parts on days close together are told apart from whole ones."),
        ("C-SAME-PART", "Two parts make the whole only if they differ: lane 1 twice is not the deck."),
        ("C-HEALED", "Unsound area stored does not fall between surveys with no repair between them."),
        ("C-NO-TOTALS", "A survey stored has a total or a defect; else it says nothing."),
        ("C-TWO-AREAS", "The totals of a survey agree with its defects."),
        ("C-OUTSIDE-DECK", "Defects stored lie on their deck."),
        ("C-BEYOND", "Defects stored lie on what their survey looked at."),
        ("C-OVERLAP", "Defects of one survey do not overlap much; what does counts once."),
        ("C-NO-COUNT", "A bridge has a count of its traffic."),
        ("C-OLD-COUNT", "A bridge's last count is not older than ten years."),
        ("C-OPEN", "No row refused on the way in is still open."),
    ),
}  # fmt: skip

CODES: dict[str, Code] = {
    code: Code(code, about, sentence) for about, lines in _TABLE.items() for code, sentence in lines
}


def reference() -> str:
    """The rules as a Markdown table: code, what becomes of the row, the rule.

    Examples
    --------
    >>> reference().splitlines()[0]
    '| code | what becomes of the row | rule |'
    """
    says = {"refuse": "refused", "flag": "kept, flagged", "set aside": "set aside", "repeat": "stored once"}
    lines = ["| code | what becomes of the row | rule |", "| --- | --- | --- |"]
    lines += [f"| `{c.code}` | {says[c.severity]} | {c.sentence} |" for c in CODES.values()]
    return "\n".join(lines) + "\n"

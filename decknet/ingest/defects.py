"""Defects: outlines or areas, each belonging to a survey."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns import normal
from decknet.ingest import looks, measures, shapes, surveys
from decknet.ingest.areas import area_of_sides
from decknet.ingest.checks import record_frame
from decknet.ingest.coded import spread
from decknet.ingest.kinds import is_coverage
from decknet.ingest.tongues import KINDS_TOO, METHOD_WORDS

if TYPE_CHECKING:
    from decknet.ingest.checks import Bools, Floats, Rows
    from decknet.ingest.register import Register

__all__ = ["DEFECT_WORDS", "check_defects", "kind_named", "made_surveys", "named_surveys", "needs_kind"]

DEFECT_WORDS = {
    "delam": "delamination", "delams": "delamination", "delaminated": "delamination", "delaminations": "delamination",
    "hollow": "delamination", "hollow area": "delamination", "hollows": "delamination", "drummy": "delamination",
    "décollement": "delamination", "décollements": "delamination", "decollement": "delamination",
    "decollements": "delamination",
    "spalled": "spall", "spalls": "spall", "spalling": "spall", "pothole": "spall", "scaling": "spall",
    "holes": "hole", "full depth hole": "hole", "open hole": "hole", "punch through": "hole",
    "exposed bars": "exposed bar", "exposed rebar": "exposed bar", "exposed steel": "exposed bar",
    "exposed reinforcement": "exposed bar", "bar exposed": "exposed bar", "rebar": "exposed bar",
    "failed patches": "failed patch", "unsound patch": "failed patch", "unsound patches": "failed patch",
    "patch failed": "failed patch", "debonded patch": "failed patch",
}  # fmt: skip
_NAMED = {**KINDS_TOO, **DEFECT_WORDS, "delamination": "delamination", "spall": "spall", "hole": "hole"}


def kind_named(name: str) -> str:
    """The kind of defect a sheet, layer or file is named for; empty where for none.

    Examples
    --------
    >>> kind_named("north_delaminations"), kind_named("defects")
    ('delamination', '')
    """
    words = normal(name).split()
    tries = [" ".join(words[i : i + 2]) for i in range(len(words))] + words
    return next((_NAMED[t] for t in tries if t in _NAMED), "")


def check_defects(rows: Rows, register: Register) -> dict[str, pd.DataFrame]:
    """Defects of one table, and the surveys made where none is on record for the deck and day."""
    rows.required("kind")
    columns: dict[str, Any] = {"depth_mm": rows.number("depth_mm")}
    columns["kind"] = _kinds(rows)
    survey, deck, day = named_surveys(rows, register)
    size = register.size(deck)
    rows.in_time("survey_date", day, size["year"].to_numpy())
    area_m2 = surveys.deck_m2(size)
    measures.ask_for_origin(rows, size)
    area = rows.area("area_m2", area_m2) if rows.has("area_m2") else area_of_sides(rows)
    columns["area_m2"] = area
    columns["shape"] = drawn = shapes.deck_shapes(rows, area, deck, register)
    shapes.beyond_deck(rows, drawn, deck, size, register)
    _sizes(rows, drawn, area, area_m2, deck)
    columns["survey_id"] = survey
    columns["defect_id"] = _numbered(rows, survey, columns["kind"])
    rows.conflicts(
        pd.DataFrame({"survey": survey, "defect": columns["defect_id"]}),
        "defect",
        "defect_id",
        "Give each defect of a survey its own number.",
    )
    out: dict[str, pd.DataFrame] = {}
    _, made = made_surveys(rows, register, survey, deck, day)
    if made is not None:
        out["survey"] = made
    looks.flag_looks(rows, survey, drawn, register)
    out["defect"] = rows.records("defect", columns)
    return out


def _kinds(rows: Rows) -> pd.Series:
    found = rows.choice("kind", {**KINDS_TOO, **DEFECT_WORDS})
    if found is not None:
        return found
    named = kind_named(rows.table.name)
    rows.said["kind"] = f"every row is taken as {named}, for which the table is named"
    return pd.Series([named] * rows.n, dtype="str")


def named_surveys(rows: Rows, register: Register) -> tuple[pd.Series, pd.Series, Any]:
    """Survey, deck and day of each row; a survey that is not on record yet is named, not yet made."""
    none = pd.Series([""] * rows.n, dtype="str")
    given = rows.ids("survey_id")
    given = none if given is None else given
    day = rows.dates("survey_date")
    day = np.full(rows.n, np.datetime64("NaT"), dtype="datetime64[us]") if day is None else day.copy()
    held = register.survey_frame()
    where = held.index.get_indexer(pd.Index(given))
    on_record = (where >= 0) & (given != "").to_numpy(dtype=bool)
    if rows.has("deck_id") or rows.has("bridge_id"):
        codes, answer = surveys.find_decks(rows, register)
        for i in [i for i, said in answer.fault.items() if said[0] == "R-MISSING" and on_record[i]]:
            del answer.fault[i]  # a survey on record names the deck itself
        rows.faults_of(answer, "deck_id" if rows.has("deck_id") else "bridge_id")
        deck = spread(answer.ids, codes)
    else:
        deck = pd.Series([None] * rows.n, dtype="str")
    survey = given.where(given != "", None).astype("str")
    if on_record.any():
        deck, day = _of_record(rows, given, deck, day, held.iloc[np.where(on_record, where, 0)], on_record)
    nowhere = ~on_record & (given != "").to_numpy(dtype=bool) & (deck.isna().to_numpy(dtype=bool) | np.isnat(day))
    rows.fault(
        nowhere & ~rows.refused,
        "survey_id",
        "R-UNKNOWN-SURVEY",
        "the survey must be known, or its deck and day given",
        "Load the surveys first, or add columns deck_id and survey_date.",
    )
    open_ = ~on_record & (given == "").to_numpy(dtype=bool) & ~deck.isna().to_numpy(dtype=bool)
    rows.fault(
        open_ & np.isnat(day),
        "survey_date",
        "R-NO-DATE",
        "a defect needs its survey: an id, or the deck and the day",
        "Add a column survey_date or survey_id, or state the day of the whole file: --set survey_date=2026-05-12.",
    )
    return _by_day(rows, held, survey, deck, day, open_ & ~np.isnat(day)), deck, day


def _of_record(
    rows: Rows, given: pd.Series, deck: pd.Series, day: Any, held: pd.DataFrame, on_record: Any
) -> tuple[pd.Series, Any]:
    """Deck and day of the surveys on record that rows name; what contradicts them is refused."""
    its, its_day = held["deck_id"].to_numpy(dtype=object), held["survey_date"].to_numpy(dtype="datetime64[us]")
    other = on_record & ~deck.isna().to_numpy(dtype=bool) & (deck.to_numpy(dtype=object) != its)
    rule = {int(i): f"survey {given.iloc[i]} is of deck {its[i]}" for i in np.flatnonzero(other)}
    rows.fault(other, "survey_id", "R-SURVEY-DECK", rule, "Correct an id.")
    apart = on_record & ~np.isnat(day) & (day != its_day)
    rule = {int(i): f"survey {given.iloc[i]} is of {str(its_day[i])[:10]}" for i in np.flatnonzero(apart)}
    rows.fault(apart, "survey_id", "R-SURVEY-DATE", rule, "Correct the id or the date.")
    found = deck.where(~on_record, pd.Series(its, dtype="str"))
    return found, np.where(on_record, its_day, day)


def _by_day(rows: Rows, held: pd.DataFrame, survey: pd.Series, deck: pd.Series, day: Any, open_: Any) -> pd.Series:
    """Surveys of rows that name deck and day only: the one on record, else the id of one to be made."""
    if not open_.any():
        return survey
    frame = pd.DataFrame({"deck": deck, "day": day})[open_]
    code = frame.groupby(["deck", "day"], sort=False).ngroup()
    first = ~code.duplicated()
    asked = frame[first].assign(code=code[first])
    near = held.reset_index().rename(columns={"deck_id": "deck", "survey_date": "day"})
    near = near[pd.Index(asked["deck"].unique()).get_indexer(pd.Index(near["deck"])) >= 0]
    match = asked.merge(near, on=["deck", "day"], how="left")
    count = match.groupby("code")["survey_id"].count()
    made = asked["deck"] + "|" + asked["day"].dt.strftime("%Y-%m-%d") + "|survey"
    name = pd.Series(made.to_numpy(dtype=object), index=asked["code"].to_numpy())
    one = match.groupby("code")["survey_id"].first()
    name = name.where(count.reindex(name.index).to_numpy() == 0, one.reindex(name.index))
    out = survey.astype("object")
    out[open_] = code.map(name).to_numpy(dtype=object)
    many = count.index[count > 1]
    for c in many:
        there = match.loc[match["code"] == c, "survey_id"].tolist()
        of = asked[asked["code"] == c].iloc[0]
        rule = f"deck {of['deck']} has {len(there)} surveys on {of['day']:%Y-%m-%d}: {', '.join(there)}"
        at = code.index[code == c].to_numpy()
        rows.fault(at, "survey_date", "R-WHICH-SURVEY", rule, "Name the survey in a column survey_id.")
    return out.astype("str")


def _sizes(rows: Rows, drawn: Any, area: Floats | None, deck_area: Floats, deck: pd.Series) -> None:
    surveys.larger(rows, "area_m2", area, deck_area, deck, "of the deck")
    held = drawn != None  # noqa: E711
    outline = np.full(rows.n, np.nan)
    outline[held] = shapely.area(drawn[held])
    surveys.larger(rows, "shape", outline, deck_area, deck, "of the deck")
    if area is not None:
        apart = np.abs(outline - area) > np.maximum(0.05 * outline, 0.01)
        rule = {
            int(i): f"the outline encloses {outline[i]:.3f} m2 and the row states {area[i]:.3f} m2; the outline is used"
            for i in np.flatnonzero(apart)
        }
        rows.fault(apart, "area_m2", "F-TWO-AREAS", rule, "Check both.", "flag")


def _numbered(rows: Rows, survey: pd.Series, kind: pd.Series) -> pd.Series:
    """Ids as given; else kind and number within the survey, in file order."""
    given = rows.ids("defect_id")
    if given is not None and (given != "").all():
        return given
    frame = pd.DataFrame({"survey": survey, "kind": kind})
    count = frame[rows.live].groupby(["survey", "kind"]).cumcount().add(1).reindex(range(rows.n), fill_value=0)
    made = kind.fillna("defect") + " " + count.astype(str)
    return made if given is None else given.where(given != "", made)


def made_surveys(
    rows: Rows, register: Register, survey: pd.Series, deck: pd.Series, day: Any
) -> tuple[Bools, pd.DataFrame | None]:
    """Surveys made for rows of which none is on record: which rows they are made by, and the surveys."""
    live, by = rows.live, np.zeros(rows.n, dtype=bool)
    new = live & (register.survey_frame().index.get_indexer(pd.Index(survey)) < 0)
    if not new.any():
        return by, None
    frame = pd.DataFrame({"survey_id": survey, "deck_id": deck, "survey_date": day})[new]
    frame = frame[~frame["survey_id"].duplicated()]
    at = frame.index.to_numpy()
    method = rows.choice("method", METHOD_WORDS, bad="flag")
    columns = {**{c: frame[c] for c in frame}, "method": None if method is None else method.loc[at]}
    made = record_frame("survey", columns, rows.table.sheet, rows.table.line[at])
    register.add_surveys(made)
    values_ = dict(zip(at.tolist(), frame["survey_id"].astype("str"), strict=True))
    rows.fault(
        at,
        "survey_id" if rows.has("survey_id") else "",
        "F-SURVEY-MADE",
        "no survey of this deck and day is on record, so one has been made to hold what was drawn",
        "Load the survey sheet, which says what was looked at and how.",
        "flag",
        values_,
    )
    by[at] = True
    return by, made


def needs_kind(name: str, has_kind: bool) -> bool:
    """Whether a table of defects leaves open what was found."""
    return not has_kind and not kind_named(name) and not is_coverage(name)

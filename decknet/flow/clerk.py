"""Use cases of the office: what to check in the store, and blank sheets to fill in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from decknet import digits, flow
from decknet.columns import RECORDS
from decknet.errors import DecknetError
from decknet.flow.condition import Condition
from decknet.flow.reading import AsOf, records_of, with_store
from decknet.ingest import CODES, check_records
from decknet.ingest.codes import Code
from decknet.keep import Store
from decknet.settings import Settings
from decknet.show.clerk import fault_list
from decknet.show.forms import FORMS, form

__all__ = ["Check", "check", "list_of", "open_entries", "write_forms"]

LEAST_LEFT_OUT_M2 = 0.05  # drawn beyond the deck or the look by less is a matter of drawing; ours
# Rules over what comes of the records, beside those of ``ingest`` over the records themselves.
OWN_RULES = (
    Code("C-SET-ASIDE", "stored", "A survey stored can be right; no share rests on one that cannot."),
    Code("C-LEFT-OUT", "stored", "What a survey drew lies on the deck and on what it looked at."),
)


@dataclass(frozen=True, slots=True)
class Check:
    """What was found wrong.

    Attributes
    ----------
    title : str
    stored : DataFrame
        What looks wrong in what is stored: code, kind, record, column, value, rule, remedy, and file,
        sheet and line it came from.
    waiting : DataFrame
        Rows refused or flagged on the way in that nothing has put right since, each with its intake.
    """

    title: str
    stored: pd.DataFrame
    waiting: pd.DataFrame


def check(path: Path, *, today: date) -> Check:
    """Hold everything in a store to every rule."""

    def held(store: Store) -> Check:
        records = records_of(store, path, AsOf(today, whole=True))
        found = check_records(dict(records.frames), today=today)
        found = pd.concat([found, _left_out(Condition(records, Settings()).surveys)], ignore_index=True)
        return Check(records.title, _with_source(store, found), store.open_entries())

    return with_store(path, held)


def _left_out(surveys: pd.DataFrame) -> pd.DataFrame:
    """Findings about surveys that no share rests on, and about what was drawn and is in no figure.

    Parameters
    ----------
    surveys : DataFrame
        As ``measure.survey_shares`` gives.
    """
    rows = [
        (
            "C-SET-ASIDE", "survey", r.survey_id, "unsound_m2", r.fault,
            (
                f"the survey of {r.survey_date:%Y-%m-%d} of deck {r.deck_id} cannot be right, so it is set aside: no "
                "share rests on it"
            ),
            "Check its areas, its drawing and what it is said to have looked at, and load it again.",
        )
        for r in surveys[surveys["fault"].notna()].itertuples()
    ]  # fmt: skip
    rows += [
        (
            "C-LEFT-OUT", "survey", r.survey_id, "shape", f"{digits.area(r.outside_m2)} m2",
            (f"so much of what the survey of {r.survey_date:%Y-%m-%d} drew lies beyond deck {r.deck_id} or beyond what "
            "it looked at, and is in no figure"),
            "Check the stations and offsets of its defects, what it is said to have looked at, and the deck's size.",
        )
        for r in surveys[surveys["outside_m2"] > LEAST_LEFT_OUT_M2].itertuples()
    ]  # fmt: skip
    names = ["code", "kind", "record", "column", "value", "rule", "remedy"]
    return pd.DataFrame(rows, columns=names).astype("str")


def _with_source(store: Store, found: pd.DataFrame) -> pd.DataFrame:
    """Findings with file, sheet and line of the record each is about, where it is about one."""
    out = found.assign(file="", sheet="", line="")
    for kind, part in out.groupby("kind"):
        record = RECORDS.get(str(kind))
        if record is None or record.kind == "defect":
            continue
        held = store.history(record.kind)
        held = held[~held["undone"]].drop_duplicates(record.key[0], keep="last").set_index(record.key[0])
        known = part.index[part["record"].isin(held.index)]
        source = held.loc[part.loc[known, "record"], ["file", "sheet", "line"]].astype("str")
        for name in ("file", "sheet", "line"):
            out.loc[known, name] = source[name].to_numpy()
    return out


def open_entries(path: Path) -> pd.DataFrame:
    """Rows refused or flagged that nothing has put right since."""
    return with_store(path, Store.open_entries)


def list_of(found: Check, *, today: date) -> bytes:
    """The list for a clerk, as a workbook: first what was refused, then what looks wrong, then flags."""
    waiting = found.waiting.assign(kind=found.waiting["about"].str.split("|").str[0], record=found.waiting["about"])
    waiting["severity"] = waiting["severity"].map({"refuse": "refused", "flag": "kept, flagged"})
    waiting = waiting.astype("object")
    stored = found.stored.assign(severity="stored", row="").astype("object")
    both = pd.concat([waiting[waiting["severity"] == "refused"], stored, waiting[waiting["severity"] != "refused"]])
    rules = pd.DataFrame(
        [(c.code, c.about, c.severity, c.sentence) for c in (*CODES.values(), *OWN_RULES)],
        columns=["code", "about", "severity", "sentence"],
    )
    return fault_list(both.where(both.notna(), ""), rules, title=found.title, today=today)


def write_forms(folder: Path) -> Iterator[Path]:
    """Blank sheets into a folder; a sheet of that name that is there already stays as it is.

    Raises
    ------
    DecknetError
        A file of the name exists: it may be filled in.
    """
    there = [name for name in FORMS if (folder / f"{name}.xlsx").exists()]
    if there:
        raise DecknetError(
            f"{folder / f'{there[0]}.xlsx'}: exists already and may be filled in. Name another folder, or move it away."
        )
    for name in FORMS:
        path = folder / f"{name}.xlsx"
        flow.write_whole(path, form(name))
        yield path

"""Records in: a file read, laid beside what is held, and stored; taken back; its log."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS
from decknet.errors import DecknetError, RecordError
from decknet.flow.apart import told_of_file, told_of_gone
from decknet.flow.changed import changed
from decknet.flow.files import software, write_whole
from decknet.flow.gone import decks_gone, with_gone_retired
from decknet.flow.hazards import Closes, what_closes
from decknet.flow.reading import AsOf, records_of, with_store
from decknet.ingest import Known, Reading, files_in, mapping_text, read_file, read_one
from decknet.ingest.register import newest
from decknet.keep import Intake, Store
from decknet.locate import place_decks, with_positions
from decknet.locate.onto import shapes_to_deck
from decknet.settings import Settings

__all__ = ["Loaded", "close", "create", "intake_faults", "intake_log", "load", "save_mapping", "undo"]


@dataclass(frozen=True, slots=True)
class Loaded:
    """One file brought in, or tried: what was read, and what the store did with it."""

    path: Path
    reading: Reading | None
    intake: Intake | None
    already: int | None
    error: str = ""
    note: str = ""  # why a file of a folder or an archive was left alone
    closes: Closes | None = None  # of a closing: what it does to the hazards of its deck
    suggestion: str = ""  # of a file that is not recognised: a mapping file that may load it
    gone: tuple[str, ...] = ()  # decks that a newer inventory of their whole state no longer holds, and are not retired
    changes: pd.DataFrame | None = None  # what it moves, renames or resizes, as ``changed.changed`` gives it
    held_back: bool = False  # nothing of it is stored, because of what it changes

    @property
    def told(self) -> list[str]:
        """What of the file is kept and not ranked, and of how many decks the kind is not known: a sentence each."""
        if self.reading is None:
            return []
        return [*told_of_file(self.reading.records), *told_of_gone(self.gone)]


def create(path: Path, *, title: str, currency: str, now: datetime) -> None:
    """Make a new, empty store."""
    Store.create(path, title=title, currency=currency, now=now, software=software()).close()


def _known(store: Store) -> Known:
    bridges = store.current("bridge", ("bridge_id", "name", "built_year", *_PLACE, "state_code"))
    decks = store.current(
        "deck",
        ("deck_id", "bridge_id", "length_m", "width_m", "deck_area_m2", "deck_built_year", "deck_kind", "kind_year",
         "in_use", "retired_on"),
    )  # fmt: skip
    surveys = store.current("survey", ("survey_id", "deck_id", "survey_date"))
    ratings = store.current("rating", ("bridge_id", "rated_year"))
    counts = store.current("traffic", ("bridge_id", "year"))

    def to_deck(of: pd.Series, shapes: np.ndarray[Any, np.dtype[np.object_]]) -> np.ndarray[Any, np.dtype[np.object_]]:
        held = with_positions(store.current("deck"), store.current("bridge"))
        return shapes_to_deck(place_decks(held), held.set_index("deck_id")["length_m"], of, shapes)

    return Known(
        bridges=bridges, decks=decks, surveys=surveys, ratings=ratings, counts=counts, to_deck=to_deck,
        layout=lambda: store.current("deck", ("deck_id", "outline", "lanes", "spans", "joints_m")),
        kinds=store.kinds(), rows=store.current, versions=lambda kind: store.current(kind, _versions_of(kind)),
    )  # fmt: skip


_PLACE = ("longitude_deg", "latitude_deg")


def _versions_of(kind: str) -> tuple[str, ...]:
    return (*RECORDS[kind].key, "revision", "issued", "inspected")


def _with(known: Known, reading: Reading) -> Known:
    """What would be known once a reading is stored."""
    parts = {}
    for name, kind in (("bridges", "bridge"), ("decks", "deck"), ("surveys", "survey")):
        now: pd.DataFrame = getattr(known, name)
        new = reading.records.get(kind)
        parts[name] = newest([now, new], kind) if new is not None and len(new) else now
    for name, kind in (("ratings", "rating"), ("counts", "traffic")):
        held: pd.DataFrame = getattr(known, name)
        more = reading.records.get(kind, held.iloc[:0])[held.columns.tolist()]
        parts[name] = pd.concat([held, more], ignore_index=True)
    rows, layout, versions = known.rows, known.layout, known.versions
    return Known(
        **parts, to_deck=known.to_deck, kinds=known.kinds | {k for k, new in reading.records.items() if len(new)},
        layout=None if layout is None else lambda: _joined(layout(), reading, "deck"),
        rows=None if rows is None else lambda kind: _joined(rows(kind), reading, kind),
        versions=None if versions is None else lambda kind: _joined(versions(kind), reading, kind),
    )  # fmt: skip


def _joined(held: pd.DataFrame, reading: Reading, kind: str) -> pd.DataFrame:
    """What the store gives when it is asked, and the records of a reading, which may be stored by then or not."""
    new = reading.records.get(kind)
    return held if new is None else newest([held, new], kind)


# Rows refused or flagged so may be kept once another file of the same command is stored.
_WAITING = frozenset(
    {
        "R-UNKNOWN-BRIDGE", "R-UNKNOWN-DECK", "R-UNKNOWN-SURVEY", "R-NO-DECK", "R-NO-AREA", "R-ON-GROUND",
        "F-SURVEY-MADE",
    }
)  # fmt: skip


def load(
    path: Path, files: Sequence[Path], *, kind: str | None = None, mapping: Path | None = None,
    options: Mapping[str, Any] | None = None, dry_run: bool = False, settings: Settings | None = None,
    accept: Collection[str] = (), now: datetime, who: str,
) -> Iterable[Loaded]:  # fmt: skip
    """Bring files, folders and archives into a store, one intake a file; yields as it goes.

    What ``accept`` names is done where a file makes it likely and does not say it: ``gone`` retires the decks that a
    newer inventory of their whole state no longer holds; ``changes`` stores a file that moves, renames or resizes what
    is on record (``changed.changed``), of which nothing is stored without it.

    A file that cannot be read at all is yielded with its error, and the others are still brought in.
    A file whose rows name bridges, decks or surveys that are not on record waits for the others.
    """
    with Store.open(path, read_only=dry_run) as store, tempfile.TemporaryDirectory(prefix="decknet-") as scratch:
        known = _known(store)
        grid = settings.grid if settings is not None else None
        queue: list[tuple[Path, str]] = []
        for n, file in enumerate(files):
            try:
                held, others = files_in(file, Path(scratch) / str(n))
            except DecknetError as why:
                yield Loaded(file, None, None, None, str(why))
                continue
            queue += held
            for name, reason in others:
                yield Loaded(Path(name), None, None, None, note=f"{name}: left alone: {reason}.")
        last_try = len(queue) == 1
        fresh: Reading | None = None  # joined to what is known only where another file is read
        while queue:
            waiting: list[tuple[bool, Path, str]] = []
            for file, name in queue:
                if fresh is not None:
                    known, fresh = _with(known, fresh), None
                try:
                    reading = read_file(
                        file, known=known, today=now.date(), kind=kind, mapping=mapping, options=options, name=name,
                        settings=grid,
                    )  # fmt: skip
                except DecknetError as why:
                    yield Loaded(file, None, None, None, str(why), suggestion=getattr(why, "suggestion", ""))
                    continue
                found = set(reading.faults["code"].unique())
                if not last_try and not _WAITING.isdisjoint(found):
                    waiting.append((bool(found & {"F-SURVEY-MADE", "R-UNKNOWN-SURVEY"}), file, name))
                    continue
                missing = decks_gone(known, reading)
                retire = bool(len(missing)) and "gone" in accept
                if retire:
                    reading = with_gone_retired(reading, missing)
                gone = () if retire else tuple(missing["deck_id"])
                changes = changed(known, reading)
                asked = bool(changes["asked"].any())
                as_stated = reading.stated.told() + (" accept gone" if retire else "")
                if asked and "changes" in accept:
                    as_stated += " accept changes"
                elif asked:
                    already = store.already(file, as_stated)
                    back = already is None
                    yield Loaded(Path(name), reading, None, already, gone=gone, changes=changes, held_back=back)
                    continue
                fresh = reading
                if dry_run:
                    yield Loaded(Path(name), reading, None, None, gone=gone, changes=changes)
                    continue
                intake = store.add(
                    file, reading.records, reading.faults, rows_read=reading.rows_read, rows_kept=reading.rows_kept,
                    now=now, who=who, software=software(), name=name, stated=as_stated,
                )  # fmt: skip
                yield Loaded(Path(name), reading, intake, intake.already, gone=gone, changes=changes)
            last_try = len(waiting) in (1, len(queue))
            queue = [(file, name) for _, file, name in sorted(waiting, key=lambda w: w[0])]


def close(
    path: Path, deck: str, *, by: str, how: str, on: date | None = None, cause: str = "", hazard: str = "",
    station: float | None = None, offset: float | None = None, settings: Settings | None = None, now: datetime,
    who: str,
) -> Loaded:  # fmt: skip
    """Store that something urgent on a deck is dealt with, on a named person's word: an intake of its own.

    It is held against the hazards of its deck first.

    Parameters
    ----------
    path : Path
    deck : str
        A deck, or a bridge with one deck.
    by : str
        Who says so.
    how : str
        What was done about it.
    on : date or None
        Day it was dealt with; None: today.
    cause : str
        One of ``columns.CAUSES``, or a common word for it.
    hazard : str
        Its number in the list of hazards, or ``all``.
    station, offset : float or None, m
    settings : Settings or None
        By which hazards are opened; None: the defaults.

    Raises
    ------
    RecordError
        The closing cannot be stored: its deck is not on record, it names a hazard that its deck never had, or something
        in it cannot be.
    """
    day = on or now.date()
    values = {
        "deck_id": deck, "closed_on": day.isoformat(), "cause": cause, "hazard": hazard,
        "station_m": "" if station is None else repr(float(station)),
        "offset_m": "" if offset is None else repr(float(offset)), "closed_by": by, "how": how,
    }  # fmt: skip
    name = f"closing of {deck} on {day.isoformat()}"
    with Store.open(path, read_only=False) as store, tempfile.TemporaryDirectory(prefix="decknet-") as scratch:
        reading = read_one("closing", values, known=_known(store), today=now.date(), name=name)
        unfit = reading.faults[
            (reading.faults["severity"] == "refuse") | reading.faults["code"].isin(("F-CHOICE", "F-NUMBER", "F-RANGE"))
        ]
        if len(unfit):
            said = [f"{f.column}: {f.value!r}: {f.rule}. {f.remedy}" for f in unfit.itertuples()]
            raise RecordError(f"close {deck}: nothing is stored. {' '.join(said)}")
        held = records_of(store, path, AsOf(now.date()))
        closes = what_closes(held, reading.records["closing"], settings or Settings())
        file = Path(scratch) / "closing.json"
        file.write_text(json.dumps(values, sort_keys=True), encoding="utf-8")
        intake = store.add(
            file, reading.records, reading.faults, rows_read=1, rows_kept=1, now=now, who=who, software=software(),
            name=name,
        )  # fmt: skip
    return Loaded(Path(name), reading, intake, intake.already, closes=closes)


def save_mapping(path: Path, loaded: Loaded, store: Path, file: Path) -> str:
    """Write the mapping that a reading used, or one that may load a file that is not recognised; says what to do.

    Parameters
    ----------
    path : Path
    loaded : Loaded
    store, file : Path
        As the user names them.
    """
    if loaded.reading is not None:
        write_whole(path, mapping_text(loaded.reading.stated, loaded.reading.mapping).encode("utf-8"))
        return f"{path}: the mapping used. Bring the next such file in with: --map {path}"
    if not loaded.suggestion:
        raise DecknetError(f"{file}: was not read, so it has no mapping.")
    write_whole(path, loaded.suggestion.encode("utf-8"))
    return f"{path}: a mapping to read through. Then: decknet load {store} {file} --map {path}"


def undo(path: Path, intake_id: int, *, now: datetime, who: str) -> None:
    """Take an intake back."""
    with_store(path, lambda store: store.undo(intake_id, now=now, who=who), write=True)


def intake_log(path: Path) -> pd.DataFrame:
    """The files brought in, one row each."""
    return with_store(path, Store.intakes)


def intake_faults(path: Path, intake_id: int) -> pd.DataFrame:
    """Every row refused, flagged, set aside or repeated in an intake, whole."""

    def found(store: Store) -> pd.DataFrame:
        known = store.intakes()["intake_id"].tolist()
        if intake_id not in known:
            raise DecknetError(
                f"Intake {intake_id}: there is no such intake. Known: {', '.join(map(str, known)) or 'none'}."
            )
        return store.faults(intake_id)

    return with_store(path, found)

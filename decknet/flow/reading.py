"""The records of a store, read once, at one moment, as of a day; no other place of this room reads them."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from decknet import digits
from decknet.columns import RECORDS
from decknet.columns.among import is_among
from decknet.columns.dates import DATED, MIDDLE, OF_A_SURVEY, OF_A_YEAR
from decknet.columns.deck_kinds import ranked_decks
from decknet.errors import DecknetError, RecordError
from decknet.flow.apart import apart_words, told_of_store, why_apart
from decknet.ingest.rows import record_frame
from decknet.keep import Store, programme_parts, programmes
from decknet.settings import Settings

__all__ = [
    "NONE_KEPT",
    "AsOf",
    "KeptProgramme",
    "Records",
    "read_records",
    "records_from",
    "records_of",
    "with_decks",
    "with_store",
]

T = TypeVar("T")

NONE_KEPT = "Keep one with: decknet programme STORE --budget SUM --save NAME"


@dataclass(frozen=True, slots=True)
class AsOf:
    """The day that is asked about, and which records count for it.

    Attributes
    ----------
    today : date or None
        Day of the analysis; else ``records_to``, else the day it is.
    records_to : date or None
        Only records dated to this day.
    known_by : date or None
        Only records brought in by the end of this day.
    whole : bool
        All records, also those later than ``today``.
    apart : bool
        The records as they are stored: also of decks that are kept and never ranked (culverts, decks of other stuff,
        retired decks), and no deck for a bridge of which no deck is on record.
    """

    today: date | None = None
    records_to: date | None = None
    known_by: date | None = None
    whole: bool = False
    apart: bool = False

    def day(self) -> date:
        """Day of the analysis."""
        return self.today or self.records_to or date.today()

    def moment(self) -> datetime | None:
        """The last moment at which records may have been brought in."""
        return None if self.known_by is None else datetime.combine(self.known_by, time.max)


@dataclass(frozen=True, slots=True)
class KeptProgramme:
    """A programme as the store holds it.

    Attributes
    ----------
    name : str
    about : Series
        Its row as ``keep.programmes`` gives it.
    frames : dict
        As ``keep.programme_parts`` gives.
    """

    name: str
    about: pd.Series
    frames: dict[str, pd.DataFrame]

    @property
    def budgets(self) -> tuple[float, ...]:
        """Money of each year."""
        return tuple(float(b) for b in json.loads(self.about["budgets"]))

    @property
    def facts(self) -> dict[str, float]:
        """Its outcome in figures."""
        return {k: float("nan") if v is None else v for k, v in json.loads(self.about["facts"]).items()}

    @property
    def question(self) -> dict[str, Any]:
        """What was asked beside the money; empty where it was kept before questions were."""
        said = self.about["question"]
        found: dict[str, Any] = json.loads(said) if isinstance(said, str) else {}
        return found


@dataclass(frozen=True, slots=True)
class Records:
    """Everything that a command needs of a store, of one moment.

    Attributes
    ----------
    path : Path
    about : mapping
        What the store says of itself: title, currency and so on.
    frames : mapping of kind to DataFrame
        Current records, as of the day.
    day : date
        Day of the analysis.
    records_to : date or None
        Only records dated to that day are here; None: all.
    known_by : date or None
        Only records brought in by then are here; None: all.
    left_out : mapping of kind to int
        Records that are later than ``records_to``.
    programmes : DataFrame
        Programmes kept by then, as ``keep.programmes`` gives.
    kept : tuple of KeptProgramme
        Those that were asked for, whole.
    intakes : DataFrame
        The intake log, as ``Store.intakes`` gives.
    apart : DataFrame
        Decks that are kept and not ranked, whose records are not among ``frames``: those of the deck record, the name
        of the bridge, ``why``, and how many ``surveys`` of each are on record.
    """

    path: Path
    about: Mapping[str, str]
    frames: Mapping[str, pd.DataFrame]
    day: date
    records_to: date | None
    known_by: date | None
    left_out: Mapping[str, int]
    programmes: pd.DataFrame
    kept: tuple[KeptProgramme, ...]
    intakes: pd.DataFrame = field(default_factory=pd.DataFrame)
    apart: pd.DataFrame = field(default_factory=pd.DataFrame)

    def __getitem__(self, kind: str) -> pd.DataFrame:
        return self.frames[kind]

    @property
    def title(self) -> str:
        """The district's name."""
        return str(self.about.get("title", self.path.stem))

    @property
    def currency(self) -> str:
        """Currency that sums of money are in."""
        return str(self.about.get("currency", Settings().currency))

    def seen(self) -> tuple[int, int]:
        """Number of the last intake that counts here, and how many are taken back."""
        if self.intakes.empty:
            return 0, 0
        undone = self.intakes["undone_at"].notna()
        return int(self.intakes["intake_id"].max()), int(undone.sum())

    def programme(self, name: str) -> KeptProgramme:
        """A kept programme by its name, read with the records.

        Raises
        ------
        RecordError
            None of that name is kept.
        """
        for one in self.kept:
            if one.name == name:
                return one
        known = ", ".join(self.programmes["name"]) or "none"
        raise RecordError(f"programme {name!r}: none of that name is kept. Known: {known}. {NONE_KEPT}")

    def apart_told(self) -> list[str]:
        """What is kept and not ranked, and of how many decks the kind is not known: a sentence each."""
        return told_of_store(self["deck"], self["survey"], self.apart)

    def told(self) -> str:
        """Which records these are, in words; empty where they are all there are."""
        parts = []
        if self.records_to is not None:
            gone = [
                f"{digits.count(n)} {kind.replace('_', ' ')}{'s' if n > 1 else ''}"
                for kind, n in self.left_out.items()
                if n
            ]
            later = f"; left out as later: {', '.join(gone)}" if gone else ""
            parts.append(f"Records dated to {self.records_to.isoformat()}{later}.")
        if self.known_by is not None:
            parts.append(f"Records as brought in by {self.known_by.isoformat()}.")
        return " ".join(parts)


def with_store(path: Path, work: Callable[[Store], T], *, write: bool = False) -> T:
    """Do one thing with a store that is open for just as long."""
    with Store.open(path, read_only=not write) as store:
        return work(store)


def read_records(
    path: Path, asked: AsOf | None = None, *, elements: bool = False, programmes: tuple[str, ...] | None = (),
) -> Records:  # fmt: skip
    """The records of a store, in one reading.

    Parameters
    ----------
    path : Path
    asked : AsOf or None
        Which day; None: today, and all records.
    elements : bool
        Element quantities too.
    programmes : tuple of str or None
        Kept programmes to be read whole; None: all.

    Raises
    ------
    RecordError
        A programme of that name is not kept.
    """
    return with_store(path, lambda store: records_of(store, path, asked, elements=elements, wanted=programmes))


def records_of(
    store: Store, path: Path, asked: AsOf | None = None, *, elements: bool = False,
    wanted: tuple[str, ...] | None = (),
) -> Records:  # fmt: skip
    """As `read_records`, of a store that is open."""
    asked = asked or AsOf()
    moment = asked.moment()
    with store.one_moment():
        about, log, kept = store.about(), store.intakes(), programmes(store)
        kinds = [kind for kind in RECORDS if elements or kind != "element_quantity"]
        frames = {kind: store.current(kind, known_by=moment) for kind in kinds}
        day, records_to = asked.day(), asked.records_to
        if records_to is None and not asked.whole and _newest(frames) > pd.Timestamp(day):
            records_to = day
        if moment is not None:
            log = log[log["brought_at"] <= moment].copy()
            later = log["undone_at"] > moment
            log.loc[later, ["undone_at", "undone_by"]] = None
        made_by = min((d for d in (records_to, asked.known_by) if d is not None), default=None)
        if made_by is not None:
            kept = kept[kept["made_at"] < pd.Timestamp(made_by) + pd.Timedelta(days=1)].reset_index(drop=True)
        names = kept["name"].tolist() if wanted is None else [n for n in wanted if n in set(kept["name"])]
        rows = kept.set_index("name", drop=False)
        whole = tuple(KeptProgramme(n, rows.loc[n], programme_parts(store, n)) for n in names)
    frames, left_out = _dated_to(frames, records_to)
    apart = pd.DataFrame()
    if not asked.apart:
        frames, apart = _without_apart(_with_bare_decks(frames), records_to)
    made = Records(path, about, frames, day, records_to, asked.known_by, left_out, kept, whole, log, apart)
    for name in wanted or ():
        made.programme(name)
    return made


def records_from(frames: Mapping[str, pd.DataFrame], *, title: str, currency: str, day: date) -> Records:
    """Records that are at hand and in no store."""
    about = {"title": title, "currency": currency}
    none = pd.DataFrame({name: pd.Series(dtype="str") for name in ("name", "withdrawn_at")})
    return Records(Path("records"), about, frames, day, None, None, {}, none, ())


def with_decks(records: Records) -> Records:
    """The records, where they hold any decks.

    Raises
    ------
    DecknetError
        They hold none.
    """
    if records["deck"].empty:
        store = records.path
        if words := apart_words(records.apart):
            raise DecknetError(f"{store}: holds no deck that can be ranked. Kept and not ranked: {words}.")
        raise DecknetError(f"{store}: holds no decks yet. Bring some in with: decknet load {store.name} FILE")
    return records


def _with_bare_decks(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The records with a deck for each bridge without one of which a place, a rating or a count is known.

    Nothing is known of such a deck but its bridge; its number is the bridge's. It is made at reading, so that it does
    not matter in what order files bring bridges and decks.
    """
    bridges, decks = frames["bridge"], frames["deck"]
    told = bridges["longitude_deg"].notna() & bridges["latitude_deg"].notna()
    for kind in ("rating", "traffic"):
        told |= is_among(bridges["bridge_id"], frames[kind]["bridge_id"])
    bare = told & ~is_among(bridges["bridge_id"], [*decks["bridge_id"], *decks["deck_id"]])
    if not bare.any():
        return frames
    ids = bridges.loc[bare, "bridge_id"].to_numpy(dtype=object)
    given = pd.Series(pd.array(ids, dtype="str"))
    new = record_frame("deck", {"deck_id": given, "bridge_id": given}, "", np.zeros(len(ids), dtype=np.int64))
    new = new[decks.columns.tolist()]
    both = pd.concat([decks, new], ignore_index=True).sort_values("deck_id", kind="stable", ignore_index=True)
    return {**frames, "deck": both}


def _without_apart(frames: dict[str, pd.DataFrame], day: date | None) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """The records without those of decks kept apart, and these decks with the name of their bridge and why."""
    decks = frames["deck"]
    use = ranked_decks(decks, day)
    if use.all():
        return frames, pd.DataFrame()
    out = {**frames, "deck": decks[use].reset_index(drop=True)}
    apart = decks[~use].reset_index(drop=True)
    names = frames["bridge"].set_index("bridge_id")["name"]
    surveys = apart["deck_id"].map(frames["survey"]["deck_id"].value_counts()).fillna(0).astype("int64")
    why = pd.array(why_apart(apart), dtype="str")
    apart = apart.assign(name=apart["bridge_id"].map(names), why=why, surveys=surveys)
    gone = {
        "deck_id": set(apart["deck_id"]),
        "bridge_id": set(apart["bridge_id"]) - set(out["deck"]["bridge_id"]),
        "survey_id": set(frames["survey"].loc[is_among(frames["survey"]["deck_id"], apart["deck_id"]), "survey_id"]),
    }
    for kind, frame in frames.items():
        name = next((n for n in gone if n in RECORDS[kind].names()), None) if kind != "deck" else None
        if kind in OF_A_SURVEY:
            name = "survey_id"
        if name is not None and gone[name]:
            out[kind] = frame[~is_among(frame[name], gone[name])].reset_index(drop=True)
    return out, apart


def _day_of(frame: pd.DataFrame, kind: str, month: int, day: int) -> pd.Series:
    """The day each record is of; missing where it has none."""
    if kind in DATED:
        return frame[DATED[kind]].astype("datetime64[us]")
    year = frame[OF_A_YEAR[kind]].to_numpy(dtype="float64", na_value=np.nan)
    months = (np.nan_to_num(year, nan=1970.0).astype(np.int64) - 1970) * 12 + month - 1
    days = months.astype("datetime64[M]").astype("datetime64[D]") + np.timedelta64(day - 1, "D")
    return pd.Series(days.astype("datetime64[us]"), index=frame.index).where(np.isfinite(year))


def _newest(frames: Mapping[str, pd.DataFrame]) -> pd.Timestamp:
    """Day of the newest record; one dated by its year alone is not newer than the first of it."""
    days = [_day_of(frames[k], k, 1, 1).max() for k in (*DATED, *OF_A_YEAR) if k in frames]
    known = [d for d in days if pd.notna(d)]
    return max(known, default=pd.Timestamp.min)


def _dated_to(
    frames: Mapping[str, pd.DataFrame], records_to: date | None
) -> tuple[dict[str, pd.DataFrame], dict[str, int]]:
    """The records dated to a day, and how many of each kind are later."""
    out = dict(frames)
    if records_to is None:
        return out, {}
    gone: dict[str, int] = {}
    end = pd.Timestamp(records_to) + timedelta(days=1)
    for kind in (*DATED, *OF_A_YEAR):
        if kind not in out:
            continue
        later = (_day_of(out[kind], kind, *MIDDLE) >= end).to_numpy(dtype=bool)
        gone[kind] = int(later.sum())
        out[kind] = out[kind][~later].reset_index(drop=True)
    surveys = set(out["survey"]["survey_id"])
    for kind in OF_A_SURVEY:
        # One whose survey was never brought in stays, as it does without a day.
        of_later = out[kind]["survey_id"].isin(set(frames["survey"]["survey_id"]) - surveys).to_numpy(dtype=bool)
        gone[kind] = int(of_later.sum())
        out[kind] = out[kind][~of_later].reset_index(drop=True)
    return out, gone

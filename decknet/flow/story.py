"""Use case of the record: one deck's whole story, each event with the file and line it comes from."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet import digits
from decknet.columns import RECORDS
from decknet.columns.views import EVENTS, STORY
from decknet.errors import DecknetError, RecordError
from decknet.flow.ask import Answer, when_free
from decknet.flow.compare import done_lines
from decknet.flow.reading import AsOf, Records, records_of
from decknet.keep import Store
from decknet.keep.story import refused_about, rows_about
from decknet.locate import with_positions
from decknet.measure import survey_shares
from decknet.predict import followed_repairs
from decknet.settings import Settings

__all__ = ["Story", "as_answer", "deck_story"]

_NAMES = {
    "survey": "Survey",
    "repair": "Repair",
    "closing": "Closing",
    "traffic": "Count",
    "rating": "Rating",
    "condition": "Condition",
    "deck": "Deck",
    "bridge": "Bridge",
}


@dataclass(frozen=True, slots=True)
class Story:
    """A deck's story.

    Attributes
    ----------
    deck_id, bridge_id, name : str
    currency : str
    events : DataFrame
        Columns of ``columns.views.STORY``, in order of time.
    """

    deck_id: str
    bridge_id: str
    name: str
    currency: str
    events: pd.DataFrame


@dataclass(slots=True)
class _Book:
    """All rows about one deck, and the events gathered so far."""

    deck_id: str
    bridge_id: str
    currency: str
    intakes: pd.DataFrame
    rows: dict[str, pd.DataFrame] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)

    def current(self, kind: str) -> pd.DataFrame:
        """The rows that count now: the newest of each key among the intakes that were not taken back."""
        kept = self.rows[kind][~self.rows[kind]["undone"]]
        return kept.drop_duplicates(list(RECORDS[kind].key), keep="last")

    def standing(self, kind: str) -> pd.Series:
        """Whether each row counts."""
        rows = self.rows[kind]
        now = rows["row_id"].isin(self.current(kind)["row_id"])
        return pd.Series(
            np.where(rows["undone"], "taken back", np.where(now, "yes", "corrected since")), index=rows.index
        )

    def add(self, day: str, event: str, what: str, source: Any = None, **more: Any) -> None:
        """Put an event down with where it comes from."""
        place = {name: getattr(source, name, None) for name in ("file", "sheet", "line")}
        self.events.append({"day": day, "event": event, "what": what, "counts": "yes", **place, **more})


def deck_story(path: Path, deck: str, *, settings: Settings, wait_s: float = 0.0) -> Story:
    """All that is on record of one deck, in order: built, rated, counted, surveyed, repaired, closed, planned, done,
    corrected, refused, taken back; each with the file and line it comes from.

    Parameters
    ----------
    path : Path
    deck : str
        A deck, or a bridge that has one deck.

    Raises
    ------
    RecordError
        There is no such deck, or the bridge has several.
    """
    return when_free(lambda: _story(path, deck, settings), wait_s)


def as_answer(told: Story) -> Answer:
    """A story as an answer, to be written to a file."""
    return Answer(told.events, STORY, False, told.currency)


def _story(path: Path, deck: str, settings: Settings) -> Story:
    with Store.open(path) as store:
        records = records_of(store, path, AsOf(apart=True), wanted=None)
        decks, bridges = records["deck"], records["bridge"]
        deck_id = _which(path, deck, decks)
        mine = decks[decks["deck_id"] == deck_id]
        bridge_id = str(mine["bridge_id"].iloc[0])
        book = _Book(deck_id, bridge_id, records.currency, records.intakes.set_index("intake_id"))
        for kind, column, one in (
            ("bridge", "bridge_id", bridge_id), ("deck", "deck_id", deck_id), ("survey", "deck_id", deck_id),
            ("repair", "deck_id", deck_id), ("closing", "deck_id", deck_id), ("traffic", "bridge_id", bridge_id),
            ("rating", "bridge_id", bridge_id), ("condition", "bridge_id", bridge_id),
        ):  # fmt: skip
            book.rows[kind] = rows_about(store, kind, column, [one])
        book.rows["defect"] = rows_about(store, "defect", "survey_id", book.rows["survey"]["survey_id"].tolist())
        things = [f"{kind}|{bridge_id}" for kind in ("bridge", "traffic", "rating", "condition")]
        things += [f"{kind}|{deck_id}" for kind in ("deck", "survey", "repair", "closing")]
        things += [f"defect|{survey}" for survey in book.rows["survey"]["survey_id"].unique()]
        refused = refused_about(store, things)
    bridge = bridges[bridges["bridge_id"] == bridge_id]
    _built(book, mine, bridge)
    _counted(book)
    _surveyed(book, mine)
    _repaired(book, with_positions(mine, bridges), settings)
    _closed(book)
    _planned(book, records)
    _corrected(book)
    _refused(book, refused)
    _taken_back(book)
    order = {event: at for at, event in enumerate(EVENTS)}
    frame = pd.DataFrame(book.events, columns=[c.name for c in STORY])
    # A year alone comes before its days, but after nothing that is dated within it is known.
    frame = frame.assign(turn=frame["event"].map(order)).sort_values(["day", "turn"], kind="stable", ignore_index=True)
    frame = frame.drop(columns="turn").astype({"line": "Int64", "unsound_share": "float64", "area_m2": "float64"})
    frame["cost"] = frame["cost"].astype("float64")
    named = bridge["name"].iloc[0] if len(bridge) else None
    return Story(deck_id, bridge_id, named if isinstance(named, str) else "", records.currency, frame)


def _which(path: Path, said: str, decks: pd.DataFrame) -> str:
    if decks.empty:
        raise DecknetError(f"{path}: holds no decks yet. Bring some in with: decknet load {path.name} FILE")
    if (decks["deck_id"] == said).any():
        return said
    of_bridge = decks.loc[decks["bridge_id"] == said, "deck_id"].tolist()
    if len(of_bridge) == 1:
        return str(of_bridge[0])
    if of_bridge:
        raise RecordError(f"deck {said!r}: is a bridge with {len(of_bridge)} decks. Name one: {', '.join(of_bridge)}.")
    near = difflib.get_close_matches(said, decks["deck_id"].tolist(), n=3, cutoff=0.6)
    hint = f"Near it: {', '.join(near)}." if near else "List them with: decknet rank STORE --first 0."
    raise RecordError(f"deck {said!r}: there is no such deck on record. {hint}")


def _given(value: Any) -> bool:
    return value is not None and not pd.isna(value)


def _joined(parts: Iterator[str] | list[str], by: str = ", ") -> str:
    return by.join(p for p in parts if p)


def _iso(value: Any) -> str:
    return f"{value:%Y-%m-%d}" if _given(value) else ""


def _built(book: _Book, deck: pd.DataFrame, bridge: pd.DataFrame) -> None:
    one = next(deck.itertuples(index=False))
    source = next(book.current("deck").itertuples(index=False), None)
    year = one.deck_built_year
    if not _given(year) and len(bridge):
        year = bridge["built_year"].iloc[0]
        source = next(book.current("bridge").itertuples(index=False), source)
    size = (
        f"{digits.given(one.length_m)} × {digits.given(one.width_m)} m"
        if _given(one.length_m) and _given(one.width_m)
        else ""
    )
    kind = [f"{one.bar_kind} bars" if _given(one.bar_kind) else "", one.environment if _given(one.environment) else ""]
    surface = f"surface: {one.surface_kind}" if _given(one.surface_kind) else ""
    words = _joined([size, *kind, surface]) or "size not on record"
    book.add(f"{int(year)}" if _given(year) else "", "built", f"Deck of {words}.", source)


def _counted(book: _Book) -> None:
    rows = book.rows["traffic"].assign(counts=book.standing("traffic"))
    for r in rows.itertuples(index=False):
        trucks = f"{digits.percent_given(r.truck_share)} trucks" if _given(r.truck_share) else ""
        words = _joined([f"{digits.count(r.aadt)} vehicles a day", trucks, r.source if _given(r.source) else ""])
        day = f"{int(r.year)}" if _given(r.year) else ""
        book.add(day, "counted", f"{words}." if day else f"{words}; year not given.", r, counts=r.counts)
    rows = book.rows["rating"].assign(counts=book.standing("rating"))
    for r in rows.itertuples(index=False):
        day = f"{int(r.rated_year)}" if _given(r.rated_year) else ""
        words = f"Deck rating {int(r.deck_rating)}"
        book.add(day, "rated", f"{words}." if day else f"{words}; year not given.", r, counts=r.counts)
    rows = book.rows["condition"].assign(counts=book.standing("condition"))
    for r in rows.itertuples(index=False):
        day = f"{int(r.condition_year)}" if _given(r.condition_year) else ""
        words = f"Condition of the bridge “{r.condition}”, on the owner's scale"
        book.add(day, "rated", f"{words}." if day else f"{words}; year not given.", r, counts=r.counts)


def _surveyed(book: _Book, decks: pd.DataFrame) -> None:
    current, defects = book.current("survey"), book.current("defect")
    shares = survey_shares(current, defects, decks).set_index("survey_id")
    drawn = defects.groupby("survey_id").size()
    rows = book.rows["survey"].assign(counts=book.standing("survey"))
    for r in rows.itertuples(index=False):
        more: dict[str, Any] = {"counts": r.counts}
        by = f" by {r.crew}" if _given(r.crew) else ""
        method = r.method if _given(r.method) else "survey"
        words = f"{r.survey_id}: {method}{by}"
        note = f" “{r.remarks}”" if _given(r.remarks) else ""
        if r.counts == "yes" and r.survey_id in shares.index:
            one = shares.loc[r.survey_id]
            words += _found(one, int(drawn.get(r.survey_id, 0)))
            more |= {"area_m2": one["unsound_m2"], "unsound_share": one["unsound_share"]}
        book.add(_iso(r.survey_date), "surveyed", f"{words}.{note}", r, **more)


def _found(one: pd.Series, drawn: int) -> str:
    """What a survey found, in words."""
    if not _given(one["unsound_m2"]):
        return ": says nothing of what it found"
    covered = f" of {digits.area(one['covered_m2'])} m² covered" if _given(one["covered_m2"]) else ""
    share = f" ({digits.percent(one['unsound_share'])})" if _given(one["unsound_share"]) else ""
    kinds = [
        f"{digits.area(one[name])} {word}"
        for name, word in (
            ("delaminated_m2", "delaminated"), ("spalled_m2", "spalled"), ("hole_m2", "open hole"),
            ("exposed_bar_m2", "with bars exposed"), ("failed_patch_m2", "failed patch"),
        )
        if _given(one[name]) and one[name] > 0
    ]  # fmt: skip
    listed = f"; {drawn} defects listed" if drawn else ""
    of_kinds = f": {', '.join(kinds)}" if kinds else ""
    return f": {digits.area(one['unsound_m2'])} m²{covered} found unsound{share}{of_kinds}{listed}"


def _repaired(book: _Book, decks: pd.DataFrame, settings: Settings) -> None:
    repairs, surveys, defects = (book.current(kind) for kind in ("repair", "survey", "defect"))
    shares = survey_shares(surveys, defects, decks)
    held = pd.DataFrame()
    if len(repairs) and len(surveys):
        followed, _ = followed_repairs(repairs, shares, defects, decks, settings.survival)
        held = followed.set_index("repair_id")
    rows = book.rows["repair"].assign(counts=book.standing("repair"))
    for r in rows.itertuples(index=False):
        depth = f"{r.depth_class} depth" if _given(r.depth_class) else ""
        area = f"{digits.area(r.area_m2)} m²" if _given(r.area_m2) else ""
        material = f"with {r.material}" if _given(r.material) else ""
        crew = f"by {r.crew}" if _given(r.crew) else ""
        prices = f" ({int(r.price_year)} prices)" if _given(r.price_year) else ""
        cost = f"{digits.given(r.cost)} {book.currency}{prices}" if _given(r.cost) else ""
        closed = f"lanes closed {digits.given(r.closure_h)} h" if _given(r.closure_h) else ""
        words = f"{r.repair_id}: {_joined([r.treatment, depth, area])} {_joined([material, crew], ' ')}".rstrip()
        words = _joined([words, cost, closed], "; ") + "."
        if r.counts == "yes" and r.repair_id in held.index:
            words += _held(held.loc[r.repair_id])
        note = f" “{r.remarks}”" if _given(r.remarks) else ""
        book.add(
            _iso(r.repair_date), "repaired", words + note, r, counts=r.counts, area_m2=r.area_m2, cost=r.cost
        )  # fmt: skip


def _held(one: pd.Series) -> str:
    if np.isfinite(one["right_yr"]):
        before = f"last seen to hold after {digits.years(one['left_yr'])} yr, " if one["left_yr"] > 0 else ""
        return f" Did not hold: {before}seen failed after {digits.years(one['right_yr'])} yr."
    return f" Last seen to hold after {digits.years(one['left_yr'])} yr."


def _closed(book: _Book) -> None:
    rows = book.rows["closing"].assign(counts=book.standing("closing"))
    for r in rows.itertuples(index=False):
        what = _joined([r.cause if _given(r.cause) else "", f"hazard {r.hazard}" if _given(r.hazard) else ""])
        at = f"station {digits.given(r.station_m)} m" if _given(r.station_m) else ""
        at = _joined([at, f"offset {digits.given(r.offset_m)} m" if at and _given(r.offset_m) else ""])
        note = f" “{r.remarks}”" if _given(r.remarks) else ""
        words = f"{_joined([what or 'What was urgent', at])}: dealt with, on the word of {r.closed_by}: {r.how}."
        book.add(_iso(r.closed_on), "closed", words[0].upper() + words[1:] + note, r, counts=r.counts)


def _planned(book: _Book, records: Records) -> None:
    for kept in records.kept:
        frame = kept.frames["lines"]
        frame = frame[frame["deck_id"] == book.deck_id]
        if frame.empty:
            continue
        name = kept.name
        for r in frame.itertuples(index=False):
            size = f"{digits.area(r.repair_m2)} m², {digits.money(r.cost)} {book.currency}"
            words = f"In programme {name!r} for {r.year}: {r.treatment}, {size}."
            book.add(_iso(kept.about["made_at"]), "planned", words, area_m2=r.repair_m2, cost=r.cost)
        held, _, _ = done_lines(records, kept)
        for r in held[(held["deck_id"] == book.deck_id) & (held["fate"] != "not done")].itertuples(index=False):
            what = f"{r.treatment} planned in {name!r} for {r.year}"
            words = f"As planned: {what}." if r.fate == "done" else f"Otherwise: {r.done_treatment}, not the {what}."
            book.add(_iso(r.done_date), "done", words, area_m2=r.done_m2, cost=r.done_cost)


def _corrected(book: _Book) -> None:
    for kind, word in _NAMES.items():
        rows = book.rows[kind]
        by_id = rows.set_index("row_id")
        columns = [c for c in RECORDS[kind].columns if c.name not in RECORDS[kind].key]
        for r in rows[rows["supersedes"].notna()].itertuples(index=False):
            if r.supersedes not in by_id.index:
                continue
            before = by_id.loc[r.supersedes]
            changed = [
                f"{c.name} {_said(before[c.name])} became {_said(getattr(r, c.name))}"
                for c in columns
                if _said(before[c.name]) != _said(getattr(r, c.name))
            ]
            name = " ".join(_said(getattr(r, k)) for k in RECORDS[kind].key)
            brought = book.intakes.loc[r.intake_id]
            counts = "taken back" if r.undone else "yes"
            what = "; ".join(changed) or "nothing that changes a figure"
            words = f"{word} {name}: {what}. Brought by {brought['brought_by']}."
            book.add(_iso(brought["brought_at"]), "corrected", words, r, counts=counts)


def _said(value: Any) -> str:
    """A value as a reader would write it."""
    if hasattr(value, "geom_type"):
        return f"{value.geom_type.lower()} of {digits.area(value.area)} m²"
    if not _given(value):
        return "not given"
    if isinstance(value, (float, np.floating)):
        return digits.given(value)
    return _iso(value) if isinstance(value, pd.Timestamp) else str(value)


def _refused(book: _Book, refused: pd.DataFrame) -> None:
    for r in refused.itertuples(index=False):
        if r.intake_id not in book.intakes.index:
            continue
        brought = book.intakes.loc[r.intake_id]
        later = " A later file put it right." if r.closed else ""
        kind = r.about.split("|")[0].replace("_", " ")
        words = f"Row of a {kind} refused: {r.column} {r.value!r}: {r.rule} [{r.code}]{later}"
        counts = "taken back" if _given(brought["undone_at"]) else "yes"
        book.add(_iso(brought["brought_at"]), "refused", words, r, counts=counts)


def _taken_back(book: _Book) -> None:
    parts = [rows.loc[rows["undone"], ["intake_id"]].assign(kind=kind) for kind, rows in book.rows.items()]
    gone = pd.concat(parts).groupby(["intake_id", "kind"]).size()
    for intake in gone.index.get_level_values(0).unique():
        brought = book.intakes.loc[intake]
        what = ", ".join(f"{n} {kind} row{'s' if n > 1 else ''}" for kind, n in gone.loc[intake].items())
        words = f"Intake {intake} ({brought['file']}), by {brought['undone_by']}: {what} of this deck count no longer."
        book.add(_iso(brought["undone_at"]), "taken back", words)

"""What is known of bridges, decks and surveys, and how a row names them."""

from __future__ import annotations

import difflib
import unicodedata
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import RECORDS
from decknet.columns.cleared import cleared_in
from decknet.columns.deck_kinds import ranked_decks

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# From the deck of each row and shapes in degrees to shapes in station and offset.
ToDeck = Callable[[pd.Series, np.ndarray[Any, np.dtype[np.object_]]], np.ndarray[Any, np.dtype[np.object_]]]

__all__ = ["Answer", "Known", "Register", "loose", "newest"]

_LOOKS = (
    "surveyed_m2", "from_station_m", "to_station_m", "from_offset_m", "to_offset_m", "coverage", "looked_at",
)  # fmt: skip
NEAR = 40  # unknown ids for which a likely one is looked for


def _frame(**types: str) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in types.items()})


@dataclass(frozen=True, slots=True)
class Known:
    """What the store already holds: its current rows.

    Attributes
    ----------
    bridges : DataFrame
        bridge_id, built_year; longitude_deg, latitude_deg and state_code where known.
    decks : DataFrame
        deck_id, bridge_id, length_m, width_m, deck_built_year.
    surveys : DataFrame
        survey_id, deck_id, survey_date.
    to_deck : callable or None
        Turns shapes in longitude and latitude into station and offset: from the deck of each and
        the shapes, an array with None where a deck's place or direction is not known.
    ratings, counts : DataFrame
        bridge_id and the latest rated_year, and bridge_id and the latest year of a count.
    layout : callable or None
        Read only where a row needs it: deck_id, outline, lanes, spans and joints_m of decks.
    kinds : frozenset of str
        Kinds of which there is a record.
    rows : callable or None
        Records of a kind, whole; read only where a row needs them.
    versions : callable or None
        Of a kind, its key with the newest revision and days of issue and inspection; read only where a file states
        its own.
    """

    bridges: pd.DataFrame
    decks: pd.DataFrame
    surveys: pd.DataFrame
    ratings: pd.DataFrame = field(default_factory=lambda: _frame(bridge_id="str", rated_year="Int64"))
    counts: pd.DataFrame = field(default_factory=lambda: _frame(bridge_id="str", year="Int64"))
    to_deck: ToDeck | None = None
    layout: Callable[[], pd.DataFrame] | None = None
    kinds: frozenset[str] = frozenset()
    rows: Callable[[str], pd.DataFrame] | None = None
    versions: Callable[[str], pd.DataFrame] | None = None

    @classmethod
    def empty(cls) -> Known:
        """A store with nothing in it."""
        return cls(
            _frame(bridge_id="str", built_year="Int64"),
            _frame(deck_id="str", bridge_id="str", length_m="float64", width_m="float64", deck_built_year="Int64"),
            _frame(survey_id="str", deck_id="str", survey_date="datetime64[us]"),
        )


@dataclass(frozen=True, slots=True)
class Answer:
    """Ids that rows stand for.

    Attributes
    ----------
    ids : array of (str or None), shape (n,)
    fault : dict of int to (code, value, rule, remedy)
        By position, why a row names none.
    flag : dict of int to (code, value, rule, remedy)
        By position, what was done to find it.
    """

    ids: np.ndarray[Any, np.dtype[np.object_]]
    fault: dict[int, tuple[str, str, str, str]]
    flag: dict[int, tuple[str, str, str, str]]


@dataclass(slots=True)
class Register:
    """Bridges, decks and surveys by id: those of the store and those of the file so far.

    Attributes
    ----------
    built : dict of str to int
        Year each bridge was built, where known.
    decks : dict of str to (bridge_id, length_m, width_m, year the deck was built)
        Figures NaN where not known.
    on : dict of str to list of str
        Decks of each bridge.
    survey_rows : list of DataFrame
        survey_id, deck_id, survey_date, as taken in.
    rated, counted : dict of str to float
        Latest year of a rating, and of a count, of each bridge that has one.
    ranked : dict of str to bool
        Whether each deck may be ranked: it is in use, and of concrete or of a kind not known.
    kind_years : dict of str to float
        Year of the inventory that says what each deck is, where known.
    """

    built: dict[str, float] = field(default_factory=dict)
    decks: dict[str, tuple[str, float, float, float]] = field(default_factory=dict)
    on: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    survey_rows: list[pd.DataFrame] = field(default_factory=list)
    rated: dict[str, float] = field(default_factory=dict)
    counted: dict[str, float] = field(default_factory=dict)
    deck_rows: list[pd.DataFrame] = field(default_factory=list)
    look_rows: list[pd.DataFrame] = field(default_factory=list)
    known: Known | None = None
    to_deck: ToDeck | None = None
    lonlat: dict[str, tuple[float, float]] = field(default_factory=dict)
    states: dict[str, str] = field(default_factory=dict)
    ranked: dict[str, bool] = field(default_factory=dict)
    kind_years: dict[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, known: Known) -> Register:
        """The register of a store."""
        out = cls(to_deck=known.to_deck, known=known)
        out.add_bridges(known.bridges)
        out.add_decks(known.decks)
        out.add_surveys(known.surveys)
        out.rated = known.ratings.groupby("bridge_id")["rated_year"].max().astype("float64").to_dict()
        out.counted = known.counts.groupby("bridge_id")["year"].max().astype("float64").to_dict()
        return out

    def add_bridges(self, rows: pd.DataFrame) -> None:
        """Take bridges in: bridge_id, built_year, and their positions where given."""
        if "longitude_deg" in rows:
            where = rows.loc[rows["longitude_deg"].notna() & rows["latitude_deg"].notna()]
            at = zip(where["longitude_deg"].tolist(), where["latitude_deg"].tolist(), strict=True)
            self.lonlat.update(zip(where["bridge_id"].tolist(), at, strict=True))
        if "state_code" in rows:
            told = rows.loc[rows["state_code"].notna(), ["bridge_id", "state_code"]]
            self.states.update(zip(told["bridge_id"].tolist(), told["state_code"].tolist(), strict=True))
        years = pd.to_numeric(rows["built_year"], errors="coerce").astype("float64")
        self.built.update(zip(rows["bridge_id"].tolist(), years.tolist(), strict=True))

    def add_decks(self, rows: pd.DataFrame) -> None:
        """Take decks in: deck_id, bridge_id, length_m, width_m, deck_built_year."""
        names = (rows["deck_id"].tolist(), rows["bridge_id"].tolist())
        sizes = (rows[c].astype("float64").tolist() for c in ("length_m", "width_m", "deck_built_year"))
        for deck, bridge, a, b, y in zip(*names, *sizes, strict=True):
            if deck not in self.decks:
                self.on[bridge].append(deck)
            old = self.decks.get(deck, ("", np.nan, np.nan, np.nan))
            pairs = zip((a, b, y), old[1:], strict=True)
            a, b, y = (new if new == new else before for new, before in pairs)
            self.decks[deck] = (bridge, a, b, y)
        if "deck_kind" in rows:
            self.ranked.update(zip(rows["deck_id"].tolist(), ranked_decks(rows).tolist(), strict=True))
            dated = rows.loc[rows["kind_year"].notna(), ["deck_id", "kind_year"]]
            self.kind_years.update(zip(dated["deck_id"], dated["kind_year"].astype("float64"), strict=True))
        if "outline" in rows:
            self.deck_rows.append(rows)

    def add_surveys(self, rows: pd.DataFrame) -> None:
        """Take surveys in: survey_id, deck_id, survey_date."""
        if len(rows):
            self.survey_rows.append(rows[["survey_id", "deck_id", "survey_date"]])
            if "looked_at" in rows:
                self.look_rows.append(rows)

    def layout(self, decks: list[str]) -> pd.DataFrame:
        """Length, width, outline, lanes, spans and joints of decks: of the newest that gives each.

        Parameters
        ----------
        decks : list of str
            Different ids.

        Returns
        -------
        DataFrame
            length_m, width_m, outline, lanes, spans, joints_m, in the order of ``decks``.
        """
        out = self.size(decks)[["length_m", "width_m"]]
        out.index = pd.Index(decks, dtype="str")
        names = ["outline", "lanes", "spans", "joints_m"]
        more = pd.DataFrame({n: pd.Series([None] * len(out), index=out.index, dtype="object") for n in names})
        if len(decks) and self._stored_decks is None and self.known is not None and self.known.layout is not None:
            self._stored_decks = self.known.layout()
        held = [] if self._stored_decks is None else [self._stored_decks]
        for frame in (*held, *self.deck_rows) if len(decks) else ():
            some = frame[frame["deck_id"].isin(decks)].drop_duplicates("deck_id", keep="last").set_index("deck_id")
            for name in names:
                given = some[name].dropna()
                more.loc[given.index, name] = given.astype("object")
        return pd.concat([out, more], axis=1)

    def looks(self) -> pd.DataFrame:
        """All that is known of every survey, on its id: those of the store, then those of the file so far."""
        held = self.held("survey")
        frames = [*([] if held is None else [held]), *self.look_rows]
        if not frames:
            return pd.DataFrame({n: pd.Series(dtype="object") for n in ("survey_id", *_LOOKS)}).set_index("survey_id")
        return newest(frames, "survey").set_index("survey_id")

    def held(self, kind: str) -> pd.DataFrame | None:
        """Records of a kind that are stored, whole; None where there are none, or nothing can be asked."""
        if self.known is None or self.known.rows is None or kind not in self.known.kinds:
            return None
        if kind not in self._stored:
            self._stored[kind] = self.known.rows(kind)
        return self._stored[kind]

    def versions(self, kind: str) -> pd.DataFrame | None:
        """Key, revision, days of issue and inspection of the stored records of a kind; None where there are none."""
        if self.known is None or self.known.versions is None or kind not in self.known.kinds:
            return None
        return self.known.versions(kind)

    def survey_frame(self) -> pd.DataFrame:
        """Deck and day of every survey taken in, on its id; the last row of an id holds."""
        if not self.survey_rows:
            empty = _frame(survey_id="str", deck_id="str", survey_date="datetime64[us]")
            return empty.set_index("survey_id")
        if len(self.survey_rows) > 1 or self.survey_rows[0].index.name != "survey_id":
            every = pd.concat([r.reset_index() if r.index.name == "survey_id" else r for r in self.survey_rows])
            self.survey_rows = [every.drop_duplicates("survey_id", keep="last").set_index("survey_id")]
        return self.survey_rows[0]

    @property
    def surveys(self) -> dict[str, tuple[str, Any]]:
        """Deck and day by survey; made anew at each call."""
        held = self.survey_frame()
        pairs = zip(held["deck_id"], held["survey_date"].dt.date, strict=True)
        return dict(zip(held.index, pairs, strict=True))

    def size(self, decks: Iterable[str | None]) -> pd.DataFrame:
        """Length, width and year of building of decks, NaN where not known."""
        codes, seen = pd.factorize(np.asarray(list(decks) if not hasattr(decks, "array") else decks, dtype=object))
        each = np.array([self._size(d) for d in seen] + [(np.nan, np.nan, np.nan)], dtype="float64")
        return pd.DataFrame(each[codes], columns=["length_m", "width_m", "year"])

    def _size(self, deck: str | None) -> tuple[float, float, float]:
        if deck is None or deck not in self.decks:
            return (np.nan, np.nan, np.nan)
        bridge, length, width, year = self.decks[deck]
        # A deck younger than its bridge had one before it, whose records are as good.
        built = self.built.get(bridge, np.nan)
        return (length, width, built if built == built else year)

    def find_bridges(self, bridges: pd.Series) -> Answer:
        """The bridge each row names, leading zeros restored where only one bridge fits.

        Parameters
        ----------
        bridges : Series of str, shape (n,)
            Empty where the row names none.
        """
        return self._each(bridges.to_frame("bridge"), lambda row: self._bridge(row[0]))

    def find_decks(self, decks: pd.Series | None, bridges: pd.Series | None, n: int) -> Answer:
        """The deck each row names, by its own id or by that of a bridge with one deck.

        Parameters
        ----------
        decks, bridges : Series of str, shape (n,), or None
            Empty where the row names none.
        n : int
        """
        none = pd.Series([""] * n, dtype="str")
        frame = pd.DataFrame({"deck": none if decks is None else decks, "bridge": none if bridges is None else bridges})
        return self._each(frame, lambda row: self._deck(row[0], row[1]))

    def _each(self, frame: pd.DataFrame, answer: Any) -> Answer:
        self._loose = {}
        self._asked = 0
        if frame.shape[1] > 1 and (frame.iloc[:, 1] == "").all():
            codes, seen = pd.factorize(frame.iloc[:, 0])
            seen = [(name, "") for name in seen.tolist()]
        elif frame.shape[1] > 1 and (frame.iloc[:, 0] == "").all():
            codes, seen = pd.factorize(frame.iloc[:, 1])
            seen = [("", name) for name in seen.tolist()]
        else:
            codes, seen = pd.factorize(pd.MultiIndex.from_frame(frame) if frame.shape[1] > 1 else frame.iloc[:, 0])
        found = [answer(row if isinstance(row, tuple) else (row,)) for row in seen]
        names = np.full(len(found) + 1, None, dtype=object)
        names[:-1] = [f[0] for f in found]
        wrong = np.array([f[1] is not None for f in found] + [False], dtype=bool)
        odd = np.array([f[2] is not None for f in found] + [False], dtype=bool)
        fault = {int(i): found[codes[i]][1] for i in np.flatnonzero(wrong[codes])}
        flag = {int(i): found[codes[i]][2] for i in np.flatnonzero(odd[codes])}
        return Answer(names[codes], fault, flag)

    _stored_decks: pd.DataFrame | None = None
    _stored: dict[str, pd.DataFrame] = field(default_factory=dict)
    _loose: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    _asked: int = 0

    def _bridge(self, bridge: str) -> tuple[str | None, Any, Any]:
        if bridge in self.built:
            return bridge, None, None
        return self._nearly("bridge", bridge, self.built)

    def like(self, what: str, name: str) -> list[str]:
        """Ids on record that differ from a name only in zeros lost, case, blanks or the kind of dash."""
        if what not in self._loose:
            known: dict[str, list[str]] = defaultdict(list)
            for held in self.built if what == "bridge" else self.decks:
                known[loose(held)].append(held)
            self._loose[what] = known
        return self._loose[what].get(loose(name), [])

    def _nearly(self, what: str, name: str, known: Iterable[str]) -> tuple[str | None, Any, Any]:
        if not name:
            return None, ("R-MISSING", "", f"the row must name its {what}", f"Give the {what}'s id."), None
        likely = self.like(what, name)
        digits = name.isdigit()
        how = "leading zeros were lost" if digits else "written with other zeros, blanks, dashes or case"
        if len(likely) == 1:
            code = "F-ZEROS" if digits else "F-ID-LIKE"
            return likely[0], None, (code, name, f"read as {what} {likely[0]}: {how}", "Write the id as on record.")
        if len(likely) > 1:
            rule = f"{how}, and {' and '.join(sorted(likely))} both fit"
            return None, ("R-ZEROS", name, rule, "Write the whole id, zeros included, in a text column."), None
        self._asked += 1
        near = difflib.get_close_matches(name, list(known), 1, 0.75) if self._asked <= NEAR else []
        remedy = f"Is {near[0]} meant? Else load" if near else "Correct the id, or load"
        rule = f"the {what} must be known"
        return None, (f"R-UNKNOWN-{what.upper()}", name, rule, f"{remedy} a table with this {what} first."), None

    def _deck(self, deck: str, bridge: str) -> tuple[str | None, Any, Any]:
        flag = None
        if not deck and not bridge:
            return None, ("R-MISSING", "", "the row must name its deck or its bridge", "Give the deck's id."), None
        if bridge:
            found, fault, flag = self._bridge(bridge)
            if not deck or (found is None and deck not in self.decks):
                if found is None:
                    return None, fault, None
                here = self.on.get(found, [])
                if len(here) == 1:
                    return here[0], None, flag
                if not here:
                    rule = f"bridge {found} has no deck on record"
                    return None, ("R-NO-DECK", bridge, rule, "Load its deck with length and width first."), None
                rule = f"bridge {found} has {len(here)} decks: {', '.join(sorted(here))}"
                return None, ("R-WHICH-DECK", bridge, rule, "Name the deck in a column deck_id."), None
            bridge = found or bridge
        if deck in self.decks:
            if bridge and self.decks[deck][0] != bridge:
                rule = f"deck {deck} belongs to bridge {self.decks[deck][0]}, not to {bridge}"
                return None, ("R-DECK-BRIDGE", deck, rule, "Correct one of the two ids."), None
            return deck, None, flag
        if deck in self.built and len(self.on.get(deck, [])) == 1:
            return self.on[deck][0], None, None
        return self._nearly("deck", deck, self.decks)


def newest(frames: Sequence[pd.DataFrame], kind: str) -> pd.DataFrame:
    """Of each key the newest value given in each column; what a newer row clears is not given.

    Parameters
    ----------
    frames : sequence of DataFrame
        Records of a kind, older ones first; the columns of the first are taken.
    kind : str
    """
    names, key = list(frames[0].columns), list(RECORDS[kind].key)
    both = pd.concat([f[[n for n in (*names, "cleared") if n in f]] for f in frames], ignore_index=True)
    if not both.duplicated(key).any():
        return both[names]
    code, _ = pd.factorize(pd.MultiIndex.from_frame(both[key]) if len(key) > 1 else both[key[0]])
    cleared = cleared_in(both)
    out: dict[str, Any] = {}
    for name in names:
        given = both[name].notna().to_numpy(dtype=bool) | cleared.get(name, False)
        last = np.full(int(code.max()) + 1, -1, dtype=np.int64)
        np.maximum.at(last, code[given], np.flatnonzero(given))
        out[name] = both[name].reindex(last).reset_index(drop=True)  # -1 is no row, and gives nothing
    return pd.DataFrame(out)


def loose(name: str) -> str:
    """An id as a hurried eye reads it: no leading zeros, one kind of blank and dash, no case.

    Examples
    --------
    >>> loose("00052B") == loose("52b"), loose("B–101") == loose("b-101")
    (True, True)
    """
    plain = unicodedata.normalize("NFKC", name).translate(_DASHES)
    return " ".join(plain.split()).casefold().lstrip("0")


_DASHES = dict.fromkeys(map(ord, "‐‑‒–—―−"), "-")

"""The hazards ledger: what was found that cannot wait, and what has become of it since."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns.among import is_among
from decknet.columns.choices import CAUSES
from decknet.measure.looks import KINDS, PLACE, areal_parts, kinds_mask
from decknet.rank.hazard_rules import (
    CLOSED,
    OPEN,
    TO_CONFIRM,
    Closing,
    Deck,
    Hazard,
    Look,
    Rating,
    Repair,
    apply,
    closings_of,
    survey_words,
)
from decknet.rank.remarks import spoken_of
from decknet.settings import UrgentSettings
from decknet.settled import SHARE_PLACES

__all__ = ["CAUSES", "CLOSED", "OPEN", "TO_CONFIRM", "follow_hazards"]

_DEFECT_CAUSES = {"hole": "open hole", "exposed bar": "exposed bar"}
_TOTAL = {"hole": "hole_m2", "exposed bar": "exposed_bar_m2"}
_RENEWS_AT = (7, 1)  # a rating is known by its year alone and is taken as of the middle of it
_COLUMNS = [
    "hazard_id", "deck_id", "cause", "state", "opened", "found_by", "amount", "last_seen", "closed", "closed_by",
    "doubts", "remark", "shape",
]  # fmt: skip


_NOTHING: Mapping[int, Any] = MappingProxyType({})
_BITS = {kind: kinds_mask(frozenset({kind})) for kind in KINDS}


def _bit(kind: str) -> int:
    return _BITS[kind]


@dataclass(frozen=True, slots=True)
class _Finding:
    """Something found that opens a hazard, unless one that is open already is the same."""

    day: Any
    hazard: Hazard


def follow_hazards(
    shares: pd.DataFrame, defects: pd.DataFrame, decks: pd.DataFrame, repairs: pd.DataFrame, ratings: pd.DataFrame,
    closings: pd.DataFrame, edges: pd.DataFrame, settings: UrgentSettings, *, surveys: pd.DataFrame, today: date,
) -> pd.DataFrame:  # fmt: skip
    """Every hazard that the records tell of, followed through what came after it.

    Parameters
    ----------
    shares : DataFrame
        As ``measure.survey_shares`` gives.
    defects, decks, repairs, ratings, closings, surveys : DataFrame
        Records, columns of ``columns.RECORDS``; shapes in station and offset (m).
    edges : DataFrame
        As ``measure.deck_edges`` gives.
    settings : UrgentSettings
    today : date
        Day up to which repairs are asked for their opening.

    Returns
    -------
    DataFrame, one row a hazard, ordered by deck, day opened and id
        hazard_id (made from the record that opened it); deck_id; cause (of ``CAUSES``); state ("open", "to confirm",
        "closed"); opened (date), found_by (words); amount (m2, share or rating; missing where not known); last_seen
        (date); closed (date), closed_by (words); doubts (words: what may have dealt with it); remark (the words of a
        remark); shape (where it still is, m; None where not known).

    References
    ----------
    practice: a hazard stays open until something on record deals with that place.
    """
    told = _Told(shares, surveys, defects, edges)
    found = [
        *_drawn_findings(told), *_stated_findings(told), *_share_findings(told, settings),
        *_rating_findings(ratings, decks, settings), *_openings(repairs, decks, settings, pd.Timestamp(today)),
        *_remark_findings(told),
    ]  # fmt: skip
    by_deck: dict[str, list[_Finding]] = {}
    for finding in found:
        by_deck.setdefault(finding.hazard.deck_id, []).append(finding)
    if not by_deck:
        return _frame([])
    first = pd.Series({deck_id: min(f.day for f in mine) for deck_id, mine in by_deck.items()})
    events = _events(shares, defects, decks, repairs, ratings, closings, first)
    out: list[Hazard] = []
    names = sorted(by_deck)
    about = edges.loc[names]
    for deck_id, edge, area in zip(names, _solid(about["edge"]), about["area_m2"].tolist(), strict=True):
        out += _follow(Deck(edge, area, settings.danger_share), by_deck[deck_id], events.get(deck_id, []))
    return _frame(out)


def _follow(deck: Deck, findings: list[_Finding], events: list[tuple[Any, int, Any]]) -> list[Hazard]:
    """The hazards of one deck, carried through its records in order of date."""
    hazards: list[Hazard] = []
    steps = [(f.day, 1, f) for f in findings] + events
    for _, _, step in sorted(steps, key=lambda s: (s[0], s[1])):
        if isinstance(step, Closing):
            closings_of(step, hazards)
        elif isinstance(step, _Finding):
            if not any(_is_same(h, step.hazard) for h in hazards):
                hazards.append(step.hazard)
        else:
            for hazard in hazards:
                apply(step, hazard, deck)
    return hazards


def _is_same(known: Hazard, fresh: Hazard) -> bool:
    """Whether what was found now is a hazard that is open already."""
    if known.state == CLOSED or known.cause != fresh.cause or fresh.cause in ("opening check", "remark"):
        return False
    if known.last_seen != fresh.opened or known.opened == fresh.opened:
        return False  # no look of that day was taken for it
    if fresh.cause == "poor rating" or known.place is None:
        return fresh.place is None or fresh.cause == "danger share"
    return fresh.place is not None and bool(shapely.intersects(known.place, fresh.place))


# ---- what opens one --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Told:
    """What surveys say: ``shares``, the records of surveys and defects; the edges of the decks."""

    shares: pd.DataFrame
    surveys: pd.DataFrame
    defects: pd.DataFrame
    edges: pd.DataFrame

    def looks(self, ids: pd.Series) -> pd.DataFrame:
        """The shares of some surveys, in the order of the ids; unknown ones left out, row of each in ``of``.

        ``ground`` is where something without a place must lie: the ground the survey looked at, None for all of a deck
        without an edge.
        """
        mine = np.flatnonzero(is_among(self.shares["survey_id"], ids))
        at = pd.Index(self.shares["survey_id"].array[mine]).get_indexer(ids)
        rows = self.shares.take(mine[at[at >= 0]])
        edge = _solid(self.edges["edge"].array[self.edges.index.get_indexer(rows["deck_id"])])
        ground = np.where(rows["extent"].eq(PLACE).to_numpy(dtype=bool), rows["region"].to_numpy(dtype=object), edge)
        return rows.assign(of=np.flatnonzero(at >= 0), ground=pd.Series(ground, index=rows.index, dtype="object"))


def _solid(shapes: Any) -> NDArray[np.object_]:
    """Shapes that have an area; None in place of the others."""
    out = np.array(shapes, dtype=object)
    out[~(shapely.area(out) > 0)] = None
    return out


def _survey_words(row: Any) -> str:
    return survey_words(row.survey_date, row.method)


def _drawn_findings(told: _Told) -> Iterator[_Finding]:
    """Holes and bars that a survey lists one by one."""
    mine = told.defects[told.defects["kind"].isin(_DEFECT_CAUSES)].drop(
        columns=["deck_id", "survey_date"], errors="ignore"
    )
    looks = told.looks(mine["survey_id"].drop_duplicates()).drop(columns="of")
    for row in mine.merge(looks, on="survey_id").sort_values(["survey_date", "survey_id", "defect_id"]).itertuples():
        place = row.shape if shapely.area(row.shape) > 0 else None
        if place is not None:
            place = areal_parts(np.array([shapely.make_valid(shapely.force_2d(place))], dtype=object))[0]
        amount = float(shapely.area(place)) if place is not None else row.area_m2
        yield _Finding(
            row.survey_date,
            Hazard(
                f"{row.survey_id}/{row.defect_id}", row.deck_id, _DEFECT_CAUSES[row.kind], row.survey_date,
                _survey_words(row), float("nan") if pd.isna(amount) else float(amount), _bit(row.kind), place,
                None if place is not None else row.ground, last_seen=row.survey_date,
            ),
        )  # fmt: skip


def _stated_findings(told: _Told) -> Iterator[_Finding]:
    """Holes and bars that a survey states as a total and does not list."""
    for kind, total in _TOTAL.items():
        listed = told.defects.loc[told.defects["kind"] == kind, "survey_id"]
        stated = told.surveys.loc[(told.surveys[total] > 0).fillna(False).astype(bool), ["survey_id", total]]
        stated = stated[~is_among(stated["survey_id"], listed)]
        rows = told.looks(stated["survey_id"])
        rows["stated"] = stated[total].to_numpy(dtype="float64")[rows["of"]]
        for row in rows.sort_values(["survey_date", "survey_id"]).itertuples():
            amount = float(row.stated)
            yield _Finding(
                row.survey_date,
                Hazard(
                    f"{row.survey_id}/{'hole' if kind == 'hole' else 'bars'}", row.deck_id, _DEFECT_CAUSES[kind],
                    row.survey_date, _survey_words(row), amount, _bit(kind), None, row.ground,
                    last_seen=row.survey_date,
                ),
            )  # fmt: skip


def _share_findings(told: _Told, settings: UrgentSettings) -> Iterator[_Finding]:
    """Surveys that found a share at or past the danger threshold of what they looked at."""
    over = told.shares[told.shares["unsound_share"].round(SHARE_PLACES) >= settings.danger_share]
    shapes = _unsound_of(told.defects[is_among(told.defects["survey_id"], over["survey_id"])])
    names = ["survey_id", "deck_id", "survey_date", "method", "extent", "region", "unsound_share"]
    for row in over[names].itertuples(index=False):
        yield _Finding(
            row.survey_date,
            Hazard(
                f"{row.survey_id}/share", row.deck_id, "danger share", row.survey_date, _survey_words(row),
                float(row.unsound_share), _bit("delamination"), row.region if row.extent == PLACE else None,
                parts=shapes.get(row.survey_id), last_seen=row.survey_date,
            ),
        )  # fmt: skip


def _unsound_of(defects: pd.DataFrame) -> dict[str, Any]:
    """All that each survey drew as one shape; surveys that list any area without a shape are left out."""
    shapes = defects["shape"].to_numpy(dtype=object)
    has = shapely.area(shapes) > 0
    loose = set(defects.loc[~has, "survey_id"])
    solid = shapely.make_valid(shapely.force_2d(shapes[has]))
    frame = pd.DataFrame({"survey_id": defects["survey_id"].to_numpy()[has], "shape": pd.Series(solid, dtype="object")})
    frame = frame[~is_among(frame["survey_id"], loose)]
    return {str(k): shapely.union_all(list(part["shape"])) for k, part in frame.groupby("survey_id")}


def _rated_on(years: pd.Series) -> pd.Series:
    return pd.to_datetime(
        {"year": years.astype("int64"), "month": _RENEWS_AT[0], "day": _RENEWS_AT[1]}
    ).astype("datetime64[us]")  # fmt: skip


def _rating_findings(ratings: pd.DataFrame, decks: pd.DataFrame, settings: UrgentSettings) -> Iterator[_Finding]:
    """Decks rated at or below the rating that calls for someone at once."""
    poor = ratings[(ratings["deck_rating"] <= settings.poor_rating) & ratings["rated_year"].notna()]
    rows = poor.merge(decks[["deck_id", "bridge_id"]], on="bridge_id").sort_values(["rated_year", "deck_id"])
    rows = rows.assign(day=_rated_on(rows["rated_year"]))
    for row in rows.itertuples():
        yield _Finding(
            row.day,
            Hazard(
                f"{row.bridge_id}/rated {row.rated_year}", row.deck_id, "poor rating", row.day,
                f"inventory of {row.rated_year}", float(row.deck_rating), 0, last_seen=row.day,
            ),
        )  # fmt: skip


def _openings(
    repairs: pd.DataFrame, decks: pd.DataFrame, settings: UrgentSettings, today: pd.Timestamp
) -> Iterator[_Finding]:
    """Repairs whose cure is over, with no opening to traffic on record."""
    cured = (repairs["repair_date"] + pd.to_timedelta(repairs["cure_h"].astype("float64"), unit="h")).dt.floor("D")
    opened = repairs["opened_at"].notna() & repairs["opened_at"].astype("str").str.strip().ne("")
    hit = (
        ~opened
        & (cured + pd.Timedelta(days=settings.opening_days) < today)
        & (repairs["repair_date"] >= today - pd.Timedelta(days=settings.opening_back_days))
        & is_among(repairs["deck_id"], decks["deck_id"])
    )
    late = repairs.assign(cured=cured)[hit.fillna(False).astype(bool)]
    for row in late.sort_values(["cured", "repair_id"], kind="stable").itertuples():
        place = row.shape if shapely.area(row.shape) > 0 else None
        yield _Finding(
            row.repair_date,
            Hazard(
                f"{row.repair_id}/opening", row.deck_id, "opening check", row.cured,
                f"{row.treatment} of {row.repair_date:%Y-%m-%d}", float("nan"), _bit("spall"), place,
                last_seen=row.repair_date,
            ),
        )  # fmt: skip


def _remark_findings(told: _Told) -> Iterator[_Finding]:
    """Surveys whose remarks speak of a hole, of bars or of a closed lane that their figures do not show."""
    remarks = told.surveys["remarks"]
    code, texts = pd.factorize(remarks)
    spoken = [spoken_of(str(text)) for text in texts]
    hit = np.flatnonzero(np.append([bool(w) for w in spoken], False)[code])
    if not len(hit):
        return
    mine = told.surveys.iloc[hit]
    defects = told.defects[is_among(told.defects["survey_id"], mine["survey_id"])]
    listed = {kind: set(defects.loc[defects["kind"] == kind, "survey_id"]) for kind in _TOTAL}
    figures = {kind: mine[total].to_numpy(dtype="float64", na_value=np.nan) for kind, total in _TOTAL.items()}
    for row in told.looks(mine["survey_id"]).itertuples():
        text, what = str(mine["remarks"].iloc[row.of]), spoken[code[hit[row.of]]]
        rest = {w for w in what if not (w in _TOTAL and (row.survey_id in listed[w] or figures[w][row.of] > 0))}
        if not rest:
            continue
        kinds = sum(_bit(w) for w in sorted(rest) if w in _TOTAL)
        hazard = Hazard(
            f"{row.survey_id}/remark", row.deck_id, "remark", row.survey_date, _survey_words(row), float("nan"),
            kinds if "closed lane" not in rest else 0, remark=text, last_seen=row.survey_date,
        )  # fmt: skip
        hazard.doubt("only a remark speaks of it")
        yield _Finding(row.survey_date, hazard)


# ---- what comes after -------------------------------------------------------------------------------------


def _events(
    shares: pd.DataFrame, defects: pd.DataFrame, decks: pd.DataFrame, repairs: pd.DataFrame, ratings: pd.DataFrame,
    closings: pd.DataFrame, first: pd.Series,
) -> Mapping[str, list[tuple[Any, int, Any]]]:  # fmt: skip
    """By deck what may act on a hazard, with its day; of one day looks come first, then repairs, then closings.

    ``first`` is the day of the first finding of each deck that has any: what comes before it acts on nothing.
    """
    out: dict[str, list[tuple[Any, int, Any]]] = {}
    for deck_id, look in _looks(_since(shares, "survey_date", first, after=True), defects):
        out.setdefault(deck_id, []).append((look.day, 0, look))
    done = repairs[["repair_id", "deck_id", "repair_date", "treatment", "area_m2", "shape"]]
    for row in _since(done, "repair_date", first).itertuples(index=False):
        shape = shapely.make_valid(shapely.force_2d(row.shape)) if shapely.area(row.shape) > 0 else None
        area = float("nan") if pd.isna(row.area_m2) else float(row.area_m2)
        repair = Repair(row.repair_date, str(row.repair_id), str(row.treatment), shape, area)
        out.setdefault(row.deck_id, []).append((row.repair_date, 2, repair))
    rated = ratings[ratings["rated_year"].notna()].merge(
        decks.loc[is_among(decks["deck_id"], first.index), ["deck_id", "bridge_id"]], on="bridge_id"
    )
    rated = rated.assign(day=_rated_on(rated["rated_year"]))
    for row in _since(rated, "day", first, after=True).itertuples():
        out.setdefault(row.deck_id, []).append((row.day, 0, Rating(row.day, int(row.deck_rating))))
    for row in _since(closings, "closed_on", first).itertuples():
        place = row.shape if shapely.area(row.shape) > 0 else None
        if place is None and pd.notna(row.station_m) and pd.notna(row.offset_m):
            place = shapely.Point(float(row.station_m), float(row.offset_m))
        closing = Closing(
            row.closed_on, str(row.closing_id), _text(row.cause), _text(row.hazard), place, _text(row.closed_by),
            _text(row.how),
        )  # fmt: skip
        out.setdefault(row.deck_id, []).append((row.closed_on, 3, closing))
    return out


def _since(rows: pd.DataFrame, day: str, first: pd.Series, *, after: bool = False) -> pd.DataFrame:
    """Records of decks that have a first finding, of its day or later; ``after`` it, without its day."""
    mine = rows[is_among(rows["deck_id"], first.index)]
    when, begun = mine[day].to_numpy(), first.reindex(mine["deck_id"]).to_numpy()
    return mine[~(when <= begun if after else when < begun)]


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _stated_kinds(shares: pd.DataFrame) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Whether each survey was drawn; of the others the kinds they state, and the kinds stated as not there, as bits."""
    drawn = shares["measured_from"].eq("polygons").to_numpy(dtype=bool)
    nothing = shares["unsound_m2"].to_numpy(dtype="float64", na_value=np.nan) == 0
    loose, none = np.zeros(len(shares), dtype=np.int64), np.zeros(len(shares), dtype=np.int64)
    for kind, total in _TOTAL.items():
        figure = shares[total].to_numpy(dtype="float64", na_value=np.nan)
        loose[~drawn & (figure > 0)] |= _bit(kind)
        none[~drawn & ~(figure > 0) & ((figure == 0) | nothing)] |= _bit(kind)
    return drawn, loose, none


def _looks(shares: pd.DataFrame, defects: pd.DataFrame) -> Iterator[tuple[str, Look]]:
    """The surveys of some decks, with what each reports."""
    mine = defects[is_among(defects["survey_id"], shares["survey_id"])]
    has = pd.Series(shapely.area(mine["shape"].to_numpy(dtype=object)) > 0, index=mine.index)
    by_survey = dict(tuple(mine.assign(drawn=has).groupby("survey_id")))
    names = [
        "survey_id", "deck_id", "survey_date", "method", "extent", "region", "sees", "method_known", "unsound_share",
    ]  # fmt: skip
    rows = shares[names].itertuples(index=False)
    for row, is_drawn, found_loose, none in zip(rows, *(a.tolist() for a in _stated_kinds(shares)), strict=True):
        listed = by_survey.get(row.survey_id) if by_survey else None
        shapes: Mapping[int, Any] = _NOTHING
        unsound, loose = None, found_loose
        if listed is not None:
            drawn = listed[listed["drawn"]]
            if len(drawn):
                solid = shapely.make_valid(shapely.force_2d(drawn["shape"].to_numpy(dtype=object)))
                unsound = shapely.union_all(solid)
                shapes = {
                    _bit(kind): shapely.union_all(solid[(drawn["kind"] == kind).to_numpy()])
                    for kind in drawn["kind"].unique()
                }
            loose |= int(np.bitwise_or.reduce([0, *(_bit(k) for k in listed.loc[~listed["drawn"], "kind"])]))
        yield row.deck_id, Look(
            row.survey_date, row.method, row.extent, row.region, int(row.sees), bool(row.method_known),
            is_drawn, shapes, loose, none, float(row.unsound_share), unsound,
        )  # fmt: skip


def _amount(hazard: Hazard) -> float:
    """How much of it there is by now: of a hole or of bars the area of their place where that is known."""
    if hazard.cause in _DEFECT_CAUSES.values() and hazard.place is not None and hazard.state != CLOSED:
        return float(shapely.area(hazard.place))
    return hazard.amount


def _frame(hazards: list[Hazard]) -> pd.DataFrame:
    rows = [
        (
            h.hazard_id, h.deck_id, h.cause, h.state, h.opened, h.found_by, _amount(h), h.last_seen, h.closed,
            h.closed_by, "; ".join(h.doubts) if h.state == TO_CONFIRM else "", h.remark, h.place,
        )
        for h in hazards
    ]  # fmt: skip
    out = pd.DataFrame(rows, columns=_COLUMNS)
    for name in ("opened", "last_seen", "closed"):
        out[name] = pd.to_datetime(out[name]).astype("datetime64[us]")
    return out.sort_values(["deck_id", "opened", "hazard_id"], ignore_index=True)

"""What each later record does to an open hazard."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from decknet.measure import RENEWING
from decknet.measure.looks import ASSUMED, PART, PLACE, WHOLE, areal_parts

__all__ = ["CLOSED", "OPEN", "TO_CONFIRM", "Closing", "Deck", "Hazard", "Look", "Rating", "Repair", "apply"]

OPEN, TO_CONFIRM, CLOSED = "open", "to confirm", "closed"
REACH_M = 0.05  # a repair drawn to the decimetre covers a place to within half of it; ours
POINT_M = 1.0  # a closing given by station and offset means what lies within this of it; ours
_LEAST_M2 = 1e-4
_WHOLE_AREA = 0.95
_PATCHES = ("patch", "patch and seal")


@dataclass(frozen=True, slots=True)
class Deck:
    """What of a deck matters here: its edge (polygon, m, or None), its area (m2, NaN) and the danger threshold."""

    edge: Any
    area_m2: float
    danger_share: float


@dataclass(slots=True)
class Hazard:
    """One hazard on its way through the records.

    ``kinds`` are the kinds of defect that a look must be able to see to say that it is gone; ``place`` is where it
    was found (polygon, m; None where not known), ``ground`` where it must lie if its place is not known (None: the
    whole deck). Of a danger share ``parts`` are the unsound areas as drawn, None where only a total was given.
    """

    hazard_id: str
    deck_id: str
    cause: str
    opened: Any
    found_by: str
    amount: float
    kinds: int
    place: Any = None
    ground: Any = None
    parts: Any = None
    remark: str = ""
    state: str = OPEN
    last_seen: Any = None
    closed: Any = None
    closed_by: str = ""
    doubts: list[str] = field(default_factory=list)

    def close(self, day: Any, how: str) -> None:
        """It is dealt with."""
        self.state, self.closed, self.closed_by = CLOSED, day, how

    def doubt(self, why: str) -> None:
        """Something may have dealt with it."""
        self.state = TO_CONFIRM
        if why not in self.doubts:
            self.doubts.append(why)

    def seen(self, day: Any) -> None:
        """It was found again."""
        self.last_seen = max(self.last_seen, day)
        if self.cause != "remark":
            self.state, self.doubts = OPEN, []


@dataclass(frozen=True, slots=True)
class Look:
    """A survey: what it looked at, what it can see and what it reports of the kinds that matter.

    ``shapes`` are areas drawn by kind bit; ``loose`` the kinds found without a place; ``none`` the kinds stated as
    not there by a figure of 0; ``drawn`` whether it was drawn at all; ``share`` the unsound share it found (NaN),
    ``unsound`` all its drawn areas.
    """

    day: Any
    method: Any
    extent: str
    region: Any
    sees: int
    method_known: bool
    drawn: bool
    shapes: Mapping[int, Any]
    loose: int
    none: int
    share: float
    unsound: Any

    @property
    def name(self) -> str:
        """What it is called in words."""
        return survey_words(self.day, self.method)


def survey_words(day: Any, method: Any) -> str:
    """A survey in words; a method that is missing is said to be."""
    return f"{method if isinstance(method, str) else 'survey, method not stated,'} of {day:%Y-%m-%d}"


@dataclass(frozen=True, slots=True)
class Repair:
    """A repair: its treatment, place (polygon or None) and area (m2 or NaN)."""

    day: Any
    name: str
    treatment: str
    shape: Any
    area_m2: float


@dataclass(frozen=True, slots=True)
class Rating:
    """A deck rating of an inventory."""

    day: Any
    value: int


@dataclass(frozen=True, slots=True)
class Closing:
    """A named person's word that something is dealt with."""

    day: Any
    name: str
    cause: str
    hazard: str
    place: Any
    by: str
    how: str


def apply(event: Look | Repair | Rating, hazard: Hazard, deck: Deck) -> None:
    """Let one record act on one hazard. In place."""
    if hazard.state == CLOSED:
        return
    if isinstance(event, Rating):
        _rated(event, hazard)
    elif isinstance(event, Repair):
        _repaired(event, hazard, deck)
    elif event.day > hazard.last_seen:
        _looked(event, hazard, deck)


# ---- looks ---------------------------------------------------------------------------------------------


def _looked(look: Look, hazard: Hazard, deck: Deck) -> None:
    if hazard.cause == "danger share":
        _looked_share(look, hazard, deck)
    elif hazard.cause == "poor rating" or not hazard.kinds:
        return
    elif hazard.place is not None:
        _looked_place(look, hazard)
    else:
        _looked_somewhere(look, hazard)


def _reported(look: Look, kinds: int) -> Any:
    """Drawn areas of some kinds as one shape; None where there are none."""
    mine = [shape for bit, shape in look.shapes.items() if bit & kinds]
    return shapely.union_all(mine) if mine else None


def _may_speak(look: Look, kinds: int) -> bool:
    """Whether the look says of these kinds that they are not there: by a drawing of all it found, or by a 0."""
    return look.drawn or bool(look.none & kinds)


def _sees(look: Look, kinds: int) -> bool:
    """Whether its method is known to see these kinds."""
    return look.method_known and look.sees & kinds == kinds


def _how(look: Look, again: bool = False) -> str:
    told = ", taken for a look at the whole deck" if look.extent == ASSUMED else ""
    return f"{look.name} looked there{'' if again else ' and reports none'}{told}"


def _looked_place(look: Look, hazard: Hazard) -> None:
    """A later look on a hazard whose place is known."""
    again = _reported(look, hazard.kinds)
    there = again is not None and bool(shapely.intersects(again, hazard.place))
    if there and hazard.cause != "opening check":
        met = shapely.union_all([g for g in shapely.get_parts(again) if shapely.intersects(g, hazard.place)])
        region = look.region if look.extent == PLACE else None
        rest = shapely.difference(hazard.place, region) if region is not None else None
        hazard.place = met if rest is None or shapely.is_empty(rest) else shapely.union(met, rest)
        hazard.seen(look.day)
        return
    if look.loose & hazard.kinds and (look.extent != PLACE or shapely.intersects(look.region, hazard.place)):
        hazard.last_seen = max(hazard.last_seen, look.day)  # it reports one, perhaps this one
        return
    if look.sees & hazard.kinds == 0 or not _may_speak(look, hazard.kinds):
        return
    touches = look.extent != PLACE or bool(shapely.intersects(look.region, hazard.place))
    if not touches:
        return
    if not _sees(look, hazard.kinds):
        hazard.doubt(f"{look.name} reports none, its method not known")
    elif look.extent == PART:
        hazard.doubt(f"{look.name} looked at a part of the deck, not known which, and reports none")
    elif look.extent == ASSUMED and not look.none & hazard.kinds:
        hazard.doubt(f"{look.name} drew none, and nothing says that it looked there")
    elif look.extent == PLACE:
        _uncover(hazard, look.region, look.day, _how(look, there))
    else:
        hazard.close(look.day, _how(look, there))


def _looked_somewhere(look: Look, hazard: Hazard) -> None:
    """A later look on a hazard whose place is not known."""
    again = _reported(look, hazard.kinds)
    covers = look.extent in (WHOLE, ASSUMED) or (
        look.extent == PLACE and hazard.ground is not None and _covers(look.region, hazard.ground)
    )
    if again is not None and covers and look.extent != ASSUMED and hazard.cause not in ("remark", "opening check"):
        hazard.place, hazard.ground = again, None
        hazard.seen(look.day)
        return
    if again is not None or look.loose & hazard.kinds:
        if covers and hazard.cause != "opening check":
            hazard.seen(look.day)
        return
    if look.sees & hazard.kinds == 0 or not _may_speak(look, hazard.kinds):
        return
    if look.extent == PLACE:
        if not _sees(look, hazard.kinds):
            return
        ground = hazard.ground
        if ground is None:
            return  # part of a deck without an edge: nothing can be taken off it
        rest = shapely.difference(ground, look.region)
        if shapely.area(rest) > _LEAST_M2:
            hazard.ground = rest
        else:
            hazard.close(look.day, _how(look))
    elif not _sees(look, hazard.kinds):
        hazard.doubt(f"{look.name} reports none, its method not known")
    elif look.extent == PART:
        return  # another part, or the same: it reports none where it looked, and that says nothing of the rest
    elif look.extent == ASSUMED and not look.none & hazard.kinds:
        hazard.doubt(f"{look.name} drew none, and nothing says that it looked there")
    else:
        hazard.close(look.day, _how(look))


def _looked_share(look: Look, hazard: Hazard, deck: Deck) -> None:
    """A later look on a share past the danger threshold."""
    if not look.sees & hazard.kinds or not np.isfinite(look.share):
        return
    ground = hazard.place if hazard.place is not None else deck.edge
    if look.extent == PLACE and ground is not None and not _meets(look.region, ground):
        return
    if look.extent == PLACE and hazard.parts is not None and look.drawn and ground is not None:
        rest = shapely.difference(hazard.parts, look.region)
        fresh = shapely.intersection(look.unsound, ground) if look.unsound is not None else None
        hazard.parts = rest if fresh is None else shapely.union(areal(rest), areal(fresh))
        if _part(hazard.parts, ground) < deck.danger_share and _sees(look, hazard.kinds):
            hazard.close(look.day, f"{look.name} and earlier looks together stay below the threshold there")
        elif look.share >= deck.danger_share:
            hazard.seen(look.day)
        return
    if look.share >= deck.danger_share:
        if look.extent != PART:
            if look.extent in (WHOLE, ASSUMED):
                hazard.parts = look.unsound if look.drawn else None
            hazard.amount = look.share
            hazard.seen(look.day)
        return
    covers = look.extent in (WHOLE, ASSUMED) or (ground is not None and look.extent == PLACE
                                                  and _covers(look.region, ground))  # fmt: skip
    if look.extent == PLACE and not covers:
        return
    if not _sees(look, hazard.kinds):
        hazard.doubt(f"{look.name} is below the threshold, its method not known")
    elif look.extent == PART:
        hazard.doubt(f"{look.name} is below the threshold, of a part not known which")
    elif look.extent == ASSUMED and look.drawn:
        hazard.doubt(f"{look.name} drew less, and nothing says how much of the deck it looked at")
    else:
        told = ", taken for a look at the whole deck" if look.extent == ASSUMED else ""
        hazard.close(look.day, f"{look.name} is below the threshold{told}")


# ---- repairs and ratings ---------------------------------------------------------------------------------


def _repaired(repair: Repair, hazard: Hazard, deck: Deck) -> None:
    if repair.day < hazard.last_seen or hazard.hazard_id.startswith(f"{repair.name}/"):
        return
    same_day = repair.day == hazard.last_seen
    what = f"{repair.treatment} of {repair.day:%Y-%m-%d} ({repair.name})"
    if repair.treatment in RENEWING:
        _renewed(repair, hazard, deck, what, same_day)
    elif hazard.cause == "poor rating":
        return
    elif repair.shape is None:
        hazard.doubt(f"{what}: its place is not on record")
    elif hazard.cause == "danger share":
        _patched_share(repair, hazard, deck, what, same_day)
    elif hazard.place is None:
        if hazard.ground is None or shapely.intersects(repair.shape, hazard.ground):
            hazard.doubt(f"{what}: the place of what was found is not on record")
    elif shapely.intersects(repair.shape, hazard.place) and (same_day or repair.treatment not in _PATCHES):
        why = "of the same day" if same_day else "drawn over it; what it did is not told"
        hazard.doubt(f"{what}: {why}")
    elif repair.treatment in _PATCHES:
        _uncover(hazard, shapely.buffer(repair.shape, REACH_M), repair.day, f"{what} drawn over it")


def _renewed(repair: Repair, hazard: Hazard, deck: Deck, what: str, same_day: bool) -> None:
    """An overlay or a new deck: of the whole deck, or of the part that is drawn."""
    whole = repair.shape is None and not repair.area_m2 < _WHOLE_AREA * deck.area_m2
    if repair.shape is not None and deck.edge is not None:
        whole = bool(_covers(shapely.buffer(repair.shape, REACH_M), deck.edge))
    if same_day:
        hazard.doubt(f"{what}: of the same day")
    elif hazard.cause == "poor rating" and not (whole and repair.treatment == "new deck"):
        hazard.doubt(f"{what}: not rated since")
    elif whole:
        hazard.close(repair.day, what)
    elif repair.shape is None:
        hazard.doubt(f"{what}: of a part of the deck, not known which")
    elif hazard.cause == "danger share":
        _patched_share(repair, hazard, deck, what, same_day=False)
    elif hazard.place is None:
        if hazard.ground is None or shapely.intersects(repair.shape, hazard.ground):
            hazard.doubt(f"{what}: the place of what was found is not on record")
    else:
        _uncover(hazard, shapely.buffer(repair.shape, REACH_M), repair.day, f"{what} drawn over it")


def _patched_share(repair: Repair, hazard: Hazard, deck: Deck, what: str, same_day: bool) -> None:
    ground = hazard.place if hazard.place is not None else deck.edge
    if ground is not None and not _meets(repair.shape, ground):
        return
    if hazard.parts is None or ground is None or same_day or repair.treatment == "other":
        hazard.doubt(f"{what}: how much of the unsound concrete it took out is not on record")
        return
    hazard.parts = areal(shapely.difference(hazard.parts, repair.shape))
    if _part(hazard.parts, ground) < deck.danger_share:
        hazard.close(repair.day, f"drawn repairs up to {what} leave less than the threshold")


def _rated(rating: Rating, hazard: Hazard) -> None:
    if hazard.cause != "poor rating" or not rating.day > hazard.last_seen:
        return
    if rating.value > hazard.amount:
        hazard.close(rating.day, f"rated {rating.value} in {rating.day:%Y}")
    else:
        hazard.seen(rating.day)


# ---- closings ---------------------------------------------------------------------------------------------


def closings_of(closing: Closing, hazards: list[Hazard]) -> None:
    """Let a closing record act on the hazards of its deck. In place."""
    still = [h for h in hazards if h.state != CLOSED and closing.day >= h.opened]
    word = f"{closing.by}, {closing.day:%Y-%m-%d}: {closing.how} (closing {closing.name})"
    if closing.hazard and closing.hazard.lower() != "all":
        for h in still:
            if h.hazard_id == closing.hazard:
                h.close(closing.day, word)
        return
    mine = [h for h in still if not closing.cause or h.cause == closing.cause]
    if closing.place is not None:
        at = closing.place if shapely.area(closing.place) > 0 else shapely.buffer(closing.place, POINT_M)
        there = [h for h in mine if h.place is not None and shapely.intersects(at, h.place)]
        unplaced = [h for h in mine if h.place is None]
        for h in there:
            h.close(closing.day, word)
        for h in unplaced:
            h.doubt(f"{word}: whether it is this one is not on record")
    elif closing.hazard or len(mine) == 1:
        for h in mine:
            h.close(closing.day, word)
    else:
        for h in mine:
            h.doubt(f"{word}: which of the {len(mine)} it means is not on record")


# ---- shapes -----------------------------------------------------------------------------------------------


def areal(shape: Any) -> Any:
    """The parts of a shape that have an area."""
    return areal_parts(np.array([shape], dtype=object))[0]


def _uncover(hazard: Hazard, by: Any, day: Any, how: str) -> None:
    """Take ground off a hazard's place; it is closed where none is left."""
    rest = areal(shapely.difference(hazard.place, by))
    if shapely.area(rest) > _LEAST_M2 * 10:
        hazard.place = rest
    else:
        hazard.close(day, how)


def _covers(outer: Any, inner: Any) -> bool:
    return bool(shapely.area(shapely.difference(inner, outer)) <= 0.005 * shapely.area(inner))


def _meets(one: Any, other: Any) -> bool:
    return bool(shapely.area(areal(shapely.intersection(one, other))) > _LEAST_M2)


def _part(parts: Any, ground: Any) -> float:
    return float(shapely.area(areal(shapely.intersection(areal(parts), ground))) / shapely.area(ground))

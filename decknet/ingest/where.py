"""Where on a deck words say: "left lane", "span 2", "Sta 12 to 48", "whole deck"."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import shapely

__all__ = ["WHOLE", "DeckFacts", "Place", "find_place", "remark_of_part", "says_whole"]

WHOLE = "whole deck"
FOOT_M = 0.3048
LONGEST = 200  # characters of words that may name a place

_ALL = {
    "whole deck", "whole", "entire deck", "entire", "full deck", "full", "all", "all of it", "complete",
    "complete deck",
    "whole bridge", "entire bridge", "full bridge", "the whole deck", "the entire deck", "all of the deck", "all deck",
    "deck", "everything", "all lanes", "all spans", "full width", "full length", "full width and length", "both sides",
    "both directions", "whole width", "whole length", "edge to edge", "kerb to kerb", "curb to curb", "100 %", "100%",
    "100 % of deck", "100% of deck", "all lanes and shoulders", "all spans all lanes", "all lanes all spans",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class DeckFacts:
    """What the record of a deck tells of places on it; None or empty where it tells nothing.

    Attributes
    ----------
    length : float or None, m
    left, right : float or None, m
        Offsets of its edges; left of the centreline negative.
    lanes, spans : int or None
    joints : tuple of float, m
        Stations of the joints between the first and the last.
    """

    length: float | None = None
    left: float | None = None
    right: float | None = None
    lanes: int | None = None
    spans: int | None = None
    joints: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """What words come to.

    Attributes
    ----------
    whole : bool
        The whole deck.
    stations, offsets : (from, to) or None, m
        A strip; None where the words do not bound it so.
    drawn : MultiPolygon or None
        Several strips that make no single one, in station and offset.
    part_m2 : float or None
        An area of which no place is told.
    part_share : float or None
        As ``part_m2``, a share of the deck.
    why : str
        Why no place is found; empty where one is.
    """

    whole: bool = False
    stations: tuple[float, float] | None = None
    offsets: tuple[float, float] | None = None
    drawn: shapely.MultiPolygon | None = None
    part_m2: float | None = None
    part_share: float | None = None
    why: str = ""

    @property
    def told(self) -> bool:
        """Whether the words say a place, or all of the deck."""
        return self.whole or self.stations is not None or self.offsets is not None or self.drawn is not None


class _UnclearError(Exception):
    """The words name a part, and its place is not told."""


Ranges = list[tuple[float, float]]

_NUM = r"[+-]?\d+(?:[.,]\d+)?"
_STA = r"\d+\+\d+(?:[.,]\d+)?|\d+(?:[.,]\d+)?"
_UNIT = r"m|metres?|meters?|ft|feet|foot"
_NAMED = r"(?:stations?|stas?|chainages?|ch)\.?\s*"
_TO = r"\s*(?:to|through|until|\.\.\.?|-)\s*"
_MIDDLE = r"(?:centre ?line|center ?line|cl)"
_LIST = r"(?P<list>\d+(?:\s*(?:,|and|\+|to|through|-)\s*\d+)*)(?:\s*of\s*(?P<of>\d+))?"
_NO = r"(?:no\.?|nr\.?|number|\#)?\s*"


def says_whole(words: str, deck: DeckFacts | None = None) -> bool:
    """Whether words say that all of the deck was looked at.

    Examples
    --------
    >>> says_whole("Entire deck"), says_whole("left lane")
    (True, False)
    """
    plain = _plain(words)
    if plain == "both lanes":
        return deck is None or deck.lanes in (None, 2)
    return plain in _ALL


def _plain(words: str) -> str:
    text = words.lower().translate(_SIGNS)
    return " ".join(text.split()).strip(" .;:,()")


_SIGNS = {ord(c): "-" for c in "‐‑‒–—−"} | {ord("&"): " and ", ord("_"): " ", ord("²"): "2"}


def find_place(words: str, deck: DeckFacts) -> Place:
    """The place that words name on a deck.

    Parameters
    ----------
    words : str
        As the sheet has them.
    deck : DeckFacts

    Examples
    --------
    >>> find_place("left lane", DeckFacts(40.0, -5.0, 5.0, lanes=2)).offsets
    (-5.0, 0.0)
    >>> find_place("Sta 12 to 48", DeckFacts()).stations
    (12.0, 48.0)
    >>> find_place("northbound", DeckFacts()).why
    'no place on the deck is known by these words'
    """
    text = _plain(words)
    if len(text) > LONGEST:
        return Place(why="no place on the deck is known by these words")
    if says_whole(text, deck):
        return Place(whole=True)
    if (count := re.fullmatch(r"(\d+) lanes", text)) is not None:
        return _so_many(int(count[1]), deck)
    if (part := _amount(text)) is not None:
        return part
    stations: list[Ranges] = []
    offsets: list[Ranges] = []
    try:
        rest = text
        for pattern, of, found in _READERS:
            while (hit := pattern.search(rest)) is not None:
                (stations if of == "station" else offsets).append(found(hit, deck))
                rest = f"{rest[: hit.start()]} ; {rest[hit.end() :]}"
        if _FILLING.sub("", rest):
            raise _UnclearError("no place on the deck is known by these words")
        return _together(stations, offsets, deck)
    except _UnclearError as why:
        return Place(why=str(why))


def _amount(text: str) -> Place | None:
    """An area or a share of the deck without a place."""
    share = re.fullmatch(
        r"(?:about )?(\d+(?:[.,]\d+)?) ?(?:%|percent|pct)(?: of (?:the )?(?:whole )?deck(?: area)?)?", text
    )
    if share is not None:
        value = _number(share[1]) / 100
        return Place(part_share=value, why="") if 0 < value < 1 else None
    area = re.fullmatch(r"(\d+(?:[.,]\d+)?) ?(m2|sqm|sq m|sq ft|ft2|sf|square (?:metres|meters|feet))", text)
    if area is None:
        return None
    metric = area[2] in ("m2", "sqm", "sq m", "square metres", "square meters")
    return Place(part_m2=_number(area[1]) * (1.0 if metric else FOOT_M**2))


def _so_many(count: int, deck: DeckFacts) -> Place:
    """What a number of lanes says: of all there are, the whole deck; of fewer, not which."""
    if deck.lanes == count:
        return Place(whole=True)
    return Place(why=f"which {count} lanes is not told")


def _together(stations: list[Ranges], offsets: list[Ranges], deck: DeckFacts) -> Place:
    if not stations and not offsets:
        raise _UnclearError("no place on the deck is known by these words")
    if stations and offsets and (len(stations) > 1 or len(offsets) > 1):
        raise _UnclearError("which of the stretches belongs to which of the lanes is not told")
    along, across = (_merged([r for part in parts for r in part]) for parts in (stations, offsets))
    if len(along) <= 1 and len(across) <= 1:
        return Place(stations=along[0] if along else None, offsets=across[0] if across else None)
    if deck.length is None or deck.left is None or deck.right is None:
        raise _UnclearError("the deck's length or width is not on record")
    boxes = [
        shapely.box(a, c, b, d)
        for a, b in along or [(0.0, deck.length)]
        for c, d in across or [(deck.left, deck.right)]
    ]
    return Place(drawn=shapely.MultiPolygon(boxes))


def _merged(ranges: Ranges) -> Ranges:
    out: Ranges = []
    for a, b in sorted(ranges):
        if out and a <= out[-1][1] + 1e-6:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return out


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _station(text: str, feet: bool) -> float:
    whole, plus, rest = text.partition("+")
    if not plus:
        return _number(text) * (FOOT_M if feet else 1.0)
    if feet:
        return (float(whole) * 100 + _number(rest)) * FOOT_M
    if len(rest.split(".")[0].split(",")[0]) != 3:
        raise _UnclearError("whether the stations are in kilometres and metres or in hundreds of feet is not told")
    return float(whole) * 1000 + _number(rest)


def _stretch(hit: re.Match[str], deck: DeckFacts) -> Ranges:
    unit = hit["unit"] or hit["first"] or ""
    feet = unit.startswith(("f",))
    a, b = sorted((_station(hit["a"], feet), _station(hit["b"], feet)))
    return _on(a, b, deck)


def _on(a: float, b: float, deck: DeckFacts) -> Ranges:
    if not b > a or (deck.length is not None and a >= deck.length):
        raise _UnclearError("the stations do not lie on the deck")
    return [(a, b)]


def _end(hit: re.Match[str], deck: DeckFacts) -> Ranges:
    reach = _number(hit["a"]) * (FOOT_M if hit["unit"].startswith("f") else 1.0)
    if hit["which"] == "first":
        return _on(0.0, reach, deck)
    if deck.length is None:
        raise _UnclearError("the deck's length is not on record")
    return _on(max(deck.length - reach, 0.0), deck.length, deck)


def _across(hit: re.Match[str], deck: DeckFacts) -> Ranges:
    factor = FOOT_M if (hit["unit"] or "").startswith("f") else 1.0
    a, b = sorted((_number(hit["a"]) * factor, _number(hit["b"]) * factor))
    low, high = (-200.0 if deck.left is None else deck.left), (200.0 if deck.right is None else deck.right)
    if not b > a or a >= high or b <= low:
        raise _UnclearError("the offsets do not lie on the deck")
    return [(a, b)]


def _counted(hit: re.Match[str], known: int | None, what: str) -> tuple[list[int], int]:
    """The numbers of a list such as ``1, 2 and 4-5``, and how many there are in all."""
    told = hit["of"]
    if told is not None and known is not None and int(told) != known:
        raise _UnclearError(f"the deck has {known} {what} on record, and {told} are told")
    every = int(told) if told is not None else known
    if every is None:
        raise _UnclearError(f"how many {what} the deck has is not on record")
    out: list[int] = []
    for part in re.split(r"\s*(?:,|and|\+)\s*", hit["list"]):
        ends = [int(n) for n in re.split(r"\s*(?:to|through|-)\s*", part)]
        out += range(min(ends), max(ends) + 1)
    if not out or min(out) < 1 or max(out) > every:
        raise _UnclearError(f"the deck has {every} {what}")
    return sorted(set(out)), every


def _spans(hit: re.Match[str], deck: DeckFacts) -> Ranges:
    if deck.length is None:
        raise _UnclearError("the deck's length is not on record")
    if deck.joints and deck.spans in (None, len(deck.joints) + 1):
        ends = [0.0, *sorted(deck.joints), deck.length]
    elif deck.spans == 1:
        ends = [0.0, deck.length]
    else:
        raise _UnclearError("where the deck's spans end is not on record (stations of the joints)")
    wanted, _ = _counted(hit, len(ends) - 1, "spans")
    return _merged([(ends[n - 1], ends[n]) for n in wanted])


def _edges(deck: DeckFacts) -> tuple[float, float]:
    if deck.left is None or deck.right is None:
        raise _UnclearError("the deck's width is not on record")
    return deck.left, deck.right


def _lane(numbers: list[int], lanes: int, deck: DeckFacts) -> Ranges:
    left, right = _edges(deck)
    wide = (right - left) / lanes
    return _merged([(left + (n - 1) * wide, left + n * wide) for n in numbers])


def _lanes(hit: re.Match[str], deck: DeckFacts) -> Ranges:
    wanted, lanes = _counted(hit, deck.lanes or None, "lanes")
    return _lane(wanted, lanes, deck)


def _side_lane(hit: re.Match[str], deck: DeckFacts) -> Ranges:
    side = hit["one"] or hit["other"]
    if not deck.lanes:
        raise _UnclearError("how many lanes the deck has is not on record")
    if side in ("left", "right"):
        if deck.lanes < 2:
            raise _UnclearError(f"the deck has {deck.lanes} lane")
        return _lane([1 if side == "left" else deck.lanes], deck.lanes, deck)
    if deck.lanes % 2 == 0:
        raise _UnclearError(f"none of {deck.lanes} lanes lies in the middle")
    return _lane([deck.lanes // 2 + 1], deck.lanes, deck)


def _half(hit: re.Match[str], deck: DeckFacts) -> Ranges:
    left, right = _edges(deck)
    if left >= 0 or right <= 0:
        raise _UnclearError("the centreline does not lie on the deck")
    return [(left, 0.0)] if hit["side"] == "left" else [(0.0, right)]


def _reader(pattern: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w.]){pattern}(?![\w])")


_READERS: tuple[tuple[re.Pattern[str], str, Callable[[re.Match[str], DeckFacts], Ranges]], ...] = (
    (_reader(rf"spans?\s*{_NO}{_LIST}"), "station", _spans),
    (_reader(rf"lanes?\s*{_NO}{_LIST}"), "offset", _lanes),
    (_reader(r"(?:(?P<one>left|right|middle|centre|center)(?: hand)? lane|lane (?P<other>left|right))"), "offset",
     _side_lane),
    (_reader(rf"(?P<side>left|right)(?: hand)?(?: (?:half|side)(?: of (?:the )?(?:deck|bridge|road|{_MIDDLE}))?"
             rf"| of (?:the )?{_MIDDLE})"), "offset", _half),
    (_reader(rf"offsets?\s*(?:from\s*)?(?P<a>{_NUM})\s*(?:{_UNIT})?\s*(?:to|\.\.\.?)\s*(?P<b>{_NUM})\s*(?P<unit>{_UNIT})?"),
     "offset", _across),
    (_reader(rf"(?:from\s*)?{_NAMED}(?P<a>{_STA})\s*(?P<first>{_UNIT})?{_TO}(?:{_NAMED})?(?P<b>{_STA})\s*(?P<unit>{_UNIT})?"),
     "station", _stretch),
    (_reader(rf"(?:from\s*)?(?P<a>{_STA})\s*(?P<first>{_UNIT})?{_TO}(?P<b>{_STA})\s*(?P<unit>{_UNIT})"), "station",
     _stretch),
    (_reader(rf"(?P<which>first|last)\s*(?P<a>\d+(?:[.,]\d+)?)\s*(?P<unit>{_UNIT})"), "station", _end),
)  # fmt: skip
_FILLING = re.compile(
    r"\b(?:and|of|in|on|only|the|at|from|deck|bridge|over|was|were|is|full width|full length|all lanes|looked at|"
    r"surveyed|sounded|inspected|chained|part|area)\b|[\s;,.:()/]+"
)

# What makes a part of a remark a statement of what was looked at, and nothing else.
_DID = (
    r"(?:we |crew )?(?:only )?"
    r"(?:looked at|surveyed|sounded|inspected|chained|checked|scanned|tested|did|done|access to)?"
)
_THING = (
    r"(?:(?:left|right|middle|centre|center|inner|outer|inside|outside|slow|fast|driving|passing|one|first|last|near|far|"
    r"north|south|east|west|northbound|southbound|eastbound|westbound|nb|sb|eb|wb)(?: hand)? "
    r"(?:lanes?|half|side|shoulder|carriageway|spans?)|spans? [\d ,and-]+|lanes? [\d ,and-]+|"
    r"(?:stations?|stas?)\.? [\d.+]+ ?(?:to|-) ?(?:stations? |stas?\.? )?[\d.+]+ ?(?:m|ft)?|shoulders?)"
)
_REMARK = re.compile(rf"{_DID} ?(?P<before>only )?(?:the )?(?P<thing>{_THING})(?P<after> only)?(?: {_DID})?")


def remark_of_part(remark: str) -> str:
    """What a remark says was looked at, where a part of it says that and nothing else; else empty.

    Examples
    --------
    >>> remark_of_part("Wet. Left lane only")
    'left lane'
    >>> remark_of_part("spalls in left lane only")
    ''
    """
    if "only" not in remark.lower():
        return ""
    for clause in re.split(r"[.;,!?\n]+(?=\s|$)|\s-\s|[()]", remark):
        text = _plain(clause) if len(clause) <= LONGEST else ""
        hit = _REMARK.fullmatch(text) if "only" in text.split() else None
        if hit is not None:
            return hit["thing"].strip()
    return ""

"""What the words of a table say a structure is: a concrete deck, a culvert, or a deck of something else.

memory: everyday words of the trade in the languages of ``ingest.tongues``, and Japanese.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.columns import normal
from decknet.columns.deck_kinds import CONCRETE_DECK, CULVERT_KIND, DECK_KINDS, called
from decknet.ingest.coded import once, spread
from decknet.ingest.evidence import words_of

if TYPE_CHECKING:
    from decknet.ingest.checks import Floats, Rows
    from decknet.ingest.register import Register

__all__ = ["kind_of_words", "kinds_of_rows", "retirement", "tells_kind"]


def _set(*lines: str) -> frozenset[str]:
    return frozenset(word for line in lines for word in line.split())


# A header with one of these words says what a structure is; with one of _OF_DECK, what its deck is.
_HEADS = _set(
    "type typ typs typen tipo kind art soort structure structur struct struc bauart bauwerksart bauwerkstyp design",
    "material matériau materiau materiaal materiale matl category kategorie catégorie categoria baustoff werkstoff",
    "construction konstruktion konstruksjonstype brotyp brotype brutype service span",
    "構造 構造形式 種別 材料 橋種",
)
_OF_DECK = _set("deck slab fahrbahnplatte fahrbahn tablier tablero impalcato dek brodekk farbana 床版")
_NOT_HEADS = _set(
    "under below crossed over intersected feature features surface wearing overlay bar bars coating treatment",
    "railing rail joint bearing pier abutment owner route district work works road name id number no soil foundation",
    "appr approach surf protection membrane rebar reinforcement condition cond rating area width length count year",
    "date",
)
_MOST = 2_000  # different cells of a column of kinds; more is a column of remarks

_WORDS = {
    CULVERT_KIND: r"culverts?|pipes?|rcbc|durchl(?:ass|ässe)|\w*durchlass|buses?|dalots?|ponceaux?|alcantarillas?|"
    r"tombin[oi]|"
    r"duikers?|\w*kulvert\w*|stikkrenn\w*|\w*trumm(?:a|or)|bueiros?|カルバート|ボックスカルバート|溝橋|暗渠",
    "under fill": r"(?:under|earth) fill(?:ed)?|buried|filled arch|überschüttet\w*|sous remblai",
    "footbridge": r"pedestrians?|foot ?bridges?|foot ?path|bike ?way|bicycle|fu(?:ß|ss)g(?:ä|ae)nger\w*|"
    r"geh\w*brücke|passerelle|pasarela|passerella|passarela|voetgangers?\w*|gangbro|gangbru|横断歩道橋|歩道橋",
    "railway bridge": r"rail ?ways?|rail ?roads?|eisenbahn\w*|ferroviaires?|ferroviari[oa]|spoor\w*|jernbane\w*|"
    r"järnväg\w*|鉄道橋",
    "open grating": r"open grat\w*|open grid|grating|grid|open deck",
    "corrugated steel": r"corrugated|wellblech|wellstahl",
    "none": r"tunnel\w*",
    "steel": r"steel plate|steel deck|orthotropic|orthotrop\w*|stahlfahrbahn|acier orthotrope",
    "timber": r"timber|wood(?:en)?|holz\w*|bois|madera|madeira|legno|hout(?:en)?|trä|tre|træ|木橋|木",
    "masonry": r"masonry|brick\w*|stone|mauerwerk|naturstein|ziegel|maçonnerie|mampostería|muratura|alvenaria|石橋",
}
# Of a span these leave open what its deck is.
_IN_DECK = {
    "steel": _WORDS["steel"] + r"|steel|stahl|acier|acero|acciaio|aço|staal|stål|鋼",
    "closed grating": r"closed grat\w*|filled grat\w*|closed grid",
    "open grating": _WORDS["open grating"],
    "aluminium": r"alumin(?:i?um|io)",
    "other": r"others?|andere|autre|otro|altro|frp|fibre\w*|fiber\w*|plastic",
    "none": r"tunnel\w*|n/?a|n a|not applicable|no deck",
}
# A column with one of these is the deck's, whatever its header: they are said of decks alone.
_DECK_WORDS = re.compile(r"cast[\s-]*in[\s-]*place|precast(?: concrete)? panel", re.IGNORECASE)
_CONCRETE = r"\w*concrete|\w*beton\w*|béton|hormigón|concreto|calcestruzzo|betão|rc|pc|コンクリート|rc床版|pc床版"
_ROAD = r"high ?ways?|roads?|vehic\w*|straße\w*|strasse\w*|route|carretera|strada|車道|道路橋"
# What a cell leaves out is not what it is: "Frame (except frame culverts)".
_EXCEPT = re.compile(r"\b(?:except|excluding|excl|not|non|no|without|other than|ohne|sauf|hors|sin|excepto)\b[^,;)]*")

_PARTS = re.compile(
    r"\b(?:with|on|mit|auf|avec|sur|con|su)\b[^,;]*(?:abutment|pier|substructure|footing|pile|widerlager|culée)\w*"
)


def _has(pattern: str, text: str) -> bool:
    return re.search(rf"(?<!\w)(?:{pattern})(?!\w)", text) is not None


def kind_of_words(cell: str, *, of_deck: bool) -> str:
    """What a cell says a structure is; empty where it does not say.

    Parameters
    ----------
    cell : str
    of_deck : bool
        Whether the column is of the deck alone. A span of steel may carry a deck of concrete.

    Examples
    --------
    >>> kind_of_words("Concrete Box Culvert", of_deck=False), kind_of_words("Frame (except culverts)", of_deck=False)
    ('culvert', '')
    >>> kind_of_words("Steel", of_deck=False), kind_of_words("Steel", of_deck=True)
    ('', 'steel')
    """
    text = _EXCEPT.sub(" ", cell.casefold())
    text = re.sub(r"[\s_\-]+", " ", _PARTS.sub(" ", text)).strip()
    if not text:
        return ""
    if of_deck and text in DECK_KINDS:
        return text
    words = {**_WORDS, **_IN_DECK} if of_deck else _WORDS
    concrete = _has(_CONCRETE, text)
    for kind, pattern in words.items():
        if not _has(pattern, text):
            continue
        if kind in ("footbridge", "railway bridge") and _has(_ROAD, text):
            continue
        if concrete and kind in ("steel", "timber", "masonry", "aluminium", "other"):
            continue
        return kind
    return CONCRETE_DECK if of_deck and concrete else ""


def tells_kind(header: str) -> bool | None:
    """Whether a header is of what the deck is (True) or of what the structure is (False); None where of neither.

    Examples
    --------
    >>> tells_kind("Deck_Type"), tells_kind("MainMaterial"), tells_kind("Deck surface type"), tells_kind("Town")
    (True, False, None, None)
    """
    words = set(normal(re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header).replace("_", " ")).split())
    if not words & (_HEADS | _OF_DECK) or words & _NOT_HEADS:
        return None
    return bool(words & _OF_DECK)


def kinds_of_rows(rows: Rows) -> pd.Series | None:
    """What each row of a table says its structure is, by all columns that say so; None where none does.

    A culvert in any of them is a culvert; what the column of the deck says comes before what others say of the span.

    Returns
    -------
    Series of str, shape (n,)
        Missing where a row does not say.
    """
    found: list[tuple[int, pd.Series]] = []
    own = len(rows.table.headers) - rows.table.added
    taken = {c.index for n, c in rows.claims.items() if n != "deck_kind"}
    for index, header in enumerate(rows.table.headers[:own]):
        stated = rows.has("deck_kind") and rows.claims["deck_kind"].index == index
        head = True if stated else tells_kind(header)
        if head is None or (index in taken and not stated):
            continue
        codes, seen = once(rows.table.cells[index])
        if len(seen) > _MOST:
            continue
        coded = any(_DECK_WORDS.search(str(s)) for s in seen)
        of_deck = head or coded
        told = [kind_of_words(str(s), of_deck=of_deck) for s in seen]
        if not any(told):
            continue
        if coded:
            told = [kind or ("not stated" if not str(s).strip() else "") for kind, s in zip(told, seen, strict=True)]
        kind = spread(told, codes)
        found.append((0 if of_deck else 1, kind.mask(kind == "").reset_index(drop=True)))
        rows.also[index] = ("deck_kind", f"its words say what the {'deck' if of_deck else 'structure'} is")
    if (rated := _rated_as_none(rows, of_culverts=not found)) is not None:
        found.append((2, rated))
    if not found:
        return None
    found.sort(key=lambda f: f[0])
    out = found[0][1]
    for _, more in found[1:]:
        # A deck said to be of concrete stays so on a span of whatever stuff.
        out = out.fillna(more)
        firm = more.isin([CULVERT_KIND, "under fill", "footbridge", "railway bridge"])
        out = out.mask(firm & (out != CULVERT_KIND), more)
    return out


def _rated_as_none(rows: Rows, *, of_culverts: bool) -> pd.Series | None:
    """Rows without a deck by their ratings: that of the deck does not apply, or the culvert has one and the deck none.

    Parameters
    ----------
    rows : Rows
    of_culverts : bool
        Whether the rating of culverts is asked; not where other columns say what is a culvert.

    Returns
    -------
    Series of str, shape (n,), or None
        None where no column is of the deck's rating, or none says so.
    """
    if not rows.has("deck_rating"):
        return None
    deck = rows.text("deck_rating")
    assert deck is not None  # noqa: S101
    deck = deck.str.upper()
    kind = pd.Series(pd.array([None] * rows.n, dtype="str"))
    kind[(deck == "N").to_numpy(dtype=bool)] = "not stated"
    for index, header in enumerate(rows.table.headers[: len(rows.table.headers) - rows.table.added]):
        words = set(words_of(header))
        if not of_culverts or "culvert" not in words or not words & {"cond", "condition", "rating"}:
            continue
        said = rows.table.cells[index].astype("str").str.strip("'\" ")
        culvert = said.str.fullmatch(r"[0-9]").to_numpy(dtype=bool) & ~deck.str.match(r"[0-9]").to_numpy(dtype=bool)
        kind[culvert] = CULVERT_KIND
        rows.also[index] = ("deck_kind", "a culvert has a rating of its own, and its deck none")
    return kind if kind.notna().any() else None


def retirement(rows: Rows, register: Register, deck: pd.Series, kind: pd.Series, year: Floats) -> dict[str, Any]:
    """Decks that are ranked on record and can be no longer, and decks retired on record that are in use again.

    Parameters
    ----------
    rows : Rows
    register : Register
    deck : Series of str, shape (n,)
        Deck of each row.
    kind : Series of str, shape (n,)
        What it is, missing where not known.
    year : array of float, shape (n,)
        Of the file's statement; NaN takes today.

    Returns
    -------
    dict
        in_use, retired_on and retired_why of the deck records.
    """
    held = deck.map(register.ranked)
    other = (kind.notna() & (kind != CONCRETE_DECK)).to_numpy(dtype=bool)
    gone = (held == True).to_numpy(dtype=bool) & other  # noqa: E712
    back = (held == False).to_numpy(dtype=bool) & (kind == CONCRETE_DECK).to_numpy(dtype=bool, na_value=False)  # noqa: E712
    in_use = pd.array([pd.NA] * rows.n, dtype="boolean")
    in_use[gone], in_use[back] = False, True
    on = np.full(rows.n, np.datetime64("NaT"), dtype="datetime64[us]")
    why = pd.Series([None] * rows.n, dtype="object")
    for i in np.flatnonzero(gone):
        on[i] = f"{int(year[i])}-01-01" if year[i] == year[i] else rows.today.isoformat()
        why.iloc[i] = f"no longer a concrete deck but {called(kind.iloc[i])}, by {rows.file} line {rows.table.line[i]}"
    return {"in_use": in_use, "retired_on": on, "retired_why": why.astype("str").where(why.notna())}

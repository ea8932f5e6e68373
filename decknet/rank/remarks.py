"""What a remark speaks of that cannot wait."""

from __future__ import annotations

import re

__all__ = ["spoken_of"]

_NOT = r"(?:no|not|none|without|nor|any|free of|0|zero|keine?|ohne)"
_SPOKEN = {
    "hole": re.compile(
        r"\b(?:(?:open |full[- ]?depth |through |punch(?:ed)?[- ]?)?holes?|pot ?holes?|punch[- ]?(?:through|out)s?|"
        r"daylight|see(?:s|n)? through|fell through|(?:steel )?plate(?:d|s)? over|blow[- ]?(?:out|through)s?)\b",
        re.IGNORECASE,
    ),
    "exposed bar": re.compile(
        r"\b(?:(?:exposed|bare|visible) (?:top )?(?:bars?|rebars?|re-?bars?|reinforcement|reinforcing|steel)|"
        r"(?:top )?(?:bars?|rebars?|reinforcement|steel) (?:is |are )?(?:exposed|showing|visible|bare))\b",
        re.IGNORECASE,
    ),
    "closed lane": re.compile(
        r"\b(?:lanes?|shoulders?|bridge|deck|carriageway)\b[^.;,]{0,25}\b(?:still |left |kept |was |is |are |were )*"
        r"(?:closed|shut|coned off|barricaded)\b|\b(?:closed|shut|coned off)\b[^.;,]{0,12}\blanes?\b",
        re.IGNORECASE,
    ),
}
_BEFORE = re.compile(rf"\b{_NOT}\b[\w\s/,-]{{0,30}}$", re.IGNORECASE)
# Closed to do the survey is no hazard; nor are holes that belong there.
_HARMLESS = re.compile(
    r"\b(?:drain(?:age)?|weep|scupper|bolt|core|cored|drill(?:ed)?|anchor|vent|test) holes?\b|"
    r"\b(?:closed|shut|coned off)\b[^.;]{0,20}\b(?:for|during|to do) (?:the |this |our )?"
    r"(?:survey|sounding|inspection|work)\b",
    re.IGNORECASE,
)


def spoken_of(remark: str) -> frozenset[str]:
    """What a remark speaks of: "hole", "exposed bar", "closed lane"; nothing where it says that there is none.

    Examples
    --------
    >>> sorted(spoken_of("Full-depth hole near joint 2, right lane coned off"))
    ['closed lane', 'hole']
    >>> sorted(spoken_of("no holes, no bars exposed; drain holes blocked"))
    []
    """
    text = _HARMLESS.sub(" ", remark)
    return frozenset(
        name
        for name, words in _SPOKEN.items()
        if any(not _BEFORE.search(text[: hit.start()]) for hit in words.finditer(text))
    )

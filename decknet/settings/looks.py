"""Settings of what a survey can find."""

from __future__ import annotations

from dataclasses import dataclass, fields

from decknet.columns.choices import DEFECT_KINDS
from decknet.settings.item import item

__all__ = ["LookSettings", "kinds_fault", "kinds_found"]

_ALL = "delamination, spall, hole, exposed bar, failed patch"
_HOLLOW = "delamination, failed patch"


@dataclass(frozen=True, slots=True, kw_only=True)
class LookSettings:
    """What each method of survey can find, and when part of a deck counts as the whole of it."""

    sounding: str = item(
        _ALL, "", "Kinds that sounding with rod or hammer and the eye finds.", "practice",
        "hollow concrete is heard, broken concrete is seen on the way",
    )  # fmt: skip
    chain_drag: str = item(_ALL, "", "Kinds that a dragged chain and the eye find.", "practice", "as for sounding")
    hammer: str = item(_ALL, "", "Kinds that a hammer and the eye find.", "practice", "as for sounding")
    impact_echo: str = item(
        _HOLLOW, "", "Kinds that impact echo finds.", "practice", "an echo tells hollow from sound, not what lies open"
    )
    infrared: str = item(
        _HOLLOW, "", "Kinds that infrared finds.", "practice", "warm spots over hollow concrete; no holes, no bars"
    )
    radar: str = item(_HOLLOW, "", "Kinds that ground-penetrating radar finds.", "practice", "as for infrared")
    half_cell: str = item(
        "", "", "Kinds that half-cell potentials find.", "practice", "potentials tell of corrosion, not of hollowness"
    )
    visual: str = item(
        "spall, hole, exposed bar", "", "Kinds that the eye alone finds.", "practice", "hollow concrete is not seen"
    )
    whole_from: float = item(
        0.995, "share", "Part of a deck from which a stated area counts as the whole of it.", "own words",
        low=0.5, high=1,
    )  # fmt: skip


def kinds_found(look: LookSettings, method: str) -> frozenset[str]:
    """Kinds that a method finds; none for a method that is not in the settings.

    Examples
    --------
    >>> sorted(kinds_found(LookSettings(), "infrared"))
    ['delamination', 'failed patch']
    """
    text = getattr(look, method.replace(" ", "_").replace("-", "_"), "")
    return frozenset(k.strip() for k in text.split(",") if k.strip()) if isinstance(text, str) else frozenset()


def kinds_fault(look: LookSettings) -> str:
    """What is wrong with the kinds; empty where all are known."""
    for f in fields(look):
        value = getattr(look, f.name)
        if isinstance(value, str) and (bad := kinds_found(look, f.name) - set(DEFECT_KINDS)):
            return f"{f.name}: {min(bad)!r} is not a kind of defect. Known: {', '.join(DEFECT_KINDS)}."
    return ""

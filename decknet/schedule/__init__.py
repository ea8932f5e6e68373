"""Which works, which year: options, costs and effects, and the choice under yearly budgets."""

from __future__ import annotations

from decknet.schedule.choose import Choice, Options, choose_options
from decknet.schedule.programme import Programme, make_programme
from decknet.schedule.treatments import (
    Decks,
    Works,
    deck_figures,
    discounted_share,
    share_after_work,
    share_at,
    work_out,
)

__all__ = [
    "Choice",
    "Decks",
    "Options",
    "Programme",
    "Works",
    "choose_options",
    "deck_figures",
    "discounted_share",
    "make_programme",
    "share_after_work",
    "share_at",
    "work_out",
]

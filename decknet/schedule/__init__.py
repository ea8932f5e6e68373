"""Which works, which year: options, costs and effects, and the choice under yearly budgets."""

from __future__ import annotations

from decknet.schedule.choose import choose_options
from decknet.schedule.closure import (
    Queue,
    Roads,
    choose_closures,
    queue_through,
    road_figures,
    taper_m,
    user_costs,
    work_zone_capacity,
)
from decknet.schedule.decks import Decks, deck_figures
from decknet.schedule.doubt import Doubt, doubt_of
from decknet.schedule.exposure import discounted_share, share_after_work, share_at
from decknet.schedule.looking import look_worth, within_hours
from decknet.schedule.options import Choice, Options, Rules
from decknet.schedule.overbreak import overbreak_found
from decknet.schedule.paths import Paths
from decknet.schedule.programme import Programme, make_programme, whole_by_solver
from decknet.schedule.treatments import Works, later_cost, work_out

__all__ = [
    "Choice",
    "Decks",
    "Doubt",
    "Options",
    "Paths",
    "Programme",
    "Queue",
    "Roads",
    "Rules",
    "Works",
    "choose_closures",
    "choose_options",
    "deck_figures",
    "discounted_share",
    "doubt_of",
    "later_cost",
    "look_worth",
    "make_programme",
    "overbreak_found",
    "queue_through",
    "road_figures",
    "share_after_work",
    "share_at",
    "taper_m",
    "user_costs",
    "whole_by_solver",
    "within_hours",
    "work_out",
    "work_zone_capacity",
]

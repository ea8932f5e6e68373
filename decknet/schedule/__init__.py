"""Which works, which year: options, costs and effects, and the choice under yearly budgets."""

from __future__ import annotations

from decknet.schedule.choose import Choice, Options, Rules, choose_options
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
from decknet.schedule.overbreak import overbreak_found
from decknet.schedule.programme import Programme, make_programme, whole_by_solver
from decknet.schedule.treatments import (
    Decks,
    Works,
    deck_figures,
    discounted_share,
    later_cost,
    share_after_work,
    share_at,
    work_out,
)

__all__ = [
    "Choice",
    "Decks",
    "Options",
    "Programme",
    "Queue",
    "Roads",
    "Rules",
    "Works",
    "choose_closures",
    "choose_options",
    "deck_figures",
    "discounted_share",
    "later_cost",
    "make_programme",
    "overbreak_found",
    "queue_through",
    "road_figures",
    "share_after_work",
    "share_at",
    "taper_m",
    "user_costs",
    "whole_by_solver",
    "work_out",
    "work_zone_capacity",
]

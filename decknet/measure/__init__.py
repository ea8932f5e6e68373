"""What a survey says, and what it takes to put right."""

from decknet.measure.known import RENEWING, DeckAsKnown, deck_as_known
from decknet.measure.laid import spalls_left_alone
from decknet.measure.limits import limits_cost, repair_limits
from decknet.measure.looks import deck_edges, survey_looks
from decknet.measure.mix import (
    Mix,
    coarse_part,
    free_water_kg,
    mixing_water_kg_m3,
    proportion_mix,
    sacks,
    water_cement_ratio,
)
from decknet.measure.plain import plain_costs
from decknet.measure.quantities import bar_clearance_mm, bars_to_replace, deck_quantities, limit_quantities, order_m3
from decknet.measure.share import area_once, survey_shares, unsound_share
from decknet.measure.weather import (
    dries_too_fast,
    equivalent_age_h,
    evaporation_kg_m2_h,
    evaporation_lb_ft2_h,
    evaporation_menzel_kg_m2_h,
    hours_at,
    opening_h,
    strength_age_h,
    temperature_time_ch,
)

__all__ = [
    "RENEWING",
    "DeckAsKnown",
    "Mix",
    "area_once",
    "bar_clearance_mm",
    "bars_to_replace",
    "coarse_part",
    "deck_as_known",
    "deck_edges",
    "deck_quantities",
    "dries_too_fast",
    "equivalent_age_h",
    "evaporation_kg_m2_h",
    "evaporation_lb_ft2_h",
    "evaporation_menzel_kg_m2_h",
    "free_water_kg",
    "hours_at",
    "limit_quantities",
    "limits_cost",
    "mixing_water_kg_m3",
    "opening_h",
    "order_m3",
    "plain_costs",
    "proportion_mix",
    "repair_limits",
    "sacks",
    "spalls_left_alone",
    "strength_age_h",
    "survey_looks",
    "survey_shares",
    "temperature_time_ch",
    "unsound_share",
    "water_cement_ratio",
]

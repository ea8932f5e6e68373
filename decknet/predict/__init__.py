"""What will happen."""

from decknet.predict.after_works import forecast_after
from decknet.predict.ahead import YearsAhead, part_failed, years_ahead
from decknet.predict.backtest import METHODS, BackTest, back_test, back_test_histories, skill, verdict
from decknet.predict.damage import damage_account, damage_ever, deck_lives
from decknet.predict.elements import STATES, element_pairs, element_states, states_ahead
from decknet.predict.fit import fit_growth, fit_growth_model, fit_histories, histories_of
from decknet.predict.followed import SEASONS, followed_repairs, temperature_classes
from decknet.predict.growth import UNKNOWN, Growth
from decknet.predict.near_bands import look_first
from decknet.predict.nearness import Nearness, learn_nearness, look_pairs, ring_tables
from decknet.predict.paced import pool_rates
from decknet.predict.states import fit_ratings, fit_shares, forecast_states, rating_sequences
from decknet.predict.survival import area_life, compare, fit_weibull, nonparametric, resampled_band

__all__ = [
    "METHODS",
    "SEASONS",
    "STATES",
    "UNKNOWN",
    "BackTest",
    "Growth",
    "Nearness",
    "YearsAhead",
    "area_life",
    "back_test",
    "back_test_histories",
    "compare",
    "damage_account",
    "damage_ever",
    "deck_lives",
    "element_pairs",
    "element_states",
    "fit_growth",
    "fit_growth_model",
    "fit_histories",
    "fit_ratings",
    "fit_shares",
    "fit_weibull",
    "followed_repairs",
    "forecast_after",
    "forecast_states",
    "histories_of",
    "learn_nearness",
    "look_first",
    "look_pairs",
    "nonparametric",
    "part_failed",
    "pool_rates",
    "rating_sequences",
    "resampled_band",
    "ring_tables",
    "skill",
    "states_ahead",
    "temperature_classes",
    "verdict",
    "years_ahead",
]

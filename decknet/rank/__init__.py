"""Which deck first."""

from decknet.rank.hazards import CLOSED, OPEN, TO_CONFIRM, follow_hazards
from decknet.rank.priority import rank_decks
from decknet.rank.reasons import looked_words
from decknet.rank.sound import overdue, sounding_due
from decknet.rank.sure import rank_groups, rank_ranges
from decknet.rank.traffic import route_trends, traffic_in_use
from decknet.rank.urgent import STATES, act_now, with_words
from decknet.rank.whatif import weight_moves

__all__ = [
    "CLOSED",
    "OPEN",
    "STATES",
    "TO_CONFIRM",
    "act_now",
    "follow_hazards",
    "looked_words",
    "overdue",
    "rank_decks",
    "rank_groups",
    "rank_ranges",
    "route_trends",
    "sounding_due",
    "traffic_in_use",
    "weight_moves",
    "with_words",
]

"""Which deck first."""

from decknet.rank.priority import rank_decks
from decknet.rank.traffic import traffic_in_use
from decknet.rank.urgent import act_now

__all__ = ["act_now", "rank_decks", "traffic_in_use"]

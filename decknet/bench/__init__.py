"""Speed, measured: made-up records of a stated size through every step, printed as figures.

Nothing here is asserted: how fast a machine is depends on the machine.
"""

from decknet.bench.district import district
from decknet.bench.growth import growth
from decknet.bench.limits import limits
from decknet.bench.load import load
from decknet.bench.map import map_page
from decknet.bench.programme import programme
from decknet.bench.ranking import ranking

__all__ = ["district", "growth", "limits", "load", "map_page", "programme", "ranking"]

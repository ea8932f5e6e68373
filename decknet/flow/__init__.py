"""Use cases: read, compute, write back. The only room that joins the store to the computations.

The door gives what every use needs; ``works`` (crew sheets), ``forecast``, ``planning``, ``clerk`` and ``exchange``
are modules of their own.
"""

from decknet.flow.atlas import draw_map
from decknet.flow.files import software, who_am_i, write_whole
from decknet.flow.intake import Loaded, create, intake_faults, intake_log, load, save_mapping, undo
from decknet.flow.network import (
    Network,
    budgets_for,
    network_from,
    next_soundings,
    plan,
    read_network,
    save_programme,
    weight_ranges,
)
from decknet.flow.report import report
from decknet.show import cut_short_words

__all__ = [
    "Loaded",
    "Network",
    "budgets_for",
    "create",
    "cut_short_words",
    "draw_map",
    "intake_faults",
    "intake_log",
    "load",
    "network_from",
    "next_soundings",
    "plan",
    "read_network",
    "report",
    "save_mapping",
    "save_programme",
    "software",
    "undo",
    "weight_ranges",
    "who_am_i",
    "write_whole",
]  # fmt: skip

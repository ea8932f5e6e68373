"""Use cases: read, compute, write back. The only room that joins the store to the computations.

``reading`` gives the records of one moment, ``condition`` the network on a day, ``programme`` the answer to a question;
every output is drawn from these three.
"""

from decknet.flow.condition import Condition, condition_of, read_condition
from decknet.flow.files import software, who_am_i, write_whole
from decknet.flow.hazards import Closes, ledger_of
from decknet.flow.intake import Loaded, close, create, intake_faults, intake_log, load, save_mapping, undo
from decknet.flow.outputs import draw_map
from decknet.flow.programme import Question, Study, budgets_for, kept_study, study
from decknet.flow.reading import AsOf, Records, read_records
from decknet.flow.report import report
from decknet.show import cut_short_words, handbook

__all__ = [
    "AsOf", "Closes", "Condition", "Loaded", "Question", "Records", "Study", "budgets_for", "close", "condition_of",
    "create",
    "cut_short_words", "draw_map", "handbook",
    "intake_faults", "intake_log", "kept_study", "ledger_of", "load", "read_condition", "read_records", "report",
    "save_mapping",
    "software", "study", "undo", "who_am_i", "write_whole",
]  # fmt: skip

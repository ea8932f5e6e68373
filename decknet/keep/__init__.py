"""The store: one DuckDB file, and the only SQL."""

from decknet.keep.programmes import add_programme, programme_parts, programmes, withdraw_programme
from decknet.keep.store import Intake, Store

__all__ = ["Intake", "Store", "add_programme", "programme_parts", "programmes", "withdraw_programme"]

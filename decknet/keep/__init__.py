"""The store: one DuckDB file, and the only SQL."""

from decknet.keep.store import Intake, Store

__all__ = ["Intake", "Store"]

"""The errors decknet raises on purpose.

A message gives the place, the value, the rule and the remedy, in that order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "BudgetError",
    "DecknetError",
    "LocationError",
    "RecordError",
    "SettingsError",
    "StoreBusyError",
    "StoreError",
]


class DecknetError(Exception):
    """Root of everything decknet raises on purpose."""


class RecordError(DecknetError, ValueError):
    """Records that cannot be used.

    Attributes
    ----------
    faults : DataFrame or None
        One row a fault, with the columns of ``columns.FAULT``.
    suggestion : str
        Of a file that is not recognised, a mapping file that may load it; empty where there is none.
    """

    def __init__(self, message: str, faults: pd.DataFrame | None = None, suggestion: str = "") -> None:
        super().__init__(message)
        self.faults = faults
        self.suggestion = suggestion


class LocationError(DecknetError, ValueError):
    """A position or a coordinate system that cannot be used."""


class StoreError(DecknetError):
    """The store file cannot be used as asked."""


class StoreBusyError(StoreError):
    """Another process has the store open."""


class SettingsError(DecknetError, ValueError):
    """A settings file with a key or value that cannot be used."""


class BudgetError(DecknetError, ValueError):
    """A programme that cannot be made as asked."""

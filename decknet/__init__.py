"""decknet: bridge-deck surveys and repairs in, a ranked network map and a repair programme out.

``decknet.open(path)`` opens a district's store.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decknet.flow.district import District
    from decknet.settings import Settings

__all__ = ["open"]


def open(  # noqa: A001
    path: Path | str, *, write: bool = False, settings: Settings | Path | str | None = None, today: date | None = None
) -> District:
    """A district's store, for questions from Python.

    Parameters
    ----------
    path : path
        The store, as ``decknet new`` makes it.
    write : bool
        Whether records may be brought in; else the store is only read.
    settings : Settings or path of a TOML file, optional
    today : date, optional
        The day the figures are of; else today.

    Returns
    -------
    District
        Also a context manager.

    Raises
    ------
    StoreError
        There is no store there, or it is in use by a program that writes.
    """
    from decknet.flow.district import District

    return District(path, write=write, settings=settings, today=today)

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
    path: Path | str, *, write: bool = False, settings: Settings | Path | str | None = None,
    today: date | None = None, as_of: date | None = None, known_by: date | None = None,
) -> District:  # fmt: skip
    """A district's store, for questions from Python.

    Parameters
    ----------
    path : path
        The store, as ``decknet new`` makes it.
    write : bool
        Whether records may be brought in; else the store is only read.
    settings : Settings or path of a TOML file, optional
    today : date, optional
        The day the figures are of; else ``as_of``, else today.
    as_of : date, optional
        Only records dated to this day.
    known_by : date, optional
        Only records brought in by this day.

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

    return District(path, write=write, settings=settings, today=today, as_of=as_of, known_by=known_by)

"""Names for the logs, and files written whole."""

from __future__ import annotations

import getpass
import os
import tempfile
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from decknet.errors import DecknetError

__all__ = ["software", "who_am_i", "write_whole"]


def software() -> str:
    """Name and version of this program, as kept in the logs."""
    try:
        return f"decknet {version('decknet')}"
    except PackageNotFoundError:
        return "decknet"


def who_am_i() -> str:
    """Name of the user, for the intake log."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "not known"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is either there whole or not at all, keeping an older one until then.

    Raises
    ------
    DecknetError
        The file cannot be written; an older one of that name is still whole.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-", suffix=path.suffix)
    except OSError as why:
        raise DecknetError(f"{path}: cannot be written ({why.strerror}). Choose another folder.") from why
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        part.chmod(0o644)
        part.replace(path)
    except OSError as why:
        part.unlink(missing_ok=True)
        raise DecknetError(f"{path}: cannot be written ({why.strerror}). Make room or choose another folder.") from why

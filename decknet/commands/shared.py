"""What several commands begin with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decknet.settings import Settings

__all__ = ["settings_of"]


def settings_of(path: Path | None) -> Settings:
    """The settings of a file, or the defaults."""
    from decknet.settings import load_settings

    return load_settings(path)

"""Small invented records, typed as the store gives them."""

from __future__ import annotations

from typing import Any

import pandas as pd

from decknet.columns import RECORDS
from decknet.keep.frames import typed


def records(record: str, /, **columns: Any) -> pd.DataFrame:
    """A frame of one kind of record from the columns given; the others are missing."""
    return typed(pd.DataFrame(columns), RECORDS[record].columns)


def rows(record: str, /, **columns: Any) -> pd.DataFrame:
    """As ``records``, with the sheet and line that an intake needs."""
    frame = records(record, **columns)
    return frame.assign(sheet="", line=range(2, len(frame) + 2))

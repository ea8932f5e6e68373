"""What rows take off the record, as their column ``cleared`` says it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

__all__ = ["cleared_in"]


def cleared_in(frame: pd.DataFrame) -> dict[str, np.ndarray[Any, np.dtype[np.bool_]]]:
    """Which rows clear a column, by the column's name."""
    if "cleared" not in frame or frame["cleared"].isna().all():
        return {}
    words = frame["cleared"].fillna("").str.split()
    names = sorted({n for said in words for n in said})
    return {name: np.array([name in said for said in words], dtype=bool) for name in names}

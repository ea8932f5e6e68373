"""Tables as the page templates take them, and the pieces of text that stand in them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from decknet.show import words

__all__ = ["column", "id_width", "joined", "listing", "name_route", "short"]

LONGEST_TEXT = 600  # characters of one text in a table


def listing(
    headers: Sequence[str],
    align: str,
    widths: Sequence[str],
    rows: list[list[str]],
    *,
    notes: list[str] | None = None,
    sums: list[str] | None = None,
) -> dict[str, Any]:
    """A table as the templates take it.

    Parameters
    ----------
    headers : sequence of str
        With units.
    align : str
        l or r for each column; figures stand right.
    widths : sequence of str
        In mm or fr, for each column.
    rows : list of lists of str
    notes : list of str or None
        A sentence below each row, across the table from its second column on; may be empty.
    sums : list of str or None
        A last row.
    """
    sides = ["right" if a == "r" else "left" for a in align]
    return {
        "headers": list(headers), "align": sides, "widths": list(widths), "rows": rows,
        "notes": notes or [""] * len(rows), "sums": sums,
    }  # fmt: skip


def short(value: Any, most: int = LONGEST_TEXT) -> str:
    """Text of the records on one line, cut where it is very long."""
    text = " ".join(words.text(str(value)[: 4 * most] if isinstance(value, str) else value).split())
    return text if len(text) <= most and not _longer(value, most) else text[:most].rstrip() + " … (cut)"


def _longer(value: Any, most: int) -> bool:
    return isinstance(value, str) and len(value) > 4 * most


def id_width(ids: Iterable[Any]) -> str:
    """Width of a column of deck numbers."""
    longest = max((len(str(i)) for i in ids), default=4)
    return f"{min(max(14.0, 1.75 * longest + 4), 32.0):.1f}mm"


def joined(frame: pd.DataFrame, status: pd.DataFrame) -> pd.DataFrame:
    """Rows about decks with the name, route and rank of each, ids as text."""
    beside = pd.DataFrame({"deck_id": status["deck_id"].astype("str")})
    for name in ("name", "route", "rank"):
        beside[name] = status[name].array if name in status.columns else pd.Series(pd.NA, index=status.index).array
    ids = frame["deck_id"].astype("str") if "deck_id" in frame.columns else pd.Series(dtype="str")
    own = frame.drop(columns=["name", "route", "rank"], errors="ignore").assign(deck_id=ids)
    return own.merge(beside, on="deck_id", how="left")


def column(frame: pd.DataFrame, name: str) -> list[Any]:
    """Values of a column, all missing where there is none."""
    return list(frame[name]) if name in frame.columns else [None] * len(frame)


def name_route(name: Any, route: Any, most: int = 400) -> str:
    """Name of a bridge with its route."""
    shown = short(name, most) or "no name on record"
    return shown if not words.text(route) else f"{shown}, {short(route, most)}"

"""One of our page templates set as PDF, with its data passed as text, never as code."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, datetime
from importlib import resources
from typing import Any

import typst

__all__ = ["pdf"]


def pdf(template: str, data: Mapping[str, Any], today: date) -> bytes:
    """A PDF from a template in ``show/page``.

    Parameters
    ----------
    template : str
        File name of the template; it reads its data as JSON.
    data : mapping
        What JSON can hold; no NaN.
    today : date
        Day of creation kept in the file, so that the same input gives the same bytes.

    Returns
    -------
    bytes
    """
    inputs = json.dumps(data, allow_nan=False, ensure_ascii=False)
    stamp = datetime(today.year, today.month, today.day) - datetime(1970, 1, 1)
    return bytes(
        typst.compile(
            (resources.files("decknet.show") / "page" / template).read_bytes(),
            format="pdf",
            sys_inputs={"data": inputs},
            ignore_system_fonts=_fonts_suffice(inputs),
            timestamp=int(stamp.total_seconds()),
        )
    )


def _fonts_suffice(text: str) -> bool:
    """Whether the fonts that come with the typesetter hold every letter, so that no font of the computer is needed."""
    return all(c < "\u0590" or "\u1e00" <= c < "\u2c00" or c == "\ufffd" for c in set(text))

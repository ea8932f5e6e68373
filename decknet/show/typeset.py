"""One of our page templates set as PDF, with its data passed as text, never as code."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, datetime
from importlib import resources
from typing import Any, Literal

import typst

from decknet.errors import SettingsError

__all__ = ["PAPERS", "check_paper", "pdf"]

PAPERS = {"a4": 170.0, "us-letter": 175.9}  # paper -> width between the margins of a document, mm

COMMON = b'#import "common.typ": *\n'  # a page that begins with what our pages share


def check_paper(paper: str) -> None:
    """Raise SettingsError where the paper is not known."""
    if paper not in PAPERS:
        raise SettingsError(f"paper: {paper!r} is not known. Use {' or '.join(PAPERS)}.")


def pdf(template: str, data: Mapping[str, Any], today: date) -> bytes:
    """A PDF from a template in ``show/page``.

    The file is tagged: headings, tables and the words of pictures can be read by a screen reader. Where every letter
    can be drawn it also holds to the open standard for accessible documents (PDF/UA-1).

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
    pages = resources.files("decknet.show") / "page"
    main = (pages / template).read_bytes()
    shares = COMMON in main
    if shares:
        main = main.replace(COMMON, (pages / "common.typ").read_bytes())

    def made(standard: Literal["ua-1"] | None) -> bytes:
        return bytes(
            typst.compile(
                main,
                format="pdf",
                sys_inputs={"data": inputs},
                ignore_system_fonts=_fonts_suffice(inputs),
                timestamp=int(stamp.total_seconds()),
                pdf_standards=standard,
            )
        )

    if not shares:
        return made(None)
    try:
        return made("ua-1")
    except typst.TypstError:
        # Some letter has no shape in any font here; the standard forbids that, the page shows a box.
        return made(None)


def _fonts_suffice(text: str) -> bool:
    """Whether the fonts that come with the typesetter hold every letter, so that no font of the computer is needed."""
    return all(c < "\u0590" or "\u1e00" <= c < "\u2c00" or c == "\ufffd" for c in set(text))

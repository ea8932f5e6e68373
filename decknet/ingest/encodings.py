"""Bytes to text: the encoding stated, else the one that the bytes themselves tell."""

from __future__ import annotations

import codecs
import re
from typing import TYPE_CHECKING

from decknet.errors import RecordError

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["decoded", "latin"]

# Single-byte encodings that files of the trade come in, the likeliest first.
_SINGLE = {"cp1252": "Windows-1252", "cp850": "code page 850 of DOS", "mac_roman": "Mac Roman"}
_COMMON = frozenset("äöüßéèêëàâáíóúñçøåæœîïôûùìòãõ")  # letters of the languages whose headers are read
_IN_WORD = re.compile(rb"(?<=[A-Za-z])[\x80-\xff]+(?=[a-z])")  # at the edge of a word it may be a quote
_SPOILT = re.compile("Ã[\u0080-\u00bfŒœŠšŸŽžƒˆ˜–—‘’‚“”„†‡•…‰‹›€™]|Â[\u00a0-\u00bf]")
_JAPANESE = re.compile("[\u3000-\u30ff\u4e00-\u9fff\uff00-\uffef]+")
_MANY = 0.05  # share of bytes above 127 from which a text is no Latin one


def decoded(path: Path, stated: str = "") -> tuple[str, str]:
    """The text of a file, and what is to be said of how it was read.

    Parameters
    ----------
    path : Path
    stated : str
        The encoding as the user states it; empty where not.

    Raises
    ------
    RecordError
        The encoding stated is not known or does not fit, or none does.
    """
    raw = path.read_bytes()
    if raw[:2] == b"PK":
        raise RecordError(
            f"{path.name}: this is a workbook or an archive, not delimited text. Give it its right ending: .xlsx."
        )
    if stated:
        return _as_stated(path, raw, stated), f"text read as {stated}, as stated"
    for encoding in _tries(raw):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        return text, _note(encoding, text)
    raise RecordError(
        f"{path.name}: the bytes are not text in UTF-8, UTF-16 or Windows-1252. Save it as CSV UTF-8, or state its "
        "encoding: --encoding cp850."
    )


def latin(raw: bytes) -> str:
    """The encoding of text beside shapes, which tells none: UTF-8 where it is that, else by its letters.

    Examples
    --------
    >>> latin("Grünwehr".encode()), latin("Grünwehr".encode("cp1252")), latin("Grünwehr".encode("cp850"))
    ('utf-8', 'cp1252', 'cp850')
    """
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return _single_byte(raw)
    return "utf-8"


def _as_stated(path: Path, raw: bytes, stated: str) -> str:
    try:
        name = codecs.lookup(stated).name
    except LookupError:
        raise RecordError(
            f"{path.name}: {stated!r} is no encoding that is known. Known are utf-8, cp1252, cp850, cp932 and the like."
        ) from None
    try:
        return raw.decode("utf-8-sig" if name == "utf-8" else name)
    except (UnicodeDecodeError, LookupError) as why:
        where = f" (byte {why.start})" if isinstance(why, UnicodeDecodeError) else ""
        raise RecordError(f"{path.name}: the bytes are not text in {stated}{where}. State another encoding.") from None


def _tries(raw: bytes) -> list[str]:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return ["utf-16"]
    if len(raw) > 3 and raw[1:40:2].count(0) > len(raw[1:40:2]) // 2:
        return ["utf-16-le"]
    if len(raw) > 3 and raw[:40:2].count(0) > len(raw[:40:2]) // 2:
        return ["utf-16-be"]
    return ["utf-8-sig", *(["cp932"] if _is_japanese(raw) else []), _single_byte(raw), "cp1252"]


def _is_japanese(raw: bytes) -> bool:
    """Whether bytes are Japanese text in Shift JIS: many are above 127, and they decode to its letters."""
    head = raw[:200_000]
    if sum(b > 127 for b in head) < _MANY * len(head):
        return False
    text = head.decode("cp932", "replace")
    if "\ufffd" in text[:-1]:
        return False
    runs = re.findall("[^\x00-\x7f]+", text)
    letters = sum(len(run) for run in runs if len(run) > 1 and _JAPANESE.fullmatch(run))
    return letters > 0.8 * sum(map(len, runs))  # words, not single letters between Latin ones


def _single_byte(raw: bytes) -> str:
    """The encoding in which letters inside words are letters of a language, not signs.

    Examples
    --------
    >>> _single_byte("Brücke über die Öd".encode("cp850")), _single_byte("Brücke".encode("cp1252"))
    ('cp850', 'cp1252')
    """
    found = _IN_WORD.findall(raw[:2_000_000])
    if not found:
        return "cp1252"

    def letters(encoding: str) -> int:
        text = "".join(piece.decode(encoding, "replace") for piece in found)
        return sum(1 if c.lower() in _COMMON else -1 for c in text)

    return max(_SINGLE, key=letters)


def _note(encoding: str, text: str) -> str:
    if encoding == "utf-8-sig":
        spoilt = _SPOILT.findall(text[:2_000_000])
        if len(spoilt) < 2:
            return ""
        return (
            f"letters such as {spoilt[0]!r} stand where one was meant: the text was saved in a wrong encoding before; "
            "export it anew from where it came"
        )
    called = {**_SINGLE, "cp932": "Shift JIS"}.get(encoding, "UTF-16")
    return f"text read as {called}" + ("" if encoding == "cp1252" or called == "UTF-16" else ", by its letters")

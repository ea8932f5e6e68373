"""The bytes of a store's file and of the log beside it, read without the engine.

The engine looks at a block's checksum when a question needs the block, and at an index hardly ever. Here every block
is read. The log is read for where its entries end, since the engine passes over a log that breaks off in the middle.

References
----------
published: DuckDB, Internals, Storage (three headers of 4,096 bytes, then blocks of equal size, each beginning with the
checksum of its rest) and its source, ``checksum.cpp``, ``write_ahead_log.cpp``. Held against the engine in use by
``tests/keep/test_blocks.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

__all__ = ["Log", "damaged_blocks", "read_log"]

_HEADER = 4096
_HEADERS = 3
_FACTOR = np.uint64(0xBF58476D1CE4E5B9)
_START = np.uint64(5381)
_AT_ONCE = 16  # blocks
_SIZES = range(1 << 14, (1 << 18) + 1)  # bytes in a block that the engine allows
_PARTS = 64  # of a metadata block
_BLOCK = (1 << 56) - 1
_NOWHERE = (1 << 64) - 1
_FLUSH = b"\x64\x00\x64\xff\xff"  # the entry that ends a transaction
_HEAD = b"\x64\x00\x62\x65\x00\x02\x66\x00\x10"  # the log's first entry, up to the 16 bytes that name its file


def _wrong(words: np.ndarray[Any, np.dtype[np.uint64]]) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which rows do not begin with the checksum of their rest; shape (n, words of a block)."""
    found: np.ndarray[Any, np.dtype[np.uint64]] = np.bitwise_xor.reduce(words[:, 1:] * _FACTOR, axis=1) ^ _START
    return np.asarray(found != words[:, 0])


def damaged_blocks(file: BinaryIO) -> list[int] | None:
    """Blocks of a store's file that are not what was written; headers are numbered -3 to -1.

    A block that the file lists as free holds nothing: the engine cuts such blocks off where they are the last ones, and
    what stands in others is of no account.

    Parameters
    ----------
    file : file open for reading in binary

    Returns
    -------
    list of int or None
        None where the file is laid out in a way that is not known here.
    """
    file.seek(0)
    head = np.frombuffer(file.read(_HEADER * _HEADERS).ljust(_HEADER * _HEADERS, b"\0"), dtype="<u8")
    heads = head.reshape(_HEADERS, -1)
    wrong = _wrong(heads)
    if wrong.all():
        return None
    bad = (np.flatnonzero(wrong) - _HEADERS).tolist()
    newest = max((h for h, w in zip(heads[1:], wrong[1:], strict=True) if not w), key=lambda h: int(h[1]), default=None)
    if newest is None:
        return bad
    count, size = int(newest[4]), int(newest[5])
    if size not in _SIZES:
        return None
    free = _free_blocks(file, int(newest[3]), size)
    file.seek(_HEADER * _HEADERS)
    for start in range(0, count, _AT_ONCE):
        want = min(_AT_ONCE, count - start)
        read = file.read(want * size)
        whole = len(read) // size
        words = np.frombuffer(read[: whole * size], dtype="<u8").reshape(whole, size // 8)
        bad += (start + np.flatnonzero(_wrong(words))).tolist()
        if whole < want:  # the file is cut
            bad += range(start + whole, count)
            break
    return [block for block in bad if block not in free]


def _free_blocks(file: BinaryIO, pointer: int, size: int) -> set[int]:
    """Blocks that a file lists as free; those read before the list breaks off, where it is damaged.

    The list is a chain of parts of metadata blocks: where the next part is, then words; the first word of all is how
    many blocks follow. A pointer is the block, and in its highest byte the part of it.
    """
    part = (size - 8) // _PARTS // 8 * 8
    words: list[int] = []
    seen: set[int] = set()
    while pointer != _NOWHERE and pointer not in seen:
        seen.add(pointer)
        file.seek(_HEADER * _HEADERS + (pointer & _BLOCK) * size + 8 + (pointer >> 56) * part)
        read = file.read(part)
        found = np.frombuffer(read[: len(read) // 8 * 8], dtype="<u8").tolist()
        if not found:
            break
        pointer = found[0]
        words += found[1:]
        if len(words) > words[0]:
            break
    return set(words[1 : words[0] + 1]) if words else set()


@dataclass(frozen=True, slots=True)
class Log:
    """Where the transactions of a log end.

    Attributes
    ----------
    ends : tuple of int, bytes
        After each whole transaction; first that of the log's own head.
    size : int, bytes
        Of the file.
    """

    ends: tuple[int, ...]
    size: int

    @property
    def breaks_off(self) -> bool:
        """Whether something follows the last whole transaction."""
        return self.ends[-1] < self.size


def read_log(path: Path) -> Log | None:
    """Where the transactions of a log end; None where there is no log, or it begins in a way not known here.

    Only the lengths of its entries are read; the engine holds each against its checksum.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            at = _after_head(file.read(128))
            if at is None:
                return None
            ends = [at]
            while at + 16 <= size:
                file.seek(at)
                lead = file.read(16 + len(_FLUSH))
                length = int.from_bytes(lead[:8], "little")
                at += 16 + length
                if not length or at > size:
                    break
                if length == len(_FLUSH) and lead[16:] == _FLUSH:
                    ends.append(at)
    except FileNotFoundError:
        return None
    return Log(tuple(ends), size)


def _after_head(lead: bytes) -> int | None:
    """Where the first entry of a log ends: 16 numbers, a field, one more number; each of as many bytes as it needs."""
    if not lead.startswith(_HEAD):
        return None
    at = len(_HEAD)
    for part in range(17):
        if part == 16:
            if lead[at : at + 2] != b"\x67\x00":
                return None
            at += 2
        while at < len(lead) and lead[at] >= 0x80:
            at += 1
        at += 1
    return at + 2 if lead[at : at + 2] == b"\xff\xff" else None

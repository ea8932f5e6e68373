"""Packed files: how large they are once unpacked, told before anything is unpacked."""

from __future__ import annotations

import gzip
import zipfile
import zlib
from contextlib import contextmanager
from typing import TYPE_CHECKING

from decknet.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["NO_ARCHIVE", "open_packed", "unpack_single"]

LARGEST_BYTES = 20_000_000_000  # unpacked; beyond it an archive is a mistake or worse
MOST_FILES = 20_000
MOST_TIMES = 500  # how many times larger than the archive its content may be
LEAST_BYTES = 1_000_000  # content up to here is let through however well it packs

_AT_ONCE = 1 << 20  # bytes

# What an archive that is damaged, or of a making not known here, is reported by.
NO_ARCHIVE = (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, ValueError, RuntimeError, zlib.error)


@contextmanager
def open_packed(path: Path, what: str) -> Iterator[zipfile.ZipFile]:
    """An archive to read from, its members within limits and none locked.

    Parameters
    ----------
    path : Path
    what : str
        What the file is, as a refusal says it: ``"archive"``, ``"workbook"``.

    Raises
    ------
    RecordError
        It is damaged, locked with a password, or would fill far more room than it takes. A member whose stated size
        is false is refused when it is read to its end.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = [m for m in archive.infolist() if not m.is_dir()]
            size = sum(m.file_size for m in members)
            most = min(LARGEST_BYTES, max(MOST_TIMES * path.stat().st_size, LEAST_BYTES))
            if size > most or len(members) > MOST_FILES:
                raise RecordError(
                    f"{path.name}: unpacked it would fill {size:,} bytes in {len(members):,} files, and "
                    f"{most:,} bytes in {MOST_FILES:,} files are allowed. Unpack it yourself and bring in the files "
                    "that are wanted."
                )
            if any(m.flag_bits & 1 for m in members):
                raise RecordError(f"{path.name}: the {what} is locked with a password. Unlock it first.")
            yield archive
    except RecordError:
        raise
    except NO_ARCHIVE as why:
        raise RecordError(f"{path.name}: the {what} cannot be unpacked ({why}). Make it again.") from why


def unpack_single(path: Path, target: Path) -> None:
    """Write what a ``.gz`` holds to a file.

    Parameters
    ----------
    path : Path
    target : Path
        In a folder that exists; what stands there is written over.

    Raises
    ------
    RecordError
        It is damaged, cut off, or fills far more room than it takes; nothing is left at ``target``.
    """
    most = min(LARGEST_BYTES, max(MOST_TIMES * path.stat().st_size, LEAST_BYTES))
    size = 0
    try:
        with gzip.open(path) as packed, target.open("wb") as out:
            while part := packed.read(_AT_ONCE):
                size += len(part)
                if size > most:
                    raise RecordError(
                        f"{path.name}: unpacked it would fill more than {most:,} bytes, {MOST_TIMES} times what it "
                        "takes. Unpack it yourself and bring in the file."
                    )
                out.write(part)
    except RecordError:
        target.unlink(missing_ok=True)
        raise
    except NO_ARCHIVE as why:
        target.unlink(missing_ok=True)
        raise RecordError(
            f"{path.name}: the packed file is damaged or cut off ({why}). Fetch or make it again."
        ) from why

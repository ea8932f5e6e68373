"""Folders and archives: the files of records in them, and what is none."""

from __future__ import annotations

from pathlib import Path

from decknet.errors import RecordError
from decknet.ingest.archive import open_packed, unpack_single
from decknet.ingest.read import FORMATS

__all__ = ["files_in"]

ARCHIVES = (".zip",)
PACKED = ".gz"
BESIDE = (".shx", ".dbf", ".prj", ".cpg", ".sbn", ".sbx", ".qix", ".qmd", ".shp.xml", ".fix", ".atx")


def files_in(path: Path, scratch: Path) -> tuple[list[tuple[Path, str]], list[tuple[str, str]]]:
    """The files of records in a folder or an archive; a single file stands for itself.

    Parameters
    ----------
    path : Path
        A file, a folder (with the folders in it), or a ``.zip``; any file in it may be packed as ``.gz``.
    scratch : Path
        An empty folder into which an archive may be unpacked.

    Returns
    -------
    files : list of (path, name)
        Name as faults and the intake log give it.
    others : list of (name, why)
        What is in there and is not read.

    Raises
    ------
    RecordError
        There is nothing of that name, or the archive cannot be unpacked.
    """
    if not _is_text(path.name):
        raise RecordError(f"{path.name!r}: the name of the file {NO_TEXT}. Rename it.")
    if path.is_dir():
        files, others = _sorted_out(path, scratch)
        if not files:
            raise RecordError(f"{path}: the folder holds no file of records. Read are {', '.join(FORMATS)}.")
        return files, others
    if path.exists() and not path.is_file():
        raise RecordError(f"{path}: this is a device or a pipe, and records are read from files. Save it as a file.")
    if not path.is_file():
        raise RecordError(f"{path}: there is no such file. Check the name and the folder.")
    if path.suffix.lower() == PACKED:
        return [_unpacked(path, path.name, scratch)], []
    if path.suffix.lower() not in ARCHIVES:
        return [(path, path.name)], []
    target = scratch / path.stem
    _unpack(path, target)
    files, others = _sorted_out(target, scratch)
    if not files:
        raise RecordError(f"{path.name}: the archive holds no file of records. Read are {', '.join(FORMATS)}.")
    return [(p, f"{path.name}/{n}") for p, n in files], [(f"{path.name}/{n}", w) for n, w in others]


def _unpacked(path: Path, name: str, scratch: Path) -> tuple[Path, str]:
    """A packed file as what it holds, under the name without ``.gz``; two of one name do not meet."""
    inner = name[: -len(PACKED)]
    ending = Path(inner).suffix.lower()
    if ending not in FORMATS:
        raise RecordError(
            f"{name}: what it holds has the ending {ending or '(none)'}, which is of no format that is read. Rename "
            f"it so that the ending stands before {PACKED} (as surveys.csv.gz), or unpack it."
        )
    folder = scratch / f"{PACKED[1:]}-{len(list(scratch.glob('gz-*')))}"
    folder.mkdir(parents=True)
    target = folder / Path(inner).name
    unpack_single(path, target)
    return target, inner


def _sorted_out(folder: Path, scratch: Path) -> tuple[list[tuple[Path, str]], list[tuple[str, str]]]:
    files: list[tuple[Path, str]] = []
    others: list[tuple[str, str]] = []
    inside = folder.resolve()
    found = sorted(p for p in folder.rglob("*") if p.is_file() and not _is_hidden(p, folder))
    shapes = {p.with_suffix("").as_posix().lower() for p in found if p.suffix.lower() == ".shp"}
    for path in found:
        name = path.relative_to(folder).as_posix()
        stem = path.as_posix().lower()
        beside = any(stem.endswith(e) and stem.removesuffix(e) in shapes for e in BESIDE)
        if beside or stem.endswith((".gpkg-wal", ".gpkg-shm", ".gpkg-journal")):
            continue
        if not _is_text(name):
            others.append((repr(name), f"its name {NO_TEXT}"))
        elif not path.resolve().is_relative_to(inside):
            others.append((name, "a link to a place outside the folder is not followed; bring that file in by itself"))
        elif path.suffix.lower() in FORMATS:
            files.append((path, name))
        elif path.suffix.lower() == PACKED:
            try:
                files.append(_unpacked(path, name, scratch))
            except RecordError as why:
                others.append((name, str(why).removeprefix(f"{name}: ").removeprefix(f"{path.name}: ").rstrip(".")))
        elif path.suffix.lower() in ARCHIVES:
            others.append((name, "an archive in an archive or folder is not opened; bring it in by itself"))
        else:
            others.append((name, f"the ending {path.suffix or '(none)'} is of no format that is read"))
    return files, others


NO_TEXT = "holds a byte that is no text in UTF-8, and no record could say where it comes from"


def _is_text(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _is_hidden(path: Path, folder: Path) -> bool:
    return any(part.startswith((".", "~$", "__MACOSX")) for part in path.relative_to(folder).parts)


def _unpack(path: Path, target: Path) -> None:
    with open_packed(path, "archive") as archive:
        archive.extractall(target, [m for m in archive.infolist() if not m.is_dir()])

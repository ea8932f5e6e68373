"""Map files opened by the one driver of their ending, every other switched off, and by no other way in.

The library for map data tries its drivers one after another on whatever it is given. Some of them take a text file for
the description of another file, of a service or of work to be done: a file of records could so name what is to be read,
asked of the network, or written. Here the ending names the driver, and what a file holds is looked at before the driver
sees it.
"""

from __future__ import annotations

import itertools
import json
import re
import shutil
import sqlite3
import tempfile
import threading
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn
from xml.parsers import expat

from decknet.errors import RecordError
from decknet.ingest.archive import open_packed

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["DRIVERS", "opened"]

DRIVERS = {
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".gpkg": "GPKG",
    ".shp": "ESRI Shapefile",
    ".dbf": "ESRI Shapefile",
    ".kml": "LIBKML",
    ".kmz": "LIBKML",
    ".dxf": "DXF",
    ".fgb": "FlatGeobuf",
}
NAMES = {
    ".geojson": "GeoJSON", ".json": "JSON", ".gpkg": "a GeoPackage", ".shp": "a shapefile", ".dbf": "a dBase table",
    ".kml": "KML", ".kmz": "packed KML", ".dxf": "a drawing (DXF)", ".fgb": "FlatGeobuf",
}  # fmt: skip
WRITTEN = "GPKG"  # stays on: we write it, and a file of another ending that is one is refused by its first bytes

# While a file is open: no connection (the proxy is none), no remote file, and a GeoPackage can neither load code nor
# look at another file, whatever is set for the library elsewhere. A second wall: the checks below are the first.
SHUT = {
    "GDAL_HTTP_PROXY": "none://none",
    "GDAL_HTTPS_PROXY": "none://none",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{none}",
    "OGR_SQLITE_ALLOW_EXTERNAL_ACCESS": "NO",
    "OGR_SQLITE_LOAD_EXTENSIONS": "",
    "OGR_SQLITE_PRAGMA": "",
    "ENABLE_SQL_LOAD_EXTENSION": "NO",
    "SHAPE_RESTORE_SHX": "NO",
}
_SQLITE = b"SQLite format 3\0"
_ODD = re.compile(r"[!;?#%]|^/vsi|\.zip", re.I)  # names that the library would take apart
_turn = threading.RLock()


@contextmanager
def opened(path: Path) -> Iterator[list[Path]]:
    """The file or files to give to the library, while only the driver of this ending is on.

    Parameters
    ----------
    path : Path
        A file whose ending is one of ``DRIVERS``.

    Yields
    ------
    list of Path
        Mostly the file itself; of packed KML the documents in it, the main one first.

    Raises
    ------
    RecordError
        What the file holds is not of its ending, or would lead outside it.
    """
    ending = path.suffix.lower()
    _CHECKS[ending](path)
    with tempfile.TemporaryDirectory(prefix="decknet-") as scratch, _alone(DRIVERS[ending]):
        yield _to_open(path, Path(scratch))


@contextmanager
def _alone(driver: str) -> Iterator[None]:
    """Only one driver is on, with that of what we write; the network is shut. All is as before afterwards."""
    import pyogrio
    from pyogrio._ogr import _register_drivers

    with _turn:
        every = list(pyogrio.list_drivers())
        if driver not in every:
            raise RecordError(f"this computer's library for map data has no reader of {driver}. Bring a GeoPackage.")
        names = (*SHUT, "OGR_SKIP")
        before = {name: pyogrio.get_gdal_config_option(name) for name in names}
        kept = {driver, WRITTEN}
        try:
            pyogrio.set_gdal_config_options({**SHUT, "OGR_SKIP": ",".join(d for d in every if d not in kept)})
            _register_drivers()
            if not set(pyogrio.list_drivers()) <= kept:
                raise RecordError("the readers of other kinds of map data cannot be switched off; nothing is opened.")
            yield
        finally:
            pyogrio.set_gdal_config_options(before)
            _register_drivers()


def _to_open(path: Path, scratch: Path) -> list[Path]:
    """What is opened: the file, or a copy where its name or its companions would be taken for something else."""
    whole = path.absolute()
    if path.suffix.lower() == ".kmz":
        return _documents(path, scratch)
    if path.suffix.lower() == ".gpkg" and 2 in _head(path)[18:20]:  # it keeps a log: reading it would write beside it
        shutil.copyfile(whole, scratch / "copy.gpkg")
        log = Path(f"{whole}-wal")
        if log.is_file():
            shutil.copyfile(log, scratch / "copy.gpkg-wal")
        return [scratch / "copy.gpkg"]
    if not _ODD.search(str(whole)):
        return [whole]
    stem = _ODD.sub("_", whole.stem)
    for part in _companions(whole):
        _lend(part, scratch / (stem + part.suffix.lower()))
    return [scratch / (stem + whole.suffix.lower())]


def _companions(path: Path) -> list[Path]:
    """A file and, of a shapefile, what belongs to it."""
    if path.suffix.lower() not in (".shp", ".dbf"):
        return [path]
    wanted = (".shp", ".shx", ".dbf", ".prj", ".cpg")
    return [p for p in path.parent.iterdir() if p.stem == path.stem and p.suffix.lower() in wanted]


def _lend(path: Path, at: Path) -> None:
    try:
        at.symlink_to(path)
    except OSError:  # not every system lets a user make links
        shutil.copyfile(path, at)


def _documents(path: Path, scratch: Path) -> list[Path]:
    """The KML documents of an archive, unpacked; the main one first."""
    with open_packed(path, "archive") as archive:
        names = [m for m in archive.infolist() if m.filename.lower().endswith(".kml") and not m.is_dir()]
        names.sort(key=lambda m: m.filename.lower() != "doc.kml")
        out = []
        for n, member in enumerate(names):
            stem = path.stem if not n else Path(member.filename).stem
            out.append(scratch / f"{n}" / f"{_ODD.sub('_', stem)}.kml")
            out[-1].parent.mkdir()
            out[-1].write_bytes(archive.read(member))
            _kml(out[-1], f"{path.name}/{member.filename}")
    if not out:
        raise RecordError(f"{path.name}: the archive holds no KML document. Export it again.")
    return out


# ---- what a file holds ------------------------------------------------------------------------------


def _not_of(path: Path, found: str = "") -> NoReturn:
    ending = path.suffix.lower()
    raise RecordError(
        f"{path.name}: the file cannot be opened: its ending says {NAMES[ending]}, and it is none{found}. A file is "
        "opened only as what its ending says: give it its right ending, or export it again as GeoPackage or GeoJSON."
    )


def _head(path: Path, size: int = 4096) -> bytes:
    with path.open("rb") as stream:
        return stream.read(size)


def _starts(*marks: bytes) -> Any:
    def check(path: Path) -> None:
        if not _head(path).startswith(marks):
            _not_of(path)

    return check


def _shapefile(path: Path) -> None:
    if not _head(path).startswith(b"\0\0\x27\x0a"):
        _not_of(path)
    home = path.resolve().parent
    for part in _companions(path):
        if part.resolve().parent != home:
            raise RecordError(
                f"{path.name}: {part.name} beside it is a link to another folder, which is not followed. Bring the "
                "files of the shapefile together in one folder."
            )


def _table(path: Path) -> None:
    if _head(path)[:1] not in (
        b"\x02",
        b"\x03",
        b"\x30",
        b"\x31",
        b"\x32",
        b"\x43",
        b"\x83",
        b"\x8b",
        b"\xf5",
        b"\xfb",
    ):
        _not_of(path)


def _drawing(path: Path) -> None:
    body = path.read_bytes()
    text = re.match(rb"(?:\xef\xbb\xbf)?\s*(?:0|999)[ \t]*\r?\n", body)
    if not text and not body.startswith(b"AutoCAD Binary DXF\r\n\x1a"):
        _not_of(path)
    if (b"INSERT" in body or b"DIMENSION" in body) and (
        not text or _drawn(body.decode("latin-1").splitlines()) > MOST_DRAWN
    ):
        raise RecordError(
            f"{path.name}: its blocks stand within blocks so often that more than {MOST_DRAWN:,} parts would be drawn, "
            "or it is a binary drawing with blocks. Explode the blocks, and save it as text (ASCII DXF)."
        )


MOST_DRAWN = 1_000_000  # parts that the blocks of a drawing may come to, each counted wherever it is inserted


def _drawn(lines: list[str]) -> float:
    """How many parts the blocks come to in all: a block inserted ten times in one inserted ten times counts a hundred.

    A part that names a block (a dimension, an insert) counts as that block, times its rows and columns.
    """
    parts: dict[str, list[tuple[str, float]]] = {"": []}  # by block, what each part names, and how often it is repeated
    block, kind, name, times = "", "", "", 1.0
    for code, value in itertools.chain(zip(lines[::2], lines[1::2], strict=False), [("0", "EOF")]):
        match code.strip():
            case "0":
                if kind == "BLOCK":
                    block = name
                    parts.setdefault(block, [])
                elif kind:
                    parts[block].append((name, times))
                block = "" if kind == "ENDBLK" else block
                kind, name, times = value.strip(), "", 1.0
            case "2":
                name = value.strip().upper()
            case "70" | "71" if kind == "INSERT" and value.strip().lstrip("-").isdigit():
                times *= max(abs(int(value)), 1)
    sizes: dict[str, float] = {}

    def size(of: str, within: tuple[str, ...]) -> float:
        if of in within or len(within) > 200:  # a round is refused by the driver
            return 0.0
        if of not in sizes:
            sizes[of] = sum(n * max(size(to, (*within, of)) if to in parts else 1.0, 1.0) for to, n in parts[of])
        return sizes[of]

    return size("", ()) if len(parts) > 1 else 0.0


# ---- JSON: no coordinate system behind a link -------------------------------------------------------

_LETTER = {c: rf"(?:{c}|{c.upper()}|\\u00{ord(c):02x}|\\u00{ord(c.upper()):02x})" for c in "crs"}
_CRS = re.compile(rf'"{"".join(_LETTER[c] for c in "crs")}"\s*:\s*'.encode())
_SPELT = [bytes(f'{a}{b}{c}"', "ascii") for a in "cC" for b in "rR" for c in "sS"]
_LINKS = ("link", "url")
LONGEST_SYSTEM = 100_000  # bytes in which the description of a coordinate system must end


def _json(path: Path) -> None:
    """Refuse map data whose coordinate system is to be fetched from elsewhere."""
    body = path.read_bytes()
    start = body[:64].removeprefix(b"\xef\xbb\xbf").lstrip()
    if start and start[:1] not in b"{[":
        if start[:1] in b'<SPp"':  # a description in another language; broken JSON is named by its line later
            _not_of(path)
        return
    if not any(s in body for s in _SPELT) and b"\\u00" not in body:
        return
    for found in _CRS.finditer(body):
        said = body[found.end() : found.end() + LONGEST_SYSTEM]
        try:
            told, _ = json.JSONDecoder().raw_decode(said.decode("utf-8", "replace"))
        except (ValueError, RecursionError):
            told = None
        if _is_link(told, said):
            raise RecordError(
                f"{path.name}: the coordinate system is behind a link, and no link is followed. Export the file again "
                "with its system by number, such as EPSG:32633, or as GeoPackage."
            )


def _is_link(told: Any, said: bytes) -> bool:
    if isinstance(told, dict):
        kind = next((v for k, v in told.items() if k.lower() == "type"), "")
        return str(kind).lower() in _LINKS
    return said[:1] == b"{" and told is None and any(w in said.lower() for w in (b"link", b"url", b"\\u00"))


# ---- KML: no document type, so no entity and nothing else to fetch ----------------------------------


class _Known(Exception):
    """Enough is read."""


def _kml(path: Path, name: str = "") -> None:
    """Refuse XML whose root is not kml, or that declares a document type."""
    shown = name or path.name
    root: list[str] = []

    def element(tag: str, _: dict[str, str]) -> None:
        root.append(tag.rsplit(":", 1)[-1])
        raise _Known

    def document_type(*_: Any) -> None:
        raise RecordError(
            f"{shown}: the file declares a document type, by which it could call for other files. Take the line "
            "<!DOCTYPE ...> out, or export it again."
        )

    parser = expat.ParserCreate()
    parser.StartElementHandler = element
    parser.StartDoctypeDeclHandler = document_type
    with path.open("rb") as stream:
        try:
            parser.ParseFile(stream)
        except _Known:
            pass
        except expat.ExpatError as why:
            raise RecordError(f"{shown} line {why.lineno}: this is no XML ({why}). Export it again.") from why
    if root[:1] not in (["kml"], ["Document"], ["Folder"], ["Placemark"]):
        _not_of(path, f": its root is <{root[0]}>" if root else "")


# ---- GeoPackage: tables, and nothing that works on being read ---------------------------------------

_INDEX = re.compile(r"""CREATE\s+VIRTUAL\s+TABLE\s+(?:"(?:[^"]|"")*"|[^\s"]+)\s+USING\s+rtree\s*\(""", re.I)


def _geopackage(path: Path) -> None:
    """Refuse a database whose tables would work something out while they are read: views, virtual tables, functions."""
    if not _head(path).startswith(_SQLITE):
        _not_of(path)
    if Path(f"{path}-journal").is_file() and Path(f"{path}-journal").stat().st_size:
        raise RecordError(
            f"{path.name}: another program was stopped while it wrote this file ({path.name}-journal is beside it). "
            "Open it once in that program and close it, then bring it in."
        )
    address = path.absolute().as_uri() + "?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(address, uri=True)) as db:
            db.text_factory = _as_text
            db.execute("PRAGMA trusted_schema = OFF")
            db.execute("PRAGMA cell_size_check = ON")
            listed = db.execute("SELECT type, name, sql, rootpage FROM sqlite_master").fetchall()
            for kind, name, sql, page in listed:
                _harmless(path, db, str(kind), str(name), str(sql or ""), virtual=not page)
    except (sqlite3.DatabaseError, UnicodeDecodeError) as why:  # what it says of a damaged name may be no text
        told = "a name in it is damaged" if isinstance(why, UnicodeDecodeError) else why
        raise RecordError(
            f"{path.name}: the file cannot be opened as map data ({told}). Export it again as GeoPackage or GeoJSON."
        ) from why


def _as_text(cell: bytes) -> str:
    """Text of a database, a byte that is none in its place."""
    return cell.decode("utf-8", "replace")


def _harmless(path: Path, db: sqlite3.Connection, kind: str, name: str, sql: str, *, virtual: bool) -> None:
    if kind == "view" or (kind == "table" and virtual and not _INDEX.match(sql.strip())):
        what = "a view" if kind == "view" else "a virtual table"
        raise RecordError(
            f"{path.name}: {name!r} is {what}: a question to be worked out, not records. Export its rows as a layer of "
            "a new GeoPackage."
        )
    if kind != "table" or virtual:
        return
    quoted = name.replace('"', '""')
    made = [str(row[1]) for row in db.execute(f'PRAGMA table_xinfo("{quoted}")') if row[6] in (2, 3)]
    if made:
        raise RecordError(
            f"{path.name} layer {name}, {made[0]}: the column is worked out by a formula when it is read, and formulas "
            "are not. Export the layer with its values to a new GeoPackage."
        )


_CHECKS = {
    ".geojson": _json,
    ".json": _json,
    ".gpkg": _geopackage,
    ".shp": _shapefile,
    ".dbf": _table,
    ".kml": _kml,
    ".kmz": _starts(b"PK"),
    ".dxf": _drawing,
    ".fgb": _starts(b"fgb"),
}

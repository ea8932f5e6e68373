"""Files of every format that is read, changed at random, and what becomes of them when they are brought in.

Each is read, one in ten into a store, by a process of its own keeping, so that one that breaks the process, fills the
memory or never ends is counted like any other. Run by itself for as many as wanted::

    python -m tests.ingest.mutants 20000
"""

from __future__ import annotations

import io
import json
import os
import re
import select
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from contextlib import closing
from datetime import datetime
from pathlib import Path

import numpy as np

TABLES = {
    "bridges": "bridge id,name,lon,lat,deck length m,deck width m,built year,AADT,count year\n"
    "010,North Weir,9.8011,56.1023,61.5,10.4,1969,8400,2021\n011,Old Mill,9.8155,56.1187,118.25,13,1981,,\n"
    "012,=1+1,0,0,20,9,1990,0,2022\n",
    "surveys": "bridge id,survey date,delaminated m2,spalled m2,remark\n001,2024-05-06,3.5,0,dry\n"
    "002,06/05/2024,1.034,-,wet\n003,27/05/2024,<1,2,\n004,2024-05-08,12.5 m2,1,\n\nTotal,,17.0,3,\n",
    "defects": 'bridge id,survey date,kind,wkt\n001,2024-05-06,spall,"POLYGON ((2 0, 4 0, 4 1, 2 1, 2 0))"\n'
    '002,2024-05-06,delamination,"POLYGON((2 0, 8 3, 8 0, 2 3, 2 0))"\n003,2024-05-06,hole,POLYGON EMPTY\n',
    "repairs": "bridge id;repair date;repair kind;repaired m2\n001;20.8.2019;patch;41,5\n002;3.2.2020;overlay;400\n"
    "009;1.6.2021;patch;-12\n",
    "traffic": "bridge id\tcount year\tAADT\n001\t2019\t8400\n001\t2023\t0\n002\t\t5400\n",
    "stations": "deck id,survey date,kind,from station,to station,from offset m,to offset m\n"
    "005-N,2023-09-01,spall,0+004.0,0+009.5,0,2\n005-S,2023-09-01,hole,0+012.5,0+012.0,-3,-1\n",
}
NETWORK = "bridge id,deck id,deck length m,deck width m,built year\n" + "".join(
    f"{d[:3]},{d},40,10,1980\n" for d in ("001", "002", "003", "005-N", "005-S")
)  # fmt: skip
MAPS = (".geojson", ".gpkg", ".fgb", ".kml", ".kmz", ".dxf", ".shp")
NAMES = ("surveys", "bridges", "delaminations", "repairs")
CANARY = "CANARY-77"
GARBAGE = [
    "", "NaN", "-inf", "1e999", "١٢", "½", "\x00", "\ufeff", '"', "'", "=1+1", "2024-02-30", "31/31/2022", "POLYGON",
    "POLYGON((0 0,1 0))", "0+", "+", "-", "°", "12°34'56\"N", "9" * 400, "é" * 50, ";;;;", ",,,", "\n", "\r", "\t",
    "4.17E+11", "417.0", "1,234", "1.234,5", "%", "12 %", "sq ft", "TRUE", "<script>", "\ud7ff", "𝔘", "a\x85b", "Total",
    "null", "[]", "{}", "true", "-1", "1e308", "4294967295", "2147483648", "18446744073709551616", "&amp;", "&#0;",
    "]]>", "<![CDATA[", "<!DOCTYPE x SYSTEM 'URL'>", "/vsicurl/URL", "file://OUTSIDE", "+init=OUTSIDE:1",
    "+proj=longlat +nadgrids=OUTSIDE", '"crs":{"type":"link","properties":{"href":"URL"}},', "[" * 2000, "(" * 2000,
    "GEOMETRYCOLLECTION(" * 60, "../../OUTSIDE", "AB4294967290", "XFD1048576",
]  # fmt: skip
STORED_EACH = 10  # one in so many goes all the way into a store; the others are read
LONGEST_S = 120.0  # of one case, on a computer that has other work
MOST_BYTES = 12 << 30


# ---- seeds ------------------------------------------------------------------------------------------


def sheet(text, rng):
    import xlsxwriter

    stream = io.BytesIO()
    book = xlsxwriter.Workbook(stream, {"in_memory": True, "strings_to_formulas": False, "nan_inf_to_errors": True})
    page = book.add_worksheet("Surveys")
    for i, line in enumerate(text.splitlines()):
        for j, cell in enumerate(re.split("[,;\t]", line)):
            if rng.random() < 0.5 and cell.isascii() and cell.replace(".", "", 1).isdigit():
                page.write_number(i, j, float(cell))
            else:
                page.write_string(i, j, cell[:1000])
    if rng.random() < 0.3:
        page.merge_range(0, 0, 0, 1, "x")
    book.close()
    return stream.getvalue()


def _layer(ending, folder, n=4):
    """A layer by the driver of an ending, with the parts that belong to it."""
    import pyogrio
    import shapely

    path = folder / f"seed{ending}"
    shapes = [shapely.box(x, 0, x + 1, 0.3 + x / 7) for x in range(n)]
    kinds = ["spall", "hole", "delamination", "spall"]
    fields = {"bridge_id": ["001", "002", "003", "009"], "date": ["2024-05-06", "x", "", "2024-05-06"], "kind": kinds}
    if ending == ".dxf":
        shapes, fields = [s.exterior for s in shapes], {"Layer": ["spall", "hole", "spall", "0"]}
    how = {"driver": "KML"} if ending == ".kml" else {}
    kind = "LineString" if ending == ".dxf" else "Polygon"
    pyogrio.raw.write(
        path, np.array(shapely.to_wkb(shapes), dtype=object), [np.array(v, dtype=object) for v in fields.values()],
        list(fields), crs="EPSG:4326", geometry_type=kind, **how,
    )  # fmt: skip
    return {
        p.suffix: p.read_bytes()
        for p in folder.glob("seed.*")
        if p.suffix == ending or (ending == ".shp" and p.suffix in (".shx", ".dbf", ".prj", ".cpg"))
    }


def _packed(members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members.items():
            made.writestr(name, content)
    return out.getvalue()


def _demo(folder, rng):
    """The first rows of the files of the demo."""
    import pyogrio
    import python_calamine

    from decknet.demo import demo_folder

    for path in sorted(demo_folder().iterdir()):
        if path.suffix == ".csv":
            yield ".csv", {".csv": b"".join(path.read_bytes().splitlines(keepends=True)[:12])}
        elif path.suffix == ".xlsx":
            book = python_calamine.CalamineWorkbook.from_path(str(path))
            rows = book.get_sheet_by_index(0).to_python(skip_empty_area=False)[:12]
            yield ".xlsx", {".xlsx": sheet("\n".join(";".join(map(str, row)) for row in rows), rng)}
        elif path.suffix == ".gpkg":
            made = folder / f"demo-{path.name}"
            for name, _ in pyogrio.list_layers(path)[:3]:
                meta, _, shapes, fields = pyogrio.raw.read(path, layer=name, max_features=6)
                pyogrio.raw.write(
                    made, shapes, fields, meta["fields"], layer=name, crs=meta["crs"], append=made.exists(),
                    geometry_type=meta["geometry_type"],
                )  # fmt: skip
            yield ".gpkg", {".gpkg": made.read_bytes()}


def seeds():
    """Whole files as (ending, parts by ending), every ending that is read among them."""
    import pyarrow as pa
    import pyarrow.parquet as pq
    import shapely

    from tests.ingest.test_element import one, xml
    from tests.test_disguises import old_sheet, open_sheet

    rng = np.random.default_rng(5)
    out = [(".csv", {".csv": text.encode()}) for text in TABLES.values()]
    out += [
        (".txt", {".txt": TABLES["surveys"].encode("cp1252")}),
        (".tsv", {".tsv": TABLES["traffic"].encode("utf-16")}),
    ]
    out += [(".tab", {".tab": TABLES["traffic"].encode()})]
    for name in ("surveys", "bridges"):
        made = sheet(TABLES[name], rng)
        out += [(e, {e: made}) for e in (".xlsx", ".xlsm", ".xlsb")]
    with tempfile.TemporaryDirectory() as made_in, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        folder = Path(made_in)
        text = TABLES["surveys"].replace("<", "under ")
        rows = [line.split(",") for line in text.splitlines() if line.count(",") == 4]
        old_sheet(folder / "a.xls", rows)
        open_sheet(folder / "a.ods", rows)
        out += [(e, {e: (folder / f"a{e}").read_bytes()}) for e in (".xls", ".ods")]
        for ending in (".geojson", ".gpkg", ".fgb", ".kml", ".dxf", ".shp"):
            out.append((ending, _layer(ending, folder)))
        out.append((".dbf", {".dbf": out[-1][1][".dbf"]}))
        out += list(_demo(folder, rng))
    held = {e: parts[e] for e, parts in out}
    out.append((".kmz", {".kmz": _packed({"doc.kml": held[".kml"], "more.kml": held[".kml"]})}))
    out.append((".json", {".json": held[".geojson"]}))
    listed = [dict(zip(("bridge id", "survey date", "spalled m2"), r, strict=True)) for r in
              (("001", "2024-05-06", 3), ("002", "2024-05-07", None))]  # fmt: skip
    out.append((".json", {".json": json.dumps(listed).encode()}))
    out.append((".json", {".json": json.dumps([{"BID01": "001", "BL01": "99", "Items": [{"BE01": "12"}]}]).encode()}))
    sink = io.BytesIO()
    shapes = shapely.to_wkb([shapely.Point(9, 56)] * 2).tolist()
    table = pa.table({"bridge_id": ["001", "002"], "name": ["a", None], "built_year": [1980, None], "geometry": shapes})
    geo = {"columns": {"geometry": {"crs": None, "encoding": "WKB"}}, "primary_column": "geometry", "version": "1.0.0"}
    pq.write_table(table.replace_schema_metadata({b"geo": json.dumps(geo).encode()}), sink)
    out += [(e, {e: sink.getvalue()}) for e in (".parquet", ".geoparquet")]
    out.append((".xml", {".xml": xml(one(), one("002", en="1080", epn="12")).encode()}))
    members = {"bridges.csv": TABLES["bridges"], "in/surveys.xlsx": held[".xlsx"], "x.geojson": held[".geojson"]}
    out.append((".zip", {".zip": _packed(members)}))
    return out


# ---- changes ----------------------------------------------------------------------------------------


def mutated(text, rng):
    """A real table with cells, lines or characters changed."""
    lines = text.splitlines() or [""]
    for _ in range(int(rng.integers(1, 3))):
        what = rng.integers(0, 7)
        i = int(rng.integers(0, len(lines)))
        cells = lines[i].split(",")
        if what == 0:
            cells[int(rng.integers(0, len(cells)))] = str(rng.choice(GARBAGE))
            lines[i] = ",".join(cells)
        elif what == 1:
            lines[i] = lines[i] + "," + str(rng.choice(GARBAGE))
        elif what == 2:
            lines.insert(i, lines[int(rng.integers(0, len(lines)))])
        elif what == 3 and len(lines) > 2:
            del lines[i]
        elif what == 4:
            lines[i] = ",".join(rng.permutation(cells).tolist())
        elif what == 5:
            at = int(rng.integers(0, len(lines[i]) + 1))
            lines[i] = lines[i][:at] + str(rng.choice(GARBAGE)) + lines[i][at:]
        else:
            lines[i] = lines[i].replace(",", str(rng.choice([";", "\t", "|", ", ", ",,"])))
    text = "\n".join(lines) + ("\n" if rng.random() < 0.8 else "")
    return text.encode(str(rng.choice(["utf-8", "utf-8-sig", "cp1252", "utf-16", "latin-1"])), "replace")


def damaged(data, rng):
    """Bytes with some of them changed, cut off or doubled."""
    body = bytearray(data or b"x")
    for _ in range(int(rng.integers(1, 4))):
        what = rng.integers(0, 5)
        at = int(rng.integers(0, len(body)))
        if what == 0:
            body[at] = int(rng.integers(0, 256))
        elif what == 1:
            del body[at : at + int(rng.integers(1, 200))]
        elif what == 2:
            body[at:at] = body[at : at + int(rng.integers(1, 200))]
        elif what == 3:
            body[at : at + 4] = rng.choice([b"\xff\xff\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\x7f", b"\0\0\0\x80"])
        else:
            body = body[: max(at, 1)]
        if not body:
            body = bytearray(b"x")
    return bytes(body)


_TOKEN = re.compile(r'"[^"]*"|-?\d[\d.eE+-]*|<[^>]*>|[A-Za-z_]\w*')


def spelt(data, rng):
    """Text with words, numbers and tags changed, moved, doubled or left out."""
    text = data.decode("utf-8", "replace")
    for _ in range(int(rng.integers(1, 3))):
        found = list(_TOKEN.finditer(text))
        if not found:
            break
        one, other = (found[int(rng.integers(0, len(found)))] for _ in range(2))
        new = str(rng.choice(GARBAGE))
        quoted = one[0].startswith('"') and rng.random() < 0.6
        new = json.dumps(new)[:5000] if quoted else rng.choice([new, other[0], one[0] * 2, ""])
        text = text[: one.start()] + str(new) + text[one.end() :]
    return text.encode("utf-8", "replace")


def repacked(data, rng):
    """An archive, one of its members changed and packed again with the right sum."""
    with zipfile.ZipFile(io.BytesIO(data)) as given:
        members = {name: given.read(name) for name in given.namelist()}
    name = str(rng.choice(list(members)))
    what = rng.random()
    if what < 0.5:
        members[name] = spelt(members[name], rng)
    elif what < 0.75:
        members[name] = damaged(members[name], rng)
    elif what < 0.9:
        members[
            str(rng.choice(["../up.csv", "/abs.csv", "con.csv", "a" * 200 + ".csv", name + "/x", "é\u202e.csv"]))
        ] = b"x"
    else:
        del members[name]
    return _packed(members)


def reworked(data, rng):
    """A GeoPackage with cells, tables or its list of layers changed by statements."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.gpkg"
        path.write_bytes(data)
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            db.execute("PRAGMA writable_schema = ON")
            triggers = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
            for name in triggers:
                db.execute(f'DROP TRIGGER "{name}"')
            for _ in range(int(rng.integers(1, 3))):
                tables = [
                    r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND rootpage > 0")
                ]
                table = str(rng.choice([t for t in tables if not t.startswith(("sqlite_", "rtree_"))]))
                columns = [r[1] for r in db.execute(f'PRAGMA table_info("{table}")')]
                value = [str(rng.choice(GARBAGE)), int(rng.integers(-9, 9)), float(rng.normal()), None, b"GP\0\1x" * 3]
                made = [
                    (f'UPDATE OR IGNORE "{table}" SET "{rng.choice(columns)}" = ?', [value[int(rng.integers(0, 5))]]),
                    (f'DELETE FROM "{table}"', []),
                    (f'ALTER TABLE "{table}" RENAME COLUMN "{rng.choice(columns)}" TO "x{rng.integers(0, 9)}"', []),
                    (f'CREATE VIEW "v{rng.integers(0, 99)}" AS SELECT * FROM "{table}"', []),
                    (f'ALTER TABLE "{table}" ADD COLUMN "bridge id {rng.integers(0, 9)}" AS (hex(1))', []),
                    ("PRAGMA journal_mode = WAL", []),
                    (f"PRAGMA application_id = {rng.integers(0, 9)}", []),
                    (f'UPDATE sqlite_master SET sql = replace(sql, "{rng.choice(columns)}", ?)', [value[0]]),
                ][int(rng.integers(0, 8))]
                try:
                    db.execute(*made)
                except (sqlite3.Error, UnicodeError):
                    continue
        return path.read_bytes()


def relaid(data, rng):
    """A Parquet file with its columns, types or what it tells of them changed."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pq.read_table(io.BytesIO(data))
    names = table.column_names
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(0, len(names)))
        what = rng.integers(0, 5)
        if what == 0:
            names = [str(rng.choice([*GARBAGE[:40], *names])) if n == at else name for n, name in enumerate(names)]
        elif what == 1:
            odd = [pa.array([[1], None]), pa.array([{"a": 1}, None]), pa.array([b"\1", None]), pa.array([1e308, None]),
                   pa.array([2**62, -1]), pa.nulls(2), pa.array([True, None]), pa.array([0, 1], pa.timestamp("ns")),
                   pa.array([0, 10**9], pa.date32()), pa.array([1, 2], pa.duration("s")),
                   pa.array([str(rng.choice(GARBAGE)).encode("utf-8", "replace").decode(), "x"]),
                   pa.DictionaryArray.from_arrays(pa.array([0, None]), pa.array(["001"]))]  # fmt: skip
            table = table.set_column(at, table.column_names[at], odd[int(rng.integers(0, len(odd)))])
        elif what == 2:
            said = spelt((table.schema.metadata or {}).get(b"geo", b"{}"), rng)
            table = table.replace_schema_metadata({b"geo": said})
        elif what == 3:
            table = table.append_column("more", table.column(at))
            names = [*names, str(rng.choice(names))]
        else:
            table = table.slice(0, int(rng.integers(0, 3)))
            if table.num_rows != 2:
                break
    sink = io.BytesIO()
    pq.write_table(table.rename_columns([n.encode("utf-8", "replace").decode() for n in names]), sink)
    return sink.getvalue()


PACKED = (".xlsx", ".xlsm", ".xlsb", ".ods", ".kmz", ".zip")
SPELT = (".geojson", ".json", ".kml", ".dxf", ".xml", ".csv", ".txt", ".tab")


def case(k, known):
    """The file of a number: its ending, and its parts as bytes."""
    rng = np.random.default_rng([17, k])
    if rng.random() < 0.05:
        ending = str(rng.choice(sorted({e for e, _ in known})))
        return ending, {ending: rng.integers(0, 256, int(rng.integers(1, 3000)), dtype=np.uint8).tobytes()}
    ending = str(rng.choice(sorted({e for e, _ in known})))
    some = [parts for e, parts in known if e == ending]
    parts = dict(some[int(rng.integers(0, len(some)))])
    part = ending if rng.random() < 0.4 else str(rng.choice(sorted(parts)))
    data, kind = parts[part], rng.random()
    if kind < 0.35:
        parts[part] = damaged(data, rng)
    elif ending in PACKED:
        parts[part] = repacked(data, rng)
    elif ending == ".gpkg":
        parts[part] = reworked(data, rng)
    elif ending in (".parquet", ".geoparquet"):
        parts[part] = relaid(data, rng)
    elif ending in (".csv", ".txt", ".tab") and kind < 0.8:
        parts[part] = mutated(data.decode("utf-8", "replace"), rng)
    elif ending in SPELT:
        parts[part] = spelt(data, rng)
    else:
        parts[part] = damaged(data, rng)
    if rng.random() < 0.03:  # under a foreign ending
        other = str(rng.choice(sorted({e for e, _ in known})))
        return other, {other: parts[part]}
    return ending, parts


def _tell(line):
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


# ---- the process that brings them in ----------------------------------------------------------------


def _listed(*folders):
    out = {}
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            held = path.lstat()
            out[str(path)] = (held.st_size, held.st_mtime_ns)
    return out


def _known():
    """What is on record for a file that is read without a store: the network of the stores."""
    import pandas as pd

    from decknet.ingest import Known

    empty = Known.empty()
    rows = [line.split(",") for line in NETWORK.splitlines()[1:]]
    decks = pd.DataFrame({"deck_id": [r[1] for r in rows], "bridge_id": [r[0] for r in rows]}).astype("str")
    decks = decks.assign(length_m=40.0, width_m=10.0, deck_built_year=pd.array([pd.NA] * len(rows), dtype="Int64"))
    numbers = pd.array(sorted({r[0] for r in rows}), dtype="str")
    built = pd.array([1980] * len(numbers), dtype="Int64")
    return Known(pd.DataFrame({"bridge_id": numbers, "built_year": built}), decks, empty.surveys)


def _held(store):
    from decknet.columns import RECORDS
    from decknet.keep import Store

    with Store.open(store) as held:
        return len(held.intakes()), sum(len(held.history(kind)) for kind in RECORDS)


def _brought_in(k, known, place, listener, now):
    """What became of one file: (ending, end, a word on it)."""
    ending, parts = case(k, known)
    for old in place["inbox"].iterdir():
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    words = {
        b"URL": f"http://127.0.0.1:{listener.port}/x".encode(),
        b"OUTSIDE": str(place["outside"] / "canary.csv").encode(),
    }
    stem = "2024AA" if ending == ".xml" else "delaminations" if ending in MAPS and k % 3 else NAMES[k % len(NAMES)]
    for part, data in parts.items():
        if not data.startswith(b"PK"):
            for mark, said in words.items():
                data = data.replace(mark, said)
        (place["inbox"] / f"{stem}{part}").write_bytes(data)
    before = _listed(place["inbox"], place["outside"], place["here"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        ended = (_stored if k % STORED_EACH == 0 else _read)(k, place, f"{stem}{ending}", now)
    if _listed(place["inbox"], place["outside"], place["here"]) != before or listener.asked:
        listener.asked.clear()
        return ending, "outside touched", ""
    return ending, *ended


def _read(k, place, name, now):
    """What reading a file gives, without a store."""
    from decknet.errors import DecknetError
    from decknet.ingest import files_in, read_file

    kept, refused = 0, False
    scratch = place["store"].parent / "unpacked"
    try:
        files, _ = files_in(place["inbox"] / name, scratch)
        for file, shown in files:
            try:
                reading = read_file(file, known=place["known"], today=now.date(), name=shown)
            except DecknetError as why:
                if not str(why).strip() or "Traceback" in str(why):
                    return "no words", repr(why)
                refused = True
                continue
            if found := _fault(reading):
                return found
            kept += reading.rows_kept
    except DecknetError as why:
        return ("refused in words", "") if str(why).strip() else ("no words", repr(why))
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return ("kept" if kept else "refused in words"), "in part" if kept and refused else ""


def _stored(k, place, name, now):
    """What bringing a file into a store gives: the store holds what is told, and nothing of a file that is refused."""
    from decknet import flow

    store = place["store"].with_name(f"s{k}.duckdb")
    shutil.copyfile(place["store"], store)
    try:
        intakes, rows = _held(store)
        loads = list(flow.load(store, [place["inbox"] / name], now=now, who="t"))
        kept = 0
        for loaded in loads:
            if loaded.reading is None:
                if not (loaded.error or loaded.note).strip() or "Traceback" in loaded.error:
                    return "no words", repr(loaded.error)
                continue
            if found := _fault(loaded.reading):
                return found
            kept += loaded.reading.rows_kept
        stored = [one.intake for one in loads if one.intake is not None and one.already is None]
        after = _held(store)
        if (after[0] - intakes, after[1] - rows) != (len(stored), sum(i.new + i.corrected for i in stored)):
            return "partial intake", f"{intakes, rows} became {after} with {len(stored)} intakes"
        return ("kept" if kept else "refused in words"), ""
    finally:
        for old in store.parent.glob(f"{store.name}*"):  # its log with it
            old.unlink()


def _fault(reading):
    """What is wrong with a reading: a row lost, or a record of a file that nobody asked for."""
    from tests.ingest.conftest import assert_nothing_lost

    try:
        assert_nothing_lost(reading)
    except AssertionError as why:
        return "partial intake", str(why)[:300]
    for frame in reading.records.values():
        for name in frame.columns:
            if frame[name].dtype != object and frame[name].astype("str").str.contains(CANARY, regex=False).any():
                return "outside touched", "a record of a file nobody asked for"
    return None


def _work(first, stop):
    """Bring in the files of the numbers, one line of JSON before and one after each."""
    import resource

    from decknet import flow
    from tests.hostile.ground import Listener

    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, resource.RLIM_INFINITY))
    now = datetime(2026, 6, 1)
    known = seeds()
    with tempfile.TemporaryDirectory(prefix="mutants-") as made:
        place = {name: Path(made) / name for name in ("inbox", "outside", "here")}
        for folder in place.values():
            folder.mkdir()
        (place["outside"] / "canary.csv").write_text(f"bridge id,name\n{CANARY},Not asked for\n")
        os.chdir(place["here"])
        empty = place["store"] = Path(made) / "empty.duckdb"
        flow.create(empty, title="T", currency="USD", now=now)
        (Path(made) / "network.csv").write_text(NETWORK)
        for loaded in flow.load(empty, [Path(made) / "network.csv"], now=now, who="t"):
            assert loaded.reading is not None, loaded.error
        assert [p.name for p in Path(made).glob("empty.duckdb*")] == ["empty.duckdb"]
        place["known"] = _known()
        listener = Listener()
        for k in range(first, stop):
            _tell(json.dumps({"at": k, "ending": case(k, known)[0]}))
            try:
                ending, end, word = _brought_in(k, known, place, listener, now)
            except BaseException as why:
                where = traceback.extract_tb(why.__traceback__)
                own = [f for f in where if "/decknet/" in f.filename] or where
                word = f"{type(why).__name__}: {str(why)[:200]} ({Path(own[-1].filename).name}:{own[-1].lineno})"
                ending, end = case(k, known)[0], "traceback"
            _tell(json.dumps({"k": k, "ending": ending, "end": end, "word": word}))


ENDS = (
    "kept",
    "refused in words",
    "traceback",
    "partial intake",
    "outside touched",
    "no words",
    "process broke",
    "no end",
)
GOOD = ENDS[:2]


def run(cases, *, first=0, hours=0.0, say=None):
    """Bring in so many files, or for so many hours.

    Returns
    -------
    counts : Counter of (ending, end)
    found : list of (number, ending, end, word)
        All but those kept or refused in words.
    """
    counts, found = Counter(), []
    until = time.monotonic() + hours * 3600
    at, stop = first, first + cases
    while at < stop or (hours and time.monotonic() < until):
        last = min(at + 500, stop) if at < stop else at + 500
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.ingest.mutants", "--worker", str(at), str(last)],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=Path(__file__).parents[2],
        )  # fmt: skip
        now = {"at": at, "ending": ""}
        while True:
            if not select.select([child.stdout], [], [], LONGEST_S)[0]:
                child.kill()
                one = {"k": now["at"], "ending": now["ending"], "end": "no end", "word": f"over {LONGEST_S:g} s"}
            elif line := child.stdout.readline():
                one = json.loads(line)
                if "at" in one:
                    now = one
                    continue
            elif at < last:  # it ended before its time
                one = {"k": now["at"], "ending": now["ending"], "end": "process broke", "word": f"code {child.wait()}"}
            else:
                break
            counts[one["ending"], one["end"]] += 1
            if one["end"] not in GOOD:
                found.append((one["k"], one["ending"], one["end"], one["word"]))
                if say:
                    say(f"case {one['k']}{one['ending']}: {one['end']}: {one['word']}")
            at = one["k"] + 1
            if one["end"] in ("no end", "process broke"):
                break
        child.stdout.close()
        child.wait()
    return counts, found


def table(counts):
    """What was tried, by format."""
    ends = [e for e in ENDS if any(k[1] == e for k in counts) or e in ENDS[:5]]
    lines = [f"{'format':12}" + "".join(f"{e:>18}" for e in ends) + f"{'all':>8}"]
    for ending in sorted({k[0] for k in counts}):
        own = [counts[ending, e] for e in ends]
        lines.append(f"{ending:12}" + "".join(f"{n:18,}" for n in own) + f"{sum(own):8,}")
    sums = [sum(n for k, n in counts.items() if k[1] == e) for e in ends]
    return "\n".join([*lines, f"{'all':12}" + "".join(f"{n:18,}" for n in sums) + f"{sum(sums):8,}"])


if __name__ == "__main__":
    if sys.argv[1] == "--worker":
        _work(int(sys.argv[2]), int(sys.argv[3]))
    else:
        tried, _ = run(int(sys.argv[1]), first=int(sys.argv[2]) if len(sys.argv) > 2 else 0, say=_tell)
        _tell(table(tried))

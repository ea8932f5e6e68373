"""Whatever a file holds, reading it ends in a reading that loses no row, or in one plain refusal.

2,000 cases run with the suite; DECKNET_READER_CASES=50000 runs as many as it says.
"""

from __future__ import annotations

import io
import os
import warnings
import zipfile

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
import xlsxwriter

from decknet.errors import DecknetError
from decknet.ingest import read_file
from decknet.ingest.bundle import files_in
from tests.ingest.conftest import TODAY, assert_nothing_lost

CASES = int(os.environ.get("DECKNET_READER_CASES", "2000"))

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
GARBAGE = [
    "", "NaN", "-inf", "1e999", "١٢", "½", "\x00", "\ufeff", '"', "'", "=1+1", "2024-02-30", "31/31/2022", "POLYGON",
    "POLYGON((0 0,1 0))", "0+", "+", "-", "°", "12°34'56\"N", "9" * 400, "é" * 50, ";;;;", ",,,", "\n", "\r", "\t",
    "4.17E+11", "417.0", "1,234", "1.234,5", "%", "12 %", "sq ft", "TRUE", "<script>", "\ud7ff", "𝔘", "a\x85b", "Total",
]  # fmt: skip


def _sheet(text, rng):
    stream = io.BytesIO()
    book = xlsxwriter.Workbook(stream, {"in_memory": True, "strings_to_formulas": False, "nan_inf_to_errors": True})
    page = book.add_worksheet("Surveys")
    for i, line in enumerate(text.splitlines()):
        for j, cell in enumerate(line.split(",")):
            if rng.random() < 0.5 and cell.replace(".", "", 1).isdigit():
                page.write_number(i, j, float(cell))
            else:
                page.write_string(i, j, cell[:1000])
    if rng.random() < 0.3:
        page.merge_range(0, 0, 0, 1, "x")
    book.close()
    return stream.getvalue()


def _layer(name, rng, folder, n=4):
    path = folder / f"seed{name}"
    shapes = [shapely.box(x, 0, x + 1, rng.random()) for x in range(n)]
    fields = {"bridge_id": ["001", "002", "003", "009"], "survey_d": ["2024-05-06", "x", "", "2024-05-06"]}
    how = {"driver": "KML"} if name == ".kml" else {"geometry_type": "Polygon"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.raw.write(
            path, np.array(shapely.to_wkb(shapes), dtype=object), [np.array(v, dtype=object) for v in fields.values()],
            list(fields), crs="EPSG:4326", **({"geometry_type": "Polygon"} | how),
        )  # fmt: skip
    return path.read_bytes()


@pytest.fixture(scope="module")
def seeds(tmp_path_factory):
    """Whole files of each ending that is read, as bytes."""
    folder = tmp_path_factory.mktemp("seeds")
    rng = np.random.default_rng(5)
    out = [(".csv", text.encode()) for text in TABLES.values()]
    out += [(".txt", TABLES["surveys"].encode("cp1252")), (".csv", TABLES["traffic"].encode("utf-16"))]
    out += [(".xlsx", _sheet(TABLES["surveys"], rng)), (".xlsx", _sheet(TABLES["bridges"], rng))]
    table = pa.table({"bridge_id": ["001", "002"], "geometry": shapely.to_wkb([shapely.Point(9, 56)] * 2).tolist()})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    out.append((".parquet", sink.getvalue()))
    out += [(e, _layer(e, rng, folder)) for e in (".geojson", ".gpkg", ".fgb", ".kml")]
    return out


def _mutated(text, rng):
    """A real table with cells, lines or characters changed."""
    lines = text.splitlines()
    for _ in range(int(rng.integers(1, 5))):
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


def _damaged(data, rng):
    """Bytes with some of them changed, cut off or doubled."""
    body = bytearray(data)
    for _ in range(int(rng.integers(1, 6))):
        what = rng.integers(0, 4)
        at = int(rng.integers(0, len(body)))
        if what == 0:
            body[at] = int(rng.integers(0, 256))
        elif what == 1:
            del body[at : at + int(rng.integers(1, 200))]
        elif what == 2:
            body[at:at] = body[at : at + int(rng.integers(1, 200))]
        else:
            body = body[: max(at, 1)]
        if not body:
            body = bytearray(b"x")
    return bytes(body)


def _case(k, seeds):
    rng = np.random.default_rng([17, k])
    kind = rng.integers(0, 10)
    if kind < 5:
        return ".csv", _mutated(str(rng.choice(list(TABLES.values()))), rng)
    if kind < 6:
        ending = str(rng.choice([".csv", ".xlsx", ".xls", ".ods", ".geojson", ".gpkg", ".kml", ".dxf", ".fgb",
                                 ".parquet", ".json", ".tsv", ".dbf", ".zip", ".kmz", ".xml"]))  # fmt: skip
        return ending, rng.integers(0, 256, int(rng.integers(1, 3000)), dtype=np.uint8).tobytes()
    if kind < 7:
        return ".xlsx", _sheet(_mutated(str(rng.choice(list(TABLES.values()))), rng).decode("utf-8", "replace"), rng)
    ending, data = seeds[int(rng.integers(0, len(seeds)))]
    return ending, _damaged(data, rng)


@pytest.mark.parametrize("part", range(10))
def test_any_bytes_end_in_a_reading_or_one_plain_refusal(part, seeds, known, tmp_path):
    for k in range(part * CASES // 10, (part + 1) * CASES // 10):
        ending, data = _case(k, seeds)
        path = tmp_path / f"{['surveys', 'bridges', 'delaminations', 'repairs'][k % 4]}{ending}"
        path.write_bytes(data)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ResourceWarning)
                files, _ = files_in(path, tmp_path / f"unpacked{k}")
                for file, name in files:
                    assert_nothing_lost(read_file(file, known=known, today=TODAY, name=name))
        except DecknetError as why:
            if not str(why).strip() or "Traceback" in str(why):
                raise AssertionError(f"case {k} ({ending}): {why!r} says nothing plain") from why
        except Exception as why:
            raise AssertionError(f"case {k} ({ending}): {type(why).__name__}: {why}") from why


def test_a_zip_within_limits_is_unpacked_and_one_beyond_is_refused(tmp_path):
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("surveys.csv", b"0" * 30_000_000)
    with pytest.raises(DecknetError, match="unpacked it would fill 30,000,000 bytes"):
        files_in(path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_what_is_refused_leaves_the_store_as_it_was(tmp_path, seeds):
    from datetime import datetime

    from decknet import flow
    from decknet.keep import Store

    store = tmp_path / "s.duckdb"
    flow.create(store, title="T", currency="USD", now=datetime(2026, 1, 1))
    for k in range(60):
        ending, data = _case(k * 31, seeds)
        path = tmp_path / f"surveys{k}{ending}"
        path.write_bytes(data)
        with Store.open(store) as held:
            before = len(held.intakes()), sum(len(held.history(kind)) for kind in ("bridge", "deck", "survey"))
        loads = list(flow.load(store, [path], now=datetime(2026, 6, 1), who="t"))
        if all(loaded.reading is None for loaded in loads):
            with Store.open(store) as held:
                after = len(held.intakes()), sum(len(held.history(kind)) for kind in ("bridge", "deck", "survey"))
            assert before == after

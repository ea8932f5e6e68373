"""Whatever a file holds, bringing it in keeps every row that can be kept, or ends in one plain refusal.

Some files are changed at random and brought in with a quick run, more with the whole suite, and as many as ``--tries``
asks for or fit into ``--hours``.
"""

from __future__ import annotations

import datetime as dt
import gzip
import sqlite3
import zipfile
from contextlib import closing

import numpy as np
import pytest
import shapely

from decknet.errors import DecknetError
from decknet.ingest import Known, read_file
from decknet.ingest.bundle import files_in
from decknet.ingest.read import FORMATS
from decknet.ingest.shapes import all_finite
from tests.ingest import mutants
from tests.ingest.conftest import assert_nothing_lost, write_layer

QUICK, LONG = 20, 1_500


def _tried(cases, capsys, **how):
    counts, found = mutants.run(cases, **how)
    with capsys.disabled():
        mutants._tell(f"\n{mutants.table(counts)}")
    assert found == []
    assert sum(counts.values()) >= cases
    return counts


def test_any_bytes_end_in_a_reading_or_one_plain_refusal(capsys):
    counts = _tried(QUICK, capsys)
    assert sum(n for (_, end), n in counts.items() if end == "kept") > 5  # real files, a little changed, and no noise


@pytest.mark.slow
def test_many_more_bytes_end_in_a_reading_or_one_plain_refusal(tries, hours, capsys):
    counts = _tried(tries or LONG, capsys, first=1_000_000, hours=hours)
    if sum(counts.values()) >= LONG:
        assert {ending for ending, _ in counts} == {*FORMATS, ".zip"}


@pytest.mark.slow
def test_every_ending_that_is_read_is_tried_and_its_seed_is_read_unchanged(known, tmp_path):
    from decknet.ingest import read_file
    from tests.ingest.conftest import TODAY

    seeds = mutants.seeds()
    assert {ending for ending, _ in seeds} == {*FORMATS, ".zip"}
    read = set()
    for n, (ending, parts) in enumerate(seeds):
        folder = tmp_path / str(n)
        folder.mkdir()
        stem = "delaminations" if ending in mutants.MAPS else "surveys"
        for part, data in parts.items():
            (folder / f"{stem}{part}").write_bytes(data)
        files, _ = files_in(folder / f"{stem}{ending}", tmp_path / f"unpacked{n}")
        for file, name in files:
            try:
                read_file(file, known=known, today=TODAY, name=name)
                read.add(ending)
            except DecknetError:
                continue
    assert len(read) >= len(FORMATS) - 4, {*FORMATS} - read


def test_a_zip_within_limits_is_unpacked_and_one_beyond_is_refused(tmp_path):
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("surveys.csv", b"0" * 30_000_000)
    with pytest.raises(DecknetError, match="unpacked it would fill 30,000,000 bytes"):
        files_in(path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


TEXT = b"bridge id,survey date,spalled m2\n0001,2024-05-01,1.5\n"


@pytest.mark.basis(
    "derived", "a packed file is what it holds, under the name without .gz, by itself, in a folder, in a zip"
)
def test_a_packed_file_is_read_as_what_it_holds(tmp_path):
    packed = tmp_path / "surveys.csv.gz"
    packed.write_bytes(gzip.compress(TEXT[:20]) + gzip.compress(TEXT[20:]))  # two members, one after the other
    [(path, name)], others = files_in(packed, tmp_path / "one")
    assert (name, path.name, path.read_bytes(), others) == ("surveys.csv", "surveys.csv", TEXT, [])
    folder = tmp_path / "in"
    (folder / "a").mkdir(parents=True)
    (folder / "b").mkdir()
    for part, text in (("a", TEXT), ("b", TEXT * 2)):
        (folder / part / "surveys.csv.gz").write_bytes(gzip.compress(text))
    (folder / "cut.csv.gz").write_bytes(gzip.compress(TEXT * 99)[:-30])
    (folder / "notes.gz").write_bytes(gzip.compress(TEXT))
    files, others = files_in(folder, tmp_path / "two")
    assert sorted((n, p.read_bytes()) for p, n in files) == [("a/surveys.csv", TEXT), ("b/surveys.csv", TEXT * 2)]
    assert [n for n, _ in others] == ["cut.csv.gz", "notes.gz"]
    assert "damaged or cut off" in others[0][1]
    assert "ending (none)" in others[1][1]
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as archive:
        archive.write(packed, "surveys.csv.gz")
    [(path, name)], _ = files_in(tmp_path / "all.zip", tmp_path / "three")
    assert (name, path.read_bytes()) == ("all.zip/surveys.csv", TEXT)


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("bomb.csv.gz", gzip.compress(b"0" * 30_000_000), "would fill more than"),
        ("cut.csv.gz", gzip.compress(TEXT * 99)[:-30], "damaged or cut off"),
        ("none.csv.gz", TEXT, "damaged or cut off"),
        ("what.gz", gzip.compress(TEXT), "surveys.csv.gz"),
        ("more.zip.gz", gzip.compress(TEXT), "no format that is read"),
    ],
    ids=["bomb", "cut", "no gz", "no ending", "zip"],
)
def test_a_packed_file_that_is_damaged_or_a_bomb_is_refused_and_leaves_nothing(tmp_path, name, data, said):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(DecknetError, match=said):
        files_in(tmp_path / name, tmp_path / "out")
    assert [p for p in (tmp_path / "out").rglob("*") if p.is_file()] == []


@pytest.mark.filterwarnings("ignore:invalid value encountered")
@pytest.mark.basis("derived", "a ring with a corner that is no number has finite bounds all the same")
def test_a_corner_that_is_no_number_is_found_though_the_bounds_pass_over_it():
    odd = shapely.from_wkt("POLYGON ((0 0, 4 0, NaN 2, 0 3, 0 0))")
    shapes = np.array(
        [odd, shapely.box(0, 0, 1, 1), None, shapely.Point(), shapely.Point(1, float("inf"))], dtype=object
    )
    assert np.isfinite(shapely.bounds(odd)).all()
    assert all_finite(shapes).tolist() == [False, True, False, False, False]


@pytest.mark.filterwarnings("ignore:invalid value encountered")
def test_a_drawn_survey_with_such_a_corner_is_refused_by_name(tmp_path, known):
    odd = shapely.from_wkt("POLYGON ((0 0, 4 0, NaN 2, 0 3, 0 0))")
    write_layer(
        tmp_path / "delaminations.gpkg", "delaminations", [odd, shapely.box(1, 1, 2, 2)],
        {"deck_id": ["001", "001"], "survey_date": ["2024-05-01"] * 2, "kind": ["delamination"] * 2},
    )  # fmt: skip
    reading = read_file(tmp_path / "delaminations.gpkg", known=known, today=dt.date(2026, 6, 1))
    assert_nothing_lost(reading)
    assert reading.rows_kept == 1
    assert "R-SHAPE" in set(reading.faults["code"])


@pytest.mark.parametrize("one", ["from_station_m", "to_station_m", "from_offset_m", "to_offset_m"])
def test_one_edge_of_a_strip_alone_is_told_and_loses_nothing(read, one):
    reading = read(f"deck_id,survey_date,{one},spalled_m2\n001,2024-05-01,3,1.5\n")
    assert reading.rows_kept + (reading.faults["severity"] == "refuse").sum() == 1


def test_a_damaged_name_in_a_database_is_refused_in_words(tmp_path):
    path = tmp_path / "bridges.gpkg"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE bridges (bridge_id TEXT)")
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET sql = CAST(? AS TEXT)", (b"CREATE TABLE \xff\xfe (",))
        db.commit()
    with pytest.raises(DecknetError, match=r"cannot be opened as map data"):
        read_file(path, known=Known.empty(), today=dt.date(2026, 6, 1))

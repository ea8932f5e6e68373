"""A store as open files and back, whole; and the proof that it is."""

from __future__ import annotations

import hashlib
import json
import shutil

import duckdb
import geopandas as gpd
import pyarrow.parquet as pq
import pytest

from decknet.columns import RECORDS
from decknet.errors import StoreError
from decknet.keep import Store
from decknet.keep.backup import copy_store
from decknet.keep.snapshot import DESCRIPTOR, check_snapshot, columns_of, from_snapshot, write_snapshot
from decknet.keep.verify import prove, verify

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def snapshot(demo_store, tmp_path_factory):
    folder = tmp_path_factory.mktemp("snapshots") / "first"
    with Store.open(demo_store) as store:
        write_snapshot(store, folder)
    return folder


@pytest.fixture
def copied(snapshot, tmp_path):
    return shutil.copytree(snapshot, tmp_path / "copied")


@pytest.fixture
def spoilt(demo_store, tmp_path):
    """A copy of the demo store, and a way to change it behind the program's back."""
    path = tmp_path / "spoilt.duckdb"
    shutil.copyfile(demo_store, path)

    def change(statement):
        with duckdb.connect(str(path)) as db:
            db.execute(statement)
        return prove(path).troubles

    return change


def _bytes(folder):
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def test_a_snapshot_brought_back_gives_the_same_snapshot_byte_for_byte(snapshot, tmp_path):
    from_snapshot(snapshot, tmp_path / "back.duckdb")
    with Store.open(tmp_path / "back.duckdb") as store:
        write_snapshot(store, tmp_path / "second")
    assert _bytes(tmp_path / "second") == _bytes(snapshot)


def test_a_store_brought_back_holds_the_same_records_and_goes_on_counting(demo_store, snapshot, tmp_path):
    from_snapshot(snapshot, tmp_path / "back.duckdb")
    with Store.open(demo_store) as a, Store.open(tmp_path / "back.duckdb") as b:
        for kind in RECORDS:
            assert a.current(kind).equals(b.current(kind)), kind
            assert a.history(kind).equals(b.history(kind)), kind
        assert a.intakes().equals(b.intakes())
        following = "SELECT sequence_name, coalesce(last_value + 1, start_value) FROM duckdb_sequences() ORDER BY 1"
        assert a.connection.execute(following).fetchall() == b.connection.execute(following).fetchall()
        assert verify(b).troubles == ()


@pytest.mark.basis(
    "published", "Data Package 2.0 and Table Schema 2.0 (Frictionless specifications): required properties"
)
def test_the_descriptor_is_a_data_package_that_names_every_column(snapshot):
    package = json.loads((snapshot / DESCRIPTOR).read_text(encoding="utf-8"))
    types = {"string", "number", "integer", "boolean", "date", "datetime", "any"}
    for resource in package["resources"]:
        file = snapshot / resource["path"]
        assert resource["name"] == resource["name"].lower()
        assert resource["bytes"] == file.stat().st_size
        assert resource["hash"] == "sha256:" + hashlib.sha256(file.read_bytes()).hexdigest()
        fields = resource["schema"]["fields"]
        assert [f["name"] for f in fields] == pq.read_schema(file).names
        assert all(f["description"] and f["type"] in types for f in fields), resource["name"]
        assert set(resource["schema"]["primaryKey"]) <= {f["name"] for f in fields}
        assert [f["name"] for f in fields] == [
            n for n in (f["name"] for f in fields) if n in columns_of(resource["name"])
        ]
    assert {r["path"] for r in package["resources"]} | {DESCRIPTOR} == {p.name for p in snapshot.iterdir()}


@pytest.mark.basis("published", "GeoParquet 1.1.0: read back by a general library")
def test_shapes_are_read_by_a_general_library_with_their_own_system(snapshot, demo_store):
    defects, base = gpd.read_parquet(snapshot / "defect.parquet"), gpd.read_parquet(snapshot / "base.parquet")
    assert defects.crs is None  # station and offset
    assert base.crs.equals("OGC:CRS84")
    with Store.open(demo_store) as store:
        held = store.history("defect")
    assert defects.geometry.area.sum() == pytest.approx(gpd.GeoSeries(held["shape"]).area.sum(), rel=1e-12)


@pytest.mark.parametrize("harm", ["a byte more", "a file gone", "no descriptor", "half a descriptor", "a path outside"])
def test_a_snapshot_that_was_harmed_is_refused_and_makes_nothing(copied, tmp_path, harm):
    descriptor = copied / DESCRIPTOR
    if harm == "a byte more":
        with (copied / "survey.parquet").open("ab") as file:
            file.write(b"x")
    elif harm == "a file gone":
        (copied / "repair.parquet").unlink()
    elif harm == "no descriptor":
        descriptor.unlink()
    elif harm == "half a descriptor":
        descriptor.write_text(descriptor.read_text(encoding="utf-8")[:900], encoding="utf-8")
    else:
        descriptor.write_text(
            descriptor.read_text(encoding="utf-8").replace('"deck.parquet"', '"../deck.parquet"'), encoding="utf-8"
        )
    with pytest.raises(StoreError, match=r"snapshot|copy"):
        from_snapshot(copied, tmp_path / "back.duckdb")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copied"]


def test_a_table_put_in_place_of_another_is_refused(copied, tmp_path):
    package = json.loads((copied / DESCRIPTOR).read_text(encoding="utf-8"))
    parts = {r["name"]: r for r in package["resources"]}
    for name in ("path", "hash", "rows"):
        parts["survey"][name], parts["repair"][name] = parts["repair"][name], parts["survey"][name]
    (copied / DESCRIPTOR).write_text(json.dumps(package), encoding="utf-8")
    check_snapshot(copied)  # every file is what it is said to be
    with pytest.raises(StoreError, match="does not fit a store"):
        from_snapshot(copied, tmp_path / "back.duckdb")
    assert not (tmp_path / "back.duckdb").exists()


def test_neither_a_snapshot_nor_a_store_nor_a_copy_is_overwritten(demo_store, snapshot, tmp_path):
    before = _bytes(snapshot)
    (tmp_path / "held.duckdb").write_bytes(b"mine")
    with Store.open(demo_store) as store, pytest.raises(StoreError, match="never overwrites"):
        write_snapshot(store, snapshot)
    for make in (from_snapshot, copy_store):
        with pytest.raises(StoreError, match="never overwrites"):
            make(snapshot if make is from_snapshot else demo_store, tmp_path / "held.duckdb")
    assert _bytes(snapshot) == before
    assert (tmp_path / "held.duckdb").read_bytes() == b"mine"


def test_an_older_layout_is_brought_up_to_the_newest(demo_store, copied, tmp_path):
    """A snapshot of the first layout: its tables and columns as they were then."""
    old = tmp_path / "old.duckdb"
    with Store.open(demo_store) as store:
        wanted = store.current("survey")
    from decknet.keep.engine import connect

    with Store(connect(old, read_only=False), old, read_only=False) as store:
        store.lay_out(1)
        db = store.connection
        db.execute("INSERT INTO about VALUES ('format', 'decknet store'), ('title', 'Old'), ('currency', 'USD')")
        db.execute(
            "INSERT INTO intake SELECT 1, 'a.csv', repeat('0', 64), 1, TIMESTAMP '2026-01-01', 'x', 'y', "
            "1, 1, 0, 0, 0, 1, 0, 0"
        )
        db.execute(
            "INSERT INTO survey (row_id, intake_id, sheet, line, fingerprint, survey_id, deck_id, survey_date) "
            "VALUES (1, 1, '', 2, 0, 's', 'd', DATE '2025-05-01')"
        )
        write_snapshot(store, tmp_path / "old_snapshot")
    assert "intake_fault_closed.parquet" not in _bytes(tmp_path / "old_snapshot")
    from_snapshot(tmp_path / "old_snapshot", tmp_path / "now.duckdb")
    with Store.open(tmp_path / "now.duckdb") as store:
        assert store.current("survey")["survey_id"].tolist() == ["s"]
        assert store.current("survey").columns.tolist() == wanted.columns.tolist()
        assert store.open_entries().empty


def test_a_whole_store_is_proven_whole(demo_store):
    with Store.open(demo_store) as store:
        proof = verify(store)
        assert proof.troubles == ()
        assert proof.intakes == len(store.intakes())
        assert proof.rows == sum(len(store.history(kind)) for kind in RECORDS)


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE survey SET unsound_m2 = 1 WHERE row_id = (SELECT min(row_id) FROM survey)", "no longer say"),
        ("UPDATE defect SET kind = 'hole' WHERE row_id = (SELECT max(row_id) FROM defect)", "no longer say"),
        ("UPDATE defect SET shape = NULL WHERE row_id = (SELECT max(row_id) FROM defect)", "no longer say"),
        ("DELETE FROM defect WHERE row_id = (SELECT max(row_id) FROM defect)", "3,726 are there"),
        ("UPDATE repair SET intake_id = 99 WHERE row_id = (SELECT min(row_id) FROM repair)", "no intake of the log"),
        ("UPDATE bridge SET supersedes = 1000000 WHERE row_id = (SELECT min(row_id) FROM bridge)", "not there"),
        ("DELETE FROM intake_fault WHERE intake_id = 4 AND number = 1", "Intake"),
        ("INSERT INTO intake_fault_closed VALUES (4, 1, 77, 'x')", "marked as put right"),
    ],
)  # fmt: skip
def test_a_change_behind_the_log_is_found(spoilt, statement, said):
    troubles = spoilt(statement)
    assert troubles
    assert any(said in t for t in troubles), troubles


def test_a_programme_whose_lines_were_changed_is_found(spoilt):
    spoilt(
        "INSERT INTO programme (programme_id, name, made_at, made_by, software, first_year, seed, budgets, "
        "settings, facts) VALUES (1, 'agreed', TIMESTAMP '2026-01-01', 'x', 'y', 2027, 0, '[1]', '{}', "
        "'{\"cost_total\": 100.0}')"
    )
    troubles = spoilt("SELECT 1")
    assert any("'agreed': was kept at a cost of 100.00" in t for t in troubles)


def test_a_backup_is_the_store_and_a_harmed_store_is_not_backed_up(demo_store, spoilt, tmp_path):
    copy_store(demo_store, tmp_path / "copy.duckdb")
    with Store.open(demo_store) as a, Store.open(tmp_path / "copy.duckdb") as b:
        assert a.history("survey").equals(b.history("survey"))
    assert spoilt("DELETE FROM repair WHERE row_id = (SELECT max(row_id) FROM repair)")
    with pytest.raises(StoreError, match="is not whole"):
        copy_store(tmp_path / "spoilt.duckdb", tmp_path / "second.duckdb")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.duckdb", "spoilt.duckdb"]


@pytest.fixture
def old(tmp_path):
    """A store of the first layout."""
    from decknet.keep.engine import connect

    path = tmp_path / "old.duckdb"
    with Store(connect(path, read_only=False), path, read_only=False) as store:
        store.lay_out(1)
        store.connection.execute(
            "INSERT INTO about VALUES ('format', 'decknet store'), ('title', 'Old'), ('currency', 'USD')"
        )
    return path


def test_a_store_of_an_older_layout_is_brought_up_to_date_on_reading(old):
    with Store.open(old) as store:
        assert store.read_only
        assert store.open_entries().empty  # a table of a later layout


def test_one_that_may_not_be_written_is_left_alone_and_can_be_copied(old, tmp_path, monkeypatch):
    before = old.read_bytes()
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(StoreError, match="decknet backup"):
        Store.open(old)
    monkeypatch.undo()
    copy_store(old, tmp_path / "copy.duckdb")
    assert old.read_bytes() == before
    with Store.open(tmp_path / "copy.duckdb") as store:
        assert store.open_entries().empty

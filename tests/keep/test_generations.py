"""A store's file is never written over; what was stored outlasts whatever comes between two generations."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from datetime import datetime

import pandas as pd
import pytest

from decknet.columns import FAULT
from decknet.errors import StoreBusyError, StoreError
from decknet.keep import Store
from decknet.keep import generations as ours
from decknet.keep.backup import copy_store
from decknet.keep.engine import connect, disconnect
from decknet.keep.recover import recover, replace_by
from decknet.keep.snapshot import write_snapshot
from decknet.keep.verify import prove
from tests.frames import rows
from tests.quick import first

NOW = datetime(2026, 11, 25, 9, 30)
NO_FAULTS = pd.DataFrame(columns=list(FAULT))


def _add(store, folder, text, count=5):
    path = folder / "source.csv"
    path.write_text(text, encoding="utf-8")
    bridges = rows("bridge", bridge_id=[f"{text}-{n}" for n in range(count)])
    store.add(path, {"bridge": bridges}, NO_FAULTS, rows_read=1, rows_kept=1, now=NOW, who="t", software="t")
    path.unlink()


def _digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _bridges(path):
    with Store.open(path) as store:
        return len(store.current("bridge"))


def _names(folder):
    return sorted(p.name for p in folder.iterdir())


@pytest.fixture
def path(tmp_path):
    place = tmp_path / "district.duckdb"
    with Store.create(place, title="A district", currency="USD", now=NOW, software="test") as store:
        _add(store, tmp_path, "first")
    return place


@pytest.fixture
def left(path, tmp_path):
    """A store left with its log, as by a program that broke off: two intakes of five lie in the log."""
    store = Store.open(path, read_only=False)
    _add(store, tmp_path, "second")
    _add(store, tmp_path, "third")
    store.let_go()
    return path


def test_while_records_are_stored_the_file_does_not_change_by_a_byte(path, tmp_path):
    before = _digest(path)
    store = Store.open(path, read_only=False)
    _add(store, tmp_path, "second")
    store.undo(1, now=NOW, who="t")
    assert _digest(path) == before
    assert _names(tmp_path) == ["district.duckdb", "district.duckdb.wal"]
    store.close()
    assert _digest(path) != before
    assert _names(tmp_path) == ["district.duckdb"]
    assert _bridges(path) == 5


def test_the_file_keeps_its_rights(path, tmp_path):
    path.chmod(0o640)
    with Store.open(path, read_only=False) as store:
        _add(store, tmp_path, "second")
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_reader_sees_a_log_left_behind_and_folds_it_in(left, tmp_path):
    assert _bridges(left) == 15
    assert _names(tmp_path) == ["district.duckdb"]


def test_where_it_may_not_be_written_a_reader_sees_the_log_all_the_same(left, tmp_path, monkeypatch):
    monkeypatch.setattr("os.access", lambda *_: False)
    assert _bridges(left) == 15
    assert _names(tmp_path) == ["district.duckdb", "district.duckdb.wal"]


def test_while_someone_reads_the_log_stays_and_is_folded_in_later(left, tmp_path):
    before = _digest(left)
    code = (
        "import sys; from pathlib import Path; from decknet.keep.engine import connect\n"
        "db = connect(Path(sys.argv[1]), read_only=True)\nprint('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(left)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout.readline().strip() == b"open"
        assert _bridges(left) == 15
        assert _digest(left) == before
        other.communicate()
    assert _bridges(left) == 15
    assert _names(tmp_path) == ["district.duckdb"]


def test_a_log_that_cannot_be_folded_in_stays_and_is_said(path, tmp_path, monkeypatch, caplog):
    def full(*_):
        raise OSError(28, "No space left on device")

    store = Store.open(path, read_only=False)
    _add(store, tmp_path, "second")
    monkeypatch.setattr(ours, "_keep", full)
    store.close()
    assert "all is stored" in caplog.text
    assert "No space left on device" in caplog.text
    assert "district.duckdb.wal" in caplog.text
    monkeypatch.undo()
    assert _names(tmp_path) == ["district.duckdb", "district.duckdb.wal"]
    assert _bridges(path) == 10


def test_a_generation_that_is_not_proven_is_said_and_the_last_is_kept(path, tmp_path, monkeypatch):
    store = Store.open(path, read_only=False)
    _add(store, tmp_path, "second")
    monkeypatch.setattr(ours, "damaged_blocks", lambda _: [3])
    with pytest.raises(StoreError, match=r"does not hold what its log held.*recover"):
        store.close()
    monkeypatch.undo()
    assert _names(tmp_path) == [".district.duckdb.kept", "district.duckdb"]
    assert _bridges(path) == 10


@pytest.fixture
def cut_short(left, tmp_path, monkeypatch):
    """A store whose log was being folded in when the power went: the generation before is kept beside it."""
    monkeypatch.setattr(ours, "_drop", lambda *_: None)
    with Store.open(left, read_only=False):
        pass
    monkeypatch.undo()
    assert _names(tmp_path) == [".district.duckdb.kept", "district.duckdb"]
    return left


def test_a_generation_kept_is_removed_once_the_next_is_seen_to_be_whole(cut_short, tmp_path):
    assert _names(tmp_path / ".district.duckdb.kept") == ["district.duckdb", "district.duckdb.wal"]
    assert _bridges(cut_short) == 15
    assert _names(tmp_path) == ["district.duckdb"]


def test_where_it_may_not_be_written_a_whole_store_is_read_beside_it(cut_short, tmp_path, monkeypatch):
    monkeypatch.setattr("os.access", lambda *_: False)
    assert _bridges(cut_short) == 15
    assert _names(tmp_path) == [".district.duckdb.kept", "district.duckdb"]


@pytest.mark.parametrize("harm", first(2, ["header", "block", "cut", "head", "rows"]))
def test_a_generation_kept_is_brought_back_where_the_next_is_broken(cut_short, tmp_path, harm):
    whole = cut_short.read_bytes()
    if harm == "rows":  # whole in itself, and lacks what was stored last
        shutil.copyfile(tmp_path / ".district.duckdb.kept" / "district.duckdb", cut_short)
    else:
        at = {"header": 8200, "block": 12_288 + 700, "cut": 0, "head": 9}[harm]
        harmed = whole[: len(whole) // 2] if harm == "cut" else whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]
        cut_short.write_bytes(harmed)
    before = _digest(cut_short)
    for attempt in (Store.open, prove, lambda p: copy_store(p, tmp_path / "copy.duckdb")):
        with pytest.raises(StoreError, match="decknet recover district"):
            attempt(cut_short)
    assert _digest(cut_short) == before
    made = recover(cut_short)
    assert [p.name for p in made.aside] == ["district.duckdb.set-aside-1"]
    assert _digest(made.aside[0]) == before
    assert _bridges(cut_short) == 15
    assert _names(tmp_path) == ["district.duckdb", "district.duckdb.set-aside-1"]


def test_where_the_generation_kept_is_broken_the_next_is_used(cut_short, tmp_path):
    kept = tmp_path / ".district.duckdb.kept" / "district.duckdb"
    kept.write_bytes(kept.read_bytes()[:9000])
    with pytest.raises(StoreError, match="decknet recover district"):
        Store.open(cut_short)
    made = recover(cut_short)
    assert [p.name for p in made.aside] == ["district.duckdb.kept.set-aside-1"]
    assert _bridges(cut_short) == 15


def test_a_log_of_the_generation_before_is_set_aside_and_nothing_is_lost(left, tmp_path):
    log = left.with_name("district.duckdb.wal")
    kept = log.read_bytes()
    assert _bridges(left) == 15
    log.write_bytes(kept)
    with pytest.raises(StoreError, match="decknet recover district"):
        Store.open(left)
    made = recover(left)
    assert made.changed
    assert [p.name for p in made.aside] == ["district.duckdb.wal.set-aside-1"]
    assert made.aside[0].read_bytes() == kept
    assert _bridges(left) == 15


def test_a_system_that_lets_nobody_read_a_file_being_written_is_served_too(path, tmp_path, monkeypatch):
    from decknet.keep import engine

    monkeypatch.setattr(engine, "HOLDS", False)
    with Store.open(path, read_only=False) as store:
        _add(store, tmp_path, "second")
    assert _names(tmp_path) == ["district.duckdb"]
    assert _bridges(path) == 10


def test_a_log_cut_in_the_middle_is_said_and_recover_brings_back_what_was_stored(left):
    log = left.with_name("district.duckdb.wal")
    log.write_bytes(log.read_bytes()[:-9])
    for read_only in (True, False):
        with pytest.raises(StoreError, match=r"its log breaks off.*decknet recover"):
            Store.open(left, read_only=read_only)
    with pytest.raises(StoreError, match="its log breaks off"):
        copy_store(left, left.with_name("copy.duckdb"))
    assert recover(left).proof.last[0] == 2
    assert _bridges(left) == 10


def test_recover_leaves_a_whole_store_alone(path, tmp_path):
    before = _digest(path)
    assert not recover(path).changed
    assert _digest(path) == before
    assert _names(tmp_path) == ["district.duckdb"]


def test_records_gone_behind_the_log_are_said_at_opening(path):
    db = connect(path, read_only=False)
    db.execute("DELETE FROM bridge WHERE row_id = (SELECT max(row_id) FROM bridge)")
    db.execute("CHECKPOINT store")
    disconnect(path, db)
    for read_only in (True, False):
        with pytest.raises(StoreError, match="says 5 records were brought in, and 4 are there"):
            Store.open(path, read_only=read_only)
    with pytest.raises(StoreError, match="--from BACKUP"):
        recover(path)


def test_a_damaged_index_passes_no_proof_and_its_rows_are_written_anew(demo_store, tmp_path):
    """The engine does not read the block: a question is answered as ever."""
    path, whole = tmp_path / "district.duckdb", demo_store.read_bytes()
    for start in range(12_288, len(whole), 262_144):
        path.write_bytes(whole[: start + 9000] + bytes([whole[start + 9000] ^ 1]) + whole[start + 9001 :])
        try:
            with Store.open(path) as store:
                for table in (
                    "bridge",
                    "deck",
                    "survey",
                    "defect",
                    "repair",
                    "traffic",
                    "intake",
                    "intake_fault",
                    "base",
                ):
                    store.connection.execute(f"SELECT bit_xor(hash(t)) FROM {table} AS t").fetchall()
        except StoreError:
            continue
        break
    assert prove(path).troubles == ("Blocks of the file that are not what was written: 1.",)
    with pytest.raises(StoreError, match="not whole"):
        copy_store(path, tmp_path / "copy.duckdb")
    before = _digest(path)
    with pytest.raises(StoreError, match="nothing is written to it"):
        Store.open(path, read_only=False)
    assert _digest(path) == before
    made = recover(path)
    assert made.proof.rows == 6529
    assert prove(path).troubles == ()
    assert [p.name for p in made.aside] == ["district.duckdb.set-aside-1"]
    assert _digest(made.aside[0]) == before


@pytest.mark.parametrize("form", ["backup", "snapshot"])
@pytest.mark.slow
def test_a_backup_is_put_in_the_place_of_a_store_that_is_set_aside(left, tmp_path, form):
    source = tmp_path / form
    if form == "backup":
        copy_store(left, source)
    else:
        with Store.open(left) as store:
            write_snapshot(store, source)
    left.write_bytes(b"x" * 5000)
    with pytest.raises(StoreError, match=r"decknet recover district.* --from BACKUP"):
        Store.open(left)
    made = replace_by(left, source)
    assert made.aside[0].read_bytes() == b"x" * 5000
    assert made.proof.rows == 15
    assert _bridges(left) == 15


def test_a_store_is_not_replaced_by_itself_nor_by_what_is_not_whole(path, tmp_path):
    before = _digest(path)
    with pytest.raises(StoreError, match="is the store itself"):
        replace_by(path, path)
    with pytest.raises(StoreError, match="no such snapshot or backup"):
        replace_by(path, tmp_path / "none")
    bad = tmp_path / "bad.duckdb"
    bad.write_bytes(path.read_bytes()[:-9000])
    with pytest.raises(StoreError, match="not whole"):
        replace_by(path, bad)
    assert _digest(path) == before


def test_a_backup_follows_a_link_and_takes_the_log_of_the_file(left, tmp_path, monkeypatch):
    folder = tmp_path / "links"
    folder.mkdir()
    link = folder / "link.duckdb"
    link.symlink_to(left)
    assert copy_store(link, tmp_path / "copy.duckdb").rows == 15
    assert _bridges(tmp_path / "copy.duckdb") == 15
    assert left.with_name("district.duckdb.wal").exists()
    with Store.open(link, read_only=False) as store:
        _add(store, tmp_path, "fourth")
    assert link.is_symlink()
    assert _names(folder) == ["link.duckdb"]
    assert _bridges(left) == 20


@pytest.mark.slow
def test_a_reader_that_opens_twice_keeps_writers_out_until_it_is_done(path):
    """The system drops a program's locks on a file when the program closes it once."""
    code = (
        "import sys; from pathlib import Path; from decknet.keep import Store\n"
        "from decknet.errors import StoreBusyError\n"
        "try: Store.open(Path(sys.argv[1]), read_only=False); print('opened')\n"
        "except StoreBusyError: print('busy')"
    )

    def other():
        done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
        return done.stdout.strip()

    with Store.open(path) as outer:
        with Store.open(path) as inner:
            assert len(inner.current("bridge")) == 5
        assert len(outer.current("bridge")) == 5
        assert other() == "busy"
        with pytest.raises(StoreBusyError, match="open elsewhere"):
            copy_store(path, path.with_name("copy.duckdb"))
        assert other() == "busy"
    assert other() == "opened"


def test_a_log_without_its_store_is_not_taken_for_that_of_a_new_one(left):
    left.unlink()
    with pytest.raises(StoreError, match="is the log of a store that is not there"):
        Store.create(left, title="x", currency="USD", now=NOW, software="test")
    assert left.with_name("district.duckdb.wal").exists()


def test_what_a_program_that_broke_off_left_is_cleared(path, tmp_path):
    scratch = tmp_path / ".district.duckdb.part"
    scratch.mkdir()
    for name in ("district.duckdb", "district.duckdb.wal", "lock"):
        (scratch / name).write_bytes(b"half of it")
    (scratch / "rebuilt").mkdir()
    with Store.open(path, read_only=False) as store:
        _add(store, tmp_path, "second")
    assert _names(tmp_path) == ["district.duckdb"]
    assert _bridges(path) == 10


def test_two_programs_do_not_make_the_same_generation(tmp_path):
    target = tmp_path / "new.duckdb"
    with ours.scratch_beside(target), pytest.raises(StoreBusyError, match="being written"), ours.scratch_beside(target):
        pass
    assert _names(tmp_path) == []


def test_a_name_that_was_taken_meanwhile_is_left_alone(tmp_path):
    new, target = tmp_path / "new", tmp_path / "target"
    new.write_bytes(b"new")
    target.write_bytes(b"theirs")
    with pytest.raises(StoreError, match="by someone else"):
        ours.publish(new, target, over=False)
    assert target.read_bytes() == b"theirs"
    ours.publish(new, target, over=True)
    assert target.read_bytes() == b"new"


def test_a_disk_that_cannot_link_is_served_too(tmp_path, monkeypatch):
    def no(*_):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no)
    new, target = tmp_path / "new", tmp_path / "target"
    new.write_bytes(b"new")
    ours.publish(new, target, over=False)
    assert target.read_bytes() == b"new"
    assert not new.exists()


def test_an_engines_file_whose_making_broke_off_says_what_to_do(tmp_path):
    path = tmp_path / "half.duckdb"
    disconnect(path, connect(path, read_only=False))
    with pytest.raises(StoreError, match=r"its making was broken off. Remove it and half.duckdb.wal"):
        Store.open(path)

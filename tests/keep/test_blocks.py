"""The layout of the engine's file and log, as read without it, is that of the engine in use."""

from __future__ import annotations

import io
import shutil

import duckdb
import pytest

from decknet.keep.blocks import damaged_blocks, read_log
from decknet.keep.engine import connect, disconnect

HEADER, BLOCK = 4096, 262_144


@pytest.mark.basis("published", "DuckDB, Internals, Storage: checksums of three headers and of every block")
def test_every_block_and_header_with_a_flipped_byte_is_named(demo_store):
    whole = demo_store.read_bytes()
    assert damaged_blocks(io.BytesIO(whole)) == []
    places = [(-3 + n, n * HEADER) for n in range(3)]
    places += [(n, 3 * HEADER + n * BLOCK) for n in range((len(whole) - 3 * HEADER) // BLOCK)]
    assert len(places) > 20
    for number, start in places:
        for at in (start, start + 2000):
            harmed = bytearray(whole)
            harmed[at] ^= 16
            assert damaged_blocks(io.BytesIO(harmed)) == [number]


def test_a_cut_file_lacks_its_last_blocks(demo_store):
    whole = demo_store.read_bytes()
    count = (len(whole) - 3 * HEADER) // BLOCK
    assert damaged_blocks(io.BytesIO(whole[: -BLOCK - 10])) == [count - 2, count - 1]


def test_of_a_file_laid_out_in_another_way_nothing_is_said():
    assert damaged_blocks(io.BytesIO(b"another layout " * 5000)) is None
    assert damaged_blocks(io.BytesIO(b"")) is None


@pytest.fixture
def logged(demo_store, tmp_path):
    """A store, its log, and how long the log was after each of 20 transactions."""
    path = tmp_path / "logged.duckdb"
    shutil.copyfile(demo_store, path)
    log = path.with_name(path.name + ".wal")
    db, ends = connect(path, read_only=False), []
    for n in range(20):
        db.execute("BEGIN")
        db.execute("INSERT INTO about VALUES ($key, $value)", {"key": f"k{n}", "value": "v" * (n * 37)})
        db.execute("CREATE OR REPLACE SEQUENCE s START 1")
        db.execute("COMMIT")
        ends.append(log.stat().st_size)
    disconnect(path, db)
    return path, log, ends


def test_the_ends_of_transactions_are_where_the_log_grew_to(logged):
    _, log, ends = logged
    read = read_log(log)
    assert list(read.ends[1:]) == ends
    assert not read.breaks_off


@pytest.mark.slow
def test_a_log_cut_anywhere_breaks_off_save_where_a_transaction_ends(logged):
    _, log, ends = logged
    whole = log.read_bytes()
    first = read_log(log).ends[0]
    for length in range(first, len(whole) + 1):
        log.write_bytes(whole[:length])
        assert read_log(log).breaks_off == (length not in (first, *ends))
    log.write_bytes(whole + b"\0" * 512)
    assert read_log(log).breaks_off


def test_a_log_cut_where_a_transaction_ends_holds_the_ones_before(logged):
    """What the engine takes in of it is what was read without the engine."""
    path, log, ends = logged
    whole = log.read_bytes()
    for n in (0, 7, 19):
        log.write_bytes(whole[: ends[n]])
        with duckdb.connect() as db:
            db.execute(f"ATTACH '{path}' AS s (READ_ONLY)")
            assert db.execute("SELECT count(*) FROM s.about WHERE key LIKE 'k%'").fetchall() == [(n + 1,)]


def test_no_log_and_one_of_another_kind_are_not_read(tmp_path):
    assert read_log(tmp_path / "none.wal") is None
    (tmp_path / "x.wal").write_bytes(b"something else altogether")
    assert read_log(tmp_path / "x.wal") is None


@pytest.mark.basis("derived", "the engine says how many blocks are free; a file that grew and shrank lists as many")
@pytest.mark.slow
def test_blocks_that_the_file_lists_as_free_are_no_damage(tmp_path):
    """A store that shrinks is cut behind its header's count; loads of a few small files do that."""
    from datetime import datetime

    from decknet import flow

    path, short = tmp_path / "few.duckdb", 0
    flow.create(path, title="Few", currency="USD", now=datetime(2026, 1, 1))
    for n in range(8):
        file = tmp_path / f"b{n}.csv"
        file.write_text(f"bridge id,name,deck length m,deck width m\nB{n},N{n},40,9\n", encoding="utf-8")
        (one,) = list(flow.load(path, [file], now=datetime(2026, 1, 1), who="t"))
        assert one.intake.new == 2
        with path.open("rb") as opened:
            assert damaged_blocks(opened) == []
        db = connect(path, read_only=True)
        total, free = db.execute("SELECT total_blocks, free_blocks FROM pragma_database_size()").fetchall()[0]
        disconnect(path, db)
        lacking = total - (path.stat().st_size - 3 * HEADER) // BLOCK
        assert 0 <= lacking <= free
        short += lacking > 0
    assert short  # it did happen

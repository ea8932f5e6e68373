"""Questions in SQL: what only reads is answered, everything else is refused or stopped with one line."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import time
from datetime import date, datetime

import pandas as pd
import pytest
import shapely

from decknet import flow
from decknet.cli import main
from decknet.columns import RECORDS
from decknet.columns.views import VIEWS
from decknet.errors import DecknetError, StoreBusyError
from decknet.flow import AsOf, ask
from decknet.keep import Store
from decknet.settings import Settings
from tests.quick import first

TODAY = date(2026, 11, 25)

CHANGES = (
    "INSERT INTO store.bridge SELECT * FROM store.bridge",
    "UPDATE store.bridge SET name = 'x'",
    "DELETE FROM store.bridge",
    "TRUNCATE store.bridge",
    "DROP TABLE store.bridge",
    "DROP VIEW deck_status",
    "ALTER TABLE store.bridge ADD COLUMN x INTEGER",
    "COMMENT ON TABLE store.bridge IS 'x'",
    "CREATE TABLE store.x (a INTEGER)",
    "CREATE TEMP TABLE x AS SELECT 1 AS a",
    "CREATE OR REPLACE VIEW deck_status AS SELECT 1 AS a",
    "CREATE MACRO f(a) AS a",
    "MERGE INTO store.bridge USING store.deck ON false WHEN MATCHED THEN DELETE",
    "WITH x AS (INSERT INTO store.bridge SELECT * FROM store.bridge RETURNING *) SELECT * FROM x",
    "WITH x AS (DELETE FROM store.bridge RETURNING *) SELECT * FROM x",
    "EXPLAIN ANALYZE INSERT INTO store.bridge SELECT * FROM store.bridge",
    "EXPLAIN ANALYZE CREATE TABLE x AS SELECT 1 AS a",
    "SELECT nextval('store.record_number')",
    "BEGIN",
    "CHECKPOINT",
    "SELECT * FROM checkpoint('store')",
    "VACUUM",
)
REACHES_OUT = (
    "ATTACH 'other.duckdb' AS other",
    "ATTACH ':memory:' AS other",
    "DETACH store",
    "COPY bridge TO 'out.csv'",
    "COPY (SELECT 1) TO 'out.parquet' (FORMAT parquet)",
    "COPY store.bridge FROM 'in.csv'",
    "EXPORT DATABASE 'out'",
    "IMPORT DATABASE 'in'",
    "INSTALL httpfs",
    "LOAD httpfs",
    "LOAD './evil.duckdb_extension'",
    "SELECT * FROM read_csv('secret.csv')",
    "SELECT * FROM 'secret.csv'",
    "SELECT * FROM read_text('secret.csv')",
    "SELECT * FROM read_blob('/etc/hostname')",
    "SELECT * FROM read_parquet('secret.parquet')",
    "SELECT * FROM glob('*')",
    "SELECT * FROM sniff_csv('secret.csv')",
    "SELECT getenv('HOME')",
    "SELECT * FROM duckdb_secrets()",
    "SELECT * FROM query('COPY bridge TO ''out.csv''')",
    "SELECT * FROM query_table('deck_status')",
    "SELECT * FROM json_execute_serialized_sql(json_serialize_sql('SELECT 1'))",
    "SET enable_external_access = true",
    "SET lock_configuration = false",
    "RESET memory_limit",
    "PRAGMA database_list",
    "CALL pragma_version()",
    "PREPARE p AS SELECT 1",
    "EXECUTE p",
    "USE store",
    "SELECT 1; DROP TABLE store.bridge",
    "SELECT write_log('x')",
)
NEVER_END = (
    "WITH RECURSIVE t AS (SELECT 1 AS a UNION ALL SELECT a + 1 FROM t) SELECT max(a) FROM t",
    "SELECT count(*) FROM range(100000) a, range(100000) b, range(100000) c",
    "SELECT count(*) FROM range(1000000000000)",
    "SELECT * FROM range(1000000000000) ORDER BY 1 DESC",
    "SELECT sum(a.range * b.range) FROM range(10000000) a JOIN range(10000000) b ON a.range < b.range",
    "SELECT levenshtein(repeat('a', 300000), repeat('b', 300000))",
)
TOO_MUCH = (
    "SELECT string_agg(range::TEXT, ',') FROM range(1000000000000)",
    "SELECT length(repeat('x', 4000000000) || repeat('y', 200000000))",
    "SELECT list_sort(range(2000000000))",
    "SELECT max(md5(repeat(range::TEXT, 1000000))) FROM range(100000)",
)
WRONG = (
    "SELEC 1",
    "",
    "/* only a note */",
    "SELECT * FROM",
    "SELECT foo FROM bridge",
    "SELECT deck_id + name FROM deck_status",
    "SELECT * FROM bridge WHERE bridge_id = $id",
    "SELECT error('on purpose')",
    "SELECT 'a'::INTEGER",
    "SELECT 1 -- " + "x" * 200_000,
    "PIVOT bridge ON route",
)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ask")
    path = folder / "small.duckdb"
    (folder / "bridges.csv").write_text(
        "bridge id,name,route,deck length m,deck width m,built year,longitude,latitude\n"
        "0001,Invented one,R 1,40,10,1970,12.5,50.1\n0002,Invented two,R 1,30,8,1980,12.6,50.2\n"
    )
    (folder / "surveys.csv").write_text("bridge id,survey date,delaminated m2\n0001,2024-05-01,40\n0002,2025-05-01,6\n")
    (folder / "repairs.csv").write_text(
        "repair id,bridge id,repair date,treatment,repaired area m2,cost\nJ1,0001,2024-09-01,patch,20,9000\n"
    )
    (folder / "secret.csv").write_text("a\n1\n")
    now = datetime(2026, 1, 5)
    flow.create(path, title="Small", currency="USD", now=now)
    files = [folder / f for f in ("bridges.csv", "surveys.csv", "repairs.csv")]
    list(flow.load(path, files, now=now, who="clerk", settings=Settings()))
    return path


def _query(store, sql, **more):
    return ask.query(store, sql, asked=AsOf(TODAY), settings=Settings(), **more)


@pytest.fixture
def refused(store, capsys, monkeypatch):
    """Runs a statement as a user would, in the store's folder: it must end with 1 and one line, and change nothing."""
    monkeypatch.chdir(store.parent)
    before = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in store.parent.iterdir()}

    def run(sql, seconds="20"):
        code = main(["query", str(store), sql, "--seconds", seconds])
        out = capsys.readouterr()
        assert code == 1
        assert out.out == ""
        assert len(out.err.splitlines()) == 1
        assert out.err.startswith("decknet: query: ")
        assert {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in store.parent.iterdir()} == before
        return out.err

    return run


def test_there_are_more_than_forty_statements_to_refuse():
    assert len({*CHANGES, *REACHES_OUT, *NEVER_END, *TOO_MUCH}) > 40


@pytest.mark.parametrize("sql", first(5, CHANGES))
def test_what_changes_something_is_refused(refused, sql):
    refused(sql)


@pytest.mark.parametrize("sql", first(5, REACHES_OUT))
def test_what_reaches_outside_the_store_is_refused(refused, sql):
    said = refused(sql)
    assert "Traceback" not in said


@pytest.mark.parametrize("sql", first(1, NEVER_END))
def test_what_never_ends_is_stopped(refused, sql):
    begun = time.monotonic()
    assert "stopped after 1 s" in refused(sql, seconds="1")
    assert time.monotonic() - begun < 20  # it would take days


@pytest.mark.parametrize("sql", first(1, TOO_MUCH))
@pytest.mark.slow
def test_what_needs_too_much_memory_is_stopped(refused, sql):
    said = refused(sql, seconds="3")
    assert "memory" in said or "stopped" in said or "supported" in said


@pytest.mark.parametrize("sql", first(4, WRONG))
def test_what_is_wrong_gets_one_line(refused, sql):
    refused(sql)


def test_a_wrong_name_is_answered_with_the_views(refused):
    said = refused("SELECT * FROM deck_statsu")
    for view in VIEWS:
        assert view in said


def test_a_wrong_column_is_answered_with_those_near_it(refused):
    assert "unsound_share" in refused("SELECT unsound_shar FROM survey_history")


@pytest.mark.parametrize("name", first(1, VIEWS))
def test_a_view_has_the_columns_that_are_documented(store, name):
    frame = _query(store, f"FROM {name}").frame
    assert list(frame.columns) == [c.name for c in VIEWS[name].columns]
    for column in VIEWS[name].columns:
        assert column.meaning.endswith(".")
        kind = str(frame[column.name].dtype)
        want = {"number": "float64", "whole": "Int64", "date": "datetime64[us]", "flag": "boolean"}
        if column.kind in want:
            assert kind == want[column.kind], column.name
        elif column.kind != "shape":
            assert kind == "str", column.name
    keys = [k for k in VIEWS[name].key if k in frame]
    assert not frame.duplicated(keys).any()


@pytest.mark.parametrize("kind", first(2, RECORDS))
def test_a_view_of_records_holds_what_the_store_holds_now(store, kind):
    with Store.open(store) as opened:
        want = opened.current(kind)
    got = _query(store, f"FROM {kind} ORDER BY {', '.join(RECORDS[kind].key)}").frame[want.columns]
    for name in want.columns:
        if want[name].dtype != "object":
            pd.testing.assert_series_equal(got[name], want[name], check_dtype=False)


LENT = (
    "SELECT (SELECT unsound_m2 FROM memory.main.deck_status WHERE deck_id = '0001') AS a",
    "SELECT sum(unsound_m2) - 6 FROM network_by_year",
    "SELECT unsound_m2 FROM deck_status WHERE deck_id = '0001'",
    'SELECT "unsound_m2" FROM "DECK_STATUS" WHERE deck_id = \'0001\'',
    "WITH d AS (FROM deck_status) SELECT unsound_m2 FROM d WHERE deck_id = '0001'",
    "SELECT unsound_m2 FROM deck JOIN deck_status USING (deck_id) WHERE deck_id = '0001'",
    "SELECT before_share * 400 FROM repair_outcome",
)


@pytest.mark.parametrize("sql", first(1, LENT))
def test_answers_hold_values_and_not_an_empty_stand_in(store, sql):
    """Frames that views rest on are lent only where a question names them, however it names them."""
    assert _query(store, sql).frame.iloc[0, 0] == pytest.approx(40.0)


@pytest.mark.slow
def test_describe_summarize_show_explain_and_a_spelt_out_pivot_are_answered(store):
    assert "share_now" in _query(store, "DESCRIBE deck_status").frame["column_name"].tolist()
    assert len(_query(store, "SUMMARIZE repair").frame) == len(VIEWS["repair"].columns)
    assert "deck_status" in _query(store, "SHOW TABLES").frame["name"].tolist()
    assert len(_query(store, "EXPLAIN SELECT * FROM bridge").frame) > 0
    assert len(_query(store, "/* why */ explain analyze SELECT count(*) FROM deck_status").frame) == 1
    assert _query(store, "PIVOT bridge ON route IN ('R 1') USING count(*) GROUP BY owner").frame["R 1"].sum() == 2


@pytest.mark.slow
def test_rows_past_the_limit_are_said_and_not_given(store):
    found = _query(store, "SELECT * FROM range(1000000000000)", rows=7)
    assert len(found.frame) == 7
    assert found.more
    assert not _query(store, "SELECT * FROM range(7)", rows=7).more


def test_places_come_as_a_geometry_in_degrees(store):
    found = _query(store, "SELECT deck_id, ground FROM deck_status ORDER BY deck_id").frame
    assert found.crs == "EPSG:4326"
    assert found.geometry.iloc[0].equals_exact(shapely.Point(12.5, 50.1), tolerance=1e-6)


def test_a_store_with_any_name_is_read(store, tmp_path):
    odd = tmp_path / "o'dd; DROP x -- ünïcode.duckdb"
    odd.write_bytes(store.read_bytes())
    assert _query(odd, "SELECT count(*) FROM bridge").frame.iloc[0, 0] == 2


def test_values_are_bound(store):
    found = _query(store, "SELECT name FROM bridge WHERE bridge_id = $id", params={"id": "0002"}).frame
    assert found["name"].tolist() == ["Invented two"]


@pytest.mark.slow
def test_a_corrected_row_stays_readable_and_does_not_count(store, tmp_path):
    copy = tmp_path / "copy.duckdb"
    copy.write_bytes(store.read_bytes())
    (tmp_path / "again.csv").write_text("bridge id,survey date,delaminated m2\n0001,2024-05-01,50\n")
    list(flow.load(copy, [tmp_path / "again.csv"], now=datetime(2026, 1, 6), who="clerk", settings=Settings()))
    assert _query(copy, "SELECT delaminated_m2 FROM survey WHERE deck_id = '0001'").frame.iloc[:, 0].tolist() == [50.0]
    every = _query(copy, "SELECT delaminated_m2 FROM store.survey WHERE deck_id = '0001' ORDER BY row_id").frame
    assert every.iloc[:, 0].tolist() == [40.0, 50.0]


WRITER = """
import sys, time
from pathlib import Path
from decknet.keep import Store
with Store.open(Path(sys.argv[1]), read_only=False):
    print("open", flush=True)
    time.sleep(float(sys.argv[2]))
"""


def _writer(store, seconds):
    child = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(store), str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout.readline().strip() == "open"
    return child


@pytest.mark.slow
@pytest.mark.parametrize("command", first(1, [["query", "SELECT 1 AS a"], ["history", "0001"], ["history"]]))
def test_a_store_in_use_gets_one_line_and_waiting_gets_the_answer(store, capsys, command):
    name, *rest = command
    with _writer(store, 30) as child:
        try:
            assert main([name, str(store), *rest]) == 1
            err = capsys.readouterr().err
            assert len(err.splitlines()) == 1
            assert "in use" in err
        finally:
            child.kill()
    with _writer(store, 1):
        assert main([name, str(store), *rest, "--wait", "60"]) == 0
    assert capsys.readouterr().err == ""


def test_waiting_ends(store):
    with _writer(store, 30) as child:
        try:
            begun = time.monotonic()
            with pytest.raises(StoreBusyError):
                _query(store, "SELECT 1", wait_s=0.5)
            assert time.monotonic() - begun >= 0.5
        finally:
            child.kill()


def test_a_missing_store_is_said_before_anything_else(tmp_path):
    with pytest.raises(DecknetError, match="no such store"):
        _query(tmp_path / "none.duckdb", "SELECT 1")

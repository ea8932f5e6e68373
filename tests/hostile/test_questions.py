"""Hostile questions: each is refused or stopped in one line; the store stays as it is, nothing outside is touched."""

from __future__ import annotations

import hashlib
import itertools
import os
from pathlib import Path

import pytest

from decknet.cli import main
from tests.hostile.ground import CANARY, collection, dumps
from tests.quick import first

READERS = (
    "read_csv('{canary}')", "read_csv_auto('{canary}')", "read_parquet('{canary}')", "parquet_scan('{canary}')",
    "read_json('{canary}')", "read_json_auto('{canary}')", "read_ndjson('{canary}')", "read_json_objects('{canary}')",
    "read_ndjson_objects('{canary}')", "read_text('{canary}')", "read_blob('{canary}')", "glob('{outside}/*')",
    "sniff_csv('{canary}')", "parquet_metadata('{canary}')", "parquet_schema('{canary}')",
    "parquet_file_metadata('{canary}')", "parquet_kv_metadata('{canary}')", "read_duckdb('{canary}')",
    "sqlite_scan('{canary}', 'bridges')", "postgres_scan('host=127.0.0.1 port={port}', 'public', 'x')",
    "mysql_scan('host=127.0.0.1', 'x', 'y')", "st_read('{canary}')", "st_read_meta('{canary}')",
    "iceberg_scan('{outside}')", "delta_scan('{outside}')", "read_xlsx('{canary}')", "arrow_scan(1, 2, 3)",
    "pandas_scan(1)", "python_map_function(1, 2)", "read_csv('{url}/x.csv')", "read_parquet('{url}/x.parquet')",
    "read_text(['{canary}', '{url}/x'])", "query('SELECT 1')", "query_table('bridge')", "seq_scan('bridge')",
    "duckdb_settings()", "duckdb_secrets()", "duckdb_extensions()", "duckdb_logs()", "duckdb_databases()",
    "duckdb_temporary_files()", "pragma_database_size()", "pragma_storage_info('bridge')", "pragma_platform()",
    "pragma_user_agent()", "pragma_metadata_info()", "checkpoint()", "force_checkpoint()", "which_secret('x', 's3')",
    "json_execute_serialized_sql('{{}}')", "enable_logging()", "truncate_duckdb_logs()", "test_all_types()",
)  # fmt: skip
AROUND = (
    "SELECT * FROM {0}",
    "FROM {0}",
    "WITH a AS (SELECT * FROM {0}) SELECT * FROM a",
    "SELECT (SELECT count(*) FROM {0})",
    "SELECT 1 FROM bridge WHERE EXISTS (FROM {0})",
    "SELECT bridge_id FROM bridge UNION ALL SELECT * FROM {0}",
    "SELECT * FROM bridge b, LATERAL (SELECT * FROM {0}) c",
    "EXPLAIN ANALYZE SELECT * FROM {0}",
    "SUMMARIZE SELECT * FROM {0}",
    "VALUES ((SELECT count(*) FROM {0}))",
    "PIVOT {0} ON name IN ('x')",
    "WITH RECURSIVE r AS (SELECT 1 AS a UNION ALL SELECT a FROM r, {0}) SELECT * FROM r",
)
CHANGES = (
    "INSERT INTO store.bridge DEFAULT VALUES", "DELETE FROM store.intake", "UPDATE store.intake SET name = 'x'",
    "DROP SCHEMA store.main CASCADE", "DROP DATABASE store", "CREATE SCHEMA store.x", "CREATE SEQUENCE store.x",
    "CREATE TYPE mood AS ENUM ('a')", "CREATE INDEX i ON store.bridge (bridge_id)", "CREATE SECRET (TYPE s3)",
    "ALTER DATABASE store SET ALIAS TO x", "ATTACH '{outside}/new.duckdb' AS x", "ATTACH '{url}/x.duckdb' AS x",
    "ATTACH 'host=127.0.0.1 port={port}' AS x (TYPE postgres)", "DETACH DATABASE IF EXISTS store",
    "COPY (SELECT 1) TO '{written}'", "COPY bridge TO '{written}' (FORMAT csv)", "COPY bridge TO '/dev/stdout'",
    "COPY (SELECT 1) TO '{outside}/x' (FORMAT parquet, PARTITION_BY (a))", "COPY store.bridge FROM '{canary}'",
    "COPY FROM DATABASE store TO memory", "EXPORT DATABASE '{outside}/x'", "IMPORT DATABASE '{outside}'",
    "INSTALL spatial FROM '{url}'", "INSTALL '{outside}/x.duckdb_extension'", "FORCE INSTALL httpfs", "LOAD spatial",
    "LOAD '{outside}/x.duckdb_extension'", "UPDATE EXTENSIONS", "SET enable_external_access = true",
    "SET GLOBAL lock_configuration = false", "SET allow_unsigned_extensions = true", "SET temp_directory = '{outside}'",
    "SET VARIABLE x = (SELECT content FROM read_text('{canary}'))", "SET s3_endpoint = '127.0.0.1:{port}'",
    "SET log_query_path = '{written}'", "SET profiling_output = '{written}'", "SET home_directory = '{outside}'",
    "SET search_path = 'store'", "SET threads = 1000", "RESET ALL", "PRAGMA enable_profiling = 'json'",
    "PRAGMA import_database('{outside}')", "PRAGMA force_checkpoint", "CALL enable_logging()",
    "CALL pragma_import_database('{outside}')", "CALL checkpoint('store')", "BEGIN TRANSACTION", "COMMIT", "ROLLBACK",
    "ABORT", "VACUUM ANALYZE", "ANALYZE", "PREPARE p AS SELECT * FROM read_text('{canary}')", "EXECUTE p(1)",
    "DEALLOCATE p", "USE store.main", "SELECT 1; SELECT 2", "SELECT 1;; COPY (SELECT 1) TO '{written}'",
    "EXPLAIN COPY (SELECT 1) TO '{written}'", "EXPLAIN ANALYZE COPY (SELECT 1) TO '{written}'",
    "EXPLAIN ANALYZE ATTACH '{outside}/new.duckdb'", "/* SELECT */ COPY (SELECT 1) TO '{written}'",
    "-- SELECT 1\nCOPY (SELECT 1) TO '{written}'", "SELECT 1 INTO x", "FROM (INSERT INTO store.bridge DEFAULT VALUES)",
    "WITH a AS (UPDATE store.bridge SET name = 'x' RETURNING *) FROM a", "SELECT write_log('x')",
    "SELECT nextval('store.record_number')", "SELECT currval('store.record_number')",
    "WITH a AS MATERIALIZED (COPY (SELECT 1) TO '{written}') FROM a", "SHOW ALL TABLES; DROP TABLE store.bridge",
    ".shell cat {canary}", ".read {canary}", "\\! cat {canary}", "\\copy bridge TO '{written}'",
    "xp_cmdshell 'cat {canary}'", "LOAD DATA INFILE '{canary}' INTO TABLE bridge",
    "SELECT * INTO OUTFILE '{written}' FROM bridge", "DO $$ BEGIN END $$", "GRANT ALL ON bridge TO x",
    "LISTEN x", "LOCK TABLE bridge", "CLUSTER bridge", "DECLARE c CURSOR FOR SELECT 1", "HANDLER bridge OPEN",
)  # fmt: skip
# These pass the first look, and are refused by the process that can reach nothing but the store.
PATHS = (
    "FROM '{canary}'", "FROM \"{canary}\"", "SELECT * FROM '{outside}/*.csv'", "SELECT (FROM '{outside}/canary.csv')",
    "FROM '{url}/x.parquet'", "FROM 's3://bucket/x.parquet'", "WITH a AS (FROM '{canary}') FROM a",
    "FROM 'file:{canary}'", "SELECT getenv('HOME')", "SELECT load_extension('x')", "SELECT pg_read_file('{canary}')",
    "SELECT lo_import('{canary}')",
    "SELECT readfile('{canary}')", "SELECT writefile('{written}', 'x')", "SELECT * FROM sqlite_master_x",
    "SELECT system('cat {canary}')", "SELECT content FROM '{canary}'", "SELECT * FROM store.main.nothing",
    "SELECT * FROM temp.x", "DESCRIBE '{canary}'", "SUMMARIZE '{canary}'", "SELECT query_table('x')",
)  # fmt: skip
UNENDING = (
    "WITH RECURSIVE t AS (SELECT 1 AS a UNION ALL SELECT a FROM t) SELECT count(*) FROM t",
    "SELECT count(*) FROM range(10000000) a JOIN range(10000000) b ON a.range % 7 = b.range % 5",
    "SELECT count(*) FROM range(30000000) a, range(30000000) b WHERE (a.range || 'x' || b.range) LIKE '%1%2%'",
    "SELECT count(*) FROM generate_series(TIMESTAMP '1900-01-01', TIMESTAMP '9900-01-01', INTERVAL 1 MICROSECOND)",
    "SELECT sum(length(repeat(range::TEXT, 1000000))) FROM range(10000000)",
    "SELECT list_aggregate(list_transform(range(100000000), lambda x: x * x), 'sum') FROM range(100)",
)


def nested(n):
    """Statements that nest, each in its own way, n deep."""
    return {
        "brackets": "SELECT " + "(" * n + "1" + ")" * n,
        "lists": "SELECT " + "[" * n + "]" * n,
        "structs": "SELECT " + "{'a': " * n + "1" + "}" * n,
        "calls": "SELECT " + "abs(" * n + "1" + ")" * n,
        "cases": "SELECT " + "CASE WHEN true THEN " * n + "1" + " END" * n,
        "queries": "SELECT * FROM " + "(SELECT * FROM " * n + "bridge" + ")" * n,
        "scalars": "SELECT " + "(SELECT " * n + "1" + ")" * n,
        "signs": "SELECT " + "- " * n + "1",
        "nots": "SELECT " + "NOT " * n + "true",
        "sums": "SELECT " + "1 + " * n + "1",
        "casts": "SELECT 1" + "::INT" * n,
        "joins": "SELECT 1 FROM range(1) a" + "".join(f", range(1) a{i}" for i in range(n)),
        "unions": "SELECT 1" + " UNION ALL SELECT 1" * n,
        "withs": "".join(f"WITH a{i} AS (" for i in range(n)) + "SELECT 1" + ") SELECT 1" * n,
        "explains": "EXPLAIN " * n + "SELECT 1",
        "exists": "SELECT 1 WHERE " + "EXISTS (SELECT 1 WHERE " * n + "true" + ")" * n,
        "names": 'SELECT "' + "a" * n + '"' + '."b"' * n,
        "subscripts": "SELECT x" + "[1]" * n,
        "lambdas": "SELECT " + "list_transform([1], lambda x: " * n + "1" + ")" * n,
        "notes": "/*" * n + " SELECT 1",
    }


DEEP = {f"{name} {n}": sql for n in (900, 4_000, 10_000) for name, sql in nested(n).items()}
ODD = {
    "a byte that is no letter": "SELECT '\udcff'",
    "such a byte in a name": 'SELECT "a\udc80b" FROM bridge',
    "such a byte in a note": "SELECT 1 -- \udce9",
    "half a pair": "SELECT '\ud83d' AS a",
    "the byte alone": "\udcff",
    "such a byte after EXPLAIN": "EXPLAIN SELECT '\udcfe'",
    "bytes of another encoding": os.fsdecode("SELECT 'Brücke', Fläche FROM bridge".encode("latin-1")),
    "a quote not closed": "SELECT 'a",
    "a name not closed": 'SELECT "a',
    "a note not closed": "SELECT 1 /* a",
    "nothing but blanks": " \n\t ",
    "nothing but semicolons": ";;;",
    "a control character": "SELECT \x01\x02 FROM bridge",
    "an end of text": "SELECT 1 \x00 FROM nothing",
    "a terminal code": "SELECT \x1b[31m red",
    "a number without end": "SELECT " + "9" * 90_000 + "::INTEGER",
    "a name without end": "SELECT " + "a" * 90_000,
    "too long": "SELECT " + "1," * 60_000 + "1",
    "emoji for words": "🐍 🐍 FROM 🐍",
    "marks of direction": "SELECT \u202e1\u202c FROM \u202ebridge",
}
FAMILY = tuple(w.format(r) for r, w in itertools.product(READERS, AROUND))
EVERY = (*FAMILY[:: len(AROUND) // 4 + 1], *CHANGES, *PATHS, *UNENDING, *DEEP.values(), *ODD.values())


@pytest.fixture(scope="module")
def asked(made, tmp_path_factory):
    """The ground with one bridge in its store."""
    made.inbox.mkdir(exist_ok=True)
    path = made.put("bridges.geojson", dumps(collection()))
    assert main(["load", str(made.store), str(path)]) == 0
    return made


@pytest.fixture
def refused(asked, capsys, monkeypatch):
    """Ask as a user would: it ends with 1 and one line, and nothing has changed, been read or asked."""
    capsys.readouterr()
    monkeypatch.chdir(asked.here)
    words = {
        "canary": asked.outside / "canary.csv", "outside": asked.outside, "url": asked.url,
        "port": asked.listener.port, "written": asked.written,
    }  # fmt: skip

    def run(sql, *, filled=True, code=1):
        sql = sql.format(**words) if filled and "{" in sql else sql
        whole = hashlib.sha256(asked.store.read_bytes()).hexdigest()
        before = asked.seen()
        got = main(["query", str(asked.store), "--seconds", "2", "--", sql])
        said = capsys.readouterr()
        assert "Traceback" not in said.err + said.out
        assert CANARY not in said.err + said.out
        assert asked.seen() == before
        assert hashlib.sha256(asked.store.read_bytes()).hexdigest() == whole
        assert asked.listener.asked == []
        assert got == code or (code is None and got in (0, 1)), said
        if got:
            assert said.out == ""
            assert said.err.startswith("decknet: query: "), said.err
            assert len(said.err.splitlines()) == 1, said.err
            assert len(said.err) < 3_000
        return said.err

    return run


def test_there_are_more_than_three_hundred_hostile_statements():
    assert len(set(EVERY)) >= 300


@pytest.mark.parametrize("reader", first(6, READERS))
def test_what_reads_elsewhere_is_refused_wherever_it_stands(refused, reader):
    at = READERS.index(reader)
    for around in AROUND[at % 4 :: 4]:
        refused(around.format(reader))


@pytest.mark.slow
@pytest.mark.parametrize("reader", READERS)
def test_what_reads_elsewhere_is_refused_in_every_place(refused, reader):
    for around in AROUND:
        refused(around.format(reader))


@pytest.mark.parametrize("sql", first(15, CHANGES))
def test_what_changes_or_commands_is_refused(refused, sql):
    refused(sql)


@pytest.mark.parametrize("sql", first(3, PATHS))
def test_what_names_a_file_or_a_function_of_the_system_is_refused(refused, sql):
    refused(sql)


@pytest.mark.parametrize("sql", first(1, UNENDING))
@pytest.mark.slow
def test_what_does_not_end_is_stopped(refused, sql):
    said = refused(sql)
    assert "stopped" in said or "memory" in said or "supported" in said


@pytest.mark.parametrize("name", first(6, [n for n in DEEP if n.endswith(" 10000")]))
def test_what_nests_deeply_is_answered_or_refused_in_words(refused, name):
    refused(DEEP[name], filled=False, code=None)


@pytest.mark.slow
@pytest.mark.parametrize("name", [n for n in DEEP if not n.endswith(" 10000")])
def test_what_nests_less_deeply_is_answered_or_refused_in_words(refused, name):
    refused(DEEP[name], filled=False, code=None)


@pytest.mark.parametrize("name", first(8, ODD))
def test_what_is_no_text_or_no_statement_is_refused(refused, name):
    said = refused(ODD[name], filled=False, code=None if name == "an end of text" else 1)
    if any("\ud800" <= c <= "\udfff" for c in ODD[name]):
        assert "no text in UTF-8" in said


def test_a_value_that_is_no_text_is_refused(asked):
    from datetime import date

    from decknet.errors import DecknetError
    from decknet.flow import AsOf, ask
    from decknet.settings import Settings

    with pytest.raises(DecknetError, match="no text in UTF-8"):
        ask.query(
            asked.store, "SELECT $a AS a", asked=AsOf(date(2026, 6, 1)), settings=Settings(), params={"a": "x\udcff"}
        )


def test_a_statement_with_such_a_byte_is_shown_without_a_traceback(asked, capsys):
    assert main(["query", str(asked.store), "--show", "SELECT '\udcff'"]) in (0, 1)
    assert "Traceback" not in capsys.readouterr().err
    assert Path(asked.store).exists()

"""A whole store as open files, and back.

A snapshot is a folder of Parquet files, one a table, with every row ever stored, and a data package descriptor
(``datapackage.json``) that says what each column is and carries the SHA-256 of each file. Shapes are well-known
binary; the Parquet files that hold them carry GeoParquet metadata. Nothing of this program is needed to read it.

References
----------
published: Data Package 2.0, Table Schema 2.0 (the Frictionless specifications); GeoParquet 1.1.0.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from string import Template
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from decknet.columns import RECORDS, Column
from decknet.columns.log import LEAD, LOG
from decknet.errors import StoreError
from decknet.keep.checks import check_is_free
from decknet.keep.engine import connect, in_words
from decknet.keep.generations import fold_in, publish, scratch_beside, sync, sync_folder
from decknet.keep.statements import sql
from decknet.keep.store import Store

__all__ = ["DESCRIPTOR", "Snapshot", "check_snapshot", "from_snapshot", "write_snapshot"]

DESCRIPTOR = "datapackage.json"
_ROWS = 262_144
_TYPES = {
    "id": "string", "text": "string", "choice": "string", "number": "number", "whole": "integer", "date": "date",
    "flag": "boolean", "shape": "any",
}  # fmt: skip
# Shapes in station and offset have no system on the ground; the others are longitude and latitude.
_ON_DECK = {
    ("deck", "outline"), ("survey", "coverage"), ("defect", "shape"), ("repair", "shape"), ("active_area", "shape"),
    ("closing", "shape"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What a snapshot holds: its title, and the rows of each table."""

    title: str
    rows: dict[str, int]


def columns_of(table: str) -> dict[str, Column]:
    """What each column of a table of the store is."""
    if table in RECORDS:
        return {c.name: c for c in (*LEAD, *RECORDS[table].stored)}
    return {c.name: c for c in LOG[table].columns} if table in LOG else {}


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _tables(db: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    """Tables of a store, each after those it refers to, with the columns of its primary key."""
    rows = db.execute(sql("table_keys")).fetchall()
    keys = {table: list(names) for table, kind, names, _ in rows if kind == "PRIMARY KEY"}
    needs: dict[str, set[str]] = {table: set() for table in keys}
    for table, kind, _, other in rows:
        if kind == "FOREIGN KEY":
            needs[table].add(other)
    ordered: list[str] = []
    while len(ordered) < len(keys):
        ordered += sorted(t for t in keys if t not in ordered and needs[t] <= set(ordered))
    return {table: keys[table] for table in ordered}


def _of(query: str, **names: str) -> str:
    """A statement on one of the store's own tables."""
    return Template(sql(query)).substitute(names)


def _geo(table: str, schema: pa.Schema) -> dict[bytes, bytes]:
    """GeoParquet metadata of a table with shapes; empty for one without."""
    shapes = [n for n in schema.names if table in RECORDS and columns_of(table)[n].kind == "shape"]
    if not shapes:
        return {}
    each: dict[str, dict[str, Any]] = {n: {"encoding": "WKB", "geometry_types": []} for n in shapes}
    for name in shapes:
        if (table, name) in _ON_DECK:
            each[name]["crs"] = None
    return {b"geo": json.dumps({"version": "1.1.0", "primary_column": shapes[0], "columns": each}).encode()}


def _field(column: Column, arrow: pa.Field, key: list[str]) -> dict[str, Any]:
    kind = "datetime" if pa.types.is_timestamp(arrow.type) else _TYPES[column.kind]
    out: dict[str, Any] = {"name": column.name, "type": kind, "description": column.meaning}
    if column.unit:
        out["unit"] = column.unit
    if column.kind == "shape":
        out["description"] += " Well-known binary."
    limits: dict[str, Any] = {"required": True} if column.required or column.name in key else {}
    limits |= {n: v for n, v in (("minimum", column.low), ("maximum", column.high)) if v is not None}
    if column.choices:
        limits["enum"] = list(column.choices)
    return {**out, "constraints": limits} if limits else out


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_snapshot(store: Store, folder: Path) -> Snapshot:
    """Write every table of a store, whole, into a new folder.

    Parameters
    ----------
    store : Store
    folder : Path
        Must not exist, or be empty. It is either written whole or not at all.

    Raises
    ------
    StoreError
        The folder holds something, or cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StoreError(f"{folder}: exists already, and a snapshot never overwrites. Name a new folder.")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with scratch_beside(folder) as scratch:
            part = scratch / folder.name
            part.mkdir()
            made = _write(store, part)
            for file in part.iterdir():
                sync(file)
            sync_folder(part)
            if folder.exists():
                folder.rmdir()
            part.replace(folder)
            sync_folder(folder.parent)
        return made
    except (OSError, pa.ArrowException) as why:
        said = getattr(why, "strerror", None) or str(why).splitlines()[0]
        raise StoreError(f"{folder}: cannot be written ({said}). Make room or choose another folder.") from why


def _write(store: Store, folder: Path) -> Snapshot:
    db, about = store.connection, store.about()
    rows: dict[str, int] = {}
    resources = []
    for table, key in _tables(db).items():
        path = folder / f"{table}.parquet"
        reader = db.sql(_of("whole_table", table=_quoted(table), key=", ".join(map(_quoted, key)))).to_arrow_reader(
            _ROWS
        )
        schema = reader.schema.with_metadata(_geo(table, reader.schema))
        count = 0
        with pq.ParquetWriter(path, schema, compression="zstd") as writer:
            for batch in reader:
                count += batch.num_rows
                writer.write_batch(batch.replace_schema_metadata(schema.metadata), row_group_size=_ROWS)
        rows[table] = count
        known = columns_of(table)
        record = RECORDS.get(table) or LOG.get(table)
        fields = [_field(known.get(f.name, Column(f.name, "text", "", "")), f, key) for f in schema]
        resources.append(
            {
                "name": table, "path": path.name, "format": "parquet", "mediatype": "application/vnd.apache.parquet",
                "description": record.meaning if record else "", "bytes": path.stat().st_size,
                "hash": f"sha256:{_digest(path)}", "schema": {"fields": fields, "primaryKey": key},
                "rows": count,
            }
        )  # fmt: skip
    layout = db.execute("SELECT max(number) FROM schema_step").fetchall()[0][0]
    package = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "bridge-deck-records",
        "title": about.get("title", ""),
        "description": "Surveys and repairs of concrete bridge decks: every row ever stored, superseded and taken back "
        "ones too, with the log of the files they came from.",
        "resources": resources,
        "layout": layout,
        "nextNumbers": dict(db.execute(sql("next_numbers")).fetchall()),
    }
    text = json.dumps(package, indent=1, ensure_ascii=False) + "\n"
    (folder / DESCRIPTOR).write_text(text, encoding="utf-8")
    return Snapshot(about.get("title", ""), rows)


def check_snapshot(folder: Path) -> dict[str, Any]:
    """The descriptor of a snapshot, after every file was held against it.

    Raises
    ------
    StoreError
        It is not a snapshot, or a file is missing or not what it was.
    """
    path = folder / DESCRIPTOR
    try:
        package = json.loads(path.read_text(encoding="utf-8"))
        parts = {str(r["name"]): r for r in package["resources"]}
        layout = int(package["layout"])
        next_numbers = {str(k): int(v) for k, v in package["nextNumbers"].items()}
        wanted = {name: (str(r["path"]), str(r["hash"]), int(r["rows"])) for name, r in parts.items()}
    except FileNotFoundError as why:
        raise StoreError(
            f"{folder}: holds no {DESCRIPTOR}, so it is not a snapshot. Name the snapshot's folder."
        ) from why
    except OSError as why:
        raise StoreError(f"{path}: cannot be read ({why.strerror}). Check the path and your rights.") from why
    except (ValueError, KeyError, TypeError, AttributeError) as why:
        raise StoreError(f"{path}: is not the descriptor of a snapshot. Take the snapshot again.") from why
    for name, (file, digest, _) in wanted.items():
        if Path(file).name != file or not (folder / file).is_file():
            raise StoreError(f"{folder}: the file {file} of table {name} is missing. Take the snapshot again.")
        if f"sha256:{_digest(folder / file)}" != digest:
            raise StoreError(f"{folder / file}: is not what it was when the snapshot was made. Use another copy.")
    return {"layout": layout, "next": next_numbers, "files": wanted, "title": str(package.get("title", ""))}


def _batches(path: Path) -> pa.RecordBatchReader:
    file = pq.ParquetFile(path)

    def each() -> Iterator[pa.RecordBatch]:
        for batch in file.iter_batches(_ROWS):
            yield batch.replace_schema_metadata(None)

    return pa.RecordBatchReader.from_batches(file.schema_arrow.remove_metadata(), each())


def from_snapshot(folder: Path, path: Path) -> Snapshot:
    """A new store from a snapshot; either whole or not at all.

    Raises
    ------
    StoreError
        The store exists, the snapshot is not whole, or it comes from a newer layout than is known.
    """
    check_is_free(path)
    what = check_snapshot(folder)
    try:
        with scratch_beside(path) as scratch:
            part = scratch / path.name
            store = Store(connect(part, read_only=False), part, read_only=False)
            try:
                rows = _fill(store, folder, what)
                store.lay_out()
            finally:
                store.let_go()
            fold_in(part)
            publish(part, path, over=False)
    except OSError as why:
        raise in_words(path, why) from why
    except (duckdb.Error, pa.ArrowException) as why:
        if isinstance(why, duckdb.IOException):
            raise in_words(path, why) from why
        raise StoreError(
            f"{folder}: does not fit a store ({str(why).splitlines()[0]}). Nothing was made; use another copy."
        ) from why
    return Snapshot(what["title"], rows)


def _fill(store: Store, folder: Path, what: dict[str, Any]) -> dict[str, int]:
    db = store.connection
    store.lay_out(what["layout"])
    tables, rows = _tables(db), {}
    if set(tables) != set(what["files"]):
        odd = ", ".join(sorted(set(tables) ^ set(what["files"])))
        raise StoreError(f"{folder}: its tables are not those of a store: {odd}. Use another copy.")
    db.begin()
    try:
        db.execute("DELETE FROM schema_step")  # the snapshot brings its own
        for table in tables:
            file, _, count = what["files"][table]
            db.register("incoming", _batches(folder / file))
            db.execute(_of("fill_table", table=_quoted(table)))
            db.unregister("incoming")
            rows[table] = db.execute(_of("count_table", table=_quoted(table))).fetchall()[0][0]
            if rows[table] != count:
                raise StoreError(f"{folder / file}: {rows[table]:,} rows, {count:,} stated. Use another copy.")
        for name, number in what["next"].items():
            db.execute(_of("restart_numbers", name=_quoted(name), number=str(number)))
        db.commit()
    except BaseException:
        db.rollback()
        raise
    return rows

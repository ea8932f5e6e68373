"""The process that runs one query and nothing else: it ends when its time or memory is used up.

Run as a program by ``ask``; the task comes as JSON on standard input. Frames come and the answer goes through Arrow
files in a folder that the parent makes and removes.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

__all__ = ["main", "open_locked"]

CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "python_enable_replacements": "false",
}
# Said once the store is attached; after the last one nothing can be changed again.
LOCKS = (
    "SET temp_directory = ''",
    "SET enable_external_access = false",
    "SET lock_configuration = true",
)
_BATCH = 2_048


def open_locked(path: str, views: list[list[str]], lent: dict[str, pa.Table], memory: str) -> duckdb.DuckDBPyConnection:
    """A connection that reads the store as ``store``, with the views, and can reach nothing else."""
    db = duckdb.connect(":memory:", config={**CONFIG, "memory_limit": memory})
    # A path cannot be bound here by every version of the engine that we allow.
    db.execute("ATTACH '{}' AS store (READ_ONLY)".format(path.replace("'", "''")))
    for name, table in lent.items():
        db.register(name, table)
    for name, query in views:
        db.execute(f'CREATE VIEW "{name}" AS {query}')  # our own names and files
    for lock in LOCKS:
        db.execute(lock)
    return db


def _hold_memory(more_bytes: int) -> None:
    """Let the system refuse memory beyond what is in use now and this, where it can."""
    try:
        import resource
    except ImportError:
        return
    used = Path("/proc/self/statm")
    if not used.exists():
        return
    most = int(used.read_text().split()[0]) * resource.getpagesize() + more_bytes
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))


def _answer(task: dict[str, Any], folder: Path) -> None:
    lent = {}
    for name in task["lent"]:
        with pa.memory_map(str(folder / f"{name}.arrow")) as source:
            lent[name] = pa.ipc.open_file(source).read_all()
    db = open_locked(task["path"], task["views"], lent, task["memory"])
    stop = threading.Timer(task["seconds"], db.interrupt)
    stop.daemon = True
    stop.start()
    _hold_memory(task["more_bytes"])
    left = task["rows"] + 1  # one more than wanted tells that there are more
    with (
        db.sql(task["sql"], params=task["params"] or None).to_arrow_reader(min(_BATCH, left)) as reader,
        pa.OSFile(str(folder / "answer.arrow"), "wb") as sink,
        pa.ipc.new_stream(sink, reader.schema) as out,
    ):
        while left > 0:
            try:
                batch = reader.read_next_batch()
            except StopIteration:
                break
            out.write_batch(batch.slice(0, left))
            left -= batch.num_rows
    stop.cancel()
    db.close()


def main() -> int:
    """Run the task; 0 with answer.arrow, or 3 with error.json, in the folder of the task."""
    task = json.load(sys.stdin)
    folder = Path(task["folder"])
    try:
        _answer(task, folder)
    except (duckdb.Error, pa.ArrowException, MemoryError) as why:
        said = {"kind": type(why).__name__, "text": str(why)}
        (folder / "error.json").write_text(json.dumps(said), encoding="utf-8")
        return 3
    return 0


if __name__ == "__main__":
    # At once: a thread of the engine that is still at work would break on an interpreter taken down under it.
    os._exit(main())

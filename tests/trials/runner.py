"""A process that runs commands in children of its own, each begun in no time, and ends them when it is told to.

Run as a program: one task a line of JSON on standard input, one answer a line on standard output. Nothing that
starts a thread runs in it, so that its children may be made by a plain fork.
"""

from __future__ import annotations

import ctypes
import json
import os
import resource
import select
import signal
import struct
import sys
import time
import traceback
from pathlib import Path
from typing import Any

__all__ = ["main"]


IMPORTS = (
    "decknet.flow", "decknet.flow.ask", "decknet.flow.clerk", "decknet.flow.exchange", "decknet.flow.history",
    "decknet.flow.keeping", "decknet.ingest.sheet_parts", "pyarrow.pandas_compat", "pyarrow.parquet",
    "pydantic.type_adapter", "python_calamine", "tests.trials.deeds", "typer._adapters",
)  # fmt: skip


def _child(task: dict[str, Any]) -> int:
    from decknet import cli
    from tests.trials import deeds

    os.setsid()
    out = os.open(task["out"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
    os.dup2(out, 1)
    os.dup2(out, 2)
    os.chdir(task["folder"])
    if task.get("most_bytes") is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (task["most_bytes"], resource.RLIM_INFINITY))
    if task.get("ordinary"):
        _give_up_rights()
    if "deed" in task:
        return int(getattr(deeds, task["deed"])(*task.get("args", ())))
    return cli.main(task["argv"])


def _give_up_rights() -> None:
    """Let a child of the system's owner be refused what any user is refused."""
    header = struct.pack("=Ii", 0x20080522, 0)  # version 3 of capset, this process
    ctypes.CDLL(None, use_errno=True).capset(header, bytes(24))


def _seen(task: dict[str, Any]) -> bool:
    return any(Path(task["folder"], name).exists() for name in task["sight"])


def _run(task: dict[str, Any]) -> dict[str, Any]:
    """Run a task; ended after so many seconds, or so many after one of some files is first seen."""
    begun = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            code = _child(task)
        except BaseException:
            traceback.print_exc()
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    end = begun + task["seconds"]
    if task.get("sight"):
        handle = os.pidfd_open(child)
        while not _seen(task) and not select.select([handle], [], [], 0.0003)[0]:
            pass
        os.close(handle)
        end = time.monotonic() + task["seconds"]
        if task.get("vanish"):
            os.rename(task["folder"], f"{task['folder']}-gone")  # noqa: PTH104
    handle = os.pidfd_open(child)
    ended = bool(select.select([handle], [], [], max(end - time.monotonic(), 0.0))[0])
    os.close(handle)
    if not ended:
        os.kill(child, signal.SIGKILL)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return {"code": code, "killed": code == -signal.SIGKILL, "took": time.monotonic() - begun}


def main() -> None:
    """Answer tasks until standard input ends."""
    import tests.trials.deeds  # noqa: F401  # what every child would import again

    for line in sys.stdin:
        print(json.dumps(_run(json.loads(line))), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()

"""Put small faults into a room, one at a time, and see which of them its tests notice.

``python -m tests.mutation measure --sample 80 --seed 1`` draws 80 places of ``decknet/measure``, changes each
in one way, runs the room's tests until one fails, and prints each fault that lived. No file is written:
a fork of a process that has the libraries loaded imports the changed text in place of the file. Of the
room's tests only those run that call the changed function, the quickest first.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import difflib
import importlib
import importlib.machinery
import importlib.metadata
import io
import itertools
import json
import math
import os
import resource
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.mutants import Place, places, sample

ROOT = Path(__file__).resolve().parent.parent
OWN = ("decknet", "tests", "conftest", "__main__")


class Watch:
    """Which functions of a room each test calls, and how long it takes."""

    def __init__(self, room: Path) -> None:
        self.room = str(room)
        self.now: set[tuple[str, int]] = set()
        self.before: set[tuple[str, int]] = set()  # called while tests are collected
        self.fixtures: dict[str, set[tuple[str, int]]] = {}
        self.calls: dict[str, set[tuple[str, int]]] = {}
        self.seconds: dict[str, float] = {}

    def saw(self, frame: Any, event: str, _given: object) -> None:
        code = frame.f_code
        if event == "call" and code.co_filename.startswith(self.room):
            self.now.add((code.co_filename, code.co_firstlineno))

    def pytest_sessionstart(self) -> None:
        sys.setprofile(self.saw)
        threading.setprofile(self.saw)

    def pytest_collection_finish(self) -> None:
        self.before, self.now = self.now, set()

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[None]:
        outer, self.now = self.now, set()
        try:
            return (yield)
        finally:
            self.fixtures.setdefault(fixturedef.argname, set()).update(self.now)
            self.now |= outer

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.now, start = set(), time.process_time()
        sys.setprofile(self.saw)
        done = yield
        used = [self.fixtures.get(name, set()) for name in getattr(item, "fixturenames", ())]
        self.calls[item.nodeid] = self.now.union(*used)
        self.seconds[item.nodeid] = time.process_time() - start
        return done


class Only:
    """Runs the tests given, in the order given."""

    def __init__(self, names: list[str]) -> None:
        self.order = {name: n for n, name in enumerate(names)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.order), key=lambda i: self.order[i.nodeid])


def run_pytest(paths: list[str], *plugins: object, first: bool = True) -> tuple[int, str]:
    """Exit code of the tests at ``paths``, run in this process, and the end of what they print."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = pytest.main([*paths, "-n", "0", *(["-x"] if first else [])], plugins=list(plugins))
    return int(code), said.getvalue()[-1500:]


def in_fork(work: Callable[[], object], seconds: float) -> Any:
    """What ``work`` gives in a fork of this process, or None where it takes more seconds of the processor or dies."""
    sys.stdout.flush()
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.close(read)
        resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(time.process_time() + seconds),) * 2)
        try:
            told = json.dumps(work()).encode()
        except BaseException as error:  # a child that fails has an answer too
            told = json.dumps(f"{type(error).__name__}: {error}").encode()
        with os.fdopen(write, "wb") as pipe:
            pipe.write(told)
        os._exit(0)
    os.close(write)
    told = b""
    until = time.monotonic() + 60 * seconds  # for one that waits and does not work
    while select.select([read], [], [], max(until - time.monotonic(), 0))[0] and (part := os.read(read, 1 << 16)):
        told += part
    os.close(read)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return json.loads(told) if told else None


def functions(path: Path) -> list[tuple[int, int]]:
    """First and last line of each function that stands in a file or in a class of it."""
    body = ast.parse(path.read_bytes()).body
    parts = [part for node in body for part in [node, *(node.body if isinstance(node, ast.ClassDef) else [])]]
    defined = [part for part in parts if isinstance(part, ast.FunctionDef)]
    return [(min(d.lineno for d in [f, *f.decorator_list]), f.end_lineno or f.lineno) for f in defined]


def learn(paths: list[str], room: Path) -> dict[str, Any]:
    """Run the tests as they stand: calls, times, and the libraries they load."""
    watch = Watch(room)
    code, said = run_pytest(paths, watch, first=False)
    sys.setprofile(None)
    threading.setprofile(None)
    plugins = {ep.dist.name for ep in importlib.metadata.entry_points(group="pytest11") if ep.dist}
    kept = {name for name, given in importlib.metadata.packages_distributions().items() if plugins & set(given)}
    modules = [name for name in sys.modules if name.split(".")[0] not in kept.union(OWN)]
    return {
        "code": code,
        "said": said,
        "before": sorted(watch.before),
        "calls": {name: sorted(found) for name, found in watch.calls.items()},
        "seconds": watch.seconds,
        "modules": modules,
    }


def tests_for(place: Place, known: dict[str, Any], within: float) -> list[str]:
    """Tests that call the function a place stands in, or all where it stands in none: the quickest that fit."""
    span = next((s for s in functions(place.path) if s[0] <= place.line <= s[1]), None)

    def calls(found: list[tuple[str, int]]) -> bool:
        return any(name == str(place.path) and span[0] <= line <= span[1] for name, line in found)

    names = list(known["calls"])
    if span is not None and not calls(known["before"]):
        names = [name for name in names if calls(known["calls"][name])]
    names = sorted(names, key=known["seconds"].__getitem__)
    spent = itertools.accumulate(known["seconds"][name] for name in names)
    return [name for name, seconds in zip(names, spent, strict=True) if seconds <= within]


def try_one(place: Place, way: str, known: dict[str, Any], within: float) -> tuple[str, list[str]]:
    """``noticed``, ``timed out`` or ``lived``; and the tests that could have noticed."""
    names = tests_for(place, known, within)
    if not names:
        return "lived", names
    text = place.text(way)
    # A file that is named to pytest is read by pytest itself, unchanged: so doctests are asked for by their folder.
    own = str(place.path.parent.relative_to(ROOT))
    files = sorted({own if name.startswith(own) else name.split("::")[0] for name in names})

    def work() -> tuple[int, str]:
        real = importlib.machinery.SourceFileLoader.get_code

        def get_code(self: importlib.machinery.SourceFileLoader, name: str) -> Any:
            if self.path == str(place.path):
                return compile(text, self.path, "exec", dont_inherit=True)
            return real(self, name)

        importlib.machinery.SourceFileLoader.get_code = get_code  # type: ignore[method-assign]
        return run_pytest(files, Only(names))

    told = in_fork(work, 30 + 5 * sum(known["seconds"][name] for name in names))
    return ("timed out" if told is None else "lived" if told[0] == 0 else "noticed"), names


def difference(place: Place, way: str) -> str:
    before, after = place.path.read_text().splitlines(), place.text(way).splitlines()
    lines = list(difflib.unified_diff(before, after, lineterm="", n=0))[3:]
    return "\n".join(f"    {line}" for line in lines)


def main() -> int:
    ask = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__.splitlines()[0])
    ask.add_argument("room", help="a folder of decknet, such as measure")
    ask.add_argument("--sample", type=int, default=80, help="faults to try (80)")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument(
        "--at", action="append", default=[], metavar="FILE[:LINE]", help="only here, in every way; may repeat"
    )
    ask.add_argument("--tests", action="append", default=[], metavar="PATH", help="more tests than the room's own")
    ask.add_argument(
        "--within", type=float, default=math.inf, metavar="SECONDS",
        help="of the tests that call a changed function, only the quickest that together take so long",
    )  # fmt: skip
    given = ask.parse_args()
    os.chdir(ROOT)
    room = ROOT / "decknet" / given.room
    paths = [p for p in (f"tests/{given.room}", f"decknet/{given.room}", *given.tests) if Path(p).exists()]
    found = [place for path in sorted(room.glob("*.py")) for place in places(path)]
    if given.at:
        wanted = {tuple(spot.split(":")) for spot in given.at}
        here = [p for p in found if wanted & {(p.path.name,), (p.path.name, str(p.line))}]
        chosen = [(place, way) for place in here for way in place.ways]
    else:
        chosen = sample(found, given.sample, given.seed)
    known = in_fork(lambda: learn(paths, room), 3600)
    if not isinstance(known, dict) or known["code"] != 0:
        said = known["said"] if isinstance(known, dict) else known
        print(f"The tests of {given.room} must pass before faults are put in: {' '.join(paths)}\n{said}")
        return 1
    for name in known["modules"]:  # once here, so that no fork has to
        with contextlib.suppress(Exception):
            importlib.import_module(name)
    code, said = in_fork(lambda: run_pytest(paths), 3600)
    if code != 0:
        print(f"The tests do not pass in a fork as they stand, so a fault could not be told from the fork.\n{said}")
        return 1
    told: dict[str, list[str]] = {}
    for place, way in chosen:
        verdict, names = try_one(place, way, known, given.within)
        told.setdefault(place.path.name, []).append(verdict)
        if verdict == "lived":
            print(f"lived: decknet/{given.room}/{place.path.name}:{place.line} ({len(names)} tests call it)")
            print(difference(place, way), flush=True)
    print(f"\n{given.room}: {len(found)} places, {len(chosen)} faults tried, seed {given.seed}")
    for name, verdicts in told.items():
        print(f"  {name:20} {len(verdicts) - verdicts.count('lived')} of {len(verdicts)} noticed")
    every = [verdict for verdicts in told.values() for verdict in verdicts]
    lived, slow = every.count("lived"), every.count("timed out")
    share = 1 - lived / max(len(every), 1)
    print(f"  together             {len(every) - lived} of {len(every)} noticed ({share:.0%}), {slow} of them by time")
    return 0


if __name__ == "__main__":
    sys.exit(main())

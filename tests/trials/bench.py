"""A bench to try things on: a runner of commands, a fresh folder for each trial, and a tally of what came of them."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Self

__all__ = ["Bench", "Tally", "judged", "trials"]

ROOT = Path(__file__).resolve().parents[2]
LONG = 300.0  # s; a command that takes longer hangs


class Tally:
    """What was tried, and what came of it: counts, and the first of each thing that should not be."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.counts: Counter[str] = Counter()
        self.wrong: list[str] = []

    def add(self, outcome: str) -> None:
        self.counts[outcome] += 1

    def fault(self, outcome: str, words: str) -> None:
        """Something that must not be."""
        self.counts[outcome] += 1
        self.wrong.append(f"{outcome}: {words}")

    def __str__(self) -> str:
        each = ", ".join(f"{count} {what}" for what, count in sorted(self.counts.items()))
        return f"{self.what}: {sum(self.counts.values())} tried: {each}"

    def check(self) -> None:
        """Say what was tried; AssertionError where anything was lost, or a command broke."""
        print(self)  # noqa: T201
        assert not self.wrong, f"{self}\n" + "\n\n".join(self.wrong[:5])


class Bench:
    """The runner, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._number = 0
        self._runner = subprocess.Popen(
            [sys.executable, "-m", "tests.trials.runner"], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._runner.communicate()

    def fresh(self) -> Path:
        """An empty folder for one trial; that of the trial before is removed."""
        shutil.rmtree(self.folder / f"trial-{self._number}", ignore_errors=True)
        self._number += 1
        made = self.folder / f"trial-{self._number}"
        made.mkdir()
        made.chmod(0o777)
        return made

    def run(self, folder: Path, *argv: object, **how: Any) -> dict[str, Any]:
        """Run a command, or with ``deed`` one of ``deeds``, in a folder: exit code, what it said, whether ended."""
        out = self.folder / "said.txt"
        task = {"folder": str(folder), "out": str(out), "seconds": LONG, **how}
        if "deed" in how:
            task["args"] = [str(a) if isinstance(a, Path) else a for a in argv]
        else:
            task["argv"] = [str(a) for a in argv]
        assert self._runner.stdin is not None
        assert self._runner.stdout is not None
        self._runner.stdin.write(json.dumps(task) + "\n")
        self._runner.stdin.flush()
        answer: dict[str, Any] = json.loads(self._runner.stdout.readline())
        return {**answer, "said": out.read_text(encoding="utf-8", errors="replace")}

    def told(self, folder: Path, deed: str, *args: object) -> Any:
        """What a deed prints."""
        done = self.run(folder, *args, deed=deed)
        assert done["code"] == 0, done["said"]
        return json.loads(done["said"].splitlines()[-1])


def judged(found: Mapping[str, Any] | None, before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    """What is wrong with what a store holds; empty where each part is as before or as after, and none is missing."""
    if found is None:
        return "it could not be read"
    for key in before.keys() | found.keys():
        if found.get(key) not in (before.get(key), after.get(key)):
            return f"{key} is {found.get(key)}, was {before.get(key)}, would be {after.get(key)}"
    return ""


def trials(count: int, hours: float, tally: Tally) -> Iterator[int]:
    """Numbers of trials: so many, or on and on for so many hours; says now and then what came of them so far."""
    end = time.monotonic() + hours * 3600
    number = 0
    while number < count if not hours else time.monotonic() < end:
        yield number
        number += 1
        if number % 10 == 0 and number != count:
            print(f"so far: {tally}", *tally.wrong[:3], flush=True)  # noqa: T201

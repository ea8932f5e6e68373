"""Imports run one way."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import decknet

ROOT = Path(decknet.__file__).parent
SHARED = {"clock", "columns", "digits", "errors", "settings", "settled", "units"}
PURE = ["locate", "measure", "predict", "rank", "schedule"]
ALLOWED: dict[str, set[str]] = {
    "clock": set(),
    "columns": set(),
    "digits": set(),
    "errors": set(),
    "settings": {"columns", "errors"},
    "settled": set(),
    "units": set(),
    "ingest": SHARED,
    "keep": SHARED,
    "show": SHARED,
    "demo": SHARED,
    **{room: SHARED | set(PURE[:i]) for i, room in enumerate(PURE)},
    "flow": {*SHARED, *PURE, "ingest", "keep", "show"},
    "bench": {*SHARED, *PURE, "demo", "flow", "ingest", "keep", "show"},
    "commands": {*SHARED, "bench", "demo", "flow"},
    "cli": {"commands", "errors"},
    "__init__": {"flow", "settings"},  # when a store is opened
    "__main__": {"cli"},
}


def _room(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def _imports(path: Path) -> set[str]:
    """Rooms of decknet that a file imports at run time; imports for types alone do not count."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for inner in ast.walk(node)
    }
    found: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found |= {n.name.split(".")[1] for n in node.names if n.name.startswith("decknet.")}
        elif isinstance(node, ast.ImportFrom) and node.module == "decknet":
            found |= {n.name for n in node.names}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("decknet."):
            found.add(str(node.module).split(".")[1])
        elif isinstance(node, ast.ImportFrom) and node.level:
            found.add("a relative import")
    return found


FILES = sorted(ROOT.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_file_imports_only_rooms_it_may(path):
    room = _room(path)
    assert room in ALLOWED, f"{room} is not a room that DEVELOPERS.md knows"
    assert _imports(path) - {room} <= ALLOWED[room]


@pytest.mark.parametrize("path", [p for p in FILES if _room(p) in PURE], ids=lambda p: str(p.relative_to(ROOT)))
def test_pure_rooms_touch_no_file_connection_or_clock(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    called = {ast.unparse(n.func).split(".")[-1] for n in ast.walk(tree) if isinstance(n, ast.Call)}
    banned = {"open", "now", "today", "time", "perf_counter", "read_csv", "to_csv", "connect", "default_rng"}
    allowed = {"schedule/child.py": {"default_rng"}, "schedule/plan_tries.py": {"default_rng"}}
    clocked = allowed.get(path.relative_to(ROOT).as_posix(), set())  # a seed of its own, always the same
    assert not called & (banned - clocked)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_no_file_passes_600_lines(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 600

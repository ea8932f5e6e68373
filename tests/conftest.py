"""Shared fixtures, and the rule that every outside number says where it comes from."""

from __future__ import annotations

from pathlib import Path

import pytest

BASES = {"published", "derived", "practice", "memory", "pinned"}


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--hours", type=float, default=0.0, help="go on with each long trial for so many hours")
    parser.addoption("--tries", type=int, default=0, help="so many tries in each long trial, in place of its own count")


@pytest.fixture
def tries(request: pytest.FixtureRequest) -> int:
    """How many tries each long trial makes; 0 for its own count, which the whole suite has time for."""
    return int(request.config.getoption("--tries"))


@pytest.fixture
def hours(request: pytest.FixtureRequest) -> float:
    """How long each long trial goes on; 0 for its count."""
    return float(request.config.getoption("--hours"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        for mark in item.iter_markers("basis"):
            if len(mark.args) != 2 or mark.args[0] not in BASES or not str(mark.args[1]).strip():
                raise pytest.UsageError(f"{item.nodeid}: basis needs a kind ({', '.join(sorted(BASES))}) and a place")


def _shared(name: str, what: str) -> Path:
    """A folder beside the checkout; tests that need it skip where it is absent."""
    folder = Path(__file__).resolve().parents[2] / "shared" / name
    if not folder.is_dir():
        pytest.skip(f"the folder of {what} is not beside this checkout")
    return folder


@pytest.fixture(scope="session")
def open_records() -> Path:
    """The folder of open national and other records."""
    return _shared("data", "open records")


@pytest.fixture(scope="session")
def awkward_files() -> Path:
    """The folder of small awkward files."""
    return _shared("cases", "awkward files")


@pytest.fixture(scope="session")
def demo_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of the invented district, brought in once; read it, or copy it before writing."""
    from datetime import datetime

    from decknet import flow
    from decknet.demo import FILES, TODAY, demo_folder

    path = tmp_path_factory.mktemp("demo") / "demo.duckdb"
    now = datetime.combine(TODAY, datetime.min.time())
    flow.create(path, title="Invented demo district", currency="USD", now=now)
    for loaded in flow.load(path, [demo_folder() / name for name in FILES], now=now, who="test"):
        assert loaded.reading is not None, loaded.error
    return path

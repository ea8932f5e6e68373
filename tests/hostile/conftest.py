"""One ground for the tests of a module, and one listener."""

from __future__ import annotations

import shutil

import pytest

from tests.hostile.ground import Ground


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    ground = Ground(tmp_path_factory.mktemp("hostile"))
    yield ground
    ground.listener.close()


@pytest.fixture
def ground(made):
    """The ground, its inbox empty."""
    shutil.rmtree(made.inbox)
    made.inbox.mkdir()
    return made

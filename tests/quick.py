"""What a quick run leaves to the whole suite."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

__all__ = ["first"]


def first(count: int, each: Iterable[Any]) -> list[Any]:
    """Of several cases of one kind the first few in a quick run, all in the whole suite."""
    return [one if n < count else pytest.param(one, marks=pytest.mark.slow) for n, one in enumerate(each)]

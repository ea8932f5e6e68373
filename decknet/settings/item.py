"""How a setting is stated: default, unit, meaning, basis, source, range."""

from __future__ import annotations

from dataclasses import field
from typing import Any

__all__ = ["Curve", "item"]

Curve = tuple[tuple[float, float], ...]


def item(
    default: Any,
    unit: str,
    meaning: str,
    basis: str,
    source: str = "",
    *,
    low: float | None = None,
    high: float | None = None,
    choices: tuple[str, ...] = (),
) -> Any:
    return field(
        default=default,
        metadata={
            "unit": unit, "meaning": meaning, "basis": basis, "source": source, "low": low, "high": high,
            "choices": choices,
        },
    )  # fmt: skip

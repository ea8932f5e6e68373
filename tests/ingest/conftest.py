"""A small invented network, and a reader of files written on the spot."""

from __future__ import annotations

import warnings
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from decknet.ingest import Known, Reading, read_file

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

TODAY = date(2026, 6, 1)


@pytest.fixture
def known() -> Known:
    """Bridges 001 to 004, each with one deck of 40 by 10 m built in 1980; 005 with two decks."""
    bridges = ["001", "002", "003", "004", "005"]
    decks = ["001", "002", "003", "004", "005-N", "005-S"]
    empty = Known.empty()
    return Known(
        pd.DataFrame({"bridge_id": pd.array(bridges, dtype="str"), "built_year": pd.array([1980] * 5, dtype="Int64")}),
        pd.DataFrame(
            {
                "deck_id": pd.array(decks, dtype="str"),
                "bridge_id": pd.array([*bridges, "005"], dtype="str"),
                "length_m": 40.0,
                "width_m": 10.0,
                "deck_built_year": pd.array([pd.NA] * 6, dtype="Int64"),
            }
        ),
        empty.surveys,
    )


@pytest.fixture
def read(tmp_path: Path, known: Known) -> Callable[..., Reading]:
    """Write a file of a name and content, and read it against the small network."""

    def _read(content: str | bytes, name: str = "surveys.csv", mapping: str | None = None, **how: Any) -> Reading:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        if mapping is not None:
            how["mapping"] = tmp_path / "mapping.toml"
            how["mapping"].write_text(mapping, encoding="utf-8")
        how.setdefault("known", known)
        how.setdefault("today", TODAY)
        reading = read_file(path, **how)
        assert_nothing_lost(reading)
        return reading

    return _read


def write_layer(
    path: Path, layer: str, shapes: list[Any], fields: dict[str, list[Any]], crs: str | None = None
) -> None:
    """A layer of a GeoPackage; without a system where ``crs`` is None."""
    how: dict[str, Any] = {"crs": crs} if crs else {"SRID": -1}
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "'crs' was not provided")
        pyogrio.raw.write(
            path, np.array(shapely.to_wkb(shapes), dtype=object), [np.array(v, dtype=object) for v in fields.values()],
            list(fields), layer=layer, geometry_type="Unknown", append=path.exists(), **how,
        )  # fmt: skip


def assert_nothing_lost(reading: Reading) -> None:
    """Every row read is kept, refused, set aside or a repeat, and only one of these."""
    lost = reading.faults[reading.faults["severity"] != "flag"]
    each = lost.groupby(["sheet", "line"])["severity"].nunique()
    assert (each == 1).all(), each[each > 1]
    assert reading.rows_read == reading.rows_kept + len(each)
    stored = {(s, n) for f in reading.records.values() for s, n in zip(f["sheet"], f["line"], strict=True)}
    assert len(stored) == reading.rows_kept
    assert not stored & set(each.index)


def codes(reading: Reading, severity: str = "refuse") -> dict[int, str]:
    """Code of the fault of each line."""
    some = reading.faults[reading.faults["severity"] == severity]
    return dict(zip(some["line"], some["code"], strict=True))


def column(reading: Reading, kind: str, name: str) -> list[Any]:
    """A column of records as a list, missing as None."""
    return [None if v is pd.NA or v is None or (isinstance(v, float) and np.isnan(v)) else v
            for v in reading.records[kind][name]]  # fmt: skip

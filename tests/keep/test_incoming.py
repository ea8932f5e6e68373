"""Rows on their way into the store: numbered without gaps or doubles, whole or not at all, and told apart."""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.columns import FAULT, RECORDS
from decknet.errors import StoreError
from decknet.keep import Store, incoming
from decknet.keep.frames import fingerprints, still_same, to_store
from tests.frames import rows

NOW = datetime(2026, 11, 25, 9, 30)
NO_FAULTS = pd.DataFrame(columns=list(FAULT))


def _add(store, folder, text, records):
    path = folder / "file.csv"
    path.write_text(text, encoding="utf-8")
    return store.add(path, records, NO_FAULTS, rows_read=9, rows_kept=9, now=NOW, who="tester", software="test")


def _surveys(n, first=0, m2=3.0):
    return rows(
        "survey", survey_id=[f"s{i}" for i in range(first, first + n)], deck_id=["d"] * n,
        survey_date=[pd.Timestamp("2024-05-01")] * n, delaminated_m2=[m2] * n, line=list(range(2, n + 2)),
        sheet=[""] * n,
    )  # fmt: skip


@pytest.fixture
def store():
    with Store.in_memory(now=NOW) as made:
        yield made


def test_rows_handed_over_in_parts_are_numbered_in_the_order_of_the_file(store, tmp_path, monkeypatch):
    monkeypatch.setattr(incoming, "PART", 7)
    survey = _surveys(50).sample(frac=1.0, random_state=2)
    made = _add(store, tmp_path, "one", {"bridge": rows("bridge", bridge_id=["b"]), "survey": survey})
    assert (made.new, made.corrected, made.known) == (51, 0, 0)
    told = store.history("survey")
    assert told["line"].tolist() == list(range(2, 52))
    assert told["survey_id"].tolist() == [f"s{i}" for i in range(50)]
    numbers = [*store.history("bridge")["row_id"], *told["row_id"]]
    assert numbers == list(range(1, 52))
    _add(store, tmp_path, "two", {"survey": _surveys(3, first=50)})
    assert store.history("survey")["row_id"].tolist()[-3:] == [52, 53, 54]


def test_new_corrected_and_known_are_told_apart_in_one_file(store, tmp_path, monkeypatch):
    monkeypatch.setattr(incoming, "PART", 4)
    _add(store, tmp_path, "one", {"survey": _surveys(20)})
    again = _surveys(30)
    again.loc[5:9, "delaminated_m2"] = 4.0
    made = _add(store, tmp_path, "two", {"survey": again})
    assert (made.new, made.corrected, made.known) == (10, 5, 15)
    told = store.history("survey")
    assert len(told) == 35
    newer = told[told["supersedes"].notna()]
    assert newer["survey_id"].tolist() == [f"s{i}" for i in range(5, 10)]
    older = told.set_index("row_id").loc[newer["supersedes"].astype(int), "survey_id"]
    assert older.tolist() == newer["survey_id"].tolist()
    store.undo(2, now=NOW, who="tester")
    made = _add(store, tmp_path, "three", {"survey": again})
    assert (made.new, made.corrected, made.known) == (10, 5, 15)


def test_a_row_the_schema_refuses_leaves_nothing_and_takes_no_number(store, tmp_path, monkeypatch):
    monkeypatch.setattr(incoming, "PART", 8)
    bad = _surveys(30)
    bad.loc[29, "delaminated_m2"] = -1.0
    with pytest.raises(StoreError, match="Nothing was stored"):
        _add(store, tmp_path, "bad", {"bridge": rows("bridge", bridge_id=["b"]), "survey": bad})
    assert store.history("survey").empty
    assert store.history("bridge").empty
    assert store.intakes().empty
    _add(store, tmp_path, "good", {"survey": _surveys(2)})
    assert store.history("survey")["row_id"].tolist() == [1, 2]


def test_an_endless_figure_is_refused_by_the_schema(store, tmp_path):
    with pytest.raises(StoreError, match="the store refused a row"):
        _add(store, tmp_path, "bad", {"survey": _surveys(1, m2=np.inf)})


def test_two_rows_of_one_file_with_one_key_are_refused(store, tmp_path):
    both = pd.concat([_surveys(40), _surveys(1, first=7)], ignore_index=True)
    with pytest.raises(StoreError, match=r"Two survey rows of one file share survey_id = \['s7'\]"):
        _add(store, tmp_path, "bad", {"survey": both})


@pytest.mark.slow
def test_numbers_go_on_after_a_program_dies_before_it_closes_the_store(tmp_path):
    path = tmp_path / "s.duckdb"
    Store.create(path, title="T", currency="USD", now=NOW, software="test").close()
    program = f"""
import os
from datetime import datetime
from pathlib import Path
from decknet.keep import Store
from tests.keep.test_incoming import NOW, _add, _surveys
store = Store.open(Path({str(path)!r}), read_only=False)
_add(store, Path({str(tmp_path)!r}), "one", {{"survey": _surveys(300_000)}})
os._exit(7)
"""
    done = subprocess.run([sys.executable, "-c", program], check=False, capture_output=True, text=True)
    assert done.returncode == 7, done.stderr
    with Store.open(path, read_only=False) as store:
        assert len(store.history("survey")) == 300_000
        _add(store, tmp_path, "two", {"survey": _surveys(2, first=300_000)})
        assert store.history("survey")["row_id"].tolist() == list(range(1, 300_003))


def _cells(of, n, miss, rng):
    gap = rng.random(n) < miss
    match of.kind:
        case "number":
            return pd.Series(np.where(gap, np.nan, rng.choice([0.0, -0.0, 1.5, 2.25], n)))
        case "whole":
            return pd.Series(
                [pd.NA if g else int(v) for g, v in zip(gap, rng.integers(0, 9, n), strict=True)], dtype="Int64"
            )
        case "flag":
            some = [pd.NA if g else bool(v) for g, v in zip(gap, rng.integers(0, 2, n), strict=True)]
            return pd.Series(some, dtype="boolean")
        case "date":
            day = np.datetime64("2020-01-01") + rng.integers(0, 99, n)
            return pd.Series(np.where(gap, np.datetime64("NaT"), day)).astype("datetime64[us]")
        case "shape":
            return pd.Series(
                [None if g else shapely.Point(v, 1) for g, v in zip(gap, rng.random(n), strict=True)], dtype=object
            )
        case kind:
            words = rng.integers(0, 10**6 if kind == "id" else 3, n)
            return pd.Series([None if g else f"{kind} é{w}" for g, w in zip(gap, words, strict=True)], dtype="str")


@pytest.mark.parametrize("kind", list(RECORDS))
@pytest.mark.basis("derived", "pandas.util.hash_pandas_object on the same frame, by which stores have been written")
def test_fingerprints_are_those_that_stores_have_been_written_with(kind):
    rng = np.random.default_rng(8)
    for n in (0, 1, 5, 2500):
        for miss in (0, 0.3, 1):
            columns = RECORDS[kind].columns
            stored = to_store(pd.DataFrame({c.name: _cells(c, n, miss, rng) for c in columns}), columns)
            plain = stored.copy()
            for of in columns:
                if of.kind == "shape":
                    plain[of.name] = [b.hex() if isinstance(b, bytes) else "" for b in plain[of.name]]
                elif of.kind in ("whole", "flag"):
                    whole = plain[of.name].astype("Float64")
                    plain[of.name] = whole.to_numpy(dtype="float64", na_value=np.nan)
            wanted = pd.util.hash_pandas_object(plain, index=False)
            pd.testing.assert_series_equal(fingerprints(stored), wanted)


def test_a_row_from_before_a_column_was_added_is_still_what_it_was():
    columns = RECORDS["survey"].columns
    stored = to_store(_surveys(5), columns)
    stored.loc[3, "looked_at"] = "span 2"
    before = fingerprints(stored.drop(columns=["coverage", "looked_at"])).to_numpy()
    assert still_same(stored, before).tolist() == [True, True, True, False, True]
    changed = stored.assign(delaminated_m2=[3.0, 3.0, 9.0, 3.0, 3.0])
    assert still_same(changed, before).tolist() == [True, True, False, False, True]
    assert still_same(stored, fingerprints(stored).to_numpy()).all()

"""Large plain text is read in another way than small text; what comes out is the very same."""

from __future__ import annotations

import os
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from decknet.errors import RecordError
from decknet.ingest import coded, read_file, read_plain, rows, values
from tests.ingest.conftest import TODAY, assert_nothing_lost
from tests.quick import first

CASES = int(os.environ.get("DECKNET_PLAIN_CASES", "84"))

HEADERS = {
    "surveys": ("bridge id", "deck id", "survey date", "method", "delaminated m2", "spalled m2", "crew", "remark"),
    "surveys_by_id": ("survey id", "bridge id", "survey date", "surveyed m2", "delaminated %", "spalled area", "unit"),
    "strips": (
        "bridge id",
        "survey date",
        "from station m",
        "to station m",
        "from offset m",
        "to offset m",
        "unsound m2",
    ),
    "bridges": ("bridge id", "name", "lon", "lat", "deck length m", "deck width m", "built year", "posted"),
    "repairs": ("bridge id", "repair date", "repair kind", "repaired m2", "cost", "remark"),
    "defects": ("bridge id", "survey date", "kind", "wkt", "area m2", "defect id"),
    "traffic": ("bridge id", "count year", "AADT", "truck share %"),
}
CELLS = {
    "id": ("001", "002", "003", "004", "1", "005", "005-N", "005-S", "009", "3.0", "NA", ""),
    "date": ("2024-05-06", "2023-06-01", "2022-07-02", "06/05/2024", "27/05/2024", "2031-01-01", "1970-01-01", "x", ""),
    "number": (
        "0",
        "1",
        "2.5",
        "12.75",
        "3.250",
        "380",
        "412",
        "9999",
        "1e2",
        "12 m2",
        "-",
        "n/a",
        "<1",
        "-3",
        "a",
        "",
    ),
    "word": ("chain drag", "hammer", "Patch", "overlay", "spall", "delam", "hole", "yes", "no", "rot", " hammer ", ""),
    "text": ("A", "B", "wet", "Total", "é", "'x", "=1+1", "Pkw  Brücke", "", ""),
    "shape": ("POLYGON ((2 0; 4 0; 4 1; 2 1; 2 0))", "", "POINT (1 1)", "no shape"),
}
KIND_OF = {
    "id": "id", "date": "date", "method": "word", "kind": "word", "posted": "word", "remark": "text", "crew": "text",
    "name": "text", "wkt": "shape", "unit": "text",
}  # fmt: skip
TAME = {  # cells that can be kept, by header; else the first of their kind
    "deck id": ("",), "method": ("chain drag", "hammer"), "kind": ("spall", "hole"), "wkt": ("",), "surveyed m2": ("",),
    "repair kind": ("patch", "overlay"), "posted": ("yes", "no"), "unit": ("m2", "sq ft"),
    "lon": ("9.8011", "9.8155"), "lat": ("56.1", "56.1023"),
    "deck length m": ("40", "61.5", ""), "deck width m": ("10", "12.25"), "built year": ("1980", "1969"),
    "count year": ("2019", "2020", "2021", "2022"), "AADT": ("8400", "12500", "900"),
    "from station m": ("0", "2.5"), "to station m": ("12.75", "20"), "from offset m": ("-3", "0"),
    "to offset m": ("2", "4"),
}  # fmt: skip
USUAL = {"id": 5, "date": 3, "number": 5, "word": 3, "text": 4, "shape": 1}
ODD = ("Total,,,,,,,", "bridge id", "* a note under the table", "", " , , ", "2024-05-06", "\x85", "Sum")


def _kind(header: str) -> str:
    return next((kind for word, kind in KIND_OF.items() if header.split()[-1] == word), "number")


def _table(name: str, rng: np.random.Generator, wild: float, mark: str) -> str:
    """A table of some hundred rows; ``wild`` is the share of cells that are anything of their kind."""
    headers = HEADERS[name]
    lines = [mark.join(headers)]
    for i in range(int(rng.integers(70, 160))):
        cells = []
        for header in headers:
            kind = _kind(header)
            odd = rng.random() < wild
            tame = TAME.get(header, CELLS[kind][: USUAL[kind]])
            cell = str(rng.choice(CELLS[kind] if odd else tame))
            if kind == "date" and not odd:
                cell = str(np.datetime64("1995-01-01") + rng.integers(0, 11_000))
            if name == "bridges" and header == "bridge id" and not odd:
                cell = f"{100 + i}"
            if header in ("survey id", "defect id"):
                cell = f"s{i}" if rng.random() > wild / 4 else "s1"
            cells.append(cell.replace(mark, " "))
        lines.append(mark.join(cells))
    for _ in range(int(rng.integers(0, 3)) if wild else 0):
        at = int(rng.integers(2, len(lines)))
        what = int(rng.integers(0, 4))
        if what == 0:
            lines.insert(at, lines[int(rng.integers(1, len(lines)))])
        elif what == 1:
            odd = str(rng.choice(ODD))
            lines.insert(at, mark.join([odd, *[""] * (len(headers) - 1)]) if mark not in odd else odd)
        elif what == 2:
            lines.insert(at, lines[0])
        elif rng.random() < 0.3:
            lines[at] += mark + "more"
    end = "\r\n" if rng.random() < 0.3 else "\n"
    return end.join(lines) + end * int(rng.integers(0, 3))


def _outcome(path: Any, known: Any) -> Any:
    try:
        reading = read_file(path, known=known, today=TODAY)
    except RecordError as why:
        return str(why)
    assert_nothing_lost(reading)
    return reading


def _careful(path, known, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(read_plain, "LARGE", 1 << 60)
        return _outcome(path, known)


def _fast(path, known, monkeypatch, few=0):
    """Read as large text; ``few`` lowers the sizes from which columns are held and looked at in other ways."""
    taken: list[bool] = []
    whole = read_plain._may_be_odd

    def noted(*given):
        taken.append(True)
        return whole(*given)

    with monkeypatch.context() as patch:
        patch.setattr(read_plain, "LARGE", 0)
        patch.setattr(read_plain, "_may_be_odd", noted)
        patch.setattr(read_plain, "BLOCK", 600)  # many parts, each with cells of its own
        if few:
            patch.setattr(read_plain, "MANY", few)
            patch.setattr(values, "MANY", few)
            patch.setattr(rows, "MANY", few)
        return _outcome(path, known), bool(taken)


def _same(careful, fast):
    if isinstance(careful, str) or isinstance(fast, str):
        assert careful == fast
        return
    assert (careful.rows_read, careful.rows_kept) == (fast.rows_read, fast.rows_kept)
    assert list(careful.records) == list(fast.records)
    for kind, frame in careful.records.items():
        assert_frame_equal(frame, fast.records[kind], check_exact=True, obj=kind)
    assert_frame_equal(careful.faults, fast.faults, check_exact=True, obj="faults")
    assert_frame_equal(careful.mapping, fast.mapping, obj="mapping")


@pytest.mark.parametrize("name", first(2, HEADERS))
def test_both_ways_of_reading_give_the_very_same(name, known, tmp_path, monkeypatch):
    taken = 0
    path = tmp_path / f"{name.split('_')[0]}.csv"
    for k in range(CASES // len(HEADERS)):
        rng = np.random.default_rng([29, k, len(name)])
        mark = str(rng.choice(["; ", ",", ",", "\t"])).strip(" ")
        path.write_bytes(_table(name, rng, float(rng.choice([0, 0.02, 0.3])), mark).encode())
        fast, was = _fast(path, known, monkeypatch, few=int(rng.choice([0, 3, 40])))
        _same(_careful(path, known, monkeypatch), fast)
        taken += was
    assert taken > CASES // len(HEADERS) // 2


def test_a_deck_named_in_two_ways_on_one_day_is_told_of_as_one(known, tmp_path, monkeypatch):
    lines = [f"00{1 + i % 4},20{i % 20:02d}-03-{1 + i // 20:02d},{i}" for i in range(70)]
    lines += ["002,2024-05-06,1", "2,2024-05-06,3", "003,2024-05-06,1"]
    path = tmp_path / "surveys.csv"
    path.write_text("\n".join(["bridge id,survey date,delaminated m2", *lines]) + "\n", encoding="utf-8")
    fast, was = _fast(path, known, monkeypatch)
    assert was
    found = fast.faults[fast.faults["code"] == "R-CONFLICT"]
    assert found["line"].tolist() == [72, 73]
    _same(_careful(path, known, monkeypatch), fast)


def test_a_column_of_different_cells_is_what_it_was():
    rng = np.random.default_rng(3)
    for _ in range(200):
        cells = pd.Series(rng.choice(["a", "b", " b", "", "c", "d", "e"][: rng.integers(1, 8)], 20), dtype="str")
        codes, seen = pd.factorize(cells[::-1])
        held = coded.coded(codes[::-1], pd.Series(seen, dtype="str"))
        assert coded.spelled(held).tolist() == cells.tolist()
        for a, b in zip(coded.once(held), coded.once(cells), strict=True):
            assert a.tolist() == b.tolist()
        where = rng.random(20) < 0.4
        full, wanted = coded.filled(held, where, "c"), cells.where(~where, "c")
        assert coded.spelled(full).tolist() == wanted.tolist()
        for a, b in zip(coded.once(full), coded.once(wanted), strict=True):
            assert a.tolist() == b.tolist()
        bare = coded.each(held, lambda c: c.str.strip())
        for a, b in zip(coded.once(bare), coded.once(cells.str.strip()), strict=True):
            assert a.tolist() == b.tolist()


def test_numbers_of_rows_tell_what_the_rows_tell():
    rng = np.random.default_rng(4)
    for size in (2, 5, 40, 3_000_000_000, 1 << 40):
        columns = [(rng.integers(-1, size, 300), size) for _ in range(3)]
        key, above = coded.numbered(columns)
        frame = pd.DataFrame({j: codes for j, (codes, _) in enumerate(columns)})
        assert (pd.factorize(key)[0] == frame.groupby([0, 1, 2], sort=False).ngroup()).all()
        assert key.min() >= 0
        assert key.max() < above
        assert (coded.shared(key, above) == frame.duplicated(keep=False)).all()
        assert coded.all_differ(key, above) == (not frame.duplicated().any())

"""The store keeps everything, counts the newest, and takes back whole."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import duckdb
import pandas as pd
import pytest
import shapely

from decknet.columns import FAULT, RECORDS
from decknet.errors import StoreBusyError, StoreError
from decknet.keep import Store, add_programme, programmes
from decknet.keep.frames import fingerprints, to_store
from decknet.keep.verify import verify
from tests.frames import rows

NOW = datetime(2026, 11, 25, 9, 30)
NO_FAULTS = pd.DataFrame(columns=list(FAULT))


def _add(store, folder, text, records, faults=NO_FAULTS):
    path = folder / "file.csv"
    path.write_text(text, encoding="utf-8")
    return store.add(path, records, faults, rows_read=9, rows_kept=9, now=NOW, who="tester", software="test")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "district.duckdb"


@pytest.fixture
def store(path):
    with Store.create(path, title="A district", currency="USD", now=NOW, software="test") as made:
        yield made


def test_ids_stay_text_and_shapes_come_back(store, tmp_path):
    deck = rows("deck", deck_id=["007"], bridge_id=["07"], length_m=[30.5], outline=[shapely.box(0, -4, 30.5, 4)])
    bridge = rows("bridge", bridge_id=["07"], name=["NA"], posted=[True], built_year=[1974])
    survey = rows(
        "survey", survey_id=["s"], deck_id=["007"], survey_date=[pd.Timestamp("2024-02-29")], delaminated_m2=[0.0]
    )
    assert _add(store, tmp_path, "a", {"bridge": bridge, "deck": deck, "survey": survey}).new == 3
    got = store.current("deck").iloc[0]
    assert (got["deck_id"], got["bridge_id"], got["length_m"]) == ("007", "07", 30.5)
    assert got["outline"].equals(shapely.box(0, -4, 30.5, 4))
    assert pd.isna(got["width_m"])
    assert store.current("bridge").iloc[0][["name", "posted", "built_year"]].tolist() == ["NA", True, 1974]
    got = store.current("survey").iloc[0]
    assert got["survey_date"] == pd.Timestamp("2024-02-29")
    assert got["delaminated_m2"] == 0.0
    assert pd.isna(got["spalled_m2"])


def test_the_same_bytes_a_second_time_change_nothing(store, tmp_path):
    bridge = rows("bridge", bridge_id=["1"])
    first = _add(store, tmp_path, "same", {"bridge": bridge})
    again = _add(store, tmp_path, "same", {"bridge": bridge})
    assert again.intake_id is None
    assert again.already == first.intake_id
    assert len(store.intakes()) == 1
    assert len(store.history("bridge")) == 1


def test_a_file_that_comes_again_and_brings_nothing_uses_up_no_number(store, tmp_path):
    """A row refused once may be kept now, so the file is tried again; where nothing comes of it, nothing is taken."""
    fault = {**dict.fromkeys(FAULT, ""), "file": "file.csv", "line": 3, "code": "R-MISSING", "severity": "refuse"}
    faults = pd.DataFrame([fault], columns=list(FAULT))
    first = _add(store, tmp_path, "a", {"bridge": rows("bridge", bridge_id=["1"])}, faults)
    again = _add(store, tmp_path, "a", {"bridge": rows("bridge", bridge_id=["1"])}, faults)
    assert (again.intake_id, again.already) == (None, first.intake_id)
    assert _add(store, tmp_path, "b", {"bridge": rows("bridge", bridge_id=["2"])}).intake_id == first.intake_id + 1


def test_the_same_records_in_another_file_are_known_already(store, tmp_path):
    survey = rows(
        "survey", survey_id=["s"], deck_id=["d"], survey_date=[pd.Timestamp("2024-05-01")], delaminated_m2=[3.0]
    )
    _add(store, tmp_path, "one", {"survey": survey})
    again = _add(store, tmp_path, "two", {"survey": survey})
    assert (again.new, again.corrected, again.known) == (0, 0, 1)
    assert len(store.history("survey")) == 1


def test_a_correction_supersedes_and_both_can_be_read(store, tmp_path):
    day = [pd.Timestamp("2024-05-01")]
    _add(
        store,
        tmp_path,
        "one",
        {
            "survey": rows(
                "survey", survey_id=["s"], deck_id=["d"], survey_date=day, spalled_m2=[1.0], delaminated_m2=[3.0]
            )
        },
    )
    made = _add(
        store,
        tmp_path,
        "two",
        {"survey": rows("survey", survey_id=["s"], deck_id=["d"], survey_date=day, delaminated_m2=[5.0])},
    )
    assert made.corrected == 1
    now = store.current("survey")
    assert now["delaminated_m2"].tolist() == [5.0]
    assert now["spalled_m2"].tolist() == [1.0]  # the second row says nothing of it
    told = store.history("survey")
    assert told["delaminated_m2"].tolist() == [3.0, 5.0]
    assert told["supersedes"].tolist()[1] == told["row_id"].tolist()[0]


def _value(column):
    """Something that a column can hold."""
    low = column.low if column.low is not None else 1.0
    return {
        "choice": column.choices[0] if column.choices else "", "date": pd.Timestamp("2024-05-01"), "flag": True,
        "shape": shapely.box(0, 0, 2, 1), "number": float(low), "whole": int(low), "id": "7", "text": "said",
    }[column.kind]  # fmt: skip


@pytest.mark.parametrize("kind", list(RECORDS))
def test_a_row_of_any_record_that_gives_less_leaves_the_rest_and_clears_what_it_names(store, tmp_path, kind):
    record = RECORDS[kind]
    full = {c.name: [_value(c)] for c in record.columns}
    least = {c.name: [_value(c)] for c in record.columns if c.required or c.name in record.key}
    free = [c.name for c in record.columns if c.name not in least]
    _add(store, tmp_path, "one", {kind: rows(kind, **full)})
    whole = store.current(kind)
    assert not whole.isna().any(axis=None)
    assert _add(store, tmp_path, "two", {kind: rows(kind, **least)}).known == 1  # nothing new in it
    pd.testing.assert_frame_equal(store.current(kind), whole)
    if not free:
        return
    made = _add(store, tmp_path, "three", {kind: rows(kind, **least).assign(cleared=free[0])})
    assert made.corrected == 1
    now = store.current(kind)
    assert now.columns[now.isna().all()].tolist() == [free[0]]
    assert _add(store, tmp_path, "four", {kind: rows(kind, **full)}).corrected == 1  # given again
    pd.testing.assert_frame_equal(store.current(kind), whole)
    for intake in (made.intake_id, made.intake_id + 1):
        store.undo(intake, now=NOW, who="tester")
        assert verify(store).troubles == ()
    pd.testing.assert_frame_equal(store.current(kind), whole)


def test_a_second_file_on_a_deck_adds_to_what_is_known(store, tmp_path):
    _add(store, tmp_path, "one", {"deck": rows("deck", deck_id=["d"], bridge_id=["b"], length_m=[40.0])})
    _add(store, tmp_path, "two", {"deck": rows("deck", deck_id=["d"], bridge_id=["b"], width_m=[10.0])})
    assert store.current("deck")[["length_m", "width_m"]].to_numpy().tolist() == [[40.0, 10.0]]
    store.undo(1, now=NOW, who="tester")
    got = store.current("deck")
    assert got["length_m"].isna().all()
    assert got["width_m"].tolist() == [10.0]


def test_undo_takes_an_intake_back_whole_and_the_file_may_come_again(store, tmp_path):
    first = rows("bridge", bridge_id=["1", "2"], name=["Old", "Low"])
    _add(store, tmp_path, "one", {"bridge": first})
    _add(store, tmp_path, "two", {"bridge": rows("bridge", bridge_id=["1", "3"], name=["New", "High"])})
    store.undo(2, now=NOW, who="tester")
    assert store.current("bridge")["name"].tolist() == ["Old", "Low"]
    assert store.history("bridge")["undone"].tolist() == [False, False, True, True]
    assert _add(store, tmp_path, "two", {"bridge": rows("bridge", bridge_id=["1", "3"], name=["New", "High"])}).new == 1
    assert store.current("bridge")["name"].tolist() == ["New", "Low", "High"]
    with pytest.raises(StoreError, match="taken back already"):
        store.undo(2, now=NOW, who="tester")
    with pytest.raises(StoreError, match="no such intake"):
        store.undo(77, now=NOW, who="tester")


def test_an_intake_is_all_or_nothing(store, tmp_path):
    good = rows("bridge", bridge_id=["1"])
    bad = rows("traffic", bridge_id=["1"], year=[2020], aadt=[float("inf")])
    with pytest.raises(StoreError, match="refused a row"):
        _add(store, tmp_path, "x", {"bridge": good, "traffic": bad})
    assert store.current("bridge").empty
    assert store.intakes().empty
    assert _add(store, tmp_path, "x", {"bridge": good}).new == 1


def test_two_rows_of_one_key_are_refused(store, tmp_path):
    with pytest.raises(StoreError, match="share bridge_id"):
        _add(store, tmp_path, "x", {"bridge": rows("bridge", bridge_id=["1", "1"])})
    assert store.intakes().empty


def test_refused_rows_can_be_read_back_whole(store, tmp_path):
    fault = dict.fromkeys(FAULT, "") | {
        "file": "f.csv", "line": 7, "column": "delaminated m2", "value": "-3", "code": "R-RANGE", "rule": "At least 0.",
        "remedy": "Correct it.", "severity": "refuse", "row": '{"delaminated m2": "-3"}',
    }  # fmt: skip
    _add(store, tmp_path, "x", {}, pd.DataFrame([fault]))
    got = store.faults(1).iloc[0]
    assert {k: got[k] for k in FAULT} == fault
    assert store.intakes().iloc[0]["rows_refused"] == 1


def test_a_reader_sees_what_a_writer_left(store, path, tmp_path):
    _add(store, tmp_path, "x", {"bridge": rows("bridge", bridge_id=["1"])})
    store.close()
    with Store.open(path) as reader:
        assert reader.current("bridge")["bridge_id"].tolist() == ["1"]
        assert reader.about()["title"] == "A district"


def test_a_store_in_use_elsewhere_says_so(store, path):
    code = (
        "import sys; from pathlib import Path; from decknet.keep import Store\n"
        "from decknet.errors import StoreBusyError\n"
        "try: Store.open(Path(sys.argv[1]))\n"
        "except StoreBusyError as why: print('busy:', why)"
    )
    told = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True).stdout
    assert told.startswith("busy:")
    assert "in use" in told
    assert str(path) in told


def test_a_store_held_open_in_another_way_says_so(store, path):
    with pytest.raises(StoreBusyError, match="open elsewhere"):
        Store.open(path)


def test_a_store_attached_to_another_connection_says_so(store, path):
    store.close()
    with duckdb.connect() as other:
        other.execute(f"ATTACH '{path}' AS held (READ_ONLY)")
        with pytest.raises(StoreBusyError, match="open elsewhere"):
            Store.open(path, read_only=False)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty file"),
        (b"SQLite format 3\x00" + b"\x00" * 100, "SQLite"),
        (b"some words that are no database at all", "not a DuckDB file"),
    ],
)
def test_a_file_that_is_no_store_is_refused_and_left_alone(tmp_path, content, words):
    other = tmp_path / "other.duckdb"
    other.write_bytes(content)
    with pytest.raises(StoreError, match=words):
        Store.open(other, read_only=False)
    assert other.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["other.duckdb"]


def test_a_database_of_something_else_is_refused(tmp_path):
    other = tmp_path / "other.duckdb"
    duckdb.connect(str(other)).execute("CREATE TABLE t (a INT)").close()
    before = hashlib.sha256(other.read_bytes()).hexdigest()
    with pytest.raises(StoreError, match="not a decknet store"):
        Store.open(other, read_only=False)
    assert hashlib.sha256(other.read_bytes()).hexdigest() == before


def test_a_missing_store_says_how_to_make_one(tmp_path):
    with pytest.raises(StoreError, match="decknet new"):
        Store.open(tmp_path / "none.duckdb")


def test_a_new_store_never_overwrites(store, path):
    with pytest.raises(StoreError, match="never overwrites"):
        Store.create(path, title="x", currency="USD", now=NOW, software="test")


def test_the_schema_holds_every_column_of_every_record(store):
    columns = store._db.execute("SELECT table_name, column_name FROM duckdb_columns()").df()
    for kind, record in RECORDS.items():
        have = set(columns.loc[columns["table_name"] == kind, "column_name"])
        assert set(record.names()) <= have


@pytest.mark.parametrize(
    ("table", "columns", "values"),
    [
        ("traffic", "bridge_id, year, aadt", "'b', 2020, 'NaN'"),
        ("deck", "deck_id, bridge_id, length_m", "'d', 'b', -3"),
        ("defect", "survey_id, defect_id, kind", "'s', '1', 'rot'"),
        ("bridge", "bridge_id", "''"),
        ("closing", "closing_id, deck_id, closed_on, closed_by, how", "'c', 'd', DATE '2026-05-12', '', 'plated'"),
        (
            "closing",
            "closing_id, deck_id, closed_on, cause, closed_by, how",
            "'c', 'd', DATE '2026-05-12', 'x', 'y', 'z'",
        ),
    ],
)
def test_the_schema_is_the_last_guard(store, table, columns, values):
    lead = "row_id, intake_id, sheet, line, fingerprint"
    with pytest.raises(duckdb.ConstraintException):
        store._db.execute(f"INSERT INTO {table} ({lead}, {columns}) VALUES (1, 1, '', 1, 1, {values})")


def test_a_store_written_by_a_newer_version_is_refused(store, path):
    store._db.execute("INSERT INTO schema_step (number, name) VALUES (99, 'later')")
    store.close()
    with pytest.raises(StoreError, match="newer decknet"):
        Store.open(path)


def test_a_store_from_before_kinds_of_decks_takes_them_and_older_bridges(tmp_path):
    """A bridge and a deck stored under the eighth layout stay, and a bridge of 1764 and an undated rating come in."""
    bridge = rows("bridge", bridge_id=["b"], built_year=[1901])
    deck = rows("deck", deck_id=["b"], bridge_id=["b"], length_m=[30.0])
    prints = []
    for kind, held, new in (
        ("bridge", bridge, ("closed_to_traffic",)),
        ("deck", deck, ("deck_kind", "kind_year", "in_use", "retired_on", "retired_why", "deck_area_m2")),
    ):
        names = [n for n in RECORDS[kind].names() if n not in new]
        prints.append(int(fingerprints(to_store(held, RECORDS[kind].columns)[names]).iloc[0]))
    path = tmp_path / "old.duckdb"
    with duckdb.connect(str(path)) as db:
        made = Store(db, None, read_only=False)
        made.lay_out(upto=8)
        db.execute("INSERT INTO about VALUES ('format', 'decknet store'), ('title', 'Old'), ('currency', 'USD')")
        db.execute(
            "INSERT INTO intake (intake_id, file, sha256, file_bytes, brought_at, brought_by, software, rows_read, "
            "rows_kept, rows_refused, rows_set_aside, rows_repeated, records_new, records_corrected, records_known) "
            "VALUES (nextval('intake_number'), 'a.csv', repeat('0', 64), 1, now(), 'x', 'x', 1, 1, 0, 0, 0, 2, 0, 0)"
        )
        db.execute(
            "INSERT INTO bridge (row_id, intake_id, sheet, line, fingerprint, bridge_id, built_year) "
            "VALUES (nextval('record_number'), 1, '', 2, $print, 'b', 1901)",
            {"print": prints[0]},
        )
        db.execute(
            "INSERT INTO deck (row_id, intake_id, sheet, line, fingerprint, deck_id, bridge_id, length_m) "
            "VALUES (nextval('record_number'), 1, '', 2, $print, 'b', 'b', 30)",
            {"print": prints[1]},
        )
    with Store.open(path, read_only=False) as store:
        assert store.current("bridge")["built_year"].tolist() == [1901]
        assert store.current("deck")["deck_kind"].isna().all()
        assert verify(store).troubles == ()
        again = _add(store, tmp_path, "b", {"bridge": bridge, "deck": deck})
        assert (again.new, again.corrected, again.known) == (0, 0, 2)
        old = rows("bridge", bridge_id=["c"], built_year=[1764])
        rating = rows("rating", bridge_id=["c"], rated_year=[pd.NA], deck_rating=[5])
        assert _add(store, tmp_path, "c", {"bridge": old, "rating": rating}).new == 2
        assert _add(store, tmp_path, "d", {"bridge": old, "rating": rating}).known == 2
        assert store.current("bridge")["built_year"].tolist() == [1901, 1764]
        assert verify(store).troubles == ()


def test_a_store_from_before_looks_were_kept_takes_them_and_stays_true(tmp_path):
    """A survey stored under the seventh layout reads back without a look, and is known when it comes again."""
    survey = rows(
        "survey", survey_id=["s"], deck_id=["d"], survey_date=[pd.Timestamp("2024-02-29")], delaminated_m2=[3.5],
        remarks=["wet"],
    )  # fmt: skip
    old = [n for n in RECORDS["survey"].names() if n not in ("coverage", "looked_at")]
    print_ = int(fingerprints(to_store(survey, RECORDS["survey"].columns)[old]).iloc[0])
    path = tmp_path / "old.duckdb"
    with duckdb.connect(str(path)) as db:
        made = Store(db, None, read_only=False)
        made.lay_out(upto=7)
        db.execute("INSERT INTO about VALUES ('format', 'decknet store'), ('title', 'Old'), ('currency', 'USD')")
        db.execute(
            "INSERT INTO intake (intake_id, file, sha256, file_bytes, brought_at, brought_by, software, rows_read, "
            "rows_kept, rows_refused, rows_set_aside, rows_repeated, records_new, records_corrected, records_known) "
            "VALUES (nextval('intake_number'), 'a.csv', repeat('0', 64), 1, now(), 'x', 'x', 1, 1, 0, 0, 0, 1, 0, 0)"
        )
        db.execute(
            "INSERT INTO survey (row_id, intake_id, sheet, line, fingerprint, survey_id, deck_id, survey_date, "
            "delaminated_m2, remarks) VALUES (nextval('record_number'), 1, '', 2, $print, 's', 'd', DATE '2024-02-29', "
            "3.5, 'wet')",
            {"print": print_},
        )
        assert "closing" not in {row[0] for row in db.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    with Store.open(path, read_only=False) as store:
        held = store.current("survey")
        assert held["remarks"].tolist() == ["wet"]
        assert held[["coverage", "looked_at"]].isna().all(axis=None)
        assert store.current("closing").empty
        assert verify(store).troubles == ()
        again = _add(store, tmp_path, "b", {"survey": survey})
        assert (again.new, again.corrected, again.known) == (0, 0, 1)
        # What is said of its look now corrects it.
        more = _add(store, tmp_path, "c", {"survey": survey.assign(looked_at=pd.Series(["whole deck"], dtype="str"))})
        assert (more.new, more.corrected) == (0, 1)


def test_a_look_and_a_closing_come_back_as_they_were_and_go_with_their_intake(store, tmp_path):
    survey = rows(
        "survey", survey_id=["s"], deck_id=["d"], survey_date=[pd.Timestamp("2026-05-12")],
        coverage=[shapely.box(0, -4, 20, 0)], looked_at=["span 2"],
    )  # fmt: skip
    closing = rows(
        "closing", closing_id=["c"], deck_id=["d"], closed_on=[pd.Timestamp("2026-05-13")], cause=["open hole"],
        hazard=["H 3"], station_m=[12.5], offset_m=[-1.0], shape=[shapely.box(12, -2, 13, 0)], closed_by=["Ida Marsh"],
        how=["plated"],
    )  # fmt: skip
    assert _add(store, tmp_path, "x", {"survey": survey, "closing": closing}).new == 2
    got = store.current("survey").iloc[0]
    assert got["coverage"].equals(shapely.box(0, -4, 20, 0))
    assert got["looked_at"] == "span 2"
    pd.testing.assert_frame_equal(
        store.current("closing")[RECORDS["closing"].names()], closing.drop(columns=["sheet", "line"])
    )
    assert verify(store).troubles == ()
    store.undo(1, now=NOW, who="tester")
    assert store.current("closing").empty
    assert store.history("closing")["undone"].tolist() == [True]


def test_a_programme_kept_can_be_listed_and_its_name_is_its_own(store):
    line = {
        "deck_id": "d", "year": 2027, "treatment": "patch", "deck_m2": 400.0, "repair_m2": 20.0, "crew_days": 3.0,
        "cost": 9000.0, "benefit": 12.0, "share_before": 0.05, "share_after": 0.01, "urgent": False, "pinned": False,
        "based_on": "survey of 2026-05-12", "why": "x", "label": "Patch",
    }  # fmt: skip
    values = {
        "made_at": NOW,
        "made_by": "t",
        "software": "t",
        "first_year": 2027,
        "seed": 0,
        "budgets": "[1]",
        "settings": "{}",
        "facts": "{}",
    }
    add_programme(store, "spring", {"lines": pd.DataFrame([line])}, values)
    listed = programmes(store)
    assert listed[["name", "lines", "cost"]].to_numpy().tolist() == [["spring", 1, 9000.0]]
    with pytest.raises(StoreError, match="kept already"):
        add_programme(store, "spring", {"lines": pd.DataFrame([line])}, values)


def test_a_path_beyond_ascii_works(tmp_path):
    folder = tmp_path / "Données pont n° 7 (été)"
    folder.mkdir()
    place = folder / "bezirk – süd.duckdb"
    Store.create(place, title="Süd", currency="EUR", now=NOW, software="test").close()
    with Store.open(place) as store:
        assert store.about()["title"] == "Süd"
    assert isinstance(place, Path)

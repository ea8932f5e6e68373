"""What the office does: holds the store to every rule, and sends blank sheets out and back in."""

from __future__ import annotations

from datetime import date, datetime

import openpyxl
import pandas as pd
import pytest
import shapely

from decknet import flow
from decknet.cli import main
from decknet.columns import RECORDS
from decknet.errors import DecknetError
from decknet.flow import clerk
from decknet.ingest import CODES, Known, check_records, read_file
from decknet.show.forms import FORMS
from tests.frames import records

TODAY = date(2026, 6, 1)


def stored(**frames):
    out = {kind: pd.DataFrame(columns=record.names()) for kind, record in RECORDS.items()}
    for kind, record in RECORDS.items():
        out[kind] = frames.get(kind, records(kind, **{record.key[0]: []}))
    return out


BRIDGES = records(
    "bridge", bridge_id=["A", "B", "C", "D", "E", "F", "G"], name=["x"] * 7,
    longitude_deg=[10.1, 10.2, 10.3, 10.4, 10.5, 59.7, -10.4],
    latitude_deg=[59.7, 59.71, 59.72, 59.73, 59.74, 10.3, 59.7],
    built_year=[1980] * 7,
)  # fmt: skip
DECKS = records(
    "deck", deck_id=["A", "B", "C", "D"], bridge_id=["A", "B", "C", "Z"], length_m=[40.0, 40.0, 40.0, None],
    width_m=[10.0] * 4,
)  # fmt: skip


def survey(**more):
    base = {"survey_id": ["s1"], "deck_id": ["A"], "survey_date": ["2020-05-04"], "method": ["chain drag"]}
    return records("survey", **{**base, **more})


CASES = [
    ("C-SWAPPED", {}),
    ("C-SIGN", {}),
    ("C-NO-BRIDGE", {}),
    ("C-NO-SIZE", {}),
    ("C-NO-COUNT", {}),
    ("C-NO-DECK", {"survey": survey(deck_id=["Q"], delaminated_m2=[1.0])}),
    ("C-NO-DECK", {"closing": records("closing", closing_id=["c"], deck_id=["Q"], closed_on=["2020-05-04"],
                                      closed_by=["I"], how=["x"])}),
    ("C-FUTURE", {"closing": records("closing", closing_id=["c"], deck_id=["A"], closed_on=["2030-05-04"],
                                     closed_by=["I"], how=["x"])}),
    ("C-BEFORE-BUILT", {"survey": survey(survey_date=["1970-01-02"], delaminated_m2=[1.0])}),
    ("C-FUTURE", {"survey": survey(survey_date=["2030-01-02"], delaminated_m2=[1.0])}),
    ("C-SURVEY-LARGER", {"survey": survey(delaminated_m2=[612.0])}),
    ("C-NO-TOTALS", {"survey": survey()}),
    ("C-HEALED", {"survey": survey(survey_id=["s1", "s2"], deck_id=["A", "A"], survey_date=["2020-05-04", "2022-05-04"],
                                   method=["hammer", "hammer"], delaminated_m2=[80.0, 20.0])}),
    ("C-TWO-SURVEYS", {"survey": survey(survey_id=["s1", "s2"], deck_id=["A", "A"], method=["hammer", "hammer"],
                                        survey_date=["2020-05-04"] * 2, delaminated_m2=[80.0, 20.0])}),
    ("C-HALVES", {"survey": survey(survey_id=["s1", "s2"], deck_id=["A", "A"], survey_date=["2020-05-04", "2020-05-11"],
                                   method=["hammer"] * 2, surveyed_m2=[200.0, 200.0], delaminated_m2=[8.0, 2.0])}),
    ("C-SAME-PART", {"survey": survey(
        survey_id=["s1", "s2"], deck_id=["A", "A"], survey_date=["2020-05-04", "2020-05-11"], method=["hammer"] * 2,
        surveyed_m2=[200.0, 200.0], looked_at=["lane 1", "Lane 1"], delaminated_m2=[8.0, 2.0])}),
    ("C-LOOK", {"survey": survey(delaminated_m2=[8.0], looked_at=["northbound"])}),
    ("C-COVERAGE", {"survey": survey(), "defect": records(
        "defect", survey_id=["s1"], defect_id=["1"], kind=["spall"], shape=[shapely.box(0, 0, 4, 2)])}),
    ("C-BEYOND", {"survey": survey(from_station_m=[0.0], to_station_m=[3.0]), "defect": records(
        "defect", survey_id=["s1"], defect_id=["1"], kind=["spall"], shape=[shapely.box(0, 0, 4, 2)])}),
    ("C-REPAIR-LARGER", {"repair": records("repair", repair_id=["r"], deck_id=["A"], repair_date=["2020-05-04"],
                                           treatment=["patch"], area_m2=[412.0])}),
    ("C-OLD-COUNT", {"traffic": records("traffic", bridge_id=["A"], year=[2009], aadt=[2100.0])}),
    ("C-NO-SURVEY", {"defect": records("defect", survey_id=["s9"], defect_id=["1"], kind=["spall"], area_m2=[1.0])}),
    ("C-OUTSIDE-DECK", {"survey": survey(delaminated_m2=[8.0]),
                        "defect": records("defect", survey_id=["s1"], defect_id=["1"], kind=["delamination"],
                                          shape=[shapely.box(38, 0, 42, 2)])}),
    ("C-OVERLAP", {"survey": survey(), "defect": records(
        "defect", survey_id=["s1", "s1"], defect_id=["1", "2"], kind=["spall", "spall"],
        shape=[shapely.box(0, 0, 4, 2), shapely.box(1, 0, 5, 2)])}),
    ("C-TWO-AREAS", {"survey": survey(delaminated_m2=[20.0]), "defect": records(
        "defect", survey_id=["s1"], defect_id=["1"], kind=["delamination"], shape=[shapely.box(0, 0, 4, 2)])}),
    ("C-SAME-PLACE", {"bridge": records("bridge", bridge_id=["A", "B"], longitude_deg=[1.0, 1.0],
                                        latitude_deg=[2.0, 2.0])}),
    ("C-NEAR-IDS", {"bridge": records("bridge", bridge_id=["0042", "42"])}),
    ("C-NO-POSITION", {"bridge": records("bridge", bridge_id=["A"])}),
]  # fmt: skip


@pytest.mark.parametrize(("code", "more"), CASES, ids=[f"{c}-{'-'.join(m)}" for c, m in CASES])
def test_a_rule_over_what_is_stored_finds_its_fault(code, more):
    found = check_records(stored(**{"bridge": BRIDGES, "deck": DECKS, **more}), today=TODAY)
    assert code in set(found["code"])
    row = found[found["code"] == code].iloc[0]
    assert row["rule"]
    assert row["remedy"].endswith(".")


def test_every_rule_over_what_is_stored_has_a_case():
    assert {c for c in CODES if c.startswith("C-")} - {c for c, _ in CASES} == {"C-FAR", "C-OPEN"}


def test_a_sound_store_has_nothing_to_check():
    bridge = records("bridge", bridge_id=["A"], longitude_deg=[10.0], latitude_deg=[59.0], built_year=[1980])
    deck = records("deck", deck_id=["A"], bridge_id=["A"], length_m=[40.0], width_m=[10.0])
    count = records("traffic", bridge_id=["A"], year=[2024], aadt=[900.0])
    rows = survey(survey_id=["s1", "s2"], deck_id=["A", "A"], survey_date=["2020-05-04", "2022-05-04"],
                  method=["hammer", "hammer"], delaminated_m2=[10.0, 20.0])  # fmt: skip
    frames = {**stored(bridge=bridge, deck=deck, traffic=count), "survey": rows}
    assert check_records(frames, today=TODAY).empty


def test_what_was_looked_at_bounds_what_can_be_found():
    """A strip of 10 m by 10 m holds 100 m2: 102 m2 are too many in it, and 98 m2 are not."""
    base = {"bridge": BRIDGES, "deck": DECKS}
    strip = {"from_station_m": [0.0], "to_station_m": [10.0]}
    over = check_records(stored(**base, survey=survey(delaminated_m2=[102.0], **strip)), today=TODAY)
    assert "it exceeds the 100 m2 surveyed" in over[over["code"] == "C-SURVEY-LARGER"]["rule"].tolist()
    under = check_records(stored(**base, survey=survey(delaminated_m2=[98.0], **strip)), today=TODAY)
    assert "C-SURVEY-LARGER" not in set(under["code"])


def test_two_strips_days_apart_are_two_halves():
    """Offsets -5 to 0 and 0 to 5 of a deck of 40 by 10 m: 200 m2 each, the whole between them."""
    rows = survey(survey_id=["s1", "s2"], deck_id=["A", "A"], survey_date=["2020-05-04", "2020-05-11"],
                  method=["hammer"] * 2, from_offset_m=[-5.0, 0.0], to_offset_m=[0.0, 5.0],
                  delaminated_m2=[8.0, 2.0])  # fmt: skip
    found = check_records(stored(bridge=BRIDGES, deck=DECKS, survey=rows), today=TODAY)
    assert found[found["code"] == "C-HALVES"]["value"].tolist() == ["200 + 200"]


@pytest.mark.parametrize(
    ("ends", "told"), [((-5.0, 0.0), True), ((-5.0, 0.5), True), ((0.0, 5.0), False), ((-0.4, 5.0), False)]
)
def test_one_lane_given_twice_is_not_the_whole(ends, told):
    """Of a deck of 400 m2 the first sheet gives offsets -5 to 0, 200 m2. The same again, or a little more, is the same
    part; 0 to 5 is the other, and so is -0.4 to 5: 0.4 m by 40 m is 16 m2 looked at twice, 4 % of the deck."""
    rows = survey(survey_id=["s1", "s2"], deck_id=["A", "A"], survey_date=["2020-05-04", "2020-05-11"],
                  method=["hammer"] * 2, from_offset_m=[-5.0, ends[0]], to_offset_m=[0.0, ends[1]],
                  delaminated_m2=[8.0, 2.0])  # fmt: skip
    found = check_records(stored(bridge=BRIDGES, deck=DECKS, survey=rows), today=TODAY)
    assert ("C-SAME-PART" in set(found["code"])) is told
    assert ("C-HALVES" in set(found["code"])) is not told
    if told:
        rule = found[found["code"] == "C-SAME-PART"]["rule"].tolist()[0]
        assert "the same part, stations 0 to 40 m, offsets -5 to 0 m: they do not make the whole" in rule


def test_halves_in_words_make_the_whole_only_where_the_words_differ():
    """Sheets A and B of 200 m2 each make 400 m2; A and A do not; without words it is asked."""
    for words, code, said in (
        (["A", "B"], "C-HALVES", "make the whole"), (["A", "a"], "C-SAME-PART", "do not make"),
        ([None, "B"], "C-HALVES", "nothing says that they are not the same part"),
    ):  # fmt: skip
        rows = survey(
            survey_id=["s1", "s2"],
            deck_id=["A", "A"],
            survey_date=["2020-05-04", "2020-05-11"],
            method=["hammer"] * 2,
            surveyed_m2=[200.0] * 2,
            looked_at=words,
            delaminated_m2=[8.0, 2.0],
        )
        found = check_records(stored(bridge=BRIDGES, deck=DECKS, survey=rows), today=TODAY)
        assert said in found[found["code"] == code]["rule"].tolist()[0]


def test_a_repair_between_explains_less_unsound_area():
    rows = survey(survey_id=["s1", "s2"], deck_id=["A", "A"], survey_date=["2020-05-04", "2022-05-04"],
                  method=["hammer", "hammer"], delaminated_m2=[80.0, 20.0])  # fmt: skip
    done = records("repair", repair_id=["r"], deck_id=["A"], repair_date=["2021-05-04"], treatment=["patch"],
                   area_m2=[70.0])  # fmt: skip
    found = check_records(stored(bridge=BRIDGES, deck=DECKS, survey=rows, repair=done), today=TODAY)
    assert "C-HEALED" not in set(found["code"])


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "d.duckdb"
    flow.create(path, title="West", currency="USD", now=datetime(2026, 1, 1))
    (tmp_path / "bridges.csv").write_text(
        "bridge id,name,lon,lat,deck length m,deck width m,built year\nA,=1+1,10,59,40,10,1980\n"
    )
    (tmp_path / "surveys.csv").write_text(
        f"bridge id,survey date,delaminated m2,remark\nA,2020-05-04,612,{'x' * 40_000}\nA,2021-05-04,80,\n"
        "A,2022-05-04,8,\n"
    )
    list(flow.load(path, [tmp_path / "bridges.csv", tmp_path / "surveys.csv"], now=datetime(2026, 6, 1), who="t"))
    return path


@pytest.mark.slow
def test_the_list_for_a_clerk_names_file_line_and_remedy(store, tmp_path, capsys):
    assert main(["check", str(store), "-o", str(tmp_path / "list.xlsx"), "--today", "2026-06-01"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "C-HEALED: 1" in said
    assert "(surveys.csv line 4)" in said
    assert "1 refused" in said
    page = openpyxl.load_workbook(tmp_path / "list.xlsx")["To check"]
    head = [c.value for c in page[3]]
    rows = [dict(zip(head, [c.value for c in row], strict=True)) for row in page.iter_rows(min_row=4)]
    refused = [r for r in rows if r["Code"] == "R-LARGER-THAN-DECK"]
    assert [(r["File"], r["Line"], r["Found"]) for r in refused] == [("surveys.csv", 2, "612")]
    assert refused[0]["The row as it stood"].endswith("(cut here; the whole stands in the store)")
    assert {"Done by", "Done on", "What was done"} <= set(head)
    assert not [c for row in page.iter_rows() for c in row if c.data_type == "f"]


FILLED = {
    "bridges": {"bridge id": "0077", "name": "North Weir", "longitude (°)": 9.5, "posted": "yes", "built year": 1980},
    "decks": {"deck id": "0077", "bridge id": "0077", "length (m)": 40, "width (m)": 10, "bar kind": "epoxy"},
    "surveys": {"deck id": "0077", "survey date": date(2024, 5, 6), "method": "chain drag", "looked at": "all lanes",
                "delaminated (m²)": 12.5},
    "defects": {
        "deck id": "0077", "survey date": date(2024, 5, 6), "kind": "spall", "from station (m)": 2, "to station (m)": 4,
        "from offset (m)": -1, "to offset (m)": 1,
    },
    "repairs": {
        "deck id": "0077", "repair date": date(2025, 5, 6), "treatment": "patch", "area (m²)": 3.5, "cost": 900,
    },
    "closings": {
        "deck id": "0077", "closed on": date(2025, 5, 7), "cause": "open hole", "station (m)": 3,
        "closed by": "Ida Marsh", "how": "steel plate",
    },
    "traffic": {"bridge id": "0077", "year": 2023, "aadt": 8400, "truck share (%)": 12},
}  # fmt: skip


def test_blank_sheets_come_back_without_a_mapping(tmp_path, capsys):
    folder, path = tmp_path / "sheets", tmp_path / "d.duckdb"
    assert main(["forms", str(folder)]) == 0
    assert sorted(p.stem for p in folder.iterdir()) == sorted(FORMS)
    flow.create(path, title="West", currency="USD", now=datetime(2026, 1, 1))
    for name, values in FILLED.items():
        book = openpyxl.load_workbook(folder / f"{name}.xlsx")
        page = book[name]
        heads = {c.value: c.column for c in page[1]}
        for head, value in values.items():
            page.cell(2, heads[head], value)
        book.save(folder / f"{name}.xlsx")
    loads = list(flow.load(path, [folder], now=datetime(2026, 6, 1), who="t"))
    assert [loaded.error for loaded in loads] == [""] * 7
    for loaded in loads:
        assert (loaded.reading.rows_read, loaded.reading.rows_kept) == (1, 1), loaded.path
    from decknet.keep import Store

    with Store.open(path) as store:
        assert store.current("deck")["bar_kind"].tolist() == ["epoxy"]
        assert store.current("bridge")["posted"].tolist() == [True]
        assert store.current("traffic")["truck_share"].tolist() == [pytest.approx(0.12)]
        assert store.current("defect")["shape"].iloc[0].area == 4.0
        assert store.current("survey")["survey_id"].tolist() == ["0077|2024-05-06|chain drag"]
        assert store.current("survey")["looked_at"].tolist() == ["whole deck"]
        assert store.current("closing")[["closed_by", "how"]].to_numpy().tolist() == [["Ida Marsh", "steel plate"]]
    assert main(["forms", str(folder)]) == 1
    assert "exists already" in capsys.readouterr().err


@pytest.mark.parametrize("name", list(FORMS))
def test_a_blank_sheet_has_lists_date_cells_and_notes_and_holds_no_row(tmp_path, name):
    (path,) = [p for p in clerk.write_forms(tmp_path / "s") if p.stem == name]
    book = openpyxl.load_workbook(path)
    page = book[name]
    rules = {str(v.sqref).split(":")[0].rstrip("0123456789"): v.type for v in page.data_validations.dataValidation}
    kinds = {c.name: c.kind for c in RECORDS[FORMS[name][0]].columns} | {
        c.name: c.kind for of, n in FORMS[name][1] for c in RECORDS[of].columns if c.name == n
    }
    for j, (_, column) in enumerate(FORMS[name][1]):
        letter = openpyxl.utils.get_column_letter(j + 1)
        if kinds[column] in ("choice", "flag"):
            assert rules[letter] == "list"
        if kinds[column] == "date":
            assert rules[letter] == "date"
            assert page.column_dimensions[letter].number_format == "yyyy-mm-dd"
    assert "notes" in book.sheetnames
    reading = read_file(path, known=Known.empty(), today=TODAY)
    assert reading.rows_read == 0
    unused = reading.mapping[(reading.mapping["column"] == "") & (reading.mapping["sheet"] == name)]
    assert unused["header"].tolist() == []


def test_sheets_that_may_be_filled_in_are_never_written_over(tmp_path):
    list(clerk.write_forms(tmp_path))
    with pytest.raises(DecknetError, match="may be filled in"):
        list(clerk.write_forms(tmp_path))


@pytest.mark.basis("derived", "2 by 2 m from station 39 to 41 on a deck of 40 m: 2 of 4 m2 beyond; 80 m2 on 5 by 10 m")
@pytest.mark.slow
def test_what_is_set_aside_or_left_out_of_every_figure_is_listed(store, tmp_path, capsys):
    more = {
        "drawn.csv": "survey id,deck id,survey date,method,looked at\nd1,A,2024-05-04,hammer,whole deck\n"
        "d2,A,2025-05-04,hammer,whole deck\n",
        "shapes.csv": "survey id,defect id,kind,from station m,to station m,from offset m,to offset m\n"
        "d1,1,spall,39,41,0,2\nd2,1,spall,30,39.99,0,2\n",
    }
    for name, text in more.items():
        (tmp_path / name).write_text(text)
    list(flow.load(store, [tmp_path / n for n in more], now=datetime(2026, 6, 1), who="t"))
    found = clerk.check(store, today=TODAY).stored.set_index("code")
    left = found.loc["C-LEFT-OUT"]
    assert (left["record"], left["value"], left["file"], left["line"]) == ("d1", "2.0 m2", "drawn.csv", "2")
    assert "C-SET-ASIDE" not in found.index
    # A correction makes the deck 5 m long: the 80 m2 of 2021 can be on it no longer.
    (tmp_path / "corrected.csv").write_text("bridge id,deck length m,deck width m\nA,5,10\n")
    list(flow.load(store, [tmp_path / "corrected.csv"], now=datetime(2026, 6, 2), who="t", accept=("changes",)))
    found = clerk.check(store, today=TODAY).stored
    (aside,) = found[found["code"] == "C-SET-ASIDE"].to_dict("records")
    assert aside["value"] == "80 m2 unsound does not fit on the 50 m2 looked at"
    assert "the survey of 2021-05-04 of deck A cannot be right, so it is set aside" in aside["rule"]
    assert main(["check", str(store), "-o", str(tmp_path / "aside.xlsx"), "--today", "2026-06-01"]) == 0
    assert "C-SET-ASIDE: 1" in capsys.readouterr().out
    book = openpyxl.load_workbook(tmp_path / "aside.xlsx")
    assert any("C-SET-ASIDE" in [c.value for c in row] for sheet in book for row in sheet.iter_rows())

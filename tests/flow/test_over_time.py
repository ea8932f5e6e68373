"""What a later file does to an earlier one: it adds, corrects, clears what it says it clears, and wipes nothing."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest

from decknet import flow
from decknet.cli import main
from decknet.flow.reading import AsOf
from decknet.keep import Store
from decknet.keep.verify import verify

pytestmark = pytest.mark.slow

NOW = datetime(2026, 6, 1, 9)
LATER = datetime(2026, 6, 3, 9)
BRIDGES = (
    "bridge id,name,route,longitude,latitude,built year,owner,deck length m,deck width m,cover mm\n"
    "A,Mill Road,R 1,10.00,60.00,1980,County,40,10,50\n"
    "B,Tarn Beck,R 2,10.10,60.10,1990,County,20,8,45\n"
)


class District:
    """A store with two bridges, into which files written on the spot are brought."""

    def __init__(self, folder):
        self.folder, self.path = folder, folder / "s.duckdb"
        flow.create(self.path, title="Invented", currency="USD", now=NOW)
        self.load(BRIDGES, "bridges.csv")

    def load(self, text, name="more.csv", now=NOW, **how):
        file = self.folder / name
        file.write_text(text, encoding="utf-8")
        (loaded,) = flow.load(self.path, [file], now=now, who="test", **how)
        assert loaded.reading is not None, loaded.error
        return loaded

    def held(self, kind, known_by=None):
        with Store.open(self.path) as store:
            return store.current(kind, known_by=AsOf(known_by=known_by).moment())

    def one(self, kind, known_by=None):
        (row,) = self.held(kind, known_by).to_dict("records")
        return {k: v for k, v in row.items() if v is not None and not (not hasattr(v, "area") and pd.isna(v))}


@pytest.fixture
def district(tmp_path):
    return District(tmp_path)


FIRST = {
    "survey": "survey id,deck id,survey date,method,delaminated m2,spalled m2,crew\nS1,A,2024-05-06,hammer,12,3,Sid\n",
    "defect": "survey id,defect id,deck id,survey date,kind,depth mm,area m2\nS1,1,A,2024-05-06,spall,40,2.5\n",
    "repair": "repair id,deck id,repair date,treatment,area m2,material,crew\nR1,A,2024-08-01,patch,14,mortar,West\n",
    "traffic": "bridge id,year,aadt,truck share,speed km/h\nA,2023,4000,0.1,80\n",
    "closing": "closing id,deck id,closed on,closed by,how,cause,remarks\nC1,A,2024-08-02,Ida,plated,open hole,dry\n",
    "element_quantity": "bridge id,quantity date,element,parent element,total,cs1,cs2\nA,2024-05-06,12,,400,390,10\n",
}  # fmt: skip
# The later file, and what must be on record with it: what it gives, and of the first file the rest.
LATER_FILES = {
    "survey": ("survey id,deck id,survey date,crew,spalled m2\nS1,A,2024-05-06,East,\n",
               {"crew": "East", "delaminated_m2": 12.0, "spalled_m2": 3.0, "method": "hammer"}),
    "defect": ("survey id,defect id,kind,area m2\nS1,1,spall,2.75\n", {"area_m2": 2.75, "depth_mm": 40.0}),
    "repair": ("repair id,deck id,repair date,treatment,cost\nR1,A,2024-08-01,patch,9000\n",
               {"cost": 9000.0, "area_m2": 14.0, "material": "mortar", "crew": "West"}),
    "traffic": ("bridge id,year,aadt,truck share\nA,2023,4100,\n",
                {"aadt": 4100.0, "truck_share": 0.1, "speed_kmh": 80.0}),
    "closing": ("closing id,deck id,closed on,closed by,how\nC1,A,2024-08-02,Ida,plated and bolted\n",
                {"how": "plated and bolted", "cause": "open hole", "remarks": "dry"}),
    "element_quantity": ("bridge id,quantity date,element,parent element,cs1,cs2\nA,2024-05-06,12,,380,20\n",
                         {"cs1": 380.0, "cs2": 20.0, "total": 400.0}),
}  # fmt: skip


@pytest.mark.parametrize("kind", list(FIRST))
def test_a_later_file_that_gives_less_wipes_nothing_and_undo_of_either_is_whole(district, kind):
    district.load(FIRST[kind], "first.csv", kind=kind)
    before = district.one(kind)
    text, expected = LATER_FILES[kind]
    later = district.load(text, "later.csv", now=LATER, kind=kind)
    assert (later.intake.new, later.intake.corrected) == (0, 1)
    now = district.one(kind)
    assert {n: now[n] for n in expected} == expected
    assert district.one(kind, known_by=date(2026, 6, 2)) == before  # the later file came on the 3rd
    assert district.load(text + "\n", "again.csv", kind=kind).intake.known == 1  # it says nothing new
    with Store.open(district.path) as store:
        assert verify(store).troubles == ()
    flow.undo(district.path, later.intake.intake_id, now=LATER, who="test")
    assert district.one(kind) == before
    # With the first taken back instead, only what the later one gave is left.
    district.load(text, "later.csv", now=LATER, kind=kind)
    flow.undo(district.path, 2, now=LATER, who="test")
    assert not (set(before) - set(expected)) & set(district.one(kind)) - _always(kind)


def _always(kind):
    from decknet.columns import RECORDS

    return {c.name for c in RECORDS[kind].columns if c.required} | set(RECORDS[kind].key)


@pytest.mark.parametrize(
    ("kind", "text", "expected"),
    [
        # The number alone tells which record: of the rest only what is given is new.
        (
            "repair",
            "repair id,cost\nR1,9000\n",
            {"cost": 9000.0, "treatment": "patch", "area_m2": 14.0, "deck_id": "A"},
        ),
        ("survey", "survey id,delaminated m2\nS1,13.5\n", {"delaminated_m2": 13.5, "spalled_m2": 3.0, "deck_id": "A"}),
        ("defect", "survey id,defect id,depth mm\nS1,1,55\n", {"depth_mm": 55.0, "kind": "spall", "area_m2": 2.5}),
        ("traffic", "bridge id,year,aadt,truck share\nA,2023,,0.2\n", {"truck_share": 0.2, "aadt": 4000.0}),
        ("closing", "closing id,remarks\nC1,wet\n", {"remarks": "wet", "how": "plated", "cause": "open hole"}),
    ],
)
def test_a_correction_by_number_need_not_say_the_rest_again(district, kind, text, expected):
    district.load(FIRST[kind], "first.csv", kind=kind)
    found = district.load(text, kind=kind)
    assert found.reading.rows_kept == 1
    now = district.one(kind)
    assert {n: now[n] for n in expected} == expected


def test_a_correction_of_a_number_not_on_record_is_refused_in_words(district):
    district.load(FIRST["repair"], "first.csv")
    found = district.load("repair id,cost\nR1,9000\nR9,5\n")
    (fault,) = found.reading.faults.to_dict("records")
    assert (fault["line"], fault["code"]) == (3, "R-NOT-ON-RECORD")
    assert fault["rule"] == "no repair R9 is on record, and the table does not give deck_id, repair_date, treatment"


@pytest.mark.parametrize(
    ("kind", "text", "joins"),
    [
        ("repair", "deck id,repair date,treatment,cost\nA,2024-08-01,patch,9000\n", True),
        ("repair", "deck id,repair date,treatment,area m2,cost\nA,2024-08-01,patch,14,9000\n", True),
        ("repair", "deck id,repair date,treatment,area m2,cost\nA,2024-08-01,patch,3,900\n", False),  # another patch
        ("repair", "deck id,repair date,treatment,cost\nA,2024-08-01,patch,9000\nA,2024-08-01,patch,8\n", False),
        ("survey", "deck id,survey date,delaminated m2,remarks\nA,2024-05-06,12,wet\n", True),
        ("survey", "deck id,survey date,delaminated m2,remarks\nA,2024-05-06,4,wet\n", False),
        ("survey", "deck id,survey date,method,remarks\nA,2024-05-06,infrared,wet\n", False),
    ],
)
def test_a_correction_without_a_number_doubles_no_record(district, kind, text, joins):
    """It joins the one record of its deck and day only where it contradicts it in nothing."""
    district.load(FIRST[kind], "first.csv")
    found = district.load(text)
    assert ("F-JOINED" in set(found.reading.faults["code"])) is joins
    assert (len(district.held(kind)) == 1) is joins
    if joins:
        assert found.reading.faults["rule"].str.contains(f"taken for {kind} [RS]1, on record").any()


def test_a_share_given_anew_is_of_what_the_survey_on_record_looked_at(district):
    """100 m2 of the deck's 400 were looked at: 15 % of them are 15 m2, and not 60."""
    district.load("survey id,deck id,survey date,surveyed m2,delaminated m2\nS1,A,2024-05-06,100,12\n", "first.csv")
    district.load("survey id,deck id,survey date,delaminated %\nS1,A,2024-05-06,15\n")
    now = district.one("survey")
    assert (now["delaminated_m2"], now["surveyed_m2"]) == (15.0, 100.0)


def test_clear_takes_off_the_record_what_an_empty_cell_leaves(district):
    """Of bridge A the owner goes, of its deck the cover; the empty cell of B's owner wipes nothing."""
    found = district.load("bridge id,owner,built year,cover mm\nA,clear,,Clear\nB,,clear,\n")
    faults = found.reading.faults
    assert sorted(faults.loc[faults["code"] == "F-CLEARED", "rule"]) == [
        "built_year 1990 is taken off the record", "cover_mm 50 is taken off the record",
        "owner County is taken off the record",
    ]  # fmt: skip
    bridges, decks = district.held("bridge").set_index("bridge_id"), district.held("deck").set_index("deck_id")
    assert bridges["owner"].fillna("none").to_dict() == {"A": "none", "B": "County"}
    assert bridges["built_year"].fillna(0).to_dict() == {"A": 1980, "B": 0}
    assert decks["cover_mm"].fillna(0).to_dict() == {"A": 0.0, "B": 45.0}
    flow.undo(district.path, found.intake.intake_id, now=LATER, who="test")
    assert district.held("bridge")["owner"].tolist() == ["County", "County"]
    # What was cleared may be given again by a still later file.
    district.load("bridge id,owner\nA,clear\n", "c.csv", kind="bridge")
    district.load("bridge id,owner\nA,State\n", "d.csv", kind="bridge")
    assert district.held("bridge")["owner"].tolist() == ["State", "County"]


def test_clear_in_dates_choices_and_surveys(district):
    district.load(FIRST["survey"], "first.csv")
    district.load("deck id,bridge id,retired on\nA,A,2025-01-01\n", "retired.csv", kind="deck")
    district.load("survey id,deck id,survey date,method,spalled m2\nS1,A,2024-05-06,clear,clear\n")
    now = district.one("survey")
    assert "method" not in now
    assert "spalled_m2" not in now
    assert now["delaminated_m2"] == 12.0
    district.load("deck id,bridge id,retired on,in use\nA,A,clear,yes\n", "again.csv", kind="deck")
    deck = district.held("deck").set_index("deck_id").loc["A"]
    assert pd.isna(deck["retired_on"])
    assert deck["in_use"]


def test_clear_where_nothing_is_on_record_is_said_and_a_word_of_text_stays_one(district):
    found = district.load(
        "survey id,deck id,survey date,delaminated m2,spalled m2,remarks\nS7,A,2024-05-06,4,2,clear\n", "first.csv"
    )
    assert district.one("survey")["remarks"] == "clear"  # of the weather, say: there was nothing to take off
    found = district.load("survey id,deck id,survey date,hole m2,remarks\nS8,A,2025-05-06,clear,clear\n")
    assert found.reading.faults["code"].tolist() == ["F-NO-TOTALS", "F-NOTHING-CLEARED"]
    assert district.held("survey").set_index("survey_id").loc["S8", "remarks"] == "clear"


def test_a_look_said_anew_takes_the_place_of_the_older_one(district):
    """First the left half, offsets -5 to 0; then the whole deck: no strip is left of which the share would be taken."""
    head = "survey id,deck id,survey date,delaminated m2"
    district.load(f"{head},from offset,to offset\nS1,A,2024-05-06,12,-5,0\n", "first.csv")
    district.load(f"{head},looked at\nS1,A,2024-05-06,,whole deck\n", "second.csv")
    now = district.one("survey")
    assert now["looked_at"] == "whole deck"
    assert "from_offset_m" not in now
    assert now["delaminated_m2"] == 12.0
    district.load(f"{head}\nS1,A,2024-05-06,13\n", "third.csv")
    assert district.one("survey")["looked_at"] == "whole deck"


CHANGED = (
    "bridge id,name,longitude,latitude,built year,deck length m,deck width m\n"
    "A,Mill Lane,10.00,60.00,1980,40,10\n"  # renamed
    "B,Tarn Beck,10.10,60.11,1991,20,10\n"  # 0.01 degrees of latitude are 1.11 km; built year; 200 m2 for 160 m2
)


def test_a_file_that_moves_renames_resizes_or_redates_is_held_back_until_accepted(district):
    found = district.load(CHANGED)
    assert found.held_back
    assert found.intake is None
    told = found.changes[["what", "id", "was", "now", "line", "asked"]].to_numpy().tolist()
    assert told == [
        ["moved", "B", "60.10000, 10.10000", "60.11000, 10.10000 (1,110 m away)", 3, True],
        ["renamed", "A", "Mill Road", "Mill Lane", 2, True],
        ["resized", "B", "20 m by 8 m", "20 m by 10 m", 3, True],
        ["built year", "B", "1990", "1991", 3, True],
    ]
    assert district.held("bridge")["name"].tolist() == ["Mill Road", "Tarn Beck"]
    done = district.load(CHANGED, accept=("changes",))
    assert not done.held_back
    assert done.intake.corrected == 3  # two bridges and one deck are other than they were; A's deck is known
    assert district.held("bridge")["name"].tolist() == ["Mill Lane", "Tarn Beck"]
    # The first file again is known already, and not asked about.
    again = district.load(BRIDGES, "bridges.csv")
    assert (again.already, again.held_back) == (1, False)


@pytest.mark.parametrize(
    "row",
    [
        "A,Mill  road,10.00,60.004,1980,40,10",  # letters and blanks; 0.004 degrees are 445 m
        "A,Mill Road,10.00,60.00,1980,44,10",  # 440 m2 for 400 m2 are 10 %, not more
        "A,,,,,,",
        "C,New Bridge,11,61,2020,30,9",
    ],
)
def test_an_ordinary_correction_is_stored_without_asking(district, row):
    found = district.load(CHANGED.split("\n", 1)[0] + f"\n{row}\n")
    assert not found.held_back
    assert not len(found.changes)


def test_a_deck_of_which_only_the_area_is_known_is_resized_too(district):
    """912 m2 for 800 m2 are 14 % more."""
    district.load("bridge id,name,deck area m2\nC,Fell Way,800\n", "c.csv")
    found = district.load("bridge id,name,deck area m2\nC,Fell Way,912\n")
    assert found.changes[["what", "was", "now"]].to_numpy().tolist() == [["resized", "800 m²", "912 m²"]]


def test_in_a_script_changes_end_with_1_and_say_how_to_go_on(district, capsys):
    file = district.folder / "changed.csv"
    file.write_text(CHANGED, encoding="utf-8")
    assert main(["load", str(district.path), str(file)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "changed.csv: nothing of it is stored, because of what it changes of bridges on record:" in said
    assert "1 bridge is renamed: line 2, A: Mill Road would become Mill Lane." in said
    assert "load the file again with --accept changes" in said
    assert main(["load", str(district.path), str(file), "--accept", "changes"]) == 0
    assert "1 bridge is renamed. A: Mill Road became Mill Lane." in " ".join(capsys.readouterr().out.split())


def test_a_newer_revision_replaces_an_older_one_and_never_the_other_way(district):
    titled = "District list\nRevision {},{}\nbridge id,name,owner\nA,Mill Road,{}\n"
    district.load(titled.format("C", "issued 2026-05-12", "State"), "c.csv")
    for name, rev, issued in (("b", "B", ""), ("bb", "D", "issued 2026-03-01"), ("a", "a", "")):
        found = district.load(titled.format(rev, issued, "Town"), f"{name}.csv")
        assert found.reading.faults["code"].tolist() == ["S-OLD-REVISION"]
        assert district.held("bridge")["owner"].tolist() == ["State", "County"]
    assert found.reading.faults["rule"][0].startswith("it is of revision A, and revision C is on record")
    assert district.load(titled.format("D", "issued 2026-06-01", "City"), "d.csv").intake.corrected == 1
    assert district.held("bridge")["owner"].tolist() == ["City", "County"]
    # A list that says nothing of its revision replaces as ever.
    district.load("bridge id,owner\nA,Parish\n", "plain.csv", kind="bridge")
    assert district.held("bridge")["owner"].tolist() == ["Parish", "County"]


def test_the_older_revision_comes_in_once_the_newer_is_taken_back(district):
    text = "bridge id,name,owner,revision\nA,Mill Road,{},{}\n"
    newer = district.load(text.format("State", "10"), "ten.csv")
    assert district.load(text.format("Town", "9"), "nine.csv").reading.rows_kept == 0
    flow.undo(district.path, newer.intake.intake_id, now=LATER, who="test")
    assert district.load(text.format("Town", "9"), "nine.csv").intake.corrected == 1
    assert district.held("bridge")["owner"].tolist() == ["Town", "County"]


def test_an_older_inspection_adds_its_rating_and_replaces_nothing(district):
    text = "bridge id,name,owner,inspection date,deck rating\nA,Mill Road,{},{},{}\n"
    district.load(text.format("State", "2025-06-01", 5), "new.csv")
    found = district.load(text.format("Town", "2021-06-01", 7), "old.csv")
    assert found.reading.faults["code"].tolist() == ["F-OLD-REVISION"]
    assert district.held("bridge")["owner"].tolist() == ["State", "County"]
    rated = district.held("rating").set_index("rated_year")["deck_rating"]
    assert rated.to_dict() == {2021: 7, 2025: 5}


@pytest.mark.parametrize(
    "text",
    [
        "bridge id,station,length m,width m\nA,4.5,2.0,1.2\nB,10,0.9,0.6\n",
        "bridge id,lane,length m,width m\nA,1,2.0,1.2\nA,2,0.9,0.6\nA,2,3,1\n",
        "bridge id,length m,width m\nA,2.0,1.2\nA,0.9,0.6\nB,3,1\nB,4,1\n",
    ],
)
def test_a_list_of_areas_is_no_inventory(district, text, capsys):
    file = district.folder / "areas.csv"
    file.write_text(text, encoding="utf-8")
    assert main(["load", str(district.path), str(file), "--accept", "changes"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "it changes no deck's length or width" in said
    assert "--as defect" in said
    assert district.held("deck")[["length_m", "width_m"]].to_numpy().tolist() == [[40.0, 10.0], [20.0, 8.0]]
    more = ["--as", "defect", "--set", "kind=spall", "--set", "survey_date=2026-05-12"]
    assert main(["load", str(district.path), str(file), *more]) == 0
    # The first two areas of each list are 2.0 m by 1.2 m, 2.4 m2, and 0.9 m by 0.6 m, 0.54 m2.
    assert {2.4, 0.54} <= set(district.held("defect")["area_m2"].round(6))


def test_a_list_of_areas_with_day_and_kind_is_read_as_defects(district):
    text = "bridge id,station m,length m,width m,date,type\nA,4.5,2.0,1.2,2026-05-12,delamination\n"
    found = district.load(text)
    assert set(found.reading.records) == {"survey", "defect"}
    assert district.one("defect")["area_m2"] == pytest.approx(2.4)  # 2.0 by 1.2
    assert district.held("deck")["length_m"].tolist() == [40.0, 20.0]


def test_an_inventory_with_numbers_given_once_is_one(district):
    found = district.load("bridge id,spans,lanes,length m,width m\nA,2,2,40,10\nC,1,2,12,7\n")
    assert len(found.reading.records["deck"]) == 2


@pytest.mark.basis("published", "open inventories of one state, 2019 and 2020; counted from the files apart from this")
def test_a_newer_years_inventory_is_told_and_not_asked_about(open_records, tmp_path):
    """Joined by number: 8 bridges more than 500 m from where they were, 24 decks over 10 % larger or smaller."""
    path = tmp_path / "s.duckdb"
    flow.create(path, title="Open", currency="USD", now=NOW)
    files = [open_records / "national" / f"inventory-{year}-AK.txt" for year in (2019, 2020)]
    _, second = flow.load(path, files, now=NOW, who="test")
    assert not second.held_back
    assert not second.changes["asked"].any()
    assert second.changes["what"].value_counts()[["moved", "resized"]].tolist() == [8, 24]

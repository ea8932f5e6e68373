"""A deck half looked at: the sentence, the range, the cost and the credit; and one bad record that stops nothing."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest
import shapely

from decknet import flow
from decknet.flow.condition import read_condition
from decknet.flow.programme import Question, study
from decknet.flow.reading import AsOf
from decknet.settings import Settings
from tests.frames import records

pytestmark = pytest.mark.slow

DAY = date(2024, 9, 1)
BRIDGES = "bridge id,name,built year\n" + "".join(f"D{i},Bridge {i},1990\n" for i in range(6))
DECKS = "deck id,bridge id,length m,width m,lanes,deck built\n" + "".join(f"D{i},D{i},40,10,2,1990\n" for i in range(6))
# Every deck is sounded whole three times with the same slow growth; D0's last look is of its left half only.
SURVEYS = "survey id,deck id,survey date,method,part,delaminated m2\n" + "".join(
    f"D{i}-{year},D{i},{year}-05-01,sounding,whole deck,{8 + 4 * k}\n"
    for i in range(1, 6)
    for k, year in enumerate((2018, 2021, 2024))
)
LEFT = [shapely.box(4, -4, 8, -3), shapely.box(20, -2, 24, -1)]  # 4 m2 each, far apart


def store_of(folder, surveys, defects=""):
    path = folder / "part.duckdb"
    now = datetime.combine(DAY, datetime.min.time())
    flow.create(path, title="Part looks", currency="USD", now=now)
    files = []
    for name, text in (
        ("bridges.csv", BRIDGES),
        ("decks.csv", DECKS),
        ("surveys.csv", surveys),
        ("defects.csv", defects),
    ):
        if text:
            (folder / name).write_text(text, encoding="utf-8")
            files.append(folder / name)
    for loaded in flow.load(path, files, now=now, who="test"):
        assert loaded.reading is not None, loaded.error
    return path


def drawn(survey, shapes):
    rows = "".join(f'{survey},{i},delamination,"{s.wkt}"\n' for i, s in enumerate(shapes))
    return f"survey id,defect id,kind,wkt\n{rows}"


def condition(path):
    return read_condition(path, settings=Settings(), asked=AsOf(today=DAY))


@pytest.fixture
def half(tmp_path):
    return condition(
        store_of(tmp_path, SURVEYS + "D0-2024,D0,2024-05-01,sounding,left lane,\n", drawn("D0-2024", LEFT))
    )


@pytest.mark.basis("derived", "8 m2 found on 200 of 400 m2 looked at: 4 %; the other 200 m2 never")
def test_the_share_is_of_what_was_looked_at_and_the_sentence_says_so(half):
    one = half.status.set_index("deck_id").loc["D0"]
    assert (one["covered_share"], one["unsound_m2"], one["unsound_share"]) == (
        0.5,
        pytest.approx(8.0),
        pytest.approx(0.04),
    )
    assert "found 4.0 % on 2024-05-01, 50 % of the deck looked at, the rest never" in one["reason"]


def test_the_range_is_wider_than_of_the_same_share_found_on_the_whole_deck(half, tmp_path):
    other = tmp_path / "whole"
    other.mkdir()
    both = LEFT + [shapely.affinity.translate(s, 0, 5) for s in LEFT]  # as much in the right half: 4 % of all
    whole = condition(store_of(other, SURVEYS + "D0-2024,D0,2024-05-01,sounding,whole deck,\n", drawn("D0-2024", both)))
    part, full = (c.status.set_index("deck_id").loc["D0"] for c in (half, whole))
    assert full["unsound_share"] == pytest.approx(part["unsound_share"])
    assert part["share_high"] - part["share_low"] > 1.1 * (full["share_high"] - full["share_low"])


@pytest.mark.basis(
    "derived", "two limits of (4 + .12) x (1 + .12) m, rounded outward, and what is expected on the half not looked at"
)
def test_cost_and_credit_are_of_the_same_ground(half):
    limits = half.limits
    assert len(limits) == 2
    works = half.works.set_index("deck_id").loc["D0"]
    expected = half.status.set_index("deck_id").loc["D0", "share_now"]
    more = half.overbreak[0] * expected * 200.0
    assert works["repair_m2"] == pytest.approx(limits["area_m2"].sum() + more, rel=1e-4)
    assert works["saw_cut_m"] == pytest.approx(
        limits["saw_cut_m"].sum() * works["repair_m2"] / limits["area_m2"].sum(), rel=1e-9
    )
    found = study(half, Question(first_year=2024, budgets=(1e6,), pins={"D0": (2024, "patch")}))
    line = found.made.lines.set_index("deck_id").loc["D0"]
    assert line["repair_m2"] == pytest.approx(works["repair_m2"], rel=1e-6)
    assert line["share_before"] == pytest.approx(expected, rel=0.02)  # the whole deck is credited, and paid for


def test_halves_on_two_days_give_the_limits_and_the_cost_of_one_survey(tmp_path):
    right = [shapely.box(10, 1, 12, 3)]
    made = {}
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        if name == "one":
            rows, found = "D0-a,D0,2024-05-01,sounding,whole deck,\n", drawn("D0-a", LEFT + right)
        else:
            rows = "D0-a,D0,2024-04-30,sounding,left lane,\nD0-b,D0,2024-05-01,sounding,right lane,\n"
            found = drawn("D0-a", LEFT) + drawn("D0-b", right).split("\n", 1)[1]
        made[name] = condition(store_of(folder, SURVEYS + rows, found))
    one, two = (c.status.set_index("deck_id").loc["D0"] for c in made.values())
    for column in ("unsound_m2", "unsound_share", "covered_share", "delaminated_m2"):
        assert two[column] == pytest.approx(one[column]), column
    sizes = [
        c.limits.sort_values("from_station_m")[["area_m2", "saw_cut_m", "unsound_m2"]].to_numpy() for c in made.values()
    ]
    assert sizes[0] == pytest.approx(sizes[1])
    costs = [c.works.set_index("deck_id").loc["D0", "repair_m2"] for c in made.values()]
    assert costs[0] == pytest.approx(costs[1])


def test_one_bad_record_stops_no_other_deck(tmp_path):
    shapes = [shapely.box(4, -4, 8, -3), shapely.box(4, 2, 8, 4), shapely.box(90, 0, 92, 1), shapely.Polygon()]
    rows = "D0-2024,D0,2024-05-01,sounding,left lane,\n"
    found = condition(store_of(tmp_path, SURVEYS + rows, drawn("D0-2024", shapes)))
    status = found.status.set_index("deck_id")
    assert len(status) == 6
    assert status.loc["D0", "unsound_m2"] == pytest.approx(4.0)  # none of the other lane, nor off the deck
    look = found.surveys.set_index("survey_id").loc["D0-2024"]
    assert look["outside_m2"] == pytest.approx(8.0 + 2.0)
    assert status["rank"].tolist() == sorted(status["rank"])


def test_a_survey_that_cannot_be_right_is_set_aside_and_the_one_before_it_stands(tmp_path):
    # A look at 2 m of the right lane by its strip cannot hold 30 m2.
    path = store_of(tmp_path, SURVEYS)
    found = condition(path)
    frames = dict(found.records.frames)
    bad = records(
        "survey", survey_id=["bad"], deck_id=["D1"], survey_date=[pd.Timestamp("2024-08-01")], method=["sounding"],
        from_station_m=[0.0], to_station_m=[2.0], from_offset_m=[0.0], to_offset_m=[5.0], delaminated_m2=[30.0],
    )  # fmt: skip
    frames["survey"] = pd.concat([frames["survey"], bad[frames["survey"].columns]], ignore_index=True)
    from decknet.flow.condition import condition_of
    from decknet.flow.reading import records_from

    again = condition_of(records_from(frames, title="x", currency="USD", day=DAY), Settings())
    look = again.surveys.set_index("survey_id").loc["bad"]
    assert look["fault"] == "30 m2 unsound does not fit on the 10 m2 looked at"
    before, after = (c.status.set_index("deck_id") for c in (found, again))
    assert after.loc["D1", "survey_date"] == before.loc["D1", "survey_date"]
    assert after["share_now"].to_dict() == before["share_now"].to_dict()

"""What cannot wait: wheel paths laid out by hand, days counted by hand, and what ends each cause."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.rank import act_now
from decknet.rank.urgent import bars_in_wheel_path
from decknet.settings import UrgentSettings
from tests.frames import records

DAY = pd.Timestamp("2026-05-12")
NO_REPAIRS = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])


def bar(low: float, high: float) -> shapely.Polygon:
    """A bar that reaches between two offsets, m from the centreline."""
    return shapely.box(10.0, low, 11.0, high)


def in_path(lanes: float | None, width_m: float | None, *shapes: shapely.Polygon | None) -> object:
    """True, False or missing: whether the bars of one deck lie in a wheel path."""
    decks = pd.DataFrame({"deck_id": ["x", "A"], "width_m": [30.0, width_m], "lanes": pd.array([6, lanes], "Float64")})
    defects = pd.DataFrame(
        {
            "deck_id": ["x", *["A"] * len(shapes), "A"],
            "kind": ["exposed bar", *["exposed bar"] * len(shapes), "spall"],
            "shape": [bar(0.5, 0.6), *shapes, bar(-5.0, 5.0)],  # a spall is no bar, whatever it reaches over
        }
    )
    answer = bars_in_wheel_path(defects, decks, UrgentSettings())
    assert answer["x"] is np.True_ or answer["x"]
    return None if pd.isna(answer["A"]) else bool(answer["A"])


@pytest.mark.basis(
    "derived", "lanes of 3.6 m about the centreline, paths .9 m to either side of a lane's middle and 1 m wide"
)
@pytest.mark.parametrize(
    ("lanes", "width_m", "low", "high", "hit"),
    [
        # one lane: paths from .4 to 1.4 on both sides
        (1, 9.0, 0.5, 1.0, True),
        (1, 9.0, -1.0, -0.5, True),
        (1, 9.0, -0.35, 0.35, False),
        (1, 9.0, 1.45, 3.5, False),  # where a second lane would have its path
        (1, 9.0, 1.35, 3.5, True),
        (1, 9.0, -3.5, -1.45, False),
        (1, 9.0, -0.45, 0.1, True),
        # two lanes: middles at 1.8, paths from .4 to 1.4 and from 2.2 to 3.2
        (2, 9.0, 1.45, 2.15, False),
        (2, 9.0, 2.25, 2.5, True),
        (2, 9.0, 3.25, 4.4, False),
        (2, 9.0, -3.15, -3.0, True),
        (2, 9.0, -2.15, -1.45, False),
        (2, 9.0, -0.35, 0.35, False),
        # three lanes: middles at -3.6, 0 and 3.6, paths from .4 to 1.4, from 2.2 to 3.2 and from 4.0 to 5.0
        (3, 12.0, 4.05, 4.5, True),
        (3, 12.0, -4.5, -4.05, True),
        (3, 12.0, 3.25, 3.95, False),
        (3, 12.0, 5.05, 5.9, False),
        # four lanes on 9 m are 2.25 m wide: the paths end at .725 and begin again at 1.525
        (4, 9.0, 0.8, 1.45, False),
        (4, 9.0, 0.6, 0.7, True),
        (4, 9.0, 1.55, 1.6, True),
        # touching is being in it
        (1, 9.0, 1.4, 2.0, True),
        (1, 9.0, 0.1, 0.4, True),
    ],
)
def test_a_bar_is_in_a_wheel_path_where_it_reaches_one(lanes, width_m, low, high, hit):
    assert in_path(lanes, width_m, bar(low, high)) is hit


def test_one_bar_in_a_path_is_enough_and_one_not_drawn_leaves_it_open():
    clear, hit = bar(-0.3, 0.3), bar(0.5, 0.6)
    assert in_path(2, 9.0, clear, hit) is True
    assert in_path(2, 9.0, hit, None) is True  # whatever the one not drawn may be
    assert in_path(2, 9.0, clear, None) is None
    assert in_path(2, 9.0, clear, clear) is False
    assert in_path(2, 9.0, None) is None
    for lanes, width_m in ((None, 9.0), (0, 9.0), (2, None)):
        assert in_path(lanes, width_m, clear) is None


def found(**columns: object) -> pd.DataFrame:
    base = {"deck_id": ["a"], "survey_date": DAY, "hole_m2": 0.0, "exposed_bar_m2": 0.0, "unsound_share": 0.05}
    return pd.DataFrame(base | columns)


def repair(day: object, treatment: str = "patch") -> pd.DataFrame:
    return records("repair", repair_id=["r"], deck_id=["a"], repair_date=[pd.Timestamp(day)], treatment=[treatment])


def causes(frame: pd.DataFrame, repairs: pd.DataFrame = NO_REPAIRS, **changes: float) -> list[str]:
    return act_now(frame, repairs, UrgentSettings(**changes))["cause"].tolist()


@pytest.mark.parametrize(
    ("columns", "cause"),
    [
        ({"hole_m2": 0.01}, ["open hole"]),
        ({"exposed_bar_m2": 0.01}, ["exposed bar"]),
        ({"unsound_share": 0.40}, ["danger share"]),
        ({"unsound_share": 0.399}, []),
        ({"hole_m2": np.nan, "exposed_bar_m2": np.nan, "unsound_share": np.nan}, []),
        ({"hole_m2": 0.1, "exposed_bar_m2": 0.1, "unsound_share": 0.5}, ["open hole", "exposed bar", "danger share"]),
    ],
)
def test_each_cause_by_itself(columns, cause):
    assert causes(found(**columns)) == cause


def test_a_repair_on_the_day_of_the_survey_was_there_when_it_was_made():
    everything = found(hole_m2=0.1, exposed_bar_m2=0.1, unsound_share=0.5)
    assert len(causes(everything, repair(DAY, "new deck"))) == 3
    assert len(causes(everything, repair("2026-05-01", "new deck"))) == 3
    assert causes(everything, repair("2026-05-13", "patch")) == ["danger share"]
    for treatment in ("thin overlay", "rigid overlay", "new deck"):
        assert causes(everything, repair("2026-05-13", treatment)) == []
    two = pd.concat([repair("2026-05-13", "new deck"), repair("2026-05-01", "patch")], ignore_index=True)
    assert causes(everything, two) == []  # the last one counts, in any order of the records
    untold = repair("2026-05-13").drop(columns="treatment")
    assert causes(everything, untold) == []


@pytest.mark.basis("derived", "12 May and 1, 14, 60 and 30 days; areas and shares as recorded")
def test_each_line_says_what_was_found_when_and_how_long_it_may_take():
    frame = found(hole_m2=0.25, exposed_bar_m2=0.15, unsound_share=0.452, width_m=9.0, lanes=2)
    clear = pd.DataFrame({"deck_id": ["a"], "kind": ["exposed bar"], "shape": [bar(-0.3, 0.3)]})
    got = act_now(frame, NO_REPAIRS, UrgentSettings(), defects=clear).set_index("cause")
    assert got["why"].tolist() == [
        "0.25 m² of open full-depth hole",
        "0.15 m² with bars exposed, clear of the wheel paths",
        "45 % unsound, at or past 40 %",
    ]
    assert got["days"].tolist() == [1, 60, 30]
    assert got["due"].dt.strftime("%d %B").tolist() == ["13 May", "11 July", "11 June"]
    assert (got["since"] == DAY).all()
    assert got.loc["danger share", "closed_by"].startswith("a licensed engineer decides")
    assert got["closed_by"].nunique() == 3


def test_lines_stand_by_cause_then_by_when_they_are_due_then_by_deck():
    frame = found(
        deck_id=["d", "c", "b", "a"], hole_m2=[0, 1, 1, 1.0], exposed_bar_m2=[1, 0, 0, 1.0],
        survey_date=[DAY, DAY, DAY, DAY + pd.Timedelta(days=3)],
    )  # fmt: skip
    got = act_now(frame, NO_REPAIRS, UrgentSettings())
    assert list(zip(got["cause"], got["deck_id"], strict=True)) == [
        ("open hole", "b"), ("open hole", "c"), ("open hole", "a"), ("exposed bar", "d"), ("exposed bar", "a"),
    ]  # fmt: skip
    assert got.index.tolist() == [0, 1, 2, 3, 4]


# ---- openings ----------------------------------------------------------------------------------------


def patched(count: int = 1, **columns: object) -> pd.DataFrame:
    base = {
        "repair_id": [f"r{i}" for i in range(count)], "deck_id": ["a"] * count, "treatment": ["patch"] * count,
        "repair_date": [pd.Timestamp("2026-06-01")] * count, "cure_h": [84.0] * count,
    }  # fmt: skip
    return records("repair", **(base | columns))


def openings(repairs: pd.DataFrame, today: str, surveyed: object = DAY) -> list[str]:
    frame = found(survey_date=pd.Timestamp(surveyed))
    return act_now(frame, repairs, UrgentSettings(), today=pd.Timestamp(today).date())["why"].tolist()


@pytest.mark.basis("derived", "1 June and 84 h of cure are 4 June; 3 days more; asked for 120 days, to 29 September")
def test_an_opening_is_asked_for_from_the_day_after_it_is_due_for_120_days():
    said = ["patch of 2026-06-01 (r0): no opening to traffic on record"]
    for today, listed in (("2026-06-07", []), ("2026-06-08", said), ("2026-09-29", said), ("2026-09-30", [])):
        assert openings(patched(), today) == listed
    assert openings(patched(), "2026-06-20", surveyed="2026-06-01") == said  # a survey of that day saw it unopened
    assert openings(patched(), "2026-06-20", surveyed="2026-06-02") == []
    assert act_now(found(), patched(), UrgentSettings()).empty  # without a day nothing is asked


def test_several_openings_of_a_deck_are_one_line_with_the_oldest_named():
    june = pd.Timestamp("2026-06-01")
    three = patched(3, repair_date=[june + pd.Timedelta(days=d) for d in (2, 0, 1)], repair_id=["z", "y", "x"])
    assert openings(three, "2026-06-30") == ["patch of 2026-06-01 (y and 2 more): no opening to traffic on record"]
    same_day = patched(2, repair_id=["q", "p"])
    assert openings(same_day, "2026-06-30") == ["patch of 2026-06-01 (p and 1 more): no opening to traffic on record"]
    one_open = patched(2, opened_at=["2026-06-05T06:00", None])
    assert openings(one_open, "2026-06-30") == ["patch of 2026-06-01 (r1): no opening to traffic on record"]

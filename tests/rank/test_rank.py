"""Priority adds up, order is fair and stable, and what is urgent is not merely high."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet.errors import SettingsError
from decknet.rank import act_now, rank_decks, route_trends, traffic_in_use
from decknet.settings import RankSettings, TrafficSettings, UrgentSettings
from tests.frames import records

DAY = pd.Timestamp("2026-05-12")


def _decks(n=200, seed=1):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "deck_id": [f"D{i:04d}" for i in range(n)],
            "share_now": rng.gamma(1.2, 0.05, n).clip(0, 1),
            "share_from": rng.choice(["survey", "works", "rating", "network", "assumption"], n),
            "survey_date": DAY,
            "deck_rating": 5,
            "growth_per_yr": rng.gamma(1.0, 0.008, n),
            "growth_from": rng.choice(["own surveys", "network", "assumption"], n),
            "aadt": np.exp(rng.normal(7.5, 1.2, n)),
            "aadt_year": pd.array([2024] * n, dtype="Int64"),
            "aadt_from": rng.choice(["count", "route", "network"], n),
        }
    )


def test_contributions_add_up_to_the_priority():
    got = rank_decks(_decks(), RankSettings())
    parts = got["points_share"] + got["points_growth"] + got["points_traffic"]
    assert np.abs(parts - got["priority"]).max() < 1e-9
    assert got["priority"].between(0, 100).all()


def test_ranks_are_one_to_n_by_priority():
    got = rank_decks(_decks(), RankSettings()).sort_values("rank")
    assert got["rank"].tolist() == list(range(1, 201))
    assert (got["priority"].diff().dropna() <= 1e-9).all()


@pytest.mark.basis(
    "derived", "weights .45, .30, .25 on curves read by hand: 10 % gives .55, 2 points .80, 10,000 a day .75"
)
def test_a_priority_by_hand():
    one = _decks(1).assign(share_now=0.10, growth_per_yr=0.02, aadt=10_000.0)
    got = rank_decks(one, RankSettings()).iloc[0]
    assert got["points_share"] == pytest.approx(45 * 0.55)
    assert got["points_growth"] == pytest.approx(30 * 0.80)
    assert got["points_traffic"] == pytest.approx(25 * 0.75)


@pytest.mark.parametrize("measure", ["share_now", "growth_per_yr", "aadt"])
def test_worse_on_any_measure_never_ranks_lower_in_need(measure):
    decks = _decks()
    before = rank_decks(decks, RankSettings()).set_index("deck_id")["rank"]
    for i in (3, 50, 120, 199):
        worse = decks.copy()
        worse.loc[i, measure] = worse.loc[i, measure] * 1.5
        after = rank_decks(worse, RankSettings()).set_index("deck_id")["rank"]
        assert after[decks.loc[i, "deck_id"]] <= before[decks.loc[i, "deck_id"]]


def test_row_order_changes_nothing_and_ties_go_by_id():
    decks = _decks()
    decks.loc[5:9, ["share_now", "growth_per_yr", "aadt"]] = [0.07, 0.01, 3000.0]
    first = rank_decks(decks, RankSettings()).set_index("deck_id")
    mixed = rank_decks(decks.sample(frac=1, random_state=3), RankSettings()).set_index("deck_id").loc[first.index]
    assert first["rank"].tolist() == mixed["rank"].tolist()
    tied = first.loc[[f"D{i:04d}" for i in range(5, 10)], "rank"].tolist()
    assert tied == list(range(tied[0], tied[0] + 5))


def test_adding_a_deck_never_swaps_two_others():
    decks = _decks()
    most = rank_decks(decks, RankSettings()).sort_values("rank")["deck_id"].tolist()
    fewer = rank_decks(decks.drop(index=[7, 90]), RankSettings()).sort_values("rank")["deck_id"].tolist()
    assert [d for d in most if d not in {"D0007", "D0090"}] == fewer


def test_weights_that_do_not_add_up_are_refused_with_their_sum():
    with pytest.raises(SettingsError, match=r"1\.2"):
        rank_decks(_decks(3), RankSettings(weight_share=0.65))


def test_the_reason_says_what_each_figure_rests_on():
    one = _decks(1).assign(
        share_from="rating", growth_from="network", aadt_from="route", share_now=0.07, growth_per_yr=0.0062, aadt=8400.0
    )
    reason = rank_decks(one, RankSettings())["reason"].iloc[0]
    for words in (
        "7.0 % of the deck",
        "no survey yet: from deck rating 5",
        "0.62 points a year",
        "network's rate",
        "8,400",
        "as on its route",
    ):
        assert words.lower() in reason.lower()


def test_traffic_takes_the_last_count_that_is_one():
    bridges = records("bridge", bridge_id=["1", "2", "3", "4"], route=["A", "A", "B", None])
    traffic = records(
        "traffic", bridge_id=["1", "1", "1", "2"], year=[2015, 2022, 2023, 2009], aadt=[11800.0, 14200, 0, 2100]
    )
    got = traffic_in_use(bridges, traffic, floor=50.0)
    assert got["aadt"].tolist() == [14200.0, 2100.0, 8150.0, 8150.0]
    assert got["aadt_year"].tolist()[:2] == [2022, 2009]
    assert got["aadt_year"].isna().tolist() == [False, False, True, True]
    assert got["aadt_from"].tolist() == ["count", "count", "network", "network"]


def test_traffic_without_any_count_is_an_assumption():
    bridges = records("bridge", bridge_id=["1"], route=["A"])
    got = traffic_in_use(bridges, records("traffic", bridge_id=[], year=[], aadt=[]), floor=50.0)
    assert got[["aadt", "aadt_from"]].to_numpy().tolist() == [[50.0, "assumption"]]


def _found(**columns):
    base = {
        "deck_id": ["a", "b", "c"],
        "survey_date": DAY,
        "hole_m2": 0.0,
        "exposed_bar_m2": 0.0,
        "unsound_share": 0.05,
    }
    return pd.DataFrame(base | columns)


def test_holes_bars_and_danger_are_urgent_in_that_order():
    found = _found(hole_m2=[0.0, 0.3, 0.0], exposed_bar_m2=[1.2, 0.0, np.nan], unsound_share=[0.05, 0.05, 0.45])
    got = act_now(found, records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[]), UrgentSettings())
    assert got["deck_id"].tolist() == ["b", "a", "c"]
    assert got["due"].tolist() == [DAY + pd.Timedelta(days=d) for d in (1, 14, 30)]


def test_a_repair_after_the_survey_ends_a_hole():
    found = _found(hole_m2=[0.3, 0.3, 0.0])
    repairs = records(
        "repair", repair_id=["r"], deck_id=["a"], repair_date=[DAY + pd.Timedelta(days=2)], treatment=["patch"]
    )
    assert act_now(found, repairs, UrgentSettings())["deck_id"].tolist() == ["b"]


def test_a_high_rank_alone_is_not_urgent():
    nothing = act_now(
        _found(), records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[]), UrgentSettings()
    )
    assert nothing.empty


def test_bars_clear_of_the_wheel_paths_have_more_time():
    found = _found(exposed_bar_m2=[0.4, 0.4, 0.4]).assign(width_m=9.0, lanes=pd.array([2, 2, None], dtype="Int64"))
    # Two lanes of 3.6 m about the centreline: wheel paths about 0.9 and 2.7 m on either side of it, 1 m wide.
    shapes = [shapely.box(3, -0.35, 4, 0.35), shapely.box(3, 2.1, 4, 2.3), shapely.box(3, -0.3, 4, 0.3)]
    defects = pd.DataFrame({"deck_id": ["a", "b", "c"], "kind": "exposed bar", "shape": shapes})
    none = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])
    got = act_now(found, none, UrgentSettings(), defects=defects).set_index("deck_id")
    assert got["days"].to_dict() == {"a": 60, "b": 14, "c": 14}
    assert got["why"].str.extract(r"bars exposed, (.*)")[0].to_dict() == {
        "a": "clear of the wheel paths",
        "b": "in a wheel path",
        "c": "not known to be clear of the wheel paths",
    }


def test_one_bar_not_drawn_may_be_in_a_wheel_path():
    found = _found(exposed_bar_m2=[0.4, 0.0, 0.0]).assign(width_m=9.0, lanes=2)
    shapes = [shapely.box(3, -0.3, 4, 0.3), None]
    defects = pd.DataFrame({"deck_id": ["a", "a"], "kind": "exposed bar", "shape": shapes})
    none = records("repair", repair_id=[], deck_id=[], repair_date=[], treatment=[])
    assert act_now(found, none, UrgentSettings(), defects=defects)["days"].tolist() == [14]


def test_a_whole_deck_treatment_ends_danger_and_a_patch_does_not():
    found = _found(unsound_share=[0.5, 0.5, 0.1])
    repairs = records(
        "repair", repair_id=["x", "y"], deck_id=["a", "b"], repair_date=[DAY + pd.Timedelta(days=40)] * 2,
        treatment=["new deck", "patch"],
    )  # fmt: skip
    assert act_now(found, repairs, UrgentSettings())["deck_id"].tolist() == ["b"]


def _patched(**columns):
    base = {"repair_id": ["r1"], "deck_id": ["a"], "repair_date": [pd.Timestamp("2026-06-01")], "treatment": ["patch"]}
    return records("repair", **(base | {"cure_h": [84.0]} | columns))


@pytest.mark.parametrize(
    ("columns", "today", "listed"),
    [
        ({}, "2026-06-20", True),
        ({}, "2026-06-07", False),  # cure to 4 June, and three days
        ({}, "2026-06-08", True),
        ({"opened_at": ["2026-06-05T06:00"]}, "2026-06-20", False),
        ({"opened_at": [" "]}, "2026-06-20", True),
        ({"cure_h": [None]}, "2026-06-20", False),
        ({}, "2026-12-20", False),  # too long ago to ask
        ({"deck_id": ["elsewhere"]}, "2026-06-20", False),
    ],
)
def test_a_repair_overdue_for_its_opening_check(columns, today, listed):
    got = act_now(_found(), _patched(**columns), UrgentSettings(), today=pd.Timestamp(today).date())
    assert got["cause"].tolist() == (["opening check"] if listed else [])
    if listed:
        one = got.iloc[0]
        assert (one["since"], one["due"]) == (pd.Timestamp("2026-06-04"), pd.Timestamp("2026-06-07"))
        assert "patch of 2026-06-01 (r1)" in one["why"]


def test_a_survey_since_ends_the_opening_check():
    later = _found().assign(survey_date=pd.Timestamp("2026-06-10"))
    assert act_now(later, _patched(), UrgentSettings(), today=pd.Timestamp("2026-06-20").date()).empty


def test_a_count_is_brought_to_the_year_by_the_trend_of_its_route():
    ids = [str(i) for i in range(40)]
    bridges = records("bridge", bridge_id=ids, route=["A"] * 20 + ["B"] * 20)
    years = [2010, 2014, 2018, 2022]
    table = pd.DataFrame(
        [(b, y, 1000.0 * (1.02 if int(b) < 20 else 0.99) ** (y - 2010)) for b in ids for y in years],
        columns=["bridge_id", "year", "aadt"],
    )
    traffic = records("traffic", **{c: table[c].tolist() for c in table})
    trends = route_trends(bridges, traffic, TrafficSettings())
    assert trends["A"] == pytest.approx(0.02, abs=0.001)
    assert trends["B"] == pytest.approx(-0.01, abs=0.001)
    got = traffic_in_use(bridges, traffic, floor=50.0, year=2026)
    assert got["aadt"].iloc[0] == pytest.approx(1000 * 1.02**16, rel=0.005)
    assert got["aadt_count"].iloc[0] == pytest.approx(1000 * 1.02**12)
    assert got["aadt_year"].iloc[0] == 2022


def test_a_trend_is_bounded_and_does_not_run_for_ever():
    bridges = records("bridge", bridge_id=["1", "2"], route=["A", "A"])
    steep = records("traffic", bridge_id=["1"] * 4, year=[2000, 2005, 2010, 2015], aadt=[100.0, 1e3, 1e4, 1e5])
    settings = TrafficSettings(trend_needs=0.1)
    got = traffic_in_use(bridges, steep, floor=50.0, year=2060, settings=settings)
    assert got["aadt"].iloc[0] == pytest.approx(1e5 * 1.03**10)


def test_a_single_count_has_no_trend_of_its_own():
    bridges = records("bridge", bridge_id=["1"], route=["A"])
    one = records("traffic", bridge_id=["1"], year=[2015], aadt=[900.0])
    assert traffic_in_use(bridges, one, floor=50.0, year=2026)["aadt"].tolist() == [900.0]


def test_a_busy_bridge_counted_late_is_not_growth():
    bridges = records("bridge", bridge_id=["1", "2"], route=["A", "A"])
    traffic = records(
        "traffic", bridge_id=["1", "1", "2", "2"], year=[2000, 2002, 2020, 2022], aadt=[10.0, 10, 9e4, 9e4]
    )
    assert route_trends(bridges, traffic, TrafficSettings())["A"] == pytest.approx(0.0, abs=1e-12)


def test_a_route_without_counts_takes_those_of_its_class():
    bridges = records("bridge", bridge_id=["1", "2", "3", "4"], route=["R 1", "C 7", "R 9", "X 2"])
    bridges["lanes"] = pd.array([2, 2, 2, 2], dtype="Int64")
    traffic = records("traffic", bridge_id=["1", "2"], year=[2024, 2024], aadt=[8000.0, 200.0])
    got = traffic_in_use(bridges, traffic, floor=50.0)
    assert got["aadt"].tolist() == [8000.0, 200.0, 8000.0, 4100.0]
    assert got["aadt_from"].tolist() == ["count", "count", "class", "network"]


def test_two_counts_of_one_year_are_neither_added_nor_averaged():
    bridges = records("bridge", bridge_id=["1"], route=["A"])
    halves = records("traffic", bridge_id=["1", "1"], year=[2024, 2024], aadt=[3000.0, 3400.0])
    assert traffic_in_use(bridges, halves, floor=50.0)["aadt"].tolist() == [3400.0]


def test_a_count_without_its_year_is_used_as_it_is_and_only_where_there_is_no_other():
    bridges = records("bridge", bridge_id=["1", "2", "3"], route=["A", "A", "A"])
    traffic = records("traffic", bridge_id=["1", "1", "2"], year=[2009, None, None], aadt=[2100.0, 9000, 5400])
    used = traffic_in_use(bridges, traffic, floor=50.0, year=2026)
    assert used["aadt_count"].tolist()[:2] == [2100.0, 5400.0]
    assert used["aadt"].iloc[1] == 5400.0
    assert used["aadt_year"].tolist() == [2009, pd.NA, pd.NA]
    assert used["aadt_from"].tolist() == ["old count", "undated count", "route"]
    frame = _decks(3).assign(**{c: used[c].array for c in used})
    assert "5,400 vehicles a day, counted in a year not given" in rank_decks(frame, RankSettings())["reason"].iloc[1]


def test_counts_are_told_with_their_year():
    bridges = records("bridge", bridge_id=["1", "2"], route=["A", "A"])
    traffic = records("traffic", bridge_id=["1", "1", "1", "2"], year=[2015, 2019, 2022, 2009],
                      aadt=[11800.0, 13650, 14200, 2100])  # fmt: skip
    used = traffic_in_use(bridges, traffic, floor=50.0, year=2026)
    assert used[["aadt_count", "aadt_year"]].to_numpy().tolist() == [[14200, 2022], [2100, 2009]]
    frame = _decks(2).assign(**{c: used[c].array for c in used})
    reasons = rank_decks(frame, RankSettings())["reason"]
    assert "from 14,200 counted 2022" in reasons.iloc[0]
    assert "from 2,100 counted 2009, an old count" in reasons.iloc[1]

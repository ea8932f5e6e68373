"""Priority adds up, order is fair and stable."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from decknet.errors import SettingsError
from decknet.rank import rank_decks, route_trends, traffic_in_use
from decknet.settings import RankSettings, TrafficSettings
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

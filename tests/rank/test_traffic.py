"""Traffic in use: trends worked by hand, and what stands in where nothing was counted."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from decknet.rank import route_trends, traffic_in_use
from decknet.settings import TrafficSettings
from tests.frames import records


def bridges(route: list[str | None], lanes: list[int | None] | None = None) -> pd.DataFrame:
    frame = records("bridge", bridge_id=[str(i + 1) for i in range(len(route))], route=route)
    return frame if lanes is None else frame.assign(lanes=pd.array(lanes, dtype="Int64"))


def counts(*rows: tuple[str, int | None, float], trucks: list[float | None] | None = None) -> pd.DataFrame:
    ids, years, aadt = zip(*rows, strict=True)
    more = {} if trucks is None else {"truck_share": trucks}
    return records("traffic", bridge_id=list(ids), year=list(years), aadt=list(aadt), **more)


@pytest.mark.basis(
    "derived",
    "A: years -5, +5, logs -.1, +.1: 50 yr2 and 1.0; network 1.0/110; A (1.0 + 60/110)/110; B without spread: network",
)
def test_the_trend_of_a_route_is_drawn_towards_the_network_and_the_network_towards_none():
    traffic = counts(("1", 2010, 1_000.0), ("1", 2020, 1_000.0 * math.exp(0.2)), ("2", 2015, 700.0))
    got = route_trends(bridges(["A", "B"]), traffic, TrafficSettings())
    network = 1.0 / 110
    assert got[""] == pytest.approx(math.expm1(network))
    assert got["A"] == pytest.approx(math.expm1((1.0 + 60 * network) / 110))
    assert got["B"] == pytest.approx(math.expm1(60 * network / 60))


@pytest.mark.basis("derived", "two bridges of 50 yr2 each, slopes .02 and .04: (1 + 2) / (100 + 60), then the route")
def test_bridges_of_a_route_count_by_the_spread_of_their_counts():
    traffic = counts(
        ("1", 2010, 100.0), ("1", 2020, 100 * math.exp(0.2)), ("2", 2011, 900.0), ("2", 2021, 900 * math.exp(0.4))
    )
    got = route_trends(bridges(["A", "A"]), traffic, TrafficSettings(trend_most_per_yr=0.2))
    network = 3.0 / 160
    assert got["A"] == pytest.approx(math.expm1((3.0 + 60 * network) / 160))
    falling = traffic.assign(aadt=1e5 / traffic["aadt"])
    steep = TrafficSettings(trend_needs=0.1, trend_most_per_yr=0.01)
    assert route_trends(bridges(["A", "A"]), falling, steep)["A"] == -0.01
    assert route_trends(bridges(["A", "A"]), traffic, steep)["A"] == 0.01


@pytest.mark.basis(
    "derived", "a count is brought forward by (1 + trend) to the power of its age, for ten years at most"
)
@pytest.mark.parametrize(("counted", "years"), [(2026, 0), (2025, 1), (2016, 10), (2015, 10), (2028, 0)])
def test_a_count_is_brought_forward_year_by_year_and_never_back(counted, years):
    traffic = counts(("1", counted, 500.0), ("2", 2000, 100.0), ("2", 2020, 140.0))
    both = bridges(["A", "A"])
    trend = route_trends(both, traffic, TrafficSettings())["A"]
    assert trend > 0.005
    got = traffic_in_use(both, traffic, floor=50.0, year=2026)
    assert got.loc["1", "aadt"] == pytest.approx(500.0 * (1 + trend) ** years, abs=6e-4)  # kept to three decimals
    assert got.loc["1", "aadt_count"] == 500.0
    assert got.loc["2", "aadt"] == pytest.approx(140.0 * (1 + trend) ** 6, abs=6e-4)


def test_a_bridge_without_a_route_goes_by_the_network():
    traffic = counts(("1", 2000, 100.0), ("1", 2020, 140.0), ("2", 2016, 900.0))
    both = bridges(["A", None])
    trends = route_trends(both, traffic, TrafficSettings())
    got = traffic_in_use(both, traffic, floor=50.0, year=2026)
    assert got.loc["2", "aadt"] == pytest.approx(900.0 * (1 + trends[""]) ** 10)
    assert trends["A"] > trends[""]


@pytest.mark.parametrize(("counted", "said"), [(2018, "count"), (2017, "old count"), (2026, "count")])
def test_a_count_is_old_when_it_is_more_than_eight_years_old(counted, said):
    traffic = counts(("1", counted, 500.0))
    assert traffic_in_use(bridges(["A"]), traffic, floor=50.0, year=2026)["aadt_from"].tolist() == [said]
    assert traffic_in_use(bridges(["A"]), traffic, floor=50.0)["aadt_from"].tolist() == ["count"]


def test_what_is_filled_in_is_the_middle_of_the_nearest_like():
    names = ["R 1", "R 1", "R 1", "R 1", "R 2", "R 3", "C 1", "C 2", "r 9", None, "R 7"]
    lanes = [2, 2, 2, 2, 2, 4, 2, 2, 2, 2, None]
    traffic = counts(
        ("1", 2024, 1_000.0), ("2", 2024, 2_000.0), ("3", 2024, 6_000.0), ("6", 2024, 30_000.0), ("7", 2024, 100.0)
    )
    got = traffic_in_use(bridges(names, lanes), traffic, floor=50.0)
    filled = got.loc[["4", "5", "8", "9", "10", "11"]]
    assert filled["aadt"].tolist() == [2_000.0, 2_000.0, 100.0, 2_000.0, 2_000.0, 2_000.0]
    # R 2 and r 9 are like R 1, of two lanes; no route, or lanes not known: the whole network
    assert filled["aadt_from"].tolist() == ["route", "class", "class", "class", "network", "network"]
    assert filled["aadt_year"].isna().all()
    assert filled["aadt_count"].isna().all()
    without = bridges(names).drop(columns="lanes", errors="ignore")
    by_letter = traffic_in_use(without, traffic, floor=50.0)
    assert by_letter.loc["11", ["aadt", "aadt_from"]].tolist() == [4_000.0, "class"]  # 1,000 2,000 6,000 30,000
    assert by_letter.loc["10", ["aadt", "aadt_from"]].tolist() == [2_000.0, "network"]


def test_what_is_filled_in_is_filled_in_as_of_the_year():
    traffic = counts(("1", 2006, 1_000.0), ("1", 2016, 1_300.0))
    got = traffic_in_use(bridges(["A", "A"]), traffic, floor=50.0, year=2026)
    assert got.loc["1", "aadt"] > 1_300.0
    assert got.loc["2", "aadt"] == got.loc["1", "aadt"]


def test_trucks_are_those_of_the_last_count_that_gives_them():
    traffic = counts(
        ("1", 2010, 900.0), ("1", 2015, 900.0), ("1", 2020, 900.0), ("2", 2020, 100.0), trucks=[0.3, 0.1, None, None]
    )
    got = traffic_in_use(bridges(["A", "A"]), traffic, floor=50.0)["truck_share"]
    assert got["1"] == 0.1
    assert pd.isna(got["2"])


def test_a_count_without_its_year_is_not_brought_forward():
    traffic = counts(("1", 2000, 100.0), ("1", 2020, 140.0), ("2", None, 900.0))
    got = traffic_in_use(bridges(["A", "A"]), traffic, floor=50.0, year=2026)
    assert got.loc["1", "aadt"] > 140.0
    assert got.loc["2", "aadt"] == 900.0

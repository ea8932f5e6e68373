"""Closures hour by hour: tables, hours closed, user cost and the choice, each worked by hand or by a plain loop."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import choose_closures, queue_through, road_figures, taper_m, user_costs, work_zone_capacity
from decknet.schedule.closure import CLOSURES, RURAL, URBAN, WINDOWS, longest_queues
from decknet.settings import Settings

MPH = 1.609344
FT = 0.3048

# Part of a day in each hour from midnight on, in thousandths.
RURAL_DAY = "18 15 13 13 15 18 25 35 42 50 54 56 57 64 68 73 93 70 55 47 38 32 26 23"
URBAN_DAY = "12 8 7 5 7 17 51 78 63 52 47 53 56 57 59 65 79 85 59 39 33 28 23 17"


def changed(**closure: Any) -> Settings:
    base = Settings()
    return dataclasses.replace(base, closure=dataclasses.replace(base.closure, **closure))


@pytest.mark.basis("memory", "FHWA-SA-98-079, default hourly tables, rural and urban, hour by hour")
def test_every_hour_of_the_default_days():
    assert (1000 * RURAL).round(9).tolist() == [float(n) for n in RURAL_DAY.split()]
    assert (1000 * URBAN).round(9).tolist() == [float(n) for n in URBAN_DAY.split()]


@pytest.mark.basis("memory", "Highway Capacity Manual 2010, exhibit 10-14: four lanes to one, two and three open")
def test_capacity_of_four_lanes_and_beyond():
    assert work_zone_capacity(4, 1) == 1_350
    assert work_zone_capacity(4, 2) == 2 * 1_450
    assert work_zone_capacity(4, 3) == 3 * 1_500
    # beyond four lanes the figures of four hold, for as many lanes as are open
    assert work_zone_capacity(5, 1) == 1_350
    assert work_zone_capacity(5, 4) == 4 * 1_500
    assert work_zone_capacity(7, 3) == 3 * 1_500
    for lanes, open_lanes in ((3, 0), (3, 3), (2, 3), (1, 1)):
        with pytest.raises(ValueError, match=f"{open_lanes} of {lanes} lanes open"):
            work_zone_capacity(lanes, open_lanes)


@pytest.mark.basis(
    "published", "California MUTCD 2012, table 6H-4(CA): 780 ft at 65 mph; shifting a half, shoulder a third"
)
def test_tapers_by_width_and_kind():
    assert taper_m(65 * MPH) / FT == pytest.approx(780)
    assert taper_m(40 * MPH, kind="shifting") / FT == pytest.approx(160)
    assert taper_m(45 * MPH, kind="shifting") / FT == pytest.approx(270)
    assert [round(taper_m(s * MPH, kind="shoulder") / FT) for s in (40, 45, 55)] == [107, 180, 220]
    assert taper_m(55 * MPH, 6 * FT) / FT == pytest.approx(330)
    assert taper_m(30 * MPH, 6 * FT) / FT == pytest.approx(90)


# ---- queues --------------------------------------------------------------------------------------


@pytest.mark.basis(
    "published", "Highway Capacity Manual 2010, exhibit 10-14 (1,400 past one of two lanes); queue by hand"
)
def test_two_hours_of_1900_vehicles_past_one_of_two_lanes():
    queue = queue_through(np.array([1_900, 1_900, 900, 900, 900.0]), work_zone_capacity(2, 1))
    # 500 more each hour, then 500 fewer: 500, 1,000, 500, 0
    assert queue.end.tolist() == [500, 1_000, 500, 0, 0]
    assert queue.delay.tolist() == [250, 750, 750, 250, 0]
    assert queue.clears == 4.0
    assert queue.turned_off.tolist() == [0.0] * 5


@pytest.mark.basis(
    "derived", "500 too many each hour, 300 wait at most: 200 turn off, then all 500; 300 run off in .6 h"
)
def test_who_does_not_wait_turns_off():
    queue = queue_through(np.array([2_000, 2_000, 1_000.0]), 1_500.0, 1.0, 300.0)
    assert queue.end.tolist() == [300, 300, 0]
    assert queue.turned_off.tolist() == [200, 500, 0]
    assert queue.delay.tolist() == pytest.approx([150, 300, 150 * 0.6])
    assert queue.clears == pytest.approx(2.6)


@pytest.mark.basis("derived", "a queue gone and begun anew: the last time counts; one left at the end is not gone")
def test_a_queue_clears_when_it_is_gone_for_the_last_time():
    twice = queue_through(np.array([1_200, 600, 1_200, 600, 0.0]), 1_000.0)
    assert twice.end.tolist() == [200, 0, 200, 0, 0]
    assert twice.clears == pytest.approx(3.5)
    assert math.isinf(queue_through(np.array([500, 1_200.0]), 1_000.0).clears)
    assert queue_through(np.array([500, 1_000.0]), 1_000.0).clears == 0.0
    slowly = queue_through(np.array([1_000.25, 999.5]), 1_000.0)  # a quarter of a vehicle runs off at a half an hour
    assert slowly.clears == pytest.approx(1.5)
    assert slowly.delay.tolist() == pytest.approx([0.125, 0.0625])
    both = queue_through(np.array([[1_200, 600.0], [500, 600.0]]), 1_000.0, np.array([0.5, 2.0]))
    assert both.end.tolist() == [[100, 0], [0, 0]]
    assert both.clears.tolist() == pytest.approx([0.75, 0.0])


def test_roads_of_which_little_is_known():
    settings = Settings()
    bare = road_figures(pd.DataFrame({"deck_id": ["A", "B"]}), settings)
    for name, value in (("aadt", 50.0), ("lanes", 2.0), ("trucks", 0.08), ("length_m", 50.0), ("detour_km", 80.0)):
        assert getattr(bare, name).tolist() == [value, value], name
    some = road_figures(
        pd.DataFrame(
            {
                "aadt": [700.0, None], "lanes": [0, None], "truck_share": [None, 0.2], "length_m": [None, 20.0],
                "detour_km": [5.0, np.inf],
            }
        ),
        settings,
    )  # fmt: skip
    assert (some.aadt.tolist(), some.lanes.tolist()) == ([700.0, 50.0], [1.0, 2.0])
    assert (some.trucks.tolist(), some.length_m.tolist()) == ([0.08, 0.2], [50.0, 20.0])
    assert some.detour_km.tolist() == [5.0, 80.0]
    second = some.part(np.array([1]))
    for name in ("aadt", "lanes", "trucks", "length_m", "detour_km"):
        assert getattr(second, name).tolist() == getattr(some, name).tolist()[1:]


# ---- user cost -----------------------------------------------------------------------------------


def closed_part(window: str, settings: Settings) -> list[tuple[int, float]]:
    """Hour of the day and closed part of each hour, a day more for the queue to run off; counted minute by minute."""
    c = settings.closure
    if window == "continuous":
        return [(hour % 24, 1.0) for hour in range(48)]
    begin, length = {
        "night": (c.night_from_h, c.night_h), "day": (c.day_from_h, c.day_h), "weekend": (c.weekend_from_h, c.weekend_h)
    }[window]  # fmt: skip
    first = math.floor(begin)
    out = []
    for hour in range(first, math.ceil(begin + length) + 24):
        shut = sum(begin <= hour + (m + 0.5) / 60 < begin + length for m in range(60)) / 60
        out.append((hour % 24, shut))
    return out


def one_road(road: dict[str, float], window: str, settings: Settings) -> tuple[float, float]:
    """User cost and longest queue of one closure, hour after hour, by the model at the head of the file."""
    c = settings.closure
    course = URBAN if road["aadt"] >= c.urban_from else RURAL
    in_turns = road["lanes"] < 4
    each_way = int(road["lanes"] // 2)
    free = (2 if in_turns else each_way) * c.lane_capacity
    past = c.alternating_capacity if in_turns else work_zone_capacity(each_way, each_way - 1)
    km = (road["length_m"] + 2 * taper_m(c.speed_kmh, c.lane_width_m)) / 1000
    slower = max(km / c.work_speed_kmh - km / c.speed_kmh, 0.0) + (c.alternating_wait_s / 3600 if in_turns else 0.0)
    detour_h = road["detour_km"] / c.speed_kmh
    patience = min(max(detour_h, 5 / 60), c.most_wait_h)
    rise = (1 + c.prices_rise_per_yr) ** (settings.programme.price_year - c.delay_price_year)
    an_hour = (c.car_per_h * (1 - road["truck_share"]) + c.truck_per_h * road["truck_share"]) * rise
    waiting = lost = longest = 0.0
    for k, (hour, shut) in enumerate(closed_part(window, settings)):
        comes = road["aadt"] * course[hour] * (1.0 if in_turns else c.direction_share)
        if road["lanes"] <= 1:  # all go round
            this = comes * shut * detour_h
        else:
            capacity = shut * past + (1 - shut) * free
            more, until = waiting + comes - capacity, 1.0
            if more < 0:
                more, until = 0.0, waiting / (capacity - comes)
            stays = min(more, max(patience * capacity, 1.0))
            this = (waiting + stays) / 2 * until + (more - stays) * patience + min(comes, capacity) * shut * slower
            waiting = stays
            longest = max(longest, waiting)
        if window != "continuous" or k >= 24:  # the second day of many
            lost += this
    return an_hour * lost, longest


ROADS = pd.DataFrame(
    {
        "aadt": [400.0, 9_900.0, 10_000.0, 18_000.0, 24_000.0, 52_000.0, 95_000.0, 160_000.0, 17_000.0, 30_000.0],
        "lanes": [1, 2, 2, 3, 2, 4, 6, 8, 1, 5],
        "truck_share": [0.0, 0.1, 0.2, 0.05, 0.08, 0.12, 0.3, 0.02, 0.5, 0.1],
        "length_m": [12.0, 30.0, 250.0, 60.0, 45.0, 400.0, 80.0, 33.0, 20.0, 75.0],
        "detour_km": [30.0, 2.0, 12.0, 300.0, 40.0, 8.0, 100.0, 1.0, 4.0, 20.0],
    }
)


@pytest.mark.basis("derived", "the model at the head of the file, road by road and hour by hour")
@pytest.mark.parametrize(
    "closure",
    [
        {},
        {
            "night_from_h": 20.5,
            "night_h": 6.25,
            "day_from_h": 8.75,
            "day_h": 7.5,
            "weekend_from_h": 21.25,
            "weekend_h": 50.5,
        },
        {"work_speed_kmh": 90.0, "most_wait_h": 0.2, "direction_share": 0.7, "urban_from": 20_000.0},
    ],
)
def test_user_cost_and_longest_queue_are_those_of_a_plain_loop(closure):
    settings = changed(**closure)
    roads = road_figures(ROADS, settings)
    costs = user_costs(roads, settings)
    for w, window in enumerate(WINDOWS):
        queues = longest_queues(roads, pd.Series([window] * len(ROADS)), settings)
        for k, road in enumerate(ROADS.to_dict("records")):
            cost, longest = one_road(road, window, settings)
            assert costs[k, w] == pytest.approx(cost, rel=1e-9), (k, window)
            assert queues[k] == pytest.approx(longest, abs=1e-6), (k, window)


@pytest.mark.basis(
    "derived",
    "nights from 20 to 5 hold 193 of 1,000 vehicles (38 32 26 23 18 15 13 13 15); each goes 40 km round at 80 km/h; "
    "28.69 and 36.28 an hour of 2017, nine years on at 3 %",
)
def test_a_night_on_a_lane_that_all_must_go_round():
    settings = Settings()
    one = road_figures(pd.DataFrame({"aadt": [1_000.0], "lanes": [1], "detour_km": [40.0]}), settings)
    an_hour = (0.92 * 28.69 + 0.08 * 36.28) * 1.03**9
    assert user_costs(one, settings)[0, WINDOWS.index("night")] == pytest.approx(193 * 0.5 * an_hour)
    assert user_costs(one, settings)[0, WINDOWS.index("continuous")] == pytest.approx(1_000 * 0.5 * an_hour)
    half = changed(night_from_h=20.5, night_h=2.25)  # .5 of 38, 32, and .75 of 26
    assert user_costs(one, half)[0, WINDOWS.index("night")] == pytest.approx((19 + 32 + 19.5) * 0.5 * an_hour)


# ---- the choice ----------------------------------------------------------------------------------


def every_closure(days: float, placed: float, users: np.ndarray, least_h: float, settings: Settings) -> list[dict]:
    """Each closure that one line could have, with what it takes."""
    c = settings.closure
    rise = (1 + c.prices_rise_per_yr) ** (settings.programme.price_year - c.cost_year)
    lengths = {"night": c.night_h, "day": c.day_h, "weekend": c.weekend_h}
    eaches = {"night": c.night_per_closure, "day": c.day_per_closure, "weekend": c.weekend_per_closure}
    labours = {"night": c.night_labour, "day": 1.0, "weekend": c.weekend_labour}
    out = []
    for number, (window, material) in enumerate(CLOSURES):
        cure = {"ordinary": c.ordinary_h, "high-early": c.high_early_h, "rapid": c.rapid_h}[material]
        dearer = {"ordinary": 0.0, "high-early": c.high_early_per_m2, "rapid": c.rapid_per_m2}[material] * placed
        user = float(users[WINDOWS.index(window)])
        if window == "continuous":
            stays = math.ceil(round(days, 6)) + cure / 24
            row = {
                "closures": 1.0, "hours": 24 * stays, "crew_days": days, "user_cost": user * stays,
                "money": (c.continuous_per_closure + c.continuous_per_day * stays + dearer) * rise,
            }  # fmt: skip
        else:
            work = lengths[window] - c.set_up_h - c.take_up_h - cure
            if work < c.least_work_h or lengths[window] < least_h:
                continue
            work *= c.long_work_h_per_day / 24 if window == "weekend" else 1.0
            count = max(math.ceil(round(days * c.crew_day_h / work, 6)), 1)
            used = days if window == "weekend" else max(days, count)
            crew = c.crew_day_cost * ((labours[window] - 1) * used + used - days)
            row = {
                "closures": count, "hours": count * lengths[window], "crew_days": used, "user_cost": user * count,
                "money": (count * eaches[window] + crew + dearer) * rise,
            }  # fmt: skip
        out.append({"kind": number, "total": row["money"] + c.user_cost_share * row["user_cost"], **row})
    return out


@pytest.mark.basis("derived", "every closure of every line counted one by one, at prices of five years before")
@pytest.mark.parametrize(
    "closure",
    [
        {"cost_year": 2021, "user_cost_share": 0.02},
        {"rapid_h": 3.0, "night_h": 6.0, "least_work_h": 1.5, "user_cost_share": 0.3, "night_per_closure": 200.0},
        {"day_per_closure": 5.0, "crew_day_cost": 400.0, "high_early_h": 4.0, "day_h": 8.0, "user_cost_share": 0.005},
        {"weekend_per_closure": 600.0, "weekend_labour": 1.02, "user_cost_share": 0.2, "crew_day_h": 9.0},
        {"ordinary_h": 30.0, "weekend_per_closure": 300.0, "continuous_per_closure": 9_000.0, "crew_day_cost": 900.0},
    ],
)
def test_the_closure_chosen_and_all_it_takes_are_those_of_a_plain_loop(closure):
    settings = changed(**closure)
    rng = np.random.default_rng(11)
    roads = road_figures(ROADS, settings)
    names = list(settings.treatment)
    days = np.round(rng.lognormal(0.6, 1.1, (len(ROADS), len(names), 2)), 1) + 0.1
    placed = rng.lognormal(2.5, 1, days.shape)
    users = user_costs(roads, settings)
    closing = choose_closures(days, placed, roads, names, settings)
    for i, k, y in np.ndindex(*days.shape):
        least = settings.treatment[names[k]].least_closure_h
        rows = every_closure(days[i, k, y], placed[i, k, y], users[i], least, settings)
        best = min(rows, key=lambda row: (round(row["total"], 7), row["kind"]))
        for name in ("kind", "closures", "hours", "crew_days", "money", "user_cost"):
            assert getattr(closing, name)[i, k, y] == pytest.approx(best[name]), (name, i, k, y)


@pytest.mark.basis(
    "derived", "night of 6 h less 1, .5 and 3 of cure leaves exactly the 1.5 h that are least; 5.9 h do not"
)
@pytest.mark.parametrize(("night_h", "fits"), [(6.0, True), (5.9, False)])
def test_a_closure_that_leaves_just_enough_time_is_of_use(night_h, fits):
    settings = changed(night_h=night_h, night_per_closure=0.0, crew_day_cost=0.0, rapid_per_m2=0.0)
    roads = road_figures(pd.DataFrame({"aadt": [2_000.0]}), settings)
    closing = choose_closures(np.full((1, 1, 1), 0.2), np.ones((1, 1, 1)), roads, ["patch"], settings)
    window, material = CLOSURES[closing.kind[0, 0, 0]]
    assert ((window, material) == ("night", "rapid")) is fits
    if fits:
        assert closing.closures[0, 0, 0] == 1  # 1.4 h of work in 1.5
        assert closing.hours[0, 0, 0] == 6.0
        assert closing.crew_days[0, 0, 0] == 1.0
        twice = choose_closures(np.full((1, 1, 1), 0.3), np.ones((1, 1, 1)), roads, ["patch"], settings)
        assert twice.closures[0, 0, 0] == 2  # 2.1 h of work


@pytest.mark.basis("derived", "6.1 h less 1, .5 and 3.1 are 1.5 h, and in floating figures a last bit less")
def test_a_last_bit_does_not_make_a_closure_too_short():
    assert 6.1 - 1.0 - 0.5 - 3.1 < 1.5
    settings = changed(night_h=6.1, rapid_h=3.1, night_per_closure=0.0, crew_day_cost=0.0, rapid_per_m2=0.0)
    roads = road_figures(pd.DataFrame({"aadt": [2_000.0]}), settings)
    closing = choose_closures(np.full((1, 1, 1), 0.2), np.ones((1, 1, 1)), roads, ["patch"], settings)
    assert CLOSURES[closing.kind[0, 0, 0]] == ("night", "rapid")


@pytest.mark.basis("derived", "a thin overlay needs 8 h: a day of exactly 8 h does, one of 7.9 h does not")
@pytest.mark.parametrize(("day_h", "fits"), [(8.0, True), (7.9, False)])
def test_a_treatment_that_needs_long_closures_gets_them(day_h, fits):
    settings = changed(day_h=day_h, day_per_closure=0.0, crew_day_cost=0.0, rapid_per_m2=0.0, user_cost_share=0.0)
    roads = road_figures(pd.DataFrame({"aadt": [2_000.0]}), settings)
    closing = choose_closures(np.full((1, 1, 1), 1.0), np.ones((1, 1, 1)), roads, ["thin overlay"], settings)
    assert (CLOSURES[closing.kind[0, 0, 0]][0] == "day") is fits


def test_of_closures_that_cost_the_same_the_first_in_the_order_of_preference_is_taken():
    free = {
        "night_per_closure": 0.0, "day_per_closure": 0.0, "weekend_per_closure": 0.0, "continuous_per_closure": 0.0,
        "continuous_per_day": 0.0, "crew_day_cost": 0.0, "rapid_per_m2": 0.0, "high_early_per_m2": 0.0,
        "user_cost_share": 0.0,
    }  # fmt: skip
    for changes, first in (({}, ("day", "rapid")), ({"day_h": 5.9}, ("night", "high-early"))):
        settings = changed(**free, **changes, night_h=30.0)
        roads = road_figures(pd.DataFrame({"aadt": [2_000.0]}), settings)
        closing = choose_closures(np.full((1, 1, 1), 0.1), np.ones((1, 1, 1)), roads, ["patch"], settings)
        assert CLOSURES[closing.kind[0, 0, 0]] == first
    # of one window the cheaper material first; of all: day, night, weekend, and last the one that stays
    assert CLOSURES[0] == ("day", "ordinary")
    assert CLOSURES[-1] == ("continuous", "rapid")

"""Closures: queues to the digit, capacity, tapers, and the choice of window and material."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from decknet.schedule import (
    choose_closures,
    make_programme,
    queue_through,
    road_figures,
    taper_m,
    user_costs,
    work_zone_capacity,
)
from decknet.schedule.closure import CLOSURES, RURAL, URBAN, WINDOWS, longest_queues
from decknet.settings import Settings

FT = 0.3048
MPH = 1.609344


@pytest.mark.basis("derived", "classroom problem on freeway incidents, widely reprinted; worked by hand")
def test_a_road_shut_for_20_minutes_then_half_open_for_20():
    step = np.array([1 / 3, 1 / 3, 1.0])
    queue = queue_through(np.full(3, 2_400.0), np.array([0.0, 2_200.0, 4_400.0]), step)
    assert queue.end[:2] == pytest.approx([800.0, 866.6667], abs=1e-3)
    assert queue.clears * 60 == pytest.approx(66.0)
    assert queue.delay.sum() == pytest.approx(598.89, abs=0.005)
    vehicles = 2_400 * queue.clears
    assert vehicles == pytest.approx(2_640)
    assert 60 * queue.delay.sum() / vehicles == pytest.approx(13.61, abs=0.005)


@pytest.mark.basis("derived", "classroom problem on freeway incidents, widely reprinted; worked by hand")
def test_capacity_that_comes_back_in_steps():
    step = np.array([0.25, 0.25, 1.0])
    queue = queue_through(np.full(3, 3_200.0), 2 * np.array([1_200.0, 1_500.0, 1_800.0]), step)
    assert queue.end[:2] == pytest.approx([200.0, 250.0])
    assert queue.clears * 60 == pytest.approx(67.5)
    assert queue.delay.sum() == pytest.approx(159.375)
    vehicles = 3_200 * queue.clears
    assert vehicles == pytest.approx(3_600)
    assert 60 * queue.delay.sum() / vehicles == pytest.approx(2.656, abs=0.0005)
    assert queue.delay.sum() / queue.clears == pytest.approx(141.67, abs=0.005)


@pytest.mark.basis("derived", "hour-by-hour input-output by hand; course of the day from memory of FHWA-SA-98-079")
def test_a_day_of_50_000_vehicles_past_one_lane_from_9_to_15():
    demand = URBAN * 50_000 * 0.5
    assert demand[12:16] == pytest.approx([1_400, 1_425, 1_475, 1_625])
    capacity = np.full(24, 3_600.0)
    capacity[9:15] = 1_340
    queue = queue_through(demand, capacity)
    assert queue.end[12:15] == pytest.approx([60, 145, 280])
    assert queue.delay[12:16] == pytest.approx([30.0, 102.5, 212.5, 19.85], abs=0.005)
    assert queue.delay.sum() == pytest.approx(364.85, abs=0.005)
    assert queue.clears == pytest.approx(15.1418, abs=5e-5)
    hour = 0.9 * 28.69 + 0.1 * 36.28
    assert queue.delay.sum() * hour == pytest.approx(10_744, abs=1)
    night = np.full(24, 3_600.0)
    night[20:] = 1_340
    assert queue_through(demand, night).delay.sum() == 0


@pytest.mark.basis("derived", "input-output by hand")
def test_two_more_queues_by_hand():
    one = queue_through(np.array([1_800, 1_800, 1_000, 1_000, 1_000.0]), 1_500.0)
    assert one.end.max() == 600
    assert one.clears == pytest.approx(3.2)
    assert one.delay.sum() == pytest.approx(960)
    two = queue_through(np.array([1_200, 1_800, 2_000, 1_600, 1_000, 800.0]), 1_500.0)
    assert two.end == pytest.approx([0, 300, 800, 900, 400, 0])
    assert two.delay.sum() == pytest.approx(2_314.2857, abs=1e-4)


def test_many_roads_at_once_are_each_as_alone():
    rng = np.random.default_rng(1)
    demand, capacity = rng.uniform(0, 3_000, (40, 30)), rng.uniform(0, 3_000, (40, 30))
    many = queue_through(demand, capacity)
    for k in (0, 7, 39):
        alone = queue_through(demand[k], capacity[k])
        assert many.delay[k] == pytest.approx(alone.delay)
        assert many.clears[k] == alone.clears
    assert (many.end >= 0).all()
    waits_at_most = queue_through(demand, capacity, 1.0, 500.0)
    assert waits_at_most.end.max() <= 500
    went_on = demand.sum(axis=1) - waits_at_most.end[:, -1] - waits_at_most.turned_off.sum(axis=1)
    assert (went_on <= capacity.sum(axis=1) + 1e-6).all()


@pytest.mark.basis("memory", "default hourly tables of FHWA-SA-98-079: each row adds up to 100.0")
@pytest.mark.parametrize("course", [RURAL, URBAN])
def test_the_course_of_a_day_adds_up_to_the_day(course):
    assert course.shape == (24,)
    assert course.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.basis("published", "Highway Capacity Manual 2010, exhibit 10-14, in FHWA-HOP-13-042, table 42")
def test_capacity_of_open_lanes():
    assert work_zone_capacity(2, 1) == 1_400
    assert work_zone_capacity(3, 1) == 1_450
    assert work_zone_capacity(3, 2) == 2 * 1_450
    with pytest.raises(ValueError, match="2 of 2 lanes open"):
        work_zone_capacity(2, 2)


@pytest.mark.basis("published", "California MUTCD 2012, table 6H-4(CA): 12 ft of width; the manual's formulas")
@pytest.mark.parametrize(
    ("mph", "feet"),
    [(20, 80), (25, 125), (30, 180), (35, 245), (40, 320), (45, 540), (50, 600), (55, 660), (60, 720), (70, 840)],
)
def test_tapers(mph, feet):
    assert taper_m(mph * MPH) / FT == pytest.approx(feet)
    assert taper_m(mph * MPH, kind="shifting") == pytest.approx(taper_m(mph * MPH) / 2)
    assert taper_m(mph * MPH, kind="shoulder") == pytest.approx(taper_m(mph * MPH) / 3)


def roads(**columns):
    return road_figures(pd.DataFrame(columns), Settings())


def test_more_traffic_costs_road_users_more_and_a_busy_road_is_worse_by_day_than_by_night():
    costs = user_costs(roads(aadt=[500.0, 5_000.0, 15_000.0, 40_000.0], lanes=[2, 2, 2, 4]), Settings())
    assert costs.shape == (4, len(WINDOWS))
    assert (np.diff(costs[:3], axis=0) > 0).all()
    day, night = WINDOWS.index("day"), WINDOWS.index("night")
    assert costs[2, day] / 6 > 3 * costs[2, night] / 9  # an hour


@pytest.mark.basis("derived", "1.5 miles at 40 instead of 60 mph: 45 s a vehicle")
def test_a_lower_speed_alone_costs_45_seconds_a_vehicle():
    settings = Settings()
    taper = 2 * taper_m(60 * MPH, settings.closure.lane_width_m)
    closure = dataclasses.replace(
        settings.closure, speed_kmh=60 * MPH, work_speed_kmh=40 * MPH, car_per_h=1.0, truck_per_h=1.0,
        delay_price_year=settings.programme.price_year,
    )  # fmt: skip
    settings = dataclasses.replace(settings, closure=closure)
    one = road_figures(pd.DataFrame({"aadt": [1_000.0], "lanes": [4], "length_m": [1.5 * 1_609.344 - taper]}), settings)
    passing = 1_000 * closure.direction_share  # a day past the work
    assert user_costs(one, settings)[0, WINDOWS.index("continuous")] == pytest.approx(passing * 45 / 3600)


def cheapest_by_hand(days, placed, users, settings, least_h):
    """Every closure of one line, one by one."""
    c = settings.closure
    best = None
    for number, (window, material) in enumerate(CLOSURES):
        cure = {"ordinary": c.ordinary_h, "high-early": c.high_early_h, "rapid": c.rapid_h}[material]
        more = {"ordinary": 0.0, "high-early": c.high_early_per_m2, "rapid": c.rapid_per_m2}[material] * placed
        hours = days * c.crew_day_h
        user = users[WINDOWS.index(window)]
        if window == "continuous":
            long = np.ceil(round(hours / c.crew_day_h, 6)) + cure / 24
            money, delay = c.continuous_per_closure + c.continuous_per_day * long + more, user * long
        else:
            length = {"night": c.night_h, "day": c.day_h, "weekend": c.weekend_h}[window]
            work = length - c.set_up_h - c.take_up_h - cure
            if work < c.least_work_h or length < least_h:
                continue
            work *= c.long_work_h_per_day / 24 if window == "weekend" else 1.0
            count = max(np.ceil(round(hours / work, 6)), 1)
            used = days if window == "weekend" else max(days, count)
            labour = {"night": c.night_labour, "weekend": c.weekend_labour, "day": 1.0}[window]
            each = {"night": c.night_per_closure, "weekend": c.weekend_per_closure, "day": c.day_per_closure}[window]
            money = count * each + c.crew_day_cost * ((labour - 1) * used + used - days) + more
            delay = user * count
        total = money + c.user_cost_share * delay
        if best is None or total < best[0] - 1e-9:
            best = (total, number, money, delay)
    return best


@pytest.mark.basis("derived", "a loop over every closure of each line")
@pytest.mark.parametrize("part", [0.0, 0.1, 1.0])
def test_the_closure_is_the_cheapest_of_all(part):
    base = Settings()
    settings = dataclasses.replace(base, closure=dataclasses.replace(base.closure, user_cost_share=part))
    rng = np.random.default_rng(3)
    some = road_figures(
        pd.DataFrame({"aadt": rng.lognormal(8.8, 1.2, 12), "lanes": rng.choice([1, 2, 4, 6], 12)}), settings
    )
    names = list(settings.treatment)
    days = np.round(rng.lognormal(1.0, 1.2, (12, len(names), 2)), 1) + 0.1
    placed = rng.lognormal(3, 1, days.shape)
    users = user_costs(some, settings)
    closing = choose_closures(days, placed, some, names, settings)
    kinds = set()
    for i, k, y in np.ndindex(*days.shape):
        least = settings.treatment[names[k]].least_closure_h
        _, number, money, delay = cheapest_by_hand(days[i, k, y], placed[i, k, y], users[i], settings, least)
        assert closing.kind[i, k, y] == number
        assert closing.money[i, k, y] == pytest.approx(money)
        assert closing.user_cost[i, k, y] == pytest.approx(delay)
        kinds.add(number)
    assert len(kinds) > 1


def test_lines_say_when_lanes_are_closed_and_user_cost_is_no_part_of_the_budget():
    rng = np.random.default_rng(5)
    status = pd.DataFrame(
        {
            "deck_id": [f"D{i}" for i in range(30)],
            "area_m2": rng.lognormal(6.5, 0.5, 30),
            "share_now": rng.uniform(0.01, 0.3, 30),
            "growth_per_yr": 0.006,
            "aadt": rng.lognormal(9.3, 0.8, 30),
        }
    )
    made = make_programme(status, first_year=2027, budgets=[800_000] * 2, settings=Settings())
    assert set(made.lines["window"]) <= set(WINDOWS)
    assert (made.lines["user_cost"] > 0).all()
    assert (made.lines["closure_h"] > 0).all()
    assert made.facts["user_cost_total"] == pytest.approx(made.years["user_cost"].sum())
    assert made.facts["cost_total"] == pytest.approx(made.lines["cost"].sum())
    assert (made.years["cost"] <= made.years["budget"]).all()


@pytest.mark.basis("derived", "the queue of the day by hand: one of two lanes of the busier way closed from 9 to 15")
def test_the_longest_queue_of_a_closure_is_that_of_its_hours():
    settings = Settings()
    status = pd.DataFrame(
        {"deck_id": ["A", "B", "C"], "aadt": [50_000.0, 50_000.0, 400.0], "lanes": [4, 4, 1], "detour_km": [90.0] * 3}
    )
    roads = road_figures(status, settings)
    found = longest_queues(roads, pd.Series(["day", "night", "day"]), settings)
    demand = np.concatenate([URBAN, URBAN])[9:39] * 50_000 * 0.55
    capacity = np.full(30, 3_600.0)
    capacity[:6] = 1_400
    queue = queue_through(demand, capacity, 1.0, capacity * 1.0)
    assert found[0] == pytest.approx(queue.end.max())
    assert queue.end.max() > 300
    assert found[1] < found[0]  # the night has less traffic
    assert found[2] == 0.0  # all go round

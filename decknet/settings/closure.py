"""Settings of closures: traffic through the day, lanes left open, windows, materials, what a delay is worth."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.settings.item import item

__all__ = ["ClosureSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosureSettings:
    """When lanes are closed for work, and what that costs agency and road users."""

    user_cost_share: float = item(
        0.1,
        "",
        "Part of the user cost that counts beside agency money when the closure of a line is chosen; no part of it "
        "ever comes out of the budget.",
        "assumption",
        low=0,
        high=1,
    )
    urban_from: float = item(
        10_000.0,
        "veh/day",
        "Traffic from which the urban course of the day is taken, below it the rural one.",
        "assumption",
        low=0,
    )
    direction_share: float = item(
        0.55, "", "Part of an hour's traffic that runs the busier way.", "assumption", low=0.5, high=1
    )
    lane_capacity: float = item(
        1_800.0,
        "veh/h",
        "Vehicles an open lane carries in an hour with no work.",
        "practice",
        "1,800 to 2,200 for planning",
        low=1,
    )
    alternating_capacity: float = item(
        850.0,
        "veh/h",
        "Vehicles of both ways together through one lane used in turns.",
        "memory",
        "800 to 1,000 for short stretches under flagging",
        low=1,
    )
    alternating_wait_s: float = item(
        45.0, "s", "Mean wait for the other way's turn, below capacity.", "assumption", low=0, high=600
    )
    speed_kmh: float = item(80.0, "km/h", "Speed with no work.", "assumption", low=10, high=130)
    work_speed_kmh: float = item(55.0, "km/h", "Speed past the work.", "assumption", low=5, high=130)
    lane_width_m: float = item(3.66, "m", "Width of lane that a taper closes.", "practice", "12 ft", low=2.5, high=5)
    car_per_h: float = item(
        28.69,
        "currency/veh-h",
        "An hour of a car's delay, with its people and its fuel.",
        "published",
        "Texas A&M Transportation Institute to TxDOT, 5 March 2018: USD of 2017",
        low=0,
    )
    truck_per_h: float = item(
        36.28,
        "currency/veh-h",
        "An hour of a truck's delay.",
        "published",
        "Texas A&M Transportation Institute to TxDOT, 5 March 2018: USD of 2017",
        low=0,
    )
    delay_price_year: int = item(2017, "yr", "Year of the prices of an hour's delay.", "published", low=1950, high=2100)
    truck_share: float = item(0.08, "share", "Trucks where not counted.", "assumption", low=0, high=1)
    night_from_h: float = item(20.0, "h", "Hour at which a night closure begins.", "practice", low=0, high=24)
    night_h: float = item(9.0, "h", "Length of a night closure.", "practice", low=1, high=14)
    day_from_h: float = item(9.0, "h", "Hour at which a day closure begins.", "practice", low=0, high=24)
    day_h: float = item(6.0, "h", "Length of a day closure, between the peaks.", "practice", low=1, high=14)
    weekend_from_h: float = item(
        21.0, "h", "Hour of Friday at which a weekend closure begins.", "practice", low=0, high=24
    )
    weekend_h: float = item(56.0, "h", "Length of a weekend closure.", "practice", "to Monday 05:00", low=12, high=72)
    most_wait_h: float = item(
        1.0, "h", "Wait beyond which a driver turns off, at the same loss.", "assumption", low=0.05, high=24
    )
    set_up_h: float = item(1.0, "h", "Placing the traffic control, each closure.", "assumption", low=0, high=12)
    take_up_h: float = item(0.5, "h", "Taking it up again.", "assumption", low=0, high=12)
    crew_day_h: float = item(7.0, "h", "Hours of work on the deck in a crew day.", "assumption", low=1, high=24)
    least_work_h: float = item(
        1.5, "h", "A closure that leaves less time to work than this is no use.", "assumption", low=0.1, high=24
    )
    long_work_h_per_day: float = item(
        14.0, "h/day", "Hours worked in a day of a weekend closure, in shifts.", "assumption", low=1, high=24
    )
    rapid_h: float = item(
        3.0,
        "h",
        "Cure before traffic, rapid-setting material.",
        "published",
        "TxDOT Concrete Repair Manual, chapter 3: return to service in 3 h for ultra-rapid bagged material",
        low=0,
        high=1_000,
    )
    high_early_h: float = item(
        24.0,
        "h",
        "Cure before traffic, high-early-strength concrete.",
        "published",
        "TxDOT Concrete Repair Manual, chapter 3: 24 h for ready-mix of high early strength",
        low=0,
        high=1_000,
    )
    ordinary_h: float = item(
        72.0,
        "h",
        "Cure before traffic, ordinary concrete.",
        "published",
        "TxDOT Concrete Repair Manual, chapter 3: 2 to 4 days, moist cure 72 h",
        low=0,
        high=5_000,
    )
    rapid_per_m2: float = item(
        110.0, "currency/m2", "Rapid-setting material costs this much more, a m2 broken out.", "assumption", low=0
    )
    high_early_per_m2: float = item(
        25.0, "currency/m2", "High-early-strength concrete costs this much more, a m2 broken out.", "assumption", low=0
    )
    night_per_closure: float = item(
        1_400.0, "currency", "Traffic control of a night closure, with lights.", "assumption", low=0
    )
    day_per_closure: float = item(900.0, "currency", "Traffic control of a day closure.", "assumption", low=0)
    weekend_per_closure: float = item(4_500.0, "currency", "Traffic control of a weekend closure.", "assumption", low=0)
    continuous_per_closure: float = item(
        2_500.0, "currency", "Placing and taking up a closure that stays.", "assumption", low=0
    )
    continuous_per_day: float = item(350.0, "currency/day", "Keeping it, a day.", "assumption", low=0)
    night_labour: float = item(
        1.15, "", "Crew costs at night, as a multiple of those by day.", "assumption", low=1, high=3
    )
    weekend_labour: float = item(1.25, "", "Crew costs on a weekend, as a multiple.", "assumption", low=1, high=3)
    crew_day_cost: float = item(
        3_200.0,
        "currency/day",
        "A crew day, from which the dearer hours are reckoned; the day itself is in the unit costs.",
        "assumption",
        low=0,
    )
    cost_year: int = item(2026, "yr", "Year of the prices of closures and crew days.", "own words", low=1950, high=2100)
    prices_rise_per_yr: float = item(
        0.03,
        "1/yr",
        "Yearly rise that brings costs and delays to the programme's price year.",
        "assumption",
        low=-0.1,
        high=0.3,
    )

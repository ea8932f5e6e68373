"""When lanes are closed for a line, and what that costs agency and road users.

The model, in full
------------------
* Traffic of an hour is the year's mean day times that hour's part of it, rural or urban by its volume. Every day
  of the week is taken alike, since no counts by weekday are kept.
* Four lanes and more: one lane of one way is closed, and the busier way meets the capacity of what is left. Two
  or three lanes: both ways take turns through one lane. One lane: all traffic goes round by the detour.
* The queue is deterministic: vehicles come evenly within the hour, what exceeds capacity waits, and a queue left
  when the lanes open runs off at the capacity without work. Who would wait longer than the detour takes, or
  than `most_wait_h`, turns off at that loss. Who need not wait still loses time at the lower speed past the work.
* A closure is a window (night, day, weekend, or one that stays) with a material (rapid, high-early, ordinary)
  whose cure ends inside the window. Its work time is the window less placing and taking up the traffic control
  and less the cure. The number of closures follows from the crew days.
* The closure is chosen at least agency cost plus a set share of user cost. User cost is nobody's budget: it is
  shown beside agency money and never added to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from decknet.settings import ClosureSettings, Settings

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]
    Whole = npt.NDArray[np.signedinteger]

__all__ = [
    "CLOSURES",
    "RURAL",
    "URBAN",
    "Closing",
    "Queue",
    "Roads",
    "choose_closures",
    "longest_queues",
    "queue_through",
    "road_figures",
    "taper_m",
    "user_costs",
    "work_zone_capacity",
]

# Part of a day's traffic in each hour from midnight on. Default tables of the US Federal Highway Administration's
# FHWA-SA-98-079, from memory; each adds up to 1.
_RURAL = [18, 15, 13, 13, 15, 18, 25, 35, 42, 50, 54, 56, 57, 64, 68, 73, 93, 70, 55, 47, 38, 32, 26, 23]
_URBAN = [12, 8, 7, 5, 7, 17, 51, 78, 63, 52, 47, 53, 56, 57, 59, 65, 79, 85, 59, 39, 33, 28, 23, 17]
RURAL, URBAN = np.array(_RURAL) / 1000, np.array(_URBAN) / 1000

# Vehicles an hour and lane past a work zone, by lanes of one way without work and lanes left open. Highway
# Capacity Manual 2010, exhibit 10-14, as printed in FHWA-HOP-13-042, table 42; the four-lane rows from memory.
_CAPACITY = {(2, 1): 1400.0, (3, 1): 1450.0, (3, 2): 1450.0, (4, 1): 1350.0, (4, 2): 1450.0, (4, 3): 1500.0}

WINDOWS = ("day", "night", "weekend", "continuous")
MATERIALS = ("ordinary", "high-early", "rapid")
CLOSURES = tuple((window, material) for window in WINDOWS for material in MATERIALS)  # in order of preference

_FT = 0.3048
_MPH = 1.609344


@dataclass(frozen=True, slots=True)
class Queue:
    """A queue over time. Arrays have the shape of the demand.

    Attributes
    ----------
    end : vehicles waiting at the end of each step
    delay : veh-h lost in each step
    turned_off : vehicles that turned off in each step
    clears : h from the start until the queue is gone for the last time, shape without steps; inf: not within it
    """

    end: Floats
    delay: Floats
    turned_off: Floats
    clears: Floats


@dataclass(frozen=True, slots=True)
class Roads:
    """What runs over each deck. Every array has shape (decks,).

    Attributes
    ----------
    aadt : veh/day, both ways; missing traffic is taken as 0 by then
    lanes : number of lanes on the deck
    trucks : fraction 0 to 1
    length_m : m, of the deck
    detour_km : km
    """

    aadt: Floats
    lanes: Floats
    trucks: Floats
    length_m: Floats
    detour_km: Floats

    def part(self, rows: npt.NDArray[np.intp] | slice) -> Roads:
        """The decks of those rows."""
        return Roads(self.aadt[rows], self.lanes[rows], self.trucks[rows], self.length_m[rows], self.detour_km[rows])


@dataclass(frozen=True, slots=True)
class Closing:
    """The closure chosen for each deck, treatment and year. Arrays have shape (decks, treatments, years).

    Attributes
    ----------
    kind : index into `CLOSURES`
    closures : how many
    hours : h closed in all
    crew_days : days, the closures' idle crew hours included
    money : currency, over what the treatment's unit costs hold
    user_cost : currency
    """

    kind: Whole
    closures: Floats
    hours: Floats
    crew_days: Floats
    money: Floats
    user_cost: Floats


# ---- traffic --------------------------------------------------------------------------------------


def work_zone_capacity(lanes: int, open_lanes: int) -> float:
    """Vehicles an hour, all open lanes together, past a work zone.

    Parameters
    ----------
    lanes, open_lanes : int
        Lanes of one way without work, and left open; beyond four lanes the figures of four hold.

    Returns
    -------
    float, veh/h

    References
    ----------
    published: Highway Capacity Manual 2010, exhibit 10-14, as printed in FHWA-HOP-13-042, table 42; four lanes
    from memory.

    Examples
    --------
    >>> work_zone_capacity(2, 1), work_zone_capacity(3, 2)
    (1400.0, 2900.0)
    """
    if not 1 <= open_lanes < lanes:
        raise ValueError(f"{open_lanes} of {lanes} lanes open: at least one must be open and one closed")
    known = _CAPACITY[min(lanes, 4), min(open_lanes, min(lanes, 4) - 1)]
    return known * open_lanes


def taper_m(speed_kmh: float, width_m: float = 12 * _FT, kind: str = "merging") -> float:
    """Length of a taper.

    Parameters
    ----------
    speed_kmh : float, km/h
    width_m : float, m
        Width shifted or closed.
    kind : merging, shifting or shoulder

    Returns
    -------
    float, m

    References
    ----------
    published: Manual on Uniform Traffic Control Devices, part 6: W S² / 60 up to 40 mph, W S from 45 mph, in feet
    and mph; shifting a half, shoulder a third. Local rules come first.

    Examples
    --------
    >>> round(taper_m(55 * 1.609344) / 0.3048)
    660
    """
    mph, width = speed_kmh / _MPH, width_m / _FT
    feet = width * mph * mph / 60 if mph <= 40 + 1e-9 else width * mph
    return feet * _FT * {"merging": 1.0, "shifting": 1 / 2, "shoulder": 1 / 3}[kind]


def queue_through(
    demand: Floats,
    capacity: Floats,
    step_h: Floats | float = 1.0,
    most: Floats | float = np.inf,
) -> Queue:
    """A queue step by step, vehicles coming evenly within each.

    Parameters
    ----------
    demand, capacity : arrays that broadcast, shape (..., steps), veh/h
    step_h : h, one or shape (steps,)
    most : vehicles that wait at most, broadcast with the demand; more turn off. What they lose is not counted.

    Returns
    -------
    Queue

    References
    ----------
    Derived: input-output; within a step the queue is a straight line down to nothing.
    """
    demand, capacity, most = np.broadcast_arrays(
        np.asarray(demand, dtype=np.float64), np.asarray(capacity, dtype=np.float64), np.asarray(most, dtype=np.float64)
    )
    steps = demand.shape[-1]
    lengths = np.broadcast_to(np.asarray(step_h, dtype=np.float64), (steps,))
    end, delay, off = (np.zeros(demand.shape) for _ in range(3))
    now = np.zeros(demand.shape[:-1])
    clears = np.zeros(demand.shape[:-1])
    at = 0.0
    for k, hours in enumerate(lengths.tolist()):
        rate = demand[..., k] - capacity[..., k]
        then = now + rate * hours
        falls = then < 0
        until = np.where(falls, now / np.where(rate < 0, -rate, 1.0), hours)
        off[..., k] = np.maximum(then - most[..., k], 0.0)
        then = np.clip(then, 0.0, most[..., k])
        delay[..., k] = (now + then) / 2 * until
        clears = np.where((now > 0) | (then > 0), np.where(then > 0, np.inf, at + until), clears)
        end[..., k] = now = then
        at += hours
    return Queue(end, delay, off, clears)


def road_figures(status: pd.DataFrame, settings: Settings) -> Roads:
    """Traffic, lanes, trucks, length and detour of each deck, in the order of the rows.

    Parameters
    ----------
    status : DataFrame
        Read where present: aadt (veh/day), lanes, truck_share (0 to 1), length_m (m), detour_km (km). Missing
        traffic is taken as the least counted, missing lanes as 2, a missing detour as one of `most_wait_h`.
    settings : Settings

    Returns
    -------
    Roads
    """

    def column(name: str, missing: float) -> Floats:
        if name not in status:
            return np.full(len(status), missing)
        read = pd.to_numeric(status[name]).to_numpy(dtype=np.float64, na_value=np.nan)
        return np.where(np.isfinite(read), read, missing)

    return Roads(
        aadt=column("aadt", settings.programme.traffic_floor),
        lanes=np.maximum(column("lanes", 2.0), 1.0),
        trucks=column("truck_share", settings.closure.truck_share),
        length_m=column("length_m", 50.0),
        detour_km=column("detour_km", settings.closure.most_wait_h * settings.closure.speed_kmh),
    )


# ---- what a closure costs the road users ----------------------------------------------------------


def _closed_hours(window: str, settings: ClosureSettings) -> tuple[Floats, Floats, float]:
    """Hour of the day and closed part of each step, and hours closed."""
    if window == "continuous":
        return np.arange(48.0) % 24, np.ones(48), 24.0
    begin, length = {
        "night": (settings.night_from_h, settings.night_h),
        "day": (settings.day_from_h, settings.day_h),
        "weekend": (settings.weekend_from_h, settings.weekend_h),
    }[window]
    steps = int(np.ceil(begin - np.floor(begin) + length)) + 24
    at = np.floor(begin) + np.arange(steps)
    closed = np.clip(np.minimum(at + 1, begin + length) - np.maximum(at, begin), 0.0, 1.0)
    return at % 24, closed, length


def user_costs(roads: Roads, settings: Settings) -> Floats:
    """What one closure of each window costs the road users; of the one that stays, each day.

    Parameters
    ----------
    roads : Roads, n decks
    settings : Settings

    Returns
    -------
    array, shape (n, windows), currency at the programme's prices; windows day, night, weekend, continuous

    References
    ----------
    Derived: the model at the head of this file.
    """
    cost, _, back = _windows(roads, settings)
    return cost[back]


def longest_queues(roads: Roads, windows: pd.Series[str], settings: Settings) -> Floats:
    """Most vehicles that wait at once in a closure of each deck's window.

    Parameters
    ----------
    roads : Roads, n decks
    windows : Series, shape (n,), day, night, weekend or continuous
    settings : Settings

    Returns
    -------
    array, shape (n,), vehicles at the end of an hour, one way or, in turns, both ways together
    """
    _, queue, back = _windows(roads, settings)
    at = np.array([WINDOWS.index(window) for window in windows], dtype=np.intp)
    return np.asarray(queue[back, at])


def _windows(roads: Roads, settings: Settings) -> tuple[Floats, Floats, Whole]:
    """User cost and longest queue of a closure by kind of road and window, and the kind of each deck."""
    rules = settings.closure
    figures = np.column_stack([roads.aadt, roads.lanes, roads.trucks, roads.length_m, roads.detour_km])
    kinds, back = np.unique(figures, axis=0, return_inverse=True)
    aadt, lanes, trucks, length, detour = (column[:, None] for column in kinds.T)
    course = np.where(aadt >= rules.urban_from, URBAN[None, :], RURAL[None, :])
    turns = lanes < 4
    one_way = np.floor(lanes / 2)
    demand = aadt * course * np.where(turns, 1.0, rules.direction_share)
    free = np.where(turns, 2.0, one_way) * rules.lane_capacity
    one_closed = np.array([0.0, 0.0, *(work_zone_capacity(k, k - 1) for k in range(2, 16))])
    past = one_closed[np.clip(one_way, 2, 15).astype(np.intp)]
    past = np.where(turns, rules.alternating_capacity, past)
    km = (length + 2 * taper_m(rules.speed_kmh, rules.lane_width_m)) / 1000
    slower = np.maximum(km * (1 / rules.work_speed_kmh - 1 / rules.speed_kmh), 0.0)
    slower = slower + np.where(turns, rules.alternating_wait_s / 3600, 0.0)
    rise = (1 + rules.prices_rise_per_yr) ** (settings.programme.price_year - rules.delay_price_year)
    hour = (rules.car_per_h * (1 - trucks) + rules.truck_per_h * trucks)[:, 0] * rise
    # who would wait longer than the detour takes turns off
    patience = np.clip(detour / rules.speed_kmh, 1 / 12, rules.most_wait_h)
    cost, longest = (np.empty((len(kinds), len(WINDOWS))) for _ in range(2))
    for w, window in enumerate(WINDOWS):
        at, closed, _ = _closed_hours(window, rules)
        comes = demand[:, at.astype(np.intp)]
        capacity = closed * past + (1 - closed) * free
        queue = queue_through(comes, capacity, 1.0, np.maximum(patience * capacity, 1.0))
        lost = queue.delay + queue.turned_off * patience + np.minimum(comes, capacity) * closed * slower
        round_about = comes * closed * detour / rules.speed_kmh
        lost = np.where(lanes <= 1, round_about, lost)
        cost[:, w] = hour * (lost[:, 24:] if window == "continuous" else lost).sum(axis=1)
        longest[:, w] = np.where(lanes[:, 0] <= 1, 0.0, queue.end.max(axis=1))
    return cost, longest, back


# ---- the choice -----------------------------------------------------------------------------------


def choose_closures(
    crew_days: Floats, placed_m2: Floats, roads: Roads, treatments: Sequence[str], settings: Settings
) -> Closing:
    """The closure of each deck, treatment and year that is cheapest by agency cost plus a share of user cost.

    Parameters
    ----------
    crew_days : array, shape (n, k, y), days of work
    placed_m2 : array, shape (n, k, y), m2 of patching or deck concrete placed
    roads : Roads, n decks
    treatments : k keys of ``settings.treatment``
    settings : Settings

    Returns
    -------
    Closing
        A closure that stays is always feasible, so every line has one.

    References
    ----------
    Derived: the model at the head of this file.
    """
    rules = settings.closure
    users = user_costs(roads, settings)
    rise = (1 + rules.prices_rise_per_yr) ** (settings.programme.price_year - rules.cost_year)
    least = np.array([settings.treatment[name].least_closure_h for name in treatments])[None, :, None]
    shape = crew_days.shape
    work_h = crew_days * rules.crew_day_h
    best = np.full(shape, np.inf)
    kind = np.zeros(shape, dtype=np.int8)
    out = {name: np.zeros(shape) for name in ("closures", "hours", "crew_days", "money", "user_cost")}
    cures = {"ordinary": rules.ordinary_h, "high-early": rules.high_early_h, "rapid": rules.rapid_h}
    dearer = {"ordinary": 0.0, "high-early": rules.high_early_per_m2, "rapid": rules.rapid_per_m2}
    for number, (window, material) in enumerate(CLOSURES):
        user_each = users[:, WINDOWS.index(window)][:, None, None]
        _, _, length = _closed_hours(window, rules)
        labour = 1.0
        if window == "continuous":
            days = np.ceil(np.round(work_h / rules.crew_day_h, 6)) + cures[material] / 24
            closures, used = np.ones(shape), crew_days
            money = rules.continuous_per_closure + rules.continuous_per_day * days
            hours, user = 24 * days, user_each * days
            fits = np.ones(shape, dtype=bool)
        else:
            work = length - rules.set_up_h - rules.take_up_h - cures[material]
            if work < rules.least_work_h - 1e-9:
                continue
            if window == "weekend":
                work, labour, each = (
                    work * rules.long_work_h_per_day / 24,
                    rules.weekend_labour,
                    rules.weekend_per_closure,
                )
            elif window == "night":
                labour, each = rules.night_labour, rules.night_per_closure
            else:
                each = rules.day_per_closure
            closures = np.maximum(np.ceil(np.round(work_h / work, 6)), 1.0)
            used = crew_days if window == "weekend" else np.maximum(crew_days, closures)
            money = closures * each
            hours, user = closures * length, closures * user_each
            fits = np.broadcast_to(least <= length, shape)
        idle = used - crew_days
        money = money + rules.crew_day_cost * ((labour - 1) * used + idle) + dearer[material] * placed_m2
        money = money * rise
        total = np.where(fits, money + rules.user_cost_share * user, np.inf)
        better = total < best - 1e-9
        best = np.where(better, total, best)
        kind[better] = number
        for name, column in zip(out, (closures, hours, used, money, user), strict=True):
            out[name] = np.where(better, column, out[name])
    return Closing(kind, **out)

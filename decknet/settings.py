"""Settings: one frozen record, read from one TOML file, every key with unit, basis and source.

A file states only what differs from the defaults. A key that is not known, a value of the wrong
type or out of range is refused with its exact key and line.
"""

from __future__ import annotations

import dataclasses
import re
import tomllib
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

from decknet.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = [
    "Curve",
    "GrowthSettings",
    "PlaceSettings",
    "ProgrammeSettings",
    "RankSettings",
    "Settings",
    "Treatment",
    "UrgentSettings",
    "describe",
    "load_settings",
]

Curve = tuple[tuple[float, float], ...]


def _item(
    default: Any,
    unit: str,
    meaning: str,
    basis: str,
    source: str = "",
    *,
    low: float | None = None,
    high: float | None = None,
) -> Any:
    return field(
        default=default,
        metadata={"unit": unit, "meaning": meaning, "basis": basis, "source": source, "low": low, "high": high},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceSettings:
    """Where decks lie."""

    district_km: float = _item(
        500.0, "km", "A bridge farther than this from the middle of the others is flagged.", "practice", low=1
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthSettings:
    """Growth of the unsound share."""

    network_per_yr: float = _item(
        0.005,
        "share/yr",
        "Growth taken for a network with no survey pairs at all, bare bars, de-iced.",
        "assumption",
        "no measured distribution could be found; 0.5 to 1.0 points a year is a common planning figure",
        low=0,
        high=0.2,
    )
    coated_factor: float = _item(
        0.25, "", "The same for coated or stainless bars, as a part of it.", "assumption", low=0, high=1
    )
    benign_factor: float = _item(
        0.4, "", "The same where no salt reaches the deck, as a part of it.", "assumption", low=0, high=1
    )
    onset_yr: float = _item(
        15.0,
        "yr",
        "Age before which an unsurveyed deck is taken as sound.",
        "memory",
        "10 to 30 years to corrosion and 2 to 6 more to cracking are often quoted",
        low=0,
        high=100,
    )
    survey_cv: float = _item(
        0.30,
        "",
        "Scatter of one survey's share, as a part of the share.",
        "derived",
        "Federal Highway Administration (2001), FHWA-RD-01-020: 22 teams on one deck of 19 %; "
        "the range 2 to 35 % is from memory",
        low=0,
        high=2,
    )
    survey_floor: float = _item(
        0.004, "share", "Scatter of one survey's share on a clean deck.", "assumption", low=0, high=0.5
    )
    guess_spread: float = _item(
        2.5,
        "",
        "A share taken without a survey may be this many times smaller or larger (10 to 90 %).",
        "assumption",
        low=1,
        high=20,
    )
    least_span_yr: float = _item(
        0.75, "yr", "Surveys closer together than this say nothing of growth.", "assumption", low=0, high=20
    )
    rating_share: Curve = _item(
        (
            (0, 0.60),
            (1, 0.50),
            (2, 0.40),
            (3, 0.28),
            (4, 0.15),
            (5, 0.07),
            (6, 0.025),
            (7, 0.008),
            (8, 0.001),
            (9, 0.0),
        ),
        "rating, share",
        "Unsound share taken for an unsurveyed deck by its deck rating.",
        "memory",
        "bands of the older FHWA percentage guide for decks, read as mid-points and smoothed",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RankSettings:
    """Priority: weights and value curves."""

    weight_share: float = _item(0.45, "", "Weight of the delaminated share.", "assumption", low=0, high=1)
    weight_growth: float = _item(0.30, "", "Weight of growth.", "assumption", low=0, high=1)
    weight_traffic: float = _item(0.25, "", "Weight of traffic.", "assumption", low=0, high=1)
    value_share: Curve = _item(
        ((0, 0), (0.02, 0.15), (0.10, 0.55), (0.25, 0.90), (0.40, 1.0)),
        "share, 0 to 1",
        "Value of the delaminated share.",
        "memory",
        "bends at treatment thresholds in agency use: 2 % consider repair (Washington State DOT, SR 283 page, 2006), "
        "10 % overlay, 25 to 40 % replacement (several manuals, from memory)",
    )
    value_growth: Curve = _item(
        ((0, 0), (0.005, 0.25), (0.02, 0.80), (0.04, 1.0)), "share/yr, 0 to 1", "Value of growth.", "assumption"
    )
    value_traffic: Curve = _item(
        ((0, 0), (500, 0.15), (2_000, 0.35), (10_000, 0.75), (40_000, 1.0)),
        "veh/day, 0 to 1",
        "Value of traffic.",
        "assumption",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class UrgentSettings:
    """What cannot wait for the ranking."""

    danger_share: float = _item(
        0.40,
        "share",
        "Unsound share from which a deck is urgent whatever its traffic.",
        "memory",
        "critical band of one state's deck matrix",
        low=0.01,
        high=1,
    )
    hole_days: int = _item(1, "days", "Days allowed for an open full-depth hole.", "assumption", low=0, high=365)
    bar_days: int = _item(14, "days", "Days allowed for exposed bars.", "assumption", low=0, high=365)
    danger_days: int = _item(
        30, "days", "Days allowed for a share past the danger threshold.", "assumption", low=0, high=365
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """What a deck may get: when it fits, what it does, what it costs."""

    label: str = _item("", "", "As printed.", "own words")
    share_min: float = _item(0.0, "share", "Least unsound share it is meant for.", "assumption", low=0, high=1)
    share_max: float = _item(1.0, "share", "Greatest unsound share it is meant for.", "assumption", low=0, high=1)
    removes: float = _item(1.0, "", "Part of the unsound area it makes sound.", "assumption", low=0, high=1)
    growth_factor: float = _item(1.0, "", "Later growth, as a part of what it was.", "assumption", low=0, high=2)
    rest_yr: float = _item(0.0, "yr", "Years before growth sets in again.", "assumption", low=0, high=80)
    life_yr: float = _item(10.0, "yr", "Service life.", "assumption", low=0, high=100)
    set_up: float = _item(0.0, "currency", "Mobilisation and traffic control, a job.", "assumption", low=0)
    per_deck_m2: float = _item(0.0, "currency/m2", "Cost per m2 of deck.", "assumption", low=0)
    per_repair_m2: float = _item(0.0, "currency/m2", "Cost per m2 broken out and filled.", "assumption", low=0)
    deck_m2_per_day: float = _item(0.0, "m2/day", "Deck a crew covers in a day; 0: none of it.", "assumption", low=0)
    repair_m2_per_day: float = _item(
        0.0, "m2/day", "Repair a crew places in a day; 0: none of it.", "assumption", low=0
    )
    set_up_days: float = _item(0.0, "days", "Crew days of setting up, a job.", "assumption", low=0)
    basis: str = _item("assumption", "", "Where the figures come from.", "own words")
    source: str = _item("", "", "Source of the figures.", "own words")


TREATMENTS: dict[str, Treatment] = {
    "patch": Treatment(
        label="Patch",
        share_min=0.001,
        share_max=0.15,
        removes=0.95,
        growth_factor=1.0,
        rest_yr=0.0,
        life_yr=7,
        set_up=9_000,
        per_repair_m2=1_050,
        repair_m2_per_day=9,
        set_up_days=0.5,
        basis="memory",
        source="life 3 to 10 years (Michigan deck matrix, from memory); cost under the upper bound of 1,184 per m2 "
        "(a New England state's price page, 2015); 5 to 15 m2 a crew day is a planning figure",
    ),
    "patch and seal": Treatment(
        label="Patch and seal",
        share_min=0.001,
        share_max=0.10,
        removes=0.95,
        growth_factor=0.7,
        rest_yr=0.0,
        life_yr=10,
        set_up=12_000,
        per_deck_m2=21,
        per_repair_m2=1_050,
        deck_m2_per_day=900,
        repair_m2_per_day=9,
        set_up_days=0.8,
        basis="published",
        source="healer-sealer 19 per m2 (HPC Bridge Views 75, about 2014), brought forward; effect on growth assumed",
    ),
    "thin overlay": Treatment(
        label="Thin polymer overlay",
        share_min=0.0,
        share_max=0.10,
        removes=0.95,
        growth_factor=0.45,
        rest_yr=2.0,
        life_yr=20,
        set_up=22_000,
        per_deck_m2=75,
        per_repair_m2=1_050,
        deck_m2_per_day=450,
        repair_m2_per_day=9,
        set_up_days=1.5,
        basis="published",
        source="life 20.9 years (Virginia Transportation Research Council, 20-R6, 2019); 65 to 75 per m2 (2012, Denver)",
    ),
    "rigid overlay": Treatment(
        label="Rigid overlay",
        share_min=0.05,
        share_max=0.40,
        removes=1.0,
        growth_factor=0.35,
        rest_yr=6.0,
        life_yr=26,
        set_up=45_000,
        per_deck_m2=235,
        per_repair_m2=600,
        deck_m2_per_day=120,
        repair_m2_per_day=18,
        set_up_days=3,
        basis="published",
        source="life 25.9 years (Virginia Transportation Research Council, 20-R6, 2019); cost from a 2009 survey of "
        "agencies, from memory, brought forward",
    ),
    "new deck": Treatment(
        label="New deck",
        share_min=0.20,
        share_max=1.0,
        removes=1.0,
        growth_factor=0.5,
        rest_yr=20.0,
        life_yr=40,
        set_up=120_000,
        per_deck_m2=980,
        deck_m2_per_day=22,
        set_up_days=10,
        basis="memory",
        source="43 to 53 per square foot in 2009 (survey of agencies, from memory), brought forward; design life "
        "40 years or less (TRB project 1441948)",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeSettings:
    """The yearly programme."""

    price_year: int = _item(2026, "yr", "Year of the prices used.", "own words", low=1950, high=2100)
    discount_per_yr: float = _item(
        0.03,
        "1/yr",
        "Real discount rate.",
        "published",
        "highway agencies use 3 to 5 % (EFL life-cycle cost supplement, 2011)",
        low=0,
        high=0.2,
    )
    horizon_yr: int = _item(20, "yr", "Years over which exposure is counted.", "assumption", low=1, high=100)
    overbreak: float = _item(
        1.25,
        "",
        "Area broken out for each m2 mapped unsound.",
        "memory",
        "final area commonly exceeds the sounding map by 10 to 40 %",
        low=1,
        high=3,
    )
    traffic_power: float = _item(
        0.4, "", "Exposure of a m2 grows with traffic to this power.", "assumption", low=0, high=1
    )
    traffic_floor: float = _item(50.0, "veh/day", "Least traffic counted.", "assumption", low=1)
    crew_days_per_yr: float = _item(0.0, "days", "Crew days a year; 0: no limit set.", "own words", low=0)
    gap: float = _item(0.001, "", "Gap to the best possible at which the search stops.", "own words", low=0, high=0.1)
    time_limit_s: float = _item(15.0, "s", "Longest search.", "own words", low=0.1, high=3600)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that can be set."""

    currency: str = _item("USD", "", "Currency in which money is given and shown.", "own words")
    place: PlaceSettings = field(default_factory=PlaceSettings)
    growth: GrowthSettings = field(default_factory=GrowthSettings)
    rank: RankSettings = field(default_factory=RankSettings)
    urgent: UrgentSettings = field(default_factory=UrgentSettings)
    programme: ProgrammeSettings = field(default_factory=ProgrammeSettings)
    treatment: dict[str, Treatment] = field(default_factory=lambda: dict(TREATMENTS))


def _line_of(text: str, path: tuple[str, ...]) -> int:
    """Line of a dotted key in a TOML text; 1 where it cannot be told."""
    table: tuple[str, ...] = ()
    header = re.compile(r"^\s*\[([^\]]+)\]\s*(#.*)?$")
    entry = re.compile(
        r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*="""
    )
    part = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
    best = 1
    for number, line in enumerate(text.splitlines(), start=1):
        if match := header.match(line):
            table = tuple(p.strip("\"'") for p in part.findall(match[1]))
            if table == path[: len(table)]:
                best = number
        elif match := entry.match(line):
            key = table + tuple(p.strip("\"'") for p in part.findall(match[1]))
            if key == path:
                return number
    return best


def load_settings(path: Path | None = None) -> Settings:
    """Settings from a TOML file, or the defaults.

    Parameters
    ----------
    path : Path or None
        The file. None gives the defaults.

    Returns
    -------
    Settings

    Raises
    ------
    SettingsError
        The file cannot be read, or a key or value cannot be used; the message names the key,
        the line, the value, the rule and the remedy.
    """
    if path is None:
        return Settings()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as why:
        raise SettingsError(f"{path}: cannot be read as UTF-8 text ({why}).") from why
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as why:
        raise SettingsError(f"{path}: not valid TOML ({why}).") from why
    settings = _merge(Settings(), data, (), path, text)
    weights = settings.rank.weight_share + settings.rank.weight_growth + settings.rank.weight_traffic
    if abs(weights - 1.0) > 1e-9:
        line = _line_of(text, ("rank",))
        raise SettingsError(
            f"{path} line {line}, rank: the weights add up to {weights:g}, and must add up to 1. "
            "Correct weight_share, weight_growth or weight_traffic."
        )
    return settings


def _merge(now: Any, data: dict[str, Any], at: tuple[str, ...], path: Path, text: str) -> Any:
    known = {f.name: f for f in fields(now)}
    changes: dict[str, Any] = {}
    for key, value in data.items():
        here = (*at, key)
        where = f"{path} line {_line_of(text, here)}, {'.'.join(here)}"
        if key not in known:
            raise SettingsError(f"{where}: not a setting. Known here: {', '.join(known)}.")
        old = getattr(now, key)
        if key == "treatment" and not at:
            changes[key] = _treatments(old, value, here, path, text)
        elif dataclasses.is_dataclass(old):
            if not isinstance(value, dict):
                raise SettingsError(f"{where}: {value!r} stands where a table [{key}] belongs.")
            changes[key] = _merge(old, value, here, path, text)
        else:
            changes[key] = _value(old, value, known[key].metadata, where)
    return dataclasses.replace(now, **changes)


def _treatments(
    old: dict[str, Treatment], value: Any, here: tuple[str, ...], path: Path, text: str
) -> dict[str, Treatment]:
    if not isinstance(value, dict):
        raise SettingsError(
            f"{path} line {_line_of(text, here)}, treatment: must be tables, [treatment.patch] and so on."
        )
    out = dict(old)
    for name, table in value.items():
        where = (*here, name)
        if name not in old:
            raise SettingsError(
                f"{path} line {_line_of(text, where)}, treatment.{name}: not a treatment. Known: {', '.join(old)}."
            )
        if not isinstance(table, dict):
            raise SettingsError(f"{path} line {_line_of(text, where)}, treatment.{name}: {table!r} is not a table.")
        out[name] = _merge(out[name], table, where, path, text)
    return out


def _value(old: Any, value: Any, meta: Any, where: str) -> Any:
    if isinstance(old, str):
        if not isinstance(value, str):
            raise SettingsError(f"{where}: {value!r} is not text. Put it in quotes.")
        return value
    if isinstance(old, tuple):
        return _curve(value, where)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SettingsError(f"{where}: {value!r} is not a number. Write it without quotes or unit.")
    if isinstance(old, int) and not isinstance(old, bool) and value != int(value):
        raise SettingsError(f"{where}: {value!r} is not a whole number.")
    low, high = meta.get("low"), meta.get("high")
    if not (low is None or value >= low) or not (high is None or value <= high) or value != value:
        limits = f"{'any' if low is None else low} to {'any' if high is None else high} {meta.get('unit', '')}".strip()
        raise SettingsError(f"{where}: {value!r} is outside {limits}.")
    return type(old)(value)


def _curve(value: Any, where: str) -> Curve:
    try:
        points = tuple((float(x), float(y)) for x, y in value)
    except (TypeError, ValueError):
        raise SettingsError(f"{where}: {value!r} is not a list of [x, y] pairs.") from None
    if len(points) < 2 or any(b[0] <= a[0] for a, b in zip(points, points[1:], strict=False)):
        raise SettingsError(f"{where}: x must rise from pair to pair, with two pairs at least.")
    steps = [b[1] - a[1] for a, b in zip(points, points[1:], strict=False)]
    if any(s < 0 for s in steps) and any(s > 0 for s in steps):
        raise SettingsError(f"{where}: y must not turn back.")
    return points


def describe(settings: Settings | None = None) -> Iterator[tuple[str, str, Any, str, str, str]]:
    """Every setting as (section, key, value, unit, meaning, basis and source)."""
    whole = settings or Settings()
    parts: list[tuple[str, Any]] = [("", whole)]
    parts += [
        (f.name, getattr(whole, f.name)) for f in fields(whole) if dataclasses.is_dataclass(getattr(whole, f.name))
    ]
    parts += [(f'treatment."{name}"', t) for name, t in whole.treatment.items()]
    for section, part in parts:
        for f in fields(part):
            value = getattr(part, f.name)
            if not f.metadata or dataclasses.is_dataclass(value):
                continue
            meta = f.metadata
            why = ": ".join(x for x in (meta["basis"], meta["source"]) if x)
            yield section, f.name, value, meta["unit"], meta["meaning"], why

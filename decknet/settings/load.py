"""One frozen record of all settings, read from one TOML file.

A file states only what differs from the defaults. A key that is not known, a value of the wrong
type or out of range is refused with its exact key and line.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from decknet.errors import SettingsError
from decknet.settings.closure import ClosureSettings
from decknet.settings.grid import GridSettings
from decknet.settings.item import Curve, item
from decknet.settings.looks import LookSettings, kinds_fault
from decknet.settings.network import GrowthSettings, PlaceSettings
from decknet.settings.ranking import RankSettings, SoundingSettings, TrafficSettings, UrgentSettings, weights_fault
from decknet.settings.repairs import LimitSettings, MixSettings, OpeningSettings, QuantitySettings
from decknet.settings.survival import SurvivalSettings
from decknet.settings.works import EFFORT_NAMES, LONGEST_CLOCK_S, TREATMENTS, ProgrammeSettings, Treatment

__all__ = ["Settings", "changed_settings", "describe", "load_settings", "reference", "searched", "settings_kept"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that can be set."""

    currency: str = item("USD", "", "Currency in which money is given and shown.", "own words")
    place: PlaceSettings = field(default_factory=PlaceSettings)
    growth: GrowthSettings = field(default_factory=GrowthSettings)
    survival: SurvivalSettings = field(default_factory=SurvivalSettings)
    rank: RankSettings = field(default_factory=RankSettings)
    traffic: TrafficSettings = field(default_factory=TrafficSettings)
    urgent: UrgentSettings = field(default_factory=UrgentSettings)
    look: LookSettings = field(default_factory=LookSettings)
    sounding: SoundingSettings = field(default_factory=SoundingSettings)
    programme: ProgrammeSettings = field(default_factory=ProgrammeSettings)
    closure: ClosureSettings = field(default_factory=ClosureSettings)
    limits: LimitSettings = field(default_factory=LimitSettings)
    quantities: QuantitySettings = field(default_factory=QuantitySettings)
    mix: MixSettings = field(default_factory=MixSettings)
    opening: OpeningSettings = field(default_factory=OpeningSettings)
    grid: GridSettings = field(default_factory=GridSettings)
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
    settings: Settings = _merge(Settings(), data, (), path, text)
    if fault := weights_fault(settings.rank):
        raise SettingsError(f"{path} line {_line_of(text, ('rank',))}, rank: {fault}")
    if fault := kinds_fault(settings.look):
        raise SettingsError(f"{path} line {_line_of(text, ('look',))}, look: {fault} Correct it.")
    return settings


def searched(settings: Settings, effort: str | None, seconds: float | None) -> Settings:
    """Settings with another effort of the search for a programme, or a clock on it, where one is given.

    Raises
    ------
    SettingsError
        No such effort, or no time at all.

    Examples
    --------
    >>> searched(Settings(), "quick", None).programme.effort
    'quick'
    """
    if effort is not None and effort not in EFFORT_NAMES:
        raise SettingsError(f"programme.effort: {effort!r} is not known here. Say {', '.join(EFFORT_NAMES)}.")
    if seconds is not None and not 0 < seconds <= LONGEST_CLOCK_S:
        raise SettingsError(f"programme.clock_s: {seconds!r} is no time to stop after. Give more than 0 seconds.")
    now = settings.programme
    programme = dataclasses.replace(now, effort=effort or now.effort, clock_s=seconds or now.clock_s)
    return dataclasses.replace(settings, programme=programme)


def settings_kept(data: dict[str, Any]) -> Settings:
    """Settings from what was kept of them, as ``dataclasses.asdict`` gave it; what is no setting now is left out.

    Raises
    ------
    SettingsError
        A value cannot be used.
    """
    settings: Settings = _merge(Settings(), _only_known(Settings(), data), (), Path("settings that were kept"), "")
    return settings


def _only_known(now: Any, data: dict[str, Any]) -> dict[str, Any]:
    names = {f.name for f in fields(now)} if dataclasses.is_dataclass(now) else set(now)
    out = {}
    for key, value in data.items():
        if key not in names:
            continue
        old = getattr(now, key) if dataclasses.is_dataclass(now) else now[key]
        nested = isinstance(value, dict) and (dataclasses.is_dataclass(old) or isinstance(old, dict))
        out[key] = _only_known(old, value) if nested else value
    return out


def changed_settings(settings: Settings) -> list[str]:
    """Keys of the settings that differ from the defaults.

    Examples
    --------
    >>> changed_settings(dataclasses.replace(Settings(), currency="EUR"))
    ['currency']
    """
    plain = {(section, key): value for section, key, value, *_ in describe()}
    return [
        f"{section}.{key}" if section else key
        for section, key, value, *_ in describe(settings)
        if plain.get((section, key)) != value
    ]


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
        if (choices := meta.get("choices")) and value not in choices:
            raise SettingsError(f"{where}: {value!r} is not known here. Say {', '.join(choices)}.")
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
    if len(points) < 2 or any(b[0] <= a[0] for a, b in itertools.pairwise(points)):
        raise SettingsError(f"{where}: x must rise from pair to pair, with two pairs at least.")
    steps = [b[1] - a[1] for a, b in itertools.pairwise(points)]
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


def _plainly(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(f"{a:g}: {b:g}" for a, b in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def reference() -> str:
    """Every setting as a Markdown table: key, default, unit, meaning, what it rests on.

    Examples
    --------
    >>> reference().splitlines()[0]
    '| key | default | unit | meaning | rests on |'
    """
    lines = ["| key | default | unit | meaning | rests on |", "| --- | --- | --- | --- | --- |"]
    for section, key, value, unit, meaning, why in describe():
        cells = (f"`{section}.{key}`" if section else f"`{key}`", _plainly(value), unit, meaning, why)
        lines.append("| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |")
    return "\n".join(lines) + "\n"

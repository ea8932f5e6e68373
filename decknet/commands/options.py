"""Options that commands share: what they are called, and how they are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from decknet.settings import Settings

__all__ = [
    "BudgetOpt",
    "ByOpt",
    "CsvOpt",
    "EffortOpt",
    "FirstYearOpt",
    "JsonOpt",
    "SecondsOpt",
    "SettingsOpt",
    "SoundOpt",
    "StoreArg",
    "TilesOpt",
    "TodayOpt",
    "UnsureOpt",
    "WeightOpt",
    "WeightsOpt",
    "YearsOpt",
    "day",
    "stated",
    "sums",
    "with_weights",
]

StoreArg = Annotated[Path, typer.Argument(metavar="STORE", help="The store: one file, such as district.duckdb.")]
SettingsOpt = Annotated[
    Path | None, typer.Option("--settings", help="A TOML file of settings that differ from the defaults.")
]
TodayOpt = Annotated[
    str | None, typer.Option("--today", metavar="DATE", help="Day of the analysis, 2026-11-25; else today.")
]
JsonOpt = Annotated[bool, typer.Option("--json", help="Print JSON for a script to read.")]
BudgetOpt = Annotated[
    str | None,
    typer.Option(
        "--budget", metavar="SUM[,SUM...]", help="Money for each year; one sum, or one a year split by commas."
    ),
]
YearsOpt = Annotated[int, typer.Option("--years", min=1, max=20, help="Years in the programme.")]
EffortOpt = Annotated[
    Literal["quick", "normal", "long"] | None,
    typer.Option(
        "--effort",
        help="How much work the search for a programme does: quick, normal or long; else as the settings say. The same "
        "effort gives the same programme on any machine.",
    ),
]
SecondsOpt = Annotated[
    float | None,
    typer.Option(
        "--seconds",
        min=0.1,
        max=86_400,
        help="A clock on the search for the programme; else there is none. Where it strikes, every output says so.",
    ),
]
FirstYearOpt = Annotated[int | None, typer.Option("--first-year", help="First year of the programme; else next year.")]
TilesOpt = Annotated[
    str | None,
    typer.Option(
        "--tiles",
        metavar="URL",
        help="Add a background from a tile server, as https://…/{z}/{x}/{y}.png; needs a network.",
    ),
]
WeightOpt = Annotated[
    list[str] | None,
    typer.Option(
        "--weight",
        metavar="NAME=VALUE",
        help="What if a weight were this, as traffic=0.5; may be repeated. The others keep their proportions and fill "
        "the rest up to 1. Names: share, growth, traffic, trucks, detour, bars, posted, soffit, area.",
    ),
]
WeightsOpt = Annotated[
    str | None,
    typer.Option(
        "--weights",
        metavar="NAME=N,NAME=N...",
        help="Weights in proportion to one another, as share=9,growth=6,traffic=5; what is not named weighs nothing.",
    ),
]
ByOpt = Annotated[
    str | None,
    typer.Option(
        "--by", help="How values become a priority: sum (weighted sum), or distance from the least and most needy."
    ),
]
UnsureOpt = Annotated[
    str | None,
    typer.Option(
        "--unsure",
        help="What is unsure of the weights, in ranges of rank: none, range, order (only which weighs more) or any.",
    ),
]
OverdueOpt = Annotated[
    int, typer.Option("--overdue", min=0, metavar="N", help="Also the N decks whose sounding is most overdue.")
]
SoundOpt = Annotated[
    int,
    typer.Option(
        "--sound",
        min=0,
        metavar="N",
        help="Also the N decks whose sounding could change the choice of works most, for an hour of a lane's closure.",
    ),
]
LaneHoursOpt = Annotated[
    float | None,
    typer.Option(
        "--lane-hours", min=0, max=100_000, help="With --sound: only soundings that fit into these hours of closure."
    ),
]
CsvOpt = Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Also write every deck to a CSV file.")]


def _pairs(given: Sequence[str], option: str) -> dict[str, float]:
    out: dict[str, float] = {}
    for text in given:
        name, equals, value = text.partition("=")
        try:
            number = float(value)
        except ValueError:
            equals = ""
        if not equals or name.strip() in out:
            why = "is given twice" if name.strip() in out else "is not a name and a number. Write it as traffic=0.5"
            raise typer.BadParameter(f"{text!r} {why}.", param_hint=option)
        out[name.strip()] = number
    return out


def with_weights(
    settings: Settings, weight: Sequence[str] | None, weights: str | None, by: str | None, unsure: str | None
) -> Settings:
    """Settings as the options change them.

    Raises
    ------
    typer.BadParameter
        An option cannot be read, or both ways to give weights are used.
    SettingsError
        The weights cannot add up to 1.
    """
    from decknet.settings import relative_weights, reweighted

    if weight and weights:
        raise typer.BadParameter("give either --weight or --weights, not both.", param_hint="--weights")
    for name, said, known in (
        ("--by", by, ("sum", "distance")),
        ("--unsure", unsure, ("none", "range", "order", "any")),
    ):
        if said is not None and said not in known:
            raise typer.BadParameter(f"{said!r} is not known here. Say {', '.join(known)}.", param_hint=name)
    rank = settings.rank
    if weight:
        rank = reweighted(rank, _pairs(weight, "--weight"))
    if weights:
        rank = relative_weights(rank, _pairs(weights.split(","), "--weights"))
    return replace(settings, rank=replace(rank, by=by or rank.by, unsure=unsure or rank.unsure))


def day(text: str | None) -> date:
    """Day of the analysis; today where none is said."""
    if text is None:
        return date.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a day. Write it as 2026-11-25.", param_hint="--today") from None


def sums(text: str | None) -> list[float]:
    """Sums of money split by commas."""
    if text is None:
        raise typer.BadParameter("say how much money there is a year, as --budget 2000000.", param_hint="--budget")
    try:
        return [float(part.replace("_", "").replace(" ", "")) for part in text.split(",")]
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is not a sum of money, or sums split by commas. Write 2000000 or 2000000,1500000.",
            param_hint="--budget",
        ) from None


def stated(
    dates: str | None, decimal: str | None, crs: str | None, fixed: Sequence[str] | None, encoding: str | None
) -> dict[str, str | dict[str, str]]:
    """Options of load that say what a mapping file can say."""
    out: dict[str, str | dict[str, str]] = {"encoding": encoding or ""}
    if dates is not None:
        if dates not in {"day-first", "month-first", "year-first"}:
            raise typer.BadParameter(f"{dates!r}: say day-first, month-first or year-first.", param_hint="--dates")
        out["dates"] = dates.replace("-", " ")
    if decimal is not None:
        if decimal not in {"dot", "comma", ".", ","}:
            raise typer.BadParameter(f"{decimal!r}: say dot or comma.", param_hint="--decimal")
        out["decimal"] = {"dot": ".", "comma": ","}.get(decimal, decimal)
    if crs is not None:
        out["crs"] = crs
    values = {}
    for item in fixed or ():
        name, mark, value = item.partition("=")
        if not mark or not name.strip() or not value.strip():
            raise typer.BadParameter(
                f"{item!r}: write COLUMN=VALUE, such as survey_date=2026-05-12.", param_hint="--set"
            )
        values[name.strip()] = value.strip()
    if values:
        out["values"] = values
    return out

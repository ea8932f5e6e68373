"""Options that come in groups: the day that is asked about, and the question of a programme.

A command names a group as one parameter; on the command line it is the group's options.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_type_hints

import typer

from decknet.commands.options import (
    BudgetOpt,
    EffortOpt,
    FirstYearOpt,
    SecondsOpt,
    SettingsOpt,
    TodayOpt,
    YearsOpt,
    sums,
)

if TYPE_CHECKING:
    from decknet.flow import AsOf, Condition, Study
    from decknet.settings import Settings

__all__ = ["Asked", "When", "date_of", "grouped"]

F = TypeVar("F", bound=Callable[..., Any])

AsOfOpt = Annotated[
    str | None,
    typer.Option("--as-of", metavar="DATE", help="Only records dated to this day, as if it were that day."),
]
KnownByOpt = Annotated[
    str | None, typer.Option("--known-by", metavar="DATE", help="Only records brought in by the end of this day.")
]
ProgrammeOpt = Annotated[
    str | None,
    typer.Option("--programme", metavar="NAME", help="A programme that is kept, as it was agreed; no money is asked."),
]
PinOpt = Annotated[
    list[str] | None,
    typer.Option("--pin", metavar="DECK=YEAR[:TREATMENT]", help="This deck in that year; may be given more than once."),
]
BarOpt = Annotated[
    list[str] | None, typer.Option("--bar", metavar="DECK", help="No line for this deck; may be given more than once.")
]
KeepOpt = Annotated[
    list[str] | None,
    typer.Option("--keep", metavar="DISTRICT=SUM", help="Money of each year that only this district's decks may have."),
]
CrewOpt = Annotated[float | None, typer.Option("--crew-days", min=0, help="Crew days a year; 0: no limit.")]
AgainOpt = Annotated[
    str | None,
    typer.Option(
        "--again", metavar="NAME", help="Ask the question of a kept programme again, on the records of today."
    ),
]


def date_of(text: str | None, option: str) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a day. Write it as 2026-11-25.", param_hint=option) from None


@dataclass(frozen=True, slots=True)
class When:
    """The day that is asked about, and the settings."""

    settings: SettingsOpt = None
    today: TodayOpt = None
    as_of: AsOfOpt = None
    known_by: KnownByOpt = None

    def asked(self) -> AsOf:
        """The day as the reading takes it."""
        from decknet.flow import AsOf

        out = AsOf(date_of(self.today, "--today"), date_of(self.as_of, "--as-of"), date_of(self.known_by, "--known-by"))
        if out.today and out.records_to and out.records_to > out.today:
            raise typer.BadParameter(
                f"{out.records_to} is later than --today {out.today}. Leave one of them out.", param_hint="--as-of"
            )
        return out

    def chosen(self) -> Settings:
        """The settings of the file, or the defaults."""
        from decknet.settings import load_settings

        return load_settings(Path(self.settings) if self.settings else None)

    def condition(
        self, store: Path, *, settings: Settings | None = None, programmes: tuple[str, ...] | None = (),
        step: Callable[[str], None] = lambda _: None,
    ) -> Condition:  # fmt: skip
        """The condition of a store's network on that day; what its records leave out is told on the error stream."""
        from decknet import flow

        found = flow.read_condition(
            store, settings=settings or self.chosen(), asked=self.asked(), programmes=programmes, step=step
        )
        if told := found.records.told():
            typer.echo(told, err=True)
        return found


@dataclass(frozen=True, slots=True)
class Asked:
    """The question of a programme, or the name of a kept one."""

    programme: ProgrammeOpt = None
    budget: BudgetOpt = None
    years: YearsOpt = 5
    first_year: FirstYearOpt = None
    pin: PinOpt = None
    bar: BarOpt = None
    keep: KeepOpt = None
    crew_days: CrewOpt = None
    effort: EffortOpt = None
    seconds: SecondsOpt = None
    again: AgainOpt = None

    def anything(self) -> bool:
        """Whether a programme is asked for at all."""
        return any(x is not None for x in (self.programme, self.budget, self.again))

    def names(self) -> tuple[str, ...]:
        """Kept programmes that the reading is to bring."""
        return tuple(n for n in (self.programme, self.again) if n is not None)

    def check(self, *, needed: bool = True) -> None:
        """Raise where the options clash, or nothing is asked and something is needed."""
        given = [n for n in ("programme", "budget", "again") if getattr(self, n) is not None]
        if self.programme is not None and (len(given) > 1 or self._demands()):
            raise typer.BadParameter(
                "a programme that is kept is shown as it was agreed. To ask its question again with other money or "
                f"demands, say --again {self.programme}.",
                param_hint="--programme",
            )
        if not given and (needed or self._demands()):
            raise typer.BadParameter(
                "say how much money there is a year, as --budget 2000000, or which kept programme, as --programme "
                "NAME.",
                param_hint="--budget",
            )

        if self.budget is not None:
            sums(self.budget)
        _pins(self.pin or ()), _sums_kept(self.keep or ())

    def _demands(self) -> bool:
        return bool(self.pin or self.bar or self.keep or self.crew_days is not None)

    def study(self, condition: Condition, *, explain: bool = True) -> Study:
        """The programme that is asked for."""
        from dataclasses import replace

        from decknet import flow
        from decknet.flow.programme import question_of

        if self.programme is not None:
            return flow.kept_study(condition, self.programme)
        pins, kept = _pins(self.pin or ()), _sums_kept(self.keep or ())
        if self.again is None:
            budgets = flow.budgets_for(sums(self.budget), self.years)
            first = self.first_year or condition.today.year + 1
            question = flow.Question(
                budgets, first, pins, tuple(self.bar or ()), kept, self.crew_days, self.effort, self.seconds
            )
            return flow.study(condition, question, explain=explain)
        before = question_of(condition.records.programme(self.again))
        change: dict[str, Any] = {
            "pins": {**before.pins, **pins}, "bars": (*before.bars, *(self.bar or ())), "kept": {**before.kept, **kept},
        }  # fmt: skip
        if self.budget is not None:
            change["budgets"] = flow.budgets_for(sums(self.budget), len(before.budgets))
        if self.first_year is not None:
            change["first_year"] = self.first_year
        change |= {n: v for n in ("crew_days", "effort", "seconds") if (v := getattr(self, n)) is not None}
        return flow.study(condition, replace(before, **change), explain=explain)


def _pins(given: Any) -> dict[str, tuple[int, str | None]]:
    out: dict[str, tuple[int, str | None]] = {}
    for text in given:
        deck, _, rest = text.rpartition("=")
        year, _, treatment = rest.partition(":")
        if not deck or not year.strip().isdigit():
            raise typer.BadParameter(
                f"{text!r} is not a pin. Write 01026=2027, or 01026=2027:rigid overlay.", param_hint="--pin"
            )
        if deck.strip() in out:
            raise typer.BadParameter(f"{deck.strip()} is pinned twice. Keep one pin a deck.", param_hint="--pin")
        out[deck.strip()] = (int(year), treatment.strip() or None)
    return out


def _sums_kept(given: Any) -> dict[str, float]:
    out: dict[str, float] = {}
    for text in given:
        area, _, amount = text.rpartition("=")
        try:
            out[area.strip()] = float(amount.replace("_", "").replace(" ", ""))
        except ValueError:
            area = ""
        if not area.strip():
            raise typer.BadParameter(f"{text!r} is not a sum for a district. Write North=300000.", param_hint="--keep")
    return out


def grouped(command: F) -> F:
    """The command with each parameter that is a group spread into the group's options."""
    signature, hints = inspect.signature(command), get_type_hints(command, include_extras=True)
    spread: list[inspect.Parameter] = []
    members: dict[str, tuple[type, list[str]]] = {}
    for name, parameter in signature.parameters.items():
        kind = hints.get(name)
        if not (isinstance(kind, type) and is_dataclass(kind)):
            spread.append(parameter.replace(annotation=kind, kind=inspect.Parameter.KEYWORD_ONLY))
            continue
        own = get_type_hints(kind, include_extras=True)
        members[name] = (kind, [f.name for f in fields(kind)])
        spread += [
            inspect.Parameter(f.name, inspect.Parameter.KEYWORD_ONLY, default=f.default, annotation=own[f.name])
            for f in fields(kind)
        ]

    @wraps(command)
    def run(**given: Any) -> Any:
        for name, (kind, parts) in members.items():
            given[name] = kind(**{part: given.pop(part) for part in parts})
        return command(**given)

    run.__signature__ = signature.replace(parameters=spread)  # type: ignore[attr-defined]
    run.__annotations__ = {p.name: p.annotation for p in spread} | {"return": None}
    return run  # type: ignore[return-value]

"""The commands of the programme: choose, keep, compare, and hold against what was done."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from decknet import digits
from decknet.commands import say, say_programme
from decknet.commands.options import (
    BudgetOpt,
    EffortOpt,
    FirstYearOpt,
    JsonOpt,
    SecondsOpt,
    SettingsOpt,
    StoreArg,
    TodayOpt,
    YearsOpt,
    day,
    sums,
)
from decknet.commands.progress import progress

__all__ = ["add_to"]

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
CompareOpt = Annotated[
    str | None, typer.Option("--compare", metavar="TIMES", help="What more or less money buys, as 0.5,1,1.5,2 times.")
]
DoubtOpt = Annotated[
    bool,
    typer.Option("--doubt", help="Also over draws of share and growth: what it comes to, and which lines stay."),
]
DrawsOpt = Annotated[int | None, typer.Option("--draws", min=2, help="How many draws; else as the settings say.")]
CrewOpt = Annotated[float | None, typer.Option("--crew-days", min=0, help="Crew days a year; 0: no limit.")]
NameArg = Annotated[str, typer.Argument(metavar="NAME", help="A programme kept, as decknet programmes lists it.")]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog="Example: decknet programme district.duckdb --budget 2000000 --years 5")(programme)
    app.command(epilog="Example: decknet programmes district.duckdb")(programmes)
    app.command(epilog="Example: decknet compare district.duckdb draft agreed")(compare)
    app.command(epilog="Example: decknet done district.duckdb agreed --year 2027")(done)


def _pins(given: Sequence[str]) -> dict[str, tuple[int, str | None]]:
    out: dict[str, tuple[int, str | None]] = {}
    for text in given:
        deck, _, rest = text.rpartition("=")
        year, _, treatment = rest.partition(":")
        if not deck or not year.strip().isdigit():
            raise typer.BadParameter(
                f"{text!r} is not a pin. Write 01059=2027, or 01059=2027:rigid overlay.", param_hint="--pin"
            )
        if deck.strip() in out:
            raise typer.BadParameter(f"{deck.strip()} is pinned twice. Keep one pin a deck.", param_hint="--pin")
        out[deck.strip()] = (int(year), treatment.strip() or None)
    return out


def _kept(given: Sequence[str]) -> dict[str, float]:
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


def _times(text: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise typer.BadParameter(f"{text!r} are not multiples. Write 0.5,1,1.5,2.", param_hint="--compare") from None


def programme(
    store: StoreArg,
    budget: BudgetOpt = None,
    years: YearsOpt = 5,
    first_year: FirstYearOpt = None,
    pin: PinOpt = None,
    bar: BarOpt = None,
    keep: KeepOpt = None,
    crew_days: CrewOpt = None,
    compare: CompareOpt = None,
    doubt: DoubtOpt = False,
    draws: DrawsOpt = None,
    effort: EffortOpt = None,
    seconds: SecondsOpt = None,
    save: Annotated[str | None, typer.Option("--save", metavar="NAME", help="Keep the programme in the store.")] = None,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Also write the lines to a CSV file.")
    ] = None,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """The repair programme that the money buys, year by year, and what other money would buy."""
    money = sums(budget)
    pins, kept = _pins(pin or ()), _kept(keep or ())
    times = _times(compare) if compare else None

    from decknet import flow
    from decknet.flow import planning
    from decknet.settings import load_settings, searched

    demands = planning.Demands(pins, bar or (), kept)
    cost = doubted = found = None
    steps = {"Reading the records": 1.0, "Choosing the programme": 8.0}
    steps |= {"Reckoning what the demands cost": 8.0} if demands.any() else {}
    steps |= {"Drawing shares and growth anew": 10.0} if doubt or draws else {}
    steps |= {"Trying other sums of money": 8.0 * len(times)} if times is not None else {}
    with progress(steps, quiet=as_json) as step:
        step("Reading the records")
        chosen = searched(load_settings(settings), effort, seconds)
        network = flow.read_network(store, today=day(today), settings=chosen)
        network, drawn, note = planning.with_works(store, network, crew_days=crew_days)
        first = first_year or network.today.year + 1
        budgets = flow.budgets_for(money, years)
        step("Choosing the programme")
        made = planning.plan(network, budgets, first_year=first, demands=demands, drawn=drawn)
        if demands.any():
            step("Reckoning what the demands cost")
            cost = planning.what_demands_cost(network, budgets, made, first_year=first, demands=demands, drawn=drawn)
        if doubt or draws:
            step("Drawing shares and growth anew")
            made, doubted = planning.in_doubt(
                network, budgets, made, first_year=first, demands=demands, drawn=drawn, draws=draws
            )
        if times is not None:
            step("Trying other sums of money")
            found = planning.curve(network, budgets, times, first_year=first, demands=demands, drawn=drawn)
    if as_json:
        answer: dict[str, Any] = {
            name: say.plain(getattr(made, name)) for name in ("lines", "years", "waiting", "yardsticks")
        }
        answer |= {"facts": made.facts, "stopped": flow.cut_short_words(made.facts) or None}
        answer |= {"currency": network.settings.currency}
        answer |= {} if cost is None else {"demands": say.plain(cost)}
        answer |= {} if found is None else {"money": say.plain(found)}
        if doubted is not None:
            answer["doubt"] = {"draws": doubted.draws, "unfit": doubted.unfit}
            answer["doubt"] |= {name: say.plain(getattr(doubted, name)) for name in ("outcome", "years")}
        say.echo_json(answer)
    else:
        out, coin = say.console(), network.settings.currency
        say.programme(out, network, made)
        say_programme.meaning(out, made, coin)
        if note:
            out.print(note)
        if doubted is not None:
            say_programme.doubt(out, doubted, coin)
        if cost is not None:
            say_programme.demands(out, cost)
        if found is not None:
            say_programme.curve(out, found, coin)
    if csv is not None:
        flow.write_whole(csv, made.lines.to_csv(index=False).encode("utf-8"))
        typer.echo(f"{csv}: {digits.count(len(made.lines))} lines.", err=as_json)
    if save:
        planning.keep(store, save, network, made, budgets, first_year=first, now=datetime.now())
        typer.echo(f"Kept as {save!r}.", err=as_json)


def programmes(store: StoreArg, as_json: JsonOpt = False) -> None:
    """List the programmes kept in the store."""
    from decknet.flow import planning

    found = planning.kept_programmes(store)
    if as_json:
        say.echo_json({"programmes": say.plain(found)})
    elif found.empty:
        typer.echo(
            f"{store}: no programme is kept yet. Keep one with: decknet programme {store} --budget SUM --save NAME"
        )
    else:
        say_programme.kept(say.console(), found, planning.currency_of(store))


def compare(store: StoreArg, first: NameArg, second: NameArg, as_json: JsonOpt = False) -> None:
    """Two programmes kept, side by side: sums, and every deck whose works differ."""
    from decknet.flow import planning

    kept, found = planning.compare(store, first, second)
    if as_json:
        say.echo_json({"programmes": say.plain(kept), "changes": say.plain(found)})
    else:
        out = say.console()
        say_programme.kept(out, kept, planning.currency_of(store))
        say_programme.changes(out, found)


def done(
    store: StoreArg,
    name: NameArg,
    year: Annotated[int | None, typer.Option("--year", help="Only this year of it.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Hold a programme kept against the repairs recorded since: done, changed, not done, cost and overbreak."""
    from decknet.flow import planning

    held, others, facts = planning.done(store, name, year=year)
    if as_json:
        plain = {k: None if v != v else v for k, v in facts.items()}
        say.echo_json({"lines": say.plain(held), "others": say.plain(others), "facts": plain})
    else:
        say_programme.done(say.console(), held, others, facts, planning.currency_of(store))

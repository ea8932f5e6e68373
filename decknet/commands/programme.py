"""The commands of the programme: choose, keep, compare, and hold against what was done."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from decknet import digits
from decknet.commands import say, say_programme
from decknet.commands.groups import Asked, When, grouped
from decknet.commands.options import JsonOpt, LaneHoursOpt, SoundOpt, StoreArg
from decknet.commands.progress import ProgressOpt, progress

__all__ = ["add_to"]

CompareOpt = Annotated[
    str | None, typer.Option("--compare", metavar="TIMES", help="What more or less money buys, as 0.5,1,1.5,2 times.")
]
DoubtOpt = Annotated[
    bool,
    typer.Option("--doubt", help="Also over draws of share and growth: what it comes to, and which lines stay."),
]
DrawsOpt = Annotated[int | None, typer.Option("--draws", min=2, help="How many draws; else as the settings say.")]
NameArg = Annotated[str, typer.Argument(metavar="NAME", help="A programme kept, as decknet programmes lists it.")]
SaveOpt = Annotated[str | None, typer.Option("--save", metavar="NAME", help="Keep the programme in the store.")]
CsvOpt = Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Also write the lines to a CSV file.")]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog="Example: decknet programme district.duckdb --budget 2000000 --years 5")(programme)
    app.command(epilog="Example: decknet programmes district.duckdb")(programmes)
    app.command(epilog="Example: decknet cut district.duckdb --programme agreed --by 20")(cut)
    app.command(epilog="Example: decknet compare district.duckdb draft agreed")(compare)
    app.command(epilog="Example: decknet withdraw district.duckdb draft")(withdraw)
    app.command(epilog="Example: decknet done district.duckdb agreed --year 2027")(done)


def _times(text: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise typer.BadParameter(f"{text!r} are not multiples. Write 0.5,1,1.5,2.", param_hint="--compare") from None


@grouped
def programme(
    store: StoreArg,
    asked: Asked,
    when: When,
    compare: CompareOpt = None,
    doubt: DoubtOpt = False,
    draws: DrawsOpt = None,
    sound: SoundOpt = 0,
    lane_hours: LaneHoursOpt = None,
    save: SaveOpt = None,
    csv: CsvOpt = None,
    timed: ProgressOpt = False,
    as_json: JsonOpt = False,
) -> None:
    """The repair programme that the money buys, year by year, and what other money would buy; or one that is kept."""
    asked.check()
    times = _times(compare) if compare else None
    if asked.programme is not None and (times or doubt or draws or sound or save):
        raise typer.BadParameter(
            f"a kept programme is shown as it was agreed. To ask its question again, say --again {asked.programme}.",
            param_hint="--programme",
        )

    if lane_hours is not None and not sound:
        raise typer.BadParameter("say how many decks to list, as --sound 10.", param_hint="--lane-hours")

    from decknet import flow
    from decknet.flow import programme as asking

    cost = doubted = curve = looks = None
    steps = {"Reading the records": 1.0, "Choosing the programme": 8.0, "Reckoning what the demands cost": 8.0}
    steps |= {"Drawing shares and growth anew": 10.0} if doubt or draws else {}
    steps |= {"Trying other sums of money": 8.0 * len(times)} if times is not None else {}
    steps |= {"Weighing what a sounding could change": 4.0} if sound else {}
    with progress(steps, quiet=as_json, timed=timed) as step:
        condition = when.condition(store, programmes=asked.names(), step=step)
        step("Choosing the programme")
        found = asked.study(condition)
        if found.kept is None and found.question.demands():
            step("Reckoning what the demands cost")
            cost = asking.demand_costs(found)
        if doubt or draws:
            step("Drawing shares and growth anew")
            found, doubted = asking.in_doubt(found, draws)
        if times is not None:
            step("Trying other sums of money")
            curve, _ = asking.money_curve(condition, found.question, times)
        if sound:
            step("Weighing what a sounding could change")
            looks = asking.soundings(found, lane_hours)
    made = found.made
    if as_json:
        answer: dict[str, Any] = {
            name: say.plain(getattr(made, name)) for name in ("lines", "years", "waiting", "yardsticks")
        }
        answer |= {"facts": made.facts, "stopped": flow.cut_short_words(made.facts) or None}
        answer |= {"currency": found.settings.currency, "programme": _said_of(found)}
        answer |= {} if cost is None else {"demands": say.plain(cost)}
        answer |= {} if curve is None else {"money": say.plain(curve)}
        answer |= {} if looks is None else {"soundings": say.plain(looks)}
        if doubted is not None:
            answer["doubt"] = {"draws": doubted.draws, "unfit": doubted.unfit}
            answer["doubt"] |= {name: say.plain(getattr(doubted, name)) for name in ("outcome", "years")}
        say.echo_json(answer)
    else:
        out, coin = say.console(), found.settings.currency
        say.programme(out, found)
        say_programme.meaning(out, made, coin)
        if found.note:
            out.print(found.note)
        if doubted is not None:
            say_programme.doubt(out, doubted, coin)
        if cost is not None:
            say_programme.demands(out, cost)
        if curve is not None:
            say_programme.curve(out, curve, coin)
        if looks is not None:
            say_programme.soundings(out, looks, sound, found)
    if csv is not None:
        flow.write_whole(csv, made.lines.to_csv(index=False).encode("utf-8"))
        typer.echo(f"{csv}: {digits.count(len(made.lines))} lines.", err=as_json)
    if save:
        asking.keep(store, save, found, now=datetime.now(), who=flow.who_am_i())
        typer.echo(f"Kept as {save!r}.", err=as_json)


def _said_of(found: Any) -> dict[str, Any]:
    """Which programme an answer is of."""
    records = found.condition.records
    return {
        "name": found.name or None, "told": found.told(), "day": records.day.isoformat(),
        "records_to": records.records_to.isoformat() if records.records_to else None,
    }  # fmt: skip


def programmes(store: StoreArg, as_json: JsonOpt = False) -> None:
    """List the programmes kept in the store."""
    from decknet import flow
    from decknet.flow.compare import kept_programmes

    records = flow.read_records(store)
    found = kept_programmes(records)
    if as_json:
        say.echo_json({"programmes": say.plain(found)})
    elif found.empty:
        typer.echo(
            f"{store}: no programme is kept yet. Keep one with: decknet programme {store} --budget SUM --save NAME"
        )
    else:
        say_programme.kept(say.console(), found, records.currency)


@grouped
def cut(
    store: StoreArg,
    asked: Asked,
    when: When,
    by: Annotated[float, typer.Option("--by", metavar="PERCENT", help="How much less money; below 0 for more.")] = 20.0,
    csv: CsvOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """The money is cut: which works drop out, move or come in, by name, and what is lost by it."""
    asked.check()
    from decknet import flow
    from decknet.flow.compare import less_money

    with progress({"Reading the records": 1.0, "Choosing the programme": 8.0}, quiet=as_json) as step:
        condition = when.condition(store, programmes=asked.names(), step=step)
        step("Choosing the programme")
        found = asked.study(condition)
        step("Choosing it anew for other money")
        made = less_money(found, 1.0 - by / 100.0)
    if as_json:
        facts = {"before": made.before.made.facts, "after": made.after.made.facts}
        say.echo_json(
            {"changes": say.plain(made.changes), "facts": facts, "programme": _said_of(found), "by_percent": by}
        )
    else:
        say_programme.cut(say.console(), made, by)
    if csv is not None:
        flow.write_whole(csv, say.as_csv(made.changes))
        typer.echo(f"{csv}: {digits.counted(len(made.changes), 'deck')}.", err=as_json)


def compare(store: StoreArg, first: NameArg, second: NameArg, as_json: JsonOpt = False) -> None:
    """Two programmes kept, side by side: sums, decks whose works differ, and whether question or records did it."""
    from decknet import flow
    from decknet.flow.compare import compare as side_by_side

    found = side_by_side(store, first, second)
    if as_json:
        say.echo_json(
            {"programmes": say.plain(found.sums), "changes": say.plain(found.changes), "told": list(found.told)}
        )
    else:
        out = say.console()
        say_programme.kept(out, found.sums, flow.read_records(store).currency)
        for line in found.told:
            out.print(line)
        say_programme.changes(out, found.changes)


def withdraw(store: StoreArg, name: NameArg) -> None:
    """Withdraw a programme that is kept: it stays on record, but nothing is drawn from it unless it is named."""
    from decknet import flow
    from decknet.flow.programme import withdraw as take_out

    take_out(store, name, now=datetime.now(), who=flow.who_am_i())
    typer.echo(f"{name!r} is withdrawn. It stays on record; its name is not used again.")


def done(
    store: StoreArg,
    name: NameArg,
    year: Annotated[int | None, typer.Option("--year", help="Only this year of it.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Hold a programme kept against the repairs recorded since: done, changed, not done, cost and overbreak."""
    from decknet import flow
    from decknet.flow.compare import done_lines

    records = flow.read_records(store, flow.AsOf(whole=True), programmes=(name,))
    held, others, facts = done_lines(records, records.programme(name), year=year)
    if as_json:
        plain = {k: None if v != v else v for k, v in facts.items()}
        say.echo_json({"lines": say.plain(held), "others": say.plain(others), "facts": plain})
    else:
        say_programme.done(say.console(), held, others, facts, records.currency)

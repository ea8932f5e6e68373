"""The analyst's commands: questions in SQL, what is on record, and what the columns mean."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from decknet import digits
from decknet.commands import say, say_ask
from decknet.commands.groups import When, grouped
from decknet.commands.options import JsonOpt, StoreArg
from decknet.errors import DecknetError

__all__ = ["add_to"]

WaitOpt = Annotated[
    float,
    typer.Option("--wait", min=0, metavar="SECONDS", help="Try again this long while another program has the store."),
]
OutOpt = Annotated[
    Path | None,
    typer.Option("-o", "--output", metavar="FILE", help="Write the answer: .csv, .json, .parquet or .geojson."),
]
FirstOpt = Annotated[int, typer.Option("--first", min=0, help="Rows to print; 0 for all.")]
RowsOpt = Annotated[int, typer.Option("--rows", min=1, help="Most rows given back.")]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog='Example: decknet query district.duckdb "SELECT deck_id, share_now FROM deck_status LIMIT 9"')(
        query
    )
    app.command(epilog="Example: decknet history district.duckdb --route 'R 1' --since 2020 --material mortar")(history)
    app.command(epilog="Example: decknet columns repair_outcome")(columns)


@grouped
def query(
    store: StoreArg,
    when: When,
    sql: Annotated[str | None, typer.Argument(metavar="SQL", help="One statement that reads.")] = None,
    file: Annotated[
        Path | None,
        typer.Option("-f", "--file", metavar="FILE", help="Read the statement from a file; - is standard input."),
    ] = None,
    question: Annotated[
        str | None, typer.Option("--question", metavar="NAME", help="Run one of the worked questions.")
    ] = None,
    questions: Annotated[bool, typer.Option("--questions", help="List the worked questions.")] = False,
    show: Annotated[bool, typer.Option("--show", help="Print the statement instead of running it.")] = False,
    output: OutOpt = None,
    first: FirstOpt = 40,
    rows: RowsOpt = 100_000,
    seconds: Annotated[float, typer.Option("--seconds", min=0.1, help="Stop a question that takes longer.")] = 60,
    wait: WaitOpt = 0,
    as_json: JsonOpt = False,
) -> None:
    """Ask in SQL over documented views; the store is read and never changed."""
    from decknet import demo, flow
    from decknet.flow import ask

    if questions:
        say_ask.questions(say.console(), [(q.name, q.asks) for q in demo.worked_questions()])
        return
    if sum(x is not None for x in (sql, file, question)) != 1:
        raise typer.BadParameter(
            "say the statement, or -f FILE, or --question NAME; one of the three.", param_hint="SQL"
        )
    text = sql if sql is not None else _read(file) if file is not None else demo.worked_question(str(question)).sql
    if show:
        typer.echo(text.rstrip())
        return
    ask.check_format(output)
    found = ask.query(store, text, asked=when.asked(), settings=when.chosen(), rows=rows, seconds=seconds, wait_s=wait)
    if output is not None:
        flow.write_whole(output, ask.as_file(found, output))
        typer.echo(f"{output}: {say_ask.counted(len(found.frame), 0, found.more, rows)}", err=as_json)
    if as_json:
        said = [{"name": c.name, "unit": c.unit, "meaning": c.meaning} for c in found.columns]
        say.echo_json({"columns": said, "rows": ask.as_rows(found.frame), "more": found.more})
    elif output is None:
        say_ask.answer(say.console(), found, first, rows)


def _read(file: Path) -> str:
    try:
        return sys.stdin.read() if str(file) == "-" else file.read_text(encoding="utf-8-sig")
    except OSError as why:
        raise DecknetError(f"{file}: cannot be read ({why.strerror}). Check the name.") from why
    except UnicodeDecodeError as why:
        raise DecknetError(f"{file}: is not text in UTF-8. Save it as UTF-8.") from why


@dataclass(frozen=True, slots=True)
class Filters:
    """Which events a history is of."""

    route: Annotated[str | None, typer.Option("--route", help="Only this route.")] = None
    district: Annotated[str | None, typer.Option("--district", help="Only this district.")] = None
    since: Annotated[str | None, typer.Option("--since", metavar="DAY", help="From this day or year on.")] = None
    until: Annotated[str | None, typer.Option("--until", metavar="DAY", help="Up to this day or year.")] = None
    event: Annotated[str | None, typer.Option("--event", help="surveyed or repaired.")] = None
    method: Annotated[str | None, typer.Option("--method", help="Surveys by a method, such as chain.")] = None
    treatment: Annotated[str | None, typer.Option("--treatment", help="Repairs of a kind, such as overlay.")] = None
    material: Annotated[str | None, typer.Option("--material", help="Repairs with a material, such as mortar.")] = None
    crew: Annotated[str | None, typer.Option("--crew", help="By a crew.")] = None
    outcome: Annotated[
        str | None,
        typer.Option("--outcome", help="Repairs that failed, held at last look, were not looked at or not followed."),
    ] = None
    over: Annotated[
        float | None, typer.Option("--over", metavar="PERCENT", min=0, max=100, help="Surveys at or over this share.")
    ] = None


@grouped
def history(
    store: StoreArg,
    when: When,
    only: Filters,
    deck: Annotated[
        str | None, typer.Argument(metavar="[DECK]", help="Tell this deck's whole story; a bridge will do.")
    ] = None,
    output: OutOpt = None,
    first: FirstOpt = 60,
    wait: WaitOpt = 0,
    as_json: JsonOpt = False,
) -> None:
    """What was found and done, when, by whom, at what cost, and whether it held; each with its file and line."""
    from decknet import flow
    from decknet.flow import ask
    from decknet.flow import history as of

    ask.check_format(output)
    out, chosen = say.console(), when.chosen()
    filters = of.Filters(
        deck, only.route, only.district, only.since, only.until, only.event, only.method, only.treatment,
        only.material, only.crew, only.outcome, None if only.over is None else only.over / 100,
    )  # fmt: skip
    if deck is not None and len(filters.given()) == 1:
        told = of.deck_story(store, deck, settings=chosen, wait_s=wait)
        if output is not None:
            flow.write_whole(output, ask.as_file(of.as_answer(told), output))
            typer.echo(f"{output}: {digits.count(len(told.events))} events.", err=as_json)
        if as_json:
            who = {"deck_id": told.deck_id, "bridge_id": told.bridge_id, "name": told.name}
            say.echo_json({**who, "events": ask.as_rows(told.events)})
        elif output is None:
            say_ask.story(out, told)
        return
    found = of.found_and_done(store, filters, asked=when.asked(), settings=chosen, wait_s=wait)
    if output is not None:
        flow.write_whole(output, ask.as_file(found, output))
        typer.echo(f"{output}: {digits.count(len(found.frame))} rows.", err=as_json)
    if as_json:
        say.echo_json({"rows": ask.as_rows(found.frame), "sums": of.sums(found.frame)})
    elif output is None:
        if len(found.frame):
            shown, known = of.for_print(found.frame), {c.name: c for c in found.columns}
            say_ask.table(out, shown, [known[n] for n in shown.columns], first)
        out.print(say_ask.counted(len(found.frame), first, found.more, 100_000))
        out.print(of.in_words(of.sums(found.frame), found.currency))


def columns(
    view: Annotated[str | None, typer.Argument(metavar="[VIEW]", help="A view; else all of them are listed.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """What queries can read: the views, and each column's type, unit and meaning."""
    from decknet.columns import RECORDS
    from decknet.columns.views import VIEWS

    if view is not None and view not in VIEWS:
        raise DecknetError(f"columns {view!r}: there is no such view. Known: {', '.join(VIEWS)}.")
    chosen = VIEWS if view is None else {view: VIEWS[view]}
    if as_json:
        rows = {
            name: {
                "meaning": v.meaning,
                "columns": [
                    {"name": c.name, "type": c.kind, "unit": c.unit, "meaning": c.meaning, "choices": list(c.choices)}
                    for c in v.columns
                ],
            }
            for name, v in chosen.items()
        }
        say.echo_json(rows)
    elif view is None:
        known = [(name, len(v.columns), v.meaning) for name, v in VIEWS.items()]
        say_ask.views(say.console(), known, len(VIEWS) - len(RECORDS))
    else:
        say_ask.columns_of(say.console(), view, VIEWS[view].meaning, VIEWS[view].columns)

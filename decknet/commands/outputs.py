"""The commands that write what a reader takes away."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from decknet import digits
from decknet.commands import say
from decknet.commands.options import (
    BudgetOpt,
    EffortOpt,
    FirstYearOpt,
    SecondsOpt,
    SettingsOpt,
    StoreArg,
    TilesOpt,
    TodayOpt,
    YearsOpt,
)  # fmt: skip
from decknet.commands.options import day as day_of
from decknet.commands.options import sums as sums_of
from decknet.commands.progress import REPORT, progress
from decknet.commands.shared import network_of, plan_of, report_of, settings_of

if TYPE_CHECKING:
    pass

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(name="map", epilog="Example: decknet map district.duckdb -o map.html --budget 2000000")(map_)
    app.command(epilog="Example: decknet report district.duckdb --budget 2000000 --save-to reports/2027")(report)
    app.command(epilog="Example: decknet deckpage district.duckdb 01059 -o 01059.pdf")(deckpage)
    app.command(epilog="Example: decknet sheet district.duckdb 01059 06002 -o sheets.pdf")(sheet)
    app.command(epilog="Example: decknet fieldpage district.duckdb 01059 -o deck.html")(fieldpage)


def map_(
    store: StoreArg,
    output: Annotated[Path, typer.Option("-o", "--output", help="The page to write.")] = Path("network_map.html"),
    budget: BudgetOpt = None,
    years: YearsOpt = 5,
    first_year: FirstYearOpt = None,
    effort: EffortOpt = None,
    seconds: SecondsOpt = None,
    tiles: TilesOpt = None,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """The network map: one page that opens in a browser with no network."""
    from decknet import flow
    from decknet.flow import works

    sums = sums_of(budget) if budget is not None else None
    network = network_of(store, settings, today, effort=effort, seconds=seconds)
    made = limits = None
    if sums is not None:
        made, network = plan_of(store, network, sums, years, first_year)
        limits = works.limits_of(store, made.lines["deck_id"].tolist(), settings=network.settings)
    flow.write_whole(output, flow.draw_map(network, made, tiles=tiles, limits=limits).encode("utf-8"))
    drawn = int(network.status.geometry.notna().sum())
    missing = len(network.status) - drawn
    rest = f"; {digits.count(missing)} without a position are not drawn" if missing else ""
    typer.echo(f"{output}: {digits.count(drawn)} decks drawn{rest}.")
    if made is not None:
        say.stopped(made)


def report(
    store: StoreArg,
    budget: BudgetOpt = None,
    years: YearsOpt = 5,
    first_year: FirstYearOpt = None,
    effort: EffortOpt = None,
    seconds: SecondsOpt = None,
    save_to: Annotated[Path, typer.Option("--save-to", help="Folder to write into.")] = Path("reports"),
    paper: Annotated[str, typer.Option(help="Paper of the document: a4 or us-letter.")] = "a4",
    tiles: TilesOpt = None,
    doubt: Annotated[
        bool, typer.Option("--doubt", help="Also say of each line in what part of draws of share and growth it stays.")
    ] = False,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """Everything in a folder: summary, document, map, workbook, deck pages, GIS file, and a page that leads to them."""
    if paper not in {"a4", "us-letter"}:
        raise typer.BadParameter(f"{paper!r} is not a paper known here. Say a4 or us-letter.", param_hint="--paper")
    sums = sums_of(budget)
    with progress(REPORT) as step:
        step("Reading the records")
        network = network_of(store, settings, today, effort=effort, seconds=seconds)
        written, made, _ = report_of(
            store, network, sums, years, first_year, save_to, tiles=tiles, paper=paper, doubt=doubt, step=step
        )  # fmt: skip
    for what, path in written.files.items():
        typer.echo(f"{what}: {path}")
    say.stopped(made)
    if written.same:
        typer.echo(f"Every file is as it was (figures of {written.since or network.today}).")
        return
    if written.since is not None:
        typer.echo(f"Since the run with figures of {written.since}:")
    for line in written.changes:
        typer.echo(f"  {line}" if written.since is not None else line)
    if written.differ:
        typer.echo(f"Files that differ: {', '.join(written.differ)}.")


def deckpage(
    store: StoreArg,
    decks: Annotated[list[str], typer.Argument(metavar="DECK...", help="The decks, by number.")],
    output: Annotated[Path, typer.Option("-o", "--output", help="The PDF to write.")] = Path("deck_page.pdf"),
    programme: Annotated[
        str | None, typer.Option("--programme", metavar="NAME", help="A kept programme; else the last one kept.")
    ] = None,
    budget: BudgetOpt = None,
    years: YearsOpt = 5,
    first_year: FirstYearOpt = None,
    effort: EffortOpt = None,
    seconds: SecondsOpt = None,
    paper: Annotated[str, typer.Option(help="Paper: a4 or us-letter.")] = "a4",
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """All that is known of a deck: plans by survey, history, forecast, what is planned, limits; one PDF.

    What is planned comes from a kept programme, or with --budget from one made for that money.
    """
    from decknet import flow
    from decknet.flow import deck

    if paper not in {"a4", "us-letter"}:
        raise typer.BadParameter(f"{paper!r} is not a paper known here. Say a4 or us-letter.", param_hint="--paper")
    if programme is not None and budget is not None:
        raise typer.BadParameter("give either --programme or --budget, not both.", param_hint="--budget")
    network = network_of(store, settings, today, effort=effort, seconds=seconds)
    if budget is None:
        planned = deck.kept_lines(store, programme, settings=network.settings)
    else:
        made, network = plan_of(store, network, sums_of(budget), years, first_year)
        planned = deck.planned_by(made, f"a programme for {budget} {network.settings.currency} a year")
        say.stopped(made)
    chosen = list(dict.fromkeys(decks))
    flow.write_whole(output, deck.deck_pages(store, chosen, network, planned, paper=paper))
    typer.echo(f"{output}: {len(chosen)} {'deck' if len(chosen) == 1 else 'decks'}.")


def sheet(
    store: StoreArg,
    decks: Annotated[list[str] | None, typer.Argument(metavar="[DECK...]", help="The decks, by number.")] = None,
    worst: Annotated[
        int | None, typer.Option("--worst", min=1, help="Instead: the foremost decks by rank that were drawn.")
    ] = None,
    programme: Annotated[
        str | None,
        typer.Option("--programme", metavar="NAME", help="Instead: the decks of a kept programme, with --year."),
    ] = None,
    year: Annotated[int | None, typer.Option("--year", help="The year of that programme.")] = None,
    output: Annotated[Path, typer.Option("-o", "--output", help="The PDF to write.")] = Path("crew_sheets.pdf"),
    paper: Annotated[str, typer.Option(help="Paper: a4 or us-letter.")] = "a4",
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """Crew sheets: plan, limits to saw, quantities, steps, cautions and the return; one PDF."""
    from decknet import flow
    from decknet.flow import planning, works

    if paper not in {"a4", "us-letter"}:
        raise typer.BadParameter(f"{paper!r} is not a paper known here. Say a4 or us-letter.", param_hint="--paper")
    if bool(decks) + (worst is not None) + (programme is not None) != 1 or (programme is None) != (year is None):
        raise typer.BadParameter(
            "name the decks, or say --worst 3, or --programme NAME --year 2027; one of the three.", param_hint="DECK"
        )
    day, chosen, passed, planned = day_of(today), settings_of(settings), 0, None
    if worst is not None:
        decks, passed = works.worst_decks(store, worst, today=day, settings=chosen)
    elif programme is not None and year is not None:
        decks, passed = works.programme_decks(store, programme, year, settings=chosen)
        planned = planning.planned_closures(store, programme, year)
    data, made = works.sheets(store, decks or [], today=day, settings=chosen, paper=paper, planned=planned)
    flow.write_whole(output, data)
    typer.echo(f"{output}:")
    for deck, one in made.items():
        area, cut = one.limits["area_m2"].sum(), one.limits["saw_cut_m"].sum()
        typer.echo(
            f"  {deck}: {len(one.limits)} limits, {digits.set_out(area)} m² to break out, {digits.set_out(cut)} m to "
            "saw."
        )
    if passed:
        typer.echo(f"  {passed} decks were passed over: their last survey drew no areas, or stands no longer.")


def fieldpage(
    store: StoreArg,
    deck: Annotated[str, typer.Argument(metavar="DECK", help="The deck, by number.")],
    output: Annotated[Path, typer.Option("-o", "--output", help="The page to write.")] = Path("deck.html"),
    step: Annotated[float, typer.Option("--step", help="Corners fall on whole steps of this many metres.")] = 0.1,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """A page to draw a survey on, on a tablet with no network; what it saves is brought in by decknet load."""
    from decknet import flow
    from decknet.flow import works

    page = works.field_page(store, deck, today=day_of(today), settings=settings_of(settings), step_m=step)
    flow.write_whole(output, page.encode("utf-8"))
    typer.echo(f"{output}: open it in a browser. Bring what it saves in with: decknet load {store} FILE")

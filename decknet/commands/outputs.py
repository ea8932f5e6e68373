"""The commands that write what a reader takes away."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from decknet import digits
from decknet.commands import say
from decknet.commands.groups import Asked, When, grouped
from decknet.commands.options import StoreArg, TilesOpt
from decknet.commands.progress import REPORT, ProgressOpt, progress

if TYPE_CHECKING:
    from decknet.flow import Study

__all__ = ["add_to"]

PaperOpt = Annotated[str, typer.Option("--paper", help="Paper: a4 or us-letter.")]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(name="map", epilog="Example: decknet map district.duckdb -o map.html --programme agreed")(map_)
    app.command(epilog="Example: decknet report district.duckdb --budget 2000000 --save-to reports/2027")(report)
    app.command(epilog="Example: decknet deckpage district.duckdb 01026 -o 01026.pdf")(deckpage)
    app.command(epilog="Example: decknet sheet district.duckdb 01026 06002 -o sheets.pdf")(sheet)
    app.command(epilog="Example: decknet fieldpage district.duckdb 01026 -o deck.html")(fieldpage)


def _check_paper(paper: str) -> None:
    if paper not in {"a4", "us-letter"}:
        raise typer.BadParameter(f"{paper!r} is not a paper known here. Say a4 or us-letter.", param_hint="--paper")


@grouped
def map_(
    store: StoreArg,
    asked: Asked,
    when: When,
    output: Annotated[Path, typer.Option("-o", "--output", help="The page to write.")] = Path("network_map.html"),
    tiles: TilesOpt = None,
) -> None:
    """The network map: one page that opens in a browser with no network."""
    from decknet import flow

    asked.check(needed=False)
    condition = when.condition(store, programmes=asked.names())
    found = asked.study(condition) if asked.anything() else None
    flow.write_whole(output, flow.draw_map(condition, found, tiles=tiles).encode("utf-8"))
    drawn = int(condition.status.geometry.notna().sum())
    missing = len(condition.status) - drawn
    rest = f"; {digits.count(missing)} without a position are not drawn" if missing else ""
    typer.echo(f"{output}: {digits.counted(drawn, 'deck')} drawn{rest}.")
    if found is not None:
        typer.echo(found.told())
        say.stopped(found.made)


@grouped
def report(
    store: StoreArg,
    asked: Asked,
    when: When,
    save_to: Annotated[Path, typer.Option("--save-to", help="Folder to write into.")] = Path("reports"),
    paper: PaperOpt = "a4",
    tiles: TilesOpt = None,
    doubt: Annotated[
        bool, typer.Option("--doubt", help="Also say of each line in what part of draws of share and growth it stays.")
    ] = False,
    timed: ProgressOpt = False,
) -> None:
    """Everything in a folder: summary, document, map, workbook, deck pages, GIS file, and a page that leads to them."""
    from decknet import flow
    from decknet.flow.programme import in_doubt

    _check_paper(paper)
    asked.check()
    with progress(REPORT, timed=timed) as step:
        condition = when.condition(store, programmes=asked.names(), step=step)
        step("Choosing the programme")
        found = asked.study(condition)
        if doubt and found.kept is None:
            step("Choosing it anew for each draw")
            found, _ = in_doubt(found)
        written = flow.report(found, save_to, tiles=tiles, paper=paper, step=step)
    for what, path in written.files.items():
        typer.echo(f"{what}: {path}")
    typer.echo(found.told())
    say.stopped(found.made)
    if written.same:
        typer.echo(f"Every file is as it was (figures of {written.since or condition.today}).")
        return
    if written.since is not None:
        typer.echo(f"Since the run with figures of {written.since}:")
    for line in written.changes:
        typer.echo(f"  {line}" if written.since is not None else line)
    if written.differ:
        typer.echo(f"Files that differ: {', '.join(written.differ)}.")


@grouped
def deckpage(
    store: StoreArg,
    decks: Annotated[list[str], typer.Argument(metavar="DECK...", help="The decks, by number.")],
    asked: Asked,
    when: When,
    output: Annotated[Path, typer.Option("-o", "--output", help="The PDF to write.")] = Path("deck_page.pdf"),
    paper: PaperOpt = "a4",
) -> None:
    """All that is known of a deck: plans by survey, history, forecast, what is planned, limits; one PDF.

    What is planned comes from the programme that is asked for; where none is, from the last one kept.
    """
    from decknet import flow
    from decknet.flow import deck

    _check_paper(paper)
    asked.check(needed=False)
    condition = when.condition(store, programmes=None)
    if asked.anything():
        found: Study | None = asked.study(condition)
    else:
        standing = condition.records.programmes
        standing = standing[standing["withdrawn_at"].isna()]
        found = flow.kept_study(condition, str(standing["name"].iloc[-1])) if len(standing) else None
    chosen = list(dict.fromkeys(decks))
    flow.write_whole(output, deck.deck_pages(condition, chosen, found, paper=paper))
    typer.echo(f"{output}: {digits.counted(len(chosen), 'deck')}.")
    if found is not None:
        say.stopped(found.made)


@grouped
def sheet(
    store: StoreArg,
    asked: Asked,
    when: When,
    decks: Annotated[list[str] | None, typer.Argument(metavar="[DECK...]", help="The decks, by number.")] = None,
    worst: Annotated[
        int | None, typer.Option("--worst", min=1, help="Instead: the foremost decks by rank that were drawn.")
    ] = None,
    year: Annotated[
        int | None, typer.Option("--year", help="Instead: the decks of this year of the programme that is asked for.")
    ] = None,
    output: Annotated[Path, typer.Option("-o", "--output", help="The PDF to write.")] = Path("crew_sheets.pdf"),
    paper: PaperOpt = "a4",
) -> None:
    """Crew sheets: plan, limits to saw, quantities, steps, cautions and the return; one PDF."""
    from decknet import flow
    from decknet.flow import works

    _check_paper(paper)
    asked.check(needed=False)
    of_year = asked.anything() and year is not None
    if bool(decks) + (worst is not None) + of_year != 1 or asked.anything() != (year is not None):
        raise typer.BadParameter(
            "name the decks, or say --worst 3, or --programme NAME --year 2027; one of the three.", param_hint="DECK"
        )
    condition = when.condition(store, programmes=asked.names())
    passed, planned = 0, None
    if worst is not None:
        decks, passed = works.worst_decks(condition, worst)
    elif year is not None:
        found = asked.study(condition)
        decks, passed = works.programme_decks(found, year)
        planned = works.planned_closures(found, year)
    data, made = works.sheets(condition, decks or [], paper=paper, planned=planned)
    flow.write_whole(output, data)
    typer.echo(f"{output}:")
    for deck, one in made.items():
        area, cut = one.limits["area_m2"].sum(), one.limits["saw_cut_m"].sum()
        typer.echo(
            f"  {deck}: {digits.counted(len(one.limits), 'limit')}, {digits.set_out(area)} m² to break out, "
            f"{digits.set_out(cut)} m to saw."
        )
    if passed:
        typer.echo(f"  {digits.counted(passed, 'deck')} passed over: nothing that still stands is drawn there.")


@grouped
def fieldpage(
    store: StoreArg,
    deck: Annotated[str, typer.Argument(metavar="DECK", help="The deck, by number.")],
    when: When,
    output: Annotated[Path, typer.Option("-o", "--output", help="The page to write.")] = Path("deck.html"),
    step: Annotated[float, typer.Option("--step", help="Corners fall on whole steps of this many metres.")] = 0.1,
) -> None:
    """A page to draw a survey on, on a tablet with no network; what it saves is brought in by decknet load."""
    from decknet import flow
    from decknet.flow import works

    page = works.field_page(when.condition(store), deck, step_m=step)
    flow.write_whole(output, page.encode("utf-8"))
    typer.echo(f"{output}: open it in a browser. Bring what it saves in with: decknet load {store} FILE")

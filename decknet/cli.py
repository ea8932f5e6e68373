"""The commands: arguments in, text and exit code out.

Nothing heavy is imported at the top, so that help answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from decknet import cli_programme, say
from decknet.errors import DecknetError
from decknet.options import (
    BudgetOpt,
    ByOpt,
    CsvOpt,
    FirstYearOpt,
    JsonOpt,
    SettingsOpt,
    SoundOpt,
    StoreArg,
    TilesOpt,
    TodayOpt,
    UnsureOpt,
    WeightOpt,
    WeightsOpt,
    YearsOpt,
    with_weights,
)  # fmt: skip
from decknet.options import day as _day
from decknet.options import stated as _stated
from decknet.options import sums as _sums

if TYPE_CHECKING:
    from decknet.flow import Network
    from decknet.schedule import Programme
    from decknet.settings import Settings

__all__ = ["main"]

app = typer.Typer(
    help="Bridge-deck surveys and repairs in; a ranked network map and a budgeted repair programme out.",
    epilog="Start with: decknet demo",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command.

    Returns
    -------
    int
        0 fine, 1 the data is refused, 2 the command was misused.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure") and (stream.encoding or "").lower() not in {"utf-8", "utf8"}:
            stream.reconfigure(errors="replace")
    try:
        app(args=list(argv) if argv is not None else None, prog_name="decknet")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except DecknetError as why:
        typer.echo(f"decknet: {why}", err=True)
        return 1
    return 0


# ---- helpers --------------------------------------------------------------------------------------


def _settings(path: Path | None) -> Settings:
    from decknet.settings import load_settings

    return load_settings(path)


def _network(store: Path, settings: Path | None, today: str | None) -> Network:
    from decknet import flow

    return flow.read_network(store, today=_day(today), settings=_settings(settings))


def _plan(
    store: Path, network: Network, sums: list[float], years: int, first_year: int | None
) -> tuple[Programme, Network]:
    from decknet import flow, planning

    first = first_year or network.today.year + 1
    network, drawn, _ = planning.with_works(store, network)
    return planning.plan(network, flow.budgets_for(sums, years), first_year=first, drawn=drawn), network


# ---- records in -----------------------------------------------------------------------------------


@app.command(epilog="Example: decknet new district.duckdb --title 'North district'")
def new(
    store: StoreArg,
    title: Annotated[str | None, typer.Option(help="What the district is called; shown on every output.")] = None,
    currency: Annotated[str, typer.Option(help="Currency of costs and budgets.")] = "USD",
) -> None:
    """Make a new, empty store."""
    from decknet import flow

    flow.create(store, title=title or store.stem, currency=currency, now=datetime.now())
    typer.echo(f"{store}: made. Bring records in with: decknet load {store} FILE")


@app.command(epilog="Example: decknet load district.duckdb bridges.csv surveys.xlsx defects.gpkg")
def load(
    store: StoreArg,
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...",
            help="Delimited text, XLSX, XLS, ODS, GeoJSON, GeoPackage, shapefile, KML, DXF, FlatGeobuf, Parquet; a "
            "folder or a .zip of these; or an open national format.",
        ),
    ],
    kind: Annotated[
        str | None,
        typer.Option(
            "--as",
            help="Kind of record, where it is not recognised: bridge, deck, traffic, survey, defect, repair, "
            "rating, base or national.",
        ),
    ] = None,
    mapping: Annotated[Path | None, typer.Option("--map", help="A TOML file that says which column is which.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would be done and write nothing.")] = False,
    every: Annotated[
        bool, typer.Option("--all", help="List every row refused or flagged, not the first of each kind.")
    ] = False,
    dates: Annotated[
        str | None, typer.Option("--dates", help="Order in dates: day-first, month-first or year-first.")
    ] = None,
    decimal: Annotated[str | None, typer.Option("--decimal", help="Decimal mark of numbers: dot or comma.")] = None,
    crs: Annotated[
        str | None,
        typer.Option("--crs", help="Coordinate system of shapes and positions, such as EPSG:32633; or deck."),
    ] = None,
    fixed: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="COLUMN=VALUE",
            help="Value of a column that the file lacks, such as survey_date=2026-05-12.",
        ),
    ] = None,
    save_map: Annotated[
        Path | None, typer.Option("--save-map", metavar="FILE", help="Write the mapping used, for --map.")
    ] = None,
    settings: SettingsOpt = None,
) -> None:
    """Bring records in. Ends with 1 if any row was refused."""
    from decknet import flow

    out = say.console()
    refused = False
    options = _stated(dates, decimal, crs, fixed)
    maps = []
    for loaded in flow.load(
        store, files, kind=kind, mapping=mapping, options=options, dry_run=dry_run, settings=_settings(settings),
        now=datetime.now(), who=flow.who_am_i(),
    ):  # fmt: skip
        refused |= say.loaded(out, loaded, store, dry_run=dry_run, every=every)
        maps += [loaded] if loaded.reading is not None else []
    if save_map is not None:
        if len(maps) != 1:
            raise DecknetError(f"--save-map: {len(maps)} files were read, and a mapping is of one. Name one file.")
        flow.save_mapping(save_map, maps[0])
        typer.echo(f"{save_map}: the mapping used. Bring the next such file in with: --map {save_map}")
    raise typer.Exit(1 if refused else 0)


@app.command(epilog="Example: decknet undo district.duckdb 3")
def undo(
    store: StoreArg, intake: Annotated[int, typer.Argument(help="Number of the intake, as decknet intakes lists it.")]
) -> None:
    """Take an intake back whole. Its rows stay readable but count no longer."""
    from decknet import flow

    flow.undo(store, intake, now=datetime.now(), who=flow.who_am_i())
    typer.echo(f"Intake {intake}: taken back.")


@app.command(epilog="Example: decknet intakes district.duckdb 3")
def intakes(
    store: StoreArg,
    intake: Annotated[int | None, typer.Argument(help="Show what was refused or flagged in this one.")] = None,
    still_open: Annotated[bool, typer.Option("--open", help="List what no later file has put right.")] = False,
    as_json: JsonOpt = False,
) -> None:
    """List the files brought in; of one of them, every row refused, flagged or set aside."""
    from decknet import clerk, flow

    out = say.console()
    if still_open:
        left = clerk.open_entries(store)
        left = left if intake is None else left[left["intake_id"] == intake]
        if as_json:
            say.echo_json({"open": say.plain(left)})
        else:
            say.faults(out, left, every=True, number=intake, store=store)
            out.print(f"{len(left):,} entries are open.")
        return
    frame = flow.intake_log(store) if intake is None else flow.intake_faults(store, intake)
    if as_json:
        say.echo_json({"intakes" if intake is None else "faults": say.plain(frame)})
    elif intake is None:
        say.intakes(out, frame)
    else:
        say.faults(out, frame, every=True, number=intake, store=store)
        for r in frame[frame["severity"] == "refuse"].itertuples():
            out.print(f"  Line {r.line} as it stood: {r.row}")


@app.command(epilog="Example: decknet check district.duckdb -o to_check.xlsx")
def check(
    store: StoreArg,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="Write the list as a workbook to work through.")
    ] = None,
    today: TodayOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """What looks wrong in what is stored, and what was refused and is still open."""
    from decknet import clerk, flow

    found = clerk.check(store, today=_day(today))
    if as_json:
        say.echo_json({"stored": say.plain(found.stored), "open": say.plain(found.waiting)})
    else:
        say.check(say.console(), found, store)
    if output is not None:
        flow.write_whole(output, clerk.list_of(found, today=_day(today)))
        typer.echo(f"{output}: the list, with room to write what was done.", err=as_json)


@app.command(epilog="Example: decknet forms blank_sheets")
def forms(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to write the blank sheets into.")],
) -> None:
    """Write blank sheets to fill in; what comes back is brought in by decknet load."""
    from decknet import clerk

    for path in clerk.write_forms(folder):
        typer.echo(f"{path}: blank, to fill in.")


@app.command(epilog="Example: decknet export district.duckdb --as geopackage -o records.gpkg")
def export(
    store: StoreArg,
    form: Annotated[
        str,
        typer.Option(
            "--as",
            metavar="FORMAT",
            help="national, national-fixed, elements, successor, csv (a folder of tables) or geopackage.",
        ),
    ],
    output: Annotated[Path | None, typer.Option("-o", "--output", help="File, or folder for csv, to write.")] = None,
    state: Annotated[str, typer.Option(help="Code of the state, for the national formats.")] = "",
) -> None:
    """Write what the store holds in an open format, and say what the format cannot carry."""
    from decknet import exchange

    made = exchange.export(store, form, output, state=state)
    for path in made.paths:
        typer.echo(f"{path}: written.")
    for note in made.notes:
        typer.echo(f"  {note}")


# ---- answers --------------------------------------------------------------------------------------


@app.command(epilog="Example: decknet rank district.duckdb --first 30")
def rank(
    store: StoreArg,
    first: Annotated[int, typer.Option("--first", min=0, help="Decks to print; 0 for all.")] = 20,
    weight: WeightOpt = None,
    weights: WeightsOpt = None,
    by: ByOpt = None,
    unsure: UnsureOpt = None,
    sound: SoundOpt = 0,
    csv: CsvOpt = None,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Rank decks by unsound share, growth and traffic: the reasons, how sure it is, and what would change it."""
    from decknet import flow

    changed = with_weights(_settings(settings), weight, weights, by, unsure)
    network = flow.read_network(store, today=_day(today), settings=changed)
    if csv:
        flow.write_whole(csv, say.as_csv(network.status.drop(columns="geometry")))
        typer.echo(f"{csv}: {len(network.status):,} decks written.", err=as_json)
    moves, soundings = flow.weight_ranges(network), flow.next_soundings(network)
    if as_json:
        parts = {"act_now": network.urgent, "decks": network.status.drop(columns="geometry"), "weights": moves}
        say.echo_json({k: say.plain(v) for k, v in {**parts, "soundings": soundings}.items()})
    else:
        say.ranking(say.console(), network, first, moves)
        say.soundings(say.console(), network, soundings, sound)


cli_programme.add_to(app)


@app.command(name="map", epilog="Example: decknet map district.duckdb -o map.html --budget 2000000")
def map_(
    store: StoreArg,
    output: Annotated[Path, typer.Option("-o", "--output", help="The page to write.")] = Path("network_map.html"),
    budget: BudgetOpt = None,
    years: YearsOpt = 5,
    first_year: FirstYearOpt = None,
    tiles: TilesOpt = None,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """The network map: one page that opens in a browser with no network."""
    from decknet import flow

    sums = _sums(budget) if budget is not None else None
    network = _network(store, settings, today)
    made = None
    if sums is not None:
        made, network = _plan(store, network, sums, years, first_year)
    flow.write_whole(output, flow.draw_map(network, made, tiles=tiles).encode("utf-8"))
    drawn = int(network.status.geometry.notna().sum())
    missing = len(network.status) - drawn
    rest = f"; {missing:,} without a position are not drawn" if missing else ""
    typer.echo(f"{output}: {drawn:,} decks drawn{rest}.")


@app.command(epilog="Example: decknet report district.duckdb --budget 2000000 --save-to reports/2027")
def report(
    store: StoreArg,
    budget: BudgetOpt = None,
    years: YearsOpt = 5,
    first_year: FirstYearOpt = None,
    save_to: Annotated[Path, typer.Option("--save-to", help="Folder to write into.")] = Path("reports"),
    paper: Annotated[str, typer.Option(help="Paper of the document: a4 or us-letter.")] = "a4",
    tiles: TilesOpt = None,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """Map, workbook, document and GIS file in a folder."""
    from decknet import flow, works

    if paper not in {"a4", "us-letter"}:
        raise typer.BadParameter(f"{paper!r} is not a paper known here. Say a4 or us-letter.", param_hint="--paper")
    sums = _sums(budget)
    network = _network(store, settings, today)
    made, network = _plan(store, network, sums, years, first_year)
    limits = works.limits_of(store, made.lines["deck_id"].tolist(), settings=network.settings)
    for what, path in flow.report(network, made, save_to, limits=limits, tiles=tiles, paper=paper).items():
        typer.echo(f"{what}: {path}")


@app.command(epilog="Example: decknet sheet district.duckdb 01059 06002 -o sheets.pdf")
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
    from decknet import flow, works

    if paper not in {"a4", "us-letter"}:
        raise typer.BadParameter(f"{paper!r} is not a paper known here. Say a4 or us-letter.", param_hint="--paper")
    if bool(decks) + (worst is not None) + (programme is not None) != 1 or (programme is None) != (year is None):
        raise typer.BadParameter(
            "name the decks, or say --worst 3, or --programme NAME --year 2027; one of the three.", param_hint="DECK"
        )
    day, chosen, passed = _day(today), _settings(settings), 0
    if worst is not None:
        decks, passed = works.worst_decks(store, worst, today=day, settings=chosen)
    elif programme is not None and year is not None:
        decks, passed = works.programme_decks(store, programme, year, settings=chosen)
    data, made = works.sheets(store, decks or [], today=day, settings=chosen, paper=paper)
    flow.write_whole(output, data)
    typer.echo(f"{output}:")
    for deck, one in made.items():
        area, cut = one.limits["area_m2"].sum(), one.limits["saw_cut_m"].sum()
        typer.echo(f"  {deck}: {len(one.limits)} limits, {area:.2f} m² to break out, {cut:.2f} m to saw.")
    if passed:
        typer.echo(f"  {passed} decks were passed over: their last survey drew no areas, or stands no longer.")


@app.command(epilog="Example: decknet fieldpage district.duckdb 01059 -o deck.html")
def fieldpage(
    store: StoreArg,
    deck: Annotated[str, typer.Argument(metavar="DECK", help="The deck, by number.")],
    output: Annotated[Path, typer.Option("-o", "--output", help="The page to write.")] = Path("deck.html"),
    step: Annotated[float, typer.Option("--step", help="Corners fall on whole steps of this many metres.")] = 0.1,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
) -> None:
    """A page to draw a survey on, on a tablet with no network; what it saves is brought in by decknet load."""
    from decknet import flow, works

    page = works.field_page(store, deck, today=_day(today), settings=_settings(settings), step_m=step)
    flow.write_whole(output, page.encode("utf-8"))
    typer.echo(f"{output}: open it in a browser. Bring what it saves in with: decknet load {store} FILE")


@app.command(epilog="Example: decknet growth district.duckdb --check")
def growth(
    store: StoreArg,
    check: Annotated[
        bool, typer.Option("--check", help="Instead: hide surveys, predict them, and hold the two together.")
    ] = False,
    ratings: Annotated[
        bool, typer.Option("--ratings", help="Instead: how deck ratings worsen, where there are few surveys.")
    ] = False,
    first: Annotated[int, typer.Option("--first", min=0, help="Decks to print; 0 for all.")] = 20,
    deck: Annotated[str | None, typer.Option("--deck", metavar="DECK", help="Draw this deck into --output.")] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="SVG to write: the deck's fan, or with --check its honesty.")
    ] = None,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """What each deck will do if nothing is done, with 10 and 90 % quantiles; or how past forecasts came out."""
    from decknet import flow, forecast

    if output is not None and deck is None and not check:
        raise typer.BadParameter("say which drawing: --deck 01059, or --check.", param_hint="--output")
    chosen, out = _settings(settings), say.console()
    if ratings:
        states = forecast.condition_states(store, settings=chosen)
        if as_json:
            say.echo_json({"ratings": say.plain(states)})
        else:
            say.condition_states(out, states)
        return
    if check:
        test, words = forecast.check_growth(store, settings=chosen)
        if as_json:
            tables = {by or "all": say.plain(test.table(by)) for by in (None, "trial", "family", "horizon")}
            say.echo_json({"verdict": words, **tables, "worst": say.plain(test.worst())})
        else:
            say.growth_check(out, test, words)
        data = forecast.draw_check(test) if output else b""
    else:
        made = forecast.forecast_growth(store, today=_day(today), settings=chosen)
        if as_json:
            say.echo_json({"decks": say.plain(made.decks), "families": say.plain(made.growth.families_table())})
        else:
            say.growth(out, made, first, chosen.urgent.danger_share)
        data = forecast.draw_deck(made, deck or "") if output else b""
    if output is not None:
        flow.write_whole(output, data)
        typer.echo(f"{output}: drawn.", err=as_json)


@app.command(epilog="Example: decknet survival district.duckdb --by material")
def survival(
    store: StoreArg,
    by: Annotated[
        str | None, typer.Option("--by", help="Compare by: material, depth, season, temperature or crew.")
    ] = None,
    output: Annotated[Path | None, typer.Option("-o", "--output", help="SVG of the curves to write.")] = None,
    settings: SettingsOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Did patches hold? Each is followed through later surveys; curves by material, depth, season and so on."""
    from decknet import flow, forecast

    if by is not None and by not in forecast.GROUPS:
        raise typer.BadParameter(f"{by!r} is not a group. Say {', '.join(forecast.GROUPS)}.", param_hint="--by")
    chosen = _settings(settings)
    answer = forecast.held(store, by=by, settings=chosen)
    if as_json:
        rows = {"groups": say.plain(answer.table), "patches": say.plain(answer.followed)}
        say.echo_json({"counts": answer.counts, **rows})
    else:
        say.survival(say.console(), answer)
    if output is not None:
        flow.write_whole(output, forecast.draw_held(answer, chosen))
        typer.echo(f"{output}: drawn.", err=as_json)


@app.command(epilog="Example: decknet demo")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder to write into.")] = Path("reports/demo"),
    budget: Annotated[str, typer.Option("--budget", metavar="SUM[,SUM...]", help="Money for each year.")] = "1500000",
    years: YearsOpt = 5,
) -> None:
    """See it work on an invented district: records in, ranking, programme, map, report."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from decknet import flow, works
    from decknet.demo import FILES, TODAY, demo_folder

    out, sums = say.console(), _sums(budget)
    store = folder / "demo.duckdb"
    files = [demo_folder() / name for name in FILES]
    folder.mkdir(parents=True, exist_ok=True)
    for old in (store, store.with_name(store.name + ".wal")):
        old.unlink(missing_ok=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    loads = []
    with Progress(*columns, console=out, transient=True) as progress:
        task = progress.add_task("Making the store", total=len(files) + 6)
        now = datetime.combine(TODAY, datetime.min.time())
        flow.create(store, title="Invented demo district", currency="USD", now=now)
        for loaded in flow.load(store, files, now=now, who="demo"):
            loads.append(loaded)
            progress.update(task, advance=1, description=f"Brought in {loaded.path.name}")
        progress.update(task, description="Ranking")
        network = flow.read_network(store, today=TODAY, settings=_settings(None))
        progress.update(task, advance=1, description="Choosing the programme")
        made, network = _plan(store, network, sums, years, None)
        progress.update(task, advance=1, description="Setting out repair limits")
        limits = works.limits_of(store, made.lines["deck_id"].tolist(), settings=network.settings)
        written = flow.report(
            network,
            made,
            folder,
            limits=limits,
            done=lambda what: progress.update(task, advance=1, description=f"Wrote the {what}"),
        )
    for loaded in loads:
        if loaded.reading is None:
            raise DecknetError(loaded.error)
        refused = int((loaded.reading.faults["severity"] == "refuse").sum())
        told = f", {refused} refused on purpose" if refused else ""
        out.print(f"{loaded.path.name}: {loaded.reading.rows_read:,} rows, {loaded.reading.rows_kept:,} kept{told}")
    out.print("\nThree facts that matter (an invented district: every name and figure is made up)")
    say.facts(out, network, made)
    out.print("\nOpen:")
    for what, path in written.items():
        out.print(f"  {what}: {path}")
    out.print(f"  the store, to ask yourself: decknet rank {store}")


@app.command(epilog="Example: decknet bench growth --decks 20000")
def bench(
    what: Annotated[
        Literal["district", "load", "limits", "growth", "ranking", "programme"],
        typer.Argument(
            metavar="[WHAT]", help="district (files to everything), load, limits, growth, ranking or programme."
        ),
    ] = "district",
    decks: Annotated[int, typer.Option(min=10, help="Decks in the made-up network.")] = 3000,
    years: Annotated[int, typer.Option(min=2, max=60, help="Years of records.")] = 15,
) -> None:
    """Measure speed, and how good the forecasts are, on made-up records, step by step."""
    from decknet import bench as measure

    sizes = {"decks": decks} if what in {"limits", "ranking"} else {"decks": decks, "years": years}
    sizes = {} if what in {"programme", "load"} else sizes
    steps = getattr(measure, what)(**sizes)
    for step, seconds, note in steps:
        typer.echo(f"{step:<42} {f'{seconds:9.2f} s' if seconds else ' ' * 11}  {note}")

"""The commands: arguments in, text and exit code out.

Nothing heavy is imported at the top, so that help answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from decknet import say
from decknet.errors import DecknetError

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
FirstYearOpt = Annotated[int | None, typer.Option("--first-year", help="First year of the programme; else next year.")]
TilesOpt = Annotated[
    str | None,
    typer.Option(
        "--tiles",
        metavar="URL",
        help="Add a background from a tile server, as https://…/{z}/{x}/{y}.png; needs a network.",
    ),
]


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


def _day(text: str | None) -> date:
    if text is None:
        return date.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a day. Write it as 2026-11-25.", param_hint="--today") from None


def _sums(text: str | None) -> list[float]:
    if text is None:
        raise typer.BadParameter("say how much money there is a year, as --budget 2000000.", param_hint="--budget")
    try:
        return [float(part.replace("_", "").replace(" ", "")) for part in text.split(",")]
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is not a sum of money, or sums split by commas. Write 2000000 or 2000000,1500000.",
            param_hint="--budget",
        ) from None


def _settings(path: Path | None) -> Settings:
    from decknet.settings import load_settings

    return load_settings(path)


def _network(store: Path, settings: Path | None, today: str | None) -> Network:
    from decknet import flow

    return flow.read_network(store, today=_day(today), settings=_settings(settings))


def _plan(
    network: Network, sums: list[float], years: int, first_year: int | None
) -> tuple[Programme, list[float], int]:
    from decknet import flow

    first = first_year or network.today.year + 1
    budgets = flow.budgets_for(sums, years)
    return flow.plan(network, budgets, first_year=first), budgets, first


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
            metavar="FILE...", help="CSV, XLSX, GeoJSON, GeoPackage, Parquet; or a national inventory file."
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
) -> None:
    """Bring records in. Ends with 1 if any row was refused."""
    from decknet import flow

    out = say.console()
    refused = False
    for loaded in flow.load(
        store, files, kind=kind, mapping=mapping, dry_run=dry_run, now=datetime.now(), who=flow.who_am_i()
    ):
        refused |= say.loaded(out, loaded, store, dry_run=dry_run, every=every)
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
    as_json: JsonOpt = False,
) -> None:
    """List the files brought in; of one of them, every row refused, flagged or set aside."""
    from decknet import flow

    out = say.console()
    frame = flow.intake_log(store) if intake is None else flow.intake_faults(store, intake)
    if as_json:
        say.echo_json({"intakes" if intake is None else "faults": say.plain(frame)})
    elif intake is None:
        say.intakes(out, frame)
    else:
        say.faults(out, frame, every=True, number=intake, store=store)
        for r in frame[frame["severity"] == "refuse"].itertuples():
            out.print(f"  Line {r.line} as it stood: {r.row}")


# ---- answers --------------------------------------------------------------------------------------


@app.command(epilog="Example: decknet rank district.duckdb --first 30")
def rank(
    store: StoreArg,
    first: Annotated[int, typer.Option("--first", min=0, help="Decks to print; 0 for all.")] = 20,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Rank decks by unsound share, growth and traffic, with the reasons."""
    network = _network(store, settings, today)
    if as_json:
        decks = say.plain(network.status.drop(columns="geometry"))
        say.echo_json({"decks": decks, "act_now": say.plain(network.urgent)})
    else:
        say.ranking(say.console(), network, first)


@app.command(epilog="Example: decknet programme district.duckdb --budget 2000000 --years 5")
def programme(
    store: StoreArg,
    budget: BudgetOpt = None,
    years: YearsOpt = 5,
    first_year: FirstYearOpt = None,
    save: Annotated[str | None, typer.Option("--save", metavar="NAME", help="Keep the programme in the store.")] = None,
    settings: SettingsOpt = None,
    today: TodayOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """The repair programme that the money buys, year by year."""
    sums = _sums(budget)
    network = _network(store, settings, today)
    made, budgets, first = _plan(network, sums, years, first_year)
    if as_json:
        answer = {name: say.plain(getattr(made, name)) for name in ("lines", "years", "waiting")}
        say.echo_json({**answer, "facts": made.facts, "currency": network.settings.currency})
    else:
        say.programme(say.console(), network, made)
    if save:
        from decknet import flow

        flow.save_programme(
            store, save, network, made, budgets, first_year=first, now=datetime.now(), who=flow.who_am_i()
        )
        typer.echo(f"Kept as {save!r}.", err=as_json)


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
    made = _plan(network, sums, years, first_year)[0] if sums is not None else None
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
    from decknet import flow

    if paper not in {"a4", "us-letter"}:
        raise typer.BadParameter(f"{paper!r} is not a paper known here. Say a4 or us-letter.", param_hint="--paper")
    sums = _sums(budget)
    network = _network(store, settings, today)
    made, _, _ = _plan(network, sums, years, first_year)
    for what, path in flow.report(network, made, save_to, tiles=tiles, paper=paper).items():
        typer.echo(f"{what}: {path}")


@app.command(epilog="Example: decknet demo")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder to write into.")] = Path("reports/demo"),
    budget: Annotated[str, typer.Option("--budget", metavar="SUM[,SUM...]", help="Money for each year.")] = "1500000",
    years: YearsOpt = 5,
) -> None:
    """See it work on an invented district: records in, ranking, programme, map, report."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from decknet import flow
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
        made, _, _ = _plan(network, sums, years, None)
        progress.update(task, advance=1, description="Drawing the map")
        written = flow.report(
            network, made, folder, done=lambda what: progress.update(task, advance=1, description=f"Wrote the {what}")
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


@app.command(epilog="Example: decknet bench --decks 3000")
def bench(
    decks: Annotated[int, typer.Option(min=10, help="Decks in the made-up network.")] = 3000,
    years: Annotated[int, typer.Option(min=2, max=60, help="Years of records.")] = 15,
) -> None:
    """Measure speed on made-up records, step by step."""
    from decknet import bench as measure

    for step, seconds, note in measure.district(decks=decks, years=years):
        typer.echo(f"{step:<42} {f'{seconds:9.2f} s' if seconds else ' ' * 11}  {note}")

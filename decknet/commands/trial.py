"""The commands that show it at work: the demo, and speed measured."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from decknet.commands import say
from decknet.commands.options import (
    YearsOpt,
)  # fmt: skip
from decknet.commands.options import sums as sums_of
from decknet.commands.shared import plan_of, settings_of
from decknet.errors import DecknetError

if TYPE_CHECKING:
    pass

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog="Example: decknet demo")(demo)
    app.command(epilog="Example: decknet bench growth --decks 20000")(bench)


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder to write into.")] = Path("reports/demo"),
    budget: Annotated[str, typer.Option("--budget", metavar="SUM[,SUM...]", help="Money for each year.")] = "1500000",
    years: YearsOpt = 5,
) -> None:
    """See it work on an invented district: records in, ranking, programme, map, report."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from decknet import flow
    from decknet.demo import FILES, TODAY, demo_folder
    from decknet.flow import works

    out, sums = say.console(), sums_of(budget)
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
        network = flow.read_network(store, today=TODAY, settings=settings_of(None))
        progress.update(task, advance=1, description="Choosing the programme")
        made, network = plan_of(store, network, sums, years, None)
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

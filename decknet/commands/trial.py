"""The commands that show it at work: the demo, speed measured, the handbook."""

from __future__ import annotations

from datetime import datetime
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from decknet import digits
from decknet.commands import say
from decknet.commands.options import EffortOpt, SecondsOpt, YearsOpt
from decknet.commands.options import sums as sums_of
from decknet.commands.progress import REPORT, ProgressOpt, progress
from decknet.errors import DecknetError

if TYPE_CHECKING:
    pass

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog="Example: decknet demo")(demo)
    app.command(epilog="Example: decknet bench growth --decks 20000")(bench)
    app.command(epilog="Example: decknet handbook --open")(handbook)


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder to write into.")] = Path("reports/demo"),
    budget: Annotated[str, typer.Option("--budget", metavar="SUM[,SUM...]", help="Money for each year.")] = "1500000",
    years: YearsOpt = 5,
    timed: ProgressOpt = False,
    effort: EffortOpt = None,
    seconds: SecondsOpt = None,
) -> None:
    """See it work on an invented district: records in, ranking, programme, map, report."""
    from decknet import flow
    from decknet.demo import FILES, TODAY, demo_folder
    from decknet.settings import Settings

    out, sums = say.console(), sums_of(budget)
    store = folder / "demo.duckdb"
    files = [demo_folder() / name for name in FILES]
    folder.mkdir(parents=True, exist_ok=True)
    for old in (store, store.with_name(store.name + ".wal")):
        old.unlink(missing_ok=True)
    loads = []
    with progress({**{f"Bringing in {name}": 0.4 for name in FILES}, **REPORT}, timed=timed) as step:
        now = datetime.combine(TODAY, datetime.min.time())
        flow.create(store, title="Invented demo district", currency="USD", now=now)
        step(f"Bringing in {FILES[0]}")
        for loaded, name in zip_longest(flow.load(store, files, now=now, who="demo"), FILES[1:]):
            loads.append(loaded)
            if name is not None:
                step(f"Bringing in {name}")
        condition = flow.read_condition(store, settings=Settings(), asked=flow.AsOf(TODAY), step=step)
        step("Choosing the programme")
        question = flow.Question(flow.budgets_for(sums, years), TODAY.year + 1, effort=effort, seconds=seconds)
        found = flow.study(condition, question)
        written = flow.report(found, folder, step=step)
    for loaded in loads:
        if loaded.reading is None:
            raise DecknetError(loaded.error)
        refused = int((loaded.reading.faults["severity"] == "refuse").sum())
        told = f", {refused} refused on purpose" if refused else ""
        out.print(
            f"{loaded.path.name}: {digits.count(loaded.reading.rows_read)} rows, "
            f"{digits.count(loaded.reading.rows_kept)} kept{told}"
        )
    out.print("\nThree facts that matter (an invented district: every name and figure is made up)")
    say.facts(out, found)
    out.print("\nOpen:")
    for what, path in written.files.items():
        out.print(f"  {what}: {path}")
    out.print(f"  the store, to ask yourself: decknet rank {store}")


def bench(
    what: Annotated[
        Literal["district", "load", "limits", "growth", "map", "ranking", "programme"],
        typer.Argument(
            metavar="[WHAT]", help="district (files to everything), load, limits, growth, map, ranking or programme."
        ),
    ] = "district",
    decks: Annotated[
        int | None,
        typer.Option(
            min=10,
            help="Decks in the made-up network; 3000, and for map 1,000, 10,000 and 600,000.",
            show_default=False,
        ),
    ] = None,
    years: Annotated[int, typer.Option(min=2, max=60, help="Years of records.")] = 15,
) -> None:
    """Measure speed, and how good the forecasts are, on made-up records, step by step."""
    from decknet import bench as measure

    if what == "map":
        steps = measure.map_page(decks=decks)
    else:
        size = 3000 if decks is None else decks
        sizes = {"decks": size} if what in {"limits", "ranking"} else {"decks": size, "years": years}
        sizes = {} if what in {"programme", "load"} else sizes
        steps = getattr(measure, what)(**sizes)
    for step, seconds, note in steps:
        typer.echo(f"{step:<42} {f'{seconds:9.2f} s' if seconds else ' ' * 11}  {note}")


def handbook(
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FILE", help="The page to write.")] = Path(
        "decknet_handbook.html"
    ),
    opened: Annotated[bool, typer.Option("--open", help="Open it in the browser.")] = False,
) -> None:
    """The handbook as one page with contents and search, for a browser with no network."""
    from decknet import flow

    flow.write_whole(output, flow.handbook().encode())
    typer.echo(f"{output}: the handbook.")
    if opened:
        typer.launch(str(output.resolve()))

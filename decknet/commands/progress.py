"""What is being done and how long is left, on a terminal; nothing anywhere else."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Annotated, Any

import typer

from decknet import digits

__all__ = ["REPORT", "ProgressOpt", "progress", "time_left"]

Step = Callable[[str], None]
ProgressOpt = Annotated[bool, typer.Option("--progress", help="Print each step with the seconds it took.")]

# Steps of a report -> about how long each takes, against the others.
REPORT = {
    "Reading the records": 1.0,
    "Choosing the programme": 8.0,
    "Setting out repair limits": 0.5,
    "Trying other sums of money": 6.0,
    "Holding past forecasts against what came": 1.0,
    "Following patches": 1.0,
    "Drawing the decks of the programme": 1.0,
    "Writing the summary": 0.7,
    "Writing the document": 2.0,
    "Writing the network map": 1.0,
    "Writing the workbook": 1.0,
    "Writing the GIS file": 0.7,
    "Writing the deck pages": 1.2,
}


def time_left(elapsed_s: float, done: float, total: float) -> str:
    """How long is left, in words, from what is done and how long it took; empty while too little is known.

    Examples
    --------
    >>> time_left(10.0, 5.0, 10.0), time_left(2.0, 1.0, 100.0), time_left(0.1, 0.0, 10.0)
    ('about 10 s left', 'about 3 min left', '')
    """
    if done <= 0 or elapsed_s < 0.5:
        return ""
    left = elapsed_s * max(total - done, 0.0) / done
    return (
        f"about {digits.number(left, 'whole')} s left"
        if left < 90
        else f"about {digits.number(left / 60, 'whole')} min left"
    )


@contextmanager
def progress(steps: Mapping[str, float], *, quiet: bool = False, timed: bool = False) -> Iterator[Step]:
    """Tell of steps as they begin.

    Parameters
    ----------
    steps : mapping of str to float
        What will be done, and about how long it takes against the rest; a step not named here counts 1.
    quiet : bool
        Say nothing, as with --json. Nothing is said either where output or messages go anywhere but to a terminal.
    timed : bool
        Instead print each step with its seconds when it is over, wherever messages go.

    Yields
    ------
    callable
        To be called with each step as it begins.
    """
    if timed:
        yield from _timed()
        return
    if quiet or not (sys.stdout.isatty() and sys.stderr.isatty()):
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn
    from rich.text import Text

    begun = time.monotonic()

    class Left(ProgressColumn):
        """How long is left, counted down while a step runs."""

        def render(self, task: Any) -> Text:
            at = task.fields["at_s"]
            if not task.completed or not at:
                return Text("")
            ahead = time.monotonic() - begun - at  # of the running step
            left = at * (task.total - task.completed) / task.completed - ahead
            return Text(time_left(1.0, 1.0, 1.0 + max(left, 0.0)) if left > 0 else "")

    total = float(sum(steps.values()))
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:.0f} %"), Left())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Beginning", total=total, at_s=0.0)
        running = [0.0]

        def step(what: str) -> None:
            bar.update(task, advance=running[0], description=what, at_s=time.monotonic() - begun)
            running[0] = float(steps.get(what, 1.0))

        yield step


def _timed() -> Iterator[Step]:
    """Print each step with the seconds it took, and the sum."""
    begun = time.monotonic()
    running: list[tuple[str, float]] = []

    def over() -> None:
        for what, since in running:
            typer.echo(f"{time.monotonic() - since:7.2f} s  {what}", err=True)
        running.clear()

    def step(what: str) -> None:
        over()
        running.append((what, time.monotonic()))

    yield step
    over()
    typer.echo(f"{time.monotonic() - begun:7.2f} s  in all", err=True)

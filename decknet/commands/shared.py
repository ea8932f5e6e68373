"""What several commands begin with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from decknet.commands.options import day as day_of

if TYPE_CHECKING:
    from decknet.flow import Network
    from decknet.flow.report import Report
    from decknet.schedule import Programme
    from decknet.settings import Settings

__all__ = ["network_of", "plan_of", "report_of", "settings_of"]


def settings_of(path: Path | None) -> Settings:
    from decknet.settings import load_settings

    return load_settings(path)


def network_of(
    store: Path, settings: Path | None, today: str | None, *, effort: str | None = None, seconds: float | None = None
) -> Network:
    from decknet import flow
    from decknet.settings import searched

    chosen = searched(settings_of(settings), effort, seconds)
    return flow.read_network(store, today=day_of(today), settings=chosen)


def plan_of(
    store: Path, network: Network, sums: list[float], years: int, first_year: int | None
) -> tuple[Programme, Network]:
    from decknet import flow
    from decknet.flow import planning

    first = first_year or network.today.year + 1
    network, drawn, _ = planning.with_works(store, network)
    return planning.plan(network, flow.budgets_for(sums, years), first_year=first, drawn=drawn), network


def report_of(
    store: Path,
    network: Network,
    sums: list[float],
    years: int,
    first_year: int | None,
    folder: Path,
    *,
    tiles: str | None = None,
    paper: str = "a4",
    doubt: bool = False,
    step: Callable[[str], None] = lambda _: None,
) -> tuple[Report, Programme, Network]:
    """The programme, all that is said of it, and the files of the report."""
    from decknet import flow
    from decknet.flow import findings, planning

    step("Choosing the programme")
    first = first_year or network.today.year + 1
    budgets = flow.budgets_for(sums, years)
    network, grounds, _ = planning.with_works(store, network)
    made = planning.plan(network, budgets, first_year=first, drawn=grounds)
    if doubt:
        step("Choosing it anew for each draw")
        made, _ = planning.in_doubt(network, budgets, made, first_year=first, drawn=grounds)
    found = findings.find(store, network, made, budgets, first_year=first, grounds=grounds, step=step)
    written = flow.report(
        network, made, folder, found=found, tiles=tiles, paper=paper, step=lambda what: step(f"Writing the {what}")
    )
    return written, made, network

"""What several commands begin with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from decknet.commands.options import day as day_of

if TYPE_CHECKING:
    from decknet.flow import Network
    from decknet.schedule import Programme
    from decknet.settings import Settings

__all__ = ["network_of", "plan_of", "settings_of"]


def settings_of(path: Path | None) -> Settings:
    from decknet.settings import load_settings

    return load_settings(path)


def network_of(store: Path, settings: Path | None, today: str | None) -> Network:
    from decknet import flow

    return flow.read_network(store, today=day_of(today), settings=settings_of(settings))


def plan_of(
    store: Path, network: Network, sums: list[float], years: int, first_year: int | None
) -> tuple[Programme, Network]:
    from decknet import flow
    from decknet.flow import planning

    first = first_year or network.today.year + 1
    network, drawn, _ = planning.with_works(store, network)
    return planning.plan(network, flow.budgets_for(sums, years), first_year=first, drawn=drawn), network

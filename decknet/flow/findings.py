"""Use case: what a report says beside the network and its programme, worked out once for all of its files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from decknet.errors import RecordError
from decknet.flow import deck, forecast, planning, works
from decknet.flow.network import Network
from decknet.flow.past import Past, read_past
from decknet.flow.planning import Grounds
from decknet.schedule import Programme

__all__ = ["STEPS", "Findings", "Patches", "find", "money_curve"]

TIMES = (0.5, 0.75, 1.25, 1.5, 2.0)  # multiples of the budgets for which a programme is made beside the report's own
CURVE_GAP = 0.03  # how closely those are searched: enough for a chart
MOST_DECKS = 20_000  # beyond, other sums are not tried for a report
MOST_PAGES = 60  # decks that get a page: what cannot wait first, then the programme by year

# What is being done -> about how long it takes, against the rest.
STEPS = {
    "Setting out repair limits": 0.5,
    "Trying other sums of money": 6.0,
    "Holding past forecasts against what came": 1.0,
    "Following patches": 1.0,
    "Drawing the decks of the programme": 1.5,
}


@dataclass(frozen=True, slots=True)
class Patches:
    """How patches held: ``table`` as ``predict.compare`` gives, and its curve as SVG."""

    table: pd.DataFrame
    plot: bytes


@dataclass(frozen=True, slots=True)
class Findings:
    """What a report says beside the network and its programme.

    Attributes
    ----------
    limits : DataFrame
        Repair limits of the programme's decks, as ``works.limits_of`` gives.
    curve : DataFrame or None
        What other sums of money buy, as ``planning.curve`` gives, from no money at all.
    forecasts : PastForecasts
    patches : Patches or None
        None where no patch was looked at again.
    history : Past
    pages : tuple of DeckPage
    """

    limits: pd.DataFrame
    curve: pd.DataFrame | None
    forecasts: forecast.PastForecasts
    patches: Patches | None
    history: Past
    pages: tuple[deck.DeckPage, ...]


def money_curve(
    network: Network, programme: Programme, budgets: Sequence[float], *, first_year: int, grounds: Grounds | None
) -> pd.DataFrame | None:
    """What other sums of money would buy, the programme's own among them; None on very large networks."""
    if not len(programme.years) or sum(budgets) <= 0 or len(network.status) > MOST_DECKS:
        return None
    found = planning.curve(network, budgets, TIMES, first_year=first_year, drawn=grounds, gap=CURVE_GAP)
    facts = programme.facts
    own = {
        "times": 1.0, "budget_total": facts["budget_total"], "cost": facts["cost_total"], "works": len(programme.lines),
        "value": facts["value"], "bound": facts["bound"], "gap": facts["gap"],
        "unsound_end_m2": facts["unsound_end_m2"], "past_share": facts["past_share"],
    }  # fmt: skip
    none = {
        **dict.fromkeys(("times", "budget_total", "cost", "value", "bound", "gap"), 0.0), "works": 0,
        "unsound_end_m2": facts["unsound_end_nothing_m2"], "past_share": facts["past_share_nothing"],
    }  # fmt: skip
    rows = pd.concat([pd.DataFrame([none, own]), found.drop(columns="next_1000")], ignore_index=True)
    return rows.sort_values("times", ignore_index=True)


def decks_with_pages(network: Network, programme: Programme) -> list[str]:
    """Decks that get a page: what cannot wait, then the programme by year."""
    status = network.status
    urgent = status.loc[status["urgent"].notna(), "deck_id"].tolist()
    planned = programme.lines.sort_values(["year", "deck_id"], kind="stable")["deck_id"].tolist()
    return list(dict.fromkeys([*urgent, *planned]))[:MOST_PAGES]


def find(
    path: Path,
    network: Network,
    programme: Programme,
    budgets: Sequence[float],
    *,
    first_year: int,
    grounds: Grounds | None = None,
    step: Callable[[str], None] = lambda _: None,
) -> Findings:
    """Work out what a report says.

    Parameters
    ----------
    path : Path
        The store that the network was read from.
    network, programme
    budgets : sequence of float
        Money of each year, as the programme was made with.
    first_year : int
    grounds : Grounds or None
        What the programme rests on.
    step : callable
        Told what is being done, in the words of ``STEPS``.
    """
    settings = network.settings
    say = iter(STEPS)
    step(next(say))
    shown = decks_with_pages(network, programme)
    wanted = list(dict.fromkeys([*programme.lines["deck_id"], *shown]))
    limits = works.limits_of(path, wanted, settings=settings)
    step(next(say))
    curve = money_curve(network, programme, budgets, first_year=first_year, grounds=grounds)
    step(next(say))
    past = forecast.past_forecasts(path, settings=settings)
    step(next(say))
    planned = set(programme.lines["deck_id"])
    of_works = limits[limits["deck_id"].isin(planned)].reset_index(drop=True)
    history = read_past(path, settings=settings, limits=of_works)
    patches = None
    try:
        held = forecast.held(path, by=None, settings=settings)
    except RecordError:
        held = None  # no patch has been looked at again
    if held is not None:
        patches = Patches(held.table, forecast.draw_held(held, settings))
    step(next(say))
    by = deck.planned_by(programme, "the programme of this report")
    pages = deck.pages_of(path, shown, network, by, limits=limits) if shown else []
    return Findings(of_works, curve, past, patches, history, tuple(pages))

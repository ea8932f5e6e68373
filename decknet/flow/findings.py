"""Use case: what a report says beside the network and its programme, worked out once for all of its files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from decknet.flow import deck, forecast
from decknet.flow.compare import Cut, cut
from decknet.flow.condition import Condition
from decknet.flow.past import Past, past_of
from decknet.flow.programme import Study, money_curve

__all__ = ["STEPS", "Findings", "Patches", "find"]

LESS = 0.8  # the money cut by a fifth
TIMES = (0.5, LESS, 1.25, 1.5, 2.0)  # multiples of the budgets for which a programme is made beside the report's own
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
        Repair limits of the programme's decks, as ``Condition.limits`` gives.
    curve : DataFrame or None
        What other sums of money buy, as ``programme.money_curve`` gives, from no money at all.
    cut : Cut, str or None
        What drops out if the money is cut to ``LESS`` of it, or why it cannot be; None as the curve.
    forecasts : PastForecasts
    patches : Patches or None
        None where no patch was looked at again.
    history : Past
    pages : tuple of DeckPage
    """

    limits: pd.DataFrame
    curve: pd.DataFrame | None
    cut: Cut | str | None
    forecasts: forecast.PastForecasts
    patches: Patches | None
    history: Past
    pages: tuple[deck.DeckPage, ...]


def _curve(found: Study) -> tuple[pd.DataFrame | None, Study | str | None]:
    """What other sums of money would buy, the programme's own among them, and the study with less money.

    None on very large networks, and where there is no money; for the study the reason where it cannot be had.
    """
    made, question = found.made, found.question
    if not len(made.years) or sum(question.budgets) <= 0 or len(found.condition.status) > MOST_DECKS:
        return None, None
    refused: dict[float, str] = {}
    other, studies = money_curve(found.condition, question, TIMES, gap=CURVE_GAP, refused=refused)
    facts = made.facts
    own = {
        "times": 1.0, "budget_total": facts["budget_total"], "cost": facts["cost_total"], "works": len(made.lines),
        "value": facts["value"], "bound": facts["bound"], "gap": facts["gap"],
        "unsound_end_m2": facts["unsound_end_m2"], "past_share": facts["past_share"],
    }  # fmt: skip
    none = {
        **dict.fromkeys(("times", "budget_total", "cost", "value", "bound", "gap"), 0.0), "works": 0,
        "unsound_end_m2": facts["unsound_end_nothing_m2"], "past_share": facts["past_share_nothing"],
    }  # fmt: skip
    rows = pd.concat([pd.DataFrame([none, own]), other.drop(columns="next_1000")], ignore_index=True)
    return rows.sort_values("times", ignore_index=True), studies.get(LESS, refused.get(LESS))


def decks_with_pages(condition: Condition, lines: pd.DataFrame) -> list[str]:
    """Decks that get a page: what cannot wait first, then the programme by year."""
    status = condition.status
    urgent = condition.urgent["deck_id"].tolist()
    known = set(status["deck_id"])
    planned = lines.sort_values(["year", "deck_id"], kind="stable")["deck_id"].tolist()
    return list(dict.fromkeys([*urgent, *(d for d in planned if d in known)]))[:MOST_PAGES]


def find(found: Study, *, step: Callable[[str], None] = lambda _: None) -> Findings:
    """Work out what a report says beside the network and its programme.

    Parameters
    ----------
    found : Study
    step : callable
        Told what is being done, in the words of ``STEPS``.
    """
    condition, lines = found.condition, found.made.lines
    say = iter(STEPS)
    step(next(say))
    shown = decks_with_pages(condition, lines)
    limits = condition.limits_of(lines["deck_id"])
    step(next(say))
    curve, less = _curve(found)
    step(next(say))
    past = forecast.past_forecasts(condition)
    step(next(say))
    history = past_of(condition, limits)
    patches = None
    if len(condition.patches[0]):
        held = forecast.held(condition, by=None)
        patches = Patches(held.table, forecast.draw_held(held, condition.settings))
    step(next(say))
    pages = deck.pages_of(condition, shown, found) if shown else []
    return Findings(
        limits, curve, cut(found, less) if isinstance(less, Study) else less, past, patches, history, tuple(pages)
    )

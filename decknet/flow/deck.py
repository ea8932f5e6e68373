"""Use case: a deck's page, with everything that is known of it and planned for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from decknet import show
from decknet.errors import RecordError
from decknet.flow.condition import Condition
from decknet.flow.outputs import face
from decknet.flow.programme import Study
from decknet.flow.works import shades_of
from decknet.show import DeckPage

__all__ = ["DeckPage", "deck_pages", "pages_of"]

AHEAD_YR = 15  # years that the forecast is drawn
POINTS = 40


def pages_of(condition: Condition, deck_ids: Sequence[str], found: Study | None) -> list[DeckPage]:
    """What the pages of these decks are made from.

    Parameters
    ----------
    condition : Condition
    deck_ids : sequence of str
    found : Study or None
        The programme that says what is planned.

    Raises
    ------
    RecordError
        A deck is not in the store.
    """
    status, path, records = condition.status, condition.path, condition.records
    known = pd.Index(status["deck_id"])
    if missing := [d for d in deck_ids if d not in known]:
        raise RecordError(
            f"{path}: deck {missing[0]!r} is not in the store. Numbers are text, with every leading zero; "
            f"list them with: decknet rank {path} --first 0"
        )
    wanted = set(deck_ids)

    def of(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["deck_id"].isin(wanted)].reset_index(drop=True)

    decks, surveys, repairs = of(records["deck"]), of(records["survey"]), of(condition.repairs)
    defects = records["defect"]
    defects = defects[defects["survey_id"].isin(set(surveys["survey_id"]))].reset_index(drop=True)
    told = of(condition.surveys).drop(columns=["crew", "remarks", "method"], errors="ignore")
    told = told.merge(surveys[["survey_id", "method", "crew", "remarks"]], on="survey_id", how="left")
    shades, standing = shades_of(condition, deck_ids), of(condition.sketches)
    fans, limits = _fans(condition, list(deck_ids)), condition.limits_of(deck_ids)
    none = pd.DataFrame({name: pd.Series(dtype="str") for name in ("deck_id", "why", "year", "label")})
    lines, waiting = (found.made.lines, found.made.waiting) if found else (none, none)
    why = waiting.set_index("deck_id")["why"] if len(waiting) else pd.Series(dtype="str")
    own = decks.set_index("deck_id")
    rows = status.set_index("deck_id", drop=False)
    out = []
    for deck in deck_ids:
        record: dict[str, Any] = {**own.loc[deck].to_dict(), **rows.loc[deck].drop("geometry").to_dict()}
        mine = told[told["deck_id"] == deck].reset_index(drop=True)
        drawn = defects[defects["survey_id"].isin(set(mine["survey_id"]))]
        waits = why.get(deck)
        out.append(
            DeckPage(
                deck=record, decks=len(status), urgent=condition.urgent[condition.urgent["deck_id"] == deck],
                hazards=condition.ledger[condition.ledger["deck_id"] == deck], surveys=mine,
                defects=drawn[["survey_id", "kind", "shape"]],
                repairs=repairs[repairs["deck_id"] == deck].reset_index(drop=True),
                fan=fans[fans["deck_id"] == deck], works=lines[lines["deck_id"] == deck].sort_values("year"),
                waits=waits if isinstance(waits, str) else "", planned_by=_source(found),
                limits=limits[limits["deck_id"] == deck], no_limits=_no_limits(mine, drawn),
                shade=shades.get(deck), standing=standing[standing["deck_id"] == deck],
            )
        )  # fmt: skip
    return out


def _source(found: Study | None) -> str:
    """Which programme says what is planned, as a page names it."""
    if found is None:
        return ""
    if found.kept is None:
        return "the programme of this report"
    return f"the programme kept as “{found.name}” on {found.kept.about['made_at']:%Y-%m-%d}"


def _no_limits(surveys: pd.DataFrame, drawn: pd.DataFrame) -> str:
    if surveys.empty:
        return "The deck has no survey, so there is nothing to saw round."
    if not drawn["shape"].notna().any():
        return "No survey of this deck drew what it found, and limits need outlines."
    return "None: what surveys drew has been repaired since, or stands no longer."


def _fans(condition: Condition, deck_ids: list[str]) -> pd.DataFrame:
    """Forecasts without works from today on, all decks at once."""
    begin = pd.Timestamp(condition.today)
    dates = pd.date_range(begin, begin + pd.DateOffset(years=AHEAD_YR), periods=POINTS).floor("D")
    made = condition.growth.forecast(
        pd.Series(np.repeat(deck_ids, len(dates)), dtype="str"), pd.Series(np.tile(dates.to_numpy(), len(deck_ids)))
    )
    return made[made["unsound_share"].notna()].reset_index(drop=True)


def deck_pages(condition: Condition, deck_ids: Sequence[str], found: Study | None, *, paper: str = "a4") -> bytes:
    """Pages of these decks as one PDF; parameters as `pages_of` takes them."""
    return show.deck_pages(
        pages_of(condition, deck_ids, found), title=condition.title,
        settings=found.settings if found else condition.settings, today=condition.today, paper=paper,
        face=face(condition, found),
    )  # fmt: skip

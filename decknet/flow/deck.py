"""Use case: a deck's page, with everything that is known of it and planned for it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet import show
from decknet.errors import RecordError
from decknet.flow import works
from decknet.flow.network import Network
from decknet.keep import Store
from decknet.measure import survey_shares
from decknet.schedule import Programme
from decknet.settings import Settings
from decknet.show import DeckPage

__all__ = ["DeckPage", "Planned", "deck_pages", "kept_lines", "pages_of", "planned_by"]

AHEAD_YR = 15  # years that the forecast is drawn
POINTS = 40

Planned = tuple[str, pd.DataFrame, pd.DataFrame]  # which programme; its lines; deck_id and why of the decks without one


def planned_by(programme: Programme, name: str) -> Planned:
    """A programme just made, as `deck_pages` takes it."""
    return name, programme.lines, programme.waiting


def kept_lines(path: Path, name: str | None, *, settings: Settings) -> Planned:
    """A programme kept in the store; without a name the last one kept, or none where none is.

    Raises
    ------
    RecordError
        No programme of that name is kept.
    """
    none = pd.DataFrame({name: pd.Series(dtype="str") for name in ("deck_id", "why", "year", "label")})
    with Store.open(path) as store:
        kept = store.programmes()
        if name is None and kept.empty:
            return "", none, none
        if name is not None and name not in set(kept["name"]):
            raise RecordError(
                f"programme {name!r}: none of that name is kept. Known: {', '.join(kept['name']) or 'none'}. "
                "Keep one with: decknet programme STORE --budget SUM --save NAME"
            )
        last = kept.sort_values("made_at", kind="stable").iloc[-1]
        chosen = str(last["name"]) if name is None else name
        made = kept.set_index("name").loc[chosen, "made_at"]
        lines = store.programme_lines(chosen)
    labels = {key: treatment.label for key, treatment in settings.treatment.items()}
    lines["label"] = lines["treatment"].map(labels).fillna(lines["treatment"])
    return f"the programme kept as “{chosen}” on {made:%Y-%m-%d}", lines, none


def pages_of(
    path: Path, deck_ids: Sequence[str], network: Network, planned: Planned, *, limits: pd.DataFrame | None = None
) -> list[DeckPage]:
    """What the pages of these decks are made from.

    Parameters
    ----------
    path : Path
        The store that the network was read from.
    deck_ids : sequence of str
    network : Network
    planned : Planned
    limits : DataFrame or None
        Repair limits of at least these decks, as ``works.limits_of`` gives; worked out where not given.

    Raises
    ------
    RecordError
        A deck is not in the store.
    """
    status = network.status
    known = pd.Index(status["deck_id"])
    if missing := [d for d in deck_ids if d not in known]:
        raise RecordError(
            f"{path}: deck {missing[0]!r} is not in the store. Numbers are text, with every leading zero; "
            f"list them with: decknet rank {path} --first 0"
        )
    wanted = set(deck_ids)
    with Store.open(path) as store:
        records = {kind: store.current(kind) for kind in ("deck", "survey", "defect", "repair")}
    decks = records["deck"][records["deck"]["deck_id"].isin(wanted)].reset_index(drop=True)
    surveys = records["survey"][records["survey"]["deck_id"].isin(wanted)].reset_index(drop=True)
    defects = records["defect"][records["defect"]["survey_id"].isin(set(surveys["survey_id"]))].reset_index(drop=True)
    repairs = records["repair"][records["repair"]["deck_id"].isin(wanted)].reset_index(drop=True)
    shares = survey_shares(surveys, defects, decks)
    told = shares.drop(columns=["crew", "remarks", "method"], errors="ignore").merge(
        surveys[["survey_id", "method", "crew", "remarks"]], on="survey_id", how="left"
    )
    fans = _fans(network, list(deck_ids))
    if limits is None:
        limits = works.limits_of(path, list(deck_ids), settings=network.settings)
    name, lines, waiting = planned
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
                deck=record, decks=len(status), surveys=mine, defects=drawn[["survey_id", "kind", "shape"]],
                repairs=repairs[repairs["deck_id"] == deck].reset_index(drop=True),
                fan=fans[fans["deck_id"] == deck], works=lines[lines["deck_id"] == deck].sort_values("year"),
                waits=waits if isinstance(waits, str) else "", planned_by=name,
                limits=limits[limits["deck_id"] == deck], no_limits=_no_limits(mine, drawn),
            )
        )  # fmt: skip
    return out


def _no_limits(surveys: pd.DataFrame, drawn: pd.DataFrame) -> str:
    if surveys.empty:
        return "The deck has no survey, so there is nothing to saw round."
    if not drawn["shape"].notna().any():
        return "No survey of this deck drew what it found, and limits need outlines."
    return "None: what the last survey drew has been repaired since, or the survey stands no longer."


def _fans(network: Network, deck_ids: list[str]) -> pd.DataFrame:
    """Forecasts without works from today on, all decks at once; empty where nothing was fitted."""
    growth = network.growth
    if growth is None:
        return pd.DataFrame({"deck_id": pd.Series(dtype="str")})
    begin = pd.Timestamp(network.today)
    dates = pd.date_range(begin, begin + pd.DateOffset(years=AHEAD_YR), periods=POINTS).floor("D")
    made = growth.forecast(
        pd.Series(np.repeat(deck_ids, len(dates)), dtype="str"), pd.Series(np.tile(dates.to_numpy(), len(deck_ids)))
    )
    return made[made["unsound_share"].notna()].reset_index(drop=True)


def deck_pages(
    path: Path, deck_ids: Sequence[str], network: Network, planned: Planned, *, limits: pd.DataFrame | None = None,
    paper: str = "a4",
) -> bytes:  # fmt: skip
    """Pages of these decks as one PDF; parameters as `pages_of` takes them."""
    pages = pages_of(path, deck_ids, network, planned, limits=limits)
    return show.deck_pages(pages, title=network.title, settings=network.settings, today=network.today, paper=paper)

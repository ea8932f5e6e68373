"""Drawn outputs: everything that stands behind them, gathered from a condition and a study."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd

from decknet import show
from decknet.flow.condition import Condition
from decknet.flow.programme import Study
from decknet.measure import RENEWING
from decknet.settings import Settings, changed_settings
from decknet.show import DeckRecords

__all__ = ["dealt_with", "deck_records", "draw_map", "face", "settings_told", "years_to_come"]

PATCHES = ("patch", "patch and seal")
_AHEAD_YR = 10


def face(condition: Condition, found: Study | None) -> tuple[str, ...]:
    """What stands on the face of every output: which programme, which records, which settings; a sentence each."""
    told = [found.told()] if found is not None else []
    if records := condition.records.told():
        told.append(records)
    return (*told, settings_told(found.settings if found is not None else condition.settings))


def settings_told(settings: Settings, most: int = 6) -> str:
    """Which settings differ from the defaults, in a sentence."""
    own = {"currency", "programme.overbreak"}  # of the store, and of its closed repairs
    keys = [k for k in changed_settings(settings) if k not in own]
    if not keys:
        return "Settings: the defaults."
    more = f" and {len(keys) - most} more" if len(keys) > most else ""
    return f"Settings changed from the defaults: {', '.join(keys[:most])}{more}."


def draw_map(
    condition: Condition, found: Study | None, *, tiles: str | None = None, sheets: Mapping[str, str] | None = None
) -> str:
    """The network map as one HTML page.

    Parameters
    ----------
    condition : Condition
    found : Study or None
        The programme drawn on it.
    tiles : str or None
        Address of a tile background; None asks nothing of any condition.
    sheets : mapping of deck number to address, or None
        Where sheets or pages of decks lie, relative to the map.

    Returns
    -------
    str
    """
    made = found.made if found else None
    return show.network_map(
        condition.status, condition.base, made, deck_records(condition, found), title=condition.title,
        settings=found.settings if found else condition.settings, today=condition.today, tiles=tiles, sheets=sheets,
        face=face(condition, found),
    )  # fmt: skip


def deck_records(condition: Condition, found: Study | None) -> DeckRecords:
    """Surveys, repairs, plans and forecasts of every deck, as the map takes them."""
    return DeckRecords(
        decks=condition.decks,
        surveys=_as_known(condition),
        defects=condition.sketches,
        repairs=condition.repairs,
        limits=condition.limits_of(found.made.lines["deck_id"]) if found else pd.DataFrame(),
        urgent=dealt_with(condition.urgent, found.made.lines if found else None),
        ahead=years_to_come(condition, found),
    )


def _as_known(condition: Condition) -> pd.DataFrame:
    """Surveys, and beside those that say how much is unsound the deck as it was known then."""
    series = condition.known.series[
        ["survey_id", "unsound_share", "delaminated_share", "fresh_share", "covered_share"]
    ]  # fmt: skip
    series = series.assign(known_covered=series[["fresh_share", "covered_share"]].min(axis=1))
    names = {"unsound_share": "known_unsound", "delaminated_share": "known_delaminated"}
    return condition.surveys.merge(
        series.rename(columns=names)[["survey_id", *names.values(), "known_covered"]], on="survey_id", how="left"
    )


def dealt_with(urgent: pd.DataFrame, lines: pd.DataFrame | None) -> pd.DataFrame:
    """What cannot wait, with the years in which works of a programme deal with it or leave it to confirm.

    Parameters
    ----------
    urgent : DataFrame
        As ``rank.act_now`` gives.
    lines : DataFrame or None
        deck_id, year, treatment of the programme's works; None without one.

    Returns
    -------
    DataFrame
        The same rows with ends_year and doubt_year (missing where there is none).

    Notes
    -----
    As the ledger would take the works once they are done: an overlay of the whole deck or a new deck ends everything,
    but a rating stands until the deck is rated again or is new; a patch ends holes and exposed bars; of a treatment of
    the owner's own it is not known what it deals with.
    """
    out = urgent.assign(ends_year=np.nan, doubt_year=np.nan)
    if lines is None or not len(lines):
        return out
    first = lines.groupby(["deck_id", "treatment"])["year"].min()
    by_deck: dict[str, list[tuple[str, float]]] = {}
    for (deck, treatment), year in first.items():
        by_deck.setdefault(str(deck), []).append((str(treatment), float(year)))
    for name, answers in (("ends_year", "ends"), ("doubt_year", "doubts")):
        years = [
            min((y for t, y in by_deck.get(str(d), []) if _deals(t, c) == answers), default=float("nan"))
            for d, c in zip(urgent["deck_id"], urgent["cause"], strict=True)
        ]
        out[name] = years
    return out


def _deals(treatment: str, cause: str) -> str:
    """What works of a treatment do to a hazard: ``ends``, ``doubts`` or nothing."""
    if treatment == "new deck":
        return "ends"
    if treatment in RENEWING:
        return "doubts" if cause == "poor rating" else "ends"
    if treatment in PATCHES:
        return "ends" if cause in ("open hole", "exposed bar") else ""
    return "" if cause == "poor rating" else "doubts"


def years_to_come(condition: Condition, found: Study | None, *, years: int = _AHEAD_YR) -> pd.DataFrame:
    """Unsound share of every deck when each coming year is over, without works and with the programme.

    Parameters
    ----------
    condition : Condition
    found : Study or None
        Its years are those looked ahead.
    years : int
        How many years to look ahead without a programme.

    Returns
    -------
    DataFrame, one row a deck and year
        deck_id, year; nothing, low, high (0 to 1: without works, with its 10 and 90 % quantile), planned (0 to 1:
        with the programme; missing where it does not say).
    """
    programme = found.made if found else None
    made = programme is not None and len(programme.years) > 0
    first = int(programme.years["year"].min()) if programme is not None and made else condition.today.year + 1
    count = len(programme.years) if programme is not None and made else years
    growth, ids = condition.growth, condition.status["deck_id"]
    rows = growth.rows(ids)
    when = [growth.today_yr + (date(first + k, 12, 31) - condition.today).days / 365.25 for k in range(count)]
    fan = [growth.unsound(rows, np.full(len(rows), at)) for at in when]
    nothing, low, high = (np.stack([year[q] for year in fan], axis=1) for q in range(3))
    planned = np.full_like(nothing, np.nan)
    if programme is not None and made and len(programme.shares):
        # As the programme has them: a kept one may rest on older records.
        shares = programme.shares
        row = pd.Index(ids).get_indexer(pd.Index(shares["deck_id"]))
        year = shares["year"].to_numpy(dtype=np.int64) - first
        known = row >= 0
        at = row[known], year[known]
        nothing[at], planned[at] = shares["nothing"].to_numpy()[known], shares["planned"].to_numpy()[known]
    return pd.DataFrame(
        {
            "deck_id": np.repeat(ids.to_numpy(), count),
            "year": np.tile(np.arange(first, first + count), len(ids)),
            "nothing": nothing.ravel(),
            "low": np.fmin(low, nothing).ravel(),
            "high": np.fmax(high, nothing).ravel(),
            "planned": planned.ravel(),
        }
    )

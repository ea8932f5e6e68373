"""How hazards are drawn on paper and pages: the act-now lines, and the ledger of a deck."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd

from decknet import digits
from decknet.show import words
from decknet.show.listing import column, id_width, listing, name_route, short

__all__ = ["act_now_lines", "act_now_table", "hazard_table", "named_by_state", "states", "where"]

OPEN, TO_CONFIRM, CLOSED = "open", "to confirm", "closed"
MOST_CLOSED = 12  # closed hazards printed on a deck's page, the last closed first
_PLACED = ("open hole", "exposed bar")  # causes that lie somewhere on the deck
_NAMED = 5  # decks named in a sentence


def states(status: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Decks with something open, and decks of which all is to confirm; by rank where it is known."""
    if "urgent" not in status.columns:
        return [], []
    some = status[status["urgent"].notna()]
    if "rank" in some.columns:
        some = some.sort_values("rank", kind="stable", na_position="last")
    is_open = some["urgent_state"].ne(TO_CONFIRM).to_numpy(dtype=bool)
    ids = some["deck_id"].astype("str")
    return ids[is_open].tolist(), ids[~is_open].tolist()


def named_by_state(status: pd.DataFrame) -> str:
    """How many decks cannot wait, open ones apart from those to confirm, the foremost named; empty without any."""
    is_open, unsure = states(status)
    if not is_open and not unsure:
        return ""

    def named(decks: list[str]) -> str:
        return ", ".join(short(d, 40) for d in decks[:_NAMED]) + (" and others" if len(decks) > _NAMED else "")

    parts = [f"{digits.count(len(is_open))} with something open ({named(is_open)})"] if is_open else []
    if unsure:
        parts.append(f"{digits.count(len(unsure))} to confirm, which may be dealt with already ({named(unsure)})")
    every = digits.counted(len(is_open) + len(unsure), "deck")
    return f"{every} cannot wait for any year or rank: {'; '.join(parts)}."


def where(record: dict[str, Any]) -> str:
    """Where on the deck a hazard lies, to follow what it is."""
    if record["place"]:
        return f", {record['place']}"
    return ", place not on record" if record["cause"] in _PLACED else ""


def act_now_lines(urgent: pd.DataFrame) -> list[str]:
    """One sentence a line of what cannot wait, each with when it is due and what ends it."""
    return [
        f"{short(r.why)}, found {r.since:%Y-%m-%d}; due {r.due:%Y-%m-%d}: {short(r.closed_by)}."
        for r in urgent.itertuples()
    ]


def act_now_table(
    urgent: pd.DataFrame, status: gpd.GeoDataFrame, lines: pd.DataFrame, most: int
) -> tuple[dict[str, Any], int]:
    """The lines of what cannot wait as a table, and how many of their decks stand in no year of the programme."""
    about = pd.DataFrame({n: column(status, n) for n in ("name", "route")}, index=status["deck_id"].astype("str"))
    first = lines.drop_duplicates("deck_id").reindex(columns=["deck_id", "year", "label"]).itertuples(index=False)
    planned = {str(deck): f"{words.figure(year, 'year')}, {short(label)}" for deck, year, label in first}
    rows, notes = [], []
    for r in urgent.head(most).itertuples():
        name, route = about.loc[str(r.deck_id)] if str(r.deck_id) in about.index else (None, None)
        rows.append(
            [
                short(r.deck_id), name_route(name, route), str(r.state), short(r.why), words.figure(r.since, "date"),
                words.figure(r.due, "date"), planned.get(str(r.deck_id), "none"),
            ]
        )  # fmt: skip
        notes.append(f"What ends it: {short(r.closed_by)}.")
    widths = (id_width(urgent["deck_id"]), "1fr", "15mm", "1.9fr", "17.5mm", "17.5mm", "0.9fr")
    headers = ("Deck", "Name, route", "State", "Why", "Found", "Due", "Planned works")
    missing = urgent.loc[~urgent["deck_id"].astype("str").isin(planned), "deck_id"].nunique()
    return listing(headers, "lllllll", widths, rows, notes=notes), int(missing)


def hazard_table(ledger: pd.DataFrame) -> dict[str, Any] | None:
    """The ledger of one deck: open, to confirm, and the last closed; None without any."""
    if not len(ledger):
        return None
    live, closed = ledger[ledger["state"] != CLOSED], ledger[ledger["state"] == CLOSED]
    rows, notes = [], []
    for r in pd.concat([live, closed.head(MOST_CLOSED)]).to_dict("records"):
        rows.append(
            [
                str(r["state"]), f"{short(r['what'])}{where(r)}", f"by {short(r['found_by'], 80)}",
                words.figure(r["closed" if r["state"] == CLOSED else "due"], "date"), digits.count(r["days_open"]),
                short(r["hazard_id"], 60),
            ]
        )  # fmt: skip
        if r["state"] == CLOSED:
            notes.append(f"Closed by: {short(r['closed_by'])}.")
        elif r["state"] == TO_CONFIRM:
            notes.append(f"To confirm because: {short(r['doubts'])}. What settles it: {short(r['settles'])}.")
        else:
            notes.append(f"What ends it: {short(r['settles'])}.")
    headers = ("State", "What and where", "Found", "Due or closed", "Days open", "Number")
    table = listing(headers, "llllrl", ("16mm", "1.6fr", "1fr", "18mm", "13mm", "1fr"), rows, notes=notes)
    left = len(closed) - MOST_CLOSED
    table["more"] = f"{digits.count(left)} more closed earlier are not printed." if left > 0 else ""
    return table

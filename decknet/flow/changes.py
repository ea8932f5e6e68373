"""What a report's run found, in figures, and what has changed since the run before it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import pandas as pd

from decknet import digits
from decknet.flow.programme import Study
from decknet.rank import OPEN

__all__ = ["FIGURES", "figures_of", "read_figures", "whats_new"]

FIGURES = "figures.json"
FORM = 1  # of the file of figures; another one is not compared with
FIRST = 10  # foremost decks whose order is compared
MOST_NAMED = 12


def figures_of(found: Study, files: Mapping[str, bytes]) -> dict[str, Any]:
    """The figures of a run as JSON holds them: totals, what cannot wait, foremost decks, works, each file's digest.

    ``act_now`` are the decks that cannot wait, ``to_confirm`` those of them with nothing open.
    """
    network, programme = found.condition, found.made
    status, facts = network.status, programme.facts
    both = status[["area_m2", "share_now"]].astype("float64").dropna()
    urgent = network.urgent
    only = set(urgent["deck_id"]) - set(urgent.loc[urgent["state"] == OPEN, "deck_id"])
    ranked = status.sort_values("rank", kind="stable")["deck_id"].head(FIRST)
    latest = status["survey_date"].max()
    return {
        "form": FORM,
        "title": network.title,
        "day": network.today.isoformat(),
        "currency": found.settings.currency,
        "price_year": found.settings.programme.price_year,
        "decks": len(status),
        "deck_m2": _round(status["area_m2"].sum()),
        "unsound_now_m2": _round((both["area_m2"] * both["share_now"]).sum()),
        "surveys": int(status["surveys"].sum()),
        "latest_survey": None if pd.isna(latest) else f"{latest:%Y-%m-%d}",
        "act_now": sorted({str(d) for d in urgent["deck_id"]}),
        "to_confirm": sorted(map(str, only)),
        "hazards": network.hazard_counts,
        "act_now_lines": [
            {
                "deck": str(r.deck_id),
                "state": r.state,
                "cause": r.cause,
                "why": r.why,
                "since": f"{r.since:%Y-%m-%d}",
                "due": f"{r.due:%Y-%m-%d}",
                "settles": r.closed_by,
            }
            for r in urgent.itertuples()
        ],
        "foremost": [str(d) for d in ranked],
        "records_to": None if network.records.records_to is None else network.records.records_to.isoformat(),
        "programme": {
            "name": found.name or None,
            "told": found.told(),
            "first_year": int(programme.years["year"].min()) if len(programme.years) else None,
            "last_year": int(programme.years["year"].max()) if len(programme.years) else None,
            "works": len(programme.lines),
            "waiting": len(programme.waiting),
            **{name: _round(value) for name, value in facts.items()},
        },
        "lines": [
            {"deck": str(r.deck_id), "year": int(r.year), "treatment": str(r.treatment), "cost": _round(r.cost)}
            for r in programme.lines.sort_values(["year", "deck_id"], kind="stable").itertuples()
        ],
        "files": {name: sha256(data).hexdigest() for name, data in sorted(files.items())},
    }


def _round(value: Any) -> float | None:
    number = float(value)
    return None if number != number or abs(number) == float("inf") else round(number, 6)


def read_figures(folder: Path) -> dict[str, Any] | None:
    """Figures of the last run in a folder; None where there are none that can be read."""
    try:
        found = json.loads((folder / FIGURES).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    known = isinstance(found, dict) and found.get("form") == FORM and isinstance(found.get("files"), dict)
    return found if known else None


def whats_new(old: Mapping[str, Any] | None, new: Mapping[str, Any]) -> dict[str, Any]:
    """What differs from the run before, in words.

    Parameters
    ----------
    old : mapping or None
        As `read_figures` gives, with its own ``changes``.
    new : mapping
        As `figures_of` gives.

    Returns
    -------
    dict
        since (day of the figures before, or None), told (sentences), files (names of those that differ). Where
        nothing differs, what the run before had told of its own changes, so that the same input gives the same bytes.
    """
    if old is None:
        return {"since": None, "told": ["This is the first run into this folder."], "files": []}
    before = {k: v for k, v in old.items() if k != "changes"}
    if before == dict(new) and isinstance(old.get("changes"), dict):
        return dict(old["changes"])
    told = [*_records(old, new), *_urgent(old, new), *_lines(old, new), *_figures(old, new)]
    differ = sorted(
        name for name in {**old["files"], **new["files"]} if old["files"].get(name) != new["files"].get(name)
    )
    if not told:
        told = ["No figure compared here has moved."]
    return {"since": old.get("day"), "told": told, "files": differ}


def _named(decks: list[str]) -> str:
    more = len(decks) - MOST_NAMED
    return ", ".join(decks[:MOST_NAMED]) + (f" and {digits.count(more)} more" if more > 0 else "")


def _records(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    out = []
    for name, one, many in (("decks", "deck", "decks"), ("surveys", "survey", "surveys")):
        change = new[name] - old.get(name, 0)
        if change:
            out.append(
                f"{digits.counted(abs(change), one, many)} {'more' if change > 0 else 'fewer'} on record "
                f"({digits.count(new[name])} now)."
            )
    return out


def _urgent(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    before, now = set(old.get("act_now", [])), set(new["act_now"])
    out = []
    if now - before:
        out.append(f"Newly to act on now: {_named(sorted(now - before))}.")
    if before - now:
        out.append(f"No longer on the act-now list: {_named(sorted(before - now))}. That does not call them safe.")
    if "to_confirm" not in old:
        return out
    was, unsure = set(old["to_confirm"]), set(new["to_confirm"])
    if doubted := sorted(unsure & before - was):
        out.append(f"Open before, now to confirm: {_named(doubted)}.")
    if again := sorted(was & now - unsure):
        out.append(f"To confirm before, now open: {_named(again)}.")
    return out


def _lines(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    def by_deck(lines: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
        out: dict[str, list[dict[str, Any]]] = {}
        for line in lines:
            out.setdefault(line["deck"], []).append(line)
        return out

    was, now = by_deck(old.get("lines", [])), by_deck(new["lines"])
    told = []
    if come := sorted(set(now) - set(was)):
        told.append(f"Newly in the programme: {_named([_work(now[d][0]) for d in come])}.")
    if gone := sorted(set(was) - set(now)):
        told.append(f"No longer in the programme: {_named(gone)}.")
    both = sorted(set(now) & set(was))
    moved = [
        f"{d} from {was[d][0]['year']} to {now[d][0]['year']}" for d in both if was[d][0]["year"] != now[d][0]["year"]
    ]
    if moved:
        told.append(f"Moved to another year: {_named(moved)}.")
    other = [
        f"{d} now {now[d][0]['treatment']}, was {was[d][0]['treatment']}"
        for d in both
        if was[d][0]["treatment"] != now[d][0]["treatment"]
    ]
    if other:
        told.append(f"Another treatment: {_named(other)}.")
    return told


def _work(line: Mapping[str, Any]) -> str:
    return f"{line['deck']} ({line['treatment']} in {line['year']})"


def _figures(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """Figures that moved, each as it was and is."""
    plan_old, plan_new = old.get("programme", {}), new["programme"]
    coin = new["currency"]
    pairs = [
        ("Expected unsound today", old.get("unsound_now_m2"), new["unsound_now_m2"], "m²", digits.area),
        ("Cost of the programme", plan_old.get("cost_total"), plan_new.get("cost_total"), coin, digits.money),
        ("Money given", plan_old.get("budget_total"), plan_new.get("budget_total"), coin, digits.money),
        ("Works", plan_old.get("works"), plan_new.get("works"), "", digits.count),
        (
            "Expected unsound at the end",
            plan_old.get("unsound_end_m2"),
            plan_new.get("unsound_end_m2"),
            "m²",
            digits.area,
        ),
    ]
    out = []
    for what, was, is_, unit, say in pairs:
        if was is None or is_ is None or say(was) == say(is_):
            continue
        out.append(f"{what}: {say(was)} before, {say(is_)} now{f' ({unit})' if unit else ''}.")
    if old.get("foremost") != new["foremost"]:
        left = [d for d in old.get("foremost", []) if d not in new["foremost"]]
        come = [d for d in new["foremost"] if d not in old.get("foremost", [])]
        if come or left:
            out.append(f"Among the first {FIRST} by rank: new {_named(come) or 'none'}; gone {_named(left) or 'none'}.")
        else:
            out.append(f"The first {FIRST} by rank are the same decks in another order.")
    return out

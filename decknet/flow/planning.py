"""Use cases of the programme: plan under demands, compare money, keep, and hold against what was done."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet import flow
from decknet.errors import BudgetError
from decknet.flow import Network
from decknet.keep import Store
from decknet.measure import repair_limits, survey_shares
from decknet.schedule import Programme, make_programme, overbreak_found
from decknet.settings import Settings

__all__ = [
    "Demands",
    "compare",
    "currency_of",
    "curve",
    "done",
    "keep",
    "kept_programmes",
    "plan",
    "read_works",
    "what_demands_cost",
    "with_works",
]


@dataclass(frozen=True, slots=True)
class Demands:
    """What the engineer asks of a programme beside its money.

    Attributes
    ----------
    pins : deck -> (calendar year, treatment or None)
    bars : decks that get no line
    kept : district -> money a year that only its decks may have
    """

    pins: Mapping[str, tuple[int, str | None]] = dataclasses.field(default_factory=dict)
    bars: Collection[str] = ()
    kept: Mapping[str, float] = dataclasses.field(default_factory=dict)

    def any(self) -> bool:
        """Whether anything is asked."""
        return bool(self.pins or self.bars or self.kept)


def read_works(path: Path, *, settings: Settings) -> tuple[pd.DataFrame, float | None, int]:
    """Quantities of drawn repair limits, and the overbreak that closed repairs show.

    Returns
    -------
    drawn : DataFrame
        deck_id, repair_m2, saw_cut_m of every deck whose last survey was drawn and has not been repaired since.
    overbreak : float or None
        Area broken out for each m2 that the survey before it found unsound; None with too few repairs.
    repairs : int
        Repairs it rests on.
    """
    with Store.open(path) as store:
        records = {kind: store.current(kind) for kind in ("deck", "survey", "defect", "repair")}
    decks, surveys, repairs = records["deck"], records["survey"], records["repair"]
    shares = survey_shares(surveys, records["defect"], decks)
    overbreak, count = overbreak_found(repairs, shares, decks, least=settings.programme.overbreak_repairs)
    last = (
        surveys.sort_values(["survey_date", "survey_id"])
        .groupby("deck_id")
        .tail(1)[["deck_id", "survey_id", "survey_date"]]
    )
    newest = repairs.groupby("deck_id")["repair_date"].max()
    open_ = last[~(newest.reindex(last["deck_id"]).to_numpy() >= last["survey_date"].to_numpy())]
    defects = records["defect"].drop(columns=["deck_id"], errors="ignore").merge(open_, on="survey_id")
    defects = defects[defects["shape"].notna()]
    limits = repair_limits(defects, decks, settings.limits)
    drawn = limits.groupby("deck_id", as_index=False).agg(repair_m2=("area_m2", "sum"), saw_cut_m=("saw_cut_m", "sum"))
    return drawn, overbreak, count


def with_works(path: Path, network: Network, *, crew_days: float | None = None) -> tuple[Network, pd.DataFrame, str]:
    """The network with overbreak as closed repairs show it and crew days as asked, and quantities of drawn limits.

    Returns
    -------
    network : Network
    drawn : DataFrame, as `read_works`
    note : str, where overbreak comes from if not from the settings
    """
    drawn, overbreak, jobs = read_works(path, settings=network.settings)
    change: dict[str, Any] = {} if crew_days is None else {"crew_days_per_yr": crew_days}
    note = ""
    if overbreak is not None and network.settings.programme.overbreak_repairs > 0:
        change["overbreak"] = overbreak
        note = f"Overbreak of {overbreak:.2f} is that of {jobs:,} closed repairs."
    settings = network.settings
    programme = dataclasses.replace(settings.programme, **change)
    changed = dataclasses.replace(network, settings=dataclasses.replace(settings, programme=programme))
    return changed, drawn, note


def plan(
    network: Network,
    budgets: Sequence[float],
    *,
    first_year: int,
    demands: Demands | None = None,
    drawn: pd.DataFrame | None = None,
    like: pd.DataFrame | None = None,
    explain: bool = True,
) -> Programme:
    """The programme for the network under the engineer's demands."""
    asked = demands or Demands()
    return make_programme(
        pd.DataFrame(network.status.drop(columns="geometry")),
        first_year=first_year,
        budgets=budgets,
        settings=network.settings,
        pins=asked.pins,
        bars=asked.bars,
        kept=asked.kept,
        drawn=drawn,
        like=like,
        explain=explain,
    )


def what_demands_cost(
    network: Network,
    budgets: Sequence[float],
    made: Programme,
    *,
    first_year: int,
    demands: Demands,
    drawn: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """What each pin, bar and sum kept costs: the programme without it, against the programme with all.

    Returns
    -------
    DataFrame
        demand (text), lost (m2·yr that could be avoided without it), lost_share (of the benefit without it); the
        last row is all of them together where there are several.
    """
    lots: list[tuple[str, Demands]] = []
    for deck, (year, treatment) in sorted(demands.pins.items()):
        rest = {k: v for k, v in demands.pins.items() if k != deck}
        text = f"pin {deck} in {year}" + (f" ({treatment})" if treatment else "")
        lots.append((text, dataclasses.replace(demands, pins=rest)))
    lots += [
        (f"bar {deck}", dataclasses.replace(demands, bars=[d for d in demands.bars if d != deck]))
        for deck in sorted(demands.bars)
    ]
    lots += [
        (
            f"money kept for {area}",
            dataclasses.replace(demands, kept={k: v for k, v in demands.kept.items() if k != area}),
        )
        for area in sorted(demands.kept)
    ]
    if len(lots) > 1:
        lots.append(("all together", Demands()))
    rows = []
    for text, without in lots:
        free = plan(
            network, budgets, first_year=first_year, demands=without, drawn=drawn, like=made.lines, explain=False
        )
        lost = max(free.facts["value"] - made.facts["value"], 0.0)
        part = lost / free.facts["value"] if free.facts["value"] > 0 else 0.0
        rows.append({"demand": text, "lost": lost, "lost_share": part})
    return pd.DataFrame(rows)


def curve(
    network: Network,
    budgets: Sequence[float],
    times: Sequence[float],
    *,
    first_year: int,
    demands: Demands | None = None,
    drawn: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """What more or less money buys: one programme for each multiple of the budgets.

    Returns
    -------
    DataFrame, by rising multiple
        times, budget_total, cost, works, value, bound, gap, unsound_end_m2, past_share, next_1000 (m2·yr that
        1,000 more of money over all years buys from the multiple before to this one; missing in the first).
    """
    if not times or any(not np.isfinite(t) or t < 0 for t in times):
        raise BudgetError(f"--compare: {list(times)} are not multiples of 0 or more. Write 0.5,1,1.5,2.")
    rows: list[dict[str, float]] = []
    lines = None
    for multiple in sorted(set(times)):
        money = [float(np.floor(b * multiple)) for b in budgets]
        made = plan(network, money, first_year=first_year, demands=demands, drawn=drawn, like=lines, explain=False)
        lines = made.lines
        facts = made.facts
        row = {
            "times": multiple,
            "budget_total": facts["budget_total"],
            "cost": facts["cost_total"],
            "works": float(len(lines)),
            "value": facts["value"],
            "bound": facts["bound"],
            "gap": facts["gap"],
            "unsound_end_m2": facts["unsound_end_m2"],
            "past_share": facts["past_share"],
            "next_1000": float("nan"),
        }
        if rows and row["budget_total"] > rows[-1]["budget_total"]:
            row["next_1000"] = (
                1_000 * (row["value"] - rows[-1]["value"]) / (row["budget_total"] - rows[-1]["budget_total"])
            )
        rows.append(row)
    return pd.DataFrame(rows).astype({"works": "Int64"})


# ---- what is kept ---------------------------------------------------------------------------------


def kept_programmes(path: Path) -> pd.DataFrame:
    """Programmes kept in a store: name, made_at, made_by, first_year, years, budget, lines, cost, value."""
    with Store.open(path) as store:
        kept = store.programmes()
    facts = [json.loads(text) for text in kept["facts"]]
    budgets = [json.loads(text) for text in kept["budgets"]]
    return pd.DataFrame(
        {
            "name": kept["name"],
            "made_at": kept["made_at"],
            "made_by": kept["made_by"],
            "first_year": kept["first_year"],
            "years": [len(b) for b in budgets],
            "budget": [float(sum(b)) for b in budgets],
            "lines": kept["lines"],
            "cost": kept["cost"],
            "value": [float(f.get("value", float("nan"))) for f in facts],
        }
    )


def currency_of(path: Path) -> str:
    """Currency of a store."""
    with Store.open(path) as store:
        return str(store.about().get("currency", Settings().currency))


def compare(path: Path, one: str, other: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Two programmes kept, side by side.

    Returns
    -------
    sums : DataFrame, two rows
        As `kept_programmes`.
    changes : DataFrame, one row a deck whose works differ
        deck_id, change (only in the first, only in the second, moved, other treatment, other quantities), then
        year, treatment and cost of each, suffixed _one and _other.
    """
    with Store.open(path) as store:
        a, b = store.programme_lines(one), store.programme_lines(other)
    kept = kept_programmes(path).set_index("name").loc[[one, other]].reset_index()
    for lines in (a, b):
        lines["turn"] = lines.groupby("deck_id").cumcount()
    columns = ["deck_id", "turn", "year", "treatment", "cost"]
    both = a[columns].merge(b[columns], on=["deck_id", "turn"], how="outer", suffixes=("_one", "_other"))

    def word(row: Any) -> str:
        if pd.isna(row.year_other):
            return f"only in {one}"
        if pd.isna(row.year_one):
            return f"only in {other}"
        if row.treatment_one != row.treatment_other:
            return "other treatment"
        if row.year_one != row.year_other:
            return "moved"
        return "" if row.cost_one == row.cost_other else "other quantities"

    both["change"] = [word(row) for row in both.itertuples(index=False)]
    changes = both[both["change"] != ""].drop(columns="turn").sort_values(["change", "deck_id"], ignore_index=True)
    names = [
        "deck_id",
        "change",
        "year_one",
        "treatment_one",
        "cost_one",
        "year_other",
        "treatment_other",
        "cost_other",
    ]
    return kept, changes[names].astype({"year_one": "Int64", "year_other": "Int64"})


def done(path: Path, name: str, *, year: int | None = None) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, float]]:
    """A programme kept, held against the repairs recorded since it was made.

    Parameters
    ----------
    path : Path
    name : str
    year : int or None
        Only lines of that year; None for all.

    Returns
    -------
    lines : DataFrame, one row a line
        year, deck_id, treatment, fate (done, changed, not done), done_treatment, done_date, cost, done_cost,
        repair_m2, done_m2.
    others : DataFrame
        Repairs of the programme's years on decks that have no line in it: deck_id, repair_date, treatment, area_m2,
        cost.
    facts : dict
        lines, done, changed, not_done; cost_ratio (cost done against estimate, over lines with both),
        area_ratio (m2 done against estimate, over lines with both).
    """
    with Store.open(path) as store:
        lines = store.programme_lines(name)
        about = store.programmes().set_index("name").loc[name]
        repairs = store.current("repair")
    last = int(about["first_year"]) + len(json.loads(about["budgets"])) - 1
    if year is not None:
        known = range(int(about["first_year"]), last + 1)
        if year not in known:
            raise BudgetError(f"--year {year}: {name!r} runs from {known[0]} to {known[-1]}. Name one of its years.")
        lines = lines[lines["year"] == year]
    made = pd.Timestamp(about["made_at"]).normalize()
    of_year = repairs["repair_date"].dt.year
    since = repairs[(repairs["repair_date"] >= made) | (of_year >= int(about["first_year"]))]
    rows = []
    used: set[str] = set()
    for line in lines.sort_values(["year", "deck_id"]).itertuples(index=False):
        mine = since[(since["deck_id"] == line.deck_id) & ~since["repair_id"].isin(used)]
        same = mine[mine["treatment"] == line.treatment]
        found = same if len(same) else mine
        found = found[found["repair_date"].dt.year == found["repair_date"].dt.year.min()] if len(found) else found
        used |= set(found["repair_id"])
        costs, areas = found["cost"].dropna(), found["area_m2"].dropna()
        rows.append(
            {
                "year": line.year,
                "deck_id": line.deck_id,
                "treatment": line.treatment,
                "fate": "done" if len(same) else "changed" if len(mine) else "not done",
                "done_treatment": "; ".join(sorted(set(found["treatment"].dropna()))) or None,
                "done_date": found["repair_date"].max() if len(found) else pd.NaT,
                "cost": line.cost,
                "done_cost": float(costs.sum()) if len(costs) else float("nan"),
                "repair_m2": line.repair_m2,
                "done_m2": float(areas.sum()) if len(areas) else float("nan"),
            }
        )
    held = pd.DataFrame(
        rows,
        columns=[
            *("year", "deck_id", "treatment", "fate", "done_treatment", "done_date", "cost", "done_cost"),
            *("repair_m2", "done_m2"),
        ],
    )
    within = since["repair_date"].dt.year.between(int(about["first_year"]), last)
    if year is not None:
        within &= since["repair_date"].dt.year == year
    others = since[within & ~since["deck_id"].isin(set(lines["deck_id"]))]
    others = others[["deck_id", "repair_date", "treatment", "area_m2", "cost"]].reset_index(drop=True)
    fate = held["fate"].value_counts()

    def ratio(now: str, then: str) -> float:
        both = held[held[now].notna() & (held[then] > 0) & (held["fate"] == "done")]
        return float(both[now].sum() / both[then].sum()) if len(both) else float("nan")

    facts = {
        "lines": float(len(held)),
        "done": float(fate.get("done", 0)),
        "changed": float(fate.get("changed", 0)),
        "not_done": float(fate.get("not done", 0)),
        "cost_ratio": ratio("done_cost", "cost"),
        "area_ratio": ratio("done_m2", "repair_m2"),
    }
    return held, others, facts


def keep(
    path: Path, name: str, network: Network, made: Programme, budgets: Sequence[float], *, first_year: int,
    now: datetime,
) -> None:  # fmt: skip
    """Keep a programme in the store."""
    flow.save_programme(path, name, network, made, budgets, first_year=first_year, now=now, who=flow.who_am_i())

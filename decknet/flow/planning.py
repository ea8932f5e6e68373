"""Use cases of the programme: plan under demands, compare money, keep, and hold against what was done."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet import digits, flow
from decknet.errors import BudgetError
from decknet.flow import Network
from decknet.flow.forecast import look_ahead
from decknet.keep import Store
from decknet.measure import repair_limits, survey_shares
from decknet.predict import YearsAhead, part_failed
from decknet.schedule import Doubt, Paths, Programme, doubt_of, make_programme, overbreak_found
from decknet.settings import Settings

__all__ = [
    "Demands",
    "Grounds",
    "compare",
    "currency_of",
    "curve",
    "done",
    "in_doubt",
    "keep",
    "kept_programmes",
    "plan",
    "planned_closures",
    "read_works",
    "what_demands_cost",
    "with_works",
]

OVERLAYS = ("thin overlay", "rigid overlay")
LATEST_START_YR = 6  # years from today to the first year for which forecasts are made; beyond, the last holds
COMPARE_GAP = 0.005  # how closely programmes for other sums of money are searched


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


@dataclass(frozen=True, slots=True)
class Grounds:
    """What a programme rests on beside the status of its decks.

    Attributes
    ----------
    drawn : DataFrame
        As `read_works` gives.
    ahead : YearsAhead
        Shares of the coming years, without works and after them.
    """

    drawn: pd.DataFrame
    ahead: YearsAhead

    def paths(self, today: date, first_year: int, years: int, horizon_yr: int) -> Paths:
        """Forecasts in whole years from the start of the first year, or from today where that is later."""
        ahead = self.ahead
        start = max((date(first_year, 1, 1) - today).days / 365.25, 0.0)
        at = np.minimum(start + np.arange(horizon_yr + 2.0), ahead.nothing.shape[1] - 1.0)
        low = np.minimum(at.astype(np.intp), ahead.nothing.shape[1] - 2)
        part = at - low
        nothing = ahead.nothing[:, low] * (1 - part) + ahead.nothing[:, low + 1] * part
        rows = np.arange(len(ahead.deck_id))
        when = ahead.growth.today_yr + start
        pace = np.stack([ahead.growth.pace(rows, np.full(len(rows), when + k))[0] for k in range(years)], axis=1)
        since = np.arange(horizon_yr + 2.0)
        fails = None
        if ahead.patch_life is not None:
            fails = part_failed(since, ahead.patch_life)
        anew = {}
        for name, grown in ahead.anew.items():
            longer = np.minimum(np.arange(horizon_yr + 2), grown.shape[1] - 1)
            anew[name] = grown[:, longer]
        return Paths(ahead.deck_id, nothing, ahead.family, anew, pace, fails)


def read_works(path: Path, *, settings: Settings) -> tuple[pd.DataFrame, float | None, int]:
    """Quantities of drawn repair limits, depths and overlays, and the overbreak that closed repairs show.

    Returns
    -------
    drawn : DataFrame
        deck_id; repair_m2, saw_cut_m and full_part (part of the unsound area inside limits of full depth; missing
        where no depth was given) where the last survey was drawn and the deck has not been repaired since;
        overlay_year of decks with an overlay on record.
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
    limits["full_m2"] = limits["unsound_m2"].where(limits["depth_class"] == "full", 0.0)
    drawn = limits.groupby("deck_id").agg(
        repair_m2=("area_m2", "sum"),
        saw_cut_m=("saw_cut_m", "sum"),
        full_m2=("full_m2", "sum"),
        unsound_m2=("unsound_m2", "sum"),
    )
    told = defects.loc[defects["depth_mm"].notna() | (defects["kind"] == "hole"), "deck_id"].unique()
    drawn["full_part"] = (drawn["full_m2"] / drawn["unsound_m2"]).where(drawn.index.isin(told))
    life = repairs[repairs["treatment"].isin([*OVERLAYS, "new deck"])].sort_values(["repair_date", "repair_id"])
    life = life.groupby("deck_id").tail(1)
    laid = life[life["treatment"].isin(OVERLAYS)].set_index("deck_id")["repair_date"].dt.year
    drawn = drawn[["repair_m2", "saw_cut_m", "full_part"]].join(laid.rename("overlay_year"), how="outer")
    return drawn.reset_index(names="deck_id"), overbreak, count


def with_works(path: Path, network: Network, *, crew_days: float | None = None) -> tuple[Network, Grounds, str]:
    """The network with overbreak as closed repairs show it and crew days as asked, and what its programme rests on.

    Returns
    -------
    network : Network
    grounds : Grounds
    note : str, where overbreak and the life of patches come from if not from the settings
    """
    drawn, overbreak, jobs = read_works(path, settings=network.settings)
    far = network.settings.programme.horizon_yr + LATEST_START_YR
    ahead = look_ahead(path, today=network.today, settings=network.settings, years=far)
    change: dict[str, Any] = {} if crew_days is None else {"crew_days_per_yr": crew_days}
    note = ""
    if ahead.patch_life is not None:
        half = ahead.patch_life[0] * np.log(2.0) ** (1 / ahead.patch_life[1])
        note = f"Patches fail again as those followed here have: half of them within {digits.years(half)} years. "
    if overbreak is not None and network.settings.programme.overbreak_repairs > 0:
        change["overbreak"] = overbreak
        note += f"Overbreak of {digits.factor(overbreak)} is that of {digits.count(jobs)} closed repairs."
    settings = network.settings
    programme = dataclasses.replace(settings.programme, **change)
    changed = dataclasses.replace(network, settings=dataclasses.replace(settings, programme=programme))
    return changed, Grounds(drawn, ahead), note.strip()


def plan(
    network: Network,
    budgets: Sequence[float],
    *,
    first_year: int,
    demands: Demands | None = None,
    drawn: Grounds | None = None,
    like: pd.DataFrame | None = None,
    explain: bool = True,
) -> Programme:
    """The programme for the network under the engineer's demands.

    Without grounds every share climbs straight on at its growth.
    """
    return make_programme(
        **_question(network, budgets, first_year, demands or Demands(), drawn), like=like, explain=explain
    )


def _question(
    network: Network, budgets: Sequence[float], first_year: int, asked: Demands, grounds: Grounds | None
) -> dict[str, Any]:
    """What a programme is made from, as `make_programme` takes it."""
    horizon, known, paths = network.settings.programme.horizon_yr, None, None
    if grounds is not None:
        known, paths = grounds.drawn, grounds.paths(network.today, first_year, len(budgets), horizon)
        if first_year > network.today.year + 1:
            known = known.assign(repair_m2=np.nan, saw_cut_m=np.nan)  # by then more is unsound than was drawn
    return {
        "status": pd.DataFrame(network.status.drop(columns="geometry")),
        "first_year": first_year,
        "budgets": budgets,
        "settings": network.settings,
        "pins": asked.pins,
        "bars": asked.bars,
        "kept": asked.kept,
        "drawn": known,
        "paths": paths,
    }


def in_doubt(
    network: Network,
    budgets: Sequence[float],
    made: Programme,
    *,
    first_year: int,
    demands: Demands | None = None,
    drawn: Grounds | None = None,
    draws: int | None = None,
) -> tuple[Programme, Doubt]:
    """A programme over draws of share and growth.

    Returns
    -------
    made : Programme
        With sure_year and sure_any beside its lines and chance_in beside its waiting decks, 0 to 1.
    doubt : Doubt
    """
    rng = np.random.default_rng(network.settings.rank.seed)
    found = doubt_of(made, **_question(network, budgets, first_year, demands or Demands(), drawn), rng=rng, count=draws)
    lines = made.lines.assign(sure_year=found.lines["sure_year"].array, sure_any=found.lines["sure_any"].array)
    waiting = made.waiting.assign(chance_in=found.waiting["chance_in"].array)
    return dataclasses.replace(made, lines=lines, waiting=waiting), found


def what_demands_cost(
    network: Network,
    budgets: Sequence[float],
    made: Programme,
    *,
    first_year: int,
    demands: Demands,
    drawn: Grounds | None = None,
) -> pd.DataFrame:
    """What each pin, bar and sum kept costs: the programme without it, against the programme with all.

    Returns
    -------
    DataFrame
        demand (text), lost (m2·yr that could be avoided without it), lost_share (of the benefit without it) and
        most_share (the same at the most: against the proven bound without it); the last row is all of them together
        where there are several.
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
    best, network = made, _searched(network, clock_s=0.0)
    for text, without in lots:
        # what is free of all is also free of each, so it starts from the best found so far
        like = best.lines if without == Demands() else made.lines
        free = plan(network, budgets, first_year=first_year, demands=without, drawn=drawn, like=like, explain=False)
        best = free if free.facts["value"] > best.facts["value"] else best
        lost = max(free.facts["value"] - made.facts["value"], 0.0)
        part = lost / free.facts["value"] if free.facts["value"] > 0 else 0.0
        most = max(free.facts["bound"] - made.facts["value"], 0.0)
        most_part = most / free.facts["value"] if free.facts["value"] > 0 else 0.0
        rows.append({"demand": text, "lost": lost, "lost_share": part, "most_share": most_part})
    return pd.DataFrame(rows)


def _searched(network: Network, **how: Any) -> Network:
    """The network with other settings of the search for a programme."""
    programme = dataclasses.replace(network.settings.programme, **how)
    return dataclasses.replace(network, settings=dataclasses.replace(network.settings, programme=programme))


def curve(
    network: Network,
    budgets: Sequence[float],
    times: Sequence[float],
    *,
    first_year: int,
    demands: Demands | None = None,
    drawn: Grounds | None = None,
    gap: float = COMPARE_GAP,
) -> pd.DataFrame:
    """What more or less money buys: one programme for each multiple of the budgets.

    Each is searched with quick effort, to `gap` or to that of the settings where it is wider, and says the gap it came
    to.

    Returns
    -------
    DataFrame, by rising multiple
        times, budget_total, cost, works, value, bound, gap, unsound_end_m2, past_share, next_1000 (m2·yr that
        1,000 more of money over all years buys from the multiple before to this one; missing in the first).
    """
    if not times or any(not np.isfinite(t) or t < 0 for t in times):
        raise BudgetError(f"--compare: {list(times)} are not multiples of 0 or more. Write 0.5,1,1.5,2.")
    gap = max(network.settings.programme.gap, gap)
    network = _searched(network, gap=gap, effort="quick", clock_s=0.0)
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
    """Programmes kept in a store.

    Returns
    -------
    DataFrame
        name, made_at, made_by, first_year, years, budget, lines, cost, value; closure_h (h, all closures), queue_veh
        (longest queue, vehicles) and user_cost, missing where the programme was kept before these were.
    """
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
            **{name: kept[name].astype(float) for name in ("closure_h", "queue_veh", "user_cost")},
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
        deck_id, change (only in the first, only in the second, moved, other treatment, other closure, other
        quantities), then year, treatment, cost, window, material, closure_h and user_cost of each, suffixed _one and
        _other.
    """
    with Store.open(path) as store:
        a, b = store.programme_lines(one), store.programme_lines(other)
    kept = kept_programmes(path).set_index("name").loc[[one, other]].reset_index()
    for lines in (a, b):
        lines["turn"] = lines.groupby("deck_id").cumcount()
    held = ["year", "treatment", "cost", "window", "material", "closure_h", "user_cost"]
    columns = ["deck_id", "turn", *held]
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
        for name in ("window", "material"):
            one_, other_ = getattr(row, f"{name}_one"), getattr(row, f"{name}_other")
            if pd.notna(one_) and pd.notna(other_) and one_ != other_:
                return "other closure"
        return "" if row.cost_one == row.cost_other else "other quantities"

    both["change"] = [word(row) for row in both.itertuples(index=False)]
    changes = both[both["change"] != ""].drop(columns="turn").sort_values(["change", "deck_id"], ignore_index=True)
    names = ["deck_id", "change", *(f"{name}_{which}" for which in ("one", "other") for name in held)]
    return kept, changes[names].astype({"year_one": "Int64", "year_other": "Int64"})


def planned_closures(path: Path, name: str, year: int) -> dict[str, str]:
    """What a kept programme says of the closure of each deck of a year, in words; nothing where it kept none."""
    with Store.open(path) as store:
        lines = store.programme_lines(name)
        currency = str(store.about().get("currency", Settings().currency))
    mine = lines[(lines["year"] == year) & lines["window"].notna()]
    out = {}
    for line in mine.itertuples(index=False):
        how = (
            "1 closure that stays" if line.window == "continuous" else f"{digits.count(line.closures)} x {line.window}"
        )
        queue = f"queue up to {digits.traffic(line.queue_veh)} vehicles" if line.queue_veh > 0 else "no queue expected"
        out[str(line.deck_id)] = (
            f"Planned as {line.treatment} in programme {name!r} for {line.year}: lanes closed {how}, "
            f"{digits.hours(line.closure_h)} h in all, {line.material} material; {queue}; road users lose about "
            f"{digits.money(line.user_cost)} {currency}."
        )
    return out


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
        repair_m2, done_m2, window, material, closure_h (h), done_closure_h (h).
    others : DataFrame
        Repairs of the programme's years on decks that have no line in it: deck_id, repair_date, treatment, area_m2,
        cost.
    facts : dict
        lines, done, changed, not_done; cost_ratio (cost done against estimate, over lines with both),
        area_ratio (m2 done against estimate, over lines with both), closure_ratio (hours closed, the same).
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
        costs, areas, hours = (found[name].dropna() for name in ("cost", "area_m2", "closure_h"))
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
                "window": line.window,
                "material": line.material,
                "closure_h": line.closure_h,
                "done_closure_h": float(hours.sum()) if len(hours) else float("nan"),
            }
        )
    held = pd.DataFrame(
        rows,
        columns=[
            *("year", "deck_id", "treatment", "fate", "done_treatment", "done_date", "cost", "done_cost"),
            *("repair_m2", "done_m2", "window", "material", "closure_h", "done_closure_h"),
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
        "closure_ratio": ratio("done_closure_h", "closure_h"),
    }
    return held, others, facts


def keep(
    path: Path, name: str, network: Network, made: Programme, budgets: Sequence[float], *, first_year: int,
    now: datetime,
) -> None:  # fmt: skip
    """Keep a programme in the store."""
    flow.save_programme(path, name, network, made, budgets, first_year=first_year, now=now, who=flow.who_am_i())

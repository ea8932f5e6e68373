"""A question about money, and the study that answers it. There is no other way to a programme.

A programme that is kept is read back into the same value, so that every output can be drawn from either.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet import digits
from decknet.errors import BudgetError
from decknet.flow.condition import Condition
from decknet.flow.files import software
from decknet.flow.reading import KeptProgramme, Records, with_store
from decknet.keep import add_programme, withdraw_programme
from decknet.predict import part_failed
from decknet.schedule import Doubt, Paths, Programme, doubt_of, look_worth, make_programme, within_hours
from decknet.settings import Settings, searched, settings_kept

__all__ = [
    "COMPARE_GAP",
    "Question",
    "Study",
    "budgets_for",
    "demand_costs",
    "in_doubt",
    "keep",
    "kept_study",
    "money_curve",
    "moved_since",
    "question_of",
    "soundings",
    "study",
    "withdraw",
]

COMPARE_GAP = 0.005  # how closely programmes for other sums of money are searched


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a programme.

    Attributes
    ----------
    budgets : tuple of float, currency
        Money of each year.
    first_year : int
        Calendar year of the first budget.
    pins : deck -> (calendar year, treatment or None)
        Works that are fixed.
    bars : tuple of deck
        Decks that get no line.
    kept : district -> money a year that only its decks may have
    crew_days : float or None
        Crew days a year; None: as the settings say.
    effort : str or None
        quick, normal or long: how much work the search does; None: as the settings say.
    seconds : float or None
        A clock on the search; None: as the settings say.
    """

    budgets: tuple[float, ...]
    first_year: int
    pins: Mapping[str, tuple[int, str | None]] = dataclasses.field(default_factory=dict)
    bars: tuple[str, ...] = ()
    kept: Mapping[str, float] = dataclasses.field(default_factory=dict)
    crew_days: float | None = None
    effort: str | None = None
    seconds: float | None = None

    def demands(self) -> bool:
        """Whether anything is asked beside the money."""
        return bool(self.pins or self.bars or self.kept)

    def with_money(self, times: float) -> Question:
        """The same question with a multiple of the money, in whole units."""
        return dataclasses.replace(self, budgets=tuple(float(np.floor(b * times)) for b in self.budgets))

    def as_json(self) -> str:
        """What is asked beside the money, as it is kept."""
        return json.dumps(
            {
                "pins": {deck: list(at) for deck, at in sorted(self.pins.items())},
                "bars": sorted(self.bars),
                "kept": dict(sorted(self.kept.items())),
                "crew_days": self.crew_days,
                "effort": self.effort,
                "seconds": self.seconds,
            }
        )


@dataclass(frozen=True, eq=False, slots=True)
class Study:
    """A question, its answer, and what it was asked of.

    Attributes
    ----------
    condition : Condition
        What outputs show beside the programme: of the day it was asked, or for a kept one of today.
    question : Question
    settings : Settings
        Those it was searched with.
    made : Programme
    note : str
        What it rests on beside the settings, in words.
    kept : KeptProgramme or None
        What the store holds of it; None where it has just been made.
    """

    condition: Condition
    question: Question
    settings: Settings
    made: Programme
    note: str = ""
    kept: KeptProgramme | None = None

    @property
    def lines(self) -> pd.DataFrame:
        """Its lines, as ``schedule.Programme`` has them."""
        return self.made.lines

    @property
    def years(self) -> pd.DataFrame:
        """Its years."""
        return self.made.years

    @property
    def waiting(self) -> pd.DataFrame:
        """Decks without a line."""
        return self.made.waiting

    @property
    def facts(self) -> dict[str, float]:
        """Its outcome in figures."""
        return self.made.facts

    @property
    def yardsticks(self) -> pd.DataFrame:
        """The same money spent otherwise."""
        return self.made.yardsticks

    @property
    def name(self) -> str:
        """The name it is kept under; empty where it has just been made."""
        return self.kept.name if self.kept else ""

    def told(self) -> str:
        """Which programme this is, of what day, in a sentence for the face of every output."""
        question, records = self.question, self.condition.records
        years = f"{question.first_year} to {question.first_year + len(question.budgets) - 1}"
        if self.kept is None:
            return f"Draft programme for {years}, made on records of {records.day.isoformat()}."
        about = self.kept.about
        return (
            f"Programme “{self.name}” for {years}, kept on {about['made_at']:%Y-%m-%d} by {about['made_by']}. "
            f"{moved_since(self.kept, records)}"
        )


def budgets_for(budget: Sequence[float], years: int) -> tuple[float, ...]:
    """A sum for each year: one sum stands for every year, else one is needed for each.

    Examples
    --------
    >>> budgets_for([2e6], 3)
    (2000000.0, 2000000.0, 2000000.0)
    """
    sums = tuple(float(b) for b in budget)
    if len(sums) == 1:
        return sums * years
    if len(sums) != years:
        raise BudgetError(f"--budget: {len(sums)} sums for {years} years. Give one sum, or one for each year.")
    return sums


# ---- asking ----------------------------------------------------------------------------------------


def study(
    condition: Condition, question: Question, *, like: pd.DataFrame | None = None, explain: bool = True,
    gap: float = 0.0, clock: bool = True,
) -> Study:  # fmt: skip
    """The programme that answers a question.

    Parameters
    ----------
    condition : Condition
    question : Question
    like, explain
        As ``schedule.make_programme`` takes them.
    gap : float
        Searched no more closely than to this, with quick effort and no clock; 0: as the settings say.
    clock : bool
        False leaves the clock away.

    Raises
    ------
    BudgetError
        What is asked cannot be had; the message says what clashes.
    """
    settings, note = _settings_for(condition, question, gap, clock)
    made = make_programme(**_posed(condition, question, settings), like=like, explain=explain)
    return Study(condition, question, settings, made, note)


def _settings_for(
    condition: Condition, question: Question, gap: float = 0.0, clock: bool = True
) -> tuple[Settings, str]:
    """Settings with overbreak as closed repairs show it and crew days as asked; and what that rests on, in words."""
    overbreak, jobs = condition.overbreak
    change: dict[str, Any] = {"overbreak": overbreak}
    if question.crew_days is not None:
        change["crew_days_per_yr"] = question.crew_days
    if gap or not clock:
        change["clock_s"] = 0.0
    if gap:
        change |= {"gap": max(condition.settings.programme.gap, gap), "effort": "quick"}
    told = []
    if condition.patch_life is not None:
        half = condition.patch_life[0] * np.log(2.0) ** (1 / condition.patch_life[1])
        told.append(f"Patches fail again as those followed here have: half of them within {digits.years(half)} years.")
    if jobs:
        told.append(f"Overbreak of {digits.factor(overbreak)} is that of {digits.count(jobs)} closed repairs.")
    chosen = searched(condition.settings, question.effort, question.seconds)
    programme = dataclasses.replace(chosen.programme, **change)
    return dataclasses.replace(chosen, programme=programme), " ".join(told)


def _posed(condition: Condition, question: Question, settings: Settings) -> dict[str, Any]:
    """What a programme is made from, as ``make_programme`` takes it."""
    known = condition.works
    if question.first_year > condition.today.year + 1:
        known = known.assign(repair_m2=np.nan, saw_cut_m=np.nan)  # by then more is unsound than was drawn
    return {
        "status": pd.DataFrame(condition.status.drop(columns="geometry")),
        "first_year": question.first_year,
        "budgets": question.budgets,
        "settings": settings,
        "pins": question.pins,
        "bars": question.bars,
        "kept": question.kept,
        "drawn": known,
        "paths": _paths(condition, question.first_year, len(question.budgets), settings.programme.horizon_yr),
    }


def _paths(condition: Condition, first_year: int, years: int, horizon_yr: int) -> Paths:
    """Forecasts in whole years from the start of the first year, or from today where that is later."""
    ahead = condition.ahead
    start = max((date(first_year, 1, 1) - condition.today).days / 365.25, 0.0)
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


def in_doubt(found: Study, draws: int | None = None) -> tuple[Study, Doubt]:
    """A programme over draws of share and growth.

    Returns
    -------
    found : Study
        With sure_year and sure_any beside its lines and chance_in beside its waiting decks, 0 to 1.
    doubt : Doubt
    """
    rng = np.random.default_rng(found.settings.rank.seed)
    posed = _posed(found.condition, found.question, found.settings)
    doubt = doubt_of(found.made, **posed, rng=rng, count=draws)
    lines = found.made.lines.assign(
        sure_year=doubt.lines["sure_year"].array, sure_any=doubt.lines["sure_any"].array
    )  # fmt: skip
    waiting = found.made.waiting.assign(chance_in=doubt.waiting["chance_in"].array)
    return dataclasses.replace(found, made=dataclasses.replace(found.made, lines=lines, waiting=waiting)), doubt


def soundings(found: Study, hours: float | None = None) -> pd.DataFrame:
    """Decks by what one more sounding could change in the choice of a programme, for an hour of closure.

    Parameters
    ----------
    found : Study
    hours : float, optional
        Lane-hours that may be had: only the soundings that fit, the most for an hour first. None: every deck.

    Returns
    -------
    DataFrame
        As `schedule.look_worth` gives.
    """
    worth = look_worth(**_posed(found.condition, found.question, found.settings))
    return worth if hours is None else within_hours(worth, hours)


def demand_costs(found: Study) -> pd.DataFrame:
    """What each pin, bar and sum kept costs: the programme without it, against the programme with all.

    Returns
    -------
    DataFrame
        demand (text), lost (m2·yr that could be avoided without it), lost_share (of the benefit without it) and
        most_share (the same at the most: against the proven bound without it); the last row is all of them together
        where there are several.
    """
    asked, made = found.question, found.made
    lots: list[tuple[str, Question]] = []
    for deck, (year, treatment) in sorted(asked.pins.items()):
        rest = {k: v for k, v in asked.pins.items() if k != deck}
        text = f"pin {deck} in {year}" + (f" ({treatment})" if treatment else "")
        lots.append((text, dataclasses.replace(asked, pins=rest)))
    lots += [
        (f"bar {deck}", dataclasses.replace(asked, bars=tuple(d for d in asked.bars if d != deck)))
        for deck in sorted(asked.bars)
    ]
    for area in sorted(asked.kept):
        rest_kept = {k: v for k, v in asked.kept.items() if k != area}
        lots.append((f"money kept for {area}", dataclasses.replace(asked, kept=rest_kept)))
    bare = dataclasses.replace(asked, pins={}, bars=(), kept={})
    if len(lots) > 1:
        lots.append(("all together", bare))
    rows, best = [], made
    for text, without in lots:
        # what is free of all is also free of each, so it starts from the best found so far
        like = best.lines if without == bare else made.lines
        free = study(found.condition, without, like=like, explain=False, clock=False).made
        best = free if free.facts["value"] > best.facts["value"] else best
        lost = max(free.facts["value"] - made.facts["value"], 0.0)
        most = max(free.facts["bound"] - made.facts["value"], 0.0)
        whole = free.facts["value"]
        part, most_part = (lost / whole, most / whole) if whole > 0 else (0.0, 0.0)
        rows.append({"demand": text, "lost": lost, "lost_share": part, "most_share": most_part})
    return pd.DataFrame(rows)


def money_curve(
    condition: Condition, question: Question, times: Sequence[float], *, gap: float = COMPARE_GAP,
    refused: dict[float, str] | None = None,
) -> tuple[pd.DataFrame, dict[float, Study]]:  # fmt: skip
    """What more or less money buys: one programme for each multiple of the budgets.

    Each is searched with quick effort, to `gap` or to that of the settings where it is wider, and says the gap it came
    to.

    Parameters
    ----------
    condition, question
    times : sequence of float, >= 0
    gap : float
    refused : dict or None
        Takes why a sum cannot be had, by its multiple, as where it does not pay what is fixed; None: it is an error.

    Returns
    -------
    curve : DataFrame, by rising multiple
        times, budget_total, cost, works, value, bound, gap, unsound_end_m2, past_share, next_1000 (m2·yr that
        1,000 more of money over all years buys from the multiple before to this one; missing in the first).
    studies : dict of multiple to Study
    """
    if not times or any(not np.isfinite(t) or t < 0 for t in times):
        raise BudgetError(f"--compare: {list(times)} are not multiples of 0 or more. Write 0.5,1,1.5,2.")
    rows: list[dict[str, float]] = []
    studies: dict[float, Study] = {}
    lines = None
    for multiple in sorted(set(times)):
        try:
            found = study(condition, question.with_money(multiple), like=lines, explain=False, gap=gap)
        except BudgetError as why:
            if refused is None:
                raise
            refused[multiple] = str(why)
            continue
        studies[multiple], lines, facts = found, found.made.lines, found.made.facts
        row = {"times": multiple, **_outcome(found.made), "next_1000": float("nan")}
        if rows and row["budget_total"] > rows[-1]["budget_total"]:
            more = row["budget_total"] - rows[-1]["budget_total"]
            row["next_1000"] = 1_000 * (facts["value"] - rows[-1]["value"]) / more
        rows.append(row)
    return pd.DataFrame(rows, columns=["times", *_OUTCOME, "next_1000"]).astype({"works": "Int64"}), studies


# Figure of a programme, as a curve of money names it -> as its facts do.
_OUTCOME = {
    "budget_total": "budget_total", "cost": "cost_total", "works": "", "value": "value", "bound": "bound", "gap": "gap",
    "unsound_end_m2": "unsound_end_m2", "past_share": "past_share",
}  # fmt: skip


def _outcome(made: Programme) -> dict[str, float]:
    return {name: made.facts[of] if of else float(len(made.lines)) for name, of in _OUTCOME.items()}


# ---- keeping ---------------------------------------------------------------------------------------


def keep(path: Path, name: str, found: Study, *, now: datetime, who: str) -> int:
    """Keep a programme in the store under a name, whole, with all that made it.

    Raises
    ------
    StoreError
        The name is taken.
    """
    records, made = found.condition.records, found.made
    last, undone = records.seen()
    facts = {k: None if v != v else v for k, v in made.facts.items()}
    values = {
        "made_at": now, "made_by": who, "software": software(), "first_year": found.question.first_year, "seed": 0,
        "budgets": json.dumps(list(found.question.budgets)), "settings": json.dumps(asdict(found.settings)),
        "facts": json.dumps(facts), "day": records.day, "question": found.question.as_json(),
        "records_to": records.records_to, "last_intake": last, "taken_back": undone, "note": found.note,
    }  # fmt: skip
    frames = {part: getattr(made, part) for part in ("lines", "years", "waiting", "yardsticks", "shares")}
    return with_store(path, lambda store: add_programme(store, name, frames, values), write=True)


def withdraw(path: Path, name: str, *, now: datetime, who: str) -> None:
    """Withdraw a programme that is kept: it stays on record.

    Raises
    ------
    StoreError
        None of that name is kept, or it is withdrawn already.
    """
    with_store(path, lambda store: withdraw_programme(store, name, now=now, who=who), write=True)


def question_of(kept: KeptProgramme) -> Question:
    """What was asked of a programme that is kept."""
    asked = kept.question
    pins = {deck: (int(at[0]), at[1]) for deck, at in asked.get("pins", {}).items()}
    if not asked and len(kept.frames["lines"]):  # kept before questions were
        fixed = kept.frames["lines"]
        fixed = fixed[fixed["pinned"].fillna(False).astype(bool)]
        pins = {r.deck_id: (int(r.year), r.treatment) for r in fixed.itertuples()}
    return Question(
        kept.budgets, int(kept.about["first_year"]), pins, tuple(asked.get("bars", ())), asked.get("kept", {}),
        asked.get("crew_days"), asked.get("effort"), asked.get("seconds"),
    )  # fmt: skip


def kept_study(condition: Condition, name: str) -> Study:
    """A programme that is kept, as it was agreed: its own lines, sums and settings, beside today's condition.

    Parameters
    ----------
    condition : Condition
        From a reading that asked for the programme.
    name : str

    Raises
    ------
    RecordError
        None of that name is kept.
    """
    kept = condition.records.programme(name)
    settings = settings_kept(json.loads(kept.about["settings"]))
    frames = {part: _with_labels(frame, settings) for part, frame in kept.frames.items()}
    if frames["years"].empty:  # kept before its years were: what its lines and budgets add up to
        frames["years"] = _years_of(kept, frames["lines"])
    made = Programme(
        frames["lines"], frames["years"], frames["waiting"], kept.facts, frames["yardsticks"], frames["shares"]
    )  # fmt: skip
    note = kept.about["note"]
    return Study(condition, question_of(kept), settings, made, note if isinstance(note, str) else "", kept)


def _with_labels(frame: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Lines with their treatment in words, and only the columns that anything stands in."""
    if "treatment" in frame and "label" in frame:
        labels = {key: treatment.label for key, treatment in settings.treatment.items()}
        named = frame["treatment"].map(labels).fillna(frame["treatment"]).astype("str")
        frame = frame.assign(label=frame["label"].fillna(named))
    sure = [n for n in ("sure_year", "sure_any", "chance_in") if n in frame and frame[n].isna().all()]
    return frame.drop(columns=sure)


def _years_of(kept: KeptProgramme, lines: pd.DataFrame) -> pd.DataFrame:
    first = int(kept.about["first_year"])
    years = pd.DataFrame({"year": range(first, first + len(kept.budgets)), "budget": kept.budgets})
    sums = lines.groupby("year").agg(
        cost=("cost", "sum"), crew_days=("crew_days", "sum"), decks=("deck_id", "size"),
        repair_m2=("repair_m2", "sum"), user_cost=("user_cost", "sum"),
    )  # fmt: skip
    sums.index = sums.index.astype("int64")
    out = years.join(sums, on="year").fillna(dict.fromkeys(sums.columns, 0))
    missing = {"carried_over": np.nan, "buys_next": np.nan}
    out = out.assign(left=out["budget"] - out["cost"], **missing)
    return out.astype({"year": "Int64", "decks": "Int64"})


def moved_since(kept: KeptProgramme, records: Records) -> str:
    """Whether the records have moved since a programme was kept, in words."""
    about = kept.about
    if pd.isna(about["last_intake"]):
        return "It was kept before the records behind a programme were noted."
    _, undone = records.seen()
    log = records.intakes
    later = log[log["intake_id"] > int(about["last_intake"])] if len(log) else log
    news = int((later["records_new"] + later["records_corrected"]).sum()) if len(later) else 0
    back = undone - int(about["taken_back"])
    if not news and back <= 0:
        return "The records have not changed since."
    told = [f"{digits.count(news)} record{'s' if news != 1 else ''} came in"] if news else []
    told += [f"{back} intake{'s were' if back != 1 else ' was'} taken back"] if back > 0 else []
    return f"Since then {' and '.join(told)}, which it does not know of."

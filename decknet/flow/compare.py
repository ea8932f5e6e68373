"""Programmes held beside each other: what differs and why, what drops out when money is cut, and what was done."""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet import digits
from decknet.errors import BudgetError
from decknet.flow.condition import Condition, condition_of, read_condition
from decknet.flow.programme import Study, question_of, study
from decknet.flow.reading import AsOf, KeptProgramme, Records
from decknet.settings import Settings, settings_kept

__all__ = ["Cut", "Side", "compare", "cut", "done_lines", "kept_programmes", "less_money"]

_HELD = ["year", "treatment", "cost", "window", "material", "closure_h", "user_cost"]


@dataclass(frozen=True, slots=True)
class Side:
    """Two programmes side by side.

    Attributes
    ----------
    sums : DataFrame, two rows
        As `kept_programmes` gives.
    changes : DataFrame, one row a deck whose works differ
        deck_id, change (only in the first, only in the second, moved, other treatment, other closure, other
        quantities), because (question, records, both; missing where it could not be told), then year, treatment,
        cost, window, material, closure_h and user_cost of each, suffixed _one and _other.
    told : tuple of str
        What differs between the questions and the records behind them, a sentence each.
    """

    sums: pd.DataFrame
    changes: pd.DataFrame
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cut:
    """What happens to a programme with other money.

    Attributes
    ----------
    before, after : Study
    changes : DataFrame, one row a deck whose works differ
        deck_id, name, change ("goes", "comes", "moves", "other treatment"), year_before, treatment_before, cost_before,
        year_after, treatment_after, cost_after, urgent.
    """

    before: Study
    after: Study
    changes: pd.DataFrame


def kept_programmes(records: Records) -> pd.DataFrame:
    """Programmes kept in a store.

    Returns
    -------
    DataFrame
        name, made_at, made_by, first_year, years, budget, lines, cost, value; closure_h (h, all closures), queue_veh
        (longest queue, vehicles) and user_cost, missing where the programme was kept before these were; withdrawn_at.
    """
    kept = records.programmes
    facts = [json.loads(text) for text in kept["facts"]]
    budgets = [json.loads(text) for text in kept["budgets"]]
    return pd.DataFrame(
        {
            "name": kept["name"], "made_at": kept["made_at"], "made_by": kept["made_by"],
            "first_year": kept["first_year"], "years": [len(b) for b in budgets],
            "budget": [float(sum(b)) for b in budgets], "lines": kept["lines"], "cost": kept["cost"],
            "value": [float(f.get("value", float("nan"))) for f in facts],
            **{name: kept[name].astype(float) for name in ("closure_h", "queue_veh", "user_cost")},
            "withdrawn_at": kept["withdrawn_at"],
        }
    )  # fmt: skip


# ---- two programmes --------------------------------------------------------------------------------


def _beside(one: pd.DataFrame, other: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Lines of two programmes, deck by deck; of a deck with two works the first beside the first."""
    parts = []
    for lines in (one, other):
        ordered = lines.sort_values(["year", "deck_id"], kind="stable")
        parts.append(ordered.assign(turn=ordered.groupby("deck_id").cumcount())[["deck_id", "turn", *columns]])
    return parts[0].merge(parts[1], on=["deck_id", "turn"], how="outer", suffixes=("_one", "_other"))


def _differs(both: pd.DataFrame) -> pd.Series:
    """Whether treatment or year of a deck differ."""
    same = (both["treatment_one"] == both["treatment_other"]) & (both["year_one"] == both["year_other"])
    return ~same.fillna(False).astype(bool)


def compare(path: Path, one: str, other: str) -> Side:
    """Two programmes that are kept, side by side, and why they differ.

    Where both the question and the records differ, the first one's question is asked again on the records that the
    second one saw: what changes between those two is of the records, the rest of the question.

    Raises
    ------
    RecordError
        None of that name is kept.
    """
    condition = read_condition(path, settings=Settings(), programmes=(one, other))
    records = condition.records
    first, second = records.programme(one), records.programme(other)
    both = _beside(first.frames["lines"], second.frames["lines"], _HELD)
    both["change"] = [_word(row, one, other) for row in both.itertuples(index=False)]
    changes = both[both["change"] != ""].drop(columns="turn").sort_values(["change", "deck_id"], ignore_index=True)
    because, told = _why(path, first, second, changes)
    changes["because"] = pd.Series(because, index=changes.index, dtype="str")
    names = ["deck_id", "change", "because", *(f"{name}_{which}" for which in ("one", "other") for name in _HELD)]
    sums = kept_programmes(records).set_index("name").loc[[one, other]].reset_index()
    return Side(sums, changes[names].astype({"year_one": "Int64", "year_other": "Int64"}), told)


def _word(row: Any, one: str, other: str) -> str:
    if pd.isna(row.year_other):
        return f"only in {one}"
    if pd.isna(row.year_one):
        return f"only in {other}"
    if row.treatment_one != row.treatment_other:
        return "other treatment"
    if row.year_one != row.year_other:
        return "moved"
    for name in ("window", "material"):
        first, second = getattr(row, f"{name}_one"), getattr(row, f"{name}_other")
        if pd.notna(first) and pd.notna(second) and first != second:
            return "other closure"
    return "" if row.cost_one == row.cost_other else "other quantities"


def _why(
    path: Path, first: KeptProgramme, second: KeptProgramme, changes: pd.DataFrame
) -> tuple[list[str | None], tuple[str, ...]]:
    """Of each change, whether the question or the records brought it; and what differs between them, in words."""
    asked, told = _question_words(first, second), []
    moved = _records_words(first, second)
    told += [f"The question differs: {'; '.join(asked)}."] if asked else ["The same was asked of both."]
    told += [moved] if moved else ["Both saw the same records."]
    if changes.empty or not (asked and moved):
        only: str | None = "question" if asked else "records" if moved else None
        return [only for _ in range(len(changes))], tuple(told)
    between = _asked_again(path, first, second)
    if between is None:
        told.append("What brought each change cannot be told: the records that the second saw cannot be read back.")
        return [None] * len(changes), tuple(told)
    by_records = _changed_decks(first.frames["lines"], between)
    by_question = _changed_decks(between, second.frames["lines"])
    words: list[str | None] = []
    for deck in changes["deck_id"]:
        both = (deck in by_records, deck in by_question)
        words.append({(True, False): "records", (False, True): "question"}.get(both, "both"))
    return words, tuple(told)


def _changed_decks(one: pd.DataFrame, other: pd.DataFrame) -> set[str]:
    """Decks whose works differ in anything that is compared."""
    both = _beside(one, other, ["year", "treatment", "cost"])
    rows = _differs(both) | (both["cost_one"] != both["cost_other"])
    return set(both.loc[rows, "deck_id"])


def _asked_again(path: Path, first: KeptProgramme, second: KeptProgramme) -> pd.DataFrame | None:
    """Lines of the first one's question on the records that the second one saw."""
    about = second.about
    if pd.isna(about["day"]) or pd.isna(about["made_at"]):
        return None
    settings = settings_kept(json.loads(first.about["settings"]))
    records_to = None if pd.isna(about["records_to"]) else pd.Timestamp(about["records_to"]).date()
    asked = AsOf(pd.Timestamp(about["day"]).date(), records_to, pd.Timestamp(about["made_at"]).date())
    then = read_condition(path, settings=settings, asked=asked)
    return study(then, question_of(first), explain=False).made.lines


def _question_words(first: KeptProgramme, second: KeptProgramme) -> list[str]:
    """What differs between two questions, in words."""
    one, other = question_of(first), question_of(second)
    out = []
    for name, word in (
        ("budgets", "money"), ("first_year", "first year"), ("pins", "pins"), ("bars", "bars"),
        ("kept", "money kept for districts"), ("crew_days", "crew days"),
    ):  # fmt: skip
        a, b = getattr(one, name), getattr(other, name)
        if a != b:
            out.append(f"{word} {_said(a)} against {_said(b)}" if name in {"first_year", "crew_days"} else word)
    changed = _settings_between(first, second)
    if changed:
        more = f" and {len(changed) - 6} more" if len(changed) > 6 else ""
        out.append(f"settings ({', '.join(changed[:6])}{more})")
    if first.about["software"] != second.about["software"]:
        out.append(f"version ({first.about['software']} against {second.about['software']})")
    return out


def _said(value: Any) -> str:
    return "as the settings say" if value is None else digits.given(value)


def _settings_between(first: KeptProgramme, second: KeptProgramme) -> list[str]:
    """Keys of the settings that differ; overbreak and crew days are of records and question."""
    flat: list[dict[str, Any]] = []
    for kept in (first, second):
        out: dict[str, Any] = {}
        stack = [("", json.loads(kept.about["settings"]))]
        while stack:
            at, data = stack.pop()
            for key, value in data.items():
                where = f"{at}.{key}" if at else key
                if isinstance(value, dict):
                    stack.append((where, value))
                else:
                    out[where] = value
        flat.append(out)
    own = {"programme.overbreak", "programme.crew_days_per_yr"}
    return sorted(k for k in flat[0].keys() | flat[1].keys() if k not in own and flat[0].get(k) != flat[1].get(k))


def _records_words(first: KeptProgramme, second: KeptProgramme) -> str:
    """What differs between the records that two programmes saw, in a sentence; empty where nothing does."""
    names = ("last_intake", "taken_back", "records_to", "day")
    one: dict[str, Any] = {n: first.about[n] for n in names}
    other: dict[str, Any] = {n: second.about[n] for n in names}
    a: list[Any] = [None if pd.isna(one[n]) else one[n] for n in names]
    b: list[Any] = [None if pd.isna(other[n]) else other[n] for n in names]
    if a[0] is None or b[0] is None:
        return "What records one of them saw was not noted when it was kept."
    if a == b:
        return ""
    parts = []
    if a[0] != b[0]:
        parts.append(f"the first saw {int(a[0])} intakes, the second {int(b[0])}")
    if a[1] != b[1]:
        parts.append(f"{abs(int(b[1]) - int(a[1]))} intakes were taken back between them")
    if a[3] != b[3]:
        parts.append(f"figures of {pd.Timestamp(a[3]):%Y-%m-%d} against {pd.Timestamp(b[3]):%Y-%m-%d}")
    if a[2] != b[2]:
        parts.append("they are of records dated to other days")
    return f"The records behind them differ: {'; '.join(parts)}."


# ---- other money -----------------------------------------------------------------------------------


def less_money(found: Study, part: float) -> Cut:
    """What drops out, comes in or moves when all money is multiplied.

    Parameters
    ----------
    found : Study
    part : float, >= 0
        What is left of the money: 0.8 where it is cut by a fifth.

    Raises
    ------
    BudgetError
        Less money cannot pay what was fixed; the message says what clashes.
    """
    if not np.isfinite(part) or part < 0:
        raise BudgetError(
            f"--by: {digits.given(100 * (1 - part))} % of the money cannot be taken. Write 20 for a fifth less."
        )
    if found.kept is None:
        return cut(found, study(found.condition, found.question.with_money(part)))
    condition = _with_settings(found.condition, found.settings)
    if found.kept.about["last_intake"] != condition.records.seen()[0]:
        found = study(condition, found.question)  # both sides on the records of today
    return cut(found, study(condition, found.question.with_money(part)))


def _with_settings(condition: Condition, settings: Settings) -> Condition:
    """The condition under a programme's own settings; the same one where they are its own."""
    now = condition.settings
    own = dataclasses.replace(
        settings.programme, overbreak=now.programme.overbreak, crew_days_per_yr=now.programme.crew_days_per_yr
    )
    settings = dataclasses.replace(settings, programme=own)
    return condition if settings == now else condition_of(condition.records, settings)


def cut(before: Study, after: Study) -> Cut:
    """Two programmes for other sums of money, deck by deck."""
    both = _beside(before.made.lines, after.made.lines, ["year", "treatment", "label", "cost", "urgent"])
    both = both[_differs(both)]
    status = before.condition.status.set_index("deck_id")
    gone, new = both["year_other"].isna().to_numpy(), both["year_one"].isna().to_numpy()
    other = (both["treatment_one"] != both["treatment_other"]).to_numpy()
    change = np.select([gone, new, other], ["goes", "comes", "other treatment"], "moves")
    order = {"goes": 0, "moves": 1, "other treatment": 2, "comes": 3}
    urgent = both["urgent_one"].astype("boolean").fillna(both["urgent_other"].astype("boolean"))
    table = pd.DataFrame(
        {
            "deck_id": both["deck_id"].astype("str"),
            "name": status["name"].reindex(both["deck_id"]).astype("str").to_numpy(),
            "change": pd.Series(change, index=both.index, dtype="str"),
            **{
                f"{name}_{word}": both[f"{name}_{which}"]
                for word, which in (("before", "one"), ("after", "other"))
                for name in ("year", "label", "cost")
            },
            "urgent": urgent,
        }
    ).astype({"year_before": "Int64", "year_after": "Int64"})
    table["turn"] = table["change"].map(order)
    table = table.sort_values(["turn", "year_before", "year_after", "deck_id"], kind="stable", ignore_index=True)
    return Cut(before, after, table.drop(columns="turn"))


# ---- planned and done ------------------------------------------------------------------------------


def done_lines(
    records: Records, kept: KeptProgramme, *, year: int | None = None
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, float]]:
    """A programme kept, held against the repairs recorded since it was made.

    Parameters
    ----------
    records : Records
    kept : KeptProgramme
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
    about, lines, repairs = kept.about, kept.frames["lines"], records["repair"]
    last = int(about["first_year"]) + len(kept.budgets) - 1
    if year is not None:
        known = range(int(about["first_year"]), last + 1)
        if year not in known:
            raise BudgetError(
                f"--year {year}: {kept.name!r} runs from {known[0]} to {known[-1]}. Name one of its years."
            )
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

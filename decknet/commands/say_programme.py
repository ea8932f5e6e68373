"""What the commands of the programme print beside its lines."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from decknet.commands.say import _table as table

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.schedule import Programme

__all__ = ["changes", "curve", "demands", "done", "kept", "meaning"]


def meaning(out: Console, made: Programme, money: str) -> None:
    """Print what the next money buys, the yardsticks, and the user cost."""
    facts = made.facts
    buys = "; ".join(f"{r.year}: {r.buys_next:,.1f}" for r in made.years.itertuples())
    out.print(f"The next 1,000 {money} in a year would avoid about this many m²·yr more: {buys}.")
    out.print(
        f"Road users lose about {facts['user_cost_total']:,.0f} {money} in the closures; that is no agency money and "
        "stands in no budget."
    )
    rows = [
        (
            r.way,
            f"{r.cost:,.0f}",
            f"{r.works:,}",
            f"{r.value:,.0f}",
            f"{r.unsound_end_m2:,.0f}",
            f"{100 * r.past_share:.1f}",
            f"{r.past_decks:,}",
            f"{r.backlog:,.0f}",
        )
        for r in made.yardsticks.itertuples()
    ]
    if rows:
        out.print("The same money spent otherwise, on the same forecast:")
        table(
            out,
            (
                "Way~",
                f"Cost {money}>",
                "Works>",
                "Avoided m²·yr>",
                "Unsound m²>",
                "Past %>",
                "Decks>",
                f"Backlog {money}>",
            ),
            rows,
        )
        out.print(
            "Past: part of the deck area, and decks, past the threshold when the last year is over; backlog: what "
            "their cheapest treatment would cost then."
        )


def demands(out: Console, cost: pd.DataFrame) -> None:
    """Print what pins, bars and money kept cost."""
    for r in cost.itertuples():
        word = f"{r.lost:,.0f} m²·yr less avoided ({100 * r.lost_share:.2f} %)" if r.lost > 0.5 else "nothing"
        out.print(f"  {r.demand} costs {word}.")


def curve(out: Console, found: pd.DataFrame, money: str) -> None:
    """Print what more or less money buys."""
    out.print("What more or less money would buy:")
    rows = [
        (
            f"{r.times:g}",
            f"{r.budget_total:,.0f}",
            f"{r.works:,}",
            f"{r.value:,.0f}",
            "" if r.next_1000 != r.next_1000 else f"{r.next_1000:,.1f}",
            f"{r.unsound_end_m2:,.0f}",
            f"{100 * r.past_share:.1f}",
            f"{100 * r.gap:.2f}",
        )
        for r in found.itertuples()
    ]
    table(
        out,
        (
            "Times>",
            f"Money {money}>",
            "Works>",
            "Avoided m²·yr>",
            "Next 1,000 buys>",
            "Unsound m²>",
            "Past %>",
            "Gap %>",
        ),
        rows,
    )


def kept(out: Console, found: pd.DataFrame, money: str) -> None:
    """Print the programmes kept."""
    rows = [
        (
            r.name,
            f"{r.made_at:%Y-%m-%d}",
            r.made_by,
            f"{r.first_year} to {r.first_year + r.years - 1}",
            f"{r.lines:,}",
            f"{r.cost:,.0f}",
            f"{r.budget:,.0f}",
            f"{r.value:,.0f}",
        )
        for r in found.itertuples(index=False)
    ]
    head = ("Name~", "Made", "By", "Years", "Lines>", f"Cost {money}>", f"Budget {money}>", "Avoided m²·yr>")
    table(out, head, rows)


def changes(out: Console, found: pd.DataFrame) -> None:
    """Print decks whose works differ between two programmes."""
    if found.empty:
        out.print("Both hold the same works.")
        return

    def work(year: Any, treatment: Any, cost: Any) -> str:
        return "" if year != year or treatment != treatment else f"{year}: {treatment}, {cost:,.0f}"

    plain = found.astype({"year_one": "float64", "year_other": "float64"})
    rows = [
        (
            r.deck_id,
            r.change,
            work(r.year_one, r.treatment_one, r.cost_one).replace(".0:", ":"),
            work(r.year_other, r.treatment_other, r.cost_other).replace(".0:", ":"),
        )
        for r in plain.itertuples(index=False)
    ]
    table(out, ("Deck", "Change", "First~", "Second~"), rows)


def done(out: Console, held: pd.DataFrame, others: pd.DataFrame, facts: Mapping[str, float], money: str) -> None:
    """Print a kept programme against the repairs recorded."""

    def number(value: float) -> str:
        return "" if value != value else f"{value:,.0f}"

    rows = [
        (
            r.year,
            r.deck_id,
            r.treatment,
            r.fate,
            "" if r.done_date != r.done_date else f"{r.done_treatment}, {r.done_date:%Y-%m-%d}",
            number(r.cost),
            number(r.done_cost),
            number(r.repair_m2),
            number(r.done_m2),
        )
        for r in held.itertuples(index=False)
    ]
    head = ("Year>", "Deck", "Planned", "Fate", "Recorded~", f"Cost {money}>", "Was>", "Area m²>", "Was>")
    table(out, head, rows)
    out.print(
        f"{facts['lines']:,.0f} lines: {facts['done']:,.0f} done, {facts['changed']:,.0f} changed, "
        f"{facts['not_done']:,.0f} not done. {len(others):,} repairs on decks that have no line."
    )
    for name, word in (("cost_ratio", "Cost"), ("area_ratio", "Area broken out")):
        if facts[name] == facts[name]:
            out.print(f"{word} against estimate, over the lines done: {100 * facts[name]:.0f} %.")

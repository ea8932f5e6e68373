"""What the commands of the programme print beside its lines."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from decknet.commands.say import _table as table

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.flow.compare import Cut
    from decknet.schedule import Doubt, Programme

__all__ = ["changes", "curve", "cut", "demands", "done", "doubt", "kept", "meaning"]

NEARLY_ALWAYS = 0.9


def _number(value: float) -> str:
    return "" if value != value else f"{value:,.0f}"


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
        if why := _why_better(made):
            out.print(why)
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


def _why_better(made: Programme) -> str:
    """Where the programme's money goes, and where the worst-first rule's goes; empty where either spends nothing."""
    if made.yardsticks.empty:
        return ""
    ways = made.yardsticks.set_index("way")
    if not (ways.loc[["programme", "worst first"], "cost"] > 0).all():
        return ""
    own, other = ways.loc["programme"], ways.loc["worst first"]
    return (
        f"Worst first spends on decks {100 * other.spent_share:.0f} % unsound that carry {other.spent_aadt:,.0f} "
        f"vehicles a day, on works that last {other.spent_life_yr:.0f} years; the programme on decks "
        f"{100 * own.spent_share:.0f} % unsound that carry {own.spent_aadt:,.0f}, on works that last "
        f"{own.spent_life_yr:.0f} (means by money)."
    )


def doubt(out: Console, found: Doubt, money: str) -> None:
    """Print what a programme comes to over the draws, and how many of its lines stay."""
    at = found.outcome.set_index("measure")

    def between(measure: str) -> str:
        one = at.loc[measure]
        return f"{one.low:,.0f} to {one.high:,.0f} (middle {one.middle:,.0f})"

    out.print(
        f"Shares and growth are not known for sure. Over {found.draws:,} draws of them, eight in ten between: this "
        f"programme avoids {between('value')} m²·yr; its works cost {between('cost')} {money}; unsound area at the "
        f"end is {between('unsound_end_m2')} m², with nothing done {between('unsound_end_nothing_m2')} m². The figures "
        "above take each deck's middle forecast; shares can turn out further above it than below, so sums over draws "
        "are larger."
    )
    over = "; ".join(f"{r.year}: {100 * r.over:.0f} %" for r in found.years.itertuples() if r.over > 0)
    if over:
        out.print(f"Works of a year cost more than its money in this part of the draws: {over}.")
    sure = found.lines["sure_any"] >= NEARLY_ALWAYS
    same = found.lines["sure_year"] >= NEARLY_ALWAYS
    out.print(
        f"Chosen anew for each draw, {sure.sum():,} of {len(found.lines):,} lines stay nearly always (in nine of ten), "
        f"{same.sum():,} of them in the same year. {(found.waiting['chance_in'] >= 0.5).sum():,} waiting decks get a "
        "line in half of the draws or more."
    )
    if found.unfit:
        out.print(f"In {found.unfit:,} draws the pinned lines cost more than there is, and nothing was chosen.")


def demands(out: Console, cost: pd.DataFrame) -> None:
    """Print what pins, bars and money kept cost."""
    out.print("What is asked costs, against the programme without it:")
    for r in cost.itertuples():
        word = f"{r.lost:,.0f} m²·yr less avoided ({100 * r.lost_share:.2f} %)" if r.lost > 0.5 else "nothing found"
        out.print(f"  {r.demand}: {word}; {100 * r.most_share:.2f} % at most.")


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
    for r in found.itertuples(index=False):
        if r.withdrawn_at == r.withdrawn_at:
            out.print(f"{r.name}: withdrawn on {r.withdrawn_at:%Y-%m-%d}.")
        if r.closure_h == r.closure_h:
            out.print(
                f"{r.name}: lanes closed {r.closure_h:,.0f} h in all, longest queue {_number(r.queue_veh)} vehicles; "
                f"road users lose about {_number(r.user_cost)} {money}, in no budget."
            )


def changes(out: Console, found: pd.DataFrame) -> None:
    """Print decks whose works differ between two programmes."""
    if found.empty:
        out.print("Both hold the same works.")
        return

    def work(year: Any, treatment: Any, cost: Any, window: Any, material: Any) -> str:
        if year != year or treatment != treatment:
            return ""
        closed = "" if window != window or window is None else f"; {window}, {material}"
        return f"{year}: {treatment}, {cost:,.0f}{closed}"

    plain = found.astype({"year_one": "float64", "year_other": "float64"})
    rows = [
        (
            r.deck_id,
            r.change,
            r.because if isinstance(r.because, str) else "",
            work(r.year_one, r.treatment_one, r.cost_one, r.window_one, r.material_one).replace(".0:", ":"),
            work(r.year_other, r.treatment_other, r.cost_other, r.window_other, r.material_other).replace(".0:", ":"),
        )
        for r in plain.itertuples(index=False)
    ]
    table(out, ("Deck", "Change", "Because of", "First~", "Second~"), rows)


def cut(out: Console, found: Cut, by: float) -> None:
    """Print what goes, moves and comes in when the money is cut, and what is lost by it."""
    before, after, money = found.before.made.facts, found.after.made.facts, found.before.settings.currency
    less = f"{abs(by):g} % {'less' if by >= 0 else 'more'} money"
    out.print(f"{found.before.told()} With {less} a year:")
    names = {
        "goes": "Drop out", "moves": "In another year", "other treatment": "By another treatment", "comes": "Come in",
    }  # fmt: skip
    for change, heading in names.items():
        part = found.changes[found.changes["change"] == change]
        if part.empty:
            continue
        out.print(f"{heading}: {len(part)}")
        rows = [
            (
                r.deck_id, r.name if isinstance(r.name, str) else "",
                *(
                    f"{year}: {label}, {cost:,.0f}" if isinstance(label, str) else ""
                    for year, label, cost in (
                        (r.year_before, r.label_before, r.cost_before), (r.year_after, r.label_after, r.cost_after),
                    )
                ),
                "cannot wait" if r.urgent is True else "",
            )
            for r in part.astype({"urgent": "object"}).itertuples()
        ]  # fmt: skip
        table(out, ("Deck", "Name~", f"As planned ({money})~", f"With {less} ({money})~", ""), rows)
    if found.changes.empty:
        out.print("The same works are done.")
    lost = before["value"] - after["value"]
    part = 100 * lost / before["value"] if before["value"] > 0 else 0.0
    out.print(
        f"Lost: {lost:,.0f} m²·yr of exposure to unsound deck that the whole money would avoid ({part:.1f} %). Unsound "
        f"area at the end: {after['unsound_end_m2']:,.0f} m² instead of {before['unsound_end_m2']:,.0f} m²; past the "
        f"threshold: {100 * after['past_share']:.1f} % of the deck area instead of {100 * before['past_share']:.1f} %."
    )
    out.print(
        f"Cost {after['cost_total']:,.0f} instead of {before['cost_total']:,.0f} {money}. A deck that drops out is not "
        "thereby sound or safe."
    )


def done(out: Console, held: pd.DataFrame, others: pd.DataFrame, facts: Mapping[str, float], money: str) -> None:
    """Print a kept programme against the repairs recorded."""
    rows = [
        (
            r.year,
            r.deck_id,
            r.treatment,
            r.fate,
            "" if r.done_date != r.done_date else f"{r.done_treatment}, {r.done_date:%Y-%m-%d}",
            _number(r.cost),
            _number(r.done_cost),
            _number(r.repair_m2),
            _number(r.done_m2),
            _number(r.closure_h),
            _number(r.done_closure_h),
        )
        for r in held.itertuples(index=False)
    ]
    head = (
        *("Year>", "Deck", "Planned", "Fate", "Recorded~", f"Cost {money}>", "Was>", "Area m²>", "Was>"),
        *("Closed h>", "Was>"),
    )
    table(out, head, rows)
    out.print(
        f"{facts['lines']:,.0f} lines: {facts['done']:,.0f} done, {facts['changed']:,.0f} changed, "
        f"{facts['not_done']:,.0f} not done. {len(others):,} repairs on decks that have no line."
    )
    for name, word in (("cost_ratio", "Cost"), ("area_ratio", "Area broken out"), ("closure_ratio", "Hours closed")):
        if facts[name] == facts[name]:
            out.print(f"{word} against estimate, over the lines done: {100 * facts[name]:.0f} %.")
